"""Fits and means that a few wild values cannot pull away; numpy only."""

from __future__ import annotations

from typing import Any

import numpy as np

from .records import Floats

_MAD = 1.4826  # median absolute deviation → standard deviation of a normal distribution


def mad_std(values: Any, axis: int | None = None) -> Any:
    """Return the standard deviation as told by the median absolute deviation, NaN left out."""
    v = np.asarray(values, dtype=float)
    median: Any = np.nanmedian if np.isnan(v).any() or not v.size else np.median  # twice as fast
    middle = median(v, axis=axis, keepdims=True)
    return _MAD * median(np.abs(v - middle), axis=axis)


def legendre(x: Any, degree: int) -> list[Any]:
    """Legendre polynomials P₀ … up to a degree (at least 1) by Bonnet's recursion, in the precision of ``x``.

    The same as numpy's, which take 10 ms to import.
    """
    rows = [np.ones_like(x), x]
    for n in range(1, degree):
        rows.append(((2 * n + 1) * x * rows[n] - n * rows[n - 1]) / (n + 1))
    return rows


def polynomial_terms(x: Floats, y: Floats, degree: int) -> Floats:
    """Products of Legendre polynomials of total degree ≤ ``degree`` on [-1, 1]², (n, terms)."""
    px, py = legendre(x, degree), legendre(y, degree)
    cols = [px[i] * py[d - i] for d in range(degree + 1) for i in range(d + 1)]
    return np.stack(cols, axis=-1)


def cube_terms(v: Floats, degree: int) -> Floats:
    """Products of Legendre polynomials of total degree ≤ ``degree`` at places (n, 3) of [-1, 1]³, (n, terms)."""
    p = [legendre(v[:, c], degree) for c in range(3)]
    cols = [
        p[0][i] * p[1][j] * p[2][k]
        for i in range(degree + 1)
        for j in range(degree + 1 - i)
        for k in range(degree + 1 - i - j)
    ]
    return np.stack(cols, axis=1)


def alikeness(a: Floats, b: Floats, length: float) -> Floats:
    """Gaussian of the distance between places (n, d) and (m, d), (n, m): the covariance of what varies smoothly."""
    d2 = ((a[:, None, :] - b[None, :, :]) ** 2).sum(axis=2)
    return np.asarray(np.exp(-d2 / (2.0 * length * length)))


def tukey_weights(residual: Floats, scale: float, cut: float = 4.685) -> Floats:
    """Tukey's biweight (Beaton & Tukey, Technometrics 16(2), 147–185, 1974)."""
    t = np.clip(np.abs(residual) / (cut * max(scale, 1e-12)), 0.0, 1.0)
    return np.asarray((1 - t * t) ** 2)


def robust_least_squares(
    a: Floats,
    b: Floats,
    *,
    weights: Floats | None = None,
    ridge: float = 0.0,
    rounds: int = 8,
    floor: float = 1e-6,
) -> tuple[Floats, Floats, float]:
    """Fit ``a @ x ≈ b`` by iteratively re-weighted least squares with Tukey's biweight.

    Parameters
    ----------
    a : (n, p)
    b : (n,) or (n, m)
        With several columns a row's weight is shared by all of them.
    weights : (n,), optional
        Prior weights (inverse variances, relative).
    ridge : float
        Added to the normal matrix relative to its mean diagonal, except on the first column.
    floor : float
        Smallest residual scale believed.

    Returns
    -------
    x, row_weights, scale
        Coefficients (p,) or (p, m), final robust weights (n,) in 0–1, residual scale.
    """
    w0 = np.ones(len(a)) if weights is None else np.asarray(weights, dtype=float)
    w = w0.copy()
    two = b if b.ndim == 2 else b[:, None]
    x: Floats = np.zeros((a.shape[1], two.shape[1]))
    robust, scale = np.ones(len(a)), floor
    for _ in range(rounds):
        root = np.sqrt(w)[:, None]
        aw = a * root
        n = aw.T @ aw
        if ridge:
            bump = np.full(len(n), ridge * np.trace(n) / len(n))
            bump[0] = 0.0
            n = n + np.diag(bump)
        x = np.asarray(np.linalg.lstsq(n, aw.T @ (two * root), rcond=1e-12)[0], dtype=float)
        r = np.sqrt((((two - a @ x) ** 2) * w0[:, None] / max(np.mean(w0), 1e-12)).mean(axis=1))
        dof = max(len(r) - a.shape[1], 1) / max(len(r), 1)
        scale = max(_MAD * float(np.median(r)) / np.sqrt(dof), floor)
        if two.shape[1] > 1:
            scale = max(float(np.median(r)) * 1.13 / np.sqrt(dof), floor)
        robust = tukey_weights(r, scale)
        w = w0 * robust
    return (x if b.ndim == 2 else x[:, 0]), robust, scale


def trimmed_mean(values: Floats, cut: float = 0.15) -> tuple[Floats, Floats]:
    """Mean of the middle values along axis 1 and the spread of one value.

    Parameters
    ----------
    values : (n, k, c)
    cut : float
        Share left out at each end, by the channels' sum.

    Returns
    -------
    mean, std : (n, c)
        The standard deviation is corrected for the trimming of a normal distribution.
    """
    k = values.shape[1]
    drop = int(k * cut)
    total = values.sum(axis=2)
    order = np.argpartition(total, (drop, k - 1 - drop), axis=1)[:, drop : k - drop]
    kept = np.take_along_axis(values, order[:, :, None], axis=1).astype(float)
    mean = kept.mean(axis=1)
    # the spread of the middle 70 % of a normal distribution by value, put back to that of all
    std = values.std(axis=1, dtype=float)
    inner = np.abs(values - mean[:, None]).astype(float)
    robust = 1.4826 * np.partition(inner, k // 2, axis=1)[:, k // 2]
    return mean, np.minimum(std, 1.5 * robust)
