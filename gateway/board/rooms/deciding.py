"""What a planner decides on the board: plan anew, wish, confirm, cancel; with its audit entry."""

from __future__ import annotations

import hashlib
import threading
from datetime import date
from typing import Final

from fastapi import Request
from starlette.exceptions import HTTPException

from gateway.board.board import Board
from gateway.board.doors import actor_of
from gateway.board.forms import Form
from gateway.config.configuration import Configuration
from gateway.records.records import Records
from gateway.records.visit_rows import VisitRow
from gateway.records.visits import NewWish
from gateway.tickets.document import clean
from gateway.visits.telling import VisitError, cancellation, confirmation
from gateway.visits.wishing import check_wish, reopens, visit_facts, wish_facts
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
            made = planned(self._records, self._configuration, self._board.clock_ms(), SOLVER_S)
            with self._board.acting(request) as acting:
                numbers = made.write(self._records, acting.now_ms)
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
        if what in {"confirm", "cancel"}:
            self._tell(request, number, what, form, note)
            return
        with self._board.acting(request) as acting:
            row = self._seen(number, form)
            wish = _wish(row, what, form)
            crews = {crew.id for crew in self._configuration.visits.crews}
            check_wish(row, wish, crews, acting.now_ms)
            wished = self._records.wish_visit(
                wish, by=acting.actor.shown_name, note=note, now_ms=acting.now_ms,
                reopens=reopens(row, wish),
            )  # fmt: skip
            acting.note(
                f"visit: {what}", number, before=visit_facts(row),
                after=wish_facts(wished, wish, note),
            )  # fmt: skip

    def _tell(self, request: Request, number: str, what: str, form: Form, note: str) -> None:
        """Confirm or cancel; the letter is made outside the transaction, which it would hold up."""
        row = self._seen(number, form)
        make = confirmation if what == "confirm" else cancellation
        ready = make(
            self._records, self._configuration, row, by=actor_of(request).shown_name, note=note,
            now_ms=self._board.clock_ms(),
        )  # fmt: skip
        with self._board.acting(request) as acting:
            done = ready.write(self._records)
            acting.note(
                f"visit: {what}", number, before=visit_facts(row),
                after=visit_facts(done) | {"told": [person.email for person in ready.to]}
                | ({"note": note} if note else {}),
            )  # fmt: skip

    def _seen(self, number: str, form: Form) -> VisitRow:
        """The visit, where it is still what the form's reader saw."""
        row = row_of(self._records, number)
        if form.get("seen", "") != seen(row):
            msg = (
                f"{number} was changed meanwhile. Look at it, then say it again. Nothing was "
                "changed."
            )
            raise VisitError(msg)
        return row


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


def _wish(row: VisitRow, what: str, form: Form) -> NewWish:
    """The wish that a form says; VisitError says what is missing."""
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
