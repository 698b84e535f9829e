"""Taking a unit out of service and bringing it back: what stands in the way of a request.

Whoever works at a machine relies on it that its alarms stay held until he is clear of it. All
functions work inside the caller's transaction.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from sqlalchemy import ColumnElement, Connection, or_, select

from gateway.records.models import ActionRecord, TicketRecord
from gateway.tickets.life import TicketPhase, people_on_site
from rules.events import ActionKind

__all__ = ["HeldOut", "held_besides_visits", "held_out", "longest", "what_forbids"]

_KINDS: Final = (ActionKind.OUT_OF_SERVICE.value, ActionKind.IN_SERVICE.value)


@dataclass(frozen=True)
class HeldOut:
    """That a unit is out of service, by whose word and until when (ms since 1970; 0: no end)."""

    by: str
    note: str
    until_ms: int


def held_out(connection: Connection, unit_row: int, now_ms: int) -> HeldOut | None:
    """The unit's time out of service, also one that is asked for and on its way."""
    return _held(connection, unit_row, now_ms)


def held_besides_visits(connection: Connection, unit_row: int, now_ms: int) -> HeldOut | None:
    """What a person asked for apart from any visit to the site: it outlives the visits."""
    # A return to service ended all that was before it, also where a visit asked for it.
    apart = or_(ActionRecord.kind == ActionKind.IN_SERVICE.value, ActionRecord.ticket == "")
    return _held(connection, unit_row, now_ms, apart)


def _held(
    connection: Connection, unit_row: int, now_ms: int, *which: ColumnElement[bool]
) -> HeldOut | None:
    """By the last of the unit's requests that are ``which``."""
    last = connection.execute(
        select(ActionRecord.kind, ActionRecord.by, ActionRecord.note, ActionRecord.until_ms)
        .where(ActionRecord.unit_row == unit_row, ActionRecord.kind.in_(_KINDS), *which)
        .order_by(ActionRecord.id.desc())
        .limit(1)
    ).first()
    if last is None or last.kind != ActionKind.OUT_OF_SERVICE.value:
        return None
    if last.until_ms and last.until_ms <= now_ms:
        return None
    return HeldOut(last.by, last.note, last.until_ms)


def longest(connection: Connection, unit_row: int, until_ms: int, now_ms: int) -> int:
    """The later of ``until_ms`` and the end that holds for the unit already; 0 is no end."""
    held = held_out(connection, unit_row, now_ms)
    return until_ms if held is None or _is_no_longer(held.until_ms, until_ms) else held.until_ms


def what_forbids(
    connection: Connection,
    *,
    kind: ActionKind,
    place: str,
    unit_row: int,
    until_ms: int,
    now_ms: int,
) -> str:
    """Why the request must not be, with what to do instead; '' where nothing is in the way."""
    if kind is ActionKind.IN_SERVICE and (people := _on_site(connection, unit_row)):
        return (
            f"{place}: {' and '.join(people)}, and may be working under a lock: the unit stays out "
            "of service. Once everybody is clear of the machine, report on the ticket who has left "
            "or that the work is done; that brings the unit back. Nothing was changed."
        )
    if kind is ActionKind.OUT_OF_SERVICE:
        held = held_out(connection, unit_row, now_ms)
        if held is not None and not _is_no_longer(held.until_ms, until_ms):
            end = f"until {_utc(held.until_ms)}" if held.until_ms else "without an end"
            note = f" ({held.note})" if held.note else ""
            return (
                f"{place}: {held.by} has taken it out of service {end}{note}; this would end that "
                f"sooner, at {_utc(until_ms)}. Choose a longer time, or bring the unit back in "
                "service first. Nothing was changed."
            )
    return ""


def _is_no_longer(until_ms: int, than_ms: int) -> bool:
    return than_ms == 0 or 0 < until_ms <= than_ms


def _on_site(connection: Connection, unit_row: int) -> list[str]:
    rows = connection.execute(
        select(TicketRecord.number, TicketRecord.on_site)
        .where(
            TicketRecord.unit_row == unit_row, TicketRecord.state == TicketPhase.ON_SITE.value
        )
        .order_by(TicketRecord.id)
    )  # fmt: skip
    return [
        f"{one.by} has been on site for ticket {row.number} since {_utc(one.since_ms)}"
        for row in rows
        for one in people_on_site(row.on_site)
    ]


def _utc(time_ms: int) -> str:
    try:
        return f"{datetime.fromtimestamp(time_ms / 1000, UTC):%Y-%m-%d %H:%M} UTC"
    except (OverflowError, ValueError, OSError):
        return "a time that cannot be"
