"""A characterised camera ⇄ its file: what was measured, with which device and light, and how well."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Annotated, Any

import msgspec
import numpy as np

from ..ground import reader
from ..ground.errors import DataError
from ..ground.files import read_json, shaped
from ..ground.jsontext import picked, rounded, write_json
from .camera import MAX_DEGREE, CameraModel, root_terms

SCHEMA = "colorcheck-camera/1"
Triple = tuple[float, float, float]
Perhaps = float | None  # None in the file is not a number in the record
Light = Annotated[float, msgspec.Meta(gt=0, le=8)]
White = Annotated[float, msgspec.Meta(gt=0, le=150)]


def _again() -> str:
    return "teach the camera again" if reader.on_page() else "make it again with 'colorcheck camera'"


def _own() -> str:
    return "choose a camera file" if reader.on_page() else "give the file that 'colorcheck camera' wrote"


class ModelFile(msgspec.Struct, frozen=True):
    """The numbers of a `CameraModel` in its file, within what a camera can have."""

    degree: Annotated[int, msgspec.Meta(ge=1, le=MAX_DEGREE)]
    coefficients: list[Triple]
    tone: Annotated[list[Annotated[float, msgspec.Meta(ge=-20, le=20)]], msgspec.Meta(max_length=12)]
    offset: Annotated[float, msgspec.Meta(ge=-0.05, le=0.2)]
    offset_std: Annotated[float, msgspec.Meta(ge=0, le=1)]
    coat_rgb: tuple[Light, Light, Light]
    coat_xyz: tuple[White, White, White]
    card_rgb: tuple[Perhaps, Perhaps, Perhaps]
    train_lab: Annotated[list[Triple], msgspec.Meta(min_length=1)]
    train_rgb: list[Triple]
    rest_at: list[Triple]
    rest_pull: list[Triple]
    rest_length: Annotated[float, msgspec.Meta(ge=0, lt=500)]
    train_error: list[Annotated[float, msgspec.Meta(ge=0)]]
    spacing: Annotated[float, msgspec.Meta(ge=0)]
    scores: Annotated[list[Perhaps], msgspec.Meta(min_length=MAX_DEGREE, max_length=MAX_DEGREE)]
    tone_score: tuple[Perhaps, Perhaps]
    fit_mean: float
    cv_mean: float
    cv_p95: float
    cells: int
    bad_cells: int


class CameraOnDisk(msgspec.Struct, frozen=True):
    """A camera file as it is written."""

    model: ModelFile
    device: str = ""
    light: str = ""
    date: str = ""
    target: str = ""
    photos: tuple[dict[str, str], ...] = ()
    notes: tuple[str, ...] = ()


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


def camera_to_dict(camera: CameraFile) -> dict[str, Any]:
    """Everything about a camera as JSON; numbers at full precision."""
    m = camera.model
    low, high = m.train_lab.min(axis=0), m.train_lab.max(axis=0)
    return {
        "schema": SCHEMA,
        **picked(camera, "device light date target photos notes"),
        "quality": {
            **picked(m, "mean_delta_e00=cv_mean p95_delta_e00=cv_p95 fit_mean_delta_e00=fit_mean cells"),
            **picked(m, "cells_left_out=bad_cells degree"),
            "tone_curve": len(m.tone) > 0,
            "veil": m.offset,
            "white_card": bool(np.isfinite(m.card_rgb).all()),
        },
        "trained_range": {"lab_low": low.tolist(), "lab_high": high.tolist(), "colours": len(m.train_lab)},
        "model": rounded({f.name: getattr(m, f.name) for f in fields(m)}, None),
    }


def camera_from_dict(data: Any) -> CameraFile:
    """Read a camera from JSON.

    Raises
    ------
    DataError
        It is no such file, or a damaged one.
    """
    if not isinstance(data, Mapping) or not str(data.get("schema", "")).startswith("colorcheck-camera/"):
        raise DataError("it is no camera file", _own())
    if data["schema"] != SCHEMA:
        raise DataError(f"it is of another version ({str(data['schema'])[:40]})", _again())
    told = shaped(data, CameraOnDisk, "it is damaged", _again())
    values: dict[str, Any] = msgspec.structs.asdict(told.model)
    values |= {k: np.array(v, dtype=float) for k, v in values.items() if isinstance(v, list | tuple)}
    m = CameraModel(**values)
    if m.coefficients.shape != (root_terms(np.ones((1, 3)), m.degree).shape[1], 3):
        raise DataError("'coefficients' do not belong to its degree", _again())
    if len({len(v) for v in (m.train_lab, m.train_rgb, m.train_error, m.rest_at, m.rest_pull)}) > 1:
        raise DataError("its training colours are incomplete", _again())
    if np.abs(m.coefficients).max() > 1e4:
        raise DataError("its numbers are beyond all cameras", _again())
    return CameraFile(m, told.device, told.light, told.date, told.target, told.photos, told.notes)


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
    data = read_json(p, "a camera file", todo=_own())
    try:
        return camera_from_dict(data)
    except DataError as err:
        raise DataError(f"{p.name}: {err.message}") from err
