"""A quick look at a photo before the slow work: what can be seen in a tenth of a second that spoils it, and where.

The full check comes with the measurement and decides; this one only saves the wait. It may overlook
a fault, and it speaks only of what is plain.
"""

from __future__ import annotations

import io
import os
import warnings
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from ..ground.limits import PhotoLimits
from ..ground.records import LinearImage
from ..photo.decode import decode
from ..photo.picturekind import picture_bytes
from ..sheet.locate import markers_in

_PIXELS = 1_500_000
_BLUR = 1 / 260.0  # width of the sharpest edges against the longer side of the frame: no detail of the piece is left
_BLANK = 0.30  # share of the frame at the top code
_LIT = 0.0015  # smallest mirrored lamp that is pointed at, share of the frame


@dataclass(frozen=True, slots=True, eq=False)
class Hint:
    """One thing that spoils a photo; ``box`` (x, y, w, h) as shares of the frame, or None for all of it.

    ``measure`` is a name of the photo check: 'dark', 'clipped-white', 'blur-mm', 'glare', 'hidden' or 'local-tone'.
    """

    measure: str
    value: float
    limit: float
    box: tuple[float, float, float, float] | None


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """A photo at a glance: its name, its size in pixels as upright, hints, and a small sRGB picture (h, w, 3) uint8."""

    name: str
    size_px: tuple[int, int]
    hints: tuple[Hint, ...]
    small: Any


def look_at(path: str | os.PathLike[str], *, target: bool, limits: PhotoLimits) -> Look:
    """Look at a photo quickly.

    Parameters
    ----------
    path : path
        Any picture `decode` reads.
    target : bool
        A printed target is expected: its markers are looked for.
    limits : PhotoLimits

    Returns
    -------
    Look

    Raises
    ------
    FileError, ImageError
        As for `decode`.
    """
    image = decode(path, max_pixels=_PIXELS)
    hints = [*_exposure(image, limits), *_sharpness(image), *_frame(image, target), *_composite(Path(path))]
    side = 480 / max(image.rgb.shape[:2])
    small = cv2.resize(image.rgb, None, fx=min(side, 1.0), fy=min(side, 1.0), interpolation=cv2.INTER_AREA)
    shown = np.clip(small, 0, 1) ** (1 / 2.2)
    return Look(image.source, image.original_size, tuple(hints), np.rint(255 * shown).astype(np.uint8))


def _exposure(image: LinearImage, limits: PhotoLimits) -> list[Hint]:
    level = image.rgb.max(axis=2)
    white = float(np.percentile(level[::3, ::3], 97))
    if white < limits.white_low:
        return [Hint("dark", white, limits.white_low, None)]
    top = (image.clipped & 1).astype(np.uint8)
    share = float(top.mean())
    if share > _BLANK:
        return [Hint("clipped-white", share, _BLANK, _largest(top))]
    # a mirrored lamp: a compact blank place whose surroundings are much darker
    solid = cv2.morphologyEx(top, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(solid)
    found = []
    for k in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[k])
        if area < _LIT * top.size or area < 0.35 * w * h:
            continue
        m = max(4, round(0.35 * max(w, h)))
        rows, cols = slice(max(y - m, 0), y + h + m), slice(max(x - m, 0), x + w + m)
        around = level[rows, cols][labels[rows, cols] == 0]
        if around.size and float(np.median(around)) < 0.55 and x > 0 and y > 0:
            found.append((area, _share((x, y, w, h), top.shape)))
    if not found:
        return []
    area, box = max(found)
    return [Hint("glare", area / top.size, _LIT, box)]


def _sharpness(image: LinearImage) -> list[Hint]:
    """Width of the sharpest edges: contrast over slope, in the tone scale of the eye."""
    grey = np.sqrt(np.clip(image.rgb[..., 1], 0, 1))
    gx, gy = cv2.Sobel(grey, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(grey, cv2.CV_32F, 0, 1, scale=1 / 8)
    slope = cv2.magnitude(gx, gy)
    reach = 2 * round(0.012 * max(grey.shape)) + 1
    kernel = np.ones((reach, reach), np.uint8)
    span = cv2.dilate(grey, kernel) - cv2.erode(grey, kernel)
    strong = slope >= np.percentile(slope[::2, ::2], 99.5)
    strong &= span > 0.12
    if strong.sum() < 50:
        return []
    width = float(np.percentile(span[strong] / slope[strong], 20))
    limit = _BLUR * max(grey.shape)
    if width <= max(limit, 4.5):
        return []
    return [Hint("blur-mm", width / image.scale, limit / image.scale, None)]


def _frame(image: LinearImage, target: bool) -> list[Hint]:
    if not target:
        return []
    ids, corners = markers_in(image)
    h, w = image.rgb.shape[:2]
    if len(ids) == 0:
        ids, corners = markers_in(replace(image, rgb=np.ascontiguousarray(image.rgb[:, ::-1])))
        corners = np.array([w - 1, 0]) + corners * np.array([-1, 1])
    if len(ids) >= 3:
        return []
    if len(ids) == 0:
        return [Hint("hidden", 0.0, 3.0, None)]
    x0, y0 = corners.reshape(-1, 2).min(axis=0)
    x1, y1 = corners.reshape(-1, 2).max(axis=0)
    return [Hint("hidden", float(len(ids)), 3.0, _share((x0, y0, x1 - x0, y1 - y0), (h, w)))]


def _composite(path: Path) -> list[Hint]:
    """Find the camera's own note that the picture was put together from several exposures (Exif 2.32, 0xA460)."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(picture_bytes(path))) as picture:
                value = picture.getexif().get_ifd(0x8769).get(0xA460)
    except Exception:  # what is wrong with the file is said by `decode`
        return []
    return [Hint("local-tone", 1.0, 0.0, None)] if value == 3 else []


def _largest(mask: Any) -> tuple[float, float, float, float] | None:
    count, _, stats, _ = cv2.connectedComponentsWithStats(mask)
    if count < 2:
        return None
    k = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    return _share(tuple(int(v) for v in stats[k, :4]), mask.shape)


def _share(box: Any, shape: Any) -> tuple[float, float, float, float]:
    x, y, w, h = box
    return (
        float(np.clip(x / shape[1], 0, 1)),
        float(np.clip(y / shape[0], 0, 1)),
        float(np.clip(w / shape[1], 0, 1)),
        float(np.clip(h / shape[0], 0, 1)),
    )
