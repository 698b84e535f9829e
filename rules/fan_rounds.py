"""Fans that take turns, and one that takes its turn no more, of units that send no speed command.

A controller that switches fans one by one and rotates them lets each have its turn; without the
command only that habit tells a fan that fails from one that is not wanted. It is counted in rounds:
a round begins with all fans and ends when each has run, and its length is the running time of the
sisters, so that a mild week, in which few are wanted, is no longer than a hot day. How long rounds
take here is learned. A bank in a fixed order has a last fan that may rest for weeks: it is known by
the same fan ending every round, and not judged.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.bin_times import BINS_AN_HOUR
from rules.signals import INDEX
from rules.staging import all_fans, masked, says_no_number
from rules.state import BIN_MS, FleetState

__all__ = ["close_rounds", "forget_rounds", "overdue_fans", "takes_turns", "waited_h"]

_RUN: Final = INDEX["fan_run"]
_FAULT: Final = INDEX["fan_fault"]
LEAST_ROUND_BINS: Final = 12.0
"""Shorter ones, as when all fans come on together, tell nothing of the turns: an hour
(judgement)."""
LEAST_ROUNDS: Final = 6
"""So many longer ones make a habit (judgement)."""


def close_rounds(
    state: FleetState, rows: I64, end_ms: I64, count: I64, stands: Bool, in_hand: Bool
) -> None:
    """Mind which fans ran in the bins of ``rows`` that are just closing, by their newest proofs.

    ``stands`` marks the units of which a fan is missing already: what ends then is no habit.
    ``in_hand`` marks those of which one runs unasked: beside it others are not wanted, and waits
    begin anew once it is mended.
    """
    fresh = state.value_ms[rows, _RUN] >= end_ms - BIN_MS
    at = np.flatnonzero(fresh & says_no_number(state, rows, count) & (count > 1))
    if not len(at):
        return
    row, n, known_ill, anew = rows[at], count[at], stands[at], in_hand[at]
    run = masked(state.value[row, _RUN], n)
    reported = masked(state.value[row, _FAULT], n)
    waiting = state.round_set[row].astype(np.int64)
    left = waiting & ~run & ~reported
    spent = np.where(anew, 0.0, state.round_bins[row])
    over = left == 0
    tells = over & (spent >= LEAST_ROUND_BINS)
    state.rounds[row] = np.minimum(state.rounds[row].astype(np.int64) + tells, 255)
    learns = tells & ~known_ill & ~anew
    longest = state.round_longest_bins[row]
    state.round_longest_bins[row] = np.where(learns, np.maximum(longest, spent), longest)
    one = tells & (np.bitwise_count(waiting) == 1)
    state.round_ended_by[row] |= np.where(one, waiting, 0).astype(np.uint32)
    state.round_set[row] = np.where(over, all_fans(n) & ~run, left).astype(np.uint32)
    up = np.bitwise_count(run).astype(np.float64)
    missing = np.bitwise_count(left | reported)
    state.round_bins[row] = np.where(over, 0.0, spent + np.minimum(up / (n - 1), 1.0))
    alone = np.where(anew, 0, state.round_alone_bins[row])
    alone = np.minimum(alone + (up + missing >= n), 60_000)
    state.round_alone_bins[row] = np.where(over, 0, alone)


def takes_turns(state: FleetState, rows: I64, count: I64) -> Bool:
    """Units whose fans are known to take turns, (k,): several of them have ended rounds alone."""
    enders = np.bitwise_count(state.round_ended_by[rows])
    known: Bool = (state.rounds[rows] >= LEAST_ROUNDS) & says_no_number(state, rows, count)
    return known & (enders >= np.where(count < 4, 2, 3))


def overdue_fans(state: FleetState, rows: I64, ratio: F64, least_s: F64, alone_s: F64) -> I64:
    """The fans that wait for their turn for far too long, a bit mask (k,), 0 for none.

    Parameters
    ----------
    ratio, least_s : array
        The round must have taken ``ratio`` times the longest, and ``least_s`` more. [1], [s]
    alone_s : array
        So long all the others must have run: more was wanted than there was. [s]
    """
    bin_s = BIN_MS / 1000.0
    limit = ratio * state.round_longest_bins[rows] + least_s / bin_s
    late = (state.round_bins[rows] > limit) & (state.round_alone_bins[rows] * bin_s >= alone_s)
    return np.where(late, state.round_set[rows].astype(np.int64), 0)


def waited_h(state: FleetState, row: int) -> tuple[float, float, float]:
    """Of one unit: its round so far, the longest, and the others all running in it. [h]"""
    return (
        float(state.round_bins[row]) / BINS_AN_HOUR,
        float(state.round_longest_bins[row]) / BINS_AN_HOUR,
        float(state.round_alone_bins[row]) / BINS_AN_HOUR,
    )


def forget_rounds(state: FleetState, row: int) -> None:
    """Whoever worked on the fans may have changed how they are switched."""
    state.round_set[row] = 0
    state.round_bins[row] = 0.0
    state.round_alone_bins[row] = 0
    state.round_longest_bins[row] = 0.0
    state.round_ended_by[row] = 0
    state.rounds[row] = 0
