"""The decoder: records that are refused, each with its reason, while the rest of the pack lives."""

from __future__ import annotations

import json

import pytest
from decoding import NOW_MS, UNITS, decode, reject

from gateway.batch import Reason
from gateway.wire import Decoder
from gateway.wire.advice import ADVICE, explain, printable
from gateway.wire.readings import MAX_AHEAD_MS
from rules.signals import INDEX


@pytest.fixture
def decoder() -> Decoder:
    return Decoder(UNITS, retention_days=400)


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


# --- advice --------------------------------------------------------------------------------------


@pytest.mark.parametrize("reason", list(Reason))
def test_every_reason_has_one_sentence_of_advice(reason):
    assert ADVICE[reason].endswith(".")
    assert explain(reason, "This was wrong.") == f"This was wrong. {ADVICE[reason]}"


def test_excerpts_can_be_printed_whatever_came():
    assert printable("a\x00b\ud800\n") == "a\\x00b\\ud800\\n"
    assert printable("µ°C") == "µ°C"
    assert len(printable("\x00" * 500)) == 200
