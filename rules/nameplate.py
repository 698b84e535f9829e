"""What a unit's nameplate makes possible: readings beyond it are not true, whatever they say."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.plan import FleetPlan
from rules.signals import INDEX, N_SIGNALS

__all__ = ["AT_ONCE", "OUT_OF_RANGE", "POSSIBLE", "Possible", "beyond_nameplate"]

OUT_OF_RANGE: Final = "reading-out-of-range"
"""The fault whose settings hold the factors."""


@dataclass(frozen=True)
class Possible:
    """Limits of a signal: its size on this unit times a factor, which is a setting.

    ``high`` and ``low`` name the settings, None where there is no such limit;
    ``low_while_running`` asks for the low one only while the pump runs.
    """

    signal: str
    size: Callable[[FleetPlan, I64], F64 | float]
    high: str | None
    low: str | None = None
    low_while_running: bool = False


POSSIBLE: Final = (
    Possible("basin_level", lambda p, r: p.depth_mm[r], "level_ratio"),
    Possible("pump_current", lambda p, r: p.pump_rated_current_a[r], "current_ratio"),
    Possible("supply_voltage", lambda p, r: p.pump_rated_voltage_v[r], "voltage_ratio",
             "voltage_low_ratio", low_while_running=True),
    Possible("spray_pressure", lambda p, r: p.pump_rated_pressure_kpa[r], "flow_ratio"),
    Possible("spray_flow", lambda p, r: p.pump_rated_flow_l_min[r], "flow_ratio"),
    Possible("makeup_flow", lambda p, r: p.makeup_max_l_min[r], "flow_ratio"),
    Possible("head_pressure", lambda p, r: p.cut_out_kpa_abs[r], "head_ratio"),
    Possible("head_pressure", lambda _p, _r: 101.325, None, "head_low_ratio"),
    Possible("relative_humidity", lambda _p, _r: 1.0, None, "humidity_low_pct"),
)  # fmt: skip


AT_ONCE: Final = tuple(
    p for p in POSSIBLE if p.high and p.signal in ("basin_level", "pump_current", "head_pressure")
)
"""What is looked at in every frame: readings on which alarms with short delays rest."""


def beyond_nameplate(
    plan: FleetPlan,
    rows: I64,
    values: F64,
    running: Bool,
    limits: tuple[Possible, ...] = POSSIBLE,
) -> Bool | None:
    """Which of ``values`` (k, signals) are impossible on these units; None if none is."""
    out: Bool | None = None
    for limit in limits:
        column = INDEX[limit.signal]
        value, size = values[:, column], limit.size(plan, rows)
        bad = np.zeros(len(rows), dtype=np.bool_)
        if limit.high:
            bad |= value > plan.settings.get(OUT_OF_RANGE, limit.high, rows) * size
        if limit.low:
            low = value < plan.settings.get(OUT_OF_RANGE, limit.low, rows) * size
            bad |= low & running if limit.low_while_running else low
        if bad.any():
            if out is None:
                out = np.zeros((len(rows), N_SIGNALS), dtype=np.bool_)
            out[:, column] |= bad
    return out
