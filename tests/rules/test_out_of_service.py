"""What is done to a unit while it is out of service is no reading of the unit.

Fans are locked out whatever the controller asks for, water is let out and filled in by hose, probes
are taken out and put back.
"""

from __future__ import annotations

from typing import Any, Final

import pytest
from support.fleet import Feed, engine_of
from water_scenes import Basin, Day, controlled_bleed, steady_bleed

from rules.events import Action, ActionKind

HOUR = 3600.0


def act(feed: Any, kind: ActionKind) -> None:
    action = Action(1, kind, 0, "", feed.now_ms, "R. Marsh", "Cleaning")
    feed.events += feed.engine.act(action).events


@pytest.mark.parametrize("held_h", [1.0, 3.0])
def test_fans_that_were_locked_out_for_the_work_have_lost_no_air(held_h):
    """The speed stays commanded meanwhile: the share of fans proven would fall to a third."""
    feed = Feed(engine_of())
    feed.run(8 * HOUR)
    act(feed, ActionKind.OUT_OF_SERVICE)
    feed.run(held_h * HOUR, fan_run=0.0)
    act(feed, ActionKind.IN_SERVICE)
    feed.run(6 * HOUR)
    assert feed.raised() == []
    assert feed.engine.state.fan_share[0] > 0.95


# ---------------------------------------------------------------- water

LEARNED: Final = ("top_us_cm", "bottom_us_cm", "top_run_bins", "bottom_run_bins", "bleed_run_bins",
                  "bleed_shut_bins", "bleed_turns", "bleed_usual_l_min")  # fmt: skip


def held_for_days(*, meters: bool = False) -> Day:
    """A unit whose bleed has held its water at 840 to 900 µS/cm for four days."""
    day = Day(Basin(bleed=controlled_bleed(4.0, 900.0)), meters=meters)
    day.every = 5
    day.run(90.0)
    assert day.raised() == []
    return day


def test_what_is_done_with_the_water_meanwhile_is_no_habit_of_the_bleed():
    """For a trial the bleed is shut, and the water dosed up towards its limit."""
    day = held_for_days(meters=True)
    state = day.feed.engine.state
    before = {name: getattr(state, name)[0].copy() for name in LEARNED}
    act(day.feed, ActionKind.OUT_OF_SERVICE)
    day.run(5 / 60)  # the bin that was open
    before |= {name: getattr(state, name)[0].copy() for name in LEARNED}
    day.basin.bleed = steady_bleed(0.0)
    day.run(4.0)
    assert day.basin.conductivity > 1300.0
    assert {name: getattr(state, name)[0] for name in LEARNED} == before
    assert before["top_us_cm"] < 950.0


def test_an_open_bleed_that_was_mended_is_not_told_again_while_the_water_comes_back():
    """6 L/min took it to 300 (1 + 3.1 / 6) = 455 µS/cm; back to 840 it needs
    380 (840 - 455) / (300 * 3.1) min, two and a half hours."""
    day = held_for_days()
    day.basin.bleed = steady_bleed(6.0)
    day.run(20.0)
    assert day.raised() == ["bleed-stuck-open"]
    act(day.feed, ActionKind.OUT_OF_SERVICE)
    day.basin.bleed = controlled_bleed(4.0, 900.0)
    day.run(1.0, running=False)
    act(day.feed, ActionKind.IN_SERVICE)
    day.run(16.0)
    assert day.basin.conductivity > 830.0
    assert day.raised() == ["bleed-stuck-open"]


def test_an_open_bleed_that_was_not_mended_is_told_again():
    day = held_for_days()
    day.basin.bleed = steady_bleed(6.0)
    day.run(20.0)
    act(day.feed, ActionKind.OUT_OF_SERVICE)
    day.run(1.0, running=False)
    act(day.feed, ActionKind.IN_SERVICE)
    day.run(16.0)
    assert day.raised() == ["bleed-stuck-open"] * 2


@pytest.mark.parametrize("worked_on", [False, True])
def test_a_fill_by_hand_measures_no_make_up(worked_on):
    day = Day(Basin())
    day.every = 5
    day.run(3.0, running=False)
    if worked_on:
        act(day.feed, ActionKind.OUT_OF_SERVICE)
    day.basin.drain, day.basin.supply = 40.0, 0.0
    day.run(1.0, running=False)
    day.basin.drain, day.basin.supply = 0.0, 1.0
    day.run(1.5, running=False)
    if worked_on:
        act(day.feed, ActionKind.IN_SERVICE)
    day.run(1.0, running=False)
    assert day.feed.engine.state.fills[0] == (not worked_on)
