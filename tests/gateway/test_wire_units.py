"""Unit symbols against published conversion factors."""

from __future__ import annotations

import pytest

from gateway.wire.units import KNOWN_UNITS, SYMBOLS, accepted, conversion
from rules.signals import SIGNALS, signal

# (signal, symbol, value on the wire, value in the catalogue's unit, relative tolerance), by source.
EXACT = [
    # RFC 8428, section 12.1: SI symbols; "%" and "/" are ratios, "%RH" is per cent.
    ("basin_level", "m", 0.35, 350.0),
    ("pump_current", "A", 2.5, 2.5),
    ("supply_voltage", "V", 400.0, 400.0),
    ("head_pressure", "Pa", 1_500_000.0, 1500.0),
    ("pad_pressure_drop", "Pa", 25.0, 25.0),
    ("basin_temperature", "Cel", 21.5, 21.5),
    ("basin_temperature", "K", 294.65, 21.5),
    ("conductivity", "S/m", 0.1413, 1413.0),  # 1413 µS/cm = 1.413 mS/cm = 0.1413 S/m, exact
    ("makeup_flow", "m3/s", 0.001, 60.0),
    ("makeup_flow", "l/s", 0.5, 30.0),
    ("relative_humidity", "%RH", 55.0, 55.0),
    ("relative_humidity", "%", 0.55, 55.0),
    ("relative_humidity", "/", 0.55, 55.0),
    ("fan_speed", "%", 0.8, 80.0),
    ("fan_speed", "/", 0.8, 80.0),
    ("heat_load", "W", 250_000.0, 250.0),
    # RFC 8798: secondary units.
    ("basin_level", "mm", 350.0, 350.0),
    ("basin_level", "cm", 35.0, 350.0),
    ("pump_current", "mA", 2500.0, 2.5),
    ("supply_voltage", "mV", 400_000.0, 400.0),
    ("head_pressure", "hPa", 15_000.0, 1500.0),
    ("heat_load", "kW", 250.0, 250.0),
    ("fan_speed", "/100", 80.0, 80.0),
    ("fan_speed", "/1000", 800.0, 80.0),
    ("fan_speed", "ppm", 800_000.0, 80.0),
    # Definitions: 1 bar = 100 kPa, 1 in = 25.4 mm, 1 US gal = 3.785411784 L, °F scale.
    ("head_pressure", "bar", 15.0, 1500.0),
    ("head_pressure", "mbar", 15_000.0, 1500.0),
    ("head_pressure", "kPa", 1500.0, 1500.0),
    ("head_pressure", "MPa", 1.5, 1500.0),
    ("pad_pressure_drop", "mbar", 0.25, 25.0),
    ("basin_level", "in", 10.0, 254.0),
    ("basin_level", "ft", 1.0, 304.8),
    ("spray_flow", "gal/min", 10.0, 37.85411784),
    ("spray_flow", "l/min", 10.0, 10.0),
    ("spray_flow", "L/min", 10.0, 10.0),
    ("spray_flow", "m3/h", 0.6, 10.0),
    ("ambient_temperature", "degF", 32.0, 0.0),
    ("ambient_temperature", "degF", -40.0, -40.0),
    ("ambient_temperature", "degC", 30.0, 30.0),
    ("conductivity", "mS/cm", 1.413, 1413.0),
    ("conductivity", "uS/cm", 1413.0, 1413.0),
    ("conductivity", "µS/cm", 1413.0, 1413.0),
    ("conductivity", "μS/cm", 1413.0, 1413.0),
    ("fan_speed", "percent", 80.0, 80.0),
]

# NIST SP 811 (2008), appendix B.8, from memory; the ton of refrigeration from its definition
# (12 000 Btu/h), 3.516853 kW.
PUBLISHED = [
    ("spray_pressure", "psi", 1.0, 6.894757),
    ("spray_pressure", "inHg", 1.0, 3.386389),
    ("pad_pressure_drop", "inH2O", 1.0, 249.0889),
    ("pad_pressure_drop", "mmH2O", 1.0, 9.80665),
    ("heat_load", "BTU/h", 1000.0, 0.2930711),
    ("heat_load", "tons", 1.0, 3.516853),
]


@pytest.mark.parametrize(("name", "symbol", "sent", "expected"), EXACT + PUBLISHED)
def test_a_symbol_converts_to_the_catalogues_unit(name, symbol, sent, expected):
    """To the seven digits that the sources print; rounding where the factor is exact."""
    found = conversion(symbol, signal(name))
    assert found is not None
    assert sent * found.scale + found.offset == pytest.approx(expected, rel=2e-7, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "symbol"),
    [
        ("basin_level", "Pa"),
        ("basin_level", ""),
        ("pump_current", "V"),
        ("conductivity", "S"),
        ("fan_speed", "%RH"),
        ("basin_temperature", "C"),  # coulomb in the SenML registry
        ("heat_load", "%"),
        ("head_pressure", "PSI"),
        ("fan_run", "A"),
    ],
)
def test_a_symbol_of_another_quantity_is_not_accepted(name, symbol):
    assert conversion(symbol, signal(name)) is None


def test_flags_and_masks_need_no_unit():
    for entry in SIGNALS:
        if entry.kind == "analogue":
            assert conversion("", entry) is None
        else:
            assert conversion("", entry) == (1.0, 0.0)
            assert conversion("count", entry) == (1.0, 0.0)


def test_every_signal_accepts_some_symbol_as_it_is():
    """The catalogue's own unit has a symbol for the wire."""
    for entry in SIGNALS:
        assert any(conversion(s, entry) == (1.0, 0.0) for s in accepted(entry)), entry.name


def test_the_known_units_are_those_of_the_tables():
    assert {"Cel", "bar", "percent", "/", "%RH"} <= KNOWN_UNITS
    assert "" not in KNOWN_UNITS
    assert {s for table in SYMBOLS.values() for s in table} - KNOWN_UNITS == {""}
