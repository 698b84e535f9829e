"""Judges a reading whose meaning is known: is its value possible, is its time acceptable?

Shared by all formats. Also refers raw conductivity to 25 °C, which needs the water's temperature
of the same instant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from gateway.batch import Reason, RefusedReading
from gateway.wire.targets import Refusal, Target
from gateway.wire.unit_wire import UnitWire
from rules.signals import INDEX, SIGNALS

__all__ = [
    "CONDUCTIVITY",
    "DEFAULT_RETENTION_DAYS",
    "MAX_AHEAD_MS",
    "ByTime",
    "Sent",
    "Window",
    "is_flag",
    "judge",
    "refer",
    "refer_late",
]

MAX_AHEAD_MS: Final = 5 * 60 * 1000
"""A time further ahead of the receiver is the sender's clock being wrong."""

DEFAULT_RETENTION_DAYS: Final = 400.0
_DAY_MS: Final = 86_400_000
_BASIN_TEMPERATURE: Final = INDEX["basin_temperature"]
CONDUCTIVITY: Final = INDEX["conductivity"]
"""The column whose raw values are referred to 25 °C."""

ByTime = dict[int, dict[int, float]]
"""Values by signal column, by time. [ms since 1970]"""


@dataclass(frozen=True)
class Window:
    """The times that are accepted: ``retention_days`` back, :data:`MAX_AHEAD_MS` ahead."""

    retention_days: float = DEFAULT_RETENTION_DAYS

    def earliest_ms(self, received_ms: int) -> int:
        """The earliest time that is kept."""
        return max(received_ms - round(self.retention_days * _DAY_MS), 0)

    def refusal(self, reading: RefusedReading, received_ms: int) -> Refusal | None:
        """Why the reading's time is refused; None if it is not."""
        subject, time_ms = reading.signal, reading.time_ms
        if time_ms > received_ms + MAX_AHEAD_MS:
            what = (
                f"The time {_utc(time_ms)} is {(time_ms - received_ms) / 1000:.0f} s ahead of the "
                f"receiver's clock; {MAX_AHEAD_MS // 1000} s is accepted."
            )
            return Refusal(Reason.CLOCK_AHEAD, subject, what, reading)
        if time_ms < self.earliest_ms(received_ms):
            what = (
                f"The time {_utc(time_ms)} is older than the {self.retention_days:g} days that "
                "samples are kept."
            )
            return Refusal(Reason.TOO_OLD, subject, what, reading)
        return None


@dataclass(frozen=True)
class Sent:
    """A reading as it was sent: ``value`` in ``unit`` (None where none was said)."""

    value: float
    unit: str | None
    time_ms: int


def judge(target: Target, sent: Sent, window: Window, received_ms: int) -> float | Refusal:
    """The reading in the catalogue's unit, or why it cannot be used."""
    value = sent.value * target.scale + target.offset
    reading = RefusedReading(SIGNALS[target.column].name, value, sent.time_ms)
    if refusal := window.refusal(reading, received_ms):
        return refusal
    if not target.low <= value <= target.high or (target.whole and value != int(value)):
        return _out_of_range(target, sent, reading)
    return value


def _out_of_range(target: Target, sent: Sent, reading: RefusedReading) -> Refusal:
    signal, value = SIGNALS[target.column], reading.value
    if target.whole and not (math.isfinite(value) and value == int(value)):
        what = f"{signal.name} is {value:g}; it is a whole number."
        return Refusal(Reason.OUT_OF_RANGE, signal.name, what, reading)
    unit = f" {signal.unit}" if signal.unit else ""
    what = (
        f"{signal.name} is {value:g}{unit}; possible are {signal.low:g} to {signal.high:g}{unit} "
        f"(sent: {sent.value:g}{' ' + sent.unit[:20] if sent.unit else ''})."
    )
    if signal.unit == "%" and sent.unit in ("%", "/"):
        what += " In SenML '%' and '/' are ratios of 0 to 1; the symbol for 0 to 100 is " + (
            "'%RH'." if signal.name == "relative_humidity" else "'/100'."
        )
    return Refusal(Reason.OUT_OF_RANGE, signal.name, what, reading)


def is_flag(target: Target) -> bool:
    """Whether the signal is on or off."""
    return SIGNALS[target.column].kind == "flag"


def refer(wire: UnitWire, values: dict[int, float]) -> Refusal | bool:
    """Refer the raw conductivity among ``values``, if there is one, to 25 °C, in place."""
    if wire.refer_conductivity is None or CONDUCTIVITY not in values:
        return False
    signal = SIGNALS[CONDUCTIVITY]
    raw_us_cm = values[CONDUCTIVITY]
    if _BASIN_TEMPERATURE not in values:
        what = (
            f"The site file says that the probe gives raw conductivity ({raw_us_cm:g} µS/cm), and "
            "no basin_temperature came for the same time."
        )
        return Refusal(Reason.NO_TEMPERATURE, signal.name, what)
    water_degc = values[_BASIN_TEMPERATURE]
    referred_us_cm = wire.refer_conductivity(raw_us_cm, water_degc)
    if not signal.low <= referred_us_cm <= signal.high:
        what = (
            f"{signal.name} is {raw_us_cm:g} µS/cm at {water_degc:g} °C, and cannot be referred to "
            f"25 °C within {signal.low:g} to {signal.high:g} µS/cm."
        )
        return Refusal(Reason.OUT_OF_RANGE, signal.name, what)
    values[CONDUCTIVITY] = referred_us_cm
    return True


def refer_late(wire: UnitWire, by_time: ByTime, time_ms: int, raw_us_cm: float) -> Refusal | None:
    """Put a raw conductivity, referred to 25 °C, to the other values of its instant."""
    values = {**by_time.get(time_ms, {}), CONDUCTIVITY: raw_us_cm}
    referred = refer(wire, values)
    if isinstance(referred, Refusal):
        return referred
    by_time[time_ms] = values
    return None


def _utc(time_ms: int) -> str:
    try:
        return datetime.fromtimestamp(time_ms / 1000.0, UTC).isoformat(" ", "seconds")
    except (OverflowError, ValueError, OSError):
        return f"{time_ms / 1000.0:.4g} s after 1970"
