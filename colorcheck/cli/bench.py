"""The command `bench`: a photo set-up checked with what everybody owns."""

from __future__ import annotations

import argparse
from typing import Any

from .common import add_common, add_log, ask, begin, filled, finish


def add_bench(sub: Any) -> None:
    """Add the command to the parser."""
    p = sub.add_parser(
        "bench",
        help="check your camera and lamps: does light add, stray light, lens, drift",
        description="Check camera, lamps and room with a few photos and no instrument. Every part may be left out.",
        epilog="example: colorcheck bench --lamp-a a.jpg --lamp-b b.jpg --both ab.jpg --black box.jpg --sheet a4.jpg "
        "--turned quarter.jpg --json bench.json",
    )
    g = p.add_argument_group("photos, all by one camera, exposure and white balance locked")
    g.add_argument("--lamp-a", metavar="A.jpg", help="a pressed target on white card under one lamp, room dark")
    g.add_argument("--lamp-b", metavar="B.jpg", help="the same under the other lamp alone, nothing else touched")
    g.add_argument("--both", metavar="AB.jpg", help="the same under both lamps")
    g.add_argument("--black", metavar="BOX.jpg", help="a hole in white card over a box lined with dark cloth")
    g.add_argument("--glass-on-hole", action="store_true", help="a clear pane lay on the hole, as your pieces have")
    g.add_argument("--sheet", metavar="A4.jpg", help="a sheet of paper flat on a dark table, filling the frame")
    g.add_argument("--turned", metavar="T.jpg", help="the target of --both turned by a quarter, both lamps on")
    p.add_argument("--again", metavar="READING.json", help="reading of the same piece in this set-up on an earlier day")
    p.add_argument("--target", metavar="T.json", help="layout of the target (default: the code printed on it)")
    add_common(p)
    add_log(p, piece=False)
    p.set_defaults(run=_bench)


def _bench(args: argparse.Namespace) -> int:
    named = [args.lamp_a, args.lamp_b, args.both, args.black, args.sheet, args.turned]
    begin(args, outputs=[], inputs=[*named, args.again, args.target])
    from ..flows.bench import check_bench, to_dict
    from ..flows.requests import BenchRequest
    from ..show import answers

    result = ask(check_bench, filled(BenchRequest, args))
    return finish(
        args,
        lambda: to_dict(result),
        lambda: answers.bench_blocks(result, args.json),
        page=("bench", result),
        photos=[p for p in named if p],
    )
