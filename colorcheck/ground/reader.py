"""For whom a text is written: lengths and heat in the reader's units, options by the name they have on his screen.

A command writes millimetres, °C and ``--option``. The page learns a reader's units only when a stored answer is looked
at, and its fields have names of their own. So inside `for_page` every length, temperature and option is kept in the
text as what it is, between two signs that nobody can type, and `shown` writes it out for one reader. Text that a
person typed is never touched.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any

from .units import MM_PER_INCH, celsius_to_fahrenheit

_OPEN, _CLOSE = "\ue000", "\ue001"  # private use: never printable, so cleaned out of all that is typed
_KEPT = re.compile(f"{_OPEN}([^{_CLOSE}]*){_CLOSE}")
_NONE = "–"
_page: ContextVar[bool] = ContextVar("_page", default=False)


@dataclass(frozen=True, slots=True)
class Reader:
    """Who reads: ``length`` 'mm' or 'in', ``heat`` 'C' or 'F', and what the options are called on his screen."""

    length: str = "mm"
    heat: str = "C"
    doors: Mapping[str, str] = field(default_factory=dict)


@contextmanager
def for_page() -> Iterator[None]:
    """Texts made inside are for the page: `shown` must write them out."""
    mark = _page.set(True)
    try:
        yield
    finally:
        _page.reset(mark)


def on_page() -> bool:
    """Whether the text is for the page, which has fields and buttons where a command has options and files."""
    return _page.get()


def number(value: float, digits: int | None = 1) -> str:
    """Format a number with a fixed count of decimals, or as few as it needs; a dash where there is none, never -0."""
    if not math.isfinite(value):
        return _NONE
    text = f"{value:g}" if digits is None else f"{value:.{digits}f}"
    return text[1:] if text.startswith("-") and not float(text) else text


def _keep(kind: str, *parts: object) -> str:
    told = "|".join(map(str, (kind, *parts)))
    return f"{_OPEN}{told}{_CLOSE}" if _page.get() else _write(told, Reader())


def length(mm: float, digits: int | None = 1, unit: str = "mm") -> str:
    """Write a length given in mm; ``unit`` 'mm' or 'cm' is the metric one, ``digits`` its decimals."""
    return _keep("length", repr(float(mm)), digits, unit)


def lengths(low_mm: float, high_mm: float, digits: int | None = 0, unit: str = "mm") -> str:
    """Write a range of lengths: '60–100 cm'."""
    return _keep("lengths", repr(float(low_mm)), repr(float(high_mm)), digits, unit)


def size(size_mm: Sequence[float]) -> str:
    """Write width and height given in mm."""
    return _keep("size", repr(float(size_mm[0])), repr(float(size_mm[1])))


def heat(celsius: float) -> str:
    """Write a temperature given in °C; whole degrees where it is whole."""
    return _keep("heat", repr(float(celsius)))


def per_mm(value: float) -> str:
    """Write a resolution given in pixels per mm."""
    return _keep("per", repr(float(value)))


def option(name: str) -> str:
    """Name an option: '--size' for a command, the field's own words on the page."""
    return _keep("option", name)


def either(metric: str, inches: str) -> str:
    """Give what is told once in metric units and once in inches: the axes of a drawing. Neither may hold kept parts."""
    return _keep("either", metric, inches)


def begins_with_length(text: str) -> bool:
    """Whether a text starts with a number, written out or kept."""
    return text[:1].isdigit() or text.startswith(_OPEN)


def shown(text: str, reader: Reader | None = None) -> str:
    """Write out what a text for the page keeps; without a reader in mm and °C."""
    told = reader or Reader()
    return _KEPT.sub(lambda m: _write(m[1], told), text) if _OPEN in text else text


def all_shown(value: Any, reader: Reader | None = None) -> Any:
    """Write out every text of plain data."""
    if isinstance(value, str):
        return shown(value, reader)
    if isinstance(value, dict):
        return {shown(k, reader) if isinstance(k, str) else k: all_shown(v, reader) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [all_shown(v, reader) for v in value]
    return value


# ---------------------------------------------------------------- writing out


def _write(told: str, reader: Reader) -> str:
    kind, *parts = told.split("|")
    inches = reader.length == "in"
    if kind == "option":
        return reader.doors.get(parts[0], f"--{parts[0]}")
    if kind == "either":
        return parts[inches]
    if kind == "size":
        width, height = (float(p) for p in parts)
        if not inches:
            return f"{width:g} × {height:g} mm"
        w, h = (number(round(v / MM_PER_INCH, 2), None) for v in (width, height))
        return f"{w} × {h} in"
    if kind == "heat":
        celsius = float(parts[0])
        if reader.heat == "F":
            return f"{number(celsius_to_fahrenheit(celsius), 0)} °F"
        return f"{number(celsius, 0 if abs(celsius - round(celsius)) < 0.05 else 1)} °C"
    if kind == "per":
        value = float(parts[0])
        return f"{number(value * MM_PER_INCH, 0)} pixels per inch" if inches else f"{number(value)} pixels per mm"
    *values, digits, unit = parts
    if inches:
        return "–".join(_inches(float(v)) for v in values) + " in"
    per, shown_digits = 10.0 if unit == "cm" else 1.0, None if digits == "None" else int(digits)
    return "–".join(number(float(v) / per, shown_digits) for v in values) + f" {unit}"


def _inches(mm: float) -> str:
    """Write inches to two figures, as fine as a workshop measures: 7.9, 0.87, 0.16, 0.014."""
    inches = mm / MM_PER_INCH
    if not math.isfinite(inches) or abs(inches) < 5e-4:
        return number(inches, 0)
    return number(inches, max(0, min(3, 1 - math.floor(math.log10(abs(inches)) + 0.005))))
