"""What the decoder must know of one unit: its row, its sensors' own names, and its corrections.

Built from the site file. The engineering behind the two corrections (barometric pressure, and
conductivity referred to 25 °C) is in the rules; here it is only handed in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.equipment import SignalMapping, Site, Unit
from rules.physics import conductivity
from rules.physics.moist_air import standard_pressure_kpa_abs

__all__ = ["EdgePlace", "ReferConductivity", "UnitWire", "edges_of", "from_equipment", "of_sites"]

ReferConductivity = Callable[[float, float], float]
"""(conductivity as the probe gives it [µS/cm], water temperature [°C]) -> µS/cm at 25 °C."""


@dataclass(frozen=True)
class UnitWire:
    """How one unit speaks.

    ``mappings`` tells what the unit's own names mean. ``head_pressure_offset_kpa`` is added to the
    head pressure: the site's barometric pressure where the transmitter reads gauge, else 0.
    ``refer_conductivity`` is None where the probe itself refers to 25 °C.
    """

    site: str
    unit: str
    row: int
    mappings: Mapping[str, SignalMapping] = field(default_factory=dict)
    head_pressure_offset_kpa: float = 0.0
    refer_conductivity: ReferConductivity | None = None


@dataclass(frozen=True)
class EdgePlace:
    """The site that speaks through a Sparkplug edge node, and its units by device and by id."""

    site: str
    devices: Mapping[str, UnitWire]
    units: Mapping[str, UnitWire]


def _one_by_one(
    function: Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]],
) -> ReferConductivity:
    """A function of arrays, as the decoder needs it: for one reading."""

    def refer(conductivity_us_cm: float, temperature_degc: float) -> float:
        return float(function(np.array([conductivity_us_cm]), np.array([temperature_degc]))[0])

    return refer


_REFER: Final[Mapping[str, ReferConductivity | None]] = {
    "referred-25c": None,
    "raw-linear": _one_by_one(conductivity.referred_linear_us_cm),
    "raw-natural-water": _one_by_one(conductivity.referred_natural_water_us_cm),
}


def from_equipment(site: Site, unit: Unit, row: int) -> UnitWire:
    """What the site file says of ``unit``; ``row`` is its number in the unit register."""
    offset_kpa = (
        float(standard_pressure_kpa_abs(site.elevation_m)) if unit.head_pressure_is_gauge else 0.0
    )
    return UnitWire(
        site=site.id,
        unit=unit.id,
        row=row,
        mappings=dict(unit.signals),
        head_pressure_offset_kpa=offset_kpa,
        refer_conductivity=_REFER[unit.conductivity_probe],
    )


def of_sites(
    sites: Iterable[Site], rows: Mapping[tuple[str, str], int]
) -> dict[tuple[str, str], UnitWire]:
    """Every unit of ``sites`` by (site, unit), as the decoder wants it."""
    return {
        (site.id, unit.id): from_equipment(site, unit, rows[site.id, unit.id])
        for site in sites
        for unit in site.units
    }


def edges_of(
    sites: Iterable[Site], units: Mapping[tuple[str, str], UnitWire]
) -> dict[tuple[str, str], EdgePlace]:
    """Every edge node of ``sites`` by (group, edge node); ``units`` as :func:`of_sites` gives."""
    return {
        (site.sparkplug.group, site.sparkplug.edge): EdgePlace(
            site.id,
            {u.sparkplug_device: units[site.id, u.id] for u in site.units if u.sparkplug_device},
            {u.id: units[site.id, u.id] for u in site.units},
        )
        for site in sites
        if site.sparkplug is not None
    }
