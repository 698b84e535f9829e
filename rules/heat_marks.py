"""Since when a leap of the dry TD or a loss of the coil shows: time counts only where means tell.

The clock alone bears nothing out: while a unit runs wet, its dry means of the wind of one morning
stay the newest for weeks. So a mark is as old as its newest mean is younger, and hours without any
are no part of that but for a day: what shows each night or each afternoon shows without a break.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import I64, Bool
from rules.bin_times import BINS_AN_HOUR
from rules.state import STEADY, FleetState

__all__ = ["is_marked", "newest_told_bin", "pass_over_silence"]

_TD_Q: Final = [[q.name for q in STEADY].index(name) for name in ("td_dry", "td_wet")]
MOST_SILENCE_BINS: Final = 24 * BINS_AN_HOUR
"""A unit that runs in a mode at all on such days does so once a day (judgement)."""


def is_marked(state: FleetState, rows: I64) -> Bool:
    """Units that something was begun to be seen of: only their medians can end it, (k,)."""
    marked: Bool = (state.leap_bin[rows] > 0) | (state.coil_since_bin[rows] > 0)
    return marked


def newest_told_bin(state: FleetState, rows: I64) -> I64:
    """Bin of the newest TD of a mode whose clean state is known, (k,); 0 for none."""
    learned = ~np.isnan(state.baseline[rows[:, None], _TD_Q])
    newest: I64 = np.where(learned, state.td_last_bin[rows], 0).max(axis=1).astype(np.int64)
    return newest


def pass_over_silence(state: FleetState, rows: I64, bin_id: I64, dry: Bool, wet: Bool) -> None:
    """Move the marks of units with a new mean on by the time without one, beyond a day.

    ``dry`` and ``wet`` tell which of ``rows`` have a TD of that mode in the bins ``bin_id``; those
    of before must still stand as the newest.
    """
    learned = ~np.isnan(state.baseline[rows[:, None], _TD_Q])
    # A mode whose clean state is not known tells nothing of the coil, nor when it last did.
    told_of_coil = (dry & learned[:, 0]) | (wet & learned[:, 1])
    told = (dry | wet) & is_marked(state, rows)
    if not told.any():
        return
    for mark, last, new in (
        (state.leap_bin, state.td_last_bin[rows, 0], dry),
        (state.coil_since_bin, newest_told_bin(state, rows), told_of_coil),
    ):
        silent = np.maximum(bin_id - last - MOST_SILENCE_BINS, 0)
        row = rows[at := np.flatnonzero(new & told & (last > 0) & (mark[rows] > 0))]
        mark[row] += silent[at].astype(mark.dtype)
