"""How fast the board answers: 1,000 sites with 4,000 units, a year of five signals, 200 viewers.

Real records with 500 alarms, a real telemetry file, a real server on loopback in a process of its
own. Beside each figure stands a bare static file from the same server. Run it by hand:

    .venv/bin/python tests/benchmarks/bench_board.py
"""

from __future__ import annotations

import argparse
import contextlib
import multiprocessing
import random
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from multiprocessing.connection import Connection
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

import numpy as np  # noqa: E402
import urllib3  # noqa: E402
import uvicorn  # noqa: E402
from support.shown_board import board_of  # noqa: E402
from support.shown_fleet import ShownFleet, fleet_of  # noqa: E402

from gateway.board.app import make_app  # noqa: E402
from gateway.board.server import configured, listen  # noqa: E402
from gateway.telemetry.base import ROLLUP_MS  # noqa: E402
from gateway.telemetry.sqlite_file import NAMES, open_writer, transaction  # noqa: E402
from rules.events import AlarmEvent, AlarmState, Change, Severity  # noqa: E402

FAULTS = (
    "pump-screen-clogging", "fan-fault", "float-leaking", "coil-fouled", "bleed-blocked",
    "conductivity-high", "pads-clogged", "unit-stale",
)  # fmt: skip
YEAR_MS = 365 * 86_400_000


def filled(where: Path, sites: int, units: int, alarms: int) -> ShownFleet:
    """The fleet with its alarms and tickets, and all units heard."""
    fleet = ShownFleet(where, fleet_of(sites, units))
    rng = random.Random(3)
    rows = rng.sample(range(sites * units), alarms)
    severities = [Severity.LOW] * 5 + [Severity.MEDIUM] * 3 + [Severity.HIGH]
    fleet.commit(
        *(
            fleet.alarm(
                row, rng.choice(FAULTS), rng.choice(severities), ago_min=rng.uniform(5, 4000)
            )
            for row in rows
        )
    )
    fleet.records.write_units_heard(dict.fromkeys(range(sites * units), fleet.now_ms))
    fleet.look(0)
    return fleet


def a_year(fleet: ShownFleet) -> int:
    """A year of 5-minute rollups of all signals of the first unit; how many."""
    rng = np.random.default_rng(1)
    count = YEAR_MS // ROLLUP_MS
    start_ms = fleet.now_ms // ROLLUP_MS * ROLLUP_MS - YEAR_MS
    columns = [f"{a}_{n}" for a in ("min", "mean", "max", "count") for n in NAMES]
    site, unit = next(iter(fleet.rows))
    db = open_writer(fleet.where / "telemetry.sqlite", 5.0)
    fleet.samples(0, hours=1)  # newest readings, and the unit's own number

    def rows() -> Sequence[tuple[float, ...]] | object:
        for k in range(count):
            mean = rng.normal(100, 5, len(NAMES)).round(2)
            yield (unit_id, start_ms + k * ROLLUP_MS, *(mean - 1), *mean, *(mean + 1),
                   *([5] * len(NAMES)))  # fmt: skip

    (unit_id,) = db.execute(
        "SELECT id FROM unit WHERE site = ? AND unit = ?", (site, unit)
    ).fetchone()
    marks = ",".join("?" * (2 + len(columns)))
    with transaction(db):
        db.executemany(
            f"INSERT OR REPLACE INTO rollup (unit_id, start_ms, {', '.join(columns)}) "  # noqa: S608
            f"VALUES ({marks})",
            rows(),
        )
    db.close()
    return count


def serve(where: Path, sites: int, units: int, told: Connection) -> None:
    """The board over what the other process has filled; until it is ended."""
    fleet = ShownFleet(where, fleet_of(sites, units))
    app = make_app(board_of(fleet))
    with listen("127.0.0.1", 0) as listening:
        told.send(listening.getsockname()[1])
        uvicorn.Server(configured(app)).run(sockets=[listening])


def timed(pool: urllib3.PoolManager, url: str, times: int) -> tuple[float, float, int]:
    """Median and worst time of the answers [ms], and their size [bytes]."""
    took, size = [], 0
    for _ in range(times):
        began = time.perf_counter()
        answer = pool.request("GET", url, headers={"Accept": "text/html"})
        took.append((time.perf_counter() - began) * 1000)
        assert answer.status == 200, (url, answer.status)
        size = len(answer.data)
    return statistics.median(took), max(took), size


class Viewer(threading.Thread):
    """An open page: it follows changes and asks for its changing part at each."""

    def __init__(self, base: str, path: str, seed: int) -> None:
        super().__init__(daemon=True)
        self.base, self.path = base, path
        self.rng = random.Random(seed)
        self.took: list[float] = []
        self.ended = threading.Event()

    def run(self) -> None:
        # Once the server is ended, whoever still looks is cut off.
        with contextlib.suppress(urllib3.exceptions.HTTPError):
            self._look()

    def _look(self) -> None:
        pool = urllib3.PoolManager(timeout=30)
        stream = pool.request("GET", f"{self.base}/live", preload_content=False)
        for line in stream:
            if self.ended.is_set():
                break
            if line.startswith(b"data: alarms"):
                time.sleep(self.rng.uniform(0.1, 1.3))  # as the page's script does
                if self.ended.is_set():
                    break
                began = time.perf_counter()
                pool.request("GET", f"{self.base}{self.path}?part=live").data  # noqa: B018
                self.took.append((time.perf_counter() - began) * 1000)
        stream.close()


def commits(fleet: ShownFleet, seconds: float) -> list[float]:
    """Commit a step with ten alarm changes a second, as the rules do; how long each took [ms]."""
    took, ends, turn = [], time.monotonic() + seconds, 0
    standing = fleet.records.standing_alarms()[:10]
    while time.monotonic() < ends:
        turn += 1
        fleet.now_ms += 1000
        state = (AlarmState.ACKNOWLEDGED, AlarmState.UNACKNOWLEDGED)[turn % 2]
        change = (Change.ACKNOWLEDGED, Change.ANNOUNCED_AGAIN)[turn % 2]
        events = [
            AlarmEvent(a.unit_row, a.fault, fleet.now_ms, change, state, a.severity, a.onset_ms,
                       by="Ana")
            for a in standing
        ]  # fmt: skip
        began = time.perf_counter()
        fleet.commit(*events)
        took.append((time.perf_counter() - began) * 1000)
        time.sleep(max(0.0, 1.0 - (time.perf_counter() - began)))
    return took


def say(line: str) -> None:
    """Write a line at once: some figures take a while."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=1_000)
    parser.add_argument("--units", type=int, default=4, help="of each site")
    parser.add_argument("--alarms", type=int, default=500)
    parser.add_argument("--viewers", type=int, default=200)
    parser.add_argument("--times", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=15.0, help="with viewers")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        where = Path(folder)
        fleet = filled(where, asked.sites, asked.units, asked.alarms)
        buckets = a_year(fleet)
        told, tell = multiprocessing.Pipe()
        context = multiprocessing.get_context("spawn")
        server = context.Process(target=serve, args=(where, asked.sites, asked.units, tell))
        server.start()
        base = f"http://127.0.0.1:{told.recv()}"
        pool = urllib3.PoolManager(timeout=60)
        site, unit = next(iter(fleet.rows))
        signals = "&s=".join(
            ("basin_level", "conductivity", "pump_current", "spray_pressure", "head_pressure")
        )
        say(
            f"{asked.sites} sites, {asked.sites * asked.units} units, {asked.alarms} alarms, "
            f"{buckets} rollups of one unit; median and worst of {asked.times} answers"
        )
        for title, path in (
            ("bare static file", "/static/board.css"),
            ("all sites", "/"),
            ("all sites, a search", "/?q=harbour"),
            ("alarms", "/alarms"),
            ("tickets", "/tickets"),
            ("plan", "/plan"),
            ("unit", f"/sites/{site}/{unit}?span=1y"),
            (
                "unit, a year of five signals",
                f"/sites/{site}/{unit}/trend.json?span=1y&s={signals}",
            ),
        ):
            middle, worst, size = timed(pool, base + path, asked.times)
            say(f"  {title:<30} {middle:8.1f} ms {worst:8.1f} ms {size / 1000:8.1f} kB")
        alone = commits(fleet, asked.seconds)
        paths = ("/", "/alarms", "/tickets", f"/sites/{site}/{unit}")
        viewers = [Viewer(base, paths[k % 4], k) for k in range(asked.viewers)]
        for viewer in viewers:
            viewer.start()
        time.sleep(3)
        watched = commits(fleet, asked.seconds)
        for viewer in viewers:
            viewer.ended.set()
        parts = [ms for viewer in viewers for ms in viewer.took]
        say(
            f"a rules step's commit: alone {statistics.median(alone):.1f} ms (worst "
            f"{max(alone):.1f}), with {asked.viewers} viewers {statistics.median(watched):.1f} ms "
            f"(worst {max(watched):.1f})"
        )
        if parts:
            say(
                f"{len(parts)} refreshed parts, median {statistics.median(parts):.0f} ms, worst "
                f"{max(parts):.0f} ms"
            )
        server.terminate()
        server.join(20)
        fleet.close()


if __name__ == "__main__":
    main()
