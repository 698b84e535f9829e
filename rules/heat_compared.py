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
from rules.even_rise import even_rise_k, fades, not_told_yet
from rules.heat import BINS_AN_HOUR, UNKNOWN_LONG, divided
from rules.heat_hours import ages_bins, of_learned_hours, upper_quartile
from rules.pad_effect import (
    LEAST_LEAP,
    LEAST_RISE,
    LEAST_SWITCHES,
    MEDIAN_FACTOR,
    NEWEST,
    NO_LOAD_RATIO,
    effect_of,
    moves,
)
from rules.pad_evaporation import evaporated_share
from rules.physics.robust import median
from rules.plan import FleetPlan
from rules.signals import INDEX
from rules.state import STEADY, STEADY_BINS, FleetState
from rules.wet_course import fall_of, newest_means

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
_TDS: Final = ("td_dry", "td_wet")
SHORT, LONG = 12, 24
"""Windows in means: the shorter for what is large, the longer for what is small."""
QUICK_DAYS: Final = 3
PLAIN_SCATTERS: Final = 4.0
"""Where no load is sent: days that say enough of a rise by so many deviations of a clean mean. A
week's median lags by half of a week behind what grows, and hides what is mended within it; but
three days may all be working days, or hot ones, and that is in the scatter of the clean week
(judgement)."""
CALM_MEANS: Final = 3
LEAP_GAP_H: Final = 6.0
"""Means further apart than this tell nothing of whether something came at once: six of them span
more than a day and a half."""
CALM_FRAC: Final = 0.08
CALM_EFFECT_FRAC: Final = 0.5
RECENT_DRY_BINS: Final = 10 * 24 * BINS_AN_HOUR
DAY_BINS: Final = 24 * BINS_AN_HOUR
WET_CEASED_DAYS: Final = 2
"""One cool day without wet running is everyday; the medians rest on days (judgement)."""
WET_NEWS_BINS: Final = 2 * BINS_AN_HOUR
"""The age up to which a mean of wet running is news: two of its hours."""
LEAP_SHARE: Final = 0.35
"""It leapt if the means before had moved by less than this share of it."""
TOP_MEANS: Final = 3
"""Means that show how far a TD went before: one or two may be a gust of warm air (judgement)."""
LEAST_SINKING: Final = 0.1
LEAST_ON_THE_WAY: Final = 6
"""Kept means in the middle of a fall that make it growth: a leap leaves one there, and those that
noise brings (judgement)."""
MIDDLE: Final = (0.3, 0.7)
"""Shares of a rise between which a mean is on its way: of twelve that grow evenly five are."""


@dataclass(frozen=True)
class Compared:
    """TDs of one mode over their learned baseline: arrays (m,), 1 when clean, NaN if not known.

    ``long`` and ``short`` are medians over the two windows, ``newest`` and ``older`` over the last
    six means and the six before; ``se`` is the standard error of ``long``, ``scatter`` the robust
    deviation of a single mean when clean. ``between`` counts those of the last twelve that lie in
    the middle of the rise: a leap leaves few there, growth a third and more.
    Where no load is sent only means of those hours of the day count that the clean ones are of,
    ``long`` is the rise of the busy hours where that is less, and ``short`` is so of the last days,
    NaN unless they show a plain rise.
    """

    long: F64
    short: F64
    newest: F64
    older: F64
    lately: F64
    """``short``, however small the rise: enough to hold what was found once."""
    se: F64
    scatter: F64
    between: I64
    newest_age: F64
    """Where no load is sent: age of the newest mean that counts. [bins]"""
    middle_age: F64
    """And that which half of the means in ``long`` are younger than. [bins]"""
    top: F64
    """The third highest of the means before the newest six: the unit went so far before."""


CLOGGING_FRAC: Final = 0.5
WARMED_SHARE: Final = 0.5
"""Share of the warming that goes with a loss of evaporation, at which it bears the loss out: load,
nameplate and weather may be against it by a quarter each (judgement)."""


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
    pads_last: F64
    """The newest mean of it alone, over its baseline."""
    pads_leapt: Bool
    """It fell within hours."""
    pads_sank: Bool
    """It fell over days: many of the kept means lie on the way."""
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
    evaporated_rise: F64
    """By how much of the clean wet TD that loss alone warms it: its share of the depression."""
    wet_news: Bool
    """A wet mean came of late: what dry running alone brings is no news of the pads."""
    even: Bool
    """It condenses higher by the same kelvins at any load, and by so many that it is told."""
    even_waits: Bool
    """Whether it does is not known: the next hours will tell it, or it did until lately."""
    wet_moves: Bool
    """The newest wet TDs differ from those just before, and no course with the depression explains
    it: something came or went at once."""

    def beside_gas(self, loss: F64, new: Bool, waits: Bool) -> F64:
        """``loss`` of coil or pads, (m,), where a rise that is the same at any load is none of it.

        A loss that is not told yet (``new``) is none then, and not known where it ``waits`` for the
        rise to be told. One that was told before may be hidden: it is not known.
        """
        loss = np.where(waits & new, np.nan, loss)
        return np.where(self.even, np.where(new, np.fmin(loss, 0.0), np.nan), loss)

    def lost_by_water(self) -> F64:
        """Share of the pads' effect that is gone by the meters, (m,), where the wet TD rose too.

        NaN where it did not, or they do not tell. A meter that reads wrong warms nothing, and what
        the load does to the TD is a part of what dry pads do.
        """
        least = np.fmax(LEAST_RISE, WARMED_SHARE * self.evaporated_rise)
        rose = np.fmax(self.wet.newest, self.wet.short) - 1.0 >= least
        return np.where(rose, 1.0 - self.evaporated, np.nan)

    def pads_clog(self, rise_low_pct: F64) -> Bool:
        """Where the gauge over the pads has surely risen by half of what is told, (m,).

        From there on less air explains a warmer condensing in wet running. ``rise_low_pct`` is the
        rise that is told. [%]
        """
        risen = 100.0 * (self.pads_ratio - 1.0 - 3.0 * self.pads_se)
        clogs: Bool = risen >= CLOGGING_FRAC * rise_low_pct
        return clogs


def _compared(
    plan: FleetPlan, state: FleetState, rows: I64, mode: int, known: Bool, bin_id: I64
) -> Compared:
    quantity = _TDS[mode]
    q = _Q[quantity]
    base, spread = state.baseline[rows, q], state.baseline_spread[rows, q]
    learned = np.maximum(state.baseline_count[rows, q], 1)
    scatter = divided(spread, base)
    window = newest_means(state, rows, quantity, NEWEST + LONG)
    told = np.stack([
        median(window[:, :LONG], LONG // 2),
        median(window[:, :SHORT], SHORT // 2),
        median(window[:, :NEWEST], NEWEST // 2),
        median(window[:, NEWEST : 2 * NEWEST], NEWEST // 2),
    ])  # fmt: skip
    told = divided(told, np.broadcast_to(base, told.shape))
    ages = np.full((2, len(rows)), np.nan)
    slow = np.flatnonzero(~known)
    if len(slow):
        told[:, slow], ages[:, slow] = _of_like_hours(plan, state, rows[slow], mode, bin_id[slow])
    long, lately, newest, older = told
    plain = known | (lately - 1.0 >= PLAIN_SCATTERS * scatter)
    upper = np.where(known, state.td_upper_k[rows, mode].astype(np.float64), np.nan)
    if (~np.isnan(upper)).any():
        # Nights with few fans may read higher than days: then the median is now of the one and now
        # of the other. What is lost shows in the highest as well.
        long = np.fmin(long, _of_highest(window[:, :LONG], upper, long))
        lately = np.fmin(lately, _of_highest(window[:, :SHORT], upper, lately))
    n = np.where(known, LONG, np.minimum(learned, UNKNOWN_LONG))
    risen = divided(window[:, : 2 * NEWEST] / base[:, None] - 1.0, newest[:, None] - 1.0)
    return Compared(
        long=long,
        short=np.where(plain, lately, np.nan),
        lately=lately,
        newest=newest,
        older=older,
        se=MEDIAN_FACTOR * scatter * np.sqrt(1.0 / n + 1.0 / learned),
        scatter=scatter,
        between=((risen > MIDDLE[0]) & (risen < MIDDLE[1])).sum(axis=1),
        newest_age=ages[0],
        middle_age=ages[1],
        top=divided(_top(window[:, NEWEST:]), base),
    )


def _top(means: F64) -> F64:
    """The third highest mean, (m,), 0 where there are fewer."""
    there = np.where(np.isnan(means), 0.0, means)
    top: F64 = np.partition(there, -TOP_MEANS, axis=1)[:, -TOP_MEANS]
    return top


def _of_like_hours(
    plan: FleetPlan, state: FleetState, row: I64, mode: int, bin_id: I64
) -> tuple[F64, F64]:
    """Of units without a load: TDs over the clean ones of a week, of the last days, of the newest
    means and of those before, (4, m), and the ages of the newest and of the middle of the week,
    (2, m)."""
    q = _Q[_TDS[mode]]
    base, upper = state.baseline[row, q], state.td_upper_k[row, mode].astype(np.float64)
    means = newest_means(state, row, _TDS[mode], UNKNOWN_LONG)
    means[~of_learned_hours(state, row, mode, UNKNOWN_LONG)] = np.nan
    there = ~np.isnan(means)
    rank = np.cumsum(there, axis=1)
    # As many means as the learned week brought: about a week again.
    week = there & (rank <= np.maximum(state.baseline_count[row, q], 1)[:, None])
    ages = ages_bins(plan, state, row, mode, UNKNOWN_LONG, bin_id).astype(np.float64)
    # Snapshots of earlier versions know no hours.
    ages[state.td_hours[row, mode] == 0] = np.nan
    days = ages <= QUICK_DAYS * DAY_BINS

    def middle(of: Bool, least: int) -> F64:
        return divided(median(np.where(of, means, np.nan), least), base)

    def both(of: Bool) -> tuple[F64, F64]:
        mid = middle(of, SHORT * 3 // 4)
        busy = divided(upper_quartile(np.where(of, means, np.nan)), upper)
        return mid, np.where(np.isnan(mid), np.nan, busy)

    of_week, of_days = both(week), both(days)
    # What neither the middle nor the busy hours of the last days show any more is gone.
    long = np.fmin(np.fmin(*of_week), np.fmax(*of_days))
    long = np.where(np.isnan(of_week[0]), np.nan, long)
    late = (rank > NEWEST) & (rank <= 2 * NEWEST)
    told = [long, np.fmin(*of_days), middle(rank <= NEWEST, NEWEST // 2)]
    told.append(middle(late, NEWEST // 2))
    age = [median(np.where(of, ages, np.nan), 1) for of in (there & (rank == 1), week)]
    return np.stack(told), np.stack(age)


def _of_highest(means: F64, upper: F64, middle: F64) -> F64:
    """Upper quartile of means over that of the clean ones, (m,); NaN where the ``middle`` is."""
    return np.where(np.isnan(middle), np.nan, divided(upper_quartile(means), upper))


def _is_recent(age: I64, mode: Compared, other: Compared) -> Bool:
    """Whether ``mode``, whose newest mean is of ``age``, says something of now, (m,).

    Without a load two modes are held against each other. One that was last seen before half of
    the other's means were taken says what was then: nothing of what came since.
    """
    recent: Bool = (np.fmax(age, mode.newest_age) <= RECENT_DRY_BINS) & ~np.isnan(mode.long)
    return recent & ~(mode.newest_age > other.middle_age)


def _sank(state: FleetState, rows: I64, newest: F64) -> Bool:
    """Whether the pads' pressure drop came down to ``newest`` of its baseline by and by, (m,)."""
    sank: Bool = np.zeros(len(rows), dtype=np.bool_)
    at = np.flatnonzero(newest <= 1.0 - LEAST_SINKING)
    if len(at):
        base = state.baseline[rows[at], _Q["pad_pressure_drop"]]
        kept = newest_means(state, rows[at], "pad_pressure_drop", STEADY_BINS)
        fallen = divided(1.0 - kept / base[:, None], 1.0 - newest[at, None])
        on_the_way = (fallen > MIDDLE[0]) & (fallen < MIDDLE[1])
        sank[at] = on_the_way.sum(axis=1) >= LEAST_ON_THE_WAY
    return sank


def heat_is_known(state: FleetState, rows: I64) -> Bool:
    """Units that have learned anything to be compared with, (m,)."""
    columns = [_Q["td_dry"], _Q["td_wet"], _Q["pad_pressure_drop"]]
    unknown: Bool = np.asarray(np.isnan(state.baseline[rows[:, None], columns]).all(axis=1))
    known: Bool = ~unknown
    known |= ~np.isnan(state.switch_effect[rows, -LEAST_SWITCHES])
    return known


def _newest_of_hours(state: FleetState, rows: I64, mode: int) -> F64:
    """Mean over the newest few TDs that count where no load is sent, (m,)."""
    newest: F64 = np.full(len(rows), np.nan)
    slow = np.flatnonzero(~state.heat_load_seen[rows])
    if len(slow):
        means = newest_means(state, rows[slow], _TDS[mode], UNKNOWN_LONG)
        means[~of_learned_hours(state, rows[slow], mode, UNKNOWN_LONG)] = np.nan
        there = ~np.isnan(means)
        rank = np.cumsum(there, axis=1)
        total = np.where(there & (rank <= CALM_MEANS), means, 0.0).sum(axis=1)
        newest[slow] = np.where(rank[:, -1] >= CALM_MEANS, total / CALM_MEANS, np.nan)
    return newest


def heat_is_calm(state: FleetState, rows: I64) -> Bool:
    """Units that know their clean state in both modes and whose newest means are like it, (m,).

    The mean over the newest few is enough to say so: no fault is judged by less than its median.
    """
    calm: Bool = np.ones(len(rows), dtype=np.bool_)
    for name in ("td_dry", "td_wet", "pad_pressure_drop"):
        newest = newest_means(state, rows, name, CALM_MEANS).mean(axis=1)
        if name in _TDS:
            newest = np.where(
                state.heat_load_seen[rows], newest, _newest_of_hours(state, rows, _TDS.index(name))
            )
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
    dry = _compared(plan, state, rows, 0, known, bin_id)
    wet = _compared(plan, state, rows, 1, known, bin_id)
    dry_age = bin_id - state.dry_seen_bin[rows]
    wet_age = bin_id - state.td_last_bin[rows, 1]
    pads_base = state.baseline[rows, _Q["pad_pressure_drop"]]
    pads = median(newest_means(state, rows, "pad_pressure_drop", SHORT), SHORT // 2)
    pads_scatter = divided(state.baseline_spread[rows, _Q["pad_pressure_drop"]], pads_base)
    fall = fall_of(plan, state, rows, known)
    wet_base = state.baseline[rows, _Q["td_wet"]]
    effect, clean, sd, by, held = effect_of(plan, state, rows, known, dry_age, fall)
    drops = newest_means(state, rows, "pad_pressure_drop", SHORT)
    newest_drop = divided(median(drops[:, :NEWEST], NEWEST // 2), pads_base)
    older_drop = divided(median(drops[:, NEWEST:], NEWEST // 2), pads_base)
    evaporated = evaporated_share(state, rows)
    depression = state.wet_depression_k[rows].astype(np.float64)
    even_k = even_rise_k(state, rows, bin_id)
    even_limit_k = plan.settings.get("head-pressure-high", "even_rise_k", rows)
    return HeatRejection(
        load_known=known,
        dry_recent=_is_recent(dry_age, dry, wet),
        wet_recent=_is_recent(wet_age, wet, dry),
        dry_today=np.fmax(dry_age, dry.newest_age) <= DAY_BINS,
        wet_ceased=~np.isnan(wet_base) & (wet_age > WET_CEASED_DAYS * DAY_BINS),
        dry=dry,
        wet=wet,
        effect=effect,
        effect_clean=clean,
        effect_sd=sd,
        effect_by=by,
        depression_k=depression,
        pads_ratio=divided(pads, pads_base),
        pads_waits=(state.value_ms[rows, _DROP] > 0) & np.isnan(pads_base),
        pads_se=MEDIAN_FACTOR * pads_scatter * np.sqrt(1.0 / SHORT + 1.0 / LONG),
        pads_last=divided(drops[:, 0], pads_base),
        pads_leapt=(1.0 - older_drop) <= LEAP_SHARE * (1.0 - newest_drop),
        pads_sank=_sank(state, rows, newest_drop),
        dry_often=state.td_gap_h[rows, 0] <= LEAP_GAP_H,
        wet_often=state.td_gap_h[rows, 1] <= LEAP_GAP_H,
        held_effect=held,
        fall_effect=fall.effect,
        fall_sd=fall.sd,
        fall_learned=fall.learned & known,
        fall_base=fall.base,
        fall_base_se=fall.base_se,
        evaporated=evaporated,
        evaporated_rise=divided((1.0 - evaporated) * clean * depression, wet_base),
        wet_news=wet_age <= WET_NEWS_BINS,
        even=even_k >= even_limit_k,
        even_waits=not_told_yet(state, rows, bin_id)
        | fades(state, rows, bin_id)
        | np.isnan(even_k),
        wet_moves=fall.crooked | (moves(state, rows, "td_wet", wet_base) & np.isnan(fall.effect)),
    )


@cache
def nothing_seen() -> HeatRejection:
    """What :func:`heat_rejection` says of no unit. Most bins bring no news of coil and pads, and
    working that out for nobody takes as long as for one: a fifth of closing a small fleet's bins.
    """
    nobody = np.empty(0, dtype=np.int64)
    return heat_rejection(FleetPlan.build((), {}, {}), FleetState.empty(0, 0), nobody, nobody)
