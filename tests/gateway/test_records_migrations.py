"""Opening the records: migrations, and what is said when they cannot be opened."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Connection,
    Float,
    Integer,
    LargeBinary,
    MetaData,
    Text,
    create_engine,
    inspect,
    select,
)
from sqlalchemy.engine import URL, make_url
from support.records import NOW_MS, ROUTING, raised

from gateway.records import Records, RecordsError, RecordsUnavailable
from gateway.records.engines import parsed
from gateway.records.models import Base
from gateway.records.session import migration_config, revisions
from gateway.records.ticket_data import Course, Outcome
from rules.events import ActionKind, BaselineChange, StepResult

if TYPE_CHECKING:
    from support.postgres import PostgresServer

REVISIONS = revisions()
NUMBERED = [
    t.name for t in Base.metadata.sorted_tables if t.dialect_options["sqlite"]["autoincrement"]
]
"""Tables in which the database gives the numbers."""


def url(folder: Path) -> str:
    return f"sqlite:///{folder / 'records.sqlite'}"


@pytest.fixture(params=["sqlite", "postgresql"])
def empty_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[URL]:
    """The URL of a database without any table."""
    if request.param == "sqlite":
        yield make_url(url(tmp_path))
        return
    postgres: PostgresServer = request.getfixturevalue("postgres")
    made = postgres.new_database()
    yield made
    postgres.drop(made)


@contextmanager
def connected(url: URL) -> Iterator[Connection]:
    engine = create_engine(parsed(url))
    try:
        with engine.begin() as connection:
            yield connection
    finally:
        engine.dispose()


def migrate(url: URL, revision: str, *, down: bool = False) -> None:
    config = migration_config()
    with connected(url) as connection:
        config.attributes["connection"] = connection
        (command.downgrade if down else command.upgrade)(config, revision)


def value_for(column: Column[Any], number: int) -> object:
    """Something that the column takes, unlike that of other columns and rows."""
    if column.foreign_keys:
        return number
    match column.type:
        case Boolean():
            value: object = number == 1
        case JSON():
            value = {"summary": f"É {number}", "readings": [{"value": 0.1 + number}, None]}
        case Float():
            value = 0.1 + number
        case LargeBinary():
            value = f"{column.table.name} {number}".encode()
        case Text():
            value = f"{column.table.name} {column.name} É {number}"
        case BigInteger():
            value = 2**40 + number
        case Integer():
            value = number if column.primary_key else 7 * number
        case other:
            raise AssertionError(other)
    return value


def fill(url: URL) -> None:
    """Two rows in every table there is."""
    with connected(url) as connection:
        metadata = MetaData()
        metadata.reflect(connection)
        for table in metadata.sorted_tables:
            if table.name == "alembic_version":
                continue
            given = [c for c in table.c if not (c.name == "id" and table.name in NUMBERED)]
            rows = [{c.name: value_for(c, number) for c in given} for number in (1, 2)]
            connection.execute(table.insert(), rows)


def contents(url: URL) -> dict[str, list[dict[str, Any]]]:
    """All rows of all tables."""
    with connected(url) as connection:
        metadata = MetaData()
        metadata.reflect(connection)
        return {
            table.name: [
                dict(row)
                for row in connection.execute(select(table).order_by(*table.primary_key)).mappings()
            ]
            for table in metadata.sorted_tables
            if table.name != "alembic_version"
        }


@pytest.mark.parametrize("revision", ["base", *REVISIONS])
def test_records_of_every_revision_are_brought_to_what_the_models_say(
    empty_url: URL, revision: str
) -> None:
    """With rows in every table of that revision, all of which are there afterwards."""
    before: dict[str, list[dict[str, Any]]] = {}
    if revision != "base":
        migrate(empty_url, revision)
        fill(empty_url)
        before = contents(empty_url)
        assert all(len(rows) == 2 for rows in before.values())
    Records(empty_url).close()
    after = contents(empty_url)
    for name, rows in before.items():
        for old in rows:
            assert old in [{key: new[key] for key in old} for new in after[name]]
    with connected(empty_url) as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


@pytest.mark.parametrize("revision", REVISIONS)
def test_migrated_records_are_worked_on(empty_url: URL, revision: str) -> None:
    """Numbers of tickets, mails, events and requests go on behind those that were there."""
    migrate(empty_url, revision)
    fill(empty_url)
    records = Records(empty_url, routing=ROUTING)
    records.sync_units({("quay-cold-store", "ac-1"): 7})
    event, baseline = raised(NOW_MS, row=7), BaselineChange(7, "a", "", 1.0, 0.1, 5, NOW_MS, "A")
    assert records.commit(1, StepResult((event,), (baseline,)), [], NOW_MS)
    number = records.request_action(
        ActionKind.ACKNOWLEDGE, "quay-cold-store", "ac-1", by="Ana", fault="fan-fault",
        now_ms=NOW_MS,
    )  # fmt: skip
    assert number == 3
    records.close()
    after = contents(empty_url)
    for name in ("tickets", "outbox", "alarm_events", "baseline_history", "actions"):
        assert [row["id"] for row in after[name]] == [1, 2, 3], name


@pytest.mark.parametrize("revision", REVISIONS)
def test_every_migration_can_be_taken_back(empty_url: URL, revision: str) -> None:
    migrate(empty_url, revision)
    fill(empty_url)
    migrate(empty_url, "base", down=True)
    with connected(empty_url) as connection:
        assert inspect(connection).get_table_names() == ["alembic_version"]


def test_a_ticket_in_the_midst_of_its_life_goes_back_to_the_words_there_were(
    empty_url: URL,
) -> None:
    """A ticket on site, and one that was verified before another of the same trouble."""
    records = Records(empty_url, routing=ROUTING)
    records.sync_units({("quay-cold-store", "ac-1"): 0})
    records.commit(1, StepResult((raised(NOW_MS),)), [], NOW_MS)
    records.close_ticket("BW-000001", by="Ana", finding="x", now_ms=NOW_MS)
    (waits,) = records.under_care()
    records.note_courses([Course(waits, 1, 1, Outcome.VERIFIED, "Normal.")], NOW_MS)
    later = NOW_MS + 100 * 3_600_000
    records.commit(2, StepResult((raised(later),)), [], later)
    records.arrive("BW-000002", by="Ana", now_ms=later)
    records.attach("BW-000002", by="Ana", name="a.pdf", content=b"%PDF-1.7", now_ms=later)
    records.close()
    migrate(empty_url, "0003", down=True)
    rows = contents(empty_url)
    assert [row["state"] for row in rows["tickets"]] == ["closed", "acknowledged"]
    old_words = {"opened", "closed", "note"}
    assert {row["kind"] for row in rows["ticket_events"]} <= old_words
    again = Records(empty_url)
    assert [t.state.value for t in again.tickets()] == ["acknowledged", "closed"]
    assert again.under_care() == [], "what was closed before is not judged now"
    again.close()


def test_a_migration_that_fails_half_way_leaves_the_revision_that_was(
    empty_url: URL, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On PostgreSQL too, changes of tables are part of the transaction."""
    migrate(empty_url, REVISIONS[0])
    fill(empty_url)
    before = contents(empty_url)
    upgrade = command.upgrade

    def fail_at_the_end(config: Config, revision: str) -> None:
        upgrade(config, revision)
        raise KeyboardInterrupt

    monkeypatch.setattr(command, "upgrade", fail_at_the_end)
    with pytest.raises(KeyboardInterrupt):
        Records(empty_url)
    assert contents(empty_url) == before
    monkeypatch.undo()
    Records(empty_url).close()


def test_two_programs_that_start_together_migrate_once(empty_url: URL) -> None:
    failures: list[BaseException] = []
    gate = threading.Barrier(4)

    def start() -> None:
        gate.wait()
        try:
            Records(empty_url, busy_timeout_ms=60_000).close()
        except BaseException as error:  # noqa: BLE001  # handed to the test's own thread
            failures.append(error)

    threads = [threading.Thread(target=start) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    first, second = Records(empty_url), Records(empty_url)
    assert first.installation == second.installation
    first.close()
    second.close()


def test_a_new_file_that_another_program_writes_to_is_waited_for(tmp_path: Path) -> None:
    """SQLite itself does not wait where a file is turned to its write-ahead log."""
    path = tmp_path / "records.sqlite"
    failures: list[BaseException] = []

    def start() -> None:
        try:
            Records(f"sqlite:///{path}", busy_timeout_ms=60_000).close()
        except BaseException as error:  # noqa: BLE001  # handed to the test's own thread
            failures.append(error)

    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    thread = threading.Thread(target=start)
    thread.start()
    try:
        thread.join(0.5)
        assert thread.is_alive(), failures
    finally:
        other.execute("COMMIT")
        other.close()
        thread.join()
    assert failures == []


def test_a_new_file_that_another_program_keeps_to_itself_is_told(tmp_path: Path) -> None:
    path = tmp_path / "records.sqlite"
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(RecordsUnavailable, match="another program holds the write lock"):
        Records(f"sqlite:///{path}", busy_timeout_ms=50)
    other.close()


def test_records_of_a_newer_program_are_left_alone_and_named(records_url: URL) -> None:
    Records(records_url).close()
    with connected(records_url) as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(RecordsError, match="newer version: install that version again"):
        Records(records_url)


def test_a_file_that_is_no_database_is_named(tmp_path: Path) -> None:
    (tmp_path / "records.sqlite").write_bytes(b"not a database at all\n" * 100)
    with pytest.raises(RecordsUnavailable, match=r"records\.sqlite.*move it away"):
        Records(url(tmp_path))


def test_a_visit_that_began_before_the_upgrade_still_ends_its_own_time_out_of_service(
    empty_url: URL,
) -> None:
    records = Records(empty_url, routing=ROUTING)
    records.sync_units({("quay-cold-store", "ac-1"): 0})
    records.commit(1, StepResult((raised(NOW_MS),)), [], NOW_MS)
    records.arrive("BW-000001", by="Ana", now_ms=NOW_MS)
    records.close()
    migrate(empty_url, "0015", down=True)
    records = Records(empty_url, routing=ROUTING)
    records.leave("BW-000001", by="Ana", now_ms=NOW_MS + 1)
    assert records.held_out("quay-cold-store", "ac-1", NOW_MS + 2) is None
    records.close()


def test_a_folder_that_does_not_exist_is_named(tmp_path: Path) -> None:
    with pytest.raises(RecordsUnavailable, match="check that its directory exists"):
        Records(url(tmp_path / "absent"))


def test_an_unreadable_url_is_refused_without_repeating_it() -> None:
    with pytest.raises(RecordsError, match="Write for instance") as caught:
        Records("not a url with s3cret")
    assert "s3cret" not in str(caught.value)


def test_sqlite_is_durable_checks_references_and_lets_readers_read(tmp_path: Path) -> None:
    records = Records(url(tmp_path))
    with records._database.read() as connection:
        ask = connection.exec_driver_sql
        assert ask("PRAGMA journal_mode").scalar() == "wal"
        assert ask("PRAGMA foreign_keys").scalar() == 1
        assert ask("PRAGMA synchronous").scalar() == 2  # FULL
    records.close()
