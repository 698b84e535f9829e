"""Samples as columns: what was measured, in order of arrival, and what had to be refused.

What no machine can read is refused as it would be live: by the rules themselves, which judge such
readings too, so here it is only counted. Rows of units that no site file describes are kept apart
for the same reason.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gateway.batch import Batch
from gateway.evaluation.arrival import arrival_ms
from gateway.evaluation.table import Table
from rules.events import Refusal, RefusalKind
from rules.refused import ZERO_ERROR
from rules.signals import INDEX, N_SIGNALS, SIGNALS

__all__ = ["Samples", "arrange"]

CHUNK_ROWS: Final = 50_000
"""Rows made into full-width batches at a time: 8 MB."""


@dataclass
class Samples:
    """Rows in order of arrival. ``columns`` holds the signals that there are, NaN where empty."""

    unit_row: NDArray[np.int32]
    time_ms: NDArray[np.int64]
    arrived_ms: NDArray[np.int64]
    columns: dict[int, NDArray[np.floating]]
    refused: Counter[tuple[int, str]] = field(default_factory=Counter)
    """Values that no machine can read, by unit row and signal."""
    rows: int = 0
    """Rows of the file."""
    empty_rows: int = 0
    """Rows in which nothing was measured: to the rules the unit was silent."""
    strangers: dict[tuple[str, str], NDArray[np.int64]] = field(default_factory=dict)
    """By site and unit that no site file describes, when its rows arrived."""

    def __len__(self) -> int:
        """Rows that can be judged."""
        return len(self.unit_row)

    def batches(self) -> Iterator[tuple[Batch, NDArray[np.int64]]]:
        """The samples, some at a time, with when each arrived."""
        starts = [*range(0, len(self), CHUNK_ROWS), len(self)]
        for start, end in pairwise(starts):
            values = np.full((end - start, N_SIGNALS), np.nan)
            for column, stored in self.columns.items():
                values[:, column] = stored[start:end]
            batch = Batch(self.unit_row[start:end], self.time_ms[start:end], values)
            yield batch, self.arrived_ms[start:end]

    def of_sites(self, sites: Collection[str], rows: NDArray[np.int32]) -> Samples:
        """Only those of some sites and their units, for a process that judges a part."""
        keep = np.isin(self.unit_row, rows)
        return Samples(
            self.unit_row[keep],
            self.time_ms[keep],
            self.arrived_ms[keep],
            {column: values[keep] for column, values in self.columns.items()},
            strangers={key: came for key, came in self.strangers.items() if key[0] in sites},
        )

    def refusals(self) -> list[Refusal]:
        """What the gateway would tell the rules of strangers, in order of arrival."""
        found = [
            Refusal(RefusalKind.UNREGISTERED, received_ms, site, unit)
            for (site, unit), came in self.strangers.items()
            for received_ms in came.tolist()
        ]
        return sorted(found, key=lambda refusal: refusal.received_ms)

    def sent(self) -> dict[int, frozenset[str]]:
        """By unit row, the signals of which any reading came."""
        rows = np.unique(self.unit_row)
        names: dict[int, set[str]] = {int(row): set() for row in rows}
        for column, values in self.columns.items():
            for row in np.unique(self.unit_row[~np.isnan(values)]).tolist():
                names[row].add(SIGNALS[column].name)
        return {row: frozenset(found) for row, found in names.items()}

    def watched_ms(self) -> dict[int, tuple[int, int]]:
        """By unit row, when its first and its last sample arrived."""
        spans = {}
        for row in np.unique(self.unit_row).tolist():
            came = self.arrived_ms[self.unit_row == row]
            spans[row] = int(came[0]), int(came[-1])
        return spans


def arrange(table: Table, rows: Mapping[tuple[str, str], int]) -> Samples:
    """The rows of known units in order of arrival, each value checked; empties the table."""
    unit_row = np.array([rows.get(key, -1) for key in table.units], dtype=np.int32)[table.unit_code]
    arrived_ms = arrival_ms(table.unit_code, table.time_ms, table.received_ms)
    strangers = {
        key: np.sort(arrived_ms[table.unit_code == code])
        for code, key in enumerate(table.units)
        if key not in rows
    }
    order = np.argsort(arrived_ms, kind="stable")
    order = order[unit_row[order] >= 0]
    n_rows, times = len(unit_row), table.time_ms
    unit_row, arrived_ms, times = unit_row[order], arrived_ms[order], times[order]

    columns: dict[int, NDArray[np.floating]] = {}
    refused: Counter[tuple[int, str]] = Counter()
    measured = np.zeros(len(order), dtype=np.bool_)
    for name in list(table.signals):
        column = INDEX[name]
        values = table.signals.pop(name)[order]  # one by one: a long history need not fit twice
        if SIGNALS[column].kind != "analogue":
            # Half a switch is no reading; everything else the rules refuse by its range.
            broken = np.isfinite(values) & (values != np.trunc(values))
            _count(refused, broken, unit_row, name)
            values[broken] = np.nan
        _count(refused, _impossible(values, column), unit_row, name)
        measured |= ~np.isnan(values)
        columns[column] = values
    empty = int((~measured).sum())
    if empty:
        unit_row, arrived_ms, times = unit_row[measured], arrived_ms[measured], times[measured]
        columns = {column: values[measured] for column, values in columns.items()}
    return Samples(unit_row, times, arrived_ms, columns, refused, n_rows, empty, strangers)


def _impossible(values: NDArray[np.floating], column: int) -> NDArray[np.bool_]:
    signal = SIGNALS[column]
    error = ZERO_ERROR.get(signal.name, 0.0)
    out: NDArray[np.bool_] = (values < signal.low - error) | (values > signal.high + error)
    return out


def _count(
    counted: Counter[tuple[int, str]],
    bad: NDArray[np.bool_],
    unit_row: NDArray[np.int32],
    name: str,
) -> None:
    rows, counts = np.unique(unit_row[bad], return_counts=True)
    for row, count in zip(rows.tolist(), counts.tolist(), strict=True):
        counted[row, name] += count
