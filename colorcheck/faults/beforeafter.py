"""Did pressing again help? An earlier inspection of the same piece against today's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..ground import reader
from ..ground.files import read_json, shaped
from ..ground.places import where_in_words
from ..ground.records import Finding, Kind, Shape
from ..sheet.savedreading import InspectionFile
from .catalogue import HEAT_HELPS


@dataclass(frozen=True, slots=True, eq=False)
class Before:
    """An earlier inspection of the same piece, by the SHA-256 of its photos too, and what became of its findings."""

    name: str
    worst_before: float
    worst_now: float
    gone: tuple[str, ...]
    better: tuple[str, ...]
    same: tuple[str, ...]
    new: tuple[str, ...]
    significant: bool
    photos: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Earlier:
    """Pale places of an earlier inspection: x, y in mm, ΔE00, and where in words."""

    name: str
    places: tuple[tuple[float, float, float, str], ...]
    photos: tuple[str, ...] = ()


def load_earlier(path: str | Path) -> Earlier:
    """Read the pale places of an earlier inspection.

    Raises
    ------
    FileError, DataError
        It cannot be read or is no inspection.
    """
    p = Path(path)
    todo = "choose an earlier check" if reader.on_page() else "give the file written by 'inspect' with --json"
    data = read_json(p, "an inspection", todo=todo)
    file = shaped(data, InspectionFile, f"{p.name} is not an inspection", todo)
    shape: Shape = "round" if file.shape == "round" else "rect"

    def where(x_mm: float, y_mm: float) -> str:
        return where_in_words(x_mm, y_mm, file.size_mm, shape)

    places = tuple(
        (f.x_mm, f.y_mm, f.delta_e00 or 0.0, where(f.x_mm, f.y_mm) if f.kind == Kind.PALE else f.where)
        for f in file.findings
        if f.kind in HEAT_HELPS and f.x_mm is not None and f.y_mm is not None
    )
    return Earlier(p.name, places, tuple(photo.sha256 for photo in file.photos if photo.sha256))


def compare_before(earlier: Earlier, findings: Sequence[Finding], noise_de00: float) -> Before:
    """Match the findings of an earlier inspection with today's."""
    now = [f for f in findings if f.kind in HEAT_HELPS]
    noise = max(noise_de00, 0.2)
    gone: list[str] = []
    better: list[str] = []
    same: list[str] = []
    used: set[int] = set()
    for x, y, de, where in earlier.places:
        near = [k for k, f in enumerate(now) if np.hypot(f.x_mm - x, f.y_mm - y) < 0.6 * f.diameter_mm + 8]
        if not near:
            gone.append(where)
            continue
        k = min(near, key=lambda k: float(np.hypot(now[k].x_mm - x, now[k].y_mm - y)))
        used.add(k)
        (better if now[k].delta_e00 < de - 2.8 * noise else same).append(where)
    new = [f.where for k, f in enumerate(now) if k not in used]
    before = max((p[2] for p in earlier.places), default=0.0)
    after = max((f.delta_e00 for f in now), default=0.0)
    return Before(
        name=earlier.name,
        worst_before=before,
        worst_now=after,
        gone=tuple(gone),
        better=tuple(better),
        same=tuple(same),
        new=tuple(new),
        significant=bool(gone or better or new) or abs(before - after) > 2.8 * noise,
        photos=earlier.photos,
    )
