"""Numbers as people read them: the one place that turns a value into text, with its unit where it has one."""

from __future__ import annotations

import math

from ..ground.reader import heat, length, lengths, number, on_page, option, per_mm, size

__all__ = [
    "cm",
    "doubt",
    "heat",
    "lengths",
    "mm",
    "number",
    "on_page",
    "option",
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
