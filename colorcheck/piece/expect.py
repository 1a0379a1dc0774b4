"""What the piece should look like: artwork → expected colour, on a coarse millimetre grid.

The best available source is taken: the answer of the substrate as a reading measured it,
a profile, or the photo itself. In every case a smooth map from artwork RGB to photo colour
is fitted robustly to the piece (logarithm of the signal, polynomial in device RGB), evaluated
at fine resolution and averaged in linear light, so that edges and fine detail are expected
as blurred as they are seen. What a small displacement, a little more blur or light that
travels sideways in the glass would do to each block is handed on with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from ..ground.due import Due, answers
from ..ground.grid import block_places, means_in_blocks
from ..ground.records import Lit, Shape
from ..ground.robust import polynomial_terms, robust_least_squares
from .blocks import Answer, Array, Laid, ViewBlocks

_SCATTER = (
    ((2.5, 1.0),),
    ((4.0, 0.3), (8.0, 0.45), (14.0, 0.25)),
)  # reach in mm and share; the wide one: exp(-r / 6 mm)
_RIDGE = 1e-4  # of the colour map that is learned from the photo
_RIDGE_KNOWN = 3.0  # known colours may only bend a little, or the map swallows a pale middle
_FLOOR = 0.004  # least signal believed, share of the coat


@dataclass(frozen=True, slots=True, eq=False)
class Expected(Due):
    """Expected image of the piece and how it would react, with what it was learned from.

    ``scatter`` (r, c, 2, 3) change of the logarithm per unit share of sideways light; ``source`` 'reading', 'profile'
    or 'photo'; ``coat`` where the level of the bare coat came from: 'artwork', 'card' or 'guess', ``white`` (3,) that
    level on the scale of the fit; ``coefficient`` (terms, 3) of the colour map.
    """

    scatter: Array
    size_mm: tuple[float, float]
    shape: Shape
    views: tuple[ViewBlocks, ...]
    degree: int
    colours: int
    source: str
    coat: str
    coefficient: Array
    white: Array


def expected_image(
    laid: Laid, *, doubtful: Array | None = None, before: Expected | None = None, turns: int = 4
) -> Expected:
    """Fit what the artwork's colours look like in the photos, and predict the piece from it.

    Parameters
    ----------
    laid : Laid
    doubtful : (v, r, c), optional
        Blocks of each photo that teach nothing about colour and light: they lie under a spot or a
        reflection that this call is to measure.
    before : Expected, optional
        Result of an earlier call, from which the fit then starts.
    turns : int
        How often colours and light are fitted in turn.

    Returns
    -------
    Expected
    """
    art, size_mm = laid.artwork, laid.size_mm
    blocks = list(laid.views)
    if doubtful is not None:
        blocks = [replace(v, doubtful=d) for v, d in zip(blocks, doubtful, strict=True)]
    g, step, ok, plain = art.px_per_mm, art.step_mm, art.inside, art.plain
    b = round(step * g)
    places = block_places(ok.shape, step)

    def means(image: Any) -> Array:
        return means_in_blocks(image, art.weight, art.fill, b)

    def mapped(coefficient: Array) -> Any:
        change = (art.fine_terms.reshape(-1, len(coefficient)) @ coefficient.astype(np.float32)).reshape(art.fine.shape)
        return cv2.multiply(art.fine_start, cv2.exp(change))

    if before is None:
        lights = [_first_light(v, places, size_mm) for v in blocks]
        coefficient = np.zeros((art.terms.shape[2], 3))
        mean_rel = np.maximum(means(art.fine_start), 1e-4)
    else:
        lights = [v.first_light / before.white for v in before.views]
        coefficient = before.coefficient
        mean_rel = before.rel * before.white
    for turn in range(turns):
        # detail inside a block makes its mean lighter than the colour of its mean: taken off before the fit
        own = np.maximum(art.start * np.exp(art.terms @ coefficient), 1e-4)
        mixing = np.clip(mean_rel / own, 0.2, 8.0)
        rows, targets, weights = [], [], []
        for v, light in zip(blocks, lights, strict=True):
            use = (v.teaches > 0.3) & ok & np.isfinite(v.y).all(axis=2)
            rel = np.maximum(v.y[use] / light[use] / mixing[use], 1e-4)
            rows.append(art.terms[use])
            targets.append(np.log(rel / art.start[use]))
            dark = np.minimum(art.start[use].mean(axis=1) / 0.03, 1.0)
            weights.append(plain[use] * v.fill[use] * dark)
        a, t, w = np.concatenate(rows), np.concatenate(targets), np.concatenate(weights)
        ridge = _RIDGE if laid.answer is None else _RIDGE_KNOWN
        coefficient, _, _ = robust_least_squares(a, t, weights=w, ridge=ridge, floor=0.01, rounds=4)
        fine_rel = mapped(coefficient)
        mean_rel = np.maximum(means(fine_rel), 1e-4)
        if turn < turns - 1:
            lights = [
                _better_light(v, light, mean_rel, plain * ok, places, size_mm)
                for v, light in zip(blocks, lights, strict=True)
            ]
    white, coat = _coat_level(blocks, art.device, mean_rel, laid.start, ok, lit=laid.lit)
    fine_rel /= white.astype(np.float32)
    rel = np.maximum(mean_rel / white, _FLOOR)
    lights = [light * white for light in lights]
    slope_x, slope_y, blur, texture = answers(fine_rel, rel, art.weight, art.fill, g, b)
    # light that enters through the dye elsewhere and leaves here passes each dye once: square roots
    root = np.sqrt(rel)
    scatter = np.stack([sum(w * _sideways(root, ok, s / step) for s, w in mix) / root - 1 for mix in _SCATTER], axis=2)
    scatter = np.log1p(0.2 * scatter) / 0.2  # a share of light adds, the fit works on logarithms
    return Expected(
        rel=rel,
        device=art.device,
        slope_x=slope_x,
        slope_y=slope_y,
        blur=blur,
        scatter=scatter,
        texture=texture,
        inside=ok,
        fine_rel=fine_rel,
        fine_device=art.fine,
        fine_px_per_mm=g,
        step_mm=step,
        size_mm=size_mm,
        shape=laid.shape,
        views=tuple(replace(v, first_light=light) for v, light in zip(blocks, lights, strict=True)),
        degree=art.degree,
        colours=art.colours,
        source=laid.source,
        coat=coat,
        coefficient=coefficient,
        white=white,
    )


def _sideways(rel: Array, ok: Array, sigma: float) -> Array:
    weight = ok.astype(float)
    up = cv2.GaussianBlur(rel * weight[..., None], (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
    down = cv2.GaussianBlur(weight, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(up / np.maximum(down, 1e-6)[..., None])


def _plane(xy_mm: Array, size_mm: tuple[float, float], degree: int) -> Array:
    half = max(size_mm) / 2
    u = (xy_mm - [size_mm[0] / 2, size_mm[1] / 2]) / half
    return polynomial_terms(u[..., 0], u[..., 1], degree)


def _first_light(v: ViewBlocks, places: Array, size_mm: tuple[float, float]) -> Array:
    """Level and shape of the light from the card, or just the level of the bright places."""
    if len(v.ring_y):
        a = _plane(v.ring_mm, size_mm, 2)
        x, _, _ = robust_least_squares(a, np.log(np.maximum(v.ring_y, 1e-4)), floor=0.003)
        return np.asarray(np.exp(_plane(places, size_mm, 2) @ x))
    if v.blank_used:
        return np.ones_like(v.y)
    level = np.nanpercentile(v.y.reshape(-1, 3), 99, axis=0)
    return np.asarray(np.broadcast_to(np.maximum(level, 1e-3), v.y.shape).copy())


def _better_light(
    v: ViewBlocks, light: Array, rel: Array, weight: Array, places: Array, size_mm: tuple[float, float]
) -> Array:
    use = (v.teaches > 0.3) & (weight > 0.02) & np.isfinite(v.y).all(axis=2)
    if use.sum() < 12 or v.blank_used:
        return light
    r = np.log(np.maximum(v.y[use], 1e-4) / (rel[use] * light[use]))
    w = weight[use] * v.fill[use] * np.minimum(rel[use].mean(axis=1) / 0.05, 1.0)
    # card and print differ by a constant of their own, so the fit inside has its own level
    a = _plane(places[use], size_mm, 2)
    if len(v.ring_y):
        ring = np.log(v.ring_y / np.exp(_interpolated(np.log(light), v.ring_mm, places, size_mm))).mean(axis=1)
        ar = _plane(v.ring_mm, size_mm, 2)
        a = np.column_stack([np.concatenate([a, ar]), np.r_[np.zeros(len(a)), np.ones(len(ar))]])
        y = np.concatenate([r.mean(axis=1), ring])
        share = w.sum() / max(len(ar), 1)
        w_all = np.concatenate([w, np.full(len(ar), 2.0 * share)])
        x, _, _ = robust_least_squares(a, y, weights=w_all, ridge=1e-6, floor=0.005, rounds=5)
        x = x[:-1]
    else:
        x, _, _ = robust_least_squares(a, r.mean(axis=1), weights=w, ridge=1e-6, floor=0.005, rounds=5)
    shape = _plane(places, size_mm, 2)[..., 1:] @ x[1:]
    return np.asarray(light * np.exp(shape)[..., None])


def _interpolated(log_light: Array, at_mm: Array, places: Array, size_mm: tuple[float, float]) -> Array:
    """Degree-2 light carried on to places outside the piece, (m, 3)."""
    a = _plane(places.reshape(-1, 2), size_mm, 2)
    x = np.linalg.lstsq(a, log_light.reshape(-1, 3), rcond=None)[0]
    return np.asarray(_plane(at_mm, size_mm, 2) @ x)


def _coat_level(
    blocks: Sequence[ViewBlocks], device: Array, rel: Array, start: Answer, ok: Array, *, lit: Lit
) -> tuple[Array, str]:
    """Signal of the bare coat on the scale of ``rel``; a bare blank lets pass less than the open panel."""
    white = ok & (device.min(axis=2) > 250)
    if white.sum() >= 6:
        return np.asarray(np.median(rel[white], axis=0)), "artwork"
    if lit == "front" and all(len(v.ring_y) or v.blank_used for v in blocks):
        return np.ones(3) * 1.0, "card"
    aim = np.asarray(start(device[ok]), dtype=float)
    bright = np.argsort(aim.mean(axis=1))[-max(10, ok.sum() // 20) :]
    ratio = (rel[ok][bright] / aim[bright]).mean(axis=1)
    level = float(np.median(ratio))
    cast = np.median(rel[ok][bright] / aim[bright], axis=0)
    return np.asarray(np.where(np.isfinite(cast), 0.5 * (cast + level), level)), "guess"
