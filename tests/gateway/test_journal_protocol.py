"""The journal's protocol is all that its readers need: they work the same on another log."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Sequence
from pathlib import Path

import pytest
from support.ledger_engine import LedgerEngine
from support.records import NOW_MS, ROUTING, UNITS

from gateway.batch import Batch, Frame, Reason, Reject
from gateway.journal import (
    Backlog,
    Chunk,
    Clock,
    Entry,
    Fill,
    Journal,
    JournalState,
    Notes,
    Rejects,
    SqliteJournal,
    Stored,
)
from gateway.records import Records
from gateway.rules_reader import RulesReader
from gateway.snapshot import SnapshotFiles
from gateway.store_reader import StoreReader
from gateway.telemetry import EmbeddedStore
from gateway.upkeep import Upkeep
from rules.events import Action, ActionKind


class ListJournal:
    """A journal in memory that has the protocol's methods and no others, and leaves out offsets."""

    def __init__(self) -> None:
        self._entries: dict[int, Stored] = {}
        self._last = 0
        self._readers: dict[str, int] = {}
        self._aside: dict[str, set[int]] = {}
        self._actions: set[int] = set()
        self._notes: dict[str, bytes] = {}
        self._news = threading.Condition()

    @property
    def last_offset(self) -> int:
        return self._last

    def append(self, entries: Sequence[Entry], received_ms: int, notes: Notes | None = None) -> int:
        with self._news:
            for name, value in (notes or {}).items():
                if value is None:
                    self._notes.pop(name, None)
                else:
                    self._notes[name] = value
            for entry in entries:
                self._last += 3
                self._entries[self._last] = Stored(self._last, received_ms, entry)
                if isinstance(entry, Action):
                    self._actions.add(entry.id)
            self._news.notify_all()
            return self._last

    def notes(self) -> dict[str, bytes]:
        with self._news:
            return dict(self._notes)

    def read_from(self, offset: int, *, limit_weight: int = 100, limit_entries: int = 100) -> Chunk:
        with self._news:
            last = self._last
            found = [s for at, s in self._entries.items() if at > offset]
        taken: list[Stored] = []
        weight = 0
        for stored in found[:limit_entries]:
            weight += len(stored.entry) if isinstance(stored.entry, Batch) else 1
            if taken and weight > limit_weight:
                break
            taken.append(stored)
        limited = len(taken) < len(found)
        return Chunk(tuple(taken), taken[-1].offset if limited else max(offset, last), limited)

    def wait_beyond(
        self, offset: int, timeout_s: float, interrupted: Callable[[], bool] = lambda: False
    ) -> bool:
        with self._news:
            self._news.wait_for(lambda: self._last > offset or interrupted(), timeout_s)
        return self._last > offset

    def wake(self) -> None:
        with self._news:
            self._news.notify_all()

    def trim(self, up_to: int) -> int:
        with self._news:
            old = [at for at in self._entries if at <= up_to]
            for at in old:
                del self._entries[at]
        return len(old)

    def reader_offset(self, reader: str) -> int:
        return self._readers.get(reader, 0)

    def advance(self, reader: str, offset: int) -> None:
        self._readers[reader] = max(offset, self.reader_offset(reader))

    def set_aside(self, reader: str, offset: int, reason: str) -> None:
        self._aside.setdefault(reader, set()).add(offset)

    def offsets_set_aside(self, reader: str) -> frozenset[int]:
        return frozenset(self._aside.get(reader, ()))

    def actions_present(self, ids: Collection[int]) -> frozenset[int]:
        return frozenset(ids) & self._actions

    def frames_between(self, after: int, up_to: int) -> int:
        with self._news:
            between = [s.entry for at, s in self._entries.items() if after < at <= up_to]
        return sum(len(entry) for entry in between if isinstance(entry, Batch))

    def backlog(self, offset: int) -> Backlog:
        with self._news:
            beyond = [s for at, s in self._entries.items() if at > offset]
        frames = sum(len(s.entry) for s in beyond if isinstance(s.entry, Batch))
        return Backlog(len(beyond), frames, beyond[0].received_ms if beyond else None)

    def state(self) -> JournalState:
        with self._news:
            first = min(self._entries, default=self._last + 1)
            return JournalState(Fill.OK, 0, 1, first, self._last, 0)


def test_it_has_the_protocols_methods_and_no_others() -> None:
    def public(of: type) -> set[str]:
        return {name for name in vars(of) if not name.startswith("_")}

    assert public(ListJournal) == public(Journal)
    assert public(SqliteJournal) >= public(Journal)


@pytest.mark.parametrize("kind", ["list", "sqlite"])
def test_readers_and_upkeep_work_on_any_journal(tmp_path: Path, kind: str) -> None:
    """The readers' threads, a restart from a snapshot with a trimmed journal, and more."""
    journal: Journal = ListJournal() if kind == "list" else SqliteJournal(tmp_path / "j.sqlite")
    records = Records(f"sqlite:///{tmp_path / 'records.sqlite'}", routing=ROUTING)
    records.sync_units(UNITS)
    store = EmbeddedStore(tmp_path / "t.sqlite", {row: key for key, row in UNITS.items()})
    expected = LedgerEngine()
    told = 0
    for start in (0, 40, 80):
        snapshots = SnapshotFiles(tmp_path)
        rules = RulesReader(journal, records, LedgerEngine, snapshots, min_interval_s=0)
        storing = StoreReader(journal, store, lambda: NOW_MS, min_interval_s=0)
        rules.start()
        storing.start()
        for at in range(start, start + 40):
            level = 150.0 if at % 7 < 3 else 50.0
            batch = Batch.of([Frame(row, NOW_MS + 1000 * at, {0: level}) for row in UNITS.values()])
            reject = Reject(NOW_MS, "bw/x", Reason.TOPIC, "", "")
            action = Action(at, ActionKind.ACKNOWLEDGE, 1, "level-frozen", NOW_MS + at, "R", "Seen")
            journal.append(
                [batch, Rejects((reject,)), Clock(NOW_MS + 1000 * at), action], NOW_MS + 1000 * at
            )
            told += len(expected.samples(0, batch.unit_row, batch.time_ms, batch.values).events)
            told += len(expected.clock(NOW_MS + 1000 * at).events) + 1
        rules.stop()
        storing.stop()
        assert rules.join(120)
        assert storing.join(120)
        assert rules.committed_offset == storing.offset == journal.last_offset
        Upkeep(journal, snapshots, lambda: None).run()
    assert journal.state().first_offset > 1
    assert len(records.alarm_events(0, 2**60, limit=10_000)) == told
    assert records.quarantine()[0].count == 120
    for key in UNITS:
        times = store.read(*key, ["basin_level"], 0, 2**60).time_ms.tolist()
        assert times == [NOW_MS + 1000 * at for at in range(120)]
    store.close()
    records.close()
    if isinstance(journal, SqliteJournal):
        journal.close()
