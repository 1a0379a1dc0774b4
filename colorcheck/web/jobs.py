"""Jobs in the order they came, and the workers that do them: a bounded number of processes beside the page."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..ground.errors import UsageError

WAITING, RUNNING, DONE, FAILED, CANCELLED, INTERRUPTED = (
    "waiting",
    "running",
    "done",
    "failed",
    "cancelled",
    "interrupted",
)
_KEPT = 200  # finished jobs remembered here; results themselves stay in the store
_JOBS_PER_WORKER = 40  # then it is replaced, so that no leak lasts


@dataclass(slots=True, eq=False)
class Job:
    """One piece of work and how far it is; ``changed`` is set, and replaced, at every change."""

    uid: str
    kind: str
    title: str
    params: dict[str, Any]
    folder: Path
    state: str = WAITING
    says: str = ""
    photos: list[dict[str, Any]] = field(default_factory=list)
    error: str = ""
    version: int = 0
    changed: asyncio.Event = field(default_factory=asyncio.Event)
    born: float = field(default_factory=time.monotonic)

    @property
    def age_s(self) -> float:
        """Seconds since it was begun."""
        return time.monotonic() - self.born

    @property
    def over(self) -> bool:
        """Whether nothing more will happen."""
        return self.state not in (WAITING, RUNNING)

    def change(self, **values: Any) -> None:
        """Change fields and wake who waits."""
        for name, value in values.items():
            setattr(self, name, value)
        self.version += 1
        self.changed.set()
        self.changed = asyncio.Event()


class Bench:
    """A bounded set of workers.

    Parameters
    ----------
    workers : int
        Processes at work at once.
    queue : int
        Jobs that may wait; one more is refused.
    on_end : callable
        Told every job that is over, done or not.
    seconds : float
        Longest time for one job.
    """

    def __init__(
        self, workers: int, *, queue: int = 60, on_end: Callable[[Job], None] | None = None, seconds: float = 300.0
    ) -> None:
        self.size = workers
        self.limit = queue
        self.seconds = seconds
        self.jobs: dict[str, Job] = {}
        self.stopping = False
        self._on_end = on_end
        self._waiting: deque[Job] = deque()
        self._more = asyncio.Event()
        self._hands: list[asyncio.Task[None]] = []
        self._at: dict[str, asyncio.subprocess.Process] = {}

    def hurry(self) -> None:
        """Wake everybody who waits for a change: the page is about to stop."""
        self.stopping = True
        for job in self.jobs.values():
            job.changed.set()

    async def start(self) -> None:
        """Start the workers; they load their libraries while the page already answers."""
        self._hands = [asyncio.create_task(self._hand()) for _ in range(self.size)]

    async def stop(self) -> None:
        """Stop the workers; jobs that run are interrupted."""
        for hand in self._hands:
            hand.cancel()
        await asyncio.gather(*self._hands, return_exceptions=True)
        for job in self.jobs.values():
            if not job.over:
                self._end(job, INTERRUPTED, error="the page was stopped meanwhile")

    def submit(self, job: Job) -> None:
        """Put a job into the queue.

        Raises
        ------
        UsageError
            Too many wait already.
        """
        if len(self._waiting) >= self.limit:
            raise UsageError("too many photos are waiting", "try again in a minute")
        self.jobs[job.uid] = job
        for uid in [u for u, j in self.jobs.items() if j.over][:-_KEPT]:
            del self.jobs[uid]
        self._waiting.append(job)
        self._more.set()

    @property
    def room(self) -> int:
        """How many more jobs may be put into the queue."""
        return self.limit - len(self._waiting)

    def ahead(self, job: Job) -> int:
        """How many jobs are done before this one."""
        return self._waiting.index(job) if job in self._waiting else 0

    async def cancel(self, uid: str) -> None:
        """Stop a job: one that waits is left out, one that runs loses its worker, which is replaced."""
        job = self.jobs.get(uid)
        if job is None or job.over:
            return
        if job in self._waiting:
            self._waiting.remove(job)
        worker = self._at.get(uid)
        self._end(job, CANCELLED)
        if worker is not None:
            with contextlib.suppress(ProcessLookupError):
                worker.kill()

    def _end(self, job: Job, state: str, **values: Any) -> None:
        if job.over:
            return
        job.change(state=state, **values)
        if self._on_end:
            self._on_end(job)

    # ------------------------------------------------------------ one worker and its keeper

    async def _hand(self) -> None:
        while True:
            worker = await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                "colorcheck.web.worker",
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                limit=4_000_000,
                env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
            )
            try:
                if not await self._event(worker):  # it ends before it is ready: do not spin
                    await asyncio.sleep(2)
                    continue
                for _ in range(_JOBS_PER_WORKER):
                    job = await self._next()
                    if not await self._work(worker, job):
                        break
            finally:
                with contextlib.suppress(ProcessLookupError):
                    worker.kill()
                with contextlib.suppress(ConnectionError):
                    await worker.communicate()  # takes both pipes to their end, so that nothing outlives the loop

    async def _next(self) -> Job:
        while not self._waiting:
            self._more.clear()
            await self._more.wait()
        return self._waiting.popleft()

    @staticmethod
    async def _event(worker: asyncio.subprocess.Process) -> dict[str, Any]:
        """Take the next line of a worker; empty when it is gone."""
        assert worker.stdout is not None
        line = await worker.stdout.readline()
        return dict(json.loads(line)) if line else {}

    async def _work(self, worker: asyncio.subprocess.Process, job: Job) -> bool:
        """Let a worker do a job; False when the worker is no longer of use."""
        assert worker.stdin is not None
        self._at[job.uid] = worker
        job.change(state=RUNNING, says="starting")
        told = {"kind": job.kind, "params": job.params, "folder": str(job.folder), "uid": job.uid}
        try:
            worker.stdin.write((json.dumps(told) + "\n").encode())
            await worker.stdin.drain()
            async with asyncio.timeout(self.seconds):
                return await self._follow(worker, job)
        except TimeoutError:
            self._end(job, FAILED, error=f"it took longer than {self.seconds:.0f} s: try a smaller photo")
            return False
        except (ConnectionError, ValueError):
            self._end(job, FAILED, error="the work broke off: try again")
            return False
        except asyncio.CancelledError:
            self._end(job, INTERRUPTED, error="the page was stopped meanwhile")
            raise
        finally:
            self._at.pop(job.uid, None)

    async def _follow(self, worker: asyncio.subprocess.Process, job: Job) -> bool:
        while True:
            event = await self._event(worker)
            kind = event.get("event")
            if job.over:  # cancelled: its worker was killed
                return False
            if kind == "progress":
                job.change(says=str(event["says"]))
            elif kind == "photo":
                job.change(photos=[*job.photos, event["photo"]])
            elif kind == "done":
                self._end(job, DONE)
                return True
            elif kind == "error":
                self._end(job, FAILED, error=str(event["says"]))
                return True
            else:
                self._end(job, FAILED, error="the work broke off: try a smaller photo")
                return False
