"""The command `health`: findings of many pieces laid over one another, trends from the log, and fading."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from ..ground.errors import UsageError
from .common import add_common, begin, filled, finish

if TYPE_CHECKING:
    from ..flows.requests import HealthRequest


def add_health(sub: Any) -> None:
    """Add the command to the parser."""
    p = sub.add_parser(
        "health",
        help="many pieces laid over one another: is it the press, the blank or the printer?",
        description="Lay the findings of many pieces over one another and name the source: press, coating or printer.",
        epilog="example: colorcheck health pieces/*.json --placed how-they-lay.csv --report health",
    )
    p.add_argument("results", metavar="RESULT.json", nargs="*", help="written by 'read' or 'inspect' with --json")
    p.add_argument(
        "--placed", metavar="FILE.csv", help="how each piece lay: platen, turn of blank and sheet (see README)"
    )
    p.add_argument(
        "--log", metavar="FILE", nargs="?", const="", help="take the pieces from the press log (default: the usual one)"
    )
    p.add_argument(
        "--last", metavar="N", type=int, default=100, help="of the log: the newest so many pieces (default: 100)"
    )
    p.add_argument("--blank", metavar="NAME", help="of the log: only this blank, NAME or NAME/LOT")
    p.add_argument("--since", metavar="WHEN", help="of the log: from this day on, or the last 30d")
    p.add_argument("--fading", action="store_true", help="instead: FIRST.json LATER.json… of one piece, what faded?")
    p.add_argument("--same-setup", action="store_true", help="fading: lamp, room and camera were the same each time")
    p.add_argument("--csv", metavar="FILE", help="write the findings with their places as CSV")
    add_common(p)
    p.set_defaults(run=_health)


def request_of(args: argparse.Namespace) -> HealthRequest:
    """Read the options into a request."""
    from ..flows.requests import HealthRequest
    from ..shop.presslog_records import parse_moment

    since = parse_moment(args.since) if args.since else None
    return filled(HealthRequest, args, blank=args.blank or "", since=since)


def _health(args: argparse.Namespace) -> int:
    begin(args, outputs=[args.csv], inputs=[*args.results, args.placed])
    if args.fading:
        return _fading(args)
    if args.same_setup:
        raise UsageError("--same-setup belongs to --fading", "leave it out")
    request = request_of(args)
    from ..flows.health import press_health
    from ..ground.files import write_text
    from ..show import answers
    from ..show.resultfiles import health_csv, health_to_dict

    p = press_health(request)
    if args.csv:
        write_text(args.csv, health_csv(p.health))
    return finish(
        args,
        lambda: health_to_dict(p.health, p.trends, p.facts),
        lambda: answers.health_blocks(p.health, p.facts),
        page=("health", p.health, p.trends, p.facts),
    )


def _fading(args: argparse.Namespace) -> int:
    for given, name in ((args.placed, "--placed"), (args.log is not None, "--log")):
        if given:
            raise UsageError(f"{name} does not go with --fading", "give FIRST.json LATER.json… alone")
    from ..flows.requests import FadingRequest

    request = filled(FadingRequest, args, readings=args.results)
    from ..flows.health import fading
    from ..ground.files import write_text
    from ..show import answers
    from ..show.resultfiles import fading_csv, fading_to_dict

    f = fading(request)
    if args.csv:
        write_text(args.csv, fading_csv(f.fades))
    return finish(
        args,
        lambda: fading_to_dict(f.fades, f.first, f.setup),
        lambda: answers.fading_blocks(f.fades, f.setup),
        page=("fading", f.fades, f.first, f.setup),
    )
