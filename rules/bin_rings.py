"""Reading the rings of five-minute means, and medians of what was read."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from rules.arrays import F16, F64, I64
from rules.state import TRACE, TRACE_BINS, FleetState

__all__ = ["median_last_axis", "ring_window", "trace_window", "trace_windows"]

_T: Final = {name: i for i, name in enumerate(TRACE)}


def trace_window(state: FleetState, rows: I64, name: str, bins: int, back: int = 0) -> F64:
    """The last ``bins`` means of a trace for ``rows``, (k, bins), oldest first, NaN for gaps.

    With ``back`` the newest ones are left out; the two together reach no further than the trace.
    """
    return _means(state, rows, _T[name], bins, back)


def trace_windows(state: FleetState, rows: I64, names: Sequence[str], bins: int) -> F64:
    """The same of several traces at once, (names, k, bins)."""
    return _means(state, rows, np.array([[_T[name]] for name in names]), bins, 0)


def _means(state: FleetState, rows: I64, column: int | I64, bins: int, back: int) -> F64:
    newest = state.trace_bin[rows] - back
    ids = newest[:, None] - np.arange(bins - 1, -1, -1)
    window = ring_window(state.trace, rows, column, ids % TRACE_BINS)
    np.copyto(window, np.nan, where=ids <= 0)
    return window


def ring_window(rings: F16, rows: I64, column: int | I64, position: I64) -> F64:
    """What stands at ``position`` (k, bins) of one ring of each of ``rows``; a copy.

    With columns (n, 1) the same of n rings of each, (n, k, bins).
    """
    _, columns, length = rings.shape
    first = (rows * columns + column) * length
    # One flat index: picking by three arrays of indices takes three times as long.
    window: F64 = rings.reshape(-1).take(first[..., None] + position).astype(np.float64)
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
