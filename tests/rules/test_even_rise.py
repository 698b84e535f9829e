"""Even at any load, or in proportion to it: both laws fitted to means made of each.

Least squares through nothing: Draper and Smith, Applied Regression Analysis, 3rd ed., 1.1 (from
memory); what is expected of them is worked out here by numpy's own least squares.
"""

from __future__ import annotations

import numpy as np
import pytest
from support.fleet import engine_of

from rules.even_rise import (
    LEAST_EVEN_K,
    MEMORY_MEANS,
    even_rise_k,
    fades,
    goes_with_load,
    mind_even,
    not_told_yet,
)
from rules.heat_memory import forget_effect
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


def now(state):
    return state.even_bin[:1].astype(np.int64)


def is_even(state):
    return even_rise_k(state, ROW, now(state))[0] > 0.0


def waits(state):
    return not_told_yet(state, ROW, now(state))[0]


def take(plan, state, expected_k, rise_k, *, wet=False, depression_k=8.0, bins=12):
    """One mean: what a clean unit would condense above the air on the coil, and what is more."""
    rate = np.array([BASE_K / expected_k])
    td = (expected_k + rise_k) * rate
    at = np.maximum(now(state), 5_900_000) + bins
    mind_even(plan, state, ROW, at, np.array([wet]), td, rate, np.array([depression_k]))


def swings(means, seed=0):
    """Expected TDs of a load that goes up and down by a third, and errors of the means."""
    rng = np.random.default_rng(seed)
    return 6.0 + 2.0 * np.sin(np.arange(means) / 24 * 2 * np.pi), 0.2 * rng.standard_normal(means)


def gas(plan, state, means, seed=0):
    """Nine kelvins more, at whatever load."""
    for expected, error in zip(*swings(means, seed), strict=True):
        take(plan, state, expected, 9.0 + error)


def unit_with_gas():
    plan, state = unit()
    gas(plan, state, 30)
    assert is_even(state)
    return plan, state


@pytest.mark.parametrize("seed", range(5))
def test_the_same_kelvins_at_any_load_are_even_within_a_day(seed):
    plan, state = unit()
    for n, (expected, error) in enumerate(zip(*swings(24, seed), strict=True)):
        take(plan, state, expected, 9.0 + error)
        assert not (n < 5 and is_even(state))
        assert waits(state) != is_even(state)
    assert is_even(state)
    assert not waits(state)
    assert not goes_with_load(state, ROW)[0]
    assert state.even_rise_k[0] == pytest.approx(9.0, abs=0.3)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("share", [0.7, 1.0, 1.5])
def test_a_share_of_what_the_load_asks_is_not(seed, share):
    plan, state = unit()
    for expected, error in zip(*swings(48, seed), strict=True):
        take(plan, state, expected, share * expected + error)
        assert not is_even(state)
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
    w, e, ee, x, xx, ex, _ = state.even_sums[0].astype(float)
    assert x / w == pytest.approx(np.average(expected, weights=weight), rel=1e-4)
    assert e / w == pytest.approx(level[0], rel=1e-4)
    assert ee - e**2 / w == pytest.approx(left[0], rel=0.02)
    assert ee - ex**2 / xx == pytest.approx(slope_left[0], rel=1e-3)


def test_a_load_that_stands_still_tells_nothing():
    plan, state = unit()
    rng = np.random.default_rng(1)
    for error in 0.2 * rng.standard_normal(60):
        take(plan, state, 6.0, 9.0 + error)
    assert not is_even(state)
    assert not goes_with_load(state, ROW)[0]
    assert not waits(state)


def test_what_the_pads_can_lose_is_no_gas():
    """0.8 of 8 K: dry pads in weather that stays as it is cost the same at any load."""
    plan, state = unit()
    lost_k = float(plan.pad_effectiveness_frac[0]) * 8.0
    assert lost_k > LEAST_EVEN_K
    for expected, error in zip(*swings(40), strict=True):
        take(plan, state, expected, lost_k + error, wet=True)
        assert not is_even(state)
        assert not waits(state)


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


def test_its_end_is_seen_at_once_and_its_means_fade_for_two_days():
    plan, state = unit_with_gas()
    take(plan, state, 6.0, 0.3)
    assert not is_even(state)
    hours = 1
    while fades(state, ROW, now(state))[0]:
        take(plan, state, 6.0, 0.3)
        hours += 1
    assert 48 <= hours <= 50
    assert state.even_rise_k[0] == 0.0


def test_a_coil_that_is_blocked_as_the_gas_is_let_out_does_not_fade():
    plan, state = unit_with_gas()
    take(plan, state, 6.0, 0.3)
    assert fades(state, ROW, now(state))[0]
    for expected, error in zip(*swings(30, 1), strict=True):
        take(plan, state, expected, 1.2 * expected + error)
    assert goes_with_load(state, ROW)[0]
    assert not fades(state, ROW, now(state))[0]
    assert not is_even(state)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("times", [2.2, 2.6, 3.0])
@pytest.mark.parametrize("meter", [0.02, 0.06])
def test_fans_that_hold_the_temperature_over_a_blocked_coil_are_no_gas(seed, times, meter):
    """What is higher falls then as more is expected, and a meter's errors do the same."""
    plan, state = unit()
    rng = np.random.default_rng(seed)
    for _ in range(72):
        true_k = 14.0 / times * (1.0 + 0.02 * rng.standard_normal())
        expected_k = true_k * (1.0 + meter * rng.standard_normal())
        take(plan, state, expected_k, times * true_k - expected_k)
        assert not is_even(state)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("times", [2.2, 2.6, 3.0])
def test_a_load_that_hardly_moves_beside_its_meter_tells_no_gas(seed, times):
    plan, state = unit()
    rng = np.random.default_rng(seed)
    for hour in range(72):
        true_k = 6.0 * (1.0 + 0.05 * np.sqrt(2.0) * np.sin(hour / 24 * 2 * np.pi))
        expected_k = true_k * (1.0 + 0.06 * rng.standard_normal())
        take(plan, state, expected_k, times * true_k - expected_k)
        assert not is_even(state)


def test_a_rise_that_nothing_bears_out_any_more_is_not_known_until_the_next_mean():
    plan, state = unit_with_gas()
    day = 288
    assert even_rise_k(state, ROW, now(state) + day)[0] > 0.0
    assert np.isnan(even_rise_k(state, ROW, now(state) + day + 1)[0])
    assert np.isnan(even_rise_k(state, ROW, now(state) + 30 * day)[0])
    take(plan, state, 6.0, 9.0, bins=4 * day)
    assert state.even_sums[0, 0] == 1.0
    assert is_even(state)
    take(plan, state, 6.0, 0.2, bins=4 * day)
    assert not is_even(state)
    assert fades(state, ROW, now(state))[0]


def test_one_low_hour_silences_a_rise_for_less_than_a_day():
    plan, state = unit_with_gas()
    take(plan, state, 6.0, 1.0)
    assert not is_even(state)
    gas(plan, state, 24, seed=1)
    assert is_even(state)


def test_work_on_the_unit_and_a_new_clean_state_forget_it():
    plan, state = unit_with_gas()
    state.out_of_service_until_ms[0] = -1
    take(plan, state, 6.0, 9.0)
    assert not state.even_sums[0].any()
    assert not is_even(state)
    state.out_of_service_until_ms[0] = 0
    gas(plan, state, 30)
    assert is_even(state)
    forget_effect(state, 0)
    assert not is_even(state)


def test_a_clean_unit_has_no_rise():
    plan, state = unit()
    for expected, error in zip(*swings(200), strict=True):
        take(plan, state, expected, error)
        assert not is_even(state)
        assert not waits(state)
