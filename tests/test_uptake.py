"""Dye of a whole piece against what was due: on colours made from the formulae and on the virtual press."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from colorcheck.colour.gamut import srgb_lab
from colorcheck.faults.uptake import measure_uptake
from colorcheck.faults.verdict import decide, density_reason, photo_reasons, uptake_reasons
from colorcheck.ground.limits import load_limits
from colorcheck.ground.records import PhotoCheck, Uptake
from colorcheck.show import words

from . import scenes
from . import virtual as v


def true_lab(lack: float, *, dyes: str = "clean", cast: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Any:
    """CIELAB of the cells of a small sheet that lacks a share of its dye everywhere."""
    printer = v.Printer(dyes=dyes, cast=cast, rates=(1.0, 1.0, 1.0, 1.0))
    piece = scenes.press("small", faults=v.Faults(under_press=lack, mottle=0, grain=0), printer=printer)
    return piece.true_lab(scenes.reading_area(scenes.sheet("small")[0]))


@pytest.mark.parametrize("lack", [0.0, 0.15, 0.25, 0.35])
@pytest.mark.parametrize("dyes", ["clean", "dull"])
def test_share_of_dye_against_a_good_piece(lack: float, dyes: str) -> None:
    target = scenes.sheet("small")[0]
    out = measure_uptake(
        target, true_lab(lack, dyes=dyes), true_lab(0.0, dyes=dyes), np.ones(len(target.ids), bool), trust="balanced",
        reference="good piece",
    )  # fmt: skip
    assert out.share == pytest.approx(1 - lack, abs=0.03)
    assert lack == 0 or out.explained > 0.95


def test_one_ink_alone_is_not_the_press() -> None:
    """A cast that lightens one ink leaves the share where it was."""
    target = scenes.sheet("small")[0]
    out = measure_uptake(
        target, true_lab(0.0, cast=(0.0, 25.0, 0.0)), true_lab(0.0), np.ones(len(target.ids), bool), trust="balanced",
        reference="good piece",
    )  # fmt: skip
    assert out.share == pytest.approx(1.0, abs=0.04)


def test_share_against_the_aim() -> None:
    target = scenes.sheet("small")[0]
    for lack in (0.0, 0.25):
        lab = true_lab(lack)
        black_y = float(((np.median(lab[(target.device_rgb == 0).all(axis=1), 0]) + 16) / 116) ** 3)
        aim = srgb_lab(target.device_rgb.astype(float), black_y)
        out = measure_uptake(target, lab, aim, np.ones(len(target.ids), bool), trust="balanced", reference="")
        assert out.share == pytest.approx(1 - lack, abs=0.05)


def judged(uptake: Uptake | None, density: float = 1.9, *, paper: str = "on", printed: str = "as-usual") -> Any:
    """Action and outcomes of the two reasons that tell of the whole piece's dye."""
    limits = load_limits()
    reasons = [*uptake_reasons(uptake, limits), density_reason(density, uptake, limits, printed=printed)]
    return decide(reasons, paper=paper).action, {str(r.measure): r.outcome for r in reasons}


def test_press_is_blamed_only_against_a_reading() -> None:
    lacking = Uptake(0.8, 0.02, 0.99, "the good one")
    assert judged(lacking)[0] == "re-press"
    assert judged(lacking, paper="off")[0] == "reprint"
    action, outcome = judged(replace(lacking, reference=""))
    assert (action, outcome["uptake"]) == ("accept", "undecided")


def test_a_weak_black_is_the_coats_where_the_greys_took_their_dye() -> None:
    assert judged(Uptake(0.98, 0.02, 0.5, ""), density=0.85)[1]["black-density"] == "note"
    assert judged(Uptake(0.93, 0.05, 0.5, ""), density=0.85)[1]["black-density"] == "undecided"
    assert judged(Uptake(0.80, 0.03, 0.9, ""), density=0.85)[0] == "re-press"
    assert judged(None, density=0.85, printed="raw")[1]["black-density"] == "undecided"


def test_a_mirrored_sheet_is_printed_again_and_a_bad_photo_goes_first() -> None:
    shown = PhotoCheck(1.5, 0.3, 0.0, 0.0, 0.6, 0.01, 0.0, 0, (), (("mirrored", 1.0, 0.0, ""),))
    verdict = decide(photo_reasons([shown]), paper="on")
    assert verdict.action == "reprint"
    assert words.headline(verdict).startswith("Mirrored")
    blurred = replace(shown, problems=(("blur-mm", 2.0, 0.8, ""),))
    assert decide(photo_reasons([blurred]), paper="on").action == "retake-photo"
