import dataclasses
import json
import math
import re
import time
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import erf, erfc, erfcx

from colorcheck.faults.verdict import as_planned
from colorcheck.ground.errors import UsageError
from colorcheck.ground.recipe import MakerLimits, Recipe, parse_recipe
from colorcheck.ground.records import Verdict
from colorcheck.shop import heat
from colorcheck.shop.heat import build_up, repress_plan
from colorcheck.show import words

from . import heatlab

time_to_temperature = partial(heat.time_to_temperature, platen_c=200.0)
K = heat.GLASS_CONDUCTIVITY_W_MK
ALPHA = K / (heat.GLASS_DENSITY_KG_M3 * heat.GLASS_HEAT_J_KGK)


@dataclass(frozen=True)
class Curve:
    """Temperature in the glass: seconds (t,), mm from the heated face (n,), °C (t, n), °C of the coat (t,)."""

    seconds: Any
    depth_mm: Any
    temperature_c: Any
    coat_c: Any


def press_curve(*, seconds, layers=heat._LAYERS, steps=400, **more):
    """Temperature through the glass against time, from an even start, as the advice on pressing again reckons it."""
    usual = {"heated_face": "back", "platen_c": 200.0, "start_c": heat.ROOM_C, "contact_m2k_w": None}
    usual |= {"loss_w_m2k": heat.LOSS_W_M2K, "room_c": heat.ROOM_C, "build": heat._ALONE}
    slab = heat._slab(**(usual | more))
    field = np.stack(list(islice(heat._march(slab, layers=layers, step=seconds / steps), steps + 1)))[:, : layers + 1]
    depth = np.linspace(0.0, slab.glass_m * 1000.0, layers + 1)
    return Curve(np.linspace(0.0, seconds, steps + 1), depth, field, field[:, -1 if slab.face == "back" else 0])


# ---- analytic solutions -----------------------------------------------------------------------------------
# Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed., Oxford 1959 (formulae from memory, derived again
# here: chapter II for the semi-infinite solid, chapter III for the slab).


def slab_series(at, *, length, h_near, h_far, near_c, far_c, start_c, terms=25):
    """Temperature against time at one depth of a slab between two fluids; h in 1/m is (1/resistance)/k.

    Steady line + eigenfunction series: X(x) = cos βx + (h_near/β) sin βx, with β from
    tan βL = β (h_near + h_far) / (β² − h_near·h_far).
    """
    flow = (near_c - far_c) / (1 / h_near + length + 1 / h_far) if h_far > 0 else 0.0
    steady_near = near_c - flow / h_near

    def shape(beta, x):
        return np.cos(beta * x) + h_near / beta * np.sin(beta * x)

    def condition(beta):
        return (beta**2 - h_near * h_far) * np.sin(beta * length) - beta * (h_near + h_far) * np.cos(beta * length)

    grid = np.linspace(1e-3, (terms + 1) * math.pi / length, 100 * terms)
    change = np.flatnonzero(np.diff(np.sign(condition(grid))))
    betas = np.array([brentq(condition, grid[i], grid[i + 1], xtol=1e-12) for i in change[:terms]])
    nodes, weights = np.polynomial.legendre.leggauss(200)
    x = (nodes + 1) * length / 2
    modes = shape(betas[:, None], x)
    excess = start_c - (steady_near - flow * x)
    parts = (modes * excess) @ weights / ((modes * modes) @ weights) * shape(betas, at)
    return lambda t: steady_near - flow * at + parts @ np.exp(-ALPHA * betas**2 * t)


def test_surface_step_of_a_thick_slab_is_the_error_function():
    curve = press_curve(glass_mm=60, seconds=120, contact_m2k_w=1e-7, loss_w_m2k=0, start_c=20, layers=240, steps=1200)
    depth = curve.depth_mm / 1000
    for row in (100, 400, 1200):
        exact = 200 - 180 * erf(depth / (2 * math.sqrt(ALPHA * curve.seconds[row])))
        assert np.abs(curve.temperature_c[row] - exact).max() < 0.01 * 180 * 0.2  # a fifth of one per cent


def test_thick_slab_through_a_contact_resistance():
    contact = 1e-3
    curve = press_curve(
        glass_mm=60, seconds=100, contact_m2k_w=contact, loss_w_m2k=0, start_c=20, layers=240, steps=1000
    )
    h = 1 / (contact * K)
    x = curve.depth_mm / 1000
    for row in (50, 300, 1000):
        t = curve.seconds[row]
        u = x / (2 * math.sqrt(ALPHA * t))
        # exp(hx + h²αt) erfc(u + h√(αt)) written with erfcx so that nothing overflows
        warmed = erfc(u) - np.exp(-(u**2)) * erfcx(u + h * math.sqrt(ALPHA * t))
        assert np.abs(curve.temperature_c[row] - (20 + 180 * warmed)).max() < 0.2


@pytest.mark.parametrize("glass_mm", [3.0, 4.0, 6.0, 10.0])
@pytest.mark.parametrize("loss", [0.0, heat.LOSS_W_M2K, 12.0])
@pytest.mark.parametrize("face", ["back", "coat"])
def test_time_agrees_with_the_eigenvalue_series_within_one_per_cent(glass_mm, loss, face):
    contact = heat.CONTACT_M2K_W[face]
    at = glass_mm / 1000 if face == "back" else 0.0

    for start in (20.0, 120.0):
        coat = slab_series(
            at,
            length=glass_mm / 1000,
            h_near=1 / (contact * K),
            h_far=loss / K,
            near_c=200,
            far_c=20,
            start_c=start,
        )
        target = 170.0 if loss == 12.0 else 180.0
        seconds = time_to_temperature(
            glass_mm=glass_mm, heated_face=face, loss_w_m2k=loss, start_c=start, target_c=target
        )
        if math.isinf(seconds):
            assert coat(1e6) < target
            continue
        exact = brentq(lambda t, coat=coat, target=target: coat(t) - target, 0.5, 5000, xtol=1e-6)
        assert seconds == pytest.approx(exact, rel=0.002)


# First eigenvalue and coefficient of the plane wall with convection, one face insulated: the one-term table
# printed in heat-transfer handbooks (Incropera & DeWitt, Table 5.1); values from memory, four decimals.
@pytest.mark.parametrize(("biot", "zeta", "c1"), [(0.1, 0.3111, 1.0161), (1.0, 0.8603, 1.1191), (10.0, 1.4289, 1.2620)])
def test_late_decay_follows_the_handbook_table(biot, zeta, c1):
    length = 0.006
    contact = length / (biot * K)
    fourier = 2.0
    seconds = fourier * length**2 / ALPHA
    curve = press_curve(glass_mm=6, seconds=seconds, contact_m2k_w=contact, loss_w_m2k=0, layers=80)
    left = (200 - curve.coat_c) / 180  # the insulated face is the middle plane of the table
    half = 200
    rate = math.log(left[half] / left[-1]) / (fourier / 2)
    assert math.sqrt(rate) == pytest.approx(zeta, abs=6e-4)
    assert left[-1] * math.exp(rate * fourier) == pytest.approx(c1, abs=2e-3)


def test_steady_state_is_the_series_of_resistances():
    curve = press_curve(glass_mm=5, seconds=5000, loss_w_m2k=10)
    flow = 180 / (1e-3 + 5e-3 / K + 1 / 10)
    assert curve.coat_c[-1] == pytest.approx(20 + flow / 10, abs=1e-6)
    assert curve.temperature_c[-1, 0] == pytest.approx(200 - flow * 1e-3, abs=1e-6)


def test_grid_and_time_step_converge_with_the_square():
    def run(layers, steps):
        return press_curve(glass_mm=4, seconds=40, layers=layers, steps=steps).coat_c[-1]

    finest = run(160, 1600)
    space = [abs(run(n, 1600) - finest) for n in (5, 10, 20)]
    assert space[0] / space[1] == pytest.approx(4, rel=0.15)
    assert space[1] / space[2] == pytest.approx(4, rel=0.25)
    exact_in_space = run(40, 3200)
    steps = [abs(run(40, n) - exact_in_space) for n in (50, 100, 200)]
    assert 3 < steps[0] / steps[1] < 5
    assert 3 < steps[1] / steps[2] < 5
    coarse = time_to_temperature(glass_mm=4)
    fine = time_to_temperature(glass_mm=4, layers=128, steps_per_tau=2400)
    assert coarse == pytest.approx(fine, rel=5e-4)


def test_the_heat_that_goes_in_stays_in_or_leaves():
    curve = press_curve(glass_mm=4, seconds=60, steps=2000)
    dx = 0.004 / 48
    weights = np.full(49, dx)
    weights[[0, -1]] /= 2
    stored = heat.GLASS_DENSITY_KG_M3 * heat.GLASS_HEAT_J_KGK * (curve.temperature_c @ weights)
    into = (200 - curve.temperature_c[:, 0]) / 1e-3
    out = heat.LOSS_W_M2K * (curve.temperature_c[:, -1] - 20)
    rate = into - out
    net = ((rate[1:] + rate[:-1]) / 2 * np.diff(curve.seconds)).sum()
    assert stored[-1] - stored[0] == pytest.approx(net, rel=1e-3)


@settings(max_examples=30, deadline=None)
@given(
    glass=st.floats(1, 10),
    extra=st.floats(0.1, 3),
    start=st.floats(0, 150),
    warmer=st.floats(1, 25),
    face=st.sampled_from(["back", "coat"]),
    platen=st.floats(192, 215),
)
def test_thicker_is_slower_hotter_is_faster(glass, extra, start, warmer, face, platen):
    def seconds(**changed):
        setting = {"glass_mm": glass, "start_c": start, "platen_c": platen, "loss_w_m2k": 3.0}
        return time_to_temperature(heated_face=face, **(setting | changed))

    base = seconds()
    assert base > 0
    # finite: even at 13 mm the loss of 3 W/m²K costs 180 × 3 × 0.015 ≈ 8 °C
    if face == "back":
        assert base < seconds(glass_mm=glass + extra) < math.inf
    else:
        # Thicker glass draws more heat, but also keeps the loss behind it away; and a near face may be hot
        # before the far one matters. So: without loss, and never faster by more than the numbers' own error.
        assert seconds(loss_w_m2k=0) * 0.999 < seconds(glass_mm=glass + extra, loss_w_m2k=0) < math.inf
    assert seconds(start_c=start + warmer) < base
    assert seconds(platen_c=platen + 5) < base
    assert seconds(target_c=175) < base
    assert seconds(loss_w_m2k=0) < base


@settings(max_examples=30, deadline=None)
@given(glass=st.floats(0.5, 20), start=st.floats(-10, 300), platen=st.floats(50, 230), loss=st.floats(0, 50))
def test_no_temperature_leaves_the_range_of_its_causes(glass, start, platen, loss):
    curve = press_curve(glass_mm=glass, seconds=60, start_c=start, platen_c=platen, loss_w_m2k=loss)
    low, high = min(start, platen, 20), max(start, platen, 20)
    assert curve.temperature_c.min() >= low - 1e-6
    assert curve.temperature_c.max() <= high + 1e-6


def test_never_and_at_once():
    assert time_to_temperature(glass_mm=4, platen_c=175) == math.inf
    assert time_to_temperature(glass_mm=4, platen_c=181, loss_w_m2k=10) == math.inf
    assert time_to_temperature(glass_mm=4, platen_c=183, start_c=179, loss_w_m2k=10) == math.inf
    assert time_to_temperature(glass_mm=4, start_c=185) == 0.0


def test_curve_and_time_tell_the_same():
    seconds = time_to_temperature(glass_mm=4, heated_face="coat", start_c=60)
    curve = press_curve(glass_mm=4, heated_face="coat", start_c=60, seconds=seconds)
    assert curve.coat_c[-1] == pytest.approx(180, abs=0.02)
    assert curve.depth_mm[-1] == 4


# ---- against a second solution ------------------------------------------------------------------------------


@pytest.mark.parametrize("face", ["back", "coat"])
@pytest.mark.parametrize("pad", ["felt", "silicone foam", "silicone", "hardwood"])
def test_both_solutions_agree_on_one_and_the_same_build_up(face: str, pad: str) -> None:
    """The package's lumped contact and the second solution's layers, given the same numbers."""
    rho, lam, c = heatlab.PADS[pad]
    press = heatlab.Press(
        (
            heatlab.Layer(0.004, (2500.0, 1.0, heat.GLASS_HEAT_J_KGK), 80),
            heatlab.Layer(0.010, (rho, lam, c), 60),
            heatlab.Layer(1e-3, (1.5e4 / 1e-3 / 450.0, 500.0, 450.0), 2),
        ),
        coat_above=1 if face == "back" else 0,
        contact=heat.CONTACT_M2K_W[face],  # type: ignore[index]
        air=heat.LOSS_W_M2K,
        room_c=20.0,
        glass=0,
    )
    build = heat.BuildUp(pad=heat.Pad(lam, rho * c, 0.010, 1.5e4))
    for platen, start, target in ((200.0, 20.0, 180.0), (190.0, 90.0, 170.0)):
        theirs = heatlab.seconds_to(press, platen_c=platen, start_c=start, target_c=target)
        ours = time_to_temperature(
            glass_mm=4, heated_face=face, platen_c=platen, start_c=start, target_c=target, build=build
        )
        assert ours == pytest.approx(theirs, rel=0.015)


def test_random_presses_lie_inside_the_stated_range() -> None:
    """95 of 100 presses about which only recipe and glass are known; measured: 96 and 98 % of 150 on two seeds."""
    rng = np.random.default_rng(20)
    inside = 0
    for _ in range(100):
        glass_mm, face = float(rng.choice([3, 4, 5, 6, 8])), str(rng.choice(["back", "coat"]))
        platen_c, piece_c = float(rng.uniform(182, 205)), float(rng.uniform(20, 120))
        press = heatlab.random_press(rng, glass_mm=glass_mm, face=face)
        plan = repress_plan(Recipe(set_c=platen_c, heated_face=face), glass_mm=glass_mm, piece_c=piece_c)
        true = heatlab.seconds_to(press, platen_c=platen_c, start_c=piece_c, target_c=plan.target_c)
        high = math.inf if plan.reheat_high_seconds is None else plan.reheat_high_seconds
        inside += plan.reheat_low_seconds <= true <= high
    assert inside >= 95


def test_a_warm_up_seen_on_the_press_narrows_the_range_and_keeps_the_truth_inside() -> None:
    rng = np.random.default_rng(4)
    inside, narrower, used = 0, [], 0
    for _ in range(40):
        glass_mm, face = float(rng.choice([3, 4, 6])), str(rng.choice(["back", "coat"]))
        press = heatlab.random_press(rng, glass_mm=glass_mm, face=face)
        cold = heatlab.seconds_to(press, platen_c=200.0, start_c=press.room_c, target_c=180.0)
        if not 1.0 <= cold < 3600.0:
            continue
        recipe = Recipe(set_c=200.0, heated_face=face)
        plan = repress_plan(recipe, glass_mm=glass_mm, piece_c=90.0, warm_up_s=cold)
        wide = repress_plan(recipe, glass_mm=glass_mm, piece_c=90.0)
        true = heatlab.seconds_to(press, platen_c=200.0, start_c=90.0, target_c=180.0)
        inside += plan.reheat_low_seconds <= true <= (plan.reheat_high_seconds or math.inf)
        used += 1
        narrower.append(
            (plan.reheat_high_seconds / plan.reheat_low_seconds, wide.reheat_high_seconds / wide.reheat_low_seconds)
        )
    assert plan.learned
    assert inside >= 0.95 * used
    assert np.median([a / b for a, b in narrower]) < 0.35


def test_every_property_of_the_row_goes_one_way() -> None:
    seconds = [time_to_temperature(glass_mm=4, build=build_up(p)) for p in (0.0, 0.25, 0.5, 0.75, 1.0)]
    assert seconds == sorted(seconds)
    assert build_up(0.0) == heat.FASTEST
    for a, b in zip(dataclasses.astuple(build_up(1.0)), dataclasses.astuple(heat.SLOWEST), strict=True):
        assert a == pytest.approx(b)


# ---- trade practice ------------------------------------------------------------------------------------------
# Common practice, no source: published recipes for coated glass and laminate film, as ranges over many sellers.
# (°C, s, glass mm, heated face): in each the coat must get hot within the recipe's own time on some usual pad.
_RECIPES = [
    ("200C 180s heated back", 3.0),
    ("200C 240s heated back", 4.0),
    ("195C 300s heated back", 5.0),
    ("182C 360s heated back", 4.0),
    ("190C 180s heated coat", 4.0),
    ("200C 90s heated coat", 4.0),
    ("200C 120s heated coat", 5.0),
]


@pytest.mark.parametrize(("text", "glass_mm"), _RECIPES)
def test_recipes_of_the_trade_heat_the_coat_through_in_their_own_time(text: str, glass_mm: float) -> None:
    recipe = parse_recipe(text)
    plan = repress_plan(recipe, glass_mm=glass_mm, piece_c=20.0)
    assert plan.possible
    assert plan.reheat_low_seconds < recipe.seconds
    assert plan.reheat_seconds < recipe.seconds
    assert plan.total_seconds <= 1.5 * recipe.seconds + 1e-9


# ---- the plan ------------------------------------------------------------------------------------------------


def test_platen_time_and_face_come_from_the_recipe_alone() -> None:
    plan = repress_plan(parse_recipe("182C 360s medium, heated back"), glass_mm=4, piece_c=30)
    assert (plan.platen_c, plan.heated_face, plan.target_c) == (182.0, "back", 167.0)
    assert repress_plan(parse_recipe("182C measured 176C 360s"), glass_mm=4).platen_c == 176.0
    nothing = repress_plan(Recipe(seconds=180.0), glass_mm=4)
    assert nothing.possible
    assert (nothing.platen_c, nothing.total_seconds, nothing.reheat_seconds) == (None, None, None)
    assert nothing.missing == ("temperature", "face", "max-temperature", "max-time")
    assert repress_plan(parse_recipe("200C 180s"), MakerLimits(300, 205)).missing == ("face", "glass")


def test_hold_is_half_a_recipe_at_most_and_the_whole_one_and_a_half() -> None:
    short = repress_plan(parse_recipe("204C 40s heated coat"), glass_mm=2, piece_c=150)
    assert short.hold_seconds <= 20.0
    assert short.cut_by == "recipe"
    long = repress_plan(parse_recipe("200C 190s heated back"), glass_mm=4, piece_c=100)
    assert (long.hold_seconds, long.cut_by) == (30.0, "")
    assert long.total_seconds == pytest.approx(long.reheat_seconds + 30.0)
    assert repress_plan(parse_recipe("200C 60s"), glass_mm=12).why == "beyond-recipe"


def test_the_makers_limits_hold_it_down() -> None:
    recipe = parse_recipe("200C 100s heated back")
    free = repress_plan(recipe, glass_mm=4, piece_c=100)
    cut = repress_plan(recipe, MakerLimits(100.0), glass_mm=4, piece_c=100)
    assert cut.total_seconds == pytest.approx(100.0)
    assert cut.hold_seconds == pytest.approx(100.0 - free.reheat_seconds)
    assert cut.cut_by == "maker-time"
    none = repress_plan(parse_recipe("200C 80s heated back"), MakerLimits(80.0), glass_mm=4)
    assert (none.possible, none.why, none.total_seconds) == (False, "beyond-maker-time", 0.0)


@pytest.mark.parametrize("press_no", [2, 3, 9])
def test_one_re_press_only(press_no: int) -> None:
    for known in ({}, {"glass_mm": 4.0}):
        plan = repress_plan(parse_recipe("200C 180s"), press_no=press_no, **known)
        assert (plan.possible, plan.why) == (False, "pressed-before")


def test_too_cool_a_platen_never_gets_the_coat_hot() -> None:
    plan = repress_plan(parse_recipe("165C 400s"), glass_mm=4)
    assert (plan.possible, plan.why) == (False, "never-hot-enough")


@pytest.mark.parametrize(
    ("text", "more", "says"),
    [
        ("200C 180s", {"glass_mm": 20.0}, "beyond what seconds are reckoned for"),
        ("200C 180s", {"glass_mm": 1.0}, "give 2–12 mm"),
        ("200C 180s", {"glass_mm": math.nan}, "give 2–12 mm"),
        ("210C 180s", {"limits": MakerLimits(300.0, 205.0)}, "hotter than the makers allow"),
        ("190C measured 210C 180s", {"limits": MakerLimits(300.0, 205.0)}, "hotter than the makers allow"),
        ("200C 400s", {"limits": MakerLimits(300.0, 205.0)}, "longer than the makers allow"),
        ("200C 180s", {"piece_c": 400.0}, "piece temperature"),
        ("200C 180s", {"glass_mm": 4.0, "warm_up_s": math.inf}, "warm-up"),
    ],
)
def test_what_contradicts_itself_is_refused(text: str, more: dict, says: str) -> None:
    with pytest.raises(UsageError, match=says):
        repress_plan(parse_recipe(text), **more)


@settings(max_examples=150, deadline=None)
@given(
    set_c=st.one_of(st.none(), st.floats(150, 230)),
    seconds=st.one_of(st.none(), st.floats(5, 600)),
    face=st.sampled_from(["", "back", "coat"]),
    glass=st.one_of(st.none(), st.floats(2, 12)),
    piece=st.one_of(st.none(), st.floats(5, 150)),
    press_no=st.integers(1, 3),
    longest=st.one_of(st.just(math.inf), st.floats(5, 700)),
    hottest=st.one_of(st.just(math.inf), st.floats(150, 240)),
    paper=st.sampled_from(["on", "off"]),
    warm_up=st.one_of(st.none(), st.floats(5, 600)),
)
def test_headline_action_and_text_never_disagree(
    set_c, seconds, face, glass, piece, press_no, longest, hottest, paper, warm_up
) -> None:
    """Over recipe, glass, press and limits: what is said, what the JSON says, and what the limits allow."""
    recipe, limits = Recipe(set_c=set_c, seconds=seconds, heated_face=face), MakerLimits(longest, hottest)
    try:
        plan = repress_plan(recipe, limits, glass_mm=glass, piece_c=piece, press_no=press_no, warm_up_s=warm_up)
    except UsageError:
        assert (set_c or 0) > hottest or (seconds or 0) > longest
        return
    asked = "re-press" if paper == "on" else "reprint"
    action, advice = as_planned(asked, plan.to_dict())
    verdict = Verdict(action=action, reasons=(), undecided=(), advice=advice)
    headline, lines = words.headline(verdict), words.repress_lines(SimpleNamespace(verdict=verdict))
    text = " ".join(lines)
    assert json.loads(json.dumps(advice)) == advice
    if action == "re-press":
        assert plan.possible
        assert headline.startswith("Press again")
        assert lines[0] == words.CONDITION
        assert "do not press" not in text
        assert (plan.total_seconds is None) == (set_c is None or glass is None)
        for name, value in (("highest temperature", hottest), ("longest time", longest)):
            assert (name in text) == math.isinf(value)
        named = {int(t) for t in re.findall(r"([0-9]+) °C", text)}
        assert named <= {round(v) for v in (set_c, hottest) if v is not None and math.isfinite(v)}
        if plan.total_seconds is not None:
            assert f"Press for about {words.number(plan.total_seconds, 0)} s" in text
            assert plan.total_seconds <= min(longest, 1.5 * (seconds or math.inf)) + 1e-6
            assert plan.hold_seconds <= min(30.0, 0.5 * (seconds or math.inf)) + 1e-6
            assert plan.hold_seconds > 0
            assert ("may never get hot enough" in text) == plan.may_stay_cold
    else:
        assert headline.startswith("Print again")
        assert paper == "off" or not plan.possible
        if paper == "on":
            assert lines == []
            assert plan.why
            assert plan.total_seconds == 0.0
            assert words.why_no_repress(verdict) != words.why_no_repress(replace(verdict, advice={}))


def test_fast_enough() -> None:
    took = []
    for _ in range(7):
        begin = time.perf_counter()
        repress_plan(parse_recipe("200C 200s heated back"), glass_mm=6, piece_c=100)
        took.append(time.perf_counter() - begin)
    assert min(took) < 0.05  # the best of seven: other programs on the machine do not count
