"""How far the current of a clean pump wanders at its unit, learned in the first days after.

Where the current is the only witness of the water, what moves it besides water decides how small a
loss can be told: the supply's voltage above all, which wanders by a tenth at one site (EN 50160
allows it) and by next to nothing at another. The lowest running hour of some days says which it is.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import may_stand
from rules.arrays import F64, I64, Bool
from rules.bin_rings import median_last_axis, ring_window
from rules.state import STEADY, STEADY_BINS, FleetState

__all__ = ["forget_low", "learn_low", "lowest_frac"]

_CURRENT: Final = [q.name for q in STEADY].index("pump_current")
HOUR_BINS: Final = 12
LEARN_MS: Final = 5 * 86_400_000
"""Working days of a week: what loads the grid by day, and on which days, is in them (judgement)."""
LEAST_HOURS: Final = 24
"""Running hours that they must hold at least; a unit that runs less is given more days."""


def learn_low(state: FleetState, rows: I64, end_ms: I64, fresh: Bool) -> None:
    """Mind the running hours that the closed bins of ``rows`` complete, while they still teach.

    ``fresh`` says that the bin gave an accepted mean of the current. Any alarm that stands, or
    may while it is held, spoils it.
    """
    whole = fresh & (state.steady_count[rows, _CURRENT] % HOUR_BINS == 0)
    at = np.flatnonzero(whole & (state.baseline_ms[rows, _CURRENT] > 0))
    at = at[~_is_learned(state, rows[at], end_ms[at]) & ~state.baseline_frozen[rows[at]]]
    at = at[~may_stand(state.alarm_state[rows[at]]).any(axis=1)]
    if not len(at):
        return
    row = rows[at]
    back = np.arange(1, HOUR_BINS + 1)
    place = (state.steady_count[row, _CURRENT][:, None] - back) % STEADY_BINS
    hour = median_last_axis(ring_window(state.steady, row, _CURRENT, place))
    state.current_low_a[row] = np.fmin(state.current_low_a[row], hour)
    state.current_hours[row] = np.minimum(state.current_hours[row], 254) + 1


def forget_low(state: FleetState, rows: I64) -> None:
    """The clean current has been learned anew: so is its wander."""
    state.current_low_a[rows] = np.nan
    state.current_hours[rows] = 0


def lowest_frac(state: FleetState, rows: I64, now_ms: I64) -> F64:
    """Lowest running hour over the clean current, (k,); NaN before it is learned."""
    low = state.current_low_a[rows] / state.baseline[rows, _CURRENT]
    out: F64 = np.where(_is_learned(state, rows, now_ms), low, np.nan)
    return out


def _is_learned(state: FleetState, rows: I64, now_ms: I64) -> Bool:
    days = now_ms - state.baseline_ms[rows, _CURRENT] >= LEARN_MS
    out: Bool = days & (state.current_hours[rows] >= LEAST_HOURS)
    return out
