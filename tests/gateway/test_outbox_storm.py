"""A storm of tickets against a slow mail server: the rules go on, and memory stays small.

``BASINWARD_LONG_RUNS=20`` makes it 10,000 tickets; by default there are 1,500.
"""

from __future__ import annotations

import os
import threading
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import event
from support.outbox import outbox_for
from support.records import NOW_MS, RUI, WATCH, open_records, raised, returned, step
from support.smtp import MailCatcher, Received

from gateway.mail.allowance import Allowance
from gateway.mail.worker import OutboxWorker
from gateway.records import Records
from gateway.records.rows import OutboxState
from rules.events import Severity

TICKETS = 10_000 if int(os.environ.get("BASINWARD_LONG_RUNS", "1")) > 1 else 1_500
A_STEP = 500
SEVERITIES = (Severity.HIGH, Severity.MEDIUM, Severity.MEDIUM)


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    records = open_records(tmp_path)
    yield records
    records.close()


@pytest.fixture
def server() -> Iterator[MailCatcher]:
    with MailCatcher() as server:
        yield server


def storm(records: Records) -> int:
    """Raise all tickets; the last offset."""
    offset = records.committed_offset()
    for first in range(0, TICKETS, A_STEP):
        offset += 1
        numbers = range(first, min(first + A_STEP, TICKETS))
        events = [raised(NOW_MS, SEVERITIES[n % 3], fault=f"fault-{n}") for n in numbers]
        assert records.commit(offset, step(*events), [], NOW_MS)
    return offset


def test_the_rules_commit_while_the_server_keeps_the_first_mail_waiting(
    records: Records, server: MailCatcher
) -> None:
    """The server answers nothing until all is committed; then mails flow within the allowance."""
    asked, answer = threading.Event(), threading.Event()

    def slow(_received: Received) -> None:
        asked.set()
        assert answer.wait(250)

    server.behaviour.at_data = slow
    troubles: list[str] = []
    outbox = outbox_for(
        records, server, allowance=Allowance(records.allowance_store, 5), batch=20
    )  # fmt: skip
    worker = OutboxWorker(outbox, lambda: NOW_MS, troubles.append)
    records.on_mail = worker.wake
    worker.start()
    try:
        records.commit(1, step(raised(NOW_MS, row=1)), [], NOW_MS)
        assert asked.wait(120)
        offset = storm(records)
        events = [returned(NOW_MS, fault=f"fault-{n}") for n in range(10)]
        assert records.commit(offset + 1, step(*events), [], NOW_MS)
        assert server.received == []
        counts = records.outbox_counts()
        assert counts.waiting == TICKETS + 1 + 10
        answer.set()
        # Of each kind five to two people together, then one list to each of them.
        server.wait_for(2 * 5 + 2 * 2)
    finally:
        answer.set()
        assert worker.stop(60)
    assert troubles == []
    lists = [m.message for m in server.received if "more tickets" in m.message["Subject"]]
    assert {m["To"].addresses[0].addr_spec for m in lists} == {RUI.email, WATCH.email}
    assert all(len(m.as_bytes()) < 64_000 for m in lists)


def test_work_and_memory_of_the_outbox_do_not_grow_with_what_waits(
    records: Records, server: MailCatcher
) -> None:
    storm(records)
    allowance = Allowance(records.allowance_store, 5)
    outbox = outbox_for(records, server, allowance=allowance, batch=20)
    statements: list[str] = []
    engine = records._database.engine
    event.listen(engine, "before_cursor_execute", lambda *a: statements.append(a[2]))
    tracemalloc.start()
    try:
        now_ms, mails = NOW_MS, 0
        for _ in range(12):
            result = outbox.pump(now_ms)
            mails += result.accepted
            now_ms = NOW_MS + 1_000
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert mails == len(server.received) == 2 * 5 + 2 * 2
    # What waits holds two kilobytes a ticket; a batch of twenty and a list of 200 are all there is.
    assert most < 4_000_000
    # A claim, its reading, an attempt, two phases, a settlement: some fifteen statements a mail.
    assert len(statements) < 12 * 25 + mails * 25
    assert records.outbox_counts().by_state[OutboxState.PENDING] == TICKETS - 10
