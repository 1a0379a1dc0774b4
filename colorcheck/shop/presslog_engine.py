"""How the press log reaches its database, and how a refusal of the database becomes one clear line."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote

import sqlalchemy as sa
from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from ..ground.errors import ColorcheckError, DataError, FileError, UsageError
from ..ground.units import clean

T = TypeVar("T")

BUSY_SECONDS = 30.0  # how long to wait for another program that writes
_IN_THE_WAY = ("database is locked", "deadlock detected", "could not serialize")
_AWAY = (  # what PostgreSQL and its library say while a server starts, stops, or is out of reach
    "connection refused",
    "connection timeout",
    "timeout expired",
    "could not connect",
    "is starting up",
    "is shutting down",
    "terminating connection",
    "server closed the connection",
    "connection is lost",
    "connection reset",
)
SCHEMA_LOCK = 0x43434C47  # one program at a time makes or changes the tables of a server


def file_engine(path: Path) -> Engine:
    """Engine of a log file: write-ahead log, every commit on the disk, foreign keys, patience."""
    url = sa.URL.create("sqlite", database=str(path))
    if path.exists() and not os.access(path.parent, os.W_OK) and not path.with_name(path.name + "-wal").exists():
        # beside a write-ahead log SQLite wants to make files; in a folder that cannot change nobody else writes either
        named = f"file:{quote(str(path.absolute()))}"
        url = sa.URL.create("sqlite", database=named, query={"uri": "true", "immutable": "1"})
    engine = sa.create_engine(url, connect_args={"timeout": BUSY_SECONDS})

    @sa.event.listens_for(engine, "connect")
    def _settings(connection: Any, _: Any) -> None:
        connection.isolation_level = None  # BEGIN is ours, below
        for pragma in ("foreign_keys=ON", "synchronous=FULL", "fullfsync=ON"):
            connection.execute(f"PRAGMA {pragma}")

    @sa.event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # a writer takes its turn at once: a reader that turns into a writer could be refused halfway
        mode = " IMMEDIATE" if connection.get_execution_options().get("writes") else ""
        connection.exec_driver_sql("BEGIN" + mode)

    return engine


def server_engine(place: str, *, create: bool) -> tuple[Engine, str]:
    """Engine of a log on a server, its schema made, and its name without the password.

    Raises
    ------
    UsageError
        The URL is not understood, or the driver is not installed.
    FileError
        The server cannot be reached, or holds no log and ``create`` is False.
    """
    try:
        url = sa.make_url(place)
    except (SQLAlchemyError, ValueError) as e:
        raise UsageError("the URL of the press log is not understood", "write postgresql://USER@HOST/NAME") from e
    schema = str(url.query.get("schema", "colorcheck"))
    if not re.fullmatch(r"[a-z_][a-z0-9_]{0,50}", schema):
        raise UsageError(f"'{clean(schema, 40)}' cannot name a schema", "use small letters, digits and _")
    url = url.set(drivername="postgresql+psycopg").difference_update_query(["schema"])
    name = url.set(drivername="postgresql").render_as_string(hide_password=True)
    settings = {"connect_timeout": 10, "application_name": "colorcheck"}
    try:
        bare = sa.create_engine(url, poolclass=sa.NullPool, connect_args=settings)
    except ImportError as e:
        raise UsageError("a log on PostgreSQL needs psycopg", "pip install 'colorcheck[postgres]'") from e

    def make_schema() -> None:
        with bare.begin() as c:
            c.execute(sa.text("SELECT pg_advisory_xact_lock(:key)"), {"key": SCHEMA_LOCK})
            if not c.execute(sa.text("SELECT 1 FROM pg_namespace WHERE nspname = :n"), {"n": schema}).scalar():
                if not create:
                    raise FileError(f"there is no press log at {name} yet", "add --log to a command to begin one")
                c.execute(sa.schema.CreateSchema(schema))

    patiently(make_schema, name, BUSY_SECONDS if create else 0.0)
    settings["options"] = f"-csearch_path={schema}"
    return sa.create_engine(url, pool_pre_ping=True, connect_args=settings), name


def busy(e: SQLAlchemyError) -> bool:
    """Whether another program is in the way or the server is away for now, and waiting helps."""
    if not isinstance(e, DBAPIError):
        return False
    said = str(e.orig).lower()
    return any(sign in said for sign in _IN_THE_WAY + _AWAY)


def patiently(work: Callable[[], T], name: str, seconds: float | None = None) -> T:
    """Do something again while another program is in the way or the server is away, up to BUSY_SECONDS.

    Raises
    ------
    ColorcheckError
        See `told`.
    """
    until = time.monotonic() + (BUSY_SECONDS if seconds is None else seconds)
    pause = 0.01
    while True:
        try:
            return work()
        except SQLAlchemyError as e:
            if not busy(e) or time.monotonic() > until:
                raise told(e, name) from e
        time.sleep(pause)
        pause = min(2 * pause, 0.5)


def told(e: SQLAlchemyError, name: str) -> ColorcheckError:
    """Say in one line what a database refused."""
    said = str(e.orig if isinstance(e, DBAPIError) else e)
    low = said.lower()
    for sign, error in (
        ("not a database", DataError(f"{name} is not a press log", "name another file")),
        (
            "malformed",
            DataError(f"the press log {name} is damaged", "keep it aside and put a backup in its place"),
        ),
        (
            "locked",
            FileError(f"the press log {name} is held by another program", "close that, then do this again"),
        ),
        ("readonly", FileError(f"the press log {name} cannot be written", "check its permissions and its folder's")),
        ("unable to open", FileError(f"the press log {name} cannot be opened", "check its folder and permissions")),
        ("disk is full", FileError(f"no room for the press log {name}", "free some space")),
        ("disk i/o error", FileError(f"the disk of the press log {name} failed", "check the disk, keep a backup")),
        (
            "permission denied",
            FileError(f"the press log {name} may not be used by this user", "ask who keeps the server"),
        ),
    ):
        if sign in low:
            return error
    first = clean(said.splitlines()[0] if said else type(e).__name__, 160)
    if "connect" in low or "authentication" in low or "does not exist" in low:
        return FileError(f"the press log {name} cannot be reached ({first})", "check the address, and that it runs")
    return FileError(f"the press log {name} refused ({first})", "try again, or name another place")
