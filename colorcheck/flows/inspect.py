"""The whole flow of `inspect`, top to bottom: photos of a finished piece and its artwork → findings and verdict."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from ..colour.knowncolours import camera_doubt, colours_of_profile, colours_of_reading
from ..faults.beforeafter import Before, compare_before, load_earlier
from ..faults.catalogue import HEAT_HELPS
from ..faults.find import DefectResult, displaced_reasons, find_faults
from ..faults.lightbands import display_pixels, light_bands
from ..faults.litside import coat_level, light_around, lit_otherwise
from ..faults.verdict import aim_reason, decide, finding_reasons, light_reasons, photo_reasons
from ..ground import reader
from ..ground.bench import Bench
from ..ground.errors import PhotoError
from ..ground.files import refuse_same
from ..ground.geometry import mm_to_px, scaled
from ..ground.limits import Limits, load_limits
from ..ground.records import (
    HAND_MOVED,
    TURNED,
    FlatImage,
    Floats,
    Kind,
    LinearImage,
    Lit,
    Mask,
    PhotoCheck,
    Pose,
    Reason,
    Shape,
    Verdict,
    View,
)
from ..ground.residue import Residue
from ..photo.benchfile import as_checked, load_bench
from ..photo.decode import decode
from ..photo.drawn import refuse_drawn
from ..piece.aim import colour_error
from ..piece.apart import TONE_STD
from ..piece.artwork import Artwork, load_artwork
from ..piece.blankframe import blank_frame
from ..piece.blocks import PieceView
from ..piece.flatpiece import MARGIN_MM, card_ring, edge_width_mm, grid_density, lay_piece, on_card
from ..piece.register import Registered, artwork_on_piece, register
from ..piece.residue import piece_residue
from ..sheet.savedreading import load_readings
from .requests import InspectRequest

QUICK_PIXELS = 6_500_000  # decode a larger photo at half size or less …
ENOUGH_PX_PER_MM = 3.2  # … unless the piece then shows with less than this
_LEAST_CURVE_STD = 0.02  # excess slope that a checked curve may still have from photo to photo; estimate
_LEAST_SPOT_MM = 10.0  # missing heat makes none narrower, for heat spreads sideways; estimate
_BROAD_MM = 40.0  # wider places share their colours with little else on the piece; estimate
_TESTED = (Kind.GHOST, Kind.BANDING, Kind.SCORCH)  # worth a line even when nothing of them was found


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
    mirrored: bool
    on_card: bool
    clipped_share: float
    white_level: float
    sharp_mm: float


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
    lit: Lit = "front"
    bench: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """A photo, or the part of one that shows the piece, and where the piece lies in it."""

    image: LinearImage
    reg: Registered


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


def _room_for_spot(found: DefectResult) -> bool:
    """Say whether a reflection hides a place where missing heat could lie."""
    r = 2 * round(0.5 * _LEAST_SPOT_MM / found.step_mm) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (r, r))
    return bool(cv2.erode(found.glare.astype(np.uint8), disc, borderValue=0).any())


def _photo_check(photos: Sequence[PiecePhoto], found: DefectResult, limits: Limits) -> PhotoCheck:
    """Say whether the photo is fit to judge a finished piece by."""
    photo, lim, own = photos[0], limits.photo, limits.piece
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
    warned = []
    if 0 < glare <= own.glare_area:
        # what moved between two photos is a reflection; in one photo it may be the fault itself that is taken for one
        seen_to_move = len(photos) > 1
        warned = [("glare" if seen_to_move or not _room_for_spot(found) else "unseen", glare, own.glare_area, "")]
    if photo.mirrored:
        warned.append(("mirrored", 1.0, 0.0, ""))
    return PhotoCheck(
        sharpness_px=float("nan"),
        edge_mm=photo.sharp_mm,
        clipped_share=photo.clipped_share,
        glare_share=glare,
        white_level=photo.white_level,
        noise=float("nan"),
        tone_spread=float("nan"),
        hidden=0,
        problems=tuple((m, float(v), float(limit), "") for m, v, limit, fails in tests if fails),
        warnings=tuple(warned),
    )


def _verdict(
    photos: Sequence[PiecePhoto],
    found: DefectResult,
    request: InspectRequest,
    limits: Limits,
    camera: tuple[float, str],
    repress: dict[str, Any] | None,
    told: Sequence[Reason] = (),
) -> Verdict:
    """Gather what every step has to say, and decide."""
    camera_u, which = camera
    reasons = [
        *told,
        *photo_reasons([_photo_check(photos, found, limits)]),
        *finding_reasons(found.findings, limits, tested=_TESTED, broad_mm=_BROAD_MM, broad_u=camera_u),
        *light_reasons(
            found.ambiguous,
            found.broad_de00,
            found.broad_colour_de00,
            found.judged_share,
            limits,
            settle_by=found.settle_by,
            anchored=bool(found.anchors),
        ),
        aim_reason(found.mean_de00, found.source, limits, camera_u=camera_u, camera=which),
    ]
    doubted = any(r.outcome == "undecided" and r.measure in (*HEAT_HELPS, "unseen") for r in reasons)
    settle = found.settle_by or (HAND_MOVED if doubted and len(photos) == 1 else TURNED if doubted else "")
    return decide(reasons, paper=request.taped, repress=repress, settle_by=settle)


def _over_coat(beside: Floats, res: Residue, known: Mask) -> Floats:
    """Brightness of what surrounds a piece over that of its bare coat, as its colours tell that; none where few do."""
    level = coat_level(res.device[known], res.rel[known]) * float(np.nanmedian(res.light[0].mean(axis=2)[known]))
    return np.asarray(beside / level, dtype=float) if np.isfinite(level) else np.zeros(0)


def _known_colours(request: InspectRequest) -> tuple[Callable[[Any], Any] | None, str]:
    """Take up what the colours should be, and where from: a reading or a profile; else the photo itself must tell."""
    if request.reading:
        return colours_of_reading(load_readings([request.reading], lit=request.lit)[0]), "reading"
    if request.profile:
        return colours_of_profile(request.profile, lit=request.lit), "profile"
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
    refuse_same(request.photos)
    bench = load_bench(request.bench) if request.bench else None
    art = load_artwork(request.artwork, size_mm=request.size_mm, shape=request.shape, view=request.view)
    return judge(request, art, (_shot(path, art, say, bench) for path in request.photos), progress=say)


def _shot(path: str, art: Artwork, say: Callable[[str], None], bench: Bench | None) -> Shot:
    """Decode a photo as finely as the piece needs it, and find the piece."""
    say(f"finding the piece in {Path(path).name}")
    image = decode(path, max_pixels=QUICK_PIXELS)
    refuse_drawn(image)
    image = as_checked(image, bench)
    reg = register(image, art)
    if image.scale < 1 and reg.pose.px_per_mm < ENOUGH_PX_PER_MM:
        image = as_checked(decode(path), bench)
        reg = at_full_size(reg, image)
    return Shot(image, reg)


def judge(
    request: InspectRequest, art: Artwork, shots: Iterable[Shot], *, progress: Callable[[str], None] | None = None
) -> Inspection:
    """Judge a piece that has been found, in one photo or several; parameters and errors else as for `inspect`.

    Parameters
    ----------
    request : InspectRequest
        Its photos and artwork are not opened.
    art : Artwork
    shots : iterable of Shot
        Taken one after another: only what is laid flat stays in memory.
    """
    say = progress or (lambda _: None)
    pressed = request.pressing
    repress = (replace(pressed, press_no=max(2, pressed.press_no)) if request.before else pressed).advice()
    answer, source = _known_colours(request)
    limits = load_limits(request.limits).lit_from(request.lit)
    bench = load_bench(request.bench) if request.bench else None
    curve = None if bench is None else bench.exponent_std
    tone_std = TONE_STD if curve is None else max(_LEAST_CURVE_STD, 2 * curve)
    earlier = load_earlier(request.before) if request.before else None
    size_mm, shape, view = request.size_mm, request.shape, request.view
    views: list[PieceView] = []
    kept: list[PiecePhoto] = []
    first_flat: FlatImage | None = None
    device: Any = None
    beside: Any = None
    g = 0.0
    for shot in shots:
        image, reg = shot.image, shot.reg
        if not g:
            g = grid_density(reg.pose, size_mm)
            device, covered = artwork_on_piece(art, reg, g)
            if covered.mean() < 0.5:
                raise PhotoError(
                    f"the picture covers too little of the piece in {image.source}", f"check {reader.option('size')}"
                )
            device = cv2.GaussianBlur(device.astype(np.float32), (0, 0), max(0.25 * g, 0.5))
        flat = lay_piece(reg.image, reg.pose, size_mm, g)
        ring = card_ring(flat, size_mm, shape)
        carded = on_card(flat, ring, size_mm)
        blank = None
        if request.blank_frame:
            tone = None if bench is None else bench.tone
            blank = blank_frame(request.blank_frame, image, reg, flat, ring, size_mm, tone=tone)
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
        card_level = np.median(flat.rgb[ring].mean(axis=1)) if carded else 0.0
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
                mirrored=reg.mirrored,
                on_card=carded,
                clipped_share=float(((inner & 1) > 0).mean()),
                white_level=float(max(np.percentile(level, 97), card_level)),
                sharp_mm=edge_width_mm(flat),
            )
        )
        if first_flat is None:
            first_flat, beside = flat, flat.rgb[ring][::50].mean(axis=1)
    assert first_flat is not None
    say("looking for defects")
    res = piece_residue(views, device, size_mm, shape, answer=answer, source=source, tone_std=tone_std, lit=request.lit)
    colours, mean_de00, p95_de00, uptake = colour_error(res, answer)
    found = replace(find_faults(res, limits), colours=colours, mean_de00=mean_de00, p95_de00=p95_de00, uptake=uptake)
    known = res.inside & np.isfinite(res.rel).all(axis=2)
    sides = light_around(_over_coat(beside, res, known), request.lit)
    if not sides and not answer:
        sides = lit_otherwise(res.device[known], res.rel[known], request.lit, white_known=res.coat == "artwork")
    verdict = _verdict(
        kept,
        found,
        request,
        limits,
        camera_doubt(answer, {p.device for p in kept}),
        repress,
        [*displaced_reasons(found), *light_bands(res, kept[0].pose, limits), *display_pixels(res, limits), *sides],
    )
    return Inspection(
        artwork=art.source,
        size_mm=size_mm,
        shape=shape,
        view=view,
        paper=request.taped,
        photos=tuple(kept),
        defects=found,
        verdict=verdict,
        flat=first_flat,
        limits=limits,
        before=compare_before(earlier, found.findings, found.noise_de00) if earlier else None,
        lit=request.lit,
        bench="" if bench is None else bench.name,
    )
