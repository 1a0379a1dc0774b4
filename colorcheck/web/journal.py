"""The page's side of the press log: what jobs were asked for, how they ended, and what the log shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class KnownJob:
    """A job as the log remembers it."""

    kind: str
    title: str
    state: str
    message: str


class Journal:
    """Jobs and results in the press log."""

    def __init__(self, where: Any = None) -> None:
        self.where = where
        self._jobs: dict[str, KnownJob] = {}

    def interrupt_unfinished(self) -> None:
        """Note of jobs that an earlier run left unfinished that they were interrupted."""

    def job_began(self, uid: str, kind: str, title: str) -> None:
        """Note a job."""
        self._jobs[uid] = KnownJob(kind, title, "waiting", "")

    def job_over(self, uid: str, state: str, message: str) -> None:
        """Note how a job ended."""
        old = self._jobs.get(uid)
        if old:
            self._jobs[uid] = KnownJob(old.kind, old.title, state, message)

    def job(self, uid: str) -> KnownJob | None:
        """Look a job up."""
        return self._jobs.get(uid)

    def overview(self, query: dict[str, str]) -> dict[str, Any]:
        """Collect what the page of presses shows."""
        return {"rows": []}
