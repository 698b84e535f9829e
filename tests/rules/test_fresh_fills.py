"""Basins that are drained and filled again and again: each fill measures the make-up.

The readings come from the tests' own integrator of litres and solids (``water_scenes``).
"""

from __future__ import annotations

import numpy as np
import pytest
from support.fleet import Feed, engine_of, site, unit_data
from water_scenes import Basin, Day, controlled_bleed, steady_bleed

from rules.baselines import act_on_baselines
from rules.events import Action, ActionKind, Change
from rules.fresh_fill import _learn, filled_as_ever

FAULT = "makeup-quality-changed"
HEEL_MM = 15.0
"""So much old water stays below the drain: a twelfth of the filled basin."""
SLOW = 0.15
"""Share of the valve's flow that the supply gives: 4.5 L/min, 75 minutes for a fill."""


def drained_days(day: Day, count: int, *, hours: float = 5.0) -> Day:
    """Days of wet running, each with an empty basin and a fill before it."""
    for _ in range(count):
        day.emptied_and_filled(HEEL_MM, 160.0, drain=40.0, empty_h=1.5, supply=SLOW)
        day.basin.supply = 1.0
        day.run(hours)
    return day


def a_day(probe: float = 1.0) -> Day:
    """A unit whose basin is drained each day, a frame in five minutes."""
    day = Day(Basin(bleed=controlled_bleed(4.0, 900.0)))
    day.every = 5
    day.probe = lambda c: probe * c
    return day


@pytest.mark.parametrize(("makeup", "word"), [(420.0, "harder"), (200.0, "softer")])
def test_two_fills_in_a_row_that_are_not_as_ever_tell_of_the_make_up(makeup, word):
    """Two fifths more, and a third less: both within what the site file's figure allows a fill."""
    day = drained_days(a_day(), 5)
    day.basin.makeup_us_cm = makeup
    drained_days(day, 1)
    assert FAULT not in day.raised()
    drained_days(day, 1)
    assert FAULT in day.raised()
    found = day.evidence(FAULT)
    assert word in found.summary
    assert "as a rule" in found.summary
    # Old water makes up a twelfth.
    assert found.readings[0].measured == pytest.approx(makeup, rel=0.2)


def test_one_fill_far_off_is_enough():
    day = drained_days(a_day(), 5, hours=3.0)
    day.basin.makeup_us_cm = 120.0
    drained_days(day, 1, hours=3.0)
    assert FAULT in day.raised()


def test_a_probe_that_lost_a_third_of_its_reading_is_the_first_cause_of_soft_fills():
    """By day it may read as ever, since the bleed that follows it holds what it reads."""
    day = drained_days(a_day(), 5, hours=3.0)
    day.probe = lambda c: 0.62 * c
    drained_days(day, 2, hours=3.0)
    first = day.evidence(FAULT).causes[0].slug if FAULT in day.raised() else None
    assert "conductivity-probe" in (first, *day.raised())


def test_a_fill_as_ever_clears_it():
    day = drained_days(a_day(), 5)
    day.basin.makeup_us_cm = 420.0
    drained_days(day, 2)
    day.basin.makeup_us_cm = 300.0
    drained_days(day, 1)
    changes = [e.change for e in day.feed.events if e.fault == FAULT]
    assert changes[-1] is Change.RETURNED


def test_a_site_file_that_is_off_by_a_third_accuses_no_make_up():
    """What counts is the unit's own: its fills read 400 µS/cm from the first day on."""
    basin = Basin(makeup_us_cm=400.0, bleed=controlled_bleed(4.0, 1000.0))
    day = Day(basin)
    day.every = 5
    drained_days(day, 8, hours=3.0)
    assert FAULT not in day.raised()


def test_old_water_of_a_day_without_bleed_is_no_harder_make_up():
    """2400 µS/cm instead of 850: a twelfth of it, with 300, makes the fill read 475 µS/cm."""
    day = drained_days(a_day(), 5)
    for _ in range(2):
        day.basin.solids *= 2.8
        day.run(0.5)
        drained_days(day, 1)
    assert FAULT not in day.raised()


def test_harder_water_is_told_where_the_file_was_wrong_before():
    """Its fills read 300 µS/cm where the file says 200, which looks like much old water in them.

    With 530 µS/cm the old water rises as well, since the bleed is steady. But what stays below the
    drain, 20 mm of 180, leaves no room for so much of it.
    """
    day = Day(Basin(bleed=steady_bleed(1.5)))
    plate = unit_data(water__makeup_conductivity_us_cm=200, basin__pull_down_mm=0)
    day.feed = Feed(engine_of(site(units=[plate])))
    day.every = 5
    drained_days(day, 6)
    assert FAULT not in day.raised()
    day.basin.makeup_us_cm = 530.0
    drained_days(day, 2)
    assert FAULT in day.raised()


def test_a_reading_that_stands_still_measures_no_fill():
    day = drained_days(a_day(), 5, hours=3.0)
    held = day.basin.conductivity
    day.probe = lambda _c: held
    drained_days(day, 3, hours=3.0)
    assert FAULT not in day.raised()


@pytest.mark.parametrize("filled", [True, False])
def test_a_fill_as_ever_contradicts_two_meters(filled):
    """A bleed meter that shows half as much again says harder make-up; the fill knows better."""
    day = a_day()
    day.meters = True
    if filled:
        drained_days(day, 5, hours=3.0)
    else:
        day.run(15.0)
    day.run(12.0, bleed_flow=5.0)
    assert (FAULT in day.raised()) is not filled


def test_a_reset_forgets_the_fills():
    """The supply was changed for good, and the site file corrected: it is learned anew."""
    day = drained_days(a_day(), 5, hours=3.0)
    state = day.feed.engine.state
    assert state.fills[0] >= 5
    action = Action(1, ActionKind.RESET_BASELINE, 0, "", day.feed.now_ms, "a technician")
    act_on_baselines(state, 0, action)
    assert state.fills[0] == 0
    day.basin.makeup_us_cm = 420.0
    drained_days(day, 3, hours=3.0)
    assert FAULT not in day.raised()


def test_a_supply_that_hardens_over_weeks_does_not_teach_its_own_reference():
    """A thirtieth of the first figure more with each fill: half as much again after sixteen."""
    day = drained_days(a_day(), 8, hours=3.0)
    for k in range(1, 17):
        day.basin.makeup_us_cm = 300.0 * (1.0 + k / 30.0)
        drained_days(day, 1, hours=3.0)
    assert FAULT in day.raised()
    assert "harder" in day.evidence(FAULT).summary


@pytest.mark.parametrize("every_days", [1, 7])
def test_a_supply_that_varies_by_a_fifth_over_the_year_is_followed(every_days):
    """A sine of a year with scatter of 2 %, filled each day or each week, for two years."""
    engine = engine_of()
    plan, state, row = engine.plan, engine.state, np.array([0])
    rng = np.random.default_rng(3)
    for day in range(1, 730, every_days):
        season = 1.0 + 0.1 * np.sin(2.0 * np.pi * day / 365.0)
        fill = np.array([320.0 * season * (1.0 + rng.normal(0.0, 0.02))])
        state.old_water_us_cm[row] = 900.0 * season
        _learn(plan, state, row, np.array([day * 288]), fill)
        assert state.fills_off[0] == 0
        assert state.fill_says[0] == 0


class Fills:
    """Fills of one unit, taught one by one, a day apart."""

    def __init__(self) -> None:
        engine = engine_of()
        self.plan, self.state, self.row = engine.plan, engine.state, np.array([0])
        self.day = 1

    def fill(self, us_cm: float, old_us_cm: float) -> Fills:
        """The next day's fill, after so old a water."""
        self.state.old_water_us_cm[self.row] = old_us_cm
        _learn(self.plan, self.state, self.row, np.array([self.day * 288]), np.array([us_cm]))
        self.state.trace_bin[0] = self.day * 288
        self.day += 1
        return self

    @property
    def as_ever(self) -> bool:
        """The newest of the last day read as they do."""
        return bool(filled_as_ever(self.state, self.row)[0])

    @property
    def off(self) -> int:
        """Fills in a row that are off."""
        return int(self.state.fills_off[0])


@pytest.mark.parametrize("heel", [0.0, 0.15])
def test_how_much_old_water_stays_is_learned_from_fills_after_different_old_water(heel):
    """420 µS/cm after 900 may be 300 with much old water in it, or other make-up: who knows the
    fills after 600 to 1200 can tell."""
    fills = Fills()
    for old in (900.0, 1200.0, 600.0, 1000.0, 700.0, 1100.0):
        fills.fill((1.0 - heel) * 310.0 + heel * old, old)
    assert fills.off == 0
    after = 1500.0 * heel + (1.0 - heel) * 310.0
    assert fills.fill(after, 1500.0).off == 0
    assert fills.fill(1.35 * after, 1500.0).off == 1


def test_a_fill_near_its_old_water_neither_tells_nor_clears():
    fills = Fills()
    for old in (900.0, 700.0, 800.0, 900.0, 700.0):
        fills.fill(310.0, old)
    assert fills.as_ever
    assert not fills.fill(490.0, 500.0).as_ever, "nothing is known of this day's"
    assert fills.fill(480.0, 900.0).fill(480.0, 900.0).off == 2
    assert fills.fill(490.0, 500.0).off == 2
    assert fills.fill(310.0, 900.0).off == 0
