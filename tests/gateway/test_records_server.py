"""Records on a PostgreSQL server: outages, several writers, another gateway, what it refuses."""

from __future__ import annotations

import logging
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import psycopg
import pytest
from sqlalchemy.engine import URL
from support.ledger_engine import LedgerEngine
from support.outbox import outbox_for, raise_one
from support.postgres import PASSWORD, USER, PostgresServer
from support.records import NOW_MS, open_records, raised, returned, step
from support.smtp import MailCatcher

from gateway.batch import Batch, Frame
from gateway.journal import Clock, SqliteJournal
from gateway.outage import Outage
from gateway.records import Records, RecordsError, RecordsUnavailable
from gateway.records.engines import parsed
from gateway.records.rows import OutboxState
from gateway.rules_reader import RulesReader
from gateway.snapshot import SnapshotFiles
from rules.events import ActionKind, AlarmEvent, BaselineChange, Evidence, StepResult

NewUrl = Callable[[], URL]


@pytest.fixture
def records(server_url: URL) -> Iterator[Records]:
    records = open_records(server_url)
    yield records
    records.close()


def restart(postgres: PostgresServer, number: int = signal.SIGQUIT) -> None:
    postgres.kill(number)
    postgres.start()


# --- outages ---------------------------------------------------------------------------------


def story(events: list[AlarmEvent]) -> list[tuple[object, ...]]:
    return sorted((e.unit_row, e.time_ms, e.fault, e.change.value, e.note) for e in events)


def test_a_server_killed_under_the_rules_reader_loses_and_doubles_nothing(
    postgres: PostgresServer, records: Records, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Killed again and again while steps are committed; the story is that of no server at all."""
    caplog.set_level(logging.ERROR)
    journal = SqliteJournal(tmp_path / "journal.sqlite")
    direct = LedgerEngine()
    told: list[AlarmEvent] = []
    reader = RulesReader(
        journal, records, LedgerEngine, SnapshotFiles(tmp_path), min_interval_s=0, chunk_frames=40
    )
    reader.records_outage = Outage(
        logging.getLogger("test.records"), "Back.", first_pause_s=0.01, longest_pause_s=0.05
    )
    reader.start()
    for at in range(300):
        level = 150.0 if at % 7 < 3 else 50.0
        frames = Batch.of([Frame(row, NOW_MS + 1000 * at, {0: level + row}) for row in range(3)])
        journal.append([frames, Clock(NOW_MS + 1000 * at)], NOW_MS)
        told += direct.samples(NOW_MS, frames.unit_row, frames.time_ms, frames.values).events
        told += direct.clock(NOW_MS + 1000 * at).events
        if at in {60, 180}:
            restart(postgres)
        if at == 240:
            restart(postgres, signal.SIGKILL)
    reader.stop()
    assert reader.join(120)
    rows = records.alarm_events(0, 2**60, limit=100_000)
    assert story([r.event for r in rows]) == story(told)
    assert len(told) > 200
    assert records.committed_offset() == journal.last_offset
    assert not [r for r in caplog.records if r.levelno >= logging.CRITICAL]
    journal.close()


def test_a_commit_whose_outcome_is_not_known_is_found_out_by_repeating_it(
    postgres: PostgresServer, records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The connection breaks after the server has committed, before its answer comes."""
    announced: list[int] = []
    records.on_mail = lambda: announced.append(records.outbox_counts().waiting)
    cut_after_commit(records, postgres, monkeypatch)
    with pytest.raises(RecordsUnavailable, match="Whether the last step was written is not known"):
        records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    assert announced == []
    assert records.commit(1, step(raised(NOW_MS)), [], NOW_MS) is False
    assert announced == [1]
    assert len(records.tickets()) == 1


def test_a_claim_whose_outcome_is_not_known_does_not_keep_the_mail_for_ever(
    postgres: PostgresServer, records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    raise_one(records)
    with MailCatcher() as server:
        outbox = outbox_for(records, server)
        outbox.pump(NOW_MS - 1)  # nothing is due: it only looks for what a crash has left
        cut_after_commit(records, postgres, monkeypatch)
        with pytest.raises(RecordsUnavailable):
            outbox.pump(NOW_MS)
        assert outbox.pump(NOW_MS).accepted == 1
        assert len(server.received) == 1
    assert records.outbox()[0].state is OutboxState.ACCEPTED


def cut_after_commit(
    records: Records, postgres: PostgresServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next commit is done by the server, and then its session is ended."""
    dialect = records._database.engine.dialect
    commit = dialect.do_commit

    def cut(connection: Any) -> None:
        monkeypatch.setattr(dialect, "do_commit", commit)
        commit(connection)
        session: psycopg.Connection = connection.driver_connection
        postgres.execute(f"SELECT pg_terminate_backend({session.info.backend_pid}, 10000)")
        session.execute("SELECT 1")

    monkeypatch.setattr(dialect, "do_commit", cut)


def test_a_server_that_is_away_is_named_without_its_password(postgres: PostgresServer) -> None:
    url = postgres.url("postgres").set(port=1)
    with pytest.raises(RecordsUnavailable, match="check that the database server runs") as caught:
        Records(url)
    assert f"{USER}:***@127.0.0.1:1/postgres" in str(caught.value)
    assert PASSWORD not in str(caught.value)


# --- several at a time -----------------------------------------------------------------------


def test_two_who_claim_at_once_never_get_the_same_mail(records: Records, server_url: URL) -> None:
    events = [raised(NOW_MS, row=i % 3, fault=f"fault-{i // 3}") for i in range(24)]
    records.commit(1, step(*events), [], NOW_MS)
    other = Records(server_url)
    gate = threading.Barrier(2)

    def claim_all(store: Records) -> list[int]:
        gate.wait()
        outbox = store.outbox_store
        claims = [outbox.claim(due.id, NOW_MS) for due in outbox.due(NOW_MS, 99)]
        return [parcel.id for parcel in claims if parcel is not None]

    with ThreadPoolExecutor(2) as pool:
        one, two = pool.map(claim_all, (records, other))
    other.close()
    assert sorted(one + two) == list(range(1, 25))


def test_a_person_who_closes_a_ticket_and_the_rules_do_not_overwrite_each_other(
    records: Records, server_url: URL
) -> None:
    """Without one writer at a time the rules would open the ticket again that a person closed."""
    other = open_records(server_url)
    gate = threading.Barrier(2)

    def judge() -> None:
        for i in range(12):
            gate.wait()
            records.commit(10 * i + 2, step(returned(NOW_MS + i)), [], NOW_MS + i)

    def close() -> None:
        for i in range(12):
            records.commit(10 * i + 1, step(raised(NOW_MS + i)), [], NOW_MS + i)
            number = other.tickets()[0].number
            gate.wait()
            other.close_ticket(number, by="Rui", finding="Found.", now_ms=NOW_MS + i)

    with ThreadPoolExecutor(2) as pool:
        for done in [pool.submit(judge), pool.submit(close)]:
            done.result(60)
    assert {t.state.value for t in records.tickets()} == {"closed"}
    for ticket in records.tickets():
        detail = other.ticket(ticket.number)
        assert detail is not None
        assert [e.seq for e in detail.entries] == list(range(1, len(detail.entries) + 1))
    other.close()


def test_a_writer_that_does_not_end_is_reported_and_readers_go_on(server_url: URL) -> None:
    records = open_records(server_url, busy_timeout_ms=50)
    other = Records(server_url)
    with other._database.write():
        with pytest.raises(RecordsUnavailable, match="another program holds the write lock"):
            records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
        assert records.standing_alarms() == []
    assert records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    records.close()
    other.close()


def test_a_reader_sees_one_state_while_a_writer_commits(records: Records, server_url: URL) -> None:
    other = Records(server_url)
    with other._database.read() as connection:
        before = connection.exec_driver_sql("SELECT count(*) FROM alarm_events").scalar()
        records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
        after = connection.exec_driver_sql("SELECT count(*) FROM alarm_events").scalar()
    assert (before, after) == (0, 0)
    other.close()


# --- another gateway -------------------------------------------------------------------------


def test_a_second_gateway_is_refused_until_the_first_has_ended(new_records_url: NewUrl) -> None:
    url = new_records_url()
    first, second = open_records(url), open_records(url, busy_timeout_ms=50)
    first.hold("host-a, data in /var/lib/a")
    with pytest.raises(RecordsError, match=r"Another gateway.*works on the records"):
        second.hold("host-b")
    # What people ask for by command is no gateway and is taken.
    second.request_action(
        ActionKind.ACKNOWLEDGE, "hill-dairy", "ac-1", by="Ana", fault="fan-fault", now_ms=NOW_MS
    )
    first.close()
    second.hold("host-b")
    second.close()


def test_the_gateway_that_has_the_records_is_named(server_url: URL) -> None:
    first, second = open_records(server_url), open_records(server_url, busy_timeout_ms=50)
    first.hold("host-a, data in /var/lib/a")
    with pytest.raises(RecordsError, match=r"\(host-a, data in /var/lib/a\)"):
        second.hold("host-b")
    first.close()
    second.close()


def test_a_gateway_takes_its_records_again_after_the_server_was_restarted(
    postgres: PostgresServer, server_url: URL
) -> None:
    first = open_records(server_url)
    first.hold("host-a")
    restart(postgres)
    assert first.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    second = open_records(server_url, busy_timeout_ms=50)
    with pytest.raises(RecordsError, match="host-a"):
        second.hold("host-b")
    first.close()
    second.close()


def test_a_gateway_that_lost_its_records_to_another_writes_nothing_more(
    postgres: PostgresServer, server_url: URL
) -> None:
    """Its lock ends with the connection; the other one comes, and may even be gone again."""
    first = open_records(server_url, busy_timeout_ms=50)
    first.hold("host-a")
    restart(postgres)
    second = open_records(server_url)
    second.hold("host-b")
    with pytest.raises(RecordsError, match="host-b") as caught:
        first.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    assert not isinstance(caught.value, RecordsUnavailable)  # waiting would not help
    second.close()
    with pytest.raises(RecordsError, match="host-b"):
        first.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    assert first.tickets() == []
    first.close()


# --- what it keeps and refuses ---------------------------------------------------------------


ODD = "a\0b\ud800c\udfffé"
CLEAN = "a�b?c?é"  # U+0000 and halves of surrogate pairs are replaced


def test_text_that_no_database_takes_is_kept_in_a_form_that_it_takes(records_url: URL) -> None:
    records = open_records(records_url)
    event = replace(raised(NOW_MS), evidence=Evidence(ODD, 0.5), by=ODD, note=ODD)
    records.commit(1, step(event), [], NOW_MS)
    records.close_ticket("BW-000001", by=ODD, finding=ODD, now_ms=NOW_MS)
    (row,) = records.alarm_events(0, 2**60)
    assert (row.event.by, row.event.note) == (CLEAN, CLEAN)
    assert row.event.evidence is not None
    assert row.event.evidence.summary in {"a\0b?c?é", CLEAN}  # JSON can write U+0000
    assert records.tickets()[0].finding == CLEAN
    assert records.ticket(ODD) is None
    records.close()


def test_lists_are_in_one_order_whatever_the_servers_language(records_url: URL) -> None:
    """English puts 'a' before 'B'; code points do not."""
    records = open_records(records_url)
    names = ["b", "a_1", "B", "A", "é", "a-2", "a 3"]
    changes = [BaselineChange(0, name, "", 1.0, 0.1, 5, NOW_MS, "A") for name in names]
    records.commit(1, StepResult((), tuple(changes)), [], NOW_MS)
    assert [b.quantity for b in records.baselines()] == sorted(names)
    records.close()


def test_a_figure_that_is_no_number_is_kept_as_none(records_url: URL) -> None:
    records = open_records(records_url)
    change = BaselineChange(0, "level", "", float("nan"), float("inf"), 5, NOW_MS, "mm")
    records.commit(1, StepResult((), (change,)), [], NOW_MS)
    assert (records.baselines()[0].value, records.baselines()[0].spread) == (None, None)
    records.close()


def test_a_plain_url_uses_our_driver_and_another_database_is_refused() -> None:
    assert parsed("postgresql://a@b/c").drivername == "postgresql+psycopg"
    assert parsed("postgresql+psycopg2://a@b/c").drivername == "postgresql+psycopg"
    with pytest.raises(RecordsError, match="cannot be kept in 'mysql'"):
        parsed("mysql://a:b@c/d")


def test_a_wrong_password_and_an_absent_database_say_what_to_do(postgres: PostgresServer) -> None:
    with pytest.raises(RecordsUnavailable, match="check user and password") as caught:
        Records(postgres.url("postgres").set(password="guess-5"))
    assert "guess-5" not in str(caught.value)
    with pytest.raises(RecordsUnavailable, match="create the database"):
        Records(postgres.url("absent"))


def test_a_user_without_rights_is_told_to_become_the_owner(postgres: PostgresServer) -> None:
    url = postgres.new_database()
    postgres.execute("CREATE ROLE guest LOGIN PASSWORD 'guest-1'")
    with pytest.raises(RecordsError, match="Make it the owner of the database") as caught:
        Records(url.set(username="guest", password="guest-1"))
    assert not isinstance(caught.value, RecordsUnavailable)


def test_a_database_that_cannot_hold_all_text_is_refused(postgres: PostgresServer) -> None:
    postgres.execute(
        "CREATE DATABASE latin TEMPLATE template0 ENCODING 'LATIN1' LOCALE_PROVIDER libc "
        "LC_COLLATE 'C' LC_CTYPE 'C'"
    )
    with pytest.raises(RecordsError, match="keeps text as LATIN1"):
        Records(postgres.url("latin"))
