"""Pump, motor and water: a head curve against pipes and nozzles, and a motor with power factor.

All functions take columns (n_units,). Flow in shares of the clean duty flow, heads in shares of the
clean duty head. The pump's curve is ``h = h0 - a q - b q**2``, falling throughout.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["Curve", "distribution_for", "gas_for", "motor_current", "screen_for"]

Array = NDArray[np.float64]
IRON_LOSS: Final = 0.08
COPPER_LOSS: Final = 0.06
RATED_POWER_FACTOR: Final = 0.80


class Curve:
    """The clean pump and its system, by unit."""

    def __init__(self, shut_head: Array, linear_share: Array, static: Array) -> None:
        self.h0 = shut_head
        self.a = (shut_head - 1) * linear_share
        self.b = (shut_head - 1) * (1 - linear_share)
        self.static = static
        self.k = 1 - static

    def head(self, q: Array) -> Array:
        """Head of the pump at the flow share ``q``."""
        return np.asarray(self.h0 - self.a * q - self.b * q * q)

    def solve(self, gas: Array, screen: Array, nozzles: Array, rise: Array) -> tuple[Array, Array]:
        """Flow and discharge head where pump and system meet.

        ``gas`` multiplies the pump's head (1 = solid water), ``screen`` and ``nozzles`` are added
        resistance before and behind the gauge, ``rise`` is the water level above normal, as head.
        """
        square = gas * self.b + screen + self.k + nozzles
        drive = np.maximum(gas * self.h0 - self.static + rise, 0.0)
        linear = gas * self.a
        q = (np.sqrt(linear * linear + 4 * square * drive) - linear) / (2 * square)
        return q, np.maximum(gas * self.head(q) - screen * q * q + rise, 0.0)


def screen_for(curve: Curve, flow_share: Array) -> Array:
    """The added resistance before the pump that leaves that share of the clean flow."""
    f = np.clip(flow_share, 0.05, 1.0)
    return np.maximum((curve.head(f) - curve.static) / (f * f) - curve.k, 0.0)


def distribution_for(curve: Curve, flow_share: Array) -> Array:
    """The added resistance behind the gauge that leaves that share: the same, elsewhere."""
    return screen_for(curve, flow_share)


def gas_for(curve: Curve, flow_share: Array) -> Array:
    """The factor on the pump's head, by air in the water, that leaves that share of the flow."""
    f = np.clip(flow_share, 0.0, 1.0)
    return np.asarray((curve.static + curve.k * f * f) / curve.head(f))


def motor_current(power: Array, magnetising: Array, volts: Array) -> Array:
    """Line current as a share of that at clean duty and rated voltage.

    ``power`` shaft power and ``volts`` voltage, both as shares. Active power carries the shaft,
    iron and copper losses; reactive power the magnetising field (with the square of voltage) and
    leakage. At ``power`` 0 the current is about the ``magnetising`` share.
    """
    at_no_load = np.sqrt(np.maximum(magnetising**2 - IRON_LOSS**2, 1e-4))
    reactive_rated = np.sqrt(1 - RATED_POWER_FACTOR**2)
    active = IRON_LOSS * volts**2 + COPPER_LOSS * power**2
    active = active + (RATED_POWER_FACTOR - IRON_LOSS - COPPER_LOSS) * power
    reactive = at_no_load * volts**2 + (reactive_rated - at_no_load) * power**2
    return np.asarray(np.hypot(active, reactive) / np.maximum(volts, 0.5))
