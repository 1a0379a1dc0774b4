"""Tables of a printer → the bytes of an ICC.1 profile, and a check of such bytes.

Why our own writer: LittleCMS (through Pillow) reads output profiles and makes simple matrix profiles, but none
of the well-kept Python libraries writes the lookup tables (lut16Type) of an output profile. What is needed is
small: a header, a list of tags and a handful of tag types, laid out as ISO 15076-1 (ICC.1) says.

Version 4 is written as ICC.1:2010 (4.3), version 2 as ICC.1:2001-04 (2.4) for older print programs. The two
differ in the types of their texts, in `chad` and the profile's own MD5 sum (only 4), and in `bkpt` (only 2,
version 4 dropped it). The tables are the same bytes in both.

What the connection space holds: CIELAB under D50, relative to the bare coat. A lut16Type keeps the 16-bit
encoding of version 2 in version 4 profiles too: L* 100 is 0xFF00, not 0xFFFF,
and a*, b* are (value + 128) · 256. The true colour of the bare coat stands in `wtpt`, as XYZ under D50.

Curves in front of the tables that start from CIELAB put the nodes where they serve: L* 0 to 100 takes the whole
grid (without a curve, the last node would lie at L* 100.4, white between two nodes), and a*, b* are spaced by
an arcsine hyperbolic, one and a half times closer than even near the neutral axis and coarser beyond about 60,
where few colours can be printed. `pcs_grid` gives the nodes.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..ground.cielab import ICC_D50_WHITE
from ..ground.records import Floats

Codes = NDArray[np.uint16]

PERCEPTUAL_BLACK_LAB = (3.1373, 0.0, 0.0)
"""Black of the perceptual reference medium of version 4 (ICC.1:2010; Y = 0.0034731 of white): colour
management brings a picture's black here, so B2A0 and B2A2 must give the printer's black for it and what is darker."""

GAMUT_TOLERANCE = 1.0
"""ΔE up to which `gamt` calls a colour printable: its nodes lie several ΔE apart, and the rim would bleed inwards."""

_ENTRIES = 258  # of a curve: 255 codes apart, so that 0xFF00 (L* 100) is an entry
_BEND = 1.5  # of the arcsine hyperbolic
_GAMUT_SPAN = 127.5  # ΔE at the top code of gamt: 514 codes each
_HEADER = 128
_D50 = tuple(round(float(v) * 65536) for v in ICC_D50_WHITE)


@dataclass(frozen=True, slots=True, eq=False)
class ProfileTables:
    """Everything that a printer profile says.

    ``a2b`` (n, n, n, 3): media-relative CIELAB at the device grid [r, g, b], evenly spaced from 0 to 255;
    the last node, bare coat, is exactly (100, 0, 0). Serves all three A2B tags unless ``a2b_perceptual``
    gives A2B0 its own.
    ``b2a_relative``, ``b2a_perceptual``, ``b2a_saturation`` (m, m, m, 3): device RGB 0 to 255 at the nodes
    [L*, a*, b*] of ``pcs_grid(m)``; perceptual and saturation expect black at `PERCEPTUAL_BLACK_LAB`.
    ``gamut_distance`` (m, m, m): 0 for what can be printed, else ΔE to the nearest printable colour.
    ``white_xyz`` (3,): the bare coat under D50, 2° observer, Y = 1 for a perfect white. ``black_xyz`` (3,): the
    deepest black likewise, if known. ``characterisation``: the measured values as ISO 28178 text.
    ``created``: a time with its zone, or UTC. ``transparency``: the prints are seen lit from behind.
    """

    a2b: Floats
    b2a_relative: Floats
    b2a_perceptual: Floats
    b2a_saturation: Floats
    gamut_distance: Floats
    white_xyz: Floats
    black_xyz: Floats | None
    description: str
    copyright: str
    characterisation: str
    created: datetime
    a2b_perceptual: Floats | None = None
    transparency: bool = False


# ------------------------------------------------------------------------------------------------- grids, curves


def _lightness_curve() -> Codes:
    """0xFF00, L* 100, takes the last node; the codes above it stay there."""
    codes = np.arange(_ENTRIES) * (65535.0 * 255.0 / 65280.0)
    return np.asarray(np.rint(np.minimum(codes, 65535.0)), np.uint16)


def _opponent_curve() -> Codes:
    """Code of a* or b* → place on the grid: odd about the middle, steepest there."""
    x = np.linspace(-1.0, 1.0, _ENTRIES)
    return np.asarray(np.rint((0.5 + np.arcsinh(x * np.sinh(_BEND)) / (2 * _BEND)) * 65535.0), np.uint16)


def pcs_grid(m: int) -> tuple[Floats, Floats]:
    """CIELAB nodes of a B2A table of m × m × m.

    Parameters
    ----------
    m : int
        Nodes along each axis, odd, 3 to 255.

    Returns
    -------
    lightness, opponent : ndarray, shape (m,)
        L* from 0 to 100, evenly; a* and b* (the same nodes for both) from −128 to 127.996, closer near 0.
        The middle one is 0 (true place: −0.002, half a code), so the neutral axis and white are nodes.

    Raises
    ------
    ValueError
        m is even or out of range.
    """
    if not 3 <= m <= 255 or m % 2 == 0:
        raise ValueError(f"a grid of {m} nodes: want an odd number from 3 to 255")
    entry = np.interp(np.linspace(0.0, 65535.0, m), _opponent_curve(), np.arange(_ENTRIES, dtype=np.float64))
    opponent = entry * 255.0 / 256.0 - 128.0
    opponent[m // 2] = 0.0
    return np.linspace(0.0, 100.0, m), opponent


def _gamut_curve() -> Codes:
    """Give 0 up to the tolerance and the distance itself beyond it, in entries of half a ΔE."""
    delta_e = np.arange(256) * (_GAMUT_SPAN / 255.0)
    return np.asarray(np.where(delta_e <= GAMUT_TOLERANCE, 0, np.arange(256) * 257), np.uint16)


_STRAIGHT: Codes = np.array([0, 65535], np.uint16)


# ------------------------------------------------------------------------------------------------------ tag types


def _lab_codes(lab: Floats) -> Codes:
    """CIELAB → the 16-bit encoding of lut16Type."""
    codes = np.stack([lab[..., 0] * 652.8, (lab[..., 1] + 128.0) * 256.0, (lab[..., 2] + 128.0) * 256.0], axis=-1)
    return np.asarray(np.clip(np.rint(codes), 0, 65535), np.uint16)


def _lut16(inputs: Sequence[Codes], grid: Codes, outputs: Sequence[Codes]) -> bytes:
    """Lay out a lut16Type: curves, table, curves; the first input varies slowest in the table."""
    head = struct.pack(">4s4xBBBx", b"mft2", len(inputs), len(outputs), grid.shape[0])
    matrix = struct.pack(">9i", *(65536 if i % 4 == 0 else 0 for i in range(9)))  # identity, unused with CIELAB
    sizes = struct.pack(">HH", len(inputs[0]), len(outputs[0]))
    curves_in, curves_out = (np.stack(c).astype(">u2").tobytes() for c in (inputs, outputs))
    return head + matrix + sizes + curves_in + np.ascontiguousarray(grid).astype(">u2").tobytes() + curves_out


def _to_pcs(lab: Floats) -> bytes:
    return _lut16([_STRAIGHT] * 3, _lab_codes(lab), [_STRAIGHT] * 3)


def _from_pcs(codes: Floats, curve: Codes = _STRAIGHT) -> bytes:
    opponent = _opponent_curve()
    grid = np.rint(codes).astype(np.uint16)
    return _lut16([_lightness_curve(), opponent, opponent], grid, [curve] * grid.shape[-1])


def _s15(values: Sequence[float] | Floats) -> bytes:
    """s15Fixed16Number, each."""
    return struct.pack(f">{len(values)}i", *(round(float(v) * 65536) for v in values))


def _xyz(values: Floats) -> bytes:
    return b"XYZ \0\0\0\0" + _s15(values)


def _ascii(text: str) -> bytes:
    """7-bit text; what is not in it becomes '?'."""
    return text.replace("\0", " ").encode("ascii", "replace")


def _text(text: str) -> bytes:
    """Lay out a textType: 7-bit ASCII, ended by a null byte."""
    return b"text\0\0\0\0" + _ascii(text) + b"\0"


def _mluc(text: str) -> bytes:
    """Lay out a multiLocalizedUnicodeType with one record, English."""
    body = text.replace("\0", " ").encode("utf-16-be", "replace")
    return struct.pack(">4s4xII2s2sII", b"mluc", 1, 12, b"en", b"US", len(body), 28) + body


def _desc(text: str) -> bytes:
    """Lay out version 2's textDescriptionType: ASCII, Unicode where that says more, no script code."""
    plain = _ascii(text) + b"\0"
    wide = b"" if text.isascii() else (text.replace("\0", " ") + "\0").encode("utf-16-be", "replace")
    unicode_part = struct.pack(">II", 0, len(wide) // 2) + wide
    return struct.pack(">4s4xI", b"desc", len(plain)) + plain + unicode_part + bytes(2 + 1 + 67)


# -------------------------------------------------------------------------------------------------------- profile


def _check(tables: ProfileTables) -> None:
    """Refuse tables that no profile can hold; the numbers of a program, not of a person."""
    for name in ("a2b", "a2b_perceptual"):
        lab = getattr(tables, name)
        if lab is None:
            continue
        n = lab.shape[0]
        if lab.shape != (n, n, n, 3) or not 2 <= n <= 255:
            raise ValueError(f"{name} has the shape {lab.shape}, want (n, n, n, 3)")
        low, high = lab.reshape(-1, 3).min(axis=0), lab.reshape(-1, 3).max(axis=0)
        if not (np.all(low >= [-1e-6, -128, -128]) and np.all(high <= [100 + 1e-6, 127.997, 127.997])):
            raise ValueError(f"{name} holds values outside CIELAB's encoding: {low} to {high}")
    if np.any(_lab_codes(tables.a2b[-1, -1, -1]) != (0xFF00, 0x8000, 0x8000)):
        raise ValueError(f"the bare coat must be (100, 0, 0) in a2b, not {tables.a2b[-1, -1, -1]}")
    m = tables.b2a_relative.shape[0]
    pcs_grid(m)
    for name in ("b2a_relative", "b2a_perceptual", "b2a_saturation"):
        rgb = getattr(tables, name)
        if rgb.shape != (m, m, m, 3):
            raise ValueError(f"{name} has the shape {rgb.shape}, want {(m, m, m, 3)}")
        if not (rgb.min() >= -1e-6 and rgb.max() <= 255 + 1e-6):  # NaN fails both
            raise ValueError(f"{name} holds device values outside 0 to 255")
    if tables.gamut_distance.shape != (m, m, m) or not tables.gamut_distance.min() >= 0:
        raise ValueError("gamut_distance must be (m, m, m), 0 or more")
    for name in ("white_xyz", "black_xyz"):
        xyz = getattr(tables, name)
        if xyz is not None and (xyz.shape != (3,) or not np.all((xyz >= 0) & (xyz < 2))):
            raise ValueError(f"{name} must be XYZ with Y = 1 for a perfect white, not {xyz}")


def _tags(tables: ProfileTables, version: Literal[4, 2]) -> list[tuple[bytes, bytes]]:
    a2b = _to_pcs(tables.a2b)
    a2b0 = a2b if tables.a2b_perceptual is None else _to_pcs(tables.a2b_perceptual)
    distance = np.minimum(tables.gamut_distance / _GAMUT_SPAN, 1.0)[..., None] * 65535.0
    tags = [
        (b"desc", _mluc(tables.description) if version == 4 else _desc(tables.description)),
        (b"cprt", _mluc(tables.copyright) if version == 4 else _text(tables.copyright)),
        (b"wtpt", _xyz(tables.white_xyz)),
        (b"A2B0", a2b0),
        (b"A2B1", a2b),
        (b"A2B2", a2b),
        (b"B2A0", _from_pcs(np.clip(tables.b2a_perceptual, 0, 255) * 257.0)),
        (b"B2A1", _from_pcs(np.clip(tables.b2a_relative, 0, 255) * 257.0)),
        (b"B2A2", _from_pcs(np.clip(tables.b2a_saturation, 0, 255) * 257.0)),
        (b"gamt", _from_pcs(distance, _gamut_curve())),
        (b"targ", _text(tables.characterisation)),
    ]
    if version == 4:  # the values are under D50 already: nothing was adapted
        tags.insert(3, (b"chad", b"sf32\0\0\0\0" + _s15([1, 0, 0, 0, 1, 0, 0, 0, 1])))
    elif tables.black_xyz is not None:
        tags.insert(3, (b"bkpt", _xyz(tables.black_xyz)))
    return tags


def _identity(data: bytes) -> bytes:
    """Profile ID: MD5 over the profile with flags, rendering intent and the ID itself as zeros."""
    blank = bytearray(data)
    for start, end in ((44, 48), (64, 68), (84, 100)):
        blank[start:end] = bytes(end - start)
    return hashlib.md5(blank, usedforsecurity=False).digest()


def profile_bytes(tables: ProfileTables, *, version: Literal[4, 2] = 4) -> bytes:
    """Write a printer profile.

    Parameters
    ----------
    tables : ProfileTables
        What it says.
    version : {4, 2}
        Of the ICC.1 file format: 4.3, or 2.4 for older print programs.

    Returns
    -------
    bytes
        Class ``prtr``, ``RGB `` to ``Lab ``, every required tag and ``targ``. Equal tables are stored once.
        The preferred rendering intent is media-relative colorimetric.

    Raises
    ------
    ValueError
        Tables of a wrong shape or range, or a bare coat that is not (100, 0, 0).

    Notes
    -----
    ISO 15076-1:2010 (ICC.1:2010); version 2: ICC.1:2001-04. Types are laid out under the names they have there.
    """
    _check(tables)
    created = tables.created.astimezone(UTC) if tables.created.tzinfo else tables.created
    return _assemble(_tags(tables, version), b"RGB ", created, version, attributes=int(tables.transparency))


def _assemble(
    tags: list[tuple[bytes, bytes]], space: bytes, created: datetime, version: Literal[4, 2], *, attributes: int = 0
) -> bytes:
    """Header, list of tags, their elements; equal elements are stored once.

    ``attributes`` of ICC.1, 7.2.14: bit 0 is set for a transparency, the others say glossy, positive, in colour.
    """
    places: dict[bytes, int] = {}
    body = b""
    start = _HEADER + 4 + 12 * len(tags)
    for _, element in tags:
        if element not in places:
            places[element] = start + len(body)
            body += element + bytes(-len(element) % 4)
    index = b"".join(struct.pack(">4sII", name, places[e], len(e)) for name, e in tags)
    header = struct.pack(
        ">II4s4s4s4s6H4sIIIIQI3I4x16x28x",
        *(start + len(body), 0, b"\x04\x30\0\0" if version == 4 else b"\x02\x40\0\0"),
        *(b"prtr", space, b"Lab "),
        *(created.year, created.month, created.day, created.hour, created.minute, created.second),
        *(b"acsp", 0, 0, 0, 0, attributes),  # no platform, flags, maker, model
        *(1, *_D50),
    )
    data = header + struct.pack(">I", len(tags)) + index + body
    return data[:84] + _identity(data) + data[100:] if version == 4 else data


def coordinate_profile(channel: int) -> bytes:
    """Profile of a one-channel device whose value is one coordinate of CIELAB.

    A conversion into it reads the connection space itself in 16 bits, where Pillow offers CIELAB in 8 bits only:
    steps of 0.4 in L* and 1 in a*, b*.

    Parameters
    ----------
    channel : {0, 1, 2}
        L*, a* or b*.

    Returns
    -------
    bytes
        A grey profile, version 2; its 16-bit value v is L* = v / 652.8, a* or b* = v / 256 − 128.
    """
    grid = np.zeros((2, 2, 2, 1), np.uint16)
    np.moveaxis(grid, channel, 0)[1] = 65535
    table = _lut16([_STRAIGHT] * 3, grid, [_STRAIGHT])
    back = _lut16([_STRAIGHT], np.array([[0, 0x8000, 0x8000], [0xFF00, 0x8000, 0x8000]], np.uint16), [_STRAIGHT] * 3)
    tags = [
        (b"desc", _desc("one coordinate of CIELAB")),
        (b"cprt", _text("none")),
        (b"wtpt", _xyz(ICC_D50_WHITE)),
        *((t, back) for t in (b"A2B0", b"A2B1", b"A2B2")),
        *((t, table) for t in (b"B2A0", b"B2A1", b"B2A2")),
    ]
    return _assemble(tags, b"GRAY", datetime(2026, 1, 1, tzinfo=UTC), 2)


# ---------------------------------------------------------------------------------------------------------- check

_TO_PCS = (b"mft1", b"mft2", b"mAB ")
_FROM_PCS = (b"mft1", b"mft2", b"mBA ")
_TYPES = {  # tag: types in version 2, in version 4
    b"desc": ((b"desc",), (b"mluc",)),
    b"cprt": ((b"text",), (b"mluc",)),
    b"wtpt": ((b"XYZ ",), (b"XYZ ",)),
    b"bkpt": ((b"XYZ ",), (b"XYZ ",)),
    b"chad": ((b"sf32",), (b"sf32",)),
    b"targ": ((b"text",), (b"text",)),
    **dict.fromkeys((b"A2B0", b"A2B1", b"A2B2"), (_TO_PCS[:2], _TO_PCS)),
    **dict.fromkeys((b"B2A0", b"B2A1", b"B2A2", b"gamt"), (_FROM_PCS[:2], _FROM_PCS)),
}
_REQUIRED = (b"desc", b"cprt", b"wtpt", b"A2B0", b"A2B1", b"A2B2", b"B2A0", b"B2A1", b"B2A2", b"gamt")


def _check_header(data: bytes) -> list[str]:
    wrong = []
    (size,) = struct.unpack_from(">I", data)
    if size != len(data):
        wrong.append(f"the header says {size} bytes, there are {len(data)}")
    if data[8] not in (2, 4):
        wrong.append(f"version {data[8]}, not 2 or 4")
    if data[8] == 4 and len(data) % 4:
        wrong.append(f"the length {len(data)} is no multiple of 4")
    for what, at, want in (("class", 12, b"prtr"), ("colour space", 16, b"RGB "), ("connection space", 20, b"Lab ")):
        if data[at : at + 4] != want:
            wrong.append(f"the {what} is {data[at : at + 4]!r}, not {want!r}")
    if data[36:40] != b"acsp":
        wrong.append("the file signature 'acsp' is missing")
    year, month, day, hour, minute, second = struct.unpack_from(">6H", data, 24)
    try:
        datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError:
        wrong.append(f"no date: {(year, month, day, hour, minute, second)}")
    if struct.unpack_from(">I", data, 64)[0] > 3:
        wrong.append("unknown rendering intent")
    if struct.unpack_from(">3I", data, 68) != _D50:
        wrong.append("the illuminant is not D50")
    if any(data[100:128]):
        wrong.append("reserved bytes of the header are not zero")
    if data[8] == 4 and any(data[84:100]) and data[84:100] != _identity(data):
        wrong.append("the profile ID is not the MD5 sum of the profile")
    return wrong


def _check_text(tag: str, element: bytes) -> list[str]:
    kind = element[:4]
    if kind == b"text" and (element[-1:] != b"\0" or not element[8:].isascii()):
        return [f"{tag}: text must be ASCII and end with a null byte"]
    if kind == b"mluc":
        if len(element) < 28 or struct.unpack_from(">I", element, 12)[0] != 12:
            return [f"{tag}: multi-language text is cut short"]
        (count,) = struct.unpack_from(">I", element, 8)
        for i in range(count):
            length, start = struct.unpack_from(">II", element, 20 + 12 * i) if 28 + 12 * i <= len(element) else (1, 0)
            if length % 2 or start < 16 + 12 * count or start + length > len(element):
                return [f"{tag}: multi-language text points outside itself"]
    if kind == b"desc":
        (count,) = struct.unpack_from(">I", element, 8) if len(element) >= 12 else (0,)
        if not 1 <= count <= len(element) - 12 or element[11 + count] != 0:
            return [f"{tag}: the description has a wrong length"]
        (wide,) = struct.unpack_from(">I", element, 16 + count) if len(element) >= 20 + count else (0,)
        if len(element) != 12 + count + 8 + 2 * wide + 70:
            return [f"{tag}: the description has a wrong length"]
    return []


def _check_table(tag: str, element: bytes) -> list[str]:
    if element[:4] not in (b"mft1", b"mft2"):
        return []
    wide = element[:4] == b"mft2"
    if len(element) < 52:
        return [f"{tag}: cut short"]
    i, o, n = element[8:11]
    outputs = 1 if tag == "gamt" else 3
    wrong = []
    if (i, o) != (3, outputs):
        wrong.append(f"{tag}: {i} channels in, {o} out, not 3 and {outputs}")
    if n < 2:
        wrong.append(f"{tag}: {n} grid points")
    if element[11]:
        wrong.append(f"{tag}: padding byte is not zero")
    entries, exits = struct.unpack_from(">HH", element, 48) if wide else (256, 256)
    if not (2 <= entries <= 4096 and 2 <= exits <= 4096):
        wrong.append(f"{tag}: curves of {entries} and {exits} entries, not 2 to 4096")
    want = (52 + 2 * (i * entries + n**i * o + o * exits)) if wide else (48 + i * 256 + n**i * o + o * 256)
    if len(element) != want:
        wrong.append(f"{tag}: {len(element)} bytes, its own sizes say {want}")
    return wrong


def _check_element(name: bytes, element: bytes, version: int) -> list[str]:
    tag = name.decode("latin-1")
    kinds = _TYPES.get(name)
    if kinds is None:
        return []
    if len(element) < 8:
        return [f"{tag}: cut short"]
    kind = element[:4]
    if kind not in kinds[version == 4]:
        return [f"{tag}: type {kind!r} is not allowed in version {version}"]
    wrong = [f"{tag}: reserved bytes are not zero"] if any(element[4:8]) else []
    want = {b"XYZ ": 20, b"sf32": 44}.get(kind)
    if want and len(element) != want:
        wrong.append(f"{tag}: {len(element)} bytes, not {want}")
    return wrong + _check_text(tag, element) + _check_table(tag, element)


def check_tags(data: bytes) -> list[str]:
    """Check a printer profile against ICC.1, byte by byte where that can be done without colour.

    Parameters
    ----------
    data : bytes
        An RGB output profile, version 2 or 4, by whatever program.

    Returns
    -------
    list of str
        What is wrong, one sentence each; empty when all is well. Looked at: header, sizes, offsets, alignment,
        overlaps, the required tags of an RGB output profile with tables (ICC.1:2010; in version 4 with
        ``chad``, wanted when the measurements were adapted to D50 and harmless when not), their types, the
        inner sizes of texts and tables, the profile ID.
    """
    if len(data) < _HEADER + 4:
        return [f"{len(data)} bytes are no profile"]
    wrong = _check_header(data)
    version = 4 if data[8] >= 4 else 2
    (count,) = struct.unpack_from(">I", data, _HEADER)
    table_end = _HEADER + 4 + 12 * count
    if count > 1000 or table_end > len(data):
        return [*wrong, f"a list of {count} tags does not fit"]
    seen: dict[bytes, tuple[int, int]] = {}
    for i in range(count):
        name, start, length = struct.unpack_from(">4sII", data, _HEADER + 4 + 12 * i)
        tag = name.decode("latin-1")
        if name in seen:
            wrong.append(f"{tag} is listed twice")
        seen[name] = (start, length)
        if start < table_end or start + length > len(data):
            wrong.append(f"{tag} lies outside the file")
            continue
        if start % 4:
            wrong.append(f"{tag} does not begin on a multiple of 4")
        wrong += _check_element(name, data[start : start + length], version)
    end = table_end
    for start, length in sorted(set(seen.values())):
        if start < end:
            wrong.append(f"tags overlap at byte {start}")
        elif version == 4 and start - end > 3:
            wrong.append(f"a gap of {start - end} bytes at byte {end}")
        elif any(data[end:start]):
            wrong.append(f"padding at byte {end} is not zero")
        end = max(end, start + length)
    wanted = (*_REQUIRED, b"chad") if version == 4 else _REQUIRED
    return wrong + [f"{t.decode()} is missing" for t in wanted if t not in seen]
