"""Five-minute figures of a unit over some days, with its wear chosen, for proofs of cleanings.

A little plant of its own: weather with day and night, load with the weather, pump and coil by
textbook laws. Nothing of it comes from the rules.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.signals import INDEX, N_SIGNALS

__all__ = ["BIN_MS", "days_of"]

BIN_MS: Final = 300_000


def days_of(
    start_ms: int,
    days: float,
    *,
    seed: int,
    flow: float = 1.0,
    holes: float = 1.0,
    coil: float = 1.0,
    drop: float = 1.0,
    warmer_k: float = 0.0,
    stages: int = 0,
    without: tuple[str, ...] = (),
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Times (n,) and readings (n, signals), one each five minutes.

    ``flow`` is what the screen lets through and ``holes`` the open area of the distribution, over
    clean; ``coil`` the condensing temperature above air, ``drop`` the air's resistance, over clean;
    ``warmer_k`` another weather. With ``stages`` so many of the four fans run, at full speed.
    """
    rng = np.random.default_rng(seed)
    n = int(days * 288)
    time_ms = start_ms + np.arange(n, dtype=np.int64) * BIN_MS
    hour = time_ms / 3_600_000.0 % 24.0
    ambient = 22.0 + warmer_k + 7.0 * np.sin((hour - 9.0) * np.pi / 12.0) + _wander(rng, n, 1.5)
    humidity = np.clip(60.0 - 2.0 * (ambient - 20.0) + _wander(rng, n, 4.0), 15.0, 95.0)
    wet = (hour >= 9.0) & (hour < 21.0)
    load = 150.0 * (1.0 + 0.012 * (ambient - 20.0)) * np.exp(_wander(rng, n, 0.05))
    speed = np.clip(55.0 + 1.5 * (ambient - 20.0), 40.0, 100.0)
    if stages:
        speed = np.full(n, 25.0 * stages)
    bulb = ambient - (100.0 - humidity) / 6.5  # a rough rule; the rules have their own
    on_coil = np.where(wet, ambient - 0.8 * (ambient - bulb), ambient)
    # Effectiveness and NTU with one side isothermal (Kays and London): 1.8 units at full airflow,
    # UA as flow to the power 0.6. The mass of air falls with its temperature.
    air = speed / 100.0 * 293.15 / (273.15 + ambient)
    share = air * (1.0 - np.exp(-1.8 * air**-0.4)) / (1.0 - np.exp(-1.8))
    td = 10.0 * coil * (load / 300.0) / share
    condensing = on_coil + td + rng.normal(0.0, 0.15, n)
    # R134a between 20 and 60 °C, ln p linear in 1/T through 572 kPa at 20 °C, 1682 kPa at 60 °C.
    slope = np.log(1682.0 / 572.0) / (1.0 / 293.15 - 1.0 / 333.15)
    pressure = 572.0 * np.exp(slope * (1.0 / 293.15 - 1.0 / (condensing + 273.15)))
    through = flow * holes**0.5
    values = {
        "pump_current": np.where(wet, 3.6 * (0.62 + 0.38 * through), 0.0)
        + np.where(wet, rng.normal(0.0, 0.04, n), 0.0),
        "spray_pressure": np.where(wet, 58.0 * (through / holes) ** 2, 0.0)
        + rng.normal(0.0, 0.4, n),
        "supply_voltage": 400.0 + _wander(rng, n, 3.0),
        "head_pressure": pressure,
        "ambient_temperature": ambient,
        "relative_humidity": humidity,
        "fan_speed": speed,
        "fan_run": np.full(n, 2.0**stages - 1.0 if stages else 15.0),
        "fan_fault": np.zeros(n),
        "heat_load": load,
        "wet_mode": wet.astype(np.float64),
        "pump_command": wet.astype(np.float64),
        "basin_level": np.full(n, 165.0) + rng.normal(0.0, 0.8, n),
        "conductivity": np.full(n, 900.0) + _wander(rng, n, 20.0),
        "pad_pressure_drop": np.where(wet, 25.0 * drop * (speed / 100.0) ** 2, 6.0)
        + rng.normal(0.0, 0.4, n),
    }
    out = np.full((n, N_SIGNALS), np.nan)
    for name, column in values.items():
        if name not in without:
            out[:, INDEX[name]] = column
    return time_ms, out


def _wander(rng: np.random.Generator, n: int, sd: float) -> NDArray[np.float64]:
    """What comes and goes over some hours."""
    steps = rng.normal(0.0, 1.0, n)
    out = np.empty(n)
    now = 0.0
    for i in range(n):
        now = 0.98 * now + 0.2 * steps[i]
        out[i] = now
    return sd * out
