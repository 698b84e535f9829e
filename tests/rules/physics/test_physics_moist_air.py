"""Moist air against the ASHRAE tables, worked examples, and two reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.physics.moist_air import (
    density_kg_m3,
    dew_point_degc,
    enthalpy_kj_kg,
    humidity_ratio_from_vapour_pressure_kg_kg,
    humidity_ratio_from_wet_bulb_kg_kg,
    humidity_ratio_kg_kg,
    relative_humidity_pct,
    saturated_humidity_ratio_kg_kg,
    saturation_pressure_kpa_abs,
    specific_volume_m3_kg,
    standard_pressure_kpa_abs,
    wet_bulb_degc,
)

SEA_LEVEL_KPA = 101.325

dry_bulbs = st.floats(-55.0, 68.0)
humidities = st.floats(0.0, 100.0)
pressures = st.floats(54.0, 107.0)


@pytest.fixture(scope="module")
def psychrolib():
    import psychrolib

    psychrolib.SetUnitSystem(psychrolib.SI)
    return psychrolib


# P1: ASHRAE Handbook - Fundamentals (2017), ch. 1, Table 3, as used in PsychroLib's SI tests.
ASHRAE_TABLE_3_PA = [
    (-20.0, 103.24), (-5.0, 401.74), (5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3),
    (100.0, 101418.0), (150.0, 476101.4),
]  # fmt: skip


@pytest.mark.parametrize(("temp_degc", "p_pa"), ASHRAE_TABLE_3_PA)
def test_saturation_pressure_agrees_with_ashrae_table_3(temp_degc, p_pa):
    """Within 0.03 %: the table comes from a newer formulation than the equations."""
    assert saturation_pressure_kpa_abs(temp_degc) * 1000.0 == pytest.approx(p_pa, rel=3e-4)


def test_saturation_pressure_agrees_with_psychrolib():
    """P2: PsychroLib 2.5.0, same equations, so 0.01 % is only the printed digits."""
    temp = [10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 60.0]
    pa = [1228.00, 1705.45, 2338.80, 3169.22, 4246.03, 5627.82, 7383.46, 9593.22, 19943.76]
    np.testing.assert_allclose(saturation_pressure_kpa_abs(temp) * 1000.0, pa, rtol=1e-4)


def test_saturation_pressure_agrees_with_iapws_if97():
    """IAPWS-IF97 by the iapws library 1.5.5: an independent formulation, within 0.03 %."""
    temp = [10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 50.0, 100.0]
    kpa = [1.22820, 1.70579, 2.33932, 3.16993, 4.24697, 5.62902, 7.38494, 12.35195, 101.418]
    np.testing.assert_allclose(saturation_pressure_kpa_abs(temp), kpa, rtol=3e-4)


def test_saturation_over_water_and_over_ice_meet_at_the_triple_point():
    """The step at 0.01 °C is below 0.01 %, and the known triple point is met (611.657 Pa)."""
    below, above = saturation_pressure_kpa_abs([0.01 - 1e-9, 0.01]) * 1000.0
    assert below == pytest.approx(above, rel=1e-4)
    # IAPWS triple point pressure, from memory.
    assert above == pytest.approx(611.657, rel=4e-4)


def test_saturated_humidity_ratio_agrees_with_ashrae_table_2():
    """P3: real-gas table of ASHRAE F17 ch. 1; ideal gas is up to 1 % below it."""
    ws = saturated_humidity_ratio_kg_kg([5.0, 25.0, 50.0], SEA_LEVEL_KPA)
    for got, table, rel in zip(ws, [0.005425, 0.020173, 0.086863], [5e-3, 5e-3, 1e-2], strict=True):
        assert got == pytest.approx(table, rel=rel)
        assert got < table


def test_saturated_humidity_ratio_agrees_with_psychrolib():
    """P4: PsychroLib 2.5.0, within 0.1 %."""
    ws = saturated_humidity_ratio_kg_kg([15.0, 20.0, 25.0, 30.0, 35.0, 40.0], SEA_LEVEL_KPA)
    expected = [0.010647, 0.014695, 0.020081, 0.027203, 0.036576, 0.048883]
    np.testing.assert_allclose(ws, expected, rtol=1e-3)


# P5: ASHRAE F17 ch. 1 Table 1; P6: PsychroLib 2.5.0.
STANDARD_PRESSURE_PA = [
    (-500.0, 107478.0), (0.0, 101325.0), (500.0, 95461.0), (1000.0, 89875.0), (4000.0, 61640.0),
    (1500.0, 84556.0), (2000.0, 79495.0), (3000.0, 70108.0),
]  # fmt: skip


@pytest.mark.parametrize(("elevation_m", "p_pa"), STANDARD_PRESSURE_PA)
def test_standard_pressure_agrees_with_ashrae_table_1(elevation_m, p_pa):
    assert standard_pressure_kpa_abs(elevation_m) * 1000.0 == pytest.approx(p_pa, abs=1.0)


def test_worked_example_of_ashrae():
    """P7: ASHRAE F17 ch. 1 Example 1 (dry bulb 40, wet bulb 20 °C), with its own tolerances."""
    w = humidity_ratio_from_wet_bulb_kg_kg(40.0, 20.0, SEA_LEVEL_KPA)
    rh = relative_humidity_pct(40.0, w, SEA_LEVEL_KPA)
    vapour_kpa = rh / 100.0 * saturation_pressure_kpa_abs(40.0)
    assert w == pytest.approx(0.0065, abs=1e-4)
    assert dew_point_degc(vapour_kpa) == pytest.approx(7.0, abs=0.5)
    assert rh == pytest.approx(14.0, abs=1.0)
    assert enthalpy_kj_kg(40.0, w) == pytest.approx(56.7, abs=0.1)
    assert specific_volume_m3_kg(40.0, w, SEA_LEVEL_KPA) == pytest.approx(0.896, rel=0.01)


def test_worked_example_in_library_digits():
    """P8: the same by PsychroLib 2.5.0, within 0.01 %."""
    w = humidity_ratio_from_wet_bulb_kg_kg(40.0, 20.0, SEA_LEVEL_KPA)
    rh = relative_humidity_pct(40.0, w, SEA_LEVEL_KPA)
    vapour_kpa = rh / 100.0 * saturation_pressure_kpa_abs(40.0)
    assert w == pytest.approx(0.0064008, rel=1e-4)
    assert dew_point_degc(vapour_kpa) == pytest.approx(7.4336, abs=1e-3)
    assert rh == pytest.approx(13.9795, rel=1e-4)
    assert vapour_kpa * 1000.0 == pytest.approx(1032.17, rel=1e-4)
    assert enthalpy_kj_kg(40.0, w) == pytest.approx(56.7246, rel=1e-4)
    assert specific_volume_m3_kg(40.0, w, SEA_LEVEL_KPA) == pytest.approx(0.896248, rel=1e-4)


def test_humidity_ratio_from_vapour_pressure():
    """P9: PsychroLib's own test."""
    w = humidity_ratio_from_vapour_pressure_kg_kg(3.1697, 95.461)
    assert w == pytest.approx(0.0213603998, rel=1e-6)


def test_humidity_ratio_from_wet_bulb_over_water_and_ice():
    """P10, P11: PsychroLib's own tests, within 0.03 %."""
    w = humidity_ratio_from_wet_bulb_kg_kg([30.0, -1.0], [25.0, -5.0], 95.461)
    np.testing.assert_allclose(w, [0.01922813, 0.00120400], rtol=3e-4)


def test_wet_bulb_of_psychrolibs_own_test():
    """P12, within 0.1 %."""
    assert wet_bulb_degc(7.0, 61.0, 100.0) == pytest.approx(3.926674, rel=1e-3)


def test_enthalpy_volume_and_density():
    """P13: PsychroLib's own test; P14: ASHRAE F17 ch. 1 Table 2 for dry air at 25 °C."""
    assert enthalpy_kj_kg(30.0, 0.02) == pytest.approx(81.316, rel=3e-4)
    assert specific_volume_m3_kg(30.0, 0.02, 95.461) == pytest.approx(0.940855, rel=3e-4)
    assert density_kg_m3(30.0, 0.02, 95.461) == pytest.approx(1.084120, rel=3e-4)
    assert enthalpy_kj_kg(25.0, 0.0) == pytest.approx(25.148, rel=3e-4)
    assert specific_volume_m3_kg(25.0, 0.0, SEA_LEVEL_KPA) == pytest.approx(0.8443, rel=1e-3)


# Dry bulb, relative humidity, wet bulb, humidity ratio, dew point; PsychroLib 2.5.0, 101 325 Pa.
PSYCHROLIB_STATES = [
    (20.0, 50.0, 13.783, 0.007262, 9.272),
    (25.0, 40.0, 16.210, 0.007880, 10.476),
    (30.0, 30.0, 17.972, 0.007918, 10.548),
    (30.0, 60.0, 23.812, 0.016041, 21.388),
    (35.0, 20.0, 18.870, 0.006986, 8.707),
    (35.0, 40.0, 23.934, 0.014132, 19.385),
    (40.0, 10.0, 18.566, 0.004565, 2.629),
    (40.0, 20.0, 22.032, 0.009198, 12.783),
    (45.0, 10.0, 21.175, 0.005945, 6.368),
]


@pytest.mark.parametrize(("db", "rh", "wb", "w", "dew"), PSYCHROLIB_STATES)
def test_state_agrees_with_psychrolib(db, rh, wb, w, dew):
    """Within 0.01 K and 0.1 %."""
    assert wet_bulb_degc(db, rh, SEA_LEVEL_KPA) == pytest.approx(wb, abs=0.01)
    assert humidity_ratio_kg_kg(db, rh, SEA_LEVEL_KPA) == pytest.approx(w, rel=1e-3)
    vapour = rh / 100.0 * saturation_pressure_kpa_abs(db)
    assert dew_point_degc(vapour) == pytest.approx(dew, abs=0.01)


def test_wet_bulb_falls_with_elevation():
    """P15: PsychroLib 2.5.0, 35 °C and 20 % at 0, 1000 and 2000 m."""
    p = standard_pressure_kpa_abs([0.0, 1000.0, 2000.0])
    np.testing.assert_allclose(wet_bulb_degc(35.0, 20.0, p), [18.870, 18.238, 17.606], atol=0.01)


def test_wet_bulb_agrees_with_psychrolib_over_the_range(psychrolib):
    """Within 0.0015 K (PsychroLib stops its bisection at 0.001 K) at 600 random states."""
    rng = np.random.default_rng(11)
    db, rh = rng.uniform(-40.0, 60.0, 600), rng.uniform(1.0, 100.0, 600)
    p = rng.uniform(60.0, 106.0, 600)
    ours = wet_bulb_degc(db, rh, p)
    theirs = np.array(
        [
            psychrolib.GetTWetBulbFromRelHum(t, h / 100.0, q * 1000.0)
            for t, h, q in zip(db, rh, p, strict=True)
        ]
    )
    # Near 0 °C the bulb may be wet or frozen: two answers, and the library takes either.
    single = (np.abs(ours) > 0.5) | (db < 0.0)
    assert single.sum() > 550
    np.testing.assert_allclose(ours[single], theirs[single], atol=1.5e-3)


def test_volume_and_enthalpy_agree_with_psychrolib_over_the_range(psychrolib):
    """Same equations, so to rounding."""
    rng = np.random.default_rng(12)
    for db, w, p in zip(
        rng.uniform(-40.0, 60.0, 50),
        rng.uniform(0.0, 0.03, 50),
        rng.uniform(60.0, 106.0, 50),
        strict=True,
    ):
        v = psychrolib.GetMoistAirVolume(db, w, p * 1000.0)
        assert specific_volume_m3_kg(db, w, p) == pytest.approx(v, rel=1e-6)
        h = psychrolib.GetMoistAirEnthalpy(db, w) / 1000.0
        assert enthalpy_kj_kg(db, w) == pytest.approx(h, rel=1e-6, abs=1e-4)


def test_wet_bulb_agrees_with_a_real_gas_formulation():
    """CoolProp's humid air (Herrmann et al. 2009), real gas: within 0.1 K up to 45 °C."""
    from CoolProp.HumidAirProp import HAPropsSI

    for db, rh in [(15.0, 30.0), (20.0, 50.0), (30.0, 60.0), (35.0, 40.0), (45.0, 10.0)]:
        theirs = HAPropsSI("B", "T", db + 273.15, "R", rh / 100.0, "P", 101325.0) - 273.15
        assert wet_bulb_degc(db, rh, SEA_LEVEL_KPA) == pytest.approx(theirs, abs=0.1)


def test_just_above_freezing_the_wet_bulb_is_that_of_water():
    """Where water and ice both solve the equations, the answer is not below 0 °C."""
    db = 6.0
    w_wet = humidity_ratio_from_wet_bulb_kg_kg(db, 0.0, SEA_LEVEL_KPA)
    w_frozen = humidity_ratio_from_wet_bulb_kg_kg(db, -1e-9, SEA_LEVEL_KPA)
    assert w_frozen > w_wet
    rh = relative_humidity_pct(db, [0.9 * w_wet, 0.5 * (w_wet + w_frozen)], SEA_LEVEL_KPA)
    below, between = wet_bulb_degc(db, rh, SEA_LEVEL_KPA)
    assert below < 0.0 <= between < 0.4


@given(dry_bulbs, humidities, pressures)
def test_wet_bulb_inverts_its_own_equation(db, rh, p):
    """The humidity ratio of the solved wet bulb is the one asked for, over the whole range."""
    wb = wet_bulb_degc(db, rh, p)
    w = humidity_ratio_kg_kg(db, rh, p)
    assert wb <= db
    # Between freezing and triple point, 0 to 0.01 °C, the bulb is wet but saturation is that over
    # ice, which differs from the solver's by up to 0.01 %.
    rel = 1e-3 if 0.0 <= wb < 0.01 else 1e-7
    assert humidity_ratio_from_wet_bulb_kg_kg(db, wb, p) == pytest.approx(w, rel=rel, abs=1e-9)


@given(dry_bulbs, st.floats(5.0, 99.0), pressures)
def test_wet_bulb_lies_between_dew_point_and_dry_bulb(db, rh, p):
    if db < 0.5:  # over ice the frost point, and the step at freezing, need their own statement
        db = 0.5 - db
    dew = dew_point_degc(rh / 100.0 * saturation_pressure_kpa_abs(db))
    wb = wet_bulb_degc(db, rh, p)
    assert dew - 0.4 <= wb <= db  # 0.4 K: the wet-or-frozen step
    if wb > 0.5:
        assert dew <= wb


@given(st.floats(1.0, 60.0), pressures)
def test_wet_bulb_rises_with_humidity(db, p):
    wb = wet_bulb_degc(db, np.linspace(0.0, 100.0, 41), p)
    steps = np.diff(wb)
    assert (steps > -1e-9).all()
    assert wb[-1] == pytest.approx(db, abs=1e-6)


@given(st.floats(-55.0, 69.0))
def test_dew_point_inverts_saturation(temp):
    # The two saturation formulas differ by a few millikelvin where they meet.
    tolerance_k = 5e-3 if abs(temp - 0.01) < 5e-3 else 1e-6
    assert dew_point_degc(saturation_pressure_kpa_abs(temp)) == pytest.approx(temp, abs=tolerance_k)


@given(st.floats(-55.0, 69.0), st.floats(0.5, 100.0), pressures)
def test_relative_humidity_inverts_humidity_ratio(db, rh, p):
    w = humidity_ratio_kg_kg(db, rh, p)
    assert relative_humidity_pct(db, w, p) == pytest.approx(rh, rel=1e-9)


@pytest.mark.parametrize(
    ("db", "rh", "p"),
    [(71.0, 50.0, 101.0), (-61.0, 50.0, 101.0), (20.0, -0.1, 101.0), (20.0, 100.1, 101.0),
     (20.0, 50.0, 49.0), (20.0, 50.0, 111.0), (np.nan, 50.0, 101.0), (np.inf, 50.0, 101.0)],
)  # fmt: skip
def test_wet_bulb_refuses_what_is_outside_its_range(db, rh, p):
    assert np.isnan(wet_bulb_degc(db, rh, p))


def test_impossible_air_is_refused():
    """Wet bulb above dry bulb, air drier than dry, vapour pressure above the total."""
    assert np.isnan(humidity_ratio_from_wet_bulb_kg_kg(20.0, 20.1, SEA_LEVEL_KPA))
    assert np.isnan(humidity_ratio_from_wet_bulb_kg_kg(45.0, 5.0, SEA_LEVEL_KPA))
    assert np.isnan(saturated_humidity_ratio_kg_kg(101.0, SEA_LEVEL_KPA))
    assert np.isnan(saturation_pressure_kpa_abs([-100.1, 200.1])).all()
    assert np.isnan(standard_pressure_kpa_abs([-5001.0, 11001.0])).all()


def test_fog_is_shown_as_more_than_saturated():
    """Relative humidity above 100 % is not clamped."""
    assert relative_humidity_pct(10.0, 0.01, SEA_LEVEL_KPA) > 120.0
