"""A ticket is acknowledged once, however many ask, on every kind of database."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy.engine import URL
from support.records import NOW_MS, acknowledged, open_records, raised, returned, step

from gateway.records import Records, RecordsError
from gateway.records.acknowledging import Asked, Awaited
from gateway.tickets.desk import TicketPhase
from rules.events import AlarmState, StepResult


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    records = open_records(records_url)
    records.commit(1, step(raised(NOW_MS), raised(NOW_MS, row=2)), (), NOW_MS)
    yield records
    records.close()


def number_of(records: Records, site: str = "quay-cold-store") -> str:
    return next(t.number for t in records.tickets() if t.site == site)


def test_who_asks_is_recorded_and_who_asks_next_is_told(records: Records) -> None:
    number = number_of(records)
    first = records.acknowledge_ticket(number, by="Ana", note="Seen.", now_ms=NOW_MS + 5)
    assert first.awaited is Awaited.YES
    second = records.acknowledge_ticket(number, by="Rui", note="", now_ms=NOW_MS + 9)
    assert second.awaited is Awaited.ASKED
    assert second.asked == Asked("Ana", "Seen.", NOW_MS + 5)
    (action,) = records.pending_actions()
    assert (action.by, action.unit_row, action.fault) == ("Ana", 0, "fan-fault")
    # In the journal, but not applied yet: it is still under way.
    records.mark_journalled([action.id], 7)
    assert records.pending_actions() == []
    now = records.ticket_now(number)
    assert now is not None
    assert now.awaited is Awaited.ASKED


def test_many_at_once_are_one(records: Records) -> None:
    """Each in a transaction of its own, as two processes would be."""
    number = number_of(records)
    with ThreadPoolExecutor(4) as pool:
        asked = list(
            pool.map(
                lambda i: records.acknowledge_ticket(number, by=f"P{i}", note="", now_ms=NOW_MS),
                range(8),
            )
        )
    assert [now.awaited for now in asked].count(Awaited.YES) == 1
    assert len(records.pending_actions()) == 1


def test_another_ticket_of_the_same_fault_is_not_meant(records: Records) -> None:
    records.acknowledge_ticket(number_of(records), by="Ana", note="", now_ms=NOW_MS)
    other = records.ticket_now(number_of(records, "hill-dairy"))
    assert other is not None
    assert other.awaited is Awaited.YES


def test_what_is_applied_is_acknowledged_and_what_had_no_effect_can_be_asked_again(
    records: Records,
) -> None:
    number = number_of(records)
    records.acknowledge_ticket(number, by="Ana", note="", now_ms=NOW_MS)
    (action,) = records.pending_actions()
    records.commit(2, StepResult(), (), NOW_MS, [action.id])
    now = records.acknowledge_ticket(number, by="Rui", note="", now_ms=NOW_MS)
    assert now.awaited is Awaited.YES
    (action,) = records.pending_actions()
    records.commit(3, step(acknowledged(NOW_MS, by="Rui")), (), NOW_MS, [action.id])
    now = records.acknowledge_ticket(number, by="Eva", note="", now_ms=NOW_MS)
    assert now.awaited is Awaited.ACKNOWLEDGED
    assert now.detail.ticket.acknowledged_by == "Rui"
    assert records.pending_actions() == []


def test_a_closed_ticket_takes_none_and_what_returned_takes_one(records: Records) -> None:
    closed, other = number_of(records), number_of(records, "hill-dairy")
    records.close_ticket(closed, by="Eva", finding="Fuse.", now_ms=NOW_MS)
    records.commit(2, step(returned(NOW_MS, row=2)), (), NOW_MS)
    assert (
        records.acknowledge_ticket(closed, by="Ana", note="", now_ms=NOW_MS).awaited
        is Awaited.CLOSED
    )
    now = records.acknowledge_ticket(other, by="Ana", note="", now_ms=NOW_MS)
    assert (now.awaited, now.alarm) == (Awaited.YES, AlarmState.RETURNED_UNACKNOWLEDGED)
    assert now.detail.ticket.state is TicketPhase.OPEN
    assert [a.unit_row for a in records.pending_actions()] == [2]


def test_a_ticket_that_is_not_there(records: Records) -> None:
    assert records.ticket_now("BW-000999") is None
    with pytest.raises(RecordsError, match="no ticket BW-000999"):
        records.acknowledge_ticket("BW-000999", by="Ana", note="", now_ms=NOW_MS)
