"""Meters between their readings: what flowed is what the meter last said, for as long as it held.

A sender that reports by exception tells of a valve that opens for half a minute in two readings,
and then of nothing for a quarter of an hour: their plain mean would be half of the full flow. So
each reading counts for the time until the next frame of its unit. A meter that is read every five
minutes tells nothing of the time between, unless frames without it come there: each reading then
stands for itself. Weather, fans and
load of such a sender are held, too, and whether its pump runs: five minutes in which they did not
change are not unknown.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool, span
from rules.bin_times import bin_start_ms
from rules.bits import unpacked
from rules.plan import FleetPlan
from rules.settings import FLEET
from rules.signals import INDEX
from rules.state import ACCUMULATED, FleetState

__all__ = ["METERS", "add_up", "bin_means", "flow_until_now"]

METERS: Final = ("makeup_flow", "bleed_flow")
_COLUMNS: Final = [INDEX[name] for name in METERS]
_LINGERS: Final = [
    ACCUMULATED.index(name)
    for name in (
        "ambient_temperature",
        "relative_humidity",
        "fan_capacity",
        "heat_load",
        "pump_running",
    )
]
"""What drives evaporation and heat rejection: it is what was said last until it is said anew."""
HELD_WEIGHT: Final = 2.0**-14
"""Weight of a held value beside that of one that was brought: what counts where none was. A power
of two keeps sums exact in single precision: the mean of ones is one."""
_IN_BIN: Final = [ACCUMULATED.index(name) for name in METERS]
OFTEN_S: Final = 90.0
"""Frames that follow each other within this see all that a valve does (judgement)."""
LEAST_WATCHED_S: Final = 10.0
"""More than readings that stand for themselves weigh in a bin (judgement)."""


def flow_until_now(
    plan: FleetPlan, state: FleetState, rows: I64, time_ms: I64, values: F64, gap: Bool
) -> F64:
    """What each meter showed from the frame before until this one, (k, meters). [L/min]

    To be asked before the frame, of ``values`` (k, signals), is taken in. NaN where that is not
    known: after a silence, where the reading is too old, and where frames long apart both bring
    the meter, as one that is read every five minutes. A frame without it tells that it is held, and
    so does its bin, once that has been watched.
    """
    at = span(rows)
    before_ms = state.frame_ms[rows]
    often = time_ms - before_ms <= OFTEN_S * 1000.0
    out = _held(plan, state, rows, time_ms)
    for j, column in enumerate(_COLUMNS):
        holds = often | (state.value_ms[at, column] < before_ms) | np.isnan(values[:, column])
        holds |= state.bin_count[at, _IN_BIN[j]] >= LEAST_WATCHED_S
        holds &= ~gap
        out[~holds, j] = np.nan
    return out


def _held(plan: FleetPlan, state: FleetState, rows: I64, time_ms: I64) -> F64:
    """The newest reading of each meter, (k, meters); NaN where it is too old, or untrue."""
    at = span(rows)
    limit_ms = plan.settings.get(FLEET, "value_age_limit_s", rows) * 1000.0
    out = np.full((len(rows), len(METERS)), np.nan)
    for j, column in enumerate(_COLUMNS):
        said_ms = state.value_ms[at, column]
        known = (said_ms > 0) & (time_ms - said_ms <= limit_ms)
        np.copyto(out[:, j], state.value[at, column], where=known)
    untrue = state.frozen_set[at] | state.beyond_set[at]
    if untrue.any():
        out[unpacked(untrue)[:, _COLUMNS]] = np.nan
    return out


def add_up(
    plan: FleetPlan,
    state: FleetState,
    rows: I64,
    time_ms: I64,
    elapsed_s: F64,
    held: F64,
    sample: F64,
    there: Bool,
) -> None:
    """Add frames to the open bins of their units.

    ``sample`` (k, accumulated) is what the frames say, and counts where it is ``there``. Of the
    meters what they showed until the frame, ``held`` (k, meters), counts by the seconds since the
    frame before, within the bin; what was brought, where nothing was held, by one: that is nothing
    beside the seconds, and enough where it stands alone. ``there`` is changed in place.
    """
    at = span(rows)
    open_s = (time_ms - bin_start_ms(plan, rows, state.bin_id[rows])) / 1000.0
    since_s = np.minimum(elapsed_s, open_s)
    # Of one instant nothing was held: what a further message of it brings counts.
    holds = ~np.isnan(held) & (since_s > 0.0)[:, None]
    there[:, _IN_BIN] &= ~holds
    state.bin_sum[at] += np.where(there, sample, 0.0)
    state.bin_count[at] += there
    for j, column in enumerate(_IN_BIN):
        some = np.flatnonzero(holds[:, j])
        if len(some):
            state.bin_sum[rows[some], column] += held[some, j] * since_s[some]
            state.bin_count[rows[some], column] += since_s[some]
    for column in _LINGERS:
        some = np.flatnonzero(~there[:, column] & ~np.isnan(sample[:, column]))
        if len(some):
            state.bin_sum[rows[some], column] += HELD_WEIGHT * sample[some, column]
            state.bin_count[rows[some], column] += HELD_WEIGHT


def bin_means(plan: FleetPlan, state: FleetState, rows: I64, end_ms: I64) -> F64:
    """Means of closing bins, (k, accumulated), NaN where nothing came.

    A meter whose frames follow each other closely shows what it last said to the end of the bin.
    """
    total = state.bin_sum[rows].astype(np.float64)
    weight = state.bin_count[rows].astype(np.float64)
    rest_s = ((end_ms - state.frame_ms[rows]) / 1000.0)[:, None]
    held = _held(plan, state, rows, end_ms)
    holds = (rest_s > 0.0) & (rest_s <= OFTEN_S) & ~np.isnan(held)
    holds &= weight[:, _IN_BIN] >= LEAST_WATCHED_S
    total[:, _IN_BIN] += np.where(holds, held * rest_s, 0.0)
    weight[:, _IN_BIN] += np.where(holds, rest_s, 0.0)
    return np.where(weight > 0.0, total / np.where(weight > 0.0, weight, 1.0), np.nan)
