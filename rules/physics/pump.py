"""Recirculating pump: what its current says about power and flow, and how sure that is.

Motor current is a weak witness: part of it only magnetises the motor, and a pump still takes about
half its power at no flow. So a small fall of current can mean a large loss of water, and an
estimate of flow from current always comes with its standard deviation. Affinity laws, hydraulic
power and motor current for cross-checks are here too.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from rules.physics._arrays import BoolArray, FloatArray, non_negative, positive, real, within
from rules.physics.openings import GRAVITY_M_S2

__all__ = [
    "Affinity",
    "FlowEstimate",
    "affinity",
    "current_at_rated_voltage_a",
    "current_for_shaft_power_frac",
    "electrical_power_kw",
    "flow_estimate",
    "flow_for_power_frac",
    "head_pressure_kpa",
    "hydraulic_power_w",
    "line_current_a",
    "npsh_available_m",
    "power_for_flow_frac",
    "shaft_power_frac",
    "shaft_power_w",
    "unloaded",
]

CURRENT_LIMIT_FRAC: Final = 1.5
"""Above it the motor is no longer on the branch of the model: overload or locked rotor. [-]"""
VOLTAGE_RANGE_FRAC: Final = (0.8, 1.15)
"""Below it the motor may stall, above it the iron saturates. Common practice. [-]"""
MAGNETISING_SD_FRAC: Final = 0.05
"""Standard deviation of the magnetising share: half of the usual span of 0.25 to 0.5 is about two
of these (from memory of motor texts). [-]"""
SHUTOFF_SD_FRAC: Final = 0.06
"""Standard deviation of the shut-off power: 0.4 to 0.6 evenly likely for radial pumps (from memory
of pump texts). [-]"""


class FlowEstimate(NamedTuple):
    """Flow as a fraction of the clean flow, and its standard deviation."""

    flow_frac: FloatArray
    sd_frac: FloatArray


class Affinity(NamedTuple):
    """Flow, head and power as fractions of those at full speed."""

    flow_frac: FloatArray
    head_frac: FloatArray
    power_frac: FloatArray


def current_at_rated_voltage_a(
    current_a: ArrayLike,
    voltage_v: ArrayLike,
    rated_voltage_v: ArrayLike,
    clean_current_a: ArrayLike,
    magnetising_frac: ArrayLike,
) -> FloatArray:
    r"""Motor current as it would be at rated voltage and the same shaft power.

    .. math:: I_0^2 = v^2 (I^2 - v^2 m^2 I_r^2) + m^2 I_r^2, \qquad v = V / V_r

    The working part of the current goes as 1/V, the magnetising part as V. A current at or below
    the magnetising part is all magnetising: it is divided by v.

    Parameters
    ----------
    current_a : array
        Measured line current. [A]
    voltage_v, rated_voltage_v : array
        Measured and rated supply voltage. [V]
    clean_current_a : array
        Current of this pump when clean, at rated voltage. [A]
    magnetising_frac : array
        Magnetising current as a fraction of the clean current, 0 to 0.95. [-]

    Returns
    -------
    array of the common shape
        NaN for a voltage outside 0.8 to 1.15 of rated (a motor that loses its supply has no such
        current) and for an input out of range. [A]

    References
    ----------
    Equivalent circuit of the induction motor at small slip, with working and magnetising currents
    at right angles; an approximation.

    Examples
    --------
    >>> current_at_rated_voltage_a([5.2, 5.0, 5.0], [360.0, 400.0, 200.0], 400.0, 5.0, 0.4).round(3)
    array([4.825, 5.   ,   nan])
    """
    i = non_negative(current_a)
    v = within(positive(voltage_v) / positive(rated_voltage_v), *VOLTAGE_RANGE_FRAC)
    magnetising = within(magnetising_frac, 0.0, 0.95) * positive(clean_current_a)
    working_sq = i**2 - (v * magnetising) ** 2
    loaded = np.sqrt(v**2 * np.maximum(working_sq, 0.0) + magnetising**2)
    return real(np.where(working_sq <= 0.0, i / v, loaded))  # NaN goes through `loaded`


def unloaded(current_frac: ArrayLike, magnetising_frac: ArrayLike) -> BoolArray:
    """Whether the current is no more than magnetises the motor: no shaft power can be read from it.

    The pump draws air, its coupling is broken, or the magnetising share is set too high.

    Parameters
    ----------
    current_frac : array
        Current over clean current, both at rated voltage. [-]
    magnetising_frac : array
        Magnetising share of the clean current. [-]

    Returns
    -------
    bool array of the common shape
        False where an input is NaN.

    References
    ----------
    The model of :func:`shaft_power_frac`.

    Examples
    --------
    >>> unloaded([0.3, 0.8, float("nan")], 0.45)
    array([ True, False, False])
    """
    return np.asarray(non_negative(current_frac) <= within(magnetising_frac, 0.0, 0.95))


def shaft_power_frac(current_frac: ArrayLike, magnetising_frac: ArrayLike) -> FloatArray:
    r"""Shaft power of the motor from its current, both as fractions of the clean state.

    .. math:: \frac{P}{P_r} = \sqrt{\frac{(I/I_r)^2 - m^2}{1 - m^2}}

    Parameters
    ----------
    current_frac : array
        Current over clean current, both at rated voltage. [-]
    magnetising_frac : array
        Magnetising current as a fraction of the clean current, 0 to 0.95. [-]

    Returns
    -------
    array of the common shape
        NaN where the current is below the magnetising share (see :func:`unloaded`) or above 1.5
        times the clean current. [-]

    References
    ----------
    Working and magnetising currents at right angles (common practice).

    Examples
    --------
    >>> shaft_power_frac([1.0, 0.88, 0.3, 6.0], 0.45).round(3)
    array([1.   , 0.847,   nan,   nan])
    """
    m = within(magnetising_frac, 0.0, 0.95)
    r = within(current_frac, m, CURRENT_LIMIT_FRAC)
    return real(np.sqrt((r**2 - m**2) / (1.0 - m**2)))


def current_for_shaft_power_frac(power_frac: ArrayLike, magnetising_frac: ArrayLike) -> FloatArray:
    """Motor current from shaft power: the inverse of :func:`shaft_power_frac`.

    Parameters
    ----------
    power_frac : array
        Shaft power over clean shaft power, 0 to 2. [-]
    magnetising_frac : array
        Magnetising current as a fraction of the clean current, 0 to 0.95. [-]

    Returns
    -------
    array of the common shape
        NaN outside those ranges. [-]

    References
    ----------
    Inverse of :func:`shaft_power_frac`.

    Examples
    --------
    >>> current_for_shaft_power_frac([1.0, 0.0, -0.1], 0.45)
    array([1.  , 0.45,  nan])
    """
    m = within(magnetising_frac, 0.0, 0.95)
    return real(np.sqrt(within(power_frac, 0.0, 2.0) ** 2 * (1.0 - m**2) + m**2))


def flow_for_power_frac(power_frac: ArrayLike, shutoff_power_frac: ArrayLike) -> FloatArray:
    r"""Flow of a radial pump from its shaft power, both as fractions of the clean state.

    .. math:: \frac{Q}{Q_r} = \frac{P/P_r - s}{1 - s}

    Parameters
    ----------
    power_frac : array
        Shaft power over clean shaft power. [-]
    shutoff_power_frac : array
        Shaft power at no flow over clean shaft power, 0 to 0.95. [-]

    Returns
    -------
    array of the common shape
        NaN below the shut-off power, where the pump is not moving water as a pump (air, worn
        impeller, reduced voltage), and above 2. [-]

    Notes
    -----
    A straight line for what is a shallow curve; mixed-flow and axial pumps behave otherwise.

    References
    ----------
    Common practice; radial pumps take 40 to 60 % of rated power at no flow (from memory of pump
    texts).

    Examples
    --------
    >>> flow_for_power_frac([1.0, 0.847, 0.5, 0.4], 0.5).round(3)
    array([1.   , 0.694, 0.   ,   nan])
    """
    s = within(shutoff_power_frac, 0.0, 0.95)
    return (within(power_frac, s, 2.0) - s) / (1.0 - s)


def power_for_flow_frac(flow_frac: ArrayLike, shutoff_power_frac: ArrayLike) -> FloatArray:
    """Shaft power from flow: the inverse of :func:`flow_for_power_frac`.

    Parameters
    ----------
    flow_frac : array
        Flow over clean flow, 0 to 2. [-]
    shutoff_power_frac : array
        Shaft power at no flow over clean shaft power, 0 to 0.95. [-]

    Returns
    -------
    array of the common shape
        NaN outside those ranges. [-]

    References
    ----------
    Inverse of :func:`flow_for_power_frac`.

    Examples
    --------
    >>> power_for_flow_frac([1.0, 0.7, 0.0], 0.5)
    array([1.  , 0.85, 0.5 ])
    """
    s = within(shutoff_power_frac, 0.0, 0.95)
    return s + within(flow_frac, 0.0, 2.0) * (1.0 - s)


def flow_estimate(
    current_frac: ArrayLike,
    magnetising_frac: ArrayLike,
    shutoff_power_frac: ArrayLike,
    current_sd_frac: ArrayLike,
    *,
    magnetising_sd_frac: ArrayLike = MAGNETISING_SD_FRAC,
    shutoff_sd_frac: ArrayLike = SHUTOFF_SD_FRAC,
) -> FlowEstimate:
    r"""Flow over the pads from motor current, with its standard deviation.

    First-order propagation of three independent errors: that of the current ratio, of the
    magnetising share m and of the shut-off power s.

    Parameters
    ----------
    current_frac : array
        Current over clean current, both at rated voltage. [-]
    magnetising_frac, shutoff_power_frac : array
        As for :func:`shaft_power_frac` and :func:`flow_for_power_frac`. [-]
    current_sd_frac : array
        Standard deviation of the current ratio: that of the median judged and of the baseline
        together. [-]
    magnetising_sd_frac, shutoff_sd_frac : array
        Standard deviations of the two shares, in the same unit as they. [-]

    Returns
    -------
    FlowEstimate of arrays of the common shape
        NaN where the flow cannot be read from the current. Not limited to 1. [-]

    Notes
    -----
    At the clean current m and s cancel and only the current's error is left. First order is fair
    while the result is above about 0.3.

    References
    ----------
    JCGM 100:2008 (guide to the expression of uncertainty in measurement), 5.1.2.

    Examples
    --------
    >>> flow, sd = flow_estimate([1.0, 0.88], 0.45, 0.5, 0.02)
    >>> flow.round(2), sd.round(2)
    (array([1.  , 0.69]), array([0.05, 0.07]))
    """
    m = within(magnetising_frac, 0.0, 0.95)
    s = within(shutoff_power_frac, 0.0, 0.95)
    p = shaft_power_frac(current_frac, m)
    flow = flow_for_power_frac(p, s)
    r = np.where(np.isnan(flow), np.nan, real(current_frac))
    # With s = 0 the flow may be 0 at no power, where the slope has no bound.
    p = np.where(p > 0.0, p, np.nan)
    by_current = r / ((1.0 - m**2) * p) / (1.0 - s)
    by_magnetising = -m * (1.0 - r**2) / ((1.0 - m**2) ** 2 * p) / (1.0 - s)
    by_shutoff = -(1.0 - p) / (1.0 - s) ** 2
    sd = np.sqrt(
        (by_current * non_negative(current_sd_frac)) ** 2
        + (by_magnetising * non_negative(magnetising_sd_frac)) ** 2
        + (by_shutoff * non_negative(shutoff_sd_frac)) ** 2
    )
    return FlowEstimate(np.where(np.isnan(sd), np.nan, flow), real(sd))


def affinity(speed_frac: ArrayLike) -> Affinity:
    r"""Affinity laws of pumps and fans on an unchanged system.

    .. math:: Q \propto n, \quad H \propto n^2, \quad P \propto n^3

    Parameters
    ----------
    speed_frac : array
        Speed over full speed, 0 to 2. [-]

    Returns
    -------
    Affinity of arrays of the same shape
        NaN outside that range. [-]

    References
    ----------
    Any pump or fan text.

    Examples
    --------
    >>> [a.round(3) for a in affinity([0.8])]
    [array([0.8]), array([0.64]), array([0.512])]
    """
    n = within(speed_frac, 0.0, 2.0)
    return Affinity(n, n**2, n**3)


def hydraulic_power_w(flow_l_min: ArrayLike, pressure_rise_kpa: ArrayLike) -> FloatArray:
    r"""Power that a pump gives to the water.

    .. math:: P = Q \, \Delta p

    Parameters
    ----------
    flow_l_min : array
        Flow. [L/min]
    pressure_rise_kpa : array
        Pressure rise over the pump. [kPa]

    Returns
    -------
    array of the common shape
        NaN for a negative input. [W]

    References
    ----------
    Definition.

    Examples
    --------
    >>> hydraulic_power_w([600.0], 50.0)
    array([500.])
    """
    return non_negative(flow_l_min) * non_negative(pressure_rise_kpa) / 60.0


def shaft_power_w(
    flow_l_min: ArrayLike, pressure_rise_kpa: ArrayLike, efficiency_frac: ArrayLike
) -> FloatArray:
    """Shaft power that a pump takes.

    Parameters
    ----------
    flow_l_min, pressure_rise_kpa : array
        As for :func:`hydraulic_power_w`. [L/min, kPa]
    efficiency_frac : array
        Efficiency of the pump, above 0 and up to 1. [-]

    Returns
    -------
    array of the common shape
        NaN for an input outside its range. [W]

    References
    ----------
    Definition of pump efficiency.

    Examples
    --------
    >>> shaft_power_w([600.0, 600.0], 50.0, [0.5, 1.2])
    array([1000.,   nan])
    """
    efficiency = positive(within(efficiency_frac, 0.0, 1.0))
    return hydraulic_power_w(flow_l_min, pressure_rise_kpa) / efficiency


def head_pressure_kpa(head_m: ArrayLike, density_kg_m3: ArrayLike = 998.2) -> FloatArray:
    r"""Pressure of a head of water.

    .. math:: p = \rho g H

    Parameters
    ----------
    head_m : array
        Height of the water column, -100 to 1,000. [m]
    density_kg_m3 : array
        Density of the water, 900 to 1,100; default at 20 °C. [kg/m³]

    Returns
    -------
    array of the common shape
        NaN outside those ranges. [kPa]

    References
    ----------
    Hydrostatics.

    Examples
    --------
    >>> head_pressure_kpa([8.0]).round(2)
    array([78.31])
    """
    density = within(density_kg_m3, 900.0, 1100.0)
    return density * GRAVITY_M_S2 * within(head_m, -100.0, 1000.0) / 1000.0


def electrical_power_kw(
    voltage_v: ArrayLike, current_a: ArrayLike, power_factor: ArrayLike, phases: ArrayLike = 3
) -> FloatArray:
    r"""Electrical power from voltage, current and power factor.

    .. math:: P = \sqrt{3}\, V I \cos\varphi

    for three phases (V between lines), and without the root for one.

    Parameters
    ----------
    voltage_v : array
        Between lines for three phases, line to neutral for one. [V]
    current_a : array
        Line current. [A]
    power_factor : array
        0 to 1. [-]
    phases : array
        1 or 3. [-]

    Returns
    -------
    array of the common shape
        NaN for an input outside its range. [kW]

    References
    ----------
    Definition.

    Examples
    --------
    >>> electrical_power_kw([400.0], 10.0, 0.85).round(3)
    array([5.889])
    """
    volt_ampere = _phase_factor(phases) * non_negative(voltage_v) * non_negative(current_a)
    return volt_ampere * within(power_factor, 0.0, 1.0) / 1000.0


def line_current_a(
    shaft_power_kw: ArrayLike,
    voltage_v: ArrayLike,
    efficiency_frac: ArrayLike,
    power_factor: ArrayLike,
    phases: ArrayLike = 3,
) -> FloatArray:
    """Line current of a motor from its shaft power.

    Parameters
    ----------
    shaft_power_kw : array
        Power at the shaft. [kW]
    voltage_v : array
        Between lines for three phases, line to neutral for one. [V]
    efficiency_frac, power_factor : array
        Of the motor at that load, above 0 and up to 1. [-]
    phases : array
        1 or 3. [-]

    Returns
    -------
    array of the common shape
        NaN for an input outside its range. [A]

    References
    ----------
    Definition.

    Examples
    --------
    >>> line_current_a([4.0], 400.0, 0.88, 0.83).round(3)
    array([7.905])
    """
    efficiency = positive(within(efficiency_frac, 0.0, 1.0))
    factor = positive(within(power_factor, 0.0, 1.0))
    volts = _phase_factor(phases) * positive(voltage_v)
    return non_negative(shaft_power_kw) * 1000.0 / (volts * efficiency * factor)


def npsh_available_m(
    barometric_kpa_abs: ArrayLike,
    vapour_pressure_kpa_abs: ArrayLike,
    water_above_suction_m: ArrayLike,
    suction_loss_m: ArrayLike,
    density_kg_m3: ArrayLike = 998.2,
) -> FloatArray:
    r"""Net positive suction head available to a pump.

    .. math:: NPSH_a = \frac{p_{atm} - p_v}{\rho g} + z - h_f

    A clogging screen shows as growing loss: the pump cavitates when this falls below what it needs.

    Parameters
    ----------
    barometric_kpa_abs, vapour_pressure_kpa_abs : array
        Pressure on the basin, and saturation pressure of its water. [kPa abs]
    water_above_suction_m : array
        Level of the water above the pump's eye, negative below. [m]
    suction_loss_m : array
        Head lost in screen and suction pipe. [m]
    density_kg_m3 : array
        Density of the water, 900 to 1,100. [kg/m³]

    Returns
    -------
    array of the common shape
        May be negative; NaN for an input outside its range. [m]

    References
    ----------
    Definition, any pump text.

    Examples
    --------
    >>> npsh_available_m([101.325], 4.247, 0.3, 0.4, 995.6).round(2)
    array([9.84])
    """
    density = within(density_kg_m3, 900.0, 1100.0)
    pressure_head = (
        (non_negative(barometric_kpa_abs) - non_negative(vapour_pressure_kpa_abs))
        * 1000.0
        / (density * GRAVITY_M_S2)
    )
    return pressure_head + within(water_above_suction_m, -20.0, 20.0) - non_negative(suction_loss_m)


def _phase_factor(phases: ArrayLike) -> FloatArray:
    n = real(phases)
    return np.where(n == 3.0, np.sqrt(3.0), np.where(n == 1.0, 1.0, np.nan))
