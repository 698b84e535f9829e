"""A make-up meter beside a valve that is wide open: what is told of one that gets less water.

The basin of ``water_scenes`` has 2 m², a band of 40 mm, and a valve of 30 L/min that is wide open
below 140 mm. Its bleed takes 20 L/min for a quarter of each hour, which draws a starved basin down
for less than the delay of a level that stays low.
"""

from __future__ import annotations

import pytest
from lives import life_of, live
from water_scenes import Basin, Day, steady_bleed, timed_bleed

from rules.engine import Engine
from rules.events import ActionKind, Change, Severity
from rules.fill_flow import LEAST_FILLS

FAULT = "float-stuck-shut"
STARVED = 0.45
"""13.5 L/min of 30, where bleed and pads take 23 for a quarter of each hour, and 3 else."""


def a_morning(*, every: int = 1, meters: bool = True, **plate: object) -> Day:
    basin = Basin(bleed=timed_bleed(5.0, 0.25))
    return life_of(basin, every=every, meters=meters, weather=False, **plate).run(4.0)


def a_unit(supply: float, *, meters: bool = True, every: int = 1, **plate: object) -> Day:
    """A morning as ever, and a day with such a supply."""
    day = a_morning(every=every, meters=meters, **plate)
    day.feed.mark("morning")
    day.basin.supply = supply
    return day.run(14.0)


def counted(day: Day) -> None:
    """Remember how often the meter was seen to show a starved valve."""

    def look(engine: Engine, row: int) -> None:
        day.slow = int(engine.state.fills_slow[row])

    day.feed.then(look)


def stuck_meter() -> Day:
    """More than half of the valve's flow, beside a meter that reads the same whatever comes."""
    day = a_morning()
    day.basin.supply = 0.55
    return day.run(14.0, makeup_flow=9.0)


def reads_low() -> Day:
    """A reading 50 mm low, a bleed that runs for half of each hour: the level seems to be where the
    valve is wide open, and settles where it passes 9 L/min."""
    day = life_of(Basin(bleed=timed_bleed(3.0, 0.5)), every=1, meters=True, weather=False)
    day.level_error_mm = -50.0
    return day.run(14.0)


def follows() -> Day:
    """A meter that follows such a level: the float still throttles."""
    day = a_morning()
    for _ in range(3):
        day.run(1.0 / 12.0, basin_level=125.0, makeup_flow=8.0)
        day.run(1.0 / 12.0, basin_level=110.0, makeup_flow=13.0)
        day.run(7.0 - 1.0 / 6.0, makeup_flow=3.0)
    return day


def shared_supply() -> Day:
    """Others draw on the supply in every second half hour; between them the valve gives its all."""
    day = a_morning()
    day.basin.bleed = lambda _b, t: 20.0 if t % 0.5 < 0.2 else 0.0
    for _ in range(14):
        day.basin.supply = 1.0
        day.run(0.5)
        day.basin.supply = STARVED
        day.run(0.5)
    return day


def one_fill() -> Day:
    """Five fills as ever, and one by little water while the pump runs already."""
    day = a_morning()
    day.basin.bleed = steady_bleed(1.5)
    for supply in (*[0.9] * (LEAST_FILLS + 1), STARVED):
        day.basin.supply, day.basin.drain = 0.0, 60.0
        day.run(1.0, running=False)
        day.basin.supply, day.basin.drain = supply, 0.0
        day.run(3.0)
    return day


def fills(*supplies: float) -> Day:
    """Fills from empty, at rest for some minutes and then running, hours apart."""
    day = a_morning()
    for water in supplies:
        day.basin.supply, day.basin.drain, day.basin.bleed = 0.0, 60.0, steady_bleed(1.5)
        day.run(1.0, running=False)
        day.basin.supply, day.basin.drain = water, 0.0
        day.run(0.1, running=False)
        day.run(7.0)
    return day


def visited() -> Day:
    day = a_unit(STARVED)
    for kind in (ActionKind.OUT_OF_SERVICE, ActionKind.IN_SERVICE):
        day.feed.act(kind)
        day.basin.supply = 1.0
        day.run(2.0, running=False)
    return day


def back_by_itself() -> Day:
    """The supply is back, and a pull at the basin shows it."""
    day = a_unit(STARVED)
    day.basin.supply, day.basin.bleed = 1.0, timed_bleed(9.0, 0.25)
    return day.run(4.0)


@pytest.fixture(scope="module")
def lived() -> dict[str, Day]:
    days = {
        "starved": a_unit(STARVED),
        "starved, each five minutes": a_unit(STARVED, every=5),
        "no meter": a_unit(STARVED, meters=False),
        "plenty": a_unit(1.0),
        "three quarters": a_unit(0.75),
        "small valve": a_unit(STARVED, basin__makeup_max_l_min=15.0),
        "stuck meter": stuck_meter(),
        "reads low": reads_low(),
        "follows": follows(),
        "shared supply": shared_supply(),
        "one fill": one_fill(),
        "fills by half": fills(1.0, STARVED, STARVED),
        "fills as ever": fills(1.0, 0.8, 0.8),
        "fills by half, and is mended": fills(1.0, STARVED, STARVED, 1.0),
        "starved from the first": fills(*[STARVED] * 7),
        "visited": visited(),
        "back": back_by_itself(),
    }
    for day in days.values():
        counted(day)
    live(days.values())
    return days


@pytest.mark.parametrize("name", ["starved", "starved, each five minutes"])
def test_a_meter_that_stays_flat_below_the_band_tells_of_a_starved_valve(lived, name):
    feed = lived[name].feed
    raised = [e for e in feed.of(FAULT) if e.change is Change.RAISED]
    assert [e.severity for e in raised] == [Severity.LOW]
    assert raised[0].time_ms > feed.marks_ms["morning"] + 6 * 3_600_000, "one pull proves little"
    evidence = raised[0].evidence
    assert "passes 45 % of its full flow by the site file" in evidence.summary
    assert {c.slug for c in evidence.causes[:2]} == {"float-shut", "supply"}


@pytest.mark.parametrize("name", ["no meter", "plenty", "three quarters"])
def test_nothing_is_told_of_others(lived, name):
    assert lived[name].feed.of(FAULT) == []


@pytest.mark.parametrize(
    "name",
    [
        "small valve",
        "stuck meter",
        "reads low",
        "follows",
        "shared supply",
    ],
)
def test_nothing_is_counted_where_the_meter_shows_no_starved_valve(lived, name):
    assert lived[name].slow == 0


def test_a_meter_tells_of_fills_from_empty_whose_speed_no_level_has_shown_yet(lived):
    assert lived["fills by half"].slow == 2
    assert FAULT in lived["fills by half"].raised()
    assert lived["fills as ever"].slow == 0
    assert lived["fills by half, and is mended"].slow == 0


def test_a_valve_that_was_starved_from_the_first_learns_no_such_flow_as_its_own(lived):
    changes = [e.change for e in lived["starved from the first"].feed.of(FAULT)]
    assert Change.RAISED in changes
    assert lived["starved from the first"].slow >= 2


def test_one_fill_from_empty_counts_once(lived):
    assert lived["one fill"].slow == 1


@pytest.mark.parametrize("name", ["visited", "back"])
def test_it_clears_after_a_visit_and_once_the_meter_shows_the_full_flow(lived, name):
    changes = [e.change for e in lived[name].feed.of(FAULT)]
    assert Change.RAISED in changes
    assert lived[name].slow == 0
