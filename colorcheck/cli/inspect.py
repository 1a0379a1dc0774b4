"""The command `inspect`: a finished piece against its artwork."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..ground.errors import UsageError
from .common import add_common, add_heat, add_log, begin, finish, pressing_of, reuse_memory

if TYPE_CHECKING:
    from ..flows.pieces import Candidates
    from ..flows.requests import InspectRequest


def add_inspect(sub: Any) -> None:
    """Add the command to the parser."""
    p = sub.add_parser(
        "inspect",
        help="check a finished piece against its artwork: light spots, faded edges, ghosts",
        description="Check a finished piece against its artwork, best while the paper is still taped on.",
        epilog="example: colorcheck inspect piece.jpg --artwork art.png --size 200x200mm --view through",
    )
    p.add_argument(
        "photos", metavar="PHOTO", nargs="+", help="the piece on white card; further photos turned or shifted"
    )
    p.add_argument(
        "--artwork",
        metavar="ART.png",
        required=True,
        help="the picture as its owner sees the piece; a folder or a job list to find out which",
    )
    p.add_argument("--size", help="size of the piece, mm, cm or in; a job list tells it itself")
    p.add_argument("--shape", choices=("rect", "round"), default="rect")
    p.add_argument("--view", choices=("front", "through"), default="front", help="from which side it is looked at")
    p.add_argument(
        "--paper",
        choices=("on", "off"),
        default="on",
        help="is the paper still taped on and unmoved? (default: on)",
    )
    p.add_argument("--blank-frame", metavar="WHITE.jpg", help="a white sheet in the piece's place, nothing else moved")
    p.add_argument(
        "--reading", metavar="READING.json", help="reading of the same substrate: what its colours should be"
    )
    p.add_argument("--profile", metavar="P.icc", help="ICC profile the piece was printed through")
    p.add_argument("--before", metavar="RESULT.json", help="inspection before a re-press: what improved?")
    p.add_argument("--limits", metavar="FILE.toml", help="your own limits instead of the shipped ones")
    add_heat(p)
    add_common(p)
    add_log(p, heat=True)
    p.set_defaults(run=_inspect)


def request_of(args: argparse.Namespace) -> InspectRequest:
    """Read the options into a request."""
    from ..flows.requests import InspectRequest
    from ..ground.units import parse_size

    return InspectRequest(
        photos=tuple(args.photos),
        artwork=args.artwork,
        size_mm=parse_size(args.size) if args.size else (1.0, 1.0),
        shape=args.shape,
        view=args.view,
        paper=args.paper,
        blank_frame=args.blank_frame,
        reading=args.reading,
        profile=args.profile,
        before=args.before,
        limits=args.limits,
        pressing=pressing_of(args),
    )


def _candidates(args: argparse.Namespace, request: InspectRequest) -> Candidates | None:
    """Open the artworks of a folder or of a job list; None where the artwork itself is named."""
    path = Path(args.artwork)
    folder, listed = path.is_dir(), path.suffix.lower() == ".csv"
    if not args.size and not listed:
        raise UsageError("the size of the piece is not told", "add --size, such as --size 200x150mm")
    if not folder and not listed:
        return None
    if listed and args.size:
        raise UsageError("a job list tells the sizes itself", "leave --size away")
    from ..flows.pieces import load_candidates
    from ..shop.joblist import jobs_of_folder, load_jobs

    jobs = load_jobs(path) if listed else jobs_of_folder(path, request.size_mm, request.shape)
    return load_candidates(jobs, view=request.view, skip_misfits=folder)


def _inspect(args: argparse.Namespace) -> int:
    inputs = [args.artwork, args.blank_frame, args.reading, args.profile, args.before, args.limits]
    begin(args, outputs=[], inputs=[*args.photos, *inputs])

    request = request_of(args)
    any_of = _candidates(args, request)
    reuse_memory()
    from ..flows.inspect import inspect
    from ..flows.pieces import inspect_any
    from ..show import answers
    from ..show.resultfiles import inspection_to_dict
    from ..show.say import say
    from ..show.screen import Progress

    alike: tuple[str, ...] = ()
    with Progress(sys.stderr) as progress:
        if any_of is None:
            result = inspect(request, progress=progress)
        else:
            result, alike = inspect_any(request, any_of, progress=progress)

    def report() -> Path:
        from ..show.page import inspection_context, write_page

        return write_page(args.report, "inspect.html.j2", inspection_context(result), overwrite=args.overwrite)

    which = [] if any_of is None else [say("which_artwork", result.artwork, alike)]
    more: dict[str, Any] = {} if any_of is None else {"alike": list(alike)}
    return finish(
        args,
        lambda: {**inspection_to_dict(result), **more},
        lambda: [*answers.inspection_blocks(result), *which],
        report=report,
    )
