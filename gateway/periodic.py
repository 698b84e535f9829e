"""Something that is done every so often, in a thread of its own.

The intervals are counted, not read from the time of day: a clock that is set back by an hour must
not keep the journal from being trimmed for an hour.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass

from gateway.worker import Worker

__all__ = ["Pace", "Periodic"]

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Pace:
    """How often things are done, in seconds. ``rules_s`` and ``store_s`` are least intervals."""

    clock_s: float = 5.0
    actions_s: float = 1.0
    escalation_s: float = 10.0
    lists_s: float = 10.0
    aftercare_s: float = 10.0
    use_s: float = 60.0
    reports_s: float = 60.0
    proof_s: float = 600.0
    looks_s: float = 5.0
    due_s: float = 20.0
    rules_s: float = 1.0
    store_s: float = 1.0
    snapshot_s: float = 300.0
    upkeep_s: float = 60.0
    status_s: float = 5.0


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
