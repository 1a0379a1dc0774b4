"""The flow of `profile`, top to bottom: readings of pressed targets → a printer profile, and what it will gain."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from ..colour import gamut
from ..colour.icc import ProfileTables
from ..colour.pool import Pool, characterisation, pool_readings
from ..colour.printer_model import PrinterModel, fit_printer
from ..colour.profilegain import Gain, expected_gain
from ..colour.profiletables import profile_tables, round_trip
from ..colour.tonecorrect import neutral_curves
from ..faults.catalogue import CATALOGUE
from ..ground.cielab import D50_WHITE, lab_to_xyz
from ..ground.errors import DataError
from ..ground.records import Floats, Kind, Lit, Step
from ..sheet.savedreading import SavedReading, load_readings
from .requests import ProfileRequest

_UNEVEN = {"zone": "uneven pressing", "slope": "pressing that changes over the piece"}
_PALE = {"black-density": "too weak a black", "uptake": "too little dye all over"}
_NOTED = 2.5  # mean ΔE00 between readings that is told


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """A finished profile: its tables, the model behind it, and what is expected of it."""

    tables: ProfileTables
    model: PrinterModel
    gain: Gain
    round_trip_mean: float
    round_trip_p95: float
    volume: float
    curves: Floats
    trust: str
    printed: str
    view: str
    absolute: bool
    notes: tuple[str, ...]
    lit: Lit


def build_profile(request: ProfileRequest, *, progress: Callable[[str], None] | None = None) -> Profile:
    """Build a printer profile from readings of pressed targets.

    Parameters
    ----------
    request : ProfileRequest
    progress : callable, optional
        Told in a few words what is being done.

    Returns
    -------
    Profile

    Raises
    ------
    DataError
        A file is no reading, a sheet is not fit to be profiled, or has too few usable colours.
    UsageError
        The readings do not belong together.
    """
    say = progress or (lambda _: None)
    readings = load_readings(request.readings, lit=request.lit)
    for r in readings:
        check_fit(r)
    pool = pool_readings(readings)
    say("fitting the printer")
    model = fit_printer(pool.device_rgb, pool.lab, pool.std, usable=pool.usable)
    black_y = float(np.clip(lab_to_xyz(model.lab(np.zeros((1, 3))))[0, 1], 0.0, 0.5))
    forward, tables = profile_tables(model, black_y=black_y, version=request.version, say=say)
    say("working out what it gains")
    curves = neutral_curves(model.lab)
    colour = pool.usable & (pool.device_rgb < 255).any(axis=1)
    gain = expected_gain(
        model,
        forward,
        tables["b2a_relative"],
        black_y=black_y,
        camera=float(np.mean(pool.system[colour])),
        curves=curves,
    )
    mean, p95 = round_trip(forward, tables["b2a_relative"])
    white = D50_WHITE if pool.white_xyz is None else np.clip(pool.white_xyz, 0.0, 1.2)
    trusts = {r.trust for r in readings}
    return Profile(
        tables=ProfileTables(
            **tables,
            white_xyz=np.asarray(white),
            black_xyz=np.asarray(np.clip(black_y * white, 0.0, 1.0)),
            description=request.name,
            copyright="Made with colorcheck by the owner of the printer; free to use.",
            characterisation=characterisation(pool, request.name, readings[0].target.view),
            created=datetime.now(UTC),
            transparency=request.lit == "behind",
        ),
        model=model,
        gain=gain,
        round_trip_mean=mean,
        round_trip_p95=p95,
        volume=gamut.gamut_volume(forward.lab, 17),
        curves=curves,
        trust="balanced" if "balanced" in trusts else "referenced",
        printed=readings[0].file.printed,
        view=str(readings[0].target.view),
        absolute=pool.white_xyz is not None,
        notes=_notes(readings, pool, model, trusts),
        lit=request.lit,
    )


def check_fit(reading: SavedReading) -> None:
    """Refuse a sheet whose faults a profile would bake in.

    Raises
    ------
    DataError
        With the first fault in the fixed order of the verdict, and what to do.
    """
    verdict = reading.file.verdict
    action = verdict.action
    if action in ("accept", "change-profile"):
        return
    name = Path(reading.path).name
    failed = next((r for r in verdict.reasons if r.outcome == "fail"), None)
    if action not in ("re-press", "reprint", "retake-photo") or failed is None:
        raise DataError(f"{name} holds no verdict", "read the photo again")
    if action == "retake-photo":
        raise DataError(f"{name} cannot be profiled: its photo is unfit", "take the photo again as 'read' says")
    known = CATALOGUE[Kind(failed.measure)] if failed.measure in set(Kind) else None
    if failed.measure in _UNEVEN or (known is not None and known.step is Step.EVEN):
        where = f" {failed.place}" if failed.place else ""
        word = known.word if known else _UNEVEN[failed.measure]
        todo = "the press was uneven; mend that first, then print, press and read another target"
        raise DataError(f"{name} cannot be profiled: {word}{where}", todo)
    if failed.measure in _PALE:
        todo = "it is not pressed through; press longer, within the maker's limits, and read again"
        raise DataError(f"{name} cannot be profiled: {_PALE[failed.measure]}", todo)
    word, cause = (known.word, known.cause) if known else (failed.measure, "")
    raise DataError(f"{name} cannot be profiled: {word}", f"{cause} Then print and press another target".strip())


def _notes(readings: Sequence[SavedReading], pool: Pool, model: PrinterModel, trusts: set[str]) -> tuple[str, ...]:
    """Gather what a person should know beside the figures."""
    out = []
    for r in readings:
        if open_ := r.file.verdict.undecided:
            out.append(f"{Path(r.path).name}: too close to call for {', '.join(open_)}; see its reading")
    if np.isfinite(pool.between) and pool.between > _NOTED:
        out.append(f"the readings differ by {pool.between:.1f} ΔE00 on average; the profile takes their mean")
    if len(trusts) > 1:
        out.append("some readings are without a characterised camera; the doubt of those counts for all")
    if model.corners_missing:
        out.append(f"{model.corners_missing} of the 8 purest colours could not be measured and are guessed")
    if model.odd:
        plural = "s" if model.odd > 1 else ""
        out.append(f"{model.odd} colour{plural} fitted badly and counted less")
    if model.colours < 120:
        out.append(
            f"{model.colours} colours make a rough profile; the standard set has about 175, two sheets are better still"
        )
    return tuple(out)
