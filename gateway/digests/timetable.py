"""When a team's lists are due: times of day on certain weekdays, by the clock on the team's wall.

The calendar's arithmetic is APScheduler's; here it is only asked for the next moment after another,
so that nothing depends on a timer that fires in time: whoever asks late learns what he has missed.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from apscheduler.triggers.cron import CronTrigger

__all__ = ["Timetable"]

_MOST_CLOSED_DAYS: Final = 1_100  # as many holidays as a team may have, and a year of weekends


@dataclass(frozen=True)
class Timetable:
    """Local ``times`` on ``weekdays`` (Monday is 0) that are not ``holidays``.

    A time that the change to summer time leaves out is due when the clock goes on; one that comes
    twice in autumn is due once, the first time.
    """

    times: tuple[time, ...]
    weekdays: frozenset[int]
    zone: ZoneInfo
    holidays: frozenset[date] = frozenset()

    def next_after_ms(self, after_ms: int) -> int | None:
        """The first due moment after the given one; None if no day of the coming years is open."""
        found = [due for at in self.times if (due := self._next(at, after_ms)) is not None]
        return min(found, default=None)

    def _next(self, at: time, after_ms: int) -> int | None:
        trigger = CronTrigger(
            day_of_week=",".join(map(str, sorted(self.weekdays))),
            hour=at.hour,
            minute=at.minute,
            timezone=self.zone,
        )
        after = datetime.fromtimestamp((after_ms + 1) / 1000, UTC)
        for _ in range(_MOST_CLOSED_DAYS):
            due = trigger.get_next_fire_time(None, after)
            if due is None:
                return None
            # Made anew from the wall's time, so that the hour that comes twice counts once.
            wall = datetime.combine(due.date(), at, self.zone)
            moment_ms = round(wall.astimezone(UTC).timestamp() * 1000)
            if due.date() not in self.holidays and moment_ms > after_ms:
                return moment_ms
            after = due.astimezone(UTC) + timedelta(minutes=1)
        return None
