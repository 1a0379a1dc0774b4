"""Additive light: reflections that lie over the print.

A reflection lifts every colour by the same amount; weak pressing lifts a colour by
ρ^(1−q) − ρ, nothing for white and for very dark colours, most for mid tones. Where cells
of unlike darkness stand together the two are told apart by local least squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.grid import grow
from ..ground.records import Floats, Mask
from ..ground.robust import tukey_weights


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Relative signal at places: ``seen`` and ``due`` (n, 3), ``std`` (n, 3), ``xy_mm`` (n, 2).

    ``fixed`` (n,) marks bare coat, which pressing cannot change.
    """

    xy_mm: Floats
    seen: Floats
    due: Floats
    std: Floats
    fixed: Mask


@dataclass(frozen=True, slots=True, eq=False)
class GlareFit:
    """Additive light relative to the coat on nodes: ``g`` (r, c, 3), ``std`` (r, c), ``mask`` (r, c)."""

    g: Floats
    std: Floats
    mask: Mask
    lack: Floats
    step_mm: float


def _nodes(size_mm: tuple[float, float], step: float) -> tuple[Floats, tuple[int, int]]:
    nx, ny = int(np.ceil(size_mm[0] / step)), int(np.ceil(size_mm[1] / step))
    xx, yy = np.meshgrid((np.arange(nx) + 0.5) * step, (np.arange(ny) + 0.5) * step)
    return np.stack([xx.ravel(), yy.ravel()], axis=1), (ny, nx)


def _sample(grid: Floats, xy_mm: Floats, step: float) -> Floats:
    """Bilinear look-up of a node grid (r, c) at places in mm."""
    fx = np.clip(xy_mm[:, 0] / step - 0.5, 0, grid.shape[1] - 1)
    fy = np.clip(xy_mm[:, 1] / step - 0.5, 0, grid.shape[0] - 1)
    x0, y0 = (
        np.minimum(fx.astype(int), max(grid.shape[1] - 2, 0)),
        np.minimum(fy.astype(int), max(grid.shape[0] - 2, 0)),
    )
    x1, y1 = np.minimum(x0 + 1, grid.shape[1] - 1), np.minimum(y0 + 1, grid.shape[0] - 1)
    tx, ty = fx - x0, fy - y0
    top = grid[y0, x0] * (1 - tx) + grid[y0, x1] * tx
    low = grid[y1, x0] * (1 - tx) + grid[y1, x1] * tx
    return np.asarray(top * (1 - ty) + low * ty)


def glare_at(fit: GlareFit, xy_mm: Floats) -> tuple[Floats, Floats, Mask]:
    """Additive light (n, 3), its error (n,) and whether a place lies in glare (n,), relative to the coat."""
    g = np.stack([_sample(fit.g[..., c], xy_mm, fit.step_mm) for c in range(3)], axis=1)
    lies = _sample(fit.mask.astype(float), xy_mm, fit.step_mm) > 0.01
    return g, _sample(fit.std, xy_mm, fit.step_mm), lies


def _without_the_strongest(near: Floats, columns: Floats, fit: Floats) -> Mask:
    """Whether at each node (n,) light is added also by what lies beside the one place that tells most of it.

    A colour that was expected wrongly lies in one place only; a reflection lies over its neighbours as well. ``near``
    (n, m) weighs the places, ``columns`` (m, 5) are their sums of the normal equations, ``fit`` (n, 2) the solution
    (added light, missing dye).
    """
    _, slope, _, told, _ = columns.T
    strongest = np.argmax(near * np.maximum(told - slope * fit[:, 1:], 0.0), axis=1)
    at = np.arange(len(near))
    sums = near @ columns - near[at, strongest][:, None] * columns[strongest]
    s1, s12, s22, t1, t2 = sums.T
    s1, s22 = s1 + 1 / 0.5**2, s22 + 1 / 0.25**2
    det = s1 * s22 - s12**2
    g, std = (s22 * t1 - s12 * t2) / det, np.sqrt(s22 / det)
    return np.asarray((g > 2 * std) & (g > 0.004))


def fit_glare(evidence: Evidence, size_mm: tuple[float, float], pitch_mm: float) -> GlareFit:
    """Tell reflections from weak pressing, place by place.

    Parameters
    ----------
    evidence : Evidence
        Cells and field blocks, relative to the light.
    pitch_mm : float
        Distance of the cells: sets how wide the neighbourhood must be.

    Returns
    -------
    GlareFit
        Zero outside the places where additive light is certain (four standard errors)
        and matters (over 1 % of white).
    """
    step = float(np.clip(0.6 * pitch_mm, 3.0, 7.0))
    nodes, shape = _nodes(size_mm, step)
    sigma = 0.85 * pitch_mm
    d2 = ((nodes[:, None, :] - evidence.xy_mm[None, :, :]) ** 2).sum(axis=2)
    near = np.exp(-d2 / (2 * sigma * sigma))
    near[d2 > (3 * sigma) ** 2] = 0.0
    due = np.clip(evidence.due, 0.004, 1.0)
    depth = -np.log(due)
    lack_at = np.zeros(len(due))
    robust = np.ones_like(due)
    g = lack = std = np.zeros(len(nodes))
    per_channel = np.zeros((len(nodes), 3))
    near = near.astype(np.float32)
    for _ in range(4):
        now = due ** (1 - lack_at[:, None])
        now = np.where(evidence.fixed[:, None], due, now)
        slope = np.where(evidence.fixed[:, None], 0.0, now * depth)
        lin = evidence.seen - now + slope * lack_at[:, None]
        var = evidence.std**2 + (0.25 * (now - due)) ** 2
        w = robust / var
        wl, ws = w * lin, w * slope
        columns = np.column_stack([w.sum(1), ws.sum(1), (ws * slope).sum(1), wl.sum(1), (wl * slope).sum(1), w, wl, ws])
        sums = (near @ columns.astype(np.float32)).astype(float)
        s1, s12, s22, t1, t2 = sums[:, :5].T
        s22 = s22 + 1 / 0.25**2
        s1 = s1 + 1 / 0.5**2
        det = s1 * s22 - s12**2
        g, lack = (s22 * t1 - s12 * t2) / det, (s1 * t2 - s12 * t1) / det
        std = np.sqrt(s22 / det)
        lack = np.clip(lack, -0.4, 0.7)
        per_channel = (sums[:, 8:11] - lack[:, None] * sums[:, 11:14]) / np.maximum(sums[:, 5:8], 1e-9)
        lack_at = _sample(lack.reshape(shape), evidence.xy_mm, step)
        g_at = _sample(g.reshape(shape), evidence.xy_mm, step)
        left = evidence.seen - due ** (1 - np.where(evidence.fixed, 0, lack_at)[:, None]) - g_at[:, None]
        # a strong reflection may end at once, a mirrored window: neighbours that differ by a share are no outliers
        left = left / np.sqrt(var + (0.25 * np.maximum(g_at - 0.05, 0.0)[:, None]) ** 2)
        scale = max(1.0, float(np.median(np.abs(left)) * 1.4826))
        robust = np.maximum(tukey_weights(left, scale, 6.0), 0.01)
        std = std * scale
    borne_out = _without_the_strongest(near, columns[:, :5], np.stack([g, lack], axis=1))
    sure = (g > 4 * std) & (g > 0.012) & borne_out
    mask = grow(sure.reshape(shape), ((g > 2 * std) & (g > 0.004)).reshape(shape))
    out = np.where(mask[..., None], np.maximum(per_channel.reshape(*shape, 3), 0.0), 0.0)
    return GlareFit(g=out, std=std.reshape(shape), mask=mask, lack=lack.reshape(shape), step_mm=step)
