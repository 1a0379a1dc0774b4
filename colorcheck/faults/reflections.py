"""Reflections: light that is added over the print, and stays with the lamp."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np

from ..ground.grid import Array
from ..ground.movinglight import mirrored, visible
from ..ground.places import where_in_words
from ..ground.records import Finding, Kind
from ..ground.residue import Residue
from .lack import lack_de

_SURE, UNSURE = 40.0, 25.0  # evidence that settles it; from simulation, beyond what good pieces and spots showed
_LAMP_COLOUR, _DYE_RATE = 0.06, 0.2
_COAT_DEPTH = 0.02  # what the coat's own colour may add to the depth of print where the artwork shows no bare coat
_ROUGH = 4.0  # squares left over, per degree of freedom, beyond which neither explanation holds
_MOST_DISCS = 36.0  # places of a reflection at which dye is asked for, for the sake of time
_USUAL_DE, _LAMP_MM = 8.0, (38.0, 65.0)  # what heat seldom exceeds, and how wide mirrored lamps are; estimates
_WINDOW_MM = 5.0
_PLAIN_STD = 0.003  # of the coat's signal, that no place is known better than
_TELLS_DE = 0.7  # a place is judged where missing dye is known so well: a third of the limit
_MUCH = 0.3  # of a place, from which reflections are said to lie over it; estimate
_LEANS = -15.0  # evidence below which a reflection is the likelier cause


def find_glare(res: Residue) -> tuple[list[Finding], Any, Any]:
    """Reflections: additive, and where there are several photos, at home in one of them only.

    Returns findings, where each photo shows one, and the light of those that moved, both (v, r, c).
    """
    if res.photos > 1:
        hidden, light = mirrored(res)
    else:
        hidden = _additive(res, res.standout[0])[None]
        light = np.zeros(hidden.shape)
    return listed(res, res.left, hidden), hidden, light


def through_light(res: Residue, hidden: Array, light: Array) -> tuple[Array, Array, Array]:
    """Judge what lies under a reflection in every photo, where the print itself tells the two apart.

    Light adds the same to dark and pale parts of the print, missing dye changes each by its depth: in a window of a few
    millimetres both are fitted, a level of added light for each photo and one share of missing dye. ``light`` is what
    is known of a reflection that moved.

    Returns
    -------
    left, var, hidden
        Those of the residue; where this tells enough, the first photo's hold what was found, and are not hidden.
    """
    everywhere = hidden.all(axis=0) & res.inside
    left, var, hidden = res.left.copy(), res.var.copy(), hidden.copy()
    if not everywhere.any():
        return left, var, hidden
    known = np.isfinite(left).all(axis=3) & np.isfinite(var).all(axis=3) & res.inside
    sigma = _WINDOW_MM / res.step_mm
    shown = res.rel * res.depth
    group = res.group_var[np.maximum(res.group, 0)]

    def sums(a: Array) -> Array:
        return np.asarray(cv2.GaussianBlur(np.ascontiguousarray(a.sum(axis=2)), (0, 0), sigma))

    own, cross, rest, count = (np.zeros(everywhere.shape) for _ in range(4))
    for k in range(res.photos):
        use = known[k][..., None]
        y = np.where(use, res.rel * np.expm1(np.clip(np.nan_to_num(left[k]), -3, 3)) - light[k][..., None], 0.0)
        w = np.where(use, 1 / ((np.where(use, var[k], 1.0) + group) * res.rel**2 + _PLAIN_STD**2), 0.0)
        total = np.maximum(sums(w), 1e-9)
        mean_s, mean_y = sums(w * shown) / total, sums(w * y) / total
        own += sums(w * shown**2) - total * mean_s**2
        cross += sums(w * shown * y) - total * mean_s * mean_y
        rest += sums(w * y**2) - total * mean_y**2
        count += sums(np.broadcast_to(use, w.shape).astype(float))
    lack = cross / np.maximum(own, 1e-9)
    # neighbours err alike: a third counts as independent
    rough = 3 * np.maximum((rest - lack * cross) / np.maximum(count, 1e-9), 1.0)
    std = np.sqrt(rough / np.maximum(own, 1e-9) / (4 * np.pi * sigma**2))
    told = everywhere & (np.abs(lack_de(res.rel, res.depth, std)) < _TELLS_DE)
    left[0][told] = (lack[..., None] * res.depth)[told]
    # the windows of neighbours overlap: together they must weigh no more than one of them
    var[0][told] = np.maximum(3 * 4 * np.pi * sigma**2 * (std[..., None] * res.depth) ** 2, 1e-6)[told]
    hidden[0] &= ~told
    return left, var, hidden


def listed(res: Residue, left: Any, hidden: Any) -> list[Finding]:
    """One finding for each reflection of each photo."""
    out: list[Finding] = []
    v = left.shape[0]
    ok = np.isfinite(left).all(axis=3)
    for k in range(v):
        label_count, label, stats, centre = cv2.connectedComponentsWithStats((hidden[k] & res.inside).astype(np.uint8))
        for j in range(1, label_count):
            area = float(stats[j, cv2.CC_STAT_AREA]) * res.step_mm**2
            here = label == j
            lift = np.nanmean(np.where(ok[k][..., None], res.rel * np.expm1(np.nan_to_num(left[k])), np.nan)[here])
            if area < 60 or not np.isfinite(lift):
                continue
            x, y = (float(centre[j][i] + 0.5) * res.step_mm for i in (0, 1))
            out.append(
                Finding(
                    kind=Kind.GLARE,
                    x_mm=round(x, 1),
                    y_mm=round(y, 1),
                    diameter_mm=round(float(np.sqrt(4 * area / np.pi)), 1),
                    area_mm2=round(area, 1),
                    delta_e00=0.0,
                    delta_l=0.0,
                    confidence=0.9,
                    where=where_in_words(x, y, res.size_mm, res.shape),
                    detail={"lift": round(float(lift), 4), "photo": k},
                )
            )
    return out


def _additive(res: Residue, raised: Array) -> Array:
    """Keep only those raised places where added light explains what is seen clearly better than missing dye."""
    out = np.zeros(raised.shape, bool)
    known = res.inside & np.isfinite(res.left[0]).all(axis=2)
    count, label = cv2.connectedComponents((raised & known).astype(np.uint8))
    for j in range(1, count):
        here = label == j
        if here.sum() * res.step_mm**2 < 60 or float(np.median(res.left[0][here])) < 0:
            continue
        if dye_or_light(res, here) < -_SURE:
            out |= extent(res, here)
    return out


def extent(res: Residue, core: Array) -> Array:
    """Where a reflection known to lie over ``core`` (r, c) can be seen, in the first photo.

    The lift is taken as a median of 3 × 3 blocks, which keeps the hard rims of a mirrored window,
    and as a smooth mean, which holds against noise; both must change the print visibly.
    """
    known = res.inside & np.isfinite(res.left[0]).all(axis=2) & np.isfinite(res.var[0]).all(axis=2)
    log = np.clip(np.where(known[..., None], res.left[0], 0.0), -3, 3)
    weight = np.where(known[..., None], 1 / (np.where(known[..., None], res.var[0], 1.0) * res.rel**2 + 0.002**2), 0.0)
    total = weight.sum(axis=2)
    lift = (weight * res.rel * np.expm1(log)).sum(axis=2) / np.maximum(total, 1e-9)
    own = cv2.medianBlur(lift.astype(np.float32), 3)
    sigma = 2.5 / res.step_mm
    mean = cv2.GaussianBlur(lift * total, (0, 0), sigma) / np.maximum(cv2.GaussianBlur(total, (0, 0), sigma), 1e-9)
    seen = known & visible(res, np.minimum(own, mean))
    r = 2 * round(4.0 / res.step_mm) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (r, r))
    round_it = (cv2.dilate(core.astype(np.uint8), disc) > 0) & res.inside
    seen |= round_it & ~known  # overexposed
    _, label = cv2.connectedComponents((seen & round_it).astype(np.uint8), connectivity=4)
    count = np.bincount(label[core], minlength=label.max() + 1)
    count[0] = 0
    kept = np.isin(label, np.flatnonzero(count * res.step_mm**2 > 30))
    kept = cv2.morphologyEx(kept.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)) > 0
    # blocks that a hard rim cuts
    rim = cv2.dilate(kept.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return _without_dye(res, kept | (rim & known & visible(res, lift)))


def _without_dye(res: Residue, mark: Array) -> Array:
    """Take out of a reflection's mark what is certainly missing dye: a pale spot that touches it."""
    pitch = max(8.0, float(np.sqrt(mark.sum() * res.step_mm**2 / _MOST_DISCS)))
    places = res.places()
    cell = np.floor(places / pitch).astype(np.int64)
    number = cell[..., 1] * (int(cell[..., 0].max()) + 1) + cell[..., 0]
    dye = np.zeros(mark.shape, bool)
    for k in np.unique(number[mark]):
        own = mark & (number == k)
        middle = places[own].mean(axis=0)
        disc = mark & (np.hypot(places[..., 0] - middle[0], places[..., 1] - middle[1]) < 0.8 * pitch)
        if disc.sum() * res.step_mm**2 > 60 and dye_or_light(res, disc) > UNSURE:
            dye |= own
    if not dye.any():
        return np.asarray(mark)
    return np.asarray(cv2.morphologyEx((mark & ~dye).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0)


def dye_or_light(res: Residue, where: Array) -> float:
    """Evidence for missing dye (positive) against added light (negative) over the places (r, c) of the first photo.

    Half the difference of chi-square between two explanations of the same lift. Missing dye
    changes each channel by its depth there, each dye giving way at its own rate (20 % apart); a
    reflection adds the lamp's own colour everywhere (to 6 %). Both may vary from place to place as
    they like, but for some smoothing: it is the colours and the contrast of the print that tell.
    Against missing dye speaks only what neither of its forms explains: thinner dye (Beer and Lambert), or less of the
    coat covered by dots (Murray and Davies), which on black alone looks just like a reflection.
    Around zero (within ±25) the two look alike, as they do on one neutral tone.
    """
    known = np.isfinite(res.left[0]).all(axis=2) & np.isfinite(res.var[0]).all(axis=2)
    here = where & res.inside & known
    if here.sum() < 12:
        return 0.0
    rows, cols = np.flatnonzero(here.any(axis=1)), np.flatnonzero(here.any(axis=0))
    cut = np.s_[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    ok, rel, depth = here[cut], res.rel[cut], res.depth[cut]
    log = np.clip(np.where(ok[..., None], res.left[0][cut], 0.0), -3, 3)
    var = res.var[0][cut] + res.group_var[np.maximum(res.group[cut], 0)]
    std2 = np.where(ok[..., None], var, 1.0) * rel**2 * np.exp(2 * np.maximum(log, 0)) + 0.002**2
    weight = np.where(ok[..., None], 1 / std2, 0.0)
    lift = rel * np.expm1(log)
    coat = 0.0 if res.coat == "artwork" else _COAT_DEPTH / np.maximum(np.median(depth[ok], axis=0), _COAT_DEPTH)
    rate = np.hypot(_DYE_RATE, coat) * np.ones(3)
    lamp = np.full(3, _LAMP_COLOUR)
    # where white cells tell the light, a broad reflection may have passed for lamp on white, and is missing there
    lights = [np.ones_like(rel)] + ([np.maximum(1 - rel, 0)] if res.source == "target" else [])
    best: tuple[float, float, bool] | None = None
    for sigma in (*sorted({1.0, max(float(np.sqrt(ok.sum())) / 14, 1.0)}), 0.0):
        if not sigma and best is not None and best[0] < _ROUGH:
            break  # hard rims only where nothing smooth will do: block by block the colours alone tell
        freedom = ok.sum() * (max(3 - 1 / (4 * np.pi * sigma**2), 1.0) if sigma else 2.0)
        light, light_odd, _ = min(
            (_explained(u, None, lift, weight, ok, sigma, lamp) for u in lights), key=lambda found: found[0] + found[1]
        )
        dye, dye_odd, lack = _explained(rel, depth, lift, weight, ok, sigma, rate)
        dye_odd += (lack / 0.3) ** 2  # a press seldom leaves more than a third of the dye on the paper
        dots, dots_odd, _ = _explained(np.maximum(1 - rel, 0.0), None, lift, weight, ok, sigma, rate)
        rough = max(min(light, dye) / freedom, 1.0)
        if best is None or rough < best[0]:
            # neighbours err alike: a third counts as independent
            settled = rough < _ROUGH or light < dye
            # light explains it clearly better, with a lamp's colour; or more dye is gone than a press leaves behind
            settled &= dye < light or (dye > 1.2 * light and light_odd < 35) or lack > 0.45
            told = (light - dye) / rough / 3 + light_odd - dye_odd
            if told < 0:  # it must also beat dots of print that shrank, which bare the coat between them
                told = min(max(told, (light - dots) / rough / 3 + light_odd - dots_odd), 0.0)
            best = (rough, told, settled)
    assert best is not None
    return best[1] if best[2] else float(np.clip(best[1], -UNSURE, UNSURE))


def _explained(
    rel: Array, depth: Array | None, lift: Array, weight: Array, ok: Array, sigma: float, prior: Array
) -> tuple[float, float, float]:
    """Fit added light or missing dye: weighted squares left, cost of odd colour, 90th percentile.

    For light ``depth`` is None and ``rel`` says what share of it is seen.

    ``prior`` (3,) says how far the channels may differ.
    """
    scale = np.ones(3)
    amount = np.zeros(ok.shape)
    rest, unit = lift, rel

    def smooth(a: Array) -> Array:
        if not sigma:
            return a
        return np.asarray(cv2.GaussianBlur(a, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT))

    for turn in range(6):
        if depth is None:
            unit = slope = rel * scale
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


def taken_for_pale(found: list[Finding], res: Residue) -> Array:
    """Where pale places of a single photo lie that are reflections beyond doubt, (r, c)."""
    out = np.zeros(res.inside.shape, bool)
    for f in found:
        if f.kind in ("pale", "pale-centre") and f.diameter_mm > 8:
            near = _about(f, res)
            if dye_or_light(res, near) < -_SURE:
                out |= extent(res, near)
    return out


def _about(f: Finding, res: Residue) -> Array:
    x, y = np.moveaxis(res.places(), 2, 0)
    return np.asarray(np.hypot(x - f.x_mm, y - f.y_mm) < max(0.9 * f.diameter_mm, 4 * res.step_mm))


def between_reflections(f: Finding, hidden: Array, res: Residue) -> bool:
    """Whether a pale place is where reflections of several photos lie: what they share is no difference of photos."""
    near = _about(f, res) & res.inside
    return bool((hidden.any(axis=0) & near).sum() > _MUCH * near.sum())


def without_light(res: Residue, light: Array) -> Residue:
    """Take the light (v, r, c) of moved reflections out of the residue; only the photo that had the least is left."""
    k = int(light.sum(axis=(1, 2)).argmin())
    clean = np.log(np.maximum(np.exp(np.clip(res.left[k], -3, 3)) - light[k][..., None] / res.rel, 0.05))
    return replace(res, left=clean[None], var=res.var[k][None], light=res.light[k][None])


def mark_reflection(f: Finding, res: Residue) -> Finding:
    """Note at a pale place in a single photo how much speaks for missing dye and against a reflection.

    Around zero the colours cannot tell. There a soft place no stronger and no wider than heat usually makes one counts
    as missing dye; what is as wide as a mirrored lamp stays in doubt, and so does what is stronger without leaning to
    missing dye, and what leans to light.
    """
    if f.kind not in (Kind.PALE, Kind.PALE_CENTRE):
        return f
    evidence = dye_or_light(res, _about(f, res))
    told = {**f.evidence, "missing dye": round(float(evidence), 1)}
    if evidence > UNSURE:
        return replace(f, evidence=told)
    lamp_sized = _LAMP_MM[0] < f.diameter_mm < _LAMP_MM[1] and "blank frame" not in res.anchors
    least = f.delta_e00 - 2 * (f.uncertainty if np.isfinite(f.uncertainty) else 0.0)
    strong = least > _USUAL_DE and evidence < 0.5 * UNSURE
    doubted = strong or lamp_sized or evidence < _LEANS or f.doubt == "rim"
    return replace(f, evidence=told, doubt="reflection" if doubted else f.doubt)
