"""A small engine that stands for the rules: it answers to all that a journal can say, exactly.

Its events depend on the order and on every entry before, so a lost, doubled or displaced entry
shows in them; its memory is JSON, so two memories can be compared.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rules.events import (
    Action,
    AlarmEvent,
    AlarmState,
    BaselineChange,
    Change,
    Refusal,
    Severity,
    StepResult,
)
from rules.signals import INDEX

__all__ = ["HIGH_MM", "POISON_MM", "SILENCE_MS", "LedgerEngine"]

HIGH_MM = 100.0
POISON_MM = 666.0
"""A level on which this engine fails, in the midst of its work."""

SILENCE_MS = 30_000
_LEVEL = INDEX["basin_level"]


@dataclass
class LedgerEngine:
    """Level above :data:`HIGH_MM`, silence, and a baseline at every tenth frame of a unit."""

    layout: str = "a"
    latest_ms: dict[int, int] = field(default_factory=dict)
    count: dict[int, int] = field(default_factory=dict)
    high: dict[int, int] = field(default_factory=dict)
    heard_ms: dict[int, int] = field(default_factory=dict)
    silent: list[int] = field(default_factory=list)
    clock_ms: int = 0
    refusals: int = 0
    calls: list[str] = field(default_factory=list)
    """What was called, not part of the memory."""

    def samples(
        self,
        received_ms: int,
        unit_row: NDArray[np.int32],
        time_ms: NDArray[np.int64],
        values: NDArray[np.float64],
    ) -> StepResult:
        self.calls.append(f"samples {len(unit_row)}")
        events, baselines, late = [], [], 0
        order = np.lexsort((np.arange(len(unit_row)), time_ms, unit_row))
        for i in order.tolist():
            row, at, level = int(unit_row[i]), int(time_ms[i]), float(values[i, _LEVEL])
            self.heard_ms[row] = self.clock_ms
            if at <= self.latest_ms.get(row, 0):  # late, or a repeat
                late += 1
                continue
            self.latest_ms[row] = at
            self.count[row] = self.count.get(row, 0) + 1
            if level == POISON_MM:
                msg = "cannot think about this level"
                raise ArithmeticError(msg)
            if self.count[row] % 10 == 0:
                baselines.append(
                    BaselineChange(row, "level", "", level, 0.0, self.count[row], at, "mm")
                )
            if level > HIGH_MM and row not in self.high:
                self.high[row] = at
                events.append(self._event(row, at, Change.RAISED, f"frame {self.count[row]}"))
            elif level <= HIGH_MM and self.high.pop(row, None) is not None:
                events.append(self._event(row, at, Change.RETURNED, f"frame {self.count[row]}"))
        return StepResult(tuple(events), tuple(baselines), late)

    def refused(self, received_ms: int, refusals: Sequence[Refusal]) -> StepResult:
        self.calls.append(f"refused {len(refusals)}")
        self.refusals += len(refusals)
        return StepResult()

    def clock(self, now_ms: int, *, listening: bool = True) -> StepResult:
        self.calls.append("clock")
        self.clock_ms = max(now_ms, self.clock_ms)
        if not listening:
            return StepResult()
        events = []
        for row, heard in sorted(self.heard_ms.items()):
            silent = self.clock_ms - heard > SILENCE_MS
            if silent and row not in self.silent:
                self.silent.append(row)
                events.append(self._event(row, now_ms, Change.RAISED, "silent", "unit-stale"))
            elif not silent and row in self.silent:
                self.silent.remove(row)
                events.append(self._event(row, now_ms, Change.RETURNED, "heard", "unit-stale"))
        return StepResult(tuple(events))

    def site_status(self, received_ms: int, site: str, online: bool) -> StepResult:
        self.calls.append(f"status {site} {online}")
        self.heard_ms = {} if not online else self.heard_ms
        return StepResult()

    def act(self, action: Action) -> StepResult:
        self.calls.append(f"act {action.id}")
        event = self._event(action.unit_row, action.time_ms, Change.ACKNOWLEDGED, action.note)
        return StepResult((event,))

    def _event(
        self, row: int, at: int, change: Change, note: str, fault: str = "level-frozen"
    ) -> AlarmEvent:
        state = AlarmState.NORMAL if change is Change.RETURNED else AlarmState.UNACKNOWLEDGED
        return AlarmEvent(row, fault, at, change, state, Severity.LOW, at, note=note)

    def look(self, row: int) -> None:
        """It has nothing to look at: hand-backs stay unknown."""

    def snapshot(self) -> bytes:
        memory = {k: v for k, v in vars(self).items() if k != "calls"}
        return json.dumps(memory, sort_keys=True).encode()

    def restore(self, data: bytes) -> None:
        memory = json.loads(data)
        if memory["layout"] != self.layout:
            msg = f"layout {memory['layout']}, now {self.layout}"
            raise ValueError(msg)
        for name, value in memory.items():
            by_row = isinstance(value, dict)
            setattr(self, name, {int(k): v for k, v in value.items()} if by_row else value)
