"""Who does something, and how he was recognised."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Actor", "How"]


class How(StrEnum):
    """How somebody was recognised."""

    SESSION = "session"
    """Signed in with a password."""
    TOKEN = "token"  # noqa: S105 - a word of the trail
    """A program with a token."""
    PROXY = "proxy"
    """Named by a header of a reverse proxy."""
    LINK = "link"
    """By the link in a ticket's mail; he said himself who of its recipients he is."""
    COMMAND = "command"
    """A user of the gateway's machine, at its command line."""
    DEMONSTRATION = "demonstration"
    """Not at all: the demonstration lets everybody in."""


@dataclass(frozen=True)
class Actor:
    """Who acts. ``account`` is the sign-in name, ``shown_name`` what records say.

    ``address`` is where the request came from, '' for a command. ``token`` names what a program
    showed: the token's number and what it is for, '' for people; never the token itself.
    """

    account: str
    shown_name: str
    how: How
    address: str = ""
    token: str = ""
