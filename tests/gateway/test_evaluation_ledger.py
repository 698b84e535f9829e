"""Alarms and tickets from events, with a person played who closes what is over."""

from __future__ import annotations

from gateway.evaluation.ledger import Ledger
from rules.events import AlarmEvent, AlarmState, Cause, Change, Evidence, Severity

HOUR = 3_600_000
SCREEN, PADS = "pump-screen-clogging", "pads-clogged"


def evidence(*slugs: str) -> Evidence:
    return Evidence("why", 0.9, causes=tuple(Cause(s, s, 0.7) for s in slugs))


def event(hours: float, change: Change, severity=Severity.LOW, fault=PADS, causes=()) -> AlarmEvent:
    state = {
        Change.RETURNED: AlarmState.RETURNED_UNACKNOWLEDGED,
        Change.SUPPRESSED: AlarmState.SUPPRESSED,
        Change.UNSUPPRESSED: AlarmState.NORMAL,
    }.get(change, AlarmState.UNACKNOWLEDGED)
    told = evidence(*causes) if change in (Change.RAISED, Change.WORSENED) else None
    at_ms = round(hours * HOUR)
    return AlarmEvent(0, fault, at_ms, change, state, severity, at_ms, told)


def ledger(*events: AlarmEvent) -> Ledger:
    made = Ledger({0: ("s", "a")}, {SCREEN, PADS}, close_after_ms=24 * HOUR)
    made.take(events)
    return made


def test_raised_worse_and_over():
    book = ledger(
        event(1, Change.RAISED, causes=["lime"]),
        event(5, Change.WORSENED, Severity.MEDIUM, causes=[SCREEN]),
        event(9, Change.RETURNED),
    )
    (alarm,) = book.alarms
    assert (alarm.raised_ms, alarm.returned_ms) == (HOUR, 9 * HOUR)
    assert [a.diagnosis for a in alarm.announcements] == [PADS, SCREEN]
    assert alarm.severity is Severity.MEDIUM
    (ticket,) = book.tickets
    assert (ticket.opened_ms, ticket.returned_ms, ticket.closed_ms) == (HOUR, 9 * HOUR, None)
    assert (ticket.diagnosis, ticket.priority) == (PADS, "medium")


def test_a_trouble_that_comes_back_soon_is_the_same_ticket():
    book = ledger(event(1, Change.RAISED), event(2, Change.RETURNED), event(20, Change.RAISED))
    assert len(book.alarms) == 2
    (ticket,) = book.tickets
    assert (ticket.repeats, ticket.returned_ms) == (1, None)


def test_a_trouble_that_comes_back_late_is_a_new_ticket():
    book = ledger(event(1, Change.RAISED), event(2, Change.RETURNED), event(26, Change.RAISED))
    first, second = book.tickets
    assert (first.closed_ms, second.number, second.opened_ms) == (26 * HOUR, 2, 26 * HOUR)


def test_the_end_closes_what_is_due():
    book = ledger(event(1, Change.RAISED), event(2, Change.RETURNED))
    book.finish(25 * HOUR)
    assert book.tickets[0].closed_ms is None
    book.finish(26 * HOUR)
    assert book.tickets[0].closed_ms == 26 * HOUR


def test_suppression_ends_an_alarm_and_a_later_raise_is_a_new_one():
    book = ledger(
        event(1, Change.RAISED), event(2, Change.SUPPRESSED), event(3, Change.UNSUPPRESSED),
        event(4, Change.RAISED),
    )  # fmt: skip
    assert [a.raised_ms for a in book.alarms] == [HOUR, 4 * HOUR]
    assert book.alarms[0].ended_by == "suppressed by design"
    assert len(book.tickets) == 1


def test_all_events_are_kept_for_figures():
    events = [event(1, Change.RAISED), event(2, Change.RETURNED)]
    assert ledger(*events).events == events
