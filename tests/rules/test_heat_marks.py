"""A small leap or a small loss must last: in means, and not in time of which nothing is known."""

from __future__ import annotations

import numpy as np
import pytest
from heat_fleet import A_DAY, AT_NIGHT, BEGIN_D, OFF_AFTER, WET_AFTER, played
from heat_scenes import T0_S
from support.fleet import engine_of

from rules.events import Change
from rules.heat_marks import MOST_SILENCE_BINS, is_marked, newest_told_bin, pass_over_silence
from rules.state import STEADY

DRY_Q, WET_Q = ([q.name for q in STEADY].index(name) for name in ("td_dry", "td_wet"))


@pytest.fixture(scope="module")
def lived():
    return played()["wind"]


@pytest.mark.parametrize("scene", [*WET_AFTER, *OFF_AFTER], ids=lambda s: s.name)
def test_a_wind_of_hours_does_not_last_for_what_comes_after_is_not_dry(lived, scene):
    assert lived.raised(scene.name) == []


def test_what_the_wind_began_ends_with_it(lived):
    """Else the next small wind would be taken for the same that lasts."""
    rows = np.array([lived.rows[s.name] for s in A_DAY])
    assert not is_marked(lived.engine.state, rows).any()
    assert not any(lived.raised(s.name) for s in A_DAY)


def test_a_fan_that_is_lost_shows_by_its_nights_alone(lived):
    """Half a day without dry means is no silence: it takes the three days that are set."""
    events = [e for e in lived.events[AT_NIGHT.name] if e.change is Change.RAISED]
    assert [e.fault for e in events] == ["fan-capacity-lost"]
    day = (events[0].time_ms / 1000 - T0_S) / 86_400.0
    assert BEGIN_D + 3.0 < day < BEGIN_D + 5.0


@pytest.mark.parametrize(("silence_d", "moved_d"), [(0.5, 0), (1.0, 0), (6.0, 5)])
def test_a_mark_moves_on_by_the_silence_beyond_a_day(silence_d, moved_d):
    state, row = engine_of().state, np.zeros(1, dtype=np.int64)
    last = 5_938_000
    state.td_last_bin[0] = last, last - 1_000
    state.baseline[0, [DRY_Q, WET_Q]] = 8.0, 6.0
    state.leap_bin[0] = state.coil_since_bin[0] = last - 100
    now = np.array([last + int(silence_d * MOST_SILENCE_BINS)])
    yes, no = np.array([True]), np.array([False])
    assert newest_told_bin(state, row)[0] == last
    # Wet means tell nothing of the leap.
    pass_over_silence(state, row, now, no, yes)
    moved = last - 100 + moved_d * MOST_SILENCE_BINS
    assert (state.leap_bin[0], state.coil_since_bin[0]) == (last - 100, moved)
    state.coil_since_bin[0] = 0
    pass_over_silence(state, row, now, yes, no)
    assert (state.leap_bin[0], state.coil_since_bin[0]) == (moved, 0)


@pytest.mark.parametrize("told", [DRY_Q, WET_Q])
def test_means_of_a_mode_that_is_not_learned_push_no_mark_on(told):
    """Six days of them each hour: the mark of the coil stays where it was."""
    state, row = engine_of().state, np.zeros(1, dtype=np.int64)
    last = 5_938_000
    state.td_last_bin[0] = last
    state.baseline[0, [DRY_Q, WET_Q]] = np.nan
    state.baseline[0, told] = 8.0
    state.coil_since_bin[0] = last - 100
    is_dry = np.array([told == WET_Q])
    for hour in range(1, 145):
        now = np.array([last + 12 * hour])
        pass_over_silence(state, row, now, is_dry, ~is_dry)
        state.td_last_bin[0, int(told == DRY_Q)] = now[0]
    assert state.coil_since_bin[0] == last - 100
