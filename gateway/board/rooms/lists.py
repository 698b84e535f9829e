"""Rooms that are lists: hand-over, what was refused, and the alarms' figures."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request, Response
from starlette.exceptions import HTTPException

from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.house import furnish, show
from gateway.board.paper import Paper
from gateway.board.rooms.fleet import Word
from gateway.board.visitor import Role
from gateway.overview.figures import figures_of, tally_of
from gateway.overview.handover import handover_view
from gateway.overview.refused import refused_view
from gateway.overview.source import Source
from rules.alarm_figures import AlarmTally

__all__ = ["lists_room"]

MOST_OPERATORS: Final = 100
_TALLIES_KEPT: Final = 32
PERIODS: Final = {1: "a day", 7: "a week", 30: "30 days", 90: "90 days", 365: "a year"}
SHIFTS: Final = {8: "8 hours", 12: "12 hours", 24: "24 hours", 72: "3 days"}
REFUSED_DAYS: Final = {1: "today", 7: "7 days", 30: "30 days"}

Operators = Annotated[int, Query(ge=1, le=MOST_OPERATORS)]


class Tallies:
    """Keeps what figures are made of for all who look: by site and period, for a while.

    A year is read once an hour, a day once a minute; for how many operators makes no difference.
    """

    def __init__(self, clock_ms: Callable[[], int]) -> None:
        """Nothing is kept yet."""
        self._clock_ms = clock_ms
        self._kept: OrderedDict[tuple[str, int], AlarmTally] = OrderedDict()
        self._making = {days: threading.Lock() for days in PERIODS}
        self._lock = threading.Lock()

    def get(self, source: Source, site: str, days: int) -> AlarmTally:
        """The tally of a site ('' for all) over the last days; it is not made twice at once."""
        with self._making[days]:  # whoever asks for a day does not wait for a year
            now_ms, key = self._clock_ms(), (site, days)
            with self._lock:
                known = self._kept.get(key)
            if known is None or not 0 <= now_ms - known.end_ms < max(days * 10_000, 60_000):
                known = tally_of(source, now_ms, days=days, site=site)
            with self._lock:
                self._kept[key] = known
                self._kept.move_to_end(key)
                while len(self._kept) > _TALLIES_KEPT:
                    self._kept.popitem(last=False)
            return known


def lists_room(board: Board, paper: Paper) -> APIRouter:
    """Routes of the lists."""
    router = APIRouter(dependencies=[needs(Role.VIEW)])
    house = board.house
    if house is None:
        return router
    furnish(paper)
    source = house.source
    tallies = Tallies(board.clock_ms)
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
        if site and site not in source.names.sites:
            raise HTTPException(404)

        def values() -> dict[str, Any]:
            view = figures_of(source, tallies.get(source, site, days), operators)
            return {"view": view, "now_ms": board.clock_ms()}

        given = {"days": days, "periods": PERIODS, "operators": operators, "site": site,
                 "most_operators": MOST_OPERATORS,
                 "sites": source.configuration.sites}  # fmt: skip
        return show(house, paper, request, "figures.html.j2", values, given)

    return router
