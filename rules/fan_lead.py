"""The fan that leads a bank in which fans take turns, and one that leads for ever: it is in hand.

Without a speed command only habit tells a fan that runs unasked. A fan leads while no sister runs
without it, and a controller that rotates its fans hands the lead on, also while they run: how long
that takes here is learned. It is counted in resting time of the sisters, so that a hot week, in
which nearly all are wanted and few can rest, is no longer than a mild day. A fan that is in hand,
or whose contactor is welded, keeps the lead and never rests, while its sisters come and go. Where
they never come they may not be wanted beside it, or ill themselves (:mod:`rules.fan_rounds`), and
nothing is concluded here. Nor is it in banks that hand the lead on only when all start from rest:
in a hot week there may be no rest.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.bin_times import BINS_AN_HOUR
from rules.signals import INDEX
from rules.staging import all_fans, masked, says_no_number
from rules.state import BIN_MS, FleetState

__all__ = [
    "close_lead",
    "ever_leading_fans",
    "forget_lead",
    "leads_for",
    "leads_longer",
    "waits_for_rest",
]

_RUN: Final = INDEX["fan_run"]
LEAST_RUN_BINS: Final = 12
"""Of sisters' rest, so long the lead must have run before it is handed on, to have been handed on
while it ran: a short rest of all falls between two readings now and then (judgement)."""
LEAST_LEADS: Final = 4
"""So many times make a habit (judgement)."""
_MOST_BINS: Final = 60_000.0
"""What the column of the longest lead holds: half a year."""


def close_lead(state: FleetState, rows: I64, end_ms: I64, count: I64, stands: Bool) -> None:
    """Mind who led in the bins of ``rows`` that are just closing, by their newest proofs.

    ``stands`` marks the units of which a fan is missing or in hand already: what ends then is no
    habit.
    """
    fresh = state.value_ms[rows, _RUN] >= end_ms - BIN_MS
    # A person who tries fans one by one shows nothing of the controller.
    fresh &= state.out_of_service_until_ms[rows] == 0
    at = np.flatnonzero(fresh & says_no_number(state, rows, count) & (count > 1))
    if not len(at):
        return
    row, n, known_ill = rows[at], count[at], stands[at]
    run = masked(state.value[row, _RUN], n)
    before = state.lead_run[row].astype(np.int64)
    led = state.lead_set[row].astype(np.int64)
    led = np.where(led == 0, all_fans(n), led)
    some = run != 0
    rest = np.where(some, (n - np.bitwise_count(run)) / (n - 1), 0.0)
    leads = np.where(some, led & run, led)
    over = leads == 0
    spent, ran = state.lead_bins[row] + rest, state.lead_ran_bins[row]
    tells = over & (before != 0) & (ran >= LEAST_RUN_BINS)
    state.leads[row] = np.minimum(state.leads[row].astype(np.int64) + tells, 255)
    longest = state.lead_longest_bins[row].astype(np.float64)
    learns = over & ~known_ill
    longest = np.where(learns, np.fmax(longest, np.fmin(spent, _MOST_BINS)), longest)
    state.lead_longest_bins[row] = longest
    state.lead_set[row] = np.where(over, run, leads).astype(np.uint32)
    state.lead_bins[row] = np.where(over, 0.0, spent)
    anew = over | ~some
    state.lead_ran_bins[row] = np.where(anew, 0.0, ran + rest)
    stopped = (before & ~run & ~leads) != 0
    stops = np.minimum(state.lead_stops[row].astype(np.int64) + stopped, 255)
    state.lead_stops[row] = np.where(anew, 0, stops)
    state.lead_run[row] = run.astype(np.uint32)


def ever_leading_fans(
    state: FleetState, rows: I64, ratio: F64, least_s: F64, least_stops: F64
) -> I64:
    """The fans that hand the lead on no more and never rest, a bit mask (k,), 0 for none.

    Parameters
    ----------
    ratio, least_s : array
        They must have run for ``ratio`` times the longest lead, and ``least_s`` more, of their
        sisters' rest. [1], [s]
    least_stops : array
        So often sisters must have run beside them and stopped. [-]
    """
    limit = ratio * state.lead_longest_bins[rows].astype(np.float64) + least_s * 1000.0 / BIN_MS
    stays = state.leads[rows] >= LEAST_LEADS
    stays &= (state.lead_ran_bins[rows] > limit) & (state.lead_stops[rows] >= least_stops)
    return np.where(stays, state.lead_set[rows].astype(np.int64), 0)


def leads_for(state: FleetState, row: int) -> tuple[float, float, int]:
    """Of one unit: how long its sisters have rested while the leading fans ran without a rest, the
    longest lead while that was learned, and how often sisters stopped meanwhile. [h, h, -]"""
    return (
        float(state.lead_ran_bins[row]) / BINS_AN_HOUR,
        float(state.lead_longest_bins[row]) / BINS_AN_HOUR,
        int(state.lead_stops[row]),
    )


def leads_longer(state: FleetState, row: int) -> int:
    """The one fan of a unit that has led without a rest for longer than any ever did, as a bit
    mask; 0 where there is none, or more than one."""
    led = int(state.lead_set[row])
    longer = state.lead_ran_bins[row] > state.lead_longest_bins[row]
    return led if longer and led.bit_count() == 1 else 0


def waits_for_rest(state: FleetState, rows: I64) -> Bool:
    """Units whose turns stand still, (k,): the lead was hardly seen handed on while it ran, and
    fans have led without a rest for longer than any ever did. Who is not next to them may have no
    turn: or is dead, and they run for it."""
    longer = state.lead_ran_bins[rows] > state.lead_longest_bins[rows]
    out: Bool = longer & (state.leads[rows] < LEAST_LEADS)
    return out


def forget_lead(state: FleetState, row: int) -> None:
    """Whoever worked on the fans may have changed how they are switched."""
    for column in (
        state.lead_set, state.lead_run, state.lead_bins, state.lead_ran_bins,
        state.lead_longest_bins, state.leads, state.lead_stops,
    ):  # fmt: skip
        column[row] = 0
