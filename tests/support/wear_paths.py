"""Wear of parts over months, with noise: courses whose end is known, to try forecasts on.

No formula of the rules makes a course. It wears by a rate that wanders about its mean, runs
straight, faster or slower with age, and is seen through noise that follows itself from day to day,
with days missing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.forecast import DueRange, Figure, due_range

__all__ = [
    "DAY_MS",
    "FAMILIES",
    "Course",
    "Trial",
    "course",
    "forecast_trials",
    "seasonal_course",
]

DAY_MS: Final = 86_400_000
FAMILIES: Final = ("straight", "faster", "slower", "wandering", "weekly")


@dataclass(frozen=True)
class Course:
    """Daily figures: ``raw_pct`` with noise, ``sd_pct`` as stated, ``true_pct`` without noise.

    ``seen`` are the days that have a figure; ``end_day`` is when the true one reaches 0.
    """

    family: str
    raw_pct: NDArray[np.float64]
    sd_pct: NDArray[np.float64]
    true_pct: NDArray[np.float64]
    seen: NDArray[np.bool_]
    end_day: float


def course(rng: np.random.Generator, family: str) -> Course:
    """One course of a family, that reaches its limit in about 20 to 200 days."""
    days = int(np.exp(rng.uniform(np.log(25.0), np.log(180.0))))
    long = 4 * days
    t = np.arange(long, dtype=np.float64)
    power = {"faster": 1.5, "slower": 0.75}.get(family, 1.0)
    wander = {"wandering": 0.6}.get(family, 0.25)
    rate = np.empty(long)
    now = rng.normal()
    keep = 0.9
    for i in range(long):
        rate[i] = now
        now = keep * now + np.sqrt(1.0 - keep * keep) * rng.normal()
    rate = np.exp(wander * rate - 0.5 * wander**2)
    if family == "weekly":
        rate *= 1.0 + 0.6 * np.sin(2.0 * np.pi * t / 7.0 + rng.uniform(0.0, 6.0))
    age = np.cumsum(rate) / days
    wear = age**power
    true = 100.0 * (1.0 - wear)
    end = float(np.interp(1.0, wear, t))
    sd = float(np.exp(rng.uniform(np.log(1.5), np.log(10.0))))
    follow = rng.uniform(0.0, 0.6)
    noise = np.empty(long)
    last = rng.normal()
    for i in range(long):
        noise[i] = last
        last = follow * last + np.sqrt(1.0 - follow * follow) * rng.normal()
    noise *= sd
    wild = rng.random(long) < 0.02
    noise[wild] += rng.normal(0.0, 6.0 * sd, int(wild.sum()))
    seen = rng.random(long) > rng.uniform(0.0, 0.4)
    stated = np.full(long, sd * rng.uniform(0.7, 1.4))
    return Course(family, true + noise, stated, true, seen, end)


@dataclass(frozen=True)
class Trial:
    """One forecast in the midst of a course, and when the course truly ended."""

    family: str
    due: DueRange
    now_ms: int
    end_ms: float

    @property
    def inside(self) -> bool:
        """The true date lies in the range; one without an end has no late side."""
        return not self.too_late and not self.too_early

    @property
    def too_late(self) -> bool:
        """The part was at its limit before the range began."""
        return self.due.early_ms is not None and self.due.early_ms > self.end_ms

    @property
    def too_early(self) -> bool:
        """The part lasted longer than the range."""
        return self.due.late_ms is not None and self.due.late_ms < self.end_ms


def forecast_trials(rng: np.random.Generator, each: int) -> list[Trial]:
    """``each`` courses of every family, forecast when 15 to 85 % of the way are gone."""
    out = []
    for family in FAMILIES:
        for _ in range(each):
            one = course(rng, family)
            gone_pct = rng.uniform(15.0, 85.0)
            k = int(np.argmax(one.true_pct <= 100.0 - gone_pct)) + 1
            figures = [
                Figure((i + 1) * DAY_MS, float(one.raw_pct[i]), float(one.sd_pct[i]))
                for i in np.flatnonzero(one.seen[:k]).tolist()
            ]
            due = due_range("pads", figures, k * DAY_MS)
            out.append(Trial(family, due, k * DAY_MS, (one.end_day + 1.0) * DAY_MS))
    return out


def seasonal_course(
    rng: np.random.Generator, years: int
) -> tuple[list[Figure], list[int], NDArray[np.float64]]:
    """A part that wears in spring and autumn, cleaned when it is worn, and the months' true rates.

    Figures over so many years from 1 January 2023 on; when it was cleaned [ms since 1970]; (12,)
    relative rates.
    """
    rate = np.array([0.3, 0.3, 0.6, 1.8, 2.4, 1.2, 0.6, 0.5, 0.8, 2.0, 1.3, 0.4])
    rate = rate * rng.uniform(0.7, 1.3, 12)
    start = 19_358  # 2023-01-01
    month = (
        (start + np.arange(365 * years)).astype("datetime64[D]").astype("datetime64[M]").astype(int)
    ) % 12
    level, figures, cleaned_ms = 100.0, [], []
    per_day = rng.uniform(0.5, 1.1)
    for i, m in enumerate(month.tolist()):
        level -= per_day * rate[m] * np.exp(0.3 * rng.normal())
        time_ms = (start + i + 1) * DAY_MS
        figures.append(Figure(time_ms, float(level + rng.normal(0.0, 3.0)), 3.0))
        if level <= -2.0 - 3.0 * rng.random():
            level = 100.0
            cleaned_ms.append(time_ms + 3_600_000)
    return figures, cleaned_ms, rate
