"""What programs do: to alarms and units, to tickets, to visits; with the pages' own functions."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Header, Request, Response

from gateway.board.acts import alarms, tickets, visits
from gateway.board.api.asked import (
    ActedOn,
    ActedOnAlarms,
    AlarmsAct,
    Arrive,
    AssignTicket,
    CloseTicket,
    EndWish,
    Finish,
    Leave,
    Planned,
    TicketAct,
    UnitAct,
    VisitAct,
)
from gateway.board.api.plan import VisitFacts
from gateway.board.api.plan import facts_of as visit_facts
from gateway.board.api.routing import ApiRoute, answers
from gateway.board.api.sites import no_unit
from gateway.board.api.terms import Ask, etag, ms, unchanged
from gateway.board.api.tickets import TicketFacts, no_ticket
from gateway.board.api.tickets import facts_of as ticket_facts
from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.house import House
from gateway.board.problems import Refused
from gateway.board.visitor import Role
from gateway.records.rows import TicketDetail
from gateway.records.session import RecordsError, RecordsUnavailable
from gateway.tickets.closeout import CloseOutRefused, PartFinding, ReadingTaken
from gateway.tickets.document import clean
from gateway.visits.telling import VisitError

__all__ = ["acting_routes"]

IfMatch = Annotated[
    str | None,
    Header(alias="If-Match", description="The ETag of the GET by which you saw it."),
]


def acting_routes(board: Board, house: House) -> APIRouter:
    """Routes that change something."""
    router = APIRouter(route_class=ApiRoute)
    _on_alarms(router, board, house)
    _on_tickets(router, board, house)
    _on_visits(router, board, house)
    return router


def _on_alarms(router: APIRouter, board: Board, house: House) -> None:
    operate = [needs(Role.OPERATE)]

    @router.post(
        "/alarms/acts", responses=answers(409, 413, 415), tags=["alarms"], dependencies=operate
    )
    def act_on_alarms(request: Request, asked: AlarmsAct) -> ActedOnAlarms:
        """Acknowledge, shelve, unshelve or reset alarms.

        An alarm that has changed since it was seen is left alone; 409 where none was recorded.
        """
        picks = [f"{a.site}/{a.unit}/{a.fault}/{a.seen}" for a in asked.alarms]
        return _alarms_done(board, house, request, asked, picks)

    @router.post(
        "/sites/{site}/units/{unit}/acts", responses=answers(404, 409, 413, 415),
        tags=["sites and units"], dependencies=operate,
    )  # fmt: skip
    def act_on_unit(request: Request, site: str, unit: str, asked: UnitAct) -> ActedOnAlarms:
        """Take a unit's alarms out of service, or return them."""
        if not house.source.names.has(site, unit) and not (
            # What was taken out of service before it left the files may still be returned.
            asked.act == "in-service" and (site, unit) in board.records.units().values()
        ):
            raise no_unit(site, unit)
        return _alarms_done(board, house, request, asked, [f"{site}/{unit}"])


def _alarms_done(
    board: Board, house: House, request: Request, asked: AlarmsAct | UnitAct, picks: list[str]
) -> ActedOnAlarms:
    note = clean(asked.note, alarms.LONGEST_NOTE)
    until_ms = ms(asked.until) if asked.until else 0
    if asked.until is not None and until_ms <= board.clock_ms():
        raise Refused(422, "`until` must lie ahead. Nothing was changed.")
    try:
        outcome = alarms.act_on_alarms(
            house.source, board, request, asked.act, picks, note, until_ms
        )
    except alarms.NothingDone as error:
        raise Refused(422, str(error)) from error
    house.live.shared.forget()
    items = [
        ActedOn(subject="/".join(r.pick.split("/")[:3]), recorded=not r.why, why=r.why)
        for r in outcome.results
    ]
    if not outcome.done:
        raise Refused(409, " ".join(outcome.refused[:3]), items=[one.model_dump() for one in items])
    return ActedOnAlarms(recorded=outcome.done, items=items)


def _on_tickets(router: APIRouter, board: Board, house: House) -> None:
    records = house.source.records

    @router.post(
        "/tickets/{number}/acts", responses=answers(404, 409, 412, 413, 415, 428),
        tags=["tickets"], dependencies=[needs(Role.OPERATE)],
    )  # fmt: skip
    def act_on_ticket(
        request: Request, response: Response, number: str, asked: TicketAct,
        if_match: IfMatch = None,
    ) -> TicketFacts:  # fmt: skip
        """Report about a ticket and the work on it, in the name of the token's account."""
        if records.ticket(number) is None:
            raise no_ticket(number)

        def check(detail: TicketDetail) -> None:
            unchanged(if_match, tickets.exactly(detail))

        try:
            tickets.record(board, records, request, number, _report(asked), check)
        except RecordsUnavailable:
            raise
        except (RecordsError, CloseOutRefused) as error:
            raise Refused(409, str(error)) from error
        house.live.shared.forget()
        detail = records.ticket(number)
        if detail is None:
            raise no_ticket(number)
        response.headers["ETag"] = etag(tickets.exactly(detail))
        return ticket_facts(house, detail)


def _report(asked: TicketAct) -> tickets.Report:
    longest = tickets.LONGEST
    match asked:
        case AssignTicket():
            note = clean(asked.note, longest)
            return tickets.Report("assign", note=note, to=clean(asked.to, 100))
        case Arrive():
            note = clean(asked.note, longest)
            return tickets.Report("arrive", note=note, stay_h=asked.stay_h)
        case Leave():
            note = clean(asked.note, longest)
            return tickets.Report(
                "leave", note=note, whom=clean(asked.whom, 100), is_clear=asked.is_clear
            )
        case Finish():
            return tickets.Report("done", note=clean(asked.note, longest))
        case CloseTicket():
            found = tuple(
                PartFinding(
                    f.part, clean(f.found, longest), clean(f.done, longest),
                    clean(f.parts_used, longest),
                    tuple(ReadingTaken(clean(r.what, 80), clean(r.unit, 20), r.before, r.after)
                          for r in f.readings),
                    f.verdict,
                )
                for f in asked.findings
            )  # fmt: skip
            return tickets.Report(
                "close", finding=clean(asked.finding, longest), findings=found,
                cleaned=tuple(asked.cleaned),
            )  # fmt: skip
        case _:
            return tickets.Report(asked.act, note=clean(asked.note, longest))


def _on_visits(router: APIRouter, board: Board, house: House) -> None:
    records, plan = house.source.records, [needs(Role.PLAN)]
    deciding = visits.Deciding(board, records, house.source.configuration)
    tag = "plan and visits"

    @router.post(
        "/visits/{number}/acts", responses=answers(404, 409, 412, 413, 415, 428), tags=[tag],
        dependencies=plan,
    )  # fmt: skip
    def act_on_visit(
        request: Request, response: Response, number: str, asked: VisitAct,
        if_match: IfMatch = None,
    ) -> VisitFacts:  # fmt: skip
        """Confirm or cancel a visit, or wish something about it for the next plan."""
        if records.visit(number) is None:
            raise Refused(404, "There is no visit of that number. api/1/visits lists them.")
        decision = visits.Decision(
            asked.act, note=clean(asked.note, visits.LONGEST), jobs=tuple(asked.jobs),
            day=asked.day.isoformat() if asked.day else "", crew=asked.crew,
            until_day=asked.until.isoformat() if asked.until else "",
        )  # fmt: skip

        def check(now: str) -> None:
            unchanged(if_match, now)

        try:
            deciding.settle(request, number, decision, check)
        except RecordsUnavailable:
            raise
        except (RecordsError, VisitError) as error:
            raise Refused(409, str(error)) from error
        house.live.shared.forget()
        row, wishes = visits.row_of(records, number), records.visit_wishes()
        response.headers["ETag"] = etag(visits.seen(row, wishes))
        return visit_facts(row, wishes)

    @router.post("/plan/anew", responses=answers(409, 413, 415), tags=[tag], dependencies=plan)
    def plan_anew(request: Request, asked: Ask) -> Planned:
        """Make a new plan of what is due; it takes some seconds. Send an empty object."""
        del asked
        try:
            numbers = deciding.plan_anew(request)
        except RecordsUnavailable:
            raise
        except (RecordsError, VisitError) as error:
            raise Refused(409, str(error)) from error
        house.live.shared.forget()
        return Planned(proposed=numbers)

    @router.post(
        "/plan/end-wish", responses=answers(409, 413, 415), tags=[tag], dependencies=plan,
        status_code=204,
    )  # fmt: skip
    def end_wish(request: Request, asked: EndWish) -> None:
        """A wish holds no longer."""
        try:
            deciding.end_wish(request, asked.wish)
        except RecordsUnavailable:
            raise
        except RecordsError as error:
            raise Refused(409, str(error)) from error
        house.live.shared.forget()
