"""What is done to a unit while it is out of service is no reading of the unit.

Fans are locked out whatever the controller asks for, water is let out and filled in by hose, probes
are taken out and put back.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pytest
from support.beside import Taped, beside
from water_scenes import WANTED_L_MIN, Basin, Day, a_day, controlled_bleed, steady_bleed

from rules.events import Action, ActionKind
from rules.staging import is_stepped

FLEET = "water"
HOUR = 3600.0


def act(feed: Any, kind: ActionKind) -> None:
    action = Action(1, kind, feed.row, "", feed.now_ms, "R. Marsh", "Cleaning")
    feed.events += feed.engine.act(action).events


@beside
@pytest.mark.parametrize("held_h", [1.0, 3.0])
def test_fans_that_were_locked_out_for_the_work_have_lost_no_air(held_h):
    """The speed stays commanded meanwhile: the share of fans proven would fall to a third."""
    feed = Taped()
    feed.run(8 * HOUR)
    yield
    act(feed, ActionKind.OUT_OF_SERVICE)
    feed.run(held_h * HOUR, fan_run=0.0)
    yield
    act(feed, ActionKind.IN_SERVICE)
    feed.run(6 * HOUR)
    yield
    assert feed.raised() == []
    assert feed.engine.state.fan_share[feed.row] > 0.95


@beside
@pytest.mark.parametrize("worked_on", [False, True])
def test_fans_that_are_tried_one_by_one_are_not_switched_in_stages(worked_on):
    feed = Taped()
    yield
    if worked_on:
        act(feed, ActionKind.OUT_OF_SERVICE)
    for _ in range(10):
        for word in (1.0, 3.0, 7.0):
            feed.run(120.0, fan_run=word, fan_speed=None)
    yield
    known = is_stepped(feed.engine.state, np.array([feed.row]), np.array([4]))
    assert known[0] == (not worked_on)


@beside
@pytest.mark.parametrize("worked_on", [False, True])
def test_an_hour_of_trial_is_no_hour_of_coil_and_pads(worked_on):
    feed = Taped()
    yield
    if worked_on:
        act(feed, ActionKind.OUT_OF_SERVICE)
    feed.run(3 * HOUR, heat_load=200.0)
    yield
    state = feed.engine.state
    assert (state.td_last_bin[feed.row, 1] > 0) == (not worked_on)
    assert (state.heat_bins[feed.row] > 0) == (not worked_on)


# ---------------------------------------------------------------- water

LEARNED: Final = ("top_us_cm", "bottom_us_cm", "top_run_bins", "bottom_run_bins", "bleed_run_bins",
                  "bleed_shut_bins", "bleed_turns", "bleed_usual_l_min")  # fmt: skip


def held_for_days(*, meters: bool = False) -> Day:
    """A unit whose bleed has held its water at 840 to 900 µS/cm for four days."""
    return a_day(Basin(bleed=controlled_bleed(4.0, 900.0)), meters=meters, every=5).run(90.0)


@beside
def test_what_is_done_with_the_water_meanwhile_is_no_habit_of_the_bleed():
    """For a trial the bleed is shut, and the water dosed up towards its limit."""
    day = held_for_days(meters=True)
    yield
    assert day.raised() == []
    state, row = day.feed.engine.state, day.feed.row
    before = {name: getattr(state, name)[row].copy() for name in LEARNED}
    act(day.feed, ActionKind.OUT_OF_SERVICE)
    day.run(5 / 60)  # the bin that was open
    yield
    before |= {name: getattr(state, name)[row].copy() for name in LEARNED}
    day.basin.bleed = steady_bleed(0.0)
    day.run(4.0)
    assert day.basin.conductivity > 1300.0
    yield
    assert {name: getattr(state, name)[row] for name in LEARNED} == before
    assert before["top_us_cm"] < 950.0


@beside
def test_an_open_bleed_that_was_mended_is_not_told_again_while_the_water_comes_back():
    """6 L/min took it to 300 (1 + 3.1 / 6) = 455 µS/cm; back to 840 it needs
    380 (840 - 455) / (300 * 3.1) min, two and a half hours."""
    day = held_for_days()
    day.basin.bleed = steady_bleed(6.0)
    day.run(20.0)
    yield
    assert day.raised() == ["bleed-stuck-open"]
    act(day.feed, ActionKind.OUT_OF_SERVICE)
    day.basin.bleed = controlled_bleed(4.0, 900.0)
    day.run(1.0, running=False)
    yield
    act(day.feed, ActionKind.IN_SERVICE)
    day.run(16.0)
    assert day.basin.conductivity > 830.0
    yield
    assert day.raised() == ["bleed-stuck-open"]


@beside
def test_an_open_bleed_that_was_not_mended_is_told_again():
    day = held_for_days()
    day.basin.bleed = steady_bleed(6.0)
    day.run(20.0)
    yield
    act(day.feed, ActionKind.OUT_OF_SERVICE)
    day.run(1.0, running=False)
    yield
    act(day.feed, ActionKind.IN_SERVICE)
    day.run(16.0)
    yield
    assert day.raised() == ["bleed-stuck-open"] * 2


@beside
@pytest.mark.parametrize("worked_on", [False, True])
def test_a_fill_by_hand_measures_no_make_up(worked_on):
    day = a_day(Basin(), every=5)
    day.run(3.0, running=False)
    if worked_on:
        yield
        act(day.feed, ActionKind.OUT_OF_SERVICE)
    day.basin.drain, day.basin.supply = 40.0, 0.0
    day.run(1.0, running=False)
    day.basin.drain, day.basin.supply = 0.0, 1.0
    day.run(1.5, running=False)
    if worked_on:
        yield
        act(day.feed, ActionKind.IN_SERVICE)
    day.run(1.0, running=False)
    yield
    assert day.feed.engine.state.fills[day.feed.row] == (not worked_on)


@beside
@pytest.mark.parametrize("worked_on", [False, True])
def test_basins_that_are_emptied_for_cleaning_are_no_habit_of_draining(worked_on):
    feed = Taped()
    rest = {"pump_current": 0.0, "pump_command": 0.0, "wet_mode": 0.0, "spray_pressure": 0.0}
    for _ in range(3):
        feed.run(4 * HOUR, step_s=300.0)
        feed.run(HOUR, step_s=300.0, **rest)
        if worked_on:
            yield
            act(feed, ActionKind.OUT_OF_SERVICE)
        feed.run(HOUR, step_s=300.0, basin_level=5.0, **rest)
        if worked_on:
            yield
            act(feed, ActionKind.IN_SERVICE)
    yield
    assert feed.engine.state.drains[feed.row] == (0 if worked_on else 3)


# ---------------------------------------------------------------- probes


def a_stroke() -> Day:
    """A probe that lost half of its reading from one mean to the next."""
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN)), every=5).run(6.0)
    day.probe = lambda c: 0.5 * c
    return day.run(5.0)


@beside
@pytest.mark.parametrize(("gain", "again"), [(1.0, 0), (0.5, 1)])
def test_a_probe_that_fell_at_one_stroke_is_told_again_only_if_it_still_reads_low(gain, again):
    """It hangs in a bucket for the better part of an hour: no stroke brings the reading back."""
    day = a_stroke()
    yield
    assert day.raised() == ["conductivity-probe"]
    act(day.feed, ActionKind.OUT_OF_SERVICE)
    day.run(0.75, running=False, conductivity=float("nan"))
    day.probe = lambda c: gain * c
    day.run(0.25, running=False)
    yield
    act(day.feed, ActionKind.IN_SERVICE)
    day.run(8.0)
    yield
    assert day.raised().count("conductivity-probe") == 1 + again


@beside
def test_water_that_is_changed_by_hose_is_no_stroke_of_the_probe():
    """Half of the basin is pumped out and filled in again within five minutes."""
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN)), every=5)
    day.run(6.0)
    yield
    act(day.feed, ActionKind.OUT_OF_SERVICE)
    day.run(0.5, running=False)
    day.basin.solids *= 0.4
    day.run(0.5, running=False)
    yield
    act(day.feed, ActionKind.IN_SERVICE)
    day.run(8.0)
    yield
    assert "conductivity-probe" not in day.raised()


@beside
@pytest.mark.parametrize("cleaned", [True, False])
def test_a_probe_that_slid_is_told_again_unless_fresh_water_was_filled_in(cleaned):
    """Fresh water is thin for good reason, for longer than the alarm's delay."""
    day = held_for_days()
    for hour in range(96):
        day.probe = lambda c, hour=hour: (1.0 - 0.4 * hour / 96.0) * c
        day.run(1.0)
    day.run(5.0)
    yield
    assert day.raised() == ["conductivity-probe"]
    act(day.feed, ActionKind.OUT_OF_SERVICE)
    if cleaned:
        day.probe = lambda c: c
        day.basin.drain, day.basin.supply = 40.0, 0.0
        day.run(1.0, running=False)
        day.basin.drain, day.basin.supply = 0.0, 1.0
    day.run(1.0, running=False)
    yield
    act(day.feed, ActionKind.IN_SERVICE)
    # Damp air: the way back takes longer than the alarm's delay.
    day.basin.evaporation, day.humidity = 0.9, 80.0
    day.run(10.0)
    yield
    assert day.raised().count("conductivity-probe") == (1 if cleaned else 2)
