"""How high the float of a unit holds the water is learned where the level settles.

The nameplate of the tests: float shut 180 mm, band 40, overflow 240, 20 mm come back at rest,
30 L/min over 2 m². Floats set, and transmitters reading, 12 mm and more off the file are everyday
(common practice). All scenes are one fleet over five days.
"""

from __future__ import annotations

import numpy as np
import pytest
from lives import Life, live
from numpy.typing import NDArray
from side_by_side import hour_of, times_ms
from support.fleet import HEALTHY, T0_MS

from rules.engine import Engine
from rules.events import ActionKind, Change
from rules.float_rest import AT_REST, LEAST_HOURS, RUNNING, SET_HIGH_MM, float_top_mm

F = NDArray[np.float64]
STEP_S = 300
DAY = 86_400 // STEP_S
DAYS = 5
N = DAYS * DAY
H = np.arange(1, N + 1) * STEP_S / 3600.0
HOUR = H % 24.0
RUNS = (HOUR > 8.0) & (HOUR <= 20.0)
RUN_H = HOUR - 8.0
REST_H = (HOUR - 20.0) % 24.0
LEAK_MM_H = 9.0
"""0.3 L/min over 2 m²: one per cent of the valve's full flow."""


def floats(shut_mm: float) -> F:
    """The water under a float that really shuts at ``shut_mm``: by day less, for it evaporates."""
    asked = 8.0 * np.sin(np.pi * np.clip(RUN_H / 12.0, 0.0, 1.0))
    return np.where(RUNS, shut_mm - asked, shut_mm + 20.0)


def leaks(shut_mm: float, from_h: float, mm_h: float = LEAK_MM_H) -> F:
    """Running takes the leak; at rest it rises until it runs over."""
    risen = np.minimum(shut_mm + 20.0 + mm_h * REST_H, 241.0)
    return np.where(RUNS | (from_h > H), floats(shut_mm), risen)


def filled(shut_mm: float) -> F:
    """Runs for two days; drained at midnight, filled in an hour and a half, left standing."""
    after = H - 54.0
    filling = np.clip(after, 0.0, 1.5) / 1.5 * shut_mm
    return np.where(H <= 48.0, floats(shut_mm), np.where(after <= 0.0, 5.0, filling))


SCENES: dict[str, tuple[F, float, float]] = {
    # level, its noise while running, its steps [mm]
    "as in the file": (floats(180.0), 1.2, 0.5),
    "set high": (floats(193.0), 2.5, 5.0),
    "set very high": (floats(193.0), 1.2, 0.5),
    "fills to a float set high": (filled(188.0), 1.2, 5.0),
    "set high, leaks from the third day": (leaks(193.0, 84.0), 1.2, 0.5),
    "leaks from the first day": (leaks(180.0, 12.0), 1.2, 0.5),
    "leaks a little from the first day": (leaks(180.0, 12.0, mm_h=1.5), 1.2, 0.5),
    "stands far too high": (floats(208.0), 1.2, 0.5),
}


LEVEL_H = 30.0
"""So long a float must hold its level until it is known."""


def held_at_189() -> Life:
    """Its pump runs, and the float holds the water 9 mm higher than the file says."""
    life = Life()
    life.tops = []
    life.run(LEVEL_H * 3600, step_s=STEP_S, basin_level=189.0)
    life.then(lambda engine, row: life.tops.append(top_mm(engine, row, RUNNING)))
    return life


def goes_on(life: Life) -> None:
    """As long again, and a look at what is learned before and after."""
    life.then(lambda engine, row: life.tops.append(top_mm(engine, row, RUNNING)))
    life.run(LEVEL_H * 3600, step_s=STEP_S, basin_level=189.0)
    life.then(lambda engine, row: life.tops.append(top_mm(engine, row, RUNNING)))


def in_a_persons_hands() -> Life:
    life = held_at_189()
    life.mark("reset")
    life.act(ActionKind.RESET_BASELINE, parts=("float",))
    life.act(ActionKind.FREEZE_BASELINE)
    goes_on(life)
    life.act(ActionKind.RELEASE_BASELINE)
    goes_on(life)
    return life


def cleaned(frozen: bool) -> Life:
    life = held_at_189()
    if frozen:
        life.act(ActionKind.FREEZE_BASELINE)
    life.mark("cleaned")
    life.act(ActionKind.CLEANED, parts=("float",))
    life.then(lambda engine, row: life.tops.append(top_mm(engine, row, RUNNING)))
    return life


def in_somebodys_work() -> Life:
    """Whoever works on it may hold the water where he likes."""
    life = Life()
    life.hours = []

    def look(engine: Engine, row: int) -> None:
        life.hours.append(int(engine.state.float_hours[row, RUNNING]))

    life.act(ActionKind.OUT_OF_SERVICE)
    life.run(8 * 3600.0, step_s=STEP_S, basin_level=190.0)
    life.then(look)
    life.act(ActionKind.IN_SERVICE)
    life.run(8 * 3600.0, step_s=STEP_S, basin_level=175.0)
    life.then(look)
    return life


def top_mm(engine: Engine, row: int, mode: int) -> float:
    return float(float_top_mm(engine.plan, engine.state, np.array([row]), mode)[0])


@pytest.fixture(scope="module")
def lived() -> dict[str, Life]:
    rng = np.random.default_rng(31)
    lives: dict[str, Life] = {}
    for name, (level, waves, step) in SCENES.items():
        pump = RUNS & ((H <= 48.0) | ("fills" not in name))
        level = level + np.where(pump, waves, 0.2) * rng.standard_normal(N)  # noqa: PLW2901
        columns = {
            **{signal: np.full(N, value) for signal, value in HEALTHY.items()},
            "basin_level": np.maximum(np.round(level / step) * step, 0.0),
            "pump_current": np.where(pump, 3.6 + 0.02 * rng.standard_normal(N), 0.0),
            "spray_pressure": np.where(pump, 58.0 + 0.3 * rng.standard_normal(N), 0.0),
            "pump_command": pump * 1.0,
            "wet_mode": pump * 1.0,
        }
        lives[name] = Life.sending(columns, times_ms(N, STEP_S))
    lives |= {
        "in a person's hands": in_a_persons_hands(), "cleaned": cleaned(frozen=False),
        "cleaned while frozen": cleaned(frozen=True), "in somebody's work": in_somebodys_work(),
    }  # fmt: skip
    live(lives.values())
    return lives


def top(life: Life) -> tuple[float, float]:
    """Running and at rest, in the end. [mm]"""
    run, rest = (top_mm(life.engine, life.row, mode) for mode in (RUNNING, AT_REST))
    return run, rest


def floats_raised(life: Life) -> list[tuple[str, float]]:
    return [
        (e.fault, hour_of(e)) for e in life.events
        if e.change is Change.RAISED and e.fault.startswith("float-")
    ]  # fmt: skip


@pytest.mark.parametrize(
    "scene", ["as in the file", "set high", "set very high", "fills to a float set high"]
)
def test_a_float_that_shuts_where_the_file_does_not_say_is_in_order(lived, scene):
    assert floats_raised(lived[scene]) == []


def test_where_the_water_settles_is_learned_with_count_and_date(lived):
    run, rest = top(lived["set very high"])
    assert 185.0 <= run <= 194.0  # less than 193 while the valve has to pass what evaporates
    assert rest == pytest.approx(213.0, abs=1.0)
    told = [b for b in lived["set very high"].baselines if b.quantity == "float_level"]
    assert {b.mode for b in told} == {"pump running", "at rest"}
    assert {(b.count, b.unit) for b in told} == {(LEAST_HOURS, "mm")}
    assert all(T0_MS + 24 * 3_600_000 < b.time_ms < T0_MS + 96 * 3_600_000 for b in told)


def test_a_file_that_is_right_stays_the_measure(lived):
    assert top(lived["as in the file"]) == pytest.approx((180.0, 200.0), abs=1.0)


def test_a_leak_past_the_learned_level_is_found_in_its_first_night(lived):
    found = floats_raised(lived["set high, leaks from the third day"])
    assert [fault for fault, _ in found[:1]] == ["float-leaking"]
    assert 92.0 < found[0][1] < 104.0
    assert {fault for fault, _ in found} == {"float-leaking"}


def test_a_leak_teaches_nothing_and_is_found(lived):
    """It does not settle before the overflow, and what stands there is not taken for a habit."""
    found = floats_raised(lived["leaks from the first day"])
    assert {fault for fault, _ in found} == {"float-leaking"}
    assert found[0][1] < 30.0
    assert top(lived["leaks from the first day"])[1] == pytest.approx(200.0, abs=1.0)


def test_water_that_still_rises_by_millimetres_teaches_no_level(lived):
    """It gets to 218 mm each night, and no alarm tells that it should not be learned."""
    life = lived["leaks a little from the first day"]
    assert floats_raised(life) == []
    assert top(life)[1] == 200.0


def test_what_is_farther_off_than_floats_are_set_is_told_and_not_learned(lived):
    assert floats_raised(lived["stands far too high"])[0][1] < 12.0
    assert top(lived["stands far too high"])[0] <= 180.0 + SET_HIGH_MM


def test_a_person_resets_or_freezes_it(lived):
    life = lived["in a person's hands"]
    learned, *frozen, released, anew = life.tops
    assert learned == pytest.approx(189.0, abs=2.0)
    assert life.raised() == []
    assert frozen == [180.0, 180.0]
    assert released == 180.0
    assert anew == pytest.approx(189.0, abs=2.0)
    gone = [b for b in life.baselines if b.value is None]
    assert [(b.quantity, b.mode) for b in gone] == [("float_level", "pump running")]
    assert gone[0].time_ms == life.marks_ms["reset"]


def test_a_cleaned_float_is_learned_anew(lived):
    life = lived["cleaned"]
    gone = [b for b in life.baselines if b.value is None]
    assert [(b.quantity, b.time_ms) for b in gone] == [("float_level", life.marks_ms["cleaned"])]
    assert life.tops == [pytest.approx(189.0, abs=2.0), 180.0]


def test_a_cleaned_float_keeps_its_level_while_its_unit_is_frozen(lived):
    life = lived["cleaned while frozen"]
    assert [b for b in life.baselines if b.value is None] == []
    assert life.tops == [pytest.approx(189.0, abs=2.0)] * 2


def test_a_unit_out_of_service_teaches_no_level(lived):
    hours_worked_on, hours = lived["in somebody's work"].hours
    assert hours_worked_on == 0
    assert hours >= 4
