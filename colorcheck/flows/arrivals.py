"""Photos in a folder, each handed on when it has stopped growing: those that lie there, and those that arrive."""

from __future__ import annotations

import os
import queue
import time
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any

from ..ground.errors import FileError

_UNFINISHED = {".part", ".partial", ".tmp", ".temp", ".crdownload", ".download", ".filepart"}
_QUIET_S = 1.0  # a file that has not changed for so long is whole …
_STALLED_S = 4.0  # … but one that looks cut short is waited for as long as this


class Arrivals:
    """Files of a folder in the order of their names, then as they come.

    Parameters
    ----------
    folder : Path
    leave_out : collection of Path
        Files that are no photos: the list, the artworks, the results.
    watch : bool
        Go on waiting for new ones.

    Raises
    ------
    FileError
        The folder cannot be read.
    """

    def __init__(self, folder: Path, leave_out: Collection[Path], *, watch: bool = False) -> None:
        self._left_out = {os.path.realpath(p) for p in leave_out}
        self._waiting: dict[Path, tuple[int, int]] = {}
        self._new: queue.SimpleQueue[Path] = queue.SimpleQueue()
        self._observer = _observer(folder, self._new.put) if watch else None
        try:
            there = sorted(folder.iterdir())
        except OSError as e:
            self.close()
            raise FileError(f"the folder {folder} cannot be read ({e.strerror})", "check the name") from e
        self._seen: dict[Path, tuple[int, int]] = {}
        for path in there:
            self._note(path)

    def close(self) -> None:
        """Stop waiting for new ones."""
        if self._observer is not None:
            self._observer.stop()
            self._observer.join()
            self._observer = None

    pause_s = 0.1  # after which it is worth asking again

    @property
    def watching(self) -> bool:
        """Whether it waits for new ones."""
        return self._observer is not None

    @property
    def open(self) -> bool:
        """Whether more may come."""
        return bool(self._waiting) or self.watching

    def __len__(self) -> int:
        return len(self._waiting)

    def _note(self, path: Path) -> None:
        if path.name.startswith(".") or path.suffix.lower() in _UNFINISHED or os.path.realpath(path) in self._left_out:
            return
        now = _state(path)
        if now is not None and self._seen.get(path) != now:
            self._waiting[path] = now

    def next(self) -> Path | None:
        """Give a file that is ready; None while there is none."""
        while not self._new.empty():
            self._note(self._new.get())
        for path, before in list(self._waiting.items()):
            now = _state(path)
            if now is None:
                del self._waiting[path]
            elif _ready(path, now, before):
                del self._waiting[path]
                self._seen[path] = now
                return path
            else:
                self._waiting[path] = now
        return None


def _state(path: Path) -> tuple[int, int] | None:
    """Size and time of change of an ordinary file."""
    try:
        s = path.stat()
    except OSError:
        return None
    return (s.st_size, s.st_mtime_ns) if path.is_file() else None


def _ready(path: Path, now: tuple[int, int], before: tuple[int, int]) -> bool:
    """Whether a file has stopped growing: it has its end, or has not changed for a while."""
    ended = _end_of(path)
    age = time.time() - now[1] / 1e9
    return bool(ended) or (now == before and not 0 <= age < (_QUIET_S if ended is None else _STALLED_S))


_ENDS = {b"\xff\xd8\xff": b"\xff\xd9", b"\x89PNG\r\n\x1a\n": b"IEND\xaeB`\x82"}


def _end_of(path: Path) -> bool | None:
    """Tell of JPEG and PNG whether the last bytes are the format's end; None of other kinds."""
    try:
        with path.open("rb") as f:
            head = f.read(8)
            f.seek(-min(64, os.fstat(f.fileno()).st_size), os.SEEK_END)
            tail = f.read().rstrip(b"\0")
    except OSError:
        return None
    return next((tail.endswith(end) for begin, end in _ENDS.items() if head.startswith(begin)), None)


def _observer(folder: Path, put: Callable[[Path], None]) -> Any:
    """Start the thread that hears of new files."""
    from watchdog.events import FileSystemEvent, FileSystemEventHandler
    from watchdog.observers import Observer

    class Heard(FileSystemEventHandler):
        def on_any_event(self, event: FileSystemEvent) -> None:
            if not event.is_directory and event.event_type in ("created", "modified", "closed", "moved"):
                put(Path(os.fsdecode(event.dest_path or event.src_path)))

    observer = Observer()
    try:
        observer.schedule(Heard(), str(folder))
        observer.start()
    except OSError as e:
        raise FileError(f"the folder {folder} cannot be watched ({e.strerror or e})", "check the name") from e
    return observer
