"""What is said of the press log: lists, entries, trends, yield, as blocks for the screen."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from . import words
from .numbers import number
from .say import items, say
from .screen import Block, Heading, Items, Table

if TYPE_CHECKING:
    from ..shop.presslog_records import Entry, EntryRow, FadingPoint, Trend


def when(moment: datetime) -> str:
    """Write a moment in local time, to the minute."""
    return moment.astimezone().strftime("%Y-%m-%d %H:%M")


def _known(value: float | None, digits: int) -> str:
    return "–" if value is None else number(value, digits)


def list_blocks(rows: Sequence[EntryRow], total: int) -> list[Block]:
    """Say what was recorded, newest first."""
    cells = [
        [when(r.created), r.kind, r.piece or r.name, say("log_answer", r.action)]
        + [_known(r.evenness, 2), _known(r.mean_delta_e00, 1), _known(r.black_density, 2), r.uid[:8]]
        for r in rows
    ]
    return [Heading(say("log_list", len(rows), total)), Table(items("log_columns"), cells, "ll.lnnnl")]


def entry_blocks(e: Entry) -> list[Block]:
    """Say what one entry holds."""
    found = [say("log_finding", f, words.kind_name(f.kind)) for f in e.findings]
    head = Heading(say("log_entry_head", e.row))
    return [head, *items("log_entry", e, e.row, when(e.row.created)), Items(found, mark="1")]


def trend_blocks(t: Trend) -> list[Block]:
    """Say whether a measure is steady, and which pieces stood out."""
    c, n = t.chart, len(t.values)
    if c is None:
        return [say("trend_few", n)]
    last, since, now, limit = n - 1, "", None, None
    above = c.ewma[last] > c.centre
    if last in c.drifting:
        start = last
        while start - 1 in c.drifting:
            start -= 1
        since, now, limit = when(t.times[start]), c.ewma[last], (c.ewma_upper if above else c.ewma_lower)[last]
    odd = [
        [
            when(t.times[i]),
            number(t.values[i], 2),
            say("measure_side", t.measure, t.values[i] > c.centre),
            t.uids[i][:8],
        ]
        for i in c.outside[-8:]
    ]
    return [
        Heading(say("trend_head", t.measure, c, n, above, since, t.lit)),
        say("trend_says", t.measure, c, n, now, limit),
        *([Table(items("trend_columns"), odd, "lnll")] if odd else []),
        *([say("trend_rough", c.baseline)] if t.rough else []),
    ]


def fading_blocks(points: Sequence[FadingPoint], piece: str) -> list[Block]:
    """Say how a piece changed since its first reading."""
    if not points:
        return [say("log_fading_one", piece)]
    rows = [
        [when(p.created), number(p.days, 0), number(p.mean_delta_e00, 2), number(p.p95_delta_e00, 2)]
        + [number(p.noise_delta_e00, 2), say("camera_of", p.same_camera)]
        for p in points
    ]
    last = points[-1]
    beyond = last.mean_delta_e00 > 2 * last.noise_delta_e00
    return [
        Heading(say("log_fading_head", last, piece, beyond)),
        Table(items("log_fading_columns"), rows, "lnnnn."),
        say("log_fading_says"),
    ]
