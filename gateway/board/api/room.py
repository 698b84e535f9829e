"""All routes below ``/api/1``, and the OpenAPI document that describes them."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any, Final

from fastapi import APIRouter, Response
from fastapi.openapi.utils import get_openapi
from fastapi.responses import JSONResponse
from starlette.routing import BaseRoute

from gateway.board.api.acting import acting_routes
from gateway.board.api.alarms import alarms_routes
from gateway.board.api.export import export_routes
from gateway.board.api.lists import lists_routes
from gateway.board.api.me import me_routes
from gateway.board.api.plan import plan_routes
from gateway.board.api.readings import readings_routes
from gateway.board.api.routing import ProblemDocument, Trouble
from gateway.board.api.sites import sites_routes
from gateway.board.api.tickets import ticket_files_routes, tickets_routes
from gateway.board.board import Board
from gateway.board.paper import Paper

__all__ = ["PREFIX", "api_room"]

PREFIX: Final = "/api/1"

_ABOUT: Final = (
    "What the board's pages show and do, for programs. Times are by RFC 3339 in UTC; every "
    "quantity is in the unit that its description names, whatever a site shows to people. Lists "
    "come in pages: give `next` as `after` to read on.\n\n"
    "A program shows a token (`basinward accounts token`) as `Authorization: Bearer TOKEN` "
    "(RFC 6750). Its scopes are the roles `view`, `operate`, `plan` and `administer`; it can never "
    "do more than its account. A browser's session may read too, and act with the header "
    "`X-Form-Token`, whose value `GET /api/1/me` gives.\n\n"
    "Whoever acts shows what he has seen (`If-Match`, or `seen` of an alarm): what has changed "
    "since is left alone, so an act on an alarm or a ticket that is sent twice does nothing the "
    "second time, and neither does a wish about a visit; units taken out of service or back are "
    "recorded each time. Refusals are problem documents (RFC 9457).\n\n"
    "Nothing here starts, stops or isolates a machine, and nothing here authorises work."
)
_SECURITY: Final[dict[str, Any]] = {
    "token": {"type": "http", "scheme": "bearer", "description": "A token of an account."},
    "session": {
        "type": "apiKey", "in": "cookie", "name": "basinward-session",
        "description": "A browser that has signed in; with https the name has a prefix.",
    },
}  # fmt: skip


def api_room(board: Board, paper: Paper) -> APIRouter:
    """The routes of the API; without a house there are none."""
    del paper
    router = APIRouter(prefix=PREFIX)
    house = board.house
    if house is None:
        return router
    parts = [
        me_routes(board),
        sites_routes(board, house),
        readings_routes(board, house),
        export_routes(board, house),
        alarms_routes(board, house),
        tickets_routes(board, house),
        plan_routes(board, house),
        lists_routes(board, house),
        acting_routes(board, house),
        ticket_files_routes(board, house),
    ]
    for part in parts:
        router.include_router(part)

    @cache
    def described() -> dict[str, Any]:
        return _described(router.routes)

    @router.get("/openapi.json", include_in_schema=False)
    def openapi() -> Response:
        return JSONResponse(described(), media_type="application/json")

    return router


def _described(routes: Sequence[BaseRoute]) -> dict[str, Any]:
    """The document (OpenAPI 3.1) of the routes."""
    document = get_openapi(
        title="basinward", version="1.0.0", openapi_version="3.1.0",
        description=_ABOUT, routes=routes,
    )  # fmt: skip
    parts = document.setdefault("components", {})
    schemas = parts.setdefault("schemas", {})
    for model in (ProblemDocument, Trouble):
        schema = model.model_json_schema(ref_template="#/components/schemas/{model}")
        schema.pop("$defs", None)
        schemas[model.__name__] = schema
    for name in ("HTTPValidationError", "ValidationError"):  # a problem document says it here
        schemas.pop(name, None)
    parts["securitySchemes"] = _SECURITY
    document["security"] = [{"token": []}, {"session": []}]
    return document
