"""A thread of the gateway works, or says loudly that it does not."""

from __future__ import annotations

import logging
import threading

import pytest

from gateway.outage import Outage
from gateway.worker import Worker


def test_a_worker_that_fails_tells_with_its_traceback(caplog: pytest.LogCaptureFixture) -> None:
    class Failing(Worker):
        def run(self) -> None:
            msg = "cannot"
            raise ArithmeticError(msg)

    deaths: list[tuple[str, BaseException]] = []
    worker = Failing("counter", lambda name, error: deaths.append((name, error)))
    worker.start()
    assert worker.join(120)
    [(name, error)] = deaths
    assert (name, type(error)) == ("counter", ArithmeticError)
    assert "The thread 'counter' has died of a defect: ArithmeticError: cannot" in caplog.text
    assert "Traceback" in caplog.text


def test_a_worker_that_is_stopped_while_it_waits_has_not_died() -> None:
    waiting = threading.Event()

    class Waiting(Worker):
        def run(self) -> None:
            def work() -> None:
                waiting.set()
                msg = "the disk is away."
                raise OSError(msg)

            outage = Outage(logging.getLogger("test"), "back", first_pause_s=3600)
            self.patiently(outage, work, "Work waits.", (OSError,))

    deaths: list[str] = []
    worker = Waiting("waiting", lambda name, _error: deaths.append(name))
    worker.start()
    assert waiting.wait(120)
    worker.stop()
    assert worker.join(120)
    assert deaths == []
