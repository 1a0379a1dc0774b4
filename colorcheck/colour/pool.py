"""The cells of several readings pooled, uneven pressing divided out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..ground.cielab import delta_e00, lab_to_xyz
from ..ground.errors import DataError, UsageError
from ..ground.records import CellKind, Floats, Mask
from ..ground.relative import even_lab
from ..sheet.exchange import measurements_from_lab, measurements_text
from ..sheet.savedreading import SavedReading
from .cms import VIEWED_FROM
from .printer_model import merge_cells

_SAME = 5.0  # mean ΔE00 between readings beyond which they are not one printer on one substrate


@dataclass(frozen=True, slots=True, eq=False)
class Pool:
    """Cells of all readings, one after the other.

    ``device_rgb``, ``lab`` (n, 3) evened; ``std`` (n,) random and ``system`` (n,) shared uncertainty, ΔE00;
    ``usable`` (n,); ``between`` mean ΔE00 between readings of common colours, NaN with one reading.
    """

    device_rgb: Floats
    lab: Floats
    std: Floats
    system: Floats
    usable: Mask
    between: float
    white_xyz: Floats | None


def _white_xyz(reading: SavedReading) -> Floats | None:
    """Absolute XYZ of the bare coat, when the reading has it."""
    white = (reading.target.kind == CellKind.WHITE) & reading.usable
    labs = [r.lab_absolute for r, w in zip(reading.rows, white, strict=True) if w and r.lab_absolute is not None]
    return np.asarray(np.median(lab_to_xyz(np.array(labs)), axis=0)) if labs else None


def pool_readings(readings: Sequence[SavedReading]) -> Pool:
    """Bring the cells of readings together, uneven pressing divided out.

    Raises
    ------
    UsageError
        The readings were not made alike, or one is given twice.
    DataError
        They are too unlike to be one printer on one substrate.
    """
    first = readings[0]
    seen: dict[str, str] = {}
    for r in readings:
        key = ",".join(sorted(p.sha256 or "" for p in r.file.photos)) or r.path
        if key in seen:
            raise UsageError(f"{r.path} and {seen[key]} read the same photo", "give every reading once")
        seen[key] = r.path
        for what, mine, theirs in (
            ("printed", r.file.printed, first.file.printed),
            ("looked at", r.target.view, first.target.view),
        ):
            if mine != theirs:
                raise UsageError(
                    f"{Path(r.path).name} was {what} '{mine}', {Path(first.path).name} '{theirs}'",
                    "pool readings that were made alike",
                )
    parts = []
    for r in readings:
        uptake = np.array([c.uptake or 1.0 for c in r.rows])
        uptake[r.target.kind == CellKind.WHITE] = 1.0
        parts.append(even_lab(r.lab, uptake))
    device = np.concatenate([r.target.device_rgb.astype(float) for r in readings])
    lab = np.concatenate(parts)
    std = np.concatenate([r.u_random for r in readings])
    usable = np.concatenate([r.usable for r in readings]) & np.isfinite(std)
    between = _between(readings, parts)
    if between > _SAME:
        raise DataError(
            f"the readings differ by {between:.1f} ΔE00 on average, too much for one printer on one substrate",
            "give readings of the same blanks, printed and pressed alike",
        )
    whites = [w for w in (_white_xyz(r) for r in readings) if w is not None]
    return Pool(
        device_rgb=device,
        lab=lab,
        std=std,
        system=np.concatenate([r.u_system for r in readings]),
        usable=usable,
        between=between,
        white_xyz=np.asarray(np.mean(whites, axis=0)) if whites else None,
    )


def _between(readings: Sequence[SavedReading], labs: Sequence[Floats]) -> float:
    """Mean ΔE00 of the colours that readings share, the most unlike pair; NaN with one reading."""
    merged = []
    for r, lab in zip(readings, labs, strict=True):
        device, value, _, _ = merge_cells(r.target.device_rgb[r.usable], lab[r.usable], r.u_random[r.usable])
        merged.append({tuple(d): v for d, v in zip(device.tolist(), value, strict=True)})
    worst = float("nan")
    for i in range(len(merged)):
        for other in merged[:i]:
            common = sorted(set(merged[i]) & set(other))
            if len(common) >= 8:
                a, b = np.array([merged[i][k] for k in common]), np.array([other[k] for k in common])
                worst = float(np.fmax(worst, float(np.mean(delta_e00(a, b)))))
    return worst


def characterisation(pool: Pool, name: str, view: str) -> str:
    """Measured values as ISO 28178 text, and from which side they hold."""
    device, lab, _, _ = merge_cells(
        pool.device_rgb[pool.usable], pool.lab[pool.usable], np.maximum(pool.std[pool.usable], 0.1)
    )
    # noise may leave what a print can have; the text holds what it can
    lab = np.clip(lab, [0.0, -128.0, -128.0], [100.0, 128.0, 128.0])
    header = {
        "FILE_DESCRIPTOR": f"{name}: CIELAB relative to the bare coat, uneven pressing divided out",
        "PRINT_CONDITIONS": name,
        VIEWED_FROM: view,
    }
    values = measurements_from_lab([str(k + 1) for k in range(len(lab))], lab, device_rgb=device, header=header)
    return measurements_text(values)
