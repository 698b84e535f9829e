"""A team's roster: its rotations, when each priority may disturb people, and who is told next.

Pure: the moment is an argument (UTC, ms since 1970). The people are plain ids here; what each can
be reached by is the configuration's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from gateway.oncall.rotation import Rotation, local_ms, on_duty
from gateway.tickets.notice import Priority

__all__ = ["DueStep", "Hours", "Roster", "Step"]

_MINUTE_MS: Final = 60_000
_DAYS_AHEAD: Final = 370
"""Further than a year no opening is looked for: then it is told at once, not never."""


@dataclass(frozen=True)
class Hours:
    """Weekdays (Monday 0) and the local hours in which people may be told; ``until`` 00:00 is the
    day's end.
    """

    weekdays: frozenset[int]
    begins: time
    until: time


@dataclass(frozen=True)
class Step:
    """``after_min`` minutes after the ticket, if nobody has acknowledged: who is told.

    ``tell`` holds names of rotations, of which the one on duty is told, and ids of people.
    """

    after_min: int
    tell: tuple[str, ...]


class DueStep(NamedTuple):
    """A step with its place in the chain (from 0) and the moment it is due."""

    number: int
    due_ms: int
    tell: tuple[str, ...]


@dataclass(frozen=True)
class Roster:
    """Who is told what, when. A priority without hours may disturb at any time."""

    zone: ZoneInfo
    rotations: Mapping[str, Rotation] = field(default_factory=dict)
    steps: Mapping[Priority, tuple[Step, ...]] = field(default_factory=dict)
    hours: Mapping[Priority, Hours] = field(default_factory=dict)
    holidays: frozenset[date] = frozenset()

    def people(self, tell: tuple[str, ...], at_ms: int) -> tuple[str, ...]:
        """The ids of the people behind these names at this moment, each once, in their order."""
        found = [
            on_duty(self.rotations[name], at_ms).person if name in self.rotations else name
            for name in tell
        ]
        return tuple(dict.fromkeys(found))

    def allowed_ms(self, priority: Priority, at_ms: int) -> int:
        """The moment itself if this priority may disturb people then, else the next that may.

        Holidays are closed for every priority that has hours.
        """
        hours = self.hours.get(priority)
        if hours is None:
            return at_ms
        today = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(self.zone).date()
        # From yesterday on: where the zone's clock was set at midnight, a day may reach over.
        for ahead in range(-1, _DAYS_AHEAD):
            day = today + timedelta(days=ahead)
            if day.weekday() not in hours.weekdays or day in self.holidays:
                continue
            begins_ms = local_ms(day, hours.begins, self.zone)
            to_midnight = hours.until == time(0)
            last_day = day + timedelta(days=1) if to_midnight else day
            if at_ms < local_ms(last_day, hours.until, self.zone):
                return max(at_ms, begins_ms)
        return at_ms

    def chain(self, priority: Priority, opened_ms: int) -> tuple[DueStep, ...]:
        """All steps for a ticket of this priority, each with its moment, in order of time.

        Outside the priority's hours the whole chain waits: the minutes count from the moment at
        which somebody could be told first.
        """
        first_ms = self.allowed_ms(priority, opened_ms)
        due: list[DueStep] = []
        for number, step in enumerate(self.steps.get(priority, ())):
            due_ms = self.allowed_ms(priority, first_ms + step.after_min * _MINUTE_MS)
            due.append(DueStep(number, due_ms, step.tell))
        return tuple(due)
