"""Standing alarms: each with its state of ISA-18.2 / IEC 62682, who answered it, and what may be
done to it now.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from gateway.overview.source import Names, Source
from gateway.records import summaries
from gateway.records.summaries import AlarmLine, Asked, LastWord
from gateway.tickets.document import clean
from rules.alarms import ACTIVE, HELD, Happening, next_state
from rules.events import ActionKind, AlarmState, Severity

__all__ = [
    "STATE_WORDS",
    "AlarmItem",
    "AlarmsView",
    "Show",
    "alarm_items",
    "alarms_view",
    "may_be_done",
]

STATE_WORDS: Final = {
    AlarmState.NORMAL: "Normal",
    AlarmState.UNACKNOWLEDGED: "Unacknowledged",
    AlarmState.ACKNOWLEDGED: "Acknowledged",
    AlarmState.RETURNED_UNACKNOWLEDGED: "Returned to normal, unacknowledged",
    AlarmState.LATCHED_UNACKNOWLEDGED: "Latched, unacknowledged",
    AlarmState.LATCHED_ACKNOWLEDGED: "Latched, acknowledged",
    AlarmState.SHELVED: "Shelved",
    AlarmState.SUPPRESSED: "Suppressed by design",
    AlarmState.OUT_OF_SERVICE: "Out of service",
}
"""The names of the states in ISA-18.2 / IEC 62682."""


class Show(StrEnum):
    """Which alarms are listed."""

    STANDING = "standing"
    """All but those that are shelved, suppressed by design or out of service."""
    UNACKNOWLEDGED = "unacknowledged"
    HELD = "held"
    """Shelved, suppressed by design or out of service."""
    ALL = "all"


@dataclass(frozen=True)
class AlarmItem:
    """One alarm that is not normal. Times are UTC, ms since 1970.

    ``priority`` is 'high', 'medium', 'low', or '' once the condition is gone. ``by`` and ``note``
    are of the person who gave it its state; ``until_ms`` when a shelf or the time out of service
    ends, 0 where a person ends it, None where neither is. ``asked`` is what somebody asked for and
    the gateway has not applied yet. ``may`` is what a person can do to it now.
    """

    site: str
    site_name: str
    unit: str
    """The unit that carries it, also where it is about the whole site: acts name it."""
    unit_name: str
    """'' where it is about the whole site."""
    fault: str
    title: str
    state: AlarmState
    state_words: str
    priority: str
    onset_ms: int
    changed_ms: int
    summary: str
    cause: str
    ticket: str
    by: str
    note: str
    until_ms: int | None
    asked: tuple[Asked, ...]
    may: frozenset[ActionKind]

    @property
    def place(self) -> str:
        """Site and unit in one line; the site alone where the alarm is about all of it."""
        return f"{self.site_name} / {self.unit_name}" if self.unit_name else self.site_name

    @property
    def is_unacknowledged(self) -> bool:
        """Whether it waits for an answer."""
        return next_state(self.state, Happening.ACKNOWLEDGE) is not self.state

    @property
    def is_held(self) -> bool:
        """Whether it is shelved, suppressed by design or out of service."""
        return self.state in HELD

    @property
    def stands(self) -> bool:
        """Whether its condition is there."""
        return self.state in ACTIVE

    @property
    def key(self) -> str:
        """Names the alarm as it was seen: it changes when the alarm does."""
        return f"{self.site}/{self.unit}/{self.fault}/{self.changed_ms}"


@dataclass(frozen=True)
class AlarmsView:
    """The alarms of the fleet, of a site or of a unit, the gravest first.

    ``counts`` are of all of them by what :class:`Show` lists; ``total`` is how many match what was
    asked for, ``items`` the part of them from ``first`` on.
    """

    items: tuple[AlarmItem, ...]
    total: int
    first: int
    counts: Mapping[str, int]
    by_priority: Mapping[str, int]
    """Of the standing ones that wait for an answer."""


def may_be_done(state: AlarmState, fault: str) -> frozenset[ActionKind]:
    """What a person can do to an alarm in this state."""
    found = set()
    if next_state(state, Happening.ACKNOWLEDGE) is not state:
        found.add(ActionKind.ACKNOWLEDGE)
    if next_state(state, Happening.RESET) is not state:
        found.add(ActionKind.RESET)
    if state is AlarmState.SHELVED:
        found.add(ActionKind.UNSHELVE)
    elif state not in HELD and fault:
        found.add(ActionKind.SHELVE)
    return frozenset(found)


def alarm_items(source: Source, site: str = "", unit: str = "") -> tuple[AlarmItem, ...]:
    """All alarms that are not normal, of the fleet, a site or a unit, the gravest first."""
    with source.records.reading() as connection:
        lines = summaries.alarm_lines(connection, site, unit)
        words = summaries.last_words(connection, site, unit)
        until = summaries.shelved_until(connection)
        waiting = summaries.asked(connection)
        tickets = {
            (t.unit_row, t.fault): t.number for t in summaries.open_tickets(connection, site, unit)
        }
    asked: dict[tuple[int, str], list[Asked]] = {}
    for one in waiting:
        asked.setdefault((one.unit_row, one.fault), []).append(one)
    return tuple(
        _item(
            source.names, line, words.get((line.unit_row, line.fault)),
            tickets.get((line.unit_row, line.fault), ""), _until(line, until),
            (*asked.get((line.unit_row, line.fault), ()), *asked.get((line.unit_row, ""), ())),
        )
        for line in lines
    )  # fmt: skip


def alarms_view(
    source: Source,
    *,
    show: Show = Show.STANDING,
    search: str = "",
    priority: str = "",
    site: str = "",
    unit: str = "",
    first: int = 0,
    limit: int = 100,
) -> AlarmsView:
    """The alarms that match, the gravest first; ``search`` looks into names and texts."""
    items = alarm_items(source, site, unit)
    counts = Counter({name.value: 0 for name in Show})
    for item in items:
        counts.update([s.value for s in Show if _shown(item, s)])
    waiting = Counter(i.priority for i in items if i.is_unacknowledged and i.priority)
    found = [
        i
        for i in items
        if _shown(i, show) and (not priority or i.priority == priority) and _matches(i, search)
    ]
    # Of equal gravity those that wait for an answer come first.
    found.sort(key=lambda i: (-_RANK[i.priority], not i.is_unacknowledged))
    return AlarmsView(
        tuple(found[first : first + limit]), len(found), first, dict(counts), dict(waiting)
    )


_RANK: Final = {"high": 3, "medium": 2, "low": 1, "": 0}


def _shown(item: AlarmItem, show: Show) -> bool:
    match show:
        case Show.ALL:
            return True
        case Show.HELD:
            return item.is_held
        case Show.UNACKNOWLEDGED:
            return item.is_unacknowledged
        case Show.STANDING:
            return not item.is_held


def _matches(item: AlarmItem, search: str) -> bool:
    words = search.casefold().split()
    if not words:
        return True
    text = " ".join(
        (item.site, item.site_name, item.unit, item.unit_name, item.fault, item.title,
         item.summary, item.cause, item.ticket, item.by)
    ).casefold()  # fmt: skip
    return all(word in text for word in words)


def _until(line: AlarmLine, until: Mapping[tuple[int, str], int]) -> int | None:
    if line.state is AlarmState.SHELVED:
        return until.get((line.unit_row, line.fault))
    if line.state is AlarmState.OUT_OF_SERVICE:
        return until.get((line.unit_row, ""))
    return None


def _item(
    names: Names,
    line: AlarmLine,
    word: LastWord | None,
    ticket: str,
    until_ms: int | None,
    asked: Iterable[Asked],
) -> AlarmItem:
    return AlarmItem(
        site=line.site,
        site_name=names.site(line.site),
        unit=line.unit,
        unit_name=names.unit_concerned(line.site, line.unit, line.fault),
        fault=line.fault,
        title=names.fault_title(line.site, line.unit, line.fault),
        state=line.state,
        state_words=STATE_WORDS[line.state],
        priority=line.severity.name.lower() if line.severity is not Severity.NONE else "",
        onset_ms=line.onset_ms,
        changed_ms=line.changed_ms,
        summary=clean(line.summary, 300),
        cause=clean(line.cause, 120),
        ticket=ticket,
        by=clean(word.by, 80) if word else "",
        note=clean(word.note, 300) if word else "",
        until_ms=until_ms,
        asked=tuple(replace(one, by=clean(one.by, 80)) for one in asked),
        may=may_be_done(line.state, line.fault),
    )
