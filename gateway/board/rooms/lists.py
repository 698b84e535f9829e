"""Rooms that are lists: hand-over, what was refused, and the alarms' figures."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request, Response

from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.house import furnish, show
from gateway.board.paper import Paper
from gateway.board.rooms.fleet import Word
from gateway.board.visitor import Role
from gateway.overview.figures import figures_view
from gateway.overview.handover import handover_view
from gateway.overview.refused import refused_view

__all__ = ["lists_room"]

PERIODS: Final = {1: "a day", 7: "a week", 30: "30 days", 90: "90 days", 365: "a year"}
SHIFTS: Final = {8: "8 hours", 12: "12 hours", 24: "24 hours", 72: "3 days"}
REFUSED_DAYS: Final = {1: "today", 7: "7 days", 30: "30 days"}

Operators = Annotated[int, Query(ge=1, le=1000)]


def lists_room(board: Board, paper: Paper) -> APIRouter:
    """Routes of the lists."""
    router = APIRouter(dependencies=[needs(Role.VIEW)])
    house = board.house
    if house is None:
        return router
    furnish(paper)
    source = house.source
    teams = sorted({site.team for site in source.configuration.sites})

    @router.get("/hand-over")
    def hand_over(request: Request, hours: int = 8, team: Word = "") -> Response:
        hours = hours if hours in SHIFTS else 8

        def values() -> dict[str, Any]:
            return {"view": handover_view(source, board.clock_ms(), hours=hours, team=team)}

        given = {"team": team, "teams": teams, "hours": hours, "shifts": SHIFTS}
        return show(house, paper, request, "handover.html.j2", values, given)

    @router.get("/refused")
    def refused(request: Request, days: int = 7, site: Word = "") -> Response:
        days = days if days in REFUSED_DAYS else 7

        def values() -> dict[str, Any]:
            now_ms = board.clock_ms()
            return {"view": refused_view(source, now_ms, days=days, site=site), "now_ms": now_ms}

        given = {"days": days, "periods": REFUSED_DAYS, "site": site}
        return show(house, paper, request, "refused.html.j2", values, given)

    @router.get("/figures")
    def figures(
        request: Request, days: int = 30, operators: Operators = 1, site: Word = ""
    ) -> Response:
        days = days if days in PERIODS else 30

        def values() -> dict[str, Any]:
            now_ms = board.clock_ms()
            view = figures_view(source, now_ms, days=days, operators=operators, site=site)
            return {"view": view, "now_ms": now_ms}

        given = {"days": days, "periods": PERIODS, "operators": operators, "site": site,
                 "sites": source.configuration.sites}  # fmt: skip
        return show(house, paper, request, "figures.html.j2", values, given)

    return router
