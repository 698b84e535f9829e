"""What a shift hands over, read by priority and age; sorted and cut by the database.

All functions work inside the caller's transaction and write nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, cast

from sqlalchemy import ColumnElement, Connection, Table, and_, case, func, not_, or_, select

from gateway.records import queries
from gateway.records.models import TicketRecord, UnitRecord
from gateway.records.rows import TicketRow
from gateway.tickets.life import ENDED, STANDING, TicketPhase

__all__ = ["Group", "Groups", "Waiting", "handed_over", "waiting"]

_T: Final = cast("Table", TicketRecord.__table__).c
_UNITS: Final = cast("Table", UnitRecord.__table__)
_PHASES: Final = [phase.value for phase in TicketPhase]


class Group(StrEnum):
    """Where a ticket stands in a hand-over; each one that is not closed is in one of them."""

    UNANSWERED = "unanswered"
    """Nobody has taken it on, and the trouble stands."""
    ON_SITE = "on site"
    TAKEN = "taken"
    TO_CLOSE = "to close"
    """The readings are back to normal, or the work is done."""
    CLOSED = "closed"
    """Closed since the shift began."""


@dataclass(frozen=True)
class Groups:
    """The first tickets of each group and how many there are; ``opened`` since the shift began."""

    rows: Mapping[Group, tuple[TicketRow, ...]]
    totals: Mapping[Group, int]
    opened: int


def handed_over(
    connection: Connection, since_ms: int, limit: int, sites: Collection[str] | None = None
) -> Groups:
    """At most ``limit`` tickets of each group, of these sites or of all.

    The gravest come first and of those the oldest; closed ones are by their end, the newest first.
    """
    rank = case({"high": 0, "medium": 1, "low": 2}, value=_T.priority, else_=3)
    ours: list[ColumnElement[bool]] = [] if sites is None else [_UNITS.c.site.in_(sorted(sites))]
    rows: dict[Group, tuple[TicketRow, ...]] = {}
    totals: dict[Group, int] = {}
    for group in Group:
        wanted = (_in(group, since_ms), *ours)
        order = (
            (_T.closed_ms.desc(), _T.id.desc())
            if group is Group.CLOSED
            else (rank, _T.onset_ms, _T.id)
        )
        rows[group] = tuple(queries.tickets_in_order(connection, wanted, order, limit))
        found = len(rows[group])
        totals[group] = found if found < limit else _count(connection, *wanted)
    # Whatever was opened was also written since; the index is by that.
    opened = _count(
        connection,
        _T.state.in_(_PHASES),
        _T.updated_ms >= since_ms,
        _T.opened_ms >= since_ms,
        *ours,
    )
    return Groups(rows, totals, opened)


@dataclass(frozen=True)
class Waiting:
    """The first tickets of those that wait, how many wait, and how many are overdue."""

    rows: tuple[TicketRow, ...]
    total: int
    overdue: int


def waiting(
    connection: Connection,
    within_ms: Mapping[str, int],
    now_ms: int,
    limit: int,
    sites: Collection[str] | None = None,
) -> Waiting:
    """At most ``limit`` tickets that nobody has closed, the earliest due first.

    ``within_ms`` says by priority how long after its opening a ticket is due.
    """
    due = _T.opened_ms + case(dict(within_ms), value=_T.priority, else_=0)
    ours: list[ColumnElement[bool]] = [] if sites is None else [_UNITS.c.site.in_(sorted(sites))]
    wanted = (_T.state.in_([phase.value for phase in STANDING]), *ours)
    rows = queries.tickets_in_order(connection, wanted, (due, _T.id), limit)
    return Waiting(
        tuple(rows), _count(connection, *wanted), _count(connection, *wanted, due < now_ms)
    )


def _count(connection: Connection, *wanted: ColumnElement[bool]) -> int:
    query = select(func.count()).select_from(TicketRecord)
    query = query.join(_UNITS, _UNITS.c.row == _T.unit_row).where(*wanted)
    return connection.scalar(query) or 0


def _in(group: Group, since_ms: int) -> ColumnElement[bool]:
    standing = _T.state.in_([phase.value for phase in STANDING])
    on_site = _T.state == TicketPhase.ON_SITE.value
    done = or_(_T.returned_ms.is_not(None), _T.state == TicketPhase.WORK_DONE.value)
    match group:
        case Group.UNANSWERED:
            return and_(_T.state == TicketPhase.OPEN.value, _T.returned_ms.is_(None))
        case Group.ON_SITE:
            return on_site
        case Group.TO_CLOSE:
            return and_(standing, not_(on_site), done)
        case Group.TAKEN:
            return and_(standing, not_(on_site), not_(done), _T.state != TicketPhase.OPEN.value)
        case Group.CLOSED:
            ended = _T.state.in_([phase.value for phase in ENDED])
            return and_(ended, _T.updated_ms >= since_ms, _T.closed_ms >= since_ms)
