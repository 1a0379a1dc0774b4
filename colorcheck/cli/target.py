"""The command `target`: a test target to print and press."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..ground.errors import FileError, UsageError
from .common import add_common, add_log, begin, finish

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
    p.add_argument("--size", default="200x200mm", help="size of the blank, mm, cm or in (default: 200x200mm)")
    p.add_argument("--shape", choices=("rect", "round"), default="rect")
    p.add_argument(
        "--patches",
        choices=("compact", "standard", "fine"),
        default=None,
        help="how many colours: about 60, 175 or 440 (default: standard, compact where that does not fit)",
    )
    p.add_argument(
        "--view",
        choices=("front", "through"),
        default="front",
        help="'front': you look straight at the coat (printed mirrored); 'through': through the glass",
    )
    p.add_argument("--dpi", type=int, default=300)
    p.add_argument("--seed", type=int, default=1, help="another number, another order of the cells")
    p.add_argument("--format", choices=("png", "tiff", "pdf"), default="png")
    p.add_argument("--bleed", default="0mm", help="print this much larger on every side (default: 0; 3mm is usual)")
    add_common(p, report=False)
    add_log(p)
    p.set_defaults(run=_target)


def request_of(args: argparse.Namespace) -> TargetRequest:
    """Read the options into a request."""
    from ..flows.requests import TargetRequest
    from ..ground.units import parse_margin, parse_size

    return TargetRequest(
        name=args.name,
        size_mm=parse_size(args.size),
        shape=args.shape,
        view=args.view,
        patches=args.patches,
        dpi=args.dpi,
        seed=args.seed,
        file_format=args.format,
        bleed_mm=parse_margin(args.bleed),
    )


def _target(args: argparse.Namespace) -> int:
    from ..flows.newtarget import design_target
    from ..ground.jsontext import write_json
    from ..sheet.draw import write_print_file
    from ..sheet.target import to_dict
    from ..show import answers

    plain = args.name.isprintable() and len(os.fsencode(args.name)) <= 200 and not args.name.startswith(".")
    if not args.name or not plain or Path(args.name).name != args.name:
        raise UsageError(f"'{args.name[:40]}' cannot be a file name", "use letters, digits and hyphens")
    request = request_of(args)
    target = design_target(request)
    out = Path(args.outdir)
    if out.exists() and not out.is_dir():
        raise FileError(f"{out} is a file", "name a folder for the target")
    files = (out / target.print_file, out / f"{args.name}.json")
    for f in files:
        if f.exists() and not args.overwrite:
            raise FileError(f"{f} exists and is kept", "choose another --name, or add --overwrite")
    begin(args, outputs=[], inputs=[str(f) for f in files])
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise FileError(f"the folder {out} cannot be made ({e.strerror})", "choose another place") from e
    data = to_dict(target)
    write_print_file(target, files[0])
    write_json(files[1], data)

    return finish(args, lambda: data, lambda: answers.target_blocks(target, *files))
