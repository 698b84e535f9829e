"""Fans that a pressure switch turns on and off, all together: coil, pads and airflow judged so.

The plant is an energy balance of the condensing side stepped through time. Its duty goes with load
and weather, so a mean airflow of one half is full air for half of the time, which carries half of
the heat and not the two thirds that fans at half speed would.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from stepped_plants import CAPACITY_KW, NTU, T0_S, TD_K, head_kpa_abs, raised_of
from support.fleet import row_of_values

from rules.state import STEADY

F = NDArray[np.float64]
STEP_S, INNER = 150, 10
DAYS, COOL_FROM_D, FOULED_FROM_D = 7.0, 2.8, 3.2
HOLDS_K = 4.0
"""The switch starts the fans 4 K above the temperature at which it stops them (common practice)."""
NAMES = ("hot, then cool", "cool, then hot", "coil fouled", "pads clogged", "sends no load")


@pytest.fixture(scope="module")
def lived():
    """A week of five units: the weather changes by 9 K once the clean state is learned."""
    k = len(NAMES)
    rng = np.random.default_rng(11)
    condensing, on = np.full(k, 38.0), np.ones(k, dtype=bool)
    full_kw_k = CAPACITY_KW / TD_K
    mass_kj_k = 300.0 * full_kw_k
    times, frames = [], []
    dt = STEP_S / INNER
    for i in range(int(DAYS * 86_400 / STEP_S)):
        d = i * STEP_S / 86_400.0
        turn = 9.0 / (1.0 + np.exp(-(d - COOL_FROM_D) * 12.0))
        mean = np.array([27.0 - turn, 18.0 + turn, 27.0 - turn, 27.0 - turn, 27.0 - turn])
        ambient = mean + 4.0 * np.sin(2.0 * np.pi * (d - 0.4))
        load = 0.62 + 0.1 * np.sin(2.0 * np.pi * (d - 0.45)) + 0.006 * (ambient - 22.0)
        ua = np.ones(k)
        ua[2] = 1.0 - 0.42 * np.clip((d - FOULED_FROM_D) / 3.6, 0.0, 1.0)
        shut = np.ones(k)
        shut[3] = 1.0 + 2.6 * np.clip((d - FOULED_FROM_D) / 2.0, 0.0, 1.0)
        wet = np.array([0.0, 0.0, 0.0, 1.0, 0.0])
        on_coil = ambient - wet * 4.0
        air = np.where(wet > 0, shut ** (-1.0 / 3.0), 1.0)
        reach = (1.0 - np.exp(-NTU * ua * air**-0.4)) / (1.0 - np.exp(-NTU))
        for _ in range(INNER):
            on = np.where(condensing > 38.0, True, np.where(condensing < 38.0 - HOLDS_K, False, on))
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
        times.append(T0_S * 1000 + int(i * STEP_S * 1000))
    return raised_of(NAMES, times, frames)


@pytest.mark.parametrize("name", [NAMES[0], NAMES[1], NAMES[4]])
def test_a_clean_unit_whose_fans_cycle_is_not_accused_when_the_weather_turns(lived, name):
    engine, raised = lived
    assert raised[name] == []
    td = engine.state.baseline[NAMES.index(name), [q.name for q in STEADY].index("td_dry")]
    assert not np.isnan(td) or name == NAMES[4]


def test_a_fouled_coil_is_found_though_the_fans_cycle(lived):
    assert lived[1]["coil fouled"] == ["coil-fouled"]


def test_pads_that_clog_are_found_by_the_pressure_drop_while_the_fans_cycle(lived):
    assert lived[1]["pads clogged"] == ["pads-clogged"]
