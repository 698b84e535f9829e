"""The front room: all sites, one site, and the stream that tells open pages of changes."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import StreamingResponse
from starlette.exceptions import HTTPException

from gateway.board.board import Board
from gateway.board.doors import LIVE, needs
from gateway.board.house import furnish, show
from gateway.board.paper import Paper
from gateway.board.rooms.report_months import report_months
from gateway.board.visitor import Role
from gateway.overview.fleet import Condition, FleetView, fleet_view, selected
from gateway.overview.site import site_view

__all__ = ["fleet_room"]

A_PAGE: Final = 100
LONGEST_SEARCH: Final = 200

Search = Annotated[str, Query(max_length=LONGEST_SEARCH)]
Word = Annotated[str, Query(max_length=64)]


def fleet_room(board: Board, paper: Paper) -> APIRouter:
    """Routes of the overview and of a site's page."""
    router = APIRouter(dependencies=[needs(Role.VIEW)])
    house = board.house
    if house is None:
        return router
    furnish(paper)
    source = house.source

    @router.get("/")
    def overview(
        request: Request, q: Search = "", team: Word = "", is_: Word = "", page: int = 1
    ) -> Response:
        def values() -> dict[str, Any]:
            view = fleet_view(source, board.clock_ms())
            return {"view": view, **_listed(view, q, team, is_, page)}

        asked = {"q": q, "team": team, "is_": is_}
        return show(house, paper, request, "fleet.html.j2", values, {"asked": asked})

    @router.get("/sites/{site}")
    def site(request: Request, site: str) -> Response:
        view = site_view(source, site, board.clock_ms())
        if view is None:
            raise HTTPException(404)
        months = report_months(board.clock_ms(), view.site.zone)
        return show(
            house, paper, request, "site.html.j2", lambda: {"view": view}, {"months": months}
        )

    @router.get(LIVE)
    async def live(request: Request) -> Response:
        def may_look() -> bool:
            visitor = board.doorkeeper.recognise(request)
            return visitor is not None and visitor.may(Role.VIEW)

        return StreamingResponse(
            house.live.follow(may_look),
            media_type="text/event-stream",
            headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
        )

    return router


def _listed(view: FleetView, q: str, team: str, is_: str, page: int) -> dict[str, Any]:
    """The sites that match: those that stand out a page at a time, the others by name alone."""
    found = selected(view, search=q, team=team, condition=is_)
    standing_out = [s for s in found if s.condition in {Condition.ALARM, Condition.ANSWERED}]
    others = [s for s in found if s.condition not in {Condition.ALARM, Condition.ANSWERED}]
    pages = max(-(-len(standing_out) // A_PAGE), 1)
    page = min(max(page, 1), pages)
    first = (page - 1) * A_PAGE
    return {
        "found": len(found),
        "standing_out": standing_out[first : first + A_PAGE],
        "first": first,
        "of": len(standing_out),
        "others": sorted(others, key=lambda s: s.name.casefold()),
        "page": page,
        "pages": pages,
    }
