"""The smooth light over the piece, from the white cells alone: heat cannot change bare coat.

Universal kriging (a low-order trend and a smooth Gaussian process) of the logarithm of
the white cells; smoothness by leave-one-out error, so that an even lamp gives an even
field and a close lamp may bend; cells that a reflection or a speck touches lose weight.
Rasmussen & Williams, *Gaussian Processes for Machine Learning* (2006), sections 2.7 and
5.4.2 give the formulae.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..ground.records import Floats
from ..ground.robust import alikeness, mad_std, polynomial_terms, robust_least_squares, tukey_weights

_LENGTHS = (0.5, 0.9, 1.5)
_NUGGETS = (0.003, 0.03, 0.3, 3.0)
_LEAST_REL = 0.002  # bare coat itself varies by about this much


@dataclass(frozen=True, slots=True, eq=False)
class LightFit:
    """A fitted light: enough to say it anywhere on the piece.

    ``xy`` (n, 2) unit places of the anchors, ``trend`` (t,) and ``pull`` (n,) the
    kriging weights of the mean log light, ``chroma`` (s, 3) the slow colour of the lamp,
    ``other`` (n,) anchors of the second kind,
    ``loo`` relative leave-one-out error, ``weight`` (n,) what each anchor counted.
    """

    size_mm: tuple[float, float]
    xy: Floats
    degree: int
    length: float
    trend: Floats
    pull: Floats
    chroma: Floats
    chroma_degree: int
    other: Floats
    amplitude2: float
    nugget: float
    loo: float
    weight: Floats


def _unit(xy_mm: Floats, size_mm: tuple[float, float]) -> Floats:
    half = max(size_mm) / 2
    return np.asarray((xy_mm - [size_mm[0] / 2, size_mm[1] / 2]) / half)


def _trend(xy: Floats, degree: int, other: Floats) -> Floats:
    """Trend terms; a second kind of anchor gets a constant of its own, so that it tells shape only."""
    t = polynomial_terms(xy[:, 0], xy[:, 1], degree)
    return np.column_stack([t, other]) if other.any() else t


def _solve(
    xy: Floats, y: Floats, w: Floats, degree: int, length: float, nugget: float, other: Floats
) -> tuple[Floats, Floats, Floats]:
    """Trend, pull and the projected inverse Q, whose diagonal gives leave-one-out errors."""
    t = _trend(xy, degree, other)
    k = alikeness(xy, xy, length) + np.diag(nugget / np.maximum(w, 1e-3))
    ki = np.linalg.inv(k)
    kt = ki @ t
    s = np.linalg.pinv(t.T @ kt)
    q = ki - kt @ s @ kt.T
    return s @ (kt.T @ y), q @ y, q


def fit_light(
    xy_mm: Floats,
    rgb: Floats,
    size_mm: tuple[float, float],
    *,
    weights: Floats | None = None,
    other: Floats | None = None,
    chroma_degree: int | None = None,
) -> LightFit:
    """Fit the light through the white anchors.

    Parameters
    ----------
    xy_mm : (n, 2)
    rgb : (n, 3)
        Linear signal of bare coat, additive light already taken off; must be positive.
    weights : (n,), optional
        Prior weights in 0–1; 0 leaves an anchor out.
    other : (n,), optional
        1 for anchors of a second kind (quiet zones), which stray light makes a little
        darker or lighter than the cells; they tell the shape of the light, not its level.

    Returns
    -------
    LightFit
    """
    xy = _unit(xy_mm, size_mm)
    prior = np.ones(len(xy)) if weights is None else np.asarray(weights, dtype=float)
    logs = np.log(np.maximum(rgb, 1e-6))
    y = logs.mean(axis=1)
    second = np.zeros(len(xy)) if other is None else np.asarray(other, dtype=float)
    live = int((prior > 0.2).sum())
    degree = 2 if live >= 12 else 1 if live >= 5 else 0
    w = np.maximum(prior, 1e-3)
    if live >= 12:  # a flexible light bends to a wild anchor: begin with those that a stiff one leaves out
        a = _trend(xy, 3 if live >= 24 else 2, second)
        _, stiff, scale = robust_least_squares(a, y, weights=np.maximum(prior, 1e-3), ridge=1e-6, floor=0.005)
        w = np.maximum(prior * np.where(stiff > 0.3, 1.0, 0.0), 1e-3)
    best: tuple[float, float, float] = (np.inf, _LENGTHS[-1], _NUGGETS[-1])
    loo_rel = 0.0
    for _ in range(4):
        best = (np.inf, _LENGTHS[-1], _NUGGETS[-1])
        for length in _LENGTHS:
            for nugget in _NUGGETS:
                _, pull, q = _solve(xy, y, w, degree, length, nugget, second)
                loo = pull / np.maximum(np.diag(q), 1e-9)
                score = float(np.sqrt((w * np.minimum(loo**2, (4 * mad_std(loo)) ** 2)).sum() / w.sum()))
                if score < best[0] * 0.97:  # a rougher light must earn its place
                    best = (score, length, nugget)
        _, pull, q = _solve(xy, y, w, degree, best[1], best[2], second)
        diag = np.maximum(np.diag(q), 1e-9)
        # an anchor that was left out is judged by the usual doubt, not by that which leaving it out gave it
        usual = np.sqrt(np.maximum(1 / diag - best[2] / np.maximum(w, 1e-3) + best[2], best[2]))
        z = pull / diag / usual * np.sqrt(np.minimum(prior, 1.0))
        scale = max(float(mad_std(z[prior > 0.2])), 1e-9)
        loo_rel = best[0]
        # a residual of a few thousandths is the coat's own, however tight the others are
        floor = _LEAST_REL / max(float(np.median(usual)), 1e-9)
        w = np.maximum(prior * tukey_weights(z, max(scale, floor)), 1e-3)
    trend, pull, q = _solve(xy, y, w, degree, best[1], best[2], second)
    resid2 = float((y * (q @ y)).sum()) / max(live - len(trend), 1)
    cd = chroma_degree if chroma_degree is not None else (2 if live >= 16 else 1 if live >= 5 else 0)
    c = polynomial_terms(xy[:, 0], xy[:, 1], cd)
    chroma = np.zeros((c.shape[1], 3))
    cw = np.where(second > 0, 0.0, w) if (second == 0).sum() > c.shape[1] + 1 else w.copy()
    w_chroma = cw.copy()
    for _ in range(4):
        chroma = np.linalg.lstsq(c.T @ (c * cw[:, None]), c.T @ ((logs - y[:, None]) * cw[:, None]), rcond=1e-10)[0]
        r = np.abs(logs - y[:, None] - c @ chroma).max(axis=1)
        cw = w_chroma * tukey_weights(r, max(float(np.median(r[prior > 0.2])) * 1.4, _LEAST_REL))
    return LightFit(
        size_mm=size_mm,
        xy=xy,
        degree=degree,
        length=best[1],
        trend=trend,
        pull=pull,
        chroma=chroma,
        chroma_degree=cd,
        other=second,
        amplitude2=max(resid2, 0.0),
        nugget=best[2],
        loo=loo_rel,
        weight=w,
    )


def light_at(fit: LightFit, xy_mm: Floats) -> tuple[Floats, Floats]:
    """Light (m, 3) in the photo's linear units and its relative standard error (m,) at places in mm."""
    p = _unit(xy_mm, fit.size_mm)
    t = polynomial_terms(p[:, 0], p[:, 1], fit.degree)
    k = alikeness(p, fit.xy, fit.length)
    if fit.other.any():
        t = np.column_stack([t, np.zeros(len(t))])
    mean = t @ fit.trend + k @ fit.pull
    c = polynomial_terms(p[:, 0], p[:, 1], fit.chroma_degree) @ fit.chroma
    # kriging variance: 1 − kᵀQk plus the trend's own, which is what makes corners uncertain
    own_t = _trend(fit.xy, fit.degree, fit.other)
    ki = np.linalg.inv(alikeness(fit.xy, fit.xy, fit.length) + np.diag(fit.nugget / fit.weight))
    kt = ki @ own_t
    lack = t - k @ kt
    s = np.linalg.pinv(own_t.T @ kt)
    var = 1.0 - np.einsum("ij,jk,ik->i", k, ki, k) + np.einsum("ij,jk,ik->i", lack, s, lack)
    std = np.sqrt(np.maximum(var, 0) * fit.amplitude2)
    return np.exp(mean[:, None] + c), np.maximum(std, 0.25 * fit.loo)


def grid_places(size_mm: tuple[float, float], step_mm: float, shape: tuple[int, int]) -> Any:
    """Middles of the coarse grid's blocks, (rows·cols, 2)."""
    x, y = (np.arange(shape[1]) + 0.5) * step_mm, (np.arange(shape[0]) + 0.5) * step_mm
    xx, yy = np.meshgrid(np.minimum(x, size_mm[0]), np.minimum(y, size_mm[1]))
    return np.stack([xx.ravel(), yy.ravel()], axis=1)
