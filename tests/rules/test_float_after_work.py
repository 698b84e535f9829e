"""A basin that ran over, and what may be said of its float once somebody has worked on the unit.

All scenes are one fleet.
"""

from __future__ import annotations

import pytest
from lives import life_of, live
from water_scenes import WANTED_L_MIN, Basin, Day, steady_bleed

from rules.events import ActionKind, AlarmEvent, Change

FAULT = "float-stuck-open"


def raised(events: list[AlarmEvent]) -> int:
    """How often it was raised."""
    return sum(e.fault == FAULT and e.change is Change.RAISED for e in events)


def after_work(*, mended: bool) -> Day:
    """The float stuck open at rest until the basin ran over; then somebody came for an hour."""
    day = life_of(Basin(bleed=steady_bleed(WANTED_L_MIN)), every=1).run(5.0)
    day.run(2.0, running=False)
    day.basin.stuck_open = 20.0
    day.run(5.0, running=False)
    day.feed.mark("worked on")
    day.feed.act(ActionKind.OUT_OF_SERVICE)
    day.run(0.7, running=False)
    if mended:
        day.basin.stuck_open = 0.0
    day.run(0.3, running=False)
    day.feed.act(ActionKind.IN_SERVICE)
    return day


def stands_at_the_lip() -> Day:
    day = after_work(mended=True).run(8.0, running=False)
    day.level_mm = day.basin.level
    return day.run(3.0).run(3.0, running=False)


def drawn_on(hours: float) -> Day:
    day = after_work(mended=False).run(3.0, running=False)
    day.feed.mark("drawn on")
    return day.run(hours).run(2.0, running=False)


def a_day_later() -> Day:
    day = after_work(mended=False)
    day.every = 5
    return day.run(26.0, running=False)


def on_its_way_down(*, draws: bool) -> Day:
    """With 1.8 L/min drawn a basin of 2 m² sinks by 4.5 mm in five minutes."""
    day = life_of(Basin(bleed=steady_bleed(WANTED_L_MIN)), every=1).run(5.0)
    day.feed.act(ActionKind.OUT_OF_SERVICE)
    day.run(0.5, running=False)
    day.basin.solids *= 238.0 / day.basin.level
    day.basin.level = 238.0
    day.feed.act(ActionKind.IN_SERVICE)
    day.basin.bleed = steady_bleed(0.0 if draws else WANTED_L_MIN)
    day.basin.evaporation = 1.8 if draws else 0.0
    if not draws:
        day.basin.stuck_open = 12.0
    return day.run(1.2)


@pytest.fixture(scope="module")
def lived() -> dict[str, Day]:
    days = {
        "stands at the lip": stands_at_the_lip(),
        "drawn on": drawn_on(1.0),
        "drawn on for minutes": drawn_on(0.1),
        "a day later": a_day_later(),
        "drawn down": on_its_way_down(draws=True),
        "fed": on_its_way_down(draws=False),
    }
    live(days.values())
    return days


def test_water_that_merely_stands_at_the_lip_since_accuses_no_float(lived):
    day = lived["stands at the lip"]
    assert day.level_mm > 235.0
    assert raised(day.feed.until("worked on")) == 1
    assert raised(day.feed.events) == 1


@pytest.mark.parametrize("name", ["drawn on", "drawn on for minutes"])
def test_a_float_that_was_not_mended_is_told_once_the_pump_drew_on_the_water(lived, name):
    feed = lived[name].feed
    assert raised(feed.until("worked on")) == 1
    assert raised(feed.until("drawn on")) == 1
    assert raised(feed.events) == 2


def test_water_still_at_the_lip_a_day_later_is_told(lived):
    feed = lived["a day later"].feed
    assert raised(feed.until("worked on")) == 1
    assert raised(feed.events) == 2


def test_water_on_its_way_down_accuses_no_float(lived):
    assert raised(lived["drawn down"].feed.events) == 0
    assert raised(lived["fed"].feed.events) > 0
