"""The command `health`: findings of many pieces laid over one another, trends from the log, and fading."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..ground.errors import DataError, UsageError
from .common import add_common, begin, finish

if TYPE_CHECKING:
    from ..shop.presshealth import Piece, TrendLine


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


def _health(args: argparse.Namespace) -> int:
    begin(args, outputs=[args.csv], inputs=[*args.results, args.placed])
    if args.fading:
        return _fading(args)
    if args.same_setup:
        raise UsageError("--same-setup belongs to --fading", "leave it out")
    if args.log is None and (args.blank or args.since):
        raise UsageError("--blank and --since belong to --log", "add --log as well")
    if args.log is None and not args.results:
        raise UsageError("no pieces were given", "name files written by 'read' or 'inspect', or add --log")
    if not 1 <= args.last <= 1000:
        raise UsageError(f"--last {args.last} is out of range", "give 1 to 1000")
    from ..ground.files import refuse_same, write_text
    from ..shop.presshealth import judge_health, load_piece, load_placings, placed
    from ..show import answers
    from ..show.resultfiles import health_csv, health_to_dict

    pieces: tuple[Piece, ...] = tuple(load_piece(p) for p in args.results)
    if twice := [p.name for k, p in enumerate(pieces) if p.name in {q.name for q in pieces[:k]}]:
        raise UsageError(f"two files are named {twice[0][:40]}", "rename one, so that the table can tell them apart")
    refuse_same(args.results, "result")
    for k, p in enumerate(pieces):
        if twin := next((q for q in pieces[:k] if set(p.seen).intersection(q.seen)), None):
            raise UsageError(
                f"{twin.source} and {p.source} show the same piece in the same photo", "give each piece once"
            )
    if args.placed:
        pieces = placed(pieces, load_placings(args.placed))
    trends: list[TrendLine] = []
    facts: list[tuple[str, str]] = []
    if args.log is not None:
        from ..flows.health import from_log
        from ..shop.presslog import open_log
        from ..shop.presslog_records import Filter, parse_moment

        where = Filter(blank=args.blank or "", since=parse_moment(args.since) if args.since else None)
        with open_log(args.log or None, create=False) as log:
            more, trends, facts = from_log(log, where, last=args.last)
        pieces += tuple(more)
    if not pieces:
        raise DataError("the press log holds no reading or inspection that fits", "record some with --log first")
    health = judge_health(pieces)
    if args.csv:
        write_text(args.csv, health_csv(health))

    def report() -> Path:
        from ..show.page import health_context, write_page

        return write_page(
            args.report, "health.html.j2", health_context(health, trends, facts), overwrite=args.overwrite
        )

    return finish(
        args,
        lambda: health_to_dict(health, trends, facts),
        lambda: answers.health_blocks(health, facts),
        report=report,
    )


# ---------------------------------------------------------------- fading


def _fading(args: argparse.Namespace) -> int:
    for given, name in ((args.placed, "--placed"), (args.log is not None, "--log")):
        if given:
            raise UsageError(f"{name} does not go with --fading", "give FIRST.json LATER.json… alone")
    if len(args.results) < 2:
        raise UsageError("--fading compares readings of one piece", "give FIRST.json and at least one LATER.json")
    import numpy as np

    from ..ground.files import write_text
    from ..sheet.savedreading import load_reading
    from ..shop.presshealth import SETUP_DE00, judge_fading
    from ..show import answers
    from ..show.resultfiles import fading_csv, fading_to_dict

    first, *later = [load_reading(p) for p in args.results]
    for r in later:
        if r.target.ids != first.target.ids or r.target.code_text != first.target.code_text:
            raise UsageError(
                f"{Path(r.path).name} shows another target than {Path(first.path).name}", "compare one piece"
            )
    devices = {d for r in (first, *later) for d in r.devices[:1]} - {""}
    setup = "camera" if len(devices) > 1 else "same" if args.same_setup else "lamp"
    colours = np.array([c.kind in ("colour", "control") for c in first.rows])
    fades = []
    for r in later:
        fades.append(
            judge_fading(
                first.target.device_rgb.astype(float),
                first.lab,
                r.lab,
                first.u_random,
                r.u_random,
                first.usable & r.usable & colours,
                name=Path(r.path).stem,
                taken=next((p.taken for p in r.file.photos if p.taken), ""),
                setup=SETUP_DE00[setup],
            )
        )
    if args.csv:
        write_text(args.csv, fading_csv(fades))
    name = Path(first.path).name

    def report() -> Path:
        from ..show.page import fading_context, write_page

        return write_page(args.report, "health.html.j2", fading_context(fades, name, setup), overwrite=args.overwrite)

    return finish(
        args,
        lambda: fading_to_dict(fades, name, setup),
        lambda: answers.fading_blocks(fades, setup),
        report=report,
    )
