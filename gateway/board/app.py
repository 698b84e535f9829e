"""The board's web application: the page behind a mail's link, and what keeps it safe.

- A GET or HEAD never acts: mail scanners, previews and prefetching browsers follow links.
- A POST acts if its form came from this link's page and the ticket still is what that page showed;
  it acts once, for in one transaction it is seen whether somebody was quicker.
- The address of a page is a key, so it must not leak: no referrer, no log of addresses, no store.
- Nothing remote, no script, no style but our own file; the content policy says so to the browser.

Pages name their neighbours relatively, so that a proxy may serve them under any path.
"""

from __future__ import annotations

import logging
import re
import time
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Final
from urllib.parse import parse_qs

from fastapi import FastAPI, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.telemetry import TelemetryConfig
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.exceptions import HTTPException

from gateway.board.limits import BadLinkLimit
from gateway.board.links import Act, BadLink, ExpiredLink, Link, Signer
from gateway.board.messages import Message, Messages
from gateway.board.page import LONGEST_NOTE, Pages, TicketPage
from gateway.records.acknowledging import Awaited, TicketNow
from gateway.records.records import Records
from gateway.records.session import RecordsError
from gateway.tickets.document import clean

__all__ = ["SECURITY_HEADERS", "Board", "make_app"]

log = logging.getLogger(__name__)

_HERE: Final = Path(__file__).parent
_LONGEST_BODY: Final = 16_384
_LONGEST_LINK: Final = 200
_NUMBER_AND_UNIT: Final = re.compile(r"(?<=[0-9]) (?=[%°\w])")
_STATIC: Final[Mapping[str, str]] = {"board.css": "text/css", "mark.svg": "image/svg+xml"}

SECURITY_HEADERS: Final[Mapping[str, str]] = {
    # Content Security Policy Level 3: nothing but our own style sheet, mark and form.
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; "
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


_LATE: Final = {
    Awaited.ASKED: "It is acknowledged already. Nothing was changed by this.",
    Awaited.ACKNOWLEDGED: "It is acknowledged already. Nothing was changed by this.",
    Awaited.CLOSED: "It was closed meanwhile. Nothing was changed by this.",
    Awaited.HELD: "It awaits no answer any more. Nothing was changed by this.",
    Awaited.NOTHING: "It awaits no answer any more. Nothing was changed by this.",
}
# A trace would carry addresses of pages, and the environment could say where to.
_UNTRACED: Final[TelemetryConfig] = {
    "tracing": False,
    "metrics": False,
    "logs": False,
    "operation_spans": False,
    "auto_configure": False,
}


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


@dataclass
class Board:
    """What the pages work on. ``name`` is the fleet's; ``reply_to`` the desk that answers mails."""

    records: Records
    signer: Signer
    pages: Pages
    name: str
    reply_to: str = ""
    clock_ms: Callable[[], int] = _now_ms
    limit: BadLinkLimit = field(default_factory=BadLinkLimit)


class _Told(Exception):
    """Ends a request with a message."""

    def __init__(self, message: Message) -> None:
        super().__init__(message.title)
        self.message = message


def make_app(board: Board) -> FastAPI:
    """The application of one board."""
    app = FastAPI(
        title="basinward",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        telemetry=_UNTRACED,
        redirect_slashes=False,  # it would lead to whatever host the request names
    )
    desk = _Desk(board)

    @app.middleware("http")
    async def guarded(
        request: Request, answer: Callable[[Request], Awaitable[Response]]
    ) -> Response:
        try:
            response = await answer(request)
        except RecordsError as error:
            log.error("A page was not served: %s", error)
            response = desk.told(request, desk.messages.records_away())
        except Exception:
            log.exception("A page was not served because of a defect.")
            response = desk.told(request, desk.messages.defect())
        for name, value in SECURITY_HEADERS.items():
            response.headers.setdefault(name, value)
        return response

    @app.exception_handler(_Told)
    async def tell(request: Request, error: Exception) -> Response:
        assert isinstance(error, _Told)  # noqa: S101 - registered for it alone
        return desk.told(request, error.message)

    @app.exception_handler(HTTPException)
    async def refuse(request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 404
        message = desk.messages.no_method() if status == 405 else desk.messages.no_page()
        response = desk.told(request, message)
        if isinstance(error, HTTPException) and error.headers:
            response.headers.update(error.headers)
        return response

    @app.api_route("/", methods=["GET", "HEAD"])
    def front(request: Request) -> Response:
        return desk.told(request, desk.messages.front())

    @app.api_route("/static/{name}", methods=["GET", "HEAD"])
    def static(name: str) -> Response:
        kind = _STATIC.get(name)
        if kind is None:
            raise HTTPException(404)
        content = (_HERE / "static" / name).read_bytes()
        # Its address changes with its content, so a browser may keep it.
        lasting = {"Cache-Control": "public, max-age=31536000, immutable"}
        return Response(content, media_type=kind, headers=lasting)

    @app.api_route("/ack/{link}", methods=["GET", "HEAD"])
    def show(request: Request, link: str) -> Response:
        return desk.show(request, link)

    @app.post("/ack/{link}")
    async def confirm(request: Request, link: str) -> Response:
        form = await _form(request, desk.messages)
        return await run_in_threadpool(desk.confirm, request, link, form)

    return app


class _Desk:
    """Answers requests for one board."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self.messages = Messages(clean(board.reply_to, 200))
        self._templates = Environment(
            loader=FileSystemLoader(_HERE / "templates"),
            autoescape=select_autoescape(enabled_extensions=("html.j2",)),
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.filters["unbroken"] = _unbroken
        self._templates.globals["fleet"] = clean(board.name, 100)
        self._templates.globals["versions"] = {
            name: sha256((_HERE / "static" / name).read_bytes()).hexdigest()[:12]
            for name in _STATIC
        }

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
            now = self._board.records.acknowledge_ticket(
                link.ticket, by=person.signature, note=note, now_ms=self._board.clock_ms()
            )
            if now.awaited is Awaited.YES:
                log.info("Ticket %s: acknowledged from its mail by %s.", link.ticket, person.email)
                # See it by a GET, so that a page that is loaded anew sends nothing again.
                return Response(status_code=303, headers={"Location": text})
            page = self._page(link, now)
        return self._ticket(request, 409, text, page, trouble=_LATE[now.awaited])

    def told(self, request: Request, message: Message) -> Response:
        """A message's page."""
        html = self._templates.get_template("message.html.j2").render(
            root=_root(request), message=message
        )
        headers = {"Retry-After": str(message.retry_s)} if message.retry_s else {}
        return _html(html, message.status, headers)

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
        html = self._templates.get_template("ticket.html.j2").render(
            root=_root(request),
            page=page,
            trouble=trouble,
            note=note,
            longest_note=LONGEST_NOTE,
            seal=self._board.signer.form_seal(text, page.seen),
        )
        return _html(html, status, {})

    def _read(self, request: Request, text: str) -> Link:
        try:
            if len(text) > _LONGEST_LINK:
                raise BadLink
            return self._board.signer.read(text, Act.ACKNOWLEDGE, self._board.clock_ms())
        except ExpiredLink as error:
            message = self.messages.expired(error.link.ticket, error.link.expires_ms)
            raise _Told(message) from None
        except BadLink:
            raise _Told(self._bad(request)) from None

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
        return self.messages.too_many(int(wait_s) + 1) if wait_s else self.messages.bad_link()

    def _now(self, link: Link) -> TicketNow:
        now = self._board.records.ticket_now(link.ticket)
        if now is None:
            raise _Told(self.messages.unknown_ticket(link.ticket))
        return now

    def _page(self, link: Link, now: TicketNow) -> TicketPage:
        page = self._board.pages.page(now, link, self._board.clock_ms())
        if page is None:
            raise _Told(self.messages.unknown_ticket(link.ticket))
        return page


async def _form(request: Request, messages: Messages) -> dict[str, str]:
    """The fields of a form, the last of each name; what is no form is refused."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise _Told(messages.not_a_form())
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > _LONGEST_BODY:
            raise _Told(messages.too_long())
    try:
        fields = parse_qs(body.decode("utf-8", "replace"), max_num_fields=20)
    except ValueError:
        return {}
    return {name: values[-1] for name, values in fields.items()}


def _unbroken(text: str) -> str:
    """The text with no line break between a number and what it counts."""
    return _NUMBER_AND_UNIT.sub("\u00a0", text)


def _html(html: str, status: int, headers: Mapping[str, str]) -> Response:
    return Response(html, status, headers, media_type="text/html; charset=utf-8")


def _root(request: Request) -> str:
    """The way from the asked page to the board's root, as a relative reference."""
    return "../" * min(request.url.path.count("/") - 1, 20)
