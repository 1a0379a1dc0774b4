"""The profile: does printing through it come out right? Closed loops on printers that nothing was tuned to."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageCms

from colorcheck import read
from colorcheck.__main__ import main
from colorcheck.colour import gamut
from colorcheck.colour.icc import check_tags, profile_bytes
from colorcheck.colour.pool import pool_readings
from colorcheck.colour.printer_model import fit_printer
from colorcheck.colour.profilegain import Gain
from colorcheck.colour.profiletables import look_up, profile_tables, round_trip
from colorcheck.flows.characterise import characterise
from colorcheck.flows.profile import Profile, build_profile, check_fit
from colorcheck.flows.requests import CameraRequest, ProfileRequest
from colorcheck.ground.cielab import delta_ch, delta_e00, lab_to_xyz
from colorcheck.ground.errors import DataError, UsageError
from colorcheck.ground.jsontext import write_json
from colorcheck.photo.camerafile import save_camera
from colorcheck.sheet.exchange import measurements_from_lab, read_measurements, write_measurements
from colorcheck.sheet.target import make_target, to_dict
from colorcheck.show.resultfiles import profile_to_dict
from colorcheck.show.results import reading_to_dict

from . import scenes
from . import virtual as v
from .printers import PRINTERS, noisy, profile_file, save_reading, truth

CASES = [  # every substrate, and every way to be wrong
    ("raw", "bright"),
    ("raw, soft dyes", "warm film"),
    ("wrong curves", "bluish"),
    ("cast, dull dyes", "satin"),
    ("raw, too much ink", "thick glass"),
]
RELATIVE, NO_CACHE, NO_OPTIMISING, BLACK_POINT = 1, 0x0040, 0x0100, 0x2000
LITTLE_CMS_FLAGS = (0x0004, 0x0100)  # without the white fix-up and without optimising: both show what the tables hold


@lru_cache(maxsize=1)
def sheet() -> Any:
    return make_target(size_mm=(200.0, 200.0), seed=1)


@lru_cache(maxsize=8)
def built(printer: str, substrate: str) -> tuple[Any, gamut.Forward, dict[str, Any], float]:
    """Model, its table, the tables of the profile, Y of black; from cells with the noise of a photo."""
    lab, std = noisy(truth(printer, substrate)(sheet().device_rgb), 11)
    model = fit_printer(sheet().device_rgb, lab, std, held_out=False)
    black = float(lab_to_xyz(model.lab(np.zeros((1, 3))))[0, 1])
    return model, *profile_tables(model, black_y=black), black


def aims(printer: str, substrate: str, count: int = 200) -> tuple[Any, Any]:
    """sRGB colours that this printer can truly show, and their aims: 8-bit codes, CIELAB."""
    true = truth(printer, substrate)
    black = float(lab_to_xyz(true(np.zeros((1, 3))))[0, 1])
    rgb = np.random.Generator(np.random.PCG64(9)).integers(0, 256, (900, 3)).astype(float)
    aim = gamut.srgb_lab(rgb, black)
    _, reached = gamut.invert(gamut.forward_table(true, 17), aim)
    inside = np.flatnonzero(delta_e00(reached, aim) < 0.5)[:count]
    assert len(inside) == count
    return rgb[inside], aim[inside]


def greys(printer: str, substrate: str) -> tuple[Any, Any]:
    black = float(lab_to_xyz(truth(printer, substrate)(np.zeros((1, 3))))[0, 1])
    rgb = np.repeat(np.arange(0.0, 256.0, 5.0)[:, None], 3, axis=1)
    return rgb, gamut.srgb_lab(rgb, black)


# ---------------------------------------------------------------- what it is for


@pytest.mark.parametrize(("printer", "substrate"), CASES)
def test_colours_printed_through_the_profile_come_out_right(printer: str, substrate: str) -> None:
    true, b2a = truth(printer, substrate), built(printer, substrate)[2]["b2a_relative"]
    rgb, aim = aims(printer, substrate)
    before = delta_e00(true(rgb), aim).mean()
    after = delta_e00(true(np.round(look_up(b2a, aim))), aim)
    assert after.mean() < 0.85  # asked for: 1.5 and the measurement's floor
    assert np.percentile(after, 95) < 2.0
    assert after.mean() <= 0.35 * before
    rgb, aim = greys(printer, substrate)
    assert delta_ch(true(np.round(look_up(b2a, aim))), aim).mean() < 0.8  # asked for: 1.5


@pytest.mark.parametrize(("printer", "substrate"), CASES)
def test_there_and_back_again_within_the_gamut(printer: str, substrate: str) -> None:
    _, forward, tables, _ = built(printer, substrate)
    mean, p95 = round_trip(forward, tables["b2a_relative"])
    assert mean <= 0.3  # asked for: 0.5
    assert p95 <= 0.9  # asked for: 1.5
    rim = forward.lab(gamut.surface(20)[0])
    error = delta_e00(forward.lab(look_up(tables["b2a_relative"], rim)), rim)
    assert error.mean() < 0.6
    assert tables["a2b"][-1, -1, -1].tolist() == [100.0, 0.0, 0.0]
    assert tables["a2b_perceptual"][-1, -1, -1].tolist() == [100.0, 0.0, 0.0]


@pytest.mark.parametrize("intent", ["relative", "perceptual", "saturation"])
@pytest.mark.parametrize(("printer", "substrate"), CASES)
def test_grey_gradient_has_no_reversal_and_no_step(printer: str, substrate: str, intent: str) -> None:
    _, _, tables, black = built(printer, substrate)
    true = truth(printer, substrate)
    rgb = np.repeat(np.linspace(0.0, 255.0, 1024)[:, None], 3, axis=1)
    pcs_black = black if intent == "relative" else float(lab_to_xyz(np.array([3.1373, 0, 0]))[1])
    device = look_up(tables[f"b2a_{intent}"], gamut.srgb_lab(rgb, pcs_black))
    assert np.diff(device, axis=0).min() > -1e-6
    assert device[-1] == pytest.approx([255, 255, 255], abs=1e-9)
    lab = true(device)
    assert np.diff(lab[:, 0]).min() > -1e-9
    step = delta_e00(lab[1:], lab[:-1])
    assert step.max() < 0.4  # of about 0.1 on average; 1 can just be seen
    beside = np.convolve(step, np.ones(9) / 9, "valid")
    assert np.abs(step[4:-4] - beside).max() < 0.2


@pytest.mark.parametrize("intent", ["relative", "perceptual"])
def test_ramps_of_the_pure_colours_do_not_turn_back(intent: str) -> None:
    for printer, substrate in CASES[:3]:
        _, forward, tables, black = built(printer, substrate)
        pcs_black = black if intent == "relative" else float(lab_to_xyz(np.array([3.1373, 0, 0]))[1])
        t = np.linspace(0, 1, 256)[:, None]
        for corner in ([255, 0, 0], [0, 255, 0], [0, 0, 255], [0, 255, 255], [255, 0, 255], [255, 255, 0]):
            for start, end in ((np.full(3, 255.0), np.array(corner)), (np.array(corner), np.zeros(3))):
                aim = gamut.srgb_lab(start * (1 - t) + end * t, pcs_black)
                light = forward.lab(look_up(tables[f"b2a_{intent}"], aim))[:, 0]
                back = (light - np.minimum.accumulate(light)).max()
                assert back < 1.0, (printer, corner, back)  # L* over a whole ramp


# ---------------------------------------------------------------- through LittleCMS


def tables_of(printer: str, substrate: str) -> bytes:
    """The profile as a file."""
    return profile_file(built(printer, substrate)[2])


def little_cms(data: bytes, rgb: Any, intent: int, flags: int) -> Any:
    """sRGB codes (n, 3) to device codes (n, 3)."""
    transform = ImageCms.buildTransform(
        ImageCms.createProfile("sRGB"), ImageCms.getOpenProfile(io.BytesIO(data)), "RGB", "RGB", intent, flags
    )
    picture = Image.fromarray(np.asarray(rgb, np.uint8)[None])
    return np.asarray(ImageCms.applyTransform(picture, transform))[0].astype(float)


@pytest.mark.parametrize("flags", LITTLE_CMS_FLAGS)
def test_little_cms_agrees_with_the_forward_model(flags: int) -> None:
    model = built(*CASES[0])[0]
    transform = ImageCms.buildTransform(
        ImageCms.getOpenProfile(io.BytesIO(tables_of(*CASES[0]))),
        ImageCms.createProfile("LAB"),
        "RGB",
        "LAB",
        RELATIVE,
        flags,
    )
    rgb = np.random.Generator(np.random.PCG64(1)).integers(0, 256, (4000, 3)).astype(np.uint8)
    rgb[0] = 255
    out = np.asarray(ImageCms.applyTransform(Image.fromarray(rgb[None]), transform))[0].astype(float)
    lab = np.column_stack([out[:, 0] / 2.55, np.where(out[:, 1:] > 127, out[:, 1:] - 256, out[:, 1:])])
    assert lab[0].tolist() == [100.0, 0.0, 0.0]
    # L* in steps of 0.4, a* and b* of 1: half a step, and what the tables leave out between their nodes
    assert (np.abs(lab - model.lab(rgb.astype(float))).max(axis=0) < [0.3, 0.65, 0.65]).all()


def test_little_cms_prints_the_closed_loop_and_all_four_intents() -> None:
    data = tables_of(*CASES[0])
    assert check_tags(data) == []
    true = truth(*CASES[0])
    rgb, aim = aims(*CASES[0])
    device = little_cms(data, rgb, RELATIVE, BLACK_POINT | NO_OPTIMISING)
    assert delta_e00(true(device), aim).mean() < 0.9
    own = look_up(built(*CASES[0])[2]["b2a_relative"], aim)
    assert np.abs(device - own).mean() < 2.0  # aims here have the true black, the profile's was measured
    white, black, red = np.full((1, 3), 255), np.zeros((1, 3)), np.array([[230, 30, 30]])
    for intent in range(3):
        assert little_cms(data, white, intent, NO_OPTIMISING).tolist() == [[255, 255, 255]]
        assert true(little_cms(data, black, intent, BLACK_POINT | NO_OPTIMISING))[0, 0] < true(black)[0, 0] + 2.0
        assert delta_e00(true(little_cms(data, red, intent, NO_OPTIMISING)), gamut.srgb_lab(red))[0] < 12.0
    # absolute: the picture's white is brighter than the coat, which then is all there is; darker colours are met
    grey = np.full((1, 3), 119)
    seen = lab_to_xyz(true(little_cms(data, grey, 3, NO_OPTIMISING)))[0, 1] * 0.90
    assert seen == pytest.approx(lab_to_xyz(gamut.srgb_lab(grey))[0, 1], rel=0.05)


# ---------------------------------------------------------------- from photo to print


def test_photo_to_profile_to_print(tmp_path: Path) -> None:
    """A camera is taught, the wrong print photographed, read, profiled; LittleCMS prints through it."""
    rng = scenes.rng_of(801)
    camera = scenes.random_camera(rng, tone="srgb", saturation=1)
    scene = scenes.random_scene(rng, illuminant="LED-B3", card="white card", veil=0.0)
    printer, substrate = "cast, dull dyes", "satin"
    shots = {
        name: scenes.shoot(
            rng, tmp_path, printer=p, substrate=s, scene=scene, camera=camera, name=f"{name}.jpg", seed=k
        )
        for k, (name, p, s) in enumerate(
            (("taught", v.Printer(dyes="dull"), "bright"), ("wrong", PRINTERS[printer], substrate))
        )
    }
    taught = shots["taught"]
    values = measurements_from_lab(
        taught.target.ids, taught.piece.true_lab(scenes.reading_area(taught.target), absolute=True)
    )
    write_measurements(tmp_path / "taught.txt", values)
    write_json(tmp_path / "taught.json", to_dict(taught.target))
    request = CameraRequest(
        photos=(str(taught.path),), target=str(tmp_path / "taught.json"), measured=str(tmp_path / "taught.txt")
    )
    save_camera(tmp_path / "camera.json", characterise(request))
    reading = read([shots["wrong"].path], camera=str(tmp_path / "camera.json"), paper="off")
    floor = delta_e00(reading.cells.lab, shots["wrong"].true_lab()).mean()
    write_json(tmp_path / "wrong.json", reading_to_dict(reading))
    profile = build_profile(ProfileRequest(readings=(str(tmp_path / "wrong.json"),), name="clock faces"))
    true = truth(printer, substrate)
    rgb, aim = aims(printer, substrate)
    device = little_cms(profile_bytes(profile.tables), rgb, RELATIVE, BLACK_POINT | NO_OPTIMISING)
    before, after = delta_e00(true(rgb), aim).mean(), delta_e00(true(device), aim).mean()
    assert floor < 1.2
    assert after <= 1.5 + floor
    assert after <= 0.35 * before
    rgb, aim = greys(printer, substrate)
    device = little_cms(profile_bytes(profile.tables), rgb, RELATIVE, BLACK_POINT | NO_OPTIMISING)
    assert delta_ch(true(device), aim).mean() <= 1.5
    # what was foretold is what came
    assert profile.gain.before_mean == pytest.approx(before, abs=0.7)
    assert 0.6 * after < profile.gain.in_all < 2.0 * after
    assert profile.gain.worth
    assert profile.absolute
    coat = v.SUBSTRATES[substrate].white() @ v.spectral.xyz_weights()
    assert np.abs(profile.tables.white_xyz - coat).max() < 0.02


# ---------------------------------------------------------------- which readings


def reading(folder: Path, name: str = "sheet", *, printer: str = "wrong curves", **more: Any) -> Any:
    target = make_target(
        size_mm=(100.0, 100.0), patches="compact", seed=more.pop("seed", 1), view=more.pop("view", "front")
    )
    lab, std = noisy(truth(printer, "bright")(target.device_rgb), 5)
    return save_reading(folder / f"{name}.json", target, lab, std, **more)


@pytest.mark.parametrize(
    ("action", "measure", "says"),
    [
        ("re-press", "zone", r"uneven pressing upper left: the press was uneven; mend that first"),
        ("re-press", "pale", r"pale spot upper left: the press was uneven"),
        ("re-press", "black-density", r"too weak a black: it is not pressed through"),
        ("reprint", "banding", r"regular lines: Print a nozzle check"),
        ("reprint", "ghost", r"second, shifted copy: Tape the paper"),
        ("reprint", "scorch", r"yellowed place: .*lower the temperature"),
        ("reprint", "missing-ink", r"missing ink: .*clean"),
        ("retake-photo", "glare", r"its photo is unfit: take the photo again"),
        ("retake-photo", "dark", r"its photo is unfit"),
    ],
)
def test_a_faulty_sheet_is_refused_with_its_fault_and_the_cure(
    tmp_path: Path, action: str, measure: str, says: str
) -> None:
    reasons = ({"measure": "photo", "outcome": "pass"}, {"measure": measure, "outcome": "fail", "place": "upper left"})
    with pytest.raises(DataError, match=f"sheet.json cannot be profiled: {says}") as e:
        check_fit(reading(tmp_path, action=action, reasons=reasons))
    assert "\n" not in str(e.value)


def test_a_reading_without_verdict_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="holds no verdict"):
        check_fit(reading(tmp_path, action=""))


def test_real_readings_of_faulty_samples_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], sample_reading: Callable[[str], Path]
) -> None:
    out = tmp_path / "x.icc"
    for sample, says in (("plaque-moved", "second, shifted copy"), ("plaque-glare", "")):
        assert main(["profile", str(sample_reading(sample)), "--out", str(out)]) == 2
        err = capsys.readouterr().err
        assert "cannot be profiled" in err
        assert says in err
        assert err.count("\n") == 1
        assert not out.exists()


def test_only_like_readings_are_pooled(tmp_path: Path) -> None:
    one = reading(tmp_path, "one")
    with pytest.raises(UsageError, match=r"was printed 'as-usual', one\.json 'raw'"):
        pool_readings([one, reading(tmp_path, "two", printed="as-usual")])
    with pytest.raises(UsageError, match="was looked at 'through'"):
        pool_readings([one, reading(tmp_path, "three", view="through")])
    with pytest.raises(UsageError, match="read the same photo"):
        pool_readings([one, reading(tmp_path, "four", sha="one")])
    with pytest.raises(DataError, match="too much for one printer on one substrate"):
        pool_readings([one, reading(tmp_path, "five", printer="raw, soft dyes")])
    pool = pool_readings([one, reading(tmp_path, "six", seed=2)])
    assert len(pool.lab) == 2 * len(one.lab)
    assert pool.between < 1.0
    assert pool.white_xyz is None


def test_uneven_pressing_is_divided_out(tmp_path: Path) -> None:
    target = make_target(size_mm=(100.0, 100.0), patches="compact", seed=1)
    true = truth("wrong curves", "bright")(target.device_rgb)
    x = target.box_mm[:, 0] / target.size_mm[0]
    uptake = 1.0 + 0.12 * (x - 0.5)
    from colorcheck.ground.relative import even_lab

    pressed = even_lab(true, 1.0 / uptake)  # more dye where the uptake is larger
    assert delta_e00(pressed, true).mean() > 0.5
    saved = save_reading(tmp_path / "u.json", target, pressed, np.full(len(true), 0.3), uptake=uptake)
    assert delta_e00(pool_readings([saved]).lab, true).mean() < 0.1


def test_flagged_cells_do_not_count(tmp_path: Path) -> None:
    target = make_target(size_mm=(100.0, 100.0), patches="compact", seed=1)
    lab, std = noisy(truth("raw", "bright")(target.device_rgb), 5)
    lab[3] = [50, 60, 60]
    saved = save_reading(tmp_path / "f.json", target, lab, std, flags={3: ["glare"], 4: ["under-spot"]})
    usable = pool_readings([saved]).usable
    assert not usable[3]
    assert usable[4]  # its uptake is divided out


# ---------------------------------------------------------------- advice


def gain(**other: float) -> Gain:
    values: dict[str, Any] = {
        **{"before_mean": 6.0, "before_p95": 12.0, "before_grey": 4.0, "after_mean": 0.6, "after_p95": 1.5},
        **{"after_grey": 0.4, "tone_mean": 4.0, "tone_grey": 4.0, "curves_mean": 3.0, "curves_grey": 0.4},
        **{"camera": 0.7, "outside_share": 0.2, "outside_mean": 3.0, "outside_hues": ("greens",)},
    }
    return Gain(**{**values, **other})


def test_the_smallest_correction_that_does_is_named() -> None:
    assert gain().least == "full"
    assert gain(curves_mean=0.9).least == "grey"
    assert gain(curves_mean=0.9, tone_mean=0.8).least == "tone"
    assert gain(curves_mean=1.9, camera=3.0).least == "grey"  # the camera hides the difference
    assert gain().worth
    assert not gain(before_mean=0.9).worth
    assert not gain(before_mean=3.0, camera=2.9).worth


# ---------------------------------------------------------------- the command


@lru_cache(maxsize=1)
def one_profile(folder: Path) -> tuple[Path, Profile]:
    path = folder / "given.json"
    lab, std = noisy(truth("cast", "warm film")(sheet().device_rgb), 6)
    save_reading(path, sheet(), lab, std, printed="as-usual", action="change-profile")
    return path, build_profile(ProfileRequest(readings=(str(path),), name="plaques, Türschild"))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Profile]:
    return one_profile(tmp_path_factory.mktemp("profile"))


def test_figures_foretold_are_those_of_the_true_printer(made: tuple[Path, Profile]) -> None:
    profile = made[1]
    true = truth("cast", "warm film")
    rgb, aim = aims("cast", "warm film")
    before = delta_e00(true(rgb), aim).mean()
    after = delta_e00(true(np.round(look_up(profile.tables.b2a_relative, aim))), aim).mean()
    assert profile.gain.before_mean == pytest.approx(before, abs=0.4)
    assert 0.7 * after < profile.gain.after_mean < 1.8 * after
    assert profile.gain.least == "grey"  # a cast of the mid tones is what grey curves are for
    assert 0.1 < profile.gain.outside_share < 0.4
    assert "greens" in profile.gain.outside_hues
    assert profile.volume == pytest.approx(gamut.gamut_volume(true), rel=0.03)
    json.dumps(profile_to_dict(profile, "b.icc", version=4, readings=[]), allow_nan=False)


def test_characterisation_inside_is_the_measured_cells(made: tuple[Path, Profile], tmp_path: Path) -> None:
    text = made[1].tables.characterisation
    (tmp_path / "t.txt").write_text(text, encoding="utf-8")
    values = read_measurements(tmp_path / "t.txt")
    assert len(values.lab) == made[1].model.colours
    assert values.device_rgb is not None
    assert delta_e00(values.lab, truth("cast", "warm film")(values.device_rgb)).mean() < 0.8


def test_command_writes_profile_curves_and_figures(
    made: tuple[Path, Profile], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    icc, curves, figures = tmp_path / "board.icc", tmp_path / "curves.json", tmp_path / "figures.json"
    words = ["profile", str(made[0]), "--out", str(icc), "--name", "plaques", "--v2"]
    assert main([*words, "--curves", str(curves), "--json", str(figures)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("It helps: mean colour error")
    assert "grey curves alone" in out.splitlines()[0] + out.splitlines()[1]
    for promised in ("No profile can cure", "To use it", "What must stay as it was", "transfer paper", "recipe"):
        assert promised in out
    assert max(len(line) for line in out.splitlines()) <= 100
    data = icc.read_bytes()
    assert data[8] == 2
    assert check_tags(data) == []
    assert ImageCms.getProfileDescription(ImageCms.getOpenProfile(io.BytesIO(data))).strip() == "plaques"
    told = json.loads(figures.read_text(encoding="utf-8"))
    assert told["schema"] == "colorcheck-profile/1"
    assert told["expected"]["after"]["mean_delta_e00"] < 0.35 * told["expected"]["before"]["mean_delta_e00"]
    assert told["expected"]["least_correction"] == "grey"
    from colorcheck.colour.tonecorrect import load_curves

    bent, name, _ = load_curves(curves)
    assert bent.shape == (256, 3)
    assert name == "plaques"
    # what is there is kept
    assert main([*words, "--json", "-"]) == 2
    assert "exists and is kept" in capsys.readouterr().err
    assert icc.read_bytes() == data


@pytest.mark.parametrize(
    ("extra", "says"),
    [
        (["--out", "{dir}/x.txt"], "cannot be '.txt'"),
        (["--out", "{dir}/no/x.icc"], "there is no folder"),
        (["--out", "{dir}/x.icc", "--json", "{dir}/x.icc"], "two results would go into the same file"),
        (["--out", "{reading}", "--overwrite"], "cannot be the result as well"),
        (["--out", "{dir}/x.icc", "--name", " "], "the name cannot be used"),
    ],
)
def test_command_says_what_is_wrong_in_one_line(
    extra: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    given = tmp_path / "given.json"
    given.write_text("{}", encoding="utf-8")
    assert main(["profile", str(given), *[e.format(dir=tmp_path, reading=given) for e in extra]]) == 2
    err = capsys.readouterr().err
    assert says in err
    assert err.count("\n") == 1
    assert {p.name for p in tmp_path.iterdir()} == {"given.json"}


def test_command_refuses_what_is_no_reading(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    given = tmp_path / "given.json"
    given.write_text("{}", encoding="utf-8")
    assert main(["profile", str(given), "--out", str(tmp_path / "x.icc")]) == 2
    assert "is not a reading" in capsys.readouterr().err
