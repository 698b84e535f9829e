"""A gateway's data without its servers: journal, records, samples, snapshots that belong together.

The engine is the small one of :mod:`support.ledger_engine`; the readers are stepped by the test.
"""

from __future__ import annotations

from pathlib import Path
from typing import Self

from gateway.batch import Batch, Frame
from gateway.data_directory import JOURNAL_FILE, RECORDS_FILE
from gateway.journal import Clock, SqliteJournal
from gateway.records import Records
from gateway.rules_reader import RulesReader
from gateway.snapshot import SnapshotFiles
from gateway.store_reader import StoreReader
from gateway.telemetry import TELEMETRY_FILE, EmbeddedStore
from gateway.unit_register import UnitRegister
from gateway.upkeep import Upkeep
from support.ledger_engine import LedgerEngine
from support.migrated import put_empty_records
from support.records import NOW_MS, ROUTING, UNITS

__all__ = ["SmallGateway"]


class SmallGateway:
    """The parts of a gateway on a data directory; every step is taken by hand."""

    def __init__(self, data: Path, records_url: str = "") -> None:
        data.mkdir(exist_ok=True)
        self.data = data
        self.url = records_url or f"sqlite:///{data / RECORDS_FILE}"
        self.journal = SqliteJournal(data / JOURNAL_FILE)
        if not records_url:
            put_empty_records(data / RECORDS_FILE)
        self.records = Records(self.url, routing=ROUTING)
        register = UnitRegister(self.journal)
        register.ensure(UNITS)
        self.records.sync_units(register.rows)
        self.store = EmbeddedStore(data / TELEMETRY_FILE, register.units)
        self.snapshots = SnapshotFiles(data)
        self.engine = LedgerEngine()
        self.rules = RulesReader(self.journal, self.records, self._new_engine, self.snapshots)
        self.storing = StoreReader(self.journal, self.store, lambda: NOW_MS)
        self.upkeep = Upkeep(self.journal, self.snapshots, lambda: None)
        self.rules.recover()

    def _new_engine(self) -> LedgerEngine:
        self.engine = LedgerEngine()
        return self.engine

    def receive(self, start: int, stop: int) -> Self:
        """A sample of each unit at each second from ``start`` on; levels go up and down."""
        for at in range(start, stop):
            level = 150.0 if at % 7 < 3 else 50.0
            frames = [Frame(row, NOW_MS + 1000 * at, {0: level + row}) for row in UNITS.values()]
            self.journal.append([Batch.of(frames), Clock(NOW_MS + 1000 * at)], NOW_MS + 1000 * at)
        return self

    def judge(self) -> Self:
        """What has come is judged and committed."""
        while self.rules.step():
            pass
        return self

    def keep(self) -> Self:
        """What has come is stored."""
        while self.storing.step():
            pass
        return self

    def snapshot_and_trim(self) -> Self:
        """The rules' memory is saved, the journal trimmed behind the snapshot before."""
        self.rules.save_snapshot()
        self.upkeep.run()
        return self

    def story(self) -> list[tuple[object, ...]]:
        """All alarm events, in an order that does not depend on when they were committed."""
        rows = self.records.alarm_events(0, 2**60, limit=100_000)
        return sorted((e.site, e.unit, e.event.time_ms, e.event.fault, e.event.note) for e in rows)

    def samples(self) -> list[list[int]]:
        """Times of all samples of each unit."""
        return [self.store.read(*key, ["basin_level"], 0, 2**60).time_ms.tolist() for key in UNITS]

    def close(self) -> None:
        self.store.close()
        self.records.close()
        self.journal.close()
