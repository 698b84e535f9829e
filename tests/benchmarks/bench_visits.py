"""How long it takes to plan the visits of a large fleet, and how near the plan is to its bound.

Run from the project's directory: ``python tests/benchmarks/bench_visits.py [--sites 300]``. The
country is drawn by ``--seed``; ``--limit`` is the time that the integer programs get together.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / "rules"), str(Path(__file__).parents[2])]

from visit_scenes import country  # noqa: E402

from rules.visits.planner import plan_visits  # noqa: E402


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=300)
    parser.add_argument("--crews", type=int, default=12)
    parser.add_argument("--days", type=int, default=28)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--limit", type=float, default=15.0, help="seconds for the solver")
    given = parser.parse_args()
    problem = country(given.sites, given.crews, given.days, given.seed)
    started, used = time.monotonic(), time.process_time()
    plan = plan_visits(problem, limit_s=given.limit)
    took_s, cpu_s = time.monotonic() - started, time.process_time() - used
    stops = sum(len(visit.plan.stops) for visit in plan.visits)
    say(f"sites {given.sites}, needs {len(problem.needs)}, crews {given.crews}, days {given.days}")
    say(f"crew days {len(plan.visits)}, site visits {stops}, needs left {len(plan.left)}")
    say(f"cost {plan.cost_h:.1f} crew h, bound {plan.bound_h:.1f}, gap {plan.gap * 100:.2f} %")
    say(f"took {took_s:.1f} s, {cpu_s:.1f} s of processor")


if __name__ == "__main__":
    main()
