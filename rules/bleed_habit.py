"""How a bleed is used to run, by its meter: whether it opens and shuts, and what it passes.

A bleed by conductivity, timer or make-up pulse is shut for a good part of each day; one that only
follows the pump passes the same all the time. Each has a habit of its own, learned from wet running
means, and a valve that no longer shuts breaks it: the first shows no means without flow any more,
the second far more flow than ever. Neither needs the weather.

A line that closes over weeks must not teach its own remnant. What it passes is a habit as long as
it keeps the water below where bleeding is due; less than that is learned slowly at best.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.balance import METER_ZERO_L_MIN
from rules.bleed_ebb import forget_ebb
from rules.bleed_turns import forget_turns
from rules.plan import FleetPlan
from rules.state import FleetState

__all__ = [
    "AS_EVER_FRAC",
    "close_bleed",
    "forget_bleed",
    "opens_and_shuts",
    "share_of_usual",
    "steady_habit",
]

SHUT_FRAC: Final = 0.005
"""Flow up to which the meter counts as showing none, of the make-up valve's full flow: below a
hundredth of their permanent flow small meters are bound to nothing (OIML R 49, from memory)."""
OPEN_TIMES: Final = 2.0
"""Times that, from which it counts as open: between the two nothing is said."""
MORE_TIMES: Final = 1.5
"""Flow over the usual that counts as more: far beyond what filters and a meter's drift do."""
MEMORY_BINS: Final = 5760
"""The usual flow follows upwards over twenty days of flow, so that a valve set anew is learned."""
LEAST_FLOW_BINS: Final = 72
"""Six hours of flow, on many days where it takes turns: a first figure, wherever the water stands
(judgement)."""
LESS_TIMES: Final = 4.0
"""So many times slower it follows downwards: strainers and orifices close over weeks, and a valve
that is set smaller is set at once, and told by who did it (judgement)."""
MOST_BINS: Final = 60_000
LEAST_TURNS: Final = 12
LEAST_SHUT_FRAC: Final = 0.25
LEAST_RUN_BINS: Final = 576
"""Two days of running, six openings and a quarter of the time shut: less is no habit (judgement).
A line that is blocked for days has turned once."""
STEADY_SHUT_FRAC: Final = 0.02
AS_EVER_FRAC: Final = 0.5
"""Share of its usual flow, while open, from which a line is as free as ever: pressure and level in
the basin move the flow by a tenth or two, a strainer that blocks takes most of it (judgement)."""


def close_bleed(
    plan: FleetPlan,
    state: FleetState,
    rows: I64,
    pump_running: F64,
    bleed: F64,
    conductivity: F64,
) -> None:
    """Count the bins of ``rows`` that are just closing; only full bins of wet running count.

    ``pump_running`` is the share of the bin, ``bleed`` its mean flow [L/min] and ``conductivity``
    that of the water [µS/cm], all (k,). Without conductivity every flow is a habit.
    """
    at = np.flatnonzero(~np.isnan(bleed) & (pump_running >= 1.0))
    if not len(at):
        return
    row, flow = rows[at], bleed[at]
    least = _least_l_min(plan, row)
    shut, opened = flow <= least, flow > OPEN_TIMES * least
    was_open = state.bleed_open_bins[row] > 0
    turned = (shut & was_open) | (opened & ~was_open)
    turns = state.bleed_turns[row]
    state.bleed_turns[row] = turns + (turned & (turns < 255))
    run, none = state.bleed_run_bins[row], state.bleed_shut_bins[row]
    full = run >= MOST_BINS
    if full.any():  # what was long ago counts half
        run, none = np.where(full, run // 2, run), np.where(full, none // 2, none)
    state.bleed_run_bins[row] = run + np.uint16(1)
    state.bleed_shut_bins[row] = none + shut
    _count(state.bleed_open_bins, row, opened, shut)
    usual = state.bleed_usual_l_min[row].astype(np.float64)
    # Bins with flow, this one among them: a bleed that takes turns has few of them.
    flowing = np.maximum(state.bleed_run_bins[row] - state.bleed_shut_bins[row], 1.0)
    known = (run >= LEAST_RUN_BINS) & (flowing > LEAST_FLOW_BINS)
    more = opened & known & (flow > MORE_TIMES * usual)
    _count(state.bleed_more_bins, row, more, ~more)
    weight = np.where(flow < usual, 1.0 / LESS_TIMES, 1.0) / MEMORY_BINS
    # What is far more than usual teaches slowly, lest a fault be learned within days.
    # Once the counts were halved to keep them small, few are no sign of a beginning.
    begins = (flowing <= LEAST_RUN_BINS) & (run < MOST_BINS // 2)
    weight = np.where(begins & ~more, 1.0 / flowing, weight)
    # What does not suffice is no habit: there a line that closes shows itself.
    due = plan.settings.get("bleed-blocked", "due_ratio", row)
    due = np.fmin(
        due * plan.target_cycles[row] * plan.makeup_us_cm[row], plan.conductivity_limit_us_cm[row]
    )
    teaches = opened & (~known | ~(conductivity[at] >= due))
    state.bleed_usual_l_min[row] = np.where(teaches, usual + weight * (flow - usual), usual)


def _least_l_min(plan: FleetPlan, rows: I64) -> F64:
    """Flow up to which the meter counts as showing none, (k,)."""
    least: F64 = np.maximum(METER_ZERO_L_MIN, SHUT_FRAC * plan.makeup_max_l_min[rows])
    return least


def share_of_usual(plan: FleetPlan, state: FleetState, rows: I64, flow: F64) -> F64:
    """What the line passed while it was open, of what it is used to pass, (k,).

    ``flow`` holds the meter's means of some bins [L/min], (k, bins). NaN where the usual flow is
    not known, or none was seen.
    """
    opened = flow > OPEN_TIMES * _least_l_min(plan, rows)[:, None]
    passed = np.where(opened, flow, 0.0).sum(axis=1)
    usual = state.bleed_usual_l_min[rows].astype(np.float64) * opened.sum(axis=1)
    known = (state.bleed_run_bins[rows] >= LEAST_RUN_BINS) & (usual > 0.0)
    share: F64 = np.divide(passed, usual, out=np.full(len(rows), np.nan), where=known)
    return share


def _count(column: np.ndarray, row: I64, more: Bool, none: Bool) -> None:
    """One more where it goes on, 0 where it ended; as it was between the two."""
    held = column[row]
    column[row] = np.where(none, 0, np.minimum(held + more, MOST_BINS))


def opens_and_shuts(state: FleetState, rows: I64) -> Bool:
    """Units whose bleed is known to be shut for a good part of the time, (k,)."""
    run, shut = state.bleed_run_bins[rows], state.bleed_shut_bins[rows]
    known = (run >= LEAST_RUN_BINS) & (state.bleed_turns[rows] >= LEAST_TURNS)
    habit: Bool = known & (shut >= LEAST_SHUT_FRAC * run)
    return habit


def steady_habit(state: FleetState, rows: I64) -> Bool:
    """Units whose bleed is known to run with the pump all the time, (k,)."""
    run, shut = state.bleed_run_bins[rows], state.bleed_shut_bins[rows]
    habit: Bool = (run >= LEAST_RUN_BINS) & (shut <= STEADY_SHUT_FRAC * run)
    return habit


def forget_bleed(state: FleetState, row: int) -> None:
    """A bleed that was set anew, or works again, holds its water elsewhere: all is learned again.

    Its turns and flow by the meter, where it opens, and the range in which it holds the water
    (:mod:`rules.bleed_turns`, :mod:`rules.bleed_ebb`, :mod:`rules.usual_top`,
    :mod:`rules.usual_bottom`). A basin that was empty stays so.
    """
    for counted in (
        state.bleed_run_bins, state.bleed_shut_bins, state.bleed_turns, state.bleed_open_bins,
        state.bleed_more_bins, state.top_run_bins, state.bottom_run_bins, state.thin_run_bins,
        state.slide_bins,
    ):  # fmt: skip
        counted[row] = 0
    forget_turns(state, row)
    forget_ebb(state, row)
    state.bleed_usual_l_min[row] = 0.0
    state.top_us_cm[row] = 0.0
    state.bottom_us_cm[row] = 0.0
    state.slide_from_us_cm[row] = 0.0
    state.thin_evaporated[row] = min(float(state.thin_evaporated[row]), 0.0)
