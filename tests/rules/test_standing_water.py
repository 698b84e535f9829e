"""Hygiene and frost: standing water, a basin left full, ice; and the everyday life beside them."""

from __future__ import annotations

from support.fleet import Feed, engine_of

from rules.events import Change, Severity

HOUR = 3600.0
DAY = 24 * HOUR
AT_REST = {
    "pump_current": 0.0, "pump_command": 0.0, "wet_mode": 0.0, "spray_pressure": 0.0,
    "spray_flow": 0.0,
}  # fmt: skip


def resting(feed, days, **values):
    """A dry unit, sampled every five minutes; the level moves a little as in life."""
    start = len(feed.events)
    for hour in range(int(days * 24)):
        level = values.get("basin_level", 170.0)
        wave = None if level is None else level + hour % 3
        feed.run(HOUR, step_s=300.0, **{**AT_REST, **values, "basin_level": wave})
    return feed.events[start:]


def raised(events):
    return [(e.fault, e.severity) for e in events if e.change is Change.RAISED]


def test_warm_water_that_stands_for_days_is_found_and_grows():
    feed = Feed(engine_of())
    events = resting(feed, 5, basin_temperature=27.0, ambient_temperature=28.0)
    warm = [e for e in events if e.fault == "warm-standing-water"]
    assert [(e.change, e.severity) for e in warm] == [
        (Change.RAISED, Severity.LOW), (Change.WORSENED, Severity.MEDIUM)
    ]  # fmt: skip
    assert warm[0].evidence.causes[0].slug == "left-full"
    assert "only a sample tells" in warm[0].evidence.limits[0]


def test_it_ends_when_water_circulates_or_the_basin_is_drained():
    for change in ({}, {**AT_REST, "basin_level": 0.0}):
        feed = Feed(engine_of())
        resting(feed, 4, basin_temperature=27.0)
        events = feed.run(3 * HOUR, basin_temperature=27.0, **change)
        assert [e.change for e in events if e.fault == "warm-standing-water"] == [Change.RETURNED]


def test_cool_dry_days_and_a_week_off_raise_nothing():
    feed = Feed(engine_of())
    assert resting(feed, 8, basin_temperature=18.0, ambient_temperature=17.0) == []


def test_a_weekend_of_heat_raises_nothing():
    feed = Feed(engine_of())
    assert resting(feed, 1.9, basin_temperature=30.0, ambient_temperature=33.0) == []


def test_without_a_basin_temperature_the_air_stands_in_and_it_is_said():
    feed = Feed(engine_of())
    events = resting(feed, 4, basin_temperature=None, ambient_temperature=29.0)
    (event,) = [e for e in events if e.change is Change.RAISED]
    assert event.fault == "warm-standing-water"
    assert "the air's stands in" in event.evidence.limits[1]


def test_a_basin_left_full_for_weeks_is_found():
    feed = Feed(engine_of())
    events = resting(feed, 12, basin_temperature=12.0, ambient_temperature=11.0)
    assert raised(events) == [("basin-not-drained", Severity.LOW)]


def test_a_drained_basin_may_stand_for_weeks():
    feed = Feed(engine_of())
    assert resting(feed, 14, basin_temperature=12.0, basin_level=3.0, conductivity=0.0) == []


def test_water_in_frost_is_found_and_ice_is_urgent():
    feed = Feed(engine_of())
    events = resting(feed, 0.5, basin_temperature=1.5, ambient_temperature=-2.0)
    assert raised(events) == [("frost-risk", Severity.MEDIUM)]
    assert events[0].evidence.causes[0].slug == "not-drained"
    events = resting(feed, 0.5, basin_temperature=0.2, ambient_temperature=-6.0)
    assert [(e.change, e.severity) for e in events] == [(Change.WORSENED, Severity.HIGH)]


def test_a_heated_or_drained_basin_may_stand_in_frost():
    feed = Feed(engine_of())
    assert resting(feed, 3, basin_temperature=6.0, ambient_temperature=-8.0) == []
    feed = Feed(engine_of())
    assert resting(feed, 3, basin_temperature=-8.0, ambient_temperature=-8.0, basin_level=2.0,
                   conductivity=0.0) == []  # fmt: skip


def test_frost_without_level_or_conductivity_is_not_judged():
    """Unknown is not healthy, and it is not ill either."""
    feed = Feed(engine_of())
    events = resting(feed, 2, basin_temperature=None, ambient_temperature=-9.0, basin_level=None,
                     conductivity=None)  # fmt: skip
    assert events == []


def test_a_basin_that_is_drained_every_night_and_then_is_not_is_found_soon():
    feed = Feed(engine_of())
    for _ in range(4):
        resting(feed, 0.4, basin_temperature=14.0, conductivity=320.0)
        resting(feed, 0.6, basin_temperature=14.0, basin_level=0.0, conductivity=0.0)
    assert feed.events == []
    events = resting(feed, 2.5, basin_temperature=14.0, conductivity=320.0)
    assert raised(events) == [("basin-not-drained", Severity.LOW)]
    assert "habit" in events[0].evidence.readings[0].note


def test_a_basin_that_was_emptied_once_has_no_habit():
    feed = Feed(engine_of())
    resting(feed, 1, basin_temperature=14.0, conductivity=320.0)
    resting(feed, 0.5, basin_temperature=14.0, basin_level=0.0, conductivity=0.0)
    assert resting(feed, 7.5, basin_temperature=14.0, conductivity=320.0) == []
