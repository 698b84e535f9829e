"""Trend and change tools on a recorded series: two months of hourly flow in a water main.

The series is the one that the package ``river`` ships (1,268 hourly values, March to May 2022, with
two interruptions; unit not stated). What it shows: the daily medians drift up by some 2 % in two
months, and the trend test is sure of it, although nobody would act on it. So significance alone
must never make an alarm. The two interrupted days do not move the robust slope; a least-squares
line they do move, and the change chart signals them on the day.
"""

from __future__ import annotations

import csv
from datetime import datetime
from importlib import resources

import numpy as np
import pytest
from scipy import stats

from rules.trend import cusum, mann_kendall, theil_sen

INTERRUPTED = [4, 38]
"""Days on which the flow fell by half, counted from the first; seen by eye in the data."""


@pytest.fixture(scope="module")
def daily() -> np.ndarray:
    with (resources.files("river.datasets") / "water-flow.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    names = list(rows[0])
    time = [datetime.fromisoformat(row[names[0]].replace("Z", "+00:00")) for row in rows]
    flow = np.array([float(row[names[1]]) for row in rows])
    day = np.array([(t - time[0]).days for t in time])
    return np.array([np.median(flow[day == k]) for k in range(day.max() + 1)])


def test_the_drift_is_small_certain_and_as_scipy_says(daily):
    t = np.arange(len(daily))
    slope = theil_sen(t, daily)
    theirs = stats.theilslopes(daily, t, 0.95)
    assert slope.slope == pytest.approx(theirs.slope)
    assert (slope.low, slope.high) == pytest.approx((theirs.low_slope, theirs.high_slope))
    assert 0.01 < slope.slope * len(daily) / np.median(daily) < 0.04
    assert mann_kendall(daily).p < 1e-4


def test_two_interrupted_days_do_not_move_the_robust_slope(daily):
    t = np.arange(len(daily))
    kept = np.delete(t, INTERRUPTED)
    robust = theil_sen(t, daily).slope, theil_sen(kept, daily[kept]).slope
    fitted = np.polyfit(t, daily, 1)[0], np.polyfit(kept, daily[kept], 1)[0]
    assert abs(robust[0] / robust[1] - 1.0) < 0.1
    assert abs(fitted[0] / fitted[1] - 1.0) > 0.3


def test_the_change_chart_signals_the_interruption_on_its_day(daily):
    before = daily[: INTERRUPTED[0]]
    spread = 1.4826 * np.median(np.abs(daily - np.median(daily)))
    found = cusum(daily, float(np.median(before)), 0.5 * spread, 5.0 * spread)
    assert int(found.first_low) == INTERRUPTED[0]
    # And on the way up it signals the drift, long before the end of the record.
    assert 0 < int(found.first_high) < len(daily) - 7
