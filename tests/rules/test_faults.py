"""Each fault on a small made-up unit: raised on its signs, told apart, quiet otherwise.

The frames are made by hand, so these tests say what each rule looks at; how well the rules do on a
plant that obeys physics is tested in end_to_end.
"""

from __future__ import annotations

import numpy as np
import pytest
from lives import Life, Together, learned_life, live, only, own_copy
from support.fleet import Feed, engine_of, row_of_values

from rules.events import Action, ActionKind, AlarmState, Change, Severity
from rules.state import STEADY
from simulator import refrigerant

HOUR = 3600.0


@pytest.fixture
def feed() -> Feed:
    return Feed(engine_of())


lived = Together()


@pytest.fixture(scope="module")
def eight_hours() -> Feed:
    feed = Feed(engine_of())
    feed.run(8 * HOUR)
    assert feed.events == []
    return feed


@pytest.fixture
def learned(eight_hours) -> Feed:
    """A unit that knows its clean state, for a test that acts on it."""
    return own_copy(eight_hours)


BARE = {"spray_pressure": None, "supply_voltage": None, "step_s": 300.0}


def bare_life() -> Life:
    """Eight steady hours of a unit that has its pump's current alone."""
    life = Life()
    life.run(8 * HOUR, **BARE)
    return life


@lived(learned_life)
def test_a_healthy_day_raises_nothing(learned):
    learned.run(16 * HOUR)
    yield
    assert learned.events == []


# ---------------------------------------------------------------- water over the pads


@lived(learned_life)
def test_current_and_pressure_down_is_the_screen(learned):
    learned.run(4 * HOUR, pump_current=3.35, spray_pressure=40.0)
    yield
    evidence = only(learned.since("learned"), "pump-screen-clogging")
    assert evidence.causes[0].slug == "pump-screen-clogging"
    found = {c.slug: c for c in evidence.causes}
    assert found["distribution-restricted"].ruled_out
    # Air may come in under water too, by a leak or a whirl; but it takes as much of both.
    assert found["pump-drawing-air"].agreement < found["pump-screen-clogging"].agreement
    assert evidence.limits == ()


@lived(learned_life)
def test_current_down_and_pressure_up_is_downstream(learned):
    learned.run(4 * HOUR, pump_current=3.3, spray_pressure=70.0)
    yield
    evidence = only(learned.since("learned"), "distribution-restricted")
    assert evidence.causes[0].slug == "distribution-restricted"
    assert next(c for c in evidence.causes if c.slug == "pump-screen-clogging").ruled_out


@lived(bare_life)
def test_current_alone_finds_a_large_loss_and_says_what_it_cannot_tell(unit):
    unit.run(9 * HOUR, **BARE, pump_current=3.3)
    yield
    evidence = only(unit.events, "pump-screen-clogging")
    assert any("cannot tell a clogged screen from restricted holes" in x for x in evidence.limits)
    assert any("No supply voltage" in x for x in evidence.limits)
    assert evidence.confidence < 0.7


@lived(bare_life)
def test_current_alone_must_be_down_for_hours_since_the_supply_may_be_it(unit):
    for _ in range(3):
        unit.run(4 * HOUR, **BARE, pump_current=3.3)
        unit.run(2 * HOUR, **BARE)
    unit.mark("far down")
    unit.run(2.5 * HOUR, **BARE, pump_current=2.9)
    yield
    assert unit.until("far down") == []
    # What no supply does is told within two hours.
    assert unit.raised() == ["pump-screen-clogging"]


@lived(learned_life)
def test_a_voltage_sag_that_is_measured_is_not_a_loss_of_water(learned):
    """At 8 % less voltage the same shaft power draws more working, less magnetising current."""
    learned.run(6 * HOUR, step_s=300.0, supply_voltage=368.0, pump_current=3.6 * 1.055)
    learned.run(6 * HOUR, step_s=300.0, supply_voltage=432.0, pump_current=3.6 * 0.962)
    yield
    assert learned.events == []


@lived(learned_life)
def test_severity_grows_with_the_loss_in_one_alarm(learned):
    learned.run(4 * HOUR, step_s=300.0, pump_current=3.4, spray_pressure=42.0)
    learned.run(4 * HOUR, step_s=300.0, pump_current=3.2, spray_pressure=30.0)
    learned.run(4 * HOUR, step_s=300.0, pump_current=2.9, spray_pressure=18.0)
    yield
    assert [(e.change, e.severity) for e in learned.events] == [
        (Change.RAISED, Severity.LOW),
        (Change.WORSENED, Severity.MEDIUM),
        (Change.WORSENED, Severity.HIGH),
    ]


@lived(learned_life)
def test_a_pump_that_stops_is_one_alarm(learned):
    """No clogged screen, no high head pressure beside it: the root carries the consequence."""
    learned.run(
        6 * HOUR, pump_current=0.0, spray_pressure=0.0, head_pressure=1590.0, basin_level=180.0
    )
    yield
    evidence = only(learned.events, "pump-not-running")
    assert learned.events[0].severity is Severity.HIGH
    assert evidence.causes[0].slug == "tripped"
    assert next(c for c in evidence.causes if c.slug == "no-supply").ruled_out


@lived(learned_life)
def test_a_command_taken_back_unheard_blames_no_pump(learned):
    """The command drops out while the pump runs, and the controller stops the pump meanwhile."""
    learned.run(10 * 60.0, pump_command=None)
    learned.run(20 * 60.0, pump_command=None, pump_current=0.0, wet_mode=0.0, spray_pressure=0.0)
    learned.run(HOUR, pump_command=0.0, pump_current=0.0, wet_mode=0.0, spray_pressure=0.0)
    yield
    assert learned.events == []


@lived(learned_life)
def test_a_command_taken_back_does_not_clear_a_stopped_pump(learned):
    learned.run(HOUR, pump_current=0.0, spray_pressure=0.0)
    learned.run(HOUR, pump_current=0.0, spray_pressure=0.0, pump_command=0.0, wet_mode=0.0)
    learned.mark("commanded again")
    learned.run(HOUR)
    yield
    assert [e.change for e in learned.until("commanded again")] == [Change.RAISED]
    assert [e.change for e in learned.events] == [Change.RAISED, Change.RETURNED]


@lived(Life)
def test_a_current_measured_before_the_command_says_nothing_of_it(unit):
    """Each signal in a message of its own, as some sensors send."""
    unit.run(HOUR, pump_current=0.0, pump_command=0.0, wet_mode=0.0, spray_pressure=0.0)
    for minute in range(10):
        unit.now_ms += 60_000
        unit.send(0, unit.now_ms, row_of_values({"pump_command": 1.0, "basin_level": 165 + minute}))
    unit.now_ms += 60_000
    unit.send(0, unit.now_ms, row_of_values({"pump_current": 3.6}))
    unit.run(HOUR)
    yield
    assert unit.events == []


# ---------------------------------------------------------------- water quality


def slow_climb(**meter: float) -> Life:
    """Eight hours at 1300 µS/cm, then 20 more each hour until it is over the limit of 1500."""
    life = Life()
    life.run(8 * HOUR, step_s=300.0, conductivity=1300.0, **meter)
    for value in range(1320, 1600, 20):
        life.run(HOUR, step_s=300.0, conductivity=float(value), **meter)
    return life


@lived(learned_life)
def test_conductivity_over_the_limit_is_graded(learned):
    learned.run(3 * HOUR, step_s=300.0, conductivity=1520.0)
    learned.mark("over")
    learned.run(3 * HOUR, step_s=300.0, conductivity=1560.0)
    learned.run(3 * HOUR, step_s=300.0, conductivity=1900.0)
    learned.run(3 * HOUR, step_s=300.0, conductivity=2500.0)
    yield
    assert learned.until("over") == [], "a hair over 1500 is within what a probe is off by"
    assert [(e.fault, e.severity.name) for e in learned.events] == [
        ("conductivity-high", "LOW"),
        ("conductivity-high", "MEDIUM"),
        ("conductivity-high", "HIGH"),
    ]  # fmt: skip


@lived(learned_life)
def test_the_solids_balance_tells_a_blocked_bleed(learned):
    """With the bleed shut, V dC/dt = E C_makeup; the climb is worked out here by hand."""
    # 28 °C, 40 %, sea level: wet bulb 18.5 °C, so pads of 0.8 cool the air by 7.6 K and add
    # about 7.6 * 1.02 / 2450 = 3.2 g/kg; 70 % of 20 m³/s at 1.16 kg/m³ is 16 kg/s: 3.1 kg/min.
    climb_per_min = 3.1 * 300.0 / (165.0 * 2.0)
    value = 900.0
    for _ in range(6 * 60):
        value += climb_per_min
        learned.run(60, conductivity=value)
    yield
    raised = [e for e in learned.events if e.change is Change.RAISED]
    assert [e.fault for e in raised] == ["bleed-blocked"]
    assert raised[0].evidence.causes[0].slug == "line-blocked"


@lived(learned_life)
def test_a_meter_that_shows_bleed_rules_out_a_blocked_one(learned):
    learned.run(3 * HOUR, conductivity=1600.0, bleed_flow=1.5)
    yield
    evidence = only(learned.since("learned"), "conductivity-high")
    assert next(c for c in evidence.causes if c.slug == "bleed-blocked").ruled_out
    assert evidence.limits == ()


@lived(slow_climb)
def test_a_bleed_that_was_never_seen_to_open_has_no_cause_ruled_out(unit):
    """No fall is remembered, so none tells where its set point is."""
    yield
    found = {c.slug: c for c in only(unit.events, "conductivity-high").causes}
    assert not any(c.ruled_out for c in found.values())
    assert list(found)[:2] == ["bleed-blocked", "bleed-setpoint"]


@lived(lambda: slow_climb(bleed_flow=0.5))
def test_a_bleed_whose_meter_never_rests_is_too_small_and_waits_for_no_set_point(unit):
    yield
    evidence = only(unit.events, "conductivity-high")
    assert evidence.causes[0].slug == "bleed-small"
    assert next(c for c in evidence.causes if c.slug == "bleed-setpoint").ruled_out


@lived(learned_life)
def test_water_left_behind_by_a_starved_basin_is_not_a_second_alarm(learned):
    learned.run(HOUR, basin_level=110.0)
    learned.run(4 * HOUR, basin_level=110.0, conductivity=1700.0)
    yield
    assert learned.raised() == ["float-stuck-shut"]


# ---------------------------------------------------------------- fans and head pressure


@lived(learned_life)
def test_a_fan_fault_names_the_fan_and_counts_the_loss(learned):
    learned.run(600, fan_fault=2.0, fan_run=13.0)
    yield
    evidence = only(learned.since("learned"), "fan-fault")
    assert evidence.summary == "Fan 2 of 4 reports a fault."
    left = next(r for r in evidence.readings if r.quantity.startswith("Heat rejection left"))
    # 3 of 4 fans, NTU 1, UA ~ V^0.5: 0.813, from eps = 1 - exp(-NTU), worked out apart
    assert left.measured == pytest.approx(81.3, abs=0.1)


@lived(learned_life)
def test_bits_of_fans_that_the_unit_does_not_have_are_not_its_faults(learned):
    learned.run(HOUR, fan_fault=float(0b110000))
    yield
    assert learned.events == []


@lived(learned_life)
def test_a_fan_that_reports_a_fault_is_not_also_unproven(learned):
    learned.run(HOUR, fan_fault=1.0, fan_run=14.0)
    yield
    assert learned.raised() == ["fan-fault"]


@lived(learned_life)
def test_fans_commanded_but_not_proven(learned):
    learned.run(600, fan_run=9.0)
    yield
    evidence = only(learned.since("learned"), "fan-not-proven")
    assert evidence.summary == "Fans 2 and 3 of 4 are commanded but not proven running."
    assert learned.events[0].severity is Severity.HIGH


def test_staged_fans_are_counted_not_named():
    feed = Feed(engine_of(settings={"fan-not-proven": {"staged": 1.0}}))
    feed.run(2 * HOUR, fan_speed=50.0, fan_run=3.0)
    assert feed.events == []
    feed.run(HOUR, fan_speed=75.0, fan_run=3.0)
    assert feed.raised() == ["fan-not-proven"]


@lived(learned_life)
def test_fans_that_are_not_commanded_need_not_run(learned):
    learned.run(4 * HOUR, fan_speed=0.0, fan_run=0.0)
    yield
    assert learned.events == []


@lived(learned_life)
def test_head_pressure_is_judged_by_the_kelvin_left(learned):
    # R134a: 1491.5 kPa at 55 °C, 1681.8 at 60 °C (CoolProp 8.0.0); cut-out 1700 kPa is 60.5 °C.
    learned.run(HOUR, head_pressure=1450.0)
    learned.mark("higher")
    learned.run(HOUR, head_pressure=1550.0)
    learned.mark("near the cut-out")
    learned.run(HOUR, head_pressure=1660.0)
    yield
    assert learned.until("higher") == []
    evidence = only(learned.until("near the cut-out"), "head-pressure-high")
    assert learned.until("near the cut-out")[-1].severity is Severity.MEDIUM
    assert evidence.causes[0].slug == "coil-fouled"
    assert learned.events[-1].severity is Severity.HIGH


def test_each_limit_of_the_head_pressure_is_the_site_files_or_else_the_catalogues():
    """Half an hour at each margin: nearer and nearer to the cut-out, and back."""
    none, medium, high = Severity.NONE, Severity.MEDIUM, Severity.HIGH
    said = [none, medium, medium, high, high, none]
    usual = Life()
    own = {"margin_medium_k": 8.0, "margin_high_k": 6.0, "deadband_k": 0.5}
    careful = Life(settings={"head-pressure-high": own})
    margins_k = {usual: (4.3, 3.7, 2.7, 2.3, 5.3, 5.7), careful: (8.3, 7.7, 6.3, 5.7, 8.3, 8.7)}
    plate = refrigerant.antoine_columns(["R134a"])
    for life, course in margins_k.items():
        for hour, margin_k in enumerate(course):
            condensing_degc = np.array([60.45 - margin_k])  # the cut-out, 1700 kPa, is at 60.45
            (kpa,) = refrigerant.dew_pressure_kpa_abs(condensing_degc, plate)
            life.run(HOUR / 2, head_pressure=kpa)
            life.mark(str(hour))
    live(margins_k)
    for life in margins_k:
        newest = [
            max((e for e in life.until(mark) if e.fault == "head-pressure-high"),
                key=lambda e: e.time_ms, default=None)
            for mark in life.marks_ms
        ]  # fmt: skip
        assert [none if event is None else event.severity for event in newest] == said


@pytest.mark.parametrize(("air_degc", "first"), [(45.0, "dry-in-heat"), (25.0, "coil-fouled")])
def test_a_unit_that_runs_dry_in_hot_air_is_asked_why_it_is_dry(learned, air_degc, first):
    dry = {"wet_mode": 0.0, "pump_command": 0.0, "pump_current": 0.0, "spray_pressure": 0.0}
    events = learned.run(HOUR, head_pressure=1660.0, ambient_temperature=air_degc, **dry)
    assert only(events, "head-pressure-high").causes[0].slug == first


@lived(learned_life)
def test_a_lost_fan_explains_the_head_pressure(learned):
    learned.run(600, fan_fault=1.0, fan_run=14.0)
    learned.run(2 * HOUR, fan_fault=1.0, fan_run=14.0, head_pressure=1600.0)
    yield
    assert learned.raised() == ["fan-fault"]
    assert learned.events[-1].severity is Severity.HIGH


# ---------------------------------------------------------------- people


def act(feed, kind, fault="", until_s=0.0):
    """A person's action now."""
    until = feed.now_ms + int(until_s * 1000) if until_s else 0
    action = Action(1, kind, 0, fault, feed.now_ms, "operator", "", until)
    result = feed.engine.act(action)
    feed.events += result.events
    return result


def test_acknowledge_then_clear_is_back_to_normal(learned):
    learned.run(600, fan_fault=1.0)
    act(learned, ActionKind.ACKNOWLEDGE, "fan-fault")
    learned.run(HOUR)
    assert [(e.change, e.state) for e in learned.events] == [
        (Change.RAISED, AlarmState.UNACKNOWLEDGED),
        (Change.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED),
        (Change.RETURNED, AlarmState.NORMAL),
    ]


def test_a_technician_at_work_raises_nothing_until_the_time_is_over(learned):
    act(learned, ActionKind.OUT_OF_SERVICE, until_s=2 * HOUR)
    learned.run(HOUR, pump_current=0.0, spray_pressure=0.0, fan_run=0.0, basin_level=0.0)
    assert learned.events == []
    learned.now_ms += int(2 * HOUR * 1000)
    learned.engine.clock(learned.now_ms)
    learned.run(HOUR, fan_fault=1.0)
    assert learned.raised() == ["fan-fault"]


def test_a_shelf_ends_by_itself_and_the_alarm_comes_back(learned):
    learned.run(600, fan_fault=1.0)
    act(learned, ActionKind.SHELVE, "fan-fault", until_s=HOUR)
    learned.run(HOUR, fan_fault=1.0)
    assert [e.change for e in learned.events] == [Change.RAISED, Change.SHELVED]
    learned.events += learned.engine.clock(learned.now_ms + 1000).events
    learned.run(HOUR, fan_fault=1.0)
    assert [e.change for e in learned.events[2:]] == [Change.UNSHELVED, Change.RAISED]


def test_a_baseline_reset_by_a_person_is_learned_anew(learned):
    assert len(act(learned, ActionKind.RESET_BASELINE).baselines) == len(STEADY)
    learned.run(8 * HOUR, step_s=300.0, pump_current=3.3, spray_pressure=40.0)
    assert learned.events == []
    assert learned.engine.state.baseline[0, 0] == pytest.approx(3.3, abs=0.03)


def test_a_fault_is_not_learned_as_the_clean_state(feed):
    """While an alarm stands no baseline is learned."""
    feed.run(600, fan_fault=1.0)
    feed.run(12 * HOUR, step_s=300.0, fan_fault=1.0)
    assert np.isnan(feed.engine.state.baseline).all()
    feed.run(HOUR)
    assert not np.isnan(feed.engine.state.baseline[0, 0])
