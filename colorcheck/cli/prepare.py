"""The command `prepare`: artwork → print file, proof, and what to expect."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..ground.errors import UsageError
from .common import add_common, add_lit, add_log, add_piece, ask, begin, filled, finish

if TYPE_CHECKING:
    from ..flows.requests import PrepareRequest


def add_prepare(sub: Any) -> None:
    """Add the command to the parser."""
    p = sub.add_parser(
        "prepare",
        help="make artwork ready to print through a profile: true size, bleed, mirrored, proof",
        description="Make artwork ready to print: true size with bleed, mirrored if need be, in the printer's colours.",
        epilog="example: colorcheck prepare clock.png --profile board.icc --size 200x200mm --shape round "
        "--view through --out clock-print.pdf --proof clock-proof.png",
    )
    p.add_argument("artwork", metavar="ART", help="the picture as its owner will see the piece, not mirrored")
    p.add_argument("--profile", metavar="BOARD.icc", help="profile of this printer, ink, paper and blank")
    p.add_argument("--curves", metavar="CURVES.json", help="instead: curves from 'colorcheck profile --curves'")
    add_piece(p)
    p.set_defaults(view=None)  # a view that nobody told is said with the answer
    p.add_argument("--out", metavar="PRINT", required=True, help="the print file: .png, .tiff or .pdf")
    p.add_argument("--bleed", default="3mm", help="print this much beyond the piece on every side (default: 3mm)")
    p.add_argument("--border", default="0mm", help="white paper round that, part of the file (default: none)")
    p.add_argument("--art-bleed", metavar="MM", help="how far the picture itself reaches beyond the piece")
    p.add_argument(
        "--intent",
        choices=("relative", "perceptual", "saturation"),
        default="relative",
        help="how colours out of reach are brought in (default: relative, the nearest)",
    )
    p.add_argument(
        "--correction",
        choices=("full", "grey", "tone"),
        default="full",
        help="the whole profile, or only what its greys tell: grey curves, or one tone curve (default: full)",
    )
    p.add_argument("--dpi", type=int, default=300)
    p.add_argument("--proof", metavar="PROOF.png", help="write a picture of how it will look, beside the original")
    p.add_argument("--coat-tint", action="store_true", help="show the tint of the bare coat in the proof")
    add_lit(p)
    add_common(p)
    add_log(p, piece=False)
    p.set_defaults(run=_prepare)


def _check(args: argparse.Namespace) -> None:
    """Refuse before anything slow is done."""
    begin(args, outputs=[args.out, args.proof], inputs=[args.artwork, args.profile, args.curves])
    if args.proof and Path(args.proof).suffix.lower() != ".png":
        raise UsageError(f"a proof cannot be '{Path(args.proof).suffix}'", "name it .png")
    if args.proof and not args.profile:
        raise UsageError("--proof needs a profile", "nothing else tells how the print will look")


def request_of(args: argparse.Namespace) -> PrepareRequest:
    """Read the options into a request."""
    from ..flows.requests import PrepareRequest
    from ..ground.units import parse_margin, parse_size

    return filled(
        PrepareRequest,
        args,
        size_mm=parse_size(args.size),
        view=args.view or "front",
        view_told=args.view is not None,
        bleed_mm=parse_margin(args.bleed),
        border_mm=parse_margin(args.border),
        art_bleed_mm=None if args.art_bleed is None else parse_margin(args.art_bleed),
    )


def _prepare(args: argparse.Namespace) -> int:
    _check(args)

    request = request_of(args)
    from ..flows.prepare import prepare
    from ..sheet.draw import print_suffix, write_picture
    from ..show import answers
    from ..show.proof import write_proof
    from ..show.resultfiles import prepared_to_dict

    print_suffix(args.out)
    result = ask(prepare, request)
    write_picture(
        result.picture,
        args.out,
        dpi=result.dpi,
        size_mm=result.sheet_mm,
        bleed_mm=result.bleed_mm,
        border_mm=result.border_mm,
    )
    if args.proof:
        write_proof(result, args.proof)
    return finish(
        args,
        lambda: prepared_to_dict(result, print_file=args.out, proof_file=args.proof),
        lambda: answers.prepare_blocks(result, args.out, args.proof),
        page=("prepare", result),
    )
