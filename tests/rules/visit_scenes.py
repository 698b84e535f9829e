"""A small country to plan visits in, and a large one for the benchmark. Seeded; all invented."""

from __future__ import annotations

from typing import Any

import numpy as np

from rules.visits.needs import Need
from rules.visits.problem import Crew, Place, Problem
from rules.visits.skills import job_needs

__all__ = ["DAYS", "country", "crew", "need", "place", "problem"]

DAYS = 14
"""From a Monday on."""

HOURS_OF_PART = {"pump-screen": 1.0, "distribution": 1.5, "pads": 2.5, "coil": 2.5}


def need(site: str = "quay", unit: str = "ac-1", part: str = "pads", **changes: Any) -> Need:
    asks = job_needs(part)
    values: dict[str, Any] = {
        "key": f"{site}/{unit}/{part}", "site": site, "unit": unit, "part": part, "job": part,
        "early_day": 2, "likely_day": 6, "late_day": 12, "hours": HOURS_OF_PART[part],
        "skills": asks.skills, "people": asks.people, "dry_pads": asks.dry_pads,
    }  # fmt: skip
    return Need(**(values | changes))


def place(site: str = "quay", *, days: int = DAYS, east_km: float = 20.0, **changes: Any) -> Place:
    week = tuple(((7.0, 17.0),) if day % 7 < 5 else () for day in range(days))
    values: dict[str, Any] = {
        "site": site, "name": site.capitalize(), "team": "north", "latitude_deg": 0.0,
        "longitude_deg": east_km / 111.2, "open_h": week,
    }  # fmt: skip
    return Place(**(values | changes))


def crew(name: str = "van-1", *, days: int = DAYS, **changes: Any) -> Crew:
    values: dict[str, Any] = {
        "id": name, "name": name.capitalize(), "team": "north", "latitude_deg": 0.0,
        "longitude_deg": 0.0, "skills": frozenset({"condenser", "electrical"}), "people": 2,
        "begins_h": 7.0, "ends_h": 16.0, "days": frozenset(d for d in range(days) if d % 7 < 5),
    }  # fmt: skip
    return Crew(**(values | changes))


def problem(
    needs: list[Need],
    places: list[Place] | None = None,
    crews: list[Crew] | None = None,
    **more: Any,
) -> Problem:
    return Problem(
        more.pop("day_count", DAYS), tuple(needs), tuple(places or [place()]),
        tuple(crews or [crew()]), **more,
    )  # fmt: skip


def country(sites: int, crews: int, days: int, seed: int, teams: int = 3) -> Problem:
    """Sites scattered around the towns of ``teams`` teams, some of their parts nearly due."""
    rng = np.random.default_rng(seed)
    town = [(40 + 2.5 * t, -3 + 1.5 * t) for t in range(teams)]
    places, needs = [], []
    for i in range(sites):
        lat, lon = town[i % teams]
        site = f"s{i}"
        places.append(
            place(
                site, days=days, team=f"t{i % teams}", latitude_deg=lat + rng.normal(0, 0.5),
                longitude_deg=lon + rng.normal(0, 0.6),
                hot_days=frozenset(np.flatnonzero(rng.random(days) < 0.5).tolist()),
            )
        )  # fmt: skip
        for unit in range(rng.integers(1, 4)):
            for part in HOURS_OF_PART:
                if rng.random() < 0.35:
                    likely = rng.uniform(-3, 1.5 * days)
                    needs.append(
                        need(
                            site, f"u{unit}", part, likely_day=likely,
                            early_day=likely - rng.uniform(2, 8),
                            late_day=likely + rng.uniform(4, 20),
                        )
                    )  # fmt: skip
    people = [
        crew(
            f"van-{c}", days=days, team=f"t{c % teams}",
            latitude_deg=town[c % teams][0] + rng.normal(0, 0.2),
            longitude_deg=town[c % teams][1] + rng.normal(0, 0.2),
        )
        for c in range(crews)
    ]  # fmt: skip
    return Problem(days, tuple(needs), tuple(places), tuple(people))
