"""The plan: visits with their stops and jobs, parts that become due, wishes that hold."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Annotated, Final

from fastapi import APIRouter, Query, Response

from gateway.board.acts.visits import seen
from gateway.board.api.routing import ApiRoute, answers
from gateway.board.api.sites import known_place
from gateway.board.api.terms import (
    After,
    Fact,
    Limit,
    Name,
    Page,
    Time,
    at,
    etag,
    keyed,
    mark_of,
)
from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.house import House
from gateway.board.problems import Refused
from gateway.board.visitor import Role
from gateway.overview.plan import plan_view
from gateway.records.visit_rows import VisitRow, VisitState, WishRow
from gateway.tickets.document import clean
from gateway.visits.wishing import wishes_about
from rules.visits.wishes import WishKind

__all__ = ["VisitFacts", "facts_of", "plan_routes"]

MOST_TICKETS: Final = 10_000
"""Programs turn pages over all that wait."""


class Job(Fact):
    """One job at one unit."""

    key: str
    """Names the need: site, unit and part or ticket. Wishes name jobs by it."""
    unit: str
    """Empty for the panel of the site's gateway."""
    part: str
    job: str
    """The job plan (`basinward rules` lists them)."""
    hours: float
    """A crew's, without travel. [h]"""
    tickets: list[str]
    why: str
    due_early: datetime | None
    """Begin of the range of dates in which it is due; null where a ticket asks for it."""
    due_likely: datetime | None
    due_late: datetime | None


class Stop(Fact):
    """A site of the day."""

    site: str
    begins: Time
    ends: Time
    drive_h: float
    """To get there. [h]"""
    why: str
    wet_off: datetime | None
    """When wet running must have stopped so that the pads are dry; null: no pads are touched."""
    jobs: list[Job]


class VisitFacts(Fact):
    """One crew's day; the header ETag of a single visit stands for it as it is."""

    number: str
    state: VisitState
    is_told: bool
    """Whether the crew knows of it in some form."""
    crew: str
    day: date
    """By the first site's clock."""
    leaves: Time
    home: Time
    drive_h: float
    """Of the whole day. [h]"""
    why: str
    changed_by: str
    note: str
    wishes: list[int]
    """Numbers of the wishes that hold about its jobs; `plan` says what they are."""
    stops: list[Stop]


class Visits(Page):
    """Visits, by day."""

    items: list[VisitFacts]


class Wish(Fact):
    """What a planner decided, while it holds."""

    number: int
    kind: WishKind
    jobs: list[str]
    apart: list[str]
    """Jobs from which those are kept apart."""
    day: date | None
    until_day: date | None
    crew: str
    by: str
    note: str
    made: Time


class PlanFacts(Fact):
    """How the last plan came out, and the wishes it must keep."""

    made: datetime | None
    """Null before the first plan."""
    cost_h: float | None
    """In hours of a crew, as `basinward visits` explains it. [h]"""
    gap_frac: float | None
    """How far it may be from the best plan of its kind, as a share of its cost."""
    left: list[LeftOut]
    """Needs without a visit."""
    conflicts: list[str]
    not_planned: list[str]
    """Sites without coordinates."""
    awaited: int
    """Units of which a date was not worked out when the plan was made: it lacks that work."""
    wishes: list[Wish]


class LeftOut(Fact):
    """A need without a visit, and why."""

    job: str
    why: str


class PartDue(Fact):
    """A part that reaches its limit some day."""

    site: str
    unit: str
    part: str
    verdict: str
    condition_pct: float | None
    """100 is clean and whole, 0 the limit. [%]"""
    early: datetime | None
    """Begin of the 80 % range; null where no date can be told."""
    likely: datetime | None
    late: datetime | None
    reason: str


class PartsDue(Page):
    """Parts with a date, the earliest first."""

    items: list[PartDue]
    awaited: int
    """Units of which the gateway still works out a date; that part is not among the items."""


class TicketDue(Fact):
    """A ticket that nobody has closed, with the moment by which it should be done."""

    ticket: str
    site: str
    unit: str
    priority: str
    due: Time
    is_overdue: bool


class TicketsDue(Page):
    """Tickets that nobody has closed, the earliest due first."""

    items: list[TicketDue]


PlanFacts.model_rebuild()


def plan_routes(board: Board, house: House) -> APIRouter:
    """Routes of visits and of what is due."""
    router = APIRouter(
        route_class=ApiRoute, tags=["plan and visits"], dependencies=[needs(Role.VIEW)]
    )
    records = house.source.records

    @router.get("/visits", responses=answers())
    def list_visits(
        state: Annotated[
            list[VisitState] | None, Query(description="Several may be given.")
        ] = None,
        since: Annotated[date | None, Query(description="Of that day and later.")] = None,
        limit: Limit = 100,
        after: After = "",
    ) -> Visits:
        """Visits, by day."""
        rows = records.visits(
            state or list(VisitState), since_day=since.isoformat() if since else ""
        )
        items, following = keyed(
            rows, after, limit, lambda row: (row.day, row.begins_ms, row.number), (str, int, str)
        )
        wishes = records.visit_wishes()
        return Visits(next=following, items=[facts_of(row, wishes) for row in items])

    @router.get("/visits/{number}", responses=answers(404))
    def get_visit(number: str, response: Response) -> VisitFacts:
        """One visit."""
        row = records.visit(number)
        if row is None:
            raise Refused(404, "There is no visit of that number. api/1/visits lists them.")
        wishes = records.visit_wishes()
        response.headers["ETag"] = etag(seen(row, wishes))
        return facts_of(row, wishes)

    @router.get("/plan", responses=answers())
    def get_plan() -> PlanFacts:
        """How the last plan came out, and the wishes that hold."""
        plan, outcome = records.visit_plan(), None
        if plan is not None:
            outcome = plan.outcome
        return PlanFacts(
            made=at(plan.made_ms) if plan else None,
            cost_h=outcome.cost_h if outcome else None, gap_frac=outcome.gap if outcome else None,
            left=[LeftOut(job=one.key, why=one.why) for one in (outcome.left if outcome else ())],
            conflicts=list(outcome.conflicts) if outcome else [],
            not_planned=list(outcome.not_planned) if outcome else [],
            awaited=outcome.awaited if outcome else 0,
            wishes=[
                Wish(
                    number=w.number, kind=w.kind, jobs=list(w.needs), apart=list(w.apart),
                    day=w.day or None, until_day=w.until_day or None, crew=w.crew,
                    by=clean(w.by, 80), note=clean(w.note, 300), made=at(w.made_ms),
                )
                for w in records.visit_wishes()
            ],
        )  # fmt: skip

    @router.get("/parts-due", responses=answers(404))
    def list_parts_due(
        site: Name = "", unit: Name = "", limit: Limit = 100, after: After = ""
    ) -> PartsDue:
        """When each part reaches its limit; parts without a date come last."""
        known_place(house.source, site, unit)
        # What is due already is told as due now. So that it keeps its place from page to page,
        # all pages are of the moment of the first.
        mark = mark_of(after, (int, int, str, str, str))
        now_ms = int(mark[0]) if mark else board.clock_ms()
        known = records.due_known(site, unit, now_ms=now_ms)
        # What has left the files has no due date, though the records still know of its wear.
        here = house.source.names.units
        items, following = keyed(
            [one for one in known.ranges if (one.site, one.unit) in here], after, limit,
            lambda one: (
                now_ms, one.due.early_ms if one.due.early_ms is not None else 2**62, one.site,
                one.unit, one.due.part,
            ),
            (int, int, str, str, str),
        )  # fmt: skip
        return PartsDue(
            next=following,
            awaited=sum(one in here for one in known.awaited),
            items=[
                PartDue(
                    site=one.site, unit=one.unit, part=one.due.part,
                    verdict=one.due.verdict.value, condition_pct=one.due.condition_pct,
                    early=at(one.due.early_ms), likely=at(one.due.likely_ms),
                    late=at(one.due.late_ms), reason=one.due.reason,
                )
                for one in items
            ],
        )  # fmt: skip

    @router.get("/tickets-due", responses=answers())
    def list_tickets_due(team: Name = "", limit: Limit = 100, after: After = "") -> TicketsDue:
        """Tickets that nobody has closed, by when they should be done."""
        view = plan_view(house.source, board.clock_ms(), team=team, limit=MOST_TICKETS)
        items, following = keyed(
            view.lines, after, limit, lambda one: (one.due_ms, one.ticket.id), (int, int)
        )
        return TicketsDue(
            next=following,
            items=[
                TicketDue(
                    ticket=one.ticket.number, site=one.ticket.site, unit=one.ticket.unit,
                    priority=one.ticket.priority, due=at(one.due_ms), is_overdue=one.is_overdue,
                )
                for one in items
            ],
        )  # fmt: skip

    return router


def facts_of(row: VisitRow, wishes: Sequence[WishRow]) -> VisitFacts:
    """A visit as it is answered; ``wishes`` are all that hold."""
    course = row.course
    return VisitFacts(
        number=row.number, state=row.state, is_told=row.sequence >= 0, crew=row.crew, day=row.day,
        leaves=at(course.leaves_ms), home=at(course.home_ms), drive_h=course.drive_h,
        why=course.why, changed_by=clean(row.changed_by, 80), note=clean(row.note, 300),
        wishes=[one.number for one in wishes_about(row, wishes)],
        stops=[
            Stop(
                site=stop.site, begins=at(stop.begins_ms), ends=at(stop.ends_ms),
                drive_h=stop.drive_h, why=stop.why, wet_off=at(stop.wet_off_ms),
                jobs=[
                    Job(
                        key=job.key, unit=job.unit, part=job.part, job=job.job, hours=job.hours,
                        tickets=list(job.tickets), why=clean(job.why, 500),
                        due_early=at(job.early_ms), due_likely=at(job.likely_ms),
                        due_late=at(job.late_ms),
                    )
                    for job in stop.jobs
                ],
            )
            for stop in course.stops
        ],
    )  # fmt: skip
