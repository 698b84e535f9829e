"""The planner against instances whose optimum others have published or computed."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from rules.visits.needs import Need
from rules.visits.planner import Plan, plan_visits
from rules.visits.problem import Crew, Place, Prices, Problem, road_hours

# P-n16-k8, Augerat, Belenguer, Benavent, Corberan, Naddef and Rinaldi (1995), as in the CVRPLIB
# library of vehicle routing instances: depot first, then 15 customers; 8 vehicles of 35;
# distances are Euclidean and rounded to whole numbers (TSPLIB, EUC_2D). Proven optimum: 450.
P_N16_K8 = [
    (30, 40, 0), (37, 52, 19), (49, 49, 30), (52, 64, 16), (31, 62, 23), (52, 33, 11),
    (42, 41, 31), (52, 41, 15), (57, 58, 28), (62, 42, 8), (42, 57, 8), (27, 68, 7),
    (43, 67, 14), (58, 48, 6), (58, 27, 19), (37, 69, 11),
]  # fmt: skip
CAPACITY, VEHICLES, OPTIMUM = 35, 8, 450

# Winston, Operations Research: Applications and Algorithms, 4th ed., 7.5, example 4 (Machineco):
# set-up hours of four machines for four jobs; the minimal sum is 15. From memory.
MACHINECO = [[14, 5, 8, 7], [2, 12, 6, 5], [7, 8, 3, 9], [2, 4, 6, 10]]

TINY_H = 1e-6
"""Hours for a unit of distance: driving costs by its weight, and takes none of the day."""


def bare(day_h: float, most_sites: int) -> Prices:
    """Nothing but driving costs anything."""
    return Prices(
        isolation_h=0.0, arrival_h=0.0, hot_pads_h=0.0, later_share=1.0, most_sites=most_sites,
        near_h=1.0, neighbours=99, drive=1 / TINY_H,
    )  # fmt: skip


def one_day(loads: list[float], crews: int, day_h: float, roads: np.ndarray, most: int) -> Problem:
    """Each site is wanted on the one day there is, as a trip is certain to cost more later."""
    day = (((0.0, day_h + 1),),)
    return Problem(
        1,
        tuple(
            Need(f"s{i}/u/p", f"s{i}", "u", "p", "inspection", 0.625, 0.625, 0.625, load,
                 is_wear=False, trip_h=1e4)
            for i, load in enumerate(loads)
        ),
        tuple(Place(f"s{i}", f"S{i}", "t", 0, 0, day) for i in range(len(loads))),
        tuple(
            Crew(f"c{i}", f"C{i}", "t", 0, 0, frozenset(), 1, 0.0, day_h, frozenset({0}))
            for i in range(crews)
        ),
        bare(day_h, most),
        roads_h=roads * TINY_H,
    )  # fmt: skip


def driven(plan: Plan) -> float:
    return sum(visit.plan.drive_h for visit in plan.visits) / TINY_H


def test_a_published_routing_instance_is_solved_to_its_optimum() -> None:
    xy = np.array([(x, y) for x, y, _ in P_N16_K8], dtype=float)
    away = np.rint(np.hypot(*(xy[:, None, :] - xy[None, :, :]).transpose(2, 0, 1)))
    rows = [*[0] * VEHICLES, *range(1, 16)]  # every crew is at home in the depot
    loads = [float(load) for *_, load in P_N16_K8[1:]]
    problem = one_day(loads, VEHICLES, CAPACITY + 0.01, away[np.ix_(rows, rows)], 3)
    plan = plan_visits(problem, limit_s=60)
    assert plan.left == ()
    assert driven(plan) == pytest.approx(OPTIMUM, abs=1e-6)
    for visit in plan.visits:
        assert sum(need.hours for stop in visit.plan.stops for need in stop.task.needs) <= CAPACITY
    assert plan.cost_h == pytest.approx(OPTIMUM, abs=1e-6)
    assert plan.bound_h <= OPTIMUM + 1e-6, "a bound above the optimum is none"
    assert plan.bound_h > 0.95 * OPTIMUM


def assigned(costs: list[list[int]]) -> Plan:
    """Crews to sites: the way there costs what the table says, the way back nothing."""
    count = len(costs)
    roads = np.zeros((2 * count, 2 * count))
    roads[:count, count:] = costs
    return plan_visits(one_day([1.0] * count, count, 8.0, roads, 1), limit_s=60)


def test_a_textbook_assignment_is_solved_to_its_optimum() -> None:
    plan = assigned(MACHINECO)
    assert plan.left == ()
    assert driven(plan) == pytest.approx(15)
    chosen = {visit.crew: visit.plan.stops[0].task.place for visit in plan.visits}
    assert chosen == {0: 1, 1: 3, 2: 2, 3: 0}


@pytest.mark.parametrize("seed", range(5))
def test_assignments_cost_what_another_algorithm_finds(seed: int) -> None:
    """scipy.optimize.linear_sum_assignment: a shortest augmenting path, no linear program."""
    costs = np.random.default_rng(seed).integers(1, 50, size=(7, 7))
    rows, columns = linear_sum_assignment(costs)
    assert driven(assigned(costs.tolist())) == pytest.approx(costs[rows, columns].sum())


def test_the_way_between_two_airports_is_that_of_the_worked_example() -> None:
    """Williams, Aviation Formulary V1.47: LAX (33°57'N, 118°24'W) to JFK (40°38'N, 73°47'W) is
    0.623585 radians, 2,144 nautical miles of one minute of arc.
    """
    lat = np.array([33 + 57 / 60, 40 + 38 / 60])
    lon = np.array([-(118 + 24 / 60), -(73 + 47 / 60)])
    hours = road_hours(lat, lon, 100.0, 1.0)
    assert hours[0, 1] * 100 / 6371.0088 == pytest.approx(0.623585, rel=2e-6)
    assert hours[0, 1] == hours[1, 0]
    assert hours[0, 0] == 0
    slow = road_hours(lat, lon, 50.0, 1.3)
    assert slow[0, 1] == pytest.approx(2 * 1.3 * hours[0, 1])


def test_no_plan_of_a_small_case_is_better() -> None:
    """All ways to give three sites to two crews on two days, costed by hand beside the planner."""
    rng = np.random.default_rng(4)
    at = rng.uniform(0, 10, (5, 2))
    away = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    problem = one_day([4.0, 4.0, 4.0], 2, 9.0, away, 3)
    plan = plan_visits(problem, limit_s=60)
    best = np.inf
    for code in range(2**3):
        sets: list[list[int]] = [[], []]
        for site in range(3):
            sets[code >> site & 1].append(site)
        if max(map(len, sets)) > 2:  # 4 h each in 9 h
            continue
        ways = []
        for crew, sites in enumerate(sets):
            stops = [crew, *(2 + s for s in sites), crew]
            ways.append(sum(away[a, b] for a, b in pairwise(stops)))
        best = min(best, sum(ways))
    assert driven(plan) == pytest.approx(best)
    fewer = replace(problem, crews=problem.crews[:1])
    assert len(plan_visits(fewer, limit_s=60).left) == 1, "one crew has time for two of three"
