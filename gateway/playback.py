"""Playing recorded samples through the rules, with the receiver's clock beside them.

Silence is judged by the receiver's clock, so the clock is part of what is played: one tick a step,
and once an hour in what goes beyond two days without any sample (the engine does not count so long
a step as time spent listening). Samples come in the order in which they arrived.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gateway.batch import Batch
from gateway.rules_step import RulesEngine
from rules.events import Action, Refusal, StepResult

__all__ = ["DEFAULT_CLOCK_STEP_MS", "Playback"]

DEFAULT_CLOCK_STEP_MS: Final = 10_000
"""Silence is judged to within one step; the running gateway's clock ticks every few seconds too."""

_LONG_GAP_MS: Final = 48 * 3_600_000  # longer than any silence that a setting may allow
_GAP_STEP_MS: Final = 3_600_000


class Playback:
    """One pass of recorded samples through an engine; ``take`` gets what each call produced."""

    def __init__(
        self,
        engine: RulesEngine,
        take: Callable[[StepResult], None],
        *,
        clock_step_ms: int = DEFAULT_CLOCK_STEP_MS,
        ticks_a_call: int = 1,
        refusals: Sequence[Refusal] = (),
        actions: Sequence[Action] = (),
    ) -> None:
        """``clock_step_ms`` is at most 60 000: a longer step is not listened time.

        ``ticks_a_call`` is how many steps of samples go into the rules at a time, the ticks after
        them: silence is then judged to within so many steps, and small fleets are played faster.

        ``refusals``, in order of receipt, is what was refused beside the samples, ``actions``, in
        order of time, what people did.
        """
        self._engine = engine
        self._take = take
        self._step_ms = clock_step_ms
        self._call_ms = clock_step_ms * ticks_a_call
        self._clock_ms: int | None = None
        self._last_ms: int | None = None
        self._refusals = refusals
        self._refused = 0
        self._actions = deque(actions)

    def feed(self, batch: Batch, arrived_ms: NDArray[np.int64] | None = None) -> None:
        """Samples in order of arrival, none arriving before those fed before.

        ``arrived_ms`` (n,) is when each row came in, its own time where left out. A row that is
        older than one of its unit that came in earlier is late, as it would be live.
        """
        if not len(batch):
            return
        back = np.zeros(len(batch), dtype=np.bool_)
        if arrived_ms is None:
            arrived_ms = batch.time_ms
        else:
            back = _goes_back(batch)
        self._last_ms = int(arrived_ms[-1])
        step = arrived_ms // self._call_ms
        # One call a step. Within a call the engine sorts a unit's frames, so a late one needs its
        # own: it must not slip in before those that it came after.
        inner = np.flatnonzero((np.diff(step) != 0) | back[1:]) + 1
        for start, end in pairwise([0, *inner.tolist(), len(batch)]):
            self.clock_to(int(step[start]) * self._call_ms)
            until_ms = (int(step[start]) + 1) * self._call_ms
            while self._actions and self._actions[0].time_ms < until_ms:
                self._take(self._engine.act(self._actions.popleft()))
            self._refuse_before(until_ms)
            self._take(
                self._engine.samples(
                    int(arrived_ms[end - 1]),
                    batch.unit_row[start:end],
                    batch.time_ms[start:end],
                    batch.values[start:end],
                )
            )

    def _refuse_before(self, until_ms: int) -> None:
        begin = end = self._refused
        while end < len(self._refusals) and self._refusals[end].received_ms < until_ms:
            end += 1
        if end > begin:
            self._refused = end
            told = self._refusals[begin:end]
            self._take(self._engine.refused(told[-1].received_ms, told))

    def finish(self) -> None:
        """The clock once more, at the step after the last sample."""
        if self._last_ms is not None:
            self.clock_to((self._last_ms // self._step_ms + 1) * self._step_ms)

    def clock_to(self, until_ms: int) -> None:
        """Let the clock tick up to a time."""
        if self._clock_ms is None:
            self._clock_ms = until_ms
            self._take(self._engine.clock(until_ms))
            return
        gap_from_ms = self._clock_ms
        while self._clock_ms < until_ms:
            in_long_gap = self._clock_ms - gap_from_ms >= _LONG_GAP_MS
            step_ms = _GAP_STEP_MS if in_long_gap else self._step_ms
            self._clock_ms = min(self._clock_ms + step_ms, until_ms)
            self._take(self._engine.clock(self._clock_ms))


def _goes_back(batch: Batch) -> NDArray[np.bool_]:
    """Which rows are older than the row of their unit before them."""
    order = np.argsort(batch.unit_row, kind="stable")
    rows, times = batch.unit_row[order], batch.time_ms[order]
    back = np.zeros(len(batch), dtype=np.bool_)
    back[order[1:]] = (rows[1:] == rows[:-1]) & (times[1:] < times[:-1])
    return back
