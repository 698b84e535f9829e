"""The machines: what the nameplate says, what is true, how the unit is controlled and watched.

Each machine is drawn at random, columns over units. Nameplate and truth differ as they do in the
field: a pump's duty within 5 %, a coil within 10 %, a motor's data sheet rounded.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
from CoolProp.CoolProp import PropsSI
from numpy.typing import NDArray

from .climate import CLIMATES, Climate

__all__ = ["CP_AIR", "G_KPA_M", "Design", "Site", "design", "head_kpa_abs", "saturation_table"]

Array = NDArray[np.float64]
CP_AIR: Final = 1.006  # kJ/(kg K), dry air near 25 °C
G_KPA_M: Final = 9.79  # kPa per metre of water at 20 °C
SATURATION_DEGC: Final = np.arange(-25.0, 70.1, 1.0)
BLENDS: Final = {"R404A", "R407A", "R448A", "R449A", "R513A"}
FLUIDS: Final = ("R717", "R134a", "R448A", "R449A", "R513A", "R404A", "R407A")

FULL: Final = (
    "basin_level", "conductivity", "basin_temperature", "pump_current", "supply_voltage",
    "spray_pressure", "spray_flow", "head_pressure", "ambient_temperature", "relative_humidity",
    "fan_speed", "fan_run", "fan_fault", "pump_command", "wet_mode", "makeup_flow", "bleed_flow",
    "pad_pressure_drop", "heat_load",
)  # fmt: skip
TYPICAL: Final = tuple(
    s for s in FULL
    if s not in {"supply_voltage", "spray_flow", "makeup_flow", "bleed_flow", "pad_pressure_drop"}
)  # fmt: skip
LEAN: Final = (
    "basin_level", "conductivity", "basin_temperature", "pump_current", "head_pressure",
    "ambient_temperature", "relative_humidity", "fan_speed", "fan_run", "fan_fault",
    "pump_command",
)  # fmt: skip
POOR: Final = (
    "basin_level", "conductivity", "pump_current", "head_pressure", "ambient_temperature",
    "fan_run", "pump_command",
)  # fmt: skip


@lru_cache
def saturation_table(fluid: str) -> tuple[float, ...]:
    """Dew pressures at :data:`SATURATION_DEGC`, of CoolProp. [kPa absolute]

    Above 62 °C its solver fails for some blends; there ln p goes on straight in 1/T.
    """
    name = f"{fluid}.mix" if fluid in BLENDS else fluid
    safe = SATURATION_DEGC[SATURATION_DEGC <= 62]
    found = [PropsSI("P", "T", t + 273.15, "Q", 1, name) / 1000 for t in safe]
    inverse = 1 / (SATURATION_DEGC + 273.15)
    slope = np.log(found[-1] / found[-9]) / (inverse[safe.size - 1] - inverse[safe.size - 9])
    rest = found[-1] * np.exp(slope * (inverse[safe.size :] - inverse[safe.size - 1]))
    return (*found, *(float(p) for p in rest))


def head_kpa_abs(fluid: str, condensing_degc: Array) -> Array:
    """Dew pressure (n,) at the condensing temperature, linear in 1 K between CoolProp's points.

    [kPa abs]; clipped to -25..70 °C, beyond which no plant of this kind runs.
    """
    logs = np.log(saturation_table(fluid))
    return np.asarray(np.exp(np.interp(condensing_degc, SATURATION_DEGC, logs)))


@dataclass(frozen=True)
class Site:
    """One site, its climate and the numbers of its units in the columns."""

    id: str
    climate: Climate
    makeup_us_cm: float
    units: tuple[int, ...]


@dataclass
class Design:
    """Columns (n_units,) of truth and control, and the nameplates and signals by unit."""

    sites: list[Site]
    ids: list[str]
    site_of: NDArray[np.int64]
    fluids: list[str]
    nameplates: list[dict[str, Any]]
    signals: list[tuple[str, ...]]
    step_s: Array
    uneven: NDArray[np.bool_]
    col: dict[str, Array]

    @property
    def n(self) -> int:
        """Number of units."""
        return len(self.ids)

    def climate(self, unit: int) -> Climate:
        """The climate that a unit stands in."""
        return self.sites[int(self.site_of[unit])].climate


def _round(value: float, step: float) -> float:
    return round(round(value / step) * step, 6)


def design(n_units: int, step_s: float | None, rng: np.random.Generator) -> Design:
    """Draw ``n_units`` machines on sites of three to six units, all climates in turn."""
    per_site = 5 if n_units >= 20 else 3
    sites: list[Site] = []
    site_of = np.arange(n_units) // per_site
    for s in range(int(site_of[-1]) + 1):
        members = tuple(int(u) for u in np.flatnonzero(site_of == s))
        makeup = _round(rng.uniform(140, 620), 10)
        sites.append(Site(f"plot-{s + 1:02d}", CLIMATES[s % len(CLIMATES)], makeup, members))
    names = [f"cu-{u - sites[int(site_of[u])].units[0] + 1}" for u in range(n_units)]
    rows, plates, fluids, signals = [], [], [], []
    for u in range(n_units):
        fluid = FLUIDS[int(rng.integers(len(FLUIDS)))]
        row, plate = _unit(sites[int(site_of[u])], fluid, rng)
        rows.append(row)
        plates.append(plate)
        fluids.append(fluid)
        kind = (TYPICAL, FULL, TYPICAL, LEAN, TYPICAL, FULL, POOR)[(u + u // 7) % 7]
        dropped = {s for s in ("spray_pressure", "heat_load", "basin_temperature", "wet_mode")
                   if rng.random() < 0.12}  # fmt: skip
        signals.append(tuple(s for s in kind if s not in dropped))
    steps = np.array([60.0, 120.0, 300.0, 60.0, 120.0])[np.arange(n_units) % 5]
    return Design(
        sites, names, site_of, fluids, plates, signals,
        steps if step_s is None else np.full(n_units, step_s),
        rng.random(n_units) < 0.25,
        {key: np.array([row[key] for row in rows]) for key in rows[0]},
    )  # fmt: skip


def _unit(
    site: Site, fluid: str, rng: np.random.Generator
) -> tuple[dict[str, float], dict[str, Any]]:
    u = rng.uniform
    climate = site.climate
    capacity, td = _round(u(90, 700), 5), _round(u(8, 13), 0.5)
    effect = u(0.58, 0.72)
    air_m3_s = _round(capacity / (effect * 1.15 * CP_AIR * td), 0.1)
    fans = int(np.clip(round(air_m3_s / u(4, 7)), 2, 16))
    pads = _round(u(0.72, 0.88), 0.01)
    cycles = _round(u(2.2, 4.5), 0.5)
    # Water: what the pads evaporate in the climate's hardest hour, and the bleed for the cycles.
    hardest = {"hot-dry": 0.0085, "temperate": 0.0045, "cold": 0.0043, "hot-humid": 0.0050}
    evaporation = air_m3_s * 1.13 * pads * hardest[climate.name] * 60
    typical = 0.55 * evaporation
    makeup = evaporation * (1 + 1 / (cycles - 1)) * u(1.9, 2.6)
    band = _round(u(20, 40), 5)
    area = max(makeup * u(2.6, 3.4) / band, 0.35)
    minimum = _round(u(60, 90), 5)
    shut = minimum + band + _round(u(45, 80), 5)
    overflow = shut + _round(u(40, 60), 5)
    pull_down = _round(u(12, 28), 1)
    flow = _round(air_m3_s * u(5.5, 8.0), 1)
    header_m, duty_m = u(2.2, 3.2), u(5.5, 8.5)
    shaft_w = 9790 * flow / 60_000 * duty_m / u(0.42, 0.55)
    volts = 400.0 if climate.utc_offset_h >= 0 else 460.0
    magnetising, shutoff = u(0.33, 0.55), u(0.42, 0.6)
    amps = max(shaft_w / (0.78 * 0.8 * 1.732 * volts), 0.7)
    target = site.makeup_us_cm * cycles
    # Room between the hottest design hour in dry air and the cut-out.
    hot = climate.mean_degc + climate.swing_k + 2.2 * climate.fronts_k + 8 + td
    cut_out = float(head_kpa_abs(fluid, np.array([np.clip(hot + 5, 50.0, 65.0)]))[0])
    limit = _round(target * u(1.8, 2.2), 50)
    plate: dict[str, Any] = {
        "basin": {
            "area_m2": round(area, 2), "depth_mm": overflow + 50, "float_shut_mm": shut,
            "float_band_mm": band, "overflow_mm": overflow, "pump_minimum_mm": minimum,
            "makeup_max_l_min": round(makeup, 1), "pull_down_mm": pull_down,
        },
        "pump": {
            "rated_current_a": round(amps, 1 if amps > 2 else 2), "rated_voltage_v": volts,
            "rated_flow_l_min": flow, "rated_pressure_kpa": _round(G_KPA_M * duty_m, 1),
            "magnetising_current_frac": _round(magnetising, 0.05),
            "shutoff_power_frac": _round(shutoff, 0.05),
        },
        "fans": {"count": fans, "rated_airflow_m3_s": air_m3_s},
        "pads": {"effectiveness_frac": pads},
        "condenser": {
            "refrigerant": fluid, "rated_capacity_kw": capacity, "rated_td_k": td,
            "cut_out_kpa_abs": round(cut_out),
        },
        "water": {
            "makeup_conductivity_us_cm": site.makeup_us_cm, "conductivity_limit_us_cm": limit,
            "target_cycles": cycles,
        },
    }  # fmt: skip
    staged = rng.random() < 0.3
    row = {
        "area": area * u(0.97, 1.03), "shut": shut + u(-3, 3), "band": band, "overflow": overflow,
        "minimum": minimum, "makeup_max": makeup * u(0.92, 1.1),
        "hold_l": pull_down * area * u(0.9, 1.1),
        "float_on_off": float(rng.random() < 0.35), "lip_m": max(area * 0.3, 0.2),
        "flow": flow * u(0.96, 1.04), "duty_m": duty_m * u(0.97, 1.03), "header_m": header_m,
        "shut_head": u(1.22, 1.42), "curve": u(0.1, 0.4), "amps": amps * u(0.93, 1.07),
        "magnetising": magnetising, "shutoff": shutoff, "power_bend": u(0.9, 1.2), "volts": volts,
        "small_motor": float(amps < 2.5),
        "fans": float(fans), "air_kg_s": air_m3_s * 1.13 * u(0.95, 1.03),
        "eps": pads + u(-0.03, 0.03),
        "capacity": capacity, "td": td, "effect": effect * u(0.92, 1.06), "cut_out": round(cut_out),
        "air_share": u(0.55, 0.75), "air_power": u(0.55, 0.7),
        "makeup_c": site.makeup_us_cm * u(0.96, 1.04), "target_c": target * u(0.93, 1.04),
        "limit_c": limit,
        "bleed_kind": float(rng.integers(3)), "typical_evap": typical, "cycles": cycles,
        "bleed_max": evaporation / (cycles - 1) * u(1.6, 2.2),
        "regular_bleed": 0.5 * evaporation / (cycles - 1) * u(0.92, 1.08),
        "staged": float(staged), "floating": float(rng.random() < 0.55),
        "td_set": td * u(0.8, 0.95),
        "tc_min": {"cold": u(18, 24), "temperate": u(22, 28)}.get(climate.name, u(27, 32)),
        "wet_on": climate.wet_on_degc + u(-0.8, 1.0), "wet_gap": u(1.5, 3.0),
        "drain_after_h": float(rng.choice([2.0, 8.0, 18.0, 1e9])), "fresh_every_h": u(7, 11),
        "drain_min": u(8, 18), "load_base": u(0.35, 0.5), "load_swing": u(0.2, 0.35),
        "night_off": float(rng.random() < 0.35), "weekend": u(0.55, 0.95),
        "pad_dp": u(18, 35), "lead_fan": float(rng.integers(fans)),
    }  # fmt: skip
    return row, plate
