"""Patterned glass: rolled surfaces through which print and what lies behind are seen displaced, place by place."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[Any]
_STEP = 0.25  # mm, grid of the height field


@dataclass(frozen=True, slots=True)
class Texture:
    """A height field on the face towards the eye; ``displacement_mm`` is the root mean square of the displacement."""

    kind: str = "rippled"  # rippled, hammered, reeded, frosted
    displacement_mm: float = 0.4
    scale_mm: float = 9.0  # from hump to hump
    seed: int = 0
    thickness_mm: float = 4.0


def refracted_shift(slope: ArrayLike, thickness_mm: float, index: float = 1.52) -> Array:
    """Displacement in mm of what lies ``thickness_mm`` below a surface that is inclined by ``slope`` (Snell, exact).

    The eye looks square onto the sheet; the ray meets the inclined surface under atan(slope) and bends towards its
    normal.
    """
    incident = np.arctan(np.asarray(slope, float))
    return np.asarray(thickness_mm * np.tan(incident - np.arcsin(np.sin(incident) / index)))


def heights(texture: Texture, size_mm: tuple[float, float]) -> Array:
    """Unscaled height field (rows, columns) over the piece, on a grid of 0.25 mm."""
    columns, rows = round(size_mm[0] / _STEP) + 1, round(size_mm[1] / _STEP) + 1
    rng = np.random.default_rng(np.random.SeedSequence([texture.seed, 71]))
    x, y = np.meshgrid(np.arange(columns) * _STEP, np.arange(rows) * _STEP)
    wave = 2 * np.pi / texture.scale_mm
    if texture.kind == "reeded":
        angle = rng.uniform(-0.1, 0.1)
        return np.asarray(np.cos(wave * (x * np.cos(angle) + y * np.sin(angle)) + rng.uniform(0, 6.28)))
    if texture.kind == "rippled":  # long waves that wander
        bend = cv2.GaussianBlur(rng.standard_normal((rows, columns)), (0, 0), 2.5 * texture.scale_mm / _STEP)
        bend *= 1.2 * texture.scale_mm / max(float(bend.std()), 1e-9)
        return np.asarray(np.cos(wave * y + wave * 0.5 * bend) + 0.6 * np.cos(0.62 * wave * (y + 0.5 * x) + bend))
    fine = {"hammered": 0.28, "frosted": 0.05}
    if texture.kind not in fine:
        raise ValueError("kind of a texture is rippled, hammered, reeded or frosted")
    sigma = fine[texture.kind] * texture.scale_mm / _STEP
    return np.asarray(cv2.GaussianBlur(rng.standard_normal((rows, columns)), (0, 0), max(sigma, 0.8)))


@lru_cache(maxsize=4)
def shift_field(texture: Texture, size_mm: tuple[float, float]) -> Array:
    """Displacement (rows, columns, 2) in mm, x and y, on a grid of 0.25 mm over the piece."""
    h = heights(texture, size_mm)
    slope = np.stack([np.gradient(h, _STEP, axis=1), np.gradient(h, _STEP, axis=0)], axis=2)
    gain = 1.0
    for _ in range(8):  # the displacement is nearly proportional to the slope
        shift = refracted_shift(gain * slope, texture.thickness_mm)
        gain *= texture.displacement_mm / float(np.sqrt((shift**2).sum(axis=2).mean()))
    return np.asarray(refracted_shift(gain * slope, texture.thickness_mm), np.float32)


def shifts_at(texture: Texture, size_mm: tuple[float, float], x: Array, y: Array) -> tuple[Array, Array]:
    """Displacement in mm at places (piece mm)."""
    field = shift_field(texture, size_mm)
    at_x, at_y = np.asarray(x / _STEP, np.float32), np.asarray(y / _STEP, np.float32)
    moved = cv2.remap(field, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return moved[..., 0], moved[..., 1]
