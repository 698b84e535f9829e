"""Units as a person at the site reads them: metric, or US customary.

The program holds every quantity in the catalogue's unit (:mod:`rules.signals`); this module turns
it into the site's display unit, once, at the last edge. It does not judge, round for calculation,
or convert back. Factors: NIST SP 811 (2008), Appendix B, from memory; the tests check them against
``scipy.constants``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

__all__ = [
    "US",
    "DisplaySystem",
    "DisplayUnit",
    "display_unit",
    "format_quantity",
    "in_display_unit",
    "with_us_units",
]

DisplaySystem = Literal["metric", "us"]

_KPA_PER_PSI: Final = 6.894757293168
_PA_PER_INCH_WATER: Final = 249.08891  # conventional inch of water
_L_PER_US_GALLON: Final = 3.785411784
_M3_PER_CUBIC_FOOT: Final = 0.028316846592
_KJ_PER_BTU: Final = 1.05505585262  # International Table Btu


@dataclass(frozen=True)
class DisplayUnit:
    """How a catalogue unit is shown: ``value × factor + offset``, symbol and decimal places."""

    symbol: str
    decimals: int
    factor: float = 1.0
    offset: float = 0.0


_METRIC: Final[Mapping[str, DisplayUnit]] = MappingProxyType({
    "": DisplayUnit("", 0),
    "mm": DisplayUnit("mm", 0),
    "mm/h": DisplayUnit("mm/h", 1),
    "mm/min": DisplayUnit("mm/min", 1),
    "µS/cm": DisplayUnit("µS/cm", 0),
    "µS/cm/h": DisplayUnit("µS/cm/h", 1),
    "°C": DisplayUnit("°C", 1),
    "K": DisplayUnit("K", 1),
    "K/kW": DisplayUnit("K/kW", 3),
    "A": DisplayUnit("A", 2),
    "V": DisplayUnit("V", 0),
    "MΩ": DisplayUnit("MΩ", 1),
    "kPa": DisplayUnit("kPa", 1),
    "kPa abs": DisplayUnit("kPa abs", 0),
    "Pa": DisplayUnit("Pa", 0),
    "L": DisplayUnit("L", 0),
    "L/min": DisplayUnit("L/min", 1),
    "L/h": DisplayUnit("L/h", 0),
    "m³/s": DisplayUnit("m³/s", 2),
    "%": DisplayUnit("%", 0),
    "kW": DisplayUnit("kW", 0),
    "s": DisplayUnit("s", 0),
    "min": DisplayUnit("min", 0),
    "h": DisplayUnit("h", 1),
    "d": DisplayUnit("d", 1),
})  # fmt: skip

US: Final[Mapping[str, DisplayUnit]] = MappingProxyType({
    "mm": DisplayUnit("in", 1, 1 / 25.4),
    "mm/h": DisplayUnit("in/h", 2, 1 / 25.4),
    "mm/min": DisplayUnit("in/min", 2, 1 / 25.4),
    "°C": DisplayUnit("°F", 1, 1.8, 32.0),
    # A difference of temperature: no offset. The symbol says so, lest 5 K be read as 41 °F.
    "K": DisplayUnit("°F difference", 1, 1.8),
    "K/kW": DisplayUnit("°F/(kBtu/h)", 4, 1.8 * _KJ_PER_BTU / 3.6),
    "kPa": DisplayUnit("psi", 1, 1 / _KPA_PER_PSI),
    "kPa abs": DisplayUnit("psia", 1, 1 / _KPA_PER_PSI),
    "Pa": DisplayUnit("in H2O", 2, 1 / _PA_PER_INCH_WATER),
    "L": DisplayUnit("gal", 1, 1 / _L_PER_US_GALLON),
    "L/min": DisplayUnit("gpm", 2, 1 / _L_PER_US_GALLON),
    "L/h": DisplayUnit("gal/h", 1, 1 / _L_PER_US_GALLON),
    "m³/s": DisplayUnit("cfm", 0, 60 / _M3_PER_CUBIC_FOOT),
    "kW": DisplayUnit("kBtu/h", 0, 3.6 / _KJ_PER_BTU),
})  # fmt: skip
"""Catalogue units that US customary sites see otherwise; the rest are the same in both."""


def display_unit(unit: str, system: DisplaySystem) -> DisplayUnit:
    """How ``unit`` is shown. A unit that is not known stays as it is, with two decimals."""
    if system == "us" and unit in US:
        return US[unit]
    return _METRIC.get(unit, DisplayUnit(unit, 2))


def in_display_unit(value: float, unit: str, system: DisplaySystem) -> float:
    """``value`` in the display unit, not rounded."""
    shown = display_unit(unit, system)
    return value * shown.factor + shown.offset


def format_quantity(value: float | None, unit: str, system: DisplaySystem) -> str:
    """A quantity with its unit, rounded for reading; 'no reading' for None, NaN or infinity.

    >>> format_quantity(150.0, "mm", "us")
    '5.9 in'
    >>> format_quantity(1620.0, "kPa abs", "metric")
    '1,620 kPa abs'
    """
    if value is None or not math.isfinite(value):
        return "no reading"
    shown = display_unit(unit, system)
    number = value * shown.factor + shown.offset
    text = f"{number:,.{_decimals(number, shown)}f}"
    if text.strip("-0.,") == "":
        text = text.lstrip("-")  # no "-0"
    return f"{text} {shown.symbol}".rstrip()


def _decimals(number: float, shown: DisplayUnit) -> int:
    """Decimals of the unit, fewer for large numbers: 1,620.4 kPa says no more than 1,620 kPa.

    A number without a unit (a ratio, cycles of concentration) keeps two unless it is whole.
    """
    if not shown.symbol:
        return 0 if number == round(number) else 2
    if abs(number) >= 1000:
        return 0
    return min(shown.decimals, 1) if abs(number) >= 100 else shown.decimals


_NUMBER = r"[-−]?\d+(?:,\d{3})*(?:\.\d+)?"
_IN_PROSE: Final = re.compile(
    rf"(?<![\w.,])({_NUMBER})(?:( to |–| against )({_NUMBER}))?"
    r"\s?(mm/min|mm/h|mm|kPa abs|kPa|Pa|°C|K/kW|K|L/min|L/h|L|m³/s|kW)(?![\w/²³])"
)


def with_us_units(text: str) -> str:
    """Prose with US customary values added in brackets behind each metric one.

    The words of the rules are written with catalogue units. What stands there is never altered, so
    a quantity that is not recognised is left metric, and not wrong.

    >>> with_us_units("pressure fell from 88 to 61 kPa")
    'pressure fell from 88 to 61 kPa (12.8 to 8.8 psi)'
    """
    return _IN_PROSE.sub(_append_us, text)


def _append_us(match: re.Match[str]) -> str:
    first, joint, second, unit = match.groups()
    values = [_number(n) for n in (first, second) if n is not None]
    texts = [format_quantity(v, unit, "us") for v in values]
    if second is not None:
        texts[0] = texts[0].removesuffix(US[unit].symbol).rstrip()
    return f"{match.group()} ({(joint or '').join(texts)})"


def _number(text: str) -> float:
    return float(text.replace(",", "").replace("−", "-"))
