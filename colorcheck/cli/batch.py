"""The command `batch`: a folder of photos, several pieces in each, all cores."""

from __future__ import annotations

import argparse
import os
import re
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..ground.errors import FileError, UsageError
from .common import (
    add_common,
    add_heat,
    add_lit,
    add_log,
    begin,
    keep_existing,
    log_notes,
    pressing_of,
    reuse_memory,
    tell,
)

if TYPE_CHECKING:
    from ..flows.batch import Crew
    from ..flows.batchbook import Book
    from ..flows.batchline import Line, Told
    from ..flows.batchwork import Setup
    from ..shop.joblist import Job

_PAGE_EVERY_S = 2.0  # while photos still come
_MOST_WORKERS = 64
_MOST_AGAIN = 200  # pictures of an earlier run's pieces that are cut out again


def add_batch(sub: Any) -> None:
    """Add the command to the parser."""
    p = sub.add_parser(
        "batch",
        help="a day's work: a folder of photos, several pieces in each, judged on all cores",
        description="Judge every piece in every photo of a folder. Interrupted and started again it goes on.",
        epilog="example: colorcheck batch photos --jobs today.csv --json today.jsonl --report today.html",
    )
    p.add_argument("folder", metavar="FOLDER", help="the photos; pieces lie apart on white card")
    p.add_argument("--jobs", metavar="LIST.csv", required=True, help="what was pressed: artwork,size,shape,count")
    p.add_argument("--csv", metavar="FILE.csv", help="write a table, one row a piece")
    p.add_argument("--view", choices=("front", "through"), default="front", help="from which side they are looked at")
    p.add_argument(
        "--paper", choices=("on", "off"), default="on", help="is the paper still taped on and unmoved? (default: on)"
    )
    add_lit(p)
    p.add_argument("--reading", metavar="READING.json", help="reading of the same substrate: what colours should be")
    p.add_argument("--profile", metavar="P.icc", help="ICC profile the pieces were printed through")
    p.add_argument("--limits", metavar="FILE.toml", help="your own limits instead of the shipped ones")
    p.add_argument("--bench", metavar="BENCH.json", help="check of your set-up, from 'colorcheck bench'")
    p.add_argument("--workers", metavar="N", help="how many processes (default: one for each core)")
    p.add_argument("--watch", action="store_true", help="go on: judge each photo as it arrives")
    p.add_argument("--scheduler", metavar="tcp://HOST:PORT", help="let a Dask cluster do the work")
    add_heat(p)
    add_common(p, report=False)
    p.add_argument("--report", metavar="PAGE.html", help="write one page, what needs a hand first on top")
    add_log(p, heat=True)
    p.set_defaults(run=_batch)


def _crew(args: argparse.Namespace) -> Crew:
    from ..flows.batch import Crew

    if args.scheduler is not None and not re.fullmatch(r"(tcp|tls)://[\w.\[\]:-]+:\d{1,5}", args.scheduler):
        raise UsageError(f"--scheduler {args.scheduler[:60]} is no address", "write tcp://HOST:PORT")
    if args.workers is not None and args.scheduler is not None:
        raise UsageError("--workers is for this machine", "the cluster's own workers count with --scheduler")
    if args.workers is not None and not re.fullmatch(r"[1-9]\d?", args.workers, re.ASCII):
        raise UsageError(f"--workers {args.workers[:20]} is no count", f"write 1 to {_MOST_WORKERS}")
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    workers = cores if args.workers is None else int(args.workers)
    return Crew(min(workers, _MOST_WORKERS), args.scheduler or "", reuse_memory)


def _setup(args: argparse.Namespace, jobs: tuple[Job, ...]) -> Setup:
    from ..flows.batchwork import Setup
    from ..flows.pieces import load_candidates
    from ..flows.requests import InspectRequest
    from ..photo.benchfile import load_bench
    from ..show.batchlines import tell_photo

    request = InspectRequest(
        photos=(),
        artwork="",
        size_mm=jobs[0].size_mm,
        view=args.view,
        paper=args.paper,
        lit=args.lit,
        reading=args.reading,
        profile=args.profile,
        limits=args.limits,
        bench=args.bench,
        pressing=pressing_of(args),
    )
    if args.bench:
        load_bench(args.bench)  # refused now, not once for each photo
    for job in jobs:
        replace(request, size_mm=job.size_mm, shape=job.shape)  # refuses what no piece can be
    return Setup(request, load_candidates(jobs, view=args.view), tell_photo)


def _begin(args: argparse.Namespace) -> tuple[Path, Path]:
    """Refuse before the slow work what cannot be; the folder, and the file of results."""
    folder = Path(args.folder)
    if not args.json or args.json == "-":
        raise UsageError("--json needs a file", "it holds the results, and is what a later run goes on from")
    if not folder.is_dir():
        raise FileError(f"there is no folder {folder}", "name the folder of the photos")
    out = Path(args.json)
    wanted, args.json = args.json, None  # may exist: it is gone on with
    begin(args, outputs=[args.csv], inputs=[args.jobs, args.reading, args.profile, args.limits, args.bench])
    args.json = wanted
    keep_existing(out, overwrite=True)
    same = {os.path.realpath(p) for p in (out, args.csv, args.report, args.jobs) if p}
    if len(same) < sum(p is not None for p in (out, args.csv, args.report, args.jobs)):
        raise UsageError("two of the files are one and the same", "give each its own name")
    return folder, out


def _batch(args: argparse.Namespace) -> int:
    report, args.report = args.report, None  # a page, not a folder
    folder, out = _begin(args)
    args.report = report
    if report:
        keep_existing(report, overwrite=True)
    crew = _crew(args)
    from ..shop.joblist import load_jobs

    jobs = load_jobs(args.jobs)
    setup = _setup(args, jobs)
    from ..flows.arrivals import Arrivals
    from ..flows.batch import run_batch
    from ..flows.batchbook import held, open_book

    with held(folder, out):
        if args.overwrite:
            out.unlink(missing_ok=True)
        book = open_book(out)
        ours = [
            out,
            *(Path(p) for p in (args.jobs, args.csv, args.report, args.log) if p),
            *(Path(p) for p in (args.reading, args.profile, args.limits, args.bench) if p),
            *(Path(j.artwork) for j in jobs),
        ]
        desk = _Desk(args, book, jobs)
        arrivals = Arrivals(folder, ours, watch=args.watch)
        try:
            with _progress(args) as moved, _recorder(args) as keep:
                run_batch(arrivals, book, setup, crew, done=desk.take, keep=keep, moved=moved)
        except KeyboardInterrupt:
            if not args.watch:
                from ..show.say import say

                print(say("batch_stays", len(book.lines), out), file=sys.stderr)
                raise
        finally:
            arrivals.close()
        desk.close()
    return 0


class _Desk:
    """What a person gets to see: a line a piece, the page, in the end the table."""

    def __init__(self, args: argparse.Namespace, book: Book, jobs: Sequence[Job]) -> None:
        self._args, self._book, self._jobs = args, book, jobs
        self._pictures: dict[tuple[str, int], str] = {}
        self._photos: dict[str, str] = {}
        self._page_due = 0.0
        if args.watch and not args.quiet:
            from ..show.say import say

            print(say("batch_watching", args.folder), flush=True)

    def take(self, told: Told) -> None:
        """Show what is told of one photo."""
        from ..show.batchwords import action_of, spoken

        sha256 = told.lines[0]["sha256"]
        for line, picture in zip(told.lines, told.pictures or [""] * len(told.lines), strict=True):
            if self._args.report and picture:
                self._pictures[sha256, line["piece"]] = picture
            if not self._args.quiet:
                print(spoken(line), flush=True)
        if self._args.report and told.overview:
            self._photos[sha256] = told.overview
        if self._args.watch:
            if sys.stderr.isatty() and any(action_of(line) != "accept" for line in told.lines):
                sys.stderr.write("\a")
            if time.monotonic() >= self._page_due:
                self._page(live=True)

    def _page(self, *, live: bool) -> None:
        if not self._args.report:
            return
        from ..ground.files import settle, write_text
        from ..show.batchlines import picture_again
        from ..show.batchpage import overview_context
        from ..show.page import render_page

        if not live:
            for line in self._book.lines[-_MOST_AGAIN:]:
                key = line["sha256"], line["piece"]
                if line["piece"] and key not in self._pictures:
                    self._pictures[key] = picture_again(Path(self._args.folder) / line["photo"], line)
        context = overview_context(self._book.lines, self._pictures, self._photos, live=live)
        write_text(self._args.report, render_page("batch.html.j2", context))
        settle()
        self._page_due = time.monotonic() + _PAGE_EVERY_S

    def close(self) -> None:
        """Write the table and the page, and sum the day up."""
        from ..ground.files import write_text
        from ..show.batchwords import summary_blocks, table_csv
        from ..show.say import say

        if self._args.csv:
            write_text(self._args.csv, table_csv(self._book.lines))
        self._page(live=False)
        at = [say("batch_page_at", self._args.report)] if self._args.report else []
        tell(self._args, lambda: [*summary_blocks(self._book.lines, self._jobs), *at])


@contextmanager
def _progress(args: argparse.Namespace) -> Iterator[Callable[[int, int], None]]:
    """Show how far it is, on a terminal."""
    if args.quiet or args.watch or not sys.stderr.isatty():
        yield lambda _through, _known: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    columns = (BarColumn(), MofNCompleteColumn(), "photos", TimeRemainingColumn(compact=True))
    on_screen = sys.stdout.isatty()  # what goes into a pipe is left alone
    with Progress(*columns, console=Console(stderr=True), redirect_stdout=on_screen, redirect_stderr=False) as bar:
        task = bar.add_task("", total=None)
        yield lambda through, known: bar.update(task, completed=through, total=known)


@contextmanager
def _recorder(args: argparse.Namespace) -> Iterator[Callable[[Sequence[Line]], None]]:
    """Record judged pieces in the press log, each once however often it is tried."""
    if args.log is None:
        yield lambda _: None
        return
    from ..flows.batchline import entries_of
    from ..shop.presslog import open_log

    notes = log_notes(args)
    prefix, load = notes.pop("piece"), notes.pop("lay")
    with open_log(args.log or None) as log:

        def keep(lines: Sequence[Line]) -> None:
            log.record_all(entries_of(lines, prefix=prefix, load=load, **notes))

        yield keep
