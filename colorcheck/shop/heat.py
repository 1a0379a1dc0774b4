"""How long the coat takes to get hot: one-dimensional heat flow through the glass in the press.

The glass is a slab. The platen heats one face through a contact resistance; the other face loses heat to
what lies behind it. The coat is a film too thin to matter and takes the temperature of the face it sits on:

- ``heated_face="back"``: platen, glass, coat. The coat is on the far face and lags behind.
- ``heated_face="coat"``: platen, paper, coat, glass. The coat is on the near face, but paper resists more.

Pressure, moisture and the sideways flow at the rim are left out: the numbers are for the middle of a piece,
and a rim runs some degrees cooler. They say how long, never that a piece will survive it.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from ..ground.errors import UsageError

HeatedFace = Literal["back", "coat"]
Limit = Literal["recipe", "maker-time", "maker-temperature", "never-hot-enough"]

GLASS_CONDUCTIVITY_W_MK = 1.0  # soda-lime float glass, EN 572-1 (this and the next two from memory)
GLASS_DENSITY_KG_M3 = 2500.0  # EN 572-1
GLASS_HEAT_J_KGK = 850.0  # EN 572-1 gives 720 near room temperature; 850 suits 20 to 200 °C better

# Resistance between platen and glass face in m²K/W: bare glass, and a coat under its paper. Common practice.
CONTACT_M2K_W: dict[HeatedFace, float] = {"back": 1e-3, "coat": 2e-3}
# Loss of the face turned away from the platen, about that of 10 mm of light felt or sponge (0.04 W/mK), whose
# own heat is neglected: a dense pad takes up heat and makes the piece slower. The value is fitted: 4.08 to
# 4.21 give the times this model was set up with (34, 54, 110 s through 3, 4, 6 mm); perfect insulation gives
# 32, 51, 102 s. Estimate, to be replaced by a trial.
LOSS_W_M2K = 4.15
ROOM_C = 20.0

COAT_TARGET_C = 180.0  # below about this the dye transfers slowly; common practice, no source
HOLD_SECONDS = 30.0  # extra time at temperature of a re-press; common practice, no source
RECIPE_FACTOR = 1.5  # first pressing and re-press together, as a multiple of the recipe; common practice

_SPREAD_CONTACT = 1.5  # factor either way by which the contact may differ; estimate
_SPREAD_LOSS = (0.0, 10.0)  # perfectly insulated to bare glass in still air; W/m²K
_LAYERS = 48
_STEPS_PER_TAU = 500
_MAX_TAU = 12  # the slowest decay takes about half a time scale: 24 e-folds


@dataclass(frozen=True, slots=True, eq=False)
class HeatCurve:
    """Temperature in the glass while it is in the press.

    Attributes
    ----------
    seconds : ndarray, shape (t,)
        Time since the press closed.
    depth_mm : ndarray, shape (n,)
        Distance from the heated face; the last one is the far face.
    temperature_c : ndarray, shape (t, n)
        Temperature in °C.
    coat_c : ndarray, shape (t,)
        Temperature of the face that bears the coat, °C.
    """

    seconds: NDArray[np.float64]
    depth_mm: NDArray[np.float64]
    temperature_c: NDArray[np.float64]
    coat_c: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RepressAdvice:
    """How long to press a piece again, in two parts, and what holds it down.

    Attributes
    ----------
    reheat_seconds : float or None
        Time until the coat is back at `target_c`; None when it never gets there.
    reheat_low_seconds, reheat_high_seconds : float or None
        The same for a better and a poorer contact than assumed (estimates); None when never.
    hold_seconds : float
        Time at temperature after that.
    total_seconds : float
        What to set on the press: `reheat_seconds` + `hold_seconds`, or 0 when a re-press is no use.
    platen_c : float
        Platen temperature reckoned with, °C: the one asked for, or the maker's limit when that is lower.
    target_c : float
        Coat temperature that counts as hot, °C.
    limited_by : {"recipe", "maker-time", "maker-temperature", "never-hot-enough"} or None
        What cut the time short; failing that, what lowered the temperature; None when nothing did.
    uncertain : bool
        True when the recipe is not known, when the figures hang on the contact by more than a third, when
        the piece is hotter or the glass other than the model was tried on (2 to 12 mm), or when the recipe
        itself would not have brought the coat to `target_c`.
    recipe_hold_seconds : float or None
        Time the recipe keeps the coat at or above `target_c`, from a cold start; None without a recipe.
    """

    reheat_seconds: float | None
    reheat_low_seconds: float | None
    reheat_high_seconds: float | None
    hold_seconds: float
    total_seconds: float
    platen_c: float
    target_c: float
    limited_by: Limit | None
    uncertain: bool
    recipe_hold_seconds: float | None


def _checked(name: str, value: float, low: float, high: float, unit: str) -> float:
    """Return a number that lies in its range, or say so."""
    if not (math.isfinite(value) and low <= value <= high):
        raise UsageError(f"{name} {value:g} {unit} is out of range", f"give {low:g} to {high:g} {unit}")
    return float(value)


def _resistances(heated_face: HeatedFace, contact: float | None, loss: float) -> tuple[float, float]:
    """Check and return contact resistance (m²K/W) and loss (W/m²K)."""
    if heated_face not in get_args(HeatedFace):
        raise UsageError(f"heated face {heated_face!r} is not known", "give 'back' or 'coat'")
    if contact is None:
        contact = CONTACT_M2K_W[heated_face]
    return (
        _checked("contact resistance", contact, 1e-9, 1.0, "m²K/W"),
        _checked("heat loss", loss, 0.0, 1e4, "W/m²K"),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Stepper:
    """One time step as matrices: temperature = propagator @ temperature + drive."""

    propagator: NDArray[np.float64]
    drive: NDArray[np.float64]
    damped: NDArray[np.float64]
    damped_drive: NDArray[np.float64]


def _stepper(
    *, glass_m: float, contact: float, loss: float, platen_c: float, room_c: float, layers: int, step: float
) -> _Stepper:
    """Set up Crank-Nicolson for a slab whose nodes lie on layer borders, half layers at both faces.

    Crank & Nicolson, Proc. Camb. Phil. Soc. 43 (1947) 50-67. The small system is solved once; every step is
    then one product. `damped` is the same step as two implicit Euler half steps, with which to begin, so
    that the jump at the heated face does not ring (Rannacher, Numer. Math. 43 (1984) 309-327).
    """
    dx = glass_m / layers
    capacity = np.full(layers + 1, GLASS_DENSITY_KG_M3 * GLASS_HEAT_J_KGK * dx)
    capacity[[0, -1]] /= 2.0
    link = GLASS_CONDUCTIVITY_W_MK / dx
    flow = np.zeros((layers + 1, layers + 1))
    index = np.arange(layers)
    flow[index, index] -= link
    flow[index + 1, index + 1] -= link
    flow[index, index + 1] = flow[index + 1, index] = link
    flow[0, 0] -= 1.0 / contact
    flow[-1, -1] -= loss
    source = np.zeros(layers + 1)
    source[0] = platen_c / contact
    source[-1] += loss * room_c

    stored = np.diag(capacity / step)
    right = np.column_stack([stored + flow / 2.0, source])
    solved = np.asarray(np.linalg.solve(stored - flow / 2.0, right), np.float64)
    right = np.column_stack([2.0 * stored, source])
    half = np.asarray(np.linalg.solve(2.0 * stored - flow, right), np.float64)
    once, push = half[:, :-1], half[:, -1]
    return _Stepper(solved[:, :-1].copy(), solved[:, -1].copy(), once @ once, once @ push + push)


def _time_scale(glass_m: float, contact: float) -> float:
    """Seconds that are never shorter than the slowest decay of the slab."""
    resistance = contact + glass_m / GLASS_CONDUCTIVITY_W_MK
    return GLASS_DENSITY_KG_M3 * GLASS_HEAT_J_KGK * glass_m * resistance


def press_curve(
    *,
    glass_mm: float,
    seconds: float,
    heated_face: HeatedFace = "back",
    platen_c: float = 200.0,
    start_c: float = ROOM_C,
    contact_m2k_w: float | None = None,
    loss_w_m2k: float = LOSS_W_M2K,
    room_c: float = ROOM_C,
    layers: int = _LAYERS,
    steps: int = 400,
) -> HeatCurve:
    """Temperature through the glass against time, from an even start.

    Parameters
    ----------
    glass_mm : float
        Thickness of the glass, mm.
    seconds : float
        Length of the curve.
    heated_face : {"back", "coat"}
        Which face the platen touches.
    platen_c, start_c, room_c : float
        Platen, glass at the start, and what lies behind the face turned away, °C.
    contact_m2k_w : float, optional
        Resistance between platen and glass, m²K/W; by default that of the heated face (`CONTACT_M2K_W`).
    loss_w_m2k : float
        Heat loss of the face turned away, W/m²K; 0 is perfectly insulated.
    layers, steps : int
        Fineness in depth and in time; both errors fall with the square.

    Returns
    -------
    HeatCurve
        `steps` + 1 moments from 0 to `seconds`.

    Raises
    ------
    UsageError
        A value is out of range.

    Notes
    -----
    Crank-Nicolson on a finite-volume grid. Agrees with the series and error-function solutions of Carslaw &
    Jaeger, Conduction of Heat in Solids, 2nd ed. (1959), chapters II and III.
    """
    glass_m = _checked("glass thickness", glass_mm, 0.3, 100.0, "mm") / 1000.0
    platen_c = _checked("platen temperature", platen_c, 0.0, 400.0, "°C")
    start_c = _checked("piece temperature", start_c, -30.0, 400.0, "°C")
    room_c = _checked("room temperature", room_c, -30.0, 400.0, "°C")
    seconds = _checked("press time", seconds, 1e-3, 1e5, "s")
    contact, loss = _resistances(heated_face, contact_m2k_w, loss_w_m2k)
    matrices = _stepper(
        glass_m=glass_m,
        contact=contact,
        loss=loss,
        platen_c=platen_c,
        room_c=room_c,
        layers=layers,
        step=seconds / steps,
    )
    field = np.empty((steps + 1, layers + 1))
    field[0] = start_c
    for i in range(steps):
        if i < 2:
            field[i + 1] = matrices.damped @ field[i] + matrices.damped_drive
        else:
            field[i + 1] = matrices.propagator @ field[i] + matrices.drive
    return HeatCurve(
        seconds=np.linspace(0.0, seconds, steps + 1),
        depth_mm=np.linspace(0.0, glass_mm, layers + 1),
        temperature_c=field,
        coat_c=field[:, -1 if heated_face == "back" else 0].copy(),
    )


def time_to_temperature(
    *,
    glass_mm: float,
    heated_face: HeatedFace = "back",
    target_c: float = COAT_TARGET_C,
    platen_c: float = 200.0,
    start_c: float = ROOM_C,
    contact_m2k_w: float | None = None,
    loss_w_m2k: float = LOSS_W_M2K,
    room_c: float = ROOM_C,
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
    platen_c, start_c, room_c, contact_m2k_w, loss_w_m2k
        As in `press_curve`.
    layers, steps_per_tau : int
        Fineness in depth and time.

    Returns
    -------
    float
        Seconds; 0 when the piece is that hot already, infinity when the coat never gets there.

    Raises
    ------
    UsageError
        A value is out of range.
    """
    glass_m = _checked("glass thickness", glass_mm, 0.3, 100.0, "mm") / 1000.0
    platen_c = _checked("platen temperature", platen_c, 0.0, 400.0, "°C")
    start_c = _checked("piece temperature", start_c, -30.0, 400.0, "°C")
    room_c = _checked("room temperature", room_c, -30.0, 400.0, "°C")
    target_c = _checked("coat temperature", target_c, -30.0, 400.0, "°C")
    contact, loss = _resistances(heated_face, contact_m2k_w, loss_w_m2k)
    if start_c >= target_c:
        return 0.0
    if max(platen_c, room_c) <= target_c:
        return math.inf
    # Where it all ends: resistances in series. A piece that starts below that everywhere never passes it.
    flow = (platen_c - room_c) * loss / (1.0 + loss * (contact + glass_m / GLASS_CONDUCTIVITY_W_MK))
    near_end = platen_c - flow * contact
    far_end = near_end - flow * glass_m / GLASS_CONDUCTIVITY_W_MK
    if start_c <= min(near_end, far_end) and (far_end if heated_face == "back" else near_end) <= target_c:
        return math.inf
    step = _time_scale(glass_m, contact) / steps_per_tau
    matrices = _stepper(
        glass_m=glass_m,
        contact=contact,
        loss=loss,
        platen_c=platen_c,
        room_c=room_c,
        layers=layers,
        step=step,
    )
    coat = -1 if heated_face == "back" else 0
    now = np.full(layers + 1, start_c)
    for i in range(_MAX_TAU * steps_per_tau):
        first = i < 2
        turn, drive = (
            (matrices.damped if first else matrices.propagator),
            (matrices.damped_drive if first else matrices.drive),
        )
        after = turn @ now + drive
        if after[coat] >= target_c:
            part = (target_c - now[coat]) / (after[coat] - now[coat])
            return float((i + part) * step)
        now = after
    return math.inf


def _or_none(seconds: float) -> float | None:
    """None in place of infinity."""
    return seconds if math.isfinite(seconds) else None


def repress_advice(
    *,
    glass_mm: float,
    heated_face: HeatedFace = "back",
    platen_c: float = 200.0,
    piece_c: float,
    target_c: float = COAT_TARGET_C,
    hold_seconds: float = HOLD_SECONDS,
    recipe_seconds: float | None = None,
    recipe_c: float | None = None,
    max_total_seconds: float | None = None,
    max_platen_c: float | None = None,
    room_c: float = ROOM_C,
) -> RepressAdvice:
    """Time for pressing a piece once more: re-heating first, then time at temperature.

    Parameters
    ----------
    glass_mm : float
        Thickness of the glass, mm.
    heated_face : {"back", "coat"}
        Which face the platen touches.
    platen_c : float
        Platen temperature of the re-press, °C.
    piece_c : float
        Temperature of the piece when it goes back, °C, even through its thickness.
    target_c : float
        Coat temperature that counts as hot, °C.
    hold_seconds : float
        Wanted time at temperature.
    recipe_seconds : float, optional
        Press time of the recipe. The first pressing counts in full as time at temperature, so the hold is
        kept to (`RECIPE_FACTOR` − 1) times this.
    recipe_c : float, optional
        Platen temperature of the recipe, °C; `platen_c` unless given.
    max_total_seconds : float, optional
        Longest time in the press that the maker of the blank allows, for this one pressing.
    max_platen_c : float, optional
        Highest platen temperature that the maker allows, °C.
    room_c : float
        Temperature of the room, and of the piece before its first pressing, °C.

    Returns
    -------
    RepressAdvice
        Numbers only. Whether a re-press may be made at all (paper unmoved, glass whole, dye left on the
        paper, once only) is not asked here.

    Raises
    ------
    UsageError
        A value is out of range.
    """
    _checked("time at temperature", hold_seconds, 0.0, 3600.0, "s")
    limited_by: Limit | None = None
    if max_platen_c is not None:
        _checked("the maker's highest temperature", max_platen_c, 20.0, 400.0, "°C")
        if platen_c > max_platen_c:
            platen_c, limited_by = max_platen_c, "maker-temperature"
    if max_total_seconds is not None:
        _checked("the maker's longest time", max_total_seconds, 1.0, 7200.0, "s")

    def reach(start_c: float, platen: float, contact_factor: float, loss: float) -> float:
        return time_to_temperature(
            glass_mm=glass_mm,
            heated_face=heated_face,
            target_c=target_c,
            platen_c=platen,
            start_c=start_c,
            contact_m2k_w=CONTACT_M2K_W[heated_face] * contact_factor,
            loss_w_m2k=loss,
            room_c=room_c,
        )

    if heated_face not in get_args(HeatedFace):
        raise UsageError(f"heated face {heated_face!r} is not known", "give 'back' or 'coat'")
    reheat = reach(piece_c, platen_c, 1.0, LOSS_W_M2K)
    low = reach(piece_c, platen_c, 1.0 / _SPREAD_CONTACT, _SPREAD_LOSS[0])
    high = reach(piece_c, platen_c, _SPREAD_CONTACT, _SPREAD_LOSS[1])

    hold = hold_seconds
    recipe_hold: float | None = None
    if recipe_seconds is not None:
        _checked("recipe time", recipe_seconds, 1.0, 3600.0, "s")
        cold = reach(room_c, platen_c if recipe_c is None else recipe_c, 1.0, LOSS_W_M2K)
        recipe_hold = max(0.0, recipe_seconds - cold)
        allowed = (RECIPE_FACTOR - 1.0) * recipe_seconds
        if hold > allowed:
            hold, limited_by = allowed, "recipe"
    total = reheat + hold
    if not math.isfinite(reheat):
        hold, total, limited_by = 0.0, 0.0, "never-hot-enough"
    elif max_total_seconds is not None and total > max_total_seconds:
        limited_by = "maker-time"
        hold = max(0.0, max_total_seconds - reheat)
        total = reheat + hold if hold > 0.0 else 0.0

    uncertain = (
        recipe_seconds is None
        or recipe_hold == 0.0
        or not 2.0 <= glass_mm <= 12.0
        or piece_c > target_c
        or not math.isfinite(high)
        or high - low > 2.0 / 3.0 * reheat
    )
    return RepressAdvice(
        reheat_seconds=_or_none(reheat),
        reheat_low_seconds=_or_none(low),
        reheat_high_seconds=_or_none(high),
        hold_seconds=hold,
        total_seconds=total,
        platen_c=float(platen_c),
        target_c=float(target_c),
        limited_by=limited_by,
        uncertain=uncertain,
        recipe_hold_seconds=recipe_hold,
    )


def advice_for_record(
    *,
    glass_mm: float,
    heated_face: HeatedFace,
    platen_c: float,
    piece_c: float,
    recipe_seconds: float | None,
    max_total_seconds: float | None,
) -> dict[str, Any]:
    """Give `repress_advice` as the verdict carries it: its fields, with the blank it holds for."""
    advice = repress_advice(
        glass_mm=glass_mm,
        heated_face=heated_face,
        platen_c=platen_c,
        piece_c=piece_c,
        recipe_seconds=recipe_seconds,
        max_total_seconds=max_total_seconds,
    )
    return {**asdict(advice), "possible": advice.total_seconds > 0, "glass_mm": glass_mm, "heated_face": heated_face}
