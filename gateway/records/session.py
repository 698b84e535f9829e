"""Opening the records: engine, migrations to the newest revision, transactions, errors.

SQLite is opened in WAL mode with foreign keys on and a busy timeout; a writing transaction takes
the write lock at once (BEGIN IMMEDIATE), so it never fails half-way for want of it. Trouble that
may pass (locked, disk full, server away) becomes :class:`RecordsUnavailable`; the caller retries
the same step later, since nothing of it was written.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util.exc import CommandError
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, InterfaceError, OperationalError

__all__ = ["Database", "RecordsError", "RecordsUnavailable", "migration_config"]

_BUSY_TIMEOUT_MS: Final = 5_000
_MIGRATIONS: Final = Path(__file__).parent / "migrations"

_ADVICE: Final = (
    ("full", "the disk is full: free space or move the data directory to a larger disk"),
    ("locked", "another program holds the write lock: close any tool that has the file open"),
    ("readonly", "the file may not be written: check the owner and mode of the data directory"),
    ("unable to open", "the file cannot be opened: check that its directory exists and is ours"),
    ("malformed", "the file is damaged: stop the gateway and restore the file from a backup"),
    ("not a database", "the file is no database: move it away, or correct the records' URL"),
    ("i/o error", "the disk reported an error: check the disk"),
)


class RecordsError(Exception):
    """The records cannot do what was asked; the text says why and what to do."""


class RecordsUnavailable(RecordsError):  # says what is the case; not a bug of ours
    """The records cannot be reached or written now. Nothing was written; try again later."""


class Database:
    """The engine of the records, at the newest revision.

    ``url`` is SQLAlchemy's; ``busy_timeout_ms`` is how long SQLite waits for another writer. Raises
    :class:`RecordsUnavailable` where the database cannot be opened and :class:`RecordsError` where
    it was written by a newer version of the program.
    """

    def __init__(self, url: str, busy_timeout_ms: int = _BUSY_TIMEOUT_MS) -> None:
        """Open the database and migrate it."""
        self.url = _parsed(url)
        self.engine = _engine(self.url, busy_timeout_ms)
        self._writer = self.engine.execution_options(writes=True)
        self._migrate()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A transaction that sees one state of the records."""
        with self._translated("read"), self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """A transaction that is committed at the end, or leaves no trace."""
        with self._translated("written"), self._writer.connect() as connection, connection.begin():
            yield connection

    def close(self) -> None:
        """Close all connections. A later use opens them again."""
        self.engine.dispose()

    def _migrate(self) -> None:
        config = migration_config()
        heads = set(ScriptDirectory.from_config(config).get_heads())
        with self.read() as connection:
            if set(MigrationContext.configure(connection).get_current_heads()) == heads:
                return
        try:
            # One transaction for the whole way: two processes that start together migrate once,
            # and a power cut leaves the old revision.
            with self.write() as connection:
                config.attributes["connection"] = connection
                command.upgrade(config, "head")
        except CommandError as error:
            msg = (
                f"The records at {self.name} are of a revision that this program does not know "
                f"({error}). They were written by a newer version: install that version again, "
                "or restore the backup made before it. Nothing was changed."
            )
            raise RecordsError(msg) from error

    @property
    def name(self) -> str:
        """Where the records are, without a password."""
        return self.url.database or "memory" if _is_sqlite(self.url) else str(self.url)

    @contextmanager
    def _translated(self, what: str) -> Iterator[None]:
        try:
            yield
        except (OperationalError, InterfaceError, DatabaseError) as error:
            cause = str(error.orig)
            advice = next((a for word, a in _ADVICE if word in cause.lower()), None)
            if advice is None and _is_sqlite(self.url):
                raise  # a wrong statement, a broken constraint: a fault of the program
            if advice is None and not isinstance(error, OperationalError | InterfaceError):
                raise
            msg = (
                f"The records at {self.name} cannot be {what} now ({cause.strip()}): "
                f"{advice or 'check that the database server runs and can be reached'}. "
                "Nothing was written; the step is repeated later."
            )
            raise RecordsUnavailable(msg) from error


def migration_config() -> Config:
    """The configuration that alembic needs to find the migrations inside this package."""
    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


def _parsed(url: str) -> URL:
    try:
        return make_url(url)
    except ArgumentError:
        msg = (
            "The records' URL cannot be read. Write for instance 'sqlite:////var/lib/x/records."
            "sqlite' or 'postgresql+psycopg://user@host/name'."
        )
        raise RecordsError(msg) from None  # the URL may hold a password


def _is_sqlite(url: URL) -> bool:
    return url.get_backend_name() == "sqlite"


def _engine(url: URL, busy_timeout_ms: int) -> Engine:
    if not _is_sqlite(url):
        return create_engine(url, json_serializer=_to_json, pool_pre_ping=True)
    engine = create_engine(
        url, json_serializer=_to_json, connect_args={"timeout": busy_timeout_ms / 1000}
    )

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # transactions begin below, not where the driver guesses
        cursor = connection.cursor()
        cursor.execute("PRAGMA journal_mode = WAL")
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _to_json(value: object) -> str:
    return json.dumps(_finite(value), allow_nan=False, ensure_ascii=False)


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
