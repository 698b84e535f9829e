"""How concentrated a unit's running water is used to become before its bleed acts.

A bleed by conductivity, timer or make-up pulse lets the water climb to a top of the unit's own, as
fast as with the bleed shut, for it is shut then. Set points and nameplates differ from site to
site, so the top is learned from wet running: what is not passed for a day and a half, and then an
upper quantile that follows slowly. Fresh water may climb for days before any bleed acts, and each
new top begins the count anew; so does a basin that is emptied, for one that is drained each night
may never get where its bleed acts. A blocked bleed passes within a day what was never passed.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64
from rules.drained import DRAINED_MM, PROBE_IN_AIR_FRAC
from rules.plan import FleetPlan
from rules.state import FleetState

__all__ = ["close_top", "usual_top_us_cm"]

LEAST_RUN_BINS: Final = 432
"""A day and a half of running below it, several turns of any bleed that works: less is no habit."""
NEWS_FRAC: Final = 0.02
"""So far over the top seen before, water is still on its way up: more than a mean of five minutes
scatters (judgement)."""
LEAST_EVAPORATION_FRAC: Final = 0.03
"""Share of a design day's evaporation below which hours show nothing: in damp air water stays as it
is with any bleed. A day and a half of this share still raises unbled water by a tenth and more
(judgement)."""
UPPER_FRAC: Final = 0.97
"""The quantile: the top of a sawtooth, not the single reading above it."""
STEP_FRAC: Final = 2e-4
"""Step of the quantile's search, of its value, a running mean of five minutes: up 2 % in eight
running hours above it, down 2 % in eleven days below it. A make-up's seasons are followed; the two
days that a blocked bleed takes to the limit are not."""


def close_top(plan: FleetPlan, state: FleetState, rows: I64, means: dict[str, F64]) -> None:
    """Learn from the bins of ``rows`` that are just closing; only full bins of running count.

    ``means`` holds the means of the bin, (k,): the share in which the pump ran, conductivity
    [µS/cm at 25 °C], the level at rest [mm] and the evaporation by the weather [L/min]. Above the
    unit's limit nothing is learned: no habit is a good one there.
    """
    emptied = means["level_at_rest"] < DRAINED_MM
    emptied |= means["conductivity"] < PROBE_IN_AIR_FRAC * plan.makeup_us_cm[rows]
    emptied &= state.top_run_bins[rows] < LEAST_RUN_BINS
    state.top_run_bins[rows[emptied]] = 0
    limit = plan.conductivity_limit_us_cm[rows]
    at = np.flatnonzero((means["pump_running"] >= 1.0) & (means["conductivity"] < limit))
    if not len(at):
        return
    row, now = rows[at], means["conductivity"][at]
    run, top = state.top_run_bins[row], state.top_us_cm[row].astype(np.float64)
    first = run < LEAST_RUN_BINS
    step = STEP_FRAC * top * np.where(now > top, UPPER_FRAC, UPPER_FRAC - 1.0)
    state.top_us_cm[row] = np.where(first, top, top + step)
    if not first.any():
        return
    young = np.flatnonzero(first)
    row, now, top = row[young], now[young], top[young]
    least = LEAST_EVAPORATION_FRAC * plan.design_evaporation_l_min[row]
    # Without weather every hour of running counts.
    tells = ~(means["evaporation"][at[young]] < least)
    passed = now > (1.0 + NEWS_FRAC) * top
    state.top_us_cm[row] = np.where(passed, now, top)
    state.top_run_bins[row] = np.where(passed, 0, state.top_run_bins[row] + tells)
    # What was learned below an older top is no range of this water.
    state.bottom_run_bins[row[passed]] = 0


def usual_top_us_cm(state: FleetState, rows: I64) -> F64:
    """Usual top of the running water, (k,), NaN where it has not stayed below it for long."""
    known = state.top_run_bins[rows] >= LEAST_RUN_BINS
    return np.where(known, state.top_us_cm[rows].astype(np.float64), np.nan)
