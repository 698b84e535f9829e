"""The unit register: which small number stands for which unit, for ever.

Frames, alarms and columns name a unit by its row. Rows are given once, in order, and never reused
or changed, so entries of the journal, snapshots and records stay readable when sites come and go.
The register lives in the journal's file, because the journal is meaningless without it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from pathlib import Path
from types import MappingProxyType

from gateway.journal import JournalError, JournalUnavailable, SqliteJournal

__all__ = ["UnitRegister", "read_units"]


class UnitRegister:
    """The rows of all units ever known, kept in a journal's file.

    Methods may be called from any thread; a method that gives a new row raises
    :class:`JournalUnavailable` when the row cannot be made durable.
    """

    def __init__(self, journal: SqliteJournal) -> None:
        """Read the register of this journal."""
        self._journal = journal
        self._rows: dict[tuple[str, str], int] = {}
        self._units: dict[int, tuple[str, str]] = {}
        with journal.transaction("read") as db:
            self._take(_load(db))

    @property
    def rows(self) -> Mapping[tuple[str, str], int]:
        """(site, unit) to row; what is added later shows in it."""
        return MappingProxyType(self._rows)

    @property
    def units(self) -> Mapping[int, tuple[str, str]]:
        """Row to (site, unit); what is added later shows in it."""
        return MappingProxyType(self._units)

    def row(self, site: str, unit: str) -> int:
        """The unit's row; a unit not known before gets the next one."""
        return self.ensure([(site, unit)])[site, unit]

    def ensure(self, units: Iterable[tuple[str, str]]) -> Mapping[tuple[str, str], int]:
        """Give a row to each unit that has none, in the order named, in one transaction."""
        new = [key for key in dict.fromkeys(units) if key not in self._rows]
        if new:
            with self._journal.transaction("written") as db:
                rows = _load(db)
                following = max(rows.values(), default=-1) + 1
                for row, key in enumerate((k for k in new if k not in rows), following):
                    rows[key] = row
                    _insert(db, row, key)
            self._take(rows)
        return self.rows

    def adopt(self, units: Mapping[int, tuple[str, str]]) -> int:
        """Take over rows that others know and this register does not; how many they were.

        For a journal that is newer than the records. Raises :class:`JournalError` where the two
        disagree about a row: then they do not belong together.
        """
        new = {row: key for row, key in units.items() if self._units.get(row) != key}
        for row, key in new.items():
            if row in self._units or key in self._rows:
                mine = self._units.get(row, ("no unit", ""))
                msg = (
                    f"{self._journal.path} and the records do not belong together: row {row} is "
                    f"{'/'.join(mine)} here and {'/'.join(key)} in the records. Put back the files "
                    "that were used together. Nothing has been started."
                )
                raise JournalError(msg)
        if new:
            with self._journal.transaction("written") as db:
                for row, key in new.items():
                    _insert(db, row, key)
                rows = _load(db)
            self._take(rows)
        return len(new)

    def _take(self, rows: Mapping[tuple[str, str], int]) -> None:
        self._rows.update(rows)
        self._units.update({row: key for key, row in rows.items()})


def read_units(path: Path) -> dict[tuple[str, str], int]:
    """The register of a journal that another process may be writing; empty if there is none yet.

    Raises :class:`JournalUnavailable` when the file cannot be read.
    """
    if not path.exists():
        return {}
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as db:
            return _load(db)
    except sqlite3.Error as error:
        msg = f"{path} cannot be read: {error}. Start the gateway on this directory first."
        raise JournalUnavailable(msg) from error


def _load(db: sqlite3.Connection) -> dict[tuple[str, str], int]:
    rows = db.execute("SELECT unit_row, site, unit FROM units ORDER BY unit_row")
    return {(site, unit): row for row, site, unit in rows}


def _insert(db: sqlite3.Connection, row: int, key: tuple[str, str]) -> None:
    db.execute("INSERT INTO units VALUES (?, ?, ?)", (row, *key))
