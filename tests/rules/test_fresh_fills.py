"""Basins that are drained and filled again and again: each fill measures the make-up.

The readings come from the tests' own integrator of litres and solids (``water_scenes``), a frame in
five minutes. All scenes are one fleet.
"""

from __future__ import annotations

import numpy as np
import pytest
from lives import life_of, live
from support.fleet import engine_of
from water_scenes import Basin, Day, controlled_bleed, steady_bleed

from rules.engine import Engine
from rules.events import ActionKind, AlarmEvent, Change
from rules.fresh_fill import _learn, filled_as_ever

FAULT = "makeup-quality-changed"
HEEL_MM = 15.0
"""So much old water stays below the drain: a twelfth of the filled basin."""
SLOW = 0.15
"""Share of the valve's flow that the supply gives: 4.5 L/min, 75 minutes for a fill."""


def drained_days(day: Day, count: int, *, hours: float = 3.0, empty_h: float = 1.5) -> Day:
    """Days of wet running, each with an empty basin and a fill before it."""
    for _ in range(count):
        day.emptied_and_filled(HEEL_MM, 160.0, drain=40.0, empty_h=empty_h, supply=SLOW)
        day.basin.supply = 1.0
        day.run(hours)
    return day


def filled_as_ever_before() -> Day:
    """A unit whose basin was drained and filled five times as ever."""
    day = drained_days(life_of(Basin(bleed=controlled_bleed(4.0, 900.0))), 5)
    day.feed.mark("as ever")
    return day


def makeup_turns(us_cm: float, *, empty_h: float = 1.5) -> Day:
    """Other water in two fills, and then in one as ever."""
    day = filled_as_ever_before()
    day.basin.makeup_us_cm = us_cm
    for fill in ("one fill", "two fills"):
        drained_days(day, 1, empty_h=empty_h).feed.mark(fill)
    day.basin.makeup_us_cm = 300.0
    return drained_days(day, 1)


def makeup_far_off() -> Day:
    day = filled_as_ever_before()
    day.basin.makeup_us_cm = 120.0
    return drained_days(day, 1)


def probe_reads_less() -> Day:
    """By day it may read as ever, since the bleed that follows it holds what it reads."""
    day = filled_as_ever_before()
    day.probe = lambda c: 0.62 * c
    return drained_days(day, 2)


def never_as_in_the_file() -> Day:
    """What counts is the unit's own: its fills read 400 µS/cm from the first day on."""
    basin = Basin(makeup_us_cm=400.0, bleed=controlled_bleed(4.0, 1000.0))
    return drained_days(life_of(basin), 8)


def old_water() -> Day:
    """2400 µS/cm instead of 850: a twelfth of it, with 300, makes the fill read 475 µS/cm."""
    day = filled_as_ever_before()
    for _ in range(2):
        day.basin.solids *= 2.8
        day.run(0.5)
        drained_days(day, 1)
    return day


def file_was_wrong() -> Day:
    """Its fills read 300 µS/cm where the file says 200, which looks like much old water in them.

    With 530 µS/cm the old water rises as well, since the bleed is steady. But what stays below the
    drain, 20 mm of 180, leaves no room for so much of it.
    """
    plate = {"water__makeup_conductivity_us_cm": 200, "basin__pull_down_mm": 0}
    day = drained_days(life_of(Basin(bleed=steady_bleed(1.5)), **plate), 6, hours=5.0)
    day.feed.mark("as ever")
    day.basin.makeup_us_cm = 530.0
    return drained_days(day, 2, hours=5.0)


def stands_still() -> Day:
    day = filled_as_ever_before()
    held = day.basin.conductivity
    day.probe = lambda _c: held
    return drained_days(day, 3)


def stood_still_at_first() -> Day:
    """For its first six fills, that is; then the transmitter is mended."""
    day = life_of(Basin(bleed=controlled_bleed(4.0, 900.0)))
    day.probe = lambda _c: 880.0
    drained_days(day, 6)
    day.probe = lambda c: c
    return drained_days(day, 3)


def bled_too_much() -> Day:
    """20 L/min hold 300 (1 + 3.1 / 20) = 346 µS/cm: a tenth above fresh water. That softens."""
    day = drained_days(life_of(Basin(conductivity=346.0, bleed=steady_bleed(20.0))), 5)
    day.feed.mark("as ever")
    day.basin.makeup_us_cm = 185.0
    return drained_days(day, 2)


def meter_shows_more(filled: bool) -> Day:
    """A bleed meter that shows half as much again says harder make-up."""
    day = life_of(Basin(bleed=controlled_bleed(4.0, 900.0)), meters=True)
    if filled:
        drained_days(day, 5)
    else:
        day.run(15.0)
    return day.run(12.0, bleed_flow=5.0)


def reset() -> Day:
    """The supply was changed for good, and the site file corrected: it is learned anew."""
    day = filled_as_ever_before()
    day.fills = []

    def count(engine: Engine, row: int) -> None:
        day.fills.append(int(engine.state.fills[row]))

    day.feed.then(count)
    day.feed.act(ActionKind.RESET_BASELINE)
    day.feed.then(count)
    day.basin.makeup_us_cm = 420.0
    return drained_days(day, 3)


def hardens() -> Day:
    """A thirtieth of the first figure more with each fill: half as much again after sixteen."""
    day = drained_days(life_of(Basin(bleed=controlled_bleed(4.0, 900.0))), 8)
    for k in range(1, 17):
        day.basin.makeup_us_cm = 300.0 * (1.0 + k / 30.0)
        drained_days(day, 1)
    return day


@pytest.fixture(scope="module")
def lived() -> dict[str, Day]:
    days = {
        "harder": makeup_turns(420.0), "softer": makeup_turns(200.0), "far off": makeup_far_off(),
        "harder, after an hour": makeup_turns(420.0, empty_h=1.1),
        "harder, soon": makeup_turns(420.0, empty_h=0.7),
        "probe": probe_reads_less(), "not as in the file": never_as_in_the_file(),
        "old water": old_water(), "file was wrong": file_was_wrong(),
        "stands still": stands_still(), "stood still at first": stood_still_at_first(),
        "bled too much": bled_too_much(), "meter": meter_shows_more(filled=False),
        "meter and fills": meter_shows_more(filled=True), "reset": reset(), "hardens": hardens(),
    }  # fmt: skip
    live(days.values())
    return days


def raised(events: list[AlarmEvent]) -> bool:
    return any(e.fault == FAULT and e.change is Change.RAISED for e in events)


@pytest.mark.parametrize(("word", "makeup"), [("harder", 420.0), ("softer", 200.0)])
def test_two_fills_in_a_row_that_are_not_as_ever_tell_of_the_make_up(lived, word, makeup):
    """Two fifths more, and a third less: both within what the site file's figure allows a fill."""
    feed = lived[word].feed
    assert not raised(feed.until("one fill"))
    assert raised(feed.until("two fills"))
    found = [e.evidence for e in feed.until("two fills") if e.fault == FAULT and e.evidence][-1]
    assert word in found.summary
    assert "as a rule" in found.summary
    # Old water makes up a twelfth.
    assert found.readings[0].measured == pytest.approx(makeup, rel=0.2)


def test_within_an_hour_what_pads_and_pipes_give_back_may_be_in_the_fill(lived):
    """After that it was drained with the rest."""
    assert raised(lived["harder, after an hour"].feed.until("two fills"))
    assert not raised(lived["harder, soon"].feed.events)


def test_one_fill_far_off_is_enough(lived):
    assert not raised(lived["far off"].feed.until("as ever"))
    assert raised(lived["far off"].feed.events)


def test_a_probe_that_lost_a_third_of_its_reading_is_the_first_cause_of_soft_fills(lived):
    day = lived["probe"]
    first = day.evidence(FAULT).causes[0].slug if FAULT in day.raised() else None
    assert "conductivity-probe" in (first, *day.raised())


@pytest.mark.parametrize("word", ["harder", "softer"])
def test_a_fill_as_ever_clears_it(lived, word):
    changes = [e.change for e in lived[word].feed.events if e.fault == FAULT]
    assert changes[-1] is Change.RETURNED


def test_a_site_file_that_is_off_by_a_third_accuses_no_make_up(lived):
    assert FAULT not in lived["not as in the file"].raised()


def test_old_water_of_a_day_without_bleed_is_no_harder_make_up(lived):
    assert FAULT not in lived["old water"].raised()


def test_harder_water_is_told_where_the_file_was_wrong_before(lived):
    feed = lived["file was wrong"].feed
    assert not raised(feed.until("as ever"))
    assert raised(feed.events)


@pytest.mark.parametrize("name", ["stands still", "stood still at first"])
def test_a_reading_that_stands_still_measures_no_fill(lived, name):
    """It tells no other make-up, and teaches no habit from which the true one differs."""
    assert FAULT not in lived[name].raised()


def test_old_water_that_is_hardly_harder_than_fresh_water_is_no_reading_that_stands_still(lived):
    feed = lived["bled too much"].feed
    assert not raised(feed.until("as ever"))
    assert raised(feed.events)


@pytest.mark.parametrize(("name", "told"), [("meter", True), ("meter and fills", False)])
def test_a_fill_as_ever_contradicts_two_meters(lived, name, told):
    """The meters say harder make-up; the fill knows better."""
    assert (FAULT in lived[name].raised()) is told


def test_a_reset_forgets_the_fills(lived):
    before, after = lived["reset"].fills
    assert before >= 5
    assert after == 0
    assert FAULT not in lived["reset"].raised()


def test_a_supply_that_hardens_over_weeks_does_not_teach_its_own_reference(lived):
    assert FAULT in lived["hardens"].raised()
    assert "harder" in lived["hardens"].evidence(FAULT).summary


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
        _learn(plan, state, row, np.array([day * 288]), fill, np.array([False]))
        assert state.fills_off[0] == 0
        assert state.fill_says[0] == 0


class Fills:
    """Fills of one unit, taught one by one, a day apart."""

    def __init__(self) -> None:
        engine = engine_of()
        self.plan, self.state, self.row = engine.plan, engine.state, np.array([0])
        self.day = 1

    def fill(self, us_cm: float, old_us_cm: float, *, quick: bool = False) -> Fills:
        """The next day's fill, after so old a water; ``quick``: the basin was hardly empty."""
        self.state.old_water_us_cm[self.row] = old_us_cm
        bin_id, reads = np.array([self.day * 288]), np.array([us_cm])
        _learn(self.plan, self.state, self.row, bin_id, reads, np.array([quick]))
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


def test_a_quick_fill_holds_what_pads_and_pipes_give_back():
    """20 mm of pull-down and the layer that counts as drained, twice, are a fifth to a third of
    the basin's 200 mm: 410 µS/cm may be 300 with a sixth of 1000, or not; 700 is harder water."""
    for quick, us_cm, off in ((False, 410.0, 1), (True, 410.0, 0), (True, 700.0, 1)):
        fills = Fills()
        for _ in range(8):
            fills.fill(300.0, 1000.0)
        seen = int(fills.state.fills[0])
        assert fills.fill(us_cm, 1000.0, quick=quick).off == off, (quick, us_cm)
        assert int(fills.state.fills[0]) == seen + off, "one that may be old water is passed over"


def test_a_fill_near_its_old_water_neither_tells_nor_clears():
    fills = Fills()
    for old in (900.0, 700.0, 800.0, 900.0, 700.0):
        fills.fill(310.0, old)
    assert fills.as_ever
    assert not fills.fill(490.0, 500.0).as_ever, "nothing is known of this day's"
    assert fills.fill(480.0, 900.0).fill(480.0, 900.0).off == 2
    assert fills.fill(490.0, 500.0).off == 2
    assert fills.fill(310.0, 900.0).off == 0
