"""What the records answer about wear: conditions, date ranges, cleanings.

Times are UTC, ms since 1970.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from rules.condition.figures import PART_TITLES, condition_in_words
from rules.events import Reading
from rules.forecast import DueRange

__all__ = ["CleaningRow", "ConditionDay", "ConditionRow", "UnitDueRange"]


@dataclass(frozen=True)
class ConditionRow:
    """The newest figure of one part of one unit, see :class:`rules.condition.PartCondition`."""

    unit_row: int
    site: str
    unit: str
    part: str
    time_ms: int
    condition_pct: float | None
    uncertainty_pct: float | None
    raw_pct: float | None
    basis: str
    count: int
    since_ms: int
    baseline_ms: int
    said: str
    readings: tuple[Reading, ...]

    @property
    def title(self) -> str:
        """The part as a person calls it; its slug where a later version knows it no more."""
        return PART_TITLES.get(self.part, self.part)

    @property
    def in_words(self) -> str:
        """The condition as a person reads it."""
        return condition_in_words(self.raw_pct, self.uncertainty_pct)


@dataclass(frozen=True)
class ConditionDay:
    """One day's figure of one part, where there was one."""

    unit_row: int
    site: str
    unit: str
    part: str
    time_ms: int
    raw_pct: float
    uncertainty_pct: float
    basis: str
    count: int
    baseline_ms: int

    @property
    def condition_pct(self) -> float:
        """The figure between 0 and 100."""
        return min(max(self.raw_pct, 0.0), 100.0)

    @property
    def in_words(self) -> str:
        """The condition as a person reads it."""
        return condition_in_words(self.raw_pct, self.uncertainty_pct)


@dataclass(frozen=True)
class UnitDueRange:
    """When one part of one unit reaches its limit.

    ``until_ms`` is the time of the newest daily figure that it rests on, where that is kept.
    """

    unit_row: int
    site: str
    unit: str
    due: DueRange
    until_ms: int | None = field(default=None, compare=False)


@dataclass(frozen=True)
class CleaningRow:
    """One cleaning of one part; ``verdict`` is empty while its effect is not known yet."""

    unit_row: int
    site: str
    unit: str
    part: str
    cleaned_ms: int
    work_from_ms: int
    ticket: str
    """The ticket's number, empty where it was cleaned without one."""
    by: str
    verdict: str
    settled_ms: int | None
    looked_ms: int | None
    confidence_pct: float | None
    effect_pct: float | None
    low_pct: float | None
    high_pct: float | None
    quantity: str
    measure: str
    before: float | None
    after: float | None
    count_before: int
    count_after: int
    said: str
