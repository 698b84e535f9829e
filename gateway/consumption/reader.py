"""From the telemetry store to a unit's figures of one month.

One unit and one month are in memory at a time: at most 9,000 five-minute means of thirteen signals.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gateway.month import Month
from gateway.telemetry.base import TelemetryStore
from rules.consumption import CleanTd, FaultSpan, Trace, UnitUse, unit_use
from rules.consumption.trace import SIGNALS_USED, STEP_MS
from rules.equipment import Site, Unit

__all__ = ["month_use", "read_trace"]


def read_trace(store: TelemetryStore, site: Site, unit: Unit, start_ms: int, end_ms: int) -> Trace:
    """The unit's means from ``start_ms`` to ``end_ms``; raises as the store does."""
    start_ms = -(-start_ms // STEP_MS) * STEP_MS
    found = store.rollups(site.id, unit.id, SIGNALS_USED, start_ms, end_ms)
    column = {name: i for i, name in enumerate(found.signals)}
    mean = {name: found.mean[:, i] for name, i in column.items()}
    mask = column["fan_run"]
    span = found.maximum[:, mask] - found.minimum[:, mask]
    return Trace.of(
        site, unit, start_ms, end_ms, found.start_ms, mean, np.where(np.isnan(span), -1.0, span)
    )


def month_use(
    store: TelemetryStore,
    place: tuple[Site, Unit],
    month: Month,
    now_ms: int,
    clean_td_k: CleanTd,
    spans: Sequence[FaultSpan],
) -> UnitUse:
    """The figures of a unit's month, as far as it has gone by ``now_ms``."""
    site, unit = place
    start_ms = month.start_ms(site.zone)
    end_ms = max(start_ms, min(month.end_ms(site.zone), now_ms))
    return unit_use(read_trace(store, site, unit, start_ms, end_ms), clean_td_k, spans)
