"""The short text of a ticket: what, where, its number, and to lock out first, in 160 characters.

It goes by mail to an address that turns it into a text on a telephone. Plain text only, and no
subject, which some of these put in front of the text. Priority, site, unit, fault, number and the
reminder always stand in it whole: names that are too long give way to the shorter ids.
"""

from __future__ import annotations

from collections.abc import Iterator
from email.message import EmailMessage
from itertools import product
from typing import Final

from gateway.channels.gsm import LONGEST_SEPTETS, septets, transliterated
from gateway.tickets.notice import NoticeKind, TicketNotice
from gateway.tickets.ticket import Ticket

__all__ = ["LOCK_OUT", "short_text", "short_text_mail"]

LOCK_OUT: Final = "LOCK OUT BEFORE WORK"

_WORD: Final = {
    NoticeKind.WORSENED: "WORSE",
    NoticeKind.REPEATED: "BACK AGAIN",
    NoticeKind.REMINDED: "STILL THERE",
    NoticeKind.ESCALATED: "NO ANSWER YET",
    NoticeKind.RETURNED: "READINGS NORMAL",
    NoticeKind.PASSED: "CAME AND WENT",
    NoticeKind.REOPENED: "REOPENED",
    NoticeKind.OVERSTAYED: "STILL OUT OF SERVICE",
    NoticeKind.NOT_PROVEN: "HAND-BACK NOT PROVEN",
}
_GAP: Final = ".."
_LEAST: Final = 12


def short_text(ticket: Ticket, notice: TicketNotice) -> str:
    """The text, at most 160 septets of the GSM alphabet.

    Only where the ids themselves are too long (site and unit above some ninety characters) is
    something cut: the middle of the longer of them, with '..' to show it.
    """
    number = transliterated(ticket.number)[:40]
    names = (
        _forms(ticket.site_name, notice.site_id),
        _forms(ticket.unit_name, notice.unit_id),
        _forms(ticket.title, notice.fault),
    )
    text = ""
    # All names first, then ids: of the unit, of the fault, of the site, in any mixture that fits.
    for site, fault, unit in product(names[0], names[2], names[1]):
        text = _line(ticket.priority, site, unit, fault, number)
        if septets(text) <= LONGEST_SEPTETS:
            break
    else:
        text = _cut(ticket.priority, [n[-1] for n in names], number)
    for extra in (_WORD.get(ticket.kind, ""), f"Respond {transliterated(ticket.respond)}"):
        longer = f"{text}. {extra}" if extra else text
        if septets(longer) <= LONGEST_SEPTETS:
            text = longer
    return text


def short_text_mail(ticket: Ticket, notice: TicketNotice) -> EmailMessage:
    """The mail that becomes the text; addresses and identifiers are the outbox's."""
    text = short_text(ticket, notice)
    mail = EmailMessage()
    if text.isascii():
        mail.set_content(text + "\n", charset="us-ascii", cte="7bit")
    else:
        mail.set_content(text + "\n", charset="utf-8", cte="quoted-printable")
    return mail


def _forms(name: str, identifier: str) -> tuple[str, ...]:
    """The name, and the id where it is shorter, or the name cannot be written in this alphabet."""
    written, short = transliterated(name), transliterated(identifier)
    if "?" in written and "?" not in name and short:
        return (short,)
    return (written, short) if short and septets(short) < septets(written) else (written,)


def _line(priority: str, site: str, unit: str, fault: str, number: str) -> str:
    place = f"{site} / {unit}" if unit else site
    return f"{priority} {place}: {fault} {number} {LOCK_OUT}"


def _cut(priority: str, parts: list[str], number: str) -> str:
    """The line with the middle of the longest parts left out until it fits."""
    for _ in range(sum(map(len, parts))):
        site, unit, fault = parts
        text = _line(priority, site, unit, fault, number)
        if septets(text) <= LONGEST_SEPTETS:
            return text
        longest = max(range(len(parts)), key=lambda i: septets(parts[i]))
        parts[longest] = "".join(_shortened(parts[longest]))
    msg = f"ticket {number}: no short text can be made; its number is too long"
    raise ValueError(msg)


def _shortened(part: str) -> Iterator[str]:
    """The part without one more character of its middle."""
    head, _gap, tail = part.partition(_GAP)
    if not _gap:
        middle = len(part) // 2
        head, tail = part[:middle], part[middle:]
    if len(head) + len(tail) > _LEAST:
        head, tail = (head[:-1], tail) if len(head) >= len(tail) else (head, tail[1:])
    yield head
    yield _GAP
    yield tail
