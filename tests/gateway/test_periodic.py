"""What is done every so often goes on after a failure, and ends when told."""

from __future__ import annotations

import threading

import pytest

from gateway.periodic import Periodic


def test_a_failure_is_logged_and_the_work_done_again(caplog: pytest.LogCaptureFixture) -> None:
    calls: list[int] = []
    often = threading.Event()

    def work() -> None:
        calls.append(len(calls))
        if len(calls) == 3:
            often.set()
        msg = "the disk is away"
        raise OSError(msg)

    periodic = Periodic("trimming", 0.001, work)
    periodic.start()
    assert often.wait(120)
    periodic.stop()
    assert periodic.join(120)
    assert "trimming failed; done again in 0.001 s" in caplog.text
    assert "the disk is away" in caplog.text


def test_stopped_it_does_not_wait_for_its_interval() -> None:
    periodic = Periodic("rarely", 3600.0, lambda: None)
    periodic.start()
    periodic.stop()
    assert periodic.join(120)
