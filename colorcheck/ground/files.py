"""Files read and written whole or not at all: JSON in, text and pictures out."""

from __future__ import annotations

import hashlib
import json
import math
import os
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from .errors import ColorcheckError, DataError, FileError, UsageError

SQLITE_HEADER = b"SQLite format 3\x00"  # first bytes of a press log, and of any file of this kind


def refuse_same(paths: Sequence[str | Path], what: str = "photo") -> None:
    """Refuse files of one and the same content, whatever their names: counted twice, they would feign certainty.

    Parameters
    ----------
    paths : sequence of path
        Files that count as so many witnesses; those that cannot be read are left to who opens them.
    what : str
        Their name in the message.

    Raises
    ------
    UsageError
        Two hold the same bytes.
    """
    seen: dict[bytes, str | Path] = {}
    for path in paths:
        with suppress(OSError), Path(path).open("rb") as f:
            digest = hashlib.file_digest(f, "sha256").digest()
            if digest in seen:
                names = f"{Path(seen[digest]).name} and {Path(path).name}"
                raise UsageError(f"{names} are the same {what}", f"give each {what} once: a copy tells nothing new")
            seen[digest] = path


@contextmanager
def whole(path: str | Path, suffix: str = ".part") -> Iterator[str]:
    """Give a temporary file beside ``path`` to write into; it takes that name when all went well.

    Parameters
    ----------
    path : path
        Where the finished file will lie. What is there stays untouched until then.
    suffix : str
        Ending of the temporary file, for writers that go by it.

    Raises
    ------
    FileError
        The folder does not exist or cannot be written, ``path`` is a folder, or the disk is full.
    """
    p = Path(path)
    if p.is_dir():
        raise FileError(f"{p} is a folder", "name a file")
    if p.exists() and not p.is_file():  # a rename would put a plain file in the place of a device
        raise FileError(f"{p} is no ordinary file", "name another one")
    try:
        handle, temporary = tempfile.mkstemp(dir=p.parent, prefix=f".{p.name[:50]}.", suffix=suffix)
    except OSError as e:
        raise FileError(f"{p} cannot be written ({e.strerror})", "choose a folder that exists and is yours") from e
    os.close(handle)
    try:
        yield temporary
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(temporary, 0o666 & ~mask)
        os.replace(temporary, p)
    except OSError as e:
        why = e.strerror or e
        raise FileError(f"{p} cannot be written ({why})", "free some space or choose another place") from e
    finally:
        with suppress(OSError):
            Path(temporary).unlink(missing_ok=True)


_MOST = 1e15  # no number in our files is near it; larger ones only overflow later


def _number(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value) or abs(value) > _MOST:
        raise ValueError("a number out of range")
    return value


def _whole_number(digits: str) -> int:
    if len(digits) > 16:
        raise ValueError("a number out of range")
    return int(digits)


def _no_number(name: str) -> float:
    raise ValueError(f"{name} is no number")


def _plain(value: Any) -> Any:
    """Text without signs that steer a terminal or cannot be written; line breaks and tabs stay."""
    if isinstance(value, str) and not value.isprintable():
        return "".join(c if c.isprintable() or c in "\n\t" else "?" for c in value)
    if isinstance(value, list):
        return [_plain(v) if isinstance(v, str | list) else v for v in value]
    return value


def _plain_object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    return {_plain(k): _plain(v) for k, v in pairs}


def damage(error: Exception) -> str:
    """Say in plain words why a data file cannot be used: the key it lacks, or that a value is of the wrong kind."""
    if isinstance(error, KeyError) and error.args:
        return f"it lacks '{error.args[0]}'"
    if isinstance(error, ColorcheckError):
        return error.message
    return "a value in it is of the wrong kind"


def write_text(path: str | Path, text: str) -> None:
    """Write a UTF-8 text file whole or not at all; errors as for `whole`. Signs that have no UTF-8 become '?'."""
    write_bytes(path, text.encode("utf-8", errors="replace"))


def write_bytes(path: str | Path, data: bytes) -> None:
    """Write a file whole or not at all; errors as for `whole`."""
    with whole(path) as temporary, open(temporary, "wb") as f:
        f.write(data)
        f.flush()
        os.fsync(f.fileno())


def read_json(
    path: str | Path,
    what: str,
    *,
    todo: str,
    error: type[ColorcheckError] = DataError,
    max_bytes: int = 200_000_000,
) -> dict[str, Any]:
    """Read a JSON object from a file; numbers that are not finite or beyond 10¹⁵ are refused.

    Signs in its texts that would steer a terminal become '?'.

    Parameters
    ----------
    path : path
        The file.
    what : str
        What it should be, with its article, for the error line: 'a reading'.
    todo : str
        What to give instead: "give the file written by 'read' with --json".
    error : type
        Error of a file that can be read but is not JSON.
    max_bytes : int
        Larger files are refused unread.

    Raises
    ------
    FileError
        It is missing, a folder, or cannot be read.
    ColorcheckError
        Of the kind ``error``: too large, or no JSON object.
    """
    p = Path(path)
    try:
        if p.is_dir():
            raise FileError(f"{p} is a folder", todo)
        if p.stat().st_size > max_bytes:
            raise error(f"{p.name} is too large for {what}", todo)
        data = json.loads(
            p.read_text(encoding="utf-8"),
            parse_float=_number,
            parse_int=_whole_number,
            parse_constant=_no_number,
            object_pairs_hook=_plain_object,
        )
    except FileNotFoundError as e:
        raise FileError(f"there is no file {p}", "check the name") from e
    except OSError as e:
        raise FileError(f"{p} cannot be read ({e.strerror})", "check its permissions") from e
    except (ValueError, RecursionError) as e:  # not UTF-8, not JSON, or nested without end
        raise error(f"{p.name} is not {what}", todo) from e
    if not isinstance(data, dict):
        raise error(f"{p.name} is not {what}", todo)
    return data
