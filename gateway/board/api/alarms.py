"""Alarms that are not normal, and the journal of what became of them."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Query

from gateway.board.api.routing import ApiRoute, answers
from gateway.board.api.sites import known_place
from gateway.board.api.terms import (
    After,
    Fact,
    Key,
    Limit,
    Moment,
    Name,
    Page,
    Time,
    at,
    cursor_of,
    keyed,
    ms,
    page_of,
)
from gateway.board.board import Board
from gateway.board.doors import needs
from gateway.board.house import House
from gateway.board.visitor import Role
from gateway.overview.alarms import AlarmItem, Show, alarms_view
from gateway.records.queries import Where
from gateway.records.rows import AlarmEventRow
from gateway.tickets.document import clean
from rules.events import ActionKind, AlarmState, Change, Severity

__all__ = ["alarms_routes", "state_word"]

Priority = Literal["high", "medium", "low", ""]


class AskedFor(Fact):
    """What somebody asked for and the gateway has not applied yet."""

    act: ActionKind
    by: str
    time: Time


class Alarm(Fact):
    """One alarm that is not normal; its states are those of ISA-18.2 / IEC 62682."""

    site: str
    unit: str
    fault: str
    """As the catalogue names it (`basinward rules`)."""
    title: str
    state: str
    """`unacknowledged`, `acknowledged`, `returned unacknowledged`, `latched unacknowledged`,
    `latched acknowledged`, `shelved`, `suppressed` or `out of service`."""
    priority: Priority
    """Empty once its condition is gone."""
    onset: Time
    """When its condition began."""
    changed: Time
    summary: str
    """What was seen, in a sentence."""
    cause: str
    """The likeliest; empty where none is told."""
    ticket: str
    by: str
    """Who gave it its state."""
    note: str
    until: datetime | None
    """When a shelf, or the time out of service, ends by itself; null where it does not."""
    asked: list[AskedFor]
    may: list[ActionKind]
    """What can be done to it now."""
    seen: str
    """Stands for the alarm as it is: an act on it must show it."""


class Alarms(Page):
    """Alarms, the gravest first."""

    total: int
    """How many match."""
    items: list[Alarm]


class AlarmEvent(Fact):
    """One line of the alarm journal."""

    id: int
    site: str
    unit: str
    fault: str
    time: Time
    """When it happened, by the readings."""
    recorded: Time
    change: Change
    state: str
    priority: Priority
    onset: Time
    summary: str
    by: str
    """The person who did it; empty where the readings did."""
    note: str


class AlarmEvents(Page):
    """Lines of the alarm journal, newest first."""

    items: list[AlarmEvent]


def state_word(state: AlarmState) -> str:
    """A state's word: 'returned unacknowledged'."""
    return state.name.lower().replace("_", " ")


def alarms_routes(board: Board, house: House) -> APIRouter:
    """Routes of alarms."""
    router = APIRouter(route_class=ApiRoute, tags=["alarms"], dependencies=[needs(Role.VIEW)])
    source = house.source

    @router.get("/alarms", responses=answers(404))
    def list_alarms(
        show: Show = Show.STANDING,
        q: Annotated[str, Query(max_length=200, description="Words of names and texts.")] = "",
        priority: Literal["high", "medium", "low"] | None = None,
        site: Name = "",
        unit: Name = "",
        limit: Limit = 100,
        after: After = "",
    ) -> Alarms:
        """Alarms that are not normal, the gravest first."""
        known_place(source, site, unit)
        view = alarms_view(
            source, show=show, search=q, priority=priority or "", site=site, unit=unit,
            first=0, limit=1_000_000,
        )  # fmt: skip
        items, following = keyed(
            view.items, after, limit, _place_of, (int, int, int, str, str, str)
        )
        return Alarms(next=following, total=view.total, items=[alarm_of(a) for a in items])

    @router.get("/alarm-events", responses=answers(404))
    def list_alarm_events(
        start: Annotated[Moment | None, Query(alias="from", description="From then on.")] = None,
        end: Annotated[Moment | None, Query(alias="to", description="Before then.")] = None,
        site: Name = "",
        unit: Name = "",
        fault: Name = "",
        limit: Limit = 100,
        after: After = "",
    ) -> AlarmEvents:
        """The alarm journal, newest first; of all time where no range is given."""
        known_place(source, site, unit)
        before = cursor_of(after, 2)
        rows = source.records.alarm_events(
            ms(start) if start else 0, ms(end) if end else board.clock_ms() + 86_400_000,
            Where(site, unit, fault), limit + 1, before=(before[0], before[1]) if before else None,
        )  # fmt: skip
        items, following = page_of(rows, limit, lambda row: (row.event.time_ms, row.id))
        return AlarmEvents(next=following, items=[_event(row) for row in items])

    return router


_RANK: Final = {"high": 0, "medium": 1, "low": 2, "": 3}


def _place_of(item: AlarmItem) -> Key:
    """The gravest first, of those that wait for an answer before others, then the oldest."""
    return (
        _RANK[item.priority], int(not item.is_unacknowledged), item.onset_ms, item.site, item.unit,
        item.fault,
    )  # fmt: skip


def alarm_of(item: AlarmItem) -> Alarm:
    """An alarm as it is answered."""
    return Alarm(
        site=item.site, unit=item.unit, fault=item.fault, title=item.title,
        state=state_word(item.state), priority=item.priority, onset=at(item.onset_ms),
        changed=at(item.changed_ms), summary=item.summary, cause=item.cause, ticket=item.ticket,
        by=item.by, note=item.note, until=at(item.until_ms or None),
        asked=[AskedFor(act=a.kind, by=a.by, time=at(a.time_ms)) for a in item.asked],
        may=sorted(item.may), seen=str(item.changed_ms),
    )  # fmt: skip


def _event(row: AlarmEventRow) -> AlarmEvent:
    event = row.event
    return AlarmEvent(
        id=row.id, site=row.site, unit=row.unit, fault=event.fault, time=at(event.time_ms),
        recorded=at(row.recorded_ms), change=event.change, state=state_word(event.state),
        priority="" if event.severity is Severity.NONE else event.severity.name.lower(),
        onset=at(event.onset_ms),
        summary=clean(event.evidence.summary, 500) if event.evidence else "",
        by=clean(event.by, 80), note=clean(event.note, 500),
    )  # fmt: skip
