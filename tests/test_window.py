"""Pieces lit from behind: the forward model by hand and against published values, then what is measured of them."""

from __future__ import annotations

import json
import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from colorcheck.__main__ import main
from colorcheck.colour.icc import check_tags
from colorcheck.ground.relative import relative_lab
from colorcheck.ground.transmitted import colour_weights, passed_once, window_lin
from colorcheck.show.words import photo_advice
from tests import scenes
from tests import virtual as v
from tests.virtual import artworks, spectral, texture

# --- the forward model ----------------------------------------------------------------------------


def small(rgb: tuple[int, int, int], **fields: object) -> v.PressedPiece:
    """An even piece of 40 mm."""
    art = np.full((160, 160, 3), rgb, np.uint8)
    return v.press_sheet(art, 4.0, raster_px_per_mm=4.0, faults=v.Faults(mottle=0, grain=0, bleed_mm=0), **fields)


def test_light_that_passes_once_meets_half_the_density() -> None:
    """Beer and Lambert: density is proportional to the path, so one pass has half the density of two, in every band."""
    front = small((150, 90, 60), substrate=v.Substrate(floor=0.0, leak=0.0))
    every = np.eye(spectral.BANDS)
    there_and_back = -np.log10(front.response(every)[5, 5] / front.coat)
    once = -np.log10(front.behind().response(every)[5, 5] / front.behind().coat)
    np.testing.assert_allclose(once, there_and_back / 2, atol=2e-4)
    box = [[10.0, 10.0, 10.0, 10.0]]
    grey = small((128, 128, 128), substrate=v.Substrate(floor=0.0, leak=0.0))
    assert grey.behind().true_density(box)[0] == pytest.approx(grey.true_density(box)[0] / 2, abs=0.02)
    assert grey.behind().true_lab(box)[0, 0] > grey.true_lab(box)[0, 0] + 10  # so it is paler than from the front


def test_light_beside_the_dye_limits_the_black() -> None:
    """With the share f that never meets dye, black lets f + (1 − f)·√T pass, T that of two passes: by hand."""
    piece = small((0, 0, 0), substrate=v.Substrate(floor=0.0, leak=0.08))
    two = piece.true_density([[10.0, 10.0, 10.0, 10.0]])[0]
    once = piece.behind().true_density([[10.0, 10.0, 10.0, 10.0]])[0]
    assert once == pytest.approx(-np.log10(0.08 + 0.92 * 10 ** (-two / 2)), abs=0.03)


@pytest.mark.parametrize(("thickness_mm", "published"), [(4.0, 0.90), (6.0, 0.89), (10.0, 0.87)])
def test_float_glass_lets_pass_what_is_published(thickness_mm: float, published: float) -> None:
    """Light transmittance of clear float glass, EN 410 as makers' tables give it (from memory, ± 0.015)."""
    spectrum = spectral.two_surfaces() * spectral.glass_transmittance(thickness_mm)
    assert float(spectrum @ spectral.xyz_weights("D65")[:, 1]) == pytest.approx(published, abs=0.015)


def test_two_surfaces_of_glass_mirror_eight_percent() -> None:
    """Fresnel: 4.26 % at each surface of index 1.52 and what goes to and fro between them, by hand."""
    once = (0.52 / 2.52) ** 2
    series = sum((1 - once) ** 2 * once ** (2 * k) for k in range(20))
    assert v.spectral.two_surfaces() == pytest.approx(series, abs=1e-9)


def test_transmitted_colour_agrees_with_colour_science() -> None:
    colour = spectral.colour_science()
    piece = small((40, 120, 190)).behind()
    band = piece.response(np.eye(spectral.BANDS))[5, 5]
    shape = colour.SpectralShape(380, 730, 10)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        xyz, white = (
            colour.sd_to_XYZ(
                colour.SpectralDistribution(s, shape.wavelengths), illuminant=colour.SDS_ILLUMINANTS["D50"]
            )
            for s in (band, piece.coat)
        )
        lab = colour.XYZ_to_Lab(xyz / white[1] * 1.0, colour.XYZ_to_xy(white))
    ours = piece.true_lab([[10.0, 10.0, 10.0, 10.0]])[0]
    assert v.delta_e00(ours, lab) < 0.3


def test_an_inclined_surface_displaces_what_lies_below_it() -> None:
    """Snell: 4 mm below a slope of 0.1 in glass of 1.52, 0.137 mm for small angles and 0.138 exactly, by hand."""
    assert float(texture.refracted_shift(0.1, 4.0)) == pytest.approx(4 * 0.1 * (1 - 1 / 1.52), abs=0.002)
    steep = np.arctan(0.5)
    inside = np.arcsin(np.sin(steep) / 1.52)
    assert float(texture.refracted_shift(0.5, 4.0)) == pytest.approx(4 * np.tan(steep - inside))
    assert float(texture.refracted_shift(0.0, 4.0)) == 0.0


@pytest.mark.parametrize("kind", ["rippled", "hammered", "reeded", "frosted"])
def test_patterned_glass_displaces_as_strongly_as_told(kind: str) -> None:
    shift = texture.shift_field(v.Texture(kind, 0.5), (60.0, 60.0))
    assert np.sqrt((shift**2).sum(axis=2).mean()) == pytest.approx(0.5, rel=0.01)
    away = np.abs(shift[2:, 2:] - shift[:-2, :-2]).mean()  # half a millimetre apart
    assert (away < 0.6 * np.abs(shift).mean()) == (kind != "frosted")  # frost changes within a millimetre


def test_a_window_photo_has_the_light_it_was_given() -> None:
    """Bare blank: panel × vignetting; bands of flicker across the rows; the panel ends where its size says."""
    bare = small((255, 255, 255))
    camera = v.Camera(noise=0, flare=0, tone="srgb", bits=16)
    pose = v.Pose(width_px=600, height_px=450, blur_px=0.0)
    panel = v.Panel("D50", size_mm=(90.0, 46.0), vignetting=0.0, lights=(v.Window(0, 1.5, 40.0),), ambient=0.0)
    photo = v.photograph_window(bare, panel=panel, camera=camera, pose=pose)
    linear = spectral.decode_srgb(photo.rgb / 65535)[..., 1]

    def at(x: float, y: float) -> float:
        px = np.round(photo.mm_to_px([x, y])).astype(int)
        return float(linear[px[1], px[0]])

    assert at(38, 20) / at(2, 20) == pytest.approx(1.5**0.9, rel=0.01)
    coat = float(bare.behind().coat @ camera.response_weights("D50")[:, 1])
    assert at(20, 20) / at(20, -1.5) == pytest.approx(coat, rel=0.02)
    assert at(20, -5) < 0.05 * at(20, -1.5)
    banded = v.photograph_window(
        bare, panel=replace(panel, lights=(), size_mm=None, flicker=0.05, flicker_rows=60), camera=camera, pose=pose
    )
    rows = spectral.decode_srgb(banded.rgb / 65535)[:, 20, 1]
    assert float(np.ptp(rows) / rows.mean()) == pytest.approx(0.1, abs=0.01)


def test_stray_light_lifts_the_black_and_pixels_show_through_a_clear_blank_only() -> None:
    camera = v.Camera(noise=0, flare=0, tone="srgb", bits=16)
    pose = v.Pose(width_px=600, height_px=450, blur_px=0.0)
    dark = small((0, 0, 0))
    grey = []
    for stray in (0.0, 0.2):
        photo = v.photograph_window(dark, panel=v.Panel("D50", stray=stray), camera=camera, pose=pose)
        grey.append(float(spectral.decode_srgb(photo.rgb[225, 300, 1] / 65535) / photo.gain))
    assert grey[1] - grey[0] == pytest.approx(0.2 * (1 - spectral.two_surfaces()), abs=0.004)
    rough = {}
    for diffusing in (True, False):
        bare = small((255, 255, 255), substrate=v.Substrate(diffusing=diffusing))
        photo = v.photograph_window(bare, panel=v.Panel("display", pixel_mm=0.5), camera=camera, pose=pose)
        middle = photo.rgb[200:250, 250:350].astype(float)
        rough[diffusing] = float(middle.std(axis=(0, 1)).max() / middle.mean())
    assert rough[True] < 0.01 < rough[False]


# --- the contract ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Photos of one good target from the front and from behind, and their readings."""
    out = tmp_path_factory.mktemp("window")
    piece = scenes.press("small")
    pose = v.Pose.megapixels(2.2, rotation_deg=3.0, fill=0.9)
    v.save_photo(v.photograph(piece, pose=pose, seed=1), out / "front.jpg")
    panel = v.Panel(lights=(v.Window(30, 1.4, 150.0),), stray=0.01)
    for name, seed in (("window", 1), ("window-2", 2)):
        v.save_photo(v.photograph_window(piece, panel=panel, pose=pose, seed=seed), out / f"{name}.jpg")
    for name, lit in (("front", "front"), ("window", "behind"), ("window-2", "behind")):
        assert ran("read", out / f"{name}.jpg", "--lit", lit, "--json", out / f"{name}.json") == 0
    return out


def ran(*words: object) -> int:
    return main([*map(str, words), "--quiet"])


def read_json(path: Path) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(path.read_text())
    return data


def test_a_good_print_is_good_from_behind(folder: Path) -> None:
    """Half the density is due, and colours are relative to the bare blank before the panel."""
    reading = read_json(folder / "window.json")
    assert reading["lit"] == "behind"
    assert reading["paper"] == "off"
    assert reading["verdict"]["action"] == "accept"
    target = scenes.sheet("small")[0]
    true = scenes.press("small").behind().true_lab(scenes.reading_area(target))
    lab = np.array([p["lab"] for p in reading["patches"]])
    assert v.delta_e00(lab, true).mean() < 2.0
    passes = next(r for r in reading["verdict"]["reasons"] if r["measure"] == "black-passes")
    black = scenes.press("small").behind().true_density(scenes.reading_area(target))[target.kind == 2]
    assert passes["value"] == pytest.approx(100 * 10 ** -float(np.median(black)), abs=2.0)
    assert "lets" in passes["says"]


@pytest.mark.parametrize(
    ("photo", "lit", "by"), [("window", "front", "light-around"), ("front", "behind", "lit-otherwise")]
)
def test_light_from_the_other_side_is_noticed(folder: Path, tmp_path: Path, photo: str, lit: str, by: str) -> None:
    """By what surrounds a scattering blank, which comes first, else by the depth of the print."""
    assert ran("read", folder / f"{photo}.jpg", "--lit", lit, "--json", tmp_path / "r.json") == 0
    verdict = read_json(tmp_path / "r.json")["verdict"]
    assert verdict["action"] == "retake-photo"
    assert next(r["measure"] for r in verdict["reasons"] if r["outcome"] == "fail") == by


def test_readings_of_unlike_light_do_not_meet(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    front, window, second = (folder / f"{n}.json" for n in ("front", "window", "window-2"))
    art = tmp_path / "art.png"
    Image.fromarray(np.arange(40000, dtype=np.uint32).reshape(200, 200).astype(np.uint8)).convert("RGB").save(art)
    icc, size = tmp_path / "window.icc", ("--size", "100x100mm")
    assert ran("profile", window, second, "--lit", "behind", "--out", icc) == 0
    assert icc.read_bytes()[63] & 1  # ICC.1, 7.2.14: bit 0 of the attributes marks a transparency
    assert check_tags(icc.read_bytes()) == []
    made = ("--profile", icc, *size, "--out")
    assert ran("prepare", art, *made, tmp_path / "print.png", "--lit", "behind", "--json", tmp_path / "p.json") == 0
    assert "more ink" in read_json(tmp_path / "p.json")["warnings"][0]
    refused: list[tuple[object, ...]] = [
        ("compare", front, window),
        ("compare", window, second),
        ("profile", front, window, "--lit", "behind", "--out", tmp_path / "x.icc"),
        ("profile", window, "--out", tmp_path / "x.icc"),
        ("profile", front, "--lit", "behind", "--out", tmp_path / "x.icc"),
        ("read", folder / "window.jpg", "--lit", "behind", "--against", front),
        ("read", folder / "front.jpg", "--against", window),
        ("prepare", art, *made, tmp_path / "x.png"),
        ("inspect", folder / "front.jpg", "--artwork", art, *size, "--reading", window),
        ("inspect", folder / "front.jpg", "--artwork", art, *size, "--profile", icc),
    ]
    for words in refused:
        assert ran(*words) == 2
        said = capsys.readouterr().err
        assert said.count("\n") == 1
        assert "lit from" in said, said
    assert not (tmp_path / "x.icc").exists()
    assert ran("compare", window, second, "--lit", "behind") == 0


def test_half_the_density_of_a_front_print_meets_simulated_dyes() -> None:
    """Three sets of dyes that the aim knows nothing of, light beside it or none: greys to L* 1.7, all to ΔE00 2.1."""
    target = scenes.sheet("small")[0]
    device = target.device_rgb
    grey = np.ptp(device, axis=1) == 0
    for dyes in ("clean", "dull", "soft"):
        for leak in (0.0, 0.08):
            coat = v.Substrate(leak=leak)
            amounts = v.Printer(dyes=dyes).amounts(device.astype(np.uint8), coat)
            black = v.lab_of_amounts(amounts[target.kind == 2][0], dyes, coat, lit="behind")
            black_y = float(spectral.lab_to_xyz(black)[1])
            seen = v.lab_of_amounts(amounts, dyes, coat, lit="behind")
            due = relative_lab(window_lin(device, black_y))
            front = v.lab_of_amounts(amounts, dyes, coat)
            met = v.delta_e00(front, v.aim_lab(device, v.Printer(dyes=dyes), coat)) < 1.5  # the others are out of reach
            assert v.delta_e00(seen, due)[met].mean() < 2.1, (dyes, leak)
            assert np.abs(seen - due)[grey & met, 0].mean() < 1.7, (dyes, leak)


def test_the_observer_of_the_aim_is_that_of_the_cie() -> None:
    """Sums of bell curves of Wyman, Sloan and Shirley (2013) against the tables of colour-science."""
    weights = spectral.xyz_weights() / spectral.xyz_weights().sum(axis=0)
    assert np.abs(colour_weights() - weights).sum(axis=0).max() < 0.03
    np.testing.assert_allclose(passed_once(np.full((1, 3), 0.25)), 0.5, atol=0.01)  # a grey: the square root


def reasons_of(path: Path) -> dict[str, dict[str, Any]]:
    return {r["measure"]: r for r in read_json(path)["verdict"]["reasons"]}


def test_surroundings_brighter_than_any_card_tell_of_light_behind(folder: Path, tmp_path: Path) -> None:
    """The same photo as one from the front: its scattering blank lets half of the light pass that is seen beside it."""
    assert ran("read", folder / "window.jpg", "--printed", "raw", "--json", tmp_path / "r.json") == 0
    assert read_json(tmp_path / "r.json")["verdict"]["action"] == "retake-photo"
    around = reasons_of(tmp_path / "r.json")["light-around"]
    coat = float(scenes.press("small").behind().coat @ spectral.xyz_weights()[:, 1])
    assert around["value"] == pytest.approx(1 / coat, rel=0.05)
    assert "as no card is" in around["says"]


@pytest.mark.parametrize(("share", "noticed"), [(0.95, True), (1.6, False)])
def test_a_light_that_ends_at_the_piece_is_noticed(tmp_path: Path, share: float, noticed: bool) -> None:
    piece = scenes.press("small")
    panel = v.Panel(size_mm=(100 * share, 100 * share))
    pose = v.Pose.megapixels(1.6, fill=0.6, rotation_deg=8)
    v.save_photo(v.photograph_window(piece, panel=panel, pose=pose, seed=4), tmp_path / "t.jpg")
    assert ran("read", tmp_path / "t.jpg", "--lit", "behind", "--json", tmp_path / "r.json") == 0
    result = read_json(tmp_path / "r.json")
    assert (result["verdict"]["action"] == "retake-photo") == noticed
    assert ("light-ends" in reasons_of(tmp_path / "r.json")) == noticed
    if noticed:
        assert "beyond the piece on every side" in photo_advice("light-ends")


@pytest.mark.parametrize(("flicker", "rows"), [(0.0, 400.0), (0.06, 300.0)])
def test_bands_of_flicker_are_measured_and_refused_where_they_decide(
    tmp_path: Path, flicker: float, rows: float
) -> None:
    piece = scenes.press("small")
    panel = v.Panel(lights=(v.Window(30, 1.3, 150.0),), flicker=flicker, flicker_rows=rows, flicker_phase=0.7)
    pose = v.Pose.megapixels(1.8, fill=0.8, rotation_deg=12, tilt_deg=5)
    v.save_photo(v.photograph_window(piece, panel=panel, pose=pose, seed=5), tmp_path / "t.jpg")
    assert ran("read", tmp_path / "t.jpg", "--lit", "behind", "--json", tmp_path / "r.json") == 0
    bands = reasons_of(tmp_path / "r.json").get("light-bands")
    assert (bands is not None and bands["outcome"] == "fail") == (flicker > 0.05)
    assert read_json(tmp_path / "r.json")["verdict"]["action"] == ("retake-photo" if flicker > 0.05 else "accept")
    if flicker > 0.05:
        assert bands is not None
        assert bands["value"] == pytest.approx(flicker, rel=0.3)
        assert "flickers" in bands["says"]


@pytest.mark.parametrize(("diffusing", "noticed"), [(False, True), (True, False)])
def test_pixels_of_a_display_that_show_through_are_noticed(tmp_path: Path, diffusing: bool, noticed: bool) -> None:
    """Stripes of 0.9 mm, ± 50 % of each colour's light: seen through a clear blank, never through one that scatters."""
    piece = scenes.press("small").behind()
    piece = replace(piece, substrate=replace(piece.substrate, diffusing=diffusing))
    pose = v.Pose.megapixels(1.8, fill=0.8, rotation_deg=4)
    panel = v.Panel("display", pixel_mm=0.9)
    v.save_photo(v.photograph_window(piece, panel=panel, pose=pose, seed=1), tmp_path / "t.jpg")
    assert ran("read", tmp_path / "t.jpg", "--lit", "behind", "--json", tmp_path / "r.json") == 0
    pixels = reasons_of(tmp_path / "r.json").get("display-pixels")
    assert (pixels is not None and pixels["outcome"] == "fail") == noticed
    assert read_json(tmp_path / "r.json")["verdict"]["action"] == ("retake-photo" if noticed else "accept")


# --- finished pieces ------------------------------------------------------------------------------


def test_a_piece_in_a_window_is_judged_through_patterned_glass(tmp_path: Path) -> None:
    """A pale spot of ΔE00 5 over 24 mm is found, plain or behind glass that displaces by 0.5 mm; nothing else is."""
    size = (160.0, 120.0)
    art = artworks.scenery(size, 5.0, seed=5)
    Image.fromarray(art).save(tmp_path / "art.png")
    seen = tuple(int(c) for c in np.median(art[300:400, 250:350].reshape(-1, 3), axis=0))
    spot = v.Spot(60.0, 70.0, 24.0, v.pale_strength(5.0, device_rgb=(seen[0], seen[1], seen[2]), lit="behind"))
    piece = v.press_sheet(art, 5.0, size_mm=size, faults=v.Faults(spots=(spot,)), seed=1)
    pose = v.Pose.megapixels(2.2, fill=0.7, rotation_deg=5, tilt_deg=6)
    for glass in (None, v.Texture("hammered", 0.5, seed=3)):
        photo = v.photograph_window(replace(piece, texture=glass), pose=pose, seed=2)
        v.save_photo(photo, tmp_path / "piece.jpg")
        options = ("--artwork", tmp_path / "art.png", "--size", "160x120mm", "--lit", "behind")
        assert ran("inspect", tmp_path / "piece.jpg", *options, "--overwrite", "--json", tmp_path / "r.json") == 0
        result = read_json(tmp_path / "r.json")
        assert result["lit"] == "behind"
        assert result["verdict"]["action"] == "reprint"  # the paper is off
        (found,) = [f for f in result["findings"] if f["kind"] != "glare"]
        assert np.hypot(found["x_mm"] - 60, found["y_mm"] - 70) < 6
        told = [r["says"] for r in result["verdict"]["reasons"] if r["measure"] == "displaced"]
        assert len(told) == (glass is not None)
