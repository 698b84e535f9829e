"""The turn of a unit's day: the means that it brought become one figure a part.

Each unit has an hour of its own for it, taken from its id, so that a fleet does not end its day in
one step. It happens when the first bin of the new day closes, in the sample's own time: a backlog
gives the figures that live data would have given, and a replay the same.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import I64
from rules.bin_times import bin_start_ms
from rules.condition.air import coil, pads
from rules.condition.basin import basin, bleed, float_valve
from rules.condition.figures import PartCondition, figures_of
from rules.condition.water import distribution, flow_of_day, screen
from rules.condition.windows import WRAP, todays_counts
from rules.heat_compared import heat_rejection
from rules.plan import FleetPlan
from rules.state import FleetState

__all__ = ["DAY_BINS", "turn_days"]

DAY_BINS: Final = 288


def turn_days(plan: FleetPlan, state: FleetState, rows: I64, bin_id: I64) -> list[PartCondition]:
    """The figures of those of ``rows`` (k,) whose bins ``bin_id``, about to close, begin a day."""
    day = (bin_id + plan.day_phase_bins[rows]) // DAY_BINS
    turned = day != state.figure_day[rows]
    if not turned.any():
        return []
    row, new = rows[turned], day[turned]
    old = state.figure_day[row].astype(np.int64)
    # A clock that was put back gives no day twice.
    ended = (old > 0) & (new > old)
    figures = _figures(plan, state, row[ended], old[ended]) if ended.any() else []
    state.figure_day[row] = new
    state.figure_mark[row] = state.steady_count[row] % WRAP
    state.water_looks[row] = np.nan
    return figures


def _figures(plan: FleetPlan, state: FleetState, rows: I64, day: I64) -> list[PartCondition]:
    first = day * DAY_BINS - plan.day_phase_bins[rows]
    since_ms = bin_start_ms(plan, rows, first)
    end_ms = bin_start_ms(plan, rows, first + DAY_BINS)
    count = todays_counts(state, rows)
    flow = flow_of_day(plan, state, rows, count)
    heat = heat_rejection(plan, state, rows, first + DAY_BINS - 1)
    judged = {
        "pump-screen": screen(plan, rows, flow),
        "distribution": distribution(plan, rows, flow),
        "pads": pads(plan, state, rows, count, heat),
        "coil": coil(plan, state, rows, count, heat),
        "basin": basin(state, rows),
        "float": float_valve(plan, state, rows),
        "bleed": bleed(plan, state, rows),
    }
    out = []
    for part, one in judged.items():
        out += figures_of(part, rows, since_ms, end_ms, one)
    return out
