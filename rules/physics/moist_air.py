r"""Moist air: pressure by elevation, saturation, humidity ratio, wet bulb, enthalpy, volume.

Ideal-gas psychrometrics of the ASHRAE Handbook - Fundamentals (2017), chapter 1, in arrays. The
wet bulb here is the thermodynamic one, at the site's own barometric pressure; fitted sea-level
formulas err by up to 1.2 K and are not used. Nothing here knows about units or sites.

Humidity ratios are kg of water vapour for each kg of dry air.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.physics._arrays import FloatArray, positive, real, within

__all__ = [
    "density_kg_m3",
    "dew_point_degc",
    "enthalpy_kj_kg",
    "humidity_ratio_from_vapour_pressure_kg_kg",
    "humidity_ratio_from_wet_bulb_kg_kg",
    "humidity_ratio_kg_kg",
    "relative_humidity_pct",
    "saturated_humidity_ratio_kg_kg",
    "saturation_pressure_kpa_abs",
    "specific_volume_m3_kg",
    "standard_pressure_kpa_abs",
    "wet_bulb_degc",
]

KELVIN: Final = 273.15
"""0 °C. [K]"""
TRIPLE_POINT_DEGC: Final = 0.01
"""Above it the formula over water holds, below it the one over ice. [°C]"""
MASS_RATIO: Final = 0.621945
"""Molar mass of water over that of dry air, ASHRAE F17 ch. 1 eq. 20. [-]"""
GAS_CONSTANT_KJ_KG_K: Final = 0.287042
"""Of dry air, ASHRAE F17 ch. 1 eq. 1. [kJ/(kg K)]"""

SATURATION_RANGE_DEGC: Final = (-100.0, 200.0)
"""Range of the saturation formulas. [°C]"""
AIR_RANGE_DEGC: Final = (-60.0, 70.0)
"""Dry bulbs for which the wet bulb is solved: outdoor air with margin. [°C]"""
PRESSURE_RANGE_KPA_ABS: Final = (50.0, 110.0)
"""Barometric pressures of the wet bulb: from 5,500 m to below sea level. [kPa abs]"""

# Wet bulb equations 33 (water) and 35 (ice) of ASHRAE F17 ch. 1, written as
# W = ((latent + latent_slope t*) Ws* - 1.006 (t - t*)) / (latent + 1.86 t - liquid t*).
_WATER: Final = (2501.0, -2.326, 4.186)
_ICE: Final = (2830.0, -0.24, 2.1)
_CP_AIR: Final = 1.006
_CP_VAPOUR: Final = 1.86

_WET_BULB_STEPS: Final = 5
_DEW_POINT_STEPS: Final = 5
_ROUNDING_KG_KG: Final = 1.0e-9


def standard_pressure_kpa_abs(elevation_m: ArrayLike) -> FloatArray:
    r"""Barometric pressure of the standard atmosphere by elevation.

    .. math:: p = 101.325 (1 - 2.25577 \cdot 10^{-5} Z)^{5.2559}

    Parameters
    ----------
    elevation_m : array
        Elevation above mean sea level. [m]

    Returns
    -------
    array of the same shape
        NaN outside -5,000 to 11,000 m. [kPa abs]

    Notes
    -----
    Weather moves the true pressure by about ±3 % around this.

    References
    ----------
    ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 3.

    Examples
    --------
    >>> standard_pressure_kpa_abs([0.0, 1000.0, 20000.0]).round(3)
    array([101.325,  89.875,     nan])
    """
    z = within(elevation_m, -5000.0, 11_000.0)
    return 101.325 * (1.0 - 2.25577e-5 * z) ** 5.2559


def saturation_pressure_kpa_abs(temp_degc: ArrayLike) -> FloatArray:
    """Saturation vapour pressure over water, or over ice below the triple point.

    Parameters
    ----------
    temp_degc : array
        Temperature. [°C]

    Returns
    -------
    array of the same shape
        NaN outside -100 to +200 °C. [kPa abs]

    Notes
    -----
    The two formulas meet at the triple point, 0.01 °C.

    References
    ----------
    ASHRAE Handbook - Fundamentals (2017), ch. 1, eqs. 5 and 6 (Hyland and Wexler 1983).

    Examples
    --------
    >>> saturation_pressure_kpa_abs([-20.0, 25.0, 250.0]).round(4)
    array([0.1033, 3.1692,    nan])
    """
    t = within(temp_degc, *SATURATION_RANGE_DEGC)
    over_ice = t < TRIPLE_POINT_DEGC
    t_k = t + KELVIN
    if not over_ice.any():  # outdoors in summer: half the work
        return np.exp(_ln_pa_over_water(t_k)) / 1000.0
    ln_pa = np.where(over_ice, _ln_pa_over_ice(t_k), _ln_pa_over_water(t_k))
    return np.exp(ln_pa) / 1000.0


def humidity_ratio_from_vapour_pressure_kg_kg(
    vapour_pressure_kpa_abs: ArrayLike, pressure_kpa_abs: ArrayLike
) -> FloatArray:
    r"""Humidity ratio of air whose water vapour has the given partial pressure.

    .. math:: W = 0.621945 \frac{p_w}{p - p_w}

    Parameters
    ----------
    vapour_pressure_kpa_abs : array
        Partial pressure of the water vapour. [kPa abs]
    pressure_kpa_abs : array
        Barometric pressure. [kPa abs]

    Returns
    -------
    array of the common shape
        NaN where a pressure is negative, or the vapour's is not below the total. [kg/kg]

    References
    ----------
    ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 20.

    Examples
    --------
    >>> humidity_ratio_from_vapour_pressure_kg_kg([3.1697, 100.0], 95.461).round(6)
    array([0.02136,     nan])
    """
    p = positive(pressure_kpa_abs)
    p_w = within(vapour_pressure_kpa_abs, 0.0, np.nextafter(p, 0.0))
    return MASS_RATIO * p_w / (p - p_w)


def saturated_humidity_ratio_kg_kg(temp_degc: ArrayLike, pressure_kpa_abs: ArrayLike) -> FloatArray:
    """Humidity ratio of saturated air.

    Parameters
    ----------
    temp_degc : array
        Air temperature, dry bulb. [°C]
    pressure_kpa_abs : array
        Barometric pressure. [kPa abs]

    Returns
    -------
    array of the common shape
        NaN outside -100 to +200 °C, and at or above the boiling point. [kg/kg]

    Notes
    -----
    Ideal gas; real air holds about 0.5 % more (the table of the handbook has the enhancement
    factor).

    References
    ----------
    ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 21.

    Examples
    --------
    >>> saturated_humidity_ratio_kg_kg([25.0, 101.0], 101.325).round(6)
    array([0.020081,      nan])
    """
    return humidity_ratio_from_vapour_pressure_kg_kg(
        saturation_pressure_kpa_abs(temp_degc), pressure_kpa_abs
    )


def humidity_ratio_kg_kg(
    dry_bulb_degc: ArrayLike, rh_pct: ArrayLike, pressure_kpa_abs: ArrayLike
) -> FloatArray:
    """Humidity ratio from dry bulb and relative humidity.

    Parameters
    ----------
    dry_bulb_degc : array
        Air temperature, dry bulb. [°C]
    rh_pct : array
        Relative humidity, 0 to 100. [%]
    pressure_kpa_abs : array
        Barometric pressure. [kPa abs]

    Returns
    -------
    array of the common shape
        NaN outside -100 to +200 °C or 0 to 100 %, and where the vapour pressure would reach the
        total pressure. [kg/kg]

    References
    ----------
    ASHRAE Handbook - Fundamentals (2017), ch. 1, eqs. 12 and 20.

    Examples
    --------
    >>> humidity_ratio_kg_kg([35.0, 35.0], [40.0, 140.0], 101.325).round(6)
    array([0.014132,      nan])
    """
    rh_frac = within(rh_pct, 0.0, 100.0) / 100.0
    return humidity_ratio_from_vapour_pressure_kg_kg(
        rh_frac * saturation_pressure_kpa_abs(dry_bulb_degc), pressure_kpa_abs
    )


def humidity_ratio_from_wet_bulb_kg_kg(
    dry_bulb_degc: ArrayLike, wet_bulb_degc: ArrayLike, pressure_kpa_abs: ArrayLike
) -> FloatArray:
    r"""Humidity ratio from dry bulb and thermodynamic wet bulb.

    .. math:: W = \frac{(2501 - 2.326\,t^*)\,W_s^* - 1.006\,(t - t^*)}
                       {2501 + 1.86\,t - 4.186\,t^*}

    for a wet bulb of 0 °C and above; below, the wet bulb is frozen and the constants are 2830,
    0.24 and 2.1.

    Parameters
    ----------
    dry_bulb_degc, wet_bulb_degc : array
        Dry bulb and wet bulb. [°C]
    pressure_kpa_abs : array
        Barometric pressure. [kPa abs]

    Returns
    -------
    array of the common shape
        NaN where the wet bulb is above the dry bulb, or so low that the air would hold less than
        no water, or outside the range of the saturation formula. [kg/kg]

    References
    ----------
    ASHRAE Handbook - Fundamentals (2017), ch. 1, eqs. 33 and 35.

    Examples
    --------
    >>> humidity_ratio_from_wet_bulb_kg_kg([30.0, -1.0, 20.0], [25.0, -5.0, 21.0], 95.461).round(6)
    array([0.019225, 0.001204,      nan])
    """
    t = within(dry_bulb_degc, *SATURATION_RANGE_DEGC)
    t_star = within(wet_bulb_degc, SATURATION_RANGE_DEGC[0], t)
    w_s = saturated_humidity_ratio_kg_kg(t_star, pressure_kpa_abs)
    frozen = t_star < 0.0
    latent, slope, liquid = (np.where(frozen, i, w) for i, w in zip(_ICE, _WATER, strict=True))
    w = ((latent + slope * t_star) * w_s - _CP_AIR * (t - t_star)) / (
        latent + _CP_VAPOUR * t - liquid * t_star
    )
    return np.where(w >= -_ROUNDING_KG_KG, w, np.nan)


def wet_bulb_degc(
    dry_bulb_degc: ArrayLike, rh_pct: ArrayLike, pressure_kpa_abs: ArrayLike
) -> FloatArray:
    """Thermodynamic wet bulb from dry bulb, relative humidity and pressure, by Newton's method.

    Parameters
    ----------
    dry_bulb_degc : array
        Air temperature, dry bulb. [°C]
    rh_pct : array
        Relative humidity, 0 to 100. [%]
    pressure_kpa_abs : array
        Barometric pressure. [kPa abs]

    Returns
    -------
    array of the common shape
        NaN outside -60 to +70 °C, 0 to 100 %, 50 to 110 kPa. [°C]

    Notes
    -----
    The equation of the wet bulb, cleared of its denominator, is convex and rising, so Newton's
    steps close in from above whatever the first guess; a fixed number of them leaves less than
    1e-6 K over the whole range. Just above freezing, water and ice on the bulb give two answers up
    to 0.4 K apart; the one over water is returned, as a pad is wet, not frozen.

    References
    ----------
    ASHRAE Handbook - Fundamentals (2017), ch. 1, eqs. 33 and 35.

    Examples
    --------
    >>> wet_bulb_degc([35.0, 7.0, 20.0], [20.0, 61.0, 101.0], [101.325, 100.0, 101.325]).round(3)
    array([18.87 ,  3.926,    nan])
    """
    t = within(dry_bulb_degc, *AIR_RANGE_DEGC)
    p = within(pressure_kpa_abs, *PRESSURE_RANGE_KPA_ABS)
    w = humidity_ratio_kg_kg(t, rh_pct, p)
    t, p, w = np.broadcast_arrays(t, p, w)
    # A rough guess saves steps, no more: the depression of dry air, shrunk by its humidity.
    dryness = 1.0 - within(rh_pct, 0.0, 100.0) / 100.0
    guess = t - dryness * np.where(t > -20.0, 6.0 + 0.3 * t, 0.0)
    star = _solve_wet_bulb(np.where(guess < t, guess, t), t, p, w, ice=False)
    frozen = star < 0.0
    if frozen.any():
        t_f = t[frozen]
        start = np.where(t_f < 0.0, t_f, 0.0)
        star = np.array(star)
        star[frozen] = _solve_wet_bulb(start, t_f, p[frozen], w[frozen], ice=True)
    return star


def dew_point_degc(vapour_pressure_kpa_abs: ArrayLike) -> FloatArray:
    """Dew point (frost point below the triple point) by inverting the saturation formula.

    Parameters
    ----------
    vapour_pressure_kpa_abs : array
        Partial pressure of the water vapour. [kPa abs]

    Returns
    -------
    array of the same shape
        NaN outside the saturation pressures of -60 and +70 °C. [°C]

    References
    ----------
    Inverse of ASHRAE Handbook - Fundamentals (2017), ch. 1, eqs. 5 and 6.

    Examples
    --------
    >>> dew_point_degc([1.03217, 0.0]).round(3)
    array([7.434,   nan])
    """
    low, high = (float(saturation_pressure_kpa_abs(t)) for t in AIR_RANGE_DEGC)
    ln_pa = np.log(within(vapour_pressure_kpa_abs, low, high) * 1000.0)
    over_ice = ln_pa < float(_ln_pa_over_water(np.float64(TRIPLE_POINT_DEGC + KELVIN)))
    # First guess: Magnus, inverted. Near enough for quadratic convergence on either branch.
    x = ln_pa - np.log(611.2)
    t_k = np.where(over_ice, 272.62 * x / (22.46 - x), 243.12 * x / (17.62 - x)) + KELVIN
    for _ in range(_DEW_POINT_STEPS):
        f = np.where(over_ice, _ln_pa_over_ice(t_k), _ln_pa_over_water(t_k)) - ln_pa
        slope = np.where(over_ice, _slope_over_ice(t_k), _slope_over_water(t_k))
        t_k = t_k - f / slope
    return real(t_k - KELVIN)


def relative_humidity_pct(
    dry_bulb_degc: ArrayLike, humidity_ratio_kg_kg: ArrayLike, pressure_kpa_abs: ArrayLike
) -> FloatArray:
    """Relative humidity from dry bulb and humidity ratio.

    Parameters
    ----------
    dry_bulb_degc : array
        Air temperature, dry bulb. [°C]
    humidity_ratio_kg_kg : array
        Humidity ratio. [kg/kg]
    pressure_kpa_abs : array
        Barometric pressure. [kPa abs]

    Returns
    -------
    array of the common shape
        NaN for a negative humidity ratio and outside -100 to +200 °C. Above 100 where the air
        could not hold that much water (fog): not clamped. [%]

    References
    ----------
    ASHRAE Handbook - Fundamentals (2017), ch. 1, eqs. 12 and 20.

    Examples
    --------
    >>> relative_humidity_pct([35.0, 35.0], [0.014132, -0.001], 101.325).round(1)
    array([40., nan])
    """
    w = within(humidity_ratio_kg_kg, 0.0, 10.0)
    p_w = w / (MASS_RATIO + w) * positive(pressure_kpa_abs)
    return 100.0 * p_w / saturation_pressure_kpa_abs(dry_bulb_degc)


def enthalpy_kj_kg(dry_bulb_degc: ArrayLike, humidity_ratio_kg_kg: ArrayLike) -> FloatArray:
    r"""Enthalpy of moist air for each kg of dry air, zero for dry air at 0 °C.

    .. math:: h = 1.006\,t + W (2501 + 1.86\,t)

    Parameters
    ----------
    dry_bulb_degc : array
        Air temperature, dry bulb. [°C]
    humidity_ratio_kg_kg : array
        Humidity ratio. [kg/kg]

    Returns
    -------
    array of the common shape
        NaN outside -100 to +200 °C and for a negative humidity ratio. [kJ/kg]

    References
    ----------
    ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 30.

    Examples
    --------
    >>> enthalpy_kj_kg([30.0], 0.02).round(3)
    array([81.316])
    """
    t = within(dry_bulb_degc, *SATURATION_RANGE_DEGC)
    w = within(humidity_ratio_kg_kg, 0.0, 10.0)
    return _CP_AIR * t + w * (2501.0 + _CP_VAPOUR * t)


def specific_volume_m3_kg(
    dry_bulb_degc: ArrayLike, humidity_ratio_kg_kg: ArrayLike, pressure_kpa_abs: ArrayLike
) -> FloatArray:
    r"""Volume of moist air for each kg of dry air.

    .. math:: v = 0.287042\,(t + 273.15)(1 + 1.607858\,W) / p

    Parameters
    ----------
    dry_bulb_degc : array
        Air temperature, dry bulb. [°C]
    humidity_ratio_kg_kg : array
        Humidity ratio. [kg/kg]
    pressure_kpa_abs : array
        Barometric pressure. [kPa abs]

    Returns
    -------
    array of the common shape
        NaN outside -100 to +200 °C, for a negative humidity ratio or pressure. [m³/kg]

    References
    ----------
    ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 26.

    Examples
    --------
    >>> specific_volume_m3_kg([30.0], 0.02, 95.461).round(6)
    array([0.940855])
    """
    t_k = within(dry_bulb_degc, *SATURATION_RANGE_DEGC) + KELVIN
    w = within(humidity_ratio_kg_kg, 0.0, 10.0)
    return GAS_CONSTANT_KJ_KG_K * t_k * (1.0 + 1.607858 * w) / positive(pressure_kpa_abs)


def density_kg_m3(
    dry_bulb_degc: ArrayLike, humidity_ratio_kg_kg: ArrayLike, pressure_kpa_abs: ArrayLike
) -> FloatArray:
    """Density of moist air: dry air and vapour together.

    Parameters
    ----------
    dry_bulb_degc, humidity_ratio_kg_kg, pressure_kpa_abs : array
        As for :func:`specific_volume_m3_kg`. [°C, kg/kg, kPa abs]

    Returns
    -------
    array of the common shape
        NaN as for :func:`specific_volume_m3_kg`. [kg/m³]

    References
    ----------
    ASHRAE Handbook - Fundamentals (2017), ch. 1, eq. 11.

    Examples
    --------
    >>> density_kg_m3([30.0], 0.02, 95.461).round(5)
    array([1.08412])
    """
    v = specific_volume_m3_kg(dry_bulb_degc, humidity_ratio_kg_kg, pressure_kpa_abs)
    return (1.0 + real(humidity_ratio_kg_kg)) / v


def _ln_pa_over_water(t_k: FloatArray | np.float64) -> FloatArray:
    """ASHRAE F17 ch. 1 eq. 6: ln of the pressure in Pa."""
    poly = -4.8640239e-2 + t_k * (4.1764768e-5 - 1.4452093e-8 * t_k)
    return real(-5.8002206e3 / t_k + 1.3914993 + t_k * poly + 6.5459673 * np.log(t_k))


def _ln_pa_over_ice(t_k: FloatArray) -> FloatArray:
    """ASHRAE F17 ch. 1 eq. 5: ln of the pressure in Pa."""
    poly = 6.2215701e-7 + t_k * (2.0747825e-9 - 9.484024e-13 * t_k)
    poly = -9.677843e-3 + t_k * poly
    return -5.6745359e3 / t_k + 6.3925247 + t_k * poly + 4.1635019 * np.log(t_k)


def _slope_over_water(t_k: FloatArray) -> FloatArray:
    """Derivative of :func:`_ln_pa_over_water`. [1/K]"""
    poly = 2.0 * 4.1764768e-5 - 3.0 * 1.4452093e-8 * t_k
    return (5.8002206e3 / t_k + 6.5459673) / t_k - 4.8640239e-2 + t_k * poly


def _slope_over_ice(t_k: FloatArray) -> FloatArray:
    """Derivative of :func:`_ln_pa_over_ice`. [1/K]"""
    poly = 2.0 * 6.2215701e-7 + t_k * (3.0 * 2.0747825e-9 - 4.0 * 9.484024e-13 * t_k)
    return (5.6745359e3 / t_k + 4.1635019) / t_k - 9.677843e-3 + t_k * poly


def _solve_wet_bulb(
    start_degc: FloatArray, t: FloatArray, p: FloatArray, w: FloatArray, *, ice: bool
) -> FloatArray:
    """Newton on g(t*) = (latent + slope t*) Ws* - 1.006 (t - t*) - W (latent + 1.86 t - liquid t*).

    g is convex and rising in t*. The root is at most t, so a step that overshoots comes back to t.
    """
    latent, slope, liquid = _ICE if ice else _WATER
    ln_pa, ln_slope = (
        (_ln_pa_over_ice, _slope_over_ice) if ice else (_ln_pa_over_water, _slope_over_water)
    )
    constant = _CP_AIR * t + w * (latent + _CP_VAPOUR * t)
    linear = _CP_AIR + w * liquid
    x = start_degc
    for _ in range(_WET_BULB_STEPS):
        x_k = x + KELVIN
        p_s = np.exp(ln_pa(x_k)) * 1.0e-3
        dry = p - p_s
        w_s = MASS_RATIO * p_s / dry
        dw_s = w_s * ln_slope(x_k) * p / dry
        heat = latent + slope * x
        x = x - (heat * w_s + linear * x - constant) / (heat * dw_s + slope * w_s + linear)
        x = np.minimum(x, t)
    return x
