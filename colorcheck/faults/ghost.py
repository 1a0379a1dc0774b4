"""The paper moved: a second, shifted copy of the print.

What a lens, a sharpening filter, bleeding dye or scatter in thick glass do to an edge is alike on both
sides of it; a ghost lies on one side only, which is what tells it apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.records import Finding, Floats, Kind, Mask, Target
from ..ground.relative import relative_lab
from ..sheet.sheetgrid import SheetGrid, clipped, local_mean, outline

_GHOST_PIXELS = 500_000
_GHOST_REACH_MM = 6.0
_GHOST_LEAST = 0.02  # share of the print; a weaker copy is not seen on a finished piece (estimate)
_GHOST_SIGNIFICANT = 5.0  # standard errors between the ninths of the sheet


def _correlate(a: Any, b: Any, reach: int) -> Floats:
    """Σ a(x)·b(x − d) for shifts |d| ≤ ``reach``, (2·reach + 1, 2·reach + 1); a, b spectra."""
    full = cv2.idft(cv2.mulSpectrums(a, b, 0, conjB=True), flags=cv2.DFT_SCALE | cv2.DFT_REAL_OUTPUT)
    k = np.arange(-reach, reach + 1)
    return np.asarray(full[np.ix_(k, k)], dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class _Shifts:
    """Least squares over all shifts: strength, its normal-equation weight and their signed root gain."""

    strength: Floats
    weight: Floats
    gain: Floats
    reach: int
    q: float


def _regress(density: Any, residual: Any, bare: Any, plain: Any, q: float) -> _Shifts:
    """Regress the residual of bare coat and field on the shifted print, for every shift."""
    reach = int(_GHOST_REACH_MM * q)
    h, w = density.shape
    rows, cols = cv2.getOptimalDFTSize(h + reach + 1), cv2.getOptimalDFTSize(w + reach + 1)

    def spectrum(a: Any) -> Any:
        padded = np.zeros((rows, cols), np.float32)
        padded[:h, :w] = a
        return cv2.dft(padded)

    d, d2 = spectrum(density), spectrum(density * density)
    numerator, weight = np.zeros((2 * reach + 1,) * 2), np.zeros((2 * reach + 1,) * 2)
    both = spectrum((bare | plain).astype(np.float32))
    weight += _correlate(both, d2, reach)
    r = np.where(bare | plain, residual, 0).astype(np.float32)
    for part in (bare, plain):
        n = float(part.sum())
        if n < 50:
            continue
        r[part] -= r[part].mean()
        total = _correlate(spectrum(part.astype(np.float32)), d, reach)
        weight -= total**2 / n
    numerator = _correlate(spectrum(r), d, reach)
    weight = np.maximum(weight, 1e-3 * weight.max() + 1e-9)
    return _Shifts(numerator / weight, weight, numerator / np.sqrt(weight), reach, q)


def find_ghost(target: Target, sheet: SheetGrid) -> tuple[tuple[float, float, float, float], list[Finding]]:
    """Look for a second, shifted copy of the print: (dx, dy, strength, significance), findings."""
    h, w = sheet.valid.shape
    f = min(1.0, float(np.sqrt(_GHOST_PIXELS / (h * w))))
    q = sheet.q * f
    size = (round(w * f), round(h * f))
    rel = sheet.rel if f == 1.0 else cv2.resize(sheet.rel, size, interpolation=cv2.INTER_AREA)
    # the geometric mean of the channels: every dye of the copy counts
    density = cv2.transform(cv2.log(clipped(rel, 0.02, 2.0)), np.full((1, 3), -1 / (3 * np.log(10))))

    def small(m: Any) -> Mask:
        return np.asarray(cv2.resize(m.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.999)

    bare, plain, valid = small(sheet.bare), small(sheet.field), small(sheet.valid)
    inside = outline(target, density.shape, q, 0.5).astype(bool) & valid
    density = np.where(inside, np.clip(density, -0.05, 1.9), 0).astype(np.float32)
    residual = density.copy()
    smooth = local_mean(density, plain, 5.0 * q)
    residual[plain] -= smooth[plain]
    limit = 0.25
    plain &= np.abs(residual) < limit  # spots and specks are none of it
    bare &= np.abs(residual) < limit
    none = (0.0, 0.0, 0.0, 0.0)
    if bare.sum() + plain.sum() < 500:
        return none, []
    s = _regress(density, residual, bare, plain, q)
    one_sided = s.gain - s.gain[::-1, ::-1]
    k = np.arange(-s.reach, s.reach + 1)
    r = np.hypot(k[:, None], k[None, :]) / q
    ring = (r <= _GHOST_REACH_MM - 0.5) & (r >= max(0.28, 0.6 / q))
    score = np.where(ring & (s.strength > 0), one_sided, -np.inf)
    j, i = np.unravel_index(int(np.argmax(score)), score.shape)
    dy, dx = _peak(one_sided, int(j), int(i))
    dy, dx = (dy - s.reach) / q, (dx - s.reach) / q
    strength, spread = _by_part(density, residual, bare, plain, dx, dy, q)
    significance = strength / max(spread, 1e-6)
    # a copy nearer than the edges are wide is easily feigned by a slightly wrong place of the sheet
    needed = _GHOST_SIGNIFICANT * (1 + float(np.clip((0.9 - np.hypot(dx, dy)) / 0.4, 0, 0.7)))
    if strength < _GHOST_LEAST or significance < needed:
        return (float(dx), float(dy), float(max(strength, 0.0)), float(max(significance, 0.0))), []
    field_d = float(np.median(density[plain])) if plain.any() else 0.7
    shadow = 10.0 ** (-strength * field_d)
    lab = relative_lab(np.array([[1.0, 1.0, 1.0], [shadow] * 3]))
    mid = (target.size_mm[0] / 2, target.size_mm[1] / 2)
    return (float(dx), float(dy), strength, float(significance)), [
        Finding(
            kind=Kind.GHOST,
            x_mm=mid[0],
            y_mm=mid[1],
            diameter_mm=float(np.sqrt(4 / np.pi * target.size_mm[0] * target.size_mm[1])),
            area_mm2=float(target.size_mm[0] * target.size_mm[1]),
            delta_e00=float(delta_e00(lab[1], lab[0])),
            delta_l=float(lab[1, 0] - 100.0),
            confidence=float(min(0.99, 1 - 2 / significance**2)),
            where="all over",
            detail={"shift_mm": [round(float(dx), 2), round(float(dy), 2)], "strength": round(strength, 3)},
        )
    ]


def _peak(a: Floats, j: int, i: int) -> tuple[float, float]:
    """Refine a maximum to a part of a pixel by parabolas."""
    out = []
    for axis, k in ((0, j), (1, i)):
        line = a[:, i] if axis == 0 else a[j, :]
        if 0 < k < len(line) - 1:
            lo, mid, hi = line[k - 1], line[k], line[k + 1]
            bend = lo - 2 * mid + hi
            out.append(k + float(np.clip(0.5 * (lo - hi) / bend, -0.5, 0.5)) if bend < 0 else float(k))
        else:
            out.append(float(k))
    return float(out[0]), float(out[1])


def _by_part(density: Any, residual: Any, bare: Any, plain: Any, dx: float, dy: float, q: float) -> tuple[float, float]:
    """Strength at one shift net of its mirror image, from parts of the sheet, and its standard error."""
    h, w = density.shape
    moves = [np.array([[1, 0, k * dx * q], [0, 1, k * dy * q]]) for k in (1, -1)]
    reach = [cv2.warpAffine(density, m, (w, h), flags=cv2.INTER_LINEAR) for m in moves]
    values, weights = [], []
    rows, cols = np.linspace(0, h, 4).astype(int), np.linspace(0, w, 4).astype(int)
    for a in range(3):
        for b in range(3):
            part = (slice(rows[a], rows[a + 1]), slice(cols[b], cols[b + 1]))
            normal, right = np.zeros((2, 2)), np.zeros(2)
            for m in (bare[part], plain[part]):
                if m.sum() < 60:
                    continue
                p = np.stack([x[part][m] for x in reach], axis=1).astype(float)
                y = residual[part][m].astype(float)
                p -= p.mean(axis=0)
                y -= y.mean()
                normal += p.T @ p
                right += p.T @ y
            if normal[0, 0] > 1e-6 and normal[1, 1] > 1e-6:
                x = np.linalg.solve(normal + 0.02 * np.trace(normal) / 2 * np.eye(2), right)
                values.append(x[0] - max(x[1], 0.0))
                weights.append(normal[0, 0])
    if len(values) < 4:
        return 0.0, 1.0
    v, wt = np.array(values), np.array(weights)
    wt = np.minimum(wt, 3 * np.median(wt))
    mean = float((v * wt).sum() / wt.sum())
    n = wt.sum() ** 2 / (wt**2).sum()
    spread = float(np.sqrt((wt * (v - mean) ** 2).sum() / wt.sum() / max(n - 1, 1)))
    return mean, max(spread, 0.001)
