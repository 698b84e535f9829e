"""What every function of the physics promises: examples that run, arrays, NaN, no side effects."""

from __future__ import annotations

import ast
import doctest
import importlib
import inspect
import pkgutil
import sys
from pathlib import Path

import numpy as np
import pytest

import rules.physics
from rules.physics import refrigerant

MODULES = sorted(
    m.name for m in pkgutil.iter_modules(rules.physics.__path__) if not m.name.startswith("build")
)

# A value in range for each parameter, low and high. Together they must make a sensible machine.
RANGES = {
    "airflow_frac": (0.3, 1.0),
    "airflow_m3_s": (2.0, 40.0),
    "air_on_coil_degc": (10.0, 40.0),
    "alpha_pct_per_k": (1.8, 2.2),
    "ambient_degc": (10.0, 40.0),
    "area_m2": (0.5, 4.0),
    "band_mm": (10.0, 30.0),
    "barometric_kpa_abs": (80.0, 103.0),
    "bleed_l_min": (0.5, 4.0),
    "clean_current_a": (4.0, 5.0),
    "coefficient": (0.5, 0.7),
    "condensing_degc": (30.0, 55.0),
    "conductivity_us_cm": (300.0, 2000.0),
    "current_a": (4.0, 5.0),
    "current_frac": (0.95, 1.05),
    "current_sd_frac": (0.005, 0.03),
    "cycles": (2.0, 5.0),
    "density_kg_m3": (990.0, 1000.0),
    "depression_k": (4.0, 15.0),
    "diameter_mm": (50.0, 60.0),
    "drift_l_min": (0.0, 0.1),
    "dry_bulb_degc": (25.0, 40.0),
    "effectiveness_frac": (0.5, 0.95),
    "efficiency_frac": (0.4, 0.9),
    "elevation_m": (0.0, 2000.0),
    "evaporation_l_min": (2.0, 10.0),
    "exponent": (0.4, 0.6),
    "fan_count": (4, 8),
    "fans_running": (1, 4),
    "flow_frac": (0.5, 1.0),
    "flow_l_min": (50.0, 300.0),
    "full_flow_ntu": (0.7, 1.5),
    "head_m": (0.5, 5.0),
    "head_mm": (1.0, 10.0),
    "heat_kw": (50.0, 500.0),
    "held_up_l": (0.0, 40.0),
    "hours": (0.0, 20.0),
    "humidity_ratio_kg_kg": (0.005, 0.015),
    "kv_m3_h": (0.5, 4.0),
    "length_m": (0.1, 0.5),
    "level_mm": (100.0, 150.0),
    "level_rate_mm_h": (-2.0, 2.0),
    "load_frac": (0.3, 1.0),
    "magnetising_frac": (0.3, 0.5),
    "magnetising_sd_frac": (0.01, 0.05),
    "makeup_conductivity_us_cm": (100.0, 400.0),
    "makeup_l_min": (1.0, 8.0),
    "makeup_max_l_min": (10.0, 20.0),
    "mask": (0, 255),
    "minimum_depression_k": (2.0, 3.0),
    "outlet_degc": (20.0, 25.0),
    "outlet_error_k": (0.1, 1.0),
    "overflow_l_min": (0.0, 1.0),
    "pad_outlet_degc": (15.0, 30.0),
    "phases": (1, 1),
    "power_factor": (0.7, 0.9),
    "power_frac": (0.8, 1.0),
    "resistance_frac": (1.05, 1.6),
    "pressure_drop_kpa": (50.0, 300.0),
    "pressure_kpa_abs": (90.0, 103.0),
    "pressure_rise_kpa": (20.0, 100.0),
    "rated_voltage_v": (395.0, 405.0),
    "reference_td_k": (8.0, 15.0),
    "referred_us_cm": (300.0, 2000.0),
    "refrigerant_index": (0, 7),
    "rh_pct": (20.0, 60.0),
    "shaft_power_kw": (0.5, 4.0),
    "shut_mm": (120.0, 140.0),
    "shutoff_power_frac": (0.4, 0.6),
    "shutoff_sd_frac": (0.01, 0.06),
    "slope_us_cm_h": (0.0, 20.0),
    "speed_frac": (0.3, 1.0),
    "speed_pct": (30.0, 100.0),
    "start_us_cm": (300.0, 900.0),
    "suction_loss_m": (0.1, 1.0),
    "td_k": (8.0, 20.0),
    "temp_degc": (5.0, 25.0),
    "vapour_pressure_kpa_abs": (0.8, 3.0),
    "voltage_v": (380.0, 410.0),
    "volume_l": (200.0, 1000.0),
    "water_above_suction_m": (-0.5, 1.0),
    "water_degc": (5.0, 30.0),
    "wet_bulb_degc": (18.0, 20.0),
    "wet_mode": (0, 1),
}

# These take names or windows of readings, and have their own tests.
NOT_BY_UNIT = {
    "refrigerant_index", "condensing_temperature_of_degc", "saturation_pressure_of_kpa_abs",
    "critical_point", "table_range_kpa_abs", "count", "median", "spread", "median_error",
    "line_fit",
}  # fmt: skip

# Where the answer does not hang on a parameter that is NaN.
MAY_IGNORE = {
    ("air_on_coil_degc", "ambient_degc"),
    ("air_on_coil_degc", "pad_outlet_degc"),
}

HEAD_PRESSURE = {"condensing_temperature_degc", "above_critical", "saturation_status"}
NASTY = [np.nan, np.inf, -np.inf, 1.0e308, -1.0e308, 5e-324, 0.0, -1.0, 1.0e6]
UNITS = 9


def by_unit_functions():
    found = {}
    for name in MODULES:
        module = importlib.import_module(f"rules.physics.{name}")
        if name.startswith("_"):
            continue
        for public in module.__all__:
            thing = getattr(module, public)
            if inspect.isfunction(thing) and public not in NOT_BY_UNIT:
                found[public] = thing
    return found


FUNCTIONS = by_unit_functions()


def arguments(function, seed=0):
    rng = np.random.default_rng(seed)
    args = {}
    for name in inspect.signature(function).parameters:
        low, high = RANGES[name]
        if name == "pressure_kpa_abs" and function.__name__ in HEAD_PRESSURE:
            low, high = 900.0, 3000.0
        whole = isinstance(low, int)
        values = rng.integers(low, high, UNITS, endpoint=True) if whole else None
        args[name] = rng.uniform(low, high, UNITS) if values is None else values
        args[name].setflags(write=False)  # a function that writes to its input fails here
    return args


def outputs(function, args):
    result = function(**args)
    return [np.asarray(r) for r in (result if isinstance(result, tuple) else (result,))]


def test_the_functions_are_found():
    assert {"wet_bulb_degc", "condensing_temperature_degc", "flow_estimate"} <= set(FUNCTIONS)
    assert len(FUNCTIONS) > 50


@pytest.mark.parametrize("name", FUNCTIONS)
def test_in_range_every_unit_has_an_answer_and_inputs_are_kept(name):
    function = FUNCTIONS[name]
    args = arguments(function)
    before = {k: v.copy() for k, v in args.items()}
    for out in outputs(function, args):
        assert out.shape == (UNITS,)
        assert np.isfinite(out).all()
    for k, v in args.items():
        np.testing.assert_array_equal(v, before[k])


@pytest.mark.parametrize("name", FUNCTIONS)
def test_array_equals_one_by_one_and_shuffled(name):
    function = FUNCTIONS[name]
    args = arguments(function, seed=1)
    together = outputs(function, args)
    order = np.random.default_rng(2).permutation(UNITS)
    shuffled = outputs(function, {k: v[order] for k, v in args.items()})
    for i in range(UNITS):
        alone = outputs(function, {k: v[i] for k, v in args.items()})
        for whole, one in zip(together, alone, strict=True):
            assert one.shape == ()
            np.testing.assert_allclose(one, whole[i], rtol=1e-13)
    for whole, mixed in zip(together, shuffled, strict=True):
        np.testing.assert_allclose(mixed, whole[order], rtol=1e-13)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_columns_broadcast_against_rows(name):
    function = FUNCTIONS[name]
    args = arguments(function, seed=3)
    first = next(iter(args))
    flat = outputs(function, {k: (v if k == first else v[0]) for k, v in args.items()})
    grid = outputs(
        function, {k: (v if k == first else v[:1].reshape(1, 1)) for k, v in args.items()}
    )
    for row, column in zip(flat, grid, strict=True):
        np.testing.assert_allclose(np.broadcast_to(column, (1, UNITS))[0], row, rtol=1e-13)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_missing_value_is_missing_for_its_unit_only(name):
    function = FUNCTIONS[name]
    args = arguments(function, seed=4)
    whole = outputs(function, args)
    for parameter in args:
        if parameter == "refrigerant_index":
            continue
        holed = {k: np.array(v, dtype=float) for k, v in args.items()}
        if "refrigerant_index" in holed:
            holed["refrigerant_index"] = args["refrigerant_index"]
        holed[parameter][4] = np.nan
        for full, out in zip(whole, outputs(function, holed), strict=True):
            others = np.arange(UNITS) != 4
            np.testing.assert_allclose(out[others], full[others], rtol=1e-13)
            if out.dtype.kind == "f" and (name, parameter) not in MAY_IGNORE:
                assert np.isnan(out[4]), parameter


@pytest.mark.parametrize("name", FUNCTIONS)
def test_nothing_that_comes_in_warns_or_gives_infinity(name):
    """Warnings are errors in this suite; an infinite answer would pass for a number."""
    function = FUNCTIONS[name]
    args = arguments(function, seed=5)
    for parameter in args:
        if parameter == "refrigerant_index":
            continue
        for value in NASTY:
            spoilt = {**args, parameter: np.full(UNITS, value)}
            for out in outputs(function, spoilt):
                assert not np.isinf(out).any(), (parameter, value)
    for value in NASTY:
        spoilt = {
            k: (v if k == "refrigerant_index" else np.full(UNITS, value)) for k, v in args.items()
        }
        outputs(function, spoilt)


@pytest.mark.parametrize("name", MODULES)
def test_examples_of_the_documentation_run(name):
    module = importlib.import_module(f"rules.physics.{name}")
    result = doctest.testmod(module)
    assert result.failed == 0
    if not name.startswith("_"):
        public = [n for n in module.__all__ if inspect.isfunction(getattr(module, n))]
        assert result.attempted >= len(public)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_function_documents_its_source_and_unit(name):
    text = inspect.getdoc(FUNCTIONS[name])
    for section in ("Parameters\n---", "Returns\n---", "Examples\n---"):
        assert section in text
    assert "References\n---" in text or FUNCTIONS[name].__module__ == refrigerant.__name__


def test_the_running_program_imports_only_numpy():
    """The table's builder aside, the physics needs nothing but numpy and the standard library."""
    folder = Path(rules.physics.__file__).parent
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [a.name for a in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            for imported in names:
                top = imported.split(".")[0]
                assert top in {"numpy", "rules"} or top in sys.stdlib_module_names, path.name
