"""Units whose condensing side is stepped through time: fans in stages, and fans that cycle.

Each plant is an energy balance of the condensing side. Its airflow law and transfer units are its
own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from support.fleet import row_of_values

from simulator import refrigerant

F = NDArray[np.float64]
CAPACITY_KW, TD_K, AIRFLOW_M3_S, FANS = 300.0, 11.0, 34.0, 5
"""The plate that all of them bear; R134a."""
NTU = 1.0
"""Transfer units of the clean coil at full airflow."""
T0_S = 1_780_272_000  # a Monday


@dataclass(frozen=True)
class Sent:
    """What the units of a plant send."""

    names: Sequence[str]
    times_ms: NDArray[np.int64]
    """(n,)"""
    frames: F
    """(n * units, signals): one frame of each unit in the order of the names, time by time."""
    most_fans: F | None = None
    """Fans that each unit needed at once at most."""


def head_kpa_abs(condensing_degc: F) -> F:
    """Head pressure of units that condense R134a."""
    plate = refrigerant.antoine_columns(["R134a"])
    return np.asarray(refrigerant.dew_pressure_kpa_abs(condensing_degc, plate))


# ---------------------------------------------------------------- stages, far below capacity

FEW_STEP_S, FEW_INNER = 600, 6
FEW_DAYS, FEW_FOULED_FROM_D = 21.0, 11.0
FEW_WARM_DEGC, FEW_COOL_DEGC = 33.5, 31.0
FEW_NAMES: Final = (
    "clean", "coil fouled", "clean, its stages sent", "coil fouled, its stages sent",
)  # fmt: skip


def few_of_many_fans() -> Sent:
    """A large unit with little to do: a step controller holds the condensing temperature between
    two limits by the number of fans. Nothing says the load."""
    k = len(FEW_NAMES)
    rng = np.random.default_rng(11)
    condensing, steps = np.full(k, 32.0), np.full(k, 1.0)
    full_kw_k = CAPACITY_KW / TD_K
    times, frames = [], []
    dt = FEW_STEP_S / FEW_INNER
    most = np.zeros(k)
    for i in range(int(FEW_DAYS * 86_400 / FEW_STEP_S)):
        d = i * FEW_STEP_S / 86_400.0
        ambient = 15.0 + 4.5 * np.sin(2.0 * np.pi * (d - 0.4)) + 1.5 * np.sin(2.0 * np.pi * d / 5)
        load = 0.33 + 0.05 * np.sin(2.0 * np.pi * (d - 0.45)) + 0.03 * np.sin(2.0 * np.pi * 7 * d)
        fouled = np.array([0.0, 1.0, 0.0, 1.0]) * (d > FEW_FOULED_FROM_D)
        ua, clear = 1.0 - 0.5 * fouled, 1.0 - 0.1 * fouled
        wet = float(ambient > 15.5)
        for _ in range(FEW_INNER):
            air = np.maximum(steps / FANS * clear, 0.03)
            reach = (1.0 - np.exp(-NTU * ua * air**-0.4)) / (1.0 - np.exp(-NTU))
            carried = full_kw_k * air * reach * (condensing - ambient + wet * 3.0)
            condensing = condensing + (load * CAPACITY_KW - carried) * dt / (300.0 * full_kw_k)
            up, down = condensing > FEW_WARM_DEGC, condensing < FEW_COOL_DEGC
            steps = np.clip(steps + up - down, 0, FANS)
        most = np.maximum(most, steps)
        head = head_kpa_abs(condensing + 0.1 * rng.standard_normal(k))
        frames += [
            row_of_values({
                "head_pressure": head[u], "ambient_temperature": ambient + 0.1 * rng.normal(),
                "relative_humidity": 60.0 + rng.normal(),
                "fan_run": float(2 ** int(steps[u]) - 1), "fan_fault": 0.0, "wet_mode": wet,
                "pump_command": wet, "pump_current": 3.6 * wet, "basin_level": 165.0 + rng.normal(),
                **({"fan_speed": 100.0 * steps[u] / FANS} if u >= 2 else {}),
            })
            for u in range(k)
        ]  # fmt: skip
        times.append(T0_S * 1000 + int(i * FEW_STEP_S * 1000))
    return Sent(FEW_NAMES, np.array(times), np.array(frames), most)


# ---------------------------------------------------------------- stages

STEPPED_STEP_S, STEPPED_INNER = 150, 10
# By then the gauge of the pads is learned, at whatever phase of the hour.
STEPPED_DAYS, STEPPED_FOULED_FROM_D = 9.5, 5.0
STEPPED_NAMES: Final = (
    "clean", "coil fouled", "pads clogged", "common speed", "common speed, a proof flickers",
)  # fmt: skip


def stepped_fans() -> Sent:
    """A step controller holds the condensing temperature between two limits by the number of fans;
    beside it stand banks at a common speed that send no command."""
    k = len(STEPPED_NAMES)
    warm, cool = 39.0, 34.0  # °C
    rng = np.random.default_rng(7)
    condensing, steps = np.full(k, 37.0), np.full(k, 4.0)
    full_kw_k = CAPACITY_KW / TD_K
    times, frames = [], []
    dt = STEPPED_STEP_S / STEPPED_INNER
    for i in range(int(STEPPED_DAYS * 86_400 / STEPPED_STEP_S)):
        d = i * STEPPED_STEP_S / 86_400.0
        ambient = 22.0 + 5.0 * np.sin(2.0 * np.pi * (d - 0.4)) + 2.0 * np.sin(2.0 * np.pi * d / 5)
        load = 0.62 + 0.12 * np.sin(2.0 * np.pi * (d - 0.45)) + 0.05 * np.sin(2.0 * np.pi * 7 * d)
        worn = np.clip((d - STEPPED_FOULED_FROM_D) / np.array([3.4, 3.4, 2.0, 3.4, 3.4]), 0.0, 1.0)
        ua = 1.0 - np.array([0.0, 0.42, 0.0, 0.0, 0.0]) * worn
        shut = 1.0 + np.array([0.0, 0.0, 2.6, 0.0, 0.0]) * worn
        wet = np.array([0.0, 0.0, 1.0, 0.0, 0.0])
        for _ in range(STEPPED_INNER):
            # Fans at a common speed meet the temperature between the limits; steps follow it.
            smooth = np.clip((condensing - cool) / (warm - cool), 0.2, 1.0)
            share = np.where(np.arange(k) < 3, steps / FANS, smooth)
            air = share * shut ** (-1.0 / 3.0)
            reach = (1.0 - np.exp(-NTU * ua * air**-0.4)) / (1.0 - np.exp(-NTU))
            carried = full_kw_k * air * reach * (condensing - ambient + wet * 4.0)
            condensing = condensing + (load * CAPACITY_KW - carried) * dt / (300.0 * full_kw_k)
        steps = np.clip(steps + (condensing > warm) - (condensing < cool), 1, FANS)
        running = np.where(np.arange(k) < 3, share * FANS, FANS)
        running[4] -= rng.random() < 0.3
        head = head_kpa_abs(condensing + 0.1 * rng.standard_normal(k))
        for u in range(k):
            values = {
                "head_pressure": head[u], "ambient_temperature": ambient + 0.1 * rng.normal(),
                "relative_humidity": 50.0 + rng.normal(),
                "fan_run": float(2 ** int(running[u]) - 1), "fan_fault": 0.0, "wet_mode": wet[u],
                "pump_command": wet[u], "pump_current": 3.6 * wet[u],
                "basin_level": 165.0 + rng.normal() if wet[u] else 5.0,
                "heat_load": CAPACITY_KW * load * (1.0 + 0.02 * rng.normal()),
            }  # fmt: skip
            if u == 2:
                values["pad_pressure_drop"] = 40.0 * air[u] ** 2 * shut[u] + 0.5 * rng.normal()
            frames.append(row_of_values(values))
        times.append(T0_S * 1000 + int(i * STEPPED_STEP_S * 1000))
    return Sent(STEPPED_NAMES, np.array(times), np.array(frames))


# ---------------------------------------------------------------- all together, on and off

CYCLING_STEP_S, CYCLING_INNER = 150, 10
CYCLING_DAYS, CYCLING_COOL_FROM_D, CYCLING_FOULED_FROM_D = 7.0, 2.8, 3.2
CYCLING_HOLDS_K = 4.0
"""The switch starts the fans 4 K above the temperature at which it stops them (common practice)."""
CYCLING_NAMES: Final = (
    "hot, then cool", "cool, then hot", "coil fouled", "pads clogged", "sends no load",
)  # fmt: skip


def cycling_fans() -> Sent:
    """A pressure switch turns all fans on and off; the weather changes by 9 K once the clean state
    is learned."""
    k = len(CYCLING_NAMES)
    rng = np.random.default_rng(11)
    condensing, on = np.full(k, 38.0), np.ones(k, dtype=bool)
    full_kw_k = CAPACITY_KW / TD_K
    mass_kj_k = 300.0 * full_kw_k
    times, frames = [], []
    dt = CYCLING_STEP_S / CYCLING_INNER
    for i in range(int(CYCLING_DAYS * 86_400 / CYCLING_STEP_S)):
        d = i * CYCLING_STEP_S / 86_400.0
        turn = 9.0 / (1.0 + np.exp(-(d - CYCLING_COOL_FROM_D) * 12.0))
        mean = np.array([27.0 - turn, 18.0 + turn, 27.0 - turn, 27.0 - turn, 27.0 - turn])
        ambient = mean + 4.0 * np.sin(2.0 * np.pi * (d - 0.4))
        load = 0.62 + 0.1 * np.sin(2.0 * np.pi * (d - 0.45)) + 0.006 * (ambient - 22.0)
        ua = np.ones(k)
        ua[2] = 1.0 - 0.42 * np.clip((d - CYCLING_FOULED_FROM_D) / 3.6, 0.0, 1.0)
        shut = np.ones(k)
        shut[3] = 1.0 + 2.6 * np.clip((d - CYCLING_FOULED_FROM_D) / 2.0, 0.0, 1.0)
        wet = np.array([0.0, 0.0, 0.0, 1.0, 0.0])
        on_coil = ambient - wet * 4.0
        air = np.where(wet > 0, shut ** (-1.0 / 3.0), 1.0)
        reach = (1.0 - np.exp(-NTU * ua * air**-0.4)) / (1.0 - np.exp(-NTU))
        for _ in range(CYCLING_INNER):
            stays = np.where(condensing < 38.0 - CYCLING_HOLDS_K, False, on)
            on = np.where(condensing > 38.0, True, stays)
            carried = full_kw_k * np.where(on, air * reach, 0.04) * (condensing - on_coil)
            condensing = condensing + (load * CAPACITY_KW - carried) * dt / mass_kj_k
        drop = 40.0 * (on * air) ** 2 * shut
        head = head_kpa_abs(condensing + 0.1 * rng.standard_normal(k))
        for u in range(k):
            values = {
                "head_pressure": head[u], "ambient_temperature": ambient[u] + 0.1 * rng.normal(),
                "relative_humidity": 50.0 + rng.normal(), "fan_speed": 100.0 * on[u],
                "fan_run": 31.0 * on[u], "fan_fault": 0.0, "wet_mode": wet[u],
                "pump_command": wet[u], "pump_current": 3.6 * wet[u],
                "basin_level": 165.0 + rng.normal() if wet[u] else 5.0,
            }  # fmt: skip
            if u != 4:
                values["heat_load"] = CAPACITY_KW * load[u] * (1.0 + 0.02 * rng.normal())
            if u == 3:
                values["pad_pressure_drop"] = drop[u] + 0.5 * rng.normal()
            frames.append(row_of_values(values))
        times.append(T0_S * 1000 + int(i * CYCLING_STEP_S * 1000))
    return Sent(CYCLING_NAMES, np.array(times), np.array(frames))
