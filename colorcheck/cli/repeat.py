"""The command `repeat`: how small a difference a set-up can tell."""

from __future__ import annotations

import argparse
from typing import Any

from .common import add_common, add_log, ask, begin, filled, finish


def add_repeat(sub: Any) -> None:
    """Add the command to the parser."""
    p = sub.add_parser(
        "repeat",
        help="several photos of one piece: how small a difference can this set-up tell?",
        description="Read at least three photos of one piece, each set up anew, and say how well they agree.",
        epilog="example: colorcheck repeat a.jpg b.jpg c.jpg d.jpg --json bench.json",
    )
    p.add_argument("photos", metavar="PHOTO", nargs="+")
    p.add_argument("--target", metavar="T.json", help="layout of the target (default: the code printed on it)")
    add_common(p, report=False)
    add_log(p)
    p.set_defaults(run=_repeat)


def _repeat(args: argparse.Namespace) -> int:
    begin(args, outputs=[], inputs=[*args.photos, args.target])
    from ..flows.repeat import repeat, to_dict
    from ..flows.requests import RepeatRequest
    from ..show import answers

    result = ask(repeat, filled(RepeatRequest, args))
    return finish(args, lambda: to_dict(result), lambda: answers.repeat_blocks(result), photos=args.photos)
