"""Settings of the board: where it answers, and what its links in mails are made of."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

__all__ = ["DEFAULT_LINK_HOURS", "DEFAULT_PORT", "BoardSettings"]

DEFAULT_PORT: Final = 8494
"""Means nothing; the next after the gateway's own."""

DEFAULT_LINK_HOURS: Final = 72
"""A ticket that came before a long weekend can still be answered after it (common practice)."""


@dataclass(frozen=True)
class BoardSettings:
    """Where the board answers, and how its links are made.

    It listens at ``address`` and ``port``. ``public_url`` is how people's browsers reach it, such
    as ``https://board.my-company.example``, without a slash at the end; while it is empty, mails
    carry no link. A link holds for ``link_hours`` after its mail's date. ``secret`` signs the
    links; while it is empty, a key in the data directory does.

    Who has signed in must do so again after ``session_idle_minutes`` without a request, and after
    ``session_hours`` in any case (a shift, and a day; NIST SP 800-63B-4, section 2.1.3, asks for 30
    days at most). Where ``sign_on_header`` is given, a reverse proxy at one of the addresses
    ``sign_on_from`` names the visitor in that header.
    """

    address: str = "127.0.0.1"
    port: int = DEFAULT_PORT
    public_url: str = ""
    link_hours: int = DEFAULT_LINK_HOURS
    secret: str = field(default="", repr=False)
    session_idle_minutes: int = 480
    session_hours: int = 24
    sign_on_header: str = ""
    sign_on_from: tuple[str, ...] = ()
