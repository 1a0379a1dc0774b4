"""A photo set-up checked: planted faults are named, nothing on good ones, and readings take the figures up."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from colorcheck.__main__ import main
from colorcheck.flows.bench import LIMITS, check_bench
from colorcheck.flows.requests import BenchRequest
from colorcheck.ground.cielab import delta_e00
from colorcheck.photo.addlight import judge_added_light
from colorcheck.photo.camera import linearise
from colorcheck.photo.decode import decode
from colorcheck.photo.papersheet import measure_paper
from colorcheck.sheet.savedreading import load_reading

from . import scenes
from .virtual import bench, save_photo, spectral
from .virtual.camera import Camera, develop

LAMPS = ("lamp_a", "lamp_b", "both")


# ---------------------------------------------------------------- light must add: on pictures made for it


def tiles(seed: int, folder: Path, fault: str) -> dict[str, str]:
    """Paths of three photos of a floor of grey and coloured tiles under two lamps: quick, no print in it."""
    own = bench.set_up(seed, fault)
    rng = np.random.Generator(np.random.PCG64(seed))
    h, w, tile = 480, 640, 32
    tone = np.exp(rng.uniform(np.log(0.04), np.log(0.9), (h // tile, w // tile, 1)))
    colour = np.clip(tone * rng.uniform(0.8, 1.25, (h // tile, w // tile, 3)), 0.02, 0.95)
    colour[:, -6:] = colour[:, -6:] * 0.25  # a dark side, as a table beside the card
    floor = np.kron(colour, np.ones((tile, tile, 1))).astype(np.float32)
    x = np.linspace(-1, 1, w)[None, :, None]
    light = {"lamp_a": 0.5 * np.exp(-0.5 * x), "lamp_b": 0.4 * np.exp(0.45 * x)}
    light["both"] = light["lamp_a"] + light["lamp_b"]
    camera, out, held = own.camera, {}, []
    for k, name in enumerate(("both", "lamp_a", "lamp_b")):
        if name != "both":
            camera = replace(own.camera, gain=held[0], locked_balance=held[1])
            if fault == "flicker":
                camera = replace(camera, flicker=(0.04, rng.uniform(1.5, 5), rng.uniform(0, 1)))
            if fault == "exposure" and name == "lamp_b":
                camera = replace(camera, gain=1.25 * held[0])
        linear = (floor * light[name]).astype(np.float32)
        codes, *exposed = develop(linear, camera, light=own.illuminant, card_balance=None, seed=seed * 3 + k)
        held = exposed if name == "both" else held
        out[name] = str(save_photo(codes, folder / f"{name}.png"))
    return out


@pytest.mark.parametrize(
    ("fault", "named"),
    [
        ("", []),
        ("tone", ["tone"]),
        ("local-tone", ["local-tone"]),
        ("flicker", ["flicker"]),
        ("exposure", ["steady"]),
    ],
)
@pytest.mark.parametrize("seed", [31])
def test_what_keeps_light_from_adding_is_named(fault: str, named: list[str], seed: int, tmp_path: Path) -> None:
    result = check_bench(BenchRequest(**tiles(seed, tmp_path, fault)))
    assert list(result.poor) == named
    assert [c.name for c in result.checks if c.outcome == "left-out"] == ["stray-light", "lens", "turned", "drift"]
    usable = result.bench.exponent_std is not None
    assert usable == (fault in ("", "tone"))  # no curve holds for photos that the camera changes as it likes


def test_the_curve_found_is_the_curve_that_was_there(tmp_path: Path) -> None:
    """What is taken out leaves tones in proportion to the light, within a tenth of the curve's own error."""
    result = check_bench(BenchRequest(**tiles(33, tmp_path, "tone")))
    camera = bench.set_up(33, "tone").camera
    light = np.geomspace(0.03, 0.6, 12)
    code = spectral.encode_srgb(light) ** 0.93
    code = (1 - camera.contrast) * code + camera.contrast * code**2 * (3 - 2 * code)
    seen = spectral.decode_srgb(code)
    left = np.log(linearise(seen, result.bench.tone) / light)
    before = np.log(seen / light)
    assert np.ptp(before) > 0.15
    assert np.ptp(left) < 0.1 * np.ptp(before)


def test_photos_that_cannot_tell_are_no_answer(tmp_path: Path) -> None:
    dark = [decode(save_photo(np.full((300, 400, 3), v, np.uint8), tmp_path / f"{v}.png")) for v in (3, 4, 6)]
    assert judge_added_light(*dark) is None


# ---------------------------------------------------------------- the hole and the sheet


@pytest.mark.parametrize(("seed", "fault"), [(50, ""), (51, "veil"), (52, "lens")])
def test_hole_and_sheet_give_stray_light_and_bend(seed: int, fault: str, tmp_path: Path) -> None:
    own = bench.set_up(seed, fault)
    at = bench.save_all(own, None, tmp_path)
    result = check_bench(BenchRequest(black=str(at["black"]), sheet=str(at["sheet"])))
    assert list(result.poor) == {"": [], "veil": ["stray-light"], "lens": ["lens"]}[fault]
    bench_ = result.bench
    assert bench_.veil_of_mean is not None
    assert abs(bench_.veil_of_mean - own.camera.flare) < 0.001 + 0.05 * own.camera.flare
    paper = measure_paper(decode(at["sheet"]))
    assert abs(paper.bend - own.pose.distortion) < max(3 * paper.bend_std, 0.1 * abs(own.pose.distortion))
    assert paper.fit_mm < 0.1


# ---------------------------------------------------------------- the whole, with a pressed target


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Photos of a good set-up, its check, and an earlier day's reading."""
    folder = tmp_path_factory.mktemp("bench")
    bench.save_all(bench.set_up(41), scenes.press("small"), folder)
    assert main(["read", str(folder / "earlier.jpg"), "--json", str(folder / "earlier.json"), "--quiet"]) == 0
    words = [f"--{n.replace('_', '-')}={folder / n}.jpg" for n in (*LAMPS, "black", "sheet", "turned")]
    words += ["--again", str(folder / "earlier.json"), "--json", str(folder / "bench.json"), "--quiet"]
    assert main(["bench", *words]) == 0
    return folder


def test_nothing_is_named_on_a_good_set_up(good: Path) -> None:
    saved = json.loads((good / "bench.json").read_text())
    assert saved["poor"] == []
    assert [c["name"] for c in saved["checks"]] == list(LIMITS)
    assert all(c["outcome"] in ("good", "open") for c in saved["checks"])
    assert all(v is not None for v in saved["figures"].values())


def test_a_reading_with_the_check_states_less_doubt_and_keeps_it(good: Path) -> None:
    out = good / "with.json"
    words = [str(good / "earlier.jpg"), "--bench", str(good / "bench.json"), "--json", str(out), "--quiet"]
    assert main(["read", *words]) == 0
    alone, checked = load_reading(good / "earlier.json"), load_reading(out)
    assert json.loads(out.read_text())["bench"] == "bench.json"
    assert "bench" not in json.loads((good / "earlier.json").read_text())
    ok = alone.usable & checked.usable & (alone.lab[:, 0] < 99)
    assert checked.uncertainty[ok].mean() < alone.uncertainty[ok].mean()
    true = scenes.press("small").true_lab(scenes.reading_area(alone.target))
    off = delta_e00(checked.lab, true)[ok]
    assert np.mean(off <= 2 * checked.uncertainty[ok]) >= 0.90
    assert off.mean() < delta_e00(alone.lab, true)[ok].mean() + 0.1


def _again(good: Path, tmp_path: Path, **changed: Any) -> list[str]:
    """Options of the check with some files in place of others."""
    return [f"--{n.replace('_', '-')}={changed.get(n, good / f'{n}.jpg')}" for n in LAMPS]


def _resaved(path: Path, to: Path, *, device: str = "", **change: Any) -> Path:
    image = Image.open(path)
    exif = image.getexif()
    if device:
        exif[0x0110] = device
    image.save(to, quality=90, exif=exif.tobytes(), **change)
    return to


def test_photos_that_cannot_be_what_they_are_given_as_are_refused(
    good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = Path(shutil.copy(good / "lamp_a.jpg", tmp_path / "copy.jpg"))
    stored = _resaved(good / "lamp_a.jpg", tmp_path / "stored.jpg")
    named = {n: _resaved(good / f"{n}.jpg", tmp_path / f"own-{n}.jpg", device="Phone 1") for n in ("lamp_a", "both")}
    other = _resaved(good / "lamp_b.jpg", tmp_path / "other.jpg", device="Phone 2")
    moved = Path(save_photo(np.roll(np.asarray(Image.open(good / "lamp_b.jpg")), 40, axis=1), tmp_path / "moved.jpg"))
    blank = np.asarray(Image.open(good / "lamp_b.jpg")).astype(float) * 2.2
    bright = save_photo(np.clip(blank, 0, 255).astype(np.uint8), tmp_path / "bright.jpg")
    small = tmp_path / "small.jpg"
    Image.open(good / "lamp_b.jpg").resize((800, 600)).save(small)
    tried = [
        (_again(good, tmp_path, lamp_b=copy), r"lamp_a.jpg and copy.jpg are the same photo"),
        (_again(good, tmp_path, lamp_b=stored), r"lamp_a.jpg and stored.jpg show the same light"),
        (_again(good, tmp_path, **named, lamp_b=other), r"other.jpg was taken with another camera"),
        (_again(good, tmp_path, lamp_b=small), r"small.jpg has another size"),
        (_again(good, tmp_path, lamp_b=bright), r"bright.jpg is blank white: this lamp is brighter than the scale"),
        (_again(good, tmp_path, lamp_b=moved), r"moved.jpg does not show the same view"),
        (
            _again(good, tmp_path, lamp_a=good / "both.jpg", both=good / "lamp_a.jpg"),
            r"both.jpg is the photo with both lamps, lamp_a.jpg is not: give both.jpg as --both",
        ),
        ([f"--both={good / 'both.jpg'}", f"--turned={good / 'earlier.jpg'}"], r"turned by \d+° .*not by a quarter"),
        ([f"--black={good / 'sheet.jpg'}"], r"sheet.jpg shows no dark hole in white"),
        ([f"--sheet={good / 'black.jpg'}"], r"sheet of paper is not whole in black.jpg"),
        ([f"--lamp-a={good / 'lamp_a.jpg'}"], r"light is added from three photos"),
        ([f"--both={good / 'both.jpg'}"], r"--both alone proves nothing"),
        ([], r"no photo was given"),
    ]
    for words, says in tried:
        out = tmp_path / "never.json"
        assert main(["bench", *words, "--json", str(out)]) == 2
        line = capsys.readouterr().err.strip()
        assert "\n" not in line
        assert re.search(says, line), (says, line)
        assert not out.exists()


def test_a_check_of_another_camera_or_another_file_is_refused(
    good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = json.loads((good / "bench.json").read_text())
    (tmp_path / "own.json").write_text(json.dumps({**data, "device": "Phone 1"}))
    (tmp_path / "broken.json").write_text(json.dumps({**data, "figures": {**data["figures"], "scatter": "much"}}))
    photo = _resaved(good / "earlier.jpg", tmp_path / "photo.jpg", device="Phone 2")
    for name, says in (
        ("own.json", "photo.jpg was taken with Phone 2, own.json is about Phone 1"),
        ("broken.json", "broken.json is no check of a set-up"),
        (good / "earlier.json", "earlier.json is no check of a set-up"),
    ):
        assert main(["read", str(photo), "--bench", str(tmp_path / name)]) == 2
        line = capsys.readouterr().err
        assert says in line
        assert line.count("\n") == 1


def test_a_change_from_another_day_is_named(good: Path, tmp_path: Path) -> None:
    """An earlier reading of which every colour was stronger by a seventh."""
    data = json.loads((good / "earlier.json").read_text())
    for p in data["patches"]:
        p["lab"] = [p["lab"][0], 1.15 * p["lab"][1], 1.15 * p["lab"][2]]
    (tmp_path / "then.json").write_text(json.dumps(data))
    result = check_bench(BenchRequest(both=str(good / "both.jpg"), again=str(tmp_path / "then.json")))
    assert result.poor == ("drift",)


def test_the_world_of_set_ups_has_a_linear_camera_where_nothing_is_planted() -> None:
    own = bench.set_up(5)
    assert (own.camera.tone, own.camera.local_tone, own.camera.flicker[0]) == ("srgb", 0.0, 0.0)
    assert own.camera.flare < LIMITS["stray-light"]
    assert abs(own.pose.distortion) < LIMITS["lens"]
    assert Camera().flicker[0] == 0.0
