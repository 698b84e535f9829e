"""Hours, holidays and the chain of those who are told."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.oncall.roster import DueStep, Hours, Roster, Step
from gateway.oncall.rotation import Rotation

LISBON = ZoneInfo("Europe/Lisbon")
WORKDAYS = frozenset(range(5))
ROSTER = Roster(
    LISBON,
    rotations={
        "first": Rotation("first", ("ana", "rui"), LISBON, date(2026, 1, 5), time(8)),
        "second": Rotation("second", ("eva", "ana"), LISBON, date(2026, 1, 5), time(8)),
    },
    steps={
        "high": (Step(0, ("first",)), Step(15, ("first", "second")), Step(60, ("boss",))),
        "medium": (Step(0, ("first",)), Step(120, ("second",))),
    },
    hours={"medium": Hours(WORKDAYS, time(7), time(18))},
    holidays=frozenset({date(2026, 1, 6)}),
)


def ms(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


@pytest.mark.parametrize(
    ("at", "allowed"),
    [
        ("2026-01-05T12:00", "2026-01-05T12:00"),  # Monday noon
        ("2026-01-05T06:59", "2026-01-05T07:00"),
        ("2026-01-05T17:59", "2026-01-05T17:59"),
        ("2026-01-05T18:00", "2026-01-07T07:00"),  # the 6th is a holiday
        ("2026-01-09T18:00", "2026-01-12T07:00"),  # over the week-end
        ("2026-07-03T05:30", "2026-07-03T06:00"),  # summer time: seven in Lisbon is six UTC
    ],
)
def test_medium_waits_for_its_hours(at: str, allowed: str):
    assert ROSTER.allowed_ms("medium", ms(at)) == ms(allowed)


def test_high_disturbs_at_any_time():
    assert ROSTER.allowed_ms("high", ms("2026-01-06T03:00")) == ms("2026-01-06T03:00")


def test_hours_that_end_at_midnight():
    roster = Roster(LISBON, hours={"medium": Hours(frozenset({0}), time(20), time(0))})
    assert roster.allowed_ms("medium", ms("2026-01-05T23:59")) == ms("2026-01-05T23:59")
    assert roster.allowed_ms("medium", ms("2026-01-06T00:00")) == ms("2026-01-12T20:00")


def test_a_year_of_holidays_does_not_make_it_never():
    days = frozenset(date.fromordinal(date(2026, 1, 1).toordinal() + k) for k in range(400))
    roster = Roster(LISBON, hours={"low": Hours(WORKDAYS, time(7), time(18))}, holidays=days)
    assert roster.allowed_ms("low", ms("2026-01-05T03:00")) == ms("2026-01-05T03:00")


def test_the_chain_of_a_high_ticket():
    opened = ms("2026-01-06T03:00")
    assert ROSTER.chain("high", opened) == (
        DueStep(0, opened, ("first",)),
        DueStep(1, ms("2026-01-06T03:15"), ("first", "second")),
        DueStep(2, ms("2026-01-06T04:00"), ("boss",)),
    )
    assert ROSTER.chain("low", opened) == ()


def test_a_chain_that_waits_counts_from_when_somebody_could_be_told():
    """Friday, seven in the evening: Monday at seven, and two hours later."""
    assert [s.due_ms for s in ROSTER.chain("medium", ms("2026-01-09T19:00"))] == [
        ms("2026-01-12T07:00"),
        ms("2026-01-12T09:00"),
    ]


def test_a_step_late_in_the_day_goes_on_the_next():
    assert [s.due_ms for s in ROSTER.chain("medium", ms("2026-01-08T17:30"))] == [
        ms("2026-01-08T17:30"),
        ms("2026-01-09T07:00"),
    ]


def test_names_become_the_people_on_duty_then_each_once():
    assert ROSTER.people(("first", "second", "boss"), ms("2026-01-05T09:00")) == (
        "ana", "eva", "boss",
    )  # fmt: skip
    assert ROSTER.people(("first", "second", "rui"), ms("2026-01-12T09:00")) == ("rui", "ana")


@given(
    st.integers(ms("2024-01-01T00:00"), ms("2028-01-01T00:00")),
    st.frozensets(st.integers(0, 6), min_size=1),
    st.times(max_value=time(20)),
    st.integers(1, 180),
    st.sampled_from([ZoneInfo(z) for z in ("UTC", "Europe/Lisbon", "America/St_Johns")]),
)
def test_what_is_allowed_is_never_before_and_lies_in_the_hours(
    at_ms: int, weekdays: frozenset[int], begins: time, minutes: int, zone: ZoneInfo
):
    total = begins.hour * 60 + begins.minute + minutes
    hours = Hours(weekdays, begins, time(total // 60, total % 60))
    roster = Roster(zone, hours={"medium": hours})
    allowed = roster.allowed_ms("medium", at_ms)
    assert at_ms <= allowed <= at_ms + 8 * 86_400_000
    assert roster.allowed_ms("medium", allowed) == allowed
