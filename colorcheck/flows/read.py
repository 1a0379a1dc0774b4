"""The flow of `read`, top to bottom: photos of a pressed target → what it measures, and what to do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from ..colour.accuracy import judge_accuracy
from ..faults.evenness import judge_evenness
from ..faults.find import find_faults
from ..faults.inks import as_passed_twice, ink_finding, missing_inks, uptake_of
from ..faults.lightbands import display_pixels, light_bands
from ..faults.litside import black_passes, light_around, lit_otherwise
from ..faults.uptake import uptake_of_piece
from ..faults.verdict import (
    colour_reasons,
    decide,
    density_reason,
    evenness_reasons,
    finding_reasons,
    photo_reasons,
    uptake_reasons,
)
from ..ground.errors import UsageError
from ..ground.files import refuse_same
from ..ground.limits import load_limits
from ..ground.records import CellFlag, CellKind, Earlier, Kind, PrintCheck, Reading
from ..ground.response import fit_response
from ..photo.benchfile import load_bench
from ..photo.cameradoubt import TONE_STD
from ..photo.camerafile import load_camera
from ..sheet.edgewidth import edge_width
from ..sheet.merge import merge_cells, merge_fields
from ..sheet.onephoto import WorkedPhoto, refer, work_files
from ..sheet.residue import sheet_residue
from ..sheet.savedreading import load_readings
from ..sheet.sheetlight import expected
from ..sheet.target import load_target
from .repeat import load_floor
from .requests import ReadRequest
from .samepiece import check_same_piece

_UNFIT = int(CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE)
_TESTED = (Kind.GHOST, Kind.BANDING, Kind.MISSING_INK, Kind.SCORCH)  # worth a line even when nothing was found
_AUTO_NOTE = "white balance was automatic: a lamp unlike that of the characterisation would go unnoticed; lock it"


def read(request: ReadRequest, *, progress: Callable[[str], None] | None = None) -> Reading:
    """Read a pressed target from one or several photos.

    Parameters
    ----------
    request : ReadRequest
    progress : callable, optional
        Told in a word what is being done.

    Returns
    -------
    Reading

    Raises
    ------
    ColorcheckError
        A file cannot be read, or a photo shows no target, two, or another one.
    """
    say = progress or (lambda _: None)
    refuse_same(request.photos)
    repress = request.pressing.advice()
    limits = load_limits(request.limits).lit_from(request.lit)
    floor = load_floor(request.repeat) if request.repeat else None
    camera = load_camera(request.camera).model if request.camera else None
    bench = load_bench(request.bench) if request.bench else None
    tone_std = TONE_STD if bench is None or bench.exponent_std is None else bench.exponent_std
    if bench is not None and camera is not None:
        bench = replace(bench, tone=np.zeros(0))  # the camera's file holds its curve
    target = load_target(request.target) if request.target else None
    against = None
    if request.against:
        saved = load_readings([request.against], lit=request.lit)[0]
        target = target or saved.target
        if target.ids != saved.target.ids or target.code_text != saved.target.code_text:
            raise UsageError(
                f"{request.against} is a reading of another target layout", "compare readings of the same layout only"
            )
        against = Earlier(saved.name, saved.lab, saved.u_random, saved.usable)

    target, worked = work_files(request.photos, target, limits=limits, say=say, bench=bench)
    say("judging")
    fit = [k for k in worked if not k.result.check.problems] or list(worked)
    check_same_piece(
        [k.result.image_name for k in fit],
        [k.result.cells for k in fit],
        limits.colour.mean_de00,
        one_camera=camera is not None,
    )
    cells = merge_cells(tuple(k.result.cells for k in fit))
    if floor is not None:
        noise = np.maximum(cells.u_noise, floor(target.ids) / np.sqrt(len(fit)))
        cells = replace(cells, u_noise=noise, uncertainty=np.hypot(noise, cells.u_system))
    field_rel, weight, std, glare = merge_fields(
        [k.field_rel for k in fit],
        [k.result.field.weight for k in fit],
        [k.field_std for k in fit],
        [k.result.light.glare for k in fit],
    )
    usable = (cells.flags & _UNFIT) == 0
    due, error, response = expected(target, cells.rgb_rel, usable)
    step = fit[0].result.field.step_mm
    ok = usable & (target.kind != CellKind.WHITE)
    even = judge_evenness(target, field_rel, weight, std, glare, step, cells.rgb_rel, due, response.error, ok)
    even_rgb = np.maximum(cells.rgb_rel, 1e-4) ** (1 / np.clip(even.uptake_cell, 0.4, 2.0))[:, None]
    due, error, _ = expected(target, even_rgb, usable)  # what lies evenly pressed beside it, not the middle of both
    main = next(k for k in worked if k.result.flat is not None)
    flat = main.result.flat
    assert flat is not None
    typical = np.nanmedian(field_rel.reshape(-1, 3), axis=0)
    res = sheet_residue(target, [main], due, error, typical, edge_mm=main.result.check.edge_mm, lit_from=request.lit)
    found = find_faults(res, limits)
    inks = main.result.cells if request.lit == "front" else as_passed_twice(main.result.cells)
    missing = missing_inks(target, inks)
    findings = (*found.findings, *(ink_finding(name, target, main.result.cells) for name in missing))
    taken_up = uptake_of(target, inks)
    prints = PrintCheck(found.looked, missing, edge_width(target, flat), *taken_up)
    change = None
    if camera is not None:
        cells, change = refer(cells, camera, fit)
        worked = tuple(_noted(k) if k.auto_balance and k in fit else k for k in worked)
    even_rgb = np.maximum(cells.rgb_rel, 1e-4) ** (1 / np.clip(even.uptake_cell, 0.4, 2.0))[:, None]
    smooth = fit_response(
        target.device_rgb, np.where(ok[:, None], even_rgb, cells.rgb_rel), weights=np.where(usable, 1.0, 0.0)
    )
    trust = "balanced" if camera is None else "referenced"
    accuracy = judge_accuracy(
        target, cells, smooth, even.uptake_cell, against=against, trust=trust, tone_std=tone_std, lit=request.lit
    )
    black = (target.kind == CellKind.BLACK) & usable
    density = float(np.median(cells.density[black if black.any() else target.kind == CellKind.BLACK]))
    tone_slope = abs(main.tone.field_slope) * 3.0
    uptake = uptake_of_piece(target, accuracy, trust=trust, printed=request.printed, tone_std=tone_std)
    beside = np.concatenate([k.card.around for k in fit])
    uneven = main.result.light.ratio > limits.photo.light_ratio
    sides = light_around(beside, request.lit, uneven=uneven)
    if not sides and request.printed == "as-usual":
        seen = (cells.flags & int(CellFlag.CLIPPED)) == 0
        sides = lit_otherwise(target.device_rgb[seen].astype(float), cells.rgb_rel[seen], request.lit)
    reasons = [
        *sides,
        *photo_reasons([k.result.check for k in worked]),
        *light_bands(res, main.result.pose, limits),
        *display_pixels(res, limits),
        *finding_reasons(findings, limits, tested=_TESTED),
        *evenness_reasons(even, limits),
        *uptake_reasons(uptake, limits),
        density_reason(density, uptake, limits, printed=request.printed),
        *black_passes(density, request.lit),
        *colour_reasons(accuracy, limits, printed=request.printed, tone_std=tone_slope, other_light=change),
    ]
    verdict = decide(reasons, paper=request.taped, repress=repress)
    return Reading(
        target=target,
        trust=trust,
        absolute=cells.lab_absolute is not None,
        printed=request.printed,
        paper=request.taped,
        photos=tuple(k.result for k in worked),
        cells=cells,
        evenness=even,
        prints=prints,
        findings=findings,
        accuracy=accuracy,
        verdict=verdict,
        limits=limits,
        bench="" if bench is None else bench.name,
        lit=request.lit,
    )


def _noted(photo: WorkedPhoto) -> WorkedPhoto:
    return replace(photo, result=replace(photo.result, notes=(*photo.result.notes, _AUTO_NOTE)))


def read_photos(
    photos: str | Path | Sequence[str | Path], *, progress: Callable[[str], None] | None = None, **asked: Any
) -> Reading:
    """Read photos of one pressed target: ``colorcheck.read("plaque.jpg", paper="off")``.

    Parameters
    ----------
    photos : path or paths
    progress : callable, optional
        Told in a word what is being done.
    **asked
        Fields of `ReadRequest`.

    Returns
    -------
    Reading

    Raises
    ------
    ColorcheckError
        As for `read`.
    """
    paths = [photos] if isinstance(photos, str | Path) else photos
    return read(ReadRequest(photos=tuple(str(p) for p in paths), **asked), progress=progress)
