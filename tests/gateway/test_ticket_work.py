"""What people do to tickets, in the records: on every kind of database, whole or not at all."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from sqlalchemy.engine import URL
from support.records import (
    HOUR_MS,
    NOW_MS,
    RUI,
    WATCH,
    acknowledged,
    open_records,
    raised,
    returned,
    step,
)

from gateway.records import Records, RecordsError
from gateway.records.rows import TicketDetail
from gateway.tickets.closeout import CloseOutRefused, PartFinding, ReadingTaken
from gateway.tickets.life import Act, Presence, TicketPhase
from gateway.tickets.notice import NoticeKind, TicketEventKind
from rules.events import ActionKind
from rules.lessons import PartVerdict

MINUTE_MS = 60_000
ONE = "BW-000001"
PNG = b"\x89PNG\r\n\x1a\n" + b"pixels"


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    """One ticket of a fan, open."""
    records = open_records(records_url)
    records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    yield records
    records.close()


def detail(records: Records, number: str = ONE) -> TicketDetail:
    found = records.ticket(number)
    assert found is not None
    return found


def asked(records: Records) -> list[tuple[ActionKind, str, int]]:
    """What waits for the rules: kind, by whom, until when (minutes from now)."""
    return [
        (a.kind, a.by, (a.until_ms - NOW_MS) // MINUTE_MS if a.until_ms else 0)
        for a in records.pending_actions()
    ]


def test_a_whole_life_leaves_its_history_in_order(records: Records) -> None:
    t = NOW_MS
    records.assign(ONE, by="Desk", to="Ana Lima", note="Fan 2", now_ms=t + 1)
    assert detail(records).ticket.state is TicketPhase.ASSIGNED
    records.commit(2, step(acknowledged(t + 2, by="Desk")), [], t + 2)
    assert detail(records).ticket.state is TicketPhase.ASSIGNED, "acknowledged by who assigned it"
    records.arrive(ONE, by="Ana Lima", now_ms=t + 3, until_ms=t + 90 * MINUTE_MS)
    row = detail(records).ticket
    assert (row.state, row.on_site, row.stay_until_ms) == (
        TicketPhase.ON_SITE, (Presence("Ana Lima", t + 3),), t + 90 * MINUTE_MS,
    )  # fmt: skip
    assert records.finish(ONE, by="ana  lima", note="Bearing changed.", now_ms=t + 4)
    row = detail(records).ticket
    assert (row.state, row.on_site, row.work_done_by) == (TicketPhase.WORK_DONE, (), "ana  lima")
    assert row.hand_back is not None
    assert (row.hand_back.from_ms, row.hand_back.ended_ms, row.hand_back.items) == (t + 4, None, ())
    fan = PartFinding("fans", "bearing of fan 2 seized", "changed", "bearing 6205")
    records.close_ticket(ONE, by="Ana Lima", finding="Fan 2.", findings=[fan], now_ms=t + 5)
    whole = detail(records)
    assert whole.ticket.state is TicketPhase.CLOSED
    assert [(e.kind, e.by) for e in whole.entries] == [
        (TicketEventKind.OPENED, ""),
        (TicketEventKind.ASSIGNED, "Desk"),
        (TicketEventKind.ACKNOWLEDGED, "Desk"),
        (TicketEventKind.ARRIVED, "Ana Lima"),
        (TicketEventKind.WORK_DONE, "ana lima"),
        (TicketEventKind.CLOSED, "Ana Lima"),
    ]
    assert [e.seq for e in whole.entries] == [1, 2, 3, 4, 5, 6]
    assert whole.entries[1].note == "to Ana Lima: Fan 2"
    assert whole.entries[-1].note == "Fan 2. Findings: fans."
    assert asked(records) == [
        (ActionKind.ACKNOWLEDGE, "Desk", 0),
        # An hour longer than was said: the time for the reminder to be answered.
        (ActionKind.OUT_OF_SERVICE, "Ana Lima", 150),
        (ActionKind.IN_SERVICE, "ana  lima", 0),
    ]


Do = Callable[[Records], Any]
DOES: dict[Act, Do] = {
    Act.ASSIGN: lambda r: r.assign(ONE, by="Ana", to="Ana", now_ms=NOW_MS + 9),
    Act.ARRIVE: lambda r: r.arrive(ONE, by="Ana", now_ms=NOW_MS + 9),
    Act.LEAVE: lambda r: r.leave(ONE, by="Ana", now_ms=NOW_MS + 9),
    Act.FINISH: lambda r: r.finish(ONE, by="Ana", now_ms=NOW_MS + 9),
    Act.CLOSE: lambda r: r.close_ticket(ONE, by="Ana", finding="x", now_ms=NOW_MS + 9),
}
TO_BE: dict[TicketPhase, list[Do]] = {
    TicketPhase.OPEN: [],
    TicketPhase.ASSIGNED: [DOES[Act.ASSIGN]],
    TicketPhase.ON_SITE: [DOES[Act.ARRIVE]],
    TicketPhase.WORK_DONE: [DOES[Act.ARRIVE], DOES[Act.FINISH]],
    TicketPhase.CLOSED: [DOES[Act.CLOSE]],
}


@pytest.mark.parametrize(
    ("phase", "act", "words"),
    [
        (TicketPhase.OPEN, Act.LEAVE, "Nobody has reported to be on site"),
        (TicketPhase.OPEN, Act.FINISH, "Report the arrival first, or close the ticket"),
        (TicketPhase.ASSIGNED, Act.FINISH, "which is assigned"),
        (TicketPhase.ON_SITE, Act.ASSIGN, "Ana is on site for ticket BW-000001"),
        (TicketPhase.WORK_DONE, Act.FINISH, "which is work done"),
        (TicketPhase.WORK_DONE, Act.LEAVE, "Nobody has reported"),
        (TicketPhase.CLOSED, Act.ASSIGN, "closed before, by Ana. If the trouble is back"),
        (TicketPhase.CLOSED, Act.ARRIVE, "closed before, by Ana"),
        (TicketPhase.CLOSED, Act.CLOSE, "closed before, by Ana. Nothing"),
    ],
)
def test_what_the_table_does_not_have_is_refused_and_leaves_no_trace(
    records: Records, phase: TicketPhase, act: Act, words: str
) -> None:
    for do in TO_BE[phase]:
        do(records)
    before, waits = detail(records), records.pending_actions()
    assert before.ticket.state is phase
    with pytest.raises(RecordsError, match=words):
        DOES[act](records)
    assert (detail(records), records.pending_actions()) == (before, waits)


@pytest.mark.parametrize(
    ("do", "words"),
    [
        (lambda r: r.assign(ONE, by=" ", to="Ana", now_ms=NOW_MS), "name of the person"),
        (lambda r: r.assign(ONE, by="Ana", to=" ", now_ms=NOW_MS), "whom the ticket is assigned"),
        (lambda r: r.assign("BW-000009", by="A", to="B", now_ms=NOW_MS), "no ticket BW-000009"),
        (lambda r: r.arrive(ONE, by="Ana", until_ms=1, now_ms=NOW_MS), "must lie ahead"),
        (
            lambda r: r.arrive(ONE, by="Ana", until_ms=NOW_MS + 25 * HOUR_MS, now_ms=NOW_MS),
            "no further than 24 h",
        ),
        (
            lambda r: r.close_ticket(ONE, by="A", finding="x", cleaned=["roof"], now_ms=NOW_MS),
            "no part 'roof'",
        ),
    ],
)
def test_what_cannot_be_meant_is_refused(records: Records, do: Do, words: str) -> None:
    before = detail(records)
    with pytest.raises(RecordsError, match=words):
        do(records)
    assert detail(records) == before
    assert records.pending_actions() == []


def test_work_is_not_done_while_anybody_else_is_on_site(records: Records) -> None:
    records.arrive(ONE, by="Ana", now_ms=NOW_MS)
    records.arrive(ONE, by="Ben", now_ms=NOW_MS + 1)
    for do in (DOES[Act.FINISH], DOES[Act.CLOSE]):
        with pytest.raises(RecordsError, match=r"Ben has reported on site .* under a lock"):
            do(records)
    with pytest.raises(RecordsError, match=r"Cleo has not reported on site .*; Ana and Ben has"):
        records.leave(ONE, by="Cleo", now_ms=NOW_MS + 2)
    assert not records.leave(ONE, by="Ben", now_ms=NOW_MS + 3)
    assert detail(records).ticket.state is TicketPhase.ON_SITE
    assert records.finish(ONE, by="Ana", now_ms=NOW_MS + 4)


def test_who_leaves_last_without_having_finished_has_the_ticket(records: Records) -> None:
    records.arrive(ONE, by="Ana", now_ms=NOW_MS)
    assert records.leave(ONE, by="Ana", note="Waits for a bearing.", now_ms=NOW_MS + 1)
    row = detail(records).ticket
    assert (row.state, row.assignee, row.on_site, row.stay_until_ms, row.hand_back) == (
        TicketPhase.ASSIGNED, "Ana", (), None, None,
    )  # fmt: skip
    assert asked(records)[-1][0] is ActionKind.IN_SERVICE


def test_a_unit_stays_out_of_service_until_the_last_ticket_of_it_is_left(records: Records) -> None:
    records.commit(2, step(raised(NOW_MS, fault="pump-overload")), [], NOW_MS)
    two = "BW-000002"
    records.arrive(ONE, by="Ana", now_ms=NOW_MS)
    records.arrive(two, by="Ben", now_ms=NOW_MS)
    assert not records.finish(ONE, by="Ana", now_ms=NOW_MS + 1)
    assert detail(records).ticket.hand_back is None
    assert ActionKind.IN_SERVICE not in [kind for kind, _, _ in asked(records)]
    assert records.finish(two, by="Ben", now_ms=NOW_MS + 2)
    checks = [detail(records, number).ticket.hand_back for number in (ONE, two)]
    assert [c.from_ms for c in checks if c] == [NOW_MS + 2] * 2, "both are checked from then on"
    records.arrive(two, by="Ben", now_ms=NOW_MS + 3)
    assert records.under_care() == [], "nothing is proven while somebody is at work again"


def test_closing_from_on_site_hands_the_unit_back(records: Records) -> None:
    records.arrive(ONE, by="Ana", now_ms=NOW_MS)
    records.close_ticket(
        ONE, by="Ana", finding="Leaves.", cleaned=["pump-screen"], now_ms=NOW_MS + 1
    )
    row = detail(records).ticket
    assert (row.state, row.work_done_by, row.on_site) == (TicketPhase.CLOSED, "Ana", ())
    assert [kind for kind, _, _ in asked(records)][-2:] == [
        ActionKind.IN_SERVICE, ActionKind.CLEANED,
    ]  # fmt: skip
    (waits,) = records.under_care()
    assert (waits.number, waits.hand_back_from_ms, waits.watched) == (ONE, NOW_MS + 1, True)


def test_the_reminder_comes_once_for_each_stay_and_names_who_is_there(records: Records) -> None:
    end_ms = NOW_MS + HOUR_MS
    records.arrive(ONE, by="Ana", until_ms=end_ms, now_ms=NOW_MS)
    assert records.remind(end_ms - 1) == 0
    assert records.remind(end_ms) == 1
    assert records.remind(end_ms + HOUR_MS) == 0
    last = detail(records)
    assert last.entries[-1].kind is TicketEventKind.OVERSTAYED
    assert "It has been so for 1 h 0 min: Ana reported on site" in last.entries[-1].note
    assert "only whoever put one on takes it off" in last.entries[-1].note
    mail = last.mails[-1]
    assert (mail.kind, mail.next_attempt_ms) == (NoticeKind.OVERSTAYED, end_ms)
    assert [d.recipient for d in mail.deliveries] == [RUI, WATCH]
    records.arrive(ONE, by="Ana", until_ms=end_ms + 3 * HOUR_MS, now_ms=end_ms + HOUR_MS)
    assert detail(records).ticket.on_site == (Presence("Ana", NOW_MS),), "locked out since then"
    assert records.remind(end_ms + 2 * HOUR_MS) == 0
    assert records.remind(end_ms + 3 * HOUR_MS) == 1


def test_findings_and_readings_come_back_as_they_were_given(records: Records) -> None:
    findings = (
        PartFinding(
            "Pump-Screen", "full of\nleaves", "cleaned", "gasket",
            (ReadingTaken("spray_pressure", "", 58.0, 84.0), ReadingTaken("noise", "dB", after=71)),
        ),
        PartFinding("fans", "in order", verdict=PartVerdict.NOTHING),
    )  # fmt: skip
    records.close_ticket(ONE, by="Ana", finding="Leaves.", findings=findings, now_ms=NOW_MS + 5)
    whole = detail(records)
    assert tuple(f.finding for f in whole.findings) == findings
    assert whole.findings[0].finding.part == "pump-screen"
    assert whole.findings[0].finding.found == "full of leaves"
    assert whole.findings[0].finding.readings[0].unit == "kPa", "the signal's own unit"
    assert {(f.by, f.time_ms) for f in whole.findings} == {("Ana", NOW_MS + 5)}
    # Open again and closed once more: the earlier findings stay.
    records.commit(2, step(raised(NOW_MS + HOUR_MS)), [], NOW_MS + HOUR_MS)
    again = [PartFinding("fans", "loose wire")]
    records.close_ticket(
        ONE, by="Ben", finding="Wire.", findings=again, now_ms=NOW_MS + 2 * HOUR_MS
    )
    assert [f.position for f in detail(records).findings] == [1, 2, 3]


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: PartFinding("roof", "wet"), "There is no part 'roof'. Parts are pump"),
        (lambda: PartFinding("pump", " "), "Say what was found at the pump"),
        (lambda: PartFinding("pump", "x" * 2001), "2000 at most"),
        (lambda: ReadingTaken("head_pressure"), "needs a number"),
        (lambda: ReadingTaken("head_pressure", before=float("nan")), "needs a number"),
        (lambda: ReadingTaken(" ", before=1.0), "the name of a reading"),
        (lambda: ReadingTaken("noise", "x" * 21, before=1.0), "no unit of measurement"),
    ],
)
def test_a_finding_that_says_nothing_is_refused(make: Callable[[], object], words: str) -> None:
    with pytest.raises(CloseOutRefused, match=words):
        make()


def test_attachments_are_kept_whole_listed_without_content_and_not_kept_twice(
    records: Records,
) -> None:
    content = PNG + bytes(range(256)) * 10
    assert records.attach(ONE, by="Ana", name="a.png", content=content, now_ms=NOW_MS) == 1
    assert records.attach(ONE, by="Ben", name="b.png", content=content, now_ms=NOW_MS + 1) == 1
    assert records.attach(ONE, by="Ana", name="c.pdf", content=b"%PDF-1.7", now_ms=NOW_MS + 2) == 2
    whole = detail(records)
    assert [(a.position, a.name, a.media_type, a.size_bytes) for a in whole.attachments] == [
        (1, "a.png", "image/png", len(content)), (2, "c.pdf", "application/pdf", 8),
    ]  # fmt: skip
    assert [e.note for e in whole.entries if e.kind is TicketEventKind.ATTACHED] == [
        "a.png", "c.pdf",
    ]  # fmt: skip
    found = records.attachment(ONE, 1)
    assert found is not None
    assert found == (whole.attachments[0], content)
    assert records.attachment(ONE, 3) is None
    assert records.attachment("BW-000009", 1) is None
    assert records.attachment(ONE, -(2**70)) is None
    with pytest.raises(RecordsError, match="neither a photo"):
        records.attach(ONE, by="Ana", name="x.png", content=b"<svg/>", now_ms=NOW_MS)


def test_a_ticket_takes_thirty_attachments(records: Records) -> None:
    for i in range(30):
        records.attach(ONE, by="A", name="a.png", content=PNG + bytes([i]), now_ms=NOW_MS)
    with pytest.raises(RecordsError, match="has 30 attachments, which is the most"):
        records.attach(ONE, by="A", name="a.png", content=PNG + b"more", now_ms=NOW_MS)


# ------------------------------------------------------------------ the data disagree


def test_the_same_alarm_after_the_close_out_reopens_the_ticket_and_tells_those_told_before(
    records: Records,
) -> None:
    t = NOW_MS
    records.commit(2, step(returned(t + 1)), [], t + 1)
    records.arrive(ONE, by="Ana", now_ms=t + 2)
    records.close_ticket(ONE, by="Ana", finding="Bearing.", now_ms=t + 3)
    later = t + 3 + 72 * HOUR_MS
    records.commit(3, step(raised(later)), [], later)
    (row,) = records.tickets()
    assert (row.state, row.closed_ms, row.closed_by, row.work_done_ms, row.hand_back) == (
        TicketPhase.OPEN, None, "", None, None,
    )  # fmt: skip
    whole = detail(records)
    assert whole.entries[-1].kind is TicketEventKind.REOPENED
    assert whole.entries[-1].note == (
        "The data disagree: it was closed by Ana, and the alarm was raised again 72 h after that."
    )
    mail = whole.mails[-1]
    assert mail.kind is NoticeKind.REOPENED
    assert [d.recipient for d in mail.deliveries] == [RUI, WATCH]
    assert records.under_care() == []


def test_after_that_time_a_new_ticket_is_opened(records: Records) -> None:
    records.close_ticket(ONE, by="Ana", finding="Bearing.", now_ms=NOW_MS)
    later = NOW_MS + 72 * HOUR_MS + 1
    records.commit(2, step(raised(later)), [], later)
    assert [(r.number, r.state) for r in records.tickets()] == [
        ("BW-000002", TicketPhase.OPEN), (ONE, TicketPhase.CLOSED),
    ]  # fmt: skip


def test_the_alarm_raised_after_the_work_asks_for_an_answer_again(records: Records) -> None:
    records.arrive(ONE, by="Ana", now_ms=NOW_MS)
    records.finish(ONE, by="Ana", now_ms=NOW_MS + 1)
    records.commit(2, step(raised(NOW_MS + HOUR_MS)), [], NOW_MS + HOUR_MS)
    whole = detail(records)
    assert whole.ticket.state is TicketPhase.OPEN
    assert whole.entries[-1].note == (
        "The data disagree: the work was reported as done by Ana, and the alarm was raised again."
    )
    assert whole.mails[-1].kind is NoticeKind.REOPENED


def test_late_readings_from_before_the_close_out_are_called_so(records: Records) -> None:
    records.close_ticket(ONE, by="Ana", finding="Bearing.", now_ms=NOW_MS + HOUR_MS)
    records.commit(2, step(raised(NOW_MS + 5)), [], NOW_MS + 2 * HOUR_MS)
    assert "readings from before that, which came late" in detail(records).entries[-1].note


def out(records: Records, hours: float, by: str = "Desk", unit: str = "ac-1") -> int:
    """The unit out of service for so many hours from now; 0: without an end."""
    until_ms = NOW_MS + round(hours * HOUR_MS) if hours else 0
    return records.request_action(
        ActionKind.OUT_OF_SERVICE, "quay-cold-store", unit, by=by, now_ms=NOW_MS, until_ms=until_ms
    )


def back(records: Records, now_ms: int = NOW_MS, unit: str = "ac-1") -> int:
    return records.request_action(
        ActionKind.IN_SERVICE, "quay-cold-store", unit, by="Desk", now_ms=now_ms
    )


def test_nobody_brings_a_unit_back_on_which_somebody_works(records: Records) -> None:
    records.commit(2, step(raised(NOW_MS, fault="dry-coil")), [], NOW_MS)
    two = records.tickets(limit=1)[0].number
    records.arrive(ONE, by="Ana", now_ms=NOW_MS)
    records.arrive(two, by="Rui", now_ms=NOW_MS + 10 * MINUTE_MS)
    before = asked(records)
    with pytest.raises(RecordsError) as refused:
        back(records)
    told = str(refused.value)
    assert f"Ana has been on site for ticket {ONE} since 2026-03-01 09:30 UTC" in told
    assert f"Rui has been on site for ticket {two} since 2026-03-01 09:40 UTC" in told
    assert "report on the ticket who has left or that the work is done" in told
    assert asked(records) == before
    records.leave(ONE, by="Ana", now_ms=NOW_MS + 20 * MINUTE_MS)
    with pytest.raises(RecordsError, match="Rui has been on site"):
        back(records)
    records.finish(two, by="Rui", now_ms=NOW_MS + 20 * MINUTE_MS)
    assert asked(records)[-1][0] is ActionKind.IN_SERVICE
    back(records)  # nobody is there any more
    back(records, unit="ac-2")


@pytest.mark.parametrize("first", [8.0, 0.0])
def test_a_shorter_time_out_of_service_replaces_no_longer_one(
    records: Records, first: float
) -> None:
    out(records, first, by="Ana")
    with pytest.raises(RecordsError) as refused:
        out(records, 1.0)
    told = str(refused.value)
    assert "Ana has taken it out of service" in told
    assert ("until 2026-03-01 17:30 UTC" if first else "without an end") in told
    assert "would end that sooner, at 2026-03-01 10:30 UTC" in told
    assert len(asked(records)) == 1
    if first:
        out(records, first)
        out(records, first + 1)
        out(records, 0)
    out(records, 1.0, unit="ac-2")
    back(records)
    out(records, 1.0)
    assert asked(records)[-1] == (ActionKind.OUT_OF_SERVICE, "Desk", 60)


def test_a_time_that_is_over_is_in_nobodys_way(records: Records) -> None:
    out(records, 1.0)
    later_ms = NOW_MS + HOUR_MS
    records.request_action(
        ActionKind.OUT_OF_SERVICE, "quay-cold-store", "ac-1", by="Desk", now_ms=later_ms,
        until_ms=later_ms + MINUTE_MS,
    )  # fmt: skip
    assert len(asked(records)) == 2


def test_whoever_comes_for_a_short_while_shortens_nobody_elses_time(records: Records) -> None:
    """The unit of one who stays for eight hours must not come back after the other's two."""
    records.commit(2, step(raised(NOW_MS, fault="dry-coil")), [], NOW_MS)
    two = records.tickets(limit=1)[0].number
    records.arrive(ONE, by="Ana", now_ms=NOW_MS, until_ms=NOW_MS + 8 * HOUR_MS)
    records.arrive(two, by="Rui", now_ms=NOW_MS, until_ms=NOW_MS + HOUR_MS)
    held = [(by, end) for kind, by, end in asked(records) if kind is ActionKind.OUT_OF_SERVICE]
    assert held == [("Ana", 540), ("Rui", 540)]


END: dict[str, Do] = {
    "leave": DOES[Act.LEAVE], "finish": DOES[Act.FINISH], "close": DOES[Act.CLOSE],
}  # fmt: skip


@pytest.mark.parametrize("end", END)
@pytest.mark.parametrize("hours", [0.0, 6.0])
def test_a_visit_does_not_end_the_time_out_of_service_that_somebody_else_asked_for(
    records: Records, end: str, hours: float
) -> None:
    out(records, hours, by="Rui")
    records.arrive(ONE, by="Ana", now_ms=NOW_MS, until_ms=NOW_MS + HOUR_MS)
    END[end](records)
    held = records.held_out("quay-cold-store", "ac-1", NOW_MS + 10)
    assert held is not None
    assert (held.by, held.until_ms) == ("Rui", NOW_MS + round(hours * HOUR_MS) if hours else 0)
    assert ActionKind.IN_SERVICE not in [kind for kind, _, _ in asked(records)]
    # The next visit changes nothing about that either; Rui's own word does.
    if end == "leave":
        records.arrive(ONE, by="Ana", now_ms=NOW_MS + 20)
        records.leave(ONE, by="Ana", now_ms=NOW_MS + 21)
        assert records.held_out("quay-cold-store", "ac-1", NOW_MS + 30) == held
    back(records, NOW_MS + 40)
    assert records.held_out("quay-cold-store", "ac-1", NOW_MS + 50) is None


def test_a_time_out_of_service_that_was_over_before_the_visit_does_not_come_back(
    records: Records,
) -> None:
    out(records, 1.0, by="Rui")
    records.arrive(ONE, by="Ana", now_ms=NOW_MS, until_ms=NOW_MS + 3 * HOUR_MS)
    records.leave(ONE, by="Ana", now_ms=NOW_MS + 2 * HOUR_MS)
    assert asked(records)[-1][:2] == (ActionKind.IN_SERVICE, "Ana")


def test_what_is_asked_for_during_a_visit_outlives_it(records: Records) -> None:
    records.arrive(ONE, by="Ana", now_ms=NOW_MS, until_ms=NOW_MS + HOUR_MS)
    out(records, 0, by="Rui")
    assert records.finish(ONE, by="Ana", now_ms=NOW_MS + 1), "its readings are checked all the same"
    held = records.held_out("quay-cold-store", "ac-1", NOW_MS + 2)
    assert held is not None
    assert (held.by, held.until_ms) == ("Rui", 0)
    (waits,) = records.under_care()
    assert waits.hand_back_from_ms == NOW_MS + 1


def test_another_reports_who_has_left_once_he_is_clear_of_the_machine(records: Records) -> None:
    records.arrive(ONE, by="Ana", now_ms=NOW_MS)
    before = detail(records), records.pending_actions()
    with pytest.raises(RecordsError, match="Confirm that Ana is clear of the machine"):
        records.leave(ONE, by="Rui", whom="Ana", now_ms=NOW_MS + 1)
    with pytest.raises(RecordsError, match=r"Ben has not reported on site .* by another, by name"):
        records.leave(ONE, by="Rui", whom="Ben", is_clear=True, now_ms=NOW_MS + 1)
    assert (detail(records), records.pending_actions()) == before
    assert records.leave(ONE, by="Rui", whom=" ana ", is_clear=True, now_ms=NOW_MS + 2)
    whole = detail(records)
    assert (whole.ticket.state, whole.ticket.on_site) == (TicketPhase.ASSIGNED, ())
    assert whole.ticket.assignee == "Ana", "it stays with who worked on it"
    last = whole.entries[-1]
    assert (last.kind, last.by) == (TicketEventKind.LEFT, "Rui")
    assert last.note == "Ana has left, clear of the machine. The work is not done."
    assert asked(records)[-1][0] is ActionKind.IN_SERVICE
    records.close_ticket(ONE, by="Rui", finding="Bearing.", now_ms=NOW_MS + 3)
