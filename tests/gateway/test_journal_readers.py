"""The journal's readers against a plain list: whatever fails or crashes, each entry counts once.

A small engine whose events depend on every entry before stands for the rules. Records and store
are dictionaries that outlive a crash and fail when told to, also after they have written.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import threading
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import hypothesis.strategies as st
from hypothesis import settings
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from support.ledger_engine import LedgerEngine

from gateway.batch import Batch, Frame, Reject, SiteStatus
from gateway.journal import Clock, Entry, SqliteJournal
from gateway.records.session import RecordsUnavailable
from gateway.rules_reader import RulesReader
from gateway.snapshot import SnapshotFiles
from gateway.store_reader import STORE_READER, StoreReader
from gateway.telemetry.base import StoreUnavailable
from gateway.upkeep import Upkeep
from gateway.worker import Stopped
from rules.events import AlarmEvent, StepResult

MS = 1_767_225_600_000
MEMORY = "/dev/shm"  # noqa: S108 - a directory of its own is made in it
FAILURES = st.sampled_from(["", "before", "after"])
"""When the next write fails: not at all, before it is done, or when it is done."""


class _Impatient(threading.Event):
    """Never waits, so that what is tried again is tried at once."""

    def wait(self, timeout: float | None = None) -> bool:
        return self.is_set()


class KeptRecords:
    """Events and offset, written together."""

    def __init__(self) -> None:
        self.offset = 0
        self.events: list[AlarmEvent] = []
        self.fails = ""

    def committed_offset(self) -> int:
        return self.offset

    def commit(
        self,
        offset: int,
        result: StepResult,
        rejects: Sequence[Reject],
        now_ms: int,
        action_ids: Sequence[int] = (),
    ) -> bool:
        fails, self.fails = self.fails, ""
        if fails == "before":
            raise RecordsUnavailable(fails)
        written = offset > self.offset
        if written:
            self.offset = offset
            self.events += result.events
        if fails == "after":
            raise RecordsUnavailable(fails)
        return written


class KeptStore:
    """Levels by unit row and time."""

    def __init__(self) -> None:
        self.levels: dict[tuple[int, int], float] = {}
        self.fails = ""

    def write(self, batch: Batch) -> None:
        fails, self.fails = self.fails, ""
        if fails == "before":
            raise StoreUnavailable(fails)
        self.levels.update(_levels(batch))
        if fails == "after":
            raise StoreUnavailable(fails)

    def maintain(self, now_ms: int) -> None:
        """Nothing to do."""


def _levels(batch: Batch) -> dict[tuple[int, int], float]:
    keys = zip(batch.unit_row.tolist(), batch.time_ms.tolist(), strict=True)
    return dict(zip(keys, batch.values[:, 0].tolist(), strict=True))


def by_unit(events: Sequence[AlarmEvent]) -> list[AlarmEvent]:
    """Each unit's events in their order; entries that are judged together mix the units."""
    return sorted(events, key=lambda event: event.unit_row)


class ReadersAgree(RuleBasedStateMachine):
    """The journal, its two readers and its upkeep, with crashes in between."""

    @initialize()
    def create(self) -> None:
        self.folder = Path(tempfile.mkdtemp(dir=MEMORY if os.access(MEMORY, os.W_OK) else None))
        self.lives = 0
        self.records = KeptRecords()
        self.store = KeptStore()
        self.told = LedgerEngine()
        self.expected: list[tuple[int, AlarmEvent]] = []
        self.samples: list[tuple[int, dict[tuple[int, int], float]]] = []
        self.clock_ms = MS
        self.frames = 0
        self._live(self.folder / "0")

    def _live(self, folder: Path) -> None:
        folder.mkdir(exist_ok=True)
        self.home = folder
        self.journal = SqliteJournal(folder / "journal.sqlite")
        self.snapshots = SnapshotFiles(folder)
        self.snapshots.load()
        self.rules_reader = RulesReader(self.journal, self.records, LedgerEngine, self.snapshots)
        self.store_reader = StoreReader(self.journal, self.store, lambda: self.clock_ms)
        for reader in (self.rules_reader, self.store_reader):
            reader.stopping = _Impatient()
        self.upkeep = Upkeep(self.journal, self.snapshots, lambda: None)
        self.rules_reader.recover()

    @rule(
        levels=st.lists(
            st.tuples(st.integers(0, 2), st.sampled_from([50.0, 150.0])), min_size=1, max_size=5
        ),
        late=st.booleans(),
    )
    def samples_come(self, levels: list[tuple[int, float]], late: bool) -> None:
        """In their order, or as old as some that came before."""
        first = self.frames - 4 if late else self.frames
        self.frames += len(levels)
        frames = [
            Frame(row, MS + 1000 * (first + i), {0: level}) for i, (row, level) in enumerate(levels)
        ]
        # Two frames of a unit at one instant are one, as the decoder gives them.
        unique = {(f.unit_row, f.time_ms): f for f in frames}
        self._append([Batch.of(list(unique.values()))])

    @rule(passed_s=st.sampled_from([5, 40]), online=st.none() | st.booleans())
    def time_passes(self, passed_s: int, online: bool | None) -> None:
        self.clock_ms += passed_s * 1000
        entries: list[Entry] = [Clock(self.clock_ms)]
        if online is not None:
            entries.insert(0, SiteStatus(self.clock_ms, "quay", online))
        self._append(entries)

    def _append(self, entries: Sequence[Entry]) -> None:
        last = self.journal.append(entries, self.clock_ms)
        for offset, entry in enumerate(entries, start=last - len(entries) + 1):
            result = StepResult()
            match entry:
                case Batch():
                    result = self.told.samples(
                        self.clock_ms, entry.unit_row, entry.time_ms, entry.values
                    )
                    self.samples.append((offset, _levels(entry)))
                case Clock():
                    result = self.told.clock(entry.now_ms, listening=entry.listening)
                case SiteStatus():
                    result = self.told.site_status(self.clock_ms, entry.site, entry.online)
            self.expected += [(offset, event) for event in result.events]

    @rule(fails=FAILURES)
    def rules_read(self, fails: str) -> None:
        self.records.fails = fails
        self.rules_reader.step()
        self.records.fails = ""

    @rule(fails=FAILURES)
    def store_reads(self, fails: str) -> None:
        self.store.fails = fails
        self.store_reader.step()
        self.store.fails = ""

    @rule()
    def snapshot(self) -> None:
        self.rules_reader.save_snapshot()

    @rule()
    def trim(self) -> None:
        self.upkeep.run()

    @rule(done=st.booleans())
    def crash_while_committing(self, done: bool) -> None:
        """The records have the step or not; the process never hears of it."""
        self.records.fails = "after" if done else "before"
        self.rules_reader.stopping.set()  # the first failure ends the attempt
        with suppress(Stopped):
            self.rules_reader.step()
        self.records.fails = ""
        self.crash()

    @precondition(lambda self: self.lives < 8)
    @rule()
    def crash(self) -> None:
        """What lay on the disk is all that is left; nothing was closed."""
        self.lives += 1
        after = self.folder / str(self.lives)
        after.mkdir()
        for path in self.home.iterdir():
            if not path.name.endswith("-shm"):
                shutil.copy(path, after / path.name)
        self.journal.close()
        self._live(after)

    @invariant()
    def what_is_committed_is_what_was_to_be_told(self) -> None:
        wanted = [e for o, e in self.expected if o <= self.records.offset]
        assert by_unit(self.records.events) == by_unit(wanted)

    @invariant()
    def what_the_store_is_done_with_is_in_it(self) -> None:
        done = self.journal.reader_offset(STORE_READER)
        wanted: dict[tuple[int, int], float] = {}
        for offset, levels in self.samples:
            if offset <= done:
                wanted.update(levels)
        assert wanted.keys() <= self.store.levels.keys()

    @invariant()
    def nothing_is_trimmed_that_somebody_needs(self) -> None:
        needed = min(self.journal.reader_offset(STORE_READER), self.snapshots.safe_offset)
        assert self.journal.state().first_offset <= needed + 1

    def teardown(self) -> None:
        while self.rules_reader.step():
            pass
        while self.store_reader.step():
            pass
        assert by_unit(self.records.events) == by_unit([e for _, e in self.expected])
        wanted: dict[tuple[int, int], float] = {}
        for _, levels in self.samples:
            wanted.update(levels)
        assert self.store.levels == wanted
        self.journal.close()
        shutil.rmtree(self.folder)


def test_whatever_fails_or_crashes_each_entry_counts_once() -> None:
    run_state_machine_as_test(
        ReadersAgree, settings=settings(max_examples=25, stateful_step_count=30, deadline=None)
    )
