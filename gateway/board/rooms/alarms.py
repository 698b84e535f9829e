"""The alarms that are not normal, and what an operator does to many of them at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Final
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.concurrency import run_in_threadpool

from gateway.board.board import Board
from gateway.board.doors import needs, safe_return
from gateway.board.forms import FormFields
from gateway.board.house import furnish, show
from gateway.board.paper import Paper
from gateway.board.rooms.fleet import Search, Word
from gateway.board.visitor import Role
from gateway.overview.alarms import AlarmItem, Show, alarm_items, alarms_view
from gateway.overview.source import Source
from gateway.records.session import RecordsError
from gateway.tickets.document import clean
from rules.events import ActionKind

__all__ = ["alarms_room"]

A_PAGE: Final = 100
LONGEST_NOTE: Final = 500
HOUR_MS: Final = 3_600_000
SHELVES: Final[dict[str, tuple[str, int]]] = {
    "1h": ("1 hour", HOUR_MS),
    "4h": ("4 hours", 4 * HOUR_MS),
    "8h": ("8 hours", 8 * HOUR_MS),
    "1d": ("1 day", 24 * HOUR_MS),
    "3d": ("3 days", 72 * HOUR_MS),
    "7d": ("7 days", 168 * HOUR_MS),
}
_ACTS: Final = {
    "acknowledge": ActionKind.ACKNOWLEDGE,
    "shelve": ActionKind.SHELVE,
    "unshelve": ActionKind.UNSHELVE,
    "reset": ActionKind.RESET,
    "out-of-service": ActionKind.OUT_OF_SERVICE,
    "in-service": ActionKind.IN_SERVICE,
}
_ON_UNITS: Final = {ActionKind.OUT_OF_SERVICE, ActionKind.IN_SERVICE}
_NEEDS_REASON: Final = {ActionKind.SHELVE, ActionKind.OUT_OF_SERVICE}


@dataclass(frozen=True)
class Outcome:
    """What became of what was asked: how many were recorded, and in words which were not."""

    kind: ActionKind
    done: int
    refused: tuple[str, ...]


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


class _Refused(Exception):
    """Nothing of it can be done; the text says why."""


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
        picks = form.all("pick")
        try:
            outcome = await run_in_threadpool(
                _done, source, board, request, form.get("act", ""), picks, note,
                form.get("for", ""),
            )  # fmt: skip
        except _Refused as refused:
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
    what = "unit" if kind in _ON_UNITS else "alarm"
    return (
        f"Recorded: {number} {what}{'' if number == 1 else 's'} to be {words[ActionKind(kind)]}. "
        "The gateway takes it over within seconds."
    )


def _done(
    source: Source,
    board: Board,
    request: Request,
    act: str,
    picks: Sequence[str],
    note: str,
    duration: str,
) -> Outcome:
    """Ask for an act on each of the alarms that are picked; those that changed are left alone."""
    kind = _ACTS.get(act)
    if kind is None:
        msg = "Choose what is to be done."
        raise _Refused(msg)
    picks = [pick for pick in picks if pick.count("/") in ((1, 3) if kind in _ON_UNITS else (3,))]
    if not picks:
        msg = "No alarm was chosen. Tick the alarms that you mean, then try again."
        raise _Refused(msg)
    if kind in _NEEDS_REASON and not note:
        msg = "Give a reason: whoever comes after you must know why. Nothing was changed."
        raise _Refused(msg)
    now_ms = board.clock_ms()
    until_ms = now_ms + SHELVES[duration][1] if duration in SHELVES else 0
    if kind is ActionKind.SHELVE and not until_ms:
        msg = "Say for how long. A shelved alarm comes back by itself."
        raise _Refused(msg)
    if kind in _ON_UNITS:
        return _on_units(board, request, kind, picks, note, until_ms)
    by_place: dict[tuple[str, str, str], AlarmItem] = {
        (a.site, a.unit, a.fault): a for a in alarm_items(source)
    }
    done, refused = 0, []
    for pick in dict.fromkeys(picks):
        parts = pick.split("/")
        item = by_place.get((parts[0], parts[1], parts[2]))
        if why := _in_the_way(item, kind, parts, source):
            refused.append(why)
            continue
        assert item is not None  # noqa: S101 - else something is in the way
        wanted = until_ms if kind is ActionKind.SHELVE else 0
        try:
            with board.acting(request) as acting:
                board.records.request_action(
                    kind, item.site, item.unit, by=acting.actor.shown_name, now_ms=acting.now_ms,
                    fault=item.fault, note=note, until_ms=wanted,
                )  # fmt: skip
                acting.note(
                    f"alarm: {kind.value}", f"{item.site}/{item.unit}/{item.fault}",
                    before={"state": item.state_words, "by": item.by, "note": item.note},
                    after={"asked": kind.value, "note": note, "until_ms": wanted},
                )  # fmt: skip
        except RecordsError as error:
            refused.append(str(error))
        else:
            done += 1
    return Outcome(kind, done, tuple(refused))


def _in_the_way(
    item: AlarmItem | None, kind: ActionKind, parts: Sequence[str], source: Source
) -> str:
    """Why an alarm is left alone, '' where nothing is in the way."""
    if item is None:
        name = source.names.unit(parts[0], parts[1])
        title = source.names.fault_title(parts[0], parts[1], parts[2])
        return f"{title}, {source.names.site(parts[0])} / {name}: it is normal by now."
    place = f"{item.title}, {item.site_name} / {item.unit_name}"
    same = [a for a in item.asked if a.kind is kind]
    if same:
        return f"{place}: {same[0].by} has just asked for it."
    if str(item.changed_ms) != parts[3]:
        by = f" by {item.by}" if item.by else ""
        return (
            f"{place}: it has changed since you looked; it is now {item.state_words.lower()}{by}."
        )
    if kind not in item.may:
        return f"{place}: not possible while it is {item.state_words.lower()}."
    return ""


def _on_units(
    board: Board,
    request: Request,
    kind: ActionKind,
    picks: Sequence[str],
    note: str,
    until_ms: int,
) -> Outcome:
    units = dict.fromkeys(tuple(p.split("/")[:2]) for p in picks)
    until_ms = until_ms if kind is ActionKind.OUT_OF_SERVICE else 0
    done, refused = 0, []
    for site, unit in units:
        try:
            with board.acting(request) as acting:
                board.records.request_action(
                    kind, site, unit, by=acting.actor.shown_name, now_ms=acting.now_ms, note=note,
                    until_ms=until_ms,
                )  # fmt: skip
                acting.note(
                    f"unit: {kind.value}", f"{site}/{unit}",
                    after={"asked": kind.value, "note": note, "until_ms": until_ms},
                )  # fmt: skip
        except RecordsError as error:
            refused.append(str(error))
        else:
            done += 1
    return Outcome(kind, done, tuple(refused))
