"""Alarms moved by people and by time that has run out, not by what is measured.

What an action does to an alarm is said by :mod:`rules.answers`; here it is done to the columns, and
time limits that people set are turned into the action that ends them.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import Happening, next_state
from rules.answers import answer
from rules.events import Action, ActionKind, AlarmEvent, AlarmState, Change, Severity
from rules.faults.registry import FAULT_INDEX, RULES, SLUGS
from rules.heat_memory import forget_before_service
from rules.plan import FleetPlan
from rules.probe_step import doubt_stroke
from rules.settings import FLEET
from rules.state import FleetState

__all__ = ["SITE_WIDE", "act_on_alarms", "announce_again", "end_misplaced", "ends_by_time"]

SITE_WIDE: Final = np.array([r.fault.site_wide for r in RULES], dtype=np.bool_)
"""By fault: carried by one unit for its whole site."""

_TIME_OVER: Final = "the time set was over"


def act_on_alarms(plan: FleetPlan, state: FleetState, action: Action) -> list[AlarmEvent]:
    """Do to the unit's alarms what the action asks of them; what came of it is news."""
    row = action.unit_row
    if action.kind is ActionKind.OUT_OF_SERVICE:
        state.out_of_service_until_ms[row] = action.until_ms or -1
    elif action.kind is ActionKind.IN_SERVICE:
        state.out_of_service_until_ms[row] = 0
        forget_before_service(state, row)
        doubt_stroke(state, row)
    if action.fault:
        columns = [FAULT_INDEX[action.fault]] if action.fault in FAULT_INDEX else []
    else:
        # What a unit carries for its whole site goes on while somebody works on that unit.
        columns = np.flatnonzero(~SITE_WIDE).tolist()
    events = [_act_on(plan, state, row, column, action) for column in columns]
    return [event for event in events if event is not None]


def _act_on(
    plan: FleetPlan, state: FleetState, row: int, column: int, action: Action
) -> AlarmEvent | None:
    severity = Severity(int(state.alarm_severity[row, column]))
    before = AlarmState(int(state.alarm_state[row, column]))
    found = answer(before, severity, action, lambda name: plan.settings.one(FLEET, name, row))
    if found is None:
        return None
    if found.until_ms is not None:
        state.alarm_until_s[row, column] = -(-found.until_ms // 1000)
    _set_state(state, row, column, found.after)
    if not found.is_news:
        return None
    onset_ms = int(state.alarm_onset_ms[row, column])
    return AlarmEvent(
        row, SLUGS[column], action.time_ms, found.change, found.after, severity, onset_ms, None,
        action.by, action.note,
    )  # fmt: skip


def _set_state(state: FleetState, row: int, column: int, after: AlarmState) -> None:
    state.alarm_state[row, column] = after
    state.alarm_pending_ms[row, column] = 0
    state.alarm_clearing_ms[row, column] = 0
    if after is AlarmState.NORMAL:
        state.alarm_severity[row, column] = 0


def ends_by_time(state: FleetState, now_ms: int) -> list[Action]:
    """The actions that end what people set a time for: service periods and shelves."""
    until = state.out_of_service_until_ms
    ends = [
        Action(0, ActionKind.IN_SERVICE, row, "", now_ms, "", _TIME_OVER)
        for row in np.flatnonzero((until > 0) & (until <= now_ms)).tolist()
    ]
    return ends + [
        Action(0, ActionKind.UNSHELVE, row, SLUGS[column], now_ms, "", _TIME_OVER)
        for row, column in _timed_out(state, AlarmState.SHELVED, now_ms)
    ]


def announce_again(plan: FleetPlan, state: FleetState, now_ms: int) -> list[AlarmEvent]:
    """Re-alarm: somebody took it on, and it still stands after the time allowed."""
    after = next_state(AlarmState.ACKNOWLEDGED, Happening.TIME_IS_UP)
    events = []
    for row, column in _timed_out(state, AlarmState.ACKNOWLEDGED, now_ms):
        if not plan.active[row]:
            continue
        state.alarm_state[row, column] = after
        state.alarm_until_s[row, column] = 0
        severity = Severity(int(state.alarm_severity[row, column]))
        onset_ms = int(state.alarm_onset_ms[row, column])
        events.append(
            AlarmEvent(row, SLUGS[column], now_ms, Change.ANNOUNCED_AGAIN, after, severity,
                       onset_ms, None, "", "acknowledged, and it still stands")
        )  # fmt: skip
    return events


def _timed_out(state: FleetState, which: AlarmState, now_ms: int) -> list[tuple[int, int]]:
    """Row and column of the alarms in a state whose time is over."""
    # Few alarms are in these states: only their times are looked at, not the whole fleet's.
    timed = np.flatnonzero(state.alarm_state.reshape(-1) == which)
    until = state.alarm_until_s.reshape(-1)[timed]
    due = timed[(until > 0) & (until <= now_ms // 1000)]
    return [divmod(flat, len(SLUGS)) for flat in due.tolist()]


def end_misplaced(plan: FleetPlan, state: FleetState, now_ms: int) -> list[AlarmEvent]:
    """End a site's own alarms on a unit that does not carry them any more: nobody else would."""
    carries = np.zeros(plan.n_rows, dtype=np.bool_)
    carries[plan.anchor_row[plan.anchor_row >= 0]] = True
    events = []
    for column in np.flatnonzero(SITE_WIDE).tolist():
        astray = ~carries & (state.alarm_state[:, column] != AlarmState.NORMAL)
        for row in np.flatnonzero(astray).tolist():
            severity = Severity(int(state.alarm_severity[row, column]))
            onset_ms = int(state.alarm_onset_ms[row, column])
            _set_state(state, row, column, AlarmState.NORMAL)
            events.append(
                AlarmEvent(row, SLUGS[column], now_ms, Change.RETURNED, AlarmState.NORMAL,
                           severity, onset_ms, None, "", "the site's alarms have moved")
            )  # fmt: skip
    return events
