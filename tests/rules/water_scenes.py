"""A basin of the tests' own: a small integrator of the water and solids balance, and its readings.

It knows nothing of the rules and uses no formula of theirs: volumes and solids are counted second
by second. A class of settings says what the day is like and what is wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from support.beside import Taped
from support.fleet import HEALTHY, Feed, engine_of, row_of_values, site, unit_data

from rules.signals import INDEX

MINUTE_MS = 60_000

# 28 °C and 40 % at sea level on the test unit (20 m³/s, pads 0.8) with 70 % of the airflow: wet
# bulb 18.5 °C, the air cools by 7.6 K and takes up 7.6 * 1.02 / 2450 = 3.2 g/kg of 16 kg/s.
EVAPORATION_L_MIN = 3.1
WANTED_L_MIN = EVAPORATION_L_MIN / 2.0  # three cycles: B = E / (3 - 1)


@dataclass
class Basin:
    """2 m², float 180 mm with a band of 40, overflow 240, valve 30 L/min, pull-down 20 mm."""

    makeup_us_cm: float = 300.0
    conductivity: float = 900.0
    level: float = 170.0
    evaporation: float = EVAPORATION_L_MIN
    bleed: Callable[[Basin, float], float] = lambda _b, _t: 0.0
    """(basin, hours) to L/min while the pump runs."""
    bleed_at_rest: float = 0.0
    leak: float = 0.0
    """The shut float passes this. [L/min]"""
    stuck_open: float = 0.0
    drain: float = 0.0
    rain_mm_h: float = 0.0
    supply: float = 1.0
    gulps: bool = False
    """The float opens fully at the bottom of its band and shuts at the top."""
    held_l: float = field(default=0.0)
    solids: float = field(default=0.0)
    gulping: bool = False
    makeup_now: float = 0.0
    bleed_now: float = 0.0

    AREA = 2.0

    def __post_init__(self) -> None:
        self.solids = self.conductivity * self.AREA * self.level

    def minute(self, hours: float, *, running: bool) -> None:
        """One minute in steps of five seconds."""
        dt = 5.0 / 60.0
        for _ in range(12):
            held = 40.0 if running else 0.0
            moved = (held - self.held_l) * min(1.0, dt / 1.0)
            self.held_l += moved
            self.level -= moved / self.AREA
            open_ = min(max((180.0 - self.level) / 40.0, 0.0), 1.0)
            if self.gulps:
                self.gulping = open_ > 0.0 if self.gulping else open_ >= 1.0
                open_ = float(self.gulping)
            makeup = self.supply * max(30.0 * open_, self.leak, self.stuck_open)
            evaporation = self.evaporation if running else 0.01
            bleed = max(self.bleed(self, hours) if running else 0.0, self.bleed_at_rest)
            if self.level <= 1.0:
                evaporation = bleed = 0.0
            drain = self.drain if self.level > 1.0 else 0.0
            rain = self.rain_mm_h * self.AREA / 60.0
            over = max(self.level - 240.0, 0.0) * 4.0
            volume = self.AREA * self.level + self.held_l
            c = self.solids / max(volume, 1.0)
            self.solids += (makeup * self.makeup_us_cm - (bleed + drain + over) * c) * dt
            self.solids = max(self.solids, 0.0)
            net = makeup + rain - evaporation - bleed - drain - over
            self.level = max(self.level + net * dt / self.AREA, 0.0)
            self.makeup_now, self.bleed_now = makeup, bleed
        volume = self.AREA * self.level + self.held_l
        self.conductivity = self.solids / max(volume, 1.0)


class Day:
    """Feeds an engine with the readings of a basin, a frame a minute."""

    def __init__(
        self,
        basin: Basin,
        *,
        meters: bool = False,
        weather: bool = True,
        feed: Feed | None = None,
    ) -> None:
        self.basin = basin
        self.meters, self.weather = meters, weather
        self.feed: Feed = feed or Feed(engine_of(site(units=[unit_data()])))
        self.rng = np.random.default_rng(11)
        self.minutes = 0
        self.probe: Callable[[float], float] = lambda c: c
        self.level_error_mm = 0.0
        self.every = 1
        """Minutes from frame to frame."""
        self.humidity = 40.0

    def run(self, hours: float, *, running: bool = True, **frame: float) -> Day:
        """Go on for some hours, pump running or at rest."""
        for _ in range(round(hours * 60)):
            self.basin.minute(self.minutes / 60.0, running=running)
            self.minutes += 1
            if self.minutes % self.every:
                self.feed.now_ms += MINUTE_MS
                continue
            values = dict(HEALTHY)
            if not running:
                values |= {"pump_current": 0.0, "pump_command": 0.0, "wet_mode": 0.0,
                           "spray_pressure": 0.0, "fan_speed": 40.0}  # fmt: skip
            values["basin_temperature"] = 18.0
            values["relative_humidity"] = self.humidity
            b = self.basin
            wave = 1.2 if running else 0.4
            values["basin_level"] = max(
                b.level + self.level_error_mm + self.rng.normal(0.0, wave), 0.0
            )
            wet = min(max((b.level - 12.0) / 15.0, 0.0), 1.0)
            read = self.probe(b.conductivity) * wet
            values["conductivity"] = max(read * (1.0 + self.rng.normal(0.0, 0.004)), 0.0)
            if self.meters:
                values["makeup_flow"] = b.makeup_now * (1.0 + self.rng.normal(0.0, 0.02))
                values["bleed_flow"] = b.bleed_now * (1.0 + self.rng.normal(0.0, 0.02))
            if not self.weather:
                del values["relative_humidity"], values["ambient_temperature"]
            values |= frame
            self.feed.now_ms += MINUTE_MS
            row = row_of_values(values)
            row[INDEX["pump_current"]] *= 1.0 + self.rng.normal(0.0, 0.01)
            self.feed.send(0, self.feed.now_ms, row)
        return self

    def emptied_and_filled(
        self, heel_mm: float, full_mm: float, *, drain: float, empty_h: float, supply: float
    ) -> Day:
        """At rest: drained down to a heel, left so for some hours, and filled by a supply."""
        basin = self.basin
        basin.supply, basin.drain = 0.0, drain
        while basin.level > heel_mm:
            self.run(1.0 / 12.0, running=False)
        basin.drain = 0.0
        self.run(empty_h, running=False)
        basin.supply = supply
        while basin.level < full_mm:
            self.run(1.0 / 12.0, running=False)
        return self.run(0.3, running=False)

    def raised(self) -> list[str]:
        """The faults of this family that were raised, in order."""
        return of_this_family(self.feed.raised())

    def evidence(self, fault: str):
        """The newest evidence of a fault."""
        return [e.evidence for e in self.feed.events if e.fault == fault and e.evidence][-1]


def of_this_family(faults: Iterable[str]) -> list[str]:
    """The faults without those that are tested elsewhere."""
    return [f for f in faults if f not in OTHERS]


def a_day(
    basin: Basin,
    *,
    meters: bool = False,
    weather: bool = True,
    every: int = 1,
    unit: Mapping[str, Any] | None = None,
) -> Day:
    """A day of a script that is played beside others (``support.beside``)."""
    day = Day(basin, meters=meters, weather=weather, feed=Taped(unit))
    day.every = every
    return day


OTHERS = {"warm-standing-water", "basin-not-drained", "fan-not-commanded", "reading-frozen"}
"""Faults that these made-up days may show by the way, which are tested elsewhere."""


def steady_bleed(l_min: float) -> Callable[[Basin, float], float]:
    """A bleed that runs with the pump."""
    return lambda _b, _t: l_min


def timed_bleed(l_min: float, share: float) -> Callable[[Basin, float], float]:
    """A bleed that is open for a share of each hour."""
    return lambda _b, t: l_min / share if t % 1.0 < share else 0.0


def controlled_bleed(
    l_min: float, setpoint: float, hysteresis: float = 0.07
) -> Callable[[Basin, float], float]:
    """A bleed by conductivity that shuts ``hysteresis`` of the setpoint below it."""
    return _Controlled(l_min, setpoint, hysteresis)


@dataclass
class _Controlled:
    """It remembers whether it is open: a copy of the basin goes on with a copy of that."""

    l_min: float
    setpoint: float
    hysteresis: float
    open: bool = False

    def __call__(self, basin: Basin, _t: float) -> float:
        c = basin.solids / max(basin.AREA * basin.level + basin.held_l, 1.0)
        shuts = (1.0 - self.hysteresis) * self.setpoint
        self.open = c > self.setpoint or (self.open and c > shuts)
        return self.l_min if self.open else 0.0
