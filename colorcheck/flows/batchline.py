"""What a batch says of a photo: one line a piece, and its entries in the press log."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..shop.presslog_records import Lay, NewEntry, faces_up, turned

Line = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Told:
    """What is said of a photo: one line a piece, and a small picture of each and of the whole, as text of a page."""

    lines: tuple[Line, ...]
    pictures: tuple[str, ...] = ()
    overview: str = ""


def refused(photo: str, sha256: str, why: str, *, same_as: str = "") -> Line:
    """Line of a photo that cannot be judged, or that is a copy of another (``same_as``)."""
    return {
        "schema": "colorcheck-batch/1",
        "photo": photo,
        "sha256": sha256,
        "piece": None,
        "pieces": 0,
        "centre_px": None,
        "artwork": None,
        "alike": [],
        "verdict": None,
        "findings": [],
        "error": why,
        **({"same_as": same_as} if same_as else {}),
    }


def entry_uid(line: Line) -> str:
    """Name of a line's entry in the press log: the same however often it is judged."""
    return hashlib.sha256(f"{line['sha256']} {line['piece']}".encode()).hexdigest()[:32]


def entries_of(
    lines: Sequence[Line], *, prefix: str = "", load: Lay | None = None, recipe: Any = None, **notes: Any
) -> Iterator[NewEntry]:
    """Turn the judged lines of one photo into entries of the press log, each once however often it is recorded.

    Parameters
    ----------
    lines : sequence of dict
    prefix : str
        Stands before the name of photo and number.
    load : Lay, optional
        How the whole load lay in the press: then each piece gets its own place on the platen.
    recipe : Recipe, optional
    notes
        Further fields of every entry.
    """
    judged = [line for line in lines if line["verdict"]]
    for line, lay in zip(judged, _lays(judged, load, recipe), strict=True):
        piece = f"{prefix} {Path(line['photo']).stem}-{line['piece']}".strip()
        yield NewEntry("inspect", line, piece=piece, lay=lay, recipe=recipe, uid=entry_uid(line), **notes)


def _lays(judged: Sequence[Line], load: Lay | None, recipe: Any) -> list[Lay | None]:
    """Place each piece on the platen, where the load's own lay was told.

    The photo shows the pictures; a load that lay face down is mirrored when seen from above.
    """
    if load is None:
        return [None] * len(judged)
    places = [line["photos"][0]["piece_in_photo"] for line in judged]
    xs, ys = [p["x_mm"] for p in places], [p["y_mm"] for p in places]
    middle = ((min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2) if places else (0.0, 0.0)
    out: list[Lay | None] = []
    for line, p in zip(judged, places, strict=True):
        up = faces_up(load, heated_face=recipe.heated_face if recipe else "", view=line["view"])
        side = -1.0 if up is False else 1.0
        x, y = turned(side * (p["x_mm"] - middle[0]), p["y_mm"] - middle[1], load.turn_deg)
        turn = (load.turn_deg + side * p["turn_deg"]) % 360.0
        out.append(Lay(load.x_mm + x, load.y_mm + y, turn, load.face, load.sheet_deg, load.blank_deg))
    return out
