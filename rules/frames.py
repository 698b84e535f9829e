"""From a batch to rounds, and from a frame to what is known of a unit now.

A batch may hold several frames of one unit (a site that was cut off sends its backlog). Round r
holds the r-th frame of every unit, in order of event time, so that each round is one pass of array
operations and time is always the sample's own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from rules.alarms import fault_column
from rules.arrays import F64, I8, I32, I64, Bool, span
from rules.bin_times import bin_of
from rules.bits import packed, unpacked
from rules.fan_rounds import takes_turns
from rules.held import flow_until_now
from rules.nameplate import AT_ONCE, beyond_nameplate
from rules.plan import FleetPlan
from rules.pump_proof import motor_by_water
from rules.residuals import head_margin_k
from rules.settings import FLEET
from rules.signals import INDEX
from rules.site_weather import SERVED_AT
from rules.staging import says_only_whether
from rules.standing import mind_turning_over, stood_s
from rules.state import BIN_MS, FROM_SITE, FleetState
from rules.wet_idle import learn_idle

__all__ = ["FrameView", "observe", "rounds"]

_CURRENT: Final = INDEX["pump_current"]
_COMMAND: Final = INDEX["pump_command"]
_WET: Final = INDEX["wet_mode"]
_SPEED: Final = INDEX["fan_speed"]
_LEVEL: Final = INDEX["basin_level"]


def rounds(plan: FleetPlan, state: FleetState, unit_row: I32, time_ms: I64) -> Iterator[I64]:
    """Indices of the frames of each round, each unit at most once, in order of time.

    Frames of one unit with the same time keep the order of arrival. A unit's frames before and
    after the edge of a bin are in rounds apart, and all units whose open bins the batch closes
    close them in one round, whenever they report and wherever their bins end: units do not touch
    each other, and closing few bins takes as long as closing many.
    """
    n = len(unit_row)
    if (unit_row[1:] > unit_row[:-1]).all():
        yield np.arange(n)
        return
    order = np.lexsort((time_ms, unit_row))  # stable
    rows = unit_row[order].astype(np.int64)
    bin_id = bin_of(plan, rows, time_ms[order])
    first = np.concatenate([[True], rows[1:] != rows[:-1]])
    new_bin = np.concatenate([[True], bin_id[1:] != bin_id[:-1]]) | first
    starts = np.flatnonzero(new_bin)
    rank = np.arange(n) - np.repeat(starts, np.diff(starts, append=n))
    # Bins begun by then, of each unit: none while the frames belong to the one that is open.
    begun = np.cumsum(new_bin & ~(first & (bin_id == state.bin_id[rows])))
    units = np.flatnonzero(first)
    before = np.concatenate([[0], begun])[units]
    edge = begun - np.repeat(before, np.diff(units, append=n))
    turn = edge * (int(rank.max()) + 1) + rank
    by_turn = np.argsort(turn, kind="stable")
    edges = np.flatnonzero(np.diff(turn[by_turn])) + 1
    yield from np.split(order[by_turn], edges)


@dataclass(frozen=True)
class FrameView:
    """What is known of the units of one round, after their frames were taken in.

    Arrays are (k,) by unit of the round, ``x`` is (k, signals) with NaN for what was not measured
    or is too old. ``*_s`` are durations up to this frame, NaN where not known.
    """

    plan: FleetPlan
    state: FleetState
    rows: I64
    time_ms: I64
    elapsed_s: F64
    """Time since the frame before."""
    gap: Bool
    """The unit was silent longer than `longest_gap_s` before this frame."""
    x: F64
    flow_held: F64
    """(k, meters): what the meters showed from the frame before until this one. [L/min]"""
    fresh: Bool
    """(k, signals): the frame brought this signal, and nothing was known of it for this instant."""
    pump_state: I8
    pump_state_s: F64
    """How long the pump has been in that state."""
    mode: I8
    mode_s: F64
    commanded_s: F64
    """How long the pump has been commanded to run; 0 if it is not, NaN if not known."""
    fans_commanded_s: F64
    standing_s: F64
    """Time since water last circulated in the basin; 0 while it does, or where there is none."""
    warm_standing_s: F64
    """How long of that the water (unmeasured: the air) was warm."""

    @cached_property
    def head_margin_k(self) -> F64:
        """Kelvin of condensing temperature left to the cut-out."""
        return head_margin_k(self.plan, self.rows, self.signal("head_pressure"))

    @cached_property
    def span(self) -> slice | I64:
        """The units' place in the columns, for what is only read: see :func:`rules.arrays.span`."""
        return span(self.rows)

    @cached_property
    def says_only_whether(self) -> Bool:
        """Units whose command says whether fans should run, but not how many."""
        return says_only_whether(self.state, self.rows, self.plan.fan_count[self.rows])

    @cached_property
    def takes_turns(self) -> Bool:
        """Units whose fans are known to take turns without a command."""
        return takes_turns(self.state, self.rows, self.plan.fan_count[self.rows])

    def signal(self, name: str) -> F64:
        """The current value of a signal, (k,)."""
        return self.x[:, INDEX[name]]

    def setting(self, slug: str, name: str) -> F64:
        """A setting for the units of the round."""
        return self.plan.settings.get(slug, name, self.rows)


def observe(
    plan: FleetPlan,
    state: FleetState,
    rows: I64,
    time_ms: I64,
    values: F64,
    weather: F64 | None = None,
) -> FrameView:
    """Take one frame of each of ``rows`` into the state and say what is known now.

    ``rows`` are ascending, distinct and active, and ``time_ms`` is not before the unit's newest
    frame. A second frame for the same instant adds its signals; a repeat changes nothing.
    ``weather`` (k, SERVED) is that of their sites, for those that do not send it themselves.
    """
    settings = plan.settings
    previous_ms = state.frame_ms[rows]
    never = previous_ms == 0
    elapsed_s = (time_ms - previous_ms) / 1000.0
    gap = never | (elapsed_s > settings.get(FLEET, "longest_gap_s", rows))
    flow_held = flow_until_now(plan, state, rows, time_ms, values, gap)
    state.frame_ms[rows] = time_ms

    at = span(rows)
    value, value_ms = state.value[at], state.value_ms[at]
    carried = ~np.isnan(values)
    fresh = carried & (value_ms < time_ms[:, None])
    changed = carried & (values != value)
    state.seen_carried[at] |= packed(carried)
    state.seen_changed[at] |= packed(changed)
    np.copyto(value, values, where=carried)
    np.copyto(value_ms, time_ms[:, None], where=carried)
    if weather is not None:
        _take_weather(value, value_ms, fresh, weather, previous_ms < time_ms)
    if not isinstance(at, slice):  # else they are the columns themselves
        state.value[at] = value
        state.value_ms[at] = value_ms
    x = _known_now(plan, state, rows, time_ms, value, value_ms)

    pump = _motor(plan, rows, x, value_ms[:, _CURRENT] == 0)
    pump = motor_by_water(plan, state, rows, time_ms, x, pump)
    drawn, current = state.running_current_a[rows], x[:, _CURRENT]
    drawing = (pump == 1) & ~np.isnan(current)
    state.running_current_a[rows] = np.where(drawing, current, drawn)
    mode = _mode(x, value_ms, pump)

    pump_was = state.pump_state[rows]
    pump_moved = (pump != pump_was) | gap
    mode_moved = (mode != state.mode[rows]) | gap
    learn_idle(state, rows, time_ms, pump, pump_was, mode, mode_moved, gap)
    mind_turning_over(state, rows, pump, pump_was, mode, gap)
    state.pump_state[rows] = pump
    state.pump_changed_ms[rows] = np.where(pump_moved, time_ms, state.pump_changed_ms[rows])
    state.mode[rows] = mode
    state.mode_changed_ms[rows] = np.where(mode_moved, time_ms, state.mode_changed_ms[rows])
    pump_s = np.where(pump < 0, np.nan, (time_ms - state.pump_changed_ms[rows]) / 1000.0)
    mode_s = np.where(mode < 0, np.nan, (time_ms - state.mode_changed_ms[rows]) / 1000.0)
    commanded_s = _since(state.commanded_ms, rows, time_ms, x[:, _COMMAND], 0.5, gap)
    fans_s = _since(state.fans_commanded_ms, rows, time_ms, x[:, _SPEED], 10.0, gap)

    # A current that is lost and comes back is no start or stop of the pump.
    _stillness(
        state,
        rows,
        time_ms,
        x[:, _LEVEL],
        (pump != pump_was) & (np.minimum(pump, pump_was) >= 0),
        gap,
    )
    return FrameView(
        plan, state, rows, time_ms, elapsed_s, gap, x, flow_held, fresh, pump,
        pump_s, mode, mode_s, commanded_s, fans_s,
        *stood_s(plan, state, rows, time_ms, x, pump, elapsed_s, gap),
    )  # fmt: skip


def _known_now(
    plan: FleetPlan, state: FleetState, rows: I64, time_ms: I64, value: F64, value_ms: I64
) -> F64:
    """What is known of each signal, (k, signals): neither too old nor found to be untrue."""
    at = span(rows)
    age_limit_ms = np.floor(plan.settings.get(FLEET, "value_age_limit_s", rows) * 1000.0)
    aged = value_ms < (time_ms - age_limit_ms.astype(np.int64))[:, None]
    aged &= value_ms != FROM_SITE
    x = value.copy()
    if aged.any():
        np.copyto(x, np.nan, where=aged)
    # A reading that cannot be true is not known.
    if (untrue := state.frozen_set[at] | state.beyond_set[at]).any():
        np.copyto(x, np.nan, where=unpacked(untrue))
    impossible = beyond_nameplate(plan, rows, x, state.pump_state[rows] == 1, AT_ONCE)
    if impossible is not None:
        np.copyto(x, np.nan, where=impossible)
    return x


def _take_weather(value: F64, value_ms: I64, fresh: Bool, weather: F64, news: Bool) -> None:
    """The site's weather where the unit never sent its own; in place.

    It is new with each frame of a new instant (``news``), as if the frame had brought it.
    """
    for at, column in enumerate(SERVED_AT.tolist()):
        foreign = value_ms[:, column] <= 0
        value[:, column] = np.where(foreign, weather[:, at], value[:, column])
        served = foreign & ~np.isnan(weather[:, at])
        value_ms[:, column] = np.where(served, FROM_SITE, value_ms[:, column])
        fresh[:, column] |= served & news


def _mode(x: F64, value_ms: I64, pump: I8) -> I8:
    """1 wet, 0 dry, -1 not known, (k,).

    Without its own witness the command says whether the plant is wet: that is what wet means. Where
    neither is ever sent, the pump itself says it: it runs for nothing but the pads.
    """
    word = np.where(np.isnan(x[:, _WET]), x[:, _COMMAND], x[:, _WET])
    mode = np.where(np.isnan(word), -1, word > 0.5).astype(np.int8)
    untold = (value_ms[:, _WET] == 0) & (value_ms[:, _COMMAND] == 0)
    return np.where(untold, pump, mode) if untold.any() else mode


def _motor(plan: FleetPlan, rows: I64, x: F64, unmeasured: Bool) -> I8:
    """Whether the pump's motor runs: 1, 0, or -1 where that is not known."""
    share = plan.settings.get(FLEET, "pump_running_frac", rows)
    current = x[:, _CURRENT]
    runs = current > share * plan.pump_rated_current_a[rows]
    pump = np.where(np.isnan(current), -1, runs).astype(np.int8)
    # A unit that never sent a current is taken at its controller's word, or else by its water.
    if unmeasured.any():
        word = x[:, _COMMAND]
        told = np.where(np.isnan(word), -1, word > 0.5).astype(np.int8)
        pump = np.where(unmeasured, told, pump)
    return pump


def _since(column: I64, rows: I64, time_ms: I64, word: F64, above: float, gap: Bool) -> F64:
    """Seconds since ``word`` rose above a limit; keeps the start in ``column``."""
    on = word > above
    start = column[rows]
    start = np.where(on, np.where((start == 0) | gap, time_ms, start), 0)
    start = np.where(np.isnan(word), 0, start)
    column[rows] = start
    seconds = np.where(on, (time_ms - start) / 1000.0, 0.0)
    return np.where(np.isnan(word), np.nan, seconds)


STILL_STEP_MM: Final = 0.5
"""A change of level that counts as movement: below the resolution of any basin transmitter."""


STOOD_MS: Final = 900_000
"""How long the level must have stood still before a start or stop of the pump to have been still
through it: the newest of few wavy readings may by chance be that at which the water then rests
(judgement)."""


def _mind_longest(state: FleetState, rows: I64, time_ms: I64, moved: Bool) -> None:
    """How long a level that moves now has stood still while the pump ran or stood, if it is news.

    What ends a stillness that was called frozen is no measure of the reading's habits.
    """
    since = state.still_ms[rows]
    told = state.pump_state[rows] >= 0
    at = np.flatnonzero(moved & (time_ms - since >= BIN_MS) & told)
    if not len(at):
        return
    row = rows[at]
    changed = state.pump_changed_ms[row]
    known = state.alarm_state[row, fault_column("level-frozen")] == 0
    # What a start or stop of the pump ends was a stillness of the state before.
    now = np.where(known, time_ms[at] - np.maximum(since[at], changed), 0)
    before = np.where(known, changed - since[at], 0)
    for column, pump in ((state.level_longest_bins, 1), (state.level_rest_longest_bins, 0)):
        stood = np.where(state.pump_state[row] == pump, now, before)
        bins = np.clip(stood // BIN_MS, 0, 60_000)
        column[row] = np.maximum(column[row], bins)


def _stillness(
    state: FleetState, rows: I64, time_ms: I64, level: F64, pump_moved: Bool, gap: Bool
) -> None:
    """Since when the level reading has not moved, and how often the pump changed meanwhile."""
    still = state.still_level[rows]
    moved = ~np.isnan(level) & (np.isnan(still) | (np.abs(level - still) > STILL_STEP_MM))
    # By how little it ever moved: a reading in steps of a centimetre may stand still for hours.
    least = state.level_step_mm[rows]
    step = np.abs(level - still)
    less = moved & ((step < least) | (least == 0.0)) & ~np.isnan(step)
    if less.any():
        state.level_step_mm[rows] = np.where(less, step, least)
    _mind_longest(state, rows, time_ms, moved & ~gap)
    anew = moved | gap
    state.still_level[rows] = np.where(moved, level, np.where(gap, np.nan, still))
    state.still_ms[rows] = np.where(anew, time_ms, state.still_ms[rows])
    count = state.still_starts[rows]
    stood = time_ms - state.still_ms[rows] >= STOOD_MS
    more = np.minimum(count + (pump_moved & stood), 30_000)
    # A still level that is not known any more says nothing.
    keep = ~anew & ~np.isnan(level)
    state.still_starts[rows] = np.where(keep, more, np.where(anew, 0, count)).astype(np.int16)
