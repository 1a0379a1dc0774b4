"""The overview of a batch as one page: every piece with its small picture, what needs a hand first on top."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from . import words
from .batchlines import ORDER, action_of, word_of
from .say import say

_SHOWN = 2000  # pieces with a picture; more would make the page too heavy for a phone


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
    ranked = sorted(enumerate(lines), key=lambda v: (ORDER.index(action_of(v[1])), -v[0] if live else v[0]))
    groups = []
    for action in ORDER:
        here = [line for _, line in ranked if action_of(line) == action]
        if here:
            cards = [_card(line, pictures) for line in here[:_SHOWN]]
            groups.append({"word": word_of(action), "hint": say("batch_hint", action), "pieces": cards})
    counts = [(g["word"], len(g["pieces"])) for g in groups]
    last = lines[-1] if live and lines else None
    return {
        "name": say("batch_name"),
        "headline": say("batch_headline", len(lines), sum(action_of(line) == "accept" for line in lines)),
        "word": say("batch_name"),
        "counts": counts,
        "groups": groups,
        "last": None if last is None else {**_card(last, pictures), "word": word_of(action_of(last))},
        "live": live,
        "photos": [
            {"name": name, "picture": photos[sha]}
            for (name, sha) in dict.fromkeys((line["photo"], line["sha256"]) for line in lines)
            if photos.get(sha)
        ],
        "cautions": words.cautions("re-press") if any(action_of(line) == "re-press" for line in lines) else [],
    }


def _card(line: dict[str, Any], pictures: Mapping[tuple[str, int], str]) -> dict[str, Any]:
    verdict = line["verdict"] or {}
    return {
        "photo": line["photo"],
        "piece": line["piece"],
        "artwork": line["artwork"] or "",
        "alike": line["alike"],
        "says": verdict.get("headline", "") or line["error"] or "",
        "why": verdict.get("why", ""),
        "picture": pictures.get((line["sha256"], line["piece"] or 0), ""),
        "action": action_of(line),
    }
