"""The date range in which a part reaches its limit: robust trend, its error, and what may come.

Theil-Sen slope and Mann-Kendall test over the daily figures since the last cleaning, both with the
variance of figures that follow each other. The rate of wear itself wanders with weather and dust
and changes with age, so the range widens with the distance. No trend is said to be none.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import NormalDist
from typing import Final

import numpy as np

from rules.condition.figures import DAY_MS
from rules.forecast.series import Figure
from rules.physics._arrays import FloatArray
from rules.trend import autocorrelation_factor, mann_kendall, theil_sen
from rules.two_samples import following_factor

__all__ = ["CONFIDENCE", "LEAST_FIGURES", "STALE_DAYS", "DueRange", "Verdict", "due_range"]

CONFIDENCE: Final = 0.8
"""The range holds the true date in so many cases; half of the others lie on each side."""
LEAST_FIGURES: Final = 8
"""Fewer days have no trend worth a date: of seven the test finds none but the steepest."""
LEAST_LOW: Final = 3
"""Figures at the limit that say that it is reached, without a trend."""
MOST_FIGURES: Final = 120
"""What lies further back says less of the rate of today."""
STALE_DAYS: Final = 30.0
"""Older figures tell nothing of today: weather, work and faults have gone on (judgement)."""
TREND_P: Final = 0.1
LAGS: Final = 7
"""Autocorrelations looked at; more of them are mostly noise in series of weeks."""
RATE_SD_FRAC: Final = 0.40
"""By so much the rate of wear ahead differs from that of the days behind, as a fraction of it:
weather, dust and age (judgement, set so that the stated range holds on simulated courses)."""
CHANGE_SD_FRAC: Final = 0.35
"""By so much the rate of the later half usually differs from that of all days (judgement)."""
AGEING: Final = 1.5
"""Half of a change of the rate that was seen is taken to go on (judgement, as above)."""
LONGEST_DAYS: Final = 3 * 365
"""No date is given further ahead than this."""
STEP_DAYS: Final = 0.5


Pace = Callable[[FloatArray], FloatArray]
"""Days since 1970 to days of wear, both rising."""


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
    1970) is the 80 % range and ``likely_ms`` its median; all three are None where there is no date
    to give, and where no end of the range can be told. ``reason`` says the verdict in a sentence.
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


@dataclass(frozen=True)
class _Line:
    """Level at the newest figure and slope a day, each with its standard deviation."""

    level: float
    level_sd: float
    slope: float
    slope_sd: float
    p: float
    """Share of cases in which chance alone shows as much of a trend."""


def due_range(
    part: str,
    figures: Sequence[Figure],
    now_ms: int,
    since: str = "",
    pace: Pace | None = None,
) -> DueRange:
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
    pace : callable, optional
        Days since 1970 to days of wear, rising: how the seasons hasten and slow the wear
        (:func:`rules.forecast.season.pace_of`). Left out, all days are alike.
    """
    figures = figures[-MOST_FIGURES:]
    n = len(figures)
    if not n:
        why = f"No figure of its condition is known{' ' + since if since else ''}."
        return DueRange(part, None, None, None, None, None, Verdict.TOO_LITTLE, why)
    old = (now_ms - figures[-1].time_ms) / DAY_MS
    if old > STALE_DAYS:
        why = (
            f"The newest figure of its condition is {old:.0f} days old: how it is now is not known."
        )
        return DueRange(part, None, None, None, None, None, Verdict.TOO_LITTLE, why, None, n,
                        figures[0].time_ms)  # fmt: skip
    days = np.array([f.time_ms for f in figures], dtype=np.float64) / DAY_MS
    y = np.array([f.raw_pct for f in figures])
    behind = f"{n} daily figures{' ' + since if since else ''}"
    recent = min(n, 5)
    newest = float(np.median(y[-recent:]))
    newest_sd = float(np.median([f.uncertainty_pct for f in figures[-recent:]]))
    plain = DueRange(part, _cut(newest), newest_sd, None, None, None, Verdict.TOO_LITTLE,
                     f"There are {behind}; a trend is looked for from {LEAST_FIGURES} on.",
                     None, n, figures[0].time_ms)  # fmt: skip
    if n >= LEAST_LOW and newest <= 0.0:
        why = f"The median of the newest {recent} daily figures is {newest:.0f} %."
        return replace(plain, verdict=Verdict.THERE, reason=why)
    if n < LEAST_FIGURES:
        return plain
    worn = days if pace is None else pace(days)
    line = _line(worn, y)
    if line.p > TREND_P or line.slope >= 0.0:
        why = (
            f"It does not fall: {line.slope:+.2f} % a day over {behind}; chance alone would show "
            f"as much in {100.0 * line.p:.0f} of 100 cases."
        )
        return replace(plain, verdict=Verdict.NO_TREND, reason=why)
    return _dated(plain, line, days, worn, now_ms / DAY_MS, behind, pace)


def _dated(
    plain: DueRange,
    line: _Line,
    days: FloatArray,
    worn: FloatArray,
    now: float,
    behind: str,
    pace: Pace | None,
) -> DueRange:
    """The range that follows from the line; nothing lies before ``now``. [days since 1970]"""
    ahead = np.arange(0.0, LONGEST_DAYS + STEP_DAYS, STEP_DAYS)
    far = ahead if pace is None else pace(days[-1] + ahead) - worn[-1]
    early, likely, late = (
        None
        if h is None or h > far[-1]
        else int(max(days[-1] + float(np.interp(h, far, ahead)), now) * DAY_MS)
        for h in _when(line)
    )
    rate = f"{line.slope:+.2f} % a day over {behind}"
    passed = float(np.interp(max(now - days[-1], 0.0), ahead, far))
    level = line.level + line.slope * passed
    here = replace(
        plain, condition_pct=_cut(level), uncertainty_pct=line.level_sd, per_day_pct=line.slope
    )
    if level <= 0.0:
        why = f"By its trend, {rate}, it has reached its limit."
        return replace(here, verdict=Verdict.THERE, reason=why)
    if early is None:
        why = f"It falls so slowly, {rate}, that no date within {LONGEST_DAYS // 365} years is due."
        return replace(plain, verdict=Verdict.NO_TREND, reason=why)
    if likely is None or late is None:
        why = (
            f"It falls, {rate}, but so slowly or unevenly that no end of the range within "
            f"{LONGEST_DAYS // 365} years can be told: it may stop falling."
        )
        return replace(plain, verdict=Verdict.NO_TREND, reason=why)
    why = f"It falls: {rate}{', with the seasons taken into account' if pace else ''}."
    return replace(here, early_ms=early, likely_ms=likely, late_ms=late, verdict=Verdict.DUE,
                   reason=why)  # fmt: skip


_SHARES: Final = ((1.0 - CONFIDENCE) / 2.0, 0.5, (1.0 + CONFIDENCE) / 2.0)


def _line(t: FloatArray, y: FloatArray) -> _Line:
    z = _Z
    # The ranks' autocorrelations miss much of it in series of weeks, that of the first order less.
    left = y - theil_sen(t, y).slope * t
    factor = max(autocorrelation_factor(y, LAGS), following_factor(left))
    p = mann_kendall(y, factor).p
    whole = theil_sen(t, y, CONFIDENCE, factor)
    slope, slope_sd = whole.slope, (whole.high - whole.low) / (2.0 * z)
    late = t >= t[0] + 0.5 * (t[-1] - t[0])
    if late.sum() >= LEAST_FIGURES:
        # Wear that grows faster or slower with age: the half behind tells more of what comes.
        half = theil_sen(t[late], y[late], CONFIDENCE, factor)
        half_sd = (half.high - half.low) / (2.0 * z)
        change = half.slope - slope
        usual = CHANGE_SD_FRAC * slope
        share = usual**2 / (usual**2 + half_sd**2) if usual else 0.0
        step = AGEING * share
        slope_sd = float(
            np.sqrt(
                ((1.0 - step) * slope_sd) ** 2 + (step * half_sd) ** 2 + (0.5 * step * change) ** 2
            )
        )
        slope += step * change
    tail = slice(-min(len(y), max(LEAST_FIGURES, len(y) // 3)), None)
    left = y[tail] - slope * (t[tail] - t[-1])
    level = float(np.median(left))
    noise = 1.4826 * float(np.median(np.abs(left - level)))
    n = len(left)
    reach = slope_sd * (t[-1] - float(np.median(t[tail])))
    level_sd = float(np.hypot(1.2533 * noise * np.sqrt(factor / n), reach))
    return _Line(level, level_sd, slope, slope_sd, p)


def _when(line: _Line) -> list[float | None]:
    """Days of wear ahead by which the limit is passed in those shares of cases; None if never.

    Level and rate are taken apart: the level is off by plus or minus, the rate by a factor, so that
    the range reaches further beyond the likely date than before it.
    """
    rate_sd = float(np.hypot(line.slope_sd / line.slope, RATE_SD_FRAC))
    level = line.level + line.level_sd * _NODES
    rate = -line.slope * np.exp(rate_sd * _NODES)
    days = np.maximum(level[:, None], 0.0) / rate[None, :]
    order = np.argsort(days, axis=None)
    share = np.cumsum(_WEIGHTS.reshape(-1)[order]) - 0.5 * _WEIGHTS.reshape(-1)[order]
    early, likely, late = np.interp(_SHARES, share, days.reshape(-1)[order]).tolist()
    return [early, likely, None if line.slope + _Z * line.slope_sd >= 0.0 else late]


_Z: Final = NormalDist().inv_cdf((1.0 + CONFIDENCE) / 2.0)
_NODES: Final = np.linspace(-3.0, 3.0, 61)
_DENSITY: Final = np.exp(-0.5 * _NODES**2) / np.exp(-0.5 * _NODES**2).sum()
_WEIGHTS: Final = _DENSITY[:, None] * _DENSITY[None, :]


def _cut(value: float) -> float:
    return min(max(value, 0.0), 100.0)
