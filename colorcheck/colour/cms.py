"""Colour management by LittleCMS, through Pillow: printer profiles opened, pictures converted, CIELAB in 16 bits.

LittleCMS runs without its shortcuts (flag 0x0100): by default it replaces the whole conversion by a table of 33
nodes, which is some device codes off where a profile bends.
"""

from __future__ import annotations

import hashlib
import io
import re
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from ..ground import reader
from ..ground.errors import DataError, UsageError
from ..ground.files import read_bytes
from ..ground.records import Bytes, Floats, Lit
from ..photo.colournames import standard_name
from .icc import check_tags, coordinate_profile

if TYPE_CHECKING:
    from PIL import ImageCms

Intent = Literal["relative", "perceptual", "saturation"]

_NUMBER = {"perceptual": 0, "relative": 1, "saturation": 2, "absolute": 3}  # ICC.1
_EXACT, _COMPENSATE = 0x0100, 0x2000
_MAX_BYTES = 50_000_000
VIEWED_FROM = "VIEWED_FROM"  # keyword of the measured values in a profile that was built here
_TODO = "give the profile made for this printer, ink, paper and blank"
_KINDS = {
    b"mntr": "a screen",
    b"scnr": "a camera or scanner",
    b"spac": "a colour space",
    b"link": "a fixed pair of devices",
    b"abst": "an effect",
    b"nmcl": "named colours",
}


@dataclass(frozen=True, slots=True, eq=False)
class PrinterProfile:
    """An RGB output profile that LittleCMS can use both ways.

    ``faults`` are departures from ICC.1 that do not keep it from being used; ``view`` is the side from which its target
    was looked at, '' where it does not tell.
    """

    data: bytes
    file: str
    description: str
    sha256: str
    faults: tuple[str, ...]
    view: str = ""

    @property
    def lit(self) -> Lit:
        """From where its prints are lit: ICC.1 marks a transparency in the attributes of the header."""
        return lit_of_profile(self.data)


def lit_of_profile(data: bytes) -> Lit:
    """Tell from a profile's header from where its prints are lit (ICC.1, 7.2.14, bit 0: a transparency)."""
    return "behind" if data[36:40] == b"acsp" and len(data) > 63 and data[63] & 1 else "front"


def check_profile_light(data: bytes, name: str, lit: Lit) -> None:
    """Refuse a profile of prints that are lit from the other side.

    Raises
    ------
    UsageError
        Light passes the dye once from behind and twice from the front: such colours cannot be compared.
    """
    mine = lit_of_profile(data)
    if mine == lit:
        return
    if mine == "behind":
        todo = "choose that the piece hangs in a window" if reader.on_page() else "add --lit behind"
        raise UsageError(f"{name} was made for pieces lit from behind", todo)
    todo = "a reading of a target photographed against the light" if reader.on_page() else "'profile --lit behind'"
    raise UsageError(f"{name} was made for pieces lit from the front", f"give one made for the window, from {todo}")


def load_printer_profile(path: str | Path) -> PrinterProfile:
    """Read an RGB printer profile, version 2 or 4.

    Raises
    ------
    FileError
        The file is missing or cannot be read.
    DataError
        It is no profile, or one of another kind of device, or LittleCMS cannot use it.
    """
    p = Path(path)
    data = read_bytes(p, todo=_TODO, most=_MAX_BYTES)
    return printer_profile(data, name=p.name)


def printer_profile(data: bytes, *, name: str) -> PrinterProfile:
    """Check the bytes of a profile; errors as for `load_printer_profile`."""
    if len(data) < 132 or data[36:40] != b"acsp":
        raise DataError(f"{name} is not an ICC profile", _TODO)
    if data[12:16] != b"prtr":
        raise DataError(f"{name} is a profile of {_KINDS.get(data[12:16], 'another device')}, not of a printer", _TODO)
    if data[16:20] != b"RGB ":
        space = data[16:20].decode("latin-1").strip()
        raise DataError(f"{name} is a profile of a {space} printer", "give one for a printer that is sent RGB")
    found = PrinterProfile(data, name, "", hashlib.sha256(data).hexdigest(), tuple(check_tags(data)))
    from PIL import ImageCms

    try:
        description = str(_open(data).profile.profile_description or "")
        printed_lab(found, np.array([[255, 255, 255]], np.uint8))
        to_device(np.full((1, 1, 3), 255, np.uint8), None, found, intent="relative")
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError) as e:
        raise DataError(f"{name} is damaged, or cannot be used in both directions", _TODO) from e
    view = re.search(rf'{VIEWED_FROM} "?(front|through)'.encode(), data)
    return replace(found, description=description.strip(), view=view[1].decode() if view else "")


@lru_cache(16)
def _open(data: bytes | None) -> ImageCms.ImageCmsProfile:
    """Open a profile; None is sRGB."""
    from PIL import ImageCms

    if data is None:
        return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
    return ImageCms.ImageCmsProfile(io.BytesIO(data))


def is_usable_source(data: bytes, mode: str) -> bool:
    """Tell whether LittleCMS can start from an embedded profile for pictures of Pillow's mode RGB or L."""
    from PIL import ImageCms

    try:
        transform = ImageCms.buildTransform(_open(data), _open(None), mode, "RGB")
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return False
    return transform is not None


def profile_name(data: bytes) -> str:
    """Take the description out of a profile, or say that it has none."""
    return standard_name(str(_open(data).profile.profile_description or "").strip()) or "a profile without a name"


@lru_cache(32)
def _transform(
    source: bytes | None, target: bytes | None, mode: str, out: str, intent: str, compensate: bool
) -> ImageCms.ImageCmsTransform:
    """Build a conversion once; profiles are told apart by their bytes."""
    from PIL import ImageCms

    return ImageCms.buildTransform(
        _open(source),
        _open(target),
        mode,
        out,
        renderingIntent=ImageCms.Intent(_NUMBER[intent]),
        flags=ImageCms.Flags(_EXACT | (_COMPENSATE if compensate else 0)),
    )


def _apply(codes: Bytes, source: bytes | None, target: bytes | None, out: str, *, intent: str, compensate: bool) -> Any:
    """Convert (H, W, 3) or (H, W) uint8 codes; Pillow's picture of the result."""
    from PIL import Image, ImageCms

    transform = _transform(source, target, "RGB" if codes.ndim == 3 else "L", out, intent, compensate)
    picture = ImageCms.applyTransform(Image.fromarray(np.ascontiguousarray(codes)), transform)
    if picture is None:  # Pillow gives it back only when not working in place
        raise ValueError("nothing was converted")
    return picture


def to_device(codes: Bytes, source: bytes | None, profile: PrinterProfile, *, intent: Intent) -> Bytes:
    """Device RGB of a picture, with black-point compensation.

    Parameters
    ----------
    codes : (H, W, 3) or (H, W) uint8
        In the space of ``source``, an ICC profile; None is sRGB.
    profile : PrinterProfile
    intent : {'relative', 'perceptual', 'saturation'}

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
    """
    return np.asarray(_apply(codes, source, profile.data, "RGB", intent=intent, compensate=True))


def to_srgb(codes: Bytes, source: bytes | None, *, absolute: bool = False) -> Bytes:
    """Convert codes (H, W, 3) or (H, W) for the screen, relative to white; absolute shows the tint of the white."""
    if source is None and codes.ndim == 3:
        return codes
    intent = "absolute" if absolute else "relative"
    return np.asarray(_apply(codes, source, None, "RGB", intent=intent, compensate=False))


@lru_cache(3)
def _coordinate(channel: int) -> bytes:
    return coordinate_profile(channel)


def _connection_lab(codes: Bytes, source: bytes | None) -> Floats:
    """Media-relative CIELAB (H, W, 3) of codes, in the 16 bits of the connection space, no compensation."""
    planes = [
        np.asarray(_apply(codes, source, _coordinate(k), "I;16", intent="relative", compensate=False), np.float64)
        for k in range(3)
    ]
    return np.stack([planes[0] / 652.8, planes[1] / 256.0 - 128.0, planes[2] / 256.0 - 128.0], axis=-1)


def picture_lab(codes: Bytes, source: bytes | None) -> Floats:
    """CIELAB (H, W, 3) that a picture (H, W, 3) or (H, W) asks for, relative to its white; None is sRGB."""
    return _connection_lab(codes, source)


def printed_lab(profile: PrinterProfile, device_rgb: Any) -> Floats:
    """Ask the profile what the printer makes of device colours.

    Parameters
    ----------
    profile : PrinterProfile
    device_rgb : (n, 3)
        0 to 255. Between whole codes, linear between the eight nearest ones.

    Returns
    -------
    ndarray, shape (n, 3)
        CIELAB relative to the bare coat.
    """
    rgb = np.asarray(device_rgb)
    if rgb.dtype == np.uint8:
        return np.asarray(_connection_lab(rgb[None], profile.data)[0])
    value = np.clip(rgb.astype(np.float64), 0.0, 255.0)
    low = np.minimum(np.floor(value), 254.0)
    part = value - low
    corners = np.array(list(np.ndindex(2, 2, 2)))
    weight = np.prod(np.where(corners[:, None, :], part, 1.0 - part), axis=-1)
    lab = _connection_lab((low + corners[:, None, :]).astype(np.uint8), profile.data)
    return np.asarray(np.einsum("kn,knc->nc", weight, lab))
