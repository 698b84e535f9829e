"""An invented fleet for labelled histories: nameplates, climates, controls and instruments.

Two sets of plates. ``default`` is mostly three-phase pumps and mid-sized units; ``other`` has other
ranges of nameplates (small single-phase pumps, deeper basins, other pads), noisier instruments and
other shapes of pump curve and coil, so that what was tried on one is judged on another.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from rules.signals import INDEX
from simulator.fleet import Fleet, site_from
from simulator.refrigerant import ANTOINE, antoine_columns, dew_pressure_kpa_abs
from simulator.scenario import BASIC_SIGNALS, Control, Nature, Scenario
from simulator.weather import Climate

__all__ = ["LabelledFleet", "PlateSet", "build_fleet", "site_toml"]

PlateSet = Literal["default", "other"]
Rng = np.random.Generator

_SITE_SIZES: Final = (5, 4, 4, 5, 3, 5, 4)
_PLACES: Final = (
    "amber", "birch", "cinder", "dune", "ember", "fjord", "grove", "heath", "isle", "juniper",
    "kelp", "larch", "moor", "nettle", "osier", "pebble",
)  # fmt: skip
_TRADES: Final = ("cold-store", "dairy", "bakery", "packhouse", "ice-hall", "data-hall", "winery")

# Invented climates after the kind of place; the histories begin on the first of June. The two
# southern ones are in their winter, "rising" warms by several kelvin in eight weeks.
_CLIMATES: Final[dict[str, Climate]] = {
    "hot": Climate(20.5, 8.5, 7.5, 1.6, 19.0, 195.0),
    "warm": Climate(17.0, 8.5, 6.5, 2.0, 12.0, 192.0),
    "mild": Climate(14.5, 7.5, 5.5, 2.0, 9.0, 190.0),
    "rising": Climate(14.0, 13.0, 6.0, 1.8, 12.0, 225.0),
    "frost": Climate(8.5, 8.5, 4.5, 1.8, 6.0, 15.0),
    "cool": Climate(15.0, 5.5, 3.5, 1.5, 8.0, 20.0),
}
_CLIMATE_ORDER: Final = (
    "hot", "warm", "frost", "warm", "mild", "hot", "cool", "rising", "warm", "hot", "warm",
    "mild", "hot", "warm",
)  # fmt: skip
_ZONES: Final[dict[str, tuple[str, ...]]] = {
    "hot": ("America/Phoenix", "Asia/Riyadh", "Europe/Madrid", "America/Denver"),
    "warm": ("Europe/Lisbon", "Europe/Rome", "America/Chicago", "Asia/Tokyo"),
    "mild": ("Europe/Berlin", "Europe/London", "Europe/Stockholm"),
    "rising": ("Europe/Warsaw", "America/Toronto"),
    "frost": ("Pacific/Auckland", "Australia/Hobart"),
    "cool": ("Australia/Sydney", "America/Santiago"),
}
_WET_ON: Final = {"hot": 26.0, "warm": 23.0, "mild": 18.5, "rising": 19.5, "frost": 21.0,
                  "cool": 21.5}  # fmt: skip

_WEATHER: Final = ("ambient_temperature", "relative_humidity")
_INSTRUMENTS: Final = (
    tuple(INDEX),
    (*BASIC_SIGNALS, *_WEATHER, "spray_pressure", "basin_temperature", "supply_voltage"),
    (*BASIC_SIGNALS, *_WEATHER, "spray_pressure", "pad_pressure_drop", "heat_load"),
    (*BASIC_SIGNALS, *_WEATHER),
    tuple(INDEX),
    (*BASIC_SIGNALS, *_WEATHER, "spray_pressure", "basin_temperature", "bleed_flow", "heat_load"),
    (*BASIC_SIGNALS, *_WEATHER, "spray_flow", "makeup_flow", "bleed_flow", "pad_pressure_drop"),
    (*BASIC_SIGNALS, *_WEATHER, "supply_voltage", "basin_temperature", "pad_pressure_drop"),
    (*BASIC_SIGNALS, *_WEATHER, "spray_pressure", "heat_load", "supply_voltage"),
    BASIC_SIGNALS,
)  # fmt: skip
"""What a unit measures, dealt in turn; the last has no weather and no extra witness at all."""


@dataclass(frozen=True)
class LabelledFleet:
    """The plant's fleet, its scenario without events, and the site files' data.

    ``climate_of_unit`` names each unit's kind of climate. ``unregistered`` holds the rows of the
    units that ``site_files`` leaves out although they exist.
    """

    fleet: Fleet
    scenario: Scenario
    site_files: tuple[Mapping[str, Any], ...]
    climate_of_unit: tuple[str, ...]
    unregistered: frozenset[int]


def _pick(rng: Rng, low: float, high: float, digits: int = 0) -> float:
    return round(float(rng.uniform(low, high)), digits)


def _unit(rng: Rng, number: int, other: bool) -> dict[str, Any]:
    capacity = _pick(rng, 60, 240) if other else _pick(rng, 90, 480)
    td = _pick(rng, 8, 11, 1) if other else _pick(rng, 9.5, 13, 1)
    airflow = round(capacity / (1.183 * td * rng.uniform(0.56, 0.72)), 1)
    shut = _pick(rng, 190, 300) if other else _pick(rng, 150, 200)
    band = _pick(rng, 12, 30) if other else _pick(rng, 20, 40)
    overflow = shut + _pick(rng, 45, 80)
    flow = max(20.0, round(airflow * rng.uniform(5.0, 7.0)))
    single = other and rng.random() < 0.6
    makeup = _pick(rng, 90, 650) if other else _pick(rng, 150, 480)
    cycles = _pick(rng, 2.0, 5.0, 1) if other else _pick(rng, 2.5, 4.0, 1)
    refrigerants = [r for r in ANTOINE if r != "R744"]
    refrigerant = refrigerants[int(rng.integers(len(refrigerants)))]
    cut_out_degc = np.array([rng.uniform(53.0, 58.0)])
    cut_out = float(dew_pressure_kpa_abs(cut_out_degc, antoine_columns([refrigerant]))[0])
    volts = 230 if single else 400
    return {
        "id": f"ac-{number}",
        "name": f"Adiabatic condenser {number}",
        "location": f"Roof, bay {number}",
        "basin": {
            "area_m2": round(airflow * rng.uniform(0.08, 0.11), 2),
            "depth_mm": overflow + 45,
            "float_shut_mm": shut,
            "float_band_mm": band,
            "overflow_mm": overflow,
            "pump_minimum_mm": _pick(rng, 60, 85),
            "makeup_max_l_min": round(max(1.5, 0.158 * airflow * rng.uniform(5.5, 7.5)), 1),
            "pull_down_mm": _pick(rng, 10, 35) if other else _pick(rng, 16, 30),
        },
        "pump": {
            "rated_current_a": round(flow / (40.0 if single else 60.0) * rng.uniform(0.8, 1.2), 2),
            "rated_voltage_v": volts,
            "phases": 1 if single else 3,
            "rated_flow_l_min": flow,
            "rated_pressure_kpa": _pick(rng, 30, 90) if other else _pick(rng, 42, 70),
            "magnetising_current_frac": _pick(rng, 0.3, 0.6, 2),
            "shutoff_power_frac": _pick(rng, 0.42, 0.65, 2),
        },
        "fans": {
            "count": int(np.clip(round(airflow / rng.uniform(3.5, 6.5)), 2, 12)),
            "rated_airflow_m3_s": airflow,
        },
        "pads": {"effectiveness_frac": _pick(rng, 0.62, 0.86, 2)},
        "condenser": {
            "refrigerant": refrigerant,
            "rated_capacity_kw": capacity,
            "rated_td_k": td,
            "cut_out_kpa_abs": round(cut_out, -1),
        },
        "water": {
            "makeup_conductivity_us_cm": makeup,
            "conductivity_limit_us_cm": round(makeup * cycles * rng.uniform(1.4, 1.9), -1),
            "target_cycles": cycles,
        },
        "isolation": [
            {
                "label": f"Q{10 + number}",
                "energy": "electrical",
                "isolates": "Pump and all fans of this unit",
                "location": "Rotary isolator on the unit's panel",
                "method": "Turn off, fit own padlock and tag; wait for the drives to discharge",
                "verify": "Prove dead with a tester proved before and after; fans at rest",
            }
        ],
    }


def _site(rng: Rng, index: int, climate: str, size: int, other: bool) -> dict[str, Any]:
    place = _PLACES[index % len(_PLACES)]
    trade = _TRADES[(index * 3 + index // len(_PLACES)) % len(_TRADES)]
    again = "" if index < len(_PLACES) else f"-{index // len(_PLACES) + 1}"
    zones = _ZONES[climate]
    return {
        "id": f"{place}-{trade}{again}",
        "name": f"{place.title()} {trade.replace('-', ' ').title()}{again}",
        "address": f"{index + 1} {place.title()} Road",
        "access": "Gatehouse, open day and night",
        "time_zone": zones[index % len(zones)],
        "elevation_m": _pick(rng, 900, 1900) if rng.random() < 0.2 else _pick(rng, 5, 400),
        "energy_control_procedure": "ECP-1, red folder in the plant room",
        "team": "field",
        "contacts": [{"name": "Gatehouse", "role": "Security desk"}],
        "units": [_unit(rng, n + 1, other) for n in range(size)],
    }


def build_fleet(units: int, seed: int, plates: PlateSet) -> LabelledFleet:
    """Sites of three to five units with ``units`` (1 and up) in their files, and a stranger.

    The stranger is one more unit of the first site (one a 60 units) that its file leaves out.
    """
    other = plates == "other"
    rng = np.random.default_rng([seed, 0xF1EE7, other])
    full: list[dict[str, Any]] = []
    files: list[Mapping[str, Any]] = []
    climates: list[str] = []
    strangers: list[int] = []
    left, index = units, 0
    total = 0
    while left > 0:
        size = min(_SITE_SIZES[index % len(_SITE_SIZES)], left)
        kind = _CLIMATE_ORDER[index % len(_CLIMATE_ORDER)]
        data = _site(rng, index, kind, size, other)
        files.append(dict(data))
        if index % len(_CLIMATE_ORDER) == 0:
            data = {**data, "units": [*data["units"], _unit(rng, size + 1, other)]}
            strangers.append(total + size)
        full.append(data)
        climates += [kind] * len(data["units"])
        total += len(data["units"])
        left -= size
        index += 1
    read = [site_from(data, str(data["id"])) for data in full]
    fleet = Fleet(tuple(s for s, _ in read), tuple(u for _, us in read for u in us))
    controls, signals = [], []
    for row, kind in enumerate(climates):
        night = rng.random() < 0.2
        controls.append(
            Control(
                wet_on_degc=_WET_ON[kind] + _pick(rng, -1.0, 1.0, 1),
                night_drain=night,
                bleed=row % 3,
                idle_drain_s=3600.0 * _pick(rng, 20, 30),
                frost_drain=True,
            )
        )
        signals.append(frozenset(_INSTRUMENTS[(row * 7 + row // 10) % len(_INSTRUMENTS)]))
    nature = Nature(
        noise=1.7, shut_off_rise=0.4, static_share=0.3, air_exponent=0.33
    ) if other else Nature()  # fmt: skip
    site_climates = tuple(
        _CLIMATES[_CLIMATE_ORDER[i % len(_CLIMATE_ORDER)]] for i in range(len(full))
    )
    scenario = Scenario(
        name=f"labelled, {plates} plates, seed {seed}",
        climates=site_climates,
        signals=tuple(signals),
        controls=tuple(controls),
        raw_entries=(),
        nature=nature,
    )
    return LabelledFleet(fleet, scenario, tuple(files), tuple(climates), frozenset(strangers))


def _value(value: Any) -> str:
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return f"{value:.10g}"


def _table(data: Mapping[str, Any], prefix: str) -> list[str]:
    lines = [f"{k} = {_value(v)}" for k, v in data.items() if not isinstance(v, dict | list)]
    for key, value in data.items():
        name = f"{prefix}{key}"
        if isinstance(value, dict):
            lines += ["", f"[{name}]", *_table(value, f"{name}.")]
        elif isinstance(value, list):
            for item in value:
                lines += ["", f"[[{name}]]", *_table(item, f"{name}.")]
    return lines


def site_toml(data: Mapping[str, Any]) -> str:
    """The text of a site file; nested tables and lists of tables of strings and numbers only."""
    head = "# An invented site of a simulated fleet. Names and figures are fictional.\n\n"
    return head + "\n".join(_table(data, "")) + "\n"
