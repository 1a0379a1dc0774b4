"""Inks that were not printed, and how much dye the coat took up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..colour.gamut import srgb_lab
from ..ground.cielab import delta_e00, density_from_y, lab_to_xyz
from ..ground.places import all_over
from ..ground.records import CellKind, Cells, Finding, Floats, Kind, Target
from ..sheet.sheetgrid import INKS, usable

_MISSING_SHARE = 0.12
_CALLED = 100.0  # device steps by which a channel must lie below both others to call for its own dye
_DARK_SHARE = 0.8  # of the light greys' share: weak coats of two simulations 0.95 and more, without black ink 0.66
_FULL_BLACK = 1.6  # visual density a good coat reaches in a photo (estimate)


def _density(cells: Cells) -> Floats:
    """Density of each camera channel relative to the coat, (n, 3); for one photo only, no standard status."""
    return -np.log10(np.clip(cells.rgb_rel, 0.003, 2.0))


def as_passed_twice(cells: Cells) -> Cells:
    """Give cells lit from behind the densities that they have from the front, where light passes the dye twice."""
    return replace(cells, rgb_rel=np.sign(cells.rgb_rel) * cells.rgb_rel**2, density=2 * cells.density)


def missing_inks(target: Target, cells: Cells) -> tuple[str, ...]:
    """Name the inks that were not printed.

    A dye shows by what it alone absorbs: somewhere on the sheet one channel is denser than
    both others. Whatever the curves, casts or exchanged inks, that excess scales with uptake
    alike for all three; where a dye is missing it vanishes. A sheet of few usable cells tells
    only where all three device channels have a cell that calls for their dye alone. Black shows
    by how much denser the full black is than pairs of full dyes.
    """
    ok = usable(cells) & ((target.kind == CellKind.COLOUR) | (target.kind == CellKind.CONTROL))
    d = _density(cells)
    rgb = target.device_rgb[ok].astype(float)
    called = [bool((np.delete(rgb, c, axis=1).min(axis=1) - rgb[:, c] >= _CALLED).any()) for c in range(3)]
    out: list[str] = []
    if ok.sum() >= 12 and all(called):
        rank = min(3, max(1, int(0.04 * ok.sum())))
        excess = np.array([np.sort(d[ok, c] - np.delete(d[ok], c, axis=1).max(axis=1))[-rank] for c in range(3)])
        for c, name in enumerate(INKS):
            others = np.delete(excess, c)
            if np.max(others) > 0.15 and excess[c] < _MISSING_SHARE * max(float(np.median(others)), 0.15):
                out.append(name)
        chroma = np.hypot(cells.lab[ok, 1], cells.lab[ok, 2])
        if not out and float(np.percentile(chroma, 95)) < 4.0 and float(np.percentile(d[ok], 95)) > 0.3:
            out = list(INKS)
    if not out and _black_missing(target, cells):
        out.append("black")
    return tuple(out)


def _black_missing(target: Target, cells: Cells) -> bool:
    """Full black hardly denser than two full dyes, or dark greys that stop getting darker."""
    ok = usable(cells)
    rgb = target.device_rgb
    pairs = np.array([(255, 0, 0), (0, 255, 0), (0, 0, 255)])
    black = ok & (rgb == 0).all(axis=1)
    at = [ok & (rgb == p).all(axis=1) for p in pairs]
    if not black.any() or not all(m.any() for m in at):
        return False
    depth = float(np.median(cells.density[black]))
    ratio = 2 * depth / max(float(np.sum([cells.density[m].mean() for m in at])), 1e-3)
    if ratio < 1.25:
        return True
    grey = ok & (np.ptp(rgb, axis=1) == 0)
    v, d = rgb[grey, 0].astype(float), cells.density[grey]
    order = np.argsort(v)
    if len(v) < 6:
        return False
    # a weak coat or a mirrored room shortens the scale from black on, and a driver that knows it spreads the rest
    # over all greys; without black ink the dark greys alone stay pale, beside light ones that are as they should be
    code = np.array([45.0, 60.0, 80.0, 150.0, 180.0, 210.0])
    aim = srgb_lab(np.repeat(code[:, None], 3, axis=1), 10.0**-depth)
    due = density_from_y(lab_to_xyz(aim)[:, 1], 1.0)
    share = np.interp(code, v[order], d[order]) / due
    return bool(ratio < 1.48 and share[:3].mean() < _DARK_SHARE * share[3:].mean())


def ink_finding(name: str, target: Target, cells: Cells) -> Finding:
    """Describe a missing ink; the difference is that of the field from a neutral of its lightness."""
    control = (target.kind == CellKind.CONTROL) & (np.ptp(target.device_rgb, axis=1) == 0)
    lab = cells.lab[control] if control.any() else cells.lab[target.kind == CellKind.BLACK]
    seen = np.median(lab, axis=0) if len(lab) else np.array([50.0, 0.0, 0.0])
    neutral = np.array([50.0, 0.0, 0.0])
    w, h = target.size_mm
    return all_over(
        Kind.MISSING_INK,
        target.size_mm,
        float(w * h),
        delta_e00=float(delta_e00(seen, neutral)),
        delta_l=float(seen[0] - neutral[0]),
        confidence=0.8 if name == "black" else 0.97,
        detail={"ink": name},
    )


def uptake_of(target: Target, cells: Cells) -> tuple[float, float]:
    """Dye taken up relative to a full pressing, and its uncertainty.

    An upper bound by reason, not a measurement: a print that took up too little dye is pale in the mid-tones *and* in
    black, while a wrong curve moves the mid-tones alone and a weak coat (or a mirrored room) lifts black alone. So the
    larger of the two ratios is taken, mid-tone density to that of the sRGB aim and black density to 1.6, and half of
    their difference goes into the uncertainty. It is not cut off: a coat that takes much dye, or a printer whose
    mid-tones come out darker than sRGB, gives more than 1.
    """
    ok = usable(cells)
    black = ok & (target.kind == CellKind.BLACK)
    grey = ok & (np.ptp(target.device_rgb, axis=1) == 0)
    v = target.device_rgb[:, 0]
    grey &= (v >= 80) & (v <= 215)
    ratios = []
    if black.any():
        ratios.append(float(np.median(cells.density[black])) / _FULL_BLACK)
    if grey.any():
        code = v[grey] / 255.0
        aim = -np.log10(np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4))
        ratios.append(float(np.median(cells.density[grey] / aim)))
    if not ratios:
        return float("nan"), float("nan")
    doubt = 0.08 + 0.5 * (max(ratios) - min(ratios)) + (0.2 if len(ratios) == 1 else 0.0)
    return max(ratios), doubt
