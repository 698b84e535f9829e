"""What the records and the telemetry know of a site's month, read once and counted.

Pure counting over rows; :func:`read_site` alone reads. Times are UTC, ms since 1970.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from statistics import median
from typing import Final

from gateway.consumption.keeper import work_out
from gateway.month import Month
from gateway.records.queries import Where
from gateway.records.records import Records
from gateway.records.rows import QuarantineRow, TicketRow
from gateway.records.use_rows import UseRow
from gateway.records.visit_rows import VisitRow, VisitState
from gateway.records.wear_rows import CleaningRow, ConditionRow, UnitDueRange
from gateway.telemetry.base import TelemetryStore
from gateway.tickets.life import ENDED
from rules.consumption import Amount, FaultSpan, summed
from rules.consumption.figures import MEANS
from rules.equipment import Overrides, Site
from rules.events import Change, Severity

__all__ = [
    "Raised",
    "Response",
    "SiteMonth",
    "Worked",
    "amount_of",
    "read_site",
    "response_of",
    "response_over",
]

_PAGE: Final = 200
_HOUR_MS: Final = 3_600_000.0
_PLANNED: Final = (VisitState.PROPOSED, VisitState.CONFIRMED)
_VISITS_AHEAD_MS: Final = 60 * 86_400_000
"""Later visits are of another plan than the one that belongs to the month (judgement)."""
_SILENT: Final = frozenset({"unit-stale", "site-cut-off"})


@dataclass(frozen=True)
class Raised:
    """An alarm that was raised: when, of what, and how grave it became within the time."""

    unit: str
    fault: str
    time_ms: int
    severity: Severity


@dataclass(frozen=True)
class Response:
    """How soon people answered: counts, and medians in hours, None where there are none."""

    opened: int
    acknowledged: int
    acknowledge_h: float | None
    repaired: int
    repair_h: float | None
    still_open: int


@dataclass(frozen=True)
class SiteMonth:
    """One site's month, as far as it has gone by ``until_ms``."""

    site: Site
    month: Month
    start_ms: int
    until_ms: int
    over: bool
    raised: tuple[Raised, ...]
    tickets: tuple[TicketRow, ...]
    """Opened in the month, or open at its beginning and closed in it or still open."""
    cleanings: tuple[CleaningRow, ...]
    conditions: tuple[ConditionRow, ...]
    due: tuple[UnitDueRange, ...]
    uses: tuple[UseRow, ...]
    before: tuple[UseRow, ...]
    """The same of the month before, as far as it is kept."""
    silent: Mapping[str, float] = field(default_factory=dict)
    """Hours for which a unit was told to be silent."""
    refused: tuple[QuarantineRow, ...] = ()
    late: Mapping[str, int] = field(default_factory=dict)
    """Frames by unit that came too late to be judged."""
    visits: tuple[VisitRow, ...] = ()
    """Proposed and confirmed ones of the weeks after ``until_ms``."""


def read_site(
    records: Records,
    store: TelemetryStore,
    site: Site,
    month: Month,
    now_ms: int,
    fleet: Overrides,
) -> SiteMonth:
    """All of a site's month. Figures of water that are not kept yet are worked out.

    ``fleet`` are the settings of the whole fleet.
    """
    start_ms, end_ms = month.start_ms(site.zone), month.end_ms(site.zone)
    until_ms = max(start_ms, min(end_ms, now_ms))
    known = {unit for s, unit in records.units().values() if s == site.id}
    kept = {row.unit: row for row in records.uses(str(month), site.id)}
    uses = []
    for unit in site.units:
        if unit.id not in known:
            continue
        row = kept.get(unit.id)
        # What was worked out before the month was settled may lack its end.
        if row is None or not row.settled:
            row = work_out(records, store, (site, unit), month, now_ms, fleet)
        uses.append(row)
    silent: dict[str, float] = {}
    for name in sorted(known):
        spans = records.alarm_spans(site.id, name, start_ms=start_ms, end_ms=until_ms)
        hours = _hours([s for s in spans if s.fault in _SILENT])
        if hours > 0.0:
            silent[name] = hours
    first_day, last_day = (_utc_day(t) for t in (start_ms, max(start_ms, until_ms - 1)))
    refused = records.quarantine(site=site.id, first_day=first_day, limit=5000)
    return SiteMonth(
        site=site,
        month=month,
        start_ms=start_ms,
        until_ms=until_ms,
        over=now_ms >= end_ms,
        raised=tuple(_raised(records, site.id, start_ms, until_ms)),
        tickets=tuple(_tickets(records, site.id, start_ms, until_ms)),
        cleanings=tuple(
            c for c in records.cleanings(site.id) if start_ms <= c.cleaned_ms < until_ms
        ),
        conditions=tuple(records.conditions(site.id, at_ms=until_ms)),
        due=tuple(records.due_ranges(site.id, now_ms=until_ms, of_the_past=now_ms >= end_ms)),
        uses=tuple(uses),
        before=tuple(records.uses(str(month.before), site.id)),
        silent=silent,
        refused=tuple(row for row in refused if row.day <= last_day),
        late=records.late_frames(site.id, first_day, last_day),
        visits=tuple(
            row
            for row in records.visits(_PLANNED, since_day=last_day)
            if until_ms <= row.begins_ms < until_ms + _VISITS_AHEAD_MS
        ),
    )


def _raised(records: Records, site: str, start_ms: int, end_ms: int) -> Iterable[Raised]:
    """Alarms raised in the time, oldest first. Read in pieces: a storm has many."""
    found: list[Raised] = []
    last: dict[tuple[str, str], int] = {}
    step = 86_400_000
    for since_ms in range(start_ms, end_ms, step):
        rows = records.alarm_events(
            since_ms, min(since_ms + step, end_ms), Where(site), limit=100_000
        )
        for row in reversed(rows):
            event, key = row.event, (row.unit, row.event.fault)
            if event.change is Change.RAISED:
                last[key] = len(found)
                found.append(Raised(row.unit, event.fault, event.time_ms, event.severity))
            elif event.change is Change.WORSENED and key in last:
                before = found[last[key]]
                found[last[key]] = replace(before, severity=max(before.severity, event.severity))
    return found


def _tickets(records: Records, site: str, start_ms: int, end_ms: int) -> Iterable[TicketRow]:
    before_id: int | None = None
    while True:
        rows = records.tickets(Where(site), before_id=before_id, limit=_PAGE)
        for row in rows:
            if row.opened_ms >= end_ms:
                continue
            ended = row.closed_ms is not None and row.state in ENDED
            if row.opened_ms >= start_ms or not ended or (row.closed_ms or 0) >= start_ms:
                yield row
        if len(rows) < _PAGE:
            return
        before_id = rows[-1].id


def response_of(tickets: Sequence[TicketRow], start_ms: int, end_ms: int) -> Response:
    """How soon the tickets opened in [start, end) were answered.

    A repair is told by the work done, else by the close-out. What happened after ``end_ms`` is not
    counted: a report of a month says the same whenever it is made.
    """
    return _response([(t, start_ms, end_ms) for t in tickets])


def response_over(months: Sequence[SiteMonth], fault: str = "") -> Response:
    """How soon all tickets of these months were answered, or those of one fault.

    A month is that of its own site's clock.
    """
    return _response(
        [
            (t, month.start_ms, month.until_ms)
            for month in months
            for t in month.tickets
            if not fault or t.fault == fault
        ]
    )


def _response(tickets: Sequence[tuple[TicketRow, int, int]]) -> Response:
    """Of tickets, each with the time that counts for it."""
    opened = [(t, end_ms) for t, start_ms, end_ms in tickets if start_ms <= t.opened_ms < end_ms]
    answered = [
        (t.acknowledged_ms - t.opened_ms) / _HOUR_MS
        for t, end_ms in opened
        if t.acknowledged_ms is not None and t.opened_ms <= t.acknowledged_ms < end_ms
    ]
    repaired = [
        (done - t.opened_ms) / _HOUR_MS
        for t, end_ms in opened
        for done in [t.work_done_ms or t.closed_ms]
        if done is not None and t.opened_ms <= done < end_ms
    ]
    still = [t for t, _, end_ms in tickets if t.closed_ms is None or t.closed_ms >= end_ms]
    return Response(
        len(opened),
        len(answered),
        median(answered) if answered else None,
        len(repaired),
        median(repaired) if repaired else None,
        len(still),
    )


def amount_of(rows: Sequence[UseRow], name: str) -> Amount:
    """A figure over several units."""
    amounts = [row.use.amounts[name] for row in rows if name in row.use.amounts]
    return summed(amounts, mean=name in MEANS)


@dataclass(frozen=True)
class Worked:
    """What a fault cost over several units: hours, water and energy."""

    fault: str
    hours: float
    water: Amount
    energy: Amount

    @classmethod
    def of(cls, rows: Sequence[UseRow]) -> list[Worked]:
        """By fault, that which wasted most first."""
        shares = [share for row in rows for share in row.use.faults]
        found = [
            cls(
                fault,
                sum(s.hours for s in shares if s.fault == fault),
                summed([s.water for s in shares if s.fault == fault]),
                summed([s.energy for s in shares if s.fault == fault]),
            )
            for fault in dict.fromkeys(s.fault for s in shares)
        ]
        return sorted(
            found, key=lambda w: (-(w.water.value or 0.0), -(w.energy.value or 0.0), w.fault)
        )


def _hours(spans: Sequence[FaultSpan]) -> float:
    """Time that at least one of the spans covers. [h]"""
    total, reached = 0, 0
    for span in sorted(spans, key=lambda s: s.start_ms):
        begin = max(span.start_ms, reached)
        total += max(0, span.end_ms - begin)
        reached = max(reached, span.end_ms)
    return total / _HOUR_MS


def _utc_day(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).strftime("%Y-%m-%d")
