"""The bytes of journal entries: exact both ways, small, and never believed when damaged."""

from __future__ import annotations

import zlib

import hypothesis.extra.numpy as hnp
import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings

from gateway.batch import Batch, Frame, Reason, Reject, SiteStatus
from gateway.journal import Clock, DamagedEntryError, Entry, Rejects
from gateway.journal.codec import KINDS, VERSION, decode, encode
from rules.events import Action, ActionKind
from rules.signals import INDEX, N_SIGNALS, SIGNALS

MS_2026 = 1_767_225_600_000

PLAIN: list[Entry] = [
    Clock(MS_2026),
    SiteStatus(MS_2026, "quay-cold-store", online=False),
    Action(7, ActionKind.SHELVE, 3, "fan-fault", MS_2026, "R. Okafor", "belt ordered", MS_2026 + 1),
    Rejects(
        (
            Reject(MS_2026, "sites/x", Reason.TOPIC, "Write sites/<site>/<unit>.", "µ \x00 é"),
            Reject(MS_2026, "t", Reason.RECORD, "", site="quay", unit="ac-1", count=12),
        )
    ),
    Rejects(()),
]


def same_batch(a: Batch, b: Batch) -> bool:
    """Equal bit for bit, NaN and -0.0 included."""
    return all(
        x.dtype == y.dtype and x.shape == y.shape and x.tobytes() == y.tobytes()
        for x, y in (
            (a.unit_row, b.unit_row),
            (a.time_ms, b.time_ms),
            (a.values, b.values),
        )
    )


@st.composite
def batches(draw: st.DrawFn) -> Batch:
    """Any batch at all, with whole columns missing as real batches have them."""
    n = draw(st.integers(0, 40))
    values = draw(
        hnp.arrays(np.float64, (n, N_SIGNALS), elements=st.floats(allow_nan=False, width=64))
    )
    missing = draw(hnp.arrays(np.bool_, (n, N_SIGNALS)))
    absent = draw(hnp.arrays(np.bool_, (N_SIGNALS,)))
    values[missing | absent] = np.nan
    return Batch(
        draw(hnp.arrays(np.int32, n)),
        draw(hnp.arrays(np.int64, n)),
        values,
    )


@pytest.mark.parametrize("entry", PLAIN, ids=lambda e: type(e).__name__)
def test_an_entry_comes_back_as_it_went_in(entry: Entry) -> None:
    kind, weight, payload = encode(entry)
    assert decode(payload) == entry
    assert kind in KINDS
    assert weight >= 1


@given(batch=batches())
@settings(max_examples=200, deadline=None)
def test_samples_come_back_bit_for_bit(batch: Batch) -> None:
    encoded = encode(batch)
    back = decode(encoded.payload)
    assert isinstance(back, Batch)
    assert same_batch(back, batch)
    assert encoded.weight == max(1, len(batch))


def test_samples_may_be_written_into_after_reading() -> None:
    """The arrays are the reader's own, not views of bytes that cannot change."""
    back = decode(encode(Batch.of([Frame(0, MS_2026, {0: 1.0})])).payload)
    assert isinstance(back, Batch)
    back.values[0, 0] = 2.0
    back.time_ms[0] = 1
    back.unit_row[0] = 1


@given(data=st.data())
@settings(max_examples=200, deadline=None)
def test_one_changed_byte_is_always_noticed(data: st.DataObject) -> None:
    """CRC-32 finds every burst of up to 32 bits (Koopman & Chakravarty, 2004, from memory)."""
    entry = data.draw(st.one_of(batches(), st.sampled_from(PLAIN)))
    payload = bytearray(encode(entry).payload)
    at = data.draw(st.integers(0, len(payload) - 1))
    payload[at] ^= data.draw(st.integers(1, 255))
    with pytest.raises(DamagedEntryError):
        decode(bytes(payload))


@given(cut=st.integers(0, 200))
def test_a_shortened_entry_is_noticed(cut: int) -> None:
    payload = encode(PLAIN[2]).payload
    with pytest.raises(DamagedEntryError):
        decode(payload[: min(cut, len(payload) - 1)])


def sealed(version: int, kind: int, body: bytes) -> bytes:
    """A body under a header that is right in itself."""
    packed = zlib.compress(body)
    checksum = zlib.crc32(bytes((version, kind)) + packed)
    return bytes((version, kind)) + checksum.to_bytes(4, "little") + packed


@pytest.mark.parametrize(
    ("payload", "said"),
    [
        (sealed(VERSION + 1, 1, b""), "a newer one wrote it"),
        (sealed(VERSION, 99, b""), "kind 99"),
        (sealed(VERSION, 3, b"\xc1"), "clock entry whose contents do not fit"),
        (sealed(VERSION, 1, b"\x01"), "samples entry whose contents do not fit"),
        (
            sealed(VERSION, 1, b"\x01\0\0\0\x01\0\x04\0mass" + bytes(20)),
            "does not know: \\['mass'\\]",
        ),
        (sealed(VERSION, 1, b"\xff\xff\xff\xff\x01\0\0\0" + bytes(20)), "4294967295 frames"),
    ],
)
def test_what_cannot_be_understood_is_refused_with_its_reason(payload: bytes, said: str) -> None:
    with pytest.raises(DamagedEntryError, match=said):
        decode(payload)


def test_only_the_signals_that_were_sent_take_room() -> None:
    """A frame of three steady signals takes 12 bytes at most, unit and time included.

    As plain columns of all signals it would be 164. Measured 10.3; the bound leaves room for other
    compressor versions.
    """
    rng = np.random.default_rng(1)
    values = np.full((1000, N_SIGNALS), np.nan)
    for name, around in (("basin_level", 150.0), ("conductivity", 900.0), ("pump_current", 3.2)):
        decimals = SIGNALS[INDEX[name]].decimals
        values[:, INDEX[name]] = np.round(rng.normal(around, around * 0.02, 1000), decimals)
    batch = Batch(np.arange(1000, dtype=np.int32), MS_2026 + rng.integers(0, 5000, 1000), values)
    assert len(encode(batch).payload) < 12 * 1000
