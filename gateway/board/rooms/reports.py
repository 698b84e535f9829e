"""The monthly reports of the fleet and of each site, as PDF or as a page to keep."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response
from starlette.exceptions import HTTPException

from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.house import furnish, show
from gateway.board.paper import Paper
from gateway.board.rooms.fleet import Word
from gateway.board.rooms.report_months import report_months
from gateway.board.visitor import Role
from gateway.month import Month
from gateway.reports.maker import ReportMaker
from gateway.reports.page import html_page
from gateway.reports.paper import report_pdf
from gateway.telemetry.base import StoreError

__all__ = ["reports_room"]


def reports_room(board: Board, paper: Paper) -> APIRouter:
    """The page of the reports, and the route of each."""
    router = APIRouter(dependencies=[needs(Role.VIEW)])
    house = board.house
    if house is None:
        return router
    furnish(paper)
    source = house.source
    zone_of_fleet = ZoneInfo(source.configuration.reports.time_zone)
    maker = ReportMaker(source.records, source.store, source.configuration)

    @router.get("/reports")
    def reports(request: Request) -> Response:
        given = {
            "sites": source.configuration.sites,
            "months": report_months(board.clock_ms(), zone_of_fleet),
        }
        return show(house, paper, request, "reports.html.j2", dict, given)

    @router.get("/reports/{site}")
    def report(site: str, month: Word = "", as_: Word = "pdf") -> Response:
        return made(site, month, as_)

    @router.get("/report")
    def report_of(site: Word = "", month: Word = "", as_: Word = "pdf") -> Response:
        return made(site, month, as_)

    def made(site: str, month: str, as_: str) -> Response:
        """The report of a site, or with '' of the fleet."""
        plate, now_ms = source.names.sites.get(site), board.clock_ms()
        if site and plate is None:
            raise HTTPException(404)
        running = Month.of(now_ms, plate.zone if plate else zone_of_fleet)
        try:
            wanted = Month.parse(month) if month else running.before
        except ValueError as error:
            return _said(str(error), 400)
        if wanted > running:
            return _said(f"{wanted} is still to come.", 400)
        try:
            done = maker.site(plate, wanted, now_ms) if plate else maker.fleet(wanted, now_ms)
        except StoreError as error:
            return _said(f"The report cannot be made: {error}", 503)
        name = f"{site or 'fleet'} {wanted}"
        if as_ != "html":
            return Response(
                report_pdf(done), media_type="application/pdf",
                headers={"Content-Disposition": f'inline; filename="{name}.pdf"'},
            )  # fmt: skip
        # It has its own style and pictures, which no page of the board may have: it is for keeping.
        return Response(
            html_page(done), media_type="text/html; charset=utf-8",
            headers={"Content-Disposition": f'attachment; filename="{name}.html"'},
        )  # fmt: skip

    return router


def _said(text: str, status: int) -> Response:
    return Response(text, status, media_type="text/plain; charset=utf-8")
