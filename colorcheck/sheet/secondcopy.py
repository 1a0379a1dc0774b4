"""Take a strong second copy of the print off a picture, before anything is known of the sheet on it.

Paper that moved in the press leaves a second copy, paler and shifted. Where it is strong, it hides markers and
code. In density the copy adds: D(x) = D₀(x) + s·D₀(x − d). The power cepstrum, which was invented for echoes
(Bogert, Healy & Tukey 1963), has a peak at the shift d; tilt makes d change over the picture, so that it is
looked for in tiles and fitted as a plane. The copy is then taken off by the series Σ (−s)ⁿ D(x − n·d).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from ..ground.records import Floats, LinearImage

_SIDE_PX = 2200  # pictures are worked on at this size at most
_TILE = 256
_RICH = 0.45  # of the edges of the richest tile
_FLOOR = 0.003  # of white: density beyond it is not told apart
_NEAR_PX, _FAR_PX = 6.0, 75.0  # shifts looked for
_PEAKS = 10  # tried
_PLAIN = 2.5  # standard deviations of a tile's cepstrum above which a peak counts
_SPAN = 500.0  # px, scale of the plane
_TERMS = 8  # of the series
_DARKEST = 0.5  # share of the density range that is shown from white to black


@dataclass(frozen=True, slots=True, eq=False)
class Shift:
    """Where the second copy lies: plane (3, 2) of the shift in pixels about a centre, and how plainly it is seen.

    ``score`` is the mean height of the cepstrum at the shift, in standard deviations of one tile.
    """

    plane: Floats
    centre: Floats
    score: float


def _density(rgb: Any) -> Any:
    """Density relative to the lightest, the darkest taken off, mean of the channels."""
    y = cv2.GaussianBlur(cv2.transform(rgb, np.full((1, 3), 1 / 3, np.float32)), (0, 0), 0.7)
    low, top = (float(v) for v in np.percentile(y[::5, ::5], (0.3, 99.0)))
    return -np.log(np.maximum((y - low) / max(top - low, 1e-6), 0) + np.float32(_FLOOR))


def _tiles(density: Any) -> tuple[Floats, Any]:
    """Middles (n, 2) of the tiles rich in edges, and the cepstrum of each in standard deviations, (n, tile, tile)."""
    edges = cv2.boxFilter(cv2.magnitude(cv2.Sobel(density, -1, 1, 0), cv2.Sobel(density, -1, 0, 1)), -1, (_TILE, _TILE))
    half = _TILE // 2
    places = [
        (x, y)
        for y in range(0, density.shape[0] - _TILE + 1, half)
        for x in range(0, density.shape[1] - _TILE + 1, half)
    ]
    rich = [float(edges[y + half, x + half]) for x, y in places]
    places = [p for p, r in zip(places, rich, strict=True) if r > _RICH * max(rich)]
    if not places:  # too small, or without any edge
        return np.zeros((0, 2)), np.zeros((0, _TILE, _TILE), np.float32)
    window = np.outer(np.hanning(_TILE), np.hanning(_TILE))
    low = np.exp(-(np.fft.fftfreq(_TILE)[:, None] ** 2 + np.fft.rfftfreq(_TILE)[None] ** 2) / (2 * 0.12**2))
    out = np.empty((len(places), _TILE, _TILE), np.float32)
    for k, (x, y) in enumerate(places):
        tile = density[y : y + _TILE, x : x + _TILE]
        power = np.abs(np.fft.rfft2((tile - tile.mean()) * window)) ** 2
        log = np.log(power + 0.3 * np.median(power) + 1e-12)
        out[k] = np.fft.fftshift(np.fft.irfft2((log - log.mean()) * low, s=(_TILE, _TILE)))
    # what every picture has at a distance, and how much it scatters there, ring by ring
    ring = (np.hypot(*np.mgrid[-half:half, -half:half]) // 3).astype(int).ravel()
    order = np.argsort(ring, kind="stable")
    flat = out.reshape(len(out), -1)
    for part in np.split(order, np.flatnonzero(np.diff(ring[order])) + 1):
        values = flat[:, part] - np.median(flat[:, part], axis=1, keepdims=True)
        flat[:, part] = values / (1.4826 * np.median(np.abs(values)) + 1e-9)
    return np.array(places, float) + half, np.clip(out, -3.0, 12.0)


def find_shift(image: LinearImage) -> Shift | None:
    """Look for the shift of a second copy anywhere in a picture.

    Returns
    -------
    Shift or None
        In pixels of ``image``, pointing the likelier way: the one that leaves less that is lighter than bare
        coat when the copy is taken off. None when there are too few edges.
    """
    density, scale = _at_work(image)
    at, ceps = _tiles(density)
    if len(at) < 3:
        return None
    centre = at.mean(axis=0)
    half = _TILE // 2
    yy, xx = np.mgrid[-half:half, -half:half]
    away = np.hypot(xx, yy)
    round7 = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))
    total: Any = np.sum([cv2.dilate(c, round7) for c in ceps], axis=0)
    total = cv2.GaussianBlur(total, (0, 0), 1.5)
    total[(away < _NEAR_PX) | (away > _FAR_PX) | (yy < 0) | ((yy == 0) & (xx < 0))] = -np.inf
    soft = [cv2.GaussianBlur(c, (0, 0), 1.0) for c in ceps]
    best: Shift | None = None
    for _ in range(_PEAKS):
        j, i = np.unravel_index(int(total.argmax()), total.shape)
        start = np.array([xx[j, i], yy[j, i]], float)
        total[np.hypot(xx - start[0], yy - start[1]) < 8] = -np.inf
        plane = _fitted(ceps, at, centre, start)
        heights = [
            cv2.getRectSubPix(c, (1, 1), (float(x) + half, float(y) + half))[0, 0]
            for c, (x, y) in zip(soft, _plane_at(plane, centre, at), strict=True)
        ]
        if best is None or np.mean(heights) > best.score:
            best = Shift(plane, centre, float(np.mean(heights)))
    if best is None:
        return None
    small = cv2.resize(density, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    left = [_taken_off(small, best, 0.5, sign, 0.5) for sign in (1.0, -1.0)]
    one, other = (float(np.maximum(-0.1 - v, 0).mean()) for v in left)
    grow = np.array([1.0, scale, scale])[:, None] / scale  # the slope of the plane has no unit
    way = 1.0 if one <= other else -1.0
    return Shift(way * best.plane * grow, (best.centre + 0.5) / scale - 0.5, best.score)


def _plane_at(plane: Floats, centre: Floats, at: Any) -> Floats:
    """Shift (n, 2) at places (n, 2)."""
    return np.asarray(np.column_stack([np.ones(len(at)), (np.asarray(at) - centre) / _SPAN]) @ plane)


def _fitted(ceps: Any, at: Floats, centre: Floats, start: Floats) -> Floats:
    """Plane of the shift through the peaks of the tiles near a first guess."""
    half = _TILE // 2
    x = np.column_stack([np.ones(len(at)), (at - centre) / _SPAN])
    plane = np.zeros((3, 2))
    plane[0] = start
    for turn, share in enumerate((0.3, 0.2, 0.12, 0.1)):
        reach = share * float(np.hypot(*plane[0])) + 2.5
        peaks, weight = [], []
        for c, guess in zip(ceps, x @ plane, strict=True):
            x0, y0 = (max(int(v - reach) + half, 1) for v in guess)
            x1, y1 = (min(int(v + reach) + half + 1, _TILE - 1) for v in guess)
            if x1 - x0 < 2 or y1 - y0 < 2:
                peaks.append(guess)
                weight.append(0.0)
                continue
            _, height, _, (px, py) = cv2.minMaxLoc(c[y0:y1, x0:x1])
            px, py = px + x0, py + y0
            part = [_top(c[py, px - 1 : px + 2]), _top(c[py - 1 : py + 2, px])]
            peaks.append(np.array([px, py]) - half + part)
            weight.append(max(height - _PLAIN, 0.0) ** 2)
        p, w = np.array(peaks), np.array(weight)
        if (w > 0).sum() < 3:
            break
        for again in range(4):
            off = np.hypot(*(p - x @ plane).T)
            robust = w / (1 + (off / 1.5) ** 2) ** 2 if turn or again else w / (1 + (off / 4) ** 2)
            ridge = np.diag([0.0, 1.0, 1.0]) * 0.02 * robust.sum() + 1e-9 * np.eye(3)
            plane = np.linalg.solve(x.T @ (robust[:, None] * x) + ridge, x.T @ (robust[:, None] * p))
    return plane


def _top(three: Any) -> float:
    """Place of the top of a parabola through three values, −0.5 to 0.5."""
    a, b, c = (float(v) for v in three)
    bend = 2 * b - a - c
    return float(np.clip((c - a) / (2 * bend), -0.5, 0.5)) if bend > 1e-9 else 0.0


def _at_work(image: LinearImage) -> tuple[Any, float]:
    """Density at the size worked on, and the scale of that."""
    f = min(1.0, _SIDE_PX / max(image.rgb.shape[:2]))
    rgb = image.rgb if f == 1.0 else cv2.resize(image.rgb, None, fx=f, fy=f, interpolation=cv2.INTER_AREA)
    return _density(rgb), rgb.shape[1] / image.rgb.shape[1]


def without_copy(image: LinearImage, shift: Shift, share: float, *, other_way: bool = False) -> LinearImage:
    """Give a grey picture without the second copy, for finding markers and code only.

    Parameters
    ----------
    image : LinearImage
    shift : Shift
    share : float
        Density of the copy as a share of the print's.
    other_way : bool
        Take the copy to lie the other way.

    Returns
    -------
    LinearImage
        At most 2200 pixels a side.
    """
    density, scale = _at_work(image)
    left = _taken_off(density, shift, share, -1.0 if other_way else 1.0, scale)
    top = -np.log(_FLOOR) * _DARKEST
    light = np.clip(1.0 - left / top, 0.0, 1.0).astype(np.float32) ** 2  # the finders look at its square root
    return replace(
        image, rgb=cv2.merge([light] * 3), clipped=np.zeros(light.shape, np.uint8), scale=image.scale * scale
    )


def _taken_off(density: Any, shift: Shift, share: float, sign: float, scale: float) -> Any:
    """Sum the series by repeated substitution: D₀(x) = D(x) − s·D₀(x − d)."""
    rows, columns = density.shape
    x, y = np.meshgrid(np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32))
    centre = (shift.centre + 0.5) * scale - 0.5
    slope = shift.plane * np.array([scale, 1.0, 1.0])[:, None]

    def at(px: Any, py: Any, k: int) -> Any:
        u, v = (px - centre[0]) / _SPAN, (py - centre[1]) / _SPAN
        return np.float32(sign) * (slope[0, k] + u * slope[1, k] + v * slope[2, k])

    half_x, half_y = at(x, y, 0) / 2, at(x, y, 1) / 2  # a tile tells the shift between two points about its middle
    from_x = (x - at(x - half_x, y - half_y, 0)).astype(np.float32)
    from_y = (y - at(x - half_x, y - half_y, 1)).astype(np.float32)
    out = density
    for _ in range(_TERMS):
        moved = cv2.remap(out, from_x, from_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        out = density - np.float32(share) * moved
    return out
