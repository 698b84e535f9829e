"""SenML CBOR: the specification's bytes, independent encoders both ways, hostile bytes.

Whatever can be said in JSON means the same in CBOR; what only CBOR can say is bounded.
"""

from __future__ import annotations

import json
import struct
import warnings
from typing import Any

import cbor2
import pytest
from decoding import NOW_MS, TOPIC, UNITS, ExactOnly, Strict, check, decode, only, reject
from hypothesis import given, settings
from hypothesis import strategies as st
from senml_packs import PACKS

from gateway.batch import Reason
from gateway.wire import Decoded, Decoder
from gateway.wire.senml import Pack
from gateway.wire.senml_cbor import LABELS, read_cbor
from gateway.wire.senml_items import Fault
from gateway.wire.senml_json import read_json
from rules.signals import INDEX

CBOR_TOPIC = TOPIC + "-cbor"
NOW_S = NOW_MS / 1000.0
_INTEGER = {name: label for label, name in LABELS.items()}

SECTION_5_1_2_B = json.dumps(
    [
        {"bn": "urn:dev:ow:10e2073a0108006:", "bt": 1.276020076001e09, "bu": "A", "bver": 5,
         "n": "voltage", "u": "V", "v": 120.1},
        *({"n": "current", "t": t, "v": v}
          for t, v in ((-5, 1.2), (-4, 1.3), (-3, 1.4), (-2, 1.5), (-1, 1.6), (0, 1.7))),
    ]
).encode()  # fmt: skip
"""RFC 8428 (2018), section 5.1.2, third example."""

ITS_CBOR = bytes.fromhex(
    "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b001062236141"
    "20050067766f6c7461676501615602fb405e066666666666a3006763757272656e74062402fb3ff33333333333"
    "33a3006763757272656e74062302fb3ff4cccccccccccda3006763757272656e74062202fb3ff6666666666666"
    "a3006763757272656e74062102f93e00a3006763757272656e74062002fb3ff999999999999aa3006763757272"
    "656e74060002fb3ffb333333333333"
)
"""The same in section 6: 195 bytes, integers for the labels, one value as a half float."""


def as_cbor(pack: Any) -> bytes:
    """A pack in JSON's terms, with the integer labels, by an independent CBOR library."""
    records = [
        {_INTEGER.get(k, k): v for k, v in item.items()} if isinstance(item, dict) else item
        for item in pack
    ]
    return cbor2.dumps(records)


def cbor_decode(decoder: Decoder, body: bytes, topic: str = CBOR_TOPIC) -> Decoded:
    return decode(decoder, body, topic=topic)


def one(value: bytes, label: int = 2) -> bytes:
    """A pack of one record of basin_level in mm whose field ``label`` is the given CBOR item."""
    rest = b"".join(
        cbor2.dumps(key) + cbor2.dumps(text)
        for key, text in ((0, "basin_level"), (1, "mm"))
        if key != label
    )
    fields = 2 if label in (0, 1) else 3
    return b"\x81" + bytes([0xA0 + fields]) + rest + cbor2.dumps(label) + value


# --- the standard's own bytes --------------------------------------------------------------------


def test_the_bytes_of_section_6_say_what_the_json_of_section_5_says():
    assert len(ITS_CBOR) == 195
    found = read_cbor(ITS_CBOR, NOW_S)
    assert isinstance(found, Pack)
    assert found == read_json(SECTION_5_1_2_B, NOW_S)


@pytest.mark.parametrize(
    ("item", "value"),
    [
        # RFC 8949, appendix A: halves, singles, doubles, integers, and tag 4 from section 3.4.4.
        ("f93e00", 1.5), ("f97bff", 65504.0), ("fa47c35000", 100000.0),
        ("fb3ff199999999999a", 1.1), ("1864", 100), ("3903e7", -1000),
        ("1bffffffffffffffff", 18446744073709551615), ("3bffffffffffffffff", -18446744073709551616),
        ("c249010000000000000000", 18446744073709551616),
        ("c349010000000000000000", -18446744073709551617),
        ("c48221196ab3", 273.15),
        ("c4822003", 0.3),
    ],
)  # fmt: skip
def test_every_form_of_number_is_read(item, value):
    found = read_cbor(one(bytes.fromhex(item)), NOW_S)
    assert isinstance(found, Pack)
    (record,) = found.records
    assert record.value == float(value)


def test_a_data_value_is_a_byte_string():
    """RFC 8428, section 6; in JSON the same octets are aGkgCg (section 5.1.5)."""
    found = read_cbor(cbor2.dumps([{0: "nfv-reader", 8: b"hi \n"}]), NOW_S)
    assert isinstance(found, Pack)
    assert [r.data for r in found.records] == [b"hi \n"]
    assert found == read_json(b'[{"n":"nfv-reader","vd":"aGkgCg"}]', NOW_S)


def test_the_mark_that_says_this_is_cbor_is_passed_over():
    """RFC 8949, section 3.4.6."""
    body = as_cbor([{"n": "basin_level", "u": "mm", "v": 120}])
    assert only(cbor_decode(Decoder(UNITS), b"\xd9\xd9\xf7" + body)) == {"basin_level": 120}


# --- independent encoders, both ways -------------------------------------------------------------


def kpn() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own, not ours
        import kpn_senml
    return kpn_senml


def test_packs_of_an_independent_encoder_give_the_same_samples_in_both_forms():
    """kpn-senml writes base fields and takes the bases off the records."""
    library = kpn()
    pack = library.SenmlPack("quay/ac-1/")
    pack.base_time = NOW_S - 600
    for step in range(3):
        for name, unit, value in (
            ("basin_level", "m", 0.1 + step / 100), ("pump_current", "A", 3.5 + step),
            ("wet_mode", None, True), ("relative_humidity", "%RH", 40 + step),
        ):  # fmt: skip
            record = library.SenmlRecord(name, unit=unit, value=value)
            record.time = NOW_S - 600 + 10 * step
            pack.add(record)
    decoder = Decoder(UNITS)
    by_cbor = cbor_decode(decoder, pack.to_cbor())
    assert by_cbor == decode(decoder, pack.to_json().encode())
    assert not by_cbor.rejects
    assert len(by_cbor.frames) == 3
    assert by_cbor.frames[2].values[INDEX["basin_level"]] == pytest.approx(120.0)


def test_an_independent_decoder_agrees_on_what_the_bytes_say():
    library = kpn()
    body = as_cbor([{"bn": "quay:", "n": "level", "u": "mm", "v": 3}, {"n": "current", "v": 2.5}])
    pack = library.SenmlPack("quay:")
    told = {}
    for name in ("level", "current"):
        record = library.SenmlRecord(name)
        record.actuate = lambda r: told.update({r.name: r.value})
        pack.add(record)
    pack.from_cbor(body)
    found = read_cbor(body, NOW_S)
    assert isinstance(found, Pack)
    assert {r.name.split(":")[1]: r.value for r in found.records} == told


# --- the same as in JSON -------------------------------------------------------------------------


def likened(found: Decoded) -> Any:
    """What was decoded, without the words that differ by encoding: excerpts and topics."""
    rejects = [(r.reason, r.detail, r.count, r.readings, r.site, r.unit) for r in found.rejects]
    return found.frames, rejects, found.records, found.samples, found.carriers


@settings(deadline=None)
@given(PACKS)
def test_a_pack_means_the_same_in_both_forms(pack):
    """Same samples, same refusals, in the same words."""
    decoder = Strict(UNITS)
    by_json = decode(decoder, json.dumps(pack).encode())
    by_cbor = cbor_decode(decoder, as_cbor(pack))
    assert likened(by_cbor) == likened(by_json)


# --- whatever comes ------------------------------------------------------------------------------


@settings(deadline=None)
@given(PACKS, st.data())
def test_mutated_cbor_never_raises_and_both_paths_agree(pack, data):
    body = bytearray(as_cbor(pack))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(body) - 1))
        if data.draw(st.booleans()):
            body[at] = data.draw(st.integers(0, 255))
        else:
            end = data.draw(st.integers(at, min(len(body), at + 12)))
            body[at:at] = body[at:end]
    found = cbor_decode(Strict(UNITS), bytes(body))
    assert found == cbor_decode(ExactOnly(UNITS), bytes(body))


_items = st.recursive(
    st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5),
        st.binary(max_size=5), st.integers(2**64, 2**80), st.decimals(),
        st.datetimes().map(lambda d: cbor2.CBORTag(0, d.isoformat())),
        st.integers(0, 255).filter(lambda n: n < 20 or n > 31).map(cbor2.CBORSimpleValue),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.one_of(st.integers(-8, 10), st.text(max_size=3)), inner, max_size=4),
        st.builds(cbor2.CBORTag, st.sampled_from([1, 4, 5, 28, 29, 30, 35, 37, 258, 260]), inner),
    ),
    max_leaves=12,
)  # fmt: skip


@settings(deadline=None)
@given(_items)
def test_any_cbor_never_raises_and_both_paths_agree(item):
    body = cbor2.dumps(item)
    found = cbor_decode(Strict(UNITS), body)
    assert found == cbor_decode(ExactOnly(UNITS), body)


@settings(deadline=None)
@given(st.binary(max_size=80))
def test_any_bytes_never_raise(body):
    cbor_decode(Strict(UNITS), body)


# --- bounds --------------------------------------------------------------------------------------


def nested(depth: int) -> bytes:
    return one(b"\x81" * depth + b"\x00")


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"", "empty"),
        (b"\x80", "holds no record"),
        (b"\xa0", "A CBOR object, not an array"),
        (b"\x01", "A CBOR number, not an array"),
        (b"\xf7", "A CBOR undefined value"),
        (b"\xd8\x20\x61\x61", "A CBOR tagged item (tag 32)"),
        (b"\x81\xa1", "ends too early"),
        (b"\x9b" + b"\xff" * 8, "ends too early"),  # announces 2^64 - 1 records
        (b"\x81\x5b" + b"\xff" * 8, "ends too early"),  # announces 2^64 - 1 bytes
        (as_cbor([{"n": "a", "v": 1}]) + b"\x00", "follow 1 bytes more"),
        (b"\x9f\xa2\x00\x61\x61\x02\x01\xff", "indefinite"),
        (b"\x81\xbf\x00\x61\x61\x02\x01\xff", "indefinite"),
        (b"\x81\xa2\x00\x7f\x61\x61\xff\x02\x01", "indefinite"),
        (b"\x81\xa2\x00\x61\x61\x00\x61\x62", "Duplicate map key"),
        (b"\x81\xa1\x00\x62\xff\xfe", "utf-8"),
        (b"\x81\xff", "CBOR"),
        (nested(40), "depth"),
        (b"\x81" * 200_000 + b"\x01", "depth"),
        (b"[" + json.dumps([{"n": "a", "v": 1}]).encode(), "CBOR"),
    ],
)
def test_what_is_no_pack_is_refused_whole(body, words):
    reason, detail = reject(cbor_decode(Strict(UNITS), body))
    assert reason is Reason.NOT_SENML
    assert words in detail


@pytest.mark.parametrize(
    ("item", "words"),
    [
        (b"\xf9\x7e\x00", "is NaN"),
        (b"\xf9\x7c\x00", "is +Infinity"),
        (b"\xfb\xff\xf0" + b"\x00" * 6, "is -Infinity"),
        (b"\xc2\x59\x04\x00" + b"\xff" * 1024, "a big integer"),
        (b"\xc2\x58\x80" + b"\xff" * 128, "no finite number"),  # 2^1024 - 1: beyond a double
        (b"\xc4\x82\x1a\x3b\x9a\xca\x00\x01", "a decimal"),  # ten to the power of 1e9
        (b"\xc4\x82\x19\x01\x90\x01", "1e400"),
        (b"\xc4\x80", "decimal fraction without"),
        (b"\xc5\x82\x1b" + b"\x7f" * 8 + b"\x01", "tagged item (tag 5)"),  # two to the 9e18
        (b"\xd8\x1e\x82\x01\x00", "tagged item (tag 30)"),  # one over zero
        (b"\xd8\x23\x66(a*)*$", "tagged item (tag 35)"),  # a regular expression
        (b"\xd8\x1c\x81\xd8\x1d\x00", "tagged item (tag 28)"),  # a list that holds itself
        (b"\xc0\x61\x78", "tagged item (tag 0)"),
        (b"\xf7", "undefined value"),
        (b"\xf8\xff", "simple value 255"),
        (b"\xf6", "is a null"),
        (b"\xf5", "is a boolean"),
        (b"\x43abc", "is a byte string"),
        (b"\x80", "is a array"),
    ],
)
def test_a_value_that_is_no_finite_number_is_put_aside(item, words):
    good = as_cbor([{"n": "pump_current", "u": "A", "v": 3}])
    found = cbor_decode(Strict(UNITS), b"\x82" + good[1:] + one(item)[1:])
    reason, detail = reject(found)
    assert reason is Reason.NOT_A_NUMBER
    assert words in detail
    assert found.samples == 1


def test_a_label_as_number_and_as_text_is_said_twice():
    body = cbor2.dumps([{0: "basin_level", 1: "mm", 2: 100, "v": 101}])
    reason, detail = reject(cbor_decode(Strict(UNITS), body))
    assert reason is Reason.RECORD
    assert "'v' appears twice" in detail


def test_labels_of_no_meaning_are_ignored_and_what_must_be_understood_is_not():
    """RFC 8428, section 4.4."""
    record = {0: "basin_level", 1: "mm", 2: 100}
    odd = {99: 1, "note": "x", (1, 2): 3, b"v": 4}
    assert only(cbor_decode(Strict(UNITS), cbor2.dumps([{**record, **odd}]))) == {
        "basin_level": 100
    }
    reason, detail = reject(cbor_decode(Strict(UNITS), cbor2.dumps([{**record, "gain_": 2}])))
    assert reason is Reason.RECORD
    assert "'gain_' must be understood" in detail


def test_a_base_that_is_no_number_does_not_pass_on_the_fast_path():
    for bad in (float("nan"), float("inf")):
        body = cbor2.dumps([{-3: bad}, {-3: NOW_S, 0: "basin_level", 1: "mm", 2: 100}])
        found = cbor_decode(Strict(UNITS), body)
        assert (found.samples, found.carriers, found.rejects[0].reason) == (1, 0, Reason.RECORD)


def test_messages_are_bounded_as_in_json():
    record = {0: "basin_level", 1: "mm", 2: 100}
    reason, detail = reject(cbor_decode(Strict(UNITS), cbor2.dumps([record] * 10_001)))
    assert reason is Reason.TOO_LARGE
    assert "10001 records; the limit is 10000" in detail
    reason, detail = reject(cbor_decode(Strict(UNITS), b"\x00" * (256 * 1024 + 1)))
    assert reason is Reason.TOO_LARGE
    assert "262145 bytes" in detail


def test_an_ordinary_pack_takes_the_fast_path():
    """Else the comparison of both paths would compare one with itself."""
    decoder = Decoder(UNITS)
    state = decoder._by_topic[CBOR_TOPIC]
    body = as_cbor([{"bn": "x:", "bt": NOW_S, "n": "basin_level", "u": "mm", "v": 1}])
    assert decoder._packs.plain(state, body, NOW_MS) == decoder.decode(CBOR_TOPIC, body, NOW_MS)


def test_a_unit_that_no_file_has_is_refused_under_this_topic_too():
    found = Decoder(UNITS).decode("sites/quay/ac-77/senml-cbor", struct.pack(">B", 0x80), NOW_MS)
    check(found)
    assert reject(found)[0] is Reason.UNREGISTERED


def test_a_fault_of_the_whole_pack_is_a_fault():
    assert isinstance(read_cbor(b"\x80", NOW_S), Fault)
