"""A large unit with little to do: one or two of its fans hold the head pressure, and never all.

The plant is an energy balance of the condensing side stepped through time; a step controller holds
the condensing temperature between two limits by the number of fans. Nothing says the load. Its
airflow law and transfer units are its own.
"""

from __future__ import annotations

import numpy as np
import pytest
from heat_fleet import played
from stepped_plants import FANS, few_of_many_fans
from stepped_plants import FEW_NAMES as NAMES

from rules.staging import LEAST_STEPS, TOGETHER, is_stepped
from rules.state import STEADY, FleetState

TD_WET = [q.name for q in STEADY].index("td_wet")


@pytest.fixture(scope="module")
def lived():
    return played()["few of many fans"]


def test_the_clean_unit_never_needs_all_its_fans():
    most = few_of_many_fans().most_fans
    assert most is not None
    assert most[0] <= FANS // 2 + 1


@pytest.mark.parametrize("name", NAMES[::2])
def test_a_clean_unit_with_little_to_do_is_learned_and_found_clean(lived, name):
    assert lived.raised(name) == []
    assert not np.isnan(lived.engine.state.baseline[lived.rows[name], TD_WET])


@pytest.mark.parametrize("name", NAMES[1::2])
def test_a_coil_is_found_by_the_fans_that_are_needed_more(lived, name):
    assert lived.raised(name) == ["coil-fouled"]


@pytest.mark.parametrize(
    ("least", "most", "count", "stepped"),
    [
        (1, 2, 3, True),  # a large unit with little to do
        (2, 3, 3, False),  # one proof of a bank at one speed flickers
        (7, 8, 8, False),
        (1, 2, 8, True),
        (1, 2, 2, True),
        (1, 1, 8, False),
        (2, 4, 4, True),
    ],
)
def test_fans_that_go_between_few_are_stages_too(least, most, count, stepped):
    state = FleetState.empty(1, 1)
    state.step_turns[0], state.step_least[0], state.step_most[0] = LEAST_STEPS, least, most
    assert is_stepped(state, np.array([0]), np.array([count]))[0] == stepped
    # A command of stages tells no more than the proofs; one of a common speed makes them no stages.
    state.speed_seen[0] = True
    assert is_stepped(state, np.array([0]), np.array([count]))[0] == stepped
    state.together_ms[0] = TOGETHER
    assert not is_stepped(state, np.array([0]), np.array([count]))[0]
