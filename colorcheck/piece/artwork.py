"""The picture that was sent to the printer: file → device RGB on a millimetre raster.

Files are decoded like photos (profiles, transparency, CMYK, 16 bit, cut-short files) and then
put back into sRGB codes, which is what a printer's driver is given.
"""

from __future__ import annotations

import io
import os
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..ground import reader
from ..ground.errors import ImageError, UsageError
from ..ground.records import Bytes, Shape, View
from ..photo.decode import decode_srgb
from ..photo.picturekind import picture_bytes

MAX_BLEED_MM = 15.0
PROPORTION_TOLERANCE = 0.02
_MAX_PX_PER_MM = 8.0
_MAX_PIXELS = 12_000_000
_LEAST_CONTRAST = 3  # device steps between the lightest and the darkest place of a picture


@dataclass(frozen=True, slots=True, eq=False)
class Artwork:
    """A picture as its owner sees the piece, in device codes.

    ``rgb`` (H, W, 3) uint8, not mirrored; pixel (row, col) lies at
    ``x = (col + 0.5) / px_per_mm - bleed_mm``, ``y`` likewise, in mm from the top left of the
    piece's bounding box. ``size_mm`` is that of the piece, the picture is ``bleed_mm`` larger on
    every side. ``bleed_known`` is False where nothing but the proportions speaks for the bleed.
    """

    rgb: Bytes
    px_per_mm: float
    size_mm: tuple[float, float]
    bleed_mm: float
    bleed_known: bool
    shape: Shape
    view: View
    source: str
    file_size_px: tuple[int, int]
    notes: tuple[str, ...]
    sha256: str

    @property
    def frame_mm(self) -> tuple[float, float]:
        """Width and height of the whole picture with its bleed."""
        return self.size_mm[0] + 2 * self.bleed_mm, self.size_mm[1] + 2 * self.bleed_mm


def _dots_per_mm(path: Path) -> tuple[float, float] | None:
    """Resolution that the file states, if it states one."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(picture_bytes(path))) as image:
                x, y = (float(v) / 25.4 for v in image.info["dpi"])
    except Exception:  # a hint only: the picture itself has been decoded without complaint
        return None
    return (x, y) if x > 0 and y > 0 and np.isfinite([x, y]).all() else None


def _bleed(
    file_px: tuple[int, int], size_mm: tuple[float, float], dots: tuple[float, float] | None, name: str
) -> tuple[float, bool]:
    """How much larger than the piece the picture is on every side, mm, and whether that is certain."""
    w, h = size_mm
    if dots is not None:
        extra = ((file_px[0] / dots[0] - w) / 2, (file_px[1] / dots[1] - h) / 2)
        if abs(extra[0] - extra[1]) < 0.6 and min(extra) > 0.4 and max(extra) <= MAX_BLEED_MM:
            return float(np.mean(extra)), True
        if max(abs(v) for v in extra) <= 0.4:
            return 0.0, True
    aspect = file_px[0] / file_px[1]
    off = aspect / (w / h) - 1.0
    # even a bleed leaves the proportions nearly as they are: the photo decides then
    if abs(off) <= PROPORTION_TOLERANCE:
        return 0.0, False
    if abs(aspect - 1.0) > 1e-3:
        b = (aspect * h - w) / (2 * (1.0 - aspect))
        if 0 < b <= MAX_BLEED_MM:
            return float(b), True
    raise UsageError(
        f"{name} is {file_px[0]} × {file_px[1]} pixels, artwork of other proportions than a piece of "
        f"{reader.size(size_mm)}",
        "give the size as the picture is seen, width first, or the picture that was printed",
    )


def load_artwork(
    path: str | os.PathLike[str],
    *,
    size_mm: tuple[float, float],
    shape: Shape = "rect",
    view: View = "front",
    bleed_mm: float | None = None,
) -> Artwork:
    """Read the picture that was printed.

    Parameters
    ----------
    path : str or path-like
        JPEG, PNG or TIFF (8 or 16 bit) and whatever else a photo may be; the picture as its owner
        sees the piece, not mirrored.
    size_mm : (width, height)
        Of the piece.
    shape : {'rect', 'round'}
        Round is the ellipse in the box of that size.
    view : {'front', 'through'}
        Carried along.
    bleed_mm : float, optional
        How much the picture is larger than the piece on every side. Without it, taken from the
        resolution stated in the file or from the proportions, up to 15 mm; where both leave it open
        the picture is taken to be as large as the piece until a photo shows otherwise.

    Returns
    -------
    Artwork
        At most 8 pixels per millimetre.

    Raises
    ------
    UsageError
        Other proportions than the piece, by more than 2 %.
    ImageError
        No picture, damaged, without any contrast, or CMYK without a profile.
    FileError
        The file cannot be read.

    Notes
    -----
    Colours of a file with another profile than sRGB are converted to sRGB, relative to white; what
    lies outside sRGB is cut.
    """
    import cv2

    picture = decode_srgb(path)
    name = picture.source
    notes = [n for n in picture.notes if not n.startswith("decoded at")]
    if picture.colour_space != "sRGB" and "sRGB" not in picture.colour_space:
        notes.append(f"artwork converted from {picture.colour_space} to sRGB")
    if bleed_mm is not None:
        if not 0 <= bleed_mm <= 50:
            raise UsageError(f"a bleed of {bleed_mm:g} mm makes no sense", "give 0 to 50 mm")
        bleed, known = float(bleed_mm), True
        want = (size_mm[0] + 2 * bleed) / (size_mm[1] + 2 * bleed)
        if abs(picture.original_size[0] / picture.original_size[1] / want - 1) > PROPORTION_TOLERANCE:
            raise UsageError(
                f"{name} is artwork of other proportions than {reader.size(size_mm)} "
                f"with {reader.length(bleed, None)} bleed",
                "check size and bleed",
            )
    else:
        bleed, known = _bleed(picture.original_size, size_mm, _dots_per_mm(Path(path)), name)
        if bleed > 0:
            notes.append(f"artwork taken to be {reader.length(bleed)} larger than the piece on every side (bleed)")
    frame = (size_mm[0] + 2 * bleed, size_mm[1] + 2 * bleed)
    have = picture.rgb.shape[1] / frame[0], picture.rgb.shape[0] / frame[1]
    g = min(_MAX_PX_PER_MM, *have, float(np.sqrt(_MAX_PIXELS / (frame[0] * frame[1]))))
    if g < 1.0:
        notes.append(f"artwork of low resolution ({g * 25.4:.0f} pixels per inch)")
    rgb: Any = picture.rgb
    target = max(2, round(frame[0] * g)), max(2, round(frame[1] * g))
    if target != (rgb.shape[1], rgb.shape[0]):
        rgb = cv2.resize(rgb, target, interpolation=cv2.INTER_AREA)
    low, high, *_ = zip(*(cv2.minMaxLoc(plane) for plane in cv2.split(rgb)), strict=True)
    span = int(max(b - a for a, b in zip(low, high, strict=True)))
    if span < _LEAST_CONTRAST:
        on_white = any("laid on white" in n for n in notes) and int(rgb.min()) > 250
        raise ImageError(
            f"{name} is blank: it has no contrast at all"
            + (" (its transparent parts count as white)" if on_white else ""),
            "give the picture that was printed",
        )
    return Artwork(
        rgb=rgb,
        px_per_mm=target[0] / frame[0],
        size_mm=(float(size_mm[0]), float(size_mm[1])),
        bleed_mm=bleed,
        bleed_known=known,
        shape=shape,
        view=view,
        source=name,
        file_size_px=picture.original_size,
        notes=tuple(notes),
        sha256=picture.sha256,
    )
