"""The decoder: topic and payload to frames and refusals, whatever comes."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.batch import Batch, Frame, Reason, SiteStatus
from gateway.wire import Decoded, Decoder, UnitWire, from_equipment
from gateway.wire.advice import ADVICE, explain, printable
from gateway.wire.decoder import MAX_AHEAD_MS, MAX_PAYLOAD_BYTES, MAX_RECORDS
from rules.equipment import SignalMapping, Site
from rules.signals import INDEX, SIGNALS

NOW_MS = 1_700_000_000_500
TOPIC = "sites/quay/ac-1/senml"


def linear(conductivity_us_cm: float, water_degc: float) -> float:
    return conductivity_us_cm / (1 + 0.0191 * (water_degc - 25.0))


UNITS = {
    ("quay", "ac-1"): UnitWire(
        "quay", "ac-1", 7,
        mappings={
            "p_disch": SignalMapping(signal="spray_pressure", unit="bar"),
            "plc/x17": SignalMapping(signal="basin_level", unit="mm", scale=2.0, offset=-5.0),
            "dry_mode": SignalMapping(signal="wet_mode", scale=-1.0, offset=1.0),
            "fan_speed": SignalMapping(signal="fan_speed", unit="percent"),
        },
    ),
    ("quay", "ac-2"): UnitWire("quay", "ac-2", 8, head_pressure_offset_kpa=101.325),
    ("hill", "ac-9"): UnitWire("hill", "ac-9", 9, refer_conductivity=linear),
}  # fmt: skip


@pytest.fixture
def decoder() -> Decoder:
    return Decoder(UNITS, retention_days=400)


def payload(*records: Any) -> bytes:
    return json.dumps(records).encode()


def decode(decoder: Decoder, *records: Any, topic: str = TOPIC, now_ms: int = NOW_MS) -> Decoded:
    """Twice: the second time with everything learned. Both must agree and add up."""
    body = records[0] if isinstance(records[0], bytes) else payload(*records)
    first = decoder.decode(topic, body, now_ms)
    check(first)
    assert decoder.decode(topic, body, now_ms) == first
    return first


def check(found: Decoded) -> None:
    """The counts add up, frames are in order, and everything can be stored and shown."""
    rejected = sum(r.count for r in found.rejects)
    if found.records:
        assert found.records == found.samples + found.carriers + rejected
    else:
        assert found.samples == found.carriers == 0
        assert (rejected, found.status is not None) in ((1, False), (0, True))
    times = [f.time_ms for f in found.frames]
    assert times == sorted(set(times))
    kept = sum(len(f.values) for f in found.frames)
    assert kept <= found.samples
    assert (kept > 0) == (found.samples > 0)
    for frame in found.frames:
        assert frame.values
        for column, value in frame.values.items():
            assert SIGNALS[column].low <= value <= SIGNALS[column].high
    Batch.of(found.frames)
    for reject in found.rejects:
        assert len(reject.excerpt) <= 200
        for text in (reject.topic, reject.detail, reject.excerpt, reject.site, reject.unit):
            text.encode()
            assert text.isprintable()
        assert ADVICE[reject.reason] in reject.detail or len(reject.detail) >= 900


def only(found: Decoded) -> dict[str, float]:
    """The values of the one frame, by signal."""
    assert not found.rejects, found.rejects
    (frame,) = found.frames
    return {SIGNALS[column].name: value for column, value in frame.values.items()}


def reject(found: Decoded) -> tuple[Reason, str]:
    (one,) = found.rejects
    return one.reason, one.detail


# --- samples -------------------------------------------------------------------------------------


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


# --- raw conductivity ----------------------------------------------------------------------------

HILL = "sites/hill/ac-9/senml"


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


# --- refused records -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("record", "reason", "words"),
    [
        ({"n": "mystery", "v": 1}, Reason.UNKNOWN_SIGNAL, "No signal is called 'mystery'"),
        ({"n": "urn:xpump_current", "u": "A", "v": 1}, Reason.UNKNOWN_SIGNAL, "xpump_current"),
        ({"n": "x:", "u": "A", "v": 1}, Reason.UNKNOWN_SIGNAL, "'x:'"),
        ({"n": "pump_current", "v": 1}, Reason.NO_UNIT, "known for it: A, mA"),
        ({"n": "pump_current", "u": "", "v": 1}, Reason.NO_UNIT, "without a unit"),
        ({"n": "pump_current", "u": "V", "v": 1}, Reason.WRONG_UNIT, "came in 'V'"),
        ({"n": "pump_current", "u": "A", "v": "1"}, Reason.NOT_A_NUMBER, "a string"),
        ({"n": "pump_current", "u": "A", "vs": "1"}, Reason.NOT_A_NUMBER, "came as text"),
        ({"n": "pump_current", "u": "A", "vb": True}, Reason.NOT_A_NUMBER, "came as a boolean"),
        ({"n": "pump_current", "u": "A", "vd": "aGk"}, Reason.NOT_A_NUMBER, "came as data"),
        ({"n": "pump_current", "u": "A", "s": 1}, Reason.NOT_A_NUMBER, "a sum only"),
        ({"n": "fan_run", "vb": True}, Reason.NOT_A_NUMBER, "came as a boolean"),
        (
            {"n": "basin_level", "u": "m", "v": 3.5},
            Reason.OUT_OF_RANGE,
            "basin_level is 3500 mm; possible are 0 to 3000 mm (sent: 3.5 m).",
        ),
        ({"n": "pump_current", "u": "A", "v": -0.1}, Reason.OUT_OF_RANGE, "is -0.1 A"),
        ({"n": "wet_mode", "v": 0.5}, Reason.OUT_OF_RANGE, "is a whole number"),
        ({"n": "wet_mode", "v": 2}, Reason.OUT_OF_RANGE, "possible are 0 to 1"),
        ({"n": "fan_run", "v": 1.5}, Reason.OUT_OF_RANGE, "is a whole number"),
        ({"n": "fan_run", "v": 2**33}, Reason.OUT_OF_RANGE, "possible are 0 to"),
        ({"n": "relative_humidity", "u": "%", "v": 55}, Reason.OUT_OF_RANGE, "is '%RH'"),
        ({"n": "basin_level", "u": "m", "v": 1e306}, Reason.OUT_OF_RANGE, "is inf mm"),
        ({"n": "bad name", "v": 1}, Reason.RECORD, "must start with a letter"),
        ({"n": "pump_current", "u": "A"}, Reason.RECORD, "no value"),
    ],
)
def test_a_bad_record_is_refused_with_its_reason_and_the_rest_lives(decoder, record, reason, words):
    found = decode(decoder, {"n": "supply_voltage", "u": "V", "v": 400}, record)
    (one,) = found.rejects
    assert one.reason is reason
    assert words in one.detail
    assert one.detail.endswith(ADVICE[reason])
    assert (one.site, one.unit, one.count, one.received_ms) == ("quay", "ac-1", 1, NOW_MS)
    assert json.loads(one.excerpt) == record
    assert [f.values for f in found.frames] == [{INDEX["supply_voltage"]: 400.0}]


def test_refusals_of_one_reason_are_told_together(decoder):
    found = decode(
        decoder,
        *[{"n": f"odd{i}", "v": i} for i in range(9)],
        {"n": "pump_current", "v": 1},
    )
    unknown, no_unit = found.rejects
    assert (unknown.reason, unknown.count) == (Reason.UNKNOWN_SIGNAL, 9)
    assert "'odd0'" in unknown.detail
    assert "8 more records (odd1, odd2, odd3, odd4, …)" in unknown.detail
    assert (no_unit.reason, no_unit.count) == (Reason.NO_UNIT, 1)


@pytest.mark.parametrize(
    ("name", "other"),
    [
        ("sites/hill/ac-9/basin_level", "hill/ac-9"),
        ("sites/quay/ac-2/basin_level", "quay/ac-2"),
        ("sites/nowhere/ac-1/basin_level", "nowhere/ac-1"),
        ("hill:ac-9:basin_level", "hill/ac-9"),
        ("urn:dev:hill:ac-9:basin_level", "hill/ac-9"),
        ("hill:pump:basin_level", "site hill"),
        ("ac-2:basin_level", "quay/ac-2"),
        ("quay:ac-2:basin_level", "quay/ac-2"),
    ],
)
def test_a_name_that_speaks_of_another_unit_is_refused(decoder, name, other):
    reason, detail = reject(decode(decoder, {"n": name, "u": "mm", "v": 100}))
    assert reason is Reason.IDENTITY
    assert f"speaks of {other}, the topic of quay/ac-1" in detail


@pytest.mark.parametrize(
    "name",
    [
        "sites/quay/ac-1/basin_level", "quay:ac-1:basin_level", "ac-1:basin_level",
        "urn:dev:ow:10e2073a01080063:basin_level", "basin_level", "pump:basin_level",
    ],
)  # fmt: skip
def test_a_name_that_agrees_or_says_nothing_is_taken(decoder, name):
    assert only(decode(decoder, {"n": name, "u": "mm", "v": 100})) == {"basin_level": 100.0}


# --- time ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("time_ms", "reason"),
    [
        (NOW_MS + MAX_AHEAD_MS, None),
        (NOW_MS + MAX_AHEAD_MS + 1000, Reason.CLOCK_AHEAD),
        (NOW_MS * 1000, Reason.CLOCK_AHEAD),  # milliseconds sent as seconds
        (NOW_MS - 400 * 86_400_000, None),
        (NOW_MS - 400 * 86_400_000 - 1000, Reason.TOO_OLD),
    ],
)
def test_times_are_taken_between_retention_and_five_minutes_ahead(decoder, time_ms, reason):
    found = decode(decoder, {"n": "pump_current", "u": "A", "v": 1, "bt": time_ms / 1000})
    if reason is None:
        assert [f.time_ms for f in found.frames] == [time_ms]
    else:
        assert reject(found)[0] is reason


def test_how_far_the_clock_is_ahead_is_told(decoder):
    _, detail = reject(decode(decoder, {"n": "pump_current", "u": "A", "v": 1, "t": 372}))
    assert "2023-11-14 22:19:32+00:00 is 372 s ahead" in detail
    assert "300 s is accepted" in detail


@pytest.mark.parametrize("t", [1e300, -1e300, 1e15, -1e15, -2e9])
def test_times_beyond_every_calendar_are_refused(decoder, t):
    assert reject(decode(decoder, {"n": "pump_current", "u": "A", "v": 1, "t": t}))[0] in (
        Reason.CLOCK_AHEAD, Reason.TOO_OLD,
    )  # fmt: skip


def test_before_1970_is_too_old_whatever_the_retention():
    decoder = Decoder(UNITS, retention_days=1e6)
    found = decode(decoder, {"n": "pump_current", "u": "A", "v": 1, "t": -1.8e9})
    assert reject(found)[0] is Reason.TOO_OLD


# --- whole messages ------------------------------------------------------------------------------


def test_a_field_that_comes_twice_is_not_guessed(decoder):
    found = decode(decoder, b'[{"n":"pump_current","u":"A","v":1,"v":2}]')
    reason, detail = reject(found)
    assert reason is Reason.RECORD
    assert "'v' appears twice" in detail


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (b"", Reason.NOT_SENML),
        (b"online", Reason.NOT_SENML),
        (b"[]", Reason.NOT_SENML),
        (b"{}", Reason.NOT_SENML),
        (b"[" * 100_000, Reason.NOT_SENML),
        (b'[{"bver":11,"n":"pump_current","u":"A","v":1}]', Reason.VERSION),
        (b" " * (MAX_PAYLOAD_BYTES + 1), Reason.TOO_LARGE),
        (b"[" + b"{}," * MAX_RECORDS + b"{}]", Reason.TOO_LARGE),
    ],
)
def test_a_message_that_cannot_be_read_is_refused_whole(decoder, body, reason):
    found = decode(decoder, body)
    assert reject(found)[0] is reason
    assert not found.frames
    assert (found.rejects[0].site, found.rejects[0].unit) == ("quay", "ac-1")


def test_as_many_records_as_allowed_are_read(decoder):
    record = b'{"n":"fan_run","v":1}'
    found = decode(decoder, b"[" + b",".join([record] * MAX_RECORDS) + b"]")
    assert found.samples == MAX_RECORDS


@pytest.mark.parametrize(
    "topic",
    [
        "", "/", "sites", "sites/", "sites/quay", "sites/quay/ac-1", "sites/quay/ac-1/json",
        "sites/quay/ac-1/senml/x", "/sites/quay/ac-1/senml", "Sites/quay/ac-1/senml",
        "sites/Quay/ac-1/senml", "sites//ac-1/senml", "sites/quay//senml", "site/quay/ac-1/senml",
        "sites/qu ay/status", "sites/status", "sites/quay/\ud800/senml", "x" * 65_535,
        "sites/quay/ac-1/senml\x00", "sites/-quay/ac-1/senml", f"sites/{'a' * 65}/ac-1/senml",
    ],
)  # fmt: skip
def test_an_unknown_topic_is_refused(decoder, topic):
    found = decode(decoder, b"[]", topic=topic)
    reason, detail = reject(found)
    assert reason is Reason.TOPIC
    assert "sites/<site>/<unit>/senml" in detail


@pytest.mark.parametrize(
    ("topic", "site", "unit", "words"),
    [
        ("sites/quay/ac-3/senml", "quay", "ac-3", "Site quay has no unit 'ac-3'"),
        ("sites/moor/ac-1/senml", "moor", "ac-1", "No site file describes site 'moor'"),
        ("sites/moor/status", "moor", "", "No site file describes site 'moor'"),
    ],
)
def test_an_unregistered_unit_or_site_is_told(decoder, topic, site, unit, words):
    found = decode(decoder, b"online", topic=topic)
    assert reject(found)[0] is Reason.UNREGISTERED
    assert words in found.rejects[0].detail
    assert (found.rejects[0].site, found.rejects[0].unit) == (site, unit)


@pytest.mark.parametrize(("body", "online"), [(b"online", True), (b"offline", False)])
def test_a_sites_status_is_understood(decoder, body, online):
    found = decode(decoder, body, topic="sites/quay/status")
    assert found.status == SiteStatus(NOW_MS, "quay", online)
    assert not found.rejects


@pytest.mark.parametrize("body", [b"", b"ONLINE", b'"online"', b"\xff"])
def test_another_status_is_refused(decoder, body):
    assert reject(decode(decoder, body, topic="sites/quay/status"))[0] is Reason.RECORD


# --- advice --------------------------------------------------------------------------------------


@pytest.mark.parametrize("reason", list(Reason))
def test_every_reason_has_one_sentence_of_advice(reason):
    assert ADVICE[reason].endswith(".")
    assert explain(reason, "This was wrong.") == f"This was wrong. {ADVICE[reason]}"


def test_excerpts_can_be_printed_whatever_came():
    assert printable("a\x00b\ud800\n") == "a\\x00b\\ud800\\n"
    assert printable("µ°C") == "µ°C"
    assert len(printable("\x00" * 500)) == 200


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


# --- anything at all -----------------------------------------------------------------------------

_names = st.sampled_from(
    ["basin_level", "pump_current", "conductivity", "basin_temperature", "wet_mode", "fan_run",
     "p_disch", "mystery", "sites/hill/ac-9/basin_level", "ac-2:basin_level", "", "bad name"]
)  # fmt: skip
_numbers = st.one_of(
    st.sampled_from([0, 1, 0.5, 25, 400, 1e400, -1, 10**30]), st.floats(), st.integers()
)
_fields = {
    "bn": st.sampled_from(["", "x:", "urn:dev:", "sites/quay/ac-1/", 5]),
    "bt": st.one_of(st.sampled_from([0, -10, 1_700_000_000, "x"]), st.floats()),
    "bu": st.sampled_from(["A", "mm", "Cel", "", None]),
    "bv": _numbers,
    "bver": st.sampled_from([10, 10, 10, 5, 11]),
    "n": _names,
    "u": st.sampled_from(["A", "mm", "m", "Cel", "uS/cm", "%", "", "furlong"]),
    "v": _numbers,
    "vb": st.one_of(st.booleans(), st.just(1)),
    "vs": st.text(max_size=5),
    "t": st.one_of(st.sampled_from([0, -60, 60, 600]), st.floats()),
    "s": _numbers,
    "x_": st.just(1),
    "other": st.lists(st.integers(), max_size=2),
}
_rare = st.fixed_dictionaries({}, optional=_fields)
_usual = st.fixed_dictionaries(
    {"n": _names, "v": st.sampled_from([0, 1, 20, 200])},
    optional={k: _fields[k] for k in ("bn", "bu", "u", "t")},
)
_good = st.fixed_dictionaries(
    {
        "n": st.sampled_from(["basin_level", "plc/x17", "x:basin_level", "ac-1/basin_level"]),
        "u": st.sampled_from(["mm", "m", "in"]),
        "v": st.floats(0, 1.5),
    },
    optional={"t": st.floats(-86_400, 60), "bn": st.sampled_from(["", "x:"])},
)
_packs = st.one_of(
    st.lists(st.one_of(_usual, _rare, st.integers()), min_size=1, max_size=8),
    st.lists(_good, min_size=1, max_size=8),
)


class _Strict(Decoder):
    """Without the net that catches the decoder's own defects."""

    def decode(self, topic: str, payload: bytes, received_ms: int) -> Decoded:
        return self._decode(topic, payload, received_ms)


class _ExactOnly(_Strict):
    """Without the fast path."""

    def _plain(self, state: Any, payload: bytes, received_ms: int) -> None:
        return None


@settings(deadline=None)
@given(_packs, st.sampled_from([TOPIC, "sites/quay/ac-2/senml", HILL]))
def test_any_pack_is_decoded_alike_on_both_paths_and_the_counts_add_up(pack, topic):
    body = json.dumps(pack).encode()
    found = decode(_Strict(UNITS), body, topic=topic)
    assert found == decode(_ExactOnly(UNITS), body, topic=topic)


@settings(deadline=None)
@given(_packs, st.data())
def test_mutated_packs_never_raise_and_the_counts_add_up(pack, data):
    body = bytearray(json.dumps(pack, separators=(",", ":")).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(body) - 1))
        if data.draw(st.booleans()):
            body[at] = data.draw(st.integers(0, 255))
        else:
            end = data.draw(st.integers(at, min(len(body), at + 12)))
            body[at:at] = body[at:end]
    text = bytes(body)
    found = decode(_Strict(UNITS), text)
    assert found == decode(_ExactOnly(UNITS), text)


@settings(deadline=None)
@given(st.text(max_size=40), st.binary(max_size=60))
def test_any_topic_and_any_bytes_never_raise(topic, body):
    decode(_Strict(UNITS), body, topic=topic)
    decode(_Strict(UNITS), body)


def test_an_ordinary_pack_takes_the_fast_path(decoder):
    """Else the comparison of both paths would compare one with itself."""
    (state,) = [s for t, s in decoder._by_topic.items() if t == TOPIC]
    body = payload({"bn": "x:", "n": "basin_level", "u": "mm", "v": 1})
    assert decoder._plain(state, body, NOW_MS) == decoder.decode(TOPIC, body, NOW_MS)


def test_a_defect_of_the_decoder_becomes_a_refusal(decoder, monkeypatch):
    """One message must not stop the others, nor come back for ever."""

    def fail(*_: object) -> None:
        raise ZeroDivisionError("boom")

    monkeypatch.setattr(decoder, "_plain", fail)
    found = decoder.decode(TOPIC, b"[]", NOW_MS)
    reason, detail = reject(found)
    assert reason is Reason.RECORD
    assert "ZeroDivisionError: boom" in detail
    assert "defect" in detail


def test_ever_new_names_do_not_fill_the_memory(decoder):
    for i in range(2000):
        body = payload({"bn": f"x{i}:", "n": "basin_level", "u": "mm", "v": 1})
        assert decoder.decode(TOPIC, body, NOW_MS).samples == 1
        body = payload({"n": f"y{i}:basin_level", "u": "mm", "v": 1})
        assert decoder.decode(TOPIC, body, NOW_MS).samples == 1
    state = decoder._by_topic[TOPIC]
    assert len(state.bases) <= 16
    assert max(len(names) for names in state.bases.values()) <= 512


def test_frames_fit_a_batch(decoder):
    batch = Batch.of(decode(decoder, {"n": "pump_current", "u": "A", "v": 1}).frames)
    assert batch.unit_row.tolist() == [7]
    assert batch.values[0, INDEX["pump_current"]] == 1.0
    assert np.isnan(batch.values[0, INDEX["basin_level"]])
