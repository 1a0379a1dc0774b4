"""A photo or scan on disk becomes linear light.

The order is: file → bytes (read once) → header (size, profile, orientation) → codes (8 or 16 bit, as stored)
→ upright → strips: curve, matrix or table, transparency, reduction → `LinearImage`. Everything that can be
refused is refused from the header, before pixels are decoded.

OpenCV decodes the pixels of JPEG, PNG, WebP and 16-bit TIFF, Pillow those of the rarer kinds; both are
imported when first needed. A file's colour space becomes one `_ColourModel`: a curve per channel, then a
matrix, or a table when the embedded profile is one.
"""

from __future__ import annotations

import hashlib
import io
import math
import os
import re
import stat
import struct
import sys
import tempfile
import threading
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..ground.cielab import (
    D65_WHITE,
    ICC_D50_WHITE,
    SRGB_PRIMARIES,
    bradford_matrix,
    lab_to_xyz,
    rgb_to_xyz_matrix,
    srgb_to_linear,
)
from ..ground.errors import FileError, ImageError
from ..ground.records import LinearImage

MIN_SIDE_PX = 200
MAX_FILE_PIXELS = 120_000_000
MAX_FILE_BYTES = 1_500_000_000

TOP_CLIPPED = 1  # bit in LinearImage.clipped: some channel at or near the top code
BOTTOM_CLIPPED = 2  # some channel at the bottom code

Codes = NDArray[Any]  # uint8 or uint16, (H, W) or (H, W, channels) with blue first
Float = NDArray[np.float64]

_RAW_SUFFIXES = {
    *(".dng", ".cr2", ".cr3", ".crw", ".nef", ".nrw", ".arw", ".srf", ".sr2", ".raf", ".orf", ".rw2"),
    *(".pef", ".srw", ".3fr", ".fff", ".iiq", ".erf", ".mef", ".mos", ".mrw", ".x3f", ".kdc", ".dcr"),
}
_SAVE_AS = "save it as JPEG, PNG or TIFF"
# IEC 61966-2-1 primaries and white to the ICC connection space, and back.
_PCS_TO_SRGB: Float = np.asarray(
    np.linalg.inv(bradford_matrix(D65_WHITE, ICC_D50_WHITE) @ rgb_to_xyz_matrix(SRGB_PRIMARIES, D65_WHITE)),
    np.float64,
)
_TABLE_NODES = 52  # nodes fall on whole 8-bit codes, 5 apart
_STRIP_PIXELS = 125_000


# -------------------------------------------------------------------------------------------- what a file is


@dataclass(slots=True)
class _Header:
    """What is known of a file before its pixels are decoded."""

    kind: str  # 'jpeg', 'png', 'tiff', 'webp', 'pillow', 'heic', 'raw'
    size: tuple[int, int] = (0, 0)  # as stored, before orientation
    mode: str = ""  # Pillow's name for the channels
    bits: int = 8
    orientation: int = 1
    profile: bytes = b""
    premultiplied: bool = False
    inverted: bool = False  # grey where 0 is white
    device: str = ""
    taken: str = ""
    exposure: dict[str, float] = field(default_factory=dict)
    colour_tag: str = ""  # 'sRGB' or 'Adobe RGB' where EXIF names one
    scan_hint: bool = False
    chunks: dict[str, bytes] = field(default_factory=dict)  # PNG colour chunks
    notes: list[str] = field(default_factory=list)


def _read_bytes(path: Path) -> bytes:
    """Read a regular file once; refuse everything else by name."""
    name = path.name or str(path)
    try:
        status = os.stat(path)
        if stat.S_ISDIR(status.st_mode):
            raise FileError(f"{name} is a folder", "name the picture inside it")
        if not stat.S_ISREG(status.st_mode):
            raise FileError(f"{name} is not an ordinary file", "name a picture file")
        if status.st_size == 0:
            raise ImageError(f"{name} is empty (0 bytes)", "copy it again from the camera")
        if status.st_size > MAX_FILE_BYTES:
            raise ImageError(
                f"{name} is {status.st_size / 1e9:.1f} GB, more than the {MAX_FILE_BYTES / 1e9:.1f} GB limit",
                "save it smaller",
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise FileError(f"{name} was not found", f"check the name and the folder ({path.parent})") from None
    except PermissionError:
        raise FileError(f"{name} may not be read", "allow this user to read it, or copy it elsewhere") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileError(f"{name} cannot be read ({reason})", "check the name and the disk") from None
    if not data:
        raise ImageError(f"{name} is empty (0 bytes)", "copy it again from the camera")
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


def _unknown(name: str, data: bytes) -> ImageError:
    """Build the refusal of a file that is no known picture."""
    head = data[:4096]
    if head.startswith(b"%PDF"):
        return ImageError(f"{name} is a PDF, not a picture", "export the page as PNG or TIFF")
    if not head.strip(b"\0"):
        return ImageError(f"{name} holds only zero bytes at its start", "copy it again from the camera")
    if not re.search(rb"[\x00-\x08\x0e-\x1f\x80-\xbf\xf5-\xff]", re.sub(_UTF8, b"", head)):
        return ImageError(f"{name} is text, not a picture", "name a JPEG, PNG or TIFF file")
    return ImageError(f"{name} is not a picture of a known kind", _SAVE_AS)


def _cut_short(name: str) -> ImageError:
    return ImageError(f"{name} is cut short or damaged", "copy it again from the camera")


# ------------------------------------------------------------------- complete or cut short, without decoding

_JPEG_MARKER = re.compile(rb"\xff+[^\x00\xff\xd0-\xd7]", re.DOTALL)


def _jpeg_end(data: bytes) -> int:
    """Walk the markers of the first picture in the file; where its end marker begins, or -1 without one.

    Bytes after that marker are none of our business: phones append further pictures or a short film there.
    """
    at, scans = 2, 0
    while True:
        if scans:  # inside compressed data: the next marker that is neither stuffing nor a restart
            found = _JPEG_MARKER.search(data, at)
            if not found:
                return -1
            at = found.end() - 1
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


def _png_chunks(data: bytes) -> dict[str, bytes] | None:
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


def _riff_is_whole(data: bytes) -> bool:
    return len(data) >= int.from_bytes(data[4:8], "little") + 8


@dataclass(slots=True)
class _TiffDirectory:
    """The first directory of a TIFF: numeric tags, and where in the file the value of each begins."""

    order: str
    tags: dict[int, tuple[int, ...]]
    place: dict[int, int]
    pages: int

    def one(self, tag: int, default: int) -> int:
        values = self.tags.get(tag)
        return values[0] if values else default


def _tiff_directory(data: bytes, at: int | None = None) -> _TiffDirectory | None:
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
    return _TiffDirectory(order, tags, place, 2 if following else 1)


def _tiff_is_whole(data: bytes, directory: _TiffDirectory) -> bool:
    """Every strip or tile the directory names lies inside the file."""
    for offsets, counts in ((273, 279), (324, 325)):
        if offsets in directory.tags:
            starts, sizes = directory.tags[offsets], directory.tags.get(counts, ())
            return len(starts) == len(sizes) and all(
                s > 0 and s + n <= len(data) for s, n in zip(starts, sizes, strict=True)
            )
    return False


def _dng_is_whole(data: bytes) -> bool:
    """Check the strips of every directory of a DNG; other raw files are left to the raw library."""
    first = _tiff_directory(data) if data[:2] in (b"II", b"MM") else None
    if first is None or 50706 not in first.tags:
        return True
    directories = [first, *(_tiff_directory(data, at) for at in first.tags.get(330, ()))]
    return all(d is not None and (_tiff_is_whole(data, d) or not d.tags.keys() & {273, 324}) for d in directories)


# ------------------------------------------------------------------------------------------------ the header


def _header(data: bytes, name: str, suffix: str) -> tuple[_Header, bytes]:
    """Read size, profile, orientation and exposure; give the bytes to decode, too."""
    kind = picture_kind(data, suffix)
    if not kind:
        raise _unknown(name, data)
    head = _Header(kind)
    if kind in ("heic", "raw"):
        return head, data
    if kind == "jpeg" and _jpeg_end(data) < 0:
        raise _cut_short(name)
    if kind == "webp" and not _riff_is_whole(data):
        raise _cut_short(name)
    if kind == "png":
        chunks = _png_chunks(data)
        if chunks is None:
            raise _cut_short(name)
        head.chunks = chunks
    if kind == "tiff":
        directory = _tiff_directory(data)
        if directory is None or not _tiff_is_whole(data, directory):
            raise _cut_short(name)
        if 50706 in directory.tags:  # DNGVersion
            head.kind = "raw"
            return head, data
        data = _tiff_header(head, data, directory, name)
    _pillow_header(head, data, name)
    _check_size(head.size, name)
    return head, data


def _tiff_header(head: _Header, data: bytes, directory: _TiffDirectory, name: str) -> bytes:
    """Take what only the directory tells, and neutralise the tags that decoders treat unlike each other."""
    bits = directory.tags.get(258, (1,))
    head.bits = bits[0]
    photometric = directory.one(262, 2)
    samples = directory.one(277, 1)
    if directory.one(339, 1) == 3 or head.bits > 16:
        raise ImageError(f"{name} holds {head.bits}-bit numbers, not colour codes", "save it as 16-bit TIFF")
    if head.bits not in (8, 16) or len(set(bits)) > 1:
        raise ImageError(f"{name} has {head.bits} bit per channel", "scan or save it with 8 or 16 bit")
    if photometric not in (0, 1, 2, 3, 5, 6):
        raise ImageError(f"{name} is stored in Lab or another unusual colour space", "save it as RGB")
    if head.bits == 16:
        if photometric not in (0, 1, 2) or samples not in (1, 3, 4) or (photometric < 2 and samples > 1):
            raise ImageError(f"{name} is a 16-bit TIFF of an unusual kind", "save it as 16-bit RGB")
        if directory.one(284, 1) == 2 and samples > 1:
            raise ImageError(f"{name} stores its channels in separate planes", "save it interleaved")
        head.inverted = photometric == 0
    head.premultiplied = directory.one(338, 0) == 1
    head.orientation = directory.one(274, 1)
    if directory.pages > 1:
        head.notes.append("several pages in the file: the first was used")
    if head.orientation != 1 and 274 in directory.place:
        patched = bytearray(data)
        struct.pack_into(directory.order + "H", patched, directory.place[274], 1)
        return bytes(patched)
    return data


def _pillow_header(head: _Header, data: bytes, name: str) -> None:
    """Fill the header from what Pillow reads before it decodes."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image = Image.open(io.BytesIO(data))
    except Image.DecompressionBombError:
        raise _too_large(name) from None
    except Exception:
        raise _cut_short(name) from None
    with image:
        head.size = image.size
        head.mode = image.mode
        if head.mode.startswith(("I", "F")):
            head.bits = 16
        if head.kind == "png":
            head.bits = max(8, head.chunks["IHDR"][8])
        head.profile = image.info.get("icc_profile") or b""
        if head.kind not in ("jpeg", "tiff") and _frames(image) > 1:  # of a TIFF the directory has told
            head.notes.append("several pictures in the file: the first was used")
        dpi = image.info.get("dpi", (0, 0))
        _exif(head, image)
        try:
            software = str(image.info.get("Software", "")) + str(getattr(image, "tag_v2", {}).get(305, ""))
        except Exception:  # a damaged tag tells nothing
            software = ""
    try:
        resolution = float(dpi[0])
    except (TypeError, ValueError, ZeroDivisionError, IndexError):
        resolution = 0.0
    if not head.exposure:
        head.scan_hint |= head.kind == "tiff" or "scan" in software.lower()
        head.scan_hint |= resolution >= 150 and not head.device


def _frames(image: Any) -> int:
    """Count the pictures in a file; 1 when what follows the first is damaged."""
    try:
        return int(getattr(image, "n_frames", 1))
    except Exception:
        return 1


def _exif(head: _Header, image: Any) -> None:
    """Take orientation, device, date, exposure and colour tag from EXIF; damage there stops nothing."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if head.kind == "tiff":
                exif = image.getexif()
            else:
                raw = image.info.get("exif") or head.chunks.get("eXIf")
                if not raw:
                    return
                exif = Image.Exif()
                exif.load(raw)
            _exif_tags(head, exif)
    except Exception:
        head.notes.append("the camera's notes in the file (EXIF) are damaged and were partly ignored")


def _exif_tags(head: _Header, exif: Any) -> None:
    """Read the EXIF tags that matter (CIPA DC-008, Exif 2.3)."""
    if head.kind != "tiff":
        value = exif.get(0x0112, 1)
        head.orientation = value if isinstance(value, int) else 1
    make, model = (str(exif.get(tag) or "").strip(" \0") for tag in (0x010F, 0x0110))
    head.device = " ".join((model if model.lower().startswith(make.lower()) else f"{make} {model}").split())
    head.scan_hint = "scan" in f"{exif.get(0x0131, '')} {head.device}".lower()
    shot = exif.get_ifd(0x8769)
    head.taken = str(shot.get(0x9003) or exif.get(0x0132) or "").strip(" \0")
    for key, tag in (("exposure_time", 0x829A), ("f_number", 0x829D), ("iso", 0x8827)):
        value = shot.get(tag)
        value = value[0] if isinstance(value, tuple) and value else value
        try:
            number = float(value)
        except (TypeError, ValueError, ZeroDivisionError):
            continue
        if math.isfinite(number) and number > 0:
            head.exposure[key] = number
    if shot.get(0xA403) in (0, 1):  # WhiteBalance
        head.exposure["auto_white_balance"] = float(shot[0xA403] == 0)
    if shot.get(0xA300) in (b"\x01", b"\x02", 1, 2):  # FileSource: film or print scanner
        head.scan_hint = True
    if shot.get(0xA001) == 1:
        head.colour_tag = "sRGB"
    elif exif.get_ifd(0xA005).get(1) in ("R03", "R03\0", b"R03\0"):
        head.colour_tag = "Adobe RGB"


def _too_large(name: str) -> ImageError:
    return ImageError(f"{name} has more than {MAX_FILE_PIXELS // 1_000_000} megapixels", "save it smaller")


def _check_size(size: tuple[int, int], name: str) -> None:
    """Refuse pictures too large to decode safely and too small to measure."""
    if size[0] * size[1] > MAX_FILE_PIXELS:
        raise _too_large(name)
    if min(size) < MIN_SIDE_PX:
        raise ImageError(
            f"{name} is only {size[0]} × {size[1]} pixels",
            f"use the original photo or scan, at least {MIN_SIDE_PX} pixels on each side",
        )


# -------------------------------------------------------------------------------- what the colour codes mean


@dataclass(frozen=True, slots=True, eq=False)
class _ColourModel:
    """From codes to linear light in sRGB primaries."""

    name: str
    parameters: tuple[Any, ...] = ()  # one curve for each channel; a curve is a function of 0…1
    matrix: NDArray[np.float32] | None = None
    table: NDArray[np.float32] | None = None  # (n, n, 256, 3): signed cube roots of linear light

    def lut(self, levels: int) -> NDArray[np.float32]:
        """Shape (levels, channels): linear light of every code."""
        codes = np.linspace(0.0, 1.0, levels)
        if self.table is not None:
            return np.repeat(codes[:, None], 3, axis=1).astype(np.float32)
        return np.stack([curve(codes) for curve in self.parameters], axis=1).astype(np.float32)


def _srgb(name: str) -> _ColourModel:
    return _ColourModel(name, (srgb_to_linear,) * 3)


def _power(gamma: float) -> Any:
    return lambda v: v**gamma


def _with_matrix(name: str, curves: tuple[Any, ...], to_srgb: Float) -> _ColourModel:
    """Leave the matrix out where it is the identity to the rounding of a profile (s15Fixed16)."""
    same = bool(np.abs(to_srgb - np.eye(3)).max() < 5e-4)
    return _ColourModel(name, curves, None if same else to_srgb.astype(np.float32))


def _from_primaries(name: str, curve: Any, primaries: Float, white: Float) -> _ColourModel:
    """Model of an RGB space given by chromaticities; its white becomes ours by Bradford."""
    matrix = bradford_matrix(white, ICC_D50_WHITE) @ rgb_to_xyz_matrix(primaries, white)
    return _with_matrix(name, (curve,) * 3, _PCS_TO_SRGB @ matrix)


def _colour_model(head: _Header, notes: list[str]) -> _ColourModel:
    """Pick the meaning of the codes: embedded profile, PNG chunks, EXIF tag, else sRGB."""
    grey = head.mode in ("1", "L", "LA", "I", "I;16", "I;16B", "I;16L")
    if head.profile:
        try:
            return _from_profile(head.profile, grey)
        except _ProfileError as error:
            notes.append(f"the embedded colour profile was not used ({error}): sRGB assumed")
            return _srgb("sRGB assumed")
    model = _from_png_chunks(head.chunks) if head.kind == "png" else None
    if model is not None:
        return model
    if head.colour_tag == "Display P3":
        return _from_primaries("Display P3", srgb_to_linear, _P3_PRIMARIES, D65_WHITE)
    if head.colour_tag == "Adobe RGB":  # DCF optional colour space, CIPA DC-009
        primaries = np.array([[0.64, 0.33], [0.21, 0.71], [0.15, 0.06]])
        return _from_primaries("Adobe RGB (1998)", _power(563.0 / 256.0), primaries, D65_WHITE)
    return _srgb("sRGB" if head.colour_tag == "sRGB" else "sRGB assumed")


_P3_PRIMARIES: Float = np.array([[0.680, 0.320], [0.265, 0.690], [0.150, 0.060]])  # SMPTE EG 432-1


def _from_png_chunks(chunks: dict[str, bytes]) -> _ColourModel | None:
    """Colour space from cICP, sRGB, gAMA and cHRM, ranked as in the PNG specification, 3rd edition."""
    if chunks.get("cICP", b"")[:2] == bytes((12, 13)):
        return _from_primaries("Display P3", srgb_to_linear, _P3_PRIMARIES, D65_WHITE)
    if "sRGB" in chunks:
        return _srgb("sRGB")
    curve: Any = srgb_to_linear
    if len(chunks.get("gAMA", b"")) == 4:
        gamma = int.from_bytes(chunks["gAMA"], "big") / 1e5
        if 0.1 < gamma <= 2.0 and abs(gamma - 0.45455) > 0.005:
            curve = _power(1.0 / gamma)
    if len(chunks.get("cHRM", b"")) == 32:
        xy = np.array(struct.unpack(">8I", chunks["cHRM"])).reshape(4, 2) / 1e5
        area = np.linalg.det(np.column_stack([xy[1:], np.ones(3)]))
        if (xy[:, 1] > 0.01).all() and (xy.sum(axis=1) <= 1.0001).all() and abs(area) > 0.01:
            white = np.array([xy[0, 0] / xy[0, 1], 1.0, (1.0 - xy[0].sum()) / xy[0, 1]])
            return _from_primaries("given by PNG gAMA and cHRM", curve, xy[1:], white)
    return None if curve is srgb_to_linear else _ColourModel("given by PNG gAMA", (curve,) * 3)


class _ProfileError(Exception):
    """An embedded profile cannot be used; the text says why, in a few words."""


def _from_profile(profile: bytes, grey: bool) -> _ColourModel:
    """Parse an embedded ICC profile (ISO 15076-1; version 2 as well).

    Matrix/curve and grey profiles are evaluated here in double precision; profiles with an A2B table are
    sampled through LittleCMS. As the standard demands, a table goes before a matrix.
    """
    try:
        tags = _profile_tags(profile)
        space = profile[16:20]
        name = _description(tags.get(b"desc", b"")) or "embedded profile without a name"
        if grey:
            if space != b"GRAY":
                raise _ProfileError("it is for colour, the picture is grey")
            return _ColourModel(name, (_curve(tags[b"kTRC"]),))
        if space != b"RGB ":
            raise _ProfileError("it is not for RGB")
        if b"A2B0" in tags or b"A2B1" in tags:
            return _ColourModel(name, table=_table(profile))
        columns = [_xyz_tag(tags[tag]) for tag in (b"rXYZ", b"gXYZ", b"bXYZ")]
        curves = tuple(_curve(tags[tag]) for tag in (b"rTRC", b"gTRC", b"bTRC"))
    except KeyError as error:
        raise _ProfileError(f"it lacks the tag {error.args[0].decode('latin-1')}") from None
    except (struct.error, ValueError, IndexError, OverflowError):
        raise _ProfileError("it is damaged") from None
    matrix = _PCS_TO_SRGB @ np.stack(columns, axis=1)
    if not np.abs(matrix.sum(axis=1) - 1.0).max() < 0.05 or abs(np.linalg.det(matrix)) < 0.05:
        raise _ProfileError("its primaries do not add up to white")
    return _with_matrix(name, curves, matrix)


def _profile_tags(profile: bytes) -> dict[bytes, bytes]:
    if len(profile) < 132 or profile[36:40] != b"acsp":
        raise _ProfileError("it is damaged")
    (count,) = struct.unpack_from(">I", profile, 128)
    tags = {}
    for i in range(min(count, 200)):
        tag, start, size = struct.unpack_from(">4sII", profile, 132 + 12 * i)
        if start + size > len(profile):
            raise _ProfileError("it is cut short")
        tags[tag] = profile[start : start + size]
    return tags


def _description(tag: bytes) -> str:
    """Text of 'desc' (version 2) or the first record of 'mluc' (version 4)."""
    if tag[:4] == b"desc":
        (n,) = struct.unpack_from(">I", tag, 8)
        text = tag[12 : 12 + n].split(b"\0")[0].decode("latin-1")
    elif tag[:4] == b"mluc" and struct.unpack_from(">I", tag, 8)[0]:
        size, start = struct.unpack_from(">II", tag, 20)
        text = tag[start : start + size].decode("utf-16-be", "replace")
    else:
        text = ""
    return " ".join(re.sub(r"[\x00-\x1f\x7f]", " ", text).split())[:80]


def _xyz_tag(tag: bytes) -> Float:
    return np.array(struct.unpack_from(">3i", tag, 8)) / 65536.0


def _curve(tag: bytes) -> Any:
    """Curve of a 'curv' or 'para' tag (ISO 15076-1, 10.6 and 10.18) as a function of 0…1."""
    if tag[:4] == b"curv":
        (n,) = struct.unpack_from(">I", tag, 8)
        if n == 0:
            return _power(1.0)
        if n == 1:
            return _power(struct.unpack_from(">H", tag, 12)[0] / 256.0)
        points = np.frombuffer(tag, ">u2", n, 12).astype(np.float64) / 65535.0
        return lambda v: np.interp(v, np.linspace(0.0, 1.0, n), points)
    if tag[:4] == b"para":
        (kind,) = struct.unpack_from(">H", tag, 8)
        if kind > 4:
            raise _ProfileError("it has a curve of unknown type")
        numbers = [v / 65536.0 for v in struct.unpack_from(f">{(1, 3, 4, 5, 7)[kind]}i", tag, 12)]
        return _parametric(kind, numbers)
    raise _ProfileError("it has a curve of unknown type")


def _parametric(kind: int, numbers: list[float]) -> Any:
    """Parametric curve types 0 to 4: a power above a threshold, a straight line below it."""
    g, a, b, c, d, e, f = numbers + [0.0] * (7 - len(numbers))
    if kind == 0:
        a, d = 1.0, -1.0
    elif kind in (1, 2):
        if a == 0.0:
            raise _ProfileError("it has a curve of unknown type")
        d, e, f, c = -b / a, c, c, 0.0

    def curve(v: Float) -> Float:
        base = np.maximum(a * v + b, 0.0)
        return np.clip(np.where(v >= d, base**g + e, c * v + f), 0.0, 1.0)

    return curve


def _table(profile: bytes) -> NDArray[np.float32]:
    """Sample a table profile on a grid through LittleCMS, media-relative, to 16 bits.

    Pillow hands out Lab in 8 bits only, but grey in 16: L*, a* and b* are fetched one by one, each as the
    "grey" of a profile made for it.
    """
    from PIL import Image, ImageCms

    codes = np.arange(0, 256, 255 // (_TABLE_NODES - 1), dtype=np.uint8)
    grid = np.stack(np.meshgrid(codes, codes, codes, indexing="ij"), axis=-1).reshape(_TABLE_NODES, -1, 3)
    image = Image.fromarray(grid)
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        planes = [
            ImageCms.profileToProfile(
                image,
                source,
                ImageCms.ImageCmsProfile(io.BytesIO(_one_of_lab(channel))),
                renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
                outputMode="I;16",
                flags=ImageCms.Flags.NOOPTIMIZE,
            )
            for channel in range(3)
        ]
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        raise _ProfileError("its table cannot be read") from None
    coded = np.stack([np.asarray(plane, np.float64) for plane in planes], axis=-1)
    lab = coded * np.array([100.0 / 65280.0, 1.0 / 256.0, 1.0 / 256.0]) - np.array([0.0, 128.0, 128.0])
    linear = lab_to_xyz(lab, ICC_D50_WHITE) @ _PCS_TO_SRGB.T
    roots = np.cbrt(linear).reshape(_TABLE_NODES, _TABLE_NODES, _TABLE_NODES, 3)
    place = np.arange(256) * (_TABLE_NODES - 1) / 255.0
    low = np.minimum(place.astype(int), _TABLE_NODES - 2)
    part = (place - low)[:, None]
    fine = roots[:, :, low] * (1.0 - part) + roots[:, :, low + 1] * part
    return np.ascontiguousarray(fine, np.float32)


def _one_of_lab(channel: int) -> bytes:
    """Build a grey output profile whose one channel is L*, a* or b* in the 16-bit encoding of version 2.

    ISO 15076-1, 10.10 (lut16Type): a table with two nodes an axis that repeats one of its three inputs.
    """
    nodes = b"".join(b"\xff\xff" if corner >> (2 - channel) & 1 else b"\0\0" for corner in range(8))
    ramp = b"\0\0\xff\xff"
    unit = b"".join(struct.pack(">i", 65536 * (i % 4 == 0)) for i in range(9))
    lut = b"mft2\0\0\0\0\3\1\2\0" + unit + b"\0\2\0\2" + ramp * 3 + nodes + ramp
    head = struct.pack(
        ">I4sI4s4s4s12x4s28x3i48x",
        0,
        b"",
        0x02400000,
        b"prtr",
        b"GRAY",
        b"Lab ",
        b"acsp",
        63190,
        65536,
        54061,
    )
    whole = head[:128] + struct.pack(">I4sII", 1, b"B2A0", 144, len(lut)) + lut
    return struct.pack(">I", len(whole)) + whole[4:]


def _mixed(
    flat: NDArray[np.float32],
    at: NDArray[np.int32],
    steps: tuple[int, ...],
    parts: list[NDArray[np.float32] | None],
) -> NDArray[np.float32]:
    """Mix the two neighbours along the first axis, each mixed along the remaining axes before."""
    if not parts:
        return np.take(flat, at, axis=0)
    low = _mixed(flat, at, steps[1:], parts[1:])
    if parts[0] is not None:
        high = _mixed(flat, at + np.int32(steps[0]), steps[1:], parts[1:])
        high -= low
        high *= parts[0]
        low += high
    return low


def _look_up(table: NDArray[np.float32], codes: NDArray[Any]) -> NDArray[np.float32]:
    """Interpolate (…, 3) codes, uint8 or float 0…1, linearly along each axis of a table of cube roots.

    Cube roots keep dark colours precise. Eight-bit blue needs no interpolation: it has a node for every code.
    """
    flat = table.reshape(-1, 3)
    steps = (table.shape[1] * table.shape[2], table.shape[2], 1)
    index = np.zeros(codes.shape[:-1], np.int32).ravel()
    parts: list[NDArray[np.float32] | None] = []
    for axis in range(3):
        nodes, channel = table.shape[axis], codes[..., axis].ravel()
        if codes.dtype == np.uint8:
            place = np.linspace(0.0, nodes - 1.0, 256)
            low = np.minimum(place.astype(np.int32), nodes - 2 if nodes != 256 else nodes - 1)
            index += (low * steps[axis])[channel]
            parts.append((place - low).astype(np.float32)[channel][:, None] if nodes != 256 else None)
        else:
            exact = channel * np.float32(nodes - 1)
            below = np.minimum(exact.astype(np.int32), nodes - 2)
            index += below * steps[axis]
            parts.append((exact - below)[:, None])

    roots = _mixed(flat, index, steps, parts)
    return np.asarray(roots * roots * roots).reshape(codes.shape)


# ------------------------------------------------------------------------------------------ pixels as stored

_STDERR_LOCK = threading.Lock()


@contextmanager
def _captured_stderr(text: list[str]) -> Iterator[None]:
    """Collect what C libraries print on the error stream, which is the only place they tell of damage."""
    with _STDERR_LOCK:
        try:
            sys.stderr.flush()
            saved = os.dup(2)
        except (OSError, AttributeError, ValueError):  # no error stream: nothing to keep clean
            yield
            return
        try:
            with tempfile.TemporaryFile() as sink:
                os.dup2(sink.fileno(), 2)
                try:
                    yield
                finally:
                    os.dup2(saved, 2)
                sink.seek(0)
                text.append(sink.read(100_000).decode("latin-1"))
        finally:
            os.close(saved)


# The libraries carry on after these messages.
_DAMAGE = re.compile(r"Corrupt JPEG|Premature end|Invalid|Unsupported|libpng error|TIFF_Error|corrupt", re.I)
_STRAY = re.compile(r"(\d+) extraneous bytes before marker 0xd9")


def _is_padding(said: str, data: bytes) -> bool:
    """Tell the padding some cameras write before the end marker from pixels out of step."""
    stray = _STRAY.search(said)
    if not stray or len(_DAMAGE.findall(said)) > 1:
        return False
    end = _jpeg_end(data)
    return len(set(data[max(0, end - int(stray[1])) : end])) <= 1


def _cv2_codes(data: bytes, name: str, flags: int) -> Codes:
    """Decode with OpenCV, as stored: no orientation, no colour management; blue first."""
    import cv2

    said: list[str] = []
    codes = None
    with _captured_stderr(said):
        try:
            codes = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
        except (cv2.error, MemoryError):
            codes = None
    text = " ".join(said)
    if codes is None or (_DAMAGE.search(text) and not _is_padding(text, data)):
        raise _cut_short(name)
    if codes.dtype not in (np.uint8, np.uint16):
        raise ImageError(f"{name} holds numbers of type {codes.dtype}, not colour codes", "save it with 8 or 16 bit")
    return codes


def _blue_first(codes: Codes) -> Codes:
    """Bring the channel order of other decoders to OpenCV's."""
    import cv2

    if codes.ndim == 2:
        return codes
    swap = cv2.COLOR_RGBA2BGRA if codes.shape[2] == 4 else cv2.COLOR_RGB2BGR
    return np.asarray(cv2.cvtColor(codes, swap))


def _pillow_codes(head: _Header, data: bytes, name: str) -> Codes:
    """Decode the rarer kinds with Pillow; blue first, to be like OpenCV's."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data)) as image:
                with _captured_stderr([]):
                    image.load()
                if image.mode == "CMYK":
                    picture = _through_cmyk_profile(image, head, name)
                elif image.mode in ("L", "RGB"):
                    picture = image
                elif image.mode == "1":
                    picture = image.convert("L")
                elif image.mode in ("RGBA", "LA", "PA", "RGBa", "La") or "transparency" in image.info:
                    picture = image.convert("RGBA")
                elif image.mode in ("P", "YCbCr", "RGBX"):
                    picture = image.convert("RGB")
                else:
                    raise ImageError(f"{name} is stored in the unusual mode {image.mode}", "save it as RGB")
                codes: Codes = np.asarray(picture)
                head.premultiplied = False
    except ImageError:
        raise
    except Exception:
        raise _cut_short(name) from None
    return _blue_first(codes)


def _through_cmyk_profile(image: Any, head: _Header, name: str) -> Any:
    """CMYK to sRGB through the embedded profile; without one its colours mean nothing."""
    from PIL import ImageCms

    if not head.profile:
        raise ImageError(f"{name} is CMYK without a colour profile", "save it as RGB")
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(head.profile))
        picture = ImageCms.profileToProfile(
            image,
            source,
            ImageCms.createProfile("sRGB"),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
            outputMode="RGB",
        )
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        picture = None
    if picture is None:
        raise ImageError(f"{name} is CMYK and its colour profile cannot be read", "save it as RGB")
    head.notes.append("CMYK converted to sRGB through the embedded profile (8 bit, colours outside sRGB are cut)")
    head.profile = b""
    head.colour_tag = "sRGB"
    return picture


def _heic_codes(head: _Header, data: bytes, name: str) -> Codes:
    """Decode HEIC; the library turns the picture upright itself."""
    try:
        import pillow_heif
    except ImportError:
        raise ImageError(
            f"{name} is HEIC, which needs an extra library",
            'run pip install "colorcheck[heic]", or save the photo as JPEG',
        ) from None
    try:
        file = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
        head.size = file.size
        head.mode = file.mode.split(";")[0]
    except Exception:
        raise _cut_short(name) from None
    _check_size(head.size, name)
    try:
        codes = np.asarray(file)
    except Exception:
        raise _cut_short(name) from None
    head.profile = file.info.get("icc_profile") or b""
    nclx = file.info.get("nclx_profile") or {}
    if not head.profile and isinstance(nclx, dict) and nclx.get("color_primaries") == 12:
        head.colour_tag = "Display P3"
    head.premultiplied = bool(getattr(file, "premultiplied_alpha", False))
    head.bits = int(file.info.get("bit_depth", 8 * codes.dtype.itemsize))
    if len(file) > 1:
        head.notes.append("several pictures in the file: the main one was used")
    if file.info.get("exif"):
        _exif(head, file)
    head.orientation = 1
    return _blue_first(codes)


def _raw_codes(head: _Header, data: bytes, name: str, max_pixels: int) -> tuple[Codes, int]:
    """Develop a raw file to linear 16-bit sRGB primaries; give the codes and the reduction already made."""
    try:
        import rawpy
    except ImportError:
        raise ImageError(
            f"{name} is a camera raw file, which needs an extra library",
            'run pip install "colorcheck[raw]", or save the photo as JPEG',
        ) from None
    if not _dng_is_whole(data):
        raise _cut_short(name)
    _raw_exif(head, data)
    said: list[str] = []
    try:
        with _captured_stderr(said), rawpy.imread(io.BytesIO(data)) as raw:
            size = raw.sizes
            width, height = (size.iwidth, size.iheight)
            head.size = (width, height)
            _check_size(head.size, name)
            half = width * height > max_pixels
            codes = raw.postprocess(
                use_camera_wb=True,
                no_auto_bright=True,
                output_color=rawpy.ColorSpace.sRGB,
                output_bps=16,
                gamma=(1.0, 1.0),
                half_size=half,
            )
    except ImageError:
        raise
    except Exception:
        raise _cut_short(name) from None
    if re.search(r"corrupt|end of file", " ".join(said), re.I):
        raise _cut_short(name)
    if (codes.shape[1] > codes.shape[0]) != (width > height):
        head.size = (height, width)
    head.bits, head.mode, head.orientation = 16, "RGB", 1
    return np.asarray(codes)[..., ::-1], 2 if half else 1


def _raw_exif(head: _Header, data: bytes) -> None:
    """Camera and exposure of a raw file that is built like a TIFF."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            exif = Image.Exif()
            exif.load(data)
            _exif_tags(head, exif)
    except Exception:
        head.exposure = {}


# ------------------------------------------------------------------------------------------- upright, linear


def _upright(codes: Codes, orientation: int) -> Codes:
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
class _Limits:
    """Codes at or beyond which a channel counts as clipped, and the code that means full scale."""

    bottom: int
    top: int
    full: int


def _flags(codes: Codes, limits: _Limits) -> NDArray[np.uint8]:
    """Clip bits of one strip, before transparency and reduction."""
    import cv2

    channels = 1 if codes.ndim == 2 else codes.shape[2]
    below_top = cv2.inRange(codes, (0.0,) * channels, (float(limits.top - 1),) * channels)
    above_bottom = cv2.inRange(codes, (float(limits.bottom + 1),) * channels, (65535.0,) * channels)
    top = np.bitwise_and(np.bitwise_not(below_top), np.uint8(TOP_CLIPPED))
    bottom = np.bitwise_and(np.bitwise_not(above_bottom), np.uint8(BOTTOM_CLIPPED))
    return np.asarray(top | bottom, np.uint8)


def _linear_strip(codes: Codes, lut: NDArray[np.float32], model: _ColourModel) -> NDArray[np.float32]:
    """Linear light (h, w, 3) of one strip of codes, (h, w) or (h, w, 3) with red first."""
    import cv2

    linear: Any
    if model.table is not None and codes.dtype == np.uint8 and codes.ndim == 3:
        return _look_up(model.table, codes)
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
        linear = _look_up(model.table, linear)
    elif model.matrix is not None:
        linear = cv2.transform(linear, model.matrix)
    return np.asarray(linear, np.float32)


def _linearise(
    codes: Codes, model: _ColourModel, limits: _Limits, shrink: int, premultiplied: bool
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


def _without_alpha(codes: Codes, full: int, notes: list[str]) -> Codes:
    """Drop an alpha channel that is opaque everywhere, and say what is done with it."""
    if codes.ndim != 3 or codes.shape[2] != 4:
        return codes
    if int(codes[..., 3].min()) >= full:
        notes.append("alpha channel ignored (opaque everywhere)")
        return np.ascontiguousarray(codes[..., :3])
    notes.append("transparent parts laid on white")
    return codes


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
    data = _read_bytes(path)
    digest = hashlib.sha256(data).hexdigest()
    name = os.fsencode(path.name).decode("utf-8", "replace")  # any bytes may be a name, not any can be written out
    head, data = _header(data, name, path.suffix.lower())
    notes = head.notes

    reduced = 1
    if head.kind == "heic":
        codes = _heic_codes(head, data, name)
    elif head.kind == "raw":
        codes, reduced = _raw_codes(head, data, name, max_pixels)
    elif head.mode == "CMYK" or head.kind == "pillow" or (head.kind == "tiff" and head.bits == 8):
        codes = _pillow_codes(head, data, name)
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
        codes = _cv2_codes(data, name, flags)
    del data

    full = 255 if codes.dtype == np.uint8 else 65535
    if head.kind == "heic" and codes.dtype == np.uint16:
        full = ((1 << head.bits) - 1) << (16 - head.bits)
    expected = (-(-head.size[1] // reduced), -(-head.size[0] // reduced))
    if head.kind != "raw" and codes.shape[:2] != expected:
        raise _cut_short(name)
    if head.inverted:
        codes = np.asarray(full - codes, codes.dtype)
    codes = _without_alpha(_upright(codes, head.orientation), full, notes)
    if codes.ndim == 2:
        notes.append("grey picture: the three channels are equal")
    model = _raw_model() if head.kind == "raw" else _colour_model(head, notes)

    slack = 0 if head.kind != "jpeg" or reduced == 1 else 1 if reduced == 2 else 2
    top = (254 - 2 * slack) if full == 255 else math.ceil(full * 254 / 255)
    shrink = math.ceil(math.sqrt(codes.shape[0] * codes.shape[1] / max_pixels))
    rgb, clipped = _linearise(codes, model, _Limits(slack, top, full), shrink, head.premultiplied)
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


def _raw_model() -> _ColourModel:
    return _ColourModel("camera raw, developed to linear sRGB", (_power(1.0),) * 3)
