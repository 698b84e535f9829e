"""The plan: visits by week, one visit with its reasons, and what a planner decides about it."""

from __future__ import annotations

from datetime import date
from typing import Any, Final
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from fastapi.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from gateway.board.acts.visits import LONGEST, Deciding, Decision, as_seen, row_of, seen
from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.forms import Form, FormFields
from gateway.board.house import furnish, show
from gateway.board.paper import Paper
from gateway.board.rooms.fleet import Word
from gateway.board.visitor import Role
from gateway.overview.plan import plan_view
from gateway.overview.visits import asked_for, due_lines, visit_line, visits_view, wish_lines
from gateway.records.session import RecordsError
from gateway.tickets.document import clean
from gateway.visits.pack_paper import pack_paper
from gateway.visits.telling import VisitError, pack_of, page_of
from gateway.visits.wishing import wishes_about
from rules.safety import SafetyTextMissing

__all__ = ["plan_room"]

_MOST_DUE: Final = 200
_SAID: Final = {
    "pin": "Recorded: the visit keeps its day and crew in every later plan.",
    "move": "Recorded. Plan anew to see what comes of it.",
    "split": "Recorded. Plan anew to see what comes of it.",
    "refuse": "Recorded. Plan anew to see what comes of it.",
    "confirm": "Confirmed. The crew gets the work pack by mail as soon as the gateway sends it.",
    "cancel": "Cancelled. The crew is told by mail as soon as the gateway sends it.",
    "anew": "Planned anew. What was confirmed stays as it was.",
    "unwish": "The wish does not hold any more. Plan anew to see what comes of it.",
}  # fmt: skip


def plan_room(board: Board, paper: Paper) -> APIRouter:
    """Routes of the plan."""
    router = APIRouter(dependencies=[needs(Role.VIEW)])
    house = board.house
    if house is None:
        return router
    furnish(paper)
    source = house.source
    records, configuration = source.records, source.configuration
    team_of = {site.id: site.team for site in configuration.sites}
    teams = sorted(set(team_of.values()))
    deciding = Deciding(board, records, configuration)

    def overview(request: Request, team: str = "", *, status: int = 200, **more: Any) -> Response:
        def values() -> dict[str, Any]:
            now_ms = board.clock_ms()
            # What is not in the files any more has no page, and nobody is sent there.
            ours = {site for site, its in team_of.items() if not team or its == team}
            due = records.first_due(now_ms, _MOST_DUE, ours)
            tickets = plan_view(source, now_ms, team=team)
            lines = due_lines(source.names, due.ranges)
            rest, asked = asked_for(lines, [line.ticket for line in tickets.lines])
            return {
                "view": visits_view(source, now_ms, team=team),
                "due": rest, "due_total": due.total - (len(lines) - len(rest)),
                "due_asked": asked, "due_awaited": due.awaited, "tickets": tickets,
            }  # fmt: skip

        given = {"team": team, "teams": teams, "said": "", "trouble": "", **more}
        return show(house, paper, request, "plan.html.j2", values, given, status=status)

    def one(request: Request, number: str, *, status: int = 200, **more: Any) -> Response:
        row, wishes = row_of(records, number), records.visit_wishes()
        given = {
            "said": "", "trouble": "", "given": Form(), "crews": configuration.visits.crews,
            "longest": LONGEST, "seen": seen(row, wishes), **more,
        }  # fmt: skip
        values = {
            "visit": visit_line(source.names, row), "now_ms": board.clock_ms(),
            "wishes": wish_lines(source.names, wishes_about(row, wishes)),
        }  # fmt: skip
        return show(house, paper, request, "visit.html.j2", lambda: values, given, status=status)

    @router.get("/plan")
    def plan(request: Request, team: Word = "", done: Word = "") -> Response:
        return overview(request, team, said=_SAID.get(done, ""))

    def settle(request: Request, number: str, form: Form) -> None:
        then = form.get("seen", "")
        deciding.settle(request, number, _decision(form), lambda now: as_seen(number, now, then))

    @router.post("/plan", dependencies=[needs(Role.PLAN)])
    async def act_on_all(request: Request, form: FormFields) -> Response:
        what = form.get("act", "")
        try:
            await run_in_threadpool(_whole, deciding, request, what, form)
        except (RecordsError, VisitError) as error:
            return await run_in_threadpool(overview, request, status=409, trouble=str(error))
        house.live.shared.forget()
        return Response(status_code=303, headers={"Location": f"plan?done={quote(what)}"})

    @router.get("/plan/{number}")
    def page(request: Request, number: str, done: Word = "") -> Response:
        return one(request, number, said=_SAID.get(done, ""))

    @router.get("/plan/{number}/pack.pdf")
    def pack(number: str) -> Response:
        row, now_ms = row_of(records, number), board.clock_ms()
        try:
            made = pack_of(records, configuration, row, now_ms=now_ms)
        except SafetyTextMissing:
            raise HTTPException(404) from None
        return Response(
            pack_paper(made, made_ms=now_ms, page=page_of(configuration, row)),
            media_type="application/pdf",
            headers={"Content-Disposition": f'inline; filename="Work pack {row.number}.pdf"'},
        )

    @router.post("/plan/{number}", dependencies=[needs(Role.PLAN)])
    async def act(request: Request, number: str, form: FormFields) -> Response:
        what = form.get("act", "")
        try:
            await run_in_threadpool(settle, request, number, form)
        except (RecordsError, VisitError) as error:
            return await run_in_threadpool(
                one, request, number, status=409, trouble=str(error), given=form
            )
        house.live.shared.forget()
        location = f"{quote(number, safe='')}?done={quote(what)}"
        return Response(status_code=303, headers={"Location": location})

    return router


def _whole(deciding: Deciding, request: Request, what: str, form: Form) -> None:
    match what:
        case "anew":
            deciding.plan_anew(request)
        case "unwish":
            text = form.get("wish", "")
            if not (text.isascii() and text.isdigit() and len(text) < 10):
                msg = "Choose the wish that is to end. Nothing was changed."
                raise VisitError(msg)
            deciding.end_wish(request, int(text))
        case _:
            msg = "Choose what is to be done. Nothing was changed."
            raise VisitError(msg)


def _decision(form: Form) -> Decision:
    return Decision(
        form.get("act", ""),
        note=clean(form.get("note", ""), LONGEST),
        jobs=tuple(form.all("job")),
        day=_date(form.get("day", "")),
        crew=form.get("crew", ""),
        until_day=_date(form.get("until", "")),
    )


def _date(text: str) -> str:
    """An ISO date or ''."""
    text = text.strip()
    if not text:
        return ""
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        msg = f"'{clean(text, 40)}' is no date. Write it as 2026-03-05. Nothing was changed."
        raise VisitError(msg) from None
