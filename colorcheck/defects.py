"""Difference between the piece and its expected image → findings, each with a cause told apart.

All colours are turned into one quantity, the share of dye that is missing at a place, with
its noise place by place. Faded edges are fitted first, then spots by matched filters over
sizes; what passes is fitted again with every artwork colour free to err, so that a colour
that the fit gets wrong is never called a spot. A finding must be significant, given noise
calibrated on the piece and the doubt left in the light, and visible for its size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np

from .apart import Parted, separate
from .cielab import delta_e00
from .expect import Answer, Array, Expected, PieceView, block_means, block_places, expected_image
from .glare import Evidence, fit_glare, glare_at, grow
from .places import where_in_words
from .records import Finding, Shape
from .relative import relative_lab
from .robust import mad_std

_SIGMAS_MM = (1.3, 1.8, 2.6, 3.7, 5.2, 7.3, 10.0, 14.0, 20.0, 28.0, 40.0)
_CALIBRATED_MM = 6.0
_FWHM = 2.3548
_SIGNIFICANT = 5.0  # standard errors; with some 10⁴ places and sizes under 1 in 100 clean pieces exceeds it
"""Smallest change that is reported, ΔE00, by size in mm: threshold contrast of the eye rises for
slow gradients (Barten 1999), times three for a customer who does not search (estimate)."""
_VISIBLE_MM = (3.0, 8.0, 20.0, 50.0, 120.0, 200.0)
_VISIBLE_DE = (2.5, 1.5, 1.3, 1.4, 1.7, 2.0)
_MAJOR_DE, _MINOR_DE = 3.5, 2.0
_BLANK_DEPTH = 0.10  # colours that would change by less than a tenth when all dye is gone cannot show paleness
_SIDES = ("left", "right", "top", "bottom")


@dataclass(frozen=True, slots=True, eq=False)
class ColourCell:
    """One of the artwork's colours: expected by reading or profile, and seen, in CIELAB relative to the coat."""

    device_rgb: tuple[float, ...]
    area_share: float
    due_lab: tuple[float, ...]
    seen_lab: tuple[float, ...]
    delta_e00: float


@dataclass(frozen=True, slots=True, eq=False)
class DefectResult:
    """Everything that was found on one piece.

    ``residual`` (r, c) signed ΔE00 between seen and expected (positive: paler), NaN where it
    cannot be judged; ``lack`` (r, c) share of missing dye and ``lack_std`` its noise; ``light``
    (r, c, 3) of the first photo, ``light_ratio`` brightest to darkest; ``glare`` (r, c) places
    under a reflection in every photo; ``ambiguous`` broad components and places that light
    could explain as well, ``settle_by`` the photo that decides; ``noise_lack`` typical noise of
    a block, ``noise_de00`` the same as colour; ``judged_share`` how much of the piece could
    show paleness; ``broad_de00`` largest broad change that could hide in the light;
    ``colours`` and ``mean_de00``/``p95_de00`` only where an absolute expectation exists.
    """

    findings: tuple[Finding, ...]
    residual: Array
    lack: Array
    lack_std: Array
    step_mm: float
    light: Array
    light_ratio: float
    glare: Array
    ambiguous: tuple[str, ...]
    settle_by: str
    anchors: tuple[str, ...]
    noise_lack: float
    noise_de00: float
    judged_share: float
    broad_de00: float
    shift_mm: Array
    source: str
    coat: str
    colours: tuple[ColourCell, ...] = ()
    mean_de00: float | None = None
    p95_de00: float | None = None
    uptake: float | None = None
    detail: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class _Map:
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


def find_defects(
    views: Sequence[PieceView],
    artwork: Any,
    size_mm: tuple[float, float],
    shape: Shape = "rect",
    *,
    answer: Answer | None = None,
    source: str = "reading",
    rim_mm: float = 1.5,
) -> DefectResult:
    """Inspect a piece: expected image, light and print apart, findings.

    Parameters
    ----------
    views : sequence of PieceView
        One or several registered photos of the piece.
    artwork : (H, W, 3)
        Device RGB 0–255 over the piece, as its viewer sees it, blurred as the photo is.
    answer : callable, optional
        Device RGB → linear RGB relative to the coat, from a reading or a profile.

    Returns
    -------
    DefectResult
    """
    expected = expected_image(views, artwork, size_mm, shape, answer=answer, source=source, rim_mm=rim_mm)
    return judge(expected, separate(expected), answer=answer)


def judge(expected: Expected, parted: Parted, *, answer: Answer | None = None) -> DefectResult:
    """Turn what is left of the photos into findings."""
    e, p = expected, parted
    places = block_places(e.inside.shape, e.step_mm)
    left, var = p.left.copy(), p.var.copy()
    glare_found, hidden = _glare(e, p, left, var)
    m = _lack_map(e, p, left, var, hidden)
    colour = _colour_left(left, var, hidden)
    judged = np.isfinite(m.q)
    work = replace(m, q=m.q.copy())
    edges, unsure_edges = _edges(work)
    spots, unsure_spots = _spots(work, e, p, colour)
    fine = _fine_residual(e, p)
    spots = [_told_apart(s, fine, e, p) for s in spots if s.diameter_mm > 9 or _seen_between_edges(s, fine)]
    dots = _dots(fine, e, p, np.asarray(hidden.all(axis=0)), spots)
    ghost = _ghost(fine, e)
    bands = _banding(fine, e)
    scorch = _scorch(e, p, left, var, hidden)
    if ghost is not None:
        spots = [s for s in spots if s.detail.get("significance", 0) > 12 and s.diameter_mm > 8]
        dots = []
    edges, spots = _along_edges(edges, spots, e)
    spots = _without_echoes(edges, spots, m)
    edges, spots, broad = _undecidable(edges, spots, e, p)
    findings = _merged(
        [*edges, *([ghost] if ghost else []), *bands, *scorch, *spots, *dots, *glare_found], size_mm=e.size_mm
    )
    ambiguous = tuple(dict.fromkeys([*p.ambiguous, *broad, *unsure_edges, *unsure_spots]))
    settle = p.settle_by
    if ambiguous and not settle:
        settle = "blank frame" if len(e.views) == 1 else "turned a quarter and shifted"
    residual = _residual(e, colour, judged)
    typical = float(np.nanmedian(np.sqrt(m.var[judged]))) if judged.any() else float("nan")
    mid = e.rel[judged] if judged.any() else e.rel[e.inside]
    per_lack = (
        float(np.median(_lack_de(mid[:: max(len(mid) // 400, 1)], p.depth[judged][:: max(len(mid) // 400, 1)], 0.05)))
        / 0.05
        if judged.any()
        else 0.0
    )
    cells, mean_de, p95, uptake = _colour_error(e, p, answer)
    middle = float(np.median(p.depth[judged])) if judged.any() else 1.0
    return DefectResult(
        findings=tuple(findings),
        residual=residual,
        lack=m.q,
        lack_std=np.sqrt(m.var),
        step_mm=e.step_mm,
        light=p.light[0],
        light_ratio=p.ratio,
        glare=np.asarray(hidden.all(axis=0)),
        ambiguous=ambiguous,
        settle_by=settle if ambiguous else "",
        anchors=p.anchors,
        noise_lack=typical,
        noise_de00=typical * per_lack,
        judged_share=float(judged.sum() / max(e.inside.sum(), 1)),
        broad_de00=float(2 * p.doubt.max() / max(middle, 0.1) * per_lack),
        shift_mm=p.shift_mm,
        source=e.source,
        coat=e.coat,
        colours=cells,
        mean_de00=mean_de,
        p95_de00=p95,
        uptake=uptake,
        detail={"colours": e.colours, "degree": e.degree, "places": places.shape[0] * places.shape[1]},
    )


def _lack_de(rel: Array, depth: Array, q: Any) -> Array:
    """ΔE00 of colours (n, 3) when a share ``q`` of the dye is missing."""
    seen = np.minimum(rel * np.exp(np.asarray(q)[..., None] * depth if np.ndim(q) else q * depth), 1.2)
    return np.asarray(delta_e00(relative_lab(seen), relative_lab(rel)))


def _lack_map(e: Expected, p: Parted, left: Array, var: Array, hidden: Array) -> _Map:
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
    width, height = e.size_mm
    if e.shape == "round":
        reach = width / 2 - np.hypot(x - width / 2, (y - height / 2) * width / height)
    else:
        reach = np.minimum(np.minimum(x, width - x), np.minimum(y, height - y))
    return _Map(
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


def _group_lack_var(p: Parted, share: Array, can: Array) -> Array:
    """Variance of a colour's own error as missing dye, place by place (r, c)."""
    v = p.colour_var[np.maximum(p.colour_group, 0)]
    with np.errstate(invalid="ignore", divide="ignore"):
        out = (share**2 * v / np.maximum(p.depth, 0.05) ** 2).sum(axis=2)
    return np.where(can, np.minimum(out, 0.5**2), 0.0)


def _colour_left(left: Array, var: Array, hidden: Array) -> Array:
    """Mean over the photos of what is left, (r, c, 3)."""
    ok = np.isfinite(left) & np.isfinite(var) & ~hidden[..., None]
    w = np.where(ok, 1 / np.where(ok, var, 1.0), 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((w * np.nan_to_num(left)).sum(axis=0) / w.sum(axis=0))


# --- reflections ----------------------------------------------------------------------------------


def _glare(e: Expected, p: Parted, left: Any, var: Any) -> tuple[list[Finding], Any]:
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
        b = max(round(4.0 / e.step_mm), 1)
        w = np.where(ok[0], 1.0, 0.0).astype(np.float32)
        norm = np.maximum(block_means(w, b), 1e-6)[..., None]

        def coarse(a: Array) -> Array:
            return np.asarray(
                block_means((np.where(ok[0][..., None], a, 0) * w[..., None]).astype(np.float32), b) / norm,
                float,
            )

        rel = coarse(e.rel)
        seen_rel = coarse(e.rel * np.exp(np.nan_to_num(left[0])))
        std = np.sqrt(coarse(np.where(np.isfinite(var[0]), var[0], 0))) * rel * 1.5
        places = block_places(rel.shape[:2], b * e.step_mm)
        use = norm[..., 0] > 0.6
        if use.sum() > 30:
            due = np.clip(rel[use], 0.004, 1.0)
            own = p.colour_var[np.maximum(p.colour_group, 0)].max(axis=2)
            own_c = coarse(np.sqrt(own)[..., None].repeat(3, axis=2))[use] * rel[use]
            evidence = Evidence(
                xy_mm=places[use],
                seen=seen_rel[use],
                due=due,
                std=np.hypot(np.hypot(std[use], own_c), 0.004),
                fixed=due.min(axis=1) > 0.9,
            )
            fit = fit_glare(evidence, e.size_mm, 14.0)
            full = block_places(e.inside.shape, e.step_mm)
            _, _, lies = glare_at(fit, full.reshape(-1, 2))
            hidden[0] = _additive(e, p, left[0], var[0], lies.reshape(e.inside.shape))
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


def lift_costs(rel: Array, depth: Array, left: Array, var: Array, x: Array, y: Array) -> tuple[float, float]:
    """Weighted squares that are left when a lift is taken for added light, and when for missing dye.

    The profile over the places is free: a low-order surface times either kind of lift. All
    arrays are over n places: ``rel``, ``depth``, ``left``, ``var`` (n, 3), ``x``, ``y`` (n,).
    """
    lift = rel * np.expm1(left)
    w = (1 / (var * rel**2 + 0.003**2)).reshape(-1)
    u, v = ((t - t.mean()) / max(float(np.ptp(t)), 1) * 2 for t in (x, y))
    ground = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)[:, None, :]
    costs = []
    for kind in (np.ones_like(lift), rel * depth):
        a = (ground * kind[..., None]).reshape(-1, 6)
        c = np.linalg.lstsq(a.T @ (a * w[:, None]), a.T @ (w * lift.reshape(-1)), rcond=1e-9)[0]
        costs.append(float((w * (lift.reshape(-1) - a @ c) ** 2).sum()))
    return costs[0], costs[1]


def _additive(e: Expected, p: Parted, left: Array, var: Array, lies: Array) -> Array:
    """Keep only those places where added light explains what is seen clearly better than missing dye does."""
    out = np.zeros_like(lies)
    count, label = cv2.connectedComponents((lies & e.inside).astype(np.uint8))
    own = p.colour_var[np.maximum(p.colour_group, 0)]
    for j in range(1, count):
        here = (label == j) & np.isfinite(left).all(axis=2) & np.isfinite(var).all(axis=2)
        if here.sum() < 12:
            continue
        yy, xx = np.nonzero(here)
        costs = lift_costs(e.rel[here], p.depth[here], left[here], var[here] + own[here], xx, yy)
        if costs[1] > 1.35 * costs[0] and costs[1] - costs[0] > 40:
            out |= label == j
    return out


# --- faded edges ----------------------------------------------------------------------------------


def _segments(m: _Map) -> list[tuple[str, Array, Array, Any]]:
    """Every side (or clock hour) with its blocks, their distance from the edge and their place along it."""
    w, h = m.size_mm
    out: list[tuple[str, Array, Array, Any]] = []
    if m.shape == "round":
        turn = np.degrees(np.arctan2(m.x - w / 2, -(m.y - h / 2))) % 360
        out.append(("rim", m.reach < 0.35 * w, m.reach, (turn // 30).astype(int)))
        for hour in range(12):
            off = np.abs((turn - 30 * hour + 180) % 360 - 180)
            out.append(
                (
                    f"{hour or 12} o'clock",
                    (off < 30) & (m.reach < 0.35 * w),
                    m.reach,
                    ((off * 0 + turn - 30 * hour + 180) % 360 // 10).astype(int),
                )
            )
        return out
    for side, away, along, length in (
        ("left", m.x, m.y, h),
        ("right", w - m.x, m.y, h),
        ("top", m.y, m.x, w),
        ("bottom", h - m.y, m.x, w),
    ):
        out.append(
            (
                side,
                away < 0.4 * (w if side in ("left", "right") else h),
                away,
                (along / length * 10).astype(int),
            )
        )
    return out


def _band_fit(q: Array, var: Array, away: Array, part: Any, width: float) -> tuple[float, float, Array]:
    """Amplitude of a band of one width, its error from how the parts of the side differ, and the parts."""
    t = np.exp(-np.log(2) * (away / width) ** 2)
    amps, weights = [], []
    for k in np.unique(part):
        s = part == k
        if s.sum() < 8:
            continue
        wt = 1 / var[s]
        mt, mq = (wt * t[s]).sum() / wt.sum(), (wt * q[s]).sum() / wt.sum()
        power = (wt * (t[s] - mt) ** 2).sum()
        if power <= 1e-9 or t[s].max() < 0.5:
            continue
        amps.append((wt * (t[s] - mt) * (q[s] - mq)).sum() / power)
        weights.append(power)
    if len(amps) < 3:
        return 0.0, np.inf, np.zeros(0)
    a, wts = np.array(amps), np.array(weights)
    wts = np.minimum(wts, 3 * np.median(wts))
    mean = float((a * wts).sum() / wts.sum())
    neff = wts.sum() ** 2 / (wts**2).sum()
    spread = max(float(np.sqrt((wts * (a - mean) ** 2).sum() / wts.sum())), float(1 / np.sqrt(np.median(wts))))
    return mean, spread / np.sqrt(max(neff - 1, 1)), a


def _edges(m: _Map) -> tuple[list[Finding], list[str]]:
    out: list[Finding] = []
    unsure: list[str] = []
    ok = np.isfinite(m.q)
    for side, where, away, part in _segments(m):
        s = ok & where
        if s.sum() < 40:
            continue
        best: tuple[float, float, float, float] | None = None
        tried: list[tuple[float, float, float, float]] = []
        for width in (3.0, 4.5, 7.0, 10.0, 15.0, 22.0):
            near = s & (away < max(3.0 * width, 14.0))
            if near.sum() < 30:
                continue
            own = m.group_var[near] * 0.25
            a, err, parts = _band_fit(m.q[near], m.var[near] + own + 1e-5, away[near], part[near], width)
            if (
                not len(parts)
                or (np.sign(parts) == np.sign(a)).mean() < 0.75
                or (np.abs(parts) > 0.35 * abs(a)).mean() < 0.6
            ):
                continue
            light = _template_light_std(m, near, np.exp(-np.log(2) * (away[near] / width) ** 2))
            z = a / np.hypot(err, light)
            tried.append((width, z, a, light))
        if tried:
            # of the widths that are nearly as significant as the best, the one that leaves least
            top = max(abs(t[1]) for t in tried)
            fair = [t for t in tried if abs(t[1]) > max(0.5 * top, min(top, _SIGNIFICANT))]
            whole = s & (away < 45)
            best = min(fair or tried, key=lambda t: _left_over(m, whole, away, t[0], t[2]))
        if best is None:
            continue
        width, z, a, light = best
        if a < 0 and side not in _SIDES:
            continue
        band = s & (away < width)
        rel, depth = m.rel[band], m.depth[band]
        if len(rel) < 8:
            continue
        de = float(np.percentile(_lack_de(rel, depth, 0.85 * a), 60))
        if de < max(visible_de(2 * width), 1.5):
            continue
        if abs(z) < _SIGNIFICANT:
            if a > 0 and abs(a) / max(light, 1e-9) < 4 and light > 0.3 * abs(a) / 4:
                unsure.append("edge")
            continue
        x, y = float(m.x[band].mean()), float(m.y[band].mean())
        area = float(band.sum()) * m.step**2
        out.append(
            Finding(
                kind="faded-edge" if a > 0 else "dark-edge",
                x_mm=round(x, 1),
                y_mm=round(y, 1),
                diameter_mm=round(width, 1),
                area_mm2=round(area, 1),
                delta_e00=round(de, 2),
                delta_l=round(_delta_l(rel, depth, a), 2),
                confidence=_confidence(z),
                where=side,
                severity=_severity(de),
                detail={
                    "side": side,
                    "width_mm": round(width, 1),
                    "significance": round(abs(z), 1),
                    "lack": round(a, 3),
                },
            )
        )
        t = a * np.exp(-np.log(2) * (away / width) ** 2)
        m.q[:] = (
            np.where(where | (away < 3 * width), m.q - t, m.q)
            if side in _SIDES or side == "rim"
            else np.where(where, m.q - t, m.q)
        )
        if side == "rim":
            break
    return out, unsure


def _left_over(m: _Map, where: Array, away: Array, width: float, a: float) -> float:
    """Absolute rest of a side when a band is taken out, its own level free."""
    rest = m.q[where] - a * np.exp(-np.log(2) * (away[where] / width) ** 2)
    w = 1 / np.sqrt(m.var[where] + m.group_var[where])
    return float((w * np.abs(rest - np.median(rest))).sum())


def _template_light_std(m: _Map, s: Array, t: Array) -> float:
    """Return the standard error that doubt about the light leaves in the amplitude of a template over blocks ``s``."""
    wt = 1 / (m.var[s] + 1e-5)
    c = wt * (t - (wt * t).sum() / wt.sum())
    norm = (c * t).sum()
    if norm <= 0:
        return float("inf")
    g = (c[:, None] * m.basis[s]).sum(axis=0) / norm
    return float(np.sqrt(max(g @ m.light_cov @ g, 0.0)))


def _delta_l(rel: Array, depth: Array, q: float) -> float:
    return float(np.median(relative_lab(np.minimum(rel * np.exp(q * depth), 1.2))[..., 0] - relative_lab(rel)[..., 0]))


def _confidence(z: float) -> float:
    return round(float(1 - np.exp(-0.5 * max(abs(z) - 3.5, 0.0) ** 2)), 3)


def _severity(de: float) -> str:
    return "major" if de >= _MAJOR_DE else "minor" if de >= _MINOR_DE else "note"


# --- soft spots -----------------------------------------------------------------------------------


def _responses(q: Array, w: Array, s: float) -> tuple[Array, Array]:
    """Amplitude above the surroundings of a soft spot of ``s`` blocks, and its noise for independent blocks."""

    def blurred(sigma: float) -> tuple[Array, Array]:
        f = 1
        while sigma / f > 5 and min(q.shape) / f > 24:
            f *= 2
        a, b = q * w, w
        if f > 1:
            a, b = block_means(a, f), block_means(b, f)
        up = cv2.GaussianBlur(a, (0, 0), sigma / f, borderType=cv2.BORDER_CONSTANT)
        down = cv2.GaussianBlur(b, (0, 0), sigma / f, borderType=cv2.BORDER_CONSTANT)
        if f > 1:
            hw = (up.shape[1] * f, up.shape[0] * f)
            up = cv2.resize(up, hw, interpolation=cv2.INTER_LINEAR)[: q.shape[0], : q.shape[1]]
            down = cv2.resize(down, hw, interpolation=cv2.INTER_LINEAR)[: q.shape[0], : q.shape[1]]
        return up / np.maximum(down, 1e-9), down

    near, wn = blurred(s)
    wide, ww = blurred(3.0 * s)
    amplitude = (near - wide) / 0.4
    noise = np.sqrt(1 / np.maximum(wn * 4 * np.pi * s * s, 1e-9) + 1 / np.maximum(ww * 36 * np.pi * s * s, 1e-9)) / 0.4
    weak = wn < 0.08 * float(np.median(wn[w > 0])) if (w > 0).any() else wn < 1
    return np.where(weak, 0.0, amplitude), np.where(weak, 1.0, noise)


def _spots(m: _Map, e: Expected, p: Parted, colour: Array) -> tuple[list[Finding], list[str]]:
    out: list[Finding] = []
    unsure: list[str] = []
    ok = np.isfinite(m.q)
    if ok.sum() < 30:
        return out, unsure
    w = np.where(ok, 1 / m.var, 0.0).astype(np.float32)
    w = np.minimum(w, 4 * np.median(w[ok]))
    q = np.where(ok, m.q, 0.0).astype(np.float32)
    q -= np.float32(np.median(q[ok]))
    short = min(m.size_mm)
    sizes = [s for s in _SIGMAS_MM if s >= 0.8 * m.step and s <= 0.27 * short]
    floors: dict[float, float] = {}
    tried = np.zeros(ok.shape, np.float32)
    for turn in range(25):
        best: tuple[float, int, int, float, float, float] | None = None
        for s in sizes:
            amp, noise = _responses(q, w, s / m.step)
            z = amp / noise
            if turn == 0:
                floors[s] = max(float(mad_std(z[ok])), 1.0)
            own = floors[s]
            if s > _CALIBRATED_MM:
                small = [f for k, f in floors.items() if k <= _CALIBRATED_MM]
                own = min(max(small) * 1.3, max(own, float(np.median(small)))) if small else own
            z = np.where(ok & (tried < 0.5), z / own, 0.0)
            k = int(np.abs(z).argmax())
            r, c = divmod(k, z.shape[1])
            if abs(z[r, c]) > _SIGNIFICANT and (best is None or abs(z[r, c]) > abs(best[0])):
                best = (float(z[r, c]), r, c, s, float(amp[r, c]), own)
        if best is None:
            break
        z0, r, c, s, amp0, own = best
        spot = _fit_spot(m, q, w, float(m.x[r, c]), float(m.y[r, c]), s, amp0)
        if spot[2] * spot[3] > (1.4 * s) ** 2:  # larger than the filter that saw it first: look again, wider
            wider = float(np.sqrt(spot[2] * spot[3]))
            spot = _fit_spot(m, q, w, spot[0], spot[1], wider, spot[5])
        x, y, sx, sy, angle, a = spot
        bell = _bell(m.x, m.y, x, y, sx, sy, angle)
        sure, a_sure, light = _confirmed(m, q, bell, max(sx, sy), own)
        diameter = _FWHM * float(np.sqrt(sx * sy))
        de, d_l = _spot_colour(m, bell, a)
        q -= np.where(ok, np.float32(a) * bell.astype(np.float32), np.float32(0))
        covered = float(bell[ok & (bell > 0.5)].sum() / max(float(bell[bell > 0.5].sum()), 1e-9))
        if abs(sure) < _SIGNIFICANT or a_sure * a <= 0 or covered < 0.35:
            tried = np.maximum(
                tried,
                _bell(m.x, m.y, float(m.x[r, c]), float(m.y[r, c]), 0.8 * s, 0.8 * s, 0.0).astype(np.float32),
            )
            if light > 0.15 * abs(a) and de > 1.5 * visible_de(diameter) and diameter > 30:
                unsure.append(
                    "centre" if np.hypot(x - m.size_mm[0] / 2, y - m.size_mm[1] / 2) < 0.2 * short else "broad spot"
                )
            continue
        if de < visible_de(diameter):
            continue
        centre = np.hypot(x - m.size_mm[0] / 2, y - m.size_mm[1] / 2)
        kind = "pale" if a > 0 else "dark"
        if a > 0 and diameter > max(35.0, 0.2 * short) and centre < 0.15 * short:
            kind = "pale-centre"
        out.append(
            Finding(
                kind=kind,
                x_mm=round(x, 1),
                y_mm=round(y, 1),
                diameter_mm=round(diameter, 1),
                area_mm2=round(float(np.pi / 4 * diameter**2), 1),
                delta_e00=round(de, 2),
                delta_l=round(d_l, 2),
                confidence=_confidence(sure),
                where=where_in_words(x, y, m.size_mm, m.shape),
                severity=_severity(de),
                detail={
                    "significance": round(abs(sure), 1),
                    "lack": round(a, 3),
                    "axes_mm": (round(_FWHM * sx, 1), round(_FWHM * sy, 1)),
                    "first": round(abs(z0), 1),
                },
            )
        )
    del e, p, colour
    return out, unsure


def _bell(x: Array, y: Array, cx: float, cy: float, sx: float, sy: float, angle: float) -> Array:
    ca, sa = np.cos(angle), np.sin(angle)
    u, v = (x - cx) * ca + (y - cy) * sa, (y - cy) * ca - (x - cx) * sa
    return np.asarray(np.exp(-0.5 * ((u / sx) ** 2 + (v / sy) ** 2)))


def _fit_spot(
    m: _Map, q: Array, w: Array, x: float, y: float, s: float, a: float
) -> tuple[float, float, float, float, float, float]:
    """Centre, half axes (standard deviations), angle and height by damped Gauss–Newton over the neighbourhood."""
    d = np.hypot(m.x - x, m.y - y)
    use = (d < max(3.2 * s, 3 * m.step)) & (w > 0)
    if use.sum() < 10:
        return x, y, s, s, 0.0, a
    xx, yy, qq = m.x[use], m.y[use], q[use].astype(float)
    ww = np.minimum(w[use], 2 * np.median(w[use])).astype(float)
    theta = np.array([a, x, y, np.log(s), np.log(s), 0.0, 0.0])  # height, centre, log axes, shear, level

    def model(t: Array) -> Array:
        ax, ay, rho = np.exp(-t[3]), np.exp(-t[4]), np.tanh(t[5]) * 0.8
        u, v = (xx - t[1]) * ax, (yy - t[2]) * ay
        return np.asarray(t[0] * np.exp(-0.5 * (u * u + v * v - 2 * rho * u * v) / (1 - rho * rho)) + t[6])

    low_s, high_s = np.log(0.6 * m.step), np.log(min(0.32 * min(m.size_mm), 2.0 * s))
    damp = 1e-2
    now = model(theta)
    cost = float((ww * (qq - now) ** 2).sum())
    steps = np.array([1e-3, 0.05, 0.05, 0.02, 0.02, 0.02, 1e-3])
    pull = np.array([0, 0, 0, 1, 1, 4, 0]) * float(ww.sum()) * (0.02 * abs(a)) ** 2
    pull[6] = float(ww.sum()) * 0.05  # the ground is level zero but for what the filters leave
    limit = np.array([1, s, s, 0.5, 0.5, 0.5, 1])
    for _ in range(14):
        j = np.stack([(model(theta + np.eye(7)[k] * steps[k]) - now) / steps[k] for k in range(7)], axis=1)
        n = j.T @ (j * ww[:, None])
        g = j.T @ (ww * (qq - now)) - pull * np.array(
            [0, 0, 0, theta[3] - np.log(s), theta[4] - np.log(s), theta[5], theta[6]]
        )
        delta = np.linalg.lstsq(n + np.diag(damp * np.diag(n) + pull + 1e-12), g, rcond=None)[0]
        new = theta + np.clip(delta, -limit, limit)
        new[1:3] = np.clip(new[1:3], [x - 1.5 * s, y - 1.5 * s], [x + 1.5 * s, y + 1.5 * s])
        new[3:5] = np.clip(new[3:5], low_s, high_s)
        value = model(new)
        c = float((ww * (qq - value) ** 2).sum())
        if c < cost:
            done = cost - c < 1e-5 * cost
            theta, now, cost, damp = new, value, c, damp * 0.4
            if done:
                break
        else:
            damp *= 5
            if damp > 1e4:
                break
    ax, ay, rho = np.exp(theta[3]), np.exp(theta[4]), float(np.tanh(theta[5]) * 0.8)
    cov = np.array([[ax * ax, rho * ax * ay], [rho * ax * ay, ay * ay]])
    value_, vector = np.linalg.eigh(cov)
    sx, sy = float(np.sqrt(value_[1])), float(np.sqrt(max(value_[0], 1e-6)))
    sy = max(sy, sx / 4)
    return (
        float(theta[1]),
        float(theta[2]),
        sx,
        sy,
        float(np.arctan2(vector[1, 1], vector[0, 1])),
        float(theta[0]),
    )


def _confirmed(m: _Map, q: Array, bell: Array, s: float, own: float) -> tuple[float, float, float]:
    """Significance of a spot when every colour may err and the ground may tilt; light's share of the error."""
    r, c = np.unravel_index(int(bell.argmax()), bell.shape)
    d = np.hypot(m.x - m.x[r, c], m.y - m.y[r, c])
    use = np.isfinite(m.q) & (d < max(3.5 * s, 14.0))
    if use.sum() < 8:
        return 0.0, 0.0, np.inf
    idx = np.flatnonzero(use.ravel())
    if len(idx) > 2500:
        idx = idx[:: len(idx) // 2500 + 1]
    t, qq, var = bell.ravel()[idx], q.ravel()[idx].astype(float), m.var.ravel()[idx] * own**2
    var = var * (1 if len(idx) == use.sum() else len(idx) / use.sum())
    gx, gy = (m.x.ravel()[idx] - m.x[r, c]) / s, (m.y.ravel()[idx] - m.y[r, c]) / s
    names, inverse = np.unique(m.group.ravel()[idx], return_inverse=True)
    hot = np.zeros((len(idx), len(names)))
    hot[np.arange(len(idx)), inverse] = 1.0
    gv = np.zeros(len(names))
    np.maximum.at(gv, inverse, m.group_var.ravel()[idx])
    a = np.column_stack([t, np.ones(len(idx)), gx, gy, hot])
    wt = 1 / var
    n = a.T @ (a * wt[:, None])
    prior = np.r_[0, 1e-2, 1 / 0.02**2, 1 / 0.02**2, 1 / np.maximum(gv, 0.002**2)]
    n += np.diag(prior)
    inv = np.linalg.pinv(n)
    h = inv[0] @ (a * wt[:, None]).T
    amp = float(h @ qq)
    g = h @ m.basis.reshape(-1, m.basis.shape[2])[idx]
    light = float(np.sqrt(max(g @ m.light_cov @ g, 0.0)))
    return amp / float(np.sqrt(inv[0, 0] + light**2)), amp, light


def _spot_colour(m: _Map, bell: Array, a: float) -> tuple[float, float]:
    """ΔE00 and ΔL* in the middle of a spot, on the colours that can show it."""
    core = (bell > 0.7) & np.isfinite(m.q)
    if core.sum() < 1:
        core = (bell >= np.nanmax(np.where(np.isfinite(m.q), bell, 0.0)) * 0.99) & np.isfinite(m.q)
    rel, depth, b = m.rel[core], m.depth[core], bell[core]
    de = _lack_de(rel, depth, a * np.minimum(b / 0.9, 1.0))
    return float(np.percentile(de, 60)), _delta_l(rel, depth, a)


# --- fine detail ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Fine:
    """What is left at fine resolution of the first photo: ``left`` (H, W, 3), its noise (H, W), where known (H, W)."""

    left: Any
    noise: Any
    ok: Array
    density: Any
    g: float


def _fine_residual(e: Expected, p: Parted) -> _Fine:
    v, g = e.views[0], e.fine_px_per_mm
    hw = v.fine.shape[:2]
    b = round(e.step_mm * g)

    def up(a: Any) -> Any:
        r, c = a.shape[:2]
        return cv2.resize(a.astype(np.float32), (c * b, r * b), interpolation=cv2.INTER_LINEAR)[: hw[0], : hw[1]]

    floor = np.float32(0.012)
    rel: Any
    slope: Any
    dx, dy = p.shift_mm[0] * g
    rel = e.fine_rel
    # a large one is no error of placing but the pull of a second copy
    if 0.05 < np.hypot(dx, dy) < 0.4 * g:
        rel = cv2.warpAffine(
            rel, np.array([[1, 0, -dx], [0, 1, -dy]], float), hw[::-1], borderMode=cv2.BORDER_REPLICATE
        )
    seen = v.fine / np.maximum(up(p.light[0]), 1e-6)
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
    return _Fine(left=left, noise=0.02 + 0.25 * slope, ok=v.fine_ok, density=density, g=g)


def _seen_between_edges(f: Finding, fine: _Fine) -> bool:
    """Tell whether a small spot shows where the artwork is plain, not only along its edges."""
    g, r = fine.g, max(0.45 * f.diameter_mm, 0.8)
    r0, r1 = int(max((f.y_mm - 3 * r) * g, 0)), int((f.y_mm + 3 * r) * g) + 1
    c0, c1 = int(max((f.x_mm - 3 * r) * g, 0)), int((f.x_mm + 3 * r) * g) + 1
    part = fine.left[r0:r1, c0:c1].mean(axis=2)
    y, x = np.mgrid[r0 : r0 + part.shape[0], c0 : c0 + part.shape[1]]
    d = np.hypot((x + 0.5) / g - f.x_mm, (y + 0.5) / g - f.y_mm)
    plain = fine.ok[r0:r1, c0:c1] & (fine.noise[r0:r1, c0:c1] < 0.08)
    core, around = plain & (d < r), plain & (d > 1.8 * r)
    if core.sum() < 0.35 * (d < r).sum() or around.sum() < 10:
        return False
    depth = np.maximum(fine.density[r0:r1, c0:c1], 0.05)
    lift = np.median((part / depth)[core]) - np.median((part / depth)[around])
    return bool(lift * f.detail["lack"] > 0 and abs(lift) > 0.35 * abs(f.detail["lack"]))


def _told_apart(f: Finding, fine: _Fine, e: Expected, p: Parted) -> Finding:
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
        kind="pinhole" if f.kind == "pale" else "speck",
        x_mm=round(float(cx), 1),
        y_mm=round(float(cy), 1),
        diameter_mm=round(float(size), 1),
        area_mm2=round(float(np.pi / 4 * size**2), 1),
    )


def _dots(fine: _Fine, e: Expected, p: Parted, hidden: Array, spots: list[Finding]) -> list[Finding]:
    """Crisp dots too small for the coarse grid."""
    g = fine.g
    s = 0.45 * g
    left = fine.left - cv2.GaussianBlur(cv2.medianBlur(fine.left.astype(np.float32), 5), (0, 0), 4 * g)
    out: list[Finding] = []
    near = cv2.GaussianBlur(left, (0, 0), s)
    mean = near.mean(axis=2)
    strongest = np.abs(near).max(axis=2) * np.sign(mean)
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
        rel = e.fine_rel[here].mean(axis=0)
        de = float(delta_e00(relative_lab(np.clip(rel * np.exp(peak), 0, 1.2)), relative_lab(rel)))
        if de < 3.5:
            continue
        if any(np.hypot(x - f.x_mm, y - f.y_mm) < max(f.diameter_mm, 3) for f in [*spots, *out]):
            continue
        pale = bool(peak.min() > -0.02 and peak.mean() > 0)
        size = float(np.sqrt(4 * area / np.pi))
        out.append(
            Finding(
                kind="pinhole" if pale else "speck",
                x_mm=round(x, 1),
                y_mm=round(y, 1),
                diameter_mm=round(size, 1),
                area_mm2=round(area, 2),
                delta_e00=round(de, 2),
                delta_l=round(float(relative_lab(np.clip(rel * np.exp(peak), 0, 1.2))[0] - relative_lab(rel)[0]), 2),
                confidence=_confidence(float(z[here].max()) - 2),
                where=where_in_words(x, y, e.size_mm, e.shape),
                severity="minor" if size > 1 else "note",
                detail={"significance": round(float(z[here].max()), 1)},
            )
        )
    del p
    return out


def _ghost(fine: _Fine, e: Expected) -> Finding | None:
    """Find a second, faint copy: what is left goes with the artwork's density moved to one side."""
    g = fine.g
    f = 1
    ok = cv2.erode(fine.ok.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(np.float32)

    def small(a: Any) -> Any:
        return block_means(np.ascontiguousarray(a, np.float32), f) if f > 1 else a

    mask = small(ok)
    r = small(np.clip(-fine.left.mean(axis=2), -0.3, 0.3) * ok) / np.maximum(mask, 1e-3)
    d = small(fine.density)
    per = g / f
    s = 3.0 * per

    def high(a: Any) -> Any:
        w = np.maximum(cv2.GaussianBlur(mask, (0, 0), s), 1e-3)
        return (a - cv2.GaussianBlur(a * mask, (0, 0), s) / w) * (mask > 0.5)

    r, d = high(r), high(d)
    power = float((d * d).sum())
    if power < 1e-3 * mask.sum():
        return None
    r = np.clip(r, -0.4, 0.4)
    shape = tuple(cv2.getOptimalDFTSize(n + 40) for n in r.shape)
    fr, fd = np.fft.rfft2(r, shape), np.fft.rfft2(d, shape)
    # deconvolved: what is left, as the print's own density sent through an unknown kernel
    energy = np.abs(fd) ** 2
    gain = np.conj(fd) / (energy + 0.05 * energy.mean())
    kernel: Any = np.fft.irfft2(fr * gain, shape)
    unit: Any = np.fft.irfft2(fd * gain, shape)
    reach = int(np.ceil(12 * per))
    k = np.arange(-reach, reach + 1)
    soft = 0.3 * per
    kernel = cv2.GaussianBlur(np.fft.fftshift(kernel), (0, 0), soft)
    unit = cv2.GaussianBlur(np.fft.fftshift(unit), (0, 0), soft)
    middle = (shape[0] // 2, shape[1] // 2)
    kernel = kernel[middle[0] + k[0] : middle[0] + k[-1] + 1, middle[1] + k[0] : middle[1] + k[-1] + 1]
    odd = 0.5 * (kernel - kernel[::-1, ::-1]) / max(float(unit.max()), 1e-9)
    yy, xx = np.meshgrid(k / per, k / per, indexing="ij")
    away = np.hypot(xx, yy)
    # a displacement of the whole makes a pair of lobes at the middle: fitted along each line through it
    unit = unit[middle[0] + k[0] : middle[0] + k[-1] + 1, middle[1] + k[0] : middle[1] + k[-1] + 1]
    uy, ux = np.gradient(unit / max(float(unit.max()), 1e-9))
    lobes = np.stack([ux.ravel(), uy.ravel()], axis=1)
    inside = (away < 0.75).ravel()
    odd = odd - (lobes @ np.linalg.lstsq(lobes[inside], odd.ravel()[inside], rcond=None)[0]).reshape(odd.shape)
    ring = (away > 0.8) & (away < 5.5)
    noise = max(1.4826 * float(np.median(np.abs(odd[away > 7]))), 2e-4)
    at = int(np.where(ring, odd, -1).argmax())
    strength, dx, dy = 2 * float(odd.ravel()[at]), float(xx.ravel()[at]), float(yy.ravel()[at])
    # a misfit of the whole makes a pair of lobes at the middle: a ghost must stand outside of them
    inner = float(odd[(away > 0.5) & (away < 0.75)].max(initial=0.0))
    z = strength / 2 / noise
    size = float(np.hypot(dx, dy))
    half = float(odd[round(reach + 0.6 * dy * per), round(reach + 0.6 * dx * per)])
    # displacement, sharpening and blur all leave lobes close to the middle: there a ghost must be strong
    least = float(np.interp(size, [0.8, 1.5, 2.0], [0.085, 0.05, 0.04]))
    if strength < least or z < 10 or max(inner, half) > 0.6 * strength / 2:
        return None
    w, h = e.size_mm
    return Finding(
        kind="ghost",
        x_mm=round(w / 2, 1),
        y_mm=round(h / 2, 1),
        diameter_mm=round(size, 2),
        area_mm2=round(float(e.inside.sum()) * e.step_mm**2, 1),
        delta_e00=round(40 * strength, 2),
        delta_l=round(-30 * strength, 2),
        confidence=_confidence(z - 2),
        where="all over",
        severity="major" if strength > 0.08 else "minor",
        detail={
            "shift_mm": (round(dx, 2), round(dy, 2)),
            "strength": round(strength, 3),
            "significance": round(z, 1),
        },
    )


def _banding(fine: _Fine, e: Expected) -> list[Finding]:
    """Fine regular lines along one axis."""
    g, out = fine.g, []
    ok = fine.ok & (fine.noise < 0.12) & (fine.density > 0.15)
    for axis, name in ((1, "x"), (0, "y")):
        length = ok.shape[1 - axis]
        if ok.sum() < 0.1 * ok.size:
            continue
        halves = []
        along = np.arange(ok.shape[axis]) % 2  # two interleaved sets, so that chance must repeat itself
        for h in range(2):
            pick = ok & (along == h)[None, :] if axis == 1 else ok & (along == h)[:, None]
            n = pick.sum(axis=axis)
            prof = np.stack(
                [
                    np.where(pick, np.clip(fine.left[..., c], -0.15, 0.15), 0).sum(axis=axis) / np.maximum(n, 1)
                    for c in range(3)
                ],
                axis=1,
            )
            prof[n < 10] = np.nan
            good = np.isfinite(prof[:, 0])
            if good.sum() < 0.6 * length:
                break
            prof = np.stack(
                [np.interp(np.arange(length), np.flatnonzero(good), prof[good, c]) for c in range(3)], axis=1
            )
            prof -= cv2.blur(prof, (1, 2 * int(3 * g) + 1))
            halves.append(prof)
        if len(halves) < 2:
            continue
        window = np.hanning(length)[:, None]
        fa, fb = (np.fft.rfft(p * window, axis=0) for p in halves)
        power = np.real(fa * np.conj(fb)).sum(axis=1)
        freq = np.fft.rfftfreq(length, 1 / g)
        band = (freq > 1 / 7) & (freq < 0.42 * g)
        back = 1.4826 * np.median(np.abs(power[band])) + 1e-12
        local = cv2.blur(np.abs(power)[:, None], (1, 41))[:, 0]
        k = int(np.where(band, power, 0).argmax())
        amp = 2 * np.sqrt(max(power[k] * 1.5, 0) / 2) / (0.5 * length)
        score = power[k] / max(back, 1.0 * (local[k] * 41 - np.abs(power[max(k - 2, 0) : k + 3]).sum()) / 36)
        l_amp = 25 * amp
        if score < 40 or l_amp < 0.25:
            continue
        out.append(
            Finding(
                kind="banding",
                x_mm=round(e.size_mm[0] / 2, 1),
                y_mm=round(e.size_mm[1] / 2, 1),
                diameter_mm=round(float(1 / freq[k]), 2),
                area_mm2=round(float(e.inside.sum()) * e.step_mm**2, 1),
                delta_e00=round(float(l_amp), 2),
                delta_l=round(float(-l_amp), 2),
                confidence=_confidence(float(np.sqrt(score))),
                where="all over",
                severity="minor" if l_amp < 1 else "major",
                detail={
                    "period_mm": round(float(1 / freq[k]), 2),
                    "along": name,
                    "significance": round(float(np.sqrt(score)), 1),
                },
            )
        )
    return out


def _scorch(e: Expected, p: Parted, left: Array, var: Array, hidden: Array) -> list[Finding]:
    """Yellow clouds on bare or nearly bare coat."""
    edge = cv2.dilate((e.texture > 0.3).astype(np.uint8), np.ones((2 * round(3 / e.step_mm) + 1,) * 2, np.uint8))
    bare = e.inside & (e.rel.min(axis=2) > 0.6) & (edge == 0)
    ok = bare & np.isfinite(left[0]).all(axis=2) & ~hidden[0]
    if ok.sum() < 40:
        return []
    yellow = np.where(ok, (left[0][..., :2].mean(axis=2) - left[0][..., 2]), 0.0)
    middle = float(np.percentile(yellow[ok], 30))
    w = np.where(ok, 1 / (var[0][..., 2] + 0.5 * var[0][..., 0] + 1e-6), 0.0)
    s = 5.0 / e.step_mm
    mean = cv2.GaussianBlur((yellow - middle) * w, (0, 0), s) / np.maximum(cv2.GaussianBlur(w, (0, 0), s), 1e-9)
    noise = max(float(mad_std(mean[ok])), 0.0025)
    core = ok & (mean > max(5 * noise, 0.02))
    if core.sum() < 8:
        return []
    count, label, _, centre = cv2.connectedComponentsWithStats((ok & (mean > max(3 * noise, 0.012))).astype(np.uint8))
    out = []
    for j in range(1, count):
        here = label == j
        area = float(here.sum()) * e.step_mm**2
        if not (here & core).any() or area < 60:
            continue
        rel = e.rel[here]
        top = here & (mean >= np.percentile(mean[here], 75))
        change = np.array([0, 0, -float(mean[top].mean())])
        lab0, lab1 = relative_lab(e.rel[top]), relative_lab(e.rel[top] * np.exp(change))
        de, db = float(np.median(delta_e00(lab1, lab0))), float(np.median(lab1[:, 2] - lab0[:, 2]))
        if db < 1.2:
            continue
        x, y = (float(centre[j][i] + 0.5) * e.step_mm for i in (0, 1))
        out.append(
            Finding(
                kind="scorch",
                x_mm=round(x, 1),
                y_mm=round(y, 1),
                diameter_mm=round(float(np.sqrt(4 * area / np.pi)), 1),
                area_mm2=round(area, 1),
                delta_e00=round(de, 2),
                delta_l=0.0,
                confidence=_confidence(float(mean[top].mean()) / noise),
                where=where_in_words(x, y, e.size_mm, e.shape),
                severity="major" if db > 4 else "minor",
                detail={"delta_b": round(db, 2), "significance": round(float(mean[top].mean()) / noise, 1)},
            )
        )
        del rel
    return out


# --- sums -----------------------------------------------------------------------------------------


def _merged(found: list[Finding], *, size_mm: tuple[float, float]) -> list[Finding]:
    """One defect, one finding: the stronger takes in what overlaps it."""
    rank = {"note": 0, "minor": 1, "major": 2}
    spread = [f for f in found if f.kind in ("ghost", "banding", "faded-edge", "dark-edge", "scorch")]
    rest = sorted((f for f in found if f not in spread), key=lambda f: -(f.detail.get("significance", 0)))
    kept: list[Finding] = []
    soft = ("pale", "dark", "pale-centre")
    for f in rest:
        for n, k in enumerate(kept):
            d = float(np.hypot(f.x_mm - k.x_mm, f.y_mm - k.y_mm))
            if f.kind == k.kind and d < 0.5 * (f.diameter_mm + k.diameter_mm):
                if f.kind == "pale" and d > 0.3 * k.diameter_mm and f.delta_e00 > 0.35 * k.delta_e00:
                    kept[n] = _together(k, f)
                break
            if (
                f.kind in soft
                and k.kind in soft
                and d < 0.6 * (k.diameter_mm + f.diameter_mm)
                and f.delta_e00 < k.delta_e00
            ):
                if f.kind == k.kind == "pale" and f.delta_e00 > 0.35 * k.delta_e00:
                    kept[n] = _together(k, f)
                break
            if f.kind in soft and k.kind == "glare" and d < 0.6 * k.diameter_mm:
                break
        else:
            kept.append(f)
    del size_mm
    return sorted([*spread, *kept], key=lambda f: (-rank[f.severity], -f.delta_e00))


def _along_edges(edges: list[Finding], spots: list[Finding], e: Expected) -> tuple[list[Finding], list[Finding]]:
    """Soft pale spots in a row along one side belong to a faded edge."""
    if e.shape == "round":
        return edges, [
            s for s in spots if not (edges and s.kind == "pale" and _from_side(s, "rim", e) < 0.35 * s.diameter_mm)
        ]
    edges, left = list(edges), list(spots)
    for side in _SIDES:
        row = [
            s
            for s in left
            if s.kind == "pale" and s.diameter_mm > 8 and _from_side(s, side, e) < 0.3 * s.diameter_mm + 3
        ]
        there = [f for f in edges if f.kind == "faded-edge" and f.where == side]
        length = e.size_mm[1] if side in ("left", "right") else e.size_mm[0]
        if there:
            left = [s for s in left if s not in row]
        elif len(row) >= 2 and sum(s.diameter_mm for s in row) > 0.35 * length:
            left = [s for s in left if s not in row]
            width = float(np.median([0.5 * s.diameter_mm for s in row]))
            strongest = max(row, key=lambda s: s.delta_e00)
            edges.append(
                replace(
                    strongest,
                    kind="faded-edge",
                    where=side,
                    diameter_mm=round(width, 1),
                    area_mm2=round(width * length, 1),
                    x_mm=round(float(np.mean([s.x_mm for s in row])), 1),
                    y_mm=round(float(np.mean([s.y_mm for s in row])), 1),
                    detail={**strongest.detail, "side": side, "width_mm": round(width, 1)},
                )
            )
    return edges, left


def _without_echoes(edges: list[Finding], spots: list[Finding], m: _Map) -> list[Finding]:
    """Drop dark spots whose colours are pale elsewhere: the fit took the mean of both for right."""
    pale = np.zeros(m.q.shape, bool)
    strongest = 0.0
    for f in [*edges, *spots]:
        if f.kind in ("pale", "pale-centre"):
            pale |= np.hypot(m.x - f.x_mm, m.y - f.y_mm) < 0.7 * f.diameter_mm
        elif f.kind == "faded-edge":
            w, h = m.size_mm
            away = {"left": m.x, "right": w - m.x, "top": m.y, "bottom": h - m.y}.get(f.where, m.reach)
            pale |= away < 1.5 * f.diameter_mm
        else:
            continue
        strongest = max(strongest, f.delta_e00)
    out = []
    for f in spots:
        if f.kind == "dark" and f.delta_e00 < strongest:
            core = (np.hypot(m.x - f.x_mm, m.y - f.y_mm) < 0.5 * f.diameter_mm) & np.isfinite(m.q)
            same = np.isin(m.group, np.unique(m.group[core])) & ~core & np.isfinite(m.q)
            if same.any() and (same & pale).sum() > 0.1 * same.sum():
                continue
        out.append(f)
    return out


def _undecidable(
    edges: list[Finding], spots: list[Finding], e: Expected, p: Parted
) -> tuple[list[Finding], list[Finding], tuple[str, ...]]:
    """Hold back what is broad when nothing but the print itself tells of the light."""
    if p.anchors:
        return edges, spots, ()
    limit = min(0.28 * min(e.size_mm), 50.0)
    narrow = [f for f in edges if f.diameter_mm < 8]
    small = [f for f in spots if f.diameter_mm < limit]
    return narrow, small, ("tilt", "bowl", "edge")


def _from_side(f: Finding, side: str, e: Expected) -> float:
    w, h = e.size_mm
    if side == "rim":
        return float(w / 2 - np.hypot(f.x_mm - w / 2, f.y_mm - h / 2))
    return {"left": f.x_mm, "right": w - f.x_mm, "top": f.y_mm, "bottom": h - f.y_mm}[side]


def _together(a: Finding, b: Finding) -> Finding:
    """Two parts of one spot: areas added, centre of both, the stronger colour."""
    area = a.area_mm2 + b.area_mm2
    w = b.area_mm2 / area
    return replace(
        a,
        x_mm=round(a.x_mm * (1 - w) + b.x_mm * w, 1),
        y_mm=round(a.y_mm * (1 - w) + b.y_mm * w, 1),
        area_mm2=round(area, 1),
        diameter_mm=round(float(np.sqrt(4 * area / np.pi)), 1),
        delta_e00=max(a.delta_e00, b.delta_e00),
    )


def _residual(e: Expected, colour: Array, judged: Array) -> Array:
    seen = np.clip(e.rel * np.exp(np.nan_to_num(colour)), 0, 1.3)
    a, b = relative_lab(seen), relative_lab(e.rel)
    de = np.asarray(delta_e00(a, b))
    return np.where(judged & np.isfinite(colour).all(axis=2), np.where(a[..., 0] >= b[..., 0], de, -de), np.nan)


def _colour_error(
    e: Expected, p: Parted, answer: Answer | None
) -> tuple[tuple[ColourCell, ...], float | None, float | None, float | None]:
    """Compare what the artwork's colours became against a reading or profile, free of spots and light."""
    if answer is None or e.coat == "guess":
        return (), None, None, None
    cells: list[ColourCell] = []
    quiet = e.inside & (e.texture < 1.0)
    group = np.where(quiet, p.colour_group, -1)
    number = int(group.max()) + 1
    count = np.bincount(group[group >= 0], minlength=number)
    seen = e.rel * np.exp(np.nan_to_num(np.nanmedian(p.left, axis=0)))
    deltas, shares, ups = [], [], []
    for k in np.argsort(-count)[:60]:
        if count[k] < 3:
            break
        here = group == k
        device = e.device[here].mean(axis=0)
        due = np.asarray(answer(device[None]), dtype=float)[0]
        got = np.median(seen[here], axis=0)
        lab0, lab1 = relative_lab(np.clip(due, 1e-4, 1.2)), relative_lab(np.clip(got, 1e-4, 1.2))
        de = float(delta_e00(lab1, lab0))
        share = float(count[k] / max(quiet.sum(), 1))
        depth = -np.log(np.clip(due, 0.02, 1.0)).mean()
        if depth > 0.2:
            ups.append((share, -np.log(np.clip(got, 0.02, 1.0)).mean() / depth))
        deltas.append(de)
        shares.append(share)
        cells.append(
            ColourCell(
                device_rgb=tuple(float(round(v, 1)) for v in device),
                area_share=share,
                due_lab=tuple(float(round(v, 2)) for v in lab0),
                seen_lab=tuple(float(round(v, 2)) for v in lab1),
                delta_e00=round(de, 2),
            )
        )
    if not cells:
        return (), None, None, None
    uptake = float(np.average([u for _, u in ups], weights=[s for s, _ in ups])) if ups else None
    return tuple(cells), float(np.average(deltas, weights=shares)), float(np.percentile(deltas, 95)), uptake
