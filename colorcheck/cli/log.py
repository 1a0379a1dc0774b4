"""`colorcheck log`: look into the press log, follow it over time, and take it elsewhere."""

from __future__ import annotations

import argparse
import json
import re
import sys
from dataclasses import asdict, is_dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..ground.errors import DataError, UsageError
from ..show.say import items, say
from ..show.screen import show
from .common import keep_existing, keep_report, use_color

if TYPE_CHECKING:
    from ..shop.presslog import PressLog
    from ..shop.presslog_records import Entry, Filter, Trend
    from ..show.screen import Block

# what to do: is a NAME needed, which options go with it, and one line of help
_FILTERS = ("kind", "action", "piece", "blank", "since", "until", "text", "lit", "over", "under")
_WHAT: dict[str, tuple[str, tuple[str, ...], str]] = {
    "list": ("", (*_FILTERS, "limit", "json", "overwrite"), "what was recorded, newest first"),
    "show": ("ID", ("json", "overwrite"), "one entry: what was found, how it was pressed"),
    "trend": ("", (*_FILTERS, "limit", "measure", "baseline", "report", "json", "overwrite"), "is it steady?"),
    "yield": ("", (*_FILTERS, "json", "overwrite"), "how many pieces come out well, and does pressing again help?"),
    "fading": ("", ("piece", "json", "overwrite"), "later readings of a piece against its first"),
    "export": ("DIR", ("overwrite",), "all of it as CSV and JSON lines"),
    "import": ("DIR", (), "take up an export; what is here already is left alone"),
    "backup": ("FILE", ("overwrite",), "a checked copy of the log file, also while it is in use"),
    "check": ("", ("json", "overwrite"), "is the log sound, and what is in it?"),
}
_ACTIONS = ("accept", "re-press", "change-profile", "reprint", "retake-photo")
_MEASURES = ("evenness", "mean_delta_e00", "black_density", "drift", "turned", "stray-light", "tone")


def add_log_command(sub: Any) -> None:
    """Add ``colorcheck log``."""
    p = sub.add_parser(
        "log",
        help="the press log: what was recorded with --log, and how it went over time",
        description="Look into the press log, which fills when other commands are given --log.",
        epilog="\n".join(
            ["what to do:", *(f"  {f'{w} {n}':13}{line}" for w, (n, _, line) in _WHAT.items())]
            + ["", "example: colorcheck log trend --measure evenness --since 90d"]
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("what", metavar="WHAT", choices=list(_WHAT), help=", ".join(_WHAT))
    p.add_argument("name", metavar="NAME", nargs="?", help="id of the entry, folder or file, as below")
    p.add_argument("--log", metavar="FILE", help="which log: file or postgresql:// URL (default: in your data folder)")
    p.add_argument("--kind", metavar="COMMAND", help="only results of this command, such as read")
    p.add_argument("--action", choices=_ACTIONS, help="only this verdict")
    p.add_argument("--piece", metavar="NAME", help="only this piece")
    p.add_argument("--blank", metavar="NAME/LOT", help="only this blank, or this lot of it")
    p.add_argument("--since", metavar="WHEN", help="from 2024-05-01 on, or the last 7d, 12h, 3w")
    p.add_argument("--until", metavar="WHEN", help="before then")
    p.add_argument("--text", metavar="WORDS", help="only entries in which all these words occur")
    p.add_argument("--lit", choices=("front", "behind"), help="only pieces lit from there (trend: front)")
    p.add_argument("--over", metavar="MEASURE=N", help="at least so much, such as evenness=2 or findings=1")
    p.add_argument("--under", metavar="MEASURE=N", help="at most so much, such as black_density=1.2")
    p.add_argument("--limit", metavar="N", help="the newest N (list: 20, trend: all)")
    p.add_argument("--measure", choices=_MEASURES, help="what trend follows (default: evenness)")
    p.add_argument("--baseline", metavar="N", help="trend: limits from the first N values (default: all)")
    p.add_argument("--report", metavar="DIR", help="trend: draw the chart in report.html in this folder")
    p.add_argument("--json", metavar="FILE", help="write the answer as JSON ('-' for the screen)")
    p.add_argument("--overwrite", action="store_true", default=None, help="replace files that exist")
    p.set_defaults(run=_log)


def _log(args: argparse.Namespace) -> int:
    needs, allowed, _ = _WHAT[args.what]
    every = {o for _, options, _ in _WHAT.values() for o in options}
    for option in sorted(every - set(allowed)):
        if getattr(args, option) is not None:
            raise UsageError(f"'log {args.what}' has no use for --{option}", "see 'colorcheck log --help'")
    if needs and not args.name:
        raise UsageError(f"'log {args.what}' needs a name", f"colorcheck log {args.what} {needs}")
    if args.name and not needs:
        raise UsageError(f"'log {args.what}' takes no '{args.name[:40]}'", "see 'colorcheck log --help'")
    keep_existing(args.json, bool(args.overwrite))
    keep_report(args.report, bool(args.overwrite))
    where = _filter(args)
    limit, baseline = _count(args.limit, "--limit"), _count(args.baseline, "--baseline")
    from ..shop.presslog import open_log

    if args.what == "import":
        from ..shop.presslog_files import read_export

        for _ in read_export(Path(args.name)):
            pass  # a damaged export makes no new log
    with open_log(args.log, create=args.what == "import") as log:
        if args.what == "list":
            _list(log, args, where, limit or 20)
        elif args.what == "show":
            _show(log.entry(args.name), args)
        elif args.what == "trend":
            _trend(log.trend(args.measure or "evenness", where, last=limit, baseline=baseline), args)
        elif args.what == "yield":
            _yield(log, args, where)
        elif args.what == "fading":
            _fading(log, args)
        elif args.what == "check":
            _check(log, args)
        elif args.what == "export":
            done = log.export(args.name, overwrite=bool(args.overwrite))
            from ..shop.presslog_files import WHOLE

            _tell(*items("log_exported", done[WHOLE], args.name))
        elif args.what == "import":
            taken = log.import_(args.name)
            _tell(say("log_imported", taken, log.name))
        else:
            count = log.backup(args.name, overwrite=bool(args.overwrite))
            _tell(say("log_copied", args.name, log.name, count))
    return 0


# ---------------------------------------------------------------- options


def _count(text: str | None, option: str) -> int | None:
    if text is None:
        return None
    if not re.fullmatch(r"[1-9][0-9]{0,8}", text):
        raise UsageError(f"{option} {text[:20]} is no count", "write a whole number from 1")
    return int(text)


def _bound(text: str | None, option: str) -> dict[str, float]:
    if text is None:
        return {}
    m = re.fullmatch(r"\s*([a-z_0-9]+)\s*=\s*([0-9]+(?:\.[0-9]+)?)\s*", text)
    if m is None:
        raise UsageError(f"{option} {text[:40]} is not understood", f"write it like {option} evenness=2")
    return {m[1]: float(m[2])}


def _filter(args: argparse.Namespace) -> Filter:
    from ..shop.presslog_records import Filter, parse_moment

    for name in ("piece", "blank", "text"):
        if any("\udc80" <= sign <= "\udcff" for sign in getattr(args, name) or ""):  # bytes that are no text
            raise UsageError(f"--{name} holds characters that are no text", "type it anew, in UTF-8")
    return Filter(
        kind=args.kind or "",
        action=args.action or "",
        piece=args.piece or "",
        blank=args.blank or "",
        since=parse_moment(args.since) if args.since is not None else None,
        until=parse_moment(args.until) if args.until is not None else None,
        text=args.text or "",
        lit=args.lit or "",
        at_least=_bound(args.over, "--over"),
        at_most=_bound(args.under, "--under"),
    )


# ---------------------------------------------------------------- answers


def _put(args: argparse.Namespace, data: Any) -> bool:
    """Write the answer as JSON if asked for; True when nothing else belongs on the screen."""
    if args.json is None:
        return False

    def plain(value: Any) -> Any:
        if isinstance(value, datetime):
            return value.isoformat()
        if is_dataclass(value) and not isinstance(value, type):
            return asdict(value)
        raise TypeError(type(value))

    text = json.dumps(data, ensure_ascii=False, indent=1, default=plain) + "\n"
    if args.json == "-":
        sys.stdout.write(text)
        return True
    from ..ground.files import write_text

    write_text(args.json, text)
    return False


def _tell(*blocks: Block) -> None:
    """Show an answer on the screen."""
    show(sys.stdout, blocks, color=use_color())


def _list(log: PressLog, args: argparse.Namespace, where: Filter, limit: int) -> None:
    from ..show import logbook

    rows, total = log.entries(where, limit=limit), log.count(where)
    if not _put(args, {"total": total, "entries": rows}):
        _tell(*(logbook.list_blocks(rows, total) if rows else [say("log_nothing", not log.count())]))


def _show(e: Entry, args: argparse.Namespace) -> None:
    from ..show import logbook

    known = {"recipe": e.recipe, "lay": e.lay, "costs": e.costs, "photos": e.photos}
    if not _put(args, {**asdict(e.row), **known, "platen": e.findings, "result": e.data}):
        _tell(*logbook.entry_blocks(e))


def _trend(t: Trend, args: argparse.Namespace) -> None:
    from ..show import logbook

    shown = not _put(args, t)
    path = None
    if args.report:
        from ..show.page import write_report

        path = write_report(args.report, "trend", [t], overwrite=bool(args.overwrite))
    if shown:
        _tell(*logbook.trend_blocks(t), *([say("report_at", path)] if path else []))


def _yield(log: PressLog, args: argparse.Namespace, where: Filter) -> None:
    y = log.yield_and_repress(where)
    shares = {
        k: {**asdict(s), "share": s.share, "interval": s.interval}
        for k, s in (("first", y.first), ("repress", y.repress))
    }
    if not _put(args, {**asdict(y), **shares}):
        _tell(*items("yield_says", y))


def _fading(log: PressLog, args: argparse.Namespace) -> None:
    from ..show import logbook

    if not args.piece:
        raise UsageError("which piece?", "colorcheck log fading --piece NAME")
    points = log.fading(args.piece)
    if not _put(args, {"piece": args.piece, "readings": points}):
        _tell(*logbook.fading_blocks(points, args.piece))


def _check(log: PressLog, args: argparse.Namespace) -> None:
    from ..show import logbook

    h = log.health()
    if _put(args, h):
        return
    if h.problems:
        raise DataError(f"the press log {h.where} is damaged ({h.problems[0]})", "put a backup in its place")
    span = (logbook.when(h.first), logbook.when(h.last)) if h.first and h.last else None
    _tell(*items("log_check", h, span), h.where if "://" in h.where else str(Path(h.where).resolve()))
