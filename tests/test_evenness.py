"""Is it pressed evenly: zones and slopes on grids made for the purpose."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from colorcheck.faults.evenness import judge_evenness
from colorcheck.ground.places import part_in_words, where_in_words
from colorcheck.ground.records import CellKind, Evenness, Target
from colorcheck.sheet.target import make_target

TYPICAL = np.array([0.21, 0.20, 0.19])
FWHM = 2.3548


@lru_cache(maxsize=6)
def target_of(w: float, h: float, shape: str = "rect", patches: str = "compact") -> Target:
    return make_target(size_mm=(w, h), shape=shape, patches=patches, seed=1)


def soft(x: float, y: float, fwhm: float, height: float) -> Any:
    s2 = 2 * (fwhm / FWHM) ** 2
    return lambda xx, yy: height * np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / s2)


# ---------------------------------------------------------------- the whole step


def judge(target: Target, field_l: Any, *, glare: Any = None, noise: float = 0.1, light: float = 0.004) -> Evenness:
    """Judge a field of grey whose lightness is ``field_l(xx, yy)``; cells without any change."""
    rng = np.random.Generator(np.random.PCG64(31))
    step = 2.0 if max(target.size_mm) >= 120 else 1.0
    w, h = target.size_mm
    shape = (int(np.ceil(h / step)), int(np.ceil(w / step)))
    xx, yy = np.meshgrid((np.arange(shape[1]) + 0.5) * step, (np.arange(shape[0]) + 0.5) * step)
    lightness = field_l(xx, yy) + rng.normal(0, noise, shape)
    y = ((lightness + 16) / 116) ** 3
    field = np.repeat(y[..., None], 3, axis=2)
    if target.shape == "round":
        field[np.hypot(xx - w / 2, yy - h / 2) > w / 2 - 2] = np.nan
    n = len(target.ids)
    due = np.clip((target.device_rgb / 255.0) ** 2.2, 0.02, 1.0)
    return judge_evenness(
        target,
        field,
        np.full(shape, 200.0),
        np.full(shape, light),
        np.zeros(shape, bool) if glare is None else glare(xx, yy),
        step,
        due.copy(),
        due,
        np.full(3, 0.02),
        np.zeros(n, bool),
    )


def test_an_even_field_is_even() -> None:
    for shape in ("rect", "round"):
        e = judge(target_of(200, 200, shape), lambda xx, yy: np.full(xx.shape, 50.0))
        assert e.zone_max < 0.1
        assert max(e.zone_std_lab) < 0.1
        assert e.slope_l_per_cm < 0.01
        assert np.allclose(e.uptake_cell, 1.0, atol=0.02)


def test_nine_places_in_the_manner_of_iso_12647_7() -> None:
    """ΔE00 of each ninth from the mean of the nine, and standard deviations of L*, a*, b* (ISO 12647-7, from memory).

    Lightness 50 in eight places and 54 in the ninth: mean 50.444, standard deviation 4/3; the ΔE00 of greys is
    ΔL'/S_L with S_L of Sharma, Wu & Dalal (2005).
    """
    e = judge(target_of(240, 240), lambda xx, yy: 50.0 + 4.0 * ((xx > 160) & (yy > 160)), noise=0.0)

    def grey(l1: float, l2: float) -> float:
        m = (l1 + l2) / 2 - 50
        return abs(l1 - l2) / (1 + 0.015 * m * m / np.sqrt(20 + m * m))

    want = np.full((3, 3), grey(50.0, 50.0 + 4 / 9))
    want[2, 2] = grey(54.0, 50.0 + 4 / 9)
    assert np.allclose(e.zones, want, atol=0.03)
    assert e.zone_max == pytest.approx(3.504, abs=0.02)
    assert e.zone_std_lab[0] == pytest.approx(4 / 3, abs=0.02)
    assert max(e.zone_std_lab[1:]) < 0.02


def test_zones_agree_with_colour_science() -> None:
    colour = pytest.importorskip("colour")
    levels = np.array([[50.0, 51, 49], [52, 50, 48.5], [50.5, 49.5, 53]])
    e = judge(target_of(240, 240), lambda xx, yy: levels[(yy // 80).astype(int), (xx // 80).astype(int)], noise=0.0)
    labs = np.stack([levels, 0 * levels, 0 * levels], axis=-1)
    want = colour.delta_E(labs, np.broadcast_to(labs.reshape(-1, 3).mean(axis=0), labs.shape), method="CIE 2000")
    assert np.allclose(e.zones, want, atol=0.03)
    assert e.zone_std_lab[0] == pytest.approx(float(levels.std(ddof=1)), abs=0.02)


@pytest.mark.parametrize(
    ("gx", "gy", "towards"), [(0.3, 0.0, "right"), (-0.3, 0.1, "left"), (0.05, 0.3, "bottom"), (0.0, -0.3, "top")]
)
def test_slope_in_lightness_per_centimetre(gx: float, gy: float, towards: str) -> None:
    e = judge(target_of(200, 200), lambda xx, yy: 50 + gx * (xx - 100) / 10 + gy * (yy - 100) / 10)
    assert e.slope_l_per_cm == pytest.approx(np.hypot(gx, gy), abs=0.02)
    assert e.slope_direction == towards
    assert e.range_l == pytest.approx(20 * (abs(gx) + abs(gy)), rel=0.3)


def test_a_pale_spot_lowers_the_uptake_of_the_cells_on_it() -> None:
    target = target_of(200, 200)
    e = judge(target, lambda xx, yy: 50 + soft(100, 100, 40, 8.0)(xx, yy))
    xy = target.box_mm[:, :2] + target.box_mm[:, 2:] / 2
    near, far = np.hypot(*(xy - 100).T) < 16, np.hypot(*(xy - 100).T) > 60
    assert near.any()
    assert e.uptake_cell[near].mean() < 0.88
    assert np.allclose(e.uptake_cell[far], 1.0, atol=0.04)
    rows, cols = np.unravel_index(np.nanargmax(e.de_map), e.de_map.shape)
    assert np.hypot(cols * 2 + 1 - 100, rows * 2 + 1 - 100) < 6


def test_glare_is_not_counted_as_unevenness() -> None:
    """A lift by 20 L* under glare changes no zone."""
    target = target_of(200, 200)

    def lies(xx: Any, yy: Any) -> Any:
        return np.hypot(xx - 190, yy - 190) < 45

    e = judge(target, lambda xx, yy: 50 + 20.0 * lies(xx, yy), glare=lies)
    assert e.zone_max < 0.2


def test_glare_everywhere_is_no_error() -> None:
    e = judge(target_of(200, 200), lambda xx, yy: np.full(xx.shape, 50.0), glare=lambda xx, yy: np.ones(xx.shape, bool))
    assert np.isfinite(e.zone_max)


@pytest.mark.parametrize(("w", "h", "shape"), [(97.0, 143.0, "rect"), (103.0, 103.0, "round"), (89.0, 83.0, "rect")])
def test_sizes_that_do_not_divide(w: float, h: float, shape: str) -> None:
    e = judge(target_of(w, h, shape), lambda xx, yy: 50 + soft(w / 2, h / 2, 16, 7.0)(xx, yy))
    rows, cols = np.unravel_index(np.nanargmax(e.de_map), e.de_map.shape)
    assert np.hypot((cols + 0.5) * e.step_mm - w / 2, (rows + 0.5) * e.step_mm - h / 2) < 4
    assert e.lab_map.shape[:2] == e.de_map.shape == e.uptake_map.shape


def test_the_callers_arrays_stay_as_they_are() -> None:
    target = target_of(200, 200)
    shape = (100, 100)
    rng = np.random.Generator(np.random.PCG64(1))
    n = len(target.ids)
    arrays: list[Any] = [
        rng.uniform(0.19, 0.21, (*shape, 3)),
        np.full(shape, 90.0),
        np.full(shape, 0.01),
        rng.random(shape) < 0.1,
        2.0,
        rng.uniform(0.1, 0.9, (n, 3)),
        rng.uniform(0.1, 0.9, (n, 3)),
        np.full(3, 0.02),
        target.kind != CellKind.WHITE,
    ]
    kept = [np.copy(a) for a in arrays]
    judge_evenness(target, *arrays)
    for a, b in zip(arrays, kept, strict=True):
        assert np.array_equal(a, b)


# ---------------------------------------------------------------- words


@pytest.mark.parametrize(
    ("x", "y", "shape", "says"),
    [
        (40, 20, "rect", "upper left"), (180, 190, "rect", "lower right"), (100, 100, "rect", "middle"),
        (100, 20, "round", "12 o'clock"), (180, 100, "round", "3 o'clock"), (100, 185, "round", "6 o'clock"),
        (20, 100, "round", "9 o'clock"), (100, 100, "round", "middle"), (170, 60, "round", "2 o'clock"),
    ],
)  # fmt: skip
def test_places_in_words(x: float, y: float, shape: str, says: str) -> None:
    assert says in where_in_words(x, y, (200, 200), shape)  # type: ignore[arg-type]
    assert part_in_words(40, 190, (200, 200)) == "lower left"
