"""Regular fine lines along one axis: a nozzle of the printer does not fire as it should."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.grid import largest_channel, local_mean
from ..ground.places import all_over
from ..ground.records import Finding, Floats, Kind, Lines
from ..ground.relative import relative_lab
from ..ground.residue import Residue
from ..sheet.sheetgrid import INKS
from .finedetail import FineDetail
from .lack import confidence

_LEAST_L = 0.25  # a regular band of 0.2 L* can already disturb (J. Electron. Imaging 19(1) 011017, 2010)
_SIGNIFICANT = 7.0  # of the best among some thousand frequencies and three channels
_CLEAR = 1.7  # so many times more significant, lines may be somewhat fainter
_FAINTER = 0.6
_PERIODS_MM = (0.5, 10.0)
_NYQUIST_SHARE = 0.42
_FINEST = 1.25  # cycles per mm; what is finer, a phone's lens hardly passes
_OF_ARTWORK = 0.05  # share of the artwork's own regular detail that may be left where edges lie a little off (estimate)
_LIKELY = 0.12  # decimal density: what differs by more is a spot or an edge
_SMOOTH_MM = 4.0
_LN10 = float(np.log(10))


def find_banding(fine: FineDetail, res: Residue) -> tuple[Lines, Finding | None]:
    """Look for regular fine lines.

    Returns
    -------
    Lines
        The most regular thing there is, borne out or not.
    Finding or None
    """
    extra = np.ascontiguousarray(-fine.left / _LN10, dtype=np.float32)
    weight = fine.weight
    extra -= local_mean(extra, weight, _SMOOTH_MM * fine.g)
    weight = np.where(largest_channel(np.abs(extra)) < _LIKELY, weight, np.float32(0))
    best, sure, wave = Lines(0.0, 0.0, 0.0, "x", ""), False, np.zeros((1, 3))
    counts = weight > 0.25 * float(np.percentile(weight[weight > 0], 90)) if (weight > 0).any() else weight > 0
    if counts.sum() < 2000:
        return best, None
    typical = np.array([float(np.median(channel[counts])) for channel in cv2.split(res.fine_rel)])
    for axis in (0, 1):
        got = _one_axis(extra, weight, fine, axis, typical)
        if got is not None and got[0].significance > best.significance:
            best, sure, wave = got
    if not sure:
        return best, None
    depth = wave.sum(axis=1)
    lab = relative_lab(typical * 10.0 ** -wave[[int(depth.argmin()), int(depth.argmax())]])
    return best, all_over(
        Kind.BANDING,
        res.size_mm,
        float(res.inside.sum()) * res.step_mm**2,
        delta_e00=float(delta_e00(lab[1], lab[0])),
        delta_l=float(lab[0, 0] - lab[1, 0]),
        confidence=confidence(best.significance),
        detail={
            "period_mm": round(best.period_mm, 3),
            "axis": best.axis,
            "dye": best.dye,
            "amplitude_l": round(best.amplitude_l, 3),
            "significance": round(best.significance, 1),
        },
    )


def _profile(value: Any, weight: Any, across: int) -> tuple[Floats, Floats]:
    """Weighted mean along one axis (n, c), and the sum of weights (n,)."""
    n = weight.sum(axis=across, dtype=np.float64)
    total = np.einsum("ijc,ij->jc" if across == 0 else "ijc,ij->ic", value, weight, dtype=np.float64, casting="unsafe")
    return total / np.maximum(n, 1e-9)[:, None], n


def _waves(profile: Floats, weight: Floats, q: float, freq: Floats) -> Any:
    """Complex amplitude of the weighted profile at each frequency (cycles per mm), (f, c)."""
    y = (np.arange(len(profile)) + 0.5) / q
    waves = np.exp(-2j * np.pi * freq[:, None] * y[None, :])
    return 2 * (waves * weight) @ profile / weight.sum()


def _one_axis(
    extra: Any, weight: Any, fine: FineDetail, axis: int, typical: Floats
) -> tuple[Lines, bool, Floats] | None:
    """Lines along x (axis 0) or y (axis 1): what they are, whether certain, one period of density (64, 3)."""
    across, q = 1 - axis, fine.g
    profile, n = _profile(extra, weight, across)
    own, _ = _profile(fine.density[..., None] / _LN10, weight, across)
    n = np.minimum(n, np.percentile(n, 90)) if n.max() > 0 else n
    if n.sum() <= 0:
        return None
    length = len(profile) / q
    profile = profile - (profile * n[:, None]).sum(axis=0) / n.sum()
    own = own - (own * n[:, None]).sum(axis=0) / n.sum()
    # a spectrum fine enough that the harmonics of a frequency lie on it too
    points = cv2.getOptimalDFTSize(int(20 * len(profile)))
    step = q / points
    last = int(min(1 / _PERIODS_MM[0], _NYQUIST_SHARE * q) / step)

    def spectrum(a: Floats) -> Floats:
        return np.asarray(np.abs(2 * np.fft.rfft(a * n[:, None], n=points, axis=0) / n.sum())[: last + 1])

    power, artwork = spectrum(profile), spectrum(own)
    freq = np.arange(last + 1) * step
    thin = max(1, int(1 / (4 * length) / step))
    k = max(9, int(0.15 * last / thin) | 1)
    # the median of a Rayleigh distribution lies at 1.1774 of its scale
    middle = [_running_median(power[::thin, c], k) / 1.1774 for c in range(3)]
    noise = np.stack([np.interp(freq, freq[::thin], m) for m in middle], axis=1)
    z2 = power**2 / (np.maximum(noise, 1e-5) ** 2 + (_OF_ARTWORK * artwork) ** 2)
    z2[freq < 0.8 / _PERIODS_MM[1]] = 0
    first = int(np.ceil(1.1 / _PERIODS_MM[1] / step))
    at = np.arange(first, last + 1)
    score, total = np.zeros((len(at), 3)), np.zeros((len(at), 3))
    for h in range(1, 9):  # harmonics: fine lines far apart have many of like height
        inside = h * at <= last
        total[inside] += z2[h * at[inside]] - 2
        if h in (1, 2, 4, 8):
            gain = np.where(inside[:, None], total / (2 * np.sqrt(h)), 0)
            score = np.maximum(score, np.sqrt(np.maximum(2 * gain + 2, 0)))
    f, c = (int(v) for v in np.unravel_index(int(np.argmax(score)), score.shape))
    significance = float(score[f, c])
    near: Floats = np.asarray(freq[f + first] + np.linspace(-1, 1, 17) / (6 * length), dtype=np.float64)
    base = float(near[int(np.argmax(np.abs(_waves(profile, n, q, near)) @ np.ones(3)))])
    series: Floats = base * np.arange(1, 1 + max(1, int(min(8, min(freq[-1], _FINEST) / base))), dtype=np.float64)
    parts = _waves(profile, n, q, series)
    phase = np.exp(2j * np.pi * np.arange(64)[:, None] / 64 * np.arange(1, len(series) + 1)[None, :])
    wave = np.real(phase @ parts)
    lightness = relative_lab(typical * 10.0**-wave)[:, 0]
    amplitude = float(np.ptp(lightness) / 2)
    main = np.real(parts[0] * np.conj(parts[0, c]) / max(abs(parts[0, c]), 1e-12))
    least = _LEAST_L * (_FAINTER if significance > _CLEAR * _SIGNIFICANT else 1.0)
    sure = significance >= _SIGNIFICANT and amplitude >= least and _halves_agree(extra, weight, q, across, base, c)
    return Lines(1 / base, amplitude, significance, "xy"[axis], _dye_of(main)), sure, wave


def _running_median(v: Floats, k: int) -> Floats:
    """Median over ``k`` neighbours; the ends repeat."""
    padded = np.pad(v, k // 2, mode="reflect") if len(v) > k // 2 else np.pad(v, k // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, k), axis=1))


def _halves_agree(extra: Any, weight: Any, q: float, across: int, base: float, channel: int) -> bool:
    """Whether the lines run through both halves of the piece with one phase and like depth."""
    half = extra.shape[across] // 2
    pair = []
    for part in (slice(0, half), slice(half, None)):
        cut = (slice(None), part) if across == 1 else (part, slice(None))
        p, n = _profile(extra[cut], weight[cut], across)
        if n.sum() <= 0:
            return False
        pair.append(_waves(p, np.minimum(n, np.percentile(n, 90)), q, np.array([base]))[0, channel])
    a, b = pair
    big = max(abs(a), abs(b), 1e-12)
    return bool(np.real(a * np.conj(b)) > 0.3 * big * big)


def _dye_of(density: Floats) -> str:
    """Name the dye whose lines show this density in red, green and blue."""
    d = density * np.sign(density[int(np.argmax(np.abs(density)))])
    if d.min() > 0.6 * d.max():
        return "black"
    return INKS[int(np.argmax(d))]
