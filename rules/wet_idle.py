"""How long the pump of a unit stands although its controller runs it wet.

Where no pump command is sent, the wet mode is the controller's only word on the pump. It is no
command: a controller fills an empty basin first, wets its pads by turns, or sets the mode for a
whole season, in which the weather calls for water. So the pump's own habit is learned: how long it
ever stood in wet mode before it started by itself.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import fault_column
from rules.arrays import F64, I8, I64, Bool
from rules.plan import FleetPlan
from rules.pump_proof import STOOD_BARE
from rules.signals import INDEX
from rules.state import FleetState

__all__ = ["LEAST_STARTS", "allowed_idle_s", "learn_idle"]

_COMMAND: Final = INDEX["pump_command"]
_WET: Final = INDEX["wet_mode"]

LEAST_STARTS: Final = 3
"""Starts in wet mode that make a habit: days of a unit that is wet by day (judgement)."""
UNKNOWN_S: Final = 86_400.0
"""Allowed before the habit is known: a controller that wets its pads does so within a day (common
practice)."""
TIMES: Final = 2.0
"""How many times the longest seen is allowed (judgement)."""
CALLED_S: Final = 21_600.0
"""A pump that stood so long in wet mode is called by the weather there, and not by turns
(judgement)."""
CALLED_TIMES: Final = 2
"""So often it must have: a single long rest may have been a repair, or a dry basin (judgement)."""
COOL_S: Final = 604_800.0
"""Cool days follow each other: so long such a pump may stand (judgement)."""


def learn_idle(
    state: FleetState,
    rows: I64,
    time_ms: I64,
    pump: I8,
    pump_was: I8,
    mode: I8,
    mode_moved: Bool,
    gap: Bool,
) -> None:
    """Mind pumps that start in this frame, before their change of state is written down.

    What follows an alarm of a pump that stood is the mend of a fault, and no habit.
    """
    starts = (pump == 1) & (pump_was == 0) & (mode == 1) & ~gap
    if not starts.any():
        return
    untold = (state.value_ms[rows, _COMMAND] == 0) & (state.value_ms[rows, _WET] > 0)
    starts &= untold & (state.alarm_state[rows, fault_column("pump-not-running")] == 0)
    at = np.flatnonzero(starts)
    row = rows[at]
    begun = np.where(mode_moved[at], time_ms[at], state.mode_changed_ms[row])
    stood_s = (time_ms[at] - np.maximum(begun, state.pump_changed_ms[row])) / 1000.0
    state.wet_idle_s[row] = np.maximum(state.wet_idle_s[row], stood_s)
    state.wet_starts[row] = np.minimum(state.wet_starts[row], LEAST_STARTS - 1) + 1
    count, bit = state.wet_called[row] & ~np.uint8(STOOD_BARE), state.wet_called[row] & STOOD_BARE
    state.wet_called[row] = np.minimum(count + (stood_s >= CALLED_S), CALLED_TIMES) | bit


def allowed_idle_s(plan: FleetPlan, state: FleetState, rows: I64, least_s: F64, ran: Bool) -> F64:
    """How long the pump may stand in wet mode with water enough, (k,). [s]

    ``least_s`` is the setting, ``ran`` says that the pump ran since the wet mode began. Where it
    has not, the basin may have had to be filled first: twice the time that takes by the nameplate.
    """
    full_l = plan.area_m2[rows] * plan.float_shut_mm[rows]
    fill_s = 2.0 * 60.0 * full_l / plan.makeup_max_l_min[rows]
    allowed = least_s + np.where(ran, 0.0, fill_s)
    known = state.wet_starts[rows] >= LEAST_STARTS
    allowed = np.maximum(allowed, TIMES * state.wet_idle_s[rows])
    called = (state.wet_called[rows] & ~np.uint8(STOOD_BARE)) >= CALLED_TIMES
    allowed = np.where(called, np.maximum(allowed, COOL_S), allowed)
    out: F64 = np.where(known, allowed, np.maximum(allowed, UNKNOWN_S))
    return out
