"""Tickets: lists, and one with its whole life."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Final, Literal
from urllib.parse import quote

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.concurrency import run_in_threadpool

from gateway.board.acts.tickets import attach, exactly
from gateway.board.api.routing import ApiRoute, FileRoute, answers
from gateway.board.api.sites import known_place
from gateway.board.api.terms import (
    After,
    Fact,
    Limit,
    Name,
    Page,
    Time,
    at,
    cursor,
    cursor_of,
    etag,
)
from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.forms import SentFile
from gateway.board.house import House
from gateway.board.problems import Refused
from gateway.board.visitor import Role
from gateway.overview.tickets import Shown, TicketLine, ticket_line, tickets_view
from gateway.records.rows import TicketDetail
from gateway.records.session import RecordsError, RecordsUnavailable
from gateway.tickets.attachments import MEDIA_TYPES
from gateway.tickets.document import clean
from gateway.tickets.life import Act, TicketPhase, may
from gateway.tickets.notice import TicketEventKind
from rules.lessons import PartVerdict

__all__ = [
    "TicketBrief", "TicketFacts", "brief", "facts_of", "no_ticket",
    "ticket_files_routes", "tickets_routes",
]  # fmt: skip

BEFORE_WORK: Final = (
    "Nothing here isolates a machine or authorises work. Before any work lock and tag the unit out "
    "by the site's own energy-control procedure; the job sheet lists its isolating devices."
)


class TicketBrief(Fact):
    """One ticket in a list."""

    number: str
    site: str
    unit: str
    fault: str
    title: str
    priority: Literal["high", "medium", "low"]
    phase: TicketPhase
    who: str
    """Who has it now: those on site, else whom it is assigned to, who acknowledged or closed it."""
    onset: Time
    opened: Time
    updated: Time
    returned: datetime | None
    """When the readings came back to normal."""
    closed: datetime | None
    finding: str


class Tickets(Page):
    """Tickets, newest first."""

    items: list[TicketBrief]


class Entry(Fact):
    """One line of a ticket's life."""

    seq: int
    time: Time
    kind: TicketEventKind
    summary: str
    """What the readings said; empty for what a person did."""
    by: str
    note: str


class PossibleCause(Fact):
    """A possible cause of what was seen, the likeliest first."""

    cause: str
    title: str
    agreement_frac: float
    """The share of the deciding signs that fit, 0 to 1."""
    is_ruled_out: bool
    to_decide: str
    """What would decide."""


class ReadBefore(Fact):
    """A reading that was taken by hand before and after the work; null where it was not."""

    what: str
    """A signal of the catalogue, or any other name."""
    unit: str
    """The signal's own (`signals`), else as it was given."""
    before: float | None
    after: float | None


class Finding(Fact):
    """What was found at one part, and what was done."""

    part: str
    found: str
    done: str
    parts_used: str
    readings: list[ReadBefore]
    verdict: PartVerdict | None
    """Whether that is what the ticket told; null where nobody said."""
    by: str
    time: Time


class Attached(Fact):
    """A photo or document; its content is at `files/` and its position."""

    position: int
    name: str
    media_type: str
    size_bytes: int
    sha256: str
    by: str
    time: Time


class OnSite(Fact):
    """Somebody who works on the unit."""

    by: str
    since: Time


class TicketFacts(TicketBrief):
    """One ticket with its life; the header ETag stands for it as it is."""

    before_work: str
    """Read it before any work on the unit."""
    assignee: str
    acknowledged: datetime | None
    acknowledged_by: str
    on_site: list[OnSite]
    stay_until: datetime | None
    """When those on site expect to be done."""
    causes: list[PossibleCause]
    findings: list[Finding]
    attachments: list[Attached]
    may: list[str]
    """What its phase lets a person do: `acknowledge`, `assign`, `arrive`, `leave`, `finish` or
    `close`. A note can always be added."""
    entries: list[Entry]


def no_ticket(number: str) -> Refused:
    """A number that no ticket has."""
    return Refused(404, f"There is no ticket '{clean(number, 40)}'. api/1/tickets lists them.")


def tickets_routes(board: Board, house: House) -> APIRouter:
    """Routes of tickets."""
    del board
    router = APIRouter(route_class=ApiRoute, tags=["tickets"], dependencies=[needs(Role.VIEW)])
    source = house.source

    @router.get("/tickets", responses=answers(404))
    def list_tickets(
        show: Shown = Shown.OPEN,
        priority: Literal["high", "medium", "low"] | None = None,
        site: Name = "",
        unit: Name = "",
        limit: Limit = 100,
        after: After = "",
    ) -> Tickets:
        """Tickets that match, newest first."""
        known_place(source, site, unit)
        before = cursor_of(after, 1)
        view = tickets_view(
            source, shown=show, priority=priority or "", site=site, unit=unit,
            before_id=before[0] if before else None, limit=limit,
        )  # fmt: skip
        following = None if view.next_before is None else cursor(view.next_before)
        return Tickets(next=following, items=[brief(t) for t in view.items])

    @router.get("/tickets/{number}", responses=answers(404))
    def get_ticket(number: str, response: Response) -> TicketFacts:
        """One ticket with its whole life."""
        detail = source.records.ticket(number)
        if detail is None:
            raise no_ticket(number)
        response.headers["ETag"] = etag(exactly(detail))
        return facts_of(house, detail)

    @router.get(
        "/tickets/{number}/sheet.pdf", response_class=Response,
        responses=answers(404) | {
            200: {"description": "The job sheet.", "content": {"application/pdf": {}}}
        },
    )  # fmt: skip
    def get_job_sheet(number: str) -> Response:
        """The job sheet, with the isolation before the work."""
        from gateway.overview.tickets import notice_of  # noqa: PLC0415 - used here alone

        detail = source.records.ticket(number)
        if detail is None:
            raise no_ticket(number)
        return Response(house.renderer.sheet(notice_of(detail)), media_type="application/pdf")

    @router.get(
        "/tickets/{number}/files/{position}", response_class=Response,
        responses=answers(404) | {
            200: {"description": "The file.", "content": {kind: {} for kind in MEDIA_TYPES}}
        },
    )  # fmt: skip
    def get_attachment(number: str, position: Annotated[int, Path(ge=0, le=10_000)]) -> Response:
        """The content of a photo or document of a ticket, as it was attached."""
        found = source.records.attachment(number, position)
        if found is None:
            raise Refused(404, "There is no such file. The ticket lists its attachments.")
        row, content = found
        name = quote(row.name)
        headers = {"Content-Disposition": f"attachment; filename*=UTF-8''{name}"}
        return Response(content, media_type=row.media_type, headers=headers)

    return router


def ticket_files_routes(board: Board, house: House) -> APIRouter:
    """The route that takes files."""
    router = APIRouter(route_class=FileRoute, tags=["tickets"], dependencies=[needs(Role.OPERATE)])
    records = house.source.records
    binary = {"schema": {"type": "string", "format": "binary"}}

    @router.post(
        "/tickets/{number}/files", responses=answers(404, 409, 413, 415),
        openapi_extra={
            "requestBody": {"required": True, "content": dict.fromkeys(MEDIA_TYPES, binary)}
        },
    )  # fmt: skip
    async def attach_file(
        request: Request,
        number: str,
        name: Annotated[str, Query(max_length=200, description="The file's name.")] = "file",
    ) -> TicketFacts:
        """Keep a photo or a PDF with a ticket, at most 10 MB; the same file is kept once.

        The body is the file; what it is is judged by its content.
        """
        files = [SentFile(name, await request.body())]
        try:
            await run_in_threadpool(attach, board, records, request, number, files)
        except RecordsUnavailable:
            raise
        except RecordsError as error:
            raise Refused(409, str(error)) from error
        house.live.shared.forget()
        detail = await run_in_threadpool(records.ticket, number)
        if detail is None:
            raise no_ticket(number)
        return await run_in_threadpool(facts_of, house, detail)

    return router


def brief(line: TicketLine) -> TicketBrief:
    """A ticket's line as it is answered."""
    return TicketBrief.model_validate(_brief(line))


def _brief(line: TicketLine) -> dict[str, Any]:
    return {
        "number": line.number, "site": line.site, "unit": line.unit, "fault": line.fault,
        "title": line.title, "priority": line.priority, "phase": line.phase, "who": line.who,
        "onset": at(line.onset_ms), "opened": at(line.opened_ms), "updated": at(line.updated_ms),
        "returned": at(line.returned_ms), "closed": at(line.closed_ms), "finding": line.finding,
    }  # fmt: skip


def facts_of(house: House, detail: TicketDetail) -> TicketFacts:
    """A ticket as it is answered."""
    ticket = detail.ticket
    told = [e.evidence for e in detail.entries if e.evidence is not None]
    causes = told[-1].causes if told else ()
    return TicketFacts(
        **_brief(ticket_line(house.source.names, ticket)),
        before_work=BEFORE_WORK,
        assignee=clean(ticket.assignee, 100),
        acknowledged=at(ticket.acknowledged_ms),
        acknowledged_by=clean(ticket.acknowledged_by, 100),
        on_site=[OnSite(by=clean(p.by, 100), since=at(p.since_ms)) for p in ticket.on_site],
        stay_until=at(ticket.stay_until_ms),
        causes=[
            PossibleCause(
                cause=c.slug, title=c.title, agreement_frac=c.agreement, is_ruled_out=c.ruled_out,
                to_decide=c.to_decide,
            )
            for c in causes
        ],
        findings=[
            Finding(
                part=f.finding.part, found=clean(f.finding.found, 2000),
                done=clean(f.finding.done, 2000), parts_used=clean(f.finding.parts_used, 2000),
                by=clean(f.by, 100), time=at(f.time_ms), verdict=f.finding.verdict,
                readings=[
                    ReadBefore(
                        what=clean(r.what, 80), unit=clean(r.unit, 20), before=r.before,
                        after=r.after,
                    )
                    for r in f.finding.readings
                ],
            )
            for f in detail.findings
        ],
        attachments=[
            Attached(
                position=a.position, name=clean(a.name, 200), media_type=a.media_type,
                size_bytes=a.size_bytes, sha256=a.sha256, by=clean(a.by, 100), time=at(a.time_ms),
            )
            for a in detail.attachments
        ],
        may=[word for word, act in _WORDS.items() if may(ticket.state, act)],
        entries=[
            Entry(
                seq=e.seq, time=at(e.time_ms), kind=e.kind,
                summary=clean(e.evidence.summary, 500) if e.evidence else "",
                by=clean(e.by, 100), note=clean(e.note, 2000),
            )
            for e in detail.entries
        ],
    )  # fmt: skip


_WORDS: Final = {
    "acknowledge": Act.ACKNOWLEDGE, "assign": Act.ASSIGN, "arrive": Act.ARRIVE,
    "leave": Act.LEAVE, "finish": Act.FINISH, "close": Act.CLOSE,
}  # fmt: skip
