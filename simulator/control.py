"""The site's own controller: wet mode, pump, bleed valve and the draining of idle basins.

What a plain packaged controller does (common practice): wet mode by air temperature with
hysteresis, the pump follows wet mode, bleed by conductivity or in step with the pump, and, where
so set, the basin is drained when the unit has been dry for a while and refilled before the pump
may start.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ControlPlate", "ControlState", "step_bleed", "step_control"]

FloatArray = NDArray[np.float64]

_FROST_DRAIN_DEGC = 3.0
_BLEED_HYSTERESIS = 0.07  # share of the setpoint
_TIMED_PERIOD_S = 3600.0

BLEED_WITH_PUMP, BLEED_TIMED, BLEED_BY_CONDUCTIVITY = 0, 1, 2


@dataclass(frozen=True)
class ControlPlate:
    """Columns (n,) of control settings.

    ``bleed_kind`` is 0 for a bleed that runs with the pump, 1 for a timed one (a share of each
    hour), 2 for one that follows conductivity. ``bleed_share`` is the open share of a timed bleed.
    ``drain_after_s`` is how long a unit may be dry before its basin is drained, infinity for never;
    ``frost_drain`` 1 drains it too when the air nears freezing.
    """

    wet_on_degc: FloatArray
    wet_hysteresis_k: FloatArray
    drain_after_s: FloatArray
    frost_drain: FloatArray
    refilled_mm: FloatArray
    bleed_kind: NDArray[np.int64]
    bleed_l_min: FloatArray
    bleed_share: FloatArray
    bleed_setpoint_us_cm: FloatArray


@dataclass
class ControlState:
    """Columns (n,): 0/1 flags as floats, and seconds since the unit went dry."""

    wet: FloatArray
    dry_for_s: FloatArray
    draining: FloatArray
    frost_drained: FloatArray
    filling: FloatArray
    bleeding: FloatArray


def step_control(
    plate: ControlPlate,
    state: ControlState,
    dt_s: float,
    *,
    air_degc: FloatArray,
    level_mm: FloatArray,
    allow_wet: FloatArray,
    force_wet: FloatArray,
    drain_order: FloatArray,
) -> FloatArray:
    """Step the controller in place; returns the pump command (0 or 1).

    ``allow_wet`` 0 locks wet mode out, ``force_wet`` 1 asks for it whatever the weather,
    ``drain_order`` 1 keeps the basin drained.
    """
    above = air_degc > plate.wet_on_degc
    below = air_degc < plate.wet_on_degc - plate.wet_hysteresis_k
    wet = np.where(above, 1.0, np.where(below, 0.0, state.wet))
    wet = np.maximum(wet, force_wet) * allow_wet * (1.0 - drain_order)
    state.wet = wet
    state.dry_for_s = np.where(wet > 0.0, 0.0, state.dry_for_s + dt_s)
    due = (state.dry_for_s > plate.drain_after_s).astype(np.float64)
    # Drained for frost, a basin stays empty until the unit has to run wet again.
    cold = (air_degc < _FROST_DRAIN_DEGC) * plate.frost_drain
    state.frost_drained = np.maximum(cold, state.frost_drained) * (wet == 0.0)
    draining = np.maximum(np.maximum(due, state.frost_drained), drain_order)
    refill = (state.draining > 0.0) & (draining == 0.0)
    filling = np.where(refill, 1.0, state.filling)
    state.filling = np.where(level_mm >= plate.refilled_mm, 0.0, filling) * (draining == 0.0)
    state.draining = draining
    return np.asarray(wet * (1.0 - state.filling))


def step_bleed(
    plate: ControlPlate,
    state: ControlState,
    time_s: float,
    conductivity_us_cm: FloatArray,
    running: FloatArray,
    setpoint_factor: FloatArray,
) -> FloatArray:
    """Step the bleed valve in place; returns its opening, 0 or 1 (0 while the pump rests).

    ``conductivity_us_cm`` is what the probe shows, ``setpoint_factor`` the setpoint over what it
    should be.
    """
    setpoint = plate.bleed_setpoint_us_cm * setpoint_factor
    above = conductivity_us_cm > setpoint
    below = conductivity_us_cm < setpoint * (1.0 - _BLEED_HYSTERESIS)
    by_probe = np.where(above, 1.0, np.where(below, 0.0, state.bleeding))
    timed = ((time_s % _TIMED_PERIOD_S) / _TIMED_PERIOD_S < plate.bleed_share).astype(np.float64)
    kind = plate.bleed_kind
    opening = np.where(kind == BLEED_BY_CONDUCTIVITY, by_probe, np.where(kind == 1, timed, 1.0))
    state.bleeding = opening * running
    return state.bleeding
