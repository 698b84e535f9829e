"""Whether a bleed was seen to open: falls of the running water that no blocked line can make.

With the bleed shut, water that runs over wet pads only concentrates. A swift fall means that water
left as liquid and was made up, so line and valve were open then, whatever was concluded from the
climb before. Where two such falls in a row begin at the same concentration, that is where the
controller opens it now, be it right or wrong: above a set point that is too high the question is
the set point, not the line. Falls are looked for over a quarter of an hour, half an hour and an
hour, between the lesser of two means before and the greater of two after, so that neither a
reading that leaps nor its scatter makes one.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.balance import LIP_MM
from rules.bin_rings import trace_windows
from rules.physics.water_balance import bleed_for_cycles_l_min, volume_l
from rules.plan import FleetPlan
from rules.state import BIN_MS, TRACE, TRACE_BINS, FleetState

__all__ = [
    "close_turns",
    "forget_turns",
    "opened_lately_us_cm",
    "opens_at_us_cm",
    "takes_turns",
]

SPANS: Final = (3, 6, 12)
"""Bins that a fall may take: a wide open valve thins a basin within minutes, a small one within the
hour."""
UNTOLD_BINS: Final = 1
"""Bins of a fall in which nothing tells that the pump ran, at most: a message is lost now and then,
and no basin is let out and filled again within them (judgement)."""
FALL_FRAC: Final = 0.04
"""Least fall: a controller's hysteresis is some per cent (common practice), and the scatter of two
means on either side is less (judgement)."""
OPEN_FRAC: Final = 0.4
"""Water that left, of the bleed intended on a design day, from which the line was open. What counts
as blocked passes a third, and nothing is allowed for what evaporated meanwhile (judgement)."""
CLIMB_FRAC: Final = 0.02
"""Climb after a fall from which the next fall is another one (judgement)."""
SAME_FRAC: Final = 0.05
"""So close together two falls begin at the same set point (judgement)."""
SURE_TURNS: Final = 2
"""Falls from one set point that are no chance (judgement)."""
LATELY_BINS: Final = TRACE_BINS
"""Three hours: longer than the balance looks back that the climb is judged by."""
MEMORY_BINS: Final = 4032
"""Two weeks without a fall: then it is not known any more where it opens (judgement)."""
ONCE_BINS: Final = 864
"""A single fall is believed for three days: it may have been somebody at the drain (judgement)."""
_CONDUCTIVITY: Final = TRACE.index("conductivity")


def close_turns(
    plan: FleetPlan,
    state: FleetState,
    rows: I64,
    bin_id: I64,
    pump_running: F64,
    now: F64,
    in_service: Bool,
) -> None:
    """Look for a fall that ends in the bins of ``rows`` that are just closing.

    ``bin_id`` is the bin, whose means are in the trace already; ``pump_running`` the share of it
    in which the pump ran, ``now`` its conductivity, (k,). What fell while somebody works on the
    unit, not ``in_service``, is no turn of the bleed.
    """
    worked = ~in_service
    state.turn_worked_bin[rows[worked]] = bin_id[worked]
    runs = np.flatnonzero(pump_running >= 1.0)
    row, now = rows[runs], now[runs]
    fell = np.zeros(len(row), dtype=np.bool_)
    for span in SPANS:
        at = (row * len(TRACE) + _CONDUCTIVITY) * TRACE_BINS + (bin_id[runs] - span) % TRACE_BINS
        fell |= now <= (1.0 - FALL_FRAC) * state.trace.reshape(-1).take(at)
    few = np.flatnonzero(fell)
    if len(few):
        _take(plan, state, row[few], bin_id[runs[few]])


def _take(plan: FleetPlan, state: FleetState, row: I64, bin_id: I64) -> None:
    """Take the falls among these, and count those that begin where the last one began."""
    names = ("conductivity", "level_running", "level_at_rest", "current_running", "evaporation")
    water, level, rest, current, evaporation = trace_windows(state, row, names, SPANS[-1] + 2)
    # Without a level nothing else tells water that was let out and filled in again.
    untold = np.isnan(level) & np.isnan(current) & ~(evaporation > 0.0)
    over = (level > plan.overflow_mm[row, None] - LIP_MM).any(axis=1)
    depth = np.where(np.isnan(level[:, -1]), plan.float_shut_mm[row], level[:, -1])
    area = plan.area_m2[row]
    held_l = volume_l(depth, area, area * plan.pull_down_mm[row])
    wanted = bleed_for_cycles_l_min(plan.design_evaporation_l_min[row], plan.target_cycles[row])
    after = water[:, -2:].max(axis=1)
    top = np.full(len(row), np.nan)
    since = bin_id - np.maximum(state.turn_bin[row], state.turn_worked_bin[row])
    for span in SPANS:
        before = water[:, -span - 2 : -span].min(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            left_l_min = held_l * np.log(before / after) / (span * BIN_MS / 60_000.0)
        # Water that comes back from the pads, or is stirred after a rest, is none that left.
        stirred = np.isnan(rest[:, -span - 2 :]).all(axis=1)
        stirred &= untold[:, -span - 2 :].sum(axis=1) <= UNTOLD_BINS
        found = stirred & ~over & (after <= (1.0 - FALL_FRAC) * before)
        found &= left_l_min >= OPEN_FRAC * wanted
        found &= since > span + 1  # what lies before the last fall began is told already
        top = np.where(np.isnan(top) & found, before, top)
    last, low = (a[row].astype(np.float64) for a in (state.turn_us_cm, state.turn_low_us_cm))
    # The same fall, going on, begins where it was last, or below.
    another = (top >= (1.0 + CLIMB_FRAC) * low) & ~np.isnan(top)
    on = np.flatnonzero((low > 0) & ~np.isnan(top) & ~another)
    state.turn_low_us_cm[row[on]] = np.minimum(low, after)[on]
    new = np.flatnonzero(another)
    these = row[new]
    same = np.abs(top[new] - last[new]) <= SAME_FRAC * last[new]
    state.turns[these] = np.where(same, np.minimum(state.turns[these], 254) + 1, 1)
    state.turn_us_cm[these] = top[new]
    state.turn_low_us_cm[these] = after[new]
    state.turn_bin[these] = bin_id[new]


def opened_lately_us_cm(state: FleetState, rows: I64) -> F64:
    """Where the last fall began, of units that had one within three hours, (k,); NaN for others."""
    return np.where(_within(state, rows, LATELY_BINS), state.turn_us_cm[rows], np.nan)


def opens_at_us_cm(state: FleetState, rows: I64) -> F64:
    """Where the bleed was seen to open last, (k,); NaN where that is long past or never was."""
    sure = (state.turns[rows] >= SURE_TURNS) & _within(state, rows, MEMORY_BINS)
    known = sure | _within(state, rows, ONCE_BINS)
    return np.where(known, state.turn_us_cm[rows], np.nan)


def takes_turns(state: FleetState, rows: I64) -> Bool:
    """Units whose bleed opened at one concentration twice and more, and lately: it holds it, (k,).

    Each fall of such water is a turn of the bleed, not the way back to where it ought to be.
    """
    turns: Bool = (state.turns[rows] >= SURE_TURNS) & _within(state, rows, LATELY_BINS)
    return turns


def _within(state: FleetState, rows: I64, bins: int) -> Bool:
    within: Bool = (state.turns[rows] > 0) & (state.trace_bin[rows] - state.turn_bin[rows] < bins)
    return within


def forget_turns(state: FleetState, row: int) -> None:
    """Forget where the bleed of a unit opens: whoever worked on it may have set it anew."""
    state.turns[row] = 0
    state.turn_us_cm[row] = 0.0
    state.turn_low_us_cm[row] = 0.0
