"""The outbox in the records: claiming a message, noting how far it got, settling its fate.

Every step is a transaction of its own, so that after a crash the records tell how far a mail got.
What the phases mean and promise is written in :mod:`gateway.mail.outbox`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple, cast

from sqlalchemy import Connection, Table, case, func, insert, select, update

from gateway.digests.listing import Listing
from gateway.mail.letter import Letter
from gateway.records.letters import letter_of
from gateway.records.models import OutboxAttemptRecord as Attempts
from gateway.records.models import OutboxListRecord as Lists
from gateway.records.models import OutboxRecipientRecord as Recipients
from gateway.records.models import OutboxRecord as Outbox
from gateway.records.models import TicketRecord as Tickets
from gateway.records.models import UnitRecord as Units
from gateway.records.queries import ticket_entries
from gateway.records.rows import (
    AttemptOutcome,
    Channel,
    DeliveryState,
    OutboxState,
)
from gateway.records.session import Database
from gateway.tickets.notice import NoticeKind, Priority, Recipient, TicketEntry

__all__ = ["Due", "Listed", "OutboxStore", "Parcel", "Settlement"]

_WAITING: Final = (OutboxState.PENDING.value, OutboxState.HELD.value)
_UNDER_WAY: Final = (OutboxState.SENDING.value, OutboxState.HANDING_OVER.value)
_REPLY_LIMIT: Final = 500
_LISTED_LIMIT: Final = 200
_BY_GRAVITY: Final = {"high": 0, "medium": 1}


class Due(NamedTuple):
    """A message that is due, and the addresses that it has not been settled for."""

    id: int
    channel: Channel
    priority: Priority
    addresses: tuple[str, ...]


class Listed(NamedTuple):
    """A ticket whose own mail waits."""

    ticket: str
    kind: NoticeKind
    priority: Priority
    site: str
    unit: str
    fault: str
    onset_ms: int


@dataclass(frozen=True)
class Parcel:
    """A claimed message with all that its notice needs.

    A letter has no ticket, and its words are empty. ``remaining`` are the addresses to serve now.
    ``listed`` are the tickets of a mail that lists some, the gravest first, of which there are
    ``listed_count``.
    """

    id: int
    channel: Channel
    attempt: int
    """1 at the first attempt."""
    failures: int
    """Attempts before this one."""
    ticket: str
    kind: NoticeKind
    site: str
    unit: str
    fault: str
    priority: Priority
    onset_ms: int
    opened_ms: int
    event_seq: int
    message_id: str
    in_reply_to: str
    date_ms: int
    to: tuple[Recipient, ...]
    cc: tuple[Recipient, ...]
    remaining: tuple[str, ...]
    entries: tuple[TicketEntry, ...]
    listed: tuple[Listed, ...] = ()
    listed_count: int = 0
    listing: Listing | None = None
    letter: Letter | None = None


@dataclass(frozen=True)
class Settlement:
    """What became of an attempt. Replies are by address; an address in neither map stays pending.

    ``retry_ms`` says when the rest is tried again. ``unknown`` marks a hand-over whose reply was
    never seen.
    """

    outcome: AttemptOutcome
    reply: str
    retry_ms: int
    accepted: Mapping[str, str] = field(default_factory=dict)
    refused: Mapping[str, str] = field(default_factory=dict)
    deferred: Mapping[str, str] = field(default_factory=dict)
    unknown: bool = False


class OutboxStore:
    """The outbox's rows of some channels.

    One process at a time may send from the same records, and one thread by each channel.
    """

    def __init__(self, database: Database, channels: Sequence[Channel]) -> None:
        """Work on these records."""
        self._database = database
        self._ours = Outbox.channel.in_([c.value for c in channels])

    def recover(self, now_ms: int) -> int:
        """Put mails that a crash left under way back to pending; how many there were.

        Those in 'sending' were certainly not delivered. Those in 'handing over' may have been.
        """
        with self._database.write() as connection:
            rows = connection.execute(
                select(Outbox.id, Outbox.state, Outbox.attempts).where(
                    Outbox.state.in_(_UNDER_WAY), self._ours
                )
            ).all()
            for row in rows:
                unknown = row.state == OutboxState.HANDING_OVER.value
                outcome = AttemptOutcome.UNKNOWN if unknown else AttemptOutcome.INTERRUPTED
                _end_attempt(connection, (row.id, row.attempts), now_ms, outcome, "")
                values: dict[str, Any] = {"state": OutboxState.PENDING.value}
                if unknown:
                    values["possibly_duplicate"] = True
                connection.execute(update(Outbox).where(Outbox.id == row.id).values(**values))
        return len(rows)

    def due(self, now_ms: int, limit: int, longest_pause_ms: int = 2**60) -> list[Due]:
        """The messages that are due: higher priority first, then in the order written.

        A pending mail whose time lies further ahead than ``longest_pause_ms`` is due too: it was
        written when the clock was ahead, and must not wait until that time comes.
        """
        never = (Outbox.state == OutboxState.PENDING.value) & (
            Outbox.next_attempt_ms > now_ms + longest_pause_ms
        )
        rank = case(_BY_GRAVITY, value=Tickets.priority, else_=2)
        query = (
            select(Outbox.id, Outbox.channel, Outbox.priority)
            .outerjoin(Tickets, Tickets.id == Outbox.ticket_id)
            .where(
                self._ours,
                Outbox.state.in_(_WAITING),
                (Outbox.next_attempt_ms <= now_ms) | never,
            )
            .order_by(rank, Outbox.id)
            .limit(limit)
        )
        with self._database.read() as connection:
            rows = connection.execute(query).all()
            addresses: dict[int, list[str]] = {row.id: [] for row in rows}
            for outbox_id, email in connection.execute(
                select(Recipients.outbox_id, Recipients.email)
                .where(
                    Recipients.outbox_id.in_(list(addresses)),
                    Recipients.state == DeliveryState.PENDING.value,
                )
                .order_by(Recipients.outbox_id, Recipients.position)
            ):
                addresses[outbox_id].append(email)
        return [Due(r.id, Channel(r.channel), r.priority, tuple(addresses[r.id])) for r in rows]

    def next_due_ms(self) -> int | None:
        """When the next waiting message is due, None where none waits."""
        query = select(func.min(Outbox.next_attempt_ms)).where(
            Outbox.state.in_(_WAITING), self._ours
        )
        with self._database.read() as connection:
            return connection.scalar(query)

    def claim(
        self, outbox_id: int, now_ms: int, only: Collection[str] | None = None
    ) -> Parcel | None:
        """Take the message for sending, perhaps for some of its addresses ``only``.

        None where it was taken or withdrawn meanwhile.
        """
        with self._database.write() as connection:
            claimed = connection.execute(
                update(Outbox)
                .where(Outbox.id == outbox_id, Outbox.state.in_(_WAITING))
                .values(state=OutboxState.SENDING.value, attempts=Outbox.attempts + 1)
            )
            if not claimed.rowcount:
                return None
            parcel = _parcel(connection, outbox_id, only)
            connection.execute(
                insert(Attempts).values(
                    outbox_id=outbox_id,
                    number=parcel.attempt,
                    started_ms=now_ms,
                    outcome=AttemptOutcome.UNDER_WAY.value,
                    reply="",
                )
            )
        return parcel

    def handing_over(self, outbox_id: int) -> None:
        """The end of the message is about to be written."""
        with self._database.write() as connection:
            connection.execute(
                update(Outbox)
                .where(Outbox.id == outbox_id)
                .values(state=OutboxState.HANDING_OVER.value)
            )

    def note_delay(self, why: str, now_ms: int) -> None:
        """Write beside every mail that is due why it cannot be sent, for the board to show."""
        with self._database.write() as connection:
            connection.execute(
                update(Outbox)
                .where(
                    Outbox.state == OutboxState.PENDING.value,
                    Outbox.next_attempt_ms <= now_ms,
                    self._ours,
                )
                .values(last_reply=why[:_REPLY_LIMIT])
            )

    def postpone(self, address: str, now_ms: int, until_ms: int, why: str) -> None:
        """Let everything wait that is due for an address; beside each is written why."""
        to = select(Recipients.outbox_id).where(
            Recipients.email == address, Recipients.state == DeliveryState.PENDING.value
        )
        with self._database.write() as connection:
            connection.execute(
                update(Outbox)
                .where(
                    self._ours,
                    Outbox.state == OutboxState.PENDING.value,
                    Outbox.next_attempt_ms <= now_ms,
                    Outbox.id.in_(to),
                )
                .values(next_attempt_ms=until_ms, last_reply=why[:_REPLY_LIMIT])
            )

    def settle(self, parcel: Parcel, settlement: Settlement, now_ms: int) -> OutboxState:
        """Write down what became of the attempt; the mail's state after it."""
        with self._database.write() as connection:
            for state, replies in (
                (DeliveryState.ACCEPTED, settlement.accepted),
                (DeliveryState.REFUSED, settlement.refused),
                (DeliveryState.PENDING, settlement.deferred),
            ):
                for address, reply in replies.items():
                    connection.execute(
                        update(Recipients)
                        .where(
                            Recipients.outbox_id == parcel.id,
                            Recipients.email == address,
                            Recipients.state == DeliveryState.PENDING.value,
                        )
                        .values(
                            state=state.value,
                            reply=reply[:_REPLY_LIMIT],
                            settled_ms=None if state is DeliveryState.PENDING else now_ms,
                        )
                    )
            after = _state_by_deliveries(connection, parcel.id)
            _end_attempt(
                connection,
                (parcel.id, parcel.attempt),
                now_ms,
                settlement.outcome,
                settlement.reply,
            )
            values: dict[str, Any] = {
                "state": after.value,
                "last_reply": settlement.reply[:_REPLY_LIMIT],
                "next_attempt_ms": settlement.retry_ms,
                "done_ms": None if after is OutboxState.PENDING else now_ms,
            }
            if settlement.unknown:
                values["possibly_duplicate"] = True
            connection.execute(update(Outbox).where(Outbox.id == parcel.id).values(**values))
        return after


def _parcel(connection: Connection, outbox_id: int, only: Collection[str] | None) -> Parcel:
    table = cast("Table", Outbox.__table__)
    row = connection.execute(
        select(
            table,
            Tickets.number,
            Tickets.fault,
            Tickets.opened_ms,
            Units.site,
            Units.unit,
        )
        .outerjoin(Tickets, Tickets.id == table.c.ticket_id)
        .outerjoin(Units, Units.row == Tickets.unit_row)
        .where(table.c.id == outbox_id)
    ).one()
    people = connection.execute(
        select(Recipients.__table__)
        .where(Recipients.outbox_id == outbox_id)
        .order_by(Recipients.position)
    ).all()
    channel = Channel(row.channel)
    waiting = DeliveryState.PENDING.value
    listed: tuple[Listed, ...] = ()
    listed_count = 0
    if channel is Channel.LIST:
        listed, listed_count = _listed(connection, outbox_id)
    listing = connection.scalar(select(Lists.listing).where(Lists.outbox_id == outbox_id))
    return Parcel(
        id=outbox_id,
        channel=channel,
        attempt=row.attempts,
        failures=row.attempts - 1,
        ticket=row.number or "",
        kind=NoticeKind(row.kind),
        site=row.site or "",
        unit=row.unit or "",
        fault=row.fault or "",
        priority=row.priority,
        onset_ms=row.onset_ms,
        opened_ms=row.onset_ms if row.opened_ms is None else row.opened_ms,
        event_seq=row.event_seq,
        message_id=row.message_id,
        in_reply_to=row.in_reply_to,
        date_ms=row.date_ms,
        to=tuple(Recipient(p.name, p.email) for p in people if p.role == "to"),
        cc=tuple(Recipient(p.name, p.email) for p in people if p.role == "cc"),
        remaining=tuple(
            p.email for p in people if p.state == waiting and (only is None or p.email in only)
        ),
        entries=()
        if row.ticket_id is None
        else ticket_entries(connection, row.ticket_id, None if listing else row.event_seq),
        listed=listed,
        listed_count=listed_count,
        listing=Listing.from_json(listing) if listing else None,
        letter=letter_of(connection, outbox_id) if channel is Channel.LETTER else None,
    )


def _listed(connection: Connection, outbox_id: int) -> tuple[tuple[Listed, ...], int]:
    """What a mail lists, the gravest first, cut where it grows too long; and how many there are."""
    here = Recipients.listed_in == outbox_id
    count = connection.scalar(select(func.count()).where(here)) or 0
    rows = connection.execute(
        select(
            Tickets.number, Outbox.kind, Outbox.priority, Units.site, Units.unit, Tickets.fault,
            Outbox.onset_ms,
        )
        .select_from(Recipients)
        .join(Outbox, Outbox.id == Recipients.outbox_id)
        .join(Tickets, Tickets.id == Outbox.ticket_id)
        .join(Units, Units.row == Tickets.unit_row)
        .where(here)
        .order_by(case(_BY_GRAVITY, value=Outbox.priority, else_=2), Outbox.id)
        .limit(_LISTED_LIMIT)
    )  # fmt: skip
    return tuple(Listed._make((r[0], NoticeKind(r[1]), *r[2:])) for r in rows), count


def _state_by_deliveries(connection: Connection, outbox_id: int) -> OutboxState:
    states = set(
        connection.scalars(select(Recipients.state).where(Recipients.outbox_id == outbox_id))
    )
    if DeliveryState.PENDING.value in states:
        return OutboxState.PENDING
    return OutboxState.ACCEPTED if DeliveryState.ACCEPTED.value in states else OutboxState.REFUSED


def _end_attempt(
    connection: Connection,
    attempt: tuple[int, int],
    now_ms: int,
    outcome: AttemptOutcome,
    reply: str,
) -> None:
    outbox_id, number = attempt
    connection.execute(
        update(Attempts)
        .where(Attempts.outbox_id == outbox_id, Attempts.number == number)
        .values(ended_ms=now_ms, outcome=outcome.value, reply=reply[:_REPLY_LIMIT])
    )
