"""Pixels for reports: colours as sRGB, colour tables, maps as PNG, photos as JPEG (drawn round them: `svg`)."""

from __future__ import annotations

import base64
from functools import lru_cache
from typing import Any

import cv2
import numpy as np

from ..ground.cielab import lab_to_xyz, linear_to_srgb, xyz_to_linear_srgb
from ..ground.records import Floats, Mask

_HATCH = ((176, 176, 176, 255), (214, 214, 214, 255))


# ---------------------------------------------------------------- colours


def lab_to_srgb8(lab: Floats) -> tuple[Any, Mask]:
    """8-bit sRGB of CIELAB D50, and which colours had to be clipped to it.

    Parameters
    ----------
    lab : (..., 3)

    Returns
    -------
    rgb : (..., 3) uint8
    outside : (...) bool
        Not reachable by an sRGB screen by more than half a percent of full light.
    """
    linear = np.asarray(xyz_to_linear_srgb(lab_to_xyz(np.asarray(lab, dtype=float))))
    outside = ((linear < -0.005) | (linear > 1.005)).any(axis=-1)
    rgb = np.round(255 * np.asarray(linear_to_srgb(np.clip(linear, 0, 1)))).astype(np.uint8)
    return rgb, np.asarray(outside)


def lab_hex(lab: Floats) -> tuple[str, bool]:
    """Hexadecimal sRGB of one colour, and whether it was clipped."""
    rgb, outside = lab_to_srgb8(np.asarray(lab, dtype=float))
    return "#{:02x}{:02x}{:02x}".format(*(int(c) for c in rgb)), bool(outside)


@lru_cache(1)
def diverging_table() -> Any:
    """(256, 3) uint8: blue (darker) over light grey to brown-orange (paler), in even steps of CIELAB.

    Blue and orange stay apart for all common kinds of colour blindness; lightness falls evenly
    from the middle to both ends.
    """
    t = np.linspace(-1, 1, 256)
    k = np.abs(t)
    blue, orange = np.array([40.0, 6.0, -48.0]), np.array([46.0, 34.0, 50.0])
    middle = np.array([93.0, 0.0, 0.0])
    ends = np.where(t[:, None] < 0, blue, orange)
    return lab_to_srgb8(middle + (ends - middle) * k[:, None])[0]


@lru_cache(1)
def light_table() -> Any:
    """(256, 3) uint8: dark slate to warm white, in even steps of CIELAB."""
    t = np.linspace(0, 1, 256)[:, None]
    return lab_to_srgb8(np.array([16.0, 3.0, -22.0]) * (1 - t) + np.array([95.0, -1.0, 14.0]) * t)[0]


# ---------------------------------------------------------------- pictures as data


def png_uri(pixels: Any) -> str:
    """Encode (H, W, 3|4) uint8 RGB[A] as PNG in a data URI."""
    swap = cv2.COLOR_RGBA2BGRA if pixels.shape[2] == 4 else cv2.COLOR_RGB2BGR
    ok, data = cv2.imencode(".png", cv2.cvtColor(pixels, swap), [cv2.IMWRITE_PNG_COMPRESSION, 4])
    if not ok:
        raise ValueError("the picture could not be encoded")
    return "data:image/png;base64," + base64.b64encode(data.tobytes()).decode("ascii")


def jpeg_uri(pixels: Any, *, quality: int = 82) -> str:
    """Encode (H, W, 3) uint8 RGB as JPEG in a data URI."""
    ok, data = cv2.imencode(".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not ok:
        raise ValueError("the picture could not be encoded")
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode("ascii")


def photo_pixels(rgb: Any, light: Any, *, longest: int = 1000) -> Any:
    """(H, W, 3) uint8 sRGB of a flat linear photo divided by its light, so that bare coat is white.

    Parameters
    ----------
    rgb : (H, W, 3)
        Linear sRGB.
    light : (r, c, 3) or (3,)
        What bare coat gives: a map over the same area, or one value for the photo as taken.
    longest : int
        Longest side of the result in pixels.
    """
    h, w = rgb.shape[:2]
    k = min(1.0, longest / max(h, w))
    size = (max(1, round(w * k)), max(1, round(h * k)))
    small: Any = cv2.resize(np.asarray(rgb, dtype=np.float32), size, interpolation=cv2.INTER_AREA)
    e: Any = np.asarray(light, dtype=np.float32)
    if e.ndim == 3:
        e = cv2.resize(e, size, interpolation=cv2.INTER_LINEAR)
    rel = small / np.maximum(e, 1e-4)
    return np.round(255 * np.asarray(linear_to_srgb(np.clip(np.nan_to_num(rel), 0, 1)))).astype(np.uint8)


def map_pixels(
    values: Floats, table: Any, low: float, high: float, *, inside: Mask | None = None, zoom: int = 5
) -> Any:
    """(H, W, 4) uint8 picture of a map; hatched grey where it is NaN, transparent where not ``inside``.

    Parameters
    ----------
    values : (r, c)
    table : (256, 3) uint8
    low, high : float
        Values at the two ends of the table.
    inside : (r, c) bool, optional
        Where the piece is.
    zoom : int
        Pixels of the picture per step of the map.
    """
    known = np.isfinite(values)
    full = np.where(known, values, 0.0).astype(np.float32)
    size = (values.shape[1] * zoom, values.shape[0] * zoom)
    weight = cv2.resize(known.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    smooth = cv2.resize(full, size, interpolation=cv2.INTER_LINEAR) / np.maximum(weight, 1e-3)
    index = np.clip((smooth - low) / max(high - low, 1e-9) * 255, 0, 255).round().astype(np.uint8)
    out = np.dstack([table[index], np.full(index.shape, 255, np.uint8)])
    row, col = np.mgrid[0 : size[1], 0 : size[0]]
    stripe = ((row + col) // 5) % 2 == 0
    lost = cv2.resize(known.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) == 0
    out[lost] = np.where(stripe[lost][:, None], _HATCH[0], _HATCH[1])
    if inside is not None:
        out[cv2.resize(inside.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) == 0] = 0
    return out


def outline_paths(mask: Mask, step_mm: float) -> str:
    """SVG path data in mm round the parts of a coarse mask."""
    big = np.pad(mask.astype(np.uint8), 1)
    zoom = 4
    size = (big.shape[1] * zoom, big.shape[0] * zoom)
    big = (
        cv2.GaussianBlur(cv2.resize(big.astype(np.float32), size, interpolation=cv2.INTER_NEAREST), (0, 0), zoom) > 0.5
    ).astype(np.uint8)
    contours, _ = cv2.findContours(big, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    parts = []
    for c in contours:
        points = cv2.approxPolyDP(c, 1.0, True).reshape(-1, 2)
        if len(points) < 3:
            continue
        mm = ((points + 0.5) / zoom - 1) * step_mm
        parts.append("M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in mm) + "Z")
    return "".join(parts)
