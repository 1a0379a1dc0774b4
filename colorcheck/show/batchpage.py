"""The overview of a batch as one page: every piece with its small picture, what needs a hand first on top."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..flows.batchline import entry_uid
from . import words
from .batchwords import ORDER, action_of, word_of
from .say import say

_SHOWN = 600  # pieces of one kind; more would make the page too heavy for a phone
_LIVE = 40  # … and while photos still come only the newest, as the page is written again and again
_PHOTOS = 120


def overview_context(
    lines: Sequence[dict[str, Any]], pictures: Mapping[tuple[str, int], str], photos: Mapping[str, str], *, live: bool
) -> dict[str, Any]:
    """Everything the overview shows.

    Parameters
    ----------
    lines : sequence of dict
        Of the file of results.
    pictures : mapping
        (SHA-256 of the photo, number of the piece) → small picture as a data URI.
    photos : mapping
        SHA-256 → the photo, small, with the pieces' numbers.
    live : bool
        More are coming: the page asks for itself again.
    """
    newest_first = lines[::-1] if live else lines
    groups = []
    for action in ORDER:
        here = [line for line in newest_first if action_of(line) == action]
        if here:
            cards = [_card(line, pictures) for line in here[: _LIVE if live else _SHOWN]]
            hint = say("batch_hint", action)
            groups.append({"word": word_of(action), "count": len(here), "hint": hint, "pieces": cards})
    by_hand = [line for line in newest_first if action_of(line) != "accept"]
    last = lines[-1] if live and lines else None
    return {
        "name": say("batch_name"),
        "headline": say("batch_headline", len(lines), sum(action_of(line) == "accept" for line in lines)),
        "word": say("batch_name"),
        "groups": groups,
        "last": None if last is None else {**_card(last, pictures), "word": word_of(action_of(last))},
        "live": live,
        "photos": [
            {"name": name, "picture": photos[sha]}
            for (name, sha) in dict.fromkeys((line["photo"], line["sha256"]) for line in by_hand)
            if photos.get(sha)
        ][: _LIVE // 4 if live else _PHOTOS],
        "cautions": words.cautions("re-press") if any(action_of(line) == "re-press" for line in lines) else [],
    }


def _card(line: dict[str, Any], pictures: Mapping[tuple[str, int], str]) -> dict[str, Any]:
    verdict = line["verdict"] or {}
    return {
        "photo": line["photo"],
        "piece": line["piece"],
        "uid": entry_uid(line),
        "artwork": line["artwork"] or "",
        "alike": line["alike"],
        "says": verdict.get("headline", "") or line["error"] or "",
        "why": verdict.get("why", ""),
        "picture": pictures.get((line["sha256"], line["piece"] or 0), ""),
        "action": action_of(line),
    }
