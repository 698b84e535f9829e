"""The receiver's clock goes on by its own count where the machine's is set back, for a while."""

from __future__ import annotations

from itertools import pairwise

import pytest

from gateway.receiver_clock import DOUBTED_S, ReceiverClock

NOON_MS = 1_783_000_000_000
HOUR_MS = 3_600_000


class Machine:
    """A machine's clocks: time of day, which is set, and the count of seconds, which is not."""

    def __init__(self) -> None:
        self.wall_ms = NOON_MS
        self.count_s = 50.0

    def pass_s(self, seconds: float) -> None:
        self.wall_ms += round(seconds * 1000)
        self.count_s += seconds

    def clock(self, not_before_ms: int = 0) -> ReceiverClock:
        return ReceiverClock(
            lambda: self.wall_ms, not_before_ms=not_before_ms, monotonic_s=lambda: self.count_s
        )


@pytest.fixture
def machine() -> Machine:
    return Machine()


def test_it_is_the_machines_clock_also_where_that_is_set_ahead(
    machine: Machine, caplog: pytest.LogCaptureFixture
) -> None:
    clock = machine.clock()
    assert clock() == NOON_MS
    machine.pass_s(5)
    assert clock() == NOON_MS + 5000
    machine.wall_ms += HOUR_MS
    assert clock() == NOON_MS + 5000 + HOUR_MS
    assert not caplog.text


def test_set_back_and_right_again_it_never_shows(
    machine: Machine, caplog: pytest.LogCaptureFixture
) -> None:
    clock = machine.clock()
    clock()
    machine.wall_ms -= HOUR_MS
    for second in range(1, 300):
        machine.pass_s(1)
        # The count begins when the step is seen, so that it is behind by one interval at most.
        assert 0 <= NOON_MS + 1000 * second - clock() <= 1000
    [told] = caplog.records
    assert "set back by 3599 s" in told.message
    machine.wall_ms += HOUR_MS
    machine.pass_s(1)
    assert clock() == NOON_MS + 300_000
    assert "right again" in caplog.text


def test_it_follows_what_stays_behind(machine: Machine, caplog: pytest.LogCaptureFixture) -> None:
    """Once, and is then the machine's clock as before."""
    clock = machine.clock()
    clock()
    machine.wall_ms -= HOUR_MS
    seen = []
    for _ in range(int(DOUBTED_S) + 10):
        machine.pass_s(1)
        seen.append(clock())
    steps = [b - a for a, b in pairwise(seen)]
    assert sum(s < 0 for s in steps) == 1
    assert all(s == 1000 for s in steps if s > 0)
    assert seen[-1] == machine.wall_ms
    assert [r.levelname for r in caplog.records] == ["ERROR", "ERROR"]
    assert "follows it from now on" in caplog.text


def test_it_starts_no_earlier_than_what_is_known_to_be_over(machine: Machine) -> None:
    clock = machine.clock(not_before_ms=NOON_MS + HOUR_MS)
    assert clock() == NOON_MS + HOUR_MS
    machine.pass_s(10)
    assert clock() == NOON_MS + HOUR_MS + 10_000


def test_a_small_correction_is_waited_out_without_a_word(
    machine: Machine, caplog: pytest.LogCaptureFixture
) -> None:
    clock = machine.clock()
    clock()
    machine.wall_ms -= 800
    seen = []
    for _ in range(20):
        machine.pass_s(0.1)
        seen.append(clock())
    assert seen == sorted(seen)
    assert not caplog.text
