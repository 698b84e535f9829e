"""The whole fleet at a glance: a line for each site, the worst first."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from gateway.overview.source import GatewayNow, Names, Source, gateway_now
from gateway.records import summaries, unit_looks
from gateway.records.summaries import AlarmLine, OpenTicket
from gateway.tickets.document import clean
from rules.alarms import ACTIVE, HELD, Happening, next_state
from rules.equipment import Site
from rules.events import Severity

__all__ = ["AlarmBrief", "Condition", "FleetView", "SiteLine", "Totals", "fleet_view", "selected"]


class Condition(StrEnum):
    """How a site is, in one word."""

    ALARM = "alarm"
    """An alarm stands that nobody has acknowledged."""
    ANSWERED = "answered"
    """Alarms stand, all of them acknowledged; or a normal one waits to be acknowledged."""
    HELD = "held"
    """Nothing stands but what is shelved, suppressed by design or out of service."""
    UNHEARD = "unheard"
    """Nothing was ever received from any unit."""
    NORMAL = "normal"


@dataclass(frozen=True)
class AlarmBrief:
    """The gravest alarm of a site. ``unit_name`` is '' where it is about the whole site."""

    unit: str
    unit_name: str
    fault: str
    title: str
    summary: str
    priority: str
    is_unacknowledged: bool
    onset_ms: int


@dataclass(frozen=True)
class SiteLine:
    """One site. Times are UTC, ms since 1970.

    ``priority`` is the gravest of what stands ('' for none). ``high``, ``medium`` and ``low`` count
    standing alarms, ``unacknowledged`` all that wait for an answer, ``held`` those that are
    shelved, suppressed by design or out of service. ``silent`` counts units that are not heard,
    ``heard_ms`` is when any was heard last (None: never). ``people`` are on site.
    """

    id: str
    name: str
    address: str
    team: str
    units: int
    condition: Condition
    priority: str
    high: int
    medium: int
    low: int
    unacknowledged: int
    held: int
    tickets: int
    silent: int
    heard_ms: int | None
    people: tuple[str, ...]
    worst: AlarmBrief | None
    rank: tuple[int, int, int, int, str]
    """To sort by, the worst first."""
    text: str
    """What a search looks into."""

    @property
    def standing(self) -> int:
        """How many alarms stand."""
        return self.high + self.medium + self.low


@dataclass(frozen=True)
class Totals:
    """Counts over the fleet. ``waiting`` are unacknowledged standing alarms by priority."""

    sites: int
    units: int
    by_condition: Mapping[str, int]
    standing: Mapping[str, int]
    waiting: Mapping[str, int]
    held: int
    tickets: int
    tickets_open: int
    """Of these, those that nobody has answered."""
    people: int
    silent: int


@dataclass(frozen=True)
class FleetView:
    """The fleet; ``sites`` the worst first."""

    name: str
    made_ms: int
    gateway: GatewayNow
    totals: Totals
    teams: tuple[str, ...]
    sites: tuple[SiteLine, ...]


_ORDER: Final = {
    Condition.ALARM: 0,
    Condition.ANSWERED: 1,
    Condition.HELD: 2,
    Condition.UNHEARD: 3,
    Condition.NORMAL: 4,
}


def fleet_view(source: Source, now_ms: int) -> FleetView:
    """The fleet as the records have it."""
    with source.records.reading() as connection:
        lines = summaries.alarm_lines(connection)
        tickets = summaries.open_tickets(connection)
        heard = unit_looks.heard_by_site(connection)
    alarms: dict[str, list[AlarmLine]] = defaultdict(list)
    for line in lines:
        alarms[line.site].append(line)
    by_site: dict[str, list[OpenTicket]] = defaultdict(list)
    for ticket in tickets:
        by_site[ticket.site].append(ticket)
    sites = sorted(
        (
            _line(source.names, site, alarms.get(site.id, ()), by_site.get(site.id, ()),
                  heard.get(site.id))
            for site in source.configuration.sites
        ),
        key=lambda one: one.rank,
    )  # fmt: skip
    known = source.names.sites
    return FleetView(
        name=clean(source.configuration.name, 100),
        made_ms=now_ms,
        gateway=gateway_now(source, now_ms),
        totals=_totals(sites, [a for a in lines if a.site in known], tickets),
        teams=tuple(sorted({site.team for site in source.configuration.sites})),
        sites=tuple(sites),
    )


def selected(
    view: FleetView, *, search: str = "", team: str = "", condition: str = ""
) -> tuple[SiteLine, ...]:
    """The sites that match: all words of the search, in names and ids of sites and units."""
    words = search.casefold().split()
    return tuple(
        s
        for s in view.sites
        if (not team or s.team == team)
        and (not condition or s.condition == condition)
        and all(word in s.text for word in words)
    )


def _line(
    names: Names,
    site: Site,
    alarms: Sequence[AlarmLine],
    tickets: Sequence[OpenTicket],
    heard_ms: int | None,
) -> SiteLine:
    standing = [a for a in alarms if a.state in ACTIVE]
    waiting = [a for a in alarms if next_state(a.state, Happening.ACKNOWLEDGE) is not a.state]
    held = sum(a.state in HELD for a in alarms)
    unanswered = [a for a in waiting if a.state in ACTIVE]
    count = Counter(a.severity for a in standing)
    # The gravest that waits for an answer, else the gravest.
    worst = max(
        standing or waiting,
        key=lambda a: (a in unanswered, a.severity, -a.onset_ms),
        default=None,
    )
    top = max((a.severity for a in standing), default=Severity.NONE)
    top_waiting = max((a.severity for a in unanswered), default=Severity.NONE)
    if unanswered:
        condition = Condition.ALARM
    elif standing or waiting:
        condition = Condition.ANSWERED
    elif held:
        condition = Condition.HELD
    else:
        condition = Condition.NORMAL if heard_ms else Condition.UNHEARD
    silent = {a.unit_row for a in standing if a.fault == "unit-stale"}
    cut_off = any(a.fault == "site-cut-off" for a in standing)
    name = names.site(site.id)
    people = tuple(dict.fromkeys(clean(p, 60) for t in tickets for p in t.people))
    oldest_ms = min((a.onset_ms for a in standing), default=0)
    return SiteLine(
        id=site.id,
        name=name,
        address=clean(site.address, 120),
        team=site.team,
        units=len(site.units),
        condition=condition,
        priority=top.name.lower() if top else "",
        high=count[Severity.HIGH],
        medium=count[Severity.MEDIUM],
        low=count[Severity.LOW],
        unacknowledged=len(waiting),
        held=held,
        tickets=len(tickets),
        silent=len(site.units) if cut_off else len(silent),
        heard_ms=heard_ms,
        people=people,
        worst=_brief(names, worst, is_unacknowledged=worst in waiting) if worst else None,
        rank=(_ORDER[condition], -int(top_waiting or top), -len(standing), oldest_ms, name),
        text=names.search_text[site.id],
    )


def _brief(names: Names, line: AlarmLine, *, is_unacknowledged: bool) -> AlarmBrief:
    return AlarmBrief(
        unit=line.unit,
        unit_name=names.unit_concerned(line.site, line.unit, line.fault),
        fault=line.fault,
        title=names.fault_title(line.site, line.unit, line.fault),
        summary=clean(line.summary, 200),
        priority=line.severity.name.lower() if line.severity else "",
        is_unacknowledged=is_unacknowledged,
        onset_ms=line.onset_ms,
    )


def _totals(
    sites: Sequence[SiteLine], alarms: Sequence[AlarmLine], tickets: Sequence[OpenTicket]
) -> Totals:
    standing = [a for a in alarms if a.state in ACTIVE]
    waiting = [a for a in standing if next_state(a.state, Happening.ACKNOWLEDGE) is not a.state]
    return Totals(
        sites=len(sites),
        units=sum(s.units for s in sites),
        by_condition=_counted(s.condition.value for s in sites),
        standing=_by_priority(standing),
        waiting=_by_priority(waiting),
        held=sum(a.state in HELD for a in alarms),
        tickets=len(tickets),
        tickets_open=sum(t.state == "open" for t in tickets),
        people=len({p for t in tickets for p in t.people}),
        silent=sum(s.silent for s in sites),
    )


def _by_priority(alarms: Iterable[AlarmLine]) -> Mapping[str, int]:
    count = Counter(a.severity.name.lower() for a in alarms)
    return {priority: count[priority] for priority in ("high", "medium", "low")}


def _counted(words: Iterable[str]) -> Mapping[str, int]:
    return dict(Counter(words))
