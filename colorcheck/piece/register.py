"""Where a pressed picture lies in a photo: artwork → photo to a fraction of a millimetre.

The piece's outline or matching features give places to start from, in every rotation and mirrored;
each is drawn towards the picture by comparing the photo with the artwork *as this photo shows it*
(a smooth map from artwork colour to photo colour under smooth light, learned on the spot), coarse
to fine. What fits best is kept, and refused when the photo shows structure the artwork has not.

Direct alignment follows Lucas & Kanade (IJCAI 1981, 674–679) in blocks; homography and radial
distortion are then fitted to the blocks' offsets and to the outline together. Features are those of
Lowe (IJCV 60(2), 91–110, 2004, doi 10.1023/B:VISI.0000029664.99615.94).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import cv2
import numpy as np

from ..ground import reader
from ..ground.errors import DataError, PhotoError, TargetError
from ..ground.geometry import local_px_per_mm, mm_to_px, scaled
from ..ground.posefit import fit_pose
from ..ground.records import Bytes, Floats, LinearImage, Mask, Pose
from .artwork import Artwork
from .candidates import alternatives, placements_by_features, placements_to_try
from .outline import find_outlines, poses_from_corners
from .overlay import (
    Compared,
    Template,
    as_seen,
    block_offsets,
    compare_at,
    contrast_of,
    is_plain,
    make_template,
    photo_levels,
    shares_of_structure,
)
from .placement import (
    STIFFNESS,
    Level,
    Offsets,
    Outline,
    Trial,
    apply_affine,
    distinct,
    held_in_place,
    invert_affine,
    is_sane,
    nominal_frame,
    rim_hull,
    with_scale,
)
from .rim import PlacedRim, find_rim, place_blank

_FINEST = 640  # pixels on the longer side of the finest comparison
_MOST_FOREIGN = 0.033  # share of structure in which photo and artwork may contradict each other
_LEAST_LIKE = 0.5  # likeness of the layout of colours below which the same drawing is another picture
_IN_ORDER, _ODD_HUE = 0.9, 0.1  # … unless its tones are in this order and so little of the hue is strange; estimates
_PALE_TINT = 0.04  # spread of codes, share of their range, under which a picture has no colours to tell it by
_FITS = 0.9  # score at the middling scale of a placement that needs no other start
_BEYOND_DOUBT = 6.0  # difference in log-likelihood by which one placement beats another for good
_UNDECIDED = 3.0  # … and within which two are equally likely
_UNTOLD_BLEED = 3.0  # log-likelihood lost by a print that is larger than its blank and nobody said so: one in twenty
_GROWTH = 0.15  # mm by which dark shapes grow or shrink, standard deviation; estimate
_ALIKE = 20.0  # what all blocks tell is worth that of so many places: edges err alike …
_EDGE_ERROR = 0.1  # … each with this error in mm, or with what is left between photo and artwork where that is more


@dataclass(frozen=True, slots=True, eq=False)
class Registered:
    """The piece found in a photo.

    ``pose`` takes piece mm to pixels of ``image``, which is flipped left to right when the photo was
    mirrored. ``picture_to_piece`` (2, 3) takes the artwork's own millimetres (see `Artwork`) to piece mm:
    the print may sit a little off, turned or larger. ``outline_mm`` (n, 2) are measured places of the rim
    in piece mm; empty when the rim could not be seen and is taken from the artwork. ``residual_mm`` is
    what is left between artwork and photo (or rim and model), ``uncertainty_mm`` one standard deviation of
    a typical place. ``score`` is the correlation of fine structure, 0 to 1, ``foreign`` the share of
    structure in which photo and artwork contradict each other. ``mirrored_evidence`` is the log-likelihood by which a
    placement that shows the picture mirrored beats the best one that does not; 0 when it is not mirrored.
    """

    pose: Pose
    image: LinearImage
    placed_by: Literal["content", "outline"]
    picture_to_piece: Floats
    picture_offset_mm: tuple[float, float]
    picture_scale: tuple[float, float]
    picture_turn_deg: float
    outline_mm: Floats
    outline_residual_mm: float
    residual_mm: float
    uncertainty_mm: float
    inliers: int
    score: float
    foreign: float
    ambiguous: bool
    notes: tuple[str, ...]
    mirrored_evidence: float = 0.0

    @property
    def mirrored(self) -> bool:
        """Whether the piece certainly shows the picture mirrored: printed unmirrored, or seen from the wrong side."""
        return self.mirrored_evidence > _BEYOND_DOUBT


def artwork_on_piece(artwork: Artwork, registered: Registered, px_per_mm: float) -> tuple[Bytes, Mask]:
    """Draw the artwork where it was printed, on the piece's millimetre grid.

    Returns
    -------
    rgb (H, W, 3) uint8, covered (H, W) bool
        Device codes; white and not covered where the picture does not reach.
    """
    w, h = (round(v * px_per_mm) for v in artwork.size_mm)
    a = np.vstack([registered.picture_to_piece, [0, 0, 1.0]])
    g = artwork.px_per_mm
    to_art = np.array([[g, 0, g * artwork.bleed_mm - 0.5], [0, g, g * artwork.bleed_mm - 0.5], [0, 0, 1]])
    from_grid = np.array([[1 / px_per_mm, 0, 0.5 / px_per_mm], [0, 1 / px_per_mm, 0.5 / px_per_mm], [0, 0, 1]])
    m = to_art @ np.linalg.inv(a) @ from_grid
    source: Any = artwork.rgb
    f = px_per_mm / g
    if f < 0.75:  # reduce first: sampling alone would skip pixels
        size = max(2, round(source.shape[1] * f)), max(2, round(source.shape[0] * f))
        s = np.array([[size[0] / source.shape[1], 0, 0], [0, size[1] / source.shape[0], 0], [0, 0, 1.0]])
        s[0, 2], s[1, 2] = (s[0, 0] - 1) / 2, (s[1, 1] - 1) / 2
        source, m = cv2.resize(source, size, interpolation=cv2.INTER_AREA), s @ m
    x = (m[0, 0] * np.arange(w)[None, :] + m[0, 1] * np.arange(h)[:, None] + m[0, 2]).astype(np.float32)
    y = (m[1, 0] * np.arange(w)[None, :] + m[1, 1] * np.arange(h)[:, None] + m[1, 2]).astype(np.float32)
    rgb = cv2.remap(source, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(255,) * 3)
    covered = (x > -0.5) & (y > -0.5) & (x < source.shape[1] - 0.5) & (y < source.shape[0] - 0.5)
    return rgb, covered


def _align(
    levels: list[Level],
    trial: Trial,
    art: Artwork,
    t: Template,
    *,
    steps: int,
    block: int,
    bend: bool,
    rim_px: Any = None,
) -> tuple[Trial, Compared, Offsets]:
    """Draw a placement towards the picture at one scale; a step that makes it less likely is not taken."""
    reach = 2.0 / t.g
    window = max(2.0, 0.75 * block)
    c = compare_at(levels, trial, art, t, window)
    rim = place_blank(trial.pose, rim_px, art) if rim_px is not None else None
    trial = replace(trial, score=c.score, astray=_astray(rim))
    best, best_c, best_rows = trial, c, block_offsets(c, t.g, block, reach)
    rows = best_rows
    for k in range(steps):
        if len(rows.offset) < 10:
            break
        parts = [rows, held_in_place(art, 2.0 * reach)]
        if rim is not None:
            parts.append(rim.rows)
        mm, nrm, off, weight, growth = (
            np.concatenate([getattr(p, f) for p in parts]) for f in ("mm", "normal", "offset", "weight", "growth")
        )
        common = _common_weight(rows)
        slack, hold, taken = growth[:, None], np.array([common / _GROWTH**2]), np.zeros(1)
        if rim is not None:
            placing = np.concatenate([np.zeros((len(mm) - len(rim.slack), rim.slack.shape[1])), rim.slack])
            slack, hold = np.hstack([slack, placing]), np.concatenate([hold, common * rim.hold])
            taken = np.append(taken, rim.placing)
        obs = mm_to_px(trial.pose, mm - off[:, None] * nrm)
        try:
            pose = fit_pose(
                trial.pose,
                mm,
                obs,
                nrm,
                art.frame_mm,
                bend=bend,
                weight=weight,
                slack=slack,
                hold=hold,
                taken=taken,
                least_sigma=reach * _patience(max(c.ok.shape)),
                stiffness=STIFFNESS,
                rounds=2,
            )
        except np.linalg.LinAlgError:
            break
        if not is_sane(pose, art):
            break
        probe = np.array([[0.1, 0.1], [0.9, 0.1], [0.9, 0.9], [0.1, 0.9]]) * art.frame_mm
        moved = float(np.abs(mm_to_px(pose, probe) - mm_to_px(trial.pose, probe)).max()) / trial.pose.px_per_mm
        trial = replace(trial, pose=with_scale(pose, art))
        # colours learned from a poor fit are learned again
        c = compare_at(levels, trial, art, t, window, c.colours if k > 0 and c.score > 0.9 else None)
        rim = place_blank(trial.pose, rim_px, art) if rim_px is not None else None
        trial = replace(trial, score=c.score, astray=_astray(rim))
        rows = block_offsets(c, t.g, block, reach)
        places = len(rows.offset) * (_EDGE_ERROR / _edge_error(rows)) ** 2
        gain = places * float(np.log((1.0001 - best.score**2) / (1.0001 - trial.score**2)))
        if 0.5 * gain > trial.astray - best.astray:
            best, best_c, best_rows = trial, c, rows
        elif c.score < best.score - 0.1:
            break
        if moved < 0.08 / t.g:
            break
    return best, best_c, best_rows


def _edge_error(rows: Offsets) -> float:
    """Error of an edge's place, mm: what is left between photo and artwork, and no less than usual."""
    left = 1.4826 * float(np.median(np.abs(rows.offset))) if len(rows.offset) else 0.0
    return max(_EDGE_ERROR, left)


def _common_weight(rows: Offsets) -> float:
    """Weight that all blocks together have in the fit for each unit of what they tell."""
    return max(float(rows.weight.sum()) * _edge_error(rows) ** 2 / _ALIKE, 1.0)


def _astray(rim: PlacedRim | None) -> float:
    """Log-likelihood lost by a print that lies so on its blank."""
    if rim is None:
        return 0.0
    untold = _UNTOLD_BLEED if not rim.hold[-1] else 0.0
    return untold + 0.5 * float(np.sum(rim.hold * np.square(rim.placing)))


def _patience(side: int) -> float:
    """How many pixels off a block may be before it counts as wild, relative: much at coarse scales."""
    return 1.0 if side < 200 else 0.25 if side < 400 else 0.1


def _rim_of(trial: Trial) -> Any:
    return None if trial.outline is None else trial.outline.rim_px


def _worth_trying(trials: list[Trial], most: int) -> list[Trial]:
    """Leave out placements that others beat beyond doubt; trials come best first."""
    return [t for t in trials[:most] if t.evidence > trials[0].evidence - _BEYOND_DOUBT]


def _best_start(levels: list[Level], trials: list[Trial], art: Artwork, keep: tuple[int, int]) -> list[Trial]:
    """Draw the most promising placements in, coarse to middling, and rank them."""
    first, second = make_template(art, 64, 0.8), make_template(art, 128, 0.7)

    def drawn(trial: Trial, t: Template, block: int) -> Trial:
        return _align(levels, trial, art, t, steps=3, block=block, bend=False, rim_px=_rim_of(trial))[0]

    def ranked(found: list[Trial]) -> list[Trial]:
        return distinct(sorted(found, key=lambda v: -v.evidence), art)

    def placed(trial: Trial) -> bool:  # features, earlier photos and a measured rim place finely enough
        return trial.outline is None or trial.outline.pose is not None

    trials = _worth_trying(trials, keep[0])
    out = ranked([drawn(t, second, 10) for t in trials if placed(t)])
    if not out or out[0].score < _FITS:
        coarse = ranked([drawn(t, first, 8) for t in trials if t.outline is not None])
        out = ranked(out + [drawn(t, second, 10) for t in _worth_trying(coarse, keep[1])])
    if out and (out[0].outline is None or out[0].outline.corners is None):
        others = distinct([out[0], *alternatives(levels, out[0], art, second)], art)[1:3]
        near = [t for t in others if t.evidence > out[0].evidence - _BEYOND_DOUBT]
        out = ranked(out + [drawn(t, second, 10) for t in near])
    return out


def register(image: LinearImage, artwork: Artwork, *, hints: tuple[Pose, ...] = ()) -> Registered:
    """Find the pressed piece in a photo and fix where every millimetre of it lies.

    Parameters
    ----------
    image : LinearImage
    artwork : Artwork
    hints : tuple of Pose
        Piece mm → pixels of this image as taken, for instance from a photo with the same set-up; tried first.

    Returns
    -------
    Registered

    Raises
    ------
    TargetError
        The photo does not show this artwork, or no piece can be made out.
    PhotoError
        The piece is cut off by the frame, or several lie in view.
    DataError
        The piece in the photo has other proportions than its stated size.
    """
    art = _reduced(artwork)
    levels, factor = photo_levels(image)
    outlines, several = find_outlines(levels, art)
    to_piece = np.vstack([invert_affine(nominal_frame(art)), [0, 0, 1.0]])
    given = [
        with_scale(replace(scaled(p, factor), homography=scaled(p, factor).homography @ to_piece), art) for p in hints
    ]
    middle = make_template(art, 280, 0.6)
    keep = (8, 4) if art.shape == "round" else (6, 3)
    final: list[_Fit] = []

    def finish(trials: list[Trial]) -> None:
        ready = _best_start(levels, trials, art, keep)
        for trial in _worth_trying(ready, 3):
            t, c, _ = _align(levels, trial, art, middle, steps=4, block=18, bend=True, rim_px=_rim_of(trial))
            agree, strange, busy = shares_of_structure(c, middle)
            order = _same_order(c, middle)
            final.append(_Fit(t, agree=agree, foreign=strange, busy=busy, contrast=contrast_of(c), order=order))
        final.sort(key=lambda v: -v.trial.evidence)

    finish(placements_to_try(levels, art, outlines, given))
    if not final or final[0].agree < 0.8 or final[0].trial.score < 0.7:
        finish(placements_by_features(levels, art))
    plain = is_plain(art)
    found = bool(final) and _belongs(final[0])
    if found and not (plain and final[0].trial.score < 0.8):
        result = _by_content(image, art, levels, factor, final)
    elif plain and any(o.pose is not None for o in outlines):
        result = _by_outline(image, art, levels, factor, outlines, final)
    elif any(o.cut for o in outlines) and not any(not o.cut for o in outlines):
        raise _cut_off(image)
    elif not final and not outlines:
        raise TargetError(
            f"no piece can be made out in {image.source}",
            "lay it on plain white card, whole in the frame, evenly lit",
        )
    elif plain and not found:
        raise TargetError(
            f"{art.source} is nearly plain, and the rim of the piece cannot be made out in {image.source}",
            "lay the piece on darker plain card or cloth, whole in the frame",
        )
    else:
        _check_proportions(image, art, levels, outlines)
        raise TargetError(
            f"{image.source} does not show this artwork ({art.source})",
            "give the picture that was printed, as its owner sees it, and its size",
        )
    rim = mm_to_px(result.pose, rim_hull(art))
    tall, wide = result.image.rgb.shape[:2]
    reach = 1.0 * result.pose.px_per_mm
    outside = (
        (rim[:, 0] < -reach) | (rim[:, 1] < -reach) | (rim[:, 0] > wide - 1 + reach) | (rim[:, 1] > tall - 1 + reach)
    )
    if outside.mean() > 0.02:
        raise _cut_off(image)
    if several:
        raise PhotoError(f"{image.source} shows several pieces", "photograph one piece at a time")
    return result


def _reduced(artwork: Artwork) -> Artwork:
    """Give the artwork no finer than the finest comparison needs it."""
    tall, wide = artwork.rgb.shape[:2]
    f = _FINEST / max(tall, wide)
    if f >= 1:
        return artwork
    rgb: Any = cv2.resize(artwork.rgb, (max(4, round(wide * f)), max(4, round(tall * f))), interpolation=cv2.INTER_AREA)
    return replace(artwork, rgb=rgb, px_per_mm=artwork.px_per_mm * rgb.shape[1] / wide)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """An aligned placement and how well photo and artwork agree there."""

    trial: Trial
    agree: float
    foreign: float
    busy: int
    contrast: float  # of the photo's fine structure, log units
    order: float = 1.0  # correlation of the artwork's lightness with what the photo makes of it


def _belongs(fit: _Fit) -> bool:
    """Whether photo and artwork belong together; limits from photos of right and of wrong pictures."""
    return (
        fit.trial.score > 0.6
        and fit.agree > 0.75
        and fit.foreign < _MOST_FOREIGN
        and fit.order > 0
        # a reflection spoils the layout of light and dark, but neither the drawing nor the order of its tones nor hue
        and (fit.trial.like > _LEAST_LIKE or (fit.order > _IN_ORDER and fit.trial.odd_hue < _ODD_HUE))
    )


def _same_order(c: Compared, t: Template) -> float:
    """Tell whether light places of the artwork are light in the photo, as a correlation; 1 where all is one tone.

    The same drawing in other colours may be a sister piece; with light and dark exchanged it is another picture.
    """
    drawn = t.terms[..., 1:4].mean(axis=2)[t.inside]
    if c.colours is None or float(drawn.std()) < 0.04:
        return 1.0
    seen = as_seen(t, c.colours).mean(axis=2)[t.inside]
    return float(np.corrcoef(drawn, seen)[0, 1]) if float(seen.std()) > 1e-3 else 1.0


def _cut_off(image: LinearImage) -> PhotoError:
    return PhotoError(
        f"the piece is cut off by the frame in {image.source}",
        "photograph it whole, with some card around it",
    )


def _proportions(pose: Pose, level: Level) -> Floats:
    """How much longer than nominal a placement makes the piece's width against its height, log, (5,).

    From the homography, for five usual focal lengths; 0 where the stated size fits.
    """
    rows, cols = level.pixels.shape[:2]
    out = []
    for share in (0.55, 0.65, 0.8, 1.0, 1.3):
        f = share * float(np.hypot(rows, cols))
        k = np.array([[f, 0, (cols - 1) / 2], [0, f, (rows - 1) / 2], [0, 0, 1]])
        m = np.linalg.inv(k) @ pose.homography
        out.append(np.log(np.linalg.norm(m[:, 0]) / np.linalg.norm(m[:, 1])))
    return np.array(out)


def _check_proportions(image: LinearImage, art: Artwork, levels: list[Level], outlines: list[Outline]) -> None:
    """Refuse a rectangle whose sides are in another proportion than the stated size, by more than 10 %."""
    seen = [o for o in outlines if o.corners is not None and not o.cut]
    if not seen:
        return
    w, h = art.size_mm
    best = max(seen, key=lambda o: o.share)
    off = _proportions(poses_from_corners(best, levels[0], art)[0], levels[0])
    turned = off + 2 * np.log(w / h)
    if min(np.abs(off).min(), np.abs(turned).min()) > np.log(1.10):
        r = float(w / h * np.exp(np.median(off)))
        raise DataError(
            f"the piece in {image.source} measures about {max(r, 1 / r):.2f} : 1, not the stated {reader.size((w, h))}",
            f"check {reader.option('size')}, and that the photo shows this piece",
        )


def _turned_back(image: LinearImage, pose: Pose) -> tuple[LinearImage, Pose]:
    """Flip a photo in which the piece appears mirrored, and its pose with it."""
    if not _is_mirrored(pose):
        return image, pose
    width = image.rgb.shape[1]
    flip = np.array([[-1.0, 0, width - 1], [0, 1, 0], [0, 0, 1]])
    pose = replace(
        pose,
        homography=flip @ pose.homography,
        mirrored=True,
        centre_px=(width - 1 - pose.centre_px[0], pose.centre_px[1]),
    )
    return replace(
        image,
        rgb=np.ascontiguousarray(image.rgb[:, ::-1]),
        clipped=np.ascontiguousarray(image.clipped[:, ::-1]),
    ), pose


def _by_content(image: LinearImage, art: Artwork, levels: list[Level], factor: float, final: list[_Fit]) -> Registered:
    """Finish the best placement at the finest scale, and lay the blank under the picture."""
    trial = final[0].trial
    side = int(min(_FINEST, max(art.frame_mm) * min(4.5, 1.1 * trial.pose.px_per_mm)))
    fine = make_template(art, max(side, 160), 0.6)
    block = max(12, round(side / 26))
    rim_px = _rim_of(trial)
    t, c, rows = _align(levels, trial, art, fine, steps=4, block=block, bend=True, rim_px=rim_px)
    if c.colours is not None:
        before, rim_px = rim_px, find_rim(levels, t, art, (as_seen(fine, c.colours), fine.g), rim_px)
        hull = None
        if rim_px is not None:
            placed = place_blank(t.pose, rim_px, art)
            hull = None if placed is None else mm_to_px(t.pose, apply_affine(placed.to_frame, rim_hull(art)))
        t = replace(t, outline=None if hull is None else Outline(hull, None, None, 0.0, False, rim_px=rim_px))
        if rim_px is not before:
            t, c, rows = _align(levels, t, art, fine, steps=2, block=block, bend=True, rim_px=rim_px)
    rim = place_blank(t.pose, rim_px, art) if rim_px is not None else None
    to_frame = rim.to_frame if rim is not None else nominal_frame(art)
    notes = []
    if rim is None:
        notes.append("the rim of the piece could not be made out: it is taken to lie where the artwork ends")
    residual, uncertainty = _uncertainty(rows, rim, art)
    ambiguous = any(
        f.trial.evidence > trial.evidence - _UNDECIDED and not _near(f.trial, trial, art) for f in final[1:]
    )
    if ambiguous:
        notes.append("the artwork looks nearly the same when turned or mirrored: its rotation is uncertain")
    mirror = 0.0
    if _is_mirrored(trial.pose):
        others = alternatives(levels, trial, art, make_template(art, 128, 0.7))
        mirror = _for_mirrored(trial, [*others, *(f.trial for f in final[1:])])
    return _registered(
        image,
        art,
        t.pose,
        to_frame,
        factor,
        rim,
        placed_by="content",
        residual=residual,
        uncertainty=uncertainty,
        inliers=len(rows.offset),
        fit=replace(final[0], trial=t),
        ambiguous=ambiguous,
        mirror=mirror,
        notes=notes,
    )


def _is_mirrored(pose: Pose) -> bool:
    return float(np.linalg.det(pose.homography / pose.homography[2, 2])) < 0


def _for_mirrored(placed: Trial, others: list[Trial]) -> float:
    """Log-likelihood by which a mirrored placement beats the best straight one; 0 where it is straight."""
    if not _is_mirrored(placed.pose):
        return 0.0
    straight = [t.evidence for t in others if not _is_mirrored(t.pose)]
    return max(placed.evidence - max(straight), 0.0) if straight else 0.0


def _near(a: Trial, b: Trial, art: Artwork) -> bool:
    return len(distinct([replace(a, outline=None), replace(b, outline=None)], art)) == 1


def _by_outline(
    image: LinearImage,
    art: Artwork,
    levels: list[Level],
    factor: float,
    outlines: list[Outline],
    final: list[_Fit],
) -> Registered:
    """Place by the rim alone; the rotation is the likeliest one."""
    whole = [o for o in outlines if o.pose is not None and not o.cut]
    if not whole:
        raise _cut_off(image)
    best = max(whole, key=lambda o: o.share - o.residual)
    assert best.pose is not None
    scale = best.pose.px_per_mm
    trials = [t for t in placements_to_try(levels, art, [best], []) if abs(t.pose.px_per_mm / scale - 1) < 0.02]
    trial, alike = _likeliest(trials or [Trial(pose=best.pose, outline=best, score=0.0)], levels[0])
    middle = make_template(art, 200, 0.6)
    c = compare_at(levels, trial, art, middle, 12.0)
    # a picture that is hardly darker anywhere than elsewhere has no colours to be known by
    coloured = float(make_template(art, 64, 1.0).terms[..., 1:4].std(axis=(0, 1)).max()) > 2 * _PALE_TINT
    if contrast_of(c) > 0.12 or (coloured and trial.like < _LEAST_LIKE):
        raise TargetError(
            f"{image.source} does not show this artwork ({art.source}), which is nearly plain",
            "give the picture that was printed, and its size",
        )
    rim = place_blank(trial.pose, best.rim_px, art)
    notes = [
        "the artwork has too little structure: the piece is placed by its outline"
        + (", its rotation is a guess" if alike else ", turned as its colours lie")
    ]
    fit = _Fit(trial=replace(trial, score=max(c.score, 0.0)), agree=0.0, foreign=0.0, busy=0, contrast=contrast_of(c))
    # the picture may lie off the middle; an ellipse leaves perspective open as well
    spread = 1.0 if art.shape == "rect" else 1.4
    return _registered(
        image,
        art,
        trial.pose,
        nominal_frame(art),
        factor,
        rim,
        placed_by="outline",
        residual=best.residual,
        uncertainty=float(np.hypot(spread, best.residual)),
        inliers=len(best.rim_px),
        fit=fit,
        ambiguous=alike,
        mirror=_for_mirrored(trial, trials),
        notes=notes,
    )


def _likeliest(trials: list[Trial], level: Level) -> tuple[Trial, bool]:
    """Choose among rotations by their colours; whether others would do as well.

    Among these the one in which people lay a piece: upright, not mirrored.
    """
    fits = [float(np.abs(_proportions(t.pose, level)).min()) for t in trials]
    trials = [t for t, off in zip(trials, fits, strict=True) if off < min(fits) + 0.05]
    top = max(t.evidence for t in trials)
    alike = [t for t in trials if t.evidence > top - _UNDECIDED]

    def upright(t: Trial) -> float:
        h = t.pose.homography / t.pose.homography[2, 2]
        return float(np.linalg.det(h) > 0) * 10 + float(h[0, 0] / np.hypot(h[0, 0], h[1, 0]))

    return max(alike, key=upright), len(alike) > 1


def _uncertainty(rows: Offsets, rim: PlacedRim | None, art: Artwork) -> tuple[float, float]:
    """Residual of the blocks (mm) and standard error of a typical place of the picture (mm).

    First-order covariance of homography, distortion, growth of dark shapes and the blank's place, from blocks and
    rim, scaled to the residuals; blocks next to each other err together, and count for less by that.
    """
    e = rows.offset
    if len(e) < 12:
        return float("nan"), 2.0
    keep = np.abs(e) < 4 * max(1.4826 * float(np.median(np.abs(e))), 0.02)
    wgt = rows.weight[keep]
    residual = float(np.sqrt(np.average(e[keep] ** 2, weights=wgt)))
    fw, fh = art.frame_mm

    def columns(xy: Floats, n: Floats) -> Floats:
        x, y = (xy[:, 0] / fw * 2 - 1), (xy[:, 1] / fh * 2 - 1)
        one, r2 = np.ones(len(x)), x * x + y * y
        gx = np.stack([one, x, y, 0 * x, 0 * x, 0 * x, x * x, x * y, r2 * x], axis=1)
        gy = np.stack([0 * x, 0 * x, 0 * x, one, x, y, x * y, y * y, r2 * y], axis=1)
        return np.asarray(gx * n[:, :1] + gy * n[:, 1:])

    slack = rim.slack.shape[1] if rim is not None else 0
    a = np.hstack([columns(rows.mm[keep], rows.normal[keep]), rows.growth[keep, None], np.zeros((len(wgt), slack))])
    w = wgt / _common_weight(rows)
    normal = a.T @ (a * w[:, None]) + np.diag([1e-2] * 8 + [4.0, _GROWTH**-2] + [1e-6] * slack)
    if rim is not None:
        b = np.hstack([columns(rim.rows.mm, rim.rows.normal), np.zeros((len(rim.slack), 1)), rim.slack])
        normal += b.T @ b / (max(rim.residual, 0.1) ** 2) / 12
        normal[10:, 10:] += np.diag(rim.hold)
    cov = np.linalg.inv(normal)[:9, :9]
    g = np.stack(np.meshgrid(np.linspace(0.03, 0.97, 8) * fw, np.linspace(0.03, 0.97, 8) * fh), -1).reshape(-1, 2)
    total = sum(
        np.einsum("ij,jk,ik->i", c, cov, c) for c in (columns(g, np.tile(d, (64, 1))) for d in ([1.0, 0], [0, 1.0]))
    )
    return residual, float(np.sqrt(np.mean(total) + 0.04**2))


def _registered(
    image: LinearImage,
    art: Artwork,
    frame_pose: Pose,
    to_frame: Floats,
    factor: float,
    rim: PlacedRim | None,
    *,
    placed_by: Literal["content", "outline"],
    residual: float,
    uncertainty: float,
    inliers: int,
    fit: _Fit,
    ambiguous: bool,
    mirror: float,
    notes: list[str],
) -> Registered:
    picture = invert_affine(to_frame) @ np.vstack([nominal_frame(art), [0, 0, 1.0]])
    pose = replace(frame_pose, homography=frame_pose.homography @ np.vstack([to_frame, [0, 0, 1.0]]))
    image, pose = _turned_back(image, scaled(pose, 1.0 / factor))
    mid = np.array([[art.size_mm[0] / 2, art.size_mm[1] / 2]])
    off = (apply_affine(picture, mid) - mid)[0]
    pose = replace(pose, residual_mm=residual, edges_used=inliers, px_per_mm=float(local_px_per_mm(pose, mid)[0]))
    return Registered(
        pose=pose,
        image=image,
        placed_by=placed_by,
        picture_to_piece=picture,
        picture_offset_mm=(float(off[0]), float(off[1])),
        picture_scale=(
            float(np.hypot(picture[0, 0], picture[1, 0])),
            float(np.hypot(picture[0, 1], picture[1, 1])),
        ),
        picture_turn_deg=float(np.rad2deg(np.arctan2(picture[1, 0], picture[0, 0]))),
        outline_mm=apply_affine(invert_affine(to_frame), rim.seen) if rim is not None else np.zeros((0, 2)),
        outline_residual_mm=rim.residual if rim is not None else float("nan"),
        residual_mm=residual,
        uncertainty_mm=uncertainty,
        inliers=inliers,
        score=fit.trial.score,
        foreign=fit.foreign,
        ambiguous=ambiguous,
        notes=tuple(notes),
        mirrored_evidence=mirror,
    )
