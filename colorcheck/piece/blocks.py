"""Artwork and photos of one piece averaged in blocks of one to three millimetres, before anything is fitted."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..ground.grid import block_means, block_places, means_in_blocks
from ..ground.records import FlatImage, Lit, Pixels, Shape
from ..ground.robust import legendre, polynomial_terms, robust_least_squares
from ..ground.transmitted import passed_once

Array = NDArray[Any]

_FINE_PX_PER_MM = 3.0

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
class ArtworkBlocks:
    """The artwork in fine pixels and in blocks, with what the fit of its colours needs.

    ``fine`` (H, W, 3) device RGB, ``fine_terms`` (H, W, terms) and ``fine_start`` (H, W, 3) the terms of the colour map
    and the colours it starts from; ``device`` (r, c, 3), ``terms`` (r, c, terms) and ``start`` (r, c, 3) the same of
    blocks; ``weight`` (H, W, 3) 1 inside the outline, ``fill`` (r, c) its share of a block; ``plain`` (r, c) how little
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
    start: Answer
    lit: Lit


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


def distinct_colours(device: Array, ok: Array) -> int:
    """How many clearly different colours fill at least two blocks each."""
    v = (device[ok] / 24).astype(np.int64)
    _, count = np.unique(v[:, 0] * 256 + v[:, 1] * 16 + v[:, 2], return_counts=True)
    return int((count >= 2).sum())


def starting_colours(answer: Answer | None, lit: Lit) -> Answer:
    """Colours from which the fit starts; lit from behind, light has passed the dye once."""
    if answer is None and lit == "behind":
        return lambda v: np.asarray(passed_once(_aim(v)), dtype=np.float32)
    if answer is None:
        return _aim
    return lambda v: np.maximum(np.asarray(answer(v), dtype=np.float32), 1e-3)


def _aim(device: Any) -> Any:
    """Device RGB read as sRGB, black lifted a little: where every fit starts."""
    v = np.asarray(device, dtype=np.float32) / np.float32(255)
    lin = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** np.float32(2.4))
    return np.float32(0.015) + np.float32(0.985) * lin


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


def lay_in_blocks(
    views: Sequence[PieceView],
    artwork: Any,
    size_mm: tuple[float, float],
    shape: Shape = "rect",
    *,
    answer: Answer | None = None,
    source: str = "photo",
    rim_mm: float = 1.5,
    lit: Lit = "front",
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
    covered: Any = _outline(size_mm, shape, g, hw, rim_mm).astype(np.float32)
    weight = cv2.merge((covered,) * 3)
    fill = block_means(covered, b).astype(float)
    device = means_in_blocks(fine, weight, fill, b)
    rough = np.sqrt(np.maximum(means_in_blocks(cv2.multiply(fine, fine), weight, fill, b) - device**2, 0)).mean(axis=2)
    colours = distinct_colours(device, fill > 0.3)
    degree = 1 if colours < 6 else 2 if colours < 25 else 3
    start = starting_colours(answer, lit)
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
    return Laid(drawn, blocks, size_mm, shape, answer, source if answer is not None else "photo", start, lit)
