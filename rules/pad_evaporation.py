"""What the pads evaporate by the meters, against what weather and airflow ask of wetted pads.

Where make-up and bleed are both metered, what came in, did not leave, and is not in the basin has
evaporated. Its share of what full wetting would evaporate at this weather and airflow is the pads'
effect, whatever the load. Nameplates and idle fans make the clean share other than 1, so it is
learned from the unit's own first hours.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import may_stand
from rules.arrays import F64, I64
from rules.bin_rings import median_last_axis, trace_windows
from rules.heat import BINS_AN_HOUR
from rules.plan import FleetPlan
from rules.signals import INDEX
from rules.state import FleetState

__all__ = ["LEARNED_HOURS", "close_evaporation", "evaporated_share"]

_METERS: Final = [INDEX["makeup_flow"], INDEX["bleed_flow"]]
SOAK_BINS: Final = 4
"""Dry pads take some 20 minutes to soak, with water out of the basin (common practice)."""
LEARNED_HOURS: Final = 24
"""Hours of wet running that the clean share is the mean of."""
LEAST_ASKED_FRAC: Final = 0.05
"""Share of the design evaporation below which meters say little of it."""
ALL_BELOW_FRAC: Final = 0.75
"""Each of the kept hours is below this share of the clean one, or nothing is lost: airflow moves
the share by a tenth or two either way (idle fans let air back, pads do less at full airflow)."""


def close_evaporation(plan: FleetPlan, state: FleetState, rows: I64, bin_id: I64) -> None:
    """Take in the hour that is over of those units that ran wet all through it, with both meters.

    ``bin_id`` (k,) are the bins just closed. The clean share is learned while no alarm stands or is
    held, as a baseline is.
    """
    due = bin_id % BINS_AN_HOUR == 0
    due &= (state.value_ms[rows[:, None], _METERS] > 0).all(axis=1)
    due &= state.out_of_service_until_ms[rows] == 0
    row = rows[due]
    if not len(row):
        return
    names = ("level_running", "evaporation", "makeup_flow", "bleed_flow")
    level, asked, made_up, bled = trace_windows(state, row, names, SOAK_BINS + BINS_AN_HOUR)
    ran = (asked > 0.0).all(axis=1)
    # From the middle of the first two levels to that of the last two: ten bins.
    hour = np.s_[:, SOAK_BINS + 1 : -1]
    asked, made_up, bled = (flow[hour].mean(axis=1) for flow in (asked, made_up, bled))
    rose_mm = level[:, -2:].mean(axis=1) - level[:, SOAK_BINS : SOAK_BINS + 2].mean(axis=1)
    stored = rose_mm * plan.area_m2[row] / (5.0 * (BINS_AN_HOUR - 2))
    ran &= asked >= LEAST_ASKED_FRAC * plan.design_evaporation_l_min[row]
    share = np.where(ran, (made_up - bled - stored) / np.where(ran, asked, 1.0), np.nan)
    told = ~np.isnan(share)
    row, share = row[told], np.clip(share[told], 0.0, 4.0)
    if not len(row):
        return
    ring = state.evaporation_share[row]
    ring[:, :-1] = ring[:, 1:]
    ring[:, -1] = share
    state.evaporation_share[row] = ring
    learns = state.evaporation_hours[row] < LEARNED_HOURS
    learns &= ~may_stand(state.alarm_state[row]).any(axis=1) & ~state.baseline_frozen[row]
    row, share = row[learns], share[learns]
    n = state.evaporation_hours[row] + 1
    state.evaporation_hours[row] = n
    old = state.evaporation_clean[row].astype(np.float64)
    state.evaporation_clean[row] = np.where(n == 1, share, old + (share - old) / n)


def evaporated_share(state: FleetState, rows: I64) -> F64:
    """Evaporation over the clean one at equal weather and airflow, (k,): 1 where nothing is lost.

    NaN where the clean one is not known, or the newest hours are too few.
    """
    ring = state.evaporation_share[rows].astype(np.float64)
    clean = state.evaporation_clean[rows].astype(np.float64)
    known = (state.evaporation_hours[rows] >= LEARNED_HOURS) & ~np.isnan(ring).any(axis=1)
    known &= clean > 0.0
    share = np.where(known[:, None], ring, np.nan) / np.where(known, clean, 1.0)[:, None]
    sure = (share <= ALL_BELOW_FRAC).all(axis=1)
    middle = median_last_axis(share)
    out: F64 = np.where(known & ~sure, np.fmax(middle, 1.0), middle)
    return out
