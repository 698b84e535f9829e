"""The date range in which a part reaches its limit: robust trend, its error, and what may come.

Theil-Sen slope and Mann-Kendall test over the daily figures since the last cleaning, both with the
variance that figures of one machine have, which follow each other. The rate of wear itself wanders
with weather and dust, so the range widens with the distance, too. No trend is said to be none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist
from typing import Final

import numpy as np

from rules.condition.figures import DAY_MS
from rules.forecast.series import Figure
from rules.physics._arrays import FloatArray
from rules.trend import mann_kendall, theil_sen

__all__ = ["CONFIDENCE", "LEAST_FIGURES", "DueRange", "Verdict", "due_range"]

CONFIDENCE: Final = 0.8
"""The range holds the true date in so many cases; half of the others lie on each side."""
LEAST_FIGURES: Final = 8
"""Fewer days have no trend worth a date: of seven the test finds none but the steepest."""
TREND_P: Final = 0.1
LONGEST_DAYS: Final = 3 * 365
"""No date is given further ahead than this."""


class Verdict(StrEnum):
    """What can be said of the date."""

    DUE = "date range"
    THERE = "already there"
    NO_TREND = "no trend"
    TOO_LITTLE = "too little data"


@dataclass(frozen=True)
class DueRange:
    """When a part reaches its limit (condition 0 %).

    ``condition_pct`` and ``uncertainty_pct`` (one standard deviation) are of now, by the trend
    where there is one, None where nothing is known. ``early_ms`` to ``late_ms`` (UTC, ms since
    1970) is the 80 % range and ``likely_ms`` its median; ``late_ms`` is None where no end can be
    told, all three where there is no date to give. ``reason`` says the verdict in a sentence.
    ``per_day_pct`` is the robust slope, of ``count`` daily figures since ``since_ms``.
    """

    part: str
    condition_pct: float | None
    uncertainty_pct: float | None
    early_ms: int | None
    likely_ms: int | None
    late_ms: int | None
    verdict: Verdict
    reason: str
    per_day_pct: float | None = None
    count: int = 0
    since_ms: int | None = None


def due_range(part: str, figures: Sequence[Figure], now_ms: int, since: str = "") -> DueRange:
    """The date range for one part.

    Parameters
    ----------
    part : str
        Its name, as of :data:`rules.condition.PARTS`.
    figures : sequence of Figure
        One unbroken series in order of time (:func:`rules.forecast.series.cut`).
    now_ms : int
        No date lies before it. [ms since 1970, UTC]
    since : str
        What the series begins with, in words.
    """
    n = len(figures)
    if not n:
        return DueRange(part, None, None, None, None, None, Verdict.TOO_LITTLE,
                        "No figure of its condition is known.")  # fmt: skip
    t = np.array([f.time_ms for f in figures], dtype=np.float64) / DAY_MS
    y = np.array([f.raw_pct for f in figures])
    sd = np.array([f.uncertainty_pct for f in figures])
    recent = min(n, 3)
    level = float(np.median(y[-recent:]))
    level_sd = float(np.median(sd[-recent:]))
    shown = float(np.clip(level, 0.0, 100.0))

    def told(verdict: Verdict, reason: str) -> DueRange:
        return DueRange(part, shown, level_sd, None, None, None, verdict, reason, None, n,
                        figures[0].time_ms)  # fmt: skip

    if level <= 0.0:
        return told(Verdict.THERE, f"It is at its limit: {level:.0f} % by the newest figures.")
    if n < LEAST_FIGURES:
        return told(Verdict.TOO_LITTLE,
                    f"{n} daily figures{' ' + since if since else ''}; {LEAST_FIGURES} are wanted "
                    "before a trend is looked for.")  # fmt: skip
    test = mann_kendall(y)
    line = theil_sen(t, y, CONFIDENCE)
    if test.p > TREND_P or line.slope >= 0.0:
        return told(Verdict.NO_TREND,
                    f"It does not fall: {line.slope:+.2f} % a day over {n} daily figures, which "
                    f"chance alone would show in {100.0 * test.p:.0f} of 100 cases.")  # fmt: skip
    now = now_ms / DAY_MS
    return _dated(part, figures, t, y, now, line.slope, (line.low, line.high))


def _dated(
    part: str,
    figures: Sequence[Figure],
    t: FloatArray,
    y: FloatArray,
    now: float,
    slope: float,
    interval: tuple[float, float],
) -> DueRange:
    n = len(t)
    z = NormalDist().inv_cdf(0.5 + CONFIDENCE / 2.0)
    slope_sd = (interval[1] - interval[0]) / (2.0 * z)
    end = float(t[-1])
    level = float(np.median(y - slope * (t - end)))
    noise = 1.4826 * float(np.median(np.abs(y - slope * (t - end) - level)))
    level_sd = float(np.hypot(1.2533 * noise / np.sqrt(n), slope_sd * (end - float(np.median(t)))))

    def passed(h: float) -> float:
        sd = np.hypot(level_sd, slope_sd * h) + 1e-9
        return NormalDist().cdf(-(level + slope * h) / sd)

    days = np.arange(0.0, LONGEST_DAYS + 1.0)
    share = np.maximum.accumulate(np.array([passed(h) for h in days]))
    half = (1.0 - CONFIDENCE) / 2.0
    at: list[int | None] = []
    for wanted in (half, 0.5, 1.0 - half):
        i = int(np.searchsorted(share, wanted))
        at.append(None if i >= len(days) else int(max(end + days[i], now) * DAY_MS))
    early, likely, late = at
    shown = float(np.clip(level + slope * max(now - end, 0.0), 0.0, 100.0))
    verdict = Verdict.DUE if early is not None else Verdict.NO_TREND
    reason = f"It loses {-slope:.2f} % a day, by {n} daily figures."
    return DueRange(part, shown, level_sd, early, likely, late, verdict, reason, slope, n,
                    figures[0].time_ms)  # fmt: skip
