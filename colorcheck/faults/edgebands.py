"""Faded edges: bands of missing dye along a side or round a rim."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..ground.grid import Array
from ..ground.records import Finding, Kind
from .lack import SIDES, SIGNIFICANT, LackMap, confidence, delta_l, lack_de, spot_u, visible_de

_CORE_OF_BAND = 0.85  # mean height of a band over the outer half of its depth


def _segments(m: LackMap) -> list[tuple[str, Array, Array, Any]]:
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


def faded_edges(m: LackMap) -> tuple[list[Finding], list[str]]:
    """Find faded edges and take them out of ``m.q``; say which the light leaves in doubt."""
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
            fair = [t for t in tried if abs(t[1]) > max(0.5 * top, min(top, SIGNIFICANT))]
            whole = s & (away < 45)
            best = min(fair or tried, key=lambda t: _left_over(m, whole, away, t[0], t[2]))
        if best is None:
            continue
        width, z, a, light = best
        if a < 0 and side not in SIDES:
            continue
        band = s & (away < width)
        rel, depth = m.rel[band], m.depth[band]
        if len(rel) < 8:
            continue
        de = float(np.mean(lack_de(rel, depth, _CORE_OF_BAND * a)))
        if de < max(visible_de(2 * width, m.eye), 1.5 * m.eye):
            continue
        if abs(z) < SIGNIFICANT:
            if a > 0 and abs(a) / max(light, 1e-9) < 4 and light > 0.3 * abs(a) / 4:
                unsure.append("edge")
            continue
        x, y = float(m.x[band].mean()), float(m.y[band].mean())
        area = float(band.sum()) * m.step**2
        out.append(
            Finding(
                kind=Kind.FADED_EDGE if a > 0 else Kind.DARK_EDGE,
                x_mm=round(x, 1),
                y_mm=round(y, 1),
                diameter_mm=round(width, 1),
                area_mm2=round(area, 1),
                delta_e00=round(de, 2),
                delta_l=round(delta_l(rel, depth, a), 2),
                confidence=confidence(z),
                where=side,
                uncertainty=spot_u(de, abs(z)),
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
            if side in SIDES or side == "rim"
            else np.where(where, m.q - t, m.q)
        )
        if side == "rim":
            break
    return out, unsure


def _left_over(m: LackMap, where: Array, away: Array, width: float, a: float) -> float:
    """Absolute rest of a side when a band is taken out, its own level free."""
    rest = m.q[where] - a * np.exp(-np.log(2) * (away[where] / width) ** 2)
    w = 1 / np.sqrt(m.var[where] + m.group_var[where])
    return float((w * np.abs(rest - np.median(rest))).sum())


def _template_light_std(m: LackMap, s: Array, t: Array) -> float:
    """Return the standard error that doubt about the light leaves in the amplitude of a template over blocks ``s``."""
    wt = 1 / (m.var[s] + 1e-5)
    c = wt * (t - (wt * t).sum() / wt.sum())
    norm = (c * t).sum()
    if norm <= 0:
        return float("inf")
    g = (c[:, None] * m.basis[s]).sum(axis=0) / norm
    return float(np.sqrt(max(g @ m.light_cov @ g, 0.0)))
