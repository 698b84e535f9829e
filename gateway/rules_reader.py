"""The reader that drives the rules: journal entries in, one committed transaction out.

At the start it loads a snapshot and replays the journal from there up to what the records hold,
without effects; then it goes on live, about once a second, taking all that has come. A step's
results and the offset they belong to are committed together, so a crash at any point leaves either
both or neither, and a replay never says anything twice.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from queue import SimpleQueue
from typing import Final, Protocol, TypeVar

from gateway.batch import Reject
from gateway.journal import (
    Chunk,
    Journal,
    JournalState,
    JournalUnavailable,
    Stored,
)
from gateway.outage import Outage
from gateway.records.session import RecordsUnavailable
from gateway.rules_step import RulesEngine, RulesFailedError, Step, drive
from gateway.snapshot import Snapshot, SnapshotError, SnapshotFiles
from gateway.watching.step_times import StepTimes
from gateway.worker import Stopped, Worker
from rules.events import StepResult

__all__ = ["CommitTarget", "RulesCounts", "RulesEngine", "RulesReader"]

log = logging.getLogger(__name__)

CHUNK_FRAMES: Final = 20_000
"""Frames of one step, however long the backlog: what a step finds is told after it. Ten times as
many save a backlog of forty units a tenth of its time, and make its tickets wait for the end."""

MAX_SET_ASIDE: Final = 5
"""So many entries that the rules fail on are passed over; beyond it something else is wrong."""

READER: Final = "rules"

_LONGEST_WAIT_S: Final = 60.0
_T = TypeVar("_T")


class CommitTarget(Protocol):
    """Where results go; :class:`gateway.records.records.Records` is one."""

    def committed_offset(self) -> int:
        """The journal offset up to which results are committed, 0 at first."""
        ...

    def commit(
        self,
        offset: int,
        result: StepResult,
        rejects: Sequence[Reject],
        now_ms: int,
        action_ids: Sequence[int] = (),
    ) -> bool:
        """Write a step and its offset in one transaction."""
        ...


@dataclass
class RulesCounts:
    """What the rules have done since the start, replay included."""

    frames: int = 0
    late_frames: int = 0
    events: int = 0
    commits: int = 0
    set_aside: int = 0
    step_times: StepTimes = field(default_factory=StepTimes)


class RulesReader(Worker):
    """Drives an engine along the journal and commits what it says.

    ``make_engine`` gives an engine with an empty memory for the present fleet. Steps are at least
    ``min_interval_s`` apart unless there is a backlog.
    """

    def __init__(
        self,
        journal: Journal,
        records: CommitTarget,
        make_engine: Callable[[], RulesEngine],
        snapshots: SnapshotFiles,
        *,
        min_interval_s: float = 1.0,
        chunk_frames: int = CHUNK_FRAMES,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare; :meth:`start` starts."""
        super().__init__("rules reader")
        self._journal = journal
        self._records = records
        self._make_engine = make_engine
        self._snapshots = snapshots
        self._min_interval_s = min_interval_s
        self._chunk_frames = chunk_frames
        self._monotonic_s = monotonic_s
        self._engine = make_engine()
        self._now_ms = 0
        self._requests: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._skipped: frozenset[int] = frozenset()
        self._singly = False
        self._limited = False
        self.offset = 0
        """Up to here the engine has seen the journal."""
        self.committed_offset = 0
        """Up to here the results are in the records."""
        self.records_outage = Outage(
            log, "The records can be written again; alarms and tickets go on.",
            monotonic_s=monotonic_s,
        )  # fmt: skip
        self.journal_outage = Outage(
            log, "The journal can be read again; the rules go on.", monotonic_s=monotonic_s
        )
        self.snapshot_outage = Outage(
            log, "Snapshots can be written again.", monotonic_s=monotonic_s
        )
        self.counts = RulesCounts()

    # -- asked for by other threads ---------------------------------------------------------

    def stop(self) -> None:
        """Ask it to finish what has come, commit it, and save a snapshot."""
        super().stop()
        self._journal.wake()

    def request_snapshot(self) -> None:
        """Save a snapshot before the next step."""
        self._request(self.save_snapshot)

    def replace_engine(self, make_engine: Callable[[], RulesEngine]) -> Future[None]:
        """Go on with another engine, which takes over the present one's memory.

        Done between two steps, with a snapshot, so that a replay begins with the same engine that
        saw the entries live. The future holds the error if the new engine cannot take over; the
        present one then goes on.
        """
        done: Future[None] = Future()

        def replace() -> None:
            try:
                self._take_over(make_engine)
            except Exception as error:  # noqa: BLE001 -- handed to whoever asked
                done.set_exception(error)
            else:
                done.set_result(None)

        self._request(replace)
        return done

    def ask(self, what: Callable[[RulesEngine], _T]) -> Future[_T]:
        """What ``what`` makes of the engine, between two steps; it must change nothing."""
        done: Future[_T] = Future()

        def answer() -> None:
            try:
                done.set_result(what(self._engine))
            except Exception as error:  # noqa: BLE001 -- handed to whoever asked
                done.set_exception(error)

        self._request(answer)
        return done

    def _request(self, what: Callable[[], None]) -> None:
        self._requests.put(what)
        self._journal.wake()

    # -- the thread -------------------------------------------------------------------------

    def run(self) -> None:
        """Recover, then follow the journal until stopped; then finish and save a snapshot."""
        self.recover()
        while not self.stopping.is_set():
            self._obey()
            began_s = self._monotonic_s()
            if not self.step():
                self.pulse.beat(_LONGEST_WAIT_S)
                self._journal.wait_beyond(self.offset, _LONGEST_WAIT_S, self._interrupted)
            elif not self._limited:
                self.stopping.wait(self._min_interval_s - (self._monotonic_s() - began_s))
        self._obey()
        while self.step():
            pass
        self.save_snapshot()

    def recover(self) -> None:
        """Bring the engine to where the records are."""
        self.committed_offset = self.patiently(
            self.records_outage,
            self._records.committed_offset,
            "The rules wait for them.",
            (RecordsUnavailable,),
        )
        self._skipped = self._read(lambda: self._journal.offsets_set_aside(READER))
        self._rebuild(self.committed_offset)
        self._singly = False

    def step(self) -> bool:
        """Evaluate and commit what lies beyond; False if there was nothing."""
        chunk = self._chunk_beyond(self.offset)
        self._limited = chunk.limited
        if chunk.end == self.offset:
            return False
        began_s = self._monotonic_s()
        step = self._evaluate_surely(chunk)
        self.counts.step_times.took(self._monotonic_s() - began_s)
        self.patiently(
            self.records_outage,
            lambda: self._records.commit(
                step.offset, step.result, step.rejects, step.now_ms, step.action_ids
            ),
            "Alarms and tickets wait; the same step is tried again.",
            (RecordsUnavailable,),
        )
        self.committed_offset = step.offset
        self.counts.commits += 1
        self.counts.events += len(step.events)
        return True

    def save_snapshot(self) -> None:
        """Save the engine's memory, if all of it is committed and something is new."""
        if self.offset != self.committed_offset or self.offset == self._snapshots.offset:
            return
        try:
            self._snapshots.save(Snapshot(self.offset, self._engine.snapshot()))
        except SnapshotError as error:
            self.snapshot_outage.failed(str(error))
        else:
            self.snapshot_outage.recovered()

    # -- requests and patience --------------------------------------------------------------

    def _interrupted(self) -> bool:
        return self.stopping.is_set() or not self._requests.empty()

    def _obey(self) -> None:
        while not self._requests.empty():
            self._requests.get()()

    def _take_over(self, make_engine: Callable[[], RulesEngine]) -> None:
        engine = make_engine()
        engine.restore(self._engine.snapshot())
        self._engine = engine
        self._make_engine = make_engine
        self.save_snapshot()
        log.info("The rules go on with the new configuration from journal offset %d.", self.offset)

    def _read(self, what: Callable[[], _T]) -> _T:
        return self.patiently(
            self.journal_outage, what, "The rules wait for it.", (JournalUnavailable,)
        )

    def _chunk_beyond(self, offset: int) -> Chunk:
        self.pulse.beat()
        return self._read(lambda: self._journal.read_from(offset, limit_weight=self._chunk_frames))

    # -- memory -----------------------------------------------------------------------------

    def _rebuild(self, to: int) -> None:
        """Bring a new engine to where it stands after the entry at ``to``, without effects."""
        while True:
            at = self._load(to)
            try:
                while at < to:
                    chunk = self._chunk_beyond(at)
                    if chunk.end == at:
                        break  # the journal ends before: it has lost its end, and says so below
                    self._evaluate([s for s in chunk.entries if s.offset <= to], chunk.end)
                    at = min(chunk.end, to)
                    if self.stopping.is_set():
                        raise Stopped
            except RulesFailedError as failure:
                self._give_up_on(failure)
            else:
                self.offset = max(at, to)
                return

    def _load(self, to: int) -> int:
        """A new engine with the best snapshot's memory; the offset it belongs to."""
        state = self._read(self._journal.state)
        candidates = self._snapshots.load()
        fitting = [s for s in candidates if s.offset <= to]
        if candidates and not fitting and state.first_offset > 1:
            fitting = candidates[-1:]
            log.error(
                "The records hold results up to journal offset %d only, the oldest snapshot is of "
                "offset %d, and the journal begins at %d: were the records put back from a backup? "
                "The rules go on from the snapshot; alarm changes in between are not in the "
                "records. Compare the board with the machines.",
                to, candidates[-1].offset, state.first_offset,
            )  # fmt: skip
        for snapshot in fitting:
            engine = self._make_engine()
            try:
                engine.restore(snapshot.data)
            except ValueError as error:
                log.warning(
                    "The snapshot of journal offset %d does not fit this version or configuration "
                    "(%s); an older one is tried.", snapshot.offset, error,
                )  # fmt: skip
                continue
            self._engine = engine
            self._tell_gap(snapshot.offset, to, state)
            return snapshot.offset
        self._engine = self._make_engine()
        if to > 0:
            log.warning(
                "There is no usable snapshot: the rules read the journal from its start, offset "
                "%d.%s", state.first_offset,
                " What was learned before it (baselines) is learned anew, and an alarm raised "
                "before it may be raised again." if state.first_offset > 1 else "",
            )  # fmt: skip
            return min(state.first_offset - 1, to)
        return 0

    def _tell_gap(self, at: int, to: int, state: JournalState) -> None:
        first = min(state.first_offset, to + 1)
        if first > at + 1:
            log.error(
                "The journal does not hold the entries %d to %d any more, which the rules would "
                "need to come from the snapshot to the records: was it replaced? They go on "
                "without; an alarm of that time may be missing or stand too long.",
                at + 1, first - 1,
            )  # fmt: skip

    # -- evaluation -------------------------------------------------------------------------

    def _evaluate_surely(self, chunk: Chunk) -> Step:
        while True:
            try:
                step = self._evaluate(chunk.entries, chunk.end)
            except RulesFailedError as failure:
                # The engine's memory is of no use after a failure in its midst.
                self._give_up_on(failure)
                self._rebuild(self.offset)
            else:
                self._singly = False
                self.offset = chunk.end
                self._now_ms = step.now_ms
                return step

    def _give_up_on(self, failure: RulesFailedError) -> None:
        """Find the entry that the rules fail on; when it is found, pass over it and say so."""
        if len(failure.entries) > 1:
            self._singly = True
            log.warning("The rules failed (%s); the entry is looked for.", failure)
            return
        (stored,) = failure.entries
        if self.counts.set_aside == MAX_SET_ASIDE:
            raise failure
        log.error(
            "The rules failed on the journal's entry at offset %d: %s. It is set aside, the rules "
            "go on without it, its samples are stored all the same. Please report this defect, "
            "with the lines below.", stored.offset, failure, exc_info=failure.__cause__,
        )  # fmt: skip
        self._skipped |= {stored.offset}
        self.counts.set_aside += 1
        self._read(lambda: self._journal.set_aside(READER, stored.offset, str(failure)))

    def _evaluate(self, entries: Iterable[Stored], end: int) -> Step:
        left = [s for s in entries if s.offset not in self._skipped]
        step = drive(self._engine, left, Step(end, self._now_ms), singly=self._singly)
        self.counts.frames += step.frames
        self.counts.late_frames += step.late_frames
        return step
