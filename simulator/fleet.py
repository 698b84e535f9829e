"""What the simulated plant is: nameplates read from the site files, as columns.

Reads the same TOML files as the gateway but on its own, so that the two can disagree in a test.
Only what the plant needs is looked at; whether a file is right in every detail is the gateway's to
judge.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from simulator.refrigerant import ANTOINE

__all__ = ["Fleet", "FleetError", "SignalForm", "SitePlate", "UnitPlate", "read_fleet", "site_from"]


class FleetError(ValueError):
    """A fleet directory or scenario that cannot be simulated; the text says what to correct."""


@dataclass(frozen=True)
class SignalForm:
    """How a unit's sensor names and scales one signal on the wire.

    ``unit`` None means the record carries its own SenML unit. The wire carries
    ``(value - offset) / scale`` in ``unit``.
    """

    name: str
    signal: str
    unit: str | None
    scale: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True)
class UnitPlate:
    """The nameplate of one unit; ``forms`` are its own wire names by canonical signal.

    ``device`` is its id at the site's Sparkplug edge node, empty where it has none.
    """

    site: str
    unit: str
    plate: Mapping[str, Mapping[str, Any]]
    gauge_head_pressure: bool
    probe: str
    forms: Mapping[str, SignalForm] = field(default_factory=dict)
    device: str = ""

    @property
    def key(self) -> str:
        """``site/unit``."""
        return f"{self.site}/{self.unit}"


@dataclass(frozen=True)
class SitePlate:
    """One site's place: what weather and clocks need.

    ``edge`` is (group, edge node) where the site speaks Sparkplug.
    """

    site: str
    zone: ZoneInfo
    elevation_m: float
    edge: tuple[str, str] | None = None


@dataclass(frozen=True)
class Fleet:
    """All sites and units, in file-name order then file order."""

    sites: tuple[SitePlate, ...]
    units: tuple[UnitPlate, ...]

    @property
    def site_of_unit(self) -> NDArray[np.intp]:
        """For each unit the index of its site."""
        index = {s.site: i for i, s in enumerate(self.sites)}
        return np.array([index[u.site] for u in self.units], dtype=np.intp)

    def column(self, table: str, key: str, default: float | None = None) -> NDArray[np.float64]:
        """One nameplate figure of every unit; ``FleetError`` names a unit that lacks it."""
        values = []
        for unit in self.units:
            value = unit.plate.get(table, {}).get(key, default)
            if isinstance(value, bool) or not isinstance(value, int | float):
                msg = (
                    f"unit {unit.key}: [units.{table}] {key} is missing or not a number; "
                    f"write the figure from the unit's data sheet"
                )
                raise FleetError(msg)
            values.append(float(value))
        return np.array(values)

    def matching(self, pattern: str) -> list[int]:
        """Rows of the units that ``site/unit``, ``site/*``, ``*/unit`` or ``*`` means.

        ``FleetError`` if there is none.
        """
        site, _, unit = pattern.partition("/")
        rows = [
            i
            for i, u in enumerate(self.units)
            if site in ("*", u.site) and (unit or "*") in ("*", u.unit)
        ]
        if not rows:
            known = ", ".join(u.key for u in self.units[:6])
            msg = f"'{pattern}' matches no unit of the fleet (known: {known}, …)"
            raise FleetError(msg)
        return rows


def _forms(table: Mapping[str, Any]) -> dict[str, SignalForm]:
    return {
        str(entry["signal"]): SignalForm(
            name=name,
            signal=str(entry["signal"]),
            unit=entry.get("unit"),
            scale=float(entry.get("scale", 1.0)),
            offset=float(entry.get("offset", 0.0)),
        )
        for name, entry in table.items()
    }


def site_from(data: Mapping[str, Any], where: str) -> tuple[SitePlate, list[UnitPlate]]:
    """Site and units from the data of a site file; ``where`` names it in a ``FleetError``."""
    try:
        node = data.get("sparkplug")
        site = SitePlate(
            data["id"], ZoneInfo(data["time_zone"]), float(data["elevation_m"]),
            (str(node["group"]), str(node["edge"])) if node else None,
        )  # fmt: skip
        units = [
            UnitPlate(
                site=site.site,
                unit=entry["id"],
                plate={k: v for k, v in entry.items() if isinstance(v, dict)},
                gauge_head_pressure=bool(entry.get("head_pressure_is_gauge", False)),
                probe=str(entry.get("conductivity_probe", "referred-25c")),
                forms=_forms(entry.get("signals", {})),
                device=str(entry.get("sparkplug_device", "")),
            )
            for entry in data["units"]
        ]
    except KeyError as error:
        msg = f"{where}: key {error} is missing or unknown; see a site file of the demo fleet"
        raise FleetError(msg) from error
    except (TypeError, ValueError, AttributeError) as error:
        msg = f"{where}: {error}. Correct the file; nothing has been simulated"
        raise FleetError(msg) from error
    for unit in units:
        refrigerant = unit.plate.get("condenser", {}).get("refrigerant")
        if refrigerant not in ANTOINE:
            msg = (
                f"{where}: unit {unit.unit}: refrigerant {refrigerant!r} cannot be simulated; "
                f"use one of {', '.join(ANTOINE)}"
            )
            raise FleetError(msg)
    return site, units


def _read_site(path: Path) -> tuple[SitePlate, list[UnitPlate]]:
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except ValueError as error:  # not TOML, or not UTF-8
        msg = f"{path.name}: {error}. Correct the file; nothing has been simulated"
        raise FleetError(msg) from error
    return site_from(data, path.name)


def read_fleet(fleet_dir: Path) -> Fleet:
    """The plant that the files ``sites/*.toml`` of a fleet directory describe.

    ``FleetError`` if there is no site file, or one cannot be used.
    """
    paths = sorted((fleet_dir / "sites").glob("*.toml"))
    sites: list[SitePlate] = []
    units: list[UnitPlate] = []
    for path in paths:
        site, site_units = _read_site(path)
        sites.append(site)
        units.extend(site_units)
    if not units:
        msg = f"{fleet_dir}: no site files sites/*.toml with units; give a fleet directory"
        raise FleetError(msg)
    return Fleet(tuple(sites), tuple(units))
