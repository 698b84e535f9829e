"""What a planner decides on the board: plan anew, wish, confirm, cancel; with its audit entry."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from fastapi import Request
from starlette.exceptions import HTTPException

from gateway.board.board import Board
from gateway.config.configuration import Configuration
from gateway.records.records import Records
from gateway.records.session import RecordsError
from gateway.records.visit_rows import VisitRow, VisitState
from gateway.records.visits import NewWish
from gateway.visits.telling import VisitError, cancel_visit, confirm_visit
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
        check: Callable[[VisitRow], None],
    ) -> None:
        """Do it, with what was before and after in the audit trail, or nothing.

        ``check`` looks at the visit in the same transaction and raises where it is not what the
        planner has seen.
        """
        note, what = decision.note, decision.act
        with self._board.acting(request) as acting:
            row = row_of(self._records, number)
            by, now_ms = acting.actor.shown_name, acting.now_ms
            after: dict[str, Any]
            check(row)
            if what in {"confirm", "cancel"}:
                act = confirm_visit if what == "confirm" else cancel_visit
                row_after, to = act(
                    self._records, self._configuration, row, by=by, note=note, now_ms=now_ms
                )
                after = _facts(row_after) | {"told": [person.email for person in to]}
            else:
                wish = _wish(row, decision, {crew.id for crew in self._configuration.visits.crews})
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


def as_seen(row: VisitRow, what: str) -> None:
    """Refuse to go on where the visit is not what its reader has seen."""
    if what != seen(row):
        msg = (
            f"{row.number} was changed meanwhile. Look at it, then say it again. Nothing was "
            "changed."
        )
        raise VisitError(msg)


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


def _wish(row: VisitRow, decision: Decision, crews: set[str]) -> NewWish:
    """The wish that is decided; VisitError says what is missing."""
    if row.state not in {VisitState.PROPOSED, VisitState.CONFIRMED}:
        msg = f"{row.number} is {row.state.value}, so no wish is about it. Nothing was changed."
        raise VisitError(msg)
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
            until = decision.until_day
            return NewWish(
                WishKind.REFUSE, every, day="" if until else row.day, until_day=until or row.day
            )
        case _:
            msg = "Choose what is to be done. Nothing was changed."
            raise VisitError(msg)
