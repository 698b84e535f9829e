"""Visits: proposed and confirmed by week, each with its reasons, and what the plan left out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Final

from gateway.overview.source import Names, Source
from gateway.overview.tickets import TicketLine
from gateway.records.visit_rows import PlanRow, VisitRow, VisitState, WishRow
from gateway.records.wear_rows import UnitDueRange
from gateway.tickets.document import clean
from gateway.visits.course import CourseJob, CourseStop
from gateway.visits.settings import VisitSettings
from rules.forecast import Verdict
from rules.jobplans import JOB_PLANS
from rules.visits.skills import renews

__all__ = [
    "DueLine",
    "JobLine",
    "StopLine",
    "VisitLine",
    "VisitsView",
    "Week",
    "WishLine",
    "asked_for",
    "due_lines",
    "visit_line",
    "visits_view",
    "wish_lines",
]

SHOWN: Final = (
    VisitState.PROPOSED, VisitState.CONFIRMED, VisitState.REOPENED, VisitState.WITHDRAWN,
)  # fmt: skip
_TITLES: Final[Mapping[str, str]] = {plan.slug: plan.title for plan in JOB_PLANS}
_MONTHS: Final = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip
_DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True)
class JobLine:
    """One job at one unit. ``due`` is its range of dates, '' where a ticket asks for it."""

    key: str
    unit: str
    unit_name: str
    title: str
    hours: float
    tickets: tuple[str, ...]
    why: str
    due: str


@dataclass(frozen=True)
class StopLine:
    """A site of the day; times are by its clock. ``wet_off`` '' where no pads are touched."""

    site: str
    site_name: str
    begins: str
    ends: str
    drive_h: float
    why: str
    wet_off: str
    jobs: tuple[JobLine, ...]


@dataclass(frozen=True)
class VisitLine:
    """One crew's day. ``leaves`` and ``home`` are by the first site's clock; hours are a crew's.

    ``waits`` tells that a person has to act: the crew knows something else than the plan.
    """

    number: str
    state: VisitState
    state_words: str
    waits: bool
    crew: str
    crew_name: str
    day: str
    day_text: str
    leaves: str
    home: str
    work_h: float
    drive_h: float
    why: str
    stops: tuple[StopLine, ...]
    changed_by: str
    note: str
    is_told: bool

    @property
    def is_open(self) -> bool:
        """Wishes about it change something."""
        return self.state in {VisitState.PROPOSED, VisitState.CONFIRMED, VisitState.REOPENED}

    @property
    def may_confirm(self) -> bool:
        """It waits for a confirmation."""
        return self.state is VisitState.PROPOSED

    @property
    def may_cancel(self) -> bool:
        """Its crew knows of it."""
        return self.is_told and self.state is not VisitState.CANCELLED


@dataclass(frozen=True)
class Week:
    """The visits of one week; ``title`` names its Monday."""

    title: str
    visits: tuple[VisitLine, ...]


@dataclass(frozen=True)
class WishLine:
    """A wish that holds, in words."""

    number: int
    said: str
    by: str
    note: str


@dataclass(frozen=True)
class VisitsView:
    """All that is planned from this week on. ``plan`` is None before the first plan."""

    made_ms: int
    weeks: tuple[Week, ...]
    wishes: tuple[WishLine, ...]
    plan: PlanRow | None
    left: tuple[tuple[str, str], ...]
    has_crews: bool


@dataclass(frozen=True)
class DueLine:
    """One part that is due some day, by its ``slug``. Dates are texts, '' where none is told."""

    site: str
    site_name: str
    unit: str
    unit_name: str
    slug: str
    part: str
    is_there: bool
    early_ms: int
    early: str
    likely: str
    late: str
    reason: str


def visits_view(source: Source, now_ms: int, *, team: str = "") -> VisitsView:
    """What is planned for the crews of a team, or for all.

    A week begins when Monday does at a visit's first site: a visit's day is that site's.
    """
    names, settings = source.names, source.configuration.visits
    zones = {site.zone for site in names.sites.values()} | {UTC}
    first = min(_monday(now_ms, zone) for zone in zones)
    rows = source.records.visits(SHOWN, since_day=first.isoformat())
    weeks: dict[date, list[VisitLine]] = {}
    for row in rows:
        if team and team not in _teams(names, settings, row):
            continue
        day = date.fromisoformat(row.day)
        if day < _monday(now_ms, _zone(names, row)):
            continue
        weeks.setdefault(day - timedelta(days=day.weekday()), []).append(visit_line(names, row))
    plan = source.records.visit_plan()
    left = plan.outcome.left if plan else ()
    return VisitsView(
        now_ms,
        tuple(Week(day_text(first), tuple(some)) for first, some in sorted(weeks.items())),
        wish_lines(names, source.records.visit_wishes()),
        plan,
        tuple((need_text(names, one.key), one.why) for one in left),
        bool(settings.crews),
    )


def visit_line(names: Names, row: VisitRow) -> VisitLine:
    """One visit as a page shows it."""
    course, zone = row.course, _zone(names, row)
    words, waits = row.state.value.capitalize(), False
    if row.state is VisitState.PROPOSED and row.sequence >= 0:
        words, waits = "Changed, to confirm", True
    elif row.state is VisitState.REOPENED:
        words, waits = "Reopened, to plan anew", True
    elif row.state is VisitState.WITHDRAWN:
        words, waits = "Withdrawn, to cancel", True
    stops = tuple(_stop(names, stop) for stop in course.stops)
    return VisitLine(
        number=row.number, state=row.state, state_words=words, waits=waits, crew=row.crew,
        crew_name=clean(course.crew_name, 60), day=row.day,
        day_text=day_text(date.fromisoformat(row.day)),
        leaves=_wall(course.leaves_ms, zone), home=_wall(course.home_ms, zone),
        work_h=sum(job.hours for stop in course.stops for job in stop.jobs),
        drive_h=course.drive_h, why=course.why, stops=stops,
        changed_by=clean(row.changed_by, 80), note=clean(row.note, 300),
        is_told=row.sequence >= 0,
    )  # fmt: skip


def due_lines(names: Names, due: Iterable[UnitDueRange]) -> tuple[DueLine, ...]:
    """Parts with a date, the earliest first; those without one are left out."""
    lines = []
    for one in due:
        known = one.due
        is_there = known.verdict is Verdict.THERE
        if known.early_ms is None and not is_there:
            continue
        zone = names.zone(one.site)
        early, likely, late = (_day(ms, zone) for ms in
                               (known.early_ms, known.likely_ms, known.late_ms))  # fmt: skip
        lines.append(
            DueLine(
                one.site, names.site(one.site), one.unit, names.unit(one.site, one.unit),
                known.part, known.part.replace("-", " ").capitalize(), is_there,
                known.early_ms or 0,
                "" if is_there else early, "" if is_there else likely, "" if is_there else late,
                known.reason,
            )
        )  # fmt: skip
    lines.sort(key=lambda one: (not one.is_there, one.early_ms, one.site, one.unit, one.part))
    return tuple(lines)


def asked_for(
    due: Iterable[DueLine], tickets: Iterable[TicketLine]
) -> tuple[tuple[DueLine, ...], dict[str, tuple[DueLine, ...]]]:
    """Parts without a ticket, and by ticket those that its job renews: they are told with it."""
    tickets = list(tickets)
    rest: list[DueLine] = []
    asked: dict[str, list[DueLine]] = {}
    for line in due:
        number = next(
            (
                t.number
                for t in tickets
                if (t.site, t.unit) == (line.site, line.unit) and renews(t.fault, line.slug)
            ),
            "",
        )
        if number:
            asked.setdefault(number, []).append(line)
        else:
            rest.append(line)
    return tuple(rest), {number: tuple(lines) for number, lines in asked.items()}


def day_text(day: date) -> str:
    """A date as a sentence has it: 'Tue 7 Jul'."""
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"


def need_text(names: Names, key: str) -> str:
    """A need's key in names: 'Quay Cold Store, Condenser 1: pads'."""
    site, unit, what = [*key.split("/", 2), "", ""][:3]
    place = names.site(site) + (f", {names.unit(site, unit)}" if unit != "panel" else "")
    return f"{place}: {clean(what.replace('-', ' '), 80)}"


def _zone(names: Names, row: VisitRow) -> tzinfo:
    stops = row.course.stops
    return names.zone(stops[0].site) if stops else UTC


def _teams(names: Names, settings: VisitSettings, row: VisitRow) -> set[str]:
    """The crew's team; of a crew that is not in the files any more the teams of the sites."""
    crew = settings.crew(row.crew)
    if crew is not None:
        return {crew.team}
    known = (names.sites.get(stop.site) for stop in row.course.stops)
    return {site.team for site in known if site is not None}


def _monday(now_ms: int, zone: tzinfo) -> date:
    today = datetime.fromtimestamp(now_ms / 1000, zone).date()
    return today - timedelta(days=today.weekday())


def _stop(names: Names, stop: CourseStop) -> StopLine:
    zone = names.zone(stop.site)
    return StopLine(
        stop.site, names.site(stop.site), _wall(stop.begins_ms, zone), _wall(stop.ends_ms, zone),
        stop.drive_h, stop.why, "" if stop.wet_off_ms is None else _moment(stop.wet_off_ms, zone),
        tuple(_job(names, stop.site, job, zone) for job in stop.jobs),
    )  # fmt: skip


def _job(names: Names, site: str, job: CourseJob, zone: tzinfo) -> JobLine:
    due = ""
    if job.early_ms is not None and job.likely_ms is not None and job.late_ms is not None:
        early, likely, late = (_day(t, zone) for t in (job.early_ms, job.likely_ms, job.late_ms))
        due = f"{early} to {late}, likely {likely}"
    return JobLine(
        job.key, job.unit, names.unit(site, job.unit) if job.unit else "Panel",
        _TITLES.get(job.job, job.job.replace("-", " ").capitalize()), job.hours, job.tickets,
        clean(job.why, 500), due,
    )  # fmt: skip


def wish_lines(names: Names, wishes: Iterable[WishRow]) -> tuple[WishLine, ...]:
    """Wishes as a page shows them."""
    return tuple(_wish(names, wish) for wish in wishes)


def _wish(names: Names, wish: WishRow) -> WishLine:
    said = f"{wish.kind.value.capitalize()} {'; '.join(need_text(names, n) for n in wish.needs)}"
    if wish.day:
        said += f", {'from' if wish.until_day else 'on'} {day_text(date.fromisoformat(wish.day))}"
    if wish.until_day:
        said += f", until {day_text(date.fromisoformat(wish.until_day))}"
    if wish.crew:
        said += f", by {clean(wish.crew, 60)}"
    return WishLine(wish.number, said, clean(wish.by, 80), clean(wish.note, 300))


def _wall(ms: int, zone: tzinfo) -> str:
    return f"{datetime.fromtimestamp(ms / 1000, zone):%H:%M}"


def _moment(ms: int, zone: tzinfo) -> str:
    at = datetime.fromtimestamp(ms / 1000, zone)
    return f"{day_text(at.date())} {at:%H:%M}"


def _day(ms: int | None, zone: tzinfo) -> str:
    if ms is None:
        return ""
    at = datetime.fromtimestamp(ms / 1000, zone)
    return f"{at.day} {_MONTHS[at.month - 1]} {at.year}"
