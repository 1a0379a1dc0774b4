"""Soft spots: matched filters over sizes, then a fit of place, size and height.

What passes is fitted again with every artwork colour free to err and the ground free to tilt, so
that a colour that the expectation gets wrong is never called a spot.
"""

from __future__ import annotations

import cv2
import numpy as np

from ..ground.places import where_in_words
from ..ground.records import Finding
from ..ground.robust import mad_std
from .expect import Array, block_means
from .lack import SIGNIFICANT, LackMap, bell_at, confidence, delta_l, lack_de, severity, visible_de

_SIGMAS_MM = (1.3, 1.8, 2.6, 3.7, 5.2, 7.3, 10.0, 14.0, 20.0, 28.0, 40.0)
_CALIBRATED_MM = 6.0
_FWHM = 2.3548
_DYES_DIFFER = 0.4  # how far the share of one channel may lie from the common one


def _responses(q: Array, w: Array, s: float) -> tuple[Array, Array]:
    """Amplitude above the surroundings of a soft spot of ``s`` blocks, and its noise for independent blocks."""

    def blurred(sigma: float) -> tuple[Array, Array]:
        f = 1
        while sigma / f > 5 and min(q.shape) / f > 24:
            f *= 2
        a, b = q * w, w
        if f > 1:
            a, b = block_means(a, f), block_means(b, f)
        up = cv2.GaussianBlur(a, (0, 0), sigma / f, borderType=cv2.BORDER_CONSTANT)
        down = cv2.GaussianBlur(b, (0, 0), sigma / f, borderType=cv2.BORDER_CONSTANT)
        if f > 1:
            hw = (up.shape[1] * f, up.shape[0] * f)
            up = cv2.resize(up, hw, interpolation=cv2.INTER_LINEAR)[: q.shape[0], : q.shape[1]]
            down = cv2.resize(down, hw, interpolation=cv2.INTER_LINEAR)[: q.shape[0], : q.shape[1]]
        return up / np.maximum(down, 1e-9), down

    near, wn = blurred(s)
    wide, ww = blurred(3.0 * s)
    amplitude = (near - wide) / 0.4
    noise = np.sqrt(1 / np.maximum(wn * 4 * np.pi * s * s, 1e-9) + 1 / np.maximum(ww * 36 * np.pi * s * s, 1e-9)) / 0.4
    weak = wn < 0.08 * float(np.median(wn[w > 0])) if (w > 0).any() else wn < 1
    return np.where(weak, 0.0, amplitude), np.where(weak, 1.0, noise)


def soft_spots(m: LackMap, colour: Array) -> tuple[list[Finding], list[str]]:
    """Find soft spots, and say which broad ones the light leaves in doubt."""
    out: list[Finding] = []
    unsure: list[str] = []
    ok = np.isfinite(m.q)
    if ok.sum() < 30:
        return out, unsure
    w = np.where(ok, 1 / m.var, 0.0).astype(np.float32)
    w = np.minimum(w, 4 * np.median(w[ok]))
    q = np.where(ok, m.q, 0.0).astype(np.float32)
    q -= np.float32(np.median(q[ok]))
    short = min(m.size_mm)
    sizes = [s for s in _SIGMAS_MM if s >= 0.8 * m.step and s <= 0.27 * short]
    floors: dict[float, float] = {}
    tried = np.zeros(ok.shape, np.float32)
    for turn in range(25):
        best: tuple[float, int, int, float, float, float] | None = None
        for s in sizes:
            amp, noise = _responses(q, w, s / m.step)
            z = amp / noise
            if turn == 0:
                floors[s] = max(float(mad_std(z[ok])), 1.0)
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
        spot = _fit_spot(m, q, w, float(m.x[r, c]), float(m.y[r, c]), s, amp0)
        if spot[2] * spot[3] > (1.4 * s) ** 2:  # larger than the filter that saw it first: look again, wider
            wider = float(np.sqrt(spot[2] * spot[3]))
            spot = _fit_spot(m, q, w, spot[0], spot[1], wider, spot[5])
        x, y, sx, sy, angle, a = spot
        bell = bell_at(m.x, m.y, x, y, sx, sy, angle)
        sure, a_sure, light = _confirmed(m, q, bell, max(sx, sy), own)
        diameter = _FWHM * float(np.sqrt(sx * sy))
        de, d_l = _spot_colour(m, colour, bell, a)
        q -= np.where(ok, np.float32(a) * bell.astype(np.float32), np.float32(0))
        covered = float(bell[ok & (bell > 0.5)].sum() / max(float(bell[bell > 0.5].sum()), 1e-9))
        if abs(sure) < SIGNIFICANT or a_sure * a <= 0 or covered < 0.35:
            tried = np.maximum(
                tried,
                bell_at(m.x, m.y, float(m.x[r, c]), float(m.y[r, c]), 0.8 * s, 0.8 * s, 0.0).astype(np.float32),
            )
            if light > 0.15 * abs(a) and de > 1.5 * visible_de(diameter) and diameter > 30:
                unsure.append(
                    "centre" if np.hypot(x - m.size_mm[0] / 2, y - m.size_mm[1] / 2) < 0.2 * short else "broad spot"
                )
            continue
        if de < visible_de(diameter):
            continue
        centre = np.hypot(x - m.size_mm[0] / 2, y - m.size_mm[1] / 2)
        kind = "pale" if a > 0 else "dark"
        if a > 0 and diameter > max(35.0, 0.2 * short) and centre < 0.15 * short:
            kind = "pale-centre"
        out.append(
            Finding(
                kind=kind,
                x_mm=round(x, 1),
                y_mm=round(y, 1),
                diameter_mm=round(diameter, 1),
                area_mm2=round(float(np.pi / 4 * diameter**2), 1),
                delta_e00=round(de, 2),
                delta_l=round(d_l, 2),
                confidence=confidence(sure),
                where=where_in_words(x, y, m.size_mm, m.shape),
                severity=severity(de),
                detail={
                    "significance": round(abs(sure), 1),
                    "lack": round(a, 3),
                    "axes_mm": (round(_FWHM * sx, 1), round(_FWHM * sy, 1)),
                    "first": round(abs(z0), 1),
                },
            )
        )
    return out, unsure


def _fit_spot(
    m: LackMap, q: Array, w: Array, x: float, y: float, s: float, a: float
) -> tuple[float, float, float, float, float, float]:
    """Centre, half axes (standard deviations), angle and height by damped Gauss–Newton over the neighbourhood."""
    d = np.hypot(m.x - x, m.y - y)
    use = (d < max(3.2 * s, 3 * m.step)) & (w > 0)
    if use.sum() < 10:
        return x, y, s, s, 0.0, a
    xx, yy, qq = m.x[use], m.y[use], q[use].astype(float)
    ww = np.minimum(w[use], 2 * np.median(w[use])).astype(float)
    theta = np.array([a, x, y, np.log(s), np.log(s), 0.0, 0.0])  # height, centre, log axes, shear, level

    def model(t: Array) -> Array:
        ax, ay, rho = np.exp(-t[3]), np.exp(-t[4]), np.tanh(t[5]) * 0.8
        u, v = (xx - t[1]) * ax, (yy - t[2]) * ay
        return np.asarray(t[0] * np.exp(-0.5 * (u * u + v * v - 2 * rho * u * v) / (1 - rho * rho)) + t[6])

    low_s, high_s = np.log(0.6 * m.step), np.log(min(0.32 * min(m.size_mm), 2.0 * s))
    damp = 1e-2
    now = model(theta)
    cost = float((ww * (qq - now) ** 2).sum())
    steps = np.array([1e-3, 0.05, 0.05, 0.02, 0.02, 0.02, 1e-3])
    pull = np.array([0, 0, 0, 1, 1, 4, 0]) * float(ww.sum()) * (0.02 * abs(a)) ** 2
    pull[6] = float(ww.sum()) * 0.05  # the ground is level zero but for what the filters leave
    limit = np.array([1, s, s, 0.5, 0.5, 0.5, 1])
    for _ in range(14):
        j = np.stack([(model(theta + np.eye(7)[k] * steps[k]) - now) / steps[k] for k in range(7)], axis=1)
        n = j.T @ (j * ww[:, None])
        g = j.T @ (ww * (qq - now)) - pull * np.array(
            [0, 0, 0, theta[3] - np.log(s), theta[4] - np.log(s), theta[5], theta[6]]
        )
        delta = np.linalg.lstsq(n + np.diag(damp * np.diag(n) + pull + 1e-12), g, rcond=None)[0]
        new = theta + np.clip(delta, -limit, limit)
        new[1:3] = np.clip(new[1:3], [x - 1.5 * s, y - 1.5 * s], [x + 1.5 * s, y + 1.5 * s])
        new[3:5] = np.clip(new[3:5], low_s, high_s)
        value = model(new)
        c = float((ww * (qq - value) ** 2).sum())
        if c < cost:
            done = cost - c < 1e-5 * cost
            theta, now, cost, damp = new, value, c, damp * 0.4
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
    return (
        float(theta[1]),
        float(theta[2]),
        sx,
        sy,
        float(np.arctan2(vector[1, 1], vector[0, 1])),
        float(theta[0]),
    )


def _confirmed(m: LackMap, q: Array, bell: Array, s: float, own: float) -> tuple[float, float, float]:
    """Significance of a spot when every colour may err and the ground may tilt; light's share of the error."""
    r, c = np.unravel_index(int(bell.argmax()), bell.shape)
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


def _spot_colour(m: LackMap, colour: Array, bell: Array, a: float) -> tuple[float, float]:
    """ΔE00 and ΔL* in the middle of a spot, on the colours that can show it.

    Each channel has its own share of missing dye, as each dye gives way at its own rate; where
    the photo says little of a channel it follows the common share ``a``.
    """
    core = (bell > 0.7) & np.isfinite(m.q)
    if core.sum() < 1:
        core = (bell >= np.nanmax(np.where(np.isfinite(m.q), bell, 0.0)) * 0.99) & np.isfinite(m.q)
    rel, depth, b = m.rel[core], m.depth[core], bell[core]
    share = _channel_lack(m, colour, bell, a)
    de = lack_de(rel, depth * share / a, a * np.minimum(b / 0.9, 1.0))
    return float(np.percentile(de, 60)), delta_l(rel, depth * share / a, a)


def _channel_lack(m: LackMap, colour: Array, bell: Array, a: float) -> Array:
    """Share of missing dye of each channel (3,), drawn to the common share as far as noise leaves it open."""
    known = np.isfinite(m.q) & np.isfinite(colour).all(axis=2)
    here, ring = known & (bell > 0.1), known & (bell > 1e-4) & (bell < 0.05)
    if here.sum() < 4 or ring.sum() < 8:
        return np.full(3, a)
    rest = colour - np.median(colour[ring], axis=0)
    noise2 = np.maximum(mad_std(colour[ring], axis=0), 0.004) ** 2 * 4  # neighbours err alike
    t = bell[here][:, None] * m.depth[here]
    pull = 1 / (_DYES_DIFFER * a) ** 2
    up = (t * rest[here]).sum(axis=0) / noise2 + a * pull
    share = up / ((t * t).sum(axis=0) / noise2 + pull)
    return np.asarray(np.clip(share, min(0.2 * a, 2.5 * a), max(0.2 * a, 2.5 * a)))
