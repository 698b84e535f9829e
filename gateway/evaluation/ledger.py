"""Alarms and tickets as the gateway would have had them, gathered from the rules' events.

Tickets are decided by the same desk as live. There a person closes a ticket; here one is played who
closes it a set time after readings went back to normal, so that a trouble that comes back much
later is a new ticket and not hidden in an old one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Final

from gateway.tickets.desk import TicketPhase, TicketState, decide
from gateway.tickets.notice import TicketEventKind
from rules.evaluation.cases import Alarm, Announcement, Ticket, diagnosis
from rules.events import AlarmEvent, Change

__all__ = ["CLOSE_AFTER_MS", "Ledger"]

CLOSE_AFTER_MS: Final = 24 * 3_600_000
"""A day: whoever reads the tickets each morning closes those whose trouble is over."""

_SPEAKS: Final = frozenset({Change.RAISED, Change.WORSENED})
_ENDS: Final = frozenset(
    {Change.RETURNED, Change.SUPPRESSED, Change.RESET, Change.SHELVED, Change.OUT_OF_SERVICE}
)

_Key = tuple[int, str]


class Ledger:
    """Takes events in order of time; ``units`` names site and unit of each row."""

    def __init__(
        self,
        units: Mapping[int, tuple[str, str]],
        catalogue: Collection[str],
        *,
        close_after_ms: int = CLOSE_AFTER_MS,
    ) -> None:
        """``catalogue`` holds the slugs that a cause can name a fault by."""
        self._units = units
        self._catalogue = catalogue
        self._close_after_ms = close_after_ms
        self._open_alarms: dict[_Key, Alarm] = {}
        self._open_tickets: dict[_Key, tuple[TicketState, Ticket]] = {}
        self.alarms: list[Alarm] = []
        self.tickets: list[Ticket] = []
        self.events: list[AlarmEvent] = []

    def take(self, events: Iterable[AlarmEvent]) -> None:
        """Go on with some events."""
        for event in events:
            self.events.append(event)
            self._take_alarm(event)
            self._take_ticket(event)

    def finish(self, now_ms: int) -> None:
        """Close what is due at the end of the history."""
        for state, ticket in self._open_tickets.values():
            if self._is_due(state, now_ms):
                ticket.closed_ms = (state.returned_ms or 0) + self._close_after_ms

    def _announcement(self, event: AlarmEvent) -> Announcement:
        evidence = event.evidence
        causes = evidence.causes if evidence else ()
        return Announcement(
            event.time_ms,
            event.severity,
            diagnosis(event.fault, causes, self._catalogue),
            causes,
            evidence.summary if evidence else "",
            evidence.confidence if evidence else None,
            worse=event.change is Change.WORSENED,
        )

    def _take_alarm(self, event: AlarmEvent) -> None:
        key = (event.unit_row, event.fault)
        alarm = self._open_alarms.get(key)
        if event.change in _SPEAKS:
            if alarm is None:
                site, unit = self._units[event.unit_row]
                alarm = Alarm(site, unit, event.fault, event.onset_ms, [])
                self._open_alarms[key] = alarm
                self.alarms.append(alarm)
            alarm.announcements.append(self._announcement(event))
        elif event.change in _ENDS and alarm is not None:
            alarm.returned_ms = event.time_ms
            alarm.ended_by = event.change.value
            del self._open_alarms[key]

    def _take_ticket(self, event: AlarmEvent) -> None:
        key = (event.unit_row, event.fault)
        state, ticket = self._open_tickets.get(key, (None, None))
        if state is not None and ticket is not None and self._is_due(state, event.time_ms):
            ticket.closed_ms = (state.returned_ms or 0) + self._close_after_ms
            del self._open_tickets[key]
            state = ticket = None
        decision = decide(event, state)
        if decision is None:
            return
        if ticket is None:
            site, unit = self._units[event.unit_row]
            said = self._announcement(event)
            ticket = Ticket(
                len(self.tickets) + 1, site, unit, event.fault, event.time_ms, event.onset_ms,
                decision.ticket.priority, said.diagnosis, said.causes, said.summary,
            )  # fmt: skip
            self.tickets.append(ticket)
        ticket.priority = decision.ticket.priority
        ticket.returned_ms = decision.ticket.returned_ms
        ticket.repeats += decision.entry.kind is TicketEventKind.REPEATED
        self._open_tickets[key] = (decision.ticket, ticket)

    def _is_due(self, state: TicketState, now_ms: int) -> bool:
        return (
            state.phase is not TicketPhase.CLOSED
            and state.returned_ms is not None
            and now_ms - state.returned_ms >= self._close_after_ms
        )
