"""Reading the records: alarms, tickets, quarantine, baselines. Nothing here writes.

All functions work inside the caller's transaction, so that several answers belong together.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, cast

from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    Select,
    Table,
    and_,
    func,
    literal,
    or_,
    select,
)

from gateway.records.models import (
    AlarmEventRecord,
    AlarmRecord,
    BaselineHistoryRecord,
    BaselineRecord,
    QuarantineRecord,
    TicketAttachmentRecord,
    TicketEventRecord,
    TicketFindingRecord,
    TicketRecord,
    UnitRecord,
)
from gateway.records.rows import (
    AlarmEventRow,
    AttachmentRow,
    BaselineRow,
    FindingRow,
    HandBackRow,
    QuarantineRow,
    StandingAlarm,
    TicketRow,
    evidence_of,
)
from gateway.records.text import by_code_points
from gateway.tickets.closeout import PartFinding, readings_of
from gateway.tickets.life import TicketPhase, people_on_site
from gateway.tickets.notice import TicketEntry, TicketEventKind
from rules.events import AlarmEvent, AlarmState, Change, Severity
from rules.handback import HandBackItem
from rules.lessons import verdict_kept

__all__ = [
    "Where",
    "alarm_counts",
    "alarm_events",
    "attachment",
    "attachments",
    "baseline_history",
    "baselines",
    "findings",
    "quarantine",
    "standing_alarms",
    "ticket_by_number",
    "ticket_entries",
    "tickets",
    "tickets_in_order",
    "units",
]

_BIGGEST: Final = 2**63 - 1
_UNITS: Final = cast("Table", UnitRecord.__table__)


@dataclass(frozen=True)
class Where:
    """Which site, unit and fault; an empty word means any."""

    site: str = ""
    unit: str = ""
    fault: str = ""


def units(connection: Connection) -> dict[int, tuple[str, str]]:
    """Site and unit of each row of the unit register that the records know."""
    rows = connection.execute(select(_UNITS))
    return {r.row: (r.site, r.unit) for r in rows}


def alarm_counts(connection: Connection) -> dict[tuple[Severity, AlarmState], int]:
    """How many alarms that are not normal there are, by severity and state."""
    table = _table(AlarmRecord)
    query = (
        select(table.c.severity, table.c.state, func.count())
        .where(table.c.state != int(AlarmState.NORMAL))
        .group_by(table.c.severity, table.c.state)
    )
    return {(Severity(s), AlarmState(a)): n for s, a, n in connection.execute(query)}


def standing_alarms(connection: Connection, where: Where) -> list[StandingAlarm]:
    """Alarms that are not normal, the gravest first, the oldest first among equals."""
    table = _table(AlarmRecord)
    query = _placed(table, where).where(table.c.state != int(AlarmState.NORMAL))
    query = query.order_by(
        table.c.severity.desc(), table.c.onset_ms, table.c.unit_row, by_code_points(table.c.fault)
    )
    return [
        StandingAlarm(
            unit_row=r.unit_row,
            site=r.site,
            unit=r.unit,
            fault=r.fault,
            state=AlarmState(r.state),
            severity=Severity(r.severity),
            onset_ms=r.onset_ms,
            raised_ms=r.raised_ms,
            changed_ms=r.changed_ms,
            evidence=evidence_of(r.evidence),
        )
        for r in connection.execute(query)
    ]


def alarm_events(
    connection: Connection,
    start_ms: int,
    end_ms: int,
    where: Where,
    limit: int,
    before: tuple[int, int] | None = None,
) -> list[AlarmEventRow]:
    """Alarm events with ``start_ms <= time < end_ms``, newest first.

    ``before`` continues a list: time (ms) and id of its last event.
    """
    table = _table(AlarmEventRecord)
    query = _placed(table, where).where(table.c.time_ms >= start_ms, table.c.time_ms < end_ms)
    if before is not None:
        then_ms, last = literal(before[0], BigInteger()), literal(before[1], BigInteger())
        query = query.where(
            or_(table.c.time_ms < then_ms, and_(table.c.time_ms == then_ms, table.c.id < last))
        )
    query = query.order_by(table.c.time_ms.desc(), table.c.id.desc()).limit(limit)
    return [
        AlarmEventRow(
            id=r.id,
            site=r.site,
            unit=r.unit,
            recorded_ms=r.recorded_ms,
            event=AlarmEvent(
                unit_row=r.unit_row,
                fault=r.fault,
                time_ms=r.time_ms,
                change=Change(r.change),
                state=AlarmState(r.state),
                severity=Severity(r.severity),
                onset_ms=r.onset_ms,
                evidence=evidence_of(r.evidence),
                by=r.by,
                note=r.note,
            ),
        )
        for r in connection.execute(query)
    ]


def tickets(
    connection: Connection,
    where: Where,
    *,
    phases: frozenset[TicketPhase],
    priority: str,
    before_id: int | None,
    limit: int,
    opened_ms: tuple[int, int] | None = None,
) -> list[TicketRow]:
    """Tickets in one of the phases, newest first; ``before_id`` continues a list.

    With ``opened_ms`` those opened from its first time on and before its second.
    """
    table = _table(TicketRecord)
    query = _placed(table, where).where(table.c.state.in_([p.value for p in phases]))
    if priority:
        query = query.where(table.c.priority == priority)
    if opened_ms is not None:
        start_ms, end_ms = (literal(min(t, _BIGGEST), BigInteger()) for t in opened_ms)
        query = query.where(table.c.opened_ms >= start_ms, table.c.opened_ms < end_ms)
    if before_id is not None:
        # What is asked for may be beyond the numbers that the column can hold.
        query = query.where(table.c.id < literal(min(before_id, _BIGGEST), BigInteger()))
    query = query.order_by(table.c.id.desc()).limit(limit)
    return [_ticket_row(r) for r in connection.execute(query)]


def tickets_in_order(
    connection: Connection,
    wanted: Iterable[ColumnElement[bool]],
    order: Iterable[ColumnElement[Any]],
    limit: int,
) -> list[TicketRow]:
    """The first tickets for which all of ``wanted`` hold; conditions may name the site too."""
    query = _placed(_table(TicketRecord), Where()).where(*wanted).order_by(*order).limit(limit)
    return [_ticket_row(r) for r in connection.execute(query)]


def ticket_by_number(connection: Connection, number: str) -> TicketRow | None:
    """The ticket of that number, or None."""
    table = _table(TicketRecord)
    row = connection.execute(_placed(table, Where()).where(table.c.number == number)).first()
    return None if row is None else _ticket_row(row)


def ticket_entries(
    connection: Connection, ticket_id: int, up_to_seq: int | None = None
) -> tuple[TicketEntry, ...]:
    """The ticket's history, oldest first."""
    table = _table(TicketEventRecord)
    query = select(table).where(table.c.ticket_id == ticket_id).order_by(table.c.seq)
    if up_to_seq is not None:
        query = query.where(table.c.seq <= up_to_seq)
    return tuple(
        TicketEntry(
            seq=r.seq,
            time_ms=r.time_ms,
            kind=TicketEventKind(r.kind),
            severity=Severity(r.severity),
            evidence=evidence_of(r.evidence),
            by=r.by,
            note=r.note,
        )
        for r in connection.execute(query)
    )


def quarantine(
    connection: Connection, *, site: str, first_day: str, limit: int
) -> list[QuarantineRow]:
    """What was refused since ``first_day`` ('2026-03-01', empty: all), the newest first."""
    table = _table(QuarantineRecord)
    query = select(table).where(table.c.day >= first_day)
    if site:
        query = query.where(table.c.site == site)
    query = query.order_by(
        table.c.last_ms.desc(), by_code_points(table.c.topic), by_code_points(table.c.reason)
    ).limit(limit)
    # QuarantineRow has the table's columns, in an order of its own.
    return [QuarantineRow(**dict(r)) for r in connection.execute(query).mappings()]


def baselines(connection: Connection, where: Where) -> list[BaselineRow]:
    """The last baseline of each quantity and mode; those that were reset have no value."""
    table = _table(BaselineRecord)
    query = _placed(table, where).order_by(
        table.c.unit_row, by_code_points(table.c.quantity), by_code_points(table.c.mode)
    )
    return [_baseline_row(r) for r in connection.execute(query)]


def baseline_history(
    connection: Connection, where: Where, quantity: str, limit: int
) -> list[BaselineRow]:
    """Every baseline of a quantity that was learned or reset, newest first."""
    table = _table(BaselineHistoryRecord)
    query = _placed(table, where).where(table.c.quantity == quantity)
    query = query.order_by(table.c.time_ms.desc(), table.c.id.desc()).limit(limit)
    return [_baseline_row(r) for r in connection.execute(query)]


def _table(model: Any) -> Table:
    return cast("Table", model.__table__)


def _placed(table: Table, where: Where) -> Select[Any]:
    """Rows of the table with the ids of site and unit."""
    query = select(table, _UNITS.c.site, _UNITS.c.unit).join(
        _UNITS, _UNITS.c.row == table.c.unit_row
    )
    if where.site:
        query = query.where(_UNITS.c.site == where.site)
    if where.unit:
        query = query.where(_UNITS.c.unit == where.unit)
    if where.fault:
        query = query.where(table.c.fault == where.fault)
    return query


def _ticket_row(r: Any) -> TicketRow:
    return TicketRow(
        id=r.id,
        number=r.number,
        unit_row=r.unit_row,
        site=r.site,
        unit=r.unit,
        fault=r.fault,
        priority=r.priority,
        state=TicketPhase(r.state),
        onset_ms=r.onset_ms,
        opened_ms=r.opened_ms,
        updated_ms=r.updated_ms,
        returned_ms=r.returned_ms,
        acknowledged_ms=r.acknowledged_ms,
        acknowledged_by=r.acknowledged_by,
        closed_ms=r.closed_ms,
        closed_by=r.closed_by,
        finding=r.finding,
        root_message_id=r.root_message_id,
        assignee=r.assignee,
        on_site=people_on_site(r.on_site),
        stay_until_ms=r.stay_until_ms,
        work_done_ms=r.work_done_ms,
        work_done_by=r.work_done_by,
        hand_back=_hand_back(r),
        normal_ms=r.normal_ms,
        verified_ms=r.verified_ms,
    )


def _hand_back(r: Any) -> HandBackRow | None:
    if r.hand_back_from_ms is None:
        return None
    data = r.hand_back or {}
    items = []
    for item in data.get("items", ()):
        try:
            items.append(HandBackItem.from_json(item))
        except (TypeError, KeyError, AttributeError, ValueError):
            continue  # of another version: what it can read it shows
    ended_ms = r.hand_back_ended_ms
    proven = ended_ms is not None and bool(data.get("proven"))
    return HandBackRow(r.hand_back_from_ms, ended_ms, proven, tuple(items))


def findings(connection: Connection, ticket_id: int) -> tuple[FindingRow, ...]:
    """What was found, part by part, oldest first."""
    table = _table(TicketFindingRecord)
    query = select(table).where(table.c.ticket_id == ticket_id).order_by(table.c.position)
    return tuple(
        FindingRow(
            r.position,
            r.time_ms,
            r.by,
            PartFinding(
                r.part,
                r.found,
                r.done,
                r.parts_used,
                readings_of(r.readings),
                verdict_kept(r.verdict),
            ),
        )
        for r in connection.execute(query)
    )


def attachments(connection: Connection, ticket_id: int) -> tuple[AttachmentRow, ...]:
    """Photos and documents of a ticket, without their content."""
    table = _table(TicketAttachmentRecord)
    wanted = [table.c[f.name] for f in dataclasses.fields(AttachmentRow)]
    query = select(*wanted).where(table.c.ticket_id == ticket_id).order_by(table.c.position)
    return tuple(AttachmentRow(**dict(r)) for r in connection.execute(query).mappings())


def attachment(
    connection: Connection, number: str, position: int
) -> tuple[AttachmentRow, bytes] | None:
    """One of them, with its content; None if there is none."""
    table, tickets_ = _table(TicketAttachmentRecord), _table(TicketRecord)
    query = (
        select(table)
        .join(tickets_, tickets_.c.id == table.c.ticket_id)
        .where(tickets_.c.number == number)
        .where(table.c.position == literal(min(max(position, 0), _BIGGEST), BigInteger()))
    )
    row = connection.execute(query).mappings().first()
    if row is None:
        return None
    known = {f.name: row[f.name] for f in dataclasses.fields(AttachmentRow)}
    return AttachmentRow(**known), bytes(row["content"])


def _baseline_row(r: Any) -> BaselineRow:
    m = r._mapping  # 'count' is also a method of a row
    return BaselineRow(
        unit_row=m["unit_row"],
        site=m["site"],
        unit=m["unit"],
        quantity=m["quantity"],
        mode=m["mode"],
        value=m["value"],
        spread=m["spread"],
        count=m["count"],
        measure=m["measure"],
        time_ms=m["time_ms"],
    )
