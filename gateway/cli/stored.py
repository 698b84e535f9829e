"""A range of the telemetry store as batches in order of time, for replay."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np

from gateway.batch import Batch
from gateway.telemetry import StoreSettings, open_store
from rules.signals import SIGNALS

__all__ = ["stored_chunks"]

_SLICE_MS: Final = 3_600_000
"""An hour at a time: 360 samples a unit at ten seconds."""


def stored_chunks(
    settings: StoreSettings,
    data_dir: Path,
    rows: Mapping[tuple[str, str], int],
    start: datetime,
    end: datetime,
) -> Iterator[Batch]:
    """Samples of the units in ``rows`` with start <= time < end (naive times are UTC)."""
    start_ms, end_ms = (round(t.replace(tzinfo=UTC).timestamp() * 1000) for t in (start, end))
    names = tuple(signal.name for signal in SIGNALS)
    store = open_store(settings, data_dir, {row: key for key, row in rows.items()})
    try:
        for slice_ms in range(start_ms, end_ms, _SLICE_MS):
            until_ms = min(slice_ms + _SLICE_MS, end_ms)
            parts = [
                (row, store.read(site, unit, names, slice_ms, until_ms))
                for (site, unit), row in rows.items()
            ]
            time_ms = np.concatenate([series.time_ms for _, series in parts])
            if not len(time_ms):
                continue
            order = np.argsort(time_ms, kind="stable")
            unit_row = np.concatenate(
                [np.full(len(series), row, dtype=np.int32) for row, series in parts]
            )
            values = np.concatenate([series.values for _, series in parts])
            yield Batch(unit_row[order], time_ms[order], values[order])
    finally:
        store.close()
