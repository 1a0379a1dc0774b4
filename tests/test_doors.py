"""Every door in refuses an odd file in one line, at once, and every door out leaves what was there or a whole file."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from colorcheck.__main__ import main
from colorcheck.ground.errors import FileError
from colorcheck.ground.files import settle, together, whole, write_text

ROOT = Path(__file__).resolve().parents[1]
SCANS = ROOT / "scans"
OLD = Path(__file__).resolve().parent / "data" / "before_structs"  # written before files were read through records
PHOTO, ART = str(SCANS / "offcut-scan.tif"), str(SCANS / "number-plaque.png")


@pytest.fixture(autouse=True)
def _never_wait() -> Iterator[None]:
    """A test that waits for a pipe, or reads a device without end, is stopped."""

    def stop(*_: Any) -> None:
        raise TimeoutError("a door waits")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(60)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to work in, with good files and one that must not be lost; odd ones lie beside it."""
    place = tmp_path / "desk"
    shutil.copytree(OLD, place)
    (place / "out.json").write_text("precious")
    (place / "other.json").write_text((place / "reading.json").read_text().replace('"sha256": "', '"sha256": "other'))
    monkeypatch.chdir(place)
    monkeypatch.setenv("COLORCHECK_LOG", str(tmp_path / "none.sqlite"))
    monkeypatch.delenv("COLORCHECK_TRACE", raising=False)
    return place


def one_line(desk: Path, capsys: Any, words: list[str]) -> str:
    """Run a command that must be refused: 2, one line, nothing touched, no file left."""
    before = {p.name: p.read_bytes() for p in desk.iterdir() if p.is_file()}
    assert main(words) == 2
    err = str(capsys.readouterr().err)
    assert err.startswith("colorcheck: ")
    assert err.count("\n") == 1
    assert "Traceback" not in err
    assert "Error" not in err  # no name of an exception
    assert {p.name: p.read_bytes() for p in desk.iterdir() if p.is_file()} == before
    return err


DOORS = {
    "layout": ["read", PHOTO, "--target", "ODD"],
    "camera": ["read", PHOTO, "--camera", "ODD"],
    "against": ["read", PHOTO, "--against", "ODD"],
    "floor": ["read", PHOTO, "--repeat", "ODD"],
    "limits": ["read", PHOTO, "--limits", "ODD"],
    "photo": ["read", "ODD"],
    "photo of a piece": ["inspect", "ODD", "--artwork", ART, "--size", "200x150mm"],
    "artwork": ["inspect", PHOTO, "--artwork", "ODD", "--size", "200x150mm"],
    "substrate": ["inspect", PHOTO, "--artwork", ART, "--size", "200x150mm", "--reading", "ODD"],
    "profile of a piece": ["inspect", PHOTO, "--artwork", ART, "--size", "200x150mm", "--profile", "ODD"],
    "measured": ["camera", PHOTO, "--target", "layout.json", "--measured", "ODD", "--out", "camera.json"],
    "readings": ["compare", "reading.json", "ODD"],
    "costs": ["compare", "reading.json", "other.json", "--cost", "ODD"],
    "to profile": ["profile", "ODD", "--out", "board.icc"],
    "plan": ["ladder", "read", "ODD", "reading.json"],
    "steps": ["ladder", "read", "plan.json", "ODD"],
    "pieces": ["health", "reading.json", "ODD"],
    "placings": ["health", "reading.json", "--placed", "ODD"],
    "to print": ["prepare", ART, "--profile", "ODD", "--size", "200x150mm", "--out", "print.png"],
    "log": ["log", "list", "--log", "ODD"],
    "export": ["log", "import", "ODD", "--log", "new.sqlite"],
}  # fmt: skip
TOML = ("limits", "costs")
DEEP, DIGITS = 4000, "9" * 5000
NESTED = '{"a":' * DEEP + "1" + "}" * DEEP
ODD = {
    "bytes": lambda p, _: p.write_bytes(bytes(range(256)) * 8),
    "pipe": lambda p, _: os.mkfifo(p),
    "device": lambda p, _: p.symlink_to("/dev/zero"),
    "folder": lambda p, _: p.mkdir(),
    "missing": lambda p, _: None,
    "nested": lambda p, toml: p.write_text("a = " + "[" * DEEP + "]" * DEEP if toml else NESTED),
    "digits": lambda p, toml: p.write_text(f"[even]\nspot_de00 = {DIGITS}\n" if toml else f'{{"a": {DIGITS}}}'),
    "huge number": lambda p, toml: p.write_text("[even]\nspot_de00 = 1e30\n" if toml else '{"a": 1e30}'),
    "huge file": lambda p, _: os.truncate(os.open(p, os.O_CREAT | os.O_WRONLY), 400_000_000),
}  # fmt: skip


@pytest.mark.parametrize("kind", ODD)
@pytest.mark.parametrize("door", DOORS)
def test_odd_files_are_refused_in_one_line(door: str, kind: str, desk: Path, capsys: Any) -> None:
    if door == "log" and kind == "missing":
        return  # a log that is not there is begun
    path = desk.parent / "odd"
    ODD[kind](path, door in TOML)
    words = [str(path) if w == "ODD" else w for w in DOORS[door]]
    begun = time.monotonic()
    line = one_line(desk, capsys, words if door in ("log", "export") else [*words, "--json", "out.json", "--overwrite"])
    assert time.monotonic() - begun < 20
    if kind in ("pipe", "device"):
        assert "no ordinary file" in line


# ---------------------------------------------------------------- shapes


TO_PROFILE, COMPARE = "profile reading.json --out x.icc", "compare reading.json other.json"
HEALTH, LADDER = "health reading.json other.json", "ladder read plan.json reading.json"


def changed(desk: Path, name: str, change: Any) -> None:
    data = json.loads((desk / name).read_text())
    change(data)
    (desk / name).write_text(json.dumps(data))


@pytest.mark.parametrize(
    ("name", "change", "words", "says"),
    [
        ("reading.json", lambda d: d["patches"][4].update(lab=[1, "x", 2]), TO_PROFILE, "patches[4].lab[1]"),
        ("reading.json", lambda d: d["patches"][4].pop("uncertainty"), COMPARE, "lacks 'patches[4].uncertainty'"),
        ("reading.json", lambda d: d["patches"][4].update(flags=3), COMPARE, "'patches[4].flags': expected a list"),
        ("reading.json", lambda d: d["patches"].append(d["patches"][0] | {"id": "ZZ9"}), COMPARE, "do not match"),
        ("reading.json", lambda d: d["target"].update(size_mm=[1e9, 5]), COMPARE, "'target.size_mm[0]'"),
        ("reading.json", lambda d: d.update(verdict=[]), TO_PROFILE, "'verdict': expected a table"),
        ("reading.json", lambda d: d.update(photos=[7]), COMPARE, "'photos[0]'"),
        ("reading.json", lambda d: d["press"].update(findings=[{"x_mm": 3}]), HEALTH, "press.findings[0].kind"),
        ("inspection.json", lambda d: d.update(size_mm=[0, 5]), "health inspection.json other.json", "'size_mm[0]'"),
        ("plan.json", lambda d: d["steps"][0].update(time_s="soon"), LADDER, "'steps[0].time_s'"),
        ("plan.json", lambda d: d.update(seed=2.5), LADDER, "'seed'"),
        ("camera.json", lambda d: d["model"].update(tone=[None]), "read PHOTO --camera camera.json", "'model.tone[0]'"),
        ("repeat.json", lambda d: d["cells"].append(3), "read PHOTO --repeat repeat.json", "'cells["),
        ("layout.json", lambda d: d.update(patches={}), "read PHOTO --target layout.json", "'patches'"),
    ],
)  # fmt: skip
def test_a_wrong_value_is_named_by_its_key(
    name: str, change: Any, words: str, says: str, desk: Path, capsys: Any
) -> None:
    changed(desk, name, change)
    assert says in one_line(desk, capsys, [PHOTO if w == "PHOTO" else w for w in words.split()])


def test_files_of_earlier_versions_are_read_as_before() -> None:
    """Values taken from the files themselves, by plain JSON."""
    from colorcheck.colour.tonecorrect import load_curves
    from colorcheck.flows.repeat import load_floor
    from colorcheck.photo.camerafile import camera_to_dict, load_camera
    from colorcheck.sheet.savedreading import load_reading
    from colorcheck.sheet.target import load_target, to_dict
    from colorcheck.shop.ladder import load_plan, plan_to_dict
    from colorcheck.shop.presshealth import load_piece
    from colorcheck.shop.presslog_files import read_export

    def plain(name: str) -> Any:
        return json.loads((OLD / name).read_text(encoding="utf-8"))

    assert to_dict(load_target(OLD / "layout.json")) == plain("layout.json")
    assert plan_to_dict(load_plan(OLD / "plan.json")) == plain("plan.json")
    assert camera_to_dict(load_camera(OLD / "camera.json")) == plain("camera.json")
    reading, told = load_reading(OLD / "reading.json"), plain("reading.json")
    rows = {p["id"]: p for p in told["patches"]}
    assert reading.lab.tolist() == [rows[i]["lab"] for i in reading.target.ids]
    assert reading.uncertainty.tolist() == [rows[i]["uncertainty"] for i in reading.target.ids]
    assert [r.density for r in reading.rows] == [rows[i]["density"] for i in reading.target.ids]
    assert to_dict(reading.target) == told["target"]
    piece, told = load_piece(OLD / "inspection.json"), plain("inspection.json")
    assert [(s.kind, s.x_mm) for s in piece.spots] == [(f["kind"], f["x_mm"]) for f in told["findings"]]
    floor, told = load_floor(OLD / "repeat.json"), plain("repeat.json")
    ids = [c["id"] for c in told["cells"]]
    wanted = [c["std_delta_e00"] or told["repeatability_delta_e00"] for c in told["cells"]]
    np.testing.assert_array_equal(floor(ids), wanted)
    curves, name, step = load_curves(OLD / "curves.json")
    assert (curves[:, 0].tolist(), name, step) == (plain("curves.json")["curves"]["r"], "old", "grey")
    (entry,) = read_export(OLD / "press-log.jsonl")
    line = json.loads((OLD / "press-log.jsonl").read_text(encoding="utf-8").splitlines()[1])
    assert (entry.uid, entry.data, entry.recipe.seconds) == (line["uid"], line["result"], line["recipe"]["seconds"])  # type: ignore[union-attr]


# ---------------------------------------------------------------- words and numbers


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["compare", "reading.json", "other.json", "--json=--"], "--json"),
        (["compare", "reading.json", "other.json", "--cost", "other=blank:1,yield:1e-300"], "yield"),
        (["compare", "reading.json", "other.json", "--cost", "other=blank:1e300"], "blank"),
        (["compare", "reading.json", "other.json", "--cost", f"other=blank:{DIGITS}"], "blank"),
        (["serve", "--log", "http://x"], "http://"),
        (["serve", "--log", "curves.json"], "not a press log"),
        (["log", "list", "--log", "curves.json"], "not a press log"),
        (["log", "list", "--log", "http://x"], "http://"),
    ],
)
def test_odd_words_are_refused_in_one_line(words: list[str], says: str, desk: Path, capsys: Any) -> None:
    assert says in one_line(desk, capsys, words)


def test_signs_that_are_no_text_find_nothing(desk: Path, capsys: Any) -> None:
    assert main(["log", "import", "press-log.jsonl", "--log", "a.sqlite"]) == 0
    capsys.readouterr()
    for option in ("--text", "--piece", "--blank"):
        code = main(["log", "list", "--log", "a.sqlite", option, os.fsdecode(b"\xff\xfe")])
        told = capsys.readouterr()
        assert code in (0, 2)
        assert told.err.count("\n") == (1 if code else 0)
        assert "Traceback" not in told.err


@pytest.mark.parametrize("at", [30, 5000, 20_000])
def test_a_damaged_log_is_one_line(at: int, desk: Path, capsys: Any) -> None:
    assert main(["log", "import", "press-log.jsonl", "--log", "a.sqlite"]) == 0
    data = bytearray((desk / "a.sqlite").read_bytes())
    data[at : at + 4000] = b"\xa5" * 4000
    (desk / "a.sqlite").write_bytes(data)
    capsys.readouterr()
    for what in (["list"], ["check"], ["yield"], ["export", "to"]):
        code = main(["log", *what, "--log", "a.sqlite"])
        told = capsys.readouterr()
        assert code in (0, 2)
        assert told.err.count("\n") == (1 if code else 0)
        assert "Traceback" not in told.err


# ---------------------------------------------------------------- out


def test_all_files_of_a_command_or_none(tmp_path: Path) -> None:
    for name in "ab":
        (tmp_path / name).write_text("old")

    def write(fail: bool) -> None:
        with together():
            write_text(tmp_path / "a", "new")
            assert (tmp_path / "a").read_text() == "old"
            if fail:
                raise KeyboardInterrupt
            write_text(tmp_path / "b", "new")

    with pytest.raises(KeyboardInterrupt):
        write(True)
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == {"a": "old", "b": "old"}
    write(False)
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == {"a": "new", "b": "new"}


def test_what_is_settled_stays(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), together():  # noqa: PT012
        write_text(tmp_path / "a", "new")
        settle()
        write_text(tmp_path / "b", "new")
        raise RuntimeError
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a").write_text("old")
    real = os.fsync
    monkeypatch.setattr(os, "fsync", lambda n: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    with pytest.raises(FileError, match="No space left"):
        write_text(tmp_path / "a", "new")
    monkeypatch.setattr(os, "fsync", real)
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == {"a": "old"}


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to("real")
    with whole(tmp_path / "link") as temporary:
        Path(temporary).write_text("new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "new"


_NO_ROOM = (
    "import resource, sys; from colorcheck.__main__ import main; most = int(sys.argv.pop(1)); "
    "resource.setrlimit(resource.RLIMIT_FSIZE, (most, resource.RLIM_INFINITY)); sys.exit(main(sys.argv[1:]))"
)


@pytest.mark.parametrize("kind", ["png", "tiff", "pdf"])
def test_print_file_and_layout_are_replaced_together_or_not_at_all(kind: str, tmp_path: Path) -> None:
    words = ["target", str(tmp_path), "--name", "t", "--size", "60x60mm", "--format", kind, "--quiet"]
    assert main(words) == 0
    old = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    assert set(old) == {"t.json", f"t.{kind}"}
    largest = len(old[f"t.{kind}"])
    command = [sys.executable, "-c", _NO_ROOM, str(largest // 2), *words, "--seed", "2", "--overwrite"]
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1, "libtiff said a second line of its own"
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == old
    assert main([*words, "--seed", "2", "--overwrite"]) == 0
    assert all((tmp_path / name).read_bytes() != data for name, data in old.items())


# whoever runs the tests in the background may ignore these signals, and a child inherits that
_LISTENING = (
    "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
    "signal.signal(signal.SIGTERM, signal.SIG_DFL); signal.signal(signal.SIGHUP, signal.SIG_DFL); "
    "from colorcheck.__main__ import run; run()"
)


def _started(desk: Path, *words: str, **more: Any) -> subprocess.Popen[str]:
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", _LISTENING, *words]
    return subprocess.Popen(command, cwd=desk, env=env, stderr=subprocess.PIPE, text=True, **more)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_stopped_command_leaves_no_part_of_a_file(number: int, desk: Path) -> None:
    (desk / "big.png").write_text("old")
    words = ["target", ".", "--name", "big", "--size", "400x400mm", "--dpi", "600", "--overwrite", "--quiet"]
    with _started(desk, *words) as running:
        while running.poll() is None and not list(desk.glob(".big.png.*")):
            time.sleep(0.01)
        running.send_signal(number)
        said = running.stderr.read() if running.stderr else ""
    assert running.returncode != 0
    assert "Traceback" not in said
    assert (desk / "big.png").read_text() == "old"
    assert not [p.name for p in desk.iterdir() if p.name.startswith(".")]


def test_interrupted_at_start_without_a_traceback(desk: Path) -> None:
    for pause in (0.03, 0.06, 0.1, 0.15, 0.2):
        with _started(desk, "compare", "reading.json", stdout=subprocess.DEVNULL) as running:
            time.sleep(pause)
            running.send_signal(signal.SIGINT)
            said = running.stderr.read() if running.stderr else ""
        assert "colorcheck" not in said or "Traceback" not in said


def test_a_closed_standard_output_is_no_error(desk: Path) -> None:
    words = [sys.executable, "-m", "colorcheck", "health", "reading.json", "--json", "new.json"]
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    words = ["/bin/sh", "-c", '"$@" >&-', "sh", *words]
    done = subprocess.run(words, cwd=desk, env=env, capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert (desk / "new.json").stat().st_size > 100


# ---------------------------------------------------------------- pictures


def png(width: int, height: int) -> bytes:
    import struct
    import zlib

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 16, 6, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


@pytest.mark.parametrize("size", [(500_000, 200), (200, 500_000), (100_000, 100_000), (10_000, 10_000)])
def test_a_picture_that_would_fill_the_memory_is_refused_by_its_header(
    size: tuple[int, int], desk: Path, capsys: Any
) -> None:
    (desk / "p.png").write_bytes(png(*size))
    tracemalloc.start()
    line = one_line(desk, capsys, ["read", "p.png"])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert "save it smaller" in line
    assert peak < 50e6
