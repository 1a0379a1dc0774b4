"""From codes to linear light in sRGB primaries: a curve for each channel, then a matrix, or a table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..ground.cielab import (
    D65_WHITE,
    ICC_D50_WHITE,
    SRGB_PRIMARIES,
    bradford_matrix,
    rgb_to_xyz_matrix,
    srgb_to_linear,
)

Float = NDArray[np.float64]

# IEC 61966-2-1 primaries and white to the ICC connection space, and back.
PCS_TO_SRGB: Float = np.asarray(
    np.linalg.inv(bradford_matrix(D65_WHITE, ICC_D50_WHITE) @ rgb_to_xyz_matrix(SRGB_PRIMARIES, D65_WHITE)),
    np.float64,
)


class ProfileError(Exception):
    """An embedded profile cannot be used; the text says why, in a few words."""


@dataclass(frozen=True, slots=True, eq=False)
class ColourModel:
    """From codes to linear light in sRGB primaries."""

    name: str
    parameters: tuple[Any, ...] = ()  # one curve for each channel; a curve is a function of 0…1
    matrix: NDArray[np.float32] | None = None
    table: NDArray[np.float32] | None = None  # (n, n, 256, 3): signed cube roots of linear light

    @property
    def is_srgb(self) -> bool:
        """Whether the codes are sRGB codes already."""
        return self.parameters == (srgb_to_linear,) * 3 and self.matrix is None and self.table is None

    def lut(self, levels: int) -> NDArray[np.float32]:
        """Shape (levels, channels): linear light of every code."""
        codes = np.linspace(0.0, 1.0, levels)
        if self.table is not None:
            return np.repeat(codes[:, None], 3, axis=1).astype(np.float32)
        return np.stack([curve(codes) for curve in self.parameters], axis=1).astype(np.float32)


def srgb(name: str) -> ColourModel:
    """Model of sRGB (IEC 61966-2-1)."""
    return ColourModel(name, (srgb_to_linear,) * 3)


def power(gamma: float) -> Any:
    """Curve with one exponent."""
    return lambda v: v**gamma


def with_matrix(name: str, curves: tuple[Any, ...], to_srgb: Float) -> ColourModel:
    """Leave the matrix out where it is the identity to the rounding of a profile (s15Fixed16)."""
    same = bool(np.abs(to_srgb - np.eye(3)).max() < 5e-4)
    return ColourModel(name, curves, None if same else to_srgb.astype(np.float32))


def from_primaries(name: str, curve: Any, primaries: Float, white: Float) -> ColourModel:
    """Model of an RGB space given by chromaticities; its white becomes ours by Bradford."""
    matrix = bradford_matrix(white, ICC_D50_WHITE) @ rgb_to_xyz_matrix(primaries, white)
    return with_matrix(name, (curve,) * 3, PCS_TO_SRGB @ matrix)
