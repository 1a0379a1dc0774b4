"""How far a print is seen off its place, from the picture itself: glass with a pattern displaces it place by place."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np

from .grid import Array
from .records import Pixels
from .residue import Residue

_PX_PER_MM = 2.0
_BLUR_MM = 0.7  # displacements up to this are still told by the slope
_TILE_MM = 5.0
_KNOWN_MM = 0.12  # a tile tells its displacement when it is known so well, one standard deviation
_FEW = 12  # tiles
_ALIKE = 8.0  # pixels that err alike
# of a displacement's square that is left with a copy: 0.5 to 0.75 where there is one, all of it under patterned glass
_REST = 0.85
_DARKEST = 0.02  # least signal, share of the coat
_WORTH = 2.0  # times what print may lie off its place anyway; layouts are drawn in pixels of a tenth of a millimetre


def with_displacement(res: Residue) -> Residue:
    """Let a residue say how far print lies from its place where the first photo shows it further off than usual."""
    found = seen_displaced_mm(res, res.fine_rel)
    return replace(res, placed_mm=found) if found > _WORTH * res.drawn_mm else res


def by_copy(res: Residue, shift_mm: tuple[float, float], strength: float) -> Residue:
    """Let print lie as it should again where a second copy of it accounts for its displacement.

    A copy pulls every edge to one side, by more in some parts of the picture than in others; a pattern in glass pulls
    as it likes.
    """
    g = res.fine_px_per_mm
    move = np.array([[1, 0, shift_mm[0] * g], [0, 1, shift_mm[1] * g]])
    density = -np.log(np.clip(res.fine_rel, _DARKEST, 1.0)).astype(np.float32)
    copy = cv2.warpAffine(density, move, density.shape[1::-1], borderMode=cv2.BORDER_CONSTANT)
    left = min(seen_displaced_mm(res, res.fine_rel * np.exp(-k * strength * copy)) for k in (0.5, 1.0))
    return replace(res, placed_mm=res.drawn_mm) if left**2 < _REST * res.placed_mm**2 else res


def seen_displaced_mm(res: Residue, due: Pixels) -> float:
    """Measure how far the first photo shows print from where it is ``due`` (H, W, 3), as `displaced_mm` does."""
    hw, b = due.shape[:2], round(res.step_mm * res.fine_px_per_mm)
    r, c = res.light.shape[1:3]
    light: Any = cv2.resize(res.light[0].astype(np.float32), (c * b, r * b), interpolation=cv2.INTER_LINEAR)
    seen = res.fine_seen[0] / np.maximum(light[: hw[0], : hw[1]], 1e-6)
    return displaced_mm(seen, due, res.fine_ok[0], res.fine_px_per_mm)


def displaced_mm(seen: Pixels, due: Pixels, ok: Array, px_per_mm: float) -> float:
    """Measure how far print lies from where it is due, as glass or paper displaces it from place to place.

    Parameters
    ----------
    seen, due : (H, W, 3)
        Linear signals, light taken out.
    ok : (H, W) bool
        Where both can be used.
    px_per_mm : float

    Returns
    -------
    float
        Root mean square of the displacement in mm over tiles of 5 mm that show edges along and across, less what all
        share and their noise; 0 where too few do.

    Notes
    -----
    In every tile the difference is fitted by the slope of what is due (Lucas and Kanade 1981), after both were
    blurred alike. The middle of the tiles' squares counts, so that a few spots or reflections do not.
    """
    k = _PX_PER_MM / px_per_mm
    size = (max(8, round(due.shape[1] * k)), max(8, round(due.shape[0] * k)))
    weight: Any = cv2.resize(ok.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    sigma = _BLUR_MM * _PX_PER_MM
    share: Any = cv2.GaussianBlur(weight, (0, 0), sigma)

    def soft(a: Pixels) -> Any:
        small = cv2.resize(np.sqrt(np.maximum(a, 0.0)) * ok[..., None], size, interpolation=cv2.INTER_AREA)
        return cv2.GaussianBlur(small, (0, 0), sigma) / np.maximum(share, 1e-3)[..., None]

    s, d = soft(seen), soft(due)
    use = (share > 0.9).astype(np.float32)
    gx, gy = (cv2.Sobel(d, cv2.CV_32F, *o, ksize=3, scale=_PX_PER_MM / 8) for o in ((1, 0), (0, 1)))
    tile = 2 * round(_TILE_MM * _PX_PER_MM / 2) + 1

    def total(a: Any) -> Any:
        return cv2.boxFilter(a * use, -1, (tile, tile), normalize=False)

    count = np.maximum(total(np.ones_like(use)), 1.0)

    def shared(a: Any, b: Any) -> Any:
        """Sum over channels of the products of two planes less their own means in the tile."""
        return sum(total(a[..., c] * b[..., c]) - total(a[..., c]) * total(b[..., c]) / count for c in range(3))

    off = d - s  # seen(x) = due(x − shift): the difference is the slope times the shift
    xx, yy, xy = shared(gx, gx), shared(gy, gy), shared(gx, gy)
    xo, yo, oo = shared(gx, off), shared(gy, off), shared(off, off)
    at = np.s_[tile // 2 :: tile, tile // 2 :: tile]
    xx, yy, xy, xo, yo, oo, n = (a[at].astype(float) for a in (xx, yy, xy, xo, yo, oo, count))
    det = xx * yy - xy**2
    clear = (det > 1e-3 * (xx + yy) ** 2) & (det > 0) & (n > 0.5 * tile**2)
    if clear.sum() < _FEW:
        return 0.0
    xx, yy, xy, xo, yo, oo, n, det = (a[clear] for a in (xx, yy, xy, xo, yo, oo, n, det))
    dx, dy = (yy * xo - xy * yo) / det, (xx * yo - xy * xo) / det
    rest = np.maximum(oo - dx * xo - dy * yo, 0.0) / (3 * n) * _ALIKE
    noise = rest * (xx + yy) / det  # variance of dx and dy together
    told = noise < 2 * _KNOWN_MM**2
    if told.sum() < _FEW:
        return 0.0
    dx, dy = dx[told] - np.median(dx[told]), dy[told] - np.median(dy[told])
    square = dx**2 + dy**2 - noise[told]
    # for two normal components the middle of the squares is ln 2 of their mean
    return float(np.sqrt(max(float(np.median(square)), 0.0) / np.log(2)))
