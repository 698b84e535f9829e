"""The plant against balances, published tables and reference libraries."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from simulator import air, heat, pump, water
from simulator.fleet import read_fleet
from simulator.plant import Plant
from simulator.refrigerant import ANTOINE, antoine_columns, dew_degc, dew_pressure_kpa_abs
from simulator.scenario import read_scenario


def one(*values: float) -> np.ndarray:
    return np.array(values, dtype=np.float64)


# CoolProp knows these blends only under their .mix names.
LIBRARY_NAMES = {
    name: name if name in ("R717", "R744", "R134a") else f"{name}.mix" for name in ANTOINE
}


@pytest.mark.parametrize("name", ANTOINE)
def test_dew_pressure_agrees_with_coolprop(name: str) -> None:
    """Antoine fits stay within 1 % of the library's dew line, 10 to 60 °C (R744 to 30 °C)."""
    from CoolProp.CoolProp import PropsSI

    top = 30.0 if name == "R744" else 60.0
    temps = np.arange(10.0, top + 0.1, 5.0)
    theirs = [PropsSI("P", "T", t + 273.15, "Q", 1, LIBRARY_NAMES[name]) / 1e3 for t in temps]
    ours = dew_pressure_kpa_abs(temps, antoine_columns([name]))
    assert ours == pytest.approx(theirs, rel=0.01)


def test_dew_temperature_is_the_inverse_of_dew_pressure() -> None:
    columns = antoine_columns(list(ANTOINE))
    temp = np.full(len(ANTOINE), 28.0)
    assert dew_degc(dew_pressure_kpa_abs(temp, columns), columns) == pytest.approx(temp, abs=1e-9)


# ASHRAE Handbook - Fundamentals (2017), ch. 1, Table 3. Buck's form is another one than the
# table's; worst disagreement seen 0.07 %.
@pytest.mark.parametrize(("temp_degc", "pa"), [(5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3)])
def test_saturation_pressure_agrees_with_the_ashrae_table(temp_degc: float, pa: float) -> None:
    assert air.sat_vapour_kpa(one(temp_degc))[0] * 1e3 == pytest.approx(pa, rel=2e-3)


# ASHRAE Fundamentals (2017), ch. 1, Table 1; the ICAO constants differ by up to 3 Pa.
@pytest.mark.parametrize(("metres", "pa"), [(0, 101325), (1000, 89875), (4000, 61640)])
def test_barometric_pressure_agrees_with_the_ashrae_table(metres: float, pa: float) -> None:
    assert float(air.barometric_kpa(metres)) * 1e3 == pytest.approx(pa, abs=10.0)


# PsychroLib 2.5, 101 325 Pa (P15: 1000 m and 2000 m). 0.1 K leaves room for Buck's pressure.
@pytest.mark.parametrize(
    ("dry", "rh", "metres", "wet"),
    [
        (20, 50, 0, 13.783), (30, 60, 0, 23.812), (35, 20, 0, 18.870), (40, 10, 0, 18.566),
        (45, 10, 0, 21.175), (35, 20, 1000, 18.238), (35, 20, 2000, 17.606),
    ],
)  # fmt: skip
def test_wet_bulb_agrees_with_psychrolib(dry: float, rh: float, metres: float, wet: float) -> None:
    ours = air.wet_bulb_degc(one(dry), one(rh), air.barometric_kpa(one(metres)))
    assert ours[0] == pytest.approx(wet, abs=0.1)


def test_pad_evaporation_agrees_with_the_psychrometric_example() -> None:
    """20 m³/s at 35 °C, 30 % RH, effectiveness 0.8: 365.1 kg/h (computed with PsychroLib)."""
    pressure = one(101.325)
    dry, rh = one(35.0), one(30.0)
    vapour = 0.3 * air.sat_vapour_kpa(dry)
    wet = air.wet_bulb_degc(dry, rh, pressure)
    rise = air.humidity_ratio(air.sat_vapour_kpa(wet), pressure) - air.humidity_ratio(
        vapour, pressure
    )
    kg_h = 20.0 * air.density_kg_m3(dry, vapour, pressure) * 0.8 * rise * 3600.0
    assert kg_h[0] == pytest.approx(365.1, rel=0.01)  # chord in place of the wet-bulb line: 0.3 %


# ---- Water ---------------------------------------------------------------------------------------


def basin_plate(**changes: float) -> water.BasinPlate:
    figures = {
        "area_m2": 2.0, "float_shut_mm": 180.0, "float_band_mm": 30.0, "overflow_mm": 240.0,
        "makeup_max_l_min": 20.0, "pull_down_mm": 25.0, "makeup_us_cm": 300.0,
    } | changes  # fmt: skip
    return water.BasinPlate(**{k: one(v) for k, v in figures.items()})


def step(plate: water.BasinPlate, state: water.BasinState, dt_min: float, **changes: float):
    terms = {
        "evaporation_l_min": 0.0, "bleed_l_min": 0.0, "drain_l_min": 0.0, "held_target_l": 0.0,
        "opening_low": 0.0, "opening_high": 1.0, "supply_frac": 1.0, "makeup_us_cm": 300.0,
    } | changes  # fmt: skip
    return water.step_basin(plate, state, dt_min, **{k: one(v) for k, v in terms.items()})


def test_steady_cycles_of_concentration_follow_the_balance() -> None:
    """COC = (E + B) / B (US DOE FEMP cooling-tower practice): 8 and 4 L/min give 3 cycles."""
    plate = basin_plate()
    state = water.BasinState(one(180.0), one(0.0), one(300.0 * 360.0))
    for _ in range(20_000):
        step(plate, state, 0.5, evaporation_l_min=8.0, bleed_l_min=4.0)
    assert state.conductivity_us_cm(plate)[0] / 300.0 == pytest.approx(3.0, rel=1e-6)
    assert state.level_mm[0] == pytest.approx(180.0 - 30.0 * 12.0 / 20.0, abs=1e-6)


def test_concentration_transient_agrees_with_the_exponential() -> None:
    """Well-mixed basin, V 1 m³, E 0.1, B 0.05 m³/h, make-up 300 µS/cm: mass balance solved by hand.

    679.27 µS/cm after 20 h, 870.13 after 60 h. A very narrow float band keeps the volume fixed.
    """
    plate = basin_plate(area_m2=5.0, float_shut_mm=200.0, float_band_mm=2.0)
    state = water.BasinState(one(199.75), one(0.0), one(300.0 * 998.75))
    seen = {}
    for minute in range(1, 3601):
        step(plate, state, 1.0, evaporation_l_min=100 / 60, bleed_l_min=50 / 60)
        seen[minute] = state.conductivity_us_cm(plate)[0]
    assert seen[1200] == pytest.approx(679.27, rel=2e-3)
    assert seen[3600] == pytest.approx(870.13, rel=2e-3)


def test_stuck_open_valve_ends_over_the_lip_and_spills_what_comes_in() -> None:
    plate = basin_plate()
    state = water.BasinState(one(170.0), one(0.0), one(0.0))
    for _ in range(600):
        flows = step(plate, state, 0.5, opening_low=1.0)
    assert 240.0 < state.level_mm[0] < 260.0
    assert flows.overflow_l_min[0] == pytest.approx(20.0, rel=1e-6)


def test_demands_beyond_the_water_present_empty_the_basin_and_no_more() -> None:
    plate = basin_plate()
    state = water.BasinState(one(5.0), one(0.0), one(3000.0))
    flows = step(plate, state, 10.0, evaporation_l_min=5.0, bleed_l_min=5.0, supply_frac=0.0)
    assert state.level_mm[0] == pytest.approx(0.0, abs=1e-9)
    assert (flows.evaporation_l_min + flows.bleed_l_min)[0] * 10.0 == pytest.approx(10.0)


def test_step_length_does_not_change_where_the_level_settles() -> None:
    """5 s and 60 s steps agree within 0.5 mm ten minutes after a pump start."""
    levels = []
    for dt_s in (5.0, 60.0):
        plate = basin_plate()
        state = water.BasinState(one(178.0), one(0.0), one(0.0))
        for _ in range(int(600 / dt_s)):
            step(plate, state, dt_s / 60.0, held_target_l=50.0, evaporation_l_min=4.0)
        levels.append(state.level_mm[0])
    assert levels[0] == pytest.approx(levels[1], abs=0.5)


def test_a_fleet_neither_makes_nor_loses_water_and_solids(small_fleet: Path) -> None:
    """In = out + change of storage over two days with faults and drained nights, unit by unit."""
    fleet = read_fleet(small_fleet)
    data = {
        "scenario": {"season": "warm"},
        "controls": [{"units": ["quay-cold-store/ac-1"], "night_drain": True}],
        "faults": [
            {"unit": "quay-cold-store/ac-2", "kind": "float-stuck-open", "start": "-30h"},
            {"unit": "quay-cold-store/ac-3", "kind": "float-stuck-shut", "start": "-20h"},
            {"unit": "front-range-grocer/ac-1", "kind": "bleed-stuck-open", "start": "-40h"},
            {"unit": "front-range-grocer/ac-2", "kind": "probe-open", "start": "-40h"},
            {"unit": "quay-cold-store/ac-3", "kind": "pads-clogged", "start": "-40h"},
            {"unit": "front-range-grocer/ac-3", "kind": "leak-by", "start": "-40h"},
            {"unit": "front-range-grocer/*", "kind": "basin-left-full", "start": "-30h"},
            {"unit": "quay-cold-store/ac-1", "kind": "pump-overload", "start": "-30h"},
        ],
    }
    scenario = read_scenario(data, fleet)
    plant = Plant(fleet, scenario, seed=2)
    basin = plant.plates.basin
    water_before = plant.basin.volume_l(basin).copy()
    solids_before = plant.basin.solids_l_us_cm.copy()
    now_s = 1_790_000_000.0
    plant.run(scenario.entries(now_s, now_s), now_s - 2 * 86_400, 60.0, 2 * 1440)
    ledger = plant.ledger
    out = ledger.evaporation_l + ledger.bleed_l + ledger.drain_l + ledger.overflow_l
    change = plant.basin.volume_l(basin) - water_before
    assert ledger.makeup_l - out == pytest.approx(change, abs=1e-6)
    solids_change = plant.basin.solids_l_us_cm - solids_before
    balance = ledger.solids_in - ledger.solids_out
    assert balance == pytest.approx(solids_change, rel=1e-9, abs=1e-3)
    assert (ledger.makeup_l > 100.0).all()
    assert ledger.drain_l[fleet.matching("quay-cold-store/ac-1")[0]] > 100.0
    assert ledger.overflow_l[fleet.matching("quay-cold-store/ac-2")[0]] > 1000.0


# ---- Pump ----------------------------------------------------------------------------------------


def pump_plate() -> pump.PumpPlate:
    return pump.PumpPlate(
        rated_pressure_kpa=one(60.0), shutoff_power_frac=one(0.5), magnetising_frac=one(0.45),
        duty_level_mm=one(170.0), minimum_level_mm=one(75.0), duty_power_frac=one(1.0),
    )  # fmt: skip


def operate(level: float = 170.0, screen: float = 0.0, holes: float = 0.0, drawn: float = 0.0):
    q, kpa = pump.operating_flow_frac(
        pump_plate(), one(level), screen=one(screen), distribution=one(holes), air_frac=one(drawn)
    )
    power = pump.shaft_power_frac(pump_plate(), q, one(drawn))
    current = pump.motor_current_frac(pump_plate(), power, one(1.0))
    return q[0], kpa[0], current[0]


def test_clean_pump_runs_at_its_duty_point() -> None:
    q, kpa, current = operate()
    assert q == pytest.approx(1.0, abs=1e-9)
    assert kpa == pytest.approx(60.0, abs=1e-9)
    assert current == pytest.approx(1.0, abs=1e-9)


def test_full_severity_of_screen_and_holes_takes_the_documented_flow() -> None:
    assert operate(screen=1.0)[0] == pytest.approx(0.40, abs=1e-9)
    assert operate(holes=1.0)[0] == pytest.approx(0.50, abs=1e-9)


def test_blocked_screen_lowers_pressure_by_a_third_and_current_a_little() -> None:
    """A quarter of the flow lost: current falls 5-10 %, pressure about a third.

    Measured on physical models and an open laboratory pump data set (project's limits table).
    """
    q, kpa, current = operate(screen=0.25 / 0.6)
    assert q == pytest.approx(0.75, abs=1e-6)
    assert 0.05 < 1.0 - current < 0.10
    assert 0.28 < 1.0 - kpa / 60.0 < 0.40


def test_blocked_holes_raise_pressure_and_lower_current() -> None:
    q, kpa, current = operate(holes=0.6)
    assert q < 0.75
    assert kpa > 62.0
    assert current < 0.95


def test_lost_prime_leaves_no_flow_and_hardly_more_than_the_magnetising_current() -> None:
    q, kpa, current = operate(level=10.0, drawn=1.0)
    assert q == pytest.approx(0.0, abs=1e-9)
    assert kpa < 15.0
    assert 0.45 < current < 0.6


def test_voltage_sag_raises_the_load_part_of_the_current() -> None:
    """A loaded motor (m 0.3) draws more at 90 % voltage: the shaft power stays the same."""
    plate = pump_plate()
    plate = pump.PumpPlate(**{**plate.__dict__, "magnetising_frac": one(0.3)})
    full = pump.motor_current_frac(plate, one(1.0), one(1.0))[0]
    sag = pump.motor_current_frac(plate, one(1.0), one(0.9))[0]
    assert sag == pytest.approx(full / 0.9, rel=0.04)


# ---- Heat ----------------------------------------------------------------------------------------


def coil() -> heat.CoilPlate:
    return heat.CoilPlate(one(180.0), one(12.0), one(20.0))


def rise(load: float, flow: float, loss: float = 0.0) -> float:
    plate = coil()
    k = heat.condensing_rise_k(
        plate, ntu=plate.ntu, load_kw=one(load), airflow_frac=one(flow),
        density_kg_m3=one(1.16), coil_loss=one(loss),
    )  # fmt: skip
    return float(k[0])


def test_coil_meets_its_rating_and_rise_goes_with_load() -> None:
    assert rise(180.0, 1.0) == pytest.approx(12.0, rel=1e-9)
    assert rise(90.0, 1.0) == pytest.approx(6.0, rel=1e-9)


def test_one_fan_of_four_stopped_costs_what_effectiveness_theory_says() -> None:
    """NTU 1, UA as V^0.6, 3 of 4 fans: capacity 0.800 of full (effectiveness-NTU theory)."""
    plate = heat.CoilPlate(
        one(1.16 * 20.0 * 1.02 * 12.0 * (1.0 - np.exp(-1.0))), one(12.0), one(20.0)
    )
    full, three = (
        heat.condensing_rise_k(
            plate, ntu=plate.ntu, load_kw=one(100.0), airflow_frac=one(f),
            density_kg_m3=one(1.16), coil_loss=one(0.0),
        )[0]
        for f in (1.0, 0.75)
    )  # fmt: skip
    assert full / three == pytest.approx(0.800, abs=0.001)


def test_fan_controller_holds_the_setpoint_within_half_a_kelvin() -> None:
    plate = coil()
    state = heat.FanState(one(0.5), one(1.0))
    condensing = one(40.0)
    for _ in range(480):
        speed = heat.control_fans(state, 30.0, condensing, one(34.0), one(1.0))
        k = heat.condensing_rise_k(
            plate, ntu=plate.ntu, load_kw=one(110.0), airflow_frac=speed,
            density_kg_m3=one(1.16), coil_loss=one(0.0),
        )  # fmt: skip
        condensing = heat.lag(condensing, 24.0 + k, 30.0, 150.0)
    assert condensing[0] == pytest.approx(34.0, abs=0.5)
    assert 0.2 < speed[0] < 1.0


def test_protection_opens_as_its_class_asks() -> None:
    """IEC 60947-4-1, from memory: not at 1.05, in the end at 1.2; class 10: within 10 s at 7.2."""
    opened = {}
    for multiple in (1.05, 1.25, 7.2):
        state = pump.Protection(one(0.9), one(0.0))  # warm from running a little under its setting
        for second in range(1, 7201):
            pump.step_protection(state, 1.0, one(multiple), one(0.0))
            if state.tripped[0]:
                opened[multiple] = second
                break
    assert set(opened) == {1.25, 7.2}
    assert opened[1.25] < 7200
    assert 4 <= opened[7.2] <= 12


def test_clogged_pads_pass_what_the_root_of_the_resistance_leaves() -> None:
    """Resistance 0.65 + 0.35 k at one fan pressure: k = 3 passes 1 / sqrt(1.7) = 0.767."""
    assert heat.airflow_kept_frac(one(1.0, 3.0)) == pytest.approx([1.0, 0.767], abs=5e-4)
