"""Results as one self-contained page: the answer first, then the picture, then how it was reached."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..ground.errors import FileError
from ..ground.files import made_folder, write_text
from ..ground.records import CellKind, Finding, PhotoResult, Reading, Reason, Target
from . import answers as told
from . import figures as fig
from . import inspectwords as iw
from . import pictures as pic
from . import svg, words
from .logbook import trend_blocks
from .numbers import number, percent, pm
from .say import give_words, items, pairs, say
from .screen import Block, Heading, Items, Table

if TYPE_CHECKING:
    from ..colour.substrate import Substrate
    from ..flows.bench import Checked
    from ..flows.compare import Comparison
    from ..flows.inspect import Inspection, PiecePhoto
    from ..flows.prepare import Prepared
    from ..shop.ladder import LadderFit, LadderPlan
    from ..shop.presshealth import Fade, FamilyHealth, Health, TrendLine
    from ..shop.presslog_records import Trend

LISTED = 20
_SWATCHES = 24
_ROWS = 12
_PIECES = 40
_SLICES = (30.0, 50.0, 70.0, 90.0)


# ---------------------------------------------------------------- files


def render_page(template: str, values: dict[str, Any]) -> str:
    """Fill one of the package's templates; all text is escaped unless the template says otherwise."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    env = Environment(
        loader=PackageLoader("colorcheck"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    give_words(env)
    return env.get_template(template).render(values)


def write_page(folder: str | Path, template: str, values: dict[str, Any], *, overwrite: bool = False) -> Path:
    """Write a page as ``report.html`` into a folder, whole or not at all.

    Parameters
    ----------
    folder : path
        Made when it does not exist.
    template : str
        One of the package's templates.
    values : dict
        What it shows: one of the contexts below.
    overwrite : bool
        Replace a report that is already there.

    Returns
    -------
    Path
        The file written: everything is inside it, nothing is loaded from elsewhere.

    Raises
    ------
    FileError
        There is a report already, or the folder cannot be made or written.
    """
    path = Path(folder) / "report.html"
    if path.exists() and not overwrite:
        raise FileError(f"{folder} holds a report already", "name another folder, or remove the old report first")
    made_folder(folder, "report")
    write_text(path, render_page(template, values))
    return path


def _shown(table: Table) -> dict[str, Any]:
    """Give a table as the pages' macro takes it."""
    return {"head": list(table.head), "rows": [list(row) for row in table.rows], "numbers": table.numbers}


# ---------------------------------------------------------------- read and inspect


def _answer(action: str, headline: str, why: str, name: str, subtitle: str) -> dict[str, Any]:
    word = words.action_word(action)
    return {"name": name, "subtitle": subtitle, "action": action, "word": word, "headline": headline, "why": why}


def _steps(rows: Sequence[tuple[Reason, Sequence[str]]]) -> list[dict[str, Any]]:
    """Group the steps of the decision by their question: (reason, (what, measured, limit, outcome, sentence))."""
    keys = ("what", "measured", "limit", "outcome", "says")
    return [
        {
            "question": question,
            "rows": [{**dict(zip(keys, row, strict=True)), "css": row[3].replace(" ", "-")} for row in here],
        }
        for name, question in words.steps()
        if (here := [row for r, row in rows if words.step_of(r) == name])
    ]


def _findings(findings: Sequence[Finding], said: Sequence[str]) -> dict[str, Any]:
    """Give the findings the numbers of the picture; ``placed`` when the picture marks it."""
    placed = {n for n, _ in svg.ring_places(findings)}
    listed = [{"n": k, "text": text, "placed": k in placed} for k, text in enumerate(said[:LISTED], 1)]
    return {"findings": listed, "found": len(findings), "unlisted": max(0, len(findings) - LISTED)}


def reading_context(reading: Reading) -> dict[str, Any]:
    """Everything the page of a reading shows, as text and ready-made drawings."""
    v, t, e = reading.verdict, reading.target, reading.evenness
    retake = v.action == "retake-photo"
    findings = () if retake else reading.findings
    photo = fig.main_photo(reading)
    glare = fig.glare_outline(photo)
    notes = [r for r in v.reasons if words.is_photo_measure(r) and r.outcome == "note"]
    subtitle = say("reading_subtitle", t, len(reading.photos), reading.photos[0].image_name)
    rows = [
        (r, (words.short_name(r), words.measured_text(r), words.limit_text(r), words.outcome_text(r, v), said))
        for r in v.reasons
        for said in (words.say_reason(r, reading),)
    ]
    return {
        **_answer(v.action, words.headline(v), words.one_line_why(reading), t.name, subtitle),
        "checked": say("with_bench", reading.bench),
        **_findings(findings, [words.say_finding(f, reading) for f in findings]),
        "retake": retake,
        "picture": fig.reading_picture(reading, findings, show_light=retake),
        "marked_glare": bool(glare),
        "marked_cells": bool(fig.spoiled_cells(reading, show_all=retake)),
        "todo": words.repress_lines(reading) if v.action == "re-press" else [],
        "photo_todo": words.next_photo_lines(reading),
        "photo_notes": [
            {"says": words.say_reason(r, reading), "advice": words.photo_advice(r.measure, r.place)} for r in notes
        ],
        "next": words.next_piece_lines(reading),
        "cautions": words.cautions(v.action),
        "evenness": fig.signed_map(
            e.de_map,
            e.step_mm,
            t.size_mm,
            t.shape,
            limit=reading.limits.even.spot_de00,
            about="even_about",
            cross=(3, 3),
        ),
        "zones": [[number(float(z)) for z in row] for row in e.zones],
        "even_numbers": pairs("even_numbers", e, bool(e.slope_direction) and e.slope_l_per_cm >= 0.05),
        "light": fig.light_map(
            photo.light.e_map,
            photo.light.step_mm,
            t.size_mm,
            t.shape,
            ratio=photo.light.ratio,
            overlay=svg.dashed(glare),
        ),
        "steps": _steps(rows),
        "colour": _colour(reading),
        "photos": [_photo_facts(p) for p in reading.photos],
        "open": _open(reading),
        "trust": words.trust_words(reading),
        "delta_e": words.DELTA_E,
    }


def _open(reading: Reading) -> list[dict[str, str]]:
    v = reading.verdict
    if v.action == "retake-photo":
        return [{"what": what, "settle": settle} for what, settle in pairs("nothing_judged")]
    out: dict[str, list[str]] = {}
    for r in v.reasons:
        if r.outcome in ("undecided", "skipped") or words.weak(r):
            out.setdefault(words.undecided_advice(r.measure, reading), []).append(words.say_reason(r, reading))
    return [{"what": " ".join(says), "settle": settle} for settle, says in out.items()]


def _photo_facts(p: PhotoResult) -> dict[str, Any]:
    return {"name": p.image_name, "facts": pairs("photo_facts", p, p.check), "notes": list(p.notes)}


def _colour(reading: Reading) -> dict[str, Any] | None:
    """Colour of a reading: where the error comes from, and the colours furthest off, each once."""
    acc, cells, t = reading.accuracy, reading.cells, reading.target
    if acc is None:
        return None
    order = [int(k) for k in np.argsort(-np.nan_to_num(acc.total)) if acc.used[k] and math.isfinite(acc.total[k])]
    first: dict[tuple[int, ...], int] = {}
    for k in order:
        first.setdefault(tuple(t.device_rgb[k]), k)  # replicates of a colour would fill the list
    order = list(first.values())
    worst = order[:_SWATCHES]
    black = t.kind == CellKind.BLACK
    depth = float(np.median(cells.density[black])) if black.any() else math.nan
    ramp, greys = fig.ramp_figures(reading, acc)
    return {
        "judged": reading.printed != "raw",
        "summary": say("colour_summary", acc),
        "split": fig.colour_split(acc),
        **_swatches([t.ids[k] for k in worst], cells.lab[worst], acc.aim_lab[worst], acc.total[worst].tolist()),
        "ramp": ramp,
        "greys": greys,
        "grey_numbers": pairs("grey_numbers", acc, words.grey_tint(reading), depth),
        "rows": [
            {
                "id": t.ids[k],
                "cells": [
                    " ".join(str(int(c)) for c in t.device_rgb[k]),
                    ", ".join(number(float(c)) for c in acc.aim_lab[k]),
                    ", ".join(number(float(c)) for c in cells.lab[k]),
                    pm(float(acc.total[k]), 2 * float(cells.uncertainty[k])),
                    ", ".join(words.flag_words(int(cells.flags[k]))) or say("nothing"),
                ],
                "hex": pic.lab_hex(cells.lab[k])[0],
                "aim_hex": pic.lab_hex(acc.aim_lab[k])[0],
            }
            for k in order[:_ROWS]
        ],
    }


def _swatches(
    names: Sequence[str], seen: Any, due: Any, values: Sequence[float], *, columns: int = 6, about: str = ""
) -> dict[str, Any]:
    """Colours due and seen side by side, and whether a screen cannot show one of them."""
    if not len(names):
        return {"swatches": "", "cut": False}
    about = about or say("worst_about", len(names))
    picture = svg.swatches_svg(names, seen, due, values, columns=columns, about=about)
    return {"swatches": picture, "cut": bool(pic.lab_to_srgb8(np.concatenate([due, seen]))[1].any())}


def inspection_context(i: Inspection) -> dict[str, Any]:
    """Everything the page of an inspection shows, as text and ready-made drawings."""
    v, d = i.verdict, i.defects
    unfit = words.unfit(v)
    findings = iw.counted_findings(i)
    glare = pic.outline_paths(d.glare, d.step_mm) if d.glare.any() else ""
    subtitle = say("inspection_subtitle", i, len(i.photos), i.photos[0].name)
    rows = [
        (r, (iw.short_name(r), words.measured_text(r), iw.limit_text(r, i), words.outcome_text(r, v), iw.say(r, i)))
        for r in v.reasons
    ]
    before = None
    if i.before is not None:
        lead, *lines = iw.before_lines(i.before)
        before = {"name": i.before.name, "lead": lead, "lines": lines}
    share = float(d.glare.mean()) if d.glare.size else 0.0
    limit = i.limits.even.spot_de00
    return {
        **_answer(v.action, iw.headline(i), iw.why(i), i.artwork, subtitle),
        "checked": say("with_bench", i.bench),
        **_findings(findings, [iw.say_finding(f, i) for f in findings]),
        "retake": v.action == "retake-photo",
        "unfit": unfit,
        "picture": fig.inspection_picture(i, findings, as_taken=unfit, glare=glare),
        "marked_glare": bool(glare),
        "photo_todo": [line for line in iw.next_photo_lines(i) if line],
        "photo_notes": [iw.say(r, i) for r in v.reasons if words.is_photo_measure(r) and r.outcome == "note"],
        "delta_e": words.DELTA_E,
        "todo": words.repress_lines(i) if v.action == "re-press" else [],
        "cautions": words.cautions(v.action),
        "next": words.next_piece_lines(i),
        "before": before,
        "residual": fig.signed_map(d.residual, d.step_mm, i.size_mm, i.shape, limit=limit, about="residual_about"),
        "light": fig.light_map(d.light, d.step_mm, i.size_mm, i.shape, ratio=d.light_ratio, overlay=svg.dashed(glare)),
        "numbers": pairs("inspection_numbers", d, share),
        "trust": iw.trust(i),
        "steps": _steps(rows),
        "colour": _piece_colour(i),
        "photos": [_piece_photo_facts(p) for p in i.photos],
        "open": [{"what": what, "settle": settle} for what, settle in iw.open_questions(i)],
    }


def _piece_colour(i: Inspection) -> dict[str, Any] | None:
    d = i.defects
    if d.mean_de00 is None:
        return None
    worst = sorted((c for c in d.colours if math.isfinite(c.delta_e00)), key=lambda c: -c.delta_e00)[:12]
    due, seen = (np.array([getattr(c, k) for c in worst]).reshape(-1, 3) for k in ("due_lab", "seen_lab"))
    names = [say("tiny_share", c.area_share) for c in worst]
    about = say("artwork_worst_about", len(worst))
    swatches = _swatches(names, seen, due, [c.delta_e00 for c in worst], about=about)
    return {"summary": say("piece_colour", d), **swatches}


def _piece_photo_facts(p: PiecePhoto) -> dict[str, Any]:
    sharp = math.isfinite(p.sharp_mm)
    return {"name": p.name, "facts": pairs("piece_photo_facts", p, sharp), "notes": list(dict.fromkeys(p.notes))}


# ---------------------------------------------------------------- prepare


def prepare_context(p: Prepared) -> dict[str, Any]:
    """Everything the page of a prepared picture shows, as text and ready-made drawings."""
    from ..colour.reach import REACH_DE00

    r = p.reach
    reach = None
    if r is not None:
        due, comes = (np.array([getattr(m, k) for m in r.worst]).reshape(-1, 3) for k in ("due_lab", "printed_lab"))
        names = [say("tiny_share", m.share) for m in r.worst]
        values = [m.delta_e00 for m in r.worst]
        reach = {
            "map": fig.reach_map(p, r, REACH_DE00),
            **_swatches(names, comes, due, values, columns=4, about=say("reach_worst_about")),
            "names": ", ".join(dict.fromkeys(told.colour_name(m.due_lab) for m in r.worst)),
            "says": say("reach_says", r),
        }
    bars = [(say("correction", k), v, "b1" if k == p.correction else "b3") for k, v in p.expected.items()]
    return {
        "name": p.artwork,
        "subtitle": say("prepare_subtitle", p),
        "word": say("page_word", "prepare"),
        "headline": told.prepare_headline(p),
        "why": told.prepare_why(p),
        "original": fig.artwork_figure(p, p.original, "original"),
        "proof": "" if p.proof is None else fig.artwork_figure(p, p.proof, "proof"),
        "tinted": p.proof_tinted,
        "warnings": told.prepare_warnings(p, answered=True),
        "lines": items("prepare_print", p),
        "reach": reach,
        "steps": svg.bars_svg(bars, about=say("steps_about")) if bars else None,
        "facts": pairs("prepare_facts", p),
    }


# ---------------------------------------------------------------- compare


def compare_context(c: Comparison) -> dict[str, Any]:
    """Everything the page of a comparison shows, as text and drawings; substrates in the order of the ranking."""
    r = c.rankings[c.purpose]
    by_name = {s.name: s for s in c.substrates}
    ordered = [by_name[p.name] for p in r.places]
    marks = {s.name: k for k, s in enumerate(ordered)}
    at = {s.name: k for k, s in enumerate(c.substrates)}
    readings = sum(len(s.files) for s in ordered)
    bodies = fig.bodies_of(ordered)
    return {
        "name": say("compare_name"),
        "word": say("compare_purpose", c.purpose),
        "subtitle": say("compare_subtitle", len(ordered), readings, ordered[0].printed == "raw"),
        "headline": told.compare_headline(r),
        "why": words.sentences(told.compare_rest(r), told.compare_why(c)),
        "across": told.compare_across(r),
        "measure": say("compare_measure", r.measure),
        "rows": [
            {
                "rank": str(p.rank or "–"),
                "k": marks[p.name],
                "name": p.name,
                "value": told.ranked_by(c, p.quantity),
                "tied": say("compare_tied", p),
            }
            for p in r.places
        ],
        "how": told.compare_judged(c),
        "bars": fig.ranges(c, marks),
        "swatches": fig.colours_side_by_side(ordered),
        "swatch_note": say("compare_swatch_note", all(s.absolute for s in ordered)),
        "slices": [{"title": say("slice_title", v), "picture": fig.slice_figure(bodies, v)} for v in _SLICES],
        "substrates": [
            {"name": s.name, "mark": fig.letter(k), "stroke": fig.stroke(k), "view": fig.view_figure(s.name, body)}
            for k, (s, body) in enumerate(zip(ordered, bodies, strict=True))
        ],
        "screen": fig.stroke(-1),
        "tone": fig.grey_curves(ordered, density=False),
        "density": fig.grey_curves(ordered, density=True),
        "tint": fig.tint_figure(ordered),
        "numbers": _compare_numbers(c, ordered),
        "covers": [
            ["–" if s is o else percent(float(c.covers[at[s.name], at[o.name]])) for o in ordered] for s in ordered
        ],
        "others": [
            words.sentences(told.compare_answer(o), told.compare_across(o))
            for name, o in c.rankings.items()
            if name != c.purpose
        ],
        "notes": told.compare_notes(c),
        "files": [(s.name, ", ".join(Path(f).name for f in s.files)) for s in ordered],
        "costs": [
            (s.name, ", ".join(f"{k} {v:g}" for k, v in c.costs[s.name].parts.items()))
            for s in ordered
            if s.name in c.costs
        ],
        "lights": [
            (s.name, say("compare_light", _light(c, s), c.lights[s.name].seen_on))
            for s in ordered
            if s.name in c.lights
        ],
    }


def _light(c: Comparison, s: Substrate) -> str:
    return told.quantity(c.lights[s.name].share, 1, scale=100, unit=" %") if s.name in c.lights else "–"


def _compare_numbers(c: Comparison, ordered: Sequence[Substrate]) -> list[dict[str, Any]]:
    """Every measure as a row, a cell for each substrate; ± is the whole doubt."""
    from ..colour.gamut import srgb_lab
    from ..colour.substrate import cube_surface, volume_of

    srgb = volume_of(srgb_lab(cube_surface(33)[0]), 33)
    pm_of = told.quantity
    cells: dict[str, list[str]] = {
        "volume": [pm_of(s.gamut_volume, 0, scale=1e-3) for s in ordered],
        "of_srgb": [percent(s.gamut_volume.value / srgb) for s in ordered],
        "srgb": [pm_of(s.srgb_coverage, 0, scale=100, unit=" %") for s in ordered],
        "black": [pm_of(s.black_l) for s in ordered],
        "density": [say("at_least", s.density_is_bound, pm_of(s.max_density, 2)) for s in ordered],
        "greys": [pm_of(s.neutral) for s in ordered],
        "even": [pm_of(s.evenness, 2) for s in ordered],
        "edges": [pm_of(s.edge_mm, 2) for s in ordered],
        "again": [number(s.replicate_de00, 2) for s in ordered],
    }
    if any(s.absolute for s in ordered):
        cells["volume_absolute"] = [pm_of(s.gamut_volume_absolute, 0, scale=1e-3) for s in ordered]
        cells["black_absolute"] = [pm_of(s.black_l_absolute) for s in ordered]
        cells["coat"] = [told.tint_words(s.white_lab) for s in ordered]
    if any(s.repeat for s in ordered):
        cells["agree"] = [number(s.repeat.delta_e00, 2) if s.repeat else say("read_once") for s in ordered]
    if c.lights:
        cells["light"] = [_light(c, s) for s in ordered]
    if c.costs:
        costs = [c.costs.get(s.name) for s in ordered]
        cells["cost"] = ["–" if cost is None else pm_of(cost.per_good_piece, 2) for cost in costs]
    rows = []
    for key, name in pairs("compare_numbers"):
        if key in cells:
            what, _, note = name.partition(" | ")
            rows.append({"what": what, "note": note, "cells": cells[key]})
    return rows


# ---------------------------------------------------------------- what has no page of its own


def blocks_context(blocks: Sequence[Block], *, name: str, word: str) -> dict[str, Any]:
    """Show what the screen shows, as a page: the first heading is the answer."""
    texts = [b for b in blocks if isinstance(b, str) and b]
    heads = [b.text for b in blocks if isinstance(b, Heading)]
    return {
        "name": name,
        "word": word,
        "subtitle": word,
        "headline": heads[0] if heads else texts[0],
        "why": "",
        "lines": texts if heads else texts[1:],
        "tables": [_shown(b) for b in blocks if isinstance(b, Table)],
        "lists": [{"title": b.title, "lines": list(b.lines)} for b in blocks if isinstance(b, Items) and b.lines],
        "figures": [],
    }


def bench_context(checked: Checked, name: str = "") -> dict[str, Any]:
    """Everything the page of a checked set-up shows; without a name it is called by its camera."""
    shown = blocks_context(told.bench_blocks(checked), name=name or checked.name, word=say("page_word", "bench"))
    return {**shown, "figures": [{"svg": fig.bench_figure(checked), "title": "", "says": ""}]}


def trend_context(trends: Sequence[Trend]) -> dict[str, Any]:
    """Everything the page of measures over time shows: answers, and the charts of those with limits."""
    from ..shop.presshealth import trend_line

    charts = [trend_blocks(t) for t in trends]
    heads = [c[0].text if isinstance(c[0], Heading) else str(c[0]) for c in charts]
    blocks: list[Block] = [Heading(" ".join(dict.fromkeys(heads))), *(b for c in charts for b in c[1:])]
    figures = []
    for t in trends:
        if t.chart is None:
            continue
        line = trend_line(t, say("measure_name", t.measure), say("measure_unit", t.measure))
        moved = say("range_title", line.name)
        figures += [
            {"svg": fig.trend_figure(line), "title": line.name, "says": say("trend_chart")},
            {"svg": fig.range_figure(line, t.chart), "title": moved, "says": say("range_says", t.chart)},
        ]
    shown = blocks_context(blocks, name=say("page_name", "trend"), word=say("page_word", "trend"))
    return {**shown, "figures": figures}


# ---------------------------------------------------------------- ladder


def ladder_context(plan: LadderPlan, fit: LadderFit) -> dict[str, Any]:
    """Everything the page of a step test shows, as text and ready-made drawings."""
    heats = {r.settings.temperature_c for r in fit.recipes}
    rows = [
        [say("recipe_name", r, r is fit.best), say("seconds_of", r.settings.time_s)]
        + [say("interval", r, fit.limits), percent(r.p_safe)]
        for r in fit.recipes
    ]
    return {
        "word": say("page_word", "ladder"),
        "name": plan.name,
        "subtitle": say("ladder_subtitle", fit.pressed),
        "headline": say("ladder_headline", fit),
        "why": told.ladder_why(fit),
        "plateau": fig.plateau_figure(plan, fit),
        "facts": pairs("ladder_facts", fit, plan),
        "several": len(fit.recipes) > 1,
        "surface": fig.surface_figure(plan, fit) if len(heats) > 1 else "",
        "recipes": rows,
        "presses": _shown(told.ladder_table(fit)),
        "harm": [
            {"title": say("harm_title", k), "figure": fig.harm_figure(fit, k)}
            for k in ("yellow", "scorch", "edges")
            if k in fit.harm_s and any(math.isfinite(fig.harm_value(p, k)) for p in fit.pressed)
        ],
        "within": percent(fit.within, None),
        "todo": [],
        "next_press": told.ladder_next(fit, plan),
        "next": [],
        "cautions": told.ladder_cautions(),
        "open": told.ladder_open(fit),
    }


def run_sheet_context(plan: LadderPlan) -> dict[str, Any]:
    """Everything the sheet shows that lies beside the press: order, settings, room for what was really measured."""
    return {
        "word": say("page_word", "run"),
        "name": plan.name,
        "subtitle": say("run_subtitle", plan),
        "headline": say("run_headline", plan),
        "why": say("run_why"),
        "limits": say("run_limits", plan.limits),
        "presses": _shown(told.run_table(plan)),
        "spares": say("run_spares", plan),
        "before": items("run_before"),
        "cautions": told.ladder_cautions(),
    }


def write_run_sheet(plan: LadderPlan, path: str | Path) -> None:
    """Write the sheet that lies beside the press."""
    write_text(path, render_page("runsheet.html.j2", run_sheet_context(plan)))


# ---------------------------------------------------------------- a target to be measured


def measuring_context(target: Target, *, layout: str, form: str) -> dict[str, Any]:
    """Everything the sheet says to whoever measures a target, and to its owner when the values come back."""
    return {
        "word": say("page_word", "measuring"),
        "name": target.name,
        "subtitle": say("measuring_subtitle", target),
        "headline": say("measuring_headline"),
        "why": say("measuring_why", target, form),
        "how": items("measuring_how", target, form),
        "who": items("measuring_who"),
        "back": items("measuring_back", layout, form),
    }


def write_measuring_sheet(target: Target, path: str | Path, *, layout: str, form: str) -> None:
    """Write the sheet to hand over with a target that is to be measured."""
    write_text(path, render_page("measuring.html.j2", measuring_context(target, layout=layout, form=form)))


# ---------------------------------------------------------------- health and fading


def _many(word: str, subtitle: str, headline: str, why: str) -> dict[str, Any]:
    """Start a page about many pieces or many readings: what both kinds show, empty."""
    parts = ("maps", "spots", "families", "check", "cautions", "todo", "next", "trends", "facts", "pieces", "fades")
    head = {"word": say("page_word", word), "name": say("page_name", word), "subtitle": subtitle}
    return {**head, "headline": headline, "why": why, **{k: [] for k in parts}, "unlisted": 0}


def health_context(
    health: Health, trends: Sequence[TrendLine] = (), facts: Sequence[tuple[str, str]] = ()
) -> dict[str, Any]:
    """Everything the page of many pieces shows, as text and ready-made drawings."""
    from ..shop.presshealth import FRAMES

    f = told.leading(health)
    n = len(health.pieces)
    spots = [s for g in health.families for s in g.spots]
    frames = [] if f is None else sorted(FRAMES, key=lambda name: (name != f.source, FRAMES.index(name)))
    shown = sorted(health.pieces, key=lambda p: -len(p.spots))[:_PIECES]
    return {
        **_many("health", say("health_subtitle", n), told.health_headline(health), told.health_why(health)),
        "maps": [
            {
                "title": say("frame_where", name),
                "svg": fig.frame_map(health, f, name, spots),
                "says": _map_words(f, name),
            }
            for name in frames
            if f is not None
        ],
        "spots": [{"n": k, "text": told.spot_words(s)} for k, s in enumerate(spots, 1)],
        "families": [
            {
                "name": say("family", g.family),
                "answer": say("source", g.source),
                "affected": say("of_pieces", g.affected, n),
                "rows": [
                    [say("frame_where", t.frame), number(t.gain), number(t.p, 3) if g.source != "few" else "–"]
                    + ["" if t.known else say("not_written_down")]
                    for t in g.tests
                ],
            }
            for g in health.families
        ],
        "check": told.health_todo(health),
        "cautions": told.health_cautions(health),
        "trends": [{"title": t.name, "svg": fig.trend_figure(t), "says": told.trend_words(t)} for t in trends],
        "facts": list(facts),
        "pieces": [[p.name, words.action_word(p.action) if p.action else "–", str(len(p.spots))] for p in shown],
        "unlisted": n - len(shown),
    }


def _map_words(f: FamilyHealth, frame: str) -> str:
    t = next(t for t in f.tests if t.frame == frame)
    less = t.gain > 0.3 * max(u.gain for u in f.tests)
    return say("health_map", f.source == frame, f.source == "unclear" and frame in f.rivals, less, t.known)


def fading_context(fades: Sequence[Fade], first: str, setup: str) -> dict[str, Any]:
    """Everything the page of a fading log shows."""
    bars = [(g.name, g.delta_e00, "b1") for g in fades[-1].groups]
    subtitle = say("fading_subtitle", len(fades), first)
    return {
        **_many("fading", subtitle, told.fading_headline(fades), say("fading_why", setup)),
        "bars": svg.bars_svg(bars, about=say("fading_about")),
        "fades": [{"name": f.name, "taken": f.taken or "–", "table": _shown(told.fading_table(f))} for f in fades],
    }


# ---------------------------------------------------------------- every page by its name

PAGES: dict[str, tuple[str, Callable[..., dict[str, Any]]]] = {
    "read": ("report.html.j2", reading_context),
    "inspect": ("inspect.html.j2", inspection_context),
    "prepare": ("prepare.html.j2", prepare_context),
    "compare": ("compare.html.j2", compare_context),
    "ladder": ("ladder.html.j2", ladder_context),
    "health": ("health.html.j2", health_context),
    "fading": ("health.html.j2", fading_context),
    "bench": ("blocks.html.j2", bench_context),
    "trend": ("blocks.html.j2", trend_context),
}


def write_report(folder: str | Path, name: str, *about: Any, overwrite: bool = False) -> Path:
    """Write the page of a name in `PAGES` about a result; parameters and errors as for `write_page`."""
    template, context = PAGES[name]
    return write_page(folder, template, context(*about), overwrite=overwrite)
