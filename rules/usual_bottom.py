"""How concentrated a unit's running water is used to stay, and whether it fell far below that.

A bleed that acts by conductivity holds the water between a top and a bottom of the unit's own. Once
it held them for days, water that leaves that range downwards and does not climb back, although
enough has evaporated since, leaves the basin as liquid. After a drain and a fill, after weeks at
rest or in weather in which little evaporates, water is thin for good reason: a basin that stood
empty, or was not heard of, is not judged before it has been concentrated again, and the way back
is counted in water evaporated, not in hours. While a basin runs over, or somebody works on it, the
way back has not begun.

What evaporates is worked out from the weather, as if the pads were wet. Pads that no longer wet
evaporate next to nothing, and the bleed that runs on thins the water in the same way. The float
tells them apart: it must let in what evaporates and what leaves together. If it does not, the count
says nothing and begins anew.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.balance import (
    EVAPORATION_ERROR_FRAC,
    EVAPORATION_SDS,
    LEAST_MAKEUP_FRAC,
    LIP_MM,
    most_makeup_l_min,
)
from rules.bin_rings import trace_windows
from rules.drained import DRAINED_MM, PROBE_IN_AIR_FRAC
from rules.physics.water_balance import volume_l
from rules.plan import FleetPlan
from rules.state import BIN_MS, FleetState
from rules.usual_top import STEP_FRAC, usual_top_us_cm
from rules.water_windows import mean

__all__ = ["close_bottom", "slid_below", "thinner_than_ever", "usual_bottom_us_cm"]

TOP_RUN_BINS: Final = 144
"""Half a day of running in which the top was not passed: from then on the bottom is looked for."""
LEAST_RUN_BINS: Final = 576
"""Two days of running after that: two days and a half during which the water stayed in a narrow
range are a habit (judgement)."""
LOWER_FRAC: Final = 0.1
"""The quantile: the bottom of a sawtooth, not the pocket of fresh water below it."""
FIRST_STEPS: Final = 5.0
"""The search starts at the top and goes down by so many times the usual step at first."""
THIN_STEPS: Final = 0.1
"""Thin water teaches a tenth as fast: a fault of weeks does not become the habit."""
NARROW_FRAC: Final = 0.75
"""Bottom over top from which the water is held: a bleed by conductivity holds it within a tenth or
two, one that only follows the pump lets the weather move it twofold (judgement)."""
THIN_FRAC: Final = 0.7
"""Share of the usual bottom below which the water is thin: probe and season move it by less than a
fifth (judgement)."""
LEAST_THIN_BINS: Final = 36
"""Three hours of running: a part drain by hand and its filling are over."""
BLIND_THIN_BINS: Final = 288
"""Without weather, a day of running stands for the way back: basins that run wet turn their water
over several times a day (judgement)."""
WAY_TIMES: Final = 2.0
"""Water evaporated since, of what the way back takes without a bleed: evaporation is good to a
fifth, basin volume and make-up to a tenth each, and all may be against it."""
HOUR_BINS: Final = 12
LEAST_HOUR_BINS: Final = 10
"""Means of an hour of running that the float is judged by: one that opens fully and shuts again is
seen over its turns."""
MISSED_BINS: Final = 6
"""Half an hour unheard, in which a basin can be drained and filled."""
_VOID: Final = -1.0
HELD_FRAC: Final = 0.85
"""Bottom over top from which the bleed surely holds the water: where it only follows the pump, day
and night move it by more, unless the basin is large (below)."""
TURNOVER_H: Final = 12.0
"""Time in which the intended bleed of a dry hot day changes the basin's water once, up to which day
and night would show in a water that nothing holds: at a third of that evaporation it is a day and
a half, which still moves it by a sixth (judgement)."""
BACK_FRAC: Final = 0.9
"""Share of that bottom below which the reading has left it, and above which it is back: waves of a
sawtooth and a probe's scatter are within."""
FORGETS: Final = 3.5e-5
"""Share of the bottom it left that is forgotten in a bin below it: a hundredth in a day, as seasons
go; fouling of weeks goes further."""
SLIDE_BINS: Final = 288
"""A day of running: a valve that does not shut changes a basin of such a turnover within hours, and
a probe that fouls takes days (judgement)."""
HABIT_BINS: Final = 4032
"""Two weeks of running below it, but not far: then that is the habit."""
SLID: Final = 65_535


def close_bottom(
    plan: FleetPlan, state: FleetState, rows: I64, means: dict[str, F64], missed: I64
) -> None:
    """Learn from the bins of ``rows`` that are just closing, and count what evaporates meanwhile.

    ``means`` holds the means of the bin, (k,): the share in which the pump ran, conductivity, the
    levels, and the evaporation by the weather; ``missed`` the bins since the last one.
    """
    now, limit = means["conductivity"], plan.conductivity_limit_us_cm[rows]
    level = np.fmin(means["level_at_rest"], means["level_running"])
    empty = (level < DRAINED_MM) | (now < PROBE_IN_AIR_FRAC * plan.makeup_us_cm[rows])
    unsure = empty | (missed > MISSED_BINS)
    state.thin_evaporated[rows[unsure]] = _VOID
    worked_on = state.out_of_service_until_ms[rows] != 0
    # Fresh water says nothing of a probe that slid; nor that it did not, unless it was cleaned.
    state.slide_bins[rows[unsure & ((state.slide_bins[rows] < SLID) | worked_on)]] = 0
    level = np.fmax(means["level_at_rest"], means["level_running"])
    anew = level >= plan.overflow_mm[rows] - LIP_MM
    # Whoever works on the unit may have mended what thinned the water, or changed the water.
    anew |= worked_on
    if anew.any():
        _begin_anew(state, rows[anew])
    learns = (means["pump_running"] >= 1.0) & ~np.isnan(now)
    at = np.flatnonzero(learns & (state.top_run_bins[rows] >= TOP_RUN_BINS))
    if not len(at):
        return
    row, now = rows[at], now[at]
    run = state.bottom_run_bins[row]
    first = run < LEAST_RUN_BINS
    bottom = state.bottom_us_cm[row].astype(np.float64)
    bottom = np.where(run > 0, bottom, state.top_us_cm[row])
    thin = now < THIN_FRAC * bottom
    _slide(plan, state, row, now, bottom)
    step = STEP_FRAC * bottom * np.where(now > bottom, LOWER_FRAC, LOWER_FRAC - 1.0)
    step *= np.where(first, FIRST_STEPS, np.where(thin, THIN_STEPS, 1.0))
    # Above its limit no habit is a good one.
    state.bottom_us_cm[row] = bottom + np.where(now < limit[at], step, 0.0)
    state.bottom_run_bins[row] = run + first
    # Most water is as ever, and was: only the others are counted.
    few = np.flatnonzero(thin | (state.thin_run_bins[row] > 0) | (state.thin_evaporated[row] < 0))
    if len(few):
        _count(plan, state, row[few], thin[few], means["evaporation"][at[few]])


def _slide(plan: FleetPlan, state: FleetState, row: I64, now: F64, bottom: F64) -> None:
    """Follow readings that leave the range in which they were held, slowly and downwards.

    The bottom that they left is remembered by itself, since the usual one follows them.
    """
    from_ = state.slide_from_us_cm[row].astype(np.float64)
    held = bottom >= HELD_FRAC * state.top_us_cm[row]
    at = np.flatnonzero((now < BACK_FRAC * from_) | ((bottom > from_) & held))
    back = row[(state.slide_bins[row] > 0) & (now >= BACK_FRAC * from_)]
    state.slide_bins[back] = 0
    if not len(at):
        return
    row, now, bottom, from_, held = row[at], now[at], bottom[at], from_[at], held[at]
    turnover_h = (
        plan.float_shut_mm[row] * plan.area_m2[row]
        * (plan.target_cycles[row] - 1.0) / (60.0 * plan.design_evaporation_l_min[row])
    )  # fmt: skip
    learns = held & (turnover_h <= TURNOVER_H) & (state.bottom_run_bins[row] >= LEAST_RUN_BINS)
    from_ = np.where(learns, np.maximum(from_, bottom), from_)
    below = now < BACK_FRAC * from_
    from_ = np.where(below, (1.0 - FORGETS) * from_, from_)
    bins = state.slide_bins[row].astype(np.int64)
    habit = (bins >= HABIT_BINS) & (bins < SLID)
    state.slide_from_us_cm[row] = np.where(habit, bottom, from_)
    # Water that was thinned within hours tells of no slide, however long it stays thin.
    arrived = np.where(bins >= SLIDE_BINS, SLID, 0)
    more = np.where(now < THIN_FRAC * from_, arrived, bins + 1)
    bins = np.where(bins == SLID, SLID, more)
    state.slide_bins[row] = np.where(habit | ~below, 0, bins).astype(np.uint16)


def slid_below(state: FleetState, rows: I64) -> Bool:
    """Units whose reading slid, over days, far below the range in which it was held, (k,)."""
    slid: Bool = state.slide_bins[rows] == SLID
    return slid


def _count(plan: FleetPlan, state: FleetState, row: I64, thin: Bool, evaporation: F64) -> None:
    """One more bin of thin water, and what evaporated in it [L/min]; none where it is as usual."""
    held_l = volume_l(
        plan.float_shut_mm[row], plan.area_m2[row], plan.area_m2[row] * plan.pull_down_mm[row]
    )
    gone_l = np.fmax(evaporation, 0.0) * (BIN_MS / 60_000.0)
    since = state.thin_evaporated[row].astype(np.float64)
    since = np.where(since < 0.0, _VOID, since + gone_l / held_l)
    state.thin_evaporated[row] = np.where(thin, since, 0.0)
    bins = state.thin_run_bins[row]
    state.thin_run_bins[row] = np.where(thin, np.minimum(bins, 60_000) + 1, 0)
    unfed = row[thin]
    _begin_anew(state, unfed[_not_fed(plan, state, unfed)])


def _begin_anew(state: FleetState, row: I64) -> None:
    """From here on the way back is counted; a basin that was empty is not judged any sooner."""
    state.thin_run_bins[row] = 0
    state.thin_evaporated[row] = np.minimum(state.thin_evaporated[row], 0.0)


def _not_fed(plan: FleetPlan, state: FleetState, row: I64) -> Bool:
    """Whether less came in than would have to evaporate and leave, to keep the water as thin, (k,).

    Thin water in balance has :math:`B = E / (C / C_m - 1)`, and the float lets in E + B. All errors
    are against it: the least of B, the most of the float.
    """
    names = ("conductivity", "level_running", "evaporation", "makeup_flow")
    now, level, evaporation, metered = (
        mean(window, LEAST_HOUR_BINS) for window in trace_windows(state, row, names, HOUR_BINS)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        over = now / (LEAST_MAKEUP_FRAC * plan.makeup_us_cm[row]) - 1.0
        least = (1.0 - EVAPORATION_SDS * EVAPORATION_ERROR_FRAC) * evaporation / over
    at_most = most_makeup_l_min(plan, row, level, metered)
    unfed: Bool = (over > 0.0) & (evaporation + least > at_most)
    return unfed


def usual_bottom_us_cm(state: FleetState, rows: I64) -> F64:
    """Usual bottom of the running water, (k,), NaN where it is not known or not held."""
    bottom = state.bottom_us_cm[rows].astype(np.float64)
    held = bottom >= NARROW_FRAC * usual_top_us_cm(state, rows)
    return np.where(held & (state.bottom_run_bins[rows] >= LEAST_RUN_BINS), bottom, np.nan)


def thinner_than_ever(plan: FleetPlan, state: FleetState, rows: I64) -> Bool:
    """Units whose water left its usual range and should have come back by now, (k,)."""
    bins = state.thin_run_bins[rows]
    out = np.zeros(len(rows), dtype=np.bool_)
    at = np.flatnonzero(bins >= LEAST_THIN_BINS)
    if not len(at):
        return out
    row = rows[at]
    way = usual_bottom_us_cm(state, row) / plan.makeup_us_cm[row] - 1.0  # basin volumes
    since = state.thin_evaporated[row]
    blind = (since == 0.0) & (bins[at] >= BLIND_THIN_BINS) & ~np.isnan(way)
    out[at] = (since >= WAY_TIMES * way) | blind
    return out
