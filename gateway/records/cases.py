"""Closed tickets as the learning loop reads them: what was told first, and what was found."""

from __future__ import annotations

from collections import defaultdict
from typing import Final, cast

from sqlalchemy import Table, select

from gateway.records.models import (
    TicketEventRecord,
    TicketFindingRecord,
    TicketRecord,
    UnitRecord,
)
from gateway.records.rows import evidence_of
from gateway.records.session import Database
from gateway.tickets.life import ENDED
from gateway.tickets.notice import TicketEventKind
from rules.lessons import Case, Finding, verdict_kept

__all__ = ["CaseBook"]

_TICKETS = cast("Table", TicketRecord.__table__)
_UNITS = cast("Table", UnitRecord.__table__)
_CHUNK: Final = 500


class CaseBook:
    """The closed tickets' part of the records."""

    _database: Database

    def closed_cases(
        self, *, since_ms: int = 0, site: str = "", fault: str = "", limit: int = 20_000
    ) -> list[Case]:
        """Tickets closed since a moment, the newest first, with their first evidence."""
        query = (
            select(
                _TICKETS.c.id, _TICKETS.c.number, _TICKETS.c.fault, _TICKETS.c.opened_ms,
                _TICKETS.c.onset_ms, _TICKETS.c.returned_ms, _UNITS.c.site, _UNITS.c.unit,
            )
            .join(_UNITS, _UNITS.c.row == _TICKETS.c.unit_row)
            .where(
                _TICKETS.c.state.in_([phase.value for phase in ENDED]),
                _TICKETS.c.closed_ms >= since_ms,
            )
            .order_by(_TICKETS.c.id.desc())
            .limit(limit)
        )  # fmt: skip
        if site:
            query = query.where(_UNITS.c.site == site)
        if fault:
            query = query.where(_TICKETS.c.fault == fault)
        cases: list[Case] = []
        with self._database.read() as connection:
            rows = connection.execute(query).all()
            for start in range(0, len(rows), _CHUNK):
                part = rows[start : start + _CHUNK]
                ids = [row.id for row in part]
                told = {
                    r.ticket_id: evidence_of(r.evidence)
                    for r in connection.execute(
                        select(TicketEventRecord.ticket_id, TicketEventRecord.evidence)
                        .where(
                            TicketEventRecord.ticket_id.in_(ids),
                            TicketEventRecord.kind == TicketEventKind.OPENED.value,
                        )
                        .order_by(TicketEventRecord.seq.desc())
                    )
                }
                found: dict[int, list[Finding]] = defaultdict(list)
                for r in connection.execute(
                    select(
                        TicketFindingRecord.ticket_id, TicketFindingRecord.part,
                        TicketFindingRecord.found, TicketFindingRecord.verdict,
                    )
                    .where(TicketFindingRecord.ticket_id.in_(ids))
                    .order_by(TicketFindingRecord.ticket_id, TicketFindingRecord.position)
                ):  # fmt: skip
                    found[r.ticket_id].append(Finding(r.part, r.found, verdict_kept(r.verdict)))
                cases += [
                    Case(
                        r.number, r.site, r.unit, r.fault, r.opened_ms, told.get(r.id),
                        tuple(found[r.id]),
                        None if r.returned_ms is None else (r.returned_ms - r.onset_ms) / 1000.0,
                    )
                    for r in part
                ]  # fmt: skip
        return cases
