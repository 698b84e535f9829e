"""Command line: ``python -m simulator publish | history | labelled | demo-fleet``."""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import sys
import threading
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from simulator import DEMO_FLEET
from simulator.fleet import FleetError
from simulator.history import history, open_source, write_csv
from simulator.labelled import LabelledPlan, write_labelled
from simulator.publisher import Publisher, PublishPlan
from simulator.scenario import parse_span_s
from simulator.site_client import BrokerAddress, BrokerError

__all__ = ["main"]


def _say(text: str) -> None:
    sys.stderr.write(text + "\n")
    sys.stderr.flush()


def _span(text: str) -> float:
    try:
        return parse_span_s(text)
    except FleetError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def _positive(text: str) -> float:
    value = float(text)
    if not value > 0:
        msg = f"{text} must be above 0"
        raise argparse.ArgumentTypeError(msg)
    return value


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m simulator", description="A fleet of simulated adiabatic condensers."
    )
    commands = parser.add_subparsers(dest="command", required=True)

    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--fleet", type=Path, default=DEMO_FLEET, help="fleet directory")
    common.add_argument(
        "--scenario", type=Path, help="scenario file (default: scenario.toml of the fleet, if any)"
    )
    common.add_argument("--step", type=_positive, default=60.0, help="time between samples [s]")
    common.add_argument("--seed", type=int, default=1, help="same seed, same history")

    publish = commands.add_parser("publish", parents=[common], help="publish to an MQTT broker")
    publish.add_argument("--host", default="127.0.0.1")
    publish.add_argument("--port", type=int, default=1883)
    publish.add_argument("--username", default="", help="'{site}' stands for the site's id")
    publish.add_argument("--password-env", default="", help="environment variable that holds it")
    publish.add_argument("--ca-file", default="", help="turns TLS on")
    publish.add_argument(
        "--backlog", type=_span, default=0.0, help="past to publish first, e.g. 21d"
    )
    publish.add_argument(
        "--speed", type=float, default=0.0,
        help="simulated seconds a second while catching up; 0: as fast as the broker takes it",
    )  # fmt: skip
    publish.add_argument("--live-step", type=_positive, default=10.0, help="live sampling [s]")
    publish.add_argument("--live", type=_span, default=None, help="stop after so long live")
    publish.add_argument(
        "--cbor", action="append", default=[], metavar="SITE",
        help="site that sends CBOR instead of JSON (may be repeated)",
    )  # fmt: skip
    publish.add_argument("--pack", type=int, default=10, help="instants a backlog message")
    publish.add_argument(
        "--progress", action="store_true", help="progress as JSON lines on standard error"
    )

    past = commands.add_parser("history", parents=[common], help="write a history as CSV")
    past.add_argument(
        "--csv", type=Path, required=True, help="file to write, '-' for standard output"
    )
    past.add_argument("--length", type=_span, default=86_400.0, help="e.g. 7d")
    past.add_argument("--end", help="ISO 8601 time (default: now, to the minute)")

    labelled = commands.add_parser(
        "labelled", help="write a history with labels, for an evaluation of rules"
    )
    labelled.add_argument("--out", type=Path, required=True, help="new or empty directory")
    labelled.add_argument("--units", type=int, default=60, help="units in the site files")
    labelled.add_argument("--weeks", type=int, default=8)
    labelled.add_argument("--seed", type=int, default=1, help="same seed, same history")
    labelled.add_argument(
        "--step", type=_positive, default=60.0, help="time between samples [s], 10 to 600"
    )
    labelled.add_argument("--form", choices=("csv", "parquet"), default="parquet")
    labelled.add_argument(
        "--plates", choices=("default", "other"), default="default",
        help="ranges of nameplates and the plant's nature",
    )  # fmt: skip

    demo = commands.add_parser("demo-fleet", help="copy the demonstration fleet to a directory")
    demo.add_argument("--out", type=Path, required=True)
    return parser


def _scenario(args: argparse.Namespace) -> Path | None:
    if args.scenario is not None:
        return Path(args.scenario)
    beside = Path(args.fleet) / "scenario.toml"
    return beside if beside.is_file() else None


def _report_json(event: str, fields: dict[str, Any]) -> None:
    _say(json.dumps({"event": event, **fields}))


def _report_text(event: str, fields: dict[str, Any]) -> None:
    if event != "live":
        _say(f"{event.replace('_', ' ')}: " + ", ".join(f"{k} {v}" for k, v in fields.items()))


def _publish(args: argparse.Namespace) -> int:
    password = ""
    if args.password_env:
        password = os.environ.get(args.password_env, "")
        if not password:
            msg = f"environment variable {args.password_env} is empty; set it to the password"
            raise BrokerError(msg)
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    source = open_source(args.fleet, _scenario(args), args.seed)
    plan = PublishPlan(
        backlog_s=args.backlog,
        step_s=args.step,
        live_step_s=args.live_step,
        speed=args.speed,
        pack_instants=max(1, args.pack),
        live_s=args.live,
        cbor=frozenset(args.cbor),
    )
    address = BrokerAddress(args.host, args.port, args.username, password, args.ca_file)
    report = _report_json if args.progress else _report_text
    Publisher(source, address=address, plan=plan, stop=stop, report=report).run()
    return 0


def _history(args: argparse.Namespace) -> int:
    end = datetime.fromisoformat(args.end) if args.end else datetime.now(UTC)
    end = (end if end.tzinfo else end.replace(tzinfo=UTC)).replace(second=0, microsecond=0)
    start = end - timedelta(seconds=args.length)
    chunks = history(args.fleet, _scenario(args), start, end, args.step, args.seed)
    if str(args.csv) == "-":
        count = write_csv(chunks, sys.stdout)
    else:
        with args.csv.open("w", encoding="utf-8", newline="") as file:
            count = write_csv(chunks, file)
    _say(f"{count} rows written")
    return 0


def _labelled(args: argparse.Namespace) -> int:
    plan = LabelledPlan(args.units, args.weeks, args.seed, args.step, args.form, args.plates)
    told = 0

    def progress(share: float) -> None:
        nonlocal told
        if int(10 * share) > told:
            told = int(10 * share)
            _say(f"{10 * told} %")

    written = write_labelled(args.out, plan, progress)
    count = Counter(label["fault"] for label in written.labels)
    _say(f"{written.rows} rows, {len(written.labels)} labels of {len(count)} faults: {args.out}")
    if written.unshown:
        _say(f"without a label, for they never showed: {', '.join(sorted(written.unshown))}")
    if written.placeless:
        _say(f"no unit had the weather or signals for: {', '.join(written.placeless)}")
    return 0


def _demo_fleet(args: argparse.Namespace) -> int:
    out: Path = args.out
    if (out / "fleet.toml").exists():
        msg = f"{out} already holds a fleet.toml; choose an empty directory"
        raise FleetError(msg)
    shutil.copytree(DEMO_FLEET, out, dirs_exist_ok=True)
    _say(f"demonstration fleet written to {out}")
    return 0


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit status (2 where the input cannot be used)."""
    args = _parser().parse_args(argv)
    run = {
        "publish": _publish,
        "history": _history,
        "labelled": _labelled,
        "demo-fleet": _demo_fleet,
    }[args.command]
    try:
        return run(args)
    except (FleetError, BrokerError, OSError, ValueError) as error:
        _say(f"simulator: {error}")
        return 2


if __name__ == "__main__":
    sys.exit(main())
