"""The alarm life cycle of ISA-18.2 / IEC 62682, over columns of alarms.

The table :data:`LIFE_CYCLE` says what each happening does to each state; :func:`advance` applies
on-delay, off-delay and severity to the alarms of one fault over many units. Shelving, suppression
by design and out of service take an alarm out of the process states; when they end it starts
normal and is raised again, after its on-delay, if the condition is still there.

Semantics of the delays are those of OPC 10000-9, B.1.5: on-delay, the condition holds for the whole
delay; off-delay, it stays in alarm until the condition was clear for the whole delay.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from rules.arrays import F64, I8, I64, Bool, span
from rules.events import AlarmState, Change
from rules.state import FleetState

__all__ = [
    "ACTIVE",
    "HELD",
    "LIFE_CYCLE",
    "PENDS",
    "STANDS",
    "UNKNOWN",
    "AlarmColumns",
    "Happening",
    "advance",
    "fault_column",
    "fault_is_there",
    "is_active",
    "is_held",
    "is_there",
    "may_stand",
    "next_state",
    "there_at",
]

UNKNOWN: Final = -1
"""Severity of a condition that cannot be judged: the alarm keeps its state."""

PENDS: Final = 1
STANDS: Final = 2
"""Of a fault that explains another: its condition is seen but its delay runs; its alarm stands."""

S = AlarmState
ACTIVE: Final = (S.UNACKNOWLEDGED, S.ACKNOWLEDGED)
HELD: Final = (S.SHELVED, S.SUPPRESSED, S.OUT_OF_SERVICE)
# As they stand in the columns: an enumeration's member is looked at anew in every comparison.
_ACTIVE, _HELD = (tuple(np.int8(s) for s in states) for states in (ACTIVE, HELD))
_SHELVED: Final = np.int8(S.SHELVED)


def is_active(state: I8) -> Bool:
    """Which alarms stand: unacknowledged or acknowledged."""
    return _among(state, _ACTIVE)


def is_held(state: I8) -> Bool:
    """Which alarms are out of the process states: shelved, suppressed or out of service."""
    return _among(state, _HELD)


def is_there(state: I8, severity: I8) -> Bool:
    """Which faults are there: the alarm stands, or it is shelved and has not cleared since."""
    out: Bool = is_active(state) | ((state == _SHELVED) & (severity > 0))
    return out


def there_at(state: FleetState, rows: I64, column: int) -> Bool:
    """Units of which the fault of an alarm column is known to be there, told or shelved, (k,).

    ``rows`` are ascending and distinct.
    """
    at = span(rows)
    return is_there(state.alarm_state[at, column], state.alarm_severity[at, column])


def fault_is_there(state: FleetState, rows: I64, slug: str) -> Bool:
    """The same of a fault by its name. ``KeyError`` where the catalogue has none of it.

    ``rows`` are ascending and distinct.
    """
    return there_at(state, rows, fault_column(slug))


def fault_column(slug: str) -> int:
    """Where a fault stands in the alarm columns; ``KeyError`` if the catalogue has none of it."""
    from rules.faults.registry import FAULT_INDEX  # noqa: PLC0415  # the registry needs alarms

    return FAULT_INDEX[slug]


def may_stand(state: I8) -> Bool:
    """Which alarms stand, or may: of a held one nobody says that its fault is gone."""
    return is_active(state) | is_held(state)


def _among(state: I8, states: tuple[np.int8, ...]) -> Bool:
    """Whether each is one of few; comparing with each in turn is far faster than a table."""
    out: Bool = state == states[0]
    for other in states[1:]:
        out |= state == other
    return out


class Happening(StrEnum):
    """What can happen to an alarm."""

    OCCURS = "condition occurs"
    WORSENS = "condition worsens"
    CLEARS = "condition clears"
    ACKNOWLEDGE = "operator acknowledges"
    RESET = "operator resets"
    TIME_IS_UP = "it stands for long after it was acknowledged"


LIFE_CYCLE: Final[dict[tuple[AlarmState, Happening], AlarmState]] = {
    (S.NORMAL, Happening.OCCURS): S.UNACKNOWLEDGED,
    (S.UNACKNOWLEDGED, Happening.WORSENS): S.UNACKNOWLEDGED,
    (S.UNACKNOWLEDGED, Happening.ACKNOWLEDGE): S.ACKNOWLEDGED,
    (S.UNACKNOWLEDGED, Happening.CLEARS): S.RETURNED_UNACKNOWLEDGED,
    # a worse condition is news: it asks for a fresh acknowledgement
    (S.ACKNOWLEDGED, Happening.WORSENS): S.UNACKNOWLEDGED,
    (S.ACKNOWLEDGED, Happening.CLEARS): S.NORMAL,
    # re-alarm: whoever acknowledged it may have forgotten it
    (S.ACKNOWLEDGED, Happening.TIME_IS_UP): S.UNACKNOWLEDGED,
    (S.RETURNED_UNACKNOWLEDGED, Happening.OCCURS): S.UNACKNOWLEDGED,
    (S.RETURNED_UNACKNOWLEDGED, Happening.ACKNOWLEDGE): S.NORMAL,
    (S.LATCHED_UNACKNOWLEDGED, Happening.OCCURS): S.UNACKNOWLEDGED,
    (S.LATCHED_UNACKNOWLEDGED, Happening.ACKNOWLEDGE): S.LATCHED_ACKNOWLEDGED,
    (S.LATCHED_ACKNOWLEDGED, Happening.OCCURS): S.UNACKNOWLEDGED,
    (S.LATCHED_ACKNOWLEDGED, Happening.RESET): S.NORMAL,
}
"""States and transitions; a pair that is not listed leaves the state as it is."""

LATCHED_ON_CLEAR: Final = {
    S.UNACKNOWLEDGED: S.LATCHED_UNACKNOWLEDGED,
    S.ACKNOWLEDGED: S.LATCHED_ACKNOWLEDGED,
}


def next_state(state: AlarmState, happening: Happening, *, latching: bool = False) -> AlarmState:
    """The state after a happening; a latching alarm stays latched when its condition clears."""
    if latching and happening is Happening.CLEARS and state in LATCHED_ON_CLEAR:
        return LATCHED_ON_CLEAR[state]
    return LIFE_CYCLE.get((state, happening), state)


def _table(happening: Happening, *, latching: bool = False) -> I8:
    return np.array([next_state(s, happening, latching=latching) for s in S], dtype=np.int8)


# The table as arrays, so that one look-up moves a whole column.
_OCCURS: Final = _table(Happening.OCCURS)
_WORSENS: Final = _table(Happening.WORSENS)
_CLEARS: Final = np.stack([_table(Happening.CLEARS), _table(Happening.CLEARS, latching=True)])


@dataclass
class AlarmColumns:
    """Some alarms: six arrays of one shape, (units,) or (units, faults)."""

    state: I8
    severity: I8
    pending: I8
    pending_ms: I64
    clearing_ms: I64
    onset_ms: I64


def advance(
    alarms: AlarmColumns,
    severity: I8,
    time_ms: I64,
    on_delay_s: F64,
    off_delay_s: F64,
    *,
    explained: I8,
    restart: Bool,
    latching: Bool,
) -> list[tuple[Change, Bool]]:
    """Move alarms by one observation each, in place.

    All arrays have one shape, or broadcast to it: (units,) or (units, faults).

    Parameters
    ----------
    alarms : AlarmColumns
        Changed in place.
    severity : array
        The condition now: 0 clear, 1 to 3, or :data:`UNKNOWN`, which leaves everything as it is.
    time_ms : array
        Time of the observation. [ms since 1970]
    on_delay_s, off_delay_s : array
        Delays. [s]
    explained : array of int8
        Suppression by design. 2: a fault that explains this one stands, so this alarm is
        suppressed. 1: one may be about to; this alarm waits, as if it could not be judged. 0: none.
    restart : array of bool
        The unit was silent too long: delays begin anew.
    latching : array of bool
        Whether the alarm waits for a reset after its condition cleared.

    Returns
    -------
    list of (Change, mask)
        What changed, and which alarms; a change that happened to none is left out.
    """
    a = alarms
    shape = a.state.shape
    time_ms = np.broadcast_to(time_ms, shape)
    restart = np.broadcast_to(restart, shape)
    masks: list[tuple[Change, Bool]] = []
    going = (explained == STANDS) & is_active(a.state)
    coming = (explained == 0) & (a.state == S.SUPPRESSED)
    a.state[going] = S.SUPPRESSED
    a.state[coming] = S.NORMAL
    a.severity[coming] = 0
    masks += [(Change.SUPPRESSED, going), (Change.UNSUPPRESSED, coming)]
    held = (explained == STANDS) | is_held(a.state)
    # A shelved fault explains what follows from it until it is gone, as one that stands does: its
    # severity is kept, and cleared after its off-delay. What comes back is seen after the shelf.
    shelved = a.state == S.SHELVED
    a.pending_ms[held | restart] = 0
    a.clearing_ms[(held & ~shelved) | restart] = 0

    known = (severity != UNKNOWN) & ~held & (explained == 0)
    active = is_active(a.state)
    announced = np.where(active, a.severity, 0)

    rising = known & (severity > announced)
    fresh = rising & (a.pending_ms == 0)
    a.pending_ms[fresh] = time_ms[fresh]
    a.pending[fresh] = severity[fresh]
    a.pending[rising] = np.minimum(a.pending[rising], severity[rising])
    a.pending_ms[known & ~rising] = 0
    fire = rising & (time_ms - a.pending_ms >= on_delay_s * 1000.0)
    raised, worsened = fire & ~active, fire & active
    a.onset_ms[raised] = a.pending_ms[raised]
    a.severity[fire] = a.pending[fire]
    a.state[raised] = _OCCURS[a.state[raised]]
    a.state[worsened] = _WORSENS[a.state[worsened]]
    a.pending_ms[fire] = 0
    masks += [(Change.RAISED, raised), (Change.WORSENED, worsened)]

    told = known | (shelved & (severity != UNKNOWN))
    clear = told & (active | shelved) & (severity == 0)
    fresh = clear & (a.clearing_ms == 0)
    a.clearing_ms[fresh] = time_ms[fresh]
    a.clearing_ms[told & ~clear] = 0
    gone = clear & (time_ms - a.clearing_ms >= off_delay_s * 1000.0)
    latch = np.broadcast_to(latching, shape)[gone].astype(np.intp)
    a.state[gone] = _CLEARS[latch, a.state[gone]]
    a.clearing_ms[gone] = 0
    a.severity[gone] = 0
    masks.append((Change.RETURNED, gone & ~shelved))
    return [(change, mask) for change, mask in masks if mask.any()]
