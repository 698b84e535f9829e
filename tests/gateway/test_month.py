"""Months by the clock of a place."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.month import Month

ZONES = ("UTC", "Europe/Lisbon", "America/New_York", "Asia/Kolkata", "Pacific/Auckland")


@given(st.integers(0, 4_000_000_000_000), st.sampled_from(ZONES))
def test_every_moment_is_in_one_month(time_ms: int, name: str) -> None:
    zone = ZoneInfo(name)
    month = Month.of(time_ms, zone)
    assert month.start_ms(zone) <= time_ms < month.end_ms(zone)
    assert month.before.after == month == month.after.before
    assert Month.parse(str(month)) == month


def test_a_month_is_as_long_as_its_clock_changes_make_it() -> None:
    """Europe ends summer time on the last Sunday of October (Directive 2000/84/EC)."""
    lisbon, october = ZoneInfo("Europe/Lisbon"), Month(2026, 10)
    assert october.end_ms(lisbon) - october.start_ms(lisbon) == (31 * 24 + 1) * 3_600_000
    assert october.title == "October 2026"


@pytest.mark.parametrize(
    "text", ["2026-13", "2026-0", "October", "2026-1", "0001-01", "", "2026-10-1"]
)
def test_what_is_no_month_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(ValueError, match="for instance 2026-10"):
        Month.parse(text)
