"""The command `target`: a test target to print and press."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .common import add_common, add_log, add_piece, begin, filled, finish, write_into

if TYPE_CHECKING:
    from ..flows.requests import TargetRequest


def add_target(sub: Any) -> None:
    """Add the command to the parser."""
    p = sub.add_parser(
        "target",
        help="make a test target to print and press",
        description="Make a test target: a print file at true size and its layout as JSON.",
        epilog="example: colorcheck target my-targets --name plaque --size 200x200mm --view front",
    )
    p.add_argument("outdir", metavar="OUTDIR", help="folder for the print file and its layout")
    p.add_argument("--name", default="target", help="name of both files (default: target)")
    add_piece(p, "200x200mm")
    p.add_argument(
        "--patches",
        choices=("compact", "standard", "fine"),
        default=None,
        help="how many colours: about 60, 175 or 440 (default: standard, compact where that does not fit)",
    )
    p.add_argument("--dpi", type=int, default=300)
    p.add_argument("--seed", type=int, default=1, help="another number, another order of the cells")
    p.add_argument("--format", choices=("png", "tiff", "pdf"), default="png")
    p.add_argument("--bleed", default="0mm", help="print this much larger on every side (default: 0; 3mm is usual)")
    p.add_argument(
        "--for-measuring",
        action="store_true",
        help="add a sheet and a list of cells for whoever measures it with an instrument, to teach your camera",
    )
    add_common(p, report=False)
    add_log(p)
    p.set_defaults(run=_target)


def request_of(args: argparse.Namespace) -> TargetRequest:
    """Read the options into a request."""
    from ..flows.requests import TargetRequest
    from ..ground.units import parse_margin, parse_size

    return filled(
        TargetRequest,
        args,
        size_mm=parse_size(args.size),
        file_format=args.format,
        bleed_mm=parse_margin(args.bleed),
    )


def _target(args: argparse.Namespace) -> int:
    from ..flows.newtarget import design_target
    from ..ground.jsontext import write_json
    from ..sheet.draw import write_print_file
    from ..sheet.target import to_dict
    from ..show import answers

    target = design_target(request_of(args))
    names: tuple[str, ...] = (target.print_file, f"{args.name}.json")
    if args.for_measuring:
        names += (f"{args.name}-measure.html", f"{args.name}-measure.txt")
    begin(args, outputs=[], inputs=[str(Path(args.outdir) / name) for name in names])
    files = write_into(args.outdir, names, args.overwrite, "target")
    data = to_dict(target)
    write_print_file(target, files[0])
    write_json(files[1], data)
    if args.for_measuring:
        from ..ground.files import write_text
        from ..sheet.exchange import form_text
        from ..show.page import write_measuring_sheet

        write_measuring_sheet(target, files[2], layout=files[1].name, form=files[3].name)
        write_text(files[3], form_text(target.ids, target.device_rgb, target.centres_mm, name=target.name))

    return finish(args, lambda: data, lambda: answers.target_blocks(target, *files))
