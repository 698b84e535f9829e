"""A pump that starts draws its pads and pipes full: the level says that it runs.

Within minutes of the command the basin falls by the water that the nameplate says is held up, and
that comes back when the pump stands. So a current that reads nothing, as it read before the
command, is a reading that stands still and no pump that does. A current that moved since the
command is believed, and so is a pump that was told to stand since: what runs away slowly by a drain
falls as far in the end. What falls on, farther than pads and pipes hold, is a drain as well.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import fault_column, fault_is_there
from rules.arrays import F64, I64, Bool
from rules.bin_rings import trace_window
from rules.bits import unpacked
from rules.plan import FleetPlan
from rules.signals import INDEX
from rules.state import BIN_MS, WATCHED, FleetState

__all__ = ["draws_water"]

_CURRENT: Final = INDEX["pump_current"]
_WATCHED: Final = WATCHED.index("pump_current")
_LEVEL: Final = INDEX["basin_level"]
PULLED_FRAC: Final = 0.6
"""Share of the nameplate's pull-down that has to be gone; the float may give back the rest
meanwhile (judgement)."""
MOST_PULLED: Final = 1.5
"""More in so short a time runs away by a drain."""
LATELY_BINS: Final = 3
"""Newest means while it ran, over the lowest of which the water of a pump that tripped comes
back."""
STARTS_MS: Final = 420_000
"""Most of what pads and pipes hold is gone within minutes of the command (common practice); seven
are one reading each five."""
ENDS_MS: Final = 1_800_000
"""So long the fall must end at what they hold."""
BEFORE_BINS: Final = 8
"""Newest means at rest that the fall is counted from, that of the start among them."""


def draws_water(
    plan: FleetPlan, state: FleetState, rows: I64, time_ms: I64, told_ms: I64, level_mm: F64
) -> Bool:
    """Units whose pump runs by their level, (k,).

    ``rows`` are commanded since ``told_ms``, and their current says that the pump stands;
    ``level_mm`` is what is known of the level. ``state.pump_state`` is still that of before.
    """
    pulled_mm = plan.pull_down_mm[rows]
    told = (pulled_mm > 0.0) & ~np.isnan(level_mm) & (told_ms > 0)
    moved_now = unpacked(state.seen_changed[rows])[:, _CURRENT]
    still_bins = np.where(moved_now, 0, state.still_age_bins[rows, _WATCHED])
    # Counted by whole bins, that of the command may be one of them.
    unmoved = ~moved_now & (still_bins >= (time_ms - told_ms) // BIN_MS)
    before = trace_window(state, rows, "level_at_rest", BEFORE_BINS)
    fall = np.fmax.reduce(before, axis=1) - level_mm
    ends = ~(fall > MOST_PULLED * pulled_mm) | (time_ms - told_ms > ENDS_MS)
    began = (time_ms - told_ms <= STARTS_MS) & (fall >= PULLED_FRAC * pulled_mm)
    lowest = np.fmin.reduce(trace_window(state, rows, "level_running", LATELY_BINS), axis=1)
    back = level_mm - lowest >= PULLED_FRAC * pulled_mm
    goes_on = (state.pump_state[rows] == 1) & ~back
    # Told of this very command: a later one may show that it runs again.
    onset_ms = state.alarm_onset_ms[rows, fault_column("pump-not-running")]
    stands = fault_is_there(state, rows, "pump-not-running") & (onset_ms >= told_ms)
    out: Bool = told & unmoved & (began | goes_on) & ends & ~stands
    return out
