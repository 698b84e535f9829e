"""What the records answer about visits: frozen rows. Times are UTC, ms since 1970."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from gateway.visits.course import Course, Outcome
from rules.visits.wishes import WishKind

__all__ = ["PlanRow", "VisitRow", "VisitState", "WishRow"]


class VisitState(StrEnum):
    """Where a visit stands."""

    PROPOSED = "proposed"
    """The plan wants it; the crew does not know, or knows an earlier form of it."""
    CONFIRMED = "confirmed"
    """A person confirmed it and the crew has its work pack."""
    REOPENED = "reopened"
    """It was confirmed and a wish changes it; it waits for a plan, and its crew for the outcome."""
    WITHDRAWN = "withdrawn"
    """The crew knows of it and the plan does not want it any more; not cancelled yet."""
    CANCELLED = "cancelled"
    """The crew was told that it does not take place."""


@dataclass(frozen=True)
class VisitRow:
    """One crew's day. ``day`` is an ISO date; ``sequence`` is -1 before the crew was told."""

    number: str
    state: VisitState
    crew: str
    day: str
    begins_ms: int
    ends_ms: int
    sequence: int
    message_id: str
    course: Course
    changed_ms: int
    changed_by: str
    note: str


@dataclass(frozen=True)
class WishRow:
    """What a planner decided; days are ISO dates or ''. ``ended_ms`` is None while it holds."""

    number: int
    kind: WishKind
    needs: tuple[str, ...]
    apart: tuple[str, ...]
    day: str
    until_day: str
    crew: str
    by: str
    note: str
    made_ms: int
    ended_ms: int | None
    ended_by: str


@dataclass(frozen=True)
class PlanRow:
    """The last plan, beside its visits."""

    made_ms: int
    outcome: Outcome
