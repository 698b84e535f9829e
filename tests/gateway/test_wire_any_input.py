"""The decoder: whatever comes, both its paths agree, nothing raises, the counts add up."""

from __future__ import annotations

import json

import pytest
from decoding import HILL, NOW_MS, TOPIC, UNITS, ExactOnly, Strict, decode, only, payload, reject
from hypothesis import given, settings
from hypothesis import strategies as st
from senml_packs import PACKS

from gateway.batch import Reason
from gateway.wire import Decoder


@pytest.fixture
def decoder() -> Decoder:
    return Decoder(UNITS, retention_days=400)


@settings(deadline=None)
@given(PACKS, st.sampled_from([TOPIC, "sites/quay/ac-2/senml", HILL]))
def test_any_pack_is_decoded_alike_on_both_paths_and_the_counts_add_up(pack, topic):
    body = json.dumps(pack).encode()
    found = decode(Strict(UNITS), body, topic=topic)
    assert found == decode(ExactOnly(UNITS), body, topic=topic)


@settings(deadline=None)
@given(PACKS, st.data())
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
    found = decode(Strict(UNITS), text)
    assert found == decode(ExactOnly(UNITS), text)


@settings(deadline=None)
@given(st.text(max_size=40), st.binary(max_size=60))
def test_any_topic_and_any_bytes_never_raise(topic, body):
    decode(Strict(UNITS), body, topic=topic)
    decode(Strict(UNITS), body)


def test_two_values_within_a_millisecond_are_one_instant_and_the_later_in_the_message_counts():
    body = payload(
        {"n": "basin_level", "u": "mm", "t": 1.9829637, "v": 1},
        {"n": "basin_level", "u": "mm", "t": 1.9829002, "v": 2},
    )
    found = decode(Strict(UNITS), body)
    assert only(found) == {"basin_level": 2.0}
    assert found == decode(ExactOnly(UNITS), body)


def test_an_ordinary_pack_takes_the_fast_path(decoder):
    """Else the comparison of both paths would compare one with itself."""
    (state,) = [s for t, s in decoder._by_topic.items() if t == TOPIC]
    body = payload({"bn": "x:", "n": "basin_level", "u": "mm", "v": 1})
    assert decoder._packs.plain(state, body, NOW_MS) == decoder.decode(TOPIC, body, NOW_MS)


def test_a_defect_of_the_decoder_becomes_a_refusal(decoder, monkeypatch):
    """One message must not stop the others, nor come back for ever."""

    def fail(*_: object) -> None:
        raise ZeroDivisionError("boom")

    monkeypatch.setattr(decoder._packs, "plain", fail)
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
