"""The performance figures at their boundaries and on worked examples.

The limits are those of ISA-18.2 / IEC 62682, from memory where no other source stands beside a
test; the counts of the examples were made by hand.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.alarm_figures import BIN_MS, DAY_MS, HOUR_MS, MINUTE_MS, alarm_figures, floods
from rules.events import AlarmEvent, AlarmState, Change, Severity

T0 = 1_767_225_600_000  # 2026-01-01 00:00 UTC


def event(minute, change=Change.RAISED, row=0, fault="fan-fault", severity=Severity.MEDIUM):
    state = {
        Change.RAISED: AlarmState.UNACKNOWLEDGED, Change.ACKNOWLEDGED: AlarmState.ACKNOWLEDGED,
    }.get(change, AlarmState.NORMAL)  # fmt: skip
    at = T0 + int(minute * MINUTE_MS)
    return AlarmEvent(row, fault, at, change, state, severity, at)


def figures(events, hours=24.0, **options):
    return alarm_figures(events, T0, T0 + int(hours * HOUR_MS), **options)


# ISA-18.2: a flood starts when a ten-minute period has more than 10 alarms (as a university's
# research page quotes it) and ends when one has fewer than 5 (as a secondary page quotes it).
@pytest.mark.parametrize(
    ("counts", "expected"),
    [
        ([10], []),
        ([11], [(0, 1)]),
        ([11, 5], [(0, 2)]),
        ([11, 5, 4], [(0, 2)]),
        ([11, 4, 11, 9, 0], [(0, 1), (2, 4)]),
        ([0, 10, 12, 6, 5, 4, 6], [(2, 5)]),
    ],
)
def test_a_flood_starts_above_ten_and_ends_below_five(counts, expected):
    found = floods(counts, T0)
    assert [((f.start_ms - T0) // BIN_MS, (f.end_ms - T0) // BIN_MS) for f in found] == expected


def test_the_worked_bins():
    """Alarms at these minutes fall into ten-minute periods of 11, 2 and 1 (worked by hand)."""
    minutes = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 9.5, 15, 18, 25]
    found = figures([event(m, row=i) for i, m in enumerate(minutes)], hours=0.5)
    assert found.peak_ten_minutes == 11
    assert found.peak_ms == T0
    assert found.per_ten_minutes == pytest.approx(14 / 3)
    (flood,) = found.floods
    assert (flood.start_ms, flood.end_ms, flood.announcements) == (T0, T0 + BIN_MS, 11)
    assert found.flood_time_pct == pytest.approx(100 / 3)
    assert found.busy_periods_pct == pytest.approx(100 / 3)


def test_rates_are_for_each_operator():
    """HSE Chemicals Sheet 6, citing EEMUA 191: at most one in ten minutes; 144 = 24 x 6 a day."""
    events = [event(10 * i, row=i) for i in range(144)]
    one, two = figures(events), figures(events, operators=2)
    assert (one.per_ten_minutes, one.per_hour, one.per_day) == pytest.approx((1, 6, 144))
    assert two.per_day == pytest.approx(72)
    assert one.floods == ()


@pytest.mark.parametrize(("n", "busy"), [(30, 0.0), (31, 100 / 24)])
def test_an_hour_is_busy_above_thirty(n, busy):
    found = figures([event(i, row=i) for i in range(n)])
    assert found.busy_hours_pct == pytest.approx(busy)


@pytest.mark.parametrize(("seconds", "chatters"), [(60.0, True), (60.1, False)])
def test_three_raises_of_one_alarm_within_a_minute_chatter(seconds, chatters):
    at = [0, seconds / 120, seconds / 60]
    found = figures([event(m) for m in at])
    assert bool(found.chattering) is chatters
    assert figures([event(m, row=i) for i, m in enumerate(at)]).chattering == ()


def test_an_alarm_that_returns_before_anyone_can_act_is_fleeting():
    found = figures([event(5), event(6, Change.RETURNED), event(9), event(12, Change.RETURNED)])
    assert [(f.fault, f.times) for f in found.fleeting] == [("fan-fault", 1)]


def test_an_alarm_is_stale_after_a_day_and_the_most_at_once_are_counted():
    events = [event(0, row=0), event(60, row=1), event(120, row=2)]
    events.append(event(30 * 60, Change.RETURNED, row=0))
    found = figures(events, hours=48)
    assert found.stale_most == 3
    assert [(s.unit_row, s.days) for s in found.stale] == [(1, 1), (2, 1)]
    assert figures(events, hours=24).stale == ()


def test_an_alarm_that_stood_before_the_period_is_stale_in_it():
    found = alarm_figures([event(0)], T0 + 3 * DAY_MS, T0 + 4 * DAY_MS)
    assert (found.announcements, found.stale_most, len(found.stale)) == (0, 1, 1)
    assert found.top_ten_pct is None


def test_shares_of_priority_and_of_the_ten_most_frequent():
    events = [event(i, row=i % 20, severity=Severity.LOW) for i in range(80)]
    events += [event(100 + i, severity=Severity.MEDIUM) for i in range(15)]
    events += [event(200 + i, severity=Severity.HIGH) for i in range(5)]
    found = figures(events)
    assert found.priority_pct == pytest.approx({"low": 80, "medium": 15, "high": 5})
    assert found.top_ten[0].announcements == 4 + 20
    assert found.top_ten_pct == pytest.approx(24 + 9 * 4)


def test_the_time_to_acknowledge_is_told_by_priority():
    events = [event(0), event(4, Change.ACKNOWLEDGED), event(10, row=1),
              event(20, Change.ACKNOWLEDGED, row=1)]  # fmt: skip
    assert figures(events).acknowledged_median_s == {"medium": 420.0}


def test_a_period_or_operators_that_cannot_be_are_refused():
    with pytest.raises(ValueError, match="the period is empty"):
        alarm_figures([], T0, T0)
    with pytest.raises(ValueError, match="operators is 0"):
        figures([], operators=0)


@given(
    st.lists(
        st.tuples(st.integers(0, 1439), st.sampled_from(list(Change)), st.integers(0, 3)),
        max_size=80,
    )
)
def test_any_journal_gives_figures_that_can_be(rows):
    events = [event(m, change, row) for m, change, row in sorted(rows, key=lambda r: r[0])]
    found = figures(events)
    assert 0 <= found.flood_time_pct <= 100
    assert found.peak_ten_minutes <= found.announcements
    assert sum(f.announcements for f in found.top_ten) <= found.announcements
    assert found.stale_most <= 4
    assert found.to_json()["announcements"] == found.announcements
