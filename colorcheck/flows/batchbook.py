"""The file of results of a batch, which is its memory as well: what stands in it is not judged again.

A photo's lines are appended at once and are on the disk before the next photo counts. What an interruption or a full
disk leaves of a photo's lines is taken back.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ..ground.errors import DataError, FileError, UsageError
from ..ground.files import settle, write_bytes

SCHEMA = "colorcheck-batch/1"
_BEGIN = f'{{"schema": "{SCHEMA}"'.encode()
_LOCK = ".colorcheck-batch.lock"


@contextmanager
def held(folder: Path, out: Path) -> Iterator[None]:
    """Keep other batches from a folder and from a file of results.

    Raises
    ------
    UsageError
        Another batch is at work on either.
    """
    from filelock import FileLock, Timeout

    own = out.parent / f".{out.name}.lock"
    places = [folder / _LOCK if os.access(folder, os.W_OK) else None, own]
    locks = [FileLock(str(p), timeout=0) for p in places if p is not None]
    try:
        for lock in locks:
            lock.acquire()
    except Timeout as e:
        for lock in locks:
            lock.release()
        raise UsageError(f"another batch is at work on {folder}", "wait for its end, or stop it") from e
    except OSError as e:
        raise FileError(f"{out.parent} cannot be written ({e.strerror})", "choose another place") from e
    try:
        yield
    finally:
        for lock in locks:
            lock.release()
        own.unlink(missing_ok=True)


class Book:
    """The results so far; made by `open_book`."""

    def __init__(self, path: Path, lines: list[dict[str, Any]]) -> None:
        self.path = path
        self.lines = lines
        self._done: set[tuple[str, str]] = set()
        self._photos: dict[str, str] = {}
        self._refused: set[str] = set()
        self._note(lines)

    def _note(self, lines: Sequence[dict[str, Any]]) -> None:
        for line in lines:
            self._done.add((line["photo"], line["sha256"]))
            if not line["pieces"]:
                self._refused.add(line["photo"])
            if not line.get("same_as"):
                self._photos.setdefault(line["sha256"], line["photo"])

    def knows(self, photo: str, sha256: str) -> bool:
        """Tell whether this photo stands in it."""
        return (photo, sha256) in self._done

    def twin(self, sha256: str) -> str:
        """Name of a photo of the same content that stands in it, else ''."""
        return self._photos.get(sha256, "")

    def add(self, lines: Sequence[dict[str, Any]]) -> None:
        """Append the lines of one photo: all of them are on the disk when this returns, or none is.

        Raises
        ------
        FileError
            The disk is full, or the file cannot be written.
        """
        data = _text(lines)
        try:
            with open(self.path, "ab", buffering=0) as f:  # what a buffer keeps would be written when it is closed
                before = f.seek(0, os.SEEK_END)
                try:
                    left = memoryview(data)
                    while left:
                        left = left[f.write(left) :]
                    os.fsync(f.fileno())
                except OSError:
                    f.truncate(before)
                    raise
        except OSError as e:
            raise FileError(
                f"{self.path} cannot be written ({e.strerror or e})",
                "free some space and start again: it goes on from here",
            ) from e
        self.lines += lines
        self._note(lines)
        if lines[0]["photo"] in self._refused and lines[0]["pieces"]:
            self._forget_refusals(lines[0]["photo"])

    def _forget_refusals(self, photo: str) -> None:
        """Take out what was said of a photo before it was whole."""
        self._refused.discard(photo)
        self.lines = [line for line in self.lines if line["photo"] != photo or line["pieces"]]
        _write(self.path, self.lines)


def _text(lines: Sequence[dict[str, Any]]) -> bytes:
    rows = (json.dumps(line, ensure_ascii=False, allow_nan=False) + "\n" for line in lines)
    return "".join(rows).encode("utf-8", "replace")


def _write(path: Path, lines: Sequence[dict[str, Any]]) -> None:
    write_bytes(path, _text(lines))
    settle()


def open_book(path: Path) -> Book:
    """Open a file of results, or begin one; what is not whole in it is taken out.

    Raises
    ------
    DataError
        It holds something else.
    FileError
        It cannot be read or written.
    """
    try:
        data = path.read_bytes() if path.exists() else b""
    except OSError as e:
        raise FileError(f"{path} cannot be read ({e.strerror})", "choose another name") from e
    foreign = DataError(f"{path} exists and holds no results of a batch", "choose another name, or add --overwrite")
    *rows, tail = data.split(b"\n")
    if not (_BEGIN.startswith(tail) or tail.startswith(_BEGIN)):
        raise foreign
    lines: list[dict[str, Any]] = []
    for row in rows:
        try:
            line = json.loads(row)
            good = line["schema"] == SCHEMA and isinstance(line["photo"], str) and isinstance(line["sha256"], str)
            good = good and isinstance(line["pieces"], int) and {"piece", "artwork", "verdict", "error"} <= line.keys()
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            good = False
        if not good:
            raise foreign
        lines.append(line)
    counted: dict[tuple[str, str], int] = {}
    for line in lines:
        key = (line["photo"], line["sha256"])
        counted[key] = counted.get(key, 0) + 1
    whole = [line for line in lines if counted[line["photo"], line["sha256"]] == max(line["pieces"], 1)]
    if tail or len(whole) < len(lines):
        _write(path, whole)
    return Book(path, whole)
