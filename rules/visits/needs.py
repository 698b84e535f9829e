"""What has to be done at a unit, and what it costs to do it early or late.

Owns the prices of a date. A part that is cleaned before its time has part of its run thrown
away; one that is cleaned late may have reached its limit first, which costs a trip: a unit that
cuts out, a call-out, stock that warms. Each day that it stands at its limit brings the next trip
nearer, so that what is overdue is never free to leave. All prices are in hours of a crew, so that
they add up with driving. Sources: the date range is :mod:`rules.forecast`'s; the prices are common
practice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = [
    "DAYS_OF_A_RUN",
    "TRIP_H",
    "Need",
    "chance_due",
    "early_waste_h",
    "overdue_days",
    "wait_cost_h",
]

TRIP_H: Final = 30.0
"""What a trip costs, in crew hours: call-out at night, two people, product risk (common practice;
a fleet sets its own)."""
DAYS_OF_A_RUN: Final = 90.0
"""Usual time between two cleanings of a part where no history says better (common practice)."""
_DAYS_TO_A_TRIP: Final = 30.0
"""Days at its limit after which a part has cost one more trip, in water, energy and call-outs
(common practice)."""
_LEAST_SPREAD_DAYS: Final = 0.5
_POINTS: Final = (0.1, 0.5, 0.9)


@dataclass(frozen=True)
class Need:
    """One job at one part of one unit.

    ``key`` is unique in a plan: site, unit and part with '/' between. ``job`` is a job plan's slug.
    Days count from the plan's first day, which is 0; the date range holds 80 % and may begin before
    it. ``hours`` is the time at the machine for one person who knows it. ``skills`` are words of
    :mod:`rules.visits.skills`; ``people`` is how many it takes. ``dry_pads`` says that pads are
    lifted or reached through, so that wet running must stop and the pads dry first.
    ``run_days`` is the part's usual time between cleanings; ``trip_h`` what a trip would cost, in
    crew hours. ``is_wear`` is False for a fault: mending it early throws nothing away.
    ``tickets`` are the open tickets that it answers, ``reason`` is why it is due, in a sentence.
    """

    key: str
    site: str
    unit: str
    part: str
    job: str
    early_day: float
    likely_day: float
    late_day: float
    hours: float
    skills: frozenset[str] = frozenset()
    people: int = 1
    dry_pads: bool = False
    run_days: float = DAYS_OF_A_RUN
    trip_h: float = TRIP_H
    is_wear: bool = True
    tickets: tuple[str, ...] = ()
    reason: str = ""

    def __post_init__(self) -> None:
        """Refuse a range out of order and a job that takes no time."""
        if not self.early_day <= self.likely_day <= self.late_day:
            msg = (
                f"need '{self.key}': early {self.early_day:g}, likely {self.likely_day:g} and late "
                f"{self.late_day:g} are out of order"
            )
            raise ValueError(msg)
        if not self.hours > 0 or self.people < 1 or not self.run_days > 0 or self.trip_h < 0:
            msg = f"need '{self.key}': hours, people and run_days must be above 0, trip_h not below"
            raise ValueError(msg)


def chance_due(need: Need, day: float) -> float:
    """Chance that the part has reached its limit by the beginning of ``day``, 0 to 1.

    Piecewise linear through the three points of the date range, 10, 50 and 90 %, and on beyond
    them at the same slope until it is 0 or 1.

    Examples
    --------
    >>> need = Need("s/u/pads", "s", "u", "pads", "pads", 10, 20, 40, 2.0)
    >>> [chance_due(need, day) for day in (0, 10, 20, 30, 40, 45, 60)]
    [0.0, 0.1, 0.5, 0.7, 0.9, 1.0, 1.0]
    """
    before, after = _slopes(need)
    away = day - need.likely_day
    chance = _POINTS[1] + away * (before if away < 0 else after)
    return round(min(max(chance, 0.0), 1.0), 12)


def overdue_days(need: Need, day: float) -> float:
    """Days from the plan's first to ``day`` that the part can be expected to stand at its limit.

    The integral of :func:`chance_due` from day 0: what stood before then, no plan can change.

    Examples
    --------
    >>> need = Need("s/u/pads", "s", "u", "pads", "pads", 0, 0, 0, 2.0)
    >>> overdue_days(need, 0.0), round(overdue_days(need, 28.0) - overdue_days(need, 27.0), 12)
    (0.0, 1.0)
    """
    return _days_at_limit(need, day) - _days_at_limit(need, 0.0)


def _days_at_limit(need: Need, day: float) -> float:
    """The integral of :func:`chance_due` from long ago to ``day``."""
    before, after = _slopes(need)
    middle = _POINTS[1]
    first, last = need.likely_day - middle / before, need.likely_day + (1.0 - middle) / after
    rising = min(max(day, first), need.likely_day) - first
    falling = min(max(day, need.likely_day), last) - need.likely_day
    days = 0.5 * before * rising**2 + middle * falling + 0.5 * after * falling**2
    return days + max(day - last, 0.0)


def _slopes(need: Need) -> tuple[float, float]:
    """How fast the chance rises before and after the likely day. [1/day]"""
    low, middle, high = _POINTS
    before = max(need.likely_day - need.early_day, _LEAST_SPREAD_DAYS)
    after = max(need.late_day - need.likely_day, _LEAST_SPREAD_DAYS)
    return (middle - low) / before, (high - middle) / after


def early_waste_h(need: Need, day: float, set_up_h: float) -> float:
    """Crew hours thrown away by doing it on ``day``: the share of the run that was still to come.

    ``set_up_h`` is the isolation and hand-back that every cleaning costs beside its own hours.
    """
    if not need.is_wear or day >= need.likely_day:
        return 0.0
    unused = min((need.likely_day - day) / need.run_days, 1.0)
    return unused * (need.hours * need.people + set_up_h)


def wait_cost_h(need: Need, day: float, set_up_h: float) -> float:
    """All prices of a date together, in crew hours: the longer past the limit, the higher."""
    trips = chance_due(need, day) + overdue_days(need, day) / _DAYS_TO_A_TRIP
    return early_waste_h(need, day, set_up_h) + trips * need.trip_h
