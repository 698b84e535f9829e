"""How readings went over a time, from samples or from windows of them, with what happened in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gateway.display_units import display_unit
from gateway.overview.source import Source
from gateway.records import summaries
from gateway.telemetry.base import ROLLUP_MS, Outline, Series, check_signals
from rules.alarms import ACTIVE
from rules.events import Severity
from rules.signals import SIGNALS, signal

__all__ = ["SPANS", "Mark", "TrendLine", "TrendView", "shown_signals", "trend_view"]

HOUR_MS: Final = 3_600_000
SPANS: Final[dict[str, int]] = {
    "6h": 6 * HOUR_MS,
    "24h": 24 * HOUR_MS,
    "7d": 7 * 24 * HOUR_MS,
    "30d": 30 * 24 * HOUR_MS,
    "90d": 90 * 24 * HOUR_MS,
    "1y": 365 * 24 * HOUR_MS,
    "3y": 3 * 365 * 24 * HOUR_MS,
}
POINTS: Final = 600
"""Windows across a chart at most: about as many as it has pixels on a small screen."""
LONGEST_RAW_MS: Final = 6 * HOUR_MS
_BEFORE_MS: Final = 60 * 24 * HOUR_MS


@dataclass(frozen=True)
class TrendLine:
    """One signal in display units. Arrays are as long as the view's times, NaN for nothing.

    ``low`` and ``high`` are the least and greatest of each window, empty where the values are
    samples.
    """

    signal: str
    title: str
    unit: str
    decimals: int
    is_flag: bool
    values: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


@dataclass(frozen=True)
class Mark:
    """What happened: an alarm from its raising to its end, or a cleaning.

    ``end_ms`` is None for what goes on still, and the same as ``start_ms`` for a moment. ``kind``
    is 'alarm' or 'cleaning'; ``priority`` an alarm's.
    """

    start_ms: int
    end_ms: int | None
    kind: str
    priority: str
    title: str
    note: str


@dataclass(frozen=True)
class TrendView:
    """Lines over one axis of time (UTC, ms since 1970). ``width_ms`` is 0 for samples."""

    start_ms: int
    end_ms: int
    width_ms: int
    time_ms: NDArray[np.int64]
    lines: tuple[TrendLine, ...]
    marks: tuple[Mark, ...]


def shown_signals() -> tuple[str, ...]:
    """Signals that a line can show: all but sets of fans."""
    return tuple(s.name for s in SIGNALS if s.kind != "mask")


def trend_view(
    source: Source,
    site_id: str,
    unit_id: str,
    signals: tuple[str, ...],
    start_ms: int,
    end_ms: int,
) -> TrendView | None:
    """The unit's readings from ``start_ms`` to ``end_ms``; None for a unit that is not known.

    Up to six hours are samples, longer times windows of whole five minutes, :data:`POINTS` at most.
    Raises :class:`gateway.telemetry.base.StoreError` where the store cannot answer, also for names
    that are no signals.
    """
    site = source.names.sites.get(site_id)
    if site is None or (site_id, unit_id) not in source.names.units:
        return None
    names = tuple(n for n in check_signals(signals) if signal(n).kind != "mask")
    span_ms = end_ms - start_ms
    if span_ms <= LONGEST_RAW_MS:
        series = source.store.read(site_id, unit_id, names, start_ms, end_ms)
        width_ms = 0
        times, values = _with_breaks(series)
        low = high = values
    else:
        width_ms = max(-(-span_ms // POINTS // ROLLUP_MS), 1) * ROLLUP_MS
        outline = source.store.outline(site_id, unit_id, names, start_ms, end_ms, width_ms)
        outline = _with_gaps(outline)
        # A window is shown where its middle is.
        times = outline.start_ms + width_ms // 2
        low, values, high = outline.minimum, outline.mean, outline.maximum
    lines = []
    for k, name in enumerate(names):
        entry, shown = signal(name), display_unit(signal(name).unit, site.display_units)
        lows, middles, highs = (
            column[:, k] * shown.factor + shown.offset for column in (low, values, high)
        )
        nothing = np.empty(0)
        lines.append(
            TrendLine(
                name, entry.title, shown.symbol, max(shown.decimals, entry.decimals),
                entry.kind == "flag", middles,
                lows if width_ms else nothing, highs if width_ms else nothing,
            )
        )  # fmt: skip
    marks = _marks(source, site_id, unit_id, start_ms, end_ms)
    return TrendView(start_ms, end_ms, width_ms, times, tuple(lines), marks)


def _with_breaks(series: Series) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Samples with an empty one wherever several in a row are missing."""
    steps = np.diff(series.time_ms)
    if len(steps) < 2:
        return series.time_ms, series.values
    behind = np.flatnonzero(steps > 5 * np.median(steps)) + 1
    at_ms = series.time_ms[behind - 1] + 1
    return (
        np.insert(series.time_ms, behind, at_ms),
        np.insert(series.values, behind, np.nan, axis=0),
    )


def _with_gaps(outline: Outline) -> Outline:
    """A window without values is put in wherever one is missing, so that no line bridges it."""
    if len(outline) < 2:
        return outline
    behind = np.flatnonzero(np.diff(outline.start_ms) > outline.width_ms) + 1
    if not len(behind):
        return outline
    at_ms = outline.start_ms[behind - 1] + outline.width_ms
    minimum, mean, maximum = (
        np.insert(part, behind, np.nan, axis=0)
        for part in (outline.minimum, outline.mean, outline.maximum)
    )
    return Outline(
        np.insert(outline.start_ms, behind, at_ms), minimum, mean, maximum, outline.signals,
        outline.width_ms,
    )  # fmt: skip


def _marks(
    source: Source, site_id: str, unit_id: str, start_ms: int, end_ms: int
) -> tuple[Mark, ...]:
    with source.records.reading() as connection:
        # What was raised before the range may stand into it.
        events = summaries.event_lines(
            connection, end_ms, site_id, unit_id, start_ms=start_ms - _BEFORE_MS
        )
        cleaned = summaries.cleanings(connection, site_id, unit_id)
    standing: dict[str, tuple[int, Severity]] = {}
    marks = []

    def ended(fault: str, at_ms: int | None) -> None:
        since_ms, severity = standing.pop(fault)
        if at_ms is None or at_ms >= start_ms:
            title = source.names.fault_title(site_id, unit_id, fault)
            priority = severity.name.lower() if severity else ""
            marks.append(Mark(since_ms, at_ms, "alarm", priority, title, ""))

    for event in events:
        if event.state in ACTIVE:
            since_ms, severity = standing.get(event.fault, (event.time_ms, Severity.NONE))
            standing[event.fault] = since_ms, max(severity, event.severity)
        elif event.fault in standing:
            ended(event.fault, event.time_ms)
    for fault in list(standing):
        ended(fault, None)
    for one in cleaned:
        if start_ms <= one.time_ms < end_ms:
            part = one.part.replace("-", " ") or "all parts"
            note = f"{one.ticket} {one.by}".strip()
            marks.append(Mark(one.time_ms, one.time_ms, "cleaning", "", f"Cleaned: {part}", note))
    return tuple(sorted(marks, key=lambda m: m.start_ms))
