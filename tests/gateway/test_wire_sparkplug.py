"""Sparkplug B: the specification's bytes, births and aliases, order, deaths, numbers, any bytes.

K1 to K22 are the table of the specification 3.0 (2023) that the tests were written from; the bytes
of K19 to K21 were made by two independent encoders.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import pytest
from decoding import NOW_MS, check, linear, reject
from hypothesis import given, settings
from hypothesis import strategies as st
from support.sparkplug_edge import CODES, EdgeNode, Metric, payload

from gateway.batch import Batch, Reason
from gateway.sparkplug_settings import SparkplugSettings
from gateway.wire import Decoded, Decoder, EdgeNodes, EdgePlace, UnitWire
from gateway.wire.advice import ADVICE
from gateway.wire.sparkplug_payload import parse, rebirth_request
from rules.equipment import SignalMapping
from rules.signals import INDEX, SIGNALS

NDEATH = bytes.fromhex("08eaf2f5a8a02b12120a05626453657118eaf2f5a8a02b20085800")
"""K19: bdSeq 0 as UInt64, both timestamps 1486144502122."""
DATA = bytes.fromhex("08eaf2f5a8a02b1212100718eaf2f5a8a02b69000000000000f83f18ff01")
"""K20: alias 7, double 1.5, the same times, seq 255."""
REBIRTH = bytes.fromhex(
    "08eaf2f5a8a02b12210a144e6f646520436f6e74726f6c2f5265626972746818eaf2f5a8a02b200b7001"
)
"""K21: the request for a rebirth, at the same time."""
K_MS = 1_486_144_502_122

AC_1 = UnitWire(
    "quay", "ac-1", 7,
    mappings={
        "PT 101": SignalMapping(signal="spray_pressure", unit="bar"),
        "Basin/LT": SignalMapping(signal="basin_level", unit="mm"),
    },
)  # fmt: skip
AC_2 = UnitWire("quay", "ac-2", 8)
AC_9 = UnitWire("hill", "ac-9", 9, refer_conductivity=linear)
UNITS = {(u.site, u.unit): u for u in (AC_1, AC_2, AC_9)}
EDGES = {
    ("north", "quay-edge"): EdgePlace("quay", {"plc 1": AC_1}, {"ac-1": AC_1, "ac-2": AC_2}),
    ("north", "hill-edge"): EdgePlace("hill", {}, {"ac-9": AC_9}),
}
T = NOW_MS - 1000


class Rig:
    """A decoder and its memory, fed from an edge node."""

    def __init__(
        self, notes: dict[str, bytes] | None = None, edge: str = "quay-edge", **changed: Any
    ) -> None:
        self.nodes = EdgeNodes(notes)
        self.decoder = Decoder(
            UNITS, edges=EDGES, nodes=self.nodes, sparkplug=SparkplugSettings(**changed)
        )
        self.edge = EdgeNode("north", edge)

    def take(self, message: tuple[str, bytes], now_ms: int = NOW_MS) -> Decoded:
        topic, body = message
        # Without the net that catches the decoder's own defects.
        found = self.decoder._decode(topic, body, now_ms)
        look_over(found)
        return found

    def born(self) -> Decoded:
        """Births of the edge node and of a device with two metrics, aliases 1 and 2."""
        node = self.take(self.edge.birth(T))
        assert node.status is not None
        assert (node.status.site, node.status.online) == ("quay", True)
        return self.take(
            self.edge.device_birth(
                "plc 1", T,
                [
                    Metric(120.0, "basin_level", 1, T, told=True, unit="mm"),
                    Metric(3.5, "pump_current", 2, T, told=True, unit="A"),
                ],
            )
        )  # fmt: skip

    def restarted(self, **changed: Any) -> Rig:
        """A new process that found what this one noted."""
        kept = {k: v for k, v in self.decoder.notes().items() if v is not None}
        other = Rig(kept, **changed)
        other.edge = self.edge
        return other


def look_over(found: Decoded) -> None:
    """As :func:`decoding.check`, for messages of several units."""
    rejected = sum(r.count for r in found.rejects)
    assert found.records == found.samples + found.carriers + rejected or (
        found.records == 0 and rejected == 1
    )
    assert sum(len(f.values) for f in found.frames) <= found.samples
    for frame in found.frames:
        for column, value in frame.values.items():
            assert SIGNALS[column].low <= value <= SIGNALS[column].high
    Batch.of(found.frames)
    for one in (*found.rejects, *found.lost):
        assert len(one.excerpt) <= 200
        for text in (one.topic, one.detail, one.excerpt, one.site, one.unit):
            text.encode()
            assert text.isprintable()
        assert ADVICE[one.reason] in one.detail or len(one.detail) >= 900


def values(found: Decoded) -> dict[str, float]:
    """The values of the one frame, by signal."""
    assert not found.rejects, found.rejects
    (frame,) = found.frames
    return {SIGNALS[c].name: v for c, v in frame.values.items()}


def reading(metric: Metric, rig: Rig | None = None) -> Decoded:
    """One metric of a device, after the births."""
    rig = rig or Rig()
    rig.born()
    return rig.take(rig.edge.data("plc 1", T, [metric]))


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


# --- order ---------------------------------------------------------------------------------------


def test_data_by_alias_before_any_birth_are_refused():
    rig = Rig()
    reason, detail = reject(rig.take(rig.edge.by_alias("plc 1", T, {1: 1.0, 2: 2.0})))
    assert reason is Reason.NO_BIRTH
    assert "no birth of it has come" in detail
    assert "same holds for 1 more" in detail


def test_a_message_that_overtook_its_birth_waits_for_it():
    """K11: 3 comes in time, and nothing is lost nor said."""
    rig = Rig(request_rebirth=True)
    rig.take(rig.edge.birth(T))
    birth = rig.edge.device_birth("plc 1", T, [Metric(1.0, "basin_level", 1, T, told=True,
                                                      unit="mm")])  # fmt: skip
    first = rig.edge.by_alias("plc 1", T + 1, {1: 5.0})
    second = rig.edge.by_alias("plc 1", T + 2, {1: 6.0})
    assert rig.take(first) == Decoded()
    assert rig.take(second) == Decoded()
    assert rig.decoder.overdue(NOW_MS + 1000) == Decoded()
    found = rig.take(birth)
    assert [list(f.values.values()) for f in found.frames] == [[1.0], [5.0], [6.0]]
    assert rig.decoder.overdue(NOW_MS + 60_000) == Decoded()
    assert rig.decoder.requests(NOW_MS) == []


def test_messages_that_do_not_come_are_told_and_what_waited_is_refused():
    rig = Rig()
    rig.take(rig.edge.birth(T))
    rig.edge.device_birth("plc 1", T, [])  # lost
    rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}))
    assert rig.decoder.overdue(NOW_MS + 4_900) == Decoded()
    found = rig.decoder.overdue(NOW_MS + 5_000)
    look_over(found)
    (lost,) = found.lost
    assert (lost.reason, lost.site, lost.count) == (Reason.MISSING, "quay", 1)
    assert "At least 1 message of the edge node 'quay-edge' did not come" in lost.detail
    assert [(r.reason, r.count) for r in found.rejects] == [(Reason.NO_BIRTH, 1)]
    assert rig.decoder.overdue(NOW_MS + 60_000) == Decoded(), "told once"


def test_data_after_a_gap_are_used_while_their_birth_holds():
    rig = Rig()
    rig.born()
    for _ in range(3):
        rig.edge.by_alias("plc 1", T, {1: 5.0})  # lost
    assert values(rig.take(rig.edge.by_alias("plc 1", T, {1: 6.0}))) == {"basin_level": 6.0}
    (lost,) = rig.decoder.overdue(NOW_MS + 5_000).lost
    assert lost.count == 3


def test_numbers_go_round_at_256():
    """K3: 255 is followed by 0."""
    rig = Rig()
    rig.born()
    for step in range(600):
        rig.take(rig.edge.by_alias("plc 1", T + step, {1: 5.0}))
    assert rig.decoder.overdue(NOW_MS + 60_000) == Decoded()


def test_a_message_that_comes_twice_is_no_gap():
    rig = Rig()
    rig.born()
    twice = rig.edge.by_alias("plc 1", T, {1: 5.0})
    after = rig.edge.by_alias("plc 1", T + 1, {1: 6.0})
    for message in (twice, twice, after, twice, after):
        assert rig.take(message).samples == 1
    assert rig.decoder.overdue(NOW_MS + 60_000) == Decoded()


def test_a_clock_that_is_set_back_does_not_make_messages_wait_for_ever():
    rig = Rig()
    rig.born()
    rig.edge.by_alias("plc 1", T, {1: 5.0})  # lost
    rig.take(rig.edge.by_alias("plc 1", T, {1: 6.0}))
    assert len(rig.decoder.overdue(NOW_MS - 3_600_000).lost) == 1


def test_what_may_wait_is_bounded():
    rig = Rig()
    rig.take(rig.edge.birth(T))
    rig.edge.device_birth("plc 1", T, [])  # lost
    found = [rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0})) for _ in range(201)]
    assert found[:200] == [Decoded()] * 200
    assert reject(found[200])[0] is Reason.NO_BIRTH
    refused = rig.decoder.overdue(NOW_MS + 5_000).rejects
    assert sum(r.count for r in refused) == 200


def test_what_waited_from_before_a_new_session_is_not_read_by_its_births():
    rig = Rig()
    rig.born()
    rig.edge.device_birth("plc 1", T, [])  # lost
    rig.take(rig.edge.by_alias("plc 1", T, {9: 5.0}))
    found = rig.take(rig.edge.birth(T + 500))
    assert [(r.reason, r.count) for r in found.rejects] == [(Reason.NO_BIRTH, 1)]


# --- rebirth -------------------------------------------------------------------------------------


def test_nothing_is_ever_sent_unless_the_settings_allow_it():
    rig = Rig()
    rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}))
    rig.edge.by_alias("plc 1", T, {1: 5.0})  # lost
    rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}))
    rig.decoder.overdue(NOW_MS + 60_000)
    assert rig.decoder.requests(NOW_MS) == []


def test_births_are_asked_for_where_allowed_and_not_at_every_message():
    rig = Rig(request_rebirth=True)
    rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}))
    rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}))
    assert rig.decoder.requests(K_MS) == [("spBv1.0/north/NCMD/quay-edge", REBIRTH)]
    rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}), NOW_MS + 30_000)
    assert rig.decoder.requests(K_MS) == []
    rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}), NOW_MS + 61_000)
    assert len(rig.decoder.requests(K_MS)) == 1


def test_a_gap_that_is_not_filled_asks_for_births():
    """K11."""
    rig = Rig(request_rebirth=True)
    rig.born()
    rig.edge.by_alias("plc 1", T, {1: 5.0})  # lost
    rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}))
    assert rig.decoder.requests(K_MS) == []
    rig.decoder.overdue(NOW_MS + 5_000)
    assert len(rig.decoder.requests(K_MS)) == 1


# --- deaths --------------------------------------------------------------------------------------


def test_the_death_of_the_edge_node_is_the_site_cut_off_and_ends_what_its_births_said():
    rig = Rig()
    rig.born()
    found = rig.take(rig.edge.death())
    assert found.status is not None
    assert (found.status.site, found.status.online) == ("quay", False)
    late = rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}))
    assert reject(late)[0] is Reason.NO_BIRTH


def test_the_will_of_an_earlier_connection_ends_nothing():
    """K6: a death is matched by its bdSeq."""
    rig = Rig()
    rig.born()
    before = rig.edge.death()
    rig.edge.bd_seq = 1
    rig.born()
    found = rig.take(before)
    assert (found.status, found.records, found.carriers) == (None, 1, 1)
    assert values(rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}))) == {"basin_level": 5.0}


@pytest.mark.parametrize("kind", ["Int64", "UInt64"])
def test_bd_seq_may_be_of_either_type(kind):
    """K5: the specification's text and its examples differ."""
    rig = Rig()
    rig.born()
    metric = Metric(0, "bdSeq", timestamp=T, datatype=kind, told=True)
    found = rig.take((rig.edge.topic("NDEATH"), payload([metric], timestamp=T)))
    assert found.status is not None


def test_a_death_without_bd_seq_is_refused():
    rig = Rig()
    rig.born()
    found = rig.take((rig.edge.topic("NDEATH"), payload(timestamp=T)))
    assert reject(found)[0] is Reason.NOT_SPARKPLUG
    assert values(rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}))) == {"basin_level": 5.0}


def test_a_death_of_which_no_birth_was_seen_is_believed():
    rig = Rig()
    found = rig.take((rig.edge.topic("NDEATH"), NDEATH))
    assert found.status is not None
    assert not found.status.online


def test_the_death_of_a_device_ends_its_birth_alone():
    rig = Rig()
    rig.born()
    assert rig.take(rig.edge.device_death("plc 1", T)).status is None
    assert reject(rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0})))[0] is Reason.NO_BIRTH


# --- restarts ------------------------------------------------------------------------------------


def test_a_new_start_still_knows_the_births():
    rig = Rig()
    rig.born()
    again = rig.restarted()
    found = again.take(again.edge.by_alias("plc 1", T, {1: 5.0, 2: 4.0}))
    assert values(found) == {"basin_level": 5.0, "pump_current": 4.0}
    death = again.restarted().take(again.edge.death())
    assert death.status is not None


def test_a_new_start_tells_what_was_sent_while_the_gateway_was_away():
    """Sparkplug data are QoS 0: no broker keeps them."""
    rig = Rig()
    rig.born()
    for _ in range(150):
        rig.edge.by_alias("plc 1", T, {1: 5.0})
    again = rig.restarted()
    again.take(again.edge.by_alias("plc 1", T, {1: 5.0}))
    (lost,) = again.decoder.overdue(NOW_MS + 5_000).lost
    assert lost.count == 150


def test_what_waits_waits_through_a_restart():
    rig = Rig()
    rig.take(rig.edge.birth(T))
    metric = Metric(1.0, "basin_level", 1, T, told=True, unit="mm")
    birth = rig.edge.device_birth("plc 1", T, [metric])
    rig.take(rig.edge.by_alias("plc 1", T + 1, {1: 5.0}))
    again = rig.restarted()
    found = again.take(birth)
    assert [list(f.values.values()) for f in found.frames] == [[1.0], [5.0]]
    third = again.restarted()
    assert third.decoder.overdue(NOW_MS + 60_000) == Decoded()


def test_notes_are_only_what_has_changed():
    rig = Rig()
    rig.born()
    assert {n.rpartition("/")[2] for n in rig.decoder.notes()} == {"session", "seq"}
    assert rig.decoder.notes() == {}
    rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}))
    assert {n.rpartition("/")[2] for n in rig.decoder.notes()} == {"seq"}


def test_a_note_that_cannot_be_read_is_as_good_as_none(caplog):
    rig = Rig({"sparkplug/north/quay-edge/session": b"\xff", "other": b"x"})
    assert "is unreadable" in caplog.text
    found = rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}))
    assert reject(found)[0] is Reason.NO_BIRTH


def test_an_edge_node_that_no_file_names_any_more_is_forgotten():
    rig = Rig()
    rig.born()
    notes = rig.decoder.notes()
    without = Decoder(UNITS, edges={}, nodes=rig.nodes)
    topic, body = rig.edge.by_alias("plc 1", T, {1: 5.0})
    assert reject(without.decode(topic, body, NOW_MS))[0] is Reason.UNREGISTERED
    assert without.notes() == dict.fromkeys(notes)
    found = rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}))
    assert reject(found)[0] is Reason.NO_BIRTH, "it may have been born anew unseen"


# --- topics and whole messages -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("topic", "reason"),
    [
        ("spBv1.0/north/DDATA/quay-edge", Reason.TOPIC),  # K2: a device is wanted
        ("spBv1.0/north/NDATA/quay-edge/plc 1", Reason.TOPIC),  # and here forbidden
        ("spBv1.0/north/XDATA/quay-edge", Reason.TOPIC),
        ("spBv1.0/north//quay-edge", Reason.TOPIC),
        ("spBv1.0", Reason.TOPIC),
        ("spBv1.0/STATE", Reason.TOPIC),
        ("spBv1.0/a/b/c/d/e", Reason.TOPIC),
        ("spAv1.0/north/NDATA/quay-edge", Reason.TOPIC),
        ("spBv1.0/south/NDATA/quay-edge", Reason.UNREGISTERED),
        ("spBv1.0/north/NDATA/other", Reason.UNREGISTERED),
        ("spBv1.0/north/DDATA/quay-edge/plc 2", Reason.UNREGISTERED),
    ],
)
def test_topics_outside_the_scheme_are_told(topic, reason):
    rig = Rig()
    assert reject(rig.take((topic, DATA)))[0] is reason


def test_an_unknown_device_of_a_known_site_is_named_for_the_rules():
    (refused,) = Rig().take(("spBv1.0/north/DDATA/quay-edge/plc 2", DATA)).rejects
    assert (refused.site, refused.unit) == ("quay", "plc 2")


@pytest.mark.parametrize(
    "topic",
    ["spBv1.0/STATE/other-host", "spBv1.0/north/NCMD/quay-edge", "spBv1.0/north/DCMD/quay-edge/x"],
)
def test_commands_and_other_hosts_are_passed_over(topic):
    assert Rig().take((topic, b'{"online":true}')) == Decoded()


def test_messages_are_bounded():
    rig = Rig()
    rig.born()
    reason, detail = reject(rig.take(rig.edge.data("plc 1", T, [Metric(1.0, alias=1)] * 10_001)))
    assert reason is Reason.TOO_LARGE
    assert "10001 metrics" in detail
    reason, detail = reject(rig.take((rig.edge.topic("DDATA", "plc 1"), b"\x00" * 262_145)))
    assert reason is Reason.TOO_LARGE
    assert "262145 bytes" in detail


@pytest.mark.parametrize("body", [b"\xff", b"[]", b"\x12\x05", b"\x0b" * 1000, b'{"n":1}'])
def test_what_is_no_payload_is_refused_whole(body):
    rig = Rig()
    found = rig.take((rig.edge.topic("DDATA", "plc 1"), body))
    assert reject(found)[0] is Reason.NOT_SPARKPLUG


# --- whatever comes ------------------------------------------------------------------------------

_kinds = st.one_of(
    st.tuples(st.sampled_from(["Double", "Float"]), st.floats(width=32)),
    st.tuples(st.sampled_from(["Boolean", "Int8", "UInt32", "Int64"]), st.integers(-5, 300)),
    st.tuples(st.just("Double"), st.none()),
)
_metrics = st.lists(
    st.builds(
        lambda kind, **rest: Metric(datatype=kind[0], value=kind[1], **rest),
        kind=_kinds,
        name=st.sampled_from(["", "basin_level", "PT 101", "ac-2/basin_level", "bdSeq", "x"]),
        alias=st.one_of(st.none(), st.integers(0, 4)),
        timestamp=st.sampled_from([0, 1, T, T, T + 5, NOW_MS + 10**7, 2**64 - 1]),
        told=st.booleans(),
        is_null=st.booleans(),
        unit=st.sampled_from(["", "mm", "bar", "%", "furlong"]),
        quality=st.sampled_from([None, 192, 0]),
    ),
    max_size=5,
)
_messages = st.lists(
    st.tuples(
        st.sampled_from(["NBIRTH", "DBIRTH", "DDATA", "DDATA", "NDATA", "NDEATH", "DDEATH"]),
        _metrics,
        st.integers(0, 300),
        st.sampled_from([0, T, T + 5]),
    ),
    max_size=12,
)


def play(rig: Rig, messages: Sequence[Any], at_restart: int = -1) -> list[Decoded]:
    """What each message, and then the clock, had to say; a restart is put in before one of them."""
    found = []
    for i, (kind, metrics, seq, sent_ms) in enumerate(messages):
        if i == at_restart:
            rig = rig.restarted()
        topic = rig.edge.topic(kind, "plc 1" if kind.startswith("D") else "")
        found.append(rig.take((topic, payload(metrics, timestamp=sent_ms, seq=seq))))
        assert rig.decoder.decode(topic, b"\xff", NOW_MS).rejects
    found.append(rig.decoder.overdue(NOW_MS + 60_000))
    look_over(found[-1])
    return found


@settings(deadline=None, max_examples=100)
@given(_messages, st.integers(0, 12))
def test_any_course_of_messages_adds_up_and_a_restart_changes_nothing(messages, at_restart):
    """Every metric ends as sample, carrier or refusal, at once or when its wait is over."""
    found = play(Rig(), messages)
    assert sum(f.records for f in found) == sum(
        len(m) if (k, f.records) != ("NDEATH", 0) else 0
        for (k, m, *_), f in zip(messages, found, strict=False)
    )
    assert play(Rig(), messages, at_restart) == found


@settings(deadline=None)
@given(_metrics, st.data())
def test_mutated_payloads_never_raise(metrics, data):
    rig = Rig()
    rig.born()
    body = bytearray(payload(metrics, timestamp=T, seq=2))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(body) - 1))
        if data.draw(st.booleans()):
            body[at] = data.draw(st.integers(0, 255))
        else:
            end = data.draw(st.integers(at, min(len(body), at + 12)))
            body[at:at] = body[at:end]
    kind = data.draw(st.sampled_from(["NBIRTH", "DBIRTH", "DDATA", "NDATA", "NDEATH", "DDEATH"]))
    rig.take((rig.edge.topic(kind, "plc 1" if kind.startswith("D") else ""), bytes(body)))
    look_over(rig.decoder.overdue(NOW_MS + 60_000))


@settings(deadline=None)
@given(st.text(max_size=40), st.binary(max_size=80))
def test_any_topic_and_any_bytes_never_raise(topic, body):
    rig = Rig()
    rig.take((f"spBv1.0/{topic}", body))
    rig.take((rig.edge.topic("DDATA", "plc 1"), body))


def test_a_defect_in_what_waited_ends_the_waiting(monkeypatch):
    rig = Rig()
    rig.take(rig.edge.birth(T))
    rig.edge.device_birth("plc 1", T, [])  # lost
    rig.take(rig.edge.by_alias("plc 1", T, {1: 5.0}))

    def fail(*_: object) -> None:
        raise ZeroDivisionError("boom")

    monkeypatch.setattr(rig.decoder._sparkplug._metrics, "read", fail)
    found = rig.decoder.overdue(NOW_MS + 60_000)
    assert "ZeroDivisionError: boom" in reject(found)[1]
    assert rig.decoder.overdue(NOW_MS + 120_000) == Decoded()
    check(found)


def test_names_that_change_all_the_time_do_not_fill_the_memory():
    rig = Rig()
    rig.born()
    for i in range(3000):
        rig.take(rig.edge.data("plc 1", T, [Metric(1.0, f"x{i}", timestamp=T)]))
    learned = rig.decoder._sparkplug._metrics._learned["quay", "plc 1"]
    assert len(learned.meanings) <= 4
