"""Yellowed coat: where the press was too hot or closed too long.

A lamp of another colour tints a photo too, but slowly over the sheet; yellowing comes in clouds and along
sides, and takes blue away while red is left nearly alone. So soft clouds of many places and sizes are held
against the colour of bare coat and grey field beside everything else that may tint them (a matched filter:
Turin, IRE Trans. Inf. Theory 6(3) 311–329, 1960), and bare coat and field must each bear the cloud out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.places import where_in_words
from ..ground.records import CellKind, Cells, Finding, Floats, Kind, Light, Mask, Target
from ..ground.relative import relative_lab
from ..ground.robust import mad_std, polynomial_terms, tukey_weights
from ..sheet.sheetgrid import SheetGrid, quiet_zones, usable

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
    in standard errors; ``coat`` and ``field`` what each alone says of ``lack``, in sum ``borne_out`` or not; place,
    area in mm².
    """

    lack: float
    error: float
    significance: float
    coat: float
    field: float
    borne_out: bool
    x_mm: float
    y_mm: float
    area_mm2: float


def find_scorch(
    target: Target, sheet: SheetGrid, light: Light, field_rel: Floats, cells: Cells
) -> tuple[float, float, list[Finding]]:
    """Look for yellowed coat.

    Parameters
    ----------
    target, sheet, light, field_rel, cells
        As in `prints.check_print`; ``sheet`` from `sheetgrid.lay_out`.

    Returns
    -------
    delta_b : float
        Rise of b* in the middle of the strongest yellow cloud, NaN where coat or field cannot be seen.
    u : float
        Its uncertainty; where the cloud is not borne out it is a third of ``delta_b`` or more.
    findings : list of Finding
        One, or none.

    Notes
    -----
    A slope of blue over the whole sheet is what a second lamp leaves as well, so yellowing that rises evenly
    from side to side, or covers the sheet, is not seen in one photo.
    """
    places = _places(target, sheet, light, field_rel, cells)
    if places is None:
        return float("nan"), float("nan"), []
    cloud = _strongest(target, places)
    if cloud is None:
        return 0.0, _LEAST_B, []
    scale = _yellow(0.01)[2] / 0.01
    if not (cloud.borne_out and cloud.significance >= _SIGNIFICANT):
        # the best of so many clouds: what chance makes of them is taken off
        chance = max(0.0, 1 - (_USUAL / max(cloud.significance, 1e-9)) ** 2)
        rest = _yellow(max(min(cloud.lack, cloud.coat, cloud.field), 0.0) * chance)[2]
        return float(rest), float(max(cloud.error * scale, rest / 3)), []
    lab = _yellow(cloud.lack)
    top = float(lab[2])
    u = float(max(cloud.error * scale, 0.1 * top))
    if top < _LEAST_B:
        return top, u, []
    return (
        top,
        u,
        [
            Finding(
                kind=Kind.SCORCH,
                x_mm=cloud.x_mm,
                y_mm=cloud.y_mm,
                diameter_mm=float(min(np.sqrt(4 / np.pi * cloud.area_mm2), max(target.size_mm))),
                area_mm2=cloud.area_mm2,
                delta_e00=float(delta_e00(lab, np.array([100.0, 0.0, 0.0]))),
                delta_l=float(lab[0] - 100.0),
                confidence=float(np.clip(1 - (2 / cloud.significance) ** 2, 0.5, 0.98)),
                where=where_in_words(cloud.x_mm, cloud.y_mm, target.size_mm, target.shape),
                detail={"delta_b": round(top, 2), "u": round(u, 2)},
            )
        ],
    )


def _yellow(lack: float) -> Floats:
    """CIELAB (3,) of coat that lost this share of its blue."""
    lack = min(lack, 0.95)
    return np.asarray(relative_lab(np.array([[1 + _RED_RISE * lack, 1.0, 1 - lack]]))[0])


# ---------------------------------------------------------------- what is looked at


def _places(target: Target, sheet: SheetGrid, light: Light, field_rel: Floats, cells: Cells) -> _Places | None:
    """Bare coat in white cells and quiet zones, and the field in blocks; None when too little can be seen."""
    xy: list[Any] = []
    rgb: list[Any] = []
    for k in np.nonzero((target.kind == CellKind.WHITE) & usable(cells))[0]:
        xy.append(target.box_mm[k, :2] + target.box_mm[k, 2:] / 2)
        rgb.append(cells.rgb_rel[k] * light.e_cell[k])
    rows, cols = light.e_map.shape[:2]
    for x, y, bw, bh in quiet_zones(target):
        part = (
            slice(max(int(y * sheet.q), 0), int((y + bh) * sheet.q)),
            slice(max(int(x * sheet.q), 0), int((x + bw) * sheet.q)),
        )
        m = sheet.bare[part]
        if m.sum() < 80:
            continue
        place = np.array([x + bw / 2, y + bh / 2])
        r, c = (min(int(v / light.step_mm), n - 1) for v, n in zip(place[::-1], (rows, cols), strict=True))
        xy.append(place)
        rgb.append(np.median(sheet.rel[part][m], axis=0) * light.e_map[r, c])
    ok = np.isfinite(field_rel[..., 0]) & ~light.glare & (np.nan_to_num(field_rel).min(axis=2) > 0.01)
    step = max(1, round(0.8 * target.pitch_mm / light.step_mm))
    at, value = _block_medians(np.dstack([field_rel * light.e_map, field_rel[..., 1]]), ok, step, light.step_mm)
    if len(xy) < 4 or len(at) < 4:
        return None
    v = np.maximum(np.concatenate([np.array(rgb), value[:, :3]]), 1e-6)
    bare = np.arange(len(v)) < len(xy)
    # two lamps mixed in any shares make a straight line of these ratios, which their logarithms would bend
    colour = v[:, [0, 2]] / v[:, [1]]
    green = np.zeros(len(v))
    green[~bare] = np.log(np.maximum(value[:, 3], 1e-6))
    for on in (bare, ~bare):
        colour[on] = colour[on] / np.median(colour[on], axis=0) - 1
        green[on] -= np.median(green[on])
    place = np.concatenate([np.array(xy), at])
    around = _around(sheet, place)
    return _Places(place, bare, colour, around - np.median(around, axis=0), green)


def _block_medians(seen: Floats, ok: Mask, step: int, step_mm: float) -> tuple[Floats, Floats]:
    """Medians of square blocks with enough good places: middle of the good ones in mm (n, 2), value (n, c)."""
    rows, cols, planes = seen.shape
    tall, wide = -(-rows // step), -(-cols // step)
    v = np.full((tall * step, wide * step, planes), np.nan)
    v[:rows, :cols] = np.where(ok[..., None], seen, np.nan)
    blocks = v.reshape(tall, step, wide, step, planes).transpose(0, 2, 1, 3, 4)
    blocks = blocks.reshape(tall * wide, step * step, planes)
    good = np.isfinite(blocks[..., 0])
    n = good.sum(axis=1)
    held = np.minimum(step, rows - step * np.arange(tall))[:, None] * np.minimum(step, cols - step * np.arange(wide))
    use = n >= np.maximum(3, 0.25 * held.ravel())
    blocks, good, n = np.sort(blocks[use], axis=1), good[use], n[use]  # what is missing sorts to the end
    k = np.arange(len(n))
    middle = (blocks[k, (n - 1) // 2] + blocks[k, n // 2]) / 2
    inner = np.stack(np.meshgrid(np.arange(step), np.arange(step)), axis=-1).reshape(-1, 2) + 0.5
    at = (good[..., None] * inner).sum(axis=1) / np.maximum(n, 1)[:, None]
    row, col = np.divmod(np.nonzero(use)[0], wide)
    return (np.stack([col, row], axis=1) * step + at) * step_mm, middle


def _around(sheet: SheetGrid, xy: Floats) -> Floats:
    """Red and blue over green of the print around each place, near and wide, (n, 4).

    Thick glass spreads light sideways and a photo's file spreads colour (4:2:0): both tint a
    place by what is printed beside it.
    """
    h, w = sheet.valid.shape
    size = (max(1, round(w / sheet.q)), max(1, round(h / sheet.q)))
    coarse = cv2.resize(sheet.rel, size, interpolation=cv2.INTER_AREA)
    out = []
    for sigma in (2.5, 8.0):
        soft = cv2.GaussianBlur(coarse, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
        r = np.clip(xy[:, 1].astype(int), 0, soft.shape[0] - 1)
        c = np.clip(xy[:, 0].astype(int), 0, soft.shape[1] - 1)
        v = soft[r, c].astype(float)
        out += [v[:, 0] - v[:, 1], v[:, 2] - v[:, 1]]
    return np.stack(out, axis=1)


# ---------------------------------------------------------------- clouds


def _clouds(target: Target) -> Floats:
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
            for f in (0.8, 1.0, 1.25)
        ]
    )


# ---------------------------------------------------------------- the filter


def _slow_terms(target: Target, places: _Places) -> tuple[Floats, Floats, float]:
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


def _learn(target: Target, places: _Places, shapes: Floats) -> tuple[_Fit, ...]:
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


def _strongest(target: Target, places: _Places) -> _Cloud | None:
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


def _lies(target: Target, cloud: Floats) -> tuple[float, float, float, float]:
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
