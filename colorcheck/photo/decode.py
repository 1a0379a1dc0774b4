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
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..ground.records import LinearImage
from .colourmodel import ColourModel
from .linearise import BOTTOM_CLIPPED, TOP_CLIPPED, Limits, linearise, srgb_codes, upright, without_alpha
from .picturecolour import colour_model, raw_model
from .pictureheader import Header, read_header
from .picturekind import cut_short, picture_bytes
from .pixels import Codes, cv2_codes, heic_codes, pillow_codes, raw_codes

__all__ = ["BOTTOM_CLIPPED", "TOP_CLIPPED", "SrgbPicture", "decode", "decode_srgb"]


def decode(path: str | os.PathLike[str], *, max_pixels: int = 13_000_000) -> LinearImage:
    """Read a photo or scan as upright linear light in sRGB primaries.

    Parameters
    ----------
    path : str or path-like
        JPEG, PNG, TIFF (8 or 16 bit), WebP, BMP, GIF, HEIC; with the extra installed also camera raw.
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
    f = opened(path, max_pixels)
    codes, full, head = f.codes, f.full, f.head
    slack = 0 if head.kind != "jpeg" or f.reduced == 1 else 1 if f.reduced == 2 else 2
    top = (254 - 2 * slack) if full == 255 else math.ceil(full * 254 / 255)
    shrink = _shrink(codes, max_pixels)
    rgb, clipped = linearise(codes, f.model, Limits(slack, top, full), shrink, head.premultiplied)
    notes = list(f.notes)
    if f.reduced * shrink > 1:
        notes.append(f"decoded at 1/{f.reduced * shrink} of its size")
    return LinearImage(
        rgb=rgb,
        clipped=clipped,
        scale=1.0 / (f.reduced * shrink),
        original_size=f.upright_size,
        source=f.name,
        device=head.device,
        taken=head.taken,
        exposure=head.exposure,
        colour_space=f.model.name,
        bit_depth=head.bits,
        kind="scan" if head.scan_hint else "photo",
        notes=tuple(notes),
        sha256=f.sha256,
    )


def decode_srgb(path: str | os.PathLike[str], *, max_pixels: int = 13_000_000) -> SrgbPicture:
    """Read a picture as upright sRGB codes of 8 bit; those of an sRGB file stay as they are.

    Colours of another profile are converted relative to white, what lies outside sRGB is cut. Parameters and
    errors as for `decode`.
    """
    import cv2

    f = opened(path, max_pixels)
    shrink = _shrink(f.codes, max_pixels)
    rgb: Any
    if shrink == 1 and f.codes.dtype == np.uint8 and f.codes.ndim == 3 and f.codes.shape[2] == 3 and f.model.is_srgb:
        rgb = cv2.cvtColor(f.codes, cv2.COLOR_BGR2RGB)
    else:
        linear, _ = linearise(f.codes, f.model, Limits(0, f.full, f.full), shrink, f.head.premultiplied)
        rgb = srgb_codes(linear)
    return SrgbPicture(rgb, f.upright_size, f.name, f.model.name, f.notes, f.sha256)


@dataclass(frozen=True, slots=True, eq=False)
class SrgbPicture:
    """A picture as sRGB codes: ``rgb`` (H, W, 3) uint8, maybe reduced, ``original_size`` (width, height) upright."""

    rgb: NDArray[np.uint8]
    original_size: tuple[int, int]
    source: str
    colour_space: str
    notes: tuple[str, ...]
    sha256: str


@dataclass(frozen=True, slots=True, eq=False)
class _Opened:
    """A picture file as codes, blue first, upright, with the colour model that makes them light."""

    codes: Codes
    full: int
    reduced: int
    head: Header
    model: ColourModel
    notes: tuple[str, ...]
    name: str
    sha256: str

    @property
    def upright_size(self) -> tuple[int, int]:
        """Width and height as stored, turned as the picture is."""
        turned = self.head.orientation in (5, 6, 7, 8)
        return (self.head.size[1], self.head.size[0]) if turned else self.head.size


def _shrink(codes: Codes, max_pixels: int) -> int:
    """Whole number by which codes are to be reduced to at most so many pixels."""
    return math.ceil(math.sqrt(codes.shape[0] * codes.shape[1] / max_pixels))


def opened(path: str | os.PathLike[str], max_pixels: int) -> _Opened:
    """Read file, header, codes and colour model; a large JPEG is reduced on the way."""
    import cv2

    path = Path(path)
    data = picture_bytes(path)
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
    return _Opened(codes, full, reduced, head, model, tuple(notes), name, digest)
