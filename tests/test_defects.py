"""Findings on pressed pictures: made-up pieces with known faults, photographed by the virtual camera.

The truth is the forward model's own (`tests.virtual`); all pieces, lamps and cameras are invented.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

from colorcheck.faults import reflections
from colorcheck.faults.find import DefectResult, find_faults
from colorcheck.faults.lack import LackMap, lack_de, visible_scale
from colorcheck.faults.onecolour import without_colour_errors
from colorcheck.faults.reflections import dye_or_light, mark_reflection
from colorcheck.faults.softspots import soft_spots
from colorcheck.faults.verdict import finding_reason
from colorcheck.ground.cielab import srgb_to_linear
from colorcheck.ground.due import block_depth
from colorcheck.ground.grid import block_means
from colorcheck.ground.limits import Limits, load_limits
from colorcheck.ground.records import Finding, FlatImage, Kind, Severity
from colorcheck.ground.relative import dye_depth
from colorcheck.ground.response import fit_response, predict
from colorcheck.piece.apart import separate
from colorcheck.piece.blocks import PieceView, lay_in_blocks
from colorcheck.piece.expect import expected_image
from colorcheck.piece.residue import _joined, piece_residue
from colorcheck.piece.swallowed import surviving_share
from tests import virtual as v

SIZE = (140.0, 140.0)
ART_PX = 5.0
GRID = 3.0
MARGIN = 21.0


def plaque(ground: tuple[int, int, int] = (70, 110, 150), ink: tuple[int, int, int] = (235, 230, 215)) -> Any:
    n = round(SIZE[0] * ART_PX)
    art = np.full((n, n, 3), ground, np.uint8)
    cv2.rectangle(art, (40, 40), (n - 40, n - 40), (150, 90, 60), 8)
    cv2.putText(art, "27", (150, 400), cv2.FONT_HERSHEY_DUPLEX, 9, ink, 34, cv2.LINE_AA)
    cv2.putText(art, "Lindenweg", (190, 560), cv2.FONT_HERSHEY_SIMPLEX, 2, ink, 6, cv2.LINE_AA)
    return art


def picture(seed: int = 0) -> Any:
    rng = np.random.default_rng(seed)
    n = round(SIZE[0] * ART_PX)
    art = np.full((n, n, 3), 120, np.float32)
    for pitch, amount in ((60, 55), (22, 35), (7, 15), (2, 7)):
        grid = rng.standard_normal((int(SIZE[0] / pitch) + 4,) * 2 + (3,)).astype(np.float32)
        art += amount * cv2.resize(grid, (n, n), interpolation=cv2.INTER_CUBIC)
    art[100:240, 400:560] = (180, 60, 50)
    return np.clip(art, 0, 255).astype(np.uint8)


def face() -> Any:
    n = round(SIZE[0] * ART_PX)
    y, x = np.mgrid[:n, :n]
    r = (np.hypot(x - n / 2, y - n / 2) / (n / 2))[..., None]
    art = np.clip(np.array([90, 120, 90]) * (1 - r**2) + np.array([200, 180, 120]) * r**2, 0, 255).astype(np.uint8)
    for k in range(12):
        s, c = np.sin(k * np.pi / 6), np.cos(k * np.pi / 6)
        ends = [(int(n / 2 + f * n / 2 * s), int(n / 2 - f * n / 2 * c)) for f in (0.78, 0.9)]
        cv2.line(art, ends[0], ends[1], (30, 30, 50), 12, cv2.LINE_AA)
    return art


def press(art: Any, faults: v.Faults | None = None, **kw: Any) -> v.PressedPiece:
    fields: dict[str, Any] = {
        "printer": v.Printer(dyes="dull"),
        "substrate": v.SUBSTRATES["warm film"],
        "seed": 3,
        **kw,
    }
    return v.press_sheet(art, ART_PX, size_mm=SIZE, faults=faults, raster_px_per_mm=5.0, **fields)


def shoot(piece: v.PressedPiece, seed: int = 1, *, turned: int = 0, fill: float = 0.66, **scene: Any) -> list[v.Photo]:
    rng = np.random.default_rng(seed)
    angle = rng.uniform(0, 2 * np.pi)
    lamp = v.Lamp(70 + 330 * np.cos(angle), 70 + 330 * np.sin(angle), 600)
    camera = v.Camera(
        sensitivities=str(rng.choice(["phone-1", "phone-2", "phone-3"])),
        tone=str(rng.choice(["srgb", "phone"])),
        contrast=0.3,
        sharpen=float(rng.uniform(0, 0.6)),
    )
    pose = v.Pose.megapixels(
        1.5, fill=fill, tilt_deg=float(rng.uniform(0, 8)), rotation_deg=float(rng.uniform(-6, 6)), distortion=-0.01
    )
    photos = [v.photograph(piece, scene=v.Scene(lamps=(lamp,), **scene), camera=camera, pose=pose, seed=seed)]
    for turn, shift in [(90.0, (0.0, 0.0)), (0.0, (30.0, 18.0))][:turned]:
        photos.append(
            v.photograph(
                piece,
                scene=photos[0].scene,
                camera=camera.locked(photos[0]),
                pose=photos[0].turned(turn, shift),
                seed=seed + 50,
            )
        )
    return photos


def lay_flat(photo: v.Photo, margin: float = MARGIN, quality: int = 90) -> FlatImage:
    """The photo, through JPEG, on the millimetre grid by its true pose."""
    ok, data = cv2.imencode(".jpg", photo.rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    assert ok
    codes = cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1]
    linear = np.asarray(srgb_to_linear(np.arange(256) / 255.0)).astype(np.float32)[codes]
    n = round((SIZE[0] + 2 * margin) * GRID)
    at = (np.arange(n) + 0.5) / GRID - margin
    px = np.asarray(photo.mm_to_px(np.stack(np.meshgrid(at, at), axis=-1) + [0.12, -0.1])).astype(np.float32)
    mx, my = np.ascontiguousarray(px[..., 0]), np.ascontiguousarray(px[..., 1])
    rgb = cv2.remap(linear, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(float("nan"),) * 4)
    clipped = cv2.remap((codes.max(axis=2) >= 254).astype(np.uint8), mx, my, cv2.INTER_NEAREST)
    return FlatImage(rgb=rgb, clipped=clipped, inside=np.isfinite(rgb).all(axis=2), px_per_mm=GRID)


def inspect(
    art: Any,
    photos: list[v.Photo],
    *,
    shape: Any = "rect",
    card: bool = True,
    blank: v.Photo | None = None,
    limits: Limits | None = None,
    **kw: Any,
) -> DefectResult:
    """Inspect by the true poses; ``blank`` serves every photo, laid flat by each one's own pose."""
    views = []
    for p in photos:
        frame = None if blank is None else lay_flat(replace(p, rgb=blank.rgb)).rgb
        views.append(PieceView(lay_flat(p), MARGIN, frame, p.mm_to_px, card))
    soft = cv2.GaussianBlur(art, (0, 0), 0.2 * ART_PX)
    return find_faults(piece_residue(views, soft, SIZE, shape, **kw), limits or load_limits())


def over_core(truth: Any, spot: v.Spot) -> float:
    """Mean of a map of 1 mm squares over the core of a spot: half its diameter."""
    y, x = np.mgrid[: truth.shape[0], : truth.shape[1]] + 0.5
    return float(np.abs(truth[np.hypot(x - spot.x_mm, y - spot.y_mm) < 0.25 * spot.fwhm_mm]).mean())


def faults_of(result: DefectResult) -> list[Any]:
    return [f for f in result.findings if f.kind != "glare"]


def near(result: DefectResult, x: float, y: float, within: float = 4.0) -> Any:
    hits = [f for f in faults_of(result) if np.hypot(f.x_mm - x, f.y_mm - y) < within]
    return hits[0] if hits else None


def test_dye_depth_is_the_derivative_of_the_logarithm() -> None:
    floor, depth = np.array([0.01, 0.02, 0.0]), np.array([[0.2, 1.0, 2.0]])

    def signal(missing: float) -> Any:
        return floor + (1 - floor) * np.exp(-depth * (1 - missing))

    slope = (np.log(signal(1e-5)) - np.log(signal(-1e-5))) / 2e-5
    np.testing.assert_allclose(dye_depth(signal(0.0), floor), slope, rtol=1e-4)


@pytest.mark.parametrize("shape", [(12, 18), (13, 20), (7, 5)])
def test_block_means_agree_with_plain_means(shape: tuple[int, int]) -> None:
    image = np.random.default_rng(0).random((*shape, 3)).astype(np.float32)
    got = block_means(image, 6)
    assert got.shape[:2] == (-(-shape[0] // 6), -(-shape[1] // 6))
    np.testing.assert_allclose(
        got[0, 0], image[:6, :6].mean(axis=(0, 1))[: got.shape[2]] if min(shape) >= 6 else got[0, 0], atol=1e-6
    )


@pytest.mark.parametrize(
    ("art", "shape", "substrate"),
    [
        (plaque(), "rect", "warm film"),
        (picture(), "rect", "bright"),
        (face(), "round", "satin"),
        (plaque((150, 60, 60), (20, 20, 25)), "rect", "thick glass"),
    ],
)
def test_a_clean_piece_stays_clean(art: Any, shape: Any, substrate: str) -> None:
    piece = press(art, substrate=v.SUBSTRATES[substrate], shape=shape)
    result = inspect(art, shoot(piece, 5, vignetting=0.25), shape=shape)
    assert faults_of(result) == []
    # the clock face's colours change from the middle outwards: a pale middle could hide in them
    assert result.ambiguous == (("colour",) if shape == "round" else ())
    assert result.anchors == ("card",)
    assert result.light_ratio > 1.1


@pytest.mark.parametrize(
    ("art", "shape", "seed"), [(plaque(), "rect", 1), (picture(2), "rect", 2), (face(), "round", 3)]
)
def test_soft_spots_are_found_placed_and_sized(art: Any, shape: Any, seed: int) -> None:
    spots = []
    for x, y, size in ((45.0, 30.0, 12.0), (100.0, 95.0, 22.0)):
        colour = tuple(int(c) for c in art[int(y * ART_PX), int(x * ART_PX)])
        spots.append(
            v.Spot(
                x,
                y,
                size,
                v.pale_strength(
                    4.0, device_rgb=colour, printer=v.Printer(dyes="dull"), substrate=v.SUBSTRATES["warm film"]
                ),
            )
        )
    piece = press(art, v.Faults(spots=tuple(spots)), shape=shape)
    result = inspect(art, shoot(piece, seed), shape=shape)
    truth = piece.true_delta_map(1.0)
    for s in spots:
        hit = near(result, s.x_mm, s.y_mm)
        assert hit is not None, s
        assert hit.kind == "pale"
        assert hit.confidence > 0.6
        assert 1 / 1.7 < hit.area_mm2 / (np.pi / 4 * s.fwhm_mm**2) < 1.7
        assert abs(hit.delta_e00 - over_core(truth, s)) < 1.8
        assert hit.severity in (Severity.MINOR, Severity.MAJOR)
        assert hit.where
    assert len(faults_of(result)) <= 2


def test_colour_free_places_are_not_judged() -> None:
    art = plaque((255, 255, 255), (40, 60, 90))
    result = inspect(art, shoot(press(art), 4))
    assert result.coat == "artwork"
    assert result.judged_share < 0.5
    assert np.isnan(result.lack[3, 3])
    assert np.isnan(result.residual[3, 3])
    assert faults_of(result) == []


def test_one_photo_without_card_says_what_it_cannot_tell() -> None:
    art = plaque()
    strength = v.pale_strength(
        4.5, device_rgb=(70, 110, 150), printer=v.Printer(dyes="dull"), substrate=v.SUBSTRATES["warm film"]
    )
    piece = press(art, v.Faults(pale_centre=strength, pale_centre_mm=(90, 80)))
    photos = shoot(piece, 6)
    alone = inspect(art, photos, card=False)
    assert {"tilt", "bowl"} <= set(alone.ambiguous)
    assert alone.settle_by == "blank frame"
    assert not [f for f in faults_of(alone) if f.kind == "pale-centre" or f.diameter_mm > 60]
    helped = inspect(art, photos, card=False, blank=v.photograph_blank(SIZE, photo=photos[0]))
    found = near(helped, 70, 70, 15)
    assert found is not None
    assert found.kind in ("pale-centre", "pale")
    assert found.diameter_mm > 40
    assert helped.ambiguous == ()
    assert helped.settle_by == ""


def test_a_blank_frame_serves_a_turned_piece_as_well() -> None:
    """One white sheet for both photos of a good piece: neither its light nor its turn is taken for print."""
    art = plaque()
    photos = shoot(press(art), 6, turned=1, vignetting=0.25)
    blank = v.photograph_blank(SIZE, photo=photos[0])
    result = inspect(art, photos, card=False, blank=blank)
    assert faults_of(result) == []
    assert result.ambiguous == ()
    assert "blank frame" in result.anchors
    strength = v.pale_strength(
        5.0, device_rgb=(70, 110, 150), printer=v.Printer(dyes="dull"), substrate=v.SUBSTRATES["warm film"]
    )
    pale = press(art, v.Faults(spots=(v.Spot(105.0, 30.0, 20.0, strength),)))
    found = inspect(art, shoot(pale, 6, turned=1, vignetting=0.25), card=False, blank=blank)
    assert [f.kind for f in faults_of(found)] == ["pale"]
    assert near(found, 105, 30) is not None


def test_a_users_stricter_limit_reports_what_the_shipped_one_hides(tmp_path: Path) -> None:
    """A spot of ΔE00 1.2, which few customers would see."""
    own = tmp_path / "own.toml"
    own.write_text("[even]\nspot_de00 = 0.4\n", encoding="utf-8")
    strict, shipped = load_limits(own), load_limits()
    assert visible_scale(shipped) == 1.0
    assert visible_scale(strict) == pytest.approx(0.2)
    art, spot = plaque(), v.Spot(105.0, 30.0, 22.0, 0.0)

    def pressed(strength: float) -> v.PressedPiece:
        return press(art, v.Faults(spots=(replace(spot, strength=strength),)))

    strength = 0.04
    strength *= 1.2 / over_core(pressed(strength).true_delta_map(1.0), spot)
    piece = pressed(strength)
    assert over_core(piece.true_delta_map(1.0), spot) == pytest.approx(1.2, abs=0.1)
    photos = shoot(piece, 16)
    assert near(inspect(art, photos), 105, 30) is None
    hit = near(inspect(art, photos, limits=strict), 105, 30)
    assert hit is not None
    assert hit.kind == "pale"
    assert hit.delta_e00 == pytest.approx(1.2, abs=0.4)
    assert finding_reason(hit, strict).outcome in ("fail", "undecided")
    assert finding_reason(hit, shipped).outcome == "pass"


def test_turned_and_shifted_photos_show_a_faded_edge() -> None:
    art = plaque()
    strength = v.pale_strength(
        5.0, device_rgb=(70, 110, 150), printer=v.Printer(dyes="dull"), substrate=v.SUBSTRATES["warm film"]
    )
    piece = press(art, v.Faults(edges=(v.EdgeBand("left", 12.0, strength),)))
    result = inspect(art, shoot(piece, 7, turned=2, fill=0.5), card=False)
    edges = [f for f in result.findings if f.kind == "faded-edge"]
    assert [f.where for f in edges] == ["left"]
    assert 6 <= edges[0].diameter_mm <= 20
    assert edges[0].delta_e00 > 2


def test_a_reflection_that_stays_with_the_lamp_is_no_pale_spot() -> None:
    art = picture(5)
    glare = (v.Glare(20.0, 15.0, 30.0, strength=0.06),)
    result = inspect(art, shoot(press(art), 8, turned=2, fill=0.5, glare=glare))
    assert [f.kind for f in result.findings if f.kind != "glare"] == []
    assert any(f.kind == "glare" for f in result.findings)


def test_a_crisp_dot_is_told_from_a_soft_spot() -> None:
    art = plaque()
    piece = press(art, v.Faults(specks=(v.Speck(40, 25, 3.0), v.Speck(110, 25, 2.5, dye="black"))))
    result = inspect(art, shoot(piece, 9))
    dot, speck = near(result, 40, 25, 2), near(result, 110, 25, 2)
    assert dot is not None
    assert dot.kind == "pinhole"
    assert speck is not None
    assert speck.kind in ("speck", "dark")


def test_a_ghost_is_found_with_its_shift() -> None:
    art = plaque((200, 190, 170), (40, 40, 60))
    result = inspect(art, shoot(press(art, v.Faults(ghost=v.Ghost(1.8, 1.0, 0.15))), 10))
    ghosts = [f for f in result.findings if f.kind == "ghost"]
    assert len(ghosts) == 1
    np.testing.assert_allclose(ghosts[0].detail["shift_mm"], (1.8, 1.0), atol=0.5)


def test_scorch_shows_on_bare_coat() -> None:
    art = plaque((255, 255, 255), (40, 60, 90))
    strength = v.scorch_strength(6.0, v.SUBSTRATES["warm film"])
    result = inspect(art, shoot(press(art, v.Faults(scorch=(v.Scorch(strength, 35, 25, 30),))), 11))
    marks = [f for f in result.findings if f.kind == "scorch"]
    assert len(marks) == 1
    assert np.hypot(marks[0].x_mm - 35, marks[0].y_mm - 25) < 10


def test_lighting_comes_out_as_it_was() -> None:
    art = picture(7)
    photo = shoot(press(art), 12, vignetting=0.3)[0]
    view = PieceView(lay_flat(photo), MARGIN, None, photo.mm_to_px, True)
    expected = expected_image(lay_in_blocks([view], art, SIZE))
    light = separate(expected).light[0].mean(axis=2)
    truth = photo.lighting_map(expected.step_mm)
    off = np.log(light / truth)[expected.inside]
    assert np.percentile(np.abs(off - np.median(off)), 95) < 0.02


def test_the_callers_arrays_stay_as_they_were() -> None:
    art = plaque()
    view = PieceView(lay_flat(shoot(press(art), 13)[0]), MARGIN)
    rgb, own = view.flat.rgb.copy(), art.copy()
    find_faults(piece_residue([view], art, SIZE), load_limits())
    np.testing.assert_array_equal(view.flat.rgb, rgb)
    np.testing.assert_array_equal(art, own)


# --- what light, colours and reflections could hide -------------------------------------------------


def test_which_light_stays_ambiguous_follows_from_the_turns_and_shifts() -> None:
    """Null space of light against print, counted apart from the package, and what the package says of the same sets.

    Photo k shows light(T_k x) + print(x) + a level of its own. A light polynomial is ambiguous
    when it differs between the photos by constants only. Kuhn, Lin & Loranz, PASP 103, 1097 (1991).
    """
    rng = np.random.default_rng(1)
    x = rng.uniform(-1, 1, (300, 2))

    def turn(degrees: float, shift: tuple[float, float] = (0.0, 0.0)) -> Any:
        a = np.radians(degrees)
        return x @ np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]).T + shift

    def ambiguous(places: list[Any], degree: int) -> int:
        def terms(p: Any) -> Any:
            powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)][1:]
            return np.stack([p[:, 0] ** i * p[:, 1] ** j for i, j in powers], axis=1)

        rows = [terms(p) - terms(places[0]) for p in places[1:]]
        if not rows:
            return int(terms(x).shape[1])
        a = np.concatenate([r - r.mean(axis=0) for r in rows])
        return int(a.shape[1] - np.linalg.matrix_rank(a, tol=1e-8))

    sets = {
        "one": ([turn(0)], [2, 5, 9, 14]),
        "0 + 180": ([turn(0), turn(180)], [0, 3, 3, 8]),
        "four quarters": ([turn(d) for d in (0, 90, 180, 270)], [0, 1, 1, 4]),
        "shifts": ([turn(0), turn(0, (0.4, 0.1)), turn(0, (-0.1, 0.4))], [2, 2, 2, 2]),
        "0 + 90 + shift": ([turn(0), turn(90), turn(0, (0.4, 0.25))], [0, 0, 0, 0]),
    }
    for name, (places, expected) in sets.items():
        assert [ambiguous(places, d) for d in (1, 2, 3, 4)] == expected, name
    art = picture(3)
    piece = press(art)
    first = shoot(piece, 21, fill=0.5)[0]

    def also(degrees: float, shift: tuple[float, float] = (0.0, 0.0)) -> v.Photo:
        camera = first.camera.locked(first)
        return v.photograph(piece, scene=first.scene, camera=camera, pose=first.turned(degrees, shift), seed=90)

    assert {"tilt", "bowl"} <= set(inspect(art, [first], card=False).ambiguous)
    assert inspect(art, [first, also(90), also(0, (30.0, 18.0))], card=False).ambiguous == ()


def radial(inner: tuple[int, int, int] = (60, 110, 150), outer: tuple[int, int, int] = (200, 120, 70)) -> Any:
    n = round(SIZE[0] * ART_PX)
    y, x = np.mgrid[:n, :n]
    r = np.clip(np.hypot(x - n / 2, y - n / 2) / (0.7 * n), 0, 1)[..., None]
    return np.clip(np.array(inner) * (1 - r) + np.array(outer) * r, 0, 255).astype(np.uint8)


def test_a_pale_centre_that_the_pictures_colours_could_imitate_is_not_passed_over() -> None:
    """Colours that change from the middle outwards: the map learned from the photo takes the fault for colour."""
    art = radial()
    strength = v.pale_strength(
        6.0, device_rgb=(90, 115, 130), printer=v.Printer(dyes="dull"), substrate=v.SUBSTRATES["warm film"]
    )
    piece = press(art, v.Faults(pale_centre=strength, pale_centre_mm=(80, 80)))
    photos = shoot(piece, 22)
    alone = inspect(art, photos)
    assert "colour" in alone.ambiguous
    assert alone.settle_by == "reading"
    assert alone.broad_colour_de00 > 2.5

    known = same_camera(photos[0])
    told = inspect(art, photos, answer=known)
    assert "colour" not in told.ambiguous
    broad = [f for f in faults_of(told) if f.kind in ("pale-centre", "pale")]
    assert broad
    assert np.hypot(broad[0].x_mm - 70, broad[0].y_mm - 70) < 12
    assert broad[0].diameter_mm > 30
    still = inspect(art, shoot(press(art), 22), answer=known)
    assert not [f for f in faults_of(still) if f.kind in ("pale-centre", "pale")]


@pytest.mark.parametrize(("art", "left"), [(radial(), (-0.05, 0.1)), (picture(1), (0.3, 1.1)), (plaque(), (0.5, 1.1))])
def test_how_much_of_a_pale_centre_the_colours_swallow(art: Any, left: tuple[float, float]) -> None:
    """All of it where colours change from the middle outwards only, little where they recur everywhere."""
    view = PieceView(lay_flat(shoot(press(art), 22)[0]), MARGIN)
    expected = expected_image(lay_in_blocks([view], art, SIZE))
    assert left[0] < surviving_share(expected, separate(expected)) < left[1]


def same_camera(photo: v.Photo) -> Any:
    """What a reading with this camera gives: a pressed sheet of many colours, in the same light, fitted smoothly."""
    steps = np.linspace(0, 255, 6).round().astype(np.uint8)
    device = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    printer, substrate = v.Printer(dyes="dull"), v.SUBSTRATES["warm film"]
    cells = np.kron(device.reshape(12, 18, 3), np.ones((20, 20, 1), np.uint8))
    sheet = v.press_sheet(cells, 2.0, printer=printer, substrate=substrate, faults=v.Faults(mottle=0, grain=0))
    even = replace(photo.scene, lamps=(), ambient=1.0, vignetting=0.0, glare=())
    shot = v.photograph(sheet, scene=even, camera=photo.camera.locked(photo), pose=v.Pose.megapixels(1.0), seed=1)
    linear = np.asarray(srgb_to_linear(shot.rgb / 255.0))
    middle = np.stack(np.meshgrid((np.arange(18) + 0.5) * 10, (np.arange(12) + 0.5) * 10), axis=-1).reshape(-1, 2)
    px = np.asarray(shot.mm_to_px(middle)).round().astype(int)
    seen = np.stack([linear[y - 4 : y + 5, x - 4 : x + 5].mean(axis=(0, 1)) for x, y in px])
    response = fit_response(device, seen / seen[-1])
    return lambda rgb: predict(response, rgb)


def test_plain_pictures_are_not_called_ambiguous() -> None:
    for art, seed in ((plaque(), 5), (picture(1), 6)):
        result = inspect(art, shoot(press(art), seed))
        assert "colour" not in result.ambiguous


@pytest.mark.parametrize(("strength", "seed"), [(0.12, 31), (0.3, 32)])
def test_a_reflection_in_a_single_photo_is_named_so(strength: float, seed: int) -> None:
    """It adds the lamp's light to light and dark alike, which no missing dye does."""
    art = picture(6)
    glare = (v.Glare(15.0, 10.0, 28.0, strength=strength),)
    result = inspect(art, shoot(press(art), seed, glare=glare))
    assert any(f.kind == "glare" and np.hypot(f.x_mm - 85, f.y_mm - 80) < 20 for f in result.findings)
    assert not [f for f in faults_of(result) if not f.doubt]


def test_missing_dye_and_added_light_are_told_apart_by_colour() -> None:
    art = picture(8)
    spot = press(art, v.Faults(spots=(v.Spot(70, 70, 24, 0.3),)))
    for piece, extra, sign in ((spot, (), 1), (press(art), (v.Glare(0.0, 0.0, 24.0, strength=0.08),), -1)):
        view_photo = shoot(piece, 33, glare=extra)[0]
        view = PieceView(lay_flat(view_photo), MARGIN, None, view_photo.mm_to_px, True)
        doubtful = np.zeros((1, 70, 70), bool)
        yy, xx = np.mgrid[:70, :70]
        doubtful[0] = np.hypot(xx - 34.5, yy - 34.5) < 13
        expected = expected_image(lay_in_blocks([view], art, SIZE), doubtful=doubtful)
        assert sign * dye_or_light(_joined(expected, separate(expected)), doubtful[0]) > 25


def test_a_reflection_is_marked_as_wide_as_it_can_be_seen_and_hides_no_spot_beside_it() -> None:
    """A mirrored window has hard rims: 30 mm wide it is marked so, and a pale spot close by still counts."""
    art = picture(5)
    piece = press(art, v.Faults(spots=(v.Spot(70.0, 100.0, 16, 0.3),)))
    shots = shoot(piece, 12, glare=(v.Glare(0.0, 0.0, strength=0.12, window_mm=(30.0, 30.0)),))
    result = inspect(art, shots)
    at = (np.arange(result.glare.shape[0]) + 0.5) * result.step_mm
    window = np.asarray(shots[0].glare_at(np.stack(np.meshgrid(at, at), axis=-1))) > 0.01
    assert result.glare[window].mean() > 0.9
    assert result.glare.sum() < 1.6 * window.sum()
    assert [f.kind for f in faults_of(result)] == ["pale"]
    spot = near(result, 70, 100, 4)
    assert spot is not None
    assert not spot.doubt


@pytest.mark.parametrize("strength", [0.03, 0.06])
def test_a_hard_rim_is_not_of_heat(strength: float) -> None:
    """A mirrored window on one neutral ground looks like missing dye in all but its rim."""
    art = plaque((120, 120, 120), (235, 235, 230))
    glare = (v.Glare(-32.0, 34.0, 0.0, strength=strength, window_mm=(15.0, 20.0), rim_mm=1.0),)
    pale = [f for f in faults_of(inspect(art, shoot(press(art), 41, glare=glare))) if f.diameter_mm > 8]
    assert pale
    assert all(f.doubt and f.detail["rim_mm"] < 3.0 for f in pale)
    soft = press(art, v.Faults(spots=(v.Spot(38.0, 104.0, 17.0, 2.2 * strength, power=2.0),)))
    spot = near(inspect(art, shoot(soft, 41)), 38, 104)
    assert spot is not None
    assert spot.doubt != "rim"
    assert "rim_mm" not in spot.detail


@pytest.mark.parametrize(
    ("size", "de", "evidence", "rim", "anchor", "doubt"),
    [
        (20.0, 4.0, 0.0, "", "card", ""),  # as heat usually makes them: missing dye, though the colours cannot tell
        (20.0, 9.0, 0.0, "", "card", "reflection"),  # stronger than heat
        (50.0, 4.0, 0.0, "", "card", "reflection"),  # as wide as a mirrored lamp
        (50.0, 4.0, 0.0, "", "blank frame", ""),  # whose light is known
        (20.0, 4.0, -20.0, "", "card", "reflection"),  # leans to light
        (20.0, 4.0, 0.0, "rim", "card", "reflection"),
        (50.0, 9.0, 30.0, "", "card", ""),  # the colours tell: dye is missing
        (20.0, 4.0, 30.0, "rim", "card", "rim"),  # missing dye, but none that heat left out
    ],
)
def test_what_may_be_a_reflection_is_in_doubt(
    monkeypatch: pytest.MonkeyPatch, size: float, de: float, evidence: float, rim: str, anchor: str, doubt: str
) -> None:
    at = np.stack(np.meshgrid(np.arange(1.0, 140.0, 2.0), np.arange(1.0, 140.0, 2.0)), axis=-1)
    res: Any = SimpleNamespace(anchors=(anchor,), step_mm=2.0, places=lambda: at)
    monkeypatch.setattr(reflections, "dye_or_light", lambda *_: evidence)
    place = Finding(Kind.PALE, 70.0, 70.0, size, np.pi / 4 * size**2, de, 3.0, 1.0, "in the middle", doubt=rim)
    marked = mark_reflection(place, res)
    assert marked.doubt == doubt
    assert marked.evidence == {"missing dye": evidence}
    dark = replace(place, kind=Kind.DARK)
    assert mark_reflection(dark, res) is dark  # a reflection makes nothing darker


def test_print_that_is_missing_with_a_hard_rim_is_known_from_several_photos() -> None:
    """It turns with the piece, so it is no reflection, and its rim is none of heat."""
    art = plaque((120, 120, 120), (235, 235, 230))
    piece = press(art, v.Faults(spots=(v.Spot(38.0, 104.0, 17.0, 0.25, power=40.0), v.Spot(105.0, 30.0, 17.0, 0.25))))
    result = inspect(art, shoot(piece, 42, turned=2, fill=0.5))
    hard, soft = near(result, 38, 104), near(result, 105, 30)
    assert hard is not None
    assert soft is not None
    assert hard.detail["rim_mm"] < 3.0
    assert not hard.doubt
    assert "rim_mm" not in soft.detail


HELD = {
    "lampshade": {"fwhm_mm": 30.0, "strength": 0.12},
    "window": {"window_mm": (48.0, 34.0), "rim_mm": 3.0, "strength": 0.08, "angle_deg": 20.0},
}


@pytest.mark.parametrize("mirrored", HELD)
@pytest.mark.parametrize(("spot", "seed"), [(None, 3), (None, 8), (v.Spot(64.0, 66.0, 18.0, v.pale_strength(7.0)), 5)])
def test_two_hand_held_photos_tell_a_moved_reflection_from_a_spot(
    mirrored: str, spot: v.Spot | None, seed: int
) -> None:
    """The phone went a hand's breadth to the side, and the mirror image by half of that; a spot may lie under it."""
    art = picture(seed)
    piece = press(art, v.Faults(spots=() if spot is None else (spot,)))
    photos = []
    for k, (x, y) in enumerate(((58.0, 60.0), (98.0, 76.0))):
        pose = v.Pose.megapixels(1.5, fill=0.66, tilt_deg=3.0 + 5 * k, rotation_deg=4.0 - 6 * k, distortion=-0.01)
        scene = v.Scene(lamps=(v.Lamp(-200, -150, 600),), glare=(v.Glare(x, y, frame="piece", **HELD[mirrored]),))
        photos.append(
            v.photograph(piece, scene=scene, camera=v.Camera(sensitivities="phone-2"), pose=pose, seed=seed + k)
        )
    result = inspect(art, photos)
    if spot is None:
        assert not [f for f in faults_of(result) if f.severity is not Severity.NOTE]
        return
    found = near(result, spot.x_mm, spot.y_mm)
    assert found is not None
    assert found.kind == "pale"
    assert len(faults_of(result)) == 1


def test_a_colour_that_is_expected_wrongly_is_no_spot() -> None:
    """Plain fields, one of which is paler than expected all over, and a soft spot that crosses four of them."""
    step = 2.0
    y, x = (np.mgrid[:70, :70] + 0.5) * step
    field = (y // 20).astype(int) * 7 + (x // 20).astype(int)
    ones = np.ones((70, 70, 3))
    for wrong in (True, False):
        bell = np.exp(-np.log(2) * (np.hypot(x - 60, y - 60) / 9) ** 2)
        q = np.where(field == 3 * 7 + 3, 0.1, 0.0) if wrong else 0.15 * bell
        m = LackMap(
            q=q + np.random.default_rng(4).normal(0, 0.01, q.shape),
            var=np.full(q.shape, 0.01**2),
            step=step,
            x=x,
            y=y,
            rel=0.3 * ones,
            depth=ones,
            group=field,
            group_var=np.full(q.shape, 0.01**2),
            basis=np.zeros((70, 70, 1)),
            light_cov=np.zeros((1, 1)),
            reach=np.minimum(np.minimum(x, 140 - x), np.minimum(y, 140 - y)),
            size_mm=SIZE,
            shape="rect",
            eye=1.0,
        )
        spots, _ = soft_spots(m, q[..., None] * ones)
        assert [f.kind for f in spots][:1] == ["pale"]
        assert bool(without_colour_errors(spots, m)) is not wrong


# --- round pieces -----------------------------------------------------------------------------------


def test_a_faded_edge_of_a_round_piece_is_found_at_its_hour() -> None:
    art = face()
    strength = v.pale_strength(
        7.0, device_rgb=(190, 175, 118), printer=v.Printer(dyes="dull"), substrate=v.SUBSTRATES["warm film"]
    )
    piece = press(art, v.Faults(edges=(v.EdgeBand("left", 14.0, strength),)), shape="round")
    result = inspect(art, shoot(piece, 14), shape="round")
    pale = [f for f in faults_of(result) if f.kind in ("faded-edge", "pale")]
    assert pale
    assert all(f.x_mm < 40 for f in pale)
    assert any("9 o'clock" in f.where or "8 o'clock" in f.where or "10 o'clock" in f.where for f in pale)
    assert all(np.hypot(f.x_mm - 70, f.y_mm - 70) < 70.5 for f in result.findings)


@pytest.mark.parametrize(("shape", "along"), [("round", "y"), ("rect", "x")])
def test_regular_lines_are_found_with_their_period(shape: Any, along: str) -> None:
    art = face() if shape == "round" else plaque()
    piece = press(art, v.Faults(banding=v.Banding("magenta", 2.4, 0.3, along, 0.6)), shape=shape)
    lines = [f for f in inspect(art, shoot(piece, 15), shape=shape).findings if f.kind == "banding"]
    assert len(lines) == 1
    assert lines[0].detail["period_mm"] == pytest.approx(2.4, rel=0.05)


# --- second opinions --------------------------------------------------------------------------------


def noise_map(seed: int, spots: tuple[tuple[float, float, float, float], ...] = (), smooth: float = 0.0) -> LackMap:
    """A map of missing dye that holds noise of 0.02 and, if wanted, soft spots (x, y, sigma, height)."""
    rng = np.random.default_rng(seed)
    q = rng.standard_normal((70, 70))
    if smooth:
        q = cv2.GaussianBlur(q, (0, 0), smooth)
        q /= q.std()
    yy, xx = np.mgrid[:70, :70]
    x, y = 2.0 * xx + 1, 2.0 * yy + 1
    q = 0.02 * q
    for cx, cy, s, a in spots:
        q = q + a * np.exp(-0.5 * ((x - cx) ** 2 + (y - cy) ** 2) / s**2)
    rel = np.full((70, 70, 3), 0.2)
    return LackMap(
        q=q,
        var=np.full(q.shape, 0.02**2),
        step=2.0,
        x=x,
        y=y,
        rel=rel,
        depth=-np.log(rel),
        group=np.zeros(q.shape, int),
        group_var=np.full(q.shape, 1e-4),
        basis=np.zeros((70, 70, 2)),
        light_cov=np.zeros((2, 2)),
        reach=np.minimum(np.minimum(x, 140 - x), np.minimum(y, 140 - y)),
        size_mm=SIZE,
        shape="rect",
        eye=1.0,
    )


@pytest.mark.parametrize("only_there", [True, False])
def test_a_speck_in_a_colour_that_occurs_nowhere_else_is_no_finding(only_there: bool) -> None:
    """The middle of a clock face printed darker than expected, or a dark speck on its ground."""
    m = noise_map(3)
    dot = np.hypot(m.x - 70, m.y - 70) < 2.5
    m.q[dot] -= 0.25
    m.group[dot] = 1
    if not only_there:
        m.group[10:14, 50:54] = 1
    speck = Finding(
        kind=Kind.DARK,
        x_mm=70.0,
        y_mm=70.2,
        diameter_mm=3.3,
        area_mm2=8.6,
        delta_e00=6.0,
        delta_l=-4.0,
        confidence=1.0,
        where="in the middle",
        detail={"lack": -0.25},
    )
    assert bool(without_colour_errors([speck], m)) is not only_there


def test_false_alarms_on_pure_noise_stay_below_those_of_false_discovery_control() -> None:
    """Benjamini & Hochberg, J. R. Statist. Soc. B 57(1), 289–300 (1995), as scipy has it, on the same maps."""
    from scipy.stats import false_discovery_control, norm

    ours = theirs = 0
    for seed in range(24):
        m = noise_map(seed, smooth=0.0 if seed % 2 else 0.7)
        ours += len(soft_spots(m, np.repeat(m.q[..., None], 3, axis=2) * m.depth)[0])
        z = m.q.ravel() / m.q.std()
        theirs += int((false_discovery_control(2 * norm.sf(np.abs(z))) < 0.01).sum())
    assert ours == 0
    assert theirs <= 2
    m = noise_map(99, ((40.0, 50.0, 8.0, 0.12),))
    found, _ = soft_spots(m, np.repeat(m.q[..., None], 3, axis=2) * m.depth)
    assert [(abs(f.x_mm - 40) < 2, abs(f.y_mm - 50) < 2) for f in found] == [(True, True)]


def test_a_wide_strong_spot_is_one_finding_of_its_own_size() -> None:
    """A narrow filter sees it first; the fit must grow to it and leave no rim behind."""
    m = noise_map(7, ((66.0, 74.0, 12.0, 0.35),))
    found, _ = soft_spots(m, np.repeat(m.q[..., None], 3, axis=2) * m.depth)
    assert len(found) == 1
    assert np.hypot(found[0].x_mm - 66, found[0].y_mm - 74) < 1
    assert found[0].diameter_mm == pytest.approx(2.355 * 12, rel=0.08)


def test_strong_spots_do_not_raise_the_noise_that_a_weak_one_must_exceed() -> None:
    strong = ((34.0, 34.0, 15.0, 0.5), (104.0, 36.0, 15.0, 0.5), (36.0, 104.0, 15.0, 0.5))
    m = noise_map(8, (*strong, (108.0, 110.0, 5.0, 0.09)))
    found, _ = soft_spots(m, np.repeat(m.q[..., None], 3, axis=2) * m.depth)
    assert len(found) == 4
    assert min(np.hypot(f.x_mm - 108, f.y_mm - 110) for f in found) < 2


def test_a_spot_across_a_hard_edge_keeps_its_middle_where_one_side_shows_half_of_it() -> None:
    m = noise_map(9, ((70.0, 60.0, 9.0, 0.3),))
    light = m.x < 66
    depth = np.where(light[..., None], 0.15, 1.2) * np.ones(3)
    q = np.where(light, 0.5, 1.0) * noise_map(9, ((70.0, 60.0, 9.0, 0.3),)).q
    m = replace(m, q=q, depth=depth, rel=np.exp(-depth), group=light.astype(int))
    found, _ = soft_spots(m, np.repeat(m.q[..., None], 3, axis=2) * m.depth)
    pale = [f for f in found if f.kind == "pale"]
    assert len(pale) == 1
    assert np.hypot(pale[0].x_mm - 70, pale[0].y_mm - 60) < 1.5
    assert pale[0].diameter_mm == pytest.approx(2.355 * 9, rel=0.15)


def test_thin_lines_have_less_depth_than_an_even_grey_of_the_same_mean() -> None:
    fine = np.ones((24, 24, 3), np.float32)
    fine[:, ::2] = 0.04
    e: Any = SimpleNamespace(fine_rel=fine, step_mm=2.0, fine_px_per_mm=3.0)
    lines = block_depth(e)
    e.fine_rel = np.full_like(fine, 0.52)
    even = block_depth(e)
    assert lines.shape == even.shape == (4, 4, 3)
    floor = 0.024  # six tenths of the darkest print
    line = -np.log((0.04 - floor) / (1 - floor)) * (0.04 - floor) / 2 / 0.52
    np.testing.assert_allclose(lines, line, rtol=1e-3)
    assert (lines < 0.25 * even).all()


def test_the_stated_colour_difference_agrees_with_colour_science() -> None:
    """CIEDE2000 of known flat colours with a share of their dye missing, D50, relative to the coat."""
    import colour

    rel = np.array([[0.2, 0.2, 0.2], [0.05, 0.1, 0.3], [0.6, 0.3, 0.1], [0.8, 0.75, 0.6]])
    depth = -np.log(rel)
    srgb = colour.RGB_COLOURSPACES["sRGB"]
    d65, d50 = srgb.whitepoint, colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]

    def lab(rgb: Any) -> Any:
        xyz = rgb @ np.asarray(srgb.matrix_RGB_to_XYZ).T
        adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
            colour.xy_to_XYZ(d65), colour.xy_to_XYZ(d50), transform="Bradford"
        )
        return colour.XYZ_to_Lab(xyz @ np.asarray(adapt).T, d50)

    for share in (0.05, 0.15, 0.4):
        ours = lack_de(rel, depth, share)
        theirs = colour.delta_E(lab(rel), lab(rel * np.exp(share * depth)), method="CIE 2000")
        np.testing.assert_allclose(ours, theirs, atol=0.03)
