"""Fans and heat rejection against computed effectiveness-NTU values and limiting cases."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.physics.condenser import (
    air_on_coil_degc,
    airflow_frac,
    capacity_frac,
    expected_condensing_degc,
    expected_td_k,
    fans_in_mask,
    resistance_ratio,
    temperature_difference_k,
    ua_frac,
    ua_loss_frac,
)
from rules.physics.moist_air import wet_bulb_degc
from rules.physics.pads import pad_outlet_degc
from rules.physics.pump import affinity

FANS = [2, 3, 4, 6, 8, 10]

# H6, H7: one of N equal fans stopped, airflow (N-1)/N; effectiveness-NTU, computed independently.
ONE_FAN_STOPPED = [
    (1.0, 0.5, FANS, [0.599, 0.745, 0.813, 0.878, 0.909, 0.928]),
    (1.0, 0.6, FANS, [0.580, 0.729, 0.800, 0.869, 0.902, 0.922]),
    (1.0, 0.0, [2, 4, 6], [0.684, 0.874, 0.921]),
    (0.7, 0.5, FANS, [0.624, 0.762, 0.826, 0.887, 0.916, 0.933]),
    (1.5, 0.5, FANS, [0.567, 0.722, 0.795, 0.865, 0.900, 0.920]),
]


@pytest.mark.parametrize(("ntu", "exponent", "fans", "capacity"), ONE_FAN_STOPPED)
def test_capacity_with_one_fan_stopped(ntu, exponent, fans, capacity):
    n = np.array(fans)
    got = capacity_frac(airflow_frac(n - 1, n), full_flow_ntu=ntu, exponent=exponent)
    np.testing.assert_allclose(got, capacity, atol=0.0006)


def test_td_at_reduced_airflow():
    """H9: NTU 1, UA as the root of airflow; multiplier of TD at constant load, and capacity."""
    v = [0.9, 0.8, 0.7, 0.5]
    np.testing.assert_allclose(expected_td_k(1.0, 1.0, v), [1.078, 1.174, 1.295, 1.670], atol=6e-4)
    np.testing.assert_allclose(capacity_frac(v), [0.928, 0.852, 0.772, 0.599], atol=6e-4)


def test_td_goes_as_the_load():
    """H2: 300 kW at 12 K, 150 kW at 6.0 K, 270 kW at 10.8 K."""
    td = expected_td_k(12.0, np.array([300.0, 150.0, 270.0]) / 300.0)
    np.testing.assert_allclose(td, [12.0, 6.0, 10.8])


def test_precooling_lowers_the_condensing_temperature():
    """H3: case P21 (35 °C, 30 %, effectiveness 0.8) is 10.78 K lower than dry."""
    wb = wet_bulb_degc(35.0, 30.0, 101.325)
    outlet = pad_outlet_degc(35.0, wb, 0.8)
    air_on = air_on_coil_degc(35.0, outlet, [0.0, 1.0])
    dry, wet = expected_condensing_degc(air_on, 12.0, 1.0)
    assert dry == pytest.approx(47.0)
    assert dry - wet == pytest.approx(10.78, abs=0.01)


def test_reference_air_depends_on_the_mode():
    """H4: the same condensing temperature means another TD when the pads are wet."""
    td = temperature_difference_k(40.0, air_on_coil_degc(35.0, 26.0, [0.0, 1.0]))
    np.testing.assert_allclose(td, [5.0, 14.0])
    assert np.isnan(air_on_coil_degc(35.0, 26.0, [0.5, np.nan])).all()
    # The temperature of the other mode may be missing.
    assert air_on_coil_degc(35.0, np.nan, 0.0) == 35.0
    assert np.isnan(air_on_coil_degc(35.0, np.nan, 1.0))


def test_fan_speed_law():
    """H10: 80 % speed moves 80 % of the air at 64 % pressure and 51.2 % power."""
    assert airflow_frac(4, 4, 80.0) == pytest.approx(0.8)
    _, pressure, power = affinity(0.8)
    assert (pressure, power) == (pytest.approx(0.64), pytest.approx(0.512))


def test_resistance_ratio():
    """H5: 1 for a clean unit at any load, and it is the loss of UA that shows."""
    np.testing.assert_allclose(
        resistance_ratio([12.0, 6.0, 15.0], [1.0, 0.5, 1.0], 12.0), [1.0, 1.0, 1.25]
    )
    # Half the airflow at full load is not fouling.
    td = expected_td_k(12.0, 1.0, 0.5)
    assert resistance_ratio(td, 1.0, 12.0, 0.5) == pytest.approx(1.0)
    assert resistance_ratio(td, 1.0, 12.0) == pytest.approx(1.670, abs=6e-4)


@given(st.floats(1.0, 40.0), st.floats(0.05, 1.5), st.floats(0.05, 1.2), st.floats(1.0, 3.0))
def test_resistance_ratio_finds_the_fouling_put_in(td_ref, load, v, fouling):
    td = fouling * expected_td_k(td_ref, load, v)
    assert resistance_ratio(td, load, td_ref, v) == pytest.approx(fouling, rel=1e-9)


@given(st.floats(0.1, 5.0), st.floats(0.0, 1.0))
def test_capacity_rises_with_airflow_but_less_than_in_proportion(ntu, exponent):
    v = np.linspace(0.01, 1.2, 100)
    capacity = capacity_frac(v, full_flow_ntu=ntu, exponent=exponent)
    assert (np.diff(capacity) > 0.0).all()
    below = v < 1.0
    assert (capacity[below] >= v[below] - 1e-12).all()
    assert capacity_frac(1.0, full_flow_ntu=ntu, exponent=exponent) == pytest.approx(1.0)


def test_capacity_in_the_limits():
    """Very small NTU: capacity as UA. Very large: as airflow. No airflow: none."""
    v = np.array([0.25, 0.5, 0.9])
    np.testing.assert_allclose(capacity_frac(v, full_flow_ntu=1e-6), ua_frac(v), rtol=1e-5)
    np.testing.assert_allclose(capacity_frac(v, full_flow_ntu=10.0), v, rtol=1e-4)
    assert capacity_frac(0.0) == 0.0
    assert np.isnan(expected_td_k(12.0, 1.0, 0.0))


@given(st.integers(0, 2**32 - 1), st.integers(1, 32))
def test_fans_in_mask_counts_the_bits_of_the_fans_there_are(mask, count):
    assert fans_in_mask(mask, count) == (mask & (2**count - 1)).bit_count()


def test_masks_that_are_none_are_refused():
    got = fans_in_mask([np.nan, -1.0, 2.5, 2.0**32, np.inf], 4)
    assert np.isnan(got).all()
    assert np.isnan(fans_in_mask(3.0, [0, 33, 2.5, np.nan])).all()


def test_outside_the_range_there_is_no_answer():
    assert np.isnan(airflow_frac([5, -1], 4)).all()
    assert np.isnan(airflow_frac(4, 4, [-1.0, 121.0])).all()
    assert np.isnan(capacity_frac([-0.1, 1.6, np.nan])).all()
    assert np.isnan(capacity_frac(1.0, full_flow_ntu=[0.0, 11.0])).all()
    assert np.isnan(resistance_ratio([12.0, -1.0], [0.0, 1.0], 12.0)).all()


@given(st.floats(0.3, 2.0), st.floats(0.3, 1.0), st.floats(0.0, 0.8))
def test_the_loss_of_ua_comes_back_from_the_ratio_it_makes(ntu, air, loss):
    """Inverse: effectiveness 1 - exp(-NTU) of clean and fouled coil, written out here."""
    now = ntu * air**-0.5
    ratio = (1.0 - np.exp(-now)) / (1.0 - np.exp(-now * (1.0 - loss)))
    assert ua_loss_frac(ratio, air, full_flow_ntu=ntu) == pytest.approx(loss, abs=1e-9)


def test_the_loss_of_ua_in_the_limits():
    """Very small NTU: capacity goes as UA, so the loss is 1 - 1/R. A better coil has none to lose.

    At NTU 1 a half UA leaves (1 - e^-0.5)/(1 - e^-1) = 0.6225 of the capacity (by hand).
    """
    assert ua_loss_frac(1.6, full_flow_ntu=1e-6) == pytest.approx(1 - 1 / 1.6, abs=1e-5)
    assert ua_loss_frac(1 / 0.6225) == pytest.approx(0.5, abs=1e-4)
    assert ua_loss_frac(1.0) == 0.0
    assert -1.0 <= ua_loss_frac(0.3) < 0.0
    assert np.isnan(ua_loss_frac([0.0, -1.0, np.nan])).all()
    assert np.isnan(ua_loss_frac(1.2, 0.0))
