"""The paper moved: a second, shifted copy of the print.

What a lens, a sharpening filter, bleeding dye or scatter in thick glass do to an edge is alike on both sides of it; a
ghost lies on one side only, which is what tells it apart. It shows best where the print itself is plain: there nothing
that lies a little off can feign it. So every pixel counts by how well it is known what it should be, and a copy must
agree between the parts of the piece, fitted in each beside displacement, blur and level of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.grid import Array, local_mean, mean_channel
from ..ground.places import all_over
from ..ground.records import Finding, Kind, SecondCopy
from ..ground.relative import dye_depth, relative_lab
from ..ground.residue import Residue
from .finedetail import FINE_FLOOR, FineDetail
from .lack import confidence

_PIXELS = 300_000  # are enough to see it
_REACH_MM = 6.0
_NEAREST_MM = 0.5  # a nearer copy is blur
_LEAST = 0.02  # share of the print; a weaker copy is not seen on a finished piece (estimate)
_MOST = 0.3  # a copy is weaker than the print
_SIGNIFICANT = 5.0  # standard errors between the parts of the piece
_NEAR = (7.0, 15.0)  # times what print may lie off its place: a nearer copy is feigned by print displaced or blurred …
_NEAR_MORE = 4.0  # … and must be so many times more significant; good pieces of two simulations reach 3
_SOFT = 0.05  # of the print's mean power: frequencies with less say little of a copy
_CLOSE_MM = 0.8
_WORTH = 2.5  # less significant candidates are not looked at more closely
_PARTS = 9  # so many parts at least must have something to say, counted by their weight
_PART_MM = 16.0
_BETWEEN = 0.6  # share of the way to the copy where a smear is looked for
_FILLED = 0.2
_ALIKE = 30  # pixels that err alike
_APART = 0.015  # half of what a copy's strength may differ by between parts
_LEAST_ERROR = 0.001
_SMOOTH_MM = 4.0
_NONE = SecondCopy((0.0, 0.0), 0.0, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class _Plane:
    """Expected density ``due``, ``extra`` seen beyond it, weights, all (H, W) at ``q`` pixels per mm."""

    due: Any
    extra: Any
    weight: Any
    q: float

    def fine(self, a: Any) -> Any:
        """Take off what changes slowly, as the well-known pixels show it."""
        return a - local_mean(a, self.weight, _SMOOTH_MM * self.q)


def find_ghost(fine: FineDetail, res: Residue) -> tuple[SecondCopy, Finding | None]:
    """Look for a second copy of the print.

    Returns
    -------
    SecondCopy
        The strongest candidate, borne out or not.
    Finding or None
    """
    plane = _plane(fine, res)
    if plane is None:
        return _NONE, None
    parts = _parts(plane)
    best, most = _NONE, 0.0
    # a near copy pulls the edges with it, and what is left of it then shows on the other side as well
    turns = np.arange(8) * np.pi / 4
    near = [(float(_CLOSE_MM * np.cos(t)), float(_CLOSE_MM * np.sin(t))) for t in turns]
    for dx, dy in [*_candidates(plane, parts), *near]:
        copy, explains = _in_all_parts(parts, plane, dx, dy)
        if explains > most and copy.strength < _MOST and copy.significance > _WORTH:
            net, _ = _in_all_parts(parts, plane, dx, dy, smeared=True)
            if net.significance > _WORTH:
                best, most = copy, explains
    for step in (0.3, 0.15) if most > 0 else ():
        x, y = best.shift_mm
        for dx, dy in ((x + step, y), (x - step, y), (x, y + step), (x, y - step)):
            copy, explains = _in_all_parts(parts, plane, dx, dy)
            if explains > most and copy.strength < _MOST and np.hypot(dx, dy) > _NEAREST_MM:
                best, most = copy, explains
    if most > 0:
        net, _ = _in_all_parts(parts, plane, *best.shift_mm, smeared=True)
        best = replace(best, significance=min(best.significance, net.significance))
    far = float(np.hypot(*best.shift_mm))
    needed = _SIGNIFICANT * float(np.interp(far / res.placed_mm, _NEAR, (_NEAR_MORE, 1.0)))
    # a copy pulls edges by its strength times its way
    if best.strength < max(_LEAST, res.placed_mm / max(far, _NEAREST_MM)) or best.significance < needed:
        return best, None
    printed = plane.due[(plane.weight > 0) & (plane.due > 0.1)]
    typical = float(np.median(printed)) if printed.size else 1.0
    lab = relative_lab(np.array([[1.0] * 3, [np.exp(-best.strength * typical)] * 3]))
    return best, all_over(
        Kind.GHOST,
        res.size_mm,
        float(res.inside.sum()) * res.step_mm**2,
        delta_e00=float(delta_e00(lab[1], lab[0])),
        delta_l=float(lab[1, 0] - 100.0),
        confidence=confidence(best.significance),
        detail={
            "shift_mm": [round(float(v), 2) for v in best.shift_mm],
            "strength": round(best.strength, 3),
            "significance": round(best.significance, 1),
        },
    )


def _plane(fine: FineDetail, res: Residue) -> _Plane | None:
    h, w = fine.ok.shape
    f = min(1.0, float(np.sqrt(_PIXELS / (h * w))))
    size, q = (round(w * f), round(h * f)), fine.g * f

    def small(a: Any) -> Any:
        a = np.ascontiguousarray(a, np.float32)
        return a if f == 1.0 else cv2.resize(a, size, interpolation=cv2.INTER_AREA)

    rel = res.fine_rel
    passes = small(mean_channel(np.clip((rel - res.floor) / (rel + FINE_FLOOR), 0.1, 1.0)))  # what more dye would do
    due = small(mean_channel(dye_depth(rel, res.floor)))
    extra = small(-mean_channel(fine.left))
    extra /= passes
    weight = small(fine.weight) * passes**2
    if (weight > 0).sum() < 500:
        return None
    plane = _Plane(due=due, extra=extra, weight=weight, q=q)
    return replace(plane, extra=np.where(weight > 0, plane.fine(extra), np.float32(0)))


def _candidates(p: _Plane, parts: _Parts) -> list[tuple[float, float]]:
    """Displacements in mm at which the kernel that takes the print to what is seen beyond it has a one-sided peak."""
    reach = int(_REACH_MM * p.q)
    h, w = p.due.shape
    rows, cols = (cv2.getOptimalDFTSize(n + reach + 1) for n in (h, w))
    k = np.arange(-reach, reach + 1)

    def spectrum(a: Any) -> Any:
        return np.fft.rfft2(a, (rows, cols))

    due = spectrum(p.fine(p.due))
    energy = np.abs(due) ** 2
    spread = spectrum(parts.whole(parts.seen)) * np.conj(due) / (energy + _SOFT * energy.mean())
    kernel: Any = np.fft.irfft2(spread, (rows, cols))
    kernel = cv2.GaussianBlur(kernel, (0, 0), 0.2 * p.q)[np.ix_(k, k)]
    one_sided = kernel - kernel[::-1, ::-1]
    far = np.hypot(k[:, None], k[None, :]) / p.q
    left = np.where((far <= _REACH_MM - 0.5) & (far >= max(_NEAREST_MM, 1 / p.q)), one_sided, -np.inf)
    out: list[tuple[float, float]] = []
    for _ in range(4):
        j, i = (int(n) for n in np.unravel_index(int(left.argmax()), left.shape))
        y, x = _peak(one_sided, j, i)
        out.append((float(x - reach) / p.q, float(y - reach) / p.q))
        left = np.where(np.hypot(k[None, :] - k[i], k[:, None] - k[j]) / p.q < 0.6, -np.inf, left)
    return out


def _peak(a: Array, j: int, i: int) -> tuple[float, float]:
    """Refine a maximum to a part of a pixel by parabolas."""
    out = []
    for line, k in ((a[:, i], j), (a[j, :], i)):
        bend = line[k - 1] - 2 * line[k] + line[k + 1] if 0 < k < len(line) - 1 else 0.0
        out.append(k + (float(np.clip(0.5 * (line[k - 1] - line[k + 1]) / bend, -0.5, 0.5)) if bend < 0 else 0.0))
    return out[0], out[1]


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """The piece in parts, all times the root of the weight, (n, pixels) each.

    ``free`` (n, pixels, k) is an orthonormal basis of what else may be seen: displacement, blur, level; ``seen`` the
    extra density without it; ``cut`` brings a plane into parts, ``whole`` parts into a plane, times the root again.
    """

    free: Any
    seen: Any
    cut: Callable[[Any], Any]
    whole: Callable[[Any], Any]

    def without_free(self, a: Any) -> Any:
        """Take off what the free terms explain of ``a`` (n, pixels)."""
        return a - (self.free @ (a[:, None, :] @ self.free).transpose(0, 2, 1))[..., 0]


def _parts(p: _Plane) -> _Parts:
    h, w = p.due.shape
    rows, cols = (max(3, int(n / p.q / _PART_MM)) for n in (h, w))
    tall, wide = h // rows, w // cols
    root = np.sqrt(p.weight)

    def cut(a: Any) -> Any:
        whole = (a * root)[: rows * tall, : cols * wide].reshape(rows, tall, cols, wide)
        return whole.transpose(0, 2, 1, 3).reshape(rows * cols, tall * wide)[use]

    def whole(a: Any) -> Any:
        parts = np.zeros((rows * cols, tall * wide), np.float32)
        parts[use] = a
        plane = np.zeros((h, w), np.float32)
        joined = parts.reshape(rows, cols, tall, wide).transpose(0, 2, 1, 3)
        plane[: rows * tall, : cols * wide] = joined.reshape(rows * tall, cols * wide)
        return plane * root

    use = np.ones(rows * cols, bool)
    use = (cut(np.ones_like(root)) > 0).mean(axis=1) > _FILLED
    soft = cv2.GaussianBlur(p.due, (0, 0), 0.3 * p.q)
    free = [cv2.Sobel(soft, cv2.CV_32F, i, j) for i, j in ((1, 0), (0, 1), (2, 0), (0, 2), (1, 1))]
    free += [p.due, cv2.GaussianBlur(p.due, (0, 0), 0.6 * p.q)]
    design = np.stack([cut(p.fine(f / max(float(f.std()), 1e-6))) for f in free], axis=2)
    power, turn = np.linalg.eigh(design.transpose(0, 2, 1).astype(float) @ design)  # far faster than singular values
    size = np.sqrt(np.maximum(power, 0))
    kept = size > 1e-3 * np.maximum(size[:, -1:], 1e-6)
    basis = design @ (turn * np.where(kept, 1 / np.maximum(size, 1e-12), 0.0)[:, None, :]).astype(np.float32)
    parts = _Parts(free=basis, seen=cut(p.extra), cut=cut, whole=whole)
    return replace(parts, seen=parts.without_free(parts.seen))


def _in_all_parts(parts: _Parts, p: _Plane, dx: float, dy: float, *, smeared: bool = False) -> tuple[SecondCopy, float]:
    """Fit a copy moved by (dx, dy) mm; its standard errors come from how the parts differ. Also what it explains.

    Halos lie on both sides alike, and where the print changes slowly so does the copy: only the difference between
    what lies on one side and on the other tells a copy. It explains half of that difference. With ``smeared`` light or
    dye may also run out to one side: that shows between print and copy as well.
    """
    sides, seen = _two_sides(parts, p, dx, dy), parts.seen
    if smeared:
        between = _two_sides(parts, p, _BETWEEN * dx, _BETWEEN * dy)
        norm = np.maximum((between**2).sum(axis=1, keepdims=True), 1e-9)
        sides, seen = (a - (a * between).sum(axis=1, keepdims=True) / norm * between for a in (sides, seen))
    power = (sides.astype(float) ** 2).sum(axis=1)
    told = power > 1e-9 * max(float(power.max(initial=0.0)), 1e-9)  # a part of one colour has no copy to tell of
    half = np.where(told, (sides * seen).sum(axis=1, dtype=float) / np.where(told, power, 1.0), 0.0)
    rest = (seen.astype(float) ** 2).mean(axis=1) * _ALIKE
    weight = np.where(told, 1 / (np.maximum(rest, 1e-9) / np.where(told, power, 1.0) + _APART**2), 0.0)
    count = weight.sum() ** 2 / max(float((weight**2).sum()), 1e-12)
    if count < _PARTS:
        return _NONE, 0.0
    mean = float((weight * half).sum() / weight.sum())
    spread = float(np.sqrt((weight * (half - mean) ** 2).sum() / weight.sum() / (count - 1)))
    explains = max(mean, 0.0) ** 2 * float(power.sum())
    return SecondCopy((dx, dy), 2 * mean, mean / max(spread, _LEAST_ERROR)), explains


def _two_sides(parts: _Parts, p: _Plane, dx: float, dy: float) -> Any:
    """Print moved by (dx, dy) mm less print moved the other way, in parts, without what the free terms explain."""
    moves = [np.array([[1, 0, k * dx * p.q], [0, 1, k * dy * p.q]]) for k in (1, -1)]
    size = p.due.shape[::-1]
    copy, mirror = (cv2.warpAffine(p.due, m, size, borderMode=cv2.BORDER_REPLICATE) for m in moves)
    return parts.without_free(parts.cut(p.fine(copy - mirror)))
