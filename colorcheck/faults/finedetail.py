"""What is left at fine resolution, how well each pixel is known, and what that says about small spots."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from ..ground.grid import Array
from ..ground.records import Finding, Kind
from ..ground.relative import dye_depth
from ..ground.residue import Residue
from ..ground.robust import mad_std

FINE_FLOOR = np.float32(0.012)  # added to fine signals before the logarithm
_MISPLACED_MM = 0.25  # so far an edge may lie off its place, for what is looked for in one place; estimate
_OFF = 0.4  # times what print may lie off its place, for what is looked for all over; estimate
_NEAR_EDGES_MM = 0.5  # so far an edge makes its neighbourhood doubtful
_LIKELY = 0.4  # natural density: what differs by more is a spot, no part of a copy or of lines
_PLACED_MM = 0.4
_LEAST_GRAIN = 0.003
_FEW = 500  # pixels
_DISCS = (0.35, 0.5, 0.7, 0.85, 1.0, 1.2, 1.45)  # sizes tried, of the soft spot's; blur widens what is crisp
ROUGH = 0.12  # of natural density
_ON_EDGES = 0.4
_TINY_MM = 2.0  # no artwork has discs so small by the way
_SPECK_MM = 4.0  # smaller places are specks, which cover the print and leave no share of its dye


@dataclass(frozen=True, slots=True, eq=False)
class FineDetail:
    """What is left at fine resolution of the first photo: ``left`` (H, W, 3), its noise (H, W), where known (H, W).

    ``density`` (H, W) natural density due, its steepest ``slope`` near by per mm; ``weight`` (H, W) float32, at most 1,
    how well each pixel is known.
    """

    left: Any
    noise: Any
    ok: Array
    density: Any
    g: float
    slope: Any
    weight: Any


def fine_residual(res: Residue) -> FineDetail:
    """Compare the first photo with its expectation at fine resolution."""
    seen0, g = res.fine_seen[0], res.fine_px_per_mm
    hw = seen0.shape[:2]
    b = round(res.step_mm * g)

    def up(a: Any) -> Any:
        r, c = a.shape[:2]
        return cv2.resize(a.astype(np.float32), (c * b, r * b), interpolation=cv2.INTER_LINEAR)[: hw[0], : hw[1]]

    floor = FINE_FLOOR
    rel: Any
    slope: Any
    shift = res.shift_mm[0]
    rel = res.fine_rel
    # a large one is no error of placing but the pull of a second copy
    if np.hypot(*shift[:, 0]) < _PLACED_MM:
        slope_xy = shift[:, 1:] * 2 / max(res.size_mm)
        move = np.column_stack([np.eye(2) + slope_xy, g * (shift[:, 0] - shift[:, 1:].sum(axis=1))])
        how = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        rel = np.maximum(cv2.warpAffine(rel, move, hw[::-1], flags=how, borderMode=cv2.BORDER_REPLICATE), 0.0)
    seen = seen0 / np.maximum(up(res.light[0]), 1e-6)
    left = np.log((np.maximum(seen, 0) + floor) / (rel + floor))
    slope = np.zeros(hw, np.float32)
    for c in range(3):
        lg = np.log(rel[..., c] + floor)
        sx, sy = (
            cv2.Sobel(lg, cv2.CV_32F, 1, 0, ksize=3, scale=g / 8),
            cv2.Sobel(lg, cv2.CV_32F, 0, 1, ksize=3, scale=g / 8),
        )
        slope = np.maximum(slope, np.sqrt(sx * sx + sy * sy))
    k = 2 * round(_NEAR_EDGES_MM * g) + 1
    slope = cv2.dilate(slope, np.ones((k, k), np.uint8))
    density = -np.log(np.clip(rel + floor, floor, 1.0)).mean(axis=2)
    noise = 0.02 + _MISPLACED_MM * slope
    return FineDetail(left, noise, res.fine_ok[0], density, g, slope, _weight(res, left, slope))


def _weight(res: Residue, left: Any, slope: Any) -> Any:
    """How well every pixel is known: its grain, edges that may lie off, its colour."""
    ok = res.fine_ok[0]
    off = res.group_var[np.maximum(res.group, 0)].mean(axis=2)
    off = np.where(res.group < 0, np.nanmax(off), off)
    off = cv2.resize(off.astype(np.float32), ok.shape[::-1], interpolation=cv2.INTER_NEAREST)
    extra = left.mean(axis=2)
    known = ok & (np.abs(extra) < _LIKELY)
    if known.sum() < _FEW:
        return np.zeros(ok.shape, np.float32)
    calm = known & (slope <= np.percentile(slope[known], 30))
    grain = max(float(mad_std(extra[calm] - np.median(extra[calm]))), _LEAST_GRAIN)
    noise2 = grain**2 + (_OFF * res.placed_mm * slope) ** 2 + off
    return np.where(known, noise2.min() / noise2, 0.0).astype(np.float32)


def seen_between_edges(f: Finding, fine: FineDetail, res: Residue) -> bool:
    """Tell whether a small spot shows in the print's body, not only where edges lie a little off.

    Fine pixels round the spot are fitted by missing dye of its shape beside a displacement,
    blur and level of their own.
    """
    g, r = fine.g, max(0.5 * f.diameter_mm, 0.8)
    h, w = fine.ok.shape
    r0, r1 = int(np.clip((f.y_mm - 3 * r) * g, 0, h)), int(np.clip((f.y_mm + 3 * r) * g + 1, 0, h))
    c0, c1 = int(np.clip((f.x_mm - 3 * r) * g, 0, w)), int(np.clip((f.x_mm + 3 * r) * g + 1, 0, w))
    cut = np.s_[r0:r1, c0:c1]
    ok = fine.ok[cut]
    if ok.sum() < 40:
        return False
    y, x = np.mgrid[r0:r1, c0:c1]
    d = np.hypot((x + 0.5) / g - f.x_mm, (y + 0.5) / g - f.y_mm)
    density = np.ascontiguousarray(fine.density[cut], dtype=np.float32)
    bell = np.exp(-np.log(2) * (d / r) ** 2)
    rel = res.fine_rel[cut]
    shown = (dye_depth(rel, res.floor) * rel / (rel + FINE_FLOOR)).mean(axis=2)  # as ``left`` shows missing dye
    if f.diameter_mm < _SPECK_MM:
        shown = density
    edges = [cv2.Sobel(density, cv2.CV_32F, i, k, scale=1 / 8) for i, k in ((1, 0), (0, 1))]
    edges.append(cv2.GaussianBlur(density, (0, 0), 0.5 * g) - density)
    design = np.stack([bell * shown, np.ones_like(bell), density, *edges], axis=-1)[ok].astype(float)
    seen = fine.left[cut].mean(axis=2)[ok].astype(float)
    weight = 1 / fine.noise[cut][ok].astype(float) ** 2
    weight = np.minimum(weight, 4 * np.median(weight))
    normal = design.T @ (design * weight[:, None])
    inverse = np.linalg.pinv(normal + np.diag([0, 0, *[1e-6 * np.trace(normal)] * 4]))
    fit = inverse @ (design.T @ (seen * weight))
    noise2 = float((weight * (seen - design @ fit) ** 2).mean()) * 12  # neighbouring pixels err alike
    sigmas = abs(fit[0]) / float(np.sqrt(max(inverse[0, 0] * noise2, 1e-18)))
    lack = float(f.detail["lack"])
    return bool(fit[0] * lack > 0 and abs(fit[0]) > 0.35 * abs(lack) and sigmas > 4)


def told_apart(f: Finding, fine: FineDetail, res: Residue) -> Finding:
    """Small spots with a sharp rim are no matter of heat: pinhole or speck."""
    if f.diameter_mm > 11 or f.kind not in ("pale", "dark"):
        return f
    g = fine.g
    reach = 1.6 * f.diameter_mm + 1.5
    r0, r1 = int(max((f.y_mm - reach) * g, 0)), int((f.y_mm + reach) * g) + 1
    c0, c1 = int(max((f.x_mm - reach) * g, 0)), int((f.x_mm + reach) * g) + 1
    part = fine.left[r0:r1, c0:c1].mean(axis=2)
    ok = fine.ok[r0:r1, c0:c1] & (fine.noise[r0:r1, c0:c1] < 0.3)
    if ok.sum() < 20:
        return f
    y, x = np.mgrid[r0 : r0 + part.shape[0], c0 : c0 + part.shape[1]]
    x, y = (x + 0.5) / g, (y + 0.5) / g
    depth = np.maximum(fine.density[r0:r1, c0:c1], 0.05)
    q, best = part[ok] / depth[ok], {}
    weight = np.minimum(depth[ok] / fine.noise[r0:r1, c0:c1][ok], 50) ** 2
    for name, sizes in (("disc", _DISCS), ("bell", _DISCS[1:])):
        low = np.inf
        for size in f.diameter_mm * np.array(sizes):
            for ox in np.array([-0.15, 0, 0.15]) * f.diameter_mm:
                for oy in np.array([-0.15, 0, 0.15]) * f.diameter_mm:
                    d = np.hypot(x[ok] - f.x_mm - ox, y[ok] - f.y_mm - oy)
                    t = (
                        1 / (1 + np.exp((d - size / 2) / 0.15))
                        if name == "disc"
                        else np.exp(-np.log(2) * (2 * d / size) ** 2)
                    )
                    mt, mq = (weight * t).sum() / weight.sum(), (weight * q).sum() / weight.sum()
                    tt = t - mt
                    power = (weight * tt * tt).sum()
                    if power <= 0:
                        continue
                    a = (weight * tt * (q - mq)).sum() / power
                    rest = (weight * (q - mq - a * tt) ** 2).sum()
                    if rest < low:
                        low = rest
                        best[name] = (rest, size, f.x_mm + ox, f.y_mm + oy)
    if len(best) < 2 or best["disc"][0] > 0.97 * best["bell"][0] or best["disc"][1] > 8.5:
        return f
    _, size, cx, cy = best["disc"]
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    c, r = ((v * g).astype(int) for v in (cx + size / 2 * np.cos(turn), cy + size / 2 * np.sin(turn)))
    inside = (r >= 0) & (r < fine.ok.shape[0]) & (c >= 0) & (c < fine.ok.shape[1])
    if size > _TINY_MM and (fine.noise[r[inside], c[inside]] > ROUGH).mean() > _ON_EDGES:
        return f  # the rim of a disc runs along the artwork's own edges: that is no rim of its own
    return replace(
        f,
        kind=res.hole if f.kind == Kind.PALE else Kind.SPECK,
        x_mm=round(float(cx), 1),
        y_mm=round(float(cy), 1),
        diameter_mm=round(float(size), 1),
        area_mm2=round(float(np.pi / 4 * size**2), 1),
    )
