"""The shift between two samples against Student's own example and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from rules.two_samples import following_factor, shift_between

# Student (1908), Biometrika 6:1: hours of sleep gained by ten patients with each of two drugs, as
# R's data set "sleep" has them; results for equal variances by R's t.test (from memory).
FIRST_DRUG = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SECOND_DRUG = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def test_the_published_example():
    found = shift_between(FIRST_DRUG, SECOND_DRUG)
    assert found.shift == pytest.approx(1.58)
    assert (found.low, found.high) == (pytest.approx(-0.203874), pytest.approx(3.363874))
    assert 2.0 * found.p_above == pytest.approx(0.07919, abs=5e-6)


@given(st.integers(2, 40), st.integers(2, 40), st.integers(0, 2**32 - 1))
def test_interval_and_probability_are_those_of_scipy(n, m, seed):
    """Its t-test of two samples of one variance."""
    rng = np.random.default_rng(seed)
    a, b = rng.normal(0.0, 1.0, n), rng.normal(0.3, 1.5, m)
    ours = shift_between(a, b, 0.9)
    theirs = stats.ttest_ind(b, a, alternative="two-sided")
    low, high = theirs.confidence_interval(0.9)
    assert (ours.low, ours.high) == (pytest.approx(low), pytest.approx(high))
    one_sided = stats.ttest_ind(b, a, alternative="greater").pvalue
    assert ours.p_above == pytest.approx(one_sided, abs=1e-9)


def test_the_interval_holds_the_true_shift_as_often_as_it_says():
    """Stated 95 %: of 1,000 pairs of 15 and 20 exponential readings a shift of 2 lies in 93 to
    97.5 %."""
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(1000):
        found = shift_between(rng.exponential(size=15), 2.0 + rng.exponential(size=20))
        held += found.low <= 2.0 <= found.high
    assert 930 <= held <= 975


def test_readings_that_follow_each_other_widen_the_interval_enough():
    """First-order process of 0.6 against itself: without the factor 5 % of claims become 20 %."""
    rng = np.random.default_rng(8)

    def sample() -> np.ndarray:
        x = rng.normal(size=40)
        for i in range(1, 40):
            x[i] += 0.6 * x[i - 1]
        return x

    plain = widened = 0
    for _ in range(300):
        a, b = sample(), sample()
        narrow = shift_between(a, b)
        wide = shift_between(a, b, variance_factor=following_factor(a, b))
        plain += not narrow.low <= 0.0 <= narrow.high
        widened += not wide.low <= 0.0 <= wide.high
    assert plain > 45
    assert widened < 36


def test_independent_readings_have_a_factor_near_one_and_gaps_are_borne():
    rng = np.random.default_rng(3)
    assert following_factor(rng.normal(size=400), rng.normal(size=400)) < 1.3
    assert following_factor([1.0, np.nan, 1.0]) == 1.0
    assert following_factor([]) == 1.0


def test_missing_readings_are_left_out_and_too_few_say_nothing():
    assert shift_between([1.0, np.nan, 2.0], [5.0, 6.0, np.nan]).shift == 4.0
    assert np.isnan(shift_between([1.0], [2.0, 3.0]).shift)
    assert shift_between([1.0, 1.0, 1.0], [1.0, 1.0]).p_above == 0.5
    assert shift_between([1.0, 1.0, 1.0], [2.0, 2.0]) == (1.0, 1.0, 1.0, 0.0)
    with pytest.raises(ValueError, match="confidence is 1"):
        shift_between([1.0, 2.0], [1.0, 2.0], 1.0)
