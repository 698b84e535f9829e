"""The means that a unit took in the day that ends, out of its rings, against the clean baseline."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.alarms import is_active, may_stand
from rules.arrays import F64, I64, Bool
from rules.bin_rings import median_last_axis, ring_window
from rules.state import STEADY, STEADY_BINS, FleetState

__all__ = ["MEDIAN_FACTOR", "Compared", "Q", "compared", "standing", "todays_counts"]

Q: Final = {q.name: i for i, q in enumerate(STEADY)}
MEDIAN_FACTOR: Final = 1.2533
"""Standard error of a median of n normal values, times sqrt(n) over their deviation."""
WRAP: Final = 65_536


def todays_counts(state: FleetState, rows: I64) -> I64:
    """How many means of each steady quantity came since the day began, (m, quantities).

    No more than the ring holds. Counts begin anew with a cleaning, then all of them are of today.
    """
    count = state.steady_count[rows]
    since = (count - state.figure_mark[rows].astype(np.int64)) % WRAP
    out: I64 = np.minimum(np.minimum(since, count), STEADY_BINS)
    return out


@dataclass(frozen=True)
class Compared:
    """The day's median over the baseline, arrays (m,); NaN where there is too little of either.

    ``se`` is the standard error of ``ratio`` from the scatter of both, without what the models
    leave out. ``median`` is in the quantity's own unit.
    """

    median: F64
    base: F64
    ratio: F64
    se: F64
    count: I64
    baseline_ms: I64


def compared(state: FleetState, rows: I64, quantity: str, count: I64, least: int) -> Compared:
    """One quantity of the day, of ``count`` (m, quantities) means, ``least`` of them wanted."""
    q = Q[quantity]
    n = count[:, q]
    back = np.arange(1, STEADY_BINS + 1)
    position = (state.steady_count[rows, q][:, None] - back) % STEADY_BINS
    window = ring_window(state.steady, rows, q, position)
    window[back > n[:, None]] = np.nan
    median = median_last_axis(window)
    base = state.baseline[rows, q].astype(np.float64)
    learned = np.maximum(state.baseline_count[rows, q], 1)
    good = (n >= least) & (base > 0)
    safe = np.where(base > 0, base, 1.0)
    scatter = state.baseline_spread[rows, q] / safe
    se = MEDIAN_FACTOR * scatter * np.sqrt(1.0 / np.maximum(n, 1) + 1.0 / learned)
    return Compared(
        median=np.where(good, median, np.nan),
        base=base,
        ratio=np.where(good, median / safe, np.nan),
        se=np.where(good, se, np.nan),
        count=n,
        baseline_ms=np.where(good, state.baseline_ms[rows, q], 0),
    )


def standing(state: FleetState, rows: I64, slugs: tuple[str, ...]) -> Bool:
    """Units at which one of these faults stands, or may, (m,): the readings tell nothing of a part.

    A held alarm (shelved, suppressed, out of service) is not judged: its fault may be there. A
    grade that is an early sign and explains nothing yet spoils no reading either.
    """
    from rules.faults.registry import (  # noqa: PLC0415  # the registry needs bins
        EXPLAINS_FROM,
        FAULT_INDEX,
    )

    columns = [FAULT_INDEX[slug] for slug in slugs]
    at = (rows[:, None], columns)
    severity = state.alarm_severity[at]
    early = is_active(state.alarm_state[at]) & (severity > 0) & (severity < EXPLAINS_FROM[columns])
    out: Bool = np.asarray((may_stand(state.alarm_state[at]) & ~early).any(axis=1))
    return out
