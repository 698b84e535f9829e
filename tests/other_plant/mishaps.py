"""What goes wrong, how far and when: the catalogue of faults of this plant, and their plan.

An event changes *channels* of the machine (a resistance, a stuck valve) or of its sensors. What it
did is judged afterwards from the truth, by the measures in ``labels.py``, never from the intention.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .machine import Design

__all__ = ["DAY_S", "KINDS", "TRAPS", "Event", "Kind", "plan"]

DAY_S: Final = 86_400.0
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Kind:
    """A fault of the catalogue: magnitudes for low, medium, high; what it needs to be seen at all.

    ``where``: wet (climates that run wet), frost, warm, cool, any. ``days`` range of duration for a
    sudden one; ``slow`` the range for a gradual one, or None. ``needs``: signals without which no
    one could see it. ``accepts``: other slugs that name the same physical state.
    """

    slug: str
    sizes: tuple[float, float, float]
    days: tuple[float, float]
    slow: tuple[float, float] | None = None
    where: str = "any"
    needs: tuple[str, ...] = ()
    accepts: tuple[str, ...] = ()
    subsystem: str = ""
    variant: str = ""


_SCREEN = ("pump_current", "pump_command")
KINDS: Final = (
    Kind("pump-screen-clogging", (0.15, 0.27, 0.45), (3, 6), (10, 18), "wet",
         (*_SCREEN, "spray_pressure"), subsystem="pump"),
    Kind("pump-screen-clogging", (0.16, 0.28, 0.45), (4, 7), (12, 20), "wet", _SCREEN,
         ("distribution-restricted",), subsystem="pump", variant="weak witness"),
    Kind("distribution-restricted", (0.15, 0.27, 0.45), (3, 6), (10, 18), "wet",
         (*_SCREEN, "spray_pressure"), subsystem="pump"),
    Kind("float-stuck-open", (0.12, 0.45, 1.0), (1.5, 4), None, "wet", ("basin_level",),
         ("float-leaking",), "water"),
    Kind("float-stuck-shut", (0.35, 0.2, 0.0), (1, 3), None, "wet", ("basin_level",),
         (), "water"),
    Kind("float-leaking", (0.02, 0.06, 0.12), (5, 9), (7, 12), "wet", ("basin_level",),
         ("float-stuck-open",), "water"),
    Kind("pump-not-running", (1, 1, 1), (0.3, 1.5), None, "wet", ("pump_command",), (), "pump"),
    Kind("pump-drawing-air", (0.2, 0.42, 0.8), (1, 3), None, "wet", _SCREEN, (), "pump", "gasket"),
    Kind("pump-drawing-air", (0.0, 8.0, 20.0), (1, 3), None, "wet", (*_SCREEN, "basin_level"),
         ("float-stuck-shut",), "pump", "low level"),
    Kind("pump-overload", (0.14, 0.28, 0.55), (1, 4), (5, 9), "wet", _SCREEN, (), "pump", "drag"),
    Kind("pump-overload", (3.5, 4.0, 4.5), (0.05, 0.1), None, "wet", _SCREEN, (), "pump", "locked"),
    Kind("bleed-blocked", (0.5, 0.75, 1.0), (3, 6), (6, 10), "wet", ("conductivity",),
         ("conductivity-high",), "water"),
    Kind("bleed-stuck-open", (1.5, 2.2, 3.5), (3, 6), None, "wet", ("conductivity",), (), "water"),
    Kind("makeup-quality-changed", (1.3, 1.7, 2.6), (6, 10), (8, 12), "wet", ("conductivity",),
         (), "water"),
    Kind("conductivity-high", (1.7, 2.3, 3.2), (5, 9), None, "wet", ("conductivity",),
         ("bleed-blocked",), "water", "set point"),
    Kind("conductivity-probe", (0.2, 0.42, 0.7), (4, 7), (7, 12), "wet", ("conductivity",), (),
         "probe", "fouled"),
    Kind("conductivity-probe", (1, 1, 1), (2, 5), None, "wet", ("conductivity",),
         ("reading-out-of-range",), "probe", "open"),
    Kind("fan-fault", (0.15, 0.3, 0.6), (1, 4), None, "any", ("fan_fault", "fan_run"),
         ("fan-capacity-lost",), "fans"),
    Kind("fan-not-proven", (0.15, 0.3, 0.6), (1, 4), None, "any", ("fan_run", "fan_speed"),
         ("fan-capacity-lost",), "fans"),
    Kind("fan-not-commanded", (0.15, 0.35, 0.5), (3, 6), None, "off", ("fan_run", "fan_speed"),
         (), "fans"),
    Kind("fan-capacity-lost", (0.2, 0.4, 0.6), (4, 8), None, "any",
         ("fan_run", "fan_speed", "head_pressure", "ambient_temperature", "heat_load"),
         ("coil-fouled",), "heat", "no air"),
    Kind("fan-capacity-lost", (0.34, 0.45, 0.65), (2, 5), None, "any", ("fan_run", "fan_speed"),
         ("fan-fault", "fan-not-proven"), "fans", "by status"),
    Kind("coil-fouled", (0.17, 0.3, 0.5), (8, 12), (12, 20), "any",
         ("head_pressure", "ambient_temperature", "fan_speed", "heat_load"), (), "heat"),
    Kind("pads-clogged", (0.17, 0.3, 0.5), (8, 12), (12, 20), "wet",
         ("head_pressure", "ambient_temperature", "relative_humidity", "fan_speed", "heat_load"),
         ("coil-fouled",), "heat"),
    Kind("pads-not-wetting", (0.22, 0.45, 0.85), (3, 6), None, "wet",
         ("head_pressure", "ambient_temperature", "relative_humidity", "fan_speed", "heat_load"),
         (), "heat"),
    Kind("head-pressure-high", (1, 2, 3), (1.5, 3), None, "wet", ("head_pressure",),
         ("coil-fouled",), "heat"),
    Kind("warm-standing-water", (1.5, 3.5, 6.5), (4, 8), None, "warm",
         ("basin_level", "basin_temperature", "pump_command"), ("basin-not-drained",), "basin"),
    Kind("basin-not-drained", (1.5, 3.5, 6.5), (4, 8), None, "cool",
         ("basin_level", "pump_command"), ("frost-risk", "warm-standing-water"), "basin"),
    Kind("frost-risk", (3, 5, 8), (4, 9), None, "frost",
         ("basin_level", "ambient_temperature"), ("basin-not-drained",), "basin"),
    Kind("level-frozen", (1, 1, 1), (2, 5), None, "wet", ("basin_level", "pump_command"),
         ("reading-frozen",), "sensor"),
    Kind("reading-out-of-range", (1, 1, 1), (0.3, 2), None, "any", (), (), "sensor"),
    Kind("reading-frozen", (1, 1, 1), (1.5, 4), None, "any", (), (), "sensor"),
    Kind("clock-wrong", (1200, 7200, 30_000), (0.5, 2), None, "any", (), (), "clock"),
    Kind("unit-stale", (0.06, 0.3, 1.3), (0.06, 1.3), None, "any", (), (), "line"),
    Kind("unit-stale", (0.06, 0.3, 1.3), (0.06, 1.3), None, "any", (), (), "line", "sent later"),
)  # fmt: skip

SLOW_ONLY: Final = {"coil-fouled", "pads-clogged"}
TRAPS: Final = (
    "dry days", "mode switching", "night drain", "sensor dropout", "technician", "week off",
    "backlog", "dosing", "voltage sag", "short dropout",
)  # fmt: skip
"""On healthy units. Hot spells are the weather's; slow drift is in every climate and sensor.

A backlog that is healthy comes after three quarters of an hour at most: a unit that is not heard
for longer is not watched, whatever it sends later, and that is the fault ``unit-stale``.
"""


@dataclass
class Event:
    """One mishap or trap: times in seconds since the start."""

    kind: Kind | None
    unit: int
    start_s: float
    end_s: float
    size: float
    target: str = ""
    gradual: bool = False
    trap: str = ""
    signal: str = ""
    mode: str = ""
    extra: dict[str, Any] = field(default_factory=dict)

    def ramp(self, t_s: Array) -> Array:
        """Share of the size reached at ``t_s``; a gradual one arrives at 85 % of its time."""
        inside = (t_s >= self.start_s) & (t_s < self.end_s)
        if not self.gradual:
            return inside.astype(np.float64)
        share = (t_s - self.start_s) / (0.85 * (self.end_s - self.start_s))
        return np.where(inside, np.clip(share, 0, 1) ** 1.2, 0.0)


def _fits(kind: Kind, d: Design, unit: int) -> bool:
    if not set(kind.needs) <= set(d.signals[unit]):
        return False
    if kind.variant == "weak witness" and "spray_pressure" in d.signals[unit]:
        return False
    drains = d.col["drain_after_h"][unit] < 1e6
    c = d.climate(unit)
    if kind.variant == "set point" and d.col["bleed_kind"][unit] != 2:
        return False
    return {
        "any": True,
        "wet": c.wet,
        "frost": c.name == "cold",
        "warm": c.name in {"hot-dry", "hot-humid"} and drains,
        "cool": c.name in {"temperate", "cold"} and drains,
        "off": bool(d.col["night_off"][unit]),
    }[kind.where]


def plan(
    d: Design, span_s: float, healthy: NDArray[np.bool_], rng: np.random.Generator
) -> list[Event]:
    """Faults on the unhealthy units, one by one and at times two at once; traps on others."""
    wanted = [(k, s) for s in (1, 2, 0) for k in rng.permutation(np.array(KINDS, dtype=object))]
    events: list[Event] = []
    for unit in rng.permutation(np.flatnonzero(~healthy)):
        at = rng.uniform(5.2, 7.0) * DAY_S if span_s < 25 * DAY_S else rng.uniform(7, 11) * DAY_S
        while True:
            event = _next(d, int(unit), at, span_s, wanted, rng, ())
            if event is None:
                break
            events.append(event)
            # With a wrong clock nobody could say when another fault was there.
            alone = event.kind is None or event.kind.subsystem == "clock"
            if rng.random() < 0.15 and not alone:
                start = event.start_s + rng.uniform(0.2, 0.6) * (event.end_s - event.start_s)
                clash = {"heat": ("heat", "fans"), "fans": ("heat", "fans")}
                own = event.kind.subsystem if event.kind else ""
                not_with = (*clash.get(own, (own, "basin")), "clock")
                other = _next(d, int(unit), start, span_s, wanted, rng, not_with)
                if other is not None:
                    events.append(other)
            at = max(e.end_s for e in events if e.unit == unit) + rng.uniform(3, 5.5) * DAY_S
    names = list(TRAPS)
    for i, unit in enumerate(rng.permutation(np.flatnonzero(healthy))):
        for j in range(2 if span_s > 30 * DAY_S else 1):
            name = names[(2 * i + j) % len(names)]
            events += _trap(name, int(unit), span_s, rng, j)
    return events


def _next(
    d: Design, unit: int, at_s: float, span_s: float, wanted: list[Any],
    rng: np.random.Generator, clash: tuple[str, ...],
) -> Event | None:  # fmt: skip
    room = span_s - at_s - 0.5 * DAY_S
    for i, (kind, severity) in enumerate(wanted):
        if kind.subsystem in clash or not _fits(kind, d, unit):
            continue
        gradual = kind.slow is not None and (kind.slug in SLOW_ONLY or rng.random() < 0.6)
        low, high = kind.slow if gradual else kind.days
        if kind.slug == "unit-stale":
            low = high = kind.sizes[severity]
        elif kind.slug in {"warm-standing-water", "basin-not-drained"}:
            low, high = kind.sizes[severity] + 0.8, kind.sizes[severity] + 1.2
        days = min(rng.uniform(low, high) * DAY_S, room)
        if days < 0.7 * low * DAY_S or (gradual and days < 5 * DAY_S):
            continue
        # Asked again at the back of the list, so that each is had once before any is had twice.
        wanted.append(wanted.pop(i))
        event = Event(kind, unit, at_s, at_s + days, kind.sizes[severity],
                      ("low", "medium", "high")[severity], gradual)  # fmt: skip
        _details(event, d, rng)
        return event
    return None


def _details(event: Event, d: Design, rng: np.random.Generator) -> None:
    kind, unit = event.kind, event.unit
    assert kind is not None
    n = int(d.col["fans"][unit])
    event.mode = kind.variant
    if kind.subsystem in {"fans", "heat"} and kind.slug.startswith("fan-"):
        count = int(np.clip(round(event.size * n), 1, n))
        event.extra["mask"] = int(sum(1 << int(f) for f in rng.permutation(n)[:count]))
        if kind.variant == "by status":
            event.mode = (
                "fault" if "fan_fault" in d.signals[unit] and rng.random() < 0.5 else "quiet"
            )
        elif kind.slug == "fan-fault":
            event.mode = "fault"
    if kind.slug == "level-frozen":
        event.signal = "basin_level"
    if kind.slug in {"reading-out-of-range", "reading-frozen"}:
        names = ("head_pressure", "pump_current", "conductivity", "ambient_temperature",
                 "basin_temperature", "spray_pressure", "relative_humidity")  # fmt: skip
        if kind.slug == "reading-out-of-range":
            names = (*names, "basin_level")
        here = [s for s in names if s in d.signals[unit]]
        event.signal = str(rng.choice(here))
        event.extra["reads"] = float(rng.choice([-999.0, 65_535.0]))
    if kind.slug == "conductivity-probe":
        event.signal = "conductivity"
    if kind.slug == "bleed-blocked" and d.col["bleed_kind"][unit] != 0:
        # A bleed that is opened as needed has room to spare: less must be left of it to show.
        event.size = 1 - 0.35 * (1 - event.size)
    if kind.slug == "makeup-quality-changed" and rng.random() < 0.3:
        event.size = 1 / event.size
    if kind.slug == "clock-wrong":
        event.size *= float(rng.choice([-1, 1]))
        event.gradual = False
    event.extra["phase"] = float(rng.uniform(0, 1))


def _trap(name: str, unit: int, span_s: float, rng: np.random.Generator, place: int) -> list[Event]:
    """The trap's events in the first or second half of the campaign, after six days."""
    half = (span_s - 6 * DAY_S) / 2
    days = {
        "dry days": 6, "mode switching": 3, "night drain": 6, "sensor dropout": 0.4, "week off": 7,
        "technician": 0.15, "backlog": 0.031, "dosing": 0.1, "voltage sag": 0.05,
        "short dropout": 0.01,
    }[name]  # fmt: skip
    length = min(days * DAY_S, 0.8 * half)
    times = 5 if name in {"dosing", "voltage sag", "sensor dropout", "short dropout"} else 1
    starts = 6 * DAY_S + place * half + rng.uniform(0, 1, times) * (half - length)
    if name in {"technician", "dosing"}:  # in working hours is near enough: the same hour each time
        starts = np.floor(starts / DAY_S) * DAY_S + rng.uniform(8, 14) * 3600
    kinds = ("conductivity", "head_pressure", "pump_current", "ambient_temperature", "basin_level")
    return [
        Event(None, unit, float(s), float(s + length * rng.uniform(0.7, 1.0)), 1.0, trap=name,
              signal=str(rng.choice(kinds)))
        for s in starts
    ]  # fmt: skip
