"""Makes the reports of a month, and puts those that are due in the outbox.

What is due is asked, never waited for: a gateway that stood still on the day makes up for it, and
whoever has had a month's report does not get it again.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from gateway.config import Configuration
from gateway.month import Month
from gateway.records.records import Records
from gateway.records.session import RecordsError
from gateway.reports.compose import fleet_report, site_report
from gateway.reports.figures import SiteMonth, read_site
from gateway.reports.model import Report
from gateway.reports.page import report_letter
from gateway.reports.words import FaultNames
from gateway.telemetry.base import StoreError, TelemetryStore
from gateway.tickets.notice import Recipient
from rules.equipment import Site

__all__ = ["ReportMaker", "ReportPost"]

log = logging.getLogger(__name__)

FLEET: Final = "fleet"


@dataclass(frozen=True)
class ReportMaker:
    """Makes reports of what records and telemetry hold. Raises as these do."""

    records: Records
    store: TelemetryStore
    configuration: Configuration

    def site(self, site: Site, month: Month, now_ms: int) -> Report:
        """The report of one site."""
        read = self._read(site, month, now_ms)
        return site_report(read, self._title, self.configuration.reports, now_ms)

    def fleet(self, month: Month, now_ms: int) -> Report:
        """The report of all sites."""
        months: list[SiteMonth] = [
            self._read(site, month, now_ms) for site in self.configuration.sites
        ]
        name, prices = self.configuration.name, self.configuration.reports
        return fleet_report(months, name, self._title, prices, now_ms)

    def _read(self, site: Site, month: Month, now_ms: int) -> SiteMonth:
        fleet = self.configuration.settings
        return read_site(self.records, self.store, site, month, now_ms, fleet)

    @property
    def _title(self) -> FaultNames:
        return FaultNames(self.configuration.rules, self.configuration.sites)


class ReportPost:
    """Puts reports that are due in the outbox, one letter for each period and recipient."""

    def __init__(
        self,
        records: Records,
        store: TelemetryStore,
        configuration: Callable[[], Configuration],
        clock_ms: Callable[[], int],
    ) -> None:
        """Nothing is read before the first run."""
        self._records = records
        self._store = store
        self._configuration = configuration
        self._clock_ms = clock_ms

    def run(self) -> int:
        """Make what is due; how many letters. What cannot be made now is made later."""
        settings = self._configuration().reports
        if not settings.is_on:
            return 0
        now_ms = self._clock_ms()
        try:
            made_ms = self._records.reports_made_ms()
            # The first is due at its next time. One made in the future was made while the clock
            # was wrong: it starts anew.
            if made_ms is None or made_ms > now_ms:
                self._records.note_reports_made(now_ms)
                return 0
            months = settings.due(made_ms, now_ms)
            letters = sum(self._post(month, now_ms) for month in months)
            if months:
                self._records.note_reports_made(now_ms)
        except (RecordsError, StoreError) as error:
            log.debug("The monthly reports wait: %s", error)
            return 0
        return letters

    def _post(self, month: Month, now_ms: int) -> int:
        configuration = self._configuration()
        maker = ReportMaker(self._records, self._store, configuration)
        letters = 0
        for scope, people, make in self._scopes(maker, configuration, month, now_ms):
            lacking = self._records.lacks_report(str(month), scope, people)
            if not lacking:
                continue
            try:
                letter = report_letter(make())
            except (RecordsError, StoreError):
                raise
            except Exception:  # one report that cannot be made must not keep the others back
                log.exception("The report '%s' of %s cannot be made.", scope, month)
                continue
            for person in lacking:
                letters += self._records.mail_report(
                    str(month), scope, letter, person, now_ms=now_ms
                )
        if letters:
            log.info("%d reports of %s are in the outbox.", letters, month.title)
        return letters

    def _scopes(
        self, maker: ReportMaker, configuration: Configuration, month: Month, now_ms: int
    ) -> Iterator[tuple[str, Sequence[Recipient], Callable[[], Report]]]:
        settings, routing = configuration.reports, configuration.routing
        if settings.to_planners:
            for site in configuration.sites:
                team = routing.team(site.id)
                people = team.planner if team is not None else ()

                def make(site: Site = site) -> Report:
                    return maker.site(site, month, now_ms)

                yield f"site {site.id}", people, make
        yield FLEET, settings.to, lambda: maker.fleet(month, now_ms)
