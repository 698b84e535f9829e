"""What the gateway does every so often, each in a thread of its own.

Escalation, digests, the look at work that was done, reports, consumption, proof of cleanings, dates
that are due, what each unit looks like now, trimming of the journal. Each asks what is due by the
clock of the moment, so none has to run in time, and none waits for another.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable

from gateway.aftercare import Aftercare
from gateway.cleaning_proof import CleaningProof
from gateway.config import Configuration
from gateway.consumption.keeper import ConsumptionKeeper
from gateway.due_keeper import DueKeeper
from gateway.periodic import Pace, Periodic
from gateway.records.records import Records
from gateway.records.session import RecordsError
from gateway.reports.maker import ReportPost
from gateway.rules_reader import RulesReader
from gateway.store_reader import StoreReader
from gateway.telemetry.base import TelemetryStore
from gateway.unit_looks import UnitLooks
from gateway.unit_register import UnitRegister
from gateway.upkeep import Upkeep
from rules.plan import FleetPlan

__all__ = ["RegularWork"]

log = logging.getLogger(__name__)


class RegularWork:
    """All of it, on the parts of one gateway. ``configuration`` and ``plan`` give the present ones;
    ``also`` is done besides, as name, interval in seconds, and what to do.
    """

    def __init__(
        self,
        pace: Pace,
        records: Records,
        store: TelemetryStore,
        register: UnitRegister,
        rules: RulesReader,
        store_reader: StoreReader,
        upkeep: Upkeep,
        clock_ms: Callable[[], int],
        *,
        configuration: Callable[[], Configuration],
        plan: Callable[[], FleetPlan],
        also: Iterable[tuple[str, float, Callable[[], object]]] = (),
    ) -> None:
        """Prepare; nothing is done yet."""
        self._records = records
        self._register = register
        self._store_reader = store_reader
        self._upkeep = upkeep
        self._clock_ms = clock_ms
        self._configuration = configuration
        self._aftercare = Aftercare(records, rules.ask, clock_ms, configuration().life)
        keeper = ConsumptionKeeper(
            records, store, lambda: configuration().sites, lambda: configuration().settings,
            clock_ms,
        )  # fmt: skip
        reports = ReportPost(records, store, configuration, clock_ms)
        proof = CleaningProof(records, store, plan, clock_ms)
        due = DueKeeper(records, clock_ms)
        looks = UnitLooks(records, rules.ask, self._rows, clock_ms)
        self._threads = (
            Periodic("escalation", pace.escalation_s, self._escalate),
            Periodic("lists", pace.lists_s, self._make_lists),
            Periodic("aftercare", pace.aftercare_s, self._aftercare.run),
            Periodic("reports", pace.reports_s, reports.run),
            Periodic("consumption", pace.use_s, keeper.run),
            Periodic("cleaning proof", pace.proof_s, proof.run),
            Periodic("due dates", pace.due_s, due.run),
            Periodic("looks", pace.looks_s, looks.run),
            Periodic("upkeep", pace.upkeep_s, self._look_after),
            Periodic("snapshots", pace.snapshot_s, rules.request_snapshot),
            *(Periodic(*one) for one in also),
        )

    def start(self) -> None:
        """Each for the first time one interval from now."""
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Begin nothing more; waits for nothing."""
        for thread in self._threads:
            thread.stop()

    def use(self, configuration: Configuration) -> None:
        """Go on with another configuration."""
        self._aftercare.use(configuration.life)

    def _rows(self) -> list[int]:
        """The unit register's rows of the units that are configured."""
        rows = self._register.rows
        keys = ((s.id, u.id) for s in self._configuration().sites for u in s.units)
        return [rows[key] for key in keys if key in rows]

    def _escalate(self) -> None:
        try:
            self._records.escalate(self._clock_ms())
        except RecordsError as error:
            # The rules reader, which needs them every second, tells of their outage.
            log.debug("The chains of those to be told wait: %s", error)

    def _make_lists(self) -> None:
        try:
            self._records.make_lists(self._clock_ms())
        except RecordsError as error:
            log.debug("Digests and summaries wait: %s", error)

    def _look_after(self) -> None:
        self._upkeep.run()
        self._store_reader.request_maintenance()
