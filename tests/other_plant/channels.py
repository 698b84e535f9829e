"""How events reach the machine: each changes one or two channels, by unit and step."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from .machine import Design
from .mishaps import Event

__all__ = ["CHANNELS", "channels"]

Array = NDArray[np.float64]

CHANNELS: Final = {
    "screen_f": 1.0, "dist_f": 1.0, "gas_f": 1.0, "dead": 0.0, "locked": 0.0, "drag": 0.0,
    "valve_floor": 0.0, "valve_cap": 1.0, "set_shift": 0.0, "bleed_gain": 1.0, "bleed_open": 0.0,
    "setpoint_gain": 1.0, "makeup_gain": 1.0, "coil": 0.0, "padclog": 0.0, "bypass": 0.0,
    "fan_dead": 0.0, "fan_noair": 0.0, "fan_forced": 0.0, "flooded": 0.0, "drain_block": 0.0,
    "dry": 0.0, "off": 0.0, "early_drain": 0.0, "toggle": 0.0, "dose": 0.0, "volts": 1.0,
}  # fmt: skip
"""What faults and traps can change, with the value of a healthy machine."""

_EFFECTS: Final[dict[tuple[str, str], tuple[tuple[str, float | str], ...]]] = {
    ("pump-not-running", ""): (("dead", "size"),),
    ("pump-overload", "drag"): (("drag", "size"),),
    ("pump-overload", "locked"): (("locked", "size"),),
    ("pump-screen-clogging", ""): (("screen_f", "-size"),),
    ("distribution-restricted", ""): (("dist_f", "-size"),),
    ("pump-drawing-air", "gasket"): (("gas_f", "-size"),),
    ("pump-drawing-air", "low level"): (("set_shift", "deep"),),
    ("float-leaking", ""): (("valve_floor", "size"),),
    ("float-stuck-open", ""): (("valve_floor", "size"),),
    ("float-stuck-shut", ""): (("valve_cap", "size-1"),),
    ("bleed-blocked", ""): (("bleed_gain", "-size"),),
    ("bleed-stuck-open", ""): (("bleed_open", "size"),),
    ("conductivity-high", ""): (("setpoint_gain", "size-1"),),
    ("makeup-quality-changed", ""): (("makeup_gain", "size-1"),),
    ("fan-fault", ""): (("fan_dead", "mask"),),
    ("fan-not-proven", ""): (("fan_dead", "mask"),),
    ("fan-capacity-lost", "fault"): (("fan_dead", "mask"),),
    ("fan-capacity-lost", "quiet"): (("fan_dead", "mask"),),
    ("fan-capacity-lost", "no air"): (("fan_noair", "mask"),),
    ("fan-not-commanded", ""): (("fan_forced", "mask"),),
    ("coil-fouled", ""): (("coil", "size"),),
    ("pads-clogged", ""): (("padclog", "size"),),
    ("pads-not-wetting", ""): (("bypass", "size"),),
    ("head-pressure-high", ""): (("flooded", "size"),),
    ("warm-standing-water", ""): (("dry", 1.0), ("drain_block", 1.0)),
    ("basin-not-drained", ""): (("dry", 1.0), ("drain_block", 1.0)),
    ("frost-risk", ""): (("drain_block", 1.0),),
    ("dry days", ""): (("dry", 1.0),),
    ("technician", ""): (("off", 1.0),),
    ("week off", ""): (("off", 1.0),),
    ("night drain", ""): (("early_drain", 1.0),),
    ("mode switching", ""): (("toggle", 1.0),),
    ("dosing", ""): (("dose", 1.0),),
    ("voltage sag", ""): (("volts", -0.09),),
}
"""By slug or trap and mode (empty: any): channel and what is added to it, times the ramp."""


def channels(d: Design, events: list[Event], t_s: Array) -> dict[str, Array]:
    """All channels over the chunk, each (steps, units); read-only where nothing happens."""
    shape = (t_s.size, d.n)
    ch = {k: np.broadcast_to(np.float64(v), shape) for k, v in CHANNELS.items()}
    for e in events:
        if e.end_s <= t_s[0] or e.start_s > t_s[-1]:
            continue
        slug = e.kind.slug if e.kind else e.trap
        effects = _EFFECTS.get((slug, e.mode)) or _EFFECTS.get((slug, "")) or ()
        for name, amount in effects:
            if not ch[name].flags.writeable:
                ch[name] = ch[name].copy()
            ch[name][:, e.unit] += e.ramp(t_s) * _amount(amount, e, d)
    return ch


def _amount(amount: float | str, e: Event, d: Design) -> float:
    if not isinstance(amount, str):
        return amount
    c = d.col
    middle = float(c["shut"][e.unit] - c["band"][e.unit] / 2 - c["minimum"][e.unit])
    return {
        "size": e.size, "-size": -e.size, "size-1": e.size - 1, "deep": -(middle + e.size),
        "mask": float(e.extra.get("mask", 0)),
    }[amount]  # fmt: skip
