"""A basin for tests, integrated in small steps by its own balance, as five-minute means."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.consumption import FaultSpan, Trace
from rules.consumption.trace import STEP_MS
from support.fleet import T0_MS, site, unit_data

DAY_BINS = 288
AMBIENT_DEGC, HUMIDITY_PCT = 35.0, 30.0
EVAPORATION_L_MIN = 365.1 / 60.0 / 0.998
"""Check value P24: 20 m³/s, 35 °C, 30 %, effectiveness 0.8 evaporate 365.1 kg/h (PsychroLib)."""


@dataclass(frozen=True)
class Told:
    """What really flowed in the whole time. [L]"""

    evaporated: float
    bled: float
    spilt: float
    came: float
    stored: float


def basin(
    days: int, bleed_l_min: float, *, spill_l_min: float = 0.0, air: float = 1.0,
    start_cycles: float = 3.0, wet: NDArray[np.bool_] | None = None,
) -> tuple[dict[str, NDArray[np.float64]], Told]:  # fmt: skip
    """Means of a basin with a float valve, an exact meter on every line, and even hot weather.

    The level is held by the make-up, or stands at the lip where water spills. One Euler step is a
    second of the plant: the errors of integration are far below those of any meter.
    """
    n = days * DAY_BINS
    runs = np.ones(n, dtype=bool) if wet is None else wet
    area, shut, c_m = 2.0, 180.0, 300.0
    volume = area * (shut + 20.0)
    c = start_cycles * c_m
    out = {name: np.zeros(n) for name in ("conductivity", "makeup_flow", "bleed_flow")}
    sums = np.zeros(4)
    per = 300
    for i in range(n):
        e = EVAPORATION_L_MIN * air if runs[i] else 0.0
        b = bleed_l_min if runs[i] else 0.0
        s = spill_l_min if runs[i] else 0.0
        m = e + b + s
        # dC/dt at constant volume, solved exactly over the five minutes.
        k = (b + s) / volume
        minutes = per / 60.0
        if k > 1e-9:  # a basin in a thousand years: nothing leaves
            end = m * c_m / (b + s)
            new = end + (c - end) * np.exp(-k * minutes)
            mean = end + (c - end) * (1.0 - np.exp(-k * minutes)) / (k * minutes)
        else:
            new = c + m * c_m / volume * minutes
            mean = 0.5 * (c + new)
        out["conductivity"][i], out["makeup_flow"][i], out["bleed_flow"][i] = mean, m, b
        sums += np.array([e, b, s, m]) * minutes
        c = float(new)
    run = runs.astype(float)
    out |= {
        "ambient_temperature": np.full(n, AMBIENT_DEGC),
        "relative_humidity": np.full(n, HUMIDITY_PCT),
        "pump_current": 4.0 * run, "pump_command": run, "wet_mode": run,
        "fan_speed": np.full(n, 100.0 * air), "fan_run": np.full(n, 15.0),
        "basin_level": np.full(n, 240.0 if spill_l_min else 170.0),
    }  # fmt: skip
    return out, Told(*(float(v) for v in sums), 0.0)


def trace(
    mean: dict[str, NDArray[np.float64]], *, without: tuple[str, ...] = (), **unit: object
) -> Trace:
    """The trace of the tests' unit with these means, some signals not sent."""
    kept = {name: values for name, values in mean.items() if name not in without}
    n = len(next(iter(kept.values())))
    at = T0_MS + STEP_MS * np.arange(n, dtype=np.int64)
    there = site(units=[unit_data(**unit)])
    return Trace.of(there, there.units[0], T0_MS, T0_MS + n * STEP_MS, at, kept, np.zeros(n))


def span(fault: str, first_bin: int, last_bin: int) -> FaultSpan:
    """An alarm over these bins, the last not among them."""
    return FaultSpan(fault, T0_MS + first_bin * STEP_MS, T0_MS + last_bin * STEP_MS)
