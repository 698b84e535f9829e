"""The pads' effect from what dry and wet running say together, now and when clean.

Pads lose a share of the wet-bulb depression, coil and airflow a share of the temperature difference
whatever the weather. Dry running beside wet tells them apart, or the step from one to the other, or
the course of the wet means; and only once what came at once fills the means that are looked at.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.heat import BINS_AN_HOUR, divided
from rules.physics.pads import MINIMUM_DEPRESSION_K
from rules.physics.robust import median
from rules.plan import FleetPlan
from rules.state import STEADY, STEADY_BINS, FleetState
from rules.wet_course import PAD_ERROR_FRAC, TD_ERROR_FRAC, Fall, newest_means

__all__ = [
    "LEAST_LEAP", "LEAST_RISE", "LEAST_SWITCHES", "MEDIAN_FACTOR", "NEWEST", "NO_LOAD_RATIO",
    "effect_of", "moves",
]  # fmt: skip

_Q: Final = {q.name: i for i, q in enumerate(STEADY)}
NEWEST: Final = 6
"""Means that say what is now."""
WETTED_WINDOW: Final = 8
MORE_THAN_ALL: Final = -0.3
"""Pads that are dry have no effect; less than none, by more than the errors, is not theirs."""
STALE_DRY_BINS: Final = 3 * 24 * BINS_AN_HOUR
"""Dry running longer ago says nothing of the coil of today."""
LEAST_SWITCHES: Final = 3
MEDIAN_FACTOR: Final = 1.2533
"""Standard error of a median of n normal values, times sqrt(n) over their deviation."""
LEAST_LEAP: Final = 0.15
NO_LOAD_RATIO: Final = 1.33
"""A TD this far over its clean one is no matter of the load, where none is sent: sites grow by a
fifth, or a quarter, without a word (common practice)."""
LEAST_RISE: Final = 0.1
"""A rise of the wet TD below this came from nothing (judgement)."""
LEAST_STEP_FRAC: Final = 0.6
"""Share of the rated effect that the first steps must have shown (judgement)."""
SAME_DRY_FRAC: Final = 0.1
"""Dry TDs within this of what was learned show a load as it was (judgement)."""
SAME_ERROR_FRAC: Final = 0.02
"""Error by the laws of airflow in how far two TDs move apart, as a fraction of them: half of that
of one, since fans turn about as they did (judgement)."""
LEAST_CLEAN_FRAC: Final = 0.4
"""Pads that seem to do less when clean are not seen at all in these two TDs."""
STEP_ERROR: Final = 0.1
"""Uncertainty of an effectiveness by steps, at least (judgement)."""


def moves(state: FleetState, rows: I64, quantity: str, base: F64) -> Bool:
    """Whether the newest means of a TD differ from those just before by more than noise."""
    window = newest_means(state, rows, quantity, 2 * NEWEST)
    newest, older = (median(w, NEWEST // 2) for w in (window[:, :NEWEST], window[:, NEWEST:]))
    base = np.where(np.isnan(base), older, base)
    moves: Bool = np.abs(newest - older) >= LEAST_LEAP * base
    return moves


def _error_k(state: FleetState, rows: I64, known: Bool, dry_base: F64, wet_base: F64) -> F64:
    """Standard error of how far the two TDs have moved apart since they were learned, (m,). [K]"""
    total = (np.where(known, SAME_ERROR_FRAC, TD_ERROR_FRAC) * (dry_base + wet_base) / 2.0) ** 2
    for name, n in (("td_dry", NEWEST), ("td_wet", WETTED_WINDOW)):
        q = _Q[name]
        learned = np.maximum(state.baseline_count[rows, q], 1)
        error = MEDIAN_FACTOR * state.baseline_spread[rows, q]
        total = total + error**2 * (1.0 / n + 1.0 / learned)
    return np.sqrt(total)


def _rose_since_dry(state: FleetState, rows: I64, dry_age: I64, base: F64) -> Bool:
    """Whether the wet TD rose after the newest dry one, by more than half of its rise, (m,).

    Then dry running says nothing of what came: a coil would have risen in it too.
    """
    q = _Q["td_wet"]
    newest = median(newest_means(state, rows, "td_wet", NEWEST), NEWEST // 2)
    rose: Bool = np.zeros(len(rows), dtype=np.bool_)
    # Without a baseline any of them may have risen.
    at = np.flatnonzero((newest >= (1.0 + LEAST_RISE) * base) | (np.isnan(base) & (newest > 0)))
    if not len(at):
        return rose
    row = rows[at]
    gap_bins = np.maximum(state.td_gap_h[row, 1].astype(np.float64) * BINS_AN_HOUR, BINS_AN_HOUR)
    count = state.steady_count[row, q]
    since = np.minimum(dry_age[at] / gap_bins, STEADY_BINS - NEWEST).astype(np.int64)
    # All that is known may be younger than the dry one: then the oldest tell what was.
    since = np.minimum(since, np.maximum(count - NEWEST, 0))
    back = since[:, None] + np.arange(1, NEWEST + 1)
    then = state.steady[row[:, None], q, (count[:, None] - back) % STEADY_BINS].astype(np.float64)
    then[back > count[:, None]] = np.nan
    was = median(then, NEWEST // 2)
    clean = np.where(np.isnan(base[at]), was, base[at])
    rise, rise_then = divided(newest[at], clean) - 1.0, divided(was, clean) - 1.0
    rose[at] = (rise >= LEAST_RISE) & (rise_then < 0.5 * rise)
    return rose


def _rose_long_ago(state: FleetState, rows: I64, dry_age: I64, base: F64) -> Bool:
    """Whether the wet TD rose, by more than loads do, before the dry ones that are looked at, (m,).

    Where those are as they were, neither coil nor load did it, whatever its course: pads that fail
    by and by, between a dry day and a humid one, make no straight line.
    """
    newest = median(newest_means(state, rows, "td_wet", NEWEST), NEWEST // 2)
    out: Bool = newest >= NO_LOAD_RATIO * base
    at = np.flatnonzero(out)
    if len(at):
        gap_bins = state.td_gap_h[rows[at], 0].astype(np.float64) * BINS_AN_HOUR
        first = dry_age[at] + ((NEWEST - 1) * gap_bins).astype(np.int64)
        out[at] = ~_rose_since_dry(state, rows[at], first, base[at])
    return out


def _step_error(steps: F64) -> F64:
    """Standard error of the effect by the steps from dry to wet, (m,), of (m, steps).

    Loads that move about between dry and wet make steps that do not agree.
    """
    told = ~np.isnan(steps)
    count = np.maximum(told.sum(axis=1), 1)
    mid = np.where(told, steps, 0.0).sum(axis=1) / count
    apart = (np.where(told, steps - mid[:, None], 0.0) ** 2).sum(axis=1)
    error: F64 = np.maximum(STEP_ERROR, np.sqrt(apart / np.maximum(count - 1, 1) / count))
    return error


def effect_of(
    plan: FleetPlan,
    state: FleetState,
    rows: I64,
    known: Bool,
    dry_age: I64,
    fall: Fall,
) -> tuple[F64, F64, F64, I64, F64]:
    """Effectiveness of the pads now and when clean, its uncertainty, how it was found, and the same
    by the level alone, for an alarm that stands."""
    rated = plan.pad_effectiveness_frac[rows]
    dry_base, wet_base = state.baseline[rows, _Q["td_dry"]], state.baseline[rows, _Q["td_wet"]]
    # A small depression makes effectiveness of noise.
    depth = state.wet_depression_k[rows].astype(np.float64)
    depth = np.where(depth >= MINIMUM_DEPRESSION_K, depth, np.nan)
    enough = state.steady_count[rows, _Q["td_wet"]] >= WETTED_WINDOW
    wet_td = np.where(enough, state.wet_td_k[rows].astype(np.float64), np.nan)
    dry_td = median(newest_means(state, rows, "td_dry", NEWEST), NEWEST // 2)
    plainly_clean = rated - (wet_base - dry_base) / depth
    clean = np.where(np.isnan(plainly_clean), rated, np.clip(plainly_clean, 0.4, 0.98))

    both = rated - (wet_td - dry_td) / depth
    # Dry running that is as it was learned says of itself that the load is: then that will do.
    same = np.abs(divided(dry_td, dry_base) - 1.0) <= SAME_DRY_FRAC
    both = np.where((known | same) & (dry_age <= STALE_DRY_BINS), both, np.nan)
    both = np.where(_rose_since_dry(state, rows, dry_age, wet_base), np.nan, both)
    both_sd = TD_ERROR_FRAC * (dry_td + wet_td) / depth
    # Both modes against what they were: the errors of the laws of airflow are in both alike.
    fine = np.hypot(_error_k(state, rows, known, dry_base, wet_base) / depth, PAD_ERROR_FRAC)
    sound = (plainly_clean >= LEAST_CLEAN_FRAC) & (plainly_clean <= 1.0 + PAD_ERROR_FRAC)
    # Loads that are not sent are others in wet hours: what they hide of the effect is not lost.
    clean = np.where(known | sound, clean, rated)
    both_sd = np.where(sound, np.fmin(both_sd, fine), both_sd)
    # Pads that fail make wet running warmer. Dry running that got better by itself takes nothing
    # from them, and neither does a slope of wet TDs that are no higher than when clean.
    level = clean - (wet_td - wet_base) / depth
    both = np.where(level > both, level, both)
    # Dry running comes later than wet, or the reverse: what came at once is in one of them only.
    # So pads are at fault only where the course with the depression does not contradict it.
    plain = both
    course = np.where(fall.learned, clean - fall.lost, fall.effect)
    course = np.where(level > course, level, course)
    better = (course > both) & fall.mostly
    better &= ~(same & ~known & _rose_long_ago(state, rows, dry_age, wet_base))
    both = np.where(better, course, both)
    both_sd = np.where(better, fall.sd, both_sd)

    steps = state.switch_effect[rows].astype(np.float64)
    step = median(steps, LEAST_SWITCHES)
    # The newest three agree, or the pads are not the story.
    step = np.maximum(step, median(steps[:, -LEAST_SWITCHES:], LEAST_SWITCHES))

    # Load that rises just when it turns wet hides part of the fall, day by day: then only what is
    # less than it was at first is lost. Where hardly anything was to be seen, nothing is.
    habit = state.step_clean[rows].astype(np.float64)
    step = np.where(habit >= LEAST_STEP_FRAC * rated, step, np.nan)

    # In wet running alone only the course with the depression tells pads from coil and air. What
    # came at once in dry running, too, is not the pads': the course waits for means of its own.
    dry_leaps = moves(state, rows, "td_dry", dry_base)
    alone = np.where((known | fall.learned) & ~np.isnan(wet_td) & fall.mostly, course, np.nan)
    alone[dry_leaps & (dry_age <= STALE_DRY_BINS)] = np.nan
    # While what came or went at once is in half of the means only, they tell nothing.
    wet_leaps = moves(state, rows, "td_wet", wet_base) & np.isnan(fall.effect)
    both = np.where(dry_leaps | wet_leaps, np.nan, both)

    nothing = np.full(len(rows), np.nan)
    alike = np.where(~known & sound, both, np.nan)
    both = np.where(known, both, np.nan)
    by = np.select(
        [~np.isnan(both), ~np.isnan(alike), ~np.isnan(step) & ~known, ~np.isnan(alone)],
        [1, 4, 2, 3],
    )
    effect = np.choose(by, [nothing, both, step, alone, alike])
    # More than all of the pads' effect cannot be lost: then it is not theirs.
    effect = np.where(effect < MORE_THAN_ALL, np.nan, effect)
    sd = np.choose(by, [nothing, both_sd, _step_error(steps), fall.sd, both_sd])
    held = np.where(by == 2, effect, np.where(np.isnan(plain), level, plain))
    return effect, np.where(by == 2, np.fmin(habit, rated), clean), sd, by.astype(np.int64), held
