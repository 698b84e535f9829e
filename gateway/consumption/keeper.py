"""Keeps the monthly figures up to date, a little at a time.

The running month is worked out anew once a day, and a month that is over once more when its
latecomers can be expected to have come. What is worked out replaces what was: doing it again, after
a crash or by hand, gives the same.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Final

from gateway.consumption.reader import Asked, month_use
from gateway.month import Month
from gateway.records.records import Records
from gateway.records.session import RecordsError
from gateway.records.use_rows import UseRow
from gateway.telemetry.base import StoreError, TelemetryStore
from rules.equipment import Overrides, Site, Unit

__all__ = ["SETTLED_AFTER_MS", "ConsumptionKeeper", "work_out"]

log = logging.getLogger(__name__)

DAY_MS: Final = 86_400_000
SETTLED_AFTER_MS: Final = 2 * DAY_MS
"""Sites that were cut off have sent their backlog by then (judgement)."""
_AT_ONCE_S: Final = 5.0


def work_out(
    records: Records,
    store: TelemetryStore,
    place: tuple[Site, Unit],
    month: Month,
    now_ms: int,
    fleet: Overrides,
) -> UseRow:
    """The figures of one unit and month, worked out and kept.

    ``fleet`` are the settings of the whole fleet.
    """
    site, unit = place
    start_ms, end_ms = month.start_ms(site.zone), month.end_ms(site.zone)
    spans = records.alarm_spans(site.id, unit.id, start_ms=start_ms, end_ms=min(end_ms, now_ms))
    asked = Asked(
        records.clean_td_k(site.id, unit.id), spans, fleet,
        records.unit_known_ms(site.id, unit.id),
    )  # fmt: skip
    use = month_use(store, place, month, now_ms, asked)
    row = UseRow(site.id, unit.id, str(month), now_ms, now_ms >= end_ms + SETTLED_AFTER_MS, use)
    records.put_use(row)
    return row


class ConsumptionKeeper:
    """Works out what is due, for a few seconds at each call of :meth:`run`."""

    def __init__(
        self,
        records: Records,
        store: TelemetryStore,
        sites: Callable[[], Sequence[Site]],
        fleet: Callable[[], Overrides],
        clock_ms: Callable[[], int],
        at_once_s: float = _AT_ONCE_S,
    ) -> None:
        """Nothing is read before the first run. ``fleet`` gives the settings of the whole fleet."""
        self._records = records
        self._store = store
        self._sites = sites
        self._fleet = fleet
        self._clock_ms = clock_ms
        self._at_once_s = at_once_s

    def run(self) -> int:
        """Bring some figures up to date; how many. What cannot be read now waits."""
        until_s = time.monotonic() + self._at_once_s
        now_ms = self._clock_ms()
        done = 0
        try:
            for place, month in self._due(now_ms):
                work_out(self._records, self._store, place, month, now_ms, self._fleet())
                done += 1
                if time.monotonic() >= until_s:
                    break
        except (RecordsError, StoreError) as error:
            # Both outages are told of by those who need them every second.
            log.debug("The monthly figures wait: %s", error)
        return done

    def _due(self, now_ms: int) -> Iterator[tuple[tuple[Site, Unit], Month]]:
        for site in self._sites():
            running = Month.of(now_ms, site.zone)
            for month in (running.before, running):
                kept = {row.unit: row for row in self._records.uses(str(month), site.id)}
                for unit in site.units:
                    row = kept.get(unit.id)
                    if row is None or _is_stale(row, now_ms, month.end_ms(site.zone)):
                        yield (site, unit), month


def _is_stale(row: UseRow, now_ms: int, end_ms: int) -> bool:
    if row.settled or row.worked_ms > now_ms:
        # One of the future was made while the clock was wrong.
        return row.worked_ms > now_ms
    settled = now_ms >= end_ms + SETTLED_AFTER_MS
    return settled or now_ms - row.worked_ms >= DAY_MS
