"""Conductivity compensation against published solutions, a standard's table, and seawater."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.physics.conductivity import (
    at_temperature_linear_us_cm,
    at_temperature_natural_water_us_cm,
    natural_water_factor,
    referred_linear_us_cm,
    referred_natural_water_us_cm,
)

# KCl 0.01 mol/kg, µS/cm on ITS-90; handbook table attributed to NIST data, Wu et al. 1991 and 1994,
# Pratt et al., Pure Appl. Chem. 73:1783 (2001).
KCL_001_MOLAL = {
    0: 772.92, 5: 890.96, 10: 1013.95, 15: 1141.45, 20: 1273.03, 25: 1408.23, 30: 1546.63,
    35: 1687.79, 40: 1831.27, 45: 1976.62, 50: 2123.43,
}  # fmt: skip

# C8: ISO 7888:1985 / EN 27888, from two agreeing reproductions; the standard was not seen.
ISO_7888 = {
    0: 1.918, 1: 1.857, 2: 1.800, 3: 1.745, 4: 1.693, 5: 1.643, 6: 1.596, 7: 1.551, 8: 1.508,
    9: 1.467, 10: 1.428, 11: 1.390, 12: 1.354, 13: 1.320, 14: 1.287, 15: 1.256, 16: 1.225,
    17: 1.196, 18: 1.168, 19: 1.141, 20: 1.116, 21: 1.091, 22: 1.067, 23: 1.044, 24: 1.021,
    25: 1.000, 26: 0.979, 27: 0.959, 28: 0.940, 29: 0.921, 30: 0.903, 31: 0.886, 32: 0.869,
    33: 0.853, 34: 0.837, 35: 0.822,
}  # fmt: skip


def test_linear_compensation():
    """C4 (1.91 %/K), C5 (2 %/K): by definition."""
    raw, temp = [700.0, 1500.0], [10.0, 30.0]
    np.testing.assert_allclose(referred_linear_us_cm(raw, temp), [981.08, 1369.24], atol=0.01)
    np.testing.assert_allclose(referred_linear_us_cm(raw, temp, 2.0), [1000.00, 1363.64], atol=0.01)


def test_molar_potassium_chloride_near_25_degc():
    """C1: EPA Method 120.1 section 7.1 (27 and 28 °C from memory): 1413 µS/cm within 0.2 %."""
    raw = [1305, 1332, 1359, 1386, 1413, 1441, 1468, 1496]
    np.testing.assert_allclose(referred_linear_us_cm(raw, np.arange(21, 29)), 1413.0, rtol=2e-3)


def test_molal_potassium_chloride_with_its_own_coefficient():
    """C6: coefficients implied by the table, ±0.005 %/K as printed."""
    alpha = {0: 1.805, 10: 1.867, 15: 1.894, 20: 1.920, 30: 1.966, 35: 1.985, 50: 2.031}
    for temp, a in alpha.items():
        referred = referred_linear_us_cm(KCL_001_MOLAL[temp], temp, a)
        rounding = 0.00005 * abs(temp - 25.0) / (1.0 + a / 100.0 * (temp - 25.0))
        assert referred == pytest.approx(KCL_001_MOLAL[25], rel=rounding + 1e-5)


def test_default_coefficient_errs_little_over_its_range():
    """With 1.91 %/K, potassium chloride is referred within 5.1 % from 0 to 50 °C, worst at 0."""
    temp = np.array(list(KCL_001_MOLAL))
    referred = referred_linear_us_cm(list(KCL_001_MOLAL.values()), temp)
    np.testing.assert_allclose(referred, KCL_001_MOLAL[25], rtol=0.051)
    near = np.abs(temp - 25.0) <= 10.0
    np.testing.assert_allclose(referred[near], KCL_001_MOLAL[25], rtol=0.01)


def test_natural_water_factor_is_the_table():
    """C8, within 0.001."""
    np.testing.assert_allclose(
        natural_water_factor(list(ISO_7888)), list(ISO_7888.values()), atol=1e-9
    )


def test_natural_water_factor_implies_a_rising_coefficient():
    """C10: 1.914, 1.998, 2.079, 2.148 %/K at 0, 10, 20, 30 °C."""
    temp = np.array([0.0, 10.0, 20.0, 30.0])
    alpha = (1.0 / natural_water_factor(temp) - 1.0) / (temp - 25.0) * 100.0
    np.testing.assert_allclose(alpha, [1.914, 1.998, 2.079, 2.148], atol=0.005)


def test_natural_water_factor_agrees_with_diluted_seawater():
    """C11: PSS-78 water of practical salinity 0.5 by gsw, independent of the table: within 2 %."""
    import gsw

    temp = np.arange(0.0, 36.0)
    kt = gsw.C_from_SP(0.5, temp, 0.0)
    k25 = gsw.C_from_SP(0.5, 25.0, 0.0)
    assert k25 == pytest.approx(1.0147, abs=1e-3)
    np.testing.assert_allclose(natural_water_factor(temp), k25 / kt, rtol=0.02)
    # The library's own figures, so that the comparison is with what was meant.
    at = [0, 5, 10, 15, 20, 30, 35]
    expected = [1.882, 1.621, 1.414, 1.248, 1.112, 0.906, 0.827]
    np.testing.assert_allclose((k25 / kt)[at], expected, atol=1e-3)


def test_linear_and_natural_water_agree_roughly():
    """C10: linear 2 %/K is within about 1.5 % of the function between 5 and 35 °C."""
    temp = np.linspace(5.0, 35.0, 61)
    np.testing.assert_allclose(
        referred_linear_us_cm(500.0, temp, 2.0),
        referred_natural_water_us_cm(500.0, temp),
        rtol=0.0175,
    )


@given(st.floats(1.0, 20_000.0), st.floats(0.0, 50.0), st.floats(1.0, 2.5))
def test_linear_compensation_inverts(kappa, temp, alpha):
    back = at_temperature_linear_us_cm(referred_linear_us_cm(kappa, temp, alpha), temp, alpha)
    assert back == pytest.approx(kappa, rel=1e-12)


@given(st.floats(1.0, 20_000.0), st.floats(0.0, 35.0))
def test_natural_water_compensation_inverts(kappa, temp):
    back = at_temperature_natural_water_us_cm(referred_natural_water_us_cm(kappa, temp), temp)
    assert back == pytest.approx(kappa, rel=1e-12)


@given(st.floats(10.0, 5000.0))
def test_warm_water_is_referred_down_and_cold_water_up(kappa):
    temp = np.linspace(0.0, 35.0, 71)
    for referred in (
        referred_linear_us_cm(kappa, temp),
        referred_natural_water_us_cm(kappa, temp),
    ):
        assert (np.diff(referred) < 0.0).all()
        assert referred[50] == pytest.approx(kappa)  # 25 °C


def test_outside_the_range_there_is_no_answer():
    assert np.isnan(referred_linear_us_cm(500.0, [-0.1, 50.1, np.nan])).all()
    assert np.isnan(referred_natural_water_us_cm(500.0, [-0.1, 35.1, np.nan])).all()
    assert np.isnan(referred_linear_us_cm([-1.0, np.nan, np.inf], 20.0)).all()
    assert np.isnan(referred_linear_us_cm(500.0, 20.0, [-0.1, 3.1])).all()
