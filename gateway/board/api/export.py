"""Files for other programs: readings of any range as CSV and Parquet, lists as CSV."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import chain, islice
from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from gateway.board.api.readings import Width, in_order, named, width_ms_of
from gateway.board.api.routing import ApiRoute, answers
from gateway.board.api.sites import known_place, no_site, no_unit
from gateway.board.api.terms import Moment, Name, ms
from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.house import House
from gateway.board.limits import AtOnceLimit, asker
from gateway.board.problems import Refused
from gateway.board.visitor import Role
from gateway.export import lists, parquet
from gateway.export.readings import Asked, pieces
from gateway.export.text import MEDIA_TYPE, csv_readings, csv_rows
from gateway.records.queries import Where

__all__ = ["export_routes"]

DAY_MS: Final = 86_400_000

Start = Annotated[
    Moment | None, Query(alias="from", description="From then on. Default: a day before the end.")
]
End = Annotated[Moment | None, Query(alias="to", description="Before then. Default: now.")]
Signals = Annotated[
    list[str] | None,
    Query(alias="signal", max_length=30, description="Which; all where none is named."),
]
Headings = Annotated[
    Literal["units", "names"],
    Query(description="`basin_level [mm]`, or `basin_level` as `basinward evaluate` wants it."),
]


def export_routes(board: Board, house: House) -> APIRouter:
    """Routes below ``/export``."""
    router = APIRouter(route_class=ApiRoute, tags=["export"], dependencies=[needs(Role.VIEW)])
    source = house.source

    def asked_for(
        site: str, unit: str, signals: list[str] | None, span: tuple[int, int], width_s: int
    ) -> Asked:
        known = source.names
        if site and site not in known.sites:
            raise no_site(site)
        units = tuple(
            key for key in known.units
            if (not site or key[0] == site) and (not unit or key[1] == unit)
        )  # fmt: skip
        if not units:
            raise no_unit(site, unit)
        return Asked(units, named(signals), *span, width_ms_of(width_s))

    def span_of(start: Start, end: End, default_ms: int = DAY_MS) -> tuple[int, int]:
        end_ms = ms(end) if end else board.clock_ms()
        start_ms = ms(start) if start else max(end_ms - default_ms, 0)
        in_order(start_ms, end_ms)
        return start_ms, end_ms

    @router.get("/export/readings.csv", response_class=Response, responses=_file("text/csv", 404))
    def export_readings_csv(
        request: Request,
        site: Name = "",
        unit: Name = "",
        signals: Signals = None,
        start: Start = None,
        end: End = None,
        width_s: Width = 0,
        headings: Headings = "units",
    ) -> Response:
        """Readings of a unit, a site or the fleet over any time (RFC 4180).

        By site, unit and time; columns `time`, `site`, `unit`, then the signals, of windows the
        least, the mean and the greatest of each.
        """
        asked = asked_for(site, unit, signals, span_of(start, end), width_s)
        rows = csv_readings(asked, pieces(source.store, asked), with_units=headings == "units")
        return _streamed(board.exports, request, rows, MEDIA_TYPE, "readings.csv")

    @router.get(
        "/export/readings.parquet", response_class=Response,
        responses=_file(parquet.MEDIA_TYPE, 404, 501),
    )  # fmt: skip
    def export_readings_parquet(
        request: Request,
        site: Name = "",
        unit: Name = "",
        signals: Signals = None,
        start: Start = None,
        end: End = None,
        width_s: Width = 0,
    ) -> Response:
        """The same as Parquet; the unit of each column is in its field's metadata."""
        if not parquet.is_there():
            raise Refused(501, parquet.MISSING)
        asked = asked_for(site, unit, signals, span_of(start, end), width_s)
        rows = parquet.parquet_readings(asked, pieces(source.store, asked))
        return _streamed(board.exports, request, rows, parquet.MEDIA_TYPE, "readings.parquet")

    @router.get("/export/alarms.csv", response_class=Response, responses=_file("text/csv", 404))
    def export_alarms_csv(request: Request, site: Name = "", unit: Name = "") -> Response:
        """Alarms that are not normal, the gravest first."""
        known_place(source, site, unit)
        rows = lists.alarm_rows(source, site, unit)
        return _streamed(
            board.exports, request, csv_rows(lists.ALARMS, rows), MEDIA_TYPE, "alarms.csv"
        )

    @router.get(
        "/export/alarm-events.csv", response_class=Response, responses=_file("text/csv", 404)
    )
    def export_alarm_events_csv(
        request: Request, site: Name = "", unit: Name = "", start: Start = None, end: End = None
    ) -> Response:
        """The alarm journal of any time, newest first."""
        known_place(source, site, unit)
        rows = lists.event_rows(source.records, Where(site, unit), *span_of(start, end))
        return _streamed(
            board.exports,
            request,
            csv_rows(lists.EVENTS, rows),
            MEDIA_TYPE,
            "alarm-events.csv",
        )

    @router.get("/export/tickets.csv", response_class=Response, responses=_file("text/csv", 404))
    def export_tickets_csv(
        request: Request, site: Name = "", unit: Name = "", start: Start = None, end: End = None
    ) -> Response:
        """Tickets opened in any time, newest first."""
        known_place(source, site, unit)
        rows = lists.ticket_rows(
            source.records, source.names, Where(site, unit), *span_of(start, end)
        )
        return _streamed(
            board.exports, request, csv_rows(lists.TICKETS, rows), MEDIA_TYPE, "tickets.csv"
        )

    return router


def _file(media_type: str, *statuses: int) -> dict[int | str, dict[str, Any]]:
    content = {media_type: {"schema": {"type": "string"}}}
    return answers(*statuses) | {200: {"description": "The file.", "content": content}}


class _Leaving(StreamingResponse):
    """Calls ``leave`` when the answer is over, however it ended."""

    leave: Callable[[], None]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send it."""
        try:
            await super().__call__(scope, receive, send)
        finally:
            self.leave()


def _streamed(
    limit: AtOnceLimit, request: Request, rows: Iterator[bytes], media_type: str, name: str
) -> Response:
    who = asker(request.state.visitor)
    limit.enter(who)
    try:
        # What cannot be begun is refused with a problem document: heading and first rows are made
        # now.
        begun = list(islice(rows, 2))
    except BaseException:
        limit.leave(who)
        raise
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    response = _Leaving(chain(begun, rows), media_type=media_type, headers=headers)
    response.leave = lambda: limit.leave(who)
    return response
