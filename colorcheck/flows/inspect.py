"""The whole flow of `inspect`, top to bottom: photos of a finished piece and its artwork → findings and verdict."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from ..colour.knowncolours import camera_doubt, colours_of_profile, colours_of_reading
from ..faults.defects import DefectResult, find_defects
from ..faults.verdict import as_planned, compare, spot_limit
from ..ground.errors import DataError, PhotoError
from ..ground.files import read_json
from ..ground.geometry import mm_to_px, scaled
from ..ground.limits import Limits, load_limits
from ..ground.records import Action, Finding, FlatImage, LinearImage, Pose, Reason, Shape, Verdict, View
from ..photo.decode import decode
from ..piece.artwork import Artwork, load_artwork
from ..piece.blankframe import blank_frame
from ..piece.blocks import PieceView
from ..piece.flatpiece import MARGIN_MM, card_ring, edge_width_mm, grid_density, lay_piece, on_card
from ..piece.register import Registered, artwork_on_piece, register
from ..sheet.savedreading import load_reading
from .requests import InspectRequest

_QUICK_PIXELS = 6_500_000  # decode a larger photo at half size or less …
_ENOUGH_PX_PER_MM = 3.2  # … unless the piece then shows with less than this
# a pale place stronger than this, or as wide as this, may be a mirrored lamp as well; estimate
_REFLECTION_DE, _REFLECTION_MM = 8.0, (38.0, 65.0)
_SECOND_MM = 25.0  # … or as wide as this beside a certain reflection; estimate
# share of the piece under reflections up to which a pale place that is certainly missing dye still decides; estimate
_BEARABLE_GLARE = 0.15
_LEANS_TO_LIGHT = -15.0  # evidence below which a reflection is the likelier cause, as `reflections.dye_or_light` counts
# doubt of the mean colour error, ΔE00: a reading made with the same phone shares its errors, a profile knows nothing
# of the phone, whose own colours are off by several ΔE00 (estimates)
_COLOUR_DOUBT = {"reading": 0.75, "profile": 4.0}
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


def _judge(
    photos: Sequence[PiecePhoto],
    found: DefectResult,
    *,
    paper: str,
    limits: Limits,
    repress: dict[str, Any] | None,
    camera: tuple[float, str] = (0.0, ""),
) -> Verdict:
    """Walk the fixed order for a finished piece; ``camera`` as `camera_doubt` gives it."""
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


def _known_colours(request: InspectRequest) -> tuple[Callable[[Any], Any] | None, str]:
    """Take up what the colours should be, and where from: a reading or a profile; else the photo itself must tell."""
    if request.reading:
        return colours_of_reading(load_reading(request.reading)), "reading"
    if request.profile:
        return colours_of_profile(request.profile), "profile"
    return None, "photo"


def inspect(request: InspectRequest, *, progress: Callable[[str], None] | None = None) -> Inspection:
    """Inspect a finished piece against its artwork.

    Parameters
    ----------
    request : InspectRequest
    progress : callable, optional
        Told in a word what is being done.

    Returns
    -------
    Inspection

    Raises
    ------
    ColorcheckError
        A file cannot be read, or photo and artwork do not belong together.
    """
    say = progress or (lambda _: None)
    pressed = request.pressing
    repress = (replace(pressed, press_no=max(2, pressed.press_no)) if request.before else pressed).advice()
    answer, source = _known_colours(request)
    limits = load_limits(request.limits)
    earlier = _load_before(request.before) if request.before else None
    size_mm, shape, view = request.size_mm, request.shape, request.view
    art: Artwork = load_artwork(request.artwork, size_mm=size_mm, shape=shape, view=view)
    views: list[PieceView] = []
    kept: list[PiecePhoto] = []
    first_flat: FlatImage | None = None
    device: Any = None
    g = 0.0
    for path in request.photos:
        say(f"finding the piece in {Path(path).name}")
        image = decode(path, max_pixels=_QUICK_PIXELS)
        reg = register(image, art)
        if image.scale < 1 and reg.pose.px_per_mm < _ENOUGH_PX_PER_MM:
            image = decode(path)
            reg = at_full_size(reg, image)
        if not g:
            g = grid_density(reg.pose, size_mm)
            device, covered = artwork_on_piece(art, reg, g)
            if covered.mean() < 0.5:
                raise PhotoError(f"the picture covers too little of the piece in {image.source}", "check --size")
            device = cv2.GaussianBlur(device.astype(np.float32), (0, 0), max(0.25 * g, 0.5))
        flat = lay_piece(reg.image, reg.pose, size_mm, g)
        ring = card_ring(flat, size_mm, shape)
        carded = on_card(flat, ring, size_mm)
        blank = None
        if request.blank_frame and not views:
            blank = blank_frame(request.blank_frame, image, reg, flat, ring, size_mm)
        pose = reg.pose
        views.append(
            PieceView(
                flat=flat,
                margin_mm=MARGIN_MM,
                blank=blank,
                card=carded,
                to_photo=lambda mm, pose=pose: mm_to_px(pose, mm),  # type: ignore[misc]
            )
        )
        m = round(MARGIN_MM * g)
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
                on_card=carded,
                clipped_share=float(((inner & 1) > 0).mean()),
                white_level=float(np.percentile(level, 97)),
                sharp_mm=edge_width_mm(flat),
            )
        )
        first_flat = flat if first_flat is None else first_flat
    assert first_flat is not None
    say("looking for defects")
    found = find_defects(views, device, size_mm, shape, answer=answer, source=source)
    camera = camera_doubt(answer, {p.device for p in kept})
    verdict = _judge(kept, found, paper=request.paper, limits=limits, repress=repress, camera=camera)
    return Inspection(
        artwork=art.source,
        size_mm=size_mm,
        shape=shape,
        view=view,
        paper=request.paper,
        photos=tuple(kept),
        defects=found,
        verdict=verdict,
        flat=first_flat,
        limits=limits,
        before=_compare_before(earlier, found) if earlier else None,
    )
