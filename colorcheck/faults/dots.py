"""Crisp dots and hairs: dust, lint and pinholes between paper and coat."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.grid import Array, local_mean
from ..ground.places import where_in_words
from ..ground.records import Finding, Kind
from ..ground.relative import relative_lab
from ..ground.residue import Residue
from ..ground.robust import mad_std
from .finedetail import ROUGH, FineDetail
from .lack import confidence

_SIGNIFICANT = 9.0  # of the strongest among many thousand places
_NEAR_EDGES = 10.0  # times what print may lie off its place: nearer to rough places nothing is judged
_DOT = 0.3  # of natural density: what differs by more is a dot and no roughness
_RING_MM = (0.35, 0.7)  # round a dot; there less than this share of its height must be left:
_FALLEN = 0.4
_HAIR_MM = 1.5
_MOST = 30


def crisp_dots(fine: FineDetail, res: Residue, hidden: Array, spots: list[Finding]) -> list[Finding]:
    """Find crisp dots too small for the coarse grid, and hairs."""
    g = fine.g
    s = 0.45 * g
    left = fine.left - cv2.GaussianBlur(cv2.medianBlur(fine.left.astype(np.float32), 5), (0, 0), 4 * g)
    out: list[Finding] = []
    near = cv2.GaussianBlur(left, (0, 0), s)
    mean = cv2.transform(near, np.full((1, 3), 1 / 3, np.float32))
    strongest = np.maximum.reduce([np.abs(channel) for channel in cv2.split(near)]) * np.sign(mean)
    ok = fine.ok & ~(cv2.resize(hidden.astype(np.uint8), fine.ok.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0)
    ok = cv2.erode(ok.astype(np.uint8), np.ones((round(2 * g) + 1,) * 2, np.uint8)) > 0
    if not ok.any():
        return out
    k = 2 * round(_NEAR_EDGES * res.placed_mm * g) + 1
    rough = cv2.dilate(fine.noise, np.ones((k, k), np.uint8)) < ROUGH
    calm = rough & ok  # roughness is learned where dots are looked for
    wide = local_mean(np.minimum(np.abs(mean), _DOT), calm, 4 * g)
    base = float(mad_std(mean[ok][::7]))
    noise = np.maximum(np.maximum(base, 1.25 * wide), 0.006) + 0.35 * np.maximum(fine.noise - 0.02, 0)
    z = np.where(calm, np.abs(strongest) / noise, 0)
    count, label, stats, centre = cv2.connectedComponentsWithStats((z > _SIGNIFICANT).astype(np.uint8))
    order = np.argsort([-float(z[label == j].max()) for j in range(1, min(count, 200))])
    for j in order[:_MOST] + 1:
        here = label == j
        area = float(stats[j, cv2.CC_STAT_AREA]) / g**2
        long = max(stats[j, cv2.CC_STAT_WIDTH], stats[j, cv2.CC_STAT_HEIGHT]) / g
        x, y = (float(centre[j][i] + 0.5) / g for i in (0, 1))
        if not 0.15 < area < 50 or long > 12:
            continue
        ring = (_grown(here, _RING_MM[1] * g) & ~_grown(here, _RING_MM[0] * g)) & fine.ok
        if np.median(np.abs(strongest[ring])) > _FALLEN * np.abs(strongest[here]).max():
            continue  # it goes on beyond where it was looked for, to the artwork's own edges: a colour, no dot
        peak = fine.left[here].mean(axis=0)
        rel = res.fine_rel[here].mean(axis=0)
        de = float(delta_e00(relative_lab(np.clip(rel * np.exp(peak), 0, 1.2)), relative_lab(rel)))
        if de < 3.5:
            continue
        if any(np.hypot(x - f.x_mm, y - f.y_mm) < max(f.diameter_mm, 3) for f in [*spots, *out]):
            continue
        pale = bool(peak.min() > -0.02 and peak.mean() > 0)
        c0, r0, across, high = (int(v) for v in stats[j, :4])
        cut = np.s_[r0 : r0 + high, c0 : c0 + across]
        core = here[cut] & (np.abs(strongest[cut]) > 0.5 * np.abs(strongest[cut]).max())
        area = float(core.sum()) / g**2
        long_mm, wide_mm = _extent(core, g)
        hair = pale and long_mm > max(3 * wide_mm, _HAIR_MM)
        size = long_mm if hair else float(np.sqrt(4 * area / np.pi))
        out.append(
            Finding(
                kind=Kind.HAIR if hair else res.hole if pale else Kind.SPECK,
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


def _grown(mask: Array, by_px: float) -> Array:
    size = 2 * max(1, round(by_px)) + 1
    return np.asarray(cv2.dilate(mask.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))) > 0)


def _extent(core: Any, q: float) -> tuple[float, float]:
    """Length and width in mm of a set of pixels, from their second moments."""
    r, c = np.nonzero(core)
    if len(r) < 3:
        return 1 / q, 1 / q
    m = np.cov(np.stack([c, r])) + np.eye(2) / 12
    e = np.sqrt(np.maximum(np.linalg.eigvalsh(m), 0)) * np.sqrt(12) / q
    return float(e[1]), float(e[0])
