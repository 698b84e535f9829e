"""Something the gateway leans on is away: told once when it goes, once when it is back.

Between the two the work is tried again with growing pauses. The log shows one line at each end,
not one an attempt; whoever asks meanwhile gets the latest reason.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import Final

__all__ = ["Outage"]

_GROWTH: Final = 2.0


class Outage:
    """One thing that may be away, such as the records. Used by one thread, read by any.

    ``back`` is the sentence that tells of its return. Pauses grow from ``first_pause_s`` to
    ``longest_pause_s``.
    """

    def __init__(
        self,
        log: logging.Logger,
        back: str,
        *,
        first_pause_s: float = 0.5,
        longest_pause_s: float = 30.0,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Nothing is away."""
        self._log = log
        self._back = back
        self._first_pause_s = first_pause_s
        self._longest_pause_s = longest_pause_s
        self._monotonic_s = monotonic_s
        self._pause_s = first_pause_s
        self._since_s = 0.0
        self.why = ""
        """The latest reason, empty while all is well."""

    @property
    def standing(self) -> bool:
        """Whether it is away."""
        return bool(self.why)

    def failed(self, why: str, pause_s: float | None = None) -> float:
        """Note a failed attempt; how long to pause before the next. [s]

        ``pause_s`` is what the other side asked for, if it did.
        """
        if not self.why:
            self._since_s = self._monotonic_s()
            self._pause_s = self._first_pause_s
            self._log.error("%s", why)
        self.why = why or "no reason given"
        pause = self._pause_s
        self._pause_s = min(self._pause_s * _GROWTH, self._longest_pause_s)
        return pause if pause_s is None else min(max(pause, pause_s), 10 * self._longest_pause_s)

    def recovered(self) -> None:
        """Note that it works; told if it had been away."""
        if self.why:
            away_s = self._monotonic_s() - self._since_s
            self._log.warning("%s It was away for %.1f s.", self._back, away_s)
            self.why = ""
