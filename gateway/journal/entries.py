"""What the journal holds and what any journal must be able to do.

The journal is the gateway's single order of events: samples, refusals, sites' states, operators'
actions and the passing of time, each under a growing offset. Nothing here touches a disk; the
embedded log is :mod:`gateway.journal.sqlite`, and another log can stand in its place.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple, Protocol, TypeAlias

from gateway.batch import Batch, Reject, SiteStatus
from rules.events import Action

__all__ = [
    "Backlog",
    "Chunk",
    "Clock",
    "DamagedEntryError",
    "Entry",
    "Fill",
    "Journal",
    "JournalError",
    "JournalFull",
    "JournalState",
    "JournalUnavailable",
    "Notes",
    "Rejects",
    "Stored",
]


class JournalError(Exception):
    """Anything that goes wrong with the journal; the text says what to do."""


class JournalUnavailable(JournalError):
    """The journal cannot be written or read now; what was asked may be asked again later."""


class JournalFull(JournalUnavailable):
    """The journal has no room: its budget is used up, or the disk is full."""


class DamagedEntryError(JournalError):
    """The bytes of one entry are not what was written."""


@dataclass(frozen=True)
class Rejects:
    """What one drain put in quarantine."""

    items: tuple[Reject, ...]


@dataclass(frozen=True)
class Clock:
    """The receiver's clock, written every few seconds, so that silence is replayed like speech.

    ``now_ms`` is UTC in ms since 1970. ``listening`` is False while the broker is out of reach:
    that nobody was heard then says nothing about the sites.
    """

    now_ms: int
    listening: bool = True


Entry: TypeAlias = Batch | Rejects | Clock | SiteStatus | Action
"""One thing that happened: samples, refusals, time passing, a site's state, a person's action."""


class Stored(NamedTuple):
    """An entry as it stands in the journal; ``received_ms`` is the receiver's time (UTC ms)."""

    offset: int
    received_ms: int
    entry: Entry


class Chunk(NamedTuple):
    """What a reader got: the entries in order, and the offset up to which it has now seen all.

    ``end`` can lie beyond the last entry (damaged entries are set aside, trimmed ones are gone),
    so a reader goes on from ``end``, never from the last entry's offset. ``limited`` tells that
    more was there than the limits allowed.
    """

    entries: tuple[Stored, ...]
    end: int
    limited: bool


class Backlog(NamedTuple):
    """What lies beyond an offset: entries, the frames in them, and when the oldest came in.

    ``oldest_ms`` is the receiver's time (UTC, ms since 1970), None where nothing lies there.
    """

    entries: int
    frames: int
    oldest_ms: int | None


class Fill(StrEnum):
    """How much of its budget the journal uses: below 80 %, above, or no room for another entry."""

    OK = "ok"
    NEAR = "near"
    FULL = "full"


@dataclass(frozen=True)
class JournalState:
    """The journal's size and reach. ``first_offset`` is ``last_offset`` + 1 when it is empty.

    ``set_aside`` counts the entries that could not be read, or that a reader could not use.
    """

    fill: Fill
    used_bytes: int
    budget_bytes: int
    first_offset: int
    last_offset: int
    set_aside: int


Notes: TypeAlias = Mapping[str, bytes | None]
"""What to keep under which name; None to keep nothing there any more."""


class Journal(Protocol):
    """A durable, ordered log with one writer and several readers, each at its own pace.

    Pipeline, readers and upkeep know a journal by this protocol only, so a log on other machines
    can take the place of the embedded one. It must keep these promises:

    - **One order.** Offsets grow with every entry and are never given twice, not after trimming
      nor after a crash; they may have gaps. All readers see the same entries in the same order.
    - **All or nothing.** The entries of one :meth:`append` are there together, in their order, or
      not at all. When it returns they outlive a crash and a loss of power, because the broker's
      messages are acknowledged then. An append that raised has written nothing: what cannot be
      known (a connection that broke) the log must find out before it raises or returns.
    - **Seen once durable.** A reader never sees an entry that could still be lost, and every entry
      up to :attr:`last_offset` is there for :meth:`read_from`.
    - **Nothing forgotten but by trimming.** :meth:`trim` may leave more than it was asked to, never
      less. What was set aside stays through it.
    - **Readers' offsets** are as durable as entries and never go back. A reader may be given again
      what lies beyond its offset; readers bear that.
    - **One writer.** Two gateways must not append to one journal: the second is refused.

    Every method may be called from any thread, and raises :class:`JournalUnavailable` when the log
    cannot be reached; the caller asks again later.

    Two things lie beyond: the unit register (:mod:`gateway.unit_register`) lives in the embedded
    journal's file and would need a place of its own, and so would the backup's copy of the journal.
    """

    @property
    def last_offset(self) -> int:
        """The offset of the newest durable entry; 0 before the first."""
        ...

    def append(self, entries: Sequence[Entry], received_ms: int, notes: Notes | None = None) -> int:
        """Make the entries durable, all or none, in order; the last one's offset.

        ``notes`` are kept with them, in the same step: what must be remembered to understand what
        comes later.

        Raises :class:`JournalFull` when there is no room. After any error nothing was written, and
        the caller must not acknowledge what the entries came from.
        """
        ...

    def notes(self) -> dict[str, bytes]:
        """The notes that are kept, by name. No reader sees them, and trimming leaves them."""
        ...

    def read_from(self, offset: int, *, limit_weight: int = ..., limit_entries: int = ...) -> Chunk:
        """The entries beyond ``offset``, oldest first, at least one if there is one.

        An entry weighs as many as the frames or refusals it holds, 1 at least.
        """
        ...

    def wait_beyond(
        self, offset: int, timeout_s: float, interrupted: Callable[[], bool] = ...
    ) -> bool:
        """Wait until something lies beyond ``offset``; False after the time or an interruption.

        ``interrupted`` is asked at once and on every :meth:`wake`.
        """
        ...

    def wake(self) -> None:
        """Make every waiting reader ask whether it was interrupted."""
        ...

    def trim(self, up_to: int) -> int:
        """Forget entries up to and including the offset, give their room back; how many."""
        ...

    def reader_offset(self, reader: str) -> int:
        """How far the named reader has come; 0 at first."""
        ...

    def advance(self, reader: str, offset: int) -> None:
        """Note that the reader is done with everything up to the offset; never goes back."""
        ...

    def set_aside(self, reader: str, offset: int, reason: str) -> None:
        """Keep a copy of an entry that the reader cannot use, with the reason, through trimming."""
        ...

    def offsets_set_aside(self, reader: str) -> frozenset[int]:
        """The offsets that the reader has set aside."""
        ...

    def actions_present(self, ids: Collection[int]) -> frozenset[int]:
        """Which of these actions' ids have been appended before (and not trimmed long ago)."""
        ...

    def frames_between(self, after: int, up_to: int) -> int:
        """How many frames the samples entries in (``after``, ``up_to``] hold."""
        ...

    def backlog(self, offset: int) -> Backlog:
        """What lies beyond the offset: how far a reader that stands there is behind."""
        ...

    def state(self) -> JournalState:
        """Size, budget and reach at this moment."""
        ...
