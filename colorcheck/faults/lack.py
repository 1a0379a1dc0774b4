"""Share of the dye that is missing, place by place, and what such a share means to the eye.

Everything the search for spots and faded edges needs: the map with its noise, the doubt about
colours and light that stands behind it, and the colour differences that go with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..ground.cielab import delta_e00
from ..ground.grid import Array
from ..ground.limits import Limits
from ..ground.records import Shape
from ..ground.relative import relative_lab
from ..ground.residue import Residue

SIGNIFICANT = 5.0  # standard errors; with some 10⁴ places and sizes under 1 in 100 clean pieces exceeds it
SIDES = ("left", "right", "top", "bottom")
# smallest change that is reported, ΔE00, by size in mm: threshold contrast of the eye rises for
# slow gradients (Barten 1999), times three for a customer who does not search (estimate)
_VISIBLE_MM = (3.0, 8.0, 20.0, 50.0, 120.0, 200.0)
_VISIBLE_DE = (2.5, 1.5, 1.3, 1.4, 1.7, 2.0)
_MODEL_ERROR = 0.12  # of a place's ΔE00: colours, tone and shape that are not quite as assumed
_USUAL_LIMIT_DE = 2.0  # the limit for which these were chosen
_BLANK_DEPTH = 0.10  # colours that would change by less than a tenth when all dye is gone cannot show paleness


@dataclass(frozen=True, slots=True, eq=False)
class LackMap:
    """Missing dye ``q`` (r, c), its variance, and what is needed to judge it."""

    q: Array
    var: Array
    step: float
    x: Array
    y: Array
    rel: Array
    depth: Array
    group: Any
    group_var: Array
    basis: Array
    light_cov: Array
    reach: Array
    size_mm: tuple[float, float]
    shape: Shape
    eye: float


def visible_de(diameter_mm: float, scale: float = 1.0) -> float:
    """Smallest ΔE00 worth reporting for a soft spot of this size; ``scale`` is below 1 for stricter limits."""
    return scale * float(np.interp(diameter_mm, _VISIBLE_MM, _VISIBLE_DE))


def visible_scale(limits: Limits) -> float:
    """How far the smallest change reported must follow a user's stricter limits, 1 or less."""
    even = limits.even
    return min(1.0, even.spot_de00 / _USUAL_LIMIT_DE, even.edge_de00 / _USUAL_LIMIT_DE)


def lack_de(rel: Array, depth: Array, q: Any) -> Array:
    """ΔE00 of colours (n, 3) when a share ``q`` of the dye is missing."""
    seen = np.minimum(rel * np.exp(np.asarray(q)[..., None] * depth if np.ndim(q) else q * depth), 1.2)
    return np.asarray(delta_e00(relative_lab(seen), relative_lab(rel)))


def lack_map(res: Residue, left: Array, var: Array, hidden: Array, eye: float = 1.0) -> LackMap:
    """Turn what is left of all photos into the share of missing dye."""
    usable = np.isfinite(left).all(axis=3) & np.isfinite(var).all(axis=3) & ~hidden & res.inside
    w = np.where(usable[..., None], res.depth / np.where(np.isfinite(var), var, 1.0), 0.0)
    info_view = (w * res.depth).sum(axis=3)
    up = (w * np.nan_to_num(left)).sum(axis=(0, 3))
    info = info_view.sum(axis=0)
    can = (info > 0) & (res.depth.max(axis=2) > _BLANK_DEPTH)
    with np.errstate(invalid="ignore", divide="ignore"):
        q = np.where(can, up / info, np.nan)
        variance = np.where(can, 1 / info, np.inf)
        basis = (w.sum(axis=3)[..., None] * res.light_basis).sum(axis=0) / info[..., None]
        share = (w * res.depth).sum(axis=0) / info[..., None]
    group_var = _group_lack_var(res, share, can)
    places = res.places()
    x, y = places[..., 0], places[..., 1]
    return LackMap(
        q=q,
        var=variance,
        step=res.step_mm,
        x=x,
        y=y,
        rel=res.rel,
        depth=res.depth,
        group=res.group,
        group_var=group_var,
        basis=np.where(can[..., None], basis, 0.0),
        light_cov=res.light_cov,
        reach=res.reach(),
        size_mm=res.size_mm,
        shape=res.shape,
        eye=eye,
    )


def _group_lack_var(res: Residue, share: Array, can: Array) -> Array:
    """Variance of a colour's own error as missing dye, place by place (r, c)."""
    v = res.group_var[np.maximum(res.group, 0)]
    with np.errstate(invalid="ignore", divide="ignore"):
        out = (share**2 * v / np.maximum(res.depth, 0.05) ** 2).sum(axis=2)
    return np.where(can, np.minimum(out, 0.5**2), 0.0)


def colour_left(left: Array, var: Array, hidden: Array) -> Array:
    """Mean over the photos of what is left, (r, c, 3)."""
    ok = np.isfinite(left) & np.isfinite(var) & ~hidden[..., None]
    w = np.where(ok, 1 / np.where(ok, var, 1.0), 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((w * np.nan_to_num(left)).sum(axis=0) / w.sum(axis=0))


def delta_l(rel: Array, depth: Array, q: float) -> float:
    """Give ΔL* (median) of colours when a share ``q`` of the dye is missing."""
    return float(np.median(relative_lab(np.minimum(rel * np.exp(q * depth), 1.2))[..., 0] - relative_lab(rel)[..., 0]))


def spot_u(de: float, z: float) -> float:
    """Give the standard uncertainty of a place's ΔE00, from its significance in standard errors and what models err."""
    return float(np.hypot(de / max(z, 1e-9), _MODEL_ERROR * de))


def confidence(z: float) -> float:
    """Give the confidence from a number of standard errors."""
    return round(float(1 - np.exp(-0.5 * max(abs(z) - 3.5, 0.0) ** 2)), 3)


def bell_at(x: Array, y: Array, cx: float, cy: float, sx: float, sy: float, angle: float) -> Array:
    """Give a Gaussian of height 1, half axes as standard deviations in mm, turned by ``angle``."""
    ca, sa = np.cos(angle), np.sin(angle)
    u, v = (x - cx) * ca + (y - cy) * sa, (y - cy) * ca - (x - cx) * sa
    return np.asarray(np.exp(-0.5 * ((u / sx) ** 2 + (v / sy) ** 2)))
