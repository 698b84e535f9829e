"""The embedded store's SQL. Names in it come from the signal catalogue, values are bound.

A file written by an earlier version may lack the columns of newer signals until the gateway has
opened it once; the questions take the set of columns that are there and answer NULL for others.
"""

# ruff: noqa: S608 - the SQL is put together from names of the catalogue, never from anyone's input

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from gateway.telemetry.base import ROLLUP_MS
from gateway.telemetry.sqlite_file import AGGREGATES, NAMES

__all__ = [
    "COUNTS",
    "FIRST_DIRTY",
    "ROLLUPS",
    "ROLL_UP",
    "SAMPLES",
    "VALUES",
    "WRITE",
    "Deletion",
    "latest",
    "outline",
    "raw",
    "rollups",
]

_FUNCTION: Final = {"min": "min", "mean": "avg", "max": "max", "count": "count"}


@dataclass(frozen=True)
class Deletion:
    """How a table's old rows go in portions, SQLite's DELETE having no LIMIT as it is built here.

    ``last`` finds the last key of the next portion (unit, cut, most rows); ``delete`` deletes up
    to and with it (unit, last).
    """

    table: str
    last: str
    delete: str

    @classmethod
    def of(cls, table: str, key: str) -> Deletion:
        """For a table and the column of its key that is a time."""
        oldest = f"SELECT {key} FROM {table} WHERE unit_id = ? AND {key} < ? ORDER BY {key} LIMIT ?"
        return cls(
            table,
            f"SELECT max({key}) FROM ({oldest})",
            f"DELETE FROM {table} WHERE unit_id = ? AND {key} <= ?",
        )


SAMPLES: Final = Deletion.of("sample", "time_ms")
ROLLUPS: Final = Deletion.of("rollup", "start_ms")

COUNTS: Final = (
    "SELECT (SELECT count(*) FROM unit), (SELECT count(*) FROM sample), "
    "(SELECT count(*) FROM rollup), (SELECT count(*) FROM dirty)"
)

VALUES: Final = f"SELECT {' + '.join(f'count({name})' for name in NAMES)} FROM sample"
"""How many measured values all samples hold."""

WRITE: Final = (
    f"INSERT INTO sample (unit_id, time_ms, {', '.join(NAMES)}) "
    f"VALUES ({', '.join('?' * (len(NAMES) + 2))}) "
    "ON CONFLICT (unit_id, time_ms) DO UPDATE SET "
    + ", ".join(f"{name} = coalesce(excluded.{name}, {name})" for name in NAMES)
)
"""A row merged into what is there: (unit, time, one value or NULL for each signal)."""

_COLUMNS: Final = [(aggregate, name) for aggregate in AGGREGATES for name in NAMES]

ROLL_UP: Final = (
    f"INSERT OR REPLACE INTO rollup (unit_id, start_ms, {', '.join(map('_'.join, _COLUMNS))}) "
    f"SELECT ?1, ?2, {', '.join(f'{_FUNCTION[a]}({name})' for a, name in _COLUMNS)} "
    f"FROM sample WHERE unit_id = ?1 AND time_ms >= ?2 AND time_ms < ?2 + {ROLLUP_MS} "
    "GROUP BY unit_id"
)
"""One bucket computed from its samples, if it has any: (unit, start)."""


def raw(names: Sequence[str], there: set[str]) -> str:
    """Time and values of the samples of (unit, start, end) that have any of these signals."""
    known = [name for name in names if name in there]
    columns = ", ".join(name if name in there else "NULL" for name in names)
    return (
        f"SELECT time_ms, {columns} FROM sample "
        "WHERE unit_id = ? AND time_ms >= ? AND time_ms < ? "
        f"AND coalesce({', '.join(known)}, NULL) IS NOT NULL ORDER BY time_ms"
    )


def rollups(names: Sequence[str], there: set[str]) -> str:
    """Buckets of (unit, start, end): stored ones, but those listed as dirty computed afresh.

    After the start come all minima, then all means, maxima and counts.
    """
    stored, computed = [], []
    for aggregate in AGGREGATES:
        absent = "0" if aggregate == "count" else "NULL"
        for name in names:
            # A column added later holds NULL in earlier rows.
            column = f"coalesce({aggregate}_{name}, {absent})"
            stored.append(column if name in there else absent)
            computed.append(f"{_FUNCTION[aggregate]}({name})" if name in there else absent)
    known = [name for name in names if name in there]
    any_stored = " OR ".join(f"count_{name} > 0" for name in known)
    any_computed = " OR ".join(f"count({name}) > 0" for name in known)
    span = "unit_id = ?1 AND start_ms >= ?2 AND start_ms < ?3"
    listed = f"SELECT start_ms FROM dirty WHERE {span}"
    return (
        f"SELECT start_ms, {', '.join(stored)} FROM rollup WHERE {span} AND ({any_stored}) "
        f"AND start_ms NOT IN ({listed}) "
        f"UNION ALL SELECT start_ms, {', '.join(computed)} FROM ({listed}) CROSS JOIN sample "
        f"ON unit_id = ?1 AND time_ms >= start_ms AND time_ms < start_ms + {ROLLUP_MS} "
        f"GROUP BY start_ms HAVING {any_computed} ORDER BY 1"
    )


def outline(names: Sequence[str], there: set[str]) -> str:
    """Windows of (unit, start, end, width) of the stored buckets before the first dirty one."""
    columns = [
        f"{function}({aggregate}_{name})" if name in there else "NULL"
        for aggregate, function in (("min", "min"), ("mean", "avg"), ("max", "max"))
        for name in names
    ]
    return (
        f"SELECT start_ms / ?4 * ?4, {', '.join(columns)} FROM rollup "
        "WHERE unit_id = ?1 AND start_ms >= ?2 AND start_ms < ?3 GROUP BY 1 ORDER BY 1"
    )


FIRST_DIRTY: Final = (
    "SELECT min(start_ms) FROM dirty WHERE unit_id = ? AND start_ms >= ? AND start_ms < ?"
)
"""Since when a range of (unit, start, end) has to be computed afresh; NULL for never."""


def latest(there: set[str]) -> str:
    """Name, time and value of each signal's newest sample of (unit, not before)."""
    return " UNION ALL ".join(
        f"SELECT * FROM (SELECT '{name}', time_ms, {name} FROM sample "
        f"WHERE unit_id = ?1 AND time_ms >= ?2 AND {name} IS NOT NULL "
        "ORDER BY time_ms DESC LIMIT 1)"
        for name in NAMES
        if name in there
    )
