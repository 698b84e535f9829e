"""What ``crews.toml`` says, checked: who goes out, from where, and what a trip is worth."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, time

from gateway.tickets.notice import Recipient
from rules.visits.needs import TRIP_H
from rules.visits.problem import Prices

__all__ = ["CrewSettings", "VisitSettings"]


@dataclass(frozen=True)
class CrewSettings:
    """One crew. Times are by the clock at its base, as the sites' are by theirs.

    ``weekdays`` count from Monday, 0. ``members`` get its work packs.
    """

    id: str
    name: str
    team: str
    latitude_deg: float
    longitude_deg: float
    skills: frozenset[str]
    people: int
    begins: time
    ends: time
    weekdays: frozenset[int]
    days_off: frozenset[date] = frozenset()
    members: tuple[Recipient, ...] = ()


@dataclass(frozen=True)
class VisitSettings:
    """All crews, how fast they drive, how far ahead is planned and what a trip costs."""

    crews: tuple[CrewSettings, ...] = ()
    speed_km_h: float = 60.0
    detour: float = 1.3
    horizon_days: int = 28
    trip_h: float = TRIP_H
    prices: Prices = field(default_factory=Prices)

    def crew(self, crew_id: str) -> CrewSettings | None:
        """The crew of that id."""
        return next((crew for crew in self.crews if crew.id == crew_id), None)
