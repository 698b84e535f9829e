"""Holes, valves and overflow lips against computed handbook formulas."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.physics.openings import (
    control_valve_flow_l_min,
    orifice_flow_l_min,
    orifice_pressure_flow_l_min,
    overflow_lip_flow_l_min,
    standpipe_overflow_l_min,
)
from rules.physics.pump import head_pressure_kpa


def test_orifice_under_a_head():
    """M17: Cd 0.61; 10 mm under 2 m and 15 mm under 1 m."""
    np.testing.assert_allclose(
        orifice_flow_l_min([10.0, 15.0], [2.0, 1.0], 0.61), [18.004, 28.644], atol=0.01
    )


def test_orifice_under_a_pressure():
    """M18: Cd 0.60, 8 mm, 3 bar."""
    assert orifice_pressure_flow_l_min(8.0, 300.0, 0.60) == pytest.approx(44.36, abs=0.01)


def test_half_the_pressure_is_0707_of_the_flow():
    """M20."""
    whole, half = orifice_pressure_flow_l_min(8.0, [300.0, 150.0])
    assert half / whole == pytest.approx(0.5**0.5, rel=1e-12)


def test_valve_coefficient():
    """M19: IEC 60534 definition, from memory: Kv 1.6 at 3 bar passes 2.771 m³/h."""
    assert control_valve_flow_l_min(1.6, 300.0) * 0.06 == pytest.approx(2.771, abs=0.001)
    assert control_valve_flow_l_min(1.6, 100.0) * 0.06 == pytest.approx(1.6, rel=1e-12)


def test_overflow_lip():
    """M21: Cd 0.62, 0.2 m long, 30 mm head: 1.902 L/s."""
    assert overflow_lip_flow_l_min(30.0, 0.2, 0.62) / 60.0 == pytest.approx(1.902, abs=0.001)


def test_overflow_lip_is_near_the_francis_formula():
    """M24: Francis, 3.33 L h^1.5 in ft and cfs (USBR manual, from memory): within 1 %."""
    cfs = overflow_lip_flow_l_min(0.2 * 304.8, 0.3048) / 60.0 / 28.316847
    assert cfs == pytest.approx(0.2978, rel=0.01)


def test_standpipe():
    """M25: 50 mm bore, 10 mm head, Cd 0.62: 0.2875 L/s."""
    assert standpipe_overflow_l_min(10.0, 50.0, 0.62) / 60.0 == pytest.approx(0.2875, abs=0.001)


def test_nothing_flows_over_a_lip_above_the_water():
    assert overflow_lip_flow_l_min([0.0, -40.0], 0.2).tolist() == [0.0, 0.0]
    assert standpipe_overflow_l_min([0.0, -40.0], 50.0).tolist() == [0.0, 0.0]


@given(st.floats(1.0, 100.0), st.floats(0.01, 30.0))
def test_head_and_pressure_of_the_same_water_pass_the_same_flow(diameter_mm, head_m):
    by_pressure = orifice_pressure_flow_l_min(diameter_mm, head_pressure_kpa(head_m))
    assert by_pressure == pytest.approx(orifice_flow_l_min(diameter_mm, head_m), rel=1e-9)


def test_outside_the_range_there_is_no_answer():
    assert np.isnan(orifice_flow_l_min(10.0, -0.1))
    assert np.isnan(orifice_pressure_flow_l_min(10.0, 100.0, 0.6, [899.0, 1101.0])).all()
    assert np.isnan(orifice_flow_l_min(10.0, 1.0, [-0.1, 1.1])).all()
    assert np.isnan(standpipe_overflow_l_min(13.0, 50.0))
