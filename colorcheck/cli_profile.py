"""The command `profile`: readings → a printer profile, and what it gains."""

from __future__ import annotations

import argparse
import math
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .cli import add_common, add_log, check_log, keep_outputs, record, write_result
from .errors import UsageError

if TYPE_CHECKING:
    from .profiling import Profile

_WIDTH = 96


def add_profile(sub: Any) -> None:
    """Add the command to the parser."""
    p = sub.add_parser(
        "profile",
        help="build a printer profile from readings, and say what it will gain",
        description="Build an ICC profile of printer, ink, paper, recipe, blank and view from readings of a target.",
        epilog="example: colorcheck profile plaque-1.json plaque-2.json --out board.icc --name plaques",
    )
    p.add_argument(
        "readings", metavar="READING.json", nargs="+", help="results of 'read' with --json; several are pooled"
    )
    p.add_argument("--out", metavar="BOARD.icc", required=True, help="the profile to write")
    p.add_argument("--name", help="what it is called in lists (default: the file's name)")
    p.add_argument("--v2", action="store_true", help="write version 2 of the format, for older print software")
    p.add_argument("--curves", metavar="CURVES.json", help="write grey curves as well, the smaller correction")
    add_common(p, report=False)
    add_log(p, piece=False)
    p.set_defaults(run=_profile)


def _profile(args: argparse.Namespace) -> int:
    check_log(args)
    keep_outputs([args.out, args.curves, args.json], args.readings, args.overwrite)
    if "-" in (args.out, args.curves):
        raise UsageError("a profile needs a file", "name one, such as board.icc")
    if Path(args.out).suffix.lower() not in (".icc", ".icm"):
        raise UsageError(f"a profile cannot be '{Path(args.out).suffix}'", "name it .icc")
    name = Path(args.out).stem if args.name is None else " ".join(args.name.split())
    if not name or len(name) > 200 or not name.isprintable():
        raise UsageError("the name cannot be used", "give 1 to 200 printable characters")
    from .files import write_bytes
    from .icc import profile_bytes
    from .profiling import build_profile, summary
    from .results import load_reading
    from .terminal import Progress
    from .tonecorrect import save_curves

    version = 2 if args.v2 else 4
    with Progress(sys.stderr) as progress:
        readings = [load_reading(r) for r in args.readings]
        profile = build_profile(readings, name=name, version=2 if args.v2 else 4, progress=progress)
        progress("writing")
        data = profile_bytes(profile.tables, version=2 if args.v2 else 4)
    write_bytes(args.out, data)
    if args.curves:
        save_curves(args.curves, profile.curves, name=name, step="grey")
    figures: dict[str, Any] = {"schema": "colorcheck-profile/1", "headline": _answer(profile), "profile": str(args.out)}
    figures |= {"icc_version": version, "readings": list(args.readings)}
    result = {**figures, **_rounded(summary(profile))}
    write_result(args, result)
    if not args.quiet and args.json != "-":
        print("\n".join(profile_lines(profile, args.out, version=version, curves=args.curves)))
    record(args, "profile", result)
    return 0


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(v) for v in value]
    if isinstance(value, float):
        return round(value, 4) if math.isfinite(value) else None
    return value


def _wrap(text: str, lead: str = "") -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead)) or [lead]


def _answer(profile: Profile) -> str:
    """Say first whether it is worth printing through."""
    g = profile.gain
    change = f"mean colour error {g.before_mean:.1f} → about {g.in_all:.1f} ΔE00"
    if not g.worth and g.after_mean <= 0.8 * g.before_mean:
        return (
            f"Not proven: the readings promise {g.before_mean:.1f} → {g.after_mean:.1f} ΔE00, but the camera's own "
            f"colour error of about {g.camera:.1f} is as large. A measured target ('colorcheck camera') would tell."
        )
    if not g.worth:
        return f"Not worth it: {change}. The colours are as true as this measurement can tell; leave all as it is."
    if g.least != "full":
        what = "one tone curve alone brings" if g.least == "tone" else "grey curves alone bring"
        left = math.hypot(g.tone_mean if g.least == "tone" else g.curves_mean, g.camera)
        return f"It helps: {change}. But {what} it to {left:.1f}: try that first, it is the smaller change."
    return f"It helps: {change}, over the colours that this substrate can show."


def profile_lines(profile: Profile, path: str, *, version: int, curves: str | None = None) -> list[str]:
    """Say what a profile gains and how to use it, the answer first.

    Parameters
    ----------
    profile : Profile
    path : str
        Where it was written.
    version : int
        Of the format.
    curves : str, optional
        Where the grey curves were written.
    """
    g, m = profile.gain, profile.model
    out = _wrap(_answer(profile))
    rows = (
        ("", "now", "tone curve", "grey curves", "profile"),
        ("colours, mean ΔE00", g.before_mean, g.tone_mean, g.curves_mean, g.after_mean),
        ("greys, cast ΔCh", g.before_grey, g.tone_grey, g.curves_grey, g.after_grey),
    )
    out.append("")
    for title, *values in rows:
        out.append(f"  {title:20}" + "".join(f"{v if isinstance(v, str) else format(v, '.1f'):>13}" for v in values))
    out.append(f"  {'worst 5 %, ΔE00':20}{g.before_p95:>13.1f}{'':26}{g.after_p95:>13.1f}")
    out.append("")
    if g.outside_share > 0.005:
        hues = f", most of them {' and '.join(g.outside_hues)}" if g.outside_hues else ""
        out += _wrap(
            f"No profile can cure {100 * g.outside_share:.0f} % of the colours of sRGB: they lie outside what this ink "
            f"shows on this substrate, by {g.outside_mean:.1f} ΔE00 on average{hues}. They come out as near as can be."
        )
    else:
        out += _wrap("This substrate can show every colour of sRGB.")
    if profile.trust == "balanced":
        out += _wrap(
            f"The camera was not characterised: its own colour error, about {g.camera:.1f} ΔE00, goes into the "
            f"profile. So {g.after_mean:.1f} is what this camera would see, {g.in_all:.1f} what to expect in truth."
        )
    else:
        out += _wrap(
            f"The table is what this camera would see; with its own error of about {g.camera:.1f}, "
            f"expect {g.in_all:.1f} in truth."
        )
    out += _wrap(
        f"Built from {m.cells} cells of {m.colours} colours; colours it was not shown come out within "
        f"{m.held_out_mean:.1f} ΔE00 on average."
    )
    for note in profile.notes:
        out += _wrap(note, "Note: ")
    out += ["", "To use it", *[line for text in _use(profile, path, version) for line in _wrap(text, "  - ")]]
    if curves:
        out += _wrap(
            f"Or, the smaller change: 'colorcheck prepare ART --curves {curves}' bends the greys only.", "  - "
        )
    out += ["", "What must stay as it was", *[line for text in _fixed(profile) for line in _wrap(text, "  - ")]]
    return out


def _use(profile: Profile, path: str, version: int) -> list[str]:
    lines = [
        f"The easy way: 'colorcheck prepare ART --profile {path} …' makes the print file, with a proof beside it. "
        "Print that file with the printer's settings below and no further profile.",
        "Or in your picture program: put the file where your computer keeps colour profiles (opening it mostly offers "
        "that), restart the program, and choose it as the printer's profile when you print, with the program handling "
        "the colours. Relative colorimetric with black-point compensation is the truest; perceptual keeps "
        "differences between strong colours.",
        "Then print the target through it, press it, read it with '--printed as-usual': did the error fall as told?",
    ]
    if version == 4:
        lines.append("If the program does not list it, it is an old one: make it again with --v2.")
    if not profile.absolute:
        lines.append("The true colour of the bare coat is not known: absolute colorimetric gives the same as relative.")
    return lines


def _fixed(profile: Profile) -> list[str]:
    view = "looking straight at the coat" if profile.view == "front" else "looking through the glass"
    driver = (
        "The printer's own colour handling off, as when the target was printed."
        if profile.printed == "raw"
        else "Every setting of the printer as when the target was printed, its own colour handling and any profile "
        "included: this one comes on top of them, and the picture is turned into it before."
    )
    return [
        driver,
        "Print mode, resolution, ink and transfer paper.",
        f"Blank and coat, recipe (time, temperature, pressure), and the view: {view}.",
        "Change one of these, and print and read a target again.",
    ]
