"""A photo set-up checked: planted faults are named, nothing on good ones, and readings take the figures up."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from starlette.testclient import TestClient

from colorcheck.__main__ import main
from colorcheck.flows.bench import LIMITS, check_bench
from colorcheck.flows.bench import to_dict as bench_to_dict
from colorcheck.flows.requests import BenchRequest
from colorcheck.ground.cielab import delta_e00
from colorcheck.photo.addlight import judge_added_light
from colorcheck.photo.camera import linearise
from colorcheck.photo.decode import decode
from colorcheck.photo.papersheet import measure_paper
from colorcheck.sheet.savedreading import load_reading
from colorcheck.shop.presslog import open_log
from colorcheck.shop.presslog_records import NewEntry

from . import scenes
from .test_batch import make_day
from .test_page import action, make, seen, send, wait
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


def _resaved(path: Path, to: Path, *, device: str = "", **change: Any) -> Path:
    image = Image.open(path)
    exif = image.getexif()
    if device:
        exif[0x0110] = device
    image.save(to, quality=90, exif=exif.tobytes(), **change)
    return to


def _blank(path: Path, to: Path) -> Path:
    """The same view under a lamp more than twice as bright."""
    codes = np.asarray(Image.open(path)).astype(float) * 2.2
    return save_photo(np.clip(codes, 0, 255).astype(np.uint8), to)


def _moved(path: Path, to: Path) -> Path:
    return save_photo(np.roll(np.asarray(Image.open(path)), 40, axis=1), to)


def _small(path: Path, to: Path) -> Path:
    Image.open(path).resize((800, 600)).save(to)
    return to


def _inspection(_: Path, to: Path) -> Path:
    to.write_text(json.dumps({"schema": "colorcheck-inspection/1", "name": "plaque"}))
    return to


# which options get another file: an earlier photo by name, or (photo, what is done to it, new name); what is said
WRONG: dict[str, tuple[dict[str, Any], str]] = {
    "a copy": ({"lamp_b": ("lamp_a", shutil.copy, "copy.jpg")}, r"lamp_a.jpg and copy.jpg are the same photo"),
    "stored anew": ({"lamp_b": ("lamp_a", _resaved, "stored.jpg")}, r"lamp_a.jpg and stored.jpg show the same light"),
    "another camera": (
        {n: (n, lambda p, q: _resaved(p, q, device="Phone 1"), f"own-{n}.jpg") for n in ("lamp_a", "both")}
        | {"lamp_b": ("lamp_b", lambda p, q: _resaved(p, q, device="Phone 2"), "other.jpg")},
        r"other.jpg was taken with another camera than the rest \(Phone 2\): .*take this photo again with it",
    ),
    "another size": ({"lamp_b": ("lamp_b", _small, "small.jpg")}, r"small.jpg has another size"),
    "too bright a lamp": (
        {"lamp_b": ("lamp_b", _blank, "bright.jpg")},
        r"bright.jpg is blank white: this lamp is brighter than the scale allows: expose darker",
    ),
    "moved": ({"lamp_b": ("lamp_b", _moved, "moved.jpg")}, r"moved.jpg does not show the same view"),
    "both first": (
        {"lamp_a": "both", "both": "lamp_a"},
        r"both.jpg is the photo with both lamps, lamp_a.jpg is not: give both.jpg as --both",
    ),
    "both second": ({"lamp_b": "both", "both": "lamp_b"}, r"both.jpg is the photo with both lamps, lamp_b.jpg is not"),
    "box for a lamp": ({"lamp_a": "black"}, r"black.jpg does not show the same view as both.jpg"),
    "another day for turned": ({**dict.fromkeys(LAMPS[:2]), "turned": "earlier"}, r"turned by \d+° .*not by a quarter"),
    "paper for turned": ({**dict.fromkeys(LAMPS[:2]), "turned": "sheet"}, r"sheet.jpg"),
    "paper for the box": ({**dict.fromkeys(LAMPS), "black": "sheet"}, r"sheet.jpg shows no dark hole in white"),
    "target for the box": ({**dict.fromkeys(LAMPS), "black": "both"}, r"both.jpg shows .* dark hole in white"),
    "box for the paper": ({**dict.fromkeys(LAMPS), "sheet": "black"}, r"sheet of paper is not whole in black.jpg"),
    "target for the paper": ({**dict.fromkeys(LAMPS), "sheet": "both"}, r"sheet of paper is not whole in both.jpg"),
    "no reading": (
        {**dict.fromkeys(LAMPS[:2]), "again": ("both", _inspection, "piece.json")},
        r"piece.json is not a reading",
    ),
    "one lamp": (dict.fromkeys(("lamp_b", "both")), r"light is added from three photos"),
    "both alone": (dict.fromkeys(("lamp_a", "lamp_b")), r"--both alone proves nothing"),
    "nothing": (dict.fromkeys(LAMPS), r"no photo was given"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_photos_that_cannot_be_what_they_are_given_as_are_refused(
    good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], wrong: str
) -> None:
    changed, says = WRONG[wrong]
    given: dict[str, Path | None] = {n: good / f"{n}.jpg" for n in LAMPS}
    for option, what in changed.items():
        if isinstance(what, tuple):
            name, change, new = what
            given[option] = Path(change(good / f"{name}.jpg", tmp_path / new))
        else:
            given[option] = good / f"{what}.jpg" if what else None
    words = [f"--{n.replace('_', '-')}={p}" for n, p in given.items() if p]
    out = tmp_path / "never.json"
    assert main(["bench", *words, "--json", str(out), "--report", str(tmp_path / "never")]) == 2
    line = capsys.readouterr().err.strip()
    assert "\n" not in line
    assert re.search(says, line), line
    assert not out.exists()
    assert not (tmp_path / "never").exists()


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


def test_the_report_shows_the_answer_first_and_every_check(good: Path, tmp_path: Path) -> None:
    words = [f"--{n}={good / n}.jpg" for n in ("black", "sheet")]
    assert main(["bench", *words, "--report", str(tmp_path / "r"), "--quiet"]) == 0
    text = (tmp_path / "r" / "report.html").read_text(encoding="utf-8")
    assert "<h1>Your set-up can be trusted, as far as it was checked.</h1>" in text
    for told in ("Stray light", "Lens", "What it proves", "found, limit = 1", "Not checked: tone curve"):
        assert told in text, told
    assert "http" not in re.sub(r'xmlns="[^"]+"', "", text)


def test_the_log_keeps_each_check_and_draws_drift(
    good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Eight steady checks, then three of a set-up that moved: the chart says since when."""
    log = tmp_path / "log.sqlite"
    words = [f"--sheet={good / 'sheet.jpg'}", f"--log={log}"]
    assert main(["bench", *words, "--quiet"]) == 0
    saved = json.loads((good / "bench.json").read_text())
    with open_log(log) as opened:
        for day, value in enumerate([0.30, 0.33, 0.29, 0.31, 0.32, 0.30, 0.28, 0.31, 0.9, 1.0, 0.95], 1):
            checks = [{**c, "value": value} if c["name"] == "drift" else c for c in saved["checks"]]
            moment = datetime(2026, 3, day, tzinfo=UTC)
            opened.record(NewEntry("bench", {**saved, "checks": checks}, created=moment))
        drift = opened.trend("drift", baseline=8)
        assert opened.trend("stray-light").values[0] == pytest.approx(
            100 * next(c["value"] for c in saved["checks"] if c["name"] == "stray-light")
        )
        assert not opened.trend("evenness").values
    assert drift.values[-3:] == (0.9, 1.0, 0.95)  # the check without that photo is no value
    assert drift.chart is not None
    assert set(drift.chart.outside) == {8, 9, 10}
    assert drift.chart.ranges[7] == pytest.approx(0.9 / 0.31)
    assert drift.chart.ranges[7] > drift.chart.range_upper > max(drift.chart.ranges[:7])
    words = ["--measure", "drift", "--baseline", "8", "--log", str(log), "--report", str(tmp_path / "chart")]
    assert main(["log", "trend", *words]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith("Difference from the earlier day of 11 checks has moved: more than usual since 2026-03-0")
    page = (tmp_path / "chart" / "report.html").read_text(encoding="utf-8")
    assert page.count("<svg") == 2
    assert "Moving range, as a factor" in page


def test_a_batch_takes_the_check_up(good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    day = make_day(tmp_path, 2, 1, megapixels=0.5)
    words = [
        str(day.photo.parent),
        "--jobs",
        str(day.folder / "LIST.csv"),
        "--workers",
        "1",
        "--quiet",
        "--json",
        str(tmp_path / "out.jsonl"),
    ]
    other = json.loads((good / "bench.json").read_text()) | {"device": "Phone 1"}
    (tmp_path / "own.json").write_text(json.dumps(other))
    assert main(["batch", *words, "--bench", str(tmp_path / "own.json")]) == 0
    (line,) = (tmp_path / "out.jsonl").read_text().splitlines()
    assert json.loads(line)["bench"] == "own.json"
    (tmp_path / "own.json").write_text("{}")
    assert main(["batch", *words, "--bench", str(tmp_path / "own.json")]) == 2
    assert "own.json is no check of a set-up" in capsys.readouterr().err


# ---------------------------------------------------------------- on the page


def test_the_page_checks_a_set_up_and_later_readings_use_it(good: Path, tmp_path: Path) -> None:
    with TestClient(make(tmp_path)[0], raise_server_exceptions=False) as client:
        refused = send(client, "/bench", [jpeg("both", good)])
        assert refused.status_code == 400
        told = seen(refused.text)
        assert "'Both lamps' alone proves nothing: add 'First lamp alone' and 'Second lamp alone'" in told
        assert "--" not in told
        swapped = [
            ("lamp_a", jpeg("both", good)[1]),
            ("lamp_b", jpeg("lamp_b", good)[1]),
            ("both", jpeg("lamp_a", good)[1]),
        ]
        wrong = seen(wait(client, str(send(client, "/bench", swapped).url)).text)
        assert "'First lamp alone' is the photo with both lamps, 'Both lamps' is not" in wrong
        assert "--" not in wrong
        files = [jpeg(n, good) for n in (*LAMPS, "black", "sheet", "turned")]
        done = wait(client, str(send(client, "/bench", files, piece="bench lamps").url), 180)
        told = " ".join(seen(done.text).split())
        assert "can be trusted, as far as it was checked" in told or "this cannot be told" in told
        assert "--" not in told
        assert "bench lamps" in told
        saved = client.get(f"{done.url}result.json").json()
        alone = check_bench(BenchRequest(**{n: str(good / f"{n}.jpg") for n in (*LAMPS, "black", "sheet", "turned")}))
        assert saved["checks"] == json.loads(json.dumps(bench_to_dict(alone)["checks"])), "the command's own answer"
        uid = str(done.url).rstrip("/").split("/")[-1]
        form = client.get("/check/target", params={"bench": uid}).text
        assert re.search(rf'<option value="{uid}" selected>bench lamps, ', form)
        read = send(client, "/check/target", [("photos", jpeg("earlier", good)[1])], bench=uid)
        page = wait(client, str(read.url))
        assert "Worked out with the check of your set-up (bench lamps)" in page.text
        result = client.get(f"{page.url}result.json").json()
        assert result["bench"] == "bench lamps"
        with_it = load_reading_of(result, tmp_path)
        assert with_it.uncertainty.mean() < load_reading(good / "earlier.json").uncertainty.mean()
        gone = client.post(
            action(client, str(done.url), r'action="(forget[^"]+)"').replace("forget", f"{done.url}forget")
        )
        assert gone.status_code == 200
        late = send(client, "/check/target", [("photos", jpeg("earlier", good)[1])], bench=uid)
        assert late.status_code == 400
        assert "the chosen check of the set-up is no longer there" in late.text.lower()


def jpeg(name: str, folder: Path) -> tuple[str, tuple[str, bytes, str]]:
    """A photo as a phone sends it: all of one name."""
    return name, ("image.jpg", (folder / f"{name}.jpg").read_bytes(), "image/jpeg")


def load_reading_of(result: dict[str, Any], folder: Path) -> Any:
    (folder / "reading.json").write_text(json.dumps(result))
    return load_reading(folder / "reading.json")


def test_the_world_of_set_ups_has_a_linear_camera_where_nothing_is_planted() -> None:
    own = bench.set_up(5)
    assert (own.camera.tone, own.camera.local_tone, own.camera.flicker[0]) == ("srgb", 0.0, 0.0)
    assert own.camera.flare < LIMITS["stray-light"]
    assert abs(own.pose.distortion) < LIMITS["lens"]
    assert Camera().flicker[0] == 0.0
