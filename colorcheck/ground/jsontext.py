"""Results as JSON text: numbers rounded, one line for each row of a table, written whole or not at all."""

from __future__ import annotations

import json
import math
from operator import attrgetter
from pathlib import Path
from typing import Any

import numpy as np

from .files import write_text


def rounded(value: Any, digits: int | None = 4) -> Any:
    """Round numbers for the file, or with None keep all their digits; what is not finite becomes null."""
    if isinstance(value, dict):
        return {k: rounded(v, digits) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(v, digits) for v in value]
    if isinstance(value, np.ndarray):
        return rounded(value.tolist(), digits)
    if isinstance(value, np.integer | np.bool_):
        return value.item()
    if isinstance(value, float | np.floating):
        if not math.isfinite(value):
            return None
        return float(value) if digits is None else round(float(value), digits)
    return value


def picked(record: Any, names: str) -> dict[str, Any]:
    """Take attributes of a record as keys of JSON: ``"kind delta_L=delta_l ratio=light.ratio"``.

    Parameters
    ----------
    record : object
    names : str
        One after another; ``key=attribute`` where they differ, with dots where it lies deeper.
    """
    out = {}
    for key, _, attribute in (word.partition("=") for word in names.split()):
        value = attrgetter(attribute or key)(record)
        out[key] = list(value) if isinstance(value, tuple) else value
    return out


def to_text(data: dict[str, Any]) -> str:
    """JSON with one line for each key and for each row of a table."""
    lines = []
    for key, value in data.items():
        if isinstance(value, list) and len(value) > 3 and all(isinstance(v, dict) for v in value):
            rows = ",\n  ".join(json.dumps(v, ensure_ascii=False, allow_nan=False) for v in value)
            text = f"[\n  {rows}\n ]"
        else:
            text = json.dumps(value, ensure_ascii=False, allow_nan=False)
        lines.append(f" {json.dumps(key)}: {text}")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def write_json(path: str | Path, data: dict[str, Any]) -> None:
    """Write JSON whole or not at all: a temporary file beside it, then a rename.

    Raises
    ------
    FileError
        The folder does not exist or cannot be written.
    """
    write_text(path, to_text(data))
