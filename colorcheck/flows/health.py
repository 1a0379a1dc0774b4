"""The press log → pieces, trends and shares for press health."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from ..ground.files import shaped
from ..sheet.savedreading import PhotoRow
from ..shop.presshealth import Piece, Placing, Spot, TrendLine, in_photo, seen_in
from ..shop.presslog_records import Filter, faces_up

if TYPE_CHECKING:
    from ..shop.presslog import PressLog

_MEASURES = (
    ("evenness", "Evenness: most different ninth", "ΔE00"),
    ("mean_delta_e00", "Colour error, mean", "ΔE00"),
    ("black_density", "Depth of black", "density"),
)


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
    for row in log.entries(where, limit=5 * last):
        if row.kind not in ("read", "inspect") or (row.piece and row.piece in seen):
            continue
        seen.add(row.piece)
        piece = _logged(log.entry(row.uid))
        if photos.intersection(piece.seen):
            continue  # recorded under two names
        photos.update(piece.seen)
        pieces.append(piece)
        if len(pieces) >= last:
            break
    trends = [_trend(log.trend(m, where, last=500), title, unit) for m, title, unit in _MEASURES]
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


def _trend(t: Any, title: str, unit: str) -> TrendLine:
    c = t.chart
    return TrendLine(
        name=title,
        unit=unit,
        days=tuple(f"{d:%Y-%m-%d}" for d in t.times),
        values=tuple(float(v) for v in t.values),
        centre=c.centre if c else math.nan,
        lower=c.lower if c else math.nan,
        upper=c.upper if c else math.nan,
        smooth=tuple(c.ewma) if c else (),
        outside=tuple(c.outside) if c else (),
        drifting=tuple(c.drifting) if c else (),
        rough=bool(t.rough),
    )


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
