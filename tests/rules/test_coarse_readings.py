"""Readings in coarse steps, readings of nothing, and what a command does not prove.

Basin transmitters of the trade resolve 1 to 10 mm, clip-on current transducers often 0.1 A (common
practice); a float holds its level within such a step for hours. All scenes are one fleet.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from side_by_side import play
from support.fleet import HEALTHY, unit_data

from rules.events import AlarmEvent, Change

F = NDArray[np.float64]
STEP_S = 300
DAYS = 6
DAY = 86_400 // STEP_S
N = DAYS * DAY
T0_MS = 1_780_272_000_000
ILL = 3 * DAY
HOUR = np.arange(N) * STEP_S / 3600.0 % 24.0
RUNS = (HOUR >= 8.0) & (HOUR < 22.0)


def noise(sd: float, seed: int) -> F:
    return sd * np.random.default_rng(seed).standard_normal(N)


def basin(step_mm: float, pull_mm: float = 20.0, seed: int = 9) -> dict[str, F]:
    """By day the pump runs and the float holds the level within some millimetres, by night the
    water of pads and pipes is back in the basin."""
    held = 161.0 + 2.0 * np.sin(2 * np.pi * HOUR / 24.0)
    level = np.where(RUNS, held, held + pull_mm) + np.where(RUNS, 1.2, 0.2) * noise(1.0, seed)
    return {
        "basin_level": np.round(level / step_mm) * step_mm,
        "pump_current": np.where(RUNS, 3.6 + noise(0.02, seed + 1), 0.0),
        "spray_pressure": np.where(RUNS, 58.0 + noise(0.3, seed + 2), 0.0),
        "pump_command": RUNS * 1.0,
        "wet_mode": RUNS * 1.0,
    }


def runs_on(step_mm: float) -> dict[str, F]:
    """The pump never stops: no start or stop tells of the level."""
    level = 161.0 + 2.0 * np.sin(2 * np.pi * HOUR / 24.0) + 1.2 * noise(1.0, 12)
    return {
        "basin_level": np.round(level / step_mm) * step_mm,
        "pump_current": 3.6 + noise(0.02, 13),
        "spray_pressure": 58.0 + noise(0.3, 14),
        **dict.fromkeys(("pump_command", "wet_mode"), np.ones(N)),
    }


def frozen(columns: dict[str, F]) -> dict[str, F]:
    level = columns["basin_level"].copy()
    level[ILL:] = level[ILL - 1]
    return {**columns, "basin_level": level}


def drained(amps: float) -> dict[str, F]:
    """Drained in the third night; the pump starts again the next morning, the reading stays."""
    columns = basin(5.0)
    empty = np.arange(N) >= ILL - DAY // 12
    columns["basin_level"] = np.where(empty, 0.0, columns["basin_level"])
    current = np.where(RUNS, amps + noise(0.02, 30), 0.0)
    return {**columns, "pump_current": np.where(empty, current, columns["pump_current"])}


def scenes() -> dict[str, tuple[dict[str, F], dict[str, Any]]]:
    """Columns and the changed tables of the site file, by scene."""
    plate = unit_data()
    late = np.arange(N) >= ILL
    fall = np.clip((np.arange(N) - 2 * DAY) / (2 * DAY), 0.0, 1.0)
    small = np.round((1.1 - 0.26 * fall) * (1.0 + noise(0.02, 5)), 1)
    asked = (HOUR >= 9.0) & (HOUR < 20.0)
    stands = dict.fromkeys(
        ("pump_current", "spray_pressure", "pump_command", "wet_mode"), np.zeros(N)
    )
    return {
        "centimetres": (basin(10.0), {}),
        "centimetres, little comes back": (
            basin(10.0, 9.0), {"basin": {**plate["basin"], "pull_down_mm": 9.0}},
        ),
        "centimetres, frozen": (frozen(basin(10.0)), {}),
        "millimetres, frozen": (frozen(basin(1.0)), {}),
        "half centimetres, frozen": (frozen(basin(5.0)), {}),
        "runs on, half centimetres": (runs_on(5.0), {}),
        "runs on, steps of 2 mm, frozen": (frozen(runs_on(2.0)), {}),
        "drained, frozen at nothing": (drained(3.6), {}),
        "drained, pump runs dry": ({**drained(2.2), "spray_pressure": np.full(N, np.nan)}, {}),
        "fan in hand": (
            {
                "fan_speed": np.where(asked, 70.0, 0.0),
                "fan_run": np.where(asked, 15.0, np.where(late, 2.0, 0.0)),
            },
            {},
        ),
        "tenths of an ampere": (
            {"pump_current": small, "spray_pressure": np.full(N, np.nan)},
            {"pump": {**plate["pump"], "rated_current_a": 1.2}},
        ),
        "dry pump": (
            {
                "spray_pressure": np.where(late, 0.0, 58.0 + noise(0.3, 7)),
                "basin_level": np.where(late, 62.0, 160.0) + noise(1.0, 8),
                "pump_current": np.where(late, 2.2 + noise(0.1, 9), 3.6 + noise(0.02, 10)),
            },
            {},
        ),
        "float shuts high": (
            {"basin_level": 198.0 + noise(1.0, 4), "makeup_flow": np.zeros(N), **stands},
            {"basin": {**plate["basin"], "pull_down_mm": 5.0}},
        ),
    }  # fmt: skip


@pytest.fixture(scope="module")
def lived() -> dict[str, list[AlarmEvent]]:
    """What each scene's unit raised and cleared in six days."""
    told = scenes()
    sent = {
        name: {
            **{signal: np.full(N, value) for signal, value in HEALTHY.items()},
            "pump_current": 3.6 + noise(0.02, 20 + u),
            "spray_pressure": 58.0 + noise(0.3, 40 + u),
            "basin_level": 160.0 + noise(1.2, 60 + u),
            **columns,
        }
        for u, (name, (columns, _)) in enumerate(told.items())
    }
    time_ms = T0_MS + np.arange(N, dtype=np.int64) * STEP_S * 1000
    return play(sent, time_ms, {name: plate for name, (_, plate) in told.items()}).events


def raised(events: list[AlarmEvent]) -> list[tuple[str, float]]:
    return [
        (e.fault, (e.time_ms - T0_MS) / 86_400_000) for e in events if e.change is Change.RAISED
    ]


@pytest.mark.parametrize(
    "scene",
    ["centimetres", "centimetres, little comes back", "runs on, half centimetres"],
)
def test_a_level_in_coarse_steps_may_stand_still_through_days(lived, scene):
    assert raised(lived[scene]) == []


def test_a_level_in_steps_of_a_centimetre_that_freezes_is_still_found(lived):
    found = raised(lived["centimetres, frozen"])
    assert [fault for fault, _ in found] == ["level-frozen"]
    assert 3.0 < found[0][1] < 5.5


def test_a_coarse_level_that_used_to_move_within_the_hour_is_found_within_a_day(lived):
    """Its pump never stops, and its steps are coarse; but the waves always were larger."""
    found = raised(lived["runs on, steps of 2 mm, frozen"])
    assert [fault for fault, _ in found] == ["level-frozen"]
    assert 3.5 <= found[0][1] < 4.0


def test_a_fine_level_that_freezes_is_found_at_the_next_start(lived):
    found = raised(lived["millimetres, frozen"])
    assert [fault for fault, _ in found] == ["level-frozen"]
    assert 3.0 < found[0][1] < 3.0 + 9.0 / 24.0


@pytest.mark.parametrize("scene", ["half centimetres, frozen", "drained, frozen at nothing"])
def test_one_start_tells_of_a_level_that_must_move_by_several_of_its_steps(lived, scene):
    """Steps of 5 mm, 20 mm to come back; or a full pump over a basin that reads empty."""
    found = raised(lived[scene])
    assert [fault for fault, _ in found] == ["level-frozen"]
    assert 3.0 < found[0][1] < 3.0 + 9.0 / 24.0


def test_a_pump_that_runs_dry_moves_no_level(lived):
    found = {fault for fault, _ in raised(lived["drained, pump runs dry"])}
    assert found
    assert "level-frozen" not in found


def test_a_fan_left_in_hand_is_one_alarm_through_days_of_commands(lived):
    events = lived["fan in hand"]
    assert [fault for fault, _ in raised(events)] == ["fan-not-commanded"]
    assert not [e for e in events if e.change is Change.RETURNED]


def test_a_current_in_steps_of_a_tenth_of_an_ampere_is_not_restless(lived):
    """A screen that clogs lets the current of a small motor fall; its steps are not air."""
    found = raised(lived["tenths of an ampere"])
    assert {fault for fault, _ in found} == {"pump-screen-clogging"}


def test_the_pressure_of_a_pump_that_runs_dry_is_not_frozen(lived):
    found = {fault for fault, _ in raised(lived["dry pump"])}
    assert found
    assert "reading-frozen" not in found


def test_a_float_that_shuts_a_little_high_by_its_meter_is_not_stuck_open(lived):
    found = {fault for fault, _ in raised(lived["float shuts high"])}
    assert "float-stuck-open" not in found
