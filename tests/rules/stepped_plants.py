"""A fleet of units whose condensing side was stepped through by a test, played as one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from support.fleet import engine_of, site, unit_data

from rules.engine import Engine
from rules.events import Change
from simulator import refrigerant

CAPACITY_KW, TD_K, AIRFLOW_M3_S, FANS = 300.0, 11.0, 34.0, 5
"""The plate that all of them bear; R134a."""
NTU = 1.0
"""Transfer units of the clean coil at full airflow."""
T0_S = 1_780_272_000  # a Monday


def head_kpa_abs(condensing_degc: NDArray[np.float64]) -> NDArray[np.float64]:
    """Head pressure of units that condense R134a."""
    plate = refrigerant.antoine_columns(["R134a"])
    return np.asarray(refrigerant.dew_pressure_kpa_abs(condensing_degc, plate))


def raised_of(
    names: Sequence[str], times_ms: Sequence[int], frames: Sequence[NDArray[np.float64]]
) -> tuple[Engine, dict[str, list[str]]]:
    """The engine afterwards, and what it raised of each unit, in order.

    ``frames`` holds one frame of each unit in the order of ``names``, time by time.
    """
    usual = {
        "fans": {"count": FANS, "rated_airflow_m3_s": AIRFLOW_M3_S},
        "condenser": {"refrigerant": "R134a", "rated_capacity_kw": CAPACITY_KW, "rated_td_k": TD_K,
                      "cut_out_kpa_abs": 2000},
    }  # fmt: skip
    engine = engine_of(site(units=[unit_data(f"ac-{u}", **usual) for u in range(len(names))]))
    row = np.tile(np.arange(len(names), dtype=np.int32), len(times_ms))
    result = engine.samples(0, row, np.repeat(times_ms, len(names)), np.array(frames))
    raised: dict[str, list[str]] = {name: [] for name in names}
    for event in result.events:
        if event.change is Change.RAISED:
            raised[names[event.unit_row]].append(event.fault)
    return engine, raised
