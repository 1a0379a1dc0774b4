"""Lines of a batch in words: on the screen, summed up, and as a table of a spreadsheet."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from . import words
from .say import items, say
from .screen import Block, Table

if TYPE_CHECKING:
    from ..shop.joblist import Job

ORDER = (
    "re-press",
    "reprint",
    "change-profile",
    "retake-photo",
    "",
    "accept",
)  # what needs a hand first; '': not judged
_CSV = (
    "photo",
    "piece",
    "artwork",
    "alike",
    "x_px",
    "y_px",
    "verdict",
    "headline",
    "findings",
    "worst_delta_e00",
    "error",
)


def action_of(line: dict[str, Any]) -> str:
    """Name the action of a line; '' where nothing could be judged."""
    verdict = line.get("verdict")
    return str(verdict["action"]) if isinstance(verdict, dict) and "action" in verdict else ""


def word_of(action: str) -> str:
    """Name an action in two or three words."""
    return words.action_word(action) if action else say("batch_unjudged")


def spoken(line: dict[str, Any]) -> str:
    """Say one line of results in one line."""
    verdict = line.get("verdict")
    headline = verdict.get("headline", "") if isinstance(verdict, dict) else ""
    return say("batch_line", line["photo"], line["piece"], line["artwork"], line["alike"], headline, line["error"])


def summary_blocks(lines: Sequence[dict[str, Any]], jobs: Sequence[Job]) -> list[Block]:
    """Say what came of the day: how many of each artwork, and how each was judged."""
    there = [a for a in ORDER if any(action_of(line) == a for line in lines)]
    head = (*items("batch_columns"), *map(word_of, there))

    def row(name: str, wanted: str, mine: Sequence[dict[str, Any]]) -> list[str]:
        judged = sum(bool(action_of(line)) for line in mine)
        return [name, wanted, str(judged), *(str(sum(action_of(line) == a for line in mine)) for a in there)]

    rows = [
        row(job.name, "–" if job.count is None else str(job.count), [v for v in lines if v["artwork"] == job.name])
        for job in jobs
    ]
    strays = [line for line in lines if not line["artwork"]]
    if strays:
        rows.append(row(say("batch_no_artwork"), "–", strays))
    seen = len({(line["photo"], line["sha256"]) for line in lines})
    return [say("batch_summary", len(lines) - sum(not s["pieces"] for s in lines), seen), Table(head, rows)]


def table_csv(lines: Iterable[dict[str, Any]]) -> str:
    """One row a piece, for a spreadsheet."""
    rows: list[list[Any]] = []
    for line in lines:
        x, y = line["centre_px"] or ("", "")
        verdict = line["verdict"] or {}
        found = line["findings"]
        worst = max((f.get("delta_e00") or 0.0 for f in found), default="")
        rows.append(
            [line["photo"], line["piece"] or "", line["artwork"] or "", " ".join(line["alike"]), x, y]
            + [action_of(line), verdict.get("headline", ""), len(found) if verdict else "", worst, line["error"] or ""]
        )
    from .resultfiles import csv_text

    return csv_text(_CSV, rows)
