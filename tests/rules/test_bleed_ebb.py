"""Water that falls slowly while it runs tells of a bleed that is small, not of one that is blocked.

The tests' basin: 380 L, from 300 µS/cm of make-up; the limit is 1500 µS/cm. Under a steady bleed B
the balance is 300 (1 + E / B), and the way there takes 380 / B minutes by the e-th part.
"""

from __future__ import annotations

import numpy as np
import pytest
from water_scenes import Basin, Day, steady_bleed

from rules.bleed_ebb import ebbed_from_us_cm
from rules.bleed_habit import forget_bleed
from rules.events import Action, ActionKind

DAMP = 0.38
"""Evaporation of a damp night. [L/min]"""


def ebbed_from(day: Day, now: float | None = None) -> float:
    value = day.basin.conductivity if now is None else now
    state = day.feed.engine.state
    return float(ebbed_from_us_cm(state, np.array([0]), np.array([value]))[0])


def blind(basin: Basin) -> Day:
    """No humidity, no meters: nothing but level and conductivity."""
    day = Day(basin, weather=False)
    day.every = 5
    return day


@pytest.fixture(scope="module")
def day_and_night() -> Day:
    """By day it goes to 1550 µS/cm, in the damp night to 830: 0.6 L/min leave all the time."""
    day = blind(Basin(bleed=steady_bleed(0.6), conductivity=830.0))
    day.run(12.0)
    day.top = day.basin.conductivity
    day.basin.evaporation = DAMP
    return day.run(12.0)


def test_a_bleed_that_is_too_small_for_a_hot_day_is_named_before_a_blocked_one(day_and_night):
    day = day_and_night
    assert ebbed_from(day) == pytest.approx(day.top, rel=0.05)
    before = len(day.feed.events)
    day.basin.evaporation = 3.6
    day.run(11.0)
    assert [e.fault for e in day.feed.events[before:]] == ["conductivity-high"]
    causes = day.evidence("conductivity-high").causes
    assert causes[0].slug == "bleed-small"
    assert not any(c.ruled_out for c in causes), "it may have blocked this very morning"
    assert any("slowly" in r.quantity for r in day.evidence("conductivity-high").readings)


def test_far_above_where_it_ebbed_nothing_is_said_of_the_line(day_and_night):
    assert np.isnan(ebbed_from(day_and_night, now=1.5 * day_and_night.top))


def test_water_that_only_climbs_has_its_blocked_bleed_named_first():
    day = blind(Basin(bleed=steady_bleed(0.0), conductivity=1300.0)).run(5.0)
    assert day.raised() == ["conductivity-high"]
    causes = {c.slug: c for c in day.evidence("conductivity-high").causes}
    assert next(iter(causes)) == "bleed-blocked"
    assert not causes["bleed-setpoint"].ruled_out, "how high it is set, nobody can see"


def test_a_basin_that_fills_up_while_it_runs_does_not_ebb():
    """160 L come in within two hours and a half, and nothing leaves."""
    basin = Basin(bleed=steady_bleed(0.0), conductivity=1400.0, level=75.0, evaporation=DAMP)
    basin.supply = 0.05
    day = blind(basin).run(4.0)
    assert basin.conductivity < 1100.0
    assert np.isnan(ebbed_from(day))


@pytest.mark.parametrize("works", [True, False])
def test_what_somebody_let_out_and_what_was_set_anew_is_forgotten(works):
    day = blind(Basin(bleed=steady_bleed(0.0), conductivity=1400.0, evaporation=DAMP)).run(3.0)
    engine = day.feed.engine
    until_ms = day.feed.now_ms + 3_600_000
    for kind in (ActionKind.OUT_OF_SERVICE, ActionKind.IN_SERVICE):
        if works:
            engine.act(Action(1, kind, 0, "", day.feed.now_ms, "R. Marsh", "Drain", until_ms))
        day.basin.drain = 6.0 if kind is ActionKind.OUT_OF_SERVICE else 0.0
        day.run(1.0)
    assert day.basin.conductivity < 1350.0
    assert np.isnan(ebbed_from(day)) == works
    day.basin.bleed, day.basin.evaporation = steady_bleed(0.6), DAMP
    day.run(6.0)
    assert not np.isnan(ebbed_from(day))
    forget_bleed(engine.state, 0)
    assert np.isnan(ebbed_from(day))
