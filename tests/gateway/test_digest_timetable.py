"""When lists are due: the clock on the wall, over the changes to and from summer time."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import pytest

from gateway.digests.timetable import Timetable

LISBON = ZoneInfo("Europe/Lisbon")
EVERY_DAY = frozenset(range(7))
WORKDAYS = frozenset(range(5))


def ms(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def text(time_ms: int | None) -> str:
    assert time_ms is not None
    return datetime.fromtimestamp(time_ms / 1000, UTC).strftime("%Y-%m-%dT%H:%M")


def test_the_next_working_day_after_a_weekend_and_a_holiday() -> None:
    """1 May 2026 is a Friday; the calendar of 2026."""
    table = Timetable((time(7),), WORKDAYS, LISBON, frozenset({date(2026, 5, 1)}))
    assert text(table.next_after_ms(ms("2026-04-29T10:00"))) == "2026-04-30T06:00"
    assert text(table.next_after_ms(ms("2026-04-30T06:00"))) == "2026-05-04T06:00"
    assert text(table.next_after_ms(ms("2026-04-30T05:59"))) == "2026-04-30T06:00"


def test_several_times_a_day_come_in_their_order() -> None:
    table = Timetable((time(22), time(6), time(14)), EVERY_DAY, ZoneInfo("UTC"))
    at, found = ms("2026-01-01T00:00"), []
    for _ in range(4):
        following = table.next_after_ms(at)
        assert following is not None
        at = following
        found.append(text(at))
    assert found == [
        "2026-01-01T06:00", "2026-01-01T14:00", "2026-01-01T22:00", "2026-01-02T06:00",
    ]  # fmt: skip


def courses(table: Timetable, begin: str, end: str) -> list[str]:
    at, found = ms(begin), []
    while (following := table.next_after_ms(at)) is not None and following < ms(end):
        assert following > at
        at = following
        found.append(text(at))
    return found


def test_summer_and_winter_have_one_each_day() -> None:
    """Directive 2000/84/EC: in the EU clocks change at 01:00 UTC on the last Sundays of March and
    October, in 2026 the 29th and the 25th.
    """
    table = Timetable((time(7),), EVERY_DAY, LISBON)
    assert courses(table, "2026-03-28T00:00", "2026-03-31T00:00") == [
        "2026-03-28T07:00", "2026-03-29T06:00", "2026-03-30T06:00",
    ]  # fmt: skip
    assert courses(table, "2026-10-24T00:00", "2026-10-27T00:00") == [
        "2026-10-24T06:00", "2026-10-25T07:00", "2026-10-26T07:00",
    ]  # fmt: skip


def test_an_hour_that_is_left_out_or_comes_twice_counts_once() -> None:
    table = Timetable((time(1, 30),), EVERY_DAY, LISBON)
    assert courses(table, "2026-10-24T12:00", "2026-10-26T12:00") == [
        "2026-10-25T00:30", "2026-10-26T01:30",
    ]  # fmt: skip
    spring = courses(table, "2026-03-28T12:00", "2026-03-30T12:00")
    assert [day[:10] for day in spring] == ["2026-03-29", "2026-03-30"]


@pytest.mark.parametrize("zone", ["Europe/Lisbon", "America/Denver", "Australia/Lord_Howe"])
def test_a_year_has_each_day_once(zone: str) -> None:
    table = Timetable((time(2, 15),), EVERY_DAY, ZoneInfo(zone))
    found = courses(table, "2026-01-01T12:00", "2026-12-31T12:00")
    local = [
        datetime.fromisoformat(t).replace(tzinfo=UTC).astimezone(ZoneInfo(zone)).date()
        for t in found
    ]
    assert len(local) == len(set(local)) == 364


def test_a_calendar_that_is_always_closed_has_no_next() -> None:
    closed = frozenset(date.fromordinal(date(2026, 1, 1).toordinal() + n) for n in range(1100))
    assert Timetable((time(7),), frozenset({0}), LISBON, closed).next_after_ms(
        ms("2026-01-01T00:00")
    ) == ms("2029-01-08T07:00")
