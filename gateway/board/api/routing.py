"""How every route of the API is asked and answers: bodies, statuses, limits, its description."""

from __future__ import annotations

import time
from collections.abc import Callable, Coroutine
from tempfile import SpooledTemporaryFile
from typing import Any, Final

from fastapi import Request, Response
from fastapi.routing import APIRoute
from pydantic import Field
from starlette.types import Message as Sent

from gateway.board.api.terms import Fact
from gateway.board.doors import may_send
from gateway.board.limits import RequestLimit, asker
from gateway.board.messages import Messages, Told
from gateway.board.problems import MEDIA_TYPE, Refused
from gateway.board.visitor import Visitor
from gateway.tickets.attachments import MEDIA_TYPES, MOST_BYTES

__all__ = [
    "LONGEST_BODY", "ApiRoute", "FileRoute", "ProblemDocument", "Trouble", "answers", "meter",
]  # fmt: skip

LONGEST_BODY: Final = 131_072
_MESSAGES: Final = Messages()


class Trouble(Fact):
    """One thing that is wrong with a request."""

    where: str
    """In which part: `query.limit`, `body.note`."""
    what: str


class ProblemDocument(Fact):
    """What is wrong and what to do (RFC 9457)."""

    type: str = "about:blank"
    """Always `about:blank`: the status says what kind of problem it is."""
    title: str
    """The phrase of the status."""
    status: int = Field(ge=400, le=599)
    detail: str
    """For a person: what is wrong, and what to do."""
    errors: list[Trouble] | None = None
    """With 422: what of the request cannot be understood."""


_WORDS: Final = {
    400: "The body is no JSON that can be read.",
    401: "Nobody is recognised: no token, or one that does not hold (RFC 6750).",
    403: "The token or its account may not do this.",
    404: "There is no such thing.",
    409: "It cannot be done as things are. Nothing was changed.",
    412: "It has changed since it was read. Nothing was changed.",
    413: "The body is too long.",
    415: "The body is of a kind that is not taken.",
    422: "The request cannot be understood.",
    428: "The header If-Match is missing.",
    429: "Too many requests; the header Retry-After says when to come again.",
    500: "A defect. The log of the board says what happened.",
    501: "A package is missing on the board's machine.",
    503: "The records or the telemetry store cannot be reached, or too much is under way.",
}
_ALWAYS: Final = (401, 403, 422, 429, 500, 503)


def answers(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The refusals of a route besides those that every route has, for its description."""
    schema = {"$ref": "#/components/schemas/ProblemDocument"}
    return {
        status: {"description": _WORDS[status], "content": {MEDIA_TYPE: {"schema": schema}}}
        for status in sorted({*_ALWAYS, *statuses, *([400] if 415 in statuses else [])})
    }


class ApiRoute(APIRoute):
    """Asks who it is before it reads a body, and takes no body but JSON of a bounded length."""

    kinds: tuple[str, ...] = ("application/json",)
    longest = LONGEST_BODY

    def __init__(self, path: str, endpoint: Callable[..., Any], **more: Any) -> None:
        """Named in the description as its function is."""
        more["operation_id"] = more.get("operation_id") or endpoint.__name__
        super().__init__(path, endpoint, **more)

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The handler of one request."""
        inner = super().get_route_handler()

        async def handle(request: Request) -> Response:
            meter(request)
            if request.method in {"GET", "HEAD"}:
                return await inner(request)
            if request.state.visitor is None:
                raise Told(_MESSAGES.sign_in_first())
            kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
            if kind not in self.kinds:
                raise Refused(415, f"Send the body with Content-Type: {' or '.join(self.kinds)}.")
            may_send(request)
            return await self.take(request, inner)

        return handle

    async def take(
        self, request: Request, inner: Callable[[Request], Coroutine[Any, Any, Response]]
    ) -> Response:
        """Read the body, whose sender may send it, and answer."""
        # What is longer than a form waits on the disk until it is whole: many may send at once.
        with SpooledTemporaryFile(max_size=LONGEST_BODY) as kept:
            length = 0
            async for piece in request.stream():
                length += len(piece)
                if length > self.longest:
                    raise Refused(413, f"The body is longer than {self.longest} bytes.")
                kept.write(piece)
            kept.seek(0)
            body = kept.read()

        async def replay() -> Sent:
            return {"type": "http.request", "body": body, "more_body": False}

        return await inner(Request(request.scope, replay))


class FileRoute(ApiRoute):
    """Takes the bytes of one photo or document as they are."""

    kinds = MEDIA_TYPES
    longest = MOST_BYTES

    async def take(
        self, request: Request, inner: Callable[[Request], Coroutine[Any, Any, Response]]
    ) -> Response:
        """The same for a few at once: whole files are in memory while they are kept."""
        with request.app.state.uploads.one_more(asker(request.state.visitor)):
            return await super().take(request, inner)


def meter(request: Request) -> None:
    """No token, and nobody with a session, asks more often than the board's limit says."""
    visitor: Visitor | None = request.state.visitor
    if visitor is None:
        return
    limit: RequestLimit = request.app.state.request_limit
    wait_s = limit.wait_s(asker(visitor), time.monotonic())
    if wait_s > 0:
        seconds = int(wait_s) + 1
        raise Refused(
            429, f"Too many requests. Come again in {seconds} s.",
            headers={"Retry-After": str(seconds)},
        )  # fmt: skip
