"""The outbox when the program or the records fail at a bad moment, and the thread that pumps it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator

import pytest
from sqlalchemy.engine import URL
from support.outbox import only, outbox_for, raise_one
from support.records import (
    HOUR_MS,
    NOW_MS,
    open_records,
)
from support.smtp import MailCatcher

from gateway.mail.outbox import Outbox
from gateway.mail.worker import OutboxWorker
from gateway.records import Records, RecordsUnavailable
from gateway.records.rows import AttemptOutcome, OutboxState
from rules.events import StepResult


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    records = open_records(records_url)
    yield records
    records.close()


@pytest.fixture
def server() -> Iterator[MailCatcher]:
    with MailCatcher() as server:
        yield server


def interrupt(records: Records, phase: OutboxState) -> None:
    """Leave the only mail as a crash would: claimed, or claimed and being handed over."""
    ((outbox_id, *_),) = records.outbox_store.due(NOW_MS, 1)
    assert records.outbox_store.claim(outbox_id, NOW_MS) is not None
    if phase is OutboxState.HANDING_OVER:
        records.outbox_store.handing_over(outbox_id)


@pytest.mark.parametrize(
    ("phase", "outcome", "flagged"),
    [
        (OutboxState.SENDING, AttemptOutcome.INTERRUPTED, False),
        (OutboxState.HANDING_OVER, AttemptOutcome.UNKNOWN, True),
    ],
)
def test_what_a_crash_left_under_way_is_sent_again_and_marked_if_it_may_be_double(
    records_url: URL,
    server: MailCatcher,
    phase: OutboxState,
    outcome: AttemptOutcome,
    flagged: bool,
) -> None:
    records = open_records(records_url)
    raise_one(records)
    interrupt(records, phase)
    assert only(records).state is phase
    records.close()
    again = open_records(records_url)
    result = outbox_for(again, server).pump(NOW_MS + 1)
    assert (result.recovered, result.accepted) == (1, 1)
    row = only(again)
    assert (row.possibly_duplicate, row.history[0].outcome) == (flagged, outcome)
    assert len(server.received) == 1
    again.close()


def test_records_that_cannot_be_written_just_after_the_reply_send_nothing_twice(
    records: Records, server: MailCatcher, monkeypatch: pytest.MonkeyPatch
) -> None:
    raise_one(records)
    outbox = outbox_for(records, server)
    settle = records.outbox_store.settle
    trouble = RecordsUnavailable("locked")

    def failing(*_args: object) -> OutboxState:
        raise trouble

    monkeypatch.setattr(records.outbox_store, "settle", failing)
    with pytest.raises(RecordsUnavailable, match="locked"):
        outbox.pump(NOW_MS)
    monkeypatch.setattr(records.outbox_store, "settle", settle)
    outbox.pump(NOW_MS + 1)
    row = only(records)
    assert (row.state, row.possibly_duplicate) == (OutboxState.ACCEPTED, False)
    assert len(server.received) == 1


def test_records_that_cannot_be_written_just_before_the_end_keep_the_mail_from_the_server(
    records: Records, server: MailCatcher, monkeypatch: pytest.MonkeyPatch
) -> None:
    raise_one(records)
    outbox = outbox_for(records, server)
    handing_over = records.outbox_store.handing_over

    def failing(_outbox_id: int) -> None:
        msg = "disk full"
        raise RecordsUnavailable(msg)

    monkeypatch.setattr(records.outbox_store, "handing_over", failing)
    with pytest.raises(RecordsUnavailable, match="disk full"):
        outbox.pump(NOW_MS)
    monkeypatch.setattr(records.outbox_store, "handing_over", handing_over)
    outbox.pump(NOW_MS + HOUR_MS)
    row = only(records)
    assert (row.state, row.possibly_duplicate, row.attempts) == (OutboxState.ACCEPTED, False, 2)
    assert len(server.received) == 1


class Clock:
    def __init__(self) -> None:
        self.now_ms = NOW_MS

    def __call__(self) -> int:
        return self.now_ms


def worker_for(outbox: Outbox, trouble: Callable[[str], None] = lambda _why: None) -> OutboxWorker:
    return OutboxWorker(outbox, Clock(), trouble)


def test_the_worker_sends_what_a_commit_adds_and_stops_when_told(
    records: Records, server: MailCatcher
) -> None:
    worker = worker_for(outbox_for(records, server))
    records.on_mail = worker.wake
    worker.start()
    for row in range(3):
        raise_one(records, row=row)
        server.wait_for(row + 1)
    assert worker.stop()
    raise_one(records, row=0)
    records.commit(99, StepResult(), [], NOW_MS)
    assert len(server.received) == 3


def test_the_worker_reports_records_that_cannot_be_written_and_goes_on(
    records: Records, server: MailCatcher, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = threading.Event()
    recover = records.outbox_store.recover

    def failing(_now_ms: int) -> int:
        monkeypatch.setattr(records.outbox_store, "recover", recover)
        msg = "locked"
        raise RecordsUnavailable(msg)

    monkeypatch.setattr(records.outbox_store, "recover", failing)
    raise_one(records)
    worker = worker_for(outbox_for(records, server), lambda _why: told.set())
    worker.start()
    assert told.wait(120)
    worker.wake()
    server.wait_for(1)
    assert worker.stop()


def test_a_fault_in_the_middle_of_a_mail_neither_loses_it_nor_ends_the_worker(
    records: Records, server: MailCatcher, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[str] = []
    handing_over = records.outbox_store.handing_over

    def failing(_outbox_id: int) -> None:
        monkeypatch.setattr(records.outbox_store, "handing_over", handing_over)
        msg = "unforeseen"
        raise RuntimeError(msg)

    monkeypatch.setattr(records.outbox_store, "handing_over", failing)
    raise_one(records)
    worker = worker_for(outbox_for(records, server), told.append)
    worker.start()
    server.wait_for(1)
    assert worker.stop()
    assert told == ["Sending failed (RuntimeError: unforeseen)."]
    row = only(records)
    assert [a.outcome for a in row.history] == [
        AttemptOutcome.INTERRUPTED, AttemptOutcome.ACCEPTED,
    ]  # fmt: skip
    assert not row.possibly_duplicate
