"""What a gateway has left in its data directory, read while it runs or after."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gateway.data_directory import RECORDS_FILE
from gateway.records import Records
from gateway.telemetry import EmbeddedStore
from rules.events import Change

__all__ = ["changes", "locked", "open_records", "stored"]


@contextmanager
def open_records(data: Path) -> Iterator[Records]:
    """The records, as a second program opens them."""
    records = Records(f"sqlite:///{data / RECORDS_FILE}")
    try:
        yield records
    finally:
        records.close()


def changes(data: Path, fault: str) -> list[tuple[str, str, Change]]:
    """The alarm journal of one fault, in the order it was written: site, unit, change."""
    with open_records(data) as records:
        lines = sorted(records.alarm_events(0, 2**60, limit=100_000), key=lambda e: e.id)
        return [(e.site, e.unit, e.event.change) for e in lines if e.event.fault == fault]


def stored(data: Path, site: str, unit: str, signal: str) -> list[tuple[int, float]]:
    """The embedded store's samples of one signal: time [ms since 1970] and value, in order."""
    store = EmbeddedStore(
        data / "telemetry.sqlite", {}, retention_days=400, rollup_retention_days=3650
    )
    try:
        series = store.read(site, unit, [signal], 0, 2**60)
        return list(zip(series.time_ms.tolist(), series.values[:, 0].tolist(), strict=True))
    finally:
        store.close()


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Another program holds the file's write lock for the length of the block."""
    other = sqlite3.connect(path, isolation_level=None, timeout=120)
    try:
        other.execute("BEGIN EXCLUSIVE")
        yield
        other.execute("ROLLBACK")
    finally:
        other.close()
