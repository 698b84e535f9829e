"""The recirculating pump: where its curve meets the system's, and what its motor draws.

Parabolic pump curve against static lift, suction screen and distribution losses that grow with the
square of the flow, so the operating point has a closed form. Shapes of the curves are common
practice for small radial pumps; the figures are each unit's nameplate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "LOCKED_CURRENT_FRAC",
    "Protection",
    "PumpPlate",
    "motor_current_frac",
    "operating_flow_frac",
    "shaft_power_frac",
    "step_protection",
]

FloatArray = NDArray[np.float64]

_CLEAN_SCREEN_SHARE = 0.03  # loss of a clean suction screen at duty, share of rated pressure
_KPA_PER_MM = 0.00979  # water column

LOCKED_CURRENT_FRAC = 5.5
"""Current of a standing rotor at rated voltage over rated current (common practice: 4 to 7)."""

_PROTECTION_TAU_S = 800.0
_TRIPS_AT = 1.2**2
_CLOSES_AT = 0.6

_SCREEN_FLOW_LOSS = 0.60  # share of the flow lost when the screen fault has severity 1
_DISTRIBUTION_FLOW_LOSS = 0.50  # the same for blocked holes or pipe


@dataclass(frozen=True)
class PumpPlate:
    """Columns (n,) of ``[units.pump]``, the duty level, and how this very pump differs from it."""

    rated_pressure_kpa: FloatArray
    shutoff_power_frac: FloatArray
    magnetising_frac: FloatArray
    duty_level_mm: FloatArray
    minimum_level_mm: FloatArray
    duty_power_frac: FloatArray
    """Shaft power at the clean duty point over the motor's rated power."""
    shut_off_rise: float = 0.28
    """Head at zero flow above duty head, share of duty head."""
    static_share: float = 0.22
    """Static lift as a share of rated discharge pressure."""

    @property
    def static_kpa(self) -> FloatArray:
        """Pressure needed before any water flows. [kPa]"""
        return self.static_share * self.rated_pressure_kpa

    @property
    def duty_head_kpa(self) -> FloatArray:
        """Head at clean duty: discharge pressure and screen loss, less the level. [kPa]"""
        return (
            1.0 + _CLEAN_SCREEN_SHARE
        ) * self.rated_pressure_kpa - _KPA_PER_MM * self.duty_level_mm


def _extra_loss_kpa(clean_kpa: FloatArray, flow_kept: FloatArray) -> FloatArray:
    """Added loss factor that leaves this share of the flow, all losses going with flow squared."""
    return np.asarray(clean_kpa * (1.0 / (flow_kept * flow_kept) - 1.0))


def operating_flow_frac(
    plate: PumpPlate,
    level_mm: FloatArray,
    *,
    screen: FloatArray,
    distribution: FloatArray,
    air_frac: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Flow over rated flow, and gauge pressure at the discharge, of a running pump.

    Parameters
    ----------
    plate : PumpPlate
        Columns (n,).
    level_mm : (..., n) array
        Water level over the basin floor. [mm]
    screen, distribution : (..., n) array
        Severity of a blocked suction screen and of blocked spray holes, 0 to 1: at 1 they take
        60 % and 50 % of the flow.
    air_frac : (..., n) array
        Severity of air drawn in, 0 to 1: from pure water to lost prime.

    Returns
    -------
    flow_frac, discharge_kpa : (..., n) arrays
        0 to about 1.1, and [kPa gauge].

    """
    rated = plate.rated_pressure_kpa
    static = plate.static_kpa
    head = plate.duty_head_kpa
    clean = plate.shut_off_rise * head + _CLEAN_SCREEN_SHARE * rated + (rated - static)
    screen_extra = _extra_loss_kpa(clean, 1.0 - _SCREEN_FLOW_LOSS * screen)
    holes_extra = _extra_loss_kpa(clean, 1.0 - _DISTRIBUTION_FLOW_LOSS * distribution)
    # Air lowers the head the impeller makes; it makes none with the prime lost.
    made = (1.0 + plate.shut_off_rise) * head * (1.0 - 0.85 * air_frac)
    driving = made + _KPA_PER_MM * level_mm - static
    q2 = np.maximum(driving, 0.0) / (clean + screen_extra + holes_extra)
    q = np.sqrt(q2)
    discharge = np.where(
        q2 > 0.0,
        static + (rated - static + holes_extra) * q2,
        np.maximum(made + _KPA_PER_MM * level_mm, 0.0),
    )
    return q, np.asarray(discharge)


def shaft_power_frac(plate: PumpPlate, flow_frac: FloatArray, air_frac: FloatArray) -> FloatArray:
    """Shaft power over that at duty: rises from the shut-off share, a little concave in flow."""
    q = np.minimum(flow_frac, 1.3)
    shape = 1.12 * q - 0.12 * q * q * q
    power = plate.shutoff_power_frac + (1.0 - plate.shutoff_power_frac) * shape
    return np.asarray(power * (1.0 - 0.55 * air_frac))


def motor_current_frac(
    plate: PumpPlate, power_frac: FloatArray, voltage_frac: FloatArray
) -> FloatArray:
    """Line current over rated current.

    The magnetising part follows the voltage (a little faster, as the iron saturates); the load
    part goes against it, since the shaft asks for the same power at a lower voltage.
    """
    load = plate.duty_power_frac * power_frac / voltage_frac
    magnetising = plate.magnetising_frac * voltage_frac**1.5
    m2 = plate.magnetising_frac**2
    return np.asarray(np.sqrt(magnetising**2 + (1.0 - m2) * load**2))


@dataclass
class Protection:
    """Columns (n,) of the motor's thermal overload relay: heat, and 1 where it has opened.

    The heat is the square of the current over rated current, followed with one time constant.
    """

    heat: FloatArray
    tripped: FloatArray


def step_protection(
    state: Protection, dt_s: float, current_frac: FloatArray, resets: FloatArray
) -> None:
    """Step the relay in place.

    It opens where the heat passes that of 1.2 times rated current, at which such a relay must open
    in the end (IEC 60947-4-1, from memory); with 800 s it takes about 12 s at 5.5 times rated
    current when warm, as class 10 asks. Where ``resets`` is 1 it closes again once it has cooled.
    """
    fade = np.exp(-dt_s / _PROTECTION_TAU_S)
    squared = current_frac * current_frac * (state.tripped == 0.0)
    state.heat = squared + (state.heat - squared) * fade
    opens = state.heat > _TRIPS_AT
    closes = (state.heat < _CLOSES_AT) & (resets > 0.0)
    state.tripped = np.where(opens, 1.0, np.where(closes, 0.0, state.tripped))
