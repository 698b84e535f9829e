"""Counting what was refused, in a bounded number of rows.

One row a UTC day, reason, site, unit and topic, with the latest example. What arrives from outside
chooses the topic, so the rows of a day are limited: beyond the limit refusals are counted in one
row a reason, and days older than the retention are deleted when a new day begins.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection, case, delete, select

from gateway.batch import Reject
from gateway.records.models import QuarantineRecord as Q
from gateway.records.text import storable
from gateway.records.upsert import insert_into

__all__ = ["OTHER_TOPICS", "Quarantine", "QuarantineLimits"]

OTHER_TOPICS: Final = "(other topics)"
_TEXT_LIMIT: Final = 200
_DETAIL_LIMIT: Final = 500
_DAYS_REMEMBERED: Final = 2


@dataclass(frozen=True)
class QuarantineLimits:
    """At most ``rows_per_day`` rows of their own for one UTC day, kept for ``retention_days``."""

    rows_per_day: int = 10_000
    retention_days: int = 30


class _Key(NamedTuple):
    day: str
    reason: str
    site: str
    unit: str
    topic: str


@dataclass
class _Tally:
    count: int
    first_ms: int
    last_ms: int
    detail: str
    excerpt: str

    def add(self, other: _Tally) -> None:
        self.count += other.count
        self.first_ms = min(self.first_ms, other.first_ms)
        if other.last_ms >= self.last_ms:
            self.last_ms, self.detail, self.excerpt = other.last_ms, other.detail, other.excerpt


class Quarantine:
    """Counts refusals. Only one process may do so for the same records: the rules reader's."""

    def __init__(self, limits: QuarantineLimits) -> None:
        """Begin knowing nothing; the keys of a day are read when the day is first met."""
        self._limits = limits
        self._keys: dict[str, set[_Key]] = {}

    def count(self, connection: Connection, rejects: Iterable[Reject]) -> None:
        """Add the refusals to the counts of their UTC day (by the time of receipt)."""
        tallies: dict[_Key, _Tally] = {}
        for reject in rejects:
            key = self._room_for(connection, _key(reject))
            tally = _tally(reject)
            if key in tallies:
                tallies[key].add(tally)
            else:
                tallies[key] = tally
        if tallies:
            _upsert(connection, [k._asdict() | vars(t) for k, t in tallies.items()])

    def forget(self) -> None:
        """Must be called when a transaction failed: what was remembered may not be written."""
        self._keys.clear()

    def _room_for(self, connection: Connection, key: _Key) -> _Key:
        """The key itself, or that of the day's row for the rest where the day has no room."""
        keys = self._keys.get(key.day)
        if keys is None:
            keys = self._keys[key.day] = self._read_day(connection, key.day)
        if key not in keys:
            if len(keys) >= self._limits.rows_per_day:
                return _Key(key.day, key.reason, "", "", OTHER_TOPICS)
            keys.add(key)
        return key

    def _read_day(self, connection: Connection, day: str) -> set[_Key]:
        while len(self._keys) >= _DAYS_REMEMBERED:
            del self._keys[min(self._keys)]
        first = datetime.fromisoformat(day) - timedelta(days=self._limits.retention_days)
        connection.execute(delete(Q).where(Q.day < first.date().isoformat()))
        query = select(Q.day, Q.reason, Q.site, Q.unit, Q.topic)
        rows = connection.execute(query.where(Q.day == day, Q.topic != OTHER_TOPICS))
        return {_Key(*row) for row in rows}


def _upsert(connection: Connection, rows: list[dict[str, Any]]) -> None:
    statement = insert_into(connection, Q)
    new = statement.excluded
    later = new.last_ms >= Q.last_ms
    statement = statement.on_conflict_do_update(
        index_elements=["day", "reason", "site", "unit", "topic"],
        set_={
            # By name: columns of this table are called like methods of a column collection.
            "count": Q.count + new["count"],
            "first_ms": case((new.first_ms < Q.first_ms, new.first_ms), else_=Q.first_ms),
            "last_ms": case((later, new.last_ms), else_=Q.last_ms),
            "detail": case((later, new.detail), else_=Q.detail),
            "excerpt": case((later, new.excerpt), else_=Q.excerpt),
        },
    )
    connection.execute(statement, rows)


def _key(reject: Reject) -> _Key:
    day = datetime.fromtimestamp(reject.received_ms / 1000, UTC).date().isoformat()
    return _Key(
        day,
        reject.reason.value,
        _clip(reject.site, _TEXT_LIMIT),
        _clip(reject.unit, _TEXT_LIMIT),
        _clip(reject.topic, _TEXT_LIMIT),
    )


def _tally(reject: Reject) -> _Tally:
    return _Tally(
        reject.count,
        reject.received_ms,
        reject.received_ms,
        _clip(reject.detail, _DETAIL_LIMIT),
        _clip(reject.excerpt, _TEXT_LIMIT),
    )


def _clip(text: str, limit: int) -> str:
    """At most ``limit`` characters, as they are stored: equal keys must be equal here too."""
    head = storable(text[: limit + 1])
    return head if len(head) <= limit else head[: limit - 1] + "…"
