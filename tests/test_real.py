"""Real photographs of measured sheets, whatever lies in ``scans/real``; and the script that adds them."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from colorcheck.ground.cielab import lab_to_xyz
from colorcheck.sheet.exchange import measurements_from_lab, write_measurements

from . import scenes
from . import virtual as v

SCANS = Path(__file__).resolve().parents[1] / "scans"
REAL = SCANS / "real"
GIVEN = sorted(REAL.glob("*.json"))


def script() -> Any:
    """Load the script as a module."""
    spec = importlib.util.spec_from_file_location("add_real", SCANS / "add_real.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["add_real"] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("told", GIVEN, ids=lambda p: p.stem)
def test_a_real_photo_is_read_as_well_as_its_doubt_says(told: Path) -> None:
    """Runs over nothing until somebody gives a photo."""
    data = json.loads(told.read_text(encoding="utf-8"))
    assert data["licence"] == "CC0-1.0"
    for photo in data["photos"]:
        found = script().checked(REAL / photo["photo"], REAL / data["measured"], None)
        assert found["covered_by_twice_the_doubt"] >= 0.85
        assert found["mean_delta_e00"] <= photo["mean_delta_e00"] + 0.3


def test_nothing_lies_there_without_its_values_and_licence() -> None:
    named = {"README.md"}
    for told in GIVEN:
        data = json.loads(told.read_text(encoding="utf-8"))
        named |= {told.name, data["measured"], *(p["photo"] for p in data["photos"])}
    assert {p.name for p in REAL.iterdir()} == named


def test_the_script_adds_what_holds_and_refuses_the_rest(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """On a simulated photo, in a folder of its own: it never comes near the real ones."""
    add_real = script()
    shot = scenes.shoot(scenes.rng_of(71), tmp_path, "small", substrate="bright", scene=v.Scene(), camera=v.Camera())
    with Image.open(shot.path) as image:
        exif = image.getexif()
        exif[0x0110], exif[0x0132] = "Phone 1", "2026:01:02 03:04:05"
        exif._ifds[0x8825] = {2: (50.0, 1.0, 2.0)}  # a place
        image.save(shot.path, quality="keep", exif=exif, icc_profile=image.info.get("icc_profile"))
    lab = shot.piece.true_lab(shot.target.box_mm, absolute=True)
    for name, values in (("right.txt", lab), ("wrong.txt", lab[::-1])):
        write_measurements(tmp_path / name, measurements_from_lab(shot.target.ids, values))
    assert np.isfinite(lab_to_xyz(lab)).all()
    out = tmp_path / "real"
    out.mkdir()
    add_real.REAL = out
    add_real.add.__defaults__ = (out,)
    words = [str(shot.path), "--measured", str(tmp_path / "right.txt"), "--name", "my-glass", "--by", "a test"]
    for wrong, says in (
        ([*words, "--licence", "none"], "--licence none cannot be taken"),
        ([*words, "--licence", "CC0-1.0", "--name", "../x"], "--name ../x cannot be used"),
        ([*words, "--licence", "CC0-1.0", "--measured", str(tmp_path / "wrong.txt")], "of this very piece"),
    ):
        assert add_real.main(wrong) == 2
        line = capsys.readouterr().err
        assert says in line
        assert line.count("\n") == 1
        assert not list(out.iterdir())
    assert add_real.main([*words, "--licence", "CC0-1.0"]) == 0
    assert {p.name for p in out.iterdir()} == {"my-glass-1.jpg", "my-glass.txt", "my-glass.json"}
    data = json.loads((out / "my-glass.json").read_text(encoding="utf-8"))
    assert data["photos"][0]["device"] == "Phone 1"
    assert data["photos"][0]["covered_by_twice_the_doubt"] > 0.85
    with Image.open(out / "my-glass-1.jpg") as kept, Image.open(shot.path) as given:
        assert 0x8825 not in kept.getexif()
        assert 0x0132 not in kept.getexif()
        assert kept.getexif()[0x0110] == "Phone 1"
        np.testing.assert_array_equal(np.asarray(kept), np.asarray(given))
        assert kept.info.get("icc_profile") == given.info.get("icc_profile")
    assert add_real.main([*words, "--licence", "CC0-1.0"]) == 2
    assert "exists and is kept" in capsys.readouterr().err
