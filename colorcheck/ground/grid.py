"""Averages in square blocks, and where the blocks lie."""

from __future__ import annotations

import functools
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


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


def block_places(shape: tuple[int, int], step_mm: float) -> Array:
    """Middles of the blocks in mm, (r, c, 2)."""
    x, y = (np.arange(shape[1]) + 0.5) * step_mm, (np.arange(shape[0]) + 0.5) * step_mm
    return np.stack(np.meshgrid(x, y), axis=-1)


def means_in_blocks(image: Any, weight: Any, fill: Array, b: int) -> Array:
    """Mean of a fine image (H, W, 3) over the part of each block inside the outline, (r, c, 3)."""
    part = cv2.multiply(np.ascontiguousarray(image), weight)
    return np.asarray(block_means(part, b) / np.maximum(fill, 1e-6)[..., None], dtype=float)


def mean_channel(image: Any) -> Any:
    """Mean of the three channels of a picture (H, W, 3) float32, (H, W); numpy takes ten times as long."""
    return cv2.transform(image, np.full((1, 3), 1 / 3, np.float32))


def largest_channel(image: Any) -> Any:
    """Largest of the channels of a picture (H, W, c), (H, W)."""
    return functools.reduce(cv2.max, cv2.split(image))


def smallest_channel(image: Any) -> Any:
    """Smallest of the channels of a picture (H, W, c), (H, W)."""
    return functools.reduce(cv2.min, cv2.split(image))


def grow(core: Array, around: Array) -> Array:
    """Keep the parts of ``around`` that touch ``core``, one node wider."""
    if not core.any():
        return np.zeros_like(core)
    _, label = cv2.connectedComponents((around | core).astype(np.uint8), connectivity=8)
    keep = np.unique(label[core])
    kept = np.isin(label, keep[keep > 0]).astype(np.uint8)
    return np.asarray(cv2.dilate(kept, np.ones((3, 3), np.uint8)).astype(bool))


def local_mean(value: Any, weight: Any, sigma_px: float) -> Any:
    """Gaussian mean (H, W[, c]) of weighted pixels around every place; made on a coarser grid when wide."""
    k = max(1, int(sigma_px / 3))
    m = weight.astype(np.float32)
    v = value * (m if value.ndim == 2 else m[..., None])
    small = (-(-m.shape[1] // k), -(-m.shape[0] // k))
    up = cv2.GaussianBlur(cv2.resize(v, small, interpolation=cv2.INTER_AREA), (0, 0), sigma_px / k)
    down = cv2.GaussianBlur(cv2.resize(m, small, interpolation=cv2.INTER_AREA), (0, 0), sigma_px / k)
    mean = up / np.maximum(down if value.ndim == 2 else down[..., None], 1e-6)
    return cv2.resize(mean, (m.shape[1], m.shape[0]), interpolation=cv2.INTER_LINEAR)
