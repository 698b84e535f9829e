"""The thread that keeps the outbox moving.

It sleeps until mail is added, until a mail is due, or a few seconds have passed, since another
process may have put mail into the same records.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Final, Protocol

from gateway.mail.outbox import PumpResult
from gateway.pulse import Pulse
from gateway.records.session import RecordsUnavailable

__all__ = ["OutboxWorker", "Pumped"]

_LONGEST_WAIT_S: Final = 5.0
_PAUSE_S: Final = 2.0
_ONE_MAIL_S: Final = 600.0
"""How long one mail may take; RFC 5321, 4.5.3.2.6 gives a server ten minutes to its last reply."""


class Pumped(Protocol):
    """What sends messages, a batch at a time: of mail, or of webhook calls."""

    def pump(self, now_ms: int, stop: Callable[[], bool]) -> PumpResult:
        """Send what is due, ending early where ``stop`` says so."""
        ...


class OutboxWorker:
    """Pumps an outbox in a thread of its own, called ``name``.

    ``clock_ms`` gives UTC, ms since 1970. ``on_trouble`` is told, once for each spell of it, when
    the records cannot be written, or anything unforeseen happens.
    """

    def __init__(
        self,
        outbox: Pumped,
        clock_ms: Callable[[], int],
        on_trouble: Callable[[str], None] = lambda _why: None,
        name: str = "outbox",
    ) -> None:
        """Prepare; :meth:`start` starts."""
        self._outbox = outbox
        self._clock_ms = clock_ms
        self._on_trouble = on_trouble
        self._stop = threading.Event()
        self._wake = threading.Event()
        self._troubled = False
        self.pulse = Pulse(name)
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Begin to send."""
        self.pulse.beat()
        self._thread.start()

    def wake(self) -> None:
        """Mail was added: look at once. Any thread may call this."""
        self._wake.set()

    def stop(self, timeout_s: float = 10.0) -> bool:
        """End after the mail under way; False where it is still under way after the timeout.

        The thread does not keep the program alive; what it leaves is recovered at the next start.
        """
        self._stop.set()
        self._wake.set()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        while True:
            self._wake.clear()
            if self._stop.is_set():  # asked after clearing, so that a stop is never slept through
                self.pulse.end()
                return
            wait_s = self._pumped_wait_s()
            self.pulse.beat(wait_s)
            self._wake.wait(wait_s)

    def _before_a_mail(self) -> bool:
        """Asked before each mail: whether to end."""
        self.pulse.beat(_ONE_MAIL_S)
        return self._stop.is_set()

    def _pumped_wait_s(self) -> float:
        """Pump once; how long to wait then."""
        now_ms = self._clock_ms()
        try:
            result = self._outbox.pump(now_ms, self._before_a_mail)
        except RecordsUnavailable as error:
            return self._pause_s(str(error))
        except Exception as error:  # noqa: BLE001  # a fault here must not end all mail for good
            return self._pause_s(f"Sending failed ({type(error).__name__}: {error}).")
        self._troubled = False
        if result.next_ms is None:
            return _LONGEST_WAIT_S
        return min(max((result.next_ms - now_ms) / 1000, 0.0), _LONGEST_WAIT_S)

    def _pause_s(self, why: str) -> float:
        if not self._troubled:
            self._on_trouble(why)
        self._troubled = True
        return _PAUSE_S
