"""The balances turned round: published worked examples, a numerical integration, inverses."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.physics.robust import line_fit
from rules.physics.water_balance import (
    conductivity_after_us_cm,
    conductivity_slope_us_cm_h,
    level_rate_mm_h,
)
from rules.physics.water_observer import (
    bleed_from_evaporation_l_min,
    bleed_from_makeup_l_min,
    makeup_conductivity_from_flows_us_cm,
    makeup_from_balance_l_min,
)

flow = st.floats(0.05, 40.0)


def test_the_published_tower_balances():
    """GEMI water planner case example, in gallons a day: with 4 and 8 cycles, windage 14256 and
    evaporation 114048, the bleed is 23760 and 2037 and the make-up 152064 and 130341. What leaves
    as liquid is bleed and windage together. The observers keep to any unit of flow."""
    for cycles, bleed, makeup in ((4.0, 23760.0, 152064.0), (8.0, 2037.0, 130341.0)):
        liquid = bleed + 14256.0
        by_meter = bleed_from_makeup_l_min(makeup, cycles * 300.0, 300.0, 1e6, 0.0)
        by_weather = bleed_from_evaporation_l_min(114048.0, cycles * 300.0, 300.0, 1e6, 0.0)
        assert by_meter == pytest.approx(liquid, abs=1.0)
        assert by_weather == pytest.approx(liquid, abs=1.0)
        assert makeup_from_balance_l_min(0.0, 114048.0, liquid, 1.0) == pytest.approx(makeup, abs=1)
        implied = makeup_conductivity_from_flows_us_cm(makeup, liquid, cycles * 300.0, 1e6, 0.0)
        assert implied == pytest.approx(300.0, rel=1e-4)


def test_the_transient_of_a_well_mixed_basin_gives_its_bleed_back():
    """V 1 m³, E 0.1 and B 0.05 m³/h, make-up 300: 329.26 after 1 h, 679.27 after 20 h, 870.13 after
    60 h (mass balance, closed form). At each, the slope of the closed form implies the bleed."""
    expected = {1.0: 329.26, 20.0: 679.27, 60.0: 870.13}
    for hours, value in expected.items():
        flows = {"evaporation_l_min": 100 / 60, "bleed_l_min": 50 / 60}
        around = conductivity_after_us_cm(
            np.array([hours - 0.01, hours, hours + 0.01]), 300.0, 300.0, 1000.0, **flows
        )
        assert around[1] == pytest.approx(value, abs=0.01)
        slope = (around[2] - around[0]) / 0.02
        by_weather = bleed_from_evaporation_l_min(100 / 60, around[1], 300.0, 1000.0, slope)
        by_meter = bleed_from_makeup_l_min(150 / 60, around[1], 300.0, 1000.0, slope)
        assert by_weather == pytest.approx(50 / 60, rel=2e-3)
        assert by_meter == pytest.approx(50 / 60, rel=2e-3)


def test_a_closed_bleed_is_seen_as_none():
    """V 1 m³, E 0.1 m³/h, make-up 300, bleed shut: C = C_m (1 + E t / V), so 30 µS/cm an hour."""
    assert bleed_from_evaporation_l_min(100 / 60, 600.0, 300.0, 1000.0, 30.0) == pytest.approx(0.0)
    assert bleed_from_makeup_l_min(100 / 60, 600.0, 300.0, 1000.0, 30.0) == pytest.approx(0.0)


@given(makeup=flow, bleed=flow, c=st.floats(320.0, 3000.0), c_m=st.floats(20.0, 300.0))
def test_integrating_one_minute_and_turning_it_round(makeup, bleed, c, c_m):
    """Volumes and solids counted by hand over a short time, level moving."""
    area, level, evaporation, dt = 2.0, 150.0, 3.0, 0.001
    volume = area * level
    new_volume = volume + (makeup - evaporation - bleed) * dt
    new_c = (volume * c + (makeup * c_m - bleed * c) * dt) / new_volume
    rise = (new_volume - volume) / area / dt * 60.0
    slope = (new_c - c) / dt * 60.0
    got = bleed_from_evaporation_l_min(evaporation, c, c_m, volume, slope, rise, area)
    assert got == pytest.approx(bleed, abs=0.02 + 1e-2 * bleed)
    got = bleed_from_makeup_l_min(makeup, c, c_m, volume, slope, rise, area)
    assert got == pytest.approx(bleed, abs=0.02 + 1e-2 * bleed)
    got = makeup_conductivity_from_flows_us_cm(makeup, bleed, c, volume, slope, rise, area)
    assert got == pytest.approx(c_m, abs=0.01 * c + 1e-3 * c_m * (1.0 + bleed / makeup))
    assert makeup_from_balance_l_min(rise, evaporation, bleed, area) == pytest.approx(makeup)


@given(e=flow, b=flow, ratio=st.floats(1.05, 20.0))
def test_inverse_of_the_forward_slope_and_level(e, b, ratio):
    slope = conductivity_slope_us_cm_h(300.0 * ratio, 300.0, 400.0, e, b)
    got = bleed_from_evaporation_l_min(e, 300.0 * ratio, 300.0, 400.0, slope)
    assert got == pytest.approx(b, rel=1e-6, abs=1e-6 * e / (ratio - 1.0))
    rise = level_rate_mm_h(7.0, e, b, 0.0, 2.0)
    assert makeup_from_balance_l_min(rise, e, b, 2.0) == pytest.approx(7.0)


def test_water_no_more_concentrated_than_the_makeup_says_nothing_of_the_bleed():
    assert np.isnan(bleed_from_evaporation_l_min(5.0, [300.0, 290.0], 300.0, 400.0, 0.0)).all()


def test_the_straight_line_is_that_of_the_reference_library():
    """numpy.polyfit with its covariance, an implementation of its own."""
    rng = np.random.default_rng(3)
    x = np.linspace(0.0, 2.0, 24)
    y = 900.0 + 40.0 * x + rng.normal(0.0, 3.0, (5, 24))
    slope, error, middle = line_fit(np.broadcast_to(x, y.shape), y)
    for i in range(5):
        coefficients, covariance = np.polyfit(x, y[i], 1, cov=True)
        assert slope[i] == pytest.approx(coefficients[0], rel=1e-9)
        assert error[i] == pytest.approx(np.sqrt(covariance[0, 0]), rel=1e-9)
        assert middle[i] == pytest.approx(y[i].mean())


def test_gaps_are_left_out_and_too_few_points_say_nothing():
    x = np.arange(8.0)
    y = np.where(x % 2 == 0, 2.0 * x, np.nan)
    slope, error, _ = line_fit([x, x], [y, np.where(x < 4, y, np.nan)])
    assert slope[0] == pytest.approx(2.0)
    assert error[0] == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(slope[1])
