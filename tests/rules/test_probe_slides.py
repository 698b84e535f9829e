"""A probe that fouls for days, against waters that thin for good reasons.

The readings come from the tests' own integrator of litres and solids (``water_scenes``), five
minutes from frame to frame, all units beside each other.
"""

from __future__ import annotations

import numpy as np
from support.beside import beside
from water_scenes import (
    EVAPORATION_L_MIN,
    WANTED_L_MIN,
    Basin,
    a_day,
    controlled_bleed,
    steady_bleed,
)

FLEET = "water"
LEARNED_H = 90.0
"""Three days and three quarters of running: its range is known after three and a half."""


@beside
def test_a_reading_that_slides_for_days_while_the_bleed_holds_the_water_is_the_probe():
    """It ends at three fifths, above the make-up: no balance of two hours sees that."""
    day = a_day(Basin(bleed=controlled_bleed(4.0, 900.0)), every=5).run(LEARNED_H)
    for hour in range(96):
        day.probe = lambda c, hour=hour: (1.0 - 0.4 * hour / 96.0) * c
        day.run(1.0)
    day.run(5.0)
    yield
    assert day.raised() == ["conductivity-probe"]
    found = day.evidence("conductivity-probe")
    assert found.causes[0].slug == "probe-fouled"
    assert "slid over days" in found.summary
    day.probe = lambda c: c
    day.run(5.0)
    yield
    assert "conductivity-probe" not in {
        e.fault for e in day.feed.events[-1:] if e.change.name == "RAISED"
    }
    assert day.feed.engine.state.slide_bins[day.feed.row] == 0


@beside
def test_water_that_thins_within_a_day_accuses_no_probe():
    """Valve stuck open by 10 L/min, for two days: the water goes to a third within hours."""
    basin = Basin(bleed=controlled_bleed(4.0, 900.0))
    day = a_day(basin, every=5).run(LEARNED_H)
    basin.bleed = steady_bleed(10.0)
    day.run(48.0)
    assert basin.conductivity < 450.0
    yield
    assert "conductivity-probe" not in day.raised()


@beside
def test_a_set_point_that_was_lowered_by_a_fifth_accuses_no_probe():
    basin = Basin(bleed=controlled_bleed(4.0, 900.0))
    day = a_day(basin, every=5).run(LEARNED_H)
    basin.bleed = controlled_bleed(4.0, 720.0)
    day.run(60.0)
    yield
    assert day.raised() == []


@beside
def test_cooler_days_with_a_bleed_that_follows_the_pump_accuse_no_probe():
    """Day and night move such water, and days of a third of the evaporation halve it."""
    basin = Basin(bleed=steady_bleed(WANTED_L_MIN))
    day = a_day(basin, every=5)
    for hour in range(int(LEARNED_H) + 96):
        cool = max(0.0, hour - LEARNED_H) / 96.0
        swing = 1.0 + 0.8 * np.sin(2.0 * np.pi * hour / 24.0)
        basin.evaporation = EVAPORATION_L_MIN * swing * (1.0 - 0.7 * cool)
        # The weather says so, too: the less dry the air, the less evaporates.
        day.humidity = 100.0 - 60.0 * min(1.0, swing / 1.8 * (1.0 - 0.7 * cool) + 0.05)
        day.run(1.0)
    yield
    assert "conductivity-probe" not in day.raised()


@beside
def test_a_reading_below_the_make_up_is_no_water_that_leaves():
    """Without weather a steady bleed and a probe that fouls within a day: 230 of 300 µS/cm."""
    basin = Basin(conductivity=420.0, bleed=steady_bleed(9.0))
    day = a_day(basin, weather=False, every=5)
    day.run(4.0)
    for hour in range(24):
        day.probe = lambda c, hour=hour: (1.0 - 0.42 * hour / 24.0) * c
        day.run(1.0)
    day.run(4.0)
    yield
    assert day.raised()
    found = day.evidence(day.raised()[0])
    assert found.causes[0].slug in {"conductivity-probe", "probe-fouled"}
    assert "less than the make-up" in found.summary or "make-up's" in found.summary
    assert [c.slug for c in found.causes if c.ruled_out and c.slug == "bleed-valve"]
