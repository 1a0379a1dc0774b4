"""Colours by table: a table profile sampled through LittleCMS, and codes looked up in it."""

from __future__ import annotations

import io
import struct
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..ground.cielab import ICC_D50_WHITE, lab_to_xyz
from .colourmodel import PCS_TO_SRGB, ProfileError

_TABLE_NODES = 52  # nodes fall on whole 8-bit codes, 5 apart


def sampled_table(profile: bytes) -> NDArray[np.float32]:
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
        raise ProfileError("its table cannot be read") from None
    coded = np.stack([np.asarray(plane, np.float64) for plane in planes], axis=-1)
    lab = coded * np.array([100.0 / 65280.0, 1.0 / 256.0, 1.0 / 256.0]) - np.array([0.0, 128.0, 128.0])
    linear = lab_to_xyz(lab, ICC_D50_WHITE) @ PCS_TO_SRGB.T
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


def look_up(table: NDArray[np.float32], codes: NDArray[Any]) -> NDArray[np.float32]:
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
