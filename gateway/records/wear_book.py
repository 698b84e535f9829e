"""The part of the records that wear goes through: conditions, date ranges, cleanings.

:class:`gateway.records.records.Records` is one; each method is one transaction.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from gateway.records import due_dates, wear
from gateway.records.due_dates import DueKnown, FirstDue
from gateway.records.queries import Where
from gateway.records.session import Database
from gateway.records.wear import Settled
from gateway.records.wear_rows import CleaningRow, ConditionDay, ConditionRow, UnitDueRange

__all__ = ["WearBook"]


class WearBook:
    """What is known of the parts' condition, what is to come, and what cleanings did."""

    _database: Database

    def conditions(
        self, site: str = "", unit: str = "", at_ms: int | None = None
    ) -> list[ConditionRow]:
        """The newest figure of each part, known or not, by site, unit and part.

        With ``at_ms`` as it stood at that moment.
        """
        with self._database.read() as connection:
            return wear.conditions(connection, Where(site, unit), at_ms)

    def condition_days(
        self, site: str = "", unit: str = "", part: str = "", since_ms: int = 0
    ) -> list[ConditionDay]:
        """The daily figures from ``since_ms`` on, each part's in order of time."""
        with self._database.read() as connection:
            return wear.condition_days(connection, Where(site, unit), part, since_ms)

    def due_ranges(
        self, site: str = "", unit: str = "", *, now_ms: int, of_the_past: bool = False
    ) -> list[UnitDueRange]:
        """When each part reaches its limit, by site, unit and part; no date before ``now_ms``.

        With ``of_the_past`` of what was known then, without what came later.
        """
        with self._database.read() as connection:
            where = Where(site, unit)
            return wear.due_ranges(connection, where, now_ms, of_the_past=of_the_past)

    def due_known(self, site: str = "", unit: str = "", *, now_ms: int) -> DueKnown:
        """The same as it was worked out last, and of which units it is not known yet."""
        with self._database.read() as connection:
            return due_dates.known(connection, Where(site, unit), now_ms)

    def first_due(self, now_ms: int, limit: int, sites: Collection[str] | None = None) -> FirstDue:
        """What is due first, at these sites or at all, as it was worked out today."""
        with self._database.read() as connection:
            return due_dates.first_due(connection, now_ms, limit, sites)

    def units_awaiting_dates(self, now_ms: int, limit: int) -> list[int]:
        """Rows of the units whose dates are to be worked out, those without any first."""
        with self._database.read() as connection:
            return due_dates.awaiting(connection, now_ms, limit)

    def due_dates_of(self, rows: Sequence[int], now_ms: int) -> list[dict[str, Any]]:
        """The dates of these units, worked out, as :meth:`keep_due_dates` takes them."""
        with self._database.read() as connection:
            return due_dates.renew(connection, rows, now_ms)

    def keep_due_dates(self, made: Sequence[dict[str, Any]]) -> None:
        """Keep dates for those who read them."""
        if made:
            with self._database.write() as connection:
                due_dates.keep(connection, made)

    def cleanings(self, site: str = "", unit: str = "", part: str = "") -> list[CleaningRow]:
        """Cleanings and their effect, the newest first."""
        with self._database.read() as connection:
            return wear.cleanings(connection, Where(site, unit), part)

    def awaiting_proof(self) -> list[CleaningRow]:
        """The cleanings whose effect is not known yet, the oldest first."""
        with self._database.read() as connection:
            return wear.awaiting(connection)

    def settle_cleanings(self, looks: Sequence[Settled], now_ms: int) -> None:
        """Write down what looks at the readings showed; what helped is to be learned anew."""
        if looks:
            with self._database.write() as connection:
                wear.settle(connection, looks, now_ms)
