"""What a meter's five-minute mean is of a valve that opens for a moment, however that is reported.

The course is one of a float valve that gulps, known to the second: the mean is arithmetic.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.fleet import HEALTHY, T0_MS, engine_of, row_of_values

from rules.bin_rings import trace_window
from rules.state import ACCUMULATED

FULL_L_MIN = 24.0
GULP_S, EVERY_S = 40, 300
TRUE_MEAN_L_MIN = FULL_L_MIN * GULP_S / EVERY_S
END_S = 3600


def valve_l_min(second: int, phase_s: int = 0) -> float:
    return FULL_L_MIN if (second + phase_s) % EVERY_S < GULP_S else 0.0


def means_of(sent: dict[int, float | None], step: int = 1) -> np.ndarray:
    """The make-up's closed means of the hour, of frames by second; None is a frame without it."""
    engine = engine_of()
    n = len(sent)
    values = np.array([
        row_of_values({**HEALTHY, "makeup_flow": flow} if flow is not None else dict(HEALTHY))
        for flow in sent.values()
    ])  # fmt: skip
    time_ms = T0_MS + np.array(list(sent)) * 1000
    for at in range(0, n, step):
        part = slice(at, at + step)
        engine.samples(0, np.zeros(len(time_ms[part]), np.int32), time_ms[part], values[part])
    return trace_window(engine.state, np.array([0]), "makeup_flow", 10)[0]


def by_exception(frames_s: int, phase_s: int = 0) -> dict[int, float | None]:
    """A frame each ``frames_s``; the meter is told where it changed, and each ten minutes."""
    told: dict[int, float | None] = {}
    last, told_s = -1.0, -END_S
    for second in range(0, END_S + 1, frames_s):
        flow = valve_l_min(second, phase_s)
        news = flow != last or second - told_s >= 600
        told[second] = flow if news else None
        if news:
            last, told_s = flow, second
    return told


@given(st.integers(0, EVERY_S - 1))
def test_a_gulp_told_by_exception_counts_for_as_long_as_it_lasted(phase_s):
    """As seen each 20 s, when it is told whatever it says; its two readings alone say half."""
    means = means_of(by_exception(20, phase_s), step=200)
    seen = [valve_l_min(s, phase_s) for s in range(0, EVERY_S, 20)]
    assert means.tolist() == pytest.approx([np.mean(seen)] * len(means), rel=0.01)


@pytest.mark.parametrize("frames_s", [60, 100, 150, 300])
def test_frames_far_apart_lose_nothing_that_outlasts_them(frames_s):
    """Ten minutes of 12 L/min in each twenty, told where it changes, then not at all."""
    told: dict[int, float | None] = {}
    last = -1.0
    for second in range(0, END_S + 1, frames_s):
        flow = 12.0 if second % 1200 < 600 else 0.0
        told[second] = flow if flow != last else None
        last = flow
    means = means_of(told, step=200)[-8:]
    assert not np.isnan(means).any()
    assert np.mean(means) == pytest.approx(6.0, rel=0.2)


def test_regular_readings_give_their_mean():
    every = {s: valve_l_min(s) for s in range(0, END_S + 1, 10)}
    assert np.mean(means_of(every, step=500)) == pytest.approx(TRUE_MEAN_L_MIN, rel=0.01)


def test_a_reading_each_five_minutes_stands_for_itself():
    flows = dict(zip(range(0, END_S + 1, 300), [float(i) for i in range(1, 14)], strict=True))
    means = means_of(flows)
    assert np.diff(means).tolist() == pytest.approx([1.0] * 9)
    assert set(means.tolist()) <= set(flows.values())


def test_a_meter_that_falls_silent_says_nothing_any_more():
    """It is held for as long as a value counts, a quarter of an hour; then nothing is known."""
    told = {s: (6.0 if s <= 900 else None) for s in range(0, END_S + 1, 20)}
    means = means_of(told, step=200)
    assert means[0] == pytest.approx(6.0)
    assert np.isnan(means[-5:]).all()


@pytest.mark.parametrize("every_s", [20, 60, 100, 120, 300])
@pytest.mark.parametrize("meter_first", [False, True])
def test_signals_in_messages_of_their_own_count_as_in_one(every_s, meter_first):
    """Each instant is told in two messages: what the second brings counts like the first's."""
    parts = [HEALTHY, {"makeup_flow": 6.0}]
    engine = engine_of()
    for second in range(0, END_S + 1, every_s):
        now = np.array([T0_MS + second * 1000])
        for values in reversed(parts) if meter_first else parts:
            engine.samples(0, np.zeros(1, np.int32), now, row_of_values(dict(values))[None, :])
    means = trace_window(engine.state, np.array([0]), "makeup_flow", 10)[0]
    assert means.tolist() == pytest.approx([6.0] * 10)


def test_a_pump_that_runs_all_the_while_runs_for_exactly_all_of_it():
    """Habits are learned of bins in which it did: current each 15 s, the rest in between."""
    engine = engine_of()
    running = ACCUMULATED.index("pump_running")
    seen = []
    for second in range(5, END_S + 1, 5):
        values = {"pump_current": HEALTHY["pump_current"]} if second % 15 == 0 else {
            "basin_level": HEALTHY["basin_level"]
        }  # fmt: skip
        now = np.array([T0_MS + second * 1000])
        engine.samples(0, np.zeros(1, np.int32), now, row_of_values(values)[None, :])
        total, weight = engine.state.bin_sum[0, running], engine.state.bin_count[0, running]
        seen.append(total / weight if weight else 1.0)
    assert seen == [1.0] * len(seen)


def test_weather_that_is_told_only_when_it_changes_is_known_all_the_while():
    """Told at its change and each ten minutes: every five-minute mean has an evaporation."""
    engine = engine_of()
    for second in range(0, END_S + 1, 30):
        values = dict(HEALTHY)
        if second % 600:
            for name in ("ambient_temperature", "relative_humidity", "fan_run", "fan_speed"):
                values.pop(name, None)
        now = np.array([T0_MS + second * 1000])
        engine.samples(0, np.zeros(1, np.int32), now, row_of_values(values)[None, :])
    evaporation = trace_window(engine.state, np.array([0]), "evaporation", 8)[0]
    assert evaporation.tolist() == pytest.approx([evaporation[0]] * 8, rel=0.01)
    assert evaporation[0] > 0.0
