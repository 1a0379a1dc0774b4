"""Commands beyond `read` and `target`: what must never be lost, hostile data files, `--log` everywhere, the contract.

Every refusal is one line on standard error, exit code 2, and files as they were.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from colorcheck.__main__ import main
from colorcheck.cli.parser import make_parser
from colorcheck.ground.errors import DataError
from colorcheck.ground.files import read_json

from .test_cli import refused

ROOT = Path(__file__).parents[1]
SCANS = ROOT / "scans"
ESCAPE = "\x1b[31m"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory, sample_reading: Callable[[str], Path]) -> Path:
    """Two readings, an inspection, a plan and a press log, made from the samples once."""
    d = tmp_path_factory.mktemp("bench")
    log = str(d / "log.sqlite")
    for name in ("plaque-wrong-curves", "plaque-moved"):
        shutil.copy(sample_reading(name), d / f"{name}.json")
    assert main(["ladder", "plan", str(d / "steps"), "--time", "60..240s", "--temperature", "200C", "--max-time",
                 "300s", "--max-temperature", "205C", "--quiet", "--log", log, "--note", "first"]) == 0  # fmt: skip
    return d


@pytest.fixture
def desk(bench: Path, tmp_path: Path) -> Path:
    """Its own copy of the small files, to be damaged."""
    for name in ("plaque-wrong-curves.json", "plaque-moved.json", "log.sqlite"):
        shutil.copy(bench / name, tmp_path / name)
    shutil.copy(bench / "steps" / "plan.json", tmp_path / "plan.json")
    return tmp_path


A, B = "plaque-wrong-curves.json", "plaque-moved.json"


# ---------------------------------------------------------------- nothing is lost


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (f"compare {A} {B} --json log.sqlite --overwrite", "is a press log and is kept"),
        ("log list --log log.sqlite --json log.sqlite --overwrite", "is a press log and is kept"),
        (f"compare {A} {B} --json new.sqlite --log new.sqlite", "cannot be the press log and a result"),
        (f"compare {A} {B} --json x --csv ./x", "same file"),
        (f"compare {A} {B} --light plaque-moved={A},{B} --csv {A} --overwrite", "is read and cannot"),
        (f"health {A} {B} --json x --csv x", "same file"),
        (f"health {A} {B} --csv -", "needs a file"),
        (f"ladder read plan.json {A} {B} --json x --csv x", "same file"),
        (f"ladder read plan.json {A} {B} --json plan.json --overwrite", "is read and cannot"),
        (f"ladder read plan.json {A} {B} --max-time 100s", "belongs to 'ladder plan'"),
        ("ladder plan new --time 60..240s --max-time 300s --max-temperature 205C --name ..", "file name"),
        (f"read {SCANS}/clock-good.jpg --json x --values x", "same file"),
        (f"repeat {A} {B} {A} --json {A} --overwrite", "is read and cannot"),
        (f"camera {A} --target {B} --measured {B} --out x --json x", "same file"),
        (f"camera {A} --target {B} --measured {B} --out x --json {B} --overwrite", "is read and cannot"),
        (f"camera {A} --target {B} --measured {B} --out -", "needs a file"),
        (f"profile {A} --out x.icc --json {A} --overwrite", "is read and cannot"),
        ("log import nowhere --log new.sqlite", "there is no export"),
        (f"compare {A} {B} --json /dev/null --overwrite", "no ordinary file"),
        (f"compare {A} {B} --note x", "add --log"),
        (f"compare {A} {B} --piece x", "'colorcheck compare --help'"),
        (f"profile --out x.icc --log {A}", "comes last"),
        (f"compare {A} {'x' * 300}", "too long"),
        (f"log list --log {'x' * 300}", "too long"),
        (f"health {A} --placed wide.csv", "no table"),
        (f"read {SCANS}/clock-good.jpg copy.jpg", "are the same photo"),
        (f"repeat copy.jpg {SCANS}/plaque-glare.jpg {SCANS}/clock-good.jpg", "are the same photo"),
        (f"inspect {SCANS}/clock-good.jpg copy.jpg --artwork {SCANS}/number-plaque.png --size 200mm", "the same photo"),
        (f"health {A} copy.json", "are the same result"),
    ],
)  # fmt: skip
def test_nothing_is_lost(args: str, says: str, desk: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    (desk / "copy.jpg").write_bytes((SCANS / "clock-good.jpg").read_bytes())
    (desk / "copy.json").write_bytes((desk / A).read_bytes())
    (desk / "wide.csv").write_text("file," + '"' + "x" * 200_000 + '"\n')
    monkeypatch.chdir(desk)
    refused(capsys, desk, *args.split(), says=says)


def test_a_plan_keeps_the_targets_that_are_there(tmp_path: Path, capsys: Any) -> None:
    """The folder holds no plan, but a picture by the name of one of its targets."""
    (tmp_path / "ladder-C.png").write_text("precious")
    words = ["ladder", "plan", tmp_path, "--time", "60..240s", "--max-time", "300s", "--max-temperature", "205C"]
    refused(capsys, tmp_path, *words, says="ladder-C.png exists and is kept")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_full_disk_behind_the_screen(desk: Path) -> None:
    """The answer cannot be written: one line and 2, not a traceback at the end."""
    command = [sys.executable, "-m", "colorcheck", "log", "list", "--log", "log.sqlite"]
    with open("/dev/full", "w") as full:
        env = {**os.environ, "PYTHONPATH": str(ROOT)}
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, cwd=desk, env=env, check=False)
    assert done.returncode == 2
    assert done.stderr.startswith("colorcheck: the output cannot be")
    assert "Traceback" not in done.stderr


# ---------------------------------------------------------------- hostile data files


NOTHING = ['{"a": NaN}', '{"a": -Infinity}', '{"a": [1e999]}', '{"a": 1e30}', '{"a": ' + "9" * 5000 + "}"]


@pytest.mark.parametrize("text", [*NOTHING, '{"half": "\\ud800"}', '{"a":' * 4000 + "1" + "}" * 4000])
def test_numbers_that_are_none(text: str, tmp_path: Path) -> None:
    (tmp_path / "x.json").write_text(text)
    with pytest.raises(DataError, match=r"x\.json is not a thing: make one"):
        read_json(tmp_path / "x.json", "a thing", todo="make one")


def test_signs_that_steer_a_terminal_are_taken_out(tmp_path: Path) -> None:
    told = {"name": ESCAPE, "list": [ESCAPE, ["\u202e"]], ESCAPE: {"x": "a\nb"}}
    (tmp_path / "x.json").write_text(json.dumps(told))
    data = read_json(tmp_path / "x.json", "a thing", todo="make one")
    assert data == {"name": "?[31m", "list": ["?[31m", ["?"]], "?[31m": {"x": "a\nb"}}


PLAN: dict[str, Callable[[dict[str, Any]], Any]] = {
    "seed infinite as text": lambda d: d.update(seed="inf"),
    "limit beyond any press": lambda d: d.update(max_temperature_c=900),
    "limit infinite as text": lambda d: d.update(max_time_s="inf"),
    "step not a step": lambda d: d["steps"].__setitem__(0, 3),
    "odd pressure": lambda d: d["steps"][0].update(pressure=ESCAPE),
    "step beyond any press": lambda d: d["steps"][0].update(temperature_c=900),
    "long number": lambda d: d.update(max_temperature_c=-1e14),
    "no steps": lambda d: d.pop("steps"),
}


@pytest.mark.parametrize("how", PLAN)
def test_damaged_plan(how: str, desk: Path, capsys: Any) -> None:
    d = json.loads((desk / "plan.json").read_text())
    PLAN[how](d)
    (desk / "plan.json").write_text(json.dumps(d))
    line = refused(capsys, desk, "ladder", "read", desk / "plan.json", desk / A, desk / B, says="plan.json")
    assert "object" not in line


@pytest.mark.parametrize("value", [-1e14, "9" * 400, "nan", [1], 10**9])
def test_piece_with_a_finding_nowhere(value: Any, desk: Path, capsys: Any) -> None:
    d = json.loads((desk / B).read_text())
    d["press"]["findings"][0].update(x_mm=value, y_mm=5)
    (desk / B).write_text(json.dumps(d))
    line = refused(capsys, desk, "health", desk / A, desk / B, says=f"{B} is damaged")
    assert "object" not in line


def test_ladder_stands_odd_photos_and_huge_widths(desk: Path, capsys: Any) -> None:
    """What is of no use is left out, not a crash."""
    d = json.loads((desk / B).read_text())
    d.update(photos=[[1]])
    d["press"].update(edge_width_mm=-1e14)
    words = []
    for n, base in enumerate((d, d, d, d)):
        (desk / f"{n}.json").write_text(json.dumps(base))
        words.append(str(desk / f"{n}.json"))
    code = main(["ladder", "read", str(desk / "plan.json"), *words, "--step", "A", "B", "C", "D", "--quiet"])
    assert code in (0, 2)
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.skipif(sys.platform == "darwin", reason="file names are UTF-8 there")
def test_report_of_a_file_whose_name_is_no_text(desk: Path) -> None:
    odd = desk / os.fsdecode(b"\xff\xfe.json")
    shutil.copy(desk / A, odd)
    assert main(["health", str(odd), str(desk / B), "--report", str(desk / "r"), "--quiet"]) == 0
    assert "<html" in (desk / "r" / "report.html").read_text(encoding="utf-8")


# ---------------------------------------------------------------- --log


def test_every_result_can_be_recorded(bench: Path, desk: Path, capsys: Any) -> None:
    """`ladder plan` of the fixture, and `compare`: kind, note, and the answer as headline."""
    log = desk / "log.sqlite"
    assert main(["compare", str(desk / A), str(desk / B), "--log", str(log), "--note", "two sheets"]) == 0
    assert "Recorded as " in capsys.readouterr().out
    with sqlite3.connect(log) as c:
        rows = c.execute("select kind, note, headline from entries order by created").fetchall()
    c.close()
    assert [r[:2] for r in rows] == [("ladder", "first"), ("compare", "two sheets")]
    assert rows[1][2].startswith("For photos: ")


@pytest.mark.parametrize(
    "command", ["target", "read", "inspect", "camera", "repeat", "compare", "ladder", "profile", "prepare"]
)
def test_every_command_with_a_result_takes_log_and_note(command: str, capsys: Any) -> None:
    with pytest.raises(SystemExit):
        main([command, "--help"])
    told = capsys.readouterr().out
    assert "--log [FILE]" in told
    assert "--note TEXT" in told


def test_a_log_that_fails_leaves_the_result(desk: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A log that is damaged behind its first bytes is found out only when it is opened."""
    (desk / "bad.sqlite").write_bytes(b"SQLite format 3\0" + b"\xff" * 5000)
    words = ["compare", desk / A, desk / B, "--json", desk / "o.json", "--log", desk / "bad.sqlite", "--quiet"]
    assert main([str(w) for w in words]) == 2
    line = capsys.readouterr().err
    assert line.startswith(f"colorcheck: the result is in {desk / 'o.json'}, but is not recorded (")
    assert len(line.splitlines()) == 1
    assert json.loads((desk / "o.json").read_text())["schema"] == "colorcheck-comparison/1"


# ---------------------------------------------------------------- the contract: options and their defaults


CONTRACT = {
    "target out": {
        "name": "target",
        "size": "200x200mm",
        "shape": "rect",
        "view": "front",
        "dpi": 300,
        "seed": 1,
        "format": "png",
        "json": None,
    },
    "read a.jpg b.jpg": {"target": None, "camera": None, "printed": "as-usual", "paper": "on", "against": None},
    "inspect a.jpg --artwork a.png --size 200mm": {
        "shape": "rect",
        "view": "front",
        "paper": "on",
        "blank_frame": None,
        "reading": None,
        "profile": None,
    },
    "compare a.json b.json": {"purpose": "photos", "same_setup": False, "json": None},
    "profile a.json --out b.icc": {"v2": False, "json": None},
    "camera a.jpg --target t.json --measured v.txt --out c.json": {"json": None},
    "health --fading a.json b.json --same-setup": {"same_setup": True},
}


@pytest.mark.parametrize("line", CONTRACT)
def test_options_and_defaults_stay(line: str) -> None:
    args = vars(make_parser().parse_args(line.split()))
    assert {k: args[k] for k in CONTRACT[line]} == CONTRACT[line]


def test_comparison_keeps_the_contract(desk: Path) -> None:
    assert main(["compare", str(desk / A), str(desk / B), "--json", str(desk / "o.json"), "--quiet"]) == 0
    data = json.loads((desk / "o.json").read_text())
    assert {"substrates", "ranking"} <= set(data)
    assert len(data["ranking"]) == 2
    for s in data["substrates"]:
        assert {"name", "gamut_volume", "black_L", "max_density", "white_lab", "evenness"} <= set(s)
        assert s["gamut_volume"] > 0


def test_inspection_keeps_the_contract(tmp_path: Path) -> None:
    words = ["inspect", SCANS / "number-plaque.jpg", "--artwork", SCANS / "number-plaque.png", "--size", "20x15cm"]
    assert main([str(w) for w in [*words, "--view", "through", "--json", tmp_path / "o.json", "--quiet"]]) == 0
    data = json.loads((tmp_path / "o.json").read_text())
    assert {"findings", "lighting", "verdict"} <= set(data)
    keys = {"kind", "x_mm", "y_mm", "diameter_mm", "area_mm2", "delta_e00", "delta_L", "confidence", "where"}
    assert data["findings"]
    assert all(keys <= set(f) for f in data["findings"])
    assert data["verdict"]["action"] in {"accept", "re-press", "change-profile", "reprint", "retake-photo"}
    assert all({"measure", "value", "limit", "uncertainty", "says"} <= set(r) for r in data["verdict"]["reasons"])


# ---------------------------------------------------------------- damaged readings, layouts and limits


@pytest.mark.parametrize(
    "change",
    [
        lambda d: d.update(photos=[[1]]),
        lambda d: d.update(photos={"a": 1}),
        lambda d: d["patches"][0].update(uptake=[[]]),
        lambda d: d["patches"].__setitem__(5, 7),
    ],
)
def test_damaged_readings_are_told_in_plain_words(desk: Path, change: Callable[[Any], Any], capsys: Any) -> None:
    data = json.loads((desk / A).read_text())
    change(data)
    (desk / "bad.json").write_text(json.dumps(data))
    line = refused(capsys, desk, "profile", str(desk / "bad.json"), "--out", str(desk / "x.icc"))
    assert "bad.json is a damaged reading" in line
    assert "object" not in line
    assert not (desk / "x.icc").exists()


def test_a_layout_whose_quiet_zone_is_damaged(desk: Path, capsys: Any) -> None:
    data = json.loads((desk / A).read_text())["target"]
    data["keep_out_mm"][3][3] = 0
    (desk / "t.json").write_text(json.dumps(data))
    line = refused(capsys, desk, "read", str(SCANS / "plaque-pale-spot.jpg"), "--target", str(desk / "t.json"))
    assert "quiet zone" in line


@pytest.mark.parametrize(("content", "says"), [(b"", "holds no limit"), ("[even]".encode("utf-16"), "not plain text")])
def test_limits_that_hold_nothing(desk: Path, content: bytes, says: str, capsys: Any) -> None:
    (desk / "own.toml").write_bytes(content)
    line = refused(capsys, desk, "read", str(SCANS / "clock-good.jpg"), "--limits", str(desk / "own.toml"))
    assert says in line


# ---------------------------------------------------------------- the one line that helps


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("read {targets}/square-100mm.png", "is drawn, not photographed"),
        ("inspect {scans}/number-plaque.png --artwork {scans}/number-plaque.png --size 200x150mm", "is drawn, not"),
        ("read {here}/left.png", "photograph the whole sheet"),
        ("read {here}/top.png", "photograph the whole sheet"),
        ("inspect {scans}/number-plaque.jpg --artwork {scans}/number-plaque.png --size 8x6", "write 8x6in"),
        ("target {here}/new --size 8x6", "write 8x6in"),
        ("read {scans}/clock-good.jpg --log :memory:", "in memory"),
        ("log list --text \udcff", "no text"),
    ],
)
def test_usual_mistakes_get_the_line_that_helps(line: str, says: str, tmp_path: Path, capsys: Any) -> None:
    with Image.open(SCANS / "plaque-pale-spot.jpg") as whole:
        w, h = whole.size
        whole.crop((0, 0, int(0.55 * w), h)).save(tmp_path / "left.png")
        whole.crop((0, 0, w, int(0.6 * h))).save(tmp_path / "top.png")
    words = line.format(targets=ROOT / "targets", scans=SCANS, here=tmp_path).split()
    refused(capsys, tmp_path, *words, says=says)
