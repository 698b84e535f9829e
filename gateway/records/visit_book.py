"""The part of the records that visits go through.

:class:`gateway.records.records.Records` is one; each method is one transaction.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from gateway.mail.letter import Letter
from gateway.records import visits
from gateway.records.letters import recipients_about
from gateway.records.postmark import Postmark
from gateway.records.session import Database, RecordsError
from gateway.records.visit_rows import PlanRow, VisitRow, VisitState, WishRow
from gateway.records.visits import Given, NewWish, Proposal
from gateway.tickets.notice import Recipient
from gateway.visits.course import Outcome

__all__ = ["VisitBook"]


class VisitBook:
    """What is planned, what was confirmed, and what planners wish."""

    _database: Database
    _postmark: Postmark
    on_mail: Callable[[], None] | None

    def visits(
        self, states: Iterable[VisitState] = tuple(VisitState), *, since_day: str = ""
    ) -> list[VisitRow]:
        """Visits on ``since_day`` (ISO date) or later, by day."""
        with self._database.read() as connection:
            return visits.visits(connection, states, since_day)

    def visit(self, number: str) -> VisitRow | None:
        """The visit of that number."""
        with self._database.read() as connection:
            return visits.visit(connection, number)

    def told_of_visit(self, row: VisitRow) -> tuple[Recipient, ...]:
        """Everybody who was sent a letter about the visit, in the order of being told."""
        with self._database.read() as connection:
            return recipients_about(connection, row.message_id)

    def visit_plan(self) -> PlanRow | None:
        """How the last plan came out, beside its visits; None before the first."""
        with self._database.read() as connection:
            return visits.last_plan(connection)

    def visit_wishes(self, *, ended_too: bool = False) -> list[WishRow]:
        """The wishes of planners that hold, oldest first."""
        with self._database.read() as connection:
            return visits.wishes(connection, ended_too=ended_too)

    def visits_given(self) -> Given:
        """What a plan made now has to take as given."""
        with self._database.read() as connection:
            return visits.given(connection)

    def propose_visits(
        self,
        proposals: Sequence[Proposal],
        outcome: Outcome,
        now_ms: int,
        given: Given | None = None,
    ) -> list[str]:
        """Replace what was proposed before; the numbers of the visits.

        ``given`` is what the plan was made of. :class:`RecordsError`, and nothing is written, where
        somebody confirmed, cancelled or wished since: the plan would send a second crew.
        """
        with self._database.write() as connection:
            if given is not None and visits.given(connection) != given:
                msg = "Visits or wishes changed meanwhile. Plan anew; nothing was changed."
                raise RecordsError(msg)
            return visits.propose(connection, proposals, outcome, now_ms)

    def wish_visit(
        self, wish: NewWish, *, by: str, note: str, now_ms: int, reopens: str = ""
    ) -> int:
        """Write a planner's wish, and open the confirmed visit that it changes; its number."""
        with self._database.write() as connection:
            number = visits.add_wish(connection, wish, by=by, note=note, now_ms=now_ms)
            if reopens:
                visits.reopen(connection, reopens, by=by, now_ms=now_ms)
        return number

    def end_visit_wish(self, number: int, *, by: str, now_ms: int) -> None:
        """A wish does not hold any more."""
        with self._database.write() as connection:
            visits.end_wish(connection, number, by=by, now_ms=now_ms)

    def settle_visit(
        self,
        row: VisitRow,
        state: VisitState,
        letter: Letter,
        to: Sequence[Recipient],
        *,
        by: str,
        note: str,
        now_ms: int,
    ) -> VisitRow:
        """Confirm or cancel a visit and tell its crew, in one transaction."""
        with self._database.write() as connection:
            changed = visits.settle(
                connection, row, state, letter, to, by=by, note=note, now_ms=now_ms,
                postmark=self._postmark,
            )  # fmt: skip
        if self.on_mail is not None:
            self.on_mail()
        return changed
