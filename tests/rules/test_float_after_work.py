"""A basin that ran over, and what may be said of its float once somebody has worked on the unit."""

from __future__ import annotations

import pytest
from water_scenes import WANTED_L_MIN, Basin, Day, steady_bleed

from rules.events import Action, ActionKind, Change

FAULT = "float-stuck-open"


def act(day: Day, kind: ActionKind) -> None:
    """Out of service, or back."""
    action = Action(1, kind, 0, "", day.feed.now_ms, "R. Marsh", "Float")
    day.feed.events += day.feed.engine.act(action).events


def raised(day: Day) -> int:
    """How often it was raised."""
    return sum(e.fault == FAULT and e.change is Change.RAISED for e in day.feed.events)


def after_work(*, mended: bool) -> Day:
    """The float stuck open at rest until the basin ran over; then somebody came for an hour."""
    day = Day(Basin(bleed=steady_bleed(WANTED_L_MIN))).run(5.0)
    day.run(2.0, running=False)
    day.basin.stuck_open = 20.0
    day.run(5.0, running=False)
    assert raised(day) == 1
    act(day, ActionKind.OUT_OF_SERVICE)
    day.run(0.7, running=False)
    if mended:
        day.basin.stuck_open = 0.0
    day.run(0.3, running=False)
    act(day, ActionKind.IN_SERVICE)
    return day


def test_water_that_merely_stands_at_the_lip_since_accuses_no_float():
    day = after_work(mended=True).run(8.0, running=False)
    assert day.basin.level > 235.0
    assert raised(day) == 1
    day.run(3.0).run(3.0, running=False)
    assert raised(day) == 1


def test_a_float_that_was_not_mended_is_told_once_the_pump_drew_on_the_water():
    day = after_work(mended=False).run(3.0, running=False)
    assert raised(day) == 1
    day.run(1.0).run(2.0, running=False)
    assert raised(day) == 2


def test_water_still_at_the_lip_a_day_later_is_told():
    day = after_work(mended=False)
    day.every = 5
    day.run(26.0, running=False)
    assert raised(day) == 2


@pytest.mark.parametrize("draws", [True, False])
def test_water_on_its_way_down_accuses_no_float(draws):
    """With 1.8 L/min drawn a basin of 2 m² sinks by 4.5 mm in five minutes."""
    day = Day(Basin(bleed=steady_bleed(WANTED_L_MIN))).run(5.0)
    act(day, ActionKind.OUT_OF_SERVICE)
    day.run(0.5, running=False)
    day.basin.solids *= 238.0 / day.basin.level
    day.basin.level = 238.0
    act(day, ActionKind.IN_SERVICE)
    day.basin.bleed = steady_bleed(0.0 if draws else WANTED_L_MIN)
    day.basin.evaporation = 1.8 if draws else 0.0
    if not draws:
        day.basin.stuck_open = 12.0
    day.run(1.2)
    assert (raised(day) == 0) is draws
