"""The command `ladder`: plan a step test, read it back."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..ground.errors import UsageError
from .common import add_common, add_log, add_piece, begin, filled, finish, write_into

if TYPE_CHECKING:
    from ..flows.requests import LadderRequest, PlanRequest


def add_ladder(sub: Any) -> None:
    """Add the command to the parser."""
    p = sub.add_parser(
        "ladder",
        help="step test: find the shortest pressing time that is enough",
        description="Plan a series of presses on small targets, then read their readings and find the best recipe.",
        epilog="example: colorcheck ladder plan steps --time 60..240s --temperature 200C --max-time 300s "
        "--max-temperature 205C, press, read each piece, then: colorcheck ladder read steps/plan.json A.json B.json …",
    )
    p.add_argument("what", choices=("plan", "read"), help="'plan OUTDIR' or 'read PLAN.json READING.json…'")
    p.add_argument("paths", metavar="PATH", nargs="+", help="OUTDIR; or PLAN.json and the readings")
    plan = p.add_argument_group("for 'plan'")
    plan.add_argument("--time", metavar="RANGE", help="times to try, such as 60..240s")
    plan.add_argument("--temperature", metavar="RANGE", help="190..205C, or one to hold: 200C (default: as always)")
    plan.add_argument("--pressure", metavar="LIST", help="light,medium,firm: those to try (default: as always)")
    plan.add_argument("--presses", type=int, default=6, help="how many pieces to press (default: 6)")
    plan.add_argument("--max-time", metavar="S", help="longest time the makers of blank, coat and paper allow")
    plan.add_argument("--max-temperature", metavar="TEMP", help="highest temperature they allow")
    add_piece(plan, "60x60mm", view="as for 'target'")
    plan.add_argument("--name", default="ladder", help="name on the targets (default: ladder)")
    plan.add_argument("--seed", type=int, default=1, help="another number, another order and other targets")
    read = p.add_argument_group("for 'read'")
    read.add_argument(
        "--step", metavar="NAME", nargs="+", help="steps of the readings, in their order (default: printed code)"
    )
    read.add_argument(
        "--at",
        metavar="NAME=TIME[,TEMP][,PRESSURE]",
        nargs="+",
        action="extend",
        default=[],
        help="what was really set",
    )
    read.add_argument(
        "--yellow", metavar="NAME", nargs="+", help="steps whose coat looks yellower than an unpressed blank; or: none"
    )
    read.add_argument(
        "--within", metavar="PERCENT", type=float, default=3.0, help="this near the plateau is on it (default: 3)"
    )
    read.add_argument("--csv", metavar="FILE", help="write the presses as CSV")
    add_common(p)
    add_log(p, piece=False)
    p.set_defaults(run=_ladder)


def _ladder(args: argparse.Namespace) -> int:
    return _plan(args) if args.what == "plan" else _read(args)


def _refuse(args: argparse.Namespace, names: Sequence[str], belongs: str, todo: str) -> None:
    """Refuse options of the other half."""
    if stray := next((name for name in names if getattr(args, name)), None):
        raise UsageError(f"--{stray.replace('_', '-')} belongs to 'ladder {belongs}'", todo)


# ---------------------------------------------------------------- plan


def plan_request_of(args: argparse.Namespace) -> PlanRequest:
    """Read the options of a plan into a request."""
    from ..flows.requests import PlanRequest
    from ..ground.recipe import MakerLimits
    from ..ground.units import parse_range, parse_seconds, parse_size, parse_temperature

    return filled(
        PlanRequest,
        args,
        time_s=parse_range(args.time, parse_seconds, "--time", "60..240s"),
        temperature_c=parse_range(args.temperature, parse_temperature, "--temperature", "190..205C")
        if args.temperature
        else None,
        limits=MakerLimits(parse_seconds(args.max_time), parse_temperature(args.max_temperature)),
        size_mm=parse_size(args.size),
        pressures=[w.strip().lower() for w in (args.pressure or "").split(",") if w.strip()],
    )


def _plan(args: argparse.Namespace) -> int:
    _refuse(args, ("step", "at", "yellow", "csv"), "read", "leave it out when planning")
    _refuse(args, ("report",), "read", "the plan comes with a run sheet, runsheet.html")
    if len(args.paths) != 1:
        raise UsageError("'ladder plan' takes one folder", "colorcheck ladder plan OUTDIR --time 60..240s …")
    if not args.time:
        raise UsageError("--time is missing", "write the times to try, such as --time 60..240s")
    if not args.max_time or not args.max_temperature:
        raise UsageError(
            "the makers' limits are missing",
            "look them up for blank, coat and paper, then add --max-time 300s --max-temperature 205C with your numbers",
        )
    from ..flows.ladder import plan_ladder
    from ..ground.jsontext import write_json
    from ..sheet.draw import write_print_file, write_sheets
    from ..sheet.target import to_dict
    from ..shop.ladder import plan_to_dict
    from ..show import answers
    from ..show.page import write_run_sheet

    plan, targets = plan_ladder(plan_request_of(args))
    out, own = Path(args.paths[0]), ("plan.json", "runsheet.html")
    prints = [name for t in targets for name in (t.print_file, f"{t.name}.json")]
    begin(args, outputs=[], inputs=[str(out / name) for name in own])
    plan_file, sheet, *files = write_into(out, [*own, *prints, f"{args.name}-A4.pdf"], args.overwrite, "plan")
    for k, t in enumerate(targets):
        write_print_file(t, files[2 * k])
        write_json(files[2 * k + 1], to_dict(t))
    pages = write_sheets(targets, files[-1]) or files[:1]
    write_run_sheet(plan, sheet)
    data = plan_to_dict(plan)
    write_json(plan_file, data)
    return finish(args, lambda: data, lambda: answers.run_blocks(plan, out, pages))


# ---------------------------------------------------------------- read


def read_request_of(args: argparse.Namespace) -> LadderRequest:
    """Read the options of a finished step test into a request."""
    from ..flows.requests import LadderRequest
    from ..shop.ladder import parse_really

    nobody = args.yellow is not None and [y.lower() for y in args.yellow] == ["none"]
    return LadderRequest(
        plan=args.paths[0],
        readings=tuple(args.paths[1:]),
        steps=None if args.step is None else tuple(args.step),
        really=parse_really(args.at),
        yellow=None if args.yellow is None else () if nobody else tuple(args.yellow),
        within=args.within / 100,
    )


def _read(args: argparse.Namespace) -> int:
    _refuse(args, ("time", "temperature", "pressure"), "plan", "what was really set goes into --at A=92s,196C")
    _refuse(args, ("max_time", "max_temperature"), "plan", "the makers' limits are in the plan")
    request = read_request_of(args)
    begin(args, outputs=[args.csv], inputs=args.paths)
    from ..flows.ladder import read_ladder
    from ..ground.files import write_text
    from ..show import answers
    from ..show.resultfiles import ladder_csv, ladder_to_dict

    done = read_ladder(request)
    plan, fit = done.plan, done.fit
    for line in answers.ladder_doubts(done):
        print(f"colorcheck: {line}", file=sys.stderr)
    if args.csv:
        write_text(args.csv, ladder_csv(fit))
    return finish(
        args,
        lambda: ladder_to_dict(plan, fit),
        lambda: answers.ladder_blocks(plan, fit),
        page=("ladder", plan, fit),
    )
