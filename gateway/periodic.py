"""Something that is done every so often, in a thread of its own.

The intervals are counted, not read from the time of day: a clock that is set back by an hour must
not keep the journal from being trimmed for an hour.
"""

from __future__ import annotations

import logging
from collections.abc import Callable

from gateway.worker import Worker

__all__ = ["Periodic"]

log = logging.getLogger(__name__)


class Periodic(Worker):
    """Does ``work`` every ``every_s`` seconds; what it raises is logged, and it is done again."""

    def __init__(self, name: str, every_s: float, work: Callable[[], object]) -> None:
        """Prepare; :meth:`start` starts, and the first time is one interval later."""
        super().__init__(name)
        self._every_s = every_s
        self._work = work

    def run(self) -> None:
        """Until stopped."""
        while not self.stopping.wait(self._every_s):
            try:
                self._work()
            except Exception:  # one failure must not end what is done for weeks
                log.exception("%s failed; done again in %g s.", self.name, self._every_s)
