"""A decoder that knows Sparkplug edge nodes, for tests, and what may be asked of its answers."""

from __future__ import annotations

from typing import Any

from decoding import NOW_MS, linear
from support.sparkplug_edge import EdgeNode, Metric

from gateway.batch import Batch
from gateway.sparkplug_settings import SparkplugSettings
from gateway.wire import Decoded, Decoder, EdgeNodes, EdgePlace, UnitWire
from gateway.wire.advice import ADVICE
from rules.equipment import SignalMapping
from rules.signals import SIGNALS

NDEATH = bytes.fromhex("08eaf2f5a8a02b12120a05626453657118eaf2f5a8a02b20085800")
"""K19: bdSeq 0 as UInt64, both timestamps 1486144502122."""
DATA = bytes.fromhex("08eaf2f5a8a02b1212100718eaf2f5a8a02b69000000000000f83f18ff01")
"""K20: alias 7, double 1.5, the same times, seq 255."""
REBIRTH = bytes.fromhex(
    "08eaf2f5a8a02b12210a144e6f646520436f6e74726f6c2f5265626972746818eaf2f5a8a02b200b7001"
)
"""K21: the request for a rebirth, at the same time."""
K_MS = 1_486_144_502_122

AC_1 = UnitWire(
    "quay", "ac-1", 7,
    mappings={
        "PT 101": SignalMapping(signal="spray_pressure", unit="bar"),
        "Basin/LT": SignalMapping(signal="basin_level", unit="mm"),
    },
)  # fmt: skip
AC_2 = UnitWire("quay", "ac-2", 8)
AC_9 = UnitWire("hill", "ac-9", 9, refer_conductivity=linear)
UNITS = {(u.site, u.unit): u for u in (AC_1, AC_2, AC_9)}
EDGES = {
    ("north", "quay-edge"): EdgePlace("quay", {"plc 1": AC_1}, {"ac-1": AC_1, "ac-2": AC_2}),
    ("north", "hill-edge"): EdgePlace("hill", {}, {"ac-9": AC_9}),
}
T = NOW_MS - 1000


class Rig:
    """A decoder and its memory, fed from an edge node."""

    def __init__(
        self, notes: dict[str, bytes] | None = None, edge: str = "quay-edge", **changed: Any
    ) -> None:
        self.nodes = EdgeNodes(notes)
        self.decoder = Decoder(
            UNITS, edges=EDGES, nodes=self.nodes, sparkplug=SparkplugSettings(**changed)
        )
        self.edge = EdgeNode("north", edge)

    def take(self, message: tuple[str, bytes], now_ms: int = NOW_MS) -> Decoded:
        topic, body = message
        # Without the net that catches the decoder's own defects.
        found = self.decoder._decode(topic, body, now_ms)
        look_over(found)
        return found

    def born(self) -> Decoded:
        """Births of the edge node and of a device with two metrics, aliases 1 and 2."""
        node = self.take(self.edge.birth(T))
        assert node.status is not None
        assert (node.status.site, node.status.online) == ("quay", True)
        return self.take(
            self.edge.device_birth(
                "plc 1", T,
                [
                    Metric(120.0, "basin_level", 1, T, told=True, unit="mm"),
                    Metric(3.5, "pump_current", 2, T, told=True, unit="A"),
                ],
            )
        )  # fmt: skip

    def restarted(self, **changed: Any) -> Rig:
        """A new process that found what this one noted."""
        kept = {k: v for k, v in self.decoder.notes().items() if v is not None}
        other = Rig(kept, **changed)
        other.edge = self.edge
        return other


def look_over(found: Decoded) -> None:
    """As :func:`decoding.check`, for messages of several units."""
    rejected = sum(r.count for r in found.rejects)
    assert found.records == found.samples + found.carriers + rejected or (
        found.records == 0 and rejected == 1
    )
    assert sum(len(f.values) for f in found.frames) <= found.samples
    for frame in found.frames:
        for column, value in frame.values.items():
            assert SIGNALS[column].low <= value <= SIGNALS[column].high
    Batch.of(found.frames)
    for one in (*found.rejects, *found.lost):
        assert len(one.excerpt) <= 200
        for text in (one.topic, one.detail, one.excerpt, one.site, one.unit):
            text.encode()
            assert text.isprintable()
        assert ADVICE[one.reason] in one.detail or len(one.detail) >= 900


def values(found: Decoded) -> dict[str, float]:
    """The values of the one frame, by signal."""
    assert not found.rejects, found.rejects
    (frame,) = found.frames
    return {SIGNALS[c].name: v for c, v in frame.values.items()}


def reading(metric: Metric, rig: Rig | None = None) -> Decoded:
    """One metric of a device, after the births."""
    rig = rig or Rig()
    rig.born()
    return rig.take(rig.edge.data("plc 1", T, [metric]))
