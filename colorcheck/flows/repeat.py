"""How well several photos of one piece agree, and the smallest difference they can tell."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import msgspec
import numpy as np

from ..ground import reader
from ..ground.cielab import delta_e00
from ..ground.errors import DataError
from ..ground.files import read_json, refuse_same, shaped
from ..ground.limits import load_limits
from ..ground.records import CellFlag, Floats, Target
from ..sheet.onephoto import work_file
from ..sheet.target import load_target
from .requests import RepeatRequest
from .samepiece import check_same_piece

SCHEMA = "colorcheck-repeat/1"
_UNFIT = int(CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE)


@dataclass(frozen=True, slots=True, eq=False)
class Repeatability:
    """Spread of n readings of one piece.

    ``cell_std`` (n_cells,) standard deviation of one reading of one cell, ΔE00; ``mean``
    and ``p95`` over the cells; ``common`` that of the mean over all cells, which is what
    a change of light or camera does to all alike; ``smallest_cell`` and
    ``smallest_mean`` the differences between two readings that chance passes in 1 of 20 cases: Student's t, since few
    photos tell their own scatter badly. For the mean there are as many degrees of freedom as photos less one; cells
    pool theirs, but photos are shared by all of them, so no more are counted.
    """

    target: Target
    photos: tuple[str, ...]
    cell_std: Floats
    mean: float
    p95: float
    common: float
    smallest_cell: float
    smallest_mean: float
    odd: tuple[str, ...]


def repeat(request: RepeatRequest, *, progress: Callable[[str], None] | None = None) -> Repeatability:
    """Read every photo by itself and compare.

    Parameters
    ----------
    request : RepeatRequest
    progress : callable, optional
        Told in a word what is being done.

    Returns
    -------
    Repeatability

    Raises
    ------
    ColorcheckError
        A photo cannot be read, or too few cells are clear in three of them.
    """
    from scipy.special import stdtrit

    say = progress or (lambda _: None)
    refuse_same(request.photos)
    limits = load_limits()
    target = load_target(request.target) if request.target else None
    photos = request.photos
    seen, labs, bad = [], [], []
    for path in photos:
        say(f"reading {Path(path).name}")
        _, target, one = work_file(path, target, limits=limits)
        seen.append(one.result.cells)
        labs.append(one.result.cells.lab)
        bad.append((one.result.cells.flags & _UNFIT) > 0)
    assert target is not None
    check_same_piece([Path(p).name for p in photos], seen, limits.colour.mean_de00, one_camera=True)
    lab = np.where(np.stack(bad)[..., None], np.nan, np.stack(labs))
    count = np.isfinite(lab[..., 0]).sum(axis=0)
    if (count >= 3).sum() < 10:
        raise DataError("too few cells are clear in three of the photos", "take out photos with glare or clipping")
    use = count >= 3
    lab = lab[:, use]
    middle = np.nanmean(lab, axis=0)
    off = delta_e00(lab, middle[None])
    n = count[use]
    std = np.sqrt(np.nansum(off**2, axis=0) / (n - 1))
    shift = np.nanmean(lab - middle[None], axis=1)  # (photos, 3) what one photo does to all cells
    common = float(np.sqrt((shift**2).sum(axis=1).sum() / (len(photos) - 1)))
    per_photo = np.sqrt(np.nanmean(off**2, axis=1))
    odd = tuple(
        Path(p).name
        for p, v in zip(photos, per_photo, strict=True)
        if v > 2.5 * float(np.median(per_photo)) and v > 0.5
    )
    full = np.full(len(use), np.nan)
    full[use] = std
    mean = float(np.sqrt(np.mean(std**2)))
    sure = float(stdtrit(len(photos) - 1, 0.975))  # 4.30 with three photos, 2.26 with ten; 1.96 with very many
    return Repeatability(
        target=target,
        photos=tuple(Path(p).name for p in photos),
        cell_std=full,
        mean=mean,
        p95=float(np.percentile(std, 95)),
        common=common,
        smallest_cell=sure * float(np.sqrt(2)) * mean,
        smallest_mean=sure * float(np.sqrt(2)) * common,
        odd=odd,
    )


def to_dict(r: Repeatability) -> dict[str, Any]:
    """Turn a study into JSON; `read --repeat` takes it up as its noise floor."""
    return {
        "schema": SCHEMA,
        "name": r.target.name,
        "code": r.target.code_text,
        "photos": list(r.photos),
        "repeatability_delta_e00": round(r.mean, 4),
        "p95_delta_e00": round(r.p95, 4),
        "common_delta_e00": round(r.common, 4),
        "smallest_difference_cell": round(r.smallest_cell, 3),
        "smallest_difference_mean": round(r.smallest_mean, 3),
        "odd_photos": list(r.odd),
        "cells": [
            {"id": i, "std_delta_e00": None if not np.isfinite(v) else round(float(v), 4)}
            for i, v in zip(r.target.ids, r.cell_std, strict=True)
        ],
    }


NotNegative = Annotated[float, msgspec.Meta(ge=0)]


class CellFloor(msgspec.Struct, frozen=True):
    """Scatter of one cell in a study file."""

    id: str
    std_delta_e00: NotNegative | None


class StudyFile(msgspec.Struct, frozen=True):
    """A repeat study as `to_dict` writes it, as far as it is taken up again."""

    repeatability_delta_e00: NotNegative
    cells: list[CellFloor]


def load_floor(path: str | Path) -> Callable[[Sequence[str]], Floats]:
    """Read a saved study; the answer gives the noise floor (n,) of cells by name, unknown ones its mean.

    Raises
    ------
    FileError
        It cannot be read.
    DataError
        It is not a repeat study.
    """
    p = Path(path)
    todo = "make it again" if reader.on_page() else "make one with 'colorcheck repeat'"
    data = read_json(p, "a repeat study", todo=todo)
    if data.get("schema") != SCHEMA:
        raise DataError(f"{p.name} is not a repeat study", todo)
    study = shaped(data, StudyFile, f"{p.name} is not a repeat study", todo)
    mean = study.repeatability_delta_e00
    known = {c.id: c.std_delta_e00 for c in study.cells if c.std_delta_e00 is not None}
    return lambda ids: np.array([known.get(i, mean) for i in ids])
