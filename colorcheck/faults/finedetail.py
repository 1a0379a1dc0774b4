"""Crisp dots, and what fine resolution says about small spots."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.grid import Array
from ..ground.places import where_in_words
from ..ground.records import Finding, Kind
from ..ground.relative import dye_depth, relative_lab
from ..ground.residue import Residue
from ..ground.robust import mad_std
from .lack import confidence

_FINE_FLOOR = np.float32(0.012)  # added to fine signals before the logarithm
_SPECK_MM = 4.0  # smaller places are specks, which cover the print and leave no share of its dye


@dataclass(frozen=True, slots=True, eq=False)
class FineDetail:
    """What is left at fine resolution of the first photo: ``left`` (H, W, 3), its noise (H, W), where known (H, W).

    ``dye_floor`` (3,) is the part of the signal that never passes the dye.
    """

    left: Any
    noise: Any
    ok: Array
    density: Any
    g: float
    dye_floor: Array


def fine_residual(res: Residue) -> FineDetail:
    """Compare the first photo with its expectation at fine resolution."""
    seen0, g = res.fine_seen[0], res.fine_px_per_mm
    hw = seen0.shape[:2]
    b = round(res.step_mm * g)

    def up(a: Any) -> Any:
        r, c = a.shape[:2]
        return cv2.resize(a.astype(np.float32), (c * b, r * b), interpolation=cv2.INTER_LINEAR)[: hw[0], : hw[1]]

    floor = _FINE_FLOOR
    rel: Any
    slope: Any
    dx, dy = res.shift_mm[0] * g
    rel = res.fine_rel
    # a large one is no error of placing but the pull of a second copy
    if 0.05 < np.hypot(dx, dy) < 0.4 * g:
        rel = cv2.warpAffine(
            rel, np.array([[1, 0, -dx], [0, 1, -dy]], float), hw[::-1], borderMode=cv2.BORDER_REPLICATE
        )
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
    k = 2 * round(0.5 * g) + 1
    slope = cv2.dilate(slope, np.ones((k, k), np.uint8))
    density = -np.log(np.clip(rel + floor, floor, 1.0)).mean(axis=2)
    noise = 0.02 + 0.25 * slope
    return FineDetail(left=left, noise=noise, ok=res.fine_ok[0], density=density, g=g, dye_floor=res.floor)


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
    shown = (dye_depth(rel, fine.dye_floor) * rel / (rel + _FINE_FLOOR)).mean(axis=2)  # as ``left`` shows missing dye
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
    for name in ("disc", "bell"):
        low = np.inf
        for size in f.diameter_mm * np.array([0.5, 0.7, 0.85, 1.0, 1.2, 1.45]):
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
    return replace(
        f,
        kind=Kind.PINHOLE if f.kind == Kind.PALE else Kind.SPECK,
        x_mm=round(float(cx), 1),
        y_mm=round(float(cy), 1),
        diameter_mm=round(float(size), 1),
        area_mm2=round(float(np.pi / 4 * size**2), 1),
    )


def crisp_dots(fine: FineDetail, res: Residue, hidden: Array, spots: list[Finding]) -> list[Finding]:
    """Crisp dots too small for the coarse grid."""
    g = fine.g
    s = 0.45 * g
    left = fine.left - cv2.GaussianBlur(cv2.medianBlur(fine.left.astype(np.float32), 5), (0, 0), 4 * g)
    out: list[Finding] = []
    near = cv2.GaussianBlur(left, (0, 0), s)
    mean = cv2.transform(near, np.full((1, 3), 1 / 3, np.float32))
    strongest = np.maximum.reduce([np.abs(channel) for channel in cv2.split(near)]) * np.sign(mean)
    wide = cv2.GaussianBlur(np.abs(mean), (0, 0), 4 * g)
    ok = fine.ok & ~(cv2.resize(hidden.astype(np.uint8), fine.ok.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0)
    ok = cv2.erode(ok.astype(np.uint8), np.ones((round(2 * g) + 1,) * 2, np.uint8)) > 0
    if not ok.any():
        return out
    k = 2 * round(1.0 * g) + 1
    rough = cv2.dilate(fine.noise, np.ones((k, k), np.uint8)) < 0.12
    base = float(mad_std(mean[ok][::7]))
    noise = np.maximum(np.maximum(base, 1.25 * wide), 0.006) + 0.35 * np.maximum(fine.noise - 0.02, 0)
    z = np.where(ok & rough, np.abs(strongest) / noise, 0)
    count, label, stats, centre = cv2.connectedComponentsWithStats((z > 9).astype(np.uint8))
    order = np.argsort([-float(z[label == j].max()) for j in range(1, min(count, 200))])
    for j in order[:30] + 1:
        here = label == j
        area = float(stats[j, cv2.CC_STAT_AREA]) / g**2
        long = max(stats[j, cv2.CC_STAT_WIDTH], stats[j, cv2.CC_STAT_HEIGHT]) / g
        x, y = (float(centre[j][i] + 0.5) / g for i in (0, 1))
        if not 0.15 < area < 50 or long > 12:
            continue
        peak = fine.left[here].mean(axis=0)
        rel = res.fine_rel[here].mean(axis=0)
        de = float(delta_e00(relative_lab(np.clip(rel * np.exp(peak), 0, 1.2)), relative_lab(rel)))
        if de < 3.5:
            continue
        if any(np.hypot(x - f.x_mm, y - f.y_mm) < max(f.diameter_mm, 3) for f in [*spots, *out]):
            continue
        pale = bool(peak.min() > -0.02 and peak.mean() > 0)
        size = float(np.sqrt(4 * area / np.pi))
        out.append(
            Finding(
                kind=Kind.PINHOLE if pale else Kind.SPECK,
                x_mm=round(x, 1),
                y_mm=round(y, 1),
                diameter_mm=round(size, 1),
                area_mm2=round(area, 2),
                delta_e00=round(de, 2),
                delta_l=round(float(relative_lab(np.clip(rel * np.exp(peak), 0, 1.2))[0] - relative_lab(rel)[0]), 2),
                confidence=confidence(float(z[here].max()) - 2),
                where=where_in_words(x, y, res.size_mm, res.shape),
                detail={"significance": round(float(z[here].max()), 1)},
            )
        )
    return out
