"""Playing samples: the clock beside them, late frames late, the same however they are cut."""

from __future__ import annotations

import numpy as np
import pytest

from gateway.batch import Batch
from gateway.playback import Playback
from rules.events import Action, ActionKind, Refusal, RefusalKind, StepResult
from rules.signals import N_SIGNALS

MINUTE = 60_000
T0 = 1_772_366_400_000


class Recorder:
    """Writes down what an engine would have been asked."""

    def __init__(self) -> None:
        self.calls: list[tuple] = []

    def samples(self, received_ms, unit_row, time_ms, values) -> StepResult:
        minutes = ((time_ms - T0) // MINUTE).tolist()
        self.calls.append(("samples", list(zip(unit_row.tolist(), minutes, strict=True))))
        return StepResult(late_frames=1)

    def clock(self, now_ms, *, listening=True) -> StepResult:
        self.calls.append(("clock", (now_ms - T0) / MINUTE))
        return StepResult()

    def act(self, action) -> StepResult:
        self.calls.append(("act", action.unit_row))
        return StepResult()

    def refused(self, received_ms, refusals) -> StepResult:
        self.calls.append(("refused", [r.unit for r in refusals]))
        return StepResult()


def batch(*rows: tuple[int, float]) -> Batch:
    return Batch(
        np.array([r for r, _ in rows], dtype=np.int32),
        np.array([T0 + round(m * MINUTE) for _, m in rows], dtype=np.int64),
        np.zeros((len(rows), N_SIGNALS)),
    )


def minutes(*values: float) -> np.ndarray:
    return np.array([T0 + round(v * MINUTE) for v in values], dtype=np.int64)


@pytest.fixture
def engine():
    return Recorder()


def test_the_clock_ticks_between_samples_and_once_after(engine):
    taken = []
    playback = Playback(engine, taken.append, clock_step_ms=MINUTE)
    playback.feed(batch((0, 0), (1, 0), (0, 2)))
    playback.finish()
    assert engine.calls == [
        ("clock", 0), ("samples", [(0, 0), (1, 0)]), ("clock", 1), ("clock", 2),
        ("samples", [(0, 2)]), ("clock", 3),
    ]  # fmt: skip
    assert sum(step.late_frames for step in taken) == 2


def test_a_frame_that_goes_back_in_time_is_given_after_those_before_it(engine):
    """Within one call the engine sorts a unit's frames, which would hide that one is late."""
    playback = Playback(engine, lambda _: None, clock_step_ms=10 * MINUTE)
    playback.feed(batch((0, 1), (1, 2), (0, 0), (1, 3)), minutes(1, 2, 2, 3))
    assert [c for c in engine.calls if c[0] == "samples"] == [
        ("samples", [(0, 1), (1, 2)]), ("samples", [(0, 0), (1, 3)]),
    ]  # fmt: skip


def test_a_backlog_is_given_when_it_arrived(engine):
    playback = Playback(engine, lambda _: None, clock_step_ms=MINUTE)
    playback.feed(batch((1, 2), (0, 0), (0, 1)), minutes(2, 5, 5))
    assert engine.calls[-1] == ("samples", [(0, 0), (0, 1)])
    assert engine.calls[-2] == ("clock", 5)


def test_refusals_come_in_their_minute(engine):
    told = [
        Refusal(RefusalKind.UNREGISTERED, T0 + round(m * MINUTE), "s", unit)
        for m, unit in ((0, "x"), (0.5, "y"), (2, "z"))
    ]
    playback = Playback(engine, lambda _: None, clock_step_ms=MINUTE, refusals=told)
    playback.feed(batch((0, 0), (0, 1), (0, 2)))
    assert [c for c in engine.calls if c[0] != "samples"] == [
        ("clock", 0), ("refused", ["x", "y"]), ("clock", 1), ("clock", 2), ("refused", ["z"]),
    ]  # fmt: skip


def test_what_people_do_comes_before_the_samples_of_its_minute(engine):
    action = Action(1, ActionKind.OUT_OF_SERVICE, 7, "", T0 + 70_000, "history")
    playback = Playback(engine, lambda _: None, clock_step_ms=MINUTE, actions=[action])
    playback.feed(batch((0, 0), (0, 1)))
    assert engine.calls[-2:] == [("act", 7), ("samples", [(0, 1)])]


def test_a_long_gap_has_hourly_ticks(engine):
    """Five days of silence: minutes for two days, hours for three."""
    playback = Playback(engine, lambda _: None, clock_step_ms=MINUTE)
    playback.feed(batch((0, 0), (0, 5 * 1440)))
    assert len([c for c in engine.calls if c[0] == "clock"]) == 1 + 2 * 1440 + 3 * 24


def test_nothing_fed_does_nothing(engine):
    playback = Playback(engine, lambda _: None)
    playback.feed(batch())
    playback.finish()
    assert engine.calls == []
