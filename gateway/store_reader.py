"""The reader that brings samples from the journal to the telemetry store.

It follows at its own pace with its own offset and advances only when the store has taken a batch,
so an outage of the store delays charts and nothing else. Writing is idempotent: after a crash the
last batch may be written again. A batch that the store refuses while it takes others is set aside
in the journal; a store that refuses everything is waited for.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np

from gateway.batch import Batch
from gateway.journal import Chunk, Journal, JournalUnavailable, Stored
from gateway.outage import Outage
from gateway.telemetry.base import StoreError, StoreRefused, StoreUnavailable, TelemetryStore
from gateway.worker import Stopped, Worker

__all__ = ["STORE_READER", "StoreCounts", "StoreReader"]

log = logging.getLogger(__name__)

STORE_READER: Final = "store"
"""The reader's name in the journal."""

ROWS_A_WRITE: Final = 10_000
"""Frames of one write, where there is a backlog."""

_LONGEST_WAIT_S: Final = 60.0
_UPKEEP_S: Final = 600.0
"""How long the store's upkeep may take before the thread counts as standing still."""
_NEWEST: Final = (
    200  # entries at the journal's end in which a batch to try the store with is sought
)
_T = TypeVar("_T")


@dataclass
class StoreCounts:
    """What has been done since the start. ``set_aside`` counts batches that the store refused."""

    frames: int = 0
    writes: int = 0
    set_aside: int = 0


class StoreReader(Worker):
    """Writes the journal's samples to a store, and is the only one to write there.

    Writes are at least ``min_interval_s`` apart unless there is a backlog, so that many small
    entries become one write.
    """

    def __init__(
        self,
        journal: Journal,
        store: TelemetryStore,
        clock_ms: Callable[[], int],
        *,
        min_interval_s: float = 1.0,
        rows_a_write: int = ROWS_A_WRITE,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare; :meth:`start` starts."""
        super().__init__("store reader")
        self._journal = journal
        self._store = store
        self._clock_ms = clock_ms
        self._min_interval_s = min_interval_s
        self._rows_a_write = rows_a_write
        self._monotonic_s = monotonic_s
        self._maintenance = threading.Event()
        self._limited = False
        self.offset = 0
        """Up to here the journal's samples are in the store."""
        self.outage = Outage(
            log, "The telemetry store takes samples again; charts catch up.",
            longest_pause_s=60.0, monotonic_s=monotonic_s,
        )  # fmt: skip
        self.maintenance_outage = Outage(
            log, "The telemetry store's upkeep works again.", monotonic_s=monotonic_s
        )
        self.journal_outage = Outage(
            log, "The journal can be read again; the store reader goes on.", monotonic_s=monotonic_s
        )
        self.counts = StoreCounts()

    def stop(self) -> None:
        """Ask it to write what has come, and end; does not wait for a store that is away."""
        super().stop()
        self._journal.wake()

    def request_maintenance(self) -> None:
        """Do the store's upkeep (rollups, retention) before the next write."""
        self._maintenance.set()
        self._journal.wake()

    def run(self) -> None:
        """Follow the journal until stopped, then write what is left if the store is there."""
        while not self.stopping.is_set():
            if self._maintenance.is_set():
                self._maintenance.clear()
                self.maintain()
            began_s = self._monotonic_s()
            if not self.step():
                self.pulse.beat(_LONGEST_WAIT_S)
                self._journal.wait_beyond(self.offset, _LONGEST_WAIT_S, self._interrupted)
            elif not self._limited:
                self.stopping.wait(self._min_interval_s - (self._monotonic_s() - began_s))
        while self.step():
            pass

    def step(self) -> bool:
        """Write what lies beyond; False if there was nothing."""
        self.pulse.beat()
        # Read anew: the journal's upkeep may have moved it on to make room.
        self.offset = self._read(lambda: self._journal.reader_offset(STORE_READER))
        chunk = self._read(
            lambda: self._journal.read_from(self.offset, limit_weight=self._rows_a_write)
        )
        self._limited = chunk.limited
        if chunk.end == self.offset:
            return False
        samples = [s for s in chunk.entries if isinstance(s.entry, Batch) and len(s.entry)]
        if samples and not self._written(samples, chunk):
            return True
        self._read(lambda: self._journal.advance(STORE_READER, chunk.end))
        self.offset = chunk.end
        return True

    def maintain(self) -> None:
        """The store's upkeep."""
        self.pulse.beat(_UPKEEP_S)
        try:
            self._store.maintain(self._clock_ms())
        except StoreError as error:
            self.maintenance_outage.failed(f"{error} Rollups and retention wait.")
        else:
            self.maintenance_outage.recovered()

    # -- private ----------------------------------------------------------------------------

    def _interrupted(self) -> bool:
        return self.stopping.is_set() or self._maintenance.is_set()

    def _read(self, what: Callable[[], _T]) -> _T:
        return self.patiently(
            self.journal_outage, what, "The store reader waits for it.", (JournalUnavailable,)
        )

    def _written(self, samples: Sequence[Stored], chunk: Chunk) -> bool:
        """Whether the store is done with these; if not, it has been waited for."""
        batch = _together(samples)
        try:
            self._store.write(batch)
        except StoreUnavailable as error:
            self._wait(str(error), error.retry_after_s)
            return False
        except StoreRefused as error:
            if not self._sorted_out(samples, chunk):
                self._wait(str(error), None)
                return False
        self.outage.recovered()
        self.counts.writes += 1
        self.counts.frames += len(batch)
        return True

    def _wait(self, why: str, asked_s: float | None) -> None:
        pause_s = self.outage.failed(why, asked_s)
        self.pulse.beat(pause_s)
        if self.stopping.wait(pause_s):
            raise Stopped

    def _sorted_out(self, samples: Sequence[Stored], chunk: Chunk) -> bool:
        """Write each batch alone; set aside those refused, if the store takes any other.

        False where it takes none: then it is not the batches that are at fault.
        """
        refused: list[tuple[int, str]] = []
        for stored in samples:
            self.pulse.beat()
            try:
                self._store.write(_together([stored]))
            except StoreRefused as error:
                refused.append((stored.offset, str(error)))
            except StoreUnavailable:
                return False
        if len(refused) == len(samples) and not self._takes_a_newer_one(chunk):
            return False
        for offset, why in refused:
            self._set_aside(offset, why)
        return True

    def _set_aside(self, offset: int, why: str) -> None:
        self.counts.set_aside += 1
        log.error(
            "The telemetry store refuses the samples of the journal's entry at offset %d, while it "
            "takes others: %s The entry is set aside in the journal (table set_aside), and the "
            "store reader goes on.", offset, why,
        )  # fmt: skip
        self._read(lambda: self._journal.set_aside(STORE_READER, offset, why))

    def _takes_a_newer_one(self, chunk: Chunk) -> bool:
        start = max(chunk.end, self._journal.last_offset - _NEWEST)
        newer = self._read(lambda: self._journal.read_from(start, limit_weight=self._rows_a_write))
        samples = [s for s in newer.entries if isinstance(s.entry, Batch) and len(s.entry)]
        if not samples:
            return False
        try:
            self._store.write(_together(samples[-1:]))
        except StoreError:
            return False
        return True


def _together(samples: Sequence[Stored]) -> Batch:
    batches = [s.entry for s in samples if isinstance(s.entry, Batch)]
    if len(batches) == 1:
        return batches[0]
    return Batch(
        np.concatenate([b.unit_row for b in batches]),
        np.concatenate([b.time_ms for b in batches]),
        np.concatenate([b.values for b in batches]),
    )
