"""Units in expressions: what can be compared with what, and by which factor.

A unit is a product of powers of the base quantities of ISO 80000-1 that occur here, and of one of
our own: a number of things, so that fans are not compared with per cent. Temperatures are points on
a scale (``°C``); their differences are another kind (``K``), as ISO 80000-5 has it: a point less a
point is a difference, a point and a difference make a point, two points cannot be added.

Factors: exact by definition, or NIST SP 811 (2008), appendix B.8, where marked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = [
    "COUNT",
    "RATIO",
    "UNITS",
    "Unit",
    "as_difference",
    "kind_of",
    "unit_named",
]

Powers = tuple[int, int, int, int, int, int]
"""Of length, mass, time, electric current, temperature, and number of things."""

NONE: Final[Powers] = (0, 0, 0, 0, 0, 0)
_LENGTH: Final[Powers] = (1, 0, 0, 0, 0, 0)
_VOLUME: Final[Powers] = (3, 0, 0, 0, 0, 0)
_FLOW: Final[Powers] = (3, 0, -1, 0, 0, 0)
_PRESSURE: Final[Powers] = (-1, 1, -2, 0, 0, 0)
_TIME: Final[Powers] = (0, 0, 1, 0, 0, 0)
_CURRENT: Final[Powers] = (0, 0, 0, 1, 0, 0)
_VOLTAGE: Final[Powers] = (2, 1, -3, -1, 0, 0)
_POWER: Final[Powers] = (2, 1, -3, 0, 0, 0)
_CONDUCTIVITY: Final[Powers] = (-3, -1, 3, 2, 0, 0)
_TEMPERATURE: Final[Powers] = (0, 0, 0, 0, 1, 0)
_NUMBER: Final[Powers] = (0, 0, 0, 0, 0, 1)

_KINDS: Final[dict[Powers, str]] = {
    NONE: "a ratio",
    _LENGTH: "a length",
    _VOLUME: "a volume",
    _FLOW: "a flow",
    _PRESSURE: "a pressure",
    _TIME: "a time",
    _CURRENT: "an electric current",
    _VOLTAGE: "a voltage",
    _POWER: "a power",
    _CONDUCTIVITY: "a conductivity",
    _TEMPERATURE: "a temperature difference",
    _NUMBER: "a number of things",
}


@dataclass(frozen=True)
class Unit:
    """One unit: a value in it, times ``factor`` (plus ``offset`` for a point), is in SI units.

    ``point`` marks a temperature on a scale, as against a difference.
    """

    symbol: str
    powers: Powers
    factor: float = 1.0
    offset: float = 0.0
    point: bool = False

    def same_kind(self, other: Unit) -> bool:
        """Whether the two can be compared."""
        return self.powers == other.powers and self.point == other.point

    def into(self, other: Unit) -> tuple[float, float]:
        """Scale and offset from a value in this unit to one in ``other``, of the same kind."""
        if self == other:
            return 1.0, 0.0
        return self.factor / other.factor, (self.offset - other.offset) / other.factor

    def times(self, other: Unit) -> Unit:
        """The unit of a product of two differences."""
        powers = _powers(self.powers, other.powers, 1)
        return Unit(f"{self.symbol}·{_grouped(other)}", powers, self.factor * other.factor)

    def per(self, other: Unit) -> Unit:
        """The unit of a quotient of two differences."""
        powers = _powers(self.powers, other.powers, -1)
        return Unit(f"{self.symbol or '1'}/{_grouped(other)}", powers, self.factor / other.factor)


def _powers(a: Powers, b: Powers, sign: int) -> Powers:
    first, second, third, fourth, fifth, sixth = (x + sign * y for x, y in zip(a, b, strict=True))
    return first, second, third, fourth, fifth, sixth


def _grouped(unit: Unit) -> str:
    return f"({unit.symbol})" if {"·", "/"} & set(unit.symbol) else unit.symbol


RATIO: Final = Unit("", NONE)
COUNT: Final = Unit("", _NUMBER)

_PSI_PA: Final = 6894.757293168361  # 0.45359237 kg · 9.80665 m/s² on a square inch
_GALLON_M3: Final = 0.003785411784  # US liquid gallon
_BTU_H_W: Final = 0.29307107017222  # International Table Btu, 1055.05585262 J

_TABLE: Final = (
    (Unit("%", NONE, 0.01), "percent"),
    (Unit("mm", _LENGTH, 0.001), ""),
    (Unit("cm", _LENGTH, 0.01), ""),
    (Unit("m", _LENGTH), ""),
    (Unit("in", _LENGTH, 0.0254), ""),
    (Unit("ft", _LENGTH, 0.3048), ""),
    (Unit("L", _VOLUME, 0.001), "l"),
    (Unit("m³", _VOLUME), "m3"),
    (Unit("gal", _VOLUME, _GALLON_M3), ""),
    (Unit("L/min", _FLOW, 0.001 / 60.0), "l/min"),
    (Unit("L/s", _FLOW, 0.001), "l/s"),
    (Unit("L/h", _FLOW, 0.001 / 3600.0), "l/h"),
    (Unit("m³/h", _FLOW, 1.0 / 3600.0), "m3/h"),
    (Unit("m³/s", _FLOW), "m3/s"),
    (Unit("gpm", _FLOW, _GALLON_M3 / 60.0), "gal/min"),
    (Unit("Pa", _PRESSURE), ""),
    (Unit("hPa", _PRESSURE, 100.0), ""),
    (Unit("kPa", _PRESSURE, 1000.0), ""),
    (Unit("MPa", _PRESSURE, 1e6), ""),
    (Unit("mbar", _PRESSURE, 100.0), ""),
    (Unit("bar", _PRESSURE, 1e5), ""),
    (Unit("psi", _PRESSURE, _PSI_PA), ""),
    (Unit("inH2O", _PRESSURE, 249.0889), ""),  # conventional, NIST SP 811
    (Unit("s", _TIME), ""),
    (Unit("min", _TIME, 60.0), ""),
    (Unit("h", _TIME, 3600.0), ""),
    (Unit("d", _TIME, 86_400.0), ""),
    (Unit("A", _CURRENT), ""),
    (Unit("mA", _CURRENT, 0.001), ""),
    (Unit("V", _VOLTAGE), ""),
    (Unit("mV", _VOLTAGE, 0.001), ""),
    (Unit("kV", _VOLTAGE, 1000.0), ""),
    (Unit("W", _POWER), ""),
    (Unit("kW", _POWER, 1000.0), ""),
    (Unit("MW", _POWER, 1e6), ""),
    (Unit("Btu/h", _POWER, _BTU_H_W), "BTU/h"),
    (Unit("µS/cm", _CONDUCTIVITY, 1e-4), "uS/cm μS/cm"),  # also with the Greek letter
    (Unit("mS/cm", _CONDUCTIVITY, 0.1), ""),
    (Unit("mS/m", _CONDUCTIVITY, 0.001), ""),
    (Unit("S/m", _CONDUCTIVITY), ""),
    (Unit("°C", _TEMPERATURE, 1.0, 273.15, point=True), "degC"),
    (Unit("°F", _TEMPERATURE, 5.0 / 9.0, 273.15 - 160.0 / 9.0, point=True), "degF"),
    (Unit("K", _TEMPERATURE), ""),
    (Unit("°F_diff", _TEMPERATURE, 5.0 / 9.0), "degF_diff"),
)  # fmt: skip

UNITS: Final[dict[str, Unit]] = {
    name: unit for unit, others in _TABLE for name in (unit.symbol, *others.split())
}
"""Every symbol that may stand behind a number; ``K`` and ``°F_diff`` are differences."""

_DIFFERENCE_OF: Final = {"°C": UNITS["K"], "°F": UNITS["°F_diff"]}


def unit_named(symbol: str) -> Unit:
    """The unit of a catalogue symbol; '' is a ratio. ``KeyError`` if there is none."""
    return UNITS[symbol] if symbol else RATIO


def as_difference(point: Unit) -> Unit:
    """The unit of the differences of a temperature scale."""
    return _DIFFERENCE_OF[point.symbol]


def kind_of(unit: Unit) -> str:
    """What a unit measures, in words with its symbol: 'a pressure (kPa)'."""
    kind = "a temperature" if unit.point else _KINDS.get(unit.powers, "a quantity")
    return f"{kind} ({unit.symbol})" if unit.symbol else kind
