"""Display units against the constants of scipy, which take them from NIST and CODATA."""

from __future__ import annotations

import pytest
import scipy.constants as sc

from gateway.display_units import (
    US,
    display_unit,
    format_quantity,
    in_display_unit,
    with_us_units,
)
from rules.jobplans import JOB_PLANS
from rules.signals import SIGNALS

# scipy.constants (inch, psi, US gallon, Btu International Table, foot), not our own factors.
# 1 inH2O = 249.08891 Pa (conventional): NIST SP 811 (2008) Appendix B, from memory.
FACTORS = [
    ("mm", 1e-3 / sc.inch),
    ("kPa", 1e3 / sc.psi),
    ("kPa abs", 1e3 / sc.psi),
    ("L", 1e-3 / sc.gallon_US),
    ("L/min", 1e-3 / sc.gallon_US),
    ("L/h", 1e-3 / sc.gallon_US),
    ("mm/h", 1e-3 / sc.inch),
    ("mm/min", 1e-3 / sc.inch),
    ("m³/s", 60 / sc.foot**3),
    ("kW", 3600 / sc.Btu_IT),
    ("K", 1 / sc.degree_Fahrenheit),
    ("K/kW", sc.Btu_IT / 3600 / sc.degree_Fahrenheit),
    ("Pa", 1 / 249.08891),
]


@pytest.mark.parametrize(("unit", "factor"), FACTORS)
def test_factors_agree_with_scipy(unit: str, factor: float) -> None:
    """Ten units in a straight line, no offset; 1e-6 covers the digits NIST prints."""
    assert in_display_unit(10.0, unit, "us") == pytest.approx(10 * factor, rel=1e-6)


@pytest.mark.parametrize("celsius", [-40.0, 0.0, 37.0, 100.0])
def test_temperature_has_its_offset(celsius: float) -> None:
    expected = sc.convert_temperature(celsius, "Celsius", "Fahrenheit")
    assert in_display_unit(celsius, "°C", "us") == pytest.approx(expected, abs=1e-9)


def test_every_us_unit_is_checked_against_another_source() -> None:
    assert set(US) == {unit for unit, _ in FACTORS} | {"°C"}


def test_every_catalogue_unit_and_every_unit_of_a_job_plan_has_its_display_unit() -> None:
    units = {s.unit for s in SIGNALS} | {r.unit for p in JOB_PLANS for r in p.readings}
    unknown = {u for u in units if display_unit(u, "metric").decimals == 2} - {"A"}
    assert unknown == set(), "the two decimals of a unit nobody entered"


@pytest.mark.parametrize(
    ("value", "unit", "system", "text"),
    [
        (61.04, "kPa", "metric", "61.0 kPa"),
        (61.04, "kPa", "us", "8.9 psi"),
        (1620.0, "kPa abs", "metric", "1,620 kPa abs"),
        (1620.0, "kPa abs", "us", "235.0 psia"),
        (5.0, "K", "us", "9.0 °F difference"),
        (-0.04, "°C", "metric", "0.0 °C"),
        (3.0, "", "metric", "3"),
        (2.75, "", "us", "2.75"),
        (12.3456, "furlong", "us", "12.35 furlong"),
        (None, "kPa", "us", "no reading"),
        (float("nan"), "A", "metric", "no reading"),
        (float("inf"), "A", "metric", "no reading"),
    ],
)
def test_quantities_as_a_person_reads_them(value, unit, system, text) -> None:
    assert format_quantity(value, unit, system) == text


@pytest.mark.parametrize(
    ("prose", "shown"),
    [
        ("fell from 88 to 61 kPa today", "fell from 88 to 61 kPa (12.8 to 8.8 psi) today"),
        ("level 171 mm.", "level 171 mm (6.7 in)."),
        ("at 1,620 kPa abs", "at 1,620 kPa abs (235.0 psia)"),
        ("TD 11 K, air 30.0 °C", "TD 11 K (19.8 °F difference), air 30.0 °C (86.0 °F)"),
        ("28 % (20 to 35 %), 1450 µS/cm, 2.4 A", "28 % (20 to 35 %), 1450 µS/cm, 2.4 A"),
        ("fan 3 of 4, 5 kWh, R744 Kit", "fan 3 of 4, 5 kWh, R744 Kit"),
        ("18.5 °C", "18.5 °C (65.3 °F)"),
        ("−5 °C", "−5 °C (23.0 °F)"),
    ],
)
def test_prose_keeps_what_it_says_and_gains_us_units(prose: str, shown: str) -> None:
    """What cannot be recognised stays metric; nothing is ever replaced."""
    assert with_us_units(prose) == shown
