"""One defect, one finding: what belongs together is merged, what is an echo is dropped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..ground.records import Finding, Kind
from ..ground.residue import Residue
from .lack import SIDES, LackMap


def merged(found: list[Finding]) -> list[Finding]:
    """One defect, one finding: the stronger takes in what overlaps it."""
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
    return sorted([*spread, *kept], key=lambda f: -f.delta_e00)


def along_edges(edges: list[Finding], spots: list[Finding], res: Residue) -> tuple[list[Finding], list[Finding]]:
    """Soft pale spots in a row along one side belong to a faded edge."""
    if res.shape == "round":
        return edges, [
            s for s in spots if not (edges and s.kind == "pale" and _from_side(s, "rim", res) < 0.35 * s.diameter_mm)
        ]
    edges, left = list(edges), list(spots)
    for side in SIDES:
        row = [
            s
            for s in left
            if s.kind == "pale" and s.diameter_mm > 8 and _from_side(s, side, res) < 0.3 * s.diameter_mm + 3
        ]
        there = [f for f in edges if f.kind == "faded-edge" and f.where == side]
        length = res.size_mm[1] if side in ("left", "right") else res.size_mm[0]
        if there:
            left = [s for s in left if s not in row]
        elif len(row) >= 2 and sum(s.diameter_mm for s in row) > 0.35 * length:
            left = [s for s in left if s not in row]
            width = float(np.median([0.5 * s.diameter_mm for s in row]))
            strongest = max(row, key=lambda s: s.delta_e00)
            edges.append(
                replace(
                    strongest,
                    kind=Kind.FADED_EDGE,
                    where=side,
                    diameter_mm=round(width, 1),
                    area_mm2=round(width * length, 1),
                    x_mm=round(float(np.mean([s.x_mm for s in row])), 1),
                    y_mm=round(float(np.mean([s.y_mm for s in row])), 1),
                    detail={**strongest.detail, "side": side, "width_mm": round(width, 1)},
                )
            )
    return edges, left


def without_echoes(edges: list[Finding], spots: list[Finding], m: LackMap) -> list[Finding]:
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


def on_the_print(spots: list[Finding], res: Residue) -> list[Finding]:
    """Drop small bare places at the outline: there the blank or the card shows beside the print, nothing is pale.

    What is left has its middle on the piece.
    """
    out = []
    for f in spots:
        sides = ("rim",) if res.shape == "round" else SIDES
        away = min(_from_side(f, s, res) for s in sides)
        bare = f.kind in (Kind.PALE, Kind.PINHOLE, Kind.SHINING) and f.detail.get("lack", 0.0) > 0.6
        if away < -0.5 or (bare and away < 7.0 and f.diameter_mm < 16.0):
            continue
        out.append(f)
    return out


def undecidable(
    edges: list[Finding], spots: list[Finding], res: Residue
) -> tuple[list[Finding], list[Finding], tuple[str, ...]]:
    """Hold back what is broad when nothing but the print itself tells of the light."""
    if res.anchors:
        return edges, spots, ()
    limit = min(0.28 * min(res.size_mm), 50.0)
    narrow = [f for f in edges if f.diameter_mm < 8]
    small = [f for f in spots if f.diameter_mm < limit]
    return narrow, small, ("tilt", "bowl", "edge")


def _from_side(f: Finding, side: str, res: Residue) -> float:
    w, h = res.size_mm
    if side == "rim":
        return float(w / 2 - np.hypot(f.x_mm - w / 2, f.y_mm - h / 2))
    return {"left": f.x_mm, "right": w - f.x_mm, "top": f.y_mm, "bottom": h - f.y_mm}[side]


def _together(a: Finding, b: Finding) -> Finding:
    """Two parts of one spot: areas added, centre of both, the stronger colour if it holds for a good part of it."""
    area = a.area_mm2 + b.area_mm2
    w = b.area_mm2 / area
    strong = max(a.delta_e00, b.delta_e00) if w > 0.3 else a.delta_e00
    return replace(
        a,
        x_mm=round(a.x_mm * (1 - w) + b.x_mm * w, 1),
        y_mm=round(a.y_mm * (1 - w) + b.y_mm * w, 1),
        area_mm2=round(area, 1),
        diameter_mm=round(float(np.sqrt(4 * area / np.pi)), 1),
        delta_e00=strong,
    )
