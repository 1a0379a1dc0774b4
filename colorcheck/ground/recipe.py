"""Press settings, what the makers allow, and how people type them: ``200C 180s medium, heated back``."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

from . import reader
from .errors import UsageError
from .units import clean, format_seconds, format_temperature, parse_seconds, parse_temperature, refuse_part


@dataclass(frozen=True, slots=True)
class Recipe:
    """Press settings; what was not given is None or ''."""

    set_c: float | None = None
    measured_c: float | None = None
    seconds: float | None = None
    pressure: str = ""
    heated_face: str = ""
    stack: str = ""
    humidity_pct: float | None = None

    @property
    def text(self) -> str:
        """The recipe in one line, which `parse_recipe` reads back."""
        parts = [
            "" if self.set_c is None else format_temperature(self.set_c),
            "" if self.measured_c is None else f"measured {format_temperature(self.measured_c)}",
            "" if self.seconds is None else format_seconds(self.seconds),
            self.pressure,
            f"heated {self.heated_face}" if self.heated_face else "",
            "" if self.humidity_pct is None else f"{self.humidity_pct:g} % humidity",
            f"stack {self.stack}" if self.stack else "",
        ]
        return ", ".join(p for p in parts if p)


@dataclass(frozen=True, slots=True)
class MakerLimits:
    """What the makers of blank, coat and paper allow: s and °C; inf where nobody told. Nothing beyond is advised."""

    time_s: float = math.inf
    temperature_c: float = math.inf


_NUMBER = r"(?:[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)"
_FORCE = r"(?:very\s+)?(?:light|medium|firm|heavy|low|high)"
_RECIPE = re.compile(
    rf"(?P<gap>[\s,;]+)"
    rf"|(?P<which>measured|set)?\s*(?P<temperature>{_NUMBER}\s*(?:°|º|deg)?\s*[cf])(?![a-z0-9])"
    rf"|(?P<time>[0-9]{{1,3}}:[0-9]{{2}}|{_NUMBER}\s*(?:minutes?|mins?|m)(?:[0-9]{{1,2}}|\s*{_NUMBER}\s*(?:seconds?|secs?|s))?"
    rf"|{_NUMBER}\s*(?:seconds?|secs?|s))(?![a-z0-9])"
    rf"|(?P<pressure>(?:{_FORCE})(?:\s*(?:-|to)\s*(?:{_FORCE}))?|{_NUMBER}\s*(?:bar|psi|kpa|mpa))"
    rf"(?:\s+pressure)?(?![a-z0-9])"
    rf"|(?:humidity\s*)?(?P<humidity>{_NUMBER})\s*%(?:\s*(?:humidity|rh))?(?![a-z0-9])"
    rf"|(?:heated\s*)?(?P<face>back|coat)(?:\s+(?:heated|side))?(?![a-z0-9])",
    re.IGNORECASE,
)
_RECIPE_HOW = "write it like '200C 180s medium, measured 196C, heated back, 45% humidity, stack felt + paper'"


def parse_recipe(text: str) -> Recipe:
    """Press settings as typed: ``200C 180s medium``, in any order, each part at most once.

    Parameters
    ----------
    text : str
        Temperature with C or F (``measured 196C``: what a probe showed), time (``180s``, ``3:00``, ``3min``), pressure
        (light, medium, firm … or ``2.5bar``), ``heated back`` or ``heated coat``, room humidity (``45%``), and last
        ``stack`` followed by what lies in the press.

    Raises
    ------
    UsageError
        A part is not understood, given twice, or outside what a press can be set to.
    """
    before, *after = re.split(r"\bstack\b\s*[:=]?\s*", text.strip(), maxsplit=1, flags=re.IGNORECASE)
    found: dict[str, Any] = {"stack": clean(after[0], 300)} if after and after[0].strip() else {}
    at = 0
    while at < len(before):
        m = _RECIPE.match(before, at)
        if m is None or m.end() == at:
            refuse_part("recipe part", re.split(r"[\s,;]", before[at:], maxsplit=1)[0], _RECIPE_HOW)
        at = m.end()
        if m["gap"]:
            continue
        key: str
        value: Any
        if m["temperature"]:
            key = "measured_c" if (m["which"] or "").lower() == "measured" else "set_c"
            value = parse_temperature(m["temperature"])
        elif m["time"]:
            key, value = "seconds", parse_seconds(m["time"])
        elif m["pressure"]:
            key, value = "pressure", " ".join(m["pressure"].lower().split())
        elif m["humidity"]:
            key, value = "humidity_pct", float(m["humidity"].replace(",", "."))
            if value > 100.0:
                raise UsageError(f"humidity {value:g} % is more than air can hold", "give 0 to 100 %")
        else:
            key, value = "heated_face", m["face"].lower()
        if key in found:
            raise UsageError(f"the recipe gives its {key.split('_')[0]} twice", _RECIPE_HOW)
        found[key] = value
    if not found:
        raise UsageError("the recipe is empty", _RECIPE_HOW)
    return Recipe(**found)


def check_limits(recipe: Recipe, limits: MakerLimits) -> None:
    """Refuse a recipe that goes beyond what the makers allow.

    Raises
    ------
    UsageError
        Its temperature or its time is above the limit.
    """
    hottest = max((t for t in (recipe.set_c, recipe.measured_c) if t is not None), default=0.0)
    if hottest > limits.temperature_c + 1e-6:
        raise UsageError(
            f"the recipe's {reader.heat(hottest)} is hotter than the makers allow "
            f"({reader.heat(limits.temperature_c)})",
            "press cooler, or check both numbers and their units",
        )
    if recipe.seconds is not None and recipe.seconds > limits.time_s + 1e-6:
        raise UsageError(
            f"the recipe's {format_seconds(recipe.seconds)} are longer than the makers allow "
            f"({format_seconds(limits.time_s)})",
            "press shorter, or check both numbers",
        )
