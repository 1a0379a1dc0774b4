"""Light must add: photos under lamp A, under lamp B and under both show whether a camera is as linear as it claims.

With camera, exposure and scene left alone, the linear signal of every place under both lamps is the sum of those under
each; stray light of the lens adds as well. What breaks this is the camera's own doing, each in its own way: a tone
curve other than the one assumed goes with the tone and with how alike the two lights are at a place, local tone
mapping with the brightness of the surroundings, an exposure not held and other light in the room with neither, and
a lamp that flickers leaves bands along the rows of a rolling shutter. Linearity by superposed light needs no
known reflectances: C. L. Sanders, *J. Res. NBS* 76A(5), 437–453 (1972) (from memory), the double-aperture method.

The tone curve is that of `camera.linearise`: Legendre terms of the logarithm of its slope over the encoded scale.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from ..ground.cielab import linear_to_srgb, srgb_to_linear, xyz_to_lab
from ..ground.records import Floats, LinearImage, Mask
from ..ground.robust import tukey_weights
from .camera import linearise

REACHES = (0.045, 0.065, 0.085, 0.115, 0.15)  # blur as a share of the photo's longer side, as in `toneguard`
_SIDE = 120  # blocks along the longer side: within a cell of a target
_DIM = 0.02  # of full scale: what cameras add to the brightness around before they divide by it; estimate
_JOINED = 3  # of them along a side make a place, where they are of one tone
_MOST = 1000  # blocks that are used
_DARKEST = 0.012  # of full scale; below it codes are too coarse and stray light of the lens rules
_TONES = 4
_TONE_PRIOR = 0.3
_LOCAL_PRIOR = 0.3
_LEVEL_PRIOR = 0.5
_EVEN = 0.05  # relative spread within a block, noise and all; more is an edge
_FEWEST = 120  # blocks that can tell
_REGIONS = 3  # leaving out one of 3 × 3 parts of the frame in turn says how well the answer is known
_NOISE = 0.0025  # of a block, relative: no fit is believed to better than this
_CODES = np.linspace(0.0, 1.0, 513)
_LINEAR = srgb_to_linear(_CODES)
_BRIGHTER = 1.02
_ROUGHLY = 0.25  # logarithm: a sum under a curve as wrong as any is nearer than the wrong sum of two alike
_TRIED = np.geomspace(0.02, 0.8, 25)  # tones relative to a bright place at which the curve's error is looked at


@dataclass(frozen=True, slots=True, eq=False)
class AddedLight:
    """What three photos tell of the camera and the lamps.

    Attributes
    ----------
    tone : (4,)
        Terms of the tone curve that makes the light add, for `camera.linearise`.
    tone_l, tone_l_std : float
        Largest error of lightness L* from 2 to 80 % of a bright place that the assumed curve makes, and its error.
    exponent_std : float
        Error of the exponent of the curve after ``tone`` was taken out.
    local, local_std : float
        Exponent of local tone mapping (0: none), and its error.
    level_a, level_b, level_std : float
        Exposure or light of the photo with one lamp alone against that lamp's part in the photo with both, less 1.
    bands, bands_std : float
        Relative amplitude of bands along rows or columns, and what chance gives.
    blocks : int
        How many places told.
    causes : tuple of str
        What the photos are best explained by: none, or some of 'tone', 'local-tone', 'level'.
    """

    tone: Floats
    tone_l: float
    tone_l_std: float
    exponent_std: float
    local: float
    local_std: float
    level_a: float
    level_b: float
    level_std: float
    bands: float
    bands_std: float
    blocks: int
    causes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Blocks:
    """Signals (n, 3) of green in the photos A, B, both; ``codes`` the same encoded, ``brighter`` (n,) of both.

    A curve is the same in all channels; a JPEG keeps red and blue of even places in steps of a per cent.

    ``near`` (n, 3, reach) is the logarithm of the surroundings.
    """

    seen: Floats
    codes: Floats
    brighter: Floats
    near: Floats
    row: Any
    col: Any
    region: Any
    evened: bool


def reduced(image: LinearImage, side: int = _SIDE) -> tuple[Floats, Mask]:
    """Mean signal of blocks (r, c, 3), and whether none of a block's pixels was clipped (r, c)."""
    tall, wide = image.rgb.shape[:2]
    factor = side / max(tall, wide)
    size = (max(4, round(wide * factor)), max(4, round(tall * factor)))
    small = cv2.resize(image.rgb, size, interpolation=cv2.INTER_AREA)
    spoiled = cv2.resize((image.clipped > 0).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return small.astype(float), spoiled < 0.005


def _rough(image: LinearImage, shape: tuple[int, ...]) -> Floats:
    """Relative spread of the pixels within each block, (r, c): a camera moved by a pixel changes rough ones."""
    grey = image.rgb.mean(axis=2)
    size = (shape[1], shape[0])
    mean = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    square = cv2.resize(grey * grey, size, interpolation=cv2.INTER_AREA)
    return np.asarray(np.sqrt(np.maximum(square - mean**2, 0)) / np.maximum(mean, 1e-4), float)


def _surroundings(grey: Any, strength: float) -> Floats:
    """Logarithm of the brightness around every block before the camera evened it by ``strength``, (r, c, reach)."""
    out = []
    for reach in REACHES:
        broad = grey
        for _ in range(1 if strength == 0 else 4):
            broad = cv2.GaussianBlur(broad, (0, 0), reach * max(grey.shape)) + _DIM
            broad = broad if strength == 0 else broad / np.median(broad)
            around, broad = broad, grey * broad ** np.float32(strength)
        out.append(np.log(around))
    return np.stack(out, axis=2).astype(float)


def _blocks(photos: tuple[LinearImage, LinearImage, LinearImage], strength: float = 0.0) -> _Blocks:
    small, clear = zip(*[reduced(p) for p in photos], strict=True)
    stack = np.stack(small, axis=2)
    usable = np.asarray(np.logical_and.reduce(clear)) & (stack.min(axis=(2, 3)) > _DARKEST)
    usable &= _rough(photos[2], usable.shape) < _EVEN
    near = [_surroundings(k.mean(axis=2).astype(np.float32), strength) for k in small]
    # three by three neighbours of one tone are one place: its noise is a third
    tall, wide = (k // _JOINED * _JOINED for k in usable.shape)

    def parts(v: Any) -> Any:
        v = v[:tall, :wide].reshape(tall // _JOINED, _JOINED, wide // _JOINED, _JOINED, -1)
        return v.swapaxes(1, 2).reshape(tall // _JOINED, wide // _JOINED, _JOINED**2, -1)

    level: Any = np.where(parts(usable), np.log(np.maximum(parts(stack[:, :, 2].mean(axis=2)), 1e-5)), np.nan)[..., 0]
    known: Any = np.isfinite(level)
    some: Any = known.any(axis=2)
    middle: Any = np.nanmedian(np.where(some[..., None], level, 0.0), axis=2)
    alike: Any = known & (np.abs(level - middle[..., None]) < _EVEN)
    count = alike.sum(axis=2)

    def joined(v: Floats) -> Floats:
        sums = np.where(alike[..., None], parts(v), 0.0).sum(axis=2) / np.maximum(count, 1)[..., None]
        return np.asarray(sums.reshape(*count.shape, *v.shape[2:]))

    row, col = np.nonzero(count >= _JOINED)
    thin = np.linspace(0, len(row) - 1, min(len(row), _MOST)).astype(int)
    row, col = row[thin], col[thin]
    region = (row * _REGIONS // count.shape[0]) * _REGIONS + col * _REGIONS // count.shape[1]
    seen, around = joined(stack)[row, col, :, 1], joined(np.stack(near, axis=2).astype(float))[row, col]
    codes, brighter = linear_to_srgb(seen), linear_to_srgb(_BRIGHTER * seen[:, 2])
    return _Blocks(seen, codes, brighter, around, row, col, region, strength > 0)


def _misfit(p: Floats, b: _Blocks, reach: int, use: Mask) -> Floats:
    """Logarithm of the signal under both lamps over that which the sum would give, (n,)."""
    table = linearise(_LINEAR, p[:_TONES])
    light = np.interp(b.codes[use], _CODES, table)
    # on the scale of the photo: a curve that flattens everything would else make every misfit small
    brighter = np.interp(b.brighter[use], _CODES, table)
    steep = np.log(brighter / np.maximum(light[:, 2], 1e-6)) / np.log(_BRIGHTER)
    light = light * np.exp(p[_TONES] * b.near[use][:, :, reach])
    a, second, both = np.maximum(light, 1e-5).T
    sums = a * np.exp(p[_TONES + 1]) + second * np.exp(p[_TONES + 2])
    return np.asarray((np.log(both) - np.log(sums)) / np.maximum(steep, 0.1))


_PRIOR = np.array([_TONE_PRIOR] * _TONES + [_LOCAL_PRIOR] + [_LEVEL_PRIOR] * 2)
_HELD_STD = 0.003  # of light and exposure that were left alone
_TONE, _LOCAL, _LEVEL = (np.isin(np.arange(_TONES + 3), k) for k in (range(_TONES), _TONES, (_TONES + 1, _TONES + 2)))

# what may have happened, the simplest first: nothing, each cause alone, a curve as well; local tone shifts levels too
_CAUSES = (np.zeros(_TONES + 3, bool), _TONE, _LEVEL, _TONE | _LEVEL, _LOCAL | _LEVEL, _TONE | _LOCAL | _LEVEL)
_RARE = 2 * np.log(20.0)  # a set-up has any one of them once in twenty times; estimate
_ALIKE = 6.0  # neighbouring blocks that err together and count as one; estimate


def _fit(
    b: _Blocks, reach: int, use: Mask, free: Mask, start: Floats | None = None, rounds: int = 8
) -> tuple[Floats, float]:
    """Parameters (7,) of which only some are free, and the misfit: robust Gauss–Newton with numeric slopes."""
    prior = np.where(free, _PRIOR, 1e-9)
    prior[_LEVEL] = np.where(free[_LEVEL], _LEVEL_PRIOR, _HELD_STD)
    open_ = np.nonzero(prior > 1e-6)[0]
    p = np.zeros(len(prior)) if start is None else start.copy()
    r = _misfit(p, b, reach, use)
    for _ in range(rounds):
        w = _weights(r)
        jac = np.stack([(_misfit(p + d, b, reach, use) - r) / 1e-4 for d in np.eye(len(p))[open_] * 1e-4], 1)
        lhs = (jac * w[:, None]).T @ jac + np.diag(prior[open_] ** -2)
        move = np.linalg.solve(lhs, -(jac.T @ (w * r)) - p[open_] / prior[open_] ** 2)
        cost = (w * r**2).sum() + ((p[open_] / prior[open_]) ** 2).sum()
        for shorter in (1.0, 0.4, 0.1):
            tried = p.copy()
            tried[open_] += shorter * move
            new = _misfit(tried, b, reach, use)
            if (w * new**2).sum() + ((tried[open_] / prior[open_]) ** 2).sum() <= cost:
                p, r = tried, new
                break
        else:
            break
        if np.abs(move).max() < 3e-4:
            break
    far = np.minimum(np.abs(r), 3.0 * max(1.4826 * float(np.median(np.abs(r))), _NOISE))
    return p, float(np.mean(far**2))


def _weights(r: Floats) -> Floats:
    scale = max(1.4826 * float(np.median(np.abs(r))), _NOISE)
    return np.asarray(tukey_weights(r, scale) / scale**2)


def _lightness(y: Floats) -> Floats:
    return np.asarray(xyz_to_lab(np.repeat(y[:, None], 3, axis=1), white=np.ones(3))[:, 0])


def _curve_error(tone: Floats, top: float) -> Floats:
    """Error of lightness, L*, at `_TRIED` times a bright signal ``top`` when the assumed curve is believed."""
    true = linearise(_TRIED * top, tone) / linearise(np.array([top]), tone)
    return np.asarray(_lightness(_TRIED) - _lightness(true))


def _exponent(tone: Floats, top: float) -> float:
    dark, bright = linearise(np.array([0.05, 0.8]) * top, tone)
    return float(np.log(bright / dark) / np.log(16.0))


def _bands(left: Floats, b: _Blocks) -> tuple[float, float]:
    """Amplitude of what is alike along rows, or along columns, and what chance gives."""
    found = []
    for at in (b.row, b.col):
        number = np.bincount(at)
        sums = np.bincount(at, left)
        full = number >= 8
        profile = sums[full] / number[full]
        if len(profile) < 12:
            continue
        # a slope or a bow is no band
        place = np.linspace(-1, 1, len(profile))
        profile = profile - np.polyval(np.polyfit(place, profile, 2), place)
        rest = left - (sums / np.maximum(number, 1))[at]
        chance = float(np.std(rest)) / np.sqrt(float(np.median(number[full])))
        found.append((float(np.std(profile)) * np.sqrt(2), chance))
    return max(found, default=(0.0, np.inf))


def judge_added_light(lamp_a: LinearImage, lamp_b: LinearImage, both: LinearImage) -> AddedLight | None:
    """Compare the photo under both lamps with the sum of the others.

    Parameters
    ----------
    lamp_a, lamp_b, both : LinearImage
        Of the same size, nothing moved between them.

    Returns
    -------
    AddedLight or None
        None where too few places are neither clipped nor dark in all three.
    """
    b = _blocks((lamp_a, lamp_b, both))
    n = len(b.row)
    if n < _FEWEST:
        return None
    everywhere = np.ones(n, bool)
    likely = max((_fit(b, k, everywhere, _LOCAL | _LEVEL) for k in range(len(REACHES))), key=lambda f: -f[1])[0][_TONES]
    if likely > _DIM:  # what surrounded a place is seen evened already: take that into account
        b = _blocks((lamp_a, lamp_b, both), likely / (1 + likely))
    reach = int(np.argmin([_fit(b, k, everywhere, _LOCAL | _LEVEL)[1] for k in range(len(REACHES))]))
    few = n / _ALIKE
    # a curve and another exposure together look much like local brightening; where the camera says that it kept the
    # exposure, that pair is none of the causes
    likely_causes = [c for c in _CAUSES if not (exposure_held(lamp_a, lamp_b, both) and c is _CAUSES[3])]

    def criterion(free: Mask) -> float:
        """Bayesian information criterion: G. Schwarz, Ann. Stat. 6(2), 461–464 (1978)."""
        p, misfit = _fit(b, reach, everywhere, free)
        # how far light that was left alone had to be bent all the same
        strained = 0.0 if free[_LEVEL].any() else float(((p[_LEVEL] / _HELD_STD) ** 2).sum())
        causes = int(free[_TONE].any()) + int(free[_LOCAL | _LEVEL].any())
        return float(few * np.log(misfit + _NOISE**2) + free.sum() * np.log(few) + causes * _RARE + strained)

    return _told(b, reach, min(likely_causes, key=criterion))


def _told(b: _Blocks, reach: int, chosen: Mask) -> AddedLight:
    """Figures of the chosen cause; those of the others from a fit in which they are free as well."""
    everywhere = np.ones(len(b.row), bool)
    parts = [k for k in np.unique(b.region) if (b.region == k).sum() < len(b.row) / 2]
    scale = np.sqrt((len(parts) - 1) / len(parts))

    def around(free: Mask) -> tuple[Floats, Floats]:
        """Fit, and fits without one part of the frame after another: errors of neighbours go together, so no √n."""
        p, _ = _fit(b, reach, everywhere, free)
        return p, np.array([_fit(b, reach, b.region != k, free, p, rounds=1)[0] for k in parts])

    def spread(values: Floats) -> Floats:
        return np.asarray(scale * np.sqrt(((values - values.mean(axis=0)) ** 2).sum(axis=0)))

    (tone, tones), (local, locals_), (level, levels) = (around(chosen | own) for own in (_TONE, _LOCAL, _LEVEL))
    top = float(np.percentile(b.seen[:, 2], 98))
    off = _curve_error(tone[:_TONES], top)
    worst = int(np.abs(off).argmax())
    bands, chance = _bands(_misfit(level, b, reach, everywhere), b)
    return AddedLight(
        tone=tone[:_TONES],
        tone_l=float(np.abs(off[worst])),
        tone_l_std=float(spread(np.array([_curve_error(q[:_TONES], top)[worst] for q in tones]))),
        exponent_std=float(spread(np.array([_exponent(q[:_TONES], top) for q in tones]))),
        local=float(local[_TONES] if b.evened else local[_TONES] / (1 + max(local[_TONES], -0.5))),
        local_std=float(spread(locals_)[_TONES]),
        level_a=float(np.expm1(-level[_TONES + 1])),
        level_b=float(np.expm1(-level[_TONES + 2])),
        level_std=float(spread(levels)[_TONES + 1 :].max()),
        bands=bands,
        bands_std=chance,
        blocks=len(b.row),
        causes=tuple(
            name
            for name, own in zip(("tone", "local-tone", "level"), (_TONE, _LOCAL, _LEVEL), strict=True)
            if (chosen & own).any()
        ),
    )


def exposure_held(*photos: LinearImage) -> bool:
    """Whether all photos say how they were exposed, and say the same."""
    told = [tuple(p.exposure.get(k) for k in ("exposure_time", "f_number", "iso")) for p in photos]
    return all(None not in t for t in told) and len(set(told)) == 1


def same_view(one: LinearImage, other: LinearImage) -> bool:
    """Whether two photos show the same edges at the same places, whatever the light."""
    edges = []
    for image in (one, other):
        small, _ = reduced(image, 4 * _SIDE)
        log = np.log(np.maximum(small.mean(axis=2), 2e-3)).astype(np.float32)
        edges.append(log - cv2.GaussianBlur(log, (0, 0), 3.0))
    a, b = (e.ravel() - e.mean() for e in edges)
    return bool(a @ b > 0.6 * np.sqrt((a @ a) * (b @ b)))


def same_light(one: LinearImage, other: LinearImage) -> bool:
    """Whether two photos differ by no more than one factor: two lamps at two places cannot do that."""
    (x, ok), (y, fine) = reduced(one), reduced(other)
    use = ok & fine & (x.min(axis=2) > _DARKEST) & (y.min(axis=2) > _DARKEST)
    if use.sum() < _FEWEST:
        return False
    ratio = np.log(x[use].mean(axis=1) / y[use].mean(axis=1))
    low, high = np.percentile(ratio, [10, 90])
    return bool(high - low < 0.02)


def lit_by_both(a: LinearImage, b: LinearImage, both: LinearImage) -> LinearImage | None:
    """Which of three photos is the sum of the others, roughly, whatever it was given as; None if none clearly is."""
    (x, _), (y, _), (z, _) = (reduced(k) for k in (a, b, both))
    signals = [np.maximum(v.mean(axis=2), 1e-4) for v in (x, y, z)]
    bright = np.asarray(np.minimum.reduce(signals)) > _DARKEST
    off = []
    for k in range(3):
        rest = sum(signals[j] for j in range(3) if j != k)
        off.append(float(np.median(np.abs(np.log(signals[k] / rest))[bright])) if bright.any() else np.inf)
    best = int(np.argmin(off))
    return (a, b, both)[best] if off[best] < _ROUGHLY else None


__all__ = ["AddedLight", "judge_added_light", "lit_by_both", "reduced", "same_light", "same_view"]
