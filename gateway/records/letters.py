"""Letters in the outbox: written whole, in the caller's transaction, read back as they were.

Whoever writes one notes in the same transaction that it is written, so that none is lost by a
crash and none repeated. What a letter is: :mod:`gateway.mail.letter`.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection, func, insert, or_, select

from gateway.mail.letter import Letter, LetterFile
from gateway.records.models import OutboxLetterFileRecord as Files
from gateway.records.models import OutboxLetterRecord as Letters
from gateway.records.models import OutboxRecipientRecord as Recipients
from gateway.records.models import OutboxRecord as Outbox
from gateway.records.postmark import Postmark
from gateway.records.rows import Channel, DeliveryState, OutboxState
from gateway.tickets.notice import NoticeKind, Recipient

__all__ = ["letter_of", "recipients_about", "write_letter"]


def write_letter(
    connection: Connection,
    letter: Letter,
    to: Sequence[Recipient],
    *,
    now_ms: int,
    postmark: Postmark,
    word: str = "letter",
    in_reply_to: str = "",
) -> int:
    """Put a letter in the outbox, one mail to all of ``to``; its id there.

    ``word`` begins its Message-ID (letters, digits and hyphens), which is the postmark's of word
    and id; ``in_reply_to`` is that of the letter which this one follows. With nobody in ``to`` it
    is kept as unaddressed, and shown among what nobody got.
    """
    outbox_id = 1 + (connection.scalar(select(func.max(Outbox.id))) or 0)
    once: dict[str, Recipient] = {}
    for person in to:
        once.setdefault(person.email.lower(), person)
    people = list(once.values())
    state = OutboxState.PENDING if people else OutboxState.UNADDRESSED
    connection.execute(
        insert(Outbox).values(
            id=outbox_id,
            ticket_id=None,
            event_seq=-outbox_id,
            channel=Channel.LETTER.value,
            kind=NoticeKind.LETTER.value,
            priority="low",
            state=state.value,
            message_id=postmark.message_id(word, outbox_id),
            in_reply_to=in_reply_to,
            onset_ms=now_ms,
            created_ms=now_ms,
            date_ms=now_ms,
            next_attempt_ms=now_ms,
            attempts=0,
            done_ms=None if people else now_ms,
            last_reply="",
            possibly_duplicate=False,
        )
    )
    if people:
        connection.execute(
            insert(Recipients),
            [
                {
                    "outbox_id": outbox_id, "position": position, "role": "to",
                    "name": person.name, "email": person.email,
                    "state": DeliveryState.PENDING.value, "reply": "",
                }
                for position, person in enumerate(people)
            ],
        )  # fmt: skip
    connection.execute(
        insert(Letters).values(
            outbox_id=outbox_id, subject=letter.subject, text=letter.text, html=letter.html
        )
    )
    if letter.files:
        connection.execute(
            insert(Files),
            [
                {"outbox_id": outbox_id, "position": position, **vars(file)}
                for position, file in enumerate(letter.files)
            ],
        )
    return outbox_id


def recipients_about(connection: Connection, message_id: str) -> tuple[Recipient, ...]:
    """Who got the letter of that Message-ID, or one that follows it; each address once."""
    if not message_id:
        return ()
    found = connection.execute(
        select(Recipients.name, Recipients.email)
        .join(Outbox, Outbox.id == Recipients.outbox_id)
        .where(or_(Outbox.message_id == message_id, Outbox.in_reply_to == message_id))
        .order_by(Recipients.outbox_id, Recipients.position)
    )
    once: dict[str, Recipient] = {}
    for row in found:
        once.setdefault(row.email.lower(), Recipient(row.name, row.email))
    return tuple(once.values())


def letter_of(connection: Connection, outbox_id: int) -> Letter:
    """The letter with that id."""
    row = connection.execute(
        select(Letters.subject, Letters.text, Letters.html).where(Letters.outbox_id == outbox_id)
    ).one()
    files = connection.execute(
        select(Files.name, Files.media_type, Files.content, Files.cid)
        .where(Files.outbox_id == outbox_id)
        .order_by(Files.position)
    )
    return Letter(
        row.subject,
        row.text,
        row.html,
        tuple(LetterFile(f.name, f.media_type, f.content, f.cid) for f in files),
    )
