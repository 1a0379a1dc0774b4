"""The flow of `compare`, top to bottom: several readings → which substrate, for what."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..colour.lightshare import LightShare, light_share
from ..colour.substrate import Substrate, cube_surface, measure_substrate, occupied, share_inside
from ..ground import reader
from ..ground.errors import DataError, UsageError
from ..ground.records import Floats
from ..sheet.savedreading import SavedReading, load_readings
from ..shop.piececost import Cost, cost_of
from ..shop.ranking import Ranking, rankings, same_camera
from .requests import CompareRequest


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """All that `compare` found.

    ``covers`` (n, n): share of the volume of the column's substrate that the row's reaches. ``notes`` are (what, names)
    to be put into words.
    """

    substrates: tuple[Substrate, ...]
    costs: dict[str, Cost]
    lights: dict[str, LightShare]
    rankings: dict[str, Ranking]
    purpose: str
    one_camera: bool
    covers: Floats
    notes: tuple[tuple[str, tuple[str, ...]], ...]


def compare(request: CompareRequest, *, progress: Callable[[str], None] | None = None) -> Comparison:
    """Compare substrates by their saved readings.

    Parameters
    ----------
    request : CompareRequest
    progress : callable, optional
        Told in a word what is being done.

    Returns
    -------
    Comparison

    Raises
    ------
    UsageError
        One substrate only, a file twice, unknown names, or what the purpose needs is missing.
    DataError
        A file is no reading, or the readings cannot be compared.
    PhotoError
        The two photos of the light panel do not belong together.
    """
    say = progress or (lambda _: None)
    paths, same_setup = request.readings, request.same_setup
    _check_files(paths)
    labels = _labels(paths, request.names)
    groups = list(dict.fromkeys(labels))
    _check_groups(groups, labels, request)
    readings = load_readings(paths, lit=request.lit)
    _check_readings(readings)
    measured = []
    for n, name in enumerate(groups):
        say(f"measuring {name}")
        measured.append(
            measure_substrate(
                name,
                [r for r, k in zip(readings, labels, strict=True) if k == name],
                same_setup=same_setup,
                seed=n,
            )
        )
    own = {name: next(r for r, k in zip(readings, labels, strict=True) if k == name).target for name in groups}
    shares = {}
    for name, (with_piece, without) in request.lights.items():
        say(f"light through {name}")
        shares[name] = light_share(with_piece, without, target=own[name])
    spent = {name: cost_of(parts, name) for name, parts in request.costs.items()}
    alike = [same_camera(a, b) for a in measured for b in measured]
    return Comparison(
        substrates=tuple(measured),
        costs=spent,
        lights=shares,
        rankings=rankings(measured, spent, shares),
        purpose=request.purpose,
        one_camera=all(alike),
        covers=_covers(measured),
        notes=_notes(measured, readings, same_setup),
    )


def _labels(paths: Sequence[str | Path], names: Sequence[str] | None) -> list[str]:
    """Name of every reading's substrate."""
    if names is not None:
        if len(names) != len(paths):
            raise UsageError(
                f"{reader.option('names')} gives {len(names)} names for {len(paths)} readings",
                "give one for each reading, in their order; readings of one substrate get the same name",
            )
        labels = [n.strip() for n in names]
        if not all(labels):
            raise UsageError(
                f"{reader.option('names')} holds an empty name", "give one for each reading, separated by commas"
            )
        return labels
    stems = [Path(p).stem for p in paths]
    if len(set(stems)) == len(stems):
        return stems
    return [f"{Path(p).resolve().parent.name}/{Path(p).stem}" for p in paths]


def _check_groups(groups: Sequence[str], labels: Sequence[str], request: CompareRequest) -> None:
    costs: Mapping[str, Any] = request.costs
    lights: Mapping[str, Any] = request.lights
    if len(labels) < 2:
        raise UsageError("one reading alone cannot be compared", "give the readings of at least two substrates")
    if len(groups) < 2:
        raise UsageError(
            f"all {len(labels)} readings are named '{groups[0]}'", "give the readings of at least two substrates"
        )
    for what, given in (("cost", costs), ("light", lights)):
        for name in given:
            if name not in groups:
                raise UsageError(
                    f"{reader.option(what)} names '{name}', which is none of the substrates here",
                    f"they are {', '.join(groups)}",
                )
    for wanted, what, given in (("cost", "cost", costs), ("window", "light", lights)):
        missing = [g for g in groups if g not in given]
        if request.purpose == wanted and missing:
            raise UsageError(
                f"{reader.option('purpose')} {wanted} needs {reader.option(what)} for every substrate",
                f"it is missing for {', '.join(missing)}",
            )


def _check_files(paths: Sequence[str | Path]) -> None:
    there = [Path(p) for p in paths]
    for n, p in enumerate(there):
        for q in there[:n]:
            if p.exists() and q.exists() and p.samefile(q):
                raise UsageError(f"{p.name} is given twice", "give each reading once")


def _photo_hashes(reading: SavedReading) -> set[str]:
    return {p.sha256 for p in reading.file.photos if p.sha256}


def _check_readings(readings: Sequence[SavedReading]) -> None:
    for n, r in enumerate(readings):
        doubt = np.concatenate([r.u_random, r.uncertainty])
        if np.abs(r.lab).max() > 500 or not np.isfinite(doubt).all() or doubt.min() < 0 or doubt.max() > 1000:
            raise DataError(f"{Path(r.path).name} is a damaged reading", "read the photo again")
        for q in readings[:n]:
            if _photo_hashes(r) & _photo_hashes(q):
                raise DataError(
                    f"{Path(q.path).name} and {Path(r.path).name} come from the same photo",
                    "give each photo's reading once",
                )
    raw_ones = [r for r in readings if r.file.printed == "raw"]
    usual_ones = [r for r in readings if r.file.printed != "raw"]
    if raw_ones and usual_ones:
        raw, usual = raw_ones[0], usual_ones[0]
        raise DataError(
            f"{Path(raw.path).name} was printed raw and {Path(usual.path).name} as usual, so they differ by the "
            "profile and not by the substrate alone",
            "compare sheets that were printed the same way",
        )
    for r in readings:
        good = len(np.unique(np.asarray(r.target.device_rgb)[r.usable], axis=0))
        if good < 12:
            raise DataError(
                f"{Path(r.path).name} has only {good} usable colours", "photograph the target again without reflections"
            )


def _notes(
    measured: Sequence[Substrate], readings: Sequence[SavedReading], same_setup: bool
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """List what limits the comparison."""
    out: list[tuple[str, tuple[str, ...]]] = []
    cameras = tuple(sorted({d for r in readings for d in r.devices}))
    if len(cameras) > 1:
        out.append(("cameras differ", tuple(c or "one not named" for c in cameras)))
    elif cameras == ("",):
        out.append(("camera not named", ()))
    if not same_setup:
        out.append(("set-up may differ", ()))
    if len({s.trust for s in measured}) > 1:
        out.append(("trust differs", tuple(s.name for s in measured if s.trust == "balanced")))
    if not all(s.absolute for s in measured):
        out.append(("relative", tuple(s.name for s in measured if not s.absolute)))
    if len({s.layouts for s in measured}) > 1:
        out.append(("layouts differ", tuple(sorted({k for s in measured for k in s.layouts}))))
    if bound := tuple(s.name for s in measured if s.density_is_bound):
        out.append(("density is a bound", bound))
    if through := tuple(s.name for s in measured if s.through):
        out.append(("seen through glass", through))
    if unfit := tuple(s.name for s in measured if s.unfit):
        out.append(("unfit photo", unfit))
    if single := tuple(s.name for s in measured if len(s.files) == 1):
        out.append(("read once", single))
    return tuple(out)


def _covers(measured: Sequence[Substrate]) -> Floats:
    """Share of each one's colours that the others reach, (row reaches, of column)."""
    places, triangles = cube_surface(17)
    bodies = [occupied(s.lab_of(places), triangles) for s in measured]
    return np.array([[share_inside(of, by) for of in bodies] for by in bodies])
