"""Whether a conductivity reading fell at one stroke, farther than fresh water can thin a basin.

Water is replaced no faster than the float lets make-up in at such a level, and never faster than
its valve passes wide open. A reading that falls farther than that from one mean to the next but
one, and stays down while the pump stirs the water, tells of the probe. It needs neither the weather
nor the evaporation that it gives, so pads that do not wet cannot feign it. Whoever works on the
unit may replace the water by hose, and clean the probe: nothing is looked for meanwhile, and what
was found must show itself again.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.bin_times import bin_end_ms
from rules.drained import DRAINED_MM, PROBE_IN_AIR_FRAC
from rules.physics.water_balance import float_valve_flow_l_min
from rules.plan import FleetPlan
from rules.signals import INDEX
from rules.state import BIN_MS, TRACE, TRACE_BINS, FleetState

__all__ = ["close_step", "doubt_stroke", "fell_at_one_stroke"]

_T: Final = {name: i for i, name in enumerate(TRACE)}
_LEVEL: Final = INDEX["basin_level"]

STROKE_FRAC: Final = 0.8
"""A mean below this share of one ten minutes before may be a stroke: water that comes in near the
probe, and a probe's scatter, move it by less (judgement)."""
VALVE_TIMES: Final = 1.2
"""A float valve passes a fifth more than its full flow at high supply pressure (common
practice)."""
FLOAT_ERROR_MM: Final = 15.0
"""A float is set, and a level read, to within a centimetre and a half of the site file's figures
(common practice): so much below the reading the valve may stand."""
RISE_MM: Final = 5.0
"""Rise within ten minutes that is more than waves and resolution."""
VOLUME_TIMES: Final = 0.8
"""Basin corners and fittings take room, and nameplate areas are rough (judgement)."""
MAKEUP_TIMES: Final = 0.85
"""Make-up softer than the site file says, as it varies over a year (common practice)."""
STOOD_BACK: Final = range(2, 9)
"""Bins back from a fall in which the reading must have stood above: half an hour, longer than
electrical trouble, a dip of the probe or a lump of salt lasts (judgement)."""
LEAST_STOOD: Final = 4
"""Of those, with a reading: a frame every few minutes may leave some empty."""
STIRRED_BINS: Final = 12
"""An hour of running after the stroke, by when a basin is stirred several times over: what is still
down then is no cloud of fresh water at the probe (common practice)."""
FORGOTTEN_BINS: Final = 2016
"""A week: by then somebody has compared the reading with a hand meter, or it is the water."""


def close_step(
    plan: FleetPlan, state: FleetState, rows: I64, bin_id: I64, pump_running: F64, now: F64
) -> None:
    """Look for a stroke in the bins of ``rows`` that are just closing, and mind the last one.

    ``bin_id`` is the bin, whose means are in the trace already; ``pump_running`` the share of it,
    ``now`` its conductivity, (k,).
    """
    before = _mean(state, rows, bin_id - 2, "conductivity")
    held = state.stroke_from_us_cm[rows] > 0
    fell = now < STROKE_FRAC * before
    if held.any():
        _mind(state, rows[held], bin_id[held], now[held], before[held], pump_running[held])
    at = np.flatnonzero(fell & ~held & (state.out_of_service_until_ms[rows] == 0))
    if not len(at):
        return
    row, now = rows[at], now[at]
    # A reading that only leapt up, and is back, fell from nowhere.
    stood = np.stack([_mean(state, row, bin_id[at] - back, "conductivity") for back in STOOD_BACK])
    enough = (~np.isnan(stood)).sum(axis=0) >= LEAST_STOOD
    before = np.where(enough, np.where(np.isnan(stood), np.inf, stood).min(axis=0), np.nan)
    thinnest = np.fmax(
        _thinnest_us_cm(plan, state, row, bin_id[at], 2, before),
        # What was still up a bin ago has had half the time.
        _thinnest_us_cm(
            plan, state, row, bin_id[at], 1,
            np.minimum(before, _mean(state, row, bin_id[at] - 1, "conductivity")),
        ),
    )  # fmt: skip
    stroke = (now < STROKE_FRAC * thinnest) & (now > PROBE_IN_AIR_FRAC * plan.makeup_us_cm[row])
    row, now, before = row[stroke], now[stroke], before[stroke]
    state.stroke_from_us_cm[row] = before
    state.stroke_to_us_cm[row] = now
    state.stroke_bins[row] = 0
    state.stroke_run_bins[row] = 0


def _thinnest_us_cm(
    plan: FleetPlan, state: FleetState, row: I64, bin_id: I64, span: int, before: F64
) -> F64:
    """The least that stirred water can be, ``span`` bins after it was at ``before``, (k,).

    NaN where the level does not show that the basin held water at both ends. Without a level only a
    pump that ran all the while shows that it was not drained and filled anew. What holds from one
    moment to the other holds for the means of two bins as well.
    """
    bottom = plan.float_shut_mm[row] - plan.float_band_mm[row]
    levels = np.stack([_level(state, row, bin_id - back) for back in (0, span)])
    sent = state.value_ms[row, _LEVEL] > 0
    ran_ms = bin_end_ms(plan, row, bin_id) - state.pump_changed_ms[row]
    ran = (state.pump_state[row] == 1) & (ran_ms >= max(STOOD_BACK) * BIN_MS)
    wet = np.where(sent, (levels >= bottom).all(axis=0) & ~np.isnan(levels).any(axis=0), ran)
    depth = np.where(sent, np.fmin(levels[0], levels[1]), bottom)
    area = plan.area_m2[row]
    held_l = VOLUME_TIMES * area * np.where(wet, depth, np.nan)
    full = plan.makeup_max_l_min[row]
    passes = float_valve_flow_l_min(
        np.maximum(depth - FLOAT_ERROR_MM, 0.0),
        plan.float_shut_mm[row],
        plan.float_band_mm[row],
        full,
    )
    minutes = span * BIN_MS / 60_000.0
    # A basin that rises faster than its float could fill it, or stands at its lip, has a valve
    # that its level says nothing of. After a turn of the bleed it rises as the float lets it.
    rose_l = (levels[0] - levels[1] - RISE_MM) * area
    blind = (rose_l > passes * minutes) | (depth > plan.overflow_mm[row] - FLOAT_ERROR_MM)
    came_l = VALVE_TIMES * np.where(sent & ~blind, passes, full) * minutes
    # A stirred basin with that much through it.
    softest = MAKEUP_TIMES * plan.makeup_us_cm[row]
    thinnest: F64 = softest + (before - softest) * np.exp(-came_l / held_l)
    return thinnest


def _mind(
    state: FleetState, rows: I64, bin_id: I64, now: F64, before: F64, pump_running: F64
) -> None:
    """Count on from the last stroke; forget it when the reading comes back or the water goes."""
    middle = 0.5 * (state.stroke_from_us_cm[rows] + state.stroke_to_us_cm[rows])
    bins, stirred = state.stroke_bins[rows], state.stroke_run_bins[rows]
    # Back at one stroke as it went, or by mixing.
    back = STROKE_FRAC * now > before
    back |= (stirred < STIRRED_BINS) & (now > middle)
    gone = (_level(state, rows, bin_id) < DRAINED_MM) | (bins >= FORGOTTEN_BINS)
    forget = back | gone
    state.stroke_bins[rows] = bins + np.uint16(1)
    state.stroke_run_bins[rows] = stirred + ((pump_running >= 1.0) & (stirred < STIRRED_BINS))
    state.stroke_from_us_cm[rows[forget]] = 0.0


def _mean(state: FleetState, rows: I64, bin_id: I64, name: str) -> F64:
    # One flat index: picking by three takes several times as long.
    at = (rows * len(TRACE) + _T[name]) * TRACE_BINS + bin_id % TRACE_BINS
    mean: F64 = state.trace.reshape(-1).take(at).astype(np.float64)
    return mean


def _level(state: FleetState, rows: I64, bin_id: I64) -> F64:
    """Level in a bin, of whichever state it was measured in, (k,). [mm]"""
    running, at_rest = (_mean(state, rows, bin_id, n) for n in ("level_running", "level_at_rest"))
    return np.where(np.isnan(running), at_rest, running)


def doubt_stroke(state: FleetState, row: int) -> None:
    """Somebody was at the unit: a reading that is back in the first stirred hour fell no more."""
    state.stroke_run_bins[row] = 0


def fell_at_one_stroke(state: FleetState, rows: I64) -> Bool:
    """Units whose reading fell at one stroke lately and stayed down in stirred water, (k,)."""
    found: Bool = (state.stroke_from_us_cm[rows] > 0) & (
        state.stroke_run_bins[rows] >= STIRRED_BINS
    )
    return found
