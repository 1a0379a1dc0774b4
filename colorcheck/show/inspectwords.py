"""An inspection → sentences: what `words` cannot say because a finished piece is no target.

Terminal, report and JSON take their sentences from here, so that they never say two different things.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from ..ground.reader import number, option, size
from ..ground.records import HAND_MOVED, TURNED, Finding, Kind, Reason, Severity
from . import words
from .numbers import cm, mm
from .words import sentences

if TYPE_CHECKING:
    from ..faults.beforeafter import Before
    from ..flows.inspect import Inspection

_LITTLE = 0.1  # less of the piece than this cannot carry a verdict, as in the decision
_MOST = 0.7
_SHORT = {
    "pose-mm": "doubt about the place, mm",
    "dark": "brightness of the brightest print, %",
    "clipped-cells": "area overexposed, %",
    "crisp-defects": "specks, pinholes and hairs",
    "profile-mean": "colour error, mean ΔE00",
    "judged-share": "share of the piece that could be judged",
}
_BROAD = {
    "tilt": "a change from one side to the other",
    "bowl": "a pale or dark middle",
    "ring": "a paler or darker rim",
    "edge": "a faded edge",
    "centre": "a pale middle",
    "broad spot": "a large soft spot",
}
_SETTLE = {
    HAND_MOVED: "Hold the phone a hand's breadth further to the side, photograph the piece once more, and give both "
    "photos together. What moves over the piece is a mirrored lamp or window, what stays is in the print.",
    TURNED: "Photograph the piece twice more without moving camera or lamp: first turned by a "
    "quarter, then shifted by a fifth of its width, and give all photos together. What turns with the piece is in the "
    "print, what stays is light.",
}
_DECIDES = {"colour": "reading", "reflection": HAND_MOVED, "rim": HAND_MOVED}  # by what a place may be instead
_SEVERITY = {
    Severity.MAJOR: "plain to see",
    Severity.MINOR: "seen when looked for",
    Severity.NOTE: "hardly seen",
}


def _settle(by: str) -> str:
    """Say in full which photo or measurement settles a question."""
    if by == "reading":
        return (
            "Press a test target on the same kind of glass, read it, and check the piece with that reading "
            f"({option('reading')}); the profile you print through ({option('profile')}) is second best."
        )
    if by == "blank frame":
        return (
            "Take the piece away, lay a blank white sheet exactly in its place and photograph it, with camera, lamp "
            f"and exposure untouched; then check again with that photo as well ({option('blank-frame')})."
        )
    return _SETTLE.get(by, by)


def _card() -> str:
    return f"White card that reaches {cm(30)} beyond the piece on all sides shows the light as well."


# ---------------------------------------------------------------- table


def short_name(r: Reason) -> str:
    """Name of a measure in a table, with its unit."""
    return words.short_name(r) if _is_spot(r) else _SHORT.get(r.measure, words.short_name(r))


def limit_text(r: Reason, i: Inspection) -> str:
    """Give the limit as text."""
    if r.measure == "crisp-defects":
        return f"none above {mm(_dot_mm(i))}"
    return words.limit_text(r)


def settled_by(i: Inspection) -> str:
    """Say in full which photo settles what light could hide; '' when nothing is hidden."""
    d = i.defects
    if not d.settle_by:
        return ""
    card = "" if "card" in d.anchors or d.settle_by == "reading" else _card()
    return sentences(_settle(d.settle_by), card)


def _is_spot(r: Reason) -> bool:
    return "diameter_mm" in r.detail


def _dot_mm(i: Inspection) -> float:
    return i.limits.even.dot_mm


# ---------------------------------------------------------------- the answer


def headline(i: Inspection) -> str:
    """Say what to do, in one line that stands alone."""
    v = i.verdict
    if v.action == "retake-photo" and not words.unfit(v):
        reason, settle = _deciding(i)
        if reason is None:
            return "Take the photo again: too little of the piece could be judged"
        if settle == "reading":
            return "Not decided: the picture's own colours could make a place look pale; measure the glass"
        return "Take the photo again: light and print cannot be told apart in this one"
    if v.action == "accept" and "broad-colour" in v.undecided:
        return "Accept what can be judged: a pale middle could hide in this picture's own colours"
    if v.action == "reprint" and _outcome_of(i, (*words.PALE, "mirrored")) is None:
        return "Print again: this piece cannot be mended by pressing"
    return words.headline(v)


def _outcome_of(i: Inspection, measures: tuple[str, ...]) -> Reason | None:
    return next((r for r in i.verdict.reasons if r.measure in measures and r.outcome == "fail"), None)


def why(i: Inspection) -> str:
    """Say why, in one or two sentences."""
    v = i.verdict
    failed = [r for r in v.reasons if r.outcome == "fail"]
    if words.unfit(v):
        faults = [r for r in failed if words.is_photo_measure(r)]
        n = len(faults) - 1
        return sentences(say(faults[0], i), f"The photo has {words.count_of(n, 'more fault')}." if n else "", _tiny(i))
    if v.action == "retake-photo":
        reason, settle = _deciding(i)
        if reason is None:
            return _little(i)
        if reason.measure == "broad-light":
            return sentences(say(reason, i), _settle(settle))
        if reason.measure == "unseen":
            return sentences(say(reason, i), _settle(settle))
        place = words.at_place(reason.place)
        if settle == "reading":
            what = f"A place{place} looks pale, but this glass may show the picture's own colours that way."
        else:
            what = f"A pale place{place} could be a reflection: in one photo they look alike."
        return sentences(what, _settle(settle))
    on_piece = [r for r in failed if not words.is_photo_measure(r)]
    pale = [r for r in on_piece if r.measure in words.PALE]
    if v.action == "re-press" and pale:
        return words.sum_up_pale(pale, i)
    if v.action == "reprint" and on_piece:
        first = on_piece[0]
        if first in pale:
            planned = words.repress_plan_of(v).get("possible") is False
            off = words.why_no_repress(v) if planned or i.paper == "off" else ""
            return sentences(words.sum_up_pale(pale, i), off)
        return say(first, i)
    if v.action == "change-profile":
        first_colour = next((r for r in on_piece if words.step_of(r) == "colour"), None)
        lead = "Every piece printed this way will look the same, so pressing again cannot mend it."
        return sentences(say(first_colour, i) if first_colour else "", lead)
    text = "The photo is good enough, and nothing found on the piece is beyond its limit."
    close = list(dict.fromkeys(words.plain_measure(m) for m in v.undecided if m != "broad-colour"))
    if close:
        text += f" Too close to call: {' and '.join(close)}."
    if "broad-colour" in v.undecided:
        hidden = next(r for r in v.reasons if r.measure == "broad-colour")
        return sentences(text, say(hidden, i), _settle("reading"))
    return sentences(text, _little(i) if i.defects.judged_share < _MOST else "")


def _tiny(i: Inspection) -> str:
    """Ask after a size in the wrong unit, where the edges of a photo are broad for a piece as small as that."""
    blur = next((r.value for r in i.verdict.reasons if r.measure == "blur-mm" and r.outcome == "fail"), 0.0)
    w, h = i.size_mm
    if blur < 0.1 * min(w, h):
        return ""
    meant = f"{w:g}x{h:g}cm"
    return (
        f"Is the piece no larger than {size(i.size_mm)}? If centimetres were meant, write {meant} as {option('size')}."
    )


def _deciding(i: Inspection) -> tuple[Reason | None, str]:
    """Pick the one open question that headline, reason and next step are about, and what settles it.

    No reason means that too little of the piece could be judged at all.
    """
    d = i.defects
    open_ = [r for r in i.verdict.reasons if r.outcome == "undecided"]
    broad = next((r for r in open_ if r.measure == "broad-light"), None)
    if d.judged_share < _LITTLE:
        return None, ""
    if broad is not None and d.settle_by:
        return broad, d.settle_by
    doubted = sorted((r for r in open_ if "doubt" in r.detail), key=lambda r: -r.value)
    if doubted:
        return doubted[0], _DECIDES.get(doubted[0].detail["doubt"], TURNED)
    return broad, TURNED if broad is not None else ""


def _little(i: Inspection) -> str:
    share = number(100 * i.defects.judged_share, 0)
    return f"Only {share} % of the piece could be judged; the rest is nearly white, at an outline or under glare."


# ---------------------------------------------------------------- one sentence for every step


def _dark(r: Reason, _: Inspection) -> str:
    return (
        f"The photo is too dark: the brightest print reaches {number(100 * r.value)} % of full brightness, at least "
        f"{number(100 * r.limit, 0)} % is needed."
    )


def _clipped(r: Reason, _: Inspection) -> str:
    return f"The photo is overexposed: {number(100 * r.value, 0)} % of the piece is blank."


def _pose(r: Reason, _: Inspection) -> str:
    return (
        f"The artwork could not be laid on the photo closely enough: places may be {mm(r.value)} off (limit "
        f"{mm(r.limit)})."
    )


def _glare(r: Reason, _: Inspection) -> str:
    share = number(100 * r.value, 0 if r.value > 0.1 else 1)
    if r.outcome == "fail":
        return f"A reflection lies over {share} % of the piece; paleness there cannot be told from the lamp."
    return f"A reflection lies over {share} % of the piece; nothing was judged there."


def _crisp(r: Reason, i: Inspection) -> str:
    if r.value <= 0:
        return "No specks, pinholes or hairs."
    size = float(r.detail.get("largest_mm", math.nan))
    largest = (
        f", {'' if r.value < 1.5 else 'the largest '}{mm(size)} (limit {mm(_dot_mm(i))})" if math.isfinite(size) else ""
    )
    n = (
        words.count_of(round(r.value), "speck, pinhole or hair")
        if r.value < 1.5
        else f"{r.value:.0f} specks, " + ("pinholes or hairs")
    )
    return (
        f"{n[:1].upper()}{n[1:]}{largest}: dirt or lint under the paper, or a flaw of the coat. Pressing again does "
        "not mend them."
    )


def broad_words(i: Inspection) -> str:
    """List what light could hide, in words."""
    names = list(dict.fromkeys(_BROAD.get(a, a.replace("-", " ")) for a in i.defects.ambiguous if a != "colour"))
    return " or ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _broad(r: Reason, i: Inspection) -> str:
    what = f" ({names})" if (names := broad_words(i)) else ""
    size = f", up to {number(r.value)} ΔE00," if math.isfinite(r.value) and r.value >= 0.05 else ""
    if r.outcome == "undecided":
        return f"A gradual change over the piece{what}{size} cannot be told from the lamp in this photo."
    return f"A gradual change over the piece{what}{size} could hide in the light; that is within the limit."


def _hidden_in_colours(r: Reason, _: Inspection) -> str:
    return (
        f"A pale or dark middle, up to {number(r.value)} ΔE00, would go with this picture's own colours and cannot be "
        "told from how this glass shows them."
    )


_CAMERAS = {
    "other": " The reading was made with another camera, and two cameras see colours differently: "
    "read the target again with the camera that took this photo.",
    "unknown": " Whether the same camera took the reading and this photo is not known (the files do not both say), "
    "and two cameras see colours differently: use one camera for both.",
}


def _mean(r: Reason, i: Inspection) -> str:
    against = "the reading" if i.defects.source == "reading" else "the profile"
    if r.outcome == "pass":
        return f"With spots and light set aside, the colours agree with {against}: {_value(r)} on average."
    end = {
        "fail": " They are off all over the piece.",
        "undecided": " It is over the limit, but not by more than the uncertainty.",
    }.get(r.outcome, "")
    if r.outcome == "undecided":
        end += _CAMERAS.get(str(r.detail.get("camera", "")), "")
    return f"With spots and light set aside, the colours differ from {against} by {_value(r)} on average.{end}"


def _unknown(_: Reason, i: Inspection) -> str:
    if i.defects.source != "photo":
        return "Whether the colours are true was not judged: the photo shows no bare coat or white card."
    return "Whether the colours are true was not judged: that needs a reading of the same glass, or the profile."


_SAY: dict[str, Callable[[Reason, Inspection], str]] = {
    "dark": _dark,
    "clipped-cells": _clipped,
    "pose-mm": _pose,
    "glare": _glare,
    "unseen": _glare,
    "crisp-defects": _crisp,
    "broad-light": _broad,
    "broad-colour": _hidden_in_colours,
    "profile-mean": _mean,
    "colour-unknown": _unknown,
    "judged-share": lambda _, i: _little(i),
}
_MOVES = "tilt the piece, and if it moves, it is light."
_DOUBTS = {
    "reflection": f"Could be a reflection as well: {_MOVES}",
    "colour": "Could be this glass showing the picture's own colours otherwise than expected: a reading of it tells.",
    "rim": f"Its rim is sharper than heat makes one: a reflection, or print that is missing there; {_MOVES}",
}
_ALWAYS = frozenset({"colour-unknown", "broad-light"})  # have words for a missing number
MEASURES = (*_SAY, *words.PALE, "dark-edge", "ghost", "banding", "scorch", "photo", "px-per-mm", "blur-mm")


def _value(r: Reason) -> str:
    return f"{words.measured_text(r)} ΔE00 (limit {number(r.limit)})"


def say(r: Reason, i: Inspection) -> str:
    """Put one step of the decision into a sentence; a measure without one of its own gets a general one."""
    known = None if _is_spot(r) else _SAY.get(r.measure)
    if known is None or (not math.isfinite(r.value) and r.measure not in _ALWAYS):
        return words.say_reason(r, i)
    return known(r, i)


# ---------------------------------------------------------------- findings


def say_finding(f: Finding, i: Inspection) -> str:
    """Put a finding into one line: what, where, how large, how strong, and how serious."""
    serious = "" if f.kind is Kind.GLARE or words.finding_outcome(f, i) else _SEVERITY[f.severity]
    glint = _DOUBTS.get(f.doubt, "")
    said = words.say_finding(f, i)
    if f.kind is Kind.GLARE:  # light has no colour difference of its own
        said = said.replace(f", {number(f.delta_e00)} ΔE00", "")
    return sentences(said, f"– {serious}{'.' if glint else ''}" if serious else "", glint)


def counted_findings(i: Inspection) -> tuple[Finding, ...]:
    """Give the findings that count: of an unfit photo only the reflections, which are its fault."""
    found = i.defects.findings
    return tuple(f for f in found if f.kind is Kind.GLARE) if words.unfit(i.verdict) else found


# ---------------------------------------------------------------- advice


def settle_line(measure: str, i: Inspection) -> str:
    """Name the one photo or measurement that would settle what stayed open."""
    if measure == "broad-colour":
        return _settle("reading")
    if measure in ("profile-mean", "colour-unknown"):
        if i.defects.source == "photo":
            return _settle("reading")
        return "Read a test target pressed with the same print settings: it shows the profile's error without doubt."
    if measure == "scorch":
        return "Lay an unpressed blank of the same kind beside the piece in the same light and photograph both."
    if measure == "unseen":
        return _settle(HAND_MOVED)
    return (settled_by(i) if measure == "broad-light" else "") or _settle(TURNED)


def next_photo_lines(i: Inspection) -> list[str]:
    """Say what to change or add for the next photo; empty when no photo is asked for."""
    v = i.verdict
    if v.action != "retake-photo":
        return []
    if words.unfit(v):
        lines = words.next_photo_lines(i)
        if any(r.measure == "pose-mm" and r.outcome == "fail" for r in v.reasons):
            right = f"{option('size')} and {option('shape')} are right"
            lines.append(f"Check that {option('artwork')} is the picture on this piece, and {right}.")
        return lines
    reason, settle = _deciding(i)
    if reason is not None and (settle == "reading" or reason.measure != "broad-light"):
        return [_settle(settle)]
    if reason is not None:
        other = _settle(TURNED if settle == "blank frame" else "blank frame")
        return [
            _settle(settle),
            f"Or else: {other[0].lower()}{other[1:]}" if len(i.photos) == 1 else "",
            "" if "card" in i.defects.anchors else _card(),
        ]
    return [
        f"Go nearer, keep reflections off the glass, and lay the piece on white card that reaches {cm(30)} beyond it.",
        "A picture that is nearly white all over cannot show pale places in any photo; look at it by eye.",
    ]


def open_questions(i: Inspection) -> list[tuple[str, str]]:
    """List what could not be decided: (what, what would settle it)."""
    if words.unfit(i.verdict):
        return [
            (
                "Everything about the piece: this photo cannot carry a judgement.",
                "One photo without the faults named at the top settles it.",
            )
        ]
    out: dict[str, list[str]] = {}
    for r in i.verdict.reasons:
        if r.outcome in ("undecided", "skipped") or (r.measure == "broad-light" and r.outcome == "note"):
            out.setdefault(settle_line(r.measure, i), []).append(say(r, i))
    return [(" ".join(dict.fromkeys(says)), settle) for settle, says in out.items()]


def before_lines(b: Before) -> list[str]:
    """Say what became of the pale places of an earlier inspection."""
    was, now = f"{number(b.worst_before)} ΔE00", f"{number(b.worst_now)} ΔE00"
    if not (b.gone or b.better or b.same or b.new):
        return ["No pale place was found then, and none now."]
    if not b.significant:
        lead = f"No change beyond doubt: the palest place was {was} off, now {now}."
    elif b.worst_now < b.worst_before:
        lead = f"Better: the palest place was {was} off, now {now}."
    else:
        lead = f"Worse: the palest place was {was} off, now {now}."
    rows = (("Gone", b.gone), ("Better", b.better), ("Not better", b.same), ("New", b.new))
    return [lead, *(f"{name}: {'; '.join(_place(p) for p in places)}." for name, places in rows if places)]


def _place(place: str) -> str:
    return words.at_place(place).strip(" ,")


def trust(i: Inspection) -> str:
    """Say what the colours were compared with."""
    d = i.defects
    base = {
        "reading": "What each colour should be comes from a reading of the same kind of glass.",
        "profile": "What each colour should be comes from the printer's profile.",
    }.get(
        d.source,
        "What each colour should be was learned from this piece itself: a fault that hits a colour wherever it occurs "
        "cannot be seen that way.",
    )
    coat = {
        "card": "White is the card round the piece.",
        "artwork": "White is the bare coat in the picture.",
        "guess": "No bare coat or card was seen; white was estimated.",
    }.get(d.coat, "")
    return sentences(base, coat)
