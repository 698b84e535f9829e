"""One crew's day: in which order the sites are visited, and when; or why it cannot be done.

Owns the clock of a day: driving, waiting for a gate, dry pads first and in the cool hours, home by
the end. Decimal hours by the wall's clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

from rules.arrays import F64
from rules.visits.needs import Need
from rules.visits.problem import Crew, Place, Prices, Problem

__all__ = ["DayPlan", "Stop", "Task", "plan_day", "why_not_that_day"]

_EPS = 1e-9


@dataclass(frozen=True)
class Task:
    """What is to be done at one site in one visit, and how long that takes.

    ``place`` is its index among the problem's places. Jobs that want dry pads come first and take
    ``dry_hours`` of ``hours``.
    """

    place: int
    needs: tuple[Need, ...]
    hours: float
    dry_hours: float

    @classmethod
    def of(cls, place: int, needs: Sequence[Need], prices: Prices) -> Task:
        """The task of these needs of one site: by unit, those with pads to lift first."""
        dry_units = {need.unit for need in needs if need.dry_pads}
        ordered = sorted(
            needs, key=lambda n: (n.unit not in dry_units, n.unit, not n.dry_pads, n.part)
        )
        units = list(dict.fromkeys(need.unit for need in ordered))
        work = sum(need.hours for need in ordered)
        dry = sum(need.hours for need in ordered if need.dry_pads)
        return cls(
            place,
            tuple(ordered),
            prices.arrival_h + prices.isolation_h * len(units) + work,
            prices.arrival_h + prices.isolation_h * len(dry_units) + dry if dry else 0.0,
        )


@dataclass(frozen=True)
class Stop:
    """A task with its times; ``drive_h`` is the way to it."""

    task: Task
    begins_h: float
    ends_h: float
    drive_h: float


@dataclass(frozen=True)
class DayPlan:
    """A day that can be done. ``home_h`` is when the crew is back, ``drive_h`` all driving."""

    stops: tuple[Stop, ...]
    leaves_h: float
    home_h: float
    drive_h: float


def plan_day(
    problem: Problem, roads_h: F64, crew: int, day: int, tasks: Sequence[Task]
) -> DayPlan | None:
    """The shortest order that keeps all hours; None where there is none.

    All orders are tried, so ``tasks`` must be few.
    """
    who = problem.crews[crew]
    base, first_place = crew, len(problem.crews)
    best: DayPlan | None = None
    for order in permutations(tasks):
        stops: list[Stop] = []
        time_h, at, drive_h = who.begins_h, base, 0.0
        for task in order:
            to = first_place + task.place
            way_h = float(roads_h[at, to])
            begins_h = _begin(problem.places[task.place], day, time_h + way_h, task)
            if begins_h is None:
                break
            time_h = begins_h + task.hours
            drive_h += way_h
            stops.append(Stop(task, begins_h, time_h, way_h))
            at = to
        else:
            home_h = time_h + float(roads_h[at, base])
            drive_h += float(roads_h[at, base])
            if home_h > who.ends_h + _EPS:
                continue
            if best is None or (drive_h, home_h) < (best.drive_h - _EPS, best.home_h):
                leaves_h = stops[0].begins_h - stops[0].drive_h if stops else who.begins_h
                best = DayPlan(tuple(stops), leaves_h, home_h, drive_h)
    return best


def _begin(place: Place, day: int, arrives_h: float, task: Task) -> float | None:
    """When the work can begin, having arrived then; None where it cannot be fitted in."""
    for opens_h, shuts_h in place.open_h[day]:
        begins_h = max(arrives_h, opens_h)
        if task.dry_hours:
            begins_h = max(begins_h, place.pads_dry_h(day))
            if begins_h + task.dry_hours > place.pads_until_h(day) + _EPS:
                continue
        if begins_h + task.hours <= shuts_h + _EPS:
            return begins_h
    return None


def why_not_that_day(problem: Problem, roads_h: F64, crew: Crew, day: int, task: Task) -> str:
    """What keeps this crew from this task on that day, in a clause; '' where nothing does."""
    place = problem.places[task.place]
    index = problem.crews.index(crew)
    way_h = float(roads_h[index, len(problem.crews) + task.place])
    lacking = frozenset[str]().union(*(need.skills for need in task.needs)) - crew.skills
    people = max(need.people for need in task.needs)
    whole_h = crew.ends_h - crew.begins_h
    if crew.team != place.team:
        why = f"{crew.name} does not serve the sites of team '{place.team}'"
    elif day not in crew.days:
        why = f"{crew.name} does not work on that day"
    elif lacking:
        why = f"{crew.name} lacks {' and '.join(sorted(lacking))}"
    elif people > crew.people:
        why = f"the job takes {people} people and {crew.name} has {crew.people}"
    elif not place.open_h[day]:
        why = f"{place.name} lets nobody in on that day"
    elif 2 * way_h + task.hours > whole_h + _EPS:
        why = (
            f"{task.hours:.1f} h of work and {2 * way_h:.1f} h of driving do not fit in a day of "
            f"{whole_h:.1f} h"
        )
    elif plan_day(problem, roads_h, index, day, [task]) is not None:
        why = ""
    elif task.dry_hours and day in place.hot_days:
        why = (
            f"on a hot day the pads of {place.name} are dry at {place.pads_dry_h(day):.1f} h and "
            f"wanted back at {place.cool_ends_h:.1f} h, too short for {task.dry_hours:.1f} h"
        )
    else:
        why = f"the hours in which {place.name} is open are too short"
    return why
