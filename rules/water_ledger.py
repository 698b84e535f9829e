"""The solids ledger of a running unit: one line for every three hours of wet running.

Two hours of readings say little of a bleed: scatter, a set point's dead band and the hours that a
basin takes to respond are as large as what is looked for. A line of the ledger balances a whole
stretch of running, stored water and stored solids included, and the unit's own lines of its first
days say how much this unit bleeds at what make-up. :mod:`rules.water_habit` compares.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.alarms import is_active
from rules.arrays import F64, I64, Bool
from rules.physics.robust import median
from rules.plan import FleetPlan
from rules.rings import trace_window
from rules.state import BIN_MS, LEDGER_LINES, TRACE_BINS, FleetState

__all__ = ["Lines", "newest_lines", "open_and_close"]

LONGEST_BINS: Final = TRACE_BINS
"""A line spans three hours: all that the traces hold."""
SHORTEST_BINS: Final = 24
"""Two hours: a run that ends sooner is not balanced, its ends would be most of it."""
LEAST_MEANS: Final = 20
"""Means needed, of those."""
END_BINS: Final = 3
"""Means whose median stands for either end of a line."""
FRESH_BINS: Final = 14
"""A basin that was empty within so many bins before a run holds little but make-up."""
DRAINED_MM: Final = 20.0
ABOVE_FLOAT_MM: Final = 10.0
"""Above the float's shut level water may run over the lip, which no balance sees."""
LEAST_RATIO: Final = 0.1
"""Conductivity over the make-up's below which the probe sees no water."""

GAINED, LET_IN, RATIO, FRESH = range(4)
"""Columns of a line; see :class:`Lines`."""

_SPOILT_BY: Final = (
    "float-leaking", "float-stuck-open", "float-stuck-shut", "pump-not-running",
    "pump-drawing-air", "pump-screen-clogging", "distribution-restricted", "pads-clogged",
    "pads-not-wetting", "fan-capacity-lost", "reading-frozen", "reading-out-of-range",
)  # fmt: skip
"""Faults in which evaporation, volume or reading are not what the balance takes them for."""


@dataclass(frozen=True)
class Lines:
    """Lines of some units, (m, lines) each, newest last, NaN where there is none.

    With make-up M, evaporation E, bleed B, volume V, level h, area A and conductivities C of the
    basin and C_m of the make-up as the site file has it, mean flows over the line in L/min:
    """

    let_in: F64
    """E + A dh/dt: the make-up less the bleed."""
    gained: F64
    """E + A dh/dt - d(VC)/dt / C_m: what the bleed must have carried, B (C / C_m - 1)."""
    ratio: F64
    """C / C_m, mean over the line."""
    fresh: F64
    """C / C_m at its beginning where the basin had just been filled, else NaN."""


def newest_lines(state: FleetState, rows: I64, n: int) -> Lines:
    """The last ``n`` lines of some units."""
    back = np.arange(n, 0, -1)
    count = state.ledger_count[rows].astype(np.int64)
    position = (count[:, None] - back) % LEDGER_LINES
    window = state.ledger[rows[:, None], :, position].astype(np.float64)
    window[back > count[:, None]] = np.nan
    return Lines(
        window[..., LET_IN], window[..., GAINED], window[..., RATIO], window[..., FRESH]
    )  # fmt: skip


def open_and_close(plan: FleetPlan, state: FleetState, rows: I64, bin_id: I64, running: F64) -> I64:
    """Mind the ledger as the bins ``bin_id`` close; the places in ``rows`` that got a line.

    ``running`` (k,) is the share of the bin that the pump ran, NaN where not known.
    """
    begun = state.ledger_from[rows].astype(np.int64)
    on = (running > 0.999) | (np.isnan(running) & (state.pump_state[rows] == 1))
    span = np.where(begun > 0, bin_id - begun + 1, 0)
    lost = span > LONGEST_BINS + 3  # silence: what lies between is not known
    full = on & (span >= LONGEST_BINS) & ~lost
    ended = ~on & (span > SHORTEST_BINS) & ~lost
    start = on & ((begun == 0) | lost)
    at = np.flatnonzero(start)
    if len(at):
        state.ledger_from[rows[at]] = bin_id[at]
        state.ledger_fresh[rows[at]] = _was_empty(state, rows[at])
    state.ledger_from[rows[~on & (begun > 0)]] = 0
    due = np.flatnonzero(full | ended)
    if not len(due):
        return due
    reach = np.minimum(span[due], LONGEST_BINS)
    got = _write(plan, state, rows[due], reach, ended[due])
    state.ledger_bin[rows[due[got]]] = bin_id[due[got]]
    going_on = due[full[due]]
    state.ledger_from[rows[going_on]] = bin_id[going_on] + 1
    state.ledger_fresh[rows[going_on]] = False
    return due[got]


def _was_empty(state: FleetState, rows: I64) -> Bool:
    level = trace_window(state, rows, "level_at_rest", FRESH_BINS)
    return np.asarray((level < DRAINED_MM).any(axis=1), dtype=np.bool_)


def _write(plan: FleetPlan, state: FleetState, rows: I64, span: I64, ended: Bool) -> Bool:
    """Balance a stretch that ends with this bin, or with the one before; which got a line."""
    first, last = LONGEST_BINS - span, LONGEST_BINS - 1 - ended.astype(np.int64)
    place = np.arange(LONGEST_BINS)
    inside = (place >= first[:, None]) & (place <= last[:, None])

    def window(name: str) -> F64:
        return np.where(inside, trace_window(state, rows, name, LONGEST_BINS), np.nan)

    c_m, area = plan.makeup_us_cm[rows], plan.area_m2[rows]
    shut, pull_down = plan.float_shut_mm[rows], plan.pull_down_mm[rows]
    ratio = window("conductivity") / c_m[:, None]
    level = window("level_running")
    has_level = (~np.isnan(level)).sum(axis=1) >= LEAST_MEANS
    usual = shut - 0.5 * plan.float_band_mm[rows]
    level = np.where(has_level[:, None], level, usual[:, None])
    evaporation = window("evaporation")

    n = (~np.isnan(ratio)).sum(axis=1)
    mean = _mean(ratio)
    kept = (n >= LEAST_MEANS) & (mean >= LEAST_RATIO)
    middle = median(level)
    kept &= (middle <= shut + ABOVE_FLOAT_MM) & (middle >= plan.pump_minimum_mm[rows])
    kept &= ~_spoilt(state, rows)

    begin = first[:, None] + np.arange(END_BINS)
    end = last[:, None] - np.arange(END_BINS)
    ratio_0, ratio_1 = (median(np.take_along_axis(ratio, p, axis=1)) for p in (begin, end))
    level_0, level_1 = (median(np.take_along_axis(level, p, axis=1)) for p in (begin, end))
    minutes = (last - first + 1 - END_BINS) * (BIN_MS / 60_000.0)
    volume_0, volume_1 = area * (level_0 + pull_down), area * (level_1 + pull_down)
    known = (~np.isnan(evaporation)).sum(axis=1) >= LEAST_MEANS
    let_in = np.where(known, _mean(evaporation), np.nan) + (volume_1 - volume_0) / minutes
    gained = let_in - (volume_1 * ratio_1 - volume_0 * ratio_0) / minutes
    kept &= ~np.isnan(ratio_0) & ~np.isnan(ratio_1)

    i = np.flatnonzero(kept)
    row = rows[i]
    line = np.empty((len(i), 4))
    line[:, LET_IN], line[:, GAINED], line[:, RATIO] = let_in[i], gained[i], mean[i]
    line[:, FRESH] = np.where(state.ledger_fresh[row], ratio_0[i], np.nan)
    position = state.ledger_count[row] % LEDGER_LINES
    state.ledger[row, :, position] = line
    state.ledger_count[row] += 1
    return np.asarray(kept, dtype=np.bool_)


def _spoilt(state: FleetState, rows: I64) -> Bool:
    from rules.faults.registry import FAULT_INDEX  # noqa: PLC0415  # the registry needs bins

    columns = [FAULT_INDEX[s] for s in _SPOILT_BY]
    active = is_active(state.alarm_state[rows[:, None], columns])
    return np.asarray(active.any(axis=1), dtype=np.bool_)


def _mean(window: F64) -> F64:
    there = ~np.isnan(window)
    n = there.sum(axis=1)
    total = np.where(there, window, 0.0).sum(axis=1)
    return np.where(n > 0, total / np.maximum(n, 1), np.nan)
