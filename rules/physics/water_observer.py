r"""The basin's balances turned round: what flows and what water the readings imply.

Water and solids are each conserved,

.. math:: A\,\dot h = M - E - B, \qquad \frac{d(VC)}{dt} = M\,C_m - B\,C

with make-up M, evaporation E, all water that leaves as liquid B (bleed, leak, overflow), volume V,
level h, conductivity C of basin and C_m of make-up. So two of the flows, or one flow and the
conductivities, give the third. A negative answer is given as it is: the caller's evidence that the
make-up is not what it was said to be. Nothing here knows about faults or limits.
"""

from __future__ import annotations

from numpy.typing import ArrayLike

from rules.physics._arrays import FloatArray, non_negative, positive, within

__all__ = [
    "bleed_from_evaporation_l_min",
    "bleed_from_makeup_l_min",
    "makeup_conductivity_from_flows_us_cm",
    "makeup_from_balance_l_min",
]

_PER_MIN = 1.0 / 60.0


def makeup_from_balance_l_min(
    level_rate_mm_h: ArrayLike,
    evaporation_l_min: ArrayLike,
    bleed_l_min: ArrayLike,
    area_m2: ArrayLike,
) -> FloatArray:
    r"""Make-up that the course of the level implies.

    .. math:: M = A\,\dot h + E + B

    Parameters
    ----------
    level_rate_mm_h : array
        Rise of the level, negative while it falls. [mm/h]
    evaporation_l_min, bleed_l_min : array
        Water leaving as vapour and as liquid. [L/min]
    area_m2 : array
        Free water surface. [m²]

    Returns
    -------
    array of the common shape
        NaN for a negative flow. [L/min]

    References
    ----------
    Mass balance; US DOE FEMP, cooling tower management (from a quotation): make-up = evaporation +
    blowdown + drift.

    Examples
    --------
    >>> makeup_from_balance_l_min([0.0, -240.0], 6.0, 2.0, 2.0)
    array([8., 0.])
    """
    stored = _finite(level_rate_mm_h) * positive(area_m2) * _PER_MIN
    return stored + non_negative(evaporation_l_min) + non_negative(bleed_l_min)


def bleed_from_makeup_l_min(
    makeup_l_min: ArrayLike,
    conductivity_us_cm: ArrayLike,
    makeup_conductivity_us_cm: ArrayLike,
    volume_l: ArrayLike,
    slope_us_cm_h: ArrayLike,
    level_rate_mm_h: ArrayLike = 0.0,
    area_m2: ArrayLike = 1.0,
) -> FloatArray:
    r"""Water leaving as liquid, from a make-up meter and the solids balance.

    .. math:: B = \frac{M\,C_m - V\,\dot C}{C} - A\,\dot h

    Parameters
    ----------
    makeup_l_min : array
        Metered make-up. [L/min]
    conductivity_us_cm, makeup_conductivity_us_cm : array
        Of basin and make-up water. [µS/cm]
    volume_l : array
        Water in circulation. [L]
    slope_us_cm_h : array
        Rise of the conductivity. [(µS/cm)/h]
    level_rate_mm_h, area_m2 : array
        Rise of the level, and free water surface. [mm/h, m²]

    Returns
    -------
    array of the common shape
        NaN for a negative input or a basin without conductivity. [L/min]

    References
    ----------
    Mass balance of dissolved solids.

    Examples
    --------
    >>> bleed_from_makeup_l_min(150 / 60, 900.0, 300.0, 1000.0, [0.0, 45.0]).round(3)
    array([0.833, 0.   ])
    """
    c_m, v = non_negative(makeup_conductivity_us_cm), positive(volume_l)
    gained = non_negative(makeup_l_min) * c_m - v * _finite(slope_us_cm_h) * _PER_MIN
    stored = _finite(level_rate_mm_h) * positive(area_m2) * _PER_MIN
    return gained / positive(conductivity_us_cm) - stored


def bleed_from_evaporation_l_min(
    evaporation_l_min: ArrayLike,
    conductivity_us_cm: ArrayLike,
    makeup_conductivity_us_cm: ArrayLike,
    volume_l: ArrayLike,
    slope_us_cm_h: ArrayLike,
    level_rate_mm_h: ArrayLike = 0.0,
    area_m2: ArrayLike = 1.0,
) -> FloatArray:
    r"""Water leaving as liquid, from the evaporation and the solids balance, without any meter.

    .. math:: B = \frac{E\,C_m - V\,\dot C}{C - C_m} - A\,\dot h

    Parameters
    ----------
    evaporation_l_min : array
        Water evaporated at the pads. [L/min]
    conductivity_us_cm, makeup_conductivity_us_cm, volume_l, slope_us_cm_h : array
        As for :func:`bleed_from_makeup_l_min`. [µS/cm, µS/cm, L, (µS/cm)/h]
    level_rate_mm_h, area_m2 : array
        Rise of the level, and free water surface. [mm/h, m²]

    Returns
    -------
    array of the common shape
        NaN for a negative input, and where the basin is no more concentrated than the make-up: then
        what leaves cannot be told from what comes in. [L/min]

    Notes
    -----
    The nearer the cycles are to one, the more an error of C_m counts: by C_m / (C - C_m).

    References
    ----------
    Mass balance of dissolved solids with that of water.

    Examples
    --------
    >>> bleed_from_evaporation_l_min(100 / 60, [900.0, 300.0], 300.0, 1000.0, 0.0).round(3)
    array([0.833,   nan])
    """
    c, c_m = non_negative(conductivity_us_cm), non_negative(makeup_conductivity_us_cm)
    v = positive(volume_l)
    gained = non_negative(evaporation_l_min) * c_m - v * _finite(slope_us_cm_h) * _PER_MIN
    stored = _finite(level_rate_mm_h) * positive(area_m2) * _PER_MIN
    return gained / positive(c - c_m) - stored


def makeup_conductivity_from_flows_us_cm(
    makeup_l_min: ArrayLike,
    bleed_l_min: ArrayLike,
    conductivity_us_cm: ArrayLike,
    volume_l: ArrayLike,
    slope_us_cm_h: ArrayLike,
    level_rate_mm_h: ArrayLike = 0.0,
    area_m2: ArrayLike = 1.0,
) -> FloatArray:
    r"""Conductivity of the make-up that two meters and the solids balance imply.

    .. math:: C_m = \frac{B\,C + V\,\dot C + A\,\dot h\,C}{M}

    Parameters
    ----------
    makeup_l_min, bleed_l_min : array
        Metered make-up, and metered bleed with any other water that leaves as liquid. [L/min]
    conductivity_us_cm, volume_l, slope_us_cm_h : array
        As for :func:`bleed_from_makeup_l_min`. [µS/cm, L, (µS/cm)/h]
    level_rate_mm_h, area_m2 : array
        Rise of the level, and free water surface. [mm/h, m²]

    Returns
    -------
    array of the common shape
        NaN for a negative flow and without make-up. [µS/cm]

    References
    ----------
    Mass balance of dissolved solids.

    Examples
    --------
    >>> makeup_conductivity_from_flows_us_cm(150 / 60, [50 / 60, 0.0], 900.0, 1000.0, 0.0).round(3)
    array([300.,   0.])
    """
    c, v = non_negative(conductivity_us_cm), positive(volume_l)
    stored = _finite(level_rate_mm_h) * positive(area_m2) * _PER_MIN
    out = (non_negative(bleed_l_min) + stored) * c + v * _finite(slope_us_cm_h) * _PER_MIN
    return out / positive(makeup_l_min)


def _finite(values: ArrayLike) -> FloatArray:
    """Of either sign, NaN where not a number of a plant."""
    return within(values, -1.0e9, 1.0e9)
