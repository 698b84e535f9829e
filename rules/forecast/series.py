"""The series of daily figures that a forecast rests on: one witness, one baseline, one clean start.

A cleaning, a new baseline, another witness, a leap upwards that nobody wrote down or a fall at once
begin a new series: a line through both sides of a step would be the slope of the step, and no wear.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

import numpy as np

__all__ = ["Figure", "cut", "stretches"]

LEAP_FIGURES: Final = 4
"""Figures on either side whose medians tell a leap."""
LEAP_PCT: Final = 20.0
"""Least rise of the condition that is taken for a cleaning that nobody wrote down (judgement)."""
LEAP_SDS: Final = 4.0
FALL_SHARE: Final = 0.8
"""Of a fall of the medians on either side, so much came in one day: something covers the part or
broke, where wear takes its days (judgement)."""


@dataclass(frozen=True)
class Figure:
    """One day's figure, as far as the forecast needs it (:class:`rules.condition.PartCondition`).

    ``raw_pct`` [%], ``uncertainty_pct`` [%, one standard deviation], ``time_ms`` [ms since 1970].
    """

    time_ms: int
    raw_pct: float
    uncertainty_pct: float
    basis: str = ""
    baseline_ms: int = 0


def cut(figures: Sequence[Figure], cleaned_ms: Sequence[int] = ()) -> tuple[list[Figure], str]:
    """The newest unbroken stretch of the figures, and in words what it begins with.

    Empty where the part was cleaned after the newest of them.

    Parameters
    ----------
    figures : sequence of Figure
        In order of time.
    cleaned_ms : sequence of int
        When the part was cleaned. [ms since 1970, UTC]
    """
    if not figures:
        return [], ""
    newest = max(cleaned_ms, default=None)
    if newest is not None and newest > figures[-1].time_ms:
        return [], "since it was cleaned"
    last, begin, why = figures[-1], 0, ""
    for i in range(len(figures) - 1, -1, -1):
        one = figures[i]
        if one.basis != last.basis:
            begin, why = i + 1, f"since it is judged by {last.basis}"
            break
        if one.baseline_ms != last.baseline_ms:
            begin, why = i + 1, "since its clean state was learned anew"
            break
    if begin < len(figures) and newest is not None and figures[begin].time_ms <= newest:
        begin = next(i for i, one in enumerate(figures) if one.time_ms >= newest)
        # A figure whose day holds the cleaning mixes both states.
        begin, why = begin + 1, "since it was cleaned"
    rest = list(figures[begin:])
    leap, fall = _leap(rest), _fall(rest)
    if leap > fall:
        why = "since its condition leapt up, as after a cleaning"
    elif fall:
        why = "since its condition fell at once, which is no wear"
    return rest[max(leap, fall) :], why


def stretches(figures: Sequence[Figure], cleaned_ms: Sequence[int] = ()) -> list[Sequence[Figure]]:
    """All unbroken stretches, the oldest first, cut in the same way."""
    out: list[Sequence[Figure]] = []
    left = list(figures)
    while left:
        newest, _ = cut(left, [t for t in cleaned_ms if t <= left[-1].time_ms])
        begin = len(left) - max(len(newest), 1)
        if newest:
            out.append(newest)
        left = left[:begin]
    return out[::-1]


def _leap(figures: Sequence[Figure]) -> int:
    """Where the newest leap upwards ends, 0 where there is none."""
    y = [one.raw_pct for one in figures]
    sd = [one.uncertainty_pct for one in figures]
    k = LEAP_FIGURES
    risen = np.flatnonzero(np.diff(y, prepend=np.nan) >= 0.5 * LEAP_PCT)
    for i in risen[(risen >= k) & (risen <= len(y) - k)][::-1].tolist():
        step = median(y[i : i + k]) - median(y[i - k : i])
        least = max(LEAP_PCT, LEAP_SDS * median(sd[i - k : i + k]))
        if step >= least and y[i] - y[i - 1] >= 0.5 * step:
            return int(i)
    return 0


def _fall(figures: Sequence[Figure]) -> int:
    """Where the newest fall at once ends, 0 where there is none.

    Asked for more than a leap upwards: wear goes this way by itself.
    """
    y = [one.raw_pct for one in figures]
    sd = [one.uncertainty_pct for one in figures]
    k = LEAP_FIGURES
    fallen = np.flatnonzero(np.diff(y, prepend=np.nan) <= -LEAP_PCT)
    for i in fallen[(fallen >= k) & (fallen <= len(y) - k)][::-1].tolist():
        before, after = y[i - k : i], y[i : i + k]
        step = median(before) - median(after)
        scatter = max(median(sd[i - k : i + k]), _scatter(before), _scatter(after))
        if step >= max(LEAP_PCT, LEAP_SDS * scatter) and y[i - 1] - y[i] >= FALL_SHARE * step:
            return int(i)
    return 0


def _scatter(values: Sequence[float]) -> float:
    """Robust standard deviation."""
    middle = median(values)
    return 1.4826 * median(abs(v - middle) for v in values)
