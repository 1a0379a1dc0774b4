"""A step test → run sheet, screen, JSON, CSV and one self-contained page: the answer first."""

from __future__ import annotations

import csv
import io
import math
import textwrap
from html import escape
from pathlib import Path
from typing import Any, TextIO, cast

from ..ground.files import write_text
from ..ground.jsontext import rounded
from ..ground.recipe import MakerLimits
from ..ground.units import format_seconds, format_size
from ..shop.ladder import BestTime, LadderFit, LadderPlan, NextPress, Pressed, Settings
from . import pictures as pic
from . import words
from .report import render_page, write_page

SCHEMA = "colorcheck-ladder-result/1"
_BULLET: dict[str, Any] = {"initial_indent": "  - ", "subsequent_indent": "    "}
_HARM = {
    "yellow": "the bare coat turns yellow",
    "scorch": "the bare coat turns yellow in places",
    "edges": "edges run wider",
}
_COLUMNS = ("step", "time_s", "temperature_c", "pressure", "density", "share_of_plateau", "black_density") + (
    "coat_b",
    "scorch_delta_b",
    "edge_width_mm",
    "evenness_delta_e00",
    "looked_yellow",
    "off_the_rise",
    "faults",
    "reading",
)


# ---------------------------------------------------------------- words


def settings_words(s: Settings, *, time: bool = True) -> str:
    """Name settings: '150 s at 200 °C, light pressure'."""
    parts = [seconds(s.time_s)] if time else []
    if s.temperature_c is not None:
        parts.append(f"{'at ' if time else ''}{words.number(s.temperature_c, 0 if _whole(s.temperature_c) else 1)} °C")
    text = " ".join(parts)
    return f"{text}{', ' if text else ''}{s.pressure} pressure" if s.pressure else text


def seconds(value: float) -> str:
    """Write a time in whole seconds, as press timers are set."""
    return f"{value:.0f} s"


def _whole(value: float) -> bool:
    return abs(value - round(value)) < 0.05


def _five(value: float) -> str:
    return f"{5 * round(value / 5):d}"


def interval_words(r: BestTime, limits: MakerLimits) -> str:
    """Write the 90 % interval of a time, to 5 s: '140 to 170 s'."""
    if r.low_s > limits.time_s:
        return f"more than the makers' {seconds(limits.time_s)}"
    if r.high_s > limits.time_s:
        return f"{_five(r.low_s)} s to more than the makers' {seconds(limits.time_s)}"
    return f"{_five(r.low_s)} to {_five(r.high_s)} s"


def headline(fit: LadderFit) -> str:
    """Say the answer in one line."""
    b, s = fit.best, fit.best.settings
    rest = settings_words(s, time=False)
    where = f" at {rest}" if s.temperature_c is not None else f" with {rest}" if rest else ""
    if fit.status == "found":
        return f"Best {seconds(s.time_s)} ({interval_words(b, fit.limits)}){where}"
    if fit.status == "wide":
        range_ = interval_words(b, fit.limits)
        return f"About {seconds(s.time_s)}{where}, but anything from {range_} is possible: press once more"
    if fit.status == "flat":
        return f"The shortest press already has all the dye{where}: shorter may do"
    if fit.status == "harmed":
        return f"No good time{where}: {_HARM.get(fit.harm, 'harm shows')} before the dye is full"
    if fit.harm == "limit":
        return f"Full dye takes longer than the makers allow{where}"
    return f"Not there yet{where}: the dye was still rising at the longest time"


def why(fit: LadderFit) -> str:
    """Say in a sentence or two what the answer rests on."""
    share = f"{100 * fit.within:g} %"
    if fit.status in ("found", "wide"):
        text = (
            f"From there on more time adds less than {share} of dye, which in mid grey is a difference of about 1 "
            "ΔE00: "
            "it can just be seen side by side."
        )
        return f"{text} {_safe_words(fit)}".strip()
    if fit.status == "flat":
        return f"No press of the series is more than {share} below the others."
    if fit.status == "harmed":
        return "Press cooler or with more pressure, within the makers' limits, and run the series again."
    if fit.harm == "limit":
        return "Try more pressure or more heat within the makers' limits, or another coat; do not press longer."
    return "Longer presses, within the makers' limits, will show where the plateau begins."


def _safe_words(fit: LadderFit) -> str:
    seen = {k: v for k, v in fit.harm_s.items() if k != "limit"}
    if math.isfinite(fit.best.safe_until_s) and fit.harm in _HARM:
        low, mid, _ = fit.harm_s[fit.harm]
        return f"Do not go far beyond: at about {_five(mid)} s (perhaps from {_five(low)} s) {_HARM[fit.harm]}."
    if not seen:
        return ""
    told = [
        name
        for name, known in (("yellowing of the coat", fit.knows_yellow), ("widening of edges", fit.knows_edges))
        if known
    ]
    return f"No {' or '.join(told)} was seen up to the longest press." if told else ""


def next_words(fit: LadderFit, plan: LadderPlan) -> list[str]:
    """Say what to press next, and what it is worth."""
    n: NextPress | None = fit.next
    if n is None:
        if fit.status == "harmed":
            return ["No further press of this series would help: change temperature or pressure first."]
        return [
            f"Nothing more is needed. Press one real piece with {settings_words(fit.best.settings)} and check it with "
            "'colorcheck read' or 'colorcheck inspect' before you change over."
        ]
    what = {
        "narrow": f"it narrows the interval from ± {n.now_s:.0f} s to about ± {n.expected_s:.0f} s",
        "longer": "it shows whether the dye still rises",
        "shorter": "it shows where the rise begins",
        "yellow": "it shows whether the coat still holds there",
        "confirm": "it confirms the answer",
    }[n.why]
    at = n.settings
    used = {p.name for p in fit.pressed}
    spare = next(((name, seed) for name, seed in plan.spares if name not in used), None)
    parts = [f"{at.time_s:.0f}s"] + ([] if at.temperature_c is None else [f"{at.temperature_c:g}C"])
    told = ",".join(parts + ([at.pressure] if at.pressure else []))
    how = f" Use target {spare[0]} (seed {spare[1]}), then read all again with --at {spare[0]}={told}." if spare else ""
    return [f"One more press tells most: {settings_words(at)}; {what}.{how} {limits_words(plan)}"]


def open_lines(fit: LadderFit) -> list[dict[str, str]]:
    """List what the series could not decide, each with what would settle it."""
    out = []
    if not fit.knows_yellow:
        out.append(
            {
                "what": "Whether the bare coat yellows all over: a photo balanced on the coat cannot show it.",
                "settle": "hold each piece beside an unpressed blank in daylight, and name those that look yellower "
                "with "
                "--yellow (or --yellow none); or read the pieces with your characterised camera on its white card.",
            }
        )
    if not fit.knows_edges:
        out.append({"what": "Whether edges run wider: no width was measured.", "settle": "sharper photos."})
    for p, odd in zip(fit.pressed, fit.odd, strict=True):
        if odd:
            out.append(
                {
                    "what": f"Step {p.name} does not lie on the rise of the others; it counts for little.",
                    "settle": "look at the piece and its photo, and press that step once more.",
                }
            )
        elif p.faults:
            names = ", ".join(sorted({k.replace("-", " ") for k in p.faults}))
            out.append(
                {
                    "what": f"Step {p.name} shows {names}: its dye may be low for that reason alone.",
                    "settle": "press that step once more if it lies near the answer.",
                }
            )
    return out


def limits_words(plan: LadderPlan) -> str:
    """Repeat the makers' limits."""
    return (
        f"Never beyond the makers' limits you gave: {seconds(plan.limits.time_s)}, {plan.limits.temperature_c:.0f} °C."
    )


def cautions() -> list[str]:
    """Cautions of a series of presses."""
    return [
        "Never exceed the makers' limits of blank, coat, paper and press, whatever this sheet says.",
        *words.cautions("re-press"),
        "Let the press come back to temperature before each step, and let each piece cool on a dry, even pad.",
    ]


# ---------------------------------------------------------------- JSON and CSV


def ladder_to_dict(plan: LadderPlan, fit: LadderFit) -> dict[str, Any]:
    """Turn the answer into JSON; what is not known is null."""
    n = fit.next
    whole = {
        "schema": SCHEMA,
        "name": plan.name,
        "status": fit.status,
        "headline": headline(fit),
        "why": why(fit),
        "best": _recipe_dict(fit.best),
        "recipes": [_recipe_dict(r) for r in fit.recipes],
        "step_s": fit.step_s,
        "plateau": {"density": fit.plateau, "std": fit.plateau_std, "within": fit.within, "scatter": fit.scatter},
        "upper_end": fit.harm or None,
        "harm_s": {k: {"low": v[0], "median": v[1], "high": v[2]} for k, v in fit.harm_s.items()},
        "knows": {"yellowing": fit.knows_yellow, "edges": fit.knows_edges},
        "next": None
        if n is None
        else {**_settings_dict(n.settings), "why": n.why, "half_width_now_s": n.now_s, "expected_s": n.expected_s},
        "limits": {"time_s": plan.limits.time_s, "temperature_c": plan.limits.temperature_c},
        "steps": [dict(zip(_COLUMNS, row, strict=True)) for row in _rows(fit)],
        "open": open_lines(fit),
        "what_to_do": next_words(fit, plan),
        "cautions": cautions(),
        "curve": {
            "time_s": fit.times.tolist(),
            "density": fit.level.tolist(),
            "low": fit.level_low.tolist(),
            "high": fit.level_high.tolist(),
        },
    }
    return cast("dict[str, Any]", rounded(whole))


def _settings_dict(s: Settings) -> dict[str, Any]:
    return {"time_s": s.time_s, "temperature_c": s.temperature_c, "pressure": s.pressure}


def _recipe_dict(r: BestTime) -> dict[str, Any]:
    return {
        **_settings_dict(r.settings),
        "low_s": r.low_s,
        "high_s": r.high_s,
        "safe_until_s": r.safe_until_s,
        "p_safe": r.p_safe,
    }


def _rows(fit: LadderFit) -> list[list[Any]]:
    out = []
    for p, share, odd in zip(fit.pressed, fit.share, fit.odd, strict=True):
        s = p.settings
        looked = None if p.looked_yellow is None else bool(p.looked_yellow)
        out.append(
            [p.name, s.time_s, s.temperature_c, s.pressure, p.density, float(share), p.black, p.yellow_b, p.scorch_b]
            + [p.edge_mm, p.evenness, looked, bool(odd), " ".join(p.faults), p.source]
        )
    return out


def ladder_csv(fit: LadderFit) -> str:
    """One line for each press, for a spreadsheet; what is not known is empty."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for row in cast("list[list[Any]]", rounded(_rows(fit))):
        writer.writerow(["" if v is None else safe_cell(v) for v in row])
    return text.getvalue()


def safe_cell(value: Any) -> Any:
    """Keep a spreadsheet from taking a text for a formula."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t") else value


# ---------------------------------------------------------------- screen


def print_ladder(plan: LadderPlan, fit: LadderFit, stream: TextIO, *, color: bool = False) -> None:
    """Print the answer, the presses, and what to do next."""
    bold, end = ("\x1b[1m", "\x1b[0m") if color else ("", "")
    lines = [f"{bold}{headline(fit)}{end}", *_wrap(why(fit)), ""]
    lines.append("  step   time   temp.  pressure  dye, % of plateau  black")
    for p, share in zip(fit.pressed, fit.share, strict=True):
        s = p.settings
        heat = "–" if s.temperature_c is None else f"{s.temperature_c:.0f} °C"
        note = " ".join(_notes(p, fit))
        lines.append(
            f"  {p.name:<5} {s.time_s:4.0f} s {heat:>7}  {s.pressure or '–':<8}  {words.number(100 * float(share)):>8}"
            f"           {words.number(p.black, 2):>5}  {note}".rstrip()
        )
    if len(fit.recipes) > 1:
        lines += ["", "  best at each setting"]
        lines += [f"  {settings_words(r.settings)} ({interval_words(r, fit.limits)})" for r in fit.recipes]
    lines += ["", *(row for line in next_words(fit, plan) for row in _wrap(line))]
    for o in open_lines(fit):
        lines += ["", *_wrap(f"Open: {o['what']} To settle it: {o['settle']}")]
    lines += ["", "Take care", *(row for line in cautions() for row in textwrap.wrap(line, 88, **_BULLET))]
    stream.write("\n".join(lines) + "\n")


def _notes(p: Pressed, fit: LadderFit) -> list[str]:
    odd = bool(fit.odd[[q.name for q in fit.pressed].index(p.name)])
    return (["off the rise"] if odd else []) + (["yellow"] if p.looked_yellow else []) + list(p.faults)


def _wrap(text: str, width: int = 88) -> list[str]:
    return textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False)


def print_run_sheet(plan: LadderPlan, stream: TextIO) -> None:
    """Print the presses in their order."""
    stream.write("Press in this order (it is random, so that a press that warms up does not pass for time):\n")
    for s in plan.steps:
        stream.write(f"  {s.name:<3} target with seed {s.target_seed:<7} {settings_words(s.settings)}\n")
    stream.write("Take care:\n")
    for line in cautions():
        stream.write("\n".join(textwrap.wrap(line, 88, **_BULLET)) + "\n")


# ---------------------------------------------------------------- run sheet


def write_run_sheet(plan: LadderPlan, path: str | Path) -> None:
    """Write the sheet that lies beside the press: order, settings, room for what was really measured."""
    write_text(path, render_page("runsheet.html.j2", sheet_context(plan)))


def sheet_context(plan: LadderPlan) -> dict[str, Any]:
    """Everything the run sheet shows."""
    heat = plan.temperature_c
    ranges = [f"{seconds(plan.time_s[0])} to {seconds(plan.time_s[1])}"]
    if heat is not None:
        ranges.append(f"{heat[0]:.0f} °C" if heat[0] == heat[1] else f"{heat[0]:.0f} to {heat[1]:.0f} °C")
    if plan.pressures:
        ranges.append(f"{' and '.join(plan.pressures)} pressure")
    return {
        "word": "Run sheet",
        "name": plan.name,
        "subtitle": f"step test on {format_size(plan.size_mm)} pieces, {', '.join(ranges)}",
        "headline": f"{len(plan.steps)} presses, in this order",
        "why": "The order is random on purpose: a press that slowly warms up must not pass for time. Change nothing "
        "but what is "
        "in the table, and write down what you really measured.",
        "limits": f"Makers' limits: at most {seconds(plan.limits.time_s)} and {plan.limits.temperature_c:.0f} °C. "
        "Never beyond, whatever stands here.",
        "rows": [
            {
                "name": s.name,
                "seed": str(s.target_seed),
                "time": f"{seconds(s.settings.time_s)}"
                + (f" ({format_seconds(s.settings.time_s)})" if s.settings.time_s >= 120 else ""),
                "heat": "as always" if s.settings.temperature_c is None else f"{s.settings.temperature_c:.0f} °C",
                "pressure": s.settings.pressure or "as always",
            }
            for s in plan.steps
        ],
        "spares": " and ".join(f"{n} (seed {k})" for n, k in plan.spares),
        "before": [
            "Print all targets in one go, at 100 %, on the paper and with the settings of your normal work; cut "
            "them out.",
            "Find each target by the seed printed on it, and press it in its turn; its printed code later tells "
            "which step it is.",
            "Use blanks or offcuts of one lot, dry, and the same stack (pads, cover paper) each time.",
            "Measure the platen with a thermometer if you have one; write the reading in the table.",
            "Afterwards lay each piece beside an unpressed blank in daylight: does its bare coat look yellower?",
            "Photograph all pieces with the same phone, in the same light, one after another; then 'colorcheck "
            "read' each.",
        ],
        "todo": [],
        "next": [],
        "cautions": cautions(),
    }


# ---------------------------------------------------------------- page


def write_ladder_report(plan: LadderPlan, fit: LadderFit, folder: str | Path, *, overwrite: bool = False) -> Path:
    """Write ``report.html`` into a folder; as `report.write_page`."""
    return write_page(folder, lambda: render_page("ladder.html.j2", context(plan, fit)), overwrite=overwrite)


def context(plan: LadderPlan, fit: LadderFit) -> dict[str, Any]:
    """Everything the page shows, as text and ready-made drawings."""
    n, b = words.number, fit.best
    facts = [
        ("best", settings_words(b.settings)),
        ("90 % sure to lie in", interval_words(b, fit.limits)),
        ("dye at the plateau", f"mean density {n(fit.plateau, 2)} ± {words.doubt(2 * fit.plateau_std, 2)}"),
        ("scatter from piece to piece", f"{n(100 * fit.scatter / fit.plateau)} % of the dye"),
        ("makers' limits", f"{seconds(plan.limits.time_s)}, {plan.limits.temperature_c:.0f} °C"),
    ]
    if fit.status == "rising":
        facts = facts[2:]
    harm = [
        (k, harm_figure(fit, k))
        for k in ("yellow", "scorch", "edges")
        if k in fit.harm_s and any(math.isfinite(_harm_value(p, k)) for p in fit.pressed)
    ]
    return {
        "word": "Step test",
        "name": plan.name,
        "subtitle": f"step test, {len(fit.pressed)} presses from {seconds(fit.pressed[0].settings.time_s)} to "
        f"{seconds(fit.pressed[-1].settings.time_s)}",
        "headline": headline(fit),
        "why": why(fit),
        "plateau": plateau_figure(plan, fit),
        "facts": facts,
        "several": len(fit.recipes) > 1,
        "surface": surface_figure(plan, fit) if len({r.settings.temperature_c for r in fit.recipes}) > 1 else "",
        "recipes": [
            {
                "settings": settings_words(r.settings, time=False) or "as always",
                "time": seconds(r.settings.time_s),
                "interval": interval_words(r, fit.limits),
                "safe": f"{100 * r.p_safe:.0f} %",
                "best": r is fit.best,
            }
            for r in fit.recipes
        ],
        "rows": [
            {
                "name": p.name,
                "time": seconds(p.settings.time_s),
                "rest": settings_words(p.settings, time=False) or "–",
                "share": f"{n(100 * float(share))} %" if math.isfinite(float(share)) else "–",
                "black": n(p.black, 2),
                "b": n(p.yellow_b)
                if math.isfinite(p.yellow_b)
                else {True: "yellower", False: "clean"}.get(cast("bool", p.looked_yellow), "–"),
                "scorch": n(p.scorch_b),
                "edge": n(p.edge_mm, 2),
                "even": n(p.evenness),
                "notes": ", ".join(x.replace("-", " ") for x in _notes(p, fit)) or "–",
            }
            for p, share in zip(fit.pressed, fit.share, strict=True)
        ],
        "harm": [{"title": _HARM[k][0].upper() + _HARM[k][1:] + "?", "figure": svg} for k, svg in harm],
        "within": f"{100 * fit.within:g} %",
        "todo": [],
        "next_press": next_words(fit, plan),
        "next": [],
        "cautions": cautions(),
        "open": open_lines(fit),
    }


def _time_ticks(top: float) -> list[float]:
    step = next(s for s in (10, 20, 30, 60, 120, 300, 600, 1200, 2400) if top / s <= 7)
    return [float(k * step) for k in range(int(top // step) + 1)]


def plateau_figure(plan: LadderPlan, fit: LadderFit) -> str:
    """Draw dye against time at the best temperature and pressure, with the answer marked."""
    s = fit.best.settings
    right = float(fit.times[-1])
    known = [p.density for p in fit.pressed if math.isfinite(p.density)]
    top = 1.12 * max(*known, fit.plateau)
    x_range, y_range = (0.0, right), (0.0, top)
    wide, tall = 460.0, 300.0
    plot = pic.Plot(x_range, y_range, wide, tall)
    inner = ""
    found = fit.status in ("found", "wide")
    if found:
        a, b = plot.x(max(fit.best.low_s, 0.0)), plot.x(min(fit.best.high_s, right))
        deep = plot.bottom - plot.top
        inner += f'<rect class="band" x="{a:.1f}" y="{plot.top}" width="{max(b - a, 1):.1f}" height="{deep}"/>'
    inner += plot.band(fit.times.tolist(), fit.level_low.tolist(), fit.level_high.tolist(), "band")
    inner += plot.line(fit.times.tolist(), fit.level.tolist(), "line")
    inner += plot.line([0.0, right], [fit.plateau] * 2, "aimline")
    inner += (
        f'<text class="axis" x="{plot.left + 6:.1f}" y="{plot.y(fit.plateau) - 5:.1f}" font-size="12">plateau</text>'
    )
    if plan.limits.time_s < right:
        inner += _upright(plot, plan.limits.time_s, "makers' limit")
    if found:
        x = plot.x(s.time_s)
        inner += (
            f'<line class="ink" style="stroke:currentColor" x1="{x:.1f}" x2="{x:.1f}" '
            f'y1="{plot.top}" y2="{plot.bottom}"/>'
        )
        side, gap = ("axis", 6) if x < 0.7 * wide else ("axis end", -6)
        inner += (
            f'<text class="{side} strong" x="{x + gap:.1f}" y="{plot.bottom - 12:.1f}" font-size="15">'
            f"{seconds(s.time_s)}</text>"
        )
    for p, odd in zip(fit.pressed, fit.odd, strict=True):
        here = (p.settings.temperature_c, p.settings.pressure) == (s.temperature_c, s.pressure)
        if math.isfinite(p.density):
            inner += _dot(plot, p, hollow=not here, odd=bool(odd))
    return pic.plot_svg(
        f"Dye against time: {headline(fit)}",
        "time, s",
        "dye (mean density of the greys)",
        x_range,
        y_range,
        inner,
        width=wide,
        height=tall,
        x_ticks=_time_ticks(right),
    )


def _upright(plot: pic.Plot, at: float, text: str) -> str:
    x = plot.x(at)
    return (
        f'<line class="aimline" x1="{x:.1f}" x2="{x:.1f}" y1="{plot.top}" y2="{plot.bottom}"/>'
        f'<text class="axis end" x="{x - 4:.1f}" y="{plot.top + 12:.1f}" font-size="12">{escape(text)}</text>'
    )


def _dot(plot: pic.Plot, p: Pressed, *, hollow: bool, odd: bool, y: float | None = None) -> str:
    at_x, at_y = plot.x(p.settings.time_s), plot.y(p.density if y is None else y)
    look = 'fill="none" style="stroke:var(--mark);stroke-width:2"' if hollow else 'class="point"'
    name = escape(f"{p.name}: {settings_words(p.settings)}")
    ring = f'<circle cx="{at_x:.1f}" cy="{at_y:.1f}" r="9" fill="none" class="allowed"/>' if odd else ""
    return (
        f'<circle {look} cx="{at_x:.1f}" cy="{at_y:.1f}" r="4.5"><title>{name}</title></circle>{ring}'
        f'<text class="axis mid" x="{at_x:.1f}" y="{at_y + 18:.1f}" font-size="12">{escape(p.name)}</text>'
    )


def _harm_value(p: Pressed, kind: str) -> float:
    return {"yellow": p.yellow_b, "scorch": p.scorch_b, "edges": p.edge_mm}[kind]


def harm_figure(fit: LadderFit, kind: str) -> str:
    """Draw what may suffer against time: b* of the bare coat, or the width of edges."""
    values = [(p, _harm_value(p, kind)) for p in fit.pressed if math.isfinite(_harm_value(p, kind))]
    low, high = min(v for _, v in values), max(v for _, v in values)
    room = max(high - low, {"yellow": 1.5, "scorch": 1.5, "edges": 0.2}[kind])
    x_range = (0.0, float(fit.times[-1]))
    y_range = (max(low - 0.2 * room, 0.0) if kind != "yellow" else low - 0.2 * room, low + 1.25 * room)
    plot = pic.Plot(x_range, y_range)
    inner = "".join(_dot(plot, p, hollow=False, odd=False, y=v) for p, v in values)
    _, middle, _ = fit.harm_s[kind]
    if middle < x_range[1]:
        inner += _upright(plot, middle, f"from {_five(middle)} s")
    unit = {"yellow": "b* of bare coat", "scorch": "largest rise of b*", "edges": "width of edges, mm"}[kind]
    return pic.plot_svg(
        f"{unit} against time", "time, s", unit, x_range, y_range, inner, x_ticks=_time_ticks(x_range[1])
    )


def surface_figure(plan: LadderPlan, fit: LadderFit) -> str:
    """Draw the best time at each temperature with its interval, and the presses as letters."""
    heats = [cast("float", r.settings.temperature_c) for r in fit.recipes]
    top = max([p.settings.time_s for p in fit.pressed] + [min(r.high_s, 1.5 * plan.time_s[1]) for r in fit.recipes])
    span = max(max(heats) - min(heats), 1.0)
    x_range = (min(heats) - 0.3 * span, max(heats) + 0.25 * span)
    y_range = (0.0, 1.08 * top)
    wide, tall = 460.0, 300.0
    plot = pic.Plot(x_range, y_range, wide, tall)
    pressures = list(dict.fromkeys(r.settings.pressure for r in fit.recipes))
    inner = ""
    for k, pressure in enumerate(pressures):
        rs = sorted(
            (r for r in fit.recipes if r.settings.pressure == pressure), key=lambda r: r.settings.temperature_c or 0
        )
        xs = [float(r.settings.temperature_c or 0) for r in rs]
        ys = [r.settings.time_s for r in rs]
        cap = y_range[1]
        if k == 0:
            inner += plot.band(xs, [min(r.low_s, cap) for r in rs], [min(r.high_s, cap) for r in rs], "band")
        inner += plot.line(xs, [min(y, cap) for y in ys], "line" if k == 0 else "aimline")
        if pressure and xs:
            at = f'x="{plot.x(xs[0]) - 8:.1f}" y="{plot.y(min(ys[0], cap)) + (-2 if k == 0 else 12):.1f}"'
            inner += f'<text class="axis end" {at} font-size="12">{escape(pressure)}</text>'
    for p, share in zip(fit.pressed, fit.share, strict=True):
        if p.settings.temperature_c is not None and math.isfinite(float(share)):
            x, y = plot.x(p.settings.temperature_c), plot.y(p.settings.time_s)
            inner += (
                f'<circle class="point" cx="{x:.1f}" cy="{y:.1f}" r="3.5"/>'
                f'<text class="axis" x="{x + 6:.1f}" y="{y + 4:.1f}" font-size="11">{escape(p.name)} '
                f"{100 * float(share):.0f} %</text>"
            )
    s = fit.best.settings
    if fit.status in ("found", "wide") and s.temperature_c is not None:
        x, y = plot.x(s.temperature_c), plot.y(s.time_s)
        inner += f'<circle class="ink" style="stroke:currentColor" cx="{x:.1f}" cy="{y:.1f}" r="9"/>'
    return pic.plot_svg(
        "Shortest time on the plateau against temperature",
        "temperature, °C",
        "time, s",
        x_range,
        y_range,
        inner,
        width=wide,
        height=tall,
        x_ticks=sorted(set(heats)),
    )
