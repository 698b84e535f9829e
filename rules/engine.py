"""The engine: journal entries in, alarm events out.

One call a journal entry. It holds the fleet's columns and moves them by rounds of frames, by closed
bins, by ticks of the receiver's clock, and by people's actions. The same entries in the same order
give the same events, however a unit's frames, in order of time, are cut into batches: live,
replayed, or after a crash. One that comes after a newer one is late, unless both are in one batch.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from rules.alarms import (
    PENDS,
    STANDS,
    AlarmColumns,
    Happening,
    advance,
    is_active,
    is_held,
    next_state,
)
from rules.answers import answer
from rules.arrays import F64, I8, I32, I64, Bool
from rules.baselines import ON_BASELINES, act_on_baselines
from rules.bins import accumulate, close_bins, closing
from rules.events import (
    Action,
    ActionKind,
    AlarmEvent,
    AlarmState,
    BaselineChange,
    Change,
    Evidence,
    Refusal,
    RefusalKind,
    Severity,
    StepResult,
)
from rules.faults.registry import FAULT_INDEX, RULES, SLUGS
from rules.frames import observe, rounds
from rules.heat import forget
from rules.look import UnitLook
from rules.own_rules.columns import OwnAlarms, joined, split
from rules.plan import FleetPlan
from rules.refused import as_columns, beyond_zero_error, checked, note_refused
from rules.settings import FLEET
from rules.signals import INDEX, N_SIGNALS
from rules.silence import ClockView
from rules.stamps import MAX_AHEAD_MS, note_arrived, note_refused_stamps, settle
from rules.state import FleetState

__all__ = ["Engine"]

BLOCK_ROWS: Final = 8_192
"""Units of one pass: about what the processor's cache holds of their columns at once."""

BLOCKS_WORTH_THREADS: Final = 3
SITE_WIDE: Final = np.array([r.fault.site_wide for r in RULES], dtype=np.bool_)
"""By fault: carried by one unit for its whole site."""

THREADS: Final = 2
"""Large fleets are judged by so many at once; more gain little, since Python itself takes turns."""

REFUSED_ALONE_MS: Final = 600_000
"""Two bins: a unit that sent nothing usable for so long is judged by its refused readings alone."""

LONGEST_TICK_MS: Final = 60_000
"""A longer step between clock entries means that the gateway was down: it is not listened time."""

STRANGERS_KEPT_MS: Final = 8 * 86_400_000
"""Longer than any setting asks for."""

_N = TypeVar("_N", np.int8, np.int64)


class _Group:
    """The rules that one kind of view drives: their columns, delays and suppressors."""

    def __init__(self, judged_by: str) -> None:
        self.rules = tuple(r for r in RULES if r.fault.judged_by == judged_by)
        self.columns = np.array([FAULT_INDEX[r.fault.slug] for r in self.rules], dtype=np.int64)
        self.position = {c: j for j, c in enumerate(self.columns.tolist())}
        self.latching = np.array([r.fault.latching for r in self.rules], dtype=np.bool_)
        self.has_high_delay = tuple(
            any(s.name == "on_delay_high_s" for s in r.fault.settings) for r in self.rules
        )
        self.waits = tuple(r.fault.waits for r in self.rules)
        self.yields_to = tuple(
            np.array([FAULT_INDEX[s] for s in r.fault.yields_to], dtype=np.int64)
            for r in self.rules
        )
        self.suppressors = tuple(
            np.array([FAULT_INDEX[s] for s in r.fault.suppressed_by], dtype=np.int64)
            for r in self.rules
        )


class _Flat:
    """Some faults of some rows, as one flat index into the alarm columns: (rows, faults).

    Picking by one index takes a third of the time of picking by rows and columns.
    """

    def __init__(self, state: FleetState, rows: I64, columns: I64) -> None:
        self._at = rows[:, None] * state.alarm_state.shape[1] + columns

    def take(self, column: NDArray[_N]) -> NDArray[_N]:
        taken: NDArray[_N] = column.reshape(-1).take(self._at)
        return taken

    def put(self, column: NDArray[_N], values: NDArray[_N]) -> None:
        column.reshape(-1)[self._at] = values


class Engine:
    """The rules over one fleet. Not thread-safe: one reader drives it."""

    def __init__(self, plan: FleetPlan) -> None:
        self.plan = plan
        self.state = FleetState.empty(plan.n_rows, len(RULES))
        self._groups = {kind: _Group(kind) for kind in ("frames", "bins", "clock")}
        self._own = OwnAlarms.of(plan)
        self._threads: ThreadPoolExecutor | None = None
        self._restored = False
        self._listened_ms = 0
        self._clock_ms = 0
        self._all_rows = np.flatnonzero(plan.active)
        self._row_of = {(s.id, u.id): row for row, (s, u) in plan.unit_of_row.items()}
        self._site_ids = frozenset(s.id for s in plan.sites)

    # ------------------------------------------------------------------ samples

    def samples(self, received_ms: int, unit_row: I32, time_ms: I64, values: F64) -> StepResult:
        """Take in a batch of frames.

        Parameters
        ----------
        received_ms : int
            When the batch arrived, 0 if not known: a frame more than five minutes ahead of it is
            refused. Nothing else is judged by it: time is the sample's own.
        unit_row : (n,) int32
            Rows of the unit register; rows that the plan does not know are passed over.
        time_ms : (n,) int64
            Time of each frame. [ms since 1970]
        values : (n, signals) float64
            In catalogue order and units, NaN where not carried. What lies outside the catalogue's
            range is refused as the decoder refuses it.

        Returns
        -------
        StepResult
            Events in order of time. ``late_frames`` counts frames older than their unit's newest:
            they are not judged.
        """
        events: list[AlarmEvent] = []
        baselines: list[BaselineChange] = []
        known = (unit_row >= 0) & (unit_row < self.plan.n_rows)
        known[known] = self.plan.active[unit_row[known]]
        if not known.all():
            unit_row, time_ms, values = unit_row[known], time_ms[known], values[known]
        if not len(unit_row):
            return StepResult()
        self.state.heard_listened_ms[unit_row] = self._listened_ms
        self.state.usable_listened_ms[unit_row] = self._listened_ms
        self.state.site_offline[self.plan.anchor_row[self.plan.site_index[unit_row]]] = False
        late = 0
        if received_ms > 0 and (ahead := time_ms > received_ms + MAX_AHEAD_MS).any():
            self._refuse_stamps(unit_row[ahead], np.full(ahead.sum(), received_ms), time_ms[ahead])
            unit_row, time_ms, values = unit_row[~ahead], time_ms[~ahead], values[~ahead]
        usable, refused = checked(values)
        for index in rounds(unit_row, time_ms):
            rows = unit_row[index].astype(np.int64)
            note_arrived(self.state, rows, time_ms[index])
            fresh = time_ms[index] >= self.state.frame_ms[rows]
            if not fresh.all():
                late += int((~fresh).sum())
                index = index[fresh]  # noqa: PLW2901  # the round without its late frames
                rows = rows[fresh]
            blocks = [slice(b, b + BLOCK_ROWS) for b in range(0, len(rows), BLOCK_ROWS)]
            work = [(rows[b], time_ms[index[b]], usable[index[b]]) for b in blocks]
            if self._own is not None:
                events += self._own.end_left(rows, time_ms[index])
            for found, learned in self._in_turn_or_at_once(work):
                events += found
                baselines += learned
            if refused is not None:
                note_refused(self.state, rows, time_ms[index], refused[index], values[index])
        events.sort(key=_order)
        return StepResult(tuple(events), tuple(baselines), late)

    def _in_turn_or_at_once(
        self, work: list[tuple[I64, I64, F64]]
    ) -> Iterable[tuple[list[AlarmEvent], list[BaselineChange]]]:
        """The blocks of a round, in order. Units do not touch each other, so large fleets share
        the processors; what comes out is the same.
        """
        if len(work) < BLOCKS_WORTH_THREADS:
            return (self._round(*block) for block in work)
        if self._threads is None:
            self._threads = ThreadPoolExecutor(THREADS, "rules")
        return self._threads.map(lambda block: self._round(*block), work)

    def _round(
        self, rows: I64, time_ms: I64, values: F64
    ) -> tuple[list[AlarmEvent], list[BaselineChange]]:
        events: list[AlarmEvent] = []
        baselines: list[BaselineChange] = []
        done = closing(self.state, rows, time_ms)
        if done.any():
            which = rows[done]
            silent_s = (time_ms[done] - self.state.frame_ms[which]) / 1000.0
            gap = silent_s > self.plan.settings.get(FLEET, "longest_gap_s", which)
            bins, learned = close_bins(self.plan, self.state, which, gap)
            baselines += learned
            self._judge("bins", bins, which, bins.time_ms, bins.gap, events)
        view = observe(self.plan, self.state, rows, time_ms, values)
        self._judge("frames", view, rows, time_ms, view.gap, events)
        if self._own is not None:
            events += self._own.judge(view)
        accumulate(view)
        return events, baselines

    # ------------------------------------------------------------------ refusals

    def refused(self, received_ms: int, refusals: Sequence[Refusal]) -> StepResult:
        """Take in what was said of units and could not be accepted.

        A unit of which nothing but refused readings came for a while has spoken all the same: for
        each of them an empty frame is judged. Refusals of units that the plan does not know are
        passed over, unless they say so themselves.
        """
        ranges: list[tuple[int, int, int, float]] = []
        stamps: list[tuple[int, int, int]] = []
        for refusal in refusals:
            if refusal.kind is RefusalKind.UNREGISTERED:
                if refusal.site in self._site_ids and refusal.unit:
                    self.state.strangers.note(refusal.site, refusal.unit, refusal.received_ms)
                continue
            row = self._row_of.get((refusal.site, refusal.unit), -1)
            if row < 0:
                continue
            if refusal.kind is RefusalKind.CLOCK:
                stamps.append((row, refusal.received_ms, refusal.time_ms))
            elif beyond_zero_error(refusal.signal, refusal.value):
                ranges.append((row, refusal.time_ms, INDEX[refusal.signal], refusal.value))
        heard = np.array([r for r, *_ in (*ranges, *stamps)], dtype=np.int64)
        if len(heard):
            self.state.heard_listened_ms[heard] = self._listened_ms
            self.state.site_offline[self.plan.anchor_row[self.plan.site_index[heard]]] = False
        if stamps:
            rows, received, times = (np.array(c, dtype=np.int64) for c in zip(*stamps, strict=True))
            self._refuse_stamps(rows.astype(np.int32), received, times)
        return self._refuse_readings(received_ms, ranges) if ranges else StepResult()

    def _refuse_stamps(self, rows: I32, received_ms: I64, time_ms: I64) -> None:
        for index in rounds(rows, received_ms):
            which = rows[index].astype(np.int64)
            note_refused_stamps(self.state, which, received_ms[index], time_ms[index])

    def _refuse_readings(
        self, received_ms: int, ranges: Sequence[tuple[int, int, int, float]]
    ) -> StepResult:
        unit_row = np.array([r[0] for r in ranges], dtype=np.int32)
        time_ms = np.array([r[1] for r in ranges], dtype=np.int64)
        refused, values = as_columns([r[2] for r in ranges], [r[3] for r in ranges])
        for index in rounds(unit_row, time_ms):
            rows = unit_row[index].astype(np.int64)
            note_refused(self.state, rows, time_ms[index], refused[index], values[index])
        news = time_ms > self.state.frame_ms[unit_row]
        # While it sends anything usable its own frames carry the time on: one bad stamp among the
        # good ones of a backlog must not make those late.
        alone_ms = self._listened_ms - self.state.usable_listened_ms[unit_row]
        news &= alone_ms >= REFUSED_ALONE_MS
        nothing = np.full((int(news.sum()), N_SIGNALS), np.nan)
        usable = self.state.usable_listened_ms[unit_row[news]]
        result = self.samples(received_ms, unit_row[news], time_ms[news], nothing)
        self.state.usable_listened_ms[unit_row[news]] = usable
        return result

    # ------------------------------------------------------------------ clock, site status

    def clock(self, now_ms: int, *, listening: bool = True) -> StepResult:
        """The receiver's clock went on: judge silence, end shelves and service periods.

        ``listening`` is False when the gateway knows that it could hear nobody.
        """
        step = now_ms - self._clock_ms if self._clock_ms else 0
        if listening and 0 < step <= LONGEST_TICK_MS:
            self._listened_ms += step
        # Also when it was set back: one tick that was ahead must not stop listened time for long.
        self._clock_ms = now_ms
        events: list[AlarmEvent] = []
        self._end_by_time(now_ms, events)
        if self._restored:
            self._end_misplaced(now_ms, events)
            self._restored = False
        settle(self.state, now_ms)
        self.state.strangers.forget_before(now_ms - STRANGERS_KEPT_MS)
        if self._own is not None:
            events += self._own.clock(now_ms)
        rows = self._all_rows
        if len(rows):
            times = np.full(len(rows), now_ms, dtype=np.int64)
            view = ClockView(self.plan, self.state, rows, times, self._listened_ms)
            no_gap = np.zeros(len(rows), dtype=np.bool_)
            self._judge("clock", view, rows, times, no_gap, events)
        events.sort(key=_order)
        return StepResult(tuple(events))

    def site_status(self, received_ms: int, site: str, online: bool) -> StepResult:
        """A site said that it is there, or its last will that it is gone. Judged by the clock."""
        del received_ms
        for i, known in enumerate(self.plan.sites):
            if known.id == site:
                self.state.site_offline[self.plan.anchor_row[i]] = not online
        return StepResult()

    # ------------------------------------------------------------------ actions

    def act(self, action: Action) -> StepResult:
        """Apply a person's action; one that makes no sense now changes nothing."""
        row = action.unit_row
        if not (0 <= row < self.plan.n_rows and self.plan.active[row]):
            return StepResult()
        # What a unit carries for its whole site goes on while somebody works on that unit.
        columns = (
            np.flatnonzero(~SITE_WIDE).tolist()
            if not action.fault
            else [FAULT_INDEX.get(action.fault, -1)]
        )
        events: list[AlarmEvent] = []
        if action.kind in ON_BASELINES:
            return StepResult(baselines=act_on_baselines(self.state, row, action))
        if action.kind is ActionKind.OUT_OF_SERVICE:
            self.state.out_of_service_until_ms[row] = action.until_ms or -1
        elif action.kind is ActionKind.IN_SERVICE:
            self.state.out_of_service_until_ms[row] = 0
        for column in columns:
            if column >= 0:
                self._act_on(row, column, action, events)
        if self._own is not None:
            events += self._own.act(action)
        return StepResult(tuple(events))

    def _act_on(self, row: int, column: int, action: Action, events: list[AlarmEvent]) -> None:
        severity = Severity(int(self.state.alarm_severity[row, column]))
        before = AlarmState(int(self.state.alarm_state[row, column]))
        settings = self.plan.settings
        found = answer(before, severity, action, lambda name: settings.one(FLEET, name, row))
        if found is None:
            return
        if found.until_ms is not None:
            self.state.alarm_until_ms[row, column] = found.until_ms
        self._set_state(row, column, found.after)
        if found.is_news:
            onset_ms = int(self.state.alarm_onset_ms[row, column])
            events.append(
                AlarmEvent(row, SLUGS[column], action.time_ms, found.change, found.after, severity,
                           onset_ms, None, action.by, action.note)
            )  # fmt: skip

    def _set_state(self, row: int, column: int, after: AlarmState) -> None:
        self.state.alarm_state[row, column] = after
        self.state.alarm_pending_ms[row, column] = 0
        self.state.alarm_clearing_ms[row, column] = 0
        if after is AlarmState.NORMAL:
            self.state.alarm_severity[row, column] = 0

    def _end_by_time(self, now_ms: int, events: list[AlarmEvent]) -> None:
        state = self.state
        until = state.out_of_service_until_ms
        for row in np.flatnonzero((until > 0) & (until <= now_ms)).tolist():
            end = Action(0, ActionKind.IN_SERVICE, row, "", now_ms, "", "the time set was over")
            events += self.act(end).events
        # Few alarms are in these states: only their times are looked at, not the whole fleet's.
        code = state.alarm_state.reshape(-1)
        timed = np.flatnonzero((code == AlarmState.SHELVED) | (code == AlarmState.ACKNOWLEDGED))
        until = state.alarm_until_ms.reshape(-1)[timed]
        for flat in timed[(until > 0) & (until <= now_ms)].tolist():
            row, column = divmod(flat, len(SLUGS))
            if code[flat] == AlarmState.SHELVED:
                end = Action(
                    0, ActionKind.UNSHELVE, row, SLUGS[column], now_ms, "", "the time set was over"
                )
                events += self.act(end).events
            elif self.plan.active[row]:
                events.append(self._announce_again(row, column, now_ms))

    def _end_misplaced(self, now_ms: int, events: list[AlarmEvent]) -> None:
        """A site's own alarms on a unit that does not carry them any more: nobody else would."""
        carries = np.zeros(self.plan.n_rows, dtype=np.bool_)
        carries[self.plan.anchor_row[self.plan.anchor_row >= 0]] = True
        for column in np.flatnonzero(SITE_WIDE).tolist():
            astray = ~carries & (self.state.alarm_state[:, column] != AlarmState.NORMAL)
            for row in np.flatnonzero(astray).tolist():
                severity = Severity(int(self.state.alarm_severity[row, column]))
                onset_ms = int(self.state.alarm_onset_ms[row, column])
                self._set_state(row, column, AlarmState.NORMAL)
                events.append(
                    AlarmEvent(row, SLUGS[column], now_ms, Change.RETURNED, AlarmState.NORMAL,
                               severity, onset_ms, None, "", "the site's alarms have moved")
                )  # fmt: skip

    def _announce_again(self, row: int, column: int, now_ms: int) -> AlarmEvent:
        """Re-alarm: somebody took it on, and it still stands after the time allowed."""
        state = self.state
        after = next_state(AlarmState.ACKNOWLEDGED, Happening.TIME_IS_UP)
        state.alarm_state[row, column] = after
        state.alarm_until_ms[row, column] = 0
        severity = Severity(int(state.alarm_severity[row, column]))
        return AlarmEvent(
            row, SLUGS[column], now_ms, Change.ANNOUNCED_AGAIN, after, severity,
            int(state.alarm_onset_ms[row, column]), None, "", "acknowledged, and it still stands",
        )  # fmt: skip

    # ------------------------------------------------------------------ judging

    def _judge(
        self,
        kind: str,
        view: Any,
        rows: I64,
        time_ms: I64,
        gap: Bool,
        events: list[AlarmEvent],
    ) -> None:
        group = self._groups[kind]
        flat = _Flat(self.state, rows, group.columns)
        before = flat.take(self.state.alarm_state)
        announced = np.where(is_active(before), flat.take(self.state.alarm_severity), np.int8(0))
        severity = np.empty(before.shape, dtype=np.int8)
        for j, rule in enumerate(group.rules):
            severity[:, j] = rule.judge(view, announced[:, j])
        # Where all is well, was well, and no delay runs, nothing can change: most of the fleet.
        stirs = (severity > 0) | (before != AlarmState.NORMAL)
        stirs |= flat.take(self.state.alarm_pending_ms) != 0
        stirs |= flat.take(self.state.alarm_clearing_ms) != 0
        busy = stirs.any(axis=1)
        if busy.any():
            self._advance(group, rows[busy], time_ms[busy], gap[busy], severity[busy], events)

    def _advance(
        self,
        group: _Group,
        rows: I64,
        time_ms: I64,
        gap: Bool,
        severity: I8,
        events: list[AlarmEvent],
    ) -> None:
        """Move the group's alarms of these units by the conditions just judged."""
        state = self.state
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
        changes = advance(
            alarms,
            severity,
            time_ms[:, None],
            on_delay,
            off_delay,
            explained=self._explained(group, rows, severity, due),
            restart=gap[:, None],
            latching=group.latching,
        )
        flat.put(state.alarm_state, alarms.state)
        flat.put(state.alarm_severity, alarms.severity)
        flat.put(state.alarm_pending, alarms.pending)
        flat.put(state.alarm_pending_ms, alarms.pending_ms)
        flat.put(state.alarm_clearing_ms, alarms.clearing_ms)
        flat.put(state.alarm_onset_ms, alarms.onset_ms)
        for change, mask in changes:
            for i, j in np.argwhere(mask).tolist():
                rule = group.rules[j]
                if change is Change.RETURNED and rule.fault.spoils_heat:
                    forget(state, int(rows[i]))
                grade = Severity(int(alarms.severity[i, j]))
                events.append(
                    AlarmEvent(
                        int(rows[i]),
                        rule.fault.slug,
                        int(time_ms[i]),
                        change,
                        AlarmState(int(alarms.state[i, j])),
                        grade,
                        int(alarms.onset_ms[i, j]),
                        self._explain(rule.explain, change, int(rows[i]), int(time_ms[i]), grade),
                    )
                )

    def _explain(
        self,
        explain: Callable[[UnitLook, Severity], Evidence],
        change: Change,
        row: int,
        time_ms: int,
        severity: Severity,
    ) -> Evidence | None:
        if change not in (Change.RAISED, Change.WORSENED):
            return None
        return explain(UnitLook(self.plan, self.state, row, time_ms), severity)

    def _delays(self, group: _Group, rows: I64, severity: I8) -> tuple[F64, F64]:
        """On-delay and off-delay, (k, faults). Some faults have a shorter on-delay when high."""
        settings = self.plan.settings
        on_delay, off_delay = np.empty(severity.shape), np.empty(severity.shape)
        for j, rule in enumerate(group.rules):
            slug = rule.fault.slug
            on_delay[:, j] = settings.get(slug, "on_delay_s", rows)
            off_delay[:, j] = settings.get(slug, "off_delay_s", rows)
            if group.has_high_delay[j]:
                high = settings.get(slug, "on_delay_high_s", rows)
                on_delay[:, j] = np.where(severity[:, j] >= Severity.HIGH, high, on_delay[:, j])
        return on_delay, off_delay

    def _explained(self, group: _Group, rows: I64, severity: I8, due: Bool) -> I8:
        """Whether a fault that explains each alarm stands, or is about to; (k, faults).

        ``due``: its delay is over with this very observation. One that does not wait for delays
        waits for that: the two must not be raised at once.
        """
        state = self.state
        out = np.zeros(severity.shape, dtype=np.int8)
        here = group.position
        for j, columns in enumerate(group.suppressors):
            for column in columns.tolist():
                carrier = rows
                if column == FAULT_INDEX["site-cut-off"]:
                    carrier = self.plan.anchor_row[self.plan.site_index[rows]]
                code = state.alarm_state[carrier, column]
                pends = state.alarm_pending_ms[carrier, column] > 0
                if column in here and carrier is rows:
                    pends |= (severity[:, here[column]] > 0) & ~is_held(code)
                if not group.waits[j]:
                    pends &= due[:, here[column]] if column in here and carrier is rows else False
                stands = is_active(code)
                out[:, j] = np.maximum(
                    out[:, j], np.where(stands, STANDS, np.where(pends, PENDS, 0))
                )
            for column in group.yields_to[j].tolist():
                first = is_active(state.alarm_state[rows, column])
                first &= ~is_active(state.alarm_state[rows, group.columns[j]])
                out[:, j] = np.maximum(out[:, j], np.where(first, PENDS, 0))
        return out

    # ------------------------------------------------------------------ memory

    def snapshot(self) -> bytes:
        """The whole memory, to go on from later."""
        extra = {"listened_ms": self._listened_ms, "clock_ms": self._clock_ms}
        fleet = self.state.to_bytes(SLUGS, extra)
        return joined(fleet, self._own.snapshot()) if self._own is not None else fleet

    def restore(self, data: bytes) -> None:
        """Go on from a snapshot; raises :class:`~rules.state.SnapshotMismatch` if it cannot be."""
        data, own = split(data)
        self.state, extra = FleetState.from_bytes(data, self.plan.n_rows, SLUGS)
        self.state.strangers.forget_known(self._row_of, self._site_ids)
        self._own = OwnAlarms.of(self.plan, own)
        self._listened_ms = extra["listened_ms"]
        self._clock_ms = extra["clock_ms"]
        self._restored = True
        # Faults that the snapshot did not know are out of service with their unit.
        away = np.flatnonzero(self.state.out_of_service_until_ms != 0)
        new = (self.state.alarm_state[away] == AlarmState.NORMAL) & ~SITE_WIDE
        self.state.alarm_state[away] = np.where(
            new, AlarmState.OUT_OF_SERVICE, self.state.alarm_state[away]
        )

    def nbytes(self) -> int:
        """Memory held for the fleet, in bytes."""
        own = self._own.nbytes() if self._own is not None else 0
        return self.state.nbytes() + self.plan.settings.nbytes() + own


def _order(event: AlarmEvent) -> tuple[int, int, int, str]:
    place = FAULT_INDEX.get(event.fault, len(SLUGS))  # own rules come last, by name
    return (event.time_ms, event.unit_row, place, event.fault)
