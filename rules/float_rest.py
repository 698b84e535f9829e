"""How high the float of a unit really holds the water, learned where the level comes to rest.

A float is set, and a transmitter reads, up to a centimetre and a half off the site file every day
(common practice), which is as much as a leak lifts the water in an hour. Where the water settles
tells them apart: a valve that does not shut lets it rise until it runs over, so a level that stands
below the overflow for hours is one that the float holds, wherever the file says that it shuts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from rules.alarms import fault_column, may_stand
from rules.arrays import F64, I64, Bool
from rules.bin_rings import median_last_axis, trace_window
from rules.events import BaselineChange
from rules.plan import FleetPlan
from rules.state import TRACE_BINS, FleetState

if TYPE_CHECKING:
    from rules.bins import BinView
    from rules.look import UnitLook

__all__ = [
    "AT_REST", "FLOAT_LEVEL", "RUNNING", "SET_HIGH_MM", "float_note", "float_top_mm",
    "forget_float", "learn_float", "over_level_mm", "rest_is_known",
]  # fmt: skip

RUNNING: Final = 0
AT_REST: Final = 1
_TRACES: Final = ("level_running", "level_at_rest")
_MODES: Final = ("pump running", "at rest")
FLOAT_LEVEL: Final = "float_level"
"""The name by which what is learned here is recorded."""

SET_HIGH_MM: Final = 16.0
"""Floats are set, and transmitters read, so far off the site file every day (common practice). So
far a level counts as the float's doing before its own is known, and no further it is learned: a
fault that came with the unit teaches no more than that."""
LEAST_HOURS: Final = 24
"""Hours, each the end of three settled ones, that make a habit: more than one day of running, or
of rest."""
LOOK_BINS: Final = 12
"""Looked at once an hour, and by how the newest hour of the trace compares with its oldest."""
LEAST_IN_HOUR: Final = 8
"""Means that such an hour must have in the same state."""
SETTLED_MM: Final = 2.0
"""Rise in two hours up to which a level has settled: noise of a basin's means (judgement). A coarse
reading is given its own step. A leak of a tenth of a litre a minute lifts a square metre by 12."""
NEAR_LIP_MM: Final = 6.0
"""So close below the overflow a level may stand because water runs over."""
_SPOILED_BY: Final = ("float-stuck-open", "float-leaking", "level-frozen", "reading-out-of-range")


def learn_float(
    plan: FleetPlan, state: FleetState, rows: I64, bin_id: I64, end_ms: I64
) -> list[BaselineChange]:
    """Look at the levels of units whose hour is over, until enough of them is known."""
    at = np.flatnonzero(bin_id % LOOK_BINS == 0)
    known = state.float_hours[rows[at]] >= LEAST_HOURS
    at = at[~known.all(axis=1) & ~state.baseline_frozen[rows[at]]]
    if not len(at):
        return []
    columns = np.array([fault_column(slug) for slug in _SPOILED_BY])
    ill = may_stand(state.alarm_state[rows[at, None], columns]).any(axis=1)
    at = at[~ill]
    changes: list[BaselineChange] = []
    for which in (RUNNING, AT_REST):
        learning = at[state.float_hours[rows[at], which] < LEAST_HOURS]
        changes += _look(plan, state, rows[learning], end_ms[learning], which)
    return changes


def _look(
    plan: FleetPlan, state: FleetState, row: I64, end_ms: I64, which: int
) -> list[BaselineChange]:
    window = trace_window(state, row, _TRACES[which], TRACE_BINS)
    oldest, newest = window[:, :LOOK_BINS], window[:, -LOOK_BINS:]
    full = (~np.isnan(oldest)).sum(axis=1) >= LEAST_IN_HOUR
    full &= (~np.isnan(newest)).sum(axis=1) >= LEAST_IN_HOUR
    if not full.any():
        return []
    level = median_last_axis(newest)
    rise = level - median_last_axis(oldest)
    allowed = np.maximum(SETTLED_MM, state.level_step_mm[row])
    settled = full & (rise <= allowed) & (level < plan.overflow_mm[row] - NEAR_LIP_MM)
    # A reading that stands still through the work of the pump shows no level.
    settled &= state.still_starts[row] == 0
    found = np.flatnonzero(settled)
    these, high = row[found], level[found]
    state.float_top_mm[these, which] = np.fmax(state.float_top_mm[these, which], high)
    state.float_hours[these, which] += 1
    done = np.flatnonzero(state.float_hours[these, which] == LEAST_HOURS)
    state.float_ms[these[done], which] = end_ms[found[done]]
    return [
        BaselineChange(
            r, FLOAT_LEVEL, _MODES[which], float(state.float_top_mm[r, which]), None, LEAST_HOURS,
            int(t), "mm",
        )
        for r, t in zip(these[done].tolist(), end_ms[found[done]].tolist(), strict=True)
    ]  # fmt: skip


def forget_float(state: FleetState, row: int, time_ms: int) -> tuple[BaselineChange, ...]:
    """Whoever worked on the float may have set it anew: it is learned again."""
    had = [w for w in (RUNNING, AT_REST) if state.float_ms[row, w] > 0]
    state.float_top_mm[row] = np.nan
    state.float_hours[row] = 0
    state.float_ms[row] = 0
    return tuple(
        BaselineChange(row, FLOAT_LEVEL, _MODES[w], None, None, 0, time_ms, "mm") for w in had
    )


def float_top_mm(plan: FleetPlan, state: FleetState, rows: I64, which: int) -> F64:
    """The highest level that the float allows, (k,), by the site file or above it as learned. [mm]

    ``which`` is :data:`RUNNING` or :data:`AT_REST`; at rest the water of pads and pipes is back.
    """
    back = plan.pull_down_mm[rows] if which == AT_REST else 0.0
    by_file = plan.float_shut_mm[rows] + back
    learned = np.where(
        state.float_hours[rows, which] >= LEAST_HOURS, state.float_top_mm[rows, which], np.nan
    )
    top: F64 = np.clip(np.fmax(by_file, learned), by_file, by_file + SET_HIGH_MM)
    return top


def rest_is_known(plan: FleetPlan, state: FleetState, rows: I64) -> Bool:
    """Units of which it is known how high the water may stand at rest, (k,).

    By the site file's pull-down; where it says none, by the level at which their own water was seen
    to settle, unless that is farther up than floats are set: then pads and pipes hold much water.
    """
    learned = state.float_hours[rows, AT_REST] >= LEAST_HOURS
    near = state.float_top_mm[rows, AT_REST] <= plan.float_shut_mm[rows] + SET_HIGH_MM
    known: Bool = (plan.pull_down_mm[rows] > 0) | (learned & near)
    return known


def over_level_mm(view: BinView, setting_mm: F64, lip_mm: F64, which: int) -> F64:
    """How far above :func:`float_top_mm` a level must be to count, (k,). [mm]

    ``setting_mm``, but where that is less never below what files are off every day: where much was
    asked of the valve while it was learned, the float shuts a part of its band higher than seen.
    Not more than half the way to the overflow; and from ``lip_mm`` on, where water runs over, it
    does not matter how the float may be set.
    """
    plan, rows = view.plan, view.rows
    room = plan.overflow_mm[rows] - plan.float_shut_mm[rows]
    back = plan.pull_down_mm[rows] if which == AT_REST else 0.0
    top = float_top_mm(plan, view.state, rows, which)
    least = np.minimum(setting_mm, 0.5 * room)
    wide = np.maximum(least, SET_HIGH_MM - (top - (plan.float_shut_mm[rows] + back)))
    return np.minimum(np.minimum(wide, 0.5 * room), np.maximum(lip_mm - top, least))


def float_note(look: UnitLook, which: int, said: str) -> str:
    """``said`` of the highest level that the float allows, and where the figure is from."""
    known = look.state.float_hours[look.row, which] >= LEAST_HOURS
    whence = "as learned here" if known else "by the site file, good to 1.6 cm"
    return f"{said}; {whence}"
