"""Which artwork does a piece show? Coarse pictures of both, compared in every way in which the piece may lie.

Two things speak for an artwork: its structure, as far as a smooth map from its colours and smooth light explain the
photo, and its colours as they are, seen against the card. The first knows no printer, the second tells the same
drawing in other colours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from ..ground.cielab import linear_srgb_to_xyz, srgb_to_linear, xyz_to_lab
from ..ground.records import Floats, Shape
from .artwork import Artwork
from .several import Cut, Region

_SIDE = 40  # places on the longer side of the coarse pictures
_RIM = 0.94  # share of the piece's size that is compared: hull and shadow lie about
_ANGLES = 120  # in which a round piece is tried
_UNTOLD_BLEEDS_MM = (0.0, 4.0, 9.0)  # tried where neither resolution nor proportions tell the bleed
_PLACES = 20.0  # independent places that the structure is worth; estimate
_NEVER_EQUAL = 0.05  # share of the variance that no photo shares with its artwork; estimate
_OFF_LAB = 7.0  # distance of colours that printers and cameras make, CIELAB units, standard deviation; estimate
_PROPORTIONS = 0.09  # by which a tilted camera changes them, natural log, standard deviation
ALIKE = 3.0  # difference in log-likelihood within which two artworks are equally likely


@dataclass(frozen=True, slots=True, eq=False)
class Sketch:
    """An artwork made ready for comparing: grids of (h, w), each over the piece's box, for one or more bleeds.

    ``basis`` (m, n, 15) orthonormal over the places compared: smooth light in the first six columns, then the
    artwork's colours; ``lab`` (m, n, 3) what the places should look like.
    """

    name: str
    shape: Shape
    size_mm: tuple[float, float]
    grid: tuple[int, int]
    inside: Any
    basis: Any
    lab: Any


@dataclass(frozen=True, slots=True)
class Match:
    """How well an artwork explains a piece: log-likelihood over a plain grey, and its two parts."""

    name: str
    index: int
    evidence: float
    structure: float
    off_lab: float


def sketch(art: Artwork) -> Sketch:
    """Reduce an artwork to what is compared."""
    w, h = art.size_mm
    g = _SIDE / max(w, h)
    grid = max(8, round(h * g)), max(8, round(w * g))
    x = (np.arange(grid[1]) + 0.5) / grid[1] * 2 - 1
    y = (np.arange(grid[0]) + 0.5) / grid[0] * 2 - 1
    u, v = (np.asarray(a) for a in np.meshgrid(x, y))
    inside: Any = (np.hypot(u, v) < _RIM) if art.shape == "round" else (np.maximum(np.abs(u), np.abs(v)) < _RIM)
    u, v = u[inside], v[inside]
    light, _ = np.linalg.qr(np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1))
    bases, labs = [], []
    for bleed in (art.bleed_mm,) if art.bleed_known else _UNTOLD_BLEEDS_MM:
        device = _inner(art, bleed, grid)[inside]
        r, gr, b = device.T * 2 - 1
        terms = np.stack([r, gr, b, r * r, gr * gr, b * b, r * gr, gr * b, b * r], axis=1)
        q, _ = np.linalg.qr(
            np.concatenate([light, terms + 1e-6 * np.sin(np.arange(terms.size)).reshape(terms.shape)], 1)
        )
        bases.append(q)
        labs.append(_lab(srgb_to_linear(device)))
    return Sketch(art.source, art.shape, art.size_mm, grid, inside, np.stack(bases), np.stack(labs))


def _lab(linear: Any) -> Floats:
    return np.asarray(xyz_to_lab(linear_srgb_to_xyz(np.clip(linear, 0.002, 1.5))))


def _inner(art: Artwork, bleed: float, grid: tuple[int, int]) -> Any:
    """Artwork over the piece without its bleed, on a coarse grid, 0 to 1."""
    tall, wide = art.rgb.shape[:2]
    w, h = art.size_mm
    x, y = (round(s * bleed / (v + 2 * bleed)) for s, v in ((wide, w), (tall, h)))
    inner = np.ascontiguousarray(art.rgb[y : tall - y, x : wide - x])
    return cv2.resize(inner, grid[::-1], interpolation=cv2.INTER_AREA).astype(np.float64) / 255.0


def matches(cut: Cut, sketches: Sequence[Sketch]) -> list[Match]:
    """Compare a piece with artworks, the likeliest first; those of another outline are left out.

    Parameters
    ----------
    cut : Cut
    sketches : sequence of Sketch

    Returns
    -------
    list of Match
        ``index`` counts in ``sketches``.
    """
    views: dict[Any, tuple[Any, Any]] = {}
    small, place, white = _reduced(cut)
    out = []
    for index, s in enumerate(sketches):
        key = (s.shape, s.grid)
        if key not in views:
            views[key] = _views(small, place, cut.region, s, white)
        logs, rel = views[key]
        if not len(logs):
            continue
        found = [_compare(s, k, logs, rel) for k in range(len(s.basis))]
        structure, off = max(found, key=lambda v: v[0] - cost_of(v[1]))
        evidence = structure - cost_of(off) - _proportions(cut.region, s)
        out.append(Match(s.name, index, evidence, structure, off))
    return sorted(out, key=lambda m: -m.evidence)


def cost_of(off_lab: float) -> float:
    """Log-likelihood lost by colours that are so far off, CIELAB units."""
    return 0.5 * (off_lab / _OFF_LAB) ** 2


def _compare(s: Sketch, k: int, logs: Any, rel: Any) -> tuple[float, float]:
    """Best orientation: log-likelihood of the structure, and distance of the colours there, CIELAB units."""
    views, n, _ = logs.shape
    flat = np.moveaxis(logs, 1, 0).reshape(n, views * 3)
    part = (s.basis[k].T @ flat) ** 2
    total = (flat**2).sum(axis=0) - part[:6].sum(axis=0) + n * 0.02**2
    share = part[6:].sum(axis=0).reshape(views, 3).sum(axis=1) / total.reshape(views, 3).sum(axis=1)
    gain = -0.5 * _PLACES * np.log((1.0 - np.clip(share, 0, 1) + _NEVER_EQUAL) / (1.0 + _NEVER_EQUAL))
    some = np.argsort(-gain)[:6]
    away = np.minimum(np.linalg.norm(_lab(rel[some]) - s.lab[k], axis=2), 60.0)
    off = np.sqrt((away**2).mean(axis=1))
    best = int(np.argmax(gain[some] - 0.5 * (off / _OFF_LAB) ** 2))
    return float(gain[some[best]]), float(off[best])


def _proportions(region: Region, s: Sketch) -> float:
    """Log-likelihood lost where the piece has other proportions than it should."""
    if region.corners is None or s.shape == "round":
        return 0.0
    c = region.corners
    a, b = (np.linalg.norm(c[i] - c[i - 1]) + np.linalg.norm(c[i - 2] - c[i - 3]) for i in (1, 2))
    off = abs(np.log(a / b)) - abs(np.log(s.size_mm[0] / s.size_mm[1]))
    return float(0.5 * (off / _PROPORTIONS) ** 2)


def _reduced(cut: Cut) -> tuple[Any, float, Floats]:
    """Give the cut at about twice the resolution that is compared, its scale, and its white: the card, if bright."""
    hull = cut.region.hull
    f = min(1.0, 2.2 * _SIDE / float(np.ptp(hull, axis=0).max()))
    rgb = cut.image.rgb
    size = max(8, round(rgb.shape[1] * f)), max(8, round(rgb.shape[0] * f))
    small: Any = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA) if f < 1 else rgb
    own = cv2.fillConvexPoly(np.zeros(small.shape[:2], np.uint8), np.round((hull + 0.5) * f - 0.5).astype(np.int32), 1)
    near = cv2.dilate(own, np.ones((2 * round(0.08 * _SIDE) + 1,) * 2, np.uint8))
    card = np.median(small[near == 0], axis=0) if (near == 0).any() else np.zeros(3)
    bright = np.percentile(small[own > 0], 98, axis=0)
    white = card if card.mean() > 0.5 * bright.mean() else bright
    return small, f, np.maximum(white, 1e-3)


def _views(small: Any, f: float, region: Region, s: Sketch, white: Floats) -> tuple[Any, Any]:
    """Give the piece in every way in which it may lie: log colours (views, n, 3) and linear ones, where compared."""
    ways = _ways(region, s)
    if not ways:
        return np.zeros((0, 0, 3)), np.zeros((0, 0, 3))
    h, w = s.grid
    x = (np.arange(w) + 0.5) / w * 2 - 1
    y = (np.arange(h) + 0.5) / h * 2 - 1
    u, v = (a[s.inside] for a in np.meshgrid(x, y))
    at = np.stack([u, v, np.ones_like(u)])
    px = np.stack(ways) @ at
    px = ((px[:, :2] / px[:, 2:]) + 0.5) * f - 0.5
    seen = cv2.remap(
        cv2.GaussianBlur(small, (0, 0), 0.8),
        px[:, 0].astype(np.float32),
        px[:, 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    rel = np.maximum(seen / white.astype(np.float32), 0)
    return np.log(rel + 0.1), rel


def _ways(region: Region, s: Sketch) -> list[Any]:
    """Homographies from the box (−1 … 1)² of the artwork to the photo, straight and mirrored."""
    out: list[Any] = []
    flips = (np.eye(3), np.diag([-1.0, 1, 1]))
    if s.shape == "rect":
        if region.corners is None:
            return []
        box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], np.float32)
        longer = s.size_mm[0] / s.size_mm[1]
        for k in range(4):
            to = np.roll(region.corners, k, axis=0)
            wide = np.linalg.norm(to[1] - to[0]) + np.linalg.norm(to[2] - to[3])
            tall = np.linalg.norm(to[3] - to[0]) + np.linalg.norm(to[2] - to[1])
            if abs(np.log(wide / tall / longer)) < 3 * _PROPORTIONS:
                m = cv2.getPerspectiveTransform(box, to.astype(np.float32))
                out += [m @ flip for flip in flips]
        return out
    if region.ellipse is None:
        return []
    (cx, cy), (d1, d2), angle = region.ellipse
    a = np.deg2rad(angle)
    onto = np.array([[np.cos(a), -np.sin(a), cx], [np.sin(a), np.cos(a), cy], [0, 0, 1.0]]) @ np.diag(
        [d1 / 2, d2 / 2, 1]
    )
    round_ = abs(np.log(s.size_mm[0] / s.size_mm[1])) < 0.02
    if round_:
        turns: Any = np.arange(_ANGLES) * 2 * np.pi / _ANGLES - a
    else:
        turns = np.array([0.0, np.pi]) + (0.0 if (d1 > d2) == (s.size_mm[0] > s.size_mm[1]) else np.pi / 2)
    for t in turns:
        turn = np.array([[np.cos(t), -np.sin(t), 0], [np.sin(t), np.cos(t), 0], [0, 0, 1.0]])
        out += [onto @ turn @ flip for flip in flips]
    return out
