"""The whole flow of `batch`: a folder of photos → each judged once, on all cores or a cluster, and written down."""

from __future__ import annotations

import hashlib
import logging
import os
import time
import uuid
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ..ground.errors import ColorcheckError, FileError, UsageError
from ..ground.files import opened, read_bytes
from .arrivals import Arrivals
from .batchbook import Book
from .batchline import Line, Told, refused
from .batchwork import MOST_BYTES, Setup, begin, with_files, work_elsewhere, work_here

_TRIES = 2  # times that a photo may be at work when a worker dies, before it is tried alone
_IN_HAND = 2  # photos given out for each worker: one at work, one ready


def _nothing() -> None:
    """Make nothing ready."""


@dataclass(frozen=True, slots=True)
class Crew:
    """Who works: so many processes of this machine, each made ready by ``prepare``, or the cluster of a scheduler."""

    workers: int
    scheduler: str = ""
    prepare: Callable[[], None] = _nothing


def run_batch(
    arrivals: Arrivals,
    book: Book,
    setup: Setup,
    crew: Crew,
    *,
    done: Callable[[Told], None],
    keep: Callable[[Sequence[Line]], None] = lambda _: None,
    moved: Callable[[int, int], None] = lambda _through, _known: None,
) -> None:
    """Judge every photo that is not in the book yet; one bad photo never stops the rest.

    Parameters
    ----------
    arrivals : Arrivals
    book : Book
        Takes each photo's lines.
    setup : Setup
    crew : Crew
    done : callable
        Given what is told of each photo that was not in the book.
    keep : callable
        Records lines elsewhere before they stand in the book; must bear being given the same twice.
    moved : callable
        Given how many photos are through and how many are known of, whenever that may have changed.

    Raises
    ------
    ColorcheckError
        Results cannot be written, or the cluster cannot be reached. What is in the book stays; started again it goes
        on from there.
    """
    through = 0

    def put(told: Told) -> None:
        keep(told.lines)
        book.add(told.lines)
        done(told)

    with _Hands(setup, crew) as hands:
        if arrivals.watching:
            hands.warm()
        while arrivals.open or hands.busy:
            while hands.room and (path := arrivals.next()) is not None:
                task = _task_of(path)
                if book.knows(task.name, task.sha256):
                    through += 1
                elif not task.sha256:
                    put(Told((refused(task.name, "", task.trouble),)))
                    through += 1
                elif (twin := book.twin(task.sha256) or hands.twin(task.sha256)) and twin != task.name:
                    why = f"{task.name} is the same photo as {twin}: it counts once"
                    put(Told((refused(task.name, task.sha256, why, same_as=twin),)))
                    through += 1
                else:
                    hands.give(task)
            for told in hands.take(arrivals.pause_s):
                put(told)
                through += 1
            moved(through, through + hands.busy + len(arrivals))


@dataclass(frozen=True, slots=True)
class _Task:
    """One photo: ``sha256`` is '' where it cannot be read, and ``trouble`` says why."""

    path: Path
    name: str
    sha256: str
    trouble: str = ""
    tries: int = 0


def _task_of(path: Path) -> _Task:
    name = os.fsencode(path.name).decode("utf-8", "replace")
    try:
        with opened(path) as f:
            return _Task(path, name, hashlib.file_digest(f, "sha256").hexdigest())
    except FileError as e:
        return _Task(path, name, "", e.message)


class _Hands:
    """Processes at work on photos, here or on a cluster; a process that dies costs no photo."""

    def __init__(self, setup: Setup, crew: Crew) -> None:
        self._setup, self._crew = setup, crew
        self._at_work: dict[Future[Told], _Task] = {}
        self._again: list[_Task] = []  # tried alone: one of them may be what ends its process
        self._client: Any = None
        self._shared: Any = None
        self._executor: Executor | None = None
        self._limit = _IN_HAND * crew.workers
        self._key = uuid.uuid4().hex

    def __enter__(self) -> _Hands:
        if self._crew.scheduler:
            self._executor = self._join_cluster()
        return self

    def __exit__(self, *_: object) -> None:
        self._dismiss(at_once=bool(self._at_work))
        if self._client is not None:
            with suppress(Exception):  # a cluster that is lost cannot be left in good order
                self._client.close(timeout=2)

    def warm(self) -> None:
        """Have the processes of this machine ready before the first photo comes."""
        if self._client is None:
            self._executor = self._hire()
            for _ in range(self._crew.workers):
                self._executor.submit(os.getpid)

    @property
    def busy(self) -> int:
        """How many photos are given out."""
        return len(self._at_work) + len(self._again)

    @property
    def room(self) -> bool:
        """Whether one more can be given out."""
        return not self._again and len(self._at_work) < self._limit

    def twin(self, sha256: str) -> str:
        """Name of a photo of that content that is at work, else ''."""
        return next((t.name for t in (*self._at_work.values(), *self._again) if t.sha256 == sha256), "")

    def give(self, task: _Task) -> None:
        """Give a photo out."""
        if self._executor is None:
            self._executor = self._hire()
        try:
            if self._client is None:
                future = self._executor.submit(work_here, str(task.path), task.sha256)
            else:
                content = read_bytes(task.path, most=MOST_BYTES)
                future = self._executor.submit(work_elsewhere, self._shared, self._key, task.name, content, task.sha256)
        except BrokenProcessPool as e:
            future = Future()
            future.set_exception(e)
        self._at_work[future] = task

    def take(self, most_s: float) -> list[Told]:
        """Take what is ready, waiting for it a while."""
        if self._again and not self._at_work:
            self.give(self._again.pop())
        if not self._at_work:
            time.sleep(most_s)
            return []
        ready, _ = wait(self._at_work, timeout=most_s, return_when=FIRST_COMPLETED)
        out: list[Told] = []
        lost: list[_Task] = []
        for future in ready:
            task = self._at_work.pop(future)
            try:
                out.append(future.result())
            except BrokenProcessPool:
                lost.append(task)
            except CancelledError as e:
                raise self._cluster_lost() from e
            except Exception as e:
                if self._client is None:
                    raise
                if self._client.status != "running":
                    raise self._cluster_lost() from e
                out.append(Told((refused(task.name, task.sha256, _ended(task.name)),)))
        if lost:
            out += self._after_a_death(lost)
        return out

    def _after_a_death(self, lost: list[_Task]) -> list[Told]:
        """Hire anew, and give out again what was at work when a process died."""
        lost += self._at_work.values()
        alone = len(lost) == 1
        self._at_work.clear()
        self._dismiss(at_once=True)
        told = []
        for task in lost:
            later = replace(task, tries=task.tries + 1)
            if later.tries > _TRIES and alone:
                told.append(Told((refused(task.name, task.sha256, _ended(task.name)),)))
            elif later.tries >= _TRIES:
                self._again.append(later)
            else:
                self.give(later)
        return told

    def _dismiss(self, *, at_once: bool) -> None:
        """End the processes of this machine.

        A pool in which one has died waits for the others without end where one of them was just being started
        (Python 3.11): these are ended here.
        """
        pool, self._executor = self._executor, None
        if not isinstance(pool, ProcessPoolExecutor):
            return
        processes = list((getattr(pool, "_processes", None) or {}).values())
        pool.shutdown(wait=not at_once, cancel_futures=True)
        for process in processes if at_once else ():
            process.kill()

    def _hire(self) -> ProcessPoolExecutor:
        """Start processes that are ready for the first photo: libraries loaded once, and shared where that can be."""
        import multiprocessing as mp

        kind = "forkserver" if "forkserver" in mp.get_all_start_methods() else "spawn"
        context = mp.get_context(kind)
        if kind == "forkserver":
            context.set_forkserver_preload(["colorcheck.flows.batchwork", self._setup.tell.__module__])
        return ProcessPoolExecutor(
            self._crew.workers, mp_context=context, initializer=begin, initargs=(self._setup, self._crew.prepare)
        )

    def _join_cluster(self) -> Executor:
        """Reach the scheduler, and lay down there what all photos need.

        Raises
        ------
        UsageError
            The extra is not installed.
        FileError
            The scheduler does not answer.
        """
        try:
            from distributed import Client
        except ImportError as e:
            raise UsageError("--scheduler needs dask.distributed", "pip install 'colorcheck[cluster]'") from e
        where = self._crew.scheduler
        for name in ("distributed", "tornado.application"):  # what they have to say is said in one line, by us
            logging.getLogger(name).setLevel(logging.CRITICAL)
        try:
            self._client = Client(where, timeout=10, set_as_default=False)  # type: ignore[no-untyped-call]
            cores = sum(self._client.nthreads().values())
        except (OSError, ValueError, TimeoutError) as e:
            raise FileError(f"no scheduler answers at {where}", "check that it runs, and its address") from e
        if not cores:
            raise FileError(f"the scheduler at {where} has no workers", "start some: dask worker ADDRESS")
        self._limit = _IN_HAND * cores
        self._shared = self._client.scatter(with_files(self._setup), broadcast=True, hash=False)
        executor: Executor = self._client.get_executor(pure=False)
        return executor

    def _cluster_lost(self) -> ColorcheckError:
        return FileError(
            f"the scheduler at {self._crew.scheduler} is lost", "start it, then this again: it goes on from here"
        )


def _ended(name: str) -> str:
    return f"{name} ended the process that judged it: not enough memory? Try a smaller picture, or fewer --workers"
