"""How long one step of the rules takes, by units, beside one pass of numpy over the same columns.

Run from the project's directory: ``python tests/benchmarks/bench_rules.py [units ...]``. A step is
one frame of every unit, a minute after the last. Sites close their five-minute bins at different
times, so each step also closes those of some of the units: about a fifth of a large fleet, all or
none of a single site. The yardstick, in the same run, is the least that looking at the frames could
cost: sum, mean and one comparison over the same (units, signals) values. Ratios travel between
machines; times don't. ``step`` is the median over all steps, ``longest`` the median over spans of
five minutes of the longest step in each, ``processor`` the median processor time of a step, added
up over threads: it says more where other work goes on. Memory is given both as the engine counts
its columns and as ``tracemalloc`` saw the process grow.
"""

from __future__ import annotations

import argparse
import gc
import statistics
import sys
import time
import tracemalloc
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from support.fleet import HEALTHY, T0_MS, row_of_values, rows_of, site, unit_data  # noqa: E402

from rules.engine import Engine  # noqa: E402
from rules.equipment import Site  # noqa: E402
from rules.plan import FleetPlan  # noqa: E402
from rules.signals import N_SIGNALS  # noqa: E402

__all__ = ["Figures", "fleet_of", "measured", "report"]

UNITS_A_SITE = 50
STEP_MS = 60_000
STEPS_A_BIN = 5
SD = {"basin_level": 0.8, "pump_current": 0.02, "spray_pressure": 0.3, "head_pressure": 4.0}


@dataclass(frozen=True)
class Figures:
    """One line of the report: seconds a call, and bytes a unit."""

    units: int
    step_s: float
    longest_s: float
    processor_s: float
    clock_s: float
    numpy_s: float
    counted_bytes: float
    grown_bytes: float


def fleet_of(units: int) -> list[Site]:
    """Sites of 50 units; each unit is a model of its own, as if read from a file."""
    return [
        site(f"s{k}", [unit_data(f"u{i}") for i in range(min(UNITS_A_SITE, units - first))])
        for k, first in enumerate(range(0, units, UNITS_A_SITE))
    ]


def _values(units: int) -> NDArray[np.float64]:
    """Healthy readings with noise, so that no unit is like the next."""
    rng = np.random.default_rng(1)
    values = np.tile(row_of_values(HEALTHY), (units, 1))
    for name, sd in SD.items():
        values += rng.normal(0.0, sd, units)[:, None] * (row_of_values({name: 1.0}) == 1.0)
    return values


def numpy_pass_s(values: NDArray[np.float64], repeats: int) -> float:
    """Sum, mean and comparison with a limit over the same values."""
    limit = row_of_values(HEALTHY)
    took = []
    for _ in range(repeats):
        began = time.perf_counter()
        values.sum(axis=0)
        values.mean(axis=1)
        (values > limit).sum(axis=0)
        took.append(time.perf_counter() - began)
    return statistics.median(took)


def _growth(plan: FleetPlan) -> tuple[Engine, float]:
    """An engine, and how many bytes the process grew by making it."""
    gc.collect()
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    engine = Engine(plan)
    grown = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    return engine, float(grown)


def measured(units: int, bins: int) -> Figures:
    """The figures of a fleet of ``units`` over that many five-minute bins, after one to warm up."""
    sites = fleet_of(units)
    plan = FleetPlan.build(sites, rows_of(sites), {})
    engine, grown = _growth(plan)
    values = _values(units)
    rows = np.arange(units, dtype=np.int32)
    steps, processor, clock = [], [], []
    for step in range((bins + 1) * STEPS_A_BIN):
        now_ms = T0_MS + step * STEP_MS
        times = np.full(units, now_ms, dtype=np.int64)
        began, processor_began = time.perf_counter(), time.process_time()
        engine.samples(now_ms, rows, times, values)
        took, processor_took = time.perf_counter() - began, time.process_time() - processor_began
        began = time.perf_counter()
        engine.clock(now_ms)
        clock_took = time.perf_counter() - began
        if step >= STEPS_A_BIN:
            steps.append(took)
            processor.append(processor_took)
            clock.append(clock_took)
    spans = [steps[i : i + STEPS_A_BIN] for i in range(0, len(steps), STEPS_A_BIN)]
    return Figures(
        units,
        statistics.median(steps),
        statistics.median(map(max, spans)),
        statistics.median(processor),
        statistics.median(clock),
        numpy_pass_s(values, max(5, 2 * bins)),
        engine.nbytes() / units,
        grown / units,
    )


def _bins_for(units: int) -> int:
    """More repeats where a step is short."""
    return int(np.clip(200_000 // units, 4, 200))


def _time(seconds: float) -> str:
    return f"{1e3 * seconds:.2f} ms" if seconds >= 1e-3 else f"{1e6 * seconds:.0f} µs"


def report(figures: Figures) -> str:
    """One line."""
    f = figures
    return (
        f"{f.units:>7,} units  step {_time(f.step_s):>9} ({1e6 * f.step_s / f.units:.2f} µs a "
        f"unit)  longest {_time(f.longest_s):>9}  processor {_time(f.processor_s):>9}  clock "
        f"{_time(f.clock_s):>9}  numpy {_time(f.numpy_s):>9}  ratio {f.step_s / f.numpy_s:.0f}, "
        f"longest {f.longest_s / f.numpy_s:.0f}  memory {f.counted_bytes:,.0f} bytes a unit "
        f"counted, {f.grown_bytes:,.0f} grown\n"
    )


def main() -> None:
    """Print the report."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("units", nargs="*", type=int, default=[1, 1_000, 100_000])
    parser.add_argument("--bins", type=int, help="five-minute bins to time (default: by units)")
    arguments = parser.parse_args()
    sys.stdout.write(f"one frame a unit of {len(HEALTHY)} of {N_SIGNALS} signals\n")
    for units in arguments.units:
        if units < 1:
            parser.error(f"units is {units}; give 1 or more")
        sys.stdout.write(report(measured(units, arguments.bins or _bins_for(units))))
        sys.stdout.flush()


if __name__ == "__main__":
    main()
