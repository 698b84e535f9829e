"""The decoder: what becomes a sample, in which unit, with which correction."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from decoding import HILL, NOW_MS, UNITS, decode, only, reject

from gateway.batch import Batch, Frame, Reason
from gateway.wire import Decoder, UnitWire, from_equipment
from rules.equipment import Site
from rules.signals import INDEX


@pytest.fixture
def decoder() -> Decoder:
    return Decoder(UNITS, retention_days=400)


def test_a_pack_becomes_one_frame_in_catalogue_units(decoder):
    found = decode(
        decoder,
        {"bn": "urn:dev:x:", "bt": 1_700_000_000, "n": "basin_level", "u": "m", "v": 0.21},
        {"n": "conductivity", "u": "mS/cm", "v": 1.25},
        {"n": "pump_current", "u": "A", "v": 3},
        {"n": "fan_run", "v": 7},
        {"n": "wet_mode", "vb": True},
    )
    i = INDEX
    values = {
        i["basin_level"]: 210.0, i["conductivity"]: 1250.0, i["pump_current"]: 3.0,
        i["fan_run"]: 7.0, i["wet_mode"]: 1.0,
    }  # fmt: skip
    assert found.frames == (Frame(7, 1_700_000_000_000, values),)
    assert (found.records, found.samples, found.carriers) == (5, 5, 0)


def test_a_record_without_time_has_the_time_of_receipt(decoder):
    (frame,) = decode(decoder, {"n": "pump_current", "u": "A", "v": 3}).frames
    assert frame.time_ms == NOW_MS


def test_several_instants_become_frames_in_order_of_time(decoder):
    found = decode(
        decoder,
        {"bt": 1_699_999_900, "bu": "A", "n": "pump_current", "t": 20, "v": 2},
        {"n": "pump_current", "t": 0, "v": 0},
        {"n": "pump_current", "t": 10, "v": 1},
        {"n": "supply_voltage", "u": "V", "t": 0, "v": 400},
    )
    current, voltage = INDEX["pump_current"], INDEX["supply_voltage"]
    assert found.frames == (
        Frame(7, 1_699_999_900_000, {current: 0.0, voltage: 400.0}),
        Frame(7, 1_699_999_910_000, {current: 1.0}),
        Frame(7, 1_699_999_920_000, {current: 2.0}),
    )


def test_the_later_of_two_values_for_one_instant_counts(decoder):
    found = decode(
        decoder,
        {"n": "pump_current", "u": "A", "v": 1},
        {"n": "pump_current", "u": "A", "v": 2},
    )
    assert only(found) == {"pump_current": 2.0}
    assert found.samples == 2


def test_a_record_with_bases_only_is_no_sample(decoder):
    found = decode(decoder, {"bn": "x:"}, {"n": "pump_current", "u": "A", "v": 1})
    assert only(found) == {"pump_current": 1.0}
    assert (found.records, found.samples, found.carriers) == (2, 1, 1)


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("p_disch", {"v": 1.5}, ("spray_pressure", 150.0)),
        ("p_disch", {"v": 150, "u": "kPa"}, ("spray_pressure", 150.0)),
        ("rack:p_disch", {"v": 1.5}, ("spray_pressure", 150.0)),
        ("plc/x17", {"v": 100}, ("basin_level", 195.0)),
        ("dry_mode", {"vb": True}, ("wet_mode", 0.0)),
        ("dry_mode", {"v": 0}, ("wet_mode", 1.0)),
        ("fan_speed", {"v": 80}, ("fan_speed", 80.0)),
        ("fan_speed", {"v": 0.8, "u": "%"}, ("fan_speed", 80.0)),
    ],
)
def test_the_site_file_maps_names_and_units(decoder, name, value, expected):
    assert only(decode(decoder, {"n": name, **value})) == dict([expected])


def test_gauge_head_pressure_gets_the_sites_barometric_pressure(decoder):
    found = decode(
        decoder, {"n": "head_pressure", "u": "bar", "v": 14.0}, topic="sites/quay/ac-2/senml"
    )
    assert only(found) == {"head_pressure": pytest.approx(1501.325)}


def test_frames_fit_a_batch(decoder):
    batch = Batch.of(decode(decoder, {"n": "pump_current", "u": "A", "v": 1}).frames)
    assert batch.unit_row.tolist() == [7]
    assert batch.values[0, INDEX["pump_current"]] == 1.0
    assert np.isnan(batch.values[0, INDEX["basin_level"]])


# --- raw conductivity ----------------------------------------------------------------------------


@pytest.mark.parametrize("order", [1, -1])
def test_raw_conductivity_is_referred_to_25_degc(decoder, order):
    """700 µS/cm at 10 °C and 1.91 %/K are 981.08 µS/cm at 25 °C (definition of the coefficient)."""
    records = [
        {"n": "conductivity", "u": "uS/cm", "v": 700},
        {"n": "basin_temperature", "u": "Cel", "v": 10},
    ][::order]
    found = only(decode(decoder, *records, topic=HILL))
    assert found["conductivity"] == pytest.approx(981.08, abs=0.01)
    assert found["basin_temperature"] == 10.0


def test_raw_conductivity_without_temperature_is_refused_and_the_rest_lives(decoder):
    found = decode(
        decoder,
        {"n": "conductivity", "u": "uS/cm", "v": 700},
        {"n": "basin_level", "u": "mm", "v": 200},
        {"n": "basin_temperature", "u": "Cel", "v": 10, "t": -60},
        topic=HILL,
    )
    reason, detail = reject(found)
    assert reason is Reason.NO_TEMPERATURE
    assert "700 µS/cm" in detail
    assert [f.values for f in found.frames] == [
        {INDEX["basin_temperature"]: 10.0}, {INDEX["basin_level"]: 200.0},
    ]  # fmt: skip


def test_raw_conductivity_that_cannot_be_referred_is_refused():
    wire = UnitWire("hill", "ac-9", 9, refer_conductivity=lambda _c, _t: math.nan)
    found = decode(
        Decoder({("hill", "ac-9"): wire}),
        {"n": "conductivity", "u": "uS/cm", "v": 700},
        {"n": "basin_temperature", "u": "Cel", "v": 70},
        topic=HILL,
    )
    reason, detail = reject(found)
    assert reason is Reason.OUT_OF_RANGE
    assert "700 µS/cm at 70 °C" in detail
    assert len(found.frames) == 1


# --- units from the site file --------------------------------------------------------------------


def site(**unit: Any) -> Site:
    return Site.model_validate(
        {
            "id": "hill", "name": "Hill", "address": "1 Hill", "access": "Gate", "team": "north",
            "time_zone": "Europe/Lisbon", "elevation_m": 1000, "energy_control_procedure": "ECP-1",
            "contacts": [{"name": "Desk", "role": "Desk"}],
            "units": [
                {
                    "id": "ac-9", "name": "Nine", "location": "Roof",
                    "basin": {
                        "area_m2": 2, "depth_mm": 400, "float_shut_mm": 200, "float_band_mm": 20,
                        "overflow_mm": 300, "pump_minimum_mm": 80, "makeup_max_l_min": 30,
                    },
                    "pump": {
                        "rated_current_a": 3, "rated_voltage_v": 400, "rated_flow_l_min": 200,
                        "rated_pressure_kpa": 80,
                    },
                    "fans": {"count": 4, "rated_airflow_m3_s": 20},
                    "condenser": {
                        "refrigerant": "R717", "rated_capacity_kw": 400, "rated_td_k": 12,
                        "cut_out_kpa_abs": 2000,
                    },
                    "water": {"makeup_conductivity_us_cm": 300, "conductivity_limit_us_cm": 1500},
                    "isolation": [
                        {
                            "label": "Q1", "energy": "electrical", "isolates": "all",
                            "location": "panel", "method": "lock", "verify": "try",
                        }
                    ],
                    **unit,
                }
            ],
        }
    )  # fmt: skip


def test_a_gauge_transmitter_gets_the_pressure_of_the_sites_elevation():
    """ASHRAE Fundamentals 2017, ch. 1, table 1: 89.875 kPa at 1000 m."""
    described = site(head_pressure_is_gauge=True)
    wire = from_equipment(described, described.units[0], 3)
    assert wire.head_pressure_offset_kpa == pytest.approx(89.875, abs=0.001)
    assert (wire.site, wire.unit, wire.row) == ("hill", "ac-9", 3)
    assert wire.refer_conductivity is None
    described = site()
    assert from_equipment(described, described.units[0], 3).head_pressure_offset_kpa == 0.0


@pytest.mark.parametrize(
    ("probe", "factor", "tolerance"),
    [("raw-linear", 981.08 / 700, 1e-4), ("raw-natural-water", 1.428, 5e-4)],
)
def test_a_raw_probe_is_referred_as_the_site_file_says(probe, factor, tolerance):
    """At 10 °C: definition with 1.91 %/K; ISO 7888 (EN 27888) factor, from two reproductions."""
    described = site(conductivity_probe=probe)
    decoder = Decoder({("hill", "ac-9"): from_equipment(described, described.units[0], 3)})
    found = only(
        decode(
            decoder,
            {"n": "conductivity", "u": "uS/cm", "v": 700},
            {"n": "basin_temperature", "u": "Cel", "v": 10},
            topic=HILL,
        )
    )
    assert found["conductivity"] / 700 == pytest.approx(factor, rel=tolerance)
