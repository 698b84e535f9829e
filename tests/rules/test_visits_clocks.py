"""Clocks in the plan of visits: sites of other time zones, nights that a new clock shortens."""

from __future__ import annotations

import pytest

from rules.visits.needs import Need
from rules.visits.planner import plan_visits
from rules.visits.problem import Crew, Place, Problem
from rules.visits.skills import renews


def two_sites(*clocks: str) -> Problem:
    """Two sites beside each other, far from the base; one trip to both is the cheaper way."""
    hours = tuple(((6.0, 20.0),) for _ in range(2))
    needs = tuple(
        Need(f"s{i}/u/p", f"s{i}", "u", "p", "inspection", 0.0, 0.5, 1.0, 1.0, is_wear=False,
             trip_h=1e3)
        for i in range(2)
    )  # fmt: skip
    places = tuple(
        Place(f"s{i}", f"S{i}", "t", 0.01 * i, 1.0, hours, clock=clock)
        for i, clock in enumerate(clocks)
    )
    crew = Crew("c", "C", "t", 0.0, 0.0, frozenset(), 1, 6.0, 20.0, frozenset({0, 1}))
    return Problem(2, needs, places, (crew,))


def test_sites_of_one_clock_make_a_tour_and_sites_of_two_do_not() -> None:
    together = plan_visits(two_sites("0 0", "0 0"), limit_s=5)
    assert [len(visit.plan.stops) for visit in together.visits] == [2]
    apart = plan_visits(two_sites("0 0", "1 1"), limit_s=5)
    assert [len(visit.plan.stops) for visit in apart.visits] == [1, 1]


def test_a_night_that_the_clock_shortens_dries_the_pads_by_a_later_hour() -> None:
    days = tuple(((6.0, 20.0),) for _ in range(3))
    place = Place(
        "s", "S", "t", 0.0, 0.0, days, frozenset({0, 1, 2}), 11.0, 20.0, 10.0, {1: -1.0, 2: 1.0}
    )
    assert [place.pads_dry_h(day) for day in range(3)] == [6.0, 7.0, 5.0]


@pytest.mark.parametrize(
    ("fault", "part", "is_so"),
    [
        ("coil-fouled", "coil", True),
        ("pads-clogged", "pads", True),
        ("pump-screen-clogging", "pump-screen", True),
        ("pump-screen-clogging", "distribution", False),
        ("fan-fault", "coil", False),
        ("own:too-warm", "coil", False),
        ("coil-fouled", "no-such-part", False),
    ],
)
def test_a_ticket_s_job_renews_the_part_whose_job_it_is(
    fault: str,
    part: str,
    is_so: bool,
) -> None:
    assert renews(fault, part) is is_so
