"""Coil, pads and airflow against the clean unit: the kept means beside what was learned.

Pads lose a share of the wet-bulb depression, coil and airflow a share of the temperature difference
whatever the weather. So the two are told apart by dry running beside wet, or by the course of the
wet means with the depression; and only once what came at once fills the means that are looked at.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.heat import BINS_AN_HOUR, UNKNOWN_LONG, divided
from rules.pad_evaporation import evaporated_share
from rules.physics.pads import MINIMUM_DEPRESSION_K
from rules.physics.robust import median
from rules.plan import FleetPlan
from rules.signals import INDEX
from rules.state import STEADY, STEADY_BINS, FleetState
from rules.wet_course import PAD_ERROR_FRAC, TD_ERROR_FRAC, Fall, fall_of, newest_means

__all__ = [
    "LEAP_SHARE",
    "LEAST_LEAP",
    "NO_LOAD_RATIO",
    "Compared",
    "HeatRejection",
    "heat_is_calm",
    "heat_is_known",
    "heat_rejection",
    "nothing_seen",
]

_Q: Final = {q.name: i for i, q in enumerate(STEADY)}
_DROP: Final = INDEX["pad_pressure_drop"]
SHORT, LONG, NEWEST = 12, 24, 6
"""Windows in means: the shorter for what is large, the longer for what is small."""
WETTED_WINDOW: Final = 8
CALM_MEANS: Final = 3
LEAP_GAP_H: Final = 6.0
"""Means further apart than this tell nothing of whether something came at once: six of them span
more than a day and a half."""
MORE_THAN_ALL: Final = -0.3
"""Pads that are dry have no effect; less than none, by more than the errors, is not theirs."""
CALM_FRAC: Final = 0.08
CALM_EFFECT_FRAC: Final = 0.5
STALE_DRY_BINS: Final = 3 * 24 * BINS_AN_HOUR
"""Dry running longer ago says nothing of the coil of today."""
RECENT_DRY_BINS: Final = 10 * 24 * BINS_AN_HOUR
DAY_BINS: Final = 24 * BINS_AN_HOUR
WET_CEASED_DAYS: Final = 2
"""One cool day without wet running is everyday; the medians rest on days (judgement)."""
WET_NEWS_BINS: Final = 2 * BINS_AN_HOUR
"""The age up to which a mean of wet running is news: two of its hours."""
LEAST_SWITCHES: Final = 3
MEDIAN_FACTOR: Final = 1.2533
"""Standard error of a median of n normal values, times sqrt(n) over their deviation."""
LEAST_LEAP: Final = 0.15
NO_LOAD_RATIO: Final = 1.33
"""A TD this far over its clean one is no matter of the load, where none is sent: sites grow by a
fifth, or a quarter, without a word (common practice)."""
LEAST_RISE: Final = 0.1
"""A rise of the wet TD below this came from nothing (judgement)."""
LEAP_SHARE: Final = 0.35
"""It leapt if the means before had moved by less than this share of it."""
MIDDLE: Final = (0.3, 0.7)
"""Shares of a rise between which a mean is on its way: of twelve that grow evenly five are."""
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


@dataclass(frozen=True)
class Compared:
    """TDs of one mode over their learned baseline: arrays (m,), 1 when clean, NaN if not known.

    ``long`` and ``short`` are medians over the two windows, ``newest`` and ``older`` over the last
    six means and the six before; ``se`` is the standard error of ``long``, ``scatter`` the robust
    deviation of a single mean when clean. ``between`` counts those of the last twelve that lie in
    the middle of the rise: a leap leaves few there, growth a third and more.
    """

    long: F64
    short: F64
    newest: F64
    older: F64
    se: F64
    scatter: F64
    between: I64


CLOGGING_FRAC: Final = 0.5


@dataclass(frozen=True)
class HeatRejection:
    """What coil, pads and airflow do, against the clean unit; arrays (m,), NaN where not known.

    ``effect`` is the pads' present saturation effectiveness, ``effect_clean`` what it was when
    clean (or the nameplate's), ``effect_sd`` the uncertainty.
    """

    load_known: Bool
    dry_recent: Bool
    """The unit ran dry within ten days, and its clean state is known."""
    wet_recent: Bool
    """The same of wet running."""
    dry_today: Bool
    """Its newest dry mean is a day old at most."""
    wet_ceased: Bool
    """It used to run wet, and has not for days: it runs dry in the hours that used to be wet."""
    dry: Compared
    wet: Compared
    effect: F64
    effect_clean: F64
    effect_sd: F64
    effect_by: I64
    """0 not known, 1 both modes at known load, 2 the step from dry to wet, 3 wet running alone,
    4 wet running at a load that dry running shows to be as it was learned."""
    depression_k: F64
    """Wet-bulb depression of late, referred to rated load and full airflow."""
    pads_ratio: F64
    """Pad pressure drop at full airflow over its baseline."""
    pads_waits: Bool
    """The unit sends it, but its clean state is not known yet."""
    pads_se: F64
    pads_leapt: Bool
    """It fell within hours."""
    dry_often: Bool
    """Dry means come so often that a leap can be told from growth."""
    wet_often: Bool
    held_effect: F64
    """``effect`` by the level of the TDs alone: enough to hold what was found once."""
    fall_effect: F64
    """Effectiveness of the pads by how the wet TD goes with the depression: what pads lose is a
    share of it, what coil and air lose is not."""
    fall_sd: F64
    fall_learned: Bool
    """The load is known, and so is the clean unit's course: a smaller loss is told by it."""
    fall_base: F64
    """The wet TD over its clean one, without what the depression explains."""
    fall_base_se: F64
    evaporated: F64
    """What the pads evaporate by the meters, at equal weather and airflow, over the clean state:
    a share that less load does not change."""
    wet_news: Bool
    """A wet mean came of late: what dry running alone brings is no news of the pads."""
    wet_moves: Bool
    """The newest wet TDs differ from those just before, and no course with the depression explains
    it: something came or went at once."""

    def lost_by_water(self) -> F64:
        """Share of the pads' effect that is gone by the meters, (m,), where the wet TD rose too.

        NaN where it did not, or they do not tell. A meter that reads wrong warms nothing.
        """
        rose = np.fmax(self.wet.newest, self.wet.short) - 1.0 >= LEAST_RISE
        return np.where(rose, 1.0 - self.evaporated, np.nan)

    def pads_clog(self, rise_low_pct: F64) -> Bool:
        """Where the gauge over the pads has surely risen by half of what is told, (m,).

        From there on less air explains a warmer condensing in wet running. ``rise_low_pct`` is the
        rise that is told. [%]
        """
        risen = 100.0 * (self.pads_ratio - 1.0 - 3.0 * self.pads_se)
        clogs: Bool = risen >= CLOGGING_FRAC * rise_low_pct
        return clogs


def _compared(state: FleetState, rows: I64, quantity: str, known: Bool) -> Compared:
    q = _Q[quantity]
    base, spread = state.baseline[rows, q], state.baseline_spread[rows, q]
    learned = np.maximum(state.baseline_count[rows, q], 1)
    window = newest_means(state, rows, quantity, NEWEST + LONG)
    long = median(window[:, :LONG], LONG // 2)
    slow = np.flatnonzero(~known)
    if len(slow):
        # As many means as the learned week brought: about a week again.
        weeks = newest_means(state, rows[slow], quantity, UNKNOWN_LONG)
        late = np.arange(UNKNOWN_LONG) >= learned[slow, None]
        long[slow] = median(np.where(late, np.nan, weeks), SHORT * 3 // 4)
    n = np.where(known, LONG, np.minimum(learned, UNKNOWN_LONG))
    scatter = divided(spread, base)
    short = divided(median(window[:, :SHORT], SHORT // 2), base)
    newest = divided(median(window[:, :NEWEST], NEWEST // 2), base)
    risen = divided(window[:, : 2 * NEWEST] / base[:, None] - 1.0, newest[:, None] - 1.0)
    return Compared(
        long=divided(long, base),
        short=np.where(known, short, np.nan),
        newest=newest,
        older=divided(median(window[:, NEWEST : 2 * NEWEST], NEWEST // 2), base),
        se=MEDIAN_FACTOR * scatter * np.sqrt(1.0 / n + 1.0 / learned),
        scatter=scatter,
        between=((risen > MIDDLE[0]) & (risen < MIDDLE[1])).sum(axis=1),
    )


def heat_is_known(state: FleetState, rows: I64) -> Bool:
    """Units that have learned anything to be compared with, (m,)."""
    columns = [_Q["td_dry"], _Q["td_wet"], _Q["pad_pressure_drop"]]
    unknown: Bool = np.asarray(np.isnan(state.baseline[rows[:, None], columns]).all(axis=1))
    known: Bool = ~unknown
    known |= ~np.isnan(state.switch_effect[rows, -LEAST_SWITCHES])
    return known


def heat_is_calm(state: FleetState, rows: I64) -> Bool:
    """Units that know their clean state in both modes and whose newest means are like it, (m,).

    The mean over the newest few is enough to say so: no fault is judged by less than its median.
    """
    calm: Bool = np.ones(len(rows), dtype=np.bool_)
    for name in ("td_dry", "td_wet", "pad_pressure_drop"):
        newest = newest_means(state, rows, name, CALM_MEANS).mean(axis=1)
        off = np.abs(newest / state.baseline[rows, _Q[name]] - 1.0)
        silent = state.steady_count[rows, _Q[name]] == 0
        calm &= (off < CALM_FRAC) | silent
    # What the pads lose shows in the wet TD; without a load the step at the change to wet says it.
    newest_step = state.switch_effect[rows, -1]
    calm &= state.heat_load_seen[rows] | ~(newest_step < CALM_EFFECT_FRAC)
    return calm


def heat_rejection(plan: FleetPlan, state: FleetState, rows: I64, bin_id: I64) -> HeatRejection:
    """Compare the rings of ``rows`` with their baselines, as of the bins ``bin_id`` just closed."""
    known = state.heat_load_seen[rows].copy()
    dry = _compared(state, rows, "td_dry", known)
    wet = _compared(state, rows, "td_wet", known)
    dry_age = bin_id - state.dry_seen_bin[rows]
    pads_base = state.baseline[rows, _Q["pad_pressure_drop"]]
    pads = median(newest_means(state, rows, "pad_pressure_drop", SHORT), SHORT // 2)
    pads_scatter = divided(state.baseline_spread[rows, _Q["pad_pressure_drop"]], pads_base)
    fall = fall_of(plan, state, rows, known)
    wet_base = state.baseline[rows, _Q["td_wet"]]
    effect, clean, sd, by, held = _effect(plan, state, rows, known, dry_age, fall)
    drops = newest_means(state, rows, "pad_pressure_drop", SHORT)
    newest_drop = divided(median(drops[:, :NEWEST], NEWEST // 2), pads_base)
    older_drop = divided(median(drops[:, NEWEST:], NEWEST // 2), pads_base)
    return HeatRejection(
        load_known=known,
        dry_recent=(dry_age <= RECENT_DRY_BINS) & ~np.isnan(dry.long),
        wet_recent=(bin_id - state.td_last_bin[rows, 1] <= RECENT_DRY_BINS) & ~np.isnan(wet.long),
        dry_today=dry_age <= DAY_BINS,
        wet_ceased=~np.isnan(wet_base)
        & (bin_id - state.td_last_bin[rows, 1] > WET_CEASED_DAYS * DAY_BINS),
        dry=dry,
        wet=wet,
        effect=effect,
        effect_clean=clean,
        effect_sd=sd,
        effect_by=by,
        depression_k=state.wet_depression_k[rows].astype(np.float64),
        pads_ratio=divided(pads, pads_base),
        pads_waits=(state.value_ms[rows, _DROP] > 0) & np.isnan(pads_base),
        pads_se=MEDIAN_FACTOR * pads_scatter * np.sqrt(1.0 / SHORT + 1.0 / LONG),
        pads_leapt=(1.0 - older_drop) <= LEAP_SHARE * (1.0 - newest_drop),
        dry_often=state.td_gap_h[rows, 0] <= LEAP_GAP_H,
        wet_often=state.td_gap_h[rows, 1] <= LEAP_GAP_H,
        held_effect=held,
        fall_effect=fall.effect,
        fall_sd=fall.sd,
        fall_learned=fall.learned & known,
        fall_base=fall.base,
        fall_base_se=fall.base_se,
        evaporated=evaporated_share(state, rows),
        wet_news=bin_id - state.td_last_bin[rows, 1] <= WET_NEWS_BINS,
        wet_moves=fall.crooked | (_moves(state, rows, "td_wet", wet_base) & np.isnan(fall.effect)),
    )


@cache
def nothing_seen() -> HeatRejection:
    """What :func:`heat_rejection` says of no unit. Most bins bring no news of coil and pads, and
    working that out for nobody takes as long as for one: a fifth of closing a small fleet's bins.
    """
    nobody = np.empty(0, dtype=np.int64)
    return heat_rejection(FleetPlan.build((), {}, {}), FleetState.empty(0, 0), nobody, nobody)


def _moves(state: FleetState, rows: I64, quantity: str, base: F64) -> Bool:
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


def _effect(
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
    both_sd = np.where(sound, np.fmin(both_sd, fine), both_sd)
    # Dry running comes later than wet, or the reverse: what came at once is in one of them only.
    # So pads are at fault only where the course with the depression does not contradict it.
    plain = both
    level = clean - (wet_td - wet_base) / depth
    course = np.where(fall.learned, clean - fall.lost, fall.effect)
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

    # Loads that move about between dry and wet make steps that do not agree.
    told = ~np.isnan(steps)
    count = np.maximum(told.sum(axis=1), 1)
    mid = np.where(told, steps, 0.0).sum(axis=1) / count
    apart = (np.where(told, steps - mid[:, None], 0.0) ** 2).sum(axis=1)
    step_sd = np.maximum(STEP_ERROR, np.sqrt(apart / np.maximum(count - 1, 1) / count))

    # In wet running alone only the course with the depression tells pads from coil and air.
    alone = np.where((known | fall.learned) & ~np.isnan(wet_td) & fall.mostly, course, np.nan)
    # While what came or went at once is in half of the means only, they tell nothing.
    leaps = _moves(state, rows, "td_wet", wet_base) & np.isnan(fall.effect)
    both = np.where(_moves(state, rows, "td_dry", dry_base), np.nan, both)
    both = np.where(leaps, np.nan, both)

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
    sd = np.choose(by, [nothing, both_sd, step_sd, fall.sd, both_sd])
    held = np.where(by == 2, effect, np.where(np.isnan(plain), level, plain))
    return effect, np.where(by == 2, np.fmin(habit, rated), clean), sd, by.astype(np.int64), held
