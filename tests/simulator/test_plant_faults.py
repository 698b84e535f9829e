"""Each fault moves the signals as it does on a real unit, and healthy events stay healthy."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rules.signals import INDEX
from simulator.faults import KINDS
from simulator.fleet import FleetError, read_fleet
from simulator.scenario import parse_span_s, read_scenario

UNIT = "quay-cold-store/ac-1"
Measured = Callable[..., dict[str, Any]]

WET = {"events": [{"unit": "*", "kind": "mode-flips", "value": 1e8, "start": "-30d"}]}
"""Wet mode asked for all the time: the first half of an endless period."""


def column(run: dict[str, Any], signal: str, unit: str = UNIT) -> np.ndarray:
    return run["values"][run["key"] == unit, INDEX[signal]]


def with_fault(measured: Measured, **fault: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    """The same 12 h healthy, and with a fault on one unit since 8 h before the end."""
    entry = {"unit": UNIT, "start": "-8h", **fault}
    return measured(WET), measured({**WET, "faults": [entry]})


def last(run: dict[str, Any], signal: str, hours: float = 2.0) -> float:
    late = run["time_ms"] > run["time_ms"].max() - hours * 3.6e6
    mine = late & (run["key"] == UNIT)
    return float(np.nanmedian(run["values"][mine, INDEX[signal]]))


def test_before_its_onset_a_fault_changes_nothing(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="float-stuck-open")
    early = (good["time_ms"] < good["time_ms"].max() - 8.1 * 3.6e6) & (good["key"] == UNIT)
    np.testing.assert_array_equal(good["values"][early], bad["values"][early])


def test_a_fault_leaves_other_units_alone(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="pump-screen-clogging")
    others = good["key"] != UNIT
    np.testing.assert_array_equal(good["values"][others], bad["values"][others])


def test_float_stuck_open_overfills_and_dilutes(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="float-stuck-open")
    assert last(bad, "basin_level") > last(good, "basin_level") + 50
    assert last(bad, "conductivity") < 0.9 * last(good, "conductivity")
    assert last(bad, "makeup_flow") > 1.5 * last(good, "makeup_flow")


@pytest.mark.parametrize("kind", ["float-stuck-shut", "supply-starved"])
def test_no_make_up_empties_the_basin_and_the_pump_draws_air(measured: Measured, kind: str) -> None:
    good, bad = with_fault(measured, kind=kind)
    assert last(bad, "basin_level") < 70
    assert last(bad, "pump_current") < 0.85 * last(good, "pump_current")
    assert last(bad, "spray_pressure") < 0.6 * last(good, "spray_pressure")


def test_leak_by_raises_the_level_of_a_resting_unit(measured: Measured) -> None:
    dry = {"events": [{"unit": "*", "kind": "dry-days", "start": "-30d"}]}
    good = measured(dry)
    bad = measured({**dry, "faults": [{"unit": UNIT, "kind": "leak-by", "start": "-8h"}]})
    assert last(bad, "basin_level") > last(good, "basin_level") + 20


def test_frozen_level_shows_no_change_at_all(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="level-frozen")
    late = bad["time_ms"] > bad["time_ms"].max() - 7 * 3.6e6
    mine = late & (bad["key"] == UNIT)
    assert np.nanstd(bad["values"][mine, INDEX["basin_level"]]) == 0.0
    assert np.nanstd(good["values"][mine, INDEX["basin_level"]]) > 0.5


def test_blocked_screen_lowers_pressure_much_and_current_a_little(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="pump-screen-clogging", severity=0.42)
    fall = {s: 1 - last(bad, s) / last(good, s) for s in ("spray_pressure", "pump_current")}
    assert 0.25 < fall["spray_pressure"] < 0.42
    assert 0.03 < fall["pump_current"] < 0.12
    assert last(bad, "spray_flow") == pytest.approx(0.75 * last(good, "spray_flow"), rel=0.03)


def test_blocked_distribution_raises_pressure_and_lowers_current(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="distribution-restricted", severity=0.7)
    assert last(bad, "spray_pressure") > 1.05 * last(good, "spray_pressure")
    assert last(bad, "pump_current") < 0.97 * last(good, "pump_current")


def test_drawing_air_makes_the_current_low_and_noisy(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="pump-draws-air", severity=0.6)
    late = bad["time_ms"] > bad["time_ms"].max() - 2 * 3.6e6
    mine = late & (bad["key"] == UNIT)
    amps = [np.nanstd(r["values"][mine, INDEX["pump_current"]]) for r in (good, bad)]
    assert last(bad, "pump_current") < 0.9 * last(good, "pump_current")
    assert amps[1] > 1.5 * amps[0]


def test_tripped_pump_draws_nothing_while_commanded(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="pump-trip")
    assert last(bad, "pump_command") == 1
    assert last(bad, "pump_current") == 0.0
    assert last(bad, "spray_pressure") == pytest.approx(0.0, abs=1.0)
    assert last(bad, "head_pressure") > 1.05 * last(good, "head_pressure")  # no cooling any more


def test_overload_draws_more_current(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="pump-overload", severity=0.35)
    assert last(bad, "pump_current") > 1.08 * last(good, "pump_current")
    assert last(bad, "spray_flow") == pytest.approx(last(good, "spray_flow"), rel=0.02)


def test_great_overload_opens_the_protection(measured: Measured) -> None:
    """It must open above 1.2 times its setting (IEC 60947-4-1, from memory)."""
    _, bad = with_fault(measured, kind="pump-overload")
    current = column(bad, "pump_current")
    hours = (bad["time_ms"][bad["key"] == UNIT] - bad["time_ms"].max()) / 3.6e6
    assert np.nanmax(current) > 1.2 * 5.1  # the nameplate's 5.1 A
    assert np.nanmin(current[hours > -7.5]) == 0.0


def test_locked_rotor_draws_its_starting_current_and_moves_nothing(measured: Measured) -> None:
    """4 to 7 times rated current (common practice), until the protection opens."""
    run = measured({**WET, "faults": [
        {"unit": UNIT, "kind": "pump-locked-rotor", "start": "-2h"}]},
        hours=3.0, step_s=10.0)  # fmt: skip
    mine = run["key"] == UNIT
    since_s = (run["time_ms"][mine] - run["time_ms"].max()) / 1000 + 7200
    current = run["values"][mine, INDEX["pump_current"]]
    first = current[(since_s > 0) & (since_s < 600)]
    assert 4.0 < np.nanmax(first) / 5.1 < 7.0
    energised_s = 10.0 * (first > 15.0).sum()
    assert 5.0 < energised_s < 60.0  # cold, class 10: 10 to 50 s
    assert (first == 0.0).sum() > 40
    flow = run["values"][mine, INDEX["spray_flow"]]
    assert np.nanmax(flow[since_s > 30]) == 0.0


def test_blocked_bleed_lets_conductivity_climb(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="bleed-blocked")
    assert last(bad, "conductivity") > 2 * last(good, "conductivity")
    assert last(bad, "bleed_flow") == 0.0


def test_bleed_stuck_open_dilutes_and_costs_water(measured: Measured) -> None:
    """On a unit whose bleed follows conductivity, so that it is not open already."""
    base = {**WET, "controls": [{"units": [UNIT], "bleed": "conductivity"}]}
    good = measured(base)
    bad = measured({**base, "faults": [{"unit": UNIT, "kind": "bleed-stuck-open", "start": "-8h"}]})
    assert last(bad, "conductivity") < 0.9 * last(good, "conductivity")
    assert last(bad, "makeup_flow") > 1.05 * last(good, "makeup_flow")


def test_changed_make_up_raises_conductivity(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="makeup-quality")
    assert last(bad, "conductivity") > 1.5 * last(good, "conductivity")


def test_bleed_set_too_high_lets_conductivity_climb_until_it_opens(measured: Measured) -> None:
    base = {**WET, "controls": [{"units": [UNIT], "bleed": "conductivity"}]}
    fault = {"unit": UNIT, "kind": "bleed-set-too-high", "start": "-8h", "severity": 0.25}
    good, bad = measured(base), measured({**base, "faults": [fault]})
    assert last(bad, "conductivity") == pytest.approx(1.5 * last(good, "conductivity"), rel=0.08)
    assert last(bad, "bleed_flow", 4.0) >= 0.0


def test_fouled_probe_reads_low_and_slowly(measured: Measured) -> None:
    """On a bleed that takes no notice of it; 70 % at full severity."""
    base = {**WET, "controls": [{"units": [UNIT], "bleed": "with-pump"}]}
    fault = {"unit": UNIT, "kind": "probe-fouled", "start": "-8h", "severity": 0.5}
    good, bad = measured(base), measured({**base, "faults": [fault]})
    assert last(bad, "conductivity") == pytest.approx(0.65 * last(good, "conductivity"), rel=0.06)
    assert last(bad, "makeup_flow") == pytest.approx(last(good, "makeup_flow"), rel=0.03)


def test_open_probe_reads_next_to_nothing_and_holds_its_bleed_shut(measured: Measured) -> None:
    base = {**WET, "controls": [{"units": [UNIT], "bleed": "conductivity"}]}
    good = measured(base)
    bad = measured({**base, "faults": [{"unit": UNIT, "kind": "probe-open", "start": "-8h"}]})
    assert last(bad, "conductivity") < 0.05 * last(good, "conductivity")
    assert last(bad, "bleed_flow") == 0.0


def test_fan_fault_sets_its_bit_and_clears_the_proof(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="fan-fault", fans=[2])
    assert last(bad, "fan_fault") == 2
    assert last(good, "fan_fault") == 0
    assert last(bad, "fan_run") == last(good, "fan_run") - 2
    assert last(bad, "fan_speed") >= last(good, "fan_speed")


def test_fan_not_proven_has_no_fault_bit(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="fan-not-proven", fans=[1])
    assert last(bad, "fan_fault") == 0
    assert last(bad, "fan_run") == last(good, "fan_run") - 1
    assert last(bad, "fan_speed") > 20


def test_fan_that_runs_on_is_proven_without_command(measured: Measured) -> None:
    off = {"events": [{"unit": UNIT, "kind": "week-off", "start": "-30d"}]}
    bad = measured({**off, "faults": [
        {"unit": UNIT, "kind": "fan-runs-on", "start": "-8h", "fans": [3]}]})  # fmt: skip
    assert last(bad, "fan_speed") == 0.0
    assert last(bad, "fan_run") == 4
    assert last(measured(off), "fan_run") == 0


def test_slipping_fans_are_proven_and_move_no_air(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="fan-slipping", fans=[1, 2, 3, 4])
    assert last(bad, "fan_run") == last(good, "fan_run")
    assert last(bad, "fan_fault") == 0
    assert last(bad, "fan_speed") >= last(good, "fan_speed")
    assert last(bad, "head_pressure") > 1.05 * last(good, "head_pressure")


def test_clogged_pads_drop_more_pressure_and_pass_less_air(measured: Measured) -> None:
    """Six times the resistance at 35 % of the whole: 0.60 of the air at one speed."""
    good, bad = with_fault(measured, kind="pads-clogged")
    assert last(bad, "fan_speed") >= last(good, "fan_speed")
    assert last(bad, "head_pressure") > 1.05 * last(good, "head_pressure")
    drop = {}
    for name, run in (("good", good), ("bad", bad)):
        drop[name] = last(run, "pad_pressure_drop") / (last(run, "fan_speed") / 100) ** 1.8
    assert drop["bad"] / drop["good"] == pytest.approx(6 * 0.603**1.8, rel=0.1)


@pytest.mark.parametrize("kind", ["warm-water-left", "basin-left-full", "frost-water-left"])
def test_an_idle_basin_that_is_not_drained_stays_full(measured: Measured, kind: str) -> None:
    dry = {
        "events": [{"unit": "*", "kind": "dry-days", "start": "-30d"}],
        "controls": [{"units": [UNIT], "idle_drain": "3h"}],
    }
    assert last(measured(dry), "basin_level") < 5
    bad = measured({**dry, "faults": [{"unit": UNIT, "kind": kind, "start": "-11h"}]})
    assert last(bad, "basin_level") > 150


def test_a_basin_is_drained_for_frost_and_water_left_in_it_freezes(measured: Measured) -> None:
    cold = {
        "climates": {"quay-cold-store": {"mean_degc": -8.0, "season_k": 0.0}},
        "controls": [{"units": [UNIT], "frost_drain": True}],
    }
    assert last(measured(cold), "basin_level") < 5
    bad = measured({**cold, "faults": [
        {"unit": UNIT, "kind": "frost-water-left", "start": "-30d"}]})  # fmt: skip
    assert last(bad, "basin_level") > 150
    assert last(bad, "basin_temperature") == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize("kind", ["coil-fouled", "non-condensables"])
def test_heat_rejection_faults_raise_pressure_or_fan_speed(measured: Measured, kind: str) -> None:
    """While fan speed compensates, head pressure hardly moves; at full speed it must rise."""
    good, bad = with_fault(measured, kind=kind)
    assert last(bad, "fan_speed") > 99
    assert last(bad, "head_pressure") > 1.08 * last(good, "head_pressure")


def test_pads_not_wetting_lose_the_cooling_of_the_air(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="pads-not-wetting")
    assert last(bad, "head_pressure") > 1.05 * last(good, "head_pressure")
    assert last(bad, "spray_flow") == pytest.approx(last(good, "spray_flow"), rel=0.02)


def test_stale_unit_says_nothing_more(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="unit-stale")
    silent = bad["time_ms"][bad["key"] == UNIT].max()
    assert silent < bad["time_ms"].max() - 7.9 * 3.6e6
    assert (good["key"] == UNIT).sum() > (bad["key"] == UNIT).sum()


def test_cut_off_site_loses_what_it_does_not_keep(measured: Measured) -> None:
    fault = {"site": "quay-cold-store", "kind": "site-cut-off", "start": "-8h", "end": "-4h"}
    lossy = measured({**WET, "faults": [fault]})
    keeping = measured({**WET, "faults": [{**fault, "keeps_backlog": True}]})
    gap = [(np.diff(r["time_ms"][r["key"] == UNIT]) / 3.6e6).max() for r in (lossy, keeping)]
    assert gap[0] == pytest.approx(4.0, abs=0.1)
    assert gap[1] < 0.1


def test_out_of_range_sensor_reads_the_impossible(measured: Measured) -> None:
    _, bad = with_fault(measured, kind="sensor-out-of-range", signal="conductivity", value=-12.0)
    assert last(bad, "conductivity") == -12.0


def test_wrong_clock_runs_ahead(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="clock-wrong", value=1800.0)
    ahead = bad["time_ms"][bad["key"] == UNIT].max() - good["time_ms"][good["key"] == UNIT].max()
    assert ahead == 1_800_000


def test_a_stranger_speaks_only_while_it_lasts(measured: Measured) -> None:
    good, bad = with_fault(measured, kind="unit-unregistered", end="-4h")
    count = [(r["key"] == UNIT).sum() for r in (good, bad)]
    assert count[1] / count[0] == pytest.approx(4 / 12, abs=0.02)


# ---- Healthy events ------------------------------------------------------------------------------


def event(measured: Measured, **entry: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    entry = {"unit": UNIT, "start": "-8h", **entry}
    if "site" in entry:
        del entry["unit"]
    return measured(WET), measured({"events": [*WET["events"], entry]})


def test_voltage_sag_shows_in_voltage(measured: Measured) -> None:
    good, bad = event(measured, kind="voltage-sag", severity=0.5)
    assert last(bad, "supply_voltage") == pytest.approx(
        0.9 * last(good, "supply_voltage"), rel=0.01
    )
    assert last(bad, "spray_flow") == pytest.approx(last(good, "spray_flow"), rel=0.02)


def test_hot_spell_is_hot_and_dry(measured: Measured) -> None:
    good, bad = event(measured, kind="hot-spell", site="quay-cold-store")
    warmer = last(bad, "ambient_temperature") - last(good, "ambient_temperature")
    assert warmer == pytest.approx(10.0, abs=0.2)
    assert last(bad, "relative_humidity") < last(good, "relative_humidity")


def test_drained_basin_is_empty_and_pump_not_commanded(measured: Measured) -> None:
    _, bad = event(measured, kind="drained")
    assert last(bad, "basin_level") == 0.0
    assert last(bad, "pump_command") == 0.0


def test_week_off_publishes_but_runs_nothing(measured: Measured) -> None:
    _, bad = event(measured, kind="week-off")
    assert last(bad, "fan_speed") == 0.0
    assert last(bad, "fan_run") == 0.0
    assert last(bad, "pump_command") == 0.0
    assert last(bad, "heat_load") == 0.0


def test_mode_flips_switch_wet_mode_every_half_period(measured: Measured) -> None:
    run = measured({"events": [
        {"unit": UNIT, "kind": "mode-flips", "value": 3600, "start": "-10h", "end": "-2h"}
    ]})  # fmt: skip
    mine = run["key"] == UNIT
    wet = run["values"][mine, INDEX["wet_mode"]]
    inside = run["time_ms"][mine] < run["time_ms"].max() - 2.1 * 3.6e6
    inside &= run["time_ms"][mine] > run["time_ms"].max() - 9.9 * 3.6e6
    assert np.nansum(np.abs(np.diff(wet[inside]))) == 15


def test_technician_isolates_empties_and_refills(measured: Measured) -> None:
    run = measured({"events": [*WET["events"],
        {"unit": UNIT, "kind": "technician", "start": "-8h", "end": "-4h"}]})  # fmt: skip
    mine = run["key"] == UNIT
    hours = (run["time_ms"][mine] - run["time_ms"].max()) / 3.6e6
    during = (hours > -7.5) & (hours < -5.5)
    values = run["values"][mine]
    assert np.nanmax(values[during, INDEX["pump_current"]]) == 0.0
    assert np.nanmedian(values[during, INDEX["basin_level"]]) < 5
    assert last(run, "basin_level") > 120
    assert last(run, "pump_current") > 0.5


def test_dropout_loses_its_share_of_messages(measured: Measured) -> None:
    good, bad = event(measured, kind="sensor-dropout", severity=0.5)
    late = good["time_ms"].max() - 8 * 3.6e6
    kept = [((r["key"] == UNIT) & (r["time_ms"] > late)).sum() for r in (good, bad)]
    assert kept[1] / kept[0] == pytest.approx(0.5, abs=0.08)  # binomial, 480 messages: 3.5 sigma


def test_signal_dropout_blanks_one_signal(measured: Measured) -> None:
    _, bad = event(measured, kind="signal-dropout", signal="basin_level")
    late = bad["time_ms"] > bad["time_ms"].max() - 7.9 * 3.6e6
    mine = late & (bad["key"] == UNIT)
    assert np.isnan(bad["values"][mine, INDEX["basin_level"]]).all()
    assert np.isfinite(bad["values"][mine, INDEX["pump_current"]]).mean() > 0.99


def test_every_kind_has_a_test_of_its_own() -> None:
    text = Path(__file__).read_text(encoding="utf-8")
    assert [k for k in KINDS if f'"{k}"' not in text] == []


# ---- Scenario files ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        ({"unit": UNIT, "kind": "gremlins", "start": "now"}, "kind 'gremlins' is unknown.*use one"),
        ({"unit": "x/y", "kind": "pump-trip", "start": "now"}, "'x/y' matches no unit"),
        ({"unit": UNIT, "kind": "pump-trip", "start": "soon"}, "start = 'soon' is not a time"),
        ({"unit": UNIT, "kind": "pump-trip"}, "start = None is not a time"),
        ({"unit": UNIT, "kind": "pump-trip", "start": "now", "severity": 4}, "number from 0 to 1"),
        ({"unit": UNIT, "kind": "pump-trip", "start": "now", "sevrity": 1}, "unknown key sevrity"),
        ({"unit": UNIT, "kind": "fan-fault", "start": "now", "fans": [99]}, "fan numbers from 1"),
        ({"unit": UNIT, "kind": "site-cut-off", "start": "now"}, "whole site"),
        ({"unit": UNIT, "kind": "sensor-frozen", "start": "now"}, "needs signal"),
        ({"kind": "pump-trip", "start": "now"}, "name either unit"),
        ({"unit": UNIT, "kind": "pump-trip", "start": "now", "ramp": "x"}, "not a length of time"),
    ],
)
def test_a_bad_entry_says_where_and_what(
    small_fleet: Path, entry: dict[str, Any], says: str
) -> None:
    with pytest.raises(FleetError, match=rf"^faults entry 1: .*{says}"):
        read_scenario({"faults": [entry]}, read_fleet(small_fleet))


def test_times_count_back_from_now_and_forward_from_live_running(small_fleet: Path) -> None:
    faults = [
        {"unit": UNIT, "kind": "pump-trip", "start": "-2d", "end": "+10m"},
        {"unit": UNIT, "kind": "leak-by", "start": "+40s"},
        {"unit": UNIT, "kind": "pump-overload", "start": "2026-01-01T00:00:00Z"},
    ]
    scenario = read_scenario({"faults": faults}, read_fleet(small_fleet))
    before = scenario.entries(1_000_000.0, None)
    assert [e.start_s for e in before] == [1_000_000.0 - 172_800.0, 1_767_225_600.0]
    assert before[0].end_s == np.inf
    after = scenario.entries(1_000_000.0, 1_000_500.0)
    assert [e.start_s for e in after[:2]] == [1_000_000.0 - 172_800.0, 1_000_540.0]
    assert after[0].end_s == 1_001_100.0


def test_spans() -> None:
    assert parse_span_s("90s") == 90
    assert parse_span_s("1.5h") == 5400
    assert parse_span_s("3w") == 3 * 604_800
    with pytest.raises(FleetError, match="36h"):
        parse_span_s("-3d")
