"""``basinward`` as its users run it: processes with a configuration directory, read by their log.

:class:`RunningGateway` is ``basinward run``, which may be killed and started again; :func:`command`
is any other command.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Self

from gateway.data_directory import STATUS_FILE
from gateway.status import read_status

__all__ = ["RunningGateway", "StartGateway", "command", "refused"]

_ROOT = Path(__file__).resolve().parents[2]
_BASINWARD = (sys.executable, "-m", "gateway.cli")
_BRISK = (sys.executable, "-m", "support.brisk_gateway")


def command(*arguments: str) -> str:
    """What ``basinward`` with these arguments prints; it must end with status 0."""
    done = subprocess.run(
        [*_BASINWARD, *arguments], cwd=_ROOT, env=_environment(), capture_output=True, text=True,
        timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def refused(*arguments: str) -> str:
    """What ``basinward`` with these arguments says on standard error; it must end with status 1."""
    done = subprocess.run(
        [*_BASINWARD, *arguments], cwd=_ROOT, env=_environment(), capture_output=True, text=True,
        timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 1, done.stdout + done.stderr
    return done.stderr


class RunningGateway:
    """``basinward run`` for the length of a block, subscribed when the block begins.

    At the end it is told to stop and must do so in good order, with status 0 and no traceback.
    Within the block it may be killed and started again; the log is that of all its lives.
    """

    def __init__(
        self,
        fleet: Path,
        data: Path,
        subscriptions: Callable[[], int],
        *options: str,
        brisk: bool = False,
        environment: Mapping[str, str] | None = None,
    ) -> None:
        """``subscriptions`` counts what the broker has granted to the gateway so far.

        ``brisk`` makes it commit and trim many times a second; ``environment`` adds variables.
        """
        self.fleet = fleet
        self.data = data
        program = _BRISK if brisk else _BASINWARD
        self._arguments = [*program, "run", "--fleet", str(fleet), "--data", str(data), *options]
        self._environment = {**_environment(), **(environment or {})}
        self._subscriptions = subscriptions
        self._process: subprocess.Popen[str] | None = None
        self._lines: list[str] = []
        self._ended = False
        self._news = threading.Condition()
        self._reader: threading.Thread | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        status = self.stop()
        if kind is None:
            assert status == 0, self.log
            assert self.lines("stopped in good order"), self.log
            assert "Traceback" not in self.log, self.log
            assert not self.lines(" CRITICAL "), self.log

    def start(self, *, wait: bool = True) -> None:
        """Start it, and wait until it has subscribed unless told not to."""
        before, lives = self._subscriptions(), len(self.lines("Connected to the broker"))
        self._ended = False
        self._process = subprocess.Popen(
            self._arguments, cwd=_ROOT, env=self._environment,
            stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, errors="replace",
        )  # fmt: skip
        self._reader = threading.Thread(target=self._read, args=(self._process,))
        self._reader.start()
        if not wait:
            return
        try:
            self.wait_for_line("Connected to the broker", count=lives + 1)
            self.until(lambda: self._subscriptions() > before)
        except BaseException:
            self.kill()
            raise

    def kill(self) -> None:
        """SIGKILL: it does nothing more."""
        self._end(signal.SIGKILL)

    def stop(self) -> int | None:
        """SIGTERM, and its exit status; None if it does not run."""
        return self._end(signal.SIGTERM)

    def signal(self, number: int) -> None:
        """Send it a signal."""
        assert self._process is not None
        self._process.send_signal(number)

    def ended_within(self, timeout_s: float) -> bool:
        """Whether it ends by itself within the time."""
        with self._news:
            return self._news.wait_for(lambda: self._ended, timeout_s)

    @property
    def log(self) -> str:
        """All that it has written so far."""
        with self._news:
            return "".join(self._lines)

    def lines(self, words: str) -> list[str]:
        """The lines of the log that hold these words."""
        with self._news:
            return [line for line in self._lines if words in line]

    def wait_for_line(self, words: str, count: int = 1, timeout_s: float = 120.0) -> str:
        """Wait until a ``count``-th line with these words is there, and give it."""

        def there() -> bool:
            return self._ended or sum(words in line for line in self._lines) >= count

        with self._news:
            self._news.wait_for(there, timeout_s)
            found = [line for line in self._lines if words in line]
            assert len(found) >= count, f"{words!r} was not said:\n{''.join(self._lines)}"
        return found[count - 1]

    def until(self, what: Callable[[], object], timeout_s: float = 120.0) -> None:
        """Wait until something in a file or another process has come about.

        The test fails if the gateway ends before.
        """
        tries = int(timeout_s / 0.05)
        for _ in range(tries):
            if what():
                return
            with self._news:
                ended = self._news.wait_for(lambda: self._ended, 0.05)
            assert not ended, f"the gateway has ended:\n{self.log}"
        raise AssertionError(f"it did not come about:\n{self.log}")

    @property
    def status(self) -> dict[str, Any]:
        """What it last wrote to its status file."""
        status = read_status(self.data / STATUS_FILE)
        return status if status is not None else {}

    def _read(self, process: subprocess.Popen[str]) -> None:
        assert process.stderr is not None
        with process.stderr as stderr:
            for line in stderr:
                with self._news:
                    self._lines.append(line)
                    self._news.notify_all()
        with self._news:
            self._ended = True
            self._news.notify_all()

    def _end(self, number: int) -> int | None:
        process, self._process = self._process, None
        if process is None:
            return None
        process.send_signal(number)
        try:
            status = process.wait(120)
        except subprocess.TimeoutExpired:
            process.kill()
            status = process.wait(60)
        assert self._reader is not None
        self._reader.join(60)
        return status


StartGateway = Callable[..., RunningGateway]
"""Makes a gateway for a test's servers; takes ``influx_url`` where samples go to a server."""


def _environment() -> dict[str, str]:
    kept = {k: v for k, v in os.environ.items() if not k.startswith("BASINWARD_")}
    path = os.pathsep.join([str(_ROOT), str(_ROOT / "tests")])
    # No colours and no wrapping of tables to the width of some terminal.
    return {**kept, "COLUMNS": "200", "NO_COLOR": "1", "PYTHONPATH": path}
