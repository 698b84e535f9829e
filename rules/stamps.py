"""The sender's clock against the receiver's: what the time stamps of a unit say of its clock.

Two things are watched. Stamps that cannot be (ahead of the receiver, or older than anything that is
kept) are refused where they come in, and counted here. Stamps that lie behind by the same amount,
message after message, come from a clock that is behind: a backlog catches up, so its lag changes.
Each unit's newest stamp between two readings of the receiver's clock is taken, so neither the order
nor the grouping of what came in between matters.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.state import FleetState

__all__ = ["MAX_AHEAD_MS", "STEADY_S", "note_arrived", "note_refused_stamps", "settle"]

MAX_AHEAD_MS: Final = 300_000
"""A stamp further ahead of the receiver's clock cannot be right."""

STEADY_S: Final = 300.0
"""A lag that stays within this is constant: a sender of each three minutes is seen now right after
its newest stamp, and now that much later; a backlog soon leaves it as it catches up (judgement)."""

APART_MS: Final = 1_800_000
"""Stamps further apart than half an hour are not one story."""


def note_arrived(state: FleetState, rows: I64, time_ms: I64) -> None:
    """Frames arrived, late ones included; ``rows`` distinct."""
    state.arrived_ms[rows] = np.maximum(state.arrived_ms[rows], time_ms)


def settle(state: FleetState, now_ms: int) -> None:
    """The receiver's clock reads ``now_ms``: compare it with the newest stamps that came in."""
    rows = np.flatnonzero(state.arrived_ms)
    if not len(rows):
        return
    lag_s: F64 = (now_ms - state.arrived_ms[rows]) / 1000.0
    state.arrived_ms[rows] = 0
    steady: Bool = np.abs(lag_s - state.lag_s[rows]) <= STEADY_S
    steady &= now_ms - state.lag_last_ms[rows] <= APART_MS
    state.lag_s[rows] = np.where(steady, state.lag_s[rows], lag_s)
    state.lag_since_ms[rows] = np.where(steady, state.lag_since_ms[rows], now_ms)
    state.lag_count[rows] = np.where(steady, np.minimum(state.lag_count[rows] + 1, 30_000), 1)
    state.lag_last_ms[rows] = now_ms


def note_refused_stamps(state: FleetState, rows: I64, received_ms: I64, time_ms: I64) -> None:
    """Stamps were refused on arrival; ``rows`` distinct."""
    last = state.stamp_last_ms[rows]
    anew = (last == 0) | (received_ms - last > APART_MS)
    more = np.minimum(state.stamp_count[rows] + (received_ms > last), 30_000)
    state.stamp_count[rows] = np.where(anew, 1, more)
    state.stamp_since_ms[rows] = np.where(anew, received_ms, state.stamp_since_ms[rows])
    state.stamp_last_ms[rows] = np.maximum(last, received_ms)
    state.stamp_lag_s[rows] = (received_ms - time_ms) / 1000.0
