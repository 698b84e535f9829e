"""What every telemetry store does, the shape of its answers, and its two kinds of refusal.

A store keeps samples: one value of one signal of one unit at one instant. Writing is idempotent;
for the same unit and instant a later frame replaces the signals that it carries and leaves the
others. Units are named by (site, unit); a batch's row numbers are resolved through the unit
register that the store is given. Times are milliseconds since 1970-01-01 UTC.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from gateway.batch import Batch
from rules.signals import INDEX

__all__ = [
    "LATEST_WINDOW_MS",
    "ROLLUP_MS",
    "Outline",
    "Rollups",
    "Series",
    "StoreError",
    "StoreRefused",
    "StoreUnavailable",
    "TelemetryStore",
    "check_signals",
    "check_width",
    "whole_buckets",
]

ROLLUP_MS: Final = 300_000
"""Width of a rollup bucket, 5 minutes. Bucket starts are whole multiples of it. [ms]"""

LATEST_WINDOW_MS: Final = 86_400_000
"""How far behind a unit's newest sample ``latest`` looks for a signal, 24 hours. [ms]"""


class StoreError(Exception):
    """A store could not do what it was asked. The text says what is wrong and what to do."""


class StoreUnavailable(StoreError):
    """The store can't be reached, is busy or is full: keep the batch and try again later.

    ``retry_after_s`` is the pause that the server asked for, None where it asked for none.
    """

    def __init__(self, text: str, retry_after_s: float | None = None) -> None:
        """``text`` is for the reader."""
        super().__init__(text)
        self.retry_after_s = retry_after_s


class StoreRefused(StoreError):
    """The store won't take this until a person has changed something; the text says what.

    Nothing may be thrown away: a writer keeps the batch, shows the text and tries again slowly.
    Trying again is harmless, because writing is idempotent.
    """


@dataclass(frozen=True)
class Series:
    """Samples of one unit, in order of time.

    ``time_ms`` (n,) int64, strictly rising; ``values`` (n, k) float64 in the units of the signal
    catalogue, NaN where the instant has no value of that signal; ``signals`` the k names. An
    instant that has none of the k signals is left out.
    """

    time_ms: NDArray[np.int64]
    values: NDArray[np.float64]
    signals: tuple[str, ...]

    def __len__(self) -> int:
        """Number of instants."""
        return len(self.time_ms)

    @classmethod
    def empty(cls, signals: Sequence[str]) -> Series:
        """No samples of these signals."""
        return cls(np.empty(0, np.int64), np.empty((0, len(signals))), tuple(signals))


@dataclass(frozen=True)
class Rollups:
    """What one unit's signals did in each 5 minutes, in order of time.

    ``start_ms`` (n,) int64: the bucket covers [start, start + :data:`ROLLUP_MS`). ``minimum``,
    ``mean`` and ``maximum`` (n, k) float64, NaN where the bucket has no value of that signal;
    ``count`` (n, k) int64, the number of values. A bucket that has none of the k signals is left
    out. Minimum, mean and maximum of a mask signal are numbers without meaning.
    """

    start_ms: NDArray[np.int64]
    minimum: NDArray[np.float64]
    mean: NDArray[np.float64]
    maximum: NDArray[np.float64]
    count: NDArray[np.int64]
    signals: tuple[str, ...]

    def __len__(self) -> int:
        """Number of buckets."""
        return len(self.start_ms)

    @classmethod
    def empty(cls, signals: Sequence[str]) -> Rollups:
        """No buckets of these signals."""
        k = len(signals)
        nothing = np.empty((0, k))
        return cls(
            np.empty(0, np.int64),
            nothing,
            nothing,
            nothing,
            np.empty((0, k), np.int64),
            tuple(signals),
        )


@dataclass(frozen=True)
class Outline:
    """A long time in short: what one unit's signals did in each window, in order of time.

    ``start_ms`` (n,) int64: a window covers [start, start + ``width_ms``). ``minimum``, ``mean``
    and ``maximum`` (n, k) float64, NaN where the window has no value of that signal. The mean is
    that of the samples or of the 5-minute means, as the store can tell sooner.
    """

    start_ms: NDArray[np.int64]
    minimum: NDArray[np.float64]
    mean: NDArray[np.float64]
    maximum: NDArray[np.float64]
    signals: tuple[str, ...]
    width_ms: int

    def __len__(self) -> int:
        """Number of windows."""
        return len(self.start_ms)

    @classmethod
    def of(cls, table: NDArray[np.float64], signals: Sequence[str], width_ms: int) -> Outline:
        """From rows of start, all minima, all means and all maxima."""
        table = table.reshape(len(table), 1 + 3 * len(signals))
        minimum, mean, maximum = np.split(table[:, 1:], 3, axis=1)
        start_ms = table[:, 0].astype(np.int64)
        return cls(start_ms, minimum, mean, maximum, tuple(signals), width_ms)


class TelemetryStore(Protocol):
    """Where samples are kept. One thread writes and maintains; any thread may read.

    Every method raises :class:`StoreUnavailable` or :class:`StoreRefused`, and nothing else that a
    disk, a network or a server can cause. Signals are catalogue names; another name is refused.
    """

    def write(self, batch: Batch) -> None:
        """Store the batch durably; when this returns, a crash loses none of it.

        Values that are not finite are not stored. Samples older than the store's retention are
        dropped with a line in the log.
        """
        ...

    def read(
        self, site: str, unit: str, signals: Sequence[str], start_ms: int, end_ms: int
    ) -> Series:
        """Samples with start <= time < end; empty for a unit that the store does not know."""
        ...

    def rollups(
        self, site: str, unit: str, signals: Sequence[str], start_ms: int, end_ms: int
    ) -> Rollups:
        """Whole 5-minute buckets that start in [start, end), of all samples written so far."""
        ...

    def outline(
        self,
        site: str,
        unit: str,
        signals: Sequence[str],
        start_ms: int,
        end_ms: int,
        width_ms: int,
    ) -> Outline:
        """The whole 5-minute buckets that start in [start, end), taken together in windows.

        ``width_ms`` is a multiple of :data:`ROLLUP_MS`; windows start at whole multiples of it.
        Of a year it takes a fraction of the time that :meth:`rollups` does.
        """
        ...

    def latest(self, site: str, unit: str) -> dict[str, tuple[int, float]]:
        """Newest value of each signal with its time in ms.

        A signal silent for more than 24 hours before the unit's newest sample is left out.
        """
        ...

    def maintain(self, now_ms: int) -> None:
        """Bring rollups up to date and delete what is past retention. Call it every minute or so.

        One call works for a bounded time and leaves the rest to the next.
        """
        ...

    def close(self) -> None:
        """Let go of files and connections. May be called twice."""
        ...


def check_width(width_ms: int) -> int:
    """The width; :class:`StoreRefused` where windows of it would cut buckets."""
    if width_ms < ROLLUP_MS or width_ms % ROLLUP_MS:
        msg = f"a window of {width_ms} ms is no whole number of buckets of {ROLLUP_MS} ms."
        raise StoreRefused(msg)
    return width_ms


def check_signals(signals: Sequence[str]) -> tuple[str, ...]:
    """The names as a tuple; :class:`StoreRefused` names those that are not in the catalogue."""
    unknown = [name for name in signals if name not in INDEX]
    if unknown:
        msg = (
            f"no such signal: {', '.join(map(repr, unknown))}. "
            f"Ask for signals of the catalogue: {', '.join(INDEX)}."
        )
        raise StoreRefused(msg)
    return tuple(signals)


def whole_buckets(start_ms: int, end_ms: int) -> tuple[int, int]:
    """The range in which exactly the buckets lie that start in [start, end). [ms]"""
    return -(-start_ms // ROLLUP_MS) * ROLLUP_MS, -(-end_ms // ROLLUP_MS) * ROLLUP_MS
