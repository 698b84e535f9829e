"""Float and level on a small made-up unit: raised on their signs, told apart, quiet otherwise.

The frames are made by hand, as in test_faults.
"""

from __future__ import annotations

import numpy as np
import pytest
from lives import Life, Together, learned_life, only
from support.fleet import HEALTHY, Feed, engine_of, row_of_values, site, unit_data

from rules.events import Change, Severity
from rules.faults.registry import FAULT_INDEX

HOUR = 3600.0

lived = Together()


@lived(learned_life)
def test_a_basin_at_the_overflow_is_a_float_stuck_open(learned):
    learned.run(2 * HOUR, basin_level=243.0)
    yield
    evidence = only(learned.since("learned"), "float-stuck-open")
    assert "at the overflow" in evidence.summary
    assert any("ruler" in x for x in evidence.limits)


@pytest.mark.parametrize(("margin_mm", "where"), [(5.0, "above the float's band"),
                                                  (20.0, "at the overflow")])  # fmt: skip
def test_how_close_to_the_overflow_a_basin_runs_over_is_the_settings_to_say(margin_mm, where):
    """228 of 240 mm: the ticket says what its severity was judged by."""
    feed = Feed(engine_of(settings={"float-stuck-open": {"overflow_margin_mm": margin_mm}}))
    feed.run(HOUR)
    evidence = only(feed.run(2 * HOUR, basin_level=228.0), "float-stuck-open")
    assert where in evidence.summary


def test_the_make_up_meter_decides_between_float_and_transmitter():
    for flow, first in ((28.0, "float-open"), (0.0, "float-setting")):
        feed = Feed(engine_of())
        feed.run(2 * HOUR, makeup_flow=4.0)
        evidence = only(feed.run(2 * HOUR, basin_level=200.0, makeup_flow=flow), "float-stuck-open")
        assert evidence.causes[0].slug == first
        assert evidence.limits == ()


@lived(learned_life)
def test_water_that_comes_back_when_the_pump_stops_is_no_fault(learned):
    """At rest the level stands up to the pull-down above the float."""
    learned.run(
        10 * HOUR, step_s=300.0, basin_level=198.0, pump_current=0.0, pump_command=0.0,
        wet_mode=0.0, spray_pressure=0.0,
    )  # fmt: skip
    yield
    assert learned.events == []


@lived(learned_life)
def test_a_low_basin_in_wet_running_is_starved(learned):
    learned.run(3 * HOUR, basin_level=110.0)
    yield
    evidence = only(learned.events, "float-stuck-shut")
    assert learned.events[0].severity is Severity.MEDIUM
    assert any("make-up meter" in x for x in evidence.limits)


@lived(learned_life)
def test_a_starved_basin_that_keeps_up_while_little_is_asked_of_it_is_not_mended(learned):
    """The night fills it by 10 mm an hour, where the open valve would by 15 mm a minute."""
    learned.run(2 * HOUR, step_s=300.0, basin_level=112.0)
    for level in [*np.linspace(112.0, 162.0, 60), *np.linspace(162.0, 145.0, 24)]:
        learned.run(300.0, step_s=300.0, basin_level=float(level))
    learned.mark("morning")
    learned.run(1 * HOUR, step_s=300.0, basin_level=112.0)
    for level in (115.0, 130.0, 160.0, 165.0):
        learned.run(300.0, step_s=300.0, basin_level=level)
    learned.run(1 * HOUR, step_s=300.0)
    yield
    assert learned.raised() == ["float-stuck-shut"]
    returned = [e for e in learned.events if e.change is Change.RETURNED]
    assert [e.fault for e in returned] == ["float-stuck-shut"]
    assert returned[0].time_ms > learned.marks_ms["morning"]


@lived(learned_life)
def test_a_float_that_holds_its_level_for_hours_again_is_mended(learned):
    """Filled with a hose while nobody measured."""
    learned.run(2 * HOUR, step_s=300.0, basin_level=112.0)
    learned.run(4 * HOUR, step_s=300.0)
    yield
    assert [e.change for e in learned.events] == [Change.RAISED, Change.RETURNED]


@lived(learned_life)
def test_near_the_pumps_minimum_it_is_today_and_quick(learned):
    learned.run(HOUR, basin_level=74.0)
    yield
    event = learned.events[0]
    assert event.fault == "float-stuck-shut"
    assert event.time_ms - learned.marks_ms["learned"] <= 25 * 60_000
    assert learned.events[-1].severity is Severity.HIGH


@lived(learned_life)
def test_the_time_left_comes_from_the_fall_of_the_level(learned):
    for level in np.linspace(150, 100, 90):
        learned.run(60, basin_level=float(level))
    yield
    evidence = only(learned.events, "float-stuck-shut")
    # 50 mm in 90 min from somewhere below 130 mm to the pump's 70 mm
    assert 0.5 * HOUR < evidence.time_left_s < 2.0 * HOUR
    assert evidence.time_left_to == "the pump draws air"


@pytest.mark.parametrize(
    ("makeup_max_l_min", "fall_mm_min", "first"), [(30.0, 2.3, "float-shut"), (4.0, 0.3, "demand")]
)
def test_the_water_balance_tells_a_stuck_float_from_too_small_a_valve(
    makeup_max_l_min, fall_mm_min, first
):
    """2 m² that lose 3.1 L/min to the air and 1.6 L/min by the bleed fall by 2.3 mm/min unfed."""
    feed = Feed(engine_of(site(units=[unit_data(basin__makeup_max_l_min=makeup_max_l_min)])))
    feed.run(2 * HOUR)
    level = 150.0
    while level > 78.0:
        level -= fall_mm_min
        feed.run(60, basin_level=level)
    feed.run(1200, basin_level=level)
    raised = [e for e in feed.events if e.change is Change.RAISED]
    assert [e.fault for e in raised] == ["float-stuck-shut"]
    assert raised[0].evidence.causes[0].slug == first


@lived(learned_life)
def test_a_basin_that_fills_is_waited_for(learned):
    for level in np.linspace(40, 120, 60):
        learned.run(60, basin_level=float(level))
    yield
    assert learned.events == []


@lived(Life)
def test_a_drained_basin_out_of_use_is_no_fault(unit):
    unit.run(
        12 * HOUR, step_s=300.0, basin_level=0.0, conductivity=3.0, pump_current=0.0,
        pump_command=0.0, wet_mode=0.0, spray_pressure=0.0,
    )  # fmt: skip
    yield
    assert unit.events == []


def frozen(feed, hours, step_ms=60_000, **changes):
    """Frames whose level does not move by a hair."""
    for _ in range(int(hours * 3_600_000 / step_ms)):
        feed.now_ms += step_ms
        feed.send(0, feed.now_ms, row_of_values({**HEALTHY, **changes}))


@lived(Life)
def test_a_level_that_a_pump_stop_leaves_unmoved_is_frozen(unit):
    unit.run(HOUR)
    frozen(unit, 2.0)
    frozen(unit, 2.0, **AT_REST)
    unit.mark("moves")
    unit.run(HOUR)
    yield
    evidence = only(unit.until("moves"), "level-frozen")
    assert "through a start or stop of the pump" in evidence.summary
    assert unit.events[-1].change is Change.RETURNED


@lived(learned_life)
def test_a_level_that_says_nothing_over_water_that_is_pumped_is_frozen(learned):
    """It stuck in the drained basin: water wets the probe, then the pump runs on it."""
    off = {"pump_current": 0.0, "pump_command": 0.0, "spray_pressure": 0.0}
    empty = {"basin_level": 1.0}
    frozen(learned, 2.0, **off, **empty, conductivity=6.0, wet_mode=0.0)
    frozen(learned, 0.1, **off, **empty, conductivity=6.0)
    frozen(learned, 0.4, **off, **empty, conductivity=290.0)
    learned.mark("pumped")
    frozen(learned, 1.0, **empty, conductivity=320.0)
    yield
    (event,) = learned.events
    assert (event.change, event.fault) == (Change.RAISED, "level-frozen")
    assert event.time_ms - learned.marks_ms["pumped"] <= 32 * 60_000


@lived(learned_life)
def test_what_a_frozen_level_says_of_the_water_accuses_no_probe(learned):
    """The level stuck over a full basin; then that is drained, and the probe hangs in air."""
    frozen(learned, 2.0)
    frozen(learned, 2.0, **AT_REST)
    learned.mark("drained")
    frozen(learned, 8.0, 300_000, **AT_REST, conductivity=6.0)
    yield
    assert {e.fault for e in learned.events} == {"level-frozen"}
    assert [e.fault for e in learned.since("drained")] == []


@lived(learned_life)
def test_an_empty_basin_in_wet_mode_has_no_water_whatever_it_reads(learned):
    """The same, and the probe stays in air: the float is to blame."""
    off = {"pump_current": 0.0, "pump_command": 0.0, "spray_pressure": 0.0}
    frozen(learned, 2.0, **off, basin_level=1.0, conductivity=6.0, wet_mode=0.0)
    frozen(learned, 0.5, **off, basin_level=1.0, conductivity=6.0)
    yield
    only(learned.events, "float-stuck-shut")


AT_REST = {"pump_current": 0.0, "pump_command": 0.0, "wet_mode": 0.0, "spray_pressure": 0.0}
STILL_H = 30.0


def calm(calm_h: float) -> Life:
    """At rest: two days of flicker by a millimetre, or of calm for hours; then nothing for 30 h."""
    life = Life()
    for i in range(48 * 12):
        level = 196.0 + (i // max(int(calm_h * 12), 1)) % 2
        frozen(life, 1 / 12, 300_000, **AT_REST, ambient_temperature=18.0, basin_level=level)
    return still(life)


def still(life: Life) -> Life:
    """The level alone stands, other readings live on; then the pump starts."""
    life.mark("stands")
    for i in range(int(STILL_H * 12)):
        frozen(life, 1 / 12, 300_000, **AT_REST, ambient_temperature=18.0 + 0.1 * (i % 3),
               basin_level=197.0)  # fmt: skip
    life.mark("starts")
    frozen(life, 4.0, 300_000, basin_level=197.0)
    return life


def calm_nights() -> Life:
    """Four nights without a flicker, each ended by the start of the pump; then a longer rest."""
    life = Life()
    for _ in range(4):
        frozen(life, 10.0, 300_000, **AT_REST, basin_level=197.0)
        for i in range(24):
            frozen(life, 1 / 12, 300_000, basin_level=168.0 + 2.0 * (i % 2))
    return still(life)


def calm_days() -> Life:
    life = Life()
    frozen(life, 72.0, 300_000, **AT_REST, ambient_temperature=18.0)
    return life


@lived(lambda: calm(0.0))
def test_a_level_that_stands_longer_at_rest_than_it_ever_did_is_frozen(unit):
    yield
    at_rest = unit.until("starts")
    assert [e.fault for e in at_rest] == ["level-frozen"]
    assert 24.0 <= (at_rest[0].time_ms - unit.marks_ms["stands"]) / 3_600_000 <= 25.0
    assert "while the pump stood" in at_rest[0].evidence.summary
    assert unit.events == at_rest, "a start of the pump that moves nothing clears nothing"


@lived(lambda: calm(3.0))
def test_a_level_that_stood_for_hours_before_may_stand_longer(unit):
    yield
    assert unit.until("starts") == []


@lived(calm_nights)
def test_calm_nights_that_the_pump_ends_are_a_habit_as_well(unit):
    yield
    assert "level-frozen" not in [e.fault for e in unit.until("starts")]


@lived(calm_days)
def test_a_calm_basin_at_rest_may_stand_still_for_days(unit):
    yield
    assert unit.events == []


@lived(Life)
def test_a_current_that_is_lost_and_found_is_no_start_of_the_pump(unit):
    """A calm level at rest stays free of blame when the pump's transducer drops out for hours."""
    still = {**HEALTHY, **AT_REST, "ambient_temperature": 18.0}
    blind = {name: value for name, value in still.items() if name != "pump_current"}
    for hours, values in ((6.0, still), (2.0, blind), (3.0, still)):
        for _ in range(int(hours * 60)):
            unit.now_ms += 60_000
            unit.send(0, unit.now_ms, row_of_values(values))
    yield
    assert unit.events == []


@lived(Life)
def test_a_level_that_rests_where_its_newest_wave_was_is_not_frozen(unit):
    """Whole millimetres, a frame in five minutes: the last wave may be the height of the rest."""
    waves = [164.0, 168.0, 163.0, 167.0, 161.0, 170.0]
    for level in (*waves * 3, 170.0):
        frozen(unit, 1 / 12, 300_000, basin_level=level)
    frozen(unit, 1.5, 300_000, basin_level=170.0, **AT_REST)
    unit.mark("starts")
    frozen(unit, 1.0, 300_000, basin_level=170.0)
    yield
    assert unit.until("starts") == []
    only(unit.events, "level-frozen")


@lived(Life)
def test_a_frozen_level_at_the_overflow_accuses_the_transmitter_only(unit):
    frozen(unit, 1.0, basin_level=243.0)
    frozen(unit, 3.0, basin_level=243.0, **AT_REST)
    yield
    standing = {
        slug for slug, i in FAULT_INDEX.items()
        if unit.engine.state.alarm_state[unit.row, i] in (1, 2)
    }  # fmt: skip
    assert standing == {"level-frozen"}
