"""The whole flow of `inspect`, top to bottom: photos of a finished piece and its artwork → findings and verdict."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

import cv2
import numpy as np

from ..faults.defects import DefectResult, find_defects
from ..faults.verdict import as_planned, compare, spot_limit
from ..ground.cielab import lab_to_xyz, xyz_to_linear_srgb
from ..ground.errors import DataError, FileError, PhotoError
from ..ground.files import read_json
from ..ground.geometry import local_px_per_mm, mm_to_px, scaled
from ..ground.limits import Limits, load_limits
from ..ground.records import Action, Finding, FlatImage, Floats, LinearImage, Pose, Reason, Shape, Verdict, View
from ..ground.response import fit_response, predict
from ..photo.decode import decode
from ..photo.rectify import resample
from ..piece.artwork import Artwork, load_artwork
from ..piece.blocks import PieceView
from ..piece.register import Registered, artwork_on_piece, register

_MARGIN_MM = 25.0
_MAX_FLAT_PIXELS = 2_600_000
_QUICK_PIXELS = 6_500_000  # decode a larger photo at half size or less …
_ENOUGH_PX_PER_MM = 3.2  # … unless the piece then shows with less than this
_CARD_SHARE = 0.55  # a ring round the piece is white card when it is at least this bright, of the brightest print
# a pale place stronger than this, or as wide as this, may be a mirrored lamp as well; estimate
_REFLECTION_DE, _REFLECTION_MM = 8.0, (38.0, 65.0)
_SECOND_MM = 25.0  # … or as wide as this beside a certain reflection; estimate
# share of the piece under reflections up to which a pale place that is certainly missing dye still decides; estimate
_BEARABLE_GLARE = 0.15
_LEANS_TO_LIGHT = -15.0  # evidence below which a reflection is the likelier cause, as `reflections.dye_or_light` counts
# doubt of the mean colour error, ΔE00: a reading made with the same phone shares its errors, a profile knows nothing
# of the phone, whose own colours are off by several ΔE00 (estimates)
_COLOUR_DOUBT = {"reading": 0.75, "profile": 4.0}
_UNNAMED_SHARE = 0.3  # of the doubt between two cameras, where reading and photo both name none; estimate
_CAMERA_DE = 2.5  # a phone balanced on white against the colorimetric truth, mean ΔE00; least doubt of one camera
_BROAD_MM = 40.0  # wider places share their colours with little else on the piece; estimate
_PALE = ("pale", "faded-edge", "pale-centre")


@dataclass(frozen=True, slots=True, eq=False)
class PiecePhoto:
    """What is kept of one photo of the piece."""

    name: str
    sha256: str
    device: str
    taken: str
    colour_space: str
    notes: tuple[str, ...]
    pose: Pose
    placed_by: str
    uncertainty_mm: float
    score: float
    on_card: bool
    clipped_share: float
    white_level: float
    sharp_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Before:
    """An earlier inspection of the same piece, and what became of its findings."""

    name: str
    worst_before: float
    worst_now: float
    gone: tuple[str, ...]
    better: tuple[str, ...]
    same: tuple[str, ...]
    new: tuple[str, ...]
    significant: bool


@dataclass(frozen=True, slots=True, eq=False)
class Inspection:
    """Everything `inspect` found on one piece.

    ``flat`` is the first photo laid flat.
    """

    artwork: str
    size_mm: tuple[float, float]
    shape: Shape
    view: View
    paper: str
    photos: tuple[PiecePhoto, ...]
    defects: DefectResult
    verdict: Verdict
    flat: FlatImage
    limits: Limits
    before: Before | None


def _grid_density(pose: Pose, size_mm: tuple[float, float]) -> float:
    """Pixels per mm of the flat picture, whole or half."""
    area = (size_mm[0] + 2 * _MARGIN_MM) * (size_mm[1] + 2 * _MARGIN_MM)
    finest = float(np.sqrt(_MAX_FLAT_PIXELS / area))
    middle = np.array([[size_mm[0] / 2, size_mm[1] / 2]])
    native = float(local_px_per_mm(pose, middle)[0])
    return float(np.clip(np.ceil(native * 2) / 2, 2.0, max(2.0, np.floor(finest * 2) / 2)))


def _with_margin(pose: Pose, margin: float) -> Pose:
    """Return the pose for millimetres counted from ``margin`` outside the piece's corner."""
    shift = np.array([[1.0, 0, -margin], [0, 1.0, -margin], [0, 0, 1.0]])
    return replace(pose, homography=pose.homography @ shift)


def _lay_flat(image: LinearImage, pose: Pose, size_mm: tuple[float, float], g: float) -> FlatImage:
    """Lay the piece and a margin round it flat."""
    wide = (size_mm[0] + 2 * _MARGIN_MM, size_mm[1] + 2 * _MARGIN_MM)
    return resample(image, _with_margin(pose, _MARGIN_MM), wide, g)


def at_full_size(reg: Registered, image: LinearImage) -> Registered:
    """Carry a placement found in a reduced photo over to the photo as stored.

    Parameters
    ----------
    reg : Registered
        Found in the reduced photo.
    image : LinearImage
        The same file, less or not reduced.

    Returns
    -------
    Registered
        With ``image`` turned as ``reg`` says, and the pose in its pixels.
    """
    wide = image.rgb.shape[1]
    pose = scaled(reg.pose, image.scale / reg.image.scale)
    if pose.mirrored:
        # counted from the other side: what a reduction leaves over at the right lies at the left now
        left = wide - reg.image.rgb.shape[1] * image.scale / reg.image.scale
        move = np.array([[1.0, 0, left], [0, 1, 0], [0, 0, 1]])
        pose = replace(pose, homography=move @ pose.homography, centre_px=(pose.centre_px[0] + left, pose.centre_px[1]))
        image = replace(
            image,
            rgb=np.ascontiguousarray(image.rgb[:, ::-1]),
            clipped=np.ascontiguousarray(image.clipped[:, ::-1]),
        )
    return replace(reg, pose=pose, image=image)


def _ring(flat: FlatImage, size_mm: tuple[float, float], shape: Shape) -> Any:
    """Pixels of the margin that lie 4 to 20 mm outside the piece, (H, W)."""
    g = flat.px_per_mm
    h, w = flat.inside.shape
    # distance from the middle or from the nearest side along each axis: their squares add
    u = (np.arange(w, dtype=np.float32) + 0.5) / np.float32(g) - np.float32(_MARGIN_MM + size_mm[0] / 2)
    v = (np.arange(h, dtype=np.float32) + 0.5) / np.float32(g) - np.float32(_MARGIN_MM + size_mm[1] / 2)
    if shape == "round":
        half = min(size_mm) / 2
        u, v, low, high = u * half / (size_mm[0] / 2), v * half / (size_mm[1] / 2), half + 4, half + 20
    else:
        u, v = (np.maximum(np.abs(t) - np.float32(s / 2), 0) for t, s in ((u, size_mm[0]), (v, size_mm[1])))
        low, high = 4.0, 20.0
    square = (u * u)[None, :] + (v * v)[:, None]
    return (square > low**2) & (square < high**2) & flat.inside


def _on_card(flat: FlatImage, ring: Any, size_mm: tuple[float, float]) -> bool:
    """Tell whether the margin shows white card: bright, plain, without colour, and clear of the top code."""
    places = np.flatnonzero(ring)
    if len(places) < 0.4 * (2 * (size_mm[0] + size_mm[1]) * 16 * flat.px_per_mm**2):
        return False
    places = places[:: max(1, len(places) // 20000)]
    some = flat.rgb.reshape(-1, 3)[places].astype(float)
    level = some.mean(axis=1)
    m = round(_MARGIN_MM * flat.px_per_mm)
    piece = flat.rgb[m:-m:5, m:-m:5].reshape(-1, 3).mean(axis=1)
    if float(np.median(level)) < _CARD_SHARE * float(np.percentile(piece, 97)):
        return False
    clipped = float(((flat.clipped.ravel()[places] & 1) > 0).mean())
    tint = float(np.ptp(np.log(np.maximum(np.median(some, axis=0), 1e-4))))
    return clipped < 0.3 and tint < 0.5


def _sharpness(flat: FlatImage) -> float:
    """Width in mm of the sharpest edges: range over steepest slope of the strongest five per cent."""
    m = round(_MARGIN_MM * flat.px_per_mm)
    y: Any = cv2.transform(np.ascontiguousarray(flat.rgb[m:-m, m:-m]), np.full((1, 3), 1 / 3, np.float32))
    y = cv2.GaussianBlur(np.sqrt(np.maximum(y, 0)), (0, 0), 0.7)
    slope = cv2.magnitude(
        cv2.Sobel(y, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8), cv2.Sobel(y, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    )
    span = max(3, round(1.6 * flat.px_per_mm)) | 1
    kernel = np.ones((span, span), np.uint8)
    rise = cv2.subtract(cv2.dilate(y, kernel), cv2.erode(y, kernel))
    clear = max(0.08, float(np.percentile(rise[::3, ::3].ravel(), 90)) * 0.6)
    strong = (slope >= cv2.dilate(slope, np.ones((3, 3), np.uint8))) & (rise > clear)
    if strong.sum() < 40:
        return float("nan")
    width = rise[strong] / np.maximum(slope[strong], 1e-6) / flat.px_per_mm
    return float(np.percentile(width, 20))


def _blank(
    path: str | Path, like: LinearImage, reg: Registered, flat: FlatImage, ring: Any, size_mm: tuple[float, float]
) -> Any:
    """Lay the blank frame flat by the piece's pose, after checking that it can serve.

    Raises
    ------
    DataError
        Another size or exposure, or there is something in it.
    """
    image = decode(path, max_pixels=like.rgb.shape[0] * like.rgb.shape[1])
    if image.original_size != like.original_size or image.rgb.shape != like.rgb.shape:
        raise DataError(
            f"{image.source} has another size than {like.source}",
            "shoot the white sheet with the same camera right after the piece, nothing moved",
        )
    rgb = np.ascontiguousarray(image.rgb[:, ::-1]) if reg.pose.mirrored else image.rgb
    frame = _lay_flat(replace(image, rgb=rgb), reg.pose, size_mm, flat.px_per_mm)
    y = frame.rgb.mean(axis=2)
    small = cv2.resize(y, None, fx=4 / flat.px_per_mm / 4, fy=4 / flat.px_per_mm / 4, interpolation=cv2.INTER_AREA)
    level = np.log(np.maximum(small, 1e-4))
    rows, cols = np.mgrid[-1 : 1 : level.shape[0] * 1j, -1 : 1 : level.shape[1] * 1j]
    terms = np.stack([np.ones_like(rows), rows, cols, rows**2, cols**2, rows * cols], axis=-1).reshape(-1, 6)
    fit = np.linalg.lstsq(terms, level.ravel().astype(float), rcond=None)[0]
    left = level.ravel() - terms @ fit
    if float(np.percentile(np.abs(left), 97)) > 0.12:
        raise DataError(
            f"{image.source} is no blank frame: there is something in it",
            "lay a plain white sheet in the piece's place and shoot it with lamp and camera unmoved",
        )
    if ((frame.clipped & 1) > 0).mean() > 0.02:
        raise DataError(f"{image.source} is overexposed", "lock the exposure so that white stays below full scale")
    seconds = (like.exposure.get("exposure_time"), image.exposure.get("exposure_time"))
    other = all(seconds) and abs(float(np.log(cast("float", seconds[1]) / cast("float", seconds[0])))) > 0.1
    if ring.any():
        ratio = frame.rgb[ring].mean() / max(float(flat.rgb[ring].mean()), 1e-4)
        other = other or (_on_card(flat, ring, size_mm) and abs(float(np.log(ratio))) > 0.25)
    if other:
        raise DataError(
            f"{image.source} has another exposure than {like.source}",
            "lock the exposure and shoot both one after the other",
        )
    return frame.rgb


@dataclass(frozen=True, slots=True, eq=False)
class KnownColours:
    """What a reading says a substrate makes of device colours, and who saw it.

    ``cameras`` that took the reading's photos ('' where a file does not say); ``camera_doubt``
    ΔE00 by which two unlike cameras may differ over its colours; ``referenced``: freed of its camera's errors.
    """

    response: Any
    cameras: tuple[str, ...]
    camera_doubt: float
    referenced: bool = False

    def __call__(self, rgb: Any) -> Any:
        """Device RGB (n, 3) → linear RGB, coat at 1."""
        return predict(self.response, rgb)


def answer_from_reading(
    device_rgb: Any,
    lab: Floats,
    usable: Any,
    *,
    uncertainty: Any = None,
    photos: Sequence[dict[str, Any]] = (),
    trust: str = "balanced",
) -> KnownColours:
    """Return what a substrate makes of device colours, as fitted to a reading of it.

    Parameters
    ----------
    device_rgb, lab, usable : (n, 3), (n, 3), (n,)
        Of the reading's cells.
    uncertainty : (n,), optional
        ΔE00 of each cell. The same again for the camera that looks at the piece, in quadrature, is
        the doubt between two cameras.
    photos : sequence of dict
        The reading's own list of photos; ``device`` names the camera.
    trust : {'balanced', 'referenced'}
        A referenced reading is freed of its camera's errors, which the photo of the piece still has.
    """
    rel = xyz_to_linear_srgb(lab_to_xyz(lab))
    response = fit_response(device_rgb, rel, weights=usable.astype(float))
    own = np.zeros(0) if uncertainty is None else np.asarray(uncertainty, dtype=float)[np.asarray(usable, bool)]
    own = own[np.isfinite(own)]
    each = max(float(own.mean()), _CAMERA_DE) if own.size and trust == "balanced" else _CAMERA_DE
    cameras = tuple(dict.fromkeys(str(p.get("device") or "") for p in photos)) if trust == "balanced" else ("",)
    return KnownColours(response, cameras or ("",), float(np.hypot(each, each)), trust != "balanced")


def _camera_doubt(answer: Any, photos: Sequence[PiecePhoto]) -> tuple[float, str]:
    """ΔE00 by which reading and photo may differ for their cameras, and whether those are 'other' or 'unknown'."""
    if not isinstance(answer, KnownColours):
        return 0.0, ""
    here = {p.device for p in photos}
    if here == {""} == set(answer.cameras) and not answer.referenced:
        # neither file names a camera: most likely the one phone of the house, stripped of its notes on the way
        return _UNNAMED_SHARE * answer.camera_doubt, "unknown"
    if "" in here or "" in answer.cameras:
        return answer.camera_doubt, "unknown"
    return (0.0, "") if here <= set(answer.cameras) else (answer.camera_doubt, "other")


def answer_from_profile(path: str | Path) -> Callable[[Any], Any]:
    """Return what an ICC profile says a printer makes of device colours, media-relative.

    Raises
    ------
    FileError, DataError
        The profile cannot be read or is not one of an RGB printer.
    """
    from PIL import Image, ImageCms

    p = Path(path)
    if not p.is_file():
        raise FileError(f"there is no file {p}", "check the name given with --profile")
    try:
        profile = ImageCms.getOpenProfile(str(p))
        if profile.profile.xcolor_space.strip() != "RGB":
            raise DataError(f"{p.name} is not a profile of an RGB printer", "give the profile you print through")
        lab = ImageCms.createProfile("LAB", 5003)
        change = ImageCms.buildTransform(
            profile, lab, "RGB", "LAB", renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC
        )
    except (ImageCms.PyCMSError, OSError) as e:
        raise DataError(f"{p.name} is not a usable ICC profile", "give the profile you print through") from e

    def answer(rgb: Any) -> Any:
        codes = np.clip(np.rint(np.asarray(rgb)), 0, 255).astype(np.uint8).reshape(1, -1, 3)
        out = np.asarray(ImageCms.applyTransform(Image.fromarray(codes, "RGB"), change), dtype=np.int64)[0]
        signed = np.where(out[:, 1:] > 127, out[:, 1:] - 256, out[:, 1:])
        value = np.column_stack([out[:, 0] * 100 / 255, signed])
        return xyz_to_linear_srgb(lab_to_xyz(value.astype(float)))

    return answer


def _judge(
    photos: Sequence[PiecePhoto],
    found: DefectResult,
    *,
    paper: str,
    limits: Limits,
    repress: dict[str, Any] | None,
    camera: tuple[float, str] = (0.0, ""),
) -> Verdict:
    """Walk the fixed order for a finished piece; ``camera`` as `_camera_doubt` gives it."""
    reasons = _photo_reasons(photos[0], found, limits)
    unfit = [r for r in reasons if r.outcome == "fail"]
    ranked = sorted(found.findings, key=lambda f: -f.delta_e00)
    # the order of the verdict: paper moved, printed completely, not too hot, pressed evenly, only then colour
    for kind in ("ghost", "banding"):
        reasons += [_defect_reason(f, found, limits) for f in ranked if f.kind == kind]
    crisp = [f for f in found.findings if f.kind in ("pinhole", "speck", "hair")]
    if crisp:
        worst = max(f.diameter_mm for f in crisp)
        outcome = "fail" if worst > limits.even.dot_mm else "note"
        reasons.append(Reason("crisp-defects", len(crisp), 0.0, 0.0, outcome, detail={"largest_mm": worst}))
    for kind in ("scorch", *_PALE, "dark", "dark-edge"):
        reasons += [_defect_reason(f, found, limits, camera) for f in ranked if f.kind == kind]
    if found.ambiguous:
        limit = limits.even.edge_de00
        # one photo and nothing white beside the print: how large a change the lamp may hide is anybody's guess
        outcome = "undecided" if found.broad_de00 > limit or not found.anchors else "note"
        told = {"what": list(found.ambiguous), "settle_by": found.settle_by}
        reasons.append(Reason("broad-light", found.broad_de00, limit, 0.0, outcome, detail=told))
    if found.judged_share < 0.5:
        reasons.append(Reason("judged-share", found.judged_share, 0.5, 0.0, "note"))
    if found.mean_de00 is not None:
        limit, u = limits.colour.mean_de00, _COLOUR_DOUBT.get(found.source, 1.0)
        u = float(np.hypot(u, camera[0]))
        told = {"camera": camera[1]} if camera[1] else {}
        outcome = compare(found.mean_de00, limit, u)
        reasons.append(Reason("profile-mean", found.mean_de00, limit, u, outcome, detail=told))
    else:
        reasons.append(Reason("colour-unknown", float("nan"), float("nan"), 0.0, "skipped"))
    undecided = tuple(dict.fromkeys(r.measure for r in reasons if r.outcome == "undecided"))
    first = next((r for r in reasons if r.outcome == "fail" and r not in unfit), None)
    sure = any(
        r.measure in _PALE
        and r.outcome == "fail"
        and r.value < _REFLECTION_DE
        and not r.detail.get("could_be_reflection")
        for r in reasons
    )
    # a reflection elsewhere hides other places, but takes nothing back from a spot that is certainly missing dye
    beside = sure and all(r.measure == "glare" and r.value < _BEARABLE_GLARE for r in unfit)
    bad = bool(unfit) and not beside
    action: Action = "retake-photo" if bad else "accept"
    glint = not sure and any(r.outcome == "undecided" and r.detail.get("could_be_reflection") for r in reasons)
    if not bad and first is not None and first.measure in _PALE and (glint or not found.anchors):
        action = "retake-photo"  # one more photo costs less than pressing what the lamp made pale
    elif not bad and first is not None:
        if first.measure == "profile-mean":
            action = "change-profile"
        else:
            # print that is missing with a sharp rim does not come with more heat
            soft = any(r.measure in _PALE and r.outcome == "fail" and not r.detail.get("sharp_rim") for r in reasons)
            action = "re-press" if first.measure in _PALE and paper == "on" and soft else "reprint"
    elif not bad and set(undecided) & {"broad-light", *_PALE}:
        # what light or a reflection could hide is more than the limit: neither good nor bad can be said
        action = "retake-photo"
    settle = found.settle_by or ("turned a quarter and shifted" if set(undecided) & set(_PALE) else "")
    action, planned = as_planned(action, repress)
    advice: dict[str, Any] = ({"settle_by": settle} if settle else {}) | planned
    return Verdict(action=action, reasons=tuple(reasons), undecided=undecided, advice=advice)


def _photo_reasons(photo: PiecePhoto, found: DefectResult, limits: Limits) -> list[Reason]:
    """Say whether the photo is fit to judge a finished piece by."""
    lim, own = limits.photo, limits.piece
    inside = np.isfinite(found.light).all(axis=2)
    glare = float(found.glare.sum() / max(int(inside.sum()), 1))
    tests = [
        ("px-per-mm", photo.pose.px_per_mm, lim.px_per_mm, photo.pose.px_per_mm < lim.px_per_mm),
        ("blur-mm", photo.sharp_mm, own.blur_mm, photo.sharp_mm > own.blur_mm),
        ("dark", photo.white_level, lim.white_low, photo.white_level < lim.white_low),
        ("clipped-cells", photo.clipped_share, own.clipped, photo.clipped_share > own.clipped),
        ("glare", glare, own.glare_area, glare > own.glare_area),
        ("pose-mm", photo.uncertainty_mm, own.pose_mm, photo.uncertainty_mm > own.pose_mm),
    ]
    bad = [Reason(m, float(v), float(limit), 0.0, "fail") for m, v, limit, fails in tests if fails]
    out = bad or [Reason("photo", 1.0, 1.0, 0.0, "pass")]
    if glare and not any(r.measure == "glare" for r in bad):
        out.append(Reason("glare", glare, own.glare_area, 0.0, "note"))
    return out


def _defect_reason(f: Finding, found: DefectResult, limits: Limits, camera: tuple[float, str] = (0.0, "")) -> Reason:
    """Compare one finding with its limit."""
    detail = {"diameter_mm": f.diameter_mm, **f.detail}
    if f.kind in ("ghost", "banding", "scorch"):
        limit = limits.piece.other_de00
        outcome = "fail" if f.delta_e00 > limit else "note"
        return Reason(f.kind, f.delta_e00, limit, 0.0, outcome, place=f.where, detail=detail)
    limit = spot_limit(f.kind, limits.even)
    u = 0.5 * float(f.detail.get("uncertainty", 0.15 * f.delta_e00))
    if camera[1] and f.kind in (*_PALE, "dark") and f.diameter_mm > _BROAD_MM:
        # over so wide a place the artwork's own colours, seen by another camera, could look like a fault
        u, detail = float(np.hypot(u, camera[0])), {**detail, "camera": camera[1]}
    outcome = compare(f.delta_e00, limit, u)
    lamp_sized = _REFLECTION_MM[0] < f.diameter_mm < _REFLECTION_MM[1] and "blank frame" not in found.anchors
    for_dye = f.detail.get("for_dye", 0.0)
    strong = f.delta_e00 > _REFLECTION_DE or lamp_sized or for_dye < _LEANS_TO_LIGHT
    # where the lamp is mirrored once it may be mirrored again, softer
    strong |= bool(found.glare.any()) and for_dye < 0 and f.diameter_mm > _SECOND_MM
    strong |= bool(f.detail.get("sharp_rim"))
    if outcome == "fail" and f.detail.get("could_be_reflection") and strong:
        outcome = "undecided"
    return Reason(f.kind, f.delta_e00, limit, u, outcome, place=f.where, detail=detail)


@dataclass(frozen=True, slots=True, eq=False)
class _Earlier:
    """Pale places of an earlier inspection: x, y in mm, ΔE00, and where in words."""

    name: str
    places: tuple[tuple[float, float, float, str], ...]


def _load_before(path: str | Path) -> _Earlier:
    """Read the pale places of an earlier inspection.

    Raises
    ------
    FileError, DataError
        It cannot be read or is no inspection.
    """
    p = Path(path)
    todo = "give the file written by 'inspect' with --json"
    data = read_json(p, "an inspection", todo=todo)
    try:
        old = [f for f in data["findings"] if f["kind"] in _PALE]
        places = tuple((float(f["x_mm"]), float(f["y_mm"]), float(f["delta_e00"]), str(f["where"])) for f in old)
    except (ValueError, KeyError, TypeError) as e:
        raise DataError(f"{p.name} is not an inspection", todo) from e
    return _Earlier(p.name, places)


def _compare_before(earlier: _Earlier, found: DefectResult) -> Before:
    """Match the findings of an earlier inspection with today's."""
    now = [f for f in found.findings if f.kind in _PALE]
    noise = max(found.noise_de00, 0.2)
    gone: list[str] = []
    better: list[str] = []
    same: list[str] = []
    used: set[int] = set()
    for x, y, de, where in earlier.places:
        near = [k for k, f in enumerate(now) if np.hypot(f.x_mm - x, f.y_mm - y) < 0.6 * f.diameter_mm + 8]
        if not near:
            gone.append(where)
            continue
        k = min(near, key=lambda k: float(np.hypot(now[k].x_mm - x, now[k].y_mm - y)))
        used.add(k)
        (better if now[k].delta_e00 < de - 2.8 * noise else same).append(where)
    new = [f.where for k, f in enumerate(now) if k not in used]
    before = max((p[2] for p in earlier.places), default=0.0)
    after = max((f.delta_e00 for f in now), default=0.0)
    return Before(
        name=earlier.name,
        worst_before=before,
        worst_now=after,
        gone=tuple(gone),
        better=tuple(better),
        same=tuple(same),
        new=tuple(new),
        significant=bool(gone or better or new) or abs(before - after) > 2.8 * noise,
    )


def inspect(
    photos: Sequence[str | Path],
    *,
    artwork: str | Path,
    size_mm: tuple[float, float],
    shape: Shape = "rect",
    view: View = "front",
    paper: str = "on",
    blank_frame: str | Path | None = None,
    answer: Callable[[Any], Any] | None = None,
    source: str = "photo",
    before: str | Path | None = None,
    limits: Limits | None = None,
    repress: dict[str, Any] | None = None,
    progress: Callable[[str], None] | None = None,
) -> Inspection:
    """Inspect a finished piece against its artwork.

    Parameters
    ----------
    photos : paths
        One or several of the same piece, turned or shifted between shots, camera and lamp fixed.
    artwork : path
        The picture as its owner sees it.
    size_mm, shape, view
        Of the piece.
    paper : {'on', 'off'}
        Whether the paper is still taped on; only then a re-press may be the answer.
    blank_frame : path, optional
        A white sheet in the piece's place, same camera, lamp and exposure.
    answer : callable, optional
        Device RGB → linear colour relative to the coat, from a reading or a profile.
    source : str
        'reading' or 'profile' when there is an answer.
    before : path, optional
        Result of an earlier inspection of the same piece.
    limits, repress, progress
        As for `pipeline.read`.

    Returns
    -------
    Inspection

    Raises
    ------
    ColorcheckError
        A file cannot be read, or photo and artwork do not belong together.
    """
    limits = load_limits() if limits is None else limits
    say = progress or (lambda _: None)
    earlier = _load_before(before) if before else None
    art: Artwork = load_artwork(artwork, size_mm=size_mm, shape=shape, view=view)
    views: list[PieceView] = []
    kept: list[PiecePhoto] = []
    first_flat: FlatImage | None = None
    device: Any = None
    g = 0.0
    for path in photos:
        say(f"finding the piece in {Path(path).name}")
        image = decode(path, max_pixels=_QUICK_PIXELS)
        reg = register(image, art)
        if image.scale < 1 and reg.pose.px_per_mm < _ENOUGH_PX_PER_MM:
            image = decode(path)
            reg = at_full_size(reg, image)
        if not g:
            g = _grid_density(reg.pose, size_mm)
            device, covered = artwork_on_piece(art, reg, g)
            if covered.mean() < 0.5:
                raise PhotoError(f"the picture covers too little of the piece in {image.source}", "check --size")
            device = cv2.GaussianBlur(device.astype(np.float32), (0, 0), max(0.25 * g, 0.5))
        flat = _lay_flat(reg.image, reg.pose, size_mm, g)
        ring = _ring(flat, size_mm, shape)
        on_card = _on_card(flat, ring, size_mm)
        blank = _blank(blank_frame, image, reg, flat, ring, size_mm) if blank_frame and not views else None
        pose = reg.pose
        views.append(
            PieceView(
                flat=flat,
                margin_mm=_MARGIN_MM,
                blank=blank,
                card=on_card,
                to_photo=lambda mm, pose=pose: mm_to_px(pose, mm),  # type: ignore[misc]
            )
        )
        m = round(_MARGIN_MM * g)
        inner = flat.clipped[m:-m, m:-m]
        level = flat.rgb[m:-m:3, m:-m:3].mean(axis=2)
        kept.append(
            PiecePhoto(
                name=image.source,
                sha256=image.sha256,
                device=image.device,
                taken=image.taken,
                colour_space=image.colour_space,
                notes=(*image.notes, *art.notes, *reg.notes),
                pose=reg.pose,
                placed_by=reg.placed_by,
                uncertainty_mm=reg.uncertainty_mm,
                score=reg.score,
                on_card=on_card,
                clipped_share=float(((inner & 1) > 0).mean()),
                white_level=float(np.percentile(level, 97)),
                sharp_mm=_sharpness(flat),
            )
        )
        first_flat = flat if first_flat is None else first_flat
    assert first_flat is not None
    say("looking for defects")
    found = find_defects(views, device, size_mm, shape, answer=answer, source=source if answer else "photo")
    camera = _camera_doubt(answer, kept)
    verdict = _judge(kept, found, paper=paper, limits=limits, repress=repress, camera=camera)
    return Inspection(
        artwork=art.source,
        size_mm=size_mm,
        shape=shape,
        view=view,
        paper=paper,
        photos=tuple(kept),
        defects=found,
        verdict=verdict,
        flat=first_flat,
        limits=limits,
        before=_compare_before(earlier, found) if earlier else None,
    )
