"""One door in, one door out: a user's file is read here, whole and checked, and written here, whole or not at all."""

from __future__ import annotations

import hashlib
import math
import os
import re
import stat
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from io import BufferedReader
from pathlib import Path
from typing import Any, TypeVar

from .errors import ColorcheckError, DataError, FileError, UsageError

T = TypeVar("T")
StrPath = str | os.PathLike[str]

MAX_BYTES = 20_000_000  # of readings, tables and texts
SQLITE_HEADER = b"SQLite format 3\x00"  # first bytes of a press log, and of any file of this kind
_MOST = 1e15  # no number in our files is near it; larger ones only overflow later
_DEEPEST = 40  # levels of brackets; our own files have 6

# ---------------------------------------------------------------- in


def read_bytes(
    path: StrPath,
    *,
    todo: str = "check the name",
    error: type[ColorcheckError] = DataError,
    most: int = MAX_BYTES,
) -> bytes:
    """Read an ordinary file whole; a pipe, a device or a folder is refused, never waited for.

    Parameters
    ----------
    path : path
        The file.
    todo : str
        What to give instead: "give the file written by 'read' with --json".
    error : type
        Error of a file that is too large.
    most : int
        Bytes; larger files are refused unread.

    Raises
    ------
    FileError
        It is missing, no ordinary file, or cannot be read.
    ColorcheckError
        Of the kind ``error``: it is too large.
    """
    with opened(path, todo=todo) as f:
        size = os.fstat(f.fileno()).st_size
        if size > most:
            name = _shown(Path(path).name)
            raise error(f"{name} is too large ({size / 1e6:.0f} MB, at most {most / 1e6:.0f})", todo)
        data = f.read(size + 1)
    if len(data) != size:
        raise FileError(f"{_shown(Path(path).name)} changes while it is read", "wait until it is written, or copy it")
    return data


def refuse_same(paths: Sequence[StrPath], what: str = "photo") -> None:
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
    seen: dict[bytes, StrPath] = {}
    for path in paths:
        with suppress(FileError), opened(path) as f:
            digest = hashlib.file_digest(f, "sha256").digest()
            if digest in seen:
                names = f"{Path(seen[digest]).name} and {Path(path).name}"
                raise UsageError(f"{names} are the same {what}", f"give each {what} once: a copy tells nothing new")
            seen[digest] = path


@contextmanager
def opened(path: StrPath, *, todo: str = "check the name") -> Iterator[BufferedReader]:
    """Open an ordinary file, for what is too large to be read at once; errors as for `read_bytes`, reading included."""
    name = _shown(Path(path).name or os.fspath(path))
    try:
        # without O_NONBLOCK a named pipe would be waited for here
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except FileNotFoundError as e:
        raise FileError(f"there is no file {_shown(os.fspath(path))}", "check the name") from e
    except (OSError, ValueError) as e:  # ValueError: a zero byte in the name
        raise FileError(f"{name} cannot be read ({getattr(e, 'strerror', e)})", "check its name and permissions") from e
    mode = os.fstat(handle).st_mode
    if not stat.S_ISREG(mode):
        os.close(handle)
        raise FileError(f"{name} is {'a folder' if stat.S_ISDIR(mode) else 'no ordinary file'}", todo)
    try:
        with open(handle, "rb") as f:
            yield f
    except OSError as e:
        raise FileError(f"{name} cannot be read ({e.strerror or e})", "check the disk") from e


def read_text(path: StrPath, *, todo: str, error: type[ColorcheckError] = DataError, most: int = MAX_BYTES) -> str:
    """Read a UTF-8 text file, with or without a byte order mark; errors as for `read_bytes`, or ``error``: no text."""
    try:
        return read_bytes(path, todo=todo, error=error, most=most).decode("utf-8-sig")
    except UnicodeDecodeError as e:
        raise error(f"{_shown(Path(path).name)} is not plain text (UTF-8)", "save it as UTF-8") from e


def read_toml(path: StrPath, what: str, *, todo: str) -> tuple[dict[str, Any], str]:
    """Read TOML; the data and the text it stood in. Errors as for `read_json`; numbers may be of any size."""
    import tomllib

    text = read_text(path, todo=todo)
    try:
        return _sane(tomllib.loads(text), most=math.inf), text
    except (ValueError, RecursionError) as e:
        why = "it is nested without end" if isinstance(e, RecursionError) else e
        raise DataError(f"{_shown(Path(path).name)} is not {what} ({why})", todo) from e


def read_json(
    path: StrPath, what: str, *, todo: str, error: type[ColorcheckError] = DataError, most: int = MAX_BYTES
) -> dict[str, Any]:
    """Read a JSON object; numbers that are not finite or beyond 10¹⁵ and nesting without end are refused.

    Signs in its texts that would steer a terminal become '?'.

    Parameters
    ----------
    path : path
        The file.
    what : str
        What it should be, with its article, for the error line: 'a reading'.
    todo, error, most
        As for `read_bytes`.

    Raises
    ------
    FileError
        It is missing, no ordinary file, or cannot be read.
    ColorcheckError
        Of the kind ``error``: too large, or no JSON object.
    """
    return json_object(read_bytes(path, todo=todo, error=error, most=most), _shown(Path(path).name), what, todo, error)


def json_object(
    text: bytes, name: str, what: str, todo: str, error: type[ColorcheckError] = DataError
) -> dict[str, Any]:
    """Turn JSON text into an object; checks and errors as for `read_json`."""
    import msgspec

    try:
        data = _sane(msgspec.json.decode(text.decode("utf-8-sig")))
    except (ValueError, RecursionError) as e:  # not JSON, nested without end, or a number out of range
        raise error(f"{name} is not {what}", todo) from e
    if not isinstance(data, dict):
        raise error(f"{name} is not {what}", todo)
    return data


def shaped(data: Any, kind: type[T], name: str, todo: str, error: type[ColorcheckError] = DataError) -> T:
    """Turn plain data into a record of msgspec; what does not fit is named by its key.

    Parameters
    ----------
    data : dict
        From `read_json`.
    kind : type
        The record; keys that it does not have are left out.
    name : str
        Of the file, with what is wrong with it: "a.json is a damaged reading".
    todo, error
        As for `read_bytes`.

    Raises
    ------
    ColorcheckError
        Of the kind ``error``: a key is missing, or a value is of the wrong kind or out of range.
    """
    import msgspec

    try:
        return msgspec.convert(data, kind)
    except (msgspec.ValidationError, ValueError) as e:
        raise error(f"{name}: {_misfit(str(e))}", todo) from e


_KINDS = {
    "`float`": "a number",
    "`int`": "a whole number",
    "`str`": "text",
    "`bool`": "true or false",
    "`array`": "a list",
    "`object`": "a table",
    "`null`": "nothing",
    " | ": " or ",
}


def _misfit(said: str) -> str:
    """Put what msgspec says of a value that does not fit into our words: 'patches[3].lab: expected …'."""
    said, _, place = said.partition(" - at `$")
    place = place.rstrip("`").removeprefix(".").replace("[...]", "")
    if lacks := re.search(r"missing required field `(.+)`", said):
        return f"it lacks '{place}.{lacks[1]}'" if place else f"it lacks '{lacks[1]}'"
    for theirs, ours in _KINDS.items():
        said = said.replace(theirs, ours)
    said = (
        said.replace("`", "'").replace(" <= ", ", at most ").replace(" >= ", ", at least ").replace(" > ", ", above ")
    )
    return f"'{place}': {said[:1].lower()}{said[1:]}" if place else said


def _shown(name: str) -> str:
    """Any bytes may be a name; those that cannot be written out become '?'."""
    return os.fsencode(name).decode("utf-8", "replace")


def _sane(value: Any, depth: int = 0, most: float = _MOST) -> Any:
    """Plain data without numbers that overflow later, nesting without end, and signs that steer a terminal."""
    if isinstance(value, str):
        if value.isprintable():
            return value
        return "".join(c if c.isprintable() or c in "\n\t" else "?" for c in value)
    if isinstance(value, int | float):
        if abs(value) > most:
            raise ValueError("it holds a number out of range")
    elif isinstance(value, dict | list):
        if depth > _DEEPEST:
            raise ValueError("it is nested without end")
        if isinstance(value, list):
            return [_sane(v, depth + 1, most) for v in value]
        return {_sane(k): _sane(v, depth + 1, most) for k, v in value.items()}
    return value


# ---------------------------------------------------------------- out


_waiting: ContextVar[list[tuple[str, Path]] | None] = ContextVar("_waiting", default=None)


@contextmanager
def together() -> Iterator[None]:
    """Files written inside take their names when all of them are whole; after an error none does."""
    outer = _waiting.get()
    if outer is not None:
        yield
        return
    files: list[tuple[str, Path]] = []
    mark = _waiting.set(files)
    try:
        yield
        _settle(files)
    except BrokenPipeError:  # nobody reads the screen any more: what is written is still wanted
        _settle(files)
        raise
    finally:
        _waiting.reset(mark)
        _drop(files)


def settle() -> None:
    """Give the files written so far inside `together` their names, before what cannot be taken back."""
    _settle(_waiting.get() or [])


def _settle(files: list[tuple[str, Path]]) -> None:
    while files:
        temporary, p = files[0]
        try:
            os.replace(temporary, p)
        except OSError as e:
            raise FileError(f"{p} cannot be written ({e.strerror})", "choose another place") from e
        del files[0]


def _drop(files: list[tuple[str, Path]]) -> None:
    for temporary, _ in files:
        with suppress(OSError):
            os.unlink(temporary)


def made_folder(path: StrPath, what: str) -> Path:
    """Make a folder, and those above it, where there is none.

    Parameters
    ----------
    path : path
    what : str
        What it is for, in the error: 'report'.

    Raises
    ------
    FileError
        A file stands in its way, or it cannot be made.
    """
    p = Path(path)
    if any(q.exists() and not q.is_dir() for q in (p, *p.parents)):
        raise FileError(f"{p} is a file, or lies in one", f"name a folder for the {what}")
    try:
        p.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise FileError(f"the folder {p} cannot be made ({e.strerror})", "choose another place") from e
    return p


@contextmanager
def whole(path: StrPath, suffix: str = ".part") -> Iterator[str]:
    """Give a temporary file beside ``path`` to write into; it takes that name when all went well (see `together`).

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
    place = Path(os.path.realpath(p))  # a link stays a link
    try:
        handle, temporary = tempfile.mkstemp(dir=place.parent, prefix=f".{p.name[:50]}.", suffix=suffix)
    except OSError as e:
        raise FileError(f"{p} cannot be written ({e.strerror})", "choose a folder that exists and is yours") from e
    os.close(handle)
    files = [(temporary, place)]
    try:
        yield temporary
        with open(temporary, "rb+") as f:
            os.fsync(f.fileno())
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(temporary, 0o666 & ~mask)
        waiting = _waiting.get()
        if waiting is None:
            _settle(files)
        else:
            waiting += files
            files = []
    except OSError as e:
        raise FileError(f"{p} cannot be written ({e.strerror or e})", "free some space or choose another place") from e
    finally:
        _drop(files)


def write_text(path: StrPath, text: str) -> None:
    """Write a UTF-8 text file whole or not at all; errors as for `whole`. Signs that have no UTF-8 become '?'."""
    write_bytes(path, text.encode("utf-8", errors="replace"))


def write_bytes(path: StrPath, data: bytes) -> None:
    """Write a file whole or not at all; errors as for `whole`."""
    with whole(path) as temporary, open(temporary, "wb") as f:
        f.write(data)
