"""Judged pieces of a batch as lines: for the file of results, the screen, and a table of a spreadsheet."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from ..flows.batchwork import Told, refused
from ..ground.errors import ColorcheckError
from ..ground.files import StrPath
from ..ground.jsontext import rounded
from ..photo.decode import decode
from . import figures as fig
from . import inspectwords as iw
from . import pictures as pic
from . import words
from .resultfiles import csv_text, inspection_to_dict
from .say import items, say
from .screen import Block, Table

if TYPE_CHECKING:
    from ..flows.pieces import JudgedPhoto, JudgedPiece
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
_PICTURE_PX = 240


def tell_photo(photo: JudgedPhoto) -> Told:
    """Turn a judged photo into its lines, with a small picture of each piece and of the whole, numbered."""
    lines = [_line(photo, p) for p in photo.pieces]
    return Told(tuple(lines), tuple(_picture(photo, p) for p in photo.pieces), _overview(photo))


def _line(photo: JudgedPhoto, p: JudgedPiece) -> dict[str, Any]:
    """One line of the file of results: what `inspect` writes, and which piece of which photo it is about."""
    line = refused(photo.photo, photo.sha256, p.problem)
    line |= {
        "piece": p.piece,
        "pieces": len(photo.pieces),
        "centre_px": rounded(list(p.centre_px), 1),
        "outline_px": rounded(np.asarray(p.outline_px)[::6].tolist(), 0),
        "artwork": p.artwork or None,
        "alike": list(p.alike),
    }
    if p.inspection is None:
        return line
    told = inspection_to_dict(p.inspection)
    told["photos"][0]["piece_in_photo"] = rounded(p.in_photo)
    del told["schema"], told["artwork"]
    return {**line, **told, "error": None}


def _picture(photo: JudgedPhoto, p: JudgedPiece) -> str:
    if p.inspection is not None:
        return pic.jpeg_uri(fig.small_piece(p.inspection, iw.counted_findings(p.inspection), _PICTURE_PX), quality=75)
    scale = photo.small.shape[1] / photo.full_px[0]
    px = np.asarray(p.outline_px) * scale
    if not len(px):
        return ""
    (x0, y0), (x1, y1) = np.maximum(px.min(axis=0) - 4, 0).astype(int), (px.max(axis=0) + 5).astype(int)
    part = photo.small[y0:y1, x0:x1]
    return pic.jpeg_uri(pic.photo_pixels(part, _white(photo.small))) if part.size else ""


def picture_again(path: StrPath, line: dict[str, Any]) -> str:
    """Cut a piece's small picture out of its photo, for lines of an earlier run; '' where that cannot be."""
    if not line.get("outline_px"):
        return ""
    try:
        image = decode(path, max_pixels=1_600_000)
    except ColorcheckError:
        return ""
    px = np.asarray(line["outline_px"], float) * image.scale
    (x0, y0), (x1, y1) = np.maximum(px.min(axis=0), 0).astype(int), px.max(axis=0).astype(int) + 1
    part = image.rgb[y0:y1, x0:x1]
    if image.sha256 != line["sha256"] or not part.size:
        return ""
    return pic.jpeg_uri(pic.photo_pixels(part, _white(image.rgb[::4, ::4]), longest=_PICTURE_PX), quality=75)


def _white(rgb: Any) -> Any:
    return np.full(3, max(float(np.percentile(rgb, 99)), 1e-3))


def _overview(photo: JudgedPhoto) -> str:
    """Draw the photo with each piece's rim and number."""
    picture = np.ascontiguousarray(pic.photo_pixels(photo.small, _white(photo.small)))
    scale = photo.small.shape[1] / photo.full_px[0]
    for p in photo.pieces:
        rim = np.round(np.asarray(p.outline_px) * scale).astype(np.int32)
        if len(rim):
            cv2.polylines(picture, [rim], True, (255, 255, 255), 3, cv2.LINE_AA)
            cv2.polylines(picture, [rim], True, (17, 17, 17), 1, cv2.LINE_AA)
        at = (round(p.centre_px[0] * scale), round(p.centre_px[1] * scale))
        cv2.circle(picture, at, 11, (17, 17, 17), -1, cv2.LINE_AA)
        (w, h), _ = cv2.getTextSize(str(p.piece), cv2.FONT_HERSHEY_SIMPLEX, 0.45, 1)
        place = (at[0] - w // 2, at[1] + h // 2)
        cv2.putText(picture, str(p.piece), place, cv2.FONT_HERSHEY_SIMPLEX, 0.45, (255, 255, 255), 1, cv2.LINE_AA)
    return pic.jpeg_uri(picture, quality=75)


# ---------------------------------------------------------------- words


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
    return csv_text(_CSV, rows)
