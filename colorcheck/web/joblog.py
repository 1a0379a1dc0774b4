"""The page's side of the press log: jobs as they begin and end, results, and the list of presses."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..ground.errors import ColorcheckError

if TYPE_CHECKING:
    from ..shop.presslog import PressLog
    from ..shop.presslog_records import EntryRow, JobRow, Lay

OWNER = "colorcheck page"
PER_PAGE = 50


class Journal:
    """Jobs and results in the press log; opened when it is first needed.

    Parameters
    ----------
    where : str, path or None
        As for `presslog.open_log`.
    """

    def __init__(self, where: str | Path | None = None) -> None:
        self.where = None if where is None else str(where)
        self._log: PressLog | None = None
        self._lock = threading.Lock()

    def log(self) -> PressLog:
        """Return the log, opened and up to date.

        Raises
        ------
        ColorcheckError
            It cannot be opened.
        """
        with self._lock:
            if self._log is None:
                from ..shop.presslog import open_log

                self._log = open_log(self.where)
            return self._log

    def close(self) -> None:
        """Close the log; it opens again when it is needed."""
        with self._lock:
            if self._log is not None:
                self._log.close()
                self._log = None

    # ------------------------------------------------------------ jobs

    def interrupt_unfinished(self) -> None:
        """Note of jobs that an earlier run left unfinished that they were interrupted."""
        self.log().interrupt_unfinished(owner=OWNER)

    def job_began(self, uid: str, kind: str, title: str) -> None:
        """Note a job that waits for its turn."""
        self.log().start_job(kind, title=title, uid=uid, owner=OWNER, state="queued")

    def job_over(self, uid: str, state: str, message: str) -> None:
        """Note how a job ended; the entry of its result has the job's own name."""
        self.log().finish_job(uid, state=state, message=message, entry_uid=uid if state == "done" else "")  # type: ignore[arg-type]

    def job(self, uid: str) -> JobRow | None:
        """Look a job up."""
        return self.log().job(uid)

    # ------------------------------------------------------------ results

    def piece_of(self, uid: str) -> str:
        """Name of the piece that an entry is about; '' where it has none, or the log does not know it."""
        try:
            return self.log().entry(uid).row.piece
        except ColorcheckError:
            return ""

    def note_of(self, uid: str) -> str | None:
        """Note of an entry; None where the log does not know it, or cannot be asked now."""
        try:
            return self.log().entry(uid).row.note
        except ColorcheckError:
            return None

    def overviews(self, uids: Sequence[str]) -> dict[str, str]:
        """Tell of pieces that were judged together in which overview they stand: entry → overview."""
        return {e.row.uid: at for e in self.log().whole(uids) if isinstance(at := e.data.get("overview"), str)}

    def presses(self, query: Mapping[str, str]) -> dict[str, Any]:
        """List what the log holds, newest first.

        Parameters
        ----------
        query : mapping
            'text', 'action', 'kind' and 'page' as the page's form gives them; what cannot be used is left out.
        """
        from ..shop.presslog_records import Filter

        number = query.get("page", "")
        page = int(number) if number.isdigit() and len(number) < 6 else 0
        where = Filter(
            text=query.get("text", "")[:100], action=query.get("action", "")[:20], kind=query.get("kind", "")[:20]
        )
        log = self.log()
        rows = log.entries(where, limit=PER_PAGE + 1, offset=PER_PAGE * page)
        share = log.yield_and_repress()
        return {
            "rows": [_row(r) for r in rows[:PER_PAGE]],
            "page": page,
            "more": len(rows) > PER_PAGE,
            "query": {k: query.get(k, "")[:100] for k in ("text", "action", "kind")},
            "first": {"good": share.first.good, "n": share.first.n},
            "repress": {"good": share.repress.good, "n": share.repress.n},
        }


def _row(r: EntryRow) -> dict[str, Any]:
    told = [r.blank + (f"/{r.lot}" if r.lot else ""), r.recipe]
    return {
        "uid": r.uid,
        "kind": r.kind,
        "title": (r.piece or r.name or r.kind) + (f" ({r.kind})" if r.kind not in ("read", "inspect") else ""),
        "action": r.action,
        "headline": r.headline,
        "when": f"{r.created.astimezone():%Y-%m-%d %H:%M}",
        "told": ", ".join(t for t in told if t),
    }


def lay_of(params: Mapping[str, Any]) -> Lay | None:
    """How the piece lay in the press, for the log; None when it was not told."""
    from ..shop.presslog_records import Lay

    turn = params.get("turned")
    return None if turn is None else Lay(turn_deg=float(turn), face="" if params.get("recipe_name") else "up")
