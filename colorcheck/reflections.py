"""Reflections: light that is added over the print, and stays with the lamp."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np

from .apart import Parted
from .expect import Array, Expected, block_places
from .glare import grow
from .places import where_in_words
from .records import Finding
from .robust import mad_std

_SURE, UNSURE = 40.0, 25.0  # evidence that settles it; from simulation, beyond what good pieces and spots showed
_LAMP_COLOUR, _DYE_RATE = 0.06, 0.2


def find_glare(e: Expected, p: Parted, left: Any, var: Any, raised: Array) -> tuple[list[Finding], Any]:
    """Reflections: additive, and where there are several photos, at home in one of them only."""
    v = left.shape[0]
    hidden = np.zeros(left.shape[:3], bool)
    out: list[Finding] = []
    ok: Any = np.isfinite(left).all(axis=3) & np.isfinite(var).all(axis=3)
    if v > 1:
        s = 4.0 / e.step_mm
        with np.errstate(invalid="ignore", divide="ignore"):
            added = np.where(ok[..., None], e.rel * np.expm1(np.nan_to_num(left)), np.nan).mean(axis=3)
            add_var = np.where(ok[..., None], var * e.rel**2, np.inf).mean(axis=3)
        for k in range(v):
            others = np.nan_to_num(np.delete(added, k, axis=0), nan=np.inf).min(axis=0)
            w = np.where(ok[k] & np.isfinite(others), 1 / np.maximum(add_var[k], 1e-9), 0.0)
            d = np.where(w > 0, added[k] - others, 0.0)
            num = cv2.GaussianBlur(d * w, (0, 0), s)
            den = cv2.GaussianBlur(w, (0, 0), s)
            mean = num / np.maximum(den, 1e-12)
            seen = w > 0
            noise = max(float(mad_std(mean[seen])), 1e-4) if seen.any() else 1.0
            middle = float(np.median(mean[seen])) if seen.any() else 0.0
            hidden[k] = grow(seen & (mean - middle > max(6 * noise, 0.006)), mean - middle > 2 * noise)
    else:
        hidden[0] = _additive(e, p, raised[0])
    for k in range(v):
        label_count, label, stats, centre = cv2.connectedComponentsWithStats((hidden[k] & e.inside).astype(np.uint8))
        for j in range(1, label_count):
            area = float(stats[j, cv2.CC_STAT_AREA]) * e.step_mm**2
            here = label == j
            lift = np.nanmean(np.where(ok[k][..., None], e.rel * np.expm1(np.nan_to_num(left[k])), np.nan)[here])
            if area < 60 or not np.isfinite(lift):
                continue
            x, y = (float(centre[j][i] + 0.5) * e.step_mm for i in (0, 1))
            out.append(
                Finding(
                    kind="glare",
                    x_mm=round(x, 1),
                    y_mm=round(y, 1),
                    diameter_mm=round(float(np.sqrt(4 * area / np.pi)), 1),
                    area_mm2=round(area, 1),
                    delta_e00=0.0,
                    delta_l=0.0,
                    confidence=0.9,
                    where=where_in_words(x, y, e.size_mm, e.shape),
                    severity="note",
                    detail={"lift": round(float(lift), 4), "photo": k},
                )
            )
    return out, hidden


def _additive(e: Expected, p: Parted, raised: Array) -> Array:
    """Keep only those raised places where added light explains what is seen clearly better than missing dye."""
    out = np.zeros(raised.shape, bool)
    known = e.inside & np.isfinite(p.left[0]).all(axis=2)
    count, label = cv2.connectedComponents((raised & known).astype(np.uint8))
    for j in range(1, count):
        here = label == j
        if here.sum() * e.step_mm**2 < 60 or float(np.median(p.left[0][here])) < 0:
            continue
        if dye_or_light(e, p, here) < -_SURE:
            out |= here
    # its skirts raise the print too, too little to be seen for certain
    r = 2 * round(3.0 / e.step_mm) + 1
    return np.asarray(cv2.dilate(out.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (r, r))) > 0)


def dye_or_light(e: Expected, p: Parted, where: Array) -> float:
    """Evidence for missing dye (positive) against added light (negative) over the places (r, c) of the first photo.

    Half the difference of chi-square between two explanations of the same lift. Missing dye
    changes each channel by its depth there, each dye giving way at its own rate (20 % apart); a
    reflection adds the lamp's own colour everywhere (to 6 %). Both may vary from place to place as
    they like, but for some smoothing: it is the colours and the contrast of the print that tell.
    Around zero (within ±25) the two look alike, as they do on one neutral tone.
    """
    known = np.isfinite(p.left[0]).all(axis=2) & np.isfinite(p.var[0]).all(axis=2)
    here = where & e.inside & known
    if here.sum() < 12:
        return 0.0
    rows, cols = np.flatnonzero(here.any(axis=1)), np.flatnonzero(here.any(axis=0))
    cut = np.s_[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    ok, rel, depth = here[cut], e.rel[cut], p.depth[cut]
    log = np.clip(np.where(ok[..., None], p.left[0][cut], 0.0), -3, 3)
    var = p.var[0][cut] + p.colour_var[np.maximum(p.colour_group[cut], 0)]
    std2 = np.where(ok[..., None], var, 1.0) * rel**2 * np.exp(2 * np.maximum(log, 0)) + 0.002**2
    weight = np.where(ok[..., None], 1 / std2, 0.0)
    lift = rel * np.expm1(log)
    best: tuple[float, float, bool] | None = None
    for sigma in sorted({1.0, max(float(np.sqrt(ok.sum())) / 14, 1.0)}):
        freedom = ok.sum() * max(3 - 1 / (4 * np.pi * sigma**2), 1.0)
        light, light_odd, _ = _explained(np.ones_like(rel), None, lift, weight, ok, sigma)
        dye, dye_odd, lack = _explained(rel, depth, lift, weight, ok, sigma)
        dye_odd += (lack / 0.3) ** 2  # a press seldom leaves more than a third of the dye on the paper
        rough = max(min(light, dye) / freedom, 1.0)
        if best is None or rough < best[0]:
            # neighbours err alike: a third counts as independent
            settled = rough < 4 or light < dye
            # light explains it clearly better, with a lamp's colour; or more dye is gone than a press leaves behind
            settled &= dye < light or (dye > 1.2 * light and light_odd < 35) or lack > 0.45
            best = (rough, (light - dye) / rough / 3 + light_odd - dye_odd, settled)
    assert best is not None
    return best[1] if best[2] else float(np.clip(best[1], -UNSURE, UNSURE))


def _explained(
    rel: Array, depth: Array | None, lift: Array, weight: Array, ok: Array, sigma: float
) -> tuple[float, float, float]:
    """Fit added light (``depth`` None) or missing dye: weighted squares left, cost of odd colour, 90th percentile."""
    prior = _LAMP_COLOUR if depth is None else _DYE_RATE
    scale = np.ones(3)
    amount = np.zeros(ok.shape)
    rest, unit = lift, rel

    def smooth(a: Array) -> Array:
        return np.asarray(cv2.GaussianBlur(a, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT))

    for turn in range(6):
        if depth is None:
            unit = slope = np.broadcast_to(scale, lift.shape)
        else:
            q = np.where(np.abs(amount) > 1e-4, np.clip(amount, -1, 1), 1e-4)[..., None]
            unit = rel * np.expm1(q * depth * scale) / q
            slope = rel * depth * scale * np.exp(q * depth * scale)
        up, down = smooth((weight * unit * lift).sum(axis=2)), smooth((weight * unit * unit).sum(axis=2))
        amount = up / np.maximum(down, 1e-9)
        rest = lift - amount[..., None] * unit
        step = amount[..., None] * slope / scale
        rough = max(float((weight * rest**2).sum()) / max(2.5 * ok.sum(), 1), 1.0)
        force = (weight * step * rest).sum(axis=(0, 1)) / rough - (scale - 1) / prior**2
        scale = np.clip(scale + force / ((weight * step * step).sum(axis=(0, 1)) / rough + 1 / prior**2), 0.3, 2)
        if turn < 5:
            scale = scale / scale.mean()
    odd = min(float((((scale - 1) / prior) ** 2).sum()), 40.0)
    return float((weight * rest**2).sum()), odd, float(np.percentile(amount[ok], 90))


def mark_reflection(f: Finding, e: Expected, p: Parted) -> Finding:
    """Note at a pale place in a single photo how much speaks for missing dye and against a reflection."""
    if f.kind not in ("pale", "pale-centre"):
        return f
    x, y = np.moveaxis(block_places(e.inside.shape, e.step_mm), 2, 0)
    near = np.hypot(x - f.x_mm, y - f.y_mm) < max(0.9 * f.diameter_mm, 4 * e.step_mm)
    evidence = dye_or_light(e, p, near)
    if evidence > UNSURE and f.detail.get("lack", 0.0) < 0.5:
        return f
    return replace(f, detail={**f.detail, "could_be_reflection": True, "for_dye": round(evidence, 1)})
