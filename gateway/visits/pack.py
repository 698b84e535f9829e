"""The work pack of a visit as a document: all that a crew needs for its day, in words.

Each job is a :class:`gateway.tickets.ticket.Ticket`, which cannot be made without the isolation
block of its own unit and job. A pack cannot be made without jobs, so none goes out without
isolation. Layout is in :mod:`gateway.visits.pack_paper` and the templates.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Final

from gateway.records.rows import TicketDetail
from gateway.records.visit_rows import VisitRow, VisitState
from gateway.tickets.document import build, clean, lasting, site_time
from gateway.tickets.notice import NoticeKind, TicketNotice
from gateway.tickets.ticket import ContactRow, Ticket
from gateway.visits.course import CourseJob, CourseStop
from rules.equipment import Site, Unit
from rules.events import Evidence
from rules.faults.base import Fault
from rules.hazards import Caution
from rules.jobplans import INSPECTION, JOB_PLANS, JobPlan
from rules.safety import IsolationBlock, SafetyTextMissing

__all__ = ["Pack", "PackJob", "PackStop", "build_pack", "clock"]

_PLANS: Final[Mapping[str, JobPlan]] = {plan.slug: plan for plan in JOB_PLANS}


@dataclass(frozen=True)
class PackJob:
    """One job: its document, how long it takes at the machine, and why it is done now."""

    document: Ticket
    minutes: int
    why: str
    tickets: tuple[str, ...]

    @property
    def isolation(self) -> IsolationBlock:
        """How to make this machine safe for this job."""
        return self.document.isolation


@dataclass(frozen=True)
class PackStop:
    """A site of the day. ``dry`` and ``weather`` are sentences, ``dry`` '' where none is due."""

    site_name: str
    address: str
    access: str
    contacts: tuple[ContactRow, ...]
    arrive: str
    leave: str
    drive: str
    why: str
    dry: str
    weather: str
    jobs: tuple[PackJob, ...]


@dataclass(frozen=True)
class Pack:
    """A work pack. ``kind`` is 'new' or 'changed'; times are the first site's.

    Raises SafetyTextMissing where it holds no job: then it would hold no isolation either.
    """

    number: str
    kind: str
    sequence: int
    crew_name: str
    day: str
    leaves: str
    home: str
    drive: str
    work: str
    why: str
    made: str
    time_zone: str
    stops: tuple[PackStop, ...]
    tools: tuple[str, ...]
    parts: tuple[str, ...]
    skills: tuple[str, ...]
    cautions: tuple[Caution, ...]

    def __post_init__(self) -> None:
        """Refuse a pack without work, which would be one without isolation."""
        if not self.jobs:
            msg = f"visit {self.number} has no job, so there is no isolation to tell of"
            raise SafetyTextMissing(msg)

    @property
    def jobs(self) -> tuple[PackJob, ...]:
        """All jobs in the order of doing them."""
        return tuple(job for stop in self.stops for job in stop.jobs)

    @property
    def block(self) -> IsolationBlock:
        """The first job's isolation block: what it says to everybody is the same in all."""
        return self.jobs[0].isolation

    @property
    def blocks(self) -> tuple[IsolationBlock, ...]:
        """One block for each way of isolating, so that no step is said twice."""
        found: dict[tuple[object, ...], IsolationBlock] = {}
        for job in self.jobs:
            found.setdefault((job.isolation.steps,), job.isolation)
        return tuple(found.values())

    @property
    def places(self) -> str:
        """The sites in order."""
        return ", ".join(stop.site_name for stop in self.stops)

    @property
    def headline(self) -> str:
        """What the pack is about, in a line."""
        count = len(self.jobs)
        return f"{self.places}: {count} job{'s' if count != 1 else ''} on {self.day}"


def clock(time_ms: int, zone: tzinfo) -> str:
    """The time of day by the site's clock."""
    return f"{datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone):%H:%M}"


def build_pack(
    row: VisitRow,
    sites: Iterable[Site],
    faults: Mapping[str, Fault],
    details: Mapping[str, TicketDetail],
    *,
    kind: str,
    now_ms: int,
) -> Pack:
    """The pack of a visit. ``details`` are the tickets that it answers, by number."""
    by_id = {site.id: site for site in sites}
    course = row.course
    first = by_id.get(course.stops[0].site) if course.stops else None
    zone: tzinfo = first.zone if first else UTC
    stops = []
    count = 0
    for stop in course.stops:
        site = by_id.get(stop.site)
        jobs = []
        for job in stop.jobs:
            count += 1
            jobs.append(_job(row, count, stop, job, site, faults, details, now_ms))
        stops.append(_stop(stop, site, jobs))
    plans = [job.document.plan for stop in stops for job in stop.jobs]
    work_h = sum((stop.ends_ms - stop.begins_ms) / 3_600_000 for stop in course.stops)
    cautions = {
        (c.word, c.title): c for stop in stops for job in stop.jobs for c in job.isolation.cautions
    }
    return Pack(
        number=row.number,
        kind=kind,
        sequence=row.sequence + (row.state is not VisitState.CONFIRMED),
        crew_name=clean(course.crew_name, 80),
        day=site_time(course.leaves_ms, zone).partition(",")[0],
        leaves=clock(course.leaves_ms, zone),
        home=clock(course.home_ms, zone),
        drive=lasting(course.drive_h * 3600),
        work=lasting(work_h * 3600),
        why=course.why,
        made=site_time(now_ms, zone),
        time_zone=first.time_zone if first else "UTC",
        stops=tuple(stops),
        tools=_union(plan.tools for plan in plans),
        parts=_union(plan.parts for plan in plans),
        skills=_union((plan.skills,) for plan in plans),
        cautions=tuple(sorted(cautions.values(), key=lambda c: _RANK[str(c.word)])),
    )


_RANK: Final = {"DANGER": 0, "WARNING": 1, "CAUTION": 2, "NOTICE": 3}


def _union(lists: Iterable[Sequence[str]]) -> tuple[str, ...]:
    """Each once, in the order of the jobs."""
    return tuple(dict.fromkeys(text for some in lists for text in some))


def _stop(stop: CourseStop, site: Site | None, jobs: Sequence[PackJob]) -> PackStop:
    zone: tzinfo = site.zone if site else UTC
    dry = ""
    if stop.wet_off_ms is not None:
        dry = (
            f"Pads must be dry before they are lifted. Ask the site to end wet running by "
            f"{site_time(stop.wet_off_ms, zone)} and to let the fans run on if its rules allow; "
            "feel the pads before you lift one. If they are wet, do the other jobs first."
        )
    if stop.is_hot:
        weather = (
            "Hot season: the units want their wet pads in the afternoon, so pads come first and "
            "are back before the heat. Ask the site the day before; in a heat wave, put it off."
        )
    else:
        weather = "Ask the site about the weather of the day before you set out."
    weather += (
        " No work on a roof in storm, lightning or ice, nor alone in heat; in frost no water is "
        "left standing in basin or pipes."
    )
    return PackStop(
        site_name=clean(site.name if site else stop.site, 80),
        address=clean(site.address) if site else "not recorded: the site file is missing",
        access=clean(site.access) if site else "not recorded: the site file is missing",
        contacts=tuple(
            ContactRow(clean(c.name), clean(c.role), clean(c.phone or ""), clean(c.email or ""))
            for c in (site.contacts if site else ())
        ),
        arrive=clock(stop.begins_ms, zone),
        leave=clock(stop.ends_ms, zone),
        drive=lasting(stop.drive_h * 3600),
        why=stop.why,
        dry=dry,
        weather=weather,
        jobs=tuple(jobs),
    )


def _job(
    row: VisitRow,
    count: int,
    stop: CourseStop,
    job: CourseJob,
    site: Site | None,
    faults: Mapping[str, Fault],
    details: Mapping[str, TicketDetail],
    now_ms: int,
) -> PackJob:
    unit = next((u for u in site.units if u.id == job.unit), None) if site else None
    plan = _PLANS.get(job.job, INSPECTION)
    detail = next((details[n] for n in job.tickets if n in details), None)
    fault = faults.get(detail.ticket.fault) if detail is not None else None
    document = build(
        _notice(f"{row.number}.{count}", stop, job, detail, now_ms),
        site,
        unit,
        fault or _planned(job, plan),
        plan,
    )
    why = " ".join(part for part in (_why(job, site, unit), _dated(job, site, document)) if part)
    return PackJob(document, plan.work_min, why, job.tickets)


def _dated(job: CourseJob, site: Site | None, document: Ticket) -> str:
    """From when to when the readings are: the part's daily figures, or the ticket's readings."""
    if job.read_from_ms is not None and job.read_to_ms is not None:
        zone: tzinfo = site.zone if site else UTC
        first, last = (
            site_time(t, zone).partition(",")[0] for t in (job.read_from_ms, job.read_to_ms)
        )
        return f"Readings from {first} to {last}, the site's days." + (
            f" The ticket: {document.as_of}" if document.as_of else ""
        )
    return document.as_of


def _why(job: CourseJob, site: Site | None, unit: Unit | None) -> str:
    zone: tzinfo = site.zone if site else UTC
    name = clean(unit.name if unit else job.unit or "the site's panel", 60)
    if job.tickets:
        return f"{name}: open ticket {', '.join(job.tickets)}. {clean(job.why)}".strip()
    if job.early_ms is None or job.likely_ms is None or job.late_ms is None:
        return f"{name}: {clean(job.why)}"
    early, likely, late = (
        site_time(t, zone).partition(",")[0] for t in (job.early_ms, job.likely_ms, job.late_ms)
    )
    return (
        f"{name}: {job.part.replace('-', ' ')} at its limit likely on {likely} (80 %: {early} to "
        f"{late}). {clean(job.why)}"
    ).strip()


def _notice(
    number: str, stop: CourseStop, job: CourseJob, detail: TicketDetail | None, now_ms: int
) -> TicketNotice:
    """What the job's document is made of: its ticket, or what the plan says of the part."""
    evidence = Evidence(
        summary=job.why or "Due by the plan of visits.",
        confidence=0.8,
        limits=("It is planned by a forecast of wear: look first, and say what you find.",),
    )
    ticket = detail.ticket if detail is not None else None
    found = [e.evidence for e in detail.entries if e.evidence is not None] if detail else []
    return TicketNotice(
        number=ticket.number if ticket else number,
        kind=NoticeKind.OPENED,
        site_id=stop.site,
        unit_id=job.unit,
        fault=ticket.fault if ticket else f"planned-{job.part}",
        priority=ticket.priority if ticket else "low",
        time_ms=now_ms,
        onset_ms=ticket.onset_ms if ticket else now_ms,
        opened_ms=ticket.opened_ms if ticket else now_ms,
        returned_ms=ticket.returned_ms if ticket else None,
        evidence=found[-1] if found else evidence,
        history=tuple(detail.entries) if detail else (),
        to=(),
        cc=(),
        from_address="",
        reply_to="",
        message_id="",
        in_reply_to="",
        references=(),
        date_ms=now_ms,
        event_seq=0,
    )


def _planned(job: CourseJob, plan: JobPlan) -> Fault:
    """A catalogue entry's place is taken by what a planned job says of itself."""
    part = job.part.replace("-", " ")
    return Fault(
        slug=f"planned-{job.part}",
        title=f"Planned: {plan.title[:1].lower()}{plan.title[1:]}",
        family="heat rejection",
        meaning=f"No alarm stands for it; the plan of visits calls for work on the {part}.",
        consequence="Left alone, the part reaches its limit and the unit loses capacity.",
        action="Do the job below, and close it out with the readings before and after.",
        causes=(),
        needs=(),
        helps=(),
        suppressed_by=(),
        response={},
        job_plan=plan.slug,
        settings=(),
    )
