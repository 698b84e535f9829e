"""A range of readings of one unit, a site or the fleet, in pieces of bounded size."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gateway.telemetry.base import TelemetryStore, check_signals, check_width
from rules.signals import signal

__all__ = ["Asked", "Piece", "pieces"]

HOUR_MS: Final = 3_600_000
RAW_SLICE_MS: Final = 6 * HOUR_MS
"""21,600 instants of a unit that reports every second."""
WINDOWS: Final = 8_640
"""Windows read at once: a month of five minutes."""
_OF_WINDOWS: Final = ("min", "mean", "max")


@dataclass(frozen=True)
class Asked:
    """What is exported: samples with ``start_ms <= time < end_ms`` (UTC, ms since 1970).

    ``units`` are (site, unit). ``width_ms`` is 0 for samples as they came, else the width of
    windows, of which minimum, mean and maximum are given, a multiple of five minutes. Raises
    :class:`gateway.telemetry.base.StoreRefused` for names that are no signals and such widths.
    """

    units: tuple[tuple[str, str], ...]
    signals: tuple[str, ...]
    start_ms: int
    end_ms: int
    width_ms: int = 0

    def __post_init__(self) -> None:
        """Refuse what no store can answer."""
        check_signals(self.signals)
        if self.width_ms:
            check_width(self.width_ms)

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the values' columns: signals, for windows with what is given of each."""
        if not self.width_ms:
            return self.signals
        return tuple(f"{name}_{what}" for what in _OF_WINDOWS for name in self.signals)

    @property
    def units_of_columns(self) -> tuple[str, ...]:
        """The unit of each column, '' for none."""
        times = len(_OF_WINDOWS) if self.width_ms else 1
        return tuple(signal(name).unit for _ in range(times) for name in self.signals)


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


@dataclass(frozen=True)
class Piece:
    """Some rows of one unit, in order of time.

    ``values`` (n, columns) in the units of the catalogue, NaN where there is nothing; ``time_ms``
    (n,) of the samples, or where the windows begin.
    """

    site: str
    unit: str
    time_ms: NDArray[np.int64]
    values: NDArray[np.float64]


def pieces(
    store: TelemetryStore, asked: Asked, clock_ms: Callable[[], int] = _now_ms
) -> Iterator[Piece]:
    """All rows, unit after unit; instants and windows without any of the signals are left out.

    Raises :class:`gateway.telemetry.base.StoreError` where the store cannot answer.
    """
    step_ms = WINDOWS * asked.width_ms or RAW_SLICE_MS
    for site, unit in asked.units:
        # Nothing is newer, so nobody waits for slices of a future that somebody asked for. Windows
        # outlive their samples, so of them the clock says it.
        if asked.width_ms:
            end_ms = min(asked.end_ms, clock_ms() + HOUR_MS)
        else:
            newest = store.latest(site, unit)
            end_ms = min(asked.end_ms, 1 + max((at_ms for at_ms, _ in newest.values()), default=-1))
        start_ms = _first(store, site, unit, asked.signals, asked.start_ms, end_ms)
        first_ms = start_ms - start_ms % step_ms
        for slice_ms in range(first_ms, end_ms, step_ms):
            from_ms, until_ms = max(slice_ms, start_ms), min(slice_ms + step_ms, end_ms)
            piece = _piece(store, site, unit, asked, from_ms, until_ms)
            if len(piece.time_ms):
                yield piece


def _first(
    store: TelemetryStore, site: str, unit: str, signals: Sequence[str], start_ms: int, end_ms: int
) -> int:
    """No later than the first instant: whole years without any are passed over at once."""
    year_ms = 366 * 24 * HOUR_MS
    day_ms = 24 * HOUR_MS
    while end_ms - start_ms > year_ms:
        if len(store.outline(site, unit, signals, start_ms, start_ms + year_ms, day_ms)):
            break
        # Five-minute windows may not be made yet of the newest day.
        start_ms += year_ms
    return start_ms


def _piece(
    store: TelemetryStore, site: str, unit: str, asked: Asked, start_ms: int, end_ms: int
) -> Piece:
    if not asked.width_ms:
        series = store.read(site, unit, asked.signals, start_ms, end_ms)
        return Piece(site, unit, series.time_ms, series.values)
    outline = store.outline(site, unit, asked.signals, start_ms, end_ms, asked.width_ms)
    values = np.hstack([outline.minimum, outline.mean, outline.maximum])
    return Piece(site, unit, outline.start_ms, values)
