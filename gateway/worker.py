"""A thread of the gateway that either works, or says loudly that it does not."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import TypeVar

from gateway.outage import Outage
from gateway.pulse import Pulse

__all__ = ["OnDeath", "Stopped", "Worker"]

log = logging.getLogger(__name__)

OnDeath = Callable[[str, BaseException], None]
"""Told (name of the thread, what killed it), from the dying thread."""


_T = TypeVar("_T")


class Stopped(Exception):
    """Told to stop while something was away: what was under way is left, to be done again."""


def _nobody(_name: str, _error: BaseException) -> None:
    """Nobody is told beyond the log."""


class Worker:
    """Runs :meth:`run` in a thread until it returns, which it does soon after :meth:`stop`.

    An exception that leaves :meth:`run` is a defect: it is logged with its traceback and handed to
    ``on_death``, so that the whole gateway ends and is started anew, never going on half-dead.
    :meth:`run` beats :attr:`pulse` once a turn, so that a thread that stands still is noticed too.
    """

    def __init__(self, name: str, on_death: OnDeath = _nobody) -> None:
        """Prepare; :meth:`start` starts."""
        self.name = name
        self.on_death = on_death
        self.stopping = threading.Event()
        self.pulse = Pulse(name)
        self._thread = threading.Thread(target=self._guarded, name=name, daemon=True)

    def run(self) -> None:
        """The thread's work; returns when :attr:`stopping` is set."""
        raise NotImplementedError

    def start(self) -> None:
        """Begin."""
        self.pulse.beat()
        self._thread.start()

    def stop(self) -> None:
        """Ask it to end in good order; does not wait."""
        self.stopping.set()

    def join(self, timeout_s: float | None = None) -> bool:
        """Wait for the end; whether it has come."""
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    @property
    def alive(self) -> bool:
        """Whether it runs."""
        return self._thread.is_alive()

    def patiently(
        self,
        outage: Outage,
        what: Callable[[], _T],
        meanwhile: str,
        away: tuple[type[Exception], ...],
    ) -> _T:
        """Do something, again and again while it fails with one of the errors ``away``.

        ``meanwhile`` tells the consequence. Raises :class:`Stopped` when told to stop; a thread may
        let it through.
        """
        while True:
            try:
                result = what()
            except away as error:
                pause_s = outage.failed(f"{error} {meanwhile}")
                self.pulse.beat(pause_s)
                if self.stopping.wait(pause_s):
                    raise Stopped from error
            else:
                outage.recovered()
                return result

    def _guarded(self) -> None:
        try:
            self.run()
        except Stopped:
            log.info("The thread '%s' was stopped while it waited.", self.name)
        except BaseException as error:  # whatever it is, nobody else would hear of it
            log.critical(
                "The thread '%s' has died of a defect: %s: %s. The gateway ends, to be started "
                "anew; please report the lines below.",
                self.name, type(error).__name__, error, exc_info=error,
            )  # fmt: skip
            self.on_death(self.name, error)
        finally:
            self.pulse.end()
