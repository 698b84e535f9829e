"""Fans that start and stop as one, and one that does not any more, without a speed command.

Without a command only habit tells a fan that runs unasked, or does not run. A bank that one contact
switches, all or none, has no lead fan: one that runs on while its sisters stop and start again and
again is in hand, or its contactor is welded; one that stands while they start and stop is not on.
Only what holds through two bins counts: fans start one after the other. A bank that is seen to rest
on some of its fans is none of these, and not judged.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.bin_times import BINS_AN_HOUR
from rules.signals import INDEX
from rules.staging import all_fans, masked
from rules.state import BIN_MS, FleetState

__all__ = [
    "close_gang",
    "forget_gang",
    "starts_as_one",
    "unstarted_fans",
    "unstopped_fans",
    "unstopped_for",
]

_RUN: Final = INDEX["fan_run"]
_NONE, _ALL = 1, 2
HELD_BINS: Final = 2
"""Bins that the same part of the fans must run in to be no picture of a start (judgement)."""
RESTS_BINS: Final = 3
"""A bank that rests so long on a part of its fans has stages: their least time is minutes (common
practice)."""
LEAST_TURNS: Final = 24
LEAST_SEEN_BINS: Final = 3 * 24 * BINS_AN_HOUR
"""Changes between none and all, over days of proofs, that make a habit (judgement): a bank with
stages does not go through so many without resting on one."""
PART_COSTS: Final = 2
"""Changes that a reading of part of the fans takes off while the habit is learned: one contact's
fans that start one after the other are caught at it in few starts, those in stages in nearly each
(judgement)."""
MOST_MOVES: Final = 8
"""So often another part of the fans runs: they are switched in stages now (judgement)."""


def starts_as_one(state: FleetState, rows: I64) -> Bool:
    """Units whose fans are known to start and stop together, (k,)."""
    known: Bool = (state.gang_turns[rows] >= LEAST_TURNS) & ~state.speed_seen[rows]
    return known & (state.gang_seen_bins[rows] >= LEAST_SEEN_BINS)


def close_gang(state: FleetState, rows: I64, end_ms: I64, count: I64) -> None:
    """Mind how many fans ran in the bins of ``rows`` just closing, by their newest proofs."""
    fresh = state.value_ms[rows, _RUN] >= end_ms - BIN_MS
    # A person who tries fans one by one shows nothing of the controller.
    fresh &= state.out_of_service_until_ms[rows] == 0
    at = np.flatnonzero(fresh & ~state.speed_seen[rows] & (count > 1))
    if not len(at):
        return
    row, n = rows[at], count[at]
    run = masked(state.value[row, _RUN], n)
    everyone = all_fans(n)
    whole = (run == 0) | (run == everyone)
    now = np.where(run == 0, _NONE, _ALL)
    last = state.gang_last[row]
    turned = whole & (last != 0) & (now != last)
    known = starts_as_one(state, row)

    held = np.where(run == state.gang_part[row], np.minimum(state.gang_held[row] + 1.0, 255.0), 1.0)
    held = np.where(whole, 0.0, held)
    odd_set, odd = state.gang_set[row].astype(np.int64), state.gang_stops[row].astype(np.int64)
    stops = ~whole & (held == HELD_BINS)
    moved = stops & (odd_set != 0) & (run != odd_set)
    odd = np.where(stops, np.where(run == odd_set, np.minimum(odd + 1, 255), 1), odd)
    moves = np.where(turned, 0, np.minimum(state.gang_moves[row].astype(np.int64) + moved, 255))

    waited = np.minimum(state.gang_bins[row].astype(np.int64) + 1, 60_000)
    # What a fan in hand made long is no habit.
    learns = turned & (state.gang_stops[row] == 0)
    longest = state.gang_longest_bins[row].astype(np.int64)
    longest = np.where(learns, np.maximum(longest, waited), longest)
    seen = np.minimum(state.gang_seen_bins[row].astype(np.int64) + 1, 60_000)
    turns = np.minimum(state.gang_turns[row].astype(np.int64) + turned, 255)
    turns = np.where(whole | known, turns, np.maximum(turns - PART_COSTS, 0))

    staged = np.where(known, moves >= MOST_MOVES, held >= RESTS_BINS)
    state.gang_turns[row] = np.where(staged, 0, turns)
    state.gang_seen_bins[row] = np.where(staged, 0, seen)
    state.gang_longest_bins[row] = np.where(staged, 0, longest)
    state.gang_last[row] = np.where(whole, now, last)
    state.gang_part[row] = np.where(whole, 0, run)
    state.gang_held[row] = held
    state.gang_set[row] = np.where(turned, 0, np.where(stops, run, odd_set))
    state.gang_stops[row] = np.where(turned, 0, odd)
    state.gang_moves[row] = np.where(staged, 0, moves)
    state.gang_bins[row] = np.where(turned, 0, waited)


def unstopped_fans(state: FleetState, rows: I64, least_stops: F64, least_s: F64) -> I64:
    """The fans that do not stop with their sisters any more, a bit mask (k,), 0 for none.

    Parameters
    ----------
    least_stops : array
        So often the sisters must have stopped, the same ones each time, with never all at rest.
        [-]
    least_s : array
        For so long, and for no less than it ever took when the habit was learned. [s]
    """
    waited = state.gang_bins[rows].astype(np.float64)
    long = waited >= np.maximum(least_s * 1000.0 / BIN_MS, state.gang_longest_bins[rows])
    stays = starts_as_one(state, rows) & (state.gang_last[rows] == _ALL) & long
    stays &= state.gang_stops[rows] >= least_stops
    return np.where(stays, state.gang_set[rows].astype(np.int64), 0)


def unstarted_fans(state: FleetState, rows: I64, count: I64, least_starts: F64) -> I64:
    """The fans that do not start with their sisters any more, a bit mask (k,), 0 for none.

    ``least_starts`` is how often the sisters, the same ones each time, must have started from all
    at rest, with never all running. [-]
    """
    stands = starts_as_one(state, rows) & (state.gang_last[rows] == _NONE)
    stands &= state.gang_stops[rows] >= least_starts
    return np.where(stands, all_fans(count) & ~state.gang_set[rows].astype(np.int64), 0)


def unstopped_for(state: FleetState, row: int) -> tuple[float, float, int]:
    """Of one unit: since all last stood still or started, the longest of that when it was learned,
    and how often the sisters stopped meanwhile. [h, h, -]"""
    return (
        float(state.gang_bins[row]) / BINS_AN_HOUR,
        float(state.gang_longest_bins[row]) / BINS_AN_HOUR,
        int(state.gang_stops[row]),
    )


def forget_gang(state: FleetState, row: int) -> None:
    """Whoever worked on the fans may have changed how they are switched."""
    for column in (
        state.gang_turns, state.gang_seen_bins, state.gang_longest_bins, state.gang_last,
        state.gang_part, state.gang_held, state.gang_set, state.gang_stops, state.gang_moves,
        state.gang_bins,
    ):  # fmt: skip
        column[row] = 0
