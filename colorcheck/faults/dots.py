"""Crisp dots and hairs: dust, lint and pinholes between paper and coat."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.places import where_in_words
from ..ground.records import Finding, Kind, Mask, Target
from ..ground.relative import relative_lab
from ..ground.robust import mad_std
from ..sheet.sheetgrid import RIM_MM, SheetGrid, clipped, extremes, field_mask, fill_boxes, local_mean

_BLOCKS = 1.3  # a dot's threshold over the reach of wrong blocks; its height must be 2.2 times the threshold
_COARSE_FILE = 0.042  # reach of wrong blocks beyond that of a file of quality 80 (measured 0.015–0.036)
_BLOCK_L = 2.5  # a dot of a coarse file that changes L* by less is a coloured block, not dye


def find_dots(target: Target, sheet: SheetGrid, *, ghost: bool) -> list[Finding]:
    """Find pale and coloured dots with a sharp rim in the field and in the cells' middles."""
    q = sheet.q
    h, w = sheet.valid.shape
    # the square root is close enough to the eye's scale and cheap
    v = cv2.sqrt(clipped(sheet.rel, 0.0, 1.5))
    look = field_mask(target, (h, w), q, sheet.margin_mm + 0.15, 2 * RIM_MM)
    base = local_mean(v, (look > 0) & sheet.valid, 3.0 * q)
    inner, rough = np.zeros((h, w), np.uint8), np.zeros((h, w), np.float32)
    cut = max(0.14 * target.cell_mm, sheet.margin_mm + 0.3)
    fill_boxes(inner, target.box_mm, q, -cut, 1)
    top, left = (
        np.ceil((target.box_mm[:, 1] + cut) * q).astype(int),
        np.ceil((target.box_mm[:, 0] + cut) * q).astype(int),
    )
    low_, right = target.box_mm[:, 1] + target.box_mm[:, 3] - cut, target.box_mm[:, 0] + target.box_mm[:, 2] - cut
    end_r, end_c = (low_ * q).astype(int), (right * q).astype(int)
    k = int(min((end_r - top).min(), (end_c - left).min())) if len(top) else 0
    if k >= 3:
        steps = np.arange(0, k, 2)
        some = v[
            np.clip(top[:, None] + steps, 0, h - 1)[:, :, None], np.clip(left[:, None] + steps, 0, w - 1)[:, None, :]
        ]
        some = some.reshape(len(top), -1, 3)
        middle = np.median(some, axis=1)
        worst = (some - middle[:, None]).min(axis=2)
        uneven = 1.4826 * np.median(np.abs(worst), axis=1)
        for n in range(len(top)):
            part = (slice(top[n], end_r[n]), slice(left[n], end_c[n]))
            base[part], rough[part] = middle[n], uneven[n]
    area = ((look | inner) > 0) & sheet.valid & ~sheet.glare
    d = v - base
    high, least = (np.where(area, k, 0).astype(np.float32) for k in extremes(d))
    pale, dark = least, -least
    noise = np.maximum(mad_std(least[look > 0][::7]), 0.002) if (look > 0).any() else 0.01
    out: list[Finding] = []
    # a rough cell (dark, strongly coloured, sharpened) must be exceeded by its own roughness
    blocks = _tail(np.minimum(high, -least)[area])
    low = max(0.055, 7 * float(noise), _BLOCKS * blocks)
    for kind, strength in (("pinhole", pale), ("speck", dark)):
        calm = np.minimum(1.0, low / np.maximum(7 * rough, low)).astype(np.float32)
        out += _components(target, sheet, kind, strength * calm, low, v, base, area)
    if blocks > _COARSE_FILE:
        out = [f for f in out if abs(f.delta_l) >= _BLOCK_L]
    # the copy's own strips and crossings look like threads and dots
    return [f for f in out if f.kind == "pinhole" and f.delta_l > 15] if ghost else out


def _tail(values: Any) -> float:
    """How far wrong blocks of the file reach, from what is paler in one channel and darker in another at once.

    A strongly compressed file (4:2:0) leaves coloured blocks beside edges, few of them, so that the spread of
    the common pixels tells nothing of them. A dot without dye is paler in every channel and one with more dye in
    none: real dots do not count here, however many.
    """
    return float(np.percentile(values, 99.99)) if values.size > 3000 else 0.0


def _components(
    target: Target, sheet: SheetGrid, kind: str, strength: Any, low: float, v: Any, base: Any, area: Mask
) -> list[Finding]:
    """Turn connected pixels over the threshold into findings, if small and sharp."""
    q = sheet.q
    over = (strength > low).astype(np.uint8)
    count, label, stats, middle = cv2.connectedComponentsWithStats(over, connectivity=8)
    if count > 4000:
        return []
    out: list[Finding] = []
    for k in range(1, count):
        c0, r0, cw, ch, n = (int(s) for s in stats[k])
        if n < 3 or max(cw, ch) > 16 * q:
            continue
        box = (slice(max(r0 - 2, 0), r0 + ch + 2), slice(max(c0 - 2, 0), c0 + cw + 2))
        own = label[box] == k
        s = strength[box]
        peak = float(np.sort(s[own])[-max(1, n // 10)])
        if peak < 2.2 * low:
            continue
        # size at half height; a sharp rim has few pixels between a quarter and three quarters
        core = own & (s > 0.5 * peak)
        size = 2 * np.sqrt(core.sum() / np.pi) / q
        long_mm, wide_mm = _extent(core, q)
        hair = long_mm > 3 * wide_mm and long_mm > 1.5
        if not 0.3 <= size <= 8.0:
            continue
        if not _alone(strength, core, box, area, v, base, peak, q):
            continue
        slope = _rim_slope(s, core) * q / peak
        if slope < 0.45:  # less than this share of the height per mm is not crisp
            continue
        x, y = (float(middle[k][0]) + 0.5) / q, (float(middle[k][1]) + 0.5) / q
        values = v[box][core & (s >= 0.8 * peak)] if (core & (s >= 0.8 * peak)).any() else v[box][core]
        before = base[box][core].mean(axis=0).astype(float) ** 2
        after = values.mean(axis=0).astype(float) ** 2
        lab = relative_lab(np.array([before, after]))
        name = "hair" if hair else kind
        out.append(
            Finding(
                kind=Kind(name),
                x_mm=x,
                y_mm=y,
                diameter_mm=float(long_mm if hair else size),
                area_mm2=float(core.sum() / q**2),
                delta_e00=float(delta_e00(lab[1], lab[0])),
                delta_l=float(lab[1, 0] - lab[0, 0]),
                confidence=float(np.clip(peak / (peak + low), 0, 0.98)),
                where=where_in_words(x, y, target.size_mm, target.shape),
                detail={"pale": kind == "pinhole"},
            )
        )
    return sorted(out, key=lambda f: -f.delta_e00)[:50]


def _alone(strength: Any, core: Any, box: Any, area: Mask, v: Any, base: Any, peak: float, q: float) -> bool:
    """Whether a dot lies in calm surroundings on all sides: a mirrored window's rim or an edge does not."""
    gap, wide = max(2, round(0.35 * q)), max(2, round(0.6 * q))
    grow = gap + wide
    r0, c0 = max(box[0].start - grow, 0), max(box[1].start - grow, 0)
    r1, c1 = box[0].start + core.shape[0] + grow, box[1].start + core.shape[1] + grow
    part = (slice(r0, r1), slice(c0, c1))
    own = np.zeros(area[part].shape, np.uint8)
    top, left = box[0].start - r0, box[1].start - c0
    own[top : top + core.shape[0], left : left + core.shape[1]] = core

    def grown(k: int) -> Any:
        return cv2.dilate(own, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * k + 1, 2 * k + 1)))

    rim = (grown(1) > 0) & (own == 0)
    if (rim & area[part]).sum() < 0.6 * rim.sum():
        return False  # cut off by a cell's edge or the end of what is looked at
    ring = (grown(grow) > 0) & (grown(gap) == 0)
    seen = ring & area[part]
    if seen.sum() < 0.3 * ring.sum():
        return False
    off = np.abs(v[part][seen] - base[part][seen]).max(axis=1)
    return bool(np.median(off) < 0.22 * peak and np.percentile(off, 85) < 0.5 * peak)


def _extent(core: Any, q: float) -> tuple[float, float]:
    """Length and width in mm of a set of pixels, from their second moments."""
    r, c = np.nonzero(core)
    if len(r) < 3:
        return 1 / q, 1 / q
    m = np.cov(np.stack([c, r])) + np.eye(2) / 12
    e = np.sqrt(np.maximum(np.linalg.eigvalsh(m), 0)) * np.sqrt(12) / q
    return float(e[1]), float(e[0])


def _rim_slope(s: Any, core: Any) -> float:
    """Mean steepness per pixel where the half-height line runs."""
    gx, gy = cv2.Sobel(s, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(s, cv2.CV_32F, 0, 1, scale=1 / 8)
    c = core.astype(np.uint8)
    rim = cv2.dilate(c, np.ones((3, 3), np.uint8)) - cv2.erode(c, np.ones((3, 3), np.uint8))
    g = np.hypot(gx, gy)[rim > 0]
    return float(np.median(g)) if len(g) else 0.0
