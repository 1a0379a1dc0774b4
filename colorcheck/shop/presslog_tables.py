"""The tables of the press log for queries; `presslog_migrate` makes them, and a test holds the two together."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    Column,
    DateTime,
    Dialect,
    Float,
    ForeignKey,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    TypeDecorator,
)
from sqlalchemy.types import TypeEngine

METADATA = MetaData()


class Utc(TypeDecorator[datetime]):
    """A moment in UTC, to the microsecond.

    A server has a type for it. SQLite has none: there it is text of one length, ``2024-05-01 07:30:00.000000+00:00``,
    whose order is that of time, and which Python reads without a detour (a trend reads a hundred thousand).
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Text for SQLite, a time with its zone for a server."""
        return dialect.type_descriptor(Text() if dialect.name == "sqlite" else DateTime(timezone=True))

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> Any:
        """To UTC on the way in."""
        if value is None:
            return None
        utc = value.astimezone(UTC)
        return utc.isoformat(" ", "microseconds") if dialect.name == "sqlite" else utc

    def result_processor(self, dialect: Dialect, coltype: Any) -> Callable[[Any], Any]:
        """To UTC on the way out; no moment is ever null."""
        return datetime.fromisoformat if dialect.name == "sqlite" else _in_utc


def _in_utc(moment: datetime) -> datetime:
    """Moment that a server gave in the zone of its session."""
    return moment.astimezone(UTC)


_ID = BigInteger().with_variant(Integer(), "sqlite")


def _key() -> Column[Any]:
    return Column("id", _ID, primary_key=True)


def _ref(name: str, to: str, **more: Any) -> Column[Any]:
    return Column(name, _ID, ForeignKey(f"{to}.id"), **more)


def _texts(*names: str) -> list[Column[Any]]:
    return [Column(n, Text, nullable=False) for n in names]


def _reals(*names: str, nullable: bool = True) -> list[Column[Any]]:
    return [Column(n, Float, nullable=nullable) for n in names]


blanks = Table(
    "blanks",
    METADATA,
    _key(),
    *_texts("name", "lot", "name_key", "lot_key"),
    Column("created", Utc, nullable=False),
)
pieces = Table(
    "pieces",
    METADATA,
    _key(),
    *_texts("name", "name_key"),
    _ref("blank_id", "blanks"),
    Column("created", Utc, nullable=False),
)
recipes = Table(
    "recipes",
    METADATA,
    _key(),
    *_texts("fingerprint", "text"),
    *_reals("set_c", "measured_c", "seconds"),
    *_texts("pressure", "heated_face", "stack"),
    *_reals("humidity_pct"),
)
photos = Table("photos", METADATA, _key(), *_texts("sha256", "file", "device", "taken"))
entries = Table(
    "entries",
    METADATA,
    _key(),
    *_texts("uid"),
    Column("created", Utc, nullable=False),
    *_texts("kind", "name", "action", "headline", "trust", "program"),
    _ref("piece_id", "pieces"),
    _ref("blank_id", "blanks"),
    _ref("recipe_id", "recipes"),
    Column("press_no", Integer),
    *_reals("mean_delta_e00", "evenness", "black_density"),
    Column("findings", Integer, nullable=False),
    *_reals("width_mm", "height_mm", "platen_x_mm", "platen_y_mm", "turn_deg"),
    *_texts("face"),
    *_reals("sheet_deg", "blank_deg"),
    *_texts("note", "words", "lit"),
)
# the result itself lies apart, packed by zlib: lists and searches never touch it
results = Table(
    "results",
    METADATA,
    _ref("entry_id", "entries", primary_key=True),
    Column("data", LargeBinary, nullable=False),
)
entry_photos = Table(
    "entry_photos",
    METADATA,
    _ref("entry_id", "entries", primary_key=True),
    Column("place", Integer, primary_key=True),
    _ref("photo_id", "photos", nullable=False),
)
findings = Table(
    "findings",
    METADATA,
    _key(),
    _ref("entry_id", "entries", nullable=False),
    *_texts("kind"),
    *_reals("x_mm", "y_mm", "size_mm", "delta_e00", "confidence", nullable=False),
    *_reals("platen_x_mm", "platen_y_mm"),
)
costs = Table(
    "costs",
    METADATA,
    _key(),
    _ref("entry_id", "entries", nullable=False),
    *_texts("item"),
    Column("thousandths", _ID, nullable=False),
    *_texts("currency"),
)
jobs = Table(
    "jobs",
    METADATA,
    _key(),
    *_texts("uid"),
    Column("created", Utc, nullable=False),
    *_texts("kind", "title", "state", "message", "owner", "entry_uid"),
)
