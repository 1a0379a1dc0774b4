"""A comparison of substrates → screen, JSON, CSV and one self-contained page: the answer first."""

from __future__ import annotations

import csv
import io
import math
import textwrap
from collections.abc import Callable, Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, cast

import cv2
import numpy as np

from ..colour.gamut import srgb_lab
from ..colour.substrate import Quantity, Substrate, cube_surface, slice_paths, volume_of
from ..ground.files import write_text
from ..ground.jsontext import rounded
from . import pictures as pic
from . import words
from .report import render_page, write_page

if TYPE_CHECKING:
    from ..flows.compare import Comparison
    from ..shop.ranking import Ranking

SCHEMA = "colorcheck-comparison/1"
SLICES = (30.0, 50.0, 70.0, 90.0)
_STEPS = 17  # nodes along an edge of the device cube in the drawings
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_DASHES = ("", "9 3", "2.5 2.5", "10 3 2.5 3", "5 2", "1.5 4")
_SWATCHES = (  # device colours that show a substrate's manner, with their names
    ((255, 255, 255), "bare"),
    ((0, 0, 0), "black"),
    ((128, 128, 128), "grey"),
    ((255, 0, 0), "red"),
    ((255, 255, 0), "yellow"),
    ((0, 255, 0), "green"),
    ((0, 255, 255), "cyan"),
    ((0, 0, 255), "blue"),
    ((255, 0, 255), "magenta"),
    ((224, 172, 140), "skin"),
    ((96, 64, 40), "brown"),
    ((64, 96, 64), "leaf"),
)
_FOR = {
    "photos": "For photos",
    "blacks": "For deep blacks",
    "window": "For window pieces",
    "cost": "For the lowest cost",
}
_BY = {
    "photos": "by the volume of colours reached",
    "blacks": "by the lightness of black",
    "window": "by the light that passes the bare coat",
    "cost": "by the cost of one good piece",
}
_HUES = ("pink", "orange", "yellow", "yellow-green", "green", "blue-green", "blue", "violet")


# ---------------------------------------------------------------- words


def and_list(names: Sequence[str], last: str = "and") -> str:
    """Join names: 'A, B and C'."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} {last} {names[-1]}"


def headline(ranking: Ranking) -> str:
    """Say who comes first, such as 'For photos: X', ties as ties."""
    groups = _groups(ranking)
    start = _FOR[ranking.purpose]
    if not groups:
        return f"{start}: nothing was measured."
    names = groups[0]
    if len(groups) == 1 and len(names) > 1:
        return f"{start}: {and_list(names)} cannot be told apart."
    tie = "" if len(names) == 1 else ", which cannot be told apart"
    return f"{start}: {and_list(names, 'or')}{tie}."


def rest(ranking: Ranking) -> str:
    """Say who comes after the first, in order, ties as ties; '' when nobody does."""
    groups = _groups(ranking)[1:]
    if not groups:
        return ""
    if len(groups) == 1 and len(groups[0]) > 1:
        return f"{and_list(groups[0])} cannot be told apart."
    parts = [and_list(g) + (" (a tie)" if len(g) > 1 else "") for g in groups]
    return f"Then {', then '.join(parts)}."


def answer(ranking: Ranking) -> str:
    """Say the whole ranking in plain words, such as 'For photos: X. Y and Z cannot be told apart'."""
    return " ".join(filter(None, [headline(ranking), rest(ranking)]))


def _groups(ranking: Ranking) -> list[list[str]]:
    """Names that share a rank, best first."""
    groups: dict[int, list[str]] = {}
    for p in ranking.places:
        if p.rank:
            groups.setdefault(p.rank, []).append(p.name)
    return [groups[k] for k in sorted(groups)]


def across(ranking: Ranking) -> str:
    """Name the pairs of unlike rank that cannot be told apart all the same, or ''."""
    rank_of = {p.name: p.rank for p in ranking.places}
    lines = []
    for p in ranking.places:
        near = [n for n in p.tied if 0 < rank_of[n] < p.rank]
        if near:
            lines.append(f"{p.name} cannot be told from {and_list(near)} either.")
    return " ".join(lines)


def why(c: Comparison) -> str:
    """Say what the first has over those behind it."""
    r = c.rankings[c.purpose]
    ranked = [p for p in r.places if p.rank]
    first = [p for p in ranked if p.rank == 1]
    behind = [p for p in ranked if p.rank > 1]
    if not ranked:
        return "No reading holds what this purpose asks for."
    if not behind:
        spread = abs(first[-1].quantity.value - first[0].quantity.value)
        return (
            f"Ranked {_BY[c.purpose]}. The largest difference, {_amount(r, spread)}, does not exceed its own doubt. "
            "More readings of each would make it smaller."
        )
    best, last = first[0], behind[-1]
    if c.purpose == "photos":
        more = 100 * (best.quantity.value / max(last.quantity.value, 1e-9) - 1)
        return f"Ranked {_BY[c.purpose]}: {best.name} reaches {more:.0f} % more of them than {last.name}."
    if c.purpose == "blacks":
        how = "" if r.measure.endswith("absolute") else ", each against its own bare coat"
        gap = last.quantity.value - best.quantity.value
        return f"Ranked {_BY[c.purpose]}{how}: that of {best.name} is {gap:.0f} L* darker than that of {last.name}."
    if c.purpose == "window":
        return (
            f"Ranked {_BY[c.purpose]}: {100 * best.quantity.value:.0f} % through {best.name}, "
            f"{100 * last.quantity.value:.0f} % through {last.name}."
        )
    return (
        f"Ranked {_BY[c.purpose]}: {best.quantity.value:.2f} with {best.name}, "
        f"{last.quantity.value:.2f} with {last.name}."
    )


def _amount(r: Ranking, value: float) -> str:
    """Write an amount in the unit of a ranking."""
    if r.purpose == "photos":
        return f"{value / 1000:.0f} thousand cubic units"
    if r.purpose == "window":
        return f"{100 * value:.1f} % of the light"
    return f"{value:.1f} L*" if r.purpose == "blacks" else f"{value:.2f}"


def note_lines(c: Comparison) -> list[str]:
    """Put what limits the comparison into words."""
    out = []
    for what, names in c.notes:
        everyone = len(names) == len(c.substrates)
        who = "all of them" if everyone and len(names) > 2 else and_list(names) if names else ""
        out.append(
            {
                "cameras differ": f"The photos come from unlike cameras ({who}): what each camera gets wrong counts in "
                "full, and much may look alike that is not. Photograph all with one camera.",
                "camera not named": "The photos do not name their camera. They are taken to come from one camera.",
                "set-up may differ": "Lamp and room may have differed from photo to photo, and that is counted as "
                "doubt. If lamp, room, black card and camera were left alone for all photos, say --same-setup: "
                "smaller differences count then.",
                "trust differs": f"The camera was not taught for {who}, but for the others it was: their colours do "
                "not compare well. Read all with --camera, or none.",
                "relative": f"No absolute colours for {who}: volume, black and greys take each one's own bare coat as "
                "white, and how white the coats are is not compared. A taught camera (colorcheck camera) and white "
                "card round the piece give absolute values.",
                "layouts differ": f"Unlike patch sets were read ({who}): that makes the volumes a little less sure.",
                "density is a bound": f"Black of {who} is at least this dark: reflections and the lens only lift it. "
                "A difference counts only where it exceeds what stray light changes from photo to photo.",
                "seen through glass": f"Seen through glass: {who}. Light strays sideways in it, "
                "so small dark cells read too pale and the volume too small. A large dark area is darker.",
                "unfit photo": f"A photo of {who} was not fit to judge by: take it again before you decide.",
                "read once": f"Read once only: {who}. Press and read the target again on another blank and give both "
                "readings the same name: how blanks and presses differ then counts as well.",
            }.get(what, what)
        )
    return out


def tint_words(lab: Any) -> str:
    """Name the tint of a bare coat: 'L* 93, slightly yellow'."""
    lightness, a, b = (float(v) for v in lab)
    if not math.isfinite(lightness):
        return "not known"
    chroma = math.hypot(a, b)
    if chroma < 1.5:
        tint = "neutral"
    else:
        hue = _HUES[round(math.degrees(math.atan2(b, a)) % 360 / 45) % 8]
        tint = f"{'slightly ' if chroma < 4 else ''}{hue}"
    return f"L* {lightness:.0f}, {tint}"


def _pm(q: Quantity, form: Callable[[float], str], *, shared: bool = True) -> str:
    """Value ± twice its standard uncertainty."""
    if not math.isfinite(q.value):
        return "–"
    u = 2 * (q.u if shared else q.u_random)
    if not math.isfinite(u) or u <= 0:
        return form(q.value)
    value, unit, _ = form(q.value).partition(" %")
    return f"{value} ± {form(u).removesuffix(unit)}"


def _thousands(v: float) -> str:
    return f"{v / 1000:.0f}"


def _percent(v: float) -> str:
    return f"{100 * v:.0f} %"


def _one(v: float) -> str:
    return words.number(v)


def _two(v: float) -> str:
    return words.number(v, 2)


def measure_name(r: Ranking) -> str:
    """Head of the column that a ranking goes by."""
    return {
        "gamut_volume": "Colours reached, 1000 cubic CIELAB units",
        "black_L": "Black, L* against its own coat",
        "black_L_absolute": "Black, absolute L*",
        "light_share": "Light passing the bare coat",
        "cost_per_good_piece": "Cost of a good piece",
    }[r.measure]


def _measured(r: Ranking, q: Quantity, *, one_camera: bool) -> str:
    form = {"photos": _thousands, "blacks": _one, "window": _percent, "cost": _two}[r.purpose]
    return _pm(q, form, shared=not one_camera)


# ---------------------------------------------------------------- JSON and CSV


def _flat(c: Comparison, s: Substrate) -> tuple[dict[str, Any], dict[str, Any]]:
    """Single numbers of one substrate, and their standard uncertainties."""
    values: dict[str, Any] = {}
    doubt: dict[str, Any] = {}

    def put(key: str, q: Quantity) -> None:
        values[key] = q.value
        doubt[key] = {"whole": q.u, "random": q.u_random}

    put("gamut_volume", s.gamut_volume)
    put("gamut_volume_absolute", s.gamut_volume_absolute)
    put("srgb_coverage", s.srgb_coverage)
    put("black_L", s.black_l)
    put("black_L_absolute", s.black_l_absolute)
    put("max_density", s.max_density)
    put("neutral_delta_ch", s.neutral)
    put("evenness", s.evenness)
    put("edge_width_mm", s.edge_mm)
    values["replicates_delta_e00"] = s.replicate_de00
    if s.repeat is not None:
        values["repeat_delta_e00"] = s.repeat.delta_e00
        values["repeat_gamut_volume"] = s.repeat.gamut_volume
        values["repeat_black_L"] = s.repeat.black_l
    if s.name in c.costs:
        put("cost_per_good_piece", c.costs[s.name].per_good_piece)
    if s.name in c.lights:
        put("light_share", c.lights[s.name].share)
    return values, doubt


def comparison_to_dict(c: Comparison) -> dict[str, Any]:
    """Turn a comparison into the JSON of the contract; what is not known is null.

    ``gamut_volume``, ``srgb_coverage``, ``black_L`` and ``max_density`` are relative to each bare coat in every file;
    ``…_absolute`` are beside them. Uncertainties are one standard deviation: ``random`` differs from reading to
    reading and decides between substrates seen by one camera, ``whole`` includes the camera's own errors.
    """
    substrates = []
    for k, s in enumerate(c.substrates):
        values, doubt = _flat(c, s)
        substrates.append(
            {
                "name": s.name,
                **values,
                "max_density_is": "lower bound" if s.density_is_bound else "measured",
                "white_lab": s.white_lab,
                "white_uncertainty": s.white_u,
                "absolute": s.absolute,
                "trust": s.trust,
                "printed": s.printed,
                "neutral": {"device": s.neutral_at, "lab": s.neutral_lab},
                "covers": {o.name: float(c.covers[k, n]) for n, o in enumerate(c.substrates) if n != k},
                "readings": [Path(f).name for f in s.files],
                "uncertainty": doubt,
                **({"cost": c.costs[s.name].parts} if s.name in c.costs else {}),
                **({"light_seen_on": c.lights[s.name].seen_on} if s.name in c.lights else {}),
            }
        )
    data = {
        "schema": SCHEMA,
        "purpose": c.purpose,
        "answer": answer(c.rankings[c.purpose]),
        "why": why(c),
        "substrates": substrates,
        "ranking": ranking_list(c.rankings[c.purpose]),
        "measure": c.rankings[c.purpose].measure,
        "k": c.rankings[c.purpose].k,
        "one_camera": c.one_camera,
        "rankings": {name: ranking_list(r) for name, r in c.rankings.items()},
        "notes": note_lines(c),
    }
    return cast("dict[str, Any]", rounded(data))


def ranking_list(r: Ranking) -> list[dict[str, Any]]:
    """One ranking as JSON: equal ranks are ties; rank null where nothing was measured."""
    return [
        {
            "rank": p.rank or None,
            "name": p.name,
            "value": p.quantity.value,
            "uncertainty": p.quantity.u_random,
            "tied_with": list(p.tied),
        }
        for p in r.places
    ]


def csv_text(c: Comparison) -> str:
    """One line for each substrate, best first for the purpose; ``u_…`` are whole standard uncertainties."""
    order = c.rankings[c.purpose].places
    by_name = {s.name: s for s in c.substrates}
    flats = [_flat(c, by_name[p.name]) for p in order]
    keys = list(dict.fromkeys(k for values, _ in flats for k in values))
    head = ["rank", "name"]
    for k in keys:
        head += [k, *([f"u_{k}"] if any(k in d for _, d in flats) else [])]
    head += ["white_L", "white_a", "white_b", "max_density_is", "trust", "absolute", "readings"]
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(head)
    for p, (values, doubt) in zip(order, flats, strict=True):
        s = by_name[p.name]
        row: list[Any] = [p.rank or "", _safe(p.name)]
        for k in keys:
            row.append(_cell(values.get(k, math.nan)))
            if f"u_{k}" in head:
                row.append(_cell(doubt[k]["whole"] if k in doubt else math.nan))
        row += [_cell(float(v)) for v in s.white_lab]
        row += ["lower bound" if s.density_is_bound else "measured", s.trust, "yes" if s.absolute else "no"]
        row.append(len(s.files))
        table.writerow(row)
    return out.getvalue()


def _safe(text: str) -> str:
    """Keep a name from being taken for a formula by a spreadsheet."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@") else text


def _cell(value: float) -> str:
    return f"{value:.6g}" if math.isfinite(value) else ""


def write_csv(path: str | Path, c: Comparison) -> None:
    """Write `csv_text` whole or not at all."""
    write_text(path, csv_text(c))


# ---------------------------------------------------------------- terminal


def print_comparison(c: Comparison, stream: TextIO, *, color: bool = False, width: int = 96) -> None:
    """Print the answer, the ranking, and what limits it."""
    r = c.rankings[c.purpose]
    bold, end = ("\x1b[1m", "\x1b[0m") if color else ("", "")
    lines = [f"{bold}{line}{end}" for line in textwrap.wrap(answer(r), width)]
    lines += ["", *textwrap.wrap(" ".join(filter(None, [why(c), across(r)])), width), ""]
    names = [p.name for p in r.places]
    wide = min(max([len(n) for n in names] + [9]), 32)
    by_name = {s.name: s for s in c.substrates}
    unit = {"photos": "volume/1000", "blacks": "black L*", "window": "light", "cost": "cost"}[r.purpose]
    lines.append(f"rank  {'substrate':<{wide}}  {unit:<13} {'sRGB':>5} {'black L*':>9} {'density':>8} {'evenness':>9}")
    for p in r.places:
        s = by_name[p.name]
        density = ("≥ " if s.density_is_bound else "") + _two(s.max_density.value)
        lines.append(
            f"{p.rank or '–':>3}   {p.name[:wide]:<{wide}}  {_measured(r, p.quantity, one_camera=c.one_camera):<13} "
            f"{_percent(s.srgb_coverage.value):>5} {_one(s.black_l.value):>9} {density:>8} {_one(s.evenness.value):>9}"
        )
    lines.append("")
    lines += textwrap.wrap(_how_judged(c), width)
    for line in note_lines(c):
        lines += textwrap.wrap(f"- {line}", width, subsequent_indent="  ")
    encoding = getattr(stream, "encoding", None) or "utf-8"
    stream.write(("\n".join(lines) + "\n").encode(encoding, "replace").decode(encoding))


def _how_judged(c: Comparison) -> str:
    r = c.rankings[c.purpose]
    text = "± is twice the standard uncertainty"
    if r.purpose in ("photos", "blacks"):
        text += (
            " of one reading against another by the same camera; what the camera gets wrong for all alike is left out"
            if c.one_camera
            else ", the errors of unlike cameras included"
        )
    return f"{text}. One is called better only when the difference exceeds {r.k:.1f} times its own uncertainty."


# ---------------------------------------------------------------- page


def write_compare_report(c: Comparison, folder: str | Path, *, overwrite: bool = False) -> Path:
    """Write ``report.html`` into a folder, whole or not at all; errors as for `report.write_page`."""
    return write_page(folder, lambda: render_comparison(c), overwrite=overwrite)


def render_comparison(c: Comparison) -> str:
    """Make the page as one string of HTML."""
    return render_page("compare.html.j2", context(c))


def context(c: Comparison) -> dict[str, Any]:
    """Everything the page shows, as text and ready-made drawings; substrates in the order of the ranking."""
    r = c.rankings[c.purpose]
    by_name = {s.name: s for s in c.substrates}
    ordered = [by_name[p.name] for p in r.places]
    marks = {s.name: k for k, s in enumerate(ordered)}
    readings = sum(len(s.files) for s in ordered)
    bodies = [s.lab_of(cube_surface(_STEPS)[0]) for s in ordered]
    return {
        "name": "Comparison of substrates",
        "word": _FOR[c.purpose],
        "subtitle": f"{len(ordered)} substrates, {readings} readings, printed "
        + ("raw" if ordered[0].printed == "raw" else "as usual"),
        "headline": headline(r),
        "why": " ".join(filter(None, [rest(r), why(c)])),
        "across": across(r),
        "measure": measure_name(r),
        "rows": [
            {
                "rank": str(p.rank) if p.rank else "–",
                "mark": _mark(marks[p.name]),
                "name": p.name,
                "value": _measured(r, p.quantity, one_camera=c.one_camera),
                "tied": and_list(p.tied) if p.tied else ("every other differs" if p.rank else "not measured"),
            }
            for p in r.places
        ],
        "how": _how_judged(c),
        "bars": bars(r, c, marks),
        "swatches": swatches(ordered),
        "swatch_note": _swatch_note(ordered),
        "slices": [slice_figure(bodies, level) for level in SLICES],
        "views": [
            {"mark": _mark(k), "name": s.name, "picture": view_figure(s.name, body)}
            for k, (s, body) in enumerate(zip(ordered, bodies, strict=True))
        ],
        "legend": [{"line": _legend(k), "name": s.name} for k, s in enumerate(ordered)],
        "tone": tone_figure(ordered),
        "density": density_figure(ordered),
        "tint": tint_figure(ordered),
        "heads": [{"mark": _mark(k), "name": s.name} for k, s in enumerate(ordered)],
        "numbers": numbers(c, ordered),
        "covers": _covers(c, ordered),
        "others": [{"answer": answer(o), "across": across(o)} for name, o in c.rankings.items() if name != c.purpose],
        "notes": note_lines(c),
        "files": [{"name": s.name, "files": ", ".join(Path(f).name for f in s.files)} for s in ordered],
        "costs": [
            {"name": s.name, "parts": ", ".join(f"{k} {v:g}" for k, v in c.costs[s.name].parts.items())}
            for s in ordered
            if s.name in c.costs
        ],
        "lights": [
            {
                "name": s.name,
                "text": f"{_pm(c.lights[s.name].share, lambda v: f'{100 * v:.1f} %')}, seen on "
                + ("the white cells" if c.lights[s.name].seen_on == "white cells" else "the brightest even part"),
            }
            for s in ordered
            if s.name in c.lights
        ],
    }


def _letter(k: int) -> str:
    return _LETTERS[k] if k < len(_LETTERS) else str(k + 1)


def _css(k: int) -> str:
    return f"sub s{k % 6}"


def _dash(k: int) -> str:
    return _DASHES[(k // 6 + k) % 6]


def _mark(k: int) -> str:
    return f'<span class="letter l{k % 6}">{_letter(k)}</span>'


def _legend(k: int) -> str:
    return (
        f'{_mark(k)}<svg class="stroke" viewBox="0 0 40 8" aria-hidden="true">'
        f'<line class="{_css(k)}" stroke-dasharray="{_dash(k)}" x1="1" x2="39" y1="4" y2="4"/></svg>'
    )


def bars(r: Ranking, c: Comparison, marks: dict[str, int]) -> str:
    """Ranges, value ± twice its doubt, one under another on one scale."""
    known = [p for p in r.places if math.isfinite(p.quantity.value)]
    if not known:
        return ""

    def half(q: Quantity) -> float:
        return 2 * (q.u_random if c.one_camera or r.purpose in ("window", "cost") else q.u)

    low = min(p.quantity.value - half(p.quantity) for p in known)
    high = max(p.quantity.value + half(p.quantity) for p in known)
    pad = 0.06 * max(high - low, 1e-6 * max(abs(high), 1.0))
    scale = {"photos": 1e-3, "window": 100.0}.get(r.purpose, 1.0)
    low, high = (low - pad) * scale, (high + pad) * scale
    width, row = 340.0, 30.0
    plot = pic.Plot((low, high), (0.0, 1.0), width, 60 + row * len(known))
    ticks = pic.nice_ticks(low, high, 4)
    bottom = 10 + row * len(known)
    out = [
        f'<line class="grid" x1="{plot.x(t):.1f}" x2="{plot.x(t):.1f}" y1="4" y2="{bottom:.0f}"/>'
        f'<text class="axis mid" x="{plot.x(t):.1f}" y="{bottom + 16:.0f}" font-size="12">{t:g}</text>'
        for t in ticks
    ]
    for n, p in enumerate(known):
        y, k = 22 + row * n, marks[p.name]
        v, u = p.quantity.value * scale, half(p.quantity) * scale
        out.append(
            f'<text class="axis strong mid" x="14" y="{y + 4:.0f}" font-size="13">{_letter(k)}</text>'
            f'<line class="{_css(k)} wide" x1="{plot.x(v - u):.1f}" x2="{plot.x(v + u):.1f}" '
            f'y1="{y:.0f}" y2="{y:.0f}"/>'
            f'<circle class="dot d{k % 6}" cx="{plot.x(v):.1f}" cy="{y:.0f}" r="5"/>'
        )
    name = measure_name(r) + (", %" if r.purpose == "window" else "")
    return (
        f'<svg class="plot" role="img" aria-label="{escape(name, quote=True)}: value and doubt of each" '
        f'viewBox="0 0 {width:g} {bottom + 38:.0f}">{"".join(out)}'
        f'<text class="axis mid" x="{width / 2:g}" y="{bottom + 34:.0f}" font-size="12">{escape(name)}</text></svg>'
    )


def swatches(ordered: Sequence[Substrate]) -> str:
    """Draw the same printed colours on every substrate, one column each, names to the left."""
    rgb = np.array([c for c, _ in _SWATCHES], dtype=float)
    labs = [_as_seen(s, s.lab_of(rgb), ordered) for s in ordered]
    left, tall, wide = 62, 26, 44
    out = [
        f'<text class="axis strong mid" x="{left + wide * (k + 0.5):g}" y="13" font-size="13">{_letter(k)}</text>'
        for k in range(len(ordered))
    ]
    for n, (_, name) in enumerate(_SWATCHES):
        y = 20 + n * tall
        out.append(f'<text class="axis end" x="{left - 6}" y="{y + 17}" font-size="12">{name}</text>')
        for k, lab in enumerate(labs):
            colour, cut = pic.lab_hex(lab[n])
            x = left + wide * k
            out.append(f'<rect x="{x}" y="{y}" width="{wide}" height="{tall}" fill="{colour}"/>')
            if cut:
                star = "#fff" if lab[n, 0] < 60 else "#111"
                out.append(f'<text x="{x + wide - 9}" y="{y + 13}" font-size="12" style="fill:{star}">*</text>')
    width, height = left + wide * len(ordered), 20 + tall * len(_SWATCHES)
    return (
        f'<svg class="swatches" role="img" aria-label="The same printed colours on {len(ordered)} substrates" '
        f'viewBox="0 0 {width} {height}" style="max-width:{max(width, 200) * 1.4:.0f}px">{"".join(out)}</svg>'
    )


def _as_seen(s: Substrate, lab: Any, ordered: Sequence[Substrate]) -> Any:
    """Colours as they look side by side: with the tint of the coat where that is known of all."""
    if not all(o.absolute for o in ordered):
        return lab
    from ..ground.cielab import D50_WHITE, lab_to_xyz, xyz_to_lab

    return xyz_to_lab(lab_to_xyz(lab) * (lab_to_xyz(s.white_lab) / D50_WHITE))


def _swatch_note(ordered: Sequence[Substrate]) -> str:
    if all(s.absolute for s in ordered):
        return "With the whiteness and tint of each coat."
    return "Each against its own bare coat, as if all coats were equally white."


def slice_figure(bodies: Sequence[Any], level: float) -> dict[str, str]:
    """Cut through the bodies of colour (v, 3) at one L*, outlines over the colours themselves."""
    places, triangles = cube_surface(_STEPS)
    paths = [slice_paths(body, triangles, level) for body in bodies]
    screen = slice_paths(srgb_lab(places), triangles, level)
    every = [p for some in [*paths, screen] for p in some] or [np.array([[-50.0, -50.0], [50.0, 50.0]])]
    low, high = np.min([p.min(axis=0) for p in every], axis=0), np.max([p.max(axis=0) for p in every], axis=0)
    half, (mid_a, mid_b) = 0.57 * float((high - low).max()), (low + high) / 2
    ranges = (float(mid_a) - half, float(mid_a) + half), (float(mid_b) - half, float(mid_b) + half)
    plot = pic.Plot(*ranges, 340.0, 340.0)
    inner = [_hues(level, ranges, plot, [p for some in paths for p in some])]
    for p in screen:
        inner.append(f'<path class="screen" d="{_path(plot, p)}"/>')
    for k, some in enumerate(paths):
        for p in some:
            inner.append(f'<path class="{_css(k)}" stroke-dasharray="{_dash(k)}" d="{_path(plot, p)}"/>')
    label = f"Colours reached at L* {level:.0f}, {len(bodies)} outlines in a* and b*"
    picture = pic.plot_svg(label, "a*", "b*", *ranges, "".join(inner), width=340, height=340)
    return {"title": f"L* {level:.0f}", "picture": picture}


def _path(plot: pic.Plot, points: Any) -> str:
    return "M" + "L".join(f"{plot.x(float(a)):.1f} {plot.y(float(b)):.1f}" for a, b in points) + "Z"


def _hues(level: float, ranges: tuple[tuple[float, float], ...], plot: pic.Plot, paths: Sequence[Any]) -> str:
    """Draw the colours of one L* inside the outlines, pale, as a picture behind them."""
    n = 88
    (a0, a1), (b0, b1) = ranges
    share = (np.arange(n) + 0.5) / n
    a, b = np.meshgrid(a0 + share * (a1 - a0), b1 - share * (b1 - b0))
    rgb, _ = pic.lab_to_srgb8(np.stack([np.full_like(a, level), a, b], axis=-1))
    mask = np.zeros((4 * n, 4 * n), np.uint8)
    for p in paths:
        xy = np.stack([(p[:, 0] - a0) / (a1 - a0), (b1 - p[:, 1]) / (b1 - b0)], axis=1) * 4 * n
        cv2.fillPoly(own := np.zeros_like(mask), [np.rint(xy).astype(np.int32)], 150)
        mask = np.maximum(mask, own)
    shade: Any = cv2.resize(mask, (n, n), interpolation=cv2.INTER_AREA)
    x0, x1, y0, y1 = plot.x(a0), plot.x(a1), plot.y(b1), plot.y(b0)
    return (
        f'<image href="{pic.png_uri(np.dstack([rgb, shade]))}" x="{x0:.1f}" y="{y0:.1f}" width="{x1 - x0:.1f}" '
        f'height="{y1 - y0:.1f}" preserveAspectRatio="none"/>'
    )


def view_figure(name: str, body: Any) -> str:
    """Show a body of colours (v, 3) from two sides, with the edges of sRGB as thin lines."""
    places, triangles = cube_surface(_STEPS)
    screen = srgb_lab(places)
    pictures = [_view(body, screen, places, triangles, turn) for turn in (35.0, 215.0)]
    both = np.concatenate(pictures, axis=1)
    h, w = both.shape[:2]
    return (
        f'<svg class="body" role="img" aria-label="Body of colours of {escape(name, quote=True)} from two sides" '
        f'viewBox="0 0 {w} {h}"><image href="{pic.png_uri(both)}" width="{w}" height="{h}"/></svg>'
    )


def _view(body: Any, screen: Any, places: Any, triangles: Any, turn: float) -> Any:
    """(H, W, 4) picture of a body of colours from one side, seen from somewhat above; L* upwards."""
    size, grain = 280, 2
    k = 1.22 * grain
    yaw, tilt = np.radians(turn), np.radians(22.0)

    def seen(lab: Any) -> tuple[Any, Any]:
        x = lab[:, 1] * np.cos(yaw) + lab[:, 2] * np.sin(yaw)
        away = -lab[:, 1] * np.sin(yaw) + lab[:, 2] * np.cos(yaw)
        up = (lab[:, 0] - 50) * 1.55 * np.cos(tilt) + away * np.sin(tilt)
        near = -away * np.cos(tilt) + (lab[:, 0] - 50) * 1.55 * np.sin(tilt)
        return np.stack([grain * size / 2 + k * x, grain * size / 2 - k * up], axis=1), near

    xy, near = seen(body)
    rgb, _ = pic.lab_to_srgb8(body[triangles].mean(axis=1))
    canvas = np.zeros((grain * size, grain * size, 4), np.uint8)
    for t in np.argsort(near[triangles].mean(axis=1)):
        colour = (*(int(v) for v in rgb[t]), 255)
        corners = np.rint(xy[triangles[t]] * 8).astype(np.int32)
        cv2.fillConvexPoly(canvas, corners, colour, cv2.LINE_8, 3)
    at, _ = seen(screen)
    on_edge = ((places == 0) | (places == 255)).sum(axis=1) >= 2
    for axis in range(3):
        fixed = [c for c in range(3) if c != axis]
        for one in (0.0, 255.0):
            for two in (0.0, 255.0):
                pick = on_edge & (places[:, fixed[0]] == one) & (places[:, fixed[1]] == two)
                order = np.argsort(places[pick, axis])
                line = np.rint(at[pick][order] * 8).astype(np.int32)
                cv2.polylines(canvas, [line], False, (125, 125, 125, 255), 2, cv2.LINE_AA, 3)
    return cv2.resize(canvas, (size, size), interpolation=cv2.INTER_AREA)


def tone_figure(ordered: Sequence[Substrate]) -> str:
    """Lightness of the printed greys over their device value."""
    plot = pic.Plot((0, 255), (0, 100))
    at = np.linspace(0, 255, 52)
    ramp = np.repeat(at[:, None], 3, axis=1)
    inner = "".join(_curve(plot, at, s.lab_of(ramp)[:, 0], k) for k, s in enumerate(ordered))
    return pic.plot_svg(
        "Lightness of greys over what was sent to the printer",
        "grey sent to the printer, 0 to 255",
        "L*",
        (0, 255),
        (0, 100),
        inner,
        x_ticks=[0, 64, 128, 192, 255],
    )


def density_figure(ordered: Sequence[Substrate]) -> str:
    """Visual density of the printed greys over their device value."""
    from ..ground.cielab import density_from_lightness

    at = np.linspace(0, 255, 52)
    ramp = np.repeat(at[:, None], 3, axis=1)
    curves = [np.asarray(density_from_lightness(np.maximum(s.lab_of(ramp)[:, 0], 0.5))) for s in ordered]
    top = max(1.0, math.ceil(4 * max(float(c.max()) for c in curves)) / 4)
    plot = pic.Plot((0, 255), (0, top))
    inner = "".join(_curve(plot, at, c, k) for k, c in enumerate(curves))
    return pic.plot_svg(
        "Visual density of greys over what was sent to the printer",
        "grey sent to the printer, 0 to 255",
        "visual density",
        (0, 255),
        (0, top),
        inner,
        x_ticks=[0, 64, 128, 192, 255],
    )


def tint_figure(ordered: Sequence[Substrate]) -> str:
    """Tint of the printed greys, dark to light, in a* and b*."""
    known = [s.neutral_lab[:, 1:] for s in ordered if len(s.neutral_lab)]
    far = max([6.0, *(float(np.abs(p).max()) * 1.1 for p in known)])
    plot = pic.Plot((-far, far), (-far, far), 340.0, 300.0)
    inner = ""
    for k, s in enumerate(ordered):
        dots = s.neutral_lab
        inner += "".join(
            plot.dot(float(a), float(b), f"dot d{k % 6}", r=3.2, title=f"{s.name}, L* {light:.0f}")
            for light, a, b in dots
        )
        if len(dots):
            a, b = dots[:, 1:].mean(axis=0)
            inner += (
                f'<text class="axis strong mid" x="{plot.x(float(a)):.1f}" y="{plot.y(float(b)) - 7:.1f}" '
                f'font-size="13">{_letter(k)}</text>'
            )
    return pic.plot_svg(
        "Tint of the greys of each substrate", "a*", "b*", (-far, far), (-far, far), inner, width=340, height=300
    )


def _curve(plot: pic.Plot, xs: Any, ys: Any, k: int) -> str:
    line = plot.line([float(v) for v in xs], [float(v) for v in ys], _css(k))
    return line.replace("<polyline ", f'<polyline stroke-dasharray="{_dash(k)}" ')


def numbers(c: Comparison, ordered: Sequence[Substrate]) -> list[dict[str, Any]]:
    """Every measure as a row, a cell for each substrate; ± is the whole doubt."""
    srgb = volume_of(srgb_lab(cube_surface(33)[0]), 33)

    def row(what: str, text: Callable[[Substrate], str], note: str = "") -> dict[str, Any]:
        return {"what": what, "note": note, "cells": [text(s) for s in ordered]}

    def density(s: Substrate) -> str:
        return ("at least " if s.density_is_bound else "") + _pm(s.max_density, _two)

    rows = [
        row("Colours reached", lambda s: _pm(s.gamut_volume, _thousands), "1000 cubic CIELAB units, against the coat"),
        row("… of what sRGB holds", lambda s: _percent(s.gamut_volume.value / srgb), "volume against volume"),
        row("… sRGB colours reached", lambda s: _pm(s.srgb_coverage, _percent), "share of sRGB that lies inside"),
        row("Black, against its own coat", lambda s: _pm(s.black_l, _one), "L*, lower is darker"),
        row("Highest density", density, "visual, from Y, relative to the coat"),
        row("Tint of greys", lambda s: _pm(s.neutral, _one), "mean ΔCh from the coat's own neutral"),
        row("Evenness", lambda s: _pm(s.evenness, _two), "worst ninth from the mean, ΔE00"),
        row("Width of edges", lambda s: _pm(s.edge_mm, _two), "mm from 10 to 90 %, bleed and lens together"),
        row("Same colour again on the sheet", lambda s: _two(s.replicate_de00), "ΔE00, one standard deviation"),
    ]
    if any(s.absolute for s in ordered):
        rows[1:1] = [
            row("… absolute", lambda s: _pm(s.gamut_volume_absolute, _thousands), "against a perfect white"),
        ]
        rows[5:5] = [row("Black, absolute", lambda s: _pm(s.black_l_absolute, _one), "L* against a perfect white")]
        rows.append(row("Bare coat", lambda s: tint_words(s.white_lab), "absolute"))
    if any(s.repeat for s in ordered):
        rows.append(
            row(
                "Readings agree within",
                lambda s: _two(s.repeat.delta_e00) if s.repeat else "read once",
                "ΔE00 of one reading, one standard deviation",
            )
        )
    if c.lights:
        rows.append(
            row(
                "Light passing the coat",
                lambda s: _pm(c.lights[s.name].share, lambda v: f"{100 * v:.1f} %") if s.name in c.lights else "–",
                "of a light panel's",
            )
        )
    if c.costs:
        rows.append(
            row(
                "Cost of a good piece",
                lambda s: _pm(c.costs[s.name].per_good_piece, _two) if s.name in c.costs else "–",
                "in the currency you gave",
            )
        )
    return rows


def _covers(c: Comparison, ordered: Sequence[Substrate]) -> list[dict[str, Any]]:
    """Who reaches how much of whom, in the order of the ranking."""
    at = {s.name: k for k, s in enumerate(c.substrates)}
    return [
        {
            "mark": _mark(n),
            "name": s.name,
            "cells": ["–" if s is o else _percent(float(c.covers[at[s.name], at[o.name]])) for o in ordered],
        }
        for n, s in enumerate(ordered)
    ]
