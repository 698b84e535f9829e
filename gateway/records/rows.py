"""What the records answer with: frozen rows that carry the ids of site and unit.

Times are UTC, ms since 1970.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from gateway.tickets.closeout import PartFinding
from gateway.tickets.life import Presence, TicketPhase
from gateway.tickets.notice import NoticeKind, Priority, Recipient, TicketEntry
from rules.events import AlarmEvent, AlarmState, Evidence, Severity
from rules.handback import HandBackItem

__all__ = [
    "AlarmEventRow",
    "AttachmentRow",
    "AttemptOutcome",
    "AttemptRow",
    "BaselineRow",
    "Channel",
    "DeliveryRow",
    "DeliveryState",
    "FindingRow",
    "HandBackRow",
    "OutboxCounts",
    "OutboxRow",
    "OutboxState",
    "QuarantineRow",
    "StandingAlarm",
    "TicketDetail",
    "TicketRow",
    "evidence_of",
]


class Channel(StrEnum):
    """By which way a message goes."""

    MAIL = "mail"
    """A ticket's mail."""
    LIST = "list"
    """A mail that lists tickets whose own mails wait, because there were too many in an hour."""
    TEXT = "text"
    """A short text, to an address that turns mail into one."""
    LETTER = "letter"
    """A mail about no ticket, kept as it was written."""
    WEBHOOK = "webhook"
    """A CloudEvents event, posted to another system."""


class OutboxState(StrEnum):
    """Where a mail is on its way."""

    PENDING = "pending"
    """To be sent when due; perhaps tried before."""
    HELD = "held"
    """Waits for the least interval between repeats; withdrawn if the trouble returns first."""
    SENDING = "sending"
    """Claimed; the server has not been given the whole message yet."""
    HANDING_OVER = "handing over"
    """The end of the message is being written: from here to the reply nobody can know."""
    ACCEPTED = "accepted"
    """The server took it, for one recipient at least."""
    REFUSED = "refused"
    """The server refused it for good, for every recipient."""
    UNADDRESSED = "unaddressed"
    """Nobody was named to get it."""
    WITHDRAWN = "withdrawn"
    """Not needed any more."""
    GATHERED = "gathered"
    """Waits to be listed in a mail with others; not sent by itself."""
    LISTED = "listed"
    """Told in a mail that lists several; the reply says in which."""


class DeliveryState(StrEnum):
    """Whether the server took a mail for one recipient."""

    PENDING = "pending"
    ACCEPTED = "accepted"
    REFUSED = "refused"


class AttemptOutcome(StrEnum):
    """How an attempt to send ended."""

    UNDER_WAY = "under way"
    ACCEPTED = "accepted"
    REFUSED = "refused"
    DEFERRED = "deferred"
    """The server, or one of the recipients, asked to try later, or the connection failed."""
    NOT_RENDERED = "not rendered"
    INTERRUPTED = "interrupted"
    """The program ended before the whole message was given: certainly not delivered."""
    UNKNOWN = "unknown"
    """The program or connection ended between the message's end and the reply."""


@dataclass(frozen=True)
class StandingAlarm:
    """An alarm that is not normal."""

    unit_row: int
    site: str
    unit: str
    fault: str
    state: AlarmState
    severity: Severity
    onset_ms: int
    raised_ms: int | None
    changed_ms: int
    evidence: Evidence | None


@dataclass(frozen=True)
class AlarmEventRow:
    """One line of the alarm journal."""

    id: int
    site: str
    unit: str
    recorded_ms: int
    event: AlarmEvent


@dataclass(frozen=True)
class TicketRow:
    """One ticket."""

    id: int
    number: str
    unit_row: int
    site: str
    unit: str
    fault: str
    priority: Priority
    state: TicketPhase
    onset_ms: int
    opened_ms: int
    updated_ms: int
    returned_ms: int | None
    acknowledged_ms: int | None
    acknowledged_by: str
    closed_ms: int | None
    closed_by: str
    finding: str
    root_message_id: str
    assignee: str = ""
    on_site: tuple[Presence, ...] = ()
    stay_until_ms: int | None = None
    work_done_ms: int | None = None
    work_done_by: str = ""
    hand_back: HandBackRow | None = None
    normal_ms: int = 0
    verified_ms: int | None = None


@dataclass(frozen=True)
class HandBackRow:
    """What the readings show since a unit was handed back.

    ``items`` are those of the latest look (empty before the first); ``ended_ms`` is None while the
    check goes on, and then says when it ended, ``proven`` how.
    """

    from_ms: int
    ended_ms: int | None
    proven: bool
    items: tuple[HandBackItem, ...]


@dataclass(frozen=True)
class FindingRow:
    """What was found at one part, by whom and when."""

    position: int
    time_ms: int
    by: str
    finding: PartFinding


@dataclass(frozen=True)
class AttachmentRow:
    """A photo or document of a ticket, without its content."""

    position: int
    time_ms: int
    by: str
    name: str
    media_type: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True)
class DeliveryRow:
    """One recipient of a mail."""

    recipient: Recipient
    role: str
    state: DeliveryState
    reply: str


@dataclass(frozen=True)
class AttemptRow:
    """One attempt to send a mail."""

    number: int
    started_ms: int
    ended_ms: int | None
    outcome: AttemptOutcome
    reply: str


@dataclass(frozen=True)
class OutboxRow:
    """One mail. ``possibly_duplicate``: a crash or a broken connection hid the server's reply."""

    id: int
    ticket: str
    event_seq: int
    kind: NoticeKind
    priority: Priority
    state: OutboxState
    message_id: str
    created_ms: int
    next_attempt_ms: int
    attempts: int
    done_ms: int | None
    last_reply: str
    possibly_duplicate: bool
    deliveries: tuple[DeliveryRow, ...]
    history: tuple[AttemptRow, ...]
    channel: Channel = Channel.MAIL
    subject: str = ""
    """Of a letter, which has no ticket."""


@dataclass(frozen=True)
class OutboxCounts:
    """How many mails are in which state, since when the oldest waits, and refused recipients."""

    by_state: Mapping[OutboxState, int]
    oldest_waiting_ms: int | None
    refused_recipients: int

    @property
    def waiting(self) -> int:
        """Mails that are due or under way (held ones are not)."""
        states = (OutboxState.PENDING, OutboxState.SENDING, OutboxState.HANDING_OVER)
        return sum(self.by_state.get(s, 0) for s in states)


@dataclass(frozen=True)
class TicketDetail:
    """One ticket with its history and its mails, oldest first."""

    ticket: TicketRow
    entries: tuple[TicketEntry, ...]
    mails: tuple[OutboxRow, ...]
    findings: tuple[FindingRow, ...] = ()
    attachments: tuple[AttachmentRow, ...] = ()


@dataclass(frozen=True)
class QuarantineRow:
    """What was refused on one UTC day ('2026-03-01'), with the latest example."""

    day: str
    site: str
    unit: str
    reason: str
    topic: str
    count: int
    first_ms: int
    last_ms: int
    detail: str
    excerpt: str


@dataclass(frozen=True)
class BaselineRow:
    """A baseline; ``value`` is None after a reset. ``measure`` is the quantity's unit."""

    unit_row: int
    site: str
    unit: str
    quantity: str
    mode: str
    value: float | None
    spread: float | None
    count: int
    measure: str
    time_ms: int


def evidence_of(data: dict[str, Any] | None) -> Evidence | None:
    """Evidence as it was recorded; of an unknown later or earlier form, at least its summary."""
    if data is None:
        return None
    try:
        return Evidence.from_json(data)
    except (TypeError, KeyError, AttributeError):
        confidence = data.get("confidence")
        return Evidence(
            summary=str(data.get("summary", "")),
            confidence=confidence if isinstance(confidence, float) else 0.0,
            limits=("The full evidence was recorded in a form that this version cannot read.",),
        )
