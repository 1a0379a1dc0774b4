"""What the README promises: its commands exist, and its samples give the right verdict."""

from __future__ import annotations

import contextlib
import importlib.util
import io
import json
import re
import shlex
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from colorcheck.__main__ import main
from colorcheck.cli.parser import make_parser
from colorcheck.ground.cielab import delta_e00
from colorcheck.sheet.target import make_target

ROOT = Path(__file__).resolve().parents[1]
SCANS = ROOT / "scans"
README = (ROOT / "README.md").read_text(encoding="utf-8")
DOCUMENTS = {
    name: (ROOT / name).read_text(encoding="utf-8")
    for name in ("README.md", "DEVELOPERS.md", "targets/README.md", "scans/README.md")
}
TRUTHS = sorted(SCANS.glob("*.truth.json"))
Sample = Callable[[str], tuple[dict[str, Any], dict[str, Any]]]


def fenced(text: str) -> list[str]:
    """Contents of the fenced blocks of a document."""
    return re.findall(r"^```\w*\n(.*?)^```", text, re.M | re.S)


def commands(text: str) -> list[list[str]]:
    """Words of every colorcheck command in the fenced blocks."""
    out = []
    for block in fenced(text):
        for line in re.split(r"\n|&&", block.replace("\\\n", " ")):
            if re.match(r"\s*(\S*/)?colorcheck\s", line):
                out.append(shlex.split(line, comments=True)[1:])
    return out


DOCUMENTED = [(name, words) for name, text in DOCUMENTS.items() for words in commands(text)]
SUBCOMMANDS = list(next(a for a in make_parser()._actions if a.dest == "command").choices or ())


@pytest.mark.parametrize(("document", "words"), DOCUMENTED, ids=lambda v: " ".join(v) if isinstance(v, list) else v)
def test_documented_command_parses_and_its_samples_exist(document: str, words: list[str]) -> None:
    args = make_parser().parse_args([w for w in words if not re.fullmatch(r"<.*>|…", w)])
    assert args.command in SUBCOMMANDS
    for word in words:
        if word.startswith(("scans/", "targets/")):
            assert (ROOT / word).exists(), f"{document} names {word}"


@pytest.mark.parametrize("command", SUBCOMMANDS)
def test_every_command_has_help_and_a_section_with_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main([command, "--help"])
    assert end.value.code == 0
    assert "example: colorcheck" in capsys.readouterr().out
    assert f"\n### {command}" in README
    assert any(words[0] == command for words in commands(README)), f"README.md has no example of {command}"


def test_every_option_in_the_readme_exists() -> None:
    known = {"--help", "--version"}
    for sub in (next(a for a in make_parser()._actions if a.dest == "command").choices or {}).values():
        known |= {o for a in sub._actions for o in a.option_strings}
    own = {"--megapixels", "--runs"}  # of the benchmark
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README)) <= known | own


def test_readme_begins_with_the_job_and_two_commands() -> None:
    first, second = fenced(README)[:2]
    assert README.startswith("# colorcheck\n\n")
    assert README.index("```") < README.index("![")
    assert first.count("\n") == second.count("\n") == 1  # one line each
    assert "venv" in first
    assert "colorcheck read scans/" in first
    assert "--report" in first
    assert "--overwrite" in first  # may be run twice
    assert "venv" in second
    assert "pytest" in second


def test_ci_runs_the_command_of_the_readme() -> None:
    script = (ROOT / ".ci/run").read_text(encoding="utf-8")
    assert "n == 2" in script
    assert "README.md" in script
    assert "ruff check" in script
    assert "mypy" in script


@pytest.mark.parametrize("document", DOCUMENTS)
def test_links_and_pictures_lead_somewhere(document: str) -> None:
    folder = (ROOT / document).parent
    for link in re.findall(r"\]\(([^)#]+)\)", DOCUMENTS[document]):
        assert "://" in link or (folder / link).exists(), f"{document} links to {link}"


def test_top_level_holds_only_what_it_should() -> None:
    seen = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")} - {"build", "dist", "report"}
    seen = {n for n in seen if not n.endswith(".egg-info")}
    assert seen == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "LICENSE",
        "colorcheck",
        "targets",
        "tests",
        "scans",
    }


def test_documented_target_commands_run(tmp_path: Path) -> None:
    ran = 0
    for words in commands(README):
        if words[0] == "target":
            with contextlib.redirect_stdout(io.StringIO()):
                assert main(["target", str(tmp_path), *words[2:]]) == 0
            name = words[words.index("--name") + 1]
            layout = json.loads((tmp_path / f"{name}.json").read_text(encoding="utf-8"))
            assert (tmp_path / layout["print_file"]).stat().st_size > 5000
            ran += 1
    assert ran >= 3


# ---------------------------------------------------------------- samples


@pytest.fixture(scope="module")
def sample(sample_reading: Callable[[str], Path]) -> Sample:
    """Give the truth of a sample, and what the command makes of it."""

    def both(name: str) -> tuple[dict[str, Any], dict[str, Any]]:
        files = (SCANS / f"{name}.truth.json", sample_reading(name))
        truth, reading = (json.loads(f.read_text(encoding="utf-8")) for f in files)
        return truth, reading

    return both


NAMES = [p.name.removesuffix(".truth.json") for p in TRUTHS]


def test_samples_show_every_verdict_and_are_small() -> None:
    verdicts = {json.loads(p.read_text(encoding="utf-8"))["expected_verdict"] for p in TRUTHS}
    assert verdicts == {"accept", "re-press", "change-profile", "reprint", "retake-photo"}
    pictures = [p for p in SCANS.iterdir() if p.suffix in (".jpg", ".tif", ".png")]
    assert {p.stem for p in pictures} == {*NAMES, "report", "number-plaque"}
    assert sum(p.stat().st_size for p in pictures) < 6e6
    assert all(f"`{p.name}`" in DOCUMENTS["scans/README.md"] for p in pictures)


@pytest.mark.parametrize("name", NAMES)
def test_sample_gives_the_right_verdict(name: str, sample: Sample) -> None:
    truth, reading = sample(name)
    assert "synthetic" in truth["note"]
    assert reading["verdict"]["action"] == truth["expected_verdict"], reading["verdict"]["why"]
    assert reading["verdict"]["reasons"]


@pytest.mark.parametrize("name", NAMES)
def test_sample_is_of_the_layout_that_its_code_names(name: str, sample: Sample) -> None:
    truth, reading = sample(name)
    target = make_target(**truth["target"])
    assert list(target.ids) == [row[0] for row in truth["cells"]["rows"]] == [p["id"] for p in reading["patches"]]
    true = np.array([row[1:4] for row in truth["cells"]["rows"]])
    read = np.array([p["lab"] for p in reading["patches"]], float)
    fine = np.array([not p["flags"] for p in reading["patches"]])
    # camera trust is balanced only: colours are a few ΔE00 off, but no cell may be taken for another
    assert fine.mean() > 0.3  # a large reflection takes many
    assert np.median(delta_e00(read[fine], true[fine])) < 3.5
    assert np.corrcoef(read[fine][:, 0], true[fine][:, 0])[0, 1] > 0.99


def test_pale_spots_of_the_sample_are_found_where_they_are(sample: Sample) -> None:
    truth, reading = sample("plaque-pale-spot")
    found = [f for f in reading["press"]["findings"] if f["kind"] == "pale"]
    assert len(found) == len(truth["faults_of_the_piece"]) == 2
    for fault in truth["faults_of_the_piece"]:
        near = [f for f in found if np.hypot(f["x_mm"] - fault["x_mm"], f["y_mm"] - fault["y_mm"]) <= 4]
        assert len(near) == 1, fault
        assert near[0]["delta_e00"] == pytest.approx(fault["delta_e00_on_field"], abs=1.0)
        assert near[0]["diameter_mm"] == pytest.approx(fault["diameter_mm"], rel=0.3)


def test_second_copy_of_the_sample_is_measured(sample: Sample) -> None:
    truth, reading = sample("plaque-moved")
    shift = np.array(reading["press"]["ghost"]["shift_mm"])
    true = np.array(truth["faults_of_the_piece"][0]["shift_mm"])
    assert np.hypot(*(shift - true)) < 0.4


def test_good_samples_have_no_findings(sample: Sample) -> None:
    for name in ("clock-good", "offcut-scan"):
        assert sample(name)[1]["press"]["findings"] == []


def test_recipe_still_makes_the_sample(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("make_scans", SCANS / "make_scans.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_scans"] = module  # its dataclass looks itself up
    spec.loader.exec_module(module)
    assert {s.name for s in module.SAMPLES} == set(NAMES)
    assert module.main(["offcut-scan", "--out", str(tmp_path)], say=lambda _: None) == 0
    import cv2

    new, old = (cv2.imread(str(d / "offcut-scan.tif"), cv2.IMREAD_UNCHANGED) for d in (tmp_path, SCANS))
    assert new.shape == old.shape
    assert np.abs(new.astype(float) - old).mean() < 0.001 * 65535
    for s in module.SAMPLES:
        truth = json.loads((SCANS / f"{s.name}.truth.json").read_text(encoding="utf-8"))
        assert (truth["expected_verdict"], truth["story"], truth["file"]) == (s.verdict, s.story, s.file)


def test_finished_piece_of_the_samples_is_judged_as_its_truth_says() -> None:
    truth = json.loads((SCANS / "number-plaque.piece.json").read_text(encoding="utf-8"))
    size = "x".join(f"{v:g}" for v in truth["size_mm"]) + "mm"
    with contextlib.redirect_stdout(io.StringIO()) as screen:
        args = ["--artwork", str(SCANS / truth["artwork"]), "--size", size, "--view", "through", "--json", "-"]
        assert main(["inspect", str(SCANS / "number-plaque.jpg"), *args]) == 0
    result = json.loads(screen.getvalue())
    assert result["verdict"]["action"] == truth["expected_verdict"], result["verdict"]["why"]
    (spot,) = truth["spots"]
    (found,) = [f for f in result["findings"] if f["kind"] == "pale"]
    assert np.hypot(found["x_mm"] - spot["x_mm"], found["y_mm"] - spot["y_mm"]) < 4
    # over random pieces nine in ten come out within 0.8 to 1.6 times the truth (tests of the findings)
    assert 0.7 < found["delta_e00"] / spot["delta_e00"] < 1.5
    assert 1 / 1.6 < found["area_mm2"] / (np.pi / 4 * spot["diameter_mm"] ** 2) < 1.6


def test_every_file_of_data_says_where_it_comes_from() -> None:
    data = ROOT / "tests" / "data"
    told = (data / "SOURCES.md").read_text(encoding="utf-8")
    for path in data.iterdir():
        assert path.name == "SOURCES.md" or f"`{path.name}{'/' if path.is_dir() else ''}`" in told, path.name
