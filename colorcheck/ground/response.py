"""The printer's smooth response: device RGB → relative linear colour, fitted to the cells themselves.

A cubic polynomial in device RGB on the cube root of the signal (the scale on which the
eye and CIELAB count) predicts offset characterisation data to well under 1 ΔE from some
hundred cells; here it says what a cell should look like if light and press were even.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from .records import Floats
from .robust import cube_terms, robust_least_squares


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """Coefficients (terms, channels) of the polynomial, and its error on the cube-root scale (channels,).

    ``reach`` (n,): times that error, for each colour of the fit: 1 for those that took part; more for those that were
    left out, the further they lie from the others.
    """

    coefficients: Floats
    degree: int
    error: Floats
    reach: Floats


def device_terms(device_rgb: Any, degree: int) -> Floats:
    """All products of the three channels up to a total degree, on [-1, 1], (n, terms)."""
    return cube_terms(np.asarray(device_rgb, dtype=float) / 127.5 - 1.0, degree)


def cube_root(y: Any) -> Floats:
    """Signed cube root, so that noise about zero does no harm."""
    return np.asarray(np.cbrt(np.asarray(y, dtype=float)))


def fit_response(device_rgb: Any, y: Floats, *, weights: Floats | None = None) -> Response:
    """Fit the response robustly, with as many terms as the cells can carry.

    Parameters
    ----------
    device_rgb : (n, 3)
        0–255.
    y : (n, c)
        Linear signal relative to the bare coat.
    weights : (n,), optional
        Prior weights; 0 leaves a cell out.

    Returns
    -------
    Response
        ``error`` is the leave-one-out error scale on the cube-root scale.
    """
    w = np.ones(len(y)) if weights is None else weights
    used = w > 0
    distinct = len(np.unique(np.asarray(device_rgb)[used], axis=0))
    degree = 3 if distinct >= 45 else 2 if distinct >= 18 else 1
    a = device_terms(device_rgb, degree)
    t = cube_root(y)
    x, robust, _ = robust_least_squares(a[used], t[used], weights=w[used], ridge=1e-6, floor=2e-3)
    ww = w[used] * robust
    n = a[used].T @ (a[used] * ww[:, None])
    leverage = np.einsum("ij,jk,ik->i", a[used], np.linalg.pinv(n), a[used]) * ww
    loo = (t[used] - a[used] @ x) / np.maximum(1 - np.minimum(leverage, 0.95), 0.05)[:, None]
    error = 1.4826 * np.median(np.abs(loo), axis=0)
    full = np.zeros(len(y))
    full[used] = ww
    own = np.einsum("ij,jk,ik->i", a, np.linalg.pinv(n), a)
    # a fit's own colours miss it by σ·√(1 − h), those left out by σ·√(1 + h)
    reach = np.sqrt(1 + np.maximum(1 - 2 * full, 0.0) * own)
    return Response(coefficients=x, degree=degree, error=np.maximum(error, 1e-3), reach=reach)


def predict(response: Response, device_rgb: Any) -> Floats:
    """Linear signal relative to the bare coat that the response gives for device colours, (n, c)."""
    t = device_terms(device_rgb, response.degree) @ response.coefficients
    return np.asarray(t**3)
