"""Numbers as people read them: the one place that turns a value into text, with its unit where it has one."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..ground.reader import either, heat, length, lengths, number, on_page, option, per_mm, size

__all__ = [
    "cm",
    "doubt",
    "either",
    "heat",
    "lengths",
    "mm",
    "number",
    "on_page",
    "option",
    "papers",
    "per_mm",
    "percent",
    "pm",
    "seconds",
    "signed",
    "size",
    "stepped",
]
_NONE = "–"


def signed(value: float, digits: int = 1) -> str:
    """Format a difference with its sign; nought has none."""
    text = number(value, digits)
    return f"+{text}" if value > 0 and float(text) else text


def doubt(value: float, digits: int = 1) -> str:
    """Format an uncertainty, rounded up, so that it never reads as nought."""
    step = 10.0**-digits
    return number(max(1, math.ceil(value / step - 1e-6)) * step, digits) if math.isfinite(value) else _NONE


def pm(value: float, u: float, digits: int = 1) -> str:
    """Value ± doubt, both with the same decimals; no ± where the doubt is not known."""
    if not (math.isfinite(value) and math.isfinite(u) and u > 0):
        return number(value, digits)
    return f"{number(value, digits)} ± {doubt(u, digits)}"


def percent(share: float, digits: int | None = 0) -> str:
    """Write a share of one in percent."""
    return f"{number(100 * share, digits)} %" if math.isfinite(share) else _NONE


def stepped(value: float, step: int = 5) -> str:
    """Round to whole steps: times of a press to 5 s."""
    return f"{step * round(value / step):d}" if math.isfinite(value) else _NONE


def seconds(value: float, step: int = 1) -> str:
    """Write a time in whole seconds, as press timers are set."""
    return f"{stepped(value, step)} s"


def mm(value: float, digits: int | None = 1) -> str:
    """Write a length given in mm, in the reader's unit."""
    return length(value, digits)


def cm(value_mm: float, digits: int | None = 0) -> str:
    """Write a length given in mm as people say longer ones: in cm, or in the reader's unit."""
    return length(value_mm, digits, "cm")


_PAPERS_MM = {  # ISO 216; ANSI Y14.1 sizes A and B; A3+ by common practice, no source
    "A4": (210.0, 297.0),
    "Letter": (215.9, 279.4),
    "A3": (297.0, 420.0),
    "Tabloid": (279.4, 431.8),
    "A3+": (329.0, 483.0),
}
_BARE_MM = 3.0  # rim that most printers leave white; common practice, no source


def papers(size_mm: Sequence[float]) -> list[str]:
    """Name the common papers on which a print of that size (mm) has room, lying or standing; the smallest first."""
    short, long = sorted(size_mm)
    room = 2 * _BARE_MM
    return [name for name, (w, h) in _PAPERS_MM.items() if short <= w - room and long <= h - room]
