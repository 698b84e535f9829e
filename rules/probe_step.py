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
NOTHING_TIMES: Final = 0.1
"""Share of the make-up's conductivity below which the probe hangs in air or is unplugged: that is
told at once, and by itself."""
STIRRED_BINS: Final = 12
"""An hour of running after the stroke, by when a basin is stirred several times over: what is still
down then is no cloud of fresh water at the probe (common practice)."""
FORGOTTEN_BINS: Final = 2016
"""A week: by then somebody has compared the reading with a hand meter, or it is the water."""
DRAINED_MM: Final = 20.0
"""Below this level probes stand in air and the basin counts as drained (common practice)."""


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
    c_m = plan.makeup_us_cm[row]
    bottom = plan.float_shut_mm[row] - plan.float_band_mm[row]
    levels = np.stack([_level(state, row, bin_id[at] - back) for back in (0, 2)])
    sent = state.value_ms[row, _LEVEL] > 0
    # Where a level is sent it must show that the basin held water before and after.
    wet = ~sent | ((levels >= bottom).all(axis=0) & ~np.isnan(levels).any(axis=0))
    depth = np.where(sent, np.fmin(levels[0], levels[1]), bottom)
    held_l = VOLUME_TIMES * plan.area_m2[row] * np.where(wet, depth, np.nan)
    full = plan.makeup_max_l_min[row]
    passes = float_valve_flow_l_min(
        np.maximum(depth - FLOAT_ERROR_MM, 0.0),
        plan.float_shut_mm[row],
        plan.float_band_mm[row],
        full,
    )
    # A basin that rises, or stands at its lip, has a valve that its level says nothing of.
    blind = (levels[0] - levels[1] > RISE_MM) | (depth > plan.overflow_mm[row] - FLOAT_ERROR_MM)
    came_l = VALVE_TIMES * np.where(sent & ~blind, passes, full) * 2.0 * BIN_MS / 60_000.0
    # A stirred basin with that much through it: the thinnest that it can be.
    left = np.exp(-came_l / held_l)
    softest = MAKEUP_TIMES * c_m
    thinnest = softest + (before - softest) * left
    stroke = wet & (now < STROKE_FRAC * thinnest) & (now > NOTHING_TIMES * c_m)
    row, now, before = row[stroke], now[stroke], before[stroke]
    state.stroke_from_us_cm[row] = before
    state.stroke_to_us_cm[row] = now
    state.stroke_bins[row] = 0
    state.stroke_run_bins[row] = 0


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
