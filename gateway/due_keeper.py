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
_DAY_MS: Final = 86_400_000
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
        self._failed_ms: dict[int, int] = {}

    def catch_up(self) -> None:
        """Renew all that waits, for whoever needs it whole; raises as the records do."""
        now_ms = self._clock_ms()
        rows = self._records.units_awaiting_dates(now_ms, _ALL)
        for first in range(0, len(rows), _AT_ONCE):
            some = rows[first : first + _AT_ONCE]
            self._records.keep_due_dates(self._records.due_dates_of(some, now_ms))

    def run(self) -> None:
        """Renew the dates of some units that wait for it; the others wait for the next time.

        A unit whose dates cannot be worked out holds up no other: it is told of in the log, and
        tried again a day later.
        """
        try:
            now_ms = self._clock_ms()
            self._failed_ms = {
                row: then_ms
                for row, then_ms in self._failed_ms.items()
                if 0 <= now_ms - then_ms < _DAY_MS
            }
            waiting = self._records.units_awaiting_dates(now_ms, _A_RUN + len(self._failed_ms))
            rows = [row for row in waiting if row not in self._failed_ms]
            for first in range(0, len(rows), _AT_ONCE):
                self._renew(rows[first : first + _AT_ONCE], now_ms)
        except RecordsError as error:
            # The rules reader, which needs them every second, tells of their outage.
            log.debug("Dates at which parts are due wait: %s", error)

    def _renew(self, rows: Sequence[int], now_ms: int) -> None:
        try:
            self._records.keep_due_dates(self._records.due_dates_of(rows, now_ms))
        except RecordsError:
            raise
        except Exception:
            # One of them is to blame: each by itself, so that the others get theirs.
            if len(rows) > 1:
                for row in rows:
                    self._renew([row], now_ms)
                return
            self._failed_ms[rows[0]] = now_ms
            log.exception("The dates of unit row %d are not worked out for a day.", rows[0])
