"""The command `compare`: which substrate for which purpose."""

from __future__ import annotations

import argparse
from typing import Any

from .common import add_common, add_lit, add_log, ask, begin, filled, finish


def add_compare(sub: Any) -> None:
    """Add the command to the parser."""
    p = sub.add_parser(
        "compare",
        help="compare substrates by their readings: colours, blacks, evenness, cost",
        description="Compare substrates by saved readings of a pressed target. What cannot be told apart is a tie.",
        epilog="example: colorcheck compare glass.json film.json --names glass,film --purpose photos --report choice",
    )
    p.add_argument("readings", metavar="READING.json", nargs="+", help="results of 'read' with --json, at least two")
    p.add_argument(
        "--purpose",
        choices=("photos", "blacks", "window", "cost"),
        default="photos",
        help="what to rank for (default: photos)",
    )
    p.add_argument(
        "--names",
        metavar="A,B,…",
        help="a name for each reading; readings of one substrate get the same name and are pooled",
    )
    p.add_argument(
        "--same-setup",
        action="store_true",
        help="lamp, room and camera were left alone for all photos: smaller differences count",
    )
    p.add_argument(
        "--cost",
        metavar="NAME=blank:1.20,…",
        action="append",
        default=[],
        help="cost of a piece: blank, paper, ink, minutes, rate (an hour), yield (0.9 or 18/20), target, pieces; "
        "or a TOML file with such a table for each name",
    )
    p.add_argument(
        "--light",
        metavar="NAME=WITH.jpg,WITHOUT.jpg",
        action="append",
        default=[],
        help="two photos of a light panel, with the piece and without, exposure locked",
    )
    p.add_argument("--csv", metavar="FILE", help="write the numbers as CSV")
    add_lit(p)
    add_common(p)
    add_log(p, piece=False)
    p.set_defaults(run=_compare)


def _compare(args: argparse.Namespace) -> int:
    lights = [photo for word in args.light for photo in word.partition("=")[2].split(",")]
    inputs = [*args.readings, *(c for c in args.cost if "=" not in c), *lights]
    begin(args, outputs=[args.csv], inputs=inputs)
    from ..colour.lightshare import read_lights
    from ..flows.compare import compare
    from ..flows.requests import CompareRequest
    from ..ground.files import write_text
    from ..shop.piececost import read_costs
    from ..show import answers
    from ..show.resultfiles import comparison_csv, comparison_to_dict

    names = None if args.names is None else args.names.split(",")
    request = filled(CompareRequest, args, names=names, costs=read_costs(args.cost), lights=read_lights(args.light))
    result = ask(compare, request)
    if args.csv:
        write_text(args.csv, comparison_csv(result))

    return finish(
        args, lambda: comparison_to_dict(result), lambda: answers.compare_blocks(result), page=("compare", result)
    )
