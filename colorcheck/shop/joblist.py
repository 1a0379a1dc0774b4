"""The day's job list: which artworks are pressed today, on which blanks, how many of each."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from ..ground.errors import DataError, FileError, UsageError
from ..ground.files import StrPath, read_text
from ..ground.records import Shape
from ..ground.units import clean, parse_size

COLUMNS = ("artwork", "size", "shape", "count")
_NEEDED = ("artwork", "size")
_TODO = f"write the columns {','.join(COLUMNS)}, paths counted from the list's own folder"
_MOST = 5000


@dataclass(frozen=True, slots=True)
class Job:
    """One line of the list: the artwork's path, size (mm) and shape of the blank, how many (None: not told)."""

    artwork: str
    size_mm: tuple[float, float]
    shape: Shape = "rect"
    count: int | None = None

    @property
    def name(self) -> str:
        """File name of the artwork."""
        return Path(self.artwork).name


def load_jobs(path: StrPath) -> tuple[Job, ...]:
    """Read a job list.

    Parameters
    ----------
    path : path
        CSV with ``artwork,size,shape,count``: a comma, a semicolon or a tab between the cells. ``shape`` (rect or
        round) and ``count`` may be left out. Paths are relative to the list.

    Raises
    ------
    FileError
        It cannot be read, or an artwork is not there.
    DataError
        No such table: columns that are not known, none that is needed, or a line that says nothing usable.
    """
    name = clean(Path(path).name, 80)
    text = read_text(path, todo=_TODO)
    first = text.split("\n", 1)[0]
    mark = max(",;\t", key=first.count)
    rows = csv.reader(io.StringIO(text), delimiter=mark)
    try:
        table = [[cell.strip() for cell in row] for row in rows]
    except csv.Error as e:
        raise DataError(f"{name} is no table ({e})", _TODO) from e
    head = [cell.lower() for cell in table[0]] if table else []
    if odd := [h for h in head if h not in COLUMNS]:
        raise DataError(f"{name} has a column '{clean(odd[0], 40)}' that is not known", _TODO)
    if lacks := [c for c in _NEEDED if c not in head]:
        raise DataError(f"{name} has no column '{lacks[0]}'", _TODO)
    if len(set(head)) < len(head):
        raise DataError(f"{name} has a column twice", _TODO)
    out: list[Job] = []
    for number, row in enumerate(table[1:], 2):
        if not any(row):
            continue
        where = f"{name}, line {number}"
        if len(row) > len(head):
            raise DataError(f"{where} has {len(row)} cells for {len(head)} columns", _TODO)
        job = _job(dict(zip(head, row, strict=False)), Path(path).parent, where)
        if any((j.artwork, j.size_mm, j.shape) == (job.artwork, job.size_mm, job.shape) for j in out):
            raise DataError(f"{where} repeats an earlier line", "write each artwork once, with its count")
        out.append(job)
    if not out:
        raise DataError(f"{name} lists no artwork", _TODO)
    if len(out) > _MOST:
        raise DataError(f"{name} lists more than {_MOST} artworks", "split it")
    return tuple(out)


def _job(cells: dict[str, str], folder: Path, where: str) -> Job:
    """Read one line."""
    artwork = cells.get("artwork", "")
    if not artwork:
        raise DataError(f"{where} names no artwork", _TODO)
    try:
        size = parse_size(cells.get("size", ""))
    except UsageError as e:
        raise DataError(f"{where}: {e}") from e
    shape = cells.get("shape", "").lower() or "rect"
    if shape not in ("rect", "round"):
        raise DataError(f"{where}: '{clean(shape, 40)}' is no shape", "write rect or round")
    if shape == "round" and abs(size[0] - size[1]) > 0.05:
        raise DataError(
            f"{where}: a round piece has one diameter, not {size[0]:g} × {size[1]:g} mm", "write one number"
        )
    count = cells.get("count", "")
    if count and not re.fullmatch(r"\d{1,6}", count, re.ASCII):
        raise DataError(f"{where}: '{clean(count, 40)}' is no count", "write a whole number, 0 or more")
    path = folder / artwork
    if not path.is_file():
        raise FileError(f"{where}: there is no artwork {clean(str(path), 200)}", "check the name")
    return Job(str(path), size, cast("Shape", shape), int(count) if count else None)


def jobs_of_folder(folder: StrPath, size_mm: tuple[float, float], shape: Shape) -> tuple[Job, ...]:
    """Take every file of a folder for an artwork of one size and shape; sorted by name, hidden files left out.

    Raises
    ------
    FileError
        The folder cannot be read, or is empty.
    """
    try:
        files = sorted(p for p in Path(folder).iterdir() if p.is_file() and not p.name.startswith("."))
    except OSError as e:
        raise FileError(f"the folder {clean(str(folder), 200)} cannot be read ({e.strerror})", "check the name") from e
    if not files:
        raise FileError(
            f"{clean(str(folder), 200)} holds no artwork", "name a folder with the pictures that were printed"
        )
    return tuple(Job(str(p), size_mm, shape) for p in files)
