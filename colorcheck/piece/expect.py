"""What the piece should look like: artwork → expected colour, on a coarse millimetre grid.

The best available source is taken: the answer of the substrate as a reading measured it,
a profile, or the photo itself. In every case a smooth map from artwork RGB to photo colour
is fitted robustly to the piece (cube root of the signal, polynomial in device RGB), evaluated
at fine resolution and averaged in linear light, so that edges and fine detail are expected
as blurred as they are seen. What a small displacement, a little more blur or light that
travels sideways in the glass would do to each block is handed on with it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..ground.records import FlatImage, Pixels, Shape
from ..ground.robust import legendre, polynomial_terms, robust_least_squares

Array = NDArray[Any]

_FINE_PX_PER_MM = 3.0
_SCATTER = (
    ((2.5, 1.0),),
    ((4.0, 0.3), (8.0, 0.45), (14.0, 0.25)),
)  # reach in mm and share; the wide one: exp(-r / 6 mm)
_RIDGE = 1e-4  # of the colour map that is learned from the photo
_RIDGE_KNOWN = 3.0  # known colours may only bend a little, or the map swallows a pale middle
_FLOOR = 0.004  # least signal believed, share of the coat

Answer = Callable[[Any], Any]
"""Device RGB (n, 3) 0–255 → linear RGB (n, 3) relative to the bare coat."""


@dataclass(frozen=True, slots=True, eq=False)
class PieceView:
    """One photo of the piece, laid flat.

    ``flat`` covers the piece and ``margin_mm`` all round it: pixel (row, col) lies at
    ``x = (col + 0.5) / px_per_mm − margin_mm`` on the piece. ``blank`` is the photo of a
    white sheet in the piece's place, laid flat by the same pose, in linear light.
    ``to_photo`` takes places on the piece (n, 2) in mm to pixels (n, 2) of the photo; it is
    needed as soon as there are several photos. ``card`` says that the margin shows white card.
    """

    flat: FlatImage
    margin_mm: float = 0.0
    blank: Pixels | None = None
    to_photo: Callable[[Array], Array] | None = None
    card: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class ViewBlocks:
    """One photo averaged in blocks.

    ``y`` (r, c, 3) mean linear signal divided by the blank frame where there is one, ``fill``
    (r, c) share of the block that could be used; ``ring_y`` (m, 3) and ``ring_mm`` (m, 2)
    white card round the piece; ``fine`` (H, W, 3) linear signal and ``fine_ok`` (H, W);
    ``first_light`` (r, c, 3) a first guess of the light; ``doubtful`` (r, c) blocks under what is
    no good print or no plain light, so that no fit may learn from them.
    """

    y: Array
    fill: Array
    ring_y: Array
    ring_mm: Array
    fine: Pixels
    fine_ok: Array
    first_light: Array
    blank_used: bool
    to_photo: Callable[[Array], Array] | None
    doubtful: Array

    @property
    def teaches(self) -> Array:
        """Share of each block (r, c) that a fit may learn from."""
        return np.where(self.doubtful, 0.0, self.fill)


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """Expected image of the piece and how it would react, on blocks of ``step_mm``.

    ``rel`` (r, c, 3) linear signal relative to the bare coat; ``device`` (r, c, 3) mean
    artwork RGB; ``slope_x``/``slope_y`` (r, c, 3) change of its logarithm per mm of
    displacement, ``blur`` (r, c, 3) per unit of extra blur, ``scatter`` (r, c, 2, 3) per
    unit share of sideways light; ``texture`` (r, c) roughness of the artwork inside the
    block; ``inside`` (r, c); ``fine_rel`` (H, W, 3) the expected image in fine pixels,
    ``fine_px_per_mm``; ``source`` 'reading', 'profile' or 'photo'; ``coat`` where the level
    of the bare coat came from: 'artwork', 'card' or 'guess', ``white`` (3,) that level on the scale of the fit;
    ``coefficient`` (terms, 3) of the colour map.
    """

    rel: Array
    device: Array
    slope_x: Array
    slope_y: Array
    blur: Array
    scatter: Array
    texture: Array
    inside: Array
    fine_rel: Pixels
    fine_device: Pixels
    fine_px_per_mm: float
    step_mm: float
    size_mm: tuple[float, float]
    shape: Shape
    views: tuple[ViewBlocks, ...]
    degree: int
    colours: int
    source: str
    coat: str
    coefficient: Array
    white: Array


def block_means(image: Any, b: int) -> Any:
    """Mean of every ``b`` × ``b`` square, what is left over at the right and bottom averaged alone."""
    h, w = image.shape[:2]
    r, c = -(-h // b), -(-w // b)
    pad = ((0, r * b - h), (0, c * b - w)) + ((0, 0),) * (image.ndim - 2)
    whole = np.pad(image, pad, mode="edge") if pad[0][1] or pad[1][1] else image
    flat = whole.reshape(r * b, c * b, -1)
    parts = [
        cv2.resize(flat[..., k : k + 4], (c, r), interpolation=cv2.INTER_AREA).reshape(r, c, -1)
        for k in range(0, flat.shape[2], 4)
    ]
    out = parts[0] if len(parts) == 1 else np.concatenate(parts, axis=2)
    return out.reshape((r, c) + image.shape[2:])


def colour_terms(device_rgb: Any, degree: int) -> Any:
    """Products of Legendre polynomials up to a total degree, and the logarithm of each channel, (n, terms)."""
    device = np.asarray(device_rgb, dtype=np.float32)
    v = np.ascontiguousarray(np.moveaxis(device, -1, 0)) / np.float32(127.5) - np.float32(1)
    p = [legendre(x, degree) for x in v]
    powers = [
        (i, j, total - i - j)
        for total in range(degree + 1)
        for i in range(total, -1, -1)
        for j in range(total - i, -1, -1)
    ]
    # term by term in memory: products with the coefficients are then quick
    out = np.empty((len(powers) + 3, *device.shape[:-1]), np.float32)
    for term, (i, j, k) in enumerate(powers):
        np.multiply(p[0][i] * p[1][j], p[2][k], out=out[term])
    # a printer with other curves, or with inks exchanged, is far from a polynomial in the dark
    for c in range(3):
        out[len(powers) + c] = np.log(_aim(device[..., c])) / np.float32(2) + np.float32(1)
    return np.moveaxis(out, 0, -1)


def block_places(shape: tuple[int, int], step_mm: float) -> Array:
    """Middles of the blocks in mm, (r, c, 2)."""
    x, y = (np.arange(shape[1]) + 0.5) * step_mm, (np.arange(shape[0]) + 0.5) * step_mm
    return np.stack(np.meshgrid(x, y), axis=-1)


def _outline(size_mm: tuple[float, float], shape: Shape, g: float, hw: tuple[int, int], rim_mm: float) -> Array:
    ok = np.zeros(hw, np.uint8)
    w, h = size_mm
    if shape == "round":
        centre = (round((w / 2 * g - 0.5) * 16), round((h / 2 * g - 0.5) * 16))
        axes = (round((w / 2 - rim_mm) * g * 16), round((h / 2 - rim_mm) * g * 16))
        cv2.ellipse(ok, centre, axes, 0, 0, 360, 1, -1, cv2.LINE_8, 4)
    else:
        r = int(np.ceil(rim_mm * g))
        ok[r : hw[0] - r, r : hw[1] - r] = 1
    return ok.astype(bool)


def _resized(image: Any, wh: tuple[int, int]) -> Any:
    shrink = image.shape[1] >= wh[0]
    return cv2.resize(image, wh, interpolation=cv2.INTER_AREA if shrink else cv2.INTER_LINEAR)


def _view_blocks(
    view: PieceView, size_mm: tuple[float, float], shape: Shape, g: float, b: int, rim_mm: float
) -> ViewBlocks:
    flat, m = view.flat, view.margin_mm
    full = (round((size_mm[0] + 2 * m) * g), round((size_mm[1] + 2 * m) * g))
    rgb = _resized(flat.rgb, full)
    np.nan_to_num(rgb, copy=False, nan=0.0)
    bad = _resized(((flat.clipped != 0) | ~flat.inside).astype(np.float32), full) > 0.01
    edge = round(m * g)
    hw = (round(size_mm[1] * g), round(size_mm[0] * g))
    inner = (slice(edge, edge + hw[0]), slice(edge, edge + hw[1]))
    ring_y, ring_mm = np.zeros((0, 3)), np.zeros((0, 2))
    blank = None
    if view.blank is not None:
        blank = _resized(np.nan_to_num(view.blank, nan=0.0), full)
        blank = cv2.blur(blank, (2 * int(3 * g) + 1,) * 2, borderType=cv2.BORDER_REFLECT_101)
        blank = cv2.blur(blank, (2 * int(2 * g) + 1,) * 2, borderType=cv2.BORDER_REFLECT_101)
        rgb = rgb / np.maximum(blank, 0.01)
    if view.card and m >= 6 and blank is None:
        ring_y, ring_mm = _card_ring(rgb, bad, size_mm, shape, g, m)
    fine = np.ascontiguousarray(rgb[inner], dtype=np.float32)
    ok = ~bad[inner] & _outline(size_mm, shape, g, hw, rim_mm)
    weight = ok.astype(np.float32)
    total = block_means(np.concatenate([fine * weight[..., None], weight[..., None]], axis=2), b).astype(float)
    fill = total[..., 3]
    with np.errstate(invalid="ignore", divide="ignore"):
        y = np.where(fill[..., None] > 0.3, total[..., :3] / fill[..., None], np.nan)
    return ViewBlocks(
        y=y,
        fill=np.where(fill > 0.3, fill, 0.0),
        ring_y=ring_y,
        ring_mm=ring_mm,
        fine=fine,
        fine_ok=ok,
        first_light=np.ones_like(y),
        blank_used=blank is not None,
        to_photo=view.to_photo,
        doubtful=np.zeros(fill.shape, bool),
    )


def _card_ring(
    rgb: Any, bad: Array, size_mm: tuple[float, float], shape: Shape, g: float, m: float
) -> tuple[Array, Array]:
    """White card round the piece in 4 mm squares, those that are no card left out."""
    b = max(round(4 * g), 1)
    y = block_means(rgb, b).astype(float)
    sq = block_means((rgb.astype(np.float32)) ** 2, b).astype(float)
    spread = np.sqrt(np.maximum(sq - y**2, 0)).max(axis=2) / np.maximum(y.mean(axis=2), 1e-6)
    clear = block_means(bad.astype(np.float32), b) < 0.05
    xy = block_places(clear.shape, b / g) - m
    x, yy = xy[..., 0], xy[..., 1]
    w, h = size_mm
    if shape == "round":
        away = (np.hypot((x - w / 2) / w, (yy - h / 2) / h) - 0.5) * min(w, h)
    else:
        away = np.maximum(np.maximum(-x, x - w), np.maximum(-yy, yy - h))
    use = clear & (away > 5.0) & (y.min(axis=2) > 0.02)
    if use.sum() < 20:
        return np.zeros((0, 3)), np.zeros((0, 2))
    # card is smooth and bright: rough squares (the piece's shadow, a table edge) and dark ones go
    use &= spread < max(3 * float(np.median(spread[use])), 0.02)
    level = np.log(y[use].mean(axis=1))
    p = xy[use] / max(w, h) * 2 - 1
    coeff, robust, scale = robust_least_squares(polynomial_terms(p[:, 0], p[:, 1], 2), level, floor=0.004)
    left = np.abs(level - polynomial_terms(p[:, 0], p[:, 1], 2) @ coeff)
    keep = (robust > 0.2) & (left < max(4 * scale, 0.02))
    return y[use][keep], xy[use][keep]


def _aim(device: Any) -> Any:
    """Device RGB read as sRGB, black lifted a little: where every fit starts."""
    v = np.asarray(device, dtype=np.float32) / np.float32(255)
    lin = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** np.float32(2.4))
    return np.float32(0.015) + np.float32(0.985) * lin


def distinct_colours(device: Array, ok: Array) -> int:
    """How many clearly different colours fill at least two blocks each."""
    v = (device[ok] / 24).astype(np.int64)
    _, count = np.unique(v[:, 0] * 256 + v[:, 1] * 16 + v[:, 2], return_counts=True)
    return int((count >= 2).sum())


@dataclass(frozen=True, slots=True, eq=False)
class ArtworkBlocks:
    """The artwork in fine pixels and in blocks, with what the fit of its colours needs.

    ``fine`` (H, W, 3) device RGB, ``fine_terms`` (H, W, terms) and ``fine_start`` (H, W, 3) the terms of the colour map
    and the colours it starts from; ``device`` (r, c, 3), ``terms`` (r, c, terms) and ``start`` (r, c, 3) the same of
    blocks; ``weight`` (H, W) 1 inside the outline, ``fill`` (r, c) its share of a block; ``plain`` (r, c) how little
    a block changes inside, 0 to 1.
    """

    fine: Pixels
    fine_terms: Pixels
    fine_start: Pixels
    device: Array
    terms: Array
    start: Array
    weight: Pixels
    fill: Array
    plain: Array
    px_per_mm: float
    step_mm: float
    degree: int
    colours: int

    @property
    def inside(self) -> Array:
        """Blocks (r, c) that lie on the piece."""
        return self.fill > 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """Artwork and photos of one piece in blocks, before any fit."""

    artwork: ArtworkBlocks
    views: tuple[ViewBlocks, ...]
    size_mm: tuple[float, float]
    shape: Shape
    answer: Answer | None
    source: str


def _means(image: Any, weight: Any, fill: Array, b: int) -> Array:
    """Mean of a fine image (H, W, k) over the part of each block inside the outline, (r, c, k)."""
    part = cv2.multiply(np.ascontiguousarray(image), cv2.merge((weight,) * image.shape[2]))
    return np.asarray(block_means(part, b) / np.maximum(fill, 1e-6)[..., None], dtype=float)


def lay_in_blocks(
    views: Sequence[PieceView],
    artwork: Any,
    size_mm: tuple[float, float],
    shape: Shape = "rect",
    *,
    answer: Answer | None = None,
    source: str = "photo",
    rim_mm: float = 1.5,
) -> Laid:
    """Average artwork and photos in blocks.

    Parameters
    ----------
    views : sequence of PieceView
        Photos of the same piece, each laid flat and registered.
    artwork : (H, W, 3)
        Device RGB 0–255 over the piece (not its margin), as the viewer sees it, blurred as
        the photo is.
    answer : callable, optional
        Device RGB → linear RGB relative to the coat, from a reading or a profile; the fit
        then starts from it and may bend it only gently.
    source : str
        What ``answer`` comes from: 'reading' or 'profile'.
    rim_mm : float
        Width along the outline that is left out.

    Returns
    -------
    Laid
    """
    big = max(size_mm)
    step = 1.0 if big < 110 else 2.0 if big < 330 else 3.0
    g = _FINE_PX_PER_MM if big < 260 else 2.0
    b = round(step * g)
    blocks = tuple(_view_blocks(v, size_mm, shape, g, b, rim_mm) for v in views)
    hw = blocks[0].fine.shape[:2]
    fine = _resized(np.asarray(artwork, dtype=np.float32), (hw[1], hw[0]))
    weight: Any = _outline(size_mm, shape, g, hw, rim_mm).astype(np.float32)
    fill = block_means(weight, b).astype(float)
    device = _means(fine, weight, fill, b)
    rough = np.sqrt(np.maximum(_means(cv2.multiply(fine, fine), weight, fill, b) - device**2, 0)).mean(axis=2)
    colours = distinct_colours(device, fill > 0.3)
    degree = 1 if colours < 6 else 2 if colours < 25 else 3
    start = _start_of(answer)
    drawn = ArtworkBlocks(
        fine=fine,
        fine_terms=colour_terms(fine, degree),
        fine_start=np.asarray(start(fine.reshape(-1, 3)), dtype=np.float32).reshape(fine.shape),
        device=device,
        terms=colour_terms(device, degree).astype(float),
        start=np.asarray(start(device.reshape(-1, 3)), dtype=float).reshape(device.shape),
        weight=weight,
        fill=fill,
        plain=(fill > 0.3) / (1 + (rough / 12.0) ** 2),
        px_per_mm=g,
        step_mm=step,
        degree=degree,
        colours=colours,
    )
    return Laid(drawn, blocks, size_mm, shape, answer, source if answer is not None else "photo")


def _start_of(answer: Answer | None) -> Answer:
    """Colours from which the fit starts."""
    if answer is None:
        return _aim
    return lambda v: np.maximum(np.asarray(answer(v), dtype=np.float32), 1e-3)


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
        return _means(image, art.weight, art.fill, b)

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
    white, coat = _coat_level(blocks, art.device, mean_rel, _start_of(laid.answer), ok)
    fine_rel /= white.astype(np.float32)
    rel = np.maximum(mean_rel / white, _FLOOR)
    lights = [light * white for light in lights]
    dx = cv2.Sobel(fine_rel, cv2.CV_32F, 1, 0, ksize=3, scale=g / 8)
    dy = cv2.Sobel(fine_rel, cv2.CV_32F, 0, 1, ksize=3, scale=g / 8)
    lap = cv2.GaussianBlur(fine_rel, (0, 0), 0.3 * g) - fine_rel
    texture = np.sqrt((means(cv2.add(cv2.multiply(dx, dx), cv2.multiply(dy, dy))) / rel**2).mean(axis=2))
    # light that enters through the dye elsewhere and leaves here passes each dye once: square roots
    root = np.sqrt(rel)
    scatter = np.stack([sum(w * _sideways(root, ok, s / step) for s, w in mix) / root - 1 for mix in _SCATTER], axis=2)
    scatter = np.log1p(0.2 * scatter) / 0.2  # a share of light adds, the fit works on logarithms
    return Expected(
        rel=rel,
        device=art.device,
        slope_x=means(dx) / rel,
        slope_y=means(dy) / rel,
        blur=means(lap) / rel,
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


def _coat_level(blocks: Sequence[ViewBlocks], device: Array, rel: Array, start: Answer, ok: Array) -> tuple[Array, str]:
    """Signal of the bare coat on the scale of ``rel``."""
    white = ok & (device.min(axis=2) > 250)
    if white.sum() >= 6:
        return np.asarray(np.median(rel[white], axis=0)), "artwork"
    if all(len(v.ring_y) or v.blank_used for v in blocks):
        return np.ones(3) * 1.0, "card"
    aim = np.asarray(start(device[ok]), dtype=float)
    bright = np.argsort(aim.mean(axis=1))[-max(10, ok.sum() // 20) :]
    ratio = (rel[ok][bright] / aim[bright]).mean(axis=1)
    level = float(np.median(ratio))
    cast = np.median(rel[ok][bright] / aim[bright], axis=0)
    return np.asarray(np.where(np.isfinite(cast), 0.5 * (cast + level), level)), "guess"


__all__ = [
    "Answer",
    "Expected",
    "PieceView",
    "ViewBlocks",
    "block_means",
    "block_places",
    "colour_terms",
    "distinct_colours",
    "expected_image",
]
