"""The outbox rows beside a notice's mail: a short text to each who wants one, and webhook calls.

Each is a message of its own, with a state and attempts of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from gateway.records.rows import Channel, DeliveryState, OutboxState
from gateway.tickets.desk import Tell
from gateway.tickets.notice import NoticeKind, Recipient

__all__ = ["Row", "channel_rows"]

Row = tuple[dict[str, Any], dict[str, Any]]
"""The values of a message and of its one recipient."""

_OVER: Final = frozenset({NoticeKind.RETURNED, NoticeKind.PASSED})


def channel_rows(
    mail: Mapping[str, Any], notice: Tell, first_id: int, *, is_held: bool
) -> Iterator[Row]:
    """What goes out beside the mail with these values; ids from ``first_id`` on.

    A text goes to those whom the mail is for, not to those in copy, at the priorities they name,
    and not where the trouble is over: nobody is to be woken by that.
    """
    waits = OutboxState.HELD if is_held else OutboxState.PENDING
    to: list[tuple[Channel, Recipient]] = [
        (Channel.TEXT, Recipient(person.name, person.text_address))
        for person in notice.to
        if person.text_address
        and mail["priority"] in person.text_priorities
        and notice.kind not in _OVER
    ]
    to += [(Channel.WEBHOOK, Recipient("webhook", name)) for name in notice.webhooks]
    for position, (channel, recipient) in enumerate(to):
        head, at, tail = mail["message_id"].partition("@")
        message = {
            **mail,
            "id": first_id + position,
            "channel": channel.value,
            "state": waits.value,
            "message_id": f"{head}.{channel.value}{position + 1}{at}{tail}",
            "in_reply_to": "",
            "done_ms": None,
            "last_reply": "",
        }
        yield (
            message,
            {
                "outbox_id": first_id + position,
                "position": 0,
                "role": "to",
                "name": recipient.name,
                "email": recipient.email,
                "state": DeliveryState.PENDING.value,
                "reply": "",
            },
        )
