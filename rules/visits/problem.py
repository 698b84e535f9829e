"""The planner's question as plain data: needs, places, crews, days, and what is worth what.

Days are numbered from 0, the plan's first. Hours of a day are decimal, by the clock on the site's
wall. Nothing here knows of dates, files or settings: the gateway translates.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from rules.arrays import F64
from rules.visits.needs import Need

__all__ = ["Crew", "Place", "Prices", "Problem", "Window", "road_hours"]

_EARTH_RADIUS_KM: Final = 6371.0088  # mean radius R1 of GRS 80 (Moritz, J. Geodesy 74, 2000)

Window = tuple[float, float]
"""From and until, in hours of a day."""


@dataclass(frozen=True)
class Place:
    """A site as the planner sees it.

    ``open_h`` holds, for each day of the plan, the times at which a crew may be there. On a day in
    ``hot_days`` the unit needs its wet pads in the afternoon: pads are worked on before
    ``cool_ends_h``, and can dry from ``dry_from_h`` of the evening before. ``drying_h`` is how long
    pads take to dry. ``longer_night_h`` says of days at which the clock was changed by how much the
    night before was longer (below 0: shorter) than the clock shows. Places with another ``clock``
    are of another time of day: they make no tour together.
    """

    site: str
    name: str
    team: str
    latitude_deg: float
    longitude_deg: float
    open_h: tuple[tuple[Window, ...], ...]
    hot_days: frozenset[int] = frozenset()
    cool_ends_h: float = 11.0
    dry_from_h: float = 20.0
    drying_h: float = 10.0
    longer_night_h: Mapping[int, float] = field(default_factory=dict)
    clock: str = ""

    def pads_dry_h(self, day: int) -> float:
        """The hour of ``day`` from which pads are dry, with wet running stopped in time."""
        if day not in self.hot_days:
            return 0.0
        return self.dry_from_h + self.drying_h - 24.0 - self.longer_night_h.get(day, 0.0)

    def pads_until_h(self, day: int) -> float:
        """The hour of ``day`` by which the unit must have its wet pads back."""
        return self.cool_ends_h if day in self.hot_days else 24.0


@dataclass(frozen=True)
class Crew:
    """Who goes out together, from where, on which days. ``people`` go in one vehicle.

    ``team`` is that of the sites that it serves.
    """

    id: str
    name: str
    team: str
    latitude_deg: float
    longitude_deg: float
    skills: frozenset[str]
    people: int
    begins_h: float
    ends_h: float
    days: frozenset[int]


@dataclass(frozen=True)
class Prices:
    """What is worth what, in crew hours, and how far the search looks.

    ``isolation_h`` is paid for each unit opened in a visit: isolation before, release and hand-back
    after. ``arrival_h`` for each site: gate, induction, roof. ``hot_pads_h`` is added where pads
    are taken out on a hot day. ``later_share`` is the share of a visit's own cost that a need left
    for later will have to bear then. Up to ``most_sites`` are done in a day, each of them within
    ``near_h`` of driving of another; of a site's neighbours the nearest ``neighbours`` count.
    ``drive`` weighs an hour on the road against one at the machine.
    """

    isolation_h: float = 0.75
    arrival_h: float = 0.25
    hot_pads_h: float = 1.0
    later_share: float = 0.5
    most_sites: int = 3
    near_h: float = 0.75
    neighbours: int = 6
    drive: float = 1.0


@dataclass(frozen=True)
class Problem:
    """All of it. ``day_count`` days are planned. Needs of a site without a place are refused.

    ``roads_h`` may give the driving time, rows and columns being the crews' bases and then the
    places; else it is the way as the crow flies, by :func:`road_hours`.
    """

    day_count: int
    needs: tuple[Need, ...]
    places: tuple[Place, ...]
    crews: tuple[Crew, ...]
    prices: Prices = Prices()
    speed_km_h: float = 60.0
    detour: float = 1.3
    roads_h: F64 | None = None

    def __post_init__(self) -> None:
        """Refuse what could not be planned at all."""
        sites = {place.site for place in self.places}
        if missing := sorted({need.site for need in self.needs} - sites):
            msg = f"no place is given for {', '.join(missing)}"
            raise ValueError(msg)
        keys = [need.key for need in self.needs]
        if len(set(keys)) != len(keys):
            msg = "two needs have the same key"
            raise ValueError(msg)
        for place in self.places:
            if len(place.open_h) != self.day_count:
                msg = f"{place.site} has {len(place.open_h)} days of access, not {self.day_count}"
                raise ValueError(msg)

    def roads(self) -> F64:
        """Driving time from each base or place to each, in hours: crews first, then places."""
        if self.roads_h is not None:
            return self.roads_h
        everywhere: list[Crew | Place] = [*self.crews, *self.places]
        return road_hours(
            np.array([one.latitude_deg for one in everywhere]),
            np.array([one.longitude_deg for one in everywhere]),
            self.speed_km_h,
            self.detour,
        )


def road_hours(latitude_deg: F64, longitude_deg: F64, speed_km_h: float, detour: float) -> F64:
    r"""Driving times between all points: great circle by the haversine, times a detour factor.

    .. math:: d = 2 R \arcsin\sqrt{\sin^2\frac{\Delta\varphi}{2}
              + \cos\varphi_1\cos\varphi_2\sin^2\frac{\Delta\lambda}{2}}

    Parameters
    ----------
    latitude_deg, longitude_deg : (n,) array
        Points. [degrees]
    speed_km_h : float
        Mean speed on the road. [km/h]
    detour : float
        Way on the road over the way as the crow flies; 1.2 to 1.4 in most countries (common
        practice).

    Returns
    -------
    (n, n) array
        Symmetric, 0 on the diagonal. [h]

    References
    ----------
    Sinnott, *Virtues of the haversine*, Sky and Telescope 68 (1984), 159 (from memory).
    """
    phi, lam = np.radians(latitude_deg), np.radians(longitude_deg)
    a = (
        np.sin((phi[:, None] - phi[None, :]) / 2) ** 2
        + np.cos(phi)[:, None] * np.cos(phi)[None, :] * np.sin((lam[:, None] - lam) / 2) ** 2
    )
    way_km = 2 * _EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.clip(a, 0.0, 1.0)))
    hours: F64 = way_km * detour / speed_km_h
    return hours
