r"""Heat rejection: fans, airflow, capacity, and the condensing temperature to expect.

The condensing side is taken as isothermal, so that effectiveness is 1 - exp(-NTU), with UA going
as a power of the airflow. Temperature difference (TD) means dew-line condensing temperature less
the dry bulb of the air on the coil: behind the pads when wet, ambient when dry. A reference TD
learned in one mode says nothing in the other.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.physics._arrays import FloatArray, non_negative, positive, real, within

__all__ = [
    "UA_EXPONENT",
    "air_on_coil_degc",
    "airflow_frac",
    "capacity_frac",
    "expected_condensing_degc",
    "expected_td_k",
    "fans_in_mask",
    "resistance_ratio",
    "temperature_difference_k",
    "ua_frac",
    "ua_loss_frac",
]

FULL_FLOW_NTU: Final = 1.0
"""Transfer units at full airflow: 0.7 to 1.5 are usual for dry coils (common practice). [-]"""
UA_EXPONENT: Final = 0.5
"""UA goes as airflow to this power; 0.5 to 0.6 for finned coils (common practice). [-]"""

_MASK_MAX: Final = float(2**32 - 1)


def fans_in_mask(mask: ArrayLike, fan_count: ArrayLike) -> FloatArray:
    """Number of fans whose bit is set; bits beyond the fans there are do not count.

    Parameters
    ----------
    mask : array
        Bit mask as it travels, a whole number; bit 0 for fan 1.
    fan_count : array
        Number of fans, 1 to 32.

    Returns
    -------
    array of the common shape
        NaN where the mask is NaN, not whole, negative or wider than 32 bits, or the count is out
        of range.

    References
    ----------
    The signal catalogue.

    Examples
    --------
    >>> fans_in_mask([0b1011, 0b1111_0000, float("nan")], 4)
    array([ 3.,  0., nan])
    """
    m, n = np.broadcast_arrays(within(mask, 0.0, _MASK_MAX), within(fan_count, 1.0, 32.0))
    known = (m == np.floor(m)) & (n == np.floor(n))
    bits = np.where(known, m, 0.0).astype(np.uint64)
    wanted = (np.uint64(1) << np.where(known, n, 0.0).astype(np.uint64)) - np.uint64(1)
    return np.where(known, _popcount(bits & wanted), np.nan)


def airflow_frac(
    fans_running: ArrayLike, fan_count: ArrayLike, speed_pct: ArrayLike = 100.0
) -> FloatArray:
    r"""Airflow as a fraction of all fans at full speed.

    .. math:: V = \frac{k}{N} \, n

    Parameters
    ----------
    fans_running : array
        Fans proven running. [-]
    fan_count : array
        Fans there are. [-]
    speed_pct : array
        Speed of the running fans, 0 to 120. [%]

    Returns
    -------
    array of the common shape
        NaN where more fans run than there are, or an input is out of range. [-]

    Notes
    -----
    Equal fans and no flow back through idle ones: ±15 %. More is lost where an idle fan is an open
    way back, less where the others gain flow on their curves.

    References
    ----------
    Affinity law; the tolerance is common practice.

    Examples
    --------
    >>> airflow_frac([3.0, 4.0, 5.0], 4, [100.0, 50.0, 100.0])
    array([0.75, 0.5 ,  nan])
    """
    n = within(fan_count, 1.0, 1000.0)
    return within(fans_running, 0.0, n) / n * within(speed_pct, 0.0, 120.0) / 100.0


def ua_frac(airflow_frac: ArrayLike, exponent: ArrayLike = UA_EXPONENT) -> FloatArray:
    r"""Heat transfer UA as a fraction of that at full airflow.

    .. math:: UA \propto V^{x}

    Parameters
    ----------
    airflow_frac : array
        Airflow over full airflow, 0 to 1.5. [-]
    exponent : array
        0 to 1. [-]

    Returns
    -------
    array of the common shape
        NaN outside those ranges. [-]

    References
    ----------
    Air-side heat transfer of finned coils (common practice).

    Examples
    --------
    >>> ua_frac([1.0, 0.5, 2.0]).round(3)
    array([1.   , 0.707,   nan])
    """
    return real(within(airflow_frac, 0.0, 1.5) ** within(exponent, 0.0, 1.0))


def capacity_frac(
    airflow_frac: ArrayLike,
    *,
    full_flow_ntu: ArrayLike = FULL_FLOW_NTU,
    exponent: ArrayLike = UA_EXPONENT,
) -> FloatArray:
    r"""Capacity at the same TD, as a fraction of that at full airflow.

    .. math:: \frac{Q}{Q_0} = V \frac{1 - \exp(-NTU_0 V^{x - 1})}{1 - \exp(-NTU_0)}

    Parameters
    ----------
    airflow_frac : array
        Airflow over full airflow, 0 to 1.5. [-]
    full_flow_ntu : array
        Transfer units at full airflow, above 0 and up to 10. [-]
    exponent : array
        Power by which UA follows airflow, 0 to 1. [-]

    Returns
    -------
    array of the common shape
        0 without airflow (natural draught is not modelled); NaN outside those ranges. [-]

    References
    ----------
    Effectiveness-NTU method, one side isothermal (any heat transfer text).

    Examples
    --------
    >>> capacity_frac([1.0, 0.75, 0.5, 0.0]).round(3)
    array([1.   , 0.813, 0.599, 0.   ])
    """
    v = within(airflow_frac, 0.0, 1.5)
    ntu = positive(within(full_flow_ntu, 0.0, 10.0))
    x = within(exponent, 0.0, 1.0)
    moving = np.where(v > 0.0, np.maximum(v, 1.0e-9), 1.0)
    moving = np.where(np.isnan(v), np.nan, moving)
    fraction = -np.expm1(-ntu * moving ** (x - 1.0)) / -np.expm1(-ntu)
    return real(v * fraction)


def temperature_difference_k(condensing_degc: ArrayLike, air_on_coil_degc: ArrayLike) -> FloatArray:
    """Condensing temperature less the temperature of the air on the coil.

    Parameters
    ----------
    condensing_degc : array
        Condensing temperature, dew line. [°C]
    air_on_coil_degc : array
        Dry bulb of the air that meets the coil. [°C]

    Returns
    -------
    array of the common shape
        Negative where the air is warmer, as in a unit at rest: not clamped. NaN outside -60 to
        +140 °C. [K]

    References
    ----------
    Rating practice of air-cooled condensers.

    Examples
    --------
    >>> temperature_difference_k([45.0], 33.0)
    array([12.])
    """
    return within(condensing_degc, -60.0, 140.0) - within(air_on_coil_degc, -60.0, 140.0)


def air_on_coil_degc(
    ambient_degc: ArrayLike, pad_outlet_degc: ArrayLike, wet_mode: ArrayLike
) -> FloatArray:
    """Dry bulb of the air that meets the coil: behind the pads when wet, ambient when dry.

    Parameters
    ----------
    ambient_degc, pad_outlet_degc : array
        Air before and behind wetted pads. [°C]
    wet_mode : array
        1 with wetted pads, 0 dry. [-]

    Returns
    -------
    array of the common shape
        NaN where the mode is neither 0 nor 1, or the temperature of that mode is NaN. [°C]

    References
    ----------
    Definition.

    Examples
    --------
    >>> air_on_coil_degc(35.0, 24.2, [0.0, 1.0, float("nan")])
    array([35. , 24.2,  nan])
    """
    mode = real(wet_mode)
    dry = np.where(mode == 0.0, within(ambient_degc, -60.0, 70.0), np.nan)
    return np.where(mode == 1.0, within(pad_outlet_degc, -60.0, 70.0), dry)


def expected_td_k(
    reference_td_k: ArrayLike,
    load_frac: ArrayLike,
    airflow_frac: ArrayLike = 1.0,
    *,
    full_flow_ntu: ArrayLike = FULL_FLOW_NTU,
    exponent: ArrayLike = UA_EXPONENT,
) -> FloatArray:
    r"""TD of a clean unit at a load and an airflow.

    .. math:: TD = TD_{ref} \frac{Q/Q_{ref}}{capacity(V)}

    Parameters
    ----------
    reference_td_k : array
        TD of the clean unit at reference load and full airflow, in the same mode. [K]
    load_frac : array
        Heat rejected over reference load. [-]
    airflow_frac : array
        Airflow over full airflow, above 0 and up to 1.5. [-]
    full_flow_ntu, exponent : array
        As for :func:`capacity_frac`. [-]

    Returns
    -------
    array of the common shape
        NaN without airflow, and for an input out of range. [K]

    References
    ----------
    Effectiveness-NTU method, one side isothermal: heat goes as TD at fixed airflow.

    Examples
    --------
    >>> expected_td_k(12.0, [1.0, 0.5, 1.0, 1.0], [1.0, 1.0, 0.5, 0.0]).round(2)
    array([12.  ,  6.  , 20.04,   nan])
    """
    capacity = positive(capacity_frac(airflow_frac, full_flow_ntu=full_flow_ntu, exponent=exponent))
    return non_negative(reference_td_k) * non_negative(load_frac) / capacity


def expected_condensing_degc(
    air_on_coil_degc: ArrayLike,
    reference_td_k: ArrayLike,
    load_frac: ArrayLike,
    airflow_frac: ArrayLike = 1.0,
    *,
    full_flow_ntu: ArrayLike = FULL_FLOW_NTU,
    exponent: ArrayLike = UA_EXPONENT,
) -> FloatArray:
    """Condensing temperature (dew line) to expect of a clean unit.

    Parameters
    ----------
    air_on_coil_degc : array
        Dry bulb of the air that meets the coil, see :func:`air_on_coil_degc`. [°C]
    reference_td_k, load_frac, airflow_frac, full_flow_ntu, exponent : array
        As for :func:`expected_td_k`. [K, -, -, -, -]

    Returns
    -------
    array of the common shape
        NaN as for :func:`expected_td_k`. [°C]

    Notes
    -----
    A site that holds a floor on head pressure condenses warmer than this in cool weather.

    References
    ----------
    As for :func:`expected_td_k`.

    Examples
    --------
    >>> expected_condensing_degc(30.0, 12.0, [1.0, 0.5])
    array([42., 36.])
    """
    td = expected_td_k(
        reference_td_k, load_frac, airflow_frac, full_flow_ntu=full_flow_ntu, exponent=exponent
    )
    return within(air_on_coil_degc, -60.0, 70.0) + td


def resistance_ratio(
    td_k: ArrayLike,
    load_frac: ArrayLike,
    reference_td_k: ArrayLike,
    airflow_frac: ArrayLike = 1.0,
    *,
    full_flow_ntu: ArrayLike = FULL_FLOW_NTU,
    exponent: ArrayLike = UA_EXPONENT,
) -> FloatArray:
    r"""Thermal resistance against the clean unit's, with load and airflow taken out.

    .. math:: R = \frac{TD / Q}{TD_{ref} / Q_{ref}} \, capacity(V)

    1 is clean; above 1 means fouling, an air-side restriction, non-condensable gas, overcharge, or
    fans that move less air than they report.

    Parameters
    ----------
    td_k : array
        Measured TD. [K]
    load_frac : array
        Heat rejected over reference load, above 0. [-]
    reference_td_k : array
        TD of the clean unit at reference load and full airflow, in the same mode. [K]
    airflow_frac, full_flow_ntu, exponent : array
        As for :func:`expected_td_k`. [-]

    Returns
    -------
    array of the common shape
        NaN without load or airflow and for a negative TD. [-]

    References
    ----------
    Effectiveness-NTU method, one side isothermal.

    Examples
    --------
    >>> resistance_ratio([12.0, 15.0, 6.0], [1.0, 1.0, 0.5], 12.0).round(3)
    array([1.  , 1.25, 1.  ])
    """
    expected = expected_td_k(
        reference_td_k, load_frac, airflow_frac, full_flow_ntu=full_flow_ntu, exponent=exponent
    )
    return non_negative(td_k) / positive(expected)


def ua_loss_frac(
    resistance_frac: ArrayLike,
    airflow_frac: ArrayLike = 1.0,
    *,
    full_flow_ntu: ArrayLike = FULL_FLOW_NTU,
    exponent: ArrayLike = UA_EXPONENT,
) -> FloatArray:
    r"""Share of the clean UA that is lost, from the resistance ratio.

    .. math:: \frac{1 - \exp(-N (1 - L))}{1 - \exp(-N)} = \frac{1}{R},
        \qquad N = NTU_0 V^{x - 1}

    Less UA costs less than its share of capacity: what the air leaves behind it takes up later.

    Parameters
    ----------
    resistance_frac : array
        Resistance over the clean one as :func:`resistance_ratio` gives it, above 0. [-]
    airflow_frac : array
        Airflow over full airflow, above 0 and up to 1.5. [-]
    full_flow_ntu, exponent : array
        As for :func:`capacity_frac`. [-]

    Returns
    -------
    array of the common shape
        Negative for a ratio below 1, not below -1; NaN outside those ranges. [-]

    References
    ----------
    Effectiveness-NTU method, one side isothermal, solved for NTU.

    Examples
    --------
    >>> ua_loss_frac([1.0, 1.25, 2.0]).round(3)
    array([0.   , 0.295, 0.62 ])
    """
    r = positive(resistance_frac)
    v = positive(within(airflow_frac, 0.0, 1.5))
    ntu = positive(within(full_flow_ntu, 0.0, 10.0)) * v ** (within(exponent, 0.0, 1.0) - 1.0)
    effectiveness = np.minimum(-np.expm1(-ntu) / r, -np.expm1(-2.0 * ntu))
    return real(1.0 + np.log1p(-effectiveness) / ntu)


def _popcount(bits: np.ndarray[tuple[int, ...], np.dtype[np.uint64]]) -> FloatArray:
    """Bits set in whole numbers below 2**32, by adding neighbours in parallel."""
    u = np.uint64
    x = bits - ((bits >> u(1)) & u(0x55555555))
    x = (x & u(0x33333333)) + ((x >> u(2)) & u(0x33333333))
    x = (x + (x >> u(4))) & u(0x0F0F0F0F)
    return real(((x * u(0x01010101)) & u(0xFFFFFFFF)) >> u(24))
