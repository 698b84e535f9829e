"""What a shift hands over to the next: who has what, what nobody has, and what was closed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from gateway.overview.alarms import AlarmItem, alarm_items
from gateway.overview.source import GatewayNow, Source, gateway_now
from gateway.overview.tickets import TicketLine, ticket_line
from gateway.tickets.life import ENDED, STANDING, TicketPhase
from gateway.tickets.notice import Priority
from rules.events import AlarmState

__all__ = ["DutyLine", "HandoverView", "handover_view"]

HOUR_MS: Final = 3_600_000
_MOST: Final = 500


@dataclass(frozen=True)
class DutyLine:
    """Who is told first of a priority's tickets in a team now."""

    team: str
    priority: Priority
    names: tuple[str, ...]


@dataclass(frozen=True)
class HandoverView:
    """Everything the coming shift takes over; ``closed`` and ``opened`` since ``since_ms``.

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


def handover_view(
    source: Source, now_ms: int, *, hours: float = 8.0, team: str = ""
) -> HandoverView:
    """The hand-over of a team, or of all, over the last hours."""
    since_ms = now_ms - int(hours * HOUR_MS)
    teams = {site.id: site.team for site in source.configuration.sites}

    def ours(site: str) -> bool:
        return not team or teams.get(site) == team

    rows = source.records.tickets(phases=STANDING, limit=_MOST)
    ended = source.records.tickets(phases=ENDED, limit=_MOST)
    standing = [ticket_line(source.names, r) for r in rows if ours(r.site)]
    closed = [
        ticket_line(source.names, r)
        for r in ended
        if ours(r.site) and r.closed_ms is not None and r.closed_ms >= since_ms
    ]
    unanswered = [t for t in standing if t.phase == TicketPhase.OPEN and not t.is_over]
    on_site = [t for t in standing if t.phase == TicketPhase.ON_SITE]
    to_close = [
        t for t in standing if t not in on_site and (t.is_over or t.phase == TicketPhase.WORK_DONE)
    ]
    taken = [t for t in standing if t not in unanswered and t not in on_site and t not in to_close]
    rank = {"high": 0, "medium": 1, "low": 2}
    for some in (unanswered, on_site, taken, to_close):
        some.sort(key=lambda t: (rank[t.priority], t.onset_ms))
    held = [
        a
        for a in alarm_items(source)
        if a.state in {AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE} and ours(a.site)
    ]
    opened = sum(t.opened_ms >= since_ms for t in [*standing, *closed])
    return HandoverView(
        now_ms, since_ms, gateway_now(source, now_ms), _on_duty(source, now_ms, team),
        tuple(unanswered), tuple(on_site), tuple(taken), tuple(to_close), tuple(closed), opened,
        tuple(held),
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
