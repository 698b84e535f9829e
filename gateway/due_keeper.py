"""Keeps the dates at which parts are due: worked out once a day and after a cleaning.

Pages and plans read them from the records. A few units at a time, because a part's date rests on
years of daily figures, and the rules must not wait for that.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from typing import Any, Final, Protocol

from gateway.records.trouble import RecordsError

__all__ = ["DueKeeper"]

log = logging.getLogger(__name__)

_AT_ONCE: Final = 5
"""Units between which others get their turn."""
_A_RUN: Final = 40
_ALL: Final = 1_000_000


class DueRecords(Protocol):
    """What is asked of the records; :class:`gateway.records.records.Records` is one."""

    def units_awaiting_dates(self, now_ms: int, limit: int) -> list[int]:
        """Rows of the units whose dates are to be worked out."""
        ...

    def due_dates_of(self, rows: Sequence[int], now_ms: int) -> list[dict[str, Any]]:
        """Their dates, worked out."""
        ...

    def keep_due_dates(self, made: Sequence[dict[str, Any]]) -> None:
        """Keep them."""
        ...


class DueKeeper:
    """Has dates renewed. :meth:`run` is called now and then, by one thread at a time."""

    def __init__(self, records: DueRecords, clock_ms: Callable[[], int]) -> None:
        """``clock_ms`` is UTC's."""
        self._records = records
        self._clock_ms = clock_ms

    def catch_up(self) -> None:
        """Renew all that waits, for whoever needs it whole; raises as the records do."""
        now_ms = self._clock_ms()
        rows = self._records.units_awaiting_dates(now_ms, _ALL)
        for first in range(0, len(rows), _AT_ONCE):
            some = rows[first : first + _AT_ONCE]
            self._records.keep_due_dates(self._records.due_dates_of(some, now_ms))

    def run(self) -> None:
        """Renew the dates of some units that wait for it; the others wait for the next time."""
        try:
            now_ms = self._clock_ms()
            rows = self._records.units_awaiting_dates(now_ms, _A_RUN)
            for first in range(0, len(rows), _AT_ONCE):
                some = rows[first : first + _AT_ONCE]
                self._records.keep_due_dates(self._records.due_dates_of(some, now_ms))
        except RecordsError as error:
            # The rules reader, which needs them every second, tells of their outage.
            log.debug("Dates at which parts are due wait: %s", error)
