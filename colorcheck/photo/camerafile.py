"""A characterised camera ⇄ its file: what was measured, with which device and light, and how well."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from ..ground.errors import DataError
from ..ground.files import read_json
from ..ground.jsontext import write_json
from ..ground.records import Floats
from .camera import MAX_DEGREE, CameraModel, root_terms

SCHEMA = "colorcheck-camera/1"
_MAX_BYTES = 5_000_000
_TODO = "make it again with 'colorcheck camera'"
_ARRAYS: dict[str, tuple[int | None, ...]] = {
    "coefficients": (None, 3),
    "tone": (None,),
    "coat_rgb": (3,),
    "coat_xyz": (3,),
    "card_rgb": (3,),
    "train_lab": (None, 3),
    "rest_at": (None, 3),
    "rest_pull": (None, 3),
    "train_rgb": (None, 3),
    "train_error": (None,),
    "scores": (MAX_DEGREE,),
    "tone_score": (2,),
}  # shapes; None is free
_MAY_BE_UNKNOWN = {"card_rgb", "scores", "tone_score"}


@dataclass(frozen=True, slots=True, eq=False)
class CameraFile:
    """A camera model and where it comes from.

    ``device`` as the photos name it, ``light`` a note of the user's or what was told from the photos,
    ``date`` ISO day, ``target`` name of the measured sheet, ``photos`` their names and checksums.
    """

    model: CameraModel
    device: str
    light: str
    date: str
    target: str
    photos: tuple[dict[str, str], ...]
    notes: tuple[str, ...] = ()


def _plain(value: Any) -> Any:
    """Turn arrays into lists; what is not finite becomes null."""
    if isinstance(value, np.ndarray):
        return [_plain(v) for v in value.tolist()]
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value


def camera_to_dict(camera: CameraFile) -> dict[str, Any]:
    """Everything about a camera as JSON; numbers at full precision."""
    m = camera.model
    low, high = m.train_lab.min(axis=0), m.train_lab.max(axis=0)
    return {
        "schema": SCHEMA,
        "device": camera.device,
        "light": camera.light,
        "date": camera.date,
        "target": camera.target,
        "photos": [dict(p) for p in camera.photos],
        "notes": list(camera.notes),
        "quality": {
            "mean_delta_e00": m.cv_mean,
            "p95_delta_e00": m.cv_p95,
            "fit_mean_delta_e00": m.fit_mean,
            "cells": m.cells,
            "cells_left_out": m.bad_cells,
            "degree": m.degree,
            "tone_curve": len(m.tone) > 0,
            "veil": m.offset,
            "white_card": bool(np.isfinite(m.card_rgb).all()),
        },
        "trained_range": {"lab_low": _plain(low), "lab_high": _plain(high), "colours": len(m.train_lab)},
        "model": {f.name: _plain(getattr(m, f.name)) for f in fields(m)},
    }


def _array(name: str, value: Any, shape: tuple[int | None, ...]) -> Floats:
    """One array of the file, checked."""
    try:
        raw = np.array(value, dtype=object)
        out = np.array([math.nan if v is None else float(v) for v in raw.ravel()], dtype=float)
        out = out.reshape(raw.shape)
    except (TypeError, ValueError) as err:
        raise DataError(f"'{name}' holds something that is no number", _TODO) from err
    if out.size == 0 and len(shape) == 1:
        out = out.reshape(0)
    if out.ndim != len(shape) or any(s is not None and s != n for s, n in zip(shape, out.shape, strict=True)):
        raise DataError(f"'{name}' has the wrong size", _TODO)
    if name not in _MAY_BE_UNKNOWN and not np.isfinite(out).all():
        raise DataError(f"'{name}' holds something that is no number", _TODO)
    return out


def _model(data: Any) -> CameraModel:
    """Read the numbers of the model and hold them against one another."""
    if not isinstance(data, Mapping):
        raise DataError("its model is missing", _TODO)
    values: dict[str, Any] = {}
    for f in fields(CameraModel):
        if f.name not in data:
            raise DataError(f"'{f.name}' is missing", _TODO)
        value = data[f.name]
        if f.name in _ARRAYS:
            values[f.name] = _array(f.name, value, _ARRAYS[f.name])
        elif isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise DataError(f"'{f.name}' is no number", _TODO)
        elif f.type == "int" or f.name in ("degree", "cells", "bad_cells"):
            if value != int(value):
                raise DataError(f"'{f.name}' is no whole number", _TODO)
            values[f.name] = int(value)
        else:
            values[f.name] = float(value)
    m = CameraModel(**values)
    if not 1 <= m.degree <= MAX_DEGREE:
        raise DataError(f"degree {m.degree} is unknown", _TODO)
    if len(m.coefficients) != root_terms(np.ones((1, 3)), m.degree).shape[1]:
        raise DataError("'coefficients' do not belong to its degree", _TODO)
    if (
        len(m.train_lab) == 0
        or len({len(v) for v in (m.train_lab, m.train_rgb, m.train_error, m.rest_at, m.rest_pull)}) > 1
    ):
        raise DataError("its training colours are incomplete", _TODO)
    if len(m.tone) > 12 or (np.abs(m.tone) > 20).any() or np.abs(m.coefficients).max() > 1e4:
        raise DataError("its numbers are beyond all cameras", _TODO)
    if (m.coat_rgb <= 0).any() or (m.coat_rgb > 8).any() or (m.coat_xyz <= 0).any() or (m.coat_xyz > 150).any():
        raise DataError("its coat is no white", _TODO)
    if not (
        -0.05 <= m.offset <= 0.2
        and 0 <= m.offset_std <= 1
        and m.spacing >= 0
        and 0 <= m.rest_length < 500
        and (m.train_error >= 0).all()
    ):
        raise DataError("its numbers are beyond all cameras", _TODO)
    return m


def camera_from_dict(data: Any) -> CameraFile:
    """Read a camera from JSON.

    Raises
    ------
    DataError
        It is no such file, or a damaged one.
    """
    if not isinstance(data, Mapping) or not str(data.get("schema", "")).startswith("colorcheck-camera/"):
        raise DataError("it is no camera file", "give the file that 'colorcheck camera' wrote")
    if data["schema"] != SCHEMA:
        raise DataError(f"it is of another version ({str(data['schema'])[:40]})", _TODO)
    photos = data.get("photos", [])
    if not isinstance(photos, list) or not all(isinstance(p, Mapping) for p in photos):
        raise DataError("'photos' is damaged", _TODO)
    notes = data.get("notes", [])
    return CameraFile(
        model=_model(data.get("model")),
        device=str(data.get("device", "")),
        light=str(data.get("light", "")),
        date=str(data.get("date", "")),
        target=str(data.get("target", "")),
        photos=tuple({str(k): str(v) for k, v in p.items()} for p in photos),
        notes=tuple(str(n) for n in notes) if isinstance(notes, list) else (),
    )


def save_camera(path: str | Path, camera: CameraFile) -> None:
    """Write a camera file whole or not at all.

    Raises
    ------
    FileError
        The folder does not exist or cannot be written.
    """
    write_json(path, camera_to_dict(camera))


def load_camera(path: str | Path) -> CameraFile:
    """Read a camera file.

    Raises
    ------
    FileError
        It is missing or cannot be read.
    DataError
        It is no camera file, or a damaged one.
    """
    p = Path(path)
    todo = "give the file that 'colorcheck camera' wrote"
    data = read_json(p, "a camera file", todo=todo, max_bytes=_MAX_BYTES)
    try:
        return camera_from_dict(data)
    except DataError as err:
        raise DataError(f"{p.name}: {err.message}") from err
