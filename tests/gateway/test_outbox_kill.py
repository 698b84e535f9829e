"""The sending program is killed again and again; afterwards every mail is there, once.

The server decides when: it kills the program while the message is in its hands but not answered,
or before the message was given, moments that no timer could hit.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections import Counter
from pathlib import Path

from sqlalchemy.engine import URL
from support.records import NOW_MS, open_records, raised, step
from support.smtp import MailCatcher, Received

from gateway.records.rows import AttemptOutcome, OutboxState

ROOT = Path(__file__).parents[2]
SENDER = Path(__file__).with_name("outbox_sender.py")
MAILS = 12


class Sender:
    """The program, started and killed by the test; killed only by its own process id."""

    def __init__(self, url: str, port: int) -> None:
        self.process = subprocess.Popen(
            [sys.executable, str(SENDER), url, str(port)],
            env=os.environ | {"PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE,
            text=True,
        )

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def ended(self) -> str:
        out, _ = self.process.communicate(timeout=120)
        return out


def test_a_program_killed_while_sending_loses_nothing_and_doubles_only_what_it_marks(
    records_url: URL,
) -> None:
    records = open_records(records_url)
    url = records_url.render_as_string(hide_password=False)
    events = [raised(NOW_MS, row=i % 3, fault=f"fault-{i // 3}") for i in range(MAILS)]
    records.commit(1, step(*events), [], NOW_MS)
    with MailCatcher() as server:
        senders: list[Sender] = []
        seen: list[str] = []

        def kill_at_the_second(received: Received) -> None:
            seen.append(received.message["Message-ID"])
            if len(seen) == 2:
                senders[-1].kill()

        def kill_at_the_sixth(received: Received) -> None:
            if len(server.received) == 6:
                senders[-1].kill()

        server.behaviour.at_data = kill_at_the_second  # the server never has it whole and answered
        server.behaviour.before_reply = kill_at_the_sixth  # the server has it
        for _ in range(3):
            senders.append(Sender(url, server.port))
            said = senders[-1].ended()
        assert "done" in said
        ids = Counter(m.message["Message-ID"] for m in server.received)
        sixth = server.received[5].message["Message-ID"]

    rows = records.outbox()
    records.close()
    assert len(rows) == MAILS
    assert {r.state for r in rows} == {OutboxState.ACCEPTED}
    assert set(ids) == {r.message_id for r in rows}  # nothing lost
    marked = {r.message_id for r in rows if r.possibly_duplicate}
    assert marked == {seen[1], sixth}
    assert {i for i, count in ids.items() if count > 1} == {sixth}
    one, two = [m.content for m in server.received if m.message["Message-ID"] == sixth]
    assert one == two
    outcomes = Counter(a.outcome for row in rows for a in row.history)
    assert outcomes == {AttemptOutcome.ACCEPTED: MAILS, AttemptOutcome.UNKNOWN: 2}


def test_a_program_killed_between_mails_doubles_nothing(records_url: URL) -> None:
    records = open_records(records_url)
    url = records_url.render_as_string(hide_password=False)
    records.commit(1, step(*[raised(NOW_MS, row=i) for i in range(3)]), [], NOW_MS)
    with MailCatcher() as server:
        sender = Sender(url, server.port)
        senders = [sender]

        def kill_at_the_next_mail(address: str) -> None:
            senders[-1].kill()
            del address

        server.behaviour.at_rcpt = kill_at_the_next_mail
        sender.ended()
        (row,) = [r for r in records.outbox() if r.state is OutboxState.SENDING]
        assert server.received == []
        server.behaviour.at_rcpt = None
        senders.append(Sender(url, server.port))
        assert "done" in senders[-1].ended()
        ids = [m.message["Message-ID"] for m in server.received]
    rows = records.outbox()
    records.close()
    assert sorted(ids) == sorted(r.message_id for r in rows)
    assert not any(r.possibly_duplicate for r in rows)
    again = next(r for r in rows if r.id == row.id)
    assert [a.outcome for a in again.history] == [
        AttemptOutcome.INTERRUPTED, AttemptOutcome.ACCEPTED,
    ]  # fmt: skip
