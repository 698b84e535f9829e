"""A shown fleet with crews, coordinates and worn parts, so that visits can be planned."""

from __future__ import annotations

from dataclasses import replace
from datetime import time
from pathlib import Path

from gateway.due_keeper import DueKeeper
from gateway.overview.source import Source
from gateway.tickets.notice import Recipient
from gateway.visits.settings import CrewSettings, VisitSettings
from rules.condition import PartCondition
from rules.equipment import AccessHours, VisitPlace
from rules.events import StepResult
from support.shown_fleet import ShownFleet, fleet_of

__all__ = ["visited_fleet", "wear_down"]

DAY_MS = 86_400_000


def visited_fleet(where: Path, sites: int = 3, time_zone: str = "Europe/Lisbon") -> ShownFleet:
    """Sites near each other, one crew of the north and one of the south, nothing worn yet."""
    places = [
        one.model_copy(
            update={
                "time_zone": time_zone,
                "visit": VisitPlace(
                    latitude_deg=38.64 + i / 50, longitude_deg=-9.05,
                    access=(AccessHours(begins=time(6), ends=time(18)),),
                )
            }
        )
        for i, one in enumerate(fleet_of(sites, 2))
    ]  # fmt: skip
    fleet = ShownFleet(where, places)
    crews = tuple(
        CrewSettings(
            id=f"van-{team}", name=f"Van {team.title()}", team=team, latitude_deg=38.70,
            longitude_deg=-9.14, skills=frozenset({"condenser", "electrical"}), people=2,
            begins=time(7, 30), ends=time(16, 30), weekdays=frozenset(range(5)),
            members=(Recipient(f"Van {team}", f"van-{team}@north.example"),),
        )
        for team in ("north", "south")
    )  # fmt: skip
    fleet.configuration = replace(fleet.configuration, visits=VisitSettings(crews=crews))
    fleet.source = Source(fleet.records, fleet.store, fleet.configuration, where)
    return fleet


def wear_down(fleet: ShownFleet, row: int, part: str, level_pct: float, a_day: float) -> None:
    """A month of daily figures that fall to ``level_pct`` by ``a_day`` percent, with some noise."""
    figures = []
    for back in range(30, -1, -1):
        time_ms = fleet.now_ms - back * DAY_MS
        pct = level_pct + a_day * back + (0.6 if back % 2 else -0.6)
        figures.append(
            PartCondition(
                row, part, time_ms, pct, 3.0, pct, "spray pressure", 200, time_ms - DAY_MS, 1,
                f"{part} at {pct:.0f} %.",
            )
        )  # fmt: skip
    fleet.step(StepResult((), conditions=tuple(figures)))
    DueKeeper(fleet.records, lambda: fleet.now_ms).run()
