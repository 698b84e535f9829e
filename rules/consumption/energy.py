r"""What a raised condensing temperature costs in compressor energy.

Each kelvin takes about 3 % more compressor power: standardised measure KA-03b, version 2.0, of the
Swiss electricity-savings scheme, "control of minimum condensing temperature",
:math:`\Delta E = P\,h \cdot 0.03 \cdot \Delta T_K`. Energy guides give 2 to 4 % (from memory),
which simple cycles of several refrigerants confirm. The compressor's power is no signal: it is
taken as a quarter of the heat rejected (coefficient of performance 3, common practice; 0.2 to 0.3).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.arrays import F64, Bool
from rules.consumption.figures import Amount
from rules.consumption.trace import STEP_MS, Trace
from rules.heat import LEAST_AIRFLOW_FRAC, usual_load_frac
from rules.physics.condenser import capacity_frac
from rules.physics.refrigerant import condensing_temperature_degc, refrigerant_index

__all__ = ["POWER_RISE_FRAC_PER_K", "CleanTd", "Energy", "energy_kwh", "energy_of"]

POWER_RISE_FRAC_PER_K: Final = 0.03
POWER_RISE_ERROR_FRAC: Final = 0.2
"""2 to 4 % holds nearly all plants: one and a half of these on either side."""
COMPRESSOR_SHARE_FRAC: Final = 0.25
COMPRESSOR_SHARE_ERROR_FRAC: Final = 0.15
RAISED_ERROR_K: Final = 0.7
"""Pressure transmitter, air sensor and the learned reference together (judgement). [K]"""
STEP_H: Final = STEP_MS / 3_600_000.0

CleanTd = Mapping[str, float | Sequence[tuple[int, float]]]
"""By 'td_dry' and 'td_wet': condensing above the air on the coil at rated load and full airflow, of
the clean unit. [K] One value for all time, or values with the time from which each holds [ms since
1970, UTC], in order; the first holds backwards too."""


@dataclass(frozen=True)
class Energy:
    """Kelvins above the clean unit and power by them in each five minutes, and the figures."""

    raised_k: F64
    """By all but lost fans: coil, pads, water, gas."""
    fans_k: F64
    """By fans that a standing alarm says are lost; 0 where none is."""
    power_kw: F64
    """Of the compressors as it would be without; NaN where the load is not sent."""
    amounts: dict[str, Amount]


def energy_kwh(power_kw: float, hours: float, raised_k: float) -> float:
    """Compressor energy that a raised condensing temperature takes.

    Parameters
    ----------
    power_kw : float
        Compressor power without it. [kW]
    hours : float
        Running time. [h]
    raised_k : float
        Rise of the condensing temperature. [K]

    Returns
    -------
    float
        [kWh]

    References
    ----------
    KA-03b, version 2.0; its scenario A is the example.

    Examples
    --------
    >>> energy_kwh(80.0, 5000.0, 4.0)
    48000.0
    """
    return power_kw * hours * POWER_RISE_FRAC_PER_K * raised_k


def energy_of(trace: Trace, clean_td_k: CleanTd, fans_lost: Bool) -> Energy:
    """What condensing above the clean unit cost.

    Parameters
    ----------
    trace : Trace
        The unit's means.
    clean_td_k : CleanTd
        The learned baselines, as far as there are any.
    fans_lost : (n,) array
        Where an alarm says that fans are lost.
    """
    unit = trace.unit
    index = refrigerant_index(unit.condenser.refrigerant)
    condensing = condensing_temperature_degc(trace.signal("head_pressure"), index)
    ambient = trace.signal("ambient_temperature")
    running = trace.pump_running
    wet = running >= 0.99
    dry = running == 0.0
    base = np.where(wet, _clean(trace, clean_td_k, "td_wet"), np.nan)
    base = np.where(dry, _clean(trace, clean_td_k, "td_dry"), base)
    on_coil = np.where(
        wet, ambient - unit.pads.effectiveness_frac * (ambient - trace.wet_bulb_degc), ambient
    )
    # What the load is to its baseline: over the rated one, or, not sent, over the usual at 20 °C.
    load = trace.signal("heat_load") / unit.condenser.rated_capacity_kw
    load_frac = load if trace.has("heat_load") else usual_load_frac(ambient)
    expected = base * load_frac / _capacity(trace, trace.air_frac)
    at_all_fans = base * load_frac / _capacity(trace, trace.air_wanted_frac)
    moving = trace.air_frac >= LEAST_AIRFLOW_FRAC
    raised = np.where(moving, condensing - on_coil - expected, np.nan)
    fans = np.where(fans_lost & moving, np.maximum(expected - at_all_fans, 0.0), 0.0)
    fans = np.where(np.isnan(raised), np.nan, fans)
    power = COMPRESSOR_SHARE_FRAC * np.maximum(trace.signal("heat_load"), 0.0)
    return Energy(raised, fans, power, _amounts(trace, clean_td_k, raised, fans, power))


def _clean(trace: Trace, clean_td_k: CleanTd, quantity: str) -> F64:
    """The baseline that held in each five minutes, (n,). [K]"""
    steps = clean_td_k.get(quantity, math.nan)
    if isinstance(steps, int | float):
        return np.full(trace.n, float(steps))
    from_ms = np.array([at for at, _ in steps])
    at_ms = trace.start_ms + STEP_MS * np.arange(trace.n, dtype=np.int64)
    place = np.searchsorted(from_ms, at_ms, side="right") - 1
    return np.array([value for _, value in steps])[np.maximum(place, 0)]


def _capacity(trace: Trace, air: F64) -> F64:
    unit = trace.unit
    carried_kw = 1.2 * 1.006 * unit.fans.rated_airflow_m3_s * unit.condenser.rated_td_k
    effectiveness = np.clip(unit.condenser.rated_capacity_kw / carried_kw, 0.4, 0.84)
    # Warm air is thin: the same volume carries less heat.
    mass = np.minimum(air * 293.15 / (273.15 + trace.signal("ambient_temperature")), 1.5)
    capacity = capacity_frac(mass, full_flow_ntu=float(-np.log1p(-effectiveness)))
    return np.where(capacity > 0.0, capacity, np.nan)


def _amounts(
    trace: Trace, clean_td_k: CleanTd, raised: F64, fans: F64, power: F64
) -> dict[str, Amount]:
    known = ~np.isnan(raised)
    share = float(known.mean()) if len(known) else 0.0
    if not known.any():
        if not clean_td_k:
            why = "The clean unit's condensing temperature above the air is not learned yet."
        elif not trace.has("head_pressure"):
            why = "Head pressure is not sent."
        else:
            why = "Weather, airflow and head pressure were never known together in a learned mode."
        unknown = Amount.unknown(why)
        return {"raised": unknown, "raised_energy": unknown, "fans_energy": unknown}
    way = "measured condensing temperature less that of the clean unit at the same air, speed"
    way += (
        " and load"
        if trace.has("heat_load")
        else "; the load is not sent and taken as usual in that weather"
    )
    mean_k = float(np.nanmean(raised + fans))
    amounts = {"raised": Amount(mean_k, RAISED_ERROR_K, share, way)}
    with_power = known & ~np.isnan(power)
    if not with_power.any():
        unknown = Amount.unknown(
            "The heat load is not sent, so the compressors' power is not known; count "
            f"{100 * POWER_RISE_FRAC_PER_K:.0f} % of it for each kelvin."
        )
        return amounts | {"raised_energy": unknown, "fans_energy": unknown}
    used = power[with_power]
    covered = float(with_power.mean())
    method = (
        f"{100 * POWER_RISE_FRAC_PER_K:.0f} % of compressor power a kelvin; that power taken as "
        f"{COMPRESSOR_SHARE_FRAC:.2f} of the heat load"
    )
    for name, kelvins in (("raised_energy", raised + fans), ("fans_energy", fans)):
        # Noise on either side of nothing cancels; less than nothing costs nothing.
        kwh = max(float(POWER_RISE_FRAC_PER_K * (kelvins[with_power] * used).sum() * STEP_H), 0.0)
        floor = RAISED_ERROR_K if name == "raised_energy" else 0.0
        sd = float(
            np.hypot(
                np.hypot(POWER_RISE_ERROR_FRAC, COMPRESSOR_SHARE_ERROR_FRAC) * kwh,
                POWER_RISE_FRAC_PER_K * floor * used.sum() * STEP_H,
            )
        )
        amounts[name] = Amount(kwh, sd, covered, method)
    return amounts
