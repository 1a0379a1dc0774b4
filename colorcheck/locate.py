"""Find the target in a photo: which one it is, and where every millimetre of it lies.

Markers give a first pose; the edges of all cells then fix homography and radial
distortion by robust least squares.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from .errors import TargetError
from .geometry import local_px_per_mm, mm_to_px, scaled
from .posefit import fit_pose
from .records import Floats, LinearImage, Pose, Target
from .target import CODE_FORM, CODE_MARKER, CODE_MODULES, from_code, furniture

_WORK_SIDES = (1300, 2200, 4200)  # markers are looked for at these sizes in turn
_EDGE_SIDE = 2200  # cell edges are measured at this size


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """Markers seen in one grey picture: ids (m,) and corners (m, 4, 2) in its pixels."""

    ids: Any
    corners: Any


@dataclass(frozen=True, slots=True, eq=False)
class Located:
    """A target found in a photo: layout, pose, and the photo turned the right way round."""

    target: Target
    pose: Pose
    image: LinearImage
    edge_mm: float


def _grey(rgb: Any) -> Any:
    """Perceptually even 8-bit grey for the detectors, brightened when the photo is dark."""
    y = cv2.transform(rgb, np.full((1, 3), 1 / 3, np.float32))
    top = max(float(np.percentile(y[::7, ::7], 99.0)), 1e-4)
    return cv2.convertScaleAbs(cv2.sqrt(np.maximum(y, 0)), alpha=235.0 / top**0.5)


def _resized(rgb: Any, side: int) -> tuple[Any, float]:
    """Shrink to a longest side; returns the picture and its scale."""
    f = side / max(rgb.shape[:2])
    if f >= 1.0:
        return rgb, 1.0
    size = (max(1, round(rgb.shape[1] * f)), max(1, round(rgb.shape[0] * f)))
    return cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), size[0] / rgb.shape[1]


def _find_markers(grey: Any) -> _Seen:
    """Look for the markers of our dictionary."""
    p = cv2.aruco.DetectorParameters()
    # the cell edges fix the pose afterwards, so the corners need no refinement here
    p.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    p.minMarkerPerimeterRate = 0.02
    p.adaptiveThreshWinSizeMin, p.adaptiveThreshWinSizeMax, p.adaptiveThreshWinSizeStep = 9, 35, 26
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11), p)
    corners, ids, _ = detector.detectMarkers(grey)
    if ids is None or not len(ids):
        return _Seen(np.zeros(0, int), np.zeros((0, 4, 2)))
    flat = np.asarray(ids).ravel()
    ours = (flat < 16) | (flat == CODE_MARKER)
    return _Seen(flat[ours], np.array(corners, dtype=float).reshape(-1, 4, 2)[ours])


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
    seen = _find_markers(_grey(small))
    return seen.ids, (seen.corners + 0.5) / factor - 0.5


def _decode_code(image: LinearImage, seen: _Seen, factor: float, *, thorough: bool = True) -> str:
    """Read the printed code: beside its own marker at full resolution, else anywhere.

    ``factor`` is the scale of the picture in which the markers were seen; ``thorough``
    goes to the end for a code that is hard to read.
    """
    qr = cv2.QRCodeDetector()
    side = 90.0  # of the marker in the crop
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32)
    to = ((unit + [0.2, 1.8]) * side).astype(np.float32)
    for k in np.flatnonzero(seen.ids == CODE_MARKER):
        full = ((seen.corners[k] + 0.5) / factor - 0.5).astype(np.float32)
        low = np.maximum(np.floor(full.min(axis=0) - 5 * np.ptp(full, axis=0)), 0).astype(int)
        high = np.ceil(full.max(axis=0) + 5 * np.ptp(full, axis=0)).astype(int) + 1
        part = image.rgb[low[1] : high[1], low[0] : high[0]]
        if not part.size:
            continue
        grey = _grey(part)
        reach = int(np.clip(np.linalg.norm(full[1] - full[0]) / 10, 2, 12))
        stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
        corners = np.ascontiguousarray((full - low).astype(np.float32).reshape(-1, 1, 2))
        corners = cv2.cornerSubPix(grey, corners, (reach, reach), (-1, -1), stop).reshape(-1, 2)
        h = cv2.getPerspectiveTransform(corners, to)
        crop = cv2.warpPerspective(
            grey,
            h,
            (int(4.6 * side), int(3.3 * side)),
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
        # a second faint copy of the print lies grey over the code: counting grey as white takes it away
        low, high = (float(v) for v in np.percentile(crop, (5, 95)))
        hard = cv2.convertScaleAbs(np.maximum(crop.astype(np.float32) - low, 0), alpha=255 / max(0.4 * (high - low), 1))
        for picture in (crop, hard):
            text = _try_code(qr, picture) or (_resample_code(qr, picture, side) if thorough else "")
            if text:
                return text
    if not thorough:
        return ""
    small, _ = _resized(image.rgb, 1600)
    return _try_code(qr, _grey(small)) or _code_by_markers(qr, image, seen, factor)


def _marker_plan(shape: str, w: float, h: float, ids: Any) -> tuple[Any, dict[str, Any]] | None:
    """Corners in mm of the seen markers on a sheet of this size, or None when it has no such markers."""
    parts = furniture("rect" if shape == "rect" else "round", w, h)
    index = {m: k for k, m in enumerate(parts["ids"])}
    if any(int(i) not in index for i in ids):
        return None
    out = []
    for i in ids:
        x, y, bw, bh = parts["marker_boxes"][index[int(i)]]
        out.append([(x, y), (x + bw, y), (x + bw, y + bh), (x, y + bh)])
    return np.array(out, dtype=float).reshape(-1, 2), parts


def _code_by_markers(qr: Any, image: LinearImage, seen: _Seen, factor: float) -> str:
    """Read the code where all markers together say it must be.

    Where the markers stand on a sheet follows from its shape and size alone; the size whose
    markers fit best is near enough to find the code, though not to name the layout.
    """
    px = seen.corners.reshape(-1, 2)
    best: tuple[float, Any, Any] | None = None

    def fit(shape: str, w: float, h: float) -> tuple[float, Any, Any] | None:
        plan = _marker_plan(shape, w, h, seen.ids)
        if plan is None:
            return None
        homography, _ = cv2.findHomography(plan[0], px, 0)
        if homography is None:
            return None
        off = cv2.perspectiveTransform(plan[0][None], homography)[0] - px
        return float(np.sqrt((off**2).mean())), homography, plan[1]

    for shape in ("rect", "round"):
        sizes = np.arange(60.0, 401.0, 20.0)
        tried = [(f[0], w, h) for w in sizes for h in (sizes if shape == "rect" else (w,)) if (f := fit(shape, w, h))]
        if not tried:
            continue
        _, w, h = min(tried)
        for step in (10.0, 5.0, 2.5, 1.2, 0.6):
            around = [
                (w + a * step, h + (b if shape == "rect" else a) * step)
                for a in (-1, 0, 1)
                for b in ((-1, 0, 1) if shape == "rect" else (0,))
            ]
            close = [
                (f[0], u, v) for u, v in around if min(u, v) >= 60 and max(u, v) <= 400 and (f := fit(shape, u, v))
            ]
            if close:
                _, w, h = min(close)
        got = fit(shape, w, h)
        if got and (best is None or got[0] < best[0]):
            best = got
    if best is None:
        return ""
    n, module = CODE_MODULES, 10
    x, y, side, _ = best[2]["code"]
    margin = side * 0.1
    scale = (n + 8) * module / side
    to_crop = np.array([[scale, 0, -(x - margin) * scale], [0, scale, -(y - margin) * scale], [0, 0, 1]])
    small_to_full = np.array([[1 / factor, 0, 0.5 / factor - 0.5], [0, 1 / factor, 0.5 / factor - 0.5], [0, 0, 1]])
    h_crop = to_crop @ np.linalg.inv(small_to_full @ best[1])
    span = round((side + 2 * margin) * scale)
    crop = cv2.warpPerspective(
        _grey(image.rgb), h_crop, (span, span), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    low, high = (float(v) for v in np.percentile(crop, (5, 95)))
    hard = cv2.convertScaleAbs(np.maximum(crop.astype(np.float32) - low, 0), alpha=255 / max(0.4 * (high - low), 1))
    for picture in (crop, hard):
        text = _try_code(qr, picture) or _resample_code(qr, picture, 0.0, module_px=module)
        if text:
            return text
    return ""


def _finder(module_px: float) -> Any:
    """Picture of the code's corner mark (ISO/IEC 18004) at a module size, a little blurred."""
    a = np.ones((9, 9), np.float32)
    a[1:8, 1:8], a[2:7, 2:7], a[3:6, 3:6] = 0, 1, 0
    s = round(9 * module_px)
    return cv2.GaussianBlur(cv2.resize(a, (s, s), interpolation=cv2.INTER_AREA), (0, 0), 0.45 * module_px)


def _peak(response: Any, x: float, y: float, reach: float) -> tuple[float, float, float]:
    """Highest point of a response near a place: value, x, y."""
    x0, x1 = int(max(x - reach, 0)), int(min(x + reach + 1, response.shape[1]))
    y0, y1 = int(max(y - reach, 0)), int(min(y + reach + 1, response.shape[0]))
    if x1 - x0 < 2 or y1 - y0 < 2:
        return -1.0, x, y
    _, value, _, at = cv2.minMaxLoc(response[y0:y1, x0:x1])
    return value, float(at[0] + x0), float(at[1] + y0)


def _resample_code(qr: Any, crop: Any, side: float, *, module_px: float = 0.0) -> str:
    """Read a code of two or three pixels a module: find its corners, sample each module, redraw it.

    ``side`` is that of the code's marker in the crop, left of the middle; with ``module_px``
    the crop holds the code alone, at about this module size.
    """
    n = CODE_MODULES
    best: tuple[float, float, list[tuple[float, float]]] = (-1.0, 1.0, [])
    soft = crop.astype(np.float32)
    # side of the code over side of its marker
    modules = [module_px * f for f in (0.94, 1.0, 1.06)] if module_px else np.linspace(1.6, 2.4, 14) * side / (n + 8)
    for m in modules:
        template = _finder(m)
        r = cv2.matchTemplate(soft, template, cv2.TM_CCOEFF_NORMED)
        half, span = template.shape[0] / 2, (n - 7) * m
        _, x, y = _peak(r, r.shape[1] / 2 + 0.65 * side, r.shape[0] / 2, r.shape[1] / 2 - 0.65 * side)
        for ox, oy in ((0.0, 0.0), (span, 0.0), (0.0, span)):
            spots = [_peak(r, x - ox + dx, y - oy + dy, 2.5 * m) for dx, dy in ((0, 0), (span, 0), (0, span))]
            worst = min(s[0] for s in spots)
            if worst > best[0]:
                best = (worst, m, [(s[1] + half - 0.5, s[2] + half - 0.5) for s in spots])
    if best[0] < 0.6:
        return ""
    at = np.array([[3.5, 3.5], [n - 3.5, 3.5], [3.5, n - 3.5]], dtype=np.float32)
    affine = cv2.getAffineTransform(at, np.array(best[2], dtype=np.float32))
    jj, ii = np.mgrid[0:n, 0:n] + 0.5
    seen: set[bytes] = set()
    for blur in (0.25, 0.4):
        picture = cv2.GaussianBlur(soft, (0, 0), best[1] * blur)
        # the far corner is extrapolated: try it a little off, nearest first
        for skew, slant in (
            (0, 0),
            (0.4, 0),
            (-0.4, 0),
            (0, 0.4),
            (0, -0.4),
            (0.4, 0.4),
            (-0.4, -0.4),
            (0.4, -0.4),
            (-0.4, 0.4),
        ):
            far = (ii / n) * (jj / n)
            xy = np.einsum("ab,bij->aij", affine, np.stack([ii + skew * far, jj + slant * far, np.ones((n, n))]))
            v = cv2.remap(
                picture,
                xy[0].astype(np.float32),
                xy[1].astype(np.float32),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
            for sharpen in (0.0, 0.6, 1.2, 2.0):
                q = v + sharpen * (v - cv2.blur(v, (3, 3)))
                bits = q > (np.percentile(q, 10) + np.percentile(q, 90)) / 2
                if bits.tobytes() in seen:
                    continue
                seen.add(bits.tobytes())
                clean = np.full((n + 8, n + 8), 255, np.uint8)
                clean[4:-4, 4:-4] = np.where(_with_known_modules(bits), 255, 0)
                text = _try_code(qr, cv2.resize(clean, None, fx=8, fy=8, interpolation=cv2.INTER_NEAREST))
                if text:
                    return text
    return ""


def _with_known_modules(bits: Any) -> Any:
    """Put the modules that every such code has in place: corner marks and timing lines (ISO/IEC 18004)."""
    n = len(bits)
    out = bits.copy()
    mark = np.ones((8, 8), bool)
    mark[0:7, 0:7], mark[1:6, 1:6], mark[2:5, 2:5] = False, True, False
    out[:8, :8], out[:8, -8:], out[-8:, :8] = mark, mark[:, ::-1], mark[::-1]
    line = np.arange(8, n - 8) % 2 == 1
    out[6, 8 : n - 8] = line
    out[8 : n - 8, 6] = line
    return out


def _try_code(qr: Any, picture: Any) -> str:
    try:
        text, _, _ = qr.detectAndDecode(picture)
    except cv2.error:
        return ""
    return text if isinstance(text, str) and CODE_FORM.match(text) else ""


def _corners_mm(target: Target, ids: Any) -> Any:
    """Corners of the markers in mm, clockwise from top left, (m, 4, 2)."""
    index = {m: k for k, m in enumerate(target.marker_ids)}
    out = []
    for i in ids:
        x, y, w, h = target.marker_box_mm[index[int(i)]]
        out.append([(x, y), (x + w, y), (x + w, y + h), (x, y + h)])
    return np.array(out)


def _no_target(image: LinearImage, given: bool) -> TargetError:
    return TargetError(
        f"no target found in {image.source}",
        "photograph the whole pressed target, sharp and evenly lit"
        + ("" if given else ", or name its layout with --target FILE.json"),
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


def _first_pose(target: Target, seen: _Seen, shape: tuple[int, int], image: LinearImage) -> tuple[Pose, Any]:
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
    cx, cy = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    pose = Pose(
        homography=h,
        k=(0.0, 0.0),
        centre_px=(cx, cy),
        radius_px=float(np.hypot(cx, cy)),
        mirrored=False,
        residual_mm=float("nan"),
        px_per_mm=1.0,
        markers_found=len(set(ids[good].tolist())),
        edges_used=0,
    )
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


def _check_one_sheet(target: Target, seen: _Seen, fit: Any, image: LinearImage) -> None:
    """Refuse a photo of two sheets, or of another layout than the given one."""
    ids, good, off_mm = fit
    if (~good).sum() >= 2 and len(set(ids[~good].tolist())) >= 2:
        doubled = set(ids[~good].tolist()) & set(ids[good].tolist())
        if doubled:
            raise TargetError(f"{image.source} shows two targets", "photograph one target at a time")
        raise TargetError(
            f"the target in {image.source} has another layout than {target.name}",
            "give the .json that was written beside this print file",
        )
    if float(np.median(off_mm[good])) > 3.0:
        raise TargetError(
            f"the target in {image.source} has another layout than {target.name}",
            "give the .json that was written beside this print file",
        )


def _flip(image: LinearImage) -> LinearImage:
    return replace(
        image,
        rgb=np.ascontiguousarray(image.rgb[:, ::-1]),
        clipped=np.ascontiguousarray(image.clipped[:, ::-1]),
    )


def locate(image: LinearImage, target: Target | None = None) -> Located:
    """Find the target, tell which it is when no layout is given, and fix its pose.

    Parameters
    ----------
    image : LinearImage
    target : Target, optional
        Its layout; without one the printed code is read.

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
    seen, mirrored = _Seen(np.zeros(0, int), np.zeros((0, 4, 2))), False
    grey: Any = None
    factor = 1.0
    work, f_work = _resized(image.rgb, _EDGE_SIDE)
    for side in _WORK_SIDES:
        small, factor = _resized(work if side <= _EDGE_SIDE else image.rgb, side)
        factor *= f_work if side <= _EDGE_SIDE else 1.0
        grey = _grey(small)
        seen = _find_markers(grey)
        if len(set(seen.ids.tolist())) < 3:
            turned = _find_markers(np.ascontiguousarray(grey[:, ::-1]))
            if len(set(turned.ids.tolist())) > len(set(seen.ids.tolist())):
                seen, mirrored, grey = turned, True, np.ascontiguousarray(grey[:, ::-1])
        if len(set(seen.ids.tolist())) >= 3 or factor >= 1.0:
            break
        mirrored = False
    if len(set(seen.ids.tolist())) < 2:
        raise _no_target(image, target is not None)
    if mirrored:
        image, work = _flip(image), np.ascontiguousarray(work[:, ::-1])
    text = _decode_code(image, seen, factor, thorough=target is None)
    if target is None:
        if not text:
            raise TargetError(
                f"the code on the target in {image.source} cannot be read",
                "name its layout with --target FILE.json, or photograph it sharper and larger",
            )
        target = from_code(text)
    elif text and target.code_text and text != target.code_text:
        raise TargetError(
            f"the target in {image.source} is another one ({text}) than {target.name} ({target.code_text})",
            "give the .json that was written beside this print file",
        )
    pose, fit = _first_pose(target, seen, grey.shape[:2], image)
    _check_one_sheet(target, seen, fit, image)
    pose = scaled(pose, f_work / factor)
    pose, blur = _refine(work, pose, target)
    pose = replace(scaled(pose, 1.0 / f_work), mirrored=mirrored, residual_mm=pose.residual_mm)
    if pose.edges_used < 24 or not np.isfinite(blur):
        raise TargetError(
            f"the cells of the target in {image.source} cannot be made out",
            "photograph it larger, sharper, with even light and no reflections",
        )
    return Located(target=target, pose=pose, image=image, edge_mm=blur)
