"""Fans that start across the line one by one and send no speed command: coil and pads judged so.

The plant is an energy balance of the condensing side stepped through time; a step controller holds
the condensing temperature between two limits by the number of fans. A bank at a common speed that
sends no command stands beside it: its airflow is not known, so nothing may be said of its coil.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from stepped_plants import CAPACITY_KW, FANS, NTU, T0_S, TD_K, head_kpa_abs, raised_of
from support.fleet import row_of_values

from rules.state import STEADY

F = NDArray[np.float64]
STEP_S, INNER = 150, 10
DAYS, FOULED_FROM_D = 8.0, 3.6
WARM_DEGC, COOL_DEGC = 39.0, 34.0
NAMES = ("clean", "coil fouled", "pads clogged", "common speed", "common speed, a proof flickers")
TD_DRY = [q.name for q in STEADY].index("td_dry")


@pytest.fixture(scope="module")
def lived():
    k = len(NAMES)
    rng = np.random.default_rng(7)
    condensing, steps = np.full(k, 37.0), np.full(k, 4.0)
    full_kw_k = CAPACITY_KW / TD_K
    times, frames = [], []
    dt = STEP_S / INNER
    for i in range(int(DAYS * 86_400 / STEP_S)):
        d = i * STEP_S / 86_400.0
        ambient = 22.0 + 5.0 * np.sin(2.0 * np.pi * (d - 0.4)) + 2.0 * np.sin(2.0 * np.pi * d / 5)
        load = 0.62 + 0.12 * np.sin(2.0 * np.pi * (d - 0.45)) + 0.05 * np.sin(2.0 * np.pi * 7 * d)
        worn = np.clip((d - FOULED_FROM_D) / np.array([3.4, 3.4, 2.0, 3.4, 3.4]), 0.0, 1.0)
        ua = 1.0 - np.array([0.0, 0.42, 0.0, 0.0, 0.0]) * worn
        shut = 1.0 + np.array([0.0, 0.0, 2.6, 0.0, 0.0]) * worn
        wet = np.array([0.0, 0.0, 1.0, 0.0, 0.0])
        for _ in range(INNER):
            # Fans at a common speed meet the temperature between the limits; steps follow it.
            smooth = np.clip((condensing - COOL_DEGC) / (WARM_DEGC - COOL_DEGC), 0.2, 1.0)
            share = np.where(np.arange(k) < 3, steps / FANS, smooth)
            air = share * shut ** (-1.0 / 3.0)
            reach = (1.0 - np.exp(-NTU * ua * air**-0.4)) / (1.0 - np.exp(-NTU))
            carried = full_kw_k * air * reach * (condensing - ambient + wet * 4.0)
            condensing = condensing + (load * CAPACITY_KW - carried) * dt / (300.0 * full_kw_k)
        steps = np.clip(steps + (condensing > WARM_DEGC) - (condensing < COOL_DEGC), 1, FANS)
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
        times.append(T0_S * 1000 + int(i * STEP_S * 1000))
    return raised_of(NAMES, times, frames)


def test_a_clean_unit_is_judged_by_its_steps_and_found_clean(lived):
    engine, raised = lived
    assert raised["clean"] == []
    assert not np.isnan(engine.state.baseline[0, TD_DRY])


def test_a_fouled_coil_is_found_by_more_fans_at_the_same_weather(lived):
    assert lived[1]["coil fouled"] == ["coil-fouled"]


def test_pads_that_clog_are_found_by_the_pressure_drop(lived):
    assert lived[1]["pads clogged"] == ["pads-clogged"]


@pytest.mark.parametrize("name", NAMES[3:])
def test_fans_at_a_speed_that_is_not_sent_say_nothing_of_the_coil(lived, name):
    engine, raised = lived
    assert raised[name] == []
    assert np.isnan(engine.state.baseline[NAMES.index(name), TD_DRY])
