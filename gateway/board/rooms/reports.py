"""The monthly report of a site, as PDF or as a page to keep."""

from __future__ import annotations

from fastapi import APIRouter, Response
from starlette.exceptions import HTTPException

from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.paper import Paper
from gateway.board.rooms.fleet import Word
from gateway.board.visitor import Role
from gateway.month import Month
from gateway.reports.maker import ReportMaker
from gateway.reports.page import html_page
from gateway.reports.paper import report_pdf
from gateway.telemetry.base import StoreError

__all__ = ["reports_room"]


def reports_room(board: Board, _paper: Paper) -> APIRouter:
    """The route of a report."""
    router = APIRouter(dependencies=[needs(Role.VIEW)])
    house = board.house
    if house is None:
        return router
    source = house.source
    maker = ReportMaker(source.records, source.store, source.configuration)

    @router.get("/reports/{site}")
    def report(site: str, month: Word = "", as_: Word = "pdf") -> Response:
        plate, now_ms = source.names.sites.get(site), board.clock_ms()
        if plate is None:
            raise HTTPException(404)
        running = Month.of(now_ms, plate.zone)
        try:
            wanted = Month.parse(month) if month else running.before
        except ValueError as error:
            return _said(str(error), 400)
        if wanted > running:
            return _said(f"{wanted} is still to come.", 400)
        try:
            made = maker.site(plate, wanted, now_ms)
        except StoreError as error:
            return _said(f"The report cannot be made: {error}", 503)
        if as_ != "html":
            return Response(
                report_pdf(made), media_type="application/pdf",
                headers={"Content-Disposition": f'inline; filename="{site} {wanted}.pdf"'},
            )  # fmt: skip
        # It has its own style and pictures, which no page of the board may have: it is for keeping.
        return Response(
            html_page(made), media_type="text/html; charset=utf-8",
            headers={"Content-Disposition": f'attachment; filename="{site} {wanted}.html"'},
        )  # fmt: skip

    return router


def _said(text: str, status: int) -> Response:
    return Response(text, status, media_type="text/plain; charset=utf-8")
