"""Visits: what is grouped, which hours are kept, and that a planner's wishes are respected."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from visit_scenes import country, crew, need, place, problem

from rules.jobplans import JOB_PLANS
from rules.state import CLEANABLE_PARTS
from rules.visits.needs import Need, chance_due, early_waste_h, overdue_days
from rules.visits.planner import Plan, plan_visits
from rules.visits.problem import Problem
from rules.visits.skills import JOB_OF_PART, NEEDS_OF_JOB, SKILLS
from rules.visits.wishes import Wish, WishKind
from rules.visits.words import conflicts, stop_reason, visit_reason, why_left


def day_name(day: float) -> str:
    return f"day {day:.0f}"


def when(plan: Plan) -> dict[str, tuple[int, str]]:
    return {
        need.key: (visit.day, plan.problem.crews[visit.crew].id)
        for visit in plan.visits
        for stop in visit.plan.stops
        for need in stop.task.needs
    }


def days_at_limit(n: Need, day: float) -> float:
    """The chance of having reached the limit, added up in small steps from the first day on."""
    at = np.linspace(0.0, day, 4001)
    return float(np.trapezoid([chance_due(n, d) for d in at], at))


def check(plan: Plan) -> None:
    """All that must hold of any plan, computed anew from the problem alone."""
    p, done = plan.problem, when(plan)
    assert sorted([*done, *plan.left]) == sorted(n.key for n in p.needs), "each once, or left"
    assert len({(v.day, v.crew) for v in plan.visits}) == len(plan.visits), "one day, one tour"
    roads, cost = p.roads(), 0.0
    for visit in plan.visits:
        who = p.crews[visit.crew]
        assert visit.day in who.days
        clock, at, drive = who.begins_h, visit.crew, 0.0
        for stop in visit.plan.stops:
            site = p.places[stop.task.place]
            way = roads[at, len(p.crews) + stop.task.place]
            assert stop.begins_h >= clock + way - 1e-9
            clock, at, drive = stop.ends_h, len(p.crews) + stop.task.place, drive + way
            assert any(a <= stop.begins_h and stop.ends_h <= b + 1e-9
                       for a, b in site.open_h[visit.day])  # fmt: skip
            units = {n.unit for n in stop.task.needs}
            work = sum(n.hours for n in stop.task.needs)
            fixed = 0.25 + 0.75 * len(units)
            assert stop.ends_h - stop.begins_h == pytest.approx(fixed + work)
            dry = [n for n in stop.task.needs if n.dry_pads]
            if dry and visit.day in site.hot_days:
                ends = stop.begins_h + 0.25 + 0.75 * len({n.unit for n in dry})
                ends += sum(n.hours for n in dry)
                assert ends <= site.cool_ends_h + 1e-9
                assert stop.begins_h >= site.dry_from_h + site.drying_h - 24 - 1e-9
                cost += 1.0
            cost += fixed
            for n in stop.task.needs:
                assert n.site == site.site
                assert site.team == who.team
                assert n.skills <= who.skills
                assert n.people <= who.people
                trips = chance_due(n, visit.day) + days_at_limit(n, visit.day) / 30.0
                cost += early_waste_h(n, visit.day, 0.75) + trips * n.trip_h
        home = roads[at, visit.crew]
        assert clock + home <= who.ends_h + 1e-9
        assert visit.plan.drive_h == pytest.approx(drive + home)
        cost += drive + home
    assert sum(v.cost_h for v in plan.visits) == pytest.approx(cost)
    assert plan.bound_h <= plan.cost_h + 1e-6


@pytest.mark.parametrize("seed", range(6))
def test_every_plan_keeps_all_hours_skills_and_windows(seed: int) -> None:
    check(plan_visits(country(24, 4, 21, seed, teams=2), limit_s=60))


def test_the_date_range_is_read_as_its_three_points() -> None:
    one = need(early_day=2, likely_day=6, late_day=14)
    assert [chance_due(one, d) for d in (2, 6, 14)] == [0.1, 0.5, 0.9]
    chances = np.array([chance_due(one, d) for d in np.linspace(-5, 30, 200)])
    assert (np.diff(chances) >= 0).all()
    assert chances[0] == 0
    assert chances[-1] == 1


def test_early_cleaning_wastes_the_share_of_the_run_that_was_to_come() -> None:
    one = need(likely_day=45, early_day=40, late_day=50, run_days=90.0, hours=2.25)
    assert early_waste_h(one, 0, 0.75) == pytest.approx(0.5 * 3.0)
    assert early_waste_h(one, 45, 0.75) == 0
    assert early_waste_h(replace(one, is_wear=False), 0, 0.75) == 0


def test_parts_of_a_unit_units_of_a_site_and_near_sites_go_together() -> None:
    needs = [
        need(part="pads"), need(part="pump-screen", likely_day=8), need("hill", part="coil"),
        need(unit="ac-2", part="pump-screen", likely_day=9),
    ]  # fmt: skip
    long = {"open_h": (((6.0, 20.0),),) * 14}
    places = [place(**long), place("hill", east_km=24, **long)]
    plan = plan_visits(problem(needs, places, [crew(ends_h=18.0)]))
    check(plan)
    assert len(set(when(plan).values())) == 1
    (visit,) = plan.visits
    assert [len(s.task.needs) for s in visit.plan.stops] in ([3, 1], [1, 3])
    longest = max(visit.plan.stops, key=lambda s: s.ends_h - s.begins_h)
    sentence = stop_reason(plan, visit, longest, day_name)
    assert "are done with it" in sentence
    assert "near each other" in visit_reason(plan, visit)
    apart = [place(**long), place("hill", east_km=-120, **long)]
    far = plan_visits(problem(needs, apart, [crew(ends_h=18.0)]))
    assert len(far.visits) == 2


def test_a_part_that_is_not_due_waits_and_says_why() -> None:
    plan = plan_visits(problem([need(early_day=60, likely_day=80, late_day=100)]))
    assert plan.visits == ()
    said = why_left(plan, "quay/ac-1/pads", day_name)
    assert "left for a later plan" in said
    assert "a chance of 0 %" in said


@given(
    early=st.floats(-60, 60), to_likely=st.floats(0, 60), to_late=st.floats(0, 90),
    day=st.integers(0, 40),
)  # fmt: skip
@settings(max_examples=60)
def test_days_at_the_limit_are_the_sum_of_the_chances(
    early: float, to_likely: float, to_late: float, day: int
) -> None:
    likely = early + to_likely
    one = need(early_day=early, likely_day=likely, late_day=likely + to_late)
    assert overdue_days(one, day) == pytest.approx(days_at_limit(one, day), abs=1e-3)


def test_what_is_overdue_does_not_wait_for_ever() -> None:
    """It has had its trip; each further day costs all the same, so the first good day is best."""
    late = need(early_day=-30.0, likely_day=-20.0, late_day=-10.0)
    assert when(plan_visits(problem([late])))["quay/ac-1/pads"][0] <= 1


def test_pads_are_worked_on_in_the_cool_or_on_a_cool_day() -> None:
    hot = place(hot_days=frozenset(range(14)) - {3}, cool_ends_h=9.0)
    plan = plan_visits(problem([need(trip_h=200.0)], [hot]))
    check(plan)
    assert when(plan)["quay/ac-1/pads"][0] == 3
    always = plan_visits(problem([need()], [replace(hot, hot_days=frozenset(range(14)))]))
    assert "wanted back at 9.0 h" in why_left(always, "quay/ac-1/pads", day_name)


def test_wet_running_must_stop_long_enough_before() -> None:
    late = place(hot_days=frozenset(range(14)), cool_ends_h=14.0, dry_from_h=21.0, drying_h=13.0)
    plan = plan_visits(problem([need(trip_h=200.0)], [late]))
    check(plan)
    assert plan.visits[0].plan.stops[0].begins_h == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"skills": frozenset({"refrigerant"})}, "lacks refrigerant"),
        ({"people": 3}, "takes 3 people and Van-1 has 2"),
        ({"hours": 9.0}, "do not fit in a day of 9.0 h"),
    ],
)
def test_what_nobody_can_do_is_left_with_its_reason(change: dict[str, object], why: str) -> None:
    plan = plan_visits(problem([need(**change)]))
    assert plan.left == ("quay/ac-1/pads",)
    assert why in why_left(plan, "quay/ac-1/pads", day_name)


def test_a_site_without_a_crew_or_an_open_day_says_so() -> None:
    shut = place(open_h=((),) * 14)
    assert "lets nobody in" in why_left(
        plan_visits(problem([need()], [shut])), "quay/ac-1/pads", day_name
    )
    plan = plan_visits(problem([need()], [place(team="south")]))
    assert "no crew serves" in why_left(plan, "quay/ac-1/pads", day_name)


KEYS = frozenset({"quay/ac-1/pads"})


def test_a_pin_a_move_a_split_and_a_refusal_are_kept() -> None:
    both = problem(
        [need(), need(part="pump-screen")], crews=[crew(), crew("van-2")]
    )  # fmt: skip
    free = plan_visits(both)
    assert len(set(when(free).values())) == 1
    who = when(free)["quay/ac-1/pads"][1]
    other = "van-2" if who == "van-1" else "van-1"
    pinned = plan_visits(both, [Wish(1, WishKind.PIN, KEYS, "Ana", day=9, crew=other)])
    assert when(pinned)["quay/ac-1/pads"] == (9, other)
    moved = plan_visits(
        both,
        [Wish(1, WishKind.PIN, KEYS, "Ana", day=9), Wish(2, WishKind.MOVE, KEYS, "Rui", day=10)],
    )
    assert when(moved)["quay/ac-1/pads"][0] == 10, "the later wish counts"
    apart = frozenset({"quay/ac-1/pump-screen"})
    split = plan_visits(both, [Wish(1, WishKind.SPLIT, KEYS, "Ana", apart=apart)])
    assert len(set(when(split).values())) == 2
    refused = plan_visits(both, [Wish(1, WishKind.REFUSE, KEYS, "Ana", day=0, until_day=11)])
    assert when(refused).get("quay/ac-1/pads", (99,))[0] > 11
    for plan in (pinned, moved, split, refused):
        check(plan)
        assert conflicts(plan) == []


@pytest.mark.parametrize(
    ("wishes", "said"),
    [
        ([Wish(4, WishKind.MOVE, KEYS, "Ana", day=5)], "Wish 4 (move, by Ana) cannot be kept for "
         "quay/ac-1/pads: Van-1 does not work on that day."),
        ([Wish(4, WishKind.MOVE, KEYS, "Ana", day=4), Wish(5, WishKind.REFUSE, KEYS, "Rui", day=3,
         until_day=6)], "wish 5 (refuse, by Rui) keeps that day free of it"),
        ([Wish(4, WishKind.MOVE, KEYS, "Ana", day=40)], "wants a day outside the plan's 14 days"),
        ([Wish(4, WishKind.MOVE, KEYS, "Ana", crew="gone")], "names crew 'gone', who is gone"),
    ],
)  # fmt: skip
def test_a_wish_that_cannot_be_kept_is_told_with_what_it_conflicts(
    wishes: list[Wish], said: str
) -> None:
    plan = plan_visits(problem([need()]), wishes)
    (sentence,) = conflicts(plan)
    assert said in sentence


def test_two_pins_that_do_not_fit_in_one_day_name_each_other() -> None:
    needs = [need(), need("hill"), need("hill", "ac-2", "coil")]
    places = [place(), place("hill", east_km=22)]
    wishes = [
        Wish(1, WishKind.MOVE, KEYS, "Ana", day=2, crew="van-1"),
        Wish(2, WishKind.MOVE, frozenset(n.key for n in needs[1:]), "Rui", day=2, crew="van-1"),
    ]
    plan = plan_visits(problem(needs, places), wishes)
    (sentence,) = conflicts(plan)
    assert "ish 1 (move, by Ana)" in sentence
    assert "ish 2 (move, by Rui)" in sentence
    assert "on the same day" in sentence


def test_a_wish_about_what_is_not_due_any_more_is_passed_over() -> None:
    wish = Wish(1, WishKind.PIN, frozenset({"gone/ac-1/pads"}), "Ana", day=2)
    assert conflicts(plan_visits(problem([need()]), [wish])) == []


def test_a_wish_costs_no_less_than_the_free_plan() -> None:
    free = country(16, 3, 14, 7, teams=1)
    plan = plan_visits(free, limit_s=60)
    key, (day, who) = next(iter(when(plan).items()))
    wish = Wish(1, WishKind.REFUSE, frozenset({key}), "Ana", day=day, until_day=day)
    other = plan_visits(free, [wish], limit_s=60)
    assert other.cost_h >= plan.bound_h - 1e-6
    assert when(other).get(key, (-1, who))[0] != day


def test_every_job_says_who_can_do_it_and_every_part_has_a_job() -> None:
    assert set(NEEDS_OF_JOB) == {plan.slug for plan in JOB_PLANS}
    assert set(JOB_OF_PART) == set(CLEANABLE_PARTS) - {"fans"}, (
        "a fan is mended, not cleaned by condition"
    )
    assert set(JOB_OF_PART.values()) <= set(NEEDS_OF_JOB)
    for plan in JOB_PLANS:
        asks = NEEDS_OF_JOB[plan.slug]
        assert asks.skills <= set(SKILLS)
        if "two people" in plan.skills.casefold():
            assert asks.people == 2
        if plan.skills.startswith("Work on the wiring"):
            assert "electrical" in asks.skills


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="out of order"):
        need(early_day=9)
    with pytest.raises(ValueError, match="no place is given for hill"):
        problem([need("hill")])
    with pytest.raises(ValueError, match="same key"):
        problem([need(), need()])
    with pytest.raises(ValueError, match="3 days of access, not 14"):
        problem([need()], [place(days=3)])


def test_an_empty_problem_has_an_empty_plan() -> None:
    plan = plan_visits(Problem(3, (), (), ()))
    assert (plan.visits, plan.left, plan.gap) == ((), (), 0.0)
