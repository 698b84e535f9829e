"""Reading the rings of five-minute means, and medians of what was read."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F16, F64, I64
from rules.state import TRACE, TRACE_BINS, FleetState

__all__ = ["median_last_axis", "ring_window", "trace_window"]

_T: Final = {name: i for i, name in enumerate(TRACE)}


def trace_window(state: FleetState, rows: I64, name: str, bins: int, back: int = 0) -> F64:
    """The last ``bins`` means of a trace for ``rows``, (k, bins), oldest first, NaN for gaps.

    With ``back`` the newest ones are left out; the two together reach no further than the trace.
    """
    newest = state.trace_bin[rows] - back
    ids = newest[:, None] - np.arange(bins - 1, -1, -1)
    window = ring_window(state.trace, rows, _T[name], ids % TRACE_BINS)
    window[ids <= 0] = np.nan
    return window


def ring_window(rings: F16, rows: I64, column: int, position: I64) -> F64:
    """What stands at ``position`` (k, bins) of one ring of each of ``rows``; a copy."""
    _, columns, length = rings.shape
    first = (rows * columns + column) * length
    # One flat index: picking by three arrays of indices takes three times as long.
    window: F64 = rings.reshape(-1).take(first[:, None] + position).astype(np.float64)
    return window


def median_last_axis(window: F64) -> F64:
    """Median over the last axis, leaving out NaN; NaN where nothing is left. Never warns."""
    ordered = np.sort(window, axis=-1)  # NaN sorts last
    length = ordered.shape[-1]
    n = (~np.isnan(window)).sum(axis=-1)
    first = np.arange(0, ordered.size, length).reshape(n.shape)
    below = ordered.take(first + np.maximum((n - 1) // 2, 0))
    above = ordered.take(first + np.minimum(n // 2, length - 1))
    median: F64 = (below + above) / 2.0  # NaN where n is 0: all are
    return median
