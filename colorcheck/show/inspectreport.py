"""An inspection → terminal, JSON and one self-contained page: the answer first, then how it was reached."""

from __future__ import annotations

import math
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, cast

import numpy as np

from ..ground.geometry import place_in_photo
from ..ground.jsontext import rounded
from ..ground.records import Finding, Reason
from . import inspectwords as iw
from . import pictures as pic
from . import words
from .report import LISTED, light_map, listed_findings, outlined, render_page, signed_map, write_page
from .results import finding_dict, reason_dict
from .terminal import Answer, print_answer, worst_of_each_question

if TYPE_CHECKING:
    from ..flows.inspect import Inspection, PiecePhoto

SCHEMA = "colorcheck-inspection/1"


# ---------------------------------------------------------------- JSON


def inspection_to_dict(i: Inspection) -> dict[str, Any]:
    """Turn an inspection into the JSON of the contract.

    Keys may be added in later schema versions; those here stay. What is not known is null.
    """
    d, v = i.defects, i.verdict
    colour: dict[str, Any] = {}
    if d.mean_de00 is not None:
        colour = {
            "mean_delta_e00": d.mean_de00,
            "p95_delta_e00": d.p95_de00,
            "dye_share": d.uptake,
            "against": d.source,
            "colours": [asdict(c) for c in d.colours],
        }
    whole = {
        "schema": SCHEMA,
        "name": i.artwork,
        "size_mm": list(i.size_mm),
        "shape": i.shape,
        "view": i.view,
        "paper": i.paper,
        "findings": [finding_dict(f) for f in d.findings],
        "lighting": {
            "ratio": d.light_ratio,
            "glare_share": _share(i),
            "anchors": list(d.anchors),
            "ambiguous": list(d.ambiguous),
            "broad_delta_e00": d.broad_de00,
            "settle_by": d.settle_by,
        },
        "verdict": {
            "action": v.action,
            "headline": iw.headline(i),
            "why": iw.why(i),
            "reasons": [reason_dict(r, iw.say(r, i)) for r in v.reasons],
            "undecided": list(v.undecided),
            "advice": v.advice,
            "what_to_do": _to_do(i),
            "cautions": words.cautions(v.action),
        },
        "photos": [_photo_dict(p, i.size_mm) for p in i.photos],
        "judged_share": d.judged_share,
        "noise_delta_e00": d.noise_de00,
        "expected_from": d.source,
        "white_from": d.coat,
        "colour": colour,
        "before": None if i.before is None else asdict(i.before),
    }
    return cast("dict[str, Any]", rounded(_plain(whole)))


def _plain(value: Any) -> Any:
    """Replace what JSON does not know: booleans of numpy."""
    if isinstance(value, dict):
        return {str(k): _plain(x) for k, x in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(x) for x in value]
    return bool(value) if isinstance(value, np.bool_) else value


def _share(i: Inspection) -> float:
    """Share of the piece under a reflection, as the decision counts it."""
    return float(i.defects.glare.mean()) if i.defects.glare.size else 0.0


def _to_do(i: Inspection) -> list[str]:
    if i.verdict.action == "re-press":
        return words.repress_lines(i)
    return [line for line in iw.next_photo_lines(i) if line]


def _photo_dict(p: PiecePhoto, size_mm: tuple[float, float]) -> dict[str, Any]:
    return {
        "piece_in_photo": place_in_photo(p.pose, size_mm),
        "file": p.name,
        "sha256": p.sha256,
        "device": p.device,
        "taken": p.taken,
        "colour_space": p.colour_space,
        "notes": list(p.notes),
        "placed_by": p.placed_by,
        "uncertainty_mm": p.uncertainty_mm,
        "score": p.score,
        "px_per_mm": p.pose.px_per_mm,
        "mirrored": p.pose.mirrored,
        "on_card": p.on_card,
        "clipped_share": p.clipped_share,
        "white_level": p.white_level,
        "sharp_mm": p.sharp_mm,
    }


# ---------------------------------------------------------------- terminal


def print_inspection(i: Inspection, stream: TextIO, *, color: bool = False, width: int | None = None) -> None:
    """Print what was found, the answer first.

    Parameters
    ----------
    i : Inspection
    stream : text stream
    color : bool
        Use bold and faint type by ANSI sequences. They never carry meaning alone.
    width : int, optional
        Columns to fill; that of the terminal, at most 100, when left out.
    """
    v = i.verdict
    retake = v.action == "retake-photo"
    earlier = [] if i.before is None else [f"Since {i.before.name}: {line}" for line in iw.before_lines(i.before)[:1]]
    answer = Answer(
        action=v.action,
        headline=iw.headline(i),
        why=" ".join([iw.why(i), *earlier]),
        rows=[
            (row["what"], row["measured"], row["limit"], row["outcome"])
            for row in (_row(r, i) for r in worst_of_each_question(v.reasons))
        ],
        findings=[iw.say_finding(f, i) for f in iw.counted_findings(i)],
        todo=words.repress_lines(i) if v.action == "re-press" else [],
        photo_todo=[line for line in iw.next_photo_lines(i) if line],
        next=words.next_piece_lines(i) if v.action != "re-press" else [],
        cautions=words.cautions(v.action),
        settle=[] if retake else list(dict.fromkeys(iw.settle_line(m, i) for m in v.undecided)),
        photo_notes=[iw.say(r, i) for r in v.reasons if words.is_photo_measure(r) and r.outcome == "note"],
    )
    print_answer(answer, stream, color=color, width=width)


def _row(r: Reason, i: Inspection) -> dict[str, str]:
    outcome = words.outcome_text(r, i.verdict)
    return {
        "what": iw.short_name(r),
        "measured": words.measured_text(r),
        "limit": iw.limit_text(r, i),
        "outcome": outcome,
        "css": outcome.replace(" ", "-"),
        "says": iw.say(r, i),
    }


# ---------------------------------------------------------------- page


def write_inspection_report(i: Inspection, folder: str | Path, *, overwrite: bool = False) -> Path:
    """Write ``report.html`` into a folder, whole or not at all.

    Parameters
    ----------
    i : Inspection
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
    return write_page(folder, lambda: render_inspection(i), overwrite=overwrite)


def render_inspection(i: Inspection) -> str:
    """Make the page as one string of HTML."""
    return render_page("inspect.html.j2", context(i))


def context(i: Inspection) -> dict[str, Any]:
    """Everything the page shows, as text and ready-made drawings."""
    v, d = i.verdict, i.defects
    unfit = words.unfit(v)
    findings = iw.counted_findings(i)
    shape = "round" if i.shape == "round" else "rectangular"
    photos = f"photo {i.photos[0].name}" if len(i.photos) == 1 else f"{len(i.photos)} photos"
    limit = i.limits.even.spot_de00
    glare = pic.outline_paths(d.glare, d.step_mm) if d.glare.any() else ""
    return {
        "name": i.artwork,
        "subtitle": f"{i.size_mm[0]:g} × {i.size_mm[1]:g} mm, {shape}, finished piece, {photos}",
        "word": words.action_word(v.action),
        "headline": iw.headline(i),
        "why": iw.why(i),
        "retake": v.action == "retake-photo",
        "unfit": unfit,
        "picture": picture_figure(i, findings, as_taken=unfit, glare=glare),
        "marked_glare": bool(glare),
        "findings": listed_findings(findings, [iw.say_finding(f, i) for f in findings]),
        "unlisted": max(0, len(findings) - LISTED),
        "found": len(findings),
        "photo_todo": [line for line in iw.next_photo_lines(i) if line],
        "photo_notes": [iw.say(r, i) for r in v.reasons if words.is_photo_measure(r) and r.outcome == "note"],
        "delta_e": words.DELTA_E,
        "todo": words.repress_lines(i) if v.action == "re-press" else [],
        "cautions": words.cautions(v.action),
        "next": words.next_piece_lines(i),
        "before": None
        if i.before is None
        else {"name": i.before.name, "lead": iw.before_lines(i.before)[0], "lines": iw.before_lines(i.before)[1:]},
        "residual": signed_map(d.residual, d.step_mm, i.size_mm, i.shape, limit=limit, what="what differs"),
        "light": light_map(d.light, d.step_mm, i.size_mm, i.shape, ratio=d.light_ratio, overlay=outlined(glare)),
        "numbers": _numbers(i),
        "trust": iw.trust(i),
        "steps": [
            {"question": question, "rows": rows}
            for name, question in words.steps()
            if (rows := [_row(r, i) for r in v.reasons if words.step_of(r) == name])
        ],
        "colour": _colour(i),
        "photos": [_photo_facts(p) for p in i.photos],
        "open": [{"what": what, "settle": settle} for what, settle in iw.open_questions(i)],
    }


def picture_figure(i: Inspection, findings: tuple[Finding, ...], *, as_taken: bool, glare: str = "") -> str:
    """Draw the piece laid flat, cut to its size, findings at their place; light taken out unless it is the matter."""
    g, d = i.flat.px_per_mm, i.defects
    h, w = i.flat.rgb.shape[:2]
    left = round((w / g - i.size_mm[0]) / 2 * g)
    top = round((h / g - i.size_mm[1]) / 2 * g)
    wide, tall = round(i.size_mm[0] * g), round(i.size_mm[1] * g)
    rgb = i.flat.rgb[top : top + tall, left : left + wide]
    level = np.nanpercentile(rgb, 99) if np.isfinite(rgb).any() else 1.0
    light: Any = np.full(3, max(float(level), 1e-3)) if as_taken or not np.isfinite(d.light).any() else d.light
    what = "The photo laid flat" + ("" if as_taken else ", light evened out")
    if findings:
        what += f", with {words.count_of(len(findings), 'finding')} marked"
    return pic.piece_svg(
        pic.jpeg_uri(pic.photo_pixels(rgb, light)),
        i.size_mm,
        image_mm=(wide / g, tall / g),
        name="photo",
        label=what,
        shape=i.shape,
        overlay=outlined(glare) + pic.overlay_svg(findings, i.size_mm, shape=i.shape),
    )


def _numbers(i: Inspection) -> list[tuple[str, str]]:
    d, n = i.defects, words.number
    anchors = {
        "card": "white card round the piece",
        "blank frame": "blank white sheet",
        "several photos": "several photos",
    }
    return [
        ("Judged", f"{n(100 * d.judged_share, 0)} % of the piece"),
        ("Brightest to darkest light", f"{n(d.light_ratio)} to 1"),
        ("Under a reflection", f"{n(100 * _share(i))} % of the piece"),
        ("Light known from", ", ".join(anchors.get(a, a) for a in d.anchors) or "the print alone"),
        ("Gradual change that light could hide", f"{n(d.broad_de00)} ΔE00"),
        ("Noise of one place of the map", f"{n(d.noise_de00, 2)} ΔE00"),
    ]


def _colour(i: Inspection) -> dict[str, Any] | None:
    d, n = i.defects, words.number
    if d.mean_de00 is None:
        return None
    worst = sorted((c for c in d.colours if math.isfinite(c.delta_e00)), key=lambda c: -c.delta_e00)[:12]
    due = np.array([c.due_lab for c in worst]).reshape(-1, 3)
    seen = np.array([c.seen_lab for c in worst]).reshape(-1, 3)
    names = [f"{100 * c.area_share:.0f} %" if c.area_share >= 0.01 else "< 1 %" for c in worst]
    p95 = f", {n(d.p95_de00)} for the worst 5 %" if d.p95_de00 is not None else ""
    dye = f" The dye taken up is {n(100 * d.uptake, 0)} % of what was due." if d.uptake is not None else ""
    label = f"The {len(worst)} colours of the artwork furthest from what was due"
    values = [c.delta_e00 for c in worst]
    return {
        "summary": f"Against {'the reading' if d.source == 'reading' else 'the profile'}: "
        f"{n(d.mean_de00)} ΔE00 on average{p95}.{dye}",
        "swatches": pic.swatches_svg(names, seen, due, values, columns=6, label=label) if worst else "",
        "cut": bool(pic.lab_to_srgb8(np.concatenate([due, seen]))[1].any()) if worst else False,
    }


def _photo_facts(p: PiecePhoto) -> dict[str, Any]:
    n = words.number
    place = {"content": "by its picture", "outline": "by its outline"}.get(p.placed_by, p.placed_by)
    facts = [
        ("File", p.name),
        ("Camera", p.device or "not named"),
        ("Taken", p.taken or "not known"),
        ("Colour space", p.colour_space or "not named"),
        ("Resolution", f"{n(p.pose.px_per_mm)} pixels per mm of the piece"),
        ("Sharpest edges", f"{n(p.sharp_mm, 2)} mm wide" if math.isfinite(p.sharp_mm) else "too soft to measure"),
        ("Exposure", f"brightest print at {n(100 * p.white_level, 0)} % of full brightness"),
        ("Overexposed", f"{n(100 * p.clipped_share)} % of the piece"),
        ("Piece found", f"{place}, to about {words.doubt(p.uncertainty_mm)} mm"),
        ("White card round it", "yes" if p.on_card else "not seen"),
    ]
    if p.pose.mirrored:
        facts.append(("Mirrored", "the photo was turned over left to right"))
    return {"name": p.name, "facts": facts, "notes": list(dict.fromkeys(p.notes))}
