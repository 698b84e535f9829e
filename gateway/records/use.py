"""Monthly figures of water and energy in the records, and what working them out asks of these.

:class:`gateway.records.records.Records` is a :class:`UseBook`; each method is one transaction.
"""

from __future__ import annotations

import math
from typing import Any, cast

from sqlalchemy import BigInteger, Boolean, Connection, ForeignKey, Table, func, select
from sqlalchemy.orm import Mapped, mapped_column

from gateway.records.models import (
    AlarmEventRecord,
    Base,
    BaselineHistoryRecord,
    LateFramesRecord,
    UnitRecord,
)
from gateway.records.session import Database, RecordsError
from gateway.records.text import by_code_points
from gateway.records.upsert import insert_into
from gateway.records.use_rows import UseRow
from rules.alarms import ACTIVE, HELD
from rules.consumption import FaultSpan, UnitUse
from rules.events import AlarmState

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
_ACTIVE = frozenset(int(state) for state in ACTIVE)
_HELD = frozenset(int(state) for state in HELD)
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
        """When each alarm of a unit stood within [start, end), an open one until the end.

        One that was shelved, suppressed or taken out of service while it stood stands on until it
        is judged again.
        """
        with self._database.read() as connection:
            row = _row_of(connection, site, unit)
            return [] if row is None else spans_of(connection, row, start_ms, end_ms)

    def unit_known_ms(self, site: str, unit: str) -> int | None:
        """When the unit was registered; None where that was not noted."""
        with self._database.read() as connection:
            return connection.scalar(
                select(_UNITS.c.known_ms).where(_UNITS.c.site == site, _UNITS.c.unit == unit)
            )

    def late_frames(self, site: str, first_day: str, last_day: str) -> dict[str, int]:
        """How many frames of a site's units, measured on these UTC days, came too late to judge.

        Days are ISO dates, the last one counts. Units without any are left out.
        """
        late = cast("Table", LateFramesRecord.__table__)
        query = (
            select(_UNITS.c.unit, func.sum(late.c.count))
            .join(_UNITS, _UNITS.c.row == late.c.unit_row)
            .where(_UNITS.c.site == site, late.c.day >= first_day, late.c.day <= last_day)
            .group_by(_UNITS.c.unit)
        )
        with self._database.read() as connection:
            return {unit: int(count) for unit, count in connection.execute(query)}

    def clean_td_k(self, site: str, unit: str) -> dict[str, list[tuple[int, float]]]:
        """The learned 'td_dry' and 'td_wet': from when on each held, and its value. [ms; K]

        After a reset the next one holds from the reset on, for it was learned from what came then;
        NaN where none has come yet.
        """
        with self._database.read() as connection:
            row = _row_of(connection, site, unit)
            rows = connection.execute(
                select(_HISTORY.c.quantity, _HISTORY.c.value, _HISTORY.c.time_ms)
                .where(_HISTORY.c.unit_row == row, _HISTORY.c.quantity.in_(("td_dry", "td_wet")))
                .order_by(_HISTORY.c.time_ms, _HISTORY.c.id)
            ).all()
        found: dict[str, list[tuple[int, float]]] = {}
        for quantity, value, time_ms in rows:
            steps = found.setdefault(quantity, [])
            if value is None:
                steps.append((time_ms, math.nan))
            elif steps and math.isnan(steps[-1][1]):
                steps[-1] = steps[-1][0], value
            else:
                steps.append((time_ms, value))
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
        select(
            _EVENTS.c.fault,
            _EVENTS.c.state,
            _EVENTS.c.severity,
            _EVENTS.c.onset_ms,
            _EVENTS.c.time_ms,
        )
        .where(_EVENTS.c.id.in_(last) | within)
        .order_by(_EVENTS.c.time_ms, _EVENTS.c.id)
    )
    # By fault: since when it stands, and whether another one explains it.
    open_now: dict[str, tuple[int, bool]] = {}
    spans: list[FaultSpan] = []

    def close(fault: str, until_ms: int) -> None:
        since_ms, explained = open_now.pop(fault)
        if until_ms > since_ms:
            spans.append(FaultSpan(fault, since_ms, min(until_ms, end_ms), explained))

    for fault, state, severity, onset_ms, time_ms in rows:
        # An alarm that is held keeps the severity of what stood when it was taken out of sight:
        # to shelve it mends nothing. One that was taken out of service in health has none.
        stands = state in _ACTIVE or (state in _HELD and severity > 0)
        explained = state == AlarmState.SUPPRESSED
        since_ms = max(onset_ms, start_ms)
        if fault in open_now and (not stands or open_now[fault][1] != explained):
            close(fault, time_ms)
            since_ms = time_ms
        if stands:
            open_now.setdefault(fault, (since_ms, explained))
    for fault in list(open_now):
        close(fault, end_ms)
    return sorted(spans, key=lambda s: (s.start_ms, s.fault))


def _row_of(connection: Connection, site: str, unit: str) -> int | None:
    return connection.scalar(
        select(_UNITS.c.row).where(_UNITS.c.site == site, _UNITS.c.unit == unit)
    )
