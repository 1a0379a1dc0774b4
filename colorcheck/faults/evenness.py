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
from ..ground.places import where_in_words
from ..ground.records import Evenness, Finding, Floats, Kind, Mask, Target
from ..ground.relative import relative_lab
from ..ground.robust import mad_std, polynomial_terms, robust_least_squares

_SIGMAS_MM = (1.8, 2.6, 3.7, 5.2, 7.3, 10.0, 14.0, 20.0, 28.0, 40.0, 56.0)
_GLARE_FOOT_MM = 10.0
_CALIBRATED_MM = 6.0  # up to this size a sheet has places enough to show its own noise
_FWHM = 2.3548
_SIGNIFICANT = 6.5  # standard errors; found on clean simulated sheets, whose noise has heavier tails than a normal
"""Smallest change that is reported, ΔE00, by size in mm: threshold contrast of the eye rises for
slow gradients (Barten 1999), times three for a customer who does not search (estimate)."""
_VISIBLE_MM = (3.0, 8.0, 20.0, 50.0, 100.0, 200.0)
_VISIBLE_DE = (1.5, 1.0, 1.0, 1.5, 2.0, 2.2)


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


def _responses(grid: UptakeGrid, sigma_mm: float) -> tuple[Floats, Floats]:
    """Local amplitude above the surroundings for a soft spot of one size, and its expected noise."""
    s = sigma_mm / grid.step_mm
    w = np.where(np.isfinite(grid.d_l), 1 / grid.var, 0.0)
    v = np.where(np.isfinite(grid.d_l), grid.d_l, 0.0)
    near, wn = _normalised_blur(v, w, s)
    wide, ww = _normalised_blur(v, w, 3.0 * s)
    area_n, area_w = 4 * np.pi * s * s, 4 * np.pi * 9 * s * s
    with np.errstate(invalid="ignore", divide="ignore"):
        # the Gaussian mean of a Gaussian spot of the same size is half its height, the wide one a tenth of it
        amplitude = (near - wide) / (0.5 - 0.1)
        noise = np.sqrt(1 / (wn * area_n) + 1 / (ww * area_w)) / 0.4
    enough = wn > 0.15 * np.nanmedian(wn[wn > 0]) if (wn > 0).any() else wn > 0
    return np.where(enough, amplitude, np.nan), np.where(enough, noise, np.nan)


def visible_de(diameter_mm: float) -> float:
    """Smallest ΔE00 worth reporting for a soft spot of this size."""
    return float(np.interp(diameter_mm, _VISIBLE_MM, _VISIBLE_DE))


def find_spots(
    grid: UptakeGrid, target: Target, typical: Floats, *, blocked: Mask, light_l: float, lab_map: Floats
) -> list[Finding]:
    """Search for soft pale and dark spots over sizes, each significant and visible.

    ``blocked`` (r, c) marks glare and other places where paleness proves nothing;
    ``light_l`` is the error of the light as lightness of the field, which grows on a spot
    with its size.
    """
    lab0 = relative_lab(typical[None])[0]
    out: list[Finding] = []
    work = UptakeGrid(grid.d_l.copy(), grid.var, grid.step_mm)
    sizes = [s for s in _SIGMAS_MM if s >= 0.8 * grid.step_mm and s < 0.25 * min(target.size_mm)]
    yy, xx = np.mgrid[0 : grid.d_l.shape[0], 0 : grid.d_l.shape[1]]
    xx, yy = (xx + 0.5) * grid.step_mm, (yy + 0.5) * grid.step_mm
    floors: dict[float, float] = {}
    for _ in range(12):
        best: tuple[float, int, int, float, float, float] | None = None
        for s in sizes:
            amp, noise = _responses(work, s)
            z0 = amp / noise
            if s not in floors:
                # what the sheet itself shows at this size: mottle, coat, printer
                floors[s] = max(float(mad_std(z0[np.isfinite(z0)])) if np.isfinite(z0).any() else 1.0, 1.0)
            small = [v for k, v in floors.items() if k <= _CALIBRATED_MM]
            own = floors[s] if s <= _CALIBRATED_MM else min(max(small), max(floors[s], float(np.median(small))))
            noise = np.hypot(noise * own, 1.5 * light_l * min(1.0, s / 30.0))
            z = np.where(blocked, 0.0, np.nan_to_num(amp / noise))
            k = int(np.abs(z).argmax())
            r, c = divmod(k, z.shape[1])
            if abs(z[r, c]) > _SIGNIFICANT and (best is None or abs(z[r, c]) > abs(best[0])):
                best = (float(z[r, c]), r, c, s, float(amp[r, c]), float(noise[r, c]))
        if best is None:
            break
        z_best, r, c, s, amp_best, err = best
        spot = _fit_spot(work, xx, yy, float(xx[r, c]), float(yy[r, c]), s, amp_best)
        x, y, s, amp_best = spot
        work.d_l[:] = work.d_l - amp_best * np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / (2 * s * s))
        tint = _tint(lab_map, xx, yy, x, y, s) if abs(z_best) > 10 else (0.0, 0.0)
        de = float(delta_e00(lab0 + [amp_best, *tint], lab0))
        diameter = _FWHM * s
        if de < visible_de(diameter):
            continue
        out.append(
            Finding(
                kind=Kind.PALE if amp_best > 0 else Kind.DARK,
                x_mm=round(x, 1),
                y_mm=round(y, 1),
                diameter_mm=round(diameter, 1),
                area_mm2=round(float(np.pi / 4 * diameter**2), 1),
                delta_e00=round(de, 2),
                delta_l=round(amp_best, 2),
                confidence=round(float(1 - np.exp(-0.5 * (abs(z_best) - 3.5) ** 2)), 3),
                where=where_in_words(x, y, target.size_mm, target.shape),
                detail={"significance": round(abs(z_best), 1), "uncertainty": round(err, 2)},
            )
        )
    return _merged(out)


def _tint(lab_map: Floats, xx: Floats, yy: Floats, x: float, y: float, s: float) -> tuple[float, float]:
    """Change of a* and b* at the middle of a spot: dyes answer weak pressing at different rates."""
    r2 = (xx - x) ** 2 + (yy - y) ** 2
    near = (r2 < (3 * s) ** 2) & np.isfinite(lab_map[..., 0])
    if near.sum() < 12:
        return 0.0, 0.0
    shape = np.exp(-r2[near] / (2 * s * s))
    if float(np.ptp(shape)) < 0.2:
        return 0.0, 0.0
    a = np.stack([shape, np.ones_like(shape)], axis=1)
    out = []
    for c in (1, 2):
        x_fit, _, _ = robust_least_squares(a, lab_map[..., c][near], rounds=3)
        out.append(float(x_fit[0]))
    return out[0], out[1]


def _fit_spot(
    grid: UptakeGrid, xx: Floats, yy: Floats, x: float, y: float, s: float, amp: float
) -> tuple[float, float, float, float]:
    """Refine place, size and height of one spot by weighted Gauss–Newton with a local base."""
    reach = max(3.2 * s, 6.0)
    near = ((xx - x) ** 2 + (yy - y) ** 2 < reach**2) & np.isfinite(grid.d_l)
    if near.sum() < 12:
        return x, y, s, amp
    px, py, v, w = xx[near], yy[near], grid.d_l[near], 1 / grid.var[near]
    p = np.array([x, y, np.log(s), amp, 0.0])
    for _ in range(15):
        s2 = np.exp(2 * p[2])
        dx, dy = px - p[0], py - p[1]
        shape = np.exp(-(dx * dx + dy * dy) / (2 * s2))
        jac = np.stack(
            [
                p[3] * shape * dx / s2,
                p[3] * shape * dy / s2,
                p[3] * shape * (dx * dx + dy * dy) / s2,
                shape,
                np.ones_like(shape),
            ],
            axis=1,
        )
        r = v - p[3] * shape - p[4]
        n = jac.T @ (jac * w[:, None])
        step = np.linalg.solve(n + np.diag(np.diag(n) * 0.05 + 1e-9), jac.T @ (w * r))
        p = p + np.clip(step, [-2, -2, -0.3, -3, -1], [2, 2, 0.3, 3, 1])
    tall, wide = grid.d_l.shape
    on_sheet = 0 < p[0] < wide * grid.step_mm and 0 < p[1] < tall * grid.step_mm
    ok = on_sheet and np.hypot(p[0] - x, p[1] - y) < 1.5 * s + 2 and 0.4 * s < np.exp(p[2]) < 2.5 * s and p[3] * amp > 0
    if not ok or abs(p[3]) > 3 * abs(amp):
        return x, y, s, amp
    return float(p[0]), float(p[1]), float(np.exp(p[2])), float(p[3])


def _merged(found: list[Finding]) -> list[Finding]:
    """One defect is one finding: drop a weaker one that lies within a stronger one's rim."""
    kept: list[Finding] = []
    for f in sorted(found, key=lambda f: -abs(f.delta_l) * f.diameter_mm):
        if all(np.hypot(f.x_mm - o.x_mm, f.y_mm - o.y_mm) > 0.5 * (f.diameter_mm + o.diameter_mm) for o in kept):
            kept.append(f)
    return sorted(kept, key=lambda f: -f.delta_e00)


def edge_profile(grid: UptakeGrid, target: Target, side: str) -> tuple[Floats, Floats, Floats]:
    """Mean lightness change by distance from one side (rect) or sector of the rim (round).

    Returns distance (k,), mean (k,), standard error (k,).
    """
    rows, cols = grid.d_l.shape
    x = (np.arange(cols) + 0.5) * grid.step_mm
    y = (np.arange(rows) + 0.5) * grid.step_mm
    xx, yy = np.meshgrid(x, y)
    w, h = target.size_mm
    if target.shape == "round":
        rx, ry = xx - w / 2, yy - h / 2
        dist = w / 2 - np.hypot(rx, ry)
        want = {"right": 0.0, "bottom": 90.0, "left": 180.0, "top": 270.0}[side]
        turn = np.abs((np.degrees(np.arctan2(ry, rx)) - want + 180) % 360 - 180)
        here = turn < 45
    else:
        dist = {"left": xx, "right": w - xx, "top": yy, "bottom": h - yy}[side]
        across = yy if side in ("left", "right") else xx
        span = h if side in ("left", "right") else w
        here = (across > 0.08 * span) & (across < 0.92 * span)
    bins = np.arange(0.0, 0.5 * min(w, h), max(2.0, grid.step_mm))
    weight = np.where(np.isfinite(grid.d_l) & here, 1 / grid.var, 0.0)
    idx = np.digitize(dist, bins) - 1
    n = len(bins)
    tot = np.bincount(np.clip(idx, 0, n - 1).ravel(), weight.ravel(), minlength=n)
    val = np.bincount(np.clip(idx, 0, n - 1).ravel(), (weight * np.nan_to_num(grid.d_l)).ravel(), minlength=n)
    with np.errstate(invalid="ignore", divide="ignore"):
        return (
            bins + (bins[1] - bins[0]) / 2,
            np.where(tot > 0, val / tot, np.nan),
            np.where(tot > 0, tot**-0.5, np.inf),
        )


def find_edges(
    grid: UptakeGrid, target: Target, typical: Floats, *, light_std_rim: float, limit_de: float = 1.6
) -> list[Finding]:
    """Look for a band along one side that is paler than the middle.

    ``light_std_rim`` is the relative error of the light at the rim, where no anchor lies
    further out: a band must exceed it clearly.
    """
    lab0 = relative_lab(typical[None])[0]
    # a relative error of the light reads as this much lightness of the field
    light_l = float(relative_lab((typical * (1 + light_std_rim))[None])[0, 0] - lab0[0])
    out = []
    w, h = target.size_mm
    for side in ("left", "right", "top", "bottom"):
        dist, mean, err = edge_profile(grid, target, side)
        ok = np.isfinite(mean)
        inner = ok & (dist > 0.2 * min(w, h)) & (dist < 0.45 * min(w, h))
        outer = ok & (dist < 0.18 * min(w, h))
        if inner.sum() < 3 or outer.sum() < 2:
            continue
        base = float(np.median(mean[inner]))
        rough = max(float(mad_std(mean[inner])), 0.1)
        lift = mean - base
        # height at the rim and depth of the band: a soft step fitted by its moments
        first = float(np.nanmax(np.where(outer, lift, np.nan)))
        if first <= 0:
            continue
        width = float(2 * np.sum(np.clip(np.where(outer, lift, 0), 0, None)) * (dist[1] - dist[0]) / max(first, 1e-6))
        width = float(np.clip(width, 3.0, 0.25 * min(w, h)))
        sigma = float(np.hypot(np.hypot(rough, light_l), np.nanmin(err[outer])))
        de = float(delta_e00(lab0 + [first, 0, 0], lab0))
        if de < limit_de or first / sigma < 4.0:
            continue
        if target.shape == "rect":
            place = {
                "left": (width / 2, h / 2),
                "right": (w - width / 2, h / 2),
                "top": (w / 2, width / 2),
                "bottom": (w / 2, h - width / 2),
            }[side]
            area = width * (h if side in ("left", "right") else w)
        else:
            r = w / 2 - width / 2
            ux, uy = {"left": (-1, 0), "right": (1, 0), "top": (0, -1), "bottom": (0, 1)}[side]
            place, area = (w / 2 + r * ux, h / 2 + r * uy), width * np.pi / 4 * w
        out.append(
            Finding(
                kind=Kind.FADED_EDGE,
                x_mm=round(place[0], 1),
                y_mm=round(place[1], 1),
                diameter_mm=round(width, 1),
                area_mm2=round(float(area), 1),
                delta_e00=round(de, 2),
                delta_l=round(first, 2),
                confidence=round(float(1 - np.exp(-0.5 * (first / sigma - 2.5) ** 2)), 3),
                where=f"along the {side} edge",
                detail={"side": side, "width_mm": round(width, 1), "uncertainty": round(sigma, 2)},
            )
        )
    return out


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
    rim = light_std[good & ~_inner(target, grid.d_l.shape, step_mm)]
    rim_std = float(np.median(rim)) if rim.size else float(np.median(light_std))
    edges = find_edges(grid, target, typical, light_std_rim=rim_std)
    # the foot of a reflection reaches further than its mask
    wide = 2 * round(_GLARE_FOOT_MM / step_mm) + 1
    foot = cv2.dilate(glare.astype(np.uint8), np.ones((wide, wide), np.uint8)) > 0
    blocked = foot | ~inside
    calm = _without_edges(grid, edges, target)
    light_l = float(relative_lab((typical * (1 + float(np.median(light_std))))[None])[0, 0] - lab0[0])
    spots = find_spots(calm, target, typical, blocked=blocked, light_l=light_l, lab_map=lab_map)
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
        findings=(*edges, *spots),
    )


def _inside(target: Target, shape: tuple[int, int], step: float, rim: float = 2.0) -> Mask:
    yy, xx = np.mgrid[0 : shape[0], 0 : shape[1]]
    x, y = (xx + 0.5) * step, (yy + 0.5) * step
    w, h = target.size_mm
    if target.shape == "round":
        return np.asarray(np.hypot(x - w / 2, y - h / 2) < w / 2 - rim)
    return np.asarray((x > rim) & (x < w - rim) & (y > rim) & (y < h - rim))


def _inner(target: Target, shape: tuple[int, int], step: float) -> Mask:
    return _inside(target, shape, step, rim=0.12 * min(target.size_mm))


def _without_edges(grid: UptakeGrid, edges: list[Finding], target: Target) -> UptakeGrid:
    """Take found edge bands out, so that they are not found again as rows of spots."""
    d_l = grid.d_l.copy()
    rows, cols = d_l.shape
    xx, yy = np.meshgrid((np.arange(cols) + 0.5) * grid.step_mm, (np.arange(rows) + 0.5) * grid.step_mm)
    w, h = target.size_mm
    for e in edges:
        side, reach = e.detail["side"], 2.2 * e.diameter_mm
        if target.shape == "round":
            dist = w / 2 - np.hypot(xx - w / 2, yy - h / 2)
        else:
            dist = {"left": xx, "right": w - xx, "top": yy, "bottom": h - yy}[side]
        d_l[dist < reach] = np.nan
    return UptakeGrid(d_l, grid.var, grid.step_mm)
