"""Wetted pads against worked values of a reference library, and energy balance."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.physics.moist_air import (
    enthalpy_kj_kg,
    humidity_ratio_from_wet_bulb_kg_kg,
    humidity_ratio_kg_kg,
    relative_humidity_pct,
    specific_volume_m3_kg,
    wet_bulb_degc,
)
from rules.physics.pads import (
    MINIMUM_DEPRESSION_K,
    effectiveness_error_frac,
    effectiveness_frac,
    evaporation_kg_s,
    evaporation_l_min,
    latent_heat_kj_kg,
    pad_outlet_degc,
    water_for_heat_kg_s,
)

SEA_LEVEL_KPA = 101.325
EFFECTIVENESS = [0.6, 0.7, 0.8, 0.9, 1.0]


@pytest.fixture
def wet_bulb():
    """Of 35 °C and 30 %: 21.5235 °C by PsychroLib 2.5.0 (case P21)."""
    wb = wet_bulb_degc(35.0, 30.0, SEA_LEVEL_KPA)
    assert wb == pytest.approx(21.5235, abs=0.001)
    return wb


def test_pad_outlet_temperature(wet_bulb):
    """P21: PsychroLib 2.5.0, within 0.01 K."""
    outlet = pad_outlet_degc(35.0, wet_bulb, EFFECTIVENESS)
    np.testing.assert_allclose(outlet, [26.914, 25.567, 24.219, 22.871, 21.524], atol=0.01)


def test_pad_outlet_humidity(wet_bulb):
    """P22, P23: along the line of constant wet bulb, PsychroLib 2.5.0."""
    outlet = pad_outlet_degc(35.0, wet_bulb, EFFECTIVENESS)
    w_in = humidity_ratio_kg_kg(35.0, 30.0, SEA_LEVEL_KPA)
    w_out = humidity_ratio_from_wet_bulb_kg_kg(outlet, wet_bulb, SEA_LEVEL_KPA)
    rh = relative_humidity_pct(outlet, w_out, SEA_LEVEL_KPA)
    np.testing.assert_allclose(rh / 100.0, [0.624, 0.703, 0.791, 0.890, 1.000], atol=0.002)
    assert w_in == pytest.approx(0.010539, rel=2e-3)
    gained = [0.003370, 0.003935, 0.004502, 0.005070, 0.005639]
    np.testing.assert_allclose(w_out - w_in, gained, rtol=2e-3)


def test_evaporation_of_the_worked_case(wet_bulb):
    """P24: 20 m³/s at effectiveness 0.8 evaporate 0.10143 kg/s, within 0.5 %."""
    w_in = humidity_ratio_kg_kg(35.0, 30.0, SEA_LEVEL_KPA)
    assert specific_volume_m3_kg(35.0, w_in, SEA_LEVEL_KPA) == pytest.approx(0.88775, rel=1e-4)
    kg_s = evaporation_kg_s(20.0, 35.0, wet_bulb, 0.8, SEA_LEVEL_KPA)
    assert kg_s == pytest.approx(0.10143, rel=5e-3)
    assert kg_s * 3600.0 == pytest.approx(365.1, rel=5e-3)
    # P25: the quick sensible-heat check, 362.0 kg/h, within 2 %.
    assert kg_s * 3600.0 == pytest.approx(362.0, rel=0.02)


def test_evaporation_in_litres_a_minute(wet_bulb):
    """P24 again: 0.10143 kg/s of water at 998.16 kg/m³ (IAPWS-IF97, 20 °C) is 6.097 L/min."""
    l_min = evaporation_l_min(20.0, 35.0, wet_bulb, 0.8, SEA_LEVEL_KPA)
    assert l_min == pytest.approx(0.10143 * 60.0 / 0.99816, rel=5e-3)


def test_evaporation_closes_the_energy_balance(wet_bulb):
    """What the air gains in enthalpy is what the evaporated water brought at the wet bulb."""
    w_in = humidity_ratio_kg_kg(35.0, 30.0, SEA_LEVEL_KPA)
    dry_air = 20.0 / specific_volume_m3_kg(35.0, w_in, SEA_LEVEL_KPA)
    water = evaporation_kg_s(20.0, 35.0, wet_bulb, 0.8, SEA_LEVEL_KPA)
    outlet = pad_outlet_degc(35.0, wet_bulb, 0.8)
    gain = enthalpy_kj_kg(outlet, w_in + water / dry_air) - enthalpy_kj_kg(35.0, w_in)
    assert gain * dry_air == pytest.approx(water * 4.186 * wet_bulb, rel=1e-3)


def test_effectiveness_from_measurement(wet_bulb):
    """P26: outlet 24.219 °C means 0.800, within 0.002."""
    assert effectiveness_frac(35.0, 24.219, wet_bulb) == pytest.approx(0.800, abs=0.002)


def test_effectiveness_error_rule():
    """P27: half a kelvin at a depression of 13.48 K and of 3 K."""
    np.testing.assert_allclose(
        effectiveness_error_frac([13.48, 3.0], 0.5), [0.037, 0.167], atol=5e-4
    )


def test_effectiveness_is_not_judged_at_a_small_depression():
    eff = effectiveness_frac(20.0, 18.0, [20.0 - MINIMUM_DEPRESSION_K, 16.1])
    assert eff[0] == pytest.approx(0.5)
    assert np.isnan(eff[1])


def test_contradicting_measurements_are_not_clamped():
    """An outlet warmer than the inlet, or colder than the wet bulb, is shown as it is."""
    np.testing.assert_allclose(effectiveness_frac(35.0, [36.0, 20.0], 21.0), [-1 / 14, 15 / 14])


@given(st.floats(5.0, 50.0), st.floats(5.0, 60.0), st.floats(0.05, 1.0))
def test_effectiveness_inverts_the_outlet_temperature(db, rh, eff):
    wb = wet_bulb_degc(db, rh, SEA_LEVEL_KPA)
    outlet = pad_outlet_degc(db, wb, eff)
    assert wb <= outlet <= db
    assert effectiveness_frac(db, outlet, wb, 0.5) == pytest.approx(eff, rel=1e-9)


@given(st.floats(15.0, 45.0), st.floats(10.0, 80.0))
def test_evaporation_rises_with_effectiveness_and_airflow(db, rh):
    wb = wet_bulb_degc(db, rh, SEA_LEVEL_KPA)
    by_effectiveness = evaporation_kg_s(10.0, db, wb, np.linspace(0.0, 1.0, 11), SEA_LEVEL_KPA)
    assert by_effectiveness[0] == pytest.approx(0.0, abs=1e-12)
    assert (np.diff(by_effectiveness) > 0.0).all()
    one, two = evaporation_kg_s([10.0, 20.0], db, wb, 0.8, SEA_LEVEL_KPA)
    assert two == pytest.approx(2.0 * one)


def test_pads_in_frost_or_with_impossible_air_are_refused():
    assert np.isnan(evaporation_kg_s(10.0, 1.0, -1.0, 0.8, SEA_LEVEL_KPA))
    assert np.isnan(evaporation_kg_s(10.0, 20.0, 21.0, 0.8, SEA_LEVEL_KPA))
    assert np.isnan(evaporation_kg_s(-1.0, 35.0, 21.5, 0.8, SEA_LEVEL_KPA))
    assert np.isnan(pad_outlet_degc(35.0, 21.5, [-0.01, 1.01])).all()


def test_latent_heat_agrees_with_iapws_if97():
    """IAPWS-IF97 by the iapws library 1.5.5: within 0.12 %, the linear formula's own error."""
    temp = [10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 50.0]
    hfg = [2477.21, 2465.38, 2453.55, 2441.71, 2429.84, 2417.94, 2406.00, 2381.97]
    np.testing.assert_allclose(latent_heat_kj_kg(temp), hfg, rtol=1.2e-3)
    assert np.isnan(latent_heat_kj_kg([-0.1, 50.1])).all()


def test_water_for_a_heat_flow():
    """W3: 3600 / hfg of IAPWS-IF97, kg/h for each kW, within 0.1 %."""
    kg_h = 3600.0 * water_for_heat_kg_s(1.0, [20.0, 25.0, 30.0, 35.0])
    np.testing.assert_allclose(kg_h, [1.4673, 1.4744, 1.4816, 1.4889], rtol=1e-3)


def test_water_for_a_ton_hour():
    """W11, W12: 12 000 and 15 000 Btu/h rejected, water at 30 °C, in US gallons an hour."""
    kw = np.array([3.516853, 4.396066])
    us_gal_kg = 3.785412 * 0.9956  # litre by definition; density at 30 °C, IAPWS-IF97
    gallons = water_for_heat_kg_s(kw, 30.0) * 3600.0 / us_gal_kg
    np.testing.assert_allclose(gallons, [1.383, 1.728], atol=0.005)


def test_pads_evaporate_far_less_than_the_whole_heat_would(wet_bulb):
    """W16: a 500 kW condenser with 20 m³/s of air evaporates about half of the all-latent bound."""
    pads = evaporation_kg_s(20.0, 35.0, wet_bulb, 0.8, SEA_LEVEL_KPA)
    bound = water_for_heat_kg_s(500.0, wet_bulb)
    assert pads < 0.55 * bound
