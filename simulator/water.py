"""Water and dissolved solids of the basin.

One implicit step of the balance ``A dh/dt = make-up(h) - out - overflow(h)``. The float valve and
the overflow are straight lines in the level, so the step is solved exactly, stays stable at any
length, and water is neither made nor lost. Units: mm, L, L/min, min; an area in m² times a height
in mm is a volume in L.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["BasinFlows", "BasinPlate", "BasinState", "step_basin"]

FloatArray = NDArray[np.float64]

_FILL_TAU_MIN = 0.35
_DRAIN_BACK_TAU_MIN = 0.8
_OVERFLOW_HEAD_MM = 15.0
"""Head over the lip at which the overflow carries 1.3 times the fullest make-up flow."""


@dataclass(frozen=True)
class BasinPlate:
    """Columns (n,) of the site files' ``[units.basin]`` and ``[units.water]``."""

    area_m2: FloatArray
    float_shut_mm: FloatArray
    float_band_mm: FloatArray
    overflow_mm: FloatArray
    makeup_max_l_min: FloatArray
    pull_down_mm: FloatArray
    makeup_us_cm: FloatArray

    @property
    def overflow_l_min_mm(self) -> FloatArray:
        """Flow over the lip a millimetre of head, a straight line in place of a weir's curve."""
        return 1.3 * self.makeup_max_l_min / _OVERFLOW_HEAD_MM


@dataclass
class BasinState:
    """Columns (n,): level, water held in pads and pipes, solids as conductivity times volume."""

    level_mm: FloatArray
    held_l: FloatArray
    solids_l_us_cm: FloatArray

    def volume_l(self, plate: BasinPlate) -> FloatArray:
        """All the water of the unit. [L]"""
        return plate.area_m2 * self.level_mm + self.held_l

    def conductivity_us_cm(self, plate: BasinPlate) -> FloatArray:
        """Conductivity at 25 °C, solids counted as proportional to it. [µS/cm]"""
        return self.solids_l_us_cm / np.maximum(self.volume_l(plate), 1.0)


@dataclass(frozen=True)
class BasinFlows:
    """What crossed the unit's boundary in one step, columns (n,). [L/min] and [L µS/cm]"""

    makeup_l_min: FloatArray
    evaporation_l_min: FloatArray
    bleed_l_min: FloatArray
    drain_l_min: FloatArray
    overflow_l_min: FloatArray
    solids_in_l_us_cm: FloatArray
    solids_out_l_us_cm: FloatArray


def step_basin(
    plate: BasinPlate,
    state: BasinState,
    dt_min: float,
    *,
    evaporation_l_min: FloatArray,
    bleed_l_min: FloatArray,
    drain_l_min: FloatArray,
    held_target_l: FloatArray,
    opening_low: FloatArray,
    opening_high: FloatArray,
    supply_frac: FloatArray,
    makeup_us_cm: FloatArray,
) -> BasinFlows:
    """Step the basin in place by ``dt_min`` and return the flows of the step.

    ``opening_low`` and ``opening_high`` (0 to 1) bound the float valve's opening: a valve stuck
    open has a low bound above 0, one stuck shut a high bound below 1. ``supply_frac`` is the
    share of its supply that the valve still gets. Demands greater than the water present are cut
    in proportion, so the level never falls below the floor.
    """
    area = plate.area_m2
    level = state.level_mm
    tau = np.where(held_target_l > state.held_l, _FILL_TAU_MIN, _DRAIN_BACK_TAU_MIN)
    to_pads = (held_target_l - state.held_l) * (1.0 - np.exp(-dt_min / tau))
    to_pads = np.minimum(to_pads, 0.9 * area * level)
    state.held_l = state.held_l + to_pads

    demand = evaporation_l_min + bleed_l_min + drain_l_min
    present = np.maximum(area * level - to_pads, 0.0) / dt_min
    share = np.minimum(1.0, present / np.maximum(demand, 1e-9))
    evaporation, bleed, drain = (
        share * evaporation_l_min,
        share * bleed_l_min,
        share * drain_l_min,
    )
    out = evaporation + bleed + drain + to_pads / dt_min

    supply = plate.makeup_max_l_min * supply_frac
    per_l_min = dt_min / area  # mm of level for one L/min over the step
    slope = supply / plate.float_band_mm
    in_band = (level + (slope * plate.float_shut_mm - out) * per_l_min) / (1.0 + slope * per_l_min)
    # The balance is monotone in the level, so a solution beyond an end of the valve's travel means
    # that the true solution has the valve at that end.
    opening = np.minimum(
        np.maximum((plate.float_shut_mm - in_band) / plate.float_band_mm, opening_low), opening_high
    )
    makeup = supply * opening
    new = level + (makeup - out) * per_l_min
    spill = plate.overflow_l_min_mm
    over = new > plate.overflow_mm
    new = np.where(
        over, (new + spill * plate.overflow_mm * per_l_min) / (1 + spill * per_l_min), new
    )
    overflow = np.where(over, spill * (new - plate.overflow_mm), 0.0)
    state.level_mm = np.maximum(new, 0.0)  # guards rounding only

    solids_in = makeup * dt_min * makeup_us_cm
    leaving = (bleed + drain + overflow) * dt_min
    total = state.solids_l_us_cm + solids_in
    solids_out = total * leaving / np.maximum(state.volume_l(plate) + leaving, 1e-9)
    state.solids_l_us_cm = total - solids_out
    return BasinFlows(makeup, evaporation, bleed, drain, overflow, solids_in, solids_out)
