"""What sites publish in a test, known beforehand: a seeded stream in which much goes wrong.

The stream is the ledger against which store, alarms and mail are held afterwards.
"""

from __future__ import annotations

import json
from typing import Final

import numpy as np

from rules.signals import INDEX, SIGNALS
from support.fleet_files import UNITS

__all__ = ["SIGNALS_SENT", "STEP_MS", "Message", "readings"]

Message = tuple[str, bytes]
"""Topic and payload."""

STEP_MS: Final = 60_000
SIGNALS_SENT: Final = (
    "basin_level", "conductivity", "pump_current", "pump_command", "spray_pressure", "fan_speed",
    "fan_run", "fan_fault", "wet_mode", "head_pressure", "ambient_temperature",
)  # fmt: skip
_SENML_UNIT: Final = {
    "": "/", "%": "/", "A": "A", "mm": "mm", "µS/cm": "uS/cm", "kPa": "kPa", "°C": "Cel",
}  # fmt: skip


def readings(
    seed: int,
    end_ms: int,
    instants: int = 240,
    step_ms: int = STEP_MS,
) -> list[Message]:
    """One message a unit and ``step_ms``, in order of time, the last at ``end_ms``.

    Fans fail and recover, pumps stop, water thickens, each at random: dozens of alarms a unit.
    """
    rng = np.random.default_rng(seed)
    fault_bits = dict.fromkeys(UNITS, 0)
    conductivity = dict.fromkeys(UNITS, 900.0)
    pump_runs = dict.fromkeys(UNITS, True)
    messages = []
    for instant in range(instants):
        time_s = (end_ms - (instants - 1 - instant) * step_ms) / 1000
        for key in UNITS:
            if rng.random() < 0.06:
                fault_bits[key] ^= 1 << int(rng.integers(0, 6))
            if rng.random() < 0.03:
                conductivity[key] = float(rng.choice([900.0, 1700.0, 2600.0]))
            if rng.random() < (0.02 if pump_runs[key] else 0.2):
                pump_runs[key] = not pump_runs[key]
            runs = float(pump_runs[key])
            values = {
                "basin_level": round(240 + rng.normal(0, 4), 1),
                "conductivity": round(conductivity[key] + rng.normal(0, 5), 1),
                "pump_current": round(runs * (3.9 + rng.normal(0, 0.05)), 3),
                "pump_command": 1,
                "spray_pressure": round(runs * (78 + rng.normal(0, 1)), 2),
                "fan_speed": 0.7,
                "fan_run": 63 & ~fault_bits[key],
                "fan_fault": fault_bits[key],
                "wet_mode": 1,
                "head_pressure": round(1350 + rng.normal(0, 15), 1),
                "ambient_temperature": round(28 + rng.normal(0, 0.2), 2),
            }
            records = [
                {"n": n, "u": _SENML_UNIT[SIGNALS[INDEX[n]].unit], "v": values[n]}
                for n in SIGNALS_SENT
            ]
            records[0] = {"bt": time_s, **records[0]}
            messages.append(("sites/{}/{}/senml".format(*key), json.dumps(records).encode()))
    return messages
