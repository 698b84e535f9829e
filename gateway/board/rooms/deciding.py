"""What a planner decides on the board: plan anew, wish, confirm, cancel; with its audit entry."""

from __future__ import annotations

import hashlib
import threading
from datetime import date
from typing import Any, Final

from fastapi import Request
from starlette.exceptions import HTTPException

from gateway.board.board import Board
from gateway.board.forms import Form
from gateway.config.configuration import Configuration
from gateway.records.records import Records
from gateway.records.session import RecordsError
from gateway.records.visit_rows import VisitRow, VisitState
from gateway.records.visits import NewWish
from gateway.tickets.document import clean
from gateway.visits.telling import VisitError, cancel_visit, confirm_visit
from rules.visits.wishes import WishKind

__all__ = ["LONGEST", "Deciding", "row_of", "seen"]

LONGEST: Final = 300
SOLVER_S: Final = 10.0
"""Time for the solver: somebody waits for the page."""


class Deciding:
    """Carries out what a form says; RecordsError and VisitError say why it cannot be."""

    def __init__(self, board: Board, records: Records, configuration: Configuration) -> None:
        """On these records, for the visitors of this board."""
        self._board, self._records, self._configuration = board, records, configuration
        self._planning = threading.Lock()

    def plan_anew(self, request: Request) -> None:
        """Plan outside the transaction: it takes seconds in which others must be able to write."""
        try:
            from gateway.visits.proposing import planned  # noqa: PLC0415 - needs an extra
        except ModuleNotFoundError:
            msg = "Planning needs the extra 'visits', whose solver is not installed here."
            raise VisitError(msg) from None
        if not self._configuration.visits.crews:
            msg = "There are no crews. Write crews.toml in the fleet directory first."
            raise VisitError(msg)
        if not self._planning.acquire(blocking=False):
            msg = "Somebody has a plan made at this moment. Look at it in some seconds."
            raise VisitError(msg)
        try:
            before = _fixed(self._records)
            proposals, outcome = planned(
                self._records, self._configuration, self._board.clock_ms(), SOLVER_S
            )
            with self._board.acting(request) as acting:
                if _fixed(self._records) != before:
                    msg = "Visits or wishes changed meanwhile. Plan anew; nothing was changed."
                    raise RecordsError(msg)
                numbers = self._records.propose_visits(proposals, outcome, acting.now_ms)
                acting.note("visits: anew", "plan", after={"proposed": numbers})
        finally:
            self._planning.release()

    def whole(self, request: Request, what: str, form: Form) -> None:
        """Do what is about the plan as a whole."""
        match what:
            case "anew":
                self.plan_anew(request)
            case "unwish":
                text = form.get("wish", "")
                if not (text.isascii() and text.isdigit() and len(text) < 10):
                    msg = "Choose the wish that is to end. Nothing was changed."
                    raise VisitError(msg)
                with self._board.acting(request) as acting:
                    self._records.end_visit_wish(
                        int(text), by=acting.actor.shown_name, now_ms=acting.now_ms
                    )
                    acting.note("visits: unwish", f"wish {int(text)}")
            case _:
                msg = "Choose what is to be done. Nothing was changed."
                raise VisitError(msg)

    def settle(self, request: Request, number: str, what: str, form: Form) -> None:
        """Do it, with what was before and after in the audit trail, or nothing."""
        note = clean(form.get("note", ""), LONGEST)
        with self._board.acting(request) as acting:
            row = row_of(self._records, number)
            by, now_ms = acting.actor.shown_name, acting.now_ms
            after: dict[str, Any]
            if form.get("seen", "") != seen(row):
                msg = (
                    f"{number} was changed meanwhile. Look at it, then say it again. Nothing was "
                    "changed."
                )
                raise VisitError(msg)
            if what in {"confirm", "cancel"}:
                act = confirm_visit if what == "confirm" else cancel_visit
                row_after, to = act(
                    self._records, self._configuration, row, by=by, note=note, now_ms=now_ms
                )
                after = _facts(row_after) | {"told": [person.email for person in to]}
            else:
                wish = _wish(
                    row, what, form, {crew.id for crew in self._configuration.visits.crews}
                )
                changes = row.state is VisitState.CONFIRMED and wish.kind is not WishKind.PIN
                wished = self._records.wish_visit(
                    wish, by=by, note=note, now_ms=now_ms, reopens=number if changes else ""
                )
                after = {
                    "wish": wished, "needs": list(wish.needs), "day": wish.day,
                    "until_day": wish.until_day, "crew": wish.crew,
                }  # fmt: skip
            acting.note(
                f"visit: {what}", number, before=_facts(row),
                after=after | ({"note": note} if note else {}),
            )  # fmt: skip


def row_of(records: Records, number: str) -> VisitRow:
    """The visit of that number; without one there is no page."""
    row = records.visit(number)
    if row is None:
        raise HTTPException(404)
    return row


def seen(row: VisitRow) -> str:
    """Stands for what a reader has seen: no mail and no wish may be about what nobody looked at."""
    jobs = hashlib.sha256("\n".join(sorted(row.course.needs)).encode()).hexdigest()[:16]
    return f"{row.state.value} {row.day} {row.crew} {row.changed_ms} {row.sequence} {jobs}"


def _fixed(records: Records) -> tuple[object, object]:
    """What a plan takes as given."""
    return records.visits([VisitState.CONFIRMED]), records.visit_wishes()


def _facts(row: VisitRow) -> dict[str, Any]:
    return {"state": row.state.value, "day": row.day, "crew": row.crew}


def _wish(row: VisitRow, what: str, form: Form, crews: set[str]) -> NewWish:
    """The wish that a form says; VisitError says what is missing."""
    if row.state not in {VisitState.PROPOSED, VisitState.CONFIRMED}:
        msg = f"{row.number} is {row.state.value}, so no wish is about it. Nothing was changed."
        raise VisitError(msg)
    chosen = sorted(set(form.all("job")))
    if set(chosen) - row.course.needs:
        msg = f"{row.number} has other jobs by now. Choose again; nothing was changed."
        raise VisitError(msg)
    every = chosen or sorted(row.course.needs)
    match what:
        case "pin":
            return NewWish(WishKind.PIN, every, day=row.day, crew=row.crew)
        case "move":
            day, crew = _date(form.get("day", "")), form.get("crew", "")
            if crew and crew not in crews:
                msg = "Choose a crew of the list. Nothing was changed."
                raise VisitError(msg)
            if not (day or crew):
                msg = "Say where to: a day, a crew, or both. Nothing was changed."
                raise VisitError(msg)
            return NewWish(WishKind.MOVE, every, day=day, crew=crew)
        case "split":
            rest = sorted(row.course.needs - set(chosen))
            if not chosen or not rest:
                msg = "Tick the jobs to take out, but not all of them. Nothing was changed."
                raise VisitError(msg)
            return NewWish(WishKind.SPLIT, chosen, apart=rest)
        case "refuse":
            until = _date(form.get("until", ""))
            return NewWish(
                WishKind.REFUSE, every, day="" if until else row.day, until_day=until or row.day
            )
        case _:
            msg = "Choose what is to be done. Nothing was changed."
            raise VisitError(msg)


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
