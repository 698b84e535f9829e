"""Alarms, alarm events and tickets as rows of a table, read a page at a time."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Final

from gateway.overview.alarms import alarm_items
from gateway.overview.source import Names, Source
from gateway.overview.tickets import ticket_line
from gateway.records.queries import Where
from gateway.records.records import Records
from gateway.tickets.document import clean
from rules.events import Severity

__all__ = [
    "ALARMS", "EVENTS", "TICKETS", "alarm_rows", "event_rows", "iso", "ticket_rows",
]  # fmt: skip

A_PAGE: Final = 1_000
ALARMS: Final = (
    "site", "unit", "fault", "title", "state", "priority", "onset", "changed", "summary", "cause",
    "ticket", "by", "note", "until",
)  # fmt: skip
EVENTS: Final = (
    "id", "time", "site", "unit", "fault", "change", "state", "priority", "onset", "summary", "by",
    "note",
)  # fmt: skip
TICKETS: Final = (
    "number", "site", "unit", "fault", "title", "priority", "phase", "who", "onset", "opened",
    "updated", "returned", "closed", "finding",
)  # fmt: skip


def iso(time_ms: int | None) -> str:
    """A time by RFC 3339 in UTC, '' for none."""
    if time_ms is None:
        return ""
    try:
        at = datetime.fromtimestamp(time_ms / 1000, UTC)
    except (OverflowError, ValueError, OSError):
        return ""
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def alarm_rows(source: Source, site: str, unit: str) -> Iterator[tuple[object, ...]]:
    """Alarms that are not normal, the gravest first."""
    for a in alarm_items(source, site, unit):
        yield (
            a.site, a.unit, a.fault, a.title, a.state.name.lower().replace("_", " "), a.priority,
            iso(a.onset_ms), iso(a.changed_ms), a.summary, a.cause, a.ticket, a.by, a.note,
            iso(a.until_ms or None),
        )  # fmt: skip


def event_rows(
    records: Records, where: Where, start_ms: int, end_ms: int
) -> Iterator[tuple[object, ...]]:
    """The alarm journal with ``start_ms <= time < end_ms``, newest first."""
    before: tuple[int, int] | None = None
    while rows := records.alarm_events(start_ms, end_ms, where, A_PAGE, before):
        for row in rows:
            e = row.event
            yield (
                row.id, iso(e.time_ms), row.site, row.unit, e.fault, e.change.value,
                e.state.name.lower().replace("_", " "),
                "" if e.severity is Severity.NONE else e.severity.name.lower(), iso(e.onset_ms),
                clean(e.evidence.summary, 500) if e.evidence else "", clean(e.by, 80),
                clean(e.note, 500),
            )  # fmt: skip
        before = (rows[-1].event.time_ms, rows[-1].id)


def ticket_rows(
    records: Records, names: Names, where: Where, start_ms: int, end_ms: int
) -> Iterator[tuple[object, ...]]:
    """Tickets opened with ``start_ms <= time < end_ms``, newest first."""
    before: int | None = None
    span = (start_ms, end_ms)
    while rows := records.tickets(where, before_id=before, limit=A_PAGE, opened_ms=span):
        for row in rows:
            t = ticket_line(names, row)
            yield (
                t.number, t.site, t.unit, t.fault, t.title, t.priority, t.phase, t.who,
                iso(t.onset_ms), iso(t.opened_ms), iso(t.updated_ms), iso(t.returned_ms),
                iso(t.closed_ms), t.finding,
            )  # fmt: skip
        before = rows[-1].id
