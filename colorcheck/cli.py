"""What the commands of the command line share: options, and the care for files that exist."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn

from .errors import FileError, UsageError


class Parser(argparse.ArgumentParser):
    """Says what is wrong in one line."""

    def error(self, message: str) -> NoReturn:
        """Raise instead of printing the whole usage."""
        raise UsageError(message, f"see '{self.prog} --help'")


def add_common(p: argparse.ArgumentParser, *, report: bool = True) -> None:
    """Options that every measuring command takes."""
    p.add_argument("--json", metavar="FILE", help="write the full result as JSON ('-' for the screen)")
    if report:
        p.add_argument("--report", metavar="DIR", help="write report.html with the pictures into this folder")
    p.add_argument("--overwrite", action="store_true", help="replace files that exist")
    p.add_argument("--quiet", action="store_true", help="print nothing on the screen")


def add_heat(p: argparse.ArgumentParser) -> None:
    """Add what the heat model wants to know for the re-press advice."""
    p.add_argument("--glass-mm", metavar="MM", help="thickness of the blank, for the re-press advice")
    p.add_argument("--platen", metavar="TEMP", default="200C", help="press temperature, C or F (default: 200C)")
    p.add_argument(
        "--heated-face",
        choices=("back", "coat"),
        default="coat",
        help="which side the platen heats (default: coat, through the paper)",
    )
    p.add_argument("--piece-temp", metavar="TEMP", default="30C", help="how warm the piece is now (default: 30C)")
    p.add_argument("--recipe-seconds", metavar="S", help="pressing time of your recipe")
    p.add_argument("--max-seconds", metavar="S", help="longest time the maker of the blank allows")


def keep_existing(path: str | Path | None, overwrite: bool) -> None:
    """Refuse to write over a file that holds something, before the slow work starts.

    Raises
    ------
    FileError
        It exists, or its folder does not.
    """
    if path is None or str(path) == "-":
        return
    p = Path(path)
    if len(os.fsencode(p.name)) > 200:
        raise FileError(f"{p.name[:40]}… is too long for a file name", "choose a shorter one")
    if p.is_dir():
        raise FileError(f"{p} is a folder", "name a file, such as result.json")
    if p.exists() and p.stat().st_size > 0 and not overwrite:
        raise FileError(f"{p} exists and is kept", "choose another name, or add --overwrite")
    if not p.parent.is_dir():
        raise FileError(f"there is no folder {p.parent}", "make it first, or choose another place")
    if not os.access(p.parent, os.W_OK):
        raise FileError(f"the folder {p.parent} cannot be written", "choose another place")


def keep_inputs(output: str | None, inputs: Sequence[str | None]) -> None:
    """Refuse to write the result over a file that is read, whatever --overwrite says."""
    if output is None or output == "-" or not Path(output).exists():
        return
    for name in inputs:
        if name and Path(name).exists() and Path(name).samefile(output):
            raise UsageError(f"{output} is read and cannot be the result as well", "choose another name for the result")


def keep_report(folder: str | None, overwrite: bool) -> None:
    """Refuse a report folder that holds a report, or is a file."""
    if folder is None:
        return
    p = Path(folder)
    if len(os.fsencode(p.name)) > 200:
        raise FileError(f"{p.name[:40]}… is too long for a folder name", "choose a shorter one")
    if any(q.exists() and not q.is_dir() for q in (p, *p.parents)):
        raise FileError(f"{p} is a file, or lies in one", "name a folder for the report")
    there = next((q for q in (p, *p.parents) if q.exists()), p)
    if not os.access(there, os.W_OK):
        raise FileError(f"the folder {there} cannot be written", "choose another place")
    if (p / "report.html").exists() and not overwrite:
        raise FileError(f"{p / 'report.html'} exists and is kept", "choose another folder, or add --overwrite")


def write_result(args: argparse.Namespace, data: dict[str, Any]) -> None:
    """Write the JSON where it was asked for."""
    if args.json == "-":
        from .results import to_text

        sys.stdout.write(to_text(data))
    elif args.json:
        from .results import write_json

        write_json(args.json, data)


def use_color() -> bool:
    """Colour only on a terminal that has it (NO_COLOR and dumb terminals are honoured)."""
    return sys.stdout.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"


def repress_seconds(args: argparse.Namespace) -> dict[str, Any] | None:
    """Seconds from the heat model, when the thickness of the blank is known."""
    from .units import parse_length, parse_seconds, parse_temperature

    platen_c, piece_c = parse_temperature(args.platen), parse_temperature(args.piece_temp)
    seconds = parse_seconds(args.recipe_seconds) if args.recipe_seconds else None
    longest = parse_seconds(args.max_seconds) if args.max_seconds else None
    if args.glass_mm is None:
        return None
    from dataclasses import asdict

    from .heat import repress_advice

    mm = parse_length(args.glass_mm)
    advice = repress_advice(
        glass_mm=mm,
        heated_face=args.heated_face,
        platen_c=platen_c,
        piece_c=piece_c,
        recipe_seconds=seconds,
        max_total_seconds=longest,
    )
    return {**asdict(advice), "glass_mm": mm, "heated_face": args.heated_face}
