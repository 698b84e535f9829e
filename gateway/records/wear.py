"""Writing and reading of wear: conditions by day, date ranges, cleanings.

All functions work inside the caller's transaction.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any, Final, cast

from sqlalchemy import Connection, Table, select, update

from gateway.records.actions import add_action
from gateway.records.models import TicketRecord, UnitRecord
from gateway.records.queries import Where
from gateway.records.text import by_code_points
from gateway.records.upsert import insert_into
from gateway.records.wear_models import CleaningRecord, ConditionDayRecord, ConditionRecord
from gateway.records.wear_rows import CleaningRow, ConditionDay, ConditionRow, UnitDueRange
from rules.condition import PartCondition
from rules.condition.figures import readings_of
from rules.events import ActionKind
from rules.forecast import STALE_DAYS, Figure, cut, due_range, pace_of
from rules.proof import Proof, ProofVerdict

__all__ = [
    "Settled",
    "awaiting",
    "cleanings",
    "condition_days",
    "conditions",
    "due_ranges",
    "note_cleaning",
    "settle",
    "write_conditions",
]

_DAY_MS: Final = 86_400_000
_LOOK_BACK_MS: Final = 3 * 366 * 86_400_000
"""Three years: enough to know the seasons by."""
_UNITS: Final = cast("Table", UnitRecord.__table__)
_NOW: Final = cast("Table", ConditionRecord.__table__)
_DAYS: Final = cast("Table", ConditionDayRecord.__table__)
_CLEANINGS: Final = cast("Table", CleaningRecord.__table__)
_TICKETS: Final = cast("Table", TicketRecord.__table__)


def write_conditions(connection: Connection, figures: Sequence[PartCondition]) -> None:
    """Keep the figures of a day, and the newest of each part with its reasons."""
    if not figures:
        return
    newest: dict[tuple[int, str], dict[str, Any]] = {}
    days: dict[tuple[int, str, int], dict[str, Any]] = {}
    for one in figures:
        row, time_ms = int(one.unit_row), int(one.time_ms)
        both = {
            "unit_row": row,
            "part": one.part,
            "time_ms": time_ms,
            "raw_pct": _finite(one.raw_pct),
            "uncertainty_pct": _finite(one.uncertainty_pct),
            "basis": one.basis,
            "count": int(one.count),
            "baseline_ms": int(one.baseline_ms),
        }
        if both["raw_pct"] is not None and both["uncertainty_pct"] is not None:
            days[row, one.part, time_ms] = both
        newest[row, one.part] = both | {
            "condition_pct": _finite(one.condition_pct),
            "since_ms": int(one.since_ms),
            "said": one.said,
            "readings": one.readings_json(),
        }
    _put(connection, ConditionRecord, ["unit_row", "part"], list(newest.values()))
    _put(connection, ConditionDayRecord, ["unit_row", "part", "time_ms"], list(days.values()))


def note_cleaning(
    connection: Connection,
    *,
    unit_row: int,
    parts: Sequence[str],
    by: str,
    work_from_ms: int,
    cleaned_ms: int,
    ticket_id: int | None = None,
) -> None:
    """A person says that these parts were cleaned; the readings have yet to say what it did."""
    rows = [
        {
            "unit_row": unit_row, "part": part, "cleaned_ms": cleaned_ms,
            "work_from_ms": min(work_from_ms, cleaned_ms), "ticket_id": ticket_id, "by": by,
            "verdict": "", "settled_ms": None, "looked_ms": None, "confidence_pct": None,
            "effect_pct": None, "low_pct": None, "high_pct": None, "quantity": "", "measure": "",
            "before": None, "after": None, "count_before": 0, "count_after": 0,
            "said": "Readings in like conditions are awaited.",
        }
        for part in dict.fromkeys(parts)
    ]  # fmt: skip
    _put(connection, CleaningRecord, ["unit_row", "part", "cleaned_ms"], rows)


@dataclass(frozen=True)
class Settled:
    """What a look at the readings made of one cleaning; ``final`` ends the looking."""

    cleaning: CleaningRow
    proof: Proof
    final: bool


def awaiting(connection: Connection) -> list[CleaningRow]:
    """The cleanings whose effect is not known yet, the oldest first."""
    query = _cleanings(Where()).where(_CLEANINGS.c.verdict == "")
    query = query.order_by(
        _CLEANINGS.c.cleaned_ms, _CLEANINGS.c.unit_row, by_code_points(_CLEANINGS.c.part)
    )
    return _cleaning_rows(connection, query)


def settle(connection: Connection, looks: Sequence[Settled], now_ms: int) -> None:
    """Write down what was seen, once; what has proven to help is to be learned by the rules."""
    for look in looks:
        one, proof = look.cleaning, look.proof
        values: dict[str, Any] = {
            "looked_ms": now_ms,
            "said": proof.said,
            "quantity": proof.quantity,
            "measure": proof.unit,
            "before": _finite(proof.before),
            "after": _finite(proof.after),
            "effect_pct": _finite(proof.effect_pct),
            "low_pct": _finite(proof.low_pct),
            "high_pct": _finite(proof.high_pct),
            "confidence_pct": _finite(proof.confidence_pct),
            "count_before": proof.count_before,
            "count_after": proof.count_after,
        }
        if look.final:
            values |= {"verdict": proof.verdict.value, "settled_ms": now_ms}
        written = connection.execute(
            update(CleaningRecord)
            .where(
                CleaningRecord.unit_row == one.unit_row,
                CleaningRecord.part == one.part,
                CleaningRecord.cleaned_ms == one.cleaned_ms,
                CleaningRecord.verdict == "",
            )
            .values(**values)
        )
        if written.rowcount and look.final and proof.verdict is ProofVerdict.HELPED:
            add_action(
                connection, kind=ActionKind.PROVEN, unit_row=one.unit_row, fault="",
                by=one.by or "nobody named", note=proof.said, until_ms=0, now_ms=now_ms,
                parts=(one.part,),
            )  # fmt: skip


def conditions(
    connection: Connection, where: Where, at_ms: int | None = None
) -> list[ConditionRow]:
    """The newest figure of each part, by site, unit and part; with ``at_ms`` as it stood then.

    Of the past only known figures are kept: then the newest that a forecast would have taken.
    """
    query = _of_units(_NOW, where).order_by(
        by_code_points(_UNITS.c.site), by_code_points(_UNITS.c.unit), by_code_points(_NOW.c.part)
    )
    rows = [
        ConditionRow(**{**row, "readings": readings_of(row["readings"])})
        for row in connection.execute(query).mappings()
    ]
    if at_ms is None or all(row.time_ms <= at_ms for row in rows):
        return rows
    days: dict[tuple[int, str], ConditionDay] = {}
    for day in condition_days(connection, where, since_ms=at_ms - int(STALE_DAYS * _DAY_MS)):
        if day.time_ms <= at_ms:
            days[day.unit_row, day.part] = day
    return [
        row
        if row.time_ms <= at_ms
        else _as_it_stood(row, days.get((row.unit_row, row.part)), at_ms)
        for row in rows
    ]


def _as_it_stood(row: ConditionRow, day: ConditionDay | None, at_ms: int) -> ConditionRow:
    """A part's row with an earlier day's figure, or none, in place of its own."""
    if day is None:
        return replace(
            row, time_ms=at_ms, since_ms=at_ms, condition_pct=None, uncertainty_pct=None,
            raw_pct=None, basis="", count=0, baseline_ms=0, readings=(),
            said="Not known: no figure of the days before is kept.",
        )  # fmt: skip
    return replace(
        row, time_ms=day.time_ms, since_ms=day.time_ms - _DAY_MS, condition_pct=day.condition_pct,
        uncertainty_pct=day.uncertainty_pct, raw_pct=day.raw_pct, basis=day.basis, count=day.count,
        baseline_ms=day.baseline_ms, readings=(), said=f"{day.in_words}, by {day.basis}.",
    )  # fmt: skip


def condition_days(
    connection: Connection, where: Where, part: str = "", since_ms: int = 0
) -> list[ConditionDay]:
    """The daily figures from ``since_ms`` on, each part's in order of time."""
    query = _of_units(_DAYS, where).where(_DAYS.c.time_ms >= since_ms)
    if part:
        query = query.where(_DAYS.c.part == part)
    query = query.order_by(_DAYS.c.unit_row, by_code_points(_DAYS.c.part), _DAYS.c.time_ms)
    return [ConditionDay(**row) for row in connection.execute(query).mappings()]


def due_ranges(
    connection: Connection,
    where: Where,
    now_ms: int,
    rows: Sequence[int] | None = None,
    *,
    of_the_past: bool = False,
) -> list[UnitDueRange]:
    """When each part that has figures reaches its limit, by site, unit and part.

    With ``of_the_past`` as it could be told at ``now_ms``: later figures and cleanings do not
    count. With ``rows``, of these units alone. Of the years of figures one unit's are held at a
    time.
    """
    cleaned: dict[tuple[int, str], list[int]] = defaultdict(list)
    for one in cleanings(connection, where):
        if not of_the_past or one.cleaned_ms <= now_ms:
            cleaned[one.unit_row, one.part].append(one.cleaned_ms)
    places = _of_units(_NOW, where, rows).with_only_columns(
        _NOW.c.unit_row, _UNITS.c.site, _UNITS.c.unit, _NOW.c.part
    )
    out = []
    for (row, site, unit), parts in groupby(
        sorted(connection.execute(places), key=lambda r: (r.site, r.unit, r.part)),
        key=lambda r: (r.unit_row, r.site, r.unit),
    ):
        series = _series(connection, row, now_ms - _LOOK_BACK_MS, now_ms if of_the_past else None)
        for part in [r.part for r in parts]:
            known, ended = series.get(part, []), cleaned.get((row, part), ())
            figures, since = cut(known, ended)
            due = due_range(part, figures, now_ms, since, pace_of(known, ended))
            out.append(UnitDueRange(row, site, unit, due))
    return out


def _series(
    connection: Connection, row: int, since_ms: int, until_ms: int | None
) -> dict[str, list[Figure]]:
    """The daily figures of a unit's parts from one moment to another, in order of time."""
    d = _DAYS.c
    query = (
        select(d.part, d.time_ms, d.raw_pct, d.uncertainty_pct, d.basis, d.baseline_ms)
        .where(d.unit_row == row, d.time_ms >= since_ms)
        .order_by(d.part, d.time_ms)
    )
    if until_ms is not None:
        query = query.where(d.time_ms <= until_ms)
    series: dict[str, list[Figure]] = defaultdict(list)
    for part, *figure in connection.execute(query):
        series[part].append(Figure(*figure))
    return series


def cleanings(connection: Connection, where: Where, part: str = "") -> list[CleaningRow]:
    """Cleanings, the newest first."""
    query = _cleanings(where)
    if part:
        query = query.where(_CLEANINGS.c.part == part)
    query = query.order_by(
        _CLEANINGS.c.cleaned_ms.desc(), _CLEANINGS.c.unit_row, by_code_points(_CLEANINGS.c.part)
    )
    return _cleaning_rows(connection, query)


def _cleanings(where: Where) -> Any:
    query = _of_units(_CLEANINGS, where).add_columns(_TICKETS.c.number)
    return query.outerjoin(_TICKETS, _TICKETS.c.id == _CLEANINGS.c.ticket_id)


def _cleaning_rows(connection: Connection, query: Any) -> list[CleaningRow]:
    out = []
    for found in connection.execute(query).mappings():
        row = dict(found)
        del row["ticket_id"]
        row["ticket"] = row.pop("number") or ""
        out.append(CleaningRow(**row))
    return out


def _of_units(table: Table, where: Where, rows: Sequence[int] | None = None) -> Any:
    query = select(table, _UNITS.c.site, _UNITS.c.unit)
    query = query.join(_UNITS, _UNITS.c.row == table.c.unit_row)
    if where.site:
        query = query.where(_UNITS.c.site == where.site)
    if where.unit:
        query = query.where(_UNITS.c.unit == where.unit)
    if rows is not None:
        query = query.where(table.c.unit_row.in_(rows))
    return query


def _put(connection: Connection, model: Any, key: list[str], rows: list[dict[str, Any]]) -> None:
    if not rows:
        return
    statement = insert_into(connection, model)
    changed = {name: statement.excluded[name] for name in rows[0] if name not in key}
    statement = statement.on_conflict_do_update(index_elements=key, set_=changed)
    connection.execute(statement, rows)


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
