"""Coil and pads of units that send no heat load: what may be learned, held and said of them.

Hot afternoons bring some of them near their cut-out, a visit empties their means, and a basin that
stays empty turns wet hours into dry ones. Each is a scene of its own: a plant of weeks
(``heat_scenes``), or means put into the rings.
"""

from __future__ import annotations

import numpy as np
import pytest
from heat_fleet import played
from numpy.typing import NDArray
from support.fleet import Feed, engine_of, site, unit_data

from rules.bins import BinView
from rules.engine import Engine
from rules.events import Change, Severity
from rules.faults.coil_fouled import judge as judge_coil
from rules.faults.pads import judge_dry
from rules.learning import learn_baselines
from rules.state import STEADY

Q = {q.name: i for i, q in enumerate(STEADY)}
DRY, WET = Q["td_dry"], Q["td_wet"]
DAY_BINS = 288
NOW = 5_000_000
"""A bin."""
SPEED = {"fan_speed": 60.0}
CALM = np.zeros(1, dtype=np.int8)


# ---------------------------------------------------------------- near the cut-out each afternoon


@pytest.fixture(scope="module")
def hot_evenings():
    """Pads that stop wetting at day 12; each evening the head pressure is in order again."""
    return played()["hot evenings"]


def test_a_high_head_pressure_that_goes_each_evening_takes_no_evidence_with_it(hot_evenings):
    changes = [(e.fault, e.change) for e in hot_evenings.events["dry pads"]]
    assert ("head-pressure-high", Change.RETURNED) in changes
    assert ("pads-not-wetting", Change.RAISED) in changes


def test_the_clean_unit_beside_it_raises_nothing(hot_evenings):
    assert hot_evenings.raised("clean") == []


def test_where_nobody_tells_the_mode_the_pump_says_which_air_the_coil_gets():
    """30 °C and 30 % are 17.9 °C of wet bulb (Stull 2011 gives 18.0): the pads bring the air to
    20 °C. R134a condenses at 55 °C at 1491.5 kPa (CoolProp 8.0.0): 35 K above it, not 25."""
    feed = Feed(engine_of())
    air = {"ambient_temperature": 30.0, "relative_humidity": 30.0}
    feed.run(600.0, wet_mode=None, pump_command=None, **air)
    events = feed.run(3600.0, wet_mode=None, pump_command=None, head_pressure=1560.0, **air)
    evidence = next(e.evidence for e in events if e.fault == "head-pressure-high")
    reading = next(
        r for r in evidence.readings if r.quantity == "Condensing temperature above air on coil"
    )
    assert reading.measured > 33.0
    assert "pads-not-wetting" in [c.slug for c in evidence.causes if "the unit runs wet" in c.fits]


# ---------------------------------------------------------------- learning


def taught(means: NDArray[np.float64], load: bool) -> float:
    """Share of units, a row of dry TDs each, that learn their baseline of them."""
    n, count = means.shape
    engine = engine_of(site(units=[unit_data(f"ac-{i}") for i in range(n)]))
    state = engine.state
    rows = np.arange(n)
    state.heat_load_seen[:n] = load
    state.steady[rows, DRY, :count] = means
    state.steady_count[rows, DRY] = count
    state.td_first_bin[rows, 0] = NOW - 9 * DAY_BINS
    state.bin_id[rows] = NOW
    learn_baselines(engine.plan, state, rows, np.full(n, NOW * 300_000))
    return float((~np.isnan(state.baseline[rows, DRY])).mean())


@pytest.mark.parametrize("count", [14, 24, 40])
def test_loads_that_nobody_sends_may_scatter_while_the_clean_unit_is_learned(count):
    """Without any drift two standard errors hold 19 of 20 (normal distribution); the scatter, taken
    from the same few means, costs some more."""
    rng = np.random.default_rng(count)
    learned = taught(7.0 * (1.0 + 0.12 * rng.standard_normal((400, count))), load=False)
    assert 0.8 <= learned <= 0.98


@pytest.mark.parametrize("load", [True, False])
def test_a_unit_that_drifts_is_not_learned(load):
    rng = np.random.default_rng(3)
    drift = np.linspace(0.85, 1.15, 40)
    assert taught(7.0 * drift * (1.0 + 0.05 * rng.standard_normal((100, 40))), load) <= 0.05


# ---------------------------------------------------------------- what the other mode says


def unit(dry: list[float], wet: list[float], wet_days_ago: float = 0.0) -> tuple[Engine, BinView]:
    """One unit with clean TDs of 5 K dry and 8 K wet, these newest means, one each three hours."""
    engine = engine_of()
    state = engine.state
    for q, base, means, mode in ((DRY, 5.0, dry, 0), (WET, 8.0, wet, 1)):
        state.baseline[0, q], state.baseline_spread[0, q] = base, 0.05 * base
        state.baseline_count[0, q] = 28
        state.steady[0, q, : len(means)] = means
        state.steady_count[0, q] = len(means)
        state.td_gap_h[0, mode] = 3.0
    state.dry_seen_bin[0] = state.td_last_bin[0, 0] = NOW - 60
    state.td_last_bin[0, 1] = NOW - int(wet_days_ago * DAY_BINS)
    state.wet_depression_k[0] = 11.0
    fresh = np.zeros((1, len(STEADY)), dtype=np.bool_)
    fresh[0, [DRY, WET]] = True
    end_ms = np.array([(NOW + 1) * 300_000])
    return engine, BinView(engine.plan, state, np.array([0]), end_ms, np.array([False]), fresh)


def test_a_coil_is_not_blamed_for_what_the_few_dry_hours_after_a_visit_do_not_show():
    wet = [15.0] * 12
    assert judge_coil(unit([5.2] * 5, wet)[1], CALM)[0] <= 0
    # The same in both, or nothing dry to compare with: then it may well be the coil.
    assert judge_coil(unit([8.5] * 5, wet)[1], CALM)[0] >= Severity.MEDIUM
    assert judge_coil(unit([], wet)[1], CALM)[0] >= Severity.MEDIUM


def test_hours_that_used_to_be_wet_are_no_fouled_coil_when_they_are_dry():
    """A basin that stays empty: the unit runs dry in the busy hours of the afternoon too."""
    dry = [8.0] * 28
    assert judge_coil(unit(dry, [], wet_days_ago=5.0)[1], CALM)[0] == 0
    # But an alarm that stands is not over because wet running says nothing any more.
    standing = np.full(1, Severity.MEDIUM, dtype=np.int8)
    assert judge_coil(unit([7.0] * 28, [], wet_days_ago=5.0)[1], standing)[0] == Severity.MEDIUM
    # Twice the difference is told all the same, and a unit that never ran wet has no such hours.
    assert judge_coil(unit([13.0] * 28, [], wet_days_ago=5.0)[1], CALM)[0] >= Severity.MEDIUM
    engine, view = unit(dry, [], wet_days_ago=5.0)
    engine.state.baseline[0, WET] = np.nan
    assert judge_coil(view, CALM)[0] == Severity.MEDIUM


@pytest.mark.parametrize(("risen_means", "found"), [(36, True), (6, False)])
def test_days_of_dry_running_as_ever_lay_a_risen_wet_difference_to_the_pads(risen_means, found):
    """8 to 12.4 K at 11 K of depression are 0.4 of the pads' 0.53, three quarters. The course with
    the depression shows a part of that only: they failed by and by, between dry days and humid."""
    rng = np.random.default_rng(5)
    depressions = 10.0 + 2.0 * rng.standard_normal(36)
    risen = np.arange(36) >= 36 - risen_means
    course = np.where(risen, 12.4 + 0.2 * (depressions - 10.0), 8.0 - 0.1 * (depressions - 10.0))
    engine, view = unit([5.0, 4.9, 5.1] * 10, (course + 0.1 * rng.standard_normal(36)).tolist())
    state = engine.state
    state.wet_falls_k[0, :36] = depressions
    state.wet_course[0] = (-0.1, 0.03, 10.0)
    state.wet_td_k[0] = 12.4
    assert (judge_dry(view, CALM)[0] > 0) == found


@pytest.mark.parametrize(("level_k", "found"), [(7.4, False), (11.5, True)])
def test_wet_differences_that_go_with_the_depression_and_are_no_higher_say_nothing(level_k, found):
    """Busy afternoons are dry air too: a slope of them is the load's, unless wet running got
    warmer. At 6 K of depression dry pads of 0.8 are 4.8 K warmer."""
    rng = np.random.default_rng(6)
    depressions = 6.0 + 2.0 * rng.standard_normal(36)
    course = level_k + 0.6 * (depressions - 6.0) + 0.1 * rng.standard_normal(36)
    engine, view = unit([4.3] * 30, course.tolist())
    state = engine.state
    state.wet_falls_k[0, :36] = depressions
    state.wet_course[0] = (-0.05, 0.03, 6.0)
    state.wet_td_k[0], state.wet_depression_k[0] = level_k, 6.0
    assert (judge_dry(view, CALM)[0] > 0) == found


@pytest.mark.parametrize(("dry_k", "wet_k", "found"), [(7.5, 10.0, False), (10.0, 13.0, True)])
def test_dry_running_that_got_better_by_itself_takes_nothing_from_the_pads(dry_k, wet_k, found):
    """2.5 K less dry, or 3 K more wet, at 6 K of depression: only the second is warmer for it."""
    engine, view = unit([dry_k] * 30, [wet_k] * 30)
    state = engine.state
    state.heat_load_seen[0] = True
    state.baseline[0, [DRY, WET]] = 10.0
    state.wet_td_k[0], state.wet_depression_k[0] = wet_k, 6.0
    assert (judge_dry(view, CALM)[0] > 0) == found
