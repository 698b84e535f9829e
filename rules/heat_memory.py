"""How long means of coil and pads are gathered before they are a baseline, and when void."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import I64
from rules.even_rise import forget_even
from rules.heat import BINS_AN_HOUR, UNKNOWN_LONG
from rules.plan import FleetPlan
from rules.settings import FLEET
from rules.state import STEADY, FleetState

__all__ = [
    "WETTED_PARTS", "forget", "forget_before_service", "forget_clean_effect", "forget_effect",
    "wanted_means",
]  # fmt: skip

_Q: Final = {q.name: i for i, q in enumerate(STEADY)}
RARE_SHARE: Final = 4
"""The share, one in so many, of the usual means that are enough once a week has gone."""
_NEVER: Final = 1_000_000_000
WETTED_PARTS: Final = ("pads", "distribution", "fans")
"""Parts whose work changes what wetted pads bring: water on them, and air through them."""


def forget(state: FleetState, row: int) -> None:
    """What was measured of coil and pads says nothing any more: what spoilt it is mended."""
    for name in ("td_dry", "td_wet"):
        state.steady[row, _Q[name]] = np.nan
        state.steady_count[row, _Q[name]] = 0
    state.heat_bins[row] = 0
    forget_effect(state, row)


def forget_before_service(state: FleetState, row: int) -> None:
    """Somebody was at the unit: the means of before say nothing of coil and pads of now.

    What is still to be learned goes on: a week that a visit falls into is as good as another.
    """
    for name in ("td_dry", "td_wet", "pad_pressure_drop"):
        q = _Q[name]
        if not np.isnan(state.baseline[row, q]):
            state.steady[row, q] = np.nan
            state.steady_count[row, q] = 0
    state.heat_bins[row] = 0
    forget_effect(state, row)


def forget_effect(state: FleetState, row: int) -> None:
    """The same of what dry and wet running say together of the pads, and of how long they do."""
    state.coil_since_bin[row] = state.leap_bin[row] = 0
    forget_even(state, row)
    state.switch_effect[row] = np.nan
    state.evaporation_share[row] = np.nan
    state.wet_td_k[row] = np.nan
    state.wet_depression_k[row] = np.nan
    state.dry_hold_bin[row] = 0


def forget_clean_effect(state: FleetState, row: int) -> None:
    """What wetted pads brought when clean, by meters and steps, is learned again."""
    state.evaporation_clean[row] = np.nan
    state.evaporation_hours[row] = 0
    state.step_clean[row] = np.nan


def wanted_means(plan: FleetPlan, state: FleetState, rows: I64, wanted: I64) -> I64:
    """How many means each baseline of each unit rests on, (k, quantities).

    Without a load a TD rests on what its first week or more brought, however little: the load's
    course over the week is part of it.
    """
    out = np.empty((len(rows), len(STEADY)), dtype=np.int64)
    out[:] = wanted[:, None] if wanted.ndim else wanted
    usual = np.broadcast_to(plan.settings.get(FLEET, "heat_baseline_bins", rows), len(rows))
    days = plan.settings.get(FLEET, "heat_baseline_no_load_days", rows)
    for i, name in enumerate(("td_dry", "td_wet")):
        count = state.steady_count[rows, _Q[name]]
        span_d = (state.bin_id[rows] - state.td_first_bin[rows, i]) / (24.0 * BINS_AN_HOUR)
        week = np.where(span_d >= days, np.clip(count, usual // 2, UNKNOWN_LONG), _NEVER)
        # A mode that it runs in now and then has few hours in a week: at a known load they do.
        rare = np.where(span_d >= days, np.clip(count, usual // RARE_SHARE, usual), usual)
        out[:, _Q[name]] = np.where(state.heat_load_seen[rows], rare, week)
    out[:, _Q["pad_pressure_drop"]] = usual
    return out
