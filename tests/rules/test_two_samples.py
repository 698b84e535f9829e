"""Mann-Whitney and Hodges-Lehmann against a published example and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from rules.two_samples import following_factor, shift_between

# Hollander and Wolfe (1973), Nonparametric Statistical Methods, table 4.1: permeability of the
# human chorioamnion at term and at 12 to 26 weeks. W 35 and estimate 0.305 as R's help page of
# wilcox.test has them (data and results from memory).
AT_TERM = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
EARLIER = [1.15, 0.88, 0.90, 0.74, 1.21]


def test_the_published_example():
    found = shift_between(EARLIER, AT_TERM)
    assert found.u == 35.0
    assert found.shift == pytest.approx(0.305)
    # Exact p 0.1272; the normal approximation is within two in a hundred of it.
    assert found.p_above == pytest.approx(0.1272, abs=0.02)
    assert found.low < 0.0 < found.high


@given(st.integers(8, 40), st.integers(8, 40), st.integers(0, 2**32 - 1))
def test_statistic_and_probability_are_those_of_scipy(n, m, seed):
    """With ties, by the normal approximation with continuity correction."""
    rng = np.random.default_rng(seed)
    a, b = rng.normal(0.0, 1.0, n).round(1), rng.normal(0.3, 1.5, m).round(1)
    ours = shift_between(a, b)
    theirs = stats.mannwhitneyu(b, a, alternative="greater", method="asymptotic")
    assert ours.u == theirs.statistic
    assert ours.p_above == pytest.approx(theirs.pvalue, abs=1e-12)
    assert ours.shift == pytest.approx(np.median(b[:, None] - a[None, :]))


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
    with pytest.raises(ValueError, match="confidence is 1"):
        shift_between([1.0, 2.0], [1.0, 2.0], 1.0)
