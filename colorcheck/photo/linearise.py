"""Codes become upright linear light and clip flags, in strips that fit the processor's cache."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..ground.cielab import linear_to_srgb
from .colourmodel import ColourModel
from .colourtable import look_up
from .pixels import Codes

TOP_CLIPPED = 1  # bit in LinearImage.clipped: some channel at or near the top code
BOTTOM_CLIPPED = 2  # some channel at the bottom code

_STRIP_PIXELS = 125_000


def upright(codes: Codes, orientation: int) -> Codes:
    """Apply the EXIF orientation (CIPA DC-008, tag 0x0112) to stored pixels."""
    import cv2

    if orientation in (2, 4):
        return cv2.flip(codes, 1 if orientation == 2 else 0)
    turns = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
    if orientation in turns:
        return cv2.rotate(codes, turns[orientation])
    if orientation == 5:
        return cv2.transpose(codes)
    if orientation == 7:
        return cv2.flip(cv2.transpose(codes), -1)
    return codes


@dataclass(frozen=True, slots=True)
class Limits:
    """Codes at or beyond which a channel counts as clipped, and the code that means full scale."""

    bottom: int
    top: int
    full: int


def _flags(codes: Codes, limits: Limits) -> NDArray[np.uint8]:
    """Clip bits of one strip, before transparency and reduction."""
    import cv2

    channels = 1 if codes.ndim == 2 else codes.shape[2]
    below_top = cv2.inRange(codes, (0.0,) * channels, (float(limits.top - 1),) * channels)
    above_bottom = cv2.inRange(codes, (float(limits.bottom + 1),) * channels, (65535.0,) * channels)
    top = np.bitwise_and(np.bitwise_not(below_top), np.uint8(TOP_CLIPPED))
    bottom = np.bitwise_and(np.bitwise_not(above_bottom), np.uint8(BOTTOM_CLIPPED))
    return np.asarray(top | bottom, np.uint8)


def _linear_strip(codes: Codes, lut: NDArray[np.float32], model: ColourModel) -> NDArray[np.float32]:
    """Linear light (h, w, 3) of one strip of codes, (h, w) or (h, w, 3) with red first."""
    import cv2

    linear: Any
    if model.table is not None and codes.dtype == np.uint8 and codes.ndim == 3:
        return look_up(model.table, codes)
    if codes.dtype == np.uint8:
        shared = bool((lut == lut[:, :1]).all())
        table = lut[:, :1].reshape(1, 256) if shared or codes.ndim == 2 else lut.reshape(1, 256, 3)
        linear = cv2.LUT(np.ascontiguousarray(codes), np.ascontiguousarray(table))
    elif codes.ndim == 2:
        linear = lut[:, 0][codes]
    else:
        linear = np.empty(codes.shape, np.float32)
        for channel in range(3):
            linear[..., channel] = lut[:, channel][codes[..., channel]]
    if codes.ndim == 2:
        linear = cv2.merge([linear] * 3)
    if model.table is not None:
        linear = look_up(model.table, linear)
    elif model.matrix is not None:
        linear = cv2.transform(linear, model.matrix)
    return np.asarray(linear, np.float32)


def linearise(
    codes: Codes, model: ColourModel, limits: Limits, shrink: int, premultiplied: bool
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Codes to linear light and clip flags, in strips that fit the processor's cache.

    `shrink` is a whole number: blocks of shrink × shrink pixels are averaged in linear light, and a block is
    flagged when any of its pixels was; up to shrink − 1 last rows and columns fall away.
    """
    import cv2

    height, width = codes.shape[0] // shrink, codes.shape[1] // shrink
    channels = 1 if codes.ndim == 2 else codes.shape[2]
    rgb = np.empty((height, width, 3), np.float32)
    flags = np.zeros((height, width), np.uint8)
    lut = model.lut(limits.full + 1 if codes.dtype == np.uint8 else 65536)
    if codes.dtype == np.uint16 and limits.full != 65535:
        lut = model.lut(limits.full + 1)
        lut = np.concatenate([lut, np.repeat(lut[-1:], 65535 - limits.full, axis=0)])
    if channels == 1 or lut.shape[1] == 1:
        lut = lut[:, :1] if channels == 1 else np.repeat(lut, 3, axis=1)
    rows = max(1, _STRIP_PIXELS // (width * shrink * shrink))
    for top in range(0, height, rows):
        bottom = min(top + rows, height)
        part: Any = codes[top * shrink : bottom * shrink, : width * shrink]
        alpha: Any = None
        if channels == 4:
            alpha = part[..., 3].astype(np.float32) / limits.full
            part = np.ascontiguousarray(part[..., 2::-1])
            if premultiplied:
                straight = part / np.maximum(alpha, 1.0 / limits.full)[..., None]
                part = np.minimum(np.rint(straight), limits.full).astype(codes.dtype)
        elif channels == 3:
            part = cv2.cvtColor(np.ascontiguousarray(part), cv2.COLOR_BGR2RGB)
        seen = _flags(part, limits)
        linear: Any = _linear_strip(part, lut, model)
        if alpha is not None:
            linear = linear * alpha[..., None] + (1.0 - alpha[..., None])
            seen[alpha == 0.0] = 0
        if shrink > 1:
            linear = cv2.resize(linear, (width, bottom - top), interpolation=cv2.INTER_AREA)
            pooled = flags[top:bottom]
            for i in range(shrink):
                for j in range(shrink):
                    pooled |= seen[i::shrink, j::shrink]
        else:
            flags[top:bottom] = seen
        rgb[top:bottom] = linear
    return rgb, flags


def without_alpha(codes: Codes, full: int, notes: list[str]) -> Codes:
    """Drop an alpha channel that is opaque everywhere, and say what is done with it."""
    if codes.ndim != 3 or codes.shape[2] != 4:
        return codes
    if int(codes[..., 3].min()) >= full:
        notes.append("alpha channel ignored (opaque everywhere)")
        return np.ascontiguousarray(codes[..., :3])
    notes.append("transparent parts laid on white")
    return codes


def srgb_codes(linear: Any) -> NDArray[np.uint8]:
    """Linear light to sRGB codes; through a table of 65 536 steps, 0.02 of a code in the darkest."""
    table = np.rint(linear_to_srgb(np.arange(65536) / 65535.0) * 255.0).astype(np.uint8)
    out = np.empty(linear.shape, np.uint8)
    step = max(1, 500_000 // linear.shape[1])
    for top in range(0, len(linear), step):
        part = np.clip(linear[top : top + step], 0.0, 1.0)
        out[top : top + step] = table[(part * np.float32(65535) + np.float32(0.5)).astype(np.uint16)]
    return out
