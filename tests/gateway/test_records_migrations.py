"""Opening the records: migrations, and what is said when they cannot be opened."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, inspect

from gateway.records import Records, RecordsError, RecordsUnavailable
from gateway.records.models import Base
from gateway.records.session import migration_config

REVISIONS = [
    "base",
    *reversed(
        [s.revision for s in ScriptDirectory.from_config(migration_config()).walk_revisions()]
    ),
]


def url(folder: Path) -> str:
    return f"sqlite:///{folder / 'records.sqlite'}"


def migrate(folder: Path, revision: str, *, down: bool = False) -> None:
    config = migration_config()
    engine = create_engine(url(folder))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        (command.downgrade if down else command.upgrade)(config, revision)
    engine.dispose()


@pytest.mark.parametrize("revision", REVISIONS)
def test_records_of_every_revision_are_brought_to_what_the_models_say(
    tmp_path: Path, revision: str
) -> None:
    if revision != "base":
        migrate(tmp_path, revision)
    Records(url(tmp_path)).close()
    engine = create_engine(url(tmp_path))
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
    engine.dispose()


@pytest.mark.parametrize("revision", REVISIONS[1:])
def test_every_migration_can_be_taken_back(tmp_path: Path, revision: str) -> None:
    migrate(tmp_path, revision)
    migrate(tmp_path, "base", down=True)
    engine = create_engine(url(tmp_path))
    assert inspect(engine).get_table_names() == ["alembic_version"]
    engine.dispose()


def test_two_programs_that_start_together_migrate_once(tmp_path: Path) -> None:
    failures: list[BaseException] = []
    gate = threading.Barrier(4)

    def start() -> None:
        gate.wait()
        try:
            Records(url(tmp_path), busy_timeout_ms=60_000).close()
        except BaseException as error:  # noqa: BLE001  # handed to the test's own thread
            failures.append(error)

    threads = [threading.Thread(target=start) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    first, second = Records(url(tmp_path)), Records(url(tmp_path))
    assert first.installation == second.installation
    first.close()
    second.close()


def test_records_of_a_newer_program_are_left_alone_and_named(tmp_path: Path) -> None:
    Records(url(tmp_path)).close()
    with sqlite3.connect(tmp_path / "records.sqlite") as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()
    with pytest.raises(RecordsError, match="newer version: install that version again"):
        Records(url(tmp_path))


def test_a_file_that_is_no_database_is_named(tmp_path: Path) -> None:
    (tmp_path / "records.sqlite").write_bytes(b"not a database at all\n" * 100)
    with pytest.raises(RecordsUnavailable, match=r"records\.sqlite.*move it away"):
        Records(url(tmp_path))


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
