"""Sparkplug B 3.0 messages of a simulated site, written by hand: births, data by alias, a death.

The plant sends its data with QoS 1, where the standard asks for 0: weeks of backlog go out in a
minute, and the broker must be able to hold the sender back.
"""

from __future__ import annotations

import struct
from typing import Final

import numpy as np
from numpy.typing import NDArray

from simulator.fleet import SitePlate, UnitPlate
from simulator.site_client import Message
from simulator.wire_fields import UnitFields, WireField

__all__ = ["DeviceEncoder", "EdgeNode"]

FloatArray = NDArray[np.float64]

# Datatype codes and field numbers of chapter 6.4.
_INT32, _INT64, _UINT32, _DOUBLE, _BOOLEAN, _STRING = 3, 4, 7, 10, 11, 12
_DATATYPES: Final = {"analogue": _DOUBLE, "flag": _INT32, "mask": _UINT32}
_TIMESTAMP, _METRICS, _SEQ = 1, 2, 3


class DeviceEncoder:
    """Writes the data of one unit, a device of its site's edge node."""

    def __init__(self, unit: UnitPlate, site: SitePlate) -> None:
        """The site must have an edge node, the unit a device id."""
        assert site.edge is not None  # noqa: S101  # whoever calls has looked
        group, edge = site.edge
        self.site = unit.site
        self.topic = f"spBv1.0/{group}/DDATA/{edge}/{unit.device}"
        self.birth_topic = f"spBv1.0/{group}/DBIRTH/{edge}/{unit.device}"
        self._wire = UnitFields(unit, site.elevation_m)

    def birth(self, time_ms: int) -> bytes:
        """What its metrics are; none has a value yet."""
        return _whole(_TIMESTAMP, time_ms) + b"".join(
            _chunk(_METRICS, _born(alias, field, time_ms))
            for alias, field in enumerate(self._wire.fields, start=1)
        )

    def encode(self, time_ms: NDArray[np.int64], values: FloatArray) -> bytes:
        """One message of the instants ``time_ms`` (m,) [ms since 1970] and ``values``.

        As :meth:`simulator.senml.UnitEncoder.encode`; the sequence number is added when it is sent.
        """
        shown = self._wire.shown(values)
        times = [_whole(3, t) for t in time_ms.tolist()]
        out = [_whole(_TIMESTAMP, int(time_ms[-1]))]
        for alias, field in enumerate(self._wire.fields, start=1):
            head = _whole(2, alias)
            column = (shown[:, field.column] * field.factor + field.offset).tolist()
            for when, value in zip(times, column, strict=True):
                if value == value:  # noqa: PLR0124  # NaN is the one value unlike itself
                    out.append(_chunk(_METRICS, head + when + _value(field, value)))
        return b"".join(out)


class EdgeNode:
    """What a site's connection says of itself: its will, its births, its farewell."""

    def __init__(self, site: SitePlate, devices: list[DeviceEncoder]) -> None:
        """The site must have an edge node."""
        assert site.edge is not None  # noqa: S101  # whoever calls has looked
        group, edge = site.edge
        self._topic = f"spBv1.0/{group}/{{}}/{edge}"
        self._devices = devices
        self._bd_seq = -1
        self._seq = 0

    def will(self, time_ms: int) -> Message:
        """The death of the connection that is about to be made."""
        self._bd_seq = (self._bd_seq + 1) % 256
        return Message(self._topic.format("NDEATH"), self._death(time_ms), retain=False)

    def hello(self, time_ms: int) -> list[Message]:
        """The births."""
        self._seq = 0
        body = _whole(_TIMESTAMP, time_ms)
        body += _chunk(_METRICS, self._bd_seq_metric(time_ms))
        control = _chunk(1, b"Node Control/Rebirth") + _whole(3, time_ms)
        body += _chunk(_METRICS, control + _whole(4, _BOOLEAN) + _whole(14, 0))
        births = [Message(self._topic.format("NBIRTH"), self.stamp(body), retain=False)]
        for device in self._devices:
            birth = self.stamp(device.birth(time_ms))
            births.append(Message(device.birth_topic, birth, retain=False))
        return births

    def goodbye(self, time_ms: int) -> Message:
        """A death that is no accident."""
        return Message(self._topic.format("NDEATH"), self._death(time_ms), retain=False)

    def stamp(self, payload: bytes) -> bytes:
        """The payload with the next sequence number."""
        seq, self._seq = self._seq, (self._seq + 1) % 256
        return payload + _whole(_SEQ, seq)

    def _death(self, time_ms: int) -> bytes:
        return _whole(_TIMESTAMP, time_ms) + _chunk(_METRICS, self._bd_seq_metric(time_ms))

    def _bd_seq_metric(self, time_ms: int) -> bytes:
        told = _chunk(1, b"bdSeq") + _whole(3, time_ms) + _whole(4, _INT64)
        return told + _whole(11, self._bd_seq)


def _born(alias: int, field: WireField, time_ms: int) -> bytes:
    out = _chunk(1, field.name.encode()) + _whole(2, alias) + _whole(3, time_ms)
    out += _whole(4, _DATATYPES[field.kind]) + _whole(7, 1)
    if field.unit:
        unit = _whole(1, _STRING) + _chunk(8, field.unit.encode())
        out += _chunk(9, _chunk(1, b"engUnit") + _chunk(2, unit))
    return out


def _value(field: WireField, value: float) -> bytes:
    if field.kind == "analogue":
        return b"\x69" + struct.pack("<d", value)
    return _whole(10, int(value) % 2**32)


def _varint(number: int) -> bytes:
    out = bytearray()
    while number > 0x7F:
        out.append(number & 0x7F | 0x80)
        number >>= 7
    out.append(number)
    return bytes(out)


def _whole(field: int, number: int) -> bytes:
    return _varint(field << 3) + _varint(number)


def _chunk(field: int, octets: bytes) -> bytes:
    return _varint(field << 3 | 2) + _varint(len(octets)) + octets
