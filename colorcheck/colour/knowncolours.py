"""What a substrate is known to make of device colours: from a reading of it, or from a printer profile."""

from __future__ import annotations

import io
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..ground.cielab import lab_to_xyz, xyz_to_linear_srgb
from ..ground.errors import DataError
from ..ground.files import read_bytes
from ..ground.records import Lit
from ..ground.response import fit_response, predict
from ..sheet.savedreading import SavedReading
from .cms import check_profile_light

_UNNAMED_SHARE = 0.3  # of the doubt between two cameras, where reading and photo both name none; estimate
_CAMERA_DE = 2.5  # a phone balanced on white against the colorimetric truth, mean ΔE00; least doubt of one camera


@dataclass(frozen=True, slots=True, eq=False)
class KnownColours:
    """What a reading says a substrate makes of device colours, and who saw it.

    ``cameras`` that took the reading's photos ('' where a file does not say); ``camera_doubt``
    ΔE00 by which two unlike cameras may differ over its colours; ``referenced``: freed of its camera's errors.
    """

    response: Any
    cameras: tuple[str, ...]
    camera_doubt: float
    referenced: bool = False

    def __call__(self, rgb: Any) -> Any:
        """Device RGB (n, 3) → linear RGB, coat at 1."""
        return predict(self.response, rgb)


def colours_of_reading(reading: SavedReading) -> KnownColours:
    """Return what a substrate makes of device colours, as fitted to a reading of it.

    The doubt of the reading's cells, and the same again for the camera that looks at the piece, in quadrature, is the
    doubt between two cameras. A referenced reading is freed of its camera's errors, which the photo of the piece
    still has.
    """
    rel = xyz_to_linear_srgb(lab_to_xyz(reading.lab))
    response = fit_response(reading.target.device_rgb, rel, weights=reading.usable.astype(float))
    own = reading.uncertainty[reading.usable]
    own = own[np.isfinite(own)]
    referenced = reading.trust != "balanced"
    each = max(float(own.mean()), _CAMERA_DE) if own.size and not referenced else _CAMERA_DE
    return KnownColours(response, ("",) if referenced else reading.devices, float(np.hypot(each, each)), referenced)


def camera_doubt(known: Any, devices: Collection[str]) -> tuple[float, str]:
    """ΔE00 by which reading and photo may differ for their cameras, and whether those are 'other' or 'unknown'.

    Parameters
    ----------
    known : KnownColours, or anything else
        Only a reading was seen by a camera.
    devices : collection of str
        Cameras of the photos of the piece, '' where a photo does not say.
    """
    if not isinstance(known, KnownColours):
        return 0.0, ""
    here = set(devices)
    if here == {""} == set(known.cameras) and not known.referenced:
        # neither file names a camera: most likely the one phone of the house, stripped of its notes on the way
        return _UNNAMED_SHARE * known.camera_doubt, "unknown"
    if "" in here or "" in known.cameras:
        return known.camera_doubt, "unknown"
    return (0.0, "") if here <= set(known.cameras) else (known.camera_doubt, "other")


def colours_of_profile(path: str | Path, *, lit: Lit = "front") -> Callable[[Any], Any]:
    """Return what an ICC profile says a printer makes of device colours, media-relative.

    Raises
    ------
    FileError, DataError
        The profile cannot be read or is not one of an RGB printer.
    UsageError
        It is one of prints that are lit from the other side.
    """
    from PIL import Image, ImageCms

    p = Path(path)
    data = read_bytes(p, todo="give the profile you print through")
    try:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(data))
        if profile.profile.xcolor_space.strip() != "RGB":
            raise DataError(f"{p.name} is not a profile of an RGB printer", "give the profile you print through")
        check_profile_light(data, p.name, lit)
        lab = ImageCms.createProfile("LAB", 5003)
        change = ImageCms.buildTransform(
            profile, lab, "RGB", "LAB", renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC
        )
    except (ImageCms.PyCMSError, OSError) as e:
        raise DataError(f"{p.name} is not a usable ICC profile", "give the profile you print through") from e

    def answer(rgb: Any) -> Any:
        codes = np.clip(np.rint(np.asarray(rgb)), 0, 255).astype(np.uint8).reshape(1, -1, 3)
        out = np.asarray(ImageCms.applyTransform(Image.fromarray(codes, "RGB"), change), dtype=np.int64)[0]
        signed = np.where(out[:, 1:] > 127, out[:, 1:] - 256, out[:, 1:])
        value = np.column_stack([out[:, 0] * 100 / 255, signed])
        return xyz_to_linear_srgb(lab_to_xyz(value.astype(float)))

    return answer
