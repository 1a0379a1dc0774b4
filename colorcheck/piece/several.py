"""Several pieces in one photo: where each lies, and the photo cut into one picture a piece, its neighbours covered."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from ..ground.records import Floats, LinearImage
from ..photo.decode import BOTTOM_CLIPPED
from .outline import background_distance, four_corners
from .overlay import photo_levels

_SIDE = 900  # pixels on the longer side of the picture that is searched, about
_LEAST_SHARE = 0.0025  # of the searched area: a smaller blob is dirt or a shadow
_CARD_SHARE = 0.2  # … a larger one may be a card with pieces on it
_SOLID = 0.93  # of its convex hull a piece fills at least so much
_MARGIN = 0.45  # card kept round a piece, share of its longer side
_STEPS = (4.5, 9.0, 18.0, 36.0)  # how far from the card, in standard deviations of the card itself …
_LEAST = (0.03, 0.06, 0.12, 0.25)  # … and at least, natural log
_MERGED = 0.7  # share of a blob from which on the blobs in it are pieces that nearly touch, not parts of one
_CLOSED = (0.003, 0.012)  # gaps that are closed, share of the longer side


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """One thing that stands out from the card, convex, in pixels of the decoded photo.

    ``hull`` (n, 2); ``corners`` (4, 2) clockwise where four straight sides fit it; ``ellipse`` as `cv2.fitEllipse`
    gives it where one fits; ``cut`` where the frame cuts it. ``parts`` are things that stand out from what it may
    be itself: the pieces, if it is the card.
    """

    hull: Floats
    corners: Floats | None
    ellipse: Any
    cut: bool
    parts: tuple[Region, ...] = ()

    @property
    def middle(self) -> Floats:
        """Centre of its area, (2,)."""
        m = cv2.moments(self.hull.astype(np.float32).reshape(-1, 1, 2))
        return np.array([m["m10"] / m["m00"], m["m01"] / m["m00"]])

    @property
    def area(self) -> float:
        """In pixels."""
        return float(cv2.contourArea(self.hull.astype(np.float32)))


def find_regions(image: LinearImage) -> tuple[Region, ...]:
    """Find what may be pieces: convex, standing out from what surrounds them, top row first.

    Parameters
    ----------
    image : LinearImage

    Returns
    -------
    tuple of Region
        Of things within things the outermost, with the others as its parts.
    """
    levels, factor = photo_levels(image)
    level = min(levels, key=lambda lv: abs(max(lv.pixels.shape[:2]) - _SIDE))
    enc = np.ascontiguousarray(level.pixels[..., :3])
    scale = 1.0 / (level.factor * factor)
    h, w = enc.shape[:2]
    whole = np.ones((h, w), np.uint8)
    outer = _standing_out(enc, whole)
    found = []
    for contour in outer:
        parts: list[Any] = []
        if cv2.contourArea(contour) > _CARD_SHARE * whole.size:
            inside = cv2.drawContours(np.zeros_like(whole), [contour], 0, 1, -1)
            k = 2 * round(0.012 * max(h, w)) + 1
            inside = cv2.erode(inside, np.ones((k, k), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
            parts = _standing_out(enc, inside)
        told = tuple(_region(c, (h, w), scale) for c in parts)
        found.append(replace(_region(contour, (h, w), scale), parts=_in_rows(told)))
    return _in_rows(tuple(found))


def _standing_out(enc: Any, region: Any) -> list[Any]:
    """Contours of convex blobs that stand out from the smooth colour along the rim of a region; none within another.

    A blob is taken at the threshold at which it is most nearly convex: lower ones take in its shadow, higher ones
    leave out what is as light as the card.
    """
    h, w = region.shape
    away, spread = background_distance(enc, region)
    least = _LEAST_SHARE * float(np.count_nonzero(region))
    got: list[tuple[float, Any]] = []
    for times, low in zip(_STEPS, _LEAST, strict=True):
        mask = ((away > max(times * spread, low)) & (region > 0)).astype(np.uint8)
        mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        for gap in _CLOSED:
            k = max(3, round(gap * max(h, w)) | 1)
            closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((k, k), np.uint8))
            contours, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
            for c in contours:
                hull = float(cv2.contourArea(cv2.convexHull(c)))
                if len(c) >= 24 and hull > least and (solid := cv2.contourArea(c) / hull) > _SOLID:
                    got.append((solid, c))
    return _apart(got, (h, w))


def _apart(got: list[tuple[float, Any]], shape: tuple[int, int]) -> list[Any]:
    """Choose among blobs that share a place: one that holds several others apart is what they lie on, else the best."""
    taken: list[tuple[float, Any, Any]] = []
    for solid, c in sorted(got, key=lambda v: -v[0]):
        mask = cv2.drawContours(np.zeros(shape, np.uint8), [c], 0, 1, -1)
        area = cv2.countNonZero(mask)
        shared = [cv2.countNonZero(cv2.bitwise_and(mask, m)) for _, _, m in taken]
        over = [i for i, s in enumerate(shared) if s > 0.2 * min(area, cv2.countNonZero(taken[i][2]))]
        if not over:
            taken.append((solid, c, mask))
        elif sum(shared[i] for i in over) < _MERGED * area and all(
            area > 1.3 * cv2.countNonZero(taken[i][2]) for i in over
        ):  # a piece of which only dark places stood out at that threshold
            taken = [t for i, t in enumerate(taken) if i not in over] + [(solid, c, mask)]
    return [c for _, c, _ in taken]


def _region(contour: Any, shape: tuple[int, int], scale: float) -> Region:
    """Read a blob's shape, and carry it over to the photo."""
    h, w = shape
    hull = cv2.convexHull(contour).reshape(-1, 2).astype(np.float32)
    area = float(cv2.contourArea(hull))
    low, high = hull.min(axis=0), hull.max(axis=0)
    cut = bool((low <= 1.5).any() or high[0] >= w - 2.5 or high[1] >= h - 2.5)

    def full(px: Any) -> Floats:
        return (np.asarray(px, float) + 0.5) * scale - 0.5

    corners = four_corners(hull, contour.reshape(-1, 2).astype(np.float32))
    if corners is not None and not 0.93 < area / max(float(cv2.contourArea(corners)), 1.0) < 1.07:
        corners = None
    ellipse = None
    if len(hull) >= 6:
        (cx, cy), (d1, d2), angle = cv2.fitEllipse(hull)
        if 0.96 < np.pi * d1 * d2 / 4 / max(area, 1.0) < 1.06:
            ellipse = (tuple(full((cx, cy))), (d1 * scale, d2 * scale), angle)
    return Region(full(hull), None if corners is None else full(corners), ellipse, cut)


def _in_rows(found: tuple[Region, ...]) -> tuple[Region, ...]:
    """Order as one reads: row by row, from the left; a row is what overlaps in height by more than half."""
    rows: list[list[Region]] = []
    for r in sorted(found, key=lambda v: float(v.middle[1])):
        half = 0.25 * float(np.ptp(r.hull[:, 1]))
        if rows and abs(r.middle[1] - np.mean([o.middle[1] for o in rows[-1]])) < half:
            rows[-1].append(r)
        else:
            rows.append([r])
    return tuple(r for row in rows for r in sorted(row, key=lambda v: float(v.middle[0])))


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """A part of a photo: ``image`` is ``corner`` (x, y) away from the photo's first pixel; ``region`` in its pixels."""

    image: LinearImage
    corner: tuple[int, int]
    region: Region


def cut_out(image: LinearImage, region: Region, others: tuple[Region, ...]) -> Cut:
    """Cut one piece out with card round it; what lies beside it gives way to card of its surroundings.

    Parameters
    ----------
    image : LinearImage
    region : Region
        The piece.
    others : tuple of Region
        What else lies there. Where they are covered, pixels are flagged as holding nothing.
    """
    tall, wide = image.rgb.shape[:2]
    low, high = region.hull.min(axis=0), region.hull.max(axis=0)
    reach = _MARGIN * float((high - low).max())
    x0, y0 = (int(max(v - reach, 0)) for v in low)
    x1, y1 = int(min(high[0] + reach, wide - 1)) + 1, int(min(high[1] + reach, tall - 1)) + 1
    rgb = np.array(image.rgb[y0:y1, x0:x1])
    clipped = np.array(image.clipped[y0:y1, x0:x1])
    corner = np.array([x0, y0])
    moved = shifted(region, -corner)
    near = [o for o in (shifted(o, -corner) for o in others if o is not region) if _touches(o, rgb.shape[:2])]
    if near:
        covered = _filled(near, rgb.shape[:2], 0.05)
        own = _filled([moved], rgb.shape[:2], 0.02)
        covered[own > 0] = 0
        _cover(rgb, covered, own)
        clipped[covered > 0] = BOTTOM_CLIPPED
    return Cut(replace(image, rgb=rgb, clipped=clipped), (x0, y0), moved)


def shifted(region: Region, by: Any) -> Region:
    """Return the same region counted from another pixel."""
    ellipse = region.ellipse
    if ellipse is not None:
        ellipse = (tuple(np.asarray(ellipse[0]) + by), *ellipse[1:])
    corners = None if region.corners is None else region.corners + by
    return replace(region, hull=region.hull + by, corners=corners, ellipse=ellipse, parts=())


def _touches(region: Region, shape: tuple[int, int]) -> bool:
    low, high = region.hull.min(axis=0), region.hull.max(axis=0)
    slack = 0.1 * float((high - low).max())
    return bool((high > -slack).all() and low[0] < shape[1] + slack and low[1] < shape[0] + slack)


def _filled(regions: list[Region], shape: tuple[int, int], wider: float) -> Any:
    """Mask of regions, each grown by a share of its size, (h, w) uint8."""
    mask: Any = np.zeros(shape, np.uint8)
    for r in regions:
        one = cv2.fillConvexPoly(np.zeros(shape, np.uint8), np.round(r.hull).astype(np.int32), 1)
        k = 2 * max(2, round(wider * float(np.ptp(r.hull, axis=0).max()))) + 1
        mask = np.maximum(mask, cv2.dilate(one, np.ones((k, k), np.uint8)))
    return mask


def _cover(rgb: Any, covered: Any, own: Any) -> None:
    """Paint covered places in the colour of the card around them, in place."""
    f = min(1.0, 160 / max(covered.shape))
    size = max(2, round(covered.shape[1] * f)), max(2, round(covered.shape[0] * f))
    card = ((covered == 0) & (own == 0)).astype(np.float32)
    share = cv2.resize(card, size, interpolation=cv2.INTER_AREA)
    light = cv2.resize(rgb * card[..., None], size, interpolation=cv2.INTER_AREA)
    wide = 0.08 * max(size)
    share, light = (cv2.GaussianBlur(a, (0, 0), wide) for a in (share, light))
    smooth = light / np.maximum(share, 1e-4)[..., None]
    smooth = cv2.resize(smooth, covered.shape[::-1], interpolation=cv2.INTER_LINEAR)
    where = covered > 0
    rgb[where] = smooth[where]


def resized(region: Region, factor: float) -> Region:
    """Return the same region in the same photo decoded at another size."""

    def to(px: Any) -> Any:
        return (np.asarray(px) + 0.5) * factor - 0.5

    ellipse = region.ellipse
    if ellipse is not None:
        ellipse = (tuple(to(ellipse[0])), tuple(factor * d for d in ellipse[1]), ellipse[2])
    corners = None if region.corners is None else to(region.corners)
    return replace(region, hull=to(region.hull), corners=corners, ellipse=ellipse, parts=())
