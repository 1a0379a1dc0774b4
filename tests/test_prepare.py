"""Artwork made ready to print: size, mirror, colours against LittleCMS, what the substrate cannot reach, curves."""

from __future__ import annotations

import contextlib
import dataclasses
import io
import json
import re
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms
from pypdf import PdfReader
from skimage.color import deltaE_ciede2000

from colorcheck.__main__ import main
from colorcheck.colour.cms import PrinterProfile, load_printer_profile, picture_lab, printed_lab, printer_profile
from colorcheck.colour.icc import pcs_grid, profile_bytes
from colorcheck.colour.tonecorrect import (
    LabOf,
    aim_lab,
    apply_curves,
    blackest,
    load_curves,
    neutral_curves,
    save_curves,
)
from colorcheck.flows.prepare import Prepared, prepare
from colorcheck.flows.requests import PrepareRequest
from colorcheck.ground.cielab import D50_WHITE, delta_e00, lab_to_xyz, xyz_to_lab
from colorcheck.ground.errors import DataError, ImageError, UsageError
from colorcheck.show import answers as words
from colorcheck.show.proof import proof_picture
from colorcheck.show.say import say

from .test_icc import BLACK_XYZ, COAT_XYZ, invented_tables, printer_lab, profile

MM = 25.4
SIZE, DPI = (60.96, 50.8), 125  # 300 × 250 pixels, exactly
PIXELS = (300, 250)


@pytest.fixture(scope="module")
def board() -> PrinterProfile:
    return printer_profile(profile(4), name="board.icc")


def picture(size: tuple[int, int] = PIXELS, seed: int = 3) -> Image.Image:
    """Colours of every kind in smooth patches, with a red mark at the top left so that sides can be told."""
    rng = np.random.default_rng(seed)
    small = Image.fromarray(rng.integers(0, 256, (8, 9, 3), dtype=np.uint8))
    out = small.resize(size, Image.Resampling.BICUBIC)
    out.paste((200, 0, 0), (0, 0, size[0] // 6, size[1] // 6))
    return out


def saved(folder: Path, image: Image.Image, name: str = "art.png", **options: Any) -> Path:
    path = folder / name
    image.save(path, **options)
    return path


def made(path: Path, board: PrinterProfile, **options: Any) -> Prepared:
    (path.parent / "board.icc").write_bytes(board.data)
    asked = {"size_mm": SIZE, "profile": str(path.parent / "board.icc"), "dpi": DPI, "bleed_mm": 0.0, **options}
    return prepare(PrepareRequest(artwork=str(path), **asked))


# ---------------------------------------------------------------- size and mirror


@pytest.mark.parametrize("suffix", ["png", "tiff", "pdf"])
@pytest.mark.parametrize(("border", "view"), [(0.0, "front"), (13.0, "through")])
def test_file_has_its_true_size(tmp_path: Path, suffix: str, border: float, view: str) -> None:
    (tmp_path / "board.icc").write_bytes(profile(2))
    art, out = saved(tmp_path, picture((600, 500))), tmp_path / f"print.{suffix}"
    words_ = ["prepare", str(art), "--profile", str(tmp_path / "board.icc"), "--size", "60x50mm", "--view", view]
    words_ += ["--dpi", "144", "--border", f"{border:g}mm", "--out", str(out), "--quiet", "--json", str(tmp_path / "j")]
    assert main(words_) == 0
    sheet = (60 + 6 + 2 * border, 50 + 6 + 2 * border)
    if suffix == "pdf":
        page = PdfReader(out).pages[0]

        def mm(box: Any) -> list[float]:
            return [float(v) * MM / 72 for v in box]

        edge = border + 3
        assert mm(page.mediabox) == pytest.approx([0, 0, *sheet], abs=0.01)
        assert mm(page.trimbox) == pytest.approx([edge, edge, edge + 60, edge + 50], abs=0.01)
        assert mm(page.bleedbox) == pytest.approx([border, border, border + 66, border + 56], abs=0.01)
        image = page.images[0].image
        assert image is not None
    else:
        with Image.open(out) as image:
            image.load()
        assert image.info["dpi"] == pytest.approx((144, 144), abs=0.01)
        assert "icc_profile" not in image.info
    assert image.mode == "RGB"
    assert [n / 144 * MM for n in image.size] == pytest.approx(sheet, abs=MM / 144 / 2)
    told = json.loads((tmp_path / "j").read_text(encoding="utf-8"))
    assert told["sheet_mm"] == pytest.approx(sheet)
    assert told["pixels"] == list(image.size)
    assert told["mirrored"] == (view == "front")
    if border:  # white paper round the print
        pixels = np.asarray(image)
        rim = int(border / MM * 144) - 1
        assert (pixels[:rim] == 255).all()
        assert (pixels[:, -rim:] == 255).all()


def test_looked_at_from_the_front_is_mirrored_and_through_the_glass_is_not(
    tmp_path: Path, board: PrinterProfile
) -> None:
    art = saved(tmp_path, picture())
    front, through = (made(art, board, view=v) for v in ("front", "through"))
    assert front.mirrored
    assert not through.mirrored
    assert np.array_equal(front.picture[:, ::-1], through.picture)
    mark = through.picture[10, 10].astype(int)
    assert mark[0] - mark[1] > 80  # the red corner stays at the left
    assert np.array_equal(front.original, through.original)  # both shown as the owner sees the piece
    assert np.array_equal(front.proof, through.proof)  # type: ignore[arg-type]
    assert "mirrored already" in words.prepare_why(front)
    assert "not mirrored" in words.prepare_why(through)


# ---------------------------------------------------------------- colours


def wide_profile() -> bytes:
    """A matrix profile wider than sRGB: that of LittleCMS with the primaries of Display P3 (D50, SMPTE EG 432-1)."""
    data = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    columns = {b"rXYZ": (0.5151, 0.2412, -0.0011), b"gXYZ": (0.2920, 0.6922, 0.0419), b"bXYZ": (0.1571, 0.0666, 0.7841)}
    for i in range(int.from_bytes(data[128:132], "big")):
        name, at, _ = struct.unpack_from(">4sII", data, 132 + 12 * i)
        if name in columns:
            struct.pack_into(">3i", data, at + 8, *(round(v * 65536) for v in columns[name]))
    return bytes(data)


def by_littlecms(image: Image.Image, source: bytes | None, intent: int) -> Any:
    start = ImageCms.createProfile("sRGB") if source is None else ImageCms.ImageCmsProfile(io.BytesIO(source))
    transform = ImageCms.buildTransform(
        start,
        ImageCms.ImageCmsProfile(io.BytesIO(profile(4))),
        "RGB",
        "RGB",
        renderingIntent=ImageCms.Intent(intent),
        flags=0x2000 | 0x0100,
    )
    return np.asarray(ImageCms.applyTransform(image, transform))


@pytest.mark.parametrize("embedded", [False, True])
@pytest.mark.parametrize(("intent", "number"), [("perceptual", 0), ("relative", 1), ("saturation", 2)])
def test_colours_are_those_of_littlecms(
    tmp_path: Path, board: PrinterProfile, embedded: bool, intent: str, number: int
) -> None:
    source = wide_profile() if embedded else None
    art = saved(tmp_path, picture(), **({"icc_profile": source} if source else {}))
    result = made(art, board, view="through", intent=intent)
    assert result.picture.shape == (250, 300, 3)
    assert np.array_equal(result.picture, by_littlecms(picture(), source, number))
    assert result.assumed != embedded
    assert any("taken as sRGB" in w for w in words.prepare_warnings(result)) != embedded


def test_photo_of_a_phone_keeps_its_wide_colours(tmp_path: Path, board: PrinterProfile) -> None:
    pillow_heif = pytest.importorskip("pillow_heif")
    heif = pillow_heif.from_pillow(picture())
    heif.save(tmp_path / "art.heic", quality=-1, chroma=444, matrix_coefficients=0, icc_profile=wide_profile())
    result = made(tmp_path / "art.heic", board, view="through")
    want = by_littlecms(picture(), wide_profile(), 1)
    assert np.abs(result.picture.astype(int) - want).mean() < 1.0
    assert not result.assumed


def test_embedded_profile_is_not_ignored(tmp_path: Path, board: PrinterProfile) -> None:
    plain, wide = (
        made(saved(tmp_path, picture(), f"{k}.png", **o), board)
        for k, o in (("plain", {}), ("wide", {"icc_profile": wide_profile()}))
    )
    assert np.abs(plain.picture.astype(int) - wide.picture).mean() > 3
    broken = made(saved(tmp_path, picture(), "broken.png", icc_profile=b"no profile at all" * 20), board)
    assert np.array_equal(broken.picture, plain.picture)
    assert any("cannot be used" in w for w in words.prepare_warnings(broken))


def test_white_paper_stays_white_and_black_is_the_deepest(tmp_path: Path, board: PrinterProfile) -> None:
    image = Image.new("RGB", PIXELS, "white")
    image.paste((0, 0, 0), (100, 100, 200, 200))
    result = made(saved(tmp_path, image), board)
    assert (result.picture[:90] == 255).all()
    assert result.picture[150, 150].max() <= 8
    assert result.reach is not None
    assert result.reach.black_lab[0] == pytest.approx(12, abs=1)  # L* of the invented printer's black
    assert result.reach.asks_black
    assert result.reach.share == 0


def test_sixteen_bits_grey_palette_and_turned_files_come_out_alike(tmp_path: Path, board: PrinterProfile) -> None:
    import cv2

    image = picture()
    codes = np.asarray(image)
    same = made(saved(tmp_path, image), board, view="through").picture.astype(int)
    cv2.imwrite(str(tmp_path / "deep.tif"), codes[..., ::-1].astype(np.uint16) * 257)
    deep = made(tmp_path / "deep.tif", board, view="through").picture
    assert np.abs(deep - same).mean() < 0.5
    exif = Image.Exif()
    exif[0x0112] = 6  # stored a quarter turned
    turned = saved(tmp_path, image.rotate(90, expand=True), "turned.png", exif=exif)
    assert np.array_equal(made(turned, board, view="through").picture, same)
    grey = made(saved(tmp_path, image.convert("L"), "grey.png"), board, view="through").picture
    assert np.array_equal(grey, by_littlecms(image.convert("L").convert("RGB"), None, 1))
    few = made(saved(tmp_path, image.quantize(20), "few.png"), board, view="through").picture
    assert np.array_equal(few, by_littlecms(image.quantize(20).convert("RGB"), None, 1))


def test_transparent_parts_become_bare_paper(tmp_path: Path, board: PrinterProfile) -> None:
    image = picture().convert("RGBA")
    alpha = np.full(PIXELS[::-1], 255, np.uint8)
    alpha[:, :150], alpha[:, 150:180] = 0, 128
    image.putalpha(Image.fromarray(alpha))
    result = made(saved(tmp_path, image), board, view="through")
    assert (result.picture[:, :150] == 255).all()
    half = Image.fromarray(np.rint((np.asarray(picture()) * 128.0 + 255 * 127) / 255).astype(np.uint8))
    assert np.abs(result.picture.astype(int) - by_littlecms(half, None, 1))[:, 150:180].max() <= 3
    assert any("laid on white" in w for w in words.prepare_warnings(result))


# ---------------------------------------------------------------- round, bleed, resolution


def test_round_piece_prints_its_circle_and_bleed_only(tmp_path: Path, board: PrinterProfile) -> None:
    art = saved(tmp_path, picture((300, 300)))
    result = made(art, board, size_mm=(50.0, 50.0), shape="round", bleed_mm=3.0)
    side = result.picture.shape[0]
    assert result.picture.shape == (side, side, 3)
    y, x = np.mgrid[0:side, 0:side]
    far = np.hypot(x + 0.5 - side / 2, y + 0.5 - side / 2) / side * 56.0
    assert (result.picture[far > 28.15] == 255).all()
    assert ((result.picture == 255).all(axis=-1))[far < 27.9].mean() < 0.01
    assert result.reach is not None
    known = np.isfinite(result.reach.delta_e00)
    assert known.mean() == pytest.approx(np.pi / 4, abs=0.01)
    corner = proof_picture(result)
    assert corner.shape[2] == 3


def test_missing_bleed_is_the_mirrored_rim_and_known_bleed_is_used(tmp_path: Path, board: PrinterProfile) -> None:
    art = saved(tmp_path, picture())
    bare = made(art, board, view="through")
    result = made(art, board, view="through", bleed_mm=2.032, art_bleed_mm=0.0)  # 10 pixels
    assert result.filled_mm == pytest.approx(2.032)
    assert result.picture.shape == (270, 320, 3)
    assert np.array_equal(result.picture[10:-10, 10:-10], bare.picture)
    assert np.array_equal(result.picture[10:-10, :10], bare.picture[:, :10][:, ::-1])
    assert any("mirrored edge" in w for w in words.prepare_warnings(result))
    assert np.array_equal(result.original, bare.original)
    # a picture that has the bleed in it: nothing is made up, and without bleed it is cut off
    large = saved(tmp_path, picture((320, 270)), "large.png", dpi=(DPI, DPI))
    whole = made(large, board, view="through", bleed_mm=2.032)
    assert whole.art_bleed_mm == pytest.approx(2.032, abs=0.01)
    assert whole.filled_mm == pytest.approx(0, abs=0.01)
    inner = made(large, board, view="through", art_bleed_mm=2.032)
    want = by_littlecms(picture((320, 270)), None, 1)
    assert np.abs(whole.picture.astype(int) - want).mean() < 1
    assert np.abs(inner.picture.astype(int) - want[10:-10, 10:-10]).mean() < 1


def test_picture_of_nearly_the_right_proportions_is_cut_not_stretched(tmp_path: Path, board: PrinterProfile) -> None:
    result = made(saved(tmp_path, picture((304, 250))), board, view="through")
    assert result.cropped == pytest.approx(1 - 300 / 304, abs=1e-6)
    want = by_littlecms(picture((304, 250)), None, 1)[:, 2:-2]
    assert np.array_equal(result.picture, want)


@pytest.mark.parametrize(("side", "soft"), [(250, True), (390, True), (410, False)])
def test_coarse_pictures_are_told(tmp_path: Path, board: PrinterProfile, side: int, soft: bool) -> None:
    art = saved(tmp_path, picture((side, side)))
    result = made(art, board, size_mm=(50.8, 50.8))
    assert result.ppi == pytest.approx(side / 2)
    assert any("looks soft" in w for w in words.prepare_warnings(result)) == soft
    assert ("soft" in words.prepare_headline(result)) == soft
    with pytest.raises(UsageError, match="pixels per inch"):
        made(art, board, size_mm=(400.0, 400.0), dpi=72)


# ---------------------------------------------------------------- what cannot be reached, proof


def test_map_shows_where_the_substrate_cannot_follow(tmp_path: Path, board: PrinterProfile) -> None:
    image = Image.new("RGB", PIXELS, (140, 120, 110))  # printable
    image.paste((0, 255, 0), (150, 0, 300, 250))  # far outside
    result = made(saved(tmp_path, image), board, view="through")
    reach = result.reach
    assert reach is not None
    half = reach.delta_e00.shape[1] // 2
    left, right = reach.delta_e00[:, : half - 3], reach.delta_e00[:, half + 3 :]
    assert left.max() < 0.7
    assert reach.share == pytest.approx(0.5, abs=0.01)
    # the same by other means: sRGB green in XYZ under D50 (as published), scaled to the printer's black by hand,
    # the printer's own formula for the codes in the file, and scikit-image's CIEDE2000
    green = np.array([0.3851, 0.7169, 0.0971])
    black = lab_to_xyz(np.array([float(reach.black_lab[0]), 0, 0]))
    aim = xyz_to_lab(black + green * (D50_WHITE - black) / D50_WHITE)
    comes = printer_lab(result.picture[125, 225])
    assert float(np.median(right)) == pytest.approx(float(deltaE_ciede2000(aim, comes)), abs=0.3)
    assert reach.worst[0].share == pytest.approx(0.5, abs=0.01)
    assert reach.worst[0].due_lab == pytest.approx(aim, abs=0.3)
    assert reach.worst[0].printed_lab == pytest.approx(comes, abs=0.3)
    assert "50 % of the piece is in colours that this coat cannot show" in words.prepare_why(result)
    assert "green" in words.prepare_why(result)


def test_proof_shows_the_print_and_the_tint_of_the_coat_if_asked(tmp_path: Path, board: PrinterProfile) -> None:
    image = picture()
    image.paste((255, 255, 255), (250, 0, 300, 50))
    art = saved(tmp_path, image)
    plain, tinted = (made(art, board, view="through", coat_tint=t) for t in (False, True))
    assert np.array_equal(plain.original, np.asarray(image))
    assert plain.proof is not None
    assert tinted.proof is not None
    assert (plain.proof[10:40, 260:290] == 255).all()
    coat = tinted.proof[25, 275].astype(int)
    assert coat.max() < 250
    assert coat[0] > coat[2]  # the invented coat is yellowish: Z/Y below that of D50
    assert COAT_XYZ[2] / COAT_XYZ[1] < 0.8252
    shown = ImageCms.profileToProfile(
        Image.fromarray(plain.picture),
        ImageCms.ImageCmsProfile(io.BytesIO(profile(4))),
        ImageCms.createProfile("sRGB"),
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        outputMode="RGB",
    )
    assert np.abs(plain.proof.astype(int) - np.asarray(shown)).mean() < 1


def test_unknown_tint_of_the_coat_is_said(tmp_path: Path, board: PrinterProfile) -> None:
    unknown = profile_bytes(invented_tables(white_xyz=np.array([0.9642, 1.0, 0.8249])))
    art = saved(tmp_path, picture())
    told = [
        any(
            "does not know the true colour of the coat" in w
            for w in words.prepare_warnings(made(art, b, coat_tint=True))
        )
        for b in (board, printer_profile(unknown, name="unknown.icc"))
    ]
    assert told == [False, True]


def test_connection_space_is_read_in_sixteen_bits(board: PrinterProfile) -> None:
    rgb = np.random.default_rng(2).integers(0, 256, (400, 3)).astype(np.uint8)
    assert np.abs(printed_lab(board, rgb) - printer_lab(rgb)).max() < 0.25  # interpolation on 17 nodes
    between = np.clip(rgb + np.random.default_rng(3).uniform(0, 1, rgb.shape), 0, 255)
    assert np.abs(printed_lab(board, between) - printer_lab(between)).max() < 0.25
    assert printed_lab(board, np.array([[255, 255, 255]], np.uint8))[0] == pytest.approx([100, 0, 0], abs=0.002)
    lab = picture_lab(rgb[None], None)[0]
    eight = ImageCms.buildTransform(ImageCms.createProfile("sRGB"), ImageCms.createProfile("LAB"), "RGB", "LAB", 1)
    coarse = np.asarray(ImageCms.applyTransform(Image.fromarray(rgb[None]), eight))[0]
    assert np.abs(lab[:, 0] - coarse[:, 0] / 2.55).max() < 0.3
    assert np.abs(lab[:, 1:] - coarse[:, 1:].astype(np.int8)).max() < 0.8


# ---------------------------------------------------------------- curves


def tinted_printer(rgb: Any, powers: tuple[float, float, float] = (1.3, 1.7, 1.5)) -> Any:
    """Another invented printer: dark, with a cast along its greys and a brownish black."""
    v = np.asarray(rgb, float) / 255.0
    light = np.stack([v[..., c] ** p for c, p in enumerate(powers)], axis=-1)
    xyz = (0.02 + 0.98 * light) @ np.array([[0.41, 0.21, 0.02], [0.36, 0.70, 0.12], [0.19, 0.09, 0.86]])
    white = np.array([0.96, 1.0, 1.0])
    return xyz_to_lab((xyz + [0.003, 0.001, 0.0]) / (white + [0.003, 0.001, 0.0]) * D50_WHITE)


def curve_errors(lab_of: LabOf, curves: Any, srgb: Any) -> Any:
    """ΔE00 (n,) of whole sRGB codes (n, 3) printed through curves, or as they are, from their aim."""
    codes = np.asarray(srgb).astype(np.intp)
    device = codes.astype(float) if curves is None else np.stack([curves[codes[:, c], c] for c in range(3)], axis=-1)
    return delta_e00(lab_of(device), aim_lab(codes, blackest(lab_of)[1]))


@settings(max_examples=8, deadline=None)
@given(st.tuples(*[st.floats(0.9, 2.6)] * 3))
def test_curves_bring_the_greys_of_any_printer_to_their_aim(powers: tuple[float, float, float]) -> None:
    def lab(rgb: Any) -> Any:
        return tinted_printer(rgb, powers)

    greys = np.repeat(np.arange(256)[:, None], 3, axis=1)
    tone, grey = (neutral_curves(lab, step=s) for s in ("tone", "grey"))
    for curves in (tone, grey):
        assert curves.shape == (256, 3)
        assert np.all(np.diff(curves, axis=0) >= 0)
        assert np.all(curves[-1] == 255)
        assert np.all(curves[0] == 0)
    assert np.all(tone == tone[:, :1])
    aim = aim_lab(greys, tinted_printer(np.zeros(3), powers))
    assert np.abs(lab(tone)[:, 0] - aim[:, 0])[4:].max() < 0.5  # lightness right, tint left
    before, after = (curve_errors(lab, c, greys) for c in (None, grey))
    assert after.mean() < 0.2
    assert after.max() < 2.0  # between the nodes next to black, where sRGB is steepest
    assert after.mean() <= before.mean() + 0.05


def test_aim_is_relative_to_white_and_black() -> None:
    black = np.array([18.0, 1.0, 2.0])
    aim = aim_lab([[255, 255, 255], [0, 0, 0], [119, 119, 119]], black)
    assert aim[0] == pytest.approx([100, 0, 0], abs=0.02)
    assert aim[1] == pytest.approx(black, abs=1e-6)
    # sRGB 119 is Y 0.1845 (IEC 61966-2-1); scaled by hand
    y_black = ((18 + 16) / 116) ** 3
    y = y_black + 0.1845 * (1 - y_black)
    assert aim[2, 0] == pytest.approx(116 * y ** (1 / 3) - 16, abs=0.05)


def test_ink_that_only_turns_the_tone_over_is_not_laid() -> None:
    def lab(rgb: Any) -> Any:  # lightest at 255, darkest at code 40, paler again below
        v = np.asarray(rgb, float).mean(axis=-1)
        lightness = np.where(v >= 40, 20 + 80 * (v - 40) / 215, 20 + (40 - v) / 8)
        return np.stack([lightness, 0 * v, 0 * v], axis=-1)

    curves = neutral_curves(lab, step="tone")
    assert curves[0] == pytest.approx([40, 40, 40])
    assert np.all(np.diff(curves, axis=0) >= 0)


def test_curves_survive_the_file_and_bad_files_are_refused(tmp_path: Path) -> None:
    curves = neutral_curves(tinted_printer)
    path = tmp_path / "curves.json"
    save_curves(path, curves, name="plaques", step="grey")
    again, name, step = load_curves(path)
    assert np.abs(again - curves).max() <= 0.0005
    assert (name, step) == ("plaques", "grey")
    good = json.loads(path.read_text(encoding="utf-8"))
    for change, why in (
        ({"schema": "other"}, "is not a file of curves"),
        ({"curves": [1, 2]}, "is a damaged file of curves"),
        ({"curves": {**good["curves"], "g": [1.0] * 255}}, "'curves.g'"),
        ({"curves": {**good["curves"], "b": ["x"] * 256}}, r"'curves.b\[0\]'|'curves.b'"),
        ({"curves": {**good["curves"], "r": good["curves"]["r"][::-1]}}, "falls"),
    ):
        path.write_text(json.dumps({**good, **change}), encoding="utf-8")
        with pytest.raises(DataError, match=why):
            load_curves(path)


@pytest.fixture(scope="module")
def tinted_board() -> PrinterProfile:
    return printer_profile(profile_of(tinted_printer), name="tinted.icc")


def test_each_step_of_correction_gains(tmp_path: Path, tinted_board: PrinterProfile) -> None:
    result = made(saved(tmp_path, picture()), tinted_board)
    e = result.expected
    assert e["none"] > e["tone"] > e["grey"] > e["full"]
    small = np.asarray(picture().resize((60, 50)))
    direct = curve_errors(tinted_printer, neutral_curves(tinted_printer), small.reshape(-1, 3))
    assert e["grey"] == pytest.approx(float(direct.mean()), abs=0.4)
    curved = made(saved(tmp_path, picture()), tinted_board, correction="grey", view="through")
    assert curved.curves is not None
    assert np.array_equal(curved.picture, apply_curves(np.asarray(picture()), curved.curves))
    assert np.abs(curved.curves - neutral_curves(tinted_printer)).max() < 3.0  # 17 nodes against the formula
    assert any("the whole profile would leave" in w for w in words.prepare_warnings(curved))
    assert "Through grey curves its colours come out" in words.prepare_why(curved)
    assert "coat cannot show" not in words.prepare_why(curved)


def profile_of(printer: Callable[[Any], Any]) -> bytes:
    """Profile of an invented printer: its formula forwards, the nearest of many colours backwards."""
    from scipy.spatial import cKDTree

    step = np.linspace(0.0, 255.0, 17)
    a2b = printer(np.stack(np.meshgrid(step, step, step, indexing="ij"), axis=-1))
    fine = np.linspace(0.0, 255.0, 40)
    device = np.stack(np.meshgrid(fine, fine, fine, indexing="ij"), axis=-1).reshape(-1, 3)
    lightness, opponent = pcs_grid(33)
    nodes = np.stack(np.meshgrid(lightness, opponent, opponent, indexing="ij"), axis=-1)
    far, near = cKDTree(printer(device)).query(nodes.reshape(-1, 3), k=4)
    weight = 1.0 / (far + 1e-3) ** 2
    rgb = (device[near] * weight[..., None]).sum(axis=1) / weight.sum(axis=1)[:, None]
    rgb = rgb.reshape(nodes.shape)
    rgb[-1, 16, 16] = 255.0
    tables = invented_tables(
        a2b=np.where(np.arange(3) == 0, np.minimum(a2b, 100.0), a2b),
        b2a_relative=rgb,
        b2a_perceptual=rgb,
        b2a_saturation=rgb,
        black_xyz=BLACK_XYZ,
    )
    return profile_bytes(tables)


# ---------------------------------------------------------------- profiles that are none, the command line


def test_profiles_of_other_devices_are_refused(tmp_path: Path) -> None:
    data = bytearray(profile(4))
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for name, content, why in (
        ("screen.icc", srgb, "profile of a screen, not of a printer"),
        ("cmyk.icc", bytes(data[:16] + b"CMYK" + data[20:]), "profile of a CMYK printer"),
        ("short.icc", bytes(data[:5000]), "damaged"),
        ("text.icc", b"hello", "not an ICC profile"),
        ("oneway.icc", bytes(data).replace(b"B2A", b"Q2A"), "both directions"),
    ):
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(DataError, match=why):
            load_printer_profile(path)
    odd = printer_profile(bytes(data).replace(b"gamt", b"gamx"), name="odd.icc")
    assert odd.faults == ("the profile ID is not the MD5 sum of the profile", "gamt is missing")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    (folder / "board.icc").write_bytes(profile(4))
    saved(folder, picture(), "art.png")
    saved(folder, Image.new("RGB", PIXELS, "white"), "blank.png")
    saved(folder, picture().convert("CMYK"), "cmyk.jpg")
    saved(folder, picture((300, 300)), "square.png")
    save_curves(folder / "curves.json", neutral_curves(tinted_printer), name="plaques", step="grey")
    (folder / "text.png").write_text("not a picture", encoding="utf-8")
    (folder / "kept.png").write_text("kept", encoding="utf-8")
    return folder


def run(bench: Path, line: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    names = {p.name for p in bench.iterdir()}
    args = [str(bench / w) if w in names or w.startswith("new") else w for w in line.split()]
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = main(["prepare", *args])
        except SystemExit as end:
            code = int(end.code or 0)
    return code, out.getvalue(), err.getvalue()


def test_without_a_profile_size_bleed_and_mirroring_are_done_alone(bench: Path) -> None:
    code, out, err = run(bench, "art.png --size 60x50mm --dpi 200 --bleed 0mm --out new-plain.png")
    assert (code, err) == (0, "")
    said = " ".join(out.split())
    assert "--view tells otherwise" in said
    assert "colour settings of your usual work" in said
    assert "must not be converted" not in said
    code, out, _ = run(bench, "art.png --size 60x50mm --dpi 200 --bleed 0mm --view through --out new-through.png")
    assert "--view" not in out
    plain, through = (np.asarray(Image.open(bench / f)) for f in ("new-plain.png", "new-through.png"))
    np.testing.assert_array_equal(plain, through[:, ::-1])
    due = Image.open(bench / "art.png").convert("RGB").resize(plain.shape[1::-1], Image.Resampling.BOX)
    assert np.abs(through.astype(int) - np.asarray(due).astype(int)).mean() < 4
    for name in ("new-plain.png", "new-through.png"):
        (bench / name).unlink()


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("art.png --size 60x50mm --out new.png --intent perceptual", "need a profile"),
        ("art.png --size 60x50mm --out new.png --proof new-proof.png", "needs a profile"),
        ("art.png --profile board.icc --curves curves.json --size 60x50mm --out new.png", "not both"),
        ("art.png --profile nobody.icc --size 60x50mm --out new.png", "there is no file"),
        ("art.png --profile art.png --size 60x50mm --out new.png", "not an ICC profile"),
        ("blank.png --profile board.icc --size 60x50mm --out new.png", "is blank"),
        ("cmyk.jpg --profile board.icc --size 60x50mm --out new.png", "CMYK without a colour profile"),
        ("text.png --profile board.icc --size 60x50mm --out new.png", "text.png is text"),
        ("square.png --profile board.icc --size 60x50mm --out new.png", "other proportions"),
        ("art.png --profile board.icc --size 6x5mm --out new.png", "makes no sense"),
        ("art.png --profile board.icc --size 6x5m --out new.png", "6000 mm"),
        ("art.png --profile board.icc --size 60x50mm --dpi 9000 --out new.png", "dots per inch"),
        ("art.png --profile board.icc --size 1200x1000mm --dpi 600 --out new.png", "too large a picture"),
        ("art.png --profile board.icc --size 1200x1000mm --dpi 72 --out new.png", "pixels per inch"),
        ("art.png --profile board.icc --size 60x50mm --bleed 99mm --out new.png", "bleed of 99 mm"),
        ("art.png --profile board.icc --size 60x50mm --shape round --out new.png", "one diameter"),
        ("art.png --profile board.icc --size 60x50mm --out new.bmp", "choose png, tiff or pdf"),
        ("art.png --profile board.icc --size 60x50mm --out kept.png", "exists and is kept"),
        ("art.png --profile board.icc --size 60x50mm --out art.png --overwrite", "cannot be the result"),
        ("art.png --profile board.icc --size 60x50mm --out new.png --proof new.png", "the same file"),
        ("art.png --profile board.icc --size 60x50mm --out new.png --proof new.jpg", "name it .png"),
        ("art.png --curves curves.json --size 60x50mm --out new.png --proof new2.png", "--proof needs a profile"),
        ("art.png --curves board.icc --size 60x50mm --out new.png", "is not a file of curves"),
        ("art.png --curves curves.json --size 60x50mm --intent perceptual --out new.png", "need a profile"),
    ],
)
def test_bad_input_gets_one_line(bench: Path, line: str, why: str) -> None:
    before = {p.name: p.stat().st_mtime_ns for p in bench.iterdir()}
    code, out, err = run(bench, line)
    assert code == 2
    assert out == ""
    assert err.count("\n") == 1
    assert why in err
    assert {p.name: p.stat().st_mtime_ns for p in bench.iterdir()} == before


def test_command_writes_print_proof_page_and_json(bench: Path, tmp_path: Path) -> None:
    where = f"--proof {tmp_path}/proof.png --report {tmp_path}/page --json {tmp_path}/out.json --dpi 150"
    code, out, _ = run(bench, f"art.png --profile board.icc --size 60x50mm --out {tmp_path}/print.png {where}")
    assert code == 0
    assert out.startswith("Ready to print")
    assert "Switch colour management off" in out
    assert "do not mirror it again" in out
    data = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert data["schema"] == "colorcheck-prepared/1"
    assert data["profile"]["description"] == "Invented printer, house-number plaques"
    assert data["black_point_compensation"] is True
    assert 0 < data["unreachable"]["share"] < 1
    assert set(data["expected_mean_delta_e00"]) == {"none", "tone", "grey", "full"}
    assert data["artwork"]["colour_space_assumed"] is True
    with Image.open(tmp_path / "proof.png") as proof:
        assert proof.width > 2 * 300
        assert proof.info["icc_profile"]
    page = (tmp_path / "page" / "report.html").read_text(encoding="utf-8")
    assert "<h1>Ready to print" in page
    assert page.count('<svg class="piece"') == 3
    assert not re.search(r'(src|href)="(?!data:|#)', page)
    assert {p.name for p in tmp_path.iterdir()} == {"print.png", "proof.png", "page", "out.json"}


def test_command_with_curves_alone(bench: Path, tmp_path: Path) -> None:
    code, out, _ = run(
        bench,
        f"art.png --curves curves.json --size 60.96x50.8mm --dpi 125 --bleed 0 --view through --out {tmp_path}/p.png "
        f"--report {tmp_path}/page",
    )
    assert code == 0
    assert "behind the curves" in out
    with Image.open(tmp_path / "p.png") as file:
        printed = np.asarray(file)
    assert np.array_equal(printed, apply_curves(np.asarray(picture()), load_curves(bench / "curves.json")[0]))
    assert "that needs a profile" in (tmp_path / "page" / "report.html").read_text(encoding="utf-8")


# ---------------------------------------------------------------- words


@pytest.mark.parametrize(
    ("rgb", "name"),
    [
        ((255, 0, 0), "strong red"),
        ((0, 255, 0), "strong green"),
        ((0, 0, 255), "strong blue"),
        ((255, 255, 0), "strong yellow"),
        ((255, 128, 0), "strong orange"),
        ((0, 160, 160), "turquoise"),
        ((128, 0, 160), "strong violet"),
        ((255, 105, 180), "strong pink"),
        ((101, 67, 33), "brown"),
        ((0, 0, 0), "black"),
        ((128, 128, 128), "grey"),
        ((200, 220, 240), "light blue"),
    ],
)
def test_colours_have_plain_names(rgb: tuple[int, int, int], name: str) -> None:
    lab = picture_lab(np.array([[rgb]], np.uint8), None)[0, 0]
    assert words.colour_name(tuple(lab)).removeprefix("dark ") == name


def test_a_profile_that_makes_it_worse_is_named(tmp_path: Path, tinted_board: PrinterProfile) -> None:
    result = made(saved(tmp_path, picture()), tinted_board)
    worse = dataclasses.replace(result, expected={"none": 2.0, "tone": 2.0, "grey": 2.0, "full": 4.0})
    assert any("worse than without" in w for w in words.prepare_warnings(worse))
    assert not any("worse than without" in w for w in words.prepare_warnings(result))


def test_errors_name_the_picture(tmp_path: Path, board: PrinterProfile) -> None:
    whole = saved(tmp_path, picture()).read_bytes()
    (tmp_path / "art.png").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(ImageError, match=r"art\.png is cut short"):
        made(tmp_path / "art.png", board)


def test_a_profile_of_the_other_side_is_pointed_at(tmp_path: Path) -> None:
    tables = dataclasses.replace(invented_tables(), characterisation='KEYWORD "VIEWED_FROM"\nVIEWED_FROM "through"\n')
    board = printer_profile(profile_bytes(tables), name="board.icc")
    assert board.view == "through"
    art = saved(tmp_path, picture())
    said = [n for n in made(art, board, view="front").notes if "looked at through the glass" in n]
    assert len(said) == 1
    assert not [n for n in made(art, board, view="through").notes if "looked at" in n]


@pytest.mark.parametrize(
    ("size_mm", "says"),
    [
        ((200, 150), ""),
        ((200, 285), "It fits on A4, but not on Letter."),
        ((209, 270), "It fits on Letter, but not on A4."),
        ((285, 290), "It does not fit on A4 or Letter: it takes A3 paper or larger."),
        ((600, 400), "It is larger than A3+ paper"),
    ],
)
def test_a_sheet_that_common_paper_does_not_hold_is_pointed_at(size_mm: tuple[float, float], says: str) -> None:
    """ISO 216 and ANSI Y14.1: A4 210 × 297 mm, Letter 215.9 × 279.4 mm, A3 297 × 420 mm."""
    told = say("paper_hint", size_mm)
    assert told.startswith(says) if says else not told
    assert told == say("paper_hint", size_mm[::-1])
