"""Step tests: plan a series of presses, and find from what came out the shortest time that is enough.

Dye taken up by the coat answers time as a saturating rise. With ``t`` the time and ``T`` the temperature,

    D(t, T, p) = A · (1 − exp(−((t − t0) / τ)^m)),    τ = τ0 · exp(−β (T − T0)) · c_p

A is the plateau, t0 the seconds until the coat is hot enough, τ the pace and m its shape: m = 1 is the plain
exponential approach, m below 1 comes near uptake by diffusion (Crank, The Mathematics of Diffusion, 1975: a root of
time at first, an exponential at the end). Temperature changes the pace alone (time and temperature trade against each
other), pressure by a factor c_p. So time and temperature need five numbers against the six of a quadratic, and the
surface can neither fall where it must rise nor overshoot.

Dyes differ in pace, and a grey that still changes its tint from press to press shows it. So the greys are weighed in
red, green and blue light, and the slowest of the three answers: enough is when the last dye is on its plateau.

The numbers are not fitted to one best value: a few presses leave many rises possible. All of them are kept, as draws
from their posterior, by the stretch move of Goodman and Weare, Comm. App. Math. Comp. Sci. 5(1) 65–80 (2010); the
errors are Student's t with 4 degrees of freedom, so that one badly pressed piece does not decide. The time on the
plateau, its interval and the worth of one more press are read off these draws.
"""

from __future__ import annotations

import math
import random
import string
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
import numpy as np

from ..ground import reader
from ..ground.errors import DataError, UsageError
from ..ground.files import read_json, shaped
from ..ground.jsontext import picked
from ..ground.recipe import MakerLimits
from ..ground.records import Floats, Mask
from ..ground.units import MAX_SECONDS, MAX_TEMPERATURE_C, parse_seconds, parse_temperature

SCHEMA = "colorcheck-ladder/1"
PRESSURES = ("light", "medium", "firm")
MIN_PRESSES, MAX_PRESSES = 4, 16
SPARES = 2  # targets beyond the plan, for the presses that turn out to be wanted
WITHIN = 0.03  # on the plateau: this close to it; mid grey is then about 1 ΔE00 off (simulation)
YELLOW_B = 1.0  # rise of the bare coat's b* that counts as yellow; estimate
WIDER_MM = 0.15  # widening of edges that counts; estimate (0.1–0.2 mm)
_PIECE_SHARE = 0.01  # scatter from piece to piece, share of the plateau; estimate, learned from the data as they come
_YELLOW_STD, _WIDER_STD = 0.2, 0.02  # scatter between photos of one piece, b* and mm (simulated bench)
_T_DOF = 4.0
_LEVELS = 0.9  # of the interval that is told
_ROUND_S = 5.0

Light = Literal["", "red", "green", "blue"]
_LIGHTS: tuple[Light, ...] = ("red", "green", "blue")


@dataclass(frozen=True, slots=True)
class Settings:
    """What the press is set to: seconds, °C (None: as always) and pressure ('' : as always)."""

    time_s: float
    temperature_c: float | None = None
    pressure: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One press of a series: its letter (in the order of pressing), settings, and the seed of its target."""

    name: str
    settings: Settings
    target_seed: int


@dataclass(frozen=True, slots=True)
class LadderPlan:
    """A series of presses within the makers' limits, in random order, with targets to spare."""

    name: str
    time_s: tuple[float, float]
    temperature_c: tuple[float, float] | None
    pressures: tuple[str, ...]
    limits: MakerLimits
    size_mm: tuple[float, float]
    shape: str
    view: str
    seed: int
    steps: tuple[Step, ...]
    spares: tuple[tuple[str, int], ...]  # names and seeds of further targets

    @property
    def step_s(self) -> float:
        """Distance between neighbouring times of the series."""
        times = sorted({s.settings.time_s for s in self.steps})
        return float(np.median(np.diff(times))) if len(times) > 1 else _ROUND_S


@dataclass(frozen=True, slots=True)
class Pressed:
    """What came out of one press; numbers that were not measured are NaN.

    ``density`` is the dye on the piece: the mean visual density of the same greys on every piece of the series
    (`common_density`), ``density_u`` its scatter between photos, ``rgb_density`` that of the same greys in red, green
    and blue light; ``yellow_b`` the bare coat's absolute b*, ``scorch_b`` its largest local rise and ``edge_mm`` the
    width of edges, all only compared within the series; ``looked_yellow`` what the eye said beside an unpressed blank;
    ``black`` the density of full black; ``faults`` kinds of findings
    that make the piece a doubtful witness.
    """

    name: str
    settings: Settings
    density: float
    density_u: float = 0.0
    rgb_density: tuple[float, float, float] | None = None
    yellow_b: float = math.nan
    scorch_b: float = math.nan
    edge_mm: float = math.nan
    evenness: float = math.nan
    black: float = math.nan
    looked_yellow: bool | None = None
    faults: tuple[str, ...] = ()
    source: str = ""


@dataclass(frozen=True, slots=True)
class NextPress:
    """One more press: settings, and what it is expected to leave of the interval's half-width, in seconds."""

    settings: Settings
    why: str  # 'narrow' | 'longer' | 'shorter' | 'yellow' | 'confirm'
    now_s: float
    expected_s: float


@dataclass(frozen=True, slots=True, eq=False)
class BestTime:
    """Shortest time on the plateau at one temperature and pressure, with its 90 % interval, in seconds.

    ``safe_until_s`` is the longest time before the coat yellows or edges widen (inf: no sign of either), and
    ``p_safe`` the probability that the plateau is reached before that and before the makers' limit.
    """

    settings: Settings
    low_s: float
    high_s: float
    safe_until_s: float
    p_safe: float


@dataclass(frozen=True, slots=True, eq=False)
class LadderFit:
    """What a series says.

    ``status``: 'found', 'wide' (found, the interval is wide), 'rising' (no plateau within the times pressed), 'flat'
    (the shortest is on it already), 'harmed' (coat or edges suffer before the plateau).
    ``times`` (k,) s with ``level``, ``level_low``, ``level_high`` (k,) the density at the best temperature and
    pressure; ``share`` (n,) of the plateau for each press; ``odd`` (n,) presses that do not lie on the rise.
    ``begins_s`` is when dye begins to go over (5, 50, 95 %): the warm-up of this press with this blank.
    ``light`` is the light in which the greys were slowest ('' : only their visual density is known), and all densities
    are those in this light; ``lag_s`` is by how much it lags behind the quickest.
    """

    pressed: tuple[Pressed, ...]
    status: str
    best: BestTime
    recipes: tuple[BestTime, ...]
    plateau: float
    plateau_std: float
    scatter: float
    times: Floats
    level: Floats
    level_low: Floats
    level_high: Floats
    share: Floats
    odd: Mask
    harm: str  # what sets the upper end: 'yellow', 'scorch', 'edges', 'limit' or ''
    knows_yellow: bool
    knows_edges: bool
    next: NextPress | None
    within: float
    step_s: float
    limits: MakerLimits
    harm_s: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    begins_s: tuple[float, float, float] = (math.nan, math.nan, math.nan)
    light: Light = ""
    lag_s: float = 0.0


# ---------------------------------------------------------------- plan


def make_plan(
    *,
    time_s: tuple[float, float],
    limits: MakerLimits,
    presses: int = 6,
    temperature_c: tuple[float, float] | None = None,
    pressures: Sequence[str] = (),
    size_mm: tuple[float, float] = (60.0, 60.0),
    shape: str = "rect",
    view: str = "front",
    name: str = "ladder",
    seed: int = 1,
) -> LadderPlan:
    """Choose the presses of a series.

    Parameters
    ----------
    time_s, temperature_c : (low, high)
        Range to try; a temperature with low = high is held. None: the press stays as it is always set.
    limits : MakerLimits
    presses : int
        4 to 16; with a second factor at least 6, and one more for each further pressure.
    pressures : sequence of str
        Of 'light', 'medium', 'firm'; none or one: held.
    seed : int
        Another number, another order and other targets.

    Returns
    -------
    LadderPlan
        One factor: evenly spaced times. Several: the D-optimal choice from a lattice of five times, three
        temperatures and the pressures for a quadratic in time and temperature, held up by a weak prior (DuMouchel &
        Jones, Technometrics 36(1) 37–47, 1994), so that corners, middles and the ends of the time scale are all
        pressed.

    Raises
    ------
    UsageError
        A range that is empty, reversed or beyond the makers' limits, or too few presses.
    """
    low, high = time_s
    _check_ranges(time_s, temperature_c, limits)
    names = tuple(dict.fromkeys(pressures))
    if unknown := [p for p in names if p not in PRESSURES]:
        raise UsageError(f"pressure '{unknown[0][:20]}' is not known", f"choose from {', '.join(PRESSURES)}")
    several = temperature_c is not None and temperature_c[1] > temperature_c[0]
    least = (6 if several else MIN_PRESSES) + max(0, len(names) - 1)
    if not least <= presses <= MAX_PRESSES:
        raise UsageError(
            f"{presses} presses are too {'few' if presses < least else 'many'} for this series",
            f"plan {least} to {MAX_PRESSES}",
        )
    if several or len(names) > 1:
        chosen = _spread(time_s, temperature_c, names, presses, seed)
    else:
        held = None if temperature_c is None else temperature_c[0]
        chosen = [Settings(t, held, names[0] if names else "") for t in _levels(low, high, presses)]
    if len({s.time_s for s in chosen}) < (3 if several or len(names) > 1 else presses):
        raise UsageError(
            f"times from {low:g} to {high:g} s are too close for {presses} presses", f"widen {reader.option('time')}"
        )
    random.Random(f"ladder {seed}").shuffle(chosen)
    letters = [_letters(k) for k in range(presses + SPARES)]
    seeds = [(int(seed) * 40 + k + 1) % 1_000_000 for k in range(presses + SPARES)]
    return LadderPlan(
        name=name,
        time_s=(float(low), float(high)),
        temperature_c=temperature_c,
        pressures=names,
        limits=limits,
        size_mm=size_mm,
        shape=shape,
        view=view,
        seed=seed,
        steps=tuple(Step(letters[k], s, seeds[k]) for k, s in enumerate(chosen)),
        spares=tuple(zip(letters[presses:], seeds[presses:], strict=True)),
    )


def _check_ranges(time_s: tuple[float, float], temperature_c: tuple[float, float] | None, limits: MakerLimits) -> None:
    low, high = time_s
    if not 0 < low < high <= MAX_SECONDS:
        raise UsageError(f"times from {low:g} to {high:g} s are no range", "write the shorter one first: 60..240s")
    if high > limits.time_s:
        raise UsageError(
            f"{high:g} s is longer than the makers allow ({limits.time_s:g} s)",
            f"end {reader.option('time')} at or below {reader.option('max-time')}",
        )
    if temperature_c is None:
        return
    cool, hot = temperature_c
    if not 0 < cool <= hot <= MAX_TEMPERATURE_C:
        raise UsageError(
            f"temperatures from {reader.heat(cool)} to {reader.heat(hot)} are no range", "write the lower one first"
        )
    if hot > limits.temperature_c + 1e-6:
        raise UsageError(
            f"{reader.heat(hot)} is hotter than the makers allow ({reader.heat(limits.temperature_c)})",
            f"end {reader.option('temperature')} at or below {reader.option('max-temperature')}",
        )


def _levels(low: float, high: float, count: int) -> list[float]:
    """Evenly spaced times, rounded to 5 s where the range allows it; never outside the range."""
    even = np.linspace(low, high, count)
    step = _ROUND_S if (high - low) / (count - 1) >= 2 * _ROUND_S else 1.0
    inner = [float(min(max(step * round(v / step), low), high)) for v in even[1:-1]]
    return [float(low), *inner, float(high)]


def _letters(k: int) -> str:
    """Name the k-th step: A to Z, then AA."""
    more, at = divmod(k, 26)
    return (_letters(more - 1) if more else "") + string.ascii_uppercase[at]


def _spread(
    time_s: tuple[float, float],
    temperature_c: tuple[float, float] | None,
    pressures: tuple[str, ...],
    n: int,
    seed: int,
) -> list[Settings]:
    """Bayesian D-optimal choice by exchange from several random starts."""
    times = _levels(*time_s, 5)
    cool, hot = temperature_c or (math.nan, math.nan)
    heat = [math.nan] if temperature_c is None else [cool] if cool == hot else [cool, (cool + hot) / 2, hot]
    lattice = [(t, c, p) for t in times for c in heat for p in (pressures or ("",))]
    x = np.array([(t - time_s[0]) / (time_s[1] - time_s[0]) * 2 - 1 for t, _, _ in lattice])
    z = np.array([0.0 if len(heat) == 1 else (c - cool) / (hot - cool) * 2 - 1 for _, c, _ in lattice])
    terms = [np.ones_like(x), x, x**2, x**3] + ([z, z**2, x * z, x**2 * z] if len(heat) > 1 else [])
    terms += [np.array([float(q == p) for _, _, q in lattice]) for p in pressures[1:]]
    rows = np.column_stack(terms)
    prior = np.diag([1e-6] * 2 + [0.05] * (rows.shape[1] - 2))
    rng = np.random.default_rng([seed, 5])

    best: tuple[float, Any] = (-math.inf, None)
    for _ in range(8):
        pick = rng.choice(len(lattice), n, replace=n > len(lattice))
        moved = True
        while moved:
            moved = False
            for k in range(n):
                others = np.delete(pick, k)
                rest = np.linalg.inv(rows[others].T @ rows[others] + prior)
                worth = np.einsum("ij,jk,ik->i", rows, rest, rows)  # det grows by 1 + this
                if worth.max() > worth[pick[k]] * (1 + 1e-9) + 1e-12:
                    pick[k], moved = int(np.argmax(worth)), True
        at = float(np.linalg.slogdet(rows[pick].T @ rows[pick] + prior)[1])
        if at > best[0]:
            best = (at, pick)
    return [
        Settings(t, None if math.isnan(c) else round(c, 1), p)
        for t, c, p in (lattice[int(k)] for k in np.sort(best[1]))
    ]


# ---------------------------------------------------------------- plan ⇄ JSON


def parse_really(given: Sequence[str]) -> dict[str, tuple[float, float | None, str]]:
    """Read what was really set, each ``A=92s,196C,firm``: name → seconds, °C or None, pressure or ''.

    Raises
    ------
    UsageError
        It is not understood.
    """
    out: dict[str, tuple[float, float | None, str]] = {}
    for text in given:
        name, equal, rest = text.partition("=")
        words = [w.strip() for w in rest.split(",") if w.strip()]
        if not equal or not name.strip() or not 1 <= len(words) <= 3:
            raise UsageError(f"{reader.option('at')} '{text[:40]}' is not understood", "write A=92s or A=92s,196C")
        heat: float | None = None
        pressure = ""
        for w in words[1:]:
            if w.lower() in PRESSURES:
                pressure = w.lower()
            else:
                heat = parse_temperature(w)
        out[name.strip()] = (parse_seconds(words[0]), heat, pressure)
    return out


def plan_to_dict(p: LadderPlan) -> dict[str, Any]:
    """Turn a plan into JSON."""
    return {
        "schema": SCHEMA,
        **picked(p, "name time_s temperature_c pressures max_time_s=limits.time_s"),
        **picked(p, "max_temperature_c=limits.temperature_c size_mm shape view seed"),
        "steps": [{"name": s.name, **asdict(s.settings), "target_seed": s.target_seed} for s in p.steps],
        "spares": [{"name": n, "target_seed": k} for n, k in p.spares],
    }


Seconds = Annotated[float, msgspec.Meta(gt=0, le=MAX_SECONDS)]
Heat = Annotated[float, msgspec.Meta(gt=0, le=MAX_TEMPERATURE_C)]


class StepInFile(msgspec.Struct, frozen=True):
    """One step of a plan file."""

    name: str
    time_s: Seconds
    temperature_c: Heat | None
    pressure: Literal["", "light", "medium", "firm"]
    target_seed: int


class SpareInFile(msgspec.Struct, frozen=True):
    """One target to spare."""

    name: str
    target_seed: int


class PlanFile(msgspec.Struct, frozen=True):
    """A plan file as `ladder plan` writes it, within what a press can do."""

    name: str
    time_s: tuple[float, float]
    temperature_c: tuple[float, float] | None
    pressures: tuple[str, ...]
    max_time_s: Seconds
    max_temperature_c: Heat
    size_mm: tuple[float, float]
    shape: str
    view: str
    seed: int
    steps: Annotated[list[StepInFile], msgspec.Meta(min_length=1)]
    spares: list[SpareInFile]


def load_plan(path: str | Path) -> LadderPlan:
    """Read a plan back.

    Raises
    ------
    FileError
        It is missing or cannot be read.
    DataError
        It is not a plan, a damaged one, or one that goes beyond its own limits.
    """
    todo = "give the plan.json that 'ladder plan' wrote"
    data = read_json(path, "a ladder plan", todo=todo)
    name = Path(path).name
    if not str(data.get("schema", "")).startswith("colorcheck-ladder/"):
        raise DataError(f"{name} is not a ladder plan", todo)
    d = shaped(data, PlanFile, f"{name} is a damaged ladder plan", "plan the series again")
    plan = LadderPlan(
        name=d.name,
        time_s=d.time_s,
        temperature_c=d.temperature_c,
        pressures=d.pressures,
        limits=MakerLimits(d.max_time_s, d.max_temperature_c),
        size_mm=d.size_mm,
        shape=d.shape,
        view=d.view,
        seed=d.seed,
        steps=tuple(Step(s.name, Settings(s.time_s, s.temperature_c, s.pressure), s.target_seed) for s in d.steps),
        spares=tuple((s.name, s.target_seed) for s in d.spares),
    )
    try:
        _check_ranges(plan.time_s, plan.temperature_c, plan.limits)
    except UsageError as e:
        raise DataError(f"{name} is a damaged ladder plan ({e.message[:160]})", "plan the series again") from e
    if len({s.name for s in plan.steps}) < len(plan.steps):
        raise DataError(f"{name} is a damaged ladder plan (two steps of one name)", "plan the series again")
    return plan


# ---------------------------------------------------------------- what came out


def common_density(
    device_rgb: Sequence[Floats],
    density: Sequence[Floats],
    usable: Sequence[Mask],
    *,
    least: float = 0.15,
    most: float = 1.3,
) -> Floats:
    """Mean density of the colours that every piece of a series shows well, (n,); (n, c) for c columns.

    Parameters
    ----------
    device_rgb : n arrays (k, 3)
        Of each piece's cells; their order may differ.
    density : n arrays (k,)
        Visual density of the cells; or (k, c), further columns for other lights.
    usable : n arrays (k,) bool
    least, most : float
        Colours paler or darker than this on the piece with most dye are left out: they hardly answer, or hold
        the veil and the mirrored room.

    Returns
    -------
    (n,) or (n, c) float
        NaN all through when the pieces have fewer than three such colours in common.

    Notes
    -----
    Greys are taken where there are three or more: their density follows the dye in proportion, that of
    strong colours bends (a share of 0.48 of the dye gave 0.52 of the greys' density, 0.57 of all cells' and 0.69 of
    magenta's, on simulated pieces). The mean over cells repeats to about 0.1–0.2 %, black alone no better and with the
    room in it.
    """
    tables: list[dict[tuple[int, ...], Floats]] = []
    for rgb, d, ok in zip(device_rgb, density, usable, strict=True):
        sums: dict[tuple[int, ...], list[Floats]] = {}
        for colour, value, good in zip(np.asarray(rgb).astype(int).tolist(), d, ok, strict=True):
            if good and np.isfinite(value).all():
                sums.setdefault(tuple(colour), []).append(np.atleast_1d(value))
        tables.append({c: np.mean(v, axis=0) for c, v in sums.items()})
    shared = sorted(set.intersection(*(set(t) for t in tables))) if tables else []
    columns = np.shape(density[0])[1:]
    if not shared:
        return np.full((len(tables), *columns), np.nan)
    grid = np.array([[t[c] for c in shared] for t in tables])
    top = grid[:, :, 0].max(axis=0)
    fit = (top >= least) & (top <= most)
    grey = fit & np.array([max(c) - min(c) <= 20 for c in shared])
    grid = grid[:, grey if grey.sum() >= 3 else fit]
    if grid.shape[1] < 3:
        return np.full((len(tables), *columns), np.nan)
    return np.asarray(grid.mean(axis=1).reshape(len(tables), *columns))


# ---------------------------------------------------------------- the rise


def approach(t: Any, top: Any, start: Any, pace: Any, shape: Any) -> Floats:
    """Level of a saturating rise: ``top · (1 − exp(−((t − start)/pace)^shape))``, nought before ``start``."""
    return np.asarray(-top * np.expm1(-((np.maximum(t - start, 0.0) / pace) ** shape)))


# ---------------------------------------------------------------- posterior draws


def _stretch(log_p: Any, first: Floats, rng: np.random.Generator, *, sweeps: int, keep: int) -> Floats:
    """Draw from a density by the stretch move of Goodman and Weare (2010); (keep · walkers, d)."""
    x = first.copy()
    lp = log_p(x)
    n, d = x.shape
    half = n // 2
    out = []
    for sweep in range(sweeps):
        for one, other in ((slice(0, half), slice(half, n)), (slice(half, n), slice(0, half))):
            mates = x[other][rng.integers(0, half, half)]
            z = (1.0 + rng.random(half)) ** 2 / 2.0  # density ∝ 1/√z between ½ and 2
            trial = mates + z[:, None] * (x[one] - mates)
            new = log_p(trial)
            take = np.log(rng.random(half)) < (d - 1) * np.log(z) + new - lp[one]
            x[one] = np.where(take[:, None], trial, x[one])
            lp[one] = np.where(take, new, lp[one])
        if sweep >= sweeps - keep:
            out.append(x.copy())
    return np.concatenate(out)


@dataclass(frozen=True, slots=True, eq=False)
class _Rise:
    """Draws of the rise: columns log A, t0, log τ, log m, log σ, β per °C, log c of the further pressures."""

    draws: Floats
    warm: float
    pressures: tuple[str, ...]

    def pace(self, temperature: float | None, pressure: str) -> Floats:
        """Draws of log τ at these settings, (s,)."""
        d = self.draws
        out = d[:, 2] - (0.0 if temperature is None else (temperature - self.warm)) * d[:, 5]
        if pressure in self.pressures[1:]:
            out = out + d[:, 5 + self.pressures.index(pressure)]
        return np.asarray(out)

    def level(self, s: Settings) -> Floats:
        """Draws of the density at these settings, (s,)."""
        pace = np.exp(self.pace(s.temperature_c, s.pressure))
        return approach(s.time_s, np.exp(self.draws[:, 0]), self.draws[:, 1], pace, np.exp(self.draws[:, 3]))

    def enough(self, temperature: float | None, pressure: str, within: float) -> Floats:
        """Draws of the shortest time within a share of the plateau, (s,)."""
        shape = np.exp(self.draws[:, 3])
        return np.asarray(
            self.draws[:, 1] + np.exp(self.pace(temperature, pressure)) * (-math.log(within)) ** (1 / shape)
        )


def _draw_rise(pressed: Sequence[Pressed], rng: np.random.Generator, *, sweeps: int) -> _Rise:
    t = np.array([p.settings.time_s for p in pressed])
    y = np.array([p.density for p in pressed])
    u = np.array([p.density_u for p in pressed])
    heat = np.array([math.nan if p.settings.temperature_c is None else p.settings.temperature_c for p in pressed])
    warm = float(np.nanmean(heat)) if np.isfinite(heat).any() else 0.0
    dev = np.nan_to_num(heat - warm)
    names = tuple(q for q in PRESSURES if any(p.settings.pressure == q for p in pressed)) or ("",)
    hot = bool(np.ptp(dev) > 0.5)
    mark = np.array([[float(p.settings.pressure == q) for q in names[1:]] for p in pressed]).reshape(len(t), -1)
    long, size = float(t.max()), float(np.max(y))
    d = 6 + len(names) - 1
    live = np.array([True] * 5 + [hot] + [True] * (len(names) - 1))
    mean = np.array(
        [math.log(size), 0.0, math.log(0.25 * long), 0.0, math.log(_PIECE_SHARE * size), 0.03] + [0.0] * (d - 6)
    )
    wide = np.array([0.15, 1.0, 0.8, 0.3, 0.6, 0.03] + [0.3] * (d - 6))
    latest = float(np.sort(t)[1]) if y.min() < 0.1 * size else float(t.min())

    def log_p(x: Floats) -> Floats:
        full = np.zeros((len(x), d))
        full[:, live] = x
        if not hot:
            full[:, 5] = 0.0
        a, t0, tau, m, s = full[:, 0], full[:, 1], full[:, 2], full[:, 3], full[:, 4]
        bad = (t0 < 0) | (t0 > latest) | (np.abs(full[:, 2] - mean[2]) > 4) | (np.abs(m) > 1.2)
        rest = (full - mean) / wide
        rest[:, 1] = 0.0
        if not hot:
            rest[:, 5] = 0.0
        prior = -0.5 * (rest**2).sum(axis=1)
        pace = tau[:, None] - full[:, 5:6] * dev + (full[:, 6:] @ mark.T if d > 6 else 0.0)
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            shape = np.exp(np.clip(m, -2, 2))[:, None]
            seen = approach(t, np.exp(a)[:, None], np.where(bad, 0.0, t0)[:, None], np.exp(pace), shape)
            var = np.exp(2 * s)[:, None] + u**2
            like = -0.5 * np.log(var) - 0.5 * (_T_DOF + 1) * np.log1p((seen - y) ** 2 / (_T_DOF * var))
            total = prior + like.sum(axis=1)
        return np.where(bad | ~np.isfinite(total), -np.inf, total)

    walkers = 96
    first = mean + 0.5 * wide * rng.standard_normal((4000, d))
    first[:, 1] = rng.uniform(0, latest, 4000)
    lp = log_p(first[:, live])
    best = np.argsort(-lp)[: walkers // 2]
    weight = np.exp(lp - lp.max())
    more = rng.choice(len(first), walkers - len(best), p=weight / weight.sum())
    start = first[np.concatenate([best, more])][:, live]
    start = start + 1e-3 * wide[live] * rng.standard_normal(start.shape)
    start[:, 1] = np.clip(start[:, 1], 1e-3, latest)
    order = rng.permutation(walkers)
    got = _stretch(log_p, start[order], rng, sweeps=sweeps, keep=sweeps // 2)
    got = got[rng.choice(len(got), min(4000, len(got)), replace=False)]
    draws = np.zeros((len(got), d))
    draws[:, live] = got
    return _Rise(draws, warm, names)


def _slowest(pressed: Sequence[Pressed], within: float, sweeps: int, seed: int) -> tuple[list[Pressed], Light, float]:
    """Weigh the greys in the light that takes longest; also its name, and by how much it lags behind the quickest.

    One seed for the three lights: what differs between them is then what was seen.
    """
    if any(p.rgb_density is None for p in pressed):
        return list(pressed), "", 0.0
    cells = {(p.settings.temperature_c, p.settings.pressure) for p in pressed}
    views, enough = [], []
    for k in range(len(_LIGHTS)):
        views.append([replace(p, density=p.rgb_density[k]) for p in pressed if p.rgb_density is not None])
        rise = _draw_rise(views[k], np.random.default_rng([seed, len(pressed)]), sweeps=sweeps)
        enough.append(float(np.mean([np.median(rise.enough(t, q, within)) for t, q in cells])))
    k = int(np.argmax(enough))
    return views[k], _LIGHTS[k], enough[k] - min(enough)


def _draw_harm(
    pressed: Sequence[Pressed],
    value: Floats,
    std: float,
    limit: float,
    seen: Sequence[bool | None],
    rng: np.random.Generator,
    count: int,
) -> Any:
    """Draws of the time at which a slow harm passes its limit: a function of temperature → (count,).

    The harm is ``base + limit · (t / reach)^q · exp(κ (T − T0))``, with a flat base, reach spread over 0.3 to 6 times
    the longest press on a log scale, q from 1 to 6 and κ about 0.06 per °C (doubling in 12 °C; estimate). What only
    the eye saw counts by its probability, with half the limit as the eye's own doubt.
    """
    n = 6000
    t = np.array([p.settings.time_s for p in pressed])
    heat = np.array([math.nan if p.settings.temperature_c is None else p.settings.temperature_c for p in pressed])
    warm = float(np.nanmean(heat)) if np.isfinite(heat).any() else 0.0
    dev = np.nan_to_num(heat - warm)
    long = float(t.max())
    reach = long * np.exp(rng.uniform(math.log(0.3), math.log(6.0), n))
    q = rng.uniform(1.0, 6.0, n)
    kappa = rng.normal(0.06, 0.03, n) * float(np.ptp(dev) > 0.5)
    rise = limit * (t / reach[:, None]) ** q[:, None] * np.exp(kappa[:, None] * dev)
    like = np.zeros(n)
    known = np.isfinite(value)
    if known.sum() >= 2:
        rest = value[known] - rise[:, known]
        rest = rest - np.median(rest, axis=1, keepdims=True)
        like += -0.5 * (_T_DOF + 1) * np.log1p(rest**2 / (_T_DOF * std**2)).sum(axis=1)
    for k, eye in enumerate(seen):
        if eye is not None:
            p = 1 / (1 + np.exp(-1.7 * (rise[:, k] - limit) / (0.5 * limit)))
            like += np.log(np.clip(p if eye else 1 - p, 1e-9, 1.0))
    weight = np.exp(like - like.max())
    pick = rng.choice(n, count, p=weight / weight.sum())
    reach, q, kappa = reach[pick], q[pick], kappa[pick]

    def until(temperature: float | None) -> Floats:
        change = 0.0 if temperature is None else temperature - warm
        return np.asarray(reach * np.exp(-kappa * change / q))

    return until


# ---------------------------------------------------------------- the answer


def fit_ladder(
    pressed: Sequence[Pressed],
    *,
    limits: MakerLimits,
    step_s: float,
    within: float = WITHIN,
    yellow_b: float = YELLOW_B,
    wider_mm: float = WIDER_MM,
    sweeps: int = 1200,
    seed: int = 0,
) -> LadderFit:
    """Find the shortest time on the plateau, how sure that is, and the press that would tell most.

    Parameters
    ----------
    pressed : sequence of Pressed
        At least four, at three times or more.
    limits : MakerLimits
        Nothing beyond is ever named as best or as next.
    step_s : float
        Distance between the times of the series; an interval within ± one step counts as decided.
    within : float
        How close to the plateau is on it, as a share of it.
    yellow_b, wider_mm : float
        Rise of b* and widening of edges that count as harm.
    sweeps : int
        Length of the chains.
    seed : int
        Of the random numbers; one seed, one answer.

    Returns
    -------
    LadderFit

    Raises
    ------
    DataError
        Too few presses, times or densities.
    """
    pressed = tuple(sorted(pressed, key=lambda p: (p.settings.time_s, p.settings.temperature_c or 0.0, p.name)))
    good = [p for p in pressed if math.isfinite(p.density)]
    if len(good) < MIN_PRESSES or len({p.settings.time_s for p in good}) < 3:
        raise DataError(
            f"{len(good)} presses at {len({p.settings.time_s for p in good})} times are too few for a step test",
            f"read at least {MIN_PRESSES} pieces at three times or more",
        )
    if max(p.density for p in good) <= 0.02:
        raise DataError("no dye was found on any piece", "check that the targets were printed and pressed")
    good, light, lag_s = _slowest(good, within, max(sweeps // 3, 200), seed)
    rng = np.random.default_rng([seed, len(good)])
    rise = _draw_rise(good, rng, sweeps=sweeps)
    count = len(rise.draws)
    harms: dict[str, Any] = {}
    b = np.array([p.yellow_b for p in good])
    looked = [p.looked_yellow for p in good]
    knows_yellow = bool(np.isfinite(b).sum() >= 3 or any(s is not None for s in looked))
    if knows_yellow:
        harms["yellow"] = _draw_harm(good, b, _YELLOW_STD, yellow_b, looked, rng, count)
    local = np.array([p.scorch_b for p in good])
    if np.isfinite(local).sum() >= 3:
        harms["scorch"] = _draw_harm(good, local, _YELLOW_STD, yellow_b, [None] * len(good), rng, count)
    edge = np.array([p.edge_mm for p in good])
    knows_edges = bool(np.isfinite(edge).sum() >= 3)
    if knows_edges:
        harms["edges"] = _draw_harm(good, edge, _WIDER_STD, wider_mm, [None] * len(good), rng, count)
    longest = max(p.settings.time_s for p in good)
    cells = list(dict.fromkeys((p.settings.temperature_c, p.settings.pressure) for p in good))
    recipes = [
        _recipe(rise, harms, t, q, within, limits, longest) for t, q in sorted(cells, key=lambda c: (c[0] or 0, c[1]))
    ]
    best = _choose(recipes)
    status, harm = _status(best, good, rise, harms, limits, within, step_s)
    s = best.settings
    times = np.linspace(0.0, max(longest, min(s.time_s, 1.2 * longest)) * 1.06, 120)
    curves = np.array([rise.level(replace(s, time_s=float(t))) for t in times])
    seen = np.array([rise.level(p.settings) for p in good])
    middle = np.median(seen, axis=1)
    scatter = float(np.median(np.exp(rise.draws[:, 4])))
    spread = np.sqrt(seen.var(axis=1) + scatter**2)
    share_of = {p.name: p.density / float(np.median(np.exp(rise.draws[:, 0]))) for p in good}
    far = {p.name: abs(p.density - m) > 3.5 * u for p, m, u in zip(good, middle, spread, strict=True)}
    plateau = np.exp(rise.draws[:, 0])
    weighed = iter(good)
    return LadderFit(
        pressed=tuple(next(weighed) if math.isfinite(p.density) else p for p in pressed),
        status=status,
        best=best,
        recipes=tuple(recipes),
        plateau=float(np.median(plateau)),
        plateau_std=float(plateau.std()),
        scatter=scatter,
        times=times,
        level=np.median(curves, axis=1),
        level_low=np.percentile(curves, 5, axis=1),
        level_high=np.percentile(curves, 95, axis=1),
        share=np.array([share_of.get(p.name, math.nan) for p in pressed]),
        odd=np.array([far.get(p.name, False) for p in pressed]),
        harm=harm,
        knows_yellow=knows_yellow,
        knows_edges=knows_edges,
        next=_next_press(rise, good, best, status, harms, limits, within, step_s, rng),
        within=within,
        step_s=step_s,
        limits=limits,
        light=light,
        lag_s=lag_s,
        begins_s=tuple(float(v) for v in np.percentile(rise.draws[:, 1], [5, 50, 95])),  # type: ignore[arg-type]
        harm_s={
            k: tuple(float(v) for v in np.percentile(f(s.temperature_c), [5, 50, 95]))  # type: ignore[misc]
            for k, f in harms.items()
        },
    )


def _recipe(
    rise: _Rise,
    harms: dict[str, Any],
    temperature: float | None,
    pressure: str,
    within: float,
    limits: MakerLimits,
    longest: float,
) -> BestTime:
    enough = rise.enough(temperature, pressure, within)
    until = np.full(len(enough), np.inf)
    for f in harms.values():
        until = np.minimum(until, f(temperature))
    low, mid, high = np.percentile(enough, [50 - 50 * _LEVELS, 50, 50 + 50 * _LEVELS])
    safe = float(np.median(until)) if harms else math.inf
    return BestTime(
        settings=Settings(min(_to_five(float(mid)), limits.time_s), temperature, pressure),
        low_s=float(low),
        high_s=float(high),
        safe_until_s=safe if safe < 1.5 * longest else math.inf,
        p_safe=float(np.mean(enough <= np.minimum(until, limits.time_s))),
    )


def _to_five(seconds: float) -> float:
    return _ROUND_S * max(1, round(seconds / _ROUND_S))


def _choose(recipes: Sequence[BestTime]) -> BestTime:
    """Shortest of those that are probably safe; of times that cannot be told apart, the cooler."""
    top = max(r.p_safe for r in recipes)
    safe = [r for r in recipes if r.p_safe >= min(0.8, top)]
    short = min(safe, key=lambda r: r.settings.time_s)
    alike = [r for r in safe if r.settings.time_s - short.settings.time_s <= _ROUND_S]
    return min(alike, key=lambda r: (r.settings.temperature_c or 0.0, r.settings.time_s))


def _status(
    best: BestTime,
    good: Sequence[Pressed],
    rise: _Rise,
    harms: dict[str, Any],
    limits: MakerLimits,
    within: float,
    step_s: float,
) -> tuple[str, str]:
    s = best.settings
    here = [p for p in good if (p.settings.temperature_c, p.settings.pressure) == (s.temperature_c, s.pressure)]
    longest, shortest = max(p.settings.time_s for p in here), min(p.settings.time_s for p in good)
    enough = rise.enough(s.temperature_c, s.pressure, within)
    middle = float(np.median(enough))
    until = {k: float(np.median(f(s.temperature_c))) for k, f in harms.items()}
    first = min(until, key=lambda k: until[k]) if until else ""
    size = max(p.density for p in good)
    if size - min(p.density for p in good) < 2.5 * within * size and middle <= shortest:
        return "flat", ""
    if until and until[first] < middle:
        return "harmed", first
    if middle > limits.time_s:
        return "rising", "limit"
    if middle > longest:
        return "rising", ""
    if middle < shortest:
        return "flat", ""
    return ("found" if (best.high_s - best.low_s) / 2 <= step_s else "wide"), first if until else ""


def _next_press(
    rise: _Rise,
    good: Sequence[Pressed],
    best: BestTime,
    status: str,
    harms: dict[str, Any],
    limits: MakerLimits,
    within: float,
    step_s: float,
    rng: np.random.Generator,
) -> NextPress | None:
    """Choose the press after which the best time is expected to be known best.

    For every candidate, outcomes are drawn from the present belief and the draws weighed by each; the mean of the
    standard deviations that remain is the candidate's worth (Lindley, Ann. Math. Stat. 27(4) 986–1005, 1956: the
    worth of an experiment before it is made).
    """
    s = best.settings
    now = (best.high_s - best.low_s) / 2
    until = min((float(np.median(f(s.temperature_c))) for f in harms.values()), default=math.inf)
    if status == "harmed":
        return None
    if status == "found" and 0.1 < best.p_safe < 0.9 and until < limits.time_s:
        return NextPress(replace(s, time_s=_inside(until, good, limits)), "yellow", now, now)
    if status == "found":
        return None
    low, high = min(p.settings.time_s for p in good), max(p.settings.time_s for p in good)
    reach = high if status == "flat" else min(limits.time_s, high + 3 * step_s)
    first = max(10.0, 0.4 * low) if status == "flat" else low  # far below the rise the form of the curve would decide
    times = np.arange(_ROUND_S * math.ceil(first / _ROUND_S), reach + 1e-6, _ROUND_S)
    cells = list(dict.fromkeys((p.settings.temperature_c, p.settings.pressure) for p in good))
    pick = rng.choice(len(rise.draws), min(500, len(rise.draws)), replace=False)
    part = _Rise(rise.draws[pick], rise.warm, rise.pressures)
    enough = part.enough(s.temperature_c, s.pressure, within)
    noise = float(np.median(np.exp(part.draws[:, 4])))
    spread = float(np.std(enough))
    best_left, best_at = math.inf, None
    for temperature, pressure in cells:
        for t in times:
            at = Settings(float(t), temperature, pressure)
            seen = part.level(at)
            outcome = seen[:40] + noise * rng.standard_normal(40)
            w = np.exp(-0.5 * ((outcome[:, None] - seen) / noise) ** 2) + 1e-12
            w /= w.sum(axis=1, keepdims=True)
            mean = w @ enough
            left = float(np.mean(np.sqrt(np.maximum(w @ enough**2 - mean**2, 0.0))))
            if left < best_left:
                best_left, best_at = left, at
    if best_at is None:
        return None
    why = "longer" if best_at.time_s > high else "shorter" if best_at.time_s < low else "narrow"
    return NextPress(best_at, why, now, now * min(best_left / max(spread, 1e-9), 1.0))


def _inside(seconds: float, good: Sequence[Pressed], limits: MakerLimits) -> float:
    low = min(p.settings.time_s for p in good)
    return min(max(_ROUND_S * math.floor(seconds / _ROUND_S), low), limits.time_s)
