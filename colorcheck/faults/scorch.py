"""Yellowed coat: where the press was too hot or closed too long.

A lamp of another colour tints a photo too, but slowly over the sheet; yellowing comes in clouds and along
sides, and takes blue away while red is left nearly alone. So soft clouds of many places and sizes are held
against the colour of bare coat and grey field beside everything else that may tint them (a matched filter:
Turin, IRE Trans. Inf. Theory 6(3) 311–329, 1960), and bare coat and field must each bear the cloud out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.grid import Array, block_means, smallest_channel
from ..ground.places import where_in_words
from ..ground.records import Finding, Floats, Kind, Mask, Shape, Yellowing
from ..ground.relative import relative_lab
from ..ground.residue import Residue
from ..ground.robust import mad_std, polynomial_terms, tukey_weights
from .finedetail import FineDetail
from .lack import confidence

_LEAST_B = 2.0  # yellowing of bare coat runs from b* +2 (common practice, no source)
_SIGNIFICANT = 5.0  # standard errors, of the best among some thousand clouds
_USUAL = 3.0  # the most bluish cloud of a good sheet, standard errors (measured 1–3)
_WITNESS = 1.0  # standard errors that bare coat and field must show each, and at least a third of the joint strength
_RED_RISE = 0.25  # yellowing takes green down too: rise of R/G per fall of B/G
_SHARES = (_RED_RISE, -1.0)  # what yellowing does to R/G and B/G
_CLOUDS_MM = (18.0, 28.0, 45.0, 70.0)  # full width at half height
_SIDES_MM = (24.0, 36.0, 52.0, 72.0)  # twice the reach into the sheet
_WIDEST = 0.7, 0.5  # of cloud and side in the sheet's shorter side or depth; wider, they are a slope like a lamp's
_SEEN = 0.25  # least height of a cloud at the bare place nearest to its middle

# how far things may tint a place, as shares of R/G and B/G (standard deviations)
_LAMP_SLOPE = 0.1  # over half the sheet: left nearly free, a lamp of another colour may stand anywhere
_LAMP_BEND = 0.045  # of a lamp whose height over the table is half the sheet (estimate); goes with the square
_LAMP_BEND_SHARE = 0.5  # of the slope that is found, for that same lamp
_LAMP_MM = 350.0  # height of a low lamp
_BESIDE = 0.1  # per unit of colour printed near by
_PRESSED = 0.4  # of the field, per unit of log green: dyes answer to poor pressing at different rates
_NOISE = (0.003, 0.004)  # least of bare coat and field
_CROWD = (1.5, 3.0)  # neighbouring places share errors: variances count so many times (estimates)


_RIM_MM = 1.5  # nearer to the outline coat is not judged
_BARE = 0.6  # coat with less ink than this reflects so much in every channel
_CALM = 0.3  # natural density per mm; where it is steeper lie edges, whose colour a lens spreads
_COAT_MM, _PRINT_MM = 4.0, 8.0  # squares in which bare coat and print are averaged
_FILLED_MM2 = 2.0  # of a square at least
_FEW = 4  # places


class Outlined(Protocol):
    """What has a size and an outline: a target, or what was seen of a piece."""

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height."""

    @property
    def shape(self) -> Shape:
        """Rectangle or round."""


@dataclass(frozen=True, slots=True, eq=False)
class _Places:
    """Bare coat (else field) at ``xy`` (n, 2) mm with what may tint it.

    ``colour`` (n, 2) is R/G and B/G over its median on coat and field, less one, with the lamps' colour in it;
    ``around`` (n, 4) the colour printed near by, ``green`` (n,) the field's log green over its median.
    """

    xy: Floats
    bare: Mask
    colour: Floats
    around: Floats
    green: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """One channel ratio with what tints it slowly fitted and taken out, by generalised least squares.

    ``share`` is what yellowing does to this ratio per blue lost; ``weight`` (n,) inverse variances; ``weighted``
    (n, k) the slow terms times them; ``inverse`` (k, k) of the normal matrix with its priors; ``slow`` (k,) the
    terms as fitted; ``left`` (n,) the rest.
    """

    share: float
    weight: Floats
    weighted: Floats
    inverse: Floats
    slow: Floats
    left: Floats

    def gain(self, shapes: Floats) -> Floats:
        """Projection of the rest on clouds (n, m): (m,)."""
        return np.asarray(self.share * (shapes.T @ (self.weight * self.left)))

    def gram(self, a: Floats, b: Floats) -> Floats:
        """Products of clouds (n, m) and (n, l), without what the slow terms share with them: (m, l)."""
        slow = (self.weighted.T @ a).T @ self.inverse @ (self.weighted.T @ b)
        return np.asarray(self.share**2 * ((self.weight[:, None] * a).T @ b - slow))

    def power(self, shapes: Floats) -> Floats:
        """Diagonal of `gram` for many clouds (n, m): (m,)."""
        cross = self.weighted.T @ shapes
        own = self.weight @ shapes**2 - np.einsum("km,km->m", cross, self.inverse @ cross)
        return np.asarray(self.share**2 * np.maximum(own, 1e-9))


@dataclass(frozen=True, slots=True, eq=False)
class _Cloud:
    """The likeliest cloud.

    ``lack`` share of blue lost where it is strongest on the piece, ``error`` its standard error, ``significance``
    in standard errors; ``shape`` (5,) as in `_clouds` and its ``height`` at that place; ``coat`` and ``field`` what
    each alone says of ``lack``, in sum ``borne_out`` or not; place, area in mm².
    """

    lack: float
    error: float
    significance: float
    coat: float
    field: float
    borne_out: bool
    shape: Floats
    height: float
    x_mm: float
    y_mm: float
    area_mm2: float


def find_scorch(fine: FineDetail, res: Residue, hidden: Array) -> tuple[Yellowing, Finding | None, Array]:
    """Look for yellowed coat in the first photo.

    Parameters
    ----------
    fine : FineDetail
    res : Residue
    hidden : (r, c)
        Blocks under a reflection.

    Returns
    -------
    Yellowing
        ``delta_b`` rise of b* in the middle of the strongest yellow cloud, NaN where bare coat or print cannot be seen,
        within ± ``u``; where the cloud is not borne out that is a third of ``delta_b`` or more.
    Finding or None
    (r, c, 3)
        What the finding takes off the logarithm of the signal, 0 where there is none.

    Notes
    -----
    A slope of blue over the whole piece is what a second lamp leaves as well, so yellowing that rises evenly
    from side to side, or covers the piece, is not seen in one photo.
    """
    places, nothing = _places(fine, res, hidden), np.zeros(res.rel.shape)
    if places is None:
        return Yellowing(float("nan"), float("nan")), None, nothing
    cloud = _strongest(res, places)
    if cloud is None:
        return Yellowing(0.0, _LEAST_B), None, nothing
    scale = _yellow(0.01)[2] / 0.01
    if not (cloud.borne_out and cloud.significance >= _SIGNIFICANT):
        # the best of so many clouds: what chance makes of them is taken off
        chance = max(0.0, 1 - (_USUAL / max(cloud.significance, 1e-9)) ** 2)
        rest = _yellow(max(min(cloud.lack, cloud.coat, cloud.field), 0.0) * chance)[2]
        return Yellowing(float(rest), float(max(cloud.error * scale, rest / 3))), None, nothing
    lab = _yellow(cloud.lack)
    told = Yellowing(float(lab[2]), float(max(cloud.error * scale, 0.1 * lab[2])))
    if told.delta_b < _LEAST_B:
        return told, None, nothing
    share = (cloud.lack / max(cloud.height, 1e-6)) * _shapes(cloud.shape[None, :], res.places().reshape(-1, 2))
    share = np.clip(share.reshape(res.inside.shape), 0.0, 0.95)
    green = -np.log1p(_RED_RISE * share)
    taken = np.stack([np.zeros_like(green), green, green + np.log(1 - share)], axis=2)
    found = Finding(
        kind=Kind.SCORCH,
        x_mm=cloud.x_mm,
        y_mm=cloud.y_mm,
        diameter_mm=float(min(np.sqrt(4 / np.pi * cloud.area_mm2), max(res.size_mm))),
        area_mm2=cloud.area_mm2,
        delta_e00=float(delta_e00(lab, np.array([100.0, 0.0, 0.0]))),
        delta_l=float(lab[0] - 100.0),
        confidence=confidence(cloud.significance),
        where=where_in_words(cloud.x_mm, cloud.y_mm, res.size_mm, res.shape),
        detail={
            "delta_b": round(told.delta_b, 2),
            "u": round(told.u, 2),
            "significance": round(cloud.significance, 1),
        },
    )
    return told, found, taken


def _yellow(lack: float) -> Floats:
    """CIELAB (3,) of coat that lost this share of its blue."""
    lack = min(lack, 0.95)
    return np.asarray(relative_lab(np.array([[1 + _RED_RISE * lack, 1.0, 1 - lack]]))[0])


# ---------------------------------------------------------------- what is looked at


def _places(fine: FineDetail, res: Residue, hidden: Array) -> _Places | None:
    """Bare coat and print in squares, each apart, light still in it; None when too little can be seen."""
    left, var = res.left[0], res.var[0]
    known = res.inside & np.isfinite(left).all(axis=2) & np.isfinite(var).all(axis=2) & ~hidden
    known &= res.reach() > _RIM_MM
    printed = known & (res.rel.min(axis=2) < _BARE)
    weight = np.where(printed, 1 / np.where(printed, var.sum(axis=2), 1.0), 0.0)
    if printed.any():
        weight = np.minimum(weight, 4 * np.median(weight[printed]))
    up: Any = cv2.resize(known.astype(np.uint8), fine.ok.shape[::-1], interpolation=cv2.INTER_NEAREST)
    coat = fine.ok & (up > 0) & (smallest_channel(res.fine_rel) > _BARE) & (fine.slope < _CALM)
    light = np.log(np.maximum(res.light[0], 1e-9))
    print_xy, seen_there = _averages(np.dstack([left + light, left[..., 1]]), weight, res.step_mm, _PRINT_MM)
    print_seen, green = seen_there[:, :3], seen_there[:, 3]
    coat_xy, coat_seen = _averages(fine.left, coat, 1 / fine.g, _COAT_MM)
    rows, cols = (np.clip((coat_xy[:, k] / res.step_mm).astype(int), 0, light.shape[1 - k] - 1) for k in (1, 0))
    xy, seen = (coat_xy, print_xy), (coat_seen + light[rows, cols], print_seen)
    ratio = [v[:, [0, 2]] - v[:, [1]] for v in seen]
    if min(len(v) for v in xy) < _FEW:
        return None
    # two lamps mixed in any shares make a straight line of these ratios, which their logarithms would bend
    colour = [np.exp(v) / np.median(np.exp(v), axis=0) - 1 for v in ratio]
    place = np.concatenate(xy)
    around = _around(res, place)
    level = np.concatenate([np.zeros(len(coat_xy)), green - np.median(green)])
    bare = np.arange(len(place)) < len(coat_xy)
    return _Places(place, bare, np.concatenate(colour), around - np.median(around, axis=0), level)


def _averages(value: Any, weight: Any, step_mm: float, side_mm: float) -> tuple[Floats, Floats]:
    """Weighted means of squares with enough in them: their middles in mm (n, 2), of ``value`` (n, c)."""
    side = max(1, round(side_mm / step_mm))
    w, counts = weight.astype(np.float32), weight > 0
    full = block_means(counts.astype(np.float32), side) * (side * step_mm) ** 2 > _FILLED_MM2
    total = np.maximum(block_means(w, side).astype(float)[full], 1e-12)[:, None]
    y, x = ((np.arange(n, dtype=np.float32) + np.float32(0.5)) * np.float32(step_mm) for n in w.shape)
    seen = cv2.copyTo(value.astype(np.float32, copy=False), counts.astype(np.uint8))
    planes = (cv2.merge((w * x, w * y[:, None])), cv2.multiply(seen, cv2.merge((w,) * value.shape[2])))
    places, means = (block_means(k, side).astype(float)[full] / total for k in planes)
    return places, means


def _around(res: Residue, xy: Floats) -> Floats:
    """Red and blue over green of the print around each place, near and wide, (n, 4).

    Thick glass spreads light sideways and a photo's file spreads colour (4:2:0): both tint a
    place by what is printed beside it.
    """
    out = []
    rows, cols = (np.clip((xy[:, k] / res.step_mm).astype(int), 0, res.inside.shape[1 - k] - 1) for k in (1, 0))
    rel = res.rel.astype(np.float32)
    for sigma in (2.5, 8.0):
        soft = cv2.GaussianBlur(rel, (0, 0), sigma / res.step_mm, borderType=cv2.BORDER_REFLECT)
        v = soft[rows, cols].astype(float)
        out += [v[:, 0] - v[:, 1], v[:, 2] - v[:, 1]]
    return np.stack(out, axis=1)


# ---------------------------------------------------------------- clouds


def _clouds(target: Outlined) -> Floats:
    """Clouds to try, (m, 5): middle x, y, width at half height in mm, and the unit vector inwards.

    The vector is that of a cloud along a side or a part of the rim; round clouds have (0, 0).
    """
    w, h = target.size_mm
    out: list[tuple[float, float, float, float, float]] = []
    for width in _CLOUDS_MM:
        if width > _WIDEST[0] * min(w, h):
            continue
        step = max(width / 3, 5.0)
        for x in np.arange(-0.15 * width, w + 0.15 * width + step / 2, step):
            for y in np.arange(-0.15 * width, h + 0.15 * width + step / 2, step):
                if target.shape == "rect" or np.hypot(x - w / 2, y - h / 2) <= w / 2 + 0.2 * width:
                    out.append((float(x), float(y), width, 0.0, 0.0))
    for turn in np.arange(4 if target.shape == "rect" else 12) * (np.pi / 2 if target.shape == "rect" else np.pi / 6):
        u, v = float(np.round(np.cos(turn), 12)), float(np.round(np.sin(turn), 12))
        deep = abs(u) * w + abs(v) * h if target.shape == "rect" else w
        out += [(w / 2 - u * deep / 2, h / 2 - v * deep / 2, f, u, v) for f in _SIDES_MM if f <= _WIDEST[1] * deep]
    return np.array(out).reshape(-1, 5)


def _shapes(clouds: Floats, xy: Floats) -> Floats:
    """Height of each cloud at each place, (n, m), 1 in its middle."""
    dx, dy = (xy[:, [k]] - clouds[None, :, k] for k in (0, 1))
    side = np.any(clouds[:, 3:] != 0, axis=1)
    away = np.where(side, (dx * clouds[:, 3] + dy * clouds[:, 4]) ** 2, dx**2 + dy**2)
    return np.asarray(np.exp(-4 * np.log(2) * away / clouds[None, :, 2] ** 2))


def _finer(cloud: Floats) -> Floats:
    """Clouds near one that was found, (m, 5)."""
    step = max(cloud[2] / 3, 5.0) / 3
    moves = (0,) if np.any(cloud[3:]) else (-2, -1, 0, 1, 2)
    return np.array(
        [
            (cloud[0] + i * step, cloud[1] + j * step, cloud[2] * f, *cloud[3:])
            for i in moves
            for j in moves
            for f in (0.7, 0.8, 0.9, 1.0, 1.12, 1.25, 1.4)
        ]
    )


# ---------------------------------------------------------------- the filter


def _slow_terms(target: Outlined, places: _Places) -> tuple[Floats, Floats, float]:
    """Everything else that may tint a place (n, k), its priors (k,), half the sheet over a low lamp's height.

    The first two terms are the levels of coat and field, the next five a lamp's slope and bend; priors are
    standard deviations.
    """
    half = max(target.size_mm) / 2
    unit = (places.xy - np.array(target.size_mm) / 2) / half
    part = np.stack([places.bare, ~places.bare], axis=1).astype(float)
    lamp = polynomial_terms(unit[:, 0], unit[:, 1], 2)[:, 1:]
    beside = np.concatenate([places.around * part[:, [k]] for k in (0, 1)], axis=1)
    terms = np.column_stack([part, lamp, beside, places.green])
    near = half / _LAMP_MM
    std = [1e3, 1e3, _LAMP_SLOPE, _LAMP_SLOPE, *3 * [_LAMP_BEND * near**2], *beside.shape[1] * [_BESIDE], _PRESSED]
    return terms, np.array(std), near


def _fit(terms: Floats, prior: Floats, weight: Floats, value: Floats, share: float) -> _Fit:
    """Fit the slow terms to one channel ratio (n,)."""
    weighted = terms * weight[:, None]
    inverse: Floats = np.asarray(np.linalg.inv(terms.T @ weighted + np.diag(prior**-2.0)), dtype=np.float64)
    slow = inverse @ (weighted.T @ value)
    return _Fit(share, weight, weighted, inverse, slow, value - terms @ slow)


def _learn(target: Outlined, places: _Places, shapes: Floats) -> tuple[_Fit, ...]:
    """Fit both channel ratios; what they leave beside the best cloud tells noise, wild places and a lamp's bend."""
    terms, prior, near = _slow_terms(target, places)
    priors = [prior, prior.copy()]
    bare = places.bare
    noise = np.array([[0.006, 0.006], [0.012, 0.012]])  # of coat and field, R/G and B/G
    trust = np.ones(len(bare))
    for turn in range(4):
        spread = np.where(bare[:, None], noise[0] ** 2 * _CROWD[0], noise[1] ** 2 * _CROWD[1])
        fits = [_fit(terms, priors[c], trust / spread[:, c], places.colour[:, c], _SHARES[c]) for c in (0, 1)]
        if turn == 3:
            break
        gain, power = _sum(fits, shapes)
        best = int(np.argmax(gain / np.sqrt(power)))
        off = np.zeros(len(bare))
        for c, fit in enumerate(fits):
            cloud = _SHARES[c] * gain[best] / power[best] * shapes[:, best]
            clean = _fit(terms, priors[c], fit.weight, places.colour[:, c] - cloud, _SHARES[c])
            slope = float(np.hypot(*clean.slow[2:4]))
            priors[c] = prior.copy()
            priors[c][4:7] = np.hypot(_LAMP_BEND * near**2, _LAMP_BEND_SHARE * near * slope)
            free = max(1 - 8 / bare.sum(), 0.35)  # about eight terms are fitted to few places of bare coat
            noise[0, c] = max(float(mad_std(clean.left[bare])) / np.sqrt(free), _NOISE[0])
            noise[1, c] = max(float(mad_std(clean.left[~bare])), _NOISE[1])
            off = np.maximum(off, np.abs(clean.left) / np.where(bare, noise[0, c], noise[1, c]))
        trust = np.maximum(tukey_weights(off, 1.0, 6.0), 1e-3)
    return tuple(fits)


def _sum(fits: Sequence[_Fit], shapes: Floats) -> tuple[Floats, Floats]:
    """Numerator and denominator of each cloud's strength over both channel ratios, (m,) each."""
    return np.asarray(sum(f.gain(shapes) for f in fits)), np.asarray(sum(f.power(shapes) for f in fits))


def _strongest(target: Outlined, places: _Places) -> _Cloud | None:
    """Find the yellow cloud that stands out most; None when no cloud touches bare coat."""
    bare = places.bare
    clouds, shapes = _touching(_clouds(target), places)
    if not len(clouds):
        return None
    fits = _learn(target, places, shapes)
    gain, power = _sum(fits, shapes)
    best = int(np.argmax(gain / np.sqrt(power)))
    # nothing turns coat bluer: a cloud as strong on that side says that the errors are too small
    gram = np.asarray(sum(f.gram(shapes[:, [best]], shapes)[0] for f in fits))
    less = gain - gain[best] / power[best] * gram
    less /= np.sqrt(np.maximum(power - gram**2 / power[best], 0.15 * power))
    strain = max(1.0, -float(less.min()) / _USUAL)
    clouds, shapes = _touching(np.concatenate([clouds[[best]], _finer(clouds[best])]), places)
    gain, power = _sum(fits, shapes)
    best = int(np.argmax(gain / np.sqrt(power)))
    lack, error = float(gain[best] / power[best]), float(power[best] ** -0.5) * strain
    # coat and field, each alone
    pair = shapes[:, [best]] * np.stack([bare, ~bare], axis=1)
    errors = np.linalg.inv(np.asarray(sum(f.gram(pair, pair) for f in fits)) + 1e-9 * np.eye(2))
    own = errors @ np.asarray(sum(f.gain(pair) for f in fits))
    x, y, height, area = _lies(target, clouds[best])
    return _Cloud(
        lack=lack * height,
        error=error * height,
        significance=lack / error,
        coat=float(own[0]) * height,
        field=float(own[1]) * height,
        shape=clouds[best],
        height=height,
        borne_out=bool(np.all(own >= np.maximum(_WITNESS * np.sqrt(np.diag(errors)), lack / 3))),
        x_mm=x,
        y_mm=y,
        area_mm2=area,
    )


def _touching(clouds: Floats, places: _Places) -> tuple[Floats, Floats]:
    """Keep the clouds that reach a place of bare coat: clouds (m, 5) and their shapes (n, m)."""
    shapes = _shapes(clouds, places.xy)
    seen = shapes[places.bare].max(axis=0) > _SEEN
    return clouds[seen], shapes[:, seen]


def _lies(target: Outlined, cloud: Floats) -> tuple[float, float, float, float]:
    """Where on the piece a cloud is to be looked for, its height where it is strongest there, its area in mm²."""
    w, h = target.size_mm
    x, y, width, u, v = (float(k) for k in cloud)
    if u or v:
        reach = width / 2
        # the chord that cuts a strip of this depth off a circle, or the whole side
        length = 2 * np.sqrt(reach * (w - reach)) if target.shape == "round" else abs(u) * h + abs(v) * w
        share = 2 / 3 if target.shape == "round" else 1.0  # a segment fills about two thirds of its box
        return x + u * reach / 2, y + v * reach / 2, 1.0, float(share * reach * length)
    if target.shape == "round":
        away = np.hypot(x - w / 2, y - h / 2)
        pull = min(1.0, (w / 2 - 2) / max(away, 1e-9))
        x, y = w / 2 + (x - w / 2) * pull, h / 2 + (y - h / 2) * pull
    x, y = float(np.clip(x, 0, w)), float(np.clip(y, 0, h))
    return x, y, float(_shapes(cloud[None, :], np.array([[x, y]]))[0, 0]), float(np.pi / 4 * width**2)
