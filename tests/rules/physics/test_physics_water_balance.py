"""Water and solids balance against published worked examples and a numerical integration."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.physics.water_balance import (
    bleed_for_cycles_l_min,
    conductivity_after_us_cm,
    conductivity_slope_us_cm_h,
    cycles_from_conductivity,
    cycles_from_flows,
    float_valve_flow_l_min,
    float_valve_level_mm,
    level_rate_mm_h,
    makeup_for_cycles_l_min,
    no_bleed_slope_us_cm_h,
    steady_conductivity_us_cm,
    volume_l,
)

flows = st.floats(0.01, 500.0)


def test_balance_of_flows_and_cycles():
    """W4, W5: make-up = evaporation + bleed + drift (US DOE FEMP, from a quotation)."""
    e, d, cycles = 40.0, 0.2, 3.5
    b = bleed_for_cycles_l_min(e, cycles, d)
    assert cycles_from_flows(e, b, d) == pytest.approx(cycles, rel=1e-12)
    assert makeup_for_cycles_l_min(e, cycles) == pytest.approx(e + b + d, rel=1e-12)
    assert cycles_from_conductivity(1050.0, 300.0) == pytest.approx(3.5)


def test_bleed_and_makeup_by_cycles():
    """W6, for each unit of evaporation."""
    cycles = [2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0]
    np.testing.assert_allclose(
        bleed_for_cycles_l_min(1.0, cycles),
        [1, 0.5, 0.3333, 0.25, 0.2, 0.1429, 0.1111],
        atol=1e-4,
    )
    np.testing.assert_allclose(
        makeup_for_cycles_l_min(1.0, cycles),
        [2, 1.5, 1.3333, 1.25, 1.2, 1.1429, 1.1111],
        atol=1e-4,
    )


def test_drift_does_not_change_makeup():
    """W7."""
    b = bleed_for_cycles_l_min(100.0, [3.0, 5.0], 0.5)
    np.testing.assert_allclose(b, [49.5, 24.5], atol=1e-9)
    np.testing.assert_allclose(makeup_for_cycles_l_min(100.0, [3.0, 5.0]), [150.0, 125.0])
    np.testing.assert_allclose(b + 100.0 + 0.5, [150.0, 125.0])


def test_doubling_cycles_from_three_to_six():
    """W8: make-up -20 %, bleed -60 %. FEMP's text prints -50 % for bleed; the balance says 60."""
    makeup = makeup_for_cycles_l_min(100.0, [3.0, 6.0])
    bleed = bleed_for_cycles_l_min(100.0, [3.0, 6.0])
    assert 100.0 * (makeup[1] / makeup[0] - 1.0) == pytest.approx(-20.0, abs=0.1)
    assert 100.0 * (bleed[1] / bleed[0] - 1.0) == pytest.approx(-60.0, abs=0.1)


def test_published_cooling_tower_example():
    """W9: GEMI water planner case example, US gal/day (any unit of flow serves)."""
    windage = 0.001 * 9900.0 * 1440.0
    evaporation = 9900.0 * 8.0 / 1000.0 * 1440.0
    assert (windage, evaporation) == (pytest.approx(14256.0), pytest.approx(114048.0))
    bleed = bleed_for_cycles_l_min(evaporation, [4.0, 8.0], windage)
    np.testing.assert_allclose(bleed, [23760.0, 2037.0], atol=1.0)
    makeup = makeup_for_cycles_l_min(evaporation, [4.0, 8.0])
    np.testing.assert_allclose(makeup, [152064.0, 130341.0], atol=1.0)
    np.testing.assert_allclose(makeup, evaporation + bleed + windage, rtol=1e-12)


# W14: V 1 m³, E 0.1 and B 0.05 m³/h, make-up 300 µS/cm; closed-form mass balance.
W14 = {"evaporation_l_min": 100.0 / 60.0, "bleed_l_min": 50.0 / 60.0}


def test_transient_of_a_mixed_basin():
    """W14, within 0.01."""
    hours = [1.0, 5.0, 10.0, 20.0, 40.0, 60.0, 100.0]
    expected = [329.26, 432.72, 536.08, 679.27, 818.80, 870.13, 895.96]
    c = conductivity_after_us_cm(hours, 300.0, 300.0, 1000.0, **W14)
    np.testing.assert_allclose(c, expected, atol=0.01)
    assert steady_conductivity_us_cm(300.0, **W14) == pytest.approx(900.0)


def test_transient_with_the_bleed_shut_is_a_straight_line():
    """W15: 600 µS/cm after 10 h, and the no-bleed slope is that of the line."""
    evaporation = W14["evaporation_l_min"]
    c = conductivity_after_us_cm(
        [0.0, 10.0], 300.0, 300.0, 1000.0, evaporation_l_min=evaporation, bleed_l_min=0.0
    )
    np.testing.assert_allclose(c, [300.0, 600.0], rtol=1e-12)
    assert no_bleed_slope_us_cm_h(300.0, 1000.0, evaporation) == pytest.approx(30.0)


def test_transient_agrees_with_numerical_integration():
    """scipy's integrator on the differential equation, starting away from make-up."""
    from scipy.integrate import solve_ivp

    e, b, v, c_m, c_0 = 7.0, 1.3, 450.0, 420.0, 1900.0

    def rate(_, c):
        return ((e + b) * c_m - b * c) / v * 60.0

    solution = solve_ivp(rate, (0.0, 8.0), [c_0], rtol=1e-9, atol=1e-9)
    c = conductivity_after_us_cm(8.0, c_0, c_m, v, evaporation_l_min=e, bleed_l_min=b)
    assert c == pytest.approx(solution.y[0, -1], rel=1e-6)


@given(flows, flows, st.floats(50.0, 5000.0), st.floats(50.0, 2000.0))
def test_slope_is_the_derivative_of_the_transient(e, b, v, c_m):
    c_0, step_h = 2.0 * c_m, 1e-5
    c = conductivity_after_us_cm([0.0, step_h], c_0, c_m, v, evaporation_l_min=e, bleed_l_min=b)
    slope = conductivity_slope_us_cm_h(c_0, c_m, v, e, b)
    scale = (e + b) * c_m / v * 60.0
    assert (c[1] - c[0]) / step_h == pytest.approx(slope, abs=1e-2 * scale)


@given(flows, flows, st.floats(50.0, 2000.0))
def test_conductivity_settles_at_the_steady_value(e, b, c_m):
    steady = steady_conductivity_us_cm(c_m, e, b)
    late = conductivity_after_us_cm(1e6, 10.0, c_m, 500.0, evaporation_l_min=e, bleed_l_min=b)
    assert late == pytest.approx(steady, rel=1e-9)
    assert conductivity_slope_us_cm_h(steady, c_m, 500.0, e, b) == pytest.approx(
        0.0, abs=1e-9 * c_m * (e + b)
    )
    assert cycles_from_conductivity(steady, c_m) == pytest.approx(cycles_from_flows(e, b))


def test_a_blocked_bleed_steepens_the_slope_at_any_conductivity():
    """With the bleed shut the slope no longer depends on conductivity; open, it is always less."""
    c = np.array([400.0, 900.0, 2000.0])
    open_bleed = conductivity_slope_us_cm_h(c, 300.0, 1000.0, 2.0, 1.0)
    shut = conductivity_slope_us_cm_h(c, 300.0, 1000.0, 2.0, 0.0)
    np.testing.assert_allclose(shut, no_bleed_slope_us_cm_h(300.0, 1000.0, 2.0))
    assert (shut > open_bleed).all()


def test_float_valve_over_its_band():
    """Shut at the top, proportional between, fully open at the foot of the band and below."""
    q = float_valve_flow_l_min([50.0, 100.0, 105.0, 115.0, 120.0, 160.0], 120.0, 20.0, 12.0)
    np.testing.assert_allclose(q, [12.0, 12.0, 9.0, 3.0, 0.0, 0.0])


@given(st.floats(0.0, 1.0), st.floats(60.0, 400.0), st.floats(2.0, 50.0), st.floats(1.0, 200.0))
def test_float_valve_level_inverts_its_flow(part, shut, band, most):
    level = float_valve_level_mm(part * most, shut, band, most)
    assert float_valve_flow_l_min(level, shut, band, most) == pytest.approx(
        part * most, abs=1e-9 * most
    )


def test_level_stands_still_where_the_float_meets_the_demand():
    demand_e, demand_b = 5.0, 1.5
    level = float_valve_level_mm(demand_e + demand_b, 120.0, 20.0, 12.0)
    makeup = float_valve_flow_l_min([level - 1.0, level, level + 1.0], 120.0, 20.0, 12.0)
    rate = level_rate_mm_h(makeup, demand_e, demand_b, 0.0, 1.8)
    assert rate[0] > 0.0 > rate[2]
    assert rate[1] == pytest.approx(0.0, abs=1e-9)


def test_level_rate_conserves_water():
    """1 L/min on 2 m² for an hour is 60 L, which is 30 mm."""
    assert level_rate_mm_h(1.0, 0.0, 0.0, 0.0, 2.0) == pytest.approx(30.0)
    # Each of the three ways out takes as much as the way in brings.
    for out in ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)):
        assert level_rate_mm_h(0.0, *out, 2.0) == pytest.approx(-30.0)
    assert volume_l(130.0, 2.0) - volume_l(100.0, 2.0) == pytest.approx(60.0)
    assert volume_l(100.0, 2.0, 25.0) == pytest.approx(225.0)


def test_what_has_no_answer_gets_none():
    """Demand beyond the valve, cycles of one or less, no liquid leaving, negative flow."""
    assert np.isnan(float_valve_level_mm(12.1, 120.0, 20.0, 12.0))
    assert np.isnan(bleed_for_cycles_l_min(10.0, [1.0, 0.5, np.nan])).all()
    assert np.isnan(bleed_for_cycles_l_min(10.0, 6.0, 2.1))  # drift alone dilutes below 6 cycles
    assert np.isnan(cycles_from_flows(10.0, 0.0))
    assert np.isnan(steady_conductivity_us_cm(300.0, 10.0, 0.0))
    assert np.isnan(level_rate_mm_h(-0.1, 1.0, 1.0, 0.0, 1.0))
    assert np.isnan(no_bleed_slope_us_cm_h(300.0, 0.0, 1.0))


def test_water_that_is_not_the_declared_makeup_is_shown():
    """Less conductivity than the make-up is said to have: cycles below 1, not clamped."""
    assert cycles_from_conductivity(150.0, 300.0) == pytest.approx(0.5)
