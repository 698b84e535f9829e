"""The condensing side: dry coil behind the pads, fans, and the controller of their speed.

The coil is an exchanger with an isothermal refrigerant side, so effectiveness is 1 - exp(-NTU);
NTU falls with airflow to the power 0.4 (air-side film coefficient as flow^0.6, common practice).
A proportional-integral controller moves all fans together to hold a condensing temperature that
floats with the air on the coil.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CoilPlate",
    "FanState",
    "airflow_kept_frac",
    "condensing_rise_k",
    "control_fans",
    "lag",
]

FloatArray = NDArray[np.float64]

_CP_KJ_KG_K = 1.02  # moist air
_RATING_DENSITY = 1.16  # kg/m³ at the rating condition
_NATURAL_DRAUGHT = 0.04  # airflow share with all fans off
_RISE_LIMIT_K = 45.0

_GAIN_PER_K = 0.045
_INTEGRAL_S = 240.0
_SPEED_MIN = 0.2
_PAD_SHARE = 0.35  # of the air side's resistance, clean (common practice)
_OFF_BELOW_K = 5.0  # fans stop when condensing is this far under its setpoint at least speed
_ON_ABOVE_K = 0.5


@dataclass(frozen=True)
class CoilPlate:
    """Columns (n,) of ``[units.condenser]`` and ``[units.fans]``."""

    rated_capacity_kw: FloatArray
    rated_td_k: FloatArray
    rated_airflow_m3_s: FloatArray
    air_exponent: float = 0.4

    @property
    def ntu(self) -> FloatArray:
        """Clean NTU at full airflow, from the rating; effectiveness is held at 0.93 or less."""
        flow = _RATING_DENSITY * self.rated_airflow_m3_s * _CP_KJ_KG_K
        effectiveness = self.rated_capacity_kw / (flow * self.rated_td_k)
        return -np.log(1.0 - np.minimum(effectiveness, 0.93))


def condensing_rise_k(
    plate: CoilPlate,
    *,
    ntu: FloatArray,
    load_kw: FloatArray,
    airflow_frac: FloatArray,
    density_kg_m3: FloatArray,
    coil_loss: FloatArray,
) -> FloatArray:
    """Steady condensing temperature over air on coil. [K]

    ``coil_loss`` (0 to 1) is the severity of a fouled coil: at 1 it takes 70 % of the UA value.
    ``ntu`` is the plate's, passed in because it does not change.
    """
    flow = np.maximum(airflow_frac, _NATURAL_DRAUGHT)
    heat_rate = density_kg_m3 * plate.rated_airflow_m3_s * flow * _CP_KJ_KG_K
    actual = ntu * (1.0 - 0.7 * coil_loss) * flow**-plate.air_exponent
    rise = load_kw / (heat_rate * (1.0 - np.exp(-actual)))
    return np.asarray(np.minimum(rise, _RISE_LIMIT_K))


def airflow_kept_frac(pad_resistance: FloatArray) -> FloatArray:
    """Airflow over that with clean pads, fans at the same speed.

    ``pad_resistance`` is the pads' resistance over that of clean ones, 1 and up. The fans' pressure
    is taken to stay the same, so the flow goes with the root of the whole resistance.
    """
    return np.asarray(1.0 / np.sqrt(1.0 + _PAD_SHARE * (pad_resistance - 1.0)))


@dataclass
class FanState:
    """Columns (n,): integral part, and 1 where the fans are commanded to run."""

    integral: FloatArray
    on: FloatArray


def control_fans(
    state: FanState,
    dt_s: float,
    condensing_degc: FloatArray,
    setpoint_degc: FloatArray,
    demand: FloatArray,
) -> FloatArray:
    """One step of the fan controller; returns the speed command, 0 or 0.2 to 1.

    ``demand`` is 1 where compressors run. Fans stop where there is none, or where it stays too
    cold at the least speed.
    """
    error = condensing_degc - setpoint_degc
    integral = state.integral + _GAIN_PER_K * dt_s / _INTEGRAL_S * error
    raw = _GAIN_PER_K * error + integral
    speed = np.minimum(np.maximum(raw, _SPEED_MIN), 1.0)
    # The integral must not wind up while the speed is at an end of its travel.
    state.integral = np.minimum(np.maximum(integral, -0.1), 1.05)
    too_cold = (raw <= _SPEED_MIN) & (error < -_OFF_BELOW_K)
    on = np.where(too_cold, 0.0, np.where(error > _ON_ABOVE_K, 1.0, state.on))
    state.on = on * (demand > 0.0)
    return np.asarray(speed * state.on)


def lag(
    value: FloatArray, target: FloatArray, dt_s: float, tau_s: FloatArray | float
) -> FloatArray:
    """First-order approach of a value to its target over ``dt_s``."""
    return np.asarray(value + (target - value) * (1.0 - np.exp(-dt_s / np.asarray(tau_s))))
