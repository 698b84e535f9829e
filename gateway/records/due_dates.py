"""When parts are due, kept so that a page reads thousands of dates without the years behind them.

A date follows from years of daily figures, and changes once a day: :class:`gateway.due_keeper` has
it worked out and kept here, and anew after a cleaning. All functions work inside the caller's
transaction.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final, cast

from sqlalchemy import ColumnElement, Connection, RowMapping, Table, and_, func, not_, or_, select

from gateway.records import wear
from gateway.records.models import UnitRecord
from gateway.records.queries import Where
from gateway.records.upsert import insert_into
from gateway.records.wear_models import CleaningRecord, ConditionRecord, DueDateRecord
from gateway.records.wear_rows import UnitDueRange
from rules.forecast import DueRange, Verdict

__all__ = ["DueKnown", "FirstDue", "awaiting", "first_due", "keep", "known", "renew"]

_DAY_MS: Final = 86_400_000
_UNITS: Final = cast("Table", UnitRecord.__table__)
_KEPT: Final = cast("Table", DueDateRecord.__table__)
_NOW: Final = cast("Table", ConditionRecord.__table__)
_CLEANINGS: Final = cast("Table", CleaningRecord.__table__)


@dataclass(frozen=True)
class FirstDue:
    """The parts that are due first; ``total`` of them have a date, ``awaited`` units none yet."""

    ranges: tuple[UnitDueRange, ...]
    total: int
    awaited: int


@dataclass(frozen=True)
class DueKnown:
    """When parts are due, as it is kept, by site, unit and part.

    ``awaited`` are the units (site, unit) of which a date is not worked out yet, or not since a
    cleaning; those parts are left out.
    """

    ranges: tuple[UnitDueRange, ...]
    awaited: tuple[tuple[str, str], ...]


def awaiting(connection: Connection, now_ms: int, limit: int | None = None) -> list[int]:
    """Rows of the units whose dates are to be worked out, those without any first.

    There is a newer figure or cleaning, or it is a day ago: what is due then is due today.
    """
    cleaned = _last_cleanings()
    same, its = _of_one_part(_KEPT), _of_one_part(cleaned)
    query = (
        select(_NOW.c.unit_row, func.min(func.coalesce(_KEPT.c.made_ms, 0)).label("made"))
        .outerjoin(_KEPT, same)
        .outerjoin(cleaned, its)
        .where(
            or_(
                _KEPT.c.made_ms.is_(None),
                _KEPT.c.made_ms <= now_ms - _DAY_MS,
                _KEPT.c.made_ms > now_ms,  # the clock was set back
                _KEPT.c.figure_ms != _NOW.c.time_ms,
                _KEPT.c.cleaned_ms != func.coalesce(cleaned.c.cleaned_ms, 0),
            )
        )
        .group_by(_NOW.c.unit_row)
        .order_by("made", _NOW.c.unit_row)
        .limit(limit)
    )
    return [row.unit_row for row in connection.execute(query)]


def renew(connection: Connection, rows: Sequence[int], now_ms: int) -> list[dict[str, Any]]:
    """Work out the dates of these units, as :func:`keep` takes them."""
    figures: dict[tuple[int, str], int] = {
        (row, part): time_ms
        for row, part, time_ms in connection.execute(
            select(_NOW.c.unit_row, _NOW.c.part, _NOW.c.time_ms).where(_NOW.c.unit_row.in_(rows))
        )
    }
    cleaned: dict[tuple[int, str], int] = {
        (row, part): time_ms
        for row, part, time_ms in connection.execute(
            select(
                _CLEANINGS.c.unit_row, _CLEANINGS.c.part, func.max(_CLEANINGS.c.cleaned_ms)
            )
            .where(_CLEANINGS.c.unit_row.in_(rows))
            .group_by(_CLEANINGS.c.unit_row, _CLEANINGS.c.part)
        )
    }  # fmt: skip
    made = []
    for one in wear.due_ranges(connection, Where(), now_ms, rows):
        key = one.unit_row, one.due.part
        made.append(
            {
                **vars(one.due), "verdict": one.due.verdict.value, "unit_row": one.unit_row,
                "made_ms": now_ms, "figure_ms": figures[key], "cleaned_ms": cleaned.get(key, 0),
            }
        )  # fmt: skip
    return made


def keep(connection: Connection, made: Sequence[dict[str, Any]]) -> None:
    """Keep what :func:`renew` made, in place of what was kept before."""
    if not made:
        return
    key = ["unit_row", "part"]
    statement = insert_into(connection, DueDateRecord)
    changed = {name: statement.excluded[name] for name in made[0] if name not in key}
    connection.execute(
        statement.on_conflict_do_update(index_elements=key, set_=changed), list(made)
    )


def first_due(
    connection: Connection, now_ms: int, limit: int, sites: Collection[str] | None = None
) -> FirstDue:
    """The first ``limit`` parts that are due some day, at these sites or at all.

    Those that are due already come first, then by the early end of their range.
    """
    k = _KEPT.c
    ours: list[ColumnElement[bool]] = [] if sites is None else [_UNITS.c.site.in_(sorted(sites))]
    # One index serves each: sorting all that are due some day would take longer than reading them.
    lists = (
        ([k.verdict == Verdict.THERE.value, *ours], [k.unit_row, k.part]),
        (
            [k.verdict == Verdict.DUE.value, k.early_ms.is_not(None), *ours],
            [k.early_ms, k.unit_row, k.part],
        ),
    )
    rows: list[RowMapping] = []
    total = 0
    for wanted, order in lists:
        query = _placed().where(*wanted).order_by(*order).limit(limit - len(rows))
        rows += connection.execute(query).mappings()
        count = select(func.count()).select_from(_KEPT)
        count = count.join(_UNITS, _UNITS.c.row == k.unit_row) if ours else count
        total += connection.scalar(count.where(*wanted)) or 0
    # Both have a row for each part, once it is worked out.
    kept, all_parts = (
        connection.scalar(select(func.count()).select_from(table)) or 0 for table in (_KEPT, _NOW)
    )
    awaited = 0
    if kept < all_parts:
        has_none = select(_NOW.c.unit_row).outerjoin(_KEPT, _of_one_part(_KEPT))
        has_none = has_none.where(k.made_ms.is_(None)).distinct()
        awaited = connection.scalar(select(func.count()).select_from(has_none.subquery())) or 0
    return FirstDue(tuple(_ranges(rows, now_ms)), total, awaited)


def known(connection: Connection, where: Where, now_ms: int) -> DueKnown:
    """What is kept. Nothing is worked out: that takes years of figures, and somebody waits."""
    cleaned = _last_cleanings()
    its = _of_one_part(cleaned)
    void = or_(
        _KEPT.c.made_ms.is_(None), _KEPT.c.cleaned_ms != func.coalesce(cleaned.c.cleaned_ms, 0)
    )
    parts = (
        select(_KEPT, _UNITS.c.site, _UNITS.c.unit)
        .select_from(_NOW)
        .join(_UNITS, _UNITS.c.row == _NOW.c.unit_row)
        .outerjoin(_KEPT, _of_one_part(_KEPT))
        .outerjoin(cleaned, its)
        .where(_NOW.c.unit_row.in_(_at(where)))
    )
    found = _ranges(connection.execute(parts.where(not_(void))).mappings(), now_ms)
    missing = connection.execute(
        parts.with_only_columns(_UNITS.c.site, _UNITS.c.unit).where(void).distinct()
    )
    return DueKnown(
        tuple(sorted(found, key=lambda one: (one.site, one.unit, one.due.part))),
        tuple(sorted((row.site, row.unit) for row in missing)),
    )


def _last_cleanings() -> Any:
    """When each part was cleaned last."""
    c = _CLEANINGS.c
    last = select(c.unit_row, c.part, func.max(c.cleaned_ms).label("cleaned_ms"))
    return last.group_by(c.unit_row, c.part).subquery()


def _of_one_part(table: Any) -> ColumnElement[bool]:
    return and_(table.c.unit_row == _NOW.c.unit_row, table.c.part == _NOW.c.part)


def _at(where: Where) -> Any:
    query = select(_UNITS.c.row)
    if where.site:
        query = query.where(_UNITS.c.site == where.site)
    if where.unit:
        query = query.where(_UNITS.c.unit == where.unit)
    return query


def _placed() -> Any:
    query = select(_KEPT, _UNITS.c.site, _UNITS.c.unit)
    return query.join(_UNITS, _UNITS.c.row == _KEPT.c.unit_row)


def _ranges(rows: Iterable[RowMapping], now_ms: int) -> list[UnitDueRange]:
    def ahead(time_ms: int | None) -> int | None:
        return None if time_ms is None else max(time_ms, now_ms)

    return [
        UnitDueRange(
            r["unit_row"], r["site"], r["unit"],
            DueRange(
                r["part"], r["condition_pct"], r["uncertainty_pct"], ahead(r["early_ms"]),
                ahead(r["likely_ms"]), ahead(r["late_ms"]), Verdict(r["verdict"]), r["reason"],
                r["per_day_pct"], r["count"], r["since_ms"],
            ),
            r["figure_ms"],
        )
        for r in rows
    ]  # fmt: skip
