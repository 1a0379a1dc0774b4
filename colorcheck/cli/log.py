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
from .common import keep_existing

if TYPE_CHECKING:
    from ..shop.presslog import PressLog
    from ..shop.presslog_records import Entry, Filter, Share, Trend

# what to do: is a NAME needed, which options go with it, and one line of help
_FILTERS = ("kind", "action", "piece", "blank", "since", "until", "text", "over", "under")
_WHAT: dict[str, tuple[str, tuple[str, ...], str]] = {
    "list": ("", (*_FILTERS, "limit", "json", "overwrite"), "what was recorded, newest first"),
    "show": ("ID", ("json", "overwrite"), "one entry: what was found, how it was pressed"),
    "trend": ("", (*_FILTERS, "limit", "measure", "baseline", "json", "overwrite"), "is the press steady?"),
    "yield": ("", (*_FILTERS, "json", "overwrite"), "how many pieces come out well, and does pressing again help?"),
    "fading": ("", ("piece", "json", "overwrite"), "later readings of a piece against its first"),
    "export": ("DIR", ("overwrite",), "all of it as CSV and JSON lines"),
    "import": ("DIR", (), "take up an export; what is here already is left alone"),
    "backup": ("FILE", ("overwrite",), "a checked copy of the log file, also while it is in use"),
    "check": ("", ("json", "overwrite"), "is the log sound, and what is in it?"),
}
_ANSWERS = {
    "accept": "accept",
    "re-press": "press again",
    "change-profile": "change profile",
    "reprint": "print again",
    "retake-photo": "photo again",
}
_MEASURES = {"evenness": "Evenness", "mean_delta_e00": "Colour error", "black_density": "Density of black"}
_UNITS = {"evenness": "ΔE00", "mean_delta_e00": "ΔE00", "black_density": "density"}
_BELOW = {"evenness": "more even than usual", "mean_delta_e00": "closer than usual", "black_density": "paler black"}
_ABOVE = {"evenness": "less even than usual", "mean_delta_e00": "further off", "black_density": "deeper black"}


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
    p.add_argument("--action", choices=list(_ANSWERS), help="only this verdict")
    p.add_argument("--piece", metavar="NAME", help="only this piece")
    p.add_argument("--blank", metavar="NAME/LOT", help="only this blank, or this lot of it")
    p.add_argument("--since", metavar="WHEN", help="from 2024-05-01 on, or the last 7d, 12h, 3w")
    p.add_argument("--until", metavar="WHEN", help="before then")
    p.add_argument("--text", metavar="WORDS", help="only entries in which all these words occur")
    p.add_argument("--over", metavar="MEASURE=N", help="at least so much, such as evenness=2 or findings=1")
    p.add_argument("--under", metavar="MEASURE=N", help="at most so much, such as black_density=1.2")
    p.add_argument("--limit", metavar="N", help="the newest N (list: 20, trend: all)")
    p.add_argument("--measure", choices=list(_MEASURES), help="what trend follows (default: evenness)")
    p.add_argument("--baseline", metavar="N", help="trend: limits from the first N values (default: all)")
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
            print(f"{_several(done['press-log.jsonl'], 'entry', 'entries')} written to {args.name}")
            print("The CSV files are for spreadsheets; press-log.jsonl is what 'log import' reads.")
        elif args.what == "import":
            taken = log.import_(args.name)
            print(f"{_several(taken.added, 'entry', 'entries')} taken up into {log.name}, {taken.known} there already")
        else:
            count = log.backup(args.name, overwrite=bool(args.overwrite))
            print(f"{args.name}  a sound copy of {log.name}, {_several(count, 'entry', 'entries')}")
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

    return Filter(
        kind=args.kind or "",
        action=args.action or "",
        piece=args.piece or "",
        blank=args.blank or "",
        since=parse_moment(args.since) if args.since is not None else None,
        until=parse_moment(args.until) if args.until is not None else None,
        text=args.text or "",
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


def _when(moment: datetime) -> str:
    return moment.astimezone().strftime("%Y-%m-%d %H:%M")


def _value(value: float | None, digits: int) -> str:
    return "–" if value is None else f"{value:.{digits}f}"


def _several(n: int, one: str, many: str) -> str:
    return f"{n} {one if n == 1 else many}"


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"


def _list(log: PressLog, args: argparse.Namespace, where: Filter, limit: int) -> None:
    rows, total = log.entries(where, limit=limit), log.count(where)
    if _put(args, {"total": total, "entries": rows}):
        return
    if not rows:
        print("Nothing in the log meets this." if log.count() else "The log is empty.")
        return
    shown = f"{len(rows)} of " if len(rows) < total else ""
    print(f"{shown}{_several(total, 'entry', 'entries')}, newest first")
    print(f"{'when':17}{'what':9}{'piece':17}{'answer':15}{'even':>5}{'ΔE00':>6}{'black':>7}  id")
    for r in rows:
        print(
            f"{_when(r.created):17}{_cut(r.kind, 8):9}{_cut(r.piece or r.name, 16):17}"
            f"{_cut(_ANSWERS.get(r.action, r.action) or '–', 14):15}{_value(r.evenness, 2):>5}"
            f"{_value(r.mean_delta_e00, 1):>6}{_value(r.black_density, 2):>7}  {r.uid[:8]}"
        )


def _show(e: Entry, args: argparse.Namespace) -> None:
    r = e.row
    known = {"recipe": e.recipe, "lay": e.lay, "costs": e.costs, "photos": e.photos}
    if _put(args, {**asdict(r), **known, "platen": e.findings, "result": e.data}):
        return
    print(r.headline or f"{r.kind} {r.name}".strip())
    lot = f", lot {r.lot}" if r.lot else ""
    press = f"pressing {r.press_no}" if r.press_no else ""
    parts = [r.kind, r.piece or r.name, f"on {r.blank}{lot}" if r.blank else "", press, _when(r.created)]
    print(" · ".join(p for p in parts if p))
    print(f"id {r.uid}")
    measured = [
        f"evenness {r.evenness:.2f} ΔE00" if r.evenness is not None else "",
        f"colour error {r.mean_delta_e00:.1f} ΔE00" if r.mean_delta_e00 is not None else "",
        f"black {r.black_density:.2f}" if r.black_density is not None else "",
    ]
    if any(measured):
        print("Measured: " + ", ".join(m for m in measured if m))
    if r.recipe:
        print(f"Recipe: {r.recipe}")
    if e.costs:
        print("Cost: " + ", ".join(f"{k.item} {k.thousandths / 1000:.2f} {k.currency}".strip() for k in e.costs))
    if e.photos:
        print("Photos: " + ", ".join(f"{p.file or 'unnamed'} ({p.sha256[:8]})" for p in e.photos))
    if r.note:
        print(f"Note: {r.note}")
    for n, f in enumerate(e.findings, start=1):
        place = ""
        if f.platen_x_mm is not None and f.platen_y_mm is not None:
            side, depth = ("right" if f.platen_x_mm >= 0 else "left"), ("front" if f.platen_y_mm >= 0 else "back")
            place = f"; on the platen {abs(f.platen_x_mm):.0f} mm {side}, {abs(f.platen_y_mm):.0f} mm to the {depth}"
        print(f"{n:2}. {f.kind}, {f.size_mm:.0f} mm, {f.delta_e00:.1f} ΔE00, at {f.x_mm:.0f}, {f.y_mm:.0f} mm{place}")


def _trend(t: Trend, args: argparse.Namespace) -> None:
    if _put(args, t):
        return
    name, unit, c = _MEASURES[t.measure], _UNITS[t.measure], t.chart
    n = len(t.values)
    if c is None:
        print(f"Too few values to tell: {n}. From 5 on there are limits, from 20 on good ones.")
        return
    last = n - 1
    usual = f"usual {c.centre:.2f}, limits {c.lower:.2f} to {c.upper:.2f} {unit}"
    if last in c.drifting:
        start = last
        while start - 1 in set(c.drifting[-(last - start + 2) :]):
            start -= 1
        side = (_ABOVE if c.ewma[last] > c.centre else _BELOW)[t.measure]
        print(f"{name} has moved: {side} since {_when(t.times[start])}.")
        limit = c.ewma_upper[last] if c.ewma[last] > c.centre else c.ewma_lower[last]
        print(f"Smoothed value {c.ewma[last]:.2f}, limit {limit:.2f}. Single values: {usual}.")
    elif c.outside or c.drifting:
        odd = f"{len(c.outside)} of {n} values stood out" if c.outside else "no single value stood out"
        moved = f", and it had moved for {len(c.drifting)} of them" if c.drifting else ""
        print(f"{name} is as usual now, but {odd}{moved}.")
        print(f"{n} values; {usual}.")
    else:
        print(f"{name} is steady: none of {n} values is beyond its limits.")
        print(f"{usual[0].upper()}{usual[1:]}.")
    for i in c.outside[-8:]:
        side = (_ABOVE if t.values[i] > c.centre else _BELOW)[t.measure]
        print(f"  {_when(t.times[i])}  {t.values[i]:.2f}  {side}  {t.uids[i][:8]}")
    if t.rough:
        print(f"The limits rest on {c.baseline} values only, and are wide for that: they narrow with every piece.")


def _percent(s: Share) -> str:
    low, high = s.interval
    return f"{100 * (s.share or 0):.0f} %; {100 * low:.0f} to {100 * high:.0f} % at 95 % confidence"


def _yield(log: PressLog, args: argparse.Namespace, where: Filter) -> None:
    y = log.yield_and_repress(where)
    shares = {
        k: {**asdict(s), "share": s.share, "interval": s.interval}
        for k, s in (("first", y.first), ("repress", y.repress))
    }
    if _put(args, {**asdict(y), **shares}):
        return
    if not y.pieces:
        print("No judged piece has a name: record with --piece.")
        return
    print(f"{y.first.good} of {y.first.n} pieces were accepted at first press ({_percent(y.first)}).")
    if y.repress.n:
        print(f"Pressing again helped {y.repress.good} of {y.repress.n} times ({_percent(y.repress)}).")
    else:
        print("No piece was pressed again.")
    print(f"In the end {y.good} of {y.pieces} are good.")
    for currency, amount in y.cost_per_good:
        print(f"Recorded cost for each good piece: {amount:.2f} {currency}".rstrip())


def _fading(log: PressLog, args: argparse.Namespace) -> None:
    if not args.piece:
        raise UsageError("which piece?", "colorcheck log fading --piece NAME")
    points = log.fading(args.piece)
    if _put(args, {"piece": args.piece, "readings": points}):
        return
    if not points:
        print(f"There is one reading of {args.piece}: read the same target again later.")
        return
    p = points[-1]
    beyond = p.mean_delta_e00 > 2 * p.noise_delta_e00
    print(
        f"After {p.days:.0f} days {args.piece} differs by {p.mean_delta_e00:.1f} ΔE00 from its first reading"
        + ("." if beyond else ", no more than the measurement's own doubt.")
    )
    print(f"{'when':17}{'days':>6}{'mean':>7}{'worst 5 %':>11}{'doubt':>7}")
    for p in points:
        other = "" if p.same_camera else "  another camera"
        print(
            f"{_when(p.created):17}{p.days:6.0f}{p.mean_delta_e00:7.2f}{p.p95_delta_e00:11.2f}"
            f"{p.noise_delta_e00:7.2f}{other}"
        )
    print("Compare pieces by this, under the same lamp and camera; it tells no years.")


def _check(log: PressLog, args: argparse.Namespace) -> None:
    h = log.health()
    if _put(args, h):
        return
    if h.problems:
        raise DataError(f"the press log {h.where} is damaged ({h.problems[0]})", "put a backup in its place")
    span = f", {_when(h.first)} to {_when(h.last)}" if h.first and h.last else ""
    print(f"The press log is sound: {_several(h.entries, 'entry', 'entries')}{span}.")
    counts = ((h.pieces, "piece"), (h.photos, "photo"), (h.findings, "finding"))
    parts = ", ".join(_several(n, one, one + "s") for n, one in counts)
    print(f"{parts}; {h.bytes / 1e6:.1f} MB; tables {h.version}")
    print(h.where if "://" in h.where else Path(h.where).resolve())
