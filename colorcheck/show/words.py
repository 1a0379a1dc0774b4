"""Numbers → sentences: the one place where results are put into plain words.

Steps hand over numbers; the terminal, the report, the JSON file and the web page all take their
sentences from here, so that they never say two different things.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Protocol

import numpy as np

from ..faults.catalogue import BANDS, CATALOGUE, HEAT_HELPS, WHOLE, fault_of
from ..ground.reader import begins_with_length, heat, lengths, number, on_page, option, per_mm
from ..ground.records import CellFlag, Finding, Kind, Reading, Reason, Step, Verdict
from .numbers import cm, doubt, mm


class Judged(Protocol):
    """What was judged: a reading of a target, or an inspection of a piece."""

    @property
    def verdict(self) -> Verdict:
        """Verdict on it."""
        ...


_COLOUR = ("profile-mean", "profile-p95", "grey-cast", "grey-tone")
PALE = tuple(HEAT_HELPS)
_PLACES = tuple(str(k) for k, f in CATALOGUE.items() if f.measure == "delta_e00" and f.limit)
CONDITION = (
    "Only while the paper is still taped on and has not moved, the glass has no chip or crack, "
    "and the paper still holds dye (strong colour left on it; look without shifting it)."
)
DELTA_E = "ΔE00 is a colour difference: about 1 can just be seen side by side, 2 is seen by most people."

_STEPS = (
    ("photo", "Is the photo fit to judge by?"),
    ("side", "Is it the right way round?"),
    ("paper", "Did the paper move?"),
    ("print", "Was it printed completely?"),
    ("even", "Was it pressed evenly?"),
    ("complete", "Was it pressed completely, and not too hot?"),
    ("colour", "Are the colours right?"),
)
_SHORT = {
    "photo": "photo",
    "px-per-mm": "pixels per mm",
    "blur-mm": "blur of an edge, mm",
    "pose-mm": "fit of the sheet, mm",
    "dark": "brightness of bare coat, %",
    "clipped-white": "bare cells overexposed, %",
    "clipped-cells": "all cells overexposed, %",
    "glare": "area under a reflection, %",
    "unseen": "area under a reflection, %",
    "hidden": "cells hidden, %",
    "uneven-light": "brightest to darkest light",
    "tone-curve": "contrast changed by the camera",
    "local-tone": "brightness evened out by the camera",
    "other-light": "other light than when the camera was taught",
    "mirrored": "mirrored picture",
    "lit-otherwise": "density, share of that from the front",
    "light-around": "brightness round the piece, times bare coat",
    "light-ends": "surroundings without light, %",
    "light-bands": "bands of flicker, %",
    "display-pixels": "pixels of a display, %",
    "black-passes": "light that black lets pass, %",
    "displaced": "picture displaced by the glass, mm",
    "ghost": "second copy (ghost), % of the print",
    "banding": "regular lines, L*",
    "missing-ink": "missing inks",
    "crisp-defects": "specks and pinholes",
    "zone": "most different ninth of the piece, ΔE00",
    "broad-light": "gradual change that light could hide, ΔE00",
    "broad-colour": "pale middle that the picture's colours could hide, ΔE00",
    "colour-unknown": "truth of the colours",
    "slope": "gradual change, L* per cm",
    "scorch": "yellowing of bare coat, b*",
    "black-density": "depth of black, density",
    "uptake": "dye taken up, % of what was due",
    "profile-mean": "colour error of the profile, mean ΔE00",
    "profile-p95": "colour error of the profile, worst 5 % ΔE00",
    "grey-cast": "tint of the greys, off neutral",
    "grey-tone": "lightness of the greys, L*",
    "substrate-limit": "beyond this coat's reach, mean ΔE00",
    "press-part": "share of the pressing, mean ΔE00",
}
_PERCENT = frozenset(
    {
        *(
            "light-ends",
            "light-bands",
            "display-pixels",
            "dark",
            "clipped-white",
            "clipped-cells",
            "glare",
            "unseen",
            "hidden",
        ),
        *("ghost", "uptake"),
    }
)
_AT_LEAST = frozenset({"px-per-mm", "dark", "black-density", "uptake"})
_DIGITS = {
    "blur-mm": 2,
    "pose-mm": 2,
    "uneven-light": 1,
    "tone-curve": 2,
    "local-tone": 2,
    "other-light": 2,
    "banding": 2,
    "missing-ink": 0,
    "crisp-defects": 0,
    "slope": 2,
    "black-density": 2,
    "photo": 0,
    "mirrored": 0,
    "lit-otherwise": 2,
    "black-passes": 0,
    "displaced": 1,
}
_NO_NUMBER = frozenset({"photo", "mirrored"})
_HUES = ("red", "orange", "yellow", "yellow-green", "green", "blue-green", "blue", "violet")

_FLAGS = {
    CellFlag.CLIPPED: "overexposed",
    CellFlag.CRUSHED: "too dark for the camera",
    CellFlag.GLARE: "under a reflection",
    CellFlag.UNEVEN: "not one even colour",
    CellFlag.HIDDEN: "covered or outside the photo",
    CellFlag.OUTLIER: "unlike its neighbours in colour",
    CellFlag.UNDER_SPOT: "on an unevenly pressed place",
    CellFlag.DROPPED_PHOTO: "one photo disagreed and was left out",
    CellFlag.OUT_OF_RANGE: "outside the colours the camera was taught",
    CellFlag.DENSITY_BOUND: "so dark that its density is only a lower bound",
}


def _key(r: Reason) -> str:
    """Name of a measure: a dark spot told from a dark photo."""
    return "dark-spot" if r.measure == Kind.DARK and r.step is Step.EVEN else str(r.measure)


def _is_place(r: Reason) -> bool:
    """Whether a step is about one place on the piece, held against a limit in ΔE00."""
    return r.measure in _PLACES and r.step is not Step.PHOTO


def is_photo_measure(r: Reason) -> bool:
    """Whether a step of the decision is about the photo, not about the piece."""
    return r.step is Step.PHOTO


def step_of(r: Reason) -> str:
    """Which of the questions a reason belongs to (first item of `steps`)."""
    return r.step.name.lower()


def steps() -> tuple[tuple[str, str], ...]:
    """Return the questions in the order they are judged: (name, question)."""
    return _STEPS


def short_name(r: Reason) -> str:
    """Name of a measure in a table, with its unit."""
    place = f"{fault_of(r.measure).word}, ΔE00" if _is_place(r) else r.measure.replace("-", " ")
    return _SHORT.get(_key(r), place)


def measured_text(r: Reason) -> str:
    """Give the measured value as text, with ± twice its standard uncertainty where that is known."""
    key = _key(r)
    if key in _NO_NUMBER or not math.isfinite(r.value):
        return "–"
    k, digits = (100.0, 0) if key in _PERCENT else (1.0, _DIGITS.get(key, 1))
    if key in _PERCENT and 0 < abs(r.value * k) < 9.95:
        digits = 1
    text = number(k * r.value, digits)
    if key == "black-density":  # a mirrored room can only make black too pale
        deep = r.value + r.uncertainty if math.isfinite(r.uncertainty) else r.value
        return f"{text} to {number(deep, digits)}" if deep >= r.value + 0.005 else text
    if math.isfinite(r.uncertainty) and r.uncertainty > 0:
        text += f" ± {doubt(2 * k * r.uncertainty, max(digits, 1))}"
    return text


def limit_text(r: Reason) -> str:
    """Give the limit as text: at most, or at least."""
    key = _key(r)
    if key in _NO_NUMBER or r.outcome == "note" or not math.isfinite(r.limit):
        return "–"
    k, digits = (100.0, 0) if key in _PERCENT else (1.0, _DIGITS.get(key, 1))
    return f"{'at least' if key in _AT_LEAST else 'at most'} {number(k * r.limit, digits)}"


def unfit(verdict: Verdict) -> bool:
    """Whether the photo has a fault, so that what it shows of the piece does not count."""
    faults = [r for r in verdict.reasons if r.outcome == "fail" and is_photo_measure(r)]
    return verdict.action == "retake-photo" and bool(faults)


def outcome_text(r: Reason, verdict: Verdict) -> str:
    """Give the outcome in words. What an unfit photo shows of the piece does not count."""
    if unfit(verdict) and not is_photo_measure(r):
        return "does not count"
    return {
        "pass": "ok",
        "fail": "fails",
        "undecided": "open",
        "note": "note",
        "skipped": "not measured",
    }.get(r.outcome, r.outcome)


# ---------------------------------------------------------------- the answer


def action_word(action: str) -> str:
    """Name an action in two or three words."""
    return {
        "accept": "Accept",
        "re-press": "Press again",
        "change-profile": "Change the printer profile",
        "reprint": "Print again",
        "retake-photo": "Take the photo again",
    }.get(action, action)


def headline(verdict: Verdict) -> str:
    """Say what to do, in one line that stands alone."""
    if verdict.action == "accept":
        colour = [r for r in verdict.reasons if r.measure in _COLOUR]
        sure = colour and all(r.value + 2 * r.uncertainty <= r.limit for r in colour)
        tail = " and true in colour" if sure else ", no colour fault proven" if colour else "; colour was not judged"
        if verdict.undecided:
            n = len(verdict.undecided)
            return f"Accept: no fault proven, but {count_of(n, 'thing')} could not be decided"
        return f"Accept: evenly pressed{tail}"
    if verdict.action == "reprint" and any(r.measure == "mirrored" and r.outcome == "fail" for r in verdict.reasons):
        return "Mirrored: print again the other way round, unless this is the wrong side of the piece"
    return {
        "re-press": "Press again – only if the paper is still taped on and has not moved",
        "change-profile": (
            "Pale all over: pressed too short, too little ink, or a printer profile that is off"
            if any(r.measure == "uptake" and r.outcome == "undecided" for r in verdict.reasons)
            else "Change the printer profile: the pressing is even, the colours are off"
        ),
        "reprint": "Print again: pressing this piece again will not help",
        "retake-photo": "Take the photo again: this one cannot be judged",
    }[verdict.action]


def one_line_why(reading: Judged) -> str:
    """Say why, in one or two sentences."""
    v = reading.verdict
    failed = [r for r in v.reasons if r.outcome == "fail"]
    if v.action == "retake-photo":
        faults = [r for r in failed if is_photo_measure(r)]
        more = f"The photo has {count_of(len(faults) - 1, 'more fault')}." if len(faults) > 1 else ""
        return sentences(say_reason(faults[0], reading), more) if faults else ""
    if v.action == "reprint":
        first = next((r for r in failed if Step.PHOTO < r.step < Step.EVEN), None)
        if first is not None:
            return say_reason(first, reading)
        pale = [r for r in failed if r.measure in (*PALE, "zone", "slope")]
        if pale:
            return sentences(sum_up_pale(pale, reading), why_no_repress(v))
        first = next((r for r in failed if step_of(r) in ("even", "complete")), None)
        if first is not None and first.measure in ("black-density", "uptake"):
            return sentences(say_reason(first, reading), why_no_repress(v))
        return say_reason(first, reading) if first else ""
    if v.action == "re-press":
        pale = [r for r in failed if r.measure in (*PALE, "zone", "slope")]
        if pale:
            return sum_up_pale(pale, reading)
        first = next((r for r in failed if r.measure in ("uptake", "black-density")), None)
        return say_reason(first, reading) if first else ""
    if v.action == "change-profile":
        lack = next((r for r in v.reasons if r.measure == "uptake" and r.outcome == "undecided"), None)
        if lack is not None:
            return say_reason(lack, reading)
        first = next((r for r in failed if step_of(r) == "colour"), None)
        lead = "Every piece printed this way will look the same, so pressing again cannot mend it."
        return sentences(say_reason(first, reading), lead) if first else lead
    zone = next((r for r in v.reasons if r.measure == "zone"), None)
    text = "The photo is good enough, and nothing found on the piece is beyond its limit"
    if zone is not None and math.isfinite(zone.value):
        text += f"; its parts differ by at most {measured_text(zone)} ΔE00 (limit {number(zone.limit)})"
    text += "."
    if v.undecided:
        names = " and ".join(dict.fromkeys(plain_measure(m) for m in v.undecided))
        text += f" Too close to call: {names}."
    unseen = [r for r in v.reasons if r.measure in ("hidden", "glare") and r.outcome == "note"]
    for r in unseen:
        what = "is covered or outside the photo" if r.measure == "hidden" else "lies under a reflection"
        place = f"the {r.place}" if r.place and r.place != "part of the piece" else "the piece"
        text += f" A part of {place} {what} and was judged less well or not at all."
    return text


def sum_up_pale(failed: list[Reason], reading: Judged) -> str:
    """Describe what is pale: the worst place, and how many there are."""
    spots = [r for r in failed if r.measure in PALE]
    if not spots:
        return say_reason(failed[0], reading)
    worst = max(spots, key=lambda r: r.value)
    text = say_reason(worst, reading)
    if len(spots) > 1:
        text += f" It is the strongest of {len(spots)} pale places."
    return text


def count_of(n: int, what: str) -> str:
    """Count in words where it is one."""
    return f"one {what}" if n == 1 else f"{n} {what}s"


def sentences(*parts: str) -> str:
    """Join sentences, leaving out empty ones."""
    return " ".join(p for p in parts if p)


def plain_measure(measure: str) -> str:
    """Name a measure inside a sentence."""
    return {
        "zone": "the evenness over the whole piece",
        "clipped-cells": "overexposure",
        "px-per-mm": "the resolution",
        "blur-mm": "the sharpness",
        "pose-mm": "the fit",
        "crisp-defects": "specks and pinholes",
        "broad-light": "a gradual change over the whole piece",
        "broad-colour": "a pale or dark middle",
        "slope": "a gradual change across the piece",
        "scorch": "yellowing of the coat",
        "profile-mean": "the mean colour error",
        "profile-p95": "the largest colour errors",
        "grey-cast": "a tint of the greys",
        "grey-tone": "the lightness of the greys",
        "black-density": "the depth of black",
        "uptake": "the dye taken up all over",
    }.get(measure, f"a {fault_of(measure).word}" if measure in _PLACES else measure.replace("-", " "))


# ---------------------------------------------------------------- one sentence for every step


def at_place(place: str) -> str:
    """Put a place behind a noun: ' at the lower left', or nothing."""
    if not place:
        return ""
    if place.endswith(")") and " (" in place:
        distances, part = place[:-1].rsplit(" (", 1)
        return f"{at_place(part)} ({distances})"
    if place.endswith("o'clock") or place == "rim":
        return f" at {'the rim' if place == 'rim' else place}"
    if begins_with_length(place):
        return f", {place}"
    if place.startswith(("along", "at ", "in ", "whole", "over", "all over")):
        return f" {place}"
    return " in the middle" if place == "middle" else f" at the {place}"


def _value(r: Reason, unit: str = "ΔE00") -> str:
    lead = "at least" if _key(r) in _AT_LEAST else "limit"
    k, digits = (100.0, 0) if _key(r) in _PERCENT else (1.0, _DIGITS.get(_key(r), 1))
    return f"{measured_text(r)} {unit} ({lead} {number(k * r.limit, digits)})".replace("  (", " (")


def _tail(r: Reason) -> str:
    """End a sentence about the piece by its outcome."""
    return {
        "undecided": " It is over the limit, but not by more than the uncertainty.",
        "skipped": "",
    }.get(r.outcome, "")


def weak(r: Reason) -> bool:
    """Whether a pass of a colour leaves a fault possible: none proven, none ruled out."""
    return r.outcome == "pass" and r.measure in _COLOUR and r.value + 2 * r.uncertainty > r.limit


def _weak(r: Reason) -> str:
    """Add the doubt to a pass that is not certain."""
    return " The doubt reaches beyond the limit: no fault proven, none ruled out." if weak(r) else ""


def _photo(r: Reason, _: Judged) -> str:
    return "The photo is sharp enough, well enough exposed, and shows the whole piece."


def _resolution(r: Reason, _: Judged) -> str:
    return f"The piece is small in the photo: {per_mm(r.value)}, at least {per_mm(r.limit)} are needed."


def _blur(r: Reason, _: Judged) -> str:
    return f"The photo is blurred: edges are {mm(r.value, 2)} wide, at most {mm(r.limit, 2)} will do."


def _pose(r: Reason, _: Judged) -> str:
    return (
        f"The sheet does not lie flat in the photo: its cells are {mm(r.value, 2)} from where they "
        "belong "
        f"(limit {mm(r.limit, 2)})."
    )


def _dark_photo(r: Reason, _: Judged) -> str:
    return (
        f"The photo is too dark: bare coat reaches {number(100 * r.value)} % of full brightness, at least "
        f"{number(100 * r.limit, 0)} % is needed."
    )


def _clipped(r: Reason, _: Judged) -> str:
    what = "bare cells" if r.measure == "clipped-white" else "cells"
    place = at_place(r.place) if r.value < 0.5 else ""
    return f"The photo is overexposed: {number(100 * r.value, 0)} % of the {what} are blank{place}."


def _glare(r: Reason, _: Judged) -> str:
    place = "" if r.place == "part of the piece" else at_place(r.place)
    if r.outcome == "fail":
        share = number(100 * r.value, 0 if r.value > 0.1 else 1)
        return f"A reflection lies over {share} % of the piece{place}; paleness there cannot be told from the lamp."
    return f"A small or faint reflection{place} was taken out; cells under it count less."


def _hidden(r: Reason, _: Judged) -> str:
    share = number(100 * r.value, 0 if r.value > 0.1 else 1)
    return f"{share} % of the cells are covered or outside the photo{at_place(r.place)}."


def _uneven_light(r: Reason, _: Judged) -> str:
    end = (
        "too much for the dark side." if r.outcome == "fail" else "it was taken out, but the dark side is less certain."
    )
    side = f" (darkest: {r.place})" if r.place else ""
    return f"The light is uneven, {number(r.value)} to 1 over the piece{side}: {end}"


def _local_tone(r: Reason, _: Judged) -> str:
    end = "so much that shades cannot be compared." if r.outcome == "fail" else "a little; the doubt was enlarged."
    return f"The camera brightened dark parts and darkened bright ones (HDR or an 'enhance' setting), {end}"


def _other_light(r: Reason, _: Judged) -> str:
    return (
        "The light has another colour than when the camera was taught; it was balanced on the bare coat and the "
        "doubt was enlarged. Use the same lamp for closer values."
    )


def _tone(r: Reason, _: Judged) -> str:
    end = "so far that shades cannot be compared." if r.outcome == "fail" else "a little; this was taken into account."
    return f"The camera changed contrast from place to place, {end}"


def _mirrored(r: Reason, _: Judged) -> str:
    return (
        "The picture is mirrored in the photo: printed without mirroring, or seen from the wrong side of the "
        "glass. "
        "It was turned over for the measurement."
    )


def _light_ends(r: Reason, _: Judged) -> str:
    return (
        f"It is dark round {number(100 * r.value, 0)} % of the piece: the light behind it ends there, or it was "
        "lit from the front."
    )


def _light_bands(r: Reason, _: Judged) -> str:
    return (
        f"Bands of light, ± {number(100 * r.value)} % bright, run along the photo's {r.detail.get('along', 'rows')}: "
        "the light flickers, and they cannot be told from pale and dark places."
    )


def _display_pixels(r: Reason, _: Judged) -> str:
    share = number(100 * r.value, 0)
    return f"The pixels of a display show through the piece, ± {share} % of its light, and hide the print."


def _light_around(r: Reason, _: Judged) -> str:
    return (
        f"What surrounds the piece is {number(r.value)} times as bright as its bare coat, as no card is: the light "
        "comes from behind."
    )


def _lit_otherwise(r: Reason, _: Judged) -> str:
    if r.detail.get("lit") == "behind":
        return (
            "The print is as dark as one that is lit from the front, so it was not lit from behind; or it was printed "
            f"through a profile for the window: then name that ({option('profile')})."
        )
    if r.outcome == "fail":
        return (
            f"All colours have {number(100 * r.value, 0)} % of their density, and black stays pale: the piece was lit "
            "from behind, or took up half of its dye."
        )
    return f"If it was photographed against the light, say so ({option('lit')}): that alone makes a good print pale."


def _displaced(r: Reason, _: Judged) -> str:
    small = f" under {mm(r.detail['least_mm'], 0)}" if "least_mm" in r.detail else ""
    return (
        f"The glass displaces the picture by {mm(r.value)} from place to place: specks, pinholes and spots{small} "
        "cannot be told from that and are not judged."
    )


def _black_passes(r: Reason, _: Judged) -> str:
    return (
        f"Lit from behind, black lets {number(r.value, 0)} % of the light pass: no ink shows anything darker there, "
        "and deep colours stay paler than from the front."
    )


def _ghost(r: Reason, _: Judged) -> str:
    if r.outcome != "fail":
        return "No second copy: the paper did not move."
    dx, dy = r.detail.get("shift_mm", (0.0, 0.0))
    return (
        f"The paper moved: a second copy with {number(100 * r.value, 0)} % of the print's strength lies "
        f"{mm(math.hypot(dx, dy))} beside the first."
    )


def _banding(r: Reason, _: Judged) -> str:
    if r.outcome != "fail":
        return "No regular lines from the printer."
    way = {"x": "level ", "y": "upright "}.get(str(r.detail.get("axis")), "")
    return (
        f"The printer left fine {way}lines, one every "
        f"{mm(float(r.detail.get('period_mm', math.nan)))}, "
        f"{_value(r, 'L*')}. Clean the nozzles and print again."
    )


def _missing(r: Reason, _: Judged) -> str:
    inks = [str(i) for i in r.detail.get("inks", [])]
    if r.outcome != "fail":
        return "All inks are there."
    return (
        f"Missing ink: {' and '.join(inks) or 'one of the inks'}. Clean the nozzles, check the cartridge, print again."
    )


def _crisp(r: Reason, _: Judged) -> str:
    if r.value <= 0:
        return "No specks or pinholes."
    return (
        f"{count_of(round(r.value), 'crisp speck').capitalize()}: dirt or lint "
        "under the paper, or a flaw of the coat. Pressing again does not mend them."
    )


def _zone(r: Reason, _: Judged) -> str:
    if r.outcome == "pass":
        return f"The nine parts of the piece agree: the most different one is off by {_value(r)}."
    return f"The nine parts of the piece do not agree: one is off by {_value(r)}.{_tail(r)}"


def _spot(r: Reason, _: Judged) -> str:
    size = float(r.detail.get("diameter_mm", math.nan))
    name = fault_of(r.measure).word
    deep = "deep" if r.measure in BANDS else "wide"
    wide = f", {mm(size, 0)} {deep}," if math.isfinite(size) else ""
    verb = {
        "pass": "is too faint to matter",
        "fail": "is plain to see",
        "undecided": "is near the limit",
    }.get(r.outcome, "was found")
    return f"A {name}{wide}{at_place(r.place)} {verb}: {_value(r)}.{_tail(r)}"


def _slope(r: Reason, _: Judged) -> str:
    way = f" towards the {r.place}" if r.place else ""
    if r.outcome == "pass":
        return f"No gradual change that would be seen: {_value(r, 'L* per cm')}."
    return f"The print gets paler{way}: {_value(r, 'L* per cm')}.{_tail(r)}"


def _scorch(r: Reason, _: Judged) -> str:
    if r.outcome == "pass":
        return f"Bare coat has not turned yellow: {_value(r, 'b*')}."
    if r.outcome == "undecided":
        return f"Bare coat may have turned yellow: {_value(r, 'b*')}.{_tail(r)}"
    return (
        f"Bare coat has turned yellow: {_value(r, 'b*')}. Too hot or too long; lower the temperature or "
        "shorten the time for the next piece."
    )


def _black(r: Reason, _: Judged) -> str:
    if not math.isfinite(r.value):
        return "The depth of black could not be measured on this photo."
    if r.outcome == "fail":
        return f"Even the darkest colours stayed pale: density {_value(r, '')}. The piece did not take enough dye."
    if r.outcome == "note":
        return (
            f"Black stays weak, density {_value(r, '')}, though the greys took their full dye: "
            "this coat shows no deeper black."
        )
    if r.outcome == "undecided":
        return (
            f"Black looks weak, density {_value(r, '')}, but a mirrored room or a coat that shows no deeper black "
            "would look the same."
        )
    return f"The dye was taken up well: density {_value(r, '')}."


def _uptake(r: Reason, _: Judged) -> str:
    if not math.isfinite(r.value):
        return "How much dye the whole piece took up could not be measured."
    other = str(r.detail.get("reference") or "")
    value = f"{measured_text(r)} %"
    if r.outcome == "pass":
        return f"The piece took up {value} of the dye {f'of {other}' if other else 'that its numbers call for'}."
    if r.outcome == "fail":
        return (
            f"Pale all over: the piece took up {value} of the dye of {other}. It was pressed too short or too cool, "
            "or printed with less ink."
        )
    if other:
        return f"The piece may be pale all over: it took up {value} of the dye of {other}.{_tail(r)}"
    return (
        f"Pale all over: {value} of the dye that its numbers call for. Pressed too short, too little ink, or a pale "
        "profile: strong colour left on the paper means too short; a reading of a good piece of the same print to "
        f"compare with ({option('against')}) tells press from profile."
    )


def _profile_mean(r: Reason, _: Judged) -> str:
    if r.outcome == "pass":
        return f"What a profile could correct is within its limit: {_value(r)} on average.{_weak(r)}"
    return (
        f"With pressing and coat set aside, colours miss their aim by {_value(r)} on average; "
        f"a profile can correct this.{_tail(r)}"
    )


def _profile_p95(r: Reason, _: Judged) -> str:
    if r.outcome == "pass":
        return f"No group of colours is far off: one in twenty misses its aim by more than {_value(r)}.{_weak(r)}"
    return f"Some colours are far off: one in twenty misses its aim by more than {_value(r)}.{_tail(r)}"


def grey_tint(reading: Judged) -> str:
    """Name the hue that the greys lean to, or '' when they do not lean one way."""
    acc = reading.accuracy if isinstance(reading, Reading) else None
    if acc is None or not isinstance(reading, Reading):
        return ""
    grey = acc.used & (np.ptp(reading.target.device_rgb, axis=1) == 0)
    if not grey.any():
        return ""
    a, b = np.mean(acc.even_lab[grey, 1:] - acc.reachable_lab[grey, 1:], axis=0)
    if not math.isfinite(a + b) or math.hypot(a, b) < 0.5 * max(acc.grey_delta_ch, 0.5):
        return ""
    # 0° of CIELAB is a pinkish red, 90° yellow, 180° green, 270° blue
    angle = math.degrees(math.atan2(b, a)) % 360
    return _HUES[round(angle / 45) % 8]


def _grey(r: Reason, reading: Judged) -> str:
    tint = grey_tint(reading)
    if r.outcome == "pass":
        return f"Greys are neutral enough: {_value(r, 'off neutral')}.{_weak(r)}"
    return f"Greys are tinted{f' towards {tint}' if tint else ''}: {_value(r, 'off neutral')}.{_tail(r)}"


def _grey_tone(r: Reason, _: Judged) -> str:
    if r.outcome == "pass":
        return f"Greys are about as light as they should be: off by {_value(r, 'L*')}.{_weak(r)}"
    way = {True: "too light", False: "too dark"}.get(bool(r.detail["lighter"])) if "lighter" in r.detail else "off"
    return f"Greys are {way}: {_value(r, 'L*')}.{_tail(r)}"


def _substrate(r: Reason, _: Judged) -> str:
    if not math.isfinite(r.value):
        return "What this coat cannot show could not be measured."
    return (
        f"{number(r.value)} ΔE00 on average is beyond what this coat can show; "
        "neither press nor profile can change that."
    )


def _press_part(r: Reason, _: Judged) -> str:
    if not math.isfinite(r.value):
        return "The share of uneven pressing in the colour error could not be measured."
    return f"Uneven pressing accounts for {number(r.value)} ΔE00 of the colour error on average."


_SAY: dict[str, Callable[[Reason, Judged], str]] = {
    "photo": _photo,
    "px-per-mm": _resolution,
    "blur-mm": _blur,
    "pose-mm": _pose,
    "dark": _dark_photo,
    "clipped-white": _clipped,
    "clipped-cells": _clipped,
    "glare": _glare,
    "hidden": _hidden,
    "uneven-light": _uneven_light,
    "tone-curve": _tone,
    "local-tone": _local_tone,
    "other-light": _other_light,
    "mirrored": _mirrored,
    "light-bands": _light_bands,
    "display-pixels": _display_pixels,
    "light-ends": _light_ends,
    "light-around": _light_around,
    "lit-otherwise": _lit_otherwise,
    "ghost": _ghost,
    "banding": _banding,
    "missing-ink": _missing,
    "crisp-defects": _crisp,
    "zone": _zone,
    "slope": _slope,
    "scorch": _scorch,
    "black-density": _black,
    "uptake": _uptake,
    "profile-mean": _profile_mean,
    "profile-p95": _profile_p95,
    "grey-cast": _grey,
    "grey-tone": _grey_tone,
    "substrate-limit": _substrate,
    "black-passes": _black_passes,
    "displaced": _displaced,
    "press-part": _press_part,
}
MEASURES = tuple(dict.fromkeys([*_SAY, *("dark-spot" if k == Kind.DARK else k for k in _PLACES)]))
_UNSURE = {
    "ghost": "A faint second copy can be neither shown nor ruled out.",
    "banding": "Faint regular lines can be neither shown nor ruled out.",
    "missing-ink": "Whether an ink is missing cannot be told from this photo.",
}


def say_reason(reason: Reason, reading: Judged) -> str:
    """Put one step of the decision into a sentence.

    Parameters
    ----------
    reason : Reason
    reading : Reading or Inspection
        Where details are looked up, such as the hue of a tint.

    Returns
    -------
    str
        A measure that has no sentence of its own gets a general one.
    """
    key = _key(reason)
    if reason.outcome == "skipped" or (not math.isfinite(reason.value) and key not in ("photo", "mirrored")):
        text = plain_measure(reason.measure)
        return f"{text[:1].upper()}{text[1:]} could not be measured on this photo."
    if key == "photo" and reason.outcome in ("fail", "undecided"):
        return "The photo is not fit to judge by."
    if is_photo_measure(reason) and key != "photo" and reason.outcome in ("pass", "undecided"):
        end = "is within its limit" if reason.outcome == "pass" else "is near its limit"
        name = short_name(reason)
        return f"{name[:1].upper()}{name[1:]}: {measured_text(reason)} {end}."
    if key in _UNSURE and reason.outcome == "undecided":
        return _UNSURE[key]
    say = _SAY.get(key, _spot if _is_place(reason) else None)
    if say is None:
        return f"{short_name(reason).capitalize()}: {_value(reason, '')}.".replace(" .", ".")
    return say(reason, reading)


# ---------------------------------------------------------------- advice


def photo_advice(measure: str, where: str = "") -> str:
    """Say what to change when taking the photo.

    Parameters
    ----------
    measure : str
        A measure of the photo check.
    where : str
        Part of the piece concerned, as `places.part_in_words` gives it.
    """
    at = at_place(where) if where != "part of the piece" else ""
    return {
        "px-per-mm": "Go closer, or use the main camera at full size, until the piece fills most of the frame.",
        "blur-mm": "Rest the phone on something or use the self-timer, tap the piece to focus, and step back "
        "a little "
        f"if it is closer than {cm(400)}.",
        "pose-mm": "Lay the piece and its paper quite flat, step back to "
        f"{lengths(600, 1000, 0, 'cm')} and zoom in rather than going close.",
        "dark": "Use more light or a longer exposure, until white looks light grey (200–235 of 255), not darker.",
        "clipped-white": f"Lower the exposure until white is no longer blank{at} (200–235 of 255); tap on "
        "white and "
        "pull the brightness down.",
        "clipped-cells": f"Lower the exposure until no colour is blank{at}; tap on white and pull the brightness down.",
        "glare": f"Something bright is mirrored{at}: move the lamp to the side (about 45°), put out room "
        "lights, and hang "
        "black card with a hole for the lens where the glass mirrors the camera.",
        "hidden": f"Take away what covers the piece{at}, and show the whole piece with some table around it.",
        "uneven-light": "Move the lamp further away or add a white card as a "
        f"reflector{at or ' on the dark side'}; "
        "two lamps, one on either side, are best.",
        "local-tone": "Switch off HDR, 'enhance', filters and night mode, or save raw files.",
        "tone-curve": "Switch off HDR, 'enhance' and night mode, lock exposure and white balance, or save raw files.",
        "lit-otherwise": "Say how it was lit: "
        f"{option('lit')} behind for a piece before a window or a lamp, front for one with the light on the "
        "viewer's side; and keep other light off the other side.",
        "light-around": f"Say that it was lit from behind ({option('lit')} behind), or put the light on the viewer's "
        "side.",
        "light-bands": "Take a longer exposure (a fiftieth of a second or more), turn a dimmed lamp or display up to "
        "full brightness, or wait for daylight.",
        "display-pixels": "Stand the piece a hand's breadth in front of the display and focus on the piece, or lay "
        "white paper on the display.",
        "light-ends": "Let the light reach beyond the piece on every side: a larger light, or the piece nearer to it. "
        f"If the light was on the viewer's side, say so ({option('lit')} front).",
        "mirrored": "Photograph the side that the owner will look at. If that was so, mirror the print for a "
        "coat that is "
        "looked at straight, and do not mirror it for a coat seen through the glass.",
    }.get(measure, "Take the photo again: piece flat, camera square on, one soft light from the side, no flash.")


_TURN = (
    "Photograph it twice more without moving camera or lamp: first turned by a quarter, then shifted by a "
    "fifth of its "
    "width, and read all photos together. What turns with the piece is in the print, what stays is light."
)


def undecided_advice(measure: str, reading: Reading) -> str:
    """Name the one photo or measurement that would settle what stayed open."""
    if measure in (*PALE, "dark", "dark-spot", "zone", "slope"):
        return _TURN
    if measure in _COLOUR:
        if reading.trust == "balanced":
            return (
                "An ordinary photo leaves this much doubt about colour. Have a target measured once with an "
                f"instrument to teach your camera ({'under Settings' if on_page() else 'colorcheck camera'}), or "
                "compare with the reading of a piece you like, photographed the same way "
                f"({option('against')})."
            )
        return "Read three or more photos of the piece together, taken in the light in which the camera was taught."
    if measure == "scorch":
        return "Lay an unpressed blank of the same kind beside the piece in the same light and photograph both."
    if measure == "uptake":
        return "Look at the paper: strong colour left on it means too short. Or compare with a good piece " + (
            f"({option('against')})."
        )
    if measure == "black-density":
        return "Photograph it again with black card where the glass mirrors the room: a mirrored room makes black pale."
    return "Take a second photo with the piece turned by a quarter, and read both together."


_NO_REPRESS = {
    "pressed-before": "It has been pressed again already, and once is all a piece may have.",
    "never-hot-enough": "With the recipe's temperature the coat may never get hot enough: pressing again is no use.",
    "beyond-recipe": "Heating it through once more would take longer than one and a half times the recipe: more than "
    "coat and glass should get.",
    "beyond-maker-time": "Heating it through once more would take longer than the makers allow.",
}


def repress_plan_of(verdict: Verdict) -> dict[str, Any]:
    """Give the heat model's plan for pressing this piece again; empty where nothing was planned."""
    plan: dict[str, Any] = verdict.advice.get("repress") or {}
    return plan


def why_no_repress(verdict: Verdict) -> str:
    """Say why a pale piece is not pressed again."""
    plan = repress_plan_of(verdict)
    return _NO_REPRESS.get(str(plan.get("why", "")), "The paper is off, so the piece cannot be pressed again.")


def _temperature(celsius: float) -> str:
    return heat(celsius) if on_page() else f"{number(celsius, 0)} °C ({number(celsius * 1.8 + 32, 0)} °F)"


def repress_lines(reading: Judged) -> list[str]:
    """Say how to press the piece again, in the order in which hands do it; the first line is always the condition.

    Empty when the plan says that it cannot be pressed again.
    """
    plan = repress_plan_of(reading.verdict)
    if not plan.get("possible", True):
        return []
    missing = plan.get("missing", ())
    platen = plan.get("platen_c")
    hot = f" at the recipe's {_temperature(platen)}" if platen is not None else " at your recipe's temperature"
    face = {"back": ", its back to the platen", "coat": ", its paper to the platen"}.get(
        str(plan.get("heated_face", "")), ""
    )
    return [
        CONDITION,
        "Look at the paper from behind, against a lamp. Where the print is pale it must show more colour "
        "than beside it. Paper as empty there as elsewhere has no dye left to give: print a new piece.",
        f"Let the press settle{hot}. Wipe platen and pad, and lay a fresh cover sheet.",
        "Lay the piece back as it lay, the same face to the platen" + ("" if "face" in missing else face) + ".",
        *_seconds_lines(plan),
        "Lift it out with gloves, let it cool with the paper on, and photograph it before you peel. "
        "One re-press only: if it is still pale then, print a new piece.",
    ]


def _seconds_lines(plan: dict[str, Any]) -> list[str]:
    """Say how long, how sure that is, and what it was held to."""
    total = plan.get("total_seconds")
    half = "at temperature for 30 s, at most half of your recipe's time"
    if total is None:
        return [
            "Give it the time to heat through, then hold it " + half + ". 30 s from cold is too short for most glass. "
            f"With the recipe's temperature and the thickness of the glass, {lengths(2, 12)}, the seconds are "
            "reckoned. " + _limit_line(plan)
        ]
    reheat, hold = float(plan["reheat_seconds"]), float(plan["hold_seconds"])
    low, high = plan.get("reheat_low_seconds"), plan.get("reheat_high_seconds")
    parts = f"{number(reheat, 0)} s to heat through, {number(hold, 0)} s to hold"
    lines = [f"Press for about {number(total, 0)} s: {parts}."]
    ends = f"from {number(float(low), 0)} s" if low is not None else "from nothing"
    upto = f"to {number(float(high), 0)} s" if high is not None else "to never: it may never get hot enough"
    if plan.get("learned"):
        lines.append(f"Heating through takes {ends} {upto}, reckoned from the warm-up seen on this press.")
    else:
        lines.append(
            f"Heating through takes {ends} (felt below) {upto} (thick dense rubber below): an estimate, since "
            "pad, papers and glass differ. A step test on your press tells its own warm-up"
            f"{'.' if on_page() else ' (--warm-up).'}"
        )
    cut = {
        "maker-time": "The hold was cut to the makers' longest time.",
        "recipe": "The hold was cut to half of your recipe's time, and the whole to one and a half times it.",
    }.get(str(plan.get("cut_by", "")), "")
    lines.append(sentences(cut, _limit_line(plan)))
    return lines


def _limit_line(plan: dict[str, Any]) -> str:
    """Name the makers' limits, and those that nobody told."""
    missing = plan.get("missing", ())
    known = [f"{_temperature(plan['max_c'])}"] if plan.get("max_c") is not None else []
    known += [f"{number(plan['max_seconds'], 0)} s"] if plan.get("max_seconds") is not None else []
    asked = [
        name
        for key, name in (("max-temperature", "highest temperature"), ("max-time", "longest time"))
        if key in missing or not plan
    ]
    text = f"Makers' limits kept: {' and '.join(known)}." if known else ""
    if asked:
        text = sentences(text, f"The makers' {' and '.join(asked)} were not told: look them up first, and stay within.")
    if "time" in missing:
        text = sentences(text, "Nor was the recipe's time: never press longer than one and a half times it.")
    return text


_CAUSES = {str(kind): fault.cause for kind, fault in CATALOGUE.items() if fault.cause} | {
    "crisp-defects": CATALOGUE[Kind.SPECK].cause,
    "black-density": "All pale: check the platen's real temperature and the time, and whether the paper still "
    "holds dye. Empty paper on a pale piece means that it was never printed.",
    "uptake": "Pale all over: check the platen's real temperature and the time, and the ink, before the next piece.",
    "slope": "Paler towards one side means uneven pressure or heat: level the platen, check the hinge side.",
    "zone": "Uneven over the whole piece: level the platen and let it heat through before pressing.",
}


def next_piece_lines(reading: Judged) -> list[str]:
    """Say what to look at before the next piece, by what was found on this one."""
    v = reading.verdict
    if v.action == "retake-photo":
        return []
    found = [r.measure for r in v.reasons if r.outcome == "fail" and not is_photo_measure(r)]
    if any(m in PALE for m in found):
        found = [m for m in found if m not in ("zone", "slope")]
    if any(r.measure == "crisp-defects" and r.value > 0 for r in v.reasons):
        found.append("crisp-defects")
    lines = [_CAUSES[m] for m in dict.fromkeys(found) if m in _CAUSES]
    if v.action == "change-profile":
        lines.append(
            "Check paper setting, print mode, profile and rendering in the printer's dialogue first: a "
            "wrong one "
            "looks the same. If they are as always, print the target without any profile and build a new one."
        )
    return lines


_MAKERS = "The makers' instructions, the safety data sheets and your local codes come first."
CAUTIONS = (
    "Burns: platen and glass look cold while hot, and stay hot for more than 10 minutes. Wear heat-proof gloves.",
    "Glass breaks when it cools or heats suddenly: never quench it, never press chipped or cracked glass, do not "
    "over-press, wear eye protection.",
    "Ventilate: hot dye, paper and coat give off vapour.",
    "Never leave the press unattended; keep children and pets away; use an earthed outlet of its own.",
    _MAKERS,
)
_HOT_PIECE = (
    "Fresh from the press the piece is hot while it looks cold: move it with heat-proof gloves, or wait until it has "
    "cooled by itself. Never quench it.",
    _MAKERS,
)


def cautions(action: str) -> list[str]:
    """Give the cautions that belong to an action; empty where no heat is involved."""
    if action == "reprint":
        return ["These hold for pressing the new piece:", *CAUTIONS]
    return {"re-press": list(CAUTIONS), "retake-photo": list(_HOT_PIECE)}.get(action, [])


# ---------------------------------------------------------------- findings, flags, notes


def finding_name(f: Finding) -> str:
    """Name a finding in plain words."""
    if f.kind == "missing-ink" and f.detail.get("ink"):
        return f"missing ink: {f.detail['ink']}"
    return fault_of(f.kind).word


def kind_name(kind: str) -> str:
    """Name a kind of finding, at the head of a line."""
    name = fault_of(kind).word
    return f"{name[:1].upper()}{name[1:]}"


def say_finding(f: Finding, reading: Judged) -> str:
    """Put a finding into one line: what, where, how large, how strong, and how it stands to its limit."""
    size = ""
    if f.kind not in WHOLE and math.isfinite(f.diameter_mm):
        deep = " deep" if f.kind in BANDS else ""
        size = f", about {mm(f.diameter_mm, 0 if f.diameter_mm >= 3 else 1)}{deep}"
    name, outcome = finding_name(f), finding_outcome(f, reading)
    return (
        f"{name[:1].upper()}{name[1:]}{at_place(f.where).replace(' whole', ', whole')}{size}, "
        f"{number(f.delta_e00)} ΔE00{f' ({outcome})' if outcome else ''}"
    )


def finding_outcome(f: Finding, reading: Judged) -> str:
    """Say how a finding stands to its limit: '' when it fails or was not compared with one."""
    same = [r for r in reading.verdict.reasons if r.measure == f.kind and r.detail.get("delta_e00") == f.delta_e00]
    if not same:
        return ""
    if same[0].outcome == "undecided" and "doubt" in same[0].detail:
        return "not certain"
    return {"pass": "within the limit", "undecided": "too close to call"}.get(same[0].outcome, "")


def next_photo_lines(reading: Judged) -> list[str]:
    """Say what to change for the next photo, each thing once; empty when the photo was fit."""
    faults = [r for r in reading.verdict.reasons if is_photo_measure(r) and r.outcome == "fail"]
    if any(r.measure == "clipped-white" for r in faults):
        faults = [r for r in faults if r.measure != "clipped-cells"]
    return list(dict.fromkeys(photo_advice(r.measure, "" if "clipped" in r.measure else r.place) for r in faults))


def flag_words(flags: int) -> list[str]:
    """Say what is wrong with a cell's value, in words; empty when nothing is."""
    return [text for flag, text in _FLAGS.items() if flags & int(flag)]


def trust_words(reading: Reading) -> str:
    """Say how far the colours can be trusted."""
    if reading.trust == "referenced":
        text = "The camera was taught with measured colours, so these values can be compared with an instrument's"
    else:
        text = (
            "The camera was only balanced on the bare coat: differences within the piece are trustworthy, "
            "colours as "
            "such carry the uncertainty given"
        )
    return text + ("." if reading.absolute else "; all values take the bare coat as white.")
