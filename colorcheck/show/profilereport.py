"""What a profile gains and how to use it, in words, for screen and page."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import Any

from ..flows.profile import Profile
from ..ground.jsontext import rounded

SCHEMA = "colorcheck-profile/1"
_WIDTH = 96


def context(
    profile: Profile, path: str, *, name: str, version: int, curves: str | None = None, page: bool = True
) -> dict[str, Any]:
    """Everything that is said of a profile, the answer first.

    Parameters
    ----------
    profile : Profile
    path : str
        Where it was written.
    name : str
        What it is called.
    version : int
        Of the format.
    curves : str, optional
        Where the grey curves were written.
    page : bool
        For the local page, which prepares pictures without naming commands.
    """
    g, m = profile.gain, profile.model
    if g.outside_share > 0.005:
        hues = f", most of them {' and '.join(g.outside_hues)}" if g.outside_hues else ""
        limit = (
            f"No profile can cure {100 * g.outside_share:.0f} % of the colours of sRGB: they lie outside what this ink "
            f"shows on this substrate, by {g.outside_mean:.1f} ΔE00 on average{hues}. They come out as near as can be."
        )
    else:
        limit = "This substrate can show every colour of sRGB."
    if profile.trust == "balanced":
        trust = (
            f"The camera was not characterised: its own colour error, about {g.camera:.1f} ΔE00, goes into the "
            f"profile. So {g.after_mean:.1f} is what this camera would see, {g.in_all:.1f} what to expect in truth."
        )
    else:
        trust = (
            f"The table is what this camera would see; with its own error of about {g.camera:.1f}, "
            f"expect {g.in_all:.1f} in truth."
        )
    built = (
        f"Built from {m.cells} cells of {m.colours} colours; colours it was not shown come out within "
        f"{m.held_out_mean:.1f} ΔE00 on average."
    )
    use = _use(profile, path, version, page=page)
    if curves:
        use.append(f"Or, the smaller change: 'colorcheck prepare ART --curves {curves}' bends the greys only.")
    return {
        "name": name,
        "headline": headline(profile),
        "columns": ("now", "tone curve", "grey curves", "profile"),
        "rows": (
            ("colours, mean ΔE00", _told(g.before_mean, g.tone_mean, g.curves_mean, g.after_mean)),
            ("greys, cast ΔCh", _told(g.before_grey, g.tone_grey, g.curves_grey, g.after_grey)),
            ("worst 5 %, ΔE00", _told(g.before_p95, None, None, g.after_p95)),
        ),
        "says": [limit, trust, built],
        "notes": list(profile.notes),
        "use": use,
        "fixed": _fixed(profile),
    }


def profile_to_dict(profile: Profile, path: str, *, version: int, readings: Sequence[str]) -> dict[str, Any]:
    """Turn what a profile gains into JSON."""
    head = {"schema": SCHEMA, "headline": headline(profile), "profile": path, "icc_version": version}
    return {**head, "readings": list(readings), **rounded(summary(profile))}


def _told(*values: float | None) -> list[str]:
    return ["" if v is None else f"{v:.1f}" for v in values]


def _wrap(text: str, lead: str = "") -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead)) or [lead]


def _items(texts: Sequence[str]) -> list[str]:
    return [line for text in texts for line in _wrap(text, "  - ")]


def profile_lines(profile: Profile, path: str, *, name: str = "", version: int, curves: str | None = None) -> list[str]:
    """Lines for the screen; parameters as for `context`."""
    c = context(profile, path, name=name, version=version, curves=curves, page=False)
    out = [*_wrap(c["headline"]), "", f"  {'':20}" + "".join(f"{v:>13}" for v in c["columns"])]
    out += [f"  {title:20}" + "".join(f"{v:>13}" for v in values) for title, values in c["rows"]]
    out.append("")
    for text in c["says"]:
        out += _wrap(text)
    for note in c["notes"]:
        out += _wrap(note, "Note: ")
    out += ["", "To use it", *_items(c["use"]), "", "What must stay as it was", *_items(c["fixed"])]
    return out


def headline(profile: Profile) -> str:
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


def _use(profile: Profile, path: str, version: int, *, page: bool) -> list[str]:
    easy = (
        "prepare a picture with it here, which makes the print file"
        if page
        else f"'colorcheck prepare ART --profile {path} …' makes the print file"
    )
    lines = [
        f"The easy way: {easy}, with a proof beside it. "
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


def summary(profile: Profile) -> dict[str, Any]:
    """Gather the figures of a profile, for JSON."""
    g, m = profile.gain, profile.model
    return {
        "name": profile.tables.description,
        "trust": profile.trust,
        "printed": profile.printed,
        "view": profile.view,
        "absolute": profile.absolute,
        "expected": {
            "before": {"mean_delta_e00": g.before_mean, "p95_delta_e00": g.before_p95, "grey_delta_ch": g.before_grey},
            "after": {"mean_delta_e00": g.after_mean, "p95_delta_e00": g.after_p95, "grey_delta_ch": g.after_grey},
            "tone_curve_only": {"mean_delta_e00": g.tone_mean, "grey_delta_ch": g.tone_grey},
            "grey_curves_only": {"mean_delta_e00": g.curves_mean, "grey_delta_ch": g.curves_grey},
            "camera_delta_e00": g.camera,
            "after_with_camera_delta_e00": g.in_all,
            "worth_it": g.worth,
            "least_correction": g.least,
        },
        "outside_gamut": {"share": g.outside_share, "mean_delta_e00": g.outside_mean, "hues": list(g.outside_hues)},
        "model": {
            "colours": m.colours,
            "cells": m.cells,
            "held_out_mean_delta_e00": m.held_out_mean,
            "held_out_p95_delta_e00": m.held_out_p95,
            "cell_noise_delta_e00": m.noise,
            "odd_colours": m.odd,
            "corners_missing": m.corners_missing,
        },
        "gamut_volume": profile.volume,
        "round_trip": {"mean_delta_e00": profile.round_trip_mean, "p95_delta_e00": profile.round_trip_p95},
        "notes": list(profile.notes),
    }
