"""Chooses the visits: column generation over all tours of each team, then an integer program.

A team's sites are planned by themselves, as no crew serves two teams. The linear program's prices
tell which tours would still lower its cost; all tours of the family are priced at once, so the last
prices give a true lower bound (Lasdon, *Optimization Theory for Large Systems*, 1970, ch. 4.9; from
memory). In a large team what the linear program takes whole is then taken (diving), and the integer
program chooses among the tours for what remains. What that may have missed is the gap between its
cost and the bound, and the plan says it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rules.arrays import F64
from rules.visits.cover import Column, Prices, choose, relax
from rules.visits.day import DayPlan, plan_day
from rules.visits.needs import wait_cost_h
from rules.visits.problem import Problem
from rules.visits.tours import Family, family
from rules.visits.wishes import Limits, Wish, limits_of

__all__ = ["Plan", "Visit", "left_cost_h", "plan_visits"]

_ROUNDS: Final = 60
_ENOUGH: Final = 0.005
"""The linear program is near enough to its bound; the integer one costs more than that."""
_A_DAY: Final = 4
"""Tours added a round for each crew day: they differ in their sites."""
_TRIES: Final = 12
_PINNED_H: Final = 10_000.0
"""What leaving a pinned need costs: more than anything else."""
_MOST: Final = 6_000
"""Of the tours found, the integer program is given the most promising, to be soon done."""
_SMALL: Final = 1e-6


@dataclass(frozen=True)
class Visit:
    """One crew's day. ``crew`` is its index; ``cost_h`` is all of it, in crew hours."""

    crew: int
    day: int
    plan: DayPlan
    cost_h: float


@dataclass(frozen=True)
class Plan:
    """The visits by day and crew, what is left for later, and how good that is.

    ``left`` are the keys of the needs without a visit. ``cost_h`` and ``bound_h`` are in crew hours
    and hold what is left too; no plan of the same family costs less than the bound. ``cut`` tells
    that the family of tours was too large to be listed whole. ``problem`` and ``limits`` are the
    question, for whoever explains the answer.
    """

    problem: Problem
    limits: Limits
    visits: tuple[Visit, ...]
    left: tuple[str, ...]
    cost_h: float
    bound_h: float
    cut: bool

    @property
    def gap(self) -> float:
        """What the plan may cost more than the best of its family, as a share of its cost."""
        return max(self.cost_h - self.bound_h, 0.0) / self.cost_h if self.cost_h > 0 else 0.0

    @property
    def missed_h(self) -> float:
        """What of ``cost_h`` holds the planner to wishes that could not be kept; nobody's hours."""
        return _PINNED_H * len(set(self.left) & set(self.limits.day))


def plan_visits(problem: Problem, wishes: Sequence[Wish] = (), limit_s: float = 15.0) -> Plan:
    """The plan. ``limit_s`` is how long the integer programs may take together."""
    limits = limits_of(problem, wishes)
    roads_h = problem.roads()
    teams = sorted({place.team for place in problem.places})
    visits: list[Visit] = []
    cost_h = bound_h = 0.0
    cut = False
    done: set[str] = set()
    for team in teams:
        part, crews = _of_team(problem, team, roads_h)
        if not part.needs:
            continue
        share_s = limit_s * len(part.needs) / max(len(problem.needs), 1)
        found, part_cost_h, part_bound_h, part_cut = _plan_part(part, limits, share_s)
        places = [i for i, place in enumerate(problem.places) if place.team == team]
        visits += [_in_whole(visit, crews, places) for visit in found]
        cost_h += part_cost_h
        bound_h += part_bound_h
        cut = cut or part_cut
    for visit in visits:
        done |= {need.key for stop in visit.plan.stops for need in stop.task.needs}
    return Plan(
        problem,
        limits,
        tuple(sorted(visits, key=lambda v: (v.day, v.crew))),
        tuple(need.key for need in problem.needs if need.key not in done),
        cost_h,
        bound_h,
        cut,
    )


def left_cost_h(problem: Problem, row: int, roads_h: F64) -> float:
    """What it costs to leave a need for a later plan: the risk by then, and its own visit then."""
    need, prices = problem.needs[row], problem.prices
    place = next(i for i, p in enumerate(problem.places) if p.site == need.site)
    to = len(problem.crews) + place
    ways_h = [
        float(roads_h[c, to] + roads_h[to, c])
        for c, crew in enumerate(problem.crews)
        if crew.team == problem.places[place].team
    ]
    visit_h = min(ways_h, default=0.0) * prices.drive + prices.arrival_h + prices.isolation_h
    wait_h = wait_cost_h(need, problem.day_count, prices.isolation_h)
    return wait_h + prices.later_share * visit_h


def _of_team(problem: Problem, team: str, roads_h: F64) -> tuple[Problem, list[int]]:
    crews = [i for i, crew in enumerate(problem.crews) if crew.team == team]
    places = [i for i, place in enumerate(problem.places) if place.team == team]
    sites = {problem.places[i].site for i in places}
    rows = [*crews, *(len(problem.crews) + i for i in places)]
    part = replace(
        problem,
        needs=tuple(need for need in problem.needs if need.site in sites),
        places=tuple(problem.places[i] for i in places),
        crews=tuple(problem.crews[i] for i in crews),
        roads_h=roads_h[np.ix_(rows, rows)],
    )
    return part, crews


def _in_whole(visit: Visit, crews: list[int], places: list[int]) -> Visit:
    """A team's visit with the indices of the whole problem."""
    stops = tuple(
        replace(stop, task=replace(stop.task, place=places[stop.task.place]))
        for stop in visit.plan.stops
    )
    return replace(visit, crew=crews[visit.crew], plan=replace(visit.plan, stops=stops))


class _Pool:
    """The tours found so far, and how each looks as a day."""

    def __init__(self, problem: Problem, listed: Family, roads_h: F64) -> None:
        self.problem = problem
        self.listed = listed
        self.roads_h = roads_h
        self.columns: list[Column] = []
        self.visits: list[Visit] = []
        self._tried: dict[tuple[int, int, int], bool] = {}

    def add(self, crew: int, day: int, tour: int) -> bool:
        """Make a column of a tour; False where the day's hours do not allow it."""
        key = (crew, day, tour)
        if key in self._tried:
            return self._tried[key]
        options = self.listed.members[tour]
        options = options[options < len(self.listed.options)]
        chosen = [self.listed.options[o] for o in options]
        plan = plan_day(self.problem, self.roads_h, crew, day, [o.task for o in chosen])
        self._tried[key] = plan is not None
        if plan is None:
            return False
        cost_h = float(self.listed.cost_h[options, day].sum())
        cost_h += plan.drive_h * self.problem.prices.drive
        rows = tuple(row for one in chosen for row in one.rows)
        self.columns.append(Column(rows, crew * self.problem.day_count + day, cost_h))
        self.visits.append(Visit(crew, day, plan, cost_h))
        return True


def _plan_part(
    problem: Problem, limits: Limits, limit_s: float
) -> tuple[list[Visit], float, float, bool]:
    roads_h = problem.roads()
    left_h = np.array(
        [
            _PINNED_H if need.key in limits.day else left_cost_h(problem, row, roads_h)
            for row, need in enumerate(problem.needs)
        ]
    )
    listed = family(problem, limits, roads_h)
    crew_days = len(problem.crews) * problem.day_count
    if not len(listed.members) or not crew_days:
        return [], float(left_h.sum()), float(left_h.sum()), listed.cut
    pool = _Pool(problem, listed, roads_h)
    bound_h, prices = _generate(pool, left_h, crew_days)
    likely = _likely(pool.columns, prices)
    chosen = choose([pool.columns[i] for i in likely], left_h, crew_days, limit_s)
    taken = [likely[i] for i in chosen]
    visits = [pool.visits[i] for i in taken]
    left = np.ones(len(left_h), dtype=np.bool_)
    left[[row for i in taken for row in pool.columns[i].needs]] = False
    cost_h = sum(visit.cost_h for visit in visits) + float(left_h[left].sum())
    return visits, cost_h, max(bound_h, 0.0), listed.cut


def _likely(columns: Sequence[Column], prices: Prices) -> list[int]:
    """The tours that a good plan may hold: those whose use costs little more than their price."""
    dear_h = np.array(
        [c.cost - prices.need[list(c.needs)].sum() - prices.crew_day[c.crew_day] for c in columns]
    )
    order = np.argsort(dear_h, kind="stable")[:_MOST]
    return [int(i) for i in order]


def _generate(pool: _Pool, left_h: F64, crew_days: int) -> tuple[float, Prices]:
    """Add tours until none would lower the linear program's cost much.

    Gives the best lower bound, and the prices over all that were added.
    """
    problem, listed = pool.problem, pool.listed
    incidence = _incidence(listed, len(left_h))
    works = np.array([[day in crew.days for day in range(problem.day_count)]
                      for crew in problem.crews])  # fmt: skip
    fits = _fits(problem, listed)
    # At first each need is worth what leaving it costs, and each crew day nothing.
    prices = Prices(left_h.copy(), np.zeros(crew_days), float(left_h.sum()), np.empty(0))
    bound_h = -np.inf
    for _ in range(_ROUNDS):
        reduced_h = np.vstack([
            listed.cost_h - (incidence @ prices.need)[:, None], np.zeros(problem.day_count),
        ])  # fmt: skip
        tour_h = reduced_h[listed.members].sum(axis=1)
        gain_h, added = 0.0, 0
        for crew in range(len(problem.crews)):
            best_h, count = _price_crew(pool, crew, tour_h, prices, works[crew], fits[crew])
            gain_h += best_h
            added += count
        bound_h = max(bound_h, float(prices.need.sum() + prices.crew_day.sum()) + gain_h)
        if not added or prices.cost - bound_h <= _ENOUGH * max(prices.cost, 1.0):
            break
        prices = relax(pool.columns, left_h, crew_days)
    return bound_h, prices


def _incidence(listed: Family, needs: int) -> F64:
    out = np.zeros((len(listed.options), needs))
    for index, option in enumerate(listed.options):
        out[index, list(option.rows)] = 1.0
    return out


def _fits(problem: Problem, listed: Family) -> list[F64]:
    """By crew: driving and price of each tour that its people can do in a day, else infinite."""
    out = []
    for crew, who in enumerate(problem.crews):
        able = np.append(listed.able[crew], True)[listed.members].all(axis=1)
        drive_h = listed.drive_h[crew]
        short = listed.hours + drive_h <= who.ends_h - who.begins_h + 1e-9
        out.append(np.where(able & short, drive_h * problem.prices.drive, np.inf))
    return out


def _price_crew(
    pool: _Pool, crew: int, tour_h: F64, prices: Prices, works: F64, drive_h: F64
) -> tuple[float, int]:
    """The sum over the crew's days of the best reduced cost, and how many tours were added."""
    days = pool.problem.day_count
    possible = np.flatnonzero(np.isfinite(drive_h))
    if not len(possible):
        return 0.0, 0
    whole_h = tour_h[possible] + drive_h[possible, None]
    gain_h, added = 0.0, 0
    for day in range(days):
        if not works[day]:
            continue
        column_h = whole_h[:, day] - prices.crew_day[crew * days + day]
        count = min(_TRIES * _A_DAY, len(column_h))
        order = np.argpartition(column_h, count - 1)[:count]
        order = order[np.argsort(column_h[order])]
        best_h, new = 0.0, 0
        seen: set[frozenset[int]] = set()
        for at in order:
            if column_h[at] >= -_SMALL:
                break
            tour = int(possible[at])
            if best_h and _places(pool, tour) in seen:
                continue
            before = len(pool.columns)
            if pool.add(crew, day, tour):
                best_h = best_h or float(column_h[at])
                new += len(pool.columns) - before
                seen.add(_places(pool, tour))
                if len(seen) == _A_DAY:
                    break
        # Where all that were looked at do not fit, the best of them still bounds the rest.
        if not best_h and count < len(column_h):
            best_h = min(float(column_h[order[-1]]), 0.0)
        gain_h += best_h
        added += new
    return gain_h, added


def _places(pool: _Pool, tour: int) -> frozenset[int]:
    options = pool.listed.options
    return frozenset(options[o].task.place for o in pool.listed.members[tour] if o < len(options))
