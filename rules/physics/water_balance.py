"""Water and dissolved solids of a basin: float valve, level, cycles, bleed, conductivity in time.

Volume in litres, flows in L/min, level in mm above the basin floor; 1 mm on 1 m² is 1 L. The
basin is taken as well mixed and conductivity as proportional to dissolved solids, which holds
while nothing precipitates. Nothing here knows about faults or limits.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from rules.physics._arrays import FloatArray, non_negative, positive, within

__all__ = [
    "bleed_for_cycles_l_min",
    "conductivity_after_us_cm",
    "conductivity_slope_us_cm_h",
    "cycles_from_conductivity",
    "cycles_from_flows",
    "float_valve_flow_l_min",
    "float_valve_level_mm",
    "level_rate_mm_h",
    "makeup_for_cycles_l_min",
    "no_bleed_slope_us_cm_h",
    "steady_conductivity_us_cm",
    "volume_l",
]


def volume_l(level_mm: ArrayLike, area_m2: ArrayLike, held_up_l: ArrayLike = 0.0) -> FloatArray:
    """Water in circulation: in the basin, and held up in pads and pipes while the pump runs.

    Parameters
    ----------
    level_mm : array
        Level above the basin floor. [mm]
    area_m2 : array
        Free water surface. [m²]
    held_up_l : array
        Water in pads and pipes (fall of level on pump start times area). [L]

    Returns
    -------
    array of the common shape
        NaN for a negative input. [L]

    References
    ----------
    Geometry of an upright basin.

    Examples
    --------
    >>> volume_l([150.0, -1.0], 2.0)
    array([300.,  nan])
    """
    return non_negative(level_mm) * positive(area_m2) + non_negative(held_up_l)


def float_valve_flow_l_min(
    level_mm: ArrayLike, shut_mm: ArrayLike, band_mm: ArrayLike, makeup_max_l_min: ArrayLike
) -> FloatArray:
    r"""Flow through a float valve that opens in proportion over its band.

    .. math:: Q = Q_{max} \, \min(\max((h_{shut} - h) / b, 0), 1)

    Parameters
    ----------
    level_mm : array
        Level above the basin floor. [mm]
    shut_mm : array
        Level at which the valve is shut. [mm]
    band_mm : array
        Fall below it at which the valve is fully open. [mm]
    makeup_max_l_min : array
        Flow of the fully open valve. [L/min]

    Returns
    -------
    array of the common shape
        NaN for a negative input. [L/min]

    Notes
    -----
    The end stops are those of the valve, not a clamp of the formula. Flow also follows the root of
    the supply pressure, which is not modelled: common practice takes ±20 %.

    References
    ----------
    Common practice for proportional float valves.

    Examples
    --------
    >>> float_valve_flow_l_min([90.0, 110.0, 130.0], 120.0, 20.0, 12.0)
    array([12.,  6.,  0.])
    """
    opening = (non_negative(shut_mm) - non_negative(level_mm)) / positive(band_mm)
    return non_negative(makeup_max_l_min) * np.minimum(np.maximum(opening, 0.0), 1.0)


def float_valve_level_mm(
    makeup_l_min: ArrayLike, shut_mm: ArrayLike, band_mm: ArrayLike, makeup_max_l_min: ArrayLike
) -> FloatArray:
    """Level at which a float valve passes a flow: where the basin settles under that demand.

    Parameters
    ----------
    makeup_l_min : array
        Flow through the valve. [L/min]
    shut_mm, band_mm, makeup_max_l_min : array
        As for :func:`float_valve_flow_l_min`. [mm, mm, L/min]

    Returns
    -------
    array of the common shape
        NaN where the flow is more than the valve can pass (the level falls without end) or an
        input is negative. [mm]

    References
    ----------
    Inverse of :func:`float_valve_flow_l_min`.

    Examples
    --------
    >>> float_valve_level_mm([6.0, 13.0], 120.0, 20.0, 12.0)
    array([110.,  nan])
    """
    most = positive(makeup_max_l_min)
    return non_negative(shut_mm) - positive(band_mm) * within(makeup_l_min, 0.0, most) / most


def level_rate_mm_h(
    makeup_l_min: ArrayLike,
    evaporation_l_min: ArrayLike,
    bleed_l_min: ArrayLike,
    overflow_l_min: ArrayLike,
    area_m2: ArrayLike,
) -> FloatArray:
    r"""Rate at which the basin's level rises.

    .. math:: A\,dh/dt = Q_{makeup} - E - B - O

    Parameters
    ----------
    makeup_l_min, evaporation_l_min, bleed_l_min, overflow_l_min : array
        Flows into and out of the basin. [L/min]
    area_m2 : array
        Free water surface. [m²]

    Returns
    -------
    array of the common shape
        Negative while the level falls; NaN for a negative flow. [mm/h]

    References
    ----------
    Mass balance.

    Examples
    --------
    >>> level_rate_mm_h([8.0, 0.0], 6.0, 2.0, 0.0, 2.0)
    array([   0., -240.])
    """
    net = (
        non_negative(makeup_l_min)
        - non_negative(evaporation_l_min)
        - non_negative(bleed_l_min)
        - non_negative(overflow_l_min)
    )
    return net * 60.0 / positive(area_m2)


def cycles_from_conductivity(
    conductivity_us_cm: ArrayLike, makeup_conductivity_us_cm: ArrayLike
) -> FloatArray:
    r"""Cycles of concentration from conductivities.

    .. math:: COC = C / C_{makeup}

    Parameters
    ----------
    conductivity_us_cm, makeup_conductivity_us_cm : array
        Of basin and make-up water, referred to the same temperature. [µS/cm]

    Returns
    -------
    array of the common shape
        NaN for a negative basin or a non-positive make-up conductivity. Below 1 where the make-up
        water is not what it was said to be: not clamped. [-]

    References
    ----------
    US DOE FEMP, cooling tower management (from a quotation).

    Examples
    --------
    >>> cycles_from_conductivity([900.0, 900.0], [300.0, 0.0])
    array([ 3., nan])
    """
    return non_negative(conductivity_us_cm) / positive(makeup_conductivity_us_cm)


def cycles_from_flows(
    evaporation_l_min: ArrayLike, bleed_l_min: ArrayLike, drift_l_min: ArrayLike = 0.0
) -> FloatArray:
    r"""Cycles of concentration in the long run, from flows.

    .. math:: COC = \frac{E + B + D}{B + D}

    Parameters
    ----------
    evaporation_l_min : array
        Evaporation. [L/min]
    bleed_l_min : array
        Bleed, and any other water that leaves unconcentrated further, such as overflow. [L/min]
    drift_l_min : array
        Droplets carried off by the air. [L/min]

    Returns
    -------
    array of the common shape
        NaN where nothing but vapour leaves (cycles grow without end) or a flow is negative. [-]

    References
    ----------
    US DOE FEMP, cooling tower management (from a quotation).

    Examples
    --------
    >>> cycles_from_flows(6.0, [3.0, 0.0])
    array([ 3., nan])
    """
    out = positive(non_negative(bleed_l_min) + non_negative(drift_l_min))
    return (non_negative(evaporation_l_min) + out) / out


def bleed_for_cycles_l_min(
    evaporation_l_min: ArrayLike, cycles: ArrayLike, drift_l_min: ArrayLike = 0.0
) -> FloatArray:
    r"""Bleed that holds the cycles of concentration.

    .. math:: B = \frac{E}{COC - 1} - D

    Parameters
    ----------
    evaporation_l_min : array
        Evaporation. [L/min]
    cycles : array
        Cycles of concentration, above 1. [-]
    drift_l_min : array
        Droplets carried off by the air. [L/min]

    Returns
    -------
    array of the common shape
        NaN for cycles of 1 or less, and where drift alone already keeps the water more dilute
        than that (no bleed could concentrate it). [L/min]

    References
    ----------
    Algebra of :func:`cycles_from_flows`.

    Examples
    --------
    >>> bleed_for_cycles_l_min(100.0, [3.0, 5.0, 1.0], 0.5)
    array([49.5, 24.5,  nan])
    """
    bleed = non_negative(evaporation_l_min) / _above_one(cycles) - non_negative(drift_l_min)
    return non_negative(bleed)


def makeup_for_cycles_l_min(evaporation_l_min: ArrayLike, cycles: ArrayLike) -> FloatArray:
    r"""Make-up that evaporation and the bleed for given cycles need together.

    .. math:: M = E \frac{COC}{COC - 1}

    Parameters
    ----------
    evaporation_l_min : array
        Evaporation. [L/min]
    cycles : array
        Cycles of concentration, above 1. [-]

    Returns
    -------
    array of the common shape
        NaN for cycles of 1 or less. Drift does not change it: it only replaces bleed. [L/min]

    References
    ----------
    Algebra of :func:`cycles_from_flows`.

    Examples
    --------
    >>> makeup_for_cycles_l_min(100.0, [2.0, 5.0])
    array([200., 125.])
    """
    surplus = _above_one(cycles)
    return non_negative(evaporation_l_min) * (surplus + 1.0) / surplus


def steady_conductivity_us_cm(
    makeup_conductivity_us_cm: ArrayLike, evaporation_l_min: ArrayLike, bleed_l_min: ArrayLike
) -> FloatArray:
    r"""Conductivity at which the basin settles.

    .. math:: C = C_{makeup} \frac{E + B}{B}

    Parameters
    ----------
    makeup_conductivity_us_cm : array
        Of the make-up water. [µS/cm]
    evaporation_l_min : array
        Evaporation. [L/min]
    bleed_l_min : array
        All water that leaves as liquid: bleed, overflow, drift. [L/min]

    Returns
    -------
    array of the common shape
        NaN where no liquid leaves: it never settles. [µS/cm]

    References
    ----------
    Mass balance of dissolved solids.

    Examples
    --------
    >>> steady_conductivity_us_cm(300.0, 6.0, [3.0, 0.0])
    array([900.,  nan])
    """
    return non_negative(makeup_conductivity_us_cm) * cycles_from_flows(
        evaporation_l_min, bleed_l_min
    )


def conductivity_after_us_cm(
    hours: ArrayLike,
    start_us_cm: ArrayLike,
    makeup_conductivity_us_cm: ArrayLike,
    volume_l: ArrayLike,
    *,
    evaporation_l_min: ArrayLike,
    bleed_l_min: ArrayLike,
) -> FloatArray:
    r"""Conductivity of a well-mixed basin at constant level after some time.

    .. math:: V\,dC/dt = (E + B)\,C_{makeup} - B\,C

    Parameters
    ----------
    hours : array
        Time since the start. [h]
    start_us_cm, makeup_conductivity_us_cm : array
        Of the basin at the start, and of the make-up water. [µS/cm]
    volume_l : array
        Water in circulation. [L]
    evaporation_l_min : array
        Evaporation. [L/min]
    bleed_l_min : array
        All water that leaves as liquid; 0 gives the straight line of a closed bleed. [L/min]

    Returns
    -------
    array of the common shape
        NaN for a negative input or no volume. [µS/cm]

    References
    ----------
    Solution of the mass balance of dissolved solids.

    Examples
    --------
    >>> flows = {"evaporation_l_min": 100 / 60, "bleed_l_min": [50 / 60, 0.0]}
    >>> conductivity_after_us_cm(10.0, 300.0, 300.0, 1000.0, **flows).round(2)
    array([536.08, 600.  ])
    """
    t_min = 60.0 * within(hours, 0.0, 1.0e6)
    v = positive(volume_l)
    e, b = non_negative(evaporation_l_min), non_negative(bleed_l_min)
    x = b * t_min / v  # volumes bled
    # (1 - exp(-x)) / x, which is 1 without bleed
    some = np.where(x > 0.0, x, 1.0)
    mean_decay = np.where(x > 0.0, -np.expm1(-some) / some, 1.0)
    gained = non_negative(makeup_conductivity_us_cm) * (e + b) * t_min / v * mean_decay
    return non_negative(start_us_cm) * np.exp(-x) + np.where(np.isnan(x), np.nan, gained)


def conductivity_slope_us_cm_h(
    conductivity_us_cm: ArrayLike,
    makeup_conductivity_us_cm: ArrayLike,
    volume_l: ArrayLike,
    evaporation_l_min: ArrayLike,
    bleed_l_min: ArrayLike,
) -> FloatArray:
    r"""Rate at which conductivity rises just now.

    .. math:: dC/dt = \frac{(E + B)\,C_{makeup} - B\,C}{V}

    Parameters
    ----------
    conductivity_us_cm, makeup_conductivity_us_cm : array
        Of basin and make-up water. [µS/cm]
    volume_l : array
        Water in circulation. [L]
    evaporation_l_min, bleed_l_min : array
        Evaporation, and all water that leaves as liquid. [L/min]

    Returns
    -------
    array of the common shape
        Negative while the water is being diluted; NaN for a negative input or no volume.
        [(µS/cm)/h]

    References
    ----------
    Mass balance of dissolved solids at constant level.

    Examples
    --------
    >>> conductivity_slope_us_cm_h([300.0, 900.0], 300.0, 1000.0, 100 / 60, 50 / 60).round(3)
    array([30.,  0.])
    """
    c_m = non_negative(makeup_conductivity_us_cm)
    e, b = non_negative(evaporation_l_min), non_negative(bleed_l_min)
    rate = (e + b) * c_m - b * non_negative(conductivity_us_cm)
    return rate * 60.0 / positive(volume_l)


def no_bleed_slope_us_cm_h(
    makeup_conductivity_us_cm: ArrayLike, volume_l: ArrayLike, evaporation_l_min: ArrayLike
) -> FloatArray:
    r"""Rate at which conductivity rises with the bleed shut: the signature of a blocked bleed.

    .. math:: dC/dt = E\,C_{makeup} / V

    Parameters
    ----------
    makeup_conductivity_us_cm : array
        Of the make-up water. [µS/cm]
    volume_l : array
        Water in circulation. [L]
    evaporation_l_min : array
        Evaporation. [L/min]

    Returns
    -------
    array of the common shape
        NaN for a negative input or no volume. [(µS/cm)/h]

    References
    ----------
    Mass balance of dissolved solids at constant level.

    Examples
    --------
    >>> no_bleed_slope_us_cm_h([300.0], 1000.0, 100 / 60).round(3)
    array([30.])
    """
    return conductivity_slope_us_cm_h(
        0.0, makeup_conductivity_us_cm, volume_l, evaporation_l_min, 0.0
    )


def _above_one(cycles: ArrayLike) -> FloatArray:
    """Cycles less one, NaN for cycles of one or less."""
    return positive(within(cycles, 1.0, 1.0e6) - 1.0)
