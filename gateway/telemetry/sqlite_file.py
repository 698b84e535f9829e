"""The embedded store's file: its tables, how it is opened, and what its errors mean.

One table of samples with a wide row for each unit and instant, one of 5-minute rollups, one of
rollup buckets that have to be computed again, one of units, one of marks. Columns follow the signal
catalogue: a signal new to the catalogue is added to a file that lacks it.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final
from urllib.parse import quote

from gateway.telemetry.base import StoreError, StoreRefused, StoreUnavailable
from rules.signals import SIGNALS

__all__ = [
    "AGGREGATES",
    "NAMES",
    "ReaderPool",
    "columns_of",
    "open_writer",
    "transaction",
    "translated",
]

APPLICATION_ID: Final = 0x62775453  # "bwTS": tells our file from any other SQLite file
LAYOUT: Final = 1

NAMES: Final = tuple(s.name for s in SIGNALS)
AGGREGATES: Final = ("min", "mean", "max", "count")

_TABLES: Final = """
CREATE TABLE IF NOT EXISTS unit (
    id INTEGER PRIMARY KEY, site TEXT NOT NULL, unit TEXT NOT NULL, UNIQUE (site, unit)
);
CREATE TABLE IF NOT EXISTS mark (name TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS sample (
    unit_id INTEGER NOT NULL, time_ms INTEGER NOT NULL, PRIMARY KEY (unit_id, time_ms)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS rollup (
    unit_id INTEGER NOT NULL, start_ms INTEGER NOT NULL, PRIMARY KEY (unit_id, start_ms)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS dirty (
    unit_id INTEGER NOT NULL, start_ms INTEGER NOT NULL, PRIMARY KEY (unit_id, start_ms)
) WITHOUT ROWID;
"""

_CHECKPOINT_PAGES: Final = 8_192  # a batch touches one page a unit; don't copy them back each time
_WAL_LIMIT_BYTES: Final = 67_108_864

_BUSY: Final = frozenset({sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED})
_BROKEN: Final = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
_PERMISSION: Final = frozenset(
    {sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM}
)


def open_writer(path: Path, busy_timeout_s: float) -> sqlite3.Connection:
    """The writing connection: WAL, every commit synced, tables and columns brought up to date.

    Raises :class:`StoreRefused` for a file that is another program's or a later version's, else as
    :func:`translated`.
    """
    with translated(path):
        db = sqlite3.connect(
            path, timeout=busy_timeout_s, isolation_level=None, check_same_thread=False
        )
        try:
            _refuse_foreign(db, path)
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = FULL")  # the reader's offset must not outrun the disk
            db.execute(f"PRAGMA wal_autocheckpoint = {_CHECKPOINT_PAGES}")
            db.execute(f"PRAGMA journal_size_limit = {_WAL_LIMIT_BYTES}")
            with transaction(db):
                _bring_up_to_date(db)
        except BaseException:
            db.close()
            raise
        return db


@contextmanager
def transaction(db: sqlite3.Connection, kind: str = "IMMEDIATE") -> Iterator[None]:
    """Commit at the end of the block, roll back if it raises; ``kind`` "DEFERRED" for reading."""
    db.execute(f"BEGIN {kind}")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        # On a full or failing disk SQLite may have rolled back by itself already.
        with suppress(sqlite3.Error):
            db.execute("ROLLBACK")
        raise


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into the store's two, with what to do about them."""
    try:
        yield
    except sqlite3.Error as err:
        raise _meaning(path, err) from err
    except OSError as err:
        msg = f"the telemetry file {path} can't be used: {err.strerror or err}."
        raise StoreUnavailable(msg) from err


def columns_of(db: sqlite3.Connection, table: str) -> set[str]:
    """The table's columns; empty if it does not exist."""
    return {name for (name,) in db.execute("SELECT name FROM pragma_table_info(?)", (table,))}


class ReaderPool:
    """Read-only connections to one file, lent to one thread at a time. They never create it."""

    def __init__(self, path: Path, busy_timeout_s: float) -> None:
        """Nothing is opened yet."""
        self._path = path
        self._busy_timeout_s = busy_timeout_s
        self._lock = threading.Lock()
        self._idle: list[tuple[tuple[int, int], sqlite3.Connection]] = []

    @contextmanager
    def snapshot(self) -> Iterator[sqlite3.Connection | None]:
        """One consistent view of the file for the block; None while there is no file.

        Raises as :func:`translated`.
        """
        with translated(self._path):
            identity = file_identity(self._path)
            if identity is None:
                yield None
                return
            db = self._borrow(identity)
            try:
                with transaction(db, "DEFERRED"):
                    yield db
            except BaseException:
                db.close()
                raise
            with self._lock:
                self._idle.append((identity, db))

    def close(self) -> None:
        """Close what is idle."""
        with self._lock:
            idle, self._idle = self._idle, []
        for _, db in idle:
            db.close()

    def _borrow(self, identity: tuple[int, int]) -> sqlite3.Connection:
        with self._lock:
            while self._idle:
                known, db = self._idle.pop()
                if known == identity:
                    return db
                db.close()  # to a file that has since been moved away or replaced
        return sqlite3.connect(
            f"file:{quote(str(self._path))}?mode=ro",
            uri=True,
            timeout=self._busy_timeout_s,
            isolation_level=None,
            check_same_thread=False,
        )


def file_identity(path: Path) -> tuple[int, int] | None:
    """Which file is at this path now: device and inode, None if there is none."""
    try:
        status = os.stat(path)  # noqa: PTH116 - called for every batch; Path.stat costs twice that
    except FileNotFoundError:
        return None
    return status.st_dev, status.st_ino


def _refuse_foreign(db: sqlite3.Connection, path: Path) -> None:
    (tables,) = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    (application,) = db.execute("PRAGMA application_id").fetchone()
    (layout,) = db.execute("PRAGMA user_version").fetchone()
    if tables and application != APPLICATION_ID:
        msg = (
            f"{path} is an SQLite file, but not a telemetry file of this program. Move it away or "
            "name another data directory; nothing has been changed in it."
        )
        raise StoreRefused(msg)
    if layout > LAYOUT:
        msg = (
            f"{path} has layout {layout}; this version knows up to {LAYOUT}. Install the version "
            "that wrote it, or a later one; nothing has been changed in it."
        )
        raise StoreRefused(msg)


def _bring_up_to_date(db: sqlite3.Connection) -> None:
    for statement in _TABLES.split(";"):
        db.execute(statement)
    _add_columns(db, "sample", [(name, "REAL") for name in NAMES])
    _add_columns(
        db,
        "rollup",
        [
            (f"{aggregate}_{name}", "INTEGER" if aggregate == "count" else "REAL")
            for name in NAMES
            for aggregate in AGGREGATES
        ],
    )
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {LAYOUT}")


def _add_columns(db: sqlite3.Connection, table: str, wanted: Sequence[tuple[str, str]]) -> None:
    there = columns_of(db, table)
    for name, kind in wanted:
        if name not in there:
            db.execute(f'ALTER TABLE {table} ADD COLUMN "{name}" {kind}')


def _meaning(path: Path, err: sqlite3.Error) -> StoreError:
    # Errors that the Python module itself raises carry no code.
    code = getattr(err, "sqlite_errorcode", 0) & 0xFF
    waiting = "It is tried again later; samples wait in the journal meanwhile."
    if code in _BUSY:
        return StoreUnavailable(
            f"the telemetry file {path} is locked by another process. If this lasts, look for a "
            f"second gateway, a backup or an SQLite shell on it. {waiting}"
        )
    if code == sqlite3.SQLITE_FULL:
        return StoreUnavailable(
            f"the disk of the telemetry file {path} is full. Free space on it, or shorten "
            f"retention_days in fleet.toml. {waiting}"
        )
    if code in _BROKEN:
        return StoreRefused(
            f"the telemetry file {path} is damaged ({err}). Stop the gateway, keep a copy of the "
            "file, and put a backup in its place; without a backup move it away, and the gateway "
            "begins a new one. Samples wait in the journal meanwhile."
        )
    if code in _PERMISSION:
        return StoreUnavailable(
            f"the telemetry file {path} can't be opened for this ({err}). Check that its directory "
            f"exists and that this user may write to it. {waiting}"
        )
    return StoreUnavailable(
        f"the telemetry file {path} can't be used ({err}). Check its disk, and the system's log "
        f"for disk errors. {waiting}"
    )
