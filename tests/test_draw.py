"""The print file: true size, crisp cells, readable markers and code, nothing lost on failure."""

import functools
import os
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pypdf
import pytest
from PIL import Image

from colorcheck.ground.errors import FileError, UsageError
from colorcheck.ground.records import CellKind
from colorcheck.sheet import draw
from colorcheck.sheet.target import from_code, load_target, make_target

TARGETS = Path(__file__).parent.parent / "targets"
SIZES = [
    ("rect", 60, 60, "compact"),
    ("round", 60, 60, "compact"),
    ("rect", 90, 140, "compact"),
    ("round", 100, 100, "compact"),
    ("rect", 200, 200, "standard"),
    ("round", 200, 200, "standard"),
    ("rect", 297, 210, "standard"),
    ("rect", 400, 400, "standard"),
]
PER_MM = 300 / 25.4


@functools.cache
def target(shape="rect", w=60, h=60, patches="compact", **more):
    return make_target(size_mm=(w, h), shape=shape, patches=patches, **more)


@pytest.fixture(scope="module", params=SIZES, ids=lambda s: f"{s[0]}-{s[1]}x{s[2]}-{s[3]}")
def sheet(request):
    dpi = 300 if max(request.param[1:3]) <= 200 else 150
    t = target(*request.param, seed=5, view="through", dpi=dpi)
    return t, draw.render(t), dpi / 25.4


def ring(n, outer, inner):
    """Pixels of a disc that fills an n by n picture, between two depths from its rim."""
    d = np.arange(n) + 0.5 - n / 2
    r = np.hypot(d[:, None], d[None, :])
    return (r < n / 2 - outer) & (r > n / 2 - inner)


class TestPicture:
    def test_size(self, sheet):
        t, picture, per_mm = sheet
        assert picture.dtype == np.uint8
        assert picture.shape == (round(t.size_mm[1] * per_mm), round(t.size_mm[0] * per_mm), 3)

    def test_every_cell_is_exactly_its_colour_with_field_around(self, sheet):
        t, picture, per_mm = sheet
        for (x, y, w, h), rgb in zip(t.box_mm, t.device_rgb, strict=True):
            x0, y0, x1, y1 = (int(np.floor(v * per_mm + 0.5)) for v in (x, y, x + w, y + h))
            assert np.all(picture[y0:y1, x0:x1] == rgb)
            ring = picture[y0 - 4 : y1 + 4, x0 - 4 : x1 + 4].reshape(-1, 3)
            outside = len(ring) - (y1 - y0) * (x1 - x0)
            is_field = np.all(ring == t.field_rgb, axis=1).sum()
            expected = outside + (0 if tuple(rgb) != t.field_rgb else (y1 - y0) * (x1 - x0))
            assert is_field == expected

    def test_markers_lie_where_the_layout_says(self, sheet):
        t, picture, per_mm = sheet
        words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
        corners, ids, _ = cv2.aruco.ArucoDetector(words).detectMarkers(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
        assert ids is not None
        found = dict(zip(ids.ravel().tolist(), corners, strict=True))
        assert set(found) == set(t.marker_ids)
        for marker_id, (x, y, w, h) in zip(t.marker_ids, t.marker_box_mm, strict=True):
            true = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)]) * per_mm - 0.5
            assert (
                np.abs(found[marker_id].reshape(4, 2) - true).max() <= 1.0
            )  # first corner is the upright one's top left

    def test_code_reads_as_the_recipe(self, sheet):
        t, picture, per_mm = sheet
        x, y, w, h = (round(v * per_mm) for v in t.code_box_mm)
        text, _, _ = cv2.QRCodeDetector().detectAndDecode(picture[y - 6 : y + h + 6, x - 6 : x + w + 6])
        assert text == t.code_text

    def test_edge_zone_holds_only_field_and_black_type(self, sheet):
        t, picture, per_mm = sheet
        n = int(5.9 * per_mm)
        if t.shape == "rect":
            sides = (picture[:n], picture[-n:], picture[:, :n], picture[:, -n:])
            rim = np.concatenate([side.reshape(-1, 3) for side in sides]).astype(int)
        else:
            rim = picture[ring(picture.shape[0], 0.15 * per_mm, n)].astype(int)
        assert rim.max() == t.field_rgb[0]  # nothing lighter, nothing coloured
        assert np.ptp(rim, axis=1).max() == 0
        assert 0.9 < (rim[:, 0] == t.field_rgb[0]).mean() < 1.0

    def test_mark_tells_top_left(self, sheet):
        t, picture, per_mm = sheet
        dark = (picture[:, :, 1] < 30).astype(np.uint8)
        n = round(5.9 * per_mm)
        if t.shape == "rect":
            corner = [dark[:n, :n], dark[:n, ::-1][:, :n], dark[::-1][:n, :n], dark[::-1, ::-1][:n, :n]]
        else:
            rim = dark * ring(len(dark), 0, n)
            a, b = round(0.08 * len(dark)), round(0.25 * len(dark))  # the rim's diagonal places lie here
            corner = [m[a:b, a:b] for m in (rim, rim[:, ::-1], rim[::-1], rim[::-1, ::-1])]
        assert corner[0].sum() > 3.0 * per_mm**2
        assert max(c.sum() for c in corner[1:]) == 0

    def test_line_group_is_drawn_where_it_is_said_to_be(self, sheet):
        t, picture, per_mm = sheet
        bars = draw.line_group(t)
        assert bool(bars) == bool(t.lines_box_mm[2])
        if not bars:
            return
        x, y, w, h = t.lines_box_mm
        expected = np.full(picture.shape[:2], 255, np.uint8)
        for bx, by, bw, bh in bars:
            assert bx > x + 0.8
            assert by > y + 0.8
            assert bx + bw < x + w - 0.8
            assert by + bh < y + h - 0.8
            x0, y0, x1, y1 = (int(np.floor(v * per_mm + 0.5)) for v in (bx, by, bx + bw, by + bh))
            expected[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)] = 0
        x0, y0, x1, y1 = (int(np.floor(v * per_mm + 0.5)) for v in (x, y, x + w, y + h))
        assert np.array_equal(picture[y0:y1, x0:x1, 1], expected[y0:y1, x0:x1])
        # the cross stands free: a faint copy shifted by some millimetres falls on bare coat
        (ux, _, uw, _), (_, ly, _, lh) = bars[:2]
        assert ux - x > 5.0
        assert x + w - ux - uw > 5.0
        assert ly - y > 4.5
        assert min(b[1] for b in bars[2:]) - ly - lh > 1.9

    def test_strip_text_stays_inside(self, sheet):
        t, picture, per_mm = sheet
        if not t.strip_box_mm[2]:
            return
        x0, y0, x1, y1 = (
            int(np.floor(v * per_mm + 0.5))
            for v in (
                *t.strip_box_mm[:2],
                t.strip_box_mm[0] + t.strip_box_mm[2],
                t.strip_box_mm[1] + t.strip_box_mm[3],
            )
        )
        box = picture[y0:y1, x0:x1, 1]
        assert (box < 100).mean() > 0.02  # something is written
        n = int(0.3 * per_mm)
        margin = np.concatenate([v.ravel() for v in (box[:n], box[-n:], box[:, :n], box[:, -n:])])
        assert margin.min() == 255


def test_round_is_white_outside_and_field_inside():
    t = target("round", 100, 100)
    picture = draw.render(t)
    n = picture.shape[0]
    row, col = np.mgrid[0:n, 0:n]
    r = np.hypot(row + 0.5 - 50 * PER_MM, col + 0.5 - 50 * PER_MM) / PER_MM
    assert np.all(picture[r > 50.1] == 255)
    ring = picture[(r < 49.9) & (r > 49.0)]
    assert np.all(ring == t.field_rgb)


@pytest.mark.parametrize("dpi", [100, 150, 254, 360, 600])
def test_other_resolutions(dpi):
    t = target(w=70, h=60, dpi=dpi)
    picture = draw.render(t)
    assert picture.shape[:2] == (round(60 * dpi / 25.4), round(70 * dpi / 25.4))
    white = t.kind == CellKind.WHITE
    for x, y, w, h in t.box_mm[white] + [0.3, 0.3, -0.6, -0.6]:
        a, b, c, d = (round(v * dpi / 25.4) for v in (x, y, x + w, y + h))
        assert picture[b:d, a:c].min() == 255
    assert draw.render(t, dpi=100).shape[:2] == (236, 276)


@pytest.mark.parametrize("size", [(60, 60), (95.3, 61.2), (134.6, 134.6), (150, 150), (203.2, 254), (400, 140)])
@pytest.mark.parametrize("view", ["front", "through"])
def test_strip_is_written_for_every_size(size, view):
    t = make_target(size_mm=size, patches="compact", seed=999_999, view=view)
    if t.strip_box_mm[2]:
        plan = draw._strip_plan(t, PER_MM)
        assert plan is not None
        assert any("seed 999999" in text or " 999999 " in text for text, _ in plan.lines)
        assert min(size for _, size in plan.lines) >= 1.9
        assert plan.rows


def test_front_is_mirrored_on_paper_and_through_is_not(tmp_path):
    for view, flipped in (("front", True), ("through", False)):
        t = target(w=80, h=60, view=view)
        draw.write_print_file(t, tmp_path / "t.png")
        with Image.open(tmp_path / "t.png") as image:
            paper = np.asarray(image)
        seen = draw.render(t)
        assert np.array_equal(paper, seen[:, ::-1] if flipped else seen)
        assert not np.array_equal(paper, seen if flipped else seen[:, ::-1])


@pytest.mark.parametrize("shape", ["rect", "round"])
def test_bleed_continues_the_field_on_all_sides(tmp_path, shape):
    plain, wide = (target(shape, 80, 80, bleed_mm=b) for b in (0.0, 3.0))
    draw.write_print_file(wide, tmp_path / "t.png")
    with Image.open(tmp_path / "t.png") as image:
        paper = np.asarray(image)
    side, off = round(86 * PER_MM), int(np.floor(3 * PER_MM + 0.5))
    assert paper.shape == (side, side, 3)
    seen, piece = paper[:, ::-1], draw.render(plain)
    n = piece.shape[0]
    if shape == "rect":
        assert np.array_equal(seen[off : off + n, off : off + n], piece)
        frame = np.ones((side, side), dtype=bool)
        frame[off : off + n, off : off + n] = False
        assert np.all(seen[frame] == wide.field_rgb)
    else:
        inner = seen[off : off + n, off : off + n]
        disc = np.any(piece != 255, axis=2)
        assert np.array_equal(inner[disc], piece[disc])
        assert np.all(seen[side // 2, 3 : off - 1] == wide.field_rgb)
        assert np.all(seen[2, 2] == 255)


def png_chunks(data):
    """Chunks of a PNG file (W3C PNG, third edition, 5.3): length, type, data, CRC-32."""
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    at, out = 8, []
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        body = data[at + 4 : at + 8 + length]
        assert zlib.crc32(body) == struct.unpack(">I", data[at + 8 + length : at + 12 + length])[0]
        out.append((body[:4].decode(), body[4:]))
        at += 12 + length
    return out


@pytest.mark.parametrize("dpi", [100, 300, 720])
def test_png_states_its_true_size(tmp_path, dpi):
    t = target(w=60, h=70, dpi=dpi)
    draw.write_print_file(t, tmp_path / "t.png")
    chunks = png_chunks((tmp_path / "t.png").read_bytes())
    kinds = [k for k, _ in chunks]
    # W3C PNG, 11.3.4.3 pHYs: pixels per unit, x then y; unit 1 is the metre
    x, y, unit = struct.unpack(">IIB", dict(chunks)["pHYs"])
    assert unit == 1
    assert x == y == round(dpi / 0.0254)
    width, height = struct.unpack(">II", dict(chunks)["IHDR"][:8])
    assert 1000 * width / x == pytest.approx(60, abs=0.5 * 25.4 / dpi + 0.01)
    assert 1000 * height / y == pytest.approx(70, abs=0.5 * 25.4 / dpi + 0.01)
    assert not {"iCCP", "sRGB", "gAMA", "cHRM", "tIME"} & set(kinds)  # values go out as they are


def test_tiff_states_its_true_size(tmp_path):
    t = target(w=90, h=70)
    for name in ("t.tif", "t.tiff"):
        draw.write_print_file(t, tmp_path / name)
        with Image.open(tmp_path / name) as image:
            # TIFF 6.0 section 8: 282 XResolution, 283 YResolution, 296 ResolutionUnit (2 = inch);
            # 259 Compression (5 = LZW, section 13); 258 BitsPerSample; 34675 is the ICC profile
            tags = image.tag_v2
            assert tags[296] == 2
            assert tags[282] == tags[283] == 300
            assert tags[259] == 5
            assert tags[258] == (8, 8, 8)
            assert 34675 not in tags
            assert np.array_equal(np.asarray(image), draw.print_picture(t))


@pytest.mark.parametrize("bleed", [0.0, 3.0])
def test_pdf_page_boxes_and_picture(tmp_path, bleed):
    t = target(w=90, h=70, bleed_mm=bleed)
    draw.write_print_file(t, tmp_path / "t.pdf")
    reader = pypdf.PdfReader(tmp_path / "t.pdf")
    assert len(reader.pages) == 1
    page = reader.pages[0]
    mm = 25.4 / 72  # default user space unit is 1/72 inch: ISO 32000-1, 8.3.2.3
    w, h = 90 + 2 * bleed, 70 + 2 * bleed

    def box(rectangle):
        return [float(v) * mm for v in rectangle]

    assert box(page.mediabox) == pytest.approx([0, 0, w, h], abs=0.005)
    assert box(page.bleedbox) == pytest.approx([0, 0, w, h], abs=0.005)
    assert box(page.trimbox) == pytest.approx([bleed, bleed, w - bleed, h - bleed], abs=0.005)
    # the picture is scaled to the page by the matrix before it (ISO 32000-1, 8.9.5: a unit square)
    matrices = [args for args, op in pypdf.generic.ContentStream(page.get_contents(), reader).operations if op == b"cm"]
    assert [float(v) * mm for v in matrices[-1]] == pytest.approx([w, 0, 0, h, 0, 0], abs=0.01)
    (picture,) = page.images
    assert np.array_equal(np.asarray(picture.image.convert("RGB")), draw.print_picture(t))  # lossless
    assert "/ICCBased" not in str(page["/Resources"].get_object())


@pytest.mark.parametrize("suffix", [".png", ".tif", ".pdf"])
def test_same_target_same_bytes(tmp_path, suffix):
    for name in ("a", "b"):
        draw.write_print_file(target(seed=3), tmp_path / (name + suffix))
    assert (tmp_path / f"a{suffix}").read_bytes() == (tmp_path / f"b{suffix}").read_bytes()


@pytest.mark.parametrize("suffix", [".png", ".tif", ".pdf"])
def test_what_was_there_stays_when_writing_fails(tmp_path, monkeypatch, suffix):
    file = tmp_path / f"t{suffix}"
    file.write_bytes(b"precious")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(FileError, match="cannot be written") as e:
        draw.write_print_file(target(), file)
    assert "No space left" in e.value.message
    assert "\n" not in e.value.message
    assert file.read_bytes() == b"precious"
    assert [p.name for p in tmp_path.iterdir()] == [file.name]  # nothing half-written is left


def test_places_and_formats_that_cannot_be_written(tmp_path):
    with pytest.raises(FileError, match="cannot be written"):
        draw.write_print_file(target(), tmp_path / "none" / "t.png")
    with pytest.raises(UsageError, match="choose png, tiff or pdf"):
        draw.write_print_file(target(), tmp_path / "t.jpg")
    (tmp_path / "t.png").mkdir()
    with pytest.raises(FileError, match="is a folder"):
        draw.write_print_file(target(), tmp_path / "t.png")
    assert [p.name for p in tmp_path.iterdir()] == ["t.png"]


def test_new_file_obeys_the_users_mask(tmp_path):
    old = os.umask(0o022)
    try:
        draw.write_print_file(target(), tmp_path / "t.png")
    finally:
        os.umask(old)
    if os.name == "posix":
        assert (tmp_path / "t.png").stat().st_mode & 0o777 == 0o644


@pytest.mark.parametrize(("paper", "mm"), [("A4", (210, 297)), ("letter", (215.9, 279.4))])
def test_sheet_of_offcuts(tmp_path, paper, mm):
    ts = [target(w=80, h=80, seed=k, view="front" if k % 2 else "through", dpi=150) for k in range(1, 4)]
    ts += [target(seed=9, dpi=150)]
    per_mm = 150 / 25.4
    places = draw.write_sheet(ts, tmp_path / "s.png", paper=paper)
    with Image.open(tmp_path / "s.png") as image:
        page = np.asarray(image)
        # pHYs counts whole pixels per metre
        assert image.info["dpi"] == pytest.approx((150, 150), abs=0.0254 / 2)
    assert page.shape[:2] == (round(mm[1] * per_mm), round(mm[0] * per_mm))
    for t, (x, y, w, h) in zip(ts, places, strict=True):
        assert (w, h) == t.size_mm
        assert min(x, y, mm[0] - x - w, mm[1] - y - h) >= 8.0
        left, top = (int(np.floor(v * per_mm + 0.5)) for v in (x, y))
        picture = draw.print_picture(t)
        assert np.array_equal(page[top : top + picture.shape[0], left : left + picture.shape[1]], picture)
        # trim marks: ink in line with the edges, and none on the piece's own corner
        assert page[top - round(2 * per_mm) : top, left - 2 : left + 2, 1].min() < 128
        assert page[top - 4 : top, left - 4 : left].min() == 255
    draw.write_sheet(ts, tmp_path / "s.pdf", paper=paper)
    box = pypdf.PdfReader(tmp_path / "s.pdf").pages[0].mediabox
    assert [float(v) * 25.4 / 72 for v in box[2:]] == pytest.approx(mm, abs=0.005)


def test_sheet_of_offcuts_refuses_what_does_not_fit(tmp_path):
    small = target()
    for ts, more, says in (
        ([], {}, "at least one"),
        ([small] * 13, {}, "do not fit"),
        ([target(w=200, h=100)], {}, "do not fit"),
        ([small], {"paper": "A9"}, "choose A4 or Letter"),
        ([small], {"gap_mm": 1.0}, "gap"),
        ([small, target(dpi=200)], {}, "resolution"),
    ):
        with pytest.raises(UsageError, match=says):
            draw.write_sheet(ts, tmp_path / "s.png", **more)
    assert not list(tmp_path.iterdir())


READY = sorted(TARGETS.glob("*.json"))
OFFCUTS = "offcuts-A4.png"


def test_ready_made_targets_are_there_and_small():
    assert len(READY) >= 4
    assert sum(f.stat().st_size for f in TARGETS.iterdir()) < 3_000_000


@pytest.mark.parametrize("file", READY, ids=lambda f: f.stem)
def test_ready_made_target_is_what_its_recipe_makes(file):
    t = load_target(file)
    made = from_code(t.code_text)  # printed with the older prefix, which makes the same layout for ever
    anew = make_target(size_mm=t.size_mm, shape=t.shape, patches=t.patches, view=t.view, seed=t.seed, dpi=t.dpi)
    assert t.code_text == made.code_text
    assert t.code_text.startswith("CC1")
    assert anew.code_text == "GP1" + t.code_text[3:]
    assert np.array_equal(anew.box_mm, made.box_mm)
    assert np.array_equal(anew.device_rgb, made.device_rgb)
    assert np.allclose(t.box_mm, made.box_mm, atol=5.1e-4)
    assert np.array_equal(t.device_rgb, made.device_rgb)
    assert (TARGETS / t.print_file).is_file()
    if t.print_file != OFFCUTS:
        assert_nearly_same(TARGETS / t.print_file, draw.print_picture(t))


def assert_nearly_same(file, picture):
    """Type may differ by a hair with another Pillow; everything else may not."""
    with Image.open(file) as image:
        paper = np.asarray(image)
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.0254 / 2)
    assert paper.shape == picture.shape
    assert np.any(paper != picture, axis=2).mean() < 0.005


def test_ready_made_page_of_offcuts_is_what_its_recipes_make(tmp_path):
    ts = [t for t in map(load_target, READY) if t.print_file == OFFCUTS]
    ts.sort(key=lambda t: (-t.size_mm[0], t.seed))
    assert len({t.code_text for t in ts}) == len(ts) == 7
    draw.write_sheet(ts, tmp_path / "s.tif")
    with Image.open(tmp_path / "s.tif") as image:
        assert_nearly_same(TARGETS / OFFCUTS, np.asarray(image))
    page = pypdf.PdfReader(TARGETS / "offcuts-A4.pdf").pages[0]
    assert [float(v) * 25.4 / 72 for v in page.mediabox[2:]] == pytest.approx([210, 297], abs=0.005)
