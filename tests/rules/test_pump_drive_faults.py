"""Overload, locked rotor, dry running: on a small made-up unit, with their healthy look-alikes.

Each test's units are played beside those of all others.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from support.beside import Taped, beside
from support.fleet import HEALTHY, row_of_values, unit_data

from rules.events import AlarmEvent, Change, Severity

HOUR = 3600.0


def clean_unit() -> Taped:
    """A unit that ran steadily for eight hours and knows its clean state (3.6 A, 55 kPa)."""
    feed = Taped()
    feed.run(8 * HOUR)
    return feed


def raised(events):
    return [(e.fault, e.severity) for e in events if e.change is Change.RAISED]


def first_cause(events):
    return next(e.evidence.causes[0].slug for e in events if e.change is Change.RAISED)


@beside
def test_a_unit_that_runs_steadily_raises_nothing():
    learned = clean_unit()
    yield
    assert learned.events == []


# ---------------------------------------------------------------- drawing pads and pipes full

REST = {"pump_command": 0.0, "wet_mode": 0.0, "pump_current": 0.0, "basin_level": 185.0}
DEAD = {"pump_current": 0.0, "spray_pressure": None}


def rested() -> Taped:
    """Hours of running and then of rest, without a spray pressure. The nameplate says that 20 mm of
    the basin are in pads and pipes while the pump runs."""
    feed = Taped()
    feed.run(8 * HOUR, spray_pressure=None)
    feed.run(2 * HOUR, spray_pressure=None, **REST)
    return feed


def draws(unit: Taped, duration_s: float) -> list[AlarmEvent]:
    """The pump runs, and its current reads nothing."""
    unit.run(120.0, basin_level=174.0, **DEAD)
    return unit.run(duration_s, basin_level=165.0, **DEAD)


@beside
def test_a_pump_that_draws_the_pads_full_runs_whatever_its_current_reads():
    unit = rested()
    yield
    events = draws(unit, 12 * HOUR)
    yield
    assert raised(unit.events) == [("reading-frozen", Severity.MEDIUM)]
    assert "current" in next(e for e in events if e.change is Change.RAISED).evidence.summary


@beside
def test_a_pump_that_draws_nothing_stands():
    unit = rested()
    yield
    events = unit.run(600.0, basin_level=185.0, **DEAD)
    yield
    assert raised(events) == [("pump-not-running", Severity.MEDIUM)]


@beside
def test_a_pump_that_gives_its_water_back_stands_though_it_had_drawn_it():
    unit = rested()
    yield
    draws(unit, HOUR)
    yield
    assert raised(unit.events) == []
    events = unit.run(600.0, basin_level=185.0, **DEAD)
    yield
    assert raised(events) == [("pump-not-running", Severity.MEDIUM)]


@beside
def test_a_current_that_moved_since_the_command_is_believed():
    """It ran for ten minutes and tripped: the water takes its time to come back."""
    unit = rested()
    yield
    unit.run(600.0, basin_level=165.0, spray_pressure=None)
    events = unit.run(300.0, basin_level=166.0, **DEAD)
    yield
    assert raised(events) == [("pump-not-running", Severity.MEDIUM)]


@pytest.mark.parametrize("step_s", [60.0, 300.0])
@pytest.mark.parametrize("mm_a_minute", [0.5, 1.0, 1.3, 2.0, 3.0, 6.0])
@beside
def test_a_basin_that_runs_away_by_its_drain_proves_no_pump(mm_a_minute, step_s):
    unit = rested()
    yield
    for minute in range(0, 60, int(step_s / 60)):
        level = max(185.0 - mm_a_minute * (minute + step_s / 60), 75.0)
        unit.run(step_s, step_s, basin_level=level, **DEAD)
    yield
    told = [e for e in unit.events if e.fault == "pump-not-running"]
    assert [e.change for e in told] == [Change.RAISED]


@beside
def test_the_next_start_that_draws_water_ends_what_was_told_of_one_that_did_not():
    unit = rested()
    yield
    unit.run(600.0, basin_level=185.0, **DEAD)
    yield
    assert raised(unit.events) == [("pump-not-running", Severity.MEDIUM)]
    unit.run(2 * HOUR, spray_pressure=None, **REST)
    draws(unit, HOUR)
    yield
    assert [e.change for e in unit.events] == [Change.RAISED, Change.RETURNED]


@beside
def test_a_gauge_that_shows_no_water_is_believed_before_the_level():
    unit = Taped()
    unit.run(8 * HOUR)
    unit.run(2 * HOUR, spray_pressure=0.2, **REST)
    yield
    unit.run(120.0, basin_level=174.0, pump_current=0.0, spray_pressure=0.2)
    events = unit.run(HOUR, basin_level=165.0, pump_current=0.0, spray_pressure=0.2)
    yield
    assert raised(events) == [("pump-not-running", Severity.MEDIUM)]


# ---------------------------------------------------------------- overload


@beside
def test_a_bearing_that_binds_is_an_overload_by_its_degree():
    learned = clean_unit()
    yield
    events = learned.run(4 * HOUR, pump_current=3.6 * 1.3)
    yield
    assert {e.fault for e in events} == {"pump-overload"}
    assert events[-1].severity is Severity.MEDIUM
    assert first_cause(events) == "bearing-or-rubbing"


@beside
def test_a_rotor_that_cannot_turn_is_told_within_minutes():
    learned = clean_unit()
    yield
    events = learned.run(300.0, pump_current=22.0, spray_pressure=0.0)
    yield
    assert raised(events) == [("pump-overload", Severity.HIGH)]
    assert first_cause(events) == "jammed"
    assert "cannot turn" in events[0].evidence.summary


@beside
def test_the_inrush_of_a_start_is_no_overload():
    learned = clean_unit()
    learned.run(60.0, pump_current=20.0)
    learned.run(2 * HOUR)
    yield
    assert learned.events == []


@beside
@pytest.mark.parametrize("step_s", [60.0, 300.0])
def test_one_reading_that_leaps_is_no_overload(step_s):
    """At five minutes between readings it would stand alone until the delay is over."""
    learned = clean_unit()
    learned.run(2 * HOUR, step_s=step_s)
    learned.run(step_s, step_s=step_s, pump_current=6.8)
    learned.run(2 * HOUR, step_s=step_s)
    yield
    assert learned.events == []
    learned.run(5 * step_s, step_s=step_s, pump_current=22.0)
    yield
    assert raised(learned.events) == [("pump-overload", Severity.HIGH)]


@beside
def test_a_measured_sag_is_no_overload_however_long():
    """At 19 % less voltage and equal shaft power (see rules/physics/pump.py for the direction)."""
    learned = clean_unit()
    learned.run(8 * HOUR, supply_voltage=324.0, pump_current=3.6 * 1.143)
    yield
    assert learned.events == []


@beside
def test_a_sag_makes_no_bearing_that_binds_a_matter_of_today():
    """The current of 1.31 times the clean one at rated voltage; and one hour is enough to know."""
    learned = clean_unit()
    learned.run(1.5 * HOUR, supply_voltage=324.0, pump_current=3.6 * 1.55)
    yield
    assert [(e.fault, e.severity) for e in learned.events] == [("pump-overload", Severity.MEDIUM)]


@beside
def test_without_a_voltage_a_sag_is_allowed_for():
    feed = Taped()
    feed.run(8 * HOUR, supply_voltage=None)
    feed.run(1.4 * HOUR, supply_voltage=None, pump_current=3.6 * 1.2)
    feed.run(8 * HOUR, supply_voltage=None)
    yield
    assert feed.events == []
    events = feed.run(8 * HOUR, supply_voltage=None, pump_current=3.6 * 1.3)
    yield
    assert {e.fault for e in events} == {"pump-overload"}
    assert events[-1].severity is Severity.MEDIUM
    assert any("No supply voltage" in limit for limit in events[0].evidence.limits)


@beside
def test_before_anything_is_learned_the_nameplate_judges():
    feed = Taped()
    events = feed.run(3 * HOUR, pump_current=4.0 * 1.3)
    yield
    assert raised(events) == [("pump-overload", Severity.MEDIUM)]


@beside
def test_an_overload_that_trips_stays_the_one_trouble_until_the_pump_runs():
    learned = clean_unit()
    learned.run(300.0, pump_current=22.0, spray_pressure=0.0)
    learned.run(2 * HOUR, pump_current=0.0, spray_pressure=0.0)
    yield
    assert [(e.fault, e.change) for e in learned.events] == [("pump-overload", Change.RAISED)]
    # Neither a command taken back nor a rest says that the motor can turn again.
    learned.run(2 * HOUR, pump_current=0.0, spray_pressure=0.0, pump_command=0.0)
    yield
    assert len(learned.events) == 1
    events = learned.run(2 * HOUR)
    yield
    assert [(e.fault, e.change) for e in events] == [("pump-overload", Change.RETURNED)]


@beside
@pytest.mark.parametrize("step_s", [120.0, 300.0])
def test_a_rotor_that_locks_and_trips_between_two_readings_is_told_by_the_stop(step_s):
    """A relay of class 10 opens within seconds: one reading shows the current, or none."""
    learned = clean_unit()
    learned.run(2 * HOUR, step_s=step_s)
    learned.run(step_s, step_s=step_s, pump_current=22.0, spray_pressure=0.0)
    yield
    assert learned.events == []
    events = learned.run(1200.0, step_s=step_s, pump_current=0.0, spray_pressure=0.0)
    yield
    assert raised(events) == [("pump-overload", Severity.HIGH)]
    assert first_cause(events) == "jammed"
    assert "and has stopped, though it is commanded to run" in events[0].evidence.summary
    shown = {r.quantity: r.measured for r in events[0].evidence.readings}
    assert shown["Current before it stopped"] == pytest.approx(22.0, abs=0.1)


@beside
def test_a_bearing_that_trips_the_relay_becomes_a_matter_of_today():
    learned = clean_unit()
    learned.run(4 * HOUR, pump_current=3.6 * 1.3)
    yield
    assert raised(learned.events) == [("pump-overload", Severity.MEDIUM)]
    events = learned.run(HOUR, pump_current=0.0, spray_pressure=0.0)
    yield
    assert [(e.fault, e.change, e.severity) for e in events] == [
        ("pump-overload", Change.WORSENED, Severity.HIGH)
    ]
    assert "% more than in its clean state and has stopped" in events[0].evidence.summary


@beside
@pytest.mark.parametrize("current_a", [3.6, 4.4])
def test_a_pump_that_stands_after_an_ordinary_current_is_not_overloaded(current_a):
    learned = clean_unit()
    learned.run(300.0, pump_current=current_a)
    yield
    events = learned.run(HOUR, pump_current=0.0, spray_pressure=0.0)
    yield
    assert [fault for fault, _ in raised(events)] == ["pump-not-running"]


@beside
def test_a_leap_before_the_controller_stops_the_pump_is_no_trip():
    learned = clean_unit()
    learned.run(60.0, step_s=60.0, pump_current=22.0)
    learned.run(2 * HOUR, step_s=60.0, pump_current=0.0, spray_pressure=0.0, pump_command=0.0)
    yield
    assert learned.events == []


# ---------------------------------------------------------------- air


def jumping(feed, hours, level_mm, mean_a=2.9, swing_a=0.35, **others):
    """A pump with air in it: the current jumps about from minute to minute. What comes of it."""
    rng = np.random.default_rng(7)
    for _ in range(int(hours * 12)):
        current = float(mean_a + rng.uniform(-swing_a, swing_a))
        feed.run(300.0, pump_current=current, basin_level=level_mm, **others)
    return feed.news


@beside
def test_a_low_basin_and_a_low_restless_current_is_air():
    learned = clean_unit()
    yield
    events = jumping(learned, 1.0, 68.0, spray_pressure=18.0)
    yield
    assert raised(events) == [("pump-drawing-air", Severity.HIGH)]
    assert first_cause(events) == "pump-drawing-air"


@beside
def test_air_has_the_ticket_and_the_float_waits():
    learned = clean_unit()
    yield
    events = jumping(learned, 6.0, 68.0, spray_pressure=18.0)
    yield
    assert {fault for fault, _ in raised(events)} == {"pump-drawing-air"}


@beside
def test_a_basin_that_sinks_slowly_is_the_float_first():
    learned = clean_unit()
    for level in range(170, 60, -2):
        learned.run(300.0, basin_level=float(level))
    yield
    events = jumping(learned, 2.0, 62.0, spray_pressure=18.0)
    yield
    faults = [fault for fault, _ in raised(learned.events)]
    assert faults[0] == "float-stuck-shut"
    assert "pump-drawing-air" not in [fault for fault, _ in raised(events)]


@beside
@pytest.mark.parametrize("low_bins", [1, 2, 3, 4])
def test_float_and_air_are_never_raised_at_once(low_bins):
    """However the two delays fall together, one has the ticket."""
    learned = clean_unit()
    for _ in range(low_bins):
        learned.run(300.0, basin_level=76.0)
    jumping(learned, 2.0, 62.0, spray_pressure=18.0)
    yield
    assert len(raised(learned.events)) == 1


@beside
def test_air_that_is_quieter_for_some_hours_is_one_alarm_until_the_current_is_quiet():
    """Means of five minutes jump by chance now more, now less."""
    learned = clean_unit()
    for swing_a in (0.35, 0.2, 0.35, 0.2):
        jumping(learned, 3.0, 170.0, swing_a=swing_a, spray_pressure=36.0)
    yield
    events = [e for e in learned.events if e.fault == "pump-drawing-air"]
    assert [e.change for e in events] == [Change.RAISED]
    learned.run(3 * HOUR, pump_current=3.6 * 0.82, spray_pressure=36.0)
    yield
    events = [e for e in learned.events if e.fault == "pump-drawing-air"]
    assert [e.change for e in events] == [Change.RAISED, Change.RETURNED]


@beside
def test_a_quiet_low_current_under_water_is_not_air():
    learned = clean_unit()
    yield
    events = learned.run(4 * HOUR, pump_current=3.1, spray_pressure=30.0)
    yield
    assert [fault for fault, _ in raised(events)] == ["pump-screen-clogging"]


@beside
def test_without_a_level_the_restless_current_tells():
    feed = Taped()
    feed.run(8 * HOUR, basin_level=None)
    yield
    events = jumping(feed, 3.0, None, spray_pressure=18.0)
    yield
    assert raised(events)[0][0] == "pump-drawing-air"
    assert any("No basin level" in limit for limit in events[0].evidence.limits)


@beside
def test_a_quiet_current_below_that_of_a_shut_outlet_is_no_screen():
    """Half the clean current is less than a pump full of water takes without any flow."""
    learned = clean_unit()
    yield
    events = learned.run(2 * HOUR, pump_current=3.6 * 0.50, spray_pressure=None)
    yield
    assert raised(events) == [("pump-drawing-air", Severity.HIGH)]
    assert first_cause(events) == "no-water-moved"
    events = learned.run(2 * HOUR)
    yield
    assert events != []
    # As much as the shut-off point's it may be a screen that is closed.
    events = learned.run(4 * HOUR, pump_current=3.6 * 0.70, spray_pressure=5.0)
    yield
    assert [fault for fault, _ in raised(events)] == ["pump-screen-clogging"]


@beside
def test_pressure_and_current_that_fall_alike_and_at_once_are_air_and_no_wear():
    """Limits of the kind: a screen takes 3 to 10 times as much of the pressure, air and wear 1 to 2
    times (measured on a laboratory's pump); and no pump wears within the hour."""
    learned = clean_unit()
    yield
    events = learned.run(3 * HOUR, pump_current=3.6 * 0.75, spray_pressure=55 * 0.66)
    yield
    assert first_cause(events) == "pump-drawing-air"
    found = {c.slug: c for c in events[0].evidence.causes}
    assert found["worn-pump"].against == (
        "the water was lost from one running hour to the next (this cause: the water was lost over "
        "many running hours)",
    )


@beside
def test_pressure_and_current_that_fall_alike_over_hours_are_wear_before_air():
    learned = clean_unit()
    for i in range(60):
        share = i / 59
        learned.run(
            300.0, pump_current=3.6 * (1 - 0.2 * share), spray_pressure=55 * (1 - 0.3 * share)
        )
    yield
    assert first_cause(learned.events) == "worn-pump"


@beside
def test_a_leaf_before_the_screen_is_told_by_its_pressure():
    learned = clean_unit()
    yield
    events = learned.run(3 * HOUR, pump_current=3.6 * 0.93, spray_pressure=55 * 0.66)
    yield
    assert first_cause(events) == "pump-screen-clogging"


def low_pump(swing_kpa):
    """A pump whose pressure is half the lift to the pads, at once with less water."""
    feed = Taped(unit_data(pump__rated_pressure_kpa=43))
    feed.run(8 * HOUR, spray_pressure=41.5)
    rng = np.random.default_rng(3)
    for _ in range(36):
        pressure = 24.3 + float(rng.uniform(-swing_kpa, swing_kpa))
        feed.run(300.0, pump_current=3.6 * 0.76, spray_pressure=pressure)
    return feed


def causes_of(feed):
    """Of the screen, which is the first that is raised."""
    events = [e for e in feed.events if e.change is Change.RAISED]
    assert events[0].fault == "pump-screen-clogging"
    return events[0].evidence.causes


@beside
def test_the_lift_to_the_pads_makes_no_air_of_a_screen():
    """20 of 41.5 kPa lift the water: 40 % of the flow leaves 24 kPa, and the motor 76 %."""
    feed = low_pump(0.0)
    yield
    causes = causes_of(feed)
    assert causes[0].slug == "pump-screen-clogging"
    air = next(c for c in causes if c.slug == "pump-drawing-air")
    assert "pump readings are as quiet as when clean" in air.against[0]


@beside
def test_a_pressure_that_jumps_about_is_air_before_a_screen():
    feed = low_pump(6.0)
    yield
    causes = causes_of(feed)
    assert causes[0].slug == "pump-drawing-air"
    assert "pump readings jump about as they did not when clean" in causes[0].fits


@beside
def test_a_dead_current_is_no_standing_pump_while_the_water_flows():
    """The reading stays at nothing, the pressure trembles where it always did."""
    learned = clean_unit()
    yield
    events = learned.run(20 * HOUR, pump_current=0.0)
    yield
    assert raised(events)[0] == ("reading-frozen", Severity.MEDIUM)
    assert {fault for fault, _ in raised(events)} == {"reading-frozen"}
    # Then the pump does stop: the pressure alone tells.
    events = learned.run(HOUR, pump_current=0.0, spray_pressure=0.0)
    yield
    assert "pump-not-running" in [fault for fault, _ in raised(events)]


@beside
def test_a_pressure_that_stands_still_proves_no_pump():
    learned, again = clean_unit(), clean_unit()
    learned.run(HOUR, pump_current=0.0, spray_pressure=0.0)
    stuck = row_of_values({**HEALTHY, "pump_current": 0.0})
    for _ in range(90):
        again.now_ms += 60_000
        again.send(0, again.now_ms, stuck)
    yield
    assert raised(learned.events)[0][0] == "pump-not-running"
    assert "pump-not-running" in again.raised()


def pump_of(feed: Taped) -> int:
    return int(feed.engine.state.pump_state[feed.row])


@beside
def test_a_pressure_that_never_moved_proves_no_pump_from_the_first_frame():
    """It has kept its value for no time at all, and never trembled either."""
    feed = Taped()
    stuck = row_of_values({**HEALTHY, "pump_current": 0.0})
    for _ in range(3):
        feed.now_ms += 60_000
        feed.send(0, feed.now_ms, stuck)
        yield
        assert pump_of(feed) == 0


@beside
def test_what_the_motor_drew_last_is_kept_while_only_the_water_tells_that_it_runs():
    learned = clean_unit()
    yield
    before = float(learned.engine.state.running_current_a[learned.row])
    learned.run(600.0, pump_current=0.0)
    yield
    assert pump_of(learned) == 1
    assert float(learned.engine.state.running_current_a[learned.row]) == before


def stuck_current(flow: Callable[[float], float], pressure: float) -> Taped:
    """A pump whose current stands still from the tenth hour on, and is known to, beside these."""
    feed = Taped()
    for n in range(30 * 12):
        hour = n / 12.0
        trembling = 1.0 + feed.rng.normal(0.0, 0.005, 2)
        current = 3.6 if hour >= 10.0 else 3.6 * float(trembling[0])
        water = {"spray_flow": flow(hour), "spray_pressure": pressure * float(trembling[1])}
        feed.now_ms += 300_000
        feed.send(0, feed.now_ms, row_of_values({**HEALTHY, "pump_current": current, **water}))
    return feed


@beside
def test_two_witnesses_that_contradict_each_other_tell_nothing_of_the_pump():
    rng = np.random.default_rng(2)
    feed = stuck_current(lambda _: 150.0 + float(rng.normal(0.0, 1.0)), 58.0)
    yield
    assert "reading-frozen" in feed.raised()
    assert pump_of(feed) == 1
    for flow, pump in ((3.0, -1), (150.0, 1)):
        water = {"spray_flow": flow, "spray_pressure": 58.0 + float(rng.normal(0.0, 0.3))}
        feed.now_ms += 300_000
        feed.send(0, feed.now_ms, row_of_values({**HEALTHY, "pump_current": 3.6, **water}))
        yield
        assert pump_of(feed) == pump


@beside
def test_a_meter_that_died_while_the_pump_ran_proves_no_standing_pump():
    rng = np.random.default_rng(2)
    dead = stuck_current(lambda h: 0.0 if h > 9.0 else 150.0 + float(rng.normal(0.0, 1.0)), np.nan)
    yield
    assert "reading-frozen" in dead.raised()
    assert pump_of(dead) == -1
    assert "pump-not-running" not in dead.raised()
