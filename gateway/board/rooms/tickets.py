"""Tickets: lists, one with its whole life, and what people report about the work."""

from __future__ import annotations

from typing import Any, Final
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from fastapi.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from gateway.board.acts.tickets import LONGEST, Report, as_seen, record, seen
from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.forms import MOST_FILES, Form, FormFields
from gateway.board.house import furnish, show
from gateway.board.paper import Paper
from gateway.board.rooms.fleet import Word
from gateway.board.visitor import Role
from gateway.overview.tickets import Shown, notice_of, ticket_view, tickets_view
from gateway.records.session import RecordsError
from gateway.tickets.closeout import (
    PARTS,
    CloseOutRefused,
    PartFinding,
    ReadingTaken,
    verdict_of,
)
from gateway.tickets.document import clean
from gateway.tickets.life import Act
from rules.lessons import PartVerdict
from rules.signals import SIGNALS
from rules.state import CLEANABLE_PARTS

__all__ = ["tickets_room"]

STAYS: Final = {"1": "1 hour", "2": "2 hours", "4": "4 hours", "6": "6 hours", "8": "8 hours",
                "12": "12 hours"}  # fmt: skip
FINDINGS: Final = 3
"""Parts that the close-out form has room for; further ones are added by notes."""
_TAKEN_BY_HAND: Final = tuple(s for s in SIGNALS if s.kind == "analogue")
_SAID: Final = {
    "acknowledge": "Recorded: acknowledged. The gateway takes it over within seconds.",
    "assign": "Recorded: assigned.",
    "arrive": "Recorded: on site. The unit's alarms go out of service within seconds. This "
    "isolates nothing: lock and tag by the site's own energy-control procedure.",
    "leave": "Recorded: left the site.",
    "left": "Recorded: who has left the site.",
    "done": "Recorded: the work is done. Wait here for what the readings show before you leave.",
    "close": "Recorded: closed.",
    "note": "Recorded: your note.",
    "file": "Recorded: what you attached.",
}  # fmt: skip


def tickets_room(board: Board, paper: Paper) -> APIRouter:
    """Routes of tickets."""
    router = APIRouter(dependencies=[needs(Role.VIEW)])
    house = board.house
    if house is None:
        return router
    furnish(paper)
    source, renderer, records = house.source, house.renderer, house.source.records

    @router.get("/tickets")
    def listed(
        request: Request,
        show_: Word = "open",
        priority: Word = "",
        site: Word = "",
        unit: Word = "",
        before: int = 0,
    ) -> Response:
        shown = Shown(show_) if show_ in set(Shown) else Shown.OPEN

        def values() -> dict[str, Any]:
            view = tickets_view(
                source, shown=shown, priority=priority, site=site, unit=unit,
                before_id=before if before > 0 else None,
            )  # fmt: skip
            return {"view": view, "now_ms": board.clock_ms()}

        given = {"shown": shown, "priority": priority, "site": site, "unit": unit}
        return show(house, paper, request, "tickets.html.j2", values, given)

    def one(request: Request, number: str, *, status: int = 200, **more: Any) -> Response:
        view = ticket_view(source, renderer, number)
        if view is None:
            raise HTTPException(404)
        now = records.ticket_now(number)
        given = {
            "said": "", "trouble": "", "given": {}, "stays": STAYS, "parts": PARTS,
            "verdicts": PartVerdict,
            "cleanable": CLEANABLE_PARTS, "room_for": range(FINDINGS), "Act": Act,
            "longest": LONGEST, "signals": _TAKEN_BY_HAND, "most_files": MOST_FILES,
            "titles": {s.name: s.title for s in SIGNALS},
            "seen": seen(view.detail), **more,
        }  # fmt: skip

        def values() -> dict[str, Any]:
            return {
                "view": view, "now": now, "now_ms": board.clock_ms(),
                "zone": source.names.zone(view.line.site),
            }  # fmt: skip

        return show(house, paper, request, "ticket_room.html.j2", values, given, status=status)

    @router.get("/tickets/{number}")
    def page(request: Request, number: str, done: Word = "") -> Response:
        return one(request, number, said=_SAID.get(done, ""))

    @router.get("/tickets/{number}/sheet.pdf")
    def sheet(number: str) -> Response:
        detail = records.ticket(number)
        if detail is None:
            raise HTTPException(404)
        name = quote(f"{detail.ticket.number}.pdf")
        return Response(
            renderer.sheet(notice_of(detail)),
            media_type="application/pdf",
            headers={"Content-Disposition": f"inline; filename*=UTF-8''{name}"},
        )

    def recorded(request: Request, number: str, form: Form) -> None:
        report, then = _report(form), form.get("seen", "")
        record(board, records, request, number, report, lambda detail: as_seen(detail, then))

    @router.post("/tickets/{number}", dependencies=[needs(Role.OPERATE)])
    async def act(request: Request, number: str, form: FormFields) -> Response:
        what = form.get("act", "")
        try:
            await run_in_threadpool(recorded, request, number, form)
        except (RecordsError, CloseOutRefused) as error:
            return await run_in_threadpool(
                one, request, number, status=409, trouble=str(error), given=dict(form)
            )
        house.live.shared.forget()
        location = f"{quote(number, safe='')}?done={quote(what)}"
        return Response(status_code=303, headers={"Location": location})

    return router


def _report(form: Form) -> Report:
    hours, act = form.get("for", ""), form.get("act", "")
    if act == "left":  # another than the visitor, whom nobody must take for him
        act = "leave"
        if not form.get("whom"):
            msg = "Say who has left. Nothing was changed."
            raise RecordsError(msg)
    return Report(
        act,
        note=clean(form.get("note", ""), LONGEST),
        to=clean(form.get("to", ""), 100),
        stay_h=float(hours) if hours in STAYS else 4.0,
        whom=clean(form.get("whom", ""), 100) if form.get("act") == "left" else "",
        is_clear=form.get("clear") == "yes",
        finding=clean(form.get("found", ""), LONGEST),
        findings=tuple(_findings(form)) if form.get("act") == "close" else (),
        cleaned=tuple(form.all("cleaned")),
    )


def _findings(form: Form) -> list[PartFinding]:
    found = []
    for i in range(FINDINGS):
        part, text, reading = form.get(f"part{i}", ""), form.get(f"found{i}", ""), _reading(form, i)
        if part or text.strip() or reading:
            if not part:
                of = clean(text, 60) or reading[0].what
                msg = f"Say at which part '{of}' was found. Nothing was changed."
                raise CloseOutRefused(msg)
            did, used = form.get(f"did{i}", ""), form.get(f"used{i}", "")
            verdict = verdict_of(form.get(f"verdict{i}", ""))
            found.append(PartFinding(part, text, did, used, reading, verdict))
    return found


def _reading(form: Form, i: int) -> tuple[ReadingTaken, ...]:
    """The reading beside a part, none where nothing was written."""
    what = form.get(f"reading{i}", "")
    values = [form.get(f"{when}{i}", "").strip() for when in ("before", "after")]
    if not any(values):
        return ()
    try:
        before, after = [float(v.replace(",", ".")) if v else None for v in values]
    except ValueError:
        msg = (
            f"'{clean(' and '.join(v for v in values if v), 60)}' is no number. Write the reading "
            "before and after the work as numbers alone. Nothing was changed."
        )
        raise CloseOutRefused(msg) from None
    return (ReadingTaken(what, "", before, after),)
