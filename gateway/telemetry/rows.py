"""A batch made ready for a store: one row for each unit and instant, in key order.

Within a batch a unit may report the same instant twice; the stores differ in what they make of
that, so it is settled here, once: the later frame wins, signal by signal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gateway.batch import Batch
from gateway.telemetry.base import StoreRefused

__all__ = ["Rows", "merged_rows"]


@dataclass(frozen=True)
class Rows:
    """Rows with distinct keys (unit, time), sorted by them.

    ``units`` are the (site, unit) names; ``unit`` (n,) indexes them; ``time_ms`` (n,) int64;
    ``values`` (n, signals of the catalogue) float64, finite or NaN, each row with one value at
    least.
    """

    units: tuple[tuple[str, str], ...]
    unit: NDArray[np.intp]
    time_ms: NDArray[np.int64]
    values: NDArray[np.float64]

    def __len__(self) -> int:
        """Number of rows."""
        return len(self.time_ms)

    def take(self, keep: NDArray[np.bool_]) -> Rows:
        """The rows for which ``keep`` (n,) is true."""
        return Rows(self.units, self.unit[keep], self.time_ms[keep], self.values[keep])


def merged_rows(batch: Batch, register: Mapping[int, tuple[str, str]]) -> Rows:
    """The batch's rows, merged and sorted; :class:`StoreRefused` if a unit row has no name."""
    unit_rows, unit = np.unique(batch.unit_row, return_inverse=True)
    units = _names(unit_rows, register)
    values = np.where(np.isfinite(batch.values), batch.values, np.nan)
    order = np.lexsort((batch.time_ms, unit))  # stable: equal keys keep their order of arrival
    unit, time_ms, values = unit[order], batch.time_ms[order], values[order]
    first = np.ones(len(unit), dtype=np.bool_)
    first[1:] = (unit[1:] != unit[:-1]) | (time_ms[1:] != time_ms[:-1])
    if not first.all():
        values = _last_of_each(values, np.flatnonzero(first))
        unit, time_ms = unit[first], time_ms[first]
    rows = Rows(units, unit, time_ms, values)
    silent = np.asarray(np.isnan(values).all(axis=1))
    return rows.take(~silent) if silent.any() else rows


def _names(
    unit_rows: NDArray[np.int32], register: Mapping[int, tuple[str, str]]
) -> tuple[tuple[str, str], ...]:
    try:
        return tuple(register[row] for row in unit_rows.tolist())
    except KeyError as err:
        msg = (
            f"the unit register has no unit number {err.args[0]}, so its samples can't be named. "
            "Restore the journal file that belongs to this data directory; nothing was written."
        )
        raise StoreRefused(msg) from err


def _last_of_each(values: NDArray[np.float64], starts: NDArray[np.intp]) -> NDArray[np.float64]:
    """For each group of rows that begins at ``starts``, the last value that is not NaN."""
    index = np.where(np.isnan(values), -1, np.arange(len(values))[:, np.newaxis])
    last = np.maximum.reduceat(index, starts, axis=0)
    # Where no row of the group has a value, -1 picks the last row of all: masked out again.
    picked = np.take_along_axis(values, last, axis=0)
    return np.where(last < 0, np.nan, picked)
