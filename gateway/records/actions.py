"""What people ask for: from the request, through the journal, until the rules have applied it.

The board writes requests; the pipeline copies each into the journal and marks it; the commit that
holds its effects marks it applied. All functions work inside the caller's transaction.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import Final

from sqlalchemy import Connection, func, insert, select, update

from gateway.records.models import ActionRecord, AlarmRecord
from gateway.records.service_state import held_out
from gateway.records.session import RecordsError
from rules.answers import why_not
from rules.events import Action, ActionKind, AlarmState
from rules.state import CLEANABLE_PARTS

__all__ = [
    "ActionState",
    "add_action",
    "mark_applied",
    "mark_journalled",
    "read_pending",
    "why_nothing",
]

_ON_ONE_ALARM: Final = frozenset(
    {ActionKind.ACKNOWLEDGE, ActionKind.SHELVE, ActionKind.UNSHELVE, ActionKind.RESET}
)


class ActionState(StrEnum):
    """How far an action has come."""

    REQUESTED = "requested"
    JOURNALLED = "journalled"
    APPLIED = "applied"


def add_action(
    connection: Connection,
    *,
    kind: ActionKind,
    unit_row: int,
    fault: str,
    by: str,
    note: str,
    until_ms: int,
    now_ms: int,
    parts: Sequence[str] = (),
    ticket: str = "",
) -> int:
    """Record a request and give its id; :class:`RecordsError` where it cannot be meant.

    ``ticket`` is the number of the one whose life asks for it, '' where a person asks by himself.
    """
    by = by.strip()
    if not by:
        msg = f"'{kind.value}' needs the name of the person who asks for it. Nothing was changed."
        raise RecordsError(msg)
    if kind is ActionKind.SHELVE and until_ms <= now_ms:
        msg = "A shelved alarm must have an end that lies ahead. Give a time to shelve it until."
        raise RecordsError(msg)
    if kind in _ON_ONE_ALARM and not fault:
        msg = f"'{kind.value}' is done to one alarm. Name the fault."
        raise RecordsError(msg)
    if unknown := [p for p in parts if p not in CLEANABLE_PARTS]:
        msg = (
            f"There is no part '{unknown[0]}'. Parts are {', '.join(CLEANABLE_PARTS)}. Nothing was "
            "changed."
        )
        raise RecordsError(msg)
    inserted = connection.execute(
        insert(ActionRecord).values(
            kind=kind.value,
            unit_row=unit_row,
            fault=fault,
            requested_ms=now_ms,
            until_ms=until_ms,
            by=by,
            note=note.strip(),
            parts=" ".join(parts),
            ticket=ticket,
            state=ActionState.REQUESTED.value,
        )
    )
    key = inserted.inserted_primary_key
    assert key is not None  # noqa: S101  # a plain INSERT of one row always has one
    return int(key[0])


def why_nothing(
    connection: Connection, *, kind: ActionKind, unit_row: int, fault: str, now_ms: int
) -> str:
    """Why the request would change nothing as the alarm stands now, as a sentence; else empty.

    While another request for the unit is on its way nobody can tell, so nothing is held against
    this one.
    """
    if connection.scalar(
        select(func.count())
        .select_from(ActionRecord)
        .where(ActionRecord.unit_row == unit_row, ActionRecord.state != ActionState.APPLIED.value)
    ):
        return ""
    state = connection.scalar(
        select(AlarmRecord.state).where(
            AlarmRecord.unit_row == unit_row, AlarmRecord.fault == fault
        )
    )
    before = AlarmState.NORMAL if state is None else AlarmState(state)
    # Of an alarm that was normal when its unit was taken out of service the rules say nothing.
    if before is AlarmState.NORMAL and held_out(connection, unit_row, now_ms):
        before = AlarmState.OUT_OF_SERVICE
    return why_not(before, kind)


def read_pending(connection: Connection) -> list[Action]:
    """Requests that are not in the journal yet, oldest first."""
    query = (
        select(ActionRecord.__table__)
        .where(ActionRecord.state == ActionState.REQUESTED.value)
        .order_by(ActionRecord.id)
    )
    return [
        Action(
            id=r.id,
            kind=ActionKind(r.kind),
            unit_row=r.unit_row,
            fault=r.fault,
            time_ms=r.requested_ms,
            by=r.by,
            note=r.note,
            until_ms=r.until_ms,
            parts=tuple(r.parts.split()),
        )
        for r in connection.execute(query)
    ]


def mark_journalled(connection: Connection, ids: Sequence[int], offset: int) -> None:
    """These requests stand in the journal at ``offset``; what is further along stays so."""
    connection.execute(
        update(ActionRecord)
        .where(ActionRecord.id.in_(ids), ActionRecord.state == ActionState.REQUESTED.value)
        .values(state=ActionState.JOURNALLED.value, journal_offset=offset)
    )


def mark_applied(connection: Connection, ids: Sequence[int], now_ms: int) -> None:
    """The rules have applied these."""
    connection.execute(
        update(ActionRecord)
        .where(ActionRecord.id.in_(ids))
        .values(state=ActionState.APPLIED.value, applied_ms=now_ms)
    )
