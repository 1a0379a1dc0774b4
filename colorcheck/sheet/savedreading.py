"""A reading taken up again from its file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..ground.errors import DataError, TargetError
from ..ground.files import damage, read_json
from ..ground.records import Floats
from .target import from_dict as target_from_dict


@dataclass(frozen=True, slots=True, eq=False)
class SavedReading:
    """A reading taken up again from its file: columns over the cells of its target."""

    name: str
    path: str
    trust: str
    absolute: bool
    target: Any
    lab: Floats
    u_random: Floats
    uncertainty: Floats
    usable: Any
    data: dict[str, Any]


def load_reading(path: str | Path) -> SavedReading:
    """Read a reading file back.

    Raises
    ------
    FileError
        It is missing or cannot be read.
    DataError
        It is not a reading, or a damaged one.
    """
    p = Path(path)
    todo = "give the file written by 'read' with --json"
    data = read_json(p, "a reading", todo=todo)
    if not str(data.get("schema", "")).startswith("colorcheck-reading/"):
        raise DataError(f"{p.name} is not a reading", todo)
    try:
        target = target_from_dict(data["target"])
        rows = {str(r["id"]): r for r in data["patches"]}
        if set(rows) != set(target.ids):
            raise DataError(f"{p.name}: its cells do not match its layout", "read the photo again")
        lab = np.array([rows[i]["lab"] for i in target.ids], dtype=float)
        u = np.array([rows[i]["uncertainty"] for i in target.ids], dtype=float)
        ur = np.array([rows[i].get("u_random", rows[i]["uncertainty"]) for i in target.ids], dtype=float)
        spoiled = {"clipped", "hidden", "glare", "uneven"}
        np.array([rows[i].get("uptake") or 1.0 for i in target.ids], dtype=float).reshape(len(target.ids))
        usable = np.array([not spoiled & set(rows[i].get("flags", [])) for i in target.ids])
    except (KeyError, TypeError, ValueError, TargetError) as err:
        raise DataError(f"{p.name} is a damaged reading: {damage(err)}", "read the photo again") from err
    photos = data.get("photos", [])
    if not isinstance(photos, list) or not all(isinstance(q, dict) for q in photos):
        raise DataError(f"{p.name} is a damaged reading: its photos are not told rightly", "read the photo again")
    if lab.shape != (len(target.ids), 3) or not np.isfinite(lab).all():
        raise DataError(f"{p.name} is a damaged reading", "read the photo again")
    return SavedReading(
        name=str(data.get("name", p.stem)),
        path=str(p),
        trust=str(data.get("trust", "balanced")),
        absolute=bool(data.get("absolute")),
        target=target,
        lab=lab,
        u_random=ur,
        uncertainty=u,
        usable=usable,
        data=data,
    )
