"""The telemetry store in one SQLite file, for gateways that have no time-series server.

Rollups are computed from the samples, never added up, so that repeats and late samples can't spoil
them: a write lists the buckets it touched in its own transaction, ``maintain`` computes those that
are over, and a read computes by itself those still listed.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from gateway.batch import Batch
from gateway.telemetry import queries
from gateway.telemetry.base import (
    LATEST_WINDOW_MS,
    ROLLUP_MS,
    Outline,
    Rollups,
    Series,
    StoreUnavailable,
    check_signals,
    check_width,
)
from gateway.telemetry.outlines import joined, outlined
from gateway.telemetry.rows import Rows, merged_rows
from gateway.telemetry.sqlite_file import (
    ReaderPool,
    columns_of,
    file_identity,
    open_writer,
    transaction,
    translated,
)

__all__ = ["EmbeddedStore", "FileSize"]

_log = logging.getLogger(__name__)

_DAY_MS: Final = 86_400_000
_HOUR_MS: Final = 3_600_000
_NEVER_MS: Final = -(2**62)
_BUCKETS_A_TRANSACTION: Final = 1_000
_DELETES_A_TRANSACTION: Final = 5_000


@dataclass(frozen=True)
class FileSize:
    """What the file holds: rows of each kind, buckets still to be rolled up, bytes."""

    units: int
    samples: int
    rollups: int
    dirty: int
    file_bytes: int


class EmbeddedStore:
    """A :class:`gateway.telemetry.base.TelemetryStore` in one SQLite file.

    The file is made when first written to. Reading needs no writer in this process: a board may
    read the file that a gateway writes. Retention is counted back from the newest sample of all,
    or from ``now_ms`` where that is earlier, so that a clock that jumps ahead deletes nothing.
    ``maintain_budget_s`` bounds the time that one ``maintain`` takes.
    """

    def __init__(
        self,
        path: Path,
        register: Mapping[int, tuple[str, str]],
        *,
        retention_days: int = 400,
        rollup_retention_days: int = 3650,
        busy_timeout_s: float = 5.0,
        maintain_budget_s: float = 2.0,
    ) -> None:
        """Nothing is opened yet; ``register`` maps a batch's unit row to (site, unit)."""
        self._path = path
        self._register = register
        self._retention_ms = retention_days * _DAY_MS
        self._rollup_retention_ms = rollup_retention_days * _DAY_MS
        self._busy_timeout_s = busy_timeout_s
        self._maintain_budget_s = maintain_budget_s
        self._lock = threading.Lock()
        self._writer: sqlite3.Connection | None = None
        self._writer_file: tuple[int, int] | None = None
        self._unit_ids: dict[tuple[str, str], int] = {}
        self._readers = ReaderPool(path, busy_timeout_s)
        self._closed = False

    def write(self, batch: Batch) -> None:
        """Store the batch in one transaction, synced to disk before this returns."""
        rows = merged_rows(batch, self._register)
        if not len(rows):
            return
        with self._writing() as db:
            with transaction(db):
                ids = self._ids(db, rows.units)
                _write_rows(db, rows, ids)
            self._unit_ids.update(ids)

    def read(
        self, site: str, unit: str, signals: Sequence[str], start_ms: int, end_ms: int
    ) -> Series:
        """See the protocol."""
        names = check_signals(signals)
        with self._reading() as db:
            unit_id = _find_unit(db, site, unit)
            there = columns_of(db, "sample") if db and unit_id is not None else set()
            known = [name for name in names if name in there]
            if db is None or not known:
                return Series.empty(names)
            query = queries.raw(names, there)
            found = db.execute(query, (unit_id, start_ms, end_ms)).fetchall()
        if not found:
            return Series.empty(names)
        table = np.array(found, dtype=np.float64)  # None becomes NaN; times are exact to 2**53
        return Series(table[:, 0].astype(np.int64), table[:, 1:], names)

    def rollups(
        self, site: str, unit: str, signals: Sequence[str], start_ms: int, end_ms: int
    ) -> Rollups:
        """See the protocol. Buckets not rolled up yet are computed for the answer."""
        names = check_signals(signals)
        with self._reading() as db:
            unit_id = _find_unit(db, site, unit)
            there = columns_of(db, "sample") if db and unit_id is not None else set()
            known = [name for name in names if name in there]
            if db is None or not known:
                return Rollups.empty(names)
            query = queries.rollups(names, there)
            found = db.execute(query, (unit_id, start_ms, end_ms)).fetchall()
        if not found:
            return Rollups.empty(names)
        table = np.array(found, dtype=np.float64)
        minimum, mean, maximum, count = np.split(table[:, 1:], 4, axis=1)
        return Rollups(
            table[:, 0].astype(np.int64), minimum, mean, maximum, count.astype(np.int64), names
        )

    def outline(
        self,
        site: str,
        unit: str,
        signals: Sequence[str],
        start_ms: int,
        end_ms: int,
        width_ms: int,
    ) -> Outline:
        """See the protocol. From the first bucket on that is not rolled up yet, all are computed.

        Those are the newest few, unless samples of long ago have come.
        """
        names, width_ms = check_signals(signals), check_width(width_ms)
        cut_ms = end_ms
        found: list[tuple[float, ...]] = []
        with self._reading() as db:
            unit_id = _find_unit(db, site, unit)
            there = columns_of(db, "sample") if db and unit_id is not None else set()
            if db is not None and any(name in there for name in names):
                (dirty_ms,) = db.execute(
                    queries.FIRST_DIRTY, (unit_id, start_ms, end_ms)
                ).fetchone()
                if dirty_ms is not None:
                    cut_ms = max(start_ms, dirty_ms // width_ms * width_ms)
                query = queries.outline(names, there)
                found = db.execute(query, (unit_id, start_ms, cut_ms, width_ms)).fetchall()
        table = np.array(found, dtype=np.float64).reshape(len(found), 1 + 3 * len(names))
        # A window of buckets that have none of these signals says nothing.
        table = table[~np.isnan(table[:, 1:]).all(axis=1)]
        stored = Outline.of(table, names, width_ms)
        if cut_ms == end_ms:
            return stored
        return joined(stored, outlined(self.rollups(site, unit, names, cut_ms, end_ms), width_ms))

    def latest(self, site: str, unit: str) -> dict[str, tuple[int, float]]:
        """See the protocol."""
        with self._reading() as db:
            unit_id = _find_unit(db, site, unit)
            if db is None or unit_id is None:
                return {}
            (newest_ms,) = db.execute(
                "SELECT max(time_ms) FROM sample WHERE unit_id = ?", (unit_id,)
            ).fetchone()
            if newest_ms is None:
                return {}
            query = queries.latest(columns_of(db, "sample"))
            found = db.execute(query, (unit_id, newest_ms - LATEST_WINDOW_MS)).fetchall()
        return {name: (time_ms, value) for name, time_ms, value in found}

    def maintain(self, now_ms: int) -> None:
        """Roll up the buckets that are over, then delete what is past retention."""
        deadline_s = time.monotonic() + self._maintain_budget_s
        with self._writing() as db:
            if not _roll_up(db, now_ms, deadline_s):
                return
            newest_ms = _newest_ms(db)
            if newest_ms is None:
                return
            last_ms = min(now_ms, newest_ms)
            for deletion, keep_ms in (
                (queries.SAMPLES, self._retention_ms),
                (queries.ROLLUPS, self._rollup_retention_ms),
            ):
                # By the hour, so that not every call has to look through every unit.
                cut_ms = (last_ms - keep_ms) // _HOUR_MS * _HOUR_MS
                if not _delete_before(db, deletion, cut_ms, deadline_s):
                    return

    def size(self) -> FileSize:
        """Count what the file holds. Reads much of the file: seconds for each GB."""
        with self._reading() as db:
            if db is None or not columns_of(db, "dirty"):
                return FileSize(0, 0, 0, 0, 0)
            units, samples, rollups, dirty = db.execute(queries.COUNTS).fetchone()
            (file_bytes,) = db.execute(
                "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size"
            ).fetchone()
        return FileSize(units, samples, rollups, dirty, file_bytes)

    def count_values(self) -> int:
        """How many measured values the samples hold. Reads the whole file."""
        with self._reading() as db:
            if db is None or not columns_of(db, "sample"):
                return 0
            (count,) = db.execute(queries.VALUES).fetchone()
        return int(count or 0)

    def check(self) -> list[str]:
        """What SQLite finds wrong with the file; empty if it is sound. Reads the whole file."""
        with self._reading() as db:
            if db is None:
                return []
            found = [text for (text,) in db.execute("PRAGMA quick_check")]
        return [] if found == ["ok"] else found

    def close(self) -> None:
        """Close the file. May be called twice."""
        with self._lock:
            self._closed = True
            self._drop_writer()
        self._readers.close()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._lock, translated(self._path):
            self._refuse_closed()
            # A file that was moved away would go on taking samples that nobody finds again.
            if self._writer is not None and self._writer_file != file_identity(self._path):
                self._drop_writer()
            if self._writer is None:
                self._writer = open_writer(self._path, self._busy_timeout_s)
                self._writer_file = file_identity(self._path)
            try:
                yield self._writer
            except sqlite3.Error:
                self._drop_writer()  # what is wrong may lie with the connection: begin anew
                raise

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection | None]:
        self._refuse_closed()
        with self._readers.snapshot() as db:
            yield db

    def _refuse_closed(self) -> None:
        if self._closed:
            msg = f"the telemetry store on {self._path} has been closed; open it again."
            raise StoreUnavailable(msg)

    def _drop_writer(self) -> None:
        writer, self._writer = self._writer, None
        self._unit_ids.clear()
        if writer is not None:
            writer.close()

    def _ids(
        self, db: sqlite3.Connection, units: Sequence[tuple[str, str]]
    ) -> dict[tuple[str, str], int]:
        """The file's own number of each unit, given out where new.

        Not the register's number: the file must stay right if the journal is begun anew.
        """
        ids: dict[tuple[str, str], int] = {}
        for names in units:
            known = self._unit_ids.get(names)
            if known is None:
                db.execute("INSERT OR IGNORE INTO unit (site, unit) VALUES (?, ?)", names)
                known = _find_unit(db, *names)
                assert known is not None  # noqa: S101 - inserted one line above
            ids[names] = known
        return ids


def _write_rows(db: sqlite3.Connection, rows: Rows, ids: Mapping[tuple[str, str], int]) -> None:
    cut_ms = _mark(db, "sample")
    if cut_ms is not None and (late := rows.time_ms < cut_ms).any():
        _log.warning("%d rows are older than the store's retention and are dropped", late.sum())
        rows = rows.take(~late)
    unit_id = np.array([ids[names] for names in rows.units], dtype=np.int64)[rows.unit]
    # NaN is bound as NULL by SQLite itself.
    columns = (unit_id.tolist(), rows.time_ms.tolist(), *rows.values.T.tolist())
    db.executemany(queries.WRITE, zip(*columns, strict=True))
    start_ms = rows.time_ms // ROLLUP_MS * ROLLUP_MS
    first = np.ones(len(rows), dtype=np.bool_)
    first[1:] = (unit_id[1:] != unit_id[:-1]) | (start_ms[1:] != start_ms[:-1])
    db.executemany(
        "INSERT OR IGNORE INTO dirty (unit_id, start_ms) VALUES (?, ?)",
        zip(unit_id[first].tolist(), start_ms[first].tolist(), strict=True),
    )


def _find_unit(db: sqlite3.Connection | None, site: str, unit: str) -> int | None:
    if db is None or not columns_of(db, "unit"):
        return None
    found = db.execute("SELECT id FROM unit WHERE site = ? AND unit = ?", (site, unit)).fetchone()
    return None if found is None else int(found[0])


def _roll_up(db: sqlite3.Connection, now_ms: int, deadline_s: float) -> bool:
    """Compute the listed buckets that are over; False if time ran out before all were done."""
    while True:
        with transaction(db):
            buckets = db.execute(
                "SELECT unit_id, start_ms FROM dirty WHERE start_ms <= ? LIMIT ?",
                (now_ms - ROLLUP_MS, _BUCKETS_A_TRANSACTION),
            ).fetchall()
            db.executemany(queries.ROLL_UP, buckets)
            db.executemany("DELETE FROM dirty WHERE unit_id = ? AND start_ms = ?", buckets)
        if len(buckets) < _BUCKETS_A_TRANSACTION:
            return True
        if time.monotonic() > deadline_s:
            return False


def _newest_ms(db: sqlite3.Connection) -> int | None:
    newest: int | None = db.execute(
        "SELECT max((SELECT max(time_ms) FROM sample WHERE unit_id = id)) FROM unit"
    ).fetchone()[0]
    return newest


def _delete_before(
    db: sqlite3.Connection, deletion: queries.Deletion, cut_ms: int, deadline_s: float
) -> bool:
    """Delete the table's rows older than the cut; False if time ran out before all were gone.

    The cut is on record before the first row goes: from then on older samples are not taken, so
    that no rollup is computed again from what is left of its samples.
    """
    done = f"{deletion.table} done"
    if (_mark(db, done) or _NEVER_MS) >= cut_ms:
        return True
    with transaction(db):
        _set_mark(db, deletion.table, max(cut_ms, _mark(db, deletion.table) or _NEVER_MS))
    unit_ids = iter([i for (i,) in db.execute("SELECT id FROM unit ORDER BY id")])
    unit_id = next(unit_ids, None)
    while unit_id is not None:
        # Small transactions, so that a batch never waits long behind them.
        with transaction(db):
            left = _DELETES_A_TRANSACTION
            while unit_id is not None and left > 0:
                (last_ms,) = db.execute(deletion.last, (unit_id, cut_ms, left)).fetchone()
                if last_ms is not None:
                    left -= db.execute(deletion.delete, (unit_id, last_ms)).rowcount
                if left > 0:
                    unit_id = next(unit_ids, None)
        if unit_id is not None and time.monotonic() > deadline_s:
            return False
    with transaction(db):
        _set_mark(db, done, cut_ms)
    return True


def _mark(db: sqlite3.Connection, name: str) -> int | None:
    found = db.execute("SELECT value FROM mark WHERE name = ?", (name,)).fetchone()
    return None if found is None else int(found[0])


def _set_mark(db: sqlite3.Connection, name: str, value: int) -> None:
    db.execute("INSERT OR REPLACE INTO mark (name, value) VALUES (?, ?)", (name, value))
