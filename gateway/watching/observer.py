"""Looking around in the gateway: all its parts at one moment, as a plain value.

This is the one place that asks the journal and the records how they are, every few seconds and from
a thread whose waiting holds up nobody. The last look lies ready for all who want to show it.
"""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from gateway.config import Configuration
from gateway.intake import Intake
from gateway.journal import Backlog, Journal, JournalUnavailable
from gateway.outage import Outage
from gateway.pipeline import Pipeline
from gateway.records.records import Records
from gateway.records.session import RecordsError
from gateway.rules_reader import RulesReader
from gateway.status import (
    AlarmCount,
    GatewayStatus,
    OutboxStatus,
    ReaderStatus,
    write_status,
)
from gateway.store_reader import StoreReader
from gateway.upkeep import Upkeep
from gateway.watching.freshness import Freshness

__all__ = ["Observer", "Parts", "Trouble"]

log = logging.getLogger(__name__)

_WAIT_S: Final = 5.0


@dataclass(frozen=True)
class Parts:
    """What is looked at. ``link`` and ``mail_trouble`` give the reasons, empty while all is well.

    ``own_alarms`` gives what the watch itself has found, ``configuration`` the present one;
    ``clock_ms`` is UTC, ms since 1970.
    """

    journal: Journal
    records: Records
    intake: Intake
    pipeline: Pipeline
    rules: RulesReader
    store_reader: StoreReader
    upkeep: Upkeep
    freshness: Freshness
    configuration: Callable[[], Configuration]
    connected: Callable[[], bool]
    link: Callable[[], str]
    mail_trouble: Callable[[], str]
    own_alarms: Callable[[], Sequence[Trouble]]
    clock_ms: Callable[[], int]


@dataclass(frozen=True)
class Trouble:
    """Something that stands, in words with what to do; ``kind`` is a word for programs.

    ``unready``: while it stands samples are not taken in, judged or recorded. ``since_ms`` is UTC,
    0 where it is not known.
    """

    kind: str
    says: str
    unready: bool = False
    since_ms: int = 0


@dataclass
class Observer:
    """Looks when told to, keeps the last look, and writes it to ``status_file``."""

    parts: Parts
    started_ms: int
    status_file: Path
    latest: GatewayStatus | None = field(default=None, init=False)
    _looking: threading.Lock = field(default_factory=threading.Lock, init=False)

    def look(self) -> None:
        """Look around once; not at all where another thread's look goes on and on."""
        if not self._looking.acquire(timeout=_WAIT_S):
            return
        try:
            self.latest = self.status()
            write_status(self.status_file, self.latest)
        except OSError as error:
            log.debug("The status file cannot be written: %s", error)
        finally:
            self._looking.release()

    def troubles(self) -> tuple[Trouble, ...]:
        """What stands at this moment. Asks nobody, so it does not block."""
        p = self.parts
        outages: tuple[tuple[str, Outage, bool], ...] = (
            ("journal", p.pipeline.journal_outage, True),
            ("records", p.pipeline.actions_outage, False),
            ("records", p.rules.records_outage, True),
            ("journal", p.rules.journal_outage, True),
            ("snapshots", p.rules.snapshot_outage, False),
            ("store", p.store_reader.outage, False),
            ("journal", p.store_reader.journal_outage, False),
            ("store", p.store_reader.maintenance_outage, False),
            ("journal", p.upkeep.near, False),
            ("journal", p.upkeep.full, True),
            ("journal", p.upkeep.unavailable, False),
        )
        found = [] if p.connected() else [Trouble("broker", p.link(), unready=True)]
        found += [Trouble(kind, o.why, unready) for kind, o, unready in outages if o.why]
        if why := p.mail_trouble():
            found.append(Trouble("mail", why))
        found += p.own_alarms()
        return tuple({t.says: t for t in reversed(found)}.values())[::-1]

    def status(self) -> GatewayStatus:
        """How the gateway is at this moment. May wait for the journal and the records."""
        p = self.parts
        configuration = p.configuration()
        now_ms = p.clock_ms()
        outbox, waiting, alarms = self._recorded()
        pipeline = p.pipeline.counts
        rules, store = p.rules, p.store_reader
        try:
            journal = p.journal.state()
        except JournalUnavailable:
            journal = None
        return GatewayStatus(
            now_ms=now_ms,
            started_ms=self.started_ms,
            pid=os.getpid(),
            sites=len(configuration.sites),
            units=sum(len(s.units) for s in configuration.sites),
            broker_connected=p.connected(),
            broker=p.link(),
            messages=pipeline.messages,
            messages_waiting=p.intake.waiting,
            messages_dropped=p.intake.dropped,
            last_message_ms=pipeline.last_message_ms,
            frames=pipeline.frames,
            rejects=pipeline.rejects,
            actions=pipeline.actions,
            late_frames=rules.counts.late_frames,
            alarm_events=rules.counts.events,
            journal=journal,
            rules=self._reader(
                rules.committed_offset, rules.counts.frames, rules.counts.set_aside, now_ms
            ),
            store=self._reader(store.offset, store.counts.frames, store.counts.set_aside, now_ms),
            frames_not_charted=p.upkeep.frames_not_charted,
            mail_waiting=waiting,
            troubles=tuple(t.says for t in self.troubles()),
            samples=pipeline.samples,
            rejects_by_reason={r.value: n for r, n in list(pipeline.rejects_by_reason.items())},
            site_ages=p.freshness.ages(now_ms, (now_ms - self.started_ms) / 1000),
            outbox=outbox,
            alarms=alarms,
            store_up=not store.outage.standing,
            mail_up=not p.mail_trouble(),
            rules_steps=rules.counts.step_times.so_far(),
        )

    def _reader(self, offset: int, frames: int, set_aside: int, now_ms: int) -> ReaderStatus:
        journal = self.parts.journal
        behind = max(0, journal.last_offset - offset)
        try:
            backlog = journal.backlog(offset) if behind else Backlog(0, 0, None)
        except JournalUnavailable:
            backlog = Backlog(0, 0, None)
        lag_ms = 0 if backlog.oldest_ms is None else max(0, now_ms - backlog.oldest_ms)
        return ReaderStatus(offset, behind, frames, set_aside, backlog.frames, lag_ms / 1000)

    def _recorded(
        self,
    ) -> tuple[OutboxStatus | None, int | None, tuple[AlarmCount, ...] | None]:
        records = self.parts.records
        try:
            counts = records.outbox_counts()
            alarms = records.alarm_counts()
        except RecordsError:
            return None, None, None
        by_state = {state.value: count for state, count in counts.by_state.items()}
        outbox = OutboxStatus(by_state, counts.oldest_waiting_ms, counts.refused_recipients)
        return outbox, counts.waiting, tuple(
            AlarmCount(severity.name.lower(), state.name.lower().replace("_", " "), count)
            for (severity, state), count in sorted(alarms.items())
        )  # fmt: skip
