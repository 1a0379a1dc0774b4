"""Regular fine lines along one axis: a nozzle of the printer does not fire as it should."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.records import Finding, Floats, Kind, Target
from ..ground.relative import relative_lab
from ..sheet.sheetgrid import INKS, RIM_MM, SheetGrid, clipped, extremes, field_mask, local_mean

_BAND_LEAST_L = 0.25  # a regular band of 0.2 L* can already disturb (J. Electron. Imaging 19(1) 011017, 2010)
BAND_SIGNIFICANT = 7.0
_BAND_MM = (0.5, 10.0)


def _profile(log: Any, mask: Any, axis: int) -> tuple[Floats, Floats]:
    """Mean along rows (axis 1) or columns (axis 0) of the masked pixels, and their number."""
    m = mask.astype(np.float32)
    n = cv2.reduce(m, axis, cv2.REDUCE_SUM, dtype=cv2.CV_64F).reshape(-1)
    planes = cv2.merge([c * m for c in cv2.split(log)])
    total = cv2.reduce(planes, axis, cv2.REDUCE_SUM, dtype=cv2.CV_64F).reshape(-1, 3)
    return total / np.maximum(n, 1)[:, None], np.asarray(n, dtype=float)


def _waves(profile: Floats, weight: Floats, q: float, freq: Floats) -> Any:
    """Complex amplitude of the weighted profile at each frequency (cycles per mm), (f, c)."""
    y = (np.arange(len(profile)) + 0.5) / q
    waves = np.exp(-2j * np.pi * freq[:, None] * y[None, :])
    return 2 * (waves * weight) @ profile / weight.sum()


def find_banding(target: Target, sheet: SheetGrid) -> tuple[tuple[float, float, float, int], list[Finding]]:
    """Look for regular fine lines in the field: (period, amplitude, significance, axis), findings."""
    log = cv2.log(clipped(sheet.rel, 0.01, 2.0)) * np.float32(-1 / np.log(10))
    plain = sheet.field.copy()
    # twice the margin of everything else: what is left of the lattice is small
    h, w = plain.shape
    wide = min(2.2 * sheet.margin_mm, 0.38 * (target.pitch_mm - target.cell_mm))
    plain &= field_mask(target, (h, w), sheet.q, wide, 2 * RIM_MM).astype(bool)
    if plain.sum() < 2000:
        return (0.0, 0.0, 0.0, 0), []
    res = log - local_mean(log, plain, 4.0 * sheet.q)
    high, low = extremes(res)
    plain &= (high < 0.12) & (low > -0.12)
    best: tuple[float, float, float, int] = (0.0, 0.0, 0.0, 0)
    dye, found = "", False
    rel_field = np.median(sheet.rel[plain], axis=0)
    for axis in (0, 1):
        got = _one_axis(target, res, plain, sheet.q, axis, rel_field)
        if got is not None and got[2] > best[2]:
            best, dye, found = (got[0], got[1], got[2], axis), got[3], got[4]
    if not found:
        return best, []
    period, amplitude, significance, axis = best
    lab = relative_lab(rel_field[None, :])[0]
    swing = np.array([lab, lab + np.array([2 * amplitude, 0, 0])])
    return best, [
        Finding(
            kind=Kind.BANDING,
            x_mm=target.size_mm[0] / 2,
            y_mm=target.size_mm[1] / 2,
            diameter_mm=float(np.sqrt(4 / np.pi * target.size_mm[0] * target.size_mm[1])),
            area_mm2=float(target.size_mm[0] * target.size_mm[1]),
            delta_e00=float(delta_e00(swing[1], swing[0])),
            delta_l=amplitude,
            confidence=float(min(0.99, 1 - 4 / significance**2)),
            where="all over",
            detail={
                "period_mm": round(period, 3),
                "axis": "x" if axis == 0 else "y",
                "dye": dye,
                "amplitude_l": round(amplitude, 3),
            },
        )
    ]


def _one_axis(
    target: Target, res: Any, plain: Any, q: float, axis: int, rel_field: Floats
) -> tuple[float, float, float, str, bool] | None:
    """Lines along x (axis 0) or y (axis 1): period, amplitude in L*, significance, dye, certain."""
    across = 1 - axis  # the numpy axis to average over
    profile, n = _profile(res, plain, across)
    weight = np.minimum(n, np.percentile(n, 90)) if n.max() > 0 else n
    if weight.sum() < 500:
        return None
    length = float(target.size_mm[1 - axis])
    profile = profile - (profile * weight[:, None]).sum(axis=0) / weight.sum()
    # a spectrum fine enough that the harmonics of a frequency lie on it too
    points = cv2.getOptimalDFTSize(int(20 * len(profile)))
    amp = 2 * np.fft.rfft(profile * weight[:, None], n=points, axis=0) / weight.sum()
    step = q / points
    last = int(min(1 / _BAND_MM[0], 0.42 * q) / step)
    power = np.abs(amp[: last + 1])
    freq = np.arange(last + 1) * step
    thin = max(1, int(1 / (4 * length) / step))
    k = max(9, int(0.15 * last / thin) | 1)
    # the median of a Rayleigh distribution lies at 1.1774 of its scale
    middle = [_running_median(power[::thin, c], k) / 1.1774 for c in range(3)]
    noise = np.stack([np.interp(freq, freq[::thin], m) for m in middle], axis=1)
    z2 = (power / np.maximum(noise, 1e-5)) ** 2
    # residue of the lattice: its pitch and harmonics
    off = np.abs(freq * target.pitch_mm - np.round(freq * target.pitch_mm)) / target.pitch_mm
    z2[off < 1.2 / length] /= 16
    z2[freq < 0.8 / _BAND_MM[1]] = 0
    first, end = int(np.ceil(1 / _BAND_MM[1] / step)), last
    at = np.arange(first, end + 1)
    score = np.zeros((len(at), 3))
    total = np.zeros((len(at), 3))
    for h in range(1, 9):  # harmonics: fine lines far apart have many of like height
        inside = h * at <= last
        total[inside] += z2[h * at[inside]] - 2
        if h in (1, 2, 4, 8):
            gain = np.where(inside[:, None], total / (2 * np.sqrt(h)), 0)
            score = np.maximum(score, np.sqrt(np.maximum(2 * gain + 2, 0)))
    f, c = np.unravel_index(int(np.argmax(score)), score.shape)
    l_of = _lightness_slope(rel_field)
    significance = float(score[f, c])
    fine: Floats = np.asarray(freq[int(f) + first] + np.linspace(-1, 1, 17) / (6 * length), dtype=np.float64)
    total = np.abs(_waves(profile, weight, q, fine)) @ np.ones(3)
    base = float(fine[int(np.argmax(total))])
    harmonics = np.arange(1, 1 + max(1, int(min(8, freq[-1] / base))), dtype=np.float64)
    series: Floats = np.asarray(base * harmonics, dtype=np.float64)
    parts = _waves(profile, weight, q, series)
    phase = np.exp(2j * np.pi * np.arange(64)[:, None] / 64 * np.arange(1, len(series) + 1)[None, :])
    wave = np.real(phase @ parts)  # one period, density per channel
    lightness = -wave @ l_of
    amplitude = float(np.ptp(lightness) / 2)
    main = np.real(parts[0] * np.conj(parts[0, c]) / max(abs(parts[0, c]), 1e-12))
    # the two halves of the sheet must show the same lines
    agree = _halves_agree(res, plain, q, across, base, int(c))
    certain = (
        agree
        and significance >= BAND_SIGNIFICANT
        and amplitude >= _BAND_LEAST_L * (0.6 if significance > 1.7 * BAND_SIGNIFICANT else 1.0)
    )
    return 1 / base, amplitude, significance, _dye_of(main), bool(certain)


def _running_median(v: Floats, k: int) -> Floats:
    """Median over ``k`` neighbours; the ends repeat."""
    padded = np.pad(v, k // 2, mode="reflect") if len(v) > k // 2 else np.pad(v, k // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, k), axis=1))


def _lightness_slope(rel: Floats) -> Floats:
    """Change of −L* per unit of density in each channel, (3,)."""
    base = relative_lab(rel[None, :])[0, 0]
    out = []
    for c in range(3):
        moved = rel.copy().astype(float)
        moved[c] *= 10**-0.01
        out.append((base - relative_lab(moved[None, :])[0, 0]) / 0.01)
    return np.array(out)


def _halves_agree(res: Any, plain: Any, q: float, across: int, base: float, channel: int) -> bool:
    """Whether the lines run through both halves of the sheet with one phase and like depth."""
    half = res.shape[across] // 2
    pair = []
    for part in (slice(0, half), slice(half, None)):
        cut = (slice(None), part) if across == 1 else (part, slice(None))
        p, n = _profile(res[cut], plain[cut], across)
        if n.sum() < 200:
            return False
        weight = np.minimum(n, max(float(np.percentile(n, 90)), 1.0))
        pair.append(_waves(p, weight, q, np.array([base]))[0, channel])
    a, b = pair
    big = max(abs(a), abs(b), 1e-12)
    return bool(np.real(a * np.conj(b)) > 0.3 * big * big)


def _dye_of(density: Floats) -> str:
    """Name the dye whose lines show this density in red, green and blue."""
    d = density * np.sign(density[int(np.argmax(np.abs(density)))])
    if d.min() > 0.6 * d.max():
        return "black"
    return INKS[int(np.argmax(d))]
