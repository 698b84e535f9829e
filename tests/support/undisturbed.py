"""What comes of messages when nothing is in the way: no broker, journal, thread or crash.

Each message is decoded, judged and recorded at once. What a disturbed gateway stores, tells and
mails is compared with this.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from gateway.batch import Batch, Frame
from gateway.config import Configuration
from gateway.records import Records
from gateway.wire import Decoder, of_sites
from rules.engine import Engine
from rules.events import AlarmEvent
from rules.faults.registry import FAULTS
from rules.plan import FleetPlan
from rules.signals import SIGNALS
from support.stream import Message

__all__ = ["BY_CLOCK", "Undisturbed", "outline", "ticket_keys", "undisturbed"]

BY_CLOCK: Final = frozenset(f.slug for f in FAULTS if f.judged_by == "clock")
"""Faults that rest on the receiver's clock: they tell of the time at which things came."""

Line = tuple[str, str, int, str, str, int, int, int]
"""Site, unit, time, fault, change, state, severity and onset of one line of the alarm journal."""


@dataclass(frozen=True)
class Undisturbed:
    """Samples by unit and time [ms], lines of the alarm journal, and tickets opened."""

    samples: dict[tuple[str, str], dict[int, dict[str, float]]]
    lines: Counter[Line]
    tickets: Counter[tuple[str, str, str, int]]

    @property
    def instants(self) -> int:
        """How many rows a store holds of it."""
        return sum(len(times) for times in self.samples.values())


def outline(told: Iterable[tuple[str, str, AlarmEvent]]) -> Counter[Line]:
    """Lines of the alarm journal as they can be compared; without those judged by the clock."""
    return Counter(
        (site, unit, e.time_ms, e.fault, str(e.change), int(e.state), int(e.severity), e.onset_ms)
        for site, unit, e in told
        if e.fault not in BY_CLOCK
    )


def ticket_keys(records: Records) -> Counter[tuple[str, str, str, int]]:
    """Site, unit, fault and opening [ms] of every ticket, but for faults judged by the clock."""
    return Counter(
        (t.site, t.unit, t.fault, t.opened_ms)
        for t in records.tickets(limit=100_000)
        if t.fault not in BY_CLOCK
    )


def undisturbed(
    configuration: Configuration, messages: Sequence[Message], now_ms: int, scratch: Path
) -> Undisturbed:
    """Decode, judge and record; ``scratch`` is a directory for the records."""
    sites = configuration.sites
    keys = [(s.id, u.id) for s in sites for u in s.units]
    rows = {key: row for row, key in enumerate(keys)}
    decoder = Decoder(of_sites(sites, rows))
    engine = Engine(FleetPlan.build(sites, rows, configuration.settings))
    records = Records(f"sqlite:///{scratch / 'undisturbed.sqlite'}", routing=configuration.routing)
    try:
        records.sync_units(rows)
        samples: dict[tuple[str, str], dict[int, dict[str, float]]] = {key: {} for key in keys}
        told = []
        for offset, (topic, payload) in enumerate(messages, start=1):
            decoded = decoder.decode(topic, payload, now_ms)
            assert not decoded.rejects, decoded.rejects
            batch = Batch.of(decoded.frames)
            result = engine.samples(now_ms, batch.unit_row, batch.time_ms, batch.values)
            if result.events:
                records.commit(offset, result, [], now_ms)
            told += [(*keys[e.unit_row], e) for e in result.events]
            for frame in decoded.frames:
                _keep(samples[keys[frame.unit_row]], frame)
        return Undisturbed(samples, outline(told), ticket_keys(records))
    finally:
        records.close()


def _keep(times: dict[int, dict[str, float]], frame: Frame) -> None:
    row = times.setdefault(frame.time_ms, {})
    row.update({SIGNALS[column].name: value for column, value in frame.values.items()})
