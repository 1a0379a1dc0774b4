"""How long the coat takes to get hot, and what follows for pressing a piece again.

One-dimensional heat flow. The platen heats one face of the glass through a contact resistance; the other face lies on a
pad, which takes up heat itself and stands on a base plate in the air of the room. The coat is a film too thin to matter
and takes the temperature of the face it sits on:

- heated from the ``back``: platen, glass, coat, pad. The coat is on the far face and lags behind.
- heated from the ``coat``: platen, paper, coat, glass, pad. The coat is on the near face, but paper resists more.

What lies in the press is rarely known. So there is not one build-up but a row of them, from the fastest (felt behind,
close contact, light glass) to the slowest (10 mm of dense silicone, poor contact, heavy glass), with a silicone sponge
near the middle: the middle gives the seconds, the ends their range. A warm-up time seen on this press picks its place
in the row. Moisture and the sideways flow at the rim are left out: the numbers are for the middle of a piece, and a rim
runs some degrees cooler. They say how long, never that a piece will survive it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from itertools import islice, pairwise
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from ..ground import reader
from ..ground.errors import UsageError
from ..ground.recipe import MakerLimits, Recipe, check_limits

HeatedFace = Literal["back", "coat"]

GLASS_CONDUCTIVITY_W_MK = 1.0  # soda-lime glass, EN ISO 10456:2007, table 3 (CIBSE Guide A, table 3.36: 1.05)
GLASS_DENSITY_KG_M3 = 2500.0  # the same tables
GLASS_HEAT_J_KGK = 820.0  # EN ISO 10456: 750; CIBSE Guide A: 840, both near room temperature; 880 when hot (estimate)

# Resistance between platen and glass face in m²K/W: bare glass, and a coat under its paper. Common practice.
CONTACT_M2K_W: dict[HeatedFace, float] = {"back": 1e-3, "coat": 2e-3}
LOSS_W_M2K = 10.0  # from the base plate to the air of the room; estimate (still air and radiation)
ROOM_C = 20.0

COAT_TARGET_C = 180.0  # below about this the dye transfers slowly; common practice, no source
BELOW_PLATEN_C = 15.0  # with a cooler platen the coat counts as hot this far below it; estimate
COLDEST_TARGET_C = 160.0  # and below this never; common practice, no source
HOLD_SECONDS = 30.0  # extra time at temperature of a re-press; common practice, no source
LEAST_HOLD_SECONDS = 10.0  # less than this is not worth the risk; estimate
HOLD_SHARE = 0.5  # at temperature at most so much of the recipe's time; common practice, no source
RECIPE_FACTOR = 1.5  # never longer in the press than so many times the recipe; common practice, no source
THINNEST_MM, THICKEST_MM = 2.0, 12.0  # glass the model was tried on

_UNTOLD = MakerLimits()
_GLASS_ALONE = None
_LAYERS = 48
_PAD_LAYERS = 24
_STEPS_PER_TAU = 500
_LONGEST_S = 3600.0  # a coat that is cold after this long stays so
_LEARNED = 1.3  # factor either way: when dye begins is not exactly when the coat is hot; estimate


@dataclass(frozen=True, slots=True)
class Pad:
    """What lies behind the glass: conductivity (W/mK), heat (J/m³K), thickness (m), heat of the plate below (J/m²K)."""

    conductivity_w_mk: float
    heat_j_m3k: float
    thickness_m: float
    base_j_m2k: float = 0.0


@dataclass(frozen=True, slots=True)
class BuildUp:
    """One way in which a piece may lie in the press.

    Factors are against `CONTACT_M2K_W`, `GLASS_CONDUCTIVITY_W_MK`, `GLASS_DENSITY_KG_M3` × `GLASS_HEAT_J_KGK` and the
    thickness that was told.
    """

    contact: float = 1.0
    conductivity: float = 1.0
    heat: float = 1.0
    thickness: float = 1.0
    pad: Pad | None = None


_ALONE = BuildUp()

# Ends of the row. Pads: EN ISO 10456:2007 and EN ISO 10077-2:2003, tables of materials: felt underlay 120 kg/m³,
# 0.05 W/mK, 1300 J/kgK; silicone 1200 kg/m³, 0.35 W/mK, 1000 J/kgK (heats from memory). Their geometric middle has
# 0.13 W/mK and 4.3e5 J/m³K: silicone foam in the same tables has 0.12 W/mK and 7.5e5 J/m³K. The rest: estimates;
# ±0.2 mm is the tolerance of 4 to 6 mm float glass (EN 572-2, from memory).
FASTEST = BuildUp(1 / 1.4, 1.08, 760 / GLASS_HEAT_J_KGK, 0.96, Pad(0.05, 1.56e5, 0.010, 1e4))
SLOWEST = BuildUp(1.6, 0.94, 885 / GLASS_HEAT_J_KGK, 1.05, Pad(0.35, 1.2e6, 0.010, 2e4))
LIKELIEST = 0.5  # silicone foam, about


def build_up(place: float) -> BuildUp:
    """Give the build-up at a ``place`` in the row, 0 fastest to 1 slowest; every property goes in equal ratios."""

    def between(a: float, b: float) -> float:
        return float(a ** (1 - place) * b**place)

    fast, slow = FASTEST.pad, SLOWEST.pad
    assert fast is not None
    assert slow is not None
    return BuildUp(
        between(FASTEST.contact, SLOWEST.contact),
        between(FASTEST.conductivity, SLOWEST.conductivity),
        between(FASTEST.heat, SLOWEST.heat),
        between(FASTEST.thickness, SLOWEST.thickness),
        Pad(
            between(fast.conductivity_w_mk, slow.conductivity_w_mk),
            between(fast.heat_j_m3k, slow.heat_j_m3k),
            between(fast.thickness_m, slow.thickness_m),
            between(fast.base_j_m2k, slow.base_j_m2k),
        ),
    )


def _checked(name: str, value: float, low: float, high: float, unit: str) -> float:
    """Return a number that lies in its range, or say so."""
    if not (math.isfinite(value) and low <= value <= high):
        raise UsageError(f"{name} {value:g} {unit} is out of range", f"give {low:g} to {high:g} {unit}")
    return float(value)


@dataclass(frozen=True, slots=True)
class _Slab:
    """Everything the solution needs, checked and in SI units; °C."""

    glass_m: float
    conductivity: float
    heat: float
    contact: float
    pad: Pad | None
    loss: float
    platen_c: float
    start_c: float
    room_c: float
    face: HeatedFace

    @property
    def time_scale(self) -> float:
        """Seconds that are never shorter than the slowest decay of the glass alone."""
        return self.heat * self.glass_m * (self.contact + self.glass_m / self.conductivity)

    @property
    def steady_c(self) -> tuple[float, float]:
        """Temperature at which the heated face and the far face of the glass end: resistances in series."""
        behind = 0.0 if self.pad is None else self.pad.thickness_m / self.pad.conductivity_w_mk
        through = self.contact + self.glass_m / self.conductivity + behind
        flow = (self.platen_c - self.room_c) * self.loss / (1.0 + self.loss * through)
        near = self.platen_c - flow * self.contact
        return near, near - flow * self.glass_m / self.conductivity


def _slab(
    *,
    glass_mm: float,
    heated_face: HeatedFace,
    platen_c: float,
    start_c: float,
    room_c: float,
    contact_m2k_w: float | None,
    loss_w_m2k: float,
    build: BuildUp,
) -> _Slab:
    """Check what was given; UsageError where a value is out of range."""
    if heated_face not in get_args(HeatedFace):
        raise UsageError(f"heated face {heated_face!r} is not known", "give 'back' or 'coat'")
    contact = CONTACT_M2K_W[heated_face] if contact_m2k_w is None else contact_m2k_w
    return _Slab(
        glass_m=_checked("glass thickness", glass_mm, 0.3, 100.0, "mm") / 1000.0 * build.thickness,
        conductivity=GLASS_CONDUCTIVITY_W_MK * build.conductivity,
        heat=GLASS_DENSITY_KG_M3 * GLASS_HEAT_J_KGK * build.heat,
        contact=_checked("contact resistance", contact, 1e-9, 1.0, "m²K/W") * build.contact,
        pad=build.pad,
        loss=_checked("heat loss", loss_w_m2k, 0.0, 1e4, "W/m²K"),
        platen_c=_checked("platen temperature", platen_c, 0.0, 400.0, "°C"),
        start_c=_checked("piece temperature", start_c, -30.0, 400.0, "°C"),
        room_c=_checked("room temperature", room_c, -30.0, 400.0, "°C"),
        face=heated_face,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Stepper:
    """One time step as matrices: temperature = propagator @ temperature + drive."""

    propagator: NDArray[np.float64]
    drive: NDArray[np.float64]
    damped: NDArray[np.float64]
    damped_drive: NDArray[np.float64]


def _stepper(slab: _Slab, *, layers: int, step: float) -> _Stepper:
    """Set up Crank-Nicolson for glass and pad; nodes lie on layer borders, half layers at the ends.

    Crank & Nicolson, Proc. Camb. Phil. Soc. 43 (1947) 50-67. The small system is solved once; every step is
    then one product. `damped` is the same step as two implicit Euler half steps, with which to begin, so
    that the jump at the heated face does not ring (Rannacher, Numer. Math. 43 (1984) 309-327).
    """
    dx = np.full(layers, slab.glass_m / layers)
    k, c = np.full(layers, slab.conductivity), np.full(layers, slab.heat)
    if slab.pad is not None:
        p = slab.pad
        dx = np.append(dx, np.full(_PAD_LAYERS, p.thickness_m / _PAD_LAYERS))
        k = np.append(k, np.full(_PAD_LAYERS, p.conductivity_w_mk))
        c = np.append(c, np.full(_PAD_LAYERS, p.heat_j_m3k))
    n = len(dx)
    capacity = np.zeros(n + 1)
    capacity[:-1] += c * dx / 2.0
    capacity[1:] += c * dx / 2.0
    capacity[-1] += 0.0 if slab.pad is None else slab.pad.base_j_m2k
    link = k / dx
    flow = np.zeros((n + 1, n + 1))
    index = np.arange(n)
    flow[index, index] -= link
    flow[index + 1, index + 1] -= link
    flow[index, index + 1] = flow[index + 1, index] = link
    flow[0, 0] -= 1.0 / slab.contact
    flow[-1, -1] -= slab.loss
    source = np.zeros(n + 1)
    source[0] = slab.platen_c / slab.contact
    source[-1] += slab.loss * slab.room_c

    stored = np.diag(capacity / step)
    right = np.column_stack([stored + flow / 2.0, source])
    solved = np.asarray(np.linalg.solve(stored - flow / 2.0, right), np.float64)
    right = np.column_stack([2.0 * stored, source])
    half = np.asarray(np.linalg.solve(2.0 * stored - flow, right), np.float64)
    once, push = half[:, :-1], half[:, -1]
    return _Stepper(solved[:, :-1].copy(), solved[:, -1].copy(), once @ once, once @ push + push)


def _march(slab: _Slab, *, layers: int, step: float) -> Iterator[NDArray[np.float64]]:
    """Temperatures at the nodes of glass and pad, °C, from when the press closes, step by step without end.

    Crank-Nicolson on a finite-volume grid. Agrees with the series and error-function solutions of Carslaw & Jaeger,
    Conduction of Heat in Solids, 2nd ed. (1959), chapters II and III.
    """
    matrices = _stepper(slab, layers=layers, step=step)
    now = np.full(layers + 1, slab.start_c)
    if slab.pad is not None:
        now = np.append(now, np.full(_PAD_LAYERS, slab.room_c))
    yield now
    for _ in range(2):
        now = matrices.damped @ now + matrices.damped_drive
        yield now
    while True:
        now = matrices.propagator @ now + matrices.drive
        yield now


def time_to_temperature(
    *,
    glass_mm: float,
    heated_face: HeatedFace = "back",
    target_c: float = COAT_TARGET_C,
    platen_c: float,
    start_c: float = ROOM_C,
    contact_m2k_w: float | None = None,
    loss_w_m2k: float = LOSS_W_M2K,
    room_c: float = ROOM_C,
    build: BuildUp = _ALONE,
    layers: int = _LAYERS,
    steps_per_tau: int = _STEPS_PER_TAU,
) -> float:
    """Seconds in the press until the coat reaches a temperature.

    Parameters
    ----------
    glass_mm : float
        Thickness of the glass, mm.
    heated_face : {"back", "coat"}
        Which face the platen touches.
    target_c : float
        Temperature the coat shall reach, °C.
    platen_c, start_c, room_c : float
        Platen, glass at the start, and the room (and the pad at the start), °C.
    contact_m2k_w : float, optional
        Resistance between platen and glass, m²K/W; by default that of the heated face (`CONTACT_M2K_W`).
    loss_w_m2k : float
        Heat loss of the last face to the room, W/m²K; 0 is perfectly insulated.
    build : BuildUp
        What lies in the press; by default glass alone.
    layers, steps_per_tau : int
        Fineness in depth and time.

    Returns
    -------
    float
        Seconds; 0 when the piece is that hot already, infinity when the coat does not get there within an hour.

    Raises
    ------
    UsageError
        A value is out of range.
    """
    slab = _slab(
        glass_mm=glass_mm,
        heated_face=heated_face,
        platen_c=platen_c,
        start_c=start_c,
        room_c=room_c,
        contact_m2k_w=contact_m2k_w,
        loss_w_m2k=loss_w_m2k,
        build=build,
    )
    target_c = _checked("coat temperature", target_c, -30.0, 400.0, "°C")
    if start_c >= target_c:
        return 0.0
    # A piece that starts below where it ends, everywhere, never passes that.
    near, far = slab.steady_c
    if start_c <= min(near, far) and (far if heated_face == "back" else near) <= target_c:
        return math.inf
    if max(platen_c, room_c) <= target_c:
        return math.inf
    step = slab.time_scale / steps_per_tau
    coat = layers if heated_face == "back" else 0
    course = islice(_march(slab, layers=layers, step=step), math.ceil(_LONGEST_S / step) + 1)
    for i, (now, after) in enumerate(pairwise(temperatures[coat] for temperatures in course)):
        if after >= target_c:
            return float((i + (target_c - now) / (after - now)) * step)
    return math.inf


# ---------------------------------------------------------------- pressing again


Refusal = Literal["", "pressed-before", "never-hot-enough", "beyond-recipe", "beyond-maker-time"]


@dataclass(frozen=True, slots=True)
class RepressPlan:
    """Whether a piece may be pressed again, and for how long.

    Attributes
    ----------
    possible : bool
        False: print a new piece instead, for the reason in `why`.
    why : str
        '' or what forbids it: 'pressed-before' (one re-press only), 'never-hot-enough', 'beyond-recipe' (longer than
        `RECIPE_FACTOR` times the recipe), 'beyond-maker-time'.
    missing : tuple of str
        What was not told: 'temperature', 'time', 'face', 'glass' (without temperature and glass there are no seconds),
        'max-temperature', 'max-time'.
    reheat_seconds, reheat_low_seconds, reheat_high_seconds : float or None
        Until the coat is back at `target_c`: the likeliest, and the ends of what pads, papers and glasses do; None
        when not reckoned, or never.
    may_stay_cold : bool
        With the slowest of the build-ups the coat does not get there at all.
    hold_seconds : float or None
        Time at temperature after that.
    total_seconds : float or None
        What to set on the press; 0 when it is not possible, None when not reckoned.
    cut_by : str
        '' or what shortened the hold: 'recipe' or 'maker-time'.
    platen_c, target_c : float or None
        The recipe's temperature, and that of the coat which counts as hot, °C.
    heated_face : str
    glass_mm, piece_c : float or None
        What was told.
    max_seconds, max_c : float or None
        The makers' limits; None where nobody told.
    learned : bool
        The range was narrowed by a warm-up seen on this press.
    """

    possible: bool = True
    why: Refusal = ""
    missing: tuple[str, ...] = ()
    reheat_seconds: float | None = None
    reheat_low_seconds: float | None = None
    reheat_high_seconds: float | None = None
    may_stay_cold: bool = False
    hold_seconds: float | None = None
    total_seconds: float | None = None
    cut_by: str = ""
    platen_c: float | None = None
    target_c: float | None = None
    heated_face: str = ""
    glass_mm: float | None = None
    piece_c: float | None = None
    max_seconds: float | None = None
    max_c: float | None = None
    learned: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Give the plan as the verdict's advice carries it."""
        return {**asdict(self), "missing": list(self.missing)}


def repress_plan(
    recipe: Recipe,
    limits: MakerLimits = _UNTOLD,
    *,
    glass_mm: float | None = None,
    piece_c: float | None = None,
    press_no: int = 1,
    warm_up_s: float | None = None,
    room_c: float = ROOM_C,
) -> RepressPlan:
    """Plan a re-press: whether, and how long to heat and to hold.

    Parameters
    ----------
    recipe : Recipe
        As the piece was pressed. Platen (what a probe showed goes before what was set), time and heated face come from
        here and from nowhere else.
    limits : MakerLimits
        What the makers allow, for one pressing.
    glass_mm : float, optional
        Thickness of the glass, 2 to 12 mm.
    piece_c : float, optional
        Temperature of the piece when it goes back, °C, even through its thickness; the room's when not told.
    press_no : int
        How often it has been pressed: from 2 on it may not be pressed again.
    warm_up_s : float, optional
        Seconds from a cold start until dye begins to go over, seen on this press with this glass and recipe (a step
        test tells them).
    room_c : float
        Temperature of the room, of the pad, and of the piece before its first pressing, °C.

    Returns
    -------
    RepressPlan
        Whether paper, glass and dye allow it is not asked here.

    Raises
    ------
    UsageError
        A value is out of range, or the recipe goes beyond the makers' limits.
    """
    check_limits(recipe, limits)
    if glass_mm is not None and not THINNEST_MM <= glass_mm <= THICKEST_MM:
        raise UsageError(
            f"glass of {reader.length(glass_mm, None)} is beyond what seconds are reckoned for",
            f"give {reader.lengths(THINNEST_MM, THICKEST_MM, None)}, or leave the thickness out",
        )
    _checked("piece temperature", room_c if piece_c is None else piece_c, -30.0, 260.0, "°C")
    platen_c = recipe.measured_c if recipe.measured_c is not None else recipe.set_c
    told = {
        "temperature": platen_c,
        "time": recipe.seconds,
        "face": recipe.heated_face or None,
        "glass": glass_mm,
        "max-temperature": None if math.isinf(limits.temperature_c) else limits.temperature_c,
        "max-time": None if math.isinf(limits.time_s) else limits.time_s,
    }
    known: dict[str, Any] = {
        "missing": tuple(name for name, value in told.items() if value is None),
        "platen_c": platen_c,
        "heated_face": recipe.heated_face or "coat",
        "glass_mm": glass_mm,
        "piece_c": piece_c,
        "max_seconds": told["max-time"],
        "max_c": told["max-temperature"],
    }
    if press_no >= 2:
        return RepressPlan(possible=False, why="pressed-before", total_seconds=0.0, **known)
    if platen_c is None or glass_mm is None:
        return RepressPlan(**known)
    target_c = min(COAT_TARGET_C, platen_c - BELOW_PLATEN_C)
    face: HeatedFace = "back" if known["heated_face"] == "back" else "coat"

    def reach(place: float, start_c: float) -> float:
        return time_to_temperature(
            glass_mm=glass_mm,
            heated_face=face,
            target_c=target_c,
            platen_c=platen_c,
            start_c=start_c,
            room_c=room_c,
            build=build_up(place),
            layers=24,
            steps_per_tau=100,
        )

    places = (0.0, LIKELIEST, 1.0)
    if warm_up_s is not None:
        places = _learned(lambda place: reach(place, room_c), _checked("warm-up", warm_up_s, 1.0, 3600.0, "s"))
    low, mid, high = (reach(place, room_c if piece_c is None else piece_c) for place in places)
    known |= {
        "target_c": target_c,
        "reheat_seconds": _or_none(mid),
        "reheat_low_seconds": _or_none(low),
        "reheat_high_seconds": _or_none(high),
        "may_stay_cold": not math.isfinite(high),
        "learned": warm_up_s is not None,
    }
    if target_c < COLDEST_TARGET_C or not math.isfinite(mid):
        return RepressPlan(possible=False, why="never-hot-enough", total_seconds=0.0, **known)
    return _held(mid, recipe.seconds, limits.time_s, known)


def _held(reheat: float, recipe_s: float | None, longest_s: float, known: dict[str, Any]) -> RepressPlan:
    """Add the time at temperature, as far as recipe and makers leave room for it."""
    wanted = HOLD_SECONDS if recipe_s is None else min(HOLD_SECONDS, HOLD_SHARE * recipe_s)
    by_recipe = math.inf if recipe_s is None else RECIPE_FACTOR * recipe_s
    room = min(by_recipe, longest_s) - reheat
    if room < min(LEAST_HOLD_SECONDS, wanted):
        why: Refusal = "beyond-recipe" if by_recipe <= longest_s else "beyond-maker-time"
        return RepressPlan(possible=False, why=why, total_seconds=0.0, **known)
    hold = min(wanted, room)
    cut = ("recipe" if by_recipe <= longest_s else "maker-time") if hold < wanted else ""
    if not cut and wanted < HOLD_SECONDS:
        cut = "recipe"
    return RepressPlan(hold_seconds=hold, total_seconds=reheat + hold, cut_by=cut, **known)


def _learned(cold: Callable[[float], float], warm_up_s: float) -> tuple[float, float, float]:
    """Find the place in the row whose cold start takes ``warm_up_s``, with `_LEARNED` of that time either side."""

    def place_of(seconds: float) -> float:
        low, high = 0.0, 1.0
        for _ in range(9):
            middle = (low + high) / 2
            low, high = (middle, high) if cold(middle) < seconds else (low, middle)
        return (low + high) / 2

    return place_of(warm_up_s / _LEARNED), place_of(warm_up_s), place_of(warm_up_s * _LEARNED)


def _or_none(seconds: float) -> float | None:
    """None in place of infinity."""
    return seconds if math.isfinite(seconds) else None
