"""Monthly figures of water and energy in the records, and what working them out asks of these.

:class:`gateway.records.records.Records` is a :class:`UseBook`; each method is one transaction.
"""

from __future__ import annotations

from typing import Any, cast

from sqlalchemy import BigInteger, Boolean, Connection, ForeignKey, Table, func, select
from sqlalchemy.orm import Mapped, mapped_column

from gateway.records.models import AlarmEventRecord, Base, BaselineHistoryRecord, UnitRecord
from gateway.records.session import Database, RecordsError
from gateway.records.text import by_code_points
from gateway.records.upsert import insert_into
from gateway.records.use_rows import UseRow
from rules.alarms import ACTIVE
from rules.consumption import FaultSpan, UnitUse

__all__ = ["UseBook", "UseRecord", "spans_of"]


class UseRecord(Base):
    """What one unit used in one month, as worked out last."""

    __tablename__ = "monthly_use"

    unit_row: Mapped[int] = mapped_column(ForeignKey("units.row"), primary_key=True)
    month: Mapped[str] = mapped_column(primary_key=True)
    worked_ms: Mapped[int] = mapped_column(BigInteger)
    settled: Mapped[bool] = mapped_column(Boolean)
    use: Mapped[dict[str, Any]]


_USE = cast("Table", UseRecord.__table__)
_UNITS = cast("Table", UnitRecord.__table__)
_EVENTS = cast("Table", AlarmEventRecord.__table__)
_HISTORY = cast("Table", BaselineHistoryRecord.__table__)


class UseBook:
    """Water and energy by unit and month."""

    _database: Database

    def put_use(self, row: UseRow) -> None:
        """Keep the figures in place of what was kept of this unit and month."""
        with self._database.write() as connection:
            unit_row = _row_of(connection, row.site, row.unit)
            if unit_row is None:
                msg = f"There is no unit '{row.unit}' at site '{row.site}'. Nothing was kept."
                raise RecordsError(msg)
            values = {
                "unit_row": unit_row, "month": row.month, "worked_ms": row.worked_ms,
                "settled": row.settled, "use": row.use.to_json(),
            }  # fmt: skip
            statement = insert_into(connection, UseRecord).values(values)
            changes = {c: statement.excluded[c] for c in ("worked_ms", "settled", "use")}
            connection.execute(
                statement.on_conflict_do_update(index_elements=["unit_row", "month"], set_=changes)
            )

    def uses(self, month: str, site: str = "", unit: str = "") -> list[UseRow]:
        """The figures of a month, by site and unit."""
        query = (
            select(_USE, _UNITS.c.site, _UNITS.c.unit)
            .join(_UNITS, _UNITS.c.row == _USE.c.unit_row)
            .where(_USE.c.month == month)
            .order_by(by_code_points(_UNITS.c.site), by_code_points(_UNITS.c.unit))
        )
        if site:
            query = query.where(_UNITS.c.site == site)
        if unit:
            query = query.where(_UNITS.c.unit == unit)
        with self._database.read() as connection:
            return [
                UseRow(r.site, r.unit, r.month, r.worked_ms, r.settled, UnitUse.from_json(r.use))
                for r in connection.execute(query)
            ]

    def alarm_spans(self, site: str, unit: str, *, start_ms: int, end_ms: int) -> list[FaultSpan]:
        """When each alarm of a unit stood within [start, end), an open one until the end."""
        with self._database.read() as connection:
            row = _row_of(connection, site, unit)
            return [] if row is None else spans_of(connection, row, start_ms, end_ms)

    def clean_td_k(self, site: str, unit: str, *, at_ms: int) -> dict[str, float]:
        """The learned 'td_dry' and 'td_wet' that held at a moment, else the first after it. [K]"""
        with self._database.read() as connection:
            row = _row_of(connection, site, unit)
            rows = connection.execute(
                select(_HISTORY.c.quantity, _HISTORY.c.value, _HISTORY.c.time_ms)
                .where(
                    _HISTORY.c.unit_row == row,
                    _HISTORY.c.quantity.in_(("td_dry", "td_wet")),
                    _HISTORY.c.value.is_not(None),
                )
                .order_by(_HISTORY.c.time_ms, _HISTORY.c.id)
            ).all()
        found: dict[str, float] = {}
        for quantity, value, time_ms in rows:
            if time_ms <= at_ms or quantity not in found:
                found[quantity] = value
        return found


def spans_of(connection: Connection, unit_row: int, start_ms: int, end_ms: int) -> list[FaultSpan]:
    """See :meth:`UseBook.alarm_spans`."""
    mine = _EVENTS.c.unit_row == unit_row
    # What stood already when the time began: the last event of each fault before it.
    last = (
        select(func.max(_EVENTS.c.id))
        .where(mine, _EVENTS.c.time_ms < start_ms)
        .group_by(_EVENTS.c.fault)
    )
    within = mine & (_EVENTS.c.time_ms >= start_ms) & (_EVENTS.c.time_ms < end_ms)
    rows = connection.execute(
        select(_EVENTS.c.fault, _EVENTS.c.state, _EVENTS.c.onset_ms, _EVENTS.c.time_ms)
        .where(_EVENTS.c.id.in_(last) | within)
        .order_by(_EVENTS.c.time_ms, _EVENTS.c.id)
    )
    active = {int(state) for state in ACTIVE}
    open_since: dict[str, int] = {}
    spans: list[FaultSpan] = []
    for fault, state, onset_ms, time_ms in rows:
        if state in active:
            open_since.setdefault(fault, max(onset_ms, start_ms))
        elif fault in open_since:
            since_ms = open_since.pop(fault)
            if time_ms > since_ms:
                spans.append(FaultSpan(fault, since_ms, min(time_ms, end_ms)))
    spans += [
        FaultSpan(f, since_ms, end_ms) for f, since_ms in open_since.items() if since_ms < end_ms
    ]
    return sorted(spans, key=lambda s: (s.start_ms, s.fault))


def _row_of(connection: Connection, site: str, unit: str) -> int | None:
    return connection.scalar(
        select(_UNITS.c.row).where(_UNITS.c.site == site, _UNITS.c.unit == unit)
    )
