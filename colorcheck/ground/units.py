"""What people type (``20x30cm``, ``7.9"``, ``385F``, ``1:30``) to mm, °C and seconds, and back.

Exact factors: 1 in = 25.4 mm, t/°C = (t/°F − 32) / 1.8 (NIST SP 811, 2008 edition, appendix B).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NoReturn

from .errors import UsageError

MM_PER_INCH = 25.4

MAX_LENGTH_MM = 5000.0
MIN_LENGTH_MM = 0.01
MAX_TEMPERATURE_C = 260.0  # 500 °F: hotter than any transfer press is set
MAX_SECONDS = 7200.0

_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH}
_LENGTH_NAMES = {
    "": "",
    "mm": "mm",
    "millimetre": "mm",
    "millimetres": "mm",
    "millimeter": "mm",
    "millimeters": "mm",
    "cm": "cm",
    "centimetre": "cm",
    "centimetres": "cm",
    "centimeter": "cm",
    "centimeters": "cm",
    "m": "m",
    "in": "in",
    "in.": "in",
    "inch": "in",
    "inches": "in",
    '"': "in",
    "''": "in",
    "″": "in",
    "”": "in",
    "“": "in",
}
_NUMBER = r"[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+"
_LENGTH = re.compile(
    rf"(?:(?P<whole>[0-9]+)[ -]+)?(?P<over>[0-9]+)/(?P<under>[0-9]+)\s*(?P<unit1>[^0-9\s]*)"
    rf"|(?P<number>{_NUMBER})\s*(?P<unit2>[^0-9\s]*)"
)
_TEMPERATURE = re.compile(rf"(?P<number>{_NUMBER})\s*(?:°|º|deg(?:rees?)?\.?)?\s*(?P<unit>[a-z]*)")
_CLOCK = re.compile(r"(?P<minutes>[0-9]{1,3}):(?P<seconds>[0-9]{2})")
_SPAN = re.compile(
    rf"(?:(?P<minutes>{_NUMBER})\s*(?:m|min|mins|minutes?|′|'))?\s*"
    rf"(?:(?P<seconds>{_NUMBER})\s*(?P<mark>s|sec|secs|seconds?|″|\")?)?"
)


def _shown(text: str) -> str:
    """Quote what was typed, cut short and without control characters."""
    plain = "".join(c if c.isprintable() else "?" for c in text)
    return f"'{plain[:40]}…'" if len(plain) > 40 else f"'{plain}'"


def _refuse_length(text: str) -> NoReturn:
    raise UsageError(f"length {_shown(text)} is not understood", "write 200, 200mm, 20cm, 8in or 1/4in")


def _number(digits: str, what: str) -> float:
    """Turn digits with a point or a decimal comma into a number; refuse a comma that may mean thousands."""
    if re.fullmatch(r"[0-9]+,[0-9]{3}", digits) and not digits.startswith("0"):
        raise UsageError(
            f"{what} {_shown(digits)} may be read two ways", "write the decimals with a point and no comma"
        )
    return float(digits.replace(",", "."))


def _length_parts(text: str) -> tuple[float, str]:
    """Split a length into its number and unit ('' when none was written)."""
    match = _LENGTH.fullmatch(text.strip().lower())
    if match is None:
        _refuse_length(text)
    written = match["unit1"] if match["number"] is None else match["unit2"]
    if written not in _LENGTH_NAMES:
        raise UsageError(f"unit {_shown(written)} of length {_shown(text)} is not known", "write mm, cm or in")
    if match["number"] is not None:
        return _number(match["number"], "length"), _LENGTH_NAMES[written]
    if int(match["under"][:9]) == 0:
        _refuse_length(text)
    return float(match["whole"] or 0) + float(match["over"]) / float(match["under"]), _LENGTH_NAMES[written]


def _to_mm(value: float, unit: str, text: str) -> float:
    """Millimetres within the limits."""
    mm = value * _MM[unit or "mm"]
    if mm <= 0.0:
        raise UsageError(f"length {_shown(text)} is zero", "write a length above zero, such as 200mm")
    if not MIN_LENGTH_MM <= mm <= MAX_LENGTH_MM:
        raise UsageError(
            f"length {_shown(text)} is {mm:.6g} mm",
            f"give {MIN_LENGTH_MM:g} to {MAX_LENGTH_MM:g} mm, and check the unit",
        )
    return mm


def parse_length(text: str) -> float:
    """Length as typed, in millimetres.

    Parameters
    ----------
    text : str
        ``200``, ``200mm``, ``20cm``, ``8in``, ``7.9"``, ``1/4in``, ``8 1/2 in``. Without a unit: mm.

    Returns
    -------
    float
        Millimetres, 0.01 to 5000.

    Raises
    ------
    UsageError
        Not a length, zero, negative, or far too large.
    """
    value, unit = _length_parts(text)
    return _to_mm(value, unit, text)


def parse_margin(text: str) -> float:
    """Read a length that may be nothing: ``0``, ``0.0mm`` … give 0, all else is as for `parse_length`.

    Raises
    ------
    UsageError
        Not a length.
    """
    return 0.0 if re.fullmatch(r"\s*0+(\.0*)?\s*(mm|cm|in)?\s*", text) else parse_length(text)


def inches_meant(size_mm: tuple[float, float]) -> str:
    """Give a hint behind a size that is too small in mm and would do in inches, '' else."""
    w, h = size_mm
    return f"; if inches were meant, write {w:g}x{h:g}in" if min(w, h) >= 2 and max(w, h) <= 40 else ""


def parse_size(text: str) -> tuple[float, float]:
    """Width and height as typed, in millimetres.

    Parameters
    ----------
    text : str
        ``200x200mm``, ``20x30cm``, ``8x10in``, ``8"x10"``; one length alone is a square or a diameter. A unit
        written once holds for both; without any: mm.

    Returns
    -------
    (float, float)
        Width, height in mm.

    Raises
    ------
    UsageError
        Not one or two lengths, or a length out of range.
    """
    parts = re.split(r"\s*(?:[x×*]|\bby\b)\s*", text.strip().lower())
    if len(parts) > 2:
        raise UsageError(f"size {_shown(text)} has more than two lengths", "write width x height: 200x300mm")
    if not all(parts):
        raise UsageError(f"size {_shown(text)} is not understood", "write 200x300mm, 8x10in, or 200mm if round")
    split = [_length_parts(part) for part in parts]
    common = split[-1][1] or split[0][1]
    lengths = [_to_mm(value, unit or common, text) for value, unit in split]
    return lengths[0], lengths[-1]


def parse_range(text: str, parse: Callable[[str], float], what: str, example: str) -> tuple[float, float]:
    """Read '60..240s', or one value that is held; the unit written at the end holds for both.

    Raises
    ------
    UsageError
        Not one or two values.
    """
    parts = re.split(r"\s*(?:\.\.+|…|–|\bto\b)\s*", text.strip())
    if len(parts) > 2 or not all(parts):
        raise UsageError(f"{what} '{text[:40]}' is not a range", f"write {example}")
    if len(parts) == 2 and re.fullmatch(r"[0-9.,]+", parts[0]):
        unit = re.search(r"\s*°?\s*[A-Za-z]+$", parts[1])
        parts[0] += unit[0] if unit else ""
    return parse(parts[0]), parse(parts[-1])


def celsius_to_fahrenheit(celsius: float) -> float:
    """Temperature in °F of a temperature in °C."""
    return celsius * 1.8 + 32.0


def fahrenheit_to_celsius(fahrenheit: float) -> float:
    """Temperature in °C of a temperature in °F."""
    return (fahrenheit - 32.0) / 1.8


def parse_temperature(text: str) -> float:
    """Press temperature as typed, in °C.

    Parameters
    ----------
    text : str
        ``200``, ``200C``, ``200 °C``, ``392F``. Without a unit: °C.

    Returns
    -------
    float
        °C, above 0 and up to 260.

    Raises
    ------
    UsageError
        Not a temperature, or outside what a press, a piece or a room can have.
    """
    match = _TEMPERATURE.fullmatch(text.strip().lower())
    if match is None:
        raise UsageError(f"temperature {_shown(text)} is not understood", "write 200, 200C or 392F")
    unit = match["unit"]
    if unit not in {"", "c", "f", "celsius", "fahrenheit"}:
        raise UsageError(f"unit of temperature {_shown(text)} is not known", "write 200C or 392F")
    value = _number(match["number"], "temperature")
    celsius = fahrenheit_to_celsius(value) if unit.startswith("f") else value
    if celsius > MAX_TEMPERATURE_C:
        hint = f"if Fahrenheit is meant, write {value:g}F" if not unit and value <= 500.0 else "check the number"
        raise UsageError(f"temperature {_shown(text)} is {celsius:.0f} °C, hotter than a press is set", hint)
    if celsius <= 0.0:
        raise UsageError(f"temperature {_shown(text)} is {celsius:.0f} °C", "give one above 0 °C (32 °F)")
    return celsius


def parse_seconds(text: str) -> float:
    """Time as typed, in seconds.

    Parameters
    ----------
    text : str
        ``60``, ``90s``, ``1:30``, ``1m30``, ``1m30s``, ``1.5min``. Without a unit: seconds.

    Returns
    -------
    float
        Seconds, above 0 and up to 7200.

    Raises
    ------
    UsageError
        Not a time, zero, or longer than two hours.
    """
    typed = text.strip().lower()
    refusal = UsageError(f"time {_shown(text)} is not understood", "write 60, 90s, 1:30 or 1m30s")
    match = _CLOCK.fullmatch(typed) or (_SPAN.fullmatch(typed) if typed else None)
    if match is None:
        raise refusal
    minutes = _number(match["minutes"], "time") if match["minutes"] else 0.0
    seconds = _number(match["seconds"], "time") if match["seconds"] else 0.0
    if match["minutes"] and match["seconds"] and (seconds >= 60.0 or not minutes.is_integer()):
        raise refusal
    total = 60.0 * minutes + seconds
    if total <= 0.0:
        raise UsageError(f"time {_shown(text)} is zero", "write a time above zero, such as 60s")
    if total > MAX_SECONDS:
        raise UsageError(f"time {_shown(text)} is longer than two hours", "check the unit")
    return total


def format_temperature(celsius: float) -> str:
    """Temperature for people, to a whole degree: ``204 °C``; `parse_temperature` reads it back."""
    return f"{round(celsius)} °C"


def format_seconds(seconds: float) -> str:
    """Time for people, to a whole second: ``45 s``, ``90 s``, and from 2 min on ``3:10``.

    Parameters
    ----------
    seconds : float
        Time in seconds.

    Returns
    -------
    str
        What `parse_seconds` reads back, to a whole second.
    """
    whole = round(seconds)
    return f"{whole} s" if whole < 120 else f"{whole // 60}:{whole % 60:02d}"


def clean(text: object, longest: int) -> str:
    """Text fit for every database: one line, no control characters, valid UTF-8, cut to a length."""
    one = " ".join("".join(c if c.isprintable() else " " for c in str(text)).split())
    return one.encode("utf-8", "replace").decode("utf-8")[:longest]


def refuse_part(what: str, part: str, how: str) -> NoReturn:
    """Refuse a part of what was typed, and say how to write it."""
    shown = "".join(c if c.isprintable() else "?" for c in part)[:40]
    raise UsageError(f"{what} '{shown}' is not understood", how)
