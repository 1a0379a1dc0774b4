"""The command `profile`: readings → a printer profile, and what it gains."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any, Literal

from ..ground.errors import UsageError
from .common import add_common, add_lit, add_log, ask, begin, filled, finish


def add_profile(sub: Any) -> None:
    """Add the command to the parser."""
    p = sub.add_parser(
        "profile",
        help="build a printer profile from readings, and say what it will gain",
        description="Build an ICC profile of printer, ink, paper, recipe, blank and view from readings of a target.",
        epilog="example: colorcheck profile plaque-1.json plaque-2.json --out board.icc --name plaques",
    )
    p.add_argument(
        "readings", metavar="READING.json", nargs="+", help="results of 'read' with --json; several are pooled"
    )
    p.add_argument("--out", metavar="BOARD.icc", required=True, help="the profile to write")
    p.add_argument("--name", help="what it is called in lists (default: the file's name)")
    p.add_argument("--v2", action="store_true", help="write version 2 of the format, for older print software")
    p.add_argument("--curves", metavar="CURVES.json", help="write grey curves as well, the smaller correction")
    add_lit(p)
    add_common(p, report=False)
    add_log(p, piece=False)
    p.set_defaults(run=_profile)


def _profile(args: argparse.Namespace) -> int:
    begin(args, outputs=[args.out, args.curves], inputs=args.readings)
    if "-" in (args.out, args.curves):
        raise UsageError("a profile needs a file", "name one, such as board.icc")
    if Path(args.out).suffix.lower() not in (".icc", ".icm"):
        raise UsageError(f"a profile cannot be '{Path(args.out).suffix}'", "name it .icc")
    name = Path(args.out).stem if args.name is None else " ".join(args.name.split())
    from ..flows.requests import ProfileRequest

    version: Literal[4, 2] = 2 if args.v2 else 4
    request = filled(ProfileRequest, args, name=name, version=version)
    from ..colour.icc import profile_bytes
    from ..colour.tonecorrect import save_curves
    from ..flows.profile import build_profile
    from ..ground.files import write_bytes
    from ..show import answers
    from ..show.resultfiles import profile_to_dict

    profile = ask(build_profile, request)
    write_bytes(args.out, profile_bytes(profile.tables, version=version))
    if args.curves:
        save_curves(args.curves, profile.curves, name=name, step="grey")
    return finish(
        args,
        lambda: profile_to_dict(profile, args.out, version=version, readings=args.readings),
        lambda: answers.profile_blocks(profile, args.out, version=version, curves=args.curves),
    )
