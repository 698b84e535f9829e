"""Saturation pressure of the refrigerants that the simulated plant may hold.

An Antoine form ``ln p = a - b / (t + c)`` a refrigerant, fitted for this simulator to dew-line
pressures of an equation-of-state library between -10 and 65 °C (R744: -10 to 30.5 °C). Within
0.4 % of the library there; the tests assert 1 %.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["ANTOINE", "CO2_CRITICAL_DEGC", "antoine_columns", "dew_degc", "dew_pressure_kpa_abs"]

FloatArray = NDArray[np.float64]

# a [-], b [K], c [K] for ln(p/kPa) and t in °C.
ANTOINE: Final[dict[str, tuple[float, float, float]]] = {
    "R717": (15.39531, 2332.995, 249.959),
    "R744": (16.77603, 2809.586, 325.924),
    "R134a": (14.69492, 2249.153, 249.468),
    "R404A": (15.25274, 2475.981, 279.583),
    "R407A": (15.36988, 2438.170, 266.195),
    "R448A": (15.46148, 2513.562, 272.425),
    "R449A": (15.41255, 2497.492, 272.144),
    "R513A": (14.58551, 2243.447, 254.713),
}

CO2_CRITICAL_DEGC: Final = 30.98
"""Critical temperature of R744 (Span and Wagner 1996: 304.13 K)."""
# Above it a gas cooler's pressure is whatever its controller holds; the same smooth curve serves
# as that controller's line, since about 1.5 bar/K is also what such controllers follow
# (common practice). It is then not a saturation pressure.


def antoine_columns(refrigerants: Sequence[str]) -> FloatArray:
    """The coefficients of each refrigerant as an array (3, n); ``KeyError`` for an unknown one."""
    return np.array([ANTOINE[r] for r in refrigerants], dtype=np.float64).T


def dew_pressure_kpa_abs(temp_degc: FloatArray, antoine: FloatArray) -> FloatArray:
    """Dew-line pressure [kPa abs] at a temperature [°C, -10 to 65], coefficients (3, n)."""
    a, b, c = antoine
    return np.asarray(np.exp(a - b / (temp_degc + c)))


def dew_degc(pressure_kpa_abs: FloatArray, antoine: FloatArray) -> FloatArray:
    """Dew temperature [°C] at a pressure [kPa abs, above 0]: the inverse of the dew line."""
    a, b, c = antoine
    return np.asarray(b / (a - np.log(pressure_kpa_abs)) - c)
