"""What a planner decides on the board: plan anew, wish, confirm, cancel; with its audit entry."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from fastapi import Request
from starlette.exceptions import HTTPException

from gateway.board.board import Board
from gateway.board.doors import actor_of
from gateway.config.configuration import Configuration
from gateway.records.records import Records
from gateway.records.visit_rows import VisitRow, WishRow
from gateway.records.visits import NewWish
from gateway.visits.telling import VisitError, cancellation, confirmation
from gateway.visits.wishing import check_wish, reopens, visit_facts, wish_facts, wishes_about
from rules.visits.wishes import WishKind

__all__ = ["LONGEST", "Deciding", "Decision", "as_seen", "row_of", "seen"]

LONGEST: Final = 300
SOLVER_S: Final = 10.0
"""Time for the solver: somebody waits for the page."""


@dataclass(frozen=True)
class Decision:
    """What a planner decides about a visit.

    ``act`` is 'confirm', 'cancel', 'pin', 'move' (``day``, ``crew`` or both), 'split' or 'refuse'
    (``until_day``); days are ISO dates or ''. ``jobs`` are keys of the visit's jobs, none for all.
    """

    act: str
    note: str = ""
    jobs: tuple[str, ...] = ()
    day: str = ""
    crew: str = ""
    until_day: str = ""


class Deciding:
    """Carries out what a planner says; RecordsError and VisitError say why it cannot be."""

    def __init__(self, board: Board, records: Records, configuration: Configuration) -> None:
        """On these records, for the visitors of this board."""
        self._board, self._records, self._configuration = board, records, configuration
        self._planning = threading.Lock()

    def plan_anew(self, request: Request) -> list[str]:
        """Propose visits anew; their numbers.

        It plans outside the transaction: that takes seconds in which others must be able to write.
        """
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
            return numbers
        finally:
            self._planning.release()

    def end_wish(self, request: Request, number: int) -> None:
        """The wish does not hold any more."""
        with self._board.acting(request) as acting:
            self._records.end_visit_wish(number, by=acting.actor.shown_name, now_ms=acting.now_ms)
            acting.note("visits: unwish", f"wish {number}")

    def settle(
        self,
        request: Request,
        number: str,
        decision: Decision,
        check: Callable[[str], None],
    ) -> None:
        """Do it, with what was before and after in the audit trail, or nothing.

        ``check`` gets what :func:`seen` makes of the visit as it is in the transaction that writes,
        and raises where it is not what the planner has seen.
        """
        note, what = decision.note, decision.act
        if what in {"confirm", "cancel"}:
            self._tell(request, number, decision, check)
            return
        with self._board.acting(request) as acting:
            row = row_of(self._records, number)
            check(seen(row, self._records.visit_wishes()))
            wish = _wish(row, decision)
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

    def _tell(
        self, request: Request, number: str, decision: Decision, check: Callable[[str], None]
    ) -> None:
        """Confirm or cancel; the letter is made outside the transaction, which it would hold up."""
        note, what = decision.note, decision.act
        row = row_of(self._records, number)
        check(seen(row, self._records.visit_wishes()))
        make = confirmation if what == "confirm" else cancellation
        ready = make(
            self._records, self._configuration, row, by=actor_of(request).shown_name, note=note,
            now_ms=self._board.clock_ms(),
        )  # fmt: skip
        with self._board.acting(request) as acting:
            # Somebody may have wished something while the letter was made.
            check(seen(row_of(self._records, number), self._records.visit_wishes()))
            done = ready.write(self._records)
            acting.note(
                f"visit: {what}", number, before=visit_facts(row),
                after=visit_facts(done) | {"told": [person.email for person in ready.to]}
                | ({"note": note} if note else {}),
            )  # fmt: skip


def as_seen(number: str, is_now: str, what: str) -> None:
    """Refuse to go on where the visit is not what its reader has seen."""
    if what != is_now:
        msg = f"{number} was changed meanwhile. Look at it, then say it again. Nothing was changed."
        raise VisitError(msg)


def row_of(records: Records, number: str) -> VisitRow:
    """The visit of that number; without one there is no page."""
    row = records.visit(number)
    if row is None:
        raise HTTPException(404)
    return row


def seen(row: VisitRow, wishes: Iterable[WishRow]) -> str:
    """Stands for what a reader has seen: no mail and no wish may be about what nobody looked at.

    That is the visit, and which of the ``wishes`` that hold are about its jobs: whoever moves it
    must know that another has refused it.
    """
    held = ",".join(str(one.number) for one in wishes_about(row, wishes))
    jobs = hashlib.sha256("\n".join(sorted(row.course.needs)).encode()).hexdigest()[:16]
    return f"{row.state.value} {row.day} {row.crew} {row.changed_ms} {row.sequence} {jobs} {held}"


def _wish(row: VisitRow, decision: Decision) -> NewWish:
    """The wish that is decided; VisitError says what is missing."""
    chosen = sorted(set(decision.jobs))
    if set(chosen) - row.course.needs:
        msg = f"{row.number} has other jobs by now. Choose again; nothing was changed."
        raise VisitError(msg)
    every = chosen or sorted(row.course.needs)
    match decision.act:
        case "pin":
            return NewWish(WishKind.PIN, every, day=row.day, crew=row.crew)
        case "move":
            day, crew = decision.day, decision.crew
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
            until = decision.until_day
            return NewWish(
                WishKind.REFUSE, every, day="" if until else row.day, until_day=until or row.day
            )
        case _:
            msg = "Choose what is to be done. Nothing was changed."
            raise VisitError(msg)
