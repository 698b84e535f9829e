"""Floats of units whose site file does not say how much water comes back from pads and pipes.

The nameplate of the tests without its pull-down: float shut 180 mm, band 40, overflow 240, 30 L/min
over 2 m², which is 15 mm a minute. All scenes are one fleet over four days: rest from 20:00 to
8:00, when the float has the water at 172, and 8 mm come back at night.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from side_by_side import Columns, Played, hour_of, play, times_ms
from support.fleet import HEALTHY

from rules.events import AlarmEvent, Change, Severity

F = NDArray[np.float64]
STEP_S = 300
N = 4 * 86_400 // STEP_S
H = np.arange(1, N + 1) * STEP_S / 3600.0
HOUR = H % 24.0
RUNS = (HOUR > 8.0) & (HOUR <= 20.0)
AS_EVER: F = np.where(RUNS, 172.0, 180.0)
OPENS_H = 71.0
"""At rest, at 23:00 of the third day."""
DRAINED = (H > 72.0) & (H <= 80.0)
"""The fourth night: empty until it is filled for the day."""

SCENES: dict[str, F] = {
    "as ever": AS_EVER,
    "opens at rest": np.where(H > OPENS_H, np.where(RUNS, 244.0, 247.0), AS_EVER),
    "much comes back": np.where(RUNS, 172.0, 222.0),
    "stopped at its fullest": np.where((H > 84.0) & ~RUNS, 216.0, AS_EVER),
    "fills to the overflow": np.where(DRAINED, 0.0, np.where(H > 80.0, 245.0, AS_EVER)),
    "leaks by at rest": np.where(
        (H > 68.0) & ~RUNS, np.minimum(180.0 + 6.0 * ((HOUR - 20.0) % 24.0), 241.0), AS_EVER
    ),
}


@pytest.fixture(scope="module")
def played() -> Played:
    rng = np.random.default_rng(17)
    healthy = {k: v for k, v in HEALTHY.items() if k not in ("conductivity", "relative_humidity")}
    scenes: dict[str, Columns] = {}
    for name, level in SCENES.items():
        scenes[name] = {
            **{signal: np.full(N, value) for signal, value in healthy.items()},
            "basin_level": np.maximum(level + 0.3 * rng.standard_normal(N), 0.0),
            "pump_current": np.where(RUNS, 3.6 + 0.02 * rng.standard_normal(N), 0.0),
            "spray_pressure": np.where(RUNS, 58.0 + 0.3 * rng.standard_normal(N), 0.0),
            "pump_command": RUNS * 1.0,
            "wet_mode": RUNS * 1.0,
        }
    # The pump stops when the float has just shut, so that all of the pads' water comes on top.
    meter = np.where(RUNS, 2.0, 0.0)
    scenes["stopped at its fullest"]["makeup_flow"] = meter
    scenes["as ever, metered"] = scenes["as ever"] | {"makeup_flow": meter}
    passing = np.where((H > 84.0) & ~RUNS, 12.0, meter)
    scenes["passes at rest"] = scenes["stopped at its fullest"] | {"makeup_flow": passing}
    no_pull_down = {name: {"basin__pull_down_mm": 0} for name in scenes}
    return play(scenes, times_ms(N, STEP_S), no_pull_down)


def raised(played: Played, scene: str) -> list[AlarmEvent]:
    """The floats' alarms of a scene."""
    return [
        e for e in played.events[scene]
        if e.change is Change.RAISED and e.fault.startswith("float-")
    ]  # fmt: skip


@pytest.mark.parametrize(
    "scene", ["as ever", "as ever, metered", "much comes back", "stopped at its fullest"]
)
def test_a_level_that_comes_back_every_night_is_in_order(played, scene):
    assert raised(played, scene) == []


def test_a_valve_that_opens_at_rest_is_told_within_the_hour(played):
    """Where the water was seen to settle at rest, the file's missing figure is not needed."""
    told = raised(played, "opens at rest")
    assert [e.fault for e in told] == ["float-stuck-open"]
    assert OPENS_H < hour_of(told[0]) < OPENS_H + 1.0
    assert told[0].severity is Severity.MEDIUM
    assert told[0].evidence.causes[0].slug == "float-open"


def test_what_the_meter_sees_pass_at_rest_is_told(played):
    """The same level, and flow."""
    assert {e.fault for e in raised(played, "passes at rest")} == {"float-stuck-open"}


def test_a_leak_is_told_there_in_its_first_night(played):
    told = raised(played, "leaks by at rest")
    assert {e.fault for e in told} == {"float-leaking"}
    assert hour_of(told[0]) < 76.0


def test_where_the_flow_is_not_seen_water_at_the_overflow_is_a_stuck_valve_first(played):
    """It leapt from empty to the overflow between two readings: nothing else is known of it."""
    told = raised(played, "fills to the overflow")
    assert [e.fault for e in told] == ["float-stuck-open"]
    causes = told[0].evidence.causes
    assert [c.slug for c in causes[:2]] == ["float-open", "float-leaking"]
    assert causes[0].agreement == causes[1].agreement
