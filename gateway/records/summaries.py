"""Short reads over the whole fleet, for pages that show all of it at once.

Of evidence only a sentence and the likeliest cause are fetched, not all that the alarm says of
itself. All functions work inside the caller's transaction and write nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final, cast

from sqlalchemy import ColumnElement, Connection, Table, and_, func, or_, select

from gateway.records.account_models import AccountRecord, SessionRecord
from gateway.records.actions import ActionState
from gateway.records.models import (
    ActionRecord,
    AlarmEventRecord,
    AlarmRecord,
    QuarantineRecord,
    TicketFindingRecord,
    TicketRecord,
    UnitLookRecord,
    UnitRecord,
)
from gateway.records.text import by_code_points
from gateway.records.visit_models import VisitPlanRecord, VisitRecord, VisitWishRecord
from gateway.tickets.life import ENDED, TicketPhase
from rules.alarm_figures import Counted
from rules.alarms import ACTIVE
from rules.events import ActionKind, AlarmEvent, AlarmState, Change, Severity

__all__ = [
    "AlarmLine",
    "Asked",
    "ChangeMark",
    "Cleaning",
    "LastWord",
    "OpenTicket",
    "alarm_lines",
    "asked",
    "change_mark",
    "cleanings",
    "counted",
    "event_lines",
    "last_words",
    "open_tickets",
    "shelved_until",
    "standing_at",
]

_ALARMS = cast("Table", AlarmRecord.__table__)
_EVENTS = cast("Table", AlarmEventRecord.__table__)
_UNITS = cast("Table", UnitRecord.__table__)
_TICKETS = cast("Table", TicketRecord.__table__)
_ACTIONS = cast("Table", ActionRecord.__table__)
_FINDINGS = cast("Table", TicketFindingRecord.__table__)
_AT_ONCE: Final = 1_000
_FEW: Final = 20
_CHANGES: Final = {one.value: one for one in Change}
_STATES: Final = {int(one): one for one in AlarmState}
_SEVERITIES: Final = {int(one): one for one in Severity}
_NORMAL: Final = int(AlarmState.NORMAL)
_BY_PEOPLE: Final = (
    AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED, AlarmState.SHELVED,
    AlarmState.OUT_OF_SERVICE,
)  # fmt: skip


@dataclass(frozen=True)
class AlarmLine:
    """An alarm that is not normal, in short. Times are UTC, ms since 1970.

    ``severity`` is that of now; of an alarm that is not standing any more it is none.
    """

    unit_row: int
    site: str
    unit: str
    fault: str
    state: AlarmState
    severity: Severity
    onset_ms: int
    changed_ms: int
    summary: str
    cause: str


@dataclass(frozen=True)
class Asked:
    """What a person asked for and the gateway has not applied yet; ``fault`` may be empty."""

    unit_row: int
    fault: str
    kind: ActionKind
    by: str
    time_ms: int


@dataclass(frozen=True)
class LastWord:
    """Words said to one alarm by a person: who, what."""

    by: str
    note: str


@dataclass(frozen=True)
class Cleaning:
    """A part that a person cleaned, as the close-out says; ``part`` may be empty: all of them."""

    time_ms: int
    part: str
    by: str
    ticket: str = ""
    found: str = ""
    done: str = ""


@dataclass(frozen=True)
class ChangeMark:
    """Stands for the state of the records: where it is the same, nothing has changed.

    ``alarms`` covers alarms, tickets and requests, ``looks`` the units' readings, ``refused`` what
    was refused, ``visits`` what is planned, ``people`` who may look: their sessions and accounts.
    """

    alarms: tuple[int, ...]
    looks: int
    refused: int
    visits: tuple[int, ...] = ()
    people: tuple[int, ...] = ()


def alarm_lines(connection: Connection, site: str = "", unit: str = "") -> list[AlarmLine]:
    """Alarms that are not normal, the gravest first, the oldest first among equals."""
    a = _ALARMS.c
    query = (
        select(
            a.unit_row, _UNITS.c.site, _UNITS.c.unit, a.fault, a.state, a.severity, a.onset_ms,
            a.changed_ms, a.evidence["summary"].as_string(),
            a.evidence[("causes", 0, "title")].as_string(),
        )
        .join(_UNITS, _UNITS.c.row == a.unit_row)
        .where(a.state != _NORMAL, *_at(site, unit))
        .order_by(a.severity.desc(), a.onset_ms, a.unit_row, by_code_points(a.fault))
    )  # fmt: skip
    return [
        AlarmLine(
            row, site_id, unit_id, fault, AlarmState(state), Severity(severity), onset_ms,
            changed_ms, summary or "", cause or "",
        )
        for row, site_id, unit_id, fault, state, severity, onset_ms, changed_ms, summary, cause
        in connection.execute(query)
    ]  # fmt: skip


def last_words(
    connection: Connection, site: str = "", unit: str = ""
) -> dict[tuple[int, str], LastWord]:
    """Who brought each alarm into the state that a person gave it, by unit row and fault."""
    states = [int(s) for s in _BY_PEOPLE]
    query = (
        select(_EVENTS.c.unit_row, _EVENTS.c.fault, _EVENTS.c.by, _EVENTS.c.note)
        .join(
            _ALARMS,
            and_(
                _ALARMS.c.unit_row == _EVENTS.c.unit_row,
                _ALARMS.c.fault == _EVENTS.c.fault,
                _ALARMS.c.changed_ms == _EVENTS.c.time_ms,
            ),
        )
        .join(_UNITS, _UNITS.c.row == _ALARMS.c.unit_row)
        .where(_ALARMS.c.state.in_(states), _EVENTS.c.by != "", *_at(site, unit))
        .order_by(_EVENTS.c.id)
    )
    return {(r.unit_row, r.fault): LastWord(r.by, r.note) for r in connection.execute(query)}


def shelved_until(connection: Connection) -> dict[tuple[int, str], int]:
    """When shelved alarms come back and units return to service at the latest.

    By unit row and fault; the fault is empty for a unit out of service.
    """
    kinds = [ActionKind.SHELVE.value, ActionKind.OUT_OF_SERVICE.value]
    held = [int(AlarmState.SHELVED), int(AlarmState.OUT_OF_SERVICE)]
    rows = select(_ALARMS.c.unit_row).where(_ALARMS.c.state.in_(held))
    query = (
        select(_ACTIONS.c.unit_row, _ACTIONS.c.fault, _ACTIONS.c.until_ms)
        .where(
            _ACTIONS.c.kind.in_(kinds),
            _ACTIONS.c.state == ActionState.APPLIED.value,
            _ACTIONS.c.unit_row.in_(rows),
        )
        .order_by(_ACTIONS.c.id)
    )
    return {(r.unit_row, r.fault): r.until_ms for r in connection.execute(query)}


def asked(connection: Connection) -> list[Asked]:
    """What people asked for and the rules have not applied, oldest first."""
    query = (
        select(_ACTIONS)
        .where(_ACTIONS.c.state != ActionState.APPLIED.value)
        .order_by(_ACTIONS.c.id)
    )
    return [
        Asked(r.unit_row, r.fault, ActionKind(r.kind), r.by, r.requested_ms)
        for r in connection.execute(query)
    ]


@dataclass(frozen=True)
class OpenTicket:
    """A ticket that nobody has closed, in short. ``people`` are on site for it."""

    number: str
    unit_row: int
    site: str
    unit: str
    fault: str
    priority: str
    state: TicketPhase
    assignee: str
    people: tuple[str, ...]


def open_tickets(connection: Connection, site: str = "", unit: str = "") -> list[OpenTicket]:
    """Tickets that nobody has closed, newest first."""
    t = _TICKETS.c
    query = (
        select(
            t.number, t.unit_row, _UNITS.c.site, _UNITS.c.unit, t.fault, t.priority, t.state,
            t.assignee, t.on_site,
        )
        .join(_UNITS, _UNITS.c.row == t.unit_row)
        .where(t.state.not_in([p.value for p in ENDED]), *_at(site, unit))
        .order_by(t.id.desc())
    )  # fmt: skip
    return [
        OpenTicket(
            r.number, r.unit_row, r.site, r.unit, r.fault, r.priority, TicketPhase(r.state),
            r.assignee, tuple(str(p.get("by", "")) for p in (r.on_site or {}).get("people", ())),
        )
        for r in connection.execute(query)
    ]  # fmt: skip


def cleanings(connection: Connection, site: str, unit: str, limit: int = 200) -> list[Cleaning]:
    """What was cleaned at a unit, newest first: from close-outs, and from requests without one."""
    query = (
        select(
            _FINDINGS.c.time_ms, _FINDINGS.c.part, _FINDINGS.c.by, _TICKETS.c.number,
            _FINDINGS.c.found, _FINDINGS.c.done,
        )
        .join(_TICKETS, _TICKETS.c.id == _FINDINGS.c.ticket_id)
        .join(_UNITS, _UNITS.c.row == _TICKETS.c.unit_row)
        .where(*_at(site, unit))
        .order_by(_FINDINGS.c.time_ms.desc())
        .limit(limit)
    )  # fmt: skip
    found = [Cleaning(*row) for row in connection.execute(query)]
    parts = (
        select(_ACTIONS.c.requested_ms, _ACTIONS.c.parts, _ACTIONS.c.by)
        .join(_UNITS, _UNITS.c.row == _ACTIONS.c.unit_row)
        .where(_ACTIONS.c.kind == ActionKind.CLEANED.value, *_at(site, unit))
        .order_by(_ACTIONS.c.id.desc())
        .limit(limit)
    )
    known = {(c.time_ms, c.part) for c in found}
    for at_ms, names, by in connection.execute(parts):
        found += [
            Cleaning(at_ms, part, by)
            for part in (names.split() or [""])
            if (at_ms, part) not in known
        ]
    return sorted(found, key=lambda c: -c.time_ms)[:limit]


def event_lines(
    connection: Connection, end_ms: int, site: str = "", unit: str = "", start_ms: int = 0
) -> list[AlarmEvent]:
    """Alarm events with ``start_ms <= time < end_ms``, oldest first, without their evidence."""
    e = _EVENTS.c
    query = (
        select(
            e.unit_row, e.fault, e.time_ms, e.change, e.state, e.severity, e.onset_ms, e.by, e.note
        )
        .join(_UNITS, _UNITS.c.row == e.unit_row)
        .where(e.time_ms >= start_ms, e.time_ms < end_ms, *_at(site, unit))
        .order_by(e.time_ms, e.id)
    )
    return [
        AlarmEvent(
            row, fault, time_ms, Change(change), AlarmState(state), Severity(severity), onset_ms,
            by=by, note=note,
        )
        for row, fault, time_ms, change, state, severity, onset_ms, by, note
        in connection.execute(query)
    ]  # fmt: skip


def counted(
    connection: Connection, start_ms: int, end_ms: int, site: str = ""
) -> Iterator[Counted]:
    """What figures need of the alarm events with ``start_ms <= time < end_ms``, oldest first.

    Few are held at a time; the transaction must last until the last one was taken.
    """
    e = _EVENTS.c
    query = select(e.unit_row, e.fault, e.time_ms, e.change, e.state, e.severity)
    if site:
        query = query.join(_UNITS, _UNITS.c.row == e.unit_row).where(*_at(site, ""))
    query = query.where(e.time_ms >= start_ms, e.time_ms < end_ms).order_by(e.time_ms, e.id)
    found = connection.execute(query.execution_options(yield_per=_AT_ONCE))
    for some in found.partitions():
        for row, fault, time_ms, change, state, severity in some:
            yield Counted(
                row, fault, time_ms, _CHANGES[change], _STATES[state], _SEVERITIES[severity]
            )


def standing_at(connection: Connection, time_ms: int, site: str = "") -> list[Counted]:
    """Of each alarm that stood at that moment the event by which it had begun to, oldest first.

    Only alarms that changed since, or are not normal now, can have stood then; of those the last
    events are read backwards, and nothing of the years before.
    """
    a, e = _ALARMS.c, _EVENTS.c
    candidates = (
        select(a.unit_row, a.fault)
        .join(_UNITS, _UNITS.c.row == a.unit_row)
        .where(or_(a.state != _NORMAL, a.changed_ms >= time_ms), *_at(site, ""))
    )
    begun = []
    for unit_row, fault in connection.execute(candidates).all():
        query = (
            select(e.time_ms, e.change, e.state, e.severity)
            .where(e.unit_row == unit_row, e.fault == fault, e.time_ms < time_ms)
            .order_by(e.time_ms.desc(), e.id.desc())
            .execution_options(yield_per=_FEW)
        )
        first = None
        with connection.execute(query) as rows:
            for at_ms, change, state, severity in rows:
                if _STATES[state] not in ACTIVE:
                    break
                first = Counted(
                    unit_row, fault, at_ms, _CHANGES[change], _STATES[state], _SEVERITIES[severity]
                )
        if first is not None:
            begun.append(first)
    return sorted(begun, key=lambda one: one.time_ms)


def change_mark(connection: Connection) -> ChangeMark:
    """A mark that differs once anything that a page shows has changed."""

    def top(column: Any) -> Any:
        return select(func.coalesce(func.max(column), 0)).scalar_subquery()

    def count(model: Any, *wanted: Any) -> Any:
        return select(func.count()).select_from(model).where(*wanted).scalar_subquery()

    waiting = count(ActionRecord, ActionRecord.state != ActionState.APPLIED.value)
    row = connection.execute(
        select(
            top(_EVENTS.c.id), top(_TICKETS.c.id), top(_TICKETS.c.updated_ms),
            top(_ACTIONS.c.id), waiting,
            top(UnitLookRecord.looked_ms), top(QuarantineRecord.last_ms),
            top(VisitRecord.changed_ms), top(VisitPlanRecord.made_ms), count(VisitWishRecord),
            count(VisitWishRecord, VisitWishRecord.ended_ms.is_not(None)),
            count(SessionRecord), top(SessionRecord.begun_ms),
            count(AccountRecord, AccountRecord.disabled),
        )
    ).one()  # fmt: skip
    values = [int(value) for value in row]
    return ChangeMark(
        tuple(values[:5]), values[5], values[6], tuple(values[7:11]), tuple(values[11:])
    )


def _at(site: str, unit: str) -> Sequence[ColumnElement[bool]]:
    return [
        *([_UNITS.c.site == site] if site else []),
        *([_UNITS.c.unit == unit] if unit else []),
    ]
