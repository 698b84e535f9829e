"""The page behind a mail's link, open to those of the mail, with an account or without.

- A GET or HEAD never acts: mail scanners, previews and prefetching browsers follow links.
- A POST acts if its form came from this link's page and the ticket still is what that page showed;
  it acts once, for in one transaction it is seen whether somebody was quicker.
- The address of a page is a key, so it must not leak: no referrer, no log of addresses, no store.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Mapping
from typing import Final

from fastapi import APIRouter, Request, Response
from fastapi.concurrency import run_in_threadpool

from gateway.accounts.actors import Actor, How
from gateway.board.board import Board
from gateway.board.forms import read_form
from gateway.board.links import Act, BadLink, ExpiredLink, Link
from gateway.board.messages import Message, Messages, Told
from gateway.board.page import LONGEST_NOTE, Person, TicketPage
from gateway.board.paper import Paper
from gateway.records.acknowledging import Awaited, TicketNow
from gateway.records.audit import ticket_facts
from gateway.tickets.document import clean

__all__ = ["mail_page"]

log = logging.getLogger(__name__)

_LONGEST_BODY: Final = 16_384
_LONGEST_LINK: Final = 200

_LATE: Final = {
    Awaited.ASKED: "It is acknowledged already. Nothing was changed by this.",
    Awaited.ACKNOWLEDGED: "It is acknowledged already. Nothing was changed by this.",
    Awaited.CLOSED: "It was closed meanwhile. Nothing was changed by this.",
    Awaited.HELD: "It awaits no answer any more. Nothing was changed by this.",
    Awaited.NOTHING: "It awaits no answer any more. Nothing was changed by this.",
}


def mail_page(board: Board, paper: Paper, messages: Messages) -> APIRouter:
    """The routes below ``/ack``."""
    router = APIRouter()
    desk = _Desk(board, paper, messages)

    @router.api_route("/ack/{link}", methods=["GET", "HEAD"])
    def show(request: Request, link: str) -> Response:
        return desk.show(request, link)

    @router.post("/ack/{link}")
    async def confirm(request: Request, link: str) -> Response:
        form = await read_form(request, _LONGEST_BODY)
        return await run_in_threadpool(desk.confirm, request, link, form)

    return router


class _Desk:
    """Answers for the links of one board."""

    def __init__(self, board: Board, paper: Paper, messages: Messages) -> None:
        self._board = board
        self._paper = paper
        self._messages = messages

    def show(self, request: Request, text: str) -> Response:
        """The page of a link."""
        link = self._read(request, text)
        page = self._page(link, self._now(link))
        return self._ticket(request, 200, text, page)

    def confirm(self, request: Request, text: str, form: Mapping[str, str]) -> Response:
        """What a page's form asks for, if it may be done."""
        link = self._read(request, text)
        now = self._now(link)
        page = self._page(link, now)
        note = clean(form.get("note", ""), LONGEST_NOTE)
        if page.standing is None:
            if not self._board.signer.is_form_seal(form.get("seal", ""), text, page.seen):
                trouble = (
                    "The ticket has changed since this page was opened. Look at it again, then "
                    "confirm."
                )
                return self._ticket(request, 409, text, page, trouble=trouble, note=note)
            who = form.get("who", "")
            chosen = int(who) if who.isascii() and who.isdigit() and len(who) < 6 else -1
            if not 0 <= chosen < len(page.people):
                trouble = "Say who you are, then confirm again. Nothing was recorded yet."
                return self._ticket(request, 422, text, page, trouble=trouble, note=note)
            person = page.people[chosen]
            now = self._acknowledge(request, link, person, note)
            if now.awaited is Awaited.YES:
                log.info("Ticket %s: acknowledged from its mail by %s.", link.ticket, person.email)
                # See it by a GET, so that a page that is loaded anew sends nothing again.
                return Response(status_code=303, headers={"Location": text})
            page = self._page(link, now)
        return self._ticket(request, 409, text, page, trouble=_LATE[now.awaited])

    def _acknowledge(self, request: Request, link: Link, person: Person, note: str) -> TicketNow:
        address = request.client.host if request.client else ""
        actor = Actor(person.email, person.signature, How.LINK, clean(address, 100))
        records, now_ms = self._board.records, self._board.clock_ms()
        with records.audit.acting(actor, now_ms) as act:
            before = records.acknowledge_ticket(
                link.ticket, by=person.signature, note=note, now_ms=now_ms
            )
            if before.awaited is Awaited.YES:
                act.note(
                    "acknowledgement asked for", link.ticket,
                    before=ticket_facts(before.detail.ticket),
                    after={"by": person.signature} | ({"note": note} if note else {}),
                )  # fmt: skip
        return before

    def _ticket(
        self,
        request: Request,
        status: int,
        text: str,
        page: TicketPage,
        *,
        trouble: str = "",
        note: str = "",
    ) -> Response:
        return self._paper.page(
            request,
            "ticket.html.j2",
            status,
            page=page,
            trouble=trouble,
            note=note,
            longest_note=LONGEST_NOTE,
            seal=self._board.signer.form_seal(text, page.seen),
        )

    def _read(self, request: Request, text: str) -> Link:
        try:
            if len(text) > _LONGEST_LINK:
                raise BadLink
            return self._board.signer.read(text, Act.ACKNOWLEDGE, self._board.clock_ms())
        except ExpiredLink as error:
            message = self._messages.expired(error.link.ticket, error.link.expires_ms)
            raise Told(message) from None
        except BadLink:
            raise Told(self._bad(request)) from None

    def _bad(self, request: Request) -> Message:
        limit, now_s = self._board.limit, time.monotonic()
        address = request.client.host if request.client else ""
        count = limit.note(address, now_s)
        if count == limit.count + 1:
            log.warning(
                "%d links that are not ours came from %s within %.0f min.",
                count, clean(address, 100), limit.window_s / 60,
            )  # fmt: skip
        wait_s = limit.wait_s(address, now_s)
        return self._messages.too_many(int(wait_s) + 1) if wait_s else self._messages.bad_link()

    def _now(self, link: Link) -> TicketNow:
        now = self._board.records.ticket_now(link.ticket)
        if now is None:
            raise Told(self._messages.unknown_ticket(link.ticket))
        return now

    def _page(self, link: Link, now: TicketNow) -> TicketPage:
        page = self._board.pages.page(now, link, self._board.clock_ms())
        if page is None:
            raise Told(self._messages.unknown_ticket(link.ticket))
        return page
