"""What the hour's allowance needs of the records: who got how much, and what waits.

All in a few statements, however many messages wait. What the allowance is and promises is written
in :mod:`gateway.mail.allowance`.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final, NamedTuple

from sqlalchemy import ColumnElement, Connection, case, func, insert, select, update

from gateway.records.models import OutboxRecipientRecord as Recipients
from gateway.records.models import OutboxRecord as Outbox
from gateway.records.rows import Channel, DeliveryState, OutboxState
from gateway.records.session import Database

__all__ = ["WAITS_FOR_ALLOWANCE", "AllowanceStore", "Delivered"]

WAITS_FOR_ALLOWANCE: Final = "Waits: at most"
"""How the reply of a message begins that was put off."""

_LIMITED: Final = (Channel.MAIL.value, Channel.TEXT.value)
_WAITING: Final = (OutboxState.PENDING.value, OutboxState.HELD.value)


class Delivered(NamedTuple):
    """A message that a server took for an address."""

    address: str
    is_high: bool
    time_ms: int


class AllowanceStore:
    """Counts deliveries, puts waiting messages off, and writes the mails that list them."""

    def __init__(self, database: Database) -> None:
        """Work on these records."""
        self._database = database

    def delivered_since(self, since_ms: int) -> list[Delivered]:
        """What was delivered of the limited channels after a moment, oldest first."""
        query = (
            select(Recipients.email, Outbox.priority, Recipients.settled_ms)
            .join(Outbox, Outbox.id == Recipients.outbox_id)
            .where(
                Recipients.settled_ms > since_ms,
                Recipients.state == DeliveryState.ACCEPTED.value,
                Outbox.channel.in_(_LIMITED),
            )
            .order_by(Recipients.settled_ms)
        )
        with self._database.read() as connection:
            return [Delivered(r[0], r[1] == "high", r[2] or 0) for r in connection.execute(query)]

    def put_off(
        self,
        addresses: Collection[str],
        *,
        is_high: bool,
        now_ms: int,
        until_ms: int,
        longest_ms: int,
        per_hour: int,
    ) -> int:
        """Let due messages wait that have no other recipient left; how many there were.

        No message waits longer than ``longest_ms`` for anything but its own date.
        """
        left = select(Recipients.outbox_id).where(
            Recipients.outbox_id == Outbox.id, Recipients.state == DeliveryState.PENDING.value
        )
        with self._database.write() as connection:
            done = connection.execute(
                update(Outbox)
                .where(
                    Outbox.channel.in_(_LIMITED),
                    Outbox.state.in_(_WAITING),
                    # As the outbox sees it: far ahead is a time of a clock that was wrong.
                    (Outbox.next_attempt_ms <= now_ms)
                    | (
                        (Outbox.state == OutboxState.PENDING.value)
                        & (Outbox.next_attempt_ms > now_ms + longest_ms)
                    ),
                    _of(is_high),
                    left.where(Recipients.email.in_(addresses)).exists(),
                    ~left.where(Recipients.email.not_in(addresses)).exists(),
                )
                .values(
                    next_attempt_ms=until_ms,
                    last_reply=f"{WAITS_FOR_ALLOWANCE} {per_hour} messages an hour to one address.",
                )
                .execution_options(synchronize_session=False)
            )
        return done.rowcount

    def write_list(self, address: str, *, is_high: bool, now_ms: int, domain: str) -> bool:
        """Write a mail to an address that lists its waiting mails; False where all were listed.

        High priority and the others have a list each. ``domain`` ends its Message-ID.
        """
        waiting = (
            (Outbox.channel == Channel.MAIL.value)
            & Outbox.state.in_(_WAITING)
            # What waits for people's hours is not told of before.
            & (Outbox.date_ms <= now_ms)
            & _of(is_high)
        )
        unlisted = (
            Recipients.email == address,
            Recipients.state == DeliveryState.PENDING.value,
            Recipients.listed_in.is_(None),
        )
        with self._database.write() as connection:
            rank = case({"high": 0, "medium": 1}, value=Outbox.priority, else_=2)
            first = connection.execute(
                select(
                    Outbox.ticket_id, Outbox.event_seq, Outbox.kind, Outbox.priority,
                    Outbox.onset_ms, Recipients.name,
                )
                .select_from(Outbox)
                .join(Recipients, Recipients.outbox_id == Outbox.id)
                .where(waiting, *unlisted)
                .order_by(rank, Outbox.id)
                .limit(1)
            ).first()  # fmt: skip
            if first is None:
                return False
            outbox_id = _next_id(connection)
            connection.execute(
                insert(Outbox).values(
                    id=outbox_id,
                    ticket_id=first.ticket_id,
                    event_seq=first.event_seq,
                    channel=Channel.LIST.value,
                    kind=first.kind,
                    priority=first.priority,
                    state=OutboxState.PENDING.value,
                    message_id=f"<list.{outbox_id}.{domain}>",
                    in_reply_to="",
                    onset_ms=first.onset_ms,
                    created_ms=now_ms,
                    date_ms=now_ms,
                    next_attempt_ms=now_ms,
                    attempts=0,
                    last_reply="",
                    possibly_duplicate=False,
                )
            )
            connection.execute(
                insert(Recipients).values(
                    outbox_id=outbox_id,
                    position=0,
                    role="to",
                    name=first.name,
                    email=address,
                    state=DeliveryState.PENDING.value,
                    reply="",
                )
            )
            connection.execute(
                update(Recipients)
                .where(*unlisted, Recipients.outbox_id.in_(select(Outbox.id).where(waiting)))
                .values(listed_in=outbox_id)
                .execution_options(synchronize_session=False)
            )
        return True


def _of(is_high: bool) -> ColumnElement[bool]:
    return Outbox.priority == "high" if is_high else Outbox.priority != "high"


def _next_id(connection: Connection) -> int:
    return 1 + (connection.scalar(select(func.max(Outbox.id))) or 0)
