"""What a unit's readings are now, each against what is expected of it in its present running state.

For a person who looks at one unit. It raises nothing and decides nothing: the faults have limits of
their own, over means and delays. Where nothing can be expected (nothing learned, another running
state, weather) nothing is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from rules.events import Reading
from rules.faults.fans import missing_fans
from rules.handback import COMMANDED_ABOVE_PCT, LEAST_SLACK_FRAC
from rules.heat import WETTED_DROP_TIMES
from rules.look import UnitLook
from rules.physics.pump import current_at_rated_voltage_a, current_for_shaft_power_frac
from rules.physics.refrigerant import saturation_pressure_kpa_abs
from rules.settings import FLEET
from rules.signals import INDEX, SIGNALS
from rules.staging import masked
from rules.state import STEADY

__all__ = ["LiveReading", "RunningState", "live_readings", "running_state"]

VOLTAGE_TOLERANCE_FRAC: Final = 0.10
"""How far supply voltage may lie from rated (IEC 60034-1, zone B: 10 %; from memory)."""

LEAST_TD_SLACK_K: Final = 2.0
"""How far a single sample's condensing temperature may lie from the expected one: load and weather
change within minutes, which means of five minutes even out (judgement)."""


@dataclass(frozen=True)
class LiveReading:
    """The last value of one signal; ``stale`` if it is older than the fleet's limit says.

    ``measured_ms`` is its own time (UTC, ms since 1970). ``reading`` holds value and expectation.
    """

    signal: str
    reading: Reading
    measured_ms: int
    stale: bool

    @property
    def verdict(self) -> str:
        """'low' or 'high' where the value is outside what is expected, '' where it is not."""
        r = self.reading
        if self.stale or r.measured is None:
            return ""
        if r.low is not None and r.measured < r.low:
            return "low"
        return "high" if r.high is not None and r.measured > r.high else ""

    def to_json(self) -> dict[str, Any]:
        """As plain JSON data."""
        return {**vars(self), "reading": dict(vars(self.reading))}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> LiveReading:
        """Read back from :meth:`to_json`; :class:`TypeError` or :class:`KeyError` if it is not."""
        return cls(**{**data, "reading": Reading(**data["reading"])})


@dataclass(frozen=True)
class RunningState:
    """How a unit runs, by the rules: None where that is not known.

    ``head_margin_k`` is what is left of condensing temperature to the cut-out. [K]
    """

    wet: bool | None
    wet_since_ms: int
    pump_runs: bool | None
    pump_since_ms: int
    head_margin_k: float | None
    condensing_degc: float | None
    wet_bulb_degc: float | None
    evaporation_l_min: float | None
    value_age_limit_s: float
    """From this age on a reading says nothing of now."""


def running_state(look: UnitLook) -> RunningState:
    """How the unit runs now."""
    state, row = look.state, look.row
    return RunningState(
        wet=_flag(int(state.mode[row])),
        wet_since_ms=int(state.mode_changed_ms[row]),
        pump_runs=_flag(int(state.pump_state[row])),
        pump_since_ms=int(state.pump_changed_ms[row]),
        head_margin_k=look.head_margin_k(),
        condensing_degc=look.condensing_degc(),
        wet_bulb_degc=look.wet_bulb_degc(),
        evaporation_l_min=look.evaporation_l_min(),
        value_age_limit_s=look.setting(FLEET, "value_age_limit_s"),
    )


def live_readings(look: UnitLook) -> tuple[LiveReading, ...]:
    """The last value of every signal the unit has, in the catalogue's order.

    Also of the site's weather, where another unit sends it.
    """
    limit_ms = look.setting(FLEET, "value_age_limit_s") * 1000.0
    found = []
    for entry in SIGNALS:
        if not look.has(entry.name):
            continue
        column = INDEX[entry.name]
        at_ms = look.measured_ms(entry.name)
        value = _known(look.state.value[look.row, column])
        whose = look.sent_by(entry.name)
        note = f"sent by {whose}" if whose else ""
        plain = Reading(entry.title, value, entry.unit, note=note)
        stale = look.time_ms - at_ms > limit_ms
        make = _EXPECTED.get(entry.name)
        reading = plain if make is None or stale or value is None else make(look, plain)
        found.append(LiveReading(entry.name, reading, at_ms, stale))
    return tuple(found)


def _level(look: UnitLook, r: Reading) -> Reading:
    basin = look.unit.basin
    low, high = basin.float_shut_mm - basin.float_band_mm, basin.overflow_mm
    return _within(r, low, high, "float's band to overflow")


def _conductivity(look: UnitLook, r: Reading) -> Reading:
    water = look.unit.water
    ratio = look.setting("conductivity-high", "low_ratio")
    limit = ratio * water.conductivity_limit_us_cm
    over_pct = 100.0 * (ratio - 1.0)
    side = "above" if over_pct > 0.0 else "below"
    by = f"the alarm's limit, {abs(over_pct):g} % {side} the basin water's"
    return _within(r, None, limit, "limit of the basin water" if ratio == 1.0 else by)


def _pump_current(look: UnitLook, r: Reading) -> Reading:
    pump, current = look.unit.pump, r.measured
    assert current is not None  # noqa: S101 - asked for with a value alone
    if look.state.pump_state[look.row] != 1 or not _settled(look):
        return r
    base = look.baseline("pump_current")
    voltage, title = look.value("supply_voltage"), r.quantity
    derived = False
    if voltage is not None and voltage > 0:
        referred = float(
            current_at_rated_voltage_a(
                current, voltage, pump.rated_voltage_v,
                base.value if base else pump.rated_current_a, pump.magnetising_current_frac,
            )
        )  # fmt: skip
        if not np.isnan(referred):
            current, title, derived = referred, "Pump current at rated voltage", True
    over = look.setting("pump-overload", "low_ratio")
    if base is not None:
        slack = max(LEAST_SLACK_FRAC * base.value, 3.0 * base.spread)
        low, high, expected = base.value - slack, max(over * base.value, base.value + slack), base
        return Reading(title, current, r.unit, expected.value, low, high, "as learned", derived)
    low = pump.rated_current_a * float(
        current_for_shaft_power_frac(pump.shutoff_power_frac, pump.magnetising_current_frac)
    )
    high = over * pump.rated_current_a
    return Reading(title, current, r.unit, None, low, high, "by the nameplate", derived)


def _voltage(look: UnitLook, r: Reading) -> Reading:
    rated = look.unit.pump.rated_voltage_v
    low, high = rated * (1 - VOLTAGE_TOLERANCE_FRAC), rated * (1 + VOLTAGE_TOLERANCE_FRAC)
    return Reading(r.quantity, r.measured, r.unit, rated, low, high, "rated")


def _spray(quantity: str) -> Any:
    def expected(look: UnitLook, r: Reading) -> Reading:
        base = look.baseline(quantity)
        if base is None or look.state.pump_state[look.row] != 1 or not _settled(look):
            return r
        slack = max(LEAST_SLACK_FRAC * base.value, 3.0 * base.spread)
        low, high = base.value - slack, base.value + slack
        return Reading(r.quantity, r.measured, r.unit, base.value, low, high, "as learned")

    return expected


def _head(look: UnitLook, r: Reading) -> Reading:
    cut_out = look.unit.condenser.cut_out_kpa_abs
    wet = int(look.state.mode[look.row])
    base = look.baseline("td_wet" if wet == 1 else "td_dry") if wet >= 0 else None
    air = look.air_on_coil_degc(wet=wet == 1) if base else None
    if base is None or air is None or not _fans_move(look):
        return _within(r, None, cut_out, "cut-out")
    td_k = look.expected_td_k(base.value)
    slack_k = max(LEAST_TD_SLACK_K, 3.0 * base.spread)
    middle, high = (_pressure_kpa_abs(look, air + td) for td in (td_k, td_k + slack_k))
    high = cut_out if high is None else min(high, cut_out)
    note = "by what was learned, the air and the load"
    # Condensing below what was learned harms nothing: a floating head pressure is wanted.
    return Reading(r.quantity, r.measured, r.unit, middle, None, high, note)


def _pads(look: UnitLook, r: Reading) -> Reading:
    base = look.baseline("pad_pressure_drop")
    share = look.air_frac()
    if base is None or share is None or share < COMMANDED_ABOVE_PCT / 100:
        return r
    # The drop over the pads goes with the square of the air (the rules refer it so as well).
    air = share**2 / (WETTED_DROP_TIMES if int(look.state.mode[look.row]) == 0 else 1.0)
    expected = base.value * air
    slack = max(0.25 * expected, 3.0 * base.spread * air)
    return Reading(
        r.quantity, r.measured, r.unit, expected, None, expected + slack, "as learned, at this air"
    )


def _fans(look: UnitLook, r: Reading) -> Reading:
    count = look.unit.fans.count
    counts, run = np.array([count]), np.array([r.measured])
    proven = float(int(masked(run, counts)[0]).bit_count())
    note, speed = f"of {count}", look.value("fan_speed")
    if speed is None or speed <= COMMANDED_ABOVE_PCT:
        return Reading(r.quantity, proven, "", None, None, None, note, derived=True)
    reported = look.value("fan_fault")
    fault = np.array([np.nan if reported is None else reported])
    missing, _which = missing_fans(run, fault, np.array([speed]), counts, look.fans_staged())
    wanted = proven + float(missing[0])
    return Reading(r.quantity, proven, "", wanted, wanted, None, note, derived=True)


def _fan_faults(look: UnitLook, r: Reading) -> Reading:
    count = look.unit.fans.count
    reported = int(masked(np.array([r.measured]), np.array([count]))[0]).bit_count()
    return Reading(r.quantity, float(reported), "", 0.0, None, 0.0, f"of {count}", derived=True)


_EXPECTED: Final[dict[str, Any]] = {
    "basin_level": _level,
    "conductivity": _conductivity,
    "pump_current": _pump_current,
    "supply_voltage": _voltage,
    **{q.name: _spray(q.name) for q in STEADY if q.name in {"spray_pressure", "spray_flow"}},
    "head_pressure": _head,
    "pad_pressure_drop": _pads,
    "fan_run": _fans,
    "fan_fault": _fan_faults,
}


def _within(r: Reading, low: float | None, high: float | None, note: str) -> Reading:
    return Reading(r.quantity, r.measured, r.unit, None, low, high, note)


def _settled(look: UnitLook) -> bool:
    ran_s = (look.time_ms - int(look.state.pump_changed_ms[look.row])) / 1000.0
    return ran_s >= look.setting(FLEET, "pump_settle_s")


def _fans_move(look: UnitLook) -> bool:
    share = look.air_frac()
    return share is not None and share >= COMMANDED_ABOVE_PCT / 100


def _pressure_kpa_abs(look: UnitLook, degc: float) -> float | None:
    index = look.plan.refrigerant_index[[look.row]]
    return _known(saturation_pressure_kpa_abs(np.array([degc]), index)[0])


def _flag(value: int) -> bool | None:
    return None if value < 0 else value == 1


def _known(value: Any) -> float | None:
    number = float(value)
    return None if np.isnan(number) else number
