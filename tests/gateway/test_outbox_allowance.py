"""Nobody gets more than the hour's allowance; a high ticket is told within a minute."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

import pytest
from sqlalchemy.engine import URL
from support.outbox import outbox_for
from support.records import HOUR_MS, NOW_MS, RUI, WATCH, open_records, raised, step
from support.smtp import MailCatcher, Received

from gateway.mail.allowance import Allowance
from gateway.mail.outbox import Backoff, Outbox
from gateway.records import Records
from gateway.records.rows import Channel, OutboxState
from gateway.tickets.notice import Recipient
from gateway.tickets.routing import Routing, TeamRoute
from rules.events import Severity

MINUTE_MS = 60_000
LIMIT = 3


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    records = open_records(records_url)
    yield records
    records.close()


@pytest.fixture
def server() -> Iterator[MailCatcher]:
    with MailCatcher() as server:
        yield server


def limited(records: Records, server: MailCatcher, **options: object) -> Outbox:
    allowance = Allowance(records.allowance_store, LIMIT)
    return outbox_for(records, server, allowance=allowance, **options)


def raise_many(
    records: Records, count: int, severity: Severity = Severity.MEDIUM, at_ms: int = NOW_MS
) -> None:
    offset = records.committed_offset() + 1
    events = [raised(at_ms, severity, fault=f"f-{offset}-{n}") for n in range(count)]
    records.commit(offset, step(*events), [], at_ms)


def pumped(outbox: Outbox, from_ms: int, until_ms: int) -> list[int]:
    """Pump as the worker does, without waiting; the times."""
    times, now_ms = [], from_ms
    for _ in range(500):
        times.append(now_ms)
        next_ms = outbox.pump(now_ms).next_ms
        if next_ms is None or max(next_ms, now_ms) > until_ms:
            return times
        now_ms = max(next_ms, now_ms)
    raise AssertionError(times[-5:])


def is_list(mail: Received) -> bool:
    return "LOCK OUT BEFORE WORK" in mail.message.get_content()


def test_beyond_the_allowance_mails_wait_are_listed_once_and_all_come_in_the_end(
    records: Records, server: MailCatcher
) -> None:
    outbox = limited(records, server)
    raise_many(records, 8)
    pumped(outbox, NOW_MS, NOW_MS)
    lists = [m for m in server.received if is_list(m)]
    assert len(server.received) - len(lists) == LIMIT
    assert [m.recipients for m in lists] == [(RUI.email,), (WATCH.email,)]
    assert lists[0].message["Subject"] == "P2 MEDIUM - 5 more tickets: the full mails follow"
    body = lists[0].message.get_content()
    assert [f"BW-00000{n}" in body for n in range(1, 9)] == [False] * 3 + [True] * 5
    assert "quay-cold-store / ac-1, since 2026-03-01 09:29 UTC" in body
    waiting = records.outbox([OutboxState.PENDING])
    assert {row.attempts for row in waiting} == {0}
    assert {row.last_reply for row in waiting} == {
        "Waits: at most 3 messages an hour to one address."
    }
    # The server works, so nothing has waited for it since.
    assert records.outbox_counts().oldest_waiting_ms is None
    pumped(outbox, NOW_MS + MINUTE_MS, NOW_MS + HOUR_MS - 1)
    assert len(server.received) == LIMIT + 2
    times = pumped(outbox, NOW_MS + HOUR_MS, NOW_MS + 4 * HOUR_MS)
    assert len(times) < 40  # it does not look in vain
    mails = Counter(m.message["Message-ID"] for m in server.received if not is_list(m))
    assert len(mails) == 8
    assert set(mails.values()) == {1}
    assert sum(map(is_list, server.received)) == 2  # nothing is listed twice


def test_a_heap_of_lesser_tickets_does_not_hold_a_high_one_back(
    records: Records, server: MailCatcher
) -> None:
    outbox = limited(records, server)
    raise_many(records, 10)
    pumped(outbox, NOW_MS, NOW_MS)
    before = len(server.received)
    raise_many(records, 1, Severity.HIGH, NOW_MS + 5_000)
    outbox.pump(NOW_MS + 5_000)
    assert [m.message["Subject"] for m in server.received[before:]] == ["BW-000011 opened high"]


def test_many_high_ones_are_told_within_a_minute_in_one_mail(
    records: Records, server: MailCatcher
) -> None:
    outbox = limited(records, server)
    for at_ms in range(NOW_MS, NOW_MS + 2 * MINUTE_MS, 10_000):
        raise_many(records, 2, Severity.HIGH, at_ms)
        pumped(outbox, at_ms, at_ms + 1_000)
    pumped(outbox, NOW_MS + 2 * MINUTE_MS, NOW_MS + 5 * MINUTE_MS)
    told: dict[str, list[str]] = {}
    for mail in server.received:
        if RUI.email in mail.recipients:
            text = mail.message["Subject"] + " " + mail.message.get_content()
            for word in text.split():
                if word.startswith("BW-"):
                    told.setdefault(word.strip(","), []).append(mail.message["Message-ID"])
    assert len(told) == 24
    assert {len(by) for by in told.values()} == {1}
    rows = {row.message_id: row for row in records.outbox()}
    opened = {r.ticket: r.created_ms for r in rows.values() if r.channel is Channel.MAIL}
    waited = [rows[by].created_ms - opened[number] for number, (by,) in told.items()]
    assert max(waited) <= MINUTE_MS + 1_000  # told by a pump that may run a moment later
    lists = sorted({by for (by,) in told.values() if rows[by].channel is Channel.LIST})
    times = sorted(rows[by].created_ms for by in lists)
    assert len(times) >= 2
    assert all(b - a >= MINUTE_MS for a, b in pairwise(times))
    assert len([m for m in server.received if not is_list(m)]) == LIMIT


def test_one_whose_hour_is_full_does_not_keep_others_from_their_mail(
    records_url: URL, server: MailCatcher
) -> None:
    """The monitoring centre is in copy of two teams; its hour is full before theirs."""
    ana = Recipient("Ana", "ana@hill.example")
    teams = {
        "north": TeamRoute(on_call=(RUI,), monitoring=(WATCH,)),
        "hill": TeamRoute(on_call=(ana,), monitoring=(WATCH,)),
    }
    routing = Routing(teams, {"quay-cold-store": "north", "hill-dairy": "hill"})
    records = open_records(records_url, routing=routing)
    outbox = limited(records, server)
    raise_many(records, LIMIT)
    pumped(outbox, NOW_MS, NOW_MS)
    events = [raised(NOW_MS, row=2, fault=f"g{n}") for n in range(2)]
    records.commit(9, step(*events), [], NOW_MS)
    pumped(outbox, NOW_MS, NOW_MS + 45_000)
    assert [m.recipients for m in server.received[LIMIT:]] == [
        (ana.email,), (ana.email,), (WATCH.email,),
    ]  # fmt: skip
    pumped(outbox, NOW_MS + HOUR_MS, NOW_MS + 2 * HOUR_MS)
    assert [m.recipients for m in server.received[LIMIT + 3 :]] == [(WATCH.email,)] * 2
    assert records.outbox_counts().waiting == 0
    records.close()


def test_a_restart_remembers_what_the_hour_holds(records: Records, server: MailCatcher) -> None:
    raise_many(records, 5)
    pumped(limited(records, server), NOW_MS, NOW_MS)
    first = len(server.received)
    pumped(limited(records, server), NOW_MS + MINUTE_MS, NOW_MS + MINUTE_MS)
    raise_many(records, 1, at_ms=NOW_MS + MINUTE_MS)
    pumped(limited(records, server), NOW_MS + MINUTE_MS, NOW_MS + MINUTE_MS)
    assert all(is_list(m) for m in server.received[first:])
    assert len(server.received) == first + 2  # of the new one, to each of the two


def test_a_held_notice_waits_for_its_time_unlisted(records: Records, server: MailCatcher) -> None:
    from support.records import returned

    outbox = limited(records, server)
    events = [raised(NOW_MS), returned(NOW_MS), raised(NOW_MS), returned(NOW_MS), raised(NOW_MS)]
    for offset, event in enumerate(events, start=1):
        records.commit(offset, step(event), [], NOW_MS)
    pumped(outbox, NOW_MS, NOW_MS)
    assert [m.message["Subject"] for m in server.received if is_list(m)] == [
        "P2 MEDIUM - 1 more ticket: the full mails follow"
    ] * 2
    pumped(outbox, NOW_MS + 4 * HOUR_MS, NOW_MS + 5 * HOUR_MS)
    assert len([m for m in server.received if not is_list(m)]) == 5


def test_a_clock_set_back_holds_nothing_up(records: Records, server: MailCatcher) -> None:
    ahead_ms = NOW_MS + 26 * HOUR_MS
    outbox = limited(records, server, backoff=Backoff())
    raise_many(records, LIMIT, at_ms=ahead_ms)
    pumped(outbox, ahead_ms, ahead_ms)
    raise_many(records, 2)
    pumped(outbox, NOW_MS, NOW_MS)
    assert len(server.received) == LIMIT + 2
