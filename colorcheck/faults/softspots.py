"""Soft spots: matched filters over sizes, then a fit of place, size and height.

What passes is fitted again with every artwork colour free to err and the ground free to tilt, so
that a colour that the expectation gets wrong is never called a spot.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..ground.cielab import delta_e00
from ..ground.grid import Array, block_means
from ..ground.places import where_in_words
from ..ground.records import Finding, Kind
from ..ground.relative import relative_lab
from .lack import SIGNIFICANT, LackMap, bell_at, confidence, delta_l, lack_de, spot_u, visible_de

_SIGMAS_MM = (1.3, 1.8, 2.6, 3.7, 5.2, 7.3, 10.0, 14.0, 20.0, 28.0, 40.0)
_CALIBRATED_MM = 6.0
_FWHM = 2.3548
_MAD = 1.4826  # median absolute deviation → standard deviation of a normal distribution
_TAIL, _NORMAL_TAIL = 0.98, 2.0537  # share of places below, and where that lies in a normal distribution
_ANSWERS = (0.3, 2.5)  # bounds of what a colour shows of a missing share, against the others under a spot
_ANSWER_PULL = 4.0  # how firmly colours are held to show alike
_CORE = 0.5 ** (1 / 4)  # of its height a bell still has at half its radius: a quarter of the diameter from the middle
_CORE_MEAN = (1 - _CORE) / (np.log(2) / 4)  # mean of a bell over it
_FEW = 4  # blocks below which a mean says little
_RING = (1e-4, 0.05)  # heights of the bell between which the ground beside a spot is read
_ALIKE = 4.0  # neighbours err alike: variance of a mean counted as so many times that of independent blocks
_ONE = 0.85  # two overlapping spots are one if one explains so much of what both do


@dataclass(frozen=True, slots=True, eq=False)
class _Filter:
    """A matched filter for soft spots of ``s`` blocks over weights ``w`` (r, c): what of it no value can change.

    ``near`` and ``wide`` are the weights as blurred by the spot's size and three times that, ``noise`` that of the
    answer for independent blocks, ``weak`` where too little is known.
    """

    s: float
    w: Array
    near: Array
    wide: Array
    noise: Array
    weak: Array

    @classmethod
    def of(cls, w: Array, s: float) -> _Filter:
        """Prepare the filter."""
        wn, ww = _blurred(w, s), _blurred(w, 3.0 * s)
        of_mean = 1 / np.maximum(wn * 4 * np.pi * s * s, 1e-9) + 1 / np.maximum(ww * 36 * np.pi * s * s, 1e-9)
        weak = wn < 0.08 * float(np.median(wn[w > 0])) if (w > 0).any() else wn < 1
        noise = np.where(weak, 1.0, np.sqrt(of_mean) / 0.4)
        return cls(s, w, np.maximum(wn, 1e-9), np.maximum(ww, 1e-9), noise, weak)

    def amplitude(self, q: Array) -> Array:
        """Amplitude of ``q`` above its surroundings."""
        a = q * self.w
        amplitude = (_blurred(a, self.s) / self.near - _blurred(a, 3.0 * self.s) / self.wide) / 0.4
        return np.where(self.weak, 0.0, amplitude)


def _blurred(a: Array, sigma: float) -> Array:
    """Gaussian mean (r, c), nothing beyond the rim; made on a coarser grid when wide."""
    f, shape = 1, a.shape
    while sigma / f > 5 and min(shape) / f > 24:
        f *= 2
    if f > 1:
        a = block_means(a, f)
    up: Array = cv2.GaussianBlur(a, (0, 0), sigma / f, borderType=cv2.BORDER_CONSTANT)
    if f > 1:
        hw = (up.shape[1] * f, up.shape[0] * f)
        up = cv2.resize(up, hw, interpolation=cv2.INTER_LINEAR)[: shape[0], : shape[1]]
    return up


def _own_noise(z: Array) -> float:
    """Noise that the piece itself shows at one size, its tails counted.

    A fault is on one side, pale or dark; what both sides show is noise, with tails heavier than a normal's.
    """
    rank = np.sort(z).astype(float)
    low, middle, high = np.interp(np.array([1 - _TAIL, 0.5, _TAIL]) * (len(rank) - 1), np.arange(len(rank)), rank)
    return float(max(_MAD * np.median(np.abs(rank - middle)), min(middle - low, high - middle) / _NORMAL_TAIL))


@dataclass(frozen=True, slots=True, eq=False)
class _Spot:
    """A fitted spot: middle, half axes (standard deviations, mm), angle, height, and where that lies on the grid.

    ``bell`` (r, c) has height 1; ``answer`` (r, c) says how much more or less than usual each colour shows of the
    same missing share.
    """

    x: float
    y: float
    sx: float
    sy: float
    angle: float
    height: float
    bell: Array
    answer: Array

    @property
    def sigma(self) -> float:
        """Mean half axis."""
        return float(np.sqrt(self.sx * self.sy))

    @property
    def shown(self) -> Array:
        """What the spot adds to the map of missing dye (r, c)."""
        return np.asarray(np.float32(self.height) * (self.bell * self.answer).astype(np.float32))


def soft_spots(m: LackMap, colour: Array) -> tuple[list[Finding], list[str]]:
    """Find soft spots, and say which broad ones the light leaves in doubt."""
    unsure: list[str] = []
    ok = np.isfinite(m.q)
    if ok.sum() < 30:
        return [], unsure
    w = np.where(ok, 1 / m.var, 0.0).astype(np.float32)
    w = np.minimum(w, 4 * np.median(w[ok]))
    q = np.where(ok, m.q, 0.0).astype(np.float32)
    q -= np.float32(np.median(q[ok]))
    short = min(m.size_mm)
    filters = {s: _Filter.of(w, s / m.step) for s in _SIGMAS_MM if s >= 0.8 * m.step and s <= 0.27 * short}
    traits = _traits(m)
    floors: dict[float, float] = {}
    tried = np.zeros(ok.shape, np.float32)
    kept: list[tuple[_Spot, float, float]] = []
    for _ in range(25):
        best: tuple[float, int, int, float, float, float] | None = None
        for s, matched in filters.items():
            amp = matched.amplitude(q)
            z = amp / matched.noise
            # strong spots pass for noise until they are taken out
            floors[s] = max(min(_own_noise(z[ok]), floors.get(s, np.inf)), 1.0)
            own = floors[s]
            if s > _CALIBRATED_MM:
                small = [f for k, f in floors.items() if k <= _CALIBRATED_MM]
                own = min(max(small) * 1.3, max(own, float(np.median(small)))) if small else own
            z = np.where(ok & (tried < 0.5), z / own, 0.0)
            k = int(np.abs(z).argmax())
            r, c = divmod(k, z.shape[1])
            if abs(z[r, c]) > SIGNIFICANT and (best is None or abs(z[r, c]) > abs(best[0])):
                best = (float(z[r, c]), r, c, s, float(amp[r, c]), own)
        if best is None:
            break
        z0, r, c, s, amp0, own = best
        spot = _settled(m, traits, q, w, float(m.x[r, c]), float(m.y[r, c]), s, amp0)
        sure, a_sure, light = _confirmed(m, q, spot, own)
        de, _ = _spot_colour(m, colour, spot)
        q -= np.where(ok, spot.shown, np.float32(0))
        if not _stands(spot, sure, a_sure, ok):
            tried = np.maximum(
                tried,
                bell_at(m.x, m.y, float(m.x[r, c]), float(m.y[r, c]), 0.8 * s, 0.8 * s, 0.0).astype(np.float32),
            )
            diameter = _FWHM * spot.sigma
            if light > 0.15 * abs(spot.height) and de > 1.5 * visible_de(diameter, m.eye) and diameter > 30:
                middle = np.hypot(spot.x - m.size_mm[0] / 2, spot.y - m.size_mm[1] / 2) < 0.2 * short
                unsure.append("centre" if middle else "broad spot")
            continue
        kept.append((spot, own, abs(z0)))
    out = []
    for spot, own, first in _together(m, traits, q, w, kept):
        found = _finding(m, colour, spot, _confirmed(m, q + spot.shown, spot, own), ok)
        if found is not None:
            out.append(replace(found, detail={**found.detail, "first": round(first, 1)}))
    return out, unsure


def _stands(spot: _Spot, sure: float, a_sure: float, ok: Array) -> bool:
    """Tell whether a spot is significant and mostly seen."""
    core = spot.bell > 0.5
    covered = float(spot.bell[ok & core].sum() / max(float(spot.bell[core].sum()), 1e-9))
    return abs(sure) >= SIGNIFICANT and a_sure * spot.height > 0 and covered >= 0.35


def _finding(
    m: LackMap, colour: Array, spot: _Spot, confirmed: tuple[float, float, float], ok: Array
) -> Finding | None:
    """Give the finding of a spot, None where it is not sure or not visible."""
    sure, a_sure, _ = confirmed
    diameter, a, x, y = _FWHM * spot.sigma, spot.height, spot.x, spot.y
    de, d_l = _spot_colour(m, colour, spot)
    if not _stands(spot, sure, a_sure, ok) or de < visible_de(diameter, m.eye):
        return None
    short = min(m.size_mm)
    kind = Kind.PALE if a > 0 else Kind.DARK
    from_middle = np.hypot(x - m.size_mm[0] / 2, y - m.size_mm[1] / 2)
    if a > 0 and diameter > max(35.0, 0.2 * short) and from_middle < 0.15 * short:
        kind = Kind.PALE_CENTRE
    return Finding(
        kind=kind,
        x_mm=round(x, 1),
        y_mm=round(y, 1),
        diameter_mm=round(diameter, 1),
        area_mm2=round(float(np.pi / 4 * diameter**2), 1),
        delta_e00=round(de, 2),
        delta_l=round(d_l, 2),
        confidence=confidence(sure),
        where=where_in_words(x, y, m.size_mm, m.shape),
        uncertainty=spot_u(de, abs(sure)),
        detail={
            "significance": round(abs(sure), 1),
            "lack": round(a, 3),
            "axes_mm": (round(_FWHM * spot.sx, 1), round(_FWHM * spot.sy, 1)),
        },
    )


def _together(
    m: LackMap, traits: Array, q: Array, w: Array, kept: list[tuple[_Spot, float, float]]
) -> list[tuple[_Spot, float, float]]:
    """Fit all spots again beside one another, and overlapping ones as one where one explains nearly as much.

    ``q`` is what all of them leave, and is changed.
    """
    ok = w > 0
    spots = list(kept)
    for turn in range(2):
        for n, (old, own, first) in enumerate(spots):
            # what is narrower than two blocks has no shape to gain, what lies alone nothing from a second turn
            beside = [s for s, _, _ in spots if s is not old and _apart(s, old) < _FWHM * (s.sigma + old.sigma)]
            if old.sy < m.step or (turn and not beside):
                continue
            q += np.where(ok, old.shown, np.float32(0))
            new = _fit_spot(m, traits, q, w, old.x, old.y, old.sigma, old.height)
            spot = new if new.height * old.height > 0 and _near(new, old) else old
            spots[n] = (spot, own, first)
            q -= np.where(ok, spot.shown, np.float32(0))
    n = 0
    while n < len(spots):
        spot, own, first = spots[n]
        for k in range(n + 1, len(spots)):
            other = spots[k][0]
            if spot.height * other.height <= 0 or _apart(spot, other) > 0.5 * _FWHM * (spot.sigma + other.sigma):
                continue
            both = q + np.where(ok, spot.shown + other.shown, np.float32(0))
            big = max((spot, other), key=lambda s: abs(s.height) * s.sigma**2)
            one = _settled(m, traits, both, w, big.x, big.y, big.sigma, big.height)
            area = ok & ((spot.bell > 0.05) | (other.bell > 0.05))
            left = [float((w * v**2)[area].sum()) for v in (both, both - one.shown, q)]
            if one.height * spot.height > 0 and left[0] - left[1] > _ONE * (left[0] - left[2]):
                spots[n] = (one, own, max(first, spots[k][2]))
                q[:] = np.where(ok, both - one.shown, q)
                del spots[k]
                break
        else:
            n += 1
    return spots


def _apart(a: _Spot, b: _Spot) -> float:
    return float(np.hypot(a.x - b.x, a.y - b.y))


def _near(new: _Spot, old: _Spot) -> bool:
    return _apart(new, old) < old.sx and 0.5 < new.sigma / old.sigma < 2


def _settled(m: LackMap, traits: Array, q: Array, w: Array, x: float, y: float, s: float, a: float) -> _Spot:
    """Fit a spot from a first guess of its size, again and again until guess and fit agree.

    A wide filter can be drawn away from a small spot by what lies round it: where the fit leaves the piece or comes out
    long, half the size is tried, and what leaves less in the middle counts.
    """
    spot = _grown(m, traits, q, w, x, y, s, a)
    r, c = int(np.clip(spot.y / m.step, 0, q.shape[0] - 1)), int(np.clip(spot.x / m.step, 0, q.shape[1] - 1))
    if s > 3 * m.step and (m.reach[r, c] < 0.25 * s or spot.sx > 2 * spot.sy or np.hypot(spot.x - x, spot.y - y) > s):
        other = _grown(m, traits, q, w, x, y, 0.5 * s, a)
        here = (np.hypot(m.x - x, m.y - y) < s) & (w > 0)
        left = [float((w * (q - v.shown) ** 2)[here].sum()) for v in (spot, other)]
        if left[1] < left[0]:
            return other
    return spot


def _grown(m: LackMap, traits: Array, q: Array, w: Array, x: float, y: float, s: float, a: float) -> _Spot:
    """Fit again from what came out until the size guessed is the size fitted."""
    spot = _fit_spot(m, traits, q, w, x, y, s, a)
    for _ in range(4):
        if 0.55 * s < spot.sigma < 1.4 * s:
            break
        s = spot.sigma
        spot = _fit_spot(m, traits, q, w, spot.x, spot.y, s, spot.height)
    return spot


def _fit_spot(m: LackMap, traits: Array, q: Array, w: Array, x: float, y: float, s: float, a: float) -> _Spot:
    """Fit centre, half axes, angle and height by damped Gauss–Newton over the neighbourhood.

    Light colours and dark ones, and the single dyes, need not show the same share of missing dye alike (the coat's
    own colour, dyes that give way at rates of their own): the height may change with a colour's depth and hue.
    """
    d = np.hypot(m.x - x, m.y - y)
    use = (d < max(3.2 * s, 3 * m.step)) & (w > 0)
    if use.sum() < 10:
        return _Spot(x, y, s, s, 0.0, a, bell_at(m.x, m.y, x, y, s, s, 0.0), np.ones(q.shape))
    xx, yy, qq = m.x[use], m.y[use], q[use].astype(float)
    ww = np.minimum(w[use], 2 * np.median(w[use])).astype(float)
    start = ww * np.exp(-((d[use] / s) ** 2))
    middle = (start @ traits[use]) / max(float(start.sum()), 1e-12)
    u = np.clip(traits[use] - middle, -1.5, 1.5)
    # height, centre, log axes, shear, level, and what depth and hue change of the height
    theta = np.r_[a, x, y, np.log(s), np.log(s), 0.0, 0.0, np.zeros(u.shape[1])]
    ut = np.ascontiguousarray(u.T)

    def model(t: Array) -> tuple[Array, Array]:
        ax, ay, th = np.exp(-t[3]), np.exp(-t[4]), np.tanh(t[5])
        rho = 0.8 * th
        p, v = (xx - t[1]) * ax, (yy - t[2]) * ay
        k = 1 / (1 - rho * rho)
        f = p * p + v * v - 2 * rho * p * v
        b = np.exp(-0.5 * k * f)
        shown = np.minimum(np.maximum(1 + t[7:] @ ut, _ANSWERS[0]), _ANSWERS[1]) * b
        ab = t[0] * shown
        abk, across, down = ab * k, p - rho * v, v - rho * p
        slopes = np.empty((len(t), len(b)))
        slopes[0] = shown
        slopes[1], slopes[2] = abk * across * ax, abk * down * ay
        slopes[3], slopes[4] = abk * p * across, abk * v * down
        slopes[5] = abk * (p * v - rho * k * f) * (0.8 * (1 - th * th))
        slopes[6] = 1.0
        slopes[7:] = t[0] * b * ut
        return ab + t[6], slopes

    low_s, high_s = np.log(0.6 * m.step), np.log(min(0.32 * min(m.size_mm), 2.0 * s))
    damp = 1e-2
    now, j = model(theta)
    total = float(ww.sum())
    pull = np.r_[0, 0, 0, 1, 1, 4, 0, np.full(u.shape[1], _ANSWER_PULL)] * total * (0.02 * a) ** 2
    pull[6] = total * 0.05  # the ground is level zero but for what the filters leave
    middle_theta = theta * np.r_[0, 0, 0, 1, 1, 0, 0, np.zeros(u.shape[1])]

    def cost_of(t: Array, value: Array) -> float:
        return float((ww * (qq - value) ** 2).sum() + (pull * (t - middle_theta) ** 2).sum())

    cost = cost_of(theta, now)
    limit = np.r_[1, s, s, 0.5, 0.5, 0.5, 1, np.full(u.shape[1], 0.5)]
    for _ in range(14):
        n = (j * ww) @ j.T
        g = j @ (ww * (qq - now)) - pull * (theta - middle_theta)
        delta = np.linalg.solve(n + np.diag(damp * np.diag(n) + pull + 1e-12), g)
        new = theta + np.clip(delta, -limit, limit)
        new[1:3] = np.clip(new[1:3], [x - 1.5 * s, y - 1.5 * s], [x + 1.5 * s, y + 1.5 * s])
        new[3:5] = np.clip(new[3:5], low_s, high_s)
        new[7:] = np.clip(new[7:], -1.0, 1.0)
        value, slopes = model(new)
        c = cost_of(new, value)
        if c < cost:
            done = cost - c < 1e-5 * cost
            theta, now, j, cost, damp = new, value, slopes, c, damp * 0.4
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
    cx, cy, angle = float(theta[1]), float(theta[2]), float(np.arctan2(vector[1, 1], vector[0, 1]))
    answer = np.clip(1 + np.clip(traits - middle, -1.5, 1.5) @ theta[7:], *_ANSWERS)
    return _Spot(cx, cy, sx, sy, angle, float(theta[0]), bell_at(m.x, m.y, cx, cy, sx, sy, angle), answer)


def _traits(m: LackMap) -> Array:
    """Give the logarithm of every colour's depth and its share in red and in blue, (r, c, 3)."""
    depth = np.maximum(m.depth, 0.01)
    mean = depth.mean(axis=2)
    return np.stack([np.log(mean), depth[..., 0] / mean - 1, depth[..., 2] / mean - 1], axis=2)


def _confirmed(m: LackMap, q: Array, spot: _Spot, own: float) -> tuple[float, float, float]:
    """Significance of a spot when every colour may err and the ground may tilt; light's share of the error."""
    s = max(spot.sx, spot.sy)
    r, c = np.unravel_index(int(spot.bell.argmax()), spot.bell.shape)
    bell = spot.bell * spot.answer
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


def _spot_colour(m: LackMap, colour: Array, spot: _Spot) -> tuple[float, float]:
    """Mean ΔE00 and ΔL* over the core of a spot (half its diameter), against what was due there.

    The core is read as it is, not from the fitted bell: many a spot has a flat top, and dark colours show less of what
    is missing than mid-tones. A colour that stands alone counts less, since its own error shows as well.
    """
    known = np.isfinite(m.q) & np.isfinite(colour).all(axis=2)
    core = (spot.bell > _CORE) & known
    if core.sum() < _FEW:
        core = (spot.bell > 0.5 * float(np.max(spot.bell, where=known, initial=0.0))) & known
    ring = known & (spot.bell > _RING[0]) & (spot.bell < _RING[1])
    if core.sum() < 1 or ring.sum() < 2 * _FEW:
        depth = m.depth[core] * spot.answer[core][:, None]
        return float(np.mean(lack_de(m.rel[core], depth, spot.height))), delta_l(m.rel[core], depth, spot.height)
    # as the middle of a bell would show it, so that the few blocks of a small spot count as what they are of it
    rest = (colour[core] - np.median(colour[ring], axis=0)) * (_CORE_MEAN / spot.bell[core])[:, None]
    due = relative_lab(m.rel[core])
    seen = relative_lab(np.minimum(m.rel[core] * np.exp(rest), 1.2))
    weight = 1 / (m.var[core] * _ALIKE + m.group_var[core])
    weight = np.minimum(weight, 4 * np.median(weight))
    noise = lack_de(m.rel[core], m.depth[core], np.sqrt(m.var[core]))  # what it adds to any difference, squared
    de = float((weight * np.asarray(delta_e00(seen, due))).sum() / weight.sum())
    chance = float((weight * noise).sum() / weight.sum())
    d_l = float((weight * (seen[:, 0] - due[:, 0])).sum() / weight.sum())
    if d_l * spot.height <= 0:  # what other spots leave over beside them: the place itself shows the contrary
        return 0.0, 0.0
    return float(np.sqrt(max(de**2 - chance**2, 0.0))), d_l
