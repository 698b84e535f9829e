"""Coil of units that send no load: means are held against clean ones of the same hours only.

A store rejects half as much at night as by day. Whether its nights are seen at all is a matter of
the fans: those of the clean unit rest at their lowest speed, those of the fouled one run above it.
"""

from __future__ import annotations

import numpy as np
import pytest
from heat_fleet import played
from numpy.typing import NDArray
from support.fleet import engine_of, site, unit_data

from rules.bins import BinView
from rules.engine import Engine
from rules.events import Severity
from rules.faults.coil_fouled import judge as judge_coil
from rules.faults.rejection import heat_readings
from rules.heat_compared import heat_rejection
from rules.heat_hours import (
    TURN_BINS,
    TURNS_A_DAY,
    ages_bins,
    learn_hours,
    mind_turn,
    of_learned_hours,
    upper_quartile,
)
from rules.look import UnitLook
from rules.state import BIN_MS, STEADY, STEADY_BINS

Q = {q.name: i for i, q in enumerate(STEADY)}
DRY, WET = Q["td_dry"], Q["td_wet"]
CALM = np.zeros(1, dtype=np.int8)
DAYS = 7
DAY = (0, 1, 2, 3)
"""Turns of the day in which the load is large."""
NIGHT = (4, 5, 6, 7)
LAST = 50_000 * TURNS_A_DAY
"""A turn that begins a day."""


def fill(engine: Engine, mode: int, means: dict[int, float]) -> None:
    """Put means, by turn, into the ring of a mode."""
    state, q, row = engine.state, (DRY, WET)[mode], np.array([0])
    phase = engine.plan.hour_phase_bins[0]
    for turn in sorted(means):
        state.steady[0, q, state.steady_count[0, q] % STEADY_BINS] = means[turn]
        mind_turn(engine.plan, state, row, np.array([turn * TURN_BINS - phase]), mode)
        state.steady_count[0, q] += 1
    newest = max(means) * TURN_BINS
    state.td_last_bin[0, mode] = max(state.td_last_bin[0, mode], newest)
    if mode == 0:
        state.dry_seen_bin[0] = state.td_last_bin[0, 0]


def learned(engine: Engine, mode: int, means: dict[int, float]) -> None:
    """Clean means of a week, and what is learned of them."""
    state, q = engine.state, (DRY, WET)[mode]
    fill(engine, mode, means)
    state.baseline[0, q] = np.median(list(means.values()))
    state.baseline_spread[0, q] = 0.05 * state.baseline[0, q]
    state.baseline_count[0, q] = len(means)
    learn_hours(state, np.array([0]), mode, np.array([len(means)]))


def by_turn(first_day: int, days: int, turns: tuple[int, ...], td_k: float) -> dict[int, float]:
    return {
        LAST + (first_day + d) * TURNS_A_DAY + t: td_k for d in range(days) for t in turns
    }  # fmt: skip


def now(engine: Engine, day: int) -> BinView:
    """The view in which the last mean of a day is told."""
    fresh = np.zeros((1, len(STEADY)), dtype=np.bool_)
    fresh[0, [DRY, WET]] = True
    phase = engine.plan.hour_phase_bins[0]
    bin_id = (LAST + day * TURNS_A_DAY + max(NIGHT) + 1) * TURN_BINS - phase
    end_ms = np.array([(bin_id + 1) * 300_000])
    return BinView(engine.plan, engine.state, np.array([0]), end_ms, np.array([False]), fresh)


def fouled(*, dry: str = "never") -> BinView:
    """Wet by day only when clean; then 1.6 times that by day, and at night half the load of it."""
    engine = engine_of()
    learned(engine, 1, by_turn(0, DAYS, DAY, 6.0))
    later = by_turn(DAYS, 5, DAY, 9.6) | by_turn(DAYS, 5, NIGHT, 5.6)
    if dry != "never":
        learned(engine, 0, by_turn(0, DAYS, NIGHT, 5.0))
    if dry == "since":
        fill(engine, 0, by_turn(DAYS + 3, 1, NIGHT, 5.0))
    fill(engine, 1, later)
    return now(engine, DAYS + 4)


def test_nights_that_the_fault_itself_brings_to_light_do_not_hide_it():
    assert judge_coil(fouled(), CALM)[0] >= Severity.MEDIUM
    # The middle of all means would be half day and half night.
    view = fouled()
    shown = heat_readings(UnitLook(view.plan, view.state, 0, int(view.time_ms[0])), view.heat[1])
    wet = next(r for r in shown if r.quantity == "Condensing above air on coil, wet")
    assert wet.measured == pytest.approx(9.6, rel=0.01)
    view = fouled()
    view.state.td_hours[0] = 0
    assert judge_coil(view, CALM)[0] == 0


@pytest.mark.parametrize(("dry", "severity"), [("before", Severity.MEDIUM), ("since", 0)])
def test_dry_running_of_before_the_change_says_nothing_of_it(dry, severity):
    """As ever five days ago, it is no witness; as ever since, the coil is not the story."""
    assert judge_coil(fouled(dry=dry), CALM)[0] == severity


def test_hours_that_were_dry_in_no_clean_day_do_not_raise_dry_running():
    """A basin that stays empty: the busy hours of the day are dry now, with twice the load."""
    engine = engine_of()
    learned(engine, 0, by_turn(0, DAYS, NIGHT, 5.0))
    fill(engine, 0, by_turn(DAYS, 7, DAY, 10.0) | by_turn(DAYS, 7, NIGHT, 5.0))
    view = now(engine, DAYS + 6)
    bin_id = view.time_ms // BIN_MS - 1
    heat = heat_rejection(engine.plan, engine.state, np.array([0]), bin_id)
    assert float(heat.dry.long[0]) == pytest.approx(1.0)
    assert judge_coil(view, CALM)[0] == 0


def test_a_median_that_falls_between_work_and_rest_is_no_rise():
    """Half of the clean means are of a works at rest, and nearly all of those of another week."""
    engine = engine_of()
    clean = by_turn(0, DAYS, DAY, 2.0) | by_turn(0, 3, DAY, 6.0)
    learned(engine, 1, clean)
    assert engine.state.baseline[0, WET] == pytest.approx(2.0)
    fill(engine, 1, by_turn(DAYS, DAYS, DAY, 6.0))
    view = now(engine, 2 * DAYS - 1)
    assert judge_coil(view, CALM)[0] == 0
    # Half again of the busy hours is more than rest and work explain.
    engine = engine_of()
    learned(engine, 1, clean)
    fill(engine, 1, by_turn(DAYS, DAYS, DAY, 9.6))
    assert judge_coil(now(engine, 2 * DAYS - 1), CALM)[0] >= Severity.MEDIUM


def lately(
    td_k: float, days: int, *, spread: float = 0.05, then_k: float | None = None, then_days: int = 3
) -> BinView:
    """Dry only, all day: two weeks at 5 K, some days at another, and perhaps some days after it."""
    engine = engine_of()
    learned(engine, 0, by_turn(0, DAYS, DAY + NIGHT, 5.0))
    engine.state.baseline_spread[0, DRY] = spread * 5.0
    fill(engine, 0, by_turn(DAYS, DAYS, DAY + NIGHT, 5.0))
    fill(engine, 0, by_turn(2 * DAYS, days, DAY + NIGHT, td_k))
    last = 2 * DAYS + days - 1
    if then_k is not None:
        fill(engine, 0, by_turn(last + 1, then_days, DAY + NIGHT, then_k))
        last += then_days
    return now(engine, last)


def test_three_days_say_enough_of_a_rise_that_is_plain():
    """Half again within three days, where a clean mean scatters by a twentieth. Where it scatters
    by a fifth that is no news before the week's middle says so."""
    assert judge_coil(lately(8.0, 3), CALM)[0] >= Severity.MEDIUM
    assert judge_coil(lately(8.0, 1), CALM)[0] == 0
    assert judge_coil(lately(8.0, 3, spread=0.2), CALM)[0] == 0
    assert judge_coil(lately(8.0, 7, spread=0.1), CALM)[0] >= Severity.MEDIUM


def test_what_the_last_three_days_do_not_show_is_gone():
    standing = np.full(1, Severity.MEDIUM, dtype=np.int8)
    assert judge_coil(lately(8.0, 7), standing)[0] >= Severity.MEDIUM
    assert judge_coil(lately(8.0, 7, then_k=5.5), standing)[0] == 0
    # While they show it still, it stands: of a scatter of a fifth they would not have told it.
    assert judge_coil(lately(7.0, 3, spread=0.15), standing)[0] >= Severity.MEDIUM


def test_nothing_is_told_anew_that_the_newest_means_do_not_show():
    """Mended yesterday, and nobody told of it: the median of days has it still."""
    view = lately(8.0, 7, then_k=5.5, then_days=1)
    assert judge_coil(view, CALM)[0] == 0
    assert judge_coil(view, np.full(1, Severity.MEDIUM, dtype=np.int8))[0] >= Severity.MEDIUM


@pytest.mark.parametrize("share", [1.0, 0.7, 0.55])
def test_two_fifths_more_are_two_fifths_whatever_the_coil(share):
    """More load lifts the TD of a small coil as it does that of a large one."""
    plate = {"condenser": {"refrigerant": "R134a", "rated_capacity_kw": 300 * share,
                           "rated_td_k": 11, "cut_out_kpa_abs": 1800}}  # fmt: skip
    engine = engine_of(site(units=[unit_data("ac-1", **plate)]))
    learned(engine, 0, by_turn(0, DAYS, DAY + NIGHT, 5.0))
    fill(engine, 0, by_turn(DAYS, DAYS, DAY + NIGHT, 7.2))
    assert judge_coil(now(engine, 2 * DAYS - 1), CALM)[0] >= Severity.MEDIUM


@pytest.mark.parametrize(
    ("means", "upper"), [([1, 2, 3, 4], 3), ([5, np.nan, 1], 5), ([7], 7), ([np.nan], np.nan)]
)
def test_the_upper_quartile_leaves_out_what_is_not_known(means, upper):
    found = upper_quartile(np.array([means], dtype=np.float64))[0]
    assert found == upper or (np.isnan(found) and np.isnan(upper))


def turns_learned(turns: list[int]) -> NDArray[np.bool_]:
    engine = engine_of()
    fill(engine, 1, {LAST + i * TURNS_A_DAY + t: 6.0 for i, t in enumerate(turns)})
    state, row = engine.state, np.array([0])
    learn_hours(state, row, 1, np.array([len(turns)]))
    return of_learned_hours(state, row, 1, len(turns))[0][::-1]


def test_one_night_of_weeks_is_no_habit_and_one_of_few_days_is():
    # Of 40 means an even share is 5; a quarter of that is more than one.
    assert turns_learned([0] * 39 + [5]).tolist() == [True] * 39 + [False]
    assert turns_learned([0] * 15 + [5]).all()


def test_the_age_of_a_mean_is_told_across_the_end_of_the_count():
    engine = engine_of()
    last = 65_536 * 12 + 2
    fill(engine, 0, {last - 5: 5.0, last: 5.0})
    bin_id = np.array([(last + 1) * TURN_BINS - engine.plan.hour_phase_bins[0]])
    ages = ages_bins(engine.plan, engine.state, np.array([0]), 0, 2, bin_id)
    assert ages.tolist() == [[0, 5 * TURN_BINS]]


@pytest.mark.parametrize("silent_turns", [200, 255, 256, 300, 1_003])
def test_a_long_silence_leaves_the_hour_of_the_day_true(silent_turns):
    """Of 40 days nobody asks how many they were, but which hour it was."""
    engine = engine_of()
    fill(engine, 0, {LAST + 3: 5.0, LAST + 3 + silent_turns: 5.0})
    state, row = engine.state, np.array([0])
    bin_id = np.array([(LAST + 4 + silent_turns) * TURN_BINS - engine.plan.hour_phase_bins[0]])
    newest, before = ages_bins(engine.plan, state, row, 0, 2, bin_id)[0] // TURN_BINS
    assert newest == 0
    assert (before - silent_turns) % TURNS_A_DAY == 0
    assert before == silent_turns or before > 30 * TURNS_A_DAY


def test_a_unit_that_lives_remembers_when_its_means_were_taken():
    """It runs wet from ten to seven: those are the clean hours of wet running, and no others."""
    lived = played()["by the clock"]
    engine, unit = lived.engine, lived.rows["clean"]
    state, row = engine.state, np.array([unit])
    assert not np.isnan(state.baseline[unit, [DRY, WET]]).any()
    phase = engine.plan.hour_phase_bins[unit]
    now_turn = (state.bin_id[unit] + phase) // TURN_BINS
    for mode in (0, 1):
        newest = ages_bins(engine.plan, state, row, mode, 1, state.bin_id[row])[0, 0]
        told = (state.td_last_bin[unit, mode] + phase) // TURN_BINS
        assert newest == (now_turn - told) * TURN_BINS
    dry, wet = (int(m) for m in state.td_hours[unit])
    begins = {t: ((t * TURN_BINS - phase) / 12.0) % 24.0 for t in range(TURNS_A_DAY)}
    assert {t for t in begins if wet >> t & 1} == {t for t, h in begins.items() if 8.0 < h < 18.5}
    # A turn lasts three hours: one that begins after seven is wet for some of them.
    assert {t for t, h in begins.items() if h < 7.0 or h > 19.0} <= {
        t for t in begins if dry >> t & 1
    }


@pytest.mark.parametrize(("nights", "lost"), [(10, 1.0), (15, 1.0), (24, 1.0), (15, 1.25)])
def test_where_nights_read_higher_a_known_loss_shows_in_the_highest_as_well(nights, lost):
    """A clean unit whose nights read 1.27 of its days: of 24 means now few are nights, now most."""
    engine = engine_of()
    state, row = engine.state, np.zeros(1, dtype=np.int64)
    q = [quantity.name for quantity in STEADY].index("td_wet")
    state.heat_load_seen[0] = True
    state.baseline[0, q], state.baseline_spread[0, q], state.baseline_count[0, q] = 8.0, 0.3, 40
    state.td_upper_k[0, 1] = 8.0 * 1.27
    means = np.where(np.arange(24) < nights, 8.0 * 1.27, 8.0) * lost
    state.steady[0, q, :24] = means[::-1]
    state.steady_count[0, q] = 24
    heat = heat_rejection(engine.plan, state, row, state.bin_id[row])
    assert heat.wet.long[0] == pytest.approx(lost, rel=0.01)


@pytest.mark.parametrize(("new", "mask"), [(8, 0), (24, 0), (64, 255)])
def test_means_of_before_hours_were_minded_leave_all_hours_in(new, mask):
    """A unit in the midst of learning when its state is taken over from an earlier version."""
    engine = engine_of()
    state, row = engine.state, np.array([0])
    state.steady[0, DRY] = 8.0
    state.steady_count[0, DRY] = max(56 - new, 0)
    for turn in range(LAST, LAST + new):
        mind_turn(engine.plan, state, row, np.array([turn * TURN_BINS]), 0)
        state.steady_count[0, DRY] += 1
    learn_hours(state, row, 0, np.array([56]))
    assert state.td_hours[0, 0] == mask
