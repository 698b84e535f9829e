"""The engine: journal entries in, alarm events out.

One call a journal entry. It holds the fleet's columns and moves them by rounds of frames, by closed
bins, by ticks of the receiver's clock, and by people's actions. The same entries in the same order
give the same events, however a unit's frames, in order of time, are cut into batches: live,
replayed, or after a crash. One that comes after a newer one is late, unless both are in one batch.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from rules.alarm_changes import (
    SITE_WIDE,
    act_on_alarms,
    announce_again,
    end_misplaced,
    ends_by_time,
)
from rules.arrays import F64, I32, I64
from rules.baselines import ON_BASELINES, act_on_baselines
from rules.bins import accumulate, close_bins, closing
from rules.condition import PartCondition
from rules.events import (
    Action,
    AlarmEvent,
    AlarmState,
    BaselineChange,
    Refusal,
    RefusalKind,
    StepResult,
)
from rules.faults.registry import FAULT_INDEX, RULES, SLUGS
from rules.frames import observe, rounds
from rules.judging import Judge
from rules.look import UnitLook
from rules.own_rules.columns import OwnAlarms, joined, split
from rules.plan import FleetPlan
from rules.refused import as_columns, beyond_zero_error, checked, note_refused
from rules.settings import FLEET
from rules.signals import INDEX, N_SIGNALS
from rules.silence import ClockView
from rules.site_weather import SERVED_AT
from rules.stamps import MAX_AHEAD_MS, note_arrived, note_refused_stamps, settle
from rules.state import FleetState

__all__ = ["Engine"]

BLOCK_ROWS: Final = 8_192
"""Units of one pass: about what the processor's cache holds of their columns at once."""

BLOCKS_WORTH_THREADS: Final = 3
THREADS: Final = 2
"""Large fleets are judged by so many at once; more gain little, since Python itself takes turns."""

_DAY_MS: Final = 86_400_000

REFUSED_ALONE_MS: Final = 600_000
"""Two bins: a unit that sent nothing usable for so long is judged by its refused readings alone."""

LONGEST_TICK_MS: Final = 60_000
"""A longer step between clock entries means that the gateway was down: it is not listened time."""

STRANGERS_KEPT_MS: Final = 8 * 86_400_000
"""Longer than any setting asks for."""

_T = TypeVar("_T")


class Engine:
    """The rules over one fleet. Not thread-safe: one reader drives it."""

    def __init__(self, plan: FleetPlan) -> None:
        self.plan = plan
        self.state = FleetState.empty(plan.n_rows, len(RULES))
        self._judge = Judge(plan)
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
        conditions: list[PartCondition] = []
        known = (unit_row >= 0) & (unit_row < self.plan.n_rows)
        known[known] = self.plan.active[unit_row[known]]
        if not known.all():
            unit_row, time_ms, values = unit_row[known], time_ms[known], values[known]
        if not len(unit_row):
            return StepResult()
        self.state.heard_listened_ms[unit_row] = self._listened_ms
        self.state.usable_listened_ms[unit_row] = self._listened_ms
        self.state.site_offline[self.plan.anchor_row[self.plan.site_index[unit_row]]] = False
        late: Counter[tuple[int, int]] = Counter()
        if received_ms > 0 and (ahead := time_ms > received_ms + MAX_AHEAD_MS).any():
            self._refuse_stamps(unit_row[ahead], np.full(ahead.sum(), received_ms), time_ms[ahead])
            unit_row, time_ms, values = unit_row[~ahead], time_ms[~ahead], values[~ahead]
        usable, refused = checked(values)
        weather = self.state.site_weather.serve(
            self.plan, self.state.value_ms[:, SERVED_AT] <= 0, unit_row, time_ms, usable
        )
        for index in rounds(self.plan, self.state, unit_row, time_ms):
            rows = unit_row[index].astype(np.int64)
            note_arrived(self.state, rows, time_ms[index])
            fresh = time_ms[index] >= self.state.frame_ms[rows]
            if not fresh.all():
                days = time_ms[index][~fresh] // _DAY_MS
                late.update(zip(rows[~fresh].tolist(), days.tolist(), strict=True))
                index = index[fresh]  # noqa: PLW2901  # the round without its late frames
                rows = rows[fresh]
            times = time_ms[index]
            if self._own is not None:
                events += self._own.end_left(rows, times)
            # The bins that are over close first, in blocks of their own: a fifth of a fleet or
            # less closes in one round, and a few full blocks cost less than many that are not.
            over = closing(self.plan, self.state, rows, times)
            for found, learned, figures in self._in_blocks(self._close, rows[over], times[over]):
                events += found
                baselines += learned
                conditions += figures
            air = () if weather is None else (weather[index],)
            for found in self._in_blocks(self._round, rows, times, usable[index], *air):
                events += found
            if refused is not None:
                note_refused(self.state, rows, times, refused[index], values[index])
        events.sort(key=_order)
        # Whatever blocks the units were in; the parts of a unit keep their order.
        conditions.sort(key=lambda figure: (figure.time_ms, figure.unit_row))
        return StepResult(
            tuple(events), tuple(baselines), late.total(), tuple(conditions), dict(late)
        )

    def _in_blocks(self, work: Callable[..., _T], *columns: NDArray[Any]) -> Iterable[_T]:
        """The work on blocks of units, in order. Units do not touch each other, so large fleets
        share the processors; what comes out is the same.
        """
        starts = range(0, len(columns[0]), BLOCK_ROWS)
        blocks = [[column[b : b + BLOCK_ROWS] for column in columns] for b in starts]
        if len(blocks) < BLOCKS_WORTH_THREADS:
            return (work(*block) for block in blocks)
        if self._threads is None:
            self._threads = ThreadPoolExecutor(THREADS, "rules")
        return self._threads.map(lambda block: work(*block), blocks)

    def _close(
        self, rows: I64, time_ms: I64
    ) -> tuple[list[AlarmEvent], list[BaselineChange], list[PartCondition]]:
        """Close the bins of units whose next frame is of ``time_ms``, and judge what they say."""
        silent_s = (time_ms - self.state.frame_ms[rows]) / 1000.0
        gap = silent_s > self.plan.settings.get(FLEET, "longest_gap_s", rows)
        bins, learned, figures = close_bins(self.plan, self.state, rows, gap)
        return self._judge.events("bins", bins, rows, bins.time_ms, bins.gap), learned, figures

    def _round(
        self, rows: I64, time_ms: I64, values: F64, weather: F64 | None = None
    ) -> list[AlarmEvent]:
        view = observe(self.plan, self.state, rows, time_ms, values, weather)
        events = self._judge.events("frames", view, rows, time_ms, view.gap)
        if self._own is not None:
            events += self._own.judge(view)
        accumulate(view)
        return events

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
        for index in rounds(self.plan, self.state, rows, received_ms):
            which = rows[index].astype(np.int64)
            note_refused_stamps(self.state, which, received_ms[index], time_ms[index])

    def _refuse_readings(
        self, received_ms: int, ranges: Sequence[tuple[int, int, int, float]]
    ) -> StepResult:
        unit_row = np.array([r[0] for r in ranges], dtype=np.int32)
        time_ms = np.array([r[1] for r in ranges], dtype=np.int64)
        refused, values = as_columns([r[2] for r in ranges], [r[3] for r in ranges])
        for index in rounds(self.plan, self.state, unit_row, time_ms):
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
        for end in ends_by_time(self.state, now_ms):
            events += self.act(end).events
        events += announce_again(self.plan, self.state, now_ms)
        if self._restored:
            events += end_misplaced(self.plan, self.state, now_ms)
            self._restored = False
        settle(self.state, now_ms)
        self.state.strangers.forget_before(now_ms - STRANGERS_KEPT_MS)
        if self._own is not None:
            events += self._own.clock(now_ms)
        rows = self._all_rows
        if len(rows):
            times = np.full(len(rows), now_ms, dtype=np.int64)
            view = ClockView(self.plan, self.state, rows, times, self._listened_ms)
            view.note_away()
            no_gap = np.zeros(len(rows), dtype=np.bool_)
            events += self._judge.events("clock", view, rows, times, no_gap)
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
        if action.kind in ON_BASELINES:
            return StepResult(baselines=act_on_baselines(self.state, row, action))
        events = act_on_alarms(self.plan, self.state, action)
        if self._own is not None:
            events += self._own.act(action)
        return StepResult(tuple(events))

    def look(self, row: int) -> UnitLook | None:
        """A look at a unit as it is now, by the newest frame and the clock; None if unknown."""
        if not (0 <= row < self.plan.n_rows and self.plan.active[row]):
            return None
        now_ms = max(self._clock_ms, int(self.state.frame_ms[row]))
        return UnitLook(self.plan, self.state, row, now_ms)

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
        self.state.site_weather.keep(self.plan)
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
