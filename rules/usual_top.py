"""How concentrated a unit's running water is used to become before its bleed acts.

A bleed by conductivity, timer or make-up pulse lets the water climb to a top of the unit's own, as
fast as with the bleed shut, for it is shut then. Set points and nameplates differ from site to
site, so the top is learned from wet running: the greatest means of the first days, from then on an
upper quantile that follows slowly. A blocked bleed passes within a day what was never passed.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64
from rules.plan import FleetPlan
from rules.state import FleetState

__all__ = ["close_top", "usual_top_us_cm"]

LEAST_RUN_BINS: Final = 432
"""A day and a half of running, several turns of any bleed that works: less is no habit."""
UPPER_FRAC: Final = 0.97
"""The quantile: the top of a sawtooth, not the single reading above it."""
STEP_FRAC: Final = 2e-4
"""Step of the quantile's search, of its value, a running mean of five minutes: up 2 % in eight
running hours above it, down 2 % in eleven days below it. A make-up's seasons are followed; the two
days that a blocked bleed takes to the limit are not."""


def close_top(
    plan: FleetPlan, state: FleetState, rows: I64, pump_running: F64, conductivity: F64
) -> None:
    """Learn from the bins of ``rows`` that are just closing; only full bins of running count.

    ``pump_running`` is the share of the bin, ``conductivity`` its mean [µS/cm at 25 °C], both (k,).
    Above the unit's limit nothing is learned: no habit is a good one there.
    """
    limit = plan.conductivity_limit_us_cm[rows]
    at = np.flatnonzero((pump_running >= 1.0) & (conductivity < limit))
    if not len(at):
        return
    row, now = rows[at], conductivity[at]
    run, top = state.top_run_bins[row], state.top_us_cm[row].astype(np.float64)
    first = run < LEAST_RUN_BINS
    step = STEP_FRAC * top * np.where(now > top, UPPER_FRAC, UPPER_FRAC - 1.0)
    state.top_us_cm[row] = np.where(first, np.fmax(top, now), top + step)
    state.top_run_bins[row] = run + first


def usual_top_us_cm(state: FleetState, rows: I64) -> F64:
    """Usual top of the running water, (k,), NaN where the unit has not run for long enough."""
    known = state.top_run_bins[rows] >= LEAST_RUN_BINS
    return np.where(known, state.top_us_cm[rows].astype(np.float64), np.nan)
