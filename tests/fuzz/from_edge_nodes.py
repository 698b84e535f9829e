"""What Sparkplug B edge nodes send, after sound births: any payload of any kind of message."""

from __future__ import annotations

from typing import Final

from tests.gateway.sparkplug_rig import Rig

__all__ = ["KINDS", "node"]

KINDS: Final = ("NBIRTH", "NDATA", "NDEATH", "DBIRTH", "DDATA", "DDEATH", "NCMD", "STATE")


def node(data: bytes) -> None:
    """The first byte chooses the kind of message, the rest is its payload.

    It comes twice, and then a sound reading: whatever came, what follows is decoded or refused in
    words, and the counts add up (:func:`sparkplug_rig.look_over`).
    """
    rig = Rig()
    rig.born()
    kind = KINDS[data[0] % len(KINDS)] if data else "NDATA"
    device = "/plc 1" if kind.startswith("D") else ""
    for _ in range(2):
        rig.take((f"spBv1.0/north/{kind}/quay-edge{device}", data[1:]))
    rig.born()
