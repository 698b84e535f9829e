"""A season of wear, lived through three times: by plan, by calendar, and until it fails.

A model to compare ways of planning with, not a forecast for anybody's fleet: parts wear at rates
that nobody knows exactly, hot days are drawn, and all three ways meet the same rates and days. Each
number of the model is common practice or a choice that is named here; change them and compare.
Random numbers come from the caller, so that a season can be lived again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from rules.arrays import F64, Bool
from rules.jobplans import job_plan
from rules.visits.needs import Need
from rules.visits.planner import plan_visits
from rules.visits.problem import Crew, Place, Prices, Problem, road_hours
from rules.visits.skills import JOB_OF_PART, job_needs

__all__ = ["POLICIES", "Figures", "Season", "SeasonSettings", "draw", "live"]

_RUN_DAYS: Final = {
    "pump-screen": 50.0, "distribution": 110.0, "pads": 130.0, "coil": 150.0, "float": 220.0
}  # fmt: skip
"""From clean to the limit at a middling site (common practice)."""
_AT_LIMIT_K: Final = {
    "pump-screen": 3.0, "distribution": 3.0, "pads": 4.0, "coil": 5.0, "float": 0.0
}  # fmt: skip
"""Rise of condensing temperature when the part is at its limit, in kelvin (common practice)."""
PARTS: Final = tuple(_RUN_DAYS)
_SPREAD: Final = 0.45
"""Of the rates between sites and parts, as the standard deviation of their logarithm."""
_POLLEN: Final = (1.8, 30, 75)
"""In these days of the season everything wears so much faster."""
_KNOWN: Final = 0.2
"""How well the rate is known when it is forecast, as the standard deviation of its logarithm."""
_RANGE: Final = 1.2815515655446004  # 90 % of a normal distribution lie below so many deviations
_POWER_KW: Final = 45.0
_HOURS_A_DAY: Final = 14.0
_PER_K: Final = 0.025
"""More compressor power for each kelvin of condensing temperature (common practice)."""
_DRAIN_M3: Final = 0.6
"""Water of a basin, drained each time that a unit is opened."""
_FLOAT_M3_DAY: Final = 1.2
"""What a float at its limit lets over the overflow in a day."""
_TRIP_A_HOT_DAY: Final = 0.25
"""Chance that a unit with a part at its limit trips on a hot day."""
_TRIP_HOURS: Final = 2.0
"""Call-out beside the job itself: finding the cause, standing by until it runs."""


@dataclass(frozen=True)
class SeasonSettings:
    """The size of the model: ``days`` are lived through, and a plan is made every ``every`` days.

    ``calendar_days`` is the interval of calendar cleaning, of all parts of a unit.
    """

    sites: int = 20
    crews: int = 2
    days: int = 182
    every: int = 7
    horizon: int = 21
    calendar_days: int = 91
    limit_s: float = 2.0


@dataclass(frozen=True)
class Season:
    """What was drawn: places, crews, and for each part of each unit its rate of wear by day.

    ``unit_of`` and ``part_of`` say what row of ``rate`` (share of a run a day) is what; ``hot`` are
    days, ``lot`` the draws that decide on trips, ``belief`` what the forecast takes the rate for.
    """

    settings: SeasonSettings
    places: tuple[Place, ...]
    crews: tuple[Crew, ...]
    site_of: tuple[int, ...]
    unit_of: tuple[int, ...]
    part_of: tuple[str, ...]
    first_wear: F64
    rate: F64
    belief: F64
    hot: Bool
    lot: F64
    roads_h: F64


@dataclass
class Figures:
    """What a way of planning came to. Hours are of a crew, ``water_m3`` and ``energy_kwh`` more
    than clean units would have used.
    """

    site_visits: int = 0
    call_outs: int = 0
    crew_days: int = 0
    trips: int = 0
    jobs: int = 0
    drive_h: float = 0.0
    work_h: float = 0.0
    water_m3: float = 0.0
    energy_kwh: float = 0.0
    unused_share: float = 0.0
    """Of the runs that were ended by cleaning, how much of each was left, on the average."""


@dataclass
class _State:
    """Wear of each part, 0 clean to 1 at its limit, and what was counted."""

    wear: F64
    figures: Figures = field(default_factory=Figures)
    unused: list[float] = field(default_factory=list)


def draw(settings: SeasonSettings, rng: np.random.Generator) -> Season:
    """Draw a season."""
    days = settings.days + settings.horizon
    hot = rng.random(days) < np.clip(np.sin(np.arange(days) / settings.days * np.pi), 0, 1) * 0.6
    week = tuple(((7.0, 17.0),) if day % 7 < 5 else () for day in range(days))
    hot_days = frozenset(int(day) for day in np.flatnonzero(hot))
    places = tuple(
        Place(f"site-{i + 1}", f"Site {i + 1}", "team", 45 + float(rng.normal(0, 0.35)),
              5 + float(rng.normal(0, 0.5)), week, hot_days)
        for i in range(settings.sites)
    )  # fmt: skip
    working = frozenset(day for day in range(days) if day % 7 < 5)
    skills = frozenset().union(*(job_needs(JOB_OF_PART[part]).skills for part in PARTS))
    crews = tuple(
        Crew(f"crew-{c + 1}", f"Crew {c + 1}", "team", 45 + float(rng.normal(0, 0.1)),
             5 + float(rng.normal(0, 0.1)), skills, 2, 7.0, 16.0, working)
        for c in range(settings.crews)
    )  # fmt: skip
    site_of: list[int] = []
    unit_of: list[int] = []
    part_of: list[str] = []
    unit = 0
    for site in range(settings.sites):
        for _ in range(int(rng.integers(1, 4))):
            for part in PARTS:
                site_of.append(site)
                unit_of.append(unit)
                part_of.append(part)
            unit += 1
    count = len(part_of)
    base = np.array([1 / _RUN_DAYS[part] for part in part_of])
    factor, begins, ends = _POLLEN
    pollen = np.where((np.arange(days) >= begins) & (np.arange(days) < ends), factor, 1.0)
    rate = (base * np.exp(rng.normal(0, _SPREAD, count)))[:, None] * pollen[None, :]
    everywhere: list[Crew | Place] = [*crews, *places]
    return Season(
        settings, places, crews, tuple(site_of), tuple(unit_of), tuple(part_of),
        rng.uniform(0, 0.5, count), rate, np.exp(rng.normal(0, _KNOWN, (count, days))), hot,
        rng.random((unit, days)),
        road_hours(
            np.array([one.latitude_deg for one in everywhere]),
            np.array([one.longitude_deg for one in everywhere]), 60.0, 1.3,
        ),
    )  # fmt: skip


def live(season: Season, policy: str) -> Figures:
    """Live through the season by a policy of :data:`POLICIES`."""
    state = _State(season.first_wear.copy())
    rounds = POLICIES[policy](season)
    for day in range(season.settings.days):
        rounds(state, day)
        _wear(season, state, day)
    state.figures.unused_share = float(np.mean(state.unused)) if state.unused else 0.0
    return state.figures


_Rounds = Callable[[_State, int], None]


def _by_plan(season: Season) -> _Rounds:
    """Every week a plan for the weeks to come; the days until the next plan are carried out."""
    due: dict[int, list[tuple[int, list[tuple[int, list[int]]], float]]] = {}
    index = {f"{row}": row for row in range(len(season.part_of))}

    def rounds(state: _State, day: int) -> None:
        every = season.settings.every
        if day % every == 0:
            due.clear()
            plan = plan_visits(_problem(season, state, day), (), season.settings.limit_s)
            for visit in plan.visits:
                if visit.day < every:
                    stops = [
                        (
                            stop.task.place,
                            [index[n.key.rpartition("/")[2]] for n in stop.task.needs],
                        )
                        for stop in visit.plan.stops
                    ]
                    due.setdefault(day + visit.day, []).append(
                        (visit.crew, stops, visit.plan.drive_h)
                    )
        for _, stops, drive_h in due.get(day, []):
            state.figures.crew_days += 1
            state.figures.drive_h += drive_h
            for _, rows in stops:
                state.figures.site_visits += 1
                _clean(season, state, rows)

    return rounds


def _problem(season: Season, state: _State, day: int) -> Problem:
    """The planner's question of that day: what the forecast believes, with its range."""
    horizon = season.settings.horizon
    needs = []
    for row, part in enumerate(season.part_of):
        believed = float(season.rate[row, day] * season.belief[row, day])
        likely = max(1.0 - float(state.wear[row]), 0.0) / believed
        early = likely * float(np.exp(-_RANGE * _KNOWN))
        if early > 1.5 * horizon:
            continue
        asks, plan = job_needs(JOB_OF_PART[part]), job_plan(JOB_OF_PART[part])
        site = season.places[season.site_of[row]].site
        needs.append(
            Need(
                f"{site}/{season.unit_of[row]}/{row}", site, f"{season.unit_of[row]}", part,
                plan.slug, early, likely, likely * float(np.exp(_RANGE * _KNOWN)),
                plan.work_min / 60, asks.skills, asks.people, asks.dry_pads,
                run_days=1 / float(season.rate[row].mean()),
            )
        )  # fmt: skip
    span = range(day, day + horizon)
    places = tuple(
        Place(
            p.site,
            p.name,
            p.team,
            p.latitude_deg,
            p.longitude_deg,
            p.open_h[day : day + horizon],
            frozenset(d - day for d in p.hot_days if d in span),
        )
        for p in season.places
    )
    crews = tuple(
        Crew(
            c.id, c.name, c.team, c.latitude_deg, c.longitude_deg, c.skills, c.people, c.begins_h,
            c.ends_h, frozenset(d - day for d in c.days if d in span),
        )
        for c in season.crews
    )  # fmt: skip
    return Problem(horizon, tuple(needs), places, crews, roads_h=season.roads_h)


def _by_calendar(season: Season) -> _Rounds:
    """All parts of all units of a site at fixed intervals, the sites spread over the interval.

    A unit takes a day of a crew, whatever it needs; sites are visited one by one.
    """
    interval = season.settings.calendar_days
    units: list[tuple[int, list[int]]] = []
    for unit in range(max(season.unit_of) + 1):
        rows = [row for row, u in enumerate(season.unit_of) if u == unit]
        units.append((season.site_of[rows[0]], rows))
    working = [day for day in range(interval) if day % 7 < 5]
    turn = {i: working[i * len(working) // len(units)] for i in range(len(units))}

    def rounds(state: _State, day: int) -> None:
        for i, (site, rows) in enumerate(units):
            if day % interval == turn[i]:
                state.figures.crew_days += 1
                state.figures.site_visits += 1
                state.figures.drive_h += _round_trip_h(season, site)
                _clean(season, state, rows)

    return rounds


def _until_failure(_season: Season) -> _Rounds:
    """Nothing but call-outs."""
    return lambda _state, _day: None


POLICIES: Final[dict[str, Callable[[Season], _Rounds]]] = {
    "plan": _by_plan, "calendar": _by_calendar, "failure": _until_failure
}  # fmt: skip
"""By condition and plan; by the calendar; when it fails."""


def _wear(season: Season, state: _State, day: int) -> None:
    """A day's wear, what it costs, and the trips of a hot day, each answered by a call-out."""
    state.wear += season.rate[:, day]
    level = np.clip(state.wear, 0.0, 1.5)
    rise_k = np.array([_AT_LIMIT_K[part] for part in season.part_of]) * level
    state.figures.energy_kwh += float(rise_k.sum()) * _POWER_KW * _HOURS_A_DAY * _PER_K
    floats = np.array([part == "float" for part in season.part_of])
    state.figures.water_m3 += float(np.clip(level[floats] - 0.5, 0, None).sum()) * _FLOAT_M3_DAY
    if not season.hot[day]:
        return
    units = np.array(season.unit_of)
    for unit in np.unique(units[(state.wear >= 1.0) & ~floats]):
        if season.lot[unit, day] >= _TRIP_A_HOT_DAY:
            continue
        rows = [int(r) for r in np.flatnonzero((units == unit) & (state.wear >= 1.0))]
        state.figures.trips += 1
        state.figures.call_outs += 1
        state.figures.site_visits += 1
        state.figures.drive_h += _round_trip_h(season, season.site_of[rows[0]])
        state.figures.work_h += _TRIP_HOURS
        _clean(season, state, rows)


def _round_trip_h(season: Season, site: int) -> float:
    to = len(season.crews) + site
    return float(min(2 * season.roads_h[c, to] for c in range(len(season.crews))))


def _clean(season: Season, state: _State, rows: Sequence[int]) -> None:
    """The parts are as new; hours and water are counted."""
    prices = Prices()
    units = {season.unit_of[row] for row in rows}
    state.figures.jobs += len(rows)
    state.figures.work_h += prices.arrival_h + prices.isolation_h * len(units)
    state.figures.water_m3 += _DRAIN_M3 * len(units)
    for row in rows:
        state.figures.work_h += job_plan(JOB_OF_PART[season.part_of[row]]).work_min / 60
        state.unused.append(max(1.0 - float(state.wear[row]), 0.0))
        state.wear[row] = 0.0
