"""The unit register: a row once given stands for ever."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, given, settings

from gateway.journal import JournalError, JournalUnavailable, SqliteJournal
from gateway.unit_register import UnitRegister, read_units


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[SqliteJournal]:
    journal = SqliteJournal(tmp_path / "journal.sqlite")
    yield journal
    journal.close()


def test_rows_are_given_in_order_from_zero_and_kept(journal: SqliteJournal) -> None:
    register = UnitRegister(journal)
    assert register.row("quay", "ac-1") == 0
    assert register.row("quay", "ac-2") == 1
    assert register.row("mill", "ac-1") == 2
    assert register.row("quay", "ac-1") == 0
    again = UnitRegister(journal)
    assert again.rows == {("quay", "ac-1"): 0, ("quay", "ac-2"): 1, ("mill", "ac-1"): 2}
    assert again.row("mill", "ac-9") == 3


KEYS = st.tuples(st.sampled_from("abc"), st.sampled_from("xyz"))


@given(rounds=st.lists(st.lists(KEYS, max_size=6), max_size=6))
@settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_no_order_of_asking_changes_a_row(
    rounds: list[list[tuple[str, str]]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    journal = SqliteJournal(tmp_path_factory.mktemp("register") / "journal.sqlite")
    model: dict[tuple[str, str], int] = {}
    for keys in rounds:
        rows = UnitRegister(journal).ensure(keys)
        for key in keys:
            model.setdefault(key, len(model))
        assert dict(rows) == model
    journal.close()


def test_two_registers_of_one_journal_agree(journal: SqliteJournal) -> None:
    one, other = UnitRegister(journal), UnitRegister(journal)
    assert one.row("quay", "ac-1") == 0
    assert other.row("quay", "ac-2") == 1
    assert other.row("quay", "ac-1") == 0
    assert one.row("quay", "ac-2") == 1


def test_a_row_that_cannot_be_made_durable_is_not_given(journal: SqliteJournal) -> None:
    register = UnitRegister(journal)
    register.row("quay", "ac-1")
    with journal.transaction("prepared") as db:
        db.execute(
            "CREATE TRIGGER refuse BEFORE INSERT ON units"
            " BEGIN SELECT RAISE(ABORT, 'refused by the test'); END"
        )
    with pytest.raises(JournalUnavailable, match="refused by the test"):
        register.row("quay", "ac-2")
    assert register.rows == {("quay", "ac-1"): 0}


def test_another_process_may_read_the_register(journal: SqliteJournal, tmp_path: Path) -> None:
    assert read_units(tmp_path / "absent.sqlite") == {}
    UnitRegister(journal).ensure([("quay", "ac-1"), ("mill", "ac-1")])
    assert read_units(journal.path) == {("quay", "ac-1"): 0, ("mill", "ac-1"): 1}


def test_a_register_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    sqlite3.connect(other).close()
    other.write_bytes(b"no database" * 100)
    with pytest.raises(JournalUnavailable, match=r"other\.sqlite cannot be read"):
        read_units(other)


def test_views_show_what_is_added_later(journal: SqliteJournal) -> None:
    register = UnitRegister(journal)
    rows, units = register.rows, register.units
    register.row("quay", "ac-1")
    assert rows == {("quay", "ac-1"): 0}
    assert units == {0: ("quay", "ac-1")}


def test_a_new_journal_takes_over_the_rows_that_the_records_know(journal: SqliteJournal) -> None:
    register = UnitRegister(journal)
    assert register.adopt({4: ("mill", "ac-1"), 0: ("quay", "ac-1")}) == 2
    assert register.adopt({0: ("quay", "ac-1")}) == 0
    assert register.row("mill", "ac-1") == 4
    assert register.row("quay", "ac-2") == 5
    assert UnitRegister(journal).rows == register.rows


@pytest.mark.parametrize("known", [{0: ("mill", "ac-1")}, {3: ("quay", "ac-1")}])
def test_records_that_disagree_are_refused(
    journal: SqliteJournal, known: dict[int, tuple[str, str]]
) -> None:
    register = UnitRegister(journal)
    register.row("quay", "ac-1")
    with pytest.raises(JournalError, match="do not belong together"):
        register.adopt(known)
    assert register.rows == {("quay", "ac-1"): 0}
