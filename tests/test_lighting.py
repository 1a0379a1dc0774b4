"""Lamp and reflection told apart from the print: on arrays made from the formulae, without photos."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from colorcheck.ground.robust import mad_std, polynomial_terms, robust_least_squares, trimmed_mean
from colorcheck.photo.glare import Evidence, fit_glare, glare_at
from colorcheck.photo.lighting import fit_light, grid_places, light_at
from colorcheck.photo.tone import Tone, fit_tone, tone_gain
from colorcheck.photo.toneguard import judge_local_tone

SIZE = (200.0, 200.0)


def rng_of(seed: int) -> np.random.Generator:
    return np.random.Generator(np.random.PCG64(seed))


def lattice(size: tuple[float, float], step: float, rim: float = 10.0) -> Any:
    x, y = np.arange(rim, size[0] - rim + 1e-6, step), np.arange(rim, size[1] - rim + 1e-6, step)
    xx, yy = np.meshgrid(x, y)
    return np.stack([xx.ravel(), yy.ravel()], axis=1)


def lamp(xy: Any, at: tuple[float, float] = (-150.0, -80.0), height: float = 450.0) -> Any:
    """Inverse square with the cosine at the sheet: cos⁴ over the height squared, largest 1, slightly tinted."""
    d2 = ((xy - np.array(at)) ** 2).sum(axis=1) + height**2
    e = height**4 / d2**2
    return (e / e.max())[:, None] * np.array([0.62, 0.6, 0.55])


# ---------------------------------------------------------------- light


@pytest.mark.parametrize("seed", range(6))
def test_light_is_recovered_from_noisy_anchors_with_outliers(seed: int) -> None:
    """Within 1 % everywhere inside the anchors, though one anchor in ten is wrong by up to 30 %."""
    rng = rng_of(seed)
    xy = lattice(SIZE, 22.0)
    true = lamp(xy, (float(rng.uniform(-300, 500)), float(rng.uniform(-300, 500))), float(rng.uniform(380, 700)))
    seen = true * np.exp(rng.normal(0, 0.004, true.shape))
    bad = rng.choice(len(xy), len(xy) // 10, replace=False)
    seen[bad] *= rng.uniform(0.7, 1.3, (len(bad), 1))
    before = seen.copy(), xy.copy()
    fit = fit_light(xy, seen, SIZE)
    got, _ = light_at(fit, xy)
    good = np.setdiff1d(np.arange(len(xy)), bad)
    off = got / true - 1
    assert np.abs(off[good].mean(axis=1)).max() <= 0.01
    assert float(np.sqrt((off**2).mean())) <= 0.005
    wild = bad[np.abs(seen[bad] / true[bad] - 1).max(axis=1) > 0.05]
    assert np.median(fit.weight[wild]) < 0.2 * np.median(fit.weight[good])
    assert np.array_equal(seen, before[0])
    assert np.array_equal(xy, before[1])


def test_stated_light_error_is_fair() -> None:
    """Two standard errors cover the true light at unseen places in 85 % of draws and more, without being idle."""
    inside, size = [], []
    for seed in range(30):
        rng = rng_of(100 + seed)
        xy = lattice(SIZE, 24.0)
        where = rng.uniform(15, 185, (60, 2))
        at, height = (float(rng.uniform(-250, 450)), float(rng.uniform(-250, 450))), float(rng.uniform(400, 800))
        both = lamp(np.concatenate([xy, where]), at, height)
        true, unseen = both[: len(xy)], both[len(xy) :]
        fit = fit_light(xy, true * np.exp(rng.normal(0, 0.006, (len(xy), 1))), SIZE)
        got, std = light_at(fit, where)
        inside.append(np.mean(np.abs(np.log(got.mean(axis=1) / unseen.mean(axis=1))) <= 2 * std))
        size.append(std.mean())
    assert float(np.mean(inside)) >= 0.85
    assert float(np.mean(size)) < 0.01


def test_light_grows_doubtful_away_from_the_anchors() -> None:
    xy = lattice(SIZE, 25.0, rim=40.0)
    fit = fit_light(xy, lamp(xy) * np.exp(rng_of(3).normal(0, 0.005, (len(xy), 1))), SIZE)
    _, std = light_at(fit, np.array([[100.0, 100.0], [2.0, 2.0], [198.0, 198.0]]))
    assert std[1] > 1.5 * std[0]
    assert std[2] > 1.5 * std[0]


def test_even_light_stays_even() -> None:
    """Noise of 0.4 % on the anchors must not become a lamp: the fitted light varies by less than that."""
    xy = lattice(SIZE, 22.0)
    fit = fit_light(xy, 0.6 * np.exp(rng_of(8).normal(0, 0.004, (len(xy), 3))), SIZE)
    got, _ = light_at(fit, lattice(SIZE, 10.0))
    assert float(np.std(got.mean(axis=1)) / got.mean()) < 0.002


@pytest.mark.parametrize("count", [3, 4, 5, 8, 12])
def test_few_anchors_still_give_a_light(count: int) -> None:
    xy = np.array(
        [
            [20, 20],
            [180, 20],
            [20, 180],
            [180, 180],
            [100, 100],
            [100, 20],
            [20, 100],
            [180, 100],
            [100, 180],
            [60, 60],
            [140, 140],
            [60, 140],
        ],
        dtype=float,
    )[:count]
    got, std = light_at(fit_light(xy, lamp(xy), SIZE), np.array([[100.0, 100.0]]))
    assert np.isfinite(got).all()
    assert np.isfinite(std).all()
    assert got[0, 1] == pytest.approx(lamp(np.array([[20.0, 20.0], [100.0, 100.0], [180.0, 180.0]]))[1, 1], rel=0.3)


def test_weightless_anchors_say_nothing() -> None:
    xy = lattice(SIZE, 30.0)
    seen = lamp(xy)
    wrong = seen.copy()
    wrong[::4] *= 5.0
    weights = np.ones(len(xy))
    weights[::4] = 0.0
    got, _ = light_at(fit_light(xy, wrong, SIZE, weights=weights), xy)
    assert np.abs(got / seen - 1).max() < 0.02


def test_second_kind_of_anchor_tells_shape_not_level() -> None:
    """Quiet zones read 3 % darker all over (stray light): the level stays that of the cells."""
    cells, quiet = lattice(SIZE, 45.0, rim=32.0), lattice(SIZE, 60.0, rim=10.0)
    both = lamp(np.concatenate([cells, quiet]))
    seen = both.copy()
    seen[len(cells) :] *= 0.97
    other = np.concatenate([np.zeros(len(cells)), np.ones(len(quiet))])
    got, _ = light_at(fit_light(np.concatenate([cells, quiet]), seen, SIZE, other=other), cells)
    assert np.abs(got / both[: len(cells)] - 1).max() < 0.008


@pytest.mark.parametrize(("size", "step", "shape"), [((200.0, 200.0), 2.0, (100, 100)), ((97.0, 61.0), 2.0, (31, 49))])
def test_grid_places_are_the_middles(size: tuple[float, float], step: float, shape: tuple[int, int]) -> None:
    p = grid_places(size, step, shape)
    assert p.shape == (shape[0] * shape[1], 2)
    assert p[0].tolist() == [step / 2, step / 2]
    assert (p[:, 0] <= size[0]).all()
    assert (p[:, 1] <= size[1]).all()
    assert p[1, 0] - p[0, 0] == pytest.approx(step)


# ---------------------------------------------------------------- glare

PITCH = 11.0


def evidence(
    size: tuple[float, float], *, lift: Any = None, lack: Any = None, noise: float = 0.006, seed: int = 1
) -> Evidence:
    """Cells of mixed colours: ``lift(xy)`` is added light, ``lack(xy)`` the share of dye that is missing."""
    rng = rng_of(seed)
    xy = lattice(size, PITCH, rim=8.0)
    n = len(xy)
    due = np.exp(-rng.uniform(0.1, 4.0, (n, 1))) ** rng.uniform(0.6, 1.4, (n, 3))
    fixed = rng.random(n) < 0.12
    due[fixed] = 1.0
    missing = np.zeros(n) if lack is None else lack(xy)
    added = np.zeros(n) if lift is None else lift(xy)
    seen = np.where(fixed[:, None], due, due ** (1 - missing[:, None])) + added[:, None]
    seen = seen * np.exp(rng.normal(0, noise, seen.shape)) + rng.normal(0, 0.001, seen.shape)
    return Evidence(xy_mm=xy, seen=seen, due=due, std=np.full((n, 3), 0.002) + 0.02 * due, fixed=fixed)


def blob(x: float, y: float, fwhm: float, height: float) -> Any:
    return lambda xy: height * np.exp(-((xy - [x, y]) ** 2).sum(axis=1) / (2 * (fwhm / 2.3548) ** 2))


@pytest.mark.parametrize("seed", range(8))
def test_no_glare_without_glare(seed: int) -> None:
    assert not fit_glare(evidence(SIZE, seed=seed), SIZE, PITCH).mask.any()


@pytest.mark.parametrize("seed", range(8))
def test_paleness_is_no_glare(seed: int) -> None:
    """A soft spot that lost a third of its dye lifts mid tones by 10 % of white, yet no light was added."""
    e = evidence(SIZE, lack=blob(110, 80, 40, 0.3), seed=seed)
    fit = fit_glare(e, SIZE, PITCH)
    assert float(fit.g.max()) < 0.03  # from there on it would count as a reflection
    rows, cols = np.unravel_index(int(fit.lack.argmax()), fit.lack.shape)
    assert np.hypot((cols + 0.5) * fit.step_mm - 110, (rows + 0.5) * fit.step_mm - 80) < 14
    assert 0.12 < float(fit.lack.max()) < 0.4


@pytest.mark.parametrize(
    ("x", "y"),
    [(100.0, 90.0), (8.0, 100.0), (100.0, 194.0), (3.0, 3.0), (196.0, 10.0)],
    ids=["middle", "left edge", "bottom edge", "corner", "other corner"],
)
@pytest.mark.parametrize("strength", [0.06, 0.25])
def test_glare_is_found_where_it_lies(x: float, y: float, strength: float) -> None:
    shape = blob(x, y, 45, strength)
    fit = fit_glare(evidence(SIZE, lift=shape), SIZE, PITCH)
    there = lattice(SIZE, 5.0, rim=4.0)
    true = shape(there)
    got, std, lies = glare_at(fit, there)
    strong = true > 0.6 * strength
    assert lies[strong].mean() > 0.9
    assert lies[np.hypot(*(there - [x, y]).T) > 75].mean() < 0.02
    # part of a weak lift is put down to paleness, of which the cells then are less sure; never too much is taken off
    ratio = float(np.median(got[strong].mean(axis=1) / true[strong]))
    assert 0.3 < ratio < 1.1
    assert (std > 0).all()


@pytest.mark.parametrize("strength", [0.2, 0.35, 0.5])
def test_a_mirrored_window_with_hard_rims_is_glare_all_over(strength: float) -> None:
    def window(xy: Any) -> Any:
        inside = (np.abs(xy[:, 0] - 92) < 14) & (np.abs(xy[:, 1] - 104) < 26)
        return np.where(inside, strength, 0.0)

    fit = fit_glare(evidence(SIZE, lift=window, seed=1), SIZE, PITCH)
    yy, xx = np.mgrid[84:126:6, 82:104:5]
    g, _, lies = glare_at(fit, np.stack([xx.ravel(), yy.ravel()], axis=1).astype(float))
    assert lies.all()
    assert 0.5 * strength < np.median(g) < 1.1 * strength  # cells alone; the field between them tells more


def test_glare_and_paleness_together() -> None:
    """A reflection on one side, a pale spot on the other: each is called by its name."""
    e = evidence(SIZE, lift=blob(50, 50, 40, 0.15), lack=blob(150, 150, 35, 0.25))
    got, _, lies = glare_at(fit_glare(e, SIZE, PITCH), np.array([[50.0, 50.0], [150.0, 150.0]]))
    assert lies.tolist() == [True, False]
    assert got[0].mean() == pytest.approx(0.15, rel=0.25)
    assert got[1].max() == 0.0


def test_glare_everywhere_is_found_everywhere() -> None:
    fit = fit_glare(evidence(SIZE, lift=lambda xy: np.full(len(xy), 0.2)), SIZE, PITCH)
    assert fit.mask.mean() > 0.95


@pytest.mark.parametrize("size", [(97.0, 61.0), (60.0, 60.0), (131.0, 207.0), (400.0, 60.0)])
def test_sizes_that_do_not_divide(size: tuple[float, float]) -> None:
    seen = 0
    for seed in range(10):
        fit = fit_glare(evidence(size, lift=blob(size[0] - 10, size[1] - 10, 40, 0.25), seed=seed), size, PITCH)
        assert fit.g.shape == (*fit.mask.shape, 3)
        assert fit.mask.shape == (int(np.ceil(size[1] / fit.step_mm)), int(np.ceil(size[0] / fit.step_mm)))
        seen += bool(fit.mask[-2:, -2:].any())
    assert seen >= 8


def test_evidence_is_left_alone() -> None:
    e = evidence(SIZE, lift=blob(90, 90, 50, 0.2))
    kept = [a.copy() for a in (e.xy_mm, e.seen, e.due, e.std, e.fixed)]
    fit_glare(e, SIZE, PITCH)
    for a, b in zip((e.xy_mm, e.seen, e.due, e.std, e.fixed), kept, strict=True):
        assert np.array_equal(a, b)


# ---------------------------------------------------------------- tone


def tone_data(
    a: float, b: float, spread: float, seed: int = 2, n: int = 600, press: float = 0.0
) -> tuple[Any, Any, Any, Any, Any]:
    """Tones under a lamp that falls off to the corner; dye lacking by ``press`` of the optical depth in the middle."""
    rng = rng_of(seed)
    rho = np.exp(-rng.uniform(0.05, 3.9, n))
    xy = rng.uniform(-1, 1, (n, 2))
    fall = 0.4 * xy[:, 0] - ((xy - 0.2) ** 2).sum(axis=1)
    t = spread * (fall - fall.mean()) / fall.std()
    gain = np.log(tone_gain(Tone(a, b, 0.0, 0.0), rho, t)) - press * np.log(rho) * np.exp(-(xy**2).sum(axis=1) / 0.3)
    return t, rho, gain + rng.normal(0, 0.01, n), np.full(n, 0.01), xy


def test_a_curve_that_follows_the_lamp_too_fast_is_found() -> None:
    tone = fit_tone(*tone_data(0.5, -0.2, 0.15), field_rho=0.2)
    want = np.log(tone_gain(Tone(0.5, -0.2, 0, 0), np.array([0.6, 0.2, 0.05]), np.ones(3)))
    got = np.log(tone_gain(tone, np.array([0.6, 0.2, 0.05]), np.ones(3)))
    assert np.allclose(got, want, atol=0.05)


@pytest.mark.parametrize("press", [0.0, 0.05, 0.15])
@pytest.mark.parametrize("seed", range(10))
def test_a_plain_curve_is_left_alone_even_where_the_middle_lacks_dye(seed: int, press: float) -> None:
    tone = fit_tone(*tone_data(0.0, 0.0, 0.15, seed=seed, press=press), field_rho=0.2)
    assert abs(tone.field_slope) < (0.1 if press else 1e-12)


def test_even_light_tells_nothing_about_the_curve() -> None:
    assert fit_tone(*tone_data(0.6, 0.0, 0.005), field_rho=0.2).field_slope == 0.0


# ---------------------------------------------------------------- robust


def test_robust_fit_ignores_a_quarter_of_wild_rows() -> None:
    rng = rng_of(5)
    x, y = rng.uniform(-1, 1, (2, 300))
    a = polynomial_terms(x, y, 2)
    want = rng.normal(0, 1, 6)
    b = a @ want + rng.normal(0, 0.01, 300)
    b[:75] += rng.uniform(1, 5, 75)
    got, weight, scale = robust_least_squares(a, b)
    assert np.allclose(got, want, atol=0.02)
    assert weight[:75].max() < 0.05
    assert 0.007 < scale < 0.02


def test_spread_of_a_normal_sample() -> None:
    assert mad_std(rng_of(6).normal(3, 2, 20_000)) == pytest.approx(2.0, rel=0.03)
    values = rng_of(7).normal(0.5, 0.02, (4, 900, 3))
    assert np.allclose(trimmed_mean(values)[1], 0.02, rtol=0.1)
    values[:, :60] = 5.0
    kept = values.copy()
    mean, std = trimmed_mean(values)
    assert np.allclose(mean, 0.5, atol=0.005)
    assert (std < 0.035).all()
    assert np.array_equal(values, kept)


def _white_cells(rng: np.random.Generator, n: int, local: float) -> tuple[Any, Any, Any, Any]:
    """White cells of a sheet that fills most of the frame, under a lens that darkens the corners and a lamp aside."""
    xy = rng.uniform(6, 74, (n, 2))
    off_axis = np.linalg.norm(xy - 40, axis=1) / 65
    lamp = (xy - 40) @ rng.uniform(-0.005, 0.005, 2)
    fall_off = -rng.uniform(0.1, 0.8) * off_axis**2
    # what surrounds a cell: brighter card towards the rim, darker corners, its neighbours' colours
    around = rng.uniform(0.2, 1.2) * off_axis**2 + fall_off + lamp + rng.normal(0, 0.1, n)
    near = np.stack([around + rng.normal(0, 0.02, n) for _ in range(4)], axis=1)
    return near, fall_off + lamp - local * around + rng.normal(0, 0.004, n), xy, off_axis


def test_lens_and_lamp_are_not_taken_for_local_tone() -> None:
    """Of 200 sheets with ten white cells at most one is refused; with many cells local tone is told from the lens."""
    rng = np.random.default_rng(5)

    def noticed(n: int, local: float) -> int:
        count = 0
        for _ in range(200):
            near, white, xy, off_axis = _white_cells(rng, n, local)
            count += judge_local_tone(near, white, xy, (80.0, 80.0), off_axis, limit=0.12).noticed
        return count

    assert noticed(10, 0.0) <= 1
    assert noticed(28, 0.0) <= 1
    assert noticed(28, 0.5) >= 190
