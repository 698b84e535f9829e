"""Slope, trend test and control charts against published worked examples and libraries."""

from __future__ import annotations

import numpy as np
import pymannkendall
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from rules.trend import autocorrelation_factor, cusum, ewma, mann_kendall, theil_sen

# ---------------------------------------------------------------- Theil-Sen

# Sen (1968), J. Am. Stat. Assoc. 63:1379, worked example (data and interval from memory; slope and
# interval recomputed with scipy 1.17.1): slope 4, 95 % interval 26/7 to 35/8.
SEN_T = [1, 2, 3, 4, 10, 12, 18]
SEN_Y = [9, 15, 19, 20, 45, 55, 78]


@pytest.mark.parametrize("confidence", [0.93, 0.95])
def test_sens_worked_example(confidence):
    found = theil_sen(SEN_T, SEN_Y, confidence)
    assert found.slope == 4.0
    assert found.intercept == 4.0
    assert (found.low, found.high) == pytest.approx((26 / 7, 35 / 8))


@given(st.integers(4, 40), st.integers(0, 2**32 - 1))
def test_slope_and_interval_are_those_of_scipy(n, seed):
    rng = np.random.default_rng(seed)
    t, y = np.sort(rng.integers(0, 60, n)), rng.normal(0.0, 3.0, n).round(1)
    if len(np.unique(t)) < 2:
        return
    ours, theirs = theil_sen(t, y), stats.theilslopes(y, t, 0.95)
    assert ours.slope == pytest.approx(theirs.slope)
    assert (ours.low, ours.high) == pytest.approx((theirs.low_slope, theirs.high_slope))
    assert ours.intercept == pytest.approx(theirs.intercept)


def test_missing_readings_are_left_out_and_two_wild_ones_do_not_matter():
    t = np.arange(20.0)
    y = 2.0 * t + 1.0
    y[3], y[7], y[11] = 900.0, np.nan, -900.0
    assert theil_sen(t, y).slope == pytest.approx(2.0)


def test_too_few_readings_have_no_slope():
    assert np.isnan(theil_sen([1, 2, 3], [1, 2, 3]).slope)
    assert np.isnan(theil_sen([5, 5, 5, 5], [1, 2, 3, 4]).slope)
    with pytest.raises(ValueError, match="do not belong together"):
        theil_sen([1, 2], [1.0])
    with pytest.raises(ValueError, match="confidence is 1"):
        theil_sen(SEN_T, SEN_Y, 1.0)


# ---------------------------------------------------------------- Mann-Kendall


# Recomputed with pymannkendall 1.4.3 (original test), which follows Mann (1945) and Kendall (1975).
@pytest.mark.parametrize(
    ("values", "s", "variance", "z", "p"),
    [
        ([5, 6, 11, 8, 10], 6, 16.6667, 1.224745, 0.220671),
        ([10, 22, 21, 30, 22, 30, 40, 41, 40], 27, 89.0, 2.755994, 0.005851),
        (list(range(1, 11)), 45, 125.0, 3.935480, 8.303e-5),
        ([23.0, 24.1, 23.8, 24.9, 25.2, 25.0, 26.1, 26.4], 24, 65.3333, 2.845512, 0.004434),
    ],
)
def test_mann_kendall_against_the_library(values, s, variance, z, p):
    found = mann_kendall(values)
    assert found.s == s
    assert found.variance == pytest.approx(variance, abs=1e-4)
    assert found.z == pytest.approx(z, abs=1e-6)
    assert found.p == pytest.approx(p, rel=1e-3)


@given(st.integers(5, 60), st.floats(-0.6, 0.9), st.integers(0, 2**32 - 1))
def test_readings_that_follow_each_other_widen_the_variance_as_in_the_library(n, phi, seed):
    """pymannkendall 1.4.3, test of Hamed and Rao (1998), J. Hydrology 204:182."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(size=n)
    for i in range(1, n):
        noise[i] += phi * noise[i - 1]
    y = (0.1 * np.arange(n) + noise).round(3)
    with np.errstate(invalid="ignore"):  # its z, where the variance comes out below zero
        theirs = pymannkendall.hamed_rao_modification_test(y)
    factor = autocorrelation_factor(y)
    plain = mann_kendall(y)
    assert factor * plain.variance == pytest.approx(theirs.var_s, rel=1e-9, abs=1e-9)
    if factor > 0:
        assert mann_kendall(y, factor).z == pytest.approx(theirs.z, rel=1e-9)


def test_no_trend_in_a_constant_and_none_claimed_from_three():
    assert mann_kendall([7.0] * 10).p == 1.0
    assert np.isnan(mann_kendall([1.0, 2.0, 3.0]).p)


def test_on_noise_it_cries_wolf_as_often_as_it_says():
    """Two-sided p below 5 % in about 5 % of trend-free series (binomial, 99.9 % of the time)."""
    rng = np.random.default_rng(3)
    hits = sum(mann_kendall(rng.normal(size=30)).p < 0.05 for _ in range(1000))
    assert 26 <= hits <= 75


# ---------------------------------------------------------------- CUSUM

# NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.3 (data from memory, sums recomputed):
# target 325, k 0.3175, h 4.1959. The upper sum signals at the 14th observation.
NIST_X = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
          324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875,
          328.350]  # fmt: skip
NIST_HIGH = [0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445,
             16.0025, 19.035]  # fmt: skip
NIST_LOW = [0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.715, 0.1725, 0.255, 0.3125, *[0] * 9]


def test_the_handbooks_cusum():
    found = cusum(NIST_X, 325.0, 0.3175, 4.1959)
    np.testing.assert_allclose(found.high, NIST_HIGH, atol=1e-4)
    np.testing.assert_allclose(found.low, NIST_LOW, atol=1e-4)
    assert (found.first_high, found.first_low) == (13, -1)


def test_the_textbooks_tabular_cusum():
    """Montgomery and Runger, Table 16-8: target 99, K 1, H 10; no signal."""
    x = [102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1, 101.3, 98.7, 101.1, 98.4,
         97.0, 96.7, 100.3, 101.4, 97.2, 101.0]  # fmt: skip
    found = cusum(x, 99.0, 1.0, 10.0)
    high = [2, 0, 0, 0, 2, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
    low = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]
    np.testing.assert_allclose(found.high, high, atol=1e-9)
    np.testing.assert_allclose(found.low, low, atol=1e-9)
    assert (found.first_high, found.first_low) == (-1, -1)


@pytest.mark.parametrize(
    ("start", "sums", "first"),
    [
        (0.0, [0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0], 6),
        (2.5, [2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5], 2),
    ],
)
def test_a_head_start_finds_an_early_shift_sooner(start, sums, first):
    """Lucas and Crosier (1982), k 0.5, h 5: signal at the 7th reading, or the 3rd."""
    found = cusum([0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6], 0.0, 0.5, 5.0, start)
    np.testing.assert_allclose(found.high, sums, atol=1e-9)
    assert found.first_high == first


def test_many_units_at_once_are_each_alone_and_gaps_wait():
    x = np.array([NIST_X, np.roll(NIST_X, 5), NIST_X])
    x[2, 4] = np.nan
    together = cusum(x, 325.0, 0.3175, 4.1959)
    for i in range(3):
        alone = cusum(x[i], 325.0, 0.3175, 4.1959)
        np.testing.assert_array_equal(together.high[i], alone.high)
        assert together.first_high[i] == alone.first_high
    assert together.high[2, 4] == together.high[2, 3]


# ---------------------------------------------------------------- EWMA


def test_the_handbooks_ewma():
    """NIST/SEMATECH e-Handbook 6.3.2.4: weight 0.3, start 50."""
    x = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8,
         51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
    expected = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
                49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
    found = ewma(x, 0.3, 50.0)
    np.testing.assert_allclose(found, expected, atol=0.0051)
    # Control limits of the example, s 2.0539: no signal.
    half = 3.0 * 2.0539 * np.sqrt(0.3 / 1.7)
    assert 50.0 + half == pytest.approx(52.5884, abs=1e-3)
    assert (np.abs(found - 50.0) < half).all()


def test_a_weight_that_cannot_be_is_refused():
    with pytest.raises(ValueError, match="weight is 0"):
        ewma([1.0], 0.0, 0.0)
