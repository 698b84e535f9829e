"""Reads what a mail's chart shows, and never keeps the mail waiting for it.

A store that is away, slow or odd costs a mail its chart and nothing else: one reading may take two
seconds, and after one that failed or did not end there is none for a minute, so that a thousand
mails wait no longer than one does.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Final

from gateway.telemetry.base import Rollups, TelemetryStore
from gateway.tickets.chart import charted_signals, window_ms
from gateway.tickets.notice import TicketNotice

__all__ = ["ChartReader"]

log = logging.getLogger(__name__)

_LIMIT_S: Final = 2.0
_PAUSE_S: Final = 60.0


class _Reading:
    """One reading of the store, in a thread that nobody has to wait for."""

    def __init__(self, read: Callable[[], Rollups]) -> None:
        self._read = read
        self.over = threading.Event()
        self.found: Rollups | None = None
        self.why = "it took too long"

    def run(self) -> None:
        try:
            self.found = self._read()
        except Exception as error:  # noqa: BLE001  # whatever a store does, the mail goes out
            self.why = f"{type(error).__name__}: {error}"
        self.over.set()


class ChartReader:
    """Gives the five-minute figures behind a notice's deciding signals, or None.

    Used by one thread. ``limit_s`` is how long a reading may take, ``pause_s`` how long none is
    tried after one that failed; ``monotonic_s`` counts it.
    """

    def __init__(
        self,
        store: TelemetryStore,
        *,
        limit_s: float = _LIMIT_S,
        pause_s: float = _PAUSE_S,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Nothing is read before the first call."""
        self._store = store
        self._limit_s = limit_s
        self._pause_s = pause_s
        self._monotonic_s = monotonic_s
        self._not_before_s = -float("inf")
        self._last: _Reading | None = None

    def __call__(self, notice: TicketNotice) -> Rollups | None:
        """The figures for the notice's chart; None where there are none, or not soon enough."""
        signals = charted_signals(notice.evidence)
        if not signals or not notice.unit_id:
            return None
        busy = self._last is not None and not self._last.over.is_set()
        if busy or self._monotonic_s() < self._not_before_s:
            return None
        start_ms, end_ms = window_ms(notice)
        reading = self._last = _Reading(
            lambda: self._store.rollups(notice.site_id, notice.unit_id, signals, start_ms, end_ms)
        )
        threading.Thread(target=reading.run, name="chart", daemon=True).start()
        if reading.over.wait(self._limit_s) and reading.found is not None:
            return reading.found
        self._not_before_s = self._monotonic_s() + self._pause_s
        log.warning(
            "Mails go out without charts for %g s: the telemetry store did not answer (%s).",
            self._pause_s, reading.why,
        )  # fmt: skip
        return None
