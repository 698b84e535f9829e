"""Whether a thread still moves: not that it exists, but that it has come round lately.

A thread beats once a turn of its loop, never once a message, and says how long it may now rest with
good reason: until something arrives, or until a server that is away is tried again. What is beyond
that is standing still.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import NamedTuple

__all__ = ["Pulse"]


class _Beat(NamedTuple):
    at_s: float
    rest_s: float


class Pulse:
    """The pulse of one thread. Beaten by that thread, read by any."""

    def __init__(self, name: str, monotonic_s: Callable[[], float] = time.monotonic) -> None:
        """It has not begun: nothing is expected of it."""
        self.name = name
        self._monotonic_s = monotonic_s
        self._beat: _Beat | None = None

    def beat(self, rest_s: float = 0.0) -> None:
        """It moves, and may now rest for so long. [s]"""
        self._beat = _Beat(self._monotonic_s(), max(0.0, rest_s))

    def end(self) -> None:
        """It has ended, or is about to: nothing is expected of it any more."""
        self._beat = None

    @property
    def still_s(self) -> float:
        """For how long it has stood still beyond its rest; 0 while it moves. [s]"""
        beat = self._beat
        if beat is None:
            return 0.0
        return max(0.0, self._monotonic_s() - beat.at_s - beat.rest_s)
