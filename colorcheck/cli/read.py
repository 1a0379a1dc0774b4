"""The command `read`: a pressed target, measured from photos."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from .common import add_judging, add_lit, ask, begin, filled, finish, pressing_of, reuse_memory, tell, write_result

if TYPE_CHECKING:
    from ..flows.requests import ReadRequest


def add_read(sub: Any) -> None:
    """Add the command to the parser."""
    p = sub.add_parser(
        "read",
        help="measure a pressed target from a photo or scan and say what to do",
        description="Measure a pressed target from one or several photos or scans.",
        epilog="example: colorcheck read plaque.jpg --paper on --json plaque.json --report plaque-report",
    )
    p.add_argument("photos", metavar="PHOTO", nargs="+")
    p.add_argument("--target", metavar="T.json", help="layout of the target (default: the code printed on it)")
    p.add_argument("--camera", metavar="CAMERA.json", help="your characterised camera, from 'colorcheck camera'")
    p.add_argument(
        "--printed",
        choices=("as-usual", "raw"),
        default="as-usual",
        help="'raw': printed without any profile, to build one",
    )
    p.add_argument("--against", metavar="READING.json", help="compare with an earlier reading of the same target")
    p.add_argument("--repeat", metavar="REPEAT.json", help="noise floor of your set-up, from 'colorcheck repeat'")
    p.add_argument("--bench", metavar="BENCH.json", help="check of your set-up, from 'colorcheck bench'")
    p.add_argument("--values", metavar="VALUES.txt", help="write the cells' values as ISO 28178 text")
    add_lit(p)
    add_judging(p)
    p.set_defaults(run=_read)


def request_of(args: argparse.Namespace) -> ReadRequest:
    """Read the options into a request."""
    from ..flows.requests import ReadRequest

    return filled(ReadRequest, args, pressing=pressing_of(args))


def _read(args: argparse.Namespace) -> int:
    inputs = [*args.photos, args.target, args.against, args.limits, args.camera, args.repeat, args.bench]
    begin(args, outputs=[args.values], inputs=inputs)

    request = request_of(args)
    reuse_memory()
    from ..flows.read import read
    from ..ground.errors import BlurredError
    from ..show import answers
    from ..show.results import blurred_to_dict, reading_to_dict

    try:
        reading = ask(read, request)
    except BlurredError as e:  # nothing to report or record, and still an answer
        blurred = e
        write_result(args, blurred_to_dict(blurred))
        tell(args, lambda: answers.blurred_blocks(blurred))
        return 0
    if args.values:
        from ..sheet.exchange import measurements_from_lab, write_measurements

        cells = reading.cells
        lab = cells.lab if cells.lab_absolute is None else cells.lab_absolute
        told = "absolute" if reading.absolute else "relative to the bare coat"
        header = {"ORIGINATOR": "colorcheck", "FILE_DESCRIPTOR": f"{reading.target.name}, CIELAB {told}"}
        write_measurements(
            args.values,
            measurements_from_lab(reading.target.ids, lab, device_rgb=reading.target.device_rgb, header=header),
        )

    return finish(
        args, lambda: reading_to_dict(reading), lambda: answers.reading_blocks(reading), page=("read", reading)
    )
