"""Median and spread against numpy and scipy, and what a few bad readings may do."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from rules.physics.robust import count, median, median_error, spread

readings = arrays(
    np.float64,
    st.tuples(st.integers(1, 4), st.integers(1, 12)),
    elements=st.one_of(st.floats(-1e6, 1e6), st.just(np.nan)),
)


def by_row(function, values):
    """The reference, row by row over what is there, NaN for a row of nothing."""
    rows = [row[np.isfinite(row)] for row in values]
    return np.array([function(row) if row.size else np.nan for row in rows])


@given(readings)
def test_median_is_numpys_of_what_is_there(values):
    np.testing.assert_allclose(median(values), by_row(np.median, values), rtol=1e-12, atol=1e-9)
    np.testing.assert_array_equal(count(values), np.isfinite(values).sum(axis=-1))


@given(readings)
def test_spread_is_scipys_scaled_median_absolute_deviation(values):
    from scipy.stats import median_abs_deviation

    expected = by_row(lambda r: median_abs_deviation(r, scale="normal"), values)
    np.testing.assert_allclose(spread(values, least=1), expected, rtol=1e-9, atol=1e-9)


def test_spread_and_error_estimate_those_of_normal_readings():
    """4,000 windows of 101: spread within 2 %, error within 5 % of the scatter of medians."""
    values = np.random.default_rng(2).normal(10.0, 2.0, (4000, 101))
    assert np.mean(spread(values)) == pytest.approx(2.0, rel=0.02)
    assert np.mean(median_error(values)) == pytest.approx(np.std(median(values)), rel=0.05)


def test_two_wild_readings_in_seven_do_not_matter():
    calm = [2.0, 2.1, 1.9, 2.0, 2.1]
    assert median([*calm, 500.0, -500.0]) == pytest.approx(2.0)
    assert spread([*calm, 500.0, -500.0]) < 0.2


@given(st.permutations([1.0, 4.0, np.nan, 2.0, 8.0, np.nan]))
def test_order_and_missing_readings_do_not_matter(values):
    assert median(values) == 3.0
    assert spread(values) == pytest.approx(1.4826022 * 1.5)


def test_too_few_readings_have_no_answer():
    """And infinities are no readings."""
    values = [[1.0, 2.0, np.nan], [1.0, np.nan, np.inf], [np.nan] * 3]
    assert np.isnan(median(values, least=2)).tolist() == [False, True, True]
    assert np.isnan(median(values)).tolist() == [False, False, True]
    assert np.isnan(spread(values)).tolist() == [False, True, True]
    assert np.isnan(median_error(values)).tolist() == [False, True, True]
    assert np.isnan(median(np.empty((2, 0)))).tolist() == [True, True]
    assert median([7.0]) == 7.0


def test_leading_axes_are_kept():
    values = np.random.default_rng(1).normal(size=(3, 4, 9))
    np.testing.assert_allclose(median(values), np.median(values, axis=-1))
    assert spread(values).shape == (3, 4)
