"""Printer profiles: every byte read back by an independent parser, every number by LittleCMS.

The parser here shares no code with the writer; it was written from the layouts of ISO 15076-1 (ICC.1:2010)
and, for version 2, ICC.1:2001-04 (as known from memory: the texts were not at hand).
"""

from __future__ import annotations

import ctypes
import ctypes.util
import dataclasses
import functools
import hashlib
import io
import struct
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any, Literal

import numpy as np
import PIL
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms

from colorcheck.colour.icc import (
    GAMUT_TOLERANCE,
    PERCEPTUAL_BLACK_LAB,
    ProfileTables,
    check_tags,
    pcs_grid,
    profile_bytes,
)
from colorcheck.ground.cielab import D50_WHITE, delta_e00, lab_to_xyz

Version = Literal[4, 2]
N, M = 17, 33
COAT_XYZ = np.array([0.7712, 0.8011, 0.6404])
BLACK_XYZ = np.array([0.0151, 0.0156, 0.0129])
TABLE_TEXT = 'CUSTOM\nORIGINATOR "invented"\nNUMBER_OF_SETS 1\nBEGIN_DATA\nA1 255 255 255\nEND_DATA\n'


# ---------------------------------------------------------------- an invented printer that can be inverted exactly


def printer_lab(rgb: Any) -> Any:
    """Smooth, one to one, white at (100, 0, 0), black at L* 12: what this invented printer prints."""
    light = (np.asarray(rgb, float) / 255.0) ** 1.2
    lightness = 12.0 + 88.0 * (light @ [0.25, 0.60, 0.15])
    a = 75.0 * (light[..., 0] - light[..., 1])
    b = 60.0 * (0.5 * (light[..., 0] + light[..., 1]) - light[..., 2])
    return np.stack([lightness, a, b], axis=-1)


def printer_rgb(lab: Any) -> Any:
    """Exactly the other way; outside 0 to 255 where the printer cannot."""
    y, d, e = (lab[..., 0] - 12.0) / 88.0, lab[..., 1] / 75.0, lab[..., 2] / 60.0
    green = y - 0.25 * d - 0.15 * (d / 2 - e)
    light = np.stack([green + d, green, green + d / 2 - e], axis=-1)
    return np.sign(light) * np.abs(light) ** (1 / 1.2) * 255.0


def invented_tables(**changes: Any) -> ProfileTables:
    step = np.linspace(0.0, 255.0, N)
    a2b = printer_lab(np.stack(np.meshgrid(step, step, step, indexing="ij"), axis=-1))
    lightness, opponent = pcs_grid(M)
    nodes = np.stack(np.meshgrid(lightness, opponent, opponent, indexing="ij"), axis=-1)
    rgb = np.clip(printer_rgb(nodes), 0.0, 255.0)
    tables = ProfileTables(
        a2b=a2b,
        b2a_relative=rgb,
        b2a_perceptual=rgb * 0.5 + 10.0,
        b2a_saturation=np.clip(rgb * 1.05, 0.0, 255.0),
        gamut_distance=np.linalg.norm(printer_lab(rgb) - nodes, axis=-1)
        * (np.abs(rgb - printer_rgb(nodes)).max(-1) > 0),
        white_xyz=COAT_XYZ,
        black_xyz=BLACK_XYZ,
        description="Invented printer, house-number plaques",
        copyright="No rights reserved",
        characterisation=TABLE_TEXT,
        created=datetime(2026, 3, 29, 10, 20, 30, tzinfo=UTC),
    )
    return dataclasses.replace(tables, **changes)


@functools.cache
def profile(version: Version) -> bytes:
    return profile_bytes(invented_tables(), version=version)


# ---------------------------------------------------------------- independent parser


@dataclasses.dataclass
class Lut16:
    matrix: list[float]
    curves_in: Any
    grid: Any
    curves_out: Any

    def __call__(self, codes: Any) -> Any:
        """Evaluate at (k, inputs) 16-bit codes: curves, multilinear table, curves; float codes out."""
        place = np.stack(
            [
                np.interp(codes[:, i], np.linspace(0, 65535, len(c)), c) / 65535 * (self.grid.shape[0] - 1)
                for i, c in enumerate(self.curves_in)
            ],
            axis=-1,
        )
        low = np.minimum(place.astype(int), self.grid.shape[0] - 2)
        t = place - low
        out = np.zeros((len(codes), self.grid.shape[-1]))
        for corner in np.ndindex(2, 2, 2):
            weight = np.prod(np.where(corner, t, 1 - t), axis=-1)
            out += weight[:, None] * self.grid[tuple((low + corner).T)]
        return np.stack(
            [np.interp(out[:, j], np.linspace(0, 65535, len(c)), c) for j, c in enumerate(self.curves_out)], axis=-1
        )


def parse(data: bytes) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Header fields and raw tag elements; asserts what must hold for the layout."""
    u32 = lambda at: int.from_bytes(data[at : at + 4], "big")  # noqa: E731
    header = {
        "size": u32(0), "cmm": data[4:8], "version": data[8:12], "class": data[12:16], "space": data[16:20],
        "pcs": data[20:24], "date": struct.unpack(">6H", data[24:36]), "magic": data[36:40], "platform": data[40:44],
        "flags": u32(44), "maker": data[48:52], "model": data[52:56], "attributes": data[56:64], "intent": u32(64),
        "illuminant": data[68:80], "creator": data[80:84], "id": data[84:100], "reserved": data[100:128],
    }  # fmt: skip
    tags, places = {}, []
    for i in range(u32(128)):
        at = 132 + 12 * i
        name, start, size = data[at : at + 4].decode("ascii"), u32(at + 4), u32(at + 8)
        assert start % 4 == 0
        assert start >= 132 + 12 * u32(128)
        assert start + size <= len(data)
        tags[name] = data[start : start + size]
        assert tags[name][4:8] == bytes(4)
        places.append((start, size))
    end = 132 + 12 * u32(128)
    for start, size in sorted(set(places)):  # no gap, no overlap, zeros between
        assert end <= start < end + 4
        assert data[end:start].strip(b"\0") == b""
        end = start + size
    assert len(data) - end < 4
    return header, tags


def lut16(element: bytes) -> Lut16:
    assert element[:4] == b"mft2"
    i, o, n, pad = element[8], element[9], element[10], element[11]
    assert pad == 0
    matrix = [v / 65536 for v in struct.unpack(">9i", element[12:48])]
    n_in, n_out = struct.unpack(">2H", element[48:52])
    words = np.frombuffer(element[52:], ">u2").astype(float)
    assert words.size == i * n_in + n**i * o + o * n_out
    table = words[i * n_in : i * n_in + n**i * o].reshape((n,) * i + (o,))
    return Lut16(matrix, words[: i * n_in].reshape(i, n_in), table, words[words.size - o * n_out :].reshape(o, n_out))


def multi_text(element: bytes) -> str:
    assert element[:4] == b"mluc"
    count, record, language, country, length, start = struct.unpack(">II2s2sII", element[8:28])
    assert (count, record, language, country) == (1, 12, b"en", b"US")
    assert start == 28
    assert len(element) == 28 + length
    return element[start : start + length].decode("utf-16-be")


def old_text(element: bytes) -> tuple[str, str]:
    """ASCII and Unicode of version 2's description."""
    assert element[:4] == b"desc"
    (n,) = struct.unpack(">I", element[8:12])
    plain = element[12 : 12 + n]
    assert plain[-1:] == b"\0"
    language, wide = struct.unpack(">II", element[12 + n : 20 + n])
    assert language == 0
    rest = element[20 + n + 2 * wide :]
    assert rest == bytes(70)  # script code, its count, its 67 bytes
    return plain[:-1].decode("ascii"), element[20 + n : 20 + n + 2 * wide].decode("utf-16-be").rstrip("\0")


def fixed(element: bytes, kind: bytes) -> list[float]:
    assert element[:4] == kind
    return [v / 65536 for v in struct.unpack(f">{(len(element) - 8) // 4}i", element[8:])]


def to_lab(codes: Any) -> Any:
    """16-bit codes of version 2 → CIELAB (ICC.1:2001-04: 0xFF00 is L* 100)."""
    return np.stack([codes[..., 0] / 652.8, codes[..., 1] / 256 - 128, codes[..., 2] / 256 - 128], axis=-1)


def from_lab(lab: Any) -> Any:
    return np.stack([lab[..., 0] * 652.8, (lab[..., 1] + 128) * 256, (lab[..., 2] + 128) * 256], axis=-1)


def new_codes(lab: Any) -> Any:
    """CIELAB → the 16-bit encoding of version 4, which LittleCMS takes and gives."""
    return np.stack([lab[..., 0] * 655.35, (lab[..., 1] + 128) * 257, (lab[..., 2] + 128) * 257], axis=-1)


# ---------------------------------------------------------------- layout


@pytest.mark.parametrize("version", [4, 2])
def test_header_and_list_of_tags(version: Version) -> None:
    header, tags = parse(profile(version))
    assert header["size"] == len(profile(version))
    assert len(profile(version)) % 4 == 0
    assert header["version"] == (b"\x04\x30\0\0" if version == 4 else b"\x02\x40\0\0")
    assert (header["class"], header["space"], header["pcs"]) == (b"prtr", b"RGB ", b"Lab ")
    assert header["magic"] == b"acsp"
    assert header["date"] == (2026, 3, 29, 10, 20, 30)
    assert header["illuminant"] == bytes.fromhex("0000F6D6 00010000 0000D32D")
    assert header["intent"] == 1
    assert (header["flags"], header["attributes"], header["reserved"]) == (0, bytes(8), bytes(28))
    common = {"desc", "cprt", "wtpt", "A2B0", "A2B1", "A2B2", "B2A0", "B2A1", "B2A2", "gamt", "targ"}
    assert set(tags) == common | ({"chad"} if version == 4 else {"bkpt"})
    assert check_tags(profile(version)) == []


def test_profile_id_is_the_md5_sum_of_version_4_only() -> None:
    data = profile(4)
    zeroed = data[:44] + bytes(4) + data[48:64] + bytes(4) + data[68:84] + bytes(16) + data[100:]
    assert parse(data)[0]["id"] == hashlib.md5(zeroed).digest()
    assert parse(profile(2))[0]["id"] == bytes(16)


@pytest.mark.parametrize("version", [4, 2])
def test_texts_white_and_adaptation(version: Version) -> None:
    _, tags = parse(profile(version))
    wanted = invented_tables()
    if version == 4:
        assert multi_text(tags["desc"]) == wanted.description
        assert multi_text(tags["cprt"]) == wanted.copyright
        assert fixed(tags["chad"], b"sf32") == [1, 0, 0, 0, 1, 0, 0, 0, 1]
    else:
        assert old_text(tags["desc"]) == (wanted.description, "")
        assert tags["cprt"] == b"text\0\0\0\0No rights reserved\0"
        assert fixed(tags["bkpt"], b"XYZ ") == pytest.approx(BLACK_XYZ, abs=1 / 131072)
    assert fixed(tags["wtpt"], b"XYZ ") == pytest.approx(COAT_XYZ, abs=1 / 131072)
    assert tags["targ"] == b"text\0\0\0\0" + TABLE_TEXT.encode() + b"\0"


def test_other_letters_survive_and_odd_ones_do_no_harm() -> None:
    tables = invented_tables(description="Schiefer – żółty\0", characterisation="µ ΔE\n", copyright="©")
    new, old = (parse(profile_bytes(tables, version=v))[1] for v in (4, 2))
    assert multi_text(new["desc"]) == "Schiefer – żółty "
    assert multi_text(new["cprt"]) == "©"
    assert old_text(old["desc"]) == ("Schiefer ? ????ty ".replace("????", "???"), "Schiefer – żółty ")
    assert new["targ"] == old["targ"] == b"text\0\0\0\0? ?E\n\0"
    assert check_tags(profile_bytes(tables)) == check_tags(profile_bytes(tables, version=2)) == []


@pytest.mark.parametrize("version", [4, 2])
def test_tables_come_back_within_half_a_code(version: Version) -> None:
    _, tags = parse(profile(version))
    wanted = invented_tables()
    assert tags["A2B0"] == tags["A2B1"] == tags["A2B2"]
    a2b = lut16(tags["A2B1"])
    assert a2b.matrix == [1, 0, 0, 0, 1, 0, 0, 0, 1]
    assert a2b.grid.shape == (N, N, N, 3)
    assert np.abs(to_lab(a2b.grid) - wanted.a2b).max() <= 0.5 / 256 + 1e-9
    assert list(a2b.grid[-1, -1, -1]) == [0xFF00, 0x8000, 0x8000]
    for tag, table in (
        ("B2A0", wanted.b2a_perceptual),
        ("B2A1", wanted.b2a_relative),
        ("B2A2", wanted.b2a_saturation),
    ):
        assert np.abs(lut16(tags[tag]).grid / 257 - table).max() <= 0.5 / 257 + 1e-9
    gamt = lut16(tags["gamt"])
    assert gamt.grid.shape == (M, M, M, 1)
    assert gamt.curves_out.shape[0] == 1


def test_equal_tables_are_stored_once_and_unequal_ones_are_not() -> None:
    tables = invented_tables()
    table = 12 + 36 + 4 + 3 * 2 * 2 * 2 + 2 * 3 * N**3
    other = tables.a2b.copy()
    other[0, 0, 0, 0] = PERCEPTUAL_BLACK_LAB[0]
    two = profile_bytes(dataclasses.replace(tables, a2b_perceptual=other))
    assert table - 4 < len(two) - len(profile(4)) < table + 4
    _, tags = parse(two)
    assert tags["A2B0"] != tags["A2B1"] == tags["A2B2"]
    assert lut16(tags["A2B0"]).grid[0, 0, 0, 0] == round(3.1373 * 652.8)


@pytest.mark.parametrize("m", [3, 9, 17, 33, 49])
def test_nodes_lie_where_pcs_grid_says(m: int) -> None:
    """The curves in the file bring the codes of the nodes exactly onto the grid."""
    lightness, opponent = pcs_grid(m)
    assert lightness[0] == 0
    assert lightness[-1] == 100
    assert lightness == pytest.approx(np.linspace(0, 100, m))
    assert opponent[m // 2] == 0
    assert opponent[[0, -1]] == pytest.approx([-128, 127.99609375])
    assert np.all(np.diff(opponent) > 0)
    _, tags = parse(profile(4))
    curves = lut16(tags["B2A1"]).curves_in
    for curve, nodes in zip(curves, (lightness, opponent, opponent), strict=True):
        lab = np.stack([nodes, nodes, nodes], axis=-1)
        codes = from_lab(lab)[:, 0 if nodes is lightness else 1]
        place = np.interp(codes, np.linspace(0, 65535, len(curve)), curve) / 65535 * (m - 1)
        assert place == pytest.approx(np.arange(m), abs=3e-5 * m)


def test_node_that_pcs_grid_cannot_give_is_refused() -> None:
    for m in (0, 2, 32, 257):
        with pytest.raises(ValueError, match="odd number"):
            pcs_grid(m)


# ---------------------------------------------------------------- round trip by property


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    n=st.integers(2, 7),
    m=st.sampled_from([3, 5, 7]),
    version=st.sampled_from([4, 2]),
    text=st.text(max_size=40),
    zone=st.integers(-12, 14),
)
def test_any_tables_come_back(seed: int, n: int, m: int, version: Version, text: str, zone: int) -> None:
    rng = np.random.default_rng(seed)
    a2b = rng.uniform([0, -128, -128], [100, 127.99, 127.99], (n, n, n, 3))
    a2b[-1, -1, -1] = 100, 0, 0
    device = rng.uniform(0, 255, (3, m, m, m, 3))
    distance = rng.choice([0.0, 0.4, 1.0, 2.0, 17.0, 127.0, 300.0], (m, m, m))
    created = datetime(2026, 1, 1, 5, 0, 0, tzinfo=timezone(timedelta(hours=zone)))
    before = a2b.copy(), device.copy()
    data = profile_bytes(
        invented_tables(
            a2b=a2b,
            b2a_relative=device[0],
            b2a_perceptual=device[1],
            b2a_saturation=device[2],
            gamut_distance=distance,
            description=text,
            characterisation=text,
            copyright=text,
            created=created,
        ),
        version=version,
    )
    assert np.array_equal(before[0], a2b)
    assert np.array_equal(before[1], device)
    assert check_tags(data) == []
    header, tags = parse(data)
    assert datetime(*header["date"], tzinfo=UTC) == created
    assert np.abs(to_lab(lut16(tags["A2B1"]).grid) - a2b).max() <= 0.5 / 256 + 1e-9
    for i, tag in enumerate(("B2A1", "B2A0", "B2A2")):
        assert np.abs(lut16(tags[tag]).grid / 257 - device[i]).max() <= 0.5 / 257 + 1e-9
    gamt = lut16(tags["gamt"])
    told = np.interp(gamt.grid[..., 0], np.linspace(0, 65535, gamt.curves_out.shape[1]), gamt.curves_out[0]) / 65535
    assert np.array_equal(told > 0, distance > GAMUT_TOLERANCE)
    far = distance >= 2
    assert told[far] * 127.5 == pytest.approx(np.minimum(distance, 127.5)[far], abs=0.002)


# ---------------------------------------------------------------- what is refused


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        (lambda t: {"a2b": t.a2b[:-1]}, "shape"),
        (lambda t: {"a2b": t.a2b - [0.01, 0, 0] * (t.a2b[..., :1] > 99)}, "bare coat must be"),
        (lambda t: {"a2b": t.a2b * [1.0, 1.9, 1.0]}, "outside CIELAB's encoding"),
        (lambda t: {"a2b_perceptual": t.a2b * np.nan}, "outside CIELAB's encoding"),
        (lambda t: {"b2a_saturation": t.b2a_relative + 1.0}, "outside 0 to 255"),
        (lambda t: {"b2a_saturation": t.b2a_relative * np.nan}, "outside 0 to 255"),
        (lambda t: {"b2a_perceptual": t.b2a_relative[:17, :17, :17]}, "shape"),
        (lambda t: {"b2a_relative": t.b2a_relative[:32, :32, :32]}, "odd number"),
        (lambda t: {"gamut_distance": t.gamut_distance - 1.0}, "0 or more"),
        (lambda t: {"white_xyz": t.white_xyz * 100}, "Y = 1"),
    ],
)
def test_tables_that_no_profile_can_hold_are_refused(
    changes: Callable[[ProfileTables], dict[str, Any]], why: str
) -> None:
    tables = invented_tables()
    with pytest.raises(ValueError, match=why):
        profile_bytes(dataclasses.replace(tables, **changes(tables)))


def spoilt(version: Version, tag: str, at: int, new: bytes) -> bytes:
    """The profile with bytes changed inside a tag, or in the header, its ID made right again."""
    data = bytearray(profile(version))
    start = 0
    for i in range(int.from_bytes(data[128:132], "big")):
        if data[132 + 12 * i : 136 + 12 * i] == tag.encode():
            start = 132 + 12 * i if at < 0 else int.from_bytes(data[136 + 12 * i : 140 + 12 * i], "big")
            at = at + 12 if at < 0 else at
    data[start + at : start + at + len(new)] = new
    data[84:100] = bytes(16)
    return bytes(data)


@pytest.mark.parametrize(
    ("version", "tag", "at", "new", "why"),
    [
        (4, "", 0, b"\0\0\0\x10", "header says 16 bytes"),
        (4, "", 8, b"\x05", "version 5"),
        (4, "", 12, b"mntr", "class"),
        (4, "", 16, b"CMYK", "colour space"),
        (4, "", 20, b"XYZ ", "connection space"),
        (4, "", 26, b"\0\x0d", "no date"),
        (4, "", 36, b"acsq", "acsp"),
        (4, "", 64, b"\0\0\0\x09", "rendering intent"),
        (4, "", 68, b"\0\0\xf6\xd5", "D50"),
        (4, "", 110, b"\1", "reserved bytes of the header"),
        (4, "gamt", -12, b"gamx", "gamt is missing"),
        (4, "chad", -12, b"chax", "chad is missing"),
        (2, "B2A2", -12, b"B2A1", "listed twice"),
        (4, "B2A0", -8, b"\0\1\0\1", "multiple of 4"),
        (4, "B2A0", -8, b"\x7f\0\0\0", "outside the file"),
        (4, "wtpt", -8, b"\0\0\0\x84", "outside the file"),
        (4, "wtpt", -4, b"\0\0\0\x18", "24 bytes, not 20"),
        (4, "wtpt", -4, b"\0\0\0\x20", "overlap"),
        (4, "desc", 0, b"desc", "not allowed in version 4"),
        (2, "desc", 0, b"mluc", "not allowed in version 2"),
        (2, "desc", 8, b"\0\0\0\x11", "description has a wrong length"),
        (4, "desc", 20, b"\0\0\7\0", "points outside"),
        (2, "cprt", 10, b"\xe9", "ASCII"),
        (4, "A2B1", 9, b"\4", "4 out"),
        (4, "A2B1", 10, b"\x12", "its own sizes say"),
        (4, "A2B1", 48, b"\0\1", "curves of 1"),
        (4, "gamt", 9, b"\3", "not 3 and 1"),
        (4, "wtpt", 4, b"\1", "reserved bytes are not zero"),
    ],
)
def test_check_names_what_was_spoilt(version: Version, tag: str, at: int, new: bytes, why: str) -> None:
    found = check_tags(spoilt(version, tag, at, new))
    assert any(why in f for f in found), found


def test_check_finds_a_wrong_id_and_rubbish() -> None:
    data = bytearray(profile(4))
    data[-5] ^= 1
    assert check_tags(bytes(data)) == ["the profile ID is not the MD5 sum of the profile"]
    assert check_tags(b"") == ["0 bytes are no profile"]
    assert "does not fit" in check_tags(profile(4)[:200])[-1]
    rng = np.random.default_rng(3)
    for _ in range(200):  # any bytes get an answer, never a crash
        data = bytearray(profile(4)[:3000])
        for at in rng.integers(0, len(data), 30):
            data[at] = rng.integers(256)
        assert check_tags(bytes(data))


# ---------------------------------------------------------------- LittleCMS, 8 bit through Pillow


def convert8(data: bytes, rgb: Any, *, back: bool, intent: int, flags: int = 0, mode: str = "LAB") -> Any:
    """Device RGB → CIELAB through A2B, or the other way through B2A, as Pillow does it."""
    handle = ImageCms.ImageCmsProfile(io.BytesIO(data))
    pcs = ImageCms.createProfile("LAB")
    source, target = (pcs, handle) if back else (handle, pcs)
    modes = (mode, "RGB") if back else ("RGB", mode)
    transform = ImageCms.buildTransform(source, target, *modes, renderingIntent=ImageCms.Intent(intent), flags=flags)
    picture = Image.frombytes(modes[0], (len(rgb), 1), np.ascontiguousarray(rgb, np.uint8).tobytes())
    return np.frombuffer(ImageCms.applyTransform(picture, transform).tobytes(), np.uint8).reshape(-1, 3)


def lab8(codes: Any) -> Any:
    """Pillow's bytes of a LAB picture: a* and b* are signed outside of it."""
    signed = codes[:, 1:].astype(np.uint8).view(np.int8)
    return np.column_stack([codes[:, 0] * (100 / 255), signed])


def some_colours(k: int, seed: int = 1) -> Any:
    return np.random.default_rng(seed).integers(0, 256, (k, 3))


@pytest.mark.parametrize("version", [4, 2])
def test_littlecms_reads_what_was_written(version: Version) -> None:
    opened = ImageCms.ImageCmsProfile(io.BytesIO(profile(version))).profile
    assert opened.device_class == "prtr"
    assert opened.xcolor_space.strip() == "RGB"
    assert opened.connection_space.strip() == "Lab"
    assert opened.version == pytest.approx({4: 4.3, 2: 2.4}[version])
    assert opened.profile_description == invented_tables().description
    assert opened.copyright == "No rights reserved"
    assert opened.target == TABLE_TEXT
    assert opened.creation_date == datetime(2026, 3, 29, 10, 20, 30)
    assert opened.media_white_point[0] == pytest.approx(COAT_XYZ, abs=1e-5)
    assert opened.profile_id == parse(profile(version))[0]["id"]
    for intent in range(4):
        for direction in ImageCms.Direction.INPUT, ImageCms.Direction.OUTPUT:
            assert ImageCms.isIntentSupported(ImageCms.ImageCmsProfile(opened), ImageCms.Intent(intent), direction) == 1


@pytest.mark.parametrize("version", [4, 2])
@pytest.mark.parametrize("flags", [0x0004, 0x0100, 0x0104])
@pytest.mark.parametrize("intent", [0, 1, 2, 3])
def test_8_bit_agrees_in_all_four_intents(version: Version, flags: int, intent: int) -> None:
    rgb = np.vstack([some_colours(500), [[255, 255, 255], [0, 0, 0]]])
    wanted = printer_lab(rgb)
    if intent == 3:  # absolute: scaled by the coat's XYZ
        from colorcheck.ground.cielab import xyz_to_lab

        wanted = xyz_to_lab(lab_to_xyz(wanted, D50_WHITE) * COAT_XYZ / D50_WHITE, D50_WHITE)
    found = lab8(convert8(profile(version), rgb, back=False, intent=intent, flags=flags))
    # 8-bit CIELAB holds steps of 0.39 in L* and 1 in a*, b*; the rest is interpolation on 17 nodes
    assert np.abs(found - wanted).max(axis=0) == pytest.approx([0, 0, 0], abs=0.9)
    assert np.abs(found - wanted).mean() < 0.3
    if intent != 3:
        assert list(found[-2]) == [100, 0, 0]


@pytest.mark.parametrize("flags", [0x0004, 0x0100])
def test_a_wrong_white_would_be_seen_with_these_flags(flags: int) -> None:
    """The flags do what they are used for: a profile whose white is wrong by 3 in b* shows it."""
    data = bytearray(profile(4))
    _, tags = parse(profile(4))
    at = bytes(data).index(tags["A2B1"]) + 52 + 3 * 4 + 2 * (3 * N**3 - 1)
    assert data[at : at + 2] == b"\x80\0"
    data[at : at + 2] = b"\x83\0"
    white = [[255, 255, 255]]
    assert list(lab8(convert8(bytes(data), white, back=False, intent=1, flags=flags))[0]) == [100, 0, 3]


@pytest.mark.parametrize("version", [4, 2])
def test_white_comes_back_as_bare_coat(version: Version) -> None:
    white = [[255, 0, 0]]  # in Pillow's signed bytes
    for flags in (0x0100, 0x0104):  # optimised, LittleCMS samples CIELAB anew, where white is no node: 254
        assert list(convert8(profile(version), white, back=True, intent=1, flags=flags)[0]) == [255, 255, 255]
    srgb = ImageCms.createProfile("sRGB")
    for intent in (1, 2):
        transform = ImageCms.buildTransform(
            srgb,
            ImageCms.ImageCmsProfile(io.BytesIO(profile(version))),
            "RGB",
            "RGB",
            renderingIntent=ImageCms.Intent(intent),
            flags=0x2004,
        )
        assert ImageCms.applyTransform(Image.new("RGB", (1, 1), "white"), transform).getpixel((0, 0)) == (255,) * 3


# ---------------------------------------------------------------- LittleCMS, 16 bit and double by its C interface

# Flags: 0x0004 no white fix-up, 0x0100 no optimisation. The Lab side is a version 2 profile: towards a version 4
# one LittleCMS compensates the black point in perceptual and saturation, whatever it is told.
TYPE_RGB_16 = 4 << 16 | 3 << 3 | 2
TYPE_RGB_DBL = 1 << 22 | 4 << 16 | 3 << 3
TYPE_LAB_DBL = 1 << 22 | 10 << 16 | 3 << 3
TYPE_LAB_16 = 10 << 16 | 3 << 3 | 2


@functools.cache
def littlecms() -> Any:
    """The library that Pillow carries, or the system's; None without either."""
    carried = sorted((Path(PIL.__file__).parent.parent / "pillow.libs").glob("liblcms2*"))
    for name in (*map(str, carried), ctypes.util.find_library("lcms2"), "liblcms2.so.2"):
        try:
            library = ctypes.CDLL(name) if name else None
        except OSError:
            continue
        if library is None:
            continue
        library.cmsOpenProfileFromMem.restype = library.cmsCreateLab2Profile.restype = ctypes.c_void_p
        library.cmsCreateTransform.restype = ctypes.c_void_p
        library.cmsCreateTransform.argtypes = [ctypes.c_void_p, ctypes.c_uint32] * 2 + [ctypes.c_uint32] * 2
        library.cmsOpenProfileFromMem.argtypes = [ctypes.c_char_p, ctypes.c_uint32]
        library.cmsCreateLab2Profile.argtypes = library.cmsCloseProfile.argtypes = [ctypes.c_void_p]
        library.cmsDeleteTransform.argtypes = [ctypes.c_void_p]
        library.cmsDoTransform.argtypes = [ctypes.c_void_p] * 3 + [ctypes.c_uint32]
        return library
    return None


def convert_c(data: bytes, values: Any, *, back: bool, types: tuple[int, int], intent: int, flags: int) -> Any:
    lcms = littlecms()
    if lcms is None:
        pytest.skip("no liblcms2 on this machine: Pillow alone cannot do 16-bit RGB")
    handle, pcs = lcms.cmsOpenProfileFromMem(data, len(data)), lcms.cmsCreateLab2Profile(None)
    first, second = (pcs, handle) if back else (handle, pcs)
    transform = lcms.cmsCreateTransform(first, types[0], second, types[1], intent, flags)
    assert transform
    kind = lambda t: np.float64 if t & 7 == 0 else np.uint16  # noqa: E731
    source = np.ascontiguousarray(values, kind(types[0]))
    out = np.empty_like(source, dtype=kind(types[1]))
    lcms.cmsDoTransform(transform, source.ctypes.data, out.ctypes.data, len(source))
    lcms.cmsDeleteTransform(transform)
    lcms.cmsCloseProfile(handle)
    lcms.cmsCloseProfile(pcs)
    return out


@pytest.mark.parametrize("version", [4, 2])
@pytest.mark.parametrize("flags", [0x0100, 0x0104])
@pytest.mark.parametrize("intent", [0, 1, 2])
def test_16_bit_on_nodes_is_exact_to_the_code(version: Version, flags: int, intent: int) -> None:
    step = np.linspace(0, 65535, N)
    nodes = np.stack(np.meshgrid(step, step, step, indexing="ij"), axis=-1).reshape(-1, 3)
    found = convert_c(profile(version), nodes, back=False, types=(TYPE_RGB_16, TYPE_LAB_16), intent=intent, flags=flags)
    wanted = new_codes(to_lab(np.rint(from_lab(invented_tables().a2b)))).reshape(-1, 3)
    assert np.abs(found - wanted).max() <= 2
    assert list(found[-1]) == [0xFFFF, 0x8080, 0x8080]


@pytest.mark.parametrize("version", [4, 2])
def test_16_bit_and_double_agree_with_the_parser_between_the_nodes(version: Version) -> None:
    """LittleCMS and the parser of this file, both reading the same bytes, meet between the nodes too."""
    rng = np.random.default_rng(5)
    table = lut16(parse(profile(version))[1]["B2A1"])
    lab = rng.uniform([15, -40, -30], [100, 40, 30], (2000, 3))
    own = table(from_lab(lab))
    found = convert_c(
        profile(version), np.rint(new_codes(lab)), back=True, types=(TYPE_LAB_16, TYPE_RGB_16), intent=1, flags=0x0100
    )
    assert np.abs(found - own).max() < 10  # codes of 65535
    exact = convert_c(profile(version), lab, back=True, types=(TYPE_LAB_DBL, TYPE_RGB_DBL), intent=1, flags=0x0104)
    assert np.abs(exact * 65535 - own).max() < 10


@pytest.mark.parametrize("version", [4, 2])
def test_white_is_exact_in_floating_point(version: Version) -> None:
    for intent in (0, 1, 2):
        for flags in (0x0004, 0x0104):
            lab = convert_c(
                profile(version), [[1.0, 1.0, 1.0]], back=False, types=(TYPE_RGB_DBL, TYPE_LAB_DBL),
                intent=intent, flags=flags,
            )  # fmt: skip
            assert lab[0] == pytest.approx([100, 0, 0], abs=1e-4)
    rgb = convert_c(
        profile(version), [[100.0, 0, 0]], back=True, types=(TYPE_LAB_DBL, TYPE_RGB_16), intent=1, flags=0x0104
    )
    assert np.all(rgb >= 65534)


@pytest.mark.parametrize("version", [4, 2])
def test_round_trip_of_printable_colours(version: Version) -> None:
    """A2B(B2A(Lab)) on an exactly invertible printer: what is left is the tables' interpolation."""
    rgb = np.random.default_rng(7).uniform(5, 250, (1500, 3))
    lab = printer_lab(rgb)
    device = convert_c(profile(version), lab, back=True, types=(TYPE_LAB_DBL, TYPE_RGB_DBL), intent=1, flags=0x0104)
    again = convert_c(profile(version), device, back=False, types=(TYPE_RGB_DBL, TYPE_LAB_DBL), intent=1, flags=0x0104)
    error = delta_e00(again, lab)
    assert error.mean() < 0.35
    assert np.percentile(error, 95) < 1.0


def test_perceptual_black_is_the_one_of_littlecms() -> None:
    """LittleCMS holds Y 0.0034731 of the reference medium (ICC.1:2010): L* 3.1373 on the straight part of L*."""
    assert lab_to_xyz(np.array(PERCEPTUAL_BLACK_LAB), D50_WHITE)[1] == pytest.approx(0.0034731, abs=1e-6)
