"""Electrical conductivity of water referred to 25 °C, and back to the water's temperature.

Two compensations: the linear one that most probes have built in, and the non-linear function for
natural waters. Compare readings only when both were referred the same way. Conductivities are in
µS/cm throughout: 1 mS/cm = 0.1 S/m = 1,000 µS/cm.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.physics._arrays import FloatArray, non_negative, within

__all__ = [
    "DEFAULT_ALPHA_PCT_PER_K",
    "at_temperature_linear_us_cm",
    "at_temperature_natural_water_us_cm",
    "natural_water_factor",
    "referred_linear_us_cm",
    "referred_natural_water_us_cm",
]

DEFAULT_ALPHA_PCT_PER_K: Final = 1.91
"""Temperature coefficient of natural waters that field instruments commonly assume. [%/K]"""

LINEAR_RANGE_DEGC: Final = (0.0, 50.0)
"""Within it a constant coefficient is a fair description: that of 0.01 mol/kg KCl runs from 1.81 to
2.03 %/K (Wu et al. 1991). [°C]"""

# ISO 7888:1985 (EN 27888), factor f25 at 0, 1 .. 35 °C. The standard prints it in steps of 0.1 K up
# to 35.9 °C; taken here from two agreeing reproductions, the standard itself was not seen.
_FACTOR_25: Final = (
    1.918, 1.857, 1.800, 1.745, 1.693, 1.643, 1.596, 1.551, 1.508, 1.467, 1.428, 1.390,
    1.354, 1.320, 1.287, 1.256, 1.225, 1.196, 1.168, 1.141, 1.116, 1.091, 1.067, 1.044,
    1.021, 1.000, 0.979, 0.959, 0.940, 0.921, 0.903, 0.886, 0.869, 0.853, 0.837, 0.822,
)  # fmt: skip


def referred_linear_us_cm(
    conductivity_us_cm: ArrayLike,
    water_degc: ArrayLike,
    alpha_pct_per_k: ArrayLike = DEFAULT_ALPHA_PCT_PER_K,
) -> FloatArray:
    r"""Conductivity referred to 25 °C with a constant coefficient.

    .. math:: \kappa_{25} = \frac{\kappa_T}{1 + \alpha (T - 25)}

    Parameters
    ----------
    conductivity_us_cm : array
        Conductivity at the water's temperature. [µS/cm]
    water_degc : array
        Temperature of the water. [°C]
    alpha_pct_per_k : array
        Temperature coefficient, 0 to 3. [%/K]

    Returns
    -------
    array of the common shape
        NaN outside 0 to 50 °C, for a coefficient outside its range and for negative conductivity.
        [µS/cm]

    References
    ----------
    Definition of the linear compensation.

    Examples
    --------
    >>> referred_linear_us_cm([700.0, 1500.0, 700.0], [10.0, 30.0, -3.0]).round(2)
    array([ 981.08, 1369.24,     nan])
    """
    return non_negative(conductivity_us_cm) / _linear(water_degc, alpha_pct_per_k)


def at_temperature_linear_us_cm(
    referred_us_cm: ArrayLike,
    water_degc: ArrayLike,
    alpha_pct_per_k: ArrayLike = DEFAULT_ALPHA_PCT_PER_K,
) -> FloatArray:
    """Conductivity at the water's temperature: the inverse of :func:`referred_linear_us_cm`.

    Parameters
    ----------
    referred_us_cm : array
        Conductivity referred to 25 °C. [µS/cm]
    water_degc : array
        Temperature of the water. [°C]
    alpha_pct_per_k : array
        Temperature coefficient, 0 to 3. [%/K]

    Returns
    -------
    array of the common shape
        NaN as for :func:`referred_linear_us_cm`. [µS/cm]

    References
    ----------
    Definition of the linear compensation.

    Examples
    --------
    >>> at_temperature_linear_us_cm([981.08], 10.0).round(1)
    array([700.])
    """
    return non_negative(referred_us_cm) * _linear(water_degc, alpha_pct_per_k)


def natural_water_factor(water_degc: ArrayLike) -> FloatArray:
    """Factor that refers the conductivity of natural water to 25 °C.

    Parameters
    ----------
    water_degc : array
        Temperature of the water. [°C]

    Returns
    -------
    array of the same shape
        NaN outside 0 to 35 °C. [-]

    Notes
    -----
    For natural waters of about 60 to 1,000 µS/cm. Interpolated between whole degrees, which adds
    less than 0.001.

    References
    ----------
    ISO 7888:1985 (EN 27888), from reproductions of its table.

    Examples
    --------
    >>> natural_water_factor([0.0, 10.5, 25.0, 40.0]).round(3)
    array([1.918, 1.409, 1.   ,   nan])
    """
    t = within(water_degc, 0.0, 35.0)
    return np.asarray(np.interp(t, np.arange(len(_FACTOR_25)), _FACTOR_25))


def referred_natural_water_us_cm(
    conductivity_us_cm: ArrayLike, water_degc: ArrayLike
) -> FloatArray:
    """Conductivity referred to 25 °C by the non-linear function of natural waters.

    Parameters
    ----------
    conductivity_us_cm : array
        Conductivity at the water's temperature. [µS/cm]
    water_degc : array
        Temperature of the water. [°C]

    Returns
    -------
    array of the common shape
        NaN outside 0 to 35 °C and for negative conductivity. [µS/cm]

    References
    ----------
    ISO 7888:1985 (EN 27888), from reproductions of its table.

    Examples
    --------
    >>> referred_natural_water_us_cm([700.0, 700.0], [10.0, 36.0]).round(1)
    array([999.6,   nan])
    """
    return non_negative(conductivity_us_cm) * natural_water_factor(water_degc)


def at_temperature_natural_water_us_cm(
    referred_us_cm: ArrayLike, water_degc: ArrayLike
) -> FloatArray:
    """Conductivity at the water's temperature: inverse of :func:`referred_natural_water_us_cm`.

    Parameters
    ----------
    referred_us_cm : array
        Conductivity referred to 25 °C. [µS/cm]
    water_degc : array
        Temperature of the water. [°C]

    Returns
    -------
    array of the common shape
        NaN as for :func:`referred_natural_water_us_cm`. [µS/cm]

    References
    ----------
    ISO 7888:1985 (EN 27888), from reproductions of its table.

    Examples
    --------
    >>> at_temperature_natural_water_us_cm([999.6], 10.0).round(1)
    array([700.])
    """
    return non_negative(referred_us_cm) / natural_water_factor(water_degc)


def _linear(water_degc: ArrayLike, alpha_pct_per_k: ArrayLike) -> FloatArray:
    t = within(water_degc, *LINEAR_RANGE_DEGC)
    return 1.0 + within(alpha_pct_per_k, 0.0, 3.0) / 100.0 * (t - 25.0)
