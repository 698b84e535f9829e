"""Opening the records: migrations to the newest revision, transactions, errors.

How transactions begin on each kind of database is in :mod:`gateway.records.engines`, what errors
mean in :mod:`gateway.records.trouble`.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Final

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util.exc import CommandError
from sqlalchemy import Connection, Engine
from sqlalchemy.engine import URL
from sqlalchemy.exc import DatabaseError, InterfaceError
from sqlalchemy.pool import NullPool

from gateway.records.engines import engine_for, parsed
from gateway.records.holding import FileHolding, Holding, ServerHolding
from gateway.records.trouble import (
    RecordsError,
    RecordsUnavailable,
    is_sqlite,
    meaning,
    shown,
)

__all__ = ["Database", "RecordsError", "RecordsUnavailable", "migration_config", "revisions"]

_BUSY_TIMEOUT_MS: Final = 5_000
_HASTY_MS: Final = 1
"""A server takes 0 for no limit."""
_MIGRATIONS: Final = Path(__file__).parent / "migrations"


@dataclass
class _Attempt:
    committing: bool = False


class Database:
    """The engine of the records, at the newest revision.

    ``url`` is SQLAlchemy's; ``busy_timeout_ms`` is how long a writer waits for another. Raises
    :class:`RecordsUnavailable` where the database cannot be opened and :class:`RecordsError` where
    it was written by a newer version of the program.
    """

    def __init__(self, url: str | URL, busy_timeout_ms: int = _BUSY_TIMEOUT_MS) -> None:
        """Open the database and migrate it."""
        self.url = parsed(url)
        self._wait_ms = busy_timeout_ms
        self.engine = engine_for(self.url, busy_timeout_ms)
        self._writer = self.engine.execution_options(writes=True)
        self._reader = self.engine
        if not is_sqlite(self.url):
            self._reader = self.engine.execution_options(
                isolation_level="REPEATABLE READ", postgresql_readonly=True
            )
        self._holding: Holding | None = None
        self._here = threading.local()
        try:
            self._check_server()
            self._migrate()
        except BaseException:
            self.engine.dispose()
            raise

    def hold(self, who: str) -> None:
        """Be the one gateway that writes these records, until closed.

        ``who`` says to a person which gateway it is. Raises :class:`RecordsError` where another has
        them, and in every later transaction, should another have taken them.
        """
        if not is_sqlite(self.url):
            holding: Holding = ServerHolding(self.url, self._wait_ms, who)
        elif self.url.database:
            holding = FileHolding(self.url)
        else:
            return
        try:
            with self.write() as connection:
                holding.begin(connection)
        except BaseException:
            holding.close()
            raise
        self._holding = holding

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A transaction that sees one state of the records."""
        joined = self._joined()
        if joined is not None:
            yield joined
            return
        with self._translated("read"), self._reader.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def write(self, *, waits: bool = True) -> Iterator[Connection]:
        """A transaction that is committed at the end, or leaves no trace.

        Without ``waits`` it is :class:`RecordsUnavailable` at once where another writes just now.
        """
        joined = self._joined()
        if joined is not None:
            try:
                yield joined
            except BaseException:
                self._here.broken = True
                raise
            return
        holding = self._holding
        if holding is not None:
            holding.ensure()
        with (
            self._translated("written") as attempt,
            (self._writer if waits else self._hasty).connect() as connection,
            connection.begin(),
        ):
            if holding is not None:
                holding.check(connection)
            yield connection
            attempt.committing = True

    @cached_property
    def _hasty(self) -> Engine:
        """Connections that wait for no other writer; they are seldom needed, so none is kept."""
        made = engine_for(self.url, _HASTY_MS, poolclass=NullPool)
        return made.execution_options(writes=True)

    @contextmanager
    def together(self) -> Iterator[Connection]:
        """One writing transaction for all that this thread reads and writes within the block.

        Raises :class:`RecordsError`, and nothing is written, where the block goes on after a part
        of it has failed.
        """
        with self.write() as connection:
            self._here.connection, self._here.broken = connection, False
            try:
                yield connection
                if self._here.broken:
                    msg = "A part of what was to be done together failed. Nothing was changed."
                    raise RecordsError(msg)
            finally:
                self._here.connection = None

    def _joined(self) -> Connection | None:
        joined: Connection | None = getattr(self._here, "connection", None)
        return joined

    def close(self) -> None:
        """Close all connections. A later use opens them again, but holds nothing any more."""
        holding, self._holding = self._holding, None
        if holding is not None:
            holding.close()
        self.engine.dispose()

    def _check_server(self) -> None:
        if is_sqlite(self.url):
            return
        with self.read() as connection:
            encoding = connection.exec_driver_sql("SHOW server_encoding").scalar_one()
        if encoding != "UTF8":
            msg = (
                f"The database at {self.name} keeps text as {encoding}, which cannot hold all that "
                "sites and people write. Create one with ENCODING 'UTF8' TEMPLATE template0. "
                "Nothing was changed."
            )
            raise RecordsError(msg)

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
        return shown(self.url)

    @contextmanager
    def _translated(self, what: str) -> Iterator[_Attempt]:
        attempt = _Attempt()
        try:
            yield attempt
        except (DatabaseError, InterfaceError) as error:
            told = meaning(error, self.url, what, committing=attempt.committing)
            if told is None:
                raise  # a wrong statement, a broken constraint: a fault of the program
            raise told from error


def migration_config() -> Config:
    """The configuration that alembic needs to find the migrations inside this package."""
    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


def revisions() -> list[str]:
    """The revisions of the records that this program knows, the oldest first."""
    scripts = ScriptDirectory.from_config(migration_config()).walk_revisions()
    return [script.revision for script in scripts][::-1]
