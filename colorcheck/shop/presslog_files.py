"""The press log as files: export to CSV and JSON lines, reading an export back, and a checked copy of the log file."""

from __future__ import annotations

import csv
import gzip
import json
import re
import sqlite3
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import asdict, replace
from datetime import UTC, datetime
from io import BufferedReader
from pathlib import Path
from typing import Annotated, Any, cast

import msgspec
import sqlalchemy as sa
from sqlalchemy import Connection

from .. import __version__
from ..ground.errors import DataError, FileError, UsageError
from ..ground.files import json_object, made_folder, opened, shaped, whole
from ..ground.recipe import Recipe
from ..ground.units import clean
from .presslog_records import Cost, Entry, Lay, NewEntry, Photo
from .presslog_tables import METADATA, blanks, costs, entries, pieces, recipes, results

SCHEMA = "colorcheck-log/1"
WHOLE = "press-log.jsonl.gz"  # what is read back; the CSV files are for spreadsheets
PLAIN = "press-log.jsonl"  # the same, not compressed: as earlier versions wrote it
_LEVEL = 3  # of zlib: a third of the time of the usual 6, a tenth more of room
_LONGEST = 50_000_000  # bytes of one entry
_NOTHING = "nothing was taken up: export the log again"
_INSIDE = ("words", "name_key", "lot_key", "fingerprint")  # columns that only searches use
_FORMULA = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet would take text that begins so for a formula


def export_tables(
    c: Connection, folder: Path, *, overwrite: bool, whole_of: Callable[[Any], list[Entry]]
) -> dict[str, int]:
    """Write every table as CSV, and the log as JSON lines; see `PressLog.export`."""
    last = folder / WHOLE
    old = next((p for p in (last, folder / PLAIN) if p.exists()), None)
    if old is not None and not overwrite:
        raise FileError(f"{old} exists and is kept", "choose another folder, or add --overwrite")
    made_folder(folder, "export")
    done: dict[str, int] = {}
    for table in METADATA.sorted_tables:
        if table is not results:
            done[f"{table.name}.csv"] = _write_csv(c, table, folder / f"{table.name}.csv")
    count = int(c.execute(sa.select(sa.func.count()).select_from(entries)).scalar_one())
    with whole(last) as temporary, gzip.open(temporary, "wt", _LEVEL, encoding="utf-8", newline="\n") as f:
        head = {
            "schema": SCHEMA,
            "entries": count,
            "written": datetime.now(UTC),
            "program": f"colorcheck {__version__}",
        }
        f.write(json.dumps(head, default=str) + "\n")
        after = 0
        while batch := c.execute(
            sa.select(entries).where(entries.c.id > after).order_by(entries.c.id).limit(500)
        ).all():
            for entry in whole_of(batch):
                f.write(json.dumps(_line(entry), ensure_ascii=False) + "\n")
            after = batch[-1].id
    (folder / PLAIN).unlink(missing_ok=True)
    return {**done, WHOLE: count}


def _write_csv(c: Connection, table: sa.Table, path: Path) -> int:
    """One table; UTF-8 with a mark, so that spreadsheets show every letter. Returns its rows."""
    columns: list[Any] = [column for column in table.columns if column.name not in _INSIDE]
    source: Any = table
    if table is entries:  # with the names that a person looks for
        columns += [pieces.c.name.label("piece"), blanks.c.name.label("blank"), blanks.c.lot]
        columns.append(recipes.c.text.label("recipe"))
        source = entries.outerjoin(pieces, entries.c.piece_id == pieces.c.id)
        source = source.outerjoin(blanks, entries.c.blank_id == blanks.c.id)
        source = source.outerjoin(recipes, entries.c.recipe_id == recipes.c.id)
    heads = ["amount" if column is costs.c.thousandths else column.name for column in columns]
    order = list(table.primary_key.columns)
    n = 0
    with whole(path) as temporary, open(temporary, "w", encoding="utf-8-sig", newline="") as f:
        writer = csv.writer(f)
        writer.writerow(heads)
        query = sa.select(*columns).select_from(source).order_by(*order)
        for row in c.execution_options(yield_per=200).execute(query):
            n += 1
            writer.writerow([_cell(v, head) for v, head in zip(row, heads, strict=True)])
    return n


def _cell(value: Any, head: str) -> Any:
    if head == "amount":
        return f"{value // 1000}.{value % 1000:03}"
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds")
    if isinstance(value, str) and value.startswith(_FORMULA):
        return "'" + value
    return value


def _line(e: Entry) -> dict[str, Any]:
    """One entry as one line: what is needed to record it again."""
    return {
        "uid": e.row.uid,
        "created": e.row.created.isoformat(),
        "kind": e.row.kind,
        "piece": e.row.piece,
        "blank": e.row.blank,
        "lot": e.row.lot,
        "press_no": e.row.press_no,
        "note": e.row.note,
        "recipe": None if e.recipe is None else asdict(e.recipe),
        "lay": None if e.lay is None else asdict(e.lay),
        "costs": [asdict(k) for k in e.costs],
        "photos": [asdict(p) for p in e.photos],
        "result": e.data,
    }


def read_export(folder: Path) -> Iterator[NewEntry]:
    """Entries of an export, one by one.

    Raises
    ------
    FileError
        There is none.
    DataError
        It is damaged, or has fewer lines than it says.
    """
    path = folder
    if folder.is_dir():
        path = folder / (WHOLE if (folder / WHOLE).exists() or not (folder / PLAIN).exists() else PLAIN)
    todo = f"give the folder that 'log export' wrote, with {WHOLE} in it"
    if not path.exists():
        raise FileError(f"there is no export at {path}", todo)
    try:
        with opened(path, todo=todo) as f:
            packed = f.peek(2)[:2] == b"\x1f\x8b"
            lines = cast("BufferedReader", gzip.GzipFile(fileobj=f)) if packed else f
            yield from _entries(lines, path.name, todo)
    except (gzip.BadGzipFile, EOFError, zlib.error) as e:
        raise DataError(f"{path.name} is damaged, or was cut short", _NOTHING) from e


def _entries(lines: BufferedReader, name: str, todo: str) -> Iterator[NewEntry]:
    head = json_object(lines.readline(_LONGEST), name, "an export of a press log", todo)
    if not str(head.get("schema", "")).startswith("colorcheck-log/"):
        raise DataError(f"{name} is not an export of a press log", todo)
    if head["schema"] != SCHEMA:
        raise DataError(f"{name} was written by a newer colorcheck", "update colorcheck")
    n = 0
    while line := lines.readline(_LONGEST):
        n += 1
        where = f"line {n + 1} of {name} is damaged"
        yield _entry(json_object(line, f"line {n + 1} of {name}", "an entry", _NOTHING), where)
    if n != head.get("entries"):
        raise DataError(f"{name} holds {n} of {head.get('entries')} entries, so it was cut short", _NOTHING)


class EntryLine(msgspec.Struct, frozen=True):
    """One line of an export."""

    uid: Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{32}$")]
    created: Annotated[datetime, msgspec.Meta(tz=True)]
    kind: str
    piece: str
    blank: str
    lot: str
    press_no: Annotated[int, msgspec.Meta(ge=1, lt=1000)] | None
    note: str
    recipe: Recipe | None
    lay: Lay | None
    costs: tuple[Cost, ...]
    photos: tuple[Photo, ...]
    result: dict[str, Any]


def _entry(data: dict[str, Any], where: str) -> NewEntry:
    """One line back as an entry."""
    d = shaped(data, EntryLine, where, _NOTHING)
    heat = [] if d.recipe is None else [d.recipe.set_c, d.recipe.measured_c, d.recipe.seconds, d.recipe.humidity_pct]
    lie = [] if d.lay is None else [d.lay.x_mm, d.lay.y_mm, d.lay.turn_deg, d.lay.sheet_deg, d.lay.blank_deg]
    face = "" if d.lay is None else d.lay.face
    hashes = all(re.fullmatch(r"[0-9a-f]{64}", p.sha256) for p in d.photos)
    if not hashes or face not in ("", "up", "down") or any(abs(v) >= 1e6 for v in (*heat, *lie) if v is not None):
        raise DataError(where, _NOTHING)
    r = d.recipe
    if r is not None:
        pressure, face, stack = (clean(v, 300) for v in (r.pressure, r.heated_face, r.stack))
        r = replace(r, pressure=pressure, heated_face=face, stack=stack)
    return NewEntry(
        kind=d.kind,
        data=d.result,
        photos=d.photos,
        piece=d.piece,
        blank=d.blank,
        lot=d.lot,
        recipe=r,
        costs=tuple(Cost(clean(k.item, 80), k.thousandths, clean(k.currency, 8)) for k in d.costs),
        lay=d.lay,
        press_no=d.press_no,
        note=d.note,
        created=d.created,
        uid=d.uid,
    )


def copy_file(source: sqlite3.Connection, path: Path, to: Path, *, overwrite: bool) -> int:
    """Copy a log file in use, check the copy, then give it its name; see `PressLog.backup`."""
    if to.exists():
        if to.is_dir():
            raise FileError(f"{to} is a folder", "name a file for the backup")
        if to.samefile(path):
            raise UsageError("the backup would replace the log itself", "name another file")
        if not overwrite:
            raise FileError(f"{to} exists and is kept", "choose another name, or add --overwrite")
    with whole(to) as temporary:
        try:
            with closing(sqlite3.connect(temporary)) as copy:
                source.backup(copy)
                copy.execute("PRAGMA journal_mode=DELETE")  # one file, nothing beside it
                said = [str(r[0]) for r in copy.execute("PRAGMA integrity_check(3)")]
                if said != ["ok"]:
                    raise FileError(f"the copy is not sound ({said[0][:80]})", "see 'log check'; no backup was kept")
                count = int(copy.execute("SELECT count(*) FROM entries").fetchone()[0])
        except sqlite3.Error as e:
            raise FileError(f"{to} could not be written ({e})", "check the disk; no backup was kept") from e
    return count
