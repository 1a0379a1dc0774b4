"""A reading → one self-contained page: the answer first, then the picture, then how it was reached."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..ground.errors import FileError
from ..ground.files import write_text
from ..ground.records import Accuracy, CellFlag, CellKind, Finding, Floats, Mask, PhotoResult, Reading, Reason
from . import pictures as pic
from . import words

_SWATCHES = 24
_ROWS = 12
LISTED = 20


def write_report(reading: Reading, folder: str | Path, *, overwrite: bool = False) -> Path:
    """Write ``report.html`` into a folder, whole or not at all.

    Parameters
    ----------
    reading : Reading
    folder : path
        Made when it does not exist.
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
    return write_page(folder, lambda: render_report(reading), overwrite=overwrite)


def write_page(folder: str | Path, render: Callable[[], str], *, overwrite: bool = False) -> Path:
    """Write a page as ``report.html`` into a folder; parameters and errors as for `write_report`."""
    where = Path(folder)
    path = where / "report.html"
    if path.exists() and not overwrite:
        raise FileError(f"{where} holds a report already", "name another folder, or remove the old report first")
    try:
        where.mkdir(parents=True, exist_ok=True)
    except FileExistsError as e:
        raise FileError(f"{where} is a file, not a folder", "name a folder for the report") from e
    except OSError as e:
        raise FileError(f"the folder {where} cannot be made ({e.strerror})", "choose another place") from e
    write_text(path, render())
    return path


def render_report(reading: Reading) -> str:
    """Make the page as one string of HTML."""
    return render_page("report.html.j2", context(reading))


def render_page(template: str, values: dict[str, Any]) -> str:
    """Fill one of the package's templates; all text is escaped unless the template says otherwise."""
    from importlib.resources import files

    from jinja2 import Environment, FunctionLoader, StrictUndefined

    folder = files("colorcheck").joinpath("templates")
    env = Environment(
        loader=FunctionLoader(lambda name: folder.joinpath(name).read_text(encoding="utf-8")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return env.get_template(template).render(values)


def context(reading: Reading) -> dict[str, Any]:
    """Everything the page shows, as text and ready-made drawings."""
    v, t = reading.verdict, reading.target
    retake = v.action == "retake-photo"
    findings: tuple[Finding, ...] = () if retake else (*reading.evenness.findings, *reading.prints.findings)
    photo_faults = [r for r in v.reasons if words.is_photo_measure(r) and r.outcome in ("fail", "note")]
    return {
        "name": t.name,
        "subtitle": f"{t.size_mm[0]:g} × {t.size_mm[1]:g} mm, "
        f"{'round' if t.shape == 'round' else 'rectangular'}, "
        f"{len(t.ids)} cells, {_photos(reading)}",
        "action": v.action,
        "word": words.action_word(v.action),
        "headline": words.headline(v),
        "why": words.one_line_why(reading),
        "retake": retake,
        "picture": picture_figure(reading, findings, show_light=retake),
        "marked_glare": bool(_glare_outline(main_photo(reading))),
        "marked_cells": bool(_spoiled_cells(reading, show_all=retake)),
        "findings": listed_findings(findings, [words.say_finding(f, reading) for f in findings]),
        "unlisted": max(0, len(findings) - LISTED),
        "found": len(findings),
        "todo": words.repress_lines(reading) if v.action == "re-press" else [],
        "photo_todo": words.next_photo_lines(reading),
        "photo_notes": [
            {"says": words.say_reason(r, reading), "advice": words.photo_advice(r.measure, r.place)}
            for r in photo_faults
            if r.outcome == "note"
        ],
        "next": words.next_piece_lines(reading),
        "cautions": words.cautions(v.action),
        "evenness": evenness_figure(reading),
        "zones": _zones(reading.evenness.zones),
        "even_numbers": _even_numbers(reading),
        "light": light_figure(reading),
        "steps": decision_steps(reading),
        "colour": _colour(reading),
        "photos": [_photo_facts(p) for p in reading.photos],
        "open": _open(reading),
        "trust": words.trust_words(reading),
        "delta_e": words.DELTA_E,
    }


def listed_findings(findings: Sequence[Finding], texts: Sequence[str]) -> list[dict[str, Any]]:
    """Give the findings the numbers of the picture; ``placed`` when the picture marks it."""
    placed = {n for n, _ in pic.ring_places(findings)}
    return [{"n": k, "text": text, "placed": k in placed} for k, text in enumerate(texts[:LISTED], 1)]


def _photos(reading: Reading) -> str:
    n = len(reading.photos)
    return f"photo {reading.photos[0].image_name}" if n == 1 else f"{n} photos"


def main_photo(reading: Reading) -> PhotoResult:
    """Return the photo whose flat picture was kept."""
    return next((p for p in reading.photos if p.flat is not None), reading.photos[-1])


# ---------------------------------------------------------------- figures


def picture_figure(reading: Reading, findings: tuple[Finding, ...], *, show_light: bool) -> str:
    """Draw the piece laid flat, findings at their place; light is taken out unless it is the matter."""
    photo, t = main_photo(reading), reading.target
    if photo.flat is None:
        return ""
    white = t.kind == CellKind.WHITE
    light: Any = np.median(photo.light.e_cell[white], axis=0) if show_light else photo.light.e_map
    uri = pic.jpeg_uri(pic.photo_pixels(photo.flat.rgb, light))
    what = "The photo laid flat" + ("" if show_light else ", light evened out")
    if findings:
        what += f", with {len(findings)} finding{'s' if len(findings) > 1 else ''} marked"
    return pic.piece_svg(
        uri,
        t.size_mm,
        image_mm=_span(photo.flat.rgb, 1 / photo.flat.px_per_mm),
        name="photo",
        label=what,
        shape=t.shape,
        overlay=_marks(reading, show_all=show_light) + pic.overlay_svg(findings, t.size_mm, shape=t.shape),
    )


def _marks(reading: Reading, *, show_all: bool) -> str:
    """Outlines of what spoils the photo: reflections, and cells that are covered or overexposed."""
    out = outlined(_glare_outline(main_photo(reading)))
    path = _spoiled_cells(reading, show_all=show_all)
    if path:
        out += f'<path class="halo thin" d="{path}"/><path class="ink thin" d="{path}"/>'
    return out


def outlined(path: str) -> str:
    """Draw a path dashed, with a white halo."""
    return f'<path class="halo" d="{path}"/><path class="ink dash" d="{path}"/>' if path else ""


def _glare_outline(photo: PhotoResult) -> str:
    """Outline the reflections that the photo check counts."""
    light = photo.light
    bright = light.g_map.max(axis=2) / np.maximum(light.e_map.max(axis=2), 1e-6)
    return pic.outline_paths(light.glare & (bright > 0.03), light.step_mm)


def _spoiled_cells(reading: Reading, *, show_all: bool) -> str:
    """Outline the cells that are covered, and with ``show_all`` the overexposed ones."""
    photo, t = main_photo(reading), reading.target
    lost = int(CellFlag.HIDDEN) | (int(CellFlag.CLIPPED) if show_all else 0)
    return "".join(
        f"M{x:.1f} {y:.1f}h{w:.1f}v{h:.1f}h{-w:.1f}z"
        for (x, y, w, h), flag in zip(t.box_mm, photo.cells.flags, strict=True)
        if int(flag) & lost
    )


def _inside(shape: tuple[int, ...], step: float, size: tuple[float, float], kind: str) -> Mask:
    """Tell where a coarse map lies on the piece."""
    yy, xx = np.mgrid[0 : shape[0], 0 : shape[1]]
    x, y = (xx + 0.5) * step, (yy + 0.5) * step
    if kind == "round":
        return np.asarray(np.hypot(x / size[0] - 0.5, y / size[1] - 0.5) <= 0.5)
    return np.asarray((x <= size[0]) & (y <= size[1]))


def _span(values: Any, step: float) -> tuple[float, float]:
    """Size in mm that a map covers: its last row and column may end beside the rim."""
    return values.shape[1] * step, values.shape[0] * step


def evenness_figure(reading: Reading) -> str:
    """Draw how much paler or darker each place is than the piece's typical grey, in signed ΔE00."""
    e, t = reading.evenness, reading.target
    limit = reading.limits.even.spot_de00
    return signed_map(e.de_map, e.step_mm, t.size_mm, t.shape, limit=limit, what="evenness", cross=(3, 3))


def signed_map(
    values: Floats,
    step_mm: float,
    size_mm: tuple[float, float],
    shape: str,
    *,
    limit: float,
    what: str,
    cross: tuple[int, int] | None = None,
) -> str:
    """Draw a map (r, c) of signed ΔE00, darker to paler, hatched where NaN."""
    known = np.abs(values[np.isfinite(values)])
    top = float(np.clip(math.ceil(np.percentile(known, 99.5) if known.size else 3.0), 3, 12))
    table = pic.diverging_table()
    bar = pic.bar_svg(
        table,
        -top,
        top,
        size_mm[0],
        max(size_mm) / 100,
        ticks=pic.nice_ticks(-top, top, 6),
        form="{:+g}",
        ends=("darker", "paler"),
        limits=(-limit, limit),
    )
    return pic.piece_svg(
        pic.png_uri(pic.map_pixels(values, table, -top, top)),
        size_mm,
        image_mm=_span(values, step_mm),
        name="even",
        shape=shape,
        bar=bar,
        cross=cross,
        label=f"Map of {what} from {-top:g} (darker) to {top:g} (paler) ΔE00",
    )


def light_figure(reading: Reading) -> str:
    """Draw the light that fell on the piece, in percent of its brightest place."""
    photo, t = main_photo(reading), reading.target
    light = photo.light
    outline = outlined(_glare_outline(photo))
    return light_map(light.e_map, light.step_mm, t.size_mm, t.shape, ratio=light.ratio, overlay=outline)


def light_map(
    light: Floats, step_mm: float, size_mm: tuple[float, float], shape: str, *, ratio: float, overlay: str = ""
) -> str:
    """Draw a map (r, c, 3) of the light in percent of its brightest place on the piece."""
    level = light.mean(axis=2)
    inside = _inside(level.shape, step_mm, size_mm, shape) & np.isfinite(level)
    top = float(level[inside].max()) if inside.any() else 1.0
    share = 100 * level / max(top, 1e-9)
    low = float(np.clip(10 * math.floor(share[inside].min() / 10), 0, 80)) if inside.any() else 0.0
    table = pic.light_table()
    ticks = pic.nice_ticks(low, 100, 4)
    return pic.piece_svg(
        pic.png_uri(pic.map_pixels(share, table, low, 100)),
        size_mm,
        image_mm=_span(level, step_mm),
        name="light",
        bar=pic.bar_svg(table, low, 100, size_mm[0], max(size_mm) / 100, ticks=ticks, form="{:g} %"),
        shape=shape,
        label=f"Map of the light, ratio {words.number(ratio)} to 1",
        overlay=overlay,
    )


# ---------------------------------------------------------------- numbers in words


def _zones(zones: Floats) -> list[list[str]]:
    return [[words.number(float(z)) for z in row] for row in zones]


def _even_numbers(reading: Reading) -> list[tuple[str, str]]:
    e, n = reading.evenness, words.number
    std = " / ".join(n(s, 2) for s in e.zone_std_lab)
    return [
        ("most different ninth", f"{n(e.zone_max)} ± {words.doubt(e.uncertainty)} ΔE00"),
        ("range over the piece", f"{n(e.range_l)} L*"),
        (
            "gradual change",
            f"{n(e.slope_l_per_cm, 2)} L* per cm"
            + (f", paler towards the {e.slope_direction}" if e.slope_direction and e.slope_l_per_cm >= 0.05 else ""),
        ),
        ("standard deviation of the ninths, L* / a* / b*", std),
    ]


def decision_steps(reading: Reading) -> list[dict[str, Any]]:
    """Group the steps of the decision by their question, each with its rows."""
    out = []
    for name, question in words.steps():
        rows = [_row(r, reading) for r in reading.verdict.reasons if words.step_of(r) == name]
        if rows:
            out.append({"question": question, "rows": rows})
    return out


def _row(r: Reason, reading: Reading) -> dict[str, str]:
    outcome = words.outcome_text(r, reading.verdict)
    return {
        "what": words.short_name(r),
        "measured": words.measured_text(r),
        "limit": words.limit_text(r),
        "outcome": outcome,
        "css": outcome.replace(" ", "-"),
        "says": words.say_reason(r, reading),
    }


def _open(reading: Reading) -> list[dict[str, str]]:
    v = reading.verdict
    if v.action == "retake-photo":
        return [
            {
                "what": "Everything about the piece: this photo cannot carry a judgement.",
                "settle": "One photo without the faults named at the top settles it.",
            }
        ]
    out: dict[str, list[str]] = {}
    for r in v.reasons:
        if r.outcome in ("undecided", "skipped"):
            out.setdefault(words.undecided_advice(r.measure, reading), []).append(words.say_reason(r, reading))
    return [{"what": " ".join(says), "settle": settle} for settle, says in out.items()]


def _photo_facts(p: PhotoResult) -> dict[str, Any]:
    c, n = p.check, words.number
    facts = [
        ("File", p.image_name),
        ("Camera", p.device or "not named"),
        ("Taken", p.taken or "not known"),
        ("Colour space", p.colour_space or "not named"),
        ("Size", f"{p.size_px[0]} × {p.size_px[1]} pixels, {n(p.pose.px_per_mm)} per mm of the piece"),
        ("Sharpness", f"edges {n(c.edge_mm, 2)} mm ({n(c.sharpness_px)} pixels) wide"),
        ("Exposure", f"bare coat at {n(100 * c.white_level, 0)} % of full brightness"),
        ("Overexposed", f"{n(100 * c.clipped_share)} % of the cells"),
        ("Reflections", f"{n(100 * c.glare_share)} % of the piece"),
        ("Covered or outside", "one cell" if c.hidden == 1 else f"{c.hidden} cells"),
        ("Light", f"{n(p.light.ratio)} to 1 over the piece"),
        ("Contrast changed by the camera", n(abs(c.tone_spread), 2)),
        (
            "Fit of the sheet",
            f"{n(p.pose.residual_mm, 2)} mm from {p.pose.edges_used} edges and {p.pose.markers_found} markers",
        ),
    ]
    return {"name": p.image_name, "facts": facts, "notes": list(p.notes)}


# ---------------------------------------------------------------- colour


def _colour(reading: Reading) -> dict[str, Any] | None:
    acc = reading.accuracy
    if acc is None:
        return None
    order = [
        int(k)
        for k in np.argsort(-np.where(acc.used & np.isfinite(acc.total), acc.total, -1.0))
        if acc.used[k] and math.isfinite(acc.total[k])
    ]
    order = _first_of_each(order, reading)
    worst = order[:_SWATCHES]
    lab, ids = reading.cells.lab, reading.target.ids
    cut = bool(pic.lab_to_srgb8(np.concatenate([lab[worst], acc.aim_lab[worst]]))[1].any()) if worst else False
    n = words.number
    aim_name = f"the reading {acc.against}" if acc.against else "what the file asked for, within this coat's range"
    return {
        "judged": reading.printed != "raw",
        "aim": aim_name,
        "summary": f"{n(acc.mean_total)} ΔE00 on average, {n(acc.p95_total)} for the worst 5 %; "
        f"uncertainty of one cell about ± {n(2 * acc.mean_measurement)}",
        "split": pic.bars_svg(
            [
                ("Pressing (changes with the place)", acc.mean_press, "b1"),
                ("Profile (changes with the colour; can be corrected)", acc.mean_profile, "b2"),
                ("Coat (colours it cannot show)", acc.mean_limit, "b3"),
                ("Doubt of the measurement", acc.mean_measurement, "b4"),
            ],
            label=f"Colour error in parts, ΔE00: pressing {n(acc.mean_press)}, profile "
            f"{n(acc.mean_profile)}, coat "
            f"{n(acc.mean_limit)}, measurement {n(acc.mean_measurement)}",
        ),
        "swatches": pic.swatches_svg(
            [ids[k] for k in worst],
            lab[worst],
            acc.aim_lab[worst],
            [float(acc.total[k]) for k in worst],
            columns=6,
            label=f"The {len(worst)} colours furthest from their aim",
        )
        if worst
        else "",
        "cut": cut,
        "ramp": _ramp_plot(reading, acc),
        "greys": _grey_plot(reading, acc),
        "grey_numbers": [
            (
                "tint of the greys",
                f"{n(acc.grey_delta_ch)} ΔCh"
                + (f", towards {words.grey_tint(reading)}" if words.grey_tint(reading) else ""),
            ),
            (
                "lightness of the greys",
                f"{acc.grey_delta_l:+.1f} L* from the aim" if math.isfinite(acc.grey_delta_l) else "–",
            ),
            ("depth of black", f"density {n(_black_density(reading), 2)}"),
        ],
        "rows": [_cell_row(reading, acc, k) for k in order[:_ROWS]],
    }


def _first_of_each(order: list[int], reading: Reading) -> list[int]:
    """Keep the worst cell of each colour: replicates would fill the list."""
    seen: set[tuple[int, ...]] = set()
    out = []
    for k in order:
        rgb = tuple(int(c) for c in reading.target.device_rgb[k])
        if rgb not in seen:
            seen.add(rgb)
            out.append(k)
    return out


def _black_density(reading: Reading) -> float:
    black = reading.target.kind == CellKind.BLACK
    return float(np.median(reading.cells.density[black])) if black.any() else math.nan


def _cell_row(reading: Reading, acc: Accuracy, k: int) -> dict[str, str]:
    lab = ", ".join(words.number(float(c)) for c in reading.cells.lab[k])
    aim = ", ".join(words.number(float(c)) for c in acc.aim_lab[k])
    return {
        "id": reading.target.ids[k],
        "rgb": " ".join(str(int(c)) for c in reading.target.device_rgb[k]),
        "lab": lab,
        "aim": aim,
        "de": f"{words.number(float(acc.total[k]))} ± {words.number(2 * float(reading.cells.uncertainty[k]))}",
        "hex": pic.lab_hex(reading.cells.lab[k])[0],
        "aim_hex": pic.lab_hex(acc.aim_lab[k])[0],
        "flags": ", ".join(words.flag_words(int(reading.cells.flags[k]))) or "none",
    }


def _ramp(reading: Reading, acc: Accuracy) -> tuple[Floats, Floats, Floats, Floats]:
    """Neutral ramp: device value (k,), measured Lab (k, 3), aim Lab (k, 3), uncertainty (k,)."""
    rgb = reading.target.device_rgb
    spoiled = int(CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE)
    grey = (np.ptp(rgb, axis=1) == 0) & ((reading.cells.flags & spoiled) == 0)
    levels = np.unique(rgb[grey, 0])
    lab, aim, u = [], [], []
    for level in levels:
        same = grey & (rgb[:, 0] == level)
        lab.append(np.median(reading.cells.lab[same], axis=0))
        aim.append(np.median(acc.aim_lab[same], axis=0))
        u.append(float(np.median(reading.cells.uncertainty[same])))
    return levels.astype(float), np.reshape(lab, (-1, 3)), np.reshape(aim, (-1, 3)), np.array(u)


def _ramp_plot(reading: Reading, acc: Accuracy) -> str:
    level, lab, aim, u = _ramp(reading, acc)
    if len(level) < 3:
        return ""
    p = pic.Plot((0, 255), (0, 105))
    xs, ls = level.tolist(), lab[:, 0].tolist()
    # the uncertainty is in ΔE00, which along greys is near one unit of L*
    inner = p.band(xs, (lab[:, 0] - 2 * u).tolist(), (lab[:, 0] + 2 * u).tolist(), "band")
    inner += p.line(xs, aim[:, 0].tolist(), "aimline") + p.line(xs, ls, "line")
    inner += "".join(p.dot(a, b, "point", title=f"value {a:.0f}: L* {b:.1f}") for a, b in zip(xs, ls, strict=True))
    return pic.plot_svg(
        "Lightness of the grey ramp against the value sent to the printer; measured and aim",
        "value sent to the printer",
        "lightness L*",
        (0, 255),
        (0, 105),
        inner,
        x_ticks=(0, 64, 128, 192, 255),
    )


def _grey_plot(reading: Reading, acc: Accuracy) -> str:
    level, lab, _, _ = _ramp(reading, acc)
    if len(level) < 3:
        return ""
    reach = max(4.0, math.ceil(1.15 * float(np.nanmax(np.abs(lab[:, 1:])))))
    p = pic.Plot((-reach, reach), (-reach, reach), 250, 262)
    limit = reading.limits.colour.grey_ch
    rx, ry = p.x(limit) - p.x(0), p.y(0) - p.y(limit)
    inner = (
        f'<line class="zero" x1="{p.x(-reach):.1f}" x2="{p.x(reach):.1f}" y1="{p.y(0):.1f}" '
        f'y2="{p.y(0):.1f}"/>'
        f'<line class="zero" x1="{p.x(0):.1f}" x2="{p.x(0):.1f}" y1="{p.y(-reach):.1f}" '
        f'y2="{p.y(reach):.1f}"/>'
        f'<ellipse class="allowed" cx="{p.x(0):.1f}" cy="{p.y(0):.1f}" rx="{rx:.1f}" ry="{ry:.1f}"/>'
    )
    for value, (lightness, a, b) in zip(level, lab, strict=True):
        shade = pic.lab_hex(np.array([lightness, 0.0, 0.0]))[0]
        dot = p.dot(float(a), float(b), "greydot", r=4.0, title=f"value {value:.0f}: a* {a:.1f}, b* {b:.1f}")
        inner += dot.replace("<circle ", f'<circle fill="{shade}" ', 1)
    return pic.plot_svg(
        "Tint of the greys: a* and b* of each step, with the allowed circle",
        "green  ←  a*  →  red",
        "b*: up yellow, down blue",
        (-reach, reach),
        (-reach, reach),
        inner,
        width=250,
        height=262,
    )
