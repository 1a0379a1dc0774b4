"""Is it pressed evenly: spots, edges, zones and slopes on grids made for the purpose."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from colorcheck.faults.evenness import UptakeGrid, find_edges, find_spots, judge_evenness, visible_de
from colorcheck.ground.cielab import delta_e00
from colorcheck.ground.places import part_in_words, where_in_words
from colorcheck.ground.records import CellKind, Evenness, Finding, Target
from colorcheck.ground.relative import relative_lab
from colorcheck.sheet.target import make_target

TYPICAL = np.array([0.21, 0.20, 0.19])
FWHM = 2.3548


@lru_cache(maxsize=6)
def target_of(w: float, h: float, shape: str = "rect", patches: str = "compact") -> Target:
    return make_target(size_mm=(w, h), shape=shape, patches=patches, seed=1)


def grid_of(
    target: Target, *, seed: int, noise: float = 0.35, change: Any = None, step: float = 2.0, holes: bool = True
) -> tuple[UptakeGrid, Any, Any]:
    """Lightness change of the field with white noise, holes where nothing is known; also the places."""
    rng = np.random.Generator(np.random.PCG64(seed))
    w, h = target.size_mm
    shape = (int(np.ceil(h / step)), int(np.ceil(w / step)))
    xx, yy = np.meshgrid((np.arange(shape[1]) + 0.5) * step, (np.arange(shape[0]) + 0.5) * step)
    d_l = rng.normal(0, noise, shape) + (0 if change is None else change(xx, yy))
    var = np.full(shape, noise**2)
    if holes:
        for x, y, bw, bh in target.keep_out_mm:
            d_l[(xx > x) & (xx < x + bw) & (yy > y) & (yy < y + bh)] = np.nan
    if target.shape == "round":
        d_l[np.hypot(xx - w / 2, yy - h / 2) > w / 2 - 2] = np.nan
    var[~np.isfinite(d_l)] = np.inf
    return UptakeGrid(d_l, var, step), xx, yy


def soft(x: float, y: float, fwhm: float, height: float) -> Any:
    s2 = 2 * (fwhm / FWHM) ** 2
    return lambda xx, yy: height * np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / s2)


def spots_of(target: Target, grid: UptakeGrid, *, blocked: Any = None, light_l: float = 0.1) -> list[Finding]:
    lab = np.broadcast_to(relative_lab(TYPICAL[None])[0], (*grid.d_l.shape, 3)).copy()
    lab[..., 0] += np.nan_to_num(grid.d_l)
    none = np.zeros(grid.d_l.shape, bool)
    return find_spots(grid, target, TYPICAL, blocked=none if blocked is None else blocked, light_l=light_l, lab_map=lab)


# ---------------------------------------------------------------- spots


@pytest.mark.parametrize("fwhm", [6.0, 10.0, 20.0, 40.0, 60.0])
@pytest.mark.parametrize("height", [3.5, 6.0])
def test_a_spot_is_found_with_its_place_size_and_height(fwhm: float, height: float) -> None:
    target = target_of(200, 200)
    x, y = 87.0, 118.0
    grid, _, _ = grid_of(target, seed=round(fwhm + 10 * height), change=soft(x, y, fwhm, height))
    found = spots_of(target, grid)
    assert [f.kind for f in found] == ["pale"]
    f = found[0]
    assert np.hypot(f.x_mm - x, f.y_mm - y) < max(1.0, 0.06 * fwhm)
    assert f.diameter_mm == pytest.approx(fwhm, rel=0.2)
    assert f.delta_l == pytest.approx(height, rel=0.15)
    lab0 = relative_lab(TYPICAL[None])[0]
    assert f.delta_e00 == pytest.approx(float(delta_e00(lab0 + [height, 0, 0], lab0)), rel=0.2)
    assert f.area_mm2 == pytest.approx(np.pi / 4 * f.diameter_mm**2, rel=0.01)
    assert f.confidence > 0.95
    assert f.where == where_in_words(f.x_mm, f.y_mm, target.size_mm, "rect")


def test_dark_spots_are_dark() -> None:
    target = target_of(200, 200)
    grid, _, _ = grid_of(target, seed=3, change=soft(60, 60, 20, -5.0))
    found = spots_of(target, grid)
    assert [f.kind for f in found] == ["dark"]
    assert found[0].delta_l < -4
    assert found[0].delta_e00 > 0


@pytest.mark.parametrize("shape", ["rect", "round"])
def test_noise_alone_shows_no_spots(shape: str) -> None:
    """Two hundred sheets of noise: at most 0.05 findings each, all sizes and places together."""
    target = target_of(120, 120, shape)
    total = sum(len(spots_of(target, grid_of(target, seed=s, step=3.0)[0])) for s in range(200))
    assert total <= 0.05 * 200, total


def test_mottled_noise_shows_no_spots() -> None:
    """Coats are mottled: noise alike over 3 mm is the sheet's own, not forty spots."""
    import cv2

    target = target_of(200, 200)
    total = 0
    for s in range(40):
        grid, _, _ = grid_of(target, seed=s, holes=False)
        own = cv2.GaussianBlur(grid.d_l, (0, 0), 1.0)
        total += len(spots_of(target, UptakeGrid(own / own.std() * 0.35, grid.var, grid.step_mm)))
    assert total <= 2, total


def test_several_spots_are_told_apart() -> None:
    target = target_of(200, 200)
    places = [(45.0, 50.0, 12.0, 5.0), (150.0, 60.0, 25.0, 4.0), (70.0, 150.0, 40.0, 5.0), (160.0, 150.0, 8.0, -6.0)]
    grid, _, _ = grid_of(target, seed=4, change=lambda xx, yy: sum(soft(*p)(xx, yy) for p in places))
    found = spots_of(target, grid)
    assert len(found) == len(places)
    for x, y, _, height in places:
        best = min(found, key=lambda f, x=x, y=y: np.hypot(f.x_mm - x, f.y_mm - y))
        assert np.hypot(best.x_mm - x, best.y_mm - y) < 2.5
        assert best.kind == ("pale" if height > 0 else "dark")
    assert [f.delta_e00 for f in found] == sorted((f.delta_e00 for f in found), reverse=True)


def test_nothing_is_claimed_where_glare_lies() -> None:
    target = target_of(200, 200)
    grid, xx, yy = grid_of(target, seed=5, change=soft(60, 60, 20, 8.0))
    blocked = np.hypot(xx - 60, yy - 60) < 30
    assert not [f for f in spots_of(target, grid, blocked=blocked) if np.hypot(f.x_mm - 60, f.y_mm - 60) < 20]


def test_glare_touching_the_edge_hides_no_spot_elsewhere() -> None:
    target = target_of(200, 200)
    grid, xx, _ = grid_of(target, seed=6, change=soft(130, 100, 20, 5.0))
    grid.d_l[xx < 40], grid.var[xx < 40] = np.nan, np.inf
    found = spots_of(target, grid, blocked=xx < 40)
    assert [(f.kind, round(f.x_mm / 10), round(f.y_mm / 10)) for f in found] == [("pale", 13, 10)]


def test_all_spots_or_nothing_known() -> None:
    """A sheet without any known place, or one that is pale all over, has no spots and no error."""
    target = target_of(200, 200)
    grid, _, _ = grid_of(target, seed=7)
    assert spots_of(target, UptakeGrid(np.full_like(grid.d_l, np.nan), np.full_like(grid.var, np.inf), 2.0)) == []
    assert spots_of(target, grid, blocked=np.ones(grid.d_l.shape, bool)) == []
    assert spots_of(target, UptakeGrid(grid.d_l + 6.0, grid.var, 2.0)) == []


@pytest.mark.parametrize(("w", "h", "step"), [(97.0, 143.0, 2.0), (73.0, 61.0, 1.0), (301.0, 88.0, 2.0)])
def test_odd_sizes(w: float, h: float, step: float) -> None:
    target = target_of(w, h)
    grid, _, _ = grid_of(target, seed=8, step=step, change=soft(0.6 * w, 0.4 * h, 14.0, 6.0), holes=False)
    found = spots_of(target, grid)
    assert len(found) == 1
    assert np.hypot(found[0].x_mm - 0.6 * w, found[0].y_mm - 0.4 * h) < 1.5


def test_a_doubtful_light_hides_broad_spots_not_small_ones() -> None:
    target = target_of(200, 200)
    for fwhm, seen in ((12.0, True), (100.0, False)):
        grid, _, _ = grid_of(target, seed=9, change=soft(100, 100, fwhm, 4.0))
        assert bool(spots_of(target, grid, light_l=2.0)) == seen


def test_significant_is_not_visible() -> None:
    """A very quiet sheet lets a change of 0.4 L* be found for certain; nobody sees it, so it is not reported."""
    target = target_of(200, 200)
    grid, _, _ = grid_of(target, seed=10, noise=0.02, change=soft(100, 100, 20, 0.4))
    assert spots_of(target, grid, light_l=0.0) == []
    assert visible_de(20.0) <= visible_de(100.0) <= visible_de(300.0)


def test_the_callers_grid_stays_as_it_is() -> None:
    target = target_of(200, 200)
    grid, _, _ = grid_of(target, seed=11, change=soft(100, 100, 20, 6.0))
    kept = grid.d_l.copy(), grid.var.copy()
    spots_of(target, grid)
    find_edges(grid, target, TYPICAL, light_std_rim=0.01)
    assert np.array_equal(grid.d_l, kept[0], equal_nan=True)
    assert np.array_equal(grid.var, kept[1])


# ---------------------------------------------------------------- edges


@pytest.mark.parametrize("side", ["left", "right", "top", "bottom"])
@pytest.mark.parametrize("shape", ["rect", "round"])
def test_a_faded_edge_is_found_on_its_side(side: str, shape: str) -> None:
    target = target_of(200, 200, shape)
    w, h = target.size_mm

    def band(xx: Any, yy: Any) -> Any:
        if shape == "round":
            turn = {"right": 0.0, "bottom": 90.0, "left": 180.0, "top": 270.0}[side]
            off = np.abs((np.degrees(np.arctan2(yy - h / 2, xx - w / 2)) - turn + 180) % 360 - 180)
            return np.where(off < 50, 6.0 / (1 + np.exp((w / 2 - np.hypot(xx - w / 2, yy - h / 2) - 12) / 2.5)), 0.0)
        far = {"left": xx, "right": w - xx, "top": yy, "bottom": h - yy}[side]
        return 6.0 / (1 + np.exp((far - 12) / 2.5))

    grid, _, _ = grid_of(target, seed=20, change=band)
    found = find_edges(grid, target, TYPICAL, light_std_rim=0.01)
    assert [f.detail["side"] for f in found] == [side]
    assert found[0].kind == "faded-edge"
    assert found[0].delta_l == pytest.approx(6.0, rel=0.25)
    assert side in found[0].where


def test_no_edges_on_noise() -> None:
    for shape in ("rect", "round"):
        target = target_of(200, 200, shape)
        assert (
            sum(len(find_edges(grid_of(target, seed=s)[0], target, TYPICAL, light_std_rim=0.01)) for s in range(40))
            <= 1
        )


def test_a_rim_that_the_light_may_explain_is_no_faded_edge() -> None:
    target = target_of(200, 200)
    grid, _, _ = grid_of(target, seed=21, change=lambda xx, yy: 3.0 * (xx < 12))
    assert find_edges(grid, target, TYPICAL, light_std_rim=0.005)
    assert not find_edges(grid, target, TYPICAL, light_std_rim=0.05)


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
        assert not e.findings
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
    assert [f.kind for f in e.findings] == ["pale"]
    rows, cols = np.unravel_index(np.nanargmax(e.de_map), e.de_map.shape)
    assert np.hypot(cols * 2 + 1 - 100, rows * 2 + 1 - 100) < 6


def test_glare_is_not_counted_as_unevenness() -> None:
    """A lift by 20 L* under glare changes neither zones nor findings."""
    target = target_of(200, 200)

    def lies(xx: Any, yy: Any) -> Any:
        return np.hypot(xx - 190, yy - 190) < 45

    e = judge(target, lambda xx, yy: 50 + 20.0 * lies(xx, yy), glare=lies)
    assert e.zone_max < 0.2
    assert not e.findings


def test_glare_everywhere_is_no_error() -> None:
    e = judge(target_of(200, 200), lambda xx, yy: np.full(xx.shape, 50.0), glare=lambda xx, yy: np.ones(xx.shape, bool))
    assert np.isfinite(e.zone_max)


@pytest.mark.parametrize(("w", "h", "shape"), [(97.0, 143.0, "rect"), (103.0, 103.0, "round"), (89.0, 83.0, "rect")])
def test_sizes_that_do_not_divide(w: float, h: float, shape: str) -> None:
    e = judge(target_of(w, h, shape), lambda xx, yy: 50 + soft(w / 2, h / 2, 16, 7.0)(xx, yy))
    assert [f.kind for f in e.findings] == ["pale"]
    assert np.hypot(e.findings[0].x_mm - w / 2, e.findings[0].y_mm - h / 2) < 2
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
