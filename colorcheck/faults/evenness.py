"""Is it pressed evenly? The field and the cells against the piece's own typical colour.

Everything is turned into one quantity on the millimetre grid, local dye uptake as the
lightness change of the grey field it would make, with its own noise; spots are then
searched over sizes by matched filters whose noise is calibrated on the piece itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.records import Evenness, Floats, Mask, Target
from ..ground.relative import relative_lab
from ..ground.robust import polynomial_terms, robust_least_squares


@dataclass(frozen=True, slots=True, eq=False)
class UptakeGrid:
    """Lightness change of the field on the coarse grid (r, c), its variance, and where it is known."""

    d_l: Floats
    var: Floats
    step_mm: float


def _normalised_blur(value: Floats, weight: Floats, sigma_px: float) -> tuple[Floats, Floats]:
    """Weighted Gaussian mean and its total weight; holes take no part."""
    v = np.where(weight > 0, value, 0.0) * weight
    k = (0, 0)
    up = cv2.GaussianBlur(v, k, sigma_px, borderType=cv2.BORDER_CONSTANT)
    down = cv2.GaussianBlur(weight, k, sigma_px, borderType=cv2.BORDER_CONSTANT)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(down > 1e-12, up / down, np.nan)), np.asarray(down, dtype=float)


def _cell_uptake(rgb_rel: Floats, due: Floats, error: Floats) -> tuple[Floats, Floats]:
    """Dye uptake of each cell against what its device colour should give, and its error, (n,).

    ``error`` (channels,) is the response's error on the cube-root scale.
    """
    due = np.clip(due, 1e-3, 0.999)
    depth = -np.log(due)
    seen = -np.log(np.clip(rgb_rel, 1e-3, 1.2))
    # error of the logarithm from the error of the cube root
    sigma = 3 * error[None, :] / np.cbrt(due) + 0.01
    w = (depth / sigma) ** 2
    ratio = np.clip(seen / depth, 0.0, 3.0)
    total = w.sum(axis=1)
    mean = (ratio * w).sum(axis=1) / total
    # a colour that the response misses has channels that disagree; weak pressing moves all alike
    misfit = (w * (ratio - mean[:, None]) ** 2).sum(axis=1) / 2
    return mean, np.sqrt(np.maximum(misfit, 1.0) / total) * 1.5


def uptake_grid(
    target: Target,
    field_rel: Floats,
    weight: Floats,
    good: Mask,
    cell_rel: Floats,
    cell_due: Floats,
    due_error: Floats,
    cell_ok: Mask,
    typical: Floats,
    step_mm: float,
) -> UptakeGrid:
    """Bring field and cells onto one grid.

    Parameters
    ----------
    field_rel : (r, c, 3)
        Field relative to coat; NaN where there is none.
    weight : (r, c)
        Pixels behind it.
    good : (r, c) bool
        Neither glare nor clipping.
    cell_rel, cell_due : (n, 3)
        Cells seen and expected.
    typical : (3,)
        The field's own typical colour.

    Returns
    -------
    UptakeGrid
    """
    l0 = relative_lab(typical[None])[0, 0]
    l1 = relative_lab((typical**0.95)[None])[0, 0]
    slope = float(l1 - l0) / 0.05  # ΔL* of the field per unit of missing uptake
    lab = relative_lab(np.where(np.isfinite(field_rel), field_rel, typical))
    d_l = np.where(np.isfinite(field_rel[..., 0]) & good, lab[..., 0] - l0, np.nan)
    pixel_l = np.nanmedian(np.abs(d_l - np.nanmedian(d_l))) + 0.05
    n_typ = max(float(np.median(weight[weight > 0])), 1.0) if (weight > 0).any() else 1.0
    var = np.where(np.isfinite(d_l), (0.6 * pixel_l) ** 2 * n_typ / np.maximum(weight, 1) + 0.02**2, np.inf)
    up, up_std = _cell_uptake(cell_rel, cell_due, due_error)
    cell_dl = (1 - up) * slope
    cell_var = (up_std * slope) ** 2 + 0.2**2
    wt = np.where(np.isfinite(d_l), 1 / var, 0.0)
    val = np.where(np.isfinite(d_l), d_l, 0.0) * wt
    rows, cols = d_l.shape
    for k in np.flatnonzero(cell_ok & (cell_var < 4.0)):
        x, y, w, h = target.box_mm[k]
        c0, c1 = (
            int((x + 0.15 * w) / step_mm),
            max(int(np.ceil((x + 0.85 * w) / step_mm)), int(x / step_mm) + 1),
        )
        r0, r1 = (
            int((y + 0.15 * h) / step_mm),
            max(int(np.ceil((y + 0.85 * h) / step_mm)), int(y / step_mm) + 1),
        )
        r1, c1 = min(r1, rows), min(c1, cols)
        share = 1.0 / (cell_var[k] * max((r1 - r0) * (c1 - c0), 1))
        wt[r0:r1, c0:c1] += share
        val[r0:r1, c0:c1] += share * cell_dl[k]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(wt > 0, val / wt, np.nan)
        variance = np.where(wt > 0, 1 / wt, np.inf)
    return UptakeGrid(mean, variance, step_mm)


def _zones(field_lab: Floats, good: Mask) -> tuple[Floats, tuple[float, float, float]]:
    """ΔE00 of each ninth's mean colour from the mean of the ninths, and their standard deviations."""
    rows, cols = good.shape
    labs = np.full((3, 3, 3), np.nan)
    for a in range(3):
        for b in range(3):
            part = (slice(a * rows // 3, (a + 1) * rows // 3), slice(b * cols // 3, (b + 1) * cols // 3))
            ok = good[part]
            if ok.sum() >= 4:
                # the middle three fifths: a median would snap to the coarse steps of a strongly compressed photo
                values = np.sort(field_lab[part][ok], axis=0)
                labs[a, b] = values[len(values) // 5 : len(values) - len(values) // 5].mean(axis=0)
    flat = labs.reshape(-1, 3)
    mean = np.nanmean(flat, axis=0)
    std = np.nanstd(flat, axis=0, ddof=1)
    return delta_e00(labs, mean[None, None]), (float(std[0]), float(std[1]), float(std[2]))


def judge_evenness(
    target: Target,
    field_rel: Floats,
    weight: Floats,
    light_std: Floats,
    glare: Mask,
    step_mm: float,
    cell_rel: Floats,
    cell_due: Floats,
    due_error: Floats,
    cell_ok: Mask,
) -> Evenness:
    """Measure how evenly the piece was pressed.

    Parameters
    ----------
    target : Target
    field_rel : (r, c, 3)
        Field relative to the bare coat under the same light, NaN where there is none.
    weight, light_std, glare : (r, c)
    step_mm : float
    cell_rel, cell_due : (n, 3)
        Cells as seen and as the printer's response expects them.
    due_error : (3,)
        Error of that expectation on the cube-root scale.
    cell_ok : (n,) bool

    Returns
    -------
    Evenness
        The rule of nine places with ΔE00 ≤ 2 from the mean follows ISO 12647-7 (from memory).
    """
    have = np.isfinite(field_rel[..., 0])
    good = have & ~glare
    if good.sum() < 8:
        good = have
    typical = np.median(field_rel[good], axis=0)
    grid = uptake_grid(target, field_rel, weight, good, cell_rel, cell_due, due_error, cell_ok, typical, step_mm)
    lab_map = relative_lab(np.where(have[..., None], field_rel, 1.0))
    lab_map = np.where(have[..., None], lab_map, np.nan)
    lab0 = relative_lab(typical[None])[0]
    smooth, total = _normalised_blur(
        np.nan_to_num(grid.d_l), np.where(np.isfinite(grid.d_l), 1 / grid.var, 0.0), 2.0 / step_mm
    )
    smooth = np.where(total > 0, smooth, np.nan)
    shifted = np.stack(
        [lab0[0] + np.nan_to_num(smooth), np.full_like(smooth, lab0[1]), np.full_like(smooth, lab0[2])],
        axis=-1,
    )
    de = delta_e00(shifted, lab0[None, None]) * np.sign(np.nan_to_num(smooth))
    inside = _inside(target, grid.d_l.shape, step_mm)
    de = np.where(inside & np.isfinite(smooth), de, np.nan)
    zones, zone_std = _zones(lab_map, good)
    yy, xx = np.mgrid[0 : grid.d_l.shape[0], 0 : grid.d_l.shape[1]]
    ux, uy = (
        (xx + 0.5) * step_mm / target.size_mm[0] * 2 - 1,
        (yy + 0.5) * step_mm / target.size_mm[1] * 2 - 1,
    )
    ok = np.isfinite(grid.d_l) & good
    plane, _, _ = robust_least_squares(polynomial_terms(ux[ok], uy[ok], 1), grid.d_l[ok], weights=1 / grid.var[ok])
    gx, gy = plane[2] / (target.size_mm[0] / 20), plane[1] / (target.size_mm[1] / 20)  # per cm
    if abs(plane[1]) or abs(plane[2]):
        # polynomial_terms orders (0,0), (0,1)=y, (1,0)=x
        direction = ("right" if gx > 0 else "left") if abs(gx) > abs(gy) else ("bottom" if gy > 0 else "top")
    else:
        direction = ""
    uptake, _ = _normalised_blur(
        np.nan_to_num(grid.d_l),
        np.where(np.isfinite(grid.d_l), 1 / grid.var, 0.0),
        max(3.0, 0.35 * target.pitch_mm) / step_mm,
    )
    l1 = relative_lab((typical**0.95)[None])[0, 0]
    slope = float(l1 - lab0[0]) / 0.05
    uptake_map = 1 - np.nan_to_num(uptake) / max(slope, 1e-6)
    centre = target.box_mm[:, :2] + target.box_mm[:, 2:] / 2
    rr = np.clip((centre[:, 1] / step_mm).astype(int), 0, uptake_map.shape[0] - 1)
    cc = np.clip((centre[:, 0] / step_mm).astype(int), 0, uptake_map.shape[1] - 1)
    quiet = np.isfinite(de)
    spread = float(np.nanpercentile(smooth[quiet], 97.5) - np.nanpercentile(smooth[quiet], 2.5)) if quiet.any() else 0.0
    u_light = float(delta_e00(relative_lab((typical * (1 + float(np.median(light_std))))[None])[0], lab0))
    return Evenness(
        lab_map=lab_map,
        de_map=de,
        step_mm=step_mm,
        zones=zones,
        zone_max=float(np.nanmax(zones)),
        zone_std_lab=zone_std,
        slope_l_per_cm=float(np.hypot(gx, gy)),
        slope_direction=direction,
        range_l=spread,
        uncertainty=u_light,
        uptake_cell=uptake_map[rr, cc],
        uptake_map=uptake_map,
    )


def _inside(target: Target, shape: tuple[int, int], step: float, rim: float = 2.0) -> Mask:
    yy, xx = np.mgrid[0 : shape[0], 0 : shape[1]]
    x, y = (xx + 0.5) * step, (yy + 0.5) * step
    w, h = target.size_mm
    if target.shape == "round":
        return np.asarray(np.hypot(x - w / 2, y - h / 2) < w / 2 - rim)
    return np.asarray((x > rim) & (x < w - rim) & (y > rim) & (y < h - rim))
