"""All benchmarks with short settings, and one table of the figures that travel: ratios and sizes.

Run from the project's directory: ``python tests/benchmarks/run_all.py``. Takes a minute or two. Run
it on an otherwise idle machine; the single benchmarks take more time and give steadier figures.
"""

from __future__ import annotations

import logging
import os
import platform
import statistics
import sys
import tempfile
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

import bench_decode  # noqa: E402
import bench_intake  # noqa: E402
import bench_rules  # noqa: E402
import bench_store  # noqa: E402
import numpy as np  # noqa: E402

INTAKE_UNITS, INTAKE_MESSAGES = 2_000, 60_000
STORE_ROWS, STORE_UNITS = 100_000, 2_000
RULES = ((1, 100), (1_000, 40), (100_000, 3))

Line = tuple[str, str, str]


def intake() -> list[Line]:
    """Messages a second through the whole gateway, against a client that counts."""
    gateway, bare, size = bench_intake.measured(INTAKE_UNITS, INTAKE_MESSAGES, runs=1)
    ours, theirs = gateway[0], bare[0]
    return [
        (
            f"intake, {INTAKE_UNITS:,} units, {size} bytes",
            f"{ours.rate:,.0f} messages/s, {ours.cpu_us:.0f} µs CPU each",
            f"{ours.rate / theirs.rate:.2f} of a bare client's {theirs.rate:,.0f}/s",
        )
    ]


def decode() -> list[Line]:
    """One message of 15 readings in each form, against the library that reads its bytes."""
    return [
        (
            f"decode {form}, {size} bytes",
            f"{ours:.1f} µs CPU",
            f"{ours / bare:.1f} times the bare library's {bare:.1f} µs",
        )
        for form, size, ours, bare in bench_decode.measured()
    ]


def rules() -> list[Line]:
    """A step of the rules, against one pass of numpy, and bytes a unit."""
    lines: list[Line] = []
    for units, bins in RULES:
        f = bench_rules.measured(units, bins)
        lines += [
            (
                f"rules, {units:,} units, a frame each",
                f"{1e3 * f.step_s:,.2f} ms",
                f"{f.step_s / f.numpy_s:.0f} numpy passes of {1e3 * f.numpy_s:.3f} ms",
            ),
            (
                f"rules, {units:,} units, longest step of five",
                f"{1e3 * f.longest_s:,.2f} ms",
                f"{f.longest_s / f.numpy_s:.0f} numpy passes",
            ),
        ]
    lines.append(
        (
            f"memory, {f.units:,} units",
            f"{f.counted_bytes:,.0f} bytes a unit counted",
            f"{f.grown_bytes:,.0f} bytes a unit grown",
        )
    )
    return lines


def store() -> list[Line]:
    """Rows a second into the embedded store, against bare inserts."""
    work = bench_store.batches(STORE_ROWS, STORE_UNITS)
    register = {row: ("site", f"unit-{row}") for row in range(STORE_UNITS)}
    ours, bare = [], []
    with tempfile.TemporaryDirectory() as scratch:
        for run in range(3):
            path = Path(scratch) / f"{run}.sqlite"
            ours.append(bench_store.store_rows_per_s(path, work, register))
            bare.append(bench_store.bare_rows_per_s(path.with_suffix(".bare"), work))
    rate, theirs = statistics.median(ours), statistics.median(bare)
    return [
        (
            f"embedded store, {STORE_UNITS:,} units",
            f"{rate:,.0f} rows/s",
            f"{rate / theirs:.2f} of bare inserts' {theirs:,.0f}/s",
        )
    ]


def main() -> None:
    """Print the table."""
    logging.disable(logging.INFO)
    sys.stdout.write(
        f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}, "
        f"numpy {np.__version__}\n"
    )
    for part in (decode, intake, rules, store):
        for what, figure, against in part():
            sys.stdout.write(f"{what:<42} {figure:>38}   {against}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
