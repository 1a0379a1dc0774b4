"""CIE formulae and visual density: arrays in, arrays out.

Conventions, everywhere in this module:

- the last axis holds the three channels; all leading axes are free and broadcast;
- XYZ has Y = 1 for the white (not 100), L* runs 0 to 100, RGB 0 to 1;
- the white is part of a value's meaning: Lab and LCh are under D50, 2° observer (`D50_WHITE`), linear
  sRGB is under D65, and going from one to the other adapts by the Bradford transform, in full;
- nothing is clipped: values outside the nominal range go through (odd or linear continuation) and come back;
- float32 stays float32, everything else is computed as float64; the caller's arrays are never changed.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[Any]  # float32 or float64, as the caller's arrays are

# White points, Y = 1, CIE 1931 2° observer. CIE 15:2004 table T.3 with the fifth digit of ASTM E308.
D50_WHITE: NDArray[np.float64] = np.array([0.96422, 1.0, 0.82521])
# The connection space of ICC profiles rounds D50 to s15Fixed16 (ISO 15076-1, 6.3.4.3 in the 2010 edition).
ICC_D50_WHITE: NDArray[np.float64] = np.array([0xF6D6, 0x10000, 0xD32D]) / 65536.0
# D65 as IEC 61966-2-1 gives it: x = 0.3127, y = 0.3290.
D65_WHITE: NDArray[np.float64] = np.array([0.3127 / 0.3290, 1.0, (1.0 - 0.3127 - 0.3290) / 0.3290])

# Primaries of IEC 61966-2-1 (those of ITU-R BT.709): rows red, green, blue; columns x, y.
SRGB_PRIMARIES: NDArray[np.float64] = np.array([[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]])

# Cone-like responses of the Bradford transform (Lam 1985; matrix as in ISO 15076-1, annex E).
BRADFORD: NDArray[np.float64] = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)

_EPSILON = 216.0 / 24389.0  # (6/29)³, where CIE 15 joins the cube root to the straight line
_KAPPA = 24389.0 / 27.0  # (29/3)³


def _floats(*values: ArrayLike) -> tuple[FloatArray, ...]:
    """Give all values one float type: float32 when every array is float32, else float64."""
    arrays = [np.asarray(v) for v in values]
    single = all(a.dtype == np.float32 for a in arrays)
    return tuple(np.asarray(a, np.float32 if single else np.float64) for a in arrays)


def _apply(matrix: NDArray[np.float64], values: ArrayLike) -> FloatArray:
    """Multiply every (…, 3) vector by a 3×3 matrix acting on columns."""
    (array,) = _floats(values)
    return np.asarray(array @ matrix.T.astype(array.dtype))


def bradford_matrix(source_white: ArrayLike, target_white: ArrayLike) -> NDArray[np.float64]:
    """3×3 matrix that takes XYZ seen under one white to XYZ under another.

    Parameters
    ----------
    source_white, target_white : array_like, shape (3,)
        XYZ of the two whites, Y = 1.

    Returns
    -------
    ndarray, shape (3, 3)
        ``xyz_target = matrix @ xyz_source``; takes `source_white` to `target_white` exactly.

    Notes
    -----
    Linear Bradford transform, complete adaptation: ISO 15076-1 (ICC.1), annex E.
    """
    source = BRADFORD @ np.asarray(source_white, np.float64)
    target = BRADFORD @ np.asarray(target_white, np.float64)
    return np.asarray(np.linalg.solve(BRADFORD, (target / source)[:, None] * BRADFORD), np.float64)


def rgb_to_xyz_matrix(primaries_xy: ArrayLike, white_xyz: ArrayLike) -> NDArray[np.float64]:
    """3×3 matrix from linear RGB to XYZ for given primaries and white.

    Parameters
    ----------
    primaries_xy : array_like, shape (3, 2)
        Chromaticities; rows red, green, blue.
    white_xyz : array_like, shape (3,)
        XYZ of RGB (1, 1, 1), Y = 1.

    Returns
    -------
    ndarray, shape (3, 3)
        ``xyz = matrix @ rgb`` under the same white.

    Notes
    -----
    SMPTE RP 177: scale each primary so that together they make the white.
    """
    xy = np.asarray(primaries_xy, np.float64)
    columns = np.stack([xy[:, 0] / xy[:, 1], np.ones(3), (1.0 - xy.sum(axis=1)) / xy[:, 1]])
    return np.asarray(columns * np.linalg.solve(columns, np.asarray(white_xyz, np.float64)), np.float64)


# Linear sRGB (white D65) to XYZ under D50: primaries and white of IEC 61966-2-1, then Bradford to CIE 15 D50.
SRGB_TO_XYZ_D50: NDArray[np.float64] = bradford_matrix(D65_WHITE, D50_WHITE) @ rgb_to_xyz_matrix(
    SRGB_PRIMARIES, D65_WHITE
)
XYZ_D50_TO_SRGB: NDArray[np.float64] = np.asarray(np.linalg.inv(SRGB_TO_XYZ_D50), np.float64)


def srgb_to_linear(rgb: ArrayLike) -> FloatArray:
    """Undo the sRGB transfer function.

    Parameters
    ----------
    rgb : array_like, any shape
        Encoded values, nominally 0 to 1. Values below 0 are treated as the mirror image of those above.

    Returns
    -------
    ndarray, same shape
        Linear light, 1 = full scale.

    Notes
    -----
    IEC 61966-2-1:1999, with the odd continuation of its amendment 1 for values outside the range.
    """
    (v,) = _floats(rgb)
    size = np.abs(v)
    curve = ((np.maximum(size, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.asarray(np.where(size <= 0.04045, v / 12.92, np.copysign(curve, v)), v.dtype)


def linear_to_srgb(rgb: ArrayLike) -> FloatArray:
    """Apply the sRGB transfer function.

    Parameters
    ----------
    rgb : array_like, any shape
        Linear light, 1 = full scale. Values below 0 are treated as the mirror image of those above.

    Returns
    -------
    ndarray, same shape
        Encoded values, nominally 0 to 1; not clipped.

    Notes
    -----
    IEC 61966-2-1:1999, with the odd continuation of its amendment 1 for values outside the range.
    """
    (v,) = _floats(rgb)
    size = np.abs(v)
    curve = 1.055 * np.maximum(size, 0.0031308) ** (1.0 / 2.4) - 0.055
    return np.asarray(np.where(size <= 0.0031308, v * 12.92, np.copysign(curve, v)), v.dtype)


def linear_srgb_to_xyz(rgb: ArrayLike) -> FloatArray:
    """Take linear sRGB (white D65) to XYZ under D50.

    Parameters
    ----------
    rgb : array_like, shape (..., 3)
        Linear light in sRGB primaries; (1, 1, 1) is white. May lie outside 0 to 1.

    Returns
    -------
    ndarray, shape (..., 3)
        XYZ, Y = 1 for white, adapted to D50 by Bradford; white becomes `D50_WHITE`.
    """
    return _apply(SRGB_TO_XYZ_D50, rgb)


def xyz_to_linear_srgb(xyz: ArrayLike) -> FloatArray:
    """Take XYZ under D50 to linear sRGB (white D65); the inverse of `linear_srgb_to_xyz`.

    Parameters
    ----------
    xyz : array_like, shape (..., 3)
        XYZ under D50, Y = 1 for white.

    Returns
    -------
    ndarray, shape (..., 3)
        Linear light in sRGB primaries, not clipped.
    """
    return _apply(XYZ_D50_TO_SRGB, xyz)


def xyz_to_lab(xyz: ArrayLike, white: ArrayLike | None = None) -> FloatArray:
    """CIELAB of XYZ.

    Parameters
    ----------
    xyz : array_like, shape (..., 3)
        XYZ under D50, Y = 1 for white. Values at or below zero follow the straight part of the curve.
    white : array_like, shape (3,), optional
        XYZ of the white that shall be L* 100, a* 0, b* 0; `D50_WHITE` unless given. No adaptation is made.

    Returns
    -------
    ndarray, shape (..., 3)
        L*, a*, b*.

    Notes
    -----
    CIE 15:2004, section 8.2.1, with the exact fractions for its two constants.
    """
    (v,) = _floats(xyz)
    w = np.asarray(D50_WHITE if white is None else white, v.dtype)
    t = v / w
    f = np.where(t > _EPSILON, np.cbrt(t), (_KAPPA * t + 16.0) / 116.0)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)], axis=-1)


def lab_to_xyz(lab: ArrayLike, white: ArrayLike | None = None) -> FloatArray:
    """XYZ of CIELAB; the inverse of `xyz_to_lab`.

    Parameters
    ----------
    lab : array_like, shape (..., 3)
        L*, a*, b*.
    white : array_like, shape (3,), optional
        XYZ of the white, Y = 1; `D50_WHITE` unless given.

    Returns
    -------
    ndarray, shape (..., 3)
        XYZ, Y = 1 for white.
    """
    (v,) = _floats(lab)
    w = np.asarray(D50_WHITE if white is None else white, v.dtype)
    y = (v[..., 0] + 16.0) / 116.0
    f = np.stack([y + v[..., 1] / 500.0, y, y - v[..., 2] / 200.0], axis=-1)
    cube = f * f * f
    return np.asarray(np.where(f > 6.0 / 29.0, cube, (116.0 * f - 16.0) / _KAPPA) * w)


def _hue(b: FloatArray, a: FloatArray) -> FloatArray:
    """Hue angle in degrees, 0 ≤ h < 360."""
    h = np.degrees(np.arctan2(b, a))
    h = np.where(h < 0.0, h + 360.0, h)
    return np.asarray(np.where(h >= 360.0, 0.0, h), a.dtype)  # −1e-20° + 360° rounds to 360°


def delta_e00(lab1: ArrayLike, lab2: ArrayLike) -> FloatArray:
    """CIEDE2000 colour difference, with kL = kC = kH = 1.

    Parameters
    ----------
    lab1, lab2 : array_like, shape (..., 3)
        L*, a*, b* of the two colours; leading axes broadcast. The result is symmetric.

    Returns
    -------
    ndarray, shape (...)
        ΔE00. It obeys no triangle inequality: average Lab first, never subtract two differences.

    Notes
    -----
    G. Sharma, W. Wu, E. N. Dalal, "The CIEDE2000 color-difference formula: implementation notes,
    supplementary test data, and mathematical observations", Color Res. Appl. 30(1), 21–30 (2005),
    doi 10.1002/col.20070; equation numbers below are the paper's.
    """
    one, two = np.broadcast_arrays(*_floats(lab1, lab2))
    l1, a1, b1 = one[..., 0], one[..., 1], one[..., 2]
    l2, a2, b2 = two[..., 0], two[..., 1], two[..., 2]

    c_mean7 = (0.5 * (np.hypot(a1, b1) + np.hypot(a2, b2))) ** 7
    g = 1.5 - 0.5 * np.sqrt(c_mean7 / (c_mean7 + 25.0**7))  # 1 + G, eq. 4–5
    a1, a2 = a1 * g, a2 * g
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = _hue(b1, a1), _hue(b2, a2)  # eq. 6–7

    grey = c1 * c2 == 0.0
    turn = h2 - h1  # eq. 10, wrapped to −180…180
    half = 180.0 + 1e-9  # opposite hues to rounding count as opposite: the same answer on every platform
    turn = np.where(turn > half, turn - 360.0, np.where(turn < -half, turn + 360.0, turn))
    turn = np.where(grey, 0.0, turn)
    d_l, d_c = l2 - l1, c2 - c1
    d_h = 2.0 * np.sqrt(c1 * c2) * np.sin(np.radians(0.5 * turn))  # eq. 11

    total = h1 + h2  # eq. 14
    far = np.abs(h1 - h2) > half
    h_mean = 0.5 * np.where(far, np.where(total < 360.0, total + 360.0, total - 360.0), total)
    h_mean = np.where(grey, total, h_mean)
    l_mean, c_mean = 0.5 * (l1 + l2), 0.5 * (c1 + c2)

    t = (  # eq. 15
        1.0
        - 0.17 * np.cos(np.radians(h_mean - 30.0))
        + 0.24 * np.cos(np.radians(2.0 * h_mean))
        + 0.32 * np.cos(np.radians(3.0 * h_mean + 6.0))
        - 0.20 * np.cos(np.radians(4.0 * h_mean - 63.0))
    )
    l50 = (l_mean - 50.0) ** 2
    s_l = 1.0 + 0.015 * l50 / np.sqrt(20.0 + l50)
    s_c = 1.0 + 0.045 * c_mean
    s_h = 1.0 + 0.015 * c_mean * t
    c7 = c_mean**7
    r_c = 2.0 * np.sqrt(c7 / (c7 + 25.0**7))
    r_t = -r_c * np.sin(np.radians(60.0 * np.exp(-(((h_mean - 275.0) / 25.0) ** 2))))

    u_l, u_c, u_h = d_l / s_l, d_c / s_c, d_h / s_h
    square = u_l * u_l + u_c * u_c + u_h * u_h + r_t * u_c * u_h
    return np.asarray(np.sqrt(np.maximum(square, 0.0)))  # rounding may leave −1e-17 for equal colours


def delta_ch(lab1: ArrayLike, lab2: ArrayLike) -> FloatArray:
    """Chromatic difference ΔCh, the measure for greys: distance in the a*b* plane.

    Parameters
    ----------
    lab1, lab2 : array_like, shape (..., 3)
        L*, a*, b*; leading axes broadcast.

    Returns
    -------
    ndarray, shape (...)
        ``sqrt(Δa*² + Δb*²)``, as ISO 12647-7 uses it for grey patches, where hue angle means little
        (definition from memory).
    """
    one, two = _floats(lab1, lab2)
    return np.asarray(np.hypot(one[..., 1] - two[..., 1], one[..., 2] - two[..., 2]))


def density_from_y(y: ArrayLike, y_white: ArrayLike) -> FloatArray:
    """Visual density (from Y, D50): −log10(Y / Yn).

    Parameters
    ----------
    y : array_like
        Luminance factor of the sample, linear.
    y_white : array_like
        Luminance factor of the reference white (the bare coat), in the same scale; broadcasts.

    Returns
    -------
    ndarray
        Density; `inf` where `y` is 0 and NaN where it is negative, so that the caller can flag it.

    Notes
    -----
    Definition of ISO 5-1 with Y in place of a densitometer's response. Not a status density of ISO 5-3,
    which needs spectra.
    """
    v, w = _floats(y, y_white)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(-np.log10(v / w) + 0.0)  # + 0 turns −0 into 0


def density_from_lightness(lightness: ArrayLike) -> FloatArray:
    """Visual density of a lightness, relative to the white of that L*.

    Parameters
    ----------
    lightness : array_like
        L*.

    Returns
    -------
    ndarray
        ``−3 log10((L* + 16) / 116)`` for L* > 8 and ``−log10(27 L* / 24389)`` below, where CIELAB is
        straight; `inf` at 0 and NaN below it.
    """
    (v,) = _floats(lightness)
    with np.errstate(divide="ignore", invalid="ignore"):
        curved = -3.0 * np.log10((v + 16.0) / 116.0)
        straight = -np.log10(v / _KAPPA)
    return np.asarray(np.where(v > 8.0, curved, straight) + 0.0)


def black_point_compensate(
    xyz: ArrayLike,
    black_xyz: ArrayLike,
    white_xyz: ArrayLike | None = None,
    *,
    source_black_xyz: ArrayLike = (0.0, 0.0, 0.0),
) -> FloatArray:
    """Scale XYZ so that black lands on the black that can be reached, while white stays.

    Parameters
    ----------
    xyz : array_like, shape (..., 3)
        Wanted colours, media-relative, Y = 1 for white.
    black_xyz : array_like, shape (3,)
        The darkest black the substrate reaches.
    white_xyz : array_like, shape (3,), optional
        The white that stays where it is; `D50_WHITE` unless given.
    source_black_xyz : array_like, shape (3,), optional
        The black in `xyz` that lands on `black_xyz`; zero for sRGB.

    Returns
    -------
    ndarray, shape (..., 3)
        ``scale × xyz + offset``, one scale and offset for each of X, Y, Z; not clipped.

    Notes
    -----
    Black point compensation in the manner of ISO 18619:2015: linear in XYZ, exact at both ends. That
    standard takes the black as neutral; pass ``lab_to_xyz((L_black, 0, 0))`` to do the same.
    """
    (v,) = _floats(xyz)
    white = np.asarray(D50_WHITE if white_xyz is None else white_xyz, np.float64)
    black = np.asarray(black_xyz, np.float64)
    source = np.asarray(source_black_xyz, np.float64)
    scale = (white - black) / (white - source)
    offset = black - scale * source
    return np.asarray(v * scale.astype(v.dtype) + offset.astype(v.dtype))
