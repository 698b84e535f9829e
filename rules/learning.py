"""Baselines: what a clean unit shows, learned once from steady means without alarms."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import may_stand
from rules.arrays import F64, I64, Bool
from rules.bin_rings import median_last_axis
from rules.condition.windows import MEDIAN_FACTOR
from rules.events import BaselineChange
from rules.heat_hours import learn_hours
from rules.heat_memory import wanted_means
from rules.plan import FleetPlan
from rules.settings import FLEET
from rules.state import STEADY, STEADY_BINS, FleetState
from rules.usual_current import forget_low
from rules.wet_course import learn_course

__all__ = ["learn_baselines"]

_Q: Final = {q.name: i for i, q in enumerate(STEADY)}
_TDS: Final = [_Q["td_dry"], _Q["td_wet"]]
TWO_HALVES: Final = 2.0
"""Standard errors by which the medians of two halves of a baseline may differ by chance: one in
twenty differs by more (a normal distribution)."""


def learn_baselines(
    plan: FleetPlan, state: FleetState, rows: I64, end_ms: I64
) -> list[BaselineChange]:
    """Learn the baselines that have enough steady means, where no alarm spoils them.

    Learned once and kept: a fault that grows slowly must not teach itself into the baseline. Only a
    cleaning that has proven to help, or a person, asks for another; until then the old one holds.
    """
    bins = np.asarray(plan.settings.get(FLEET, "baseline_bins", rows)).astype(np.int64)
    wanted = wanted_means(plan, state, rows, bins)
    enough = state.steady_count[rows] >= wanted
    due = enough & (np.isnan(state.baseline[rows]) | state.baseline_relearn[rows])
    due &= ~state.baseline_frozen[rows, None]
    if not due.any():
        return []
    due &= ~may_stand(state.alarm_state[rows]).any(axis=1, keepdims=True)
    which, quantity = np.nonzero(due)
    row = rows[which]
    n = wanted[which, quantity]
    back = np.arange(STEADY_BINS, 0, -1)
    position = (state.steady_count[row, quantity][:, None] - back) % STEADY_BINS
    window = state.steady[row[:, None], quantity[:, None], position].astype(np.float64)
    window[back > n[:, None]] = np.nan
    middle = median_last_axis(window)
    spread = 1.4826 * median_last_axis(np.abs(window - middle[:, None]))
    older = back > n[:, None] // 2
    halves: F64 = np.abs(
        median_last_axis(np.where(older, window, np.nan))
        - median_last_axis(np.where(older, np.nan, window))
    )
    drift_pct = np.broadcast_to(plan.settings.get(FLEET, "baseline_drift_pct", rows), len(rows))
    limit = np.maximum(drift_pct[which] / 100.0 * np.abs(middle), 0.5 * spread)
    # Loads that are not sent go up and down with the days: more than their scatter is a drift.
    loads = np.isin(quantity, _TDS) & ~state.heat_load_seen[row]
    by_scatter = TWO_HALVES * MEDIAN_FACTOR * 2.0 * spread / np.sqrt(np.maximum(n, 1))
    limit = np.where(loads, np.maximum(limit, by_scatter), limit)
    steady: Bool = np.asarray(halves <= limit, dtype=np.bool_)
    row, quantity, at_ms = row[steady], quantity[steady], end_ms[which][steady]
    state.baseline[row, quantity] = middle[steady]
    state.baseline_spread[row, quantity] = spread[steady]
    state.baseline_count[row, quantity] = n[steady]
    state.baseline_ms[row, quantity] = at_ms
    state.baseline_relearn[row, quantity] = False
    forget_low(state, row[quantity == _Q["pump_current"]])
    for mode, q in enumerate(_TDS):
        if (of := quantity == q).any():
            learn_hours(state, row[of], mode, n[steady][of])
    wetted = quantity == _Q["td_wet"]
    if wetted.any():
        learn_course(state, row[wetted], n[steady][wetted])
    return [
        BaselineChange(r, STEADY[q].name, STEADY[q].mode, value, width, count, t, STEADY[q].unit)
        for r, q, value, width, count, t in zip(
            row.tolist(), quantity.tolist(), middle[steady].tolist(), spread[steady].tolist(),
            n[steady].tolist(), at_ms.tolist(), strict=True,
        )
    ]  # fmt: skip
