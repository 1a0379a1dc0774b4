"""The flow of `camera`, top to bottom: photos of a measured target → a characterised camera."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from ..colour.teachcamera import APART, UNFIT, card_of, disagreement, fit_together, match
from ..ground.errors import DataError, PhotoError
from ..ground.files import refuse_same
from ..ground.limits import load_limits
from ..ground.records import PhotoResult
from ..ground.relative import with_veil
from ..photo.camerafile import CameraFile, camera_to_dict
from ..photo.card import CardSignal
from ..sheet.exchange import read_measurements
from ..sheet.onephoto import work_file
from ..sheet.target import load_target
from .requests import CameraRequest


def characterise(request: CameraRequest, *, progress: Callable[[str], None] | None = None) -> CameraFile:
    """Characterise a phone or scanner from photos of a measured target.

    Parameters
    ----------
    request : CameraRequest
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
    refuse_same(request.photos)
    limits = load_limits()
    target = load_target(request.target)
    name = Path(request.measured).name
    measured = read_measurements(request.measured)
    xyz, known = match(target, measured, name)
    results: list[PhotoResult] = []
    cards: list[CardSignal] = []
    automatic = False
    for path in request.photos:
        say(f"reading {Path(path).name}")
        image, _, worked = work_file(path, target, limits=limits)
        one = worked.result
        if one.check.problems:
            measure, value, limit, _ = one.check.problems[0]
            raise PhotoError(
                f"{one.image_name} is not fit to characterise a camera ({measure} {value:.3g}, limit {limit:.3g})",
                "take it again: even light, no reflections, sharp, nothing clipped",
            )
        automatic |= worked.auto_balance
        cards.append(card_of(image, one, target))
        # with the veil in it: the camera's file says how large that usually is
        seen = with_veil(one.cells.rgb_rel, worked.veil_share)
        results.append(replace(one, flat=None, cells=replace(one.cells, rgb_rel=seen)))
    devices = sorted({r.device for r in results})
    if len(devices) > 1:
        raise DataError(
            f"the photos come from different devices ({', '.join(d or 'unnamed' for d in devices)})",
            "characterise each device by itself",
        )
    say("fitting")
    model = fit_together(target, results, cards, xyz, known, name)
    notes = list(measured.notes)
    while len(results) > 1:
        fit = [known & ((r.cells.flags & UNFIT) == 0) for r in results]
        apart = disagreement(model, results, fit)
        odd = int(np.argmax(apart))
        if apart[odd] <= APART:
            break
        if len(results) == 2:
            raise DataError(
                f"{results[0].image_name} and {results[1].image_name} do not agree ({apart[odd]:.1f} ΔE00): the "
                "light or the camera's own settings changed between them",
                "use photos in one and the same light, white balance locked; characterise each light by itself",
            )
        notes.append(
            f"{results[odd].image_name} was left out: it differs from the others by {apart[odd]:.1f} ΔE00, as under "
            "another light"
        )
        del results[odd], cards[odd]
        model = fit_together(target, results, cards, xyz, known, name)
    if not any(c.ok for c in cards):
        why = cards[0].why
        notes.append(f"no white card round the piece ({why}): readings will be media-relative only")
    if automatic:
        notes.append("white balance was automatic: lock it, here and when reading, or a change of lamp goes unnoticed")
    taken = results[0].taken[:10].replace(":", "-")
    return CameraFile(
        model=model,
        device=devices[0],
        light=request.light,
        date=taken or date.today().isoformat(),
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
