"""What lamps and displays leave in the light, not in the print: bands of flicker, and a display's pixels."""

from __future__ import annotations

import numpy as np

from ..ground.geometry import mm_to_px
from ..ground.limits import Limits
from ..ground.records import Floats, Pose, Reason, Step
from ..ground.residue import Residue
from .finedetail import fine_residual
from .verdict import compared

_BANDS = (1.5, 16.0)  # in a frame: its roll takes 10 to 40 ms, lamps flicker 100 to 480 times a second (estimates)
_LEAST_ON_PIECE = 2.5  # fewer are a gradual change, which the light follows, or a pale middle between pale sides
_FEW = 200  # blocks
_STRIPS = 3  # the piece is taken in so many, side by side: bands run through all of them
_EXPLAINED = 0.5  # of the mean profile's variance
_FEW_PIXELS = 5000
_STRONG = 0.5  # of the logarithm: spots and edges, not pixels
_SLOWEST = 12.0  # mm: longer waves are no pixels, nor what a camera makes of them
_STANDS_OUT = 12.0  # times the median; the highest of a million of noise alone is under 6
_ONE_ORDER = 2.0  # times the others: a camera sees some of every colour
_FAINT = 0.02  # of the light: not worth a line
_ALIKE = 0.5  # how far a strip's wave may lie from the common one, share of it


def light_bands(res: Residue, pose: Pose, limits: Limits) -> list[Reason]:
    """Find bands that run along the rows or columns of the first photo.

    Parameters
    ----------
    res : Residue
    pose : Pose
        Where the piece lies in that photo.
    limits : Limits

    Returns
    -------
    list of Reason
        What of the bands is left after the light was taken out, half the height of the wave in light, held against
        ``photo.bands``; none where no wave is.

    Notes
    -----
    A wave of light changes all channels alike and goes through the whole piece in step. Waves of every length that a
    rolling shutter makes are fitted to the means of rows; the best must explain most of them, and lie alike in each of
    three strips side by side, as no spot or edge does.
    """
    ok = np.isfinite(res.left[0]).all(axis=2) & np.isfinite(res.var[0]).all(axis=2) & res.inside
    if ok.sum() < _FEW:
        return []
    left = res.left[0][ok].mean(axis=1)
    weight = 1.0 / (res.var[0][ok].mean(axis=1) + 1e-4)
    limit = float(np.median(np.abs(left))) * 6 + 1e-3
    weight = np.where(np.abs(left) < limit, weight, 0.0)
    frame = mm_to_px(pose, res.places()[ok]) / (2 * np.array(pose.centre_px))  # 0 to 1 over the frame
    best, at = 0.0, 0
    for axis in (0, 1):
        found = _wave(frame[:, axis], frame[:, 1 - axis], left, weight)
        if found > best:
            best, at = found, axis
    if not best:
        return []
    along = "columns" if at == 0 else "rows"
    return [compared("light-bands", best, limits.photo.bands, 0.0, Step.PHOTO, detail={"along": along})]


def _wave(place: Floats, across: Floats, left: Floats, weight: Floats) -> float:
    """Half height of the wave of ``left`` along ``place`` (share of the frame); 0 where there is none."""
    span = float(np.ptp(place))
    lowest = max(_BANDS[0], _LEAST_ON_PIECE / span)
    waves = np.arange(lowest, _BANDS[1], 0.15 / span)
    if not len(waves):
        return 0.0
    count = max(24, round(4 * _BANDS[1] * span))
    row = np.clip(((place - place.min()) / span * count).astype(int), 0, count - 1)
    total = np.bincount(row, weight, count)
    seen = total > 0.1 * total.max()
    mean = (np.bincount(row, weight * left, count) / np.maximum(total, 1e-9))[seen]
    middle = (np.bincount(row, weight * place, count) / np.maximum(total, 1e-9))[seen]
    slow = np.stack([np.ones_like(middle), middle, middle**2], axis=1)
    rest = mean - slow @ np.linalg.lstsq(slow, mean, rcond=None)[0]
    gains = []
    for f in waves:
        design = np.column_stack([slow, np.cos(2 * np.pi * f * middle), np.sin(2 * np.pi * f * middle)])
        over = mean - design @ np.linalg.lstsq(design, mean, rcond=None)[0]
        gains.append(1 - float((over**2).sum() / max((rest**2).sum(), 1e-12)))
    f = float(waves[int(np.argmax(gains))])
    if max(gains) < _EXPLAINED:
        return 0.0
    edges = np.quantile(across, np.linspace(0, 1, _STRIPS + 1))
    strip = np.clip(np.searchsorted(edges, across, side="right") - 1, 0, _STRIPS - 1)
    own = []
    root = np.sqrt(weight)
    base = np.stack([np.ones_like(place), place, place**2], axis=1)
    design = np.column_stack([base, np.cos(2 * np.pi * f * place), np.sin(2 * np.pi * f * place)])
    for k in range(_STRIPS):
        s = strip == k
        fit = np.linalg.lstsq(design[s] * root[s, None], left[s] * root[s], rcond=None)[0]
        own.append(complex(fit[3], fit[4]))
    common = complex(np.mean(own))
    return abs(common) if all(abs(w - common) < _ALIKE * abs(common) for w in own) else 0.0


def display_pixels(res: Residue, limits: Limits) -> list[Reason]:
    """Find the pixels of a display that show through a piece: one wave of red, green and blue, each a third behind.

    Parameters
    ----------
    res : Residue
    limits : Limits

    Returns
    -------
    list of Reason
        Half the height of the wave in light, held against ``photo.pixels``; none from the front, or where no such wave
        stands out.

    Notes
    -----
    Of the spectra R, G, B of what is left at fine resolution, R + G·e^{±2πi/3} + B·e^{±4πi/3} holds stripes that follow
    one another in one order, the other sign those in the other, and R + G + B what all channels share, such as edges
    that lie off. Stripes have one of the three; edges that a lens colours have both orders alike.
    """
    if res.lit == "front":
        return []
    fine = fine_residual(res)
    known = fine.ok & (np.abs(fine.left).max(axis=2) < _STRONG)
    if known.sum() < _FEW_PIXELS:
        return []
    taper = np.outer(np.hanning(known.shape[0]), np.hanning(known.shape[1])) * known
    spectra = [np.fft.rfft2((fine.left[..., c] - fine.left[..., c][known].mean()) * taper) for c in range(3)]
    third = np.exp(2j * np.pi * np.arange(3) / 3)
    parts = [np.abs(np.tensordot(turn, spectra, axes=1)) for turn in (third, third.conj(), np.ones(3))]
    slow = _SLOWEST * fine.g  # pixels a wave
    fx, fy = np.meshgrid(np.fft.rfftfreq(known.shape[1]), np.fft.fftfreq(known.shape[0]))
    fast = np.hypot(fx, fy) > 1 / slow
    one, other = (np.where(fast, p, 0.0) for p in parts[:2])
    first, second, shared = (one, other, parts[2]) if one.max() > other.max() else (other, one, parts[2])
    at = np.unravel_index(int(np.argmax(first)), first.shape)
    clear = first[at] > _STANDS_OUT * np.median(first[fast])
    if not clear or first[at] < _ONE_ORDER * max(float(second[at]), float(shared[at])):
        return []
    height = 2 * float(first[at]) / 3 / float(taper.sum())
    if height < _FAINT:
        return []
    return [compared("display-pixels", height, limits.photo.pixels, 0.0, Step.PHOTO)]
