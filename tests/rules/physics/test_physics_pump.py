"""Pump and motor against definitions, worked examples, and a Monte Carlo of the error."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.physics.moist_air import saturation_pressure_kpa_abs, standard_pressure_kpa_abs
from rules.physics.pump import (
    affinity,
    current_at_rated_voltage_a,
    current_for_shaft_power_frac,
    electrical_power_kw,
    flow_estimate,
    flow_for_power_frac,
    head_pressure_kpa,
    hydraulic_power_w,
    line_current_a,
    npsh_available_m,
    power_for_flow_frac,
    shaft_power_frac,
    shaft_power_w,
    unloaded,
)

magnetising = st.floats(0.1, 0.8)
shutoff = st.floats(0.2, 0.9)


def test_affinity_laws():
    """M1: standard pump and fan texts."""
    flow, head, power = affinity([0.9, 0.8, 0.5])
    np.testing.assert_allclose(flow, [0.9, 0.8, 0.5])
    np.testing.assert_allclose(head, [0.81, 0.64, 0.25])
    np.testing.assert_allclose(power, [0.729, 0.512, 0.125])


def test_affinity_worked_example():
    """M2: public textbook notebook 7.33: 400 gpm, 126 ft, 17.5 hp at 3500, run at 1700 rpm."""
    flow, head, power = affinity(1700.0 / 3500.0)
    assert 400.0 * flow == pytest.approx(194.29, abs=0.01)
    assert 126.0 * head == pytest.approx(29.73, abs=0.01)
    assert 17.5 * power == pytest.approx(2.005, abs=0.01)


def test_hydraulic_and_shaft_power():
    """M3: 20 m³/h, 8 m, 998.2 kg/m³, efficiency 0.55."""
    flow, rise = 20_000.0 / 60.0, head_pressure_kpa(8.0, 998.2)
    assert hydraulic_power_w(flow, rise) == pytest.approx(435.07, rel=1e-3)
    assert shaft_power_w(flow, rise, 0.55) == pytest.approx(791.0, rel=1e-3)


def test_three_phase_power():
    """M4: by definition."""
    p = electrical_power_kw([400.0, 460.0], 10.0, [0.85, 0.82])
    np.testing.assert_allclose(p, [5.8890, 6.5333], atol=1e-4)


def test_motor_current():
    """M5: 4 kW at the shaft, 400 V, efficiency 0.88, power factor 0.83."""
    assert line_current_a(4.0, 400.0, 0.88, 0.83) == pytest.approx(7.905, abs=0.01)


@pytest.mark.parametrize("phases", [1, 3])
def test_motor_current_inverts_electrical_power(phases):
    i = line_current_a(1.1, 230.0, 0.78, 0.8, phases)
    assert electrical_power_kw(230.0, i, 0.8, phases) == pytest.approx(1.1 / 0.78)


def test_other_numbers_of_phases_are_refused():
    assert np.isnan(electrical_power_kw(400.0, 10.0, 0.85, [2, 0, np.nan])).all()


def test_npsh_at_sea_level_and_1500_m():
    """M15: 30 °C, 0.3 m of water above the eye, 0.4 m lost: 9.84 and 8.13 m."""
    p = standard_pressure_kpa_abs([0.0, 1500.0])
    vapour = saturation_pressure_kpa_abs(30.0)
    npsh = npsh_available_m(p, vapour, 0.3, 0.4, 995.61)  # density: IAPWS-IF97 at 30 °C
    np.testing.assert_allclose(npsh, [9.84, 8.13], atol=0.01)
    # M16: a clogging screen shows as loss, one for one.
    assert npsh_available_m(p[0], vapour, 0.3, 2.4, 995.61) == pytest.approx(npsh[0] - 2.0)


def test_a_small_fall_of_current_is_a_large_loss_of_water():
    """12 % less current is about a quarter to a third less water, for usual small pumps."""
    loss = [
        1.0 - flow_for_power_frac(shaft_power_frac(0.88, m), s)
        for m in (0.35, 0.40, 0.45)
        for s in (0.45, 0.50)
    ]
    assert 0.24 < min(loss) < max(loss) < 0.32


def test_current_hardly_shows_a_quarter_of_the_flow():
    """M6, M7: a quarter of the flow lost takes 5 to 13 % of the current, by the model."""
    fall = [
        1.0 - current_for_shaft_power_frac(power_for_flow_frac(0.75, s), m)
        for m in (0.25, 0.35, 0.5)
        for s in (0.4, 0.5, 0.6)
    ]
    assert 0.05 < min(fall) < max(fall) < 0.15


def test_one_sample_of_a_small_motor_proves_nothing():
    """M9, M10: an open laboratory pump data set: mean 2.449 A, 2.315 A at a tenth of the flow,
    sample deviation about 0.5 A. One sample's estimate must be less sure than the loss it sees.
    """
    flow, sd = flow_estimate(2.315 / 2.449, 0.45, 0.5, 0.5 / 2.449)
    assert 1.0 - flow < sd
    # A median of 300 samples on either side does see it, at about 3 standard deviations.
    ratio_sd = 0.5 / 2.449 * 1.2533 * np.sqrt(2.0 / 300.0)
    flow, sd = flow_estimate(2.315 / 2.449, 0.45, 0.5, ratio_sd)
    assert 1.0 - flow > 2.0 * sd


@given(magnetising, st.floats(0.0, 1.1))
def test_power_and_current_are_inverse(m, power):
    r = current_for_shaft_power_frac(power, m)
    assert shaft_power_frac(r, m) == pytest.approx(power, abs=1e-6)


@given(shutoff, st.floats(0.0, 1.5))
def test_power_and_flow_are_inverse(s, flow):
    assert flow_for_power_frac(power_for_flow_frac(flow, s), s) == pytest.approx(flow, abs=1e-9)


@given(magnetising, shutoff)
def test_flow_rises_with_current_and_is_one_when_clean(m, s):
    r = np.linspace(m, 1.2, 100)
    flow = flow_for_power_frac(shaft_power_frac(r, m), s)
    known = flow[np.isfinite(flow)]
    assert (np.diff(known) > 0.0).all()
    assert flow_for_power_frac(shaft_power_frac(1.0, m), s) == pytest.approx(1.0)


@given(st.floats(0.9, 1.0), st.floats(0.25, 0.5), st.floats(0.4, 0.6))
def test_error_is_propagated_as_a_finite_difference_says(r, m, s):
    """JCGM 100:2008 5.1.2: the square sum of the slopes times the deviations."""

    def flow(r, m, s):
        return float(flow_for_power_frac(shaft_power_frac(r, m), s))

    sd_r, sd_m, sd_s, h = 0.01, 0.05, 0.06, 1e-6
    slopes = (
        (flow(r + h, m, s) - flow(r - h, m, s)) / (2 * h),
        (flow(r, m + h, s) - flow(r, m - h, s)) / (2 * h),
        (flow(r, m, s + h) - flow(r, m, s - h)) / (2 * h),
    )
    expected = np.sqrt(sum((a * b) ** 2 for a, b in zip(slopes, (sd_r, sd_m, sd_s), strict=True)))
    got = flow_estimate(r, m, s, sd_r, magnetising_sd_frac=sd_m, shutoff_sd_frac=sd_s)
    assert got.flow_frac == pytest.approx(flow(r, m, s))
    assert got.sd_frac == pytest.approx(expected, rel=1e-4)


def test_error_agrees_with_a_monte_carlo():
    """Within 5 % at a fall of 6 % in current, where the first order is fair."""
    rng = np.random.default_rng(7)
    n = 200_000
    r, m, s = rng.normal(0.94, 0.01, n), rng.normal(0.4, 0.04, n), rng.normal(0.5, 0.04, n)
    flow = flow_for_power_frac(shaft_power_frac(r, m), s)
    got = flow_estimate(0.94, 0.4, 0.5, 0.01, magnetising_sd_frac=0.04, shutoff_sd_frac=0.04)
    assert got.flow_frac == pytest.approx(np.nanmedian(flow), abs=0.01)
    assert got.sd_frac == pytest.approx(np.nanstd(flow), rel=0.05)


def test_at_the_clean_current_only_its_own_error_counts():
    exact = flow_estimate(1.0, 0.45, 0.5, 0.02, magnetising_sd_frac=0.0, shutoff_sd_frac=0.0)
    usual = flow_estimate(1.0, 0.45, 0.5, 0.02)
    assert usual.sd_frac == pytest.approx(exact.sd_frac)


@given(st.floats(0.81, 1.14), st.floats(0.05, 1.3), st.floats(0.15, 0.7))
def test_a_voltage_sag_is_undone_exactly(v, power, m):
    """Working current as 1/V, magnetising current as V, at right angles."""
    clean = 5.0
    working = clean * np.sqrt(1.0 - m**2) * power
    rated = np.hypot(working, m * clean)
    sagged = np.hypot(working / v, m * clean * v)
    corrected = current_at_rated_voltage_a(sagged, v * 400.0, 400.0, clean, m)
    assert corrected == pytest.approx(rated, rel=1e-9)


def test_a_healthy_pump_in_a_sag_keeps_its_flow():
    """Uncorrected, a 10 % sag at full load would look like a change of flow."""
    clean, m = 5.0, 0.4
    sagged = np.hypot(clean * np.sqrt(1 - m**2) / 0.9, m * clean * 0.9)
    r = current_at_rated_voltage_a(sagged, 360.0, 400.0, clean, m) / clean
    assert r == pytest.approx(1.0)
    assert abs(sagged / clean - 1.0) > 0.05


def test_voltage_correction_of_a_stopped_or_unloaded_motor():
    """No current stays no current, and the correction is continuous at the magnetising share."""
    assert current_at_rated_voltage_a(0.0, 360.0, 400.0, 5.0, 0.4) == 0.0
    edge = 0.4 * 5.0 * 0.9
    around = current_at_rated_voltage_a(
        [edge * (1 - 1e-9), edge * (1 + 1e-9)], 360.0, 400.0, 5.0, 0.4
    )
    np.testing.assert_allclose(around, 2.0, rtol=1e-4)


def test_voltages_the_model_does_not_hold_for_are_refused():
    got = current_at_rated_voltage_a(5.0, [0.0, 310.0, 470.0, np.nan], 400.0, 5.0, 0.4)
    assert np.isnan(got).all()
    assert np.isnan(current_at_rated_voltage_a(5.0, 400.0, 400.0, 5.0, np.nan))


def test_currents_the_model_does_not_hold_for_are_refused():
    """Below the magnetising share, and at a locked rotor; the first is told apart."""
    assert np.isnan(shaft_power_frac([0.44, 6.0, np.nan], 0.45)).all()
    assert unloaded([0.44, 0.45, 0.46, np.nan], 0.45).tolist() == [True, True, False, False]
    estimate = flow_estimate([0.5, 6.0, np.nan], 0.45, 0.5, 0.02)
    assert np.isnan(estimate.flow_frac).all()
    assert np.isnan(estimate.sd_frac).all()
    assert np.isnan(flow_for_power_frac(0.49, 0.5))
