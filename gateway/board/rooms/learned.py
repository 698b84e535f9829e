"""What close-outs teach: how often the first cause was right, and what to think about."""

from __future__ import annotations

from typing import Any, Final

from fastapi import APIRouter, Request, Response

from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.house import furnish, show
from gateway.board.paper import Paper
from gateway.board.rooms.fleet import Word
from gateway.board.visitor import Role
from gateway.lessons import HOW_IT_IS_JUDGED, read_lessons

__all__ = ["learned_room"]

DAY_MS: Final = 86_400_000
PERIODS: Final = {90: "90 days", 365: "a year", 1095: "3 years"}


def learned_room(board: Board, paper: Paper) -> APIRouter:
    """The route of the lessons."""
    router = APIRouter(dependencies=[needs(Role.VIEW)])
    house = board.house
    if house is None:
        return router
    furnish(paper)
    source = house.source

    @router.get("/learned")
    def learned(request: Request, days: int = 365, site: Word = "") -> Response:
        days = days if days in PERIODS else 365

        def values() -> dict[str, Any]:
            lessons = read_lessons(
                source.records, source.configuration.settings,
                since_ms=board.clock_ms() - days * DAY_MS, site=site,
            )  # fmt: skip
            names = {one.fault: source.names.fault_title("", "", one.fault) for one in lessons}
            return {"lessons": lessons, "titles": names}

        given = {"days": days, "periods": PERIODS, "site": site, "how": HOW_IT_IS_JUDGED,
                 "sites": source.configuration.sites}  # fmt: skip
        return show(house, paper, request, "learned.html.j2", values, given)

    return router
