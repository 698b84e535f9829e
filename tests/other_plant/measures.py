"""The physical effect of each fault, where it can show, and the bounds of its severities."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .mishaps import Event

__all__ = ["BOUNDS", "MEASURES", "Moment"]

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

BOUNDS: Final[dict[str, tuple[float, float, float]]] = {
    "pump-screen-clogging": (0.10, 0.20, 0.35),  # share of the flow lost
    "distribution-restricted": (0.10, 0.20, 0.35),
    "pump-drawing-air": (0.12, 0.30, 0.60),
    "float-stuck-open": (0.01, 0.15, 0.50),  # overflow, share of the valve's full flow
    "float-leaking": (0.01, 0.04, 0.10),  # leak above the float's level, share of full flow
    "float-stuck-shut": (0.10, 0.50, 1.0),  # of the way from the band down to the pump's minimum
    "pump-not-running": (1, 2, 3),  # commanded, hot: 3
    "pump-overload": (0.10, 0.20, 0.40),  # current above this motor's clean current
    "bleed-blocked": (1.12, 1.35, 1.75),  # cycles over target
    "bleed-stuck-open": (1.35, 1.80, 2.80),  # bleed over the regular bleed
    "makeup-quality-changed": (0.18, 0.40, 0.80),  # |ln| of the ratio
    "conductivity-high": (0.95, 1.05, 1.35),  # conductivity over the limit
    "conductivity-probe": (0.15, 0.30, 0.60),  # share of the reading lost
    "fan-fault": (0.01, 0.20, 0.45),  # share of the fans
    "fan-not-proven": (0.01, 0.20, 0.45),
    "fan-capacity-lost": (0.01, 0.20, 0.45),
    "fan-not-commanded": (0.01, 0.30, 9.0),
    "coil-fouled": (0.12, 0.22, 0.35),  # share of UA lost
    "pads-clogged": (0.12, 0.22, 0.35),  # share of the air lost
    "pads-not-wetting": (0.15, 0.30, 0.60),  # share of the effectiveness lost
    "head-pressure-high": (-8.0, -5.0, -2.5),  # K above (below 0: short of) the cut-out
    "warm-standing-water": (24, 48, 120),  # hours without circulation at 25 °C and more
    "basin-not-drained": (24, 60, 132),  # hours without circulation
    "frost-risk": (1, 2, 3),  # air below 0; below -1 and water below 4; ice
    "level-frozen": (1, 8, 1e9),  # hours in which the level would have moved
    "reading-frozen": (3, 12, 1e9),
    "reading-out-of-range": (0.5, 1, 9),
    "clock-wrong": (300, 1800, 21_600),  # s
    "unit-stale": (1, 3, 24),  # h
    "site-cut-off": (0.5, 1, 12),  # h
    "unit-unregistered": (0.5, 1, 9),
}

ONLY_RUNNING: Final = {"pump_current", "spray_pressure", "conductivity", "basin_level"}
"""Signals that stand still anyway while the pump does."""


@dataclass(frozen=True)
class Moment:
    """One event over one chunk: times (steps,), the truth of its unit, the unit's columns."""

    e: Event
    t_s: Array
    x: dict[str, Any]
    c: dict[str, float]

    @property
    def on(self) -> Bool:
        """Where the pump runs."""
        return np.asarray(self.x["pump_on"] > 0)

    @property
    def always(self) -> Bool:
        """Everywhere."""
        return np.ones(self.t_s.size, dtype=bool)

    @property
    def size(self) -> Array:
        """What the event has reached."""
        return self.e.ramp(self.t_s) * self.e.size

    @property
    def loaded(self) -> Bool:
        """Where the coil has something to do."""
        return np.asarray(self.x["load"] > 0.2 * self.c["capacity"])

    def fans(self, mask: Array) -> Array:
        """Share of the fans that are in ``mask`` and in the event's."""
        bits = mask.astype(np.int64) & np.int64(self.e.extra["mask"])
        return np.bitwise_count(bits) / self.c["fans"]


Measured = tuple[Array, Bool]


def _flow_lost(m: Moment) -> Measured:
    return 1 - m.x["flow"] / m.c["flow"], m.on & (m.x["level"] > 0.5 * m.c["minimum"])


def _stuck_open(m: Moment) -> Measured:
    above = 0.012 * (m.x["level"] > m.c["shut"] + 5)
    return np.maximum(m.x["overflow"] / m.c["makeup_max"], above), m.x["drained"] < 0.5


def _leaking(m: Moment) -> Measured:
    return m.x["valve"].astype(float), (m.x["drained"] < 0.5) & (m.x["level"] > m.c["shut"] + 3)


def _starved(m: Moment) -> Measured:
    bottom = m.c["shut"] - m.c["band"]
    gap = (bottom - m.x["level"]) / (bottom - m.c["minimum"])
    return gap, (m.x["wet"] > 0) & (m.x["drained"] < 0.5)


def _not_running(m: Moment) -> Measured:
    hot = np.where(m.x["t"] > m.c["wet_on"] + 3, 3.0, 2.0)
    return hot, (m.x["pump_cmd"] > 0) & ~m.on


def _overload(m: Moment) -> Measured:
    amps = m.x["current"]
    return amps / m.c["clean_amps"] - 1, (m.x["pump_cmd"] > 0) & (amps > 0)


def _bleeding(m: Moment) -> Measured:
    return m.x["bleed"] / m.c["regular_bleed"], m.on & (m.x["flow"] > 0.9 * m.c["flow"])


def _probe(m: Moment) -> Measured:
    there = (m.x["drained"] < 0.5) & (m.x["level"] > 40)
    return np.where(m.e.mode == "open", 0.4, m.size), there


def _fans_status(m: Moment) -> Measured:
    if m.e.mode == "fault":
        # A fan reports its fault whether it is its turn to run or not.
        return m.fans(np.full(m.t_s.size, m.e.extra["mask"])), m.always
    return m.fans(m.x["base_mask"]), m.always


def _capacity_lost(m: Moment) -> Measured:
    if m.e.mode == "fault":
        return _fans_status(m)
    return m.fans(m.x["base_mask"]), m.x["speed"] > 0


def _uncommanded(m: Moment) -> Measured:
    return m.fans(m.x["run_mask"]), m.x["speed"] == 0


def _fouled(m: Moment) -> Measured:
    return m.size, (m.x["speed"] > 0.2) & m.loaded


def _not_wetting(m: Moment) -> Measured:
    return m.size, m.on & (m.x["wetness"] > 0.5) & m.loaded


def _standing(m: Moment) -> Measured:
    return m.x["stands_h"].astype(float), m.x["level"] > 20


def _frost(m: Moment) -> Measured:
    ice = (m.x["tbasin"] < 0.5) & (m.x["t"] < -1)
    chill = (m.x["t"] < -1) & (m.x["tbasin"] < 4)
    return 1.0 + chill + ice, (m.x["level"] > 20) & (m.x["t"] < 0)


def _frozen(m: Moment) -> Measured:
    return np.zeros(m.t_s.size), m.on if m.e.signal in ONLY_RUNNING else m.always


MEASURES: Final[dict[str, Callable[[Moment], Measured]]] = {
    "pump-screen-clogging": _flow_lost,
    "distribution-restricted": _flow_lost,
    "pump-drawing-air": _flow_lost,
    "float-stuck-open": _stuck_open,
    "float-leaking": _leaking,
    "float-stuck-shut": _starved,
    "pump-not-running": _not_running,
    "pump-overload": _overload,
    "bleed-blocked": lambda m: (m.x["cond"] / m.c["target_c"], m.on),
    "bleed-stuck-open": _bleeding,
    "makeup-quality-changed": lambda m: (
        np.abs(np.log(m.x["makeup_c"] / m.c["makeup_c"])), m.x["makeup"] > 0,
    ),
    "conductivity-high": lambda m: (m.x["cond"] / m.c["limit_c"], m.on),
    "conductivity-probe": _probe,
    "fan-fault": _fans_status,
    "fan-not-proven": _fans_status,
    "fan-capacity-lost": _capacity_lost,
    "fan-not-commanded": _uncommanded,
    "coil-fouled": _fouled,
    "pads-clogged": _fouled,
    "pads-not-wetting": _not_wetting,
    "head-pressure-high": lambda m: (m.x["tc"] - m.c["cut_out_degc"], m.always),
    "warm-standing-water": lambda m: (
        _standing(m)[0], _standing(m)[1] & (m.x["tbasin"] >= 25),
    ),
    "basin-not-drained": _standing,
    "frost-risk": _frost,
    "level-frozen": _frozen,
    "reading-frozen": _frozen,
    "reading-out-of-range": lambda m: (np.ones(m.t_s.size), m.always),
    "clock-wrong": lambda m: (np.full(m.t_s.size, abs(m.e.size)), m.always),
    "unit-stale": lambda m: ((m.t_s - m.e.start_s) / 3600 + 0.3, m.always),
}  # fmt: skip
"""By slug: the effect in the unit of :data:`BOUNDS`, and where it can show, each (steps,)."""
