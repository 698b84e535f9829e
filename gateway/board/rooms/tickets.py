"""Tickets: lists, one with its whole life, and what people report about the work."""

from __future__ import annotations

import hashlib
from typing import Any, Final
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from fastapi.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.forms import MOST_FILES, Form, FormFields
from gateway.board.house import furnish, show
from gateway.board.paper import Paper
from gateway.board.rooms.fleet import Word
from gateway.board.visitor import Role
from gateway.overview.tickets import Shown, notice_of, ticket_view, tickets_view
from gateway.records.acknowledging import Awaited, TicketNow
from gateway.records.records import Records
from gateway.records.rows import TicketDetail
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

LONGEST: Final = 2_000
HOUR_MS: Final = 3_600_000
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

    def recorded(request: Request, number: str, what: str, form: Form) -> None:
        """Do it, with what was before and after in the audit trail, or nothing."""
        with board.acting(request) as acting:
            _as_seen(records, number, form.get("seen", ""))
            before = _facts(records, number)
            _do(records, number, what, form, acting.actor.shown_name, acting.now_ms)
            note = {"note": clean(form.get("note", ""), 300)} if form.get("note") else {}
            after = _facts(records, number) | note
            acting.note(f"ticket: {what}", number, before=before, after=after)

    @router.post("/tickets/{number}", dependencies=[needs(Role.OPERATE)])
    async def act(request: Request, number: str, form: FormFields) -> Response:
        what = form.get("act", "")
        try:
            await run_in_threadpool(recorded, request, number, what, form)
        except (RecordsError, CloseOutRefused) as error:
            return await run_in_threadpool(
                one, request, number, status=409, trouble=str(error), given=dict(form)
            )
        house.live.shared.forget()
        location = f"{quote(number, safe='')}?done={quote(what)}"
        return Response(status_code=303, headers={"Location": location})

    return router


def seen(detail: TicketDetail) -> str:
    """Stands for what a reader has seen of a ticket: nobody acts on what has changed since.

    What people have settled counts: its phase, whose it is, who is there. What the gateway adds by
    itself (a reading that worsens, a unit out of service) refuses nobody's report.
    """
    ticket = detail.ticket
    settled = [ticket.state.value, ticket.assignee, *(one.by for one in ticket.on_site)]
    return hashlib.sha256("\n".join(settled).encode()).hexdigest()[:16]


def _as_seen(records: Records, number: str, what: str) -> None:
    """Refuse to go on where the ticket is not what its reader has seen."""
    detail = records.ticket(number)
    if detail is None:
        raise HTTPException(404)
    if what == seen(detail):
        return
    ticket = detail.ticket
    last = detail.entries[-1] if detail.entries else None
    what = (
        f" Last: {last.kind.value}{f' by {clean(last.by, 80)}' if last.by else ''}." if last else ""
    )
    to = f", assigned to {clean(ticket.assignee, 80)}" if ticket.assignee else ""
    msg = (
        f"{ticket.number} has changed since you opened its page: it is now {ticket.state.value}"
        f"{to}.{what} Nothing was recorded. Look at it, then say it again."
    )
    raise RecordsError(msg)


def _facts(records: Records, number: str) -> dict[str, Any]:
    """What of a ticket people change, for the audit trail."""
    detail = records.ticket(number)
    if detail is None:
        return {}
    ticket = detail.ticket
    return {
        "phase": ticket.state.value,
        "assignee": ticket.assignee,
        "on_site": [one.by for one in ticket.on_site],
        "finding": ticket.finding,
    }


def _do(records: Records, number: str, what: str, form: Form, by: str, now_ms: int) -> None:
    """Record what a person says; RecordsError or CloseOutRefused say why it cannot be."""
    note = clean(form.get("note", ""), LONGEST)
    match what:
        case "acknowledge":
            before = records.acknowledge_ticket(number, by=by, note=note, now_ms=now_ms)
            if before.awaited is not Awaited.YES:
                raise RecordsError(_unanswerable(before))
        case "assign":
            records.assign(number, by=by, to=clean(form.get("to", ""), 100), note=note,
                           now_ms=now_ms)  # fmt: skip
        case "arrive":
            hours = form.get("for", "")
            stay_ms = int(hours) * HOUR_MS if hours in STAYS else 4 * HOUR_MS
            records.arrive(number, by=by, note=note, until_ms=now_ms + stay_ms, now_ms=now_ms)
        case "leave":
            records.leave(number, by=by, note=note, now_ms=now_ms)
        case "done":
            records.finish(number, by=by, note=note, now_ms=now_ms)
        case "close":
            records.close_ticket(
                number, by=by, finding=clean(form.get("found", ""), LONGEST),
                findings=_findings(form), cleaned=form.all("cleaned"), now_ms=now_ms,
            )  # fmt: skip
        case "note":
            if not note:
                msg = "The note is empty. Nothing was changed."
                raise RecordsError(msg)
            records.add_note(number, by=by, note=note, now_ms=now_ms)
        case _:
            msg = "Choose what is to be recorded. Nothing was changed."
            raise RecordsError(msg)


def _unanswerable(now: TicketNow) -> str:
    """Why a ticket awaits no acknowledgement."""
    ticket = now.detail.ticket
    match now.awaited:
        case Awaited.ASKED:
            who = clean(now.asked.by, 80) if now.asked else "Somebody"
            why = f"{who} has just acknowledged it; the gateway takes that over within seconds."
        case Awaited.ACKNOWLEDGED:
            why = f"{clean(ticket.acknowledged_by, 80) or 'Somebody'} has acknowledged it already."
        case Awaited.CLOSED:
            why = "It is closed."
        case Awaited.HELD:
            why = "Its alarm is shelved, suppressed or out of service: there is nothing to answer."
        case _:
            why = "Its alarm is over or was answered."
    return f"{ticket.number} awaits no acknowledgement. {why} Nothing was changed."


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
