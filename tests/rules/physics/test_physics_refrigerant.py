"""Refrigerant saturation against CoolProp, tabulated pressures, and at the critical point."""

from __future__ import annotations

import typing

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules import equipment
from rules.physics.refrigerant import (
    REFRIGERANTS,
    SaturationStatus,
    above_critical,
    condensing_temperature_degc,
    condensing_temperature_of_degc,
    critical_point,
    refrigerant_index,
    saturation_pressure_kpa_abs,
    saturation_pressure_of_kpa_abs,
    saturation_status,
    table_range_kpa_abs,
)

PURE = ("R717", "R744", "R134a")

# Dew-line pressure, bar absolute, by CoolProp 8.0.0 (HEOS, predefined mixtures).
DEW_BAR = {
    "R717": {10: 6.1479, 20: 8.5704, 25: 10.0269, 30: 11.6654, 35: 13.4999, 40: 15.5453,
             45: 17.8167, 50: 20.3297, 55: 23.1003, 60: 26.1449},
    "R744": {10: 45.022, 20: 57.291, 25: 64.342, 30: 72.137},
    "R134a": {10: 4.1461, 20: 5.7171, 25: 6.6538, 30: 7.7020, 35: 8.8698, 40: 10.1659,
              45: 11.5992, 50: 13.1791, 55: 14.9151, 60: 16.8178},
    "R404A": {10: 8.1575, 20: 10.8441, 25: 12.4120, 30: 14.1438, 35: 16.0512, 40: 18.1465,
              45: 20.4433, 50: 22.9569, 55: 25.7053, 60: 28.7106},
    "R407A": {10: 6.9485, 20: 9.4522, 25: 10.9341, 30: 12.5857, 35: 14.4199, 40: 16.4507,
              45: 18.6933, 50: 21.1646, 55: 23.8835, 60: 26.8727},
    "R448A": {10: 7.0852, 20: 9.5983, 25: 11.0830, 30: 12.7358, 35: 14.5698, 40: 16.5991,
              45: 18.8388, 50: 21.3063, 55: 24.0209, 60: 27.0059},
    "R449A": {10: 7.0789, 20: 9.5769, 25: 11.0513, 30: 12.6916, 35: 14.5105, 40: 16.5217,
              45: 18.7402, 50: 21.1826, 55: 23.8678, 60: 26.8182},
    "R513A": {10: 4.5094, 20: 6.1363, 25: 7.0982, 30: 8.1688, 35: 9.3557, 40: 10.6671,
              45: 12.1110, 50: 13.6964, 55: 15.4323, 60: 17.3285},
}  # fmt: skip
DEW_CELLS = [(name, t, bar) for name, column in DEW_BAR.items() for t, bar in column.items()]


@pytest.mark.parametrize(("name", "temp_degc", "bar"), DEW_CELLS)
def test_saturation_agrees_with_the_tabulated_dew_line(name, temp_degc, bar):
    """Both ways within 0.01 % of pressure and 0.01 K."""
    assert saturation_pressure_of_kpa_abs(name, temp_degc) == pytest.approx(bar * 100, rel=1e-4)
    assert condensing_temperature_of_degc(name, bar * 100) == pytest.approx(temp_degc, abs=0.01)


# R13, from memory: older ammonia equation of state, a textbook table of R134a, Span and Wagner.
@pytest.mark.parametrize(
    ("name", "temp_degc", "bar"),
    [("R717", 30.0, 11.67), ("R134a", 30.0, 7.705), ("R134a", 40.0, 10.17),
     ("R134a", 60.0, 16.82), ("R744", 20.0, 57.29)],
)  # fmt: skip
def test_saturation_agrees_with_published_pure_fluids(name, temp_degc, bar):
    """Within 0.2 %."""
    assert saturation_pressure_of_kpa_abs(name, temp_degc) == pytest.approx(bar * 100, rel=2e-3)


def test_carbon_dioxide_near_its_critical_point():
    """R4: CoolProp 8.0.0, within 0.01 %."""
    temp = [28.0, 29.0, 30.0, 30.5, 30.9]
    bar = np.array([68.918, 70.509, 72.137, 72.967, 73.640])
    p = saturation_pressure_kpa_abs(temp, refrigerant_index("R744"))
    np.testing.assert_allclose(p, bar * 100.0, rtol=1e-4)


def test_above_the_critical_point_there_is_no_condensing_temperature():
    """R4: refused, not extrapolated, and the reason is told."""
    co2 = refrigerant_index("R744")
    assert np.isnan(saturation_pressure_kpa_abs([31.0, 35.0, 60.0], co2)).all()
    pressures = [7370.0, 7380.0, 9000.0]
    t = condensing_temperature_degc(pressures, co2)
    assert t[0] == pytest.approx(30.94, abs=0.02)
    assert np.isnan(t[1:]).all()
    assert above_critical(pressures, co2).tolist() == [False, True, True]
    assert saturation_status(pressures, co2).tolist() == [
        SaturationStatus.OK, SaturationStatus.ABOVE_CRITICAL, SaturationStatus.ABOVE_CRITICAL,
    ]  # fmt: skip


# R1 (CoolProp), R2 (CoolProp all_critical_points, roots of positive pressure only).
CRITICAL = [
    ("R717", 132.41, 113.634, 0.01), ("R744", 30.978, 73.773, 0.01),
    ("R134a", 101.062, 40.593, 0.01), ("R404A", 72.12, 37.348, 0.01),
    ("R407A", 82.25, 45.14, 0.1), ("R448A", 82.79, 46.05, 0.1), ("R449A", 82.49, 45.17, 0.1),
    ("R513A", 95.41, 36.55, 0.1),
]  # fmt: skip


@pytest.mark.parametrize(("name", "temp_degc", "bar", "tolerance"), CRITICAL)
def test_critical_points(name, temp_degc, bar, tolerance):
    kpa, degc = critical_point(name)
    assert degc == pytest.approx(temp_degc, abs=tolerance)
    assert kpa / 100.0 == pytest.approx(bar, abs=tolerance)
    assert above_critical([kpa * 0.9999, kpa * 1.0001], refrigerant_index(name)).tolist() == [
        False, True,
    ]  # fmt: skip


def test_critical_point_of_carbon_dioxide_as_published():
    """R3: Span and Wagner 1996, 304.1282 K and 7.3773 MPa, from memory."""
    kpa, degc = critical_point("R744")
    assert degc + 273.15 == pytest.approx(304.1282, abs=1e-3)
    assert kpa == pytest.approx(7377.3, abs=0.1)


@pytest.mark.parametrize(
    ("name", "degc", "tolerance"),
    [("R717", -33.316, 0.01), ("R134a", -26.074, 0.01), ("R404A", -45.47, 0.02),
     ("R407A", -38.59, 0.02), ("R448A", -39.67, 0.02), ("R449A", -39.83, 0.02),
     ("R513A", -29.34, 0.02)],
)  # fmt: skip
def test_dew_temperature_at_one_atmosphere(name, degc, tolerance):
    """R5, R6: CoolProp 8.0.0."""
    assert condensing_temperature_of_degc(name, 101.325) == pytest.approx(degc, abs=tolerance)


@pytest.mark.parametrize(
    ("name", "kpa", "dew_degc"),
    [("R717", 1500.0, 38.718), ("R134a", 1500.0, 55.233), ("R404A", 1500.0, 32.303),
     ("R407A", 1500.0, 36.480), ("R448A", 1500.0, 36.102), ("R449A", 1500.0, 36.264),
     ("R513A", 1500.0, 53.796), ("R407A", 1800.0, 43.506), ("R448A", 1800.0, 43.184),
     ("R449A", 1800.0, 43.385)],
)  # fmt: skip
def test_the_dew_line_is_meant_not_bubble_or_midpoint(name, kpa, dew_degc):
    """R7, R8, R14: for R448A at 15 bar, the midpoint would be 2.65 K lower."""
    assert condensing_temperature_of_degc(name, kpa) == pytest.approx(dew_degc, abs=0.01)


AT_40_DEGC = ["R717", "R134a", "R404A", "R407A", "R448A", "R449A", "R513A"]


def test_sensitivity_to_pressure():
    """R10, H11: K/bar at the 40 °C dew line (R744 at 25 °C), by a step of 0.1 bar."""
    index = np.array([refrigerant_index(n) for n in [*AT_40_DEGC, "R744"]])
    temp = np.array([40.0] * 7 + [25.0])
    p = saturation_pressure_kpa_abs(temp, index)
    slope = (condensing_temperature_degc(p + 10.0, index) - temp) * 10.0
    np.testing.assert_allclose(slope, [2.31, 3.65, 2.28, 2.34, 2.34, 2.36, 3.62, 0.68], atol=0.02)


def test_gauge_read_as_absolute_is_kelvins_wrong():
    """R11: how many kelvin too little the mistake gives."""
    index = np.array([refrigerant_index(n) for n in [*AT_40_DEGC, "R744"]])
    temp = np.array([40.0] * 7 + [25.0])
    p = saturation_pressure_kpa_abs(temp, index)
    low = temp - condensing_temperature_degc(p - 101.325, index)
    np.testing.assert_allclose(low, [2.41, 3.86, 2.36, 2.43, 2.43, 2.46, 3.82, 0.69], atol=0.05)


@pytest.mark.parametrize("name", REFRIGERANTS)
def test_interpolation_error_against_coolprop(name):
    """Off the nodes, within 0.0003 K up to 80 % of the critical pressure, 0.001 K to the end."""
    from CoolProp import CoolProp

    low, high = table_range_kpa_abs(name)
    kpa = np.exp(np.random.default_rng(5).uniform(np.log(low), np.log(high), 150))
    theirs = np.full(kpa.shape, np.nan)
    state = CoolProp.AbstractState("HEOS", name if name in PURE else f"{name}.mix")
    for i, p in enumerate(kpa):
        try:
            state.update(CoolProp.PQ_INPUTS, p * 1000.0, 1.0)
        except ValueError:  # the library's dew calculation fails for some blends near critical
            continue
        theirs[i] = state.T() - 273.15
    error = np.abs(condensing_temperature_degc(kpa, refrigerant_index(name)) - theirs)
    error[error > 1.0] = np.nan  # now and then it finds a wrong root, kelvins off
    assert np.isfinite(error).sum() >= 135
    moderate = kpa < 0.8 * critical_point(name)[0]
    assert np.nanmax(error[moderate]) < 0.0003
    assert np.nanmax(error) < 0.001


@given(st.integers(0, len(REFRIGERANTS) - 1), st.floats(0.0, 1.0))
def test_pressure_and_temperature_are_inverse(index, at):
    low, high = table_range_kpa_abs(REFRIGERANTS[index])
    p = low * (high / low) ** (0.0001 + 0.9998 * at)
    t = condensing_temperature_degc(p, index)
    assert saturation_pressure_kpa_abs(t, index) == pytest.approx(p, rel=1e-9)


@given(st.integers(0, len(REFRIGERANTS) - 1))
def test_temperature_rises_with_pressure(index):
    low, high = table_range_kpa_abs(REFRIGERANTS[index])
    t = condensing_temperature_degc(np.linspace(low, high, 3000), index)
    assert np.isfinite(t).all()
    assert (np.diff(t) > 0.0).all()


def test_mixed_fleet_equals_one_by_one():
    rng = np.random.default_rng(3)
    index = rng.integers(0, len(REFRIGERANTS), 500)
    p = rng.uniform(20.0, 9000.0, 500)
    one_by_one = [
        condensing_temperature_of_degc(REFRIGERANTS[i], q) for i, q in zip(index, p, strict=True)
    ]
    np.testing.assert_array_equal(condensing_temperature_degc(p, index), one_by_one)


@pytest.mark.parametrize("name", REFRIGERANTS)
def test_status_is_ok_exactly_where_there_is_a_temperature(name):
    low, high = table_range_kpa_abs(name)
    critical = critical_point(name)[0]
    p = np.array([np.nan, -5.0, 0.0, low * 0.999, low, high, critical, critical * 1.001, np.inf])
    index = refrigerant_index(name)
    status = saturation_status(p, index)
    t = condensing_temperature_degc(p, index)
    np.testing.assert_array_equal(status == SaturationStatus.OK, np.isfinite(t))
    at_critical = SaturationStatus.OK if name in PURE else SaturationStatus.NEAR_CRITICAL
    assert status.tolist() == [
        SaturationStatus.MISSING, SaturationStatus.MISSING, SaturationStatus.MISSING,
        SaturationStatus.BELOW_TABLE, SaturationStatus.OK, SaturationStatus.OK, at_critical,
        SaturationStatus.ABOVE_CRITICAL, SaturationStatus.MISSING,
    ]  # fmt: skip


def test_an_index_without_refrigerant_gives_nan():
    t = condensing_temperature_degc(1500.0, [-1, 0, len(REFRIGERANTS)])
    assert np.isnan(t).tolist() == [True, False, True]
    assert saturation_status(1500.0, [-1, 0, 99]).tolist() == [1, 0, 1]
    assert np.isnan(saturation_pressure_kpa_abs(40.0, [-1, 99])).all()


def test_unknown_refrigerant_is_named_with_the_known_ones():
    with pytest.raises(ValueError, match=r"'R22' is not known; use one of R717, R744"):
        refrigerant_index("R22")


def test_every_refrigerant_of_the_site_file_has_a_table():
    assert set(typing.get_args(equipment.Refrigerant)) == set(REFRIGERANTS)
