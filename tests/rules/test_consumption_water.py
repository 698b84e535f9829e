"""Water of a unit: a published worked example, psychrometric check values, and that it adds up."""

from __future__ import annotations

import math

import numpy as np
import psychrolib  # type: ignore[import-untyped]  # it ships no type hints
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.basin_means import DAY_BINS, EVAPORATION_L_MIN, basin, span, trace

from rules.consumption import Amount, UnitUse, summed, unit_use
from rules.consumption.trace import STAGED
from rules.consumption.water import water_of
from rules.faults.registry import SETTINGS

DAY_MIN = 1440.0


def value(amount: Amount) -> float:
    assert amount.value is not None, amount.method
    return amount.value


def test_evaporation_agrees_with_psychrolib() -> None:
    """Check value P24, worked out again here with the library: air side, constant wet bulb."""
    mean, _ = basin(1, 3.0)
    psychrolib.SetUnitSystem(psychrolib.SI)
    bulb = psychrolib.GetTWetBulbFromRelHum(35.0, 0.30, 101_325)
    out = 35.0 - 0.8 * (35.0 - bulb)
    w_in = psychrolib.GetHumRatioFromTWetBulb(35.0, bulb, 101_325)
    w_out = psychrolib.GetHumRatioFromTWetBulb(out, bulb, 101_325)
    kg_s = 20.0 / psychrolib.GetMoistAirVolume(35.0, w_in, 101_325) * (w_out - w_in)
    assert kg_s * 3600.0 == pytest.approx(365.1, rel=0.005)
    amount = water_of(trace(mean)).amounts["evaporation"]
    assert value(amount) == pytest.approx(kg_s * 86_400.0 / 0.998, rel=0.005)
    assert amount.coverage_frac == 1.0


@pytest.mark.parametrize(
    ("cycles", "blowdown", "makeup"), [(4, 23_760, 152_064), (8, 2_037, 130_341)]
)
def test_cycles_and_bleed_of_the_published_worked_example(
    cycles: float, blowdown: float, makeup: float
) -> None:
    """GEMI water planner, case example: evaporation 114,048, windage 14,256 gal/day.

    Windage leaves as liquid too, so here it is part of the bleed. Check value W9.
    """
    leaves = EVAPORATION_L_MIN / (cycles - 1.0)
    mean, told = basin(10, leaves, start_cycles=cycles)
    for without in (("bleed_flow",), ("bleed_flow", "makeup_flow")):
        amounts = water_of(trace(mean, without=without)).amounts
        evaporated = value(amounts["evaporation"])
        assert value(amounts["cycles"]) == pytest.approx(cycles, rel=0.001)
        assert value(amounts["bleed"]) / evaporated == pytest.approx(
            (blowdown + 14_256) / 114_048, rel=0.005
        )
        assert value(amounts["makeup"]) / evaporated == pytest.approx(makeup / 114_048, rel=0.005)
    assert told.came / told.evaporated == pytest.approx(makeup / 114_048, rel=0.001)


@settings(max_examples=40, deadline=None)
@given(
    bleed=st.floats(0.0, 12.0),
    spill=st.sampled_from([0.0, 0.0, 2.0, 15.0]),
    air=st.floats(0.2, 1.0),
    start=st.floats(1.2, 6.0),
    hours=st.integers(4, 20),
)
def test_metered_water_adds_up(
    bleed: float, spill: float, air: float, start: float, hours: int
) -> None:
    """What came in is what evaporated, was bled, ran over, was lost at rest, and is left over."""
    wet = np.arange(2 * DAY_BINS) % DAY_BINS < 12 * hours
    mean, told = basin(2, bleed, spill_l_min=spill, air=air, start_cycles=start, wet=wet)
    amounts = water_of(trace(mean)).amounts
    parts = ("evaporation", "bleed", "overflow", "standing", "unaccounted")
    total = sum(value(amounts[name]) for name in parts)
    assert total == pytest.approx(value(amounts["makeup"]), rel=1e-9, abs=1e-6)
    assert value(amounts["makeup"]) == pytest.approx(told.came, rel=1e-9)
    # Known flows, so nothing is left over but the error of the formula of evaporation.
    off = 0.005 * told.evaporated + 1.0
    assert abs(value(amounts["unaccounted"])) <= off
    assert value(amounts["overflow"]) == pytest.approx(told.spilt, abs=off)
    assert value(amounts["bleed"]) == pytest.approx(told.bled, abs=1.0)


@settings(max_examples=40, deadline=None)
@given(bleed=st.floats(1.0, 8.0), start=st.floats(1.5, 5.0), days=st.integers(3, 8))
def test_solids_find_the_bleed_that_no_meter_tells(bleed: float, start: float, days: int) -> None:
    """By make-up and solids, and by evaporation and solids, also while it still concentrates."""
    mean, told = basin(days, bleed, start_cycles=start)
    by_meter = water_of(trace(mean, without=("bleed_flow",))).amounts["bleed"]
    by_air = water_of(trace(mean, without=("bleed_flow", "makeup_flow"))).amounts["bleed"]
    assert by_meter.method == "make-up meter and solids"
    assert by_air.method == "evaporation and solids"
    assert value(by_meter) == pytest.approx(told.bled, rel=0.01)
    assert value(by_air) == pytest.approx(told.bled, rel=0.02)
    assert (by_air.sd or 0.0) > (by_meter.sd or 0.0), "the meter knows better than the weather"


def test_what_is_not_sent_is_not_known_and_says_why() -> None:
    mean, _ = basin(1, 3.0)
    lean = water_of(trace(mean, without=("makeup_flow", "bleed_flow", "conductivity"))).amounts
    assert lean["bleed"].value is None
    assert "conductivity is sent" in lean["bleed"].method
    assert lean["makeup"].value is None
    assert lean["cycles"].value is None
    dry = water_of(trace(mean, without=("relative_humidity",))).amounts
    assert dry["evaporation"].value is None
    assert "relative humidity" in dry["evaporation"].method
    assert dry["makeup"].value is not None, "a meter needs no weather"
    rests = np.arange(DAY_BINS) < 100
    mixed, _ = basin(1, 3.0, wet=rests)
    dry = water_of(trace(mixed, without=("relative_humidity",))).amounts["evaporation"]
    assert dry.value is None, "that nothing evaporated at rest is not what was asked"
    blind = water_of(trace(mean, without=("pump_current", "pump_command", "wet_mode"))).amounts
    assert blind["evaporation"].value is None
    unlevelled = water_of(trace(mean, without=("basin_level",))).amounts
    assert unlevelled["overflow"].value is None


def test_two_of_four_fans_in_stages_move_half_of_the_air() -> None:
    """Command 50 %, two proven: in stages they run at full speed and move a half. The same two of a
    unit whose four fans were seen together at part speed run at 50 % and move a quarter."""
    mean, told = basin(1, 3.0)
    mean["fan_speed"][:], mean["fan_run"][:] = 50.0, 3.0
    staged = trace(mean)
    assert staged.air_frac[100] == 0.5
    assert value(water_of(staged).amounts["evaporation"]) == pytest.approx(
        0.5 * told.evaporated, rel=0.005
    )
    set_so = trace(mean, settings={"fan-not-proven": {"staged": 0}})
    assert set_so.air_frac[100] == 0.25
    mean["fan_run"][:13] = 15.0
    assert trace(mean).air_frac[100] == 0.25
    np.testing.assert_array_equal(trace(mean).air_wanted_frac, 0.5)
    assert SETTINGS["fan-not-proven"]["staged"].default == STAGED


def test_a_gap_is_left_out_and_not_filled_up() -> None:
    """Half the time without telemetry: half the water, and a coverage that says so."""
    mean, told = basin(2, 3.0)
    at = np.arange(2 * DAY_BINS) < DAY_BINS
    gappy = {name: np.where(at, values, np.nan) for name, values in mean.items()}
    amounts = water_of(trace(gappy)).amounts
    for name, all_of_it in (("makeup", told.came), ("bleed", told.bled)):
        assert value(amounts[name]) == pytest.approx(all_of_it / 2.0, rel=0.001)
    for name in ("makeup", "evaporation", "wet_hours"):
        assert amounts[name].coverage_frac == pytest.approx(0.5)


@pytest.mark.parametrize("without", [(), ("bleed_flow",), ("makeup_flow",)])
def test_only_the_same_hours_are_taken_from_each_other(without: tuple[str, ...]) -> None:
    """Humidity, and so evaporation, is known on one day of ten: what nine days took in or bled is
    neither left over nor too much. Bled 3 L/min are the intended cycles' own to 2 %."""
    mean, told = basin(10, 3.0, start_cycles=3.0)
    mean["relative_humidity"][DAY_BINS:] = np.nan
    amounts = water_of(trace(mean, without=without)).amounts
    beyond = amounts["beyond_target"]
    assert beyond.coverage_frac == pytest.approx(0.1, abs=0.005)
    assert value(beyond) == pytest.approx(0.0, abs=0.01 * told.bled)
    if "makeup_flow" in without:
        # Without a meter what came in is the sum of what left, so that too is of one day.
        assert value(amounts["makeup"]) == pytest.approx(told.came / 10.0, rel=0.01)
        assert amounts["makeup"].coverage_frac == pytest.approx(0.1, abs=0.005)
        return
    assert value(amounts["makeup"]) == pytest.approx(told.came, rel=1e-6)
    left_over = amounts["unaccounted"]
    assert left_over.coverage_frac == pytest.approx(0.1, abs=0.005)
    assert value(left_over) == pytest.approx(0.0, abs=0.005 * told.evaporated)


def test_a_unit_that_rests_uses_nothing_and_is_known_to() -> None:
    mean, _ = basin(1, 3.0, wet=np.zeros(DAY_BINS, dtype=bool))
    amounts = water_of(trace(mean)).amounts
    for name in ("evaporation", "bleed", "overflow", "makeup", "wet_hours", "standing"):
        assert amounts[name].value == 0.0
        assert amounts[name].coverage_frac == 1.0


def test_a_drained_basin_is_water_lost_at_standstill() -> None:
    mean, _ = basin(1, 3.0, wet=np.arange(DAY_BINS) < 144)
    level = mean["basin_level"]
    level[144:146] = 190.0  # pads and pipes drain back
    level[146:] = np.maximum(190.0 - 10.0 * np.arange(len(level) - 146), 0.0)
    lost = water_of(trace(mean)).amounts["standing"]
    assert value(lost) == pytest.approx(2.0 * 190.0, rel=0.02)


@pytest.mark.parametrize("sd_mm", [0.5, 1.0, 2.0, 3.0])
def test_noise_of_a_level_that_stands_is_no_loss(sd_mm: float) -> None:
    """A month of a still basin, whose reading wavers from one five minutes to the next."""
    mean, _ = basin(30, 0.0, wet=np.zeros(30 * DAY_BINS, dtype=bool))
    rng = np.random.default_rng(int(10 * sd_mm))
    mean["basin_level"] = 170.0 + rng.normal(0.0, sd_mm, 30 * DAY_BINS)
    assert value(water_of(trace(mean)).amounts["standing"]) == 0.0


@pytest.mark.parametrize("sd_mm", [0.0, 1.0, 2.0])
def test_a_leak_at_rest_is_counted_over_its_refillings(sd_mm: float) -> None:
    """2 mm an hour off 2 m² for 30 days are 2,880 L; each 150 mm are filled up again at once."""
    mean, _ = basin(30, 0.0, wet=np.zeros(30 * DAY_BINS, dtype=bool))
    fallen = np.arange(30 * DAY_BINS) * (2.0 / 12.0)
    rng = np.random.default_rng(7)
    mean["basin_level"] = 200.0 - fallen % 150.0 + rng.normal(0.0, sd_mm, 30 * DAY_BINS)
    lost = water_of(trace(mean)).amounts["standing"]
    assert value(lost) == pytest.approx(2880.0, rel=0.03)
    assert abs(value(lost) - 2880.0) < 2.0 * (lost.sd or 0.0)


def test_a_stuck_bleed_is_charged_with_what_it_wasted() -> None:
    """Bleed of 12 instead of E/2 L/min for half a day; metered, and by weather and solids."""
    mean, _ = basin(1, 12.0, start_cycles=1.507)
    excess_l = (12.0 - EVAPORATION_L_MIN / 2.0) * 720.0
    for without in ((), ("makeup_flow", "bleed_flow")):
        use = unit_use(trace(mean, without=without), {}, [span("bleed-stuck-open", 0, 144)])
        (share,) = use.faults
        assert share.hours == 12.0
        assert value(share.water) == pytest.approx(excess_l, rel=0.02)
        assert share.energy.value is None
    beyond = water_of(trace(mean)).amounts["beyond_target"]
    assert value(beyond) == pytest.approx(2.0 * excess_l, rel=0.01)


def test_faults_that_stand_together_share_the_waste() -> None:
    mean, _ = basin(1, 12.0, start_cycles=1.507)
    alone = unit_use(trace(mean), {}, [span("bleed-stuck-open", 0, 200)])
    both = unit_use(
        trace(mean), {}, [span("bleed-stuck-open", 0, 200), span("float-leaking", 100, 200)]
    )
    assert sum(value(s.water) for s in both.faults) == pytest.approx(value(alone.faults[0].water))
    assert value(both.faults[0].water) < value(both.faults[1].water), "in the catalogue's order"


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.builds(
                Amount, st.floats(-1e9, 1e9), st.floats(0, 1e9), st.floats(0, 1), st.just("a meter")
            ),
            st.just(Amount.unknown("not sent")),
        ),
        max_size=8,
    )
)  # fmt: skip
def test_sums_hold_what_is_known_and_no_more(amounts: list[Amount]) -> None:
    total = summed(amounts)
    known = [a.value for a in amounts if a.value is not None]
    assert (total.value is None) == (not known)
    if known:
        assert total.value == pytest.approx(math.fsum(known), rel=1e-9, abs=1e-3)
    assert 0.0 <= total.coverage_frac <= 1.0


def test_figures_are_read_back_as_they_were() -> None:
    mean, _ = basin(1, 12.0)
    use = unit_use(trace(mean), {"td_wet": 10.0}, [span("bleed-stuck-open", 0, 10)])
    assert UnitUse.from_json(use.to_json()) == use


def test_one_unit_s_nan_stays_its_own_and_inputs_are_left_alone() -> None:
    mean, _ = basin(1, 3.0)
    before = {name: values.copy() for name, values in mean.items()}
    unit_use(trace(mean), {"td_dry": 9.0}, [span("float-leaking", 0, 9)])
    for name, values in mean.items():
        np.testing.assert_array_equal(values, before[name])


def test_an_amount_that_is_no_number_is_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        Amount(float("nan"), 0.0, 1.0, "x")
    with pytest.raises(ValueError, match="finite"):
        Amount(1.0, None, 1.0, "x")
    with pytest.raises(ValueError, match="coverage"):
        Amount(1.0, 0.0, 1.5, "x")
