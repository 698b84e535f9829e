"""Keeping the journal within its budget: trimming, and what gives way when there is no room.

The journal is trimmed behind the slower of the store reader and the older snapshot. Should a store
be away for so long that the budget is used up, charts give way to alarms: what the rules have
judged and nothing else but the store waits for is left out of the store, with its extent in the
log. What the rules have not judged is never dropped: then the journal refuses, messages stay
unacknowledged, and the broker keeps them.
"""

from __future__ import annotations

import logging
from collections.abc import Callable

from gateway.journal import Fill, Journal, JournalState, JournalUnavailable
from gateway.outage import Outage
from gateway.snapshot import SnapshotFiles
from gateway.store_reader import STORE_READER

__all__ = ["Upkeep"]

log = logging.getLogger(__name__)


class Upkeep:
    """The journal's upkeep, to be called every minute or so, always from one thread.

    ``request_snapshot`` asks the rules reader for a fresh snapshot, which lets more be trimmed.
    """

    def __init__(
        self, journal: Journal, snapshots: SnapshotFiles, request_snapshot: Callable[[], None]
    ) -> None:
        """Nothing is done yet."""
        self._journal = journal
        self._snapshots = snapshots
        self._request_snapshot = request_snapshot
        self.frames_not_charted = 0
        """Frames that were left out of the telemetry store to make room."""
        self.near = Outage(log, "The journal is below 80 % of its budget again.")
        self.full = Outage(log, "The journal has room again.")
        self.unavailable = Outage(log, "The journal can be trimmed again.")

    def run(self) -> None:
        """Trim, make room where there is none, and tell how full it is."""
        try:
            self._trim()
            state = self._journal.state()
            if state.fill is Fill.FULL and self._leave_out_of_the_store():
                self._trim()
            self._tell(self._journal.state())
        except JournalUnavailable as error:
            self.unavailable.failed(f"{error} It grows meanwhile.")
        else:
            self.unavailable.recovered()

    def _trim(self) -> None:
        self._journal.trim(
            min(self._journal.reader_offset(STORE_READER), self._snapshots.safe_offset)
        )

    def _leave_out_of_the_store(self) -> bool:
        store_at, judged = self._journal.reader_offset(STORE_READER), self._snapshots.safe_offset
        if store_at >= judged:
            return False
        frames = self._journal.frames_between(store_at, judged)
        log.error(
            "The journal is full and the telemetry store is %d entries behind: %d frames (journal "
            "offsets %d to %d) are left out of the store, so that alarms go on. They were judged "
            "by the rules; charts will show a gap. Bring the telemetry store back.",
            self._journal.last_offset - store_at, frames, store_at + 1, judged,
        )  # fmt: skip
        self._journal.advance(STORE_READER, judged)
        self.frames_not_charted += frames
        return True

    def _tell(self, state: JournalState) -> None:
        if state.fill is Fill.OK:
            self.near.recovered()
            self.full.recovered()
            return
        # The next trimming can go as far as the last snapshot but one.
        self._request_snapshot()
        how_full = (
            f"The journal uses {state.used_bytes / 1e6:.0f} MB of its budget of "
            f"{state.budget_bytes / 1e6:.0f} MB"
        )
        store_behind = state.last_offset - self._journal.reader_offset(STORE_READER)
        rules_behind = state.last_offset - self._snapshots.offset
        lag = (
            f"the telemetry store is {store_behind} entries behind, the rules' last snapshot "
            f"{rules_behind}"
        )
        if state.fill is Fill.FULL:
            self.full.failed(
                f"{how_full}, or its disk is full, and it refuses more: {lag}. Messages wait at "
                "the broker, which keeps only so many. Bring back what is away, free some disk, or "
                "raise budget_mb under [journal] and start again."
            )
        else:
            self.full.recovered()
        self.near.failed(
            f"{how_full}: {lag}. Find out which of them is away before it is full; samples would "
            "then be missing from charts."
        )
