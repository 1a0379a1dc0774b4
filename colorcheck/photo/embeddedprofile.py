"""An embedded ICC profile becomes a colour model: matrix and curves, grey curve, or table."""

from __future__ import annotations

import re
import struct
from typing import Any

import numpy as np

from .colourmodel import PCS_TO_SRGB, ColourModel, Float, ProfileError, power, with_matrix
from .colournames import standard_name
from .colourtable import sampled_table


def from_profile(profile: bytes, grey: bool) -> ColourModel:
    """Parse an embedded ICC profile (ISO 15076-1; version 2 as well).

    Matrix/curve and grey profiles are evaluated here in double precision; profiles with an A2B table are
    sampled through LittleCMS. As the standard demands, a table goes before a matrix.
    """
    try:
        tags = _profile_tags(profile)
        space = profile[16:20]
        name = standard_name(_description(tags.get(b"desc", b""))) or "embedded profile without a name"
        if grey:
            if space != b"GRAY":
                raise ProfileError("it is for colour, the picture is grey")
            return ColourModel(name, (_curve(tags[b"kTRC"]),))
        if space != b"RGB ":
            raise ProfileError("it is not for RGB")
        if b"A2B0" in tags or b"A2B1" in tags:
            return ColourModel(name, table=sampled_table(profile))
        columns = [_xyz_tag(tags[tag]) for tag in (b"rXYZ", b"gXYZ", b"bXYZ")]
        curves = tuple(_curve(tags[tag]) for tag in (b"rTRC", b"gTRC", b"bTRC"))
    except KeyError as error:
        raise ProfileError(f"it lacks the tag {error.args[0].decode('latin-1')}") from None
    except (struct.error, ValueError, IndexError, OverflowError):
        raise ProfileError("it is damaged") from None
    matrix = PCS_TO_SRGB @ np.stack(columns, axis=1)
    if not np.abs(matrix.sum(axis=1) - 1.0).max() < 0.05 or abs(np.linalg.det(matrix)) < 0.05:
        raise ProfileError("its primaries do not add up to white")
    return with_matrix(name, curves, matrix)


def _profile_tags(profile: bytes) -> dict[bytes, bytes]:
    if len(profile) < 132 or profile[36:40] != b"acsp":
        raise ProfileError("it is damaged")
    (count,) = struct.unpack_from(">I", profile, 128)
    tags = {}
    for i in range(min(count, 200)):
        tag, start, size = struct.unpack_from(">4sII", profile, 132 + 12 * i)
        if start + size > len(profile):
            raise ProfileError("it is cut short")
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
            return power(1.0)
        if n == 1:
            return power(struct.unpack_from(">H", tag, 12)[0] / 256.0)
        points = np.frombuffer(tag, ">u2", n, 12).astype(np.float64) / 65535.0
        return lambda v: np.interp(v, np.linspace(0.0, 1.0, n), points)
    if tag[:4] == b"para":
        (kind,) = struct.unpack_from(">H", tag, 8)
        if kind > 4:
            raise ProfileError("it has a curve of unknown type")
        numbers = [v / 65536.0 for v in struct.unpack_from(f">{(1, 3, 4, 5, 7)[kind]}i", tag, 12)]
        return _parametric(kind, numbers)
    raise ProfileError("it has a curve of unknown type")


def _parametric(kind: int, numbers: list[float]) -> Any:
    """Parametric curve types 0 to 4: a power above a threshold, a straight line below it."""
    g, a, b, c, d, e, f = numbers + [0.0] * (7 - len(numbers))
    if kind == 0:
        a, d = 1.0, -1.0
    elif kind in (1, 2):
        if a == 0.0:
            raise ProfileError("it has a curve of unknown type")
        d, e, f, c = -b / a, c, c, 0.0

    def curve(v: Float) -> Float:
        base = np.maximum(a * v + b, 0.0)
        return np.clip(np.where(v >= d, base**g + e, c * v + f), 0.0, 1.0)

    return curve
