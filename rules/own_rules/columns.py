"""The alarms of own rules, as columns: one row for each pair of a unit and a rule of its own.

The fleet's columns stay as narrow as the catalogue; only units that have rules of their own cost
memory here. Pairs are sorted by unit. The engine calls :meth:`OwnAlarms.judge` for each round of
frames, :meth:`OwnAlarms.act` for people's actions and :meth:`OwnAlarms.clock` for the clock.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, fields
from typing import Final, Self

import numpy as np

from rules.alarms import (
    UNKNOWN,
    AlarmColumns,
    Happening,
    advance,
    is_active,
    next_state,
)
from rules.answers import answer
from rules.arrays import I8, I64, Bool
from rules.equipment import OwnRule
from rules.events import (
    Action,
    ActionKind,
    AlarmEvent,
    AlarmState,
    Change,
    Severity,
)
from rules.frames import FrameView
from rules.own_rules.catalogue import rules_of, severity_of, slug_of
from rules.own_rules.judge import Judge
from rules.own_rules.quantities import Sight
from rules.plan import FleetPlan
from rules.settings import FLEET
from rules.state import SnapshotMismatch

__all__ = ["OwnAlarms", "joined", "split"]

_MARK: Final = b"own rules\n"
_REPLACED: Final = "The rule was changed or taken out of the files; this alarm of it has ended."


@dataclass
class _Memory:
    """What is remembered of each pair: (pairs,)."""

    state: I8
    severity: I8
    pending: I8
    pending_ms: I64
    clearing_ms: I64
    onset_ms: I64
    until_ms: I64
    """When a shelf ends, or an acknowledged alarm is announced again; 0 for never."""

    @classmethod
    def empty(cls, n: int) -> Self:
        def i8() -> I8:
            return np.zeros(n, dtype=np.int8)

        def i64() -> I64:
            return np.zeros(n, dtype=np.int64)

        return cls(i8(), i8(), i8(), i64(), i64(), i64(), i64())

    def stirred(self) -> Bool:
        """The pairs of which there is anything to remember."""
        out: Bool = (self.state != 0) | (self.pending_ms != 0) | (self.clearing_ms != 0)
        return out


@dataclass(frozen=True)
class _Left:
    """An alarm that stood when its rule was changed or taken away, to be ended."""

    row: int
    rule_id: str
    text: str
    values: dict[str, int]


class OwnAlarms:
    """All alarms of own rules of a fleet. Not thread-safe, as the engine that owns it."""

    def __init__(self, plan: FleetPlan) -> None:
        """Raises :class:`ExpressionError` for a condition that was not checked before."""
        self._plan = plan
        judges: dict[tuple[str, str | None], int] = {}
        self._judges: list[Judge] = []
        self._rules: list[OwnRule] = []
        rows: list[int] = []
        judge_of: list[int] = []
        for row in sorted(plan.unit_of_row):
            for rule in rules_of(plan.fleet_rules, *plan.unit_of_row[row]):
                key = (rule.condition, rule.clear)
                if key not in judges:
                    judges[key] = len(self._judges)
                    self._judges.append(Judge.of(rule))
                rows.append(row)
                judge_of.append(judges[key])
                self._rules.append(rule)
        self._row = np.array(rows, dtype=np.int64)
        self._judge_of = np.array(judge_of, dtype=np.int64)
        self._priority = np.array([severity_of(r) for r in self._rules], dtype=np.int8)
        self._on_delay_s = np.array([r.on_delay_s for r in self._rules], dtype=np.float64)
        self._off_delay_s = np.array([r.off_delay_s for r in self._rules], dtype=np.float64)
        self._latches = np.array([r.latches for r in self._rules], dtype=np.bool_)
        self._start = np.searchsorted(self._row, np.arange(plan.n_rows + 1))
        self._memory = _Memory.empty(len(rows))
        self._left: list[_Left] = []

    @classmethod
    def of(cls, plan: FleetPlan, data: bytes = b"") -> Self | None:
        """The alarms of a plan, with the memory of a snapshot; None where there is nothing to do.

        Raises :class:`SnapshotMismatch` where ``data`` cannot be read.
        """
        found = cls(plan)
        if data:
            found._restore(data)
        return found if len(found._rules) or found._left else None

    def __len__(self) -> int:
        """Pairs of a unit and a rule."""
        return len(self._rules)

    def nbytes(self) -> int:
        """Memory held, in bytes."""
        columns = (
            self._row, self._judge_of, self._priority, self._on_delay_s, self._off_delay_s,
            self._latches,
        )  # fmt: skip
        memory = (getattr(self._memory, f.name) for f in fields(self._memory))
        return sum(c.nbytes for c in (*columns, self._start, *memory))

    def severities(self, row: int) -> dict[str, Severity]:
        """By slug, how the own alarms of a unit stand; those that are normal left out."""
        pairs = range(int(self._start[row]), int(self._start[row + 1]))
        return {
            slug_of(self._rules[p]): Severity(int(self._memory.severity[p]))
            for p in pairs
            if is_active(self._memory.state[p : p + 1])[0]
        }

    # ------------------------------------------------------------------ judging

    def judge(self, view: FrameView) -> list[AlarmEvent]:
        """Judge the rules of the units of a round, after their frames were taken in."""
        events: list[AlarmEvent] = []
        first = self._start[view.rows]
        count = self._start[view.rows + 1] - first
        at = np.flatnonzero(count)
        if not len(at):
            return events
        count = count[at]
        index = np.repeat(np.arange(len(at)), count)
        offset = np.arange(len(index)) - np.repeat(np.cumsum(count) - count, count)
        pairs = np.repeat(first[at], count) + offset
        sight = Sight(view, at)
        severity = self._severity(sight, pairs, index)
        out_of_service = view.state.out_of_service_until_ms[sight.rows] != 0
        severity[out_of_service[index]] = UNKNOWN
        busy = np.flatnonzero((severity > 0) | self._stirred(pairs))
        if len(busy):
            gap = view.gap[at][index[busy]]
            self._advance(sight, pairs[busy], index[busy], severity[busy], gap, events)
        return events

    def _severity(self, sight: Sight, pairs: I64, index: I64) -> I8:
        severity = np.empty(len(pairs), dtype=np.int8)
        judge = self._judge_of[pairs]
        active = is_active(self._memory.state[pairs])
        order = np.argsort(judge, kind="stable")
        cuts = np.flatnonzero(np.diff(judge[order])) + 1
        for part in np.split(order, cuts):
            severity[part] = self._judges[judge[part[0]]].severity(
                sight, index[part], self._priority[pairs[part]], active[part]
            )
        return severity

    def _stirred(self, pairs: I64) -> Bool:
        memory = self._memory
        stirs: Bool = memory.state[pairs] != AlarmState.NORMAL
        stirs |= (memory.pending_ms[pairs] != 0) | (memory.clearing_ms[pairs] != 0)
        return stirs

    def _advance(
        self,
        sight: Sight,
        pairs: I64,
        index: I64,
        severity: I8,
        gap: Bool,
        events: list[AlarmEvent],
    ) -> None:
        memory = self._memory
        names = ("state", "severity", "pending", "pending_ms", "clearing_ms", "onset_ms")
        alarms = AlarmColumns(*(getattr(memory, name)[pairs] for name in names))
        changes = advance(
            alarms,
            severity,
            sight.time_ms[index],
            self._on_delay_s[pairs],
            self._off_delay_s[pairs],
            explained=np.zeros(len(pairs), dtype=np.int8),
            restart=gap,
            latching=self._latches[pairs],
        )
        for name in names:
            getattr(memory, name)[pairs] = getattr(alarms, name)
        for change, mask in changes:
            for i in np.flatnonzero(mask).tolist():
                pair, place = int(pairs[i]), int(index[i])
                tells = change in (Change.RAISED, Change.WORSENED)
                events.append(
                    AlarmEvent(
                        int(self._row[pair]),
                        slug_of(self._rules[pair]),
                        int(sight.time_ms[place]),
                        change,
                        AlarmState(int(alarms.state[i])),
                        Severity(int(alarms.severity[i])),
                        int(alarms.onset_ms[i]),
                        self._judge(pair).evidence(self._rules[pair], sight, place)
                        if tells
                        else None,
                    )
                )

    def _judge(self, pair: int) -> Judge:
        return self._judges[int(self._judge_of[pair])]

    # ------------------------------------------------------------------ actions and time

    def act(self, action: Action) -> list[AlarmEvent]:
        """Apply a person's action to the own alarms that it means."""
        row = action.unit_row
        if not 0 <= row < self._plan.n_rows:
            return []
        events: list[AlarmEvent] = []
        for pair in range(int(self._start[row]), int(self._start[row + 1])):
            if action.fault in ("", slug_of(self._rules[pair])):
                self._act_on(pair, action, events)
        return events

    def _act_on(self, pair: int, action: Action, events: list[AlarmEvent]) -> None:
        memory, row = self._memory, int(self._row[pair])
        severity = Severity(int(memory.severity[pair]))
        before = AlarmState(int(memory.state[pair]))
        settings = self._plan.settings
        found = answer(before, severity, action, lambda name: settings.one(FLEET, name, row))
        if found is None:
            return
        if found.until_ms is not None:
            memory.until_ms[pair] = found.until_ms
        memory.state[pair] = found.after
        memory.pending_ms[pair] = 0
        memory.clearing_ms[pair] = 0
        if found.after is AlarmState.NORMAL:
            memory.severity[pair] = 0
        if found.is_news:
            events.append(
                AlarmEvent(row, slug_of(self._rules[pair]), action.time_ms, found.change,
                           found.after, severity, int(memory.onset_ms[pair]), None, action.by,
                           action.note)
            )  # fmt: skip

    def clock(self, now_ms: int) -> list[AlarmEvent]:
        """End what ends by time: shelves, and alarms whose rule is no more."""
        events = [_ended(left, now_ms) for left in self._left]
        self._left = []
        memory = self._memory
        until, state = memory.until_ms, memory.state
        timed = (state == AlarmState.SHELVED) | (state == AlarmState.ACKNOWLEDGED)
        for pair in np.flatnonzero(timed & (until > 0) & (until <= now_ms)).tolist():
            if memory.state[pair] == AlarmState.SHELVED:
                end = Action(
                    0, ActionKind.UNSHELVE, int(self._row[pair]), slug_of(self._rules[pair]),
                    now_ms, "", "the time set was over",
                )  # fmt: skip
                self._act_on(pair, end, events)
            else:
                events.append(self._announce_again(pair, now_ms))
        return events

    def _announce_again(self, pair: int, now_ms: int) -> AlarmEvent:
        """Re-alarm: somebody took it on, and it still stands after the time allowed."""
        memory = self._memory
        after = next_state(AlarmState.ACKNOWLEDGED, Happening.TIME_IS_UP)
        memory.state[pair] = after
        memory.until_ms[pair] = 0
        return AlarmEvent(
            int(self._row[pair]), slug_of(self._rules[pair]), now_ms, Change.ANNOUNCED_AGAIN,
            after, Severity(int(memory.severity[pair])), int(memory.onset_ms[pair]), None, "",
            "acknowledged, and it still stands",
        )  # fmt: skip

    def end_left(self, rows: I64, time_ms: I64) -> list[AlarmEvent]:
        """A rule that was changed is judged anew; what stood of it must be ended before.

        Called once a round with all its units, before blocks of them are judged at once.
        """
        if not self._left:
            return []
        times = dict(zip(rows.tolist(), time_ms.tolist(), strict=True))
        ended = [_ended(left, times[left.row]) for left in self._left if left.row in times]
        self._left = [left for left in self._left if left.row not in times]
        return ended

    # ------------------------------------------------------------------ memory

    def snapshot(self) -> bytes:
        """What is remembered, by unit and rule; empty where there is nothing."""
        pairs = np.flatnonzero(self._memory.stirred())
        kept = [
            _Left(
                int(self._row[p]), self._rules[p].id, self._judges[self._judge_of[p]].text,
                {f.name: int(getattr(self._memory, f.name)[p]) for f in fields(_Memory)},
            )
            for p in pairs.tolist()
        ] + self._left  # fmt: skip
        if not kept:
            return b""
        out = io.BytesIO()
        np.savez(
            out,
            rows=np.array([k.row for k in kept], dtype=np.int64),
            ids=np.array([k.rule_id for k in kept]),
            texts=np.array([k.text for k in kept]),
            names=np.array([f.name for f in fields(_Memory)]),
            values=np.array([list(k.values.values()) for k in kept], dtype=np.int64),
        )
        return out.getvalue()

    def _restore(self, data: bytes) -> None:
        """Take over what a snapshot remembers of the rules that are still the same."""
        pair_of = {
            (int(row), rule.id, self._judges[judge].text): pair
            for pair, (row, rule, judge) in enumerate(
                zip(self._row, self._rules, self._judge_of, strict=True)
            )
        }
        try:
            with np.load(io.BytesIO(data), allow_pickle=False) as arrays:
                names = [str(n) for n in arrays["names"]]
                table = [dict(zip(names, v, strict=True)) for v in arrays["values"].tolist()]
                keys = zip(
                    arrays["rows"].tolist(), arrays["ids"].tolist(), arrays["texts"].tolist(),
                    strict=True,
                )  # fmt: skip
                kept = [_Left(*key, values) for key, values in zip(keys, table, strict=True)]
        except Exception as error:
            msg = f"the part of own rules is not readable: {error}"
            raise SnapshotMismatch(msg) from error
        self._left = []
        for left in kept:
            pair = pair_of.get((left.row, left.rule_id, left.text))
            if pair is None:
                if left.values.get("state", 0) != AlarmState.NORMAL:
                    self._left.append(left)
                continue
            for name, value in left.values.items():
                if hasattr(self._memory, name):
                    getattr(self._memory, name)[pair] = value


def _ended(left: _Left, time_ms: int) -> AlarmEvent:
    return AlarmEvent(
        left.row, f"own-{left.rule_id}", time_ms, Change.RETURNED, AlarmState.NORMAL,
        Severity.NONE, left.values.get("onset_ms", 0), None, "", _REPLACED,
    )  # fmt: skip


def joined(fleet: bytes, own: bytes) -> bytes:
    """One snapshot of the fleet's memory and that of own rules."""
    return fleet + own + len(own).to_bytes(8, "little") + _MARK if own else fleet


def split(data: bytes) -> tuple[bytes, bytes]:
    """The two parts of a snapshot; the second is empty where it holds nothing of own rules."""
    if not data.endswith(_MARK):
        return data, b""
    end = len(data) - len(_MARK) - 8
    size = int.from_bytes(data[max(end, 0) : end + 8], "little")
    if not 0 < size <= end:
        msg = "the part of own rules is cut off"
        raise SnapshotMismatch(msg)
    return data[: end - size], data[end - size : end]
