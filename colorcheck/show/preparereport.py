"""A prepared picture in words: JSON, screen, page, and the proof beside the original."""

from __future__ import annotations

import math
import shutil
import textwrap
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from ..colour.reach import REACH_DE00, Missed, Reach
from ..flows.prepare import FINE_PPI, Prepared
from ..ground.files import whole
from . import pictures as pic
from .report import render_page, write_page
from .words import number as n

SCHEMA = "colorcheck-prepared/1"
_GOOD_SHARE = 0.03  # of the piece out of reach: not worth a headline
_AS_GOOD = 0.5  # ΔE00 by which curves may stay behind the profile and still be named
_HUES = ((20, "pink"), (52, "red"), (72, "orange"), (108, "yellow"), (168, "green"), (222, "turquoise"), (308, "blue"),
         (335, "violet"), (361, "pink"))  # fmt: skip
_INTENT = {
    "relative": "every colour as near as the coat comes, bare coat as white",
    "perceptual": "the whole picture compressed a little, so that differences of colour stay",
    "saturation": "colours kept strong, at the price of their exact hue and lightness",
}
_STEPS = {
    "none": "as it is, without correction",
    "tone": "one tone curve",
    "grey": "grey curves",
    "full": "whole profile",
}


# ---------------------------------------------------------------- words


def colour_name(lab: tuple[float, float, float]) -> str:
    """Name a colour in plain words: lightness, strength, hue."""
    lightness, a, b = lab
    chroma = math.hypot(a, b)
    if chroma < 8:
        return (
            "black" if lightness < 15 else "dark grey" if lightness < 40 else "grey" if lightness < 75 else "light grey"
        )
    angle = math.degrees(math.atan2(b, a)) % 360
    hue = next(name for edge, name in _HUES if angle < edge)
    if hue in ("orange", "yellow") and lightness < 50:
        hue = "brown"
    light = "dark " if lightness < 32 else "light " if lightness > 78 and chroma < 45 else ""
    return f"{light}{'strong ' if chroma > 55 else ''}{hue}"


def _percent(share: float) -> str:
    return "less than 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def _piece(p: Prepared) -> str:
    w, h = p.size_mm
    return f"{w:g} mm round" if p.shape == "round" else f"{w:g} × {h:g} mm"


def _differs(p: Prepared) -> bool:
    """Tell whether a person should expect other colours than designed."""
    if p.correction != "full" and p.expected:
        return p.expected[p.correction] > REACH_DE00
    return p.reach is not None and p.reach.share >= _GOOD_SHARE


def headline(p: Prepared) -> str:
    """Say the answer in a few words."""
    coarse = p.ppi < FINE_PPI
    off = _differs(p)
    if coarse and off:
        return "Ready to print, but soft, and some colours will differ"
    if coarse:
        return "Ready to print, but it will look soft"
    return "Ready to print, but some colours will differ" if off else "Ready to print"


def _unreachable(r: Reach) -> str:
    if r.share < 0.005:
        return "All its colours can be printed: none is more than 2 ΔE00 off, but for single specks."
    text = f"{_percent(r.share)} of the piece is in colours that this coat cannot show, off by more than 2 ΔE00"
    if r.worst:
        most = r.worst[0]
        text += (
            f": most of all {colour_name(most.due_lab)} ({_percent(most.share)} of the piece), which comes out as "
            f"{colour_name(most.printed_lab)}, {n(most.delta_e00)} ΔE00 away"
            if colour_name(most.due_lab) != colour_name(most.printed_lab)
            else f": most of all {colour_name(most.due_lab)} ({_percent(most.share)} of the piece), "
            f"{n(most.delta_e00)} ΔE00 away"
        )
    return text + "."


def why(p: Prepared) -> str:
    """One or two sentences under the headline."""
    turned = "mirrored already" if p.mirrored else "not mirrored, because it is looked at through the glass"
    parts = [f"{p.artwork} for a piece of {_piece(p)}, {turned}."]
    if p.correction != "full" and p.expected:
        parts.append(
            f"Through {_STEPS[p.correction]} its colours come out {n(p.expected[p.correction])} ΔE00 from their aim on "
            f"average, {n(p.expected['none'])} without."
        )
    elif p.reach is not None:
        parts.append(_unreachable(p.reach))
    return " ".join(parts)


def warnings(p: Prepared) -> list[str]:
    """Say what a person should know before printing, the weightiest first."""
    out = []
    if p.ppi < FINE_PPI:
        out.append(
            f"The picture has {p.ppi:.0f} pixels per inch at this size; under {FINE_PPI:.0f} it looks soft. "
            "Use a larger file if there is one; printing at a higher resolution does not help."
        )
    if p.reach is not None:
        if p.reach.share >= 0.005 and p.correction == "full":
            out.append(
                _unreachable(p.reach) + " No profile can change that; another intent only shares it out otherwise."
            )
        if p.reach.asks_black:
            out.append(
                f"The deepest black of this coat is L* {p.reach.black_lab[0]:.0f}: the dark tones were lifted with it, "
                "so that their steps stay visible."
            )
    out += _profile_warnings(p)
    if p.filled_mm > 0.05:
        out.append(
            f"The picture ends {n(p.filled_mm)} mm short of the bleed; that rim was filled with the mirrored edge of "
            "the picture. It shows only if the piece lies askew."
        )
    if p.art_bleed_mm > 0.05:
        out.append(f"The picture was taken to be {n(p.art_bleed_mm)} mm larger than the piece on every side.")
    if p.cropped >= 0.002:
        out.append(f"{n(100 * p.cropped)} % of one side was cut to fit the proportions of the piece.")
    if p.shape == "round":
        out.append("Only the circle is printed; what the picture has in its corners falls away.")
    if p.assumed:
        out.append("The file names no colour space; its colours were taken as sRGB.")
    if p.intent == "perceptual" and p.correction == "full":
        out.append("The whole picture was compressed a little, so colours that could be met exactly are moved too.")
    return out + [note[:1].upper() + note[1:].rstrip(".") + "." for note in p.notes]


def _profile_warnings(p: Prepared) -> list[str]:
    out = []
    e = p.expected
    if e and e["full"] > e["none"] + 0.3:
        out.append(
            "Through this profile the picture comes out worse than without, by the profile's own account "
            f"({n(e['full'])} against {n(e['none'])} ΔE00): was it made for this printer?"
        )
    elif e and p.correction == "full" and p.intent == "relative" and e["grey"] <= e["full"] + _AS_GOOD:
        out.append(
            f"For this picture grey curves alone would do nearly as well ({n(e['grey'])} against {n(e['full'])} ΔE00)."
        )
    elif e and p.correction != "full" and e["full"] < e[p.correction] - _AS_GOOD:
        out.append(f"Curves leave {n(e[p.correction])} ΔE00 on average; the whole profile would leave {n(e['full'])}.")
    if p.profile is not None and p.profile.faults:
        count = len(p.profile.faults)
        out.append(
            f"The profile departs from the ICC standard in {count} point{'s' if count > 1 else ''} "
            f"(first: {p.profile.faults[0]}), but could be used."
        )
    return out


def print_lines(p: Prepared) -> list[str]:
    """Say how to print the file."""
    lines = [
        "Print at 100 %, not fitted to the page.",
        "Switch colour management off in the program that prints: the values in the file are the printer's own and "
        "must not be converted again.",
        "Leave paper, ink, quality and every other driver setting as they were for the target behind the "
        + ("profile." if p.profile is not None else "curves."),
        "The file is mirrored already: do not mirror it again."
        if p.mirrored
        else "The file is not mirrored, and must not be: the piece is looked at through the glass.",
    ]
    if p.border_mm >= 8:
        lines.append("Cut the paper along the edge of the file; the white rim is for the tape.")
    else:
        lines.append("Leave about 13 mm of white paper round the print when you cut it, for the tape.")
    if p.bleed_mm < 2.5:
        lines.append("With so little bleed the print must lie exactly: about 3 mm on every side is usual.")
    lines.append("Nothing that matters should lie within 6 mm of the edge of the piece.")
    return lines


def curves_lines(p: Prepared) -> str:
    """Say what the colours went through."""
    if p.profile is None:
        return f"curves {p.curves_name}".strip()
    name = p.profile.description or p.profile.file
    return f"profile {name}" if p.correction == "full" else f"{_STEPS[p.correction]} out of the profile {name}"


# ---------------------------------------------------------------- JSON, screen


def _missed(m: Missed) -> dict[str, Any]:
    return {
        "share": round(m.share, 4),
        "colour": colour_name(m.due_lab),
        "due_lab": [round(v, 2) for v in m.due_lab],
        "printed_lab": [round(v, 2) for v in m.printed_lab],
        "delta_e00": round(m.delta_e00, 2),
    }


def prepared_to_dict(p: Prepared, *, print_file: str, proof_file: str | None = None) -> dict[str, Any]:
    """Everything that is known of a prepared picture, for JSON."""
    r = p.reach
    return {
        "schema": SCHEMA,
        "print_file": print_file,
        "proof_file": proof_file,
        "size_mm": list(p.size_mm),
        "sheet_mm": [round(v, 3) for v in p.sheet_mm],
        "pixels": [p.picture.shape[1], p.picture.shape[0]],
        "dpi": p.dpi,
        "bleed_mm": p.bleed_mm,
        "border_mm": p.border_mm,
        "shape": p.shape,
        "view": p.view,
        "mirrored": p.mirrored,
        "correction": p.correction if p.profile is not None else "curves",
        "intent": p.intent if p.correction == "full" and p.profile is not None else None,
        "black_point_compensation": p.correction == "full" and p.profile is not None,
        "artwork": {
            "file": p.artwork,
            "sha256": p.artwork_sha256,
            "pixels": list(p.file_px),
            "pixels_per_inch": round(p.ppi, 1),
            "bleed_mm": round(p.art_bleed_mm, 2),
            "bleed_known": p.art_bleed_known,
            "bleed_filled_mm": round(p.filled_mm, 2),
            "cropped_share": round(p.cropped, 4),
            "colour_space": p.source_space,
            "colour_space_assumed": p.assumed,
        },
        "profile": None
        if p.profile is None
        else {
            "file": p.profile.file,
            "description": p.profile.description,
            "sha256": p.profile.sha256,
            "faults": list(p.profile.faults),
        },
        "unreachable": None
        if r is None
        else {
            "limit_de00": REACH_DE00,
            "share": round(r.share, 4),
            "mean_delta_e00": round(r.mean, 2),
            "p95_delta_e00": round(r.p95, 2),
            "black_lab": [round(v, 2) for v in r.black_lab],
            "worst": [_missed(m) for m in r.worst],
        },
        "expected_mean_delta_e00": {k: round(v, 2) for k, v in p.expected.items()} or None,
        "headline": headline(p),
        "warnings": warnings(p),
        "how_to_print": print_lines(p),
    }


def print_prepared(p: Prepared, stream: TextIO, *, files: list[str], color: bool = False) -> None:
    """Print the answer, what to know, and how to print, to a text stream; bold type on request."""
    width = min(shutil.get_terminal_size((80, 24)).columns, 100)
    bold, plain = ("\x1b[1m", "\x1b[0m") if color else ("", "")

    def item(text: str) -> str:
        return textwrap.fill(text, width, initial_indent="  - ", subsequent_indent="    ")

    print(f"{bold}{headline(p)}{plain}", file=stream)
    print(textwrap.fill(why(p), width), file=stream)
    for line in files:
        print(line, file=stream)
    told = [w for w in warnings(p) if p.reach is None or not w.startswith(_unreachable(p.reach))]
    for title, lines in (("Good to know", told), ("How to print", print_lines(p))):
        if lines:
            print(f"\n{bold}{title}{plain}", file=stream)
            for line in lines:
                print(item(line), file=stream)


# ---------------------------------------------------------------- proof


def proof_picture(p: Prepared) -> Any:
    """(H, W, 3) uint8 sRGB: the picture as designed at the left, as it will look on the piece at the right.

    Raises
    ------
    ValueError
        There is no proof: it needs a profile.
    """
    from PIL import Image, ImageDraw, ImageFont

    if p.proof is None or p.reach is None:
        raise ValueError("a proof needs a profile")
    ground, ink, soft = (232, 230, 225), (32, 48, 58), (85, 98, 107)
    h, w = p.original.shape[:2]
    gap, edge = max(24, w // 30), max(32, w // 24)
    size = max(15, min(30, w // 34))
    big: Any = ImageFont.load_default(size=size * 1.15)
    small: Any = ImageFont.load_default(size=size)
    head = round(2.3 * size)
    width = 2 * w + gap + 2 * edge
    if p.correction != "full" and p.expected:
        first = f"Colours come out {n(p.expected[p.correction])} from their aim on average (CIEDE2000)"
    elif p.reach.share >= 0.005:
        share = _percent(p.reach.share)
        first = f"{share} of the piece is in colours this coat cannot show (off by more than {REACH_DE00:g}, CIEDE2000)"
    else:
        first = f"All colours can be reached to within {REACH_DE00:g} (CIEDE2000)"
    lines = [
        first,
        f"Through {curves_lines(p)}. "
        + ("With the tint of the coat. " if p.proof_tinted else "Bare coat shown as white. ")
        + "A screen shows it only as well as it is set up.",
    ]
    lines = [part for line in lines for part in _wrapped(line, small, width - 2 * edge)]
    foot = round((1.45 * len(lines) + 1.0) * size)
    sheet = Image.new("RGB", (width, h + 2 * edge + head + foot - edge // 2), ground)
    pen = ImageDraw.Draw(sheet)
    for x, title, pixels in ((edge, "As designed", p.original), (edge + w + gap, "As it will print", p.proof)):
        pen.text((x, edge // 2 + 0.5 * size), title, fill=ink, font=big)
        panel = Image.fromarray(np.ascontiguousarray(pixels))
        if p.shape == "round":
            mask = Image.new("L", (4 * w, 4 * h), 0)
            ImageDraw.Draw(mask).ellipse((0, 0, 4 * w - 1, 4 * h - 1), fill=255)
            sheet.paste(panel, (x, edge + head - size), mask.resize((w, h), Image.Resampling.LANCZOS))
        else:
            sheet.paste(panel, (x, edge + head - size))
    top = edge + head - size + h + round(0.8 * size)
    for k, line in enumerate(lines):
        pen.text((edge, top + 1.45 * k * size), line, fill=ink if k == 0 else soft, font=small)
    return np.asarray(sheet)


def _wrapped(text: str, font: Any, width: float) -> list[str]:
    """Break a line to a width in pixels."""
    lines: list[str] = []
    for word in text.split():
        if lines and font.getlength(f"{lines[-1]} {word}") <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def write_proof(p: Prepared, path: str | Path) -> None:
    """Write the proof as PNG, marked as sRGB, whole or not at all."""
    from PIL import Image, ImageCms, PngImagePlugin

    info = PngImagePlugin.PngInfo()
    info.add_text("Description", "soft proof: as designed, as it will print")
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    picture = Image.fromarray(proof_picture(p))
    with whole(path, ".png") as temporary:
        picture.save(temporary, format="PNG", icc_profile=srgb, pnginfo=info)


# ---------------------------------------------------------------- page


def write_prepared_report(p: Prepared, folder: str | Path, *, overwrite: bool = False) -> Path:
    """Write ``report.html`` into a folder; parameters and errors as for `colorcheck.show.report.write_report`."""
    return write_page(folder, lambda: render_page("prepare.html.j2", context(p)), overwrite=overwrite)


def _figure(p: Prepared, pixels: Any, name: str, label: str) -> str:
    return pic.piece_svg(pic.jpeg_uri(pixels, quality=90), p.size_mm, name=name, label=label, shape=p.shape)


def _map(p: Prepared, r: Reach) -> str:
    known = r.delta_e00[np.isfinite(r.delta_e00)]
    top = float(np.clip(math.ceil(np.percentile(known, 99.5)), 6, 20))
    table = np.ascontiguousarray(pic.light_table()[::-1])
    pixels = pic.map_pixels(r.delta_e00, table, 0.0, top, zoom=2)
    bar = pic.bar_svg(
        table, 0.0, top, p.size_mm[0], max(p.size_mm) / 100, ticks=pic.nice_ticks(0, top, 5), limits=(REACH_DE00,)
    )
    label = f"Map of the colours that cannot be reached: {_percent(r.share)} of the piece"
    return pic.piece_svg(pic.png_uri(pixels), p.size_mm, name="reach", label=label, shape=p.shape, bar=bar)


def context(p: Prepared) -> dict[str, Any]:
    """Everything the page shows, as text and ready-made drawings."""
    r = p.reach
    values: dict[str, Any] = {
        "name": p.artwork,
        "subtitle": f"artwork for a piece of {_piece(p)}",
        "word": "Prepared",
        "headline": headline(p),
        "why": why(p),
        "original": _figure(p, p.original, "original", "The picture as designed"),
        "proof": "",
        "tinted": p.proof_tinted,
        "warnings": [w for w in warnings(p) if r is None or not w.startswith(_unreachable(r))],
        "lines": print_lines(p),
        "reach": None,
        "steps": None,
        "facts": _facts(p),
    }
    if p.proof is not None:
        values["proof"] = _figure(p, p.proof, "proof", "The picture as it will print")
    if r is not None:
        due, comes = (np.array([getattr(m, k) for m in r.worst]).reshape(-1, 3) for k in ("due_lab", "printed_lab"))
        swatches = pic.swatches_svg(
            [_percent(m.share).replace("less than ", "< ") for m in r.worst],
            comes,
            due,
            [m.delta_e00 for m in r.worst],
            columns=4,
            label="The colours furthest out of reach: due at the left, printed at the right",
        )
        values["reach"] = {
            "map": _map(p, r),
            "swatches": swatches if r.worst else "",
            "cut": bool(len(due) and pic.lab_to_srgb8(np.concatenate([due, comes]))[1].any()),
            "names": ", ".join(dict.fromkeys(colour_name(m.due_lab) for m in r.worst)),
            "share": _percent(r.share),
            "mean": n(r.mean),
            "p95": n(r.p95),
        }
    if p.expected:
        rows = [(_STEPS[k], v, "b1" if k == p.correction else "b3") for k, v in p.expected.items()]
        values["steps"] = pic.bars_svg(rows, label="Mean colour difference from the aim, by correction")
    return values


def _facts(p: Prepared) -> list[tuple[str, str]]:
    w, h = p.sheet_mm
    colours = p.source_space + (" (assumed)" if p.assumed and "assumed" not in p.source_space else "")
    facts = [
        ("Piece", _piece(p)),
        ("Print file", f"{w:g} × {h:g} mm, {p.picture.shape[1]} × {p.picture.shape[0]} pixels at {p.dpi} per inch"),
        ("Bleed", f"{p.bleed_mm:g} mm on every side" + (f", then {p.border_mm:g} mm white" if p.border_mm else "")),
        ("Mirrored", "yes: looked at from the front" if p.mirrored else "no: looked at through the glass"),
        ("Artwork", f"{p.file_px[0]} × {p.file_px[1]} pixels, {p.ppi:.0f} per inch on the piece"),
        ("Its colours", colours),
        ("Converted by", curves_lines(p)),
    ]
    if p.profile is not None and p.correction == "full":
        facts.append(("Intent", f"{p.intent}, with black-point compensation: {_INTENT[p.intent]}"))
    if p.reach is not None:
        facts.append(("Deepest black", f"L* {n(p.reach.black_lab[0])} of the coat's 100"))
    facts.append(("In the print file", "device values of the printer; no profile is embedded, on purpose"))
    return facts
