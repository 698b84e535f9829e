"""Fans that take turns without a speed command, and one that is in hand: it leads for ever.

The banks are those of ``fan_banks`` that are switched by a list.
"""

from __future__ import annotations

import pytest
from fan_banks import BANKS, ILL_FROM_H, MENDED_H, fan_lives
from lives import Life
from side_by_side import hour_of

from rules.events import Change, Severity
from rules.faults.fans import FAN_NOT_PROVEN


@pytest.fixture(scope="module")
def lived() -> dict[str, Life]:
    return fan_lives()


@pytest.mark.parametrize(
    ("name", "severity"), [("two, in hand", Severity.MEDIUM), ("four, in hand", Severity.LOW)]
)
def test_a_fan_that_leads_for_ever_is_in_hand(lived, name, severity):
    raised, returned = lived[name].of("fan-not-commanded")
    assert (raised.change, returned.change) == (Change.RAISED, Change.RETURNED)
    assert raised.severity is severity
    assert ILL_FROM_H + 24.0 < hour_of(raised) < MENDED_H
    assert MENDED_H < hour_of(returned) < MENDED_H + 24.0
    evidence = raised.evidence
    assert evidence.summary.startswith(f"Fan 1 of {BANKS[name].fans} does not stop any more")
    assert evidence.causes[0].slug == "hand"
    rest = evidence.readings[1]
    assert rest.measured > 12.0 + 2.0 * rest.high


@pytest.mark.parametrize("name", ["two, in hand", "four, in hand", "two, in hand, mild later"])
def test_the_others_miss_no_turn_beside_it(lived, name):
    """They are not wanted; and when it is mended their waits begin anew."""
    assert lived[name].of("fan-not-commanded")
    assert lived[name].of("fan-not-proven") == []


@pytest.mark.parametrize("name", ["two", "four", "two, a hot week", "two by starts, a hot week"])
def test_fans_that_take_turns_are_in_order(lived, name):
    """In a hot week a bank that changes its lead at starts from rest alone does not change it."""
    assert lived[name].of("fan-not-commanded") == []
    assert lived[name].of("fan-not-proven") == []


def test_where_the_other_never_runs_both_causes_are_named(lived):
    """A dead fan and one that is not wanted beside a fan in hand look the same then."""
    assert lived["two, in hand, mild"].of("fan-not-commanded") == []
    raised, *_ = lived["two, in hand, mild"].of("fan-not-proven")
    evidence = raised.evidence
    assert evidence.summary.startswith("Fan 2 of 2 takes its turn no more")
    assert evidence.summary.endswith(
        "Or fan 1, which never rested, is in hand, and it is not wanted."
    )
    assert {c.slug for c in evidence.causes[:2]} == {"contactor", "hand"}
    assert {c.slug for c in evidence.causes} <= {c.slug for c in FAN_NOT_PROVEN.fault.causes}


def test_after_work_on_the_fans_their_lead_is_learned_anew(lived):
    (_, before), (_, after) = lived["worked on, in turns"].known
    assert before[0] > 0
    assert after == (0, 0.0, 0)
