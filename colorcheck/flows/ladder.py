"""The flows of `ladder`: a request → the presses of a step test with their targets; its readings → the best time."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np

from ..faults.catalogue import PALE_OR_FAILED
from ..ground import reader
from ..ground.cielab import density_from_y, lab_to_xyz, xyz_to_linear_srgb
from ..ground.errors import DataError, UsageError
from ..ground.files import refuse_same
from ..ground.records import Floats, Target
from ..sheet.savedreading import SavedReading, load_readings
from ..sheet.target import make_target
from ..shop.ladder import (
    LadderFit,
    LadderPlan,
    Pressed,
    Settings,
    common_density,
    fit_ladder,
    load_plan,
    make_plan,
)
from .requests import LadderRequest, PlanRequest

_ONE_CAMERA, _TWO_CAMERAS = 0.003, 0.03  # scatter of the dye between photos, share of the most


def plan_ladder(request: PlanRequest) -> tuple[LadderPlan, list[Target]]:
    """Choose the presses of a step test, and lay out a target for each and for those to spare.

    Raises
    ------
    UsageError
        A range that is empty, reversed or beyond the makers' limits, or too few presses.
    """
    plan = make_plan(**{f.name: getattr(request, f.name) for f in fields(request)})
    seeds = [*((s.name, s.target_seed) for s in plan.steps), *plan.spares]
    return plan, [
        make_target(
            size_mm=request.size_mm,
            shape=request.shape,
            patches="compact",
            view=request.view,
            seed=seed,
            name=f"{request.name}-{letter}",
        )
        for letter, seed in seeds
    ]


@dataclass(frozen=True, slots=True, eq=False)
class LadderRead:
    """A step test and what it says: whether its readings were only told apart by their order, and its cameras."""

    plan: LadderPlan
    fit: LadderFit
    by_order: bool
    cameras: int


def read_ladder(request: LadderRequest) -> LadderRead:
    """Find the shortest sufficient time from the readings of a step test.

    Raises
    ------
    UsageError
        The readings do not belong to the plan, or a step is named that has none.
    DataError
        A file is damaged, or the readings hold too little.
    """
    plan = load_plan(request.plan)
    refuse_same(request.readings, "reading")
    readings = load_readings(request.readings, lit=None)
    told = _match(plan, readings, request.steps)
    names = told or [s.name for s in plan.steps]
    _check_names(request, names)
    cameras = len({d for r in readings for d in r.devices[:1]} - {""})
    pressed = _pressed(plan, readings, names, request, cameras=cameras)
    fit = fit_ladder(pressed, limits=plan.limits, step_s=plan.step_s, within=request.within)
    return LadderRead(plan, fit, by_order=not told, cameras=cameras)


def _match(plan: LadderPlan, readings: Sequence[SavedReading], given: Sequence[str] | None) -> list[str]:
    """Tell which step each reading is: as given, by the printed code, its name or its file; none: by their order."""
    known = [s.name for s in plan.steps] + [n for n, _ in plan.spares]
    if given is not None:
        if len(given) != len(readings):
            raise UsageError(
                f"{reader.option('step')} names {len(given)} steps for {len(readings)} readings",
                "name one for each, in order",
            )
        return list(given)
    seeds = {s.target_seed: s.name for s in plan.steps} | {k: n for n, k in plan.spares}
    by_code = [seeds.get(_seed(r), "") if r.target.size_mm == plan.size_mm else "" for r in readings]
    by_stem = [next((n for n in known if Path(r.path).stem in (n, f"{plan.name}-{n}")), "") for r in readings]
    by_name = [next((n for n in known if r.name in (n, f"{plan.name}-{n}")), "") for r in readings]
    for found in (by_code, by_name, by_stem):
        if all(found) and len(set(found)) == len(found):
            return found
    if all(by_code):
        twice = next(n for n in by_code if by_code.count(n) > 1)
        raise UsageError(
            f"two readings show the target of step {twice}",
            "leave one out" + ("" if reader.on_page() else ", or say which is which with --step"),
        )
    if len(readings) == len(plan.steps) and not any((*by_code, *by_stem, *by_name)):
        return []
    lost = next(r for r, a, b, c in zip(readings, by_code, by_name, by_stem, strict=True) if not (a or b or c))
    raise UsageError(
        f"{Path(lost.path).name} belongs to no step of this plan",
        "leave it out" if reader.on_page() else "say which with --step, in order",
    )


def _seed(r: SavedReading) -> int:
    found = re.search(r"[SFC][FT](\d+)$", r.target.code_text)
    return int(found[1]) if found else -1


def _check_names(request: LadderRequest, names: Sequence[str]) -> None:
    """Refuse a step that is named but has no reading."""
    for option, given in (("at", request.really), ("yellow", request.yellow or ())):
        if stray := sorted(set(given) - set(names)):
            raise UsageError(
                f"{reader.option(option)} names {stray[0]}, which has no reading",
                f"the steps read are {', '.join(names)}",
            )


def _pressed(
    plan: LadderPlan, readings: Sequence[SavedReading], names: Sequence[str], request: LadderRequest, *, cameras: int
) -> list[Pressed]:
    """Put together what came out of every step."""
    planned = {s.name: s.settings for s in plan.steps}
    rgb = [r.target.device_rgb.astype(float) for r in readings]
    density = [np.column_stack([np.array([c.density for c in r.rows], float), _rgb_density(r.lab)]) for r in readings]
    usable = [r.usable & np.array([c.kind in ("colour", "control") for c in r.rows]) for r in readings]
    white = [_coat_b(r) for r in readings]
    greys = common_density(rgb, density, usable)
    dye = greys[:, 0]
    if not np.isfinite(dye).any():
        raise DataError("these readings have no colours in common", "read the targets that the plan made")
    whole = all(math.isfinite(b) for b in white)
    out = []
    for k, (r, name) in enumerate(zip(readings, names, strict=True)):
        press = r.file.press
        faults = tuple(dict.fromkeys(f.kind for f in press.findings if f.kind in PALE_OR_FAILED))
        unfit = r.file.verdict.action == "retake-photo"
        out.append(
            Pressed(
                name=name,
                settings=_settings(name, planned, request.really),
                density=math.nan if unfit else float(dye[k]),
                rgb_density=None if unfit else (float(greys[k, 1]), float(greys[k, 2]), float(greys[k, 3])),
                density_u=(_TWO_CAMERAS if cameras > 1 else _ONE_CAMERA) * float(np.nanmax(dye)),
                yellow_b=white[k] if whole else math.nan,
                scorch_b=_number(press.scorch_delta_b),
                edge_mm=_number(press.edge_width_mm),
                evenness=_number(press.evenness),
                black=_number(press.black_density),
                looked_yellow=None if request.yellow is None else name in request.yellow,
                faults=(("photo unfit",) if unfit else ()) + faults,
                source=Path(r.path).name,
            )
        )
    return out


def _rgb_density(lab: Floats) -> Floats:
    """Density of CIELAB colours (n, 3) in red, green and blue light (sRGB), relative to the coat; NaN beyond that."""
    light = xyz_to_linear_srgb(lab_to_xyz(lab))
    return density_from_y(np.where(light > 0, light, np.nan), 1.0)


def _settings(name: str, planned: dict[str, Settings], really: dict[str, tuple[float, float | None, str]]) -> Settings:
    plan = planned.get(name)
    if name in really:
        time_s, heat, pressure = really[name]
        like = plan or next(iter(planned.values()))
        several = len({(s.temperature_c, s.pressure) for s in planned.values()}) > 1
        if plan is None and several and (heat is None and like.temperature_c is not None):
            raise UsageError(
                f"step {name} is not in the plan", f"write its temperature too ({reader.option('at')} {name}=150s,200C)"
            )
        return Settings(time_s, heat if heat is not None else like.temperature_c, pressure or like.pressure)
    if plan is None:
        raise UsageError(
            f"step {name} is not in the plan", f"say what was set ({reader.option('at')} {name}=150s,200C)"
        )
    return plan


def _number(value: float | None) -> float:
    return math.nan if value is None or abs(value) >= 1e4 else value


def _coat_b(r: SavedReading) -> float:
    """Absolute b* of the bare coat, NaN unless the reading is absolute."""
    white = [c.lab_absolute[2] for c in r.rows if c.kind == "white" and c.lab_absolute]
    return float(np.median(white)) if r.absolute and len(white) >= 3 else math.nan
