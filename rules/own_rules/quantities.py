"""What expressions may name: every signal, and what is worked out from signals and nameplate.

One table. A quantity is a function of a :class:`Sight`, the units of a round that have rules of
their own; it gives one number a unit, NaN where it is not known. Truths are 1 and 0.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from rules.arrays import F64, I8, I64
from rules.bins import BinView, fan_capacity_of, masked, staged
from rules.equipment import Site, Unit
from rules.frames import FrameView
from rules.own_rules.units import COUNT, UNITS, unit_named
from rules.own_rules.units import Unit as Measure
from rules.physics.moist_air import wet_bulb_degc
from rules.physics.pads import evaporation_l_min, pad_outlet_degc
from rules.physics.refrigerant import condensing_temperature_degc
from rules.plan import FleetPlan
from rules.residuals import head_margin_k
from rules.signals import INDEX, SIGNALS, Signal
from rules.state import STEADY, FleetState

__all__ = ["BASELINES", "QUANTITIES", "UNUSABLE", "Quantity", "Sight"]


class Sight:
    """The units of a round that are looked at, (k,), and their quantities, each worked out once."""

    def __init__(self, view: FrameView, at: I64) -> None:
        """``at``: positions in the round."""
        self.plan: FleetPlan = view.plan
        self.state: FleetState = view.state
        self.rows: I64 = view.rows[at]
        self.time_ms: I64 = view.time_ms[at]
        self.view = view
        self.at = at
        self._known: dict[str, F64] = {}

    def value(self, key: str) -> F64:
        """A quantity by its name, or a baseline as ``baseline(name)``; (k,), NaN if not known."""
        found = self._known.get(key)
        if found is None:
            found = np.asarray(_BY_KEY[key].of(self), dtype=np.float64)
            self._known[key] = found
        return found

    def signal(self, name: str) -> F64:
        """A signal's present value."""
        column: F64 = self.view.x[self.at, INDEX[name]]
        return column

    def plate(self, pick: Callable[[Site, Unit], float]) -> F64:
        """A figure of the site files."""
        unit_of_row = self.plan.unit_of_row
        return np.array([pick(*unit_of_row[row]) for row in self.rows.tolist()], dtype=np.float64)


@dataclass(frozen=True)
class Quantity:
    """One name that an expression may use.

    ``unit`` is the symbol in which a bare number beside it is meant; '' for truths, counts and
    ratios. ``signals`` are those it rests on; ``fixed`` marks a figure that does not change while
    the machine runs.
    """

    name: str
    title: str
    kind: Literal["number", "count", "truth"]
    unit: str
    meaning: str
    of: Callable[[Sight], F64] = field(compare=False)
    signals: tuple[str, ...] = ()
    fixed: bool = False
    derived: bool = True

    @property
    def measure(self) -> Measure:
        """Its unit, for checking."""
        return COUNT if self.kind == "count" else unit_named(self.unit)


# ---------------------------------------------------------------- how each is worked out


def _truth(word: I8) -> F64:
    return np.where(word < 0, np.nan, word)


def _minutes(seconds: F64, there: F64) -> F64:
    """Minutes in a state; 0 outside it, NaN where the state is not known."""
    return np.where(np.isnan(there), np.nan, np.where(there > 0.5, seconds / 60.0, 0.0))


def _pump_for(s: Sight, state: int) -> F64:
    pump = s.view.pump_state[s.at]
    return _minutes(s.view.pump_state_s[s.at], _truth(np.where(pump < 0, pump, pump == state)))


def _mode_for(s: Sight, mode: int) -> F64:
    now = s.view.mode[s.at]
    return _minutes(s.view.mode_s[s.at], _truth(np.where(now < 0, now, now == mode)))


def _fans(s: Sight, name: str) -> F64:
    word = s.signal(name)
    number = np.bitwise_count(masked(word, s.plan.fan_count[s.rows])).astype(np.float64)
    return np.where(np.isnan(word), np.nan, number)


def _airflow_pct(s: Sight) -> F64:
    count = s.plan.fan_count[s.rows]
    in_stages = staged(s.view)[s.at]
    moves = s.view.state.speed_seen[s.rows]
    run, speed = s.signal("fan_run"), s.signal("fan_speed")
    return 100.0 * fan_capacity_of(run, speed, count, in_stages, moves=moves)


def _condensing_degc(s: Sight) -> F64:
    index = s.plan.refrigerant_index[s.rows]
    return condensing_temperature_degc(s.signal("head_pressure"), index)


def _wet_bulb_degc(s: Sight) -> F64:
    air, humidity = s.signal("ambient_temperature"), s.signal("relative_humidity")
    return wet_bulb_degc(air, humidity, s.plan.barometric_kpa[s.rows])


def _air_on_coil_degc(s: Sight) -> F64:
    air, wet = s.signal("ambient_temperature"), s.value("wet")
    effectiveness = s.plan.pad_effectiveness_frac[s.rows]
    outlet = pad_outlet_degc(air, s.value("wet_bulb_temperature"), effectiveness)
    return np.where(np.isnan(wet), np.nan, np.where(wet > 0.5, outlet, air))


def _evaporation_l_min(s: Sight) -> F64:
    wet = s.value("wet")
    water = evaporation_l_min(
        _airflow_pct(s) / 100.0 * s.plan.airflow_m3_s[s.rows],
        s.signal("ambient_temperature"),
        s.value("wet_bulb_temperature"),
        s.plan.pad_effectiveness_frac[s.rows],
        s.plan.barometric_kpa[s.rows],
    )
    return np.where(np.isnan(wet), np.nan, np.where(wet > 0.5, water, 0.0))


def _water_flow_pct(s: Sight) -> F64:
    k = len(s.rows)
    view = BinView(
        plan=s.plan, state=s.state, rows=s.rows, time_ms=s.time_ms,
        gap=np.zeros(k, dtype=np.bool_), fresh=np.zeros((k, len(STEADY)), dtype=np.bool_),
    )  # fmt: skip
    return 100.0 * view.flow.flow_frac


def _baseline(name: str) -> Callable[[Sight], F64]:
    column = next(i for i, q in enumerate(STEADY) if q.name == name)

    def of(s: Sight) -> F64:
        values: F64 = s.state.baseline[s.rows, column]
        return values

    return of


# ---------------------------------------------------------------- the table


def _of_signal(entry: Signal) -> Quantity:
    return Quantity(
        entry.name, entry.title, "truth" if entry.kind == "flag" else "number", entry.unit,
        entry.meaning, lambda s: s.signal(entry.name), (entry.name,), derived=False,
    )  # fmt: skip


def _plate(
    name: str, title: str, unit: str, meaning: str, pick: Callable[[Site, Unit], float]
) -> Quantity:
    return Quantity(name, title, "number", unit, meaning, lambda s: s.plate(pick), fixed=True)


_Q = Quantity
_AIR: Final = ("ambient_temperature", "relative_humidity")
_FANS: Final = ("fan_run", "fan_speed")
_FLOW: Final = ("pump_current", "spray_pressure", "spray_flow")

_TABLE: Final[tuple[Quantity, ...]] = (
    *(_of_signal(s) for s in SIGNALS if s.kind != "mask"),
    # states
    _Q("pump_running", "Pump running", "truth", "",
       "The pump runs: by its current, without it by `pump_command`, without both by spray "
       "pressure or flow.",
       lambda s: _truth(s.view.pump_state[s.at]), ("pump_current",)),
    _Q("wet", "Wet mode", "truth", "",
       "The unit runs with wetted pads: by `wet_mode`, without it by `pump_command`, without both "
       "by whether the pump runs.",
       lambda s: _truth(s.view.mode[s.at]), ("wet_mode", "pump_command")),
    # how long
    _Q("pump_running_for", "Pump running for", "number", "min",
       "Time since the pump started, 0 while it stands.",
       lambda s: _pump_for(s, 1), ("pump_current",)),
    _Q("pump_stopped_for", "Pump stopped for", "number", "min",
       "Time since the pump stopped, 0 while it runs.",
       lambda s: _pump_for(s, 0), ("pump_current",)),
    _Q("pump_commanded_for", "Pump commanded for", "number", "min",
       "Time since the pump was commanded to run, 0 while it is not.",
       lambda s: s.view.commanded_s[s.at] / 60.0, ("pump_command",)),
    _Q("fans_commanded_for", "Fans commanded for", "number", "min",
       "Time since the fans were commanded above 10 %, 0 while they are not.",
       lambda s: s.view.fans_commanded_s[s.at] / 60.0, ("fan_speed",)),
    _Q("wet_for", "Wet for", "number", "min", "Time in wet mode, 0 in dry mode.",
       lambda s: _mode_for(s, 1), ("wet_mode", "pump_command")),
    _Q("dry_for", "Dry for", "number", "min", "Time in dry mode, 0 in wet mode.",
       lambda s: _mode_for(s, 0), ("wet_mode", "pump_command")),
    # fans
    _Q("fans_running", "Fans running", "count", "", "How many fans are proven running.",
       lambda s: _fans(s, "fan_run"), ("fan_run",)),
    _Q("fans_in_fault", "Fans in fault", "count", "", "How many fans report a fault.",
       lambda s: _fans(s, "fan_fault"), ("fan_fault",)),
    _Q("airflow_share", "Airflow", "number", "%",
       "Fans running times their speed, of full airflow.", _airflow_pct, _FANS),
    # heat rejection
    _Q("condensing_temperature", "Condensing temperature", "number", "°C",
       "From head pressure, dew line of the refrigerant.", _condensing_degc, ("head_pressure",)),
    _Q("condensing_above_air", "Condensing temperature above air on coil", "number", "K",
       "`condensing_temperature` less `air_on_coil_temperature`.",
       lambda s: s.value("condensing_temperature") - s.value("air_on_coil_temperature"),
       ("head_pressure", *_AIR, "wet_mode", "pump_command")),
    _Q("cut_out_margin", "Margin to the cut-out", "number", "K",
       "Condensing temperature at the high-pressure cut-out less that now.",
       lambda s: head_margin_k(s.plan, s.rows, s.signal("head_pressure")), ("head_pressure",)),
    _Q("head_pressure_share", "Head pressure of cut-out", "number", "%",
       "Head pressure, of the cut-out's.",
       lambda s: 100.0 * s.signal("head_pressure") / s.plan.cut_out_kpa_abs[s.rows],
       ("head_pressure",)),
    # air
    _Q("wet_bulb_temperature", "Wet bulb", "number", "°C", "Wet bulb of the air drawn in.",
       _wet_bulb_degc, _AIR),
    _Q("air_on_coil_temperature", "Air on coil", "number", "°C",
       "Air drawn in when dry, the expected air behind the pads when wet.",
       _air_on_coil_degc, (*_AIR, "wet_mode", "pump_command")),
    # water
    _Q("water_flow_share", "Water flow of clean flow", "number", "%",
       "Water over the pads in the last running hour, of the clean baseline.",
       _water_flow_pct, _FLOW),
    _Q("pump_current_share", "Pump current of rated", "number", "%",
       "Pump current, of the nameplate's.",
       lambda s: 100.0 * s.signal("pump_current") / s.plan.pump_rated_current_a[s.rows],
       ("pump_current",)),
    _Q("evaporation", "Evaporation", "number", "L/min",
       "Water that should evaporate at the pads now; 0 in dry mode.",
       _evaporation_l_min, (*_AIR, *_FANS, "wet_mode", "pump_command")),
    _Q("cycles_of_concentration", "Cycles of concentration", "number", "",
       "Basin conductivity over that of the make-up water.",
       lambda s: s.signal("conductivity") / s.plan.makeup_us_cm[s.rows], ("conductivity",)),
    _Q("conductivity_share", "Conductivity of limit", "number", "%",
       "Basin conductivity, of the unit's limit.",
       lambda s: 100.0 * s.signal("conductivity") / s.plan.conductivity_limit_us_cm[s.rows],
       ("conductivity",)),
    _Q("level_above_pump_minimum", "Level above the pump's least", "number", "mm",
       "Basin level less that below which the pump draws air.",
       lambda s: s.signal("basin_level") - s.plan.pump_minimum_mm[s.rows], ("basin_level",)),
    _Q("level_below_overflow", "Level below the overflow", "number", "mm",
       "Overflow's lip less basin level.",
       lambda s: s.plan.overflow_mm[s.rows] - s.signal("basin_level"), ("basin_level",)),
    _Q("level_below_float", "Level below the float's shut", "number", "mm",
       "Level at which the float shuts less basin level.",
       lambda s: s.plan.float_shut_mm[s.rows] - s.signal("basin_level"), ("basin_level",)),
    # nameplate
    _Q("fan_count", "Fans", "count", "", "Fans that the unit has.",
       lambda s: s.plan.fan_count[s.rows].astype(np.float64), fixed=True),
    _plate("pump_rated_current", "Pump's rated current", "A", "Nameplate.",
           lambda _s, u: u.pump.rated_current_a),
    _plate("pump_rated_pressure", "Pump's rated pressure", "kPa", "Nameplate.",
           lambda _s, u: u.pump.rated_pressure_kpa),
    _plate("pump_rated_flow", "Pump's rated flow", "L/min", "Nameplate.",
           lambda _s, u: u.pump.rated_flow_l_min),
    _plate("cut_out_pressure", "Cut-out pressure", "kPa",
           "High-pressure cut-out, absolute like `head_pressure`.",
           lambda _s, u: u.condenser.cut_out_kpa_abs),
    _plate("rated_capacity", "Rated capacity", "kW", "Nameplate.",
           lambda _s, u: u.condenser.rated_capacity_kw),
    _plate("conductivity_limit", "Conductivity limit", "µS/cm", "The unit's limit.",
           lambda _s, u: u.water.conductivity_limit_us_cm),
    _plate("makeup_conductivity", "Make-up conductivity", "µS/cm", "That of the site file.",
           lambda _s, u: u.water.makeup_conductivity_us_cm),
    _plate("float_shut_level", "Float's shut level", "mm", "Level at which the float shuts.",
           lambda _s, u: u.basin.float_shut_mm),
    _plate("overflow_level", "Overflow level", "mm", "Lip of the overflow.",
           lambda _s, u: u.basin.overflow_mm),
    _plate("pump_minimum_level", "Pump's least level", "mm", "The pump draws air below it.",
           lambda _s, u: u.basin.pump_minimum_mm),
)  # fmt: skip

QUANTITIES: Final[dict[str, Quantity]] = {q.name: q for q in _TABLE}

_LEARNED: Final[tuple[tuple[str, str, Callable[[Sight], F64]], ...]] = (
    ("pump_current", "at rated voltage, pump running", _baseline("pump_current")),
    ("spray_pressure", "pump running", _baseline("spray_pressure")),
    ("spray_flow", "pump running", _baseline("spray_flow")),
)

BASELINES: Final[dict[str, Quantity]] = {
    name: Quantity(
        f"baseline({name})", f"{QUANTITIES[name].title}, clean baseline", "number",
        QUANTITIES[name].unit, f"What was learned while clean, {when}.", of, (name,),
    )
    for name, when, of in _LEARNED
}  # fmt: skip
"""By the name inside ``baseline(...)``; not known until learned."""

_BY_KEY: Final = QUANTITIES | {b.name: b for b in BASELINES.values()}

UNUSABLE: Final[dict[str, str]] = {
    "fan_run": "It holds one bit a fan. Use fans_running, the number of fans running.",
    "fan_fault": "It holds one bit a fan. Use fans_in_fault, the number of fans in fault.",
}
"""Signals that are no numbers, and what to write instead."""

for _q in _TABLE:  # a unit that the language does not know would fail only when used
    if _q.unit:
        UNITS[_q.unit]
del _q
