"""The piece laid flat with a margin: the white card round it, and how sharp its edges are."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np

from ..ground.geometry import local_px_per_mm
from ..ground.records import FlatImage, LinearImage, Pose, Shape
from ..photo.rectify import resample

MARGIN_MM = 25.0
_MAX_FLAT_PIXELS = 2_600_000
_CARD_SHARE = 0.55  # a ring round the piece is white card when it is at least this bright, of the brightest print


def grid_density(pose: Pose, size_mm: tuple[float, float]) -> float:
    """Pixels per mm of the flat picture, whole or half."""
    area = (size_mm[0] + 2 * MARGIN_MM) * (size_mm[1] + 2 * MARGIN_MM)
    finest = float(np.sqrt(_MAX_FLAT_PIXELS / area))
    middle = np.array([[size_mm[0] / 2, size_mm[1] / 2]])
    native = float(local_px_per_mm(pose, middle)[0])
    return float(np.clip(np.ceil(native * 2) / 2, 2.0, max(2.0, np.floor(finest * 2) / 2)))


def _with_margin(pose: Pose, margin: float) -> Pose:
    """Return the pose for millimetres counted from ``margin`` outside the piece's corner."""
    shift = np.array([[1.0, 0, -margin], [0, 1.0, -margin], [0, 0, 1.0]])
    return replace(pose, homography=pose.homography @ shift)


def lay_piece(image: LinearImage, pose: Pose, size_mm: tuple[float, float], g: float) -> FlatImage:
    """Lay the piece and a margin round it flat."""
    wide = (size_mm[0] + 2 * MARGIN_MM, size_mm[1] + 2 * MARGIN_MM)
    return resample(image, _with_margin(pose, MARGIN_MM), wide, g)


def card_ring(flat: FlatImage, size_mm: tuple[float, float], shape: Shape) -> Any:
    """Pixels of the margin that lie 4 to 20 mm outside the piece, (H, W) bool."""
    g = flat.px_per_mm
    h, w = flat.inside.shape
    # distance from the middle or from the nearest side along each axis: their squares add
    u = (np.arange(w, dtype=np.float32) + 0.5) / np.float32(g) - np.float32(MARGIN_MM + size_mm[0] / 2)
    v = (np.arange(h, dtype=np.float32) + 0.5) / np.float32(g) - np.float32(MARGIN_MM + size_mm[1] / 2)
    if shape == "round":
        half = min(size_mm) / 2
        u, v, low, high = u * half / (size_mm[0] / 2), v * half / (size_mm[1] / 2), half + 4, half + 20
    else:
        u, v = (np.maximum(np.abs(t) - np.float32(s / 2), 0) for t, s in ((u, size_mm[0]), (v, size_mm[1])))
        low, high = 4.0, 20.0
    square = (u * u)[None, :] + (v * v)[:, None]
    return (square > low**2) & (square < high**2) & flat.inside


def on_card(flat: FlatImage, ring: Any, size_mm: tuple[float, float]) -> bool:
    """Tell whether the margin shows white card: bright, plain, without colour, and clear of the top code."""
    places = np.flatnonzero(ring)
    if len(places) < 0.4 * (2 * (size_mm[0] + size_mm[1]) * 16 * flat.px_per_mm**2):
        return False
    places = places[:: max(1, len(places) // 20000)]
    some = flat.rgb.reshape(-1, 3)[places].astype(float)
    level = some.mean(axis=1)
    m = round(MARGIN_MM * flat.px_per_mm)
    piece = flat.rgb[m:-m:5, m:-m:5].reshape(-1, 3).mean(axis=1)
    if float(np.median(level)) < _CARD_SHARE * float(np.percentile(piece, 97)):
        return False
    clipped = float(((flat.clipped.ravel()[places] & 1) > 0).mean())
    tint = float(np.ptp(np.log(np.maximum(np.median(some, axis=0), 1e-4))))
    return clipped < 0.3 and tint < 0.5


def edge_width_mm(flat: FlatImage) -> float:
    """Width in mm of the sharpest edges: range over steepest slope of the strongest five per cent."""
    m = round(MARGIN_MM * flat.px_per_mm)
    y: Any = cv2.transform(np.ascontiguousarray(flat.rgb[m:-m, m:-m]), np.full((1, 3), 1 / 3, np.float32))
    y = cv2.GaussianBlur(np.sqrt(np.maximum(y, 0)), (0, 0), 0.7)
    slope = cv2.magnitude(
        cv2.Sobel(y, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8), cv2.Sobel(y, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    )
    span = max(3, round(1.6 * flat.px_per_mm)) | 1
    kernel = np.ones((span, span), np.uint8)
    rise = cv2.subtract(cv2.dilate(y, kernel), cv2.erode(y, kernel))
    clear = max(0.08, float(np.percentile(rise[::3, ::3].ravel(), 90)) * 0.6)
    strong = (slope >= cv2.dilate(slope, np.ones((3, 3), np.uint8))) & (rise > clear)
    if strong.sum() < 40:
        return float("nan")
    width = rise[strong] / np.maximum(slope[strong], 1e-6) / flat.px_per_mm
    return float(np.percentile(width, 20))
