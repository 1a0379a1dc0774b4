"""A photo or scan on disk becomes linear light.

The order is: file → bytes (read once) → header (size, profile, orientation) → codes (8 or 16 bit, as stored)
→ upright → strips: curve, matrix or table, transparency, reduction → `LinearImage`. Everything that can be
refused is refused from the header, before pixels are decoded.

OpenCV decodes the pixels of JPEG, PNG, WebP and 16-bit TIFF, Pillow those of the rarer kinds; both are
imported when first needed.
"""

from __future__ import annotations

import hashlib
import math
import os
from pathlib import Path

import numpy as np

from ..ground.records import LinearImage
from .linearise import BOTTOM_CLIPPED, TOP_CLIPPED, Limits, linearise, upright, without_alpha
from .picturecolour import colour_model, raw_model
from .pictureheader import read_header
from .picturekind import cut_short, read_bytes
from .pixels import cv2_codes, heic_codes, pillow_codes, raw_codes

__all__ = ["BOTTOM_CLIPPED", "TOP_CLIPPED", "decode"]


def decode(path: str | os.PathLike[str], *, max_pixels: int = 13_000_000) -> LinearImage:
    """Read a photo or scan as upright linear light in sRGB primaries.

    Parameters
    ----------
    path : str or path-like
        JPEG, PNG, TIFF (8 or 16 bit), WebP, BMP, GIF; with the extras installed also HEIC and camera raw.
    max_pixels : int
        Larger pictures are reduced by a whole number (JPEG: 2, 4 or 8) to at most this many pixels.

    Returns
    -------
    LinearImage
        ``rgb`` is float32 (H, W, 3) with white (1, 1, 1) at the file's full scale; outside 0 to 1 for colours
        outside sRGB. ``clipped`` is uint8 (H, W).

    Raises
    ------
    FileError
        The file is missing, a folder, a device, or may not be read.
    ImageError
        It is empty, no picture, cut short, damaged, too large (120 megapixels), too small (200 pixels on a
        side), of a kind that carries no usable colour, or needs an extra library.

    Notes
    -----
    A large JPEG is reduced while it is decoded: blocks are averaged in its stored, non-linear codes. On flat
    cells this is the same; across an edge of black and white the mean comes out darker than in linear light.
    Its clip flags then come from reduced pixels, with limits widened to 252 and 1 (half size) or 250 and 2.
    Other kinds are reduced in linear light after decoding, with exact flags.

    Raw files: camera white balance, no brightening, linear, clipped where the sensor is (libraw).
    """
    import cv2

    path = Path(path)
    data = read_bytes(path)
    digest = hashlib.sha256(data).hexdigest()
    name = os.fsencode(path.name).decode("utf-8", "replace")  # any bytes may be a name, not any can be written out
    head, data = read_header(data, name, path.suffix.lower())
    notes = head.notes

    reduced = 1
    if head.kind == "heic":
        codes = heic_codes(head, data, name)
    elif head.kind == "raw":
        codes, reduced = raw_codes(head, data, name, max_pixels)
    elif head.mode == "CMYK" or head.kind == "pillow" or (head.kind == "tiff" and head.bits == 8):
        codes = pillow_codes(head, data, name)
    else:
        flags = cv2.IMREAD_UNCHANGED
        if head.kind == "jpeg":
            flags = cv2.IMREAD_GRAYSCALE if head.mode == "L" else cv2.IMREAD_COLOR
            pixels = head.size[0] * head.size[1]
            while pixels > max_pixels * reduced**2 and reduced < 8:
                reduced *= 2
            if reduced > 1:
                kind = "GRAYSCALE" if head.mode == "L" else "COLOR"
                flags = getattr(cv2, f"IMREAD_REDUCED_{kind}_{reduced}")
            flags |= cv2.IMREAD_IGNORE_ORIENTATION
        codes = cv2_codes(data, name, flags)
    del data

    full = 255 if codes.dtype == np.uint8 else 65535
    if head.kind == "heic" and codes.dtype == np.uint16:
        full = ((1 << head.bits) - 1) << (16 - head.bits)
    expected = (-(-head.size[1] // reduced), -(-head.size[0] // reduced))
    if head.kind != "raw" and codes.shape[:2] != expected:
        raise cut_short(name)
    if head.inverted:
        codes = np.asarray(full - codes, codes.dtype)
    codes = without_alpha(upright(codes, head.orientation), full, notes)
    if codes.ndim == 2:
        notes.append("grey picture: the three channels are equal")
    model = raw_model() if head.kind == "raw" else colour_model(head, notes)

    slack = 0 if head.kind != "jpeg" or reduced == 1 else 1 if reduced == 2 else 2
    top = (254 - 2 * slack) if full == 255 else math.ceil(full * 254 / 255)
    shrink = math.ceil(math.sqrt(codes.shape[0] * codes.shape[1] / max_pixels))
    rgb, clipped = linearise(codes, model, Limits(slack, top, full), shrink, head.premultiplied)
    if reduced * shrink > 1:
        notes.append(f"decoded at 1/{reduced * shrink} of its size")
    turned = head.orientation in (5, 6, 7, 8)
    return LinearImage(
        rgb=rgb,
        clipped=clipped,
        scale=1.0 / (reduced * shrink),
        original_size=(head.size[1], head.size[0]) if turned else head.size,
        source=name,
        device=head.device,
        taken=head.taken,
        exposure=head.exposure,
        colour_space=model.name,
        bit_depth=head.bits,
        kind="scan" if head.scan_hint else "photo",
        notes=tuple(notes),
        sha256=digest,
    )
