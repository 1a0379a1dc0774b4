"""Find the target's markers in a photo: quickly, and thoroughly where blur or bled dye hides them.

The quick way is OpenCV's detector. The thorough one takes every four-sided shape that the detector sees at
several scales, lays lines along its sides to a part of a pixel, and compares the grey modules inside with the
few markers that a target has, instead of deciding each module black or white.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np

from .target import CODE_MARKER, MARKER_MODULES

_MANY = 4  # markers that make a first pose safe
_OURS = (*range(16), CODE_MARKER)
_PLACED = (*range(8), CODE_MARKER)  # those that a layout places
_AGREES = 0.6  # of the modules' contrast; another marker of the dictionary reaches 1 − 2·11/36 = 0.39
_PLAIN = 0.85  # agreement of a marker that is beyond doubt
_AHEAD = 0.2
_LAGS = 0.8  # share of the best markers' agreement below which a shape is no marker of the same photo
_UNLIKE = 1.8  # the markers of one sheet are of one size; tilt makes them differ by less than this
_LEAST_SIDE_PX = 12.0
_FINE_SIDE_PX = 120.0  # a shape is laid out at this size at least, and at less than twice as large
_MOST_SHAPES = 500
_MARGIN = 2  # modules sampled around a marker
_FINE = 4  # samples across a module


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Markers seen in one grey picture: ids (m,) and corners (m, 4, 2) in its pixels."""

    ids: Any
    corners: Any

    @property
    def kinds(self) -> int:
        """How many different markers."""
        return len(set(self.ids.tolist()))


def grey_of(rgb: Any) -> Any:
    """Perceptually even 8-bit grey for the detectors, brightened when the photo is dark."""
    y = cv2.transform(rgb, np.full((1, 3), 1 / 3, np.float32))
    top = max(float(np.percentile(y[::7, ::7], 99.0)), 1e-4)
    return cv2.convertScaleAbs(cv2.sqrt(np.maximum(y, 0)), alpha=235.0 / top**0.5)


def nothing_seen() -> Seen:
    """No markers."""
    return Seen(np.zeros(0, int), np.zeros((0, 4, 2)))


def _detector(*, smallest: float, windows: tuple[int, int] = (9, 35)) -> Any:
    p = cv2.aruco.DetectorParameters()
    # the cell edges fix the pose afterwards, so the corners need no refinement here
    p.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    p.minMarkerPerimeterRate = smallest
    p.adaptiveThreshWinSizeMin, p.adaptiveThreshWinSizeMax = windows
    p.adaptiveThreshWinSizeStep = max(windows[1] - windows[0], 10)
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11), p)


def find_markers(grey: Any) -> Seen:
    """Look for the markers of our dictionary in an 8-bit picture (H, W).

    One window for the threshold finds nearly all; a narrow and a wide one are tried when it finds few.
    """
    seen = nothing_seen()
    for windows in ((21, 21), (9, 35)):
        corners, ids, _ = _detector(smallest=0.02, windows=windows).detectMarkers(grey)
        if ids is None or not len(ids):
            continue
        flat = np.asarray(ids).ravel()
        ours = np.isin(flat, _OURS)
        found = Seen(flat[ours], np.array(corners, dtype=float).reshape(-1, 4, 2)[ours])
        if found.kinds > seen.kinds:
            seen = found
        if seen.kinds >= _MANY:
            break
    return seen


def find_thoroughly(grey: Any) -> tuple[Seen, bool]:
    """Look for markers that blur or bled dye hides from the quick way.

    Parameters
    ----------
    grey : (H, W) uint8

    Returns
    -------
    seen : Seen
        With corners to a part of a pixel, clockwise from the marker's top left as it was printed.
    mirrored : bool
        The sheet is seen mirrored: corners then run counter-clockwise in the picture.
    """
    shapes = _shapes(grey)
    found: list[tuple[float, int, Any, bool]] = []
    for corners in shapes:
        part, low, shrink = _around(grey, corners)
        raw = fine = (corners + 0.5) / shrink - 0.5 - low
        side = _sides(raw)
        blunt = cv2.GaussianBlur(part, (0, 0), 0.02 * side) if side > 100 else part
        for _ in range(2):
            fine = _laid_along(blunt, fine)
        got = max((_named(blunt, c) for c in (fine, raw)), key=lambda g: g[0] if g else 0.0)
        if got:
            found.append((got[0], got[1], (got[2] + low + 0.5) * shrink - 0.5, got[3]))
    found.sort(key=lambda f: -f[0])
    found = [f for f in found if f[0] >= _LAGS * float(np.median([g[0] for g in found[:3]]))]
    flips = sum(f[0] if f[3] else -f[0] for f in found) > 0
    kept: list[tuple[float, int, Any, bool]] = []
    for f in found:
        middle = f[2].mean(axis=0)
        near = [k for k in kept if np.hypot(*(k[2].mean(axis=0) - middle)) < 0.7 * _sides(f[2])]
        # a marker seen again elsewhere is a second sheet's, or chance
        again = any(k[1] == f[1] for k in kept) and f[0] < _PLAIN
        alike = not kept or 1 / _UNLIKE < _sides(f[2]) / np.median([_sides(k[2]) for k in kept]) < _UNLIKE
        if f[3] == flips and not near and not again and alike:
            kept.append(f)
    if not kept:
        return nothing_seen(), False
    return Seen(np.array([k[1] for k in kept]), np.array([k[2] for k in kept])), flips


def marker_side(seen: Seen) -> float:
    """Middle length of the sides of the markers, in pixels of the picture they were seen in."""
    return float(np.median([_sides(c) for c in seen.corners]))


def _around(grey: Any, corners: Any) -> tuple[Any, Any, int]:
    """Cut out what is ever looked at around a shape, large ones reduced: where that begins (x, y), and how often."""
    side = _sides(corners)
    shrink = max(1, int(side / _FINE_SIDE_PX))
    reach = 1.2 * side + 8
    low = np.maximum(np.floor((corners.min(axis=0) - reach) / shrink), 0).astype(int)
    high = np.minimum(np.ceil((corners.max(axis=0) + reach) / shrink).astype(int), np.array(grey.shape[::-1]) // shrink)
    part = grey[low[1] * shrink : high[1] * shrink, low[0] * shrink : high[0] * shrink]
    if shrink > 1:
        return cv2.resize(part, tuple((high - low).tolist()), interpolation=cv2.INTER_AREA), low, shrink
    return np.ascontiguousarray(part), low, 1


def _sides(corners: Any) -> float:
    """Middle length of the four sides."""
    return float(np.mean(np.hypot(*(corners - np.roll(corners, 1, axis=0)).T)))


def _shapes(grey: Any) -> list[Any]:
    """Four-sided shapes seen at several scales, plain and sharpened, each once: list of (4, 2)."""
    longest = max(grey.shape[:2])
    scales = [f for f in (2.0, 1.0, 0.5, 0.25) if 900 <= f * longest <= 4300] or [1.0]
    detector = _detector(smallest=0.012)
    out: list[Any] = []
    middles = np.zeros((0, 3))
    for f in scales:
        how = cv2.INTER_CUBIC if f > 1 else cv2.INTER_AREA
        base = grey if f == 1.0 else cv2.resize(grey, None, fx=f, fy=f, interpolation=how)
        soft = cv2.GaussianBlur(base, (0, 0), 2.0 * max(f, 1.0))
        for picture in (base, cv2.addWeighted(base, 3.0, soft, -2.0, 0)):
            known, _, others = detector.detectMarkers(picture)
            for c in [*known, *others]:
                corners = (np.asarray(c, dtype=float).reshape(4, 2) + 0.5) / f - 0.5
                side = _sides(corners)
                x, y = corners.mean(axis=0)
                if side < _LEAST_SIDE_PX or side > 0.4 * longest:
                    continue
                away = np.hypot(middles[:, 0] - x, middles[:, 1] - y)
                if ((away < 0.12 * side) & (np.abs(middles[:, 2] / side - 1) < 0.08)).any():
                    continue
                middles = np.vstack([middles, [x, y, side]])
                out.append(corners)
        if len(out) >= _MOST_SHAPES:
            break
    return out[:_MOST_SHAPES]


def _laid_along(grey: Any, corners: Any) -> Any:
    """Corners where straight lines along the four sides of a dark shape on light ground meet, (4, 2)."""
    side = _sides(corners)
    middle = corners.mean(axis=0)
    reach = max(0.11 * side, 2.0)
    n = int(np.clip(round(4 * reach), 12, 48))
    s = np.linspace(-reach, reach, n)
    share = np.linspace(0.08, 0.92, 22)
    a, b = corners, np.roll(corners, -1, axis=0)
    normal = np.stack([(b - a)[:, 1], -(b - a)[:, 0]], axis=1)
    normal /= np.linalg.norm(normal, axis=1)[:, None] + 1e-9
    normal *= np.sign(((a + b) / 2 - middle) * normal).sum(axis=1)[:, None].clip(-1, 1)
    if not (np.abs(normal).sum(axis=1) > 0.5).all():
        return corners
    foot = a[:, None] + share[None, :, None] * (b - a)[:, None]  # (4, 22, 2)
    at = (foot[:, :, None] + s[None, None, :, None] * normal[:, None, None]).astype(np.float32).reshape(88, n, 2)
    v = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)
    rise = np.maximum(np.diff(cv2.blur(v, (3, 1)), axis=1), 0)
    peak = rise.argmax(axis=1)
    weight = np.where(np.abs(np.arange(n - 1)[None] - peak[:, None]) <= max(2, n // 8), rise, 0)
    off = (weight * (s[:-1] + s[1:]) / 2).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-6)
    height = rise.max(axis=1).reshape(4, 22)
    places = foot + off.reshape(4, 22, 1) * normal[:, None]
    lines = []
    for k in range(4):
        good = height[k] > 0.3 * np.median(height[k])
        if good.sum() < 6:
            return corners
        vx, vy, x0, y0 = cv2.fitLine(places[k][good].astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
        lines.append((-vy, vx, -vy * x0 + vx * y0))
    out = []
    for k in range(4):
        (p, q, u), (r, t, w) = lines[k - 1], lines[k]
        det = p * t - q * r
        if abs(det) < 0.2:
            return corners
        out.append(((u * t - q * w) / det, (p * w - u * r) / det))
    fine = np.array(out, dtype=float)
    return fine if np.abs(fine - corners).max() < 0.25 * side else corners


@lru_cache(maxsize=1)
def _patterns() -> Any:
    """Inner modules of the markers a target can have, as ±1: (markers, 6, 6)."""
    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    pictures = [cv2.aruco.generateImageMarker(words, i, MARKER_MODULES, borderBits=1)[1:-1, 1:-1] for i in _PLACED]
    return np.where(np.array(pictures) > 127, 1.0, -1.0)


def _named(grey: Any, corners: Any) -> tuple[float, int, Any, bool] | None:
    """Tell which marker a shape is: agreement, id, corners from its own top left, mirrored; None if none."""
    n = MARKER_MODULES + 2 * _MARGIN
    span = n * _FINE
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * MARKER_MODULES * _FINE + _MARGIN * _FINE - 0.5
    h = cv2.getPerspectiveTransform(corners.astype(np.float32), unit.astype(np.float32))
    lower = _sides(corners) / (MARKER_MODULES * _FINE)
    picture = cv2.GaussianBlur(grey, (0, 0), 0.45 * lower) if lower > 2.5 else grey
    fine = cv2.warpPerspective(picture, h, (span, span), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    cells = fine.reshape(n, _FINE, n, _FINE).astype(np.float32)[:, 1:-1, :, 1:-1].mean(axis=(1, 3))
    frame = cells[_MARGIN:-_MARGIN, _MARGIN:-_MARGIN]
    rim = np.concatenate([frame[0], frame[-1], frame[1:-1, 0], frame[1:-1, -1]])
    ring = cells[_MARGIN - 1 : 1 - _MARGIN, _MARGIN - 1 : 1 - _MARGIN]
    light = np.concatenate([ring[0], ring[-1], ring[1:-1, 0], ring[1:-1, -1]])
    contrast = float(np.median(light) - np.median(rim))
    if contrast < 20 or np.percentile(rim, 90) > np.percentile(light, 10):
        return None
    best: tuple[float, int, int, bool] = (0.0, -1, 0, False)
    second = 0.0
    for sharpen in (0.0, 1.5):
        v = cells + sharpen * (cells - cv2.blur(cells, (3, 3)))
        v = v[_MARGIN + 1 : -_MARGIN - 1, _MARGIN + 1 : -_MARGIN - 1]
        low, high = np.percentile(v, (8, 92))
        v = np.clip(v - (low + high) / 2, -(high - low) / 2, (high - low) / 2)
        v /= np.abs(v).sum() + 1e-6
        for flip in (False, True):
            for turn in range(4):
                seen = np.rot90(v[:, ::-1] if flip else v, turn)
                score = (_patterns() * seen[None]).sum(axis=(1, 2))
                k = int(np.argmax(score))
                if score[k] > best[0]:
                    if best[1] != k:
                        second = best[0]
                    best = (float(score[k]), k, turn, flip)
                elif k != best[1]:
                    second = max(second, float(score[k]))
    if best[0] < _AGREES or best[0] - second < _AHEAD:
        return None
    index = np.rot90(_corner_numbers(flip=best[3]), best[2])
    order = [index[0, 0], index[0, 1], index[1, 1], index[1, 0]]
    return best[0], _PLACED[best[1]], corners[order], best[3]


def _corner_numbers(*, flip: bool) -> Any:
    """Which of the four corners lies where: (2, 2)."""
    square = np.array([[0, 1], [3, 2]])
    return square[:, ::-1] if flip else square
