"""The decoder: whatever comes, both its paths agree, nothing raises, the counts add up."""

from __future__ import annotations

import json
from typing import Any

import pytest
from decoding import HILL, NOW_MS, TOPIC, UNITS, decode, only, payload, reject
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.batch import Reason
from gateway.wire import Decoded, Decoder


@pytest.fixture
def decoder() -> Decoder:
    return Decoder(UNITS, retention_days=400)


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


def test_two_values_within_a_millisecond_are_one_instant_and_the_later_in_the_message_counts():
    body = payload(
        {"n": "basin_level", "u": "mm", "t": 1.9829637, "v": 1},
        {"n": "basin_level", "u": "mm", "t": 1.9829002, "v": 2},
    )
    found = decode(_Strict(UNITS), body)
    assert only(found) == {"basin_level": 2.0}
    assert found == decode(_ExactOnly(UNITS), body)


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
