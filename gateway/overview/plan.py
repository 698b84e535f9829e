"""The work that is waiting, by when it should be done."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from gateway.overview.source import Source
from gateway.overview.tickets import TicketLine, ticket_line
from gateway.records.shift import waiting

__all__ = ["DUE_WITHIN_MS", "PlanLine", "PlanView", "plan_view"]

DAY_MS: Final = 86_400_000
DUE_WITHIN_MS: Final[Mapping[str, int]] = {"high": DAY_MS, "medium": 7 * DAY_MS, "low": 30 * DAY_MS}
"""From opening to due: today, this week, with the next planned work, which is a month off at most
(common practice; the first two are the meaning of the priorities)."""

MOST: Final = 200
"""What is due later is planned when it comes nearer."""


@dataclass(frozen=True)
class PlanLine:
    """One ticket with the moment by which it should be done (UTC, ms since 1970)."""

    ticket: TicketLine
    due_ms: int
    is_overdue: bool


@dataclass(frozen=True)
class PlanView:
    """Tickets that nobody has closed, the earliest due first, as many as are shown.

    ``total`` of them wait, ``overdue`` should be done already.
    """

    made_ms: int
    lines: tuple[PlanLine, ...]
    total: int
    overdue: int

    @property
    def is_cut(self) -> bool:
        """Whether there are more than are shown."""
        return self.total > len(self.lines)


def plan_view(source: Source, now_ms: int, *, team: str = "", limit: int = MOST) -> PlanView:
    """What waits for a team, or for all."""
    teams = {site.id: site.team for site in source.configuration.sites}
    ours = {site for site, its in teams.items() if its == team} if team else None
    with source.records.reading() as connection:
        found = waiting(connection, DUE_WITHIN_MS, now_ms, limit, ours)
    lines = tuple(
        PlanLine(ticket_line(source.names, row), due_ms, due_ms < now_ms)
        for row, due_ms in (
            (row, row.opened_ms + DUE_WITHIN_MS[row.priority]) for row in found.rows
        )
    )
    return PlanView(now_ms, lines, found.total, found.overdue)
