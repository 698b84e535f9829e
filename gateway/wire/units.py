"""Unit symbols that may come over the wire, and what they are in the unit of the catalogue.

Holds the SenML registry's symbols (RFC 8428, section 12.1), the secondary units of RFC 8798 and
units the trade uses, for the quantities that the catalogue has. Values are converted once, here.
``%`` is a ratio of 0 to 1 in SenML, a synonym of ``/``; ``percent`` is our own word for 0 to 100.

Factors: exact by definition, or NIST SP 811 (2008), appendix B.8, where marked.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

from rules.signals import SIGNALS, Signal

__all__ = ["KNOWN_UNITS", "SYMBOLS", "Conversion", "accepted", "conversion", "dimension"]


class Conversion(NamedTuple):
    """Catalogue value = ``scale`` × value on the wire + ``offset``."""

    scale: float
    offset: float


IDENTITY: Final = Conversion(1.0, 0.0)

_KPA_PER_PSI: Final = 6.894757293168361  # pound-force per square inch: 0.45359237 kg, 9.80665 m/s²
_L_PER_GAL: Final = 3.785411784  # US liquid gallon, exact
_KW_PER_BTU_H: Final = 0.00029307107017222  # International Table Btu, 1055.05585262 J

_RATIO: Final[dict[str, Conversion]] = {
    "/": Conversion(100.0, 0.0),
    "%": Conversion(100.0, 0.0),  # RFC 8428: a ratio, not per cent
    "/100": IDENTITY,
    "/1000": Conversion(0.1, 0.0),
    "ppm": Conversion(1e-4, 0.0),
    "percent": IDENTITY,
}

_PRESSURE_KPA: Final[dict[str, Conversion]] = {
    "Pa": Conversion(0.001, 0.0),
    "hPa": Conversion(0.1, 0.0),
    "kPa": IDENTITY,
    "MPa": Conversion(1000.0, 0.0),
    "mbar": Conversion(0.1, 0.0),
    "bar": Conversion(100.0, 0.0),
    "psi": Conversion(_KPA_PER_PSI, 0.0),
    "inHg": Conversion(3.386389, 0.0),  # conventional, NIST SP 811
    "inH2O": Conversion(0.2490889, 0.0),  # conventional, NIST SP 811
    "mmH2O": Conversion(0.00980665, 0.0),  # conventional, NIST SP 811
}

SYMBOLS: Final[Mapping[str, Mapping[str, Conversion]]] = {
    "length": {
        "m": Conversion(1000.0, 0.0),
        "cm": Conversion(10.0, 0.0),
        "mm": IDENTITY,
        "in": Conversion(25.4, 0.0),
        "ft": Conversion(304.8, 0.0),
    },
    "conductivity": {
        "S/m": Conversion(10_000.0, 0.0),
        "mS/m": Conversion(10.0, 0.0),
        "mS/cm": Conversion(1000.0, 0.0),
        "µS/cm": IDENTITY,  # micro sign, U+00B5
        "μS/cm": IDENTITY,  # Greek letter mu, U+03BC
        "uS/cm": IDENTITY,
    },
    "temperature": {
        "Cel": IDENTITY,
        "degC": IDENTITY,
        "°C": IDENTITY,
        "K": Conversion(1.0, -273.15),
        "degF": Conversion(5.0 / 9.0, -160.0 / 9.0),
        "°F": Conversion(5.0 / 9.0, -160.0 / 9.0),
    },
    "current": {"A": IDENTITY, "mA": Conversion(0.001, 0.0)},
    "voltage": {"V": IDENTITY, "mV": Conversion(0.001, 0.0), "kV": Conversion(1000.0, 0.0)},
    "pressure": _PRESSURE_KPA,
    "small pressure": {
        symbol: Conversion(c.scale * 1000.0, 0.0) for symbol, c in _PRESSURE_KPA.items()
    }
    | {"Pa": IDENTITY},
    "flow": {
        "m3/s": Conversion(60_000.0, 0.0),
        "m3/h": Conversion(1000.0 / 60.0, 0.0),
        "l/s": Conversion(60.0, 0.0),
        "L/s": Conversion(60.0, 0.0),
        "l/min": IDENTITY,
        "L/min": IDENTITY,
        "l/h": Conversion(1.0 / 60.0, 0.0),
        "L/h": Conversion(1.0 / 60.0, 0.0),
        "gal/min": Conversion(_L_PER_GAL, 0.0),
        "gpm": Conversion(_L_PER_GAL, 0.0),
    },
    "relative humidity": _RATIO | {"%RH": IDENTITY},
    "share": _RATIO,
    "power": {
        "W": Conversion(0.001, 0.0),
        "kW": IDENTITY,
        "MW": Conversion(1000.0, 0.0),
        "BTU/h": Conversion(_KW_PER_BTU_H, 0.0),
        "Btu/h": Conversion(_KW_PER_BTU_H, 0.0),
        "tons": Conversion(12_000.0 * _KW_PER_BTU_H, 0.0),  # of refrigeration, 12 000 Btu/h each
        "ton": Conversion(12_000.0 * _KW_PER_BTU_H, 0.0),
    },
    # Flags and masks are not quantities: they need no unit, and may have one that says so.
    "state": {"": IDENTITY, "/": IDENTITY, "count": IDENTITY},
}
"""By dimension: symbol on the wire -> conversion to the catalogue's unit of that dimension."""

KNOWN_UNITS: Final = frozenset(symbol for table in SYMBOLS.values() for symbol in table if symbol)
"""Every symbol that some signal accepts."""

_DIMENSION_OF_UNIT: Final[Mapping[str, str]] = {
    "mm": "length",
    "µS/cm": "conductivity",
    "°C": "temperature",
    "A": "current",
    "V": "voltage",
    "kPa": "pressure",
    "Pa": "small pressure",
    "L/min": "flow",
    "%": "share",
    "kW": "power",
    "": "state",
}


def dimension(signal: Signal) -> str:
    """The key of :data:`SYMBOLS` that fits a signal."""
    if signal.name == "relative_humidity":
        return "relative humidity"
    return _DIMENSION_OF_UNIT[signal.unit]


def accepted(signal: Signal) -> tuple[str, ...]:
    """The symbols accepted for a signal."""
    return tuple(s for s in SYMBOLS[dimension(signal)] if s)


def conversion(symbol: str, signal: Signal) -> Conversion | None:
    """From ``symbol`` to the catalogue's unit of ``signal``; None where the quantity is another."""
    return SYMBOLS[dimension(signal)].get(symbol)


# A catalogue unit without a table here would quarantine every reading of it: fail at import.
for _signal in SIGNALS:
    dimension(_signal)
del _signal
