"""The columnar batch: what one drain of the broker's messages said, and what it refused.

A batch is the unit of durability: it is appended to the journal whole, then its messages are
acknowledged. Rows keep arrival order; one row is one frame (what one message said of one unit at
one instant), so a message is never split between batches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from rules.signals import N_SIGNALS

__all__ = ["Batch", "Frame", "Reason", "RefusedReading", "Reject", "SiteStatus"]


class Reason(StrEnum):
    """Why something that arrived was put in quarantine. Each has one sentence of advice in wire."""

    TOPIC = "topic"
    UNREGISTERED = "unregistered unit"
    TOO_LARGE = "too large"
    NOT_SENML = "not SenML"
    NOT_SPARKPLUG = "not Sparkplug"
    NO_BIRTH = "no birth"
    MISSING = "message missing"
    VERSION = "SenML version"
    IDENTITY = "identity contradicts topic"
    UNKNOWN_SIGNAL = "unknown signal"
    NO_UNIT = "no unit"
    WRONG_UNIT = "wrong unit"
    NOT_A_NUMBER = "not a number"
    OUT_OF_RANGE = "out of range"
    CLOCK_AHEAD = "clock ahead"
    TOO_OLD = "too old"
    NO_TEMPERATURE = "raw conductivity without temperature"
    RECORD = "malformed record"


@dataclass(frozen=True)
class RefusedReading:
    """A reading that was understood but not accepted.

    ``signal`` is the catalogue's name, ``value`` in its unit, ``time_ms`` the sender's time (UTC,
    ms since 1970).
    """

    signal: str
    value: float
    time_ms: int


@dataclass(frozen=True)
class Reject:
    """One thing that was refused: a whole message (``count`` 1) or records of it.

    ``excerpt`` holds at most 200 characters of what was refused, ``detail`` what was wrong and
    what to do. ``site`` and ``unit`` are empty where the topic did not tell. ``readings`` holds,
    for reasons of range and time, the newest refused reading of each signal.
    """

    received_ms: int
    topic: str
    reason: Reason
    detail: str
    excerpt: str = ""
    site: str = ""
    unit: str = ""
    count: int = 1
    readings: tuple[RefusedReading, ...] = ()


@dataclass(frozen=True)
class SiteStatus:
    """A site's retained status message or its last will."""

    received_ms: int
    site: str
    online: bool


@dataclass(frozen=True)
class Frame:
    """What one message said of one unit at one instant, in catalogue units.

    ``values`` maps signal column (see :data:`rules.signals.INDEX`) to value.
    """

    unit_row: int
    time_ms: int
    values: dict[int, float]


@dataclass(frozen=True)
class Batch:
    """Frames as columns: ``unit_row`` (n,) int32, ``time_ms`` (n,) int64, ``values`` (n, signals).

    ``values`` is float64 with NaN where the message did not carry the signal.
    """

    unit_row: NDArray[np.int32]
    time_ms: NDArray[np.int64]
    values: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.unit_row)

    @classmethod
    def of(cls, frames: Sequence[Frame]) -> Batch:
        """The frames, in their order, as columns."""
        values = np.full((len(frames), N_SIGNALS), np.nan)
        for i, frame in enumerate(frames):
            row = values[i]
            for column, value in frame.values.items():
                row[column] = value
        return cls(
            np.array([f.unit_row for f in frames], dtype=np.int32),
            np.array([f.time_ms for f in frames], dtype=np.int64),
            values,
        )
