"""A little condensing plant of the tests' own, solved in closed form at each sample.

It shares no formula with the rules: UA goes as airflow to the 0.62 (theirs: 0.5), each unit's NTU,
pads and sensors are off from the nameplate, wetted pads throttle the air, and a controller floats
the condensing temperature by the fans' common speed. Load follows hour, weekday and weather.
Refrigerant and moist air are the simulator's (Antoine fit, Buck's equation).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rules.signals import INDEX, N_SIGNALS
from simulator import air, refrigerant

F = NDArray[np.float64]
STEP_S: Final = 600.0
T0_S: Final = 1_780_272_000  # 2026-06-01 00:00 UTC, a Monday
FANS: Final = 5
CAPACITY_KW, AIRFLOW_M3_S, TD_K = 300.0, 34.0, 11.0


def ramp(start_d: float, days: float, height: float) -> Callable[[F], F]:
    """0 before ``start_d``, then a straight rise over ``days`` to ``height``."""
    return lambda d: height * np.clip((d - start_d) / max(days, 1e-9), 0.0, 1.0)


def never(d: F) -> F:
    """Nothing at any time."""
    return np.zeros_like(d)


@dataclass(frozen=True)
class Scene:
    """One unit and what happens to it. Functions are of days since the start."""

    name: str
    coil_loss: Callable[[F], F] = never
    """Share of UA lost."""
    effect_loss: Callable[[F], F] = never
    """Share of the pads' effect lost."""
    pads_shut: Callable[[F], F] = never
    """Rise of the pads' resistance; the air falls by a third of its root."""
    fans_lost: Callable[[F], F] = never
    """Fans that move no air."""
    proof_lost: Callable[[F], F] = never
    """Chance that one fan is not proven at a sample."""
    warmer_k: Callable[[F], F] = never
    intake_k: Callable[[F], F] = never
    """Own warm air that the wind lays before the intake, where nothing measures it."""
    gas_kpa: Callable[[F], F] = never
    """Partial pressure of gas that does not condense: it adds to the refrigerant's (Dalton)."""
    held_k: float = 0.8 * TD_K
    """Above the air on the coil the fans hold the condensing temperature there, where they can."""
    more_load: Callable[[F], F] = never
    off: Callable[[F], F] = never
    mode: Callable[[F, F], F] | None = None
    """(days, ambient) to 0 or 1; by temperature if left out."""
    without: tuple[str, ...] = ("heat_load", "pad_pressure_drop")
    load_from_d: float = 0.0
    """The day on which the unit begins to send its heat load."""
    wetted_rise: float = 0.12
    """By how much wetted pads hold back more than dry ones."""
    only_whether: bool = False
    """Its command is all or nothing, whatever its fans do."""
    mean_degc: float = 21.0
    seed: int = 0
    shows: str = ""
    """The fault to be raised; empty: none."""


def _saw(values: F, on: float, off: float) -> F:
    out = np.empty_like(values)
    state = 0.0
    for i, v in enumerate(values.tolist()):
        state = 1.0 if v > on else 0.0 if v < off else state
        out[i] = state
    return out


def measured(scene: Scene, days: float) -> F:
    """The unit's frames, (n, signals)."""
    rng = np.random.default_rng([scene.seed, len(scene.name)])
    d = np.arange(0.0, days, STEP_S / 86_400.0)
    hour, weekday = (d * 24.0) % 24.0, np.floor(d) % 7
    front = 2.5 * np.sin(2 * np.pi * (d / 5.3 + rng.random()))
    ambient = scene.mean_degc + 6.5 * np.cos(2 * np.pi * (hour - 15.0) / 24.0) + front
    dew = scene.mean_degc - 10.0 + 1.5 * np.sin(2 * np.pi * (d / 3.7 + rng.random()))
    ambient = ambient + scene.warmer_k(d)
    pressure = np.asarray(air.barometric_kpa(0.0))
    vapour = air.sat_vapour_kpa(np.minimum(dew, ambient - 0.5))
    rh = 100.0 * vapour / air.sat_vapour_kpa(ambient)
    bulb = air.wet_bulb_degc(ambient, rh, pressure)

    open_hours = np.clip(np.minimum(hour - 6.0, 22.0 - hour) / 2.0, 0.0, 1.0)
    load = 0.42 + 0.16 * open_hours - 0.08 * (weekday >= 5) + 0.009 * (ambient - 20.0)
    knots = np.arange(0.0, days + 1.0, 0.04)
    load = load + 0.04 * np.interp(d, knots, rng.standard_normal(len(knots)))
    load = np.clip(load * (1.0 + scene.more_load(d)), 0.1, 1.25)

    wet = _saw(ambient, 24.0, 21.5) if scene.mode is None else scene.mode(d, ambient)
    effect = rng.uniform(0.72, 0.86) * (1.0 - scene.effect_loss(d))
    intake = ambient + scene.intake_k(d)
    bulb_there = bulb + 0.35 * scene.intake_k(d)
    on_coil = intake - wet * effect * (intake - bulb_there)
    ntu = rng.uniform(0.8, 1.4)
    rated = CAPACITY_KW / (TD_K * AIRFLOW_M3_S * 1.2 * 1.006 * (1.0 - np.exp(-ntu)))
    air_share = (1.0 - scene.fans_lost(d) / FANS) * (1.0 - 0.06 * wet)
    air_share = air_share / (1.0 + scene.pads_shut(d)) ** (1.0 / 6.0)

    target = np.maximum(on_coil + scene.held_k, 27.0)
    speeds = np.linspace(0.25, 1.0, 76)[:, None]
    flow = speeds * air_share
    density = 353.0 / (273.15 + on_coil)
    reach = 1.0 - np.exp(-ntu * (1.0 - scene.coil_loss(d)) * flow**-0.38)
    carried = rated * density * 1.006 * AIRFLOW_M3_S * flow * reach
    condensing = on_coil + CAPACITY_KW * load / carried
    plate = refrigerant.antoine_columns(["R134a"])
    gas = scene.gas_kpa(d)
    if gas.any():
        # What the transmitter reads, and the controller takes for the condensing temperature.
        degc = np.linspace(-20.0, 90.0, 2_201)
        kpa = refrigerant.dew_pressure_kpa_abs(degc, plate)
        condensing = np.interp(np.interp(condensing, degc, kpa) + gas, kpa, degc)
    speed_at = np.argmin(np.where(condensing <= target, speeds, 2.0 - speeds), axis=0)
    pick = np.arange(len(d))
    speed, condensing = speeds[speed_at, 0], condensing[speed_at, pick]

    out = np.full((len(d), N_SIGNALS), np.nan)

    def put(name: str, values: F | float, noise: float = 0.0) -> None:
        if name not in scene.without:
            out[:, INDEX[name]] = values + noise * rng.standard_normal(len(d))

    head = refrigerant.dew_pressure_kpa_abs(condensing, plate)
    running = 1.0 - scene.off(d)
    lost = rng.random(len(d)) < scene.proof_lost(d)
    run = np.where(lost, 2**FANS - 2, 2**FANS - 1)
    dead = rng.uniform(-0.3, 0.3)
    put("head_pressure", np.where(running > 0, head * rng.uniform(0.99, 1.01), 600.0), 4.0)
    put("ambient_temperature", ambient + dead, 0.2)
    put("relative_humidity", np.clip(rh * rng.uniform(0.95, 1.05), 3.0, 99.0))
    put("fan_speed", np.where(scene.only_whether, 100.0, np.round(100.0 * speed)) * running)
    put("fan_run", run * running)
    put("fan_fault", 0.0)
    put("wet_mode", wet * running)
    put("pump_command", wet * running)
    on = wet * running
    put("pump_current", (3.6 + 0.02 * rng.standard_normal(len(d))) * on)
    put("spray_pressure", 58.0 * wet * running + 0.3 * rng.standard_normal(len(d)))
    put("heat_load", CAPACITY_KW * load * running * rng.uniform(0.94, 1.06))
    out[:, INDEX["heat_load"]] *= 1.0 + 0.03 * rng.standard_normal(len(d))
    out[d < scene.load_from_d, INDEX["heat_load"]] = np.nan
    drop = (
        40.0
        * (speed * air_share) ** 1.75
        * (1.0 + scene.pads_shut(d))
        * (1.0 + scene.wetted_rise * wet)
    )
    put("pad_pressure_drop", drop * running, 1.2)
    return out


PLATE: Final[dict[str, Any]] = {
    "fans": {"count": FANS, "rated_airflow_m3_s": AIRFLOW_M3_S},
    "condenser": {"refrigerant": "R134a", "rated_capacity_kw": CAPACITY_KW, "rated_td_k": TD_K,
                  "cut_out_kpa_abs": 2000},
}  # fmt: skip
"""What a scene's unit bears."""


def near_cut_out(cut_out_kpa_abs: float) -> dict[str, Any]:
    """The part of a plate that says at which head pressure the unit is shut down."""
    return {"condenser": {**PLATE["condenser"], "cut_out_kpa_abs": cut_out_kpa_abs}}


def times_ms(days: float) -> NDArray[np.int64]:
    """When the frames of so many days were taken."""
    count = len(np.arange(0.0, days, STEP_S / 86_400.0))
    return T0_S * 1000 + (np.arange(count) * STEP_S * 1000).astype(np.int64)
