"""Sparkplug over time: order, rebirth, deaths, restarts, and whatever else may come."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from decoding import NOW_MS, check, reject
from hypothesis import given, settings
from hypothesis import strategies as st
from sparkplug_rig import (
    DATA,
    K_MS,
    NDEATH,
    REBIRTH,
    UNITS,
    Rig,
    T,
    look_over,
    values,
)
from support.sparkplug_edge import Metric, payload

from gateway.batch import Reason
from gateway.wire import Decoded, Decoder

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
