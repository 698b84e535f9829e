"""Water that falls slowly while it runs tells of a bleed that is small, not of one that is blocked.

The tests' basin: 380 L, from 300 µS/cm of make-up; the limit is 1500 µS/cm. Under a steady bleed B
the balance is 300 (1 + E / B), and the way there takes 380 / B minutes by the e-th part. All
scenes are one fleet without humidity and meters: nothing but level and conductivity.
"""

from __future__ import annotations

import numpy as np
import pytest
from lives import life_of, live
from water_scenes import Basin, Day, steady_bleed

from rules.bleed_ebb import ebbed_from_us_cm
from rules.bleed_habit import forget_bleed
from rules.engine import Engine
from rules.events import ActionKind

DAMP = 0.38
"""Evaporation of a damp night. [L/min]"""


def blind(**basin: float) -> Day:
    day = life_of(Basin(bleed=steady_bleed(0.0), **basin), weather=False)
    day.ebbed_from = {}
    return day


def mark(day: Day, name: str, times: float = 1.0) -> None:
    """Remember from where water of so many times this conductivity ebbed."""
    now = np.array([times * day.basin.conductivity])

    def look(engine: Engine, row: int) -> None:
        day.ebbed_from[name] = float(ebbed_from_us_cm(engine.state, np.array([row]), now)[0])

    day.feed.mark(name)
    day.feed.then(look)


def day_and_night() -> Day:
    """By day it goes to 1550 µS/cm, in the damp night to 830: 0.6 L/min leave all the time."""
    day = blind(conductivity=830.0)
    day.basin.bleed = steady_bleed(0.6)
    day.run(12.0)
    day.top = day.basin.conductivity
    day.basin.evaporation = DAMP
    day.run(12.0)
    mark(day, "morning")
    mark(day, "far above", 1.5 * day.top / day.basin.conductivity)
    day.basin.evaporation = 3.6
    return day.run(11.0)


def fills_up() -> Day:
    """160 L come in within two hours and a half, and nothing leaves."""
    day = blind(conductivity=1400.0, level=75.0, evaporation=DAMP)
    day.basin.supply = 0.05
    day.run(4.0)
    mark(day, "end")
    return day


def let_out(works: bool) -> Day:
    day = blind(conductivity=1400.0, evaporation=DAMP).run(3.0)
    until_ms = day.feed.now_ms + 3_600_000
    for kind in (ActionKind.OUT_OF_SERVICE, ActionKind.IN_SERVICE):
        if works:
            day.feed.act(kind, until_ms=until_ms)
        day.basin.drain = 6.0 if kind is ActionKind.OUT_OF_SERVICE else 0.0
        day.run(1.0)
    day.us_cm = day.basin.conductivity
    mark(day, "let out")
    day.basin.bleed, day.basin.evaporation = steady_bleed(0.6), DAMP
    day.run(6.0)
    mark(day, "bleeds")
    day.feed.then(lambda engine, row: forget_bleed(engine.state, row))
    mark(day, "forgotten")
    return day


@pytest.fixture(scope="module")
def lived() -> dict[str, Day]:
    days = {
        "day and night": day_and_night(),
        "climbs": blind(conductivity=1300.0).run(5.0),
        "fills up": fills_up(),
        "let out": let_out(works=False),
        "let out by who works on it": let_out(works=True),
    }
    live(days.values())
    return days


def test_a_bleed_that_is_too_small_for_a_hot_day_is_named_before_a_blocked_one(lived):
    day = lived["day and night"]
    assert day.ebbed_from["morning"] == pytest.approx(day.top, rel=0.05)
    assert [e.fault for e in day.feed.since("morning")] == ["conductivity-high"]
    causes = day.evidence("conductivity-high").causes
    assert causes[0].slug == "bleed-small"
    assert not any(c.ruled_out for c in causes), "it may have blocked this very morning"
    assert any("slowly" in r.quantity for r in day.evidence("conductivity-high").readings)


def test_far_above_where_it_ebbed_nothing_is_said_of_the_line(lived):
    assert np.isnan(lived["day and night"].ebbed_from["far above"])


def test_water_that_only_climbs_has_its_blocked_bleed_named_first(lived):
    day = lived["climbs"]
    assert day.raised() == ["conductivity-high"]
    causes = {c.slug: c for c in day.evidence("conductivity-high").causes}
    assert next(iter(causes)) == "bleed-blocked"
    assert not causes["bleed-setpoint"].ruled_out, "how high it is set, nobody can see"


def test_a_basin_that_fills_up_while_it_runs_does_not_ebb(lived):
    assert lived["fills up"].basin.conductivity < 1100.0
    assert np.isnan(lived["fills up"].ebbed_from["end"])


@pytest.mark.parametrize(
    ("name", "works"), [("let out", False), ("let out by who works on it", True)]
)
def test_what_somebody_let_out_and_what_was_set_anew_is_forgotten(lived, name, works):
    day = lived[name]
    assert day.us_cm < 1350.0
    assert np.isnan(day.ebbed_from["let out"]) == works
    assert not np.isnan(day.ebbed_from["bleeds"])
    assert np.isnan(day.ebbed_from["forgotten"])
