"""A picture's codes as stored, with the profile they belong to."""

from __future__ import annotations

import io
import os
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..ground.cielab import linear_to_srgb
from ..photo.decode import decode
from ..photo.picturekind import picture_bytes, picture_kind
from .cms import is_usable_source, profile_name


@dataclass(frozen=True, slots=True, eq=False)
class StoredColours:
    """Codes as stored, upright, and the profile they belong to (None: sRGB)."""

    image: Any  # Pillow, RGB or L
    profile: bytes | None
    name: str
    assumed: bool
    notes: tuple[str, ...] = ()


def _stored_heic(data: bytes) -> tuple[Any, bytes] | None:
    """Open HEIC in 8 bits, upright already, with its profile; None when it is not RGB."""
    import pillow_heif

    image: Any = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True).to_pillow()
    return (image, image.info.get("icc_profile") or b"") if image.mode == "RGB" else None


def _stored(path: str | os.PathLike[str]) -> tuple[Any, bytes, bool] | None:
    """Open an 8-bit picture without conversion: image, embedded profile, and whether it says that it is sRGB."""
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            data = picture_bytes(path)
            if picture_kind(data, "") == "heic":
                heic = _stored_heic(data)
                return None if heic is None else (*heic, False)
            with Image.open(io.BytesIO(data)) as opened:
                profile = opened.info.get("icc_profile") or b""
                told = "srgb" in opened.info or opened.getexif().get_ifd(0x8769).get(0xA001) == 1
                if opened.mode not in ("1", "L", "LA", "P", "PA", "RGB", "RGBA"):
                    return None
                image: Any = ImageOps.exif_transpose(opened)
                clear = image.mode in ("LA", "PA", "RGBA") or "transparency" in image.info
                if clear:
                    image = image.convert("RGBA")
                    white = Image.new("RGBA", image.size, (255, 255, 255, 255))
                    image = Image.alpha_composite(white, image).convert("RGB")
                elif image.mode != "RGB":
                    image = image.convert("L" if image.mode in ("1", "L") else "RGB")
                image.load()
    except Exception:  # decode() has the last word on what can be read
        return None
    return image, profile, told


def stored_colours(path: str | os.PathLike[str], *, size_px: tuple[int, int], converted: bool) -> StoredColours:
    """Take the codes as stored with their own profile; where that cannot be, the decoded picture in sRGB.

    Parameters
    ----------
    path : path
    size_px : (width, height)
        Of the picture as decoded.
    converted : bool
        Decoding had to convert it from other colours than sRGB.
    """
    from PIL import Image

    stored = _stored(path)
    if stored is not None and stored[0].size == size_px:
        image, profile, told = stored
        if profile and is_usable_source(profile, image.mode):
            return StoredColours(image, profile, profile_name(profile), False)
        if profile and is_usable_source(profile, "L"):  # a grey profile on a picture whose transparency was laid out
            return StoredColours(image.convert("L"), profile, profile_name(profile), False)
        if not converted:
            notes = ("the profile in the file cannot be used",) if profile else ()
            return StoredColours(image.convert("RGB"), None, "sRGB", not told or bool(profile), notes)
    linear = decode(path, max_pixels=40_000_000)
    codes: Any = np.empty(linear.rgb.shape, np.uint8)
    cut = 0
    for top in range(0, len(codes), 256):
        part = linear.rgb[top : top + 256]
        cut += int(((part < -0.02) | (part > 1.02)).any(axis=-1).sum())
        codes[top : top + 256] = np.rint(linear_to_srgb(np.clip(part, 0.0, 1.0)) * 255.0)
    share = cut / (codes.shape[0] * codes.shape[1])
    lost = (f"{100 * share:.0f} % of the picture lies outside sRGB and was cut to it",) if share >= 0.005 else ()
    return StoredColours(Image.fromarray(codes), None, linear.colour_space, "assumed" in linear.colour_space, lost)
