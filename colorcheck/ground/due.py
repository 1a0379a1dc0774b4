"""What was due, in blocks, and what is known of it before and after a photo was seen.

How a block's logarithm would answer a displacement, more blur or missing dye; the noise of each kind of
block; the error of each colour, learned from wherever it appears. Shared by targets and finished pieces.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from .grid import Array, block_means, means_in_blocks
from .records import Pixels
from .relative import dye_depth
from .robust import mad_std

_TILE_MM = 28.0
_SOFT = 0.008
_ALONE_STD = 0.3  # of the logarithm: what a colour that occurs in one place only may be off, if it may not be learned


@dataclass(frozen=True, slots=True, eq=False)
class Due:
    """What a piece should look like, on blocks of ``step_mm``.

    ``rel`` (r, c, 3) linear signal relative to the bare coat; ``device`` (r, c, 3) mean device RGB;
    ``slope_x``/``slope_y`` (r, c, 3) change of its logarithm per mm of displacement, ``blur`` (r, c, 3) per unit of
    extra blur; ``texture`` (r, c) roughness inside the block; ``inside`` (r, c); ``fine_rel`` and ``fine_device``
    (H, W, 3) in fine pixels of ``fine_px_per_mm``.
    """

    rel: Array
    device: Array
    slope_x: Array
    slope_y: Array
    blur: Array
    texture: Array
    inside: Array
    fine_rel: Pixels
    fine_device: Pixels
    fine_px_per_mm: float
    step_mm: float


def answers(fine_rel: Any, rel: Array, weight: Any, fill: Array, g: float, b: int) -> tuple[Array, Array, Array, Array]:
    """How blocks answer a displacement along x and y and more blur, and how rough they are inside.

    Parameters
    ----------
    fine_rel : (H, W, 3)
        Expected signal in fine pixels, ``g`` per mm.
    rel : (r, c, 3)
        Its mean in blocks of ``b`` pixels.
    weight, fill : (H, W, 3), (r, c)
        1 inside the outline, and its share of each block.

    Returns
    -------
    slope_x, slope_y, blur : (r, c, 3)
    texture : (r, c)
    """

    def means(image: Any) -> Array:
        return means_in_blocks(image, weight, fill, b)

    dx = cv2.Sobel(fine_rel, cv2.CV_32F, 1, 0, ksize=3, scale=g / 8)
    dy = cv2.Sobel(fine_rel, cv2.CV_32F, 0, 1, ksize=3, scale=g / 8)
    lap = cv2.GaussianBlur(fine_rel, (0, 0), 0.3 * g) - fine_rel
    texture = np.sqrt((means(cv2.add(cv2.multiply(dx, dx), cv2.multiply(dy, dy))) / rel**2).mean(axis=2))
    return means(dx) / rel, means(dy) / rel, means(lap) / rel, texture


def log_left(y: Array, light: Array, rel: Array) -> Array:
    """Logarithm of seen over due; near black it is softened: there a little stray light would count for much."""
    with np.errstate(invalid="ignore", divide="ignore"):
        seen = np.log((np.maximum(y, 0) / light + _SOFT) / (rel + _SOFT))
        return np.asarray(seen * (rel + _SOFT) / rel)


def dye_floor(e: Due) -> Array:
    """Give the part of the signal (3,) that never passes the dye, from the darkest print of the piece."""
    dark = np.percentile(e.fine_rel[::3, ::3].reshape(-1, 3), 0.5, axis=0)
    return np.asarray(np.minimum(0.6 * dark, 0.03), dtype=np.float32)


def block_depth(e: Due) -> Array:
    """Depth of every block (r, c, 3), dye taken out of the fine picture.

    A thin black line in white loses next to nothing to the eye when its dye is missing, far less than an even
    grey of the same mean would: the depth of the mean is up to twice the mean of the depths.
    """
    fine = e.fine_rel
    lost = (dye_depth(fine, dye_floor(e)) * np.maximum(fine, 1e-4)).astype(np.float32)
    b = round(e.step_mm * e.fine_px_per_mm)
    return np.asarray(block_means(lost, b) / np.maximum(block_means(fine, b), 1e-4), dtype=float)


def prior_variance(e: Due) -> Array:
    """Variance of a block's logarithm before anything is known of the photo, (r, c, 3)."""
    return np.asarray(0.006**2 + (0.0025 / e.rel) ** 2 + structure_variance(e))


def structure_variance(e: Due) -> Array:
    """Return the part of it that detail and edges of the artwork make, (r, c, 3)."""
    move = e.slope_x**2 + e.slope_y**2
    return np.asarray(0.10**2 * move + (0.10 * e.blur) ** 2 + (0.015 * e.texture[..., None]) ** 2)


def colour_groups(device: Array, ok: Array) -> Any:
    """Give every block (r, c) the number of its colour: cubes of 20 device codes; −1 where not ``ok``."""
    code = _colour_code(device)
    code[~ok] = -1
    _, group = np.unique(code, return_inverse=True)
    group = group.reshape(code.shape)
    return group - 1 if (~ok).any() else group


def settle_colours(
    left: Array,
    depth: Array,
    lack: Array,
    group: Any,
    places: Array,
    prior_var: Array,
    e: Due,
    *,
    doubtful: Array,
    fill: Array,
    learn_alone: bool = True,
) -> tuple[Array, Array, Array]:
    """Take out what a colour shows wherever it appears, and tell the noise of each kind of block.

    ``learn_alone`` lets a colour that occurs in one place be learned there, so that what happened to it there is taken
    for its own. ``doubtful`` (v, r, c) blocks of a photo teach nothing; ``fill`` (v, r, c) is the share of a block that
    was seen. A colour's own error and locally missing dye are fitted in turn: colours that are alone in one place share
    what is seen there with their neighbours. Returns ``left``, its variance, and the variance (groups, 3) that is left
    in each colour's own error.
    """
    v = left.shape[0]
    number = max(int(group.max()) + 1, 1)
    total = np.zeros((number, 3))
    doubt = np.full((number, 3), 0.01**2)
    tile = (places[..., 0] // _TILE_MM).astype(int) * 100 + (places[..., 1] // _TILE_MM).astype(int)
    good = np.isfinite(left).all(axis=(0, 3)) & (group >= 0)
    clear = ~doubtful
    teaches = good & clear.any(axis=0)
    quiet = teaches & (structure_variance(e).min(axis=2) < 0.04**2)
    if quiet.sum() < 50:
        quiet = teaches if teaches.sum() >= 50 else good
    told = np.where(clear.any(axis=0), clear, True)[..., None]
    mean = np.where(good[..., None], (np.nan_to_num(left) * told).sum(axis=0) / told.sum(axis=0), 0.0)
    order = np.flatnonzero(quiet.ravel())
    key = group.ravel()[order] * 100000 + tile.ravel()[order]
    order = order[np.argsort(key, kind="stable")]
    key = np.sort(key)
    info = np.where(quiet[..., None], depth / np.maximum(prior_var, 1e-6), 0.0)
    alone = _loneliness(e.device, group, tile, quiet, number)
    smooth = lack
    for turn in range(3):
        value = (mean - total[np.maximum(group, 0)] - depth * smooth[..., None]).reshape(-1, 3)[order]
        step, doubt = _group_offsets(key, value, number, total, alone, learn_alone)
        total = step
        rest = mean - total[np.maximum(group, 0)]
        if turn < 2:
            up = (rest * info).sum(axis=2)
            down = (depth * info).sum(axis=2)
            s = 7.0 / e.step_mm
            prior = max(0.02 * float(np.median(down[quiet])), 1.0) if quiet.any() else 1.0
            smooth = cv2.GaussianBlur(up, (0, 0), s) / (cv2.GaussianBlur(down, (0, 0), s) + prior) - lack
            # every colour errs a little, missing dye is rare: only what stands out is left to it
            limit = 2.5 * float(mad_std(smooth[quiet])) if quiet.any() else 0.0
            smooth = lack + np.sign(smooth) * np.maximum(np.abs(smooth) - limit, 0.0)
    left = left - _offsets_in_detail(e, group, total)[None]
    # noise by kind: how much the artwork changes inside the block, and how dark it is
    var = np.full(left.shape, np.inf)
    guess = np.sqrt(prior_var)
    for k in range(v):
        ok = np.isfinite(left[k]).all(axis=2) & e.inside
        rest_k = left[k] - depth * smooth[..., None]
        for c in range(3):
            s_c = guess[..., c][ok]
            curve = np.ones(len(s_c))
            if len(s_c) >= 30:
                curve = _noise_curve(s_c, rest_k[..., c][ok], s_c)
            var[k][..., c][ok] = (curve * s_c) ** 2 / np.clip(fill[k][ok], 0.3, 1.0)
    return left, var, doubt


def _loneliness(device: Array, group: Any, tile: Any, quiet: Array, number: int) -> Array:
    """Say how much less a colour is known than usual, for want of others like it, (groups,), 1 or more."""
    g = group[quiet]
    count = np.bincount(g, minlength=number)
    mean: Any = np.stack([np.bincount(g, device[quiet][:, c], number) for c in range(3)], axis=1)
    mean = mean / np.maximum(count, 1)[:, None]
    pairs = np.unique(g.astype(np.int64) * 100000 + tile[quiet])
    tiles = np.bincount(pairs // 100000, minlength=number).astype(float)
    close = ((mean[:, None, :] - mean[None, :, :]) ** 2).sum(axis=2) < 45.0**2
    support = (close * tiles[None, :]).sum(axis=1)
    return np.asarray(1 + 15.0 / np.maximum(support, 0.7))


def _offsets_in_detail(e: Due, group: Any, total: Array) -> Array:
    """Sum what the colours' own errors make of every block, by its parts, (r, c, 3)."""
    plain = np.where(group[..., None] >= 0, total[np.maximum(group, 0)], 0.0)
    table = np.full(14 * 14 * 14, -1)
    table[_colour_code(e.device).ravel()] = group.ravel()
    fine = table[_colour_code(e.fine_device)]
    b = round(e.step_mm * e.fine_px_per_mm)
    known = block_means((fine >= 0).astype(np.float32), b) > 0.9
    factor = np.exp(np.vstack([total, np.zeros(3)])).astype(np.float32)[fine]  # the last one: no group
    with np.errstate(invalid="ignore", divide="ignore"):
        mixed = np.log(block_means(e.fine_rel * factor, b) / block_means(e.fine_rel, b))
    return np.where(known[..., None] & np.isfinite(mixed), mixed, plain)


def _colour_code(device: Any) -> Any:
    """Return the number of the cube of 20 device codes in which a colour lies."""
    q = (device * np.float32(1 / 20) + np.float32(0.5)).astype(np.int32)
    return q[..., 0] * 196 + q[..., 1] * 14 + q[..., 2]


def _group_offsets(
    key: Any, value: Array, number: int, before: Array, alone: Array, learn_alone: bool
) -> tuple[Array, Array]:
    """Find the new total offset of every colour, shrunk by how much colours differ at all, and its variance."""
    start = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    count = np.diff(np.r_[start, len(key)])
    tile_mean = np.add.reduceat(value, start, axis=0) / count[:, None]
    of = key // 100000
    owner = of[start]
    several = count >= 2
    big = np.bincount(owner[several], minlength=number)
    usual = big >= 3
    # colours seen on several tiles: the middle of the tiles' means; the others: the middle of their blocks
    raw = np.where(
        usual[:, None],
        _medians(owner[several], tile_mean[several], number),
        _medians(of, value, number),
    )
    blocks = np.bincount(of, minlength=number)
    places = np.bincount(owner, minlength=number)
    few = np.where(blocks > 0, np.maximum(np.minimum(places, blocks / 4), 0.25), 0.0)
    tiles = np.where(usual, big, few)
    apart = several & usual[owner]
    within = tile_mean[apart] - raw[owner[apart]] if apart.any() else np.full((3, 3), 0.01)
    raw += np.where(tiles[:, None] > 0, before, 0.0)
    within2 = np.maximum(mad_std(within, axis=0), 0.002) ** 2
    known = tiles > 0.5
    spread2 = np.maximum(mad_std(raw[known], axis=0) ** 2 - within2 / 3, 0.002**2) if known.sum() > 4 else within2
    spread2 = spread2 * alone[:, None]
    shrink = spread2 / (spread2 + within2 / np.maximum(tiles, 0.1)[:, None])
    offset, doubt = raw * shrink, spread2 * (1 - shrink)
    if learn_alone:
        return offset, doubt
    return np.where(usual[:, None], offset, 0.0), np.where(usual[:, None], doubt, _ALONE_STD**2)


def _medians(group: Any, value: Array, number: int) -> Array:
    """Median (number, 3) of the values (n, 3) of every group; 0 where a group has none."""
    out = np.zeros((number, 3))
    count = np.bincount(group, minlength=number)
    there = np.flatnonzero(count)
    first = np.cumsum(count)[there] - count[there]
    low, high = first + (count[there] - 1) // 2, first + count[there] // 2
    for c in range(3):
        v = value[:, c][np.lexsort((value[:, c], group))]
        out[there, c] = 0.5 * (v[low] + v[high])
    return out


def _noise_curve(guess: Array, value: Array, at: Array) -> Array:
    """Spread of values over their guessed spread, as a smooth function of the guess, at guesses ``at`` (n,)."""
    order = np.argsort(guess)
    bins = np.array_split(order, int(np.clip(len(guess) // 60, 1, 8)))
    x = np.array([np.log(np.median(guess[b])) for b in bins])
    f = np.array([np.log(np.clip(mad_std(value[b]) / np.median(guess[b]), 0.2, 8.0)) for b in bins])
    if len(bins) > 2:
        padded = np.r_[f[0], f, f[-1]]
        f = 0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:]
    return np.asarray(np.exp(np.interp(np.log(at), x, f)))
