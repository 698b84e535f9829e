"""How often the stated 80 % range of dates holds the true date.

Run from the project's directory: ``python tests/benchmarks/bench_forecast.py [--plant]``. Printed
by family of courses, with the share of cases on either side, the median width of the range over the
time that was left, and the verdicts. The courses are those of ``tests/support/wear_paths.py``, of
another seed than the suite's.

With ``--plant`` histories of the simulated plant too: each unit wears at one part, its readings go
through the rules, and the later part of each series of daily figures is held back. The date that
counts is then the first on which the median of three daily figures is at the limit. It takes some
minutes.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from support.wear_paths import DAY_MS, Trial, forecast_trials  # noqa: E402

from rules.condition import PartCondition  # noqa: E402
from rules.engine import Engine  # noqa: E402
from rules.equipment import Site  # noqa: E402
from rules.forecast import Figure, Verdict, cut, due_range  # noqa: E402
from rules.plan import FleetPlan  # noqa: E402
from simulator.faults import KINDS, Entry  # noqa: E402
from simulator.history import Source  # noqa: E402
from simulator.labelled.fleet import build_fleet  # noqa: E402
from simulator.labelled.write import START  # noqa: E402

__all__ = ["held_back", "plant_figures", "report"]

DAY_S = 86_400.0
STEP_S = 300.0
CHUNK = 288
BEFORE_DAYS = 12.0
"""Clean running first, in which the baselines are learned."""
WORN = (
    # kind, its part, and days of an even ramp to its full severity
    ("pump-screen-clogging", "pump-screen", (60.0, 150.0)),
    ("distribution-restricted", "distribution", (60.0, 150.0)),
    ("coil-fouled", "coil", (60.0, 150.0)),
    ("pads-clogged", "pads", (150.0, 400.0)),
)


def report(title: str, trials: Iterable[Trial]) -> str:
    """Lines by family, and one of all."""
    groups: dict[str, list[Trial]] = defaultdict(list)
    for trial in trials:
        groups[trial.family].append(trial)
        groups["all"].append(trial)
    lines = [title]
    for family in sorted(groups, key=lambda name: (name == "all", name)):
        of = groups[family]
        dated = [t for t in of if t.due.verdict is Verdict.DUE]
        verdicts = Counter(t.due.verdict.value for t in of)
        told = ", ".join(f"{n} {name}" for name, n in verdicts.most_common())
        if not dated:
            lines.append(f"  {family:24} {told}")
            continue
        widths = [
            (t.due.late_ms - t.due.early_ms) / max(t.end_ms - t.now_ms, DAY_MS)
            for t in dated
            if t.due.late_ms is not None and t.due.early_ms is not None
        ]
        n = len(dated)
        lines.append(
            f"  {family:24} inside {100 * sum(t.inside for t in dated) / n:3.0f} %  "
            f"begins too late {100 * sum(t.too_late for t in dated) / n:3.0f} %  "
            f"ends too early {100 * sum(t.too_early for t in dated) / n:3.0f} %  "
            f"width {np.median(widths) if widths else float('nan'):.2f} of what was left  ({told})"
        )
    return "\n".join(lines)


def plant_figures(
    units: int, days: float, seed: int
) -> tuple[dict[tuple[int, str], list[Figure]], dict[int, str]]:
    """Daily figures by unit and part of a plant that wears, and which part wears at which unit."""
    made = build_fleet(units, seed, "default")
    sites = [Site.model_validate(data) for data in made.site_files]
    rows = {(u.site, u.unit): i for i, u in enumerate(made.fleet.units)}
    engine = Engine(FleetPlan.build(sites, rows, {}))
    rng = np.random.default_rng([seed, 0xF0])
    start_s = START.timestamp()
    entries: list[Entry] = []
    worn: dict[int, str] = {}
    for row in range(len(made.fleet.units)):
        kind, part, (low, high) = WORN[row % len(WORN)]
        worn[row] = part
        begin = start_s + (BEFORE_DAYS + rng.uniform(0.0, 4.0)) * DAY_S
        ramp_s = float(rng.uniform(low, high)) * DAY_S
        entries.append(Entry(KINDS[kind], (row,), begin, ramp_s, np.inf, 1.0))
    source = Source(made.fleet, made.scenario, seed)
    source.spin_up(start_s)
    figures: dict[tuple[int, str], list[Figure]] = defaultdict(list)

    def take(conditions: Sequence[PartCondition]) -> None:
        for one in conditions:
            if one.raw_pct is not None and one.uncertainty_pct is not None:
                figures[one.unit_row, one.part].append(
                    Figure(one.time_ms, one.raw_pct, one.uncertainty_pct, one.basis,
                           one.baseline_ms)
                )  # fmt: skip

    for first in range(0, int(days * DAY_S / STEP_S), CHUNK):
        frames = source.measure(tuple(entries), start_s + first * STEP_S, STEP_S, CHUNK)
        for sample in range(CHUNK):
            at = frames.sample == sample
            if at.any():
                now_ms = int((start_s + (first + sample) * STEP_S) * 1000.0)
                take(
                    engine.samples(
                        now_ms, frames.unit_row[at], frames.time_ms[at], frames.values[at]
                    ).conditions
                )
    return figures, worn


def held_back(
    figures: dict[tuple[int, str], list[Figure]], worn: dict[int, str], seed: int
) -> list[Trial]:
    """Forecasts from the earlier part of each series that reaches its limit later."""
    rng = np.random.default_rng([seed, 0xF1])
    out = []
    for (row, part), series in sorted(figures.items()):
        if worn[row] != part:
            continue
        kept, since = cut(series)
        y = np.array([f.raw_pct for f in kept])
        low = [i for i in range(2, len(y)) if np.median(y[i - 2 : i + 1]) <= 0.0]
        if not low or low[0] < 15:
            continue
        end = low[0]
        for _ in range(3):
            k = int(rng.integers(end // 3, end - 2))
            due = due_range(part, kept[:k], kept[k - 1].time_ms, since)
            out.append(Trial(part, due, kept[k - 1].time_ms, float(kept[end].time_ms)))
    return out


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--each", type=int, default=300, help="courses of every family")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--plant", action="store_true", help="held-back plant histories too")
    parser.add_argument("--units", type=int, default=40)
    parser.add_argument("--days", type=float, default=90.0)
    given = parser.parse_args()
    trials = forecast_trials(np.random.default_rng(given.seed), given.each)
    sys.stdout.write(report(f"Courses, {given.each} of every family, stated 80 %", trials) + "\n")
    if given.plant:
        figures, worn = plant_figures(given.units, given.days, given.seed)
        found = held_back(figures, worn, given.seed)
        sys.stdout.write(
            report(f"Plant, {given.units} units, {given.days:g} days, held back", found) + "\n"
        )


if __name__ == "__main__":
    main()
