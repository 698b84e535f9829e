"""From the telemetry store to a unit's figures of one month.

One unit and one month are in memory at a time: at most 9,000 five-minute means of thirteen signals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gateway.month import Month
from gateway.telemetry.base import TelemetryStore
from rules.consumption import CleanTd, FaultSpan, Trace, UnitUse, unit_use
from rules.consumption.trace import SIGNALS_USED, STEP_MS
from rules.equipment import Overrides, Site, Unit
from rules.site_weather import SERVED

__all__ = ["Asked", "month_use", "read_trace"]

_LOOKED_BACK_MS: Final = 400 * 86_400_000
"""A unit that was silent for longer begins anew (judgement)."""
_WINDOW_MS: Final = 32 * 86_400_000


@dataclass(frozen=True)
class Asked:
    """What working out a unit's month asks of the records and of the files.

    ``fleet`` are the settings of the whole fleet, ``known_ms`` is when the unit was registered.
    """

    clean_td_k: CleanTd
    spans: Sequence[FaultSpan]
    fleet: Overrides
    known_ms: int | None = None


def read_trace(
    store: TelemetryStore,
    place: tuple[Site, Unit],
    start_ms: int,
    end_ms: int,
    fleet: Overrides,
) -> Trace:
    """The unit's means from ``start_ms`` to ``end_ms``; raises as the store does.

    Weather that it sent nothing of in that time is taken from its site, of the same five minutes
    only: the rules hold a reading for longer, and leave out a sensor that stands still.
    """
    site, unit = place
    start_ms = -(-start_ms // STEP_MS) * STEP_MS
    found = store.rollups(site.id, unit.id, SIGNALS_USED, start_ms, end_ms)
    column = {name: i for i, name in enumerate(found.signals)}
    mean = {name: found.mean[:, i] for name, i in column.items()}
    for name in SERVED:
        if np.isnan(mean[name]).all():
            mean[name] = _weather(store, place, name, found.start_ms)
    mask = column["fan_run"]
    span = found.maximum[:, mask] - found.minimum[:, mask]
    return Trace.of(
        site, unit, start_ms, end_ms, found.start_ms, mean,
        np.where(np.isnan(span), -1.0, span), fleet,
    )  # fmt: skip


def _weather(
    store: TelemetryStore, place: tuple[Site, Unit], name: str, at_ms: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Means of the other units of the site, (n,): of the first, by id, that sent any just then."""
    site, unit = place
    out = np.full(len(at_ms), np.nan)
    if not len(at_ms):
        return out
    for other in sorted(u.id for u in site.units if u.id != unit.id):
        first_ms, end_ms = int(at_ms[0]), int(at_ms[-1]) + STEP_MS
        sent = store.rollups(site.id, other, (name,), first_ms, end_ms)
        if len(sent):
            at = np.searchsorted(sent.start_ms, at_ms)
            at[at == len(sent)] = 0
            here = np.isnan(out) & (sent.start_ms[at] == at_ms)
            out = np.where(here, sent.mean[at, 0], out)
            if not np.isnan(out).any():
                break
    return out


def month_use(
    store: TelemetryStore,
    place: tuple[Site, Unit],
    month: Month,
    now_ms: int,
    asked: Asked,
) -> UnitUse:
    """The figures of a unit's month, as far as it has gone by ``now_ms``.

    They begin with the unit: with its first reading if that is of this month, else, if none has
    come at all, with its registration.
    """
    site, unit = place
    start_ms = month.start_ms(site.zone)
    end_ms = max(start_ms, min(month.end_ms(site.zone), now_ms))
    trace = read_trace(store, place, start_ms, end_ms, asked.fleet)
    first_ms = trace.first_ms
    begins_ms = first_ms if first_ms is not None else asked.known_ms
    if begins_ms is not None and begins_ms >= trace.start_ms + STEP_MS:
        # Only where the month begins in silence it has to be known whether that was the unit's.
        before = store.outline(
            site.id, unit.id, SIGNALS_USED, start_ms - _LOOKED_BACK_MS, trace.start_ms, _WINDOW_MS
        )
        if not len(before):
            trace = trace.since(min(begins_ms, end_ms))
    return unit_use(trace, asked.clean_td_k, asked.spans)
