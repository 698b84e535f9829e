"""What the pages of one board work on, handed to each of its parts."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from fastapi import Request

from gateway.board.doors import Doorkeeper, NobodyKnown, actor_of
from gateway.board.house import House
from gateway.board.limits import (
    AtOnceLimit,
    BadLinkLimit,
    RequestLimit,
    export_limit,
    upload_limit,
)
from gateway.board.links import Signer
from gateway.board.page import Pages
from gateway.records.audit import Acting
from gateway.records.records import Records
from gateway.records.session import RecordsUnavailable

__all__ = ["Board", "RecordsAway"]


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


class RecordsAway(Exception):
    """The records could not be written while somebody acted; ``uncertain`` as the cause says.

    It is no RecordsError, so nobody who tells a person why an act is refused takes it for one.
    """

    def __init__(self, cause: RecordsUnavailable) -> None:
        super().__init__(str(cause))
        self.uncertain = cause.uncertain


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
    exports: AtOnceLimit = field(default_factory=export_limit)
    uploads: AtOnceLimit = field(default_factory=upload_limit)
    doorkeeper: Doorkeeper = field(default_factory=NobodyKnown)
    house: House | None = None

    @contextmanager
    def acting(self, request: Request) -> Iterator[Acting]:
        """One transaction in which the request's visitor acts; see :meth:`AuditTrail.acting`.

        It belongs to one thread, so use it in a function that does not await. Where the records
        cannot be written, :class:`RecordsAway` ends the request.
        """
        try:
            with self.records.audit.acting(actor_of(request), self.clock_ms()) as acting:
                yield acting
        except RecordsUnavailable as error:
            raise RecordsAway(error) from error

    def stopping(self) -> None:
        """Let go of the pages that follow changes."""
        if self.house is not None:
            self.house.live.close()
