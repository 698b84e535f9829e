"""How fast the embedded telemetry store takes rows, beside the least that SQLite could cost.

Run from the project's directory: ``python tests/benchmarks/bench_store.py [rows]``. The baseline is
a bare ``executemany`` of ready-made tuples into a bare table with the same key, 5,000 rows a
transaction, in the same run: no merging, no rollup list, no conversion. The ratio travels between
machines; the rates don't. Each figure is the median of three runs that take turns.
"""

from __future__ import annotations

import argparse
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np

from gateway.batch import Batch
from gateway.telemetry import EmbeddedStore
from gateway.telemetry.lineprotocol import lines
from gateway.telemetry.rows import merged_rows
from rules.signals import N_SIGNALS

SIGNALS_SENT = 15
ROWS_A_BATCH = 5_000
INTERVAL_MS = 10_000
T0 = 1_750_000_200_000
RUNS = 3


def batches(rows: int, units: int) -> list[Batch]:
    """Batches as a fleet of this many units sends them, every unit in turn."""
    rng = np.random.default_rng(1)
    out = []
    for k in range(rows // ROWS_A_BATCH):
        number = np.arange(k * ROWS_A_BATCH, (k + 1) * ROWS_A_BATCH)
        values = np.full((ROWS_A_BATCH, N_SIGNALS), np.nan)
        values[:, :SIGNALS_SENT] = (100 * rng.random((ROWS_A_BATCH, SIGNALS_SENT))).round(2)
        out.append(
            Batch((number % units).astype(np.int32), T0 + number // units * INTERVAL_MS, values)
        )
    return out


def store_rows_per_s(path: Path, work: list[Batch], register: dict[int, tuple[str, str]]) -> float:
    """Rows a second through ``EmbeddedStore.write``."""
    store = EmbeddedStore(path, register)
    store.write(work[0])  # makes the file; writing it again below changes nothing
    began = time.perf_counter()
    for batch in work:
        store.write(batch)
    took_s = time.perf_counter() - began
    store.close()
    return sum(map(len, work)) / took_s


def bare_rows_per_s(path: Path, work: list[Batch]) -> float:
    """Rows a second through a bare ``executemany``, the tuples made beforehand."""
    columns = [f"v{k}" for k in range(SIGNALS_SENT)]
    tuples = [
        list(
            zip(
                b.unit_row.tolist(),
                b.time_ms.tolist(),
                *b.values[:, :SIGNALS_SENT].T.tolist(),
                strict=True,
            )
        )
        for b in work
    ]
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute(
            f"CREATE TABLE bare (unit INTEGER, time_ms INTEGER, {', '.join(columns)}, "
            "PRIMARY KEY (unit, time_ms)) WITHOUT ROWID"
        )
        insert = f"INSERT INTO bare VALUES ({', '.join('?' * (SIGNALS_SENT + 2))})"  # noqa: S608 - only question marks
        began = time.perf_counter()
        for rows in tuples:
            db.execute("BEGIN")
            db.executemany(insert, rows)
            db.execute("COMMIT")
        took_s = time.perf_counter() - began
    return sum(map(len, work)) / took_s


def lines_per_s(work: list[Batch], register: dict[int, tuple[str, str]]) -> float:
    """Rows a second merged and formatted as line protocol, without sending."""
    began = time.perf_counter()
    for batch in work:
        lines(merged_rows(batch, register))
    return sum(map(len, work)) / (time.perf_counter() - began)


def measured(directory: Path, rows: int, units: int) -> str:
    """One line of the report."""
    work = batches(rows, units)
    register = {row: ("site", f"unit-{row}") for row in range(units)}
    tries: list[Callable[[Path], float]] = [
        lambda path: store_rows_per_s(path, work, register),
        lambda path: bare_rows_per_s(path, work),
        lambda path: lines_per_s(work, register),
    ]
    rates: list[list[float]] = [[] for _ in tries]
    for run in range(RUNS):
        for which, attempt in enumerate(tries):
            rates[which].append(attempt(directory / f"{units}-{run}-{which}.sqlite"))
    store, bare, formatted = map(statistics.median, rates)
    return (
        f"{units:>6} units  store {store:>9,.0f} rows/s  bare {bare:>9,.0f} rows/s  "
        f"ratio {store / bare:.2f}  line protocol {formatted:>9,.0f} rows/s\n"
    )


def main() -> None:
    """Print the report."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("rows", nargs="?", type=int, default=200_000)
    rows = max(ROWS_A_BATCH, parser.parse_args().rows)
    sys.stdout.write(f"{rows:,} rows of {SIGNALS_SENT} values, {ROWS_A_BATCH:,} a transaction\n")
    for units in (1, 100, 5_000, 50_000):
        with tempfile.TemporaryDirectory() as directory:
            sys.stdout.write(measured(Path(directory), rows, units))
            sys.stdout.flush()


if __name__ == "__main__":
    main()
