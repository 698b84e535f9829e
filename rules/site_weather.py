"""Weather that one unit sends serves all units of its site.

A site often has one sensor for the air, wired to one unit. What it says stands for every unit of
the site that never sent such a reading of its own, for as long as it is young.

Whose sensor serves must not depend on how readings are cut into batches, so one is taken after the
other in order of arrival: among those that are young, that of the unit with the lowest id. Two
sensors that differ by a degree are then not mixed, and another takes over when it falls silent or
stands still.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, NamedTuple, Self

import numpy as np

from rules.arrays import F64, I32, I64, Bool
from rules.signals import FOG_PCT, INDEX

if TYPE_CHECKING:
    from rules.plan import FleetPlan

__all__ = ["SERVED", "SERVED_AT", "SERVES_MS", "SiteWeather", "Source"]

SERVED: Final = ("ambient_temperature", "relative_humidity")
"""Signals of the place, not of the machine."""

SERVED_AT: Final = np.array([INDEX[name] for name in SERVED])

SERVES_MS: Final = 900_000
"""So far from a reading's time it stands for the site's air: outdoors that moves by less than a
kelvin meanwhile, but for a thunderstorm (judgement). [ms]"""

STILL_MS: Final = 86_400_000
"""Air that reads the same for a day is not measured; damp air may (judgement). [ms]"""

_HUMIDITY_AT: Final = SERVED.index("relative_humidity")


@dataclass
class Source:
    """The reading that serves a site: whose it is, what it was, when, and since when it is that.

    ``row`` is that of the unit, which never changes.
    """

    unit: str
    row: int
    value: float
    time_ms: int
    changed_ms: int


class _News(NamedTuple):
    """From a place in the batch on, a site has another reading."""

    site: int
    place: int
    value: float
    time_ms: int


@dataclass
class SiteWeather:
    """The present source of each site and signal, and the sensors that were found to stand still.

    Not columns: keyed by site id and the signal's place in :data:`SERVED`.
    """

    held: dict[tuple[str, int], Source] = field(default_factory=dict)
    still: dict[tuple[str, int], dict[str, float]] = field(default_factory=dict)

    def serve(
        self, plan: FleetPlan, lacking: Bool, unit_row: I32, time_ms: I64, values: F64
    ) -> F64 | None:
        """Take in the weather that a batch holds, and say what it is for each of its frames.

        Parameters
        ----------
        lacking : (rows, SERVED)
            Which units of the plan never sent the signal themselves.
        unit_row, time_ms, values
            Frames of units of the plan, in order of arrival, as the engine takes them in.

        Returns
        -------
        (n, SERVED) float64 or None
            NaN where not known, or sent by the unit itself; None where no frame needs it.
        """
        out: F64 | None = None
        for at, column in enumerate(SERVED_AT.tolist()):
            sites = np.zeros(len(plan.sites), dtype=np.bool_)
            sites[plan.site_index[lacking[:, at] & plan.active]] = True
            if not sites.any():
                continue
            site = plan.site_index[unit_row]
            carried = np.flatnonzero(sites[site] & ~np.isnan(values[:, column]))
            carried = self._that_matter(plan, at, carried, unit_row, time_ms)
            asked = np.flatnonzero(lacking[unit_row, at])
            before = self._before(plan, at, np.unique(site[asked]))
            found = self._take(plan, at, carried, unit_row, time_ms, values[:, column])
            news = sorted(before + found, key=lambda one: (one.site, one.place))
            if not len(asked):
                continue
            if out is None:
                out = np.full((len(unit_row), len(SERVED)), np.nan)
            out[asked, at] = _lookup(news, len(unit_row), site[asked], asked, time_ms[asked])
        return out

    def source(self, site: str, name: str) -> Source | None:
        """The reading of a signal that serves the site now, if any."""
        return self.held.get((site, SERVED.index(name)))

    def _that_matter(
        self, plan: FleetPlan, at: int, carried: I64, unit_row: I32, time_ms: I64
    ) -> I64:
        """Without the readings of units that cannot come to serve before the present one is silent.

        Only a saving where most units have sensors of their own; it leaves out what :meth:`_note`
        would pass over, whatever else is in the batch.
        """
        sites, place = np.unique(plan.site_index[unit_row[carried]], return_inverse=True)
        rank, until_ms = np.full((2, len(sites)), np.iinfo(np.int64).max)
        until_ms[:] = np.iinfo(np.int64).min
        for i, site in enumerate(sites.tolist()):
            key = plan.sites[site].id, at
            held = self.held.get(key)
            if held is None or self.still.get(key) or _may_stand_soon(held, at):
                continue
            rank[i], until_ms[i] = plan.rank_in_site[held.row], held.time_ms + SERVES_MS
        idle = plan.rank_in_site[unit_row[carried]] > rank[place]
        idle &= time_ms[carried] <= until_ms[place]
        return carried[~idle]

    def _before(self, plan: FleetPlan, at: int, sites: I32) -> list[_News]:
        """What holds at the batch's beginning (place -1)."""
        return [
            _News(site, -1, held.value, held.time_ms)
            for site in sites.tolist()
            if (held := self.held.get((plan.sites[site].id, at))) is not None
            and not _stands(held, at)
        ]

    def _take(
        self, plan: FleetPlan, at: int, carried: I64, unit_row: I32, time_ms: I64, values: F64
    ) -> list[_News]:
        """Each change of what holds, with its place in the batch."""
        found = []
        for place, row, time, value in zip(
            carried.tolist(), unit_row[carried].tolist(), time_ms[carried].tolist(),
            values[carried].tolist(), strict=True,
        ):  # fmt: skip
            site, unit = plan.unit_of_row[row]
            if self._note((site.id, at), unit.id, row, value, time):
                held = self.held[site.id, at]
                told = np.nan if _stands(held, at) else value
                found.append(_News(int(plan.site_index[row]), place, told, time))
        return found

    def _note(self, key: tuple[str, int], unit: str, row: int, value: float, time_ms: int) -> bool:
        """Take in one reading; whether it is the site's now."""
        at = key[1]
        still = self.still.get(key, {})
        if unit in still:
            if still[unit] == value:
                return False
            del still[unit]
            if not still:
                del self.still[key]
        held = self.held.get(key)
        if held is not None and held.unit == unit:
            if time_ms < held.time_ms:
                return False
            if value != held.value:
                held.changed_ms = time_ms
            held.value, held.time_ms = value, time_ms
            return True
        if held is not None:
            stands = _stands(held, at)
            if time_ms < held.time_ms or not (stands or _takes_over(unit, time_ms, held)):
                return False
            if stands:
                self.still.setdefault(key, {})[held.unit] = held.value
        self.held[key] = Source(unit, row, value, time_ms, time_ms)
        return True

    # ------------------------------------------------------------------ memory

    def to_bytes(self) -> bytes:
        """As JSON."""
        held = [
            [site, at, s.unit, s.row, s.value, s.time_ms, s.changed_ms]
            for (site, at), s in self.held.items()
        ]
        still = [[site, at, units] for (site, at), units in self.still.items() if units]
        return json.dumps({"held": held, "still": still}).encode()

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Back from :meth:`to_bytes`."""
        read = json.loads(data)
        return cls(
            {(site, at): Source(*rest) for site, at, *rest in read["held"]},
            {(site, at): units for site, at, units in read["still"]},
        )

    def keep(self, plan: FleetPlan) -> None:
        """Drop what is of sites and units that the plan does not know."""
        units = {site.id: {unit.id for unit in site.units} for site in plan.sites}
        self.held = {k: s for k, s in self.held.items() if s.unit in units.get(k[0], ())}
        self.still = {
            k: {u: v for u, v in known.items() if u in units.get(k[0], ())}
            for k, known in self.still.items()
        }


def _takes_over(unit: str, time_ms: int, held: Source) -> bool:
    """Time never goes back in what serves a site, so old readings can be told from new ones."""
    return time_ms > held.time_ms + SERVES_MS or unit < held.unit


def _may_stand_soon(held: Source, at: int) -> bool:
    """Whether it stands still by the time that another could serve, if it goes on as it is."""
    later = Source(held.unit, held.row, held.value, held.time_ms + SERVES_MS, held.changed_ms)
    return _stands(later, at)


def _stands(held: Source, at: int) -> bool:
    if at == _HUMIDITY_AT and held.value >= FOG_PCT:
        return False
    return held.time_ms - held.changed_ms > STILL_MS


def _lookup(news: list[_News], n: int, site: I32, place: I64, time_ms: I64) -> F64:
    """The newest reading of each frame's site at its place in the batch, if it is young."""
    if not news:
        return np.full(len(place), np.nan)
    of_site, at, value, taken_ms = (np.array(column) for column in zip(*news, strict=True))
    width = n + 1
    keys = of_site * width + at + 1
    found = np.searchsorted(keys, site.astype(np.int64) * width + place + 1, side="right") - 1
    young = (found >= 0) & (of_site[found] == site)
    young &= np.abs(time_ms - taken_ms[found]) <= SERVES_MS
    return np.where(young, value[found], np.nan)
