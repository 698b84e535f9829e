"""A large unit with little to do: one or two of its fans hold the head pressure, and never all.

The plant is an energy balance of the condensing side stepped through time; a step controller holds
the condensing temperature between two limits by the number of fans. Nothing says the load. Its
airflow law and transfer units are its own.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from stepped_plants import CAPACITY_KW, FANS, NTU, T0_S, TD_K, head_kpa_abs, raised_of
from support.fleet import row_of_values

from rules.staging import LEAST_STEPS, TOGETHER, is_stepped
from rules.state import STEADY, FleetState

F = NDArray[np.float64]
STEP_S, INNER = 600, 6
DAYS, FOULED_FROM_D = 21.0, 11.0
WARM_DEGC, COOL_DEGC = 33.5, 31.0
NAMES = ("clean", "coil fouled", "clean, its stages sent", "coil fouled, its stages sent")
TD_WET = [q.name for q in STEADY].index("td_wet")


@pytest.fixture(scope="module")
def lived():
    k = len(NAMES)
    rng = np.random.default_rng(11)
    condensing, steps = np.full(k, 32.0), np.full(k, 1.0)
    full_kw_k = CAPACITY_KW / TD_K
    times, frames = [], []
    dt = STEP_S / INNER
    most = np.zeros(k)
    for i in range(int(DAYS * 86_400 / STEP_S)):
        d = i * STEP_S / 86_400.0
        ambient = 15.0 + 4.5 * np.sin(2.0 * np.pi * (d - 0.4)) + 1.5 * np.sin(2.0 * np.pi * d / 5)
        load = 0.33 + 0.05 * np.sin(2.0 * np.pi * (d - 0.45)) + 0.03 * np.sin(2.0 * np.pi * 7 * d)
        fouled = np.array([0.0, 1.0, 0.0, 1.0]) * (d > FOULED_FROM_D)
        ua, clear = 1.0 - 0.5 * fouled, 1.0 - 0.1 * fouled
        wet = float(ambient > 15.5)
        for _ in range(INNER):
            air = np.maximum(steps / FANS * clear, 0.03)
            reach = (1.0 - np.exp(-NTU * ua * air**-0.4)) / (1.0 - np.exp(-NTU))
            carried = full_kw_k * air * reach * (condensing - ambient + wet * 3.0)
            condensing = condensing + (load * CAPACITY_KW - carried) * dt / (300.0 * full_kw_k)
            up, down = condensing > WARM_DEGC, condensing < COOL_DEGC
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
        times.append(T0_S * 1000 + int(i * STEP_S * 1000))
    engine, raised = raised_of(NAMES, times, frames)
    return engine, raised, most


def test_the_clean_unit_never_needs_all_its_fans(lived):
    assert lived[2][0] <= FANS // 2 + 1


@pytest.mark.parametrize("name", NAMES[::2])
def test_a_clean_unit_with_little_to_do_is_learned_and_found_clean(lived, name):
    engine, raised, _ = lived
    assert raised[name] == []
    assert not np.isnan(engine.state.baseline[NAMES.index(name), TD_WET])


@pytest.mark.parametrize("name", NAMES[1::2])
def test_a_coil_is_found_by_the_fans_that_are_needed_more(lived, name):
    assert lived[1][name] == ["coil-fouled"]


@pytest.mark.parametrize(
    ("least", "most", "count", "stepped"),
    [
        (1, 2, 3, True),  # a large unit with little to do
        (2, 3, 3, False),  # one proof of a bank at one speed flickers
        (7, 8, 8, False),
        (1, 2, 8, True),
        (1, 2, 2, True),
        (1, 1, 8, False),
        (2, 4, 4, True),
    ],
)
def test_fans_that_go_between_few_are_stages_too(least, most, count, stepped):
    state = FleetState.empty(1, 1)
    state.step_turns[0], state.step_least[0], state.step_most[0] = LEAST_STEPS, least, most
    assert is_stepped(state, np.array([0]), np.array([count]))[0] == stepped
    # A command of stages tells no more than the proofs; one of a common speed makes them no stages.
    state.speed_seen[0] = True
    assert is_stepped(state, np.array([0]), np.array([count]))[0] == stepped
    state.together_ms[0] = TOGETHER
    assert not is_stepped(state, np.array([0]), np.array([count]))[0]
