"""The work that is waiting, by when it should be done."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from gateway.overview.source import Source
from gateway.overview.tickets import TicketLine, ticket_line
from gateway.tickets.life import STANDING

__all__ = ["DUE_WITHIN_MS", "PlanLine", "PlanView", "plan_view"]

DAY_MS: Final = 86_400_000
DUE_WITHIN_MS: Final[Mapping[str, int]] = {"high": DAY_MS, "medium": 7 * DAY_MS, "low": 30 * DAY_MS}
"""From opening to due: today, this week, with the next planned work, which is a month off at most
(common practice; the first two are the meaning of the priorities)."""

MOST: Final = 2_000


@dataclass(frozen=True)
class PlanLine:
    """One ticket with the moment by which it should be done (UTC, ms since 1970)."""

    ticket: TicketLine
    due_ms: int
    is_overdue: bool


@dataclass(frozen=True)
class PlanView:
    """Tickets that nobody has closed, the earliest due first; ``is_cut`` where there are more."""

    made_ms: int
    lines: tuple[PlanLine, ...]
    is_cut: bool


def plan_view(source: Source, now_ms: int, *, team: str = "", limit: int = MOST) -> PlanView:
    """What waits for a team, or for all."""
    rows = source.records.tickets(phases=STANDING, limit=limit + 1)
    teams = {site.id: site.team for site in source.configuration.sites}
    lines = []
    for row in rows[:limit]:
        if team and teams.get(row.site) != team:
            continue
        due_ms = row.opened_ms + DUE_WITHIN_MS[row.priority]
        lines.append(PlanLine(ticket_line(source.names, row), due_ms, due_ms < now_ms))
    lines.sort(key=lambda one: (one.due_ms, one.ticket.number))
    return PlanView(now_ms, tuple(lines), len(rows) > limit)
