"""SenML packs against the worked examples of RFC 8428, an independent encoder, and hostile text."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gateway.batch import Reason
from gateway.wire.senml import Pack, Record, resolve
from gateway.wire.senml_items import Fault
from gateway.wire.senml_json import read_json

NOW_S = 1_700_000_000.25


def read(pack: Any, now_s: float = NOW_S) -> Pack:
    text = pack if isinstance(pack, (str, bytes)) else json.dumps(pack)
    found = read_json(text if isinstance(text, bytes) else text.encode(), now_s)
    assert isinstance(found, Pack), found
    assert found.count == len(found.records) + len(found.faults) + found.carriers
    return found


def refused(payload: bytes) -> Fault:
    found = read_json(payload, NOW_S)
    assert isinstance(found, Fault), found
    return found


def rows(pack: Pack) -> list[tuple[str, str | None, float, float | None]]:
    assert not pack.faults
    return [(r.name, r.unit, r.time_s, r.value) for r in pack.records]


# --- RFC 8428 (2018), section 5.1: the examples, seen in a stored copy of the text ----------------


def test_single_datapoint_of_section_5_1_1():
    pack = read([{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}])
    assert rows(pack) == [("urn:dev:ow:10e2073a01080063", "Cel", NOW_S, 23.1)]


def test_multiple_datapoints_of_section_5_1_2():
    pack = read(
        [
            {"bn": "urn:dev:ow:10e2073a01080063:", "n": "voltage", "u": "V", "v": 120.1},
            {"n": "current", "u": "A", "v": 1.2},
        ]
    )
    assert rows(pack) == [
        ("urn:dev:ow:10e2073a01080063:voltage", "V", NOW_S, 120.1),
        ("urn:dev:ow:10e2073a01080063:current", "A", NOW_S, 1.2),
    ]


SECTION_5_1_2_B = [
    {
        "bn": "urn:dev:ow:10e2073a0108006:", "bt": 1.276020076001e09, "bu": "A", "bver": 5,
        "n": "voltage", "u": "V", "v": 120.1,
    },
    {"n": "current", "t": -5, "v": 1.2},
    {"n": "current", "t": -4, "v": 1.3},
    {"n": "current", "t": -3, "v": 1.4},
    {"n": "current", "t": -2, "v": 1.5},
    {"n": "current", "t": -1, "v": 1.6},
    {"n": "current", "v": 1.7},
]  # fmt: skip


def test_series_of_section_5_1_2_resolves_in_order_of_time_with_its_version():
    pack = read(SECTION_5_1_2_B)
    base = "urn:dev:ow:10e2073a0108006:"
    assert rows(pack) == [
        (base + "current", "A", 1276020071.001, 1.2),
        (base + "current", "A", 1276020072.001, 1.3),
        (base + "current", "A", 1276020073.001, 1.4),
        (base + "current", "A", 1276020074.001, 1.5),
        (base + "current", "A", 1276020075.001, 1.6),
        (base + "voltage", "V", 1276020076.001, 120.1),
        (base + "current", "A", 1276020076.001, 1.7),
    ]
    assert {r.version for r in pack.records} == {5}


def test_multiple_measurements_of_section_5_1_3_resolve_to_section_5_1_4():
    bn = "urn:dev:ow:10e2073a01080063"
    pack = read(
        [
            {"bn": bn, "bt": 1.320067464e09, "bu": "%RH", "v": 20},
            {"u": "lon", "v": 24.30621}, {"u": "lat", "v": 60.07965},
            {"t": 60, "v": 20.3},
            {"u": "lon", "t": 60, "v": 24.30622}, {"u": "lat", "t": 60, "v": 60.07965},
            {"t": 120, "v": 20.7},
            {"u": "lon", "t": 120, "v": 24.30623}, {"u": "lat", "t": 120, "v": 60.07966},
            {"u": "%EL", "t": 150, "v": 98},
            {"t": 180, "v": 21.2},
            {"u": "lon", "t": 180, "v": 24.30628}, {"u": "lat", "t": 180, "v": 60.07967},
        ]
    )  # fmt: skip
    t = 1320067464
    assert rows(pack) == [
        (bn, "%RH", t, 20), (bn, "lon", t, 24.30621), (bn, "lat", t, 60.07965),
        (bn, "%RH", t + 60, 20.3), (bn, "lon", t + 60, 24.30622), (bn, "lat", t + 60, 60.07965),
        (bn, "%RH", t + 120, 20.7), (bn, "lon", t + 120, 24.30623), (bn, "lat", t + 120, 60.07966),
        (bn, "%EL", t + 150, 98),
        (bn, "%RH", t + 180, 21.2), (bn, "lon", t + 180, 24.30628), (bn, "lat", t + 180, 60.07967),
    ]  # fmt: skip


def test_streamed_series_of_section_5_1_2():
    values = [21.2, 21.3, 21.4, 21.4, 21.5, 21.5, 21.5, 21.6, 21.7]
    pack = read(
        [{"bn": "urn:dev:ow:10e2073a01080063", "bt": 1320067464, "bu": "%RH", "v": 21.2}]
        + [{"t": 10 * i, "v": v} for i, v in enumerate(values) if i]
    )
    assert [(r.time_s - 1320067464, r.value) for r in pack.records] == [
        (10 * i, v) for i, v in enumerate(values)
    ]


def test_different_data_types_of_section_5_1_5():
    pack = read(
        [
            {"bn": "urn:dev:ow:10e2073a01080063:", "n": "temp", "u": "Cel", "v": 23.1},
            {"n": "label", "vs": "Machine Room"},
            {"n": "open", "vb": False},
            {"n": "nfv-reader", "vd": "aGkgCg"},
        ]
    )
    values = [(r.value, r.text, r.flag, r.data) for r in pack.records]
    assert values == [
        (23.1, None, None, None),
        (None, "Machine Room", None, None),
        (None, None, False, None),
        (None, None, None, b"hi \n"),
    ]


def test_collection_of_resources_of_section_5_1_6():
    """The last record is under the base name of the third and the base time of the first."""
    pack = read(
        [
            {"bn": "2001:db8::2/", "bt": 1.320078429e09, "n": "temperature", "u": "Cel", "v": 25.2},
            {"n": "humidity", "u": "%RH", "v": 30},
            {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
            {"n": "humidity", "u": "%RH", "v": 67},
        ]
    )
    t = 1320078429.0
    assert rows(pack) == [
        ("2001:db8::2/temperature", "Cel", t, 25.2),
        ("2001:db8::2/humidity", "%RH", t, 30),
        ("2001:db8::1/temperature", "Cel", t, 12.3),
        ("2001:db8::1/humidity", "%RH", t, 67),
    ]


def test_setting_an_actuator_of_section_5_1_7():
    pack = read(
        [
            {"bn": "urn:dev:ow:10e2073a01080063:"},
            {"n": "temp", "u": "Cel", "v": 23.1},
            {"n": "heat", "u": "/", "v": 1},
            {"n": "fan", "u": "/", "v": 0},
        ]
    )
    assert pack.carriers == 1
    assert [(r.name.rsplit(":", 1)[1], r.value) for r in pack.records] == [
        ("temp", 23.1), ("heat", 1), ("fan", 0),
    ]  # fmt: skip
    assert [r.index for r in pack.records] == [1, 2, 3]


# --- the rules, one by one -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bt", "t", "expected"),
    [
        (0, 0, NOW_S),
        (0, -30, NOW_S - 30),
        (0, 30, NOW_S + 30),
        (2**28 - 1, 0, NOW_S + 2**28 - 1),
        (2**28, 0, 2**28),
        (2**28 - 1, 1, 2**28),  # the sum decides, not its parts
        (2**28, -1, NOW_S + 2**28 - 1),
        (1_600_000_000, -60, 1_599_999_940),
    ],
)
def test_times_below_2_to_the_28_are_relative_to_receipt(bt, t, expected):
    """RFC 8428, section 4.5.3; 2^28 is 1978-07-04T21:24:16Z."""
    (record,) = read([{"n": "a", "v": 1, "bt": bt, "t": t}]).records
    assert record.time_s == expected


def test_base_value_and_base_sum_are_added():
    pack = read(
        [
            {"bn": "a:", "bv": 20, "bs": 100, "n": "x", "v": 1.5, "s": 1},
            {"n": "y", "v": -2},
            {"n": "z", "s": 3},
            {"n": "w", "bv": 0.5},
        ]
    )
    assert [(r.value, r.total) for r in pack.records] == [
        (21.5, 101), (18, 100), (20, 103), (0.5, 100),
    ]  # fmt: skip


def test_a_record_may_have_a_sum_and_no_value():
    (record,) = read([{"n": "energy", "u": "W", "s": 12.5}]).records
    assert (record.value, record.total) == (None, 12.5)


def test_own_unit_goes_before_base_unit():
    pack = read([{"bu": "A", "n": "a", "v": 1}, {"n": "b", "u": "V", "v": 1}, {"n": "c", "v": 1}])
    assert [r.unit for r in pack.records] == ["A", "V", "A"]


def test_unknown_fields_are_ignored_unless_they_must_be_understood():
    pack = read(
        [{"n": "a", "v": 1, "note": "x"}, {"n": "b", "v": 1, "gain_": 2}, {"n": "c", "v": 1}]
    )
    assert [r.name for r in pack.records] == ["a", "c"]
    (fault,) = pack.faults
    assert (fault.index, fault.reason) == (1, Reason.RECORD)
    assert "'gain_' must be understood" in fault.what


def test_a_base_field_that_must_be_understood_spoils_the_records_after_it_too():
    pack = read([{"n": "a", "v": 1}, {"n": "b", "v": 1, "bgain_": 2}, {"n": "c", "v": 1}])
    assert [r.name for r in pack.records] == ["a"]
    assert [f.index for f in pack.faults] == [1, 2]


@pytest.mark.parametrize(
    ("pack", "words"),
    [
        ([{"bver": 11, "n": "a", "v": 1}], "version 11; 10 is understood"),
        (
            [{"bver": 10, "n": "a", "v": 1}, {"bver": 9, "n": "b", "v": 1}],
            "Record 2 says version 9",
        ),
        ([{"n": "a", "v": 1}, {"bver": 5, "n": "b", "v": 1}], "version 5, records before it 10"),
        ([{"bver": "10", "n": "a", "v": 1}], "record 1 is not one positive whole number"),
        ([{"bver": 0, "n": "a", "v": 1}], "not one positive"),
        ([{"bver": 2.5, "n": "a", "v": 1}], "not one positive"),
        ([{"bver": True, "n": "a", "v": 1}], "not one positive"),
        ([{"bver": None, "n": "a", "v": 1}], "not one positive"),
    ],
)
def test_a_version_that_is_not_understood_refuses_the_pack(pack, words):
    fault = refused(json.dumps(pack).encode())
    assert (fault.index, fault.reason) == (None, Reason.VERSION)
    assert words in fault.what


def test_the_version_may_be_repeated():
    assert len(read([{"bver": 10, "n": "a", "v": 1}, {"bver": 10, "n": "b", "v": 1}]).records) == 2
    assert len(read([{"n": "a", "v": 1}, {"bver": 10, "n": "b", "v": 1}]).records) == 2


@pytest.mark.parametrize(
    ("record", "reason", "words"),
    [
        ('{"n":"bad","v":NaN}', Reason.NOT_A_NUMBER, "is NaN"),
        ('{"n":"bad","v":-Infinity}', Reason.NOT_A_NUMBER, "is -Infinity"),
        ('{"n":"bad","v":1e400}', Reason.NOT_A_NUMBER, "is 1e400"),
        ('{"n":"bad","v":%s}' % ("9" * 10_000), Reason.NOT_A_NUMBER, "(10000 characters)"),
        ('{"n":"bad","v":%s}' % ("9" * 350), Reason.NOT_A_NUMBER, "(350 characters)"),
        ('{"n":"bad","v":"23.1"}', Reason.NOT_A_NUMBER, "is a string, not a number"),
        ('{"n":"bad","v":null}', Reason.NOT_A_NUMBER, "is a null"),
        ('{"n":"bad","v":true}', Reason.NOT_A_NUMBER, "is a boolean"),
        ('{"n":"bad","v":[1]}', Reason.NOT_A_NUMBER, "is a array"),
        ('{"n":"bad","v":1,"v":2}', Reason.RECORD, "'v' appears twice"),
        ('{"n":"bad","v":1,"vs":"x"}', Reason.RECORD, "more than one value: v, vs"),
        ('{"n":"bad"}', Reason.RECORD, "no value"),
        ('{"n":"bad","u":"A","t":1}', Reason.RECORD, "no value"),
        ('{"n":"bad","v":1,"t":"now"}', Reason.RECORD, "'t' is a string"),
        ('{"n":"bad","v":1,"t":1e999}', Reason.RECORD, "'t' is 1e999"),
        ('{"n":7,"v":1}', Reason.RECORD, "'n' is a number, not a string"),
        ('{"n":"bad","v":1,"u":5}', Reason.RECORD, "'u' is a number"),
        ('{"n":"bad","vb":1}', Reason.RECORD, "'vb' is a number, not a boolean"),
        ('{"n":"bad","vs":1}', Reason.RECORD, "'vs' is a number"),
        ('{"n":"bad","vd":"a b"}', Reason.RECORD, "base64url"),
        ('{"n":"bad","vd":"a"}', Reason.RECORD, "base64url"),
        ('{"n":"sp ace","v":1}', Reason.RECORD, "must start with a letter"),
        ('{"n":"\\ud800","v":1}', Reason.RECORD, "must start with a letter"),
        ("7", Reason.RECORD, "is a number, not an object"),
        ("[]", Reason.RECORD, "is a array"),
        ("null", Reason.RECORD, "is a null"),
        ("{}", Reason.RECORD, "no value"),
    ],
)
def test_a_bad_record_is_put_aside_and_the_others_live(record, reason, words):
    text = f'[{{"bn":"x:","bt":1600000000,"n":"a","v":1}},{record},{{"n":"b","v":2}}]'
    pack = read(text)
    assert [(r.name, r.value) for r in pack.records] == [("x:a", 1), ("x:b", 2)]
    (fault,) = pack.faults
    assert (fault.index, fault.reason) == (1, reason)
    assert words in fault.what


def test_a_bad_first_record_leaves_its_bases_to_the_others():
    pack = read('[{"bn":"x:","bt":1600000000,"bu":"A","n":"a","v":NaN},{"n":"b","v":2}]')
    assert [(r.name, r.unit, r.time_s) for r in pack.records] == [("x:b", "A", 1600000000)]
    assert len(pack.faults) == 1


def test_a_bad_base_spoils_what_stands_on_it_until_the_next_base():
    pack = read(
        '[{"bn":"x:","bt":"noon","n":"a","v":1},{"n":"b","v":2},{"bt":1600000000,"n":"c","v":3}]'
    )
    assert [(r.name, r.time_s) for r in pack.records] == [("x:c", 1600000000)]
    assert [f.index for f in pack.faults] == [0, 1]
    assert "base time in force came with record 1" in pack.faults[1].what


def test_a_record_with_a_unit_of_its_own_does_not_need_the_spoiled_base_unit():
    pack = read('[{"bu":5,"n":"a","v":1},{"n":"b","u":"A","v":2},{"n":"c","v":3}]')
    assert [r.name for r in pack.records] == ["b"]


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b"", "empty"),
        (b"  \n", "empty"),
        (b"[]", "no record"),
        (b"{}", "A JSON object, not an array"),
        (b"null", "A JSON null"),
        (b"NaN", "number out of range"),
        (b'"text"', "A JSON string"),
        (b'[{"n":"a","v":1}', "Not JSON"),
        (b'[{"n":"a","v":1}] x', "Not JSON: Extra data"),
        (b"\xff\xfe", "Byte 0 is not UTF-8"),
        (b"\xef\xbb\xbf[]", "Not JSON"),
        (b"[" * 100_000, "nested 100000 deep"),
        (b'[{"n":"a","v":1,"x":' + b"[" * 100_000 + b"]" * 100_000 + b"}]", "nested 100002 deep"),
        (b'[{"x":' * 50_000, "nested 100000 deep"),
    ],
)
def test_what_is_no_pack_is_refused_whole(payload, words):
    fault = refused(payload)
    assert (fault.index, fault.reason) == (None, Reason.NOT_SENML)
    assert words in fault.what


def test_brackets_in_strings_are_no_nesting():
    text = "[" * 1000 + '\\"{'
    (record,) = read(f'[{{"n":"a","vs":"{text}"}}]').records
    assert record.text == "[" * 1000 + '"{'


def test_an_independent_encoder_is_understood():
    """kpn-senml writes base fields and subtracts bases from the records."""
    import kpn_senml as kpn

    pack = kpn.SenmlPack("urn:dev:quay:ac-1:")
    pack.base_time = 1_600_000_000
    pack.base_unit = "A"
    for offset, value in enumerate((2.5, 2.25, 2.0)):
        record = kpn.SenmlRecord("pump_current", value=value)
        record.time = 1_600_000_000 + offset
        pack.add(record)
    pack.add(kpn.SenmlRecord("wet_mode", value=True))
    found = read(pack.to_json())
    assert [(r.name, r.unit, r.value) for r in found.records if r.value is not None] == [
        ("urn:dev:quay:ac-1:pump_current", "A", v) for v in (2.5, 2.25, 2.0)
    ]
    assert [r.time_s for r in found.records if r.value is not None] == [
        1_600_000_000, 1_600_000_001, 1_600_000_002,
    ]  # fmt: skip
    assert [r.flag for r in found.records if r.flag is not None] == [True]


def test_an_independent_decoder_agrees_on_what_we_resolve():
    import kpn_senml as kpn

    text = json.dumps(
        [
            {"bn": "x:", "bu": "Cel", "bt": 1_600_000_000, "bv": 20, "n": "a", "v": 1.5},
            {"n": "b", "v": 2, "t": 5},
        ]
    )
    theirs: list[tuple[str, float]] = []
    pack = kpn.SenmlPack("x:", lambda record, **_: theirs.append((record.name, record.value)))
    pack.from_json(text)
    assert theirs == [(r.name.removeprefix("x:"), r.value) for r in read(text).records]


# --- anything at all -----------------------------------------------------------------------------

_scalars = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**70), 2**70), st.floats(), st.text(max_size=8),
    st.just(10**400),
)  # fmt: skip
_labels = st.sampled_from(
    ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x_",
     "bx_", "bx", "other"]
)  # fmt: skip
_items = st.lists(
    st.one_of(st.dictionaries(_labels, _scalars, max_size=6), _scalars, st.lists(_scalars)),
    max_size=8,
)


def check(found: Pack | Fault) -> None:
    if isinstance(found, Fault):
        assert found.index is None
        return
    assert found.count == len(found.records) + len(found.faults) + found.carriers
    times = [r.time_s for r in found.records]
    assert times == sorted(times)
    for record in found.records:
        assert record.name
        assert math.isfinite(record.time_s)
        assert record.value is None or math.isfinite(record.value)
        given = (record.value, record.text, record.flag, record.data)
        assert sum(v is not None for v in given) <= 1


@settings(deadline=None)
@given(_items)
def test_resolving_any_data_never_raises_and_the_counts_add_up(items):
    check(resolve(items, NOW_S))


@settings(deadline=None)
@given(_items)
def test_reading_any_json_never_raises_and_the_counts_add_up(items):
    check(read_json(json.dumps(items).encode("utf-8", "surrogatepass"), NOW_S))


@settings(deadline=None)
@given(st.binary(max_size=200))
@example(b'[{"n":"a","v":1e400}]')
@example(b'[{"n":"\\ud800","v":1}]')
def test_reading_any_bytes_never_raises(payload):
    check(read_json(payload, NOW_S))


@settings(deadline=None)
@given(_items)
def test_resolved_records_written_again_resolve_to_themselves(items):
    """RFC 8428, section 4.6: a resolved pack has no bases and no relative time."""
    found = resolve(items, NOW_S)
    if isinstance(found, Fault):
        return
    again = resolve([_as_item(r) for r in found.records if r.time_s >= 2**28], NOW_S + 1000)
    assert isinstance(again, Pack)
    assert not again.faults
    kept = [r for r in found.records if r.time_s >= 2**28]
    assert [_as_item(r) for r in again.records] == [_as_item(r) for r in kept]


def _as_item(record: Record) -> dict[str, Any]:
    fields = {
        "n": record.name, "u": record.unit, "t": record.time_s, "v": record.value,
        "vs": record.text, "vb": record.flag, "s": record.total, "ut": record.update_s,
        "bver": record.version,
    }  # fmt: skip
    if record.data is not None:
        import base64

        fields["vd"] = base64.urlsafe_b64encode(record.data).decode().rstrip("=")
    return {k: v for k, v in fields.items() if v is not None}
