"""The fleet's nameplates and control settings as the columns that the plant's parts want.

What no nameplate tells (how far this pump is from its data sheet, when its controller goes wet) is
drawn once a unit from the seed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.control import BLEED_BY_CONDUCTIVITY, ControlPlate
from simulator.fleet import Fleet
from simulator.heat import CoilPlate
from simulator.noise import uniform_of
from simulator.pump import PumpPlate
from simulator.refrigerant import antoine_columns, dew_degc
from simulator.scenario import Control, Scenario
from simulator.water import BasinPlate

__all__ = ["Plates", "build_plates"]

FloatArray = NDArray[np.float64]

_NIGHT_DRAIN_AFTER_S = 5400.0
_DESIGN_RISE = 0.0032  # kg/kg that pads add on a design afternoon, to size the bleed by
_DESIGN_DENSITY = 1.1


@dataclass(frozen=True)
class Plates:
    """All columns (n,) of the fleet; ``antoine`` is (3, n)."""

    basin: BasinPlate
    pump: PumpPlate
    coil: CoilPlate
    control: ControlPlate
    antoine: FloatArray
    pads_effectiveness: FloatArray
    fan_count: NDArray[np.int64]
    rated_current_a: FloatArray
    rated_voltage_v: FloatArray
    rated_flow_l_min: FloatArray
    rated_pressure_kpa: FloatArray
    cut_out_degc: FloatArray
    least_condensing_degc: FloatArray
    surface_evaporation_l_min: FloatArray
    pump_flow_deviation: FloatArray
    pump_pressure_deviation: FloatArray
    conductivity_limit_us_cm: FloatArray
    protection_resets: FloatArray
    """1 where the pump's overload protection closes again by itself once it has cooled."""


def _drain_after_s(control: Control) -> float:
    after_s = math.inf if control.idle_drain_s is None else control.idle_drain_s
    return min(after_s, _NIGHT_DRAIN_AFTER_S) if control.night_drain else after_s


def build_plates(fleet: Fleet, scenario: Scenario, seed: int) -> Plates:
    """The columns of a fleet; :class:`simulator.fleet.FleetError` names a missing figure."""
    column = fleet.column
    keys = [u.key for u in fleet.units]

    def drawn(purpose: str, low: float, high: float) -> FloatArray:
        return np.array([uniform_of(seed, purpose, key, low, high) for key in keys])

    refrigerants = [str(u.plate["condenser"]["refrigerant"]) for u in fleet.units]
    antoine = antoine_columns(refrigerants)
    shut, band = column("basin", "float_shut_mm"), column("basin", "float_band_mm")
    makeup = column("water", "makeup_conductivity_us_cm")
    cycles = column("water", "target_cycles", 3.0)
    limit = column("water", "conductivity_limit_us_cm")
    airflow = column("fans", "rated_airflow_m3_s")
    area = column("basin", "area_m2")
    rated_pressure = column("pump", "rated_pressure_kpa")

    basin = BasinPlate(
        area_m2=area,
        float_shut_mm=shut,
        float_band_mm=band,
        overflow_mm=column("basin", "overflow_mm"),
        makeup_max_l_min=column("basin", "makeup_max_l_min"),
        pull_down_mm=column("basin", "pull_down_mm", 0.0),
        makeup_us_cm=makeup,
    )
    pump = PumpPlate(
        rated_pressure_kpa=rated_pressure,
        shutoff_power_frac=column("pump", "shutoff_power_frac", 0.5),
        magnetising_frac=column("pump", "magnetising_current_frac", 0.45),
        duty_level_mm=shut - 0.3 * band,
        minimum_level_mm=column("basin", "pump_minimum_mm"),
        duty_power_frac=drawn("duty", 0.86, 0.98),
        shut_off_rise=scenario.nature.shut_off_rise,
        static_share=scenario.nature.static_share,
    )
    kinds = drawn("bleed", 0.0, 3.0).astype(np.int64)
    wet_on = drawn("wet on", 23.0, 26.0)
    for i, control in enumerate(scenario.controls):
        kinds[i] = kinds[i] if control.bleed is None else control.bleed
        wet_on[i] = wet_on[i] if control.wet_on_degc is None else control.wet_on_degc
    # Evaporation on a design afternoon sets how much water must be bled at the target cycles.
    evaporation = _DESIGN_DENSITY * airflow * _DESIGN_RISE * 60.0 * 0.75
    mean_bleed = evaporation / (cycles - 1.0)
    # A bleed that does not follow conductivity is set for the driest afternoons, at about twice
    # the mean, or the basin would pass its limit then.
    fixed = 2.0
    share = drawn("bleed share", 0.3, 0.5)
    setpoint = np.minimum(makeup * cycles, 0.85 * limit)
    control_plate = ControlPlate(
        wet_on_degc=wet_on,
        wet_hysteresis_k=drawn("wet off", 2.0, 3.5),
        drain_after_s=np.array([_drain_after_s(c) for c in scenario.controls]),
        frost_drain=np.array([float(c.frost_drain) for c in scenario.controls]),
        refilled_mm=shut - band,
        bleed_kind=kinds,
        bleed_l_min=mean_bleed
        * np.where(kinds == BLEED_BY_CONDUCTIVITY, 2.5, np.where(kinds == 1, fixed / share, fixed)),
        bleed_share=share,
        bleed_setpoint_us_cm=setpoint,
    )
    carbon_dioxide = np.array([r == "R744" for r in refrigerants])
    return Plates(
        basin=basin,
        pump=pump,
        coil=CoilPlate(
            rated_capacity_kw=column("condenser", "rated_capacity_kw"),
            rated_td_k=column("condenser", "rated_td_k"),
            rated_airflow_m3_s=airflow,
            air_exponent=scenario.nature.air_exponent,
        ),
        control=control_plate,
        antoine=antoine,
        pads_effectiveness=column("pads", "effectiveness_frac", 0.8),
        fan_count=column("fans", "count").astype(np.int64),
        rated_current_a=column("pump", "rated_current_a"),
        rated_voltage_v=column("pump", "rated_voltage_v"),
        rated_flow_l_min=column("pump", "rated_flow_l_min"),
        rated_pressure_kpa=rated_pressure,
        cut_out_degc=dew_degc(column("condenser", "cut_out_kpa_abs"), antoine),
        least_condensing_degc=np.where(carbon_dioxide, 12.0, drawn("least", 24.0, 28.0)),
        surface_evaporation_l_min=0.05 * area / 60.0,
        pump_flow_deviation=drawn("pump flow", 0.95, 1.06),
        pump_pressure_deviation=drawn("pump pressure", 0.96, 1.05),
        conductivity_limit_us_cm=limit,
        protection_resets=(drawn("protection", 0.0, 1.0) < 0.5).astype(np.float64),
    )
