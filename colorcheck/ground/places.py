"""Places on a piece in plain words."""

from __future__ import annotations

import math
from typing import Any

from .reader import length
from .records import Finding, Kind, Shape


def all_over(
    kind: Kind,
    size_mm: tuple[float, float],
    area_mm2: float,
    *,
    delta_e00: float,
    delta_l: float,
    confidence: float,
    detail: dict[str, Any],
) -> Finding:
    """Make the finding of what covers a whole piece: in its middle, as wide as a disc of its area."""
    return Finding(
        kind=kind,
        x_mm=size_mm[0] / 2,
        y_mm=size_mm[1] / 2,
        diameter_mm=math.sqrt(4 / math.pi * area_mm2),
        area_mm2=area_mm2,
        delta_e00=delta_e00,
        delta_l=delta_l,
        confidence=confidence,
        where="all over",
        detail=detail,
    )


def where_in_words(x_mm: float, y_mm: float, size_mm: tuple[float, float], shape: Shape) -> str:
    """Say where a place is: clock hour for round pieces, else distances and the part of the piece.

    Examples
    --------
    >>> where_in_words(40, 20, (200, 200), "rect")
    '4 cm from the left, 2 cm from the top (upper left)'
    >>> where_in_words(100, 20, (200, 200), "round")
    "at 12 o'clock, 2 cm from the rim"
    """
    w, h = size_mm
    if shape == "round":
        dx, dy = x_mm - w / 2, y_mm - h / 2
        r = math.hypot(dx, dy)
        if r < 0.12 * w:
            return "in the middle"
        hour = round(math.degrees(math.atan2(dx, -dy)) / 30) % 12 or 12
        return f"at {hour} o'clock, {_length(max(w / 2 - r, 0))} from the rim"
    u, v = x_mm / w, y_mm / h
    part = ("upper " if v < 1 / 3 else "lower " if v > 2 / 3 else "") + (
        "left" if u < 1 / 3 else "right" if u > 2 / 3 else ""
    )
    part = part.strip()
    if not part:
        part = "middle"
    elif part in ("upper", "lower"):
        part += " middle"
    elif part in ("left", "right"):
        part += " side, half-way up"
    across = f"{_length(x_mm)} from the left" if u <= 0.5 else f"{_length(w - x_mm)} from the right"
    down = f"{_length(y_mm)} from the top" if v <= 0.5 else f"{_length(h - y_mm)} from the bottom"
    return f"{across}, {down} ({part})"


def part_in_words(x_mm: float, y_mm: float, size_mm: tuple[float, float]) -> str:
    """Say roughly where, such as 'lower left', 'top' or 'middle'."""
    u, v = x_mm / size_mm[0], y_mm / size_mm[1]
    part = ("upper " if v < 1 / 3 else "lower " if v > 2 / 3 else "") + (
        "left" if u < 1 / 3 else "right" if u > 2 / 3 else ""
    )
    return {"": "middle", "upper": "top", "lower": "bottom"}.get(part.strip(), part.strip())


def _length(mm: float) -> str:
    mm = max(mm, 0.0)
    return length(mm, 0) if mm < 9.5 else length(mm, 0 if abs(mm / 10 - round(mm / 10)) < 0.25 else 1, "cm")
