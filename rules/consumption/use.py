"""A unit's use of water and energy in a period, and what each fault had of it.

Faults are counted over the time that their alarms stood. Waste is what came in beyond what the
intended cycles need; where several faults stood at once each has an equal part.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from rules.arrays import F64
from rules.balance import EVAPORATION_ERROR_FRAC, METER_ERROR_FRAC
from rules.consumption.energy import (
    COMPRESSOR_SHARE_ERROR_FRAC,
    POWER_RISE_ERROR_FRAC,
    POWER_RISE_FRAC_PER_K,
    RAISED_ERROR_K,
    STEP_H,
    CleanTd,
    Energy,
    energy_of,
)
from rules.consumption.figures import Amount, Share, UnitUse
from rules.consumption.trace import STEP_MS, FaultSpan, Trace
from rules.consumption.water import STEP_MIN, Water, water_of

__all__ = ["ENERGY_FAULTS", "FAN_FAULTS", "WATER_FAULTS", "unit_use"]

WATER_FAULTS: Final = ("float-stuck-open", "float-leaking", "bleed-stuck-open")
"""Faults that let water go."""
FAN_FAULTS: Final = ("fan-fault", "fan-not-proven", "fan-capacity-lost")
ENERGY_FAULTS: Final = (
    *FAN_FAULTS, "coil-fouled", "pads-clogged", "pads-not-wetting", "pump-not-running",
    "pump-screen-clogging", "pump-drawing-air", "distribution-restricted", "float-stuck-shut",
    "head-pressure-high",
)  # fmt: skip
"""Faults by which a unit condenses above its clean state."""


def unit_use(trace: Trace, clean_td_k: CleanTd, spans: Sequence[FaultSpan] = ()) -> UnitUse:
    """All figures of one unit.

    Parameters
    ----------
    trace : Trace
        Its means of the period.
    clean_td_k : CleanTd
        Learned baselines, see :func:`rules.consumption.energy.energy_of`. [K]
    spans : sequence of FaultSpan
        When its alarms stood; those of other faults are left out.
    """
    water = water_of(trace)
    lost = trace.during([s for s in spans if s.fault in FAN_FAULTS])
    energy = energy_of(trace, clean_td_k, lost)
    spans = [s for s in spans if not s.explained]
    named = [f for f in (*WATER_FAULTS, *ENERGY_FAULTS) if any(s.fault == f for s in spans)]
    during = {f: trace.during([s for s in spans if s.fault == f]) for f in named}
    stood = {f: at for f, at in during.items() if at.any()}
    wasters = sum((stood[f].astype(float) for f in stood if f in WATER_FAULTS), np.zeros(trace.n))
    takers = sum((stood[f].astype(float) for f in stood if f in ENERGY_FAULTS), np.zeros(trace.n))
    faults = tuple(
        Share(
            fault,
            float(at.sum()) * STEP_MS / 3_600_000.0,
            _wasted(trace, water, at, wasters)
            if fault in WATER_FAULTS
            else Amount.unknown("This fault lets no water go."),
            _taken(trace, energy, at, takers)
            if fault in ENERGY_FAULTS
            else Amount.unknown("This fault does not raise the condensing temperature."),
        )
        for fault, at in stood.items()
    )
    return UnitUse(
        trace.start_ms,
        trace.start_ms + trace.n * STEP_MS,
        water.amounts | energy.amounts | {"heard": _heard(trace)},
        faults,
        water.notes,
    )


def _heard(trace: Trace) -> Amount:
    any_of_them = np.zeros(trace.n, dtype=bool)
    for values in trace.mean.values():
        any_of_them |= ~np.isnan(values)
    share = float(any_of_them.mean()) if trace.n else 0.0
    hours = float(any_of_them.sum()) * STEP_H
    return Amount(hours, 0.0, share, "at least one reading in five minutes")


def _wasted(trace: Trace, water: Water, at: np.ndarray, sharers: F64) -> Amount:
    metered = trace.has("makeup_flow")
    came = water.makeup if metered else water.evaporation + water.liquid
    excess = came - water.evaporation - water.wanted
    known = at & ~np.isnan(excess)
    if not known.any():
        return Amount.unknown("The flows were not known while the alarm stood.")
    parts = excess[known] / np.maximum(sharers[known], 1.0)
    value = max(float(parts.sum()) * STEP_MIN, 0.0)
    error = METER_ERROR_FRAC if metered else EVAPORATION_ERROR_FRAC
    needed = float((water.evaporation + water.wanted)[known].sum()) * STEP_MIN
    sd = float(np.hypot(error * (value + needed), EVAPORATION_ERROR_FRAC * needed))
    by = "the make-up meter" if metered else "evaporation and solids"
    return Amount(
        value, sd, float(known.sum()) / float(at.sum()),
        f"what came in by {by}, less evaporation and the bleed for the intended cycles",
    )  # fmt: skip


def _taken(trace: Trace, energy: Energy, at: np.ndarray, sharers: F64) -> Amount:
    kelvins = energy.raised_k + energy.fans_k
    known = at & ~np.isnan(kelvins) & ~np.isnan(energy.power_kw)
    if not known.any():
        return Amount.unknown(
            "The heat load is not sent."
            if not trace.has("heat_load")
            else "Its condensing temperature could not be compared with the clean unit's."
        )
    weight = energy.power_kw[known] / np.maximum(sharers[known], 1.0) * STEP_H
    value = max(float(POWER_RISE_FRAC_PER_K * (kelvins[known] * weight).sum()), 0.0)
    sd = float(
        np.hypot(
            np.hypot(POWER_RISE_ERROR_FRAC, COMPRESSOR_SHARE_ERROR_FRAC) * value,
            POWER_RISE_FRAC_PER_K * RAISED_ERROR_K * weight.sum(),
        )
    )
    return Amount(
        value, sd, float(known.sum()) / float(at.sum()),
        "condensing above the clean unit while the alarm stood",
    )  # fmt: skip
