"""What the water says of the pump where its current says nothing, or what cannot be.

Water at its usual pressure or flow comes from a pump that runs, whatever a dead current reading
says, unless its controller says as well that it stands. Only a witness that is alive is believed:
one that trembles, and was heard as lately as the current. Nothing is concluded where pressure and
flow contradict each other.

A unit that never sent a current is taken at its controller's word, until a pressure or flow that
was learned to be there while the pump is commanded is gone with the command still given. Then only
water that is back says that it runs again: a gauge that falls silent leaves it unknown.

A current that reads nothing while the pump draws the water for pads and pipes out of the basin does
not stand for a pump that does (:mod:`rules.pull_down`).

Of a unit that never sent a current nor a command the water alone tells. A part of the pressure may
be a pump that stands behind a check valve, unless the gauge was seen to fall to nothing before:
then a screen clogs.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I8, I64, span
from rules.plan import FleetPlan
from rules.pull_down import draws_water
from rules.signals import INDEX
from rules.state import STEADY, WATCHED, FleetState

__all__ = ["STANDS_FRAC", "STOOD_BARE", "motor_by_water"]

_CURRENT: Final = INDEX["pump_current"]
_COMMAND: Final = INDEX["pump_command"]
_LEVEL: Final = INDEX["basin_level"]
_PRESSURE: Final = INDEX["spray_pressure"]
_FLOW: Final = INDEX["spray_flow"]
_Q: Final = {q.name: i for i, q in enumerate(STEADY)}

RUNS_FRAC: Final = 0.6
"""Share of the clean pressure or flow (not learned: of the rated one) that only a running pump
holds: more than a check valve may keep of the lift to the pads (judgement)."""
STANDS_FRAC: Final = 0.1
"""Share below which hardly any water moves (judgement)."""
PROVES_FRAC: Final = 0.3
"""Share of the rated pressure or flow that was learned of a gauge that is believed (judgement)."""
ALIVE_BINS: Final = 3
"""A reading of moving water that kept its exact value for so many bins is not believed: noise alone
moves a sound one within minutes (judgement)."""
LEAST_CHANGES: Final = 2
"""Bins in which it must ever have moved: the first value of all is news and no movement."""
STARTS_MS: Final = 30_000
"""After its command a pump needs so long to fill its pipe and show a pressure (judgement)."""
AS_LATE_MS: Final = 300_000
"""How much older than the current a witness may be: the slowest sampling that is asked for."""

STOOD_BARE: Final = 128
"""Bit of the column of long rests: the gauge fell to nothing once as the pump stood, so no check
valve holds a pressure. The rest of it counts, see rules/wet_idle.py."""


def motor_by_water(
    plan: FleetPlan, state: FleetState, rows: I64, time_ms: I64, x: F64, pump: I8
) -> I8:
    """Whether the motor runs, with the word of spray pressure and flow, (k,).

    Parameters
    ----------
    x
        What is known of the units' readings, (k, signals). A current that the water refutes is made
        unknown here.
    pump
        What the current says, or the command where none was ever sent: 1, 0, or -1 where it is not
        known.
    """
    every = span(rows)
    sent = state.value_ms[every, _CURRENT]
    alone = (sent == 0) & (state.value_ms[every, _COMMAND] == 0)
    if alone.any():
        pump = pump.copy()
        pump[alone] = _by_water_alone(plan, state, rows[alone], x[alone])
    # The command as it stood before this frame: what it asks for takes a moment.
    told_ms = state.commanded_ms[rows]
    by_word = (sent == 0) & (pump == 1) & (told_ms > 0)
    runs, stands, learned_of = np.zeros((3, len(rows)), dtype=np.bool_)
    for name, rated in (
        ("spray_pressure", plan.pump_rated_pressure_kpa),
        ("spray_flow", plan.pump_rated_flow_l_min),
    ):
        value = x[:, INDEX[name]]
        if by_word.any():
            learned_of |= state.baseline[rows, _Q[name]] > PROVES_FRAC * rated[rows]
        # A pump that stands without pressure, as most that stand do, is passed over.
        asked = (pump < 0) | ((pump == 0) & (value > STANDS_FRAC * rated[rows]))
        at = np.flatnonzero(((asked & (sent > 0)) | by_word) & ~np.isnan(value))
        if not len(at):
            continue
        row, watched = rows[at], WATCHED.index(name)
        learned = state.baseline[row, _Q[name]]
        clean = np.where(np.isnan(learned), rated[row], learned)
        heard_ms = state.value_ms[row, INDEX[name]]
        # What was learned of a dead gauge proves nothing.
        answered = (learned > PROVES_FRAC * rated[row]) & (heard_ms >= told_ms[at] + STARTS_MS)
        heard = np.where(by_word[at], answered, heard_ms >= sent[at] - AS_LATE_MS)
        alive = state.still_age_bins[row, watched] < ALIVE_BINS
        alive &= state.still_changes[row, watched] >= LEAST_CHANGES
        # Nor is a gauge that moved from nothing to its usual figure asked for more life than that.
        alive |= by_word[at] & (state.pump_state[row] <= 0)
        runs[at] |= heard & alive & (value[at] > RUNS_FRAC * clean) & ~(x[at, _COMMAND] < 0.5)
        # Once it fell, it may well lie still: a meter shows the same nothing for days. A gauge that
        # is dead at nothing looks the same, and wants somebody to look as well.
        fell = alive | (state.pump_state[row] == 0) | by_word[at]
        stands[at] |= heard & fell & (value[at] < STANDS_FRAC * clean)
    # Where a gauge of the water is known it says more than the level, which a drain lowers too.
    mute = np.isnan(x[:, _PRESSURE]) & np.isnan(x[:, _FLOW])
    stood = np.flatnonzero((pump == 0) & (sent > 0) & (x[:, _COMMAND] > 0.5) & mute)
    if len(stood):
        level = x[stood, _LEVEL]
        runs[stood] = draws_water(plan, state, rows[stood], time_ms[stood], told_ms[stood], level)
    # What it was said to do last holds until the water says otherwise.
    open_still = by_word & learned_of & ~runs & (state.pump_state[rows] <= 0)
    if not (runs | stands | open_still).any():
        return pump
    out = pump.copy()
    out[open_still] = -1
    # A current that still comes and is known to be untrue: without water the pump stands.
    untrue = (pump < 0) & (sent >= time_ms - AS_LATE_MS)
    out[stands & (untrue | by_word) & ~runs] = 0
    moved = np.flatnonzero(runs & ~stands)
    out[moved] = 1
    x[moved, _CURRENT] = np.nan
    return out


def _by_water_alone(plan: FleetPlan, state: FleetState, rows: I64, x: F64) -> I8:
    """Whether pumps run of which nothing but the water is known, (k,): 1, 0, or -1.

    Nothing is said before the gauge has moved, nor where pressure and flow contradict each other.
    """
    bare = (state.wet_called[rows] & STOOD_BARE) != 0
    pressure, flow = (
        _word(state, rows, x, name, rated[rows], limit)
        for name, rated, limit in (
            ("spray_pressure", plan.pump_rated_pressure_kpa,
             np.where(bare, STANDS_FRAC, RUNS_FRAC)),
            # What flows is held by no valve.
            ("spray_flow", plan.pump_rated_flow_l_min, np.full(len(rows), STANDS_FRAC)),
        )
    )  # fmt: skip
    against = (pressure >= 0) & (flow >= 0) & (pressure != flow)
    # Read as nothing again after the pump was found standing: one reading that drops out is no pump
    # that stands. Where a flow is known, it is what says so, and a valve holds none.
    again = state.value_ms[rows, _PRESSURE] > state.pump_changed_ms[rows]
    fell = (pressure == 0) & (flow < 0) & (state.pump_state[rows] == 0) & again
    state.wet_called[rows] |= np.where(fell, STOOD_BARE, 0).astype(np.uint8)
    return np.where(against, -1, np.maximum(pressure, flow)).astype(np.int8)


def _word(state: FleetState, rows: I64, x: F64, name: str, rated: F64, limit: F64) -> I8:
    """What one gauge says of pumps, (k,): running above ``limit`` of its clean figure, 1; standing
    below next to nothing, 0; or -1."""
    learned = state.baseline[rows, _Q[name]]
    # What was learned of a dead gauge proves nothing.
    believed = learned > PROVES_FRAC * rated
    share = x[:, INDEX[name]] / np.where(believed, learned, rated)
    told = ~np.isnan(share)
    told &= state.still_changes[rows, WATCHED.index(name)] >= LEAST_CHANGES
    word = np.where(share > limit, 1, np.where(share < STANDS_FRAC, 0, -1))
    return np.where(told, word, -1).astype(np.int8)
