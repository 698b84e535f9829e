"""Links for mails: signed, expiring, each good for one act on one ticket by those one mail went to.

Pure: the key and the time are arguments. A link's last part looks like

    BW-000123-4-h8s2k-p5v2...

that is ticket, number of the ticket event that the mail tells of, end (minutes since 1970 UTC in
base 36) and seal. The seal is HMAC-SHA256 (RFC 2104, FIPS 198-1) over these, the act and the id of
the records, cut to its leftmost 128 bits: half the hash is the least that RFC 2104, section 5,
recommends. It is written in lower-case base 32 (RFC 4648, section 6): no letter of it would be
taken by a mail program for the end of a link, or broken at, or need quoting.

The ticket event names the mail, and through the records its recipients. So the link names a closed
circle of people and not one of them; who of them it is, the page asks. One mail goes to several
recipients and has the same bytes at each attempt, however many of them were served before: a link
for each person would need a mail for each.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from base64 import b32encode
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

__all__ = ["SHORTEST_KEY", "Act", "BadLink", "ExpiredLink", "Link", "Signer"]

SHORTEST_KEY: Final = 32
"""Bytes: as long as the hash's output, the least that RFC 2104, section 3, recommends."""

_MINUTE_MS: Final = 60_000
_SEAL_BYTES: Final = 16
_DIGITS: Final = "0123456789abcdefghijklmnopqrstuvwxyz"
_NUMBER: Final = re.compile(r"[A-Z]{2}-[0-9]{6,12}")
_LINK: Final = re.compile(
    rf"(?P<ticket>{_NUMBER.pattern})-(?P<event>[0-9]{{1,9}})-(?P<end>[0-9a-z]{{1,8}})-[a-z2-7]{{26}}"
)
_LATEST_MIN: Final = 36**8 - 1


class Act(StrEnum):
    """What a link is for."""

    ACKNOWLEDGE = "acknowledge"


class BadLink(Exception):
    """The link is not one that was made here for this act."""


class ExpiredLink(Exception):
    """The link was made here, and its time is over; ``link`` says for what it was."""

    def __init__(self, link: Link) -> None:
        super().__init__(f"the link for ticket {link.ticket} has expired")
        self.link = link


@dataclass(frozen=True)
class Link:
    """What a link says: the act, the ticket's number, the mail's ticket event, and its end.

    ``expires_min`` is in minutes since 1970 UTC.
    """

    act: Act
    ticket: str
    event_seq: int
    expires_min: int

    @property
    def expires_ms(self) -> int:
        """The end [ms since 1970, UTC]."""
        return self.expires_min * _MINUTE_MS


class Signer:
    """Signs and reads the links of one set of records, whose id is ``installation``.

    The id is sealed too: restored records get another one, and may give a number of a lost ticket
    to another; a link to the lost one must not open that.
    """

    def __init__(self, key: bytes, installation: str) -> None:
        """Use a key of :data:`SHORTEST_KEY` bytes or more; ValueError where it is shorter."""
        if len(key) < SHORTEST_KEY:
            msg = f"the key has {len(key)} bytes; at least {SHORTEST_KEY} are needed"
            raise ValueError(msg)
        self._key = key
        self._installation = installation

    def sign(self, act: Act, ticket: str, event_seq: int, made_ms: int, hours: int) -> str:
        """The link's last part, good from now until ``hours`` after ``made_ms``.

        The same arguments give the same text. Empty where a link cannot say this: a number that is
        no ticket's, a time outside the years that a link can name.
        """
        expires_min = -(-(made_ms + hours * 3_600_000) // _MINUTE_MS)
        possible = 0 <= event_seq < 10**9 and 0 < expires_min <= _LATEST_MIN
        if not possible or not _NUMBER.fullmatch(ticket):
            return ""
        return self._written(Link(act, ticket, event_seq, expires_min))

    def read(self, text: str, act: Act, now_ms: int) -> Link:
        """What the link says; raises :class:`BadLink` or :class:`ExpiredLink`."""
        match = _LINK.fullmatch(text)
        if match is None:
            raise BadLink
        link = Link(act, match["ticket"], int(match["event"]), int(match["end"], 36))
        # The whole text is compared, so there is one way to write a link and no other is taken.
        if not hmac.compare_digest(self._written(link), text):
            raise BadLink
        if now_ms >= link.expires_ms:
            raise ExpiredLink(link)
        return link

    def form_seal(self, link: str, seen: str) -> str:
        """What a page's form carries: that it is of this link's page, which showed ``seen``."""
        return self._seal("form", link, seen)

    def is_form_seal(self, seal: str, link: str, seen: str) -> bool:
        """Whether ``seal`` is that of :meth:`form_seal`."""
        return hmac.compare_digest(self.form_seal(link, seen).encode(), seal.encode())

    def _written(self, link: Link) -> str:
        end = _base36(link.expires_min)
        seal = self._seal(link.act, link.ticket, str(link.event_seq), end)
        return f"{link.ticket}-{link.event_seq}-{end}-{seal}"

    def _seal(self, *parts: str) -> str:
        sealed = ("basinward link 1", self._installation, *parts)
        # Parts are told apart by a byte that UTF-8 does not have.
        message = b"\xff".join(part.encode() for part in sealed)
        digest = hmac.new(self._key, message, hashlib.sha256).digest()
        return b32encode(digest[:_SEAL_BYTES]).decode().rstrip("=").lower()


def _base36(number: int) -> str:
    digits = []
    while number:
        number, digit = divmod(number, 36)
        digits.append(_DIGITS[digit])
    return "".join(reversed(digits)) or "0"
