"""After a cleaning: the readings before and after, and what they say of it.

Now and then each cleaning that waits for its proof is looked at: five-minute figures of the days
before the work and of the time since come out of the telemetry store, the rules compare them in
like conditions (:mod:`rules.proof`), and the records keep the verdict. All that has to outlast a
restart stands there, so nothing is judged twice. A store that is away makes the proof wait.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from typing import Final, Protocol

import numpy as np

from gateway.records.trouble import RecordsError
from gateway.records.wear import Settled
from gateway.records.wear_rows import CleaningRow
from gateway.telemetry.base import Rollups, StoreError
from rules.like_conditions import Means
from rules.plan import FleetPlan
from rules.proof import Proof, ProofVerdict, judge_cleaning
from rules.signals import INDEX, N_SIGNALS, SIGNALS

__all__ = ["CleaningProof"]

log = logging.getLogger(__name__)

_HOUR_MS: Final = 3_600_000
_DAY_MS: Final = 24 * _HOUR_MS
_BEFORE_MS: Final = 14 * _DAY_MS
_AFTER_MS: Final = 14 * _DAY_MS
"""So many days before the work are compared with so many after it, at most."""
_FIRST_LOOK_MS: Final = 12 * _HOUR_MS
_AGAIN_MS: Final = 24 * _HOUR_MS
"""Days are compared, and each look is a chance to be misled: not more often than a day brings news.
The first only says what is awaited."""
_SETTLE_MS: Final = _HOUR_MS
"""After the work pads soak and water fills: that hour says nothing."""
_NAMES: Final = tuple(signal.name for signal in SIGNALS)


class ProofRecords(Protocol):
    """What is asked of the records; :class:`gateway.records.records.Records` is one."""

    def awaiting_proof(self) -> list[CleaningRow]:
        """The cleanings whose effect is not known yet."""
        ...

    def cleanings(self, site: str = "", unit: str = "", part: str = "") -> list[CleaningRow]:
        """Cleanings, the newest first."""
        ...

    def settle_cleanings(self, looks: Sequence[Settled], now_ms: int) -> None:
        """Write down what looks showed."""
        ...


class Figures(Protocol):
    """Where readings come from; a telemetry store is one."""

    def rollups(
        self, site: str, unit: str, signals: Sequence[str], start_ms: int, end_ms: int
    ) -> Rollups:
        """Five-minute figures."""
        ...


class CleaningProof:
    """Looks at cleanings until their effect is known. :meth:`run` is called by one thread."""

    def __init__(
        self,
        records: ProofRecords,
        store: Figures,
        plan: Callable[[], FleetPlan],
        clock_ms: Callable[[], int],
    ) -> None:
        """``plan`` gives the nameplates of the present configuration."""
        self._records = records
        self._store = store
        self._plan = plan
        self._clock_ms = clock_ms

    def run(self) -> None:
        """Look at all that is due; what cannot be read now is looked at the next time."""
        now_ms = self._clock_ms()
        try:
            for cleaning in self._records.awaiting_proof():
                if self._is_due(cleaning, now_ms):
                    self._records.settle_cleanings([self._look(cleaning, now_ms)], now_ms)
        except RecordsError as error:
            # The rules reader, which needs them every second, tells of their outage.
            log.debug("The proofs of cleanings wait: %s", error)
        except StoreError as error:
            log.debug("The proofs of cleanings wait for readings: %s", error)

    def _is_due(self, cleaning: CleaningRow, now_ms: int) -> bool:
        if now_ms - cleaning.cleaned_ms < _FIRST_LOOK_MS:
            return False
        # A clock that was set back must not put the next look off for long.
        return cleaning.looked_ms is None or not 0 <= now_ms - cleaning.looked_ms < _AGAIN_MS

    def _look(self, cleaning: CleaningRow, now_ms: int) -> Settled:
        plan = self._plan()
        row = cleaning.unit_row
        if not (0 <= row < plan.n_rows and plan.active[row]):
            why = "The unit is not in the site files any more."
            return Settled(cleaning, Proof(ProofVerdict.CANNOT_TELL, why), final=True)
        of_unit = self._records.cleanings(cleaning.site, cleaning.unit)
        others = tuple(c.part for c in of_unit if c.cleaned_ms == cleaning.cleaned_ms)
        same = [c for c in of_unit if c.part == cleaning.part and c is not cleaning]
        earlier = [c.cleaned_ms for c in same if c.cleaned_ms < cleaning.cleaned_ms]
        later = [c.work_from_ms for c in same if c.cleaned_ms > cleaning.cleaned_ms]
        first_ms = max([cleaning.work_from_ms - _BEFORE_MS, *earlier])
        last_ms = min([cleaning.cleaned_ms + _AFTER_MS, *later, now_ms])
        before = self._means(cleaning, first_ms, cleaning.work_from_ms)
        after = self._means(cleaning, cleaning.cleaned_ms + _SETTLE_MS, last_ms)
        proof = judge_cleaning(plan, row, cleaning.part, before, after, others)
        over = bool(later) or now_ms >= cleaning.cleaned_ms + _AFTER_MS
        return Settled(cleaning, proof, over or proof.verdict is not ProofVerdict.CANNOT_TELL)

    def _means(self, cleaning: CleaningRow, start_ms: int, end_ms: int) -> Means:
        if end_ms <= start_ms:
            nothing = np.empty((0, N_SIGNALS))
            return Means(np.empty(0, np.int64), nothing, nothing, nothing)
        found = self._store.rollups(cleaning.site, cleaning.unit, _NAMES, start_ms, end_ms)
        order = [INDEX[name] for name in found.signals]
        mean, low, high = (np.full((len(found), N_SIGNALS), np.nan) for _ in range(3))
        mean[:, order], low[:, order] = found.mean, found.minimum
        high[:, order] = found.maximum
        return Means(found.start_ms, mean, low, high)
