"""What is known of a picture file before its pixels are decoded: size, depth, profile, orientation, EXIF."""

from __future__ import annotations

import io
import math
import struct
import warnings
from dataclasses import dataclass, field
from typing import Any

from ..ground.errors import ImageError
from .colournames import OP_RGB
from .picturekind import MAX_CODE_BYTES, check_size, cut_short, picture_kind, too_large, unknown
from .wholeness import TiffDirectory, jpeg_end, png_chunks, riff_is_whole, tiff_directory, tiff_is_whole


@dataclass(slots=True)
class Header:
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
    colour_tag: str = ""  # 'sRGB', or the name of another space, where EXIF or HEIC names one
    scan_hint: bool = False
    chunks: dict[str, bytes] = field(default_factory=dict)  # PNG colour chunks
    notes: list[str] = field(default_factory=list)


def read_header(data: bytes, name: str, suffix: str) -> tuple[Header, bytes]:
    """Read size, profile, orientation and exposure; give the bytes to decode, too."""
    kind = picture_kind(data, suffix)
    if not kind:
        raise unknown(name, data)
    head = Header(kind)
    if kind in ("heic", "raw"):
        return head, data
    if kind == "jpeg":
        end = jpeg_end(data)
        if end < 0:
            raise cut_short(name)
        data = data[: end + 2]  # phones append further pictures, or a short film
    if kind == "webp" and not riff_is_whole(data):
        raise cut_short(name)
    if kind == "png":
        chunks = png_chunks(data)
        if chunks is None:
            raise cut_short(name)
        head.chunks = chunks
    if kind == "tiff":
        directory = tiff_directory(data)
        if directory is None or not tiff_is_whole(data, directory):
            raise cut_short(name)
        if 50706 in directory.tags:  # DNGVersion
            head.kind = "raw"
            return head, data
        data = _tiff_header(head, data, directory, name)
    _pillow_header(head, data, name)
    check_size(head.size, name)
    if kind != "jpeg":  # those are reduced while they are decoded
        check_memory(head, name)
    return head, data


def check_memory(head: Header, name: str) -> None:
    """Refuse from the header what would take more memory than a small machine has."""
    channels = 3 if head.mode in ("RGB", "YCbCr") else 1 if head.mode[:1] in "1LIF" and head.mode != "LA" else 4
    if head.size[0] * head.size[1] * channels * (2 if head.bits > 8 else 1) > MAX_CODE_BYTES:
        raise ImageError(
            f"{name} would take too much memory ({head.size[0]} × {head.size[1]} pixels)", "save it smaller"
        )


def _tiff_header(head: Header, data: bytes, directory: TiffDirectory, name: str) -> bytes:
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


def _pillow_header(head: Header, data: bytes, name: str) -> None:
    """Fill the header from what Pillow reads before it decodes."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image: Any
            if head.kind == "jpeg":  # known already, and `open` would load the readers of all common kinds
                from PIL.JpegImagePlugin import JpegImageFile

                image = JpegImageFile(io.BytesIO(data))
            else:
                image = Image.open(io.BytesIO(data))
    except Image.DecompressionBombError:
        raise too_large(name) from None
    except Exception:
        raise cut_short(name) from None
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
        read_exif(head, image)
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


def read_exif(head: Header, image: Any) -> None:
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


def _exif_tags(head: Header, exif: Any) -> None:
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
        head.colour_tag = OP_RGB


def read_raw_exif(head: Header, data: bytes) -> None:
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
