"""The flows of `health`: many pieces → where their findings gather, and trends; readings of one piece → what faded."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..ground.errors import DataError, UsageError
from ..ground.files import refuse_same, shaped
from ..sheet.savedreading import PhotoRow, load_readings
from ..shop.presshealth import (
    SETUP_DE00,
    Fade,
    Health,
    Piece,
    Placing,
    Spot,
    TrendLine,
    in_photo,
    judge_fading,
    judge_health,
    load_piece,
    load_placings,
    placed,
    seen_in,
    trend_line,
)
from ..shop.presslog_records import Filter, faces_up
from .requests import FadingRequest, HealthRequest

if TYPE_CHECKING:
    from ..shop.presslog import PressLog

_MEASURES = (
    ("evenness", "Evenness: most different ninth", "ΔE00"),
    ("mean_delta_e00", "Colour error, mean", "ΔE00"),
    ("black_density", "Depth of black", "density"),
)


@dataclass(frozen=True, slots=True, eq=False)
class PressHealth:
    """Findings of many pieces laid over one another; of a press log also trends, and shares as (name, text)."""

    health: Health
    trends: tuple[TrendLine, ...]
    facts: tuple[tuple[str, str], ...]


def press_health(request: HealthRequest) -> PressHealth:
    """Lay the findings of many pieces over one another.

    Raises
    ------
    UsageError
        A piece is given twice, or the table names one that is not.
    DataError
        A file is damaged, or nothing was recorded that fits.
    FileError
        A file or the log cannot be read.
    """
    pieces = tuple(load_piece(p) for p in request.results)
    if twice := [p.name for k, p in enumerate(pieces) if p.name in {q.name for q in pieces[:k]}]:
        raise UsageError(f"two files are named {twice[0][:40]}", "rename one, so that the table can tell them apart")
    refuse_same(request.results, "result")
    for k, p in enumerate(pieces):
        if twin := next((q for q in pieces[:k] if set(p.seen).intersection(q.seen)), None):
            raise UsageError(
                f"{twin.source} and {p.source} show the same piece in the same photo", "give each piece once"
            )
    if request.placed:
        pieces = placed(pieces, load_placings(request.placed))
    trends: list[TrendLine] = []
    facts: list[tuple[str, str]] = []
    if request.log is not None:
        from ..shop.presslog import open_log

        with open_log(request.log or None, create=False) as log:
            where = Filter(blank=request.blank, since=request.since)
            more, trends, facts = from_log(log, where, last=request.last)
        pieces += tuple(more)
    if not pieces:
        raise DataError("the press log holds no piece that fits", "read or inspect some, and record them")
    return PressHealth(judge_health(pieces), tuple(trends), tuple(facts))


@dataclass(frozen=True, slots=True, eq=False)
class Fading:
    """Later readings of one piece against its ``first``; ``setup``: what may differ: 'same', 'lamp' or 'camera'."""

    fades: tuple[Fade, ...]
    first: str
    setup: str


def fading(request: FadingRequest) -> Fading:
    """Say what faded on one piece since its first reading.

    Raises
    ------
    UsageError
        A reading of another target.
    FileError, DataError
        A file cannot be read or is damaged.
    """
    first, *later = load_readings(request.readings, lit=None)
    for r in later:
        if r.target.ids != first.target.ids or r.target.code_text != first.target.code_text:
            raise UsageError(
                f"{Path(r.path).name} shows another target than {Path(first.path).name}", "compare one piece"
            )
    devices = {d for r in (first, *later) for d in r.devices[:1]} - {""}
    setup = "camera" if len(devices) > 1 else "same" if request.same_setup else "lamp"
    colours = np.array([c.kind in ("colour", "control") for c in first.rows])
    fades = tuple(
        judge_fading(
            first.target.device_rgb.astype(float),
            first.lab,
            r.lab,
            first.u_random,
            r.u_random,
            first.usable & r.usable & colours,
            name=Path(r.path).stem,
            taken=next((p.taken for p in r.file.photos if p.taken), ""),
            setup=SETUP_DE00[setup],
        )
        for r in later
    )
    return Fading(fades, Path(first.path).name, setup)


def from_log(
    log: PressLog, where: Filter, *, last: int = 100
) -> tuple[list[Piece], list[TrendLine], list[tuple[str, str]]]:
    """Take pieces, trends and shares from the press log; the last judgement of each piece counts.

    Parameters
    ----------
    log : PressLog
    where : Filter
        Which entries.
    last : int
        At most so many pieces, the newest.

    Returns
    -------
    pieces : list of Piece
        Oldest first.
    trends : list of TrendLine
        Measures with at least two values.
    facts : list of (name, text)
        Yield, and how often pressing again helped.
    """
    pieces, seen = [], set()
    photos: set[tuple[str, int, int]] = set()
    wanted = []
    for row in log.entries(where, limit=5 * last):
        if row.kind in ("read", "inspect") and not (row.piece and row.piece in seen):
            seen.add(row.piece)
            wanted.append(row.uid)
    for entry in log.whole(wanted):
        piece = _logged(entry)
        if photos.intersection(piece.seen):
            continue  # recorded under two names
        photos.update(piece.seen)
        pieces.append(piece)
        if len(pieces) >= last:
            break
    lights = [where.lit] if where.lit else ["front", "behind"]
    trends = [
        trend_line(log.trend(m, replace(where, lit=lit), last=500), title, unit)
        for lit in lights
        for m, title, unit in _MEASURES
    ]
    made = log.yield_and_repress(where)
    facts = []
    if made.pieces:
        facts.append(("Accepted at first press", _share(made.first)))
        if made.repress.n:
            facts.append(("Pressing again helped", _share(made.repress)))
    return pieces[::-1], [t for t in trends if len(t.values) >= 2], facts


def _share(s: Any) -> str:
    low, high = s.interval
    return f"{s.good} of {s.n} ({100 * low:.0f}–{100 * high:.0f} %, 95 % sure)"


def _logged(entry: Any) -> Piece:
    """One entry of the log as a piece; how it lay comes from its lay."""
    row, data, lay = entry.row, entry.data, entry.lay
    where = data.get("target") if isinstance(data.get("target"), dict) else data
    size = where.get("size_mm") or [100.0, 100.0]
    placing = Placing()
    if lay is not None:
        face = entry.recipe.heated_face if entry.recipe else ""
        up = faces_up(lay, heated_face=face, view=str(where.get("view", "")))
        placing = Placing((lay.x_mm, lay.y_mm), lay.turn_deg, up is not False, lay.blank_deg, lay.sheet_deg)
    photos = shaped(data.get("photos") or [], list[PhotoRow], f"entry {row.uid[:8]} is damaged", "see 'log check'")
    return Piece(
        name=row.piece or row.uid[:8],
        size_mm=(float(size[0]), float(size[1])),
        shape=str(where.get("shape", "rect")),
        action=row.action,
        spots=tuple(Spot(f.kind, f.x_mm, f.y_mm, f.size_mm, f.delta_e00) for f in entry.findings),
        placing=in_photo(photos, placing),
        taken=f"{row.created:%Y-%m-%d}",
        source=f"log {row.uid[:8]}",
        seen=seen_in(photos),
    )
