"""Water through openings: holes, valves, and over the lip of an overflow.

Used to say how much a basin loses over its overflow, what a bleed line of given bore can pass, and
what a distribution hole passes at a given pressure. Coefficients are those of sharp edges; a real
opening differs by about ±10 % (common practice).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.physics._arrays import FloatArray, non_negative, real, within

__all__ = [
    "GRAVITY_M_S2",
    "control_valve_flow_l_min",
    "orifice_flow_l_min",
    "orifice_pressure_flow_l_min",
    "overflow_lip_flow_l_min",
    "standpipe_overflow_l_min",
]

GRAVITY_M_S2: Final = 9.80665
"""Standard gravity. [m/s²]"""

ORIFICE_COEFFICIENT: Final = 0.61
"""Discharge coefficient of a sharp-edged hole, about 0.6 in hydraulics texts. [-]"""
WEIR_COEFFICIENT: Final = 0.62
"""Discharge coefficient of a sharp-crested rectangular weir. [-]"""

_M3_S_TO_L_MIN: Final = 60_000.0


def orifice_flow_l_min(
    diameter_mm: ArrayLike, head_m: ArrayLike, coefficient: ArrayLike = ORIFICE_COEFFICIENT
) -> FloatArray:
    r"""Flow through a round hole under a head of water.

    .. math:: Q = C_d A \sqrt{2 g h}

    Parameters
    ----------
    diameter_mm : array
        Bore of the hole. [mm]
    head_m : array
        Height of water above the hole. [m]
    coefficient : array
        Discharge coefficient, 0 to 1. [-]

    Returns
    -------
    array of the common shape
        NaN for a negative input. [L/min]

    References
    ----------
    Torricelli's law with a discharge coefficient, any hydraulics text.

    Examples
    --------
    >>> orifice_flow_l_min([10.0, 15.0], [2.0, 1.0]).round(2)
    array([18.  , 28.64])
    """
    speed = np.sqrt(2.0 * GRAVITY_M_S2 * non_negative(head_m))
    area = np.pi / 4.0 * (non_negative(diameter_mm) / 1000.0) ** 2
    return real(within(coefficient, 0.0, 1.0) * area * speed * _M3_S_TO_L_MIN)


def orifice_pressure_flow_l_min(
    diameter_mm: ArrayLike,
    pressure_drop_kpa: ArrayLike,
    coefficient: ArrayLike = ORIFICE_COEFFICIENT,
    density_kg_m3: ArrayLike = 998.2,
) -> FloatArray:
    r"""Flow through a round hole under a pressure difference.

    .. math:: Q = C_d A \sqrt{2 \Delta p / \rho}

    Parameters
    ----------
    diameter_mm : array
        Bore of the hole. [mm]
    pressure_drop_kpa : array
        Pressure before less pressure behind the hole. [kPa]
    coefficient : array
        Discharge coefficient, 0 to 1. [-]
    density_kg_m3 : array
        Density of the water, 900 to 1,100; default at 20 °C. [kg/m³]

    Returns
    -------
    array of the common shape
        NaN for a negative pressure difference or an input outside its range. [L/min]

    References
    ----------
    Bernoulli's equation with a discharge coefficient, any hydraulics text.

    Examples
    --------
    >>> orifice_pressure_flow_l_min([8.0], 300.0, 0.60).round(2)
    array([44.36])
    """
    density = within(density_kg_m3, 900.0, 1100.0)
    speed = np.sqrt(2.0 * 1000.0 * non_negative(pressure_drop_kpa) / density)
    area = np.pi / 4.0 * (non_negative(diameter_mm) / 1000.0) ** 2
    return real(within(coefficient, 0.0, 1.0) * area * speed * _M3_S_TO_L_MIN)


def control_valve_flow_l_min(kv_m3_h: ArrayLike, pressure_drop_kpa: ArrayLike) -> FloatArray:
    r"""Flow of water through a valve from its flow coefficient.

    .. math:: Q = K_v \sqrt{\Delta p / 1\,bar}

    Parameters
    ----------
    kv_m3_h : array
        Flow coefficient Kv: flow at a drop of 1 bar. [m³/h]
    pressure_drop_kpa : array
        Pressure before less pressure behind the valve. [kPa]

    Returns
    -------
    array of the common shape
        NaN for a negative input. [L/min]

    References
    ----------
    IEC 60534, definition of Kv (from memory), for cold water.

    Examples
    --------
    >>> (control_valve_flow_l_min([1.6], 300.0) * 60.0 / 1000.0).round(3)
    array([2.771])
    """
    return real(
        non_negative(kv_m3_h) * np.sqrt(non_negative(pressure_drop_kpa) / 100.0) * 1000.0 / 60.0
    )


def overflow_lip_flow_l_min(
    head_mm: ArrayLike, length_m: ArrayLike, coefficient: ArrayLike = WEIR_COEFFICIENT
) -> FloatArray:
    r"""Flow over a straight overflow lip, as over a rectangular weir.

    .. math:: Q = \tfrac{2}{3} C_d L \sqrt{2 g} H^{3/2}

    Parameters
    ----------
    head_mm : array
        Height of the water above the lip; nothing flows at or below zero. [mm]
    length_m : array
        Length of the lip. [m]
    coefficient : array
        Discharge coefficient, 0 to 1. [-]

    Returns
    -------
    array of the common shape
        NaN for a head outside -3,000 to 3,000 mm or another input out of range. [L/min]

    References
    ----------
    Rectangular weir formula, any hydraulics text.

    Examples
    --------
    >>> overflow_lip_flow_l_min([30.0, -5.0], 0.2).round(1)
    array([114.1,   0. ])
    """
    head_m = np.maximum(within(head_mm, -3000.0, 3000.0), 0.0) / 1000.0
    flow = 2.0 / 3.0 * np.sqrt(2.0 * GRAVITY_M_S2) * non_negative(length_m) * head_m**1.5
    return real(within(coefficient, 0.0, 1.0) * flow * _M3_S_TO_L_MIN)


def standpipe_overflow_l_min(
    head_mm: ArrayLike, diameter_mm: ArrayLike, coefficient: ArrayLike = WEIR_COEFFICIENT
) -> FloatArray:
    r"""Flow into an overflow standpipe, taken as a weir as long as its rim.

    Parameters
    ----------
    head_mm : array
        Height of the water above the rim; nothing flows at or below zero. [mm]
    diameter_mm : array
        Bore of the pipe. [mm]
    coefficient : array
        Discharge coefficient, 0 to 1. [-]

    Returns
    -------
    array of the common shape
        NaN where the head is above a quarter of the bore: the pipe runs full and takes less than
        this says. [L/min]

    References
    ----------
    Weir formula on the rim; its limit is common practice.

    Examples
    --------
    >>> standpipe_overflow_l_min([10.0, 40.0], 50.0).round(2)
    array([17.25,   nan])
    """
    bore = non_negative(diameter_mm)
    head = within(head_mm, -3000.0, bore / 4.0)
    return overflow_lip_flow_l_min(head, np.pi * bore / 1000.0, coefficient)
