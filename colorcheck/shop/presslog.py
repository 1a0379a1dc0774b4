"""The press log: every press, recipe and reading of a workshop, in one file or on one server.

`open_log` gives a `PressLog`; records go in and out as the frozen dataclasses of `presslog_records`. A write is one
transaction, on the disk before the call returns. SQLite: write-ahead log, ``synchronous=FULL``, foreign keys, and
patience while another program writes. The same tables on PostgreSQL by URL, in a schema of their own.
"""

from __future__ import annotations

import re
import socket
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, replace
from datetime import UTC, datetime
from itertools import groupby, islice, pairwise
from pathlib import Path
from typing import Any, TypeVar, cast

import sqlalchemy as sa
from sqlalchemy import Connection, Engine, Select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import SQLAlchemyError

from ..ground.errors import FileError, UsageError
from ..ground.recipe import Recipe
from ..ground.units import clean
from .controlchart import FEWEST, Scale, individuals
from .presslog_engine import file_engine, patiently, server_engine, told
from .presslog_migrate import STEPS, Step, migrate, version_of
from .presslog_records import (
    JOB_STATES,
    MEASURES,
    SET_UP,
    Cost,
    Entry,
    EntryRow,
    FadingPoint,
    Filter,
    FindingRow,
    Health,
    Imported,
    JobRow,
    JobState,
    Lay,
    NewEntry,
    Photo,
    Share,
    Trend,
    Yield,
    check_place,
    key_of,
    place_of,
)
from .presslog_results import (
    Ready,
    cells_of,
    check_of,
    lit_of,
    make_ready,
    photos_of,
    texts,
    unpack,
    word,
)
from .presslog_tables import blanks, costs, entries, entry_photos, findings, jobs, photos, pieces, recipes, results

__all__ = ["PressLog", "open_log"]

JUDGED = ("accept", "re-press", "change-profile", "reprint")  # a photo to be taken again judges no piece
EVEN = ("black_density",)  # all others are not negative and skewed: limits from their logarithms
_NOWHERE = re.compile(r"gps|latitude|longitude|altitude|geo_?(tag|location)|^location$", re.IGNORECASE)
_COLUMNS = {
    "evenness": entries.c.evenness,
    "mean_delta_e00": entries.c.mean_delta_e00,
    "black_density": entries.c.black_density,
    "findings": entries.c.findings,
}
_T = TypeVar("_T")


def open_log(where: str | Path | None = None, *, create: bool = True) -> PressLog:
    """Open a press log, make it if it does not exist, and bring an older one up to date.

    Parameters
    ----------
    where : str, path or None
        File, or ``postgresql://USER@HOST/NAME`` (``?schema=NAME`` for another schema than ``colorcheck``). None: the
        environment's ``COLORCHECK_LOG``, else ``press-log.sqlite`` in the user's data folder.
    create : bool
        False: refuse a place where no log is.

    Raises
    ------
    UsageError
        The URL is of another kind, or its driver is not installed.
    FileError
        The place does not exist, cannot be read or written, or the server cannot be reached.
    DataError
        A file that is not a press log, is damaged, or comes from a newer colorcheck.
    """
    place = place_of(where)
    check_place(place)
    if "://" in place and not place.startswith("sqlite"):
        log = PressLog(*server_engine(place, create=create), None)
        return log.opened(create=create)
    path = Path(place.split("://", 1)[1].removeprefix("/")) if "://" in place else Path(place)
    if "://" in place:
        check_place(str(path))
    if not create and not path.exists():
        raise FileError(f"there is no press log at {path} yet", "add --log to a command, such as read, to begin one")
    if str(path) == place_of(None):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as e:
            raise FileError(f"the folder {path.parent} cannot be made ({e.strerror})", "name a file by --log") from e
    return PressLog(file_engine(path), str(path), path).opened(create=create)


class PressLog:
    """A press log that is open; made by `open_log`, closed by `close` or at the end of ``with``."""

    def __init__(self, engine: Engine, name: str, path: Path | None) -> None:
        self._engine = engine
        self._writer = engine.execution_options(writes=True)
        self.name = name
        self.path = path

    def __enter__(self) -> PressLog:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Give back the connections."""
        self._engine.dispose()

    # ------------------------------------------------------------ opening

    def opened(self, *, create: bool) -> PressLog:
        """Return this log made ready, or close it and raise."""
        try:
            self.prepare(create=create)
        except BaseException:
            self.close()
            raise
        return self

    def prepare(self, *, create: bool = True, steps: Sequence[Step] = STEPS) -> int:
        """Make the tables or bring them up to date, an older file after a backup beside it; returns the old version.

        Raises
        ------
        DataError
            Not a press log, or from a newer colorcheck.
        FileError
            Held by another program, or it cannot be written.
        """
        before = self._patiently(lambda: self._version(steps))
        if before == 0 and not create:
            raise FileError(f"there is no press log at {self.name} yet", "add --log to a command to begin one")
        if before < len(steps):
            if before and self.path is not None:
                self._keep_copy(before, len(steps))
            if self.path is not None:
                self._patiently(self._write_ahead)
            self._write(lambda c: migrate(c, self.name, steps))
        return before

    def _version(self, steps: Sequence[Step]) -> int:
        with self._engine.connect() as c:
            return version_of(c, self.name, steps)

    def _write_ahead(self) -> None:
        """Switch the file to its write-ahead log; outside any transaction."""
        raw = self._engine.raw_connection()
        try:
            cast("Any", raw.driver_connection).execute("PRAGMA journal_mode=WAL").fetchall()
        except Exception as e:
            raise sa.exc.OperationalError("PRAGMA journal_mode=WAL", None, e) from e
        finally:
            raw.close()

    def _keep_copy(self, before: int, after: int) -> None:
        """Back an older file up beside itself before its tables change."""
        assert self.path is not None
        for n in range(1, 1000):
            copy = self.path.with_name(f"{self.path.stem}.before-{after}{f'-{n}' if n > 1 else ''}.sqlite")
            if not copy.exists():
                self.backup(copy)
                return
        raise FileError(f"too many copies of {self.path.name} lie beside it (tables {before})", "move some away")

    # ------------------------------------------------------------ transactions

    def _patiently(self, work: Callable[[], _T]) -> _T:
        return patiently(work, self.name)

    def _write(self, work: Callable[[Connection], _T]) -> _T:
        """Do some work in one transaction: all of it is on the disk when this returns, or nothing is."""

        def once() -> _T:
            with self._writer.begin() as c:
                return work(c)

        return self._patiently(once)

    @contextmanager
    def _read(self, *, snapshot: bool = False) -> Iterator[Connection]:
        """Lend a connection for queries; with ``snapshot`` all of them see one state."""
        try:
            engine = self._engine
            if snapshot and self.path is None:
                engine = engine.execution_options(isolation_level="REPEATABLE READ")
            with engine.connect() as c:
                yield c
        except SQLAlchemyError as e:
            raise told(e, self.name) from e

    def _insert(self, table: sa.Table) -> Any:
        """INSERT of the database at hand, which knows ON CONFLICT."""
        return (sqlite.insert if self.path is not None else postgresql.insert)(table)

    # ------------------------------------------------------------ recording

    def record(self, entry: NewEntry) -> str:
        """Record one result; returns its uid once it is safe on the disk.

        A uid that the log knows already is left as it is.

        Raises
        ------
        UsageError
            Its uid or moment is not one.
        FileError
            The log cannot be written, or another program holds it for longer than half a minute.
        """
        ready = make_ready(entry)
        self._write(lambda c: self._add(c, ready, {}))
        return str(ready.row["uid"])

    def record_all(self, new: Iterable[NewEntry]) -> Imported:
        """Record many in one transaction, all or none; those whose uid is known are left as they are."""
        prepared = [make_ready(e) for e in new]

        def work(c: Connection) -> Imported:
            known: dict[tuple[str, ...], int] = {}
            added = sum(self._add(c, r, known) for r in prepared)
            return Imported(added, len(prepared) - added)

        return self._write(work)

    def _add(self, c: Connection, ready: Ready, known: dict[tuple[str, ...], int]) -> bool:
        """Insert one entry with all that belongs to it; False when its uid is there already."""
        e, row = ready.entry, ready.row
        if c.execute(sa.select(entries.c.id).where(entries.c.uid == row["uid"])).first():
            return False
        blank_id = piece_id = recipe_id = None
        if name := clean(e.blank, 200):
            lot = clean(e.lot, 200)
            unique = {"name_key": key_of(name), "lot_key": key_of(lot)}
            blank_id = self._id_of(c, blanks, unique, {"name": name, "lot": lot, "created": row["created"]}, known)
        if name := clean(e.piece, 200):
            piece = {"name": name, "created": row["created"], "blank_id": blank_id}
            piece_id = self._id_of(c, pieces, {"name_key": key_of(name)}, piece, known)
            if blank_id is not None:
                blankless = (pieces.c.id == piece_id) & pieces.c.blank_id.is_(None)
                c.execute(sa.update(pieces).where(blankless).values(blank_id=blank_id))
            else:
                blank_id = c.execute(sa.select(pieces.c.blank_id).where(pieces.c.id == piece_id)).scalar()
        elif pressed := texts(e.data, "before", "photos"):  # again; its first press says which piece it is
            seen = (entry_photos.c.entry_id == entries.c.id) & (entry_photos.c.photo_id == photos.c.id)
            earlier = sa.select(entries.c.piece_id).where(seen, photos.c.sha256.in_(pressed), entries.c.kind == e.kind)
            named = earlier.where(entries.c.piece_id.is_not(None)).order_by(entries.c.id.desc()).limit(1)
            piece_id = c.execute(named).scalar()
        if e.recipe is not None and e.recipe != Recipe():
            recipe_id = self._recipe(c, e.recipe, known)
        foreign = {"piece_id": piece_id, "blank_id": blank_id, "recipe_id": recipe_id}
        stored = self._insert(entries).values(**row, **foreign).on_conflict_do_nothing(index_elements=["uid"])
        entry_id = c.execute(stored.returning(entries.c.id)).scalar()
        if entry_id is None:
            return False
        c.execute(sa.insert(results), {"entry_id": entry_id, "data": ready.packed})
        if ready.findings:
            c.execute(sa.insert(findings), [{"entry_id": entry_id, **f} for f in ready.findings])
        if e.costs:
            spent = [Cost(clean(k.item, 80), k.thousandths, clean(k.currency, 8)) for k in e.costs]
            c.execute(sa.insert(costs), [{"entry_id": entry_id, **asdict(k)} for k in spent])
        ids: dict[str, int] = {}
        for p in sorted(ready.photos, key=lambda p: p.sha256):  # one order for all, so that no two writers wait in turn
            details = {"file": clean(p.file, 200), "device": clean(p.device, 200), "taken": clean(p.taken, 40)}
            ids[p.sha256] = self._id_of(c, photos, {"sha256": p.sha256}, details, known)
        if ids:
            rows = [{"entry_id": entry_id, "place": n, "photo_id": ids[p.sha256]} for n, p in enumerate(ready.photos)]
            c.execute(sa.insert(entry_photos), rows)
        return True

    def _recipe(self, c: Connection, r: Recipe, known: dict[tuple[str, ...], int]) -> int:
        numbers = (r.set_c, r.measured_c, r.seconds, r.humidity_pct)
        fingerprint = "|".join(
            [*("" if v is None else f"{v:.3f}" for v in numbers), *map(key_of, (r.pressure, r.heated_face, r.stack))]
        )
        return self._id_of(c, recipes, {"fingerprint": fingerprint}, {"text": r.text, **asdict(r)}, known)

    def _id_of(
        self,
        c: Connection,
        table: sa.Table,
        unique: dict[str, str],
        row: dict[str, Any],
        known: dict[tuple[str, ...], int],
    ) -> int:
        """Id of a row by its unique columns; inserted if it is new."""
        key = (table.name, *unique.values())
        if key in known:
            return known[key]
        query = sa.select(table.c.id).where(*(table.c[k] == v for k, v in unique.items()))
        found = c.execute(query).scalar()
        if found is None:
            new = self._insert(table).values(**unique, **row).on_conflict_do_nothing(index_elements=list(unique))
            c.execute(new)
            found = c.execute(query).scalar_one()
        known[key] = int(found)
        return known[key]

    # ------------------------------------------------------------ looking

    def _conditions(self, where: Filter) -> list[sa.ColumnElement[bool]]:
        """Turn a filter into SQL; every value is a bound parameter."""
        found: list[sa.ColumnElement[bool]] = []
        if where.kind:
            found.append(entries.c.kind == where.kind)
        if where.action:
            found.append(entries.c.action == where.action)
        if where.piece:
            one = sa.select(pieces.c.id).where(pieces.c.name_key == key_of(where.piece)).scalar_subquery()
            found.append(entries.c.piece_id == one)
        if where.blank:
            name, slash, lot = where.blank.partition("/")
            these = sa.select(blanks.c.id).where(blanks.c.name_key == key_of(name))
            if slash:
                these = these.where(blanks.c.lot_key == key_of(lot))
            found.append(entries.c.blank_id.in_(these))
        if where.since:
            found.append(entries.c.created >= where.since)
        if where.until:
            found.append(entries.c.created < where.until)
        if where.lit:
            found.append(entries.c.lit == where.lit)
        found += [entries.c.words.contains(word, autoescape=True) for word in key_of(where.text).split()]
        for bounds, least in ((where.at_least, True), (where.at_most, False)):
            for name, value in bounds.items():
                if name not in _COLUMNS:
                    raise UsageError(f"'{clean(name, 40)}' is not measured", f"choose one of {', '.join(_COLUMNS)}")
                found.append(_COLUMNS[name] >= value if least else _COLUMNS[name] <= value)
        return found

    def _rows(self, where: Filter) -> Select[Any]:
        """SELECT of the columns of an EntryRow."""
        e = entries.c
        return (
            sa.select(
                *(e.uid, e.created, e.kind, e.name, e.action, e.headline, e.trust),
                *(pieces.c.name.label("piece"), blanks.c.name.label("blank"), blanks.c.lot),
                recipes.c.text.label("recipe"),
                *(e.mean_delta_e00, e.evenness, e.black_density, e.findings, e.press_no, e.note),
            )
            .select_from(entries.outerjoin(pieces, e.piece_id == pieces.c.id))
            .outerjoin(blanks, e.blank_id == blanks.c.id)
            .outerjoin(recipes, e.recipe_id == recipes.c.id)
            .where(*self._conditions(where))
        )

    def entries(
        self, where: Filter | None = None, *, limit: int = 100, offset: int = 0, oldest_first: bool = False
    ) -> list[EntryRow]:
        """Entries that meet a filter, newest first.

        Parameters
        ----------
        where : Filter, optional
            Conditions; none means all.
        limit, offset : int
            A page of the list.
        oldest_first : bool
            The other way round.
        """
        order = (entries.c.created, entries.c.id) if oldest_first else (entries.c.created.desc(), entries.c.id.desc())
        query = self._rows(where or Filter()).order_by(*order).limit(limit).offset(offset)
        with self._read() as c:
            return [_entry_row(r) for r in c.execute(query)]

    def count(self, where: Filter | None = None) -> int:
        """How many entries meet a filter."""
        query = sa.select(sa.func.count()).select_from(entries).where(*self._conditions(where or Filter()))
        with self._read() as c:
            return int(c.execute(query).scalar_one())

    def entry(self, uid: str) -> Entry:
        """One entry with its result, by its uid or the beginning of it.

        Raises
        ------
        UsageError
            None begins like this, or several do.
        """
        start = uid.strip().lower()
        if not re.fullmatch(r"[0-9a-f]{4,32}", start):
            raise UsageError(f"'{clean(uid, 40)}' is no entry's id", "copy the letters and digits from 'log list'")
        with self._read(snapshot=True) as c:
            like = (entries.c.uid >= start) & (entries.c.uid < start + "g")
            found = c.execute(sa.select(entries).where(like).limit(2)).all()
            if not found:
                raise UsageError(f"the log has no entry {start}", "copy the id from 'log list'")
            if len(found) > 1:
                raise UsageError(f"several entries begin with {start}", "give more of the id")
            return self._whole(c, found)[0]

    def note(self, uid: str, text: str) -> None:
        """Write another note beside an entry; it is found by its words from then on.

        Raises
        ------
        UsageError
            The log has no such entry.
        """
        e = self.entry(uid)
        told = NewEntry(e.row.kind, e.data, photos=e.photos, piece=e.row.piece, blank=e.row.blank, lot=e.row.lot)
        row = make_ready(replace(told, recipe=e.recipe, note=text)).row
        new = {"note": row["note"], "words": row["words"]}
        self._write(lambda c: c.execute(sa.update(entries).where(entries.c.uid == e.row.uid).values(**new)))

    def whole(self, uids: Sequence[str]) -> Iterator[Entry]:
        """Give entries with their results, by their uids and in that order, `_AT_ONCE` read at a time."""
        for k in range(0, len(uids), _AT_ONCE):
            some = uids[k : k + _AT_ONCE]
            with self._read(snapshot=True) as c:
                rows = {r.uid: r for r in c.execute(sa.select(entries).where(entries.c.uid.in_(some)))}
                found = self._whole(c, [rows[uid] for uid in some if uid in rows])
            yield from found

    def _whole(self, c: Connection, rows: Sequence[Any]) -> list[Entry]:
        """Gather what belongs to some rows of the table of entries: one query a table, whatever their number."""
        ids = [e.id for e in rows]

        def of_entry(query: Select[Any], entry_id: sa.Column[int], order: sa.Column[int]) -> dict[int, list[Any]]:
            query = query.add_columns(entry_id).where(entry_id.in_(ids)).order_by(entry_id, order)
            return {k: [r[:-1] for r in some] for k, some in groupby(c.execute(query), key=lambda r: r[-1])}

        shot = sa.select(photos.c.sha256, photos.c.file, photos.c.device, photos.c.taken)
        shot = shot.join(entry_photos, entry_photos.c.photo_id == photos.c.id)
        seen = of_entry(shot, entry_photos.c.entry_id, entry_photos.c.place)
        spent = of_entry(sa.select(costs.c.item, costs.c.thousandths, costs.c.currency), costs.c.entry_id, costs.c.id)
        found = of_entry(self._finding_rows(Filter()), findings.c.entry_id, findings.c.id)
        packed = of_entry(sa.select(results.c.data), results.c.entry_id, results.c.entry_id)
        shown = {r.uid: _entry_row(r) for r in c.execute(self._rows(Filter()).where(entries.c.id.in_(ids)))}
        used = {e.recipe_id for e in rows if e.recipe_id is not None}
        pressed = {
            r.id: Recipe(r.set_c, r.measured_c, r.seconds, r.pressure, r.heated_face, r.stack, r.humidity_pct)
            for r in c.execute(sa.select(recipes).where(recipes.c.id.in_(used)))
        }
        return [
            Entry(
                shown[e.uid],
                unpack(packed[e.id][0][0]),
                tuple(FindingRow(*f) for f in found.get(e.id, ())),
                tuple(Photo(*p) for p in seen.get(e.id, ())),
                tuple(Cost(*k) for k in spent.get(e.id, ())),
                pressed.get(e.recipe_id),
                None
                if e.platen_x_mm is None
                else Lay(e.platen_x_mm, e.platen_y_mm, e.turn_deg, e.face, e.sheet_deg, e.blank_deg),
            )
            for e in rows
        ]

    def _finding_rows(self, where: Filter) -> Select[Any]:
        e, f = entries.c, findings.c
        return (
            sa.select(
                *(e.uid, e.created, sa.func.coalesce(pieces.c.name, "")),
                *(sa.func.coalesce(blanks.c.name, ""), sa.func.coalesce(blanks.c.lot, "")),
                *(f.kind, f.x_mm, f.y_mm, f.size_mm, f.delta_e00, f.confidence, e.width_mm, e.height_mm),
                *(f.platen_x_mm, f.platen_y_mm, e.turn_deg, e.sheet_deg, e.blank_deg),
            )
            .select_from(findings.join(entries, f.entry_id == e.id))
            .outerjoin(pieces, e.piece_id == pieces.c.id)
            .outerjoin(blanks, e.blank_id == blanks.c.id)
            .where(*self._conditions(where))
        )

    def findings(
        self, where: Filter | None = None, *, kinds: Sequence[str] = (), limit: int = 10_000
    ) -> list[FindingRow]:
        """Look up the findings of the entries that meet a filter, newest first, for a map over many pieces.

        Parameters
        ----------
        where : Filter, optional
            Which entries.
        kinds : sequence of str
            Kinds of finding, such as 'pale'; none means all.
        limit : int
            At most so many.
        """
        query = self._finding_rows(Filter())
        if kinds:
            query = query.where(findings.c.kind.in_(kinds))
        query = query.order_by(entries.c.created.desc(), entries.c.id.desc(), findings.c.id)
        spotted = sa.select(entries.c.id).where(entries.c.findings > 0, *self._conditions(where or Filter()))
        spotted = spotted.order_by(entries.c.created.desc(), entries.c.id.desc())
        found: list[FindingRow] = []
        at, step = 0, 2000  # a stretch of entries at a time: sorting the findings of all of them would take longer
        with self._read(snapshot=True) as c:
            while len(found) < limit:
                some = spotted.limit(step).offset(at).subquery()
                near = query.where(entries.c.id.in_(sa.select(some.c.id))).limit(limit - len(found))
                found += [FindingRow(*r) for r in c.execute(near)]
                at, step = at + step, 2 * step
                if not c.execute(spotted.limit(1).offset(at)).first():
                    break
        return found

    # ------------------------------------------------------------ over time

    def trend(
        self,
        measure: str,
        where: Filter | None = None,
        *,
        last: int | None = None,
        baseline: int | None = None,
        scale: Scale | None = None,
    ) -> Trend:
        """One measure over time, with control limits (see `controlchart`).

        Parameters
        ----------
        measure : str
            One of `MEASURES`.
        where : Filter, optional
            Which entries; those lit from the front where it does not say, since from behind every density is halved.
        last : int, optional
            Only the last so many.
        baseline : int, optional
            Take the limits from the first so many; from all by default.
        scale : {'linear', 'log'}, optional
            Where the limits are taken; 'log' by default for what cannot be negative and is skewed.

        Raises
        ------
        UsageError
            No such measure, or a baseline of fewer than five.
        """
        if measure not in MEASURES:
            raise UsageError(f"'{clean(measure, 40)}' is not measured", f"choose one of {', '.join(MEASURES)}")
        if baseline is not None and baseline < FEWEST:
            raise UsageError(f"limits from {baseline} values mean nothing", f"give at least {FEWEST}, better 50")
        where = where or Filter()
        where = replace(where, lit="" if measure in SET_UP else where.lit or "front")
        known = self._checks(measure, where, last) if measure in SET_UP else self._column(measure, where, last)
        uids, times, values = known
        for column in known:
            column.reverse()
        scale = scale or ("linear" if measure in EVEN else "log")
        chart = individuals(values, baseline=baseline, scale=scale) if len(values) >= FEWEST else None
        return Trend(measure, where.lit or "front", tuple(uids), tuple(times), tuple(values), chart)

    def _column(self, measure: str, where: Filter, last: int | None) -> tuple[list[str], list[datetime], list[float]]:
        """Ids, moments and values of a measure that has a column of its own, newest first."""
        column = _COLUMNS[measure]
        query = sa.select(entries.c.uid, entries.c.created, column)
        query = query.where(column.is_not(None), *self._conditions(where))
        query = query.order_by(entries.c.created.desc(), entries.c.id.desc())
        if last is not None:
            query = query.limit(last)
        uids: list[str] = []
        times: list[datetime] = []
        values: list[float] = []
        with self._read() as c:
            for batch in c.execution_options(yield_per=_BATCH).execute(query).partitions():
                some_uids, some_times, some_values = zip(*batch, strict=True)
                uids += some_uids
                times += some_times
                values += some_values
        return uids, times, values

    def _checks(self, measure: str, where: Filter, last: int | None) -> tuple[list[str], list[datetime], list[float]]:
        """Do the same for a check of set-ups: these are few, and stand in the results themselves."""
        query = sa.select(entries.c.uid, entries.c.created, results.c.data)
        query = query.join(results, results.c.entry_id == entries.c.id)
        query = query.where(entries.c.kind == "bench", *self._conditions(where))
        query = query.order_by(entries.c.created.desc(), entries.c.id.desc())
        with self._read() as c:
            told = [(u, t, check_of(unpack(d), measure)) for u, t, d in c.execute(query)]
        found = [(u, t, SET_UP[measure] * v) for u, t, v in told if v is not None][:last]
        return [u for u, _, _ in found], [t for _, t, _ in found], [v for _, _, v in found]

    def yield_and_repress(self, where: Filter | None = None) -> Yield:
        """How many pieces were accepted at first press, and how often pressing again helped.

        Judgements by `read` and `inspect` of named pieces count, in the order of their pressings where ``press_no`` was
        told, whatever the clocks say, else in their own. Where it was not told, a new pressing is taken to begin after
        each answer 're-press'; more photos of one pressing count once, the last.
        """
        conditions = self._conditions(where or Filter())
        by_piece = sa.func.coalesce(entries.c.action, "")  # as it is, but not looked up by the index of actions
        query = (
            sa.select(entries.c.piece_id, entries.c.action, entries.c.press_no)
            .where(entries.c.piece_id.is_not(None), by_piece.in_(JUDGED), *conditions)
            .order_by(entries.c.piece_id, entries.c.created, entries.c.id)
        )
        spent = (
            sa.select(costs.c.currency, sa.func.sum(costs.c.thousandths))
            .group_by(costs.c.currency)
            .order_by(costs.c.currency)
        )
        if conditions:
            spent = spent.join(entries, entries.c.id == costs.c.entry_id).where(*conditions)
        first = again = helped = good = count = 0
        with self._read(snapshot=True) as c:
            sums = c.execute(spent).all()
            judged = c.execution_options(yield_per=_BATCH).execute(query)
            for _, of_piece in groupby(judged, key=lambda r: r[0]):
                answers = _pressings([(action, number) for _, action, number in of_piece])
                count += 1
                first += answers[0] == "accept"
                good += answers[-1] == "accept"
                for before, after in pairwise(answers):
                    if before == "re-press":
                        again += 1
                        helped += after in ("accept", "change-profile")
        each = tuple((str(currency), int(total) / 1000 / good) for currency, total in sums) if good else ()
        return Yield(Share(first, count), Share(helped, again), count, good, each)

    def fading(self, piece: str) -> list[FadingPoint]:
        """Later readings of one piece against its first, cell by cell (CIEDE2000); the target must be the same.

        Values are relative to the bare coat of their own photo, so a coat that yellowed as a whole does not show.

        Raises
        ------
        UsageError
            The log has no reading of this piece.
        """
        import numpy as np

        from ..ground.cielab import delta_e00

        query = (
            sa.select(entries.c.uid, entries.c.created, results.c.data)
            .join(results, results.c.entry_id == entries.c.id)
            .where(*self._conditions(Filter(kind="read", piece=piece)))
            .order_by(entries.c.created, entries.c.id)
        )
        with self._read() as c:
            rows = [(r.uid, r.created, unpack(r.data)) for r in c.execute(query)]
        if not rows:
            raise UsageError(f"the log has no reading of a piece '{clean(piece, 60)}'", "see 'log list' for its name")
        start = cells_of(rows[0][2])
        points = []
        for uid, created, data in rows[1:]:
            now = cells_of(data) if lit_of(data) == lit_of(rows[0][2]) else {}
            both = [i for i in start if i in now]
            if not both or word(data, "target", "code") != word(rows[0][2], "target", "code"):
                continue
            a, b = (np.array([cells[i] for i in both]) for cells in (start, now))
            de = delta_e00(a[:, :3], b[:, :3])
            device = [p.device for d in (rows[0][2], data) for p in photos_of(d)[:1]]
            points.append(
                FadingPoint(
                    uid,
                    created,
                    (created - rows[0][1]).total_seconds() / 86400,
                    len(both),
                    float(de.mean()),
                    float(np.percentile(de, 95)),
                    float(np.hypot(a[:, 3], b[:, 3]).mean()),
                    len(set(device)) <= 1,
                )
            )
        return points

    # ------------------------------------------------------------ files

    def export(self, folder: str | Path, *, overwrite: bool = False) -> dict[str, int]:
        """Write the whole log into a folder: a CSV for each table, and one file that `import_` reads back.

        Parameters
        ----------
        folder : path
            Made if it does not exist.
        overwrite : bool
            Replace an export that lies there.

        Returns
        -------
        dict
            Rows by file name.

        Raises
        ------
        FileError
            The folder holds an export, or cannot be written.
        """
        from .presslog_files import export_tables

        with self._read(snapshot=True) as c:
            return export_tables(c, Path(folder), overwrite=overwrite, whole_of=lambda rows: self._whole(c, rows))

    def import_(self, folder: str | Path) -> Imported:
        """Take up an export; entries that are here already are left as they are, so that it may be done again.

        The file is read to its end before anything is taken up. Others may write in between.

        Raises
        ------
        FileError
            There is no export.
        DataError
            It is damaged or cut short.
        """
        from .presslog_files import read_export

        for _ in read_export(Path(folder)):
            pass  # a damaged file is refused here
        done = Imported(0, 0)
        stream = read_export(Path(folder))
        while batch := list(islice(stream, 200)):
            some = self.record_all(batch)
            done = Imported(done.added + some.added, done.known + some.known)
        return done

    def backup(self, path: str | Path, *, overwrite: bool = False) -> int:
        """Copy a log file while it is in use (SQLite's online backup), check the copy, and only then name it.

        Returns
        -------
        int
            Entries in the copy.

        Raises
        ------
        UsageError
            The log lies on a server, or the copy would replace it.
        FileError
            The copy exists, cannot be written, or did not pass the check.
        """
        if self.path is None:
            raise UsageError("a log on a server is backed up by the server", "use pg_dump there, or 'log export'")
        from .presslog_files import copy_file

        with self._read() as c:
            source = cast("Any", c.connection.driver_connection)
            return copy_file(source, self.path, Path(path), overwrite=overwrite)

    def health(self) -> Health:
        """Count what is in the log and check its file (``integrity_check``, ``foreign_key_check``)."""
        problems: list[str] = []
        journal, size = "", 0
        with self._read(snapshot=True) as c:

            def count(table: sa.Table) -> int:
                return int(c.execute(sa.select(sa.func.count()).select_from(table)).scalar_one())

            version = int(c.execute(sa.text("SELECT max(version) FROM schema_version")).scalar_one())
            n, n_pieces, n_photos, n_findings = (count(t) for t in (entries, pieces, photos, findings))
            extremes = sa.select(sa.func.min(entries.c.created), sa.func.max(entries.c.created))
            span = c.execute(extremes).one() if n else (None, None)
            whole = count(results)
            if whole != n:
                problems.append(f"{n - whole} entries without their result")
            if self.path is not None:
                said = [str(r[0]) for r in c.exec_driver_sql("PRAGMA integrity_check(10)")]
                problems += [s for s in said if s != "ok"]
                loose = c.exec_driver_sql("PRAGMA foreign_key_check").all()
                problems += [f"{len(loose)} rows refer to nothing"] if loose else []
                journal = str(c.exec_driver_sql("PRAGMA journal_mode").scalar())
                ahead = self.path.with_name(self.path.name + "-wal")
                size = sum(p.stat().st_size for p in (self.path, ahead) if p.exists())
            else:
                size = int(
                    c.exec_driver_sql(
                        "SELECT coalesce(sum(pg_total_relation_size(oid)), 0) FROM pg_class"
                        " WHERE relkind = 'r' AND relnamespace = current_schema()::regnamespace"
                    ).scalar_one()
                )
        return Health(
            where=self.name,
            server=self._engine.dialect.name,
            version=version,
            entries=n,
            pieces=n_pieces,
            photos=n_photos,
            findings=n_findings,
            first=span[0],
            last=span[1],
            bytes=size,
            journal=journal,
            problems=tuple(problems),
        )

    # ------------------------------------------------------------ work of the page

    def start_job(
        self, kind: str, *, title: str = "", uid: str = "", owner: str = "", state: JobState = "running"
    ) -> str:
        """Note that a piece of work begins, or waits (``state='queued'``); returns its uid.

        ``uid`` may be given; ``owner`` names the program that does the work, by default this computer.
        """
        uid = clean(uid, 80) or uuid.uuid4().hex
        row = {
            "uid": uid,
            "created": datetime.now(UTC),
            "kind": clean(kind, 40),
            "state": _job_state(state),
            "title": clean(title, 300),
            "message": "",
            "owner": clean(owner or socket.gethostname(), 100),
            "entry_uid": "",
        }
        self._write(lambda c: c.execute(sa.insert(jobs), row))
        return uid

    def finish_job(self, uid: str, *, state: JobState = "done", message: str = "", entry_uid: str = "") -> bool:
        """Give a job its next state; False when it is unknown or had ended before, and then it stays as it is."""
        new = {"state": _job_state(state), "message": clean(message, 500), "entry_uid": entry_uid}
        open_ = (jobs.c.uid == uid) & jobs.c.state.in_(("queued", "running"))
        return self._write(lambda c: c.execute(sa.update(jobs).where(open_).values(**new)).rowcount) > 0

    def interrupt_unfinished(self, *, owner: str = "") -> int:
        """Mark what this computer (or ``owner``) left queued or running as interrupted; returns how many."""
        mine = jobs.c.owner == clean(owner or socket.gethostname(), 100)
        left = mine & jobs.c.state.in_(("queued", "running"))
        new = {"state": "interrupted", "message": "the program ended before this was done"}
        return self._write(lambda c: c.execute(sa.update(jobs).where(left).values(**new)).rowcount)

    def job(self, uid: str) -> JobRow | None:
        """One job; None when the log does not know it."""
        return next(iter(self.jobs(uid=uid, limit=1)), None)

    def jobs(self, *, state: JobState | None = None, uid: str = "", limit: int = 100) -> list[JobRow]:
        """Jobs, newest first."""
        j = jobs.c
        query = sa.select(j.uid, j.created, j.kind, j.title, j.state, j.message, j.owner, j.entry_uid)
        if state is not None:
            query = query.where(j.state == _job_state(state))
        if uid:
            query = query.where(j.uid == uid)
        with self._read() as c:
            return [JobRow(*r) for r in c.execute(query.order_by(j.created.desc(), j.id.desc()).limit(limit))]


def _job_state(state: str) -> str:
    if state not in JOB_STATES:
        raise UsageError(f"'{clean(state, 40)}' is no state of a job", f"choose one of {', '.join(JOB_STATES)}")
    return state


def _pressings(judged: Sequence[tuple[str, int | None]]) -> list[str]:
    """Answers of one piece, one for each pressing; ``judged`` has answer and number of the pressing, or None."""
    answers: list[str] = []
    before: int | None = None
    by_number = iter(sorted((j for j in judged if j[1] is not None), key=lambda j: j[1] or 0))  # clocks may be wrong
    if (least := min((number or 1 for _, number in judged), default=1)) > 1:
        answers, before = ["re-press"], least - 1  # its first pressing was not recorded: it asked for this one
    for action, number in (j if j[1] is None else next(by_number) for j in judged):
        told = number is not None and before is not None
        if not answers or (number != before if told else answers[-1] == "re-press"):
            answers.append(action)
        else:
            answers[-1] = action
        before = number
    return answers


_AT_ONCE = 100  # whole entries, each with its result
_BATCH = 200  # rows at a time: many at once would wake the garbage collector again and again
_TEXTS = {"piece", "blank", "lot", "recipe"}  # '' where nothing was told


def _entry_row(r: Any) -> EntryRow:
    """Record of one line."""
    columns: dict[str, Any] = {k: "" if v is None and k in _TEXTS else v for k, v in r._mapping.items()}
    return EntryRow(**columns)
