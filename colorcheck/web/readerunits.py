"""Lengths and temperatures in the units that the reader chose; every stored text is in mm and °C."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from starlette.requests import Request

from ..ground.units import celsius_to_fahrenheit

COOKIE = "colorcheck-shown"
_MM_PER_IN = 25.4
_NUMBER = r"(?<![\w.,*])([-+−]?\d+(?:\.\d+)?)"
_TWO = re.compile(rf"{_NUMBER}( ?[x×–-] ?)(\d+(?:\.\d+)?)[  ](mm|cm)\b(?!²)")
_ONE = re.compile(rf"{_NUMBER}[  ](mm|cm)\b(?!²)")
_HEAT_TWO = re.compile(rf"{_NUMBER}(–| to )(\d+(?:\.\d+)?)[  ]?°C")
_HEAT = re.compile(rf"{_NUMBER}[  ]?°C")


@dataclass(frozen=True, slots=True)
class Shown:
    """What a reader chose: ``length`` 'mm' or 'in', ``heat`` 'C' or 'F', ``look`` 'auto', 'light' or 'dark'."""

    length: str = "mm"
    heat: str = "C"
    look: str = "auto"

    @property
    def cookie(self) -> str:
        """The choice in one word."""
        return f"{self.length}.{self.heat}.{self.look}"


def chosen(request: Request) -> Shown:
    """Read the choice of this reader from his cookie; anything odd gives the default."""
    parts = request.cookies.get(COOKIE, "").split(".")
    if (
        len(parts) == 3
        and parts[0] in ("mm", "in")
        and parts[1] in ("C", "F")
        and parts[2] in ("auto", "light", "dark")
    ):
        return Shown(*parts)
    return Shown()


def _inch(text: str, unit: str) -> str:
    value = float(text.replace("−", "-")) * (10 if unit == "cm" else 1) / _MM_PER_IN
    return f"{value:.3f}".rstrip("0").rstrip(".") if abs(value) < 1 else f"{value:.1f}"


def _fahrenheit(text: str) -> str:
    return f"{celsius_to_fahrenheit(float(text.replace('−', '-'))):.0f}"


def in_units(text: str, shown: Shown) -> str:
    """Rewrite the lengths and temperatures of a sentence."""
    if shown.length == "in":
        text = _TWO.sub(lambda m: f"{_inch(m[1], m[4])}{m[2]}{_inch(m[3], m[4])} in", text)
        text = _ONE.sub(lambda m: f"{_inch(m[1], m[2])} in", text)
    if shown.heat == "F":
        text = _HEAT_TWO.sub(lambda m: f"{_fahrenheit(m[1])}{m[2]}{_fahrenheit(m[3])} °F", text)
        text = _HEAT.sub(lambda m: f"{_fahrenheit(m[1])} °F", text)
    return text


def all_in_units(value: Any, shown: Shown) -> Any:
    """Rewrite every sentence of a page's content; drawings keep their millimetre axes."""
    if shown.length == "mm" and shown.heat == "C":
        return value
    if isinstance(value, dict):
        return {k: all_in_units(v, shown) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [all_in_units(v, shown) for v in value]
    if isinstance(value, str) and not value.lstrip().startswith("<"):
        return in_units(value, shown)
    return value
