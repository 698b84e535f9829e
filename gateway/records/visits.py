"""Visits in the records: proposals, confirmations, cancellations and wishes.

All functions work inside the caller's transaction. A visit keeps its number over its life, so that
a calendar's entry can be changed and cancelled; numbers are never given twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, cast

from sqlalchemy import Connection, Row, Table, delete, func, insert, select, update

from gateway.mail.letter import Letter
from gateway.records.letters import write_letter
from gateway.records.postmark import Postmark
from gateway.records.session import RecordsError
from gateway.records.upsert import insert_into
from gateway.records.visit_models import VisitPlanRecord as Plans
from gateway.records.visit_models import VisitRecord as Visits
from gateway.records.visit_models import VisitWishRecord as Wishes
from gateway.records.visit_rows import PlanRow, VisitRow, VisitState, WishRow
from gateway.tickets.notice import Recipient
from gateway.visits.course import Course, Outcome
from rules.visits.wishes import WishKind

__all__ = [
    "Given",
    "NewWish",
    "Proposal",
    "add_wish",
    "end_wish",
    "given",
    "last_plan",
    "propose",
    "reopen",
    "settle",
    "visit",
    "visits",
    "wishes",
]

_LAST: Final = "last"
_TO_PLAN: Final = tuple(
    state.value for state in (VisitState.PROPOSED, VisitState.REOPENED, VisitState.WITHDRAWN)
)
_TABLE: Final = cast("Table", Visits.__table__)


@dataclass(frozen=True)
class Proposal:
    """A visit that a plan wants. ``day`` is an ISO date."""

    crew: str
    day: str
    course: Course


@dataclass(frozen=True)
class NewWish:
    """A wish about to be written; days are ISO dates or ''."""

    kind: WishKind
    needs: Sequence[str]
    apart: Sequence[str] = ()
    day: str = ""
    until_day: str = ""
    crew: str = ""


@dataclass(frozen=True)
class Given:
    """What a plan takes as given: visits that are confirmed, and wishes that hold."""

    confirmed: tuple[VisitRow, ...]
    wishes: tuple[WishRow, ...]


def given(connection: Connection) -> Given:
    """What a plan made now has to take as given."""
    confirmed = visits(connection, [VisitState.CONFIRMED], "")
    return Given(tuple(confirmed), tuple(wishes(connection)))


def visits(connection: Connection, states: Iterable[VisitState], since_day: str) -> list[VisitRow]:
    """Visits in one of the states on ``since_day`` or later, by day and crew."""
    query = (
        select(_TABLE)
        .where(_TABLE.c.state.in_([s.value for s in states]), _TABLE.c.day >= since_day)
        .order_by(_TABLE.c.day, _TABLE.c.begins_ms, _TABLE.c.id)
    )
    return [_visit(row) for row in connection.execute(query)]


def visit(connection: Connection, number: str) -> VisitRow | None:
    """The visit of that number."""
    row = connection.execute(select(_TABLE).where(_TABLE.c.number == number)).first()
    return _visit(row) if row is not None else None


def last_plan(connection: Connection) -> PlanRow | None:
    """How the last plan came out; None before the first."""
    row = connection.execute(
        select(Plans.made_ms, Plans.outcome).where(Plans.name == _LAST)
    ).first()
    return PlanRow(row.made_ms, Outcome.from_json(row.outcome)) if row is not None else None


def propose(
    connection: Connection, proposals: Sequence[Proposal], outcome: Outcome, now_ms: int
) -> list[str]:
    """Put these in the place of all that was proposed before; their numbers, in order.

    What a crew was told of keeps its number where most of its work is still planned; else it is
    withdrawn. What it was not told of keeps its number where crew and day are the same.
    """
    old = [
        _visit(row)
        for row in connection.execute(select(_TABLE).where(_TABLE.c.state.in_(_TO_PLAN)))
    ]
    numbers: dict[int, str] = {}
    free = list(old)
    pairs = sorted(
        (
            (len(one.course.needs & p.course.needs), one.number, index)
            for one in old if one.sequence >= 0
            for index, p in enumerate(proposals)
            if one.crew == p.crew  # another crew is told of a visit of its own
        ),
        key=lambda pair: (-pair[0], pair[1], pair[2]),
    )  # fmt: skip
    taken: set[str] = set()
    for shared, number, index in pairs:
        if shared and index not in numbers and number not in taken:
            numbers[index] = number
            taken.add(number)
    for index, p in enumerate(proposals):
        same = next(
            (o for o in free if o.sequence < 0 and (o.crew, o.day) == (p.crew, p.day)), None
        )
        if index not in numbers and same is not None and same.number not in taken:
            numbers[index] = same.number
            taken.add(same.number)
    for one in old:
        if one.number in taken:
            continue
        if one.sequence < 0:
            connection.execute(delete(Visits).where(Visits.number == one.number))
        elif one.state is not VisitState.WITHDRAWN:
            connection.execute(
                update(Visits)
                .where(Visits.number == one.number)
                .values(state=VisitState.WITHDRAWN.value, changed_ms=now_ms, changed_by="plan")
            )
    last = connection.scalar(select(func.max(Visits.id))) or 0
    known = _highest(connection)
    last = max(last, known)
    for index, p in enumerate(proposals):
        values = {
            "state": VisitState.PROPOSED.value, "crew": p.crew, "day": p.day,
            "begins_ms": p.course.leaves_ms, "ends_ms": p.course.home_ms,
            "course": p.course.to_json(), "changed_ms": now_ms, "changed_by": "plan", "note": "",
        }  # fmt: skip
        if index in numbers:
            connection.execute(
                update(Visits).where(Visits.number == numbers[index]).values(**values)
            )
            continue
        last += 1
        numbers[index] = f"V-{last:06d}"
        connection.execute(
            insert(Visits).values(
                id=last, number=numbers[index], sequence=-1, message_id="", **values
            )
        )
    _note(connection, _LAST, now_ms, outcome.to_json())
    _note(connection, _NUMBERS, now_ms, {"highest": last})
    return [numbers[index] for index in range(len(proposals))]


_NUMBERS: Final = "numbers"


def _highest(connection: Connection) -> int:
    """The highest number ever given, also to a proposal that is gone."""
    row = connection.scalar(select(Plans.outcome).where(Plans.name == _NUMBERS))
    return int(row["highest"]) if row else 0


def _note(connection: Connection, name: str, now_ms: int, outcome: dict[str, object]) -> None:
    statement = insert_into(connection, Plans).values(name=name, made_ms=now_ms, outcome=outcome)
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=["name"],
            set_={"made_ms": statement.excluded.made_ms, "outcome": statement.excluded.outcome},
        )
    )


def settle(
    connection: Connection,
    row: VisitRow,
    state: VisitState,
    letter: Letter,
    to: Sequence[Recipient],
    *,
    by: str,
    note: str,
    now_ms: int,
    postmark: Postmark,
) -> VisitRow:
    """Confirm or cancel a visit as it is in ``row``, and put its letter into the outbox.

    :class:`RecordsError` where it was changed since ``row`` was read; then nothing is written.
    """
    who = _named(by)
    now = visit(connection, row.number)
    if now != row:
        msg = f"Visit {row.number} was changed meanwhile. Look at it, then say it again."
        raise RecordsError(msg)
    outbox_id = write_letter(
        connection, letter, to, now_ms=now_ms, postmark=postmark, word=row.number,
        in_reply_to=row.message_id,
    )  # fmt: skip
    message_id = row.message_id or postmark.message_id(row.number, outbox_id)
    connection.execute(
        update(Visits)
        .where(Visits.number == row.number)
        .values(
            state=state.value, sequence=row.sequence + 1, message_id=message_id,
            changed_ms=now_ms, changed_by=who, note=note,
        )
    )  # fmt: skip
    changed = visit(connection, row.number)
    assert changed is not None  # noqa: S101 - it was written in this transaction
    return changed


def reopen(connection: Connection, number: str, *, by: str, now_ms: int) -> None:
    """A confirmed visit is to be planned anew; the crew keeps what it has until it is confirmed."""
    connection.execute(
        update(Visits)
        .where(Visits.number == number, Visits.state == VisitState.CONFIRMED.value)
        .values(state=VisitState.REOPENED.value, changed_ms=now_ms, changed_by=_named(by))
    )


def wishes(connection: Connection, *, ended_too: bool = False) -> list[WishRow]:
    """The wishes that hold, oldest first; with ``ended_too`` those that ended as well."""
    table = cast("Table", Wishes.__table__)
    query = select(table).order_by(table.c.id)
    if not ended_too:
        query = query.where(table.c.ended_ms.is_(None))
    return [
        WishRow(
            r.id, WishKind(r.kind), tuple(r.needs["needs"]), tuple(r.needs["apart"]), r.day,
            r.until_day, r.crew, r.by, r.note, r.made_ms, r.ended_ms, r.ended_by,
        )
        for r in connection.execute(query)
    ]  # fmt: skip


def add_wish(connection: Connection, wish: NewWish, *, by: str, note: str, now_ms: int) -> int:
    """Write a wish; its number. :class:`RecordsError` where the same holds already."""
    what = (wish.kind, tuple(sorted(wish.needs)), tuple(sorted(wish.apart)), wish.day,
            wish.until_day, wish.crew)  # fmt: skip
    for held in wishes(connection):
        if what == (held.kind, held.needs, held.apart, held.day, held.until_day, held.crew):
            msg = f"Wish {held.number}, by {held.by}, says just that. Nothing was changed."
            raise RecordsError(msg)
    number = 1 + (connection.scalar(select(func.max(Wishes.id))) or 0)
    connection.execute(
        insert(Wishes).values(
            id=number, kind=wish.kind.value,
            needs={"needs": sorted(wish.needs), "apart": sorted(wish.apart)},
            day=wish.day, until_day=wish.until_day, crew=wish.crew, by=_named(by), note=note,
            made_ms=now_ms, ended_ms=None, ended_by="",
        )
    )  # fmt: skip
    return number


def end_wish(connection: Connection, number: int, *, by: str, now_ms: int) -> None:
    """The wish does not hold any more; :class:`RecordsError` where there is none that does."""
    done = connection.execute(
        update(Wishes)
        .where(Wishes.id == number, Wishes.ended_ms.is_(None))
        .values(ended_ms=now_ms, ended_by=_named(by))
    )
    if not done.rowcount:
        msg = f"There is no wish {number} that holds. `basinward visits show` lists them."
        raise RecordsError(msg)


def _named(by: str) -> str:
    who = " ".join(by.split())
    if not who:
        msg = "Say who you are with --by. Nothing was changed."
        raise RecordsError(msg)
    return who


def _visit(row: Row[tuple[object, ...]]) -> VisitRow:
    r = row._mapping
    return VisitRow(
        number=r["number"], state=VisitState(r["state"]), crew=r["crew"], day=r["day"],
        begins_ms=r["begins_ms"], ends_ms=r["ends_ms"], sequence=r["sequence"],
        message_id=r["message_id"], course=Course.from_json(r["course"]),
        changed_ms=r["changed_ms"], changed_by=r["changed_by"], note=r["note"],
    )  # fmt: skip
