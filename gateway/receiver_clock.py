"""The receiver's clock: the machine's, but for a while not where somebody sets that back.

A sample from beyond the receiver's time is refused, since its sender's clock must be wrong. Were
the machine's own clock set back by mistake, every sample would look so, and be lost. So where the
machine's clock falls behind its own count, the count goes on for ten minutes, and whoever looks
after the machine is told at once. If the clock is still behind after that it was right to set it
back, and it is followed.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Final

__all__ = ["DOUBTED_S", "ReceiverClock"]

log = logging.getLogger(__name__)

DOUBTED_S: Final = 600.0
"""So long a clock that was set back is not believed. [s]"""

_TELL_MS: Final = 2_000
"""A smaller step back is a time server's correction: waited out without a word. [ms]"""


class ReceiverClock:
    """Gives the time (UTC, ms since 1970), which goes back only after :data:`DOUBTED_S`.

    ``wall_ms`` is the machine's clock and ``monotonic_s`` counts seconds whatever is done to it.
    ``not_before_ms`` is a time known to be over, such as that of the newest journal entry; 0: none.
    Any thread may call it.
    """

    def __init__(
        self,
        wall_ms: Callable[[], int],
        *,
        not_before_ms: int = 0,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """The count begins here."""
        self._wall_ms = wall_ms
        self._monotonic_s = monotonic_s
        self._lock = threading.Lock()
        self._last_ms = not_before_ms
        self._counted_from: tuple[int, float] | None = None  # time and count when it fell behind
        self._told = False

    def __call__(self) -> int:
        """The time."""
        wall_ms = self._wall_ms()
        # Asked for every message: no lock and no second clock while nothing is wrong.
        if wall_ms >= self._last_ms and self._counted_from is None:
            self._last_ms = wall_ms
            return wall_ms
        with self._lock:
            self._last_ms = self._doubted(wall_ms)
            return self._last_ms

    def _doubted(self, wall_ms: int) -> int:
        """The time where the machine's clock is, or was a moment ago, behind what was given out."""
        now_s = self._monotonic_s()
        if self._counted_from is None:
            self._counted_from = (self._last_ms, now_s)
        from_ms, from_s = self._counted_from
        count_ms = from_ms + int((now_s - from_s) * 1000)
        if wall_ms >= count_ms:
            if self._told:
                log.warning("This machine's clock is right again; the gateway follows it.")
            self._counted_from, self._told = None, False
            return wall_ms
        if now_s - from_s >= DOUBTED_S:
            if self._told:
                log.error(
                    "This machine's clock has been behind by %.0f s for %.0f minutes: the gateway "
                    "follows it from now on. If it is wrong, samples will be refused as being from "
                    "the future: give this machine network time.",
                    (count_ms - wall_ms) / 1000, DOUBTED_S / 60,
                )  # fmt: skip
            self._counted_from, self._told = None, False
            return wall_ms
        if count_ms - wall_ms >= _TELL_MS and not self._told:
            self._told = True
            log.error(
                "This machine's clock was set back by %.0f s. For %.0f minutes the gateway goes on "
                "by its own count, then it follows. If the new time is wrong, set it right before, "
                "or samples will be refused as being from the future.",
                (count_ms - wall_ms) / 1000, DOUBTED_S / 60,
            )  # fmt: skip
        return count_ms
