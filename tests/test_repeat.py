"""Several photos of one piece: how small a difference the set-up tells, and a reading that keeps to it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from colorcheck.__main__ import main

from . import virtual as v
from .scenes import rng_of, shoot

PHOTOS = ("a.jpg", "b.jpg", "c.jpg")


@pytest.fixture(scope="module")
def sitting(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three photos of one piece, each set up anew, and the study of them."""
    folder = tmp_path_factory.mktemp("repeat")
    for k, name in enumerate(PHOTOS):
        shoot(rng_of(700 + k), folder, "small", substrate="bright", camera=v.Camera(), name=name)
    words = ["repeat", *(str(folder / p) for p in PHOTOS), "--json", str(folder / "repeat.json"), "--quiet"]
    assert main(words) == 0
    return folder


def test_a_study_tells_what_the_photos_differ_by(sitting: Path) -> None:
    study = json.loads((sitting / "repeat.json").read_text())
    assert study["schema"] == "colorcheck-repeat/1"
    assert study["photos"] == list(PHOTOS)
    std = np.array([c["std_delta_e00"] for c in study["cells"] if c["std_delta_e00"] is not None])
    assert len(std) > 0.9 * len(study["cells"])
    # its own figures follow from its cells: pooled in squares, and t √2 for a difference of two readings, where
    # t = 4.303 is Student's for three photos and 19 of 20 (two degrees of freedom; any table)
    assert study["repeatability_delta_e00"] == pytest.approx(np.sqrt(np.mean(std**2)), abs=2e-3)
    assert study["smallest_difference_cell"] == pytest.approx(
        4.303 * np.sqrt(2) * study["repeatability_delta_e00"], rel=2e-3
    )
    assert 0 < study["repeatability_delta_e00"] < study["p95_delta_e00"]


def test_the_page_says_what_the_command_says(sitting: Path, tmp_path: Path) -> None:
    from colorcheck.web import moreforms, tasks
    from colorcheck.web.datafolder import Store
    from colorcheck.web.readerunits import Shown
    from colorcheck.web.uploads import Given, Stored

    photos = tuple(Stored(sitting / name, name) for name in PHOTOS)
    store = Store(tmp_path)
    params = moreforms.repeat(Given({}, {"photos": photos}, tmp_path), store, Shown())
    uid = store.new_uid()
    tasks.perform("repeat", {**params, "title": "bench"}, store.folder(uid), lambda **_: None)
    study = json.loads((sitting / "repeat.json").read_text())
    same = json.loads((store.folder(uid) / "result.json").read_text(encoding="utf-8"))
    assert same["repeatability_delta_e00"] == study["repeatability_delta_e00"]
    answer = store.answer(uid)
    assert answer is not None
    assert f"{study['repeatability_delta_e00']:.2f} ΔE00" in answer["context"]["headline"]


def test_no_cell_is_called_surer_than_the_study_says(sitting: Path) -> None:
    out = {}
    for name, more in (("alone", []), ("held", ["--repeat", str(sitting / "repeat.json")])):
        words = ["read", str(sitting / "a.jpg"), "--json", str(sitting / f"{name}.json"), "--quiet", *more]
        assert main(words) == 0
        out[name] = json.loads((sitting / f"{name}.json").read_text())
    study = json.loads((sitting / "repeat.json").read_text())
    floor = {c["id"]: c["std_delta_e00"] for c in study["cells"]}
    raised = 0
    for alone, held in zip(out["alone"]["patches"], out["held"]["patches"], strict=True):
        assert held["lab"] == alone["lab"]
        least = floor[held["id"]]
        least = study["repeatability_delta_e00"] if least is None else least
        assert held["u_random"] == pytest.approx(max(alone["u_random"], least), abs=2e-3)
        raised += held["uncertainty"] > alone["uncertainty"]
    assert raised > 0
