"""What the wires carry: sampled unevenly, noisy, drifting, in steps, late, twice or not at all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.signals import SIGNALS

from .climate import wander
from .machine import Design, head_kpa_abs
from .mishaps import Event
from .plant import Truth

__all__ = ["NAMES", "Rows", "Sensors"]

Array = NDArray[np.float64]
NAMES: Final = tuple(s.name for s in SIGNALS)


@dataclass(frozen=True)
class _Quality:
    """Noise of a sensor: absolute and relative, white and slow; gain, offset and drift as sd."""

    white: float
    white_rel: float
    slow_rel: float
    gain: float
    offset: float
    drift: float
    steps: tuple[float, ...]


_QUALITY: Final = {
    "basin_level": _Quality(1.2, 0.0, 0.0, 0.005, 1.0, 1.5, (0.5, 1.0, 2.0)),
    "conductivity": _Quality(2.0, 0.008, 0.010, 0.02, 0.0, 8.0, (1.0, 1.0, 5.0)),
    "basin_temperature": _Quality(0.06, 0.0, 0.0, 0.0, 0.3, 0.1, (0.1, 0.1, 0.5)),
    "pump_current": _Quality(0.015, 0.025, 0.010, 0.015, 0.0, 0.0, (0.01, 0.01, 0.05)),
    "supply_voltage": _Quality(0.5, 0.002, 0.002, 0.005, 0.0, 0.0, (1.0, 0.1)),
    "spray_pressure": _Quality(0.3, 0.020, 0.010, 0.01, 0.6, 0.6, (0.1, 0.1, 1.0)),
    "spray_flow": _Quality(0.3, 0.020, 0.010, 0.03, 0.0, 0.0, (0.1, 1.0)),
    "head_pressure": _Quality(3.0, 0.002, 0.002, 0.004, 4.0, 4.0, (1.0, 10.0)),
    "ambient_temperature": _Quality(0.12, 0.0, 0.0, 0.0, 0.3, 0.1, (0.1,)),
    "relative_humidity": _Quality(0.6, 0.0, 0.010, 0.02, 1.2, 0.8, (1.0, 0.1)),
    "makeup_flow": _Quality(0.05, 0.020, 0.0, 0.02, 0.0, 0.0, (0.1,)),
    "bleed_flow": _Quality(0.01, 0.020, 0.0, 0.02, 0.0, 0.0, (0.01, 0.1)),
    "pad_pressure_drop": _Quality(0.8, 0.040, 0.02, 0.02, 0.8, 0.5, (1.0,)),
    "heat_load": _Quality(0.5, 0.020, 0.020, 0.05, 0.0, 0.0, (1.0,)),
}
_FROM: Final = {
    "basin_level": "level", "conductivity": "cond", "basin_temperature": "tbasin",
    "pump_current": "current", "supply_voltage": "volts", "spray_pressure": "press",
    "spray_flow": "flow", "ambient_temperature": "t", "relative_humidity": "rh",
    "makeup_flow": "makeup", "bleed_flow": "bleed", "pad_pressure_drop": "pad_dp",
    "heat_load": "load",
    "fan_run": "run_mask", "pump_command": "pump_cmd", "wet_mode": "wet",
}  # fmt: skip
_STOPS_AT_ZERO: Final = {"pump_current", "spray_flow", "makeup_flow", "bleed_flow"}


@dataclass
class Rows:
    """Samples of one unit over one chunk: times [s], stamped and arriving, and values."""

    unit: int
    stamped_s: Array
    arrives_s: Array
    values: NDArray[np.float32]


class Sensors:
    """The sensors of all units, with their own errors for the whole campaign."""

    def __init__(
        self, d: Design, span_s: float, events: list[Event], rng: np.random.Generator
    ) -> None:
        self.d, self.span_s, self.rng = d, span_s, rng
        self.events = events
        self.times = [self._times(u) for u in range(d.n)]
        self.err = {
            name: (
                rng.standard_normal(d.n) * q.gain, rng.standard_normal(d.n) * q.offset,
                rng.standard_normal(d.n) * q.drift, rng.choice(np.array(q.steps), d.n),
            ) for name, q in _QUALITY.items()
        }  # fmt: skip
        self.held: dict[int, float] = {}

    def _times(self, unit: int) -> Array:
        """When the unit samples: nominal step, jitter, gaps; some units at quite uneven times."""
        step = float(self.d.step_s[unit])
        n = int(self.span_s / step)
        if self.d.uneven[unit]:
            low, high = max(10.0, 0.4 * step), max(min(300.0, 1.6 * step), 10.001)
            gaps = self.rng.uniform(low, high, n)
            # Gaps are held to five minutes: then so many do not reach the end.
            more = int(1.1 * max(self.span_s - gaps.sum(), 0.0) / ((low + high) / 2)) + 10
            gaps = np.r_[gaps, np.random.default_rng([unit, n]).uniform(low, high, more)]
            t = np.cumsum(gaps)
        else:
            t = (np.arange(n) + self.rng.uniform(0.05, 0.9)) * step
            t = t + self.rng.normal(0, 0.02 * step, n)
        t = np.unique(np.round(t[(t >= 0) & (t < self.span_s - 1)], 1))
        return np.asarray(t[self.rng.random(t.size) > 0.004])

    def read(self, t_s: Array, step_s: float, truth: Truth) -> list[Rows]:
        """The rows of all units in the chunk that ``truth`` covers."""
        out = []
        begin, end = t_s[0], t_s[-1] + step_s
        for unit in range(self.d.n):
            mine = [
                e for e in self.events if e.unit == unit and e.start_s < end and e.end_s > begin
            ]
            t = self.times[unit]
            t = t[(t >= begin) & (t < end)]
            for e in mine:
                slug = e.kind.slug if e.kind else e.trap
                if slug in {"unit-stale", "cut-off"} and e.mode != "sent later":
                    t = t[(t < e.start_s) | (t >= e.end_s)]
                elif slug == "short dropout":
                    t = t[(t < e.start_s) | (t >= min(e.end_s, e.start_s + 480))]
            if t.size:
                index = np.minimum(((t - begin) / step_s).astype(int), t_s.size - 1)
                column = {k: v[index, unit].astype(np.float64) for k, v in truth.items()}
                out.append(self._unit(unit, t, column, mine))
        return out

    def _unit(self, unit: int, t: Array, x: dict[str, Array], events: list[Event]) -> Rows:
        rng, d = self.rng, self.d
        values = np.full((t.size, len(NAMES)), np.nan, dtype=np.float32)
        for column, name in enumerate(NAMES):
            if name in d.signals[unit]:
                values[:, column] = self._signal(name, unit, t, x, events)
        for e in events:
            self._fault(e, t, values, x)
        if d.uneven[unit]:
            analogue = np.array([s.kind == "analogue" for s in SIGNALS])
            values[(rng.random(values.shape) < 0.12) & analogue] = np.nan
        arrives = t + rng.uniform(0.2, 4.0, t.size)
        stamped = t.copy()
        for e in events:
            if e.kind is not None and e.kind.slug == "clock-wrong":
                stamped = np.where(e.ramp(t) > 0, stamped + e.size, stamped)
            elif e.trap == "backlog" or e.mode == "sent later":
                late = e.ramp(t) > 0
                arrives = np.where(late, e.end_s + 60 + (t - e.start_s) * 0.01, arrives)
        if unit % 3 == 1:  # delivered at least once, so sometimes twice
            again = np.flatnonzero(rng.random(t.size) < 0.002)
            stamped, arrives = np.r_[stamped, stamped[again]], np.r_[arrives, arrives[again] + 3]
            values = np.vstack([values, values[again]])
        return Rows(unit, stamped, arrives, values)

    def _signal(
        self, name: str, unit: int, t: Array, x: dict[str, Array], events: list[Event]
    ) -> Array:
        if name == "fan_fault":
            bits = np.zeros(t.size)
            for e in events:
                if e.mode == "fault":
                    bits = np.where(e.ramp(t) > 0, float(e.extra["mask"]), bits)
            return bits
        if name == "fan_speed":
            return np.round(100 * x["speed"])
        if name == "head_pressure":
            return self._noisy(name, unit, t, head_kpa_abs(self.d.fluids[unit], x["tc"]), x)
        if name in _QUALITY:
            return self._noisy(name, unit, t, x[_FROM[name]], x)
        return x[_FROM[name]]

    def _noisy(self, name: str, unit: int, t: Array, true: Array, x: dict[str, Array]) -> Array:
        q, rng = _QUALITY[name], self.rng
        gain, offset, drift, step = (e[unit] for e in self.err[name])
        rel = q.white_rel * (
            1.8 if name == "pump_current" and self.d.col["small_motor"][unit] else 1.0
        )
        white = rng.standard_normal(t.size) * (q.white + rel * np.abs(true))
        if name in {"pump_current", "spray_pressure"}:  # air in the pump makes it hunt
            white *= 1 + 4 * (1 - x["gas"])
        if name == "basin_level":
            white *= 1 + 0.8 * x["pump_on"]
        slow = wander(t.size, float(self.d.step_s[unit]), 3 * 3600, rng) * q.slow_rel * true
        slope = drift * np.sin(2 * np.pi * t / (self.span_s * 1.7) + unit)
        v = true * (1 + gain) + offset + slope + white + slow
        if name == "conductivity":  # a dry probe reads next to nothing
            v = np.where(x["level"] < 25, rng.uniform(0, 12, t.size), v)
        if name in _STOPS_AT_ZERO:
            v = np.where(true <= 0, np.abs(rng.standard_normal(t.size)) * q.white * 0.5, v)
        spikes = rng.random(t.size) < 8e-5
        v = np.where(spikes, v * rng.choice(np.array([0.5, 1.6, 2.0]), t.size), v)
        entry = SIGNALS[NAMES.index(name)]
        return np.clip(np.round(v / step) * step, entry.low, entry.high)

    def _fault(self, e: Event, t: Array, values: NDArray[np.float32], x: dict[str, Array]) -> None:
        slug = e.kind.slug if e.kind else e.trap
        if not e.signal:
            return
        column = NAMES.index(e.signal)
        ramp = e.ramp(t)
        inside = ramp > 0
        if not inside.any():
            return
        if slug in {"level-frozen", "reading-frozen"}:
            key = id(e)
            if key not in self.held:
                finite = np.flatnonzero(np.isfinite(values[:, column]) & inside)
                if not finite.size:
                    return
                self.held[key] = float(values[finite[0], column])
            values[inside & np.isfinite(values[:, column]), column] = self.held[key]
        elif slug == "reading-out-of-range":
            values[inside, column] = e.extra["reads"]
        elif slug == "conductivity-probe":
            v = values[:, column]
            if e.mode == "open":
                noise = np.abs(self.rng.standard_normal(t.size)) * 1.5
                values[:, column] = np.where(inside, noise, v)
            else:
                values[:, column] = v * (1 - ramp * e.size)
        elif slug == "sensor dropout":
            values[inside, column] = np.nan
