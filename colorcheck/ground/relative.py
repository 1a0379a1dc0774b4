"""Colour relative to the bare coat: the ground on which all media-relative values stand."""

from __future__ import annotations

from typing import Any

import numpy as np

from .cielab import lab_to_xyz, linear_srgb_to_xyz, xyz_to_lab, xyz_to_linear_srgb
from .records import Floats


def relative_to_coat(rgb: Floats, g: Floats, e: Floats) -> Floats:
    """Linear signal with additive light off and the bare coat at 1, (..., 3)."""
    return np.asarray((rgb - g) / e)


def without_veil(rel: Floats, share: Floats) -> Floats:
    """Take an even veil off a signal that was divided by coat and veil together, (..., 3).

    Parameters
    ----------
    rel : (..., 3)
        (E·ρ + V) / (E + V).
    share : (..., 3)
        V / (E + V) at the same places.
    """
    return np.asarray((rel - share) / (1.0 - share))


def with_veil(rel: Floats, share: Floats) -> Floats:
    """Undo `without_veil`."""
    return np.asarray(rel * (1.0 - share) + share)


def relative_lab(rgb_rel: Floats) -> Floats:
    """Media-relative CIELAB D50 of coat-relative linear sRGB, (..., 3).

    Dividing by the coat in the camera's own primaries is a von Kries adaptation there;
    (1, 1, 1) becomes L* 100 exactly.
    """
    return np.asarray(xyz_to_lab(linear_srgb_to_xyz(rgb_rel)))


def even_lab(lab: Floats, uptake: Floats, *, rgb_rel: Floats | None = None) -> Floats:
    """Media-relative CIELAB with uneven pressing divided out, (n, 3).

    Parameters
    ----------
    lab : (n, 3)
    uptake : (n,)
        Local dye uptake relative to the piece's typical one: density scales with it.
    rgb_rel : (n, 3), optional
        The same colours as linear signal, if at hand.
    """
    signal = xyz_to_linear_srgb(lab_to_xyz(lab)) if rgb_rel is None else rgb_rel
    positive = np.maximum(signal, 1e-4)
    even_rgb = positive ** (1 / np.clip(uptake, 0.4, 2.0))[:, None]
    # as a change of the measured colour, which may lie outside the cube of the camera's primaries
    return np.asarray(lab + relative_lab(even_rgb) - relative_lab(positive))


def dye_depth(rel: Any, floor: Any) -> Floats:
    """Change of the logarithm of the signal per share of dye that is missing, all channels (..., 3).

    For a signal f + (1 − f)·exp(−D), with the part f that never passes the dye.
    """
    pure = np.clip((rel - floor) / (1 - floor), 1e-3, 1.0)
    return np.asarray(-np.log(pure) * pure * (1 - floor) / np.maximum(rel, 1e-4))
