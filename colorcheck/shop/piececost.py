"""What one good piece costs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from ..colour.substrate import Quantity
from ..ground.errors import DataError, UsageError
from ..ground.files import read_toml

_COST_KEYS = {
    "blank": "price of one blank",
    "paper": "paper for one piece",
    "ink": "ink for one piece",
    "minutes": "work on one piece",
    "rate": "pay for an hour of work",
    "yield": "share of pieces that turn out well, such as 0.9 or 18/20",
    "target": "what the test target cost",
    "pieces": "how many pieces the target serves",
}


@dataclass(frozen=True, slots=True, eq=False)
class Cost:
    """Cost of one good piece, in whatever currency was given, and what went in."""

    per_good_piece: Quantity
    parts: dict[str, float]


def read_costs(words: Sequence[str]) -> dict[str, dict[str, float | str]]:
    """Take costs from the command line or from a file.

    Parameters
    ----------
    words : sequence of str
        Each ``name=blank:1.20,paper:0.15,minutes:4,rate:20,yield:0.9``, or a TOML file with such a table for
        each name.

    Raises
    ------
    UsageError
        A word cannot be understood.
    FileError, DataError
        The file cannot be read, or holds something else.
    """
    out: dict[str, dict[str, float | str]] = {}
    for word in words:
        if "=" not in word:
            for name, parts in _cost_file(word).items():
                _once(out, name, parts)
            continue
        name, _, text = word.rpartition("=")
        parts = {}
        for piece in text.split(","):
            key, colon, value = piece.partition(":")
            if not colon:
                raise UsageError(
                    f"--cost: '{piece[:40]}' is no cost", "write it as blank:1.20, several separated by commas"
                )
            parts[key.strip()] = value.strip()
        _once(out, name.strip(), parts)
    return out


def _once(out: dict[str, dict[str, float | str]], name: str, parts: dict[str, float | str]) -> None:
    if name in out:
        raise UsageError(f"--cost names '{name}' twice", "give its costs once")
    out[name] = parts


def _cost_file(path: str) -> dict[str, dict[str, float | str]]:
    p = Path(path)
    todo = "give a TOML file with a table of costs for each substrate, or name=blank:1.20,…"
    data, _ = read_toml(p, "TOML", todo=todo)
    if not data or not all(isinstance(v, dict) for v in data.values()):
        raise DataError(f"{p.name} holds no tables of costs", todo)
    return data


def cost_of(parts: Mapping[str, float | str], name: str = "") -> Cost:
    """Cost of one good piece: (blank + paper + ink + minutes × hourly rate / 60) / yield + target / pieces.

    Parameters
    ----------
    parts : mapping
        Of ``blank`` (needed), ``paper``, ``ink``, ``minutes``, ``rate`` (an hour), ``yield`` (0–1, or '18/20'),
        ``target`` and the ``pieces`` it serves.
    name : str
        For the error line.

    Returns
    -------
    Cost
        Its doubt is that of the yield when counts were given: the standard deviation of a share after g good of n
        pieces with a flat prior, √(p(1 − p)/(n + 3)) with p = (g + 1)/(n + 2) (Bayes–Laplace).

    Raises
    ------
    UsageError
        A part is unknown, missing, or no sensible number.
    """
    of = f" of '{name}'" if name else ""
    unknown = [k for k in parts if k not in _COST_KEYS]
    if unknown:
        raise UsageError(f"unknown cost '{unknown[0][:40]}'{of}", f"known are {', '.join(_COST_KEYS)}")
    if "blank" not in parts:
        raise UsageError(f"the price of the blank{of} is missing", "add blank:PRICE")
    values = {k: _amount(k, v, of) for k, v in parts.items() if k != "yield"}
    good, p_std = _yield(parts.get("yield", 1.0), of)
    if values.get("pieces", 1.0) < 1:
        raise UsageError(f"pieces{of} must be 1 or more", "say how many pieces the target serves")
    spent = sum(values.get(k, 0.0) for k in ("blank", "paper", "ink"))
    spent += values.get("minutes", 0.0) * values.get("rate", 0.0) / 60.0
    total = spent / good + values.get("target", 0.0) / values.get("pieces", 1.0)
    return Cost(Quantity(total, spent / good**2 * p_std), {**values, "yield": good})


def _amount(key: str, value: float | str, of: str) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    if isinstance(value, bool) or not 0 <= number <= 1e9:
        raise UsageError(f"{key}{of} is '{str(value)[:20]}'", f"give a number: {_COST_KEYS[key]}")
    return number


def _yield(value: float | str, of: str) -> tuple[float, float]:
    """Share of good pieces and its standard deviation, 0 where no counts are given."""
    good, slash, whole = str(value).partition("/")
    try:
        if slash:
            g, n = int(good), int(whole)
            if 0 < g <= n:
                p = (g + 1) / (n + 2)
                return g / n, math.sqrt(p * (1 - p) / (n + 3))
        elif not isinstance(value, bool) and 0.001 <= float(good) <= 1:
            return float(good), 0.0
    except ValueError:
        pass
    raise UsageError(f"yield{of} is '{str(value)[:20]}'", "give a share such as 0.9, or good of all such as 18/20")
