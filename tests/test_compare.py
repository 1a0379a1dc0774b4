"""Comparing substrates: bodies of known volume, truth of the virtual press, ties, costs, light, page and bad input.

Readings are made without pictures: spectra of pressed dye → sensor → camera model → the file that `read` writes.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, get_args

import cv2
import numpy as np
import pytest

from colorcheck.__main__ import main
from colorcheck.colour.gamut import gamut_volume, srgb_lab
from colorcheck.colour.lightshare import light_share, read_lights
from colorcheck.colour.substrate import (
    Quantity,
    cube_surface,
    measure_substrate,
    occupied,
    sensed_otherwise,
    share_inside,
    slice_paths,
    srgb_body,
    volume_of,
)
from colorcheck.flows import compare as flow
from colorcheck.flows.compare import Comparison
from colorcheck.flows.requests import CompareRequest, Purpose
from colorcheck.ground.cielab import delta_e00, density_from_lightness, lab_to_xyz, xyz_to_lab
from colorcheck.ground.errors import ColorcheckError, DataError, FileError, PhotoError, UsageError
from colorcheck.ground.jsontext import write_json
from colorcheck.ground.records import CellKind
from colorcheck.ground.relative import relative_lab
from colorcheck.photo.camera import apply_camera, fit_camera
from colorcheck.sheet import draw
from colorcheck.sheet.savedreading import load_reading
from colorcheck.sheet.target import make_target, to_dict
from colorcheck.shop.piececost import cost_of, read_costs
from colorcheck.shop.ranking import coverage_factor, difference_u, rank
from colorcheck.show.answers import compare_across as across
from colorcheck.show.answers import compare_answer as answer
from colorcheck.show.answers import compare_blocks, tint_words
from colorcheck.show.answers import compare_headline as headline
from colorcheck.show.answers import compare_notes as note_lines
from colorcheck.show.answers import compare_why as why
from colorcheck.show.page import compare_context, render_page
from colorcheck.show.resultfiles import comparison_csv, comparison_to_dict
from colorcheck.show.screen import show
from tests import virtual as v
from tests.test_report import BAD_NAME, UGLY, _page
from tests.virtual import press, spectral
from tests.virtual.camera import colour_matrix

Array = Any
SUBSTRATES = ("bright", "warm film", "bluish", "satin")


# ---- readings without pictures ----------------------------------------------------------------------------


def render_comparison(result: Comparison) -> str:
    return render_page("compare.html.j2", compare_context(result))


@lru_cache(maxsize=4)
def layout(patches: str = "standard") -> Any:
    return make_target(size_mm=(200, 200) if patches == "standard" else (100, 100), patches=patches, seed=1)


@lru_cache(maxsize=32)
def reflectance(substrate: str, patches: str, raw: bool, dyes: str = "clean") -> Array:
    sub, target = v.SUBSTRATES[substrate], layout(patches)
    printer = v.Printer(dyes=dyes, profiled=not raw)
    amounts = printer.amounts(target.device_rgb.astype(np.uint8), sub)
    passed = sub.floor + (1 - sub.floor) * np.exp(-(amounts @ press._natural_densities(dyes, sub)))
    return passed * sub.white()


def seen(
    substrate: str, patches: str, *, sensor: str, light: str, veil: float, noise: float, seed: int, raw: bool
) -> dict[str, Array]:
    """Coat-relative camera colour of every cell, with truth."""
    rng = np.random.default_rng(seed)
    weights = v.Camera(sensitivities=sensor).response_weights(light)
    matrix = colour_matrix(sensor, light, "srgb")
    refl, coat = reflectance(substrate, patches, raw), v.SUBSTRATES[substrate].white()

    def signal(r: Array) -> Array:
        return np.clip((r + veil) @ weights @ matrix.T, 1e-5, None)

    white = signal(coat)
    rel = signal(refl) / white
    rel = rel + rng.standard_normal(rel.shape) * noise * np.sqrt(np.maximum(rel, 1e-3))
    to_xyz = spectral.xyz_weights()
    return {
        "rgb": np.maximum(rel, 1e-4),
        "coat": white / white.max() * 0.7,
        "card": signal(spectral.surface("white card")) / white,
        "xyz": refl @ to_xyz * 100,
        "white_xyz": coat @ to_xyz * 100,
    }


@lru_cache(maxsize=4)
def camera(sensor: str = "phone-2", light: str = "LED-B3") -> Any:
    """Characterised on the bright substrate, as a workshop would: one sheet sent away to be measured."""
    c = seen("bright", "standard", sensor=sensor, light=light, veil=0.002, noise=0.004, seed=99, raw=False)
    usable = np.ones(len(c["rgb"]), bool)
    device = layout().device_rgb
    u = np.full(len(usable), 0.3)
    return fit_camera(c["rgb"], u, usable, device, c["xyz"], c["white_xyz"], c["coat"], card_rgb=c["card"])


def make(
    folder: Path,
    substrate: str,
    name: str,
    *,
    seed: int = 0,
    referenced: bool = False,
    patches: str = "standard",
    sensor: str = "phone-2",
    light: str = "LED-B3",
    veil: float = 0.002,
    raw: bool = False,
    device: str = "workshop phone",
    **other: Any,
) -> Path:
    """Write the reading that such a photo would give."""
    target = layout(patches)
    c = seen(substrate, patches, sensor=sensor, light=light, veil=veil, noise=0.006, seed=seed, raw=raw)
    absolute = None
    if referenced:
        out = apply_camera(camera(), c["rgb"], coat_rgb=c["coat"], card_rgb=c["card"])
        lab, u_system = xyz_to_lab(out.xyz), out.u
        absolute = xyz_to_lab(out.xyz_absolute / 100)
    else:
        lab = relative_lab(c["rgb"])
        u_system = np.full(len(lab), 2.3)  # what `read` gives a camera that was only balanced, about
    stray = delta_e00(xyz_to_lab(lab_to_xyz(lab) + 0.0015 * lab_to_xyz([100, 0, 0])), lab)
    u_random = np.hypot(stray, 0.3)
    kinds = {CellKind.COLOUR: "colour", CellKind.WHITE: "white", CellKind.BLACK: "black", CellKind.CONTROL: "control"}
    patches_ = [
        {
            "id": i,
            "kind": kinds[CellKind(int(target.kind[n]))],
            "device_rgb": target.device_rgb[n].tolist(),
            "lab": lab[n].round(4).tolist(),
            "uncertainty": round(float(np.hypot(u_random[n], u_system[n])), 4),
            "u_random": round(float(u_random[n]), 4),
            "flags": [],
            **({} if absolute is None else {"lab_absolute": absolute[n].round(4).tolist()}),
        }
        for n, i in enumerate(target.ids)
    ]
    data = {
        "schema": "colorcheck-reading/1",
        "name": target.name,
        "trust": "referenced" if referenced else "balanced",
        "absolute": referenced,
        "printed": "raw" if raw else "as-usual",
        "photos": [{"file": f"{name}.jpg", "sha256": f"{name}-{seed}", "device": device}],
        "geometry": {"px_per_mm": 6.0},
        "lighting": {"veil_known": False},
        "press": {"evenness": 0.4, "uncertainty": 0.03, "edge_width_mm": 0.7},
        "verdict": {"action": "accept"},
        "patches": patches_,
        "target": to_dict(target),
        **other,
    }
    path = folder / f"{name}.json"
    write_json(path, data)
    return path


def true_lab(substrate: str, device_rgb: Array) -> Array:
    """Coat-relative CIELAB of large even areas: the virtual press itself, no cells, no camera."""
    sub = v.SUBSTRATES[substrate]
    return v.lab_of_amounts(v.Printer().amounts(np.asarray(device_rgb, float), sub), "clean", sub)


@lru_cache(maxsize=8)
def true_volume(substrate: str) -> float:
    return volume_of(true_lab(substrate, cube_surface(33)[0]), 33)


@pytest.fixture(scope="module")
def four(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Four unlike substrates, each read once through a characterised camera."""
    folder = tmp_path_factory.mktemp("four")
    return [make(folder, s, s.replace(" ", "-"), seed=k, referenced=True) for k, s in enumerate(SUBSTRATES)]


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """A good and a poor substrate on small sheets, read through a characterised camera."""
    folder = tmp_path_factory.mktemp("pair")
    return [make(folder, s, s, seed=k, referenced=True, patches="compact") for k, s in enumerate(("bright", "satin"))]


def compare(readings: Sequence[Path], **asked: Any) -> Comparison:
    return flow.compare(CompareRequest(readings=tuple(str(p) for p in readings), **asked))


@pytest.fixture(scope="module")
def compared(four: list[Path]) -> Comparison:
    costs = {"satin": {"blank": "1.2"}, "bright": {"blank": 2.0, "yield": "18/20"}}
    return compare(four, costs=costs)


# ---- bodies of known volume -------------------------------------------------------------------------------


def ball(device_rgb: Array, radius: float = 40.0) -> Array:
    """Take the surface of the device cube to a sphere in CIELAB."""
    p = np.asarray(device_rgb, float) / 127.5 - 1.0
    return np.array([50.0, 0, 0]) + radius * p / np.linalg.norm(p, axis=1, keepdims=True)


def box(device_rgb: Array) -> Array:
    return np.array([10.0, -30.0, -20.0]) + np.asarray(device_rgb, float) / 255.0 * [80.0, 60.0, 50.0]


def test_volume_of_a_box_and_of_a_sphere() -> None:
    assert gamut_volume(box, 5) == pytest.approx(80 * 60 * 50, rel=1e-9)
    assert gamut_volume(ball, 33) == pytest.approx(4 / 3 * math.pi * 40**3, rel=0.004)
    # sides of the box end inside small boxes: half a step on each side may fall in or out
    for body, volume, rel in ((box, 80 * 60 * 50, 0.05), (ball, 4 / 3 * math.pi * 40**3, 0.01)):
        places, triangles = cube_surface(25)
        for step in (2.5, 4.0):
            assert occupied(body(places), triangles, step).sum() * step**3 == pytest.approx(volume, rel=rel)


def test_share_of_one_body_in_another() -> None:
    places, triangles = cube_surface(9)
    whole = occupied(box(places), triangles)
    half = box(places)
    half[:, 1] = -30 + (half[:, 1] + 30) / 2
    part = occupied(half, triangles)
    assert share_inside(whole, part) == pytest.approx(0.5, abs=0.03)
    assert share_inside(part, whole) == 1.0
    far = occupied(box(places) + [0, 70, 0], triangles)
    assert share_inside(whole, far) == 0.0


@pytest.mark.parametrize("level", [30.0, 50.0, 71.3])
def test_cut_through_a_sphere_is_its_circle(level: float) -> None:
    places, triangles = cube_surface(33)
    (path,) = slice_paths(ball(places), triangles, level)
    radius = math.sqrt(40**2 - (level - 50) ** 2)
    assert np.hypot(path[:, 0], path[:, 1]) == pytest.approx(radius, rel=0.01)
    x, y = path.T
    area = abs(float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum())) / 2
    assert area == pytest.approx(math.pi * radius**2, rel=0.01)
    assert slice_paths(ball(places), triangles, 95.0) == []


def test_volume_of_srgb_equals_an_independent_count_with_colour_science() -> None:
    """Random CIELAB colours that colour-science (its own matrices, white and adaptation) finds inside sRGB."""
    colour = spectral.colour_science()
    rng = np.random.default_rng(3)
    lab = rng.uniform([0, -100, -130], [100, 110, 110], (150_000, 3))
    d50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    rgb = colour.XYZ_to_RGB(
        colour.Lab_to_XYZ(lab, d50), "sRGB", illuminant=d50, chromatic_adaptation_transform="Bradford"
    )
    share = float(((rgb >= 0) & (rgb <= 1)).all(axis=1).mean())
    counted = share * 100 * 210 * 240
    doubt = math.sqrt((1 - share) / share / len(lab))
    assert gamut_volume(srgb_lab, 33) == pytest.approx(counted, rel=3 * doubt + 0.002)
    assert srgb_body().sum() * 2.5**3 == pytest.approx(counted, rel=3 * doubt + 0.004)


def test_srgb_covers_itself_wholly_and_a_pale_black_covers_less() -> None:
    places, triangles = cube_surface(33)
    own = occupied(srgb_lab(places), triangles)
    assert share_inside(srgb_body(), own) == 1.0
    lifted = occupied(srgb_lab(places, black_y=0.05), triangles)
    assert 0.5 < share_inside(srgb_body(), lifted) < 0.95


# ---- numbers against the truth ----------------------------------------------------------------------------


def test_order_and_size_of_four_substrates_equal_the_truth(compared: Comparison) -> None:
    found = {s.name: s for s in compared.substrates}
    for s in SUBSTRATES:
        one, true = found[s.replace(" ", "-")], true_volume(s)
        assert one.gamut_volume.value == pytest.approx(true, rel=0.08)
        assert abs(one.gamut_volume.value - true) < 2.5 * one.gamut_volume.u
        black = float(true_lab(s, [[0, 0, 0]])[0, 0])
        assert abs(one.black_l.value - black) < 2.5 * one.black_l.u
        assert one.max_density.value == pytest.approx(density_from_lightness(one.black_l.value))
        assert one.density_is_bound
    by_volume = [p.name for p in compared.rankings["photos"].places]
    assert by_volume == [s.replace(" ", "-") for s in sorted(SUBSTRATES, key=true_volume, reverse=True)]
    by_black = [p.name for p in compared.rankings["blacks"].places]
    assert by_black == [s.replace(" ", "-") for s in sorted(SUBSTRATES, key=lambda s: true_lab(s, [[0, 0, 0]])[0, 0])]


def test_white_and_tint_are_absolute(compared: Comparison) -> None:
    for s in compared.substrates:
        white = v.SUBSTRATES[s.name.replace("-", " ")].white() @ spectral.xyz_weights()
        assert s.absolute
        assert delta_e00(s.white_lab, xyz_to_lab(white)) < 1.5
        ratio = s.gamut_volume_absolute.value / s.gamut_volume.value
        assert ratio == pytest.approx((white[1]) ** (1 / 3) ** 1, abs=0.35)
        assert s.black_l_absolute.value < s.black_l.value
    assert tint_words([93, 1, 5.1]) == "L* 93, yellow"
    assert tint_words([94, -0.4, -3.7]) == "L* 94, slightly blue"
    assert tint_words([96, 0, -0.4]) == "L* 96, neutral"
    assert tint_words([math.nan] * 3) == "not known"


def test_coverage_of_srgb_and_of_each_other(compared: Comparison) -> None:
    places, triangles = cube_surface(33)
    for k, s in enumerate(compared.substrates):
        body = occupied(true_lab(s.name.replace("-", " "), places), triangles)
        assert s.srgb_coverage.value == pytest.approx(share_inside(srgb_body(), body), abs=0.05)
        assert compared.covers[k, k] == 1.0
    names = [s.name for s in compared.substrates]
    # the satin coat is the poorest: nearly all of it lies inside the bright one, and not the other way round
    assert compared.covers[names.index("bright"), names.index("satin")] > 0.97
    assert compared.covers[names.index("satin"), names.index("bright")] < 0.85


def test_the_same_substrate_read_four_times_is_never_ranked_apart(tmp_path: Path) -> None:
    """Other stray light, other lamps, other noise each time; random draws over all that a room does."""
    rng = np.random.default_rng(11)
    for trial in range(6):
        files = [
            make(
                tmp_path,
                ("bright", "satin")[trial % 2],
                f"r{trial}-{k}",
                seed=10 * trial + k,
                patches="compact",
                light=str(rng.choice(["D50", "D65", "LED-B2", "LED-B3", "LED-B4", "LED-B5"])),
                veil=float(rng.choice([0.0, 0.002, 0.005])),
            )
            for k in range(4)
        ]
        result = compare(files)
        for ranking in result.rankings.values():
            assert [p.rank for p in ranking.places] == [1, 1, 1, 1], (trial, ranking.purpose)
            assert all(len(p.tied) == 3 for p in ranking.places)
        assert answer(result.rankings["photos"]).endswith("cannot be told apart.")


def test_one_set_up_tells_smaller_differences(pair: list[Path], tmp_path: Path) -> None:
    near = make(tmp_path, "warm film", "warm", referenced=True, patches="compact", seed=3)
    apart = compare([pair[0], near], same_setup=True)
    careful = compare([pair[0], near])
    assert [p.rank for p in apart.rankings["photos"].places] == [1, 2]
    assert apart.rankings["photos"].places[0].name == "bright"
    for a, b in zip(apart.substrates, careful.substrates, strict=True):
        assert a.gamut_volume.value == b.gamut_volume.value
        assert a.gamut_volume.u_random < 0.6 * b.gamut_volume.u_random
        assert a.black_l.u_random < 0.6 * b.black_l.u_random
    assert any("--same-setup" in line for line in note_lines(careful))
    assert not any("--same-setup" in line for line in note_lines(apart))


def test_stray_light_that_was_found_leaves_less_doubt(pair: list[Path], tmp_path: Path) -> None:
    data = json.loads(pair[0].read_text(encoding="utf-8"))
    data["lighting"] = {"veil_known": True, "veil_std": 0.0006}
    write_json(tmp_path / "known.json", data)
    known = measure_substrate("x", [load_reading(tmp_path / "known.json")])
    usual = measure_substrate("x", [load_reading(pair[0])])
    assert known.black_l.u_random < 0.4 * usual.black_l.u_random
    assert not known.density_is_bound
    assert usual.density_is_bound


def test_raw_sheets_compare_as_well(tmp_path: Path) -> None:
    files = [
        make(tmp_path, s, s.replace(" ", "-"), raw=True, referenced=True, patches="compact")
        for s in ("bright", "satin")
    ]
    result = compare(files, same_setup=True)
    assert [p.rank for p in result.rankings["photos"].places] == [1, 2]
    assert result.rankings["photos"].places[0].name == "bright"
    assert "raw" in render_comparison(result)


def test_stated_doubt_of_the_volume_covers_what_stray_light_and_noise_do(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    values, doubts = [], []
    for k in range(10):
        file = make(tmp_path, "warm film", f"s{k}", seed=k, patches="compact", veil=abs(rng.normal(0.002, 0.0015)))
        s = measure_substrate("x", [load_reading(file)], seed=k)
        values.append(s.gamut_volume.value)
        doubts.append(s.gamut_volume.u_random)
    seen_, stated = float(np.std(values, ddof=1)), float(np.mean(doubts))
    assert 0.8 * seen_ < stated < 4.0 * seen_  # it also holds the lamp and rooms unlike these


def test_pooled_readings_know_how_well_they_repeat(tmp_path: Path) -> None:
    files = [make(tmp_path, "satin", f"p{k}", seed=k, patches="compact", veil=0.001 * k) for k in range(3)]
    readings = [load_reading(f) for f in files]
    one, all_ = measure_substrate("s", readings[:1]), measure_substrate("s", readings)
    assert one.repeat is None
    assert all_.repeat is not None
    alone = [measure_substrate("s", [r]) for r in readings]
    assert all_.gamut_volume.value == pytest.approx(np.mean([a.gamut_volume.value for a in alone]), rel=1e-6)
    assert all_.repeat.black_l == pytest.approx(np.std([a.black_l.value for a in alone], ddof=1), rel=1e-6)
    assert 0.05 < all_.repeat.delta_e00 < 2.0
    assert all_.gamut_volume.u_random < one.gamut_volume.u_random
    assert all_.replicate_de00 == pytest.approx(0.7, abs=0.5)


def test_caller_arrays_are_not_changed(pair: list[Path]) -> None:
    reading = load_reading(pair[0])
    before = reading.lab.copy(), reading.u_random.copy(), reading.usable.copy()
    measure_substrate("x", [reading])
    assert all((a == b).all() for a, b in zip(before, (reading.lab, reading.u_random, reading.usable), strict=True))


# ---- differences, ties, ranks -----------------------------------------------------------------------------


def test_coverage_factor_is_that_of_tukeys_range() -> None:
    from scipy.stats import studentized_range

    assert coverage_factor(1) == coverage_factor(2) == 2.0
    for n in (3, 4, 6, 10):
        assert coverage_factor(n) == pytest.approx(studentized_range.ppf(0.95, n, np.inf) / math.sqrt(2), abs=0.002)
    # H. L. Harter's table (1960), 5 % points for known variance, from memory: 3.31, 3.63, 3.86
    assert [round(coverage_factor(n) * math.sqrt(2), 2) for n in (3, 4, 5)] == [3.31, 3.63, 3.86]


def test_shared_errors_of_one_camera_cancel_and_those_of_two_add() -> None:
    shifts = np.random.default_rng(0).normal(0, 10, 48)
    a, b = Quantity(100.0, 1.0, 10.0, shifts), Quantity(80.0, 1.0, 10.0, shifts)
    assert difference_u(a, b, same_camera=True) == pytest.approx(math.sqrt(2))
    assert difference_u(a, b, same_camera=False) == pytest.approx(math.sqrt(202))
    assert difference_u(a, b, same_camera=True, model_u=3.0) == pytest.approx(math.sqrt(11))
    bare = Quantity(1.0, 0.0, 2.0), Quantity(2.0, 0.0, 5.0)
    assert difference_u(*bare, same_camera=True) == pytest.approx(3.0)


def ranked(values: dict[str, float], u: float, *, less: bool = False) -> Any:
    names = list(values)
    quantities = [Quantity(x, u) for x in values.values()]
    return rank(
        names,
        quantities,
        lambda a, b: math.hypot(quantities[a].u, quantities[b].u),
        purpose="photos",
        measure="gamut_volume",
        less_is_better=less,
    )


def test_ranks_are_shared_where_nothing_can_be_told() -> None:
    r = ranked({"X": 100.0, "Y": 80.0, "Z": 79.0}, 1.0)
    assert [(p.rank, p.name) for p in r.places] == [(1, "X"), (2, "Y"), (2, "Z")]
    assert answer(r) == "For photos: X. Y and Z cannot be told apart."
    assert r.places[1].tied == ("Z",)
    assert across(r) == ""
    less = ranked({"X": 100.0, "Y": 80.0, "Z": 79.0}, 1.0, less=True)
    assert [(p.rank, p.name) for p in less.places] == [(1, "Z"), (1, "Y"), (3, "X")]
    assert headline(less) == "For photos: Z or Y, which cannot be told apart."
    # 3 apart at u 1 each: A–B and B–C tie, A–C does not
    chain = ranked({"A": 6.0, "B": 3.0, "C": 0.0}, 1.0)
    assert [p.rank for p in chain.places] == [1, 1, 2]
    assert across(chain) == "C cannot be told from B either."
    missing = ranked({"A": 6.0, "B": math.nan}, 1.0)
    assert [(p.rank, p.name) for p in missing.places] == [(1, "A"), (0, "B")]
    assert answer(missing) == "For photos: A."
    exact = ranked({"A": 2.0, "B": 2.0, "C": 1.0}, 0.0)
    assert [p.rank for p in exact.places] == [1, 1, 3]


def test_two_cameras_make_ties_and_say_so(tmp_path: Path) -> None:
    one = [
        make(tmp_path, s, f"{s[:4]}", patches="compact", device="workshop phone")
        for s in ("bright", "warm film", "satin")
    ]
    alike = compare(one, same_setup=True)
    other = make(tmp_path, "satin", "other", patches="compact", device="old phone", sensor="phone-1")
    unlike = compare([*one[:2], other], same_setup=True)
    assert alike.one_camera
    assert not unlike.one_camera
    assert [p.rank for p in alike.rankings["photos"].places][2] > 1
    (third,) = (p for p in unlike.rankings["photos"].places if p.name == "other")
    assert third.rank == 1
    assert len(third.tied) == 2
    assert any("unlike cameras (old phone and workshop phone)" in line for line in note_lines(unlike))
    unnamed = compare([make(tmp_path, s, f"{s[:3]}", patches="compact", device="") for s in ("bright", "satin")])
    assert unnamed.one_camera
    assert any("do not name their camera" in line for line in note_lines(unnamed))


def test_a_drawn_camera_leaves_white_alone_and_is_always_the_same() -> None:
    xyz = lab_to_xyz(np.array([[100.0, 0, 0], [50.0, 40, -30], [20.0, 0, 0]]))
    for draw_ in range(5):
        moved = sensed_otherwise(xyz, draw_, 1.0)
        assert moved[0] == pytest.approx(xyz[0], abs=1e-6)
        assert (moved == sensed_otherwise(xyz, draw_, 1.0)).all()
        assert np.abs(moved[1:] - xyz[1:]).max() > 1e-4
    assert sensed_otherwise(xyz, 0, 0.0) == pytest.approx(xyz, abs=2e-4)


# ---- cost -------------------------------------------------------------------------------------------------


def test_cost_of_a_good_piece() -> None:
    """(blank + ink and paper + minutes × rate) / yield + target / pieces: common practice, no source."""
    cost = cost_of({"blank": 1.2, "paper": 0.15, "minutes": 4, "rate": 20, "yield": 0.9})
    assert cost.per_good_piece.value == pytest.approx((1.2 + 0.15 + 4 * 20 / 60) / 0.9)
    assert cost.per_good_piece.u == 0.0
    more = cost_of({"blank": "1", "ink": "0.5", "target": "6", "pieces": "20", "yield": "9/10"})
    assert more.per_good_piece.value == pytest.approx(1.5 / 0.9 + 0.3)
    p = 10 / 12  # Bayes–Laplace: mean of the beta distribution after 9 of 10, its variance p (1 − p) / 13
    assert more.per_good_piece.u == pytest.approx(1.5 / 0.9**2 * math.sqrt(p * (1 - p) / 13))


def test_costs_from_words_and_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "costs.toml"
    file.write_text('["warm film"]\nblank = 1.2\nyield = "18/20"\n\n[glass]\nblank = 2\n', encoding="utf-8")
    got = read_costs([str(file), "satin=blank:1.5,minutes:4,rate:20,yield:0.9"])
    assert set(got) == {"warm film", "glass", "satin"}
    assert cost_of(got["warm film"]).per_good_piece.value == pytest.approx(1.2 / 0.9)
    assert cost_of(got["satin"]).per_good_piece.value == pytest.approx((1.5 + 4 / 3) / 0.9)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["a=blank"], "is no cost"),
        (["a=price:3"], "unknown cost 'price'"),
        (["a=paper:3"], "price of the blank of 'a' is missing"),
        (["a=blank:x"], "blank of 'a' is 'x'"),
        (["a=blank:-1"], "blank of 'a' is '-1'"),
        (["a=blank:inf"], "give a number"),
        (["a=blank:1,yield:0"], "yield of 'a' is '0'"),
        (["a=blank:1,yield:1.2"], "a share such as 0.9"),
        (["a=blank:1,yield:21/20"], "good of all"),
        (["a=blank:1,pieces:0"], "1 or more"),
        (["a=blank:1", "a=blank:2"], "twice"),
        (["missing.toml"], "there is no file"),
    ],
)
def test_bad_costs_get_one_line(words: list[str], says: str) -> None:
    def read() -> None:
        for name, parts in read_costs(words).items():
            cost_of(parts, name)

    with pytest.raises((UsageError, DataError, FileError), match=re.escape(says)) as e:
        read()
    assert "\n" not in str(e.value)


def test_bad_cost_files_get_one_line(tmp_path: Path) -> None:
    for text, says in (("blank = 1\n", "no tables"), ("[a\n", "is not TOML")):
        (tmp_path / "c.toml").write_text(text, encoding="utf-8")
        with pytest.raises(DataError, match=says):
            read_costs([str(tmp_path / "c.toml")])


# ---- light through the piece ------------------------------------------------------------------------------


def panel(
    folder: Path, name: str, piece: Array | None, *, gain: float = 1.0, noise: float = 0.003, ending: str = "png"
) -> Path:
    """Photo of a light panel, brighter in the middle, 900 × 700; ``piece`` (h, w, 3) is what it lets through."""
    y, x = np.mgrid[0:700, 0:900]
    light = 0.75 - 0.25 * (((x - 450) / 900) ** 2 + ((y - 350) / 900) ** 2)
    rgb = np.repeat(light[..., None], 3, axis=2)
    if piece is not None:
        h, w = piece.shape[:2]
        rgb[350 - h // 2 : 350 - h // 2 + h, 450 - w // 2 : 450 - w // 2 + w] *= piece
    seed = int.from_bytes(name.encode(), "little") % 1000
    rgb = rgb * gain + np.random.default_rng(seed).normal(0, noise, rgb.shape)
    code = np.round(255 * spectral.encode_srgb(np.clip(rgb, 0, 1))).astype(np.uint8)
    path = folder / f"{name}.{ending}"
    cv2.imwrite(str(path), code[..., ::-1])
    return path


def slide(share: float) -> tuple[Any, Array]:
    """Target whose bare coat lets this share through, the rest by its printed tone."""
    target = layout("compact")
    picture = draw.render(target, dpi=140)
    return target, share * np.maximum(spectral.decode_srgb(picture[..., :3] / 255.0), 0.01)


@pytest.mark.parametrize("share", [0.85, 0.35])
def test_light_passing_the_white_cells(tmp_path: Path, share: float) -> None:
    target, piece = slide(share)
    got = light_share(panel(tmp_path, "with", piece), panel(tmp_path, "without", None), target=target)
    assert got.seen_on == "white cells"
    assert got.share.value == pytest.approx(share, rel=0.02)
    assert abs(got.share.value - share) < 2 * got.share.u
    assert got.share.u < 0.12 * share


def test_light_passing_a_bare_blank_without_a_target(tmp_path: Path) -> None:
    blank = np.full((300, 400, 3), 0.62)
    without = panel(tmp_path, "without", None)
    got = light_share(panel(tmp_path, "with", blank), without, target=layout("compact"))
    assert got.seen_on == "piece"
    assert got.share.value == pytest.approx(0.62, rel=0.02)


def test_bad_light_photos_get_one_line(tmp_path: Path) -> None:
    _, piece = slide(0.6)
    with_, without = panel(tmp_path, "with", piece), panel(tmp_path, "without", None)
    small = tmp_path / "small.png"
    cv2.imwrite(str(small), cv2.imread(str(without))[:600])
    white = tmp_path / "white.png"
    cv2.imwrite(str(white), np.full((700, 900, 3), 255, np.uint8))
    cases: list[tuple[Path, Path, str]] = [
        (with_, with_, "given twice"),
        (with_, small, "differ in size"),
        (with_, white, "overexposed"),
        (panel(tmp_path, "brighter", piece, gain=1.25), without, "25 % brighter in brighter.png"),
        (panel(tmp_path, "darker", piece, gain=0.7), without, "30 % darker in darker.png"),
        (panel(tmp_path, "empty", None), without, "no piece is seen"),
        (tmp_path / "none.jpg", without, "none.jpg"),
    ]
    for one, two, says in cases:
        with pytest.raises(ColorcheckError, match=re.escape(says)) as e:
            light_share(one, two)
        assert "\n" not in str(e.value)


def test_unlike_exposure_is_read_from_the_photos(tmp_path: Path) -> None:
    from PIL import Image

    paths = []
    for name, seconds in (("with", 1 / 60), ("without", 1 / 125)):
        plain = panel(tmp_path, name, np.full((300, 400, 3), 0.6) if name == "with" else None)
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0x829A] = seconds
        out = tmp_path / f"{name}.jpg"
        with Image.open(plain) as image:
            image.save(out, quality=95, exif=exif)
        paths.append(out)
    with pytest.raises(PhotoError, match=r"not exposed alike .exposure time 0\.016"):
        light_share(*paths)


def test_words_of_light_photos(tmp_path: Path) -> None:
    odd = tmp_path / "a,b.jpg"
    odd.write_bytes(b"x")
    (tmp_path / "c.jpg").write_bytes(b"x")
    assert read_lights([f"glass={odd},{tmp_path / 'c.jpg'}"]) == {"glass": (str(odd), str(tmp_path / "c.jpg"))}
    assert read_lights(["a=x.jpg,y.jpg"]) == {"a": ("x.jpg", "y.jpg")}
    for bad in (["a=x.jpg"], ["x.jpg,y.jpg"], ["a=,y.jpg"], ["a=x,y", "a=x,y"]):
        with pytest.raises(UsageError, match="--light"):
            read_lights(bad)


# ---- command, files, page ---------------------------------------------------------------------------------


def run(words: Sequence[Any], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    code = main(["compare", *map(str, words)])
    out = capsys.readouterr()
    return code, out.out, out.err


def test_command_writes_what_the_contract_names(
    four: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, table, page = tmp_path / "out.json", tmp_path / "out.csv", tmp_path / "page"
    names = "bright glass,warm film,bluish glass,satin glass"
    words = [*four, "--names", names, "--purpose", "blacks", "--json", out, "--csv", table, "--report", page]
    code, text, err = run(words, capsys)
    assert (code, err) == (0, "")
    assert text.startswith("For deep blacks: ")
    data = json.loads(out.read_text(encoding="utf-8"))
    assert [s["name"] for s in data["substrates"]] == names.split(",")
    for s in data["substrates"]:
        for key in ("gamut_volume", "black_L", "max_density", "white_lab", "evenness", "srgb_coverage"):
            assert key in s
        assert s["uncertainty"]["gamut_volume"]["whole"] > s["uncertainty"]["gamut_volume"]["random"] > 0
        assert set(s["covers"]) == set(names.split(",")) - {s["name"]}
    assert data["ranking"] == data["rankings"]["blacks"]
    assert data["measure"] == "black_L_absolute"
    assert data["ranking"][-1]["name"] == "satin glass"
    assert data["ranking"][-1]["rank"] > 1
    rows = list(csv.DictReader(io.StringIO(table.read_text(encoding="utf-8"))))
    assert [r["name"] for r in rows] == [p["name"] for p in data["ranking"]]
    one = next(s for s in data["substrates"] if s["name"] == rows[0]["name"])
    assert float(rows[0]["gamut_volume"]) == pytest.approx(one["gamut_volume"], rel=1e-5)
    assert float(rows[0]["u_black_L"]) == pytest.approx(one["uncertainty"]["black_L"]["whole"], rel=1e-3)
    assert (page / "report.html").stat().st_size > 50_000
    code, _, err = run(words, capsys)
    assert code == 2
    assert "exists and is kept" in err


def test_page_is_whole_stands_alone_and_answers_first(compared: Comparison) -> None:
    html = render_comparison(compared)
    page = _page(html)
    assert len(html.encode()) < 1_500_000
    for tag, attrs in page.tags:
        assert tag not in ("script", "link", "iframe", "object")
        for key in ("src", "href", "xlink:href", "action"):
            link = attrs.get(key)
            assert link is None or link.startswith(("data:image/", "#")), (tag, link)
    assert not re.search(r"\b(nan|None|inf|True|False)\b", page.words)
    assert page.headings[0] == headline(compared.rankings["photos"])
    assert [t for t, _ in page.tags].count("h1") == 1
    pictures = [a for t, a in page.tags if t == "svg" and "aria-hidden" not in a]
    assert len(pictures) >= 4 + 4 + 3 + 2
    assert all(a.get("aria-label") for a in pictures)
    for title in ("L* 30", "L* 50", "L* 70", "L* 90", "Density of greys", "All numbers", "What to keep in mind"):
        assert title in page.headings
    assert "For deep blacks" in page.words
    assert "For the lowest cost" in page.words


def test_numbers_on_page_and_in_file_are_the_same(compared: Comparison) -> None:
    data = comparison_to_dict(compared)
    words = _page(render_comparison(compared)).words
    for s in data["substrates"]:
        assert f"{s['gamut_volume'] / 1000:.0f} ± " in words
        assert f"{s['black_L']:.1f} ± " in words
    json.dumps(data, allow_nan=False)
    assert [r["name"] for r in data["rankings"]["cost"]][2:] == ["warm-film", "bluish"]
    assert [r["rank"] for r in data["rankings"]["cost"]] == [1, 2, None, None]


def test_hostile_names_are_escaped_everywhere(pair: list[Path]) -> None:
    result = compare(pair, names=[BAD_NAME, "=1+1"])
    html = render_comparison(result)
    page = _page(html)
    assert BAD_NAME not in html
    assert not any(t == "img" for t, _ in page.tags)
    assert not any(k.startswith("on") for _, a in page.tags for k in a)
    assert "'=1+1" in comparison_csv(result)


@pytest.mark.parametrize("purpose", get_args(Purpose))
def test_every_purpose_has_words_without_leftovers(pair: list[Path], tmp_path: Path, purpose: str) -> None:
    _, piece = slide(0.6)
    files = str(panel(tmp_path, "with", piece)), str(panel(tmp_path, "without", None))
    costs = {n: {"blank": 1.0 + k} for k, n in enumerate(("bright", "satin"))}
    result = compare(pair, purpose=purpose, costs=costs, lights=dict.fromkeys(costs, files))
    screen = io.StringIO()
    show(screen, compare_blocks(result))
    for text in (answer(result.rankings[purpose]), why(result), *note_lines(result)):
        assert not UGLY.search(text), text
    assert answer(result.rankings[purpose]) in " ".join(screen.getvalue().split())
    assert "nan" not in screen.getvalue()
    assert _page(render_comparison(result)).headings[0] == headline(result.rankings[purpose])
    if purpose == "window":
        assert [p.rank for p in result.rankings["window"].places] == [1, 1]


def test_relative_readings_say_that_they_are_relative(tmp_path: Path) -> None:
    files = [make(tmp_path, s, s[:4], patches="compact", seed=k) for k, s in enumerate(("bright", "satin"))]
    result = compare(files, purpose="blacks")
    assert result.rankings["blacks"].measure == "black_L"
    assert "each against its own bare coat" in why(result)
    assert any("No absolute colours" in line for line in note_lines(result))
    assert comparison_to_dict(result)["substrates"][0]["white_lab"] == [None, None, None]
    page = _page(render_comparison(result)).words
    assert "as if all coats were equally white" in page
    mixed = compare([files[0], make(tmp_path, "satin", "ref", referenced=True, patches="compact")])
    assert any("was not taught for bright" in line or "not taught for brig" in line for line in note_lines(mixed))
    assert not mixed.one_camera


def test_layouts_of_unlike_size_and_view_compare_with_a_note(tmp_path: Path) -> None:
    wide = make(tmp_path, "bright", "wide", referenced=True)
    small = make(tmp_path, "bright", "small", referenced=True, patches="compact", seed=4)
    result = compare([wide, small])
    assert [p.rank for p in result.rankings["photos"].places] == [1, 1]
    assert any("Unlike patch sets" in line for line in note_lines(result))
    a, b = (s.gamut_volume.value for s in result.substrates)
    assert a == pytest.approx(b, rel=0.05)


def test_bad_input_gets_one_line(four: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    raw = make(tmp_path, "satin", "raw", raw=True, patches="compact")
    copy = tmp_path / "copy.json"
    copy.write_bytes(four[0].read_bytes())
    other = tmp_path / "other.json"
    other.write_text('{"schema": "colorcheck-repeat/1"}', encoding="utf-8")
    dark = json.loads(four[1].read_text(encoding="utf-8"))
    for r in dark["patches"]:
        r["flags"] = ["glare"]
    write_json(tmp_path / "dark.json", dark)
    two = four[:2]
    cases: list[tuple[list[Any], str]] = [
        (two[:1], "one reading alone cannot be compared"),
        ([two[0], two[0]], "given twice"),
        ([two[0], copy], "come from the same photo"),
        ([two[0], tmp_path / "none.json"], "there is no file"),
        ([two[0], other], "is not a reading"),
        ([two[0], raw], "raw.json was printed raw and bright.json as usual"),
        ([two[0], tmp_path / "dark.json"], "only 0 usable colours"),
        ([*two, "--names", "a"], "gives 1 names for 2 readings"),
        ([*two, "--names", "a,"], "empty name"),
        ([*two, "--names", "a,a"], "all 2 readings are named 'a'"),
        ([*two, "--cost", "c=blank:1"], "--cost names 'c', which is none of the substrates"),
        ([*two, "--light", "c=a.jpg,b.jpg"], "--light names 'c'"),
        ([*two, "--purpose", "cost", "--cost", "bright=blank:1"], "missing for warm-film"),
        ([*two, "--purpose", "window"], "needs --light for every substrate"),
        ([*two, "--purpose", "mugs"], "invalid choice"),
        ([*two, "--json", two[0], "--overwrite"], "is read and cannot be the result"),
        ([*two, "--csv", tmp_path / "x", "--json", tmp_path / "x"], "the same file"),
        ([*two, "--csv", "-"], "--csv needs a file"),
    ]
    before = {f: f.read_bytes() for f in four}
    for words, says in cases:
        code, out, err = run([*words, "--quiet"], capsys)
        assert (code, out) == (2, ""), words
        assert says in err, (words, err)
        assert err.count("\n") == 1
        assert err.startswith("colorcheck: ")
    assert before == {f: f.read_bytes() for f in four}


def test_readings_of_one_stem_in_two_folders_are_told_apart(tmp_path: Path) -> None:
    files = []
    for k, s in enumerate(("bright", "satin")):
        (tmp_path / s).mkdir()
        files.append(make(tmp_path / s, s, "reading", seed=k, patches="compact"))
    assert [s.name for s in compare(files).substrates] == ["bright/reading", "satin/reading"]
