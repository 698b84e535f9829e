"""A gateway in a process of its own, for tests that kill it.

Run as ``python -m support.gateway_process BROKER_PORT MAIL_PORT DATA_DIR`` it is the gateway, at a
brisk pace so that a short test sees many commits, snapshots and trimmings; :class:`GatewayProcess`
starts and ends such a process.
"""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import sys
from pathlib import Path
from queue import SimpleQueue
from typing import Self

__all__ = ["GatewayProcess"]

_ROOT = Path(__file__).resolve().parents[2]


class GatewayProcess:
    """The gateway on ``data_dir``; it may be killed and started again."""

    def __init__(self, broker_port: int, mail_port: int, data_dir: Path) -> None:
        self._arguments = [str(broker_port), str(mail_port), str(data_dir)]
        self._log_file = data_dir.with_suffix(".log")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> Self:
        """Start it; does not wait until it is ready."""
        path = os.pathsep.join([str(_ROOT), str(_ROOT / "tests")])
        with self._log_file.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "support.gateway_process", *self._arguments],
                env={**os.environ, "PYTHONPATH": path},
                stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip
        return self

    @property
    def log(self) -> str:
        """All that its lives have written so far."""
        return self._log_file.read_text(errors="replace")

    def wait(self, timeout_s: float) -> int | None:
        """Its exit status if it ends by itself within the time."""
        assert self._process is not None
        try:
            return self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            return None

    def signal(self, number: int) -> None:
        """Send it a signal."""
        assert self._process is not None
        self._process.send_signal(number)

    def kill(self) -> None:
        """SIGKILL: it does nothing more."""
        self._end(signal.SIGKILL)

    def stop(self) -> int | None:
        """SIGTERM, and its exit status."""
        return self._end(signal.SIGTERM)

    def _end(self, number: int) -> int | None:
        process, self._process = self._process, None
        if process is None:
            return None
        process.send_signal(number)
        try:
            return process.wait(60)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)
            raise


def main(broker_port: str, mail_port: str, data_dir: str) -> int:
    """The gateway."""
    from gateway.service import Pace, Service
    from support.gateway_fleet import configuration

    told: SimpleQueue[str] = SimpleQueue()
    signal.signal(signal.SIGTERM, lambda *_: told.put(""))

    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(name)s %(levelname)s %(message)s")
    settings = configuration(int(broker_port), int(mail_port))
    pace = Pace(
        clock_s=0.2, actions_s=0.2, rules_s=0.02, store_s=0.02, snapshot_s=0.3, upkeep_s=0.5,
        status_s=0.2,
    )  # fmt: skip
    service = Service(settings, Path(data_dir), pace=pace, on_failure=told.put)
    service.start()
    failure = told.get()
    return 0 if service.stop() and not failure else 1


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
