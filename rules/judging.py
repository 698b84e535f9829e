"""Judging: the rules of one kind asked of some units, and their alarms moved by what they say.

Whole columns at once: units by faults. Most of a fleet is well, was well and waits for nothing, and
is passed over as soon as the rules have been asked.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from rules.alarms import (
    PENDS,
    STANDS,
    AlarmColumns,
    advance,
    is_active,
    is_held,
    is_there,
    there_at,
)
from rules.arrays import F64, I8, I64, Bool, span
from rules.events import AlarmEvent, AlarmState, Change, Evidence, Severity
from rules.faults.registry import EXPLAINS_FROM, FAULT_INDEX, RULES
from rules.heat_memory import forget
from rules.look import UnitLook
from rules.plan import FleetPlan
from rules.state import FleetState

__all__ = ["Judge"]

_N = TypeVar("_N", np.int8, np.int64)


class _Group:
    """The rules that one kind of view drives: their columns, delays and suppressors."""

    def __init__(self, judged_by: str) -> None:
        self.rules = tuple(r for r in RULES if r.fault.judged_by == judged_by)
        self.columns = np.array([FAULT_INDEX[r.fault.slug] for r in self.rules], dtype=np.int64)
        self.position = {c: j for j, c in enumerate(self.columns.tolist())}
        self.has_high_delay = tuple(
            any(s.name == "on_delay_high_s" for s in r.fault.settings) for r in self.rules
        )
        self.explains_from = EXPLAINS_FROM[self.columns]
        self.spoils_heat = np.array([r.fault.spoils_heat for r in self.rules], dtype=np.bool_)
        self.waits = tuple(r.fault.waits for r in self.rules)
        self.yields_to = tuple(
            np.array([FAULT_INDEX[s] for s in r.fault.yields_to], dtype=np.int64)
            for r in self.rules
        )
        # Two that wait for each other must not both wait for one that is about to be raised.
        waiting = {(r.fault.slug, s) for r in RULES for s in r.fault.suppressed_by}
        self.yields_at_once = tuple(
            frozenset(FAULT_INDEX[s] for s in r.fault.yields_to if (s, r.fault.slug) not in waiting)
            for r in self.rules
        )
        # One that gave way to an alarm that stands keeps it from returning, not from getting worse.
        yields = {r.fault.slug: r.fault.yields_to for r in RULES}
        self.gave_way = tuple(
            frozenset(
                FAULT_INDEX[s] for s in r.fault.suppressed_by if r.fault.slug in yields.get(s, ())
            )
            for r in self.rules
        )
        self.suppressors = tuple(
            np.array([FAULT_INDEX[s] for s in r.fault.suppressed_by], dtype=np.int64)
            for r in self.rules
        )


class _Flat:
    """Some faults of some rows in the alarm columns, (rows, faults); rows ascend, each once.

    Picking by one flat index takes a third of the time of picking by rows and columns. Where no row
    is left out, picking the columns alone takes a sixth of that (measured).
    """

    def __init__(self, state: FleetState, rows: I64, columns: I64) -> None:
        self._rows, self._columns = rows, columns
        self._width = state.alarm_state.shape[1]
        self._span = span(rows)

    @cached_property
    def _at(self) -> I64:
        at: I64 = self._rows[:, None] * self._width + self._columns
        return at

    def take(self, column: NDArray[_N]) -> NDArray[_N]:
        taken: NDArray[_N]
        if isinstance(self._span, slice):
            taken = column[self._span][:, self._columns]
        else:
            taken = column.reshape(-1).take(self._at)
        return taken

    def not_zero(self, column: NDArray[_N]) -> Bool | bool:
        """Which are not zero; False where none is, of those faults or of others."""
        if isinstance(self._span, slice) and not column[self._span].any():
            return False
        out: Bool = self.take(column) != 0
        return out

    def put(self, column: NDArray[_N], values: NDArray[_N]) -> None:
        column.reshape(-1)[self._at] = values


class Judge:
    """The rules of the registry over one plan. It remembers nothing itself."""

    def __init__(self, plan: FleetPlan) -> None:
        self._plan = plan
        self._groups = {kind: _Group(kind) for kind in ("frames", "bins", "clock")}

    def events(self, kind: str, view: Any, rows: I64, time_ms: I64, gap: Bool) -> list[AlarmEvent]:
        """Ask the rules of a kind (``frames``, ``bins`` or ``clock``) of the units of its view.

        ``rows``, ``time_ms`` and ``gap`` (k,) are those of the view; after a gap delays run anew.
        """
        group = self._groups[kind]
        state: FleetState = view.state
        flat = _Flat(state, rows, group.columns)
        before = flat.take(state.alarm_state)
        announced = np.zeros_like(before)
        if before.any():
            # A shelved one is judged as if it stood, for what it explains.
            graded = flat.take(state.alarm_severity)
            np.copyto(announced, graded, where=is_there(before, graded))
        severity = np.empty_like(before)
        for j, rule in enumerate(group.rules):
            severity[:, j] = rule.judge(view, announced[:, j])
        # Where all is well, was well, and no delay runs, nothing can change: most of the fleet.
        stirs = (severity > 0) | (before != AlarmState.NORMAL)
        stirs |= flat.not_zero(state.alarm_pending_ms)
        stirs |= flat.not_zero(state.alarm_clearing_ms)
        busy = stirs.any(axis=1)
        if not busy.any():
            return []
        return self._advance(state, group, rows[busy], time_ms[busy], gap[busy], severity[busy])

    def _advance(
        self,
        state: FleetState,
        group: _Group,
        rows: I64,
        time_ms: I64,
        gap: Bool,
        severity: I8,
    ) -> list[AlarmEvent]:
        """Move the group's alarms of these units by the conditions just judged."""
        flat = _Flat(state, rows, group.columns)
        alarms = AlarmColumns(
            flat.take(state.alarm_state),
            flat.take(state.alarm_severity),
            flat.take(state.alarm_pending),
            flat.take(state.alarm_pending_ms),
            flat.take(state.alarm_clearing_ms),
            flat.take(state.alarm_onset_ms),
        )
        on_delay, off_delay = self._delays(group, rows, severity)
        waited_ms = time_ms[:, None] - alarms.pending_ms
        due = (severity > 0) & (alarms.pending_ms != 0) & (waited_ms >= on_delay * 1000.0)
        due &= ~gap[:, None]
        was_there = is_there(alarms.state, alarms.severity)
        spoiled = was_there & group.spoils_heat & (alarms.severity >= group.explains_from)
        changes = advance(
            alarms,
            severity,
            time_ms[:, None],
            on_delay,
            off_delay,
            explained=self._explained(state, group, rows, severity, due),
            restart=gap[:, None],
            latching=self._latching(group, rows, (severity == 0) & was_there),
        )
        flat.put(state.alarm_state, alarms.state)
        flat.put(state.alarm_severity, alarms.severity)
        flat.put(state.alarm_pending, alarms.pending)
        flat.put(state.alarm_pending_ms, alarms.pending_ms)
        flat.put(state.alarm_clearing_ms, alarms.clearing_ms)
        flat.put(state.alarm_onset_ms, alarms.onset_ms)
        events: list[AlarmEvent] = []
        for change, mask in changes:
            for i, j in np.argwhere(mask).tolist():
                rule = group.rules[j]
                grade = Severity(int(alarms.severity[i, j]))
                evidence: Evidence | None = None
                if change in (Change.RAISED, Change.WORSENED):
                    look = UnitLook(self._plan, state, int(rows[i]), int(time_ms[i]))
                    evidence = rule.explain(look, grade)
                events.append(
                    AlarmEvent(
                        int(rows[i]),
                        rule.fault.slug,
                        int(time_ms[i]),
                        change,
                        AlarmState(int(alarms.state[i, j])),
                        grade,
                        int(alarms.onset_ms[i, j]),
                        evidence,
                    )
                )
        # Shelved or not: what was taken while it was there says nothing once it is mended.
        gone = spoiled & (alarms.severity == 0)
        for i in np.flatnonzero(gone.any(axis=1)).tolist():
            forget(state, int(rows[i]))
        return events

    def _delays(self, group: _Group, rows: I64, severity: I8) -> tuple[F64, F64]:
        """On-delay and off-delay, (k, faults). Some faults have a shorter on-delay when high."""
        settings = self._plan.settings
        on_delay, off_delay = np.empty(severity.shape), np.empty(severity.shape)
        for j, rule in enumerate(group.rules):
            slug = rule.fault.slug
            on_delay[:, j] = settings.get(slug, "on_delay_s", rows)
            off_delay[:, j] = settings.get(slug, "off_delay_s", rows)
            if group.has_high_delay[j]:
                high = settings.get(slug, "on_delay_high_s", rows)
                on_delay[:, j] = np.where(severity[:, j] >= Severity.HIGH, high, on_delay[:, j])
        return on_delay, off_delay

    def _latching(self, group: _Group, rows: I64, clears: Bool) -> Bool:
        """Which of the alarms that clear wait for a reset then, (k, faults)."""
        out = np.zeros(clears.shape, dtype=np.bool_)
        for j in np.flatnonzero(clears.any(axis=0)).tolist():
            slug = group.rules[j].fault.slug
            out[:, j] = self._plan.settings.get(slug, "latches", rows) >= 0.5
        return out

    def _explained(
        self, state: FleetState, group: _Group, rows: I64, severity: I8, due: Bool
    ) -> I8:
        """Whether a fault that explains each alarm stands, or is about to; (k, faults).

        ``due``: its delay is over with this very observation. One that does not wait for delays
        waits for that: the two must not be raised at once.
        """
        out = np.zeros(severity.shape, dtype=np.int8)
        here = group.position
        for j, columns in enumerate(group.suppressors):
            for column in columns.tolist():
                carrier, least = rows, EXPLAINS_FROM[column]
                if column == FAULT_INDEX["site-cut-off"]:
                    carrier = self._plan.anchor_row[self._plan.site_index[rows]]
                code = state.alarm_state[carrier, column]
                pends = state.alarm_pending_ms[carrier, column] > 0
                pends &= state.alarm_pending[carrier, column] >= least
                if column in here and carrier is rows:
                    pends |= (severity[:, here[column]] >= least) & ~is_held(code)
                if not group.waits[j]:
                    pends &= due[:, here[column]] if column in here and carrier is rows else False
                if column in group.gave_way[j]:
                    own = group.columns[j]
                    worse = severity[:, j] > state.alarm_severity[rows, own]
                    pends &= ~(worse & is_active(state.alarm_state[rows, own]))
                # Who shelves a root wants no alarms of its consequences instead.
                grade = state.alarm_severity[carrier, column]
                stands = is_there(code, grade) & (grade >= least)
                out[:, j] = np.maximum(
                    out[:, j], np.where(stands, STANDS, np.where(pends, PENDS, 0))
                )
            for column in group.yields_to[j].tolist():
                least = EXPLAINS_FROM[column]
                first = there_at(state, rows, column)
                first &= state.alarm_severity[rows, column] >= least
                if column in here and column in group.yields_at_once[j]:
                    first |= due[:, here[column]] & (severity[:, here[column]] >= least)
                first &= ~is_active(state.alarm_state[rows, group.columns[j]])
                out[:, j] = np.maximum(out[:, j], np.where(first, PENDS, 0))
        return out
