"""What a person is shown of a unit's readings: the value, what is expected, and what is stale."""

from __future__ import annotations

import pytest
from support.fleet import HEALTHY, Feed, engine_of

from rules.expected import LiveReading, live_readings, running_state
from rules.physics.refrigerant import saturation_pressure_of_kpa_abs


def readings(feed: Feed) -> dict[str, LiveReading]:
    look = feed.engine.look(0)
    assert look is not None
    return {r.signal: r for r in live_readings(look)}


@pytest.fixture(scope="module")
def learned() -> Feed:
    feed = Feed(engine_of())
    feed.run(48 * 3600, step_s=300.0, heat_load=240.0, pad_pressure_drop=60.0)
    return feed


def test_a_healthy_unit_that_was_learned_is_within_what_is_expected(learned):
    found = readings(learned)
    assert set(found) == {*HEALTHY, "heat_load", "pad_pressure_drop"}
    assert [name for name, r in found.items() if r.verdict or r.stale] == []
    current = found["pump_current"].reading
    assert current.expected == pytest.approx(3.6, rel=0.02)
    assert current.low < current.measured < current.high
    # 4 fans of 4: the mask 15 has four bits.
    assert (found["fan_run"].reading.measured, found["fan_run"].reading.expected) == (4.0, 4.0)


def test_the_expected_head_pressure_is_that_of_the_learned_temperature_difference(learned):
    """Inverse: at the very state that was learned, what is expected is what is measured."""
    head = readings(learned)["head_pressure"].reading
    # Learned in part before it was known that the fans run together, so not to the last per cent.
    assert head.expected == pytest.approx(1000.0, rel=0.05)
    assert head.measured < head.high
    assert head.high < 1700
    state = running_state(learned.engine.look(0))
    assert saturation_pressure_of_kpa_abs("R134a", state.condensing_degc) == pytest.approx(1000.0)
    assert state.wet is True
    assert state.pump_runs is True


def test_a_limit_that_is_the_alarms_says_how_far_it_lies_above_the_basin_waters(learned):
    """1,500 µS/cm by the site file."""
    look = learned.engine.look(0)
    found = readings(learned)["conductivity"].reading
    assert look.unit.water.conductivity_limit_us_cm == 1500.0
    assert found.high == pytest.approx(1545.0)
    assert found.note == "the alarm's limit, 3 % above the basin water's"


@pytest.mark.parametrize(
    ("ratio", "note"),
    [
        (1.0, "limit of the basin water"),
        (0.9, "the alarm's limit, 10 % below the basin water's"),
    ],
)
def test_a_limit_may_be_the_basin_waters_own_or_lower(ratio, note):
    feed = Feed(engine_of(settings={"conductivity-high": {"low_ratio": ratio}}))
    feed.run(600, step_s=300.0)
    assert readings(feed)["conductivity"].reading.note == note


def test_dry_pads_are_expected_to_hold_back_less(learned):
    """A tenth to three tenths (common practice)."""
    state = learned.engine.state
    wet = readings(learned)["pad_pressure_drop"].reading.expected
    state.mode[0] = 0
    dry = readings(learned)["pad_pressure_drop"].reading.expected
    state.mode[0] = 1
    assert 1.1 <= wet / dry <= 1.3


def test_what_leaves_its_range_is_called_low_or_high():
    feed = Feed(engine_of())
    feed.run(1800, basin_level=100.0, conductivity=1700.0, supply_voltage=455.0,
                 fan_speed=100.0, fan_run=7.0)  # fmt: skip
    found = readings(feed)
    assert found["basin_level"].verdict == "low"
    assert found["conductivity"].verdict == "high"
    assert found["supply_voltage"].verdict == "high"  # 455 V is 14 % over 400 V
    assert found["fan_run"].verdict == "low"
    assert found["fan_run"].reading.note == "of 4"


def test_nothing_is_expected_of_a_pump_at_rest():
    feed = Feed(engine_of())
    feed.run(1800, pump_current=0.0, pump_command=0.0, wet_mode=0.0, spray_pressure=0.0)
    found = readings(feed)
    assert found["pump_current"].reading.low is None
    assert found["pump_current"].verdict == ""
    assert found["spray_pressure"].verdict == ""


def test_a_value_that_came_long_ago_is_stale_and_not_judged():
    feed = Feed(engine_of())
    feed.run(600, basin_level=100.0)
    feed.run(7200, basin_level=None)
    found = readings(feed)["basin_level"]
    assert found.stale
    assert found.verdict == ""
    assert found.reading.measured == pytest.approx(100.0, abs=5)


def test_readings_survive_json(learned):
    for reading in readings(learned).values():
        assert LiveReading.from_json(reading.to_json()) == reading
