"""Registration of pressed pictures against photos whose true geometry is known."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms

from colorcheck.flows.inspect import at_full_size
from colorcheck.ground.cielab import srgb_to_linear
from colorcheck.ground.errors import ColorcheckError, DataError, ImageError, PhotoError, TargetError, UsageError
from colorcheck.ground.geometry import local_px_per_mm, mm_to_px
from colorcheck.ground.records import LinearImage, Pose
from colorcheck.piece import placement, rim
from colorcheck.piece.artwork import Artwork, load_artwork
from colorcheck.piece.register import Registered, artwork_on_piece, register
from tests import virtual as v
from tests.virtual import artworks

G = 4.0  # px per mm of the drawn artworks


def linear(photo: Any) -> LinearImage:
    """A simulated photo as it would be decoded."""
    table = srgb_to_linear(np.arange(256) / 255.0).astype(np.float32)
    rgb = photo.rgb
    return LinearImage(
        rgb=table[rgb],
        clipped=(rgb.max(axis=2) >= 254).astype(np.uint8),
        scale=1.0,
        original_size=(rgb.shape[1], rgb.shape[0]),
        source="photo.jpg",
        device="",
        taken="",
        exposure={},
        colour_space="sRGB",
        bit_depth=8,
        kind="photo",
        notes=(),
        sha256="",
    )


def artwork(
    rgb: Any, size: tuple[float, float], *, shape: Any = "rect", bleed: float = 0.0, known: bool = True
) -> Artwork:
    return Artwork(
        rgb=rgb,
        px_per_mm=rgb.shape[1] / (size[0] + 2 * (bleed if known else 0.0)),
        size_mm=size,
        bleed_mm=bleed if known else 0.0,
        bleed_known=known,
        shape=shape,
        view="front",
        source="art.png",
        file_size_px=(rgb.shape[1], rgb.shape[0]),
        notes=(),
        sha256="",
    )


def shoot(
    rgb: Any,
    size: tuple[float, float],
    *,
    shape: str = "rect",
    offset: tuple[float, float] = (0.0, 0.0),
    scene: v.Scene | None = None,
    printer: v.Printer | None = None,
    faults: v.Faults | None = None,
    substrate: v.Substrate | None = None,
    seed: int = 1,
    mp: float = 1.2,
    **pose: Any,
) -> Any:
    piece = v.press_sheet(
        rgb,
        G,
        size_mm=size,
        shape=shape,
        printer=printer,
        substrate=substrate,
        faults=faults,
        offset_mm=offset,
        seed=seed,
        raster_px_per_mm=G,
    )
    return v.photograph(piece, scene=scene, pose=v.Pose.megapixels(mp, **{"fill": 0.75, **pose}), seed=seed)


def errors(
    photo: Any,
    found: Registered,
    size: tuple[float, float],
    *,
    bleed: float = 0.0,
    offset: tuple[float, float] = (0.0, 0.0),
    nominal_bleed: float | None = None,
) -> tuple[float, float]:
    """RMS distance in mm between found and true places: of the picture, and of the piece."""
    s = np.linspace(0.06, 0.94, 9)
    at = np.stack(np.meshgrid(s * size[0], s * size[1]), axis=-1).reshape(-1, 2)
    nominal = bleed if nominal_bleed is None else nominal_bleed
    full, frame = np.array(size) + 2 * bleed, np.array(size) + 2 * nominal
    art_mm = (at - np.array(offset) + bleed) / full * frame - nominal
    on_piece = art_mm @ found.picture_to_piece[:, :2].T + found.picture_to_piece[:, 2]
    true = photo.mm_to_px(at)
    scale = float(np.median(local_px_per_mm(found.pose, at)))
    out = []
    for mm in (on_piece, at):
        px = mm_to_px(found.pose, mm)
        if found.pose.mirrored:
            px[:, 0] = found.image.rgb.shape[1] - 1 - px[:, 0]
        out.append(float(np.sqrt(np.mean(np.sum((px - true) ** 2, axis=1)))) / scale)
    return out[0], out[1]


CASES = {
    "plaque, turned, tilted": (
        "plaque",
        (200, 150),
        "rect",
        {"rotation_deg": 130, "tilt_deg": 22, "tilt_axis_deg": 40},
    ),
    "plaque, mirrored, barrel": (
        "plaque",
        (150, 200),
        "rect",
        {"mirrored": True, "distortion": -0.02, "rotation_deg": 8},
    ),
    "clock, turned, tilted": (
        "clock",
        (200, 200),
        "round",
        {"rotation_deg": 215, "tilt_deg": 18, "tilt_axis_deg": 100},
    ),
    "scenery, pincushion": (
        "scenery",
        (200, 150),
        "rect",
        {"distortion": 0.02, "rotation_deg": 275, "tilt_deg": 12},
    ),
    "lettering, upside down": ("lettering", (200, 120), "rect", {"rotation_deg": 184, "tilt_deg": 6}),
}


@pytest.mark.parametrize("case", CASES)
def test_every_place_is_found_to_a_fraction_of_a_millimetre(case: str) -> None:
    kind, size, shape, pose = CASES[case]
    rgb = artworks.ARTWORKS[kind](size, G, seed=4)
    printer = v.Printer(dyes="dull", gamma=(1.2, 0.85, 1.1), cast=(10.0, -8.0, 4.0))
    scene = v.Scene(lamps=(v.Lamp(-300, 200, 550),), vignetting=0.25, glare=(v.Glare(30, -20, 35, strength=0.25),))
    photo = shoot(
        rgb,
        size,
        shape=shape,
        scene=scene,
        printer=printer,
        faults=v.Faults(spots=(v.Spot(60, 60, 25, 0.4),)),
        **pose,
    )
    found = register(linear(photo), artwork(rgb, size, shape=shape))
    picture, piece = errors(photo, found, size)
    assert found.placed_by == "content"
    assert picture < 0.3
    assert piece < 0.6
    assert found.pose.mirrored == pose.get("mirrored", False)
    assert found.score > 0.8


def test_bleed_and_offset_are_told_apart_from_the_outline() -> None:
    size, bleed, offset = (180, 120), 5.0, (2.0, -1.5)
    rgb = artworks.scenery((190, 130), G, seed=9)
    photo = shoot(rgb, size, offset=offset, rotation_deg=33, tilt_deg=9)
    found = register(linear(photo), artwork(rgb, size, bleed=bleed))
    picture, piece = errors(photo, found, size, bleed=bleed, offset=offset)
    assert picture < 0.3
    assert piece < 0.4
    assert found.picture_offset_mm == pytest.approx(offset, abs=0.4)
    assert found.picture_scale == pytest.approx((1.0, 1.0), abs=0.004)


def test_an_undeclared_bleed_is_measured() -> None:
    size, bleed = (160, 160), 6.0
    rgb = artworks.plaque((172, 172), G, number="31", seed=2)
    photo = shoot(rgb, size, rotation_deg=95)
    found = register(linear(photo), artwork(rgb, size, bleed=bleed, known=False))
    picture, _ = errors(photo, found, size, bleed=bleed, nominal_bleed=0.0)
    assert picture < 0.3
    assert found.picture_scale == pytest.approx((172 / 160, 172 / 160), abs=0.006)


def test_dark_table_needs_no_card() -> None:
    size = (200, 150)
    rgb = artworks.plaque(size, G, number="7", seed=11)
    photo = shoot(rgb, size, scene=v.Scene(card="dark table"), rotation_deg=60)
    assert errors(photo, register(linear(photo), artwork(rgb, size)), size)[0] < 0.3


def test_nearly_white_picture_is_placed_by_its_outline_and_says_so() -> None:
    size = (180, 120)
    rgb = artworks.near_white(size, G, seed=1)
    photo = shoot(rgb, size, scene=v.Scene(card="dark table"), tilt_deg=8)
    found = register(linear(photo), artwork(rgb, size))
    assert found.placed_by == "outline"
    assert found.uncertainty_mm >= 0.3
    assert found.ambiguous
    assert any("outline" in n for n in found.notes)
    corners = photo.mm_to_px(np.array([[0, 0], [180, 0], [180, 120], [0, 120]], float))
    seen = mm_to_px(found.pose, np.array([[0, 0], [180, 0], [180, 120], [0, 120]], float))
    if found.pose.mirrored:
        seen[:, 0] = found.image.rgb.shape[1] - 1 - seen[:, 0]
    nearest = np.linalg.norm(corners[:, None] - seen[None], axis=2).min(axis=1) / found.pose.px_per_mm
    assert nearest.max() < 1.0


@pytest.mark.parametrize("seed", [5, 8, 12])
def test_little_structure_behind_thick_glass_is_placed_as_well_as_is_said(seed: int) -> None:
    # light strays within thick glass and draws a halo round every edge; one flat shape must still be placed
    size = (200, 150)
    rgb = artworks.emblem(size, G, seed=seed)
    offset = (0.75, -0.5)
    photo = shoot(
        rgb,
        size,
        offset=offset,
        substrate=v.SUBSTRATES["thick glass"],
        rotation_deg=70.0 * seed,
        tilt_deg=14,
        distortion=0.01,
    )
    found = register(linear(photo), artwork(rgb, size))
    picture, piece = errors(photo, found, size, offset=offset)
    assert picture < 0.3
    assert picture < 2.5 * found.uncertainty_mm
    assert found.uncertainty_mm < 0.5
    assert piece < 0.6


@pytest.mark.parametrize("kind", ["plaque", "clock"])
def test_a_printed_frame_or_ring_is_not_taken_for_the_rim(kind: str) -> None:
    # pale ground on white card: what stands out most is a line of the picture, 10 mm inside the rim
    size = (150, 150)
    rgb = artworks.ARTWORKS[kind](size, G, seed=40 if kind == "plaque" else 49)
    photo = shoot(rgb, size, shape="rect" if kind == "plaque" else "round", tilt_deg=6, rotation_deg=200)
    art = artwork(rgb, size, shape="rect" if kind == "plaque" else "round", known=False)
    picture, piece = errors(photo, register(linear(photo), art), size)
    assert picture < 0.3
    assert piece < 0.6


def test_a_nearly_white_picture_on_wood_is_found_and_laid_upright() -> None:
    size = (200, 120)
    rgb = artworks.near_white(size, G, seed=7)
    photo = shoot(rgb, size, scene=v.Scene(card="wood", shadow=0.2), tilt_deg=20, tilt_axis_deg=300, rotation_deg=-25)
    found = register(linear(photo), artwork(rgb, size))
    assert found.placed_by == "outline"
    assert not found.pose.mirrored
    assert errors(photo, found, size)[1] < 0.6


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_place_found_in_a_reduced_photo_holds_at_full_size(mirrored: bool) -> None:
    size = (120, 90)
    rgb = artworks.plaque(size, G, seed=5)
    photo = shoot(rgb, size, mirrored=mirrored, width_px=1401, height_px=1051)
    full = linear(photo)
    half = cv2.resize(cv2.copyMakeBorder(full.rgb, 0, 1, 0, 1, cv2.BORDER_REPLICATE), (701, 526), None, 0, 0, 3)
    small = replace(full, rgb=half, clipped=np.zeros(half.shape[:2], np.uint8), scale=0.5)
    found = at_full_size(register(small, artwork(rgb, size)), full)
    assert found.pose.mirrored == mirrored
    assert found.image.rgb.shape == full.rgb.shape
    assert found.pose.px_per_mm > 5
    assert errors(photo, found, size)[0] < 0.2


def stripes(size: tuple[float, float]) -> Any:
    """Slanting stripes in five colours: the drawing repeats and is the same when turned by half."""
    y, x = np.mgrid[0 : size[1] : 1 / G, 0 : size[0] : 1 / G]
    colours = np.array([[190, 40, 30], [130, 230, 130], [215, 220, 125], [230, 120, 115], [60, 90, 170]], np.uint8)
    return colours[(np.floor((x * 0.88 + y * 0.48) / 22) % 5).astype(int)]


def hue_disc(size: tuple[float, float]) -> Any:
    """All hues round a white middle, dark in the corners: smooth, and with two hues exchanged its own mirror image."""
    y, x = np.mgrid[0 : size[1] : 1 / G, 0 : size[0] : 1 / G]
    u, v = x - size[0] / 2, y - size[1] / 2
    r = np.hypot(u, v) / (max(size) / 2)
    hue = (np.degrees(np.arctan2(v, u)) % 360 / 2).astype(np.uint8)
    full = np.dstack([hue, np.clip(r * 2, 0, 1) * 255, np.clip(2 - 2 * r, 0, 1) * 255]).astype(np.uint8)
    return cv2.cvtColor(full, cv2.COLOR_HSV2RGB)


@pytest.mark.parametrize("turned", [4.0, 184.0])
@pytest.mark.parametrize("drawn", [stripes, hue_disc])
def test_pictures_that_repeat_or_have_no_edges_are_placed_by_outline_and_colours(drawn: Any, turned: float) -> None:
    size = (200, 150)
    rgb = drawn(size)
    photo = shoot(rgb, size, rotation_deg=turned, tilt_deg=8)
    found = register(linear(photo), artwork(rgb, size, known=False))
    assert not found.pose.mirrored
    assert not found.mirrored
    assert errors(photo, found, size)[0] < 2.5 * found.uncertainty_mm
    assert errors(photo, found, size)[0] < 1.5
    wider = np.ascontiguousarray(rgb.repeat(2, axis=0).repeat(2, axis=1)[: len(rgb), : rgb.shape[1]])
    other = wider if drawn is stripes else np.ascontiguousarray(rgb[..., ::-1])
    with pytest.raises(TargetError, match="does not show this artwork"):
        register(linear(photo), artwork(other, size, known=False))


def test_symmetric_clock_face_is_called_ambiguous() -> None:
    size = (200, 200)
    rgb = artworks.clock(size, G, numerals="none", seed=3)
    photo = shoot(rgb, size, shape="round", rotation_deg=10)
    found = register(linear(photo), artwork(rgb, size, shape="round"))
    assert found.ambiguous


@pytest.mark.parametrize("other", ["another number", "another picture", "light and dark exchanged"])
def test_a_photo_of_another_picture_is_refused(other: str) -> None:
    size = (200, 150)
    shown = artworks.plaque(size, G, number="12", seed=6)
    claimed = {
        "another number": artworks.plaque(size, G, number="58", seed=6),
        "another picture": artworks.scenery(size, G, seed=6),
        "light and dark exchanged": 255 - shown,
    }[other]
    photo = shoot(shown, size, rotation_deg=15)
    with pytest.raises(TargetError, match="does not show this artwork"):
        register(linear(photo), artwork(claimed, size))


def test_a_size_that_the_photo_contradicts_is_named() -> None:
    shown = artworks.scenery((160, 100), G, seed=5)
    photo = shoot(shown, (160, 100), rotation_deg=5, tilt_deg=6)
    with pytest.raises(DataError, match=r"measures about 1\.[56]\d : 1, not the stated 160 × 120 mm"):
        register(linear(photo), artwork(artworks.plaque((160, 120), G, seed=2), (160, 120)))


def test_a_piece_cut_off_by_the_frame_is_refused() -> None:
    size = (200, 150)
    rgb = artworks.plaque(size, G, number="12", seed=6)
    photo = shoot(rgb, size, shift_mm=(60.0, 0.0))
    with pytest.raises(PhotoError, match="cut off"):
        register(linear(photo), artwork(rgb, size))


def test_an_empty_card_is_refused() -> None:
    size = (200, 150)
    rgb = artworks.plaque(size, G, number="12", seed=6)
    photo = shoot(rgb, size)
    blank = replace(linear(photo), rgb=np.full(photo.rgb.shape, 0.6, np.float32))
    with pytest.raises(ColorcheckError):
        register(blank, artwork(rgb, size))


def test_artwork_is_drawn_where_it_was_printed() -> None:
    size = (120, 90)
    rgb = artworks.scenery(size, G, seed=5)
    photo = shoot(rgb, size, offset=(1.5, 1.0))
    found = register(linear(photo), artwork(rgb, size))
    drawn, covered = artwork_on_piece(artwork(rgb, size), found, G)
    assert drawn.shape == (360, 480, 3)
    assert covered.mean() > 0.95
    moved = rgb[20:300, 20:400].astype(float)
    got = drawn[24:304, 26:406].astype(float)
    assert np.abs(got - moved).mean() < 6


def test_caller_arrays_stay_as_they_are() -> None:
    size = (120, 90)
    rgb = artworks.plaque(size, G, seed=5)
    image = linear(shoot(rgb, size, mirrored=True))
    before, art = image.rgb.copy(), artwork(rgb, size)
    register(image, art)
    assert np.array_equal(before, image.rgb)
    assert np.array_equal(art.rgb, artworks.plaque(size, G, seed=5))


# ---------------------------------------------------------------------------------------------------- loading


def save(rgb: Any, path: Any, **options: Any) -> Any:
    Image.fromarray(rgb).save(path, **options)
    return path


def test_codes_come_back_exactly(tmp_path: Any) -> None:
    rgb = np.random.default_rng(1).integers(0, 256, (240, 320, 3), dtype=np.uint8)
    art = load_artwork(save(rgb, tmp_path / "a.png"), size_mm=(80, 60))
    assert np.array_equal(art.rgb, rgb)
    assert art.px_per_mm == 4.0
    assert len(art.sha256) == 64


def test_fine_artwork_is_reduced_to_eight_pixels_a_millimetre(tmp_path: Any) -> None:
    rgb = artworks.plaque((60, 40), 20.0)
    assert load_artwork(save(rgb, tmp_path / "a.png"), size_mm=(60, 40)).rgb.shape == (320, 480, 3)


def test_grey_and_sixteen_bit_files_are_taken(tmp_path: Any) -> None:
    grey = artworks.plaque((80, 60), 5.0)[..., 0]
    art = load_artwork(save(grey, tmp_path / "g.png"), size_mm=(80, 60))
    assert np.array_equal(art.rgb[..., 0], grey)
    assert np.array_equal(art.rgb[..., 0], art.rgb[..., 2])
    import cv2

    cv2.imwrite(str(tmp_path / "deep.tif"), np.dstack([grey, grey, grey]).astype(np.uint16) * 257)
    assert np.array_equal(load_artwork(tmp_path / "deep.tif", size_mm=(80, 60)).rgb[..., 1], grey)


def test_transparent_parts_are_laid_on_white_with_a_note(tmp_path: Any) -> None:
    rgba = np.zeros((300, 300, 4), np.uint8)
    rgba[100:200, 100:200] = (200, 20, 20, 255)
    art = load_artwork(save(rgba, tmp_path / "t.png"), size_mm=(60, 60))
    assert tuple(art.rgb[0, 0]) == (255, 255, 255)
    assert tuple(art.rgb[150, 150]) == (200, 20, 20)
    assert any("white" in n for n in art.notes)


def test_another_profile_is_converted_with_a_note(tmp_path: Any) -> None:
    rgb = artworks.scenery((80, 60), 5.0)
    art = load_artwork(save(rgb, tmp_path / "p.png", icc_profile=v.matrix_profile("display-p3")), size_mm=(80, 60))
    profile = ImageCms.ImageCmsProfile(io.BytesIO(v.matrix_profile("display-p3")))
    want = ImageCms.profileToProfile(Image.fromarray(rgb), profile, ImageCms.createProfile("sRGB"), renderingIntent=1)
    assert np.abs(np.asarray(want).astype(int) - art.rgb).mean() < 1.5
    assert any("converted" in n for n in art.notes)


def test_bleed_comes_from_resolution_or_proportions(tmp_path: Any) -> None:
    rgb = artworks.plaque((212, 112), 5.0)
    plain = load_artwork(save(rgb, tmp_path / "a.png"), size_mm=(200, 100))
    assert plain.bleed_mm == pytest.approx(6.0, abs=0.1)
    square = artworks.plaque((212, 212), 5.0)
    stated = load_artwork(save(square, tmp_path / "b.png", dpi=(127, 127)), size_mm=(200, 200))
    assert stated.bleed_mm == pytest.approx(6.0, abs=0.05)
    assert stated.bleed_known
    exact = load_artwork(save(square, tmp_path / "d.png", dpi=(127, 127)), size_mm=(212, 212))
    assert exact.bleed_mm == 0
    assert exact.bleed_known
    silent = load_artwork(save(square, tmp_path / "c.png"), size_mm=(200, 200))
    assert silent.bleed_mm == 0
    assert not silent.bleed_known


def test_other_proportions_are_refused_in_one_line(tmp_path: Any) -> None:
    path = save(artworks.plaque((200, 150), 4.0), tmp_path / "a.png")
    with pytest.raises(UsageError, match="other proportions") as e:
        load_artwork(path, size_mm=(200, 100))
    assert "\n" not in str(e.value)
    with pytest.raises(UsageError, match="other proportions"):
        load_artwork(path, size_mm=(200, 150), bleed_mm=20)


@pytest.mark.parametrize("level", [255, 128])
def test_blank_artwork_is_refused(tmp_path: Any, level: int) -> None:
    with pytest.raises(ImageError, match="blank"):
        load_artwork(save(np.full((300, 300, 3), level, np.uint8), tmp_path / "w.png"), size_mm=(60, 60))


def test_cmyk_without_profile_is_refused(tmp_path: Any) -> None:
    Image.fromarray(artworks.plaque((80, 60), 5.0)).convert("CMYK").save(tmp_path / "c.jpg")
    with pytest.raises(ImageError, match="CMYK"):
        load_artwork(tmp_path / "c.jpg", size_mm=(80, 60))


@pytest.mark.parametrize("ends", [True, False])
def test_an_outline_is_the_rim_only_where_the_print_ends(ends: bool) -> None:
    # a pale face of 100 mm with a dark ring at 45 mm; the photo shows it whole, or cut off at the ring
    yy, xx = np.mgrid[:400, :400] / 4.0 + 0.125
    r = np.hypot(xx - 50, yy - 50)
    like = np.full((400, 400, 3), -0.1, np.float32)
    like[(r > 43) & (r < 45)] = (-0.9, -0.4, -0.5)
    photo = like.copy()
    photo[r > (45 if ends else 49.9)] = (-0.6, -0.9, -1.2)  # wood
    pose = Pose(
        np.diag([4.0, 4.0, 1.0]) - [[0, 0, 0.5], [0, 0, 0.5], [0, 0, 0]],
        (0.0, 0.0),
        (200.0, 200.0),
        280.0,
        False,
        0.0,
        4.0,
        0,
        0,
    )
    levels = [placement.Level(np.dstack([photo, np.ones((400, 400), np.float32)]), 1.0)]
    trial = placement.Trial(pose=pose, outline=None, score=1.0)
    art = artwork(np.zeros((400, 400, 3), np.uint8), (100.0, 100.0), shape="round")
    shrunk = rim.PlacedRim(
        to_frame=np.array([[0.9, 0, 5.0], [0, 0.9, 5.0]]),
        rows=placement.Offsets(*(np.zeros((0, 2)), np.zeros((0, 2)), *(np.zeros(0),) * 3)),
        slack=np.zeros((0, 4)),
        hold=np.zeros(4),
        placing=np.zeros(4),
        residual=0.1,
        seen=np.zeros((0, 2)),
    )
    assert rim._print_goes_on(levels, trial, art, (like, 4.0), shrunk) is not ends
