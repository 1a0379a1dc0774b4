"""Find the target in a photo: which one it is, and where every millimetre of it lies.

Markers give a first pose; the edges of all cells then fix homography and radial
distortion by robust least squares. Only when this quick way fails are markers and code looked
for thoroughly. A pose counts when the cells have edges where it puts them and show the colours
of the layout.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from ..ground import reader
from ..ground.errors import BlurredError, TargetError
from ..ground.geometry import local_px_per_mm, mm_to_px, plain_pose, scaled
from ..ground.posefit import fit_pose
from ..ground.records import CellKind, Floats, LinearImage, Pose, Target
from .markers import Seen, find_markers, find_thoroughly, grey_of, marker_side, nothing_seen
from .secondcopy import find_shift, without_copy
from .sheetcode import read_code
from .target import from_code

_EDGE_REACH, _EDGE_CONTRAST = 12, 0.25  # pixels and share of white over which an edge is looked at
_BLURRED_PX = 8.0  # no marker is read off edges wider than its modules; a sharp photo has 2 to 4
_WORK_SIDES = (1300, 2200, 4200)  # markers are looked for at these sizes in turn
_EDGE_SIDE = 2200  # cell edges are measured at this size
# correlation of the best channel's cells with the layout: measured 0.97–0.99, with 45 other layouts of the same size
# −0.10–0.53; the second holds where the code alone left a doubt
_LIKENESS, _LIKENESS_OF_A_GUESS = 0.75, 0.85
_SOUND_MM, _SOUND_PX = 0.06, 0.35  # what is left at the cells of a pose beyond doubt
_WHOLE = 3  # corner marks seen of a sheet that is whole in the photo; one may lie under a reflection
_WHOLE_SHEET = "photograph the whole sheet: two of its corners or more are cut off, covered or too blurred"
_SOUND_SHARE = 0.6  # of all edges
_ENOUGH_KINDS = 4  # of markers: no second copy hides them
_COPY_SCORE = 2.9  # of a second copy's shift, below which none is looked under
_COPY_TRIES = ((0.55, False), (0.4, False), (0.55, True))  # densities and directions of a second copy
_COPY_PIXELS = 8_000_000  # in a larger picture nothing more is found than in a reduced one
_PLACES_CODE = 3  # kinds of markers that say where the code is
_FINE_MARKER_PX = 70.0  # side of a marker beside which a module of the code is 4.5 to 5 pixels wide
_LOOSE_MM = 0.15  # no pose is given that leaves more, unless this is less than a part of a pixel


@dataclass(frozen=True, slots=True, eq=False)
class Located:
    """A target found in a photo: layout, pose, and the photo turned the right way round."""

    target: Target
    pose: Pose
    image: LinearImage
    edge_mm: float


def _resized(rgb: Any, side: int) -> tuple[Any, float]:
    """Shrink to a longest side; returns the picture and its scale."""
    f = side / max(rgb.shape[:2])
    if f >= 1.0:
        return rgb, 1.0
    size = (max(1, round(rgb.shape[1] * f)), max(1, round(rgb.shape[0] * f)))
    return cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), size[0] / rgb.shape[1]


def markers_in(image: LinearImage, *, side: int = 1200) -> tuple[Any, Floats]:
    """Look quickly for the markers of a target, without asking which target it is.

    Returns
    -------
    ids : (m,) int
        Marker numbers.
    corners : (m, 4, 2)
        In pixels of ``image``, x right, y down.
    """
    small, factor = _resized(image.rgb, side)
    seen = find_markers(grey_of(small))
    return seen.ids, (seen.corners + 0.5) / factor - 0.5


def _corners_seen(seen: Seen) -> int:
    """How many of the marks in the four corners of a sheet were seen; they are numbered alike on all sheets."""
    return len({0, 1, 2, 3}.intersection(seen.ids.tolist()))


class UnreadCodeError(TargetError):
    """The markers are seen, and the printed code cannot be read.

    Attributes
    ----------
    seen : Seen
        The markers, in a picture ``width_px`` wide, flipped left to right if ``mirrored``.
    fine : bool
        The code's modules are several pixels wide: a larger picture of the same photo shows no more of them.
    """

    def __init__(self, image: LinearImage, seen: Seen, factor: float, mirrored: bool) -> None:
        super().__init__(
            f"the code on the target in {image.source} cannot be read",
            ("" if reader.on_page() else "name its layout with --target FILE.json, or ")
            + ("photograph it sharper and larger" if _corners_seen(seen) >= _WHOLE else _WHOLE_SHEET),
        )
        self.seen = seen
        self.width_px = factor * image.rgb.shape[1]
        self.mirrored = mirrored
        self.fine = marker_side(seen) / factor >= _FINE_MARKER_PX

    @property
    def placed(self) -> bool:
        """The markers say well where the code is."""
        return self.seen.kinds >= _PLACES_CODE


class _AnotherTargetError(TargetError):
    """The photo shows the markers well, and they are not those of the layout, or of two sheets."""


def _corners_mm(target: Target, ids: Any) -> Any:
    """Corners of the markers in mm, clockwise from top left, (m, 4, 2)."""
    index = {m: k for k, m in enumerate(target.marker_ids)}
    out = []
    for i in ids:
        x, y, w, h = target.marker_box_mm[index[int(i)]]
        out.append([(x, y), (x + w, y), (x + w, y + h), (x, y + h)])
    return np.array(out)


def sharpest_edge_px(image: LinearImage) -> float:
    """Width of the sharpest strong edges of a photo, in its pixels: contrast over steepest slope.

    A target fills the picture with edges, so a wide answer means a moved or unfocused photo,
    whatever it shows. NaN where nothing has contrast.
    """
    grey = grey_of(image.rgb).astype(np.float32) / 255.0
    across, down = (cv2.Sobel(grey, cv2.CV_32F, dx, 1 - dx, scale=0.125) for dx in (1, 0))
    steep = cv2.magnitude(across, down)
    reach = np.ones((2 * _EDGE_REACH + 1, 2 * _EDGE_REACH + 1), np.uint8)
    contrast = cv2.dilate(grey, reach) - cv2.erode(grey, reach)
    strong = (contrast > _EDGE_CONTRAST) & (steep >= cv2.dilate(steep, np.ones((5, 5), np.uint8)) - 1e-9)
    if not strong.any():
        return float("nan")
    return float(np.percentile(contrast[strong] / np.maximum(steep[strong], 1e-6), 5))


def _no_target(image: LinearImage, given: bool) -> TargetError:
    width = sharpest_edge_px(image)
    if width > _BLURRED_PX:
        return BlurredError(image.source, width, _BLURRED_PX)
    return TargetError(
        f"no target found in {image.source}",
        "photograph the whole pressed target, sharp and evenly lit"
        + ("" if given or reader.on_page() else ", or name its layout with --target FILE.json"),
    )


def _edge_rows(target: Target) -> tuple[Floats, Floats, Floats, Any]:
    """Every straight edge: middle (n, 2), outward normal (n, 2), length (n,), cell or −1 (n,)."""
    boxes = np.concatenate([target.box_mm, target.marker_box_mm])
    owner = np.concatenate([np.arange(len(target.box_mm)), np.full(len(target.marker_box_mm), -1)])
    x, y, w, h = boxes.T
    mids = np.stack(
        [
            np.stack([x, y + h / 2], 1),
            np.stack([x + w, y + h / 2], 1),
            np.stack([x + w / 2, y], 1),
            np.stack([x + w / 2, y + h], 1),
        ],
        axis=1,
    )
    normals = np.broadcast_to(np.array([[-1.0, 0], [1, 0], [0, -1], [0, 1]]), mids.shape)
    lengths = np.stack([h, h, w, w], axis=1)
    return mids.reshape(-1, 2), normals.reshape(-1, 2), lengths.ravel(), np.repeat(owner, 4)


def _measure_edges(work: Any, pose: Pose, target: Target, reach: float) -> tuple[Floats, Floats]:
    """Offset of every edge along its outward normal in mm, and its blur in mm.

    Profiles are sampled across each edge straight from the photo. The offset is the area
    under the normalised step, which needs no threshold; NaN where the contrast is too low.
    """
    mids, normals, lengths, _ = _edge_rows(target)
    n = int(np.clip(round(2 * reach * pose.px_per_mm * 1.5), 12, 40))
    s = (np.arange(n) + 0.5) / n * 2 * reach - reach  # from inside to outside
    along = np.linspace(-0.3, 0.3, 9)
    mm = mids[:, None, None, :] + s[None, :, None, None] * normals[:, None, None, :]
    tangent = np.stack([-normals[:, 1], normals[:, 0]], axis=1)
    mm = mm + along[None, None, :, None] * lengths[:, None, None, None] * tangent[:, None, None, :]
    px = mm_to_px(pose, mm).astype(np.float32).reshape(len(mids), n * len(along), 2)
    got = cv2.remap(
        work,
        np.ascontiguousarray(px[..., 0]),
        np.ascontiguousarray(px[..., 1]),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(float("nan"),) * 3,
    )
    profile = np.sqrt(np.maximum(got.reshape(len(mids), n, len(along), 3).mean(axis=2), 0))
    part = max(2, n // 5)
    inner, outer = profile[:, :part].mean(axis=1), profile[:, -part:].mean(axis=1)
    step = outer - inner
    total = (step**2).sum(axis=1)  # channels count by the square of their contrast
    with np.errstate(invalid="ignore", divide="ignore"):
        t = ((profile - inner[:, None]) * step[:, None]).sum(axis=2) / total[:, None]
        contrast = np.sqrt(total / 3)
        offset = ((1 - t).mean(axis=1)) * 2 * reach - reach
        slope = np.diff(t, axis=1).max(axis=1) * n / (2 * reach)
        blur = 1.0 / np.maximum(slope, 1e-6)
    top = (
        float(np.nanpercentile(profile, 98)) if np.isfinite(profile).any() else 1.0
    )  # a dark photo has less of everything
    wrong = ~np.isfinite(contrast) | (contrast < max(0.04 * top, 0.012)) | (np.abs(offset) > 0.8 * reach)
    return np.where(wrong, np.nan, offset), np.where(wrong | (contrast < 0.12 * top), np.nan, blur)


def _refine(work: Any, pose: Pose, target: Target) -> tuple[Pose, float]:
    """Measure the cell edges, fit, and measure again until they stay."""
    mids, normals, _, _ = _edge_rows(target)
    gap = (target.pitch_mm - target.cell_mm) / 2
    offset = np.full(len(mids), np.nan)
    blur = np.full(len(mids), np.nan)
    for reach_share, bend in ((0.95, True), (0.8, True), (0.7, True)):
        reach = max(gap * 2 * reach_share * 0.55, 0.6)
        offset, blur = _measure_edges(work, pose, target, reach)
        ok = np.isfinite(offset)
        if ok.sum() < 24:
            break
        obs = mm_to_px(pose, mids[ok] + offset[ok, None] * normals[ok])
        pose = fit_pose(pose, mids[ok], obs, normals[ok], target.size_mm, bend=bend)
        pose = replace(pose, px_per_mm=float(np.median(local_px_per_mm(pose, mids))))
    # what is left at the cell centres: mean of the two opposite edges, so that ink spread drops out
    left = offset.reshape(-1, 4)[: len(target.box_mm)]
    cx, cy = (left[:, 1] - left[:, 0]) / 2, (left[:, 3] - left[:, 2]) / 2
    rms = float(np.sqrt(np.nanmean(np.concatenate([cx, cy]) ** 2))) if np.isfinite(left).any() else float("nan")
    pose = replace(pose, residual_mm=rms, edges_used=int(np.isfinite(offset).sum()))
    return pose, float(np.nanmedian(blur)) if np.isfinite(blur).any() else float("nan")


def _first_pose(target: Target, seen: Seen, shape: tuple[int, int], image: LinearImage) -> tuple[Pose, Any]:
    """Homography from the markers that agree with one another; tells which ones did."""
    known = np.isin(seen.ids, target.marker_ids)
    ids, corners = seen.ids[known], seen.corners[known]
    mm = _corners_mm(target, ids).reshape(-1, 2)
    tolerance = 0.02 * max(shape)
    h, inlier = cv2.findHomography(mm, corners.reshape(-1, 2), cv2.RANSAC, tolerance)
    if h is None:
        raise _no_target(image, True)
    good = inlier.reshape(-1, 4).all(axis=1)
    if good.sum() < 2:
        raise _no_target(image, True)
    pose = plain_pose(h, shape, markers_found=len(set(ids[good].tolist())))
    use = np.repeat(good, 4)
    pose = fit_pose(
        pose,
        mm[use],
        corners.reshape(-1, 2)[use],
        np.zeros((int(use.sum()), 2)),
        target.size_mm,
        bend=int(good.sum()) >= 5,
    )
    middle = np.array([[target.size_mm[0] / 2, target.size_mm[1] / 2]])
    pose = replace(pose, px_per_mm=float(local_px_per_mm(pose, middle)[0]))
    again = np.abs(mm_to_px(pose, mm) - corners.reshape(-1, 2)).reshape(-1, 8).max(axis=1)
    return pose, (ids, good, again / pose.px_per_mm)


def _check_one_sheet(target: Target, seen: Seen, fit: Any, image: LinearImage) -> None:
    """Refuse a photo of two sheets, or of another layout than the given one."""
    ids, good, off_mm = fit
    if (~good).sum() >= 2 and len(set(ids[~good].tolist())) >= 2:
        doubled = set(ids[~good].tolist()) & set(ids[good].tolist())
        if doubled:
            raise _AnotherTargetError(f"{image.source} shows two targets", "photograph one target at a time")
        raise _AnotherTargetError(
            f"the target in {image.source} has another layout than {target.name}",
            "give the .json that was written beside this print file",
        )
    if float(np.median(off_mm[good])) > 3.0:
        raise _AnotherTargetError(
            f"the target in {image.source} has another layout than {target.name}",
            "give the .json that was written beside this print file",
        )


def _flip(image: LinearImage) -> LinearImage:
    return replace(
        image,
        rgb=np.ascontiguousarray(image.rgb[:, ::-1]),
        clipped=np.ascontiguousarray(image.clipped[:, ::-1]),
    )


def locate(image: LinearImage, target: Target | None = None, *, unread: UnreadCodeError | None = None) -> Located:
    """Find the target, tell which it is when no layout is given, and fix its pose.

    Parameters
    ----------
    image : LinearImage
    target : Target, optional
        Its layout; without one the printed code is read.
    unread : UnreadCodeError, optional
        What a smaller picture of the same photo ended with: its markers hold, only the code is looked at again.

    Returns
    -------
    Located
        ``pose`` refers to ``image``, which is flipped left to right when the sheet was
        seen mirrored.

    Raises
    ------
    TargetError
        There is none, there are two, its code cannot be read, or it is another one.
    """
    work, f_work = _resized(image.rgb, _EDGE_SIDE)
    if unread is not None:
        factor = unread.width_px / image.rgb.shape[1]
        return _from_markers(image, target, unread.seen, factor, unread.mirrored, work, f_work, thorough=True)
    quick: Located | None = None
    first: TargetError | None = None
    try:
        quick = _from_markers(image, target, *_quick_markers(image, work, f_work), work, f_work, thorough=False)
    except _AnotherTargetError:
        raise
    except TargetError as e:
        first = e
    if quick is not None and _sound(quick, f_work):
        return quick
    slow: Located | None = None
    found = _thorough_markers(image)
    if found[0].kinds >= 2:
        try:
            slow = _from_markers(image, target, *found, work, f_work, thorough=True)
        except _AnotherTargetError:
            if quick is None:
                raise
        except TargetError as e:
            first = e
    both = [f for f in (quick, slow) if f is not None]
    if not both and found[0].kinds < _ENOUGH_KINDS and image.rgb[..., 0].size <= _COPY_PIXELS:
        both += _under_a_copy(image, target, work, f_work)
    if not both:
        raise first or _no_target(image, target is not None)
    best = max(both, key=lambda f: (_edge_share(f) > 0.95 * max(map(_edge_share, both)), -f.pose.residual_mm))
    if best.pose.residual_mm > _LOOSE_MM and not _sound(best, f_work):
        raise _not_made_out(image)
    return best


def _under_a_copy(image: LinearImage, target: Target | None, work: Any, f_work: float) -> list[Located]:
    """Take a strong second copy of the print off, and look for markers and code once more."""
    shift = find_shift(image)
    if shift is None or shift.score < _COPY_SCORE:
        return []
    nothing = False
    for share, other_way in _COPY_TRIES:
        if nothing and not other_way:
            continue
        clean = without_copy(image, shift, share, other_way=other_way)
        seen, factor, mirrored = _thorough_markers(clean)
        nothing |= seen.kinds == 0
        if seen.kinds < 2:
            continue
        factor *= clean.rgb.shape[1] / image.rgb.shape[1]
        try:
            found = _from_markers(image, target, seen, factor, mirrored, work, f_work, thorough=True, clean=clean)
        except TargetError:
            continue
        return [found]
    return []


def _edge_share(found: Located) -> float:
    """Share of the edges of cells and markers that were seen."""
    return found.pose.edges_used / (4.0 * (len(found.target.ids) + len(found.target.marker_ids)))


def _sound(found: Located, f_work: float) -> bool:
    """Whether enough edges lie where the pose puts them, to a part of a pixel or of a tenth of a millimetre."""
    left = found.pose.residual_mm
    close = left <= _SOUND_MM or left * found.pose.px_per_mm * f_work <= _SOUND_PX
    return close and _edge_share(found) >= _SOUND_SHARE


def _not_made_out(image: LinearImage, seen: Seen | None = None) -> TargetError:
    whole = seen is None or _corners_seen(seen) >= _WHOLE
    return TargetError(
        f"the cells of the target in {image.source} cannot be made out",
        "photograph it larger, sharper, with even light and no reflections" if whole else _WHOLE_SHEET,
    )


def _quick_markers(image: LinearImage, work: Any, f_work: float) -> tuple[Seen, float, bool]:
    """Markers, the scale of the picture they were seen in, and whether that was flipped."""
    seen, mirrored, factor = nothing_seen(), False, 1.0
    for side in _WORK_SIDES:
        small, factor = _resized(work if side <= _EDGE_SIDE else image.rgb, side)
        factor *= f_work if side <= _EDGE_SIDE else 1.0
        grey = grey_of(small)
        seen = find_markers(grey)
        if seen.kinds < 3:
            turned = find_markers(np.ascontiguousarray(grey[:, ::-1]))
            if turned.kinds > seen.kinds:
                seen, mirrored = turned, True
        if seen.kinds >= 3 or factor >= 1.0:
            break
        mirrored = False
    return seen, factor, mirrored


def _thorough_markers(image: LinearImage) -> tuple[Seen, float, bool]:
    """Look for markers that are hard to see; returns the same."""
    small, factor = _resized(image.rgb, _WORK_SIDES[-1])
    grey = grey_of(small)
    seen, mirrored = find_thoroughly(grey)
    if mirrored:
        seen = Seen(seen.ids, np.stack([grey.shape[1] - 1 - seen.corners[..., 0], seen.corners[..., 1]], axis=-1))
    return seen, factor, mirrored


def _from_markers(
    image: LinearImage,
    target: Target | None,
    seen: Seen,
    factor: float,
    mirrored: bool,
    work: Any,
    f_work: float,
    *,
    thorough: bool,
    clean: LinearImage | None = None,
) -> Located:
    """Name the layout and fix the pose from markers seen at a scale of ``factor``; read the code in a clean picture."""
    if seen.kinds < 2:
        raise _no_target(image, target is not None)
    if mirrored:
        image, work = _flip(image), np.ascontiguousarray(work[:, ::-1])
        clean = clean and _flip(clean)
    texts: tuple[str, ...] = ()
    if clean is not None and target is None:
        texts = read_code(clean, seen, factor * image.rgb.shape[1] / clean.rgb.shape[1])
    if len(texts) != 1:
        texts = read_code(image, seen, factor, thorough=target is None and thorough) or texts
    shape = (round(image.rgb.shape[0] * factor), round(image.rgb.shape[1] * factor))
    if target is not None:
        if len(texts) == 1 and target.code_text and texts[0] != target.code_text:
            raise _AnotherTargetError(
                f"the target in {image.source} is another one ({texts[0]}) than {target.name} ({target.code_text})",
                "give the .json that was written beside this print file",
            )
        return _posed(image, target, seen, factor, mirrored, work, f_work, shape, likeness=_LIKENESS, clean=clean)
    unread = UnreadCodeError(image, seen, factor, mirrored)
    if not texts:
        raise unread
    likeness = _LIKENESS if len(texts) == 1 else _LIKENESS_OF_A_GUESS
    wrong: TargetError | None = None
    for text in texts:
        try:
            layout = from_code(text)
            return _posed(image, layout, seen, factor, mirrored, work, f_work, shape, likeness=likeness, clean=clean)
        except TargetError as e:
            wrong = wrong or e
    if len(texts) == 1 and wrong is not None:
        raise wrong
    raise unread


def _posed(
    image: LinearImage,
    target: Target,
    seen: Seen,
    factor: float,
    mirrored: bool,
    work: Any,
    f_work: float,
    shape: tuple[int, int],
    *,
    likeness: float,
    clean: LinearImage | None = None,
) -> Located:
    """Fix the pose of a known layout, and check it against the cells."""
    pose, fit = _first_pose(target, seen, shape, image)
    _check_one_sheet(target, seen, fit, image)
    pose = scaled(pose, f_work / factor)
    start = pose
    pose, blur = _refine(work, start, target)
    if clean is not None and not pose.residual_mm <= _LOOSE_MM:  # the copy's edges stand beside those of the cells
        size = (work.shape[1], work.shape[0])
        alone, blunt = _refine(cv2.resize(clean.rgb, size, interpolation=cv2.INTER_LINEAR), start, target)
        if alone.residual_mm < pose.residual_mm:
            pose, blur = alone, blunt
    if pose.edges_used < 24 or not np.isfinite(blur) or _likeness(work, pose, target) < likeness:
        raise _not_made_out(image, seen)
    pose = replace(scaled(pose, 1.0 / f_work), mirrored=mirrored, residual_mm=pose.residual_mm)
    return Located(target=target, pose=pose, image=image, edge_mm=blur)


def _likeness(work: Any, pose: Pose, target: Target) -> float:
    """How well the cells' colours follow the layout where the pose puts them: correlation of the best channel.

    White, black and grey cells stand alike on all sheets of a size; the colours stand in an order of their own.
    The best channel counts: a missing ink or a strange curve takes one or two.
    """
    colour = np.flatnonzero((target.kind == CellKind.COLOUR) | (target.kind == CellKind.CONTROL))
    if len(colour) < 8:
        return 1.0
    box = target.box_mm[colour]
    share = np.linspace(0.3, 0.7, 5)
    u, v = np.meshgrid(share, share)
    mm = box[:, None, :2] + np.stack([u.ravel(), v.ravel()], axis=-1)[None] * box[:, None, 2:]
    px = mm_to_px(pose, mm).astype(np.float32)
    out = (-1.0,) * 3
    got = cv2.remap(work, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=out)
    seen = np.median(got, axis=1)
    inside = (seen > 0).all(axis=1)
    if inside.sum() < max(8, 0.5 * len(colour)):
        return 0.0
    tone, sent = np.sqrt(seen[inside]), target.device_rgb[colour][inside].astype(float)
    able = [c for c in range(3) if np.ptp(tone[:, c]) > 0 and np.ptp(sent[:, c]) > 0]
    return max((float(np.corrcoef(tone[:, c], sent[:, c])[0, 1]) for c in able), default=0.0)
