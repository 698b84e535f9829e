"""The outbox against a real mail server: what is sent, what is tried again, what is recorded."""

from __future__ import annotations

from collections.abc import Iterator
from email.message import EmailMessage

import pytest
from sqlalchemy.engine import URL
from support.outbox import FROM, only, outbox_for, raise_one, render
from support.records import (
    HOUR_MS,
    NOW_MS,
    PLANNER,
    ROUTING,
    RUI,
    WATCH,
    open_records,
    raised,
    returned,
    step,
    worsened,
)
from support.smtp import MailCatcher
from ticket_scenes import fault, quay_site

from gateway.mail.outbox import Backoff
from gateway.records import Records
from gateway.records.rows import AttemptOutcome, DeliveryState, OutboxState
from gateway.tickets.notice import NoticeKind, TicketNotice
from gateway.tickets.render import MailRenderer
from rules.events import Severity

MINUTE_MS = 60_000


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    records = open_records(records_url)
    yield records
    records.close()


@pytest.fixture
def server() -> Iterator[MailCatcher]:
    with MailCatcher() as server:
        yield server


def test_a_notice_reaches_everyone_once(records: Records, server: MailCatcher) -> None:
    raise_one(records)
    outbox = outbox_for(records, server)
    assert outbox.pump(NOW_MS).accepted == 1
    assert outbox.pump(NOW_MS + HOUR_MS).accepted == 0
    (mail,) = server.received
    assert (mail.sender, mail.recipients) == (FROM, (RUI.email, WATCH.email))
    message = mail.message
    assert message["Subject"] == "BW-000001 opened medium"
    assert message["From"] == FROM
    assert message["To"] == "Rui Prata <rui@north.example>"
    assert message["Cc"] == "Control room <watch@centre.example>"
    assert message["Message-ID"] == f"<BW-000001.1.{records.installation}@basinward.invalid>"
    assert message["Date"].datetime.timestamp() * 1000 == NOW_MS
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["In-Reply-To"] is None
    assert "quay-cold-store" in message.get_content()
    assert ".leading dot" in message.get_content().splitlines()
    row = only(records)
    assert row.state is OutboxState.ACCEPTED
    assert {d.state for d in row.deliveries} == {DeliveryState.ACCEPTED}
    assert [a.outcome for a in row.history] == [AttemptOutcome.ACCEPTED]
    assert row.history[0].reply == "250 2.0.0 taken"
    assert not row.possibly_duplicate


def test_later_mails_of_a_ticket_answer_the_first(records: Records, server: MailCatcher) -> None:
    for offset, event in enumerate([raised(NOW_MS), worsened(NOW_MS), returned(NOW_MS)], start=1):
        records.commit(offset, step(event), [], NOW_MS)
    assert outbox_for(records, server).pump(NOW_MS).accepted == 3
    first, *later = [m.message for m in server.received]
    assert [m["In-Reply-To"] for m in later] == [first["Message-ID"]] * 2
    assert [m["References"] for m in later] == [first["Message-ID"]] * 2
    assert len({m["Message-ID"] for m in (first, *later)}) == 3
    assert later[-1].get_content().split()[2:8] == [
        "1", "opened", "2", "worsened", "3", "returned",
    ]  # fmt: skip
    assert server.sessions == 1


def test_a_notice_tells_the_past_up_to_itself(records: Records, server: MailCatcher) -> None:
    seen: list[TicketNotice] = []

    def remember(notice: TicketNotice) -> EmailMessage:
        seen.append(notice)
        return render(notice)

    for offset, event in enumerate([raised(NOW_MS), worsened(NOW_MS + 5), returned(NOW_MS + 9)], 1):
        records.commit(offset, step(event), [], NOW_MS)
    outbox_for(records, server, render=remember).pump(NOW_MS)
    assert [n.kind for n in seen] == [NoticeKind.OPENED, NoticeKind.WORSENED, NoticeKind.RETURNED]
    assert [len(n.history) for n in seen] == [1, 2, 3]
    assert [n.priority for n in seen] == ["medium", "high", "high"]
    assert [n.evidence for n in seen] == [
        raised(0).evidence, worsened(0).evidence, worsened(0).evidence,
    ]  # fmt: skip
    assert [n.returned_ms for n in seen] == [None, None, NOW_MS + 9]
    assert [n.onset_ms for n in seen] == [NOW_MS - 60_000] * 3
    assert [n.time_ms for n in seen] == [NOW_MS, NOW_MS + 5, NOW_MS + 9]


def test_the_gravest_goes_first(records: Records, server: MailCatcher) -> None:
    for row, severity in enumerate([Severity.LOW, Severity.MEDIUM, Severity.HIGH]):
        raise_one(records, row=row, severity=severity)
    outbox_for(records, server).pump(NOW_MS)
    assert [m.message["Subject"].split()[-1] for m in server.received] == ["high", "medium", "low"]


def test_a_server_that_is_down_is_reported_once_and_its_return_once(
    records: Records, server: MailCatcher
) -> None:
    said: list[tuple[bool, str]] = []
    outbox = outbox_for(records, server, on_server=lambda up, why: said.append((up, why)))
    server.stop()
    for row in range(3):
        raise_one(records, row=row)
    down = outbox.pump(NOW_MS)
    assert down.next_ms is not None
    assert NOW_MS + 5_000 <= down.next_ms < NOW_MS + 65_000
    assert outbox.pump(NOW_MS).next_ms == down.next_ms  # not even tried before
    second = outbox.pump(down.next_ms)
    assert second.server_down
    assert second.next_ms is not None
    assert second.next_ms - down.next_ms >= 10_000  # the pause doubles
    assert [up for up, _ in said] == [False]
    assert f"127.0.0.1:{server.port}" in said[0][1]
    assert "check host and port" in said[0][1]
    assert {r.last_reply for r in records.outbox()} == {said[0][1]}
    counts = records.outbox_counts()
    assert (counts.waiting, counts.oldest_waiting_ms) == (3, NOW_MS)
    server.start()
    assert outbox.pump(second.next_ms).accepted == 3
    assert [up for up, _ in said] == [False, True]
    assert len(server.received) == 3


def test_temporary_refusals_are_tried_again_with_growing_pauses_and_no_limit(
    records: Records, server: MailCatcher
) -> None:
    raise_one(records)
    server.behaviour.data = "451 4.3.0 try later"
    pause = Backoff(MINUTE_MS, 8 * MINUTE_MS)  # minutes, since a mail's own time comes on top
    outbox = outbox_for(records, server, backoff=pause)
    now_ms, pauses = NOW_MS, []
    for _ in range(40):
        result = outbox.pump(now_ms)
        assert result.deferred == 1
        assert result.next_ms is not None
        pauses.append((result.next_ms - now_ms) // MINUTE_MS)
        now_ms = result.next_ms
    assert pauses[:4] == [1, 2, 4, 8]
    assert set(pauses[4:]) == {8}
    assert only(records).last_reply == "451 4.3.0 try later"
    server.behaviour.data = ""
    assert outbox.pump(now_ms).accepted == 1
    row = only(records)
    assert (row.attempts, len(row.history)) == (41, 41)
    assert len({m.message["Message-ID"] for m in server.received}) == 1


def test_one_refused_recipient_does_not_keep_the_others_from_their_mail(
    records: Records, server: MailCatcher
) -> None:
    raise_one(records)
    server.behaviour.rcpt[RUI.email] = "550 5.1.1 no such mailbox"
    refused: list[str] = []
    result = outbox_for(records, server, on_refused=refused.append).pump(NOW_MS)
    assert (result.accepted, result.refused) == (1, 1)
    assert server.received[0].recipients == (WATCH.email,)
    row = only(records)
    assert row.state is OutboxState.ACCEPTED
    assert [(d.state, d.reply) for d in row.deliveries] == [
        (DeliveryState.REFUSED, "550 5.1.1 no such mailbox"),
        (DeliveryState.ACCEPTED, "250 2.0.0 taken"),
    ]
    assert records.outbox_counts().refused_recipients == 1
    assert len(refused) == 1
    assert "BW-000001" in refused[0]
    assert "refused rui@north.example for good (550 5.1.1 no such mailbox)" in refused[0]
    assert "oncall.toml" in refused[0]


def test_a_deferred_recipient_is_served_later_and_the_others_not_again(
    records: Records, server: MailCatcher
) -> None:
    raise_one(records)
    server.behaviour.rcpt[RUI.email] = "450 4.7.1 greylisted"
    outbox = outbox_for(records, server)
    first = outbox.pump(NOW_MS)
    assert (first.deferred, only(records).state) == (1, OutboxState.PENDING)
    server.behaviour.rcpt.clear()
    assert outbox.pump(NOW_MS + HOUR_MS).accepted == 1
    assert [m.recipients for m in server.received] == [(WATCH.email,), (RUI.email,)]
    ids = {m.message["Message-ID"] for m in server.received}
    assert len(ids) == 1
    assert server.received[1].message["To"] == "Rui Prata <rui@north.example>"


def test_too_many_recipients_is_temporary(records: Records, server: MailCatcher) -> None:
    """RFC 5321, 4.5.3.1.10: clients treat a 552 reply to RCPT as 452."""
    raise_one(records)
    server.behaviour.rcpt[WATCH.email] = "552 too many recipients"
    outbox = outbox_for(records, server)
    assert outbox.pump(NOW_MS).refused == 0
    assert only(records).state is OutboxState.PENDING


@pytest.mark.parametrize("part", ["everyone", "content"])
def test_a_mail_refused_for_good_is_kept_as_refused_and_not_tried_again(
    records: Records, server: MailCatcher, part: str
) -> None:
    raise_one(records)
    if part == "everyone":
        server.behaviour.rcpt = dict.fromkeys([RUI.email, WATCH.email], "550 5.1.1 unknown")
    else:
        server.behaviour.data = "554 5.7.1 not wanted"
    outbox = outbox_for(records, server)
    assert outbox.pump(NOW_MS).refused == 1
    assert outbox.pump(NOW_MS + HOUR_MS).next_ms is None
    row = only(records)
    assert (row.state, row.attempts, row.history[0].outcome) == (
        OutboxState.REFUSED, 1, AttemptOutcome.REFUSED,
    )  # fmt: skip


def test_a_refused_sender_is_a_fault_of_the_settings_and_loses_nothing(
    records: Records, server: MailCatcher
) -> None:
    raise_one(records)
    server.behaviour.mail = "553 5.7.1 sender not allowed"
    outbox = outbox_for(records, server)
    assert outbox.pump(NOW_MS).deferred == 1
    assert only(records).last_reply == "553 5.7.1 sender not allowed"
    server.behaviour.mail = ""
    assert outbox.pump(NOW_MS + HOUR_MS).accepted == 1


def test_a_server_that_limits_messages_on_a_connection_gets_another_connection(
    records: Records, server: MailCatcher
) -> None:
    for row, slug in [(r, f) for r in range(3) for f in ("a", "b")]:
        records.commit(
            records.committed_offset() + 1, step(raised(NOW_MS, row=row, fault=slug)), [], NOW_MS
        )
    server.behaviour.messages_a_session = 2
    outbox_for(records, server).pump(NOW_MS)
    assert len(server.received) == 6
    assert len({m.message["Message-ID"] for m in server.received}) == 6
    assert server.sessions == 3


def test_a_connection_lost_after_the_message_is_marked_as_possibly_doubled(
    records: Records, server: MailCatcher
) -> None:
    raise_one(records)
    server.behaviour.drop_after_data = True
    outbox = outbox_for(records, server)
    outbox.pump(NOW_MS)
    row = only(records)
    assert row.possibly_duplicate
    assert row.history[0].outcome is AttemptOutcome.UNKNOWN
    server.behaviour.drop_after_data = False
    assert outbox.pump(NOW_MS + HOUR_MS).accepted == 1
    one, two = server.received
    assert one.content == two.content  # what folds equal messages sees equal messages
    assert only(records).possibly_duplicate


def test_a_server_that_always_hangs_up_is_left_alone_after_a_few_mails(
    records: Records, server: MailCatcher
) -> None:
    said: list[bool] = []
    for row in range(3):
        for slug in ("a", "b"):
            offset = records.committed_offset() + 1
            records.commit(offset, step(raised(NOW_MS, row=row, fault=slug)), [], NOW_MS)
    server.behaviour.drop_at_data = True
    outbox = outbox_for(records, server, on_server=lambda up, _why: said.append(up))
    assert outbox.pump(NOW_MS).server_down
    assert sum(r.attempts for r in records.outbox()) == 3
    assert said == [False]
    server.behaviour.drop_at_data = False
    later = NOW_MS + HOUR_MS
    assert outbox.pump(later).accepted == 6
    assert said == [False, True]


def test_a_mail_that_cannot_be_made_waits_and_holds_up_no_other(
    records: Records, server: MailCatcher
) -> None:
    def broken(notice: TicketNotice) -> EmailMessage:
        if notice.unit_id == "ac-1":
            msg = "no such unit"
            raise KeyError(msg)
        return render(notice)

    raise_one(records, row=0)
    raise_one(records, row=1)
    outbox = outbox_for(records, server, render=broken)
    result = outbox.pump(NOW_MS)
    assert (result.accepted, result.deferred) == (1, 1)
    (waiting,) = records.outbox([OutboxState.PENDING])
    assert waiting.history[0].outcome is AttemptOutcome.NOT_RENDERED
    assert "no such unit" in waiting.last_reply
    assert outbox_for(records, server).pump(NOW_MS + HOUR_MS).accepted == 1


def test_a_held_notice_is_sent_when_its_time_has_come(
    records: Records, server: MailCatcher
) -> None:
    outbox = outbox_for(records, server)
    events = [raised(NOW_MS), returned(NOW_MS), raised(NOW_MS), returned(NOW_MS), raised(NOW_MS)]
    for offset, event in enumerate(events, start=1):
        records.commit(offset, step(event), [], NOW_MS)
        outbox.pump(NOW_MS)
    assert len(server.received) == 4
    due_ms = NOW_MS + 4 * HOUR_MS
    assert outbox.pump(NOW_MS).next_ms == due_ms
    assert outbox.pump(due_ms - 1).accepted == 0
    assert outbox.pump(due_ms).accepted == 1
    assert server.received[-1].message["Subject"] == "BW-000001 repeated medium"
    # What was sent counts as told: the end is told again, and the next repeat waits.
    records.commit(6, step(returned(due_ms)), [], due_ms)
    assert outbox.pump(due_ms).accepted == 1
    records.commit(7, step(raised(due_ms)), [], due_ms + 1)
    assert outbox.pump(due_ms + 1).next_ms == due_ms + 4 * HOUR_MS


def test_low_tickets_go_to_the_planner(records: Records, server: MailCatcher) -> None:
    raise_one(records, severity=Severity.LOW)
    outbox_for(records, server).pump(NOW_MS)
    assert server.received[0].recipients == (PLANNER.email,)
    assert ROUTING.recipients("quay-cold-store", "low", 0) == ((PLANNER,), ())


def test_the_tickets_document_goes_out_as_it_was_rendered(
    records: Records, server: MailCatcher
) -> None:
    renderer = MailRenderer([quay_site()], [fault()], "North Fleet")
    event = raised(NOW_MS, Severity.HIGH, fault="pump-screen-clogging")
    records.commit(1, step(event), [], NOW_MS)
    assert outbox_for(records, server, render=renderer).pump(NOW_MS).accepted == 1
    message = server.received[0].message
    assert message["From"] == "North Fleet <tickets@basinward.example>"
    assert "BW-000001" in message["Subject"]
    assert message["Message-ID"] == only(records).message_id
    text = message.get_body(("plain",))
    assert text is not None
    assert "The spray pressure is 31 %" in " ".join(text.get_content().split())
    assert b"\n" not in server.received[0].content.replace(b"\r\n", b"")
    assert max(map(len, server.received[0].content.split(b"\r\n"))) <= 998  # RFC 5322, 2.1.1


def test_a_clock_that_was_ahead_holds_up_no_mail_until_it_comes(
    records: Records, server: MailCatcher
) -> None:
    """Written with a time still to come, or put off until one; a held notice keeps its time."""
    ahead_ms = NOW_MS + 26 * HOUR_MS
    records.commit(1, step(raised(NOW_MS)), [], ahead_ms)
    server.behaviour.rcpt[RUI.email] = "451 4.3.0 try again later"
    outbox = outbox_for(records, server)
    assert outbox.pump(ahead_ms).deferred == 1
    server.behaviour.rcpt.clear()
    assert outbox.pump(NOW_MS).accepted == 1


def test_a_server_that_was_down_while_the_clock_was_ahead_is_tried_at_once(
    records: Records, server: MailCatcher
) -> None:
    raise_one(records)
    outbox = outbox_for(records, server)
    server.stop()
    assert outbox.pump(NOW_MS + 26 * HOUR_MS).server_down
    server.start()
    assert outbox.pump(NOW_MS).accepted == 1
