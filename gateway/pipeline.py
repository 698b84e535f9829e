"""From messages to the journal: decode, make durable, only then acknowledge.

One thread drains whatever arrived while the previous batch was being written (group commit),
decodes it, and appends it in one transaction. Time passing and operators' actions enter the
journal here too. While the journal cannot be written, the batch is held, nothing is acknowledged
and nothing more is drained: the broker keeps the messages.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

import numpy as np

from gateway.batch import Batch, Frame, Reason, Reject, SiteStatus
from gateway.intake import Message
from gateway.journal import Clock, Entry, Journal, JournalUnavailable, Notes, Rejects
from gateway.outage import Outage
from gateway.records.session import RecordsUnavailable
from gateway.wire import Decoded
from gateway.worker import Worker
from rules.events import Action

__all__ = ["ActionSource", "Decodes", "MessageSource", "Pipeline", "PipelineCounts"]

log = logging.getLogger(__name__)

MAX_MESSAGES: Final = 2_000
"""Messages of one drain, so that a flood becomes durable in steps."""

MAX_FRAMES: Final = 20_000
"""Frames of one journal entry, about 3 MB as columns, so that memory stays flat."""


MAX_STRANGERS_TOLD: Final = 100
"""Unknown units and sites that the log names; the quarantine holds them all."""


class MessageSource(Protocol):
    """Where messages come from; :class:`gateway.intake.Intake` is one."""

    def drain(self, max_wait_s: float, max_messages: int) -> list[Message]:
        """What has arrived, waiting for a first message."""
        ...

    def acknowledge(self, messages: Iterable[Message]) -> None:
        """These messages are safe."""
        ...

    def publish(self, topic: str, payload: bytes) -> None:
        """Send a message, once, if there is a connection."""
        ...


class Decodes(Protocol):
    """What understands messages; :class:`gateway.wire.Decoder` does."""

    def decode(self, topic: str, payload: bytes, received_ms: int) -> Decoded:
        """What the message says."""
        ...

    def overdue(self, now_ms: int) -> Decoded:
        """What is to be said of messages that did not come in time."""
        ...

    def notes(self) -> Notes:
        """What must be kept together with what was decoded since the last call."""
        ...

    def requests(self, now_ms: int) -> Sequence[tuple[str, bytes]]:
        """Topics and payloads to be published because of what was decoded since the last call."""
        ...


class ActionSource(Protocol):
    """Where people's requests wait; :class:`gateway.records.records.Records` is one."""

    def pending_actions(self) -> list[Action]:
        """Requests that are not in the journal yet, oldest first."""
        ...

    def mark_journalled(self, ids: Sequence[int], offset: int) -> None:
        """These requests stand in the journal, up to the offset."""
        ...


@dataclass
class PipelineCounts:
    """What has passed since the start.

    ``rejects`` counts refused records and messages missed, not the reports of them. ``samples``
    are single readings, of which a frame holds several.
    """

    messages: int = 0
    frames: int = 0
    samples: int = 0
    rejects: int = 0
    actions: int = 0
    last_message_ms: int = 0
    rejects_by_reason: dict[Reason, int] = field(default_factory=dict)


class Pipeline(Worker):
    """The only writer of the journal.

    ``clock_ms`` is the receiver's clock (UTC, ms since 1970), written every ``clock_interval_s``
    together with whether ``listening`` says that messages could arrive. Requests are looked for
    every ``action_interval_s``. ``heard`` is told of each batch that has become durable.
    """

    def __init__(
        self,
        intake: MessageSource,
        decoder: Decodes,
        journal: Journal,
        actions: ActionSource,
        clock_ms: Callable[[], int],
        *,
        clock_interval_s: float = 5.0,
        action_interval_s: float = 1.0,
        listening: Callable[[], bool] = lambda: True,
        heard: Callable[[Batch], None] = lambda _batch: None,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare; :meth:`start` starts."""
        super().__init__("pipeline")
        self._intake = intake
        self._decoder = decoder
        self._journal = journal
        self._actions = actions
        self._clock_ms = clock_ms
        self._clock_interval_s = clock_interval_s
        self._action_interval_s = action_interval_s
        self._listening = listening
        self._heard = heard
        self._monotonic_s = monotonic_s
        self._clock_due_s = self._actions_due_s = monotonic_s()
        self.journal_outage = Outage(
            log,
            "The journal can be written again; messages are acknowledged.",
            monotonic_s=monotonic_s,
        )
        self.actions_outage = Outage(
            log, "The records can be read again; operators' actions go on.", monotonic_s=monotonic_s
        )
        self.counts = PipelineCounts()
        self._strangers: set[tuple[str, str]] = set()

    def use(self, decoder: Decodes) -> None:
        """Decode with another decoder from the next drain on. Any thread may call this."""
        self._decoder = decoder

    def run(self) -> None:
        """Until stopped; then once more, so that what has arrived is not sent again for nothing."""
        while not self.stopping.is_set():
            self.step()
        self.step(max_wait_s=0.0)

    def step(self, max_wait_s: float | None = None) -> None:
        """One drain, from messages to acknowledgement, and what else is due.

        Raises :class:`Stopped` when told to stop while the journal is away.
        """
        due_s = min(self._clock_due_s, self._actions_due_s) - self._monotonic_s()
        wait_s = max(0.0, due_s) if max_wait_s is None else max_wait_s
        self.pulse.beat(wait_s)
        messages = self._intake.drain(wait_s, MAX_MESSAGES)
        decoder = self._decoder  # one for the whole drain
        gathered = _Gathered()
        for message in messages:
            gathered.add(message, _decoded(decoder, message))
            if len(gathered.frames) >= MAX_FRAMES:
                self._make_durable(gathered, decoder.notes())
                gathered = _Gathered()
        gathered.take(decoder.overdue(self._clock_ms()))
        gathered.others += self._due_entries()
        self._make_durable(gathered, decoder.notes())
        for topic, payload in decoder.requests(self._clock_ms()):
            self._intake.publish(topic, payload)

    def _make_durable(self, gathered: _Gathered, notes: Notes) -> None:
        """Append, then acknowledge."""
        entries = gathered.entries()
        if entries or notes:
            offset = self.patiently(
                self.journal_outage,
                lambda: self._journal.append(entries, self._clock_ms(), notes),
                "Nothing is acknowledged until it can be written.",
                (JournalUnavailable,),
            )
            self._mark_journalled([e.id for e in entries if isinstance(e, Action)], offset)
        self._intake.acknowledge(gathered.messages)
        self._count(gathered, entries)
        self._tell_of_strangers(gathered.rejects)

    def _count(self, gathered: _Gathered, entries: Iterable[Entry]) -> None:
        """By whole columns, about 10 µs a drain: 10 to 15 ns a message where 500 come at once."""
        counts = self.counts
        counts.messages += len(gathered.messages)
        for entry in entries:
            if isinstance(entry, Batch):
                counts.frames += len(entry)
                counts.samples += int(np.count_nonzero(entry.values == entry.values))  # NaN differs
                self._heard(entry)
        by_reason = counts.rejects_by_reason
        for reject in gathered.rejects:
            counts.rejects += reject.count
            by_reason[reject.reason] = by_reason.get(reject.reason, 0) + reject.count
        if gathered.messages:
            counts.last_message_ms = gathered.messages[-1].received_ms

    def _tell_of_strangers(self, rejects: Iterable[Reject]) -> None:
        """Say once of each unknown unit or site that it publishes; so many and no more."""
        for reject in rejects:
            who = (reject.site, reject.unit)
            if reject.reason is not Reason.UNREGISTERED or who in self._strangers:
                continue
            if len(self._strangers) < MAX_STRANGERS_TOLD:
                self._strangers.add(who)
                log.warning("Messages under %s are refused: %s", reject.topic, reject.detail)

    def _due_entries(self) -> list[Entry]:
        entries: list[Entry] = []
        now_s = self._monotonic_s()
        if now_s >= self._actions_due_s:
            self._actions_due_s = now_s + self._action_interval_s
            entries += self._new_actions()
        if now_s >= self._clock_due_s:
            self._clock_due_s = now_s + self._clock_interval_s
            entries.append(Clock(self._clock_ms(), self._listening()))
        return entries

    def _new_actions(self) -> list[Action]:
        try:
            pending = self._actions.pending_actions()
            present = self._journal.actions_present([a.id for a in pending])
        except (RecordsUnavailable, JournalUnavailable) as error:
            pause_s = self.actions_outage.failed(f"{error} Operators' actions wait meanwhile.")
            self._actions_due_s = self._monotonic_s() + max(pause_s, self._action_interval_s)
            return []
        self.actions_outage.recovered()
        if present:
            # Appended before, but the records could not be told, or the process ended in between.
            self._mark_journalled(sorted(present), self._journal.last_offset)
        new = [a for a in pending if a.id not in present]
        self.counts.actions += len(new)
        return new

    def _mark_journalled(self, ids: Sequence[int], offset: int) -> None:
        if not ids:
            return
        try:
            self._actions.mark_journalled(ids, offset)
        except RecordsUnavailable as error:
            self.actions_outage.failed(f"{error} It is tried again with the next look at actions.")


class _Gathered:
    """What one drain said, on its way to the journal."""

    def __init__(self) -> None:
        self.messages: list[Message] = []
        self.frames: list[Frame] = []
        self.rejects: list[Reject] = []
        self.statuses: list[SiteStatus] = []
        self.others: list[Entry] = []

    def add(self, message: Message, decoded: Decoded) -> None:
        self.messages.append(message)
        self.take(decoded)

    def take(self, decoded: Decoded) -> None:
        self.frames += decoded.frames
        self.rejects += decoded.rejects
        self.rejects += decoded.lost
        if decoded.status is not None:
            self.statuses.append(decoded.status)

    def entries(self) -> list[Entry]:
        entries: list[Entry] = []
        if self.frames:
            entries.append(Batch.of(self.frames))
        if self.rejects:
            entries.append(Rejects(tuple(self.rejects)))
        return entries + self.statuses + self.others


def _decoded(decoder: Decodes, message: Message) -> Decoded:
    """What the message says; a decoder that fails makes it a refusal, never a dead thread."""
    try:
        return decoder.decode(message.topic, message.payload, message.received_ms)
    except Exception as error:
        log.exception("Decoding a message under %r failed; it is in quarantine.", message.topic)
        reject = Reject(
            message.received_ms,
            message.topic[:200],
            Reason.RECORD,
            f"The decoder failed ({type(error).__name__}: {error}). Please report this defect.",
            message.payload[:200].decode("utf-8", "replace"),
        )
        return Decoded(rejects=(reject,))
