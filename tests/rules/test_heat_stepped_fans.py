"""Fans that start across the line one by one and send no speed command: coil and pads judged so.

The plant is an energy balance of the condensing side stepped through time; a step controller holds
the condensing temperature between two limits by the number of fans. A bank at a common speed that
sends no command stands beside it: its airflow is not known, so nothing may be said of its coil.
"""

from __future__ import annotations

import numpy as np
import pytest
from heat_fleet import STEPPED_SITES, played
from stepped_plants import STEPPED_NAMES as NAMES

from rules.state import STEADY

TD_DRY = [q.name for q in STEADY].index("td_dry")


@pytest.fixture(scope="module", params=STEPPED_SITES)
def lived(request):
    return played()[request.param]


def test_a_clean_unit_is_judged_by_its_steps_and_found_clean(lived):
    assert lived.raised("clean") == []
    assert not np.isnan(lived.engine.state.baseline[lived.rows["clean"], TD_DRY])


def test_a_fouled_coil_is_found_by_more_fans_at_the_same_weather(lived):
    assert lived.raised("coil fouled") == ["coil-fouled"]


def test_pads_that_clog_are_found_by_the_pressure_drop(lived):
    assert lived.raised("pads clogged") == ["pads-clogged"]


@pytest.mark.parametrize("name", NAMES[3:])
def test_fans_at_a_speed_that_is_not_sent_say_nothing_of_the_coil(lived, name):
    assert lived.raised(name) == []
    assert np.isnan(lived.engine.state.baseline[lived.rows[name], TD_DRY])
