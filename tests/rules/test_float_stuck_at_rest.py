"""A float that sticks shut late in a run shows at rest: the basin stays as low as the run left it.

The nameplate of the tests: float shut 180 mm, band 40 (fully open at 140), pump minimum 70, 20 mm
come back at rest, and an open valve lifts the level by 15 mm a minute. All scenes are one fleet
over two days that send level, current and conductivity alone: nobody says whether a unit is wet.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
from numpy.typing import NDArray
from side_by_side import Columns, hour_of, play, times_ms

from rules.events import AlarmEvent, Change, Severity

F = NDArray[np.float64]
STEP_S = 300
N = 2 * 86_400 // STEP_S
H = np.arange(1, N + 1) * STEP_S / 3600.0
HOUR = H % 24.0
RUNS = (HOUR > 8.0) & (HOUR <= 20.0)
STICKS_H, STOPS_H = 19.25, 20.0
FALL_MM_H = 80.0
"""2.7 L/min of evaporation and bleed over 2 m²."""
LEFT_MM = 165.0 - FALL_MM_H * (STOPS_H - STICKS_H)  # 105, for half an hour below the open valve's


@dataclass(frozen=True)
class Scene:
    level: F
    runs: F = field(default_factory=lambda: RUNS)
    step_mm: float = 0.5


def first_night(rest: F | float, end_h: float = 32.0) -> F:
    """The level falls until the pump stops, and is ``rest`` until the next morning."""
    ends = np.where(H > STICKS_H, 165.0 - FALL_MM_H * (H - STICKS_H), 165.0)
    night = (H > STOPS_H) & (end_h >= H)
    running = np.where((H > STICKS_H) & (H <= STOPS_H), ends, 165.0)
    return np.where(night, rest, np.where(RUNS, running, 198.0))


SHORT = (H > 8.0) & (H <= 8.5)
SCENES: dict[str, Scene] = {
    "stuck": Scene(first_night(LEFT_MM + 20.0)),
    "stuck, steps of 5 mm": Scene(first_night(LEFT_MM + 20.0), step_mm=5.0),
    "stuck, then drained": Scene(first_night(np.where(H > 23.0, 5.0, LEFT_MM + 20.0))),
    "the valve opens": Scene(first_night(np.minimum(LEFT_MM + 20.0 + 60.0 * (H - STOPS_H), 198.0))),
    "drained at night": Scene(np.where(RUNS, 165.0, np.where(HOUR > 20.4, 8.0, 150.0))),
    "water shut off with the pump": Scene(np.where(RUNS, 136.0, 156.0)),
    "a short run of a basin that filled": Scene(
        np.where(SHORT, 70.0 + 80.0 * (H - 8.0), 130.0), runs=SHORT
    ),
    "drained by hand to the half": Scene(np.where(RUNS, 165.0, 120.0)),
}


@pytest.fixture(scope="module")
def lived() -> dict[str, list[AlarmEvent]]:
    rng = np.random.default_rng(11)

    def sent(scene: Scene) -> Columns:
        waves = np.where(scene.runs, 1.2, 0.3) * rng.standard_normal(N)
        level = np.round((scene.level + waves) / scene.step_mm) * scene.step_mm
        return {
            "basin_level": np.maximum(level, 0.0),
            "pump_current": np.where(scene.runs, 3.6 + 0.02 * rng.standard_normal(N), 0.0),
            "conductivity": 900.0 + 5.0 * rng.standard_normal(N),
        }

    scenes = {name: sent(scene) for name, scene in SCENES.items()}
    return play(scenes, times_ms(N, STEP_S)).of("float-stuck-shut")


@pytest.mark.parametrize("scene", ["stuck", "stuck, steps of 5 mm", "stuck, then drained"])
def test_a_basin_that_stays_low_at_rest_gets_no_water(lived, scene):
    raised, returned = lived[scene]
    assert (raised.change, raised.severity) == (Change.RAISED, Severity.MEDIUM)
    assert STOPS_H < hour_of(raised) < STOPS_H + 1.0
    # It stands until the valve has filled the basin the next day.
    assert returned.change is Change.RETURNED
    assert hour_of(returned) > 32.0
    assert "no water comes" in raised.evidence.summary
    shown = {r.quantity: r.measured for r in raised.evidence.readings}
    assert shown["Basin level, at rest"] == pytest.approx(LEFT_MM + 20.0, abs=3.0)


@pytest.mark.parametrize("scene", [name for name in SCENES if not name.startswith("stuck")])
def test_what_else_leaves_a_basin_low_is_no_stuck_float(lived, scene):
    assert lived[scene] == []
