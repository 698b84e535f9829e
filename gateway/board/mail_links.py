"""The link that a ticket's mail carries to the board.

It follows from the notice, the key and the settings alone, so a mail that is made again is the same
to the last byte.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from gateway.board.key import signer_of
from gateway.board.links import Act, Signer
from gateway.board.settings import BoardSettings
from gateway.tickets.notice import NoticeKind, TicketNotice

__all__ = ["MailLinks", "mail_links"]

_NO_ANSWER: Final = frozenset(
    {NoticeKind.RETURNED, NoticeKind.PASSED, NoticeKind.OVERSTAYED, NoticeKind.NOT_PROVEN}
)


class MailLinks:
    """The link that a notice's mail carries: ``links(notice)``, empty where it carries none."""

    def __init__(self, signer: Signer, public_url: str, hours: int) -> None:
        """Links to the board at ``public_url``, good for ``hours``."""
        self._signer = signer
        self._public_url = public_url
        self._hours = hours

    def __call__(self, notice: TicketNotice) -> str:
        """The address of the page; empty where nothing is to be acknowledged.

        That is so where it is over, and where somebody is at the machine.
        """
        if notice.kind in _NO_ANSWER:
            return ""
        link = self._signer.sign(
            Act.ACKNOWLEDGE, notice.number, notice.event_seq, notice.date_ms, self._hours
        )
        return f"{self._public_url}/ack/{link}" if link else ""


def mail_links(settings: BoardSettings, data_dir: Path, installation: str) -> MailLinks | None:
    """What makes the links of mails; None where fleet.toml does not say how the board is reached.

    Raises OSError where the key's file cannot be read or made.
    """
    if not settings.public_url:
        return None
    signer = signer_of(settings, data_dir, installation)
    return MailLinks(signer, settings.public_url, settings.link_hours)
