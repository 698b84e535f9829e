"""A gateway that watches sites which publish a known stream, and the proof afterwards.

Everything is a process of its own and real: Mosquitto, ``basinward run`` at a brisk pace, a mail
server. A test disturbs what it likes while the sites publish, mends it, and calls
:meth:`WatchedSites.prove`.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

from gateway.telemetry import TELEMETRY_FILE, EmbeddedStore
from support import proof
from support.broker import Mosquitto
from support.data_files import open_records
from support.gateway_command import RunningGateway
from support.proof import ReadSeries
from support.site_buffer import BufferedSite
from support.smtp import MailCatcher
from support.stream import Message
from support.undisturbed import Undisturbed

__all__ = ["WatchedSites"]

_PATIENCE_S = 120.0


class WatchedSites:
    """What a test of faults has at hand; ``gateway`` is started by the test, as a block."""

    def __init__(
        self,
        gateway: RunningGateway,
        broker: Mosquitto,
        mail: MailCatcher,
        messages: Sequence[Message],
        expected: Undisturbed,
    ) -> None:
        self.gateway = gateway
        self.broker = broker
        self.mail = mail
        self.messages = messages
        self.expected = expected

    @property
    def data(self) -> Path:
        """The gateway's data directory."""
        return self.gateway.data

    def sites(self, pause_s: float = 0.0) -> BufferedSite:
        """The sites, which publish for the length of a block at least."""
        return BufferedSite(self.broker.port, self.messages, pause_s)

    def stored(self) -> int:
        """Rows in the embedded store so far."""
        store = self._store()
        with closing(store):
            return store.size().samples

    def settle(self, stored: Callable[[], int] | None = None) -> None:
        """Wait until all is stored, judged and mailed; ``stored`` counts rows of another store."""
        count = stored or self.stored
        self.gateway.until(lambda: count() >= self.expected.instants, _PATIENCE_S)
        with open_records(self.data) as records:
            judged = proof.all_journalled_is_judged(self.data, records)
            self.gateway.until(judged, _PATIENCE_S)
            self.gateway.until(lambda: records.outbox_counts().waiting == 0, _PATIENCE_S)

    def prove(self, read: ReadSeries | None = None, *, same_alarms: bool = True) -> None:
        """Nothing was lost and nothing said twice; to be called when the gateway has stopped.

        Without ``same_alarms`` the alarms need not be those of the undisturbed run.
        """
        with closing(self._store()) as store:
            proof.stored_once(read or store.read, self.expected)
        with open_records(self.data) as records:
            if same_alarms:
                proof.told_once(records, self.expected)
            proof.not_refused(records)
            proof.mailed_once(records, self.mail.received)

    def until_published(self, sites: BufferedSite, part_frac: float) -> None:
        """Wait until the broker has so much of the stream."""
        deadline_s = time.monotonic() + _PATIENCE_S
        while sites.done_frac < part_frac:
            assert time.monotonic() < deadline_s, f"only {sites.done_frac:.0%} published"
            self.gateway.ended_within(0.02)

    def _store(self) -> EmbeddedStore:
        return EmbeddedStore(
            self.data / TELEMETRY_FILE, {}, retention_days=400, rollup_retention_days=3650
        )
