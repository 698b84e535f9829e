"""When rows came in: told by the file, by the fleet, or by their own times."""

from __future__ import annotations

import numpy as np
import pytest

from gateway.evaluation.arrival import arrival_ms

MINUTE = 60_000
T0 = 1_772_366_400_000
UNITS = 6


def fleet(minutes: int = 600, every: int = 1, jitter_s: float = 3.0):
    """(unit, stamp, arrival) of a fleet in good order, in order of arrival."""
    rng = np.random.default_rng(3)
    unit = np.tile(np.arange(UNITS), minutes // every)
    stamp = T0 + np.repeat(np.arange(0, minutes, every) * MINUTE, UNITS)
    arrived = stamp + np.round(rng.uniform(0.2, jitter_s, len(stamp)) * 1000).astype(np.int64)
    return sort(unit, stamp, arrived)


def sort(unit, stamp, arrived):
    order = np.argsort(arrived, kind="stable")
    return unit[order], stamp[order], arrived[order]


def check(unit, stamp, arrived, within_ms):
    found = arrival_ms(unit, stamp, None)
    assert (np.diff(found) >= 0).all()
    assert np.abs(found - arrived).max() <= within_ms


@pytest.mark.parametrize("every", [1, 5])
def test_a_fleet_in_good_order_comes_at_its_own_times(every):
    check(*fleet(every=every), within_ms=3000)


@pytest.mark.parametrize("every", [1, 5])
@pytest.mark.parametrize("error_min", [20, 120, -25, -3000])
def test_a_wrong_clock_is_seen_by_the_others(error_min, every):
    unit, stamp, arrived = fleet(every=every)
    wrong = (unit == 2) & (arrived > T0 + 200 * MINUTE) & (arrived < T0 + 400 * MINUTE)
    stamp = stamp + np.where(wrong, error_min * MINUTE, 0)
    check(unit, stamp, arrived, within_ms=every * MINUTE + 3000)


def test_a_clock_that_is_wrong_to_the_end_of_the_file():
    unit, stamp, arrived = fleet()
    stamp = stamp + np.where((unit == 5) & (arrived > T0 + 500 * MINUTE), 90 * MINUTE, 0)
    check(unit, stamp, arrived, within_ms=MINUTE + 3000)


def test_a_backlog_came_when_the_site_was_back():
    unit, stamp, arrived = fleet()
    kept = (unit < 3) & (arrived > T0 + 100 * MINUTE) & (arrived < T0 + 300 * MINUTE)
    arrived = np.where(kept, T0 + 301 * MINUTE + (stamp - T0) // 1000, arrived)
    check(*sort(unit, stamp, arrived), within_ms=2 * MINUTE)


def test_a_gap_of_the_whole_fleet_is_nobodys_wrong_clock():
    unit, stamp, arrived = fleet()
    later = arrived > T0 + 300 * MINUTE
    shift = np.where(later, 10_000 * MINUTE, 0)
    check(unit, stamp + shift, arrived + shift, within_ms=3000)


def test_rows_in_any_other_order_come_at_their_own_times():
    unit, stamp, _ = fleet()
    by_unit = np.lexsort((stamp, unit))
    found = arrival_ms(unit[by_unit], stamp[by_unit], None)
    np.testing.assert_array_equal(found, stamp[by_unit])
    by_day = np.lexsort((stamp, unit, (stamp - T0) // (100 * MINUTE)))
    np.testing.assert_array_equal(arrival_ms(unit[by_day], stamp[by_day], None), stamp[by_day])


def test_a_sorted_file_is_taken_as_it_is():
    unit = np.zeros(5, dtype=np.intp)
    stamp = T0 + np.array([0, 1, 1, 5, 9]) * MINUTE
    np.testing.assert_array_equal(arrival_ms(unit, stamp, None), stamp)


def test_of_two_units_nobody_knows_which_is_right():
    unit, stamp, _ = fleet()
    two = unit < 2
    unit, stamp = unit[two], stamp[two] + np.where(unit[two] == 1, 60 * MINUTE, 0)
    np.testing.assert_array_equal(arrival_ms(unit, stamp, None), stamp)


def test_what_the_file_says_counts():
    unit = np.array([0, 0, 1, 0])
    stamp = T0 + np.array([0, 1, 5, 2]) * MINUTE
    received = np.array([T0 + 9 * MINUTE, -1, -1, T0 + 12 * MINUTE])
    found = (arrival_ms(unit, stamp, received) - T0) // MINUTE
    assert found.tolist() == [9, 9, 5, 12]
