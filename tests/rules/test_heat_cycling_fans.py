"""Fans that a pressure switch turns on and off, all together: coil, pads and airflow judged so.

The plant is an energy balance of the condensing side stepped through time. Its duty goes with load
and weather, so a mean airflow of one half is full air for half of the time, which carries half of
the heat and not the two thirds that fans at half speed would.
"""

from __future__ import annotations

import numpy as np
import pytest
from heat_fleet import played
from stepped_plants import CYCLING_NAMES as NAMES
from support.beside import Taped, beside

from rules.state import STEADY, TRACE

AIR, AIR_SQUARE = 3, 5
"""Where the hour's sums hold the airflow and its square."""


@pytest.fixture(scope="module")
def lived():
    return played()["cycling fans"]


@pytest.mark.parametrize("name", [NAMES[0], NAMES[1], NAMES[4]])
def test_a_clean_unit_whose_fans_cycle_is_not_accused_when_the_weather_turns(lived, name):
    assert lived.raised(name) == []
    quantity = [q.name for q in STEADY].index("td_dry")
    td = lived.engine.state.baseline[lived.rows[name], quantity]
    assert not np.isnan(td) or name == NAMES[4]


def test_a_fouled_coil_is_found_though_the_fans_cycle(lived):
    assert lived.raised("coil fouled") == ["coil-fouled"]


def test_pads_that_clog_are_found_by_the_pressure_drop_while_the_fans_cycle(lived):
    assert lived.raised("pads clogged") == ["pads-clogged"]


def evaporation(feed: Taped) -> float:
    """Of the newest closed bin. [L/min]"""
    state, row = feed.engine.state, feed.row
    return float(state.trace[row, TRACE.index("evaporation"), int(state.trace_bin[row]) % 36])


@beside
@pytest.mark.parametrize(
    ("before_pct", "now_pct", "evaporates"),
    [(100.0, 0.0, 0.0), (0.0, 0.0, np.nan), (100.0, None, np.nan)],
    ids=["stop", "never sent", "falls silent"],
)
def test_without_proofs_a_command_of_nothing_says_that_the_fans_stand(
    before_pct, now_pct, evaporates
):
    """A command that was never above zero may not be sent at all."""
    feed = Taped()
    feed.run(3600.0, fan_run=None, fan_speed=before_pct)
    feed.run(3600.0, fan_run=None, fan_speed=now_pct)
    yield
    np.testing.assert_equal(evaporation(feed), evaporates)


@beside
@pytest.mark.parametrize("speed_pct", [80.0, 50.0])
def test_fans_told_by_their_command_alone_that_cycle_are_known_to_cycle(speed_pct):
    """They run for half of each five minutes: then the mean of the square of the airflow is twice
    the square of its mean. The sums of an hour hold both."""
    feed = Taped()
    for _ in range(30):
        for share in (1.0, 0.0):
            feed.run(150.0, step_s=30.0, fan_run=None, fan_speed=share * speed_pct)
    yield
    state, row = feed.engine.state, feed.row
    n, air, square = state.heat_bins[row], *state.heat_sum[row, [AIR, AIR_SQUARE]]
    assert n >= 3
    assert square / n == pytest.approx(2.0 * (air / n) ** 2, rel=0.05)
