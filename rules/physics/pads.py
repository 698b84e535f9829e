"""Wetted pads: outlet air temperature, saturation effectiveness, and water evaporated.

The air goes along a line of constant wet bulb from its dry bulb towards saturation; effectiveness
is how far it gets. Only the air side says how much water a pad evaporates: most of the heat that
the condenser rejects leaves as warm air and evaporates nothing. Nothing here judges a pad.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.physics._arrays import FloatArray, non_negative, positive, real, within
from rules.physics.moist_air import humidity_ratio_from_wet_bulb_kg_kg, specific_volume_m3_kg

__all__ = [
    "MINIMUM_DEPRESSION_K",
    "effectiveness_error_frac",
    "effectiveness_frac",
    "evaporation_kg_s",
    "evaporation_l_min",
    "latent_heat_kj_kg",
    "pad_outlet_degc",
    "water_for_heat_kg_s",
]

MINIMUM_DEPRESSION_K: Final = 4.0
"""Least wet-bulb depression at which effectiveness is worth computing. A choice: at 4 K an error of
0.5 K in the outlet temperature is already 0.125 of effectiveness. [K]"""

WATER_KG_L: Final = 0.998
"""Density of water at 20 °C (IAPWS-IF97: 998.16 kg/m³); within 0.5 % from 0 to 35 °C. [kg/L]"""

_AIR_LOW, _AIR_HIGH = -60.0, 70.0


def pad_outlet_degc(
    dry_bulb_degc: ArrayLike, wet_bulb_degc: ArrayLike, effectiveness_frac: ArrayLike
) -> FloatArray:
    r"""Dry bulb of the air leaving a wetted pad.

    .. math:: T_2 = T_1 - \varepsilon (T_1 - T^*)

    Parameters
    ----------
    dry_bulb_degc, wet_bulb_degc : array
        Of the air entering. [°C]
    effectiveness_frac : array
        Saturation effectiveness of the pad, 0 to 1. [-]

    Returns
    -------
    array of the common shape
        NaN where the wet bulb is above the dry bulb, outside -60 to +70 °C, or effectiveness
        outside 0 to 1. [°C]

    References
    ----------
    Definition of direct evaporative (saturation) effectiveness, ASHRAE Handbook - HVAC Systems and
    Equipment, chapter on evaporative air cooling.

    Examples
    --------
    >>> pad_outlet_degc(35.0, [21.5235, 36.0], 0.8).round(3)
    array([24.219,    nan])
    """
    t = within(dry_bulb_degc, _AIR_LOW, _AIR_HIGH)
    wet = within(wet_bulb_degc, _AIR_LOW, t)
    short = 1.0 - within(effectiveness_frac, 0.0, 1.0)
    # From the wet bulb up, so that rounding never puts saturated air below its wet bulb.
    return real(np.minimum(wet + short * (t - wet), t))


def effectiveness_frac(
    dry_bulb_degc: ArrayLike,
    outlet_degc: ArrayLike,
    wet_bulb_degc: ArrayLike,
    minimum_depression_k: ArrayLike = MINIMUM_DEPRESSION_K,
) -> FloatArray:
    r"""Saturation effectiveness of a pad from measured temperatures.

    .. math:: \varepsilon = (T_1 - T_2) / (T_1 - T^*)

    Parameters
    ----------
    dry_bulb_degc, wet_bulb_degc : array
        Of the air entering. [°C]
    outlet_degc : array
        Dry bulb of the air leaving. [°C]
    minimum_depression_k : array
        Least difference of dry and wet bulb that is judged. [K]

    Returns
    -------
    array of the common shape
        NaN where the depression is too small to tell. Below 0 or above 1 where the measurements
        contradict each other (a wet sensor, sun on a sensor): not clamped. [-]

    References
    ----------
    As for :func:`pad_outlet_degc`.

    Examples
    --------
    >>> effectiveness_frac(35.0, 24.219, [21.5235, 33.0]).round(3)
    array([0.8, nan])
    """
    t = within(dry_bulb_degc, _AIR_LOW, _AIR_HIGH)
    least = positive(minimum_depression_k)
    depression = t - within(wet_bulb_degc, _AIR_LOW, t)
    depression = np.where(depression >= least, depression, np.nan)
    return (t - within(outlet_degc, _AIR_LOW, _AIR_HIGH)) / depression


def effectiveness_error_frac(depression_k: ArrayLike, outlet_error_k: ArrayLike) -> FloatArray:
    r"""Error of effectiveness that an error of the outlet temperature makes.

    .. math:: d\varepsilon = dT_2 / (T_1 - T^*)

    Parameters
    ----------
    depression_k : array
        Dry bulb less wet bulb. [K]
    outlet_error_k : array
        Error of the outlet dry bulb. [K]

    Returns
    -------
    array of the common shape
        NaN where the depression is not above zero. [-]

    References
    ----------
    Derivative of the definition.

    Examples
    --------
    >>> effectiveness_error_frac([13.48, 3.0], 0.5).round(3)
    array([0.037, 0.167])
    """
    return non_negative(outlet_error_k) / positive(depression_k)


def evaporation_kg_s(
    airflow_m3_s: ArrayLike,
    dry_bulb_degc: ArrayLike,
    wet_bulb_degc: ArrayLike,
    effectiveness_frac: ArrayLike,
    pressure_kpa_abs: ArrayLike,
) -> FloatArray:
    r"""Water that wetted pads evaporate into the air.

    .. math:: E = \frac{\dot V}{v_1} (W_2 - W_1)

    with both humidity ratios on the line of constant wet bulb.

    Parameters
    ----------
    airflow_m3_s : array
        Volume flow of the air entering, at its own state. [m³/s]
    dry_bulb_degc, wet_bulb_degc : array
        Of the air entering. [°C]
    effectiveness_frac : array
        Saturation effectiveness, 0 to 1. [-]
    pressure_kpa_abs : array
        Barometric pressure. [kPa abs]

    Returns
    -------
    array of the common shape
        NaN for a wet bulb below 0 °C (pads stand empty in frost) and where an input is outside its
        range. [kg/s]

    References
    ----------
    Mass balance over the pad; ASHRAE Handbook - Fundamentals (2017), ch. 1.

    Examples
    --------
    >>> evaporation_kg_s([20.0, 0.0], 35.0, 21.5235, 0.8, 101.325).round(4)
    array([0.1014, 0.    ])
    """
    wet = within(wet_bulb_degc, 0.0, _AIR_HIGH)
    outlet = pad_outlet_degc(dry_bulb_degc, wet, effectiveness_frac)
    # Both states of the air in one pass: few units take as long as one.
    before, after, wet, p = np.broadcast_arrays(
        real(dry_bulb_degc), outlet, wet, real(pressure_kpa_abs)
    )
    w_in, w_out = humidity_ratio_from_wet_bulb_kg_kg(np.stack((before, after)), wet, p)
    v_in = specific_volume_m3_kg(dry_bulb_degc, w_in, pressure_kpa_abs)
    return real(non_negative(airflow_m3_s) / v_in * (w_out - w_in))


def evaporation_l_min(
    airflow_m3_s: ArrayLike,
    dry_bulb_degc: ArrayLike,
    wet_bulb_degc: ArrayLike,
    effectiveness_frac: ArrayLike,
    pressure_kpa_abs: ArrayLike,
) -> FloatArray:
    """Water that wetted pads evaporate, as the flow of water that replaces it.

    Parameters
    ----------
    airflow_m3_s, dry_bulb_degc, wet_bulb_degc, effectiveness_frac, pressure_kpa_abs : array
        As for :func:`evaporation_kg_s`. [m³/s, °C, °C, -, kPa abs]

    Returns
    -------
    array of the common shape
        NaN as for :func:`evaporation_kg_s`. [L/min]

    References
    ----------
    As for :func:`evaporation_kg_s`; density of water at 20 °C, IAPWS-IF97.

    Examples
    --------
    >>> evaporation_l_min([20.0], 35.0, 21.5235, 0.8, 101.325).round(2)
    array([6.1])
    """
    evaporated = evaporation_kg_s(
        airflow_m3_s, dry_bulb_degc, wet_bulb_degc, effectiveness_frac, pressure_kpa_abs
    )
    return evaporated * 60.0 / WATER_KG_L


def latent_heat_kj_kg(water_degc: ArrayLike) -> FloatArray:
    r"""Heat of evaporation of water.

    .. math:: h_{fg} = 2501 - 2.326\,t

    Parameters
    ----------
    water_degc : array
        Temperature of the water. [°C]

    Returns
    -------
    array of the same shape
        NaN outside 0 to 50 °C. [kJ/kg]

    Notes
    -----
    Within 0.12 % of IAPWS-IF97 over that range.

    References
    ----------
    The latent term of ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 33.

    Examples
    --------
    >>> latent_heat_kj_kg([20.0, 90.0]).round(1)
    array([2454.5,    nan])
    """
    return 2501.0 - 2.326 * within(water_degc, 0.0, 50.0)


def water_for_heat_kg_s(heat_kw: ArrayLike, water_degc: ArrayLike) -> FloatArray:
    """Water that would evaporate if all of a heat flow went into evaporation: an upper bound.

    Parameters
    ----------
    heat_kw : array
        Heat flow. [kW]
    water_degc : array
        Temperature of the water. [°C]

    Returns
    -------
    array of the common shape
        NaN for negative heat and outside 0 to 50 °C. [kg/s]

    Notes
    -----
    Not the evaporation of pads that pre-cool air: for that use :func:`evaporation_kg_s`.

    References
    ----------
    Energy balance.

    Examples
    --------
    >>> (water_for_heat_kg_s([1.0], 30.0) * 3600.0).round(2)
    array([1.48])
    """
    return non_negative(heat_kw) / latent_heat_kj_kg(water_degc)
