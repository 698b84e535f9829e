"""Makes the plan and writes it into the records as proposals, with a sentence for each choice."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from gateway.config.configuration import Configuration
from gateway.records import Records
from gateway.records.visit_rows import PlanRow, VisitRow, VisitState
from gateway.records.visits import Given, Proposal
from gateway.tickets.life import STANDING
from gateway.visits.course import Course, CourseJob, CourseStop, Left, Outcome
from gateway.visits.question import DAY_MS, PANEL, Question, question, wall_ms
from rules.visits.day import Stop
from rules.visits.needs import Need
from rules.visits.planner import Plan, Visit, plan_visits
from rules.visits.words import conflicts, stop_reason, visit_reason, why_left

__all__ = ["Planned", "asked_of", "planned", "propose", "proposed"]

_MOST_TICKETS: Final = 2_000


@dataclass(frozen=True)
class Planned:
    """A plan that is not written yet, with what it was made of."""

    proposals: tuple[Proposal, ...]
    outcome: Outcome
    given: Given

    def write(self, records: Records, now_ms: int) -> list[str]:
        """Write it, the numbers of its visits; RecordsError where what was given has changed."""
        return records.propose_visits(self.proposals, self.outcome, now_ms, self.given)


def propose(
    records: Records, configuration: Configuration, now_ms: int, limit_s: float = 15.0
) -> tuple[list[VisitRow], PlanRow]:
    """Plan from tomorrow on; what was proposed before is replaced, what was confirmed stays."""
    made = planned(records, configuration, now_ms, limit_s)
    made.write(records, now_ms)
    return proposed(records), PlanRow(now_ms, made.outcome)


def proposed(records: Records) -> list[VisitRow]:
    """What the last plan wants, and what it does not want any more though its crew knows of it.

    With what was opened since: it waits for the next plan.
    """
    return records.visits([VisitState.PROPOSED, VisitState.REOPENED, VisitState.WITHDRAWN])


def planned(
    records: Records, configuration: Configuration, now_ms: int, limit_s: float = 15.0
) -> Planned:
    """The same plan, not written yet. ``limit_s`` is the solver's time in seconds."""
    before = records.visits_given()
    asked, awaited = asked_of(records, configuration, now_ms)
    plan = plan_visits(asked.problem, asked.wishes, limit_s)
    proposals = [_proposal(plan, visit, asked) for visit in plan.visits]
    cost_h = plan.cost_h - plan.missed_h
    bound_h = max(plan.bound_h - plan.missed_h, 0.0)
    outcome = Outcome(
        first_day=asked.first_day.isoformat(),
        day_count=plan.problem.day_count,
        cost_h=cost_h,
        bound_h=bound_h,
        gap=max(cost_h - bound_h, 0.0) / cost_h if cost_h > 0 else 0.0,
        left=tuple(Left(key, why_left(plan, key, asked.name_day)) for key in plan.left),
        conflicts=tuple(conflicts(plan)),
        not_planned=asked.not_planned,
        is_cut=plan.cut,
        awaited=awaited,
    )
    return Planned(tuple(proposals), outcome, before)


def asked_of(records: Records, configuration: Configuration, now_ms: int) -> tuple[Question, int]:
    """The question of this moment, and of how many units a date is not worked out yet."""
    known = records.due_known(now_ms=now_ms)
    today = datetime.fromtimestamp(now_ms / 1000, UTC).date().isoformat()
    rows = records.tickets(phases=STANDING, limit=_MOST_TICKETS)
    details = [records.ticket(row.number) for row in rows if row.priority != "high"]
    asked = question(
        configuration.visits,
        configuration.sites,
        configuration.rules,
        due=known.ranges,
        tickets=[detail for detail in details if detail is not None],
        wishes=records.visit_wishes(),
        confirmed=records.visits([VisitState.CONFIRMED], since_day=today),
        now_ms=now_ms,
    )
    return asked, len(known.awaited)


def _proposal(plan: Plan, visit: Visit, asked: Question) -> Proposal:
    crew = plan.problem.crews[visit.crew]
    day = asked.day(visit.day)
    first = plan.problem.places[visit.plan.stops[0].task.place]
    zone = asked.zones[first.site]
    course = Course(
        crew_name=crew.name,
        leaves_ms=wall_ms(day, visit.plan.leaves_h, zone),
        home_ms=wall_ms(day, visit.plan.home_h, zone),
        drive_h=round(visit.plan.drive_h, 2),
        cost_h=round(visit.cost_h, 2),
        why=visit_reason(plan, visit),
        stops=tuple(_stop(plan, visit, stop, asked) for stop in visit.plan.stops),
    )
    return Proposal(crew.id, day.isoformat(), course)


def _stop(plan: Plan, visit: Visit, stop: Stop, asked: Question) -> CourseStop:
    place = plan.problem.places[stop.task.place]
    zone, day = asked.zones[place.site], asked.day(visit.day)
    wet_off_ms = None
    if stop.task.dry_hours:
        # Drying takes its hours, whatever is done to the clock in that night.
        wet_off_ms = wall_ms(day, stop.begins_h, zone) - round(place.drying_h * 3_600_000)
    return CourseStop(
        site=place.site,
        begins_ms=wall_ms(day, stop.begins_h, zone),
        ends_ms=wall_ms(day, stop.ends_h, zone),
        drive_h=round(stop.drive_h, 2),
        why=stop_reason(plan, visit, stop, asked.name_day),
        is_hot=visit.day in place.hot_days,
        wet_off_ms=wet_off_ms,
        jobs=tuple(_job(need, asked) for need in stop.task.needs),
    )


def _job(need: Need, asked: Question) -> CourseJob:
    def ms(day: float) -> int | None:
        if not need.is_wear:
            return None
        return wall_ms(asked.first_day, 0, ZoneInfo("UTC")) + round(day * DAY_MS)

    read = asked.read_ms.get(need.key, (None, None))
    return CourseJob(
        key=need.key,
        unit="" if need.unit == PANEL else need.unit,
        part=need.part,
        job=need.job,
        hours=need.hours,
        dry_pads=need.dry_pads,
        tickets=need.tickets,
        why=need.reason,
        early_ms=ms(need.early_day),
        likely_ms=ms(need.likely_day),
        late_ms=ms(need.late_day),
        read_from_ms=read[0],
        read_to_ms=read[1],
    )
