"""Fans that start and stop as one without a speed command, and one that stops no more.

The banks are those of ``fan_banks`` that one contact switches.
"""

from __future__ import annotations

import numpy as np
import pytest
from fan_banks import FANS, GANG_HAND, GANG_ILL_FROM_H, GANG_MENDED_H, fan_lives
from lives import Life
from side_by_side import hour_of

from rules.events import Change, Severity
from rules.fan_gang import starts_as_one, unstopped_fans
from rules.staging import is_stepped

IN_HAND, DEAD = "gang, one in hand", "gang, one dead"


@pytest.fixture(scope="module")
def lived() -> dict[str, Life]:
    return fan_lives()


def test_a_fan_in_hand_is_found_by_its_sisters_that_stop(lived):
    raised, returned = lived[IN_HAND].of("fan-not-commanded")
    assert (raised.change, returned.change) == (Change.RAISED, Change.RETURNED)
    assert raised.severity is Severity.LOW, "one of four"
    assert GANG_ILL_FROM_H + 12.0 < hour_of(raised) < GANG_ILL_FROM_H + 16.0
    assert GANG_MENDED_H < hour_of(returned) < GANG_MENDED_H + 2.0
    assert raised.evidence.summary.startswith("Fan 2 of 4 does not stop any more: the others")
    assert raised.evidence.causes[0].slug == "hand"
    assert any("drop out" in limit for limit in raised.evidence.limits)


@pytest.mark.parametrize(
    "name", ["as one", "slow starts", "caught at starts", "tripping", "staged", "stepwise", DEAD]
)
def test_healthy_banks_and_other_faults_are_no_fan_in_hand(lived, name):
    """All stop by night where one only trips; a bank in stages may keep its lead fan for weeks."""
    assert lived[name].of("fan-not-commanded") == []


def test_a_fan_that_stands_is_found_by_its_sisters_that_start(lived):
    raised, returned = lived[DEAD].of("fan-not-proven")
    assert (raised.change, returned.change) == (Change.RAISED, Change.RETURNED)
    assert GANG_ILL_FROM_H + 6.0 < hour_of(raised) < GANG_ILL_FROM_H + 10.0
    assert GANG_MENDED_H < hour_of(returned) < GANG_MENDED_H + 2.0
    assert raised.evidence.summary.startswith("Fan 2 of 4 does not start any more: the others")
    assert raised.evidence.causes[0].slug == "contactor"


@pytest.mark.parametrize(
    "name", ["as one", "slow starts", "caught at starts", IN_HAND, "staged", "stepwise"]
)
def test_no_fan_is_missed_that_starts_with_its_sisters(lived, name):
    assert lived[name].of("fan-not-proven") == []


def test_the_habit_is_known_of_banks_without_stages_alone(lived):
    known = {
        "as one": True, IN_HAND: True, "slow starts": True, "caught at starts": True,
        "tripping": True, "staged": False, "stepwise": False, DEAD: True,
    }  # fmt: skip
    rows = np.array([lived[name].row for name in known])
    found = starts_as_one(lived["as one"].engine.state, rows).tolist()
    assert dict(zip(known, found, strict=True)) == known


def test_a_fan_in_hand_makes_no_stages(lived):
    """Else the airflow would be taken from it, and the coil blamed for what the bank does."""
    rows = np.array([lived[name].row for name in (IN_HAND, "staged")])
    stepped = is_stepped(lived[IN_HAND].engine.state, rows, np.full(2, FANS))
    assert stepped.tolist() == [False, True]


def test_after_work_on_the_fans_the_habit_is_learned_anew(lived):
    assert lived["worked on, as one"].known == [True, False]


def test_a_bank_that_is_switched_in_stages_from_now_on_is_no_fan_in_hand(lived):
    """A controller was set anew: the lead fan runs on, but not always the same ones with it."""
    life = lived["staged from now on"]
    assert "fan-not-commanded" not in life.raised()
    assert life.known == [True, False]


def test_a_hot_day_longer_than_ever_before_is_waited_for(lived):
    """What the longest time between two changes was is the unit's own."""
    life = lived["switched as one"]
    state, row = life.engine.state, life.row
    one = np.array([row])
    assert starts_as_one(state, one)
    state.gang_set[row], state.gang_stops[row], state.gang_last[row] = GANG_HAND, 9, 2
    state.gang_bins[row], state.gang_longest_bins[row] = 150, 160
    assert unstopped_fans(state, one, np.array([4.0]), np.array([43_200.0])) == 0
    state.gang_longest_bins[row] = 140
    assert unstopped_fans(state, one, np.array([4.0]), np.array([43_200.0])) == GANG_HAND
