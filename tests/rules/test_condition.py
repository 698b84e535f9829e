"""Condition of parts by day: from rings and baselines set by hand, and from a real feed."""

from __future__ import annotations

import dataclasses
import io
import math

import numpy as np
import pytest
from lives import Life
from support.cleaned_unit import days_of
from support.fleet import T0_MS, Feed, engine_of, rows_of, site, unit_data

from rules.alarms import HELD
from rules.bin_times import bin_end_ms
from rules.condition import PARTS, PartCondition
from rules.condition.day import DAY_BINS, turn_days
from rules.condition.figures import VAGUE_SD_PCT, condition_in_words
from rules.engine import Engine
from rules.events import AlarmState, Severity
from rules.faults.registry import FAULT_INDEX, RULES, SLUGS
from rules.heat import rated_ntu
from rules.plan import FleetPlan
from rules.state import ADDED_LATER, STEADY, STEADY_BINS, FleetState

Q = {q.name: i for i, q in enumerate(STEADY)}
DAY = 20_000


class Bench:
    """Units whose rings and baselines are set by hand, asked for the figures of one day."""

    def __init__(self, units: int = 1, **settings) -> None:
        sites = [site("north-hall", [unit_data(f"u{i}") for i in range(units)])]
        self.plan = FleetPlan.build(sites, rows_of(sites), settings)
        self.state = FleetState.empty(units, len(RULES))
        self.rows = np.arange(units)
        self.state.figure_day[:] = DAY
        self.state.heat_load_seen[:] = True

    def seen(self, quantity, ratio, *, base=60.0, n=48, spread=0.01, row=0, before=0) -> None:
        """``before`` means of an earlier day at the baseline, then ``n`` of today at ``ratio``."""
        q, state = Q[quantity], self.state
        values = [base] * before + [base * ratio] * n
        for i, value in enumerate(values):
            state.steady[row, q, i % STEADY_BINS] = value
        state.steady_count[row, q] = len(values)
        state.figure_mark[row, q] = before
        state.baseline[row, q] = base
        state.baseline_spread[row, q] = spread * base
        state.baseline_count[row, q] = 72
        state.baseline_ms[row, q] = T0_MS

    def figures(self) -> dict[tuple[int, str], PartCondition]:
        """The figures when the next day begins."""
        first = (DAY + 1) * DAY_BINS - self.plan.day_phase_bins[self.rows]
        return {(f.unit_row, f.part): f for f in turn_days(self.plan, self.state, self.rows, first)}

    def figure(self, part: str, row: int = 0) -> PartCondition:
        return self.figures()[row, part]


# ---------------------------------------------------------------- pump screen, distribution


@pytest.mark.parametrize(("flow", "condition"), [(1.0, 100.0), (0.90, 56.5), (0.77, 0.0)])
def test_a_screen_is_judged_by_the_pressure_behind_it(flow, condition):
    """Orifice law (Crane TP-410, from memory): pressure goes with the square of the flow, and 23 %
    less flow is where a visit this week is called for."""
    bench = Bench()
    bench.seen("spray_pressure", flow**2)
    found = bench.figure("pump-screen")
    assert found.condition_pct == pytest.approx(condition, abs=1.0)
    assert found.basis == "spray pressure"
    assert 2.0 < found.uncertainty_pct < 20.0


def test_a_limit_of_the_site_moves_the_zero():
    bench = Bench(**{"pump-screen-clogging": {"flow_loss_medium_pct": 40.0}})
    bench.seen("spray_pressure", 0.81)
    assert bench.figure("pump-screen").condition_pct == pytest.approx(75.0, abs=1.0)


def test_blocked_holes_are_told_from_a_screen_by_the_pressure():
    """Less through the meter at a pressure that rose: the holes, and not the screen."""
    bench = Bench()
    bench.seen("spray_pressure", 1.10)
    bench.seen("spray_flow", 0.90, base=200.0)
    found = bench.figures()
    assert found[0, "pump-screen"].condition_pct == 100.0
    # Open area 0.90 / sqrt(1.10) = 0.858 of the clean one: 14.2 of 23 % lost.
    assert found[0, "distribution"].condition_pct == pytest.approx(38.3, abs=1.5)


def test_without_a_pressure_the_holes_are_not_known_and_the_screen_says_so():
    bench = Bench()
    bench.seen("pump_current", 0.97, base=3.6)
    found = bench.figures()
    assert found[0, "distribution"].condition_pct is None
    assert "cannot be told from the screen" in found[0, "distribution"].said
    screen = found[0, "pump-screen"]
    assert screen.basis == "pump current"
    assert "Blocked holes would look the same" in screen.said
    bench.seen("spray_pressure", 0.9)
    with_pressure = Bench()
    with_pressure.seen("spray_pressure", 0.9)
    assert screen.uncertainty_pct > 2.0 * with_pressure.figure("pump-screen").uncertainty_pct


def test_a_line_that_is_open_behind_the_gauge_is_no_dirty_screen():
    bench = Bench()
    bench.seen("spray_pressure", 0.7)
    bench.seen("pump_current", 1.1, base=3.6)
    found = bench.figure("pump-screen")
    assert found.condition_pct is None
    assert "open behind the gauge" in found.said


# ---------------------------------------------------------------- unknown is unknown


def test_what_was_never_seen_is_not_known_for_any_part():
    for part in PARTS:
        found = Bench().figure(part)
        assert (found.condition_pct, found.uncertainty_pct, found.raw_pct) == (None, None, None)
        assert found.basis == ""
        assert len(found.said) > 40


def test_a_day_without_running_has_no_figure_of_the_days_before():
    """The ring still holds yesterday's means; today brought eleven, an hour is wanted."""
    bench = Bench()
    bench.seen("spray_pressure", 0.5, before=40, n=11)
    found = bench.figure("pump-screen")
    assert found.condition_pct is None
    assert "less than an hour" in found.said


def test_means_of_the_days_before_do_not_count_for_today():
    bench = Bench()
    bench.seen("spray_pressure", 0.81, before=50, n=20)
    found = bench.figure("pump-screen")
    assert found.count == 20
    assert found.condition_pct == pytest.approx(56.5, abs=1.0)


def test_before_a_baseline_is_learned_nothing_is_known():
    bench = Bench()
    bench.seen("spray_pressure", 0.81)
    bench.state.baseline[:] = np.nan
    assert "has not been learned" in bench.figure("pump-screen").said


@pytest.mark.parametrize(
    ("fault", "part"),
    [("pump-drawing-air", "pump-screen"), ("fan-fault", "coil"), ("fan-not-proven", "pads")],
)
def test_a_fault_that_looks_like_dirt_makes_it_unknown(fault, part):
    bench = Bench()
    bench.seen("spray_pressure", 0.81)
    bench.seen("td_dry", 1.2, base=10.0, n=12)
    bench.seen("pad_pressure_drop", 1.2, base=25.0, n=12)
    assert bench.figure(part).condition_pct is not None
    bench.state.figure_day[:] = DAY
    bench.state.figure_mark[:] = 0
    bench.state.alarm_state[0, FAULT_INDEX[fault]] = 1
    assert bench.figure(part).condition_pct is None


@pytest.mark.parametrize("state", HELD)
def test_an_alarm_that_is_held_spoils_the_day_as_one_that_stands(state):
    """Whoever shelves an alarm does not bring the fan back."""
    bench = Bench()
    bench.seen("td_dry", 1.2, base=10.0, n=12)
    bench.state.alarm_state[0, FAULT_INDEX["fan-not-proven"]] = state
    found = bench.figure("coil")
    assert found.condition_pct is None
    assert "shelved, suppressed or out of service" in found.said


@pytest.mark.parametrize(("severity", "known"), [(Severity.LOW, True), (Severity.MEDIUM, False)])
def test_an_early_sign_of_a_float_spoils_no_readings_of_pads(severity, known):
    """A float that fills slower than usual, low, leaves the pump its water; one that is shut does
    not."""
    bench = Bench()
    bench.seen("pad_pressure_drop", 1.2, base=25.0, n=12)
    bench.state.alarm_state[0, FAULT_INDEX["float-stuck-shut"]] = AlarmState.UNACKNOWLEDGED
    bench.state.alarm_severity[0, FAULT_INDEX["float-stuck-shut"]] = severity
    assert (bench.figure("pads").condition_pct is not None) is known


# ---------------------------------------------------------------- coil, pads


def ua_ratio_for(loss: float, ntu: float, air: float = 0.7) -> float:
    """TD over the clean one after a loss of UA, by effectiveness and NTU (Kays and London)."""
    n = ntu * air ** (0.5 - 1.0)
    return (1.0 - math.exp(-n)) / (1.0 - math.exp(-n * (1.0 - loss)))


@pytest.mark.parametrize("loss", [0.0, 0.15, 0.30])
def test_a_coil_is_judged_by_its_loss_of_heat_transfer_in_dry_running(loss):
    """30 % of the UA lost is where a visit this week is called for."""
    bench = Bench()
    ntu = float(rated_ntu(bench.plan, bench.rows)[0])
    bench.seen("td_dry", ua_ratio_for(loss, ntu), base=10.0, n=12, spread=0.03)
    bench.seen("td_wet", 1.4, base=10.0, n=12)
    found = bench.figure("coil")
    assert found.basis == "dry running"
    assert found.raw_pct == pytest.approx(100.0 * (1.0 - loss / 0.30), abs=2.5)


def test_a_day_of_wet_running_is_not_said_to_be_a_day_of_little_running():
    """It ran wet all day and dry a few days ago: what is lacking is dry running, and it says so."""
    bench = Bench()
    bench.seen("td_dry", 1.0, base=10.0, n=2, before=10)
    bench.seen("td_wet", 1.1, base=10.0, n=12)
    bench.state.dry_seen_bin[:] = DAY * DAY_BINS - bench.plan.day_phase_bins
    found = bench.figure("coil")
    assert found.condition_pct is None
    assert "dry for less than three hours" in found.said
    assert "in one mode" not in found.said
    assert "rejected heat for less" in Bench().figure("coil").said


def test_a_coil_far_past_its_limit_is_said_so_without_a_give():
    """57 % of the UA lost where 30 % is the limit: '0 % ±1' would say how sure a cut figure is."""
    bench = Bench()
    ntu = float(rated_ntu(bench.plan, bench.rows)[0])
    bench.seen("td_dry", ua_ratio_for(0.57, ntu), base=10.0, n=12)
    found = bench.figure("coil")
    assert condition_in_words(found.raw_pct, found.uncertainty_pct) == "0 %, far past its limit"
    assert found.said.startswith("It has lost 57 %")
    for alike in ("Non-condensable gas", "blown-off air drawn in again"):
        assert alike in found.said
    near = Bench()
    near.seen("td_dry", ua_ratio_for(0.31, ntu), base=10.0, n=12)
    close = near.figure("coil")
    assert condition_in_words(close.raw_pct, close.uncertainty_pct).startswith("0 % ±")


def test_a_figure_that_may_be_off_by_half_the_scale_is_not_told_as_one():
    assert condition_in_words(100.0, VAGUE_SD_PCT) == "not sure, ±50"
    assert condition_in_words(100.0, VAGUE_SD_PCT - 1.0) == "100 % ±49"


def test_means_of_three_hours_are_called_so():
    """Where no load is sent a mean spans three hours, so three of them are nine."""
    known, unknown = Bench(), Bench()
    unknown.state.heat_load_seen[:] = False
    for bench, hours in ((known, "of 1 h"), (unknown, "of 3 h")):
        bench.seen("td_dry", 1.1, base=10.0, n=8)
        (reading,) = bench.figure("coil").readings
        assert f"median of 8 means {hours}" in reading.note
    unknown = Bench()
    unknown.state.heat_load_seen[:] = False
    unknown.seen("td_dry", 1.1, base=10.0, n=2)
    found = unknown.figures()
    for part in ("coil", "pads"):
        assert "less than nine hours" in found[0, part].said


def test_wet_running_alone_says_what_it_cannot_tell():
    bench = Bench()
    bench.seen("td_wet", 1.1, base=10.0, n=12)
    found = bench.figure("coil")
    assert found.basis == "wet running alone"
    for alike in ("Pads that cool less", "non-condensable gas", "blown-off air drawn in again"):
        assert alike in found.said


def test_a_load_that_is_not_sent_widens_the_uncertainty_and_is_said():
    known, unknown = Bench(), Bench()
    unknown.state.heat_load_seen[:] = False
    for bench in (known, unknown):
        bench.seen("td_dry", 1.1, base=10.0, n=12, spread=0.03)
    a, b = known.figure("coil"), unknown.figure("coil")
    assert b.uncertainty_pct > 1.3 * a.uncertainty_pct
    assert "more load would look the same" in b.said


@pytest.mark.parametrize(("ratio", "condition"), [(1.0, 100.0), (1.35, 50.0), (1.70, 0.0)])
def test_pads_are_judged_by_the_air_that_they_hold_back(ratio, condition):
    bench = Bench()
    bench.seen("pad_pressure_drop", ratio, base=25.0, n=12, spread=0.02)
    found = bench.figure("pads")
    assert found.condition_pct == pytest.approx(condition, abs=1.0)
    assert found.readings[0].expected == 25.0


def test_pads_that_lost_their_effect_are_seen_by_both_modes():
    """Clean the pads bring 0.8 of 10 K. Wet it now condenses 4.4 K higher: 55 % of that is gone."""
    bench = Bench()
    bench.seen("td_dry", 1.0, base=12.0, n=12)
    bench.seen("td_wet", 1.0, base=12.0, n=12)
    bench.state.wet_depression_k[:] = 10.0
    bench.state.wet_td_k[:] = 16.4
    bench.state.dry_seen_bin[:] = DAY * DAY_BINS + 200 - bench.plan.day_phase_bins
    found = bench.figure("pads")
    assert found.basis == "dry and wet running together"
    assert found.condition_pct == pytest.approx(0.0, abs=2.0)


# ---------------------------------------------------------------- float, bleed, basin


def test_a_float_that_passes_an_eighth_of_its_flow_is_half_worn():
    bench = Bench()
    bench.state.water_looks[0, 0, :4] = 0.125
    bench.state.value_ms[:] = T0_MS
    found = bench.figure("float")
    assert found.condition_pct == pytest.approx(50.0, abs=0.5)
    assert found.basis == "make-up meter"


@pytest.mark.parametrize("fault", ["level-frozen", "float-stuck-shut", "float-stuck-open"])
def test_a_float_that_sticks_is_not_in_order_because_nothing_passes_it(fault):
    """A level that no longer moves rises by nothing, and a valve that is stuck shut lets nothing
    through: neither says that the valve would shut, and open, with the water."""
    bench = Bench()
    bench.state.water_looks[0, 0, :4] = 0.0
    assert bench.figure("float").condition_pct == 100.0
    bench.state.figure_day[:] = DAY
    bench.state.water_looks[0, 0, :4] = 0.0
    bench.state.alarm_state[0, FAULT_INDEX[fault]] = AlarmState.ACKNOWLEDGED
    found = bench.figure("float")
    assert found.condition_pct is None
    assert "sticks" in found.said


def test_a_float_that_is_stuck_open_keeps_what_the_meter_saw():
    bench = Bench()
    bench.state.water_looks[0, 0, :4] = 0.6
    bench.state.value_ms[:] = T0_MS
    bench.state.alarm_state[0, FAULT_INDEX["float-stuck-open"]] = AlarmState.UNACKNOWLEDGED
    assert bench.figure("float").condition_pct == 0.0


def test_a_bleed_is_judged_by_the_water_it_leaves():
    """Half way from 1.2 of the intended 900 µS/cm to the limit of 1500."""
    bench = Bench()
    bench.state.water_looks[0, 1, :6] = (1080.0 + 1500.0) / 2.0 / 1500.0
    found = bench.figure("bleed")
    assert found.condition_pct == pytest.approx(50.0, abs=0.5)
    bench = Bench()
    bench.state.water_looks[0, 1, :6] = 400.0 / 1500.0
    assert "thinner than intended" in bench.figure("bleed").said


def test_a_basin_with_three_quarters_of_its_water_is_half_full_of_silt():
    bench = Bench()
    bench.state.water_looks[0, 2, :3] = 0.75
    found = bench.figure("basin")
    assert found.condition_pct == pytest.approx(50.0, abs=0.5)
    assert found.uncertainty_pct > 20.0


# ---------------------------------------------------------------- as a whole


def test_units_do_not_touch_each_other():
    """Three units asked together say what each says alone."""
    together = Bench(3)
    for row, ratio in enumerate((0.95, 0.8, 0.7)):
        together.seen("spray_pressure", ratio, row=row)
    found = together.figures()
    for row, ratio in enumerate((0.95, 0.8, 0.7)):
        alone = Bench(3)
        alone.seen("spray_pressure", ratio, row=row)
        assert alone.figures()[row, "pump-screen"] == found[row, "pump-screen"]


def test_every_value_explains_itself():
    bench = Bench()
    bench.seen("spray_pressure", 0.81)
    found = bench.figure("pump-screen")
    for word in ("10 % of the clean flow", "it is due at 23 %"):
        assert word in found.said
    assert (found.basis, found.count) == ("spray pressure", 48)
    assert found.baseline_ms > 0
    assert found.since_ms < found.time_ms
    (reading,) = found.readings
    assert (reading.measured, reading.expected) == (pytest.approx(48.6, abs=0.05), 60.0)


Frames = tuple[np.ndarray, np.ndarray]


def figures_of(engine: Engine, frames: Frames, cut: int = 1) -> list[PartCondition]:
    """What a unit's frames say, given in batches of ``cut``."""
    figures: list[PartCondition] = []
    for i in range(0, len(frames[0]), cut):
        times, values = (part[i : i + cut] for part in frames)
        result = engine.samples(int(times[-1]), np.zeros(len(times), np.int32), times, values)
        figures += result.conditions
    return figures


@dataclasses.dataclass(frozen=True)
class Lived:
    """More than two days of a unit that runs, in two parts."""

    first: Frames
    then: Frames
    figures: list[PartCondition]
    """Of the first part."""
    figures_then: list[PartCondition]
    between: bytes
    """A snapshot between them."""


@pytest.fixture(scope="module")
def lived() -> Lived:
    life, engine = Life(), engine_of()
    life.run(2.2 * 86_400.0, 300.0)
    times, values = np.array(life.times_ms, np.int64), np.array(life.frames)
    half = len(times) // 2
    first, then = (times[:half], values[:half]), (times[half:], values[half:])
    figures = figures_of(engine, first)
    between = engine.snapshot()
    return Lived(first, then, figures, figures_of(engine, then), between)


def test_a_running_unit_gives_each_part_one_figure_a_day_however_it_is_cut(lived):
    one = lived.figures + lived.figures_then
    whole = tuple(np.concatenate(parts) for parts in zip(lived.first, lived.then, strict=True))
    assert one == figures_of(engine_of(), whole, 37)
    screens = [f for f in one if f.part == "pump-screen"]
    assert len(screens) in (2, 3)
    assert len(one) == len(PARTS) * len(screens)
    gaps = np.diff([f.time_ms for f in screens])
    assert (gaps == 86_400_000).all()
    assert screens[-1].condition_pct == pytest.approx(100.0, abs=5.0)


def test_a_replay_from_a_snapshot_gives_the_same_figures(lived):
    other = engine_of()
    other.restore(lived.between)
    assert lived.figures_then
    assert figures_of(other, lived.then) == lived.figures_then


def test_a_snapshot_of_an_earlier_version_is_taken():
    """Without the columns of the condition: they start empty, all else goes on."""
    engine = engine_of()
    Feed(engine).run(3600.0, 300.0)
    with np.load(io.BytesIO(engine.state.to_bytes(SLUGS, {"a": 1}))) as arrays:
        old = {name: arrays[name] for name in arrays if name not in ADDED_LATER}
    out = io.BytesIO()
    np.savez(out, **old)
    state, extra = FleetState.from_bytes(out.getvalue(), 1, SLUGS)
    assert extra == {"a": 1}
    assert state.figure_day[0] == 0
    assert np.isnan(state.water_looks).all()
    assert state.bin_id[0] == engine.state.bin_id[0]


def test_days_of_a_fleet_end_at_different_hours():
    """Of 480 units about 20 end their day in each hour of the day."""
    sites = [site(f"s{k}", [unit_data(f"u{i}") for i in range(20)]) for k in range(24)]
    plan = FleetPlan.build(sites, rows_of(sites), {})
    _, count = np.unique(plan.day_phase_bins, return_counts=True)
    assert len(count) == 24
    assert count.max() <= 40
    rows = np.arange(480)
    first = (DAY + 1) * DAY_BINS - plan.day_phase_bins[rows]
    assert len(np.unique(bin_end_ms(plan, rows, first))) > 200


def test_another_weather_is_no_dirt_and_dirt_is_seen_in_any_weather():
    """A small plant of its own (``support.cleaned_unit``): three clean days teach the baselines;
    then seven kelvin warmer, clean; or the coil's difference an eighth up, and a tenth less water
    through the screen. Two units side by side."""
    engine = engine_of(site(units=[unit_data("warm"), unit_data("worn")]))
    later: list[dict[str, float]] = [{"warmer_k": 7.0}, {"coil": 1.12, "flow": 0.9}]
    lives = []
    for seed, wear in enumerate(later, start=1):
        clean = days_of(T0_MS, 3.2, seed=0)
        then = days_of(T0_MS + 4 * 86_400_000, 2.2, seed=seed, **wear)
        times, values = (np.concatenate(part) for part in zip(clean, then, strict=True))
        lives.append(values)
    rows = np.tile(np.arange(2, dtype=np.int32), len(times))
    frames = np.stack(lives, axis=1).reshape(len(rows), -1)
    figures = engine.samples(0, rows, np.repeat(times, 2), frames).conditions
    of_unit = ([f for f in figures if f.unit_row == row] for row in range(2))
    warm, worn = ({f.part: f for f in figures[-len(PARTS) :]} for figures in of_unit)
    for part in ("pump-screen", "distribution", "coil", "pads"):
        one = warm[part]
        assert one.raw_pct == pytest.approx(100.0, abs=max(2.5 * one.uncertainty_pct, 12.0)), part
    # By effectiveness and NTU an eighth more difference is a sixth of the UA or more; 0 % is 30 %.
    assert warm["coil"].raw_pct - worn["coil"].raw_pct > 35.0
    # A tenth of the flow, of 23 %.
    assert worn["pump-screen"].raw_pct == pytest.approx(56.5, abs=6.0)
    assert worn["distribution"].raw_pct == pytest.approx(
        100.0, abs=2.5 * worn["distribution"].uncertainty_pct
    )
