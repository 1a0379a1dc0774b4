"""Press health and fading → screen, JSON, CSV and one self-contained page: the answer first."""

from __future__ import annotations

import csv
import io
import math
import textwrap
from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import Any, TextIO, cast

import numpy as np

from ..faults.catalogue import family_of
from ..ground.jsontext import rounded
from ..shop.presshealth import (
    FRAMES,
    MIN_AFFECTED,
    MIN_PIECES,
    Common,
    Fade,
    FamilyHealth,
    Health,
    TrendLine,
    in_frame,
)
from . import pictures as pic
from . import words
from .report import render_page, write_page

SCHEMA = "colorcheck-health/1"
FADING_SCHEMA = "colorcheck-fading/1"
SHOWN_PIECES = 40
_WHO = {"platen": "the press", "blank": "the coating", "sheet": "the printer", "photo": "the light of the photo"}
_WHERE = {"platen": "on the platen", "blank": "on the blank", "sheet": "on the printed sheet", "photo": "in the photo"}
_FAMILY = {"soft": "soft pale or dark places", "crisp": "dots, specks and hairs", "scorch": "yellowing"}
_COLUMNS = ("piece", "file", "kind", "x_mm", "y_mm", "diameter_mm", "delta_e00") + (
    "platen_x_mm",
    "platen_y_mm",
    "blank_x_mm",
    "blank_y_mm",
    "sheet_x_mm",
    "sheet_y_mm",
    "photo_x_mm",
    "photo_y_mm",
    "common_spot",
)


# ---------------------------------------------------------------- words


def leading(health: Health) -> FamilyHealth | None:
    """Pick the family of findings that the answer is about: named before unclear before the rest."""
    rank = {**dict.fromkeys(FRAMES, 3), "unclear": 2, "random": 1, "few": 0}
    return max(health.families, key=lambda f: (rank[f.source], f.affected), default=None)


def headline(health: Health) -> str:
    """Say the answer in one line."""
    f, n = leading(health), len(health.pieces)
    if f is None:
        return f"Nothing was found on {words.count_of(n, 'piece')}"
    if f.source in FRAMES:
        spot = f.spots[0]
        return f"It is {_WHO[f.source]}: the same place {_WHERE[f.source]} on {len(spot.pieces)} of {spot.could} pieces"
    if f.source == "unclear":
        who = " or ".join(_WHO[r] for r in f.rivals)
        return f"A fault comes back at one place, but it may be {who}"
    if f.source == "random":
        return "No place comes back: the findings lie at random"
    return "Too few pieces with findings to tell what causes them"


def why(health: Health) -> str:
    """Say in a sentence or two what the answer rests on."""
    f, n = leading(health), len(health.pieces)
    good, judged = health.yield_share
    share = f"{good} of {judged} pieces were accepted."
    if f is None:
        return share
    seen = f"{f.affected} of {words.count_of(n, 'piece')} show {_FAMILY[f.family]}."
    if f.source in FRAMES:
        t = next(t for t in f.tests if t.frame == f.source)
        return (
            f"{seen} Laid over one another {_WHERE[f.source]} they gather at one place; were it chance, so much "
            "gathering would "
            f"happen in {_chance(t.p)}. {_ahead(f)} {_granted(f)}{share}"
        )
    if f.source == "unclear":
        return (
            f"{seen} They gather, but what was written down of how these pieces lay does not tell press, blank, "
            f"printer and photo apart. {share}"
        )
    if f.source == "random":
        return f"{seen} They gather no more than chance would have it, whichever way they are laid. {share}"
    least = f"A cause is named from {MIN_PIECES} pieces on, {MIN_AFFECTED} of them with findings of one kind."
    return f"{seen} {least} {share}"


def _chance(p: float) -> str:
    return f"about {max(1, round(1000 * p))} of 1000 cases" if p < 0.05 else f"{100 * p:.0f} of 100 cases"


def _ahead(f: FamilyHealth) -> str:
    odds = math.exp(min(f.ahead, 13.8))
    number = "more than 1000" if odds >= 1000 else f"about {odds:.0f}"
    return f"The next best explanation is {number} times less likely."


def _granted(f: FamilyHealth) -> str:
    """Name what was not written down and so is taken to have been the same for every piece."""
    things = {"platen": "the place on the platen", "blank": "the turn of the blank", "sheet": "the turn of the sheet"}
    things["photo"] = "how the piece lay in the photo"
    lost = [things[t.frame] for t in f.tests if not t.known]
    return f"Not written down and taken as always the same: {' and '.join(lost)}. " if lost else ""


def place_words(s: Common) -> str:
    """Name a place in its frame: '60 mm right of the middle, 40 mm towards you'."""
    front = {"platen": ("towards you", "towards the back")}.get(s.frame, ("below", "above"))
    parts = []
    if abs(s.x_mm) >= 5:
        parts.append(f"{abs(s.x_mm):.0f} mm {'right' if s.x_mm > 0 else 'left'} of the middle")
    if abs(s.y_mm) >= 5:
        tail = "" if s.frame == "platen" else "" if parts else " the middle"
        parts.append(f"{abs(s.y_mm):.0f} mm {front[0] if s.y_mm > 0 else front[1]}{tail}")
    text = ", ".join(parts) or "in the middle"
    return (
        f"{text} {_WHERE[s.frame]}"
        if s.frame != "platen"
        else f"{text} of the platen"
        if not parts
        else f"{text} (platen seen from above)"
    )


def spot_words(s: Common) -> str:
    """Describe a shared place in one line."""
    name = s.kind.replace("-", " ")
    if s.kind in ("pale", "dark"):
        name += " spot"
    return (
        f"{name[0].upper()}{name[1:]}, about {s.diameter_mm:.0f} mm, {words.number(s.delta_e00)} ΔE00: "
        f"{place_words(s)}; "
        f"{len(s.pieces)} of {s.could} pieces that lay there."
    )


def todo(health: Health) -> list[str]:
    """Say what to look at first, and how to make sure."""
    f = leading(health)
    if f is None or f.source == "few":
        return [
            "Keep on writing down how each piece lay: place and turn on the platen, turn of the blank, turn of the "
            "sheet."
        ]
    if f.source == "random":
        return [
            "Treat each piece by itself: dust, moisture, paper. Nothing here points to one spot of press or printer."
        ]
    if f.source == "unclear":
        return [
            "For the next six pieces turn every second blank by half a turn before the paper goes on, and every "
            "third piece on the "
            "platen; write it down in the table or with --lay. Then run this again.",
            *(_check_lines(r)[0] for r in f.rivals),
        ]
    return _check_lines(f.source)


def _check_lines(source: str) -> list[str]:
    if source == "platen":
        return [
            "With the press off and cold, look at platen and pad at that place: dirt, a dent, a hollow, a worn or "
            "folded pad. "
            "At the border: does the piece overhang?",
            "Measure the temperature there and elsewhere with a contact thermometer; mind the maker's instructions.",
            "To make sure, press the next two pieces a hand's breadth aside: the spot should move on the piece.",
        ]
    if source == "blank":
        return [
            "Look at the coat of unpressed blanks of this lot at that place, in grazing light: runs, thin places, "
            "marks of a hanger.",
            "Try blanks of another lot; keep two faulty pieces for the supplier.",
            "To make sure, turn two blanks by half a turn against the picture: the spot should turn with the blank.",
        ]
    if source == "photo":
        return [
            "The places stay where the lamp or its reflection lies, not with piece, press or printer.",
            "Cover windows, move the lamp to the side, and photograph the pieces again, each turned a quarter: inspect "
            "takes several photos of one piece and tells light from print.",
        ]
    return [
        "Print a nozzle check and look at an unpressed sheet at that place: rollers, head strikes, wet paper.",
        "Turn the picture by half a turn on the next sheet: the spot should stay with the printer.",
        "Do not make a new profile before this is mended.",
    ]


def cautions(health: Health) -> list[str]:
    """Cautions: all advice here ends at the press, with the next pieces or with the platen itself."""
    f = leading(health)
    press = f is not None and (f.source == "platen" or (f.source == "unclear" and "platen" in f.rivals))
    if not press:
        return words.cautions("re-press")
    return [
        "Look at and clean the platen only when the press is off, unplugged and cold; work on heaters and wiring is "
        "for a "
        "licensed electrician.",
        *words.cautions("re-press"),
    ]


# ---------------------------------------------------------------- JSON, CSV


def health_to_dict(
    health: Health, trends: Sequence[TrendLine] = (), facts: Sequence[tuple[str, str]] = ()
) -> dict[str, Any]:
    """Turn the answer into JSON; what is not known is null."""
    f = leading(health)
    whole = {
        "schema": SCHEMA,
        "pieces": len(health.pieces),
        "accepted": health.yield_share[0],
        "source": None if f is None else f.source,
        "headline": headline(health),
        "why": why(health),
        "families": [
            {
                "family": g.family,
                "source": g.source,
                "affected": g.affected,
                "rivals": list(g.rivals),
                "lead_log_likelihood": g.ahead,
                "tests": [
                    {
                        "frame": t.frame,
                        "gain_log_likelihood": t.gain,
                        "p": t.p,
                        "written_down": t.known,
                        "can_be_told_apart": t.varied,
                    }
                    for t in g.tests
                ],
                "spots": [
                    {
                        "frame": s.frame,
                        "kind": s.kind,
                        "x_mm": s.x_mm,
                        "y_mm": s.y_mm,
                        "diameter_mm": s.diameter_mm,
                        "delta_e00": s.delta_e00,
                        "pieces": list(s.pieces),
                        "of": s.could,
                        "where": place_words(s),
                    }
                    for s in g.spots
                ],
            }
            for g in health.families
        ],
        "what_to_do": todo(health),
        "cautions": cautions(health),
        "log": dict(facts),
        "trends": [
            {
                "measure": t.name,
                "values": list(t.values),
                "centre": t.centre,
                "lower": t.lower,
                "upper": t.upper,
                "outside": list(t.outside),
                "drifting": list(t.drifting),
            }
            for t in trends
        ],
    }
    return cast("dict[str, Any]", rounded(whole))


def health_csv(health: Health) -> str:
    """One line for each finding, with its place in every frame, for a spreadsheet."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    spots = [s for f in health.families for s in f.spots]
    for p in health.pieces:
        for s in p.spots:
            xy = np.array([[s.x_mm, s.y_mm]])
            frames = {f: in_frame(xy, p, f)[0] for f in FRAMES}
            mine = [
                k
                for k, c in enumerate(spots, 1)
                if p.name in c.pieces
                and family_of(s.kind) == family_of(c.kind)
                and math.hypot(*(frames[c.frame] - (c.x_mm, c.y_mm))) <= max(8.0, 0.5 * c.diameter_mm) + 4
            ]
            row: list[Any] = [p.name, p.source, s.kind]
            row += [round(v, 2) for v in (s.x_mm, s.y_mm, s.diameter_mm, s.delta_e00)]
            row += [round(float(v), 1) for f in FRAMES for v in frames[f]]
            cells = [f"'{v}" if isinstance(v, str) and v[:1] in ("=", "+", "-", "@", "\t") else v for v in row]
            writer.writerow([*cells, mine[0] if mine else ""])
    return text.getvalue()


# ---------------------------------------------------------------- screen


def print_health(health: Health, stream: TextIO, *, color: bool = False, facts: Sequence[tuple[str, str]] = ()) -> None:
    """Print the answer, the places, and what to do."""
    bold, end = ("\x1b[1m", "\x1b[0m") if color else ("", "")
    lines = [f"{bold}{headline(health)}{end}", *_wrap(why(health))]
    number = 0
    for f in health.families:
        for s in f.spots:
            number += 1
            lines += _wrap(spot_words(s), f"{number:2d}. ")
    lines.append("")
    for line in todo(health):
        lines += _wrap(line, "  - ")
    for k, v in facts:
        lines += _wrap(f"{k}: {v}")
    care = cautions(health)
    if care:
        lines += ["", "Take care", *(row for line in care for row in _wrap(line, "  - "))]
    stream.write("\n".join(lines) + "\n")


def _wrap(text: str, lead: str = "") -> list[str]:
    return textwrap.wrap(text, 88, initial_indent=lead, subsequent_indent=" " * len(lead), break_on_hyphens=False)


# ---------------------------------------------------------------- page


def write_health_report(
    health: Health,
    folder: str | Path,
    *,
    trends: Sequence[TrendLine] = (),
    facts: Sequence[tuple[str, str]] = (),
    overwrite: bool = False,
) -> Path:
    """Write ``report.html`` into a folder; as `report.write_page`."""
    return write_page(
        folder, lambda: render_page("health.html.j2", context(health, trends, facts)), overwrite=overwrite
    )


def context(health: Health, trends: Sequence[TrendLine], facts: Sequence[tuple[str, str]]) -> dict[str, Any]:
    """Everything the page shows, as text and ready-made drawings."""
    f = leading(health)
    spots = [s for g in health.families for s in g.spots]
    maps = []
    if f is not None:
        order = sorted(FRAMES, key=lambda name: (name != f.source, FRAMES.index(name)))
        maps = [
            {
                "title": f"{_WHERE[name][0].upper()}{_WHERE[name][1:]}",
                "svg": frame_map(health, f, name, spots),
                "says": _map_words(f, name),
            }
            for name in order
        ]
    shown = sorted(health.pieces, key=lambda p: -len(p.spots))[:SHOWN_PIECES]
    return {
        "word": "Press health",
        "name": "press health",
        "subtitle": f"{words.count_of(len(health.pieces), 'piece')} laid over one another",
        "headline": headline(health),
        "why": why(health),
        "maps": maps,
        "spots": [{"n": k, "text": spot_words(s)} for k, s in enumerate(spots, 1)],
        "families": [
            {
                "name": _FAMILY[g.family][0].upper() + _FAMILY[g.family][1:],
                "answer": _WHO.get(
                    g.source, {"unclear": "comes back, cause open", "random": "at random"}.get(g.source, "too few")
                ),
                "affected": f"{g.affected} of {len(health.pieces)}",
                "rows": [
                    {
                        "frame": _WHERE[t.frame],
                        "gain": words.number(t.gain),
                        "p": f"{t.p:.3f}" if g.source != "few" else "–",
                        "note": "" if t.known else "not written down: taken as always the same",
                    }
                    for t in g.tests
                ],
            }
            for g in health.families
        ],
        "check": todo(health),
        "cautions": cautions(health),
        "todo": [],
        "next": [],
        "trends": [{"title": t.name, "svg": trend_figure(t), "says": trend_words(t)} for t in trends],
        "facts": list(facts),
        "pieces": [
            {
                "name": p.name,
                "action": words.action_word(cast("Any", p.action)) if p.action else "–",
                "spots": len(p.spots),
            }
            for p in shown
        ],
        "unlisted": len(health.pieces) - len(shown),
        "fades": [],
    }


def _map_words(f: FamilyHealth, frame: str) -> str:
    t = next(t for t in f.tests if t.frame == frame)
    note = "" if t.known else " How the pieces lay in this frame was not written down."
    if f.source == frame:
        return "Here they gather." + note
    if f.source == "unclear" and frame in f.rivals:
        return "They gather here as well." + note
    best = max(f.tests, key=lambda u: u.gain)
    return ("Here they gather less." if t.gain > 0.3 * best.gain else "Here they scatter.") + note


def frame_map(health: Health, family: FamilyHealth, frame: str, spots: Sequence[Common]) -> str:
    """Draw outlines of all pieces and their findings in one frame; shared places are ringed and numbered."""
    corners, dots = [], []
    outline = ""
    for p in health.pieces[-SHOWN_PIECES:]:
        w, h = p.size_mm
        if p.shape == "round":
            a = np.linspace(0, 2 * np.pi, 49)
            shape = np.stack([w / 2 + w / 2 * np.cos(a), h / 2 + h / 2 * np.sin(a)], axis=1)
        else:
            shape = np.array([[0, 0], [w, 0], [w, h], [0, h], [0, 0]], float)
        at = in_frame(shape, p, frame)
        corners.append(at)
        outline += '<polyline class="grid" fill="none" points="' + " ".join(f"{x:.1f},{y:.1f}" for x, y in at) + '"/>'
    for p in health.pieces:
        for s in p.spots:
            if family_of(s.kind) == family.family:
                x, y = in_frame(np.array([[s.x_mm, s.y_mm]]), p, frame)[0]
                dots.append((float(x), float(y), s.diameter_mm, p.name))
    every = np.concatenate(corners)
    low, high = every.min(axis=0), every.max(axis=0)
    u = float(max(high - low)) / 100
    body = outline
    for x, y, d, name in dots:
        body += (
            f'<circle class="band" cx="{x:.1f}" cy="{y:.1f}" r="{max(d / 2, 1.6 * u):.1f}"/>'
            f'<circle class="point" cx="{x:.1f}" cy="{y:.1f}" r="{1.1 * u:.1f}"><title>{escape(name)}</title></circle>'
        )
    for k, c in enumerate(spots, 1):
        if c.frame == frame and family_of(c.kind) == family.family:
            r = max(0.5 * c.diameter_mm + 2 * u, 4 * u)
            bx, by = c.x_mm + 0.75 * r + 2 * u, c.y_mm - 0.75 * r - 2 * u
            body += (
                f'<circle class="halo" cx="{c.x_mm:.1f}" cy="{c.y_mm:.1f}" r="{r:.1f}"/>'
                f'<circle class="ink" cx="{c.x_mm:.1f}" cy="{c.y_mm:.1f}" r="{r:.1f}"/>'
                f'<circle class="badge" cx="{bx:.1f}" cy="{by:.1f}" r="{3.6 * u:.1f}"/>'
                f'<text class="badgetext" x="{bx:.1f}" y="{by + 1.8 * u:.1f}" font-size="{5 * u:.1f}">{k}</text>'
            )
    names = {
        "platen": ("back of the press", "you stand here"),
        "blank": ("top of the blank, by its mark", ""),
        "sheet": ("top of the printed sheet", ""),
        "photo": ("top of the photo", ""),
    }[frame]
    middle = float(low[0] + high[0]) / 2
    body += f'<path class="zero" d="M{-2 * u:.1f} 0H{2 * u:.1f}M0 {-2 * u:.1f}V{2 * u:.1f}"/>'
    for text, y in zip(names, (low[1] - 2.5 * u, high[1] + 6 * u), strict=True):
        body += f'<text class="axis mid" x="{middle:.1f}" y="{y:.1f}" font-size="{4.2 * u:.1f}">{text}</text>'
    bar = 10 ** math.floor(math.log10(30 * u))
    bar = next(b for b in (5 * bar, 2 * bar, bar) if b <= 30 * u)
    x0, y0 = float(low[0]), float(high[1]) + 12 * u
    body += (
        f'<path class="tick" d="M{x0:.1f} {y0 - u:.1f}V{y0:.1f}H{x0 + bar:.1f}V{y0 - u:.1f}"/>'
        f'<text class="axis" x="{x0 + bar + 2 * u:.1f}" y="{y0:.1f}" font-size="{4.2 * u:.1f}">{bar:g} mm</text>'
    )
    view = f"{low[0] - 3 * u:.1f} {low[1] - 8 * u:.1f} {high[0] - low[0] + 6 * u:.1f} {high[1] - low[1] + 22 * u:.1f}"
    label = escape(f"{len(dots)} findings of {len(health.pieces)} pieces {_WHERE[frame]}", quote=True)
    return f'<svg class="piece" role="img" aria-label="{label}" viewBox="{view}">{body}</svg>'


def trend_words(t: TrendLine) -> str:
    """Say whether a measure is steady."""
    n = len(t.values)
    if not math.isfinite(t.centre):
        return f"{words.count_of(n, 'value')}: too few for limits."
    rough = " The limits rest on few values and are wide for that." if t.rough else ""
    if t.outside and t.outside[-1] >= n - 3:
        return f"One of the last pieces lies outside the limits: something changed.{rough}"
    if t.drifting and t.drifting[-1] >= n - 3:
        return f"The smoothed line has left its limits: the press drifts.{rough}"
    if t.outside:
        return f"{words.count_of(len(t.outside), 'piece')} outside the limits, none of them lately.{rough}"
    return f"Steady.{rough}"


def trend_figure(t: TrendLine) -> str:
    """Draw a measure against the pieces in their order, with its limits and smoothed line."""
    n = len(t.values)
    known = [v for v in (*t.values, t.lower, t.upper) if math.isfinite(v)]
    low, high = min(known), max(known)
    room = (high - low) or 1.0
    x_range, y_range = (0.0, n + 1.0), (max(low - 0.08 * room, min(low, 0.0)), high + 0.08 * room)
    plot = pic.Plot(x_range, y_range, 460.0, 220.0)
    inner = ""
    for v, css in ((t.lower, "aimline"), (t.upper, "aimline"), (t.centre, "zero")):
        if math.isfinite(v):
            inner += plot.line([0, n + 1], [v, v], css)
    xs = [float(k + 1) for k in range(n)]
    if t.smooth:
        inner += plot.line(xs, list(t.smooth), "line")
    for k, v in enumerate(t.values):
        r = 3.0 if n <= 60 else 1.6
        inner += plot.dot(xs[k], v, "point", r=r, title=f"{t.days[k]}: {v:.2f}")
        if k in t.outside:
            inner += f'<circle class="allowed" cx="{plot.x(xs[k]):.1f}" cy="{plot.y(v):.1f}" r="8"/>'
    name = f"pieces, oldest first ({t.days[0]} to {t.days[-1]})" if n else "pieces"
    return pic.plot_svg(f"{t.name} over time", name, t.unit, x_range, y_range, inner, width=460.0, height=220.0)


# ---------------------------------------------------------------- fading


def fading_headline(fades: Sequence[Fade]) -> str:
    """Say in one line what faded."""
    last = fades[-1]
    m = last.mean
    if m.delta_e00 < 2 * m.std:
        return f"No fading that these photos could show ({words.number(m.delta_e00)} ± {words.doubt(2 * m.std)} ΔE00)"
    most = [g.name for g in last.groups[: max(1, last.apart)]][:2]
    lead = f", most in the {' and '.join(most)}" if last.apart else ", in all colours alike as far as can be told"
    return f"Changed by {words.number(m.delta_e00)} ± {words.doubt(2 * m.std)} ΔE00 since the first reading{lead}"


def fading_why(fades: Sequence[Fade], setup: str) -> str:
    """Say what the comparison rests on."""
    light = {
        "same": "Same camera and lamp, as you said.",
        "lamp": "The photos come from one camera; whether the lamp was the same is not known, and that alone can make "
        "about 2 ΔE00. Say --same-setup if it was.",
        "camera": "The photos come from different cameras: that alone makes about 3 ΔE00.",
    }[setup]
    return f"{light} Ranking of this piece in its own place only; no years follow from it."


def fading_to_dict(fades: Sequence[Fade], first: str, setup: str) -> dict[str, Any]:
    """Turn a fading log into JSON."""

    def group(g: Any) -> dict[str, Any]:
        return {
            "name": g.name,
            "delta_e00": g.delta_e00,
            "uncertainty": g.std,
            "delta_L": g.delta_l,
            "delta_C": g.delta_c,
            "cells": g.cells,
        }

    whole = {
        "schema": FADING_SCHEMA,
        "first": first,
        "setup": setup,
        "headline": fading_headline(fades),
        "why": fading_why(fades, setup),
        "later": [
            {
                "name": f.name,
                "taken": f.taken,
                "all": group(f.mean),
                "groups": [group(g) for g in f.groups],
                "apart": f.apart,
            }
            for f in fades
        ],
    }
    return cast("dict[str, Any]", rounded(whole))


def fading_csv(fades: Sequence[Fade]) -> str:
    """One line for each later reading and group."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["reading", "taken", "group", "delta_e00", "uncertainty", "delta_L", "delta_C", "cells"])
    for f in fades:
        for g in (f.mean, *f.groups):
            name = f"'{f.name}" if f.name[:1] in ("=", "+", "-", "@", "\t") else f.name
            numbers = (g.delta_e00, g.std, g.delta_l, g.delta_c)
            writer.writerow([name, f.taken, g.name, *(round(v, 2) for v in numbers), g.cells])
    return text.getvalue()


def print_fading(fades: Sequence[Fade], stream: TextIO, setup: str, *, color: bool = False) -> None:
    """Print the change of each group."""
    bold, end = ("\x1b[1m", "\x1b[0m") if color else ("", "")
    lines = [f"{bold}{fading_headline(fades)}{end}", *_wrap(fading_why(fades, setup)), ""]
    for f in fades:
        lines.append(f"  {f.name}{f', {f.taken}' if f.taken else ''}")
        for g in (f.mean, *f.groups):
            lines.append(
                f"    {g.name:<12} {words.number(g.delta_e00):>5} ± {words.doubt(2 * g.std)} ΔE00   {_direction(g)}"
            )
    stream.write("\n".join(lines) + "\n")


def _direction(g: Any) -> str:
    parts = []
    if abs(g.delta_l) >= 0.5:
        parts.append("paler" if g.delta_l > 0 else "darker")
    if abs(g.delta_c) >= 0.5:
        parts.append("duller" if g.delta_c < 0 else "more colourful")
    return ", ".join(parts)


def write_fading_report(
    fades: Sequence[Fade], folder: str | Path, *, first: str, setup: str, overwrite: bool = False
) -> Path:
    """Write ``report.html`` of a fading log into a folder; as `report.write_page`."""
    return write_page(
        folder, lambda: render_page("health.html.j2", fading_context(fades, first, setup)), overwrite=overwrite
    )


def fading_context(fades: Sequence[Fade], first: str, setup: str) -> dict[str, Any]:
    """Everything the page of a fading log shows."""
    last = fades[-1]
    return {
        "word": "Fading",
        "name": "fading log",
        "subtitle": f"{words.count_of(len(fades), 'later reading')} against {first}",
        "headline": fading_headline(fades),
        "why": fading_why(fades, setup),
        "maps": [],
        "spots": [],
        "families": [],
        "check": [],
        "cautions": [],
        "todo": [],
        "next": [],
        "trends": [],
        "facts": [],
        "pieces": [],
        "unlisted": 0,
        "bars": pic.bars_svg(
            [(g.name, g.delta_e00, "b1") for g in last.groups], label="Change of each group of colours, ΔE00"
        ),
        "fades": [
            {
                "name": f.name,
                "taken": f.taken or "–",
                "rows": [
                    {
                        "name": g.name,
                        "de": f"{words.number(g.delta_e00)} ± {words.doubt(2 * g.std)}",
                        "how": _direction(g) or "–",
                        "cells": str(g.cells),
                    }
                    for g in (f.mean, *f.groups)
                ],
            }
            for f in fades
        ],
    }
