"""Fans that take turns without a speed command, and one that takes its turn no more.

The banks are those of ``fan_banks``: some start the fan that has stood longest, one goes in a fixed
order, one is read while it starts.
"""

from __future__ import annotations

import numpy as np
import pytest
from fan_banks import FANS, ILL_FROM_H, MENDED_H, fan_lives
from lives import Life
from side_by_side import hour_of

from rules.events import Change
from rules.fan_rounds import takes_turns

FAULT = "fan-not-proven"


@pytest.fixture(scope="module")
def lived() -> dict[str, Life]:
    return fan_lives()


def known(life: Life) -> bool:
    """It is known to take turns."""
    rows = np.array([life.row])
    return bool(takes_turns(life.engine.state, rows, np.array([FANS]))[0])


def test_a_fan_that_takes_its_turn_no_more_is_found_and_named(lived):
    raised, returned = lived["in turns, one fails"].of(FAULT)
    assert (raised.change, returned.change) == (Change.RAISED, Change.RETURNED)
    assert ILL_FROM_H + 12.0 < hour_of(raised) < ILL_FROM_H + 96.0
    assert MENDED_H < hour_of(returned) < MENDED_H + 24.0
    assert raised.evidence.summary.startswith("Fan 3 of 4 takes its turn no more")
    assert raised.evidence.causes[0].slug == "contactor"
    wait = raised.evidence.readings[2]
    assert wait.measured > 12.0 + 2.0 * wait.high


def test_fans_that_take_turns_are_in_order(lived):
    assert known(lived["in turns"])
    assert lived["in turns"].of(FAULT) == []


def test_turns_that_are_handed_on_from_rest_stand_still_in_a_warm_week(lived):
    """The same fans run on and on, and who is not next to the lead has no turn: for three days."""
    (raised,) = lived["five by starts, a warm week"].of(FAULT)
    assert hour_of(raised) > ILL_FROM_H + 72.0


def test_one_fan_that_is_missing_while_the_others_never_rest_is_told(lived):
    """Nobody can tell it from one that is not wanted; who looks loses little."""
    (raised,) = lived["four by starts, one dead"].of(FAULT)
    assert hour_of(raised) < ILL_FROM_H + 48.0


def test_the_last_fan_of_a_fixed_order_may_rest_for_a_week(lived):
    """Nothing tells whether it would come: it is not judged."""
    assert not known(lived["in a fixed order"])
    assert lived["in a fixed order"].of(FAULT) == []


def test_after_work_on_the_fans_the_turns_are_learned_anew(lived):
    assert [turns for turns, _ in lived["worked on, in turns"].known] == [True, False]


def test_a_shelved_fan_teaches_no_longer_round(lived):
    """The part is on order and the alarm shelved: the wait for it is no habit."""
    life = lived["shelved"]
    assert [e.fault for e in life.until("shelved") if e.change is Change.RAISED] == [FAULT]
    (usual, _), (longest, waiting) = life.known
    assert waiting == 0b1011, "the round is over"
    assert longest == usual


def test_a_command_that_is_always_zero_is_none(lived):
    """The fan is named by its missed turn."""
    life = lived["commanded zero"]
    assert life.until("learned") == []
    (event,) = life.of(FAULT)
    assert event.evidence.summary.startswith("Fan 3 of 4 takes its turn no more")


@pytest.mark.parametrize(
    ("name", "told_min"), [("caught, head unknown", 15), ("caught, ample margin", 35)]
)
def test_a_bank_caught_between_command_and_proof_is_none_that_is_gone(lived, name, told_min):
    """At an ample margin to the cut-out there is time to see whether it climbs."""
    life = lived[name]
    assert life.until("gone") == []
    assert life.raised() == [FAULT]
    assert life.events[0].time_ms - life.marks_ms["gone"] <= told_min * 60_000


@pytest.mark.parametrize(
    ("name", "told_s"),
    [("gone, each 10 s", 240), ("gone, each minute", 240), ("gone, near the cut-out", 600)],
)
def test_a_bank_that_is_seen_to_be_gone_is_told_at_once(lived, name, told_s):
    """Read often enough to see a start; or so near the cut-out that nothing may be waited for."""
    (event,) = lived[name].of(FAULT)
    assert event.time_ms - lived[name].marks_ms["gone"] <= told_s * 1000


def test_a_moment_that_comes_in_two_records_is_no_reading_twice_as_often(lived):
    raised = lived["in two records"].raised()
    assert not [fault for fault in raised if fault.startswith("fan-")]


def test_a_bank_read_at_its_starts_each_two_minutes_has_lost_no_fan_time(lived):
    assert lived["read at starts"].events == []


def test_a_bank_that_drops_out_as_one_again_and_again_is_lost_fan_time(lived):
    assert "fan-capacity-lost" in lived["drops out"].raised()
