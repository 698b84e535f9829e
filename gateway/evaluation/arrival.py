"""When each row of a history came in, which the receiver's clock had said.

A file seldom tells. Where its rows stand in the order in which they arrived, the fleet itself is
the clock: most units stamp rightly, so the others' newest stamps say what time it was when a row
came. That shows a backlog as late and a clock that is wrong as wrong. Where rows stand in any other
order (unit by unit, say), each row is taken to have come at its own time.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["arrival_ms"]

_Times = NDArray[np.int64]

FEWEST_UNITS: Final = 3
"""Of two units that differ nobody can say which is right."""

LEAST_SHARE: Final = 0.75
"""So many rows must fit the fleet's clock, or the file is in no order of arrival."""

_MARKS: Final = 100_000
_RECENT: Final = 3
_RANK: Final = 0.6  # past those that are cut off, which are more often many than clocks ahead
_JITTER_MS: Final = 60_000
_SLOWEST_MS: Final = 600_000


def arrival_ms(unit_code: NDArray[np.intp], time_ms: _Times, received_ms: _Times | None) -> _Times:
    """When each row came in. [ms since 1970]

    Parameters
    ----------
    unit_code : (n,) int
        Which unit a row is of, from 0.
    time_ms : (n,) int64
        The row's own time.
    received_ms : (n,) int64 or None
        When it was received, -1 where the file does not say; None if it never does.

    Returns
    -------
    (n,) int64
        Never falling within a unit, in the order of the file.
    """
    if received_ms is not None:
        return _never_back(unit_code, np.where(received_ms < 0, time_ms, received_ms))
    if (np.diff(time_ms) >= 0).all():
        return time_ms.copy()
    found = _by_the_fleet(unit_code, time_ms)
    return found if found is not None else _never_back(unit_code, time_ms)


def _rows_of_units(unit_code: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """The rows of each unit that has any, in the order of the file."""
    order = np.argsort(unit_code, kind="stable")
    starts = np.flatnonzero(np.diff(unit_code[order], prepend=-1))
    return [order[start:end] for start, end in pairwise([*starts.tolist(), len(order)])]


def _never_back(unit_code: NDArray[np.intp], came_ms: _Times) -> _Times:
    """A row comes with the newest of its unit before it, if that is newer: it is late."""
    out = np.empty_like(came_ms)
    for rows in _rows_of_units(unit_code):
        out[rows] = np.maximum.accumulate(came_ms[rows])
    return out


def _by_the_fleet(unit_code: NDArray[np.intp], time_ms: _Times) -> _Times | None:
    """By the newest stamps of all units, read at marks in the file; None if that fits badly."""
    n, rows_of = len(time_ms), _rows_of_units(unit_code)
    if len(rows_of) < FEWEST_UNITS:
        return None
    step = max(len(rows_of), n // _MARKS + 1)
    marks = np.append(np.arange(step, n, step), n)
    newest = np.full((len(marks), len(rows_of)), np.nan)
    every_ms = []
    for column, rows in enumerate(rows_of):
        last = np.searchsorted(rows, marks) - 1
        heard = last >= 0
        # Who has been silent for long says nothing of the time now.
        heard[heard] = rows[last[heard]] >= marks[heard] - _RECENT * step
        newest[heard, column] = time_ms[rows[last[heard]]]
        every_ms.append(float(np.median(np.diff(time_ms[rows]))) if len(rows) > 1 else 0.0)
    newest.sort(axis=1)  # what is not known goes to the end
    rank = np.rint(_RANK * (np.count_nonzero(~np.isnan(newest), axis=1) - 1)).astype(np.intp)
    clock_ms = np.maximum.accumulate(np.take_along_axis(newest, rank[:, None], axis=1)[:, 0])
    slack_ms = _JITTER_MS + min(max(float(np.percentile(every_ms, 90)), 0.0), _SLOWEST_MS)
    mark = np.arange(n) // step
    before_ms = np.concatenate([[-np.inf], clock_ms])[mark]
    fits = (time_ms >= before_ms - slack_ms) & (time_ms <= clock_ms[mark] + slack_ms)
    if fits.mean() < LEAST_SHARE:
        return None
    first_ms = time_ms[np.argmax(fits)]
    return np.maximum.accumulate(np.where(fits, time_ms, first_ms))
