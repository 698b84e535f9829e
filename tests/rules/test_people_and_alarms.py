"""What people do to alarms and baselines: shelves with a limit, second calls, resets, cleanings."""

from __future__ import annotations

import numpy as np
import pytest
from support.beside import Taped, beside
from support.fleet import HEALTHY, Feed, engine_of, lived_feed, row_of_values, site, unit_data

from rules.answers import answer, why_not
from rules.events import Action, ActionKind, AlarmState, Change, Severity

HOUR = 3600.0
DAY = 24 * HOUR


@pytest.fixture
def learned() -> Feed:
    return lived_feed(8.0)


def clean_unit() -> Taped:
    """The same within a script."""
    feed = Taped()
    feed.run(8 * HOUR)
    return feed


def act(feed, kind, fault="fan-fault", until_s=0.0, parts=()):
    until = feed.now_ms + int(until_s * 1000) if until_s else 0
    action = Action(1, kind, feed.row, fault, feed.now_ms, "R. Okafor", "", until, parts)
    result = feed.engine.act(action)
    feed.events += result.events
    return result


def clock(feed, seconds=0.0):
    feed.now_ms += int(seconds * 1000)
    feed.events += feed.engine.clock(feed.now_ms).events


def changes(feed, fault="fan-fault"):
    return [e.change for e in feed.events if e.fault == fault]


# ---------------------------------------------------------------- shelves


def test_a_shelf_lasts_no_longer_than_the_limit(learned):
    learned.run(600, fan_fault=1.0)
    act(learned, ActionKind.SHELVE, until_s=60 * DAY)
    clock(learned, 6.9 * DAY)
    assert changes(learned) == [Change.RAISED, Change.SHELVED]
    clock(learned, 0.2 * DAY)
    assert changes(learned)[-1] is Change.UNSHELVED


def test_an_alarm_that_comes_and_goes_can_be_shelved_while_it_is_away(learned):
    learned.run(600, fan_fault=1.0)
    learned.run(HOUR)
    act(learned, ActionKind.SHELVE, until_s=DAY)
    learned.run(600, fan_fault=1.0)
    assert changes(learned) == [Change.RAISED, Change.RETURNED, Change.SHELVED]


@beside
def test_who_shelves_a_root_gets_no_alarms_of_what_follows_from_it():
    learned = clean_unit()
    learned.run(600, fan_fault=1.0)
    yield
    act(learned, ActionKind.SHELVE, until_s=DAY)
    learned.run(2 * HOUR, fan_fault=1.0, head_pressure=1640.0)
    yield
    assert changes(learned, "head-pressure-high") == []
    # Once the root is seen to be gone, it explains nothing, shelved or not; nor when it is back.
    learned.run(2 * HOUR, fan_fault=0.0, head_pressure=1640.0)
    yield
    assert changes(learned, "head-pressure-high") == [Change.RAISED]
    learned.run(600, fan_fault=1.0, head_pressure=1640.0)
    yield
    assert changes(learned, "head-pressure-high") == [Change.RAISED]
    assert changes(learned) == [Change.RAISED, Change.SHELVED]


@beside
def test_a_shelved_root_that_flickers_goes_on_explaining():
    """Clear for a minute in ten: less than its off-delay."""
    learned = clean_unit()
    learned.run(600, fan_fault=1.0)
    yield
    act(learned, ActionKind.SHELVE, until_s=DAY)
    for _ in range(12):
        learned.run(540, fan_fault=1.0, head_pressure=1640.0)
        learned.run(60, fan_fault=0.0, head_pressure=1640.0)
    yield
    assert changes(learned, "head-pressure-high") == []
    assert changes(learned) == [Change.RAISED, Change.SHELVED]


@beside
def test_a_shelved_root_is_cleared_by_what_would_clear_it_if_it_stood():
    """A fan that is not proven, and fans that stop for the night: that proves nothing of it."""
    learned = clean_unit()
    learned.run(1800, fan_speed=100.0, fan_run=14.0)
    yield
    act(learned, ActionKind.SHELVE, "fan-not-proven", until_s=DAY)
    learned.run(1800, fan_speed=0.0, fan_run=0.0)
    learned.run(1800, fan_speed=100.0, fan_run=14.0, head_pressure=1640.0)
    yield
    assert changes(learned, "fan-not-proven") == [Change.RAISED, Change.SHELVED]
    assert changes(learned, "head-pressure-high") == []
    learned.run(2 * HOUR, fan_speed=100.0, head_pressure=1640.0)
    yield
    assert changes(learned, "head-pressure-high") == [Change.RAISED]


@pytest.mark.parametrize("shelved", [False, True])
def test_what_was_measured_of_coil_and_pads_is_void_once_a_fan_is_mended(learned, shelved):
    learned.run(600, fan_fault=1.0)
    if shelved:
        act(learned, ActionKind.SHELVE, until_s=DAY)
    state = learned.engine.state
    state.steady[0, 3], state.steady_count[0, 3] = 14.0, 20  # td_dry
    learned.run(600, fan_fault=1.0)
    assert state.steady_count[0, 3] == 20
    learned.run(HOUR)
    assert state.steady_count[0, 3] == 0


def test_a_unit_out_of_service_is_not_shelved(learned):
    act(learned, ActionKind.OUT_OF_SERVICE, "", until_s=DAY)
    act(learned, ActionKind.SHELVE, until_s=2 * DAY)
    assert Change.SHELVED not in changes(learned)


# ---------------------------------------------------------------- second calls


def test_what_was_acknowledged_and_still_stands_is_announced_again(learned):
    learned.run(600, fan_fault=3.0)
    act(learned, ActionKind.ACKNOWLEDGE)
    clock(learned, 0.9 * DAY)
    assert changes(learned) == [Change.RAISED, Change.ACKNOWLEDGED]
    clock(learned, 0.2 * DAY)
    clock(learned, 30 * DAY)
    last = [e for e in learned.events if e.fault == "fan-fault"][-1]
    assert (last.change, last.state) == (Change.ANNOUNCED_AGAIN, AlarmState.UNACKNOWLEDGED)
    assert changes(learned).count(Change.ANNOUNCED_AGAIN) == 1
    act(learned, ActionKind.ACKNOWLEDGE)
    clock(learned, 1.1 * DAY)
    assert changes(learned).count(Change.ANNOUNCED_AGAIN) == 2


def test_a_time_of_nought_is_never():
    feed = Feed(engine_of(settings={"fleet": {"announce_again_high_s": 0.0}}))
    feed.run(600, fan_fault=3.0)
    act(feed, ActionKind.ACKNOWLEDGE)
    clock(feed, 365 * DAY)
    assert Change.ANNOUNCED_AGAIN not in changes(feed)


def test_what_returned_is_not_announced_again(learned):
    learned.run(600, fan_fault=3.0)
    act(learned, ActionKind.ACKNOWLEDGE)
    learned.run(HOUR)
    clock(learned, 40 * DAY)
    assert Change.ANNOUNCED_AGAIN not in changes(learned)


# ---------------------------------------------------------------- latching


@pytest.fixture
def latching() -> Feed:
    """A unit whose settings make its fan fault latch."""
    feed = Feed(engine_of(settings={"fan-fault": {"latches": 1.0}}))
    feed.run(600, fan_fault=1.0)
    return feed


def test_a_latched_alarm_waits_for_acknowledgement_and_reset(latching):
    latching.run(HOUR)
    act(latching, ActionKind.RESET)
    act(latching, ActionKind.ACKNOWLEDGE)
    act(latching, ActionKind.RESET)
    assert [(e.change, e.state) for e in latching.events] == [
        (Change.RAISED, AlarmState.UNACKNOWLEDGED),
        (Change.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED),
        (Change.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED),
        (Change.RESET, AlarmState.NORMAL),
    ]


def test_a_latched_alarm_whose_fault_comes_again_stands_again(latching):
    latching.run(HOUR)
    latching.run(600, fan_fault=1.0)
    assert [(e.change, e.state) for e in latching.events[1:]] == [
        (Change.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED),
        (Change.RAISED, AlarmState.UNACKNOWLEDGED),
    ]


def test_one_unit_may_latch_what_its_neighbour_does_not():
    units = [unit_data("ac-1", settings={"fan-fault": {"latches": 1.0}}), unit_data("ac-2")]
    feed = Feed(engine_of(site("north-hall", units)))
    for row in (0, 1):
        feed.run(600, row=row, fan_fault=1.0)
        feed.run(HOUR, row=row)
    ends = {e.unit_row: e.state for e in feed.events if e.change is Change.RETURNED}
    assert ends == {
        0: AlarmState.LATCHED_UNACKNOWLEDGED, 1: AlarmState.RETURNED_UNACKNOWLEDGED
    }  # fmt: skip


def test_a_standing_alarm_is_not_reset(latching):
    act(latching, ActionKind.RESET)
    assert changes(latching) == [Change.RAISED]


# ---------------------------------------------------------------- baselines


def baseline(feed, quantity=0):
    return float(feed.engine.state.baseline[feed.row, quantity])


@beside
def test_after_a_cleaning_the_old_baseline_holds_until_it_has_proven_to_help():
    """Closed out, the cleaned state is judged by the old baseline; proven, it is learned."""
    learned = clean_unit()
    yield
    before = baseline(learned)
    learned.run(10 * HOUR, pump_current=3.35, spray_pressure=40.0)
    yield
    assert "pump-screen-clogging" in learned.raised()
    act(learned, ActionKind.CLEANED, "", parts=("pump-screen",))
    assert baseline(learned) == before
    learned.run(16 * HOUR, 300.0, pump_current=3.75, spray_pressure=60.0)
    yield
    assert baseline(learned) == before
    assert changes(learned, "pump-screen-clogging")[-1] is Change.RETURNED
    act(learned, ActionKind.PROVEN, "", parts=("pump-screen",))
    assert baseline(learned) == before
    learned.run(HOUR, pump_current=3.75, spray_pressure=60.0)
    yield
    assert baseline(learned) == pytest.approx(3.75, abs=0.03)


@beside
def test_a_proof_before_enough_was_seen_waits_for_it():
    learned = clean_unit()
    yield
    before = baseline(learned)
    act(learned, ActionKind.CLEANED, "", parts=("pump-screen",))
    learned.run(2 * HOUR, 300.0, pump_current=3.75, spray_pressure=60.0)
    yield
    act(learned, ActionKind.PROVEN, "", parts=("pump-screen",))
    learned.run(2 * HOUR, 300.0, pump_current=3.75, spray_pressure=60.0)
    yield
    assert baseline(learned) == before
    learned.run(4 * HOUR, 300.0, pump_current=3.75, spray_pressure=60.0)
    yield
    assert baseline(learned) == pytest.approx(3.75, abs=0.03)


def test_the_proof_of_an_earlier_cleaning_does_not_count_for_the_next(learned):
    act(learned, ActionKind.CLEANED, "", parts=("pump-screen",))
    act(learned, ActionKind.PROVEN, "", parts=("pump-screen",))
    assert learned.engine.state.baseline_relearn[0, 0]
    act(learned, ActionKind.CLEANED, "", parts=("pump-screen",))
    assert not learned.engine.state.baseline_relearn[0].any()


def test_a_cleaning_forgets_what_dry_and_wet_running_said_of_the_pads(learned):
    state = learned.engine.state
    state.switch_effect[0] = 0.1
    state.wet_td_k[0] = 4.0
    act(learned, ActionKind.CLEANED, "", parts=("pump-screen",))
    assert state.wet_td_k[0] == 4.0
    act(learned, ActionKind.CLEANED, "", parts=("pads",))
    assert np.isnan(state.switch_effect[0]).all()
    assert np.isnan(state.wet_td_k[0])


@pytest.mark.parametrize("frozen", [False, True])
def test_a_load_that_begins_to_be_sent_takes_the_old_baseline_unless_it_is_frozen(learned, frozen):
    state = learned.engine.state
    state.baseline[0, 3] = 10.0  # td_dry
    if frozen:
        act(learned, ActionKind.FREEZE_BASELINE, "")
    changes = []
    for _ in range(12):
        learned.now_ms += 60_000
        frame = row_of_values({**HEALTHY, "heat_load": 150.0})
        changes += learned.send(0, learned.now_ms, frame).baselines
    gone = [(c.quantity, c.value) for c in changes if c.quantity == "td_dry"]
    assert gone == ([] if frozen else [("td_dry", None)])
    assert np.isnan(state.baseline[0, 3]) != frozen


def test_a_cleaning_of_the_coil_leaves_the_pump_alone(learned):
    kept = learned.engine.state.steady_count[0].copy()
    act(learned, ActionKind.CLEANED, "", parts=("coil",))
    assert learned.engine.state.steady_count[0, 0] == kept[0]
    assert not learned.engine.state.baseline_relearn[0, :3].any()


@beside
def test_a_cleaning_that_changed_nothing_does_not_hide_the_fault():
    """The old baseline judges on: nothing is proven."""
    learned = clean_unit()
    learned.run(10 * HOUR, pump_current=3.35, spray_pressure=40.0)
    yield
    act(learned, ActionKind.CLEANED, "", parts=("pump-screen",))
    before = baseline(learned)
    learned.run(24 * HOUR, 300.0, pump_current=3.35, spray_pressure=40.0)
    yield
    assert baseline(learned) == before
    assert changes(learned, "pump-screen-clogging")[-1] is not Change.RETURNED


@beside
def test_a_frozen_unit_learns_nothing_until_it_is_released():
    feed = Taped()
    yield
    act(feed, ActionKind.FREEZE_BASELINE, "")
    feed.run(10 * HOUR)
    yield
    assert np.isnan(baseline(feed))
    act(feed, ActionKind.RELEASE_BASELINE, "")
    feed.run(HOUR)
    yield
    assert baseline(feed) == pytest.approx(3.6, abs=0.03)


@beside
def test_a_fault_that_grows_slowly_is_not_taught_to_the_baseline():
    """A tenth of a per cent an hour for two weeks: the baseline stays, the alarm comes."""
    learned = clean_unit()
    yield
    before = baseline(learned)
    for hour in range(14 * 24):
        loss = hour * 0.0005
        learned.run(HOUR, 1200.0, pump_current=3.6 * (1 - 0.4 * loss),
                    spray_pressure=58.0 * (1 - loss) ** 2)  # fmt: skip
    yield
    assert baseline(learned) == before
    assert learned.raised() == ["pump-screen-clogging"]


@beside
def test_a_drift_from_the_first_hour_on_is_not_learned_while_it_lasts():
    feed = Taped()
    for minute in range(0, 720, 5):
        feed.run(300.0, pump_current=3.6 * (1.0 - 0.0002 * minute))
    yield
    assert np.isnan(baseline(feed))


@pytest.mark.parametrize("kind", [ActionKind.SHELVE, ActionKind.UNSHELVE, ActionKind.RESET])
@pytest.mark.parametrize("state", AlarmState)
def test_why_an_action_does_nothing_is_said_exactly_where_it_does_nothing(state, kind):
    action = Action(1, kind, 0, "fan-fault", 1_000, "Ana", "", 2_000)
    does = answer(state, Severity.MEDIUM, action, lambda _name: 604_800.0)
    assert (why_not(state, kind) == "") == (does is not None)


@beside
def test_a_unit_out_of_service_teaches_no_baseline():
    """It may run with covers off, pads out or valves throttled meanwhile."""
    feed = Taped()
    yield
    act(feed, ActionKind.OUT_OF_SERVICE, fault="")
    feed.run(8 * HOUR, pump_current=3.0)
    yield
    assert np.isnan(feed.engine.state.baseline[feed.row]).all()
    act(feed, ActionKind.IN_SERVICE, fault="")
    feed.run(8 * HOUR)
    yield
    pump = feed.engine.state.baseline[feed.row, 0]
    assert pump == pytest.approx(HEALTHY["pump_current"], rel=0.01)


@beside
def test_a_fault_that_is_shelved_teaches_no_baseline():
    """Put aside is not mended: the clean state is learned once the alarm is gone."""
    feed = Taped()
    feed.run(600, fan_fault=1.0)
    yield
    act(feed, ActionKind.SHELVE, until_s=DAY)
    feed.run(8 * HOUR, fan_fault=1.0)
    yield
    assert np.isnan(feed.engine.state.baseline[feed.row]).all()
    act(feed, ActionKind.UNSHELVE)
    feed.run(HOUR)
    yield
    assert not np.isnan(feed.engine.state.baseline[feed.row, 0])
