"""Sparkplug B: the specification's bytes, births and aliases, order, deaths, numbers, any bytes.

K1 to K22 are the table of the specification 3.0 (2023) that the tests were written from; the bytes
of K19 to K21 were made by two independent encoders.
"""

from __future__ import annotations

import math

import pytest
from decoding import NOW_MS, linear, reject
from hypothesis import given
from hypothesis import strategies as st
from sparkplug_rig import (
    DATA,
    K_MS,
    NDEATH,
    REBIRTH,
    Rig,
    T,
    reading,
    values,
)
from support.sparkplug_edge import CODES, Metric, payload

from gateway.batch import Reason
from gateway.wire.sparkplug_payload import parse, rebirth_request
from rules.signals import INDEX

# --- the specification's bytes -------------------------------------------------------------------


def test_the_bytes_of_a_death_are_read_and_written_alike():
    body = parse(NDEATH)
    (metric,) = body.metrics
    assert (metric.name, metric.long_value, metric.timestamp) == (b"bdSeq", 0, K_MS)
    told = Metric(0, "bdSeq", timestamp=K_MS, datatype="UInt64", told=True)
    assert payload([told], timestamp=K_MS) == NDEATH


def test_the_bytes_of_data_are_read_and_written_alike():
    body = parse(DATA)
    (metric,) = body.metrics
    assert (metric.alias, metric.double_value, body.seq) == (7, 1.5, 255)
    assert payload([Metric(1.5, alias=7, timestamp=K_MS)], timestamp=K_MS, seq=255) == DATA


def test_the_request_for_a_rebirth_has_the_specifications_bytes():
    assert rebirth_request(K_MS) == REBIRTH


def test_the_datatypes_have_the_specifications_codes():
    """K14."""
    from gateway.wire.sparkplug_payload import DATATYPES

    assert {name: DATATYPES.index(name) for name in CODES} == CODES
    assert DATATYPES.index("DateTimeArray") == 34


# --- births and data -----------------------------------------------------------------------------


def test_a_birth_carries_readings_and_data_follow_by_alias():
    rig = Rig()
    assert values(rig.born()) == {"basin_level": 120.0, "pump_current": 3.5}
    found = rig.take(rig.edge.by_alias("plc 1", T + 1, {1: 121.0, 2: 3.75}))
    (frame,) = found.frames
    assert (frame.unit_row, frame.time_ms) == (7, T + 1)
    assert values(found) == {"basin_level": 121.0, "pump_current": 3.75}


def test_bd_seq_and_controls_are_no_readings():
    rig = Rig()
    found = rig.take(rig.edge.birth(T))
    assert (found.records, found.carriers, found.rejects) == (2, 2, ())


def test_the_site_files_names_and_units_go_before_the_engineering_unit():
    """An engUnit is a text for people; the site file is what somebody checked."""
    rig = Rig()
    rig.take(rig.edge.birth(T))
    found = rig.take(
        rig.edge.device_birth(
            "plc 1", T,
            [
                Metric(1.5, "PT 101", 1, T, told=True, unit="psi"),
                Metric(0.25, "Basin/LT", 2, T, told=True, unit="m"),
                Metric(50.0, "fan_speed", 3, T, told=True, unit="%"),
                Metric(60.0, "Air/relative_humidity", 4, T, told=True, unit="%"),
            ],
        )
    )  # fmt: skip
    assert values(found) == {
        "spray_pressure": 150.0, "basin_level": 0.25, "fan_speed": 50.0, "relative_humidity": 60.0,
    }  # fmt: skip


def test_a_metric_without_any_unit_is_refused():
    rig = Rig()
    rig.take(rig.edge.birth(T))
    metric = Metric(1.0, "basin_level", 1, T, told=True)
    reason, detail = reject(rig.take(rig.edge.device_birth("plc 1", T, [metric])))
    assert reason is Reason.NO_UNIT
    assert "basin_level came without a unit" in detail


def test_metrics_of_the_edge_node_itself_name_the_unit_in_their_first_folder():
    rig = Rig()
    rig.take(
        rig.edge.birth(
            T,
            [
                Metric(100.0, "ac-2/basin_level", 1, T, told=True, unit="mm"),
                Metric(90.0, "ac-1/Basin/LT", 2, T, told=True),
            ],
        )
    )
    found = rig.take(rig.edge.by_alias("", T + 5, {1: 101.0, 2: 91.0}))
    assert [(f.unit_row, f.values) for f in found.frames] == [
        (8, {INDEX["basin_level"]: 101.0}), (7, {INDEX["basin_level"]: 91.0}),
    ]  # fmt: skip
    reason, detail = reject(
        rig.take(rig.edge.data("", T, [Metric(1.0, "basin_level", timestamp=T)]))
    )
    assert reason is Reason.UNKNOWN_SIGNAL
    assert "does not begin with a unit's id" in detail


def test_where_a_site_has_one_unit_its_edge_node_may_speak_for_it():
    rig = Rig(edge="hill-edge")
    found = rig.take(
        rig.edge.birth(
            T,
            [
                Metric(600.0, "Basin/conductivity", 1, T, told=True, unit="µS/cm"),
                Metric(20.0, "basin_temperature", 2, T, told=True, unit="°C"),
            ],
        )
    )
    assert values(found) == {
        "conductivity": pytest.approx(linear(600.0, 20.0)), "basin_temperature": 20.0,
    }  # fmt: skip
    alone = rig.take(rig.edge.by_alias("", T + 5, {1: 600.0}))
    assert reject(alone)[0] is Reason.NO_TEMPERATURE


def test_another_units_name_contradicts_the_topic():
    rig = Rig()
    rig.take(rig.edge.birth(T))
    metric = Metric(1.0, "ac-2/basin_level", 1, T, told=True, unit="mm")
    found = rig.take(rig.edge.device_birth("plc 1", T, [metric]))
    assert reject(found)[0] is Reason.IDENTITY


def test_a_metric_without_time_has_that_of_its_message_and_then_that_of_receipt():
    rig = Rig()
    rig.born()
    found = rig.take(rig.edge.data("plc 1", T - 5, [Metric(1.0, alias=1)]))
    assert found.frames[0].time_ms == T - 5
    found = rig.take(rig.edge.data("plc 1", 0, [Metric(1.0, alias=1)]))
    assert found.frames[0].time_ms == NOW_MS


def test_what_is_historical_is_stored_at_its_time():
    found = reading(Metric(99.0, alias=1, timestamp=T - 3_600_000, is_historical=True))
    assert [f.time_ms for f in found.frames] == [T - 3_600_000]


def test_a_null_is_no_reading_and_a_missing_value_is_a_mistake():
    assert reading(Metric(alias=1, timestamp=T, is_null=True)).carriers == 1
    reason, detail = reject(reading(Metric(alias=1, timestamp=T)))
    assert reason is Reason.RECORD
    assert "without saying that it is null" in detail


@pytest.mark.parametrize(("quality", "taken"), [(192, True), (0, False), (500, False)])
def test_what_is_said_to_be_bad_or_stale_is_refused(quality, taken):
    found = reading(Metric(1.0, alias=1, timestamp=T, quality=quality))
    assert bool(found.frames) is taken
    if not taken:
        assert f"Quality {quality}" in reject(found)[1]


@pytest.mark.parametrize(
    ("metric", "reason", "words"),
    [
        (Metric(4000.0, alias=1, timestamp=T), Reason.OUT_OF_RANGE, "possible are 0 to 3000 mm"),
        (Metric(1.0, alias=1, timestamp=NOW_MS + 600_000), Reason.CLOCK_AHEAD, "600 s ahead"),
        (Metric(1.0, alias=1, timestamp=2**64 - 1), Reason.CLOCK_AHEAD, "ahead"),
        (Metric(1.0, alias=1, timestamp=1000), Reason.TOO_OLD, "older than the 400 days"),
        (Metric(math.nan, alias=1, timestamp=T), Reason.NOT_A_NUMBER, "is nan"),
        (Metric(math.inf, alias=1, timestamp=T), Reason.NOT_A_NUMBER, "is inf"),
        (Metric(True, alias=1, timestamp=T, datatype="Boolean", told=True),
         Reason.NOT_A_NUMBER, "as a Boolean, not as a number"),
        (Metric("x", alias=1, timestamp=T, datatype="String", told=True),
         Reason.NOT_A_NUMBER, "as a String, not as a number"),
        (Metric(b"\n\x00", alias=1, timestamp=T, datatype="DataSet", told=True),
         Reason.NOT_A_NUMBER, "as a DataSet, not as a number"),
        (Metric(b"\n\x00", alias=1, timestamp=T, datatype="Template", told=True),
         Reason.NOT_A_NUMBER, "as a Template, not as a number"),
        (Metric(5, alias=1, timestamp=T, datatype="DateTime", told=True),
         Reason.NOT_A_NUMBER, "as a DateTime, not as a number"),
        # The birth said Double: a number in another field may be of another metric.
        (Metric(5, alias=1, timestamp=T, datatype="Int32"), Reason.RECORD,
         "int_value, which a Double is not carried in"),
        (Metric("x", alias=1, timestamp=T), Reason.RECORD, "string_value, which a Double"),
        (Metric(1.0, alias=9, timestamp=T), Reason.NO_BIRTH, "gave it to no metric"),
        (Metric(1.0, timestamp=T), Reason.RECORD, "neither name nor alias"),
        (Metric(1.0, "mystery", timestamp=T), Reason.UNKNOWN_SIGNAL, "'mystery'"),
        (Metric(1.0, b"\xff\xfe", timestamp=T), Reason.RECORD, "not UTF-8"),
    ],
)  # fmt: skip
def test_a_metric_that_cannot_be_used_is_put_aside_and_the_others_live(metric, reason, words):
    rig = Rig()
    rig.born()
    good = Metric(3.0, alias=2, timestamp=T)
    found = rig.take(rig.edge.data("plc 1", T, [metric, good]))
    (refused,) = found.rejects
    assert (refused.reason, refused.site, refused.unit) == (reason, "quay", "ac-1")
    assert words in refused.detail
    assert found.samples == 1


def test_an_alias_that_a_birth_gives_twice_means_nothing():
    rig = Rig()
    rig.take(rig.edge.birth(T))
    rig.take(
        rig.edge.device_birth(
            "plc 1", T,
            [Metric(1.0, "basin_level", 1, T, told=True, unit="mm"),
             Metric(1.0, "pump_current", 1, T, told=True, unit="A")],
        )
    )  # fmt: skip
    found = rig.take(rig.edge.by_alias("plc 1", T, {1: 2.0}))
    assert reject(found)[0] is Reason.NO_BIRTH


# --- numbers -------------------------------------------------------------------------------------

_INTEGERS = {
    "Int8": (-(2**7), 2**7 - 1), "Int16": (-(2**15), 2**15 - 1), "Int32": (-(2**31), 2**31 - 1),
    "Int64": (-(2**63), 2**63 - 1), "UInt8": (0, 2**8 - 1), "UInt16": (0, 2**16 - 1),
    "UInt32": (0, 2**32 - 1), "UInt64": (0, 2**64 - 1),
}  # fmt: skip


def number(metric: Metric) -> float:
    """What a metric that carries a temperature, scaled down to fit, was read as."""
    from gateway.wire.sparkplug_values import Mismatch, number_of

    (one,) = parse(payload([metric])).metrics
    found = number_of(one.WhichOneof("value"), getattr(one, one.WhichOneof("value")), one.datatype)
    assert not isinstance(found, Mismatch), found
    return found


@given(st.data())
def test_every_integer_of_every_type_is_itself(data):
    """K14, K18; negative numbers are two's complement in unsigned fields."""
    kind = data.draw(st.sampled_from(sorted(_INTEGERS)))
    value = data.draw(st.integers(*_INTEGERS[kind]))
    assert number(Metric(value, "x", datatype=kind, told=True)) == value
    # Some encoders use the long field for all, some no more bits than the type has.
    assert number(Metric(value, "x", datatype=kind, told=True, carrier=11)) == value
    if kind in {"Int8", "Int16"}:
        bits = int(kind.removeprefix("Int"))
        assert number(Metric(value % 2**bits, "x", datatype=kind, told=True)) == value


@given(st.floats(width=32, allow_nan=False), st.floats(allow_nan=False))
def test_floats_are_themselves(single, double):
    assert number(Metric(single, "x", datatype="Float", told=True)) == single
    assert number(Metric(double, "x", datatype="Double", told=True)) == double


@pytest.mark.parametrize(
    ("kind", "raw"), [("Int8", 300), ("UInt8", 256), ("Int16", 2**31), ("UInt16", 70_000)]
)
def test_an_integer_beyond_its_type_is_refused_and_not_cut(kind, raw):
    rig = Rig()
    rig.take(rig.edge.birth(T))
    metric = Metric(1, "basin_level", 1, T, datatype=kind, told=True, unit="mm")
    rig.take(rig.edge.device_birth("plc 1", T, [metric]))
    wrong = Metric(raw, alias=1, timestamp=T, datatype="UInt32", carrier=10)
    reason, detail = reject(rig.take(rig.edge.data("plc 1", T, [wrong])))
    assert reason is Reason.RECORD
    assert f"{raw}, which is no {kind}" in detail


def test_flags_come_as_boolean_or_as_a_number():
    rig = Rig()
    rig.take(rig.edge.birth(T))
    found = rig.take(
        rig.edge.device_birth(
            "plc 1", T,
            [Metric(True, "pump_command", 1, T, datatype="Boolean", told=True),
             Metric(0, "wet_mode", 2, T, datatype="Int32", told=True),
             Metric(63, "fan_run", 3, T, datatype="UInt8", told=True)],
        )
    )  # fmt: skip
    assert values(found) == {"pump_command": 1.0, "wet_mode": 0.0, "fan_run": 63.0}


# --- data by name --------------------------------------------------------------------------------


def test_data_by_name_need_no_birth_where_their_number_is_certain():
    rig = Rig()
    found = rig.take(rig.edge.data("plc 1", T, [Metric(90.0, "Basin/LT", timestamp=T)]))
    assert values(found) == {"basin_level": 90.0}
    told = Metric(90, "Basin/LT", timestamp=T, datatype="Int16", told=True)
    assert values(rig.take(rig.edge.data("plc 1", T, [told]))) == {"basin_level": 90.0}
    small = Metric(90, "Basin/LT", timestamp=T, datatype="Int32")
    assert values(rig.take(rig.edge.data("plc 1", T, [small]))) == {"basin_level": 90.0}
    doubtful = Metric(-1, "Basin/LT", timestamp=T, datatype="Int32")
    reason, detail = reject(rig.take(rig.edge.data("plc 1", T, [doubtful])))
    assert reason is Reason.RECORD
    assert "may be meant as negative" in detail
