"""The board's web application: its rooms put together, and what keeps all of them safe.

Nothing remote, no style but our own files; the content policy says so to the browser. A GET changes
nothing. Pages name their neighbours relatively, so that a proxy may serve them under any path.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from fastapi import Depends, FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.telemetry import TelemetryConfig
from starlette.exceptions import HTTPException

from gateway.board import problems
from gateway.board.board import Board
from gateway.board.doors import SignInFirst, for_programs, sealed
from gateway.board.guard import SECURITY_HEADERS, Guard
from gateway.board.mail_page import mail_page
from gateway.board.messages import Messages, Told
from gateway.board.paper import Paper
from gateway.board.problems import Refused, problem
from gateway.board.rooms import ROOMS, Room
from gateway.telemetry.base import StoreError
from gateway.tickets.document import clean

__all__ = ["SECURITY_HEADERS", "Board", "make_app"]

# A trace would carry addresses of pages, and the environment could say where to.
_UNTRACED: Final[TelemetryConfig] = {
    "tracing": False,
    "metrics": False,
    "logs": False,
    "operation_spans": False,
    "auto_configure": False,
}
_OF_PROGRAMS: Final = {
    400: "The body is no JSON that can be read.",
    404: "There is no such thing. api/1/openapi.json lists what there is.",
    405: "This address does not take that method; the header Allow says which it takes.",
}


def make_app(board: Board, rooms: Sequence[Room] = ROOMS) -> FastAPI:
    """The application of one board, with these rooms besides the page behind a mail's link."""
    app = FastAPI(
        title="basinward",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        telemetry=_UNTRACED,
        redirect_slashes=False,  # it would lead to whatever host the request names
    )
    app.state.uploads, app.state.request_limit = board.uploads, board.request_limit
    messages = Messages(clean(board.reply_to, 200))
    paper = Paper(board.name)

    app.add_middleware(Guard, board=board, paper=paper, messages=messages)
    _handle(app, paper, messages)

    @app.api_route("/static/{name}", methods=["GET", "HEAD"])
    def static(name: str) -> Response:
        found = paper.static(name)
        if found is None:
            raise HTTPException(404)
        return found

    app.include_router(mail_page(board, paper, messages))
    for room in rooms:
        app.include_router(room(board, paper), dependencies=[Depends(sealed)])

    @app.api_route("/", methods=["GET", "HEAD"])
    def front(request: Request) -> Response:
        return paper.told(request, messages.front())

    return app


def _handle(app: FastAPI, paper: Paper, messages: Messages) -> None:
    """What ends a request early is told: to people by a page, to programs by a document."""

    @app.exception_handler(Told)
    async def tell(request: Request, error: Exception) -> Response:
        assert isinstance(error, Told)  # noqa: S101 - registered for it alone
        return paper.told(request, error.message)

    @app.exception_handler(SignInFirst)
    async def lead(request: Request, error: Exception) -> Response:
        assert isinstance(error, SignInFirst)  # noqa: S101 - registered for it alone
        return Response(status_code=303, headers={"Location": error.location(request)})

    @app.exception_handler(RequestValidationError)
    async def unclear(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)  # noqa: S101 - registered for it alone
        if for_programs(request):
            return problems.unclear(error.errors())
        places = [one.get("loc", ()) for one in error.errors()]
        names = [clean(str(place[-1]), 40) for place in places if place]
        return paper.told(request, messages.unclear(list(dict.fromkeys(names))[:5]))

    @app.exception_handler(Refused)
    async def refused(request: Request, error: Exception) -> Response:
        del request
        assert isinstance(error, Refused)  # noqa: S101 - registered for it alone
        return error.response()

    @app.exception_handler(StoreError)
    async def store_away(request: Request, error: Exception) -> Response:
        if not for_programs(request):
            raise error
        return problem(503, str(error), {"Retry-After": "60"})

    @app.exception_handler(HTTPException)
    async def refuse(request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 404
        if for_programs(request):
            headers = error.headers if isinstance(error, HTTPException) else None
            return problem(status, _OF_PROGRAMS.get(status, "This cannot be done."), headers)
        message = messages.no_method() if status == 405 else messages.no_page()
        response = paper.told(request, message)
        if isinstance(error, HTTPException) and error.headers:
            response.headers.update(error.headers)
        return response
