"""A small fleet of the tests' own: units made in code, and frames for them."""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.engine import Engine
from rules.equipment import Overrides, Site
from rules.events import AlarmEvent, Change, StepResult
from rules.plan import FleetPlan
from rules.signals import INDEX, N_SIGNALS

T0_MS = 1_783_000_200_000 - 1_783_000_200_000 % 300_000
"""Some moment in July 2026, at the start of a five-minute bin."""


def unit_data(unit_id: str = "ac-1", **changes: Any) -> dict[str, Any]:
    """The data of a unit's part of a site file; ``basin__area_m2=3`` changes one figure."""
    data: dict[str, Any] = {
        "id": unit_id,
        "name": unit_id.upper(),
        "location": "roof",
        "basin": {
            "area_m2": 2.0, "depth_mm": 300, "float_shut_mm": 180, "float_band_mm": 40,
            "overflow_mm": 240, "pump_minimum_mm": 70, "makeup_max_l_min": 30, "pull_down_mm": 20,
        },
        "pump": {
            "rated_current_a": 4.0, "rated_voltage_v": 400, "rated_flow_l_min": 200,
            "rated_pressure_kpa": 60,
        },
        "fans": {"count": 4, "rated_airflow_m3_s": 20},
        "condenser": {
            "refrigerant": "R134a", "rated_capacity_kw": 300, "rated_td_k": 10,
            "cut_out_kpa_abs": 1700,
        },
        "water": {
            "makeup_conductivity_us_cm": 300, "conductivity_limit_us_cm": 1500, "target_cycles": 3,
        },
        "isolation": [
            {"label": "Q1", "energy": "electrical", "isolates": "fans and pump",
             "location": "panel P1", "method": "switch off, padlock",
             "verify": "try start, test for absence of voltage"},
        ],
    }  # fmt: skip
    for key, value in changes.items():
        part, _, name = key.partition("__")
        if name:
            data[part][name] = value
        else:
            data[part] = value
    return data


def site_data(site_id: str = "north-hall", units: Sequence[dict[str, Any]] = ()) -> dict[str, Any]:
    """The data of a site file."""
    return {
        "id": site_id,
        "name": site_id.replace("-", " ").title(),
        "address": "1 Test Lane",
        "access": "gate code at reception",
        "time_zone": "Europe/Lisbon",
        "elevation_m": 0,
        "energy_control_procedure": "ECP-1, plant room folder",
        "team": "day",
        "contacts": [{"name": "Duty Desk", "role": "reception"}],
        "units": list(units) or [unit_data()],
    }


def site(site_id: str = "north-hall", units: Sequence[dict[str, Any]] = ()) -> Site:
    """A site model."""
    return Site.model_validate(site_data(site_id, units))


def rows_of(sites: Sequence[Site]) -> dict[tuple[str, str], int]:
    """Rows in the order of the files."""
    keys = [(s.id, u.id) for s in sites for u in s.units]
    return {key: row for row, key in enumerate(keys)}


def engine_of(*sites: Site, settings: Overrides | None = None) -> Engine:
    """An engine over the sites, or over one site with one unit."""
    fleet = sites or (site(),)
    return Engine(FleetPlan.build(fleet, rows_of(fleet), settings or {}))


HEALTHY: Mapping[str, float] = {
    "basin_level": 165.0, "conductivity": 900.0, "pump_current": 3.6, "supply_voltage": 400.0,
    "spray_pressure": 58.0, "head_pressure": 1000.0, "ambient_temperature": 28.0,
    "relative_humidity": 40.0, "fan_speed": 70.0, "fan_run": 15.0, "fan_fault": 0.0,
    "pump_command": 1.0, "wet_mode": 1.0,
}  # fmt: skip


def row_of_values(values: Mapping[str, float]) -> NDArray[np.float64]:
    """A row of catalogue columns, NaN where not given."""
    out = np.full(N_SIGNALS, np.nan)
    for name, value in values.items():
        out[INDEX[name]] = value
    return out


class Feed:
    """Feeds one engine, a frame at a time, and keeps the events."""

    row = 0
    """Of the unit that tests of one unit look at."""

    def __init__(self, engine: Engine, *, start_ms: int = T0_MS, seed: int = 7) -> None:
        self.engine = engine
        self.now_ms = start_ms
        self.events: list[AlarmEvent] = []
        self.rng = np.random.default_rng(seed)

    def run(
        self, duration_s: float, step_s: float = 60.0, row: int = 0, **changes: float | None
    ) -> list[AlarmEvent]:
        """Healthy values with ``changes`` (None: not sent), noise on level and current."""
        values = {k: v for k, v in {**HEALTHY, **changes}.items() if v is not None}
        events: list[AlarmEvent] = []
        for _ in range(int(duration_s / step_s)):
            self.now_ms += int(step_s * 1000)
            frame = row_of_values(values)
            for name, sd in (("basin_level", 0.8), ("pump_current", 0.02), ("spray_pressure", 0.3)):
                if values.get(name):
                    frame[INDEX[name]] += self.rng.normal(0.0, sd)
            events += self.send(row, self.now_ms, frame).events
        return events

    def send(self, row: int, time_ms: int, frame: NDArray[np.float64]) -> StepResult:
        """One frame."""
        result = self.engine.samples(
            time_ms, np.array([row], np.int32), np.array([time_ms], np.int64), frame[None, :]
        )
        self.events += result.events
        return result

    def raised(self) -> list[str]:
        """The faults raised so far, in order."""
        return [e.fault for e in self.events if e.change is Change.RAISED]


def lived_feed(hours: float, step_s: float = 60.0, **changes: float | None) -> Feed:
    """The feed of a unit that has lived so for some hours: a copy of one that is played once."""
    return copy.deepcopy(_lived(hours, step_s, tuple(sorted(changes.items()))))


@cache
def _lived(hours: float, step_s: float, changes: tuple[tuple[str, float | None], ...]) -> Feed:
    feed = Feed(engine_of())
    feed.run(hours * 3600.0, step_s, **dict(changes))
    return feed
