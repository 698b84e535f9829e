"""When reports go out and to whom, and the prices that water and energy are counted at."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time
from typing import Final

from apscheduler.triggers.cron import CronTrigger

from gateway.month import Month
from gateway.tickets.notice import Recipient

__all__ = ["ReportSettings"]

_MOST_BEHIND: Final = 24


@dataclass(frozen=True)
class ReportSettings:
    """``to`` get the fleet's report, each team's planner that of his sites, if ``to_planners``.

    They go out on ``day`` of the month after, at ``at`` in ``time_zone``. ``is_on`` is False where
    fleet.toml has no such table: then nothing is mailed. A price of 0 is none.
    """

    is_on: bool = False
    to: tuple[Recipient, ...] = ()
    to_planners: bool = True
    day: int = 2
    at: time = time(7)
    time_zone: str = "UTC"
    currency: str = ""
    water_price_per_m3: float = 0.0
    energy_price_per_kwh: float = 0.0

    def due(self, after_ms: int, now_ms: int) -> list[Month]:
        """The months whose report fell due after one moment and by another, oldest first.

        The calendar's arithmetic is APScheduler's. Of a longer time than two years the newest.
        """
        trigger = CronTrigger(
            day=self.day, hour=self.at.hour, minute=self.at.minute, timezone=self.time_zone
        )
        found: list[Month] = []
        at = datetime.fromtimestamp((after_ms + 1) / 1000, UTC)
        now = datetime.fromtimestamp(now_ms / 1000, UTC)
        while True:
            due = trigger.get_next_fire_time(None, at)
            if due is None or due > now:
                return found[-_MOST_BEHIND:]
            month = Month(due.year, due.month).before
            # The hour that comes twice in autumn is one.
            if not found or found[-1] != month:
                found.append(month)
            at = datetime.fromtimestamp(due.timestamp() + 1.0, UTC)
