"""Database engines as the records need them: one writer at a time, on a file or on a server.

Writers follow one another, readers see one state and wait for nobody. SQLite does so in WAL mode
with BEGIN IMMEDIATE. On PostgreSQL a writing transaction first takes an advisory lock, so that what
it reads stays true until it commits (numbers given out, a ticket's last entry); a reading one is
REPEATABLE READ. Who waits too long for the lock is told so and comes again.
"""

from __future__ import annotations

import json
import math
import sqlite3
import time
from typing import Any, Final

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError

from gateway.records.text import storable
from gateway.records.trouble import RecordsError, is_sqlite

__all__ = ["engine_for", "parsed", "to_json"]

WRITE_LOCK: Final = 0x6277_5772_6974_6531  # "bwWrite1" as a number; the key of an advisory lock
_CONNECT: Final = {
    "application_name": "basinward",
    "connect_timeout": "5",
    # A network that swallows packets is noticed within a minute, by both sides, so that neither
    # waits for ever nor a lock is kept for a machine that is gone.
    "keepalives_idle": "30",
    "keepalives_interval": "10",
    "keepalives_count": "3",
    "tcp_user_timeout": "60000",
}
_SERVER_SIDE: Final = (
    "-c tcp_keepalives_idle=30 -c tcp_keepalives_interval=10 -c tcp_keepalives_count=3"
)


def parsed(url: str | URL) -> URL:
    """The URL, with the driver that we use; :class:`RecordsError` where it is none of ours."""
    try:
        made = make_url(url)
    except (ArgumentError, ValueError):  # ValueError: what stands in the port's place is no number
        msg = (
            "The records' URL cannot be read. Write for instance 'sqlite:////var/lib/x/records."
            "sqlite' or 'postgresql://user@host/name', and keep a password where password_file "
            "under [records] says: in a URL '/' is %2F and '@' is %40."
        )
        raise RecordsError(msg) from None  # the URL may hold a password
    match made.get_backend_name():
        case "sqlite":
            return made
        case "postgresql":
            return made.set(drivername="postgresql+psycopg")
        case other:
            msg = f"Records cannot be kept in '{other}'. Use SQLite or PostgreSQL."
            raise RecordsError(msg)


def engine_for(url: URL, wait_ms: int, **options: Any) -> Engine:
    """An engine whose transactions begin as this module says.

    ``wait_ms`` is how long a writer waits for another. A transaction writes where its connection
    has the execution option ``writes``.
    """
    make = _file_engine if is_sqlite(url) else _server_engine
    return make(url, wait_ms, json_serializer=to_json, **options)


def _file_engine(url: URL, wait_ms: int, **options: Any) -> Engine:
    engine = create_engine(url, connect_args={"timeout": wait_ms / 1000}, **options)

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # transactions begin below, not where the driver guesses
        cursor = connection.cursor()
        _write_ahead(cursor, wait_ms / 1000)
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _write_ahead(cursor: sqlite3.Cursor, wait_s: float) -> None:
    """Turn a new file to WAL mode, as soon as no other program writes to it.

    SQLite does not wait for a writer here, as it does where a transaction begins.
    """
    until_s = time.monotonic() + wait_s
    while True:
        try:
            cursor.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            busy = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
            if not busy or time.monotonic() >= until_s:
                raise
        else:
            return
        cursor.execute("BEGIN EXCLUSIVE")
        cursor.execute("COMMIT")


def _server_engine(url: URL, wait_ms: int, **options: Any) -> Engine:
    given = {name: value for name, value in _CONNECT.items() if name not in url.query}
    asked = url.query.get("options", "")
    mine = f"{_SERVER_SIDE} -c lock_timeout={wait_ms}"
    given["options"] = f"{mine} {asked if isinstance(asked, str) else ' '.join(asked)}".strip()
    url = url.difference_update_query(["options"])
    try:
        engine = create_engine(url, connect_args=given, **({"pool_pre_ping": True} | options))
    except ImportError as error:
        msg = (
            f"The driver for PostgreSQL is not installed ({error}). Install it: "
            "pip install 'basinward[postgresql]'."
        )
        raise RecordsError(msg) from error

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        if connection.get_execution_options().get("writes", False):
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITE_LOCK})")

    return engine


def to_json(value: object) -> str:
    """JSON that every database takes: what is no number becomes null, half a pair '?'."""
    return storable(json.dumps(_finite(value), allow_nan=False, ensure_ascii=False))


def _finite(value: object) -> object:
    """Plain JSON data: numpy scalars become numbers, not-a-number and infinity become null."""
    if isinstance(value, dict):
        return {str(k): _finite(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(v) for v in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
