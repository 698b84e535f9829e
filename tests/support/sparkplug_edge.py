"""A Sparkplug B edge node for tests: topics and payloads, encoded by hand.

Knows nothing of the gateway and of no protobuf library: varints, tags and little-endian numbers of
the protobuf wire format, field numbers of the Sparkplug specification 3.0, chapter 6.4.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

__all__ = ["CODES", "EdgeNode", "Metric", "payload"]

CODES: Final = {
    "Int8": 1, "Int16": 2, "Int32": 3, "Int64": 4, "UInt8": 5, "UInt16": 6, "UInt32": 7,
    "UInt64": 8, "Float": 9, "Double": 10, "Boolean": 11, "String": 12, "DateTime": 13, "Text": 14,
    "UUID": 15, "DataSet": 16, "Bytes": 17, "File": 18, "Template": 19,
}  # fmt: skip
_LONG: Final = {"Int64", "UInt64", "DateTime"}


def varint(number: int) -> bytes:
    out = bytearray()
    while True:
        number, low = number >> 7, number & 0x7F
        out.append(low | (0x80 if number else 0))
        if not number:
            return bytes(out)


def whole(tag: int, number: int) -> bytes:
    """A field of wire type 0."""
    return varint(tag << 3) + varint(number)


def chunk(tag: int, octets: bytes) -> bytes:
    """A field of wire type 2."""
    return varint(tag << 3 | 2) + varint(len(octets)) + octets


@dataclass(frozen=True)
class Metric:
    """One metric; None and empty are left out. ``carrier`` overrides the field of the value."""

    value: float | bool | str | bytes | None = None
    name: str | bytes = ""
    alias: int | None = None
    timestamp: int = 0
    datatype: str = "Double"
    told: bool = False
    """Whether the datatype is on the wire, as it must be in births."""
    is_null: bool = False
    is_historical: bool = False
    unit: str = ""
    quality: int | None = None
    carrier: int = 0

    def encode(self) -> bytes:
        out = b""
        if self.name:
            out += chunk(1, self.name.encode() if isinstance(self.name, str) else self.name)
        if self.alias is not None:
            out += whole(2, self.alias)
        if self.timestamp:
            out += whole(3, self.timestamp)
        if self.told:
            out += whole(4, CODES[self.datatype])
        if self.is_historical:
            out += whole(5, 1)
        if self.is_null:
            out += whole(7, 1)
        if self.unit or self.quality is not None:
            out += chunk(9, self._properties())
        return out + self._value()

    def _properties(self) -> bytes:
        out = b""
        if self.unit:
            value = whole(1, CODES["String"]) + chunk(8, self.unit.encode())
            out += chunk(1, b"engUnit") + chunk(2, value)
        if self.quality is not None:
            value = whole(1, CODES["Int32"]) + whole(3, self.quality)
            out += chunk(1, b"Quality") + chunk(2, value)
        return out

    def _value(self) -> bytes:
        value, kind = self.value, self.datatype
        if value is None:
            return b""
        if isinstance(value, (str, bytes)):
            octets = value.encode() if isinstance(value, str) else value
            return chunk(self.carrier or {"DataSet": 17, "Template": 18}.get(kind, 15), octets)
        if kind == "Boolean":
            return whole(14, int(bool(value)))
        if kind == "Float":
            return varint(12 << 3 | 5) + struct.pack("<f", value)
        if kind == "Double":
            return varint(13 << 3 | 1) + struct.pack("<d", value)
        bits = 64 if kind in _LONG or self.carrier == 11 else 32
        return whole(self.carrier or (11 if kind in _LONG else 10), int(value) % 2**bits)


def payload(metrics: Sequence[Metric] = (), *, timestamp: int = 0, seq: int | None = None) -> bytes:
    """A whole payload."""
    out = whole(1, timestamp) if timestamp else b""
    out += b"".join(chunk(2, m.encode()) for m in metrics)
    return out + (whole(3, seq) if seq is not None else b"")


Message = tuple[str, bytes]


@dataclass
class EdgeNode:
    """Numbers its messages as the specification wants, and hands them out as topic and payload."""

    group: str
    edge: str
    bd_seq: int = 0
    seq: int = field(default=0, init=False)

    def topic(self, kind: str, device: str = "") -> str:
        return f"spBv1.0/{self.group}/{kind}/{self.edge}" + (f"/{device}" if device else "")

    def birth(self, time_ms: int, metrics: Sequence[Metric] = ()) -> Message:
        """NBIRTH: numbering begins anew."""
        self.seq = 0
        own = (
            Metric(self.bd_seq, "bdSeq", timestamp=time_ms, datatype="Int64", told=True),
            Metric(False, "Node Control/Rebirth", timestamp=time_ms, datatype="Boolean", told=True),
        )
        return self._numbered("NBIRTH", "", time_ms, (*own, *metrics))

    def device_birth(self, device: str, time_ms: int, metrics: Sequence[Metric]) -> Message:
        return self._numbered("DBIRTH", device, time_ms, metrics)

    def data(self, device: str, time_ms: int, metrics: Sequence[Metric]) -> Message:
        """DDATA, or NDATA where the device is empty."""
        return self._numbered("DDATA" if device else "NDATA", device, time_ms, metrics)

    def by_alias(self, device: str, time_ms: int, values: Mapping[int, float]) -> Message:
        """Doubles by alias."""
        return self.data(
            device, time_ms, [Metric(v, alias=a, timestamp=time_ms) for a, v in values.items()]
        )

    def device_death(self, device: str, time_ms: int) -> Message:
        return self._numbered("DDEATH", device, time_ms, ())

    def death(self, time_ms: int = 0) -> Message:
        """NDEATH: the will of the present connection."""
        metric = Metric(self.bd_seq, "bdSeq", timestamp=time_ms, datatype="Int64", told=True)
        return self.topic("NDEATH"), payload([metric], timestamp=time_ms)

    def _numbered(self, kind: str, device: str, time_ms: int, metrics: Sequence[Metric]) -> Message:
        seq, self.seq = self.seq, (self.seq + 1) % 256
        return self.topic(kind, device), payload(metrics, timestamp=time_ms, seq=seq)
