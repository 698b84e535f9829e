"""Writing one step of the rules reader: all of it, or nothing.

The functions work inside the caller's transaction and know nothing of tickets.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any, Final

from sqlalchemy import Connection, func, insert, select, update

from gateway.records.models import (
    AlarmEventRecord,
    AlarmRecord,
    BaselineHistoryRecord,
    BaselineRecord,
    LateFramesRecord,
    ReaderRecord,
)
from gateway.records.upsert import insert_into
from rules.events import AlarmEvent, AlarmState, BaselineChange, Change, Severity

__all__ = ["advance_offset", "plain", "read_offset", "write_baselines", "write_events"]

_RULES_READER: Final = "rules"


def read_offset(connection: Connection) -> int:
    """The last journal offset whose results are committed, 0 at first."""
    query = select(ReaderRecord.committed_offset).where(ReaderRecord.name == _RULES_READER)
    return connection.scalar(query) or 0


def advance_offset(connection: Connection, offset: int, now_ms: int) -> bool:
    """Move the offset forward; False, and nothing changed, where it is there or further."""
    moved = connection.execute(
        update(ReaderRecord)
        .where(ReaderRecord.name == _RULES_READER, ReaderRecord.committed_offset < offset)
        .values(committed_offset=offset, committed_ms=now_ms)
    )
    if moved.rowcount:
        return True
    statement = insert_into(connection, ReaderRecord).on_conflict_do_nothing()
    values = {"name": _RULES_READER, "committed_offset": offset, "committed_ms": now_ms}
    inserted = statement.values(values).returning(ReaderRecord.name)
    return offset > 0 and connection.scalar(inserted) is not None


def plain(event: AlarmEvent) -> AlarmEvent:
    """The event with Python's own numbers: a driver may store another library's as raw bytes."""
    return replace(
        event,
        unit_row=int(event.unit_row),
        time_ms=int(event.time_ms),
        onset_ms=int(event.onset_ms),
        state=AlarmState(event.state),
        severity=Severity(event.severity),
    )


def write_events(
    connection: Connection, events: Sequence[AlarmEvent], offset: int, now_ms: int
) -> None:
    """Append to the alarm journal and bring the alarms' present states up to date."""
    if not events:
        return
    connection.execute(insert(AlarmEventRecord), [_event_values(e, offset, now_ms) for e in events])
    alarms: dict[tuple[int, str], dict[str, Any]] = {}
    for event in events:
        key = (event.unit_row, event.fault)
        alarms[key] = _alarm_values(event, alarms.get(key))
    statement = insert_into(connection, AlarmRecord)
    new = statement.excluded
    statement = statement.on_conflict_do_update(
        index_elements=["unit_row", "fault"],
        set_={
            "state": new.state,
            "severity": new.severity,
            "onset_ms": new.onset_ms,
            "changed_ms": new.changed_ms,
            # A change that brings no evidence of its own keeps the last.
            "raised_ms": _kept(new.raised_ms, AlarmRecord.raised_ms),
            "evidence": _kept(new.evidence, AlarmRecord.evidence),
        },
    )
    connection.execute(statement, list(alarms.values()))


def write_baselines(connection: Connection, changes: Sequence[BaselineChange], now_ms: int) -> None:
    """Append to the baselines' history and keep the last of each."""
    if not changes:
        return
    rows = [_baseline_values(c) for c in changes]
    connection.execute(insert(BaselineHistoryRecord), [r | {"recorded_ms": now_ms} for r in rows])
    latest = {(r["unit_row"], r["quantity"], r["mode"]): r for r in rows}
    statement = insert_into(connection, BaselineRecord)
    names = ("value", "spread", "count", "measure", "time_ms")
    statement = statement.on_conflict_do_update(
        index_elements=["unit_row", "quantity", "mode"],
        set_={name: statement.excluded[name] for name in names},
    )
    connection.execute(statement, list(latest.values()))


def count_late(connection: Connection, late: Mapping[tuple[int, int], int]) -> None:
    """Add frames that came too late to be judged, by unit row and day since 1970."""
    if not late:
        return
    first = date(1970, 1, 1)
    rows = [
        {"day": (first + timedelta(days=day)).isoformat(), "unit_row": row, "count": count}
        for (row, day), count in sorted(late.items())
    ]
    statement = insert_into(connection, LateFramesRecord)
    # By name: a column that is called like a method of a column collection.
    more = {"count": LateFramesRecord.count + statement.excluded["count"]}
    connection.execute(
        statement.on_conflict_do_update(index_elements=["day", "unit_row"], set_=more), rows
    )


def _kept(new: Any, old: Any) -> Any:
    return func.coalesce(new, old)


def _event_values(event: AlarmEvent, offset: int, now_ms: int) -> dict[str, Any]:
    return {
        "unit_row": event.unit_row,
        "fault": event.fault,
        "time_ms": event.time_ms,
        "recorded_ms": now_ms,
        "journal_offset": offset,
        "change": event.change.value,
        "state": int(event.state),
        "severity": int(event.severity),
        "onset_ms": event.onset_ms,
        "evidence": event.evidence.to_json() if event.evidence else None,
        "by": event.by,
        "note": event.note,
    }


def _alarm_values(event: AlarmEvent, before: dict[str, Any] | None) -> dict[str, Any]:
    raised_ms = before["raised_ms"] if before else None
    evidence = before["evidence"] if before else None
    return {
        "unit_row": event.unit_row,
        "fault": event.fault,
        "state": int(event.state),
        "severity": int(event.severity),
        "onset_ms": event.onset_ms,
        "raised_ms": event.time_ms if event.change is Change.RAISED else raised_ms,
        "changed_ms": event.time_ms,
        "evidence": event.evidence.to_json() if event.evidence else evidence,
    }


def _baseline_values(change: BaselineChange) -> dict[str, Any]:
    return {
        "unit_row": int(change.unit_row),
        "quantity": change.quantity,
        "mode": change.mode,
        "value": _finite(change.value),
        "spread": _finite(change.spread),
        "count": int(change.count),
        "measure": change.unit,
        "time_ms": int(change.time_ms),
    }


def _finite(value: float | None) -> float | None:
    """Not a number is nothing: databases differ in what they make of it."""
    return None if value is None or not math.isfinite(value) else float(value)
