"""Intervals of shares and rates against published values and scipy."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.evaluation.intervals import Rate, Share, poisson_interval, wilson_interval


@pytest.mark.parametrize(
    ("count", "total", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611),
     (1, 29, 0.0061, 0.1718)],
)  # fmt: skip
def test_wilson_against_the_published_comparison(count, total, low, high):
    """R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, method 3; from memory."""
    assert wilson_interval(count, total) == pytest.approx((low, high), abs=6e-5)


@pytest.mark.parametrize(("count", "total"), [(0, 1), (3, 7), (7, 50), (49, 50), (500, 1000)])
@pytest.mark.parametrize("confidence", [0.90, 0.95, 0.99])
def test_wilson_against_scipy(count, total, confidence):
    from scipy.stats import binomtest

    expected = binomtest(count, total).proportion_ci(confidence, method="wilson")
    found = wilson_interval(count, total, confidence)
    assert found == pytest.approx((expected.low, expected.high), abs=1e-12)


@pytest.mark.parametrize(
    ("count", "low", "high"),
    [(0, 0.0, 3.689), (1, 0.0253, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.390)],
)
def test_poisson_against_the_published_table(count, low, high):
    """F. Garwood, Biometrika 28 (1936) 437-442, as tables of exact limits give it; from memory."""
    assert poisson_interval(count) == pytest.approx((low, high), abs=6e-4)


@pytest.mark.parametrize("count", [0, 1, 2, 17, 400])
def test_poisson_against_the_chi_square_form_in_scipy(count):
    """Low = chi2(0.025; 2 n) / 2 and high = chi2(0.975; 2 n + 2) / 2."""
    from scipy.stats import chi2

    low = chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    assert poisson_interval(count) == pytest.approx(
        (low, chi2.ppf(0.975, 2 * count + 2) / 2), rel=1e-9
    )


@given(st.integers(0, 2000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_a_share_lies_within_its_interval_and_both_within_0_to_1(pair):
    share = Share(*pair)
    low, high = share.interval
    assert 0.0 <= low <= high <= 1.0
    if share.value is not None:
        assert low - 1e-12 <= share.value <= high + 1e-12


@settings(max_examples=12)
@given(st.integers(0, 500), st.floats(0.01, 1e4))
def test_a_rate_lies_within_its_interval(count, exposure):
    rate = Rate(count, exposure)
    assert rate.interval is not None
    assert rate.value is not None
    low, high = rate.interval
    assert 0.0 <= low <= rate.value <= high < math.inf


def test_nothing_watched_has_no_rate_and_nothing_asked_no_share():
    assert Share(0, 0).value is None
    assert Share(0, 0).interval == (0.0, 1.0)
    assert Rate(0, 0.0).value is None
    assert Rate(0, 0.0).interval is None
    assert Rate(3, 0.0).to_json()["low"] is None


@pytest.mark.parametrize(("count", "total"), [(-1, 3), (4, 3)])
def test_an_impossible_count_is_refused(count, total):
    with pytest.raises(ValueError, match="must be from 0"):
        wilson_interval(count, total)
    with pytest.raises(ValueError, match="negative"):
        poisson_interval(-1)
