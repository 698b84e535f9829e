"""What a basin reads just after it was filled from empty, against the fills before.

Such a basin holds make-up, a heel of old water from sump, pump, pipes and pads, and nothing else.
So each fill measures the make-up by the unit's own probe, whatever the site file says, with all
that is peculiar to the unit in it: its heel, its salts on the floor, the error of its probe. Where
a basin is drained often the fills agree within some per cent, and two in a row that do not are a
change of the make-up, or of the probe. Old water far more concentrated than usual leaves more of
itself, which is allowed for. A supply that changes over weeks must neither teach its own reference
nor pass for scatter: the usual follows as seasons do, and scatter is from one fill to the next.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.bin_rings import median_last_axis, trace_window
from rules.drained import DRAINED_MM, PROBE_IN_AIR_FRAC
from rules.plan import FleetPlan
from rules.state import FleetState

__all__ = [
    "AGREE_FILLS",
    "EMPTY_BINS",
    "FRESH_BINS",
    "FULL_BINS",
    "LEAST_FILLS",
    "close_fill",
    "fill_is_fresh",
    "filled_as_ever",
    "forget_fills",
]

_SLUG: Final = "makeup-quality-changed"
EMPTY_BINS: Final = 3
"""Means without water, a quarter of an hour: less is a reading that dropped out."""
RUN_BACK_BINS: Final = 12
"""An hour without water: pads and pipes have run back by then, and what they gave was drained, too
(judgement)."""
MOST_FILLING_BINS: Final = 36
"""Three hours: a fill that takes longer met evaporation or a starved supply on its way."""
FULL_BINS: Final = 3
"""Means of the full basin whose median counts: the water is mixed by then. Where they climb it is
the first: on a hot dry day a small basin concentrates by a third within a quarter of an hour
(judgement)."""
CLIMB_FRAC: Final = 0.01
"""From one mean to the next, beyond the noise of a probe (judgement)."""
OLD_BINS: Final = 6
"""Half an hour before the basin was empty, in which its old water was last seen."""
ANSWERED_FRAC: Final = 0.85
"""A fill that reads harder than usual must still read less than the old water by so much: a
reading that stands still, or a level that only seemed to go, shows the same water before and
after."""
STILL_FRAC: Final = 0.02
"""By less than this a fill differs from the old water where the reading did not follow at all."""
HEEL_FRAC: Final = 1.0 / 3.0
"""Share of the filled basin that may be old water, which stays in sump, pump, pipes and pads, with
what dried in on floor and pads (judgement)."""
HEEL_TIMES: Final = 2.0
"""So many times what the level shows at most is left of a unit's own old water: the layer that
counts as drained, and what pads and pipes give back. Sump and dried salts are the rest
(judgement)."""
HEEL_SDS: Final = 2.0
LEAST_SCATTER_FRAC: Final = 0.02
"""So far two fills of the same water differ at least: a probe in service and evaporation while the
basin fills (judgement). Where old waters differed much, and fills did not, little is left of them;
the difference from one fill to the next knows nothing of how the supply drifts."""
HEEL_MEMORY_FILLS: Final = 50.0
"""So long old differences count: the heel is the basin's, and changes with its sump only
(judgement)."""
SOFTEST_FRAC: Final = 0.8
"""Share of the site file's make-up that the true one has at least, for the heel to be worked out:
supplies vary by a fifth (common practice)."""
LEAST_FILLS: Final = 4
"""Fills that make a habit: their mean, and how far they scatter (judgement)."""
AGREE_FILLS: Final = 2
"""Fills in a row that must be off the same way: one may be a visit, a flood or a bucket of salt."""
MEMORY_FILLS: Final = 10.0
"""The first ten fills teach alike; after that none teaches more than a tenth."""
MEMORY_BINS: Final = 17_280
"""And the usual follows over sixty days, however often the basin is drained: a supply that varies
by a fifth over the year is followed to 7 % (arithmetic for a sine), one that hardens over weeks is
not."""
OFF_MEMORY_FILLS: Final = 50.0
"""A fill that is off teaches slowly, lest a fault of weeks becomes the habit."""
SPREADS: Final = 5.0
"""Mean deviations that a fill must be off: four standard deviations of a normal scatter."""
FRESH_BINS: Final = 36
"""Three hours for which a fill stands for the make-up that comes in: longer than the delays of the
fault, so that a fill can raise it and another clear it."""
DAY_BINS: Final = 288
"""A day for which a fill as ever contradicts what two meters, looked at over hours, say."""


def close_fill(
    plan: FleetPlan, state: FleetState, rows: I64, bin_id: I64, level_mm: F64, missed: I64
) -> None:
    """Follow the emptying and filling of ``rows`` through the bins that are just closing.

    ``level_mm`` is the mean level of the bin, (k,), NaN where not measured; ``missed`` the bins
    since the last one. The bin's means are in the trace already. A fill while a unit is out of
    service counts for nothing.
    """
    # By hose, with what was used for cleaning in it: such a fill is nobody's make-up.
    worked_on = state.out_of_service_until_ms[rows] != 0
    state.empty_bins[rows[worked_on]] = 0
    empty = (level_mm < DRAINED_MM) & ~worked_on
    at = np.flatnonzero(empty | (state.empty_bins[rows] > 0))
    if not len(at):
        return
    row, empty, level = rows[at], empty[at], level_mm[at]
    dry, since = state.empty_bins[row], state.filling_bins[row].astype(np.int64)
    first = empty & ((dry == 0) | (since > 0))
    if first.any():
        these = row[first]
        # The greatest but one: while it drains the probe reads ever less, and a spike is none.
        window = np.sort(trace_window(state, these, "conductivity", OLD_BINS), axis=1)
        there = (~np.isnan(window)).sum(axis=1)
        old = window[np.arange(len(these)), np.maximum(there - 2, 0)]
        # A basin that was refilled for a moment only keeps what was seen before.
        keeps = np.isnan(old) & (dry[first] > 0)
        state.old_water_us_cm[these] = np.where(keeps, state.old_water_us_cm[these], old)
    since = np.where(empty, 0, np.minimum(since + np.maximum(missed[at], 1), 255))
    dropped_out = ~empty & (dry < EMPTY_BINS)
    over = dropped_out | (since > MOST_FILLING_BINS)
    state.empty_bins[row] = np.where(over, 0, np.where(empty, np.minimum(dry, 254) + 1, dry))
    state.filling_bins[row] = np.where(over, 0, since).astype(np.uint8)
    bottom = plan.float_shut_mm[row] - plan.float_band_mm[row]
    full = np.flatnonzero(~over & (level >= bottom) & (since >= FULL_BINS))
    if len(full):
        _take(plan, state, row[full], bin_id[at[full]], bottom[full])


def _take(plan: FleetPlan, state: FleetState, row: I64, bin_id: I64, bottom: F64) -> None:
    """Take the fills whose newest means are all of the full basin."""
    levels = [trace_window(state, row, n, FULL_BINS) for n in ("level_running", "level_at_rest")]
    readings = trace_window(state, row, "conductivity", FULL_BINS)
    ready = (np.fmax(*levels) >= bottom[:, None]).all(axis=1) & ~np.isnan(readings).any(axis=1)
    row, bin_id, readings = row[ready], bin_id[ready], readings[ready]
    climbs = (np.diff(readings, axis=1) > CLIMB_FRAC * readings[:, 1:]).all(axis=1)
    fill = np.where(climbs, readings[:, 0], median_last_axis(readings))
    quick = state.empty_bins[row] < RUN_BACK_BINS
    state.empty_bins[row] = 0
    state.filling_bins[row] = 0
    old = state.old_water_us_cm[row].astype(np.float64)
    # A probe that sees no water, or did not follow, measures nothing.
    seen = (fill >= PROBE_IN_AIR_FRAC * plan.makeup_us_cm[row]) & ~(
        np.abs(fill - old) <= STILL_FRAC * old
    )
    _learn(plan, state, row[seen], bin_id[seen], fill[seen], quick[seen])


def _learn(
    plan: FleetPlan, state: FleetState, row: I64, bin_id: I64, fill: F64, quick: Bool
) -> None:
    """Compare fills with the unit's own, count those that are off, and learn from them.

    One that may not have been read is passed over, as if it had not been.
    """
    high, low, given_back = _expected_us_cm(plan, state, row)
    off, untold = _off(plan, state, row, fill, high, low)
    # Pads and pipes may have given back so much: other make-up is neither told nor denied by it.
    maybe_old = quick & (off > 0) & (fill <= given_back)
    off, untold = np.where(maybe_old, 0, off), untold | maybe_old
    seen = ~untold
    row, bin_id, off = row[seen], bin_id[seen], off[seen]
    fill, high, low = fill[seen], high[seen], low[seen]
    n = state.fills[row].astype(np.float64)
    usual = state.fill_usual_us_cm[row].astype(np.float64)
    spread = state.fill_spread[row].astype(np.float64)
    before = state.fills_off[row].astype(np.int64)
    counted = np.where(np.sign(before) == off, before + off, off)
    state.fills_off[row] = np.clip(counted, -100, 100).astype(np.int8)
    known = n >= LEAST_FILLS
    first = n < MEMORY_FILLS
    apart = (bin_id - state.fill_bin[row]) / MEMORY_BINS
    weight = np.where(first, 1.0 / (n + 1.0), np.minimum(apart, 1.0 / MEMORY_FILLS))
    weight = np.where(known & (off != 0), np.minimum(weight, 1.0 / OFF_MEMORY_FILLS), weight)
    state.fill_usual_us_cm[row] = np.where(n > 0, usual + weight * (fill - usual), fill)
    # What the old water does not explain, from one fill to the next.
    explained = (n == 0) | ((fill >= low) & (fill <= high))
    with np.errstate(invalid="ignore", divide="ignore"):
        away = np.abs(fill - state.fill_us_cm[row]) / (np.sqrt(2.0) * usual)
    away = np.where(explained, 0.0, away)
    by_fill = np.where(first, 1.0 / (n + 1.0), 1.0 / MEMORY_FILLS)
    state.fill_spread[row] = spread + np.where(off != 0, 0.0, by_fill) * (away - spread)
    old = state.old_water_us_cm[row].astype(np.float64)
    _learn_heel(state, row, old, np.where((off == 0) & (n > 0), fill, np.nan))
    usual_old = state.old_usual_us_cm[row].astype(np.float64)
    taught = np.where(usual_old > 0, usual_old + weight * (old - usual_old), old)
    state.old_usual_us_cm[row] = np.where(np.isnan(old), usual_old, taught)
    state.fill_us_cm[row] = fill
    state.fill_bin[row] = bin_id
    state.fills[row] = np.minimum(n + 1, 255)
    state.fill_says[row] = _verdict(plan, state, row, np.where(off > 0, high, low))


def _learn_heel(state: FleetState, row: I64, old: F64, fill: F64) -> None:
    """Add how fills and their old waters differ from one to the next; NaN ``fill`` adds nothing.

    ``fill_us_cm`` is the fill before.
    """
    last, squares, products = state.fill_heel[row].astype(np.float64).T
    by_old, by_fill = old - last, fill - state.fill_us_cm[row]
    adds = (last > 0.0) & ~np.isnan(by_old) & ~np.isnan(by_fill)
    left = 1.0 - 1.0 / HEEL_MEMORY_FILLS
    squares = np.where(adds, left * squares + by_old * by_old, squares)
    products = np.where(adds, left * products + by_old * by_fill, products)
    state.fill_heel[row] = np.stack([np.nan_to_num(old), squares, products], axis=1)


def _heel_at_most(state: FleetState, row: I64, usual: F64) -> F64:
    """Share of old water in a fill by the unit's own fills, at the most, (k,); inf for unknown."""
    _, squares, products = state.fill_heel[row].astype(np.float64).T
    scatter = np.sqrt(2.0) * np.maximum(state.fill_spread[row], LEAST_SCATTER_FRAC) * usual
    with np.errstate(invalid="ignore", divide="ignore"):
        most = products / squares + HEEL_SDS * scatter / np.sqrt(squares)
    return np.where(squares > 0.0, most, np.inf)


def _expected_us_cm(plan: FleetPlan, state: FleetState, row: I64) -> tuple[F64, F64, F64]:
    """The most and the least that a fill of the same make-up may read after the old water, (k,).

    What the usual fill has above the softest make-up came with the usual old water; so much more,
    or less, comes with other old water. The third is the most where pads and pipes have not run
    back yet: as much as they hold may be in it, whatever is usual. [µS/cm]
    """
    usual = state.fill_usual_us_cm[row].astype(np.float64)
    usual_old = state.old_usual_us_cm[row].astype(np.float64)
    softest = np.minimum(SOFTEST_FRAC * plan.makeup_us_cm[row], 0.85 * usual)
    with np.errstate(invalid="ignore", divide="ignore"):
        heel = np.where(usual_old > usual, (usual - softest) / (usual_old - softest), HEEL_FRAC)
    back = plan.pull_down_mm[row]
    layer = HEEL_TIMES * (DRAINED_MM + back) / (plan.float_shut_mm[row] + back)
    # A make-up harder than the file says feigns a heel, but no greater one than there is room for.
    room = np.minimum(np.minimum(layer, HEEL_FRAC), _heel_at_most(state, row, usual))
    heel = np.clip(heel, 0.0, np.maximum(room, 0.0))
    old = state.old_water_us_cm[row].astype(np.float64)
    moved = np.nan_to_num(heel * (old - usual_old))
    given_back = np.nan_to_num(np.minimum(layer, HEEL_FRAC) * (old - usual))
    high = usual + np.maximum(moved, 0.0)
    return high, usual + np.minimum(moved, 0.0), np.maximum(high, usual + given_back)


def _off(
    plan: FleetPlan, state: FleetState, row: I64, fill: F64, high: F64, low: F64
) -> tuple[I64, Bool]:
    """1 where a fill is harder than the unit's fills are, -1 where softer, else 0, (k,).

    And whether it reads harder, but so near the old water that it may not have been read: such a
    fill says neither that the make-up changed nor that it is as ever.
    """
    least = np.broadcast_to(plan.settings.get(_SLUG, "fill_change_frac", row), len(row))
    least = np.maximum(least, SPREADS * state.fill_spread[row])
    known = state.fills[row] >= LEAST_FILLS
    old = state.old_water_us_cm[row].astype(np.float64)
    reads_harder, near = known & (fill >= (1.0 + least) * high), fill > ANSWERED_FRAC * old
    softer = known & (fill <= (1.0 - least) * low)
    out: I64 = (reads_harder & ~near).astype(np.int64) - softer.astype(np.int64)
    return out, reads_harder & near


def fill_is_fresh(state: FleetState, rows: I64) -> Bool:
    """Units whose newest fill still stands for the make-up, (k,)."""
    fresh: Bool = (state.fills[rows] > 0) & (
        state.trace_bin[rows] - state.fill_bin[rows] < FRESH_BINS
    )
    return fresh


def filled_as_ever(state: FleetState, rows: I64) -> Bool:
    """Units whose newest fill, of the last day, read as their fills do: no other make-up came."""
    same: Bool = (state.fills[rows] >= LEAST_FILLS) & (state.fills_off[rows] == 0)
    return same & (state.trace_bin[rows] - state.fill_bin[rows] < DAY_BINS)


def _verdict(plan: FleetPlan, state: FleetState, rows: I64, before: F64) -> I64:
    """What the newest fills say: 1 harder, -1 softer, 0 as ever, (k,).

    ``before`` is what a fill was expected to read, (k,).

    By the unit's own fills once it has enough of them, two in a row; before that, and where all
    its fills are beyond, by the site file's figure with all that a heel may add.
    """
    stated = plan.makeup_us_cm[rows]
    n, fill = state.fills[rows], state.fill_us_cm[rows].astype(np.float64)
    usual = state.fill_usual_us_cm[rows].astype(np.float64)
    old = state.old_water_us_cm[rows].astype(np.float64)
    old = np.where(np.isnan(old), plan.conductivity_limit_us_cm[rows], old)
    with_heel = stated + HEEL_FRAC * np.maximum(old - stated, 0.0)
    most = np.fmax(plan.settings.get(_SLUG, "fill_high_ratio", rows) * stated, with_heel)
    least = plan.settings.get(_SLUG, "fill_low_ratio", rows) * stated
    spoken = np.where(n >= LEAST_FILLS, usual, fill)
    hard = (spoken >= most) & (fill >= most) & ~(fill > ANSWERED_FRAC * old)
    soft = (spoken <= least) & (fill <= least)
    # Far off the unit's own one fill is enough.
    off = state.fills_off[rows]
    hard |= (off >= AGREE_FILLS) | ((off > 0) & (fill >= most) & (fill >= most / stated * before))
    soft |= (off <= -AGREE_FILLS) | ((off < 0) & (fill <= least / stated * before))
    out: I64 = hard.astype(np.int64) - soft.astype(np.int64)
    return out


def forget_fills(state: FleetState, row: int) -> None:
    """Forget what a unit's fills are used to read; the next ones teach it anew."""
    state.fills[row] = 0
    state.fills_off[row] = 0
    state.fill_says[row] = 0
    state.fill_usual_us_cm[row] = 0.0
    state.fill_spread[row] = 0.0
    state.fill_heel[row] = 0.0
    state.old_usual_us_cm[row] = 0.0
