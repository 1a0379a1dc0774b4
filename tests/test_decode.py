"""Reading photos and scans: colour spaces against LittleCMS, orientation, reduction, and bad files."""

from __future__ import annotations

import hashlib
import io
import os
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageOps

from colorcheck.ground.cielab import linear_srgb_to_xyz, linear_to_srgb, srgb_to_linear, xyz_to_lab
from colorcheck.ground.errors import ColorcheckError, FileError, ImageError
from colorcheck.photo.decode import BOTTOM_CLIPPED, TOP_CLIPPED, decode
from colorcheck.photo.picturecolour import colour_model
from colorcheck.photo.pictureheader import Header

# ------------------------------------------------------------------------------------------ files made here


def picture(height: int = 220, width: int = 260, seed: int = 0) -> np.ndarray:
    """A smooth colourful picture, (height, width, 3) uint8, red first, no two corners alike."""
    rng = np.random.default_rng(seed)
    small = rng.integers(8, 247, (6, 7, 3)).astype(np.uint8)
    return cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR)


def saved(array: np.ndarray, kind: str, mode: str | None = None, **options: object) -> bytes:
    image = Image.fromarray(array)
    if mode:
        image = image.convert(mode)
    sink = io.BytesIO()
    image.save(sink, kind, **options)
    return sink.getvalue()


def saved_16(array: np.ndarray, kind: str = ".tif", options: tuple[int, ...] = ()) -> bytes:
    ok, data = cv2.imencode(kind, array[..., ::-1] if array.ndim == 3 else array, options)
    assert ok
    return data.tobytes()


def png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png_with(data: bytes, *chunks: bytes) -> bytes:
    """Put chunks behind the header of a PNG."""
    return data[:33] + b"".join(chunks) + data[33:]


def s15(value: float) -> bytes:
    return struct.pack(">i", round(value * 65536))


def xyz_tag(values) -> bytes:
    return b"XYZ \0\0\0\0" + b"".join(s15(v) for v in values)


def para(kind: int, *numbers: float) -> bytes:
    return b"para\0\0\0\0" + struct.pack(">HH", kind, 0) + b"".join(s15(v) for v in numbers)


def curv(*values: int) -> bytes:
    return b"curv\0\0\0\0" + struct.pack(f">I{len(values)}H", len(values), *values)


def mluc(text: str) -> bytes:
    coded = text.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"GB", len(coded), 28) + coded


def icc(tags: dict[bytes, bytes], *, space=b"RGB ", pcs=b"XYZ ", kind=b"mntr", version=0x04300000) -> bytes:
    """A profile by ISO 15076-1: 128-byte header, tag table, tags on four-byte boundaries."""
    tags = {b"cprt": mluc("no copyright"), b"wtpt": xyz_tag((0.9642, 1.0, 0.8249)), **tags}
    table, body = b"", b""
    for tag, value in tags.items():
        table += tag + struct.pack(">II", 132 + 12 * len(tags) + len(body), len(value))
        body += value + b"\0" * (-len(value) % 4)
    head = struct.pack(">I4sI4s4s4s6H", 0, b"\0" * 4, version, kind, space, pcs, 2026, 1, 1, 0, 0, 0)
    head += b"acsp" + b"\0" * 28 + s15(0.9642) + s15(1.0) + s15(0.8249)
    whole = head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body
    return struct.pack(">I", len(whole)) + whole[4:]


def matrix_profile(name: str, columns, curve: bytes, **options) -> bytes:
    tags = {b"desc": mluc(name)}
    for letter, column in zip((b"r", b"g", b"b"), np.asarray(columns).T, strict=True):
        tags |= {letter + b"XYZ": xyz_tag(column), letter + b"TRC": curve}
    return icc(tags, **options)


# Primaries under D50 by Bradford: Display P3 (as in profiles of that name) and Rec. ITU-R BT.2020. They agree
# with what colour-science computes from the chromaticities to one unit of the last place.
P3_D50 = [[0.51512, 0.29198, 0.15710], [0.24120, 0.69225, 0.06657], [-0.00105, 0.04189, 0.78407]]
WIDE_D50 = [[0.67348, 0.16567, 0.12505], [0.27904, 0.67534, 0.04562], [-0.00193, 0.02998, 0.79685]]
SRGB_CURVE = para(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
SRGB_D50 = [[0.43607, 0.38515, 0.14307], [0.22249, 0.71687, 0.06061], [0.01392, 0.09708, 0.71410]]

CURVES = {
    "gamma by curv": curv(round(2.2 * 256)),
    "identity": curv(),
    "table": curv(*(round(65535 * (i / 255) ** 1.8) for i in range(256))),
    "para 0": para(0, 2.2),
    "para 1": para(1, 2.2, 1 / 1.05, 0.05 / 1.05),
    "para 2": para(2, 2.0, 0.95, 0.02, 0.01),
    "para 3": SRGB_CURVE,
    "para 4": para(4, 2.4, 0.94, 0.06, 0.07, 0.05, 0.005, 0.002),
}


def table_profile(*, inputs: int = 3, space: bytes = b"RGB ", nodes: int = 9) -> bytes:
    """A scanner profile with a lut16 A2B0 table to Lab; or one for CMYK."""
    axis = np.linspace(0, 1, nodes)
    grid = np.stack(np.meshgrid(*[axis] * inputs, indexing="ij"), axis=-1)
    if inputs == 3:
        rgb = srgb_to_linear(grid) @ np.array([[0.8, 0.15, 0.05], [0.1, 0.8, 0.1], [0.05, 0.1, 0.85]]).T
    else:
        rgb = srgb_to_linear((1 - grid[..., :3]) * (1 - grid[..., 3:]))
    lab = xyz_to_lab(linear_srgb_to_xyz(rgb))
    coded = np.rint((lab + np.array([0, 128, 128])) * np.array([652.8, 256, 256])).clip(0, 65535).astype(">u2")
    ramp = struct.pack(">2H", 0, 65535)
    lut = b"mft2\0\0\0\0" + bytes((inputs, 3, nodes, 0)) + b"".join(s15(v) for v in np.eye(3).ravel())
    lut += struct.pack(">HH", 2, 2) + ramp * inputs + coded.tobytes() + ramp * 3
    tags = {b"desc": mluc("Table of a made-up device"), b"A2B0": lut}
    kind = b"scnr" if inputs == 3 else b"prtr"
    return icc(tags, space=space, pcs=b"Lab ", kind=kind, version=0x02400000)


@pytest.fixture
def put(tmp_path):
    """Write bytes to a file and give its path."""

    def write(data: bytes, name: str = "plaque.jpg") -> Path:
        path = tmp_path / name
        path.write_bytes(data)
        return path

    return write


def lcms_codes(array: np.ndarray, profile: bytes, target: object, mode: str) -> np.ndarray:
    out = ImageCms.profileToProfile(
        Image.fromarray(array),
        ImageCms.ImageCmsProfile(io.BytesIO(profile)),
        target,
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        outputMode=mode,
        flags=ImageCms.Flags.NOOPTIMIZE,  # else it resamples into a coarse table first
    )
    return np.asarray(out)


# ------------------------------------------------------------------------------------------ what codes mean


@pytest.mark.parametrize("depth", [8, 16])
def test_codes_become_linear_light_by_the_srgb_curve(put, depth):
    full = 2**depth - 1
    rng = np.random.default_rng(1)
    codes = rng.integers(0, full + 1, (210, 230, 3)).astype(np.uint8 if depth == 8 else np.uint16)
    codes[0, 0], codes[0, 1] = 0, full
    image = decode(put(saved_16(codes, ".png"), "a.png"))
    assert image.rgb.dtype == np.float32
    assert image.rgb.shape == (210, 230, 3)
    np.testing.assert_allclose(image.rgb, srgb_to_linear(codes / full), atol=1e-7, rtol=1e-6)
    np.testing.assert_array_equal(image.rgb[0, :2], [[0, 0, 0], [1, 1, 1]])
    assert image.bit_depth == depth
    assert (image.colour_space, image.scale, image.notes) == ("sRGB assumed", 1.0, ())


@pytest.mark.parametrize("kind", ["BMP", "TIFF", "WEBP", "PNG"])
def test_lossless_kinds_agree(put, kind):
    codes = picture()
    data = saved(codes, kind, **({"lossless": True} if kind == "WEBP" else {}))
    image = decode(put(data, "a." + kind.lower()))
    np.testing.assert_allclose(image.rgb, srgb_to_linear(codes / 255.0), atol=1e-6)


def test_jpeg_agrees_with_pillow(put):
    data = saved(picture(), "JPEG", quality=92)
    ours = linear_to_srgb(decode(put(data)).rgb) * 255
    theirs = np.asarray(Image.open(io.BytesIO(data)))
    np.testing.assert_allclose(ours, theirs, atol=1.01)  # two builds of the same codec


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize("columns", [P3_D50, WIDE_D50, SRGB_D50], ids=["P3", "wide", "sRGB"])
def test_matrix_profile_against_littlecms(put, name, columns):
    profile = matrix_profile("Made for a test", columns, CURVES[name])
    codes = np.concatenate([picture(), np.repeat(np.arange(260) % 256, 3).reshape(1, -1, 3)]).astype(np.uint8)
    image = decode(put(saved(codes, "PNG", icc_profile=profile), "a.png"))
    assert image.colour_space == "Made for a test"
    assert not image.notes
    ours = linear_to_srgb(image.rgb) * 255
    theirs = lcms_codes(codes, profile, ImageCms.createProfile("sRGB"), "RGB")
    inside = ((ours > 0.5) & (ours < 254.5)).all(axis=2)
    assert inside.mean() > 0.1
    assert np.abs(ours - theirs)[inside].max() < 1.1  # half a code of rounding, and that of LittleCMS' tables
    # Y to 16 bits: a grey profile with a straight curve hands it out.
    grey = icc({b"desc": mluc("Y"), b"kTRC": curv()}, space=b"GRAY")
    y = lcms_codes(codes, profile, ImageCms.ImageCmsProfile(io.BytesIO(grey)), "I;16") / 65535.0
    ours_y = linear_srgb_to_xyz(image.rgb)[..., 1]
    np.testing.assert_allclose(ours_y, np.minimum(y, 1), atol=5e-5)


def test_sixteen_bit_file_with_profile_keeps_its_precision(put):
    profile = matrix_profile("Wide", WIDE_D50, para(0, 2.2))
    codes = (picture().astype(np.uint16) << 8) + np.random.default_rng(3).integers(0, 256, (220, 260, 3))
    codes = codes.astype(np.uint16)
    data = png_with(saved_16(codes, ".png"), png_chunk(b"iCCP", b"w\0\0" + zlib.compress(profile)))
    image = decode(put(data, "a.png"))
    xyz = ((codes / 65535.0) ** 2.2) @ np.array(WIDE_D50).T
    np.testing.assert_allclose(linear_srgb_to_xyz(image.rgb)[..., 1], xyz[..., 1], atol=2e-5)
    assert image.rgb.min() < -0.01  # colours outside sRGB go through


def test_wide_gamut_keeps_white_white_and_leaves_srgb(put):
    profile = matrix_profile("Display P3", P3_D50, SRGB_CURVE)
    codes = np.full((200, 200, 3), 255, np.uint8)
    codes[:100] = (0, 255, 0)
    image = decode(put(saved(codes, "JPEG", icc_profile=profile, quality=100, subsampling=0)))
    np.testing.assert_allclose(image.rgb[150, 100], 1.0, atol=2e-4)
    # P3 green in linear sRGB, from the chromaticities: (-0.2249, 1.0421, -0.0786)
    np.testing.assert_allclose(image.rgb[50, 100], [-0.2249, 1.0421, -0.0786], atol=5e-3)


def test_srgb_profile_equals_no_profile(put):
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    codes = picture()
    image = decode(put(saved(codes, "PNG", icc_profile=profile), "a.png"))
    assert "sRGB" in image.colour_space
    np.testing.assert_allclose(image.rgb, srgb_to_linear(codes / 255.0), atol=3e-5)


def test_grey_profile_against_littlecms(put):
    profile = icc({b"desc": mluc("Grey 1.8"), b"kTRC": para(0, 1.8)}, space=b"GRAY")
    codes = np.repeat(np.arange(256, dtype=np.uint8)[None], 200, axis=0)
    image = decode(put(saved(codes, "PNG", icc_profile=profile), "a.png"))
    assert image.colour_space == "Grey 1.8"
    assert image.rgb.shape == (200, 256, 3)
    assert "grey" in " ".join(image.notes)
    np.testing.assert_allclose(image.rgb[0, :, 1], (np.arange(256) / 255) ** 1.8, atol=1e-5)
    theirs = lcms_codes(codes, profile, ImageCms.createProfile("sRGB"), "RGB")
    np.testing.assert_allclose(linear_to_srgb(image.rgb) * 255, theirs, atol=1.0)


def test_table_profile_against_littlecms(put):
    profile = table_profile()
    codes = picture()
    image = decode(put(saved(codes, "PNG", icc_profile=profile), "a.png"))
    assert image.colour_space == "Table of a made-up device"
    lab = lcms_codes(codes, profile, ImageCms.createProfile("LAB", 5000), "LAB")
    lab = np.concatenate([lab[..., :1] / 2.55, lab[..., 1:].view(np.int8)], axis=2)
    error = np.abs(xyz_to_lab(linear_srgb_to_xyz(image.rgb)) - lab)
    assert error[..., 0].max() < 0.5  # its Lab has steps of 0.39 and 1
    assert error[..., 1:].max() < 1.0
    # Y to 16 bits. The table has few nodes, and LittleCMS cuts its cubes into tetrahedra: 0.2 in L* apart.
    grey = icc({b"desc": mluc("Y"), b"kTRC": curv()}, space=b"GRAY")
    y = lcms_codes(codes, profile, ImageCms.ImageCmsProfile(io.BytesIO(grey)), "I;16") / 65535.0
    np.testing.assert_allclose(linear_srgb_to_xyz(image.rgb)[..., 1], y, atol=3e-3)
    white = decode(put(saved(np.full((200, 200, 3), 255, np.uint8), "PNG", icc_profile=profile), "w.png"))
    np.testing.assert_allclose(white.rgb, 1.0, atol=2e-4)


@pytest.mark.parametrize(
    ("profile", "why"),
    [
        (b"not a profile at all" * 20, "damaged"),
        (matrix_profile("x", P3_D50, SRGB_CURVE)[:300], "cut short"),
        (icc({b"desc": mluc("none")}), "lacks the tag"),
        (matrix_profile("x", np.zeros((3, 3)), SRGB_CURVE), "white"),
        (icc({b"desc": mluc("g"), b"kTRC": curv()}, space=b"GRAY"), "not for RGB"),
        (matrix_profile("x", P3_D50, b"what\0\0\0\0" + bytes(8)), "unknown type"),
    ],
    ids=["noise", "short", "no tags", "no primaries", "grey", "odd curve"],
)
def test_unusable_profile_is_named_and_srgb_assumed(put, profile, why):
    codes = picture()
    image = decode(put(saved(codes, "PNG", icc_profile=profile), "a.png"))
    assert image.colour_space == "sRGB assumed"
    assert why in " ".join(image.notes)
    np.testing.assert_allclose(image.rgb, srgb_to_linear(codes / 255.0), atol=1e-6)


@given(st.binary(min_size=0, max_size=400), st.integers(0, 600))
@settings(max_examples=150, deadline=None)
def test_damaged_profiles_never_break_the_reader(noise, at):
    profile = bytearray(matrix_profile("x", P3_D50, SRGB_CURVE))
    profile[at : at + len(noise)] = noise
    head = Header("png", mode="RGB", profile=bytes(profile))
    notes: list[str] = []
    model = colour_model(head, notes)
    assert notes or model.name
    with np.errstate(all="ignore"):
        assert model.lut(256).shape == (256, 3)


def test_png_chunks_say_what_colours_mean(put):
    codes = picture()
    plain = saved(codes, "PNG")
    gamma = decode(put(png_with(plain, png_chunk(b"gAMA", struct.pack(">I", 100_000))), "g.png"))
    np.testing.assert_allclose(gamma.rgb, codes / 255.0, atol=1e-6)
    usual = decode(put(png_with(plain, png_chunk(b"gAMA", struct.pack(">I", 45_455))), "u.png"))
    np.testing.assert_allclose(usual.rgb, srgb_to_linear(codes / 255.0), atol=1e-6)
    coded = decode(put(png_with(plain, png_chunk(b"cICP", bytes((12, 13, 0, 1)))), "c.png"))
    profile = matrix_profile("Display P3", P3_D50, SRGB_CURVE)
    embedded = decode(put(saved(codes, "PNG", icc_profile=profile), "p.png"))
    np.testing.assert_allclose(coded.rgb, embedded.rgb, atol=2e-4)
    chrm = struct.pack(">8I", 31270, 32900, 68000, 32000, 26500, 69000, 15000, 6000)
    by_chrm = decode(put(png_with(plain, png_chunk(b"cHRM", chrm)), "h.png"))
    np.testing.assert_allclose(by_chrm.rgb, coded.rgb, atol=2e-4)


def test_exif_names_the_colour_space(put):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA001] = 1
    assert decode(put(saved(picture(), "JPEG", exif=exif))).colour_space == "sRGB"


# ------------------------------------------------------------------------------------------ channels, pages


def test_opaque_alpha_is_ignored(put):
    codes = np.dstack([picture(), np.full((220, 260), 255, np.uint8)])
    image = decode(put(saved(codes, "PNG"), "a.png"))
    assert "alpha channel ignored" in image.notes[0]
    np.testing.assert_allclose(image.rgb, srgb_to_linear(codes[..., :3] / 255.0), atol=1e-6)


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP"])
def test_transparency_lies_on_white(put, kind):
    codes = np.dstack([picture(), np.full((220, 260), 255, np.uint8)])
    codes[:50, ..., 3] = 0
    codes[50:100, ..., 3] = 128
    codes[:50, :, :3] = 0
    options = {"lossless": True, "exact": True} if kind == "WEBP" else {}
    image = decode(put(saved(codes, kind, **options), "a." + kind.lower()))
    assert "white" in image.notes[0]
    np.testing.assert_array_equal(image.rgb[:50], 1.0)
    assert not image.clipped[:50].any()
    a = 128 / 255
    want = a * srgb_to_linear(codes[50:100, :, :3] / 255.0) + 1 - a
    np.testing.assert_allclose(image.rgb[50:100], want, atol=1e-6)


@pytest.mark.parametrize("associated", [False, True])
def test_sixteen_bit_tiff_alpha(put, associated):
    tifffile = pytest.importorskip("tifffile")
    colour = picture().astype(np.uint16) * 257
    alpha = np.full((220, 260, 1), 32768, np.uint16)
    stored = np.rint(colour * (32768 / 65535)).astype(np.uint16) if associated else colour
    sink = io.BytesIO()
    extra = "assocalpha" if associated else "unassalpha"
    tifffile.imwrite(sink, np.dstack([stored, alpha]), photometric="rgb", extrasamples=[extra])
    image = decode(put(sink.getvalue(), "a.tif"))
    a = 32768 / 65535
    np.testing.assert_allclose(image.rgb, a * srgb_to_linear(colour / 65535) + 1 - a, atol=3e-5)


def test_palette_and_two_level_pictures(put):
    palette = Image.fromarray(picture()).quantize(64)
    sink = io.BytesIO()
    palette.save(sink, "PNG")
    image = decode(put(sink.getvalue(), "p.png"))
    np.testing.assert_allclose(image.rgb, srgb_to_linear(np.asarray(palette.convert("RGB")) / 255.0), atol=1e-6)
    two = decode(put(saved(picture(), "PNG", "1"), "two.png"))
    assert set(np.unique(two.rgb)) == {0.0, 1.0}


@pytest.mark.parametrize("depth", [8, 16])
def test_grey_tiff_where_zero_is_white(put, depth):
    tifffile = pytest.importorskip("tifffile")
    codes = picture()[..., 0].astype(np.uint16) * (1 if depth == 8 else 257)
    codes = codes.astype(np.uint8) if depth == 8 else codes
    sink = io.BytesIO()
    tifffile.imwrite(sink, codes, photometric="miniswhite")
    image = decode(put(sink.getvalue(), "a.tif"))
    np.testing.assert_allclose(image.rgb[..., 2], srgb_to_linear(1 - codes / (2.0**depth - 1)), atol=1e-6)


def test_cmyk_through_its_profile_or_not_at_all(put):
    cmyk = saved(picture(), "JPEG", "CMYK", quality=95)
    with pytest.raises(ImageError, match="CMYK without a colour profile"):
        decode(put(cmyk))
    profile = table_profile(inputs=4, space=b"CMYK", nodes=7)
    image = decode(put(saved(picture(), "TIFF", "CMYK", icc_profile=profile), "c.tif"))
    assert "CMYK converted" in image.notes[0]
    error = np.abs(linear_to_srgb(image.rgb) * 255 - picture())
    assert error.mean() < 4  # Pillow's RGB to CMYK is the plain complement, which the made-up table undoes


@pytest.mark.parametrize("compression", [None, "tiff_lzw", "tiff_adobe_deflate"])
def test_several_pages_use_the_first(put, compression):
    first, second = Image.fromarray(picture()), Image.fromarray(picture(seed=9))
    sink = io.BytesIO()
    first.save(sink, "TIFF", save_all=True, append_images=[second], compression=compression)
    image = decode(put(sink.getvalue(), "two.tif"))
    assert any("the first was used" in note for note in image.notes)
    np.testing.assert_allclose(image.rgb, srgb_to_linear(picture() / 255.0), atol=1e-6)


@pytest.mark.parametrize("kind", ["GIF", "WEBP", "PNG"])
def test_animation_uses_the_first_picture(put, kind):
    first, second = Image.fromarray(picture()), Image.fromarray(picture(seed=9))
    sink = io.BytesIO()
    options = {"lossless": True} if kind == "WEBP" else {}
    first.save(sink, kind, save_all=True, append_images=[second], **options)
    image = decode(put(sink.getvalue(), "a." + kind.lower()))
    assert any("the first was used" in note for note in image.notes)
    assert np.abs(linear_to_srgb(image.rgb) * 255 - picture()).mean() < (12 if kind == "GIF" else 0.01)


@pytest.mark.parametrize("compression", ["none", "lzw", "zlib"])
def test_sixteen_bit_tiff(put, compression):
    number = {"none": 1, "lzw": 5, "zlib": 8}[compression]
    codes = picture().astype(np.uint16) * 257 + 3
    image = decode(put(saved_16(codes, options=(cv2.IMWRITE_TIFF_COMPRESSION, number)), "a.tif"))
    np.testing.assert_allclose(image.rgb, srgb_to_linear(codes / 65535.0), atol=1e-6)
    assert (image.bit_depth, image.kind) == (16, "scan")


# ---------------------------------------------------------------------------------------------- orientation


def upright_by_pillow(codes: np.ndarray, orientation: int) -> np.ndarray:
    image = Image.fromarray(codes)
    image.getexif()[0x0112] = orientation
    return np.asarray(ImageOps.exif_transpose(image))


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_orientation_applied_once(put, kind, orientation):
    codes = picture()
    exif = Image.Exif()
    exif[0x0112] = orientation
    options = {"JPEG": {"quality": 95}, "WEBP": {"lossless": True}}.get(kind, {})
    image = decode(put(saved(codes, kind, exif=exif.tobytes(), **options), "a." + kind.lower()))
    want = upright_by_pillow(codes, orientation)
    assert image.rgb.shape == want.shape
    assert image.original_size == (want.shape[1], want.shape[0])
    assert np.abs(linear_to_srgb(image.rgb) * 255 - want).max() < (12 if kind == "JPEG" else 0.01)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_of_sixteen_bit_tiff(put, orientation):
    tifffile = pytest.importorskip("tifffile")
    codes = picture()
    sink = io.BytesIO()
    tag = [(274, "H", 1, orientation, True)]
    tifffile.imwrite(sink, codes.astype(np.uint16) * 257, photometric="rgb", extratags=tag)
    image = decode(put(sink.getvalue(), "a.tif"))
    want = upright_by_pillow(codes, orientation)
    np.testing.assert_allclose(image.rgb, srgb_to_linear(want / 255.0), atol=1e-6)


def test_nonsense_orientation_is_no_orientation(put):
    exif = Image.Exif()
    exif[0x0112] = 77
    assert decode(put(saved(picture(), "JPEG", exif=exif))).rgb.shape == (220, 260, 3)


# ----------------------------------------------------------------------------------- clipping and reduction


def test_clip_flags(put):
    codes = np.full((200, 200, 3), 128, np.uint8)
    codes[10, 10], codes[20, 20], codes[30, 30], codes[40, 40] = (
        (254, 9, 9),
        (9, 0, 9),
        (253, 1, 1),
        (255, 0, 9),
    )
    clipped = decode(put(saved(codes, "PNG"), "a.png")).clipped
    assert clipped.dtype == np.uint8
    assert clipped[10, 10] == TOP_CLIPPED == 1
    assert clipped[20, 20] == BOTTOM_CLIPPED == 2
    assert clipped[40, 40] == TOP_CLIPPED | BOTTOM_CLIPPED
    assert np.count_nonzero(clipped) == 3
    deep = codes.astype(np.uint16) * 257
    np.testing.assert_array_equal(decode(put(saved_16(deep), "b.tif")).clipped, clipped)


@pytest.mark.parametrize("depth", [8, 16])
def test_large_png_is_averaged_in_linear_light(put, depth):
    rng = np.random.default_rng(2)
    codes = rng.integers(60, 200, (601, 802, 3)).astype(np.uint8)
    codes[301, 400] = 255
    stored = codes if depth == 8 else codes.astype(np.uint16) * 257
    image = decode(put(saved_16(stored, ".png"), "a.png"), max_pixels=60_000)
    assert image.scale == 1 / 3
    assert image.original_size == (802, 601)
    want = srgb_to_linear(codes[:600, :801] / 255.0).reshape(200, 3, 267, 3, 3).mean(axis=(1, 3))
    np.testing.assert_allclose(image.rgb, want, atol=2e-6)
    assert np.argwhere(image.clipped).tolist() == [[100, 133]]
    assert "1/3" in image.notes[-1]


@pytest.mark.parametrize(("limit", "shrink"), [(60_000, 2), (12_500, 4), (3_200, 8), (1_000, 16)])
def test_large_jpeg_is_reduced_while_decoded(put, limit, shrink):
    codes = picture(400, 480)
    codes[:80, :80] = 255
    image = decode(put(saved(codes, "JPEG", quality=95)), max_pixels=limit)
    assert image.scale == 1 / shrink
    assert image.rgb.shape == (400 // shrink, 480 // shrink, 3)
    assert image.rgb.shape[0] * image.rgb.shape[1] <= limit
    n = 80 // shrink
    assert (image.clipped[: n - 1, : n - 1] & TOP_CLIPPED).all()
    assert not image.clipped[n + 1 :, n + 1 :].any()
    inner = image.rgb[n + 2 :, n + 2 :]
    want = srgb_to_linear(codes / 255.0).reshape(400 // shrink, shrink, 480 // shrink, shrink, 3)
    error = np.abs(inner - want.mean(axis=(1, 3))[n + 2 :, n + 2 :])
    assert error.max() < 0.04
    assert error.mean() < 0.005


def test_reduction_and_orientation_together(put):
    exif = Image.Exif()
    exif[0x0112] = 6
    image = decode(put(saved(picture(300, 420), "JPEG", exif=exif)), max_pixels=40_000)
    assert (image.original_size, image.scale) == ((300, 420), 0.5)
    assert image.rgb.shape == (210, 150, 3)


# --------------------------------------------------------------------------------------------- what it says


def test_device_date_exposure_and_digest(put):
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Workshop", "Workshop Pocket 1"
    shot = exif.get_ifd(0x8769)
    shot[0x9003], shot[0x829A], shot[0x829D], shot[0x8827] = "2026:05:04 10:11:12", 1 / 60, 1.8, 64
    data = saved(picture(), "JPEG", exif=exif, dpi=(300, 300))
    image = decode(put(data, "plaque 7.jpg"))
    assert (image.device, image.taken) == ("Workshop Pocket 1", "2026:05:04 10:11:12")
    assert image.exposure == pytest.approx({"exposure_time": 1 / 60, "f_number": 1.8, "iso": 64}, rel=1e-3)
    assert (image.kind, image.source) == ("photo", "plaque 7.jpg")
    assert image.sha256 == hashlib.sha256(data).hexdigest()


def test_scan_is_recognised(put):
    assert decode(put(saved(picture(), "JPEG", dpi=(600, 600)), "a.jpg")).kind == "scan"
    assert decode(put(saved(picture(), "TIFF"), "a.tif")).kind == "scan"
    assert decode(put(saved(picture(), "JPEG"), "b.jpg")).kind == "photo"
    exif = Image.Exif()
    exif[0x0131] = "Flatbed scan utility"
    assert decode(put(saved(picture(), "JPEG", exif=exif), "c.jpg")).kind == "scan"


def test_damaged_exif_stops_nothing(put):
    data = saved(picture(), "JPEG", exif=b"Exif\0\0MM\0*\0\0\0\x08\xff\xff" + b"\xee" * 60)
    assert decode(put(data)).rgb.shape == (220, 260, 3)


def test_nothing_is_printed(put, capfd):
    decode(put(saved(picture(), "JPEG")))
    for cut in (900, 3000):
        with pytest.raises(ImageError):
            decode(put(saved_16(picture().astype(np.uint16) * 257)[:-cut], "a.tif"))
        with pytest.raises(ImageError):
            decode(put(saved(picture(), "PNG")[:-cut], "a.png"))
    damaged = bytearray(saved(picture(), "JPEG"))
    damaged[len(damaged) // 2 : len(damaged) // 2 + 300] = b"\x5a" * 300
    with pytest.raises(ImageError):
        decode(put(bytes(damaged)))
    out, err = capfd.readouterr()
    assert (out, err) == ("", "")


def test_import_stays_light():
    code = (
        "import sys, colorcheck.photo.decode; "
        "print([m for m in ('cv2', 'PIL', 'scipy', 'rawpy', 'pillow_heif') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


# ------------------------------------------------------------------------------------------------ bad files


def refused(path: object, kind: type[ColorcheckError], why: str) -> None:
    with pytest.raises(kind) as caught:
        decode(path)
    line = str(caught.value)
    assert why in line
    assert "\n" not in line
    assert ": " in line, "says what to do"
    assert type(caught.value) is kind


@pytest.mark.parametrize(
    ("name", "data", "why"),
    [
        ("empty.jpg", b"", "is empty"),
        ("note.jpg", "Plaque 12 – bestellt für März\n".encode() * 9, "is text"),
        ("sheet.jpg", b"%PDF-1.7\n\x80\x81", "is a PDF"),
        ("zeros.png", bytes(5000), "zero bytes"),
        ("noise.tif", bytes(range(1, 256)) * 9, "not a picture of a known kind"),
        ("one.png", saved(np.zeros((1, 1, 3), np.uint8), "PNG"), "only 1 × 1 pixels"),
        ("thin.png", saved(np.zeros((199, 900, 3), np.uint8), "PNG"), "only 900 × 199 pixels"),
        ("tag.jpg", b"\xff\xd8\xff\xe0", "cut short"),
        ("lie.raw.png", b"\x89PNG\r\n\x1a\n" + bytes(40), "cut short"),
    ],
)
def test_what_is_no_picture(put, name, data, why):
    refused(put(data, name), ImageError, why)


def bomb(width: int, height: int) -> bytes:
    head = png_chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    body = png_chunk(b"IDAT", zlib.compress(bytes(1000))) + png_chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + head + body


@pytest.mark.parametrize("size", [(11_000, 11_000), (30_000, 30_000), (2**31 - 1, 2**31 - 1)])
def test_decompression_bomb_is_refused_from_the_header(put, size, monkeypatch):
    monkeypatch.setattr(cv2, "imdecode", lambda *_: pytest.fail("pixels were decoded"))
    refused(put(bomb(*size), "bomb.png"), ImageError, "more than 120 megapixels")


def test_bomb_in_a_jpeg_header(put):
    data = bytearray(saved(picture(), "JPEG"))
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", 65_000, 65_000)
    refused(put(bytes(data)), ImageError, "more than 120 megapixels")


def test_header_that_promises_more_than_there_is(put):
    data = bytearray(saved(picture(), "JPEG"))
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 7] = struct.pack(">H", 900)
    refused(put(bytes(data)), ImageError, "cut short or damaged")


def test_text_bomb_in_a_png(put):
    text = png_chunk(b"zTXt", b"k\0\0" + zlib.compress(bytes(80_000_000), 9))
    refused(put(png_with(saved(picture(), "PNG"), text), "a.png"), ImageError, "damaged")


def test_unusual_tiffs(put):
    tifffile = pytest.importorskip("tifffile")
    codes = picture()

    def tiff(array, **options):
        sink = io.BytesIO()
        tifffile.imwrite(sink, array, **options)
        return put(sink.getvalue(), "a.tif")

    refused(tiff(codes.astype(np.float32), photometric="rgb"), ImageError, "32-bit numbers")
    refused(tiff(codes.astype(np.uint32), photometric="rgb"), ImageError, "32-bit numbers")
    refused(tiff(codes[..., 0] > 99, photometric="minisblack"), ImageError, "1 bit per channel")
    planes = np.moveaxis(codes.astype(np.uint16), 2, 0).copy()
    refused(tiff(planes, photometric="rgb", planarconfig="separate"), ImageError, "separate planes")


WHOLE = {
    "a.jpg": saved(picture(), "JPEG"),
    "progressive.jpg": saved(picture(), "JPEG", progressive=True),
    "restart.jpg": saved_16(picture(), ".jpg", (cv2.IMWRITE_JPEG_RST_INTERVAL, 5)),
    "a.png": saved(picture(), "PNG"),
    "deep.png": saved_16(picture().astype(np.uint16) * 257, ".png"),
    "a.webp": saved(picture(), "WEBP"),
    "a.bmp": saved(picture(), "BMP"),
    "plain.tif": saved(picture(), "TIFF"),
    "lzw.tif": saved(picture(), "TIFF", compression="tiff_lzw"),
    "deflate.tif": saved(picture(), "TIFF", compression="tiff_adobe_deflate"),
    "deep.tif": saved_16(picture().astype(np.uint16) * 257),
}


@pytest.mark.parametrize("name", WHOLE)
def test_cut_short_anywhere_is_refused(put, name):
    data = WHOLE[name]
    assert decode(put(data, name)).rgb.shape == (220, 260, 3)
    for cut in sorted({*np.linspace(12, len(data) - 1, 24).astype(int).tolist(), len(data) - 2, len(data) - 3}):
        refused(put(data[:cut], name), ImageError, "cut short or damaged")


@pytest.mark.parametrize("name", ["a.jpg", "progressive.jpg", "restart.jpg"])
def test_cut_jpeg_with_an_end_marker_sewn_on_is_refused(put, name):
    data = WHOLE[name]
    for cut in np.linspace(len(data) * 0.4, len(data) * 0.95, 8).astype(int):
        refused(put(data[:cut].rstrip(b"\xff") + b"\xff\xd9", name), ImageError, "cut short or damaged")


@given(st.sampled_from(sorted(WHOLE)), st.data())
@settings(max_examples=60, deadline=None)
def test_damage_never_ends_in_a_traceback(tmp_path_factory, name, data):
    stored = bytearray(WHOLE[name])
    for _ in range(data.draw(st.integers(1, 4))):
        stored[data.draw(st.integers(0, min(len(stored), 900) - 1))] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.getbasetemp() / f"damaged-{name}"
    path.write_bytes(stored)
    try:
        image = decode(path)
    except ColorcheckError as error:
        line = str(error)
    else:
        line = "" if np.isfinite(image.rgb).all() else "not finite\n"
    assert "\n" not in line


def test_a_damaged_second_page_does_no_harm(put):
    """Pillow raises errors of many kinds when it follows a wrong offset to a next page."""
    data = bytearray(WHOLE["plain.tif"])
    at = int.from_bytes(data[4:8], "little")
    count = int.from_bytes(data[at : at + 2], "little")
    for wrong in (8, at + 4, len(data) - 10, 3):
        data[at + 2 + 12 * count : at + 6 + 12 * count] = wrong.to_bytes(4, "little")
        try:
            told = f"{decode(put(bytes(data), 'a.tif')).rgb.shape[2]} channels"
        except ColorcheckError as error:
            told = str(error)
        assert told == "3 channels" or "damaged" in told


def test_what_phones_append_is_left_alone(put):
    data = saved(picture(), "JPEG")
    for tail in (b"\0\0\0\x18ftypmp42" + bytes(3000), data[: len(data) // 2], bytes(64)):
        image = decode(put(data + tail))
        assert np.abs(linear_to_srgb(image.rgb) * 255 - picture()).mean() < 3


def test_missing_folder_pipe_and_device(tmp_path):
    refused(tmp_path / "nowhere" / "a.jpg", FileError, "there is no file")
    refused(tmp_path, FileError, "is a folder")
    refused(str(tmp_path / "a\0b.jpg"), FileError, "cannot be read")
    refused(tmp_path / ("x" * 400 + ".jpg"), FileError, "cannot be read")
    pipe = tmp_path / "pipe.jpg"
    os.mkfifo(pipe)
    refused(pipe, FileError, "no ordinary file")
    refused("/dev/zero", FileError, "no ordinary file")


@pytest.mark.parametrize(("error", "why"), [(PermissionError(13, "denied"), "denied"), (OSError(5, "I/O"), "I/O")])
def test_file_that_may_not_be_read(put, monkeypatch, error, why):
    path = put(saved(picture(), "JPEG"))

    def fail(*_):
        raise error

    monkeypatch.setattr(os, "open", fail)
    refused(path, FileError, why)


# --------------------------------------------------------------------------------------------------- extras


def test_missing_extras_say_what_to_install(put, monkeypatch):
    monkeypatch.setitem(sys.modules, "rawpy", None)
    refused(put(b"II*\0" + bytes(60), "a.dng"), ImageError, "colorcheck[raw]")


@pytest.mark.parametrize("orientation", [1, 6])
def test_heic(put, orientation):
    import pillow_heif

    profile = matrix_profile("Display P3", P3_D50, SRGB_CURVE)
    source = Image.fromarray(picture())
    source.info["icc_profile"] = profile
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = orientation, "Workshop"
    sink = io.BytesIO()
    pillow_heif.from_pillow(source).save(sink, quality=100, chroma=444, exif=exif.tobytes())
    image = decode(put(sink.getvalue(), "a.heic"))
    want = upright_by_pillow(picture(), orientation)
    assert image.rgb.shape == want.shape
    assert (image.colour_space, image.device) == ("P3 primaries with D65", "Workshop")
    plain = decode(put(saved(want, "PNG", icc_profile=profile), "a.png"))
    assert np.abs(linear_to_srgb(image.rgb) - linear_to_srgb(plain.rgb)).mean() * 255 < 2
    refused(put(sink.getvalue()[:-500], "a.heic"), ImageError, "cut short")


def test_raw_of_flat_grey(put):
    """A DNG of a made-up camera whose sensor sees linear sRGB: grey comes out grey and linear."""
    pytest.importorskip("rawpy")
    tifffile = pytest.importorskip("tifffile")
    xyz_to_camera = np.linalg.inv([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    mosaic = np.full((300, 400), 16_000, np.uint16)
    mosaic[:, 200:] = 8_000

    def rationals(values):
        return [int(v) for x in values for v in (round(x * 10_000), 10_000)]

    tags = [
        (50706, "B", 4, (1, 4, 0, 0), True),
        (50708, "s", 0, "Workshop Pocket 1", True),
        (33421, "H", 2, (2, 2), True),
        (33422, "B", 4, (0, 1, 1, 2), True),
        (50721, "2i", 9, rationals(xyz_to_camera.ravel()), True),
        (50728, "2I", 3, rationals((1, 1, 1)), True),
        (50778, "H", 1, 21, True),
        (50714, "H", 1, 0, True),
        (50717, "H", 1, 65_535, True),
        (271, "s", 0, "Workshop", True),
        (272, "s", 0, "Pocket 1", True),
    ]
    sink = io.BytesIO()
    tifffile.imwrite(sink, mosaic, photometric=32803, extratags=tags, metadata=None)
    image = decode(put(sink.getvalue(), "a.dng"))
    left, right = image.rgb[50:250, 30:170].mean(axis=(0, 1)), image.rgb[50:250, 230:370].mean(axis=(0, 1))
    assert image.bit_depth == 16
    np.testing.assert_allclose(left / left[1], 1.0, atol=0.02)
    np.testing.assert_allclose(left / right, 2.0, rtol=0.01)
    np.testing.assert_allclose(left[1], 16_000 / 65_535, rtol=0.05)
    assert image.device == "Workshop Pocket 1"
    half = decode(put(sink.getvalue(), "a.dng"), max_pixels=60_000)
    assert (half.scale, half.rgb.shape, half.original_size) == (0.5, (150, 200, 3), (400, 300))
    for cut in (20_000, 150_000, len(sink.getvalue()) - 100):
        refused(put(sink.getvalue()[:cut], "a.dng"), ImageError, "cut short")


# --------------------------------------------------------------------------------------------------- budget


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory is read from /proc")
def test_memory_for_twelve_megapixels(put):
    small = cv2.resize(picture(150, 200), (4000, 3000))
    path = put(saved_16(small, ".jpg"))
    # VmHWM starts anew with the program; ru_maxrss would count what the test process held when it forked
    code = (
        "import re, sys; from colorcheck.photo.decode import decode; image = decode(sys.argv[1]); "
        "print(image.rgb.shape[0], int(re.search(r'VmHWM:\\s+(\\d+)', open('/proc/self/status').read())[1]) // 1024)"
    )
    out = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=True)
    rows, megabytes = map(int, out.stdout.split())
    assert rows == 3000
    assert megabytes < 350
