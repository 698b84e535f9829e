"""A site with two units, and days of a basin in a telemetry store."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from support.basin_means import Told, basin
from support.fleet import site, unit_data

from gateway.batch import Batch
from gateway.month import Month
from gateway.telemetry.base import TelemetryStore
from rules.equipment import Site
from rules.signals import INDEX, N_SIGNALS

MONTH: Final = Month(2026, 10)
SITE_ID: Final = "north-hall"
STEP_MS: Final = 300_000


def fleet_site(**changes: Any) -> Site:
    """The tests' site in Lisbon's time, with two units."""
    made = site(SITE_ID, [unit_data("ac-1"), unit_data("ac-2")])
    return made.model_copy(update=changes)


def write_basin(
    store: TelemetryStore, row: int, start_ms: int, *, days: int, **held: float | np.ndarray
) -> Told:
    """Two samples in each five minutes, of a basin that bleeds 3 L/min and meters nothing else.

    ``held`` are more signals, and the value at which they stand, or one for each five minutes.
    """
    mean, told = basin(days, 3.0)
    del mean["makeup_flow"]
    mean |= {name: np.broadcast_to(value, days * 288) for name, value in held.items()}
    n = days * 288
    values = np.full((2 * n, N_SIGNALS), np.nan)
    for name, column in mean.items():
        values[:, INDEX[name]] = np.repeat(column, 2)
    at = start_ms + np.arange(2 * n, dtype=np.int64) * (STEP_MS // 2)
    store.write(Batch(np.full(2 * n, row, dtype=np.int32), at, values))
    return told
