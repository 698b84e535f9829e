"""A real broker on a free loopback port, small fleets, and histories joined into one table."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support.ports import free_port

from rules.signals import INDEX
from simulator import DEMO_FLEET
from simulator.history import history

NOW = datetime(2026, 7, 20, 18, 0, tzinfo=UTC)

_RUNS: dict[tuple[str, float, float, int], dict[str, Any]] = {}
"""Histories by scenario: the healthy one is compared with every fault."""


@pytest.fixture(scope="session")
def now() -> datetime:
    return NOW


@pytest.fixture
def small_fleet(tmp_path: Path) -> Path:
    """Two sites of the demonstration fleet: one with own names and units, one without."""
    target = tmp_path / "fleet"
    (target / "sites").mkdir(parents=True)
    for name in ("quay-cold-store", "front-range-grocer"):
        shutil.copy(DEMO_FLEET / "sites" / f"{name}.toml", target / "sites")
    return target


@pytest.fixture
def measured(small_fleet: Path) -> Callable[..., dict[str, Any]]:
    """Run a scenario on the small fleet and return its columns, by unit if one is named."""

    def run(
        scenario: dict[str, Any], *, hours: float = 12.0, step_s: float = 60.0, seed: int = 3
    ) -> dict[str, Any]:
        data = {
            "scenario": {"season": "warm"},
            "climates": {"quay-cold-store": {"mean_degc": 24.0}},
            "instruments": [{"units": ["*"], "signals": list(INDEX)}],
            **scenario,
        }
        key = (repr(data), hours, step_s, seed)
        if key in _RUNS:
            return _RUNS[key]
        start = datetime.fromtimestamp(NOW.timestamp() - hours * 3600.0, UTC)
        chunks = list(history(small_fleet, data, start, NOW, step_s, seed))
        _RUNS[key] = {
            "key": np.concatenate([np.char.add(np.char.add(c.site, "/"), c.unit) for c in chunks]),
            "time_ms": np.concatenate([c.time_ms for c in chunks]),
            "values": np.concatenate([c.values for c in chunks]),
        }
        for column in _RUNS[key].values():
            column.flags.writeable = False  # shared between tests
        return _RUNS[key]

    return run


@pytest.fixture
def broker_port(tmp_path: Path) -> Iterator[int]:
    """A broker of its own for the test, stopped by its process handle."""
    program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    if not Path(program).exists():
        pytest.skip("mosquitto is not installed")
    port = free_port()
    settings = tmp_path / "mosquitto.conf"
    settings.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n"
        "max_queued_messages 0\nmax_inflight_messages 0\n"
    )
    with (tmp_path / "mosquitto.log").open("wb") as log:
        process = subprocess.Popen([program, "-c", str(settings)], stdout=log, stderr=log)
    try:
        deadline = time.monotonic() + 120
        while True:
            try:
                socket.create_connection(("127.0.0.1", port), timeout=1.0).close()
                break
            except OSError:
                if process.poll() is not None or time.monotonic() > deadline:
                    pytest.fail((tmp_path / "mosquitto.log").read_text())
        yield port
    finally:
        process.terminate()
        process.wait(timeout=120)
