"""Share of the dye that is missing, place by place, and what such a share means to the eye.

Everything the search for spots and faded edges needs: the map with its noise, the doubt about
colours and light that stands behind it, and the colour differences that go with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.records import Shape
from ..ground.relative import relative_lab
from ..ground.robust import mad_std
from ..photo.glare import grow
from ..piece.apart import Parted
from ..piece.blocks import Array, block_places
from ..piece.expect import Expected

SIGNIFICANT = 5.0  # standard errors; with some 10⁴ places and sizes under 1 in 100 clean pieces exceeds it
SIDES = ("left", "right", "top", "bottom")
# smallest change that is reported, ΔE00, by size in mm: threshold contrast of the eye rises for
# slow gradients (Barten 1999), times three for a customer who does not search (estimate)
_VISIBLE_MM = (3.0, 8.0, 20.0, 50.0, 120.0, 200.0)
_VISIBLE_DE = (2.5, 1.5, 1.3, 1.4, 1.7, 2.0)
_MAJOR_DE, _MINOR_DE = 3.5, 2.0
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


def visible_de(diameter_mm: float) -> float:
    """Smallest ΔE00 worth reporting for a soft spot of this size."""
    return float(np.interp(diameter_mm, _VISIBLE_MM, _VISIBLE_DE))


def lack_de(rel: Array, depth: Array, q: Any) -> Array:
    """ΔE00 of colours (n, 3) when a share ``q`` of the dye is missing."""
    seen = np.minimum(rel * np.exp(np.asarray(q)[..., None] * depth if np.ndim(q) else q * depth), 1.2)
    return np.asarray(delta_e00(relative_lab(seen), relative_lab(rel)))


def lack_map(e: Expected, p: Parted, left: Array, var: Array, hidden: Array) -> LackMap:
    """Turn what is left of all photos into the share of missing dye."""
    usable = np.isfinite(left).all(axis=3) & np.isfinite(var).all(axis=3) & ~hidden & e.inside
    w = np.where(usable[..., None], p.depth / np.where(np.isfinite(var), var, 1.0), 0.0)
    info_view = (w * p.depth).sum(axis=3)
    up = (w * np.nan_to_num(left)).sum(axis=(0, 3))
    info = info_view.sum(axis=0)
    can = (info > 0) & (p.depth.max(axis=2) > _BLANK_DEPTH)
    with np.errstate(invalid="ignore", divide="ignore"):
        q = np.where(can, up / info, np.nan)
        variance = np.where(can, 1 / info, np.inf)
        basis = (w.sum(axis=3)[..., None] * p.light_basis).sum(axis=0) / info[..., None]
        share = (w * p.depth).sum(axis=0) / info[..., None]
    group_var = _group_lack_var(p, share, can)
    places = block_places(e.inside.shape, e.step_mm)
    x, y = places[..., 0], places[..., 1]
    reach = _reach(e.size_mm, e.shape, x, y)
    return LackMap(
        q=q,
        var=variance,
        step=e.step_mm,
        x=x,
        y=y,
        rel=e.rel,
        depth=p.depth,
        group=p.colour_group,
        group_var=group_var,
        basis=np.where(can[..., None], basis, 0.0),
        light_cov=p.light_cov,
        reach=reach,
        size_mm=e.size_mm,
        shape=e.shape,
    )


def _reach(size_mm: tuple[float, float], shape: Shape, x: Array, y: Array) -> Array:
    """Distance of places from the outline, mm."""
    width, height = size_mm
    if shape == "round":
        return np.asarray(width / 2 - np.hypot(x - width / 2, (y - height / 2) * width / height))
    return np.asarray(np.minimum(np.minimum(x, width - x), np.minimum(y, height - y)))


def _group_lack_var(p: Parted, share: Array, can: Array) -> Array:
    """Variance of a colour's own error as missing dye, place by place (r, c)."""
    v = p.colour_var[np.maximum(p.colour_group, 0)]
    with np.errstate(invalid="ignore", divide="ignore"):
        out = (share**2 * v / np.maximum(p.depth, 0.05) ** 2).sum(axis=2)
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


def confidence(z: float) -> float:
    """Give the confidence from a number of standard errors."""
    return round(float(1 - np.exp(-0.5 * max(abs(z) - 3.5, 0.0) ** 2)), 3)


def severity(de: float) -> str:
    """Give the grade of a colour difference."""
    return "major" if de >= _MAJOR_DE else "minor" if de >= _MINOR_DE else "note"


def bell_at(x: Array, y: Array, cx: float, cy: float, sx: float, sy: float, angle: float) -> Array:
    """Give a Gaussian of height 1, half axes as standard deviations in mm, turned by ``angle``."""
    ca, sa = np.cos(angle), np.sin(angle)
    u, v = (x - cx) * ca + (y - cy) * sa, (y - cy) * ca - (x - cx) * sa
    return np.asarray(np.exp(-0.5 * ((u / sx) ** 2 + (v / sy) ** 2)))


def suspects(e: Expected, p: Parted) -> Array:
    """Mark the blocks (v, r, c) of each photo that stand clear of the rest, paler or darker.

    They must not teach the fit what their colours and the light look like. Nothing is marked
    where more than half of the piece would be.
    """
    out = np.zeros(p.left.shape[:3], bool)
    sigma = 3.0 / e.step_mm
    away = _reach(e.size_mm, e.shape, *np.moveaxis(block_places(e.inside.shape, e.step_mm), 2, 0))
    for k in range(len(p.left)):
        ok = np.isfinite(p.left[k]).all(axis=2) & np.isfinite(p.var[k]).all(axis=2) & e.inside
        noise = p.var[k] + p.colour_var[np.maximum(p.colour_group, 0)]
        w = np.where(ok[..., None], p.depth / np.where(ok[..., None], noise, 1.0), 0.0)
        up = cv2.GaussianBlur((w * np.where(ok[..., None], p.left[k], 0.0)).sum(axis=2), (0, 0), sigma)
        down = cv2.GaussianBlur((w * p.depth).sum(axis=2), (0, 0), sigma)
        known = ok & (down > 0.05 * np.median(down[ok])) if ok.any() else ok
        if known.sum() < 30:
            continue
        q = np.where(known, up / np.maximum(down, 1e-12), 0.0)
        q = np.where(known, q - np.median(q[known]), 0.0)
        spread = float(mad_std(q[known]))
        core = np.abs(q) > max(6 * spread, 0.03)
        # along the outline the blank may show beside the print: there only what is left over is judged
        core &= away > 7.0
        out[k] = grow(core & known, (np.abs(q) > max(2.5 * spread, 0.012)) & known)
        out[k] &= away > 4.0
        if out[k].sum() > 0.5 * known.sum():
            out[k] = False
    return out
