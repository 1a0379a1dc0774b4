"""The light of a mirrored lamp or window, told from the print by two photos between which it moved over the piece.

What is in the print is the same in both photos and drops out of their difference; a mirrored lamp adds its light in
one place in the first and in another in the second. A mirror image in flat glass keeps its shape when hand or piece is
moved, so the difference is one picture that cannot be negative, less the same picture shifted. The shift shows as the
deepest valley of the difference's own correlation; the picture then follows by non-negative least squares (accelerated
projected gradient: Beck & Teboulle, SIAM J. Imaging Sciences 2(1), 183–202, 2009).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from .cielab import delta_e00
from .grid import Array, block_means, grow, local_mean
from .relative import relative_lab
from .residue import Residue, lifted_alone
from .robust import polynomial_terms, robust_least_squares

_GRID_MM = 4.0
_LEAST_MM = 12.0  # a shorter way leaves most of a reflection on itself
_VALLEYS = 4  # shifts tried
_TURNS, _ROUNDS = 200, 4
_MOST_TURN = 0.1
_SMOOTH, _SPARSE = 1.0, 0.004  # against the weight of a typical place; estimates
_EXPLAINED = 0.8  # share of the difference that one moved picture must explain; estimate
_SHIFTED_STD = 0.004  # what placing and light leave of a difference, parts of the coat's signal; estimate
_VISIBLE_DE = 0.5  # light that changes the print by less is no matter: half of what an eye sees side by side
_CLEAR_MM = 2.5
_FAINT = 0.1  # of a reflection's brightest part: what is fainter is not followed under another; estimate
_CALM_BLOCKS = 100


def visible(res: Residue, lift: Array) -> Array:
    """Tell where added light (r, c) changes the print visibly."""
    rel = np.clip(res.rel, 1e-3, 1.2)
    change = delta_e00(relative_lab(rel + np.maximum(lift, 0.0)[..., None]), relative_lab(rel))
    return np.asarray(np.asarray(change) > _VISIBLE_DE)


def mirrored(res: Residue) -> tuple[Array, Array]:
    """Where each of several photos (v, r, c) shows a moved lamp or window mirrored, and the light of it.

    What looks as it should in the least lifted photo is clear of them there, whatever their tails should add.
    """
    out = lifted_alone(res)
    lights = moved_light(res, out)
    if not out.any():
        return out, lights
    for k, light in enumerate(lights):
        out[k] |= grow(out[k], visible(res, light) & (light > _FAINT * light.max()))
    known: Any = np.isfinite(res.left).all(axis=3)
    lift = (res.rel * np.expm1(np.clip(np.nan_to_num(res.left), -3, 3))).mean(axis=3)
    for k, own in enumerate(lift):
        # of several lifted photos the least lifted bounds what can be missing
        least = out.all(axis=0) & known[k] & (own <= np.where(known, lift, np.inf).min(axis=0))
        out[k] &= ~(least & ~visible(res, local_mean(own, known[k], _CLEAR_MM / res.step_mm)))
    return out, lights


def moved_light(res: Residue, alone: Array) -> Any:
    """Find the light (v, r, c) that a moved reflection, ``alone`` in places, adds to each photo, in parts of the coat.

    Zero all over where there are not two photos, where neither holds light that the other lacks, or where no one
    picture, moved, explains their difference.
    """
    out: Any = np.zeros(res.left.shape[:3])
    if res.photos != 2 or not alone.any():
        return out
    known = np.isfinite(res.left).all(axis=(0, 3)) & np.isfinite(res.var).all(axis=(0, 3))
    added = (res.rel * np.expm1(np.clip(np.nan_to_num(res.left), -3, 3))).mean(axis=3)
    b = max(round(_GRID_MM / res.step_mm), 1)
    var = np.where(known, (np.nan_to_num(res.var, posinf=1.0).sum(axis=0) * res.rel**2).mean(axis=2), np.inf)
    fine = np.where(known, 1 / (var + _SHIFTED_STD**2), 0.0)
    total = block_means(fine.astype(np.float32), b)
    apart = added[0] - added[1]
    calm = ~alone.any(axis=0) & known
    if calm.sum() > _CALM_BLOCKS:  # lamp and lens differ by a little between the photos, smoothly
        at = res.places() / (np.array(res.size_mm) / 2) - 1
        plane, _, _ = robust_least_squares(polynomial_terms(at[calm, 0], at[calm, 1], 1), apart[calm], floor=1e-4)
        apart = apart - polynomial_terms(at[..., 0], at[..., 1], 1) @ plane
    d = block_means((fine * apart).astype(np.float32), b) / np.maximum(total, 1e-9)
    weight = total / max(float(np.median(total[total > 0])), 1e-9)
    weight = np.minimum(weight, 3.0)
    pad = max(d.shape) // 2
    d, weight = (np.pad(a, pad).astype(np.float32) for a in (d, weight))
    found = [
        (_left(d, weight, p, move), p, move)
        for move in _valleys(d * (weight > 0), pad)
        for p in (_picture(d, weight, move),)
    ]
    if not found:
        return out
    left, picture, move = min(found, key=lambda f: f[0])
    if not picture.any():
        return out
    for _ in range(_ROUNDS):  # phones are lifted and turned a little as well
        other = _better_move(d, weight, picture, move)
        again = _picture(d, weight, other)
        if (new := _left(d, weight, again, other)) >= left:
            break
        left, picture, move = new, again, other
    if left > (1 - _EXPLAINED) * float((weight * d**2).sum()):
        return out
    both: Any = picture, _moved(picture, move)
    for k in (0, 1):
        cut = both[k][pad:-pad, pad:-pad]
        size = (int(cut.shape[1]) * b, int(cut.shape[0]) * b)
        out[k] = cv2.resize(cut, size, interpolation=cv2.INTER_LINEAR)[: out.shape[1], : out.shape[2]]
    return out


def _moved(picture: Any, move: Any) -> Any:
    """Move a picture by (2, 3) in pixels; what was beyond its rim is dark."""
    return cv2.warpAffine(picture, move, picture.shape[::-1], flags=cv2.INTER_LINEAR)


def _left(d: Any, weight: Any, picture: Any, move: Any) -> float:
    """Squares of the difference that a picture and its move leave."""
    return float((weight * (picture - _moved(picture, move) - d) ** 2).sum())


def _better_move(d: Any, weight: Any, picture: Any, move: Any) -> Any:
    """Shift, turn and scale a move so that more of the difference is explained: one step of Gauss and Newton."""
    moved = _moved(picture, move)
    along = cv2.Sobel(moved, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(moved, cv2.CV_32F, 0, 1, scale=0.125)
    total = max(float(moved.sum()), 1e-9)
    y, x = (v.astype(np.float32) for v in np.mgrid[: d.shape[0], : d.shape[1]])
    cx, cy = float((moved * x).sum()) / total, float((moved * y).sum()) / total
    u, v = x - cx, y - cy
    slopes = [along[0], along[1], along[0] * u + along[1] * v, along[1] * u - along[0] * v]
    a = np.stack([g.ravel() for g in slopes], axis=1).astype(float)
    w = weight.ravel().astype(float)
    rest = (picture - moved - d).ravel().astype(float)
    normal = a.T @ (a * w[:, None])
    dx, dy, grow, turn = -np.linalg.solve(normal + 1e-6 * np.trace(normal) * np.eye(4), a.T @ (w * rest))
    grow, turn = np.clip((grow, turn), -_MOST_TURN, _MOST_TURN)
    # the moved picture's places go to places + (dx, dy) + about its middle the change of scale and direction
    change = np.array([[1 + grow, -turn, dx - grow * cx + turn * cy], [turn, 1 + grow, dy - turn * cx - grow * cy]])
    return (change @ np.vstack([move, [0, 0, 1]])).astype(np.float32)


def _valleys(d: Any, reach: int) -> list[Any]:
    """Shifts (2, 3) at which the difference is most unlike itself, both ways round, deepest first."""
    f = np.fft.rfft2(d, s=(2 * d.shape[0], 2 * d.shape[1]))
    own = np.fft.irfft2(np.abs(f) ** 2)
    own = np.roll(own, (reach, reach), axis=(0, 1))[: 2 * reach + 1, : 2 * reach + 1].astype(np.float32)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    own[np.hypot(x, y) * _GRID_MM < _LEAST_MM] = 0.0
    found: list[Any] = []
    for _ in range(_VALLEYS):
        r, c = np.unravel_index(int(own.argmin()), own.shape)
        if own[r, c] >= 0:
            break
        found += [np.array([[1, 0, side * x[r, c]], [0, 1, side * y[r, c]]], np.float32) for side in (1, -1)]
        for side in (1, -1):  # the correlation is the same both ways
            own[np.hypot(x - side * x[r, c], y - side * y[r, c]) < 3] = 0.0
    return found


def _picture(d: Any, weight: Any, move: Any) -> Any:
    """Find the picture, nowhere negative, that less itself moved makes the difference."""
    back = cv2.invertAffineTransform(move)
    sparse = np.float32(_SPARSE * float(np.percentile(np.abs(d[weight > 0]), 95)))
    picture = ahead = np.zeros_like(d)
    step = np.float32(1 / (4 * float(weight.max()) + 8 * _SMOOTH))
    t = 1.0
    for _ in range(_TURNS):
        off = weight * (ahead - _moved(ahead, move) - d)
        slope = off - _moved(off, back) - _SMOOTH * cv2.Laplacian(ahead, cv2.CV_32F) + sparse
        new = np.maximum(ahead - step * slope, 0.0)
        t_new = (1 + np.sqrt(1 + 4 * t * t)) / 2
        ahead = new + np.float32((t - 1) / t_new) * (new - picture)
        picture, t = new, t_new
    return picture
