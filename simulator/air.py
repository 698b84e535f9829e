"""Moist air for the simulated plant: saturation, wet bulb, density.

Saturation pressure after Buck (1981, J. Appl. Meteor. 20:1527, enhanced 1996 coefficients; from
memory), over water at every temperature because pads run only above freezing. Wet bulb from the
energy balance of adiabatic saturation, solved by Newton's method.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "barometric_kpa",
    "density_kg_m3",
    "dew_point_rh_pct",
    "humidity_ratio",
    "sat_vapour_kpa",
    "wet_bulb_degc",
]

FloatArray = NDArray[np.float64]

_CP_AIR = 1.006  # kJ/(kg K), dry air
_CP_VAPOUR = 1.86  # kJ/(kg K), water vapour
_CP_WATER = 4.186  # kJ/(kg K)
_H_FG0 = 2501.0  # kJ/kg, latent heat at 0 °C


def barometric_kpa(elevation_m: FloatArray | float) -> FloatArray:
    """Pressure of the standard atmosphere [kPa] at an elevation [m] (ICAO/ISO 2533)."""
    return np.asarray(101.325 * (1.0 - 0.0065 * np.asarray(elevation_m) / 288.15) ** 5.2559)


def sat_vapour_kpa(temp_degc: FloatArray) -> FloatArray:
    """Saturation vapour pressure over water [kPa] at a temperature [°C, -20 to 50]."""
    t = temp_degc
    return np.asarray(0.61121 * np.exp((18.678 - t / 234.5) * t / (257.14 + t)))


def humidity_ratio(vapour_kpa: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Kilograms of vapour a kilogram of dry air."""
    return np.asarray(0.62198 * vapour_kpa / (pressure_kpa - vapour_kpa))


def dew_point_rh_pct(temp_degc: FloatArray, dew_point_degc: FloatArray) -> FloatArray:
    """Relative humidity [%], at most 100, of air with this dew point."""
    rh = 100.0 * sat_vapour_kpa(dew_point_degc) / sat_vapour_kpa(temp_degc)
    return np.asarray(np.minimum(rh, 100.0))


def wet_bulb_degc(
    temp_degc: FloatArray, rh_pct: FloatArray, pressure_kpa: FloatArray
) -> FloatArray:
    """Thermodynamic wet bulb [°C] from dry bulb [°C], relative humidity [%] and pressure [kPa].

    The residual is the heat that air gives up on its way to saturation less the heat that the
    vapour takes up; eight Newton steps reach 0.001 K from the dry bulb anywhere in -20 to 50 °C.
    """
    w = humidity_ratio(0.01 * rh_pct * sat_vapour_kpa(temp_degc), pressure_kpa)
    t_wet = temp_degc - 0.35 * (temp_degc + 10.0) * (1.0 - 0.01 * rh_pct)

    def residual(t: FloatArray) -> FloatArray:
        w_sat = humidity_ratio(sat_vapour_kpa(t), pressure_kpa)
        gain = (w_sat - w) * (_H_FG0 + _CP_VAPOUR * temp_degc - _CP_WATER * t)
        lost = (_CP_AIR + w_sat * _CP_VAPOUR) * (temp_degc - t)
        return np.asarray(gain - lost)

    for _ in range(8):
        r = residual(t_wet)
        slope = (residual(t_wet + 0.01) - r) / 0.01
        t_wet = t_wet - r / slope
    return np.asarray(np.minimum(t_wet, temp_degc))


def density_kg_m3(
    temp_degc: FloatArray, vapour_kpa: FloatArray, pressure_kpa: FloatArray
) -> FloatArray:
    """Dry-air mass in a cubic metre of moist air [kg/m³]."""
    return np.asarray((pressure_kpa - vapour_kpa) / (0.287042 * (temp_degc + 273.15)))
