"""A picture without what its camera or its editor wrote beside it: place, time, owner, thumbnails, comments.

Pixels, size, orientation, resolution and the meaning of the colours stay exactly as they were; all else goes.
"""

from __future__ import annotations

import io
import os
import struct
import zlib
from pathlib import Path
from typing import Any

from ..ground.errors import ImageError
from .colournames import P3_D65
from .pictureheader import Header, read_header
from .picturekind import picture_bytes
from .wholeness import jpeg_end

_EXIF_KEPT = (0x0112, 0x011A, 0x011B, 0x0128)  # orientation, resolution and its unit
_PNG_KEPT = frozenset(b"IHDR PLTE IDAT IEND tRNS gAMA cHRM sRGB iCCP cICP sBIT bKGD pHYs".split())
_MAX_PIXELS = 120_000_000


def without_metadata(path: str | os.PathLike[str]) -> tuple[bytes, str]:
    """Give a picture file without its metadata.

    Parameters
    ----------
    path : str or path-like
        Whatever `decode` reads, but no camera raw file.

    Returns
    -------
    data : bytes
        JPEG and PNG with the same compressed pixels, all other kinds as a PNG of the same codes.
    suffix : str
        '.jpg' or '.png'.

    Raises
    ------
    ColorcheckError
        As for `decode`; `ImageError` for a raw file, which is nothing but metadata and sensor values.

    Notes
    -----
    Segments of JPEG: ISO/IEC 10918-1, annex B; chunks of PNG: W3C PNG specification, 3rd edition; tags: CIPA DC-008.
    """
    path = Path(path)
    data = picture_bytes(path)
    head, _ = read_header(data, path.name, path.suffix.lower())
    if head.kind == "raw":
        raise ImageError(f"{path.name} is a camera raw file", "save it as JPEG or PNG")
    if head.kind == "jpeg":
        return _jpeg(data), ".jpg"
    if head.kind == "png":
        return _png(data, head), ".png"
    return _as_png(path, data), ".png"


def _exif(raw: bytes) -> bytes:
    """Orientation, resolution and colour space out of EXIF; empty when there is none of them, or it is damaged."""
    from PIL import Image

    kept: Any = Image.Exif()
    try:
        told = Image.Exif()
        told.load(raw)
        for tag in _EXIF_KEPT:
            if tag in told:
                kept[tag] = told[tag]
        space, used = told.get_ifd(0x8769).get(0xA001), told.get_ifd(0xA005).get(1)
        if space is not None:
            kept.get_ifd(0x8769)[0xA001] = space
        if used is not None:
            kept.get_ifd(0x8769)[0xA005] = {1: used}
        return bytes(kept.tobytes()) if len(kept) or space is not None else b""
    except Exception:  # what is damaged told nothing before either
        return b""


def _jpeg(data: bytes) -> bytes:
    """Copy the segments that pictures are made of, up to the end of the first picture."""
    end = jpeg_end(data) + 2
    out, exif, at = bytearray(), b"", 2
    while True:
        while data[at + 1] == 0xFF:
            at += 1
        marker, length = data[at + 1], int.from_bytes(data[at + 2 : at + 4], "big")
        segment = data[at : at + 2 + length]
        body = segment[4:]
        if marker == 0xDA:
            break
        if marker == 0xE1 and body.startswith(b"Exif\0"):
            exif = exif or _exif(body)
        keep = {0xE0: b"JFIF\0", 0xE2: b"ICC_PROFILE\0", 0xEE: b"Adobe"}
        if body.startswith(keep[marker]) if marker in keep else not (0xE0 <= marker <= 0xEF or marker == 0xFE):
            out += segment
        at += 2 + length
    noted = b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif if exif else b""
    first = 2 + int.from_bytes(out[2:4], "big") if out[1:2] == b"\xe0" else 0  # JFIF stays first
    return data[:2] + bytes(out[:first]) + noted + bytes(out[first:]) + data[at:end]


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _png(data: bytes, head: Header) -> bytes:
    """Copy the chunks that pictures are made of."""
    out, at = [data[:8]], 8
    while at < len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        kind = data[at + 4 : at + 8]
        if kind in _PNG_KEPT:
            out.append(data[at : at + 12 + length])
        if kind == b"IHDR" and (exif := _exif(head.chunks["eXIf"]) if "eXIf" in head.chunks else b""):
            out.append(_chunk(b"eXIf", exif.removeprefix(b"Exif\0\0")))
        if kind == b"IEND":
            break
        at += 12 + length
    return b"".join(out)


def _as_png(path: Path, data: bytes) -> bytes:
    """Write the codes of any other kind as PNG, with chunks that say what they mean."""
    import cv2
    import numpy as np
    from PIL import Image

    from .decode import opened

    f = opened(path, _MAX_PIXELS)
    codes = f.codes
    if codes.dtype == np.uint16 and f.full != 65535:
        codes = np.rint(codes.astype(np.float32) * (65535.0 / f.full)).astype(np.uint16)
    _, coded = cv2.imencode(".png", codes, [cv2.IMWRITE_PNG_COMPRESSION, 3])
    png = coded.tobytes()
    notes = b""
    if f.head.profile:
        notes += _chunk(b"iCCP", b"profile\0\0" + zlib.compress(f.head.profile))
    elif f.head.colour_tag == P3_D65:
        notes += _chunk(b"cICP", bytes((12, 13, 0, 1)))
    elif f.head.colour_tag == "sRGB":
        notes += _chunk(b"sRGB", b"\0")
    elif f.head.colour_tag:  # named by EXIF, and so again
        named: Any = Image.Exif()
        named.get_ifd(0x8769).update({0xA001: 65535, 0xA005: {1: "R03"}})
        notes += _chunk(b"eXIf", named.tobytes().removeprefix(b"Exif\0\0"))
    if dots := _dots_per_m(data):
        notes += _chunk(b"pHYs", struct.pack(">IIB", *dots, 1))
    return png[:33] + notes + png[33:]  # behind IHDR, which is always 25 bytes


def _dots_per_m(data: bytes) -> tuple[int, int] | None:
    """Resolution that the file states, if it states one."""
    import warnings

    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data)) as image:
                x, y = (round(float(v) / 0.0254) for v in image.info["dpi"])
    except Exception:  # a hint only
        return None
    return (x, y) if 0 < x < 2**31 and 0 < y < 2**31 else None
