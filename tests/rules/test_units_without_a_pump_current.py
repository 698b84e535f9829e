"""Units that send the pump's command and no current: the command says when the pads are wet.

Each test's units are played beside those of all others.
"""

from __future__ import annotations

import numpy as np
import pytest
from support.beside import Taped, beside

from rules.events import Change
from rules.physics.moist_air import wet_bulb_degc
from rules.physics.pads import evaporation_l_min
from rules.state import TRACE


def lived(hours: float, **changes: float | None) -> Taped:
    feed = Taped()
    feed.run(hours * 3600.0, step_s=300.0, pump_current=None, **changes)
    return feed


def newest(feed: Taped, name: str) -> float:
    state, row = feed.engine.state, feed.row
    place = int(state.trace_bin[row]) % state.trace.shape[2]
    return float(state.trace[row, TRACE.index(name), place])


@beside
def test_evaporation_is_worked_out_while_the_pump_is_commanded():
    """20 m³/s at 70 % through clean pads at 28 °C and 40 %: a few litres a minute."""
    feed = lived(2.0)
    yield
    plan = feed.engine.plan
    bulb = wet_bulb_degc(28.0, 40.0, plan.barometric_kpa[feed.row])
    expected = evaporation_l_min(
        0.7 * 20.0, 28.0, bulb, plan.pad_effectiveness_frac[feed.row], plan.barometric_kpa[feed.row]
    )
    assert newest(feed, "evaporation") == pytest.approx(float(expected), rel=2e-3)


@beside
def test_nothing_evaporates_while_it_is_not():
    feed = lived(2.0, pump_command=0.0, wet_mode=0.0)
    yield
    assert newest(feed, "evaporation") == 0.0


@beside
def test_its_running_hours_teach_how_concentrated_the_water_becomes():
    feed = lived(3.0)
    yield
    assert feed.engine.state.top_run_bins[feed.row] >= 30


def with_meter(hours: float, flow: float, swing: float = 0.0, **changes: float | None) -> Taped:
    """A clean day with a flow meter and no pressure, then hours at this flow, which may jump."""
    feed = lived(10.0, spray_pressure=None, spray_flow=150.0)
    rng = np.random.default_rng(5)
    for _ in range(int(hours * 12)):
        now = flow + float(rng.uniform(-swing, swing))
        feed.run(
            300.0, step_s=300.0, pump_current=None, spray_pressure=None, spray_flow=now, **changes
        )
    return feed


@beside
def test_a_flow_meter_alone_tells_that_water_is_lost_and_not_where():
    feed, less = with_meter(6.0, 80.0), with_meter(6.0, 142.0)
    yield
    assert feed.raised() == ["pump-screen-clogging"]
    evidence = feed.events[0].evidence
    causes = {c.slug: c.agreement for c in evidence.causes if not c.ruled_out}
    assert causes["pump-screen-clogging"] == causes["distribution-restricted"] == 1.0
    assert any("not where" in limit for limit in evidence.limits)
    assert less.events == []


@beside
def test_a_flow_that_jumps_about_is_air():
    feed = with_meter(6.0, 110.0, swing=18.0)
    yield
    assert feed.events[0].evidence.causes[0].slug == "pump-drawing-air"


@beside
def test_a_meter_that_never_showed_any_flow_tells_nothing():
    feed = lived(14.0, spray_flow=0.0, spray_pressure=None)
    yield
    assert feed.events == []


@beside
def test_no_flow_at_all_is_a_pump_that_stands():
    feed = with_meter(1.0, 0.5)
    yield
    assert feed.raised() == ["pump-not-running"]
    evidence = feed.events[0].evidence
    assert evidence.causes[0].slug == "tripped"
    assert "shows no water" in evidence.summary
    assert any("gauge that is shut off" in limit for limit in evidence.limits)
    assert any("No pump current" in limit for limit in evidence.limits)
    readings = {r.quantity: r for r in evidence.readings}
    assert readings["Spray flow"].expected == pytest.approx(150.0, rel=0.02)
    assert "Pump current" not in readings


NOTHING = {"pump_current": None, "spray_pressure": -0.4}


@beside
def test_a_pressure_that_is_gone_while_commanded_is_a_pump_that_stands_until_it_is_back():
    feed = lived(10.0)
    stopped_ms = feed.now_ms
    feed.run(900.0, **NOTHING, basin_level=185.0)
    yield
    assert feed.raised() == ["pump-not-running"]
    assert feed.events[0].time_ms - stopped_ms <= 4 * 60_000
    causes = {c.slug: c for c in feed.events[0].evidence.causes}
    assert causes["no-water"].against == ("there is water above the suction",)
    assert not causes["gauge"].ruled_out
    # The controller gives up and asks again: that it stood in between proves nothing.
    feed.run(3600.0, **NOTHING, pump_command=0.0, wet_mode=0.0)
    feed.run(900.0, **NOTHING)
    yield
    assert [e.change for e in feed.events] == [Change.RAISED]
    feed.run(900.0, pump_current=None)
    yield
    assert [e.change for e in feed.events] == [Change.RAISED, Change.RETURNED]


ZERO = {"pump_current": None, "spray_pressure": 0.0}
"""A gauge that shows exactly nothing for as long as nothing is there."""
REST = {"pump_command": 0.0, "wet_mode": 0.0}


def changes_of(feed: Taped) -> list[Change]:
    return [e.change for e in feed.events if e.fault == "pump-not-running"]


@beside
def test_a_pump_that_does_not_start_after_a_rest_is_told_though_its_gauge_shows_exactly_nothing():
    feed = lived(10.0)
    feed.run(3600.0, **ZERO, **REST)
    feed.run(3 * 3600.0, **ZERO)
    yield
    assert feed.raised() == ["pump-not-running"]


@beside
def test_a_dead_pump_stays_dead_however_often_it_is_asked():
    feed = lived(10.0)
    feed.run(3600.0, **ZERO)
    for _ in range(3):
        feed.run(3600.0, **ZERO, **REST)
        feed.run(3600.0, **ZERO)
    yield
    assert changes_of(feed) == [Change.RAISED]


@beside
def test_a_gauge_that_falls_silent_brings_no_dead_pump_back_to_life():
    feed = lived(10.0)
    feed.run(3600.0, **ZERO)
    feed.run(2700.0, pump_current=None, spray_pressure=None)
    yield
    assert changes_of(feed) == [Change.RAISED]
    feed.run(1800.0, **ZERO)
    feed.run(1800.0, pump_current=None)
    yield
    assert changes_of(feed) == [Change.RAISED, Change.RETURNED]
    # Nor does one that falls silent while the pump runs say anything.
    feed.run(7200.0, pump_current=None, spray_pressure=None)
    yield
    assert changes_of(feed) == [Change.RAISED, Change.RETURNED]


@beside
def test_a_pressure_that_a_check_valve_may_hold_brings_no_dead_pump_back_to_life():
    feed = lived(10.0, spray_flow=150.0)
    feed.run(1800.0, pump_current=None, spray_pressure=29.0, spray_flow=0.2)
    yield
    assert changes_of(feed) == [Change.RAISED]
    feed.run(7200.0, pump_current=None, spray_pressure=29.0)
    yield
    assert changes_of(feed) == [Change.RAISED]
    feed.run(1800.0, pump_current=None, spray_flow=150.0)
    yield
    assert changes_of(feed) == [Change.RAISED, Change.RETURNED]


@beside
def test_a_gauge_is_only_cleared_of_it_by_a_second_one_that_shows_nothing_too():
    feed = lived(10.0, spray_flow=150.0)
    feed.run(900.0, pump_current=None, spray_pressure=19.0, spray_flow=0.2)
    yield
    (event,) = [e for e in feed.events if e.fault == "pump-not-running"]
    gauge = next(c for c in event.evidence.causes if c.slug == "gauge")
    assert (gauge.ruled_out, gauge.against) == (False, ())


@beside
def test_an_empty_basin_tells_of_water_and_not_of_the_motor():
    feed = lived(10.0)
    feed.run(900.0, **NOTHING, basin_level=40.0)
    yield
    (event,) = [e for e in feed.events if e.fault == "pump-not-running"]
    assert event.evidence.causes[0].slug == "no-water"


@beside
def test_a_pump_that_starts_late_or_rests_is_none_that_stands():
    feed = lived(10.0)
    for _ in range(6):
        feed.run(1200.0, **NOTHING, pump_command=0.0, wet_mode=0.0)
        feed.run(60.0, step_s=20.0, **NOTHING)
        feed.run(1200.0, pump_current=None)
    yield
    assert feed.events == []


@beside
def test_a_pressure_of_which_nothing_is_learned_proves_no_pump_to_stand():
    feed = lived(10.0, spray_pressure=-0.4)
    yield
    assert feed.events == []


@beside
def test_pressure_and_flow_that_contradict_each_other_leave_the_controller_its_word():
    feed = Taped()
    flows = np.random.default_rng(4).normal(150.0, 1.0, 150)
    for flow in flows[:120]:
        feed.run(300.0, step_s=300.0, pump_current=None, spray_flow=float(flow))
    for flow in flows[120:]:
        feed.run(60.0, **NOTHING, spray_flow=float(flow))
    yield
    assert "pump-not-running" not in feed.raised()
    feed.run(1800.0, **NOTHING, spray_flow=0.2)
    yield
    assert "pump-not-running" in feed.raised()
    evidence = next(e for e in feed.events if e.fault == "pump-not-running").evidence
    assert {c.slug: c.ruled_out for c in evidence.causes}["gauge"]


@beside
@pytest.mark.parametrize(("pressure", "runs"), [(30.0, True), (18.0, False)])
def test_a_pressure_alone_proves_a_running_pump_only_above_what_a_check_valve_keeps(pressure, runs):
    """58 kPa when clean, of which two metres of lift are 20."""
    feed = lived(10.0)
    feed.run(6 * 3600.0, step_s=300.0, pump_current=None, spray_pressure=pressure)
    yield
    assert feed.raised() == ["pump-screen-clogging"]
    causes = {c.slug: c for c in feed.events[0].evidence.causes}
    assert causes["pump-not-running"].ruled_out is runs


@beside
def test_a_restricted_pipe_needs_no_current_where_flow_and_pressure_are_known():
    feed = lived(10.0, spray_flow=150.0)
    feed.run(6 * 3600.0, step_s=300.0, pump_current=None, spray_flow=100.0, spray_pressure=75.0)
    yield
    assert feed.raised() == ["distribution-restricted"]


WATER_ALONE = {"pump_current": None, "pump_command": None}
"""Neither current nor command: the spray pressure is all that is known of the pump."""
STANDS = {"spray_pressure": 0.0, "fan_speed": 40.0}


def by_water_alone(stands_kpa: float = 0.0, **changes: float | None) -> Taped:
    """Three days of eight hours of spray each."""
    feed = Taped()
    for _ in range(3):
        feed.run(8 * 3600.0, step_s=300.0, **{**WATER_ALONE, **changes})
        rest = {**WATER_ALONE, **STANDS, **changes, "spray_pressure": stands_kpa}
        feed.run(4 * 3600.0, step_s=300.0, **rest)
    return feed


@beside
def test_where_neither_current_nor_command_are_sent_the_water_tells_of_the_pump():
    feed, dry = by_water_alone(wet_mode=None), by_water_alone(wet_mode=None)
    feed.run(3600.0, **WATER_ALONE, wet_mode=None)
    yield
    assert newest(feed, "evaporation") > 0.0
    assert newest(dry, "evaporation") == 0.0
    assert feed.events == dry.events == []


@beside
@pytest.mark.parametrize("while_it_runs", [True, False])
def test_half_its_pressure_is_a_screen_that_clogs_and_no_pump_that_stops(while_it_runs):
    feed = by_water_alone(wet_mode=None)
    if while_it_runs:
        feed.run(4 * 3600.0, step_s=300.0, **WATER_ALONE, wet_mode=None)
    feed.run(6 * 3600.0, step_s=300.0, **WATER_ALONE, wet_mode=None, spray_pressure=18.0)
    yield
    assert feed.raised() == ["pump-screen-clogging"]


@beside
@pytest.mark.parametrize("drops_out", [(), (0.0,), (0.0, None), (0.0, 35.0, 0.0)])
def test_what_a_check_valve_holds_is_no_clogged_screen(drops_out):
    """Nor do single readings of nothing, which a frame without the gauge may follow, say that no
    valve holds it."""
    feed = by_water_alone(17.0, wet_mode=None)
    feed.run(8 * 3600.0, step_s=300.0, **WATER_ALONE, wet_mode=None)
    for pressure in drops_out:
        feed.run(30.0, step_s=30.0, **WATER_ALONE, wet_mode=None, spray_pressure=pressure)
    feed.run(3600.0, step_s=300.0, **WATER_ALONE, wet_mode=None)
    feed.run(8 * 3600.0, step_s=300.0, **WATER_ALONE, wet_mode=None, spray_pressure=17.0)
    yield
    assert feed.raised() == []


@beside
def test_no_pressure_in_wet_mode_is_a_pump_that_stands():
    feed = by_water_alone(wet_mode=1.0)
    feed.run(30 * 3600.0, step_s=300.0, **WATER_ALONE, **STANDS)
    yield
    assert feed.raised() == ["pump-not-running"]


@beside
def test_pressure_and_flow_that_contradict_each_other_tell_nothing_of_the_pump():
    feed = Taped()
    for flow in np.random.default_rng(4).normal(150.0, 1.0, 150):
        feed.run(300.0, step_s=300.0, **WATER_ALONE, wet_mode=None, spray_flow=float(flow))
    feed.run(86_400.0, step_s=300.0, **WATER_ALONE, wet_mode=None, spray_pressure=0.0,
             spray_flow=150.0)  # fmt: skip
    yield
    assert feed.engine.state.pump_state[feed.row] == -1


HELD = {**WATER_ALONE, **STANDS, "wet_mode": None, "spray_pressure": 17.0}
"""At rest, where a check valve holds a part of the pressure."""


def with_a_flow_meter(*rest: tuple[float, float]) -> Taped:
    """Three more days, with a flow meter: each rest is of such hours at such pressures."""
    feed = by_water_alone(17.0, wet_mode=None, spray_flow=None)
    for _ in range(3):
        feed.run(8 * 3600.0, step_s=300.0, **WATER_ALONE, wet_mode=None, spray_flow=150.0)
        for hours, pressure in rest:
            at_rest = {**HELD, "spray_pressure": pressure, "spray_flow": 0.2}
            feed.run(hours * 3600.0, step_s=300.0, **at_rest)
    return feed


@beside
def test_one_reading_of_nothing_beside_a_flow_meter_at_rest_is_no_valve_that_leaks():
    feed = with_a_flow_meter((2.0, 17.0), (1.0 / 12.0, 0.0), (2.0, 17.0))
    yield
    assert feed.engine.state.pump_state[feed.row] == 0


@beside
def test_a_flow_that_is_gone_is_a_pump_that_stands_whatever_a_check_valve_holds():
    feed = with_a_flow_meter((4.0, 17.0))
    yield
    assert feed.engine.state.pump_state[feed.row] == 0
    feed.run(4 * 3600.0, step_s=300.0, **HELD)
    yield
    assert feed.engine.state.pump_state[feed.row] == -1
    assert feed.raised() == []


@beside
def test_a_gauge_that_never_moved_tells_nothing_of_the_pump():
    feed = Taped()
    feed.run(3600.0, step_s=300.0, **WATER_ALONE, wet_mode=None, spray_pressure=0.0)
    yield
    assert feed.engine.state.pump_state[feed.row] == -1
