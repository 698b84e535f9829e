"""The plant of a whole fleet: weather, control, water, pump and heat joined, stepped in time.

One array element a unit. What feeds back (control, basin, coil) steps in a loop of at most 30 s;
the water balance is implicit and therefore exact in its totals at any step. What does not feed back
(weather, load, motor current, pressures) is worked out for a whole block of times at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from simulator import heat, pump
from simulator.control import ControlState, step_bleed, step_control
from simulator.faults import Entry, build_effects
from simulator.fleet import Fleet
from simulator.noise import smooth_noise, stream_of
from simulator.plates import Plates, build_plates
from simulator.refrigerant import dew_pressure_kpa_abs
from simulator.scenario import Scenario
from simulator.water import BasinFlows, BasinState, step_basin
from simulator.weather import WeatherBlock, load_frac, local_hour, weather

__all__ = ["INTERNAL_STEP_MAX_S", "Ledger", "Plant", "PlantBlock"]

FloatArray = NDArray[np.float64]

INTERNAL_STEP_MAX_S = 30.0
_COIL_TAU_S = 150.0
_WATER_TAU_S = 5400.0
_PROVEN_AFTER_S = 6.0
_FOULED_PROBE_TAU_S = 7200.0
_PADS_WET_AT_FLOW = 0.72
"""Share of rated flow below which part of the pad's face runs dry (common practice: a margin)."""


@dataclass
class Ledger:
    """Totals since the start, columns (n,): water in L, solids in L µS/cm."""

    makeup_l: FloatArray
    evaporation_l: FloatArray
    bleed_l: FloatArray
    drain_l: FloatArray
    overflow_l: FloatArray
    solids_in: FloatArray
    solids_out: FloatArray


@dataclass(frozen=True)
class PlantBlock:
    """The true state at the sample times, columns (k, n); fan masks as whole numbers."""

    time_s: FloatArray
    level_mm: FloatArray
    conductivity_us_cm: FloatArray
    basin_degc: FloatArray
    running: FloatArray
    flow_frac: FloatArray
    discharge_kpa: FloatArray
    current_a: FloatArray
    voltage_v: FloatArray
    air_frac: FloatArray
    wet_mode: FloatArray
    pump_command: FloatArray
    fan_speed_frac: FloatArray
    fan_run: FloatArray
    fan_fault: FloatArray
    airflow_frac: FloatArray
    wetness: FloatArray
    head_kpa_abs: FloatArray
    condensing_degc: FloatArray
    air_on_degc: FloatArray
    load_kw: FloatArray
    makeup_l_min: FloatArray
    bleed_l_min: FloatArray
    evaporation_l_min: FloatArray
    probe_us_cm: FloatArray
    bleed_asked_l_min: FloatArray
    locked_rotor: FloatArray
    makeup_us_cm: FloatArray
    ua_frac: FloatArray
    pad_resistance: FloatArray
    ambient_degc: FloatArray
    rh_pct: FloatArray


_LOOPED = (
    "level_mm", "conductivity_us_cm", "basin_degc", "running", "flow_frac", "discharge_kpa",
    "air_frac", "wet_mode", "pump_command", "fan_speed_frac", "airflow_frac", "wetness",
    "condensing_degc", "air_on_degc", "load_kw", "makeup_l_min", "bleed_l_min",
    "evaporation_l_min", "probe_us_cm", "bleed_asked_l_min", "locked_rotor", "fans_proven",
)  # fmt: skip


_FAN_SHARES = {
    "fans_down_share": ("fan_fault", "fan_unproven"),
    "fans_airless_share": ("fan_fault", "fan_unproven", "fan_slip"),
    "fans_on_share": ("fan_on",),
}
"""Shares of a unit's fans, and the masks that they are counted from."""


class Plant:
    """A fleet's plant with its state. Deterministic in fleet, scenario, seed and the calls made."""

    def __init__(self, fleet: Fleet, scenario: Scenario, seed: int) -> None:
        """Start with full basins, some way up to the bleed's setpoint."""
        self.fleet = fleet
        self.scenario = scenario
        self.seed = seed
        self.plates: Plates = build_plates(fleet, scenario, seed)
        n = len(fleet.units)
        self.ledger = Ledger(*(np.zeros(n) for _ in fields(Ledger)))
        basin = self.plates.basin
        level = basin.float_shut_mm - 0.1 * basin.float_band_mm
        start_us_cm = 0.85 * self.plates.control.bleed_setpoint_us_cm
        self.basin = BasinState(level, np.zeros(n), start_us_cm * basin.area_m2 * level)
        self._control = ControlState(*(np.zeros(n) for _ in fields(ControlState)))
        self._fans = heat.FanState(np.zeros(n), np.ones(n))
        self._fans_age_s = np.zeros(n)
        self._wetness = np.zeros(n)
        self._probe_us_cm = start_us_cm
        self._protection = pump.Protection(np.zeros(n), np.zeros(n))
        self._condensing_degc = np.full(n, 30.0)
        self._basin_degc = np.full(n, 18.0)
        self._ntu = self.plates.coil.ntu
        self._keys = [u.key for u in fleet.units]
        self._site = fleet.site_of_unit

    def _weather(
        self, time_s: FloatArray, effects: dict[str, FloatArray]
    ) -> tuple[WeatherBlock, FloatArray]:
        """Weather at the units' sites, and their load, (k, n)."""
        sites = self.fleet.sites
        first = np.array([int(np.argmax(self._site == s)) for s in range(len(sites))])
        spell = 10.0 * effects["hot_spell"][:, first]
        block = weather(sites, self.scenario.climates, time_s, self.seed, spell)
        at_unit = WeatherBlock(
            *(getattr(block, f.name)[:, self._site] for f in fields(WeatherBlock))
        )
        hour = local_hour(sites, time_s)[:, self._site]
        load = load_frac(self._keys, hour, at_unit.dry_degc, time_s, self.seed)
        off = np.maximum(effects["off"], effects["technician"])
        return at_unit, load * (off == 0.0)

    def _voltage_frac(self, time_s: FloatArray, effects: dict[str, FloatArray]) -> FloatArray:
        streams = np.array(
            [stream_of(self.seed, "mains", u.site) for u in self.fleet.units], dtype=np.uint64
        )
        slow = 0.012 * smooth_noise(streams, time_s, 7200.0)
        fast = 0.004 * smooth_noise(streams + np.uint64(1), time_s, 90.0)
        return np.asarray((1.0 + slow + fast) * (1.0 - 0.2 * effects["sag"]))

    def run(
        self, entries: Sequence[Entry], start_s: float, sample_step_s: float, samples: int
    ) -> PlantBlock:
        """Step on and return the state at ``samples`` times, the first at ``start_s``.

        The state before is taken to be that of one ``sample_step_s`` before ``start_s``; calls with
        adjoining times therefore make one unbroken run. ``sample_step_s`` is above 0. [s]
        """
        per_sample = max(1, int(np.ceil(sample_step_s / INTERNAL_STEP_MAX_S)))
        dt_s = sample_step_s / per_sample
        steps = samples * per_sample
        time_s = start_s - sample_step_s + dt_s * np.arange(1, steps + 1, dtype=np.float64)
        effects = build_effects(entries, time_s, len(self._keys))
        for share, masks in _FAN_SHARES.items():
            effects[share] = self._share_of_fans([effects[name] for name in masks])
        at, load = self._weather(time_s, effects)
        stored = {name: np.empty((samples, len(self._keys))) for name in _LOOPED}
        for k in range(steps):
            row = {name: column[k] for name, column in effects.items()}
            now = self._step(
                float(time_s[k]), dt_s, row, dry=at.dry_degc[k], wet_bulb=at.wet_bulb_degc[k],
                density=at.density_kg_m3[k], rise=at.saturation_rise[k], load=load[k],
            )  # fmt: skip
            if (k + 1) % per_sample == 0:
                sample = k // per_sample
                for name, column in zip(_LOOPED, now, strict=True):
                    stored[name][sample] = column
        every = slice(per_sample - 1, None, per_sample)
        return self._block(
            stored, time_s[every], {n: e[every] for n, e in effects.items()}, at, every
        )

    def _block(
        self,
        stored: dict[str, FloatArray],
        time_s: FloatArray,
        effects: dict[str, FloatArray],
        at: WeatherBlock,
        every: slice,
    ) -> PlantBlock:
        plates = self.plates
        voltage = self._voltage_frac(time_s, effects)
        power = pump.shaft_power_frac(plates.pump, stored["flow_frac"], stored["air_frac"])
        power = power + 0.6 * effects["overload"]
        drawn = pump.motor_current_frac(plates.pump, power, voltage) * stored["running"]
        locked = pump.LOCKED_CURRENT_FRAC * voltage * stored["locked_rotor"]
        pressure = dew_pressure_kpa_abs(stored["condensing_degc"], plates.antoine)
        all_fans = (np.int64(1) << plates.fan_count) - 1
        faulted = effects["fan_fault"].astype(np.int64)
        down = faulted | effects["fan_unproven"].astype(np.int64)
        run = np.where(stored.pop("fans_proven") > 0.0, all_fans & ~down, 0)
        run |= np.where(effects["technician"] > 0.0, 0, effects["fan_on"].astype(np.int64))
        running = stored["running"]
        stored["discharge_kpa"] = stored["discharge_kpa"] * running * plates.pump_pressure_deviation
        return PlantBlock(
            time_s=time_s,
            current_a=(drawn + locked) * plates.rated_current_a,
            voltage_v=voltage * plates.rated_voltage_v,
            fan_run=run.astype(np.float64),
            fan_fault=faulted.astype(np.float64),
            head_kpa_abs=pressure,
            makeup_us_cm=plates.basin.makeup_us_cm * (1.0 + effects["makeup_extra"]),
            ua_frac=1.0 - 0.7 * effects["coil"],
            pad_resistance=1.0 + 5.0 * effects["pad_clog"],
            ambient_degc=at.dry_degc[every],
            rh_pct=at.rh_pct[every],
            **stored,
        )

    def _share_of_fans(self, masks: Sequence[FloatArray]) -> FloatArray:
        """Share of each unit's fans that any of the masks (k, n) names."""
        if not any(mask.any() for mask in masks):
            return masks[0]
        joined = masks[0].astype(np.int64)
        for mask in masks[1:]:
            joined |= mask.astype(np.int64)
        count = np.zeros(joined.shape)
        for bit in range(int(self.plates.fan_count.max())):
            count += (joined >> bit) & 1
        return np.asarray(count / self.plates.fan_count)

    def _protect(
        self, effect: dict[str, FloatArray], dt_s: float, energised: FloatArray,
        running: FloatArray, flow: FloatArray, air_frac: FloatArray,
    ) -> None:  # fmt: skip
        """Step the motors' overload relays, where any motor has cause to heat one."""
        relay = self._protection
        strained = effect["overload"].any() or effect["locked"].any()
        if not (strained or relay.tripped.any()):
            relay.heat[:] = 0.0
            return
        power = pump.shaft_power_frac(self.plates.pump, flow, air_frac) + 0.6 * effect["overload"]
        drawn = pump.motor_current_frac(self.plates.pump, power, np.ones(1)) * running
        locked = pump.LOCKED_CURRENT_FRAC * energised * (effect["locked"] > 0.0)
        # A relay that was opened by a fault since mended is reset with the mending.
        cause = np.maximum(effect["overload"], effect["locked"])
        relay.tripped = relay.tripped * (cause > 0.0)
        pump.step_protection(relay, dt_s, drawn + locked, self.plates.protection_resets)

    def _bleed(
        self, time_s: float, dt_s: float, effect: dict[str, FloatArray],
        conductivity_us_cm: FloatArray, running: FloatArray,
    ) -> FloatArray:  # fmt: skip
        """Step the probe and the bleed that follows it; returns how far the bleed is asked open."""
        fouling = effect["probe_foul"]
        slow = heat.lag(
            self._probe_us_cm, conductivity_us_cm * (1.0 - 0.7 * fouling), dt_s,
            60.0 + _FOULED_PROBE_TAU_S * fouling,
        )  # fmt: skip
        shown = np.where(fouling > 0.0, slow, conductivity_us_cm)
        self._probe_us_cm = shown * (1.0 - 0.995 * (effect["probe_open"] > 0.0))
        return step_bleed(
            self.plates.control, self._control, time_s, self._probe_us_cm, running,
            1.0 + 2.0 * effect["bleed_setpoint"],
        )  # fmt: skip

    def _book(self, flows: BasinFlows, minutes: float) -> None:
        """Add the flows of one step to the ledger."""
        ledger = self.ledger
        ledger.makeup_l += flows.makeup_l_min * minutes
        ledger.evaporation_l += flows.evaporation_l_min * minutes
        ledger.bleed_l += flows.bleed_l_min * minutes
        ledger.drain_l += flows.drain_l_min * minutes
        ledger.overflow_l += flows.overflow_l_min * minutes
        ledger.solids_in += flows.solids_in_l_us_cm
        ledger.solids_out += flows.solids_out_l_us_cm

    def _step(
        self,
        time_s: float,
        dt_s: float,
        effect: dict[str, FloatArray],
        *,
        dry: FloatArray,
        wet_bulb: FloatArray,
        density: FloatArray,
        rise: FloatArray,
        load: FloatArray,
    ) -> tuple[FloatArray, ...]:
        """One internal step; returns the columns that :data:`_LOOPED` names."""
        plates, basin, control = self.plates, self.basin, self._control
        isolated = effect["technician"] > 0.0
        on_duty = (effect["off"] == 0.0) & (effect["dry"] == 0.0)
        forced = effect["flips_active"]
        command = step_control(
            plates.control, control, dt_s,
            air_degc=dry, level_mm=basin.level_mm,
            allow_wet=on_duty * (1.0 - forced * (effect["flips"] == 0.0)),
            force_wet=effect["flips"],
            drain_order=(effect["drain"] > 0.0).astype(np.float64),
        )  # fmt: skip
        energised = command * (effect["pump_stop"] == 0.0) * ~isolated
        energised = energised * (self._protection.tripped == 0.0)
        running = energised * (effect["locked"] == 0.0)

        # Pump
        minimum = plates.pump.minimum_level_mm
        uncovered = (minimum - basin.level_mm) / np.maximum(0.5 * minimum, 5.0)
        air = np.maximum(np.minimum(np.maximum(uncovered, 0.0), 1.0), effect["air"])
        flow, discharge = pump.operating_flow_frac(
            plates.pump, basin.level_mm,
            screen=effect["screen"], distribution=effect["distribution"], air_frac=air,
        )  # fmt: skip
        self._protect(effect, dt_s, energised, running, flow, air)
        flow = flow * running * plates.pump_flow_deviation

        # Pads and air
        wetted = np.minimum(1.0, flow / _PADS_WET_AT_FLOW) * (1.0 - effect["pads"])
        tau = np.where(wetted > self._wetness, 60.0, 200.0)
        self._wetness = heat.lag(self._wetness, wetted, dt_s, tau)
        cooling = plates.pads_effectiveness * self._wetness
        air_on = dry - cooling * (dry - wet_bulb)

        # Coil and fans
        gas_k = 12.0 * effect["gas"]
        shown = self._condensing_degc
        unload = np.minimum(np.maximum((plates.cut_out_degc - 0.6 - shown) / 2.0, 0.3), 1.0)
        load_kw = load * plates.coil.rated_capacity_kw * unload
        setpoint = np.maximum(air_on + 0.78 * plates.coil.rated_td_k, plates.least_condensing_degc)
        speed = heat.control_fans(self._fans, dt_s, shown, setpoint, load)
        commanded = speed > 0.0
        self._fans_age_s = np.where(commanded, self._fans_age_s + dt_s, 0.0)
        proven = (self._fans_age_s >= _PROVEN_AFTER_S) & ~isolated
        stuck_on = effect["fans_on_share"] * ~isolated
        airflow = speed * proven * np.maximum(1.0 - effect["fans_airless_share"] - stuck_on, 0.0)
        kept = heat.airflow_kept_frac(1.0 + 5.0 * effect["pad_clog"])
        airflow = (airflow + stuck_on) * kept
        k_rise = heat.condensing_rise_k(
            plates.coil,
            ntu=self._ntu,
            load_kw=load_kw,
            airflow_frac=airflow,
            density_kg_m3=density,
            coil_loss=effect["coil"],
        )
        self._condensing_degc = heat.lag(shown, air_on + k_rise + gas_k, dt_s, _COIL_TAU_S)

        # Water
        evaporation = 60.0 * density * plates.coil.rated_airflow_m3_s * airflow * cooling * rise
        conductivity = basin.conductivity_us_cm(plates.basin)
        bleed_open = self._bleed(time_s, dt_s, effect, conductivity, running)
        opening = np.maximum(bleed_open, effect["bleed_open"]) * (1.0 - effect["bleed_block"])
        volume = basin.volume_l(plates.basin)
        drained = control.draining * (effect["drain_block"] == 0.0)
        emptied = np.maximum(drained, effect["technician_drain"])
        held_full = plates.basin.area_m2 * plates.basin.pull_down_mm
        flows = step_basin(
            plates.basin, basin, dt_s / 60.0,
            evaporation_l_min=evaporation + plates.surface_evaporation_l_min,
            bleed_l_min=plates.control.bleed_l_min * opening,
            drain_l_min=emptied * volume / 12.0,
            held_target_l=held_full * np.minimum(np.sqrt(flow), 1.0),
            opening_low=np.maximum(effect["valve_low"], 0.15 * effect["leak"]),
            opening_high=1.0 - effect["valve_stop"],
            supply_frac=(1.0 - effect["supply_loss"]) * (emptied == 0.0),
            makeup_us_cm=plates.basin.makeup_us_cm * (1.0 + effect["makeup_extra"]),
        )  # fmt: skip
        self._book(flows, dt_s / 60.0)
        toward = np.where(
            running > 0.0, wet_bulb + 0.8, np.maximum(0.7 * dry + 0.3 * wet_bulb, 0.0)
        )  # standing water that freezes stays at 0 °C
        water_tau = np.where(running > 0.0, 900.0, _WATER_TAU_S)
        self._basin_degc = heat.lag(self._basin_degc, toward, dt_s, water_tau)

        return (
            basin.level_mm, basin.conductivity_us_cm(plates.basin), self._basin_degc,
            running, flow, discharge, air, control.wet, command, speed, airflow, self._wetness,
            self._condensing_degc, air_on, load_kw, flows.makeup_l_min, flows.bleed_l_min,
            flows.evaporation_l_min, self._probe_us_cm, plates.control.bleed_l_min * bleed_open,
            energised - running, proven.astype(np.float64),
        )  # fmt: skip
