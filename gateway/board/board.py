"""What the pages of one board work on, handed to each of its parts."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field

from fastapi import Request

from gateway.board.doors import Doorkeeper, NobodyKnown, actor_of
from gateway.board.house import House
from gateway.board.limits import AtOnceLimit, BadLinkLimit, RequestLimit
from gateway.board.links import Signer
from gateway.board.page import Pages
from gateway.records.audit import Acting
from gateway.records.records import Records

__all__ = ["Board"]


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


@dataclass
class Board:
    """What the pages work on. ``name`` is the fleet's; ``reply_to`` the desk that answers mails.

    ``doorkeeper`` recognises visitors; without one nobody gets further than the page behind a
    mail's link. ``house`` is what the rooms about the fleet are made of; without it there are none.
    """

    records: Records
    signer: Signer
    pages: Pages
    name: str
    reply_to: str = ""
    clock_ms: Callable[[], int] = _now_ms
    limit: BadLinkLimit = field(default_factory=BadLinkLimit)
    request_limit: RequestLimit = field(default_factory=RequestLimit)
    export_limit: AtOnceLimit = field(default_factory=AtOnceLimit)
    doorkeeper: Doorkeeper = field(default_factory=NobodyKnown)
    house: House | None = None

    def acting(self, request: Request) -> AbstractContextManager[Acting]:
        """One transaction in which the request's visitor acts; see :meth:`AuditTrail.acting`.

        It belongs to one thread, so use it in a function that does not await.
        """
        return self.records.audit.acting(actor_of(request), self.clock_ms())

    def stopping(self) -> None:
        """Let go of the pages that follow changes."""
        if self.house is not None:
            self.house.live.close()
