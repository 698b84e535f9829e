"""Measured against expected: the residuals that the faults are judged by.

The physics is in :mod:`rules.physics`; here it meets a unit's baselines and nameplate. Every
residual comes with its uncertainty or with NaN, never with a guess.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rules.arrays import F64, I8, I64, Bool
from rules.physics.pump import flow_estimate
from rules.physics.refrigerant import condensing_temperature_degc
from rules.plan import FleetPlan

if TYPE_CHECKING:
    from rules.bins import BinView

__all__ = [
    "FLOW_WINDOW_BINS",
    "WaterFlow",
    "flow_by_current",
    "head_margin_k",
    "sign",
    "water_flow",
]

FLOW_WINDOW_BINS: Final = 12
"""Running time whose median is compared with the baseline: one hour."""
LEAST_BINS: Final = 8
MEDIAN_FACTOR: Final = 1.2533
"""Standard error of a median of n normal values, times sqrt(n) over their deviation."""
PRESSURE_MODEL_ERROR_FRAC: Final = 0.15
"""Share of a loss of flow by which the square-root law may be wrong (static head, judgement)."""
BELOW_SHUTOFF_SD: Final = 0.2
"""Uncertainty of 'no flow' where the current is below that of the shut-off point (judgement)."""


@dataclass(frozen=True)
class WaterFlow:
    """Water over the pads against the clean baseline; arrays (k,), NaN where not known.

    ``*_frac`` are medians of the last running hour over the baseline; ``*_se`` their standard
    errors. ``flow_frac`` is the best estimate of the flow from all witnesses, ``flow_se`` its
    uncertainty with that of the models; ``fresh`` says that the closed bin added to it.
    """

    current_frac: F64
    current_se: F64
    pressure_frac: F64
    pressure_se: F64
    meter_frac: F64
    meter_se: F64
    flow_frac: F64
    flow_se: F64
    fresh: Bool


def _against_baseline(view: BinView, quantity: str) -> tuple[F64, F64]:
    median, n = view.steady_median(quantity, FLOW_WINDOW_BINS)
    base, spread = view.baseline(quantity), view.baseline_spread(quantity)
    enough = (n >= LEAST_BINS) & (base > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        frac = np.where(enough, median / base, np.nan)
        error = MEDIAN_FACTOR * spread / base
        # the baseline's own error, and that of the window
        se = np.where(enough, error * np.sqrt(1.0 / n + 1.0 / 72.0), np.nan)
    return frac, se


def _by_current(view: BinView, current: F64, current_se: F64) -> tuple[F64, F64]:
    plan, rows = view.plan, view.rows
    base_a = view.baseline("pump_current")
    with np.errstate(divide="ignore", invalid="ignore"):
        # The learned current stands in for the nameplate's: its magnetising share is larger.
        share = plan.pump_magnetising_frac[rows] * plan.pump_rated_current_a[rows] / base_a
    share = np.minimum(share, 0.9)
    flow, flow_sd = flow_estimate(current, share, plan.pump_shutoff_frac[rows], current_se)
    # Less current than at shut-off: no water, or nearly none.
    dead = np.isnan(flow) & (current < 0.95)
    return np.where(dead, 0.0, flow), np.where(dead, BELOW_SHUTOFF_SD, flow_sd)


def flow_by_current(view: BinView, current_frac: F64) -> F64:
    """Flow over the clean flow that goes with a current over the clean current, (k,)."""
    return _by_current(view, current_frac, np.zeros(len(current_frac)))[0]


def water_flow(view: BinView, fresh: Bool) -> WaterFlow:
    """The water-flow residual of units whose bin has just closed."""
    current, current_se = _against_baseline(view, "pump_current")
    pressure, pressure_se = _against_baseline(view, "spray_pressure")
    meter, meter_se = _against_baseline(view, "spray_flow")

    by_current, by_current_sd = _by_current(view, current, current_se)
    # Less pressure behind the same holes is less water, by the orifice law. More pressure means
    # the holes have changed: then pressure says nothing of the flow.
    by_pressure = np.where(pressure < 1.0, np.sqrt(np.maximum(pressure, 0.0)), np.nan)
    by_pressure_sd = np.hypot(0.5 * pressure_se, PRESSURE_MODEL_ERROR_FRAC * (1.0 - by_pressure))
    estimates = np.stack([by_current, by_pressure, meter])
    total = np.stack([by_current_sd, by_pressure_sd, meter_se]) + 0.005
    there = ~np.isnan(estimates) & ~np.isnan(total)
    weight = np.where(there, 1.0 / np.where(there, total, 1.0) ** 2, 0.0)
    sum_weight = weight.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        flow = np.where(
            sum_weight > 0,
            (weight * np.where(there, estimates, 0.0)).sum(axis=0) / sum_weight,
            np.nan,
        )
        flow_se = np.where(sum_weight > 0, 1.0 / np.sqrt(sum_weight), np.nan)
    return WaterFlow(
        current, current_se, pressure, pressure_se, meter, meter_se, flow, flow_se, fresh
    )


def sign(frac: F64, se: F64, least: F64 | float, unknown: int = 2) -> I8:
    """+1, -1 or 0 for a ratio to baseline that moved by ``least`` and three standard errors.

    ``unknown`` stands for NaN.
    """
    limit = np.fmax(least, 3.0 * se)
    out = np.where(frac - 1.0 >= limit, 1, np.where(1.0 - frac >= limit, -1, 0))
    return np.where(np.isnan(frac), unknown, out).astype(np.int8)


PSEUDO_K_PER_FRAC: Final = 5.0 / 0.07
"""Above the critical point there is no condensing temperature: 7 % below the cut-out pressure
counts as 5 K (about what it is for the subcritical refrigerants, by their saturation tables)."""


def head_margin_k(plan: FleetPlan, rows: I64, pressure_kpa_abs: F64) -> F64:
    """Condensing temperature at the cut-out less that at the head pressure, (k,). [K]

    NaN where the pressure is not known. Above the critical point the margin is made from pressures
    (see :data:`PSEUDO_K_PER_FRAC`).
    """
    now = condensing_temperature_degc(pressure_kpa_abs, plan.refrigerant_index[rows])
    margin = plan.cut_out_degc[rows] - now
    by_pressure = (1.0 - pressure_kpa_abs / plan.cut_out_kpa_abs[rows]) * PSEUDO_K_PER_FRAC
    return np.where(np.isnan(margin), by_pressure, margin)
