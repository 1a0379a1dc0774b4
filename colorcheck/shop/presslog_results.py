"""A result as JSON ⇄ the columns and rows of the press log."""

from __future__ import annotations

import json
import math
import re
import uuid
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, cast

from .. import __version__
from ..ground.errors import DataError, UsageError
from ..ground.units import clean
from .presslog_records import NewEntry, Photo, faces_up, key_of, to_platen

_NOWHERE = re.compile(r"gps|latitude|longitude|altitude|geo_?(tag|location)|^location$", re.IGNORECASE)


def number(data: Any, *path: str) -> float | None:
    """Finite number at a path of keys, else None."""
    for key in path:
        data = data.get(key) if isinstance(data, Mapping) else None
    good = isinstance(data, int | float) and not isinstance(data, bool) and abs(data) < 1e12  # NaN is not below
    return float(data) if good else None


def word(data: Any, *path: str) -> str:
    """Text at a path of keys, else ''."""
    for key in path:
        data = data.get(key) if isinstance(data, Mapping) else None
    return clean(data, 1000) if isinstance(data, str) else ""


def lit_of(data: Mapping[str, Any]) -> str:
    """From where the piece of a result was lit; results that do not say are older than the question."""
    return "behind" if word(data, "lit") == "behind" else "front"


def texts(data: Any, *path: str) -> list[str]:
    """Texts of a list at a path of keys, else none."""
    for key in path:
        data = data.get(key) if isinstance(data, Mapping) else None
    return [clean(t, 1000) for t in data if isinstance(t, str)] if isinstance(data, list | tuple) else []


def _plain(value: Any) -> Any:
    """JSON that every database and reader takes: no NaN, no array, and nothing that tells where a photo was taken."""
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items() if not _NOWHERE.search(str(k))}
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if value is None or isinstance(value, str | int | bool) else str(value)


def _findings_of(data: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Rows of the findings of a reading or an inspection, without those that lack a place."""
    press = data.get("press")
    listed = data.get("findings", press.get("findings") if isinstance(press, Mapping) else None)
    rows = []
    for f in listed if isinstance(listed, list) else ():
        place = [number(f, k) for k in ("x_mm", "y_mm")]
        if None not in place:
            rows.append(
                {
                    "kind": word(f, "kind") or "spot",
                    "x_mm": place[0],
                    "y_mm": place[1],
                    "size_mm": number(f, "diameter_mm") or 0.0,
                    "delta_e00": number(f, "delta_e00") or 0.0,
                    "confidence": number(f, "confidence") or 0.0,
                    "platen_x_mm": None,
                    "platen_y_mm": None,
                }
            )
    return rows


def photos_of(data: Mapping[str, Any]) -> tuple[Photo, ...]:
    """Photos that the result itself tells."""
    listed = data.get("photos")
    return tuple(
        Photo(word(p, "sha256"), word(p, "file"), word(p, "device"), word(p, "taken"))
        for p in (listed if isinstance(listed, list) else ())
        if isinstance(p, Mapping) and re.fullmatch(r"[0-9a-f]{64}", word(p, "sha256"))
    )


def _names_of(data: Mapping[str, Any]) -> str:
    """Name of what was measured; of several substrates, all."""
    if name := word(data, "name"):
        return name[:200]
    several = data.get("substrates")
    names = [word(s, "name") for s in several] if isinstance(several, list) else []
    return (", ".join(n for n in names if n) or word(data, "artwork", "file"))[:200]


@dataclass(frozen=True, slots=True)
class Ready:
    """An entry made ready for its transaction."""

    entry: NewEntry
    row: dict[str, Any]
    findings: list[dict[str, Any]]
    photos: tuple[Photo, ...]
    packed: bytes


def make_ready(entry: NewEntry) -> Ready:
    """Take the columns out of a result and pack it."""
    data = _plain(entry.data)
    size = data.get("size_mm")
    target = data.get("target")
    if size is None and isinstance(target, dict):
        size = target.get("size_mm")
    sides = [number({"s": s}, "s") for s in size] if isinstance(size, list) and len(size) == 2 else [None, None]
    lay, recipe = entry.lay, entry.recipe
    found = _findings_of(data)
    up = None
    if lay is not None:
        view = word(data, "view") or word(data, "target", "view")
        up = faces_up(lay, heated_face=recipe.heated_face if recipe else "", view=view)
    if lay is not None and up is not None and None not in sides:
        for f in found:
            place = to_platen(f["x_mm"], f["y_mm"], cast("tuple[float, float]", tuple(sides)), lay, face_up=up)
            f["platen_x_mm"], f["platen_y_mm"] = place
    uid = entry.uid or uuid.uuid4().hex
    if not re.fullmatch(r"[0-9a-f]{32}", uid):
        raise UsageError(f"'{clean(uid, 40)}' is no entry's id", "give 32 hexadecimal digits, or none")
    created = entry.created or datetime.now(UTC)
    if created.tzinfo is None:
        raise UsageError("the moment of an entry has no time zone", "give one, such as UTC")
    seen = entry.photos or photos_of(data)
    row = {
        "uid": uid,
        "created": created,
        "kind": clean(entry.kind, 40),
        "name": _names_of(data),
        "action": word(data, "verdict", "action")[:40],
        "headline": (word(data, "verdict", "headline") or word(data, "headline") or word(data, "answer"))[:300],
        "trust": word(data, "trust")[:40],
        "program": f"colorcheck {__version__}",
        "press_no": entry.press_no,
        "mean_delta_e00": number(data, "colour", "mean_delta_e00"),
        "evenness": number(data, "press", "evenness"),
        "black_density": number(data, "press", "black_density"),
        "findings": len(found),
        "width_mm": sides[0],
        "height_mm": sides[1],
        "platen_x_mm": lay.x_mm if lay else None,
        "platen_y_mm": lay.y_mm if lay else None,
        "turn_deg": lay.turn_deg if lay else None,
        "face": ("" if up is None else "up" if up else "down") if lay else "",
        "sheet_deg": lay.sheet_deg if lay else None,
        "blank_deg": lay.blank_deg if lay else None,
        "note": clean(entry.note, 2000),
        "lit": lit_of(data),
    }
    spoken = [row[k] for k in ("kind", "name", "action", "headline", "note")]
    spoken += [entry.piece, entry.blank, entry.lot, recipe.text if recipe else "", word(data, "verdict", "why")]
    spoken += [p.file for p in seen]
    row["words"] = key_of(" ".join(clean(s, 2000) for s in spoken if s))
    text = json.dumps(data, separators=(",", ":"))
    return Ready(entry, row, found, seen, zlib.compress(text.encode("ascii"), 6))


def unpack(packed: bytes) -> dict[str, Any]:
    """Turn the stored bytes back into the result."""
    try:
        return cast("dict[str, Any]", json.loads(zlib.decompress(packed)))
    except (zlib.error, ValueError) as e:
        raise DataError("an entry of the press log is damaged", "see 'log check', and put a backup in its place") from e


def check_of(data: Mapping[str, Any], name: str) -> float | None:
    """Value of one check of a recorded set-up; None where it was not measured."""
    listed = data.get("checks")
    rows = listed if isinstance(listed, list) else []
    return next((number(c, "value") for c in rows if isinstance(c, Mapping) and c.get("name") == name), None)


def cells_of(data: Mapping[str, Any]) -> dict[str, tuple[float, float, float, float]]:
    """CIELAB and random uncertainty of the usable cells of a recorded reading, by name."""
    spoiled = {"clipped", "hidden", "glare", "uneven"}
    out = {}
    for p in data.get("patches") or ():
        values = [*(p.get("lab") or ()), p.get("u_random", 0.0)]
        if len(values) == 4 and None not in values and not spoiled & set(p.get("flags") or ()):
            out[str(p.get("id"))] = (float(values[0]), float(values[1]), float(values[2]), float(values[3]))
    return out
