"""One step of the rules: journal entries driven through an engine, in order.

Frames that follow each other are given to the engine in one call, because a call has a fixed cost,
as long as that gives what one batch after another would have given. Nothing is read or written
here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from gateway.batch import Batch, Reason, Reject, SiteStatus
from gateway.journal import Clock, Rejects, Stored
from rules.condition import PartCondition
from rules.events import (
    Action,
    AlarmEvent,
    BaselineChange,
    Refusal,
    RefusalKind,
    StepResult,
)
from rules.look import UnitLook

__all__ = ["RulesEngine", "RulesFailedError", "Step", "drive", "refusals_of"]

_JUDGED: Final = {
    Reason.OUT_OF_RANGE: RefusalKind.RANGE,
    Reason.CLOCK_AHEAD: RefusalKind.CLOCK,
    Reason.TOO_OLD: RefusalKind.CLOCK,
    Reason.UNREGISTERED: RefusalKind.UNREGISTERED,
}
"""Refusals that say something of a unit, and not only of a message."""


class RulesEngine(Protocol):
    """The rules; :class:`rules.engine.Engine` is one."""

    def samples(
        self,
        received_ms: int,
        unit_row: NDArray[np.int32],
        time_ms: NDArray[np.int64],
        values: NDArray[np.float64],
    ) -> StepResult:
        """Take in frames."""
        ...

    def refused(self, received_ms: int, refusals: Sequence[Refusal]) -> StepResult:
        """Take in what was refused."""
        ...

    def clock(self, now_ms: int, *, listening: bool = True) -> StepResult:
        """The receiver's clock went on."""
        ...

    def site_status(self, received_ms: int, site: str, online: bool) -> StepResult:
        """A site came or went."""
        ...

    def act(self, action: Action) -> StepResult:
        """Apply a person's action."""
        ...

    def look(self, row: int) -> UnitLook | None:
        """A look at the unit of a row as it is now; None if it is not judged."""
        ...

    def snapshot(self) -> bytes:
        """The whole memory."""
        ...

    def restore(self, data: bytes) -> None:
        """Go on from a snapshot; ``ValueError`` if it does not fit."""
        ...


@dataclass
class Step:
    """What the entries of one chunk led to."""

    offset: int
    now_ms: int
    events: list[AlarmEvent] = field(default_factory=list)
    baselines: list[BaselineChange] = field(default_factory=list)
    conditions: list[PartCondition] = field(default_factory=list)
    rejects: list[Reject] = field(default_factory=list)
    action_ids: list[int] = field(default_factory=list)
    late_frames: int = 0
    late: Counter[tuple[int, int]] = field(default_factory=Counter)
    frames: int = 0

    def add(self, result: StepResult) -> None:
        """Add what one call of the engine produced."""
        self.events += result.events
        self.baselines += result.baselines
        self.conditions += result.conditions
        self.late_frames += result.late_frames
        self.late.update(result.late)

    @property
    def result(self) -> StepResult:
        """All that the entries led to."""
        return StepResult(
            tuple(self.events),
            tuple(self.baselines),
            self.late_frames,
            tuple(self.conditions),
            dict(self.late),
        )


class RulesFailedError(Exception):
    """The rules failed on one of these entries (several where frames were taken together)."""

    def __init__(self, entries: Sequence[Stored], cause: Exception) -> None:
        """``cause`` is what the engine raised."""
        super().__init__(f"{type(cause).__name__}: {cause}")
        self.entries = entries


class _Order:
    """Whether taking frames together changes nothing against taking them one batch at a time.

    Within one call the engine sorts a unit's frames by time; a frame that is older than one that
    came before it in another batch would be judged instead of being late.
    """

    def __init__(self) -> None:
        self._latest_ms = np.empty(0, dtype=np.int64)

    def allows(self, batch: Batch) -> bool:
        """Whether the batch may join those taken before; if so, it counts among them."""
        rows = batch.unit_row
        top = int(rows.max(initial=-1)) + 1
        if top > len(self._latest_ms):
            more = np.full(top - len(self._latest_ms), np.iinfo(np.int64).min)
            self._latest_ms = np.concatenate([self._latest_ms, more])
        if (batch.time_ms < self._latest_ms[rows]).any():
            return False
        np.maximum.at(self._latest_ms, rows, batch.time_ms)
        return True


def drive(
    engine: RulesEngine, entries: Iterable[Stored], step: Step, *, singly: bool = False
) -> Step:
    """Drive the engine through the entries and add what they lead to; the same ``step``.

    ``singly`` gives each batch a call of its own. Raises :class:`RulesFailedError`, after which the
    engine's memory is of no use.
    """
    group: list[Stored] = []
    order = _Order()
    for stored in entries:
        step.now_ms = stored.received_ms
        if isinstance(stored.entry, Batch):
            if singly or not order.allows(stored.entry):
                _take_frames(engine, group, step)
                group, order = [], _Order()
                order.allows(stored.entry)
            group.append(stored)
        elif isinstance(stored.entry, Rejects) and not any(
            r.reason in _JUDGED for r in stored.entry.items
        ):
            step.rejects += stored.entry.items
        else:
            _take_frames(engine, group, step)
            group, order = [], _Order()
            _take(engine, stored, step)
    _take_frames(engine, group, step)
    return step


def _take_frames(engine: RulesEngine, group: Sequence[Stored], step: Step) -> None:
    batches = [s.entry for s in group if isinstance(s.entry, Batch)]
    if not batches:
        return
    unit_row, time_ms, values = (
        np.concatenate(columns)
        for columns in zip(*((b.unit_row, b.time_ms, b.values) for b in batches), strict=True)
    )
    try:
        step.add(engine.samples(group[-1].received_ms, unit_row, time_ms, values))
    except Exception as error:
        raise RulesFailedError(group, error) from error
    step.frames += len(unit_row)


def _take(engine: RulesEngine, stored: Stored, step: Step) -> None:
    entry = stored.entry
    try:
        if isinstance(entry, Clock):
            step.add(engine.clock(entry.now_ms, listening=entry.listening))
        elif isinstance(entry, SiteStatus):
            step.add(engine.site_status(stored.received_ms, entry.site, entry.online))
        elif isinstance(entry, Rejects):
            step.rejects += entry.items
            step.add(engine.refused(stored.received_ms, refusals_of(entry.items)))
        elif isinstance(entry, Action):
            step.add(engine.act(entry))
            step.action_ids.append(entry.id)
    except Exception as error:
        raise RulesFailedError([stored], error) from error


def refusals_of(rejects: Iterable[Reject]) -> list[Refusal]:
    """What refused messages and records say to the rules, in their order.

    Entries written before refusals carried their readings say nothing of ranges and clocks.
    """
    found: list[Refusal] = []
    for reject in rejects:
        kind = _JUDGED.get(reject.reason)
        if kind is RefusalKind.UNREGISTERED:
            found.append(Refusal(kind, reject.received_ms, reject.site, reject.unit))
        elif kind is not None:
            found += [
                Refusal(
                    kind, reject.received_ms, reject.site, reject.unit, r.time_ms, r.signal, r.value
                )
                for r in reject.readings
            ]
    return found
