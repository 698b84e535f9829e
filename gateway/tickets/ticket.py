"""A maintenance ticket, ready to lay out: what every mail, sheet and page of it says.

Plain data in words; :mod:`gateway.tickets.document` makes it. A :class:`Ticket` cannot be
constructed without a complete isolation block for the same unit and job.
"""

from __future__ import annotations

from dataclasses import dataclass

from gateway.tickets.notice import NoticeKind
from rules.events import Severity
from rules.jobplans import JobPlan
from rules.safety import IsolationBlock, SafetyTextMissing

__all__ = [
    "CauseRow",
    "ContactRow",
    "HistoryRow",
    "ReadingRow",
    "ReadingToTakeRow",
    "Ticket",
]


@dataclass(frozen=True)
class ReadingRow:
    """One line of evidence in display units; '' where there is nothing to say."""

    quantity: str
    measured: str
    expected: str
    allowed: str
    difference: str
    note: str
    derived: bool


@dataclass(frozen=True)
class CauseRow:
    """One possible cause, in words."""

    title: str
    agreement: str
    fits: tuple[str, ...]
    against: tuple[str, ...]
    to_decide: str
    look_at: str


@dataclass(frozen=True)
class ContactRow:
    """A person to reach at the site; '' for what is not known."""

    name: str
    role: str
    phone: str
    email: str


@dataclass(frozen=True)
class HistoryRow:
    """One event of the ticket: site time, what happened, who did it, what they wrote."""

    when: str
    what: str
    by: str
    note: str


@dataclass(frozen=True)
class ReadingToTakeRow:
    """A reading for the technician to write down; ``unit`` is the display unit, '' for none."""

    what: str
    unit: str
    before: bool
    after: bool


@dataclass(frozen=True)
class Ticket:
    """A maintenance ticket, ready to lay out. All texts are clean of control characters.

    ``site_id`` and ``unit_id`` are '' where the site file does not know them; ``site_name`` and
    ``unit_name`` always say something, ``unit_name`` '' where the ticket is about a whole site.
    ``is_over`` tells that the condition has passed. ``time_left`` is '' where that makes no sense,
    ``outcome`` tells what has changed since the last mail, ``as_of`` of when the readings are (''
    for a job that no alarm asks for).

    Raises SafetyTextMissing if ``isolation`` is not a complete isolation block, or is one for
    another unit or another job than the ticket's: locking off the wrong machine is worse than none.
    """

    number: str
    kind: NoticeKind
    kind_title: str
    outcome: str
    is_over: bool
    severity: Severity
    respond: str
    title: str
    site_id: str
    site_name: str
    unit_id: str
    unit_name: str
    location: str
    address: str
    access: str
    contacts: tuple[ContactRow, ...]
    time_zone: str
    event_time: str
    since: str
    time_left: str
    summary: str
    meaning: str
    consequence: str
    action: str
    confidence: str
    as_of: str
    readings: tuple[ReadingRow, ...]
    causes: tuple[CauseRow, ...]
    ruled_out: tuple[CauseRow, ...]
    limits: tuple[str, ...]
    plan: JobPlan
    readings_to_take: tuple[ReadingToTakeRow, ...]
    isolation: IsolationBlock
    history: tuple[HistoryRow, ...]

    def __post_init__(self) -> None:
        """Refuse a ticket without the isolation block that belongs to it."""
        if not isinstance(self.isolation, IsolationBlock):
            msg = (
                f"ticket {self.number}: no isolation block (got "
                f"{type(self.isolation).__name__}); make one with rules.safety.isolation_block"
            )
            raise SafetyTextMissing(msg)
        block_for = (self.isolation.site_id, self.isolation.unit_id, self.isolation.plan)
        ticket_for = (self.site_id, self.unit_id, self.plan.slug)
        if block_for != ticket_for:
            msg = (
                f"ticket {self.number} is for site, unit and job {ticket_for}, its isolation block "
                f"for {block_for}; make the block for the ticket's own"
            )
            raise SafetyTextMissing(msg)

    @property
    def priority(self) -> str:
        """The priority's word, in capitals."""
        return self.severity.name

    @property
    def place(self) -> str:
        """Site and unit in one line."""
        return f"{self.site_name} / {self.unit_name}" if self.unit_name else self.site_name
