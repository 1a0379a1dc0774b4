"""Files read and written whole or not at all: JSON in, text and pictures out."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from .errors import ColorcheckError, DataError, FileError


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


def write_text(path: str | Path, text: str) -> None:
    """Write a UTF-8 text file whole or not at all; errors as for `whole`."""
    write_bytes(path, text.encode("utf-8"))


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
    """Read a JSON object from a file.

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
        data = json.loads(p.read_text(encoding="utf-8"))
    except FileNotFoundError as e:
        raise FileError(f"there is no file {p}", "check the name") from e
    except OSError as e:
        raise FileError(f"{p} cannot be read ({e.strerror})", "check its permissions") from e
    except (ValueError, RecursionError) as e:  # not UTF-8, not JSON, or nested without end
        raise error(f"{p.name} is not {what}", todo) from e
    if not isinstance(data, dict):
        raise error(f"{p.name} is not {what}", todo)
    return data
