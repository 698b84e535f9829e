"""What stands around every answer of the board: who asks, what a browser may do, what went wrong.

Plain ASGI and no wrapper of responses, because an answer that breaks off midway must reach its
reader as one that is not whole: the connection ends without the last chunk (RFC 9112, section 7.1).
"""

from __future__ import annotations

import logging
import time
from collections.abc import Mapping
from typing import Final

from fastapi import Request, Response
from fastapi.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gateway.board.board import Board, RecordsAway
from gateway.board.doors import LIVE, for_programs, path_of
from gateway.board.messages import Messages
from gateway.board.paper import Paper
from gateway.board.problems import problem
from gateway.board.visitor import Visitor
from gateway.records.session import RecordsError

__all__ = ["SECURITY_HEADERS", "Guard", "VisitEnded"]

log = logging.getLogger(__name__)

SECURITY_HEADERS: Final[Mapping[str, str]] = {
    # Content Security Policy Level 3: nothing but our own files and forms, and no script in a page.
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; img-src 'self'; script-src 'self'; "
        "connect-src 'self'; form-action 'self'; "
        "base-uri 'none'; frame-ancestors 'none'"
    ),
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "X-Robots-Tag": "noindex, nofollow",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Cache-Control": "no-store",
}
_RECORDS_AWAY: Final = (
    "The records cannot be reached at the moment. Nothing was changed. Try again in a minute."
)
_RECORDS_CUT_OFF: Final = (
    "The records went away while they were written, so whether it was recorded is not known. Read "
    "again in a minute before you repeat an act."
)
_DEFECT: Final = (
    "Something went wrong here. It may be that nothing was recorded: read again before you repeat "
    "an act. The log of the board says what happened."
)
ASK_EVERY_S: Final = 3.0
"""How often it is asked whether the reader of a long answer may still have it."""
_OPEN_TO_ALL: Final = ("/static/", "/ack/")
"""Where nobody is asked who he is."""


class VisitEnded(Exception):
    """Whoever asked may not have the rest of the answer."""


class Guard:
    """Recognises the visitor, sets the headers, and tells of what fails before an answer begins."""

    def __init__(self, app: ASGIApp, *, board: Board, paper: Paper, messages: Messages) -> None:
        """Around ``app``."""
        self._app = app
        self._board = board
        self._paper = paper
        self._messages = messages

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request; anything else is handed on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        begun, ask_s = False, time.monotonic() + ASK_EVERY_S

        async def send_on(message: Message) -> None:
            nonlocal begun, ask_s
            if begun and message.get("more_body") and time.monotonic() >= ask_s:
                await self._ask_again(request)
                ask_s = time.monotonic() + ASK_EVERY_S
            if message["type"] == "http.response.start":
                begun = True
                headers = MutableHeaders(scope=message)
                for name, value in SECURITY_HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        request = Request(scope, receive)
        request.state.visitor = None
        try:
            if not path_of(request).startswith(_OPEN_TO_ALL):
                recognise = self._board.doorkeeper.recognise
                request.state.visitor = await run_in_threadpool(recognise, request)
            await self._app(scope, receive, send_on)
        except ClientDisconnect:
            log.debug("Who asked went away before the question was whole.")
        except (RecordsError, RecordsAway) as error:
            log.error("A page was not served: %s", error)
            if begun:
                raise
            uncertain = getattr(error, "uncertain", False)
            await self._records_away(request, uncertain=uncertain)(scope, receive, send_on)
        except Exception:
            if begun:
                raise  # the server logs it, and ends the connection
            log.exception("A page was not served because of a defect.")
            await self._defect(request)(scope, receive, send_on)

    async def _ask_again(self, request: Request) -> None:
        """A long answer ends with the visit that it began in, or with a role of it."""
        before: Visitor | None = request.state.visitor
        if before is None or path_of(request) == LIVE:  # which asks by itself, as soon as it may
            return
        now = await run_in_threadpool(self._board.doorkeeper.recognise, request)
        if now is None or not all(now.may(role) for role in before.roles):
            msg = "An answer was broken off: its reader may not have the rest any more."
            raise VisitEnded(msg)

    def _records_away(self, request: Request, *, uncertain: bool) -> Response:
        if for_programs(request):
            text = _RECORDS_CUT_OFF if uncertain else _RECORDS_AWAY
            return problem(503, text, {"Retry-After": "60"})
        return self._paper.told(request, self._messages.records_away(uncertain=uncertain))

    def _defect(self, request: Request) -> Response:
        if for_programs(request):
            return problem(500, _DEFECT)
        return self._paper.told(request, self._messages.defect())
