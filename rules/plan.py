"""The fleet plan: nameplates and settings of all units as columns, built once from the site files.

A unit's row is its number in the unit register and never changes; a row whose unit is no longer in
the files is inactive and is not judged.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.arrays import F64, I32, I64, Bool
from rules.bin_times import day_phase_of, hour_phase_of, phase_ms
from rules.equipment import Overrides, OwnRule, Site, Unit
from rules.faults.base import Setting
from rules.physics.moist_air import standard_pressure_kpa_abs, wet_bulb_degc
from rules.physics.pads import evaporation_l_min
from rules.physics.refrigerant import REFRIGERANTS, condensing_temperature_degc
from rules.settings import SettingColumns

__all__ = ["FleetPlan"]

DESIGN_DRY_DEGC: Final = 35.0
DESIGN_RH_PCT: Final = 40.0
"""A dry hot afternoon, for which a fixed bleed is commonly sized (common practice)."""


@dataclass(frozen=True)
class FleetPlan:
    """What does not change while the rules run. Arrays are by row; names say the unit."""

    sites: tuple[Site, ...]
    unit_of_row: Mapping[int, tuple[Site, Unit]]
    active: Bool
    site_index: I32
    """Position in ``sites``, -1 where inactive."""
    rank_in_site: I64
    """Place of the unit among those of its site, by id, in whatever order they are told."""
    anchor_row: I64
    """By site: the row that carries the site's own alarms (its oldest unit); -1 if it has none."""
    bin_phase_ms: I64
    """How far the unit's five-minute bins run ahead of the clock, see rules/bin_times.py."""
    day_phase_bins: I64
    """How far the unit's day, of which its parts get one figure each, runs ahead of UTC's."""
    hour_phase_bins: I64
    """How far its hours run ahead, over which coil and pads are looked at."""
    settings: SettingColumns

    area_m2: F64
    float_shut_mm: F64
    float_band_mm: F64
    depth_mm: F64
    overflow_mm: F64
    pump_minimum_mm: F64
    makeup_max_l_min: F64
    pull_down_mm: F64
    pump_rated_current_a: F64
    pump_rated_voltage_v: F64
    pump_rated_flow_l_min: F64
    pump_rated_pressure_kpa: F64
    pump_magnetising_frac: F64
    pump_shutoff_frac: F64
    fan_count: I64
    airflow_m3_s: F64
    pad_effectiveness_frac: F64
    refrigerant_index: I64
    cut_out_kpa_abs: F64
    cut_out_degc: F64
    """Condensing temperature (dew line) at the cut-out; NaN above the critical point."""
    rated_td_k: F64
    rated_capacity_kw: F64
    makeup_us_cm: F64
    conductivity_limit_us_cm: F64
    target_cycles: F64
    barometric_kpa: F64
    design_evaporation_l_min: F64
    """What clean pads evaporate with all fans on a dry hot afternoon."""
    fleet_rules: tuple[OwnRule, ...] = ()
    """Own rules of every unit; those of a site or a unit stay with it."""

    @property
    def n_rows(self) -> int:
        """Rows, active or not."""
        return len(self.active)

    @classmethod
    def build(
        cls,
        sites: Sequence[Site],
        rows: Mapping[tuple[str, str], int],
        settings: Overrides,
        tables: Mapping[str, Mapping[str, Setting]] | None = None,
        rules: Sequence[OwnRule] = (),
    ) -> FleetPlan:
        """The plan of a fleet.

        ``rows`` maps (site id, unit id) to row and must hold every unit of ``sites``; ``settings``
        are the fleet-wide overrides, ``rules`` the fleet's own rules. ``KeyError`` names a unit
        without row or an unknown setting.
        """
        if tables is None:
            from rules.faults.registry import SETTINGS  # noqa: PLC0415  # the registry needs plans

            tables = SETTINGS
        n = max(rows.values(), default=-1) + 1
        active = np.zeros(n, dtype=np.bool_)
        site_index = np.full(n, -1, dtype=np.int32)
        rank_in_site = np.zeros(n, dtype=np.int64)
        bin_phase_ms = np.zeros(n, dtype=np.int64)
        day_phase_bins = np.zeros(n, dtype=np.int64)
        hour_phase_bins = np.zeros(n, dtype=np.int64)
        anchor = np.full(len(sites), -1, dtype=np.int64)
        unit_of_row: dict[int, tuple[Site, Unit]] = {}
        columns = SettingColumns(tables, n)
        _apply(columns, settings, None)
        for i, site in enumerate(sites):
            site_rows = np.array([rows[site.id, u.id] for u in site.units], dtype=np.int64)
            _apply(columns, site.settings, site_rows)
            for unit, row in zip(site.units, site_rows.tolist(), strict=True):
                unit_of_row[row] = (site, unit)
                day_phase_bins[row] = day_phase_of(site.id, unit.id)
                hour_phase_bins[row] = hour_phase_of(site.id, unit.id)
                _apply(columns, unit.settings, np.array([row]))
            by_id = np.argsort(np.array([u.id for u in site.units]), kind="stable")
            rank_in_site[site_rows[by_id]] = np.arange(len(by_id))
            active[site_rows] = True
            site_index[site_rows] = i
            bin_phase_ms[site_rows] = phase_ms(site.id)
            # Rows never change, whatever the order in the file.
            anchor[i] = site_rows.min()

        def column(pick: Callable[[Site, Unit], float]) -> F64:
            out = np.full(n, np.nan)
            for row, (site, unit) in unit_of_row.items():
                out[row] = pick(site, unit)
            return out

        cut_out = column(lambda _s, u: u.condenser.cut_out_kpa_abs)
        index = np.zeros(n, dtype=np.int64)
        fans = np.ones(n, dtype=np.int64)
        for row, (_site, unit) in unit_of_row.items():
            index[row] = REFRIGERANTS.index(unit.condenser.refrigerant)
            fans[row] = unit.fans.count
        airflow = column(lambda _s, u: u.fans.rated_airflow_m3_s)
        effectiveness = column(lambda _s, u: u.pads.effectiveness_frac)
        pressure = standard_pressure_kpa_abs(column(lambda s, _u: s.elevation_m))
        return cls(
            sites=tuple(sites),
            unit_of_row=unit_of_row,
            active=active,
            site_index=site_index,
            rank_in_site=rank_in_site,
            anchor_row=anchor,
            bin_phase_ms=bin_phase_ms,
            day_phase_bins=day_phase_bins,
            hour_phase_bins=hour_phase_bins,
            settings=columns,
            area_m2=column(lambda _s, u: u.basin.area_m2),
            float_shut_mm=column(lambda _s, u: u.basin.float_shut_mm),
            float_band_mm=column(lambda _s, u: u.basin.float_band_mm),
            depth_mm=column(lambda _s, u: u.basin.depth_mm),
            overflow_mm=column(lambda _s, u: u.basin.overflow_mm),
            pump_minimum_mm=column(lambda _s, u: u.basin.pump_minimum_mm),
            makeup_max_l_min=column(lambda _s, u: u.basin.makeup_max_l_min),
            pull_down_mm=column(lambda _s, u: u.basin.pull_down_mm),
            pump_rated_current_a=column(lambda _s, u: u.pump.rated_current_a),
            pump_rated_voltage_v=column(lambda _s, u: u.pump.rated_voltage_v),
            pump_rated_flow_l_min=column(lambda _s, u: u.pump.rated_flow_l_min),
            pump_rated_pressure_kpa=column(lambda _s, u: u.pump.rated_pressure_kpa),
            pump_magnetising_frac=column(lambda _s, u: u.pump.magnetising_current_frac),
            pump_shutoff_frac=column(lambda _s, u: u.pump.shutoff_power_frac),
            fan_count=fans,
            airflow_m3_s=airflow,
            pad_effectiveness_frac=effectiveness,
            refrigerant_index=index,
            cut_out_kpa_abs=cut_out,
            cut_out_degc=condensing_temperature_degc(cut_out, index),
            rated_td_k=column(lambda _s, u: u.condenser.rated_td_k),
            rated_capacity_kw=column(lambda _s, u: u.condenser.rated_capacity_kw),
            makeup_us_cm=column(lambda _s, u: u.water.makeup_conductivity_us_cm),
            conductivity_limit_us_cm=column(lambda _s, u: u.water.conductivity_limit_us_cm),
            target_cycles=column(lambda _s, u: u.water.target_cycles),
            barometric_kpa=pressure,
            design_evaporation_l_min=evaporation_l_min(
                airflow,
                DESIGN_DRY_DEGC,
                wet_bulb_degc(DESIGN_DRY_DEGC, DESIGN_RH_PCT, pressure),
                effectiveness,
                pressure,
            ),
            fleet_rules=tuple(rules),
        )


def _apply(columns: SettingColumns, overrides: Overrides, rows: I64 | None) -> None:
    for slug, table in overrides.items():
        for name, value in table.items():
            columns.override(slug, name, value, rows)
