"""Units in own rules: factors against a published table, and what may meet what."""

from __future__ import annotations

import numpy as np
import pytest

from rules.own_rules.compiled import compile_condition
from rules.own_rules.errors import ExpressionError
from rules.own_rules.quantities import BASELINES, QUANTITIES
from rules.own_rules.units import UNITS, kind_of

# NIST SP 811 (2008), appendix B.8, from memory: one of the unit in the SI unit beside it.
PUBLISHED = [
    ("psi", 6.894757e3, "Pa"), ("inH2O", 2.490889e2, "Pa"), ("bar", 1e5, "Pa"),
    ("mbar", 1e2, "Pa"), ("hPa", 1e2, "Pa"), ("kPa", 1e3, "Pa"), ("MPa", 1e6, "Pa"),
    ("in", 2.54e-2, "m"), ("ft", 3.048e-1, "m"), ("gpm", 6.309020e-5, "m³/s"),
    ("L/min", 1.666667e-5, "m³/s"), ("L/h", 2.777778e-7, "m³/s"), ("m³/h", 2.777778e-4, "m³/s"),
    ("Btu/h", 2.930711e-1, "W"), ("h", 3600, "s"), ("d", 86_400, "s"), ("gal", 3.785412e-3, "m³"),
    ("°F_diff", 0.5555556, "K"), ("mS/cm", 0.1, "S/m"), ("µS/cm", 1e-4, "S/m"), ("%", 0.01, ""),
]  # fmt: skip


@pytest.mark.parametrize(("symbol", "factor", "si"), PUBLISHED, ids=str)
def test_factors_are_the_published_ones(symbol, factor, si):
    assert UNITS[symbol].factor == pytest.approx(factor, rel=2e-7)
    if si:
        assert UNITS[symbol].same_kind(UNITS[si])
        assert UNITS[si].factor == 1.0


# Fixed points of the scales, by definition.
@pytest.mark.parametrize(("degf", "degc"), [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0)])
def test_fahrenheit_meets_celsius_at_the_fixed_points(degf, degc):
    scale, offset = UNITS["°F"].into(UNITS["°C"])
    assert degf * scale + offset == pytest.approx(degc, abs=1e-9)


def holds(text: str, **values: float) -> bool:
    true, known = compile_condition(text).holds_of(lambda key: np.array([values[key]]))
    assert known.all()
    return bool(true.all())


@pytest.mark.parametrize(
    ("text", "values"),
    [
        # a bare number is meant in the unit of what it is compared with or added to
        ("79 < spray_pressure < 81", {"spray_pressure": 80.0}),
        ("11.5 psi < spray_pressure < 11.7 psi", {"spray_pressure": 80.0}),
        ("spray_pressure + 5 < 86", {"spray_pressure": 80.0}),
        ("max(spray_pressure, 100) > 99 kPa", {"spray_pressure": 80.0}),
        ("fan_speed > 0.5", {"fan_speed": 0.6}),
        ("fan_speed > 80 and fan_speed < 82 %", {"fan_speed": 81.0}),
        ("fan_speed / 100 < 0.9", {"fan_speed": 81.0}),
        ("pump_running_for > 9 and pump_running_for < 0.2 h", {"pump_running_for": 10.0}),
        # the first that is measured gives the unit, also behind a written one
        ("0.79 bar < spray_pressure", {"spray_pressure": 80.0}),
        ("249 Pa < pad_pressure_drop < 1.01 inH2O", {"pad_pressure_drop": 250.0}),
        ("pad_pressure_drop < spray_pressure", {"pad_pressure_drop": 900.0, "spray_pressure": 1.0}),
        # temperatures and their differences
        ("ambient_temperature > 86 °F", {"ambient_temperature": 30.1}),
        ("ambient_temperature > 29 and ambient_temperature < 88 degF",
         {"ambient_temperature": 30.1}),
        ("basin_temperature - ambient_temperature > 4",
         {"basin_temperature": 25.0, "ambient_temperature": 20.0}),
        ("basin_temperature - ambient_temperature < 5.1 K",
         {"basin_temperature": 25.0, "ambient_temperature": 20.0}),
        ("basin_temperature - ambient_temperature > 8.9 °F_diff",
         {"basin_temperature": 25.0, "ambient_temperature": 20.0}),
        ("basin_temperature - 68 °F < 5.01 K", {"basin_temperature": 25.0}),
        ("basin_temperature > ambient_temperature + 4",
         {"basin_temperature": 25.0, "ambient_temperature": 20.0}),
        ("basin_temperature < 3 K + 23 °C", {"basin_temperature": 25.0}),
        ("basin_temperature - 10 < 16", {"basin_temperature": 25.0}),
        ("-6 °C < ambient_temperature < -4", {"ambient_temperature": -5.0}),
        ("2 * (basin_temperature - ambient_temperature) > 9",
         {"basin_temperature": 25.0, "ambient_temperature": 20.0}),
        ("80 °F - 70 °F > cut_out_margin", {"cut_out_margin": 5.5}),
        # products and quotients
        ("pump_current * supply_voltage > 1.59 kW", {"pump_current": 4.0, "supply_voltage": 400.0}),
        ("pump_current * supply_voltage > 1599", {"pump_current": 4.0, "supply_voltage": 400.0}),
        ("spray_pressure * spray_flow < 0.27 kW", {"spray_pressure": 80.0, "spray_flow": 200.0}),
        ("makeup_flow * 30 min > 59 L", {"makeup_flow": 2.0}),
        ("spray_pressure / head_pressure < 8.1 %",
         {"spray_pressure": 80.0, "head_pressure": 1000.0}),
        ("pad_pressure_drop / spray_pressure > 0.0031",
         {"pad_pressure_drop": 250.0, "spray_pressure": 80.0}),
        ("80 % * pump_rated_pressure > spray_pressure",
         {"spray_pressure": 40.0, "pump_rated_pressure": 60.0}),
        ("fans_running / fan_count < 0.8", {"fans_running": 3.0, "fan_count": 4.0}),
        ("fans_running * 2 kW > 5.9 kW", {"fans_running": 3.0}),
        ("fan_count - fans_running == 1", {"fans_running": 3.0, "fan_count": 4.0}),
        ("spray_pressure < 90 % * baseline(spray_pressure)",
         {"spray_pressure": 40.0, "baseline(spray_pressure)": 46.0}),
        ("cycles_of_concentration > 4.9", {"cycles_of_concentration": 5.0}),
        ("1 / pump_running_for < 0.2", {"pump_running_for": 6.0}),
        ("abs(head_pressure - cut_out_pressure) < 101",
         {"head_pressure": 1600.0, "cut_out_pressure": 1700.0}),
    ],
)  # fmt: skip
def test_what_fits_together_is_compared_in_one_unit(text, values):
    assert holds(text, **values)
    assert not holds(f"not ({text})", **values)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("pump_current < spray_pressure", "the two cannot be compared"),
        ("spray_pressure < 3 mm", "3 mm is a length (mm)"),
        ("spray_pressure + pump_current < 3", "pump_current is an electric current (A) and cannot "
         "be added to spray_pressure, a pressure (kPa)"),
        ("min(spray_pressure, pump_current) < 3", "cannot be compared"),
        ("fans_running > 50 %", "fans_running is a number of things, and 50 % is a ratio (%)"),
        ("fan_speed > 3 kPa", "cannot be compared"),
        ("basin_temperature < 3 K", "a temperature (°C), and 3 K is a temperature difference (K)"),
        ("cut_out_margin < 3 °C", "a temperature difference (K), and 3 °C is a temperature (°C)"),
        ("basin_temperature + ambient_temperature > 3", "two temperatures cannot be added"),
        ("2 * basin_temperature > 5", "cannot be multiplied: 20 °C is not twice 10 °C"),
        ("basin_temperature / 2 > 5", "cannot be divided"),
        ("-basin_temperature > 5", "a temperature (°C) has no contrary"),
        ("abs(basin_temperature) > 5", "abs of a temperature (°C) has no meaning"),
        ("3 K - basin_temperature > 1", "cannot be subtracted in this order"),
        ("5 - basin_temperature > 1", "a bare number and a temperature (°C)"),
        ("basin_temperature + 3 kPa > 1", "and a pressure (kPa) cannot be added"),
        ("pump_current * supply_voltage > 3 kPa", "is a power (A·V), and 3 kPa is a pressure"),
        ("makeup_flow / bleed_flow > 3 kPa", "makeup_flow / bleed_flow is a ratio, and"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused(text, what):
    with pytest.raises(ExpressionError) as caught:
        compile_condition(text)
    assert what in caught.value.what


@pytest.mark.parametrize("quantity", [*QUANTITIES.values(), *BASELINES.values()],
                         ids=lambda q: q.name)  # fmt: skip
def test_every_quantity_can_be_named_and_compared_with_its_own_kind(quantity):
    assert quantity.meaning.endswith(".")
    other = "spray_pressure < 5 and " if quantity.fixed else ""
    text = {
        "truth": quantity.name,
        "count": f"{quantity.name} <= fans_running",
        "number": f"{quantity.name} < 5 {quantity.unit}",
    }[quantity.kind]
    if quantity.fixed and quantity.kind == "number":
        pair = next(q for q in QUANTITIES.values() if not q.fixed and q.kind == "number"
                    and q.measure.same_kind(quantity.measure))  # fmt: skip
        text = f"{pair.name} < {quantity.name}"
    condition = compile_condition(other + text)
    assert quantity in condition.operands
    if quantity.kind == "number":
        assert kind_of(quantity.measure)
