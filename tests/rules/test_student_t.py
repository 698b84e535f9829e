"""Student's t distribution against the published table and a reference library."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import stdtr, stdtrit

from rules.student_t import probability_below, quantile

FREE = st.floats(0.5, 2_000.0)


@pytest.mark.parametrize(
    ("free", "p", "value"),
    [
        (1, 0.90, 3.078), (1, 0.975, 12.706), (2, 0.95, 2.920), (5, 0.975, 2.571),
        (10, 0.99, 2.764), (30, 0.995, 2.750), (60, 0.90, 1.296), (100, 0.999, 3.174),
    ],
)  # fmt: skip
def test_quantiles_are_those_of_the_published_table(free, p, value):
    """NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7.2, upper critical values."""
    assert quantile(p, free) == pytest.approx(value, abs=6e-4)
    assert probability_below(value, free) == pytest.approx(p, abs=2e-4)


@given(st.floats(-60.0, 60.0), FREE)
def test_probabilities_are_the_reference_librarys(t, free):
    assert probability_below(t, free) == pytest.approx(stdtr(free, t), rel=1e-9, abs=1e-15)


@given(st.floats(1e-6, 1.0 - 1e-6), FREE)
def test_quantiles_are_the_reference_librarys_and_mirror(p, free):
    assert quantile(p, free) == pytest.approx(stdtrit(free, p), rel=1e-7, abs=1e-9)
    assert probability_below(quantile(p, free), free) == pytest.approx(p, rel=1e-9)


def test_extremes_have_an_answer():
    assert probability_below(0.0, 3.0) == 0.5
    assert probability_below(math.inf, 3.0) == 1.0
    assert probability_below(-1e200, 3.0) == 0.0
    assert quantile(0.5, 7.0) == 0.0


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan])
def test_what_cannot_be_is_refused(bad):
    with pytest.raises(ValueError, match="degrees of freedom"):
        probability_below(1.0, bad)
    with pytest.raises(ValueError, match="between 0 and 1"):
        quantile(bad, 3.0)
