"""The command `inspect`: a finished piece against its artwork."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..ground.errors import UsageError
from .common import add_judging, add_lit, add_piece, ask, begin, filled, finish, pressing_of, reuse_memory

if TYPE_CHECKING:
    from ..flows.requests import InspectRequest
    from ..shop.joblist import Job


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
    add_piece(p, needed=False, view="from which side it is looked at")
    p.add_argument("--blank-frame", metavar="WHITE.jpg", help="a white sheet in the piece's place, nothing else moved")
    p.add_argument(
        "--reading", metavar="READING.json", help="reading of the same substrate: what its colours should be"
    )
    p.add_argument("--profile", metavar="P.icc", help="ICC profile the piece was printed through")
    p.add_argument("--before", metavar="RESULT.json", help="inspection before a re-press: what improved?")
    p.add_argument("--bench", metavar="BENCH.json", help="check of your set-up, from 'colorcheck bench'")
    add_lit(p)
    add_judging(p)
    p.set_defaults(run=_inspect)


def request_of(args: argparse.Namespace) -> InspectRequest:
    """Read the options into a request."""
    from ..flows.requests import InspectRequest
    from ..ground.units import parse_size

    size_mm = parse_size(args.size)
    return filled(InspectRequest, args, size_mm=size_mm, pressing=pressing_of(args))


def _jobs(args: argparse.Namespace) -> tuple[Job, ...]:
    """Artworks of a folder or of a job list; none where the artwork itself is named."""
    from ..ground.units import parse_size
    from ..shop.joblist import jobs_of_folder, load_jobs

    path = Path(args.artwork)
    if path.suffix.lower() == ".csv":
        if args.size:
            raise UsageError("a job list tells the sizes itself", "leave --size away")
        return load_jobs(path)
    if not args.size:
        raise UsageError("the size of the piece is not told", "add --size, such as --size 200x150mm")
    return jobs_of_folder(path, parse_size(args.size), args.shape) if path.is_dir() else ()


def _inspect(args: argparse.Namespace) -> int:
    inputs = [args.artwork, args.blank_frame, args.reading, args.profile, args.before, args.limits, args.bench]
    begin(args, outputs=[], inputs=[*args.photos, *inputs])

    jobs = _jobs(args)
    if jobs and not args.size:  # until the photo tells which of them it is
        args.size, args.shape = "x".join(f"{v:g}" for v in jobs[0].size_mm) + "mm", jobs[0].shape
    request = request_of(args)
    any_of = None
    if jobs:
        from ..flows.pieces import load_candidates

        any_of = load_candidates(jobs, view=request.view, skip_misfits=Path(args.artwork).is_dir())
    reuse_memory()
    from ..flows.inspect import inspect
    from ..flows.pieces import inspect_any
    from ..show import answers
    from ..show.resultfiles import inspection_to_dict
    from ..show.say import say

    alike: tuple[str, ...] = ()
    if any_of is None:
        result = ask(inspect, request)
    else:
        result, alike = ask(partial(inspect_any, candidates=any_of), request)
    which = [] if any_of is None else [say("which_artwork", result.artwork, alike)]
    more: dict[str, Any] = {} if any_of is None else {"alike": list(alike)}
    return finish(
        args,
        lambda: {**inspection_to_dict(result), **more},
        lambda: [*answers.inspection_blocks(result), *which],
        page=("inspect", result),
    )
