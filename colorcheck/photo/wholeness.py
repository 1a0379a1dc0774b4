"""Is a picture file complete or cut short? Told from its structure, without decoding pixels."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

import numpy as np

_NO_MARKER = np.array([v in (0x00, 0xFF) or 0xD0 <= v <= 0xD7 for v in range(256)])


def _jpeg_markers(data: bytes) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Places of all bytes that name a marker, (n,): behind 0xFF, no stuffing, no restart."""
    codes = np.frombuffer(data, np.uint8)
    after = np.flatnonzero(codes[:-1] == 0xFF) + 1
    return np.asarray(after[~_NO_MARKER[codes[after]]])


def jpeg_end(data: bytes) -> int:
    """Walk the markers of the first picture in the file; where its end marker begins, or -1 without one.

    Bytes after that marker are none of our business: phones append further pictures or a short film there.
    """
    at, scans = 2, 0
    markers: np.ndarray[tuple[int], np.dtype[np.intp]] | None = None
    while True:
        if scans:  # inside compressed data: the next marker that is neither stuffing nor a restart
            if markers is None:
                markers = _jpeg_markers(data)
            k = int(np.searchsorted(markers, at + 1))
            if k == len(markers):
                return -1
            at = int(markers[k])
        else:
            while at < len(data) and data[at] == 0xFF:
                at += 1
        if at >= len(data):
            return -1
        marker = data[at]
        at += 1
        if marker == 0xD9:
            return at - 2 if scans else -1
        if marker in (0x01, 0xD8) or 0xD0 <= marker <= 0xD7:
            continue
        if at + 2 > len(data):
            return -1
        if marker == 0xDA:
            scans += 1
        at += int.from_bytes(data[at : at + 2], "big")


def png_chunks(data: bytes) -> dict[str, bytes] | None:
    """Check every chunk's CRC up to IEND; give the chunks that say what the colours mean.

    None when the file is cut short or damaged.
    """
    kept: dict[str, bytes] = {}
    at = 8
    view = memoryview(data)
    while at + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        end = at + 8 + length
        if end + 4 > len(data):
            return None
        kind = data[at + 4 : at + 8]
        if zlib.crc32(view[at + 4 : end]) != int.from_bytes(data[end : end + 4], "big"):
            return None
        if kind in (b"gAMA", b"cHRM", b"sRGB", b"cICP", b"eXIf", b"acTL", b"IHDR"):
            kept[kind.decode()] = data[at + 8 : end]
        if kind == b"IEND":
            return kept
        at = end + 4
    return None


def riff_is_whole(data: bytes) -> bool:
    """All bytes that the head of a WebP file promises are there."""
    return len(data) >= int.from_bytes(data[4:8], "little") + 8


@dataclass(slots=True)
class TiffDirectory:
    """The first directory of a TIFF: numeric tags, and where in the file the value of each begins."""

    order: str
    tags: dict[int, tuple[int, ...]]
    place: dict[int, int]
    pages: int

    def one(self, tag: int, default: int) -> int:
        """First value of a tag."""
        values = self.tags.get(tag)
        return values[0] if values else default


def tiff_directory(data: bytes, at: int | None = None) -> TiffDirectory | None:
    """Read the first directory (classic or big TIFF), or the one at a place; None when it is damaged.

    TIFF revision 6.0, section 2; the 64-bit form as libtiff documents it.
    """
    order = "<" if data[:2] == b"II" else ">"
    big = data[2:4] in (b"+\0", b"\0+")
    entry, inline, offset_code = (20, 8, "Q") if big else (12, 4, "I")
    codes = {1: "B", 3: "H", 4: "I", 13: "I", 16: "Q", 18: "Q"}
    tags: dict[int, tuple[int, ...]] = {}
    place: dict[int, int] = {}
    try:
        if at is None:
            (at,) = struct.unpack_from(order + offset_code, data, 8 if big else 4)
        (count,) = struct.unpack_from(order + ("Q" if big else "H"), data, at)
        at += 8 if big else 2
        for i in range(min(count, 4096)):
            tag, kind, n = struct.unpack_from(order + "HH" + offset_code, data, at + i * entry)
            code = codes.get(kind)
            if code is None:
                continue
            where = at + i * entry + entry - inline
            if n * struct.calcsize(code) > inline:
                (where,) = struct.unpack_from(order + offset_code, data, where)
            tags[tag] = struct.unpack_from(f"{order}{n}{code}", data, where)
            place[tag] = where
        (following,) = struct.unpack_from(order + offset_code, data, at + count * entry)
    except (struct.error, OverflowError, MemoryError):
        return None
    return TiffDirectory(order, tags, place, 2 if following else 1)


def tiff_is_whole(data: bytes, directory: TiffDirectory) -> bool:
    """Every strip or tile the directory names lies inside the file."""
    for offsets, counts in ((273, 279), (324, 325)):
        if offsets in directory.tags:
            starts, sizes = directory.tags[offsets], directory.tags.get(counts, ())
            return len(starts) == len(sizes) and all(
                s > 0 and s + n <= len(data) for s, n in zip(starts, sizes, strict=True)
            )
    return False


def dng_is_whole(data: bytes) -> bool:
    """Check the strips of every directory of a DNG; other raw files are left to the raw library."""
    first = tiff_directory(data) if data[:2] in (b"II", b"MM") else None
    if first is None or 50706 not in first.tags:
        return True
    directories = [first, *(tiff_directory(data, at) for at in first.tags.get(330, ()))]
    return all(d is not None and (tiff_is_whole(data, d) or not d.tags.keys() & {273, 324}) for d in directories)
