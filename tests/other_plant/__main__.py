"""Command line: ``python -m tests.other_plant --out DIR [--units 60 --weeks 8 --seed 1 ...]``."""

from __future__ import annotations

import argparse
import collections
import sys
from pathlib import Path

from .campaign import run
from .folder import write


def _step(text: str) -> float:
    value = float(text)
    if not 10 <= value <= 300:
        msg = f"--step is {value:g} s; it must be from 10 to 300"
        raise argparse.ArgumentTypeError(msg)
    return value


def main(argv: list[str] | None = None) -> int:
    """Make a folder and say what is in it."""
    parser = argparse.ArgumentParser(prog="python -m tests.other_plant", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder to write")
    parser.add_argument("--units", type=int, default=60)
    parser.add_argument("--weeks", type=float, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--step", type=_step, help="seconds between samples; default 60, 120 and 300 mixed"
    )
    parser.add_argument("--form", choices=["csv", "parquet"], default="parquet")
    parser.add_argument("--healthy-only", action="store_true", help="traps, but no fault")
    parser.add_argument(
        "--by-time", action="store_true", help="sort rows by time stamp, not arrival"
    )
    parser.add_argument("--received", action="store_true", help="add a column of arrival times")
    args = parser.parse_args(argv)
    campaign = run(
        units=args.units, weeks=args.weeks, seed=args.seed, step_s=args.step,
        healthy_only=args.healthy_only,
    )  # fmt: skip
    rows = write(campaign, args.out, args.form, by_time=args.by_time, received=args.received)
    faulty = {(r["site"], r["unit"]) for r in campaign.labels}
    tally = collections.Counter((r["fault"], r["severity"]) for r in campaign.labels)
    lines = [
        f"{rows} rows, {args.units} units, {len(campaign.labels)} faults on {len(faulty)} units"
    ]
    lines += [f"  {fault:26} {severity:7}{n:4}" for (fault, severity), n in sorted(tally.items())]
    lines += [f"  not explained by any event: {r}" for r in campaign.unexplained]
    sys.stdout.write("\n".join(lines) + "\n")
    return 1 if campaign.unexplained else 0


if __name__ == "__main__":
    sys.exit(main())
