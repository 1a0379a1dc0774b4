"""Pixels as stored: decoded by OpenCV, Pillow or the libraries for HEIC and camera raw; blue first."""

from __future__ import annotations

import io
import os
import re
import sys
import tempfile
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..ground.errors import ImageError
from .colournames import P3_D65
from .pictureheader import Header, check_memory, read_exif, read_raw_exif
from .picturekind import check_size, cut_short
from .wholeness import dng_is_whole, jpeg_end

Codes = NDArray[Any]  # uint8 or uint16, (H, W) or (H, W, channels) with blue first

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
    end = jpeg_end(data)
    return len(set(data[max(0, end - int(stray[1])) : end])) <= 1


def cv2_codes(data: bytes, name: str, flags: int) -> Codes:
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
        raise cut_short(name)
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


def pillow_codes(head: Header, data: bytes, name: str) -> Codes:
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
        raise cut_short(name) from None
    return _blue_first(codes)


def _through_cmyk_profile(image: Any, head: Header, name: str) -> Any:
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


def heic_codes(head: Header, data: bytes, name: str) -> Codes:
    """Decode HEIC; the library turns the picture upright itself."""
    import pillow_heif

    try:
        file = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
        head.size = file.size
        head.mode = file.mode.split(";")[0]
    except Exception:
        raise cut_short(name) from None
    check_size(head.size, name)
    check_memory(head, name)
    try:
        codes = np.asarray(file)
    except Exception:
        raise cut_short(name) from None
    head.profile = file.info.get("icc_profile") or b""
    nclx = file.info.get("nclx_profile") or {}
    if not head.profile and isinstance(nclx, dict) and nclx.get("color_primaries") == 12:
        head.colour_tag = P3_D65
    head.premultiplied = bool(getattr(file, "premultiplied_alpha", False))
    head.bits = int(file.info.get("bit_depth", 8 * codes.dtype.itemsize))
    if len(file) > 1:
        head.notes.append("several pictures in the file: the main one was used")
    if file.info.get("exif"):
        read_exif(head, file)
    head.orientation = 1
    return _blue_first(codes)


def raw_codes(head: Header, data: bytes, name: str, max_pixels: int) -> tuple[Codes, int]:
    """Develop a raw file to linear 16-bit sRGB primaries; give the codes and the reduction already made."""
    try:
        import rawpy
    except ImportError:
        raise ImageError(
            f"{name} is a camera raw file, which needs an extra library",
            'run pip install "colorcheck[raw]", or save the photo as JPEG',
        ) from None
    if not dng_is_whole(data):
        raise cut_short(name)
    read_raw_exif(head, data)
    said: list[str] = []
    try:
        with _captured_stderr(said), rawpy.imread(io.BytesIO(data)) as raw:
            size = raw.sizes
            width, height = (size.iwidth, size.iheight)
            head.size = (width, height)
            check_size(head.size, name)
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
        raise cut_short(name) from None
    if re.search(r"corrupt|end of file", " ".join(said), re.I):
        raise cut_short(name)
    if (codes.shape[1] > codes.shape[0]) != (width > height):
        head.size = (height, width)
    head.bits, head.mode, head.orientation = 16, "RGB", 1
    return np.asarray(codes)[..., ::-1], 2 if half else 1
