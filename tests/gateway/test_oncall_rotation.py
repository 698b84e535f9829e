"""Turns, hand-overs and overrides: nobody is ever missing, and the wall clock decides."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.oncall.rotation import Duty, Override, Rotation, duties, local_ms, on_duty

LISBON = ZoneInfo("Europe/Lisbon")
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS


def ms(text: str) -> int:
    """A UTC time as '2026-03-29T07:00'."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def weekly(*overrides: Override, hand_over: time = time(8)) -> Rotation:
    """Three people, from Monday 5 January 2026, eight in the morning in Lisbon."""
    return Rotation(
        "first", ("ana", "rui", "eva"), LISBON, date(2026, 1, 5), hand_over, 7, overrides
    )


@pytest.mark.parametrize(
    ("at", "person"),
    [
        ("2026-01-05T08:00", "ana"),
        ("2026-01-05T07:59", "eva"),  # before the first turn the order goes on backwards
        ("2026-01-12T07:59", "ana"),
        ("2026-01-12T08:00", "rui"),
        ("2026-01-26T08:00", "ana"),
        ("2025-12-22T08:00", "rui"),
    ],
)
def test_turns_change_at_the_hand_over_and_not_before(at: str, person: str):
    assert on_duty(weekly(), ms(at)).person == person


def test_a_week_over_a_change_of_the_clock_is_an_hour_shorter_or_longer():
    """Lisbon's clocks went forward on 29 March 2026 and back on 25 October 2026 at 01:00 UTC: the
    last Sundays of those months (Directive 2000/84/EC, articles 2 and 3; IANA time zone data).
    """
    spring = on_duty(weekly(), ms("2026-03-28T12:00"))
    assert (spring.from_ms, spring.until_ms) == (ms("2026-03-23T08:00"), ms("2026-03-30T07:00"))
    autumn = on_duty(weekly(), ms("2026-10-24T12:00"))
    assert (autumn.from_ms, autumn.until_ms) == (ms("2026-10-19T07:00"), ms("2026-10-26T08:00"))


def test_a_hand_over_that_the_clock_skips_or_shows_twice():
    """In Lisbon 01:30 did not exist on 29 March 2026, and came twice on 25 October."""
    assert local_ms(date(2026, 3, 29), time(1, 30), LISBON) == ms("2026-03-29T01:30")
    assert local_ms(date(2026, 10, 25), time(1, 30), LISBON) == ms("2026-10-25T00:30")
    sundays = Rotation("s", ("ana", "rui"), LISBON, date(2026, 3, 22), time(1, 30), 7)
    assert on_duty(sundays, ms("2026-03-29T01:29")).person == "ana"
    assert on_duty(sundays, ms("2026-03-29T01:30")).person == "rui"


def test_an_override_takes_the_duty_and_gives_it_back():
    rotation = weekly(Override("eva", ms("2026-01-06T10:00"), ms("2026-01-06T18:00")))
    assert list(duties(rotation, ms("2026-01-05T08:00"), ms("2026-01-12T08:00"))) == [
        Duty("ana", ms("2026-01-05T08:00"), ms("2026-01-06T10:00")),
        Duty("eva", ms("2026-01-06T10:00"), ms("2026-01-06T18:00"), by_override=True),
        Duty("ana", ms("2026-01-06T18:00"), ms("2026-01-12T08:00")),
    ]


def test_of_two_overrides_the_later_written_holds():
    rotation = weekly(
        Override("eva", ms("2026-01-06T10:00"), ms("2026-01-06T18:00")),
        Override("rui", ms("2026-01-06T12:00"), ms("2026-01-06T13:00")),
    )
    found = list(duties(rotation, ms("2026-01-06T10:00"), ms("2026-01-06T18:00")))
    assert [d.person for d in found] == ["eva", "rui", "eva"]


def test_nobody_and_no_days_are_refused():
    with pytest.raises(ValueError, match="one person"):
        Rotation("x", (), LISBON, date(2026, 1, 5), time(8))
    with pytest.raises(ValueError, match="one day"):
        Rotation("x", ("ana",), LISBON, date(2026, 1, 5), time(8), days=0)


moments = st.integers(ms("2024-01-01T00:00"), ms("2028-01-01T00:00"))
overrides = st.builds(
    lambda person, begins, hours: Override(person, begins, begins + hours * HOUR_MS),
    st.sampled_from(["ana", "rui", "eva", "guest"]),
    st.integers(ms("2026-02-01T00:00"), ms("2026-04-30T00:00")),
    st.integers(1, 400),
)
rotations = st.builds(
    Rotation,
    name=st.just("r"),
    people=st.lists(st.sampled_from(["ana", "rui", "eva"]), min_size=1, max_size=4).map(tuple),
    zone=st.sampled_from(
        [ZoneInfo(z) for z in ("UTC", "Europe/Lisbon", "America/Sao_Paulo", "Asia/Kathmandu",
                               "Australia/Lord_Howe", "Pacific/Apia")]
    ),
    first=st.dates(date(2023, 1, 1), date(2027, 12, 31)),
    hand_over=st.times(),
    days=st.integers(1, 30),
    overrides=st.lists(overrides, max_size=4).map(tuple),
)  # fmt: skip


@given(rotations, moments)
def test_there_is_always_one_person_and_the_moment_lies_within_his_duty(
    rotation: Rotation, at_ms: int
):
    duty = on_duty(rotation, at_ms)
    assert duty.from_ms <= at_ms < duty.until_ms
    assert on_duty(rotation, duty.until_ms - 1)[::3] == duty[::3]
    assert on_duty(rotation, duty.from_ms)[::3] == duty[::3]


@given(rotations, st.integers(ms("2026-02-01T00:00"), ms("2026-04-30T00:00")), st.integers(1, 90))
def test_a_range_is_covered_without_gap_or_overlap(rotation: Rotation, begins: int, days: int):
    ends = begins + days * DAY_MS
    found = list(duties(rotation, begins, ends))
    assert found[0].from_ms == begins
    assert found[-1].until_ms == ends
    for duty, later in pairwise(found):
        assert duty.until_ms == later.from_ms
        assert (duty.person, duty.by_override) != (later.person, later.by_override)
    for duty in found:
        middle = (duty.from_ms + duty.until_ms) // 2
        assert on_duty(rotation, middle).person == duty.person


@given(rotations, moments)
def test_turns_follow_the_calendar_of_the_zone(rotation: Rotation, at_ms: int):
    """Independent of how it is computed: turn k begins k times so many *days* after the first."""
    turn = rotation.turn_at(at_ms)
    shown = datetime.fromtimestamp(rotation.begins_ms(turn) / 1000, UTC).astimezone(rotation.zone)
    written = datetime.combine(
        rotation.first + timedelta(days=turn * rotation.days), rotation.hand_over
    )
    # Where the clock skips that time it shows a later one, by the length of the jump (a day where
    # a zone changed sides of the date line).
    late = shown.replace(tzinfo=None) - written
    assert timedelta(milliseconds=-1) < late <= timedelta(days=1)
