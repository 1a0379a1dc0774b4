"""What one pass of light through the dye leaves of a colour that two passes make: prints lit from behind.

From the front light passes the dye, is thrown back by what lies behind, and passes it again; from behind it passes
once. By Beer and Lambert that is half the density, in every wavelength by itself: of a saturated colour, broad channels
keep less than the square root. So the colour is made of three smooth dyes such as sublimation inks have (their shapes
are an assumption), and those are halved.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

from .cielab import (
    D50_WHITE,
    black_point_compensate,
    linear_srgb_to_xyz,
    srgb_to_linear,
    xyz_to_lab,
    xyz_to_linear_srgb,
)
from .records import Floats

FRONT_BLACK_Y = 0.01  # of a good black from the front, density 2; common practice, no source
_NODES = 13
_MOST_DYE = 2.0
_D50 = (  # CIE 15, relative spectral power of D50, 380 to 730 nm in steps of 10 nm
    *(24.49, 29.87, 49.31, 56.51, 60.03, 57.82, 74.83, 87.25, 90.61, 91.37, 95.11, 91.96),
    *(95.72, 96.61, 97.13, 102.1, 100.75, 102.32, 100.0, 97.73, 98.92, 93.5, 97.69, 99.27),
    *(99.04, 95.72, 98.86, 95.67, 98.19, 103.0, 99.13, 87.38, 91.6, 92.89, 76.85, 86.51),
)
_NM = np.arange(380.0, 731.0, 10.0)


def _lobe(peak: float, below: float, above: float) -> Floats:
    away = _NM - peak
    return np.asarray(np.exp(-0.5 * (away / np.where(away < 0, below, above)) ** 2))


@lru_cache(1)
def colour_weights() -> Floats:
    """Weights (36, 3) from spectral factors to XYZ / white under D50; each column sums to 1.

    The 2° observer in the sums of bell curves of Wyman, Sloan and Shirley, J. Comput. Graph. Techn. 2 (2013) 1–11.
    """
    x = 1.056 * _lobe(599.8, 37.9, 31.0) + 0.362 * _lobe(442.0, 16.0, 26.7) - 0.065 * _lobe(501.1, 20.4, 26.2)
    y = 0.821 * _lobe(568.8, 46.9, 40.5) + 0.286 * _lobe(530.9, 16.3, 31.1)
    z = 1.217 * _lobe(437.0, 11.8, 36.0) + 0.681 * _lobe(459.0, 26.0, 13.8)
    weights = np.stack([x, y, z], axis=1) * np.array(_D50)[:, None]
    return np.asarray(weights / weights.sum(axis=0))


def _dyes() -> Floats:
    """Absorbance (3, 36) of one unit of cyan, magenta and yellow in two passes."""
    cyan = 2.0 * _lobe(645, 45, 60) + 0.08
    magenta = 1.9 * _lobe(545, 33, 25) + 0.05
    yellow = 1.9 * _lobe(438, 50, 32)
    return np.asarray(np.log(10.0) * np.stack([cyan, magenta, yellow]))


def _amounts(lin: Floats) -> Floats:
    """Amounts (n, 3) of the dyes that come nearest to linear colours (n, 3), by damped least squares in CIELAB."""
    dyes, weights = _dyes(), colour_weights()
    due = xyz_to_lab(linear_srgb_to_xyz(lin))
    amount = np.clip(-np.log(np.clip(lin, 0.01, 1.0)) / 4.5, 0.0, 1.3)
    damping = np.ones(len(amount))

    def lab_of(a: Floats) -> Floats:
        return xyz_to_lab(np.exp(-a @ dyes) @ weights * D50_WHITE)

    for _ in range(20):
        now = lab_of(amount)
        off = now - due
        slope = np.stack([(lab_of(amount + e) - now) / 1e-3 for e in 1e-3 * np.eye(3)], axis=2)
        normal = np.einsum("nck,ncl->nkl", slope, slope) + damping[:, None, None] * np.eye(3)
        step = np.linalg.solve(normal, np.einsum("nck,nc->nk", slope, off)[..., None])[..., 0]
        tried = np.clip(amount - step, 0.0, _MOST_DYE)
        better = ((lab_of(tried) - due) ** 2).sum(axis=1) < (off**2).sum(axis=1)
        amount = np.where(better[:, None], tried, amount)
        damping = np.where(better, 0.4 * damping, 5.0 * damping)
    return amount


@lru_cache(1)
def _table() -> Floats:
    """Logarithm of one pass over the root of two, on nodes of the cube root of linear colour, (13, 13, 13, 3)."""
    axis = np.linspace(0.1, 1.0, _NODES)
    lin = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3) ** 3
    passed = np.exp(-0.5 * _amounts(lin) @ _dyes()) @ colour_weights() * D50_WHITE
    once = np.maximum(xyz_to_linear_srgb(passed), 1e-3)
    return np.asarray(np.log(once / np.sqrt(lin)).reshape(_NODES, _NODES, _NODES, 3))


def passed_once(lin: Any) -> Floats:
    """Give what light that passes the dye once shows of colours seen by light that passes it twice.

    Parameters
    ----------
    lin : (..., 3)
        Linear sRGB relative to the bare coat, seen from the front.

    Returns
    -------
    (..., 3)
        The same relative to the bare coat lit from behind.
    """
    value = np.clip(np.asarray(lin, dtype=float), 1e-3, 1.0)
    place = (np.cbrt(value.reshape(-1, 3)) - 0.1) / 0.9 * (_NODES - 1)
    low = np.clip(place.astype(int), 0, _NODES - 2)
    share = place - low
    table = _table()
    out = np.zeros_like(place)
    for corner in np.ndindex(2, 2, 2):
        at = low + np.array(corner)
        weight = np.where(corner, share, 1 - share).prod(axis=1)
        out += weight[:, None] * table[at[:, 0], at[:, 1], at[:, 2]]
    return np.asarray((np.exp(out) * np.sqrt(value.reshape(-1, 3))).reshape(value.shape))


def window_lin(device_rgb: Any, black_y: float) -> Floats:
    """Give the aim from behind of what is printed as usual, for the front: half the density, linear sRGB (n, 3).

    Parameters
    ----------
    device_rgb : (n, 3)
        0–255, read as sRGB.
    black_y : float
        Y of the substrate's black lit from behind, relative to its bare coat; black-point compensation to it.
    """
    lin = srgb_to_linear(np.asarray(device_rgb, dtype=float) / 255.0)
    once = passed_once(FRONT_BLACK_Y + (1 - FRONT_BLACK_Y) * lin)
    black = passed_once(np.full(3, FRONT_BLACK_Y))
    xyz = linear_srgb_to_xyz((once - black) / (1 - black))
    return xyz_to_linear_srgb(black_point_compensate(xyz, black_y * D50_WHITE, D50_WHITE))
