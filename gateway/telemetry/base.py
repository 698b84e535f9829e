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
    "Rollups",
    "Series",
    "StoreError",
    "StoreRefused",
    "StoreUnavailable",
    "TelemetryStore",
    "check_signals",
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
