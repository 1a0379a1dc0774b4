"""Colour relative to the bare coat: the ground on which all media-relative values stand."""

from __future__ import annotations

import numpy as np

from .cielab import linear_srgb_to_xyz, xyz_to_lab
from .records import Floats


def relative_to_coat(rgb: Floats, g: Floats, e: Floats) -> Floats:
    """Linear signal with additive light off and the bare coat at 1, (..., 3)."""
    return np.asarray((rgb - g) / e)


def relative_lab(rgb_rel: Floats) -> Floats:
    """Media-relative CIELAB D50 of coat-relative linear sRGB, (..., 3).

    Dividing by the coat in the camera's own primaries is a von Kries adaptation there;
    (1, 1, 1) becomes L* 100 exactly.
    """
    return np.asarray(xyz_to_lab(linear_srgb_to_xyz(rgb_rel)))
