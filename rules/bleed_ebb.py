"""Whether the running water ebbs: falls for hours, slower than a bleed's turns, but lets go solids.

A bleed that runs with the pump takes no turns (:mod:`rules.bleed_turns`). Under it the water climbs
by day and falls by night, as evaporation comes and goes. With the bleed shut the solids stay in the
basin, however little evaporates and whatever comes in: at the same level running water cannot fall
at all. So a slow fall tells of a line that was open then. It says less of now, since a line may
have blocked meanwhile; but the next climb of such water goes about as far as the last one went, by
as much as the weather moves it.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.balance import LIP_MM
from rules.bin_rings import trace_windows
from rules.bleed_turns import UNTOLD_BINS
from rules.physics.water_balance import volume_l
from rules.plan import FleetPlan
from rules.state import TRACE, TRACE_BINS, FleetState

__all__ = ["close_ebb", "ebbed_from_us_cm", "forget_ebb"]

SPAN_BINS: Final = 30
"""Two hours and a half: nearly all that is remembered bin by bin."""
FALL_FRAC: Final = 0.04
"""Least fall in it, of the solids that the water holds. Drift carries off less than a hundredth, a
probe fouls by per cents in days, and the scatter of two means is below it (judgement)."""
MEMORY_BINS: Final = 432
"""A day and a half: the last night, and the one before where this one was a warm one."""
SWING_SHARE: Final = 0.5
"""Share of the last swing by which the next top may pass the last one: where weather moves the
water much from day to night, it does so from day to day (judgement)."""
_CONDUCTIVITY: Final = TRACE.index("conductivity")


def close_ebb(
    plan: FleetPlan, state: FleetState, rows: I64, bin_id: I64, pump_running: F64, now: F64
) -> None:
    """Look for an ebb that goes on in the bins of ``rows`` that are just closing.

    ``bin_id`` is the bin, whose means are in the trace already; ``pump_running`` the share of it
    in which the pump ran, ``now`` its conductivity, (k,). What fell while somebody works on the
    unit is none: see :func:`rules.bleed_turns.close_turns`, which goes before and minds it.
    """
    runs = np.flatnonzero(pump_running >= 1.0)
    row, at_bin = rows[runs], bin_id[runs]
    at = (row * len(TRACE) + _CONDUCTIVITY) * TRACE_BINS + (at_bin - SPAN_BINS) % TRACE_BINS
    fell = now[runs] <= (1.0 - FALL_FRAC) * state.trace.reshape(-1).take(at)
    few = np.flatnonzero(fell & (at_bin - state.turn_worked_bin[row] > SPAN_BINS + 2))
    if len(few):
        _take(plan, state, row[few], at_bin[few])


def _take(plan: FleetPlan, state: FleetState, row: I64, bin_id: I64) -> None:
    """Keep from where and how far the water ebbed, of those among these whose water did."""
    names = ("conductivity", "level_running", "level_at_rest", "current_running", "evaporation")
    water, level, rest, current, evaporation = trace_windows(state, row, names, SPAN_BINS + 2)
    untold = np.isnan(level) & np.isnan(current) & ~(evaporation > 0.0)
    found = np.isnan(rest).all(axis=1) & (untold.sum(axis=1) <= UNTOLD_BINS)
    found &= ~(level > plan.overflow_mm[row, None] - LIP_MM).any(axis=1)
    before, after = water[:, :2].min(axis=1), water[:, -2:].max(axis=1)
    # A basin that fills up thins its water and loses no solids.
    area = plan.area_m2[row]
    more = np.ones(len(row))
    depths = [level[:, :2].min(axis=1), level[:, -2:].max(axis=1)]
    known = ~np.isnan(depths[0]) & ~np.isnan(depths[1])
    first_l, last_l = (volume_l(depth, area, area * plan.pull_down_mm[row]) for depth in depths)
    more[known] = np.maximum(last_l[known] / first_l[known], 1.0)
    found &= known | np.isnan(level).all(axis=1)
    found &= after * more <= (1.0 - FALL_FRAC) * before
    row, bin_id, before, after = row[found], bin_id[found], before[found], after[found]
    goes_on = (state.ebb_us_cm[row] > 0.0) & (bin_id - state.ebb_bin[row] <= SPAN_BINS)
    top = np.where(goes_on, np.maximum(state.ebb_us_cm[row], before), before)
    low = np.where(goes_on, np.minimum(state.ebb_low_us_cm[row], after), after)
    state.ebb_us_cm[row], state.ebb_low_us_cm[row], state.ebb_bin[row] = top, low, bin_id


def ebbed_from_us_cm(state: FleetState, rows: I64, now: F64) -> F64:
    """Where the water began to ebb last, (k,), of units whose water is at ``now`` [µS/cm].

    NaN where that is long past, never was, or so far below that it says nothing of this climb.
    """
    top, low = (a[rows].astype(np.float64) for a in (state.ebb_us_cm, state.ebb_low_us_cm))
    lately = (top > 0.0) & (state.trace_bin[rows] - state.ebb_bin[rows] < MEMORY_BINS)
    with np.errstate(divide="ignore", invalid="ignore"):
        swing = np.where(lately, top / low - 1.0, np.nan)
    near: Bool = lately & (now <= (1.0 + SWING_SHARE * swing) * top)
    return np.where(near, top, np.nan)


def forget_ebb(state: FleetState, row: int) -> None:
    """Forget how the water of a unit ebbed: whoever worked on its bleed may have set it anew."""
    state.ebb_us_cm[row] = 0.0
    state.ebb_low_us_cm[row] = 0.0
