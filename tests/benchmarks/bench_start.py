"""How long a start takes with a large fleet, and how long it takes to catch up after an outage.

Run from the project's directory: ``python tests/benchmarks/bench_start.py``. *Start*: from the call
of Python (``basinward run``, imports and all) until it says that it has subscribed, with site files
of 10,000 units on disk, the first time (nothing in the data directory) and again after a kill
(records, journal and rules' memory to be read back). The yardstick beside it: Python that only
imports what the gateway is made of. *Backlog*: an hour of 1,000 units at a frame every 10 s waits
in the broker; timed until it is journalled, evaluated and stored.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bench_intake import BROKER_SETTINGS, gateway_run, open_session, sites_of  # noqa: E402
from packs import FRAME_INTERVAL_MS, packs, publish_all  # noqa: E402
from support.broker import Mosquitto  # noqa: E402
from support.fleet_files import write_large_fleet  # noqa: E402
from support.gateway_fleet import configuration  # noqa: E402
from support.ports import free_port  # noqa: E402

from gateway.service import wall_clock_ms  # noqa: E402

_ROOT = Path(__file__).resolve().parents[2]
_ENVIRONMENT = {**os.environ, "PYTHONPATH": str(_ROOT), "NO_COLOR": "1"}
HOUR_MS = 3_600_000


def until_subscribed(fleet: Path, data: Path) -> tuple[float, float]:
    """Seconds until the gateway has subscribed, and its CPU until then; then it is killed."""
    began_s = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-m", "gateway.cli", "run", "--fleet", str(fleet), "--data", str(data)],
        cwd=_ROOT, env=_ENVIRONMENT, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stderr is not None
    for line in process.stderr:
        if "Connected to the broker" in line:
            break
    else:
        sys.exit("the gateway ended without a connection to the broker")
    took_s = time.monotonic() - began_s
    ticks = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()
    cpu_s = (int(ticks[11]) + int(ticks[12])) / os.sysconf("SC_CLK_TCK")
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stderr.close()
    return took_s, cpu_s


def only_imports() -> float:
    """Seconds of a Python that imports the gateway and ends."""
    began_s = time.monotonic()
    subprocess.run(
        [sys.executable, "-c", "import gateway.cli.run, gateway.service"],
        cwd=_ROOT, env=_ENVIRONMENT, check=True,
    )  # fmt: skip
    return time.monotonic() - began_s


def start(units: int, directory: Path) -> None:
    """Print the starts."""
    with Mosquitto(directory / "b", settings=BROKER_SETTINGS) as broker:
        fleet = write_large_fleet(
            directory / "fleet", units, broker_port=broker.port, mail_port=free_port()
        )
        first = until_subscribed(fleet, directory / "data")
        again = until_subscribed(fleet, directory / "data")
    sys.stdout.write(
        f"start with {units:,} units: {first[0]:.1f} s ({first[1]:.1f} s CPU), "
        f"again after a kill {again[0]:.1f} s ({again[1]:.1f} s CPU); "
        f"only the imports {only_imports():.1f} s\n"
    )


def backlog(units: int, directory: Path) -> None:
    """Print how long an hour takes."""
    messages = units * HOUR_MS // FRAME_INTERVAL_MS
    sites = sites_of(units)
    keys = [(s.id, u.id) for s in sites for u in s.units]
    with Mosquitto(directory / "c", durable=False, settings=BROKER_SETTINGS) as broker:
        settings = configuration(broker.port, free_port(), sites, journal_budget_mb=2_000)
        open_session(broker.port, settings.broker.client_id)
        publish_all(broker.port, list(packs(keys, messages, wall_clock_ms())))
        run = gateway_run(settings, directory / "backlog", messages)
    sys.stdout.write(
        f"an hour of {units:,} units, {messages:,} frames: {messages / run.rate:.0f} s "
        f"({run.rate:,.0f} a second, {run.cpu_us:.1f} µs CPU each)\n"
    )


def main() -> None:
    """Print the report."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--units", type=int, default=10_000)
    parser.add_argument("--backlog-units", type=int, default=1_000)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        start(arguments.units, Path(scratch))
        sys.stdout.flush()
        backlog(arguments.backlog_units, Path(scratch))


if __name__ == "__main__":
    main()
