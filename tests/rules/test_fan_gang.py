"""Fans that start and stop as one without a speed command, and one that stops no more.

One contact switches four fans: they run 40 minutes of 70, through the hot hours of one day, and
not at all in one night. Five-minute readings, 12 days.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from side_by_side import hour_of, play, without_fan_words
from support.fleet import T0_MS, Feed, engine_of

from rules.events import Action, ActionKind, Change, Severity
from rules.fan_gang import starts_as_one, unstopped_fans
from rules.staging import is_stepped

F = NDArray[np.float64]
STEP_S = 300
FANS, DAYS = 4, 12
N = DAYS * 86_400 // STEP_S
HOURS = np.arange(1, N + 1) * STEP_S / 3600.0
HAND_FROM_H, MENDED_H = 7 * 24.0, 9 * 24.0
HAND, EVERYONE = 0b0010, 0b1111


def wanted() -> F:
    """1 where the bank is asked for."""
    on = (np.arange(N) % 14 < 8).astype(np.float64)
    on[(HOURS > 4 * 24.0 + 8.0) & (HOURS < 4 * 24.0 + 22.0)] = 1.0
    on[(HOURS > 5 * 24.0) & (HOURS < 5 * 24.0 + 6.0)] = 0.0
    return on


def scenes() -> dict[str, F]:
    as_one = wanted() * EVERYONE
    there = (HOURS > HAND_FROM_H) & (HOURS <= MENDED_H)
    in_hand = np.where(there, np.where(as_one > 0, EVERYONE, HAND), as_one)
    # A start takes a while: the first picture of it may show half of the fans.
    slow = as_one.copy()
    slow[1:][(as_one[1:] > 0) & (as_one[:-1] == 0)] = 0b0011
    # By day the bank runs through, and one fan trips and comes back; by night all stop.
    hour = HOURS % 24.0
    tripping = np.where(there & (hour > 8.0) & (hour < 19.0), EVERYONE, as_one)
    tripping[there & (hour > 8.0) & (hour < 19.0) & (np.arange(N) % 12 < 4)] = 0b1101
    # One fan stands from the same hour on; and all start again when it is mended.
    dead = np.where(there & (as_one > 0), EVERYONE & ~HAND, as_one)
    lead = np.array([0b0001, 0b0011, 0b0111, 0b1111, 0b0111, 0b0011])[np.arange(N) // 6 % 6]
    staged = np.where(HOURS < 5 * 24.0, np.where(hour < 6.0, 0, lead), lead).astype(np.float64)
    return {
        "as one": as_one, "in hand": in_hand, "slow starts": slow, "tripping": tripping,
        "staged": staged, "dead": dead,
    }  # fmt: skip


@pytest.fixture(scope="module")
def lived():
    made = scenes()
    played = play(
        {name: without_fan_words(words, np.random.default_rng(5)) for name, words in made.items()},
        T0_MS + (HOURS * 3_600_000).astype(np.int64),
    )
    rows = np.arange(len(made))
    state = played.engine.state
    known = dict(zip(made, starts_as_one(state, rows).tolist(), strict=True))
    stepped = is_stepped(state, rows, np.full(len(made), FANS))
    events = {
        fault: played.of(fault) for fault in ("fan-not-commanded", "fan-not-proven")
    }  # fmt: skip
    return events, known, dict(zip(made, stepped.tolist(), strict=True))


def test_a_fan_in_hand_is_found_by_its_sisters_that_stop(lived):
    raised, returned = lived[0]["fan-not-commanded"]["in hand"]
    assert (raised.change, returned.change) == (Change.RAISED, Change.RETURNED)
    assert raised.severity is Severity.LOW, "one of four"
    assert HAND_FROM_H + 12.0 < hour_of(raised) < HAND_FROM_H + 16.0
    assert MENDED_H < hour_of(returned) < MENDED_H + 2.0
    assert raised.evidence.summary.startswith("Fan 2 of 4 does not stop any more: the others")
    assert raised.evidence.causes[0].slug == "hand"
    assert any("drop out" in limit for limit in raised.evidence.limits)


@pytest.mark.parametrize("name", ["as one", "slow starts", "tripping", "staged", "dead"])
def test_healthy_banks_and_other_faults_are_no_fan_in_hand(lived, name):
    """All stop by night where one only trips; a bank in stages may keep its lead fan for weeks."""
    assert lived[0]["fan-not-commanded"][name] == []


def test_a_fan_that_stands_is_found_by_its_sisters_that_start(lived):
    raised, returned = lived[0]["fan-not-proven"]["dead"]
    assert (raised.change, returned.change) == (Change.RAISED, Change.RETURNED)
    assert HAND_FROM_H + 6.0 < hour_of(raised) < HAND_FROM_H + 10.0
    assert MENDED_H < hour_of(returned) < MENDED_H + 2.0
    assert raised.evidence.summary.startswith("Fan 2 of 4 does not start any more: the others")
    assert raised.evidence.causes[0].slug == "contactor"


@pytest.mark.parametrize("name", ["as one", "slow starts", "in hand", "staged"])
def test_no_fan_is_missed_that_starts_with_its_sisters(lived, name):
    assert lived[0]["fan-not-proven"][name] == []


def test_the_habit_is_known_of_banks_without_stages_alone(lived):
    assert lived[1] == {
        "as one": True, "in hand": True, "slow starts": True, "tripping": True, "staged": False,
        "dead": True,
    }  # fmt: skip


def test_a_fan_in_hand_makes_no_stages(lived):
    """Else the airflow would be taken from it, and the coil blamed for what the bank does."""
    assert not lived[2]["in hand"]
    assert lived[2]["staged"]


def habitual() -> Feed:
    feed = Feed(engine_of())
    for n in range(4 * 288):
        feed.run(300.0, step_s=300.0, fan_speed=None, fan_fault=None, fan_run=15.0 * (n % 14 < 8))
    assert starts_as_one(feed.engine.state, np.array([0]))
    return feed


def test_after_work_on_the_fans_the_habit_is_learned_anew():
    feed = habitual()
    feed.engine.act(Action(1, ActionKind.CLEANED, 0, "", feed.now_ms, "R. Marsh", parts=("fans",)))
    assert not starts_as_one(feed.engine.state, np.array([0]))


def test_a_bank_that_is_switched_in_stages_from_now_on_is_no_fan_in_hand():
    """A controller was set anew: the lead fan runs on, but not always the same ones with it."""
    feed = habitual()
    for n in range(3 * 288):
        part = (0b0001, 0b0011, 0b0111, 0b1111)[n // 6 % 4]
        feed.run(300.0, step_s=300.0, fan_speed=None, fan_fault=None, fan_run=float(part))
    assert "fan-not-commanded" not in feed.raised()
    assert not starts_as_one(feed.engine.state, np.array([0]))


def test_a_hot_day_longer_than_ever_before_is_waited_for():
    """What the longest time between two changes was is the unit's own."""
    state = habitual().engine.state
    one = np.array([0])
    state.gang_set[0], state.gang_stops[0], state.gang_last[0] = HAND, 9, 2
    state.gang_bins[0], state.gang_longest_bins[0] = 150, 160
    assert unstopped_fans(state, one, np.array([4.0]), np.array([43_200.0])) == 0
    state.gang_longest_bins[0] = 140
    assert unstopped_fans(state, one, np.array([4.0]), np.array([43_200.0])) == HAND
