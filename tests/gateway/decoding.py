"""Three units of two sites, and what every answer of their decoder must be like."""

from __future__ import annotations

import json
from typing import Any

from gateway.batch import Batch, Reason
from gateway.wire import Decoded, Decoder, UnitWire
from gateway.wire.advice import ADVICE
from rules.equipment import SignalMapping
from rules.signals import SIGNALS

NOW_MS = 1_700_000_000_500
TOPIC = "sites/quay/ac-1/senml"
HILL = "sites/hill/ac-9/senml"
"""Of the unit whose probe gives raw conductivity."""


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


class Strict(Decoder):
    """Without the net that catches the decoder's own defects."""

    def decode(self, topic: str, payload: bytes, received_ms: int) -> Decoded:
        return self._decode(topic, payload, received_ms)


class ExactOnly(Strict):
    """Without the fast path."""

    def __init__(self, units: Any) -> None:
        super().__init__(units)
        self._packs.plain = lambda *_: None


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
