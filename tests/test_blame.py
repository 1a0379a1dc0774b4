"""Camera against print: what a likely camera can have done is not laid to the print, and the rest is."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from colorcheck.colour.blame import without_camera
from colorcheck.ground.cielab import delta_e00, srgb_to_linear
from colorcheck.ground.relative import relative_lab
from colorcheck.photo.cameradoubt import MODES, camera_doubt, cameras, modes, seen_by

LEVELS = np.array([0.0, 85.0, 170.0, 255.0])
DUE = 0.02 + 0.98 * srgb_to_linear(np.array(list(itertools.product(LEVELS, repeat=3))) / 255.0)
ALL = np.ones(len(DUE), bool)


def left(seen: np.ndarray, trust: str) -> float:
    """Mean ΔE00 that no likely camera explains."""
    rest = without_camera(seen, DUE, ALL, camera_doubt(trust))
    return float(delta_e00(relative_lab(rest), relative_lab(DUE)).mean())


def test_bare_coat_stays_bare_coat() -> None:
    white = np.ones((1, 3))
    assert np.abs(modes(white)).max() == 0
    assert seen_by(white, np.ones(MODES)) == pytest.approx(white)


@pytest.mark.parametrize("trust", ["balanced", "referenced"])
def test_a_right_print_is_not_blamed_for_its_camera(trust: str) -> None:
    """Cameras drawn from the doubt itself: at most 2 in 100 leave more than the limit of 2.5."""
    over = sum(left(seen_by(DUE, z), trust) > 2.5 for z in cameras(camera_doubt(trust), 100))
    assert over <= 2


@pytest.mark.parametrize("channel", range(3))
def test_swapped_and_bent_inks_are_blamed_on_the_print(channel: int) -> None:
    """Errors that no camera makes stay: one ink far too strong in the dark half only."""
    seen = DUE.copy()
    dark = seen[:, channel] < 0.5
    seen[dark, channel] = seen[dark, channel] ** 2.2
    assert left(seen, "referenced") > 2.5
    assert left(DUE[:, [1, 0, 2]], "balanced") > 10


def test_doubt_says_where_it_comes_from() -> None:
    told = camera_doubt("balanced").provenance
    assert told["script"] == "tests/calibrate/camera_doubt.py"
    assert len(told["sensors"]) > 50
    assert told["digest"]
