"""What a shift hands over to the next: who has what, what nobody has, and what was closed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from gateway.overview.alarms import AlarmItem, alarm_items
from gateway.overview.source import GatewayNow, Source, gateway_now
from gateway.overview.tickets import TicketLine, ticket_line
from gateway.records.shift import Group, handed_over
from gateway.tickets.notice import Priority
from rules.events import AlarmState

__all__ = ["HELD", "MOST", "DutyLine", "HandoverView", "handover_view"]

HOUR_MS: Final = 3_600_000
MOST: Final = 200
"""Of each list: more than that nobody takes over by reading."""
HELD: Final = "held"


@dataclass(frozen=True)
class DutyLine:
    """Who is told first of a priority's tickets in a team now."""

    team: str
    priority: Priority
    names: tuple[str, ...]


@dataclass(frozen=True)
class HandoverView:
    """Everything the coming shift takes over; ``closed`` and ``opened`` since ``since_ms``.

    Of each list the gravest and of those the oldest come first; :data:`MOST` are shown.

    ``held`` are shelved alarms and those out of service by a person's word: they come back.
    """

    made_ms: int
    since_ms: int
    gateway: GatewayNow
    on_duty: tuple[DutyLine, ...]
    unanswered: tuple[TicketLine, ...]
    on_site: tuple[TicketLine, ...]
    taken: tuple[TicketLine, ...]
    to_close: tuple[TicketLine, ...]
    """Readings are back to normal, or the work is done: to be looked at and closed."""
    closed: tuple[TicketLine, ...]
    opened: int
    held: tuple[AlarmItem, ...]
    totals: Mapping[str, int]
    """How many there are of each list, whose first are shown: by :class:`Group`, and 'held'."""


def handover_view(
    source: Source, now_ms: int, *, hours: float = 8.0, team: str = ""
) -> HandoverView:
    """The hand-over of a team, or of all, over the last hours."""
    since_ms = now_ms - int(hours * HOUR_MS)
    teams = {site.id: site.team for site in source.configuration.sites}
    ours = {site for site, its in teams.items() if its == team} if team else None
    with source.records.reading() as connection:
        found = handed_over(connection, since_ms, MOST, ours)
    lines = {
        group: tuple(ticket_line(source.names, row) for row in rows)
        for group, rows in found.rows.items()
    }
    held = [
        a
        for a in alarm_items(source)
        if a.state in {AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE}
        and (ours is None or a.site in ours)
    ]
    return HandoverView(
        now_ms, since_ms, gateway_now(source, now_ms), _on_duty(source, now_ms, team),
        lines[Group.UNANSWERED], lines[Group.ON_SITE], lines[Group.TAKEN], lines[Group.TO_CLOSE],
        lines[Group.CLOSED], found.opened, tuple(held[:MOST]),
        {**{group.value: total for group, total in found.totals.items()}, HELD: len(held)},
    )  # fmt: skip


def _on_duty(source: Source, now_ms: int, only: str) -> tuple[DutyLine, ...]:
    lines = []
    for team_id, route in source.configuration.routing.teams.items():
        if only and team_id != only:
            continue
        name = route.name or team_id
        priorities: tuple[Priority, ...] = ("high", "medium")
        for priority in priorities:
            people = route.first_told(priority, now_ms)
            names = tuple(p.name or p.email for p in people)
            lines.append(DutyLine(name, priority, names))
    return tuple(lines)
