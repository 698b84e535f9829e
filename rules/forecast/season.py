"""How the seasons hasten and slow the wear of a part, where a year or more of it was seen.

Pollen and seeds block a coil in spring, leaves a screen in autumn, and scale grows in the hot
months. From the falls of the condition by month of the year comes a pace: a clock that runs fast in
the months of much wear. A line is drawn, and a date found, in that clock's time.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import Final

import numpy as np

from rules.condition.figures import DAY_MS
from rules.forecast.due import Pace
from rules.forecast.series import Figure, stretches
from rules.physics._arrays import FloatArray

__all__ = ["LEAST_SPAN_DAYS", "months_of_year", "pace_of", "wear_by_month"]

LEAST_SPAN_DAYS: Final = 365
LEAST_DAYS_A_MONTH: Final = 10
LEAST_MONTHS: Final = 6
"""Months of the year with figures, below which there is no season to speak of."""
PRIOR_DAYS: Final = 20.0
"""A month counts with the weight of its days against so many of an average month."""
SLOWEST, FASTEST = 0.2, 4.0
BLOCK_DAYS: Final = 10.0
MONTHS: Final = 12
_YEARS_AHEAD_DAYS: Final = 6 * 366


def months_of_year(days: FloatArray) -> np.ndarray:
    """Month of the year, 0 to 11, of days since 1970 (UTC)."""
    months: np.ndarray = (
        np.floor(days).astype("int64").astype("datetime64[D]").astype("datetime64[M]").astype(int)
    )
    return months % MONTHS


def wear_by_month(
    figures: Sequence[Figure], cleaned_ms: Sequence[int] = ()
) -> tuple[FloatArray, FloatArray]:
    """Fall of the condition a day in each month of the year, and the days it rests on.

    Parameters
    ----------
    figures : sequence of Figure
        All there are of one part, in order of time, over cleanings and new baselines.
    cleaned_ms : sequence of int
        When the part was cleaned. [ms since 1970, UTC]

    Returns
    -------
    (12,) array, (12,) array
        Per cent a day, NaN where a month was seen for too few days; days.
    """
    falls, lasted = np.zeros(MONTHS), np.zeros(MONTHS)
    for stretch in stretches(figures, cleaned_ms):
        t = np.array([f.time_ms for f in stretch], dtype=np.float64) / DAY_MS
        y = np.array([f.raw_pct for f in stretch])
        # Medians of ten days at a time, so that neither noise nor one wild day makes a season.
        block = np.floor((t - t[0]) / BLOCK_DAYS)
        ends = np.flatnonzero(np.diff(block, append=np.inf)) + 1
        spans = list(pairwise([0, *ends.tolist()]))
        days, raw = t.tolist(), y.tolist()
        at = np.array([median(days[i:j]) for i, j in spans])
        level = np.array([median(raw[i:j]) for i, j in spans])
        for a, b, fall in zip(at[:-1], at[1:], level[:-1] - level[1:], strict=True):
            if b - a > 3.0 * BLOCK_DAYS:
                continue  # a gap says nothing of its months
            month = int(months_of_year(np.array([0.5 * (a + b)]))[0])
            falls[month] += fall
            lasted[month] += b - a
    seen = lasted >= LEAST_DAYS_A_MONTH
    return np.where(seen, falls / np.where(seen, lasted, 1.0), np.nan), lasted


def pace_of(figures: Sequence[Figure], cleaned_ms: Sequence[int] = ()) -> Pace | None:
    """The pace of wear over the year, None where less than a year or too few months were seen."""
    if len(figures) < 2 or figures[-1].time_ms - figures[0].time_ms < LEAST_SPAN_DAYS * DAY_MS:
        return None
    fall, lasted = wear_by_month(figures, cleaned_ms)
    seen = np.isfinite(fall)
    if seen.sum() < LEAST_MONTHS:
        return None
    mean = float((fall[seen] * lasted[seen]).sum() / lasted[seen].sum())
    if mean <= 0.0:
        return None
    relative = np.where(seen, fall / mean, 1.0)
    days = np.where(seen, lasted, 0.0)
    factor = (days * relative + PRIOR_DAYS) / (days + PRIOR_DAYS)
    factor = np.clip(factor, SLOWEST, FASTEST)
    first = figures[0].time_ms // DAY_MS
    grid = np.arange(first, figures[-1].time_ms // DAY_MS + _YEARS_AHEAD_DAYS, dtype=np.float64)
    worn = np.concatenate([[0.0], np.cumsum(factor[months_of_year(grid)])])
    ends = np.concatenate([grid, [grid[-1] + 1.0]])

    def pace(at: FloatArray) -> FloatArray:
        out: FloatArray = np.interp(at, ends, worn)
        return out

    return pace
