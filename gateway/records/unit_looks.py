"""How units run, as the rules saw it last: written by the gateway, read by the board.

Not a history: one row a unit, replaced. What is in it is lost without harm. All functions work
inside the caller's transaction.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

from sqlalchemy import Connection, Table, func, select

from gateway.records.models import UnitLookRecord, UnitRecord
from gateway.records.upsert import insert_into
from rules.expected import LiveReading, RunningState

__all__ = [
    "UnitLookRow",
    "heard",
    "heard_by_site",
    "look_of",
    "newest",
    "write_heard",
    "write_looks",
]

_LOOKS = cast("Table", UnitLookRecord.__table__)
_UNITS = cast("Table", UnitRecord.__table__)


@dataclass(frozen=True)
class UnitLookRow:
    """One unit as the rules saw it at ``looked_ms`` (UTC, ms since 1970).

    ``heard_ms`` is the time of its newest frame; it may be newer than the look.
    """

    unit_row: int
    heard_ms: int
    looked_ms: int
    state: RunningState | None
    readings: tuple[LiveReading, ...]

    def look_json(self) -> dict[str, Any] | None:
        """What the column holds."""
        if self.state is None:
            return None
        return {
            "state": dict(vars(self.state)),
            "readings": [reading.to_json() for reading in self.readings],
        }


def write_looks(connection: Connection, rows: Sequence[UnitLookRow]) -> None:
    """Replace what is known of these units."""
    if not rows:
        return
    statement = insert_into(connection, UnitLookRecord)
    new = statement.excluded
    statement = statement.on_conflict_do_update(
        index_elements=["unit_row"],
        set_={"heard_ms": new.heard_ms, "looked_ms": new.looked_ms, "look": new.look},
    )
    values = [
        {
            "unit_row": r.unit_row,
            "heard_ms": r.heard_ms,
            "looked_ms": r.looked_ms,
            "look": r.look_json(),
        }
        for r in rows
    ]
    connection.execute(statement, values)


def write_heard(connection: Connection, heard_ms: Mapping[int, int]) -> None:
    """Only when each unit (by its row) was heard last; what else is known of it stays."""
    if not heard_ms:
        return
    statement = insert_into(connection, UnitLookRecord)
    statement = statement.on_conflict_do_update(
        index_elements=["unit_row"], set_={"heard_ms": statement.excluded.heard_ms}
    )
    values = [
        {"unit_row": row, "heard_ms": at_ms, "looked_ms": 0, "look": None}
        for row, at_ms in heard_ms.items()
    ]
    connection.execute(statement, values)


def heard(connection: Connection, site: str) -> dict[str, int]:
    """When each unit of a site was heard last, by its id."""
    query = (
        select(_UNITS.c.unit, _LOOKS.c.heard_ms)
        .join(_LOOKS, _LOOKS.c.unit_row == _UNITS.c.row)
        .where(_UNITS.c.site == site)
    )
    return {r.unit: r.heard_ms for r in connection.execute(query) if r.heard_ms}


def heard_by_site(connection: Connection) -> dict[str, int]:
    """When any unit of each site was heard last, by the site's id."""
    query = (
        select(_UNITS.c.site, func.max(_LOOKS.c.heard_ms))
        .join(_LOOKS, _LOOKS.c.unit_row == _UNITS.c.row)
        .group_by(_UNITS.c.site)
    )
    return {site: at_ms for site, at_ms in connection.execute(query) if at_ms}


def newest(connection: Connection) -> int:
    """When the newest look was taken, 0 where there is none."""
    return connection.scalar(select(func.max(_LOOKS.c.looked_ms))) or 0


def look_of(connection: Connection, site: str, unit: str) -> UnitLookRow | None:
    """What is known of a unit; without state and readings where another version wrote them."""
    query = (
        select(_LOOKS)
        .join(_UNITS, _UNITS.c.row == _LOOKS.c.unit_row)
        .where(_UNITS.c.site == site, _UNITS.c.unit == unit)
    )
    r = connection.execute(query).first()
    if r is None:
        return None
    try:
        state = RunningState(**r.look["state"])
        readings = tuple(LiveReading.from_json(item) for item in r.look["readings"])
    except (TypeError, KeyError, AttributeError):
        return UnitLookRow(r.unit_row, r.heard_ms, r.looked_ms, None, ())
    return UnitLookRow(r.unit_row, r.heard_ms, r.looked_ms, state, readings)
