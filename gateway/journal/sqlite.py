"""The embedded journal: one SQLite file in WAL mode, durable at every commit.

``synchronous=FULL`` makes a commit wait for the disk, so an entry whose append returned survives
the loss of power. Trimming gives room back to the disk (incremental vacuum). One process writes;
one connection serves its writer, another its readers, and neither waits for the other.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Final

from gateway.journal.codec import KINDS, SAMPLES, decode, encode
from gateway.journal.entries import (
    Backlog,
    Chunk,
    DamagedEntryError,
    Entry,
    Fill,
    JournalError,
    JournalFull,
    JournalState,
    JournalUnavailable,
    Notes,
    Stored,
)
from rules.events import Action

__all__ = ["SqliteJournal"]

log = logging.getLogger(__name__)

SCHEMA_VERSION: Final = 2
NEAR_FRAC: Final = 0.8
JOURNAL_ITSELF: Final = ""
"""The 'reader' under whose name damaged entries are set aside."""

_UPGRADES: Final = (
    """
CREATE TABLE entries (
    offset INTEGER PRIMARY KEY AUTOINCREMENT,
    received_ms INTEGER NOT NULL, kind INTEGER NOT NULL, weight INTEGER NOT NULL,
    payload BLOB NOT NULL);
CREATE TABLE readers (name TEXT PRIMARY KEY, offset INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE set_aside (
    reader TEXT NOT NULL, offset INTEGER NOT NULL, found_ms INTEGER NOT NULL,
    reason TEXT NOT NULL, received_ms INTEGER NOT NULL, kind INTEGER NOT NULL,
    payload BLOB NOT NULL, PRIMARY KEY (reader, offset));
CREATE TABLE actions (id INTEGER PRIMARY KEY, offset INTEGER NOT NULL);
CREATE TABLE units (
    unit_row INTEGER PRIMARY KEY, site TEXT NOT NULL, unit TEXT NOT NULL, UNIQUE (site, unit));
""",
    "CREATE TABLE notes (name TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID;",
)
"""What leads from each form of the file to the next; the first makes it."""

_TRIM_STEP_ENTRIES: Final = 50  # one transaction; the writer gets its turn in between
_VACUUM_STEP_PAGES: Final = 1000
_TIMEOUT_S: Final = 5.0
_ADVICE: Final = {
    "SQLITE_BUSY": "Another process holds it; see that only one gateway runs on this directory.",
    "SQLITE_READONLY": "Give the gateway's user the right to write this file and its directory.",
    "SQLITE_CANTOPEN": "See that the directory exists and the gateway's user may write it.",
    "SQLITE_CORRUPT": "The file is damaged: stop the gateway, check the disk, move the file away "
    "together with its -wal and -shm files, keep them, and start again.",
    "SQLITE_NOTADB": "The file is not a journal: move it away and start again.",
    "SQLITE_IOERR": "Check the disk and the system's log.",
}


def _no() -> bool:
    return False


class SqliteJournal:
    """The journal in one file; see :class:`gateway.journal.Journal` for what its methods promise.

    ``budget_bytes`` bounds what the file may use.
    """

    def __init__(self, path: Path, budget_bytes: int = 2 * 1024**3) -> None:
        """Open the file, or create it; :class:`JournalError` with advice if it cannot be used."""
        self.path = path
        self.budget_bytes = budget_bytes
        self._writing = threading.RLock()
        self._reading = threading.Lock()
        self._news = threading.Condition()
        self._refused = False
        with ExitStack() as undo:
            try:
                self._writer = self._connect()
                undo.callback(self._writer.close)
                self._prepare()
                self._reader = self._connect()
                undo.callback(self._reader.close)
                self._reader.execute("PRAGMA query_only=ON")
                self._last = self._stored_last()
            except sqlite3.Error as error:
                raise self._trouble(error, "opened") from error
            undo.pop_all()

    # -- the protocol -----------------------------------------------------------------------

    @property
    def last_offset(self) -> int:
        """The offset of the newest durable entry; 0 before the first."""
        return self._last

    def append(self, entries: Sequence[Entry], received_ms: int, notes: Notes | None = None) -> int:
        """Make entries and notes durable, all or none, in order; the last one's offset."""
        encoded = [encode(entry) for entry in entries]
        last = self._last
        with self._writing:
            self._check_room(sum(len(e.payload) for e in encoded))
            with self.transaction("written") as db:
                for entry, (kind, weight, payload) in zip(entries, encoded, strict=True):
                    cursor = db.execute(
                        "INSERT INTO entries (received_ms, kind, weight, payload)"
                        " VALUES (?, ?, ?, ?)",
                        (received_ms, kind, weight, payload),
                    )
                    last = cursor.lastrowid or last
                    if isinstance(entry, Action):
                        db.execute("INSERT OR IGNORE INTO actions VALUES (?, ?)", (entry.id, last))
                for name, value in (notes or {}).items():
                    if value is None:
                        db.execute("DELETE FROM notes WHERE name = ?", (name,))
                    else:
                        db.execute("REPLACE INTO notes VALUES (?, ?)", (name, value))
            self._refused = False
            with self._news:
                self._last = last
                self._news.notify_all()
        return last

    def notes(self) -> dict[str, bytes]:
        """The notes that are kept, by name."""
        with self._querying() as db:
            return dict(db.execute("SELECT name, value FROM notes").fetchall())

    def read_from(
        self, offset: int, *, limit_weight: int = 200_000, limit_entries: int = 10_000
    ) -> Chunk:
        """The entries beyond the offset, within the limits, at least one if there is one."""
        last = self._last  # all up to here is durable, so the query below sees all of it
        rows: list[tuple[int, int, int, bytes]] = []
        weight = 0
        limited = False
        with self._querying() as db:
            cursor = db.execute(
                "SELECT offset, received_ms, kind, weight, payload FROM entries WHERE offset > ?"
                " ORDER BY offset",
                (offset,),
            )
            for at, received_ms, kind, frames, payload in cursor:
                if rows and (weight + frames > limit_weight or len(rows) == limit_entries):
                    limited = True
                    break
                rows.append((at, received_ms, kind, payload))
                weight += frames
            cursor.close()
        entries = []
        for at, received_ms, kind, payload in rows:
            try:
                entries.append(Stored(at, received_ms, decode(payload)))
            except DamagedEntryError as error:
                self._set_damaged_aside(at, kind, str(error))
        if limited:
            return Chunk(tuple(entries), rows[-1][0], limited)
        return Chunk(tuple(entries), max(offset, last, rows[-1][0] if rows else 0), limited)

    def wait_beyond(
        self, offset: int, timeout_s: float, interrupted: Callable[[], bool] = _no
    ) -> bool:
        """Wait until something lies beyond the offset; False after the time or an interruption."""
        with self._news:
            self._news.wait_for(lambda: self._last > offset or interrupted(), timeout_s)
            return self._last > offset

    def wake(self) -> None:
        """Make every waiting reader ask whether it was interrupted."""
        with self._news:
            self._news.notify_all()

    def trim(self, up_to: int, keep_free_bytes: int = 16 * 1024**2) -> int:
        """Forget entries up to and including the offset; how many they were.

        Room beyond ``keep_free_bytes``, which the next entries will use, goes back to the disk.
        """
        trimmed = 0
        while True:
            with self.transaction("trimmed") as db:
                done = db.execute(
                    "DELETE FROM entries WHERE offset IN (SELECT offset FROM entries"
                    " WHERE offset <= ? ORDER BY offset LIMIT ?)",
                    (up_to, _TRIM_STEP_ENTRIES),
                ).rowcount
                if done == 0:
                    db.execute("DELETE FROM actions WHERE offset <= ?", (up_to,))
            if done == 0:
                break
            trimmed += done
        self._give_back(keep_free_bytes)
        return trimmed

    def reader_offset(self, reader: str) -> int:
        """How far the named reader has come; 0 at first."""
        with self._querying() as db:
            row = db.execute("SELECT offset FROM readers WHERE name = ?", (reader,)).fetchone()
        return int(row[0]) if row else 0

    def advance(self, reader: str, offset: int) -> None:
        """Note that the reader is done with everything up to the offset; never goes back."""
        with self.transaction("written") as db:
            db.execute(
                "INSERT INTO readers VALUES (?, ?) ON CONFLICT (name)"
                " DO UPDATE SET offset = max(offset, excluded.offset)",
                (reader, offset),
            )

    def set_aside(self, reader: str, offset: int, reason: str) -> None:
        """Keep a copy of an entry that the reader cannot use, with the reason."""
        with self.transaction("written") as db:
            db.execute(
                "INSERT OR IGNORE INTO set_aside SELECT ?, offset, ?, ?, received_ms, kind, payload"
                " FROM entries WHERE offset = ?",
                (reader, time.time_ns() // 1_000_000, reason, offset),
            )

    def offsets_set_aside(self, reader: str) -> frozenset[int]:
        """The offsets that the reader has set aside."""
        with self._querying() as db:
            rows = db.execute("SELECT offset FROM set_aside WHERE reader = ?", (reader,)).fetchall()
        return frozenset(int(r[0]) for r in rows)

    def actions_present(self, ids: Collection[int]) -> frozenset[int]:
        """Which of these actions' ids have been appended before."""
        with self._querying() as db:
            return frozenset(
                i for i in ids if db.execute("SELECT 1 FROM actions WHERE id = ?", (i,)).fetchone()
            )

    def frames_between(self, after: int, up_to: int) -> int:
        """How many frames the samples entries in (``after``, ``up_to``] hold."""
        with self._querying() as db:
            (frames,) = db.execute(
                "SELECT coalesce(sum(weight), 0) FROM entries"
                " WHERE kind = ? AND offset > ? AND offset <= ?",
                (SAMPLES, after, up_to),
            ).fetchone()
        return int(frames)

    def backlog(self, offset: int) -> Backlog:
        """What lies beyond the offset: how far a reader that stands there is behind."""
        if offset >= self._last:
            return Backlog(0, 0, None)
        with self._querying() as db:
            entries, frames = db.execute(
                "SELECT count(*), coalesce(sum(weight) FILTER (WHERE kind = ?), 0) FROM entries"
                " WHERE offset > ?",
                (SAMPLES, offset),
            ).fetchone()
            oldest = db.execute(
                "SELECT received_ms FROM entries WHERE offset > ? ORDER BY offset LIMIT 1",
                (offset,),
            ).fetchone()
        return Backlog(int(entries), int(frames), int(oldest[0]) if oldest else None)

    def state(self) -> JournalState:
        """Size, budget and reach at this moment."""
        with self._querying() as db:
            used = self._used_bytes(db)
            (first,) = db.execute("SELECT min(offset) FROM entries").fetchone()
            (set_aside,) = db.execute("SELECT count(*) FROM set_aside").fetchone()
        last = self._last
        if self._refused or used >= self.budget_bytes:
            fill = Fill.FULL
        else:
            fill = Fill.NEAR if used >= NEAR_FRAC * self.budget_bytes else Fill.OK
        return JournalState(
            fill, used, self.budget_bytes, last + 1 if first is None else first, last, set_aside
        )

    # -- for the gateway's start and end ----------------------------------------------------

    def begin_after(self, offset: int) -> None:
        """Give new entries offsets beyond this one.

        Needed when a journal is new while its readers have already committed further: without it
        they would take the new entries for old ones and pass over them.
        """
        with self.transaction("written") as db:
            if self._stored_last() >= offset:
                return
            db.execute("DELETE FROM sqlite_sequence WHERE name = 'entries'")
            db.execute("INSERT INTO sqlite_sequence VALUES ('entries', ?)", (offset,))
        with self._news:
            self._last = max(self._last, offset)

    @contextmanager
    def transaction(self, doing: str) -> Iterator[sqlite3.Connection]:
        """One durable transaction of the writer, for tables that live in the journal's file.

        ``doing`` completes 'the journal cannot be …' should it fail.
        """
        with self._writing:
            try:
                self._writer.execute("BEGIN IMMEDIATE")
                try:
                    yield self._writer
                    self._writer.execute("COMMIT")
                except BaseException:
                    with suppress(sqlite3.Error):  # a failed commit may have rolled back itself
                        self._writer.execute("ROLLBACK")
                    raise
            except sqlite3.Error as error:
                raise self._trouble(error, doing) from error

    def close(self) -> None:
        """Close the file; waiting readers are woken."""
        self.wake()
        with self._writing, self._reading:
            self._reader.close()
            self._writer.close()

    # -- private ----------------------------------------------------------------------------

    def _connect(self) -> sqlite3.Connection:
        return sqlite3.connect(
            self.path, timeout=_TIMEOUT_S, isolation_level=None, check_same_thread=False
        )

    def _prepare(self) -> None:
        db = self._writer
        (version,) = db.execute("PRAGMA user_version").fetchone()
        if version > SCHEMA_VERSION:
            msg = (
                f"{self.path} has form {version}, this version of the program knows "
                f"{SCHEMA_VERSION} at most: a newer one wrote it. Start that one, or move the file "
                "away. Nothing has been changed."
            )
            raise JournalError(msg)
        if version == 0:
            if db.execute("SELECT count(*) FROM sqlite_master").fetchone() != (0,):
                msg = f"{self.path} is a database of something else. Move it away and start again."
                raise JournalError(msg)
            db.execute("PRAGMA auto_vacuum=INCREMENTAL")
        db.execute("PRAGMA journal_mode=WAL").fetchone()
        db.execute("PRAGMA synchronous=FULL")
        db.execute(f"PRAGMA journal_size_limit={64 * 1024**2}").fetchone()
        for form in range(version, SCHEMA_VERSION):
            db.executescript(f"BEGIN;{_UPGRADES[form]}PRAGMA user_version={form + 1};COMMIT;")

    def _stored_last(self) -> int:
        row = self._writer.execute(
            "SELECT seq FROM sqlite_sequence WHERE name = 'entries'"
        ).fetchone()
        return int(row[0]) if row else 0

    @contextmanager
    def _querying(self) -> Iterator[sqlite3.Connection]:
        with self._reading:
            try:
                yield self._reader
            except sqlite3.Error as error:
                raise self._trouble(error, "read") from error

    def _used_bytes(self, db: sqlite3.Connection) -> int:
        (pages,) = db.execute("PRAGMA page_count").fetchone()
        (free,) = db.execute("PRAGMA freelist_count").fetchone()
        (size,) = db.execute("PRAGMA page_size").fetchone()
        return int((pages - free) * size)

    def _check_room(self, wanted_bytes: int) -> None:
        try:
            used = self._used_bytes(self._writer)
        except sqlite3.Error as error:
            raise self._trouble(error, "written") from error
        if used + wanted_bytes > self.budget_bytes:
            self._refused = True
            msg = (
                f"{self.path} uses {used / 1e6:.1f} MB of its budget of "
                f"{self.budget_bytes / 1e6:.1f} MB and has no room for {wanted_bytes} bytes more. "
                "Find out why its readers lag (records or telemetry store down?) or raise "
                "budget_mb under [journal]. Messages wait at the broker meanwhile."
            )
            raise JournalFull(msg)

    def _give_back(self, keep_free_bytes: int) -> None:
        while True:
            with self._writing:
                try:
                    (free,) = self._writer.execute("PRAGMA freelist_count").fetchone()
                    (size,) = self._writer.execute("PRAGMA page_size").fetchone()
                    spare = free - keep_free_bytes // size
                    if spare <= 0:
                        # The file shrinks when the log before it is folded in.
                        self._writer.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
                        return
                    step = min(spare, _VACUUM_STEP_PAGES)
                    self._writer.execute(f"PRAGMA incremental_vacuum({step})").fetchall()
                except sqlite3.Error as error:
                    raise self._trouble(error, "trimmed") from error

    def _set_damaged_aside(self, offset: int, kind: int, reason: str) -> None:
        log.error(
            "%s: the entry at offset %d (%s) is damaged: %s. It is set aside in the table "
            "set_aside and the readers go on; check the disk.",
            self.path, offset, KINDS.get(kind, f"kind {kind}"), reason,
        )  # fmt: skip
        try:
            self.set_aside(JOURNAL_ITSELF, offset, reason)
            with self.transaction("written") as db:
                db.execute("DELETE FROM entries WHERE offset = ?", (offset,))
        except JournalUnavailable as error:
            # The reader passes over it all the same; it is set aside at the next reading.
            log.warning("The damaged entry at offset %d stays where it is: %s", offset, error)

    def _trouble(self, error: sqlite3.Error, doing: str) -> JournalUnavailable:
        name = getattr(error, "sqlite_errorname", "")
        if name == "SQLITE_FULL":
            self._refused = True
            msg = (
                f"{self.path} cannot be {doing}: the disk is full. Free some room on it. "
                "Messages wait at the broker meanwhile."
            )
            return JournalFull(msg)
        advice = next(
            (a for n, a in _ADVICE.items() if name.startswith(n)), _ADVICE["SQLITE_IOERR"]
        )
        return JournalUnavailable(f"{self.path} cannot be {doing}: {error}. {advice}")
