"""The limits of the verdict as one record: the shipped `limits.toml`, with those of a user's file laid over them."""

from __future__ import annotations

import re
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from .errors import DataError
from .files import read_toml

Limit = Annotated[float, msgspec.Meta(ge=0, le=1e6)]
_TODO = "copy the shipped limits.toml and change its numbers"


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One table of the file: every value a number that is not negative; what each means stands in `limits.toml`."""


class PhotoLimits(_Table, frozen=True):
    """What a photo of a target must do."""

    edge_share: Limit
    white_low: Limit
    clipped_white: Limit
    clipped_cells: Limit
    glare_area: Limit
    hidden_cells: Limit
    light_ratio: Limit
    px_per_mm: Limit
    pose_mm: Limit
    local_tone: Limit
    bands: Limit
    pixels: Limit
    tone_slope: Limit


class PieceLimits(_Table, frozen=True):
    """What a photo of a finished piece must do."""

    blur_mm: Limit
    clipped: Limit
    glare_area: Limit
    pose_mm: Limit


class GhostLimits(_Table, frozen=True):
    """A second, shifted copy of the print."""

    strength: Limit


class PrintLimits(_Table, frozen=True):
    """What the printer may do."""

    banding_l: Limit
    missing_ink: Limit


class EvenLimits(_Table, frozen=True):
    """How evenly a piece is pressed."""

    zone_de00: Limit
    spot_de00: Limit
    edge_de00: Limit
    slope_l_per_cm: Limit
    dot_mm: Limit
    dark_de00: Limit


class CompleteLimits(_Table, frozen=True):
    """How completely it is pressed."""

    black_density: Limit
    veil: Limit
    uptake: Limit
    scorch_b: Limit


class ColourLimits(_Table, frozen=True):
    """What of the colour error a profile could correct."""

    mean_de00: Limit
    p95_de00: Limit
    grey_ch: Limit
    grey_l: Limit


class BehindLimits(_Table, frozen=True):
    """What stands in for limits of black and colour on a piece that is lit from behind."""

    black_density: Limit
    mean_de00: Limit
    p95_de00: Limit
    grey_ch: Limit
    grey_l: Limit


class Limits(_Table, frozen=True):
    """All of them, one field for each table of the file."""

    photo: PhotoLimits
    piece: PieceLimits
    ghost: GhostLimits
    print: PrintLimits
    even: EvenLimits
    complete: CompleteLimits
    colour: ColourLimits
    behind: BehindLimits

    def lit_from(self, lit: Literal["front", "behind"]) -> Limits:
        """Give those that hold for a piece lit from there: from behind, table ``behind`` replaces what it names."""
        if lit == "front":
            return self
        own = msgspec.structs.asdict(self.behind)
        complete = msgspec.structs.replace(self.complete, black_density=own.pop("black_density"))
        return msgspec.structs.replace(self, complete=complete, colour=msgspec.structs.replace(self.colour, **own))

    def tables(self) -> dict[str, dict[str, float]]:
        """Give them as the file has them: table → name → value."""
        out: dict[str, dict[str, float]] = msgspec.to_builtins(self)
        return out


def load_limits(path: str | Path | None = None) -> Limits:
    """Read the limits of the verdict: the shipped ones, with those of a file laid over them.

    Raises
    ------
    FileError
        The file cannot be read.
    DataError
        It is not TOML, names an unknown limit, or a value is no number from 0 to 10⁶; the line is named.
    """
    shipped = tomllib.loads(files("colorcheck").joinpath("limits.toml").read_text(encoding="utf-8"))
    if path is None:
        return msgspec.convert(shipped, Limits)
    p = Path(path)
    own, text = read_toml(p, "a limits file", todo=_TODO)
    if not own:
        raise DataError(f"{p.name} holds no limit", _TODO)
    for table, values in own.items():
        here = f"{p.name}{_line(text, table)}"
        if table not in shipped or not isinstance(values, dict):
            raise DataError(f"{here}: there is no table [{table}]", f"use {', '.join(sorted(shipped))}")
        for key, value in values.items():
            here = f"{p.name}{_line(text, table, key)}"
            if key not in shipped[table]:
                raise DataError(f"{here}: there is no limit {table}.{key}", f"use {', '.join(sorted(shipped[table]))}")
            try:
                shipped[table][key] = msgspec.convert(value, Limit)
            except msgspec.ValidationError as e:
                raise DataError(f"{here}: {table}.{key} is no number from 0 to 1000000", _TODO) from e
    return msgspec.convert(shipped, Limits)


def _line(text: str, table: str, key: str = "") -> str:
    """', line 7' of a table or of a key in it; nothing where the file writes it in some rarer way."""
    inside = ""
    for number, line in enumerate(text.splitlines(), 1):
        if head := re.match(r"\s*\[\s*[\"']?([^\"'\]]+?)[\"']?\s*\]", line):
            inside = head[1]
            if not key and inside == table:
                return f", line {number}"
        name = re.match(r"\s*[\"']?([^\"'=]+?)[\"']?\s*=", line)
        if name and (inside, name[1]) in {(table, key), ("", f"{table}.{key}"), ("", table)}:
            return f", line {number}"
    return ""
