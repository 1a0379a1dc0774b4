"""What kind of picture a file is, by its first bytes, and what is refused before anything is decoded."""

from __future__ import annotations

import re
from pathlib import Path

from ..ground.errors import ImageError
from ..ground.files import StrPath, read_bytes

MIN_SIDE_PX = 200
MAX_FILE_PIXELS = 120_000_000
MAX_FILE_BYTES = 300_000_000
MAX_SIDE_PX = 65_535  # as many as a JPEG can have
MAX_CODE_BYTES = 400_000_000  # of a decoded picture; turning it upright takes as much again

_RAW_SUFFIXES = {
    *(".dng", ".cr2", ".cr3", ".crw", ".nef", ".nrw", ".arw", ".srf", ".sr2", ".raf", ".orf", ".rw2"),
    *(".pef", ".srw", ".3fr", ".fff", ".iiq", ".erf", ".mef", ".mos", ".mrw", ".x3f", ".kdc", ".dcr"),
}
_SAVE_AS = "save it as JPEG, PNG or TIFF"


def picture_bytes(path: StrPath) -> bytes:
    """Read a picture file once; errors as for `read_bytes`, and `ImageError` for an empty or a huge one."""
    data = read_bytes(path, todo="name a picture file", error=ImageError, most=MAX_FILE_BYTES)
    if not data:
        raise ImageError(f"{Path(path).name} is empty (0 bytes)", "copy it again from the camera")
    return data


def picture_kind(data: bytes, suffix: str = "") -> str:
    """Name the kind of a picture file from its first 64 bytes: 'jpeg', 'png', 'tiff', 'heic', 'raw' … or ''.

    The ending (``suffix``, small letters with the dot) decides only between TIFF and the raw kinds built on it.
    """
    head = data[:32]
    if head[4:8] == b"ftyp":
        brands = {head[8:12], *(data[i : i + 4] for i in range(16, min(64, len(data)), 4))}
        if head[8:12] in (b"crx ",):
            return "raw"
        if brands & {b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1"} and b"avif" not in brands:
            return "heic"
        return ""
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "raw" if suffix in _RAW_SUFFIXES else "tiff"
    if suffix in _RAW_SUFFIXES:
        return "raw"
    for magic, kind in (
        (b"\xff\xd8\xff", "jpeg"),
        (b"\x89PNG\r\n\x1a\n", "png"),
        (b"BM", "pillow"),
        (b"GIF8", "pillow"),
    ):
        if head.startswith(magic):
            return kind
    return "webp" if head[:4] == b"RIFF" and head[8:12] == b"WEBP" else ""


_UTF8 = re.compile(rb"[\xc2-\xf4][\x80-\xbf]{1,3}")


def unknown(name: str, data: bytes) -> ImageError:
    """Build the refusal of a file that is no known picture."""
    head = data[:4096]
    if head.startswith(b"%PDF"):
        return ImageError(f"{name} is a PDF, not a picture", "export the page as PNG or TIFF")
    if not head.strip(b"\0"):
        return ImageError(f"{name} holds only zero bytes at its start", "copy it again from the camera")
    if not re.search(rb"[\x00-\x08\x0e-\x1f\x80-\xbf\xf5-\xff]", re.sub(_UTF8, b"", head)):
        return ImageError(f"{name} is text, not a picture", "name a JPEG, PNG or TIFF file")
    return ImageError(f"{name} is not a picture of a known kind", _SAVE_AS)


def cut_short(name: str) -> ImageError:
    """Build the refusal of a damaged file."""
    return ImageError(f"{name} is cut short or damaged", "copy it again from the camera")


def too_large(name: str) -> ImageError:
    """Build the refusal of a picture with too many pixels."""
    return ImageError(f"{name} has more than {MAX_FILE_PIXELS // 1_000_000} megapixels", "save it smaller")


def check_size(size: tuple[int, int], name: str) -> None:
    """Refuse pictures too large to decode safely and too small to measure."""
    if size[0] * size[1] > MAX_FILE_PIXELS or max(size) > MAX_SIDE_PX:
        raise too_large(name)
    if min(size) < MIN_SIDE_PX:
        raise ImageError(
            f"{name} is only {size[0]} × {size[1]} pixels",
            f"use the original photo or scan, at least {MIN_SIDE_PX} pixels on each side",
        )
