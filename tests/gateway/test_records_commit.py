"""One step is one transaction: all of it is written, once, or nothing is."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import event, select
from sqlalchemy.engine import URL
from support.records import (
    HOUR_MS,
    NOW_MS,
    acknowledged,
    open_records,
    raised,
    returned,
    step,
    worsened,
)

from gateway.batch import Reason, Reject
from gateway.records import Records, RecordsError, RecordsUnavailable
from gateway.records.models import Base
from gateway.records.queries import Where
from gateway.records.rows import OutboxState, evidence_of
from gateway.tickets.desk import TicketPhase
from gateway.tickets.notice import NoticeKind, TicketEventKind
from rules.events import (
    ActionKind,
    AlarmEvent,
    AlarmState,
    BaselineChange,
    Change,
    Evidence,
    Severity,
    StepResult,
)


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    records = open_records(records_url)
    yield records
    records.close()


def dump(records: Records) -> dict[str, list[str]]:
    """Every row of every table."""
    with records._database.read() as connection:
        return {
            table.name: sorted(repr(row) for row in connection.execute(select(table)))
            for table in Base.metadata.sorted_tables
        }


FAILING = {
    "sqlite": [
        "CREATE TRIGGER fail BEFORE INSERT ON {} BEGIN SELECT RAISE(FAIL, 'disk I/O error'); END"
    ],
    "postgresql": [
        "CREATE FUNCTION fail() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "RAISE EXCEPTION 'disk I/O error' USING ERRCODE = 'io_error'; END $$",
        "CREATE TRIGGER fail BEFORE INSERT ON {} FOR EACH ROW EXECUTE FUNCTION fail()",
    ],
}
MENDED = {"sqlite": "DROP TRIGGER fail", "postgresql": "DROP FUNCTION fail CASCADE"}


def everything(offset_time_ms: int = NOW_MS) -> StepResult:
    baseline = BaselineChange(0, "pump_current", "wet", 8.4, 0.2, 720, offset_time_ms, "A")
    return StepResult((raised(offset_time_ms),), (baseline,))


REJECT = Reject(NOW_MS, "bw/x", Reason.NOT_SENML, "not an array", "{", "quay-cold-store", "ac-1")


def test_a_step_is_written_whole(records: Records) -> None:
    action = records.request_action(
        ActionKind.ACKNOWLEDGE, "quay-cold-store", "ac-1", by="Rui", fault="fan-fault",
        now_ms=NOW_MS,
    )  # fmt: skip
    assert records.commit(7, everything(), [REJECT], NOW_MS, [action])
    assert records.committed_offset() == 7
    (alarm,) = records.standing_alarms()
    assert (alarm.site, alarm.unit, alarm.fault) == ("quay-cold-store", "ac-1", "fan-fault")
    assert alarm.severity is Severity.MEDIUM
    assert alarm.raised_ms == NOW_MS
    (row,) = records.alarm_events(NOW_MS, NOW_MS + 1)
    assert row.event == raised(NOW_MS)
    (ticket,) = records.tickets()
    assert (ticket.number, ticket.priority, ticket.state) == ("BW-000001", "medium", "open")
    (mail,) = records.outbox()
    assert (mail.ticket, mail.kind, mail.state) == ("BW-000001", "opened", "pending")
    (baseline,) = records.baselines()
    assert (baseline.value, baseline.measure, baseline.unit) == (8.4, "A", "ac-1")
    assert len(records.baseline_history("quay-cold-store", "ac-1", "pump_current")) == 1
    assert records.quarantine()[0].count == 1
    assert records.pending_actions() == []


@pytest.mark.parametrize("offset", [1, 6, 7])
def test_a_replayed_step_writes_nothing(records: Records, offset: int) -> None:
    records.commit(7, everything(), [REJECT], NOW_MS)
    before = dump(records)
    assert records.commit(offset, everything(), [REJECT], NOW_MS + 1) is False
    assert dump(records) == before


def test_an_empty_step_is_one_small_update(records: Records) -> None:
    records.commit(1, StepResult(), [], NOW_MS)
    statements: list[str] = []
    event.listen(
        records._database.engine,
        "before_cursor_execute",
        lambda _c, _cursor, text, *_rest: statements.append(text),
    )
    assert records.commit(2, StepResult(), [], NOW_MS)
    first = {"sqlite": "BEGIN IMMEDIATE", "postgresql": "SELECT pg_advisory_xact_lock"}
    assert statements[0].startswith(first[records._database.engine.dialect.name])
    assert [s.split()[0] for s in statements[1:]] == ["UPDATE"]


@pytest.mark.parametrize(
    "table", ["readers", "alarm_events", "alarms", "tickets", "ticket_events", "outbox",
              "outbox_recipients", "baselines", "baseline_history", "quarantine"],
)  # fmt: skip
def test_a_step_that_fails_at_any_table_leaves_no_trace_and_can_be_repeated(
    records: Records, table: str
) -> None:
    kind = records._database.engine.dialect.name
    with records._database.write() as connection:
        for statement in FAILING[kind]:
            connection.exec_driver_sql(statement.format(table))
    before = dump(records)
    with pytest.raises(RecordsUnavailable, match=r"disk I/O error.*step is repeated later"):
        records.commit(7, everything(), [REJECT], NOW_MS)
    assert dump(records) == before
    with records._database.write() as connection:
        connection.exec_driver_sql(MENDED[kind])
    assert records.commit(7, everything(), [REJECT], NOW_MS)
    assert records.committed_offset() == 7
    assert records.quarantine()[0].count == 1


def test_a_locked_file_is_reported_and_the_step_can_be_repeated(tmp_path: Path) -> None:
    records = open_records(tmp_path, busy_timeout_ms=10)
    other = sqlite3.connect(tmp_path / "records.sqlite", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(RecordsUnavailable, match="another program holds the write lock"):
        records.commit(7, everything(), [REJECT], NOW_MS)
    assert records.standing_alarms() == []  # reading goes on
    other.execute("ROLLBACK")
    other.close()
    assert records.commit(7, everything(), [REJECT], NOW_MS)
    records.close()


def test_a_full_disk_is_reported_and_the_step_can_be_repeated(tmp_path: Path) -> None:
    records = open_records(tmp_path)
    engine = records._database.engine
    big = replace(raised(NOW_MS), evidence=Evidence("long " * 100_000, 0.5))

    def limit_pages(connection: sqlite3.Connection, *_rest: object) -> None:
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages + 2}")

    event.listen(engine, "checkout", limit_pages)
    with pytest.raises(RecordsUnavailable, match="the disk is full: free space"):
        records.commit(7, step(big), [REJECT], NOW_MS)
    assert records.committed_offset() == 0
    event.remove(engine, "checkout", limit_pages)
    engine.dispose()
    assert records.commit(7, step(big), [REJECT], NOW_MS)
    records.close()


def test_a_row_that_is_not_in_the_unit_register_stops_the_step(records: Records) -> None:
    with pytest.raises(RecordsError, match=r"Rows 99 of the unit register.*sync_units"):
        records.commit(7, step(raised(NOW_MS, row=99)), [], NOW_MS)
    assert records.committed_offset() == 0
    records.sync_units({("new-site", "ac-9"): 99})
    assert records.commit(7, step(raised(NOW_MS, row=99)), [], NOW_MS)
    assert records.standing_alarms(site="new-site")[0].unit == "ac-9"


def test_late_frames_add_up_by_unit_and_day_and_once(records: Records) -> None:
    day = (date(2026, 3, 2) - date(1970, 1, 1)).days
    late = StepResult((), late_frames=5, late={(0, day): 2, (0, day + 1): 2, (1, day): 1})
    assert records.commit(7, late, [], NOW_MS)
    assert not records.commit(7, late, [], NOW_MS), "a replay counts nothing twice"
    assert records.commit(8, StepResult((), late={(0, day): 3}), [], NOW_MS)
    (site, first), (other, second) = (records.units()[row] for row in (0, 1))
    assert records.late_frames(site, "2026-03-02", "2026-03-02")[first] == 5
    assert records.late_frames(site, "2026-03-02", "2026-03-31")[first] == 7
    assert records.late_frames(other, "2026-03-02", "2026-03-03")[second] == 1
    assert records.late_frames(site, "2026-03-04", "2026-03-31") == {}
    with pytest.raises(RecordsError, match="Rows 99 of the unit register"):
        records.commit(9, StepResult((), late={(99, day): 1}), [], NOW_MS)


def test_numbers_of_numpy_and_missing_numbers_are_stored_as_plain_ones(records: Records) -> None:
    event_ = raised(NOW_MS)
    odd = replace(
        event_,
        unit_row=np.int32(1),  # type: ignore[arg-type]  # what a careless rule would hand over
        time_ms=np.int64(NOW_MS),  # type: ignore[arg-type]
        evidence=replace(
            event_.evidence or Evidence("", 0),
            time_left_s=np.float64("inf"),
            confidence=np.float32(0.5),  # type: ignore[arg-type]
        ),
    )
    records.commit(1, step(odd), [], NOW_MS)
    (alarm,) = records.standing_alarms()
    assert alarm.unit == "ac-2"
    assert alarm.evidence is not None
    assert alarm.evidence.time_left_s is None
    assert alarm.evidence.confidence == 0.5
    assert records.alarm_events(NOW_MS, NOW_MS + 1)[0].event.unit_row == 1


def test_evidence_of_another_version_still_shows_its_summary() -> None:
    evidence = evidence_of({"summary": "Too hot.", "confidence": 0.7, "colour": "red"})
    assert evidence is not None
    assert (evidence.summary, evidence.confidence) == ("Too hot.", 0.7)
    assert "cannot read" in evidence.limits[0]


def test_the_alarm_keeps_its_evidence_until_newer_comes_and_ends_when_it_returns(
    records: Records,
) -> None:
    records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    records.commit(2, step(acknowledged(NOW_MS + 1)), [], NOW_MS)
    (alarm,) = records.standing_alarms()
    assert alarm.state is AlarmState.ACKNOWLEDGED
    assert alarm.evidence == raised(0).evidence
    assert alarm.raised_ms == NOW_MS
    over = replace(returned(NOW_MS + 2), state=AlarmState.NORMAL)
    records.commit(3, step(over), [], NOW_MS)
    assert records.standing_alarms() == []
    assert [r.event.change for r in records.alarm_events(0, NOW_MS * 2)] == [
        Change.RETURNED, Change.ACKNOWLEDGED, Change.RAISED,
    ]  # fmt: skip


def test_events_and_tickets_are_found_by_place_time_and_fault(records: Records) -> None:
    events = [raised(NOW_MS + r, row=r, fault=f) for r in (0, 1, 2) for f in ("fan-fault", "float")]
    records.commit(1, step(*events), [], NOW_MS)
    found = records.alarm_events(NOW_MS + 1, NOW_MS + 2)
    assert {(r.site, r.unit) for r in found} == {("quay-cold-store", "ac-2")}
    assert len(records.alarm_events(0, 2 * NOW_MS, Where(site="quay-cold-store"))) == 4
    assert len(records.alarm_events(0, 2 * NOW_MS, Where(fault="float"), limit=2)) == 2
    assert len(records.tickets(Where(site="hill-dairy"))) == 2
    assert len(records.tickets(Where(fault="float"))) == 3
    numbers = [t.number for t in records.tickets(limit=4)]
    assert numbers == ["BW-000006", "BW-000005", "BW-000004", "BW-000003"]
    assert [t.id for t in records.tickets(before_id=3)] == [2, 1]
    assert len(records.tickets(before_id=2**70)) == 6
    assert records.tickets(priority="low") == []


def test_one_ticket_runs_from_the_first_raise_until_a_person_closes_it(records: Records) -> None:
    t = NOW_MS
    records.commit(1, step(raised(t)), [], t)
    records.commit(2, step(worsened(t + 1)), [], t + 1)
    records.commit(3, step(acknowledged(t + 2)), [], t + 2)
    records.commit(4, step(returned(t + 3)), [], t + 3)
    records.commit(5, step(raised(t + 4)), [], t + 4)
    records.commit(6, step(returned(t + 5)), [], t + 5)
    records.add_note("BW-000001", by="Rui", note="Waiting for a fan.", now_ms=t + 6)
    records.close_ticket("BW-000001", by="Rui", finding="Fan 2 seized, replaced.", now_ms=t + 7)
    later = t + 7 + 73 * HOUR_MS
    records.commit(7, step(raised(later)), [], later)
    detail = records.ticket("BW-000001")
    assert detail is not None
    assert [e.kind for e in detail.entries] == [
        TicketEventKind.OPENED, TicketEventKind.WORSENED, TicketEventKind.ACKNOWLEDGED,
        TicketEventKind.RETURNED, TicketEventKind.REPEATED, TicketEventKind.RETURNED,
        TicketEventKind.NOTE, TicketEventKind.CLOSED,
    ]  # fmt: skip
    assert [e.seq for e in detail.entries] == list(range(1, 9))
    assert [m.kind for m in detail.mails] == [
        NoticeKind.OPENED, NoticeKind.WORSENED, NoticeKind.RETURNED, NoticeKind.REPEATED,
        NoticeKind.RETURNED,
    ]  # fmt: skip
    ticket = detail.ticket
    assert (ticket.state, ticket.finding, ticket.priority) == (
        TicketPhase.CLOSED, "Fan 2 seized, replaced.", "high",
    )  # fmt: skip
    assert {t.number: t.state for t in records.tickets()} == {
        "BW-000001": TicketPhase.CLOSED, "BW-000002": TicketPhase.OPEN,
    }  # fmt: skip
    assert [t.number for t in records.tickets(phases=frozenset({TicketPhase.OPEN}))] == [
        "BW-000002"
    ]


def test_closing_needs_a_person_a_finding_and_an_open_ticket(records: Records) -> None:
    records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    with pytest.raises(RecordsError, match="Give both"):
        records.close_ticket("BW-000001", by="Rui", finding=" ", now_ms=NOW_MS)
    with pytest.raises(RecordsError, match="There is no ticket BW-7"):
        records.close_ticket("BW-7", by="Rui", finding="x", now_ms=NOW_MS)
    records.close_ticket("BW-000001", by="Rui", finding="x", now_ms=NOW_MS)
    with pytest.raises(RecordsError, match="closed before, by Rui"):
        records.close_ticket("BW-000001", by="Ana", finding="y", now_ms=NOW_MS)


def test_a_trouble_that_worsens_after_its_ticket_was_closed_reopens_it(records: Records) -> None:
    records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    records.close_ticket("BW-000001", by="Rui", finding="Nothing found.", now_ms=NOW_MS)
    records.commit(2, step(worsened(NOW_MS + 1)), [], NOW_MS)
    (ticket,) = records.tickets()
    assert (ticket.number, ticket.state, ticket.closed_ms) == ("BW-000001", TicketPhase.OPEN, None)
    detail = records.ticket("BW-000001")
    assert detail is not None
    assert detail.entries[-1].note == (
        "The data disagree: it was closed by Rui while the alarm stood, and it got worse."
    )
    assert detail.mails[-1].kind is NoticeKind.REOPENED


def test_a_held_notice_is_withdrawn_when_the_trouble_returns_or_the_ticket_closes(
    records: Records,
) -> None:
    t = NOW_MS
    events = [raised(t), returned(t), raised(t), returned(t)]
    for offset, each in enumerate(events, start=1):
        records.commit(offset, step(each), [], t + offset)
    for offset, minutes in ((5, 10), (6, 20)):
        each = raised(t) if offset == 5 else returned(t)
        records.commit(offset, step(each), [], t + minutes * 60_000)
    assert [m.state for m in records.outbox()][:1] == [OutboxState.WITHDRAWN]
    records.commit(7, step(raised(t)), [], t + HOUR_MS)
    (held,) = records.outbox([OutboxState.HELD])
    assert held.next_attempt_ms == t + 3 + 4 * HOUR_MS
    records.close_ticket("BW-000001", by="Rui", finding="x", now_ms=t + HOUR_MS)
    assert records.outbox([OutboxState.HELD]) == []


def test_new_mail_is_announced_after_the_commit_and_only_then(records: Records) -> None:
    waiting: list[int] = []
    records.on_mail = lambda: waiting.append(records.outbox_counts().waiting)
    records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    records.commit(2, step(acknowledged(NOW_MS)), [], NOW_MS)
    records.commit(3, StepResult(), [], NOW_MS)
    assert waiting == [1]


def test_a_site_without_a_team_gets_a_ticket_and_a_mail_that_says_nobody_is_named(
    records: Records,
) -> None:
    records.sync_units({("lost-site", "ac-1"): 5})
    records.commit(1, step(raised(NOW_MS, row=5)), [], NOW_MS)
    (mail,) = records.outbox()
    assert mail.state is OutboxState.UNADDRESSED
    assert "Nobody is named" in mail.last_reply
    assert records.outbox_counts().by_state == {OutboxState.UNADDRESSED: 1}


@settings(
    max_examples=15,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    course=st.lists(
        st.tuples(
            st.sampled_from([raised, worsened, returned, None]),
            st.integers(0, 2),
            st.integers(0, 5 * HOUR_MS),
        ),
        max_size=25,
    )
)
def test_any_course_of_events_and_closings_leaves_one_open_ticket_for_one_trouble_at_most(
    new_records_url: Callable[[], URL],
    course: list[tuple[Callable[..., AlarmEvent] | None, int, int]],
) -> None:
    """And an alarm that stands always has an open ticket, unless a person closed it since."""
    records = open_records(new_records_url())
    now_ms, standing = NOW_MS, {0: False, 1: False, 2: False}
    for offset, (make, row, pause_ms) in enumerate(course, start=1):
        now_ms += pause_ms
        of_open = frozenset({TicketPhase.OPEN, TicketPhase.ACKNOWLEDGED})
        if make is None:
            for ticket in records.tickets(phases=of_open):
                if ticket.unit_row == row:
                    records.close_ticket(ticket.number, by="Rui", finding="x", now_ms=now_ms)
                    standing[row] = False
            continue
        assert records.commit(offset, step(make(now_ms, row=row)), [], now_ms)
        standing[row] = make is not returned
        rows = [t.unit_row for t in records.tickets(phases=of_open)]
        assert len(rows) == len(set(rows))
        assert {r for r, stands in standing.items() if stands} <= set(rows)
        numbers = [t.number for t in records.tickets()]
        assert numbers == [f"BW-{i:06d}" for i in range(len(numbers), 0, -1)]
    records.close()
