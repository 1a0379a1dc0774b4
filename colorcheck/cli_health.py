"""The command `health`: findings of many pieces laid over one another, trends from the log, and fading."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .cli import add_common, keep_existing, keep_inputs, keep_report, use_color, write_result
from .errors import DataError, UsageError

if TYPE_CHECKING:
    from .presshealth import Piece, TrendLine

_MEASURES = (
    ("evenness", "Evenness: most different ninth", "ΔE00"),
    ("mean_delta_e00", "Colour error, mean", "ΔE00"),
    ("black_density", "Depth of black", "density"),
)


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
    p.add_argument("--same-light", action="store_true", help="fading: same camera and lamp each time")
    p.add_argument("--csv", metavar="FILE", help="write the findings with their places as CSV")
    add_common(p)
    p.set_defaults(run=_health)


def _health(args: argparse.Namespace) -> int:
    for path in (args.json, args.csv):
        keep_existing(path, args.overwrite)
        keep_inputs(path, [*args.results, args.placed])
    keep_report(args.report, args.overwrite)
    if args.fading:
        return _fading(args)
    if args.same_light:
        raise UsageError("--same-light belongs to --fading", "leave it out")
    if args.log is None and (args.blank or args.since):
        raise UsageError("--blank and --since belong to --log", "add --log as well")
    if args.log is None and not args.results:
        raise UsageError("no pieces were given", "name files written by 'read' or 'inspect', or add --log")
    if not 1 <= args.last <= 1000:
        raise UsageError(f"--last {args.last} is out of range", "give 1 to 1000")
    from .files import write_text
    from .healthreport import health_csv, health_to_dict, print_health, write_health_report
    from .presshealth import judge_health, load_piece, load_placings, placed

    pieces: tuple[Piece, ...] = tuple(load_piece(p) for p in args.results)
    if twice := [p.name for k, p in enumerate(pieces) if p.name in {q.name for q in pieces[:k]}]:
        raise UsageError(f"two files are named {twice[0][:40]}", "rename one, so that the table can tell them apart")
    if args.placed:
        pieces = placed(pieces, load_placings(args.placed))
    trends: list[TrendLine] = []
    facts: list[tuple[str, str]] = []
    if args.log is not None:
        more, trends, facts = _from_log(args)
        pieces += tuple(more)
    if not pieces:
        raise DataError("the press log holds no reading or inspection that fits", "record some with --log first")
    health = judge_health(pieces)
    if args.json:
        write_result(args, health_to_dict(health, trends, facts))
    if args.csv:
        write_text(args.csv, health_csv(health))
    path = None
    if args.report:
        path = write_health_report(health, args.report, trends=trends, facts=facts, overwrite=args.overwrite)
    if not args.quiet and args.json != "-":
        print_health(health, sys.stdout, color=use_color(), facts=facts)
        if path:
            print(f"Report: {path}")
    return 0


# ---------------------------------------------------------------- from the log


def _from_log(args: argparse.Namespace) -> tuple[list[Piece], list[TrendLine], list[tuple[str, str]]]:
    """Take pieces, trends and yield from the press log; the last judgement of each piece counts."""
    from .presslog import open_log
    from .presslog_records import Filter, parse_moment

    where = Filter(blank=args.blank or "", since=parse_moment(args.since) if args.since else None)
    with open_log(args.log or None, create=False) as log:
        pieces, seen = [], set()
        for row in log.entries(where, limit=5 * args.last):
            if row.kind not in ("read", "inspect") or (row.piece and row.piece in seen):
                continue
            seen.add(row.piece)
            pieces.append(_logged(log.entry(row.uid)))
            if len(pieces) >= args.last:
                break
        trends = [_trend(log.trend(m, where, last=500), title, unit) for m, title, unit in _MEASURES]
        made = log.yield_and_repress(where)
    facts = []
    if made.pieces:
        facts.append(("Accepted at first press", _share(made.first)))
        if made.repress.n:
            facts.append(("Pressing again helped", _share(made.repress)))
    return pieces[::-1], [t for t in trends if len(t.values) >= 2], facts


def _share(s: Any) -> str:
    low, high = s.interval
    return f"{s.good} of {s.n} ({100 * low:.0f}–{100 * high:.0f} %, 95 % sure)"


def _trend(t: Any, title: str, unit: str) -> TrendLine:
    from .presshealth import TrendLine

    c = t.chart
    return TrendLine(
        name=title,
        unit=unit,
        days=tuple(f"{d:%Y-%m-%d}" for d in t.times),
        values=tuple(float(v) for v in t.values),
        centre=c.centre if c else math.nan,
        lower=c.lower if c else math.nan,
        upper=c.upper if c else math.nan,
        smooth=tuple(c.ewma) if c else (),
        outside=tuple(c.outside) if c else (),
        drifting=tuple(c.drifting) if c else (),
        rough=bool(t.rough),
    )


def _logged(entry: Any) -> Piece:
    """One entry of the log as a piece; how it lay comes from its lay."""
    from .presshealth import Piece, Placing, Spot
    from .presslog_records import faces_up

    row, data, lay = entry.row, entry.data, entry.lay
    where = data.get("target") if isinstance(data.get("target"), dict) else data
    size = where.get("size_mm") or [100.0, 100.0]
    placing = Placing()
    if lay is not None:
        face = entry.recipe.heated_face if entry.recipe else ""
        up = faces_up(lay, heated_face=face, view=str(where.get("view", "")))
        placing = Placing((lay.x_mm, lay.y_mm), lay.turn_deg, up is not False, lay.blank_deg, lay.sheet_deg)
    return Piece(
        name=row.piece or row.uid[:8],
        size_mm=(float(size[0]), float(size[1])),
        shape=str(where.get("shape", "rect")),
        action=row.action,
        spots=tuple(Spot(f.kind, f.x_mm, f.y_mm, f.size_mm, f.delta_e00) for f in entry.findings),
        placing=placing,
        taken=f"{row.created:%Y-%m-%d}",
        source=f"log {row.uid[:8]}",
    )


# ---------------------------------------------------------------- fading


def _fading(args: argparse.Namespace) -> int:
    for given, name in ((args.placed, "--placed"), (args.log is not None, "--log")):
        if given:
            raise UsageError(f"{name} does not go with --fading", "give FIRST.json LATER.json… alone")
    if len(args.results) < 2:
        raise UsageError("--fading compares readings of one piece", "give FIRST.json and at least one LATER.json")
    from .files import write_text
    from .healthreport import fading_csv, fading_to_dict, print_fading, write_fading_report
    from .presshealth import SETUP_DE00, judge_fading
    from .results import load_reading

    first, *later = [load_reading(p) for p in args.results]
    for r in later:
        if r.target.ids != first.target.ids or r.target.code_text != first.target.code_text:
            raise UsageError(
                f"{Path(r.path).name} shows another target than {Path(first.path).name}", "compare one piece"
            )
    devices = {_device(r.data) for r in (first, *later)} - {""}
    setup = "camera" if len(devices) > 1 else "same" if args.same_light else "lamp"
    kinds = {str(c["id"]): str(c.get("kind", "colour")) for c in first.data["patches"]}
    fades = []
    for r in later:
        colours = _colours(first.target.ids, kinds)
        fades.append(
            judge_fading(
                first.target.device_rgb,
                first.lab,
                r.lab,
                first.u_random,
                r.u_random,
                first.usable & r.usable & colours,
                name=Path(r.path).stem,
                taken=_taken(r.data),
                setup=SETUP_DE00[setup],
            )
        )
    if args.json:
        write_result(args, fading_to_dict(fades, Path(first.path).name, setup))
    if args.csv:
        write_text(args.csv, fading_csv(fades))
    path = None
    if args.report:
        path = write_fading_report(
            fades, args.report, first=Path(first.path).name, setup=setup, overwrite=args.overwrite
        )
    if not args.quiet and args.json != "-":
        print_fading(fades, sys.stdout, setup, color=use_color())
        if path:
            print(f"Report: {path}")
    return 0


def _colours(ids: Sequence[str], kinds: dict[str, str]) -> Any:
    import numpy as np

    return np.array([kinds.get(str(i)) in ("colour", "control") for i in ids])


def _photos(data: dict[str, Any]) -> list[dict[str, Any]]:
    listed = data.get("photos")
    return [p for p in listed if isinstance(p, dict)] if isinstance(listed, list) else []


def _device(data: dict[str, Any]) -> str:
    return next((str(p["device"]) for p in _photos(data) if p.get("device")), "")


def _taken(data: dict[str, Any]) -> str:
    return next((str(p["taken"]) for p in _photos(data) if p.get("taken")), "")
