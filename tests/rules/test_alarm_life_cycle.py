"""The alarm life cycle against the published one, and its delays."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.alarms import (
    LIFE_CYCLE,
    PENDS,
    STANDS,
    UNKNOWN,
    AlarmColumns,
    Happening,
    advance,
    next_state,
)
from rules.events import AlarmState as S
from rules.events import Change

H = Happening

# ANSI/ISA-18.2 and IEC 62682, alarm state diagram, from memory.
PUBLISHED = [
    (S.NORMAL, H.OCCURS, False, S.UNACKNOWLEDGED),
    (S.UNACKNOWLEDGED, H.ACKNOWLEDGE, False, S.ACKNOWLEDGED),
    (S.UNACKNOWLEDGED, H.CLEARS, False, S.RETURNED_UNACKNOWLEDGED),
    (S.ACKNOWLEDGED, H.CLEARS, False, S.NORMAL),
    (S.RETURNED_UNACKNOWLEDGED, H.ACKNOWLEDGE, False, S.NORMAL),
    (S.RETURNED_UNACKNOWLEDGED, H.OCCURS, False, S.UNACKNOWLEDGED),
    (S.ACKNOWLEDGED, H.CLEARS, True, S.LATCHED_ACKNOWLEDGED),
    (S.UNACKNOWLEDGED, H.CLEARS, True, S.LATCHED_UNACKNOWLEDGED),
    (S.LATCHED_ACKNOWLEDGED, H.RESET, True, S.NORMAL),
]


@pytest.mark.parametrize(("state", "happening", "latching", "after"), PUBLISHED)
def test_transitions_are_those_of_the_standard(state, happening, latching, after):
    assert next_state(state, happening, latching=latching) is after


def test_every_transition_of_the_table_leads_to_a_process_state():
    held = {S.SHELVED, S.SUPPRESSED, S.OUT_OF_SERVICE}
    assert not held & set(LIFE_CYCLE.values())
    assert not held & {state for state, _ in LIFE_CYCLE}


def columns(n: int = 1) -> AlarmColumns:
    return AlarmColumns(
        *(np.zeros(n, np.int8) for _ in range(3)), *(np.zeros(n, np.int64) for _ in range(3))
    )


def step(alarms, severity, t_s, on=60.0, off=120.0, explained=0, restart=False, latching=False):
    """One observation of one alarm; the changes it made, by name."""
    changes = advance(
        alarms,
        np.array([severity], np.int8),
        np.array([int(t_s * 1000) + 1]),
        np.array(on),
        np.array(off),
        explained=np.array([explained], np.int8),
        restart=np.array([restart]),
        latching=np.array([latching]),
    )
    return [change for change, _ in changes]


# OPC 10000-9, B.1.5: with an on-delay the condition must hold for the whole delay; with an
# off-delay the alarm stays until the condition was clear for the whole delay.
def test_on_delay_wants_the_condition_for_the_whole_delay():
    a = columns()
    assert step(a, 2, 0) == []
    assert step(a, 2, 59.999) == []
    assert step(a, 2, 60) == [Change.RAISED]
    assert a.onset_ms[0] == 1


def test_a_condition_that_goes_within_the_on_delay_starts_it_anew():
    a = columns()
    step(a, 2, 0)
    step(a, 0, 30)
    assert step(a, 2, 60) == []
    assert step(a, 2, 119) == []
    assert step(a, 2, 120) == [Change.RAISED]


def test_off_delay_keeps_the_alarm_until_clear_for_the_whole_delay():
    a = columns()
    step(a, 1, 0, on=0)
    assert step(a, 0, 10) == []
    assert step(a, 1, 100) == []
    assert step(a, 0, 110) == []
    assert step(a, 0, 229) == []
    assert step(a, 0, 230) == [Change.RETURNED]
    assert a.state[0] == S.RETURNED_UNACKNOWLEDGED


def test_what_cannot_be_judged_changes_nothing():
    a = columns()
    step(a, 1, 0, on=0)
    for t in range(10, 1000, 10):
        assert step(a, UNKNOWN, t) == []
    assert a.state[0] == S.UNACKNOWLEDGED


def test_a_worse_condition_is_announced_once_after_its_own_delay():
    a = columns()
    step(a, 1, 0, on=0)
    assert step(a, 3, 10) == []
    assert step(a, 2, 40) == []
    assert step(a, 3, 70) == [Change.WORSENED]
    assert a.severity[0] == 2  # the least that held for the whole delay
    assert step(a, 2, 80) == []


def test_an_alarm_does_not_fall_back_to_a_lower_severity_while_it_stands():
    a = columns()
    step(a, 3, 0, on=0)
    for t in range(10, 500, 10):
        assert step(a, 1, t) == []
    assert a.severity[0] == 3


def test_a_standing_explanation_suppresses_and_its_end_starts_the_delay_anew():
    a = columns()
    step(a, 2, 0, on=0)
    assert step(a, 2, 10, explained=STANDS) == [Change.SUPPRESSED]
    assert a.state[0] == S.SUPPRESSED
    assert step(a, 2, 20, explained=PENDS) == []
    assert step(a, 2, 30) == [Change.UNSUPPRESSED]
    assert step(a, 2, 89) == []
    assert step(a, 2, 90) == [Change.RAISED]


def test_an_explanation_that_only_pends_holds_back_what_does_not_stand_yet():
    a = columns()
    assert step(a, 2, 0, on=0, explained=PENDS) == []
    assert step(a, 2, 500, on=0, explained=STANDS) == []
    assert a.state[0] == S.NORMAL


def test_an_explanation_that_only_pends_leaves_a_standing_alarm_alone():
    a = columns()
    step(a, 2, 0, on=0)
    assert step(a, 2, 10, explained=PENDS) == []
    assert a.state[0] == S.UNACKNOWLEDGED


def test_a_long_silence_restarts_the_on_delay():
    a = columns()
    step(a, 2, 0)
    assert step(a, 2, 100_000, restart=True) == []
    assert step(a, 2, 100_060) == [Change.RAISED]


def test_a_latching_alarm_waits_for_its_reset():
    a = columns()
    step(a, 2, 0, on=0, latching=True)
    step(a, 0, 10, off=0, latching=True)
    assert a.state[0] == S.LATCHED_UNACKNOWLEDGED


observations = st.lists(
    st.tuples(st.integers(-1, 3), st.sampled_from([0, 0, 0, PENDS, STANDS]), st.booleans()),
    min_size=1,
    max_size=60,
)


@given(observations)
def test_two_alarms_side_by_side_are_as_if_each_were_alone(seen):
    """Columns do not touch each other, and raised and returned take turns."""
    both, one = columns(2), columns(1)
    story: list[Change] = []
    for i, (severity, explained, restart) in enumerate(seen):
        t = np.array([i * 30_000 + 1, i * 30_000 + 1])
        advance(
            both,
            np.array([severity, 0], np.int8),
            t,
            np.array(60.0),
            np.array(60.0),
            explained=np.array([explained, 0], np.int8),
            restart=np.array([restart, False]),
            latching=np.array([False]),
        )
        story += step(one, severity, i * 30.0, 60.0, 60.0, explained, restart)
    for name in ("state", "severity", "pending", "pending_ms", "clearing_ms", "onset_ms"):
        assert getattr(both, name)[0] == getattr(one, name)[0]
    assert both.state[1] == S.NORMAL
    turns = [c for c in story if c is not Change.WORSENED]
    ends = {Change.RETURNED, Change.SUPPRESSED}
    for before, after in pairwise(turns):
        if before is Change.RAISED:
            assert after in ends
        if before is Change.SUPPRESSED:
            assert after is Change.UNSUPPRESSED
