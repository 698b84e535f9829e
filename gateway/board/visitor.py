"""Who looks at a page, and what they may do.

A page asks for a :class:`Role`; where the visitor came from (a session, a token, a proxy in front)
is no concern of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from gateway.accounts.actors import How

__all__ = ["Role", "Visitor"]


class Role(StrEnum):
    """What an account may do. None contains another, but for ``ADMINISTER``, which holds all."""

    VIEW = "view"
    OPERATE = "operate"
    PLAN = "plan"
    ADMINISTER = "administer"


@dataclass(frozen=True)
class Visitor:
    """A person (or a program with a token) who has been recognised.

    ``name`` is what records and pages say. ``form_token`` must stand in each form as the hidden
    field ``form_token``; a POST without it is refused before any page sees it. ``is_demo`` says
    that nobody has signed in: the demonstration lets everybody in, and its pages say so.
    ``account`` and ``how`` are for the audit trail: the name to sign in with, and how the visitor
    was recognised. ``token`` is the number of the token that a program shows, 0 without one, and
    ``token_purpose`` what that is for.
    """

    name: str
    roles: frozenset[Role]
    form_token: str = ""
    is_demo: bool = False
    account: str = ""
    how: How = How.SESSION
    token: int = 0
    token_purpose: str = ""

    def may(self, role: Role) -> bool:
        """Whether the visitor has this role, or holds all."""
        return role in self.roles or Role.ADMINISTER in self.roles
