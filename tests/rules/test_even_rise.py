"""Even at any load, or in proportion to it: both laws fitted to means made of each.

Least squares through nothing: Draper and Smith, Applied Regression Analysis, 3rd ed., 1.1 (from
memory); what is expected of them is worked out here by numpy's own least squares.
"""

from __future__ import annotations

import numpy as np
import pytest
from support.fleet import engine_of

from rules.even_rise import (
    FADED_MEANS,
    LEAST_EVEN_K,
    MEMORY_MEANS,
    goes_with_load,
    is_even,
    mind_even,
    not_told_yet,
)
from rules.state import STEADY

Q = [[q.name for q in STEADY].index(name) for name in ("td_dry", "td_wet")]
BASE_K = 10.0
ROW = np.zeros(1, dtype=np.int64)


def unit():
    engine = engine_of()
    state = engine.state
    state.heat_load_seen[0] = True
    state.baseline[0, Q] = BASE_K
    return engine.plan, state


def take(plan, state, expected_k, rise_k, *, wet=False, depression_k=8.0):
    """One mean: what a clean unit would condense above the air on the coil, and what is more."""
    rate = np.array([BASE_K / expected_k])
    td = (expected_k + rise_k) * rate
    mind_even(plan, state, ROW, np.array([wet]), td, rate, np.array([depression_k]))


def swings(means, seed=0):
    """Expected TDs of a load that goes up and down by a third, and errors of the means."""
    rng = np.random.default_rng(seed)
    return 6.0 + 2.0 * np.sin(np.arange(means) / 24 * 2 * np.pi), 0.2 * rng.standard_normal(means)


@pytest.mark.parametrize("seed", range(5))
def test_the_same_kelvins_at_any_load_are_even_within_half_a_day(seed):
    plan, state = unit()
    for n, (expected, error) in enumerate(zip(*swings(12, seed), strict=True)):
        take(plan, state, expected, 9.0 + error)
        assert not (n < 5 and is_even(state, ROW)[0])
        assert n > 5 or not_told_yet(state, ROW)[0]
    assert is_even(state, ROW)[0]
    assert not not_told_yet(state, ROW)[0]
    assert not goes_with_load(state, ROW)[0]
    assert state.even_rise_k[0] == pytest.approx(9.0, abs=0.3)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("share", [0.7, 1.0, 1.5])
def test_a_share_of_what_the_load_asks_is_not(seed, share):
    plan, state = unit()
    for expected, error in zip(*swings(48, seed), strict=True):
        take(plan, state, expected, share * expected + error)
        assert not is_even(state, ROW)[0]
    assert goes_with_load(state, ROW)[0]


def test_what_is_kept_is_the_fit_of_weighted_least_squares():
    plan, state = unit()
    expected, error = swings(30)
    rise = 7.0 + error
    for x, y in zip(expected, rise, strict=True):
        take(plan, state, x, y)
    weight = (1.0 - 1.0 / MEMORY_MEANS) ** np.arange(len(rise))[::-1]
    root = np.sqrt(weight)
    level, left = np.linalg.lstsq(root[:, None], root * rise, rcond=None)[:2]
    slope_left = np.linalg.lstsq((root * expected)[:, None], root * rise, rcond=None)[1]
    w, e, ee, xx, ex, _ = state.even_sums[0].astype(float)
    assert e / w == pytest.approx(level[0], rel=1e-4)
    assert ee - e**2 / w == pytest.approx(left[0], rel=0.02)
    assert ee - ex**2 / xx == pytest.approx(slope_left[0], rel=1e-3)


def test_a_load_that_stands_still_tells_nothing():
    plan, state = unit()
    rng = np.random.default_rng(1)
    for error in 0.2 * rng.standard_normal(60):
        take(plan, state, 6.0, 9.0 + error)
    assert not is_even(state, ROW)[0]
    assert not goes_with_load(state, ROW)[0]
    assert not not_told_yet(state, ROW)[0]


def test_what_the_pads_can_lose_is_no_gas():
    """0.8 of 8 K: dry pads in weather that stays as it is cost the same at any load."""
    plan, state = unit()
    lost_k = float(plan.pad_effectiveness_frac[0]) * 8.0
    assert lost_k > LEAST_EVEN_K
    for expected, error in zip(*swings(40), strict=True):
        take(plan, state, expected, lost_k + error, wet=True)
        assert not is_even(state, ROW)[0]
        assert not not_told_yet(state, ROW)[0]


def test_no_load_no_baseline_or_a_person_at_the_unit_teach_nothing():
    plan, state = unit()
    state.heat_load_seen[0] = False
    take(plan, state, 6.0, 9.0)
    state.heat_load_seen[0] = True
    state.out_of_service_until_ms[0] = -1
    take(plan, state, 6.0, 9.0)
    state.out_of_service_until_ms[0] = 0
    take(plan, state, np.nan, 9.0)
    state.baseline[0, Q] = np.nan
    take(plan, state, 6.0, 9.0)
    assert not state.even_sums[0].any()


def test_its_end_is_seen_at_once_and_its_means_are_let_fade():
    plan, state = unit()
    for expected, error in zip(*swings(30), strict=True):
        take(plan, state, expected, 9.0 + error)
    take(plan, state, 6.0, 0.3)
    assert state.even_rise_k[0] < 0.0
    count = 1
    while is_even(state, ROW)[0]:
        take(plan, state, 6.0, 0.3)
        count += 1
    kept = 1.0 - 1.0 / MEMORY_MEANS
    assert count == int(np.ceil(np.log(1.0 - FADED_MEANS / MEMORY_MEANS) / np.log(kept)))


def test_a_clean_unit_has_no_rise():
    plan, state = unit()
    for expected, error in zip(*swings(200), strict=True):
        take(plan, state, expected, error)
        assert not is_even(state, ROW)[0]
        assert not not_told_yet(state, ROW)[0]
