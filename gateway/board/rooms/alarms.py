"""The alarms that are not normal, and what an operator does to many of them at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Final
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.concurrency import run_in_threadpool

from gateway.board.acts.alarms import LONGEST_NOTE, ON_UNITS, NothingDone, act_on_alarms
from gateway.board.board import Board
from gateway.board.doors import needs, safe_return
from gateway.board.forms import FormFields
from gateway.board.house import furnish, show
from gateway.board.paper import Paper
from gateway.board.rooms.fleet import Search, Word
from gateway.board.visitor import Role
from gateway.overview.alarms import Show, alarms_view
from gateway.tickets.document import clean
from rules.events import ActionKind

__all__ = ["alarms_room"]

A_PAGE: Final = 100
HOUR_MS: Final = 3_600_000
SHELVES: Final[dict[str, tuple[str, int]]] = {
    "1h": ("1 hour", HOUR_MS),
    "4h": ("4 hours", 4 * HOUR_MS),
    "8h": ("8 hours", 8 * HOUR_MS),
    "1d": ("1 day", 24 * HOUR_MS),
    "3d": ("3 days", 72 * HOUR_MS),
    "7d": ("7 days", 168 * HOUR_MS),
}


@dataclass(frozen=True)
class _Asked:
    """Which alarms an address asks for."""

    q: Search = ""
    show: Word = ""
    priority: Word = ""
    site: Word = ""
    unit: Word = ""
    first: Annotated[int, Query(ge=0, le=1_000_000)] = 0


Asked = Annotated[_Asked, Depends()]


def alarms_room(board: Board, paper: Paper) -> APIRouter:
    """Routes of the alarms' page and of what is done there."""
    router = APIRouter(dependencies=[needs(Role.VIEW)])
    house = board.house
    if house is None:
        return router
    furnish(paper)
    source = house.source

    def listed(request: Request, asked: _Asked, **more: Any) -> Response:
        chosen = Show(asked.show) if asked.show in set(Show) else Show.STANDING
        wanted = {
            "search": asked.q, "priority": asked.priority, "site": asked.site, "unit": asked.unit,
        }  # fmt: skip

        def values() -> dict[str, Any]:
            view = alarms_view(source, show=chosen, first=asked.first, limit=A_PAGE, **wanted)
            return {"view": view, "now_ms": board.clock_ms()}

        kept = {k: v for k, v in {"q": wanted["search"], **wanted}.items() if v and k != "search"}
        status = more.pop("status", 200)
        given = {
            "chosen": chosen, "asked": wanted, "kept": urlencode(kept), "shelves": SHELVES,
            "longest_note": LONGEST_NOTE, "a_page": A_PAGE, "outcome": None, "said": "",
            "trouble": "", "note": "", "picked": frozenset(), **more,
        }  # fmt: skip
        return show(house, paper, request, "alarms.html.j2", values, given, status=status)

    @router.get("/alarms")
    def page(request: Request, asked: Asked, done: Word = "") -> Response:
        return listed(request, asked, said=_said(done))

    @router.post("/alarms", dependencies=[needs(Role.OPERATE)])
    async def act(request: Request, asked: Asked, form: FormFields) -> Response:
        note = clean(form.get("note", ""), LONGEST_NOTE)
        picks, duration = form.all("pick"), form.get("for", "")
        until_ms = board.clock_ms() + SHELVES[duration][1] if duration in SHELVES else 0
        try:
            outcome = await run_in_threadpool(
                act_on_alarms, source, board, request, form.get("act", ""), picks, note, until_ms,
            )  # fmt: skip
        except NothingDone as refused:
            return await run_in_threadpool(
                listed, request, asked, trouble=str(refused), note=note, picked=frozenset(picks),
                status=422,
            )  # fmt: skip
        house.live.shared.forget()
        if outcome.refused:
            return await run_in_threadpool(listed, request, asked, outcome=outcome, status=409)
        back = safe_return(form.get("to", ""))
        mark = f"done={quote(outcome.kind.value)}-{outcome.done}"
        if back and not back.startswith("alarms"):
            return _see(f"./{back}")
        query = [(k, v) for k, v in request.query_params.multi_items() if k not in {"done", "part"}]
        return _see(f"alarms?{urlencode(query)}{'&' if query else ''}{mark}")

    return router


def _see(location: str) -> Response:
    # See it by a GET, so that a page that is loaded anew sends nothing again.
    return Response(status_code=303, headers={"Location": location})


def _said(done: str) -> str:
    """What the last form did, from a mark of ours in the address; '' for anything else."""
    kind, _, count = done.rpartition("-")
    words = {
        ActionKind.ACKNOWLEDGE: "acknowledged",
        ActionKind.SHELVE: "shelved",
        ActionKind.UNSHELVE: "taken off the shelf",
        ActionKind.RESET: "reset",
        ActionKind.OUT_OF_SERVICE: "taken out of service",
        ActionKind.IN_SERVICE: "returned to service",
    }
    if kind not in set(words) or not (count.isascii() and count.isdigit() and len(count) < 6):
        return ""
    number = int(count)
    what = "unit" if kind in ON_UNITS else "alarm"
    return (
        f"Recorded: {number} {what}{'' if number == 1 else 's'} to be {words[ActionKind(kind)]}. "
        "The gateway takes it over within seconds."
    )
