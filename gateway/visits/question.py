"""Makes the planner's question of what the gateway knows: dates become days, tickets needs.

What is due comes from the condition of parts (:mod:`rules.forecast`) and from open tickets of
medium and low priority; high ones are for whoever is on call, today. A site without coordinates is
not planned, and is named.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from gateway.records.rows import TicketDetail
from gateway.records.visit_rows import VisitRow, WishRow
from gateway.records.wear_rows import UnitDueRange
from gateway.visits.settings import CrewSettings, VisitSettings
from rules.equipment import OwnRule, Site
from rules.events import Evidence
from rules.faults.registry import FAULT_INDEX, FAULTS
from rules.forecast import DueRange, Verdict
from rules.jobplans import INSPECTION, JobPlan, job_plan, plan_for
from rules.own_rules.catalogue import own_fault
from rules.visits.needs import DAYS_OF_A_RUN, Need
from rules.visits.problem import Crew, Place, Problem
from rules.visits.skills import JOB_OF_PART, job_needs
from rules.visits.wishes import Wish

__all__ = ["PANEL", "Question", "question", "ticket_job", "wall_ms"]

PANEL: Final = "panel"
"""The unit's name in a need that is about a whole site."""
DAY_MS: Final = 86_400_000
_WEEK: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_DUE_DAYS: Final[Mapping[str, float]] = {"medium": 7.0, "low": 30.0}
"""From a ticket's opening until it should be answered: this week, with the next planned work."""
_AHEAD_DAYS: Final = 42.0
"""Parts that are due so long after the plan's end may be done with others, if that pays."""
_LEAST_RUN_DAYS: Final = 14.0
_LATE_FACTOR: Final = 2.0
"""A range without an end is taken to end so many times further off than it began."""


@dataclass(frozen=True)
class Question:
    """The problem with what its numbers mean: day 0 is ``first_day``."""

    problem: Problem
    wishes: tuple[Wish, ...]
    first_day: date
    not_planned: tuple[str, ...]
    zones: Mapping[str, ZoneInfo]
    read_ms: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    """By the key of a need that wear makes: times of the first and newest figure. [ms]"""

    def day(self, index: float) -> date:
        """The date of a day of the plan, also of one before or after it."""
        return self.first_day + timedelta(days=int(index // 1))

    def name_day(self, index: float) -> str:
        """The date as a sentence has it: 'Tue 3 Mar'."""
        day = self.day(index)
        return f"{day:%a} {day.day} {day:%b}"

    def index(self, day: str) -> int | None:
        """The plan's day of an ISO date; None for ''."""
        return (date.fromisoformat(day) - self.first_day).days if day else None


def wall_ms(day: date, hours: float, zone: ZoneInfo) -> int:
    """A moment of a day by the wall's clock, as ms since 1970; hours below 0 are the day before."""
    at = datetime.combine(day, time(0)) + timedelta(minutes=round(hours * 60))
    return round(at.replace(tzinfo=zone).timestamp() * 1000)


def question(
    settings: VisitSettings,
    sites: Sequence[Site],
    rules: Sequence[OwnRule],
    *,
    due: Iterable[UnitDueRange],
    tickets: Iterable[TicketDetail],
    wishes: Sequence[WishRow],
    confirmed: Sequence[VisitRow],
    now_ms: int,
) -> Question:
    """The question as of ``now_ms``; the plan begins tomorrow (UTC).

    ``confirmed`` visits stay as they are: their needs are not planned again and their crew days
    are taken.
    """
    first_day = datetime.fromtimestamp(now_ms / 1000, UTC).date() + timedelta(days=1)
    count = settings.horizon_days
    planned = {site.id: site for site in sites if site.visit is not None}
    origin_ms = wall_ms(first_day, 0, ZoneInfo("UTC"))
    taken = frozenset[str]().union(*(row.course.needs for row in confirmed))
    needs: dict[str, Need] = {}
    unplanned: set[str] = set()
    read_ms: dict[str, tuple[int, int]] = {}
    for one in due:
        need = _of_part(one, settings, origin_ms, count)
        if need is not None:
            needs[need.key] = need
            if one.due.since_ms is not None and one.until_ms is not None:
                read_ms[need.key] = (one.due.since_ms, one.until_ms)
    for detail in tickets:
        need = _of_ticket(detail, settings, planned, rules, origin_ms)
        if need is not None:
            _add_ticket(needs, need)
    for key in list(needs):
        site = needs[key].site
        if site not in planned:
            unplanned.add(site)
            del needs[key]
        elif key in taken:
            del needs[key]
    busy = {(row.crew, row.day) for row in confirmed}
    problem = Problem(
        count,
        tuple(needs[key] for key in sorted(needs)),
        tuple(_place(site, first_day, count) for _, site in sorted(planned.items())),
        tuple(_crew(crew, first_day, count, busy) for crew in settings.crews),
        settings.prices,
        settings.speed_km_h,
        settings.detour,
    )
    asked = Question(
        problem, (), first_day, tuple(sorted(unplanned)),
        {site.id: site.zone for site in planned.values()}, read_ms,
    )  # fmt: skip
    return replace(asked, wishes=tuple(_wish(row, asked) for row in wishes))


def ticket_job(detail: TicketDetail, site: Site | None, rules: Sequence[OwnRule]) -> JobPlan:
    """The job plan of a ticket, by its fault and its first cause."""
    ticket = detail.ticket
    fault = FAULTS[FAULT_INDEX[ticket.fault]] if ticket.fault in FAULT_INDEX else None
    unit = next((u for u in site.units if u.id == ticket.unit), None) if site else None
    if fault is None and site is not None and unit is not None:
        fault = own_fault(rules, site, unit, ticket.fault)
    found = [e.evidence for e in detail.entries if e.evidence is not None]
    if fault is None:
        return INSPECTION
    return plan_for(fault, found[-1] if found else Evidence("", 0.0))


def _of_part(one: UnitDueRange, settings: VisitSettings, origin_ms: int, count: int) -> Need | None:
    due: DueRange = one.due
    job = JOB_OF_PART.get(due.part)
    if job is None:
        return None
    if due.verdict is Verdict.THERE:
        early = likely = late = 0.0
    elif due.early_ms is None or due.likely_ms is None:
        return None
    else:
        early, likely = ((t - origin_ms) / DAY_MS for t in (due.early_ms, due.likely_ms))
        late = likely + _LATE_FACTOR * (likely - early)
        if due.late_ms is not None:
            late = (due.late_ms - origin_ms) / DAY_MS
    if early > count + _AHEAD_DAYS:
        return None
    since = due.since_ms
    run_days = DAYS_OF_A_RUN
    if since is not None:
        run_days = max((origin_ms - since) / DAY_MS + likely, _LEAST_RUN_DAYS)
    asks, plan = job_needs(job), job_plan(job)
    return Need(
        key=f"{one.site}/{one.unit}/{due.part}", site=one.site, unit=one.unit, part=due.part,
        job=job, early_day=early, likely_day=max(likely, early), late_day=max(late, likely, early),
        hours=plan.work_min / 60, skills=asks.skills, people=asks.people, dry_pads=asks.dry_pads,
        run_days=run_days, trip_h=settings.trip_h, reason=due.reason,
    )  # fmt: skip


def _of_ticket(
    detail: TicketDetail,
    settings: VisitSettings,
    planned: Mapping[str, Site],
    rules: Sequence[OwnRule],
    origin_ms: int,
) -> Need | None:
    ticket = detail.ticket
    within = _DUE_DAYS.get(ticket.priority)
    if within is None:
        return None
    plan = ticket_job(detail, planned.get(ticket.site), rules)
    asks = job_needs(plan.slug)
    opened = (ticket.opened_ms - origin_ms) / DAY_MS
    unit = ticket.unit or PANEL
    found = [e.evidence for e in detail.entries if e.evidence is not None]
    return Need(
        key=f"{ticket.site}/{unit}/{ticket.fault}", site=ticket.site, unit=unit,
        part=ticket.fault, job=plan.slug, early_day=opened, likely_day=opened + within,
        late_day=opened + 2 * within, hours=plan.work_min / 60, skills=asks.skills,
        people=asks.people, dry_pads=asks.dry_pads, trip_h=settings.trip_h, is_wear=False,
        tickets=(ticket.number,), reason=found[-1].summary if found else "",
    )  # fmt: skip


def _add_ticket(needs: dict[str, Need], new: Need) -> None:
    """A ticket whose job is planned for its unit anyway joins it, at the sooner date."""
    same = next(
        (n for n in needs.values() if (n.site, n.unit, n.job) == (new.site, new.unit, new.job)),
        None,
    )
    if same is None:
        needs[new.key] = new
        return
    sooner = min(same, new, key=lambda n: n.likely_day)
    needs[same.key] = replace(
        same, early_day=sooner.early_day, likely_day=sooner.likely_day, late_day=sooner.late_day,
        is_wear=same.is_wear and sooner is same, tickets=(*same.tickets, *new.tickets),
    )  # fmt: skip


def _place(site: Site, first_day: date, count: int) -> Place:
    visit = site.visit
    assert visit is not None  # noqa: S101 - only those that have one are planned
    days = [first_day + timedelta(days=i) for i in range(count)]
    return Place(
        site.id, site.name, site.team, visit.latitude_deg, visit.longitude_deg,
        tuple(
            tuple(
                (_hours(a.begins), _hours(a.ends))
                for a in sorted(visit.access, key=lambda a: a.begins)
                if _WEEK[day.weekday()] in a.days and day not in visit.closed
            )
            for day in days
        ),
        frozenset(i for i, day in enumerate(days) if day.month in visit.hot_months),
        _hours(visit.cool_ends), _hours(visit.dry_from), visit.drying_h,
        {
            i: longer for i, day in enumerate(days)
            if (longer := _offset_h(day - timedelta(days=1), site.zone)
                - _offset_h(day, site.zone))
        },
        " ".join(f"{_offset_h(day, site.zone):g}" for day in days),
    )  # fmt: skip


def _offset_h(day: date, zone: ZoneInfo) -> float:
    """By how much the wall's clock is ahead of UTC at noon."""
    offset = datetime.combine(day, time(12), zone).utcoffset()
    return offset.total_seconds() / 3600 if offset is not None else 0.0


def _crew(crew: CrewSettings, first_day: date, count: int, busy: set[tuple[str, str]]) -> Crew:
    days = {i: first_day + timedelta(days=i) for i in range(count)}
    return Crew(
        crew.id, crew.name, crew.team, crew.latitude_deg, crew.longitude_deg, crew.skills,
        crew.people, _hours(crew.begins), _hours(crew.ends),
        frozenset(
            i for i, day in days.items()
            if day.weekday() in crew.weekdays and day not in crew.days_off
            and (crew.id, day.isoformat()) not in busy
        ),
    )  # fmt: skip


def _hours(at: time) -> float:
    return at.hour + at.minute / 60 + at.second / 3600


def _wish(row: WishRow, asked: Question) -> Wish:
    return Wish(
        row.number, row.kind, frozenset(row.needs), row.by, asked.index(row.day),
        asked.index(row.until_day), row.crew, frozenset(row.apart), row.note,
    )  # fmt: skip
