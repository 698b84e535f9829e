"""The family of days from which the plan is chosen: which sites and needs may make one tour.

Sites are done alone, or with up to ``most_sites`` near ones; of a site's needs those that fall due
next to each other, or are on one unit, go together. The family is complete within these bounds and
small enough to be listed, so the price of the best tour in it is exact.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations, pairwise, permutations
from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.visits.day import Task
from rules.visits.needs import Need, wait_cost_h
from rules.visits.problem import Problem
from rules.visits.wishes import Limits

__all__ = ["Family", "Option", "family"]

_ALL_INTERVALS_UP_TO: Final = 4
_FEW: Final = 10
_ROOM: Final = 400_000


@dataclass(frozen=True)
class Option:
    """Some needs of one site, to be done in one visit. ``rows`` are their indices."""

    task: Task
    rows: tuple[int, ...]
    skills: frozenset[str]
    people: int


@dataclass(frozen=True)
class Family:
    """All tours. Row t of ``members`` holds the options of tour t, padded by ``len(options)``.

    ``cost_h[o, d]`` is option o's cost on day d without driving, infinite where it cannot be.
    ``drive_h[c, t]`` is the least driving of tour t from crew c's base, ``able[c, o]`` whether the
    crew can do the option at all. ``cut`` tells that the family was too large and was shortened.
    """

    options: tuple[Option, ...]
    cost_h: F64
    members: I64
    hours: F64
    drive_h: F64
    able: Bool
    cut: bool


def family(problem: Problem, limits: Limits, roads_h: F64) -> Family:
    """List the tours of a problem."""
    options = _options(problem, limits)
    longest_h = max((c.ends_h - c.begins_h for c in problem.crews), default=0.0)
    cost_h = np.array([_costs(problem, limits, one) for one in options]).reshape(
        len(options), problem.day_count
    )
    able = np.array(
        [[_able(problem, limits, c, one) for one in options] for c in range(len(problem.crews))],
        dtype=np.bool_,
    ).reshape(len(problem.crews), len(options))
    members, cut = _members(problem, roads_h, options, longest_h)
    hours = np.append([one.task.hours for one in options], 0.0)[members].sum(axis=1)
    drive_h = np.array(
        [_least_drive(roads_h, c, len(problem.crews), options, members)
         for c in range(len(problem.crews))]
    ).reshape(len(problem.crews), len(members))  # fmt: skip
    return Family(tuple(options), cost_h, members, hours, drive_h, able, cut)


def _options(problem: Problem, limits: Limits) -> list[Option]:
    by_site: dict[str, list[int]] = {}
    for row, need in enumerate(problem.needs):
        by_site.setdefault(need.site, []).append(row)
    place_of = {place.site: index for index, place in enumerate(problem.places)}
    found = []
    for site, rows in by_site.items():
        rows.sort(key=lambda r: (problem.needs[r].likely_day, problem.needs[r].key))
        for chosen in sorted(_subsets([problem.needs[r] for r in rows], rows)):
            needs = [problem.needs[r] for r in chosen]
            if limits.parts(frozenset(need.key for need in needs)):
                continue
            found.append(
                Option(
                    Task.of(place_of[site], needs, problem.prices),
                    chosen,
                    frozenset[str]().union(*(need.skills for need in needs)),
                    max(need.people for need in needs),
                )
            )
    return found


def _subsets(needs: list[Need], rows: list[int]) -> set[tuple[int, ...]]:
    """Which needs of a site may go together: neighbours in time, of one unit, of one skill."""
    count = len(rows)
    chosen = {(row,) for row in rows} | {tuple(sorted(rows))}
    if count <= _ALL_INTERVALS_UP_TO:
        chosen |= {tuple(sorted(rows[a:b])) for a in range(count) for b in range(a + 1, count + 1)}
    else:
        chosen |= {tuple(sorted(rows[:b])) for b in range(2, min(count, _FEW))}
        chosen |= {tuple(sorted(rows[a:])) for a in range(1, min(count, _FEW))}
    for same in (lambda n: n.unit, lambda n: sorted(n.skills), lambda n: n.dry_pads):
        groups: dict[str, list[int]] = {}
        for need, row in zip(needs, rows, strict=True):
            groups.setdefault(str(same(need)), []).append(row)
        chosen |= {tuple(sorted(group)) for group in groups.values()}
    return chosen


def _costs(problem: Problem, limits: Limits, option: Option) -> list[float]:
    """The option's cost by day: arrival, isolation, pads in heat, and each need's wait."""
    place = problem.places[option.task.place]
    prices = problem.prices
    needs = option.task.needs
    units = {need.unit for need in needs}
    fixed = prices.arrival_h + prices.isolation_h * len(units)
    costs = []
    for day in range(problem.day_count):
        if not _fits_somewhere(problem, option, day) or not all(
            any(limits.allows(need.key, day, crew.id) for crew in problem.crews) for need in needs
        ):
            costs.append(np.inf)
            continue
        heat = prices.hot_pads_h if option.task.dry_hours and day in place.hot_days else 0.0
        wait = sum(wait_cost_h(need, day, prices.isolation_h) for need in needs)
        costs.append(fixed + heat + wait)
    return costs


def _fits_somewhere(problem: Problem, option: Option, day: int) -> bool:
    """Whether the site's own hours of that day have room for it, whoever comes."""
    place, task = problem.places[option.task.place], option.task
    for opens_h, shuts_h in place.open_h[day]:
        begins_h = opens_h
        if task.dry_hours:
            begins_h = max(begins_h, place.pads_dry_h(day))
            if begins_h + task.dry_hours > place.pads_until_h(day) + 1e-9:
                continue
        if begins_h + task.hours <= shuts_h + 1e-9:
            return True
    return False


def _able(problem: Problem, limits: Limits, crew: int, option: Option) -> bool:
    who = problem.crews[crew]
    return (
        who.team == problem.places[option.task.place].team
        and option.skills <= who.skills
        and option.people <= who.people
        and all(
            (wish := limits.day.get(need.key)) is None or wish.crew in {"", who.id}
            for need in option.task.needs
        )
    )


def _members(
    problem: Problem, roads_h: F64, options: list[Option], longest_h: float
) -> tuple[I64, bool]:
    """The tours as rows of option indices, padded."""
    of_place: dict[int, list[int]] = {}
    for index, option in enumerate(options):
        if option.task.hours <= longest_h:
            of_place.setdefault(option.task.place, []).append(index)
    hours = np.array([option.task.hours for option in options])
    pad, width = len(options), problem.prices.most_sites
    tours: list[I64] = []
    room = _ROOM
    cut = False
    for places in _near_sets(problem, roads_h, sorted(of_place)):
        grids = np.meshgrid(*(np.array(of_place[p]) for p in places), indexing="ij")
        chosen = np.stack([grid.ravel() for grid in grids], axis=1)
        legs_h = _least_between(roads_h, len(problem.crews), places)
        chosen = chosen[hours[chosen].sum(axis=1) + legs_h <= longest_h + 1e-9]
        if len(chosen) > room:
            cut = True
            continue
        room -= len(chosen)
        padded = np.full((len(chosen), width), pad, dtype=np.int64)
        padded[:, : chosen.shape[1]] = chosen
        tours.append(padded)
    if not tours:
        return np.empty((0, width), dtype=np.int64), cut
    return np.concatenate(tours), cut


def _near_sets(problem: Problem, roads_h: F64, places: list[int]) -> Iterable[tuple[int, ...]]:
    """Single places, then sets of places that are near each other, the smaller sets first."""
    yield from ((place,) for place in places)
    between = roads_h[len(problem.crews) :, len(problem.crews) :]
    prices = problem.prices
    near: dict[int, set[int]] = {}
    for place in places:
        ranked = sorted((q for q in places if q != place), key=lambda q: (between[place, q], q))
        near[place] = {
            q for q in ranked[: prices.neighbours]
            if between[place, q] <= prices.near_h
            and problem.places[q].team == problem.places[place].team
            and problem.places[q].clock == problem.places[place].clock
        }  # fmt: skip
    for size in range(2, prices.most_sites + 1):
        found: set[tuple[int, ...]] = set()
        for place in places:
            for others in combinations(sorted(near[place]), size - 1):
                found.add(tuple(sorted((place, *others))))
        yield from sorted(found)


def _least_between(roads_h: F64, first_place: int, places: tuple[int, ...]) -> float:
    """A lower bound of the driving among the places, without the ways from and to the base."""
    between = roads_h[first_place:, first_place:][np.ix_(places, places)].copy()
    np.fill_diagonal(between, np.inf)
    return float(np.sort(between.min(axis=1))[:-1].sum())


def _least_drive(roads_h: F64, crew: int, crews: int, options: list[Option], members: I64) -> F64:
    """The shortest round from the base through each tour's sites, ignoring hours."""
    place = np.append([option.task.place for option in options], -1).astype(np.int64)[members]
    if not len(members):
        return np.empty(0)
    from_base = np.append(roads_h[crew, crews:], 0.0)
    to_base = np.append(roads_h[crews:, crew], 0.0)
    between = roads_h[crews:, crews:]
    count = (place >= 0).sum(axis=1)
    out = np.full(len(members), np.inf)
    for size in range(1, members.shape[1] + 1):
        rows = np.flatnonzero(count == size)
        if not len(rows):
            continue
        here = place[rows, :size]
        for order in permutations(range(size)):
            way = from_base[here[:, order[0]]] + to_base[here[:, order[-1]]]
            for a, b in pairwise(order):
                way = way + between[here[:, a], here[:, b]]
            out[rows] = np.minimum(out[rows], way)
    return out
