"""Fans that take turns without a speed command, and one that takes its turn no more.

The banks are switched here step by step: one that rotates starts the fan that has stood longest and
stops the one that has run longest (common practice); one in a fixed order does not. Four fans, 16
days, five-minute readings.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from side_by_side import Columns, hour_of, play, without_fan_words
from support.fleet import HEALTHY, T0_MS, Feed, engine_of, row_of_values

from rules.events import Action, ActionKind, Change
from rules.fan_rounds import takes_turns

F = NDArray[np.float64]
STEP_S = 300
FANS, DAYS = 4, 16
N = DAYS * 86_400 // STEP_S
HOURS = np.arange(1, N + 1) * STEP_S / 3600.0
DEAD_FROM_H, MENDED_H = 8 * 24.0, 15 * 24.0
LOST = 2


def wanted(hour: float, mild: bool) -> int:
    """Fans that the weather asks for: one by night, four on most afternoons; three when mild."""
    day = 2.4 + 1.7 * np.sin(2.0 * np.pi * (hour / 24.0 - 0.4)) + 0.6 * np.sin(2.0 * np.pi * hour)
    return int(np.clip(round(day), 0, 3 if mild else FANS))


def rotating(ill: bool) -> Callable[[float, list[int], list[int]], None]:
    """Moves fans between those that stand and those that run, oldest first."""

    def turn(hour: float, standing: list[int], running: list[int]) -> None:
        def works(fan: int) -> bool:
            return not (ill and fan == LOST and DEAD_FROM_H < hour <= MENDED_H)

        need = wanted(hour, mild=False)
        while sum(map(works, running)) < need and standing:
            running.append(standing.pop(0))
        while sum(map(works, running)) > need and running:
            standing.append(running.pop(0))

    return turn


def in_order(hour: float, standing: list[int], running: list[int]) -> None:
    """Always the first fans; after a week the mild weather asks for no more than three."""
    need = wanted(hour, mild=hour > 7 * 24.0)
    running[:] = range(need)
    standing[:] = range(need, FANS)


def proofs(turn: Callable[[float, list[int], list[int]], None], ill: bool) -> F:
    standing, running = list(range(FANS)), []
    words = np.zeros(N)
    for i, hour in enumerate(HOURS.tolist()):
        turn(hour, standing, running)
        dead = ill and DEAD_FROM_H < hour <= MENDED_H
        words[i] = sum(1 << fan for fan in running if not (dead and fan == LOST))
    return words


SCENES = {
    "in turns": proofs(rotating(ill=False), ill=False),
    "in turns, one fails": proofs(rotating(ill=True), ill=True),
    "in a fixed order": proofs(in_order, ill=False),
}


@pytest.fixture(scope="module")
def lived():
    rng = np.random.default_rng(3)
    scenes: dict[str, Columns] = {
        scene: without_fan_words(words, rng) for scene, words in SCENES.items()
    }
    played = play(scenes, T0_MS + (HOURS * 3_600_000).astype(np.int64))
    rows = np.arange(len(scenes))
    known = takes_turns(played.engine.state, rows, np.full(len(scenes), FANS))
    return played.of("fan-not-proven"), dict(zip(scenes, known.tolist(), strict=True))


def test_a_fan_that_takes_its_turn_no_more_is_found_and_named(lived):
    raised, returned = lived[0]["in turns, one fails"]
    assert (raised.change, returned.change) == (Change.RAISED, Change.RETURNED)
    assert DEAD_FROM_H + 12.0 < hour_of(raised) < DEAD_FROM_H + 96.0
    assert MENDED_H < hour_of(returned) < MENDED_H + 24.0
    assert raised.evidence.summary.startswith("Fan 3 of 4 takes its turn no more")
    assert raised.evidence.causes[0].slug == "contactor"
    wait = raised.evidence.readings[2]
    assert wait.measured > 12.0 + 2.0 * wait.high


def test_fans_that_take_turns_are_in_order(lived):
    events, known = lived
    assert known["in turns"]
    assert events["in turns"] == []


def test_the_last_fan_of_a_fixed_order_may_rest_for_a_week(lived):
    """Nothing tells whether it would come: it is not judged."""
    events, known = lived
    assert not known["in a fixed order"]
    assert events["in a fixed order"] == []


def test_after_work_on_the_fans_the_turns_are_learned_anew():
    feed = Feed(engine_of())
    state, one = feed.engine.state, np.array([0])
    for n in range(14 * 12 * 4):
        # One fan after the other for two hours.
        feed.run(
            300.0, step_s=300.0, fan_speed=None, fan_fault=None, fan_run=float(1 << n // 24 % 4)
        )
    assert takes_turns(state, one, np.array([FANS]))
    feed.engine.act(Action(1, ActionKind.CLEANED, 0, "", feed.now_ms, "R. Marsh", parts=("fans",)))
    assert not takes_turns(state, one, np.array([FANS]))


def test_a_shelved_fan_teaches_no_longer_round():
    """The part is on order and the alarm shelved: the wait for it is no habit."""
    feed = Feed(engine_of())
    state, alone = feed.engine.state, {"step_s": 300.0, "fan_speed": None}
    for n in range(14 * 12 * 4):
        feed.run(300.0, fan_run=float(1 << n // 24 % 4), **alone)
    usual = float(state.round_longest_bins[0])
    feed.run(24 * 3600.0, fan_run=float(0b1011), **alone)
    assert feed.raised() == ["fan-not-proven"]
    until_ms = feed.now_ms + 5 * 86_400_000
    feed.engine.act(
        Action(1, ActionKind.SHELVE, 0, "fan-not-proven", feed.now_ms, "R. Marsh", "On order",
               until_ms)
    )  # fmt: skip
    feed.run(24 * 3600.0, fan_run=float(0b1011), **alone)
    feed.run(3600.0, fan_run=float(0b0100), **alone)
    assert state.round_set[0] == 0b1011, "the round is over"
    assert state.round_longest_bins[0] == usual


def test_a_command_that_is_always_zero_is_none():
    """Controllers send points that nobody wired as 0: the fan is named by its missed turn."""
    feed = Feed(engine_of())
    zero = {"step_s": 300.0, "fan_speed": 0.0}
    for n in range(14 * 12 * 4):
        feed.run(300.0, fan_run=float(1 << n // 24 % 4), **zero)
    assert feed.events == []
    feed.run(24 * 3600.0, fan_run=float(0b1011), **zero)
    (event,) = [e for e in feed.events if e.fault == "fan-not-proven"]
    assert event.evidence.summary.startswith("Fan 3 of 4 takes its turn no more")


@pytest.mark.parametrize(
    ("head_kpa", "in_a_row", "told_min"), [(float("nan"), 2, 15), (1000.0, 4, 35)]
)
def test_a_bank_caught_between_command_and_proof_is_none_that_is_gone(
    head_kpa: float, in_a_row: int, told_min: int
) -> None:
    """Read each five minutes, of a controller that starts all fans as often.

    At an ample margin to the cut-out there is time to see whether it climbs.
    """
    feed = Feed(engine_of())
    bank = {"fan_speed": 30.0, "head_pressure": head_kpa}
    for i in range(12 * 48):
        caught = i % 9 < in_a_row
        feed.run(300.0, step_s=300.0, **bank, fan_run=0.0 if caught else 15.0)
    assert feed.events == []
    gone_ms = feed.now_ms
    feed.run(2400.0, step_s=300.0, **bank, fan_run=0.0)
    assert feed.raised() == ["fan-not-proven"]
    assert feed.events[0].time_ms - gone_ms <= told_min * 60_000


@pytest.mark.parametrize(("step_s", "head_kpa"), [(10.0, 1000.0), (60.0, 1000.0), (300.0, 1650.0)])
def test_a_bank_that_is_seen_to_be_gone_is_told_at_once(step_s: float, head_kpa: float) -> None:
    """Read often enough to see a start; or so near the cut-out that nothing may be waited for."""
    feed = Feed(engine_of())
    feed.run(6 * 3600.0, step_s=step_s)
    gone_ms = feed.now_ms
    feed.run(900.0, step_s=step_s, fan_speed=100.0, fan_run=0.0, head_pressure=head_kpa)
    (event,) = [e for e in feed.events if e.fault == "fan-not-proven"]
    assert event.time_ms - gone_ms <= 2 * max(step_s, 120.0) * 1000


def test_a_moment_that_comes_in_two_records_is_no_reading_twice_as_often() -> None:
    """The water in a record of its own, at the same instant."""
    feed = Feed(engine_of())
    water = {name: HEALTHY[name] for name in ("basin_level", "conductivity")}
    bank = {**HEALTHY, "fan_speed": 30.0, "head_pressure": 1000.0}
    for i in range(12 * 24):
        feed.now_ms += 300_000
        fans = {name: value for name, value in bank.items() if name not in water}
        fans["fan_run"] = 0.0 if i % 9 < 4 else 15.0
        for record in (fans, water):
            feed.send(0, feed.now_ms, row_of_values(record))
    assert not [fault for fault in feed.raised() if fault.startswith("fan-")]


def test_a_bank_read_at_its_starts_each_two_minutes_has_lost_no_fan_time() -> None:
    """A controller that stops and starts all fans: a command before its proof, one time in two."""
    feed = Feed(engine_of())
    bank = {"fan_speed": 30.0, "head_pressure": 1000.0}
    for i in range(30 * 24):
        feed.run(120.0, step_s=120.0, **bank, fan_run=0.0 if i % 2 else 15.0)
    assert feed.events == []


def test_a_bank_that_drops_out_as_one_again_and_again_is_lost_fan_time() -> None:
    feed = Feed(engine_of())
    feed.run(6 * 3600.0, step_s=20.0)
    for _ in range(40):
        feed.run(100.0, step_s=20.0, fan_speed=100.0, fan_run=0.0)
        feed.run(500.0, step_s=20.0, fan_speed=100.0)
    assert "fan-capacity-lost" in feed.raised()
