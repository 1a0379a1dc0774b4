"""Limits by names that people read: for the settings, and to say which own limits an answer was held to."""

from __future__ import annotations

from .numbers import number

_NAMES = {
    "photo": {
        "edge_share": "Blur of an edge, share of the gap between cells",
        "white_low": "Darkest bare coat, share of full brightness",
        "clipped_white": "Overexposed bare cells, share",
        "clipped_cells": "Overexposed cells, share",
        "glare_area": "Area under a reflection, share",
        "hidden_cells": "Covered cells, share",
        "light_ratio": "Brightest to darkest light",
        "px_per_mm": "Least pixels per mm",
        "pose_mm": "Fit of the sheet, mm",
        "local_tone": "Brightness evened out by the camera",
        "bands": "Bands of flicker, share of the light",
        "pixels": "Pixels of a display seen through the piece, share of the light",
        "tone_slope": "Contrast changed by the camera",
    },
    "piece": {
        "blur_mm": "Blur of the sharpest edges, mm",
        "clipped": "Overexposed area, share",
        "glare_area": "Area under a reflection, share",
        "pose_mm": "Doubt about the place, mm",
    },
    "ghost": {"strength": "Second copy, share of the print"},
    "print": {"banding_l": "Regular lines, L*", "missing_ink": "Missing inks, number"},
    "even": {
        "zone_de00": "Most different ninth of the piece, ΔE00",
        "spot_de00": "Pale spot, ΔE00",
        "edge_de00": "Faded edge, ΔE00",
        "slope_l_per_cm": "Gradual change, L* per cm",
        "dot_mm": "Crisp speck, mm",
        "dark_de00": "Dark spot, ΔE00",
    },
    "complete": {
        "black_density": "Least depth of black, density",
        "veil": "Mirrored room that black may hold, share of white",
        "uptake": "Least dye taken up, share of what was due",
        "scorch_b": "Yellowing of bare coat, b*",
    },
    "colour": {
        "mean_de00": "Colour error of the profile, mean ΔE00",
        "p95_de00": "Colour error of the profile, worst 5 %, ΔE00",
        "grey_ch": "Tint of the greys, distance from neutral",
        "grey_l": "Lightness of the greys, L*",
    },
    "behind": {
        "black_density": "Least depth of black, density",
        "mean_de00": "Colour error of the profile, mean ΔE00",
        "p95_de00": "Colour error of the profile, worst 5 %, ΔE00",
        "grey_ch": "Tint of the greys, distance from neutral",
        "grey_l": "Lightness of the greys, L*",
    },
}
_TABLES = {
    "photo": "Photo of a target",
    "piece": "Photo of a finished piece",
    "ghost": "Did the paper move?",
    "print": "Printed completely?",
    "even": "Pressed evenly?",
    "complete": "Pressed completely?",
    "colour": "Colours",
    "behind": "Lit from behind",
}
Tables = dict[str, dict[str, float]]


def table_name(table: str) -> str:
    """Name a group of limits."""
    return _TABLES.get(table, table[:1].upper() + table[1:])


def limit_name(table: str, key: str) -> str:
    """Name a limit, with its unit."""
    return _NAMES.get(table, {}).get(key, key.replace("_", " "))


def own_limits(own: Tables, shipped: Tables) -> list[str]:
    """List the limits that are the user's own: 'Pale spot, ΔE00: 3 instead of 2'."""
    return [
        f"{limit_name(table, key)}: {number(value, None)} instead of {number(shipped[table][key], None)}"
        for table, rows in own.items()
        for key, value in rows.items()
        if value != shipped[table][key]
    ]
