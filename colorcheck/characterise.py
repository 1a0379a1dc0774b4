"""The whole flow of `camera`: photos of a measured target → a characterised camera."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from .camera import MIN_COLOURS, fit_camera
from .camerafile import CameraFile, camera_to_dict
from .card import CardSignal, card_signal, coat_of, join
from .errors import DataError, PhotoError
from .exchange import Measurements, read_measurements
from .lighting import fit_light, light_at
from .pipeline import centres, work_file
from .records import CellFlag, CellKind, Floats, LinearImage, Mask, PhotoResult, Target
from .verdict import load_limits

_UNFIT = int(CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE | CellFlag.UNEVEN)
_SAME_COLOUR = 3.0  # device steps by which RGB in the measured file may differ from the layout


def card_of(image: LinearImage, result: PhotoResult, target: Target) -> CardSignal:
    """Look for the white card round the piece.

    Parameters
    ----------
    image : LinearImage
        As decoded; it is flipped here where the pose says so.
    """
    if result.pose.mirrored:
        image = replace(
            image,
            rgb=np.ascontiguousarray(image.rgb[:, ::-1]),
            clipped=np.ascontiguousarray(image.clipped[:, ::-1]),
        )
    white = (target.kind == CellKind.WHITE) & ((result.cells.flags & _UNFIT) == 0)
    if white.sum() < 4:
        return CardSignal(np.full(3, np.nan), np.inf, False, "uneven")
    fit = fit_light(centres(target)[white], result.light.e_cell[white], target.size_mm)
    return card_signal(image, result.pose, target, lambda mm: light_at(fit, mm)[0])


def match(target: Target, measured: Measurements, name: str) -> tuple[Floats, Mask]:
    """Bring measured values into the order of the target's cells.

    Returns
    -------
    xyz (n, 3), known (n,)
        NaN where a cell was not measured.

    Raises
    ------
    DataError
        The file is of another target, or holds too few of its cells.
    """
    places = {i.strip().casefold(): k for k, i in enumerate(target.ids)}
    rows = [(places.get(i.strip().casefold()), k) for k, i in enumerate(measured.ids)]
    hits = [(cell, row) for cell, row in rows if cell is not None]
    if len(hits) < min(len(rows), len(target.ids)) * 0.5:
        raise DataError(
            f"only {len(hits)} of {len(rows)} SAMPLE_IDs in {name} are cells of {target.name}",
            "give the values measured on this very target, with its cell names as SAMPLE_ID",
        )
    cells, at = np.array([c for c, _ in hits]), np.array([r for _, r in hits])
    if measured.device_rgb is not None:
        off = np.abs(measured.device_rgb[at] - target.device_rgb[cells]).max(axis=1)
        if (off > _SAME_COLOUR).mean() > 0.05:
            worst = int(np.argmax(off))
            raise DataError(
                f"{name} belongs to another target: RGB of {measured.ids[at[worst]]} is not that of {target.name}",
                "give the values measured on this very target",
            )
    xyz = np.full((len(target.ids), 3), np.nan)
    xyz[cells] = measured.xyz[at]
    known = np.isfinite(xyz).all(axis=1)
    colours = len(np.unique(target.device_rgb[known], axis=0))
    if colours < MIN_COLOURS:
        raise DataError(
            f"{name} holds {colours} colours of {target.name}, {MIN_COLOURS} are needed", "measure more cells"
        )
    if not (known & (target.kind == CellKind.WHITE)).any():
        raise DataError(f"{name} holds no white cell of {target.name}", "measure at least one: it is the bare coat")
    return xyz, known


def _check_order(target: Target, seen: Floats, xyz: Floats, usable: Mask, name: str) -> None:
    """Refuse measured values that do not go up and down with what the photo shows."""
    a, b = seen[usable].mean(axis=1), xyz[usable, 1]
    ra, rb = np.argsort(np.argsort(a)).astype(float), np.argsort(np.argsort(b)).astype(float)
    if len(a) < 3 or np.corrcoef(ra, rb)[0, 1] < 0.9:
        raise DataError(
            f"the values in {name} do not go with the photo of {target.name}",
            "check that they were measured on this piece and that rows and columns are in order",
        )


def characterise(
    photos: Sequence[str | Path],
    target: Target,
    measured_path: str | Path,
    *,
    light: str = "",
    limits: dict[str, Any] | None = None,
    today: str = "",
    progress: Callable[[str], None] | None = None,
) -> CameraFile:
    """Characterise a phone or scanner from photos of a measured target.

    Parameters
    ----------
    photos : paths
        One or several, of the same piece, with the same device.
    target : Target
    measured_path : path
        ISO 28178 text.
    light : str
        A note about the lamp.
    today : str
        ISO day for the file; the day of the photo otherwise.
    progress : callable, optional
        Told in a word what is being done.

    Returns
    -------
    CameraFile

    Raises
    ------
    ColorcheckError
        A photo or the measured file cannot serve.
    """
    say = progress or (lambda _: None)
    limits = load_limits() if limits is None else limits
    name = Path(measured_path).name
    measured = read_measurements(measured_path)
    xyz, known = match(target, measured, name)
    results: list[PhotoResult] = []
    cards: list[CardSignal] = []
    for path in photos:
        say(f"reading {Path(path).name}")
        image, _, worked = work_file(path, target, limits=limits)
        one = worked.result
        if one.check.problems:
            measure, value, limit, _ = one.check.problems[0]
            raise PhotoError(
                f"{one.image_name} is not fit to characterise a camera ({measure} {value:.3g}, limit {limit:.3g})",
                "take it again: even light, no reflections, sharp, nothing clipped",
            )
        cards.append(card_of(image, one, target))
        results.append(replace(one, flat=None))
    devices = sorted({r.device for r in results})
    if len(devices) > 1:
        raise DataError(
            f"the photos come from different devices ({', '.join(d or 'unnamed' for d in devices)})",
            "characterise each device by itself",
        )
    say("fitting")
    white = known & (target.kind == CellKind.WHITE)
    white_xyz = np.median(xyz[white], axis=0)
    rgb = np.concatenate([r.cells.rgb_rel for r in results])
    usable = np.concatenate([known & ((r.cells.flags & _UNFIT) == 0) for r in results])
    every = np.tile(xyz, (len(results), 1))
    _check_order(target, rgb, every, usable, name)
    model = fit_camera(
        rgb,
        np.concatenate([r.cells.u_noise for r in results]),
        usable,
        np.tile(target.device_rgb, (len(results), 1)),
        every,
        white_xyz,
        np.repeat([coat_of(r.light) for r in results], len(target.ids), axis=0),
        card_rgb=join(cards),
    )
    notes = list(measured.notes)
    if not all(c.ok for c in cards):
        why = next(c.why for c in cards if not c.ok)
        notes.append(f"no white card round the piece ({why}): readings will be media-relative only")
    taken = results[0].taken[:10].replace(":", "-")
    return CameraFile(
        model=model,
        device=devices[0],
        light=light,
        date=today or taken or date.today().isoformat(),
        target=target.name,
        photos=tuple({"file": r.image_name, "sha256": r.sha256} for r in results),
        notes=tuple(notes),
    )


def characterise_result(camera: CameraFile, path: str | Path) -> dict[str, Any]:
    """Collect what the command shows and writes with ``--json``: all but the numbers of the model."""
    data = camera_to_dict(camera)
    model = data.pop("model")
    scores = {str(k + 1): v for k, v in enumerate(model["scores"]) if v is not None}
    return {**data, "schema": "colorcheck-camera-result/1", "file": str(path), "scores_by_degree": scores}
