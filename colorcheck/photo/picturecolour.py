"""What the colour codes of a picture mean: by its embedded profile, its PNG chunks or its EXIF, else sRGB."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np

from ..ground.cielab import D65_WHITE, srgb_to_linear
from .colourmodel import ColourModel, Float, ProfileError, from_primaries, power, srgb
from .colournames import OP_RGB, P3_D65
from .embeddedprofile import from_profile
from .pictureheader import Header

_P3_PRIMARIES: Float = np.array([[0.680, 0.320], [0.265, 0.690], [0.150, 0.060]])  # SMPTE EG 432-1


def colour_model(head: Header, notes: list[str]) -> ColourModel:
    """Pick the meaning of the codes: embedded profile, PNG chunks, EXIF tag, else sRGB."""
    grey = head.mode in ("1", "L", "LA", "I", "I;16", "I;16B", "I;16L")
    if head.profile:
        try:
            return from_profile(head.profile, grey)
        except ProfileError as error:
            notes.append(f"the embedded colour profile was not used ({error}): sRGB assumed")
            return srgb("sRGB assumed")
    model = _from_png_chunks(head.chunks) if head.kind == "png" else None
    if model is not None:
        return model
    if head.colour_tag == P3_D65:
        return from_primaries(P3_D65, srgb_to_linear, _P3_PRIMARIES, D65_WHITE)
    if head.colour_tag == OP_RGB:  # DCF optional colour space, CIPA DC-009
        primaries = np.array([[0.64, 0.33], [0.21, 0.71], [0.15, 0.06]])
        return from_primaries(OP_RGB, power(563.0 / 256.0), primaries, D65_WHITE)
    return srgb("sRGB" if head.colour_tag == "sRGB" else "sRGB assumed")


def raw_model() -> ColourModel:
    """Raw files are developed to linear light in sRGB primaries."""
    return ColourModel("camera raw, developed to linear sRGB", (power(1.0),) * 3)


def _from_png_chunks(chunks: dict[str, bytes]) -> ColourModel | None:
    """Colour space from cICP, sRGB, gAMA and cHRM, ranked as in the PNG specification, 3rd edition."""
    if chunks.get("cICP", b"")[:2] == bytes((12, 13)):
        return from_primaries(P3_D65, srgb_to_linear, _P3_PRIMARIES, D65_WHITE)
    if "sRGB" in chunks:
        return srgb("sRGB")
    curve: Any = srgb_to_linear
    if len(chunks.get("gAMA", b"")) == 4:
        gamma = int.from_bytes(chunks["gAMA"], "big") / 1e5
        if 0.1 < gamma <= 2.0 and abs(gamma - 0.45455) > 0.005:
            curve = power(1.0 / gamma)
    if len(chunks.get("cHRM", b"")) == 32:
        xy = np.array(struct.unpack(">8I", chunks["cHRM"])).reshape(4, 2) / 1e5
        area = np.linalg.det(np.column_stack([xy[1:], np.ones(3)]))
        if (xy[:, 1] > 0.01).all() and (xy.sum(axis=1) <= 1.0001).all() and abs(area) > 0.01:
            white = np.array([xy[0, 0] / xy[0, 1], 1.0, (1.0 - xy[0].sum()) / xy[0, 1]])
            return from_primaries("given by PNG gAMA and cHRM", curve, xy[1:], white)
    return None if curve is srgb_to_linear else ColourModel("given by PNG gAMA", (curve,) * 3)
