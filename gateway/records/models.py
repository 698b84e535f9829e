"""The tables of the records: alarms, tickets, the outbox, quarantine, baselines and actions.

Only the shape is here; :mod:`gateway.records.commit` writes, :mod:`gateway.records.queries` reads.
Times are UTC, ms since 1970. A unit is referred to by its row in the unit register. The first
migration and these models must agree; a test compares them.
"""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import (
    JSON,
    BigInteger,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    UniqueConstraint,
    text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from gateway.records.text import CleanText

__all__ = [
    "TICKETS_BEYOND",
    "ActionRecord",
    "AlarmEventRecord",
    "AlarmRecord",
    "Base",
    "BaselineHistoryRecord",
    "BaselineRecord",
    "InstallationRecord",
    "OutboxAttemptRecord",
    "OutboxLetterFileRecord",
    "OutboxLetterRecord",
    "OutboxListRecord",
    "OutboxRecipientRecord",
    "OutboxRecord",
    "QuarantineRecord",
    "ReaderRecord",
    "TeamListRecord",
    "TicketAttachmentRecord",
    "TicketEventRecord",
    "TicketFindingRecord",
    "TicketRecord",
    "UnitLookRecord",
    "UnitRecord",
]


class Base(DeclarativeBase):
    """Base of all tables; names of constraints follow one pattern, so migrations can name them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012  # SQLAlchemy's own way of declaring it
        str: CleanText,
        dict[str, Any]: JSON(none_as_null=True),
    }


TICKETS_BEYOND: Final = "tickets beyond"
"""Name of the fact beyond which number new tickets go on, where a restore has set one."""


class InstallationRecord(Base):
    """Facts of this set of records, such as the installation's id."""

    __tablename__ = "installation"

    name: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[str]


class ReaderRecord(Base):
    """How far into the journal a reader's results are committed."""

    __tablename__ = "readers"

    name: Mapped[str] = mapped_column(primary_key=True)
    committed_offset: Mapped[int] = mapped_column(BigInteger)
    committed_ms: Mapped[int] = mapped_column(BigInteger)


class UnitRecord(Base):
    """What a row of the unit register means. ``unit`` is empty where a row stands for a site.

    ``known_ms`` is when it was registered, NULL where that was before it was noted.
    """

    __tablename__ = "units"

    row: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    site: Mapped[str]
    unit: Mapped[str]
    known_ms: Mapped[int | None] = mapped_column(BigInteger)

    __table_args__ = (UniqueConstraint("site", "unit"),)


class UnitLookRecord(Base):
    """How a unit runs, as the rules saw it last: for people to look at, replaced again and again.

    ``heard_ms`` is the newest frame's time, ``look`` what the rules knew at ``looked_ms``
    (:class:`gateway.records.unit_looks.UnitLookRow`).
    """

    __tablename__ = "unit_looks"

    unit_row: Mapped[int] = mapped_column(ForeignKey("units.row"), primary_key=True)
    heard_ms: Mapped[int] = mapped_column(BigInteger)
    looked_ms: Mapped[int] = mapped_column(BigInteger)
    look: Mapped[dict[str, Any] | None]


class AlarmRecord(Base):
    """The present state of one alarm; state normal once it is over."""

    __tablename__ = "alarms"

    unit_row: Mapped[int] = mapped_column(ForeignKey("units.row"), primary_key=True)
    fault: Mapped[str] = mapped_column(primary_key=True)
    state: Mapped[int]
    severity: Mapped[int]
    onset_ms: Mapped[int] = mapped_column(BigInteger)
    raised_ms: Mapped[int | None] = mapped_column(BigInteger)
    changed_ms: Mapped[int] = mapped_column(BigInteger)
    evidence: Mapped[dict[str, Any] | None]

    __table_args__ = (Index(None, "state"),)


class AlarmEventRecord(Base):
    """One change of one alarm, never altered once written."""

    __tablename__ = "alarm_events"

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    unit_row: Mapped[int] = mapped_column(ForeignKey("units.row"))
    fault: Mapped[str]
    time_ms: Mapped[int] = mapped_column(BigInteger)
    recorded_ms: Mapped[int] = mapped_column(BigInteger)
    journal_offset: Mapped[int] = mapped_column(BigInteger)
    change: Mapped[str]
    state: Mapped[int]
    severity: Mapped[int]
    onset_ms: Mapped[int] = mapped_column(BigInteger)
    evidence: Mapped[dict[str, Any] | None]
    by: Mapped[str]
    note: Mapped[str]

    __table_args__ = (
        Index(None, "time_ms"),
        Index(None, "unit_row", "time_ms"),
        {"sqlite_autoincrement": True},
    )


class TicketRecord(Base):
    """One ticket: one trouble of one unit, from the first raise until a person closes it.

    ``told`` is what the last notice said ('nothing', 'standing', 'returned') at ``told_priority``.
    ``held_outbox_id`` points to a notice that waits for the least interval between repeats, or for
    the hours of its recipients. ``chain_from_ms`` and ``chain_step`` say how far the chain of those
    who are told if nobody acknowledges has come.

    ``on_site`` names the people who have reported on site ({'people': [{'by', 'since_ms'}]}), None
    where nobody has; they expect to leave at ``stay_until_ms``. ``hand_back`` is what the readings
    showed after the work since ``hand_back_from_ms``, final at ``hand_back_ended_ms``.
    ``normal_ms`` of data were normal after the close-out, the last of them of ``normal_to_ms``;
    nothing is counted any more from ``watch_ended_ms`` on.
    """

    __tablename__ = "tickets"

    id: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    number: Mapped[str]
    unit_row: Mapped[int] = mapped_column(ForeignKey("units.row"))
    fault: Mapped[str]
    priority: Mapped[str]
    first_priority: Mapped[str]
    state: Mapped[str]
    onset_ms: Mapped[int] = mapped_column(BigInteger)
    opened_ms: Mapped[int] = mapped_column(BigInteger)
    updated_ms: Mapped[int] = mapped_column(BigInteger)
    returned_ms: Mapped[int | None] = mapped_column(BigInteger)
    acknowledged_ms: Mapped[int | None] = mapped_column(BigInteger)
    acknowledged_by: Mapped[str]
    closed_ms: Mapped[int | None] = mapped_column(BigInteger)
    closed_by: Mapped[str]
    finding: Mapped[str]
    last_seq: Mapped[int]
    told: Mapped[str]
    told_priority: Mapped[str]
    repeat_told_ms: Mapped[int | None] = mapped_column(BigInteger)
    held_outbox_id: Mapped[int | None]
    chain_from_ms: Mapped[int | None] = mapped_column(BigInteger)
    chain_step: Mapped[int] = mapped_column(server_default="0")
    root_message_id: Mapped[str]
    assignee: Mapped[str] = mapped_column(server_default="")
    on_site: Mapped[dict[str, Any] | None]
    stay_until_ms: Mapped[int | None] = mapped_column(BigInteger)
    reminded_ms: Mapped[int | None] = mapped_column(BigInteger)
    work_done_ms: Mapped[int | None] = mapped_column(BigInteger)
    work_done_by: Mapped[str] = mapped_column(server_default="")
    hand_back_from_ms: Mapped[int | None] = mapped_column(BigInteger)
    hand_back_ended_ms: Mapped[int | None] = mapped_column(BigInteger)
    hand_back: Mapped[dict[str, Any] | None]
    normal_ms: Mapped[int] = mapped_column(BigInteger, server_default="0")
    normal_to_ms: Mapped[int | None] = mapped_column(BigInteger)
    watch_ended_ms: Mapped[int | None] = mapped_column(BigInteger)
    verified_ms: Mapped[int | None] = mapped_column(BigInteger)

    __table_args__ = (
        UniqueConstraint("number"),
        # The database itself keeps the promise of one open ticket for one trouble.
        Index(
            "uq_tickets_one_open",
            "unit_row",
            "fault",
            unique=True,
            sqlite_where=text("state NOT IN ('closed', 'verified')"),
            postgresql_where=text("state NOT IN ('closed', 'verified')"),
        ),
        Index(None, "state", "updated_ms"),
        Index(None, "unit_row", "opened_ms"),
        Index(None, "opened_ms"),
        # The few that the data still have something to say about, among all there ever were.
        Index(None, "watch_ended_ms"),
    )


class TicketEventRecord(Base):
    """One line of a ticket's history."""

    __tablename__ = "ticket_events"

    ticket_id: Mapped[int] = mapped_column(ForeignKey("tickets.id"), primary_key=True)
    seq: Mapped[int] = mapped_column(primary_key=True)
    time_ms: Mapped[int] = mapped_column(BigInteger)
    recorded_ms: Mapped[int] = mapped_column(BigInteger)
    kind: Mapped[str]
    severity: Mapped[int]
    evidence: Mapped[dict[str, Any] | None]
    by: Mapped[str]
    note: Mapped[str]


class TicketFindingRecord(Base):
    """What was found at one part, and done; ``readings`` before and after, each with its unit.

    ``verdict`` is a :class:`rules.lessons.PartVerdict`, or '' where none was given.
    """

    __tablename__ = "ticket_findings"

    ticket_id: Mapped[int] = mapped_column(ForeignKey("tickets.id"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    time_ms: Mapped[int] = mapped_column(BigInteger)
    by: Mapped[str]
    part: Mapped[str]
    found: Mapped[str]
    done: Mapped[str]
    parts_used: Mapped[str]
    readings: Mapped[dict[str, Any] | None]
    verdict: Mapped[str] = mapped_column(server_default="")


class TicketAttachmentRecord(Base):
    """A photo or document of a ticket. It is kept and handed out, never opened here."""

    __tablename__ = "ticket_attachments"

    ticket_id: Mapped[int] = mapped_column(ForeignKey("tickets.id"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    time_ms: Mapped[int] = mapped_column(BigInteger)
    by: Mapped[str]
    name: Mapped[str]
    media_type: Mapped[str]
    size_bytes: Mapped[int]
    sha256: Mapped[str]
    content: Mapped[bytes] = mapped_column(LargeBinary)


class OutboxRecord(Base):
    """One message to be sent, or sent, about one event of one ticket.

    A mail that lists several tickets (:class:`OutboxListRecord`) has the gravest of them as
    ``ticket_id``, and as ``event_seq`` the mail's own id below zero, as no event has. So has a
    letter (:class:`OutboxLetterRecord`), which has no ticket.
    ``channel`` and ``state``: see :class:`gateway.records.rows.Channel` and ``OutboxState`` there.
    ``next_attempt_ms`` says when it is due. ``possibly_duplicate`` is set where the hand-over's
    result can never be known.
    """

    __tablename__ = "outbox"

    id: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    ticket_id: Mapped[int | None] = mapped_column(ForeignKey("tickets.id"))
    event_seq: Mapped[int]
    channel: Mapped[str] = mapped_column(server_default="mail")
    kind: Mapped[str]
    priority: Mapped[str]
    state: Mapped[str]
    message_id: Mapped[str]
    in_reply_to: Mapped[str]
    onset_ms: Mapped[int] = mapped_column(BigInteger)
    created_ms: Mapped[int] = mapped_column(BigInteger)
    date_ms: Mapped[int] = mapped_column(BigInteger)
    next_attempt_ms: Mapped[int] = mapped_column(BigInteger)
    attempts: Mapped[int]
    done_ms: Mapped[int | None] = mapped_column(BigInteger)
    last_reply: Mapped[str]
    possibly_duplicate: Mapped[bool]

    __table_args__ = (
        Index(None, "ticket_id", "event_seq"),
        UniqueConstraint("message_id"),
        Index(None, "state", "next_attempt_ms"),
    )


class OutboxRecipientRecord(Base):
    """One recipient of one message, and whether the server took it for him.

    ``email`` is the address, or the name of a webhook. ``settled_ms`` is when the server took or
    refused it. ``listed_in`` is the outbox id of the mail that told of this one while it waited.
    """

    __tablename__ = "outbox_recipients"

    outbox_id: Mapped[int] = mapped_column(ForeignKey("outbox.id"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    role: Mapped[str]
    name: Mapped[str]
    email: Mapped[str]
    state: Mapped[str]
    reply: Mapped[str]
    settled_ms: Mapped[int | None] = mapped_column(BigInteger)
    listed_in: Mapped[int | None]

    __table_args__ = (Index(None, "settled_ms"), Index(None, "state", "email"))


class OutboxAttemptRecord(Base):
    """One attempt to send a mail: how far it got and what the server said."""

    __tablename__ = "outbox_attempts"

    outbox_id: Mapped[int] = mapped_column(ForeignKey("outbox.id"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)
    started_ms: Mapped[int] = mapped_column(BigInteger)
    ended_ms: Mapped[int | None] = mapped_column(BigInteger)
    outcome: Mapped[str]
    reply: Mapped[str]


class OutboxListRecord(Base):
    """What a mail lists (:class:`gateway.digests.listing.Listing`), as it was when it was made."""

    __tablename__ = "outbox_lists"

    outbox_id: Mapped[int] = mapped_column(ForeignKey("outbox.id"), primary_key=True)
    listing: Mapped[dict[str, Any]]


class OutboxLetterRecord(Base):
    """A mail about no ticket (:class:`gateway.mail.letter.Letter`), as it was written."""

    __tablename__ = "outbox_letters"

    outbox_id: Mapped[int] = mapped_column(ForeignKey("outbox.id"), primary_key=True)
    subject: Mapped[str]
    text: Mapped[str]
    html: Mapped[str]


class OutboxLetterFileRecord(Base):
    """A file in such a mail; one with a ``cid`` is shown within its page."""

    __tablename__ = "outbox_letter_files"

    outbox_id: Mapped[int] = mapped_column(ForeignKey("outbox.id"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    media_type: Mapped[str]
    cid: Mapped[str]
    content: Mapped[bytes] = mapped_column(LargeBinary)


class TeamListRecord(Base):
    """When a team's digest or hand-over was last made: none is lost by a restart, none repeated."""

    __tablename__ = "team_lists"

    team: Mapped[str] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(primary_key=True)
    made_ms: Mapped[int] = mapped_column(BigInteger)


class QuarantineRecord(Base):
    """How often something was refused on one UTC day, with the latest example."""

    __tablename__ = "quarantine"

    day: Mapped[str] = mapped_column(primary_key=True)
    reason: Mapped[str] = mapped_column(primary_key=True)
    site: Mapped[str] = mapped_column(primary_key=True)
    unit: Mapped[str] = mapped_column(primary_key=True)
    topic: Mapped[str] = mapped_column(primary_key=True)
    count: Mapped[int] = mapped_column(BigInteger)
    first_ms: Mapped[int] = mapped_column(BigInteger)
    last_ms: Mapped[int] = mapped_column(BigInteger)
    detail: Mapped[str]
    excerpt: Mapped[str]


class LateFramesRecord(Base):
    """How many frames of a unit, measured on one UTC day, came too late to be judged."""

    __tablename__ = "late_frames"

    day: Mapped[str] = mapped_column(primary_key=True)
    unit_row: Mapped[int] = mapped_column(ForeignKey("units.row"), primary_key=True)
    count: Mapped[int] = mapped_column(BigInteger)


class BaselineRecord(Base):
    """What is normal for one quantity of one unit in one mode, as learned last."""

    __tablename__ = "baselines"

    unit_row: Mapped[int] = mapped_column(ForeignKey("units.row"), primary_key=True)
    quantity: Mapped[str] = mapped_column(primary_key=True)
    mode: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[float | None]
    spread: Mapped[float | None]
    count: Mapped[int]
    measure: Mapped[str]
    time_ms: Mapped[int] = mapped_column(BigInteger)


class BaselineHistoryRecord(Base):
    """Every baseline that was ever learned or reset."""

    __tablename__ = "baseline_history"

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    unit_row: Mapped[int] = mapped_column(ForeignKey("units.row"))
    quantity: Mapped[str]
    mode: Mapped[str]
    value: Mapped[float | None]
    spread: Mapped[float | None]
    count: Mapped[int]
    measure: Mapped[str]
    time_ms: Mapped[int] = mapped_column(BigInteger)
    recorded_ms: Mapped[int] = mapped_column(BigInteger)

    __table_args__ = (
        Index(None, "unit_row", "quantity", "time_ms"),
        {"sqlite_autoincrement": True},
    )


class ActionRecord(Base):
    """What a person asked for, from the request until the rules have applied it.

    ``ticket`` is the number of the one whose life asked for it (somebody came, or left, for it), ''
    where a person asked by himself.
    """

    __tablename__ = "actions"

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    kind: Mapped[str]
    unit_row: Mapped[int] = mapped_column(ForeignKey("units.row"))
    fault: Mapped[str]
    requested_ms: Mapped[int] = mapped_column(BigInteger)
    until_ms: Mapped[int] = mapped_column(BigInteger)
    by: Mapped[str]
    note: Mapped[str]
    parts: Mapped[str] = mapped_column(server_default="")
    ticket: Mapped[str] = mapped_column(server_default="")
    state: Mapped[str]
    journal_offset: Mapped[int | None] = mapped_column(BigInteger)
    applied_ms: Mapped[int | None] = mapped_column(BigInteger)

    __table_args__ = (Index(None, "state"), {"sqlite_autoincrement": True})
