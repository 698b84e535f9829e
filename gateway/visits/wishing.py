"""Whether a planner's wish can be about a visit at all, and what the audit trail says of both."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import UTC, datetime
from typing import Any, Final

from gateway.records.visit_rows import VisitRow, VisitState, WishRow
from gateway.records.visits import NewWish
from gateway.visits.telling import VisitError
from rules.visits.wishes import WishKind

__all__ = ["check_wish", "reopens", "visit_facts", "wish_facts", "wishes_about"]

_OPEN: Final = (VisitState.PROPOSED, VisitState.CONFIRMED, VisitState.REOPENED)


def check_wish(row: VisitRow, wish: NewWish, crews: Collection[str] | None, now_ms: int) -> None:
    """VisitError where no plan could keep the wish. ``crews`` are the known ones, None if unread.

    A plan begins on the day after today (UTC), so nothing is wished for before that.
    """
    if row.state not in _OPEN:
        msg = f"{row.number} is {row.state.value}, so no wish is about it. Nothing was changed."
        raise VisitError(msg)
    today = datetime.fromtimestamp(now_ms / 1000, UTC).date().isoformat()
    if row.day < today:
        msg = f"{row.number} was on {row.day}. Plan anew; nothing was changed."
        raise VisitError(msg)
    if crews is not None and wish.crew and wish.crew not in crews:
        known = ", ".join(sorted(crews)) or "none"
        msg = f"There is no crew '{wish.crew}'. There is: {known}. Nothing was changed."
        raise VisitError(msg)
    day = wish.day if wish.kind is WishKind.MOVE else wish.until_day
    if (day and day < today) or (wish.kind is WishKind.MOVE and day == today):
        msg = f"A plan begins tomorrow, so nothing can be wished for {day}. Nothing was changed."
        raise VisitError(msg)


def wishes_about(row: VisitRow, wishes: Iterable[WishRow]) -> list[WishRow]:
    """Those of the wishes that are about any of the visit's jobs."""
    return [one for one in wishes if row.course.needs & {*one.needs, *one.apart}]


def reopens(row: VisitRow, wish: NewWish) -> str:
    """The number of the confirmed visit that the wish changes, or ''."""
    changes = row.state is VisitState.CONFIRMED and wish.kind is not WishKind.PIN
    return row.number if changes else ""


def visit_facts(row: VisitRow) -> dict[str, Any]:
    """What of a visit planners change, for ``before`` and ``after``."""
    return {"state": row.state.value, "day": row.day, "crew": row.crew}


def wish_facts(number: int, wish: NewWish, note: str) -> dict[str, Any]:
    """A wish that was written."""
    facts = {
        "wish": number, "needs": list(wish.needs), "apart": list(wish.apart), "day": wish.day,
        "until_day": wish.until_day, "crew": wish.crew, "note": note,
    }  # fmt: skip
    return {name: value for name, value in facts.items() if value}
