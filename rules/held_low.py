"""Water that leaves a basin at rest as fast as an open float lets it in.

A float that stands well below its shut level is open, and fills a basin at rest within minutes.
Where the level stands still there for an hour, either nothing comes in, or as much leaves. The
solids tell which: water that is replaced thins towards the make-up, and soon is as thin as that,
so that a look over the last hour no longer shows it. Compared is the end of the run before.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64
from rules.balance import FLOAT_ERROR_FRAC, LEAST_MAKEUP_FRAC
from rules.bin_rings import median_last_axis, trace_windows
from rules.float_rest import SET_HIGH_MM
from rules.physics.water_balance import float_valve_flow_l_min
from rules.plan import FleetPlan
from rules.state import TRACE_BINS, FleetState

__all__ = ["held_low_l_min", "thinned_since_run_frac"]

_NAMES: Final = ("level_at_rest", "level_running", "conductivity")
_RECENT_BINS: Final = 3
_HOUR_BINS: Final = 12
STILL_MM: Final = 3.0
"""Change within an hour up to which a level at rest stands still: waves and resolution
(judgement)."""


def thinned_since_run_frac(state: FleetState, rows: I64) -> F64:
    """How far the water at rest is thinner than at the end of the run before, of that, (k,).

    Less what the float's filling since then accounts for if it were all fresh water. NaN where the
    run ended longer ago than the trace reaches.
    """
    rest, ran, us_cm = trace_windows(state, rows, _NAMES, TRACE_BINS)
    there = ~np.isnan(ran) & ~np.isnan(us_cm)
    last = TRACE_BINS - 1 - np.argmax(there[:, ::-1], axis=1)[:, None]
    level_then, then = (np.take_along_axis(a, last, axis=1)[:, 0] for a in (ran, us_cm))
    level, now = (median_last_axis(a[:, -_RECENT_BINS:]) for a in (rest, us_cm))
    with np.errstate(divide="ignore", invalid="ignore"):
        filled = np.maximum(level - level_then, 0.0) / level
        return np.where(there.any(axis=1), (then - now) / then - filled, np.nan)


def held_low_l_min(plan: FleetPlan, state: FleetState, rows: I64, thinning_frac: F64) -> F64:
    """The least that leaves basins at rest and is replaced, (k,); NaN where this does not show.

    Parameters
    ----------
    plan, state : FleetPlan, FleetState
        Nameplates, and what is known of the units.
    rows : (k,) array
        Units at rest for an hour and more.
    thinning_frac : (k,) array
        Fall of the conductivity since the run, of its value then, that counts.

    Returns
    -------
    (k,) array
        What the float lets in at its position at the least: set as far below the site file as
        floats are. [L/min]
    """
    (rest,) = trace_windows(state, rows, _NAMES[:1], _RECENT_BINS + _HOUR_BINS)
    now = median_last_axis(rest[:, -_RECENT_BINS:])
    still = np.abs(now - median_last_axis(rest[:, :_RECENT_BINS])) <= STILL_MM
    at = np.flatnonzero(still & (now <= plan.float_shut_mm[rows] - SET_HIGH_MM))
    lost = np.full(len(rows), np.nan)
    if not len(at):
        return lost
    row = rows[at]
    (us_cm,) = trace_windows(state, row, _NAMES[2:], _RECENT_BINS)
    # Thinner than any make-up, it is not the basin's water that is read.
    wetted = median_last_axis(us_cm) >= LEAST_MAKEUP_FRAC * plan.makeup_us_cm[row]
    thinned = thinned_since_run_frac(state, row) >= np.broadcast_to(thinning_frac, len(rows))[at]
    least = (1.0 - FLOAT_ERROR_FRAC) * float_valve_flow_l_min(
        now[at] + SET_HIGH_MM,
        plan.float_shut_mm[row],
        plan.float_band_mm[row],
        plan.makeup_max_l_min[row],
    )
    lost[at] = np.where(wetted & thinned, least, np.nan)
    return lost
